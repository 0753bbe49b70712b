"""What the workbook is made of: tests, readings and curves, where they are in it, and the cells sheets call."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from flowkit import model
from flowkit.air import density
from flowkit.analysis.checks import flows
from flowkit.analysis.curves import PortCurve, SideVariant, side_variants
from flowkit.analysis.lifts import lift_key, merge_lifts
from flowkit.analysis.results import Gain, SideComparison, VariantFlow
from flowkit.analysis.sentences import changed_words, factors
from flowkit.reports.contents import ReportContents
from flowkit.reports.labels import sides_of
from flowkit.reports.workbook import look
from flowkit.reports.workbook.look import Style
from flowkit.reports.workbook.pen import Key, Pen, Table
from flowkit.units import UNITS, Unit, find_unit, from_si
from flowkit.wording import Display

FIRST_READING = 4
"""Row of the first reading, on the raw readings and on the corrections."""


def rounded(value: float) -> float:
    """Return a number without the noise of its conversion, as the sheet has it."""
    return float(f"{value:.13g}")


def what_changed(gain: Gain) -> str:
    """Say what changed between two variants, and whether the gain belongs to it alone."""
    if gain.changed:
        words = changed_words(gain)
        return words if gain.attributable or len(factors(gain)) < 2 else f"{words} (together)"
    return "not declared" if gain.unknown else "nothing: repeatability"


@dataclass(frozen=True)
class TestPlan:
    """A test as read, with what became of it."""

    __test__ = False  # not a test of the program

    number: int
    variant: str
    test: model.FlowTest
    corrected: model.CorrectedTest | None
    standard_air: model.AirState | None

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

    @cached_property
    def lift_factor(self) -> float:
        """What turns its lifts as written into metres."""
        if self.lift_unit.quantity == "lift ratio":
            return self.test.conditions.valve_diameter_m or 1.0
        return self.lift_unit.factor

    @cached_property
    def inlet_density(self) -> float | None:
        """The density of the air at the inlet [kg/m³] where the unit of flow needs it."""
        given = self.test.conditions
        if self.flow_unit.quantity == "flow" or given.air_temperature_k is None or given.barometer_pa is None:
            return None
        return density(model.AirState(given.air_temperature_k, given.barometer_pa, given.relative_humidity or 0.0))

    @cached_property
    def standard_density(self) -> float | None:
        """The density of the declared standard air [kg/m³] where the unit of flow needs it."""
        standard = self.flow_unit.quantity == "standard flow" and self.standard_air
        return density(standard) if standard else None

    @cached_property
    def flow_factor(self) -> float:
        """What turns its flows as written into m³/s."""
        if self.inlet_density is None:
            return self.flow_unit.factor
        return self.flow_unit.factor * (self.standard_density or 1.0) / self.inlet_density

    def line(self, correction: str) -> model.LedgerLine | None:
        """Return what a correction did, or None where the test was left out."""
        ledger = self.corrected.ledger if self.corrected else ()
        return next((line for line in ledger if line.correction == correction), None)


@dataclass(frozen=True)
class Reading:
    """One reading, on the same row of the raw readings and of the corrections."""

    row: int
    test: TestPlan
    point: model.Point
    place: int | None
    corrected: model.CorrectedPoint | None


def plan_tests(contents: ReportContents) -> tuple[tuple[TestPlan, ...], tuple[Reading, ...]]:
    """Match every test and every reading with what became of it; some may have been left out."""
    waiting: dict[str, list[model.CorrectedTest]] = {}
    for done in contents.comparison.tests:
        waiting.setdefault(done.id, []).append(done)
    unit = "m³/h" if contents.info.display == "metric" else "CFM"
    tests: list[TestPlan] = []
    readings: list[Reading] = []
    for variant in contents.variants:
        for test in variant.tests:
            known = waiting.get(test.id)
            corrected = known.pop(0) if known else None
            read = _measured(test, corrected, unit)
            plan = TestPlan(len(tests) + 1, variant.name, read, corrected, contents.bench.standard_air)
            tests.append(plan)
            points, place = corrected.points if corrected else (), 0
            for point in read.points:
                match = points[place] if place < len(points) else None
                same = (point.source, point.lift_m, point.flow_m3_s)
                used = match is not None and (match.source, match.lift_m, match.reading_m3_s) == same
                row = FIRST_READING + len(readings)
                readings.append(Reading(row, plan, point, place if used else None, match if used else None))
                place += used
    return tuple(tests), tuple(readings)


def _measured(test: model.FlowTest, corrected: model.CorrectedTest | None, unit: str) -> model.FlowTest:
    """A test whose flows come from a meter's readings, with the flows that they gave; others as they are."""
    metered = corrected is not None and any(point.mark for point in corrected.points)
    if test.units.reading is None or (test.gives_flows and not metered):
        return test
    given = {point.source: point.reading_m3_s for point in corrected.points} if corrected else {}
    points = tuple(replace(point, flow_m3_s=given[point.source]) for point in test.points if point.source in given)
    units = replace(test.units, flow=model.UnitSource(unit, "stated"))
    return replace(test, points=points, units=units, conditions=corrected.conditions if corrected else test.conditions)


