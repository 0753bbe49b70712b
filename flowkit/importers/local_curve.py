"""A flow curve seen from each of its points: what the points around it foretell.

The value at a lift is interpolated through the two points on either side, the point itself
left out (Lagrange's formula through four points); the closed valve, no lift and no flow, is
the neighbour below the first one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import median
from typing import Literal

__all__ = ["OFF", "Expected", "expected", "robust_deviation", "smooth"]

Place = Literal["first", "near end", "inner", "last"]
OFF: Mapping[Place, float] = {"first": 0.15, "near end": 0.05, "inner": 0.04, "last": 0.06}
"""How far off its neighbours' curve a reading may be, relative: below the first point there is
only the closed valve, near an end one neighbour on one side, above the last none."""

Weights = tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class Expected:
    """What the neighbours foretell at one lift.

    Attributes
    ----------
    low, high : float
        The range of what they foretell; one value within the curve, a range at its ends.
    doubt : float
        How far off the value is where the curve has its bend between these points.
    place : {"first", "near end", "inner", "last"}
    """

    low: float
    high: float
    doubt: float
    place: Place

    @property
    def value(self) -> float:
        """The middle of what is foretold."""
        return (self.low + self.high) / 2

    def off(self, flow: float) -> float:
        """Return how far a flow is off, relative to what is foretold, 0 within its range.

        Parameters
        ----------
        flow : float
            The measured flow.
        """
        if self.low <= 0:
            return 0.0 if self.low <= flow <= self.high else 10.0
        if flow > self.high:
            return flow / self.high - 1
        return 1 - flow / self.low if flow < self.low else 0.0


def expected(lifts: Sequence[float], flows: Sequence[float], at: int) -> Expected:
    """Return what the other points foretell at one of them.

    Parameters
    ----------
    lifts, flows : sequence of float
        At least three points in the order of lift, lifts different and above zero.
    at : int
        Which point to leave out.

    Examples
    --------
    >>> seen = expected((1.0, 2.0, 3.0, 4.0, 5.0), (10.0, 20.0, 99.0, 40.0, 50.0), 2)
    >>> round(seen.value, 9), seen.place
    (30.0, 'inner')
    """
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
    """Tell at a glance that no point is further off what its neighbours foretell than `OFF` allows.

    Parameters
    ----------
    lifts, flows : sequence of float
        At least four, in the order of lift, all above zero.

    Examples
    --------
    >>> smooth((1.0, 2.0, 3.0, 4.0, 5.0), (10.0, 20.0, 30.0, 40.0, 50.0))
    True
    >>> smooth((1.0, 2.0, 3.0, 4.0, 5.0), (10.0, 20.0, 33.0, 40.0, 50.0))
    False
    """
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
    """Return the robust standard deviation of the points from their neighbours' curve, relative.

    Parameters
    ----------
    lifts, flows : sequence of float
        In the order of lift.

    Notes
    -----
    1.4826 times the median absolute deviation, which is the standard deviation of normally
    distributed values (Rousseeuw & Croux, J. Am. Stat. Assoc. 88 (1993) 1273; from memory).

    Examples
    --------
    >>> robust_deviation((1.0, 2.0, 3.0, 4.0), (10.0, 20.0, 30.0, 40.0))
    0.0
    """
    offs = [expected(lifts, flows, at).off(flows[at]) for at in range(len(lifts) - 1)]
    return 1.4826 * median(offs) if offs else 0.0
