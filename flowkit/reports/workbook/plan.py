"""Which sheets there are, and where everything is in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from flowkit.analysis.checks import flows
from flowkit.analysis.curves import PortCurve, SideVariant, side_variants
from flowkit.analysis.lifts import lift_key, merge_lifts
from flowkit.analysis.results import SideComparison, VariantFlow
from flowkit.drawing import variant_style
from flowkit.model import CorrectedPoint, CorrectedTest, FlowTest, LedgerLine, Point, Side, UnitSource, Variant
from flowkit.reports.attach.tables import plain
from flowkit.reports.contents import ReportContents
from flowkit.reports.workbook.pen import Pen
from flowkit.units import UNITS, Unit, find_unit
from flowkit.wording import Display


def rounded(value: float) -> float:
    """Return a number without the noise of its conversion, as the sheet has it."""
    return float(f"{value:.13g}")


@dataclass(frozen=True)
class TestPlan:
    """A test as read, with what became of it."""

    __test__ = False  # not a test of the program

    number: int
    variant: str
    test: FlowTest
    corrected: CorrectedTest | None

    @cached_property
    def lift_unit(self) -> Unit:
        """The unit its lifts were written in."""
        return find_unit(self.test.units.lift.unit, ("length", "lift ratio")) or UNITS["m"]

    @cached_property
    def flow_unit(self) -> Unit:
        """The unit its flows were written in."""
        return find_unit(self.test.units.flow.unit, ("flow", "mass flow", "standard flow")) or UNITS["m³/s"]

    @cached_property
    def pressure_unit(self) -> Unit:
        """The unit its test pressure was written in."""
        written = self.test.units.pressure
        return (find_unit(written.unit, ("pressure",)) if written else None) or UNITS["inH2O"]

    def line(self, correction: str) -> LedgerLine | None:
        """Return what a correction did, or None where the test was left out."""
        ledger = self.corrected.ledger if self.corrected else ()
        return next((line for line in ledger if line.correction == correction), None)


@dataclass(frozen=True)
class Reading:
    """One reading, on the same row of the raw readings and of the corrections."""

    row: int
    test: TestPlan
    point: Point
    place: int | None
    corrected: CorrectedPoint | None


def plan_tests(contents: ReportContents, first_row: int) -> tuple[tuple[TestPlan, ...], tuple[Reading, ...]]:
    """Match every reading with what became of it."""
    waiting: dict[str, list[CorrectedTest]] = {}
    for done in contents.comparison.tests:
        waiting.setdefault(done.id, []).append(done)
    tests: list[TestPlan] = []
    readings: list[Reading] = []
    for variant in contents.variants:
        for test in variant.tests:
            known = waiting.get(test.id)
            corrected = known.pop(0) if known else None
            plan = TestPlan(
                len(tests) + 1,
                variant.name,
                _measured(test, corrected, "m³/h" if contents.info.display == "metric" else "CFM"),
                corrected,
            )
            tests.append(plan)
            readings += _readings(plan, first_row + len(readings))
    return tuple(tests), tuple(readings)


def _measured(test: FlowTest, corrected: CorrectedTest | None, unit: str) -> FlowTest:
    """A test whose flows come from a meter's readings, with the flows that they gave; others as they are."""
    metered = corrected is not None and any(point.mark for point in corrected.points)
    if test.units.reading is None or (test.gives_flows and not metered):
        return test
    flows = {point.source: point.reading_m3_s for point in corrected.points} if corrected else {}
    points = tuple(replace(point, flow_m3_s=flows[point.source]) for point in test.points if point.source in flows)
    units = replace(test.units, flow=UnitSource(unit, "stated"))
    return replace(test, points=points, units=units, conditions=corrected.conditions if corrected else test.conditions)


def _readings(plan: TestPlan, first_row: int) -> list[Reading]:
    """Match the points of one test in their order; some may have been left out."""
    done = plan.corrected.points if plan.corrected else ()
    found: list[Reading] = []
    place = 0
    for row, point in enumerate(plan.test.points, first_row):
        match = done[place] if place < len(done) else None
        if match and (match.source, match.lift_m, match.reading_m3_s) == (point.source, point.lift_m, point.flow_m3_s):
            found.append(Reading(row, plan, point, place, match))
            place += 1
        else:
            found.append(Reading(row, plan, point, None, None))
    return found


@dataclass(frozen=True)
class PortPlan:
    """A port of a variant: its curve, and the readings behind every lift of it."""

    name: str
    curve: PortCurve
    readings: dict[int, list[Reading]]

    @property
    def first(self) -> int:
        """Place of its lowest lift."""
        return min(self.readings)

    @property
    def last(self) -> int:
        """Place of its highest lift."""
        return max(self.readings)

    def neighbours(self, place: int) -> tuple[int, int]:
        """Return the measured places on either side of one that was not measured."""
        return max(p for p in self.readings if p < place), min(p for p in self.readings if p > place)


