"""Lifts that are one, and the interpolant through points: scipy's PCHIP, the only one there is."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from flowkit.errors import RangeError

AreaMethod = Literal["pchip", "trapezoid"]

SAME_LIFT_M = 1e-6
"""Lifts closer than this are one lift [m]."""


def merge_lifts(lifts: Iterable[float]) -> tuple[float, ...]:
    """Return the distinct lifts in rising order; those within 1 µm are one."""
    merged: list[float] = []
    for lift in sorted(lifts):
        # The hair of slack keeps a difference of 1 µm as typed on this side of the border.
        if not merged or lift - merged[-1] > SAME_LIFT_M * (1 + 1e-9):
            merged.append(float(lift))
    return tuple(merged)


def lift_key(lift: float, lifts: Sequence[float]) -> int | None:
    """Return the place of a lift among merged lifts, or None where it is not one of them."""
    if not len(lifts):
        return None
    nearest = int(np.argmin(np.abs(np.asarray(lifts) - lift)))
    return nearest if abs(lifts[nearest] - lift) <= SAME_LIFT_M * (1 + 1e-9) else None


def natural_order(name: str) -> tuple[tuple[int, int, str], ...]:
    """Return a key that sorts port names as people number them: 2 before 10."""
    parts = re.findall(r"\d+|\D+", name)
    return tuple((0, int(part), part) if part.isdecimal() else (1, 0, part) for part in parts)


def pchip(lifts: ArrayLike, flows: ArrayLike) -> PchipInterpolator:
    """Return the monotone cubic through the points, without extrapolation.

    References
    ----------
    Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300; end slopes after Moler, Numerical
    Computing with MATLAB (2004), 3.6.

    Examples
    --------
    >>> round(float(pchip([0.001, 0.003], [0.01, 0.03])(0.002)), 9)
    0.02
    """
    x = np.asarray(lifts, dtype=float)
    if x.size < 2:
        raise RangeError("a curve needs at least two lifts", "measure the port at more lifts")
    return PchipInterpolator(x, np.asarray(flows, dtype=float), extrapolate=False)


def integrate(
    lifts: ArrayLike, flows: ArrayLike, lo: float, hi: float, method: AreaMethod = "pchip"
) -> NDArray[np.float64]:
    """Return the area under curves between two lifts [m⁴/s].

    References
    ----------
    Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300; trapezoid rule.

    Examples
    --------
    >>> round(float(integrate([0.0, 0.002, 0.004], [0.0, 0.02, 0.04], 0.001, 0.003)), 9)
    4e-05
    """
    x, y = np.asarray(lifts, dtype=float), np.asarray(flows, dtype=float)
    lo, hi = (float(limit) for limit in within(np.asarray([lo, hi]), x))
    if hi <= lo:
        return np.zeros(y.shape[1:])
    if method == "pchip":
        return np.asarray(pchip(x, y).integrate(lo, hi))
    at = np.unique(np.concatenate(([lo], x[(x > lo) & (x < hi)], [hi])))
    left = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    far = ((at - x[left]) / (x[left + 1] - x[left])).reshape(-1, *(1,) * (y.ndim - 1))
    values = (1 - far) * y[left] + far * y[left + 1]
    return np.asarray(np.tensordot(np.diff(at), (values[1:] + values[:-1]) / 2, axes=1))


def within(lift: NDArray[np.float64], lifts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return lifts clipped to a curve's own, refusing what lies more than 1 µm outside."""
    low, high = float(lifts[0]), float(lifts[-1])
    # The usual case, and the quick one; what is not a number fails both comparisons.
    if lift.size and low <= lift.min() and lift.max() <= high:
        return lift
    outside = (lift < low - SAME_LIFT_M) | (lift > high + SAME_LIFT_M) | ~np.isfinite(lift)
    if np.any(outside):
        asked = float(np.atleast_1d(lift)[np.atleast_1d(outside)][0])
        raise RangeError(
            f"a lift of {asked * 1e3:.3f} mm is outside the measured lifts of {low * 1e3:.3f} to {high * 1e3:.3f} mm",
            "curves are never extended beyond what was measured; measure there",
        )
    return np.clip(lift, low, high)
