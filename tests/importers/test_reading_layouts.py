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
