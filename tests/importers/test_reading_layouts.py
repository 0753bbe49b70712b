"""Sheets of raw readings in four layouts, by a seed: every reading comes back with its lift, side, port and unit."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from flowkit import read
from tests.importers.generator.readings import LAYOUTS, UNITS, WORDS, page
from tests.importers.generator.words import SI


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("word", WORDS)
def test_every_reading_comes_back(layout: str, unit: str, word: str, tmp_path: Path) -> None:
    rows, truth = page(random.Random(f"{layout} {unit} {word}"), layout, unit, word)
    sheet = tmp_path / "readings.csv"
    sheet.write_text("\n".join(",".join(row) for row in rows) + "\n", encoding="utf-8")
    result = read(sheet)
    assert not [finding for finding in result.findings if finding.severity == "error"]
    wanted = {(test.side, test.port): test for test in truth.tests}
    assert {(test.side, test.port) for test in result.tests} == set(wanted)
    for test in result.tests:
        assert test.units.reading is not None
        assert test.units.reading.unit == unit
        found = sorted((point.lift_m, point.reading.value) for point in test.points if point.reading)
        points = wanted[test.side, test.port].points
        assert [value for _, value in found] == [(float(reading),) for _, reading in points]
        assert [lift for lift, _ in found] == pytest.approx([float(lift) * SI[truth.lift_unit] for lift, _ in points])


PITOTS = {
    "named": "Lift [mm],Intake 1 pitot reading 1 (Pa),Intake 1 pitot reading 2 (Pa),Exhaust 2 pitot reading 1 (Pa),"
    "Exhaust 2 pitot reading 2 (Pa)\n",
    "two rows": "Lift [mm],Intake 1,,Exhaust 2,\n,pitot 1 (Pa),pitot 2 (Pa),pitot 1 (Pa),pitot 2 (Pa)\n",
    "bare numbers": "Lift [mm],Intake 1 pitot (Pa),,Exhaust 2 pitot (Pa),\n,1,2,1,2\n",
}


@pytest.mark.parametrize("name", PITOTS)
def test_positions_of_a_pitot_tube_beside_each_other(name: str, tmp_path: Path) -> None:
    sheet = tmp_path / "pitot.csv"
    sheet.write_text(PITOTS[name] + "2,41,42,43,44\n4,61,62,63,64\n6,71,72,73,74\n0,1,2,3,4\n", encoding="utf-8")
    first, second = read(sheet).tests
    assert (first.side, first.port, second.side, second.port) == ("intake", "1", "exhaust", "2")
    assert [point.reading.value for point in first.points if point.reading] == [(41, 42), (61, 62), (71, 72)]
    assert (first.conditions.leak_reading, second.conditions.leak_reading) == ("1, 2 Pa", "3, 4 Pa")


@pytest.mark.parametrize("unit", ["Pa", "inH2O", "mm", "V", "Hz"])
def test_readings_of_two_columns_with_units_in_their_cells(unit: str, tmp_path: Path) -> None:
    """A pressure in a cell is no test pressure there: the second column was once lost without a word."""
    sheet = tmp_path / "cells.csv"
    rows = "".join(f"{lift},{0.1 * lift + 0.01:.2f} {unit},{0.1 * lift:.1f} {unit}\n" for lift in (2, 4, 6))
    sheet.write_text(f"Test pressure,10 inH2O\n\nLift (mm),Intake 1 meter,Exhaust 1 meter\n{rows}", encoding="utf-8")
    first, second = read(sheet).tests
    assert (first.side, second.side) == ("intake", "exhaust")
    assert [point.reading.value for point in second.points if point.reading] == [(0.2,), (0.4,), (0.6,)]
    assert second.conditions.test_pressure_pa == pytest.approx(2490.8891)


@pytest.mark.parametrize("unit", ["%", "Pa", "mm", "in", "V", "Hz", "div"])
def test_a_row_of_units_under_readings(unit: str, tmp_path: Path) -> None:
    sheet = tmp_path / "units.csv"
    text = f"Lift,Intake 1 meter,Exhaust 1 meter\nmm,{unit},{unit}\n2,0.61,0.55\n4,1.2,1.1\n6,1.75,1.62\n"
    sheet.write_text(text, encoding="utf-8")
    tests = read(sheet).tests
    assert [(test.side, test.units.reading and test.units.reading.unit) for test in tests] == [
        ("intake", unit), ("exhaust", unit),
    ]  # fmt: skip


@pytest.mark.parametrize("unit", ["V", "Hz", "div"])
@pytest.mark.parametrize("heading", ["Meter reading", "Intake 1 meter"])
def test_units_of_table_meters_in_cells(unit: str, heading: str, tmp_path: Path) -> None:
    sheet = tmp_path / "volts.csv"
    rows = "".join(f"{lift},{value} {unit}\n" for lift, value in ((2, "0.61"), (4, "1.20"), (6, "1.75")))
    sheet.write_text(f"Side,intake\n\nLift (mm),{heading}\n{rows}", encoding="utf-8")
    (test,) = read(sheet).tests
    assert test.units.reading is not None and test.units.reading.unit == unit
    assert [point.reading.value for point in test.points if point.reading] == [(0.61,), (1.2,), (1.75,)]