@dataclass(frozen=True)
class PortPlan:
    """A port of a variant: its curve, and the readings behind every lift of it."""

    name: str
    curve: PortCurve
    readings: dict[int, list[Reading]]  # by the lift's place in the side's grid

    @property
    def places(self) -> range:
        """Places of the lifts from its lowest to its highest."""
        return range(min(self.readings), max(self.readings) + 1)


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
    def places(self) -> range:
        """Places of the lifts within the ranges of all its ports."""
        return range(max(port.places.start for port in self.ports), min(port.places.stop for port in self.ports))


@dataclass(frozen=True)
class SidePlan:
    """One side."""

    side: model.Side
    result: SideComparison
    grid: tuple[float, ...]
    variants: tuple[VariantPlan, ...]

    def place(self, lift_m: float) -> int:
        """Return the place of a lift in the grid."""
        found = lift_key(lift_m, self.grid)
        if found is None:
            raise KeyError(lift_m)
        return found

    @cached_property
    def ends(self) -> tuple[int, int]:
        """Places of the ends of the common range."""
        low, high = self.result.range_m
        return self.place(low), self.place(high)


def plan_sides(
    contents: ReportContents, tests: Sequence[TestPlan], readings: Sequence[Reading]
) -> tuple[tuple[model.Variant, ...], tuple[SidePlan, ...]]:
    """Put the readings into the curves of each side, as the comparison does; return the variants compared too."""
    corrected: dict[str, list[model.CorrectedTest]] = {}
    for plan in tests:
        if plan.corrected is not None:
            used = replace(plan.corrected, points=tuple(filter(flows, plan.corrected.points)))
            corrected.setdefault(plan.variant, []).append(used)
    variants = tuple(replace(item, corrected=tuple(corrected.get(item.name, ()))) for item in contents.variants)
    index = {variant.name: place for place, variant in enumerate(variants)}
    made = []
    for side, result in sides_of(contents.comparison):
        compared = {item.name for item in result.variants}
        curves = [one for one in side_variants(variants, side) if one.name in compared]
        lifts = (point.lift_m for one in curves for port in one.ports for test in port.tests for point in test.points)
        grid = merge_lifts(lifts)
        # A stated range may end between measured lifts.
        grid = merge_lifts([*grid, *(end for end in result.range_m if lift_key(end, grid) is None)])
        plans = (
            VariantPlan(index[one.name], one, result.variant(one.name), _ports(one, readings, grid)) for one in curves
        )
        made.append(SidePlan(side, result, grid, tuple(plans)))
    return variants, tuple(made)


