"""Lifts that are one, the interpolant through points and its integrals.

Curves stand in columns: the first axis is lift, the others are anything.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.errors import RangeError

__all__ = [
    "SAME_LIFT_M",
    "AreaMethod",
    "MonotoneCubic",
    "curve_derivative",
    "curve_integral",
    "curve_value",
    "integrate",
    "lift_key",
    "merge_lifts",
    "natural_order",
    "pchip",
    "slopes",
    "within",
]

AreaMethod = Literal["pchip", "trapezoid"]

SAME_LIFT_M = 1e-6
"""Lifts closer than this are one lift [m]."""


def merge_lifts(lifts: Iterable[float]) -> tuple[float, ...]:
    """Return the distinct lifts in rising order; those within 1 µm are one.

    Parameters
    ----------
    lifts : iterable of float
        Lifts [m], in any order.

    Returns
    -------
    tuple of float
        The smallest of each group [m].

    Examples
    --------
    >>> merge_lifts([0.00254, 0.001, 0.0025400000001])
    (0.001, 0.00254)
    """
    merged: list[float] = []
    for lift in sorted(lifts):
        # The hair of slack keeps a difference of 1 µm as typed on this side of the border.
        if not merged or lift - merged[-1] > SAME_LIFT_M * (1 + 1e-9):
            merged.append(float(lift))
    return tuple(merged)


def lift_key(lift: float, lifts: Sequence[float]) -> int | None:
    """Return the place of a lift among merged lifts, or None where it is not one of them.

    Parameters
    ----------
    lift : float
        Lift [m].
    lifts : sequence of float
        Merged lifts in rising order [m].

    Examples
    --------
    >>> lift_key(0.0020000004, (0.001, 0.002)), lift_key(0.0015, (0.001, 0.002))
    (1, None)
    """
    if not len(lifts):
        return None
    nearest = int(np.argmin(np.abs(np.asarray(lifts) - lift)))
    return nearest if abs(lifts[nearest] - lift) <= SAME_LIFT_M * (1 + 1e-9) else None


def natural_order(name: str) -> tuple[tuple[int, int, str], ...]:
    """Return a key that sorts port names as people number them: 2 before 10.

    Parameters
    ----------
    name : str

    Examples
    --------
    >>> sorted(["10", "2", "rear"], key=natural_order)
    ['2', '10', 'rear']
    """
    parts = re.findall(r"\d+|\D+", name)
    return tuple((0, int(part), part) if part.isdecimal() else (1, 0, part) for part in parts)


def pchip(lifts: ArrayLike, flows: ArrayLike) -> MonotoneCubic:
    """Return the monotone cubic through the points, without extrapolation.

    Parameters
    ----------
    lifts : array_like, shape (n,)
        Lifts in strictly rising order [m], n ≥ 2.
    flows : array_like, shape (n, …)
        Flows [m³/s]; further axes hold further curves on the same lifts.

    Returns
    -------
    MonotoneCubic
        NaN outside the lifts.

    Raises
    ------
    RangeError
        If there are fewer than two lifts.

    References
    ----------
    Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300; scipy's end slopes.

    Examples
    --------
    >>> round(float(pchip([0.001, 0.003], [0.01, 0.03])(0.002)), 9)
    0.02
    """
    x = np.asarray(lifts, dtype=float)
    if x.size < 2:
        raise RangeError("a curve needs at least two lifts", "measure the port at more lifts")
    return MonotoneCubic(x, np.asarray(flows, dtype=float))


def integrate(lifts: ArrayLike, flows: ArrayLike, lo: float, hi: float, method: AreaMethod = "pchip") -> float:
    """Return the area under a curve between two lifts [m⁴/s].

    Parameters
    ----------
    lifts : array_like, shape (n,)
        Lifts in strictly rising order [m].
    flows : array_like, shape (n,)
        Flows [m³/s].
    lo, hi : float
        Limits within the lifts [m].
    method : {"pchip", "trapezoid"}
        The exact integral of the monotone cubic, or of straight lines between the points.

    Raises
    ------
    RangeError
        If the limits lie outside the lifts.

    References
    ----------
    Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300; trapezoid rule.

    Examples
    --------
    >>> round(integrate([0.0, 0.002, 0.004], [0.0, 0.02, 0.04], 0.001, 0.003), 9)
    4e-05
    """
    x, y = np.asarray(lifts, dtype=float), np.asarray(flows, dtype=float)
    lo, hi = (float(limit) for limit in within(np.asarray([lo, hi]), x))
    if hi <= lo:
        return 0.0
    return float(curve_integral(x, y, lo, hi, method=method))


def within(lift: NDArray[np.float64], lifts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return lifts clipped to a curve's own, refusing what lies more than 1 µm outside.

    Parameters
    ----------
    lift : array
        Lifts asked for [m].
    lifts : array, shape (n,)
        The curve's lifts in rising order [m].

    Raises
    ------
    RangeError
        If one lies outside.

    Examples
    --------
    >>> within(np.array([0.0009999999]), np.array([0.001, 0.004]))
    array([0.001])
    """
    low, high = float(lifts[0]), float(lifts[-1])
    # The usual case, and the quick one; what is not a number fails both comparisons.
    if lift.size and low <= lift.min() and lift.max() <= high:
        return lift
    outside = (lift < low - SAME_LIFT_M) | (lift > high + SAME_LIFT_M) | ~np.isfinite(lift)
    if np.any(outside):
        asked = float(np.atleast_1d(lift)[np.atleast_1d(outside)][0])
        raise RangeError(
            f"a lift of {asked * 1e3:.3f} mm is outside the measured lifts of {low * 1e3:.3f} to {high * 1e3:.3f} mm",
            "curves are never continued beyond what was measured; measure there",
        )
    return np.clip(lift, low, high)


Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class MonotoneCubic:
    """The curve through points; nothing outside them.

    Attributes
    ----------
    at : ndarray, shape (n,)
        Rising places of the points, at least two (lifts [m], angles [degrees]).
    values : ndarray, shape (n, ...)
        One curve a column.
    slope : ndarray, shape (n, ...)
        Derivatives at the points, see `slopes`.

    Examples
    --------
    >>> curve = MonotoneCubic(np.array([0.0, 1.0, 3.0]), np.array([0.0, 1.0, 3.0]))
    >>> curve([0.5, 2.0, 4.0]).round(12).tolist(), float(curve.integrate(0.0, 3.0))
    ([0.5, 2.0, nan], 4.5)
    """

    at: Array
    values: Array
    slope: Array = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "slope", slopes(self.at, self.values))

    def __call__(self, at: ArrayLike) -> Array:
        """Return the values at places of any shape, NaN outside the points."""
        return self._inside(at, curve_value)

    def derivative(self, at: ArrayLike) -> Array:
        """Return the derivatives at places of any shape, NaN outside the points."""
        return self._inside(at, curve_derivative)

    def integrate(self, start: float, end: float) -> Array:
        """Return the areas between two places within the points."""
        on_value, on_slope = _weights(self.at, start, end, "pchip")
        return np.asarray(np.tensordot(on_value, self.values, axes=1) + np.tensordot(on_slope, self.slope, axes=1))

    def _inside(self, at: ArrayLike, what: Callable[[Array, Array, Array, ArrayLike], Array]) -> Array:
        """Ask the curve, and blank what lies outside."""
        places = np.asarray(at, dtype=float)
        result = what(self.at, self.values, self.slope, places)
        outside = ~((places >= self.at[0]) & (places <= self.at[-1]))
        if outside.any():
            result[outside] = np.nan
        return result


