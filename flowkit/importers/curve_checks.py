"""What a test's own curve shows to be doubtful: lifts, stalls, typing slips."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from itertools import accumulate, pairwise
from operator import sub, truediv
from statistics import median
from typing import Literal

from flowkit.model import Finding, FlowTest, Point
from flowkit.wording import flow_as_read, flow_in_unit, lift_as_read, lift_in_unit

_SIGNIFICANT = 6


@dataclass(frozen=True, slots=True)
class Candidate:
    """A figure that may have been meant."""

    text: str
    value: float
    kind: Literal["digits", "point"]


def typed_figure(value: float) -> str | None:
    """Return a figure as it was typed, or None where it was computed and has too many digits."""
    text = _plain(f"{value:.{_SIGNIFICANT}g}")
    return text if value > 0 and abs(float(text) - value) <= 1e-9 * value else None


def _plain(figure: str) -> str:
    """Write a figure without an exponent and without zeros at its end."""
    text = format(Decimal(figure), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def decimals_of(texts: Iterable[str]) -> int:
    """Return the most decimals in any of some figures."""
    return max((len(text.partition(".")[2]) for text in texts), default=0)


def candidates(text: str, decimals: int = 0) -> list[Candidate]:
    """List what may have been meant by a typed figure."""
    whole, _, part = text.partition(".")
    figure = f"{whole}.{part.ljust(decimals, '0')}".rstrip(".")
    found: list[Candidate] = []
    places = [at for at, sign in enumerate(figure) if sign.isdigit()]
    for left, right in pairwise(places):
        if figure[left] == figure[right]:
            continue
        signs = list(figure)
        signs[left], signs[right] = signs[right], signs[left]
        swapped = "".join(signs)
        # Nobody types 0 before other digits: 52.0 was not meant to be 05.2.
        if not (swapped.startswith("0") and swapped[1:2].isdigit()):
            found.append(Candidate(swapped, float(swapped), "digits"))
    for power in (-1, -2, 1, 2):
        moved = _plain(f"{Decimal(text).scaleb(power):f}")
        found.append(Candidate(moved, float(moved), "point"))
    return found


def best_candidate(text: str, decimals: int, *, target: float, tolerance: float) -> Candidate | None:
    """Return the candidate nearest to where the curve is, or None where none is near."""
    near = [item for item in candidates(text, decimals) if abs(item.value - target) <= tolerance * target]
    return min(near, key=lambda item: abs(item.value - target), default=None)


Place = Literal["first", "near end", "inner", "last"]
OFF: Mapping[Place, float] = {"first": 0.15, "near end": 0.05, "inner": 0.04, "last": 0.06}

"""How far off its neighbours' curve a reading may be, relative: below the first point there is
only the closed valve, near an end one neighbour on one side, above the last none."""

Weights = tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class Expected:
    """What the neighbours foretell at one lift."""

    low: float
    high: float
    doubt: float
    place: Place

    @property
    def value(self) -> float:
        """The middle of what is foretold."""
        return (self.low + self.high) / 2

    def off(self, flow: float) -> float:
        """Return how far a flow is off, relative to what is foretold, 0 within its range."""
        if self.low <= 0:
            return 0.0 if self.low <= flow <= self.high else 10.0
        if flow > self.high:
            return flow / self.high - 1
        return 1 - flow / self.low if flow < self.low else 0.0


def expected(lifts: Sequence[float], flows: Sequence[float], at: int) -> Expected:
    """Return what the other points foretell at one of them."""
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
    chord = q[j - 1] + (q[j + 1] - q[j - 1]) * (x[j] - x[j - 1]) / (x[j + 1] - x[j - 1])
    if at == 0:
        # Between a seat that flows in proportion to lift and a curve through the closed valve;
        # a curve that bends early lies above both, on the line of the next two points.
        slope = (q[3] - q[2]) / (x[3] - x[2]) if last >= 3 else 0.0
        ahead = q[2] - slope * (x[2] - x[1])
        return Expected(min(value, chord), max(value, chord, ahead), 0.0, "first")
    left = (q[j - 1] - q[j - 2]) / (x[j - 1] - x[j - 2])
    across = (q[j + 1] - q[j - 1]) / (x[j + 1] - x[j - 1])
    right = (q[j + 2] - q[j + 1]) / (x[j + 2] - x[j + 1]) if at + 2 < last else 2 * across - left
    # Where seat passage hands over to throat the curve bends sharply. A bend of these two
    # slopes, right at the point, lies off the curve through four points by two thirds of
    # the height by which it lies above the chord.
    height = abs(left - right) * (x[j] - x[j - 1]) * (x[j + 1] - x[j]) / (x[j + 1] - x[j - 1])
    return Expected(value, value, height * 2 / 3, "inner" if 1 < at < last - 2 else "near end")


@lru_cache(maxsize=1024)
def _weights(x: tuple[float, ...], j: int) -> Weights:
    """Return Lagrange's weights of the points around one, each with its place."""
    around = [nth for nth in (j - 2, j - 1, j + 1, j + 2) if 0 <= nth < len(x)]
    weights = []
    for a in around:
        weight = 1.0
        for b in around:
            if b != a:
                weight *= (x[j] - x[b]) / (x[a] - x[b])
        weights.append((a, weight))
    return tuple(weights)


