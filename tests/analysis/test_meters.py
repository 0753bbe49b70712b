"""What meters add to a gain's uncertainty: one meter throughout cancels, two benches count whole."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import pytest

from flowkit import Job

SHEET = """State,{state}
Bench,{bench}
Date,{date}
Test pressure,10 inH2O
Air temperature,21 °C
Barometer,1002 hPa
Humidity,45 %
Meter temperature,21 °C

Lift (mm),Intake 1 run 1 meter (%),Intake 1 run 2 meter (%)
2,{a},{b}
4,{c},{d}
6,{e},{f}
"""
BEFORE = {"a": 20.1, "b": 20.3, "c": 41.2, "d": 41.0, "e": 60.4, "f": 60.1}
AFTER = {"a": 21.1, "b": 21.4, "c": 44.2, "d": 44.0, "e": 66.4, "f": 66.1}


def job(folder: Path, meter: str, *, benches: tuple[str, str] = ("A", "A"), names: tuple[str, str] = ("", "")) -> Job:
    """A job of two states, each read on a meter."""
    states = (("as received", BEFORE, "2026-03-02"), ("ported", AFTER, "2026-03-20"))
    variants = ""
    for (state, values, date), bench, name in zip(states, benches, names, strict=True):
        text = SHEET.format(state=state, bench=bench, date=date, **values)
        (folder / f"{state}.csv").write_text(text, encoding="utf-8")
        variants += f'[[variant]]\nname = "{state}"\nsheets = ["{state}.csv"]\n'
        variants += (f'meter = "{name}"\n' if name else "") + f'state = {{ ports = "{state}" }}\n'
    path = folder / "job.toml"
    path.write_text(meter + variants, encoding="utf-8")
    return Job.load(path)


LINEAR = '[meter]\nkind = "percent"\nscale = "linear"\nfull_scale = "180 CFM"\nu_calibration = "1.5 %"\n'


def terms(made: Job) -> dict[str, float | None]:
    found = made.run().comparison.sides["intake"].gains[0].terms
    assert found is not None
    return dataclasses.asdict(found)


def test_calibration_of_one_meter_cancels(tmp_path: Path) -> None:
    assert terms(job(tmp_path, LINEAR))["meter"] == pytest.approx(0, abs=1e-12)


def test_calibrations_of_two_meters_count_whole(tmp_path: Path) -> None:
    two = "".join(LINEAR.replace("[meter]", f"[meter.{name}]") for name in ("a", "b"))
    assert terms(job(tmp_path, two, names=("a", "b")))["meter"] == pytest.approx(math.sqrt(2) * 0.015, rel=1e-9)


def test_one_meter_on_two_benches_is_two(tmp_path: Path) -> None:
    assert terms(job(tmp_path, LINEAR, benches=("A", "B")))["meter"] == pytest.approx(math.sqrt(2) * 0.015, rel=1e-9)


def test_zero_is_one_error_a_session(tmp_path: Path) -> None:
    made = job(tmp_path, LINEAR + 'u_zero = "0.2 %"\n')
    comparison = made.run().comparison.sides["intake"]
    # A linear scale: the mean flow follows the reading, so a zero off by 0.2 shifts each state by 0.2 over its mean
    # reading (PCHIP's weights are the same to a few per cent of the figure).
    means = [
        sum(v * w for v, w in zip((x["a"] + x["b"], x["c"] + x["d"], x["e"] + x["f"]), (1, 2, 1), strict=True)) / 8
        for x in (BEFORE, AFTER)
    ]
    wanted = math.sqrt(sum((0.2 / mean) ** 2 for mean in means))
    found = comparison.gains[0].terms
    assert found is not None and found.meter is not None
    assert found.meter == pytest.approx(wanted, rel=0.03)


def test_resolution_is_that_of_the_readings(tmp_path: Path) -> None:
    found = terms(job(tmp_path, LINEAR))["resolution"]
    assert found is not None
    # Steps of 0.1 % at readings of 20 to 66 %: between the share of the largest and of the smallest reading.
    one = 0.1 / math.sqrt(12)
    assert one / 66 / 2 < found < one / 20 * 1.5
    root = LINEAR.replace('"linear"', '"square-root"')
    half = terms(job(tmp_path, root))["resolution"]
    assert half == pytest.approx(found / 2, rel=0.15)


def test_air_counts_between_sessions(tmp_path: Path) -> None:
    keys = '[meter]\nkind = "plate"\nhole = "50 mm"\ncoefficient = 0.6\nplace = "room"\nu_air = "0.8 %"\n'
    made = job(tmp_path, keys)
    for name in ("as received", "ported"):
        path = tmp_path / f"{name}.csv"
        path.write_text(path.read_text(encoding="utf-8").replace("(%)", "(mmH2O)"), encoding="utf-8")
    assert terms(made)["meter"] == pytest.approx(math.sqrt(2) * 0.004, rel=1e-9)