def slopes(lifts_m: Array, flow: Array) -> Array:
    """Return the derivatives of the curves at their points.

    Parameters
    ----------
    lifts_m : ndarray, shape (n,)
        Rising lifts, at least two [m].
    flow : ndarray, shape (n, ...)
        One curve a column [m³/s].

    Returns
    -------
    ndarray, shape (n, ...)
        [m²/s].

    Notes
    -----
    Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300: weighted harmonic mean of the
    neighbouring secants, zero where they differ in sign; at the ends the three-point formula
    kept monotone (Moler, Numerical Computing (2004), 3.4), as in scipy.

    Examples
    --------
    >>> slopes(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 2.0])).tolist()
    [1.0, 1.0, 1.0]
    """
    width = np.diff(lifts_m)
    widths = width.reshape(-1, *(1,) * (flow.ndim - 1))
    secant = np.diff(flow, axis=0)
    secant /= widths
    result = np.empty_like(flow)
    if len(width) == 1:
        result[:] = secant
        return result
    left, right = widths[:-1], widths[1:]
    first, second = secant[:-1], secant[1:]
    inner = result[1:-1]
    # (w1 + w2)/(w1/first + w2/second) with both fractions cleared: no division by a zero secant
    below = (2 * right + left) * second
    below += (right + 2 * left) * first
    np.multiply(first, second, out=inner)
    same_sign = inner > 0.0
    inner *= 3 * (left + right)
    np.divide(inner, below, out=inner, where=same_sign)
    inner *= same_sign
    result[0] = _end_slope(width[0], width[1], secant[0], secant[1])
    result[-1] = _end_slope(width[-1], width[-2], secant[-1], secant[-2])
    return result


