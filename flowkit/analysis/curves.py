"""Lift–flow curves of ports, from the corrected tests of one side, and which readings are repeats of which.

Repeated runs are corrected one by one and then averaged lift by lift. Between the measured lifts a curve is the
monotone cubic of `flowkit.analysis.lifts`; outside them it is nothing, and asking is an error.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from flowkit.analysis.areas import valve_of
from flowkit.analysis.lifts import (
    SAME_LIFT_M,
    AreaMethod,
    integrate,
    lift_key,
    merge_lifts,
    natural_order,
    pchip,
    within,
)
from flowkit.errors import RangeError
from flowkit.model import CorrectedTest, Finding, FlowTest, MeterMark, Side, ValveGeometry, Variant, grouped
from flowkit.units import from_si

Array = NDArray[np.float64]
Test = FlowTest | CorrectedTest
UNNAMED = "\0unnamed"
"""Bench of the sheets that name none where the job names two or more: unlike any of them."""


@dataclass(frozen=True, slots=True, order=True)
class Session:
    """One day on one bench; `variant` is filled in only where the day is unknown."""

    date: str
    bench: str
    variant: str = ""


@lru_cache(maxsize=4096)
def day_of(text: str) -> str:
    """Return a day in one spelling however it was written."""
    from flowkit.importers.words.values import iso_date

    return iso_date(text) or " ".join(text.casefold().split())


def folded(text: str | None) -> str:
    """Return a name apart from its case and spaces."""
    return "".join((text or "").casefold().split())


@dataclass(frozen=True, slots=True)
class Benches:
    """The benches that the sheets of a job name, and so which bench and session a test belongs to."""

    named: frozenset[str] = frozenset()

    @classmethod
    def of(cls, tests: Iterable[Test]) -> Benches:
        """Gather the names of all sheets compared."""
        return cls(frozenset(filter(None, (folded(test.conditions.bench) for test in tests))))

    def bench(self, test: Test) -> str:
        """Return the bench of a test: its own, the job's only one, or one unlike any that is named."""
        own = folded(test.conditions.bench)
        if own or not self.named:
            return own
        return next(iter(self.named)) if len(self.named) == 1 else UNNAMED

    def session(self, test: Test) -> Session:
        """Return the session of a test; the undated sheets of one state are one unknown session."""
        date = day_of(test.conditions.date) if (test.conditions.date or "").strip() else ""
        return Session(date, self.bench(test), "" if date else test.variant)


NOWHERE = Benches()


def runs_of(tests: Sequence[CorrectedTest]) -> tuple[tuple[CorrectedTest, ...], ...]:
    """Return the runs of one port; tests that are parts of one run are kept together."""
    runs: list[list[CorrectedTest]] = []
    for test in tests:
        for run in runs:
            if all(continues(other, test) for other in run):
                run.append(test)
                break
        else:
            runs.append([test])
    return tuple(tuple(run) for run in runs)


def continues(one: Test, other: Test) -> bool:
    """Tell whether two tests of one port are parts of one run, written in two places with lifts of their own."""
    if one.run != other.run or NOWHERE.session(one) != NOWHERE.session(other):
        return False
    lifts = [[point.lift_m for point in test.points] for test in (one, other)]
    return len(merge_lifts(lifts[0] + lifts[1])) == sum(len(merge_lifts(own)) for own in lifts)


def _numbers(test: CorrectedTest) -> tuple[tuple[float, float], ...]:
    """Return the lifts and readings of a test, as they can be compared: in order, to ten figures."""
    return tuple(sorted((float(f"{point.lift_m:.9e}"), float(f"{point.reading_m3_s:.9e}")) for point in test.points))


FEWEST = 3
"""Points from which the same numbers are no chance."""
FINE = 2e-3
"""Last digit over the largest flow up to which two runs would not agree within it at every lift."""


def copies(tests: Iterable[CorrectedTest]) -> list[list[CorrectedTest]]:
    """Return the groups of tests that have the same numbers at every one of three or more points."""
    groups = grouped((_numbers(test), test) for test in tests if len(test.points) >= FEWEST)
    return [group for group in groups.values() if len(group) > 1]


def without_copies(
    tests: Sequence[CorrectedTest],
) -> tuple[tuple[CorrectedTest, ...], list[tuple[CorrectedTest, CorrectedTest]]]:
    """Return the tests of one port of one state, each set of numbers once, and the copies, each with its original."""
    kept: list[CorrectedTest] = []
    left_out = []
    for test in sorted(tests, key=lambda test: -len(test.points)) if len(tests) > 1 else tests:
        original = next((one for one in kept if _copied(one, test)), None)
        if original is None:
            kept.append(test)
        else:
            left_out.append((original, test))
    return tuple(test for test in tests if any(test is one for one in kept)), left_out


