"""What the readings alone show to be doubtful, with no correction made: of a sheet, and of each test's own curve."""

from __future__ import annotations

import dataclasses
import math
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from functools import lru_cache
from itertools import accumulate, pairwise
from operator import mul, sub, truediv
from statistics import median
from typing import Literal, NamedTuple

from flowkit.importers.words.items import BY_HAND, STATE_RIGHT
from flowkit.model import Conditions, Finding, FlowTest, Point, Severity, UnitSource
from flowkit.units import format_quantity, from_si, to_si
from flowkit.wording import flow_as_read, flow_in_unit, lift_as_read, lift_in_unit

WATER_28_IN_PA = 6974.489  # where no pressure is stated: what benches of cylinder heads use most
SEA_LEVEL = 1.2  # kg/m³
LARGEST_HEAD = 0.2  # m; of the largest engines with two valves a cylinder (common practice, no source)
LEAST_SHARE = 0.1  # of what a 4 mm valve 1 mm open would pass without a loss
LEAK_LARGE = 0.02
CHECK_WARNING = 0.03
CHECK_ERROR = 0.10
PRESSURE_MIXED = 0.05
LEAST_COPY = 3  # points of a test that are not the same by chance
_ROUNDING = 1e-9  # 61.8 over 60 is 3 %, not more, whatever the last bit says

# Pa. No port is flowed at less or more (common practice, no source): below, nothing can be read; above, air chokes.
TEST_PRESSURES = (50.0, 60_000.0)
MICRON = 1e-6  # m; lifts closer than this are one
SAME_FLOW = 0.03
FALL = 0.01
FEWEST = 4  # three points are no curve
MOST_SLIPS = 5  # of one test; beyond, it is no curve
MOST_SUSPECTS = 8
MOST_READINGS = 300  # of one test; beyond, a slip is not looked for
ROBUST_DEVIATIONS = 4.0

Place = Literal["first", "near end", "inner", "last"]
OFF: Mapping[Place, float] = {"first": 0.15, "near end": 0.05, "inner": 0.04, "last": 0.06}
"""How far off its neighbours' curve a reading may be, relative: below the first point there is
only the closed valve, near an end one neighbour on one side, above the last none."""
OFF_AT_LAST_UNEXPLAINED = 0.15  # else only where swapped digits or a moved point explain it

_SIGNIFICANT = 6
_NOTES = "the operator's notes (nothing was changed)"
_PRESSURE_DOUBTS = {
    "missing": (
        "no test pressure is stated for this test",
        '; state it, such as --test-pressure "28 inH2O", or under conditions in the job file',
    ),
    "odd": (
        "the test pressure stated for this test",
        f" is outside what flow benches use (50 Pa to 60 kPa); if its unit is wrong, {STATE_RIGHT}",
    ),
    "zero": ("the test pressure stated for this test", f" is zero, at which nothing flows; {STATE_RIGHT}"),
}
LOWEST_PA, HIGHEST_PA = 50_000.0, 110_000.0
USUAL_PA = (85_000.0, 108_500.0)
USUAL_RATIO = (1.3, 5.0)  # Bore over valve head where both are written in the right unit
_DECIMALS = 3  # of a figure as people write it
_PRESSURES = ("hPa", "inHg", "mmHg", "kPa", "Pa")
_LENGTHS = ("mm", "in", "cm")


class _Shared:
    """Doubts that several tests of a sheet may share, so that each is said once."""

    def __init__(self) -> None:
        self.cases: dict[tuple[object, ...], list[tuple[float, Finding, str]]] = {}

    def doubt(
        self, rule: str, severity: Severity, test: FlowTest, words: tuple[str, str], *about: object, size: float = 0.0
    ) -> None:
        """Add a test's doubt; tests share it that are of one sheet and `about` the same. `words` are put together."""
        key = (rule, test.file, test.sheet, *about)
        self.cases.setdefault(key, []).append((size, Finding(rule, severity, test.id, words[0]), words[1]))

    def findings(self) -> list[Finding]:
        """One finding for each doubt, with the largest of them."""
        found = []
        for cases in self.cases.values():
            _, largest, end = max(cases, key=lambda case: case[0])
            more = f"{len(cases) - 1} more tests" if len(cases) > 2 else "one more test"
            others = f" (and in {more} of this sheet)" if len(cases) > 1 else ""
            found.append(dataclasses.replace(largest, message=largest.message + others + end))
        return found


