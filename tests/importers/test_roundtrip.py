"""Whatever is written to a layout, a unit and a kind of file reads back the same."""

from __future__ import annotations

import itertools
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flowkit.importers import read
from tests.importers.sheets import Sample, write_csv, write_xlsx

# Factors from NIST SP 811 (2008), appendix B: ft = 0.3048 m, in = 0.0254 m exactly.
LIFT_UNITS = {"mm": (1e-3, 0.25), "in": (0.0254, 0.01), "thou": (0.0254e-3, 10.0), "cm": (1e-2, 0.025)}
FLOW_UNITS = {"CFM": 0.3048**3 / 60, "L/s": 1e-3, "m³/h": 1 / 3600, "l/min": 1e-3 / 60, "m3/min": 1 / 60}
USUAL = {"CFM": 1.0, "L/s": 0.5, "m³/h": 1.7, "l/min": 28.0, "m3/min": 0.03}  # so that a valve passes it
VARIANTS = ["as received", "seats recut", "slim-stem valves"]


@st.composite
def samples(draw: st.DrawFn) -> tuple[list[Sample], str, str]:
    """A full set of tests: each variant, side, port and run at the same lifts, flows rising with lift."""
    lift_unit = draw(st.sampled_from(list(LIFT_UNITS)))
    flow_unit = draw(st.sampled_from(list(FLOW_UNITS)))
    step = LIFT_UNITS[lift_unit][1]
    steps = sorted(draw(st.sets(st.integers(4, 40), min_size=3, max_size=8)))
    lifts = [round(step * n, 4) for n in steps]
    variants = draw(st.lists(st.sampled_from(VARIANTS), min_size=1, max_size=2, unique=True))
    sides = draw(st.sampled_from([["intake"], ["exhaust"], ["intake", "exhaust"]]))
    ports = draw(st.lists(st.sampled_from(["1", "2", "03", "rear", "4B"]), min_size=1, max_size=3, unique=True))
    runs = range(1, draw(st.integers(1, 3)) + 1)
    found = []
    for variant, side, port, run in itertools.product(variants, sides, ports, runs):
        base = draw(st.integers(30, 90))
        flows = [round((base * (1 - 0.97**n) + n / 7) * USUAL[flow_unit], 4) for n in steps]
        found.append(Sample(variant, side, port, run, tuple(zip(lifts, flows, strict=True))))
    return found, lift_unit, flow_unit


def long(tests: list[Sample], lift: str, flow: str) -> list[list[object]]:
    rows: list[list[object]] = [["Variant", "Side", "Port", "Run", f"Lift ({lift})", f"Flow ({flow})"]]
    return rows + [[t.variant, t.side, t.port, t.run, x, y] for t in tests for x, y in t.points]


def wide(tests: list[Sample], lift: str, flow: str) -> list[list[object]]:
    """A column for each test; two rows of headings, the variant over its columns."""
    head: list[object] = [None, *(t.variant for t in tests)]
    names: list[object] = ["Lift", *(f"{t.side} port {t.port} run {t.run}" for t in tests)]
    units: list[object] = [lift, *(flow for _ in tests)]
    lifts = [x for x, _ in tests[0].points]
    return [head, names, units, *([x, *(t.points[i][1] for t in tests)] for i, x in enumerate(lifts))]


def across(tests: list[Sample], lift: str, flow: str) -> list[list[object]]:
    rows: list[list[object]] = [["Variant", "Side", "Port", "Run", f"Lift [{lift}]", *(x for x, _ in tests[0].points)]]
    return rows + [[t.variant, t.side, t.port, t.run, flow, *(y for _, y in t.points)] for t in tests]


def stacked(tests: list[Sample], lift: str, flow: str) -> list[list[object]]:
    rows: list[list[object]] = []
    for t in tests:
        rows += [["Variant", t.variant], ["Side", t.side], ["Port", t.port], ["Run", t.run], []]
        rows += [[f"Lift, {lift}", f"Flow, {flow}"], *([x, y] for x, y in t.points), []]
    return rows


def side_by_side(tests: list[Sample], lift: str, flow: str) -> list[list[object]]:
    rows: list[list[object]] = [[] for _ in range(5 + len(tests[0].points))]
    for t in tests:
        lines: list[list[object]] = [["Variant", t.variant], ["Side", t.side], ["Port", t.port], ["Run", t.run]]
        lines += [[f"Lift {lift}", f"Flow {flow}"], *([x, y] for x, y in t.points)]
        for row, line in zip(rows, lines, strict=True):
            row += [*line, None]
    return rows