def _copied(one: CorrectedTest, other: CorrectedTest) -> bool:
    """Tell whether a test has no number that another has not, were it in another unit, digits or at another pressure.

    What was converted agrees within the rounding of both at every point, as no second run would.
    """
    if len(other.points) < FEWEST:
        return False
    if set(_numbers(other)) <= set(_numbers(one)):
        return True
    digits = []  # one of the last digit that the flows were written to, over the largest flow
    for test in (one, other):
        written = [from_si(point.reading_m3_s, test.units.flow.unit) for point in test.points]
        places = min(int(Decimal(f"{value:.9e}").normalize().as_tuple().exponent) for value in written)
        digits.append(float(10.0 ** min(places, 0) / max(written)))
    alike = one.units.flow.unit == other.units.flow.unit and one.points[0].pressure_pa == other.points[0].pressure_pa
    if (alike and math.isclose(*digits, rel_tol=0.5)) or max(digits) > FINE:
        return False
    flows = {round(point.lift_m * 1e6): point.flow_m3_s for point in one.points}
    half = 0.5 * sum(digits) * max(flows.values()) * (1.0 + 1e-6)
    return all(abs(flows.get(round(point.lift_m * 1e6), math.inf) - point.flow_m3_s) <= half for point in other.points)


def identical_findings(tests: Sequence[CorrectedTest]) -> list[Finding]:
    """Return one warning for each pair of sheets with the same numbers (rule ``identical-readings``)."""
    ports = grouped(((test.variant, test.side, folded(test.head), test.port), test) for test in tests)
    pairs = [[*pair] for own in ports.values() for pair in without_copies(own)[1]]
    dropped = {id(copy) for _, copy in pairs}
    others = copies(test for test in tests if id(test) not in dropped)

    def sheets(group: Sequence[CorrectedTest]) -> tuple[object, ...]:
        """Return what two sheets have alike as one; a test repeated within one sheet is by itself."""
        found = tuple(dict.fromkeys((test.variant, test.file) for test in group))
        return found if len(found) > 1 else (group[0].id,)

    findings = []
    by_sheets = grouped(((alone, sheets(one)), one) for alone, own in ((True, pairs), (False, others)) for one in own)
    for (alone, _), groups in by_sheets.items():
        first, names = groups[0][0], ", ".join(test.id for test in groups[0][1:])
        more = f" (and {len(groups) - 1} more like this on these sheets)" if len(groups) > 1 else ""
        if alone:
            what = "so one of them is a copy: it was left out, and counts neither as a run nor in the mean"
        else:
            what = "so a sheet may have been copied: all are kept, but such a port says nothing about the bench's drift"
        coarse = ""
        every = [test for group in groups for test in group]
        if all(resolution(test) >= 0.004 * max(point.reading_m3_s for point in test.points) for test in every):
            coarse = " With readings this coarse, two honest runs can also look alike."
        message = (
            f"{first.id} and {names} have the same numbers at all {len(groups[0][-1].points)} lifts{more}, {what}."
            f"{coarse} If they are separate runs, flow one of them again and write its readings with one more digit."
        )
        findings.append(Finding("identical-readings", "warning", first.id, message))
    return findings


def resolution(test: CorrectedTest) -> float:
    """Return the step in which the flows of a test were written [m³/s].

    Notes
    -----
    The largest 1, 2 or 5 times a power of ten (fewer than six flows: power of ten) that divides all
    flows as written; a uniform distribution one step wide is behind it (GUM F.2.2.1). Where a meter was read
    it is the readings that were written; see `relative_steps`.
    """
    flows = [point.reading_m3_s for point in test.points]
    largest = max(range(len(flows)), key=lambda index: flows[index])
    if any(point.mark for point in test.points):
        return relative_steps(test)[largest] * flows[largest]
    try:
        written = [from_si(flow, test.units.flow.unit) for flow in flows]
    except Exception:
        written = flows
    return step_of(written) * flows[largest] / written[largest] if written[largest] else 0.0


def step_of(written: Sequence[float] | Sequence[MeterMark]) -> float:
    """Return the step in which figures were written, in their own unit; 0 where there is none."""
    figures = [item if isinstance(item, float) else item.reading for item in written]
    # Ten figures undo the rounding of the unit's factor; what was worked out has more and so no step worth naming.
    decimals = [Decimal(f"{value:.9e}").normalize() for value in figures if value]
    if not decimals:
        return 0.0
    places = min(int(value.as_tuple().exponent) for value in decimals)
    common = math.gcd(*(abs(int(value.scaleb(-places))) for value in decimals))
    factors = (5, 2, 1) if len(figures) >= 6 else (1,)
    steps = ((factor, power) for power in range(len(str(common)), -1, -1) for factor in factors)
    factor, power = next(step for step in steps if common % (step[0] * 10 ** step[1]) == 0)
    return float(Decimal(factor).scaleb(power + places))