@dataclass(frozen=True, slots=True)
class _Plan:
    """Weights for a quick look at all points of a row of lifts."""

    inner: tuple[tuple[float, float, float, float], ...]
    first: tuple[float, float, float]
    near_last: tuple[float, float, float]
    last: float


@lru_cache(maxsize=64)
def _plan(lifts: tuple[float, ...]) -> _Plan:
    """Work out the weights; sheets repeat one row of lifts over and over."""
    x = (0.0, *lifts)
    inner = []
    for at in range(2, len(lifts) - 1):
        a, b, c, d = (weight for _, weight in _weights(x[at - 2 : at + 3], 2))
        inner.append((a, b, c, d))
    (_, _), (_, second), (_, third) = _weights(x[:4], 1)
    before, below, above = (weight for _, weight in _weights(x[-4:], 2))
    reach = (lifts[-1] - lifts[-2]) / (lifts[-2] - lifts[-3])
    return _Plan(tuple(inner), (second, third, lifts[0] / lifts[1]), (before, below, above), reach)


def smooth(lifts: tuple[float, ...], flows: Sequence[float]) -> bool:
    """Tell at a glance that no point is further off what its neighbours foretell than `OFF` allows."""
    plan = _plan(lifts)
    within, at_first, near_end, at_last = OFF["inner"], OFF["first"], OFF["near end"], OFF["last"]
    before = (0.0, *flows)
    for (a, b, c, d), q0, q1, q, q2, q3 in zip(
        plan.inner, before, before[1:], before[2:], before[3:], before[4:], strict=False
    ):
        value = a * q0 + b * q1 + c * q2 + d * q3
        if abs(value - q) > within * value:
            return False
    second, third, share = plan.first
    curved, straight = second * flows[1] + third * flows[2], share * flows[1]
    if not min(curved, straight) * (1 - at_first) <= flows[0] <= max(curved, straight) * (1 + at_first):
        return False
    x, y, z = plan.near_last
    value = x * flows[-4] + y * flows[-3] + z * flows[-1]
    if abs(value - flows[-2]) > near_end * value:
        return False
    ahead = flows[-2] + plan.last * (flows[-2] - flows[-3])
    return min(ahead, flows[-2]) * (1 - at_last) <= flows[-1] <= max(ahead, flows[-2]) * (1 + at_last)


def robust_deviation(lifts: Sequence[float], flows: Sequence[float]) -> float:
    """Return the robust standard deviation of the points from their neighbours' curve, relative."""
    offs = [expected(lifts, flows, at).off(flows[at]) for at in range(len(lifts) - 1)]
    return 1.4826 * median(offs) if offs else 0.0


MICRON = 1e-6  # lifts closer than this are one
SAME_FLOW = 0.03