def _ports(curves: SideVariant, readings: Sequence[Reading], grid: Sequence[float]) -> tuple[PortPlan, ...]:
    """Put a variant's readings into its ports, lift by lift."""
    own = [
        reading
        for reading in readings
        if (reading.test.variant, reading.test.test.side) == (curves.name, curves.side)
        and reading.corrected is not None
        and flows(reading.corrected)
    ]
    made = []
    for curve in curves.ports:
        ids = {(test.id, test.file, test.port, test.head) for test in curve.tests}
        places: dict[int, list[Reading]] = {}
        for reading in own:
            test = reading.test.test
            if (test.id, test.file, test.port, test.head) in ids:
                place = sum(1 for lift in grid if lift <= reading.point.lift_m) - 1
                places.setdefault(place, []).append(reading)
        made.append(PortPlan(curve.port, curve, dict(sorted(places.items()))))
    return tuple(made)


Knot = tuple[str, str, str]
"""The addresses of lift, flow and slope at a point of a curve."""


@dataclass(frozen=True)
class Block:
    """Where the flows of one variant on one side are, and in the same cells of another sheet their slopes."""

    flows: Pen
    slopes: Pen
    top: int
    count: int  # of lifts
    ports: dict[str, int]  # their columns

    @property
    def mean(self) -> int:
        """Column of the mean of the ports."""
        return 2 + len(self.ports)

    @property
    def area(self) -> int:
        """Row of the areas; that of the mean flows is the next."""
        return self.top + self.count

    def row(self, place: int) -> int:
        """Return the row of a lift, by its place in the side's grid."""
        return self.top + place

    def knot(self, column: int, place: int, *, away: bool = True) -> Knot:
        """Return the addresses of lift, flow and slope at a place, as other sheets call them or not."""
        pen, row = self.flows, self.row(place)
        call = pen.at if away else pen.here
        return call(1, row, "c"), call(column, row, ""), self.slopes.at(column, row, "")

    def lift(self, place: int) -> str:
        """Return the cell of a lift as other sheets call it."""
        return self.flows.at(1, self.row(place))

    def average(self, row: int, ports: Collection[str] = ()) -> str:
        """Return the mean over some ports (all where none is named) in a row, as a formula."""
        columns = [column for port, column in self.ports.items() if not ports or port in ports]
        return f"AVERAGE({','.join(self.flows.ranges(columns, row, 'cr', away=True))})"


@dataclass(slots=True)
class Book:
    """What every sheet is made from, and the cells one sheet has of another."""

    contents: ReportContents
    display: Display
    pens: dict[str, Pen]
    cells: dict[Key, str]  # by name, such as ("unit", "CFM")
    tests: tuple[TestPlan, ...]
    readings: tuple[Reading, ...]
    variants: tuple[model.Variant, ...]  # with their corrected tests
    sides: tuple[SidePlan, ...]
    blocks: dict[tuple[model.Side, str], Block] = field(default_factory=dict)
    tables: dict[str, Table] = field(default_factory=dict)  # "readings" and "corrections"
    # Rows of ports and column of the first band, by side, table of bands and variant.
    bands: dict[tuple[model.Side, int, str], tuple[dict[str, int], int]] = field(default_factory=dict)

    @property
    def flow(self) -> Style:
        """How a flow is written."""
        return look.number(self.display.flow_digits)

    @property
    def lift(self) -> Style:
        """How a lift is written."""
        return look.number(self.display.lift_digits)

    def in_flow(self, flow_m3_s: float) -> float:
        """Return a flow in the unit shown."""
        return from_si(flow_m3_s, self.display.flow)

    def in_lift(self, lift_m: float) -> float:
        """Return a lift in the unit shown."""
        return from_si(lift_m, self.display.lift)

    def interval(self, *name: object) -> str:
        """Return the cell of an interval on its own sheet, "" where it stays a value."""
        return self.cells.get(("interval", *name), "")

    def put_ends(self, pen: Pen, column: int, ends: tuple[float | None, float | None], *name: object) -> None:
        """Write both ends of a gain's interval: beside a bound they are not as far from the gain."""
        for place, (value, end) in enumerate(zip(ends, ("low", "high"), strict=True), column):
            pen.put(place, value, look.GAIN, self.interval(*name, end))
