"""Doubtful readings on a flow curve: typing slips and flows that fall while the valve opens."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from operator import sub, truediv

from flowkit.importers.digits import Candidate, best_candidate, decimals_of, typed_figure
from flowkit.importers.local_curve import OFF, Expected, expected, robust_deviation, smooth
from flowkit.importers.wording import flow_in_unit, flow_text, lift_text
from flowkit.model import Finding, FlowTest, Point

__all__ = ["MICRON", "check_curve", "clean_at_a_glance"]

MICRON = 1e-6  # lifts closer than this are one
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
    """Look for typing slips and falling flow on one test's curve.

    Parameters
    ----------
    test : FlowTest
        As read.
    without : sequence of Point
        Points already found doubtful for another reason.

    Returns
    -------
    list of Finding
        ``typing-slip`` and ``falling-flow``; nothing on a clean curve.
    """
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
    points = [p for p in test.points if p.lift_m > MICRON and p.flow_m3_s > 0 and id(p) not in aside]
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
    """Tell quickly that a curve holds nothing doubtful: rising lifts, no falling flow, no point off.

    Parameters
    ----------
    lifts, flows : tuple of float
        In the sheet's order [m], [m³/s].

    Examples
    --------
    >>> clean_at_a_glance((0.002, 0.004, 0.006, 0.008), (0.02, 0.04, 0.055, 0.06))
    True
    """
    if not lifts or lifts[0] <= MICRON or min(flows) <= 0:
        return False
    if len(lifts) > 1 and min(map(sub, lifts[1:], lifts)) <= MICRON:
        return False
    if min(map(truediv, flows, accumulate(flows, max))) < 1 - FALL:
        return False
    return len(lifts) < FEWEST or smooth(lifts, flows)


def _merged(readings: Sequence[_Reading]) -> tuple[list[float], list[float]]:
    """Return lifts and flows with the readings of one lift averaged."""
    lifts: list[float] = []
    groups: list[list[float]] = []
    for reading in readings:
        if lifts and reading.lift - lifts[-1] <= MICRON:
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
    at = sum(1 for lift in lifts if lift < reading.lift - MICRON)
    if at < len(lifts) and lifts[at] - reading.lift <= MICRON:
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
    foretold = slip.expected.high if slip.reading.flow > slip.expected.high else slip.expected.low
    way = "above" if slip.reading.flow > slip.expected.high else "below"
    size = f"{100 * slip.off:.1f} %" if slip.off < 2 else f"{slip.off + 1:.0f} times"
    text = (
        f"the flow {flow_text(test, point.flow_m3_s)} at lift {lift_text(test, point.lift_m)} is {size} {way} "
        f"the curve through its neighbours, which gives {flow_text(test, foretold * to_point)} there"
    )
    if slip.off >= 2:
        text = text.replace(f"{size} {way}", f"{size}")
    if slip.candidate is None:
        text += "; check the figure and its lift against the operator's notes (nothing was changed)"
    else:
        how = "two digits are swapped" if slip.candidate.kind == "digits" else "the decimal point has moved"
        unit = flow_text(test, point.flow_m3_s).split(" ", 1)[1]
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
        at = bisect_right(lifts, reading.lift + MICRON / 2) - 1
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
        f"the flow{at_one} falls by {100 * (1 - lowest.flow / top.flow):.1f} % from {flow_text(test, top.flow)} "
        f"at lift {lift_text(test, top.lift)} to {flow_text(test, lowest.flow)} at "
        f"{lift_text(test, lowest.lift)} while the valve opens further; the port may stall there, or a figure is "
        "mistyped: repeat these lifts"
    )
    return Finding("falling-flow", "warning", fall[0].point.source, text)