def check_lifts(test: FlowTest) -> tuple[list[Finding], list[Point]]:
    """Look at the lifts of one test."""
    lifts = [point.lift_m for point in test.points]
    # Rising all the way, or falling all the way, is an order; both are common.
    steps = [*map(sub, lifts[1:], lifts)]
    if not steps or min(steps) > MICRON or max(steps) < -MICRON:
        return [], []
    repeated, unlike = _repeated(test)
    aside = {id(point) for point in unlike}
    others = [point.lift_m for point in test.points if id(point) not in aside]
    if unlike and (others == sorted(others) or others == sorted(others, reverse=True)):
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
    whole = len({len(group) for group in groups.values()}) == 1
    unlike = [group for group in again if _differ(group)]
    lifts = ", ".join(lift_as_read(test, group[0].lift_m) for group in again[:4]) + (" …" if len(again) > 4 else "")
    if whole or (not unlike and len(again) > 1):
        text = f"lifts appear more than once ({lifts}): they were taken as repeated runs, and are averaged"
        return [Finding("lift-repeated", "note", again[0][1].source, text)], []
    text = (
        f"the lift {lifts} appears more than once; if one of them is mistyped, set it right in the "
        "job file (values); if the reading was repeated, leave it so (the readings of one lift are averaged)"
    )
    return [Finding("lift-repeated", "warning", again[0][1].source, text)], [p for group in unlike for p in group]


def _differ(group: Sequence[Point]) -> bool:
    """Tell whether readings of one lift differ by more than repeated readings do."""
    flows = [point.flow_m3_s for point in group]
    return max(flows) > (1 + SAME_FLOW) * min(flows)


