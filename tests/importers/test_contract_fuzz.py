"""Whatever stands in a grid, the readers give a result or flowkit's own error."""

from __future__ import annotations

import datetime
import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flowkit.errors import FlowkitError
from flowkit.importers.files.grid import Grid
from flowkit.importers.mapping import Stated
from flowkit.importers.result import ReadResult
from flowkit.importers.words.vocabulary import WORDS
from flowkit.model import AirState
from tests.importers.sheets import read_grid

pytestmark = pytest.mark.slow

WORD = st.sampled_from([word for by in WORDS.values() for words in by.values() for word in words])
PIECE = st.one_of(
    WORD,
    st.sampled_from(
        ["mm", "(in)", "[CFM]", "L/s", "kg/h", "SCFM", "L/D", "%", "inH2O", '"', "@ 28", "in", "1", "02", "#3"]
    ),
    st.text(alphabet="abE1.,-:=()/ \n\tß°", max_size=6),
)
HEADING = st.lists(PIECE, min_size=1, max_size=3).map(" ".join)
NUMBER = st.one_of(
    st.integers(0, 40).map(float),
    st.floats(-5, 300, allow_nan=False),
    st.sampled_from([0.0, 0.1, 0.2, math.nan, math.inf, 1e308, -1e308]),
)
TYPED = st.sampled_from(
    [
        '.350"',
        "212.5 cfm",
        "50 thou",
        "1,234",
        "1.234,5",
        "−3",
        "-",
        "n/a",
        "NT",
        "12 %",
        "1e400",
        "0,5",
        "4o",
        "1/2",
        "28 in",
    ]
)
CELL = st.one_of(
    st.none(),
    NUMBER,
    NUMBER,
    HEADING,
    TYPED,
    st.booleans(),
    st.dates(datetime.date(1990, 1, 1), datetime.date(2030, 1, 1)),
    st.times(),
    st.text(max_size=5),
)


@st.composite
def grids(draw: st.DrawFn) -> Grid:
    """Grids with a good deal of headings and numbers, ragged, hidden and merged at random."""
    height, width = draw(st.integers(0, 9)), draw(st.integers(0, 7))
    rows = [tuple(draw(CELL) for _ in range(draw(st.integers(0, width)))) for _ in range(height)]
    if draw(st.booleans()) and rows:
        at = draw(st.integers(0, height - 1))
        rows[at] = (draw(st.sampled_from(["Lift (mm)", "Lift", "mm", "Hub"])), *rows[at])
        for below in range(at + 1, height):
            rows[below] = (draw(NUMBER), *rows[below])
    text = draw(st.booleans())
    if text:
        rows = [tuple(None if cell is None else str(cell) for cell in row) for row in rows]
    cell = st.tuples(st.integers(0, 9), st.integers(0, 7))
    spans = [
        (min(a, c), min(b, d), max(a, c), max(b, d))
        for (a, b), (c, d) in draw(st.lists(st.tuples(cell, cell), max_size=2))
    ]
    return Grid(
        "f.csv" if text else "f.xlsx",
        None if text else draw(st.sampled_from(["Sheet1", "Intake", "Stock Ex", "E3", "=1+1"])),
        tuple(rows),
        hidden=draw(st.sampled_from([False, False, False, True])),
        hidden_rows=draw(st.frozensets(st.integers(0, 9), max_size=1)),
        hidden_columns=draw(st.frozensets(st.integers(0, 7), max_size=1)),
        merged=tuple(spans),
        percent_cells=draw(st.frozensets(cell, max_size=2)),
        formula_gaps=draw(st.frozensets(cell, max_size=1)),
        lines=tuple(range(1, len(rows) + 1)) if text else None,
        comments=((1, draw(HEADING)),) if text else (),
        decimal_comma=draw(st.sampled_from([None, True, False])),
    )


STATED = st.sampled_from(
    [
        Stated(),
        Stated(flow_unit="CFM", lift_unit="mm"),
        Stated(side="intake", port="1", run=2, variant="x", head="y", pressure_unit="inH2O", standard_air=AirState()),
    ]
)


def is_sound(result: ReadResult) -> None:
    """No silent NaN, no lift below zero, every point and finding with its place, every id once."""
    for test in result.tests:
        assert test.run >= 1
        for point in test.points:
            assert math.isfinite(point.lift_m) and point.lift_m > 0
            assert math.isfinite(point.flow_m3_s)
            assert point.source.startswith(test.file)
    assert len({test.id for test in result.tests}) == len(result.tests)
    for finding in result.findings:
        assert finding.where and finding.message and "\n" not in finding.rule
    result.to_json()


@settings(max_examples=400, deadline=None, suppress_health_check=list(HealthCheck))
@given(grid=grids(), stated=STATED)
def test_random_grids(grid: Grid, stated: Stated) -> None:
    try:
        result = read_grid(grid, stated)
    except FlowkitError:
        return
    is_sound(result)
