"""Sheets of raw readings in four layouts, by a seed: every reading comes back with its lift, side, port and unit."""

from __future__ import annotations

import random
from decimal import Decimal
from pathlib import Path

import pytest

from flowkit import read

METRES = {"in": Decimal("0.0254"), "mm": Decimal("0.001")}
WORDS = ("Manometer", "Reading", "Meter", "Manometer reading", "Meter reading")
Ports = dict[tuple[str, str], list[tuple[Decimal, Decimal, Decimal]]]


def measured(rng: random.Random, lift_unit: str) -> Ports:
    """Side and port to lifts, readings and flows."""
    step = Decimal("0.050") if lift_unit == "in" else Decimal(1)
    sides = ("intake", "exhaust") if rng.random() < 0.6 else (rng.choice(["intake", "exhaust"]),)
    ports = rng.choice([1, 2, 4])
    truth: Ports = {}
    for side in sides:
        for port in range(1, ports + 1):
            share = rng.uniform(0.7, 1)
            truth[side, str(port)] = [
                (step * k, *(Decimal(f"{most * share * (1 - 0.85**k):.1f}") for most in (90, 140)))  # type: ignore[misc]
                for k in range(1, 9)
            ]
    return truth


def rows_of(layout: str, truth: Ports, word: str, unit: str, lift_unit: str, mark: str) -> list[list[str]]:
    """The table of a layout."""

    def headed(text: str, of: str) -> str:
        return f"{text} ({of})" if mark == "(" else f"{text} [{of}]"

    lift, reading = headed("Lift", lift_unit), headed(word, unit)
    if layout == "long":
        rows = [["Side", "Port", lift, reading]]
        return rows + [[s.title(), p, str(a), str(b)] for (s, p), points in truth.items() for a, b, _ in points]
    if layout == "stacked":
        blocks = []
        for (s, p), points in truth.items():
            blocks += [[f"{s.title()} port {p}"], [lift, reading], *([str(a), str(b)] for a, b, _ in points), []]
        return blocks
    beside = layout == "beside"
    head = [lift]
    for s, p in truth:
        head.append(headed(f"{s.title()} {p} {word.lower()}", unit))
        head += [headed(f"{s.title()} {p} flow", "CFM")] if beside else []
    columns = list(truth.values())
    rows = [head]
    for at, (a, _, _) in enumerate(columns[0]):
        row = [str(a)]
        for points in columns:
            row += [str(points[at][1])] + ([str(points[at][2])] if beside else [])
        rows.append(row)
    return rows


@pytest.mark.parametrize("layout", ["wide", "beside", "long", "stacked"])
@pytest.mark.parametrize("unit", ["in", "mm", "cm", "%", "inH2O", "mmH2O", "Pa", "kPa", "V", "Hz", "div"])
@pytest.mark.parametrize("word", WORDS)
def test_every_reading_comes_back(layout: str, unit: str, word: str, tmp_path: Path) -> None:
    rng = random.Random(f"{layout} {unit} {word}")
    lift_unit = rng.choice(["in", "mm"])
    truth = measured(rng, lift_unit)
    rows = [["Head", "12"], rng.choice([["Test pressure", "10 inH2O"], ["ΔP", "25 inH2O"]])]
    if rng.random() < 0.5:
        rows += [["Air temperature", "21 °C"], ["Barometer", "1002 hPa"], ["Humidity", "45 %"]]
    rows += [[], *rows_of(layout, truth, word, unit, lift_unit, rng.choice("(["))]
    sheet = tmp_path / "readings.csv"
    sheet.write_text("\n".join(",".join(row) for row in rows) + "\n", encoding="utf-8")
    result = read(sheet)
    assert not [finding for finding in result.findings if finding.severity == "error"]
    assert {(test.side, test.port or "1") for test in result.tests} == set(truth)
    for test in result.tests:
        assert test.side is not None and test.units.reading is not None
        assert test.units.reading.unit == unit
        found = sorted((point.lift_m, point.reading.value) for point in test.points if point.reading)
        points = truth[test.side, test.port or "1"]
        assert [value for _, value in found] == [(float(reading),) for _, reading, _ in points]
        lifts = [float(lift * METRES[lift_unit]) for lift, _, _ in points]
        assert [lift for lift, _ in found] == pytest.approx(lifts)


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


@pytest.mark.parametrize("unit", ["V", "Hz", "div"])
@pytest.mark.parametrize("heading", ["Meter reading", "Intake 1 meter"])
def test_units_of_table_meters_in_cells(unit: str, heading: str, tmp_path: Path) -> None:
    sheet = tmp_path / "volts.csv"
    rows = "".join(f"{lift},{value} {unit}\n" for lift, value in ((2, "0.61"), (4, "1.20"), (6, "1.75")))
    sheet.write_text(f"Side,intake\n\nLift (mm),{heading}\n{rows}", encoding="utf-8")
    (test,) = read(sheet).tests
    assert test.units.reading is not None and test.units.reading.unit == unit
    assert [point.reading.value for point in test.points if point.reading] == [(0.61,), (1.2,), (1.75,)]
