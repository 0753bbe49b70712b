"""Doubtful lifts: repeated ones, and ones out of order."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from operator import sub

from flowkit.importers.digits import candidates, decimals_of, typed_figure
from flowkit.importers.wording import lift_in_unit, lift_text
from flowkit.model import Finding, FlowTest, Point

__all__ = ["check_lifts"]

MICRON = 1e-6  # lifts closer than this are one
SAME_FLOW = 0.03


def check_lifts(test: FlowTest) -> tuple[list[Finding], list[Point]]:
    """Look at the lifts of one test.

    Parameters
    ----------
    test : FlowTest
        As read.

    Returns
    -------
    findings : list of Finding
        ``lift-repeated`` and ``lift-order``.
    misplaced : list of Point
        The few points whose lifts are out of order, or repeated with another flow.
    """
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
    lifts = ", ".join(lift_text(test, group[0].lift_m) for group in again[:4]) + (" …" if len(again) > 4 else "")
    if whole or (not unlike and len(again) > 1):
        text = f"lifts stand more than once ({lifts}): they were taken as repeated runs, and are averaged"
        return [Finding("lift-repeated", "note", again[0][1].source, text)], []
    text = (
        f"the lift {lifts} stands more than once; if one of them is mistyped, mend it, and if the reading was "
        "repeated, give it a run number (the readings of one lift are averaged)"
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
    text = f"the lift {lift_text(test, point.lift_m)} is out of order"
    if above is None or below is None:
        return f"{text}; check it against the operator's notes (nothing was changed)"
    low, high = sorted((test.points[above].lift_m, test.points[below].lift_m))
    text += f" between {lift_text(test, test.points[above].lift_m)} and {lift_text(test, test.points[below].lift_m)}"
    typed = {nth: typed_figure(lift_in_unit(test, other.lift_m)) for nth, other in enumerate(test.points)}
    figure = typed[at]
    fitting = []
    if figure is not None:
        decimals = decimals_of(other for other in typed.values() if other is not None)
        bottom, top = lift_in_unit(test, low), lift_in_unit(test, high)
        fitting = [item for item in candidates(figure, decimals) if bottom < item.value < top]
    if len(fitting) == 1:
        how = "two digits are swapped" if fitting[0].kind == "digits" else "the decimal point has moved"
        unit = lift_text(test, point.lift_m).split(" ", 1)[1]
        return f"{text}; if {how}, {fitting[0].text} {unit} was meant: check the operator's notes (nothing was changed)"
    return f"{text}; check it against the operator's notes (nothing was changed)"
