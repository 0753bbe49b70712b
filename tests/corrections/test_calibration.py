"""Coefficients and full scales from plates of known flow."""

from __future__ import annotations

import math
import random
import tomllib
from pathlib import Path
from typing import Any

import pytest

from flowkit import Job
from flowkit.corrections.calibration import calibrate
from flowkit.corrections.meter import meters_from
from flowkit.errors import JobError

CFM = 0.3048**3 / 60
DAY = {"air_temperature": "21 °C", "barometer": "1002 hPa", "humidity": "45 %"}


def percent(readings: list[float], flows: list[float], u: str = "0.5 %", **more: Any) -> dict[str, Any]:
    plates = [
        {"flow": f"{q} CFM", "at": "28 inH2O", "u": u, "reading": f"{r} %", "test_pressure": "28 inH2O"}
        for r, q in zip(readings, flows, strict=True)
    ]
    return {"kind": "percent", "scale": "square-root", "certificate": plates, **more}


def test_full_scale_by_hand() -> None:
    # 64 % of the differential is 80 % of the flow: 100/0.8 = 125 and 76.5/0.6 = 127.5 CFM; equal shares of
    # uncertainty weigh by 1/value².
    raw = percent([64.0, 36.0], [100.0, 76.5])
    (found,) = calibrate(meters_from(raw), raw).meters
    w = [1 / 125.0**2, 1 / 127.5**2]
    mean = (w[0] * 125 + w[1] * 127.5) / sum(w)
    chi = sum(wi * (v - mean) ** 2 for wi, v in zip(w, (125, 127.5), strict=True)) / 0.005**2
    assert found.value / CFM == pytest.approx(mean, rel=1e-12)
    assert found.chi_squared == pytest.approx(chi, rel=1e-9)
    assert chi > 1
    assert found.u == pytest.approx(math.sqrt(chi) * 0.005 / math.sqrt(sum(w)) / mean, rel=1e-9)


def test_shared_uncertainty_does_not_shrink() -> None:
    raw = percent([64.0] * 8, [100.0] * 8, u_common="0.3 %")
    (found,) = calibrate(meters_from(raw), raw).meters
    assert found.u == pytest.approx(math.hypot(0.005 / math.sqrt(8), 0.003), rel=1e-9)


def test_plates_find_the_coefficient_they_were_made_with() -> None:
    """Readings made from C = 0.611, with noise: found within its own uncertainty in most of many trials."""
    from flowkit.corrections import correct
    from tests.corrections.test_meters import readings

    rng = random.Random(4)
    base: dict[str, Any] = {"kind": "plate", "hole": "40 mm", "place": "room"}
    inside = 0
    for _ in range(40):
        plates = []
        for dp in (300.0, 700.0, 1500.0, 2500.0):
            test = readings([dp], "Pa", air_temperature_k=294.15, barometer_pa=100_200.0)
            q = correct([test], meters=meters_from({**base, "coefficient": 0.611})).tests[0].points[0].reading_m3_s
            # What its certificate says of the plate at its own pressure, in dry air of 20 °C.
            from tests.acceptance.independent import air_density

            root = math.sqrt(air_density(294.15, 100_200.0, 0.45) / air_density(293.15, 101_325.0))
            stated = q * root * math.sqrt(28 / 26.5) * (1 + rng.gauss(0, 0.004))
            plates.append(
                {"flow": f"{stated} m³/s", "at": "28 inH2O", "u": "0.4 %", "reading": f"{dp} Pa",
                 "test_pressure": "26.5 inH2O", "direction": "draws", **DAY}
            )  # fmt: skip
        raw = {**base, "certificate": plates}
        (found,) = calibrate(meters_from(raw), raw).meters
        inside += abs(found.value / 0.611 - 1) <= 2 * found.u
    assert inside >= 34


def test_the_table_to_paste_loads(tmp_path: Path) -> None:
    text = """
[meter.small]
kind = "plate"
hole = "40 mm"
place = "chamber"
manometer = { liquid = "water", liquid_temperature = "20 °C", angle = "30°" }
[[meter.small.certificate]]
flow = "61.4 CFM"
at = "28 inH2O"
u = "0.4 %"
reading = "238 mm"
test_pressure = "26.5 inH2O"
direction = "draws"
air_temperature = "21 °C"
barometer = "1002 hPa"
humidity = "45 %"
"""
    path = tmp_path / "job.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(JobError, match=r"no \[\[variant\]\]"):
        Job.load(path)
    result = Job.load_bench(path).calibrate_meters()  # a bench is calibrated before the first head is flowed
    pasted = tomllib.loads(result.meters[0].toml)["meter"]
    assert meters_from(pasted)["small"].values["coefficient"] == pytest.approx(result.meters[0].value, rel=1e-4)
    assert [item.rule for item in result.findings] == ["few-repeats"]


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ({"kind": "percent", "scale": "linear", "full_scale": "180 CFM"}, "no meter of the job has a certificate"),
        ({**percent([64.0], [100.0]), "kind": "table", "points": [["0 %", "0 CFM"], ["9 %", "9 CFM"]]}, "scale"),
        (percent([0.0], [100.0]), "gives no flow"),
        (percent([164.0], [100.0]), "above the scale's end"),
        (percent([64.0], [100.0], u="0 %"), "u = 0"),
    ],
)
def test_refused(raw: dict[str, Any], words: str) -> None:
    with pytest.raises(JobError, match=words):
        calibrate(meters_from(raw), raw)