LAYOUTS = {f.__name__: f for f in (long, wide, across, stacked, side_by_side)}
HEADING: list[list[object]] = [
    ["Invented data"],
    ["Test pressure", "28 inH2O"],
    ["Fixture bore", "83 mm"],
    ["Date", "2026-03-14"],
    [],
]


def check(path: Path, tests: list[Sample], lift: str, flow: str) -> None:
    """Every name and number comes back; nothing else does, and nothing is doubtful in the reading."""
    result = read(path)
    assert not [f for f in result.findings if f.severity == "error"], result.findings
    assert {"unit-assumed", "column-ignored", "sheet-ambiguous"}.isdisjoint(f.rule for f in result.findings)
    found = {f"{t.side} {t.port} {t.run} {t.variant}": t for t in result.tests}
    assert sorted(found) == sorted(t.name for t in tests)
    assert len({t.id for t in result.tests}) == len(tests)
    for t in tests:
        points = found[t.name].points
        assert [p.lift_m for p in points] == pytest.approx([x * LIFT_UNITS[lift][0] for x, _ in t.points], rel=1e-12)
        assert [p.flow_m3_s for p in points] == pytest.approx([y * FLOW_UNITS[flow] for _, y in t.points], rel=1e-12)
        assert found[t.name].conditions.test_pressure_pa == pytest.approx(28 * 249.08891, rel=1e-12)
        assert found[t.name].conditions.fixture_bore_m == pytest.approx(0.083, rel=1e-12)
        assert found[t.name].conditions.date == "2026-03-14"
        assert found[t.name].units.lift.source == found[t.name].units.flow.source == "stated"


QUICK = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize(("delimiter", "decimal"), [(",", "."), (";", ","), ("\t", "."), (";", ".")])
@QUICK
@given(case=samples())
def test_text(layout: str, delimiter: str, decimal: str, case: tuple[list[Sample], str, str]) -> None:
    tests, lift, flow = case
    with tempfile.TemporaryDirectory() as folder:
        rows = HEADING + LAYOUTS[layout](tests, lift, flow)
        check(write_csv(Path(folder, "sheet.csv"), rows, delimiter, decimal), tests, lift, flow)


@pytest.mark.parametrize("layout", LAYOUTS)
@QUICK
@given(case=samples())
def test_workbook(layout: str, case: tuple[list[Sample], str, str]) -> None:
    tests, lift, flow = case
    with tempfile.TemporaryDirectory() as folder:
        rows = HEADING + LAYOUTS[layout](tests, lift, flow)
        check(write_xlsx(Path(folder, "sheet.xlsx"), {"Sheet1": rows}), tests, lift, flow)


@QUICK
@given(case=samples())
def test_worksheet_per_variant(case: tuple[list[Sample], str, str]) -> None:
    tests, lift, flow = case
    sheets = {}
    for variant in dict.fromkeys(t.variant for t in tests):
        own = [t for t in tests if t.variant == variant]
        sheets[variant] = HEADING + wide(own, lift, flow)[1:]
    with tempfile.TemporaryDirectory() as folder:
        check(write_xlsx(Path(folder, "sheet.xlsx"), sheets), tests, lift, flow)


@QUICK
@given(case=samples(), seed=st.randoms())
def test_order_of_rows_of_a_long_table_does_not_matter(case: tuple[list[Sample], str, str], seed: object) -> None:
    tests, lift, flow = case
    head, *rows = long(tests, lift, flow)
    seed.shuffle(rows)  # type: ignore[attr-defined]
    with tempfile.TemporaryDirectory() as folder:
        result = read(write_csv(Path(folder, "sheet.csv"), [*HEADING, head, *rows]))
    found = {
        f"{t.side} {t.port} {t.run} {t.variant}": sorted((p.lift_m, p.flow_m3_s) for p in t.points)
        for t in result.tests
    }
    wanted = {t.name: [(x * LIFT_UNITS[lift][0], y * FLOW_UNITS[flow]) for x, y in t.points] for t in tests}
    assert sorted(found) == sorted(wanted)
    for name, points in wanted.items():
        assert found[name] == [pytest.approx(point, rel=1e-12) for point in points]
