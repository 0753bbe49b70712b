"""Whole chains of corrections through the command against plain calculations in `independent`."""

from __future__ import annotations

import itertools
import math
import random
from pathlib import Path

import pytest

from flowkit.job import Job
from tests.acceptance.independent import (
    INH2O,
    REFERENCE_DENSITY,
    air_density,
    bore_factor,
    pressure_factor,
    reference_velocity,
    vapour_fraction,
)

STANDARD = (288.7055555555556, 30 * 25.4 * 133.322387415, 0.5)  # 60 °F, 30 inHg, 50 %
CASES = list(itertools.product(("as stated", "actual", "metered"), ("square-root", "compressible"), range(3)))


def _case(air, law, seed):
    """One sheet and job at random, with what its flows must be [L/s]."""
    pick = random.Random(f"{air} {law} {seed}")
    side = ("intake", "exhaust")[seed % 2]
    valve = pick.uniform(30, 42)
    lifts = sorted(pick.sample(range(10, 125, 5), 7))
    flows = [round(0.04 * math.pi * valve * lift / 10 / math.hypot(1, lift / 60), 3) for lift in lifts]
    stated = pick.choice([10, 25, 36])
    own = [round(stated * pick.uniform(0.97, 1.01), 2) for _ in lifts] if seed == 1 else None
    leak_at, check_at, check_on = pick.choice([None, 20]), pick.choice([None, 25]), seed != 2
    humidity, room, barometer = pick.choice([0, 0.3, 0.8]), pick.choice([18, 25, 33]), pick.choice([1013, 960])
    offset, fixture, engine = pick.choice([None, 5, 12]), pick.choice([85, 90]), pick.choice([80, 92])
    target = pick.choice([28, 25, 10])
    check = round(pick.uniform(1.96, 2.04) * math.sqrt(stated / (check_at or stated)), 3)
    lines = [
        f"Test pressure;{stated} inH2O", f"Side;{side}", "Port;01", f"Fixture bore;{fixture} mm", "Leak;0.02 L/s",
        f"Air temperature;{room} °C", f"Barometer;{barometer} hPa", f"Humidity;{humidity:.0%}",
        "Meter temperature;40 °C", "Meter pressure;975 hPa",
    ]  # fmt: skip
    lines += [f"Leak pressure;{leak_at} inH2O"] if leak_at else []
    lines += [f"Check plate reading;{check} L/s", "Check plate nominal;2.00 L/s"] if check_on else []
    lines += [f"Check plate pressure;{check_at} inH2O"] if check_on and check_at else []
    lines += ["", "Lift (mm);Flow (L/s)" + (";Test pressure (inH2O)" if own else "")]
    for at, (lift, flow) in enumerate(zip(lifts, flows, strict=True)):
        lines.append(f"{lift / 10};{flow}" + (f";{own[at]}" if own else ""))
    job = f"""[reference]
pressure = "{target} inH2O"
pressure_law = "{law}"
bore = "{engine} mm"
[bench]
air = "{air}"
standard_air = {{ temperature = "60 °F", pressure = "30 inHg", humidity = "50 %" }}
[valves.{side}]
head = "{valve} mm"
{"" if offset is None else f'offset = "{offset} mm"'}
[[variant]]
name = "v"
sheets = ["sheet.csv"]
"""
    density = air_density(room + 273.15, barometer * 100, humidity)
    vapour = vapour_fraction(room + 273.15, barometer * 100, humidity)
    meter = air_density(313.15, 97_500, vapour=vapour)  # the room's air, warmed and throttled, keeps its moisture
    factor = {
        "as stated": 1.0,
        "actual": math.sqrt(density / REFERENCE_DENSITY),
        "metered": math.sqrt(air_density(*STANDARD) * meter / (density * REFERENCE_DENSITY)),
    }[air]
    expected = []
    for at, flow in enumerate(flows):
        pressure = own[at] if own else stated
        q = (flow - 0.02 * math.sqrt(pressure / (leak_at or stated))) * factor
        if check_on:
            q *= 2.0 / (check * factor * math.sqrt((check_at or stated) / stated))
        q *= pressure_factor(law, side, pressure * INH2O, target * INH2O, barometer * 100)
        area = q / 1000 / reference_velocity(law, side, target * INH2O)
        q *= bore_factor(area, fixture / 1000, engine / 1000, (offset or 0) / 1000, valve / 1000)
        expected.append(q)
    return "\n".join(lines) + "\n", job, expected