def relative_steps(test: CorrectedTest) -> tuple[float, ...]:
    """Return at each point the step of the readings over the reading, ``δ/Q`` as written, or ``S·δ/r`` of a meter."""
    shown = [point.mark for point in test.points if point.mark is not None]
    step = step_of(shown) if shown else resolution(test)
    if shown:
        return tuple(mark.sensitivity * step / mark.net if mark.net else 0.0 for mark in shown)
    return tuple(step / point.reading_m3_s if point.reading_m3_s else 0.0 for point in test.points)


@dataclass(frozen=True, eq=False)
class PortCurve:
    """The lift–flow curve of one port of one variant, the mean of its runs; or several curves, a column each."""

    variant: str
    side: Side
    port: str  # what it is called here: its name, with its head's where the side has several heads
    tests: tuple[CorrectedTest, ...]
    lifts_m: Array
    flow_m3_s: Array
    sources: tuple[tuple[str, ...], ...]
    head: str | None = None
    name: str | None = None

    def __post_init__(self) -> None:
        for array in (self.lifts_m, self.flow_m3_s):
            array.setflags(write=False)

    @cached_property
    def spline(self) -> PchipInterpolator | None:
        """The interpolant; None where only one lift was measured."""
        return pchip(self.lifts_m, self.flow_m3_s) if len(self.lifts_m) > 1 else None

    @property
    def lowest(self) -> float:
        """Lowest measured lift [m]."""
        return float(self.lifts_m[0])

    @property
    def highest(self) -> float:
        """Highest measured lift [m]."""
        return float(self.lifts_m[-1])

    def measured(self, lift: float) -> bool:
        """Tell whether a lift [m] was measured, within 1 µm."""
        return lift_key(lift, self.lifts_m) is not None  # type: ignore[arg-type]

    def flow(self, lift: ArrayLike) -> Array:
        """Return the flow [m³/s] at lifts [m] within the measured ones."""
        inside = within(np.asarray(lift, dtype=float), self.lifts_m)
        if self.spline is None:
            return np.array(np.broadcast_to(self.flow_m3_s[0], inside.shape + self.flow_m3_s.shape[1:]))
        return np.asarray(self.spline(inside))

    def slope(self, lift: ArrayLike) -> Array:
        """Return dQ/dL [m²/s] at lifts [m] within the measured ones; 0 where only one was measured."""
        inside = within(np.asarray(lift, dtype=float), self.lifts_m)
        return np.zeros(inside.shape) if self.spline is None else np.asarray(self.spline(inside, 1))

    def areas(self, lo: float, hi: float, method: AreaMethod = "pchip") -> Array:
        """Return the area under each curve between two lifts [m] in m⁴/s."""
        if method == "trapezoid" or self.spline is None:
            return integrate(self.lifts_m, self.flow_m3_s, lo, hi, "trapezoid")
        lo, hi = within(np.asarray([lo, hi]), self.lifts_m).tolist()
        return np.asarray(self.spline.integrate(lo, max(lo, hi)))

    def area(self, lo: float, hi: float, method: AreaMethod = "pchip") -> float:
        """Return the area under the one curve."""
        return float(self.areas(lo, hi, method))

    def mean_flows(self, lo: float, hi: float, method: AreaMethod = "pchip") -> Array:
        """Return each curve's mean flow [m³/s] between two lifts [m]; the flow itself where they are one."""
        if hi - lo <= SAME_LIFT_M or self.spline is None:
            return self.flow(lo)
        return self.areas(lo, hi, method) / (hi - lo)

    def mean_flow(self, lo: float, hi: float, method: AreaMethod = "pchip") -> float:
        """Return the mean flow of the one curve."""
        return float(self.mean_flows(lo, hi, method))


