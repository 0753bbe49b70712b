"""One invented job from end to end: before on a bench with a manometer, after on one that shows CFM."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from flowkit import Job, read
from flowkit.cli.app import run
from tests.acceptance.independent import air_density

BEFORE = """State,as received
Bench,manometer bench
Date,2026-03-02
Test pressure,10 inH2O
Air temperature,21 °C
Barometer,1002 hPa
Humidity,45 %
Zero reading,1.5 mm
Liquid temperature,20 °C

Lift (mm),Intake 1 manometer (mm),Intake 2 manometer (mm)
0,3.0,3.1
2,41.5,42.0
4,122.5,121.0
6,201.5,199.0
8,244.0,240.5
"""
AFTER = """State,ported
Bench,bench A
Date,2026-03-20
Test pressure,28 inH2O

Lift (mm),Intake 1 (CFM),Intake 2 (CFM)
2,44.9,45.3
4,79.8,79.6
6,104.6,104.1
8,117.2,116.5
"""
JOB = """
[job]
title = "invented: no such head"
[meter]
kind = "plate"
hole = "40 mm"
coefficient = 0.61
u_calibration = "0.8 %"
place = "chamber"
manometer = { liquid = "water", angle = "30°" }
[[variant]]
name = "as received"
sheets = ["before.csv"]
state = { ports = "as cast" }
[[variant]]
name = "ported"
sheets = ["after.csv"]
state = { ports = "ported" }
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in (("before.csv", BEFORE), ("after.csv", AFTER), ("job.toml", JOB)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def by_hand(reading_mm: float) -> float:
    """The flow of a reading [m³/s], worked out from the formulas in readings.md with plain figures."""
    room = air_density(294.15, 100_200.0, 0.45)
    upstream = 100_200.0 - 10 * 249.08891
    rho = room * upstream / 100_200.0  # same temperature and vapour; the gas is ideal to 1e-5 over 25 mbar
    dp = 998.2067 * 9.80665 * (reading_mm - 1.5) / 1000 * math.sin(math.radians(30))
    epsilon = 1 - 0.351 * (1 - (1 - dp / upstream) ** (1 / 1.4))
    mass = 0.61 * epsilon * math.pi / 4 * 0.040**2 * math.sqrt(2 * dp * rho)
    return mass / room


def test_a_sheet_of_readings_is_no_sheet_of_flows(folder: Path) -> None:
    result = read(folder / "before.csv")
    assert not result.findings
    document = json.loads(result.to_json())
    first = document["tests"][0]
    assert first["units"]["reading"] == {"unit": "mm", "source": "stated"}
    assert first["points"][0] == {
        "lift_m": 0.002, "flow_m3_s": None, "pressure_pa": None, "source": "before.csv:13:2", "reading": 41.5,
        "reading_unit": "mm", "meter": None, "range": None,
    }  # fmt: skip
    assert first["conditions"]["leak_reading"] == "3 mm"


def test_from_manometer_to_gain(folder: Path) -> None:
    results = Job.load(folder / "job.toml").run()
    before = next(test for test in results.correction.tests if test.variant == "as received" and test.port == "1")
    wanted = [by_hand(reading) for reading in (41.5, 122.5, 201.5, 244.0)]
    assert [point.reading_m3_s for point in before.points] == pytest.approx(wanted, rel=3e-5)
    leak = by_hand(3.0)
    assert before.ledger[1].offset_m3_s == pytest.approx([-leak] * 4, rel=3e-5)
    # To the reference: less the leak, to dry air of 20 °C, from 10 to 28 inH2O by the square root.
    air = math.sqrt(air_density(294.15, 100_200.0, 0.45) / air_density(293.15, 101_325.0, 0.0))
    flows = [(q - leak) * air * math.sqrt(2.8) for q in wanted]
    assert [point.flow_m3_s for point in before.points] == pytest.approx(flows, rel=3e-5)
    gain = results.comparison.sides["intake"].gains[0]
    assert gain.resolved is not True  # two benches
    assert "meter-air-assumed" in {finding.rule for finding in results.findings}


def test_without_a_meter_the_job_asks_for_one(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (folder / "job.toml").read_text(encoding="utf-8")
    start, end = text.index("[meter]"), text.index("[[variant]]")
    (folder / "job.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    assert run(["correct", str(folder / "job.toml"), "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert "meter-missing" in {finding["rule"] for finding in document["findings"]}
    assert all(test["variant"] != "as received" for test in document["tests"])


def test_a_report_of_readings_is_drawn(folder: Path) -> None:
    import openpyxl

    written = Job.load(folder / "job.toml").report(folder / "out")
    book = openpyxl.load_workbook(next(path for path in written if path.suffix == ".xlsx"), data_only=True)
    cells = [cell for sheet in book for row in sheet.iter_rows(values_only=True) for cell in row]
    assert not any(isinstance(cell, float) and math.isnan(cell) for cell in cells)
    assert not any("nan" in str(cell).split() for cell in cells)