@pytest.mark.parametrize(("air", "law", "seed"), CASES)
def test_every_correction_in_its_order(tell, air, law, seed):
    sheet, job, expected = _case(air, law, seed)
    told = tell("correct", "job.toml", sheet_csv=sheet, job_toml=job)
    test = told.document["tests"][0]
    assert test["port"] == "01"
    assert [line["correction"] for line in test["ledger"]] == [
        "leakage", "air", "check-plate", "test-pressure", "bore",
    ]  # fmt: skip
    got = [1000 * point["flow_m3_s"] for point in test["points"]]
    # Both sides are double precision; the bore's quadratures agree to about 1e-12.
    assert got == pytest.approx(expected, rel=1e-9)


PLATE = """Test pressure;28 inH2O
Side;intake
Port;1
Air temperature;35 °C
Barometer;960 hPa
Humidity;50 %
Check plate reading;{} CFM
Check plate nominal;100 CFM

Lift (mm);Flow (CFM)
1;20
3;55
5;88
7;110
9;120
"""
ACTUAL = '[bench]\nair = "actual"\n[[variant]]\nname = "v"\nsheets = ["sheet.csv"]\n'


@pytest.mark.parametrize(
    ("reading", "rules"),
    [(112, [("check-off", "warning")]), (105, []), (96, [("check-off", "warning")]), (89, [("check-off", "error")])],
)
def test_a_check_plate_is_judged_in_reference_air(tell, reading, rules):
    # Density 35 °C, 960 hPa, 50 % over the reference's: the factor 0.944 makes 105.7, 99.1, 90.6 and 84.0 of them.
    told = tell("correct", "job.toml", sheet_csv=PLATE.format(reading), job_toml=ACTUAL)
    factor = math.sqrt(air_density(308.15, 96_000, 0.5) / REFERENCE_DENSITY)
    line = next(line for line in told.document["tests"][0]["ledger"] if line["correction"] == "check-plate")
    assert told.rules == rules
    assert told.code == (1 if ("check-off", "error") in rules else 0)
    if told.code:
        assert line["factor"] is None and line["skipped"]
    else:
        assert line["factor"][0] == pytest.approx(100 / (reading * factor), rel=1e-12)


def test_a_plate_read_at_an_unknown_pressure_is_not_judged(tell):
    sheet = (
        "Side;intake\nPort;1\nCheck plate reading;80 CFM\nCheck plate nominal;100 CFM\n"
        "Check plate pressure;28 inH2O\n\nLift (mm);Flow (CFM);Test pressure (inH2O)\n"
        "1;20;24\n3;55;24.2\n5;88;24.1\n7;110;24\n"
    )
    told = tell("correct", "sheet.csv", sheet_csv=sheet)
    assert "check-off" not in [rule for rule, _ in told.rules]
    assert ("correction-skipped", "note") in told.rules


def test_a_check_plate_read_at_a_pressure_of_its_own(tmp_path: Path) -> None:
    """The reading goes from its own pressure to the nominal's by the square-root law, whatever the test pressure."""
    sheet = tmp_path / "plate.csv"
    head = "Test pressure,10 inH2O\nCheck plate reading,{}\nCheck plate nominal,{}\nLift (mm),Intake 1 (CFM)\n"
    points = "2,30\n4,60\n6,80\n"
    cases = {
        ("100.5 CFM @ 28 inH2O", "100 CFM @ 28 inH2O"): 100 / 100.5,
        ("94.0 CFM @ 25 inH2O", "100 CFM @ 28 inH2O"): 100 / (94.0 * (28 / 25) ** 0.5),
        ("59.5 CFM", "100 CFM @ 28 inH2O"): 100 / (59.5 * 2.8**0.5),
        ("60.5 CFM", "60 CFM"): 60 / 60.5,
    }
    for (reading, nominal), factor in cases.items():
        sheet.write_text(head.format(reading, nominal) + points)
        result = Job.from_files([sheet]).correct()
        line = next(line for line in result.tests[0].ledger if line.correction == "check-plate")
        assert line.factor == pytest.approx([factor] * 3, rel=1e-9)
        assert not [finding for finding in result.findings if finding.rule == "check-off"]