@dataclass(frozen=True)
class VariantPlan:
    """A variant on one side."""

    index: int
    curves: SideVariant
    flow: VariantFlow
    ports: tuple[PortPlan, ...]

    @property
    def name(self) -> str:
        """Its name."""
        return self.flow.name

    @property
    def first(self) -> int:
        """Place of the lowest lift within the ranges of all its ports."""
        return max(port.first for port in self.ports)

    @property
    def last(self) -> int:
        """Place of the highest lift within the ranges of all its ports."""
        return min(port.last for port in self.ports)


@dataclass(frozen=True)
class SidePlan:
    """One side."""

    side: Side
    result: SideComparison
    grid: tuple[float, ...]
    variants: tuple[VariantPlan, ...]

    def place(self, lift_m: float) -> int:
        """Return the place of a lift in the grid."""
        found = lift_key(lift_m, self.grid)
        if found is None:
            raise KeyError(lift_m)
        return found

    @property
    def low(self) -> int:
        """Place of the lower end of the common range."""
        return self.place(self.result.range_m[0])

    @property
    def high(self) -> int:
        """Place of the upper end of the common range."""
        return self.place(self.result.range_m[1])

    def variant(self, name: str) -> VariantPlan:
        """Return the variant of that name."""
        return next(item for item in self.variants if item.name == name)


def plan_sides(contents: ReportContents, readings: Sequence[Reading]) -> tuple[SidePlan, ...]:
    """Put the readings into the curves of each side, as the comparison does."""
    by_variant: dict[str, list[Reading]] = {variant.name: [] for variant in contents.variants}
    for reading in readings:
        if reading.corrected is not None and flows(reading.corrected):
            by_variant[reading.test.variant].append(reading)
    variants = [
        Variant(item.name, corrected=_used(by_variant[item.name]), state=item.state, valves=item.valves)
        for item in contents.variants
    ]
    order = {variant.name: index for index, variant in enumerate(variants)}
    made = []
    for side, result in contents.comparison.sides.items():
        compared = {item.name for item in result.variants}
        curves = [one for one in side_variants(variants, side) if one.name in compared]
        lifts = (point.lift_m for one in curves for port in one.ports for test in port.tests for point in test.points)
        grid = merge_lifts(lifts)
        # A stated range may end between measured lifts.
        grid = merge_lifts([*grid, *(end for end in result.range_m if lift_key(end, grid) is None)])
        made.append(
            SidePlan(
                side,
                result,
                grid,
                tuple(
                    VariantPlan(order[one.name], one, result.variant(one.name), _ports(one, by_variant[one.name], grid))
                    for one in curves
                ),
            )
        )
    return tuple(made)


def _used(readings: Sequence[Reading]) -> tuple[CorrectedTest, ...]:
    """Return the corrected tests with the points that are used."""
    points: dict[int, list[CorrectedPoint]] = {}
    tests: dict[int, CorrectedTest] = {}
    for reading in readings:
        if reading.test.corrected is not None and reading.corrected is not None:
            tests[reading.test.number] = reading.test.corrected
            points.setdefault(reading.test.number, []).append(reading.corrected)
    return tuple(replace(test, points=tuple(points[number])) for number, test in tests.items())


def _ports(curves: SideVariant, readings: Sequence[Reading], grid: Sequence[float]) -> tuple[PortPlan, ...]:
    """Put a variant's readings into its ports, lift by lift."""
    made = []
    for curve in curves.ports:
        ids = {(test.id, test.file, test.port, test.head) for test in curve.tests}
        by_place: dict[int, list[Reading]] = {}
        for reading in readings:
            test = reading.test.test
            if test.side == curves.side and (test.id, test.file, test.port, test.head) in ids:
                place = sum(1 for lift in grid if lift <= reading.point.lift_m) - 1
                by_place.setdefault(place, []).append(reading)
        made.append(PortPlan(curve.port, curve, dict(sorted(by_place.items()))))
    return tuple(made)


FIRST_READING = 4
"""Row of the first reading, on the raw readings and on the corrections."""


