"""What the workbook is made from: readings, tests, and the curves they end up in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from flowkit.analysis.checks import flows
from flowkit.analysis.curves import PortCurve, SideVariant, merge_lifts, side_variants
from flowkit.analysis.lifts import lift_key
from flowkit.analysis.results import SideComparison, VariantFlow
from flowkit.model import CorrectedPoint, CorrectedTest, FlowTest, LedgerLine, Point, Side, Variant
from flowkit.reports.contents import ReportContents
from flowkit.units import UNITS, Unit, find_unit

__all__ = ["PortPlan", "Reading", "SidePlan", "TestPlan", "VariantPlan", "plan_sides", "plan_tests", "rounded"]


def rounded(value: float) -> float:
    """Return a number without the noise of its conversion, as it stood on the sheet.

    Parameters
    ----------
    value : float

    Examples
    --------
    >>> rounded(212.49999999999997)
    212.5
    """
    return float(f"{value:.13g}")


@dataclass(frozen=True)
class TestPlan:
    """A test as read, with what became of it.

    Attributes
    ----------
    number : int
        From 1, in the order of the job.
    variant : str
    test : FlowTest
    corrected : CorrectedTest or None
        None where the test was left out.
    """

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
        """Return what a correction did, or None where the test was left out.

        Parameters
        ----------
        correction : str
        """
        ledger = self.corrected.ledger if self.corrected else ()
        return next((line for line in ledger if line.correction == correction), None)


@dataclass(frozen=True)
class Reading:
    """One reading, on the same row of the raw readings and of the corrections.

    Attributes
    ----------
    row : int
        Its row there.
    test : TestPlan
    point : Point
    place : int or None
        Its place among the test's corrected points; None where it was left out.
    corrected : CorrectedPoint or None
    """

    row: int
    test: TestPlan
    point: Point
    place: int | None
    corrected: CorrectedPoint | None


def plan_tests(contents: ReportContents, first_row: int) -> tuple[tuple[TestPlan, ...], tuple[Reading, ...]]:
    """Match every reading with what became of it.

    Parameters
    ----------
    contents : ReportContents
    first_row : int
        Row of the first reading.
    """
    waiting: dict[str, list[CorrectedTest]] = {}
    for done in contents.comparison.tests:
        waiting.setdefault(done.id, []).append(done)
    tests: list[TestPlan] = []
    readings: list[Reading] = []
    for variant in contents.variants:
        for test in variant.tests:
            known = waiting.get(test.id)
            plan = TestPlan(len(tests) + 1, variant.name, test, known.pop(0) if known else None)
            tests.append(plan)
            readings += _readings(plan, first_row + len(readings))
    return tuple(tests), tuple(readings)


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
    """A port of a variant: its curve, and the readings behind every lift of it.

    Attributes
    ----------
    name : str
    curve : PortCurve
    readings : dict
        Place in the side's grid of lifts to the readings there.
    """

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
        """Return the measured places on either side of one that was not measured.

        Parameters
        ----------
        place : int
        """
        return max(p for p in self.readings if p < place), min(p for p in self.readings if p > place)


@dataclass(frozen=True)
class VariantPlan:
    """A variant on one side.

    Attributes
    ----------
    index : int
        Its place in the job.
    curves : SideVariant
    flow : VariantFlow
    ports : tuple of PortPlan
    """

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
    """One side.

    Attributes
    ----------
    side : {"intake", "exhaust"}
    result : SideComparison
    grid : tuple of float
        Every lift measured on it [m].
    variants : tuple of VariantPlan
    """

    side: Side
    result: SideComparison
    grid: tuple[float, ...]
    variants: tuple[VariantPlan, ...]

    def place(self, lift_m: float) -> int:
        """Return the place of a lift in the grid.

        Parameters
        ----------
        lift_m : float

        Raises
        ------
        KeyError
            If it is not there.
        """
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
        """Return the variant of that name.

        Parameters
        ----------
        name : str
        """
        return next(item for item in self.variants if item.name == name)


def plan_sides(contents: ReportContents, readings: Sequence[Reading]) -> tuple[SidePlan, ...]:
    """Put the readings into the curves of each side, as the comparison does.

    Parameters
    ----------
    contents : ReportContents
    readings : sequence of Reading
    """
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
        curves = side_variants(variants, side)
        lifts = (point.lift_m for one in curves for port in one.ports for test in port.tests for point in test.points)
        grid = merge_lifts(lifts)
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
        ids = {(test.id, test.file) for test in curve.tests}
        by_place: dict[int, list[Reading]] = {}
        for reading in readings:
            test = reading.test.test
            if (test.id, test.file) in ids and test.side == curves.side and (test.port or "") == curve.port:
                place = sum(1 for lift in grid if lift <= reading.point.lift_m) - 1
                by_place.setdefault(place, []).append(reading)
        made.append(PortPlan(curve.port, curve, dict(sorted(by_place.items()))))
    return tuple(made)