def check_tests(tests: Sequence[FlowTest]) -> tuple[Finding, ...]:
    """Look over tests as they were read."""
    findings: list[Finding] = []
    shared = _Shared()
    usual: set[int] = set()  # conditions, shared by the tests of a sheet, in which every size occurs
    for test in tests:
        if not test.points:
            continue
        findings += _check_pressure(test, shared)
        if not test.gives_flows:
            findings += check_lifts(test)[0]  # what the meter showed is judged once it is a flow
            continue
        if not clean_at_a_glance(tuple(point.lift_m for point in test.points), at_one_pressure(test, test.points)):
            for point in test.points:
                if point.flow_m3_s < 0:
                    what = f"{flow_as_read(test, point.flow_m3_s)}, below zero; {BY_HAND}"
                    text = f"the flow at lift {lift_as_read(test, point.lift_m)} is {what}"
                    findings.append(Finding("flow-negative", "error", point.source, text))
            lift_findings, misplaced = check_lifts(test)
            findings += lift_findings
            findings += check_curve(test, without=misplaced)
        findings += _check_amount(test)
        _check_leak(test, shared)
        _check_plate(test, shared)
        if id(test.conditions) not in usual:
            unlikely = _unlikely_sizes(test.conditions)
            for said in unlikely:
                shared.doubt("condition-unlikely", "warning", test, said, said)
            if not unlikely:
                usual.add(id(test.conditions))
    return (*findings, *_copies(tests), *shared.findings())


def check_measured(test: FlowTest) -> tuple[Finding, ...]:
    """Look over flows that a meter's readings gave, as those of a sheet are looked over."""
    test = dataclasses.replace(test, units=dataclasses.replace(test.units, flow=UnitSource("CFM", "stated")))
    shared = _Shared()
    _check_leak(test, shared)
    return (*check_curve(test, without=check_lifts(test)[1]), *shared.findings())


def _copies(tests: Sequence[FlowTest]) -> list[Finding]:
    """Report tests with the same readings: one sheet copied, which is no repeated run."""
    if len({(test.file, test.sheet) for test in tests}) < 2:
        return []
    seen: dict[tuple[object, ...], FlowTest] = {}
    pairs: dict[tuple[str | None, str | None], list[tuple[FlowTest, FlowTest]]] = {}
    for test in tests:
        if len(test.points) >= LEAST_COPY:
            shown = [p.reading.value if p.reading and math.isnan(p.flow_m3_s) else p.flow_m3_s for p in test.points]
            key = (test.side, tuple(point.lift_m for point in test.points), tuple(shown))
            first = seen.setdefault(key, test)
            if first is not test and first.file == test.file and first.sheet != test.sheet:
                pairs.setdefault((first.sheet, test.sheet), []).append((first, test))
    found = []
    for (first, test), *more in pairs.values():
        others = f" (and {len(more)} more)" if more else ""
        text = (
            f"this test has the same readings as {first.id}{others}: a copied sheet is not a repeated run; "
            "leave the copy out, or say in the job that it was flowed again"
        )
        found.append(Finding("identical-readings", "warning", test.id, text))
    return found


def _check_pressure(test: FlowTest, shared: _Shared) -> list[Finding]:
    """Report points with no test pressure, and tests at several."""
    stated = test.conditions.test_pressure_pa
    own = [point.pressure_pa for point in test.points]
    given = [pressure for pressure in own if pressure is not None]
    low, high = TEST_PRESSURES
    doubt = None
    if not given and stated is None:
        doubt = "missing"
    elif not given:
        doubt = None if low <= (stated or 0.0) <= high else "zero" if (stated or 0.0) <= 0 else "odd"
    elif max(given) > high or 0 < min(given) < low:
        doubt = "odd"
    if doubt:
        words = _PRESSURE_DOUBTS[doubt]
        shared.doubt("pressure-missing" if doubt == "missing" else "pressure-impossible", "error", test, words)
    if doubt or not given or (len(given) == len(own) and 0 < max(given) <= (1 + PRESSURE_MIXED) * min(given)):
        return []
    findings = []
    for point in test.points:
        at_lift = f"lift {lift_as_read(test, point.lift_m)}"
        if point.pressure_pa == 0:
            text = f"the test pressure at {at_lift} is zero; {BY_HAND}"
            findings.append(Finding("pressure-impossible", "error", point.source, text))
        if stated is None and point.pressure_pa is None:
            text = (
                f"the point at {at_lift} has no test pressure while others have; set the cell in the job file "
                '(values), or state the test pressure of all, such as --test-pressure "28 inH2O"'
            )
            findings.append(Finding("pressure-missing", "error", point.source, text))
    pressures = [(pressure, point.source) for point in test.points if (pressure := test.pressure_at(point))]
    ordered = sorted(pressures, key=lambda item: item[0]) or [(0.0, "")]
    lowest, highest = ordered[0], next(item for item in ordered if item[0] == ordered[-1][0])
    if highest[0] > (1 + PRESSURE_MIXED) * lowest[0]:
        unit = test.units.pressure.unit if test.units.pressure else "Pa"
        alike = [
            sum(abs(other / pressure - 1) <= PRESSURE_MIXED for other, _ in pressures)
            for pressure, _ in (lowest, highest)
        ]
        text = (
            f"this test was taken at different test pressures, {format_quantity(lowest[0], unit)} to "
            f"{format_quantity(highest[0], unit)}; each point is brought to the reference from its own, so make sure "
            "that none is mistyped"
        )
        findings.append(Finding("pressure-mixed", "warning", (lowest if alike[0] <= alike[1] else highest)[1], text))
    return findings