@dataclass(slots=True)
class Draft:
    """What every sheet is made from, and the addresses one sheet has of another."""

    contents: ReportContents
    display: Display
    pens: dict[str, Pen]
    tests: tuple[TestPlan, ...]
    readings: tuple[Reading, ...]
    sides: tuple[SidePlan, ...]
    units: dict[str, str] = field(default_factory=dict)
    reference: dict[str, str] = field(default_factory=dict)
    conditions: dict[tuple[int, str], str] = field(default_factory=dict)
    corrected: dict[int, str] = field(default_factory=dict)
    lifts: dict[int, str] = field(default_factory=dict)
    blocks: dict[tuple[Side, str], Block] = field(default_factory=dict)
    gains: dict[tuple[Side, str, str], str] = field(default_factory=dict)
    bands: dict[tuple[Side, int, str], tuple[dict[str, int], int]] = field(default_factory=dict)
    intervals: dict[tuple[object, ...], str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Block:
    """Where the flows of one variant on one side are on the corrected flows."""

    top: int
    ports: dict[str, int]
    mean: int
    area: int
    flow: int

    def row(self, place: int) -> int:
        """Return the row of a lift, by its place in the side's grid."""
        return self.top + place


_MARKERS: dict[str, Any] = {
    "o": "circle",
    "s": "square",
    "^": "triangle",
    "D": "diamond",
    "v": "dash",
    "P": "plus",
    "X": "x",
    "p": "star",
}
"""Matplotlib's markers to those a spreadsheet has."""
_DASHES = ("solid", "dash", "sysDash", "dashDot", "lgDash", "sysDot", "lgDashDot", "sysDashDot")
_LINE_EMU = 19_050
_WIDTH_CM, _HEIGHT_CM = 11.6, 8.8


def flow_chart(draft: Draft, side: SidePlan, anchor: str) -> None:
    """Put a chart of flow against lift on the summary."""
    title = f"{side.side.capitalize()}: mean of ports"
    chart = _chart(title, f"lift, {draft.display.lift}", f"flow, {draft.display.flow}")
    flows = draft.pens["Corrected flows"].sheet
    for variant in side.variants:
        block = draft.blocks[side.side, variant.name]
        rows = (block.row(variant.first), block.row(variant.last))
        _add(chart, flows, rows, (1, block.mean), name=variant.name, index=variant.index)
    draft.pens["Summary"].sheet.add_chart(chart, anchor)


def gain_chart(draft: Draft, side: SidePlan, rows: tuple[int, int], columns: dict[str, int], anchor: str) -> None:
    """Put a chart of the gains over the first variant against lift on the gains."""
    title = f"{side.side.capitalize()}: gain over {plain(side.variants[0].name)}"
    chart = _chart(title, f"lift, {draft.display.lift}", "gain")
    chart.y_axis.number_format = "+0%;-0%;0%"
    sheet = draft.pens["Gains"].sheet
    for name, column in columns.items():
        _add(chart, sheet, rows, (1, column), name=name, index=side.variant(name).index)
    sheet.add_chart(chart, anchor)


def _chart(title: str, across: str, up: str) -> Any:
    """Make an empty chart in the house's plain look."""
    from openpyxl.chart import ScatterChart
    from openpyxl.chart.shapes import GraphicalProperties

    chart: Any = ScatterChart()
    chart.style = 2
    chart.scatterStyle = "lineMarker"
    chart.title = _words(title, 1100, bold=True)
    chart.width, chart.height = _WIDTH_CM, _HEIGHT_CM
    chart.legend.position = "b"
    for axis, words in ((chart.x_axis, across), (chart.y_axis, up)):
        axis.title = _words(words, 900)
        # Left to itself, the library says nothing, and some programs then hide the axis.
        axis.delete = False
        axis.number_format = "General"
        axis.majorTickMark = "out"
    chart.x_axis.majorGridlines = None
    chart.x_axis.tickLblPos = "low"
    chart.y_axis.majorGridlines.spPr = GraphicalProperties(ln=_line("D9D9D9", "solid", 6_350))
    return chart


def _words(text: str, size: int, *, bold: bool = False) -> Any:
    """Make a title in sober type; the size is in hundredths of a point."""
    from openpyxl.chart.text import RichText, Text
    from openpyxl.chart.title import Title
    from openpyxl.drawing.text import CharacterProperties, Paragraph, ParagraphProperties, RegularTextRun

    look = CharacterProperties(sz=size, b=bold)
    paragraph = Paragraph(pPr=ParagraphProperties(defRPr=look), r=[RegularTextRun(rPr=look, t=text)])
    title = Title(tx=Text(rich=RichText(p=[paragraph])))
    title.overlay = False
    return title


def _line(color: str, dash: Any, width: int) -> Any:
    """Make a line's properties."""
    from openpyxl.drawing.line import LineProperties

    return LineProperties(solidFill=color, prstDash=dash, w=width)


def _add(chart: Any, sheet: Any, rows: tuple[int, int], columns: tuple[int, int], *, name: str, index: int) -> None:
    """Add a variant's curve in its own colour, line style and marker."""
    from openpyxl.chart import Reference, Series
    from openpyxl.chart.marker import Marker
    from openpyxl.chart.shapes import GraphicalProperties

    across, up = (Reference(sheet, min_col=column, min_row=rows[0], max_row=rows[1]) for column in columns)
    series = Series(up, across, title=plain(name))
    look = variant_style(index)
    color = look.color.lstrip("#")
    series.smooth = False
    series.graphicalProperties = GraphicalProperties(ln=_line(color, _DASHES[index % len(_DASHES)], _LINE_EMU))
    marker = Marker(symbol=_MARKERS.get(look.marker, "circle"), size=5)
    marker.graphicalProperties = GraphicalProperties(solidFill=color, ln=_line(color, "solid", 6_350))
    series.marker = marker
    chart.series.append(series)