def _end_slope(near: float, far: float, secant: Array, beyond: Array) -> Array:
    """Return the slope at an end: three points, kept monotone."""
    slope = ((2 * near + far) * secant - near * beyond) / (near + far)
    slope = np.where(np.sign(slope) == np.sign(secant), slope, 0.0)
    overshoots = (np.sign(secant) != np.sign(beyond)) & (np.abs(slope) > 3 * np.abs(secant))
    return np.asarray(np.where(overshoots, 3 * secant, slope))


def _locate(lifts_m: Array, at_m: ArrayLike, columns: int) -> tuple[NDArray[np.intp], Array, Array]:
    """Return the intervals lifts are in, their widths, and how far along them the lifts are."""
    at = np.asarray(at_m, dtype=float)
    index = np.clip(np.searchsorted(lifts_m, at, side="right") - 1, 0, len(lifts_m) - 2)
    width = lifts_m[index + 1] - lifts_m[index]
    shape = (*at.shape, *(1,) * columns)
    return index, width.reshape(shape), ((at - lifts_m[index]) / width).reshape(shape)


def curve_value(lifts_m: Array, flow: Array, slope: Array, at_m: ArrayLike) -> Array:
    """Return the curves at lifts.

    Parameters
    ----------
    lifts_m : ndarray, shape (n,)
        [m]
    flow, slope : ndarray, shape (n, ...)
        Flows [m³/s] and `slopes` [m²/s].
    at_m : array_like, shape (m...)
        Lifts within `lifts_m` [m].

    Returns
    -------
    ndarray, shape (m..., ...)
        [m³/s]

    Notes
    -----
    Cubic Hermite polynomial.

    Examples
    --------
    >>> x, y = np.array([0.0, 1.0, 3.0]), np.array([0.0, 1.0, 3.0])
    >>> round(float(curve_value(x, y, slopes(x, y), 2.0)), 12)
    2.0
    """
    i, h, t = _locate(lifts_m, at_m, flow.ndim - 1)
    bend = t * t * (3.0 - 2.0 * t)
    lead, lag = t * (1.0 - t) ** 2 * h, -t * t * (1.0 - t) * h
    return np.asarray((1.0 - bend) * flow[i] + bend * flow[i + 1] + lead * slope[i] + lag * slope[i + 1])


