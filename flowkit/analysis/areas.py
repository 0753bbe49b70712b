"""Geometric areas of a poppet valve: curtain, seat, throat, valve, and the least of them.

Symbols are those of J. B. Heywood, Internal Combustion Engine Fundamentals, 1988, section
6.3.1, equations (6.7) to (6.9): D_v valve head, D_p throat (inner seat), D_s stem, β the seat's
angle from the plane of the head, w the seat's width measured radially, D_m = D_v − w the mean
seat diameter. Here the seat's width is given as the trade measures it, along the face; Heywood's
is that times cos β.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.model import ValveGeometry

__all__ = [
    "circle_area",
    "curtain_area",
    "impossible_dimensions",
    "known_throat_area",
    "minimum_area",
    "seat_area",
    "takeover_lift",
    "throat_area",
]

Array = NDArray[np.float64]


def circle_area(diameter_m: float) -> float:
    """Return the area of a circle [m²].

    Parameters
    ----------
    diameter_m : float
        Diameter [m].

    Examples
    --------
    >>> round(circle_area(0.04), 6)
    0.001257
    """
    return float(np.pi / 4 * diameter_m**2)


def curtain_area(lift_m: ArrayLike, head_m: float) -> Array:
    """Return the curtain area ``π·D_v·L`` [m²].

    Parameters
    ----------
    lift_m : array_like
        Lift [m].
    head_m : float
        Valve head diameter [m].

    References
    ----------
    Heywood 1988, section 6.3.2 (curtain area as reference area).

    Examples
    --------
    >>> round(float(curtain_area(0.01, 0.04)), 6)
    0.001257
    """
    return np.asarray(np.pi * head_m * np.asarray(lift_m, dtype=float))


def throat_area(throat_m: float, stem_m: float) -> float:
    """Return the area past the stem in the throat ``π/4·(D_p² − D_s²)`` [m²].

    Parameters
    ----------
    throat_m, stem_m : float
        Throat and stem diameters [m].

    References
    ----------
    Heywood 1988, eq. (6.9).

    Examples
    --------
    >>> round(throat_area(0.033, 0.008) * 1e6, 1)
    805.0
    """
    return float(np.pi / 4 * (throat_m**2 - stem_m**2))


def seat_area(lift_m: ArrayLike, head_m: float, seat_angle_deg: float, seat_width_m: float) -> Array:
    """Return the passage between valve and seat [m²].

    Parameters
    ----------
    lift_m : array_like
        Lift [m].
    head_m : float
        Valve head diameter [m].
    seat_angle_deg : float
        Seat angle from the plane of the head [degrees], 0 ≤ β < 90.
    seat_width_m : float
        Seat width along the face [m].

    Returns
    -------
    array

    Notes
    -----
    ``π·L·cosβ·(D_v − 2w + ½L·sin2β)`` up to ``L = w/(sinβ·cosβ)``, where the passage is a cone
    square to the seat; above it ``π·D_m·sqrt((L − w·tanβ)² + w²)``.

    References
    ----------
    Heywood 1988, eqs (6.7) and (6.8).

    Examples
    --------
    >>> (seat_area([0.001, 0.008], 0.038, 45, 0.0014) * 1e6).round(1).tolist()
    [81.1, 823.1]
    """
    lift = np.asarray(lift_m, dtype=float)
    beta = np.radians(seat_angle_deg)
    w = seat_width_m * np.cos(beta)
    low = np.pi * lift * np.cos(beta) * (head_m - 2 * w + 0.5 * lift * np.sin(2 * beta))
    high = np.pi * (head_m - w) * np.hypot(lift - w * np.tan(beta), w)
    # The border is compared without dividing, so that a flat seat (β = 0) has no upper region.
    return np.asarray(np.where(lift * np.sin(beta) * np.cos(beta) <= w, low, high))


def _seat(valve: ValveGeometry) -> tuple[float, float, float] | None:
    """Return head, seat angle and seat width, or None where one is not known or they cannot be."""
    if valve.head_m is None or valve.seat_angle_deg is None or valve.seat_width_m is None:
        return None
    radial = valve.seat_width_m * np.cos(np.radians(valve.seat_angle_deg))
    if not (0 <= valve.seat_angle_deg < 90 and 0 <= 2 * radial < valve.head_m):
        return None
    return valve.head_m, valve.seat_angle_deg, valve.seat_width_m


def known_throat_area(valve: ValveGeometry) -> float | None:
    """Return the area past the stem in the throat [m²], or None where it is not known or cannot be.

    Parameters
    ----------
    valve : ValveGeometry

    Examples
    --------
    >>> known_throat_area(ValveGeometry(throat_m=0.033)) is None
    True
    """
    if valve.throat_m is None or valve.stem_m is None or valve.throat_m <= valve.stem_m:
        return None
    return throat_area(valve.throat_m, valve.stem_m)


def impossible_dimensions(valve: ValveGeometry) -> str | None:
    """Return in words why the dimensions of a valve cannot be, or None where they can.

    Parameters
    ----------
    valve : ValveGeometry

    Examples
    --------
    >>> impossible_dimensions(ValveGeometry(throat_m=0.007, stem_m=0.008))
    'the stem (8 mm) fills the throat (7 mm)'
    """
    if valve.throat_m is not None and valve.stem_m is not None and valve.throat_m <= valve.stem_m:
        return f"the stem ({valve.stem_m * 1e3:g} mm) fills the throat ({valve.throat_m * 1e3:g} mm)"
    if valve.throat_m is not None and valve.head_m is not None and valve.throat_m > valve.head_m:
        return f"the throat ({valve.throat_m * 1e3:g} mm) is wider than the valve head ({valve.head_m * 1e3:g} mm)"
    known = valve.head_m is not None and valve.seat_angle_deg is not None and valve.seat_width_m is not None
    if known and _seat(valve) is None:
        return (
            f"a seat of {valve.seat_angle_deg:g}° and {(valve.seat_width_m or 0) * 1e3:g} mm does not fit on a valve "
            f"head of {(valve.head_m or 0) * 1e3:g} mm"
        )
    return None


def minimum_area(lift_m: ArrayLike, valve: ValveGeometry) -> Array | None:
    """Return the least passage at each lift, seat or throat [m²].

    Parameters
    ----------
    lift_m : array_like
        Lift [m].
    valve : ValveGeometry

    Returns
    -------
    array or None
        None where a dimension is not known (head, seat angle and width, throat, stem).

    References
    ----------
    Heywood 1988, eqs (6.7) to (6.9).

    Examples
    --------
    >>> valve = ValveGeometry(0.038, 0.008, 0.033, 45, 0.0014)
    >>> (minimum_area([0.001, 0.010], valve) * 1e6).round(1).tolist()
    [81.1, 805.0]
    """
    seat, throat = _seat(valve), known_throat_area(valve)
    if seat is None or throat is None:
        return None
    return np.asarray(np.minimum(seat_area(lift_m, *seat), throat))


def takeover_lift(valve: ValveGeometry) -> float | None:
    """Return the lift at which the throat becomes the least passage [m].

    Parameters
    ----------
    valve : ValveGeometry

    Returns
    -------
    float or None
        None where a dimension is not known.

    Notes
    -----
    In the seat's upper region ``w·tanβ + sqrt(((D_p² − D_s²)/(4·D_m))² − w²)``; in the lower
    one the root of the quadratic in L.

    References
    ----------
    Heywood 1988, text under eq. (6.9).

    Examples
    --------
    >>> round(takeover_lift(ValveGeometry(0.038, 0.008, 0.033, 45, 0.0014)) * 1e3, 2)
    7.84
    """
    seat, throat = _seat(valve), known_throat_area(valve)
    if seat is None or throat is None:
        return None
    head, beta = seat[0], np.radians(seat[1])
    w = seat[2] * np.cos(beta)
    mean_seat = head - w
    # At the border of the two regions the passage is π·D_m·w/sinβ.
    if throat * np.sin(beta) >= np.pi * mean_seat * w and beta > 0:
        height = throat / (np.pi * mean_seat)
        return float(w * np.tan(beta) + np.sqrt(height**2 - w**2))
    linear, wanted = head - 2 * w, throat / (np.pi * np.cos(beta))
    # Written so that nothing cancels and a flat seat divides by no zero.
    return float(2 * wanted / (linear + np.sqrt(linear**2 + 2 * np.sin(2 * beta) * wanted)))
