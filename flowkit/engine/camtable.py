"""A cam's table of degrees and lift brought into crank angles after firing dead centre."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from flowkit.errors import EngineError

__all__ = ["arrange_table"]

_CLOSED_FRACTION = 0.02
"""A table must begin and end below this fraction of its peak, else part of the cam is missing."""

_FEWEST_POINTS = 5
_CYCLE = 720.0


def arrange_table(
    angles_deg: Sequence[float],
    lifts_m: Sequence[float],
    *,
    cam_degrees: bool,
    lash_m: float,
    zero_deg: float | None,
    centre_deg: float | None,
    name: str,
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Order a table, turn it to crank degrees and set it to the crank.

    Parameters
    ----------
    angles_deg : sequence of float, shape (n,)
        As measured [degrees].
    lifts_m : sequence of float, shape (n,)
        At the valve, before lash [m].
    cam_degrees : bool
        Whether the angles count the cam's degrees.
    lash_m : float
        [m]
    zero_deg, centre_deg : float or None
        Crank angle of the table's zero, or of the lobe's middle [degrees after firing dead centre].
    name : str
        For messages.

    Returns
    -------
    tuple of (angles, lifts)
        Crank angles after firing dead centre, rising, and the lifts.

    Raises
    ------
    EngineError
        If it makes no cam.

    Examples
    --------
    >>> arrange_table([2, 1, 0, -1, -2], [0, 1e-3, 2e-3, 1e-3, 0], cam_degrees=True, lash_m=0,
    ...               zero_deg=None, centre_deg=470.0, name="cam")[0]
    (466.0, 468.0, 470.0, 472.0, 474.0)
    """
    if (zero_deg is None) == (centre_deg is None):
        raise EngineError(
            f"{name}: it is not certain how the table stands to the crank",
            'state either zero = "gas exchange TDC" (or "firing TDC") or the centreline, such as "108 ATDC"',
        )
    angles, lifts = np.asarray(angles_deg, dtype=float), np.asarray(lifts_m, dtype=float)
    _check_numbers(angles, lifts, lash_m, name)
    angles = _rising(angles, 360.0 if cam_degrees else _CYCLE, name)
    if angles[0] > angles[-1]:
        angles, lifts = angles[::-1], lifts[::-1]
    if cam_degrees:
        angles = 2 * angles
    angles, lifts = _closed(angles, lifts, lash_m, name)
    shift = centre_deg - _middle(angles, lifts) if centre_deg is not None else zero_deg or 0.0
    angles = angles + shift
    if angles[-1] - angles[0] > _CYCLE + 1e-9:
        raise EngineError(f"{name}: the table is longer than one cycle", "check whether its degrees are the cam's")
    return tuple(angles.tolist()), tuple(lifts.tolist())


def _check_numbers(angles: NDArray[np.float64], lifts: NDArray[np.float64], lash_m: float, name: str) -> None:
    """Refuse tables too short, with gaps, or without lift above the lash."""
    if angles.size != lifts.size or angles.size < _FEWEST_POINTS:
        raise EngineError(f"{name}: a cam needs at least {_FEWEST_POINTS} points of degrees and lift", "measure more")
    if not (np.all(np.isfinite(angles)) and np.all(np.isfinite(lifts))):
        raise EngineError(f"{name}: the table has gaps", "fill them in")
    if np.max(lifts) <= max(lash_m, 0.0):
        raise EngineError(f"{name}: the valve never opens", "check the lifts, the lash and their units")
    if np.min(lifts) < -0.05 * np.max(lifts):
        raise EngineError(f"{name}: the table has negative lifts", "set the gauge to zero on the base circle")


def _rising(angles: NDArray[np.float64], turn: float, name: str) -> NDArray[np.float64]:
    """Unwrap a table that passes through zero, and leave one direction only."""
    steps = np.diff(angles)
    if np.median(steps) < 0:
        return _rising(angles[::-1], turn, name)[::-1]
    wraps = np.flatnonzero(steps < -turn / 2)
    if wraps.size == 1:
        angles = angles.copy()
        angles[wraps[0] + 1 :] += turn
    if np.any(np.diff(angles) <= 0):
        raise EngineError(f"{name}: the degrees do not run in one direction", "sort the table by degrees")
    return angles


def _closed(
    angles: NDArray[np.float64], lifts: NDArray[np.float64], lash_m: float, name: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Make sure the table begins and ends with the valve closed."""
    limit = lash_m + _CLOSED_FRACTION * (np.max(lifts) - lash_m)
    for place, lift in (("begins", lifts[0]), ("ends", lifts[-1])):
        if lift > limit:
            raise EngineError(
                f"{name}: the table {place} at a lift of {lift * 1e3:.3g} mm", "give it from closed to closed"
            )
    lifts = np.maximum(lifts, 0.0)
    step = float(np.median(np.diff(angles)))
    if lifts[0] > lash_m:
        angles, lifts = np.concatenate(([angles[0] - step], angles)), np.concatenate(([0.0], lifts))
    if lifts[-1] > lash_m:
        angles, lifts = np.concatenate((angles, [angles[-1] + step])), np.concatenate((lifts, [0.0]))
    return angles, lifts


def _middle(angles: NDArray[np.float64], lifts: NDArray[np.float64]) -> float:
    """Return the middle between equal lifts of 95 % of the peak (common practice, no source)."""
    level = 0.95 * float(np.max(lifts))
    above = np.flatnonzero(lifts >= level)
    first, last = int(above[0]), int(above[-1])
    # The table begins and ends closed, so both neighbours exist and lie below the level.
    rise = np.interp(level, lifts[first - 1 : first + 1], angles[first - 1 : first + 1])
    fall = np.interp(level, lifts[last : last + 2][::-1], angles[last : last + 2][::-1])
    return float(rise + fall) / 2