def _order(test: FlowTest) -> tuple[list[Finding], list[Point]]:
    """Report lifts out of order; return them too, where they are few."""
    points = test.points
    lifts = [point.lift_m for point in points]
    rising = _longest_rise(lifts)
    falling = _longest_rise([-lift for lift in lifts])
    kept = set(rising if len(rising) >= len(falling) else falling)
    misplaced = [point for at, point in enumerate(points) if at not in kept]
    if not misplaced:
        return [], []
    if len(misplaced) > max(1, len(points) // 4):
        if _sweeps(lifts):
            return [], []
        text = "the lifts of this test neither rise nor fall down the sheet; check that they belong to one test"
        return [Finding("lift-order", "warning", misplaced[0].source, text)], []
    return [
        Finding("lift-order", "warning", point.source, _misplaced_text(test, point, kept)) for point in misplaced
    ], misplaced


def _sweeps(lifts: Sequence[float]) -> bool:
    """Tell whether the lifts are whole runs, one after the other, or each lift several times."""
    counts: dict[int, int] = {}
    for lift in lifts:
        key = round(lift / MICRON)
        counts[key] = counts.get(key, 0) + 1
    return len(set(counts.values())) == 1 and 1 not in counts.values()


def _longest_rise(lifts: Sequence[float]) -> list[int]:
    """Return which lifts form the longest rise, repeated lifts included (patience sorting)."""
    tops: list[float] = []
    at_top: list[int] = []
    before: list[int | None] = []
    for at, lift in enumerate(lifts):
        place = bisect_left(tops, lift + MICRON)
        if place == len(tops):
            tops.append(lift)
            at_top.append(at)
        else:
            tops[place] = lift
            at_top[place] = at
        before.append(at_top[place - 1] if place else None)
    found: list[int] = []
    at_last: int | None = at_top[-1] if at_top else None
    while at_last is not None:
        found.append(at_last)
        at_last = before[at_last]
    return found[::-1]


def _misplaced_text(test: FlowTest, point: Point, kept: set[int]) -> str:
    """Say that a lift is out of order, and what may have been meant."""
    at = test.points.index(point)
    above = max((nth for nth in kept if nth < at), default=None)
    below = min((nth for nth in kept if nth > at), default=None)
    text = f"the lift {lift_as_read(test, point.lift_m)} is out of order"
    if above is None or below is None:
        return f"{text}; check it against the operator's notes (nothing was changed)"
    low, high = sorted((test.points[above].lift_m, test.points[below].lift_m))
    text += (
        f" between {lift_as_read(test, test.points[above].lift_m)} and {lift_as_read(test, test.points[below].lift_m)}"
    )
    typed = {nth: typed_figure(lift_in_unit(test, other.lift_m)) for nth, other in enumerate(test.points)}
    figure = typed[at]
    fitting = []
    if figure is not None:
        decimals = decimals_of(other for other in typed.values() if other is not None)
        bottom, top = lift_in_unit(test, low), lift_in_unit(test, high)
        fitting = [item for item in candidates(figure, decimals) if bottom < item.value < top]
    if len(fitting) == 1:
        how = "two digits are swapped" if fitting[0].kind == "digits" else "the decimal point has moved"
        unit = lift_as_read(test, point.lift_m).split(" ", 1)[1]
        return f"{text}; if {how}, {fitting[0].text} {unit} was meant: check the operator's notes (nothing was changed)"
    return f"{text}; check it against the operator's notes (nothing was changed)"


MICRON_CHECKS = 1e-6  # lifts closer than this are one
FALL = 0.01
OFF_AT_LAST_UNEXPLAINED = 0.15  # else only where swapped digits or a moved point explain it
FEWEST = 4  # three points are no curve
ROBUST_DEVIATIONS = 4.0
MOST_SLIPS = 5  # of one test; beyond, it is no curve
MOST_SUSPECTS = 8
MOST_READINGS = 300  # of one test; beyond, a slip is not looked for
BEND = 1.5
BEND_NEAR_END = 2.0


@dataclass(frozen=True, slots=True)
class _Reading:
    """A point with its flow brought to one pressure."""

    point: Point
    lift: float
    flow: float


@dataclass(frozen=True, slots=True)
class _Slip:
    """A reading off its neighbours' curve."""

    reading: _Reading
    expected: Expected
    off: float
    candidate: Candidate | None


def check_curve(test: FlowTest, *, without: Sequence[Point] = ()) -> list[Finding]:
    """Look for typing slips and falling flow on one test's curve."""
    readings = _readings(test, without)
    slips: list[_Slip] = []
    left = readings
    for _ in range(min(MOST_SLIPS, max(1, len(readings) // 4)) if len(readings) <= MOST_READINGS else 0):
        slip = _worst_slip(test, left)
        if slip is None:
            break
        slips.append(slip)
        left = [reading for reading in left if reading is not slip.reading]
    return [_slip_finding(test, slip) for slip in slips] + _falls(test, left)


def _readings(test: FlowTest, without: Sequence[Point]) -> list[_Reading]:
    """Return the readings in the order of lift, at one pressure where points have their own."""
    aside = {id(point) for point in without}
    points = [p for p in test.points if p.lift_m > MICRON_CHECKS and p.flow_m3_s > 0 and id(p) not in aside]
    if any(point.pressure_pa is not None for point in points):
        pressures = [test.pressure_at(point) for point in points]
        known = [pressure for pressure in pressures if pressure]
        first = known[0] if known else None
        readings = [
            _Reading(point, point.lift_m, point.flow_m3_s * math.sqrt(first / pressure))
            if first and pressure and pressure > 0
            else _Reading(point, point.lift_m, point.flow_m3_s)
            for point, pressure in zip(points, pressures, strict=True)
        ]
    else:
        readings = [_Reading(point, point.lift_m, point.flow_m3_s) for point in points]
    readings.sort(key=lambda reading: reading.lift)
    return readings


def clean_at_a_glance(lifts: tuple[float, ...], flows: tuple[float, ...]) -> bool:
    """Tell quickly that a curve holds nothing doubtful: rising lifts, no falling flow, no point off."""
    if not lifts or lifts[0] <= MICRON_CHECKS or min(flows) <= 0:
        return False
    if len(lifts) > 1 and min(map(sub, lifts[1:], lifts)) <= MICRON_CHECKS:
        return False
    if min(map(truediv, flows, accumulate(flows, max))) < 1 - FALL:
        return False
    return len(lifts) < FEWEST or smooth(lifts, flows)


def _merged(readings: Sequence[_Reading]) -> tuple[list[float], list[float]]:
    """Return lifts and flows with the readings of one lift averaged."""
    lifts: list[float] = []
    groups: list[list[float]] = []
    for reading in readings:
        if lifts and reading.lift - lifts[-1] <= MICRON_CHECKS:
            groups[-1].append(reading.flow)
        else:
            lifts.append(reading.lift)
            groups.append([reading.flow])
    return lifts, [sum(group) / len(group) for group in groups]


def _worst_slip(test: FlowTest, readings: list[_Reading]) -> _Slip | None:
    """Return the reading without which the rest is smoothest, if it is far enough off that rest."""
    suspects = _suspects(readings)
    best: tuple[float, _Reading, list[_Reading]] | None = None
    for suspect in suspects:
        rest = [reading for reading in readings if reading is not suspect]
        roughness = _roughness(rest)
        if best is None or roughness < best[0]:
            best = (roughness, suspect, rest)
    if best is None:
        return None
    _, suspect, rest = best
    return _judge(test, suspect, rest)


def _seen_from(rest: Sequence[_Reading], reading: _Reading) -> Expected | None:
    """Return what the rest foretells at a reading's lift, if it is enough for a curve."""
    lifts, flows = _merged(rest)
    at = sum(1 for lift in lifts if lift < reading.lift - MICRON_CHECKS)
    if at < len(lifts) and lifts[at] - reading.lift <= MICRON_CHECKS:
        del lifts[at], flows[at]
    if len(lifts) < FEWEST - 1:
        return None
    lifts.insert(at, reading.lift)
    flows.insert(at, reading.flow)
    return expected(lifts, flows, at)


def _floor(seen: Expected, *, explained: bool = False) -> float:
    """Return from which deviation on a reading is off, without regard to the curve's scatter."""
    floor = OFF[seen.place]
    # Less is asked where swapped digits or a moved point would bring the reading back.
    bend = BEND if seen.place == "inner" else BEND_NEAR_END
    bend -= 0.5 if explained else 0.0
    return max(floor, bend * seen.doubt / seen.value) if seen.value > 0 else floor


def _suspects(readings: list[_Reading]) -> list[_Reading]:
    """Return the readings that may be slips, seen from all the others: the worst few."""
    lifts, flows = _merged(readings)
    if len(lifts) < FEWEST:
        return []
    found = []
    for at, reading in enumerate(readings):
        if len(lifts) == len(readings):
            seen: Expected | None = expected(lifts, flows, at)
        else:
            seen = _seen_from([other for other in readings if other is not reading], reading)
        if seen is not None:
            excess = seen.off(reading.flow) / min(_floor(seen, explained=True), OFF["first"])
            if excess > 1:
                found.append((excess, at, reading))
    worst = sorted(found, key=lambda item: -item[0])[:MOST_SUSPECTS]
    return [reading for _, _, reading in sorted(worst, key=lambda item: item[1])]


def _roughness(readings: Sequence[_Reading]) -> float:
    """Return how far a curve's points are off their neighbours' curves, together."""
    lifts, flows = _merged(readings)
    offs = [expected(lifts, flows, at).off(flow) for at, flow in enumerate(flows)]
    repeats = [r.flow / flows[_nearest(lifts, r.lift)] - 1 for r in readings] if len(lifts) < len(readings) else []
    return sum(offs) + sum(map(abs, repeats))


def _nearest(lifts: Sequence[float], lift: float) -> int:
    """Return which of the lifts is the nearest."""
    return min(range(len(lifts)), key=lambda at: abs(lifts[at] - lift))


def _judge(test: FlowTest, suspect: _Reading, rest: list[_Reading]) -> _Slip | None:
    """Tell whether a suspect is off the rest's curve by enough, and what may have been meant."""
    seen = _seen_from(rest, suspect)
    if seen is None or seen.low <= 0:
        return None
    lifts, flows = _merged(rest)
    scatter = robust_deviation(lifts, flows)
    off = seen.off(suspect.flow)
    tolerance = max(0.02, min(3 * scatter, 0.06), min(seen.doubt / seen.value, 0.06))
    candidate = _candidate(test, suspect, seen, min(tolerance, off / 2))
    if off <= max(_floor(seen, explained=candidate is not None), ROBUST_DEVIATIONS * scatter):
        return None
    if seen.place == "last" and candidate is None and (suspect.flow < seen.low or off <= OFF_AT_LAST_UNEXPLAINED):
        return None  # a fall at the end is reported as such
    return _Slip(suspect, seen, off, candidate)


def _candidate(test: FlowTest, suspect: _Reading, seen: Expected, tolerance: float) -> Candidate | None:
    """Return the figure that may have been meant, in the sheet's own unit."""
    typed = {id(point): typed_figure(flow_in_unit(test, point.flow_m3_s)) for point in test.points}
    text = typed[id(suspect.point)]
    if text is None:
        return None
    decimals = decimals_of(other for other in typed.values() if other is not None)
    to_point = suspect.point.flow_m3_s / suspect.flow  # back to the point's own pressure
    target = flow_in_unit(test, seen.value * to_point)
    reach = tolerance + (seen.high - seen.low) / (2 * seen.value)
    return best_candidate(text, decimals, target=target, tolerance=reach)


def _slip_finding(test: FlowTest, slip: _Slip) -> Finding:
    """Put a slip into words."""
    point = slip.reading.point
    to_point = point.flow_m3_s / slip.reading.flow
    expected = slip.expected.high if slip.reading.flow > slip.expected.high else slip.expected.low
    written, _, unit = flow_as_read(test, point.flow_m3_s).partition(" ")
    digits = len(written.partition(".")[2])  # no more of them than the sheet has
    curve = f"{flow_in_unit(test, expected * to_point):.{digits}f} {unit}"
    way = "above" if slip.reading.flow > slip.expected.high else "below"
    size = f"{100 * slip.off:.1f} %" if slip.off < 2 else f"{slip.off + 1:.0f} times"
    text = (
        f"the flow {flow_as_read(test, point.flow_m3_s)} at lift {lift_as_read(test, point.lift_m)} is {size} {way} "
        f"the curve through its neighbours, which gives {curve} there"
    )
    if slip.off >= 2:
        text = text.replace(f"{size} {way}", f"{size}")
    if slip.candidate is None:
        text += "; check the figure and its lift against the operator's notes (nothing was changed)"
    else:
        how = "two digits are swapped" if slip.candidate.kind == "digits" else "the decimal point has moved"
        text += f"; if {how}, {slip.candidate.text} {unit} was meant: check the operator's notes (nothing was changed)"
    return Finding("typing-slip", "warning", point.source, text)


def _falls(test: FlowTest, readings: Sequence[_Reading]) -> list[Finding]:
    """Report where flow falls by more than 1 % while lift rises."""
    found: list[Finding] = []
    top: _Reading | None = None
    fall: list[_Reading] = []
    firsts: dict[float, _Reading] = {}
    lifts, flows = _merged(readings)
    for reading in readings:
        at = bisect_right(lifts, reading.lift + MICRON_CHECKS / 2) - 1
        firsts.setdefault(lifts[at], reading)
    by_lift = [(firsts[lift], flow) for lift, flow in zip(lifts, flows, strict=True)]
    for reading, flow in by_lift:
        level = _Reading(reading.point, reading.lift, flow)
        if top is None or flow >= (1 - FALL) * top.flow:
            if fall and top is not None:
                found.append(_fall_finding(test, top, fall))
                fall = []
            if top is None or flow > top.flow:
                top = level
        else:
            fall.append(level)
    if fall and top is not None:
        found.append(_fall_finding(test, top, fall))
    return found


def _fall_finding(test: FlowTest, top: _Reading, fall: Sequence[_Reading]) -> Finding:
    """Put a fall into words."""
    lowest = min(fall, key=lambda reading: reading.flow)
    pressures = {test.pressure_at(reading.point) for reading in (top, lowest)}
    at_one = ", brought to one test pressure," if len(pressures) > 1 else ""
    text = (
        f"the flow{at_one} falls by {100 * (1 - lowest.flow / top.flow):.1f} % from {flow_as_read(test, top.flow)} "
        f"at lift {lift_as_read(test, top.lift)} to {flow_as_read(test, lowest.flow)} at "
        f"{lift_as_read(test, lowest.lift)} while the valve opens further; the port may stall there, or a figure is "
        "mistyped: repeat these lifts"
    )
    return Finding("falling-flow", "warning", fall[0].point.source, text)