@dataclass(frozen=True, slots=True, eq=False)
class SideVariant:
    """One variant on one side: its ports, its state and its valve."""

    name: str
    side: Side
    ports: tuple[PortCurve, ...]
    state: Mapping[str, str]
    valve: ValveGeometry
    untouched: tuple[str, ...] = ()

    @property
    def port_names(self) -> tuple[str, ...]:
        """Names of the ports, in order."""
        return tuple(curve.port for curve in self.ports)

    def curves(self, ports: Sequence[str] = ()) -> tuple[PortCurve, ...]:
        """Return the curves of the named ports, or of all where none is named."""
        return tuple(curve for curve in self.ports if not ports or curve.port in ports)

    def flow(self, lift: ArrayLike, ports: Sequence[str] = ()) -> Array:
        """Return the mean flow over ports [m³/s] at lifts [m]."""
        return np.asarray(np.mean([curve.flow(lift) for curve in self.curves(ports)], axis=0))

    def mean_flow(self, lo: float, hi: float, method: AreaMethod = "pchip", ports: Sequence[str] = ()) -> float:
        """Return the mean over ports of their mean flows [m³/s] between two lifts [m]."""
        return float(np.mean([curve.mean_flow(lo, hi, method) for curve in self.curves(ports)]))

    def own_range(self) -> tuple[float, float]:
        """Return the range of lifts [m] within all the ports'."""
        return common_range(self.ports)

    def lifts_within(self, lo: float, hi: float, ports: Sequence[str] = ()) -> tuple[float, ...]:
        """Return the lifts [m] measured in any of the ports between two lifts."""
        every = merge_lifts(lift for curve in self.curves(ports) for lift in curve.lifts_m.tolist())
        return tuple(lift for lift in every if lo - SAME_LIFT_M <= lift <= hi + SAME_LIFT_M)


def side_variants(variants: Sequence[Variant], side: Side) -> tuple[SideVariant, ...]:
    """Return the variants that were tested on a side, with their curves, ports in the natural order of their names."""
    tests = [[test for test in variant.corrected if test.side == side and test.points] for variant in variants]
    grid = np.array(merge_lifts(point.lift_m for group in tests for test in group for point in test.points))
    # Where any state has two heads, left 1 and right 1 are two ports everywhere.
    several = any(len({folded(test.head) for test in group if test.head}) > 1 for group in tests)
    found = []
    for variant, group in zip(variants, tests, strict=True):
        # A sheet that names no head, beside one that names the only head there is, is of the same port.
        ports = grouped(((folded(test.head) if several else "", test.port or ""), test) for test in group)
        curves = [_port_curve(variant.name, without_copies(own)[0], grid, several=several) for own in ports.values()]
        if curves:
            found.append(
                SideVariant(
                    name=variant.name,
                    side=side,
                    ports=tuple(sorted(curves, key=lambda curve: natural_order(curve.port))),
                    state=dict(variant.state.get(side, {})),
                    valve=valve_of(variant, side),
                    untouched=tuple(variant.untouched.get(side, ())),
                )
            )
    return tuple(found)


def _port_curve(variant: str, tests: Sequence[CorrectedTest], grid: Array, *, several: bool) -> PortCurve:
    """Average the runs of one port lift by lift."""
    ordered = sorted(tests, key=lambda test: (test.run, test.id))
    readings = grouped(
        (int(np.searchsorted(grid, point.lift_m, side="right")) - 1, point) for test in ordered for point in test.points
    )
    indices = sorted(readings)
    points = [readings[index] for index in indices]
    head, port = ordered[0].head, ordered[0].port
    return PortCurve(
        variant=variant,
        side=ordered[0].side,  # type: ignore[arg-type]
        port=" ".join(filter(None, (" ".join((head or "").split()), port))) if several else port or "",
        tests=tuple(ordered),
        lifts_m=grid[indices],
        flow_m3_s=np.array([sum(point.flow_m3_s for point in own) / len(own) for own in points]),
        sources=tuple(tuple(point.source for point in own) for own in points),
        head=head,
        name=port,
    )


def common_ports(variants: Sequence[SideVariant]) -> tuple[str, ...]:
    """Return the ports, by name, that every variant was tested on."""
    return tuple(port for port in variants[0].port_names if all(port in other.port_names for other in variants))


def common_range(curves: Iterable[PortCurve]) -> tuple[float, float]:
    """Return the range of lifts that every curve was measured over [m]."""
    several = tuple(curves)
    low, high = max(several, key=lambda curve: curve.lowest), min(several, key=lambda curve: curve.highest)
    lo, hi = low.lowest, high.highest
    if hi < lo - SAME_LIFT_M:
        names = [f"{one.variant!r} port {one.port}" if one.port else repr(one.variant) for one in (low, high)]
        raise RangeError(
            f"no common range of lifts on the {low.side}: {names[0]} begins at {lo * 1e3:.3f} mm, "
            f"{names[1]} ends at {hi * 1e3:.3f} mm",
            "test them over lifts that overlap",
        )
    return (lo, hi) if hi - lo > SAME_LIFT_M else (lo, lo)