def curve_derivative(lifts_m: Array, flow: Array, slope: Array, at_m: ArrayLike) -> Array:
    """Return the derivatives of the curves at lifts.

    Parameters
    ----------
    lifts_m : ndarray, shape (n,)
        [m]
    flow, slope : ndarray, shape (n, ...)
        Flows [m³/s] and `slopes` [m²/s].
    at_m : array_like, shape (m...)
        Lifts within `lifts_m` [m].

    Returns
    -------
    ndarray, shape (m..., ...)
        [m²/s]

    Notes
    -----
    Derivative of the cubic Hermite polynomial.

    Examples
    --------
    >>> x, y = np.array([0.0, 1.0, 3.0]), np.array([0.0, 2.0, 6.0])
    >>> round(float(curve_derivative(x, y, slopes(x, y), 0.5)), 12)
    2.0
    """
    i, h, t = _locate(lifts_m, at_m, flow.ndim - 1)
    rise = 6.0 * t * (1.0 - t) / h
    return np.asarray(
        rise * (flow[i + 1] - flow[i]) + (1.0 - t) * (1.0 - 3.0 * t) * slope[i] + t * (3.0 * t - 2.0) * slope[i + 1]
    )


def curve_integral(lifts_m: Array, flow: Array, from_m: float, to_m: float, *, method: str = "pchip") -> Array:
    """Return the areas under the curves between two lifts.

    Parameters
    ----------
    lifts_m : ndarray, shape (n,)
        Rising lifts, at least two [m].
    flow : ndarray, shape (n, ...)
        One curve a column [m³/s].
    from_m, to_m : float
        Within `lifts_m` [m].
    method : {"pchip", "trapezoid"}, optional
        The exact integral of the interpolant, or straight lines between the points (and
        between the points and the ends of the range, on the straight line there).

    Returns
    -------
    ndarray, shape (...)
        [m⁴/s]

    Notes
    -----
    Every integral is a weighted sum of the points' flows and slopes: over a whole interval
    ``h/2·(Q0 + Q1) + h²/12·(Q0' − Q1')``, over a part of one the polynomial's own.

    Examples
    --------
    >>> x, y = np.array([0.0, 1.0, 3.0]), np.array([0.0, 1.0, 3.0])
    >>> float(curve_integral(x, y, 0.0, 3.0))
    4.5
    """
    on_flow, on_slope = _weights(lifts_m, from_m, to_m, method)
    area = np.tensordot(on_flow, flow, axes=1)
    if method == "pchip":
        area = area + np.tensordot(on_slope, slopes(lifts_m, flow), axes=1)
    return np.asarray(area)


def _weights(lifts_m: Array, from_m: float, to_m: float, method: str) -> tuple[Array, Array]:
    """Return the weights of flows and slopes in the integral between two lifts."""
    on_flow, on_slope = np.zeros(len(lifts_m)), np.zeros(len(lifts_m))
    for i in range(len(lifts_m) - 1):
        h = float(lifts_m[i + 1] - lifts_m[i])
        start = min(max((from_m - float(lifts_m[i])) / h, 0.0), 1.0)
        end = min(max((to_m - float(lifts_m[i])) / h, 0.0), 1.0)
        if end <= start:
            continue
        if method == "pchip":
            part = _cubic_parts(end) - _cubic_parts(start)
        else:
            part = np.array([end - end**2 / 2, end**2 / 2, 0.0, 0.0])
            part -= np.array([start - start**2 / 2, start**2 / 2, 0.0, 0.0])
        on_flow[i] += h * part[0]
        on_flow[i + 1] += h * part[1]
        on_slope[i] += h * h * part[2]
        on_slope[i + 1] += h * h * part[3]
    return on_flow, on_slope


def _cubic_parts(t: float) -> Array:
    """Return the integrals of the four Hermite basis functions from 0 to t."""
    t2, t3, t4 = t * t, t**3, t**4
    return np.array([t4 / 2 - t3 + t, -t4 / 2 + t3, t4 / 4 - 2 * t3 / 3 + t2 / 2, t4 / 4 - t3 / 3])