def _check_amount(test: FlowTest) -> list[Finding]:
    """Ask about flows that no valve passes, whatever its size: their unit or decimal mark is wrong."""
    lift = max(point.lift_m for point in test.points)
    flows = [point.flow_m3_s for point in test.points]
    flow = sorted(flows)[(len(flows) - 1) // 2]  # one figure alone is a slip of the pen
    at = test.points[flows.index(flow)]
    pressure = test.pressure_at(at) or WATER_28_IN_PA
    if flow <= 0 or lift <= MICRON or pressure <= 0:
        return []
    speed = math.sqrt(2.0 * pressure / SEA_LEVEL)
    low, high = (math.pi * head * min(lift, most) * speed for head, most in ((0.004, 0.001), (LARGEST_HEAD, lift)))
    if LEAST_SHARE * low <= flow <= high:
        return []
    text = (
        f"a flow of {flow_as_read(test, flow)} at {lift_as_read(test, at.lift_m)} of lift is "
        f"{'more' if flow > high else 'less'} than any valve passes, so its unit or its decimal mark is not what it "
        f"seems; {BY_HAND}"
    )
    return [Finding("sheet-ambiguous", "error", at.source, text)]


def _check_leak(test: FlowTest, shared: _Shared) -> None:
    """Report a leak that is large beside the flow at the lowest lift."""
    leak = test.conditions.leak_m3_s
    points = [point for point in test.points if point.lift_m > MICRON and point.flow_m3_s > 0]
    if not leak or leak <= 0 or not points:
        return
    lowest = min(points, key=lambda point: point.lift_m)
    pressure, leak_pressure = test.pressure_at(lowest), test.conditions.leak_pressure_pa
    if leak_pressure and pressure and leak_pressure > 0 and pressure > 0:
        leak *= math.sqrt(pressure / leak_pressure)
    share = leak / lowest.flow_m3_s
    if share > LEAK_LARGE * (1 + _ROUNDING):
        start = (
            f"the leak of {flow_as_read(test, leak)} is {100 * share:.1f} % of the flow at the lowest lift, "
            f"{lift_as_read(test, lowest.lift_m)}"
        )
        end = "; above 2 % the flows at low lift depend on how well it is known: seal the fixture, or measure it again"
        shared.doubt("leak-large", "warning", test, (start, end), test.conditions.leak_m3_s, size=share)


def _check_plate(test: FlowTest, shared: _Shared) -> None:
    """Report a check plate that reads off its nominal flow."""
    at = test.conditions
    if not at.check_reading_m3_s or not at.check_nominal_m3_s:
        return
    ratio, brought = at.check_reading_m3_s / at.check_nominal_m3_s, ""
    read_at = at.check_reading_pressure_pa or at.test_pressure_pa
    if at.check_pressure_pa and at.check_pressure_pa != read_at:
        if not read_at:
            return  # read at an unknown pressure, it cannot be compared
        ratio *= math.sqrt(at.check_pressure_pa / read_at)
        unit = test.units.pressure.unit if test.units.pressure else "Pa"
        pressures = f"{format_quantity(read_at, unit)} to {format_quantity(at.check_pressure_pa, unit)}"
        brought = f", once brought from {pressures}"
    off = abs(ratio - 1)
    if off <= CHECK_WARNING + _ROUNDING:
        return
    start = (
        f"the check plate reads {flow_as_read(test, at.check_reading_m3_s)} where "
        f"{flow_as_read(test, at.check_nominal_m3_s)} is nominal, {100 * off:.1f} % {'high' if ratio > 1 else 'low'}"
        f"{brought}"
    )
    severe = off > CHECK_ERROR + _ROUNDING
    end = "; above 10 % nothing is corrected by it: find out what is wrong with the bench" if severe else ""
    end = end or "; flows are corrected by it, but a bench that drifts by more than 3 % needs attention"
    of = (at.check_reading_m3_s, at.check_nominal_m3_s, at.check_pressure_pa)
    shared.doubt("check-off", "error" if severe else "warning", test, (start, end), of, size=off)


# --- stated conditions of a size that does not occur -------------------------------------------------


def _unlikely_sizes(at: Conditions) -> list[tuple[str, str]]:
    """Say which stated conditions are of a size that does not occur, and what may have been meant."""
    found = []
    barometer, bore, valve = at.barometer_pa, at.fixture_bore_m, at.valve_diameter_m
    if barometer is not None and not LOWEST_PA <= barometer <= HIGHEST_PA:
        figure = f"{from_si(barometer, 'hPa'):.6g} hPa"
        what = f"the barometer is stated as {figure}, but a barometer reads between 500 and 1100 hPa"
        meant = _other_unit(barometer, _PRESSURES, _PRESSURES, lambda value: USUAL_PA[0] <= value <= USUAL_PA[1])
        found.append((what, meant))
    if bore is not None and valve is not None and bore <= valve:
        sizes = [f"{from_si(size, 'mm'):.6g} mm" for size in (bore, valve)]
        what = f"the fixture bore of {sizes[0]} is not larger than the valve head of {sizes[1]}"
        low, high = USUAL_RATIO
        meant = _other_unit(bore, _LENGTHS[:2], _LENGTHS, lambda size: low * valve <= size <= min(high * valve, 0.2))
        meant = meant or _other_unit(valve, _LENGTHS[:2], _LENGTHS, lambda size: low * size <= bore <= high * size)
        found.append((what, meant))
    return [(what, f"; if {f'{meant} was meant' if meant else 'it is wrong'}, {STATE_RIGHT}") for what, meant in found]


def _other_unit(value: float, writable: Sequence[str], units: Sequence[str], usual: Callable[[float], bool]) -> str:
    """Say which unit may have been meant: the figure as it would be written in one, read in another."""
    found = []
    for written in writable:
        number = from_si(value, written)
        if abs(number - round(number, _DECIMALS)) <= 1e-6 * number:  # else nobody wrote it like that
            found += [f"{number:.6g} {unit}" for unit in units if unit != written and usual(to_si(number, unit))]
    return " or ".join(dict.fromkeys(found))


# --- what may have been meant by a figure ----------------------------------------------------------


class Candidate(NamedTuple):
    """A figure that may have been meant, and the slip that would explain it."""

    text: str
    value: float
    slip: str


def typed_figure(value: float) -> str | None:
    """Return a figure as it was typed, or None where it was computed and has too many digits."""
    text = _plain(f"{value:.{_SIGNIFICANT}g}")
    return text if value > 0 and abs(float(text) - value) <= 1e-9 * value else None


def _plain(figure: str) -> str:
    """Write a figure without an exponent and without zeros at its end."""
    text = format(Decimal(figure), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def candidates(text: str, decimals: int = 0) -> list[Candidate]:
    """List what may have been meant by a typed figure."""
    whole, _, part = text.partition(".")
    figure = f"{whole}.{part.ljust(decimals, '0')}".rstrip(".")
    found: list[Candidate] = []
    for left, right in pairwise(at for at, sign in enumerate(figure) if sign.isdigit()):
        signs = list(figure)
        signs[left], signs[right] = signs[right], signs[left]
        swapped = "".join(signs)
        # Nobody types 0 before other digits: 52.0 was not meant to be 05.2.
        if swapped != figure and not (swapped.startswith("0") and swapped[1:2].isdigit()):
            found.append(Candidate(swapped, float(swapped), "two digits are swapped"))
    for power in (-1, -2, 1, 2):
        moved = _plain(f"{Decimal(text).scaleb(power):f}")
        found.append(Candidate(moved, float(moved), "the decimal point has moved"))
    return found


def _meant(figures: Sequence[float], at: int) -> list[Candidate]:
    """List what may have been meant by one of the figures of a column."""
    typed = [typed_figure(figure) for figure in figures]
    decimals = max((len(text.partition(".")[2]) for text in typed if text), default=0)
    figure = typed[at]
    return candidates(figure, decimals) if figure else []


# --- the lifts -------------------------------------------------------------------------------------


def check_lifts(test: FlowTest) -> tuple[list[Finding], list[Point]]:
    """Look at the lifts of one test: what is doubtful, and the points that belong to no curve because of it."""
    lifts = [point.lift_m for point in test.points]
    steps = [*map(sub, lifts[1:], lifts)]  # rising all the way, or falling all the way, is an order; both are common
    if not steps or min(steps) > MICRON or max(steps) < -MICRON:
        return [], []
    repeated, unlike = _repeated(test)
    aside = {id(point) for point in unlike}
    others = [point.lift_m for point in test.points if id(point) not in aside]
    if unlike and others in (sorted(others), sorted(others, reverse=True)):
        return repeated, unlike
    order, misplaced = _order(test)
    return repeated + order, unlike + [point for point in misplaced if id(point) not in aside]


def _repeated(test: FlowTest) -> tuple[list[Finding], list[Point]]:
    """Report lifts that occur more than once; return the points too where they look like a slip."""
    groups: dict[int, list[Point]] = {}
    for point in test.points:
        groups.setdefault(round(point.lift_m / MICRON), []).append(point)
    again = [group for group in groups.values() if len(group) > 1]
    if not again:
        return [], []
    flows = [[point.flow_m3_s for point in group] for group in again]
    unlike = [group for group, own in zip(again, flows, strict=True) if max(own) > (1 + SAME_FLOW) * min(own)]
    lifts = ", ".join(lift_as_read(test, group[0].lift_m) for group in again[:4]) + (" …" if len(again) > 4 else "")
    where = again[0][1].source
    if len({len(group) for group in groups.values()}) == 1 or (not unlike and len(again) > 1):
        text = f"lifts appear more than once ({lifts}): they were taken as repeated runs, and are averaged"
        return [Finding("lift-repeated", "note", where, text)], []
    text = (
        f"the lift {lifts} appears more than once; if one of them is mistyped, set it right in the "
        "job file (values); if the reading was repeated, leave it so (the readings of one lift are averaged)"
    )
    return [Finding("lift-repeated", "warning", where, text)], [point for group in unlike for point in group]


def _order(test: FlowTest) -> tuple[list[Finding], list[Point]]:
    """Report lifts out of order; return them too, where they are few."""
    lifts = [point.lift_m for point in test.points]
    kept = max((_longest_rise(lifts), _longest_rise([-lift for lift in lifts])), key=len)
    misplaced = sorted(set(range(len(lifts))) - set(kept))
    points = [test.points[at] for at in misplaced]
    if len(misplaced) <= max(1, len(lifts) // 4):
        return [_misplaced(test, at, kept) for at in misplaced], points
    counts = Counter(round(lift / MICRON) for lift in lifts).values()
    if len(set(counts)) == 1 and 1 not in counts:
        return [], []  # whole runs, one after the other, or each lift several times
    text = "the lifts of this test neither rise nor fall down the sheet; check that they belong to one test"
    return [Finding("lift-order", "warning", points[0].source, text)], []


def _longest_rise(lifts: Sequence[float]) -> list[int]:
    """Return which lifts form the longest rise, repeated lifts included (patience sorting)."""
    tops: list[float] = []
    at_top: list[int] = []
    before: list[int | None] = []
    for at, lift in enumerate(lifts):
        place = bisect_left(tops, lift + MICRON)
        tops[place : place + 1], at_top[place : place + 1] = [lift], [at]
        before.append(at_top[place - 1] if place else None)
    found: list[int] = []
    last: int | None = at_top[-1] if at_top else None
    while last is not None:
        found.append(last)
        last = before[last]
    return found[::-1]


def _misplaced(test: FlowTest, at: int, kept: Sequence[int]) -> Finding:
    """Say that a lift is out of order, and what may have been meant."""
    points = test.points
    text = f"the lift {lift_as_read(test, points[at].lift_m)} is out of order"
    above, below = [nth for nth in kept if nth < at], [nth for nth in kept if nth > at]
    fitting: list[Candidate] = []
    if above and below:
        ends = points[above[-1]].lift_m, points[below[0]].lift_m
        text += f" between {lift_as_read(test, ends[0])} and {lift_as_read(test, ends[1])}"
        low, high = sorted(lift_in_unit(test, end) for end in ends)
        typed = [lift_in_unit(test, point.lift_m) for point in points]
        fitting = [item for item in _meant(typed, at) if low < item.value < high]
    if len(fitting) == 1:
        unit = lift_as_read(test, points[at].lift_m).split(" ", 1)[1]
        text += f"; if {fitting[0].slip}, {fitting[0].text} {unit} was meant: check {_NOTES}"
    else:
        text += f"; check it against {_NOTES}"
    return Finding("lift-order", "warning", points[at].source, text)


# --- what the neighbours predict ------------------------------------------------------------------


class Expected(NamedTuple):
    """What the neighbours predict at one lift: a range, in doubt by as much as a bend there would make."""

    low: float
    high: float
    doubt: float
    place: Place

    @property
    def value(self) -> float:
        """The middle of what is predicted."""
        return (self.low + self.high) / 2

    def off(self, flow: float) -> float:
        """Return how far a flow is off, relative to what is predicted, 0 within its range."""
        if self.low <= 0:
            return 0.0 if self.low <= flow <= self.high else 10.0
        if flow > self.high:
            return flow / self.high - 1
        return 1 - flow / self.low if flow < self.low else 0.0

    def floor(self, *, explained: bool = False) -> float:
        """Return from which deviation on a reading is off, without regard to the curve's scatter."""
        # Less is asked where swapped digits or a moved point would bring the reading back.
        bend = (1.5 if self.place == "inner" else 2.0) - (0.5 if explained else 0.0)
        return max(OFF[self.place], bend * self.doubt / self.value if self.value > 0 else 0.0)


def expected(lifts: Sequence[float], flows: Sequence[float], at: int) -> Expected:
    """Return what the other points predict at one of them."""
    # Two points on either side, the closed valve counted as one; j is the place among them.
    start, last = max(0, at - 2), len(lifts)
    x, q = [*lifts[start : at + 3]], [*flows[start : at + 3]]
    if at < 2:
        x.insert(0, 0.0)
        q.insert(0, 0.0)
    j = at - start + (at < 2)
    if at == last - 1:
        slope = (q[j - 1] - q[j - 2]) / (x[j - 1] - x[j - 2])
        straight = q[j - 1] + slope * (x[j] - x[j - 1])
        return Expected(min(straight, q[j - 1]), max(straight, q[j - 1]), 0.0, "last")
    value = sum(weight * q[nth] for nth, weight in _weights(tuple(x), j))
    across = (q[j + 1] - q[j - 1]) / (x[j + 1] - x[j - 1])
    if at == 0:
        # Between a seat that flows in proportion to lift and a curve through the closed valve;
        # a curve that bends early lies above both, on the line of the next two points.
        chord = q[j - 1] + across * (x[j] - x[j - 1])
        slope = (q[3] - q[2]) / (x[3] - x[2]) if last >= 3 else 0.0
        return Expected(min(value, chord), max(value, chord, q[2] - slope * (x[2] - x[1])), 0.0, "first")
    left = (q[j - 1] - q[j - 2]) / (x[j - 1] - x[j - 2])
    right = (q[j + 2] - q[j + 1]) / (x[j + 2] - x[j + 1]) if at + 2 < last else 2 * across - left
    # Where seat passage hands over to throat the curve bends sharply. A bend of these two
    # slopes, right at the point, lies off the curve through four points by two thirds of
    # the height by which it lies above the chord.
    height = abs(left - right) * (x[j] - x[j - 1]) * (x[j + 1] - x[j]) / (x[j + 1] - x[j - 1])
    return Expected(value, value, height * 2 / 3, "inner" if 1 < at < last - 2 else "near end")


@lru_cache(maxsize=1024)
def _weights(x: tuple[float, ...], j: int) -> tuple[tuple[int, float], ...]:
    """Return Lagrange's weights of the points around one, each with its place."""
    around = [nth for nth in (j - 2, j - 1, j + 1, j + 2) if 0 <= nth < len(x)]
    return tuple((a, math.prod((x[j] - x[b]) / (x[a] - x[b]) for b in around if b != a)) for a in around)


def smooth(lifts: tuple[float, ...], flows: Sequence[float]) -> bool:
    """Tell at a glance that no point is further off what its neighbours predict than `OFF` allows."""
    q = (0.0, *flows)
    for at, (start, weights, allowed) in enumerate(_plan(lifts), 1):
        value = sum(map(mul, weights, q[start:at] + q[at + 1 : at + 3]))
        if abs(value - q[at]) > allowed * value:
            return False
    slope = (flows[-2] - flows[-3]) / (lifts[-2] - lifts[-3])
    low, high = sorted((flows[-2] + slope * (lifts[-1] - lifts[-2]), flows[-2]))
    return low * (1 - OFF["last"]) <= flows[-1] <= high * (1 + OFF["last"])


@lru_cache(maxsize=64)
def _plan(lifts: tuple[float, ...]) -> list[tuple[int, tuple[float, ...], float]]:
    """For each lift but the last: where its neighbours begin, their weights, and how far off it may be."""
    x = (0.0, *lifts)
    plan = []
    for at in range(1, len(lifts)):
        start = max(0, at - 2)
        weights = tuple(weight for _, weight in _weights(x[start : at + 3], at - start))
        plan.append((start, weights, OFF["first" if at == 1 else "inner" if at < len(lifts) - 1 else "near end"]))
    return plan


def robust_deviation(lifts: Sequence[float], flows: Sequence[float]) -> float:
    """Return the robust standard deviation of the points from their neighbours' curve, relative."""
    offs = [expected(lifts, flows, at).off(flows[at]) for at in range(len(lifts) - 1)]
    return 1.4826 * median(offs) if offs else 0.0


# --- the curve -------------------------------------------------------------------------------------


class _Reading(NamedTuple):
    """A point with its flow brought to one pressure."""

    lift: float
    flow: float
    point: Point


def at_one_pressure(test: FlowTest, points: Sequence[Point]) -> tuple[float, ...]:
    """Bring flows to the pressure of the first by the square-root law, where points have their own."""
    flows = tuple(point.flow_m3_s for point in points)
    if len({point.pressure_pa for point in points}) <= 1:
        return flows
    pressures = [test.pressure_at(point) or 0.0 for point in points]
    first = next((pressure for pressure in pressures if pressure > 0), 0.0)
    pairs = zip(flows, pressures, strict=True)
    return tuple(flow * math.sqrt(first / pressure) if pressure > 0 else flow for flow, pressure in pairs)


def clean_at_a_glance(lifts: tuple[float, ...], flows: tuple[float, ...]) -> bool:
    """Tell quickly that a curve holds nothing doubtful: rising lifts, no falling flow, no point off."""
    if not lifts or lifts[0] <= MICRON or min(flows) <= 0:
        return False
    if len(lifts) > 1 and min(map(sub, lifts[1:], lifts)) <= MICRON:
        return False
    if min(map(truediv, flows, accumulate(flows, max))) < 1 - FALL:
        return False
    return len(lifts) < FEWEST or smooth(lifts, flows)


def check_curve(test: FlowTest, *, without: Sequence[Point] = ()) -> list[Finding]:
    """Look for typing slips and falling flow on one test's curve."""
    aside = {id(point) for point in without}
    points = [p for p in test.points if p.lift_m > MICRON and p.flow_m3_s > 0 and id(p) not in aside]
    left = [_Reading(p.lift_m, flow, p) for p, flow in zip(points, at_one_pressure(test, points), strict=True)]
    left.sort(key=lambda reading: reading.lift)
    found: list[Finding] = []
    for _ in range(min(MOST_SLIPS, max(1, len(left) // 4)) if len(left) <= MOST_READINGS else 0):
        suspect = _suspect(left)
        if suspect is None:
            break
        rest = [reading for reading in left if reading is not suspect]
        slip = _slip(test, suspect, rest)
        if slip is None:
            break
        found.append(slip)
        left = rest
    return found + _falls(test, left)


def _merged(readings: Sequence[_Reading]) -> list[_Reading]:
    """Average the readings of one lift."""
    groups: list[list[_Reading]] = []
    for reading in readings:
        if not groups or reading.lift - groups[-1][0].lift > MICRON:
            groups.append([])
        groups[-1].append(reading)
    return [group[0]._replace(flow=sum(one.flow for one in group) / len(group)) for group in groups]


def _curve(readings: Sequence[_Reading]) -> tuple[list[float], list[float]]:
    """Lifts and flows, the readings of one lift averaged."""
    merged = _merged(readings)
    return [reading.lift for reading in merged], [reading.flow for reading in merged]


def _seen_from(rest: Sequence[_Reading], reading: _Reading) -> Expected | None:
    """Return what the rest predicts at a reading's lift, if it is enough for a curve."""
    lifts, flows = _curve(rest)
    at = sum(lift < reading.lift - MICRON for lift in lifts)
    if at < len(lifts) and lifts[at] - reading.lift <= MICRON:
        del lifts[at], flows[at]
    if len(lifts) < FEWEST - 1:
        return None
    lifts.insert(at, reading.lift)
    flows.insert(at, reading.flow)
    return expected(lifts, flows, at)


def _suspect(readings: Sequence[_Reading]) -> _Reading | None:
    """Return the reading without which the rest is smoothest, of the worst few that may be slips."""
    lifts, flows = _curve(readings)
    if len(lifts) < FEWEST:
        return None
    found = []
    for at, reading in enumerate(readings):
        if len(lifts) == len(readings):
            seen: Expected | None = expected(lifts, flows, at)
        else:
            seen = _seen_from([other for other in readings if other is not reading], reading)
        if seen is not None:
            excess = seen.off(reading.flow) / min(seen.floor(explained=True), OFF["first"])
            if excess > 1:
                found.append((-excess, at))
    worst = sorted(at for _, at in sorted(found)[:MOST_SUSPECTS])
    smoothest = min(worst, key=lambda at: _roughness([*readings[:at], *readings[at + 1 :]]), default=None)
    return None if smoothest is None else readings[smoothest]


def _roughness(readings: Sequence[_Reading]) -> float:
    """Return how far a curve's points are off their neighbours' curves, together."""
    lifts, flows = _curve(readings)
    rough = sum(expected(lifts, flows, at).off(flow) for at, flow in enumerate(flows))
    if len(lifts) < len(readings):
        for lift, flow, _ in readings:
            off = [abs(other - lift) for other in lifts]
            rough += abs(flow / flows[off.index(min(off))] - 1)
    return rough


def _slip(test: FlowTest, suspect: _Reading, rest: Sequence[_Reading]) -> Finding | None:
    """Say that a suspect is off the rest's curve, if it is by enough, and what may have been meant."""
    seen = _seen_from(rest, suspect)
    if seen is None or seen.low <= 0:
        return None
    point, off = suspect.point, seen.off(suspect.flow)
    scatter = robust_deviation(*_curve(rest))
    to_point = point.flow_m3_s / suspect.flow  # back to the point's own pressure
    target = flow_in_unit(test, seen.value * to_point)
    near = min(max(0.02, min(3 * scatter, 0.06), min(seen.doubt / seen.value, 0.06)), off / 2)
    near += (seen.high - seen.low) / (2 * seen.value)
    at = next(nth for nth, other in enumerate(test.points) if other is point)
    meant = _meant([flow_in_unit(test, other.flow_m3_s) for other in test.points], at)
    fitting = [item for item in meant if abs(item.value - target) <= near * target]
    candidate = min(fitting, key=lambda item: abs(item.value - target), default=None)
    if off <= max(seen.floor(explained=candidate is not None), ROBUST_DEVIATIONS * scatter):
        return None
    if seen.place == "last" and candidate is None and (suspect.flow < seen.low or off <= OFF_AT_LAST_UNEXPLAINED):
        return None  # a fall at the end is reported as such
    above = suspect.flow > seen.high
    written, _, unit = flow_as_read(test, point.flow_m3_s).partition(" ")
    digits = len(written.partition(".")[2])  # no more of them than the sheet has
    curve = f"{flow_in_unit(test, (seen.high if above else seen.low) * to_point):.{digits}f} {unit}"
    size = f"{100 * off:.1f} % {'above' if above else 'below'}" if off < 2 else f"{off + 1:.0f} times"
    text = (
        f"the flow {written} {unit} at lift {lift_as_read(test, point.lift_m)} is {size} "
        f"the curve through its neighbours, which gives {curve} there; "
    )
    remedy = "check the figure and its lift against"
    if candidate is not None:
        remedy = f"if {candidate.slip}, {candidate.text} {unit} was meant: check"
    return Finding("typing-slip", "warning", point.source, f"{text}{remedy} {_NOTES}")


def _falls(test: FlowTest, readings: Sequence[_Reading]) -> list[Finding]:
    """Report where flow falls by more than 1 % while lift rises."""
    found: list[Finding] = []
    top: _Reading | None = None
    fall: list[_Reading] = []
    for level in (*_merged(readings), None):
        if level is not None and top is not None and level.flow < (1 - FALL) * top.flow:
            fall.append(level)
            continue
        if fall and top is not None:
            lowest = min(fall, key=lambda reading: reading.flow)
            several = test.pressure_at(top.point) != test.pressure_at(lowest.point)
            text = (
                f"the flow{', brought to one test pressure,' if several else ''} falls by "
                f"{100 * (1 - lowest.flow / top.flow):.1f} % from {flow_as_read(test, top.flow)} at lift "
                f"{lift_as_read(test, top.lift)} to {flow_as_read(test, lowest.flow)} at "
                f"{lift_as_read(test, lowest.lift)} while the valve opens further; the port may stall there, or a "
                "figure is mistyped: repeat these lifts"
            )
            found.append(Finding("falling-flow", "warning", fall[0].point.source, text))
            fall = []
        if level is not None and (top is None or level.flow > top.flow):
            top = level
    return found
