"""Geometric areas of a poppet valve: curtain, seat, throat, valve, and the least of them.

Symbols are those of J. B. Heywood, Internal Combustion Engine Fundamentals, 1988, section
6.3.1, equations (6.7) to (6.9): D_v valve head, D_p throat (inner seat), D_s stem, β the seat's
angle from the plane of the head, w the seat's width measured radially, D_m = D_v − w the mean
seat diameter. Here the seat's width is given as the trade measures it, along the face; Heywood's
is that times cos β.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.lifts import SAME_LIFT_M
from flowkit.fields import field_of, section
from flowkit.model import Finding, Side, ValveGeometry, Variant

__all__ = [
    "AreaFigures",
    "Coefficients",
    "area_figures",
    "circle_area",
    "curtain_area",
    "impossible_dimensions",
    "known_throat_area",
    "largest_possible_area",
    "minimum_area",
    "seat_area",
    "takeover_lift",
    "throat_area",
    "valve_contradictions",
    "valve_of",
]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Coefficients:
    """Flow coefficients of a variant at its lifts; None where the geometry is not known."""

    lifts_m: tuple[float, ...]
    curtain: tuple[float, ...] | None
    throat: tuple[float, ...] | None
    valve: tuple[float, ...] | None
    minimum: tuple[float, ...] | None


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
    """Return in words why the dimensions of a valve is not possible, or None where they can.

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


Floats = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class AreaFigures:
    """What follows from the flows of a variant and its areas; None where an area is not known.

    Attributes
    ----------
    effective_area_m2 : tuple of float
    minimum_area_m2 : tuple of float or None
    coefficients : Coefficients or None
    flow_per_bore_area_m_s, flow_per_valve_area_m_s, port_velocity_m_s : tuple of float or None
    """

    effective_area_m2: Floats
    minimum_area_m2: Floats | None
    coefficients: Coefficients | None
    flow_per_bore_area_m_s: Floats | None
    flow_per_valve_area_m_s: Floats | None
    port_velocity_m_s: Floats | None


def area_figures(
    lifts_m: Floats, flow_m3_s: Floats, valve: ValveGeometry, velocity_m_s: float, bore_m: float | None
) -> AreaFigures:
    """Return everything that relates the flows of a variant to its areas.

    Parameters
    ----------
    lifts_m, flow_m3_s : tuple of float
        Lifts [m] and flows there [m³/s].
    valve : ValveGeometry
    velocity_m_s : float
        Reference velocity [m/s], see `flowkit.corrections.pressure.reference_velocity`.
    bore_m : float or None
        The engine's bore [m].

    Returns
    -------
    AreaFigures

    Notes
    -----
    ``A_eff = Q/V``; mean port velocity ``Q/A_port``.

    Examples
    --------
    >>> figures = area_figures((0.01,), (0.05,), ValveGeometry(head_m=0.038), 107.6, None)
    >>> round(figures.coefficients.curtain[0], 3), figures.coefficients.minimum is None
    (0.389, True)
    """
    flow = np.asarray(flow_m3_s)
    least = minimum_area(lifts_m, valve)
    return AreaFigures(
        effective_area_m2=_floats(flow / velocity_m_s),
        minimum_area_m2=None if least is None else _floats(least),
        coefficients=_coefficients(np.asarray(lifts_m), flow / velocity_m_s, valve),
        flow_per_bore_area_m_s=None if bore_m is None else _floats(flow / circle_area(bore_m)),
        flow_per_valve_area_m_s=None if valve.head_m is None else _floats(flow / circle_area(valve.head_m)),
        port_velocity_m_s=None if valve.port_area_m2 is None else _floats(flow / valve.port_area_m2),
    )


def _coefficients(
    lifts: NDArray[np.float64], effective: NDArray[np.float64], valve: ValveGeometry
) -> Coefficients | None:
    """Return the coefficients at every open lift, or None where no area is known."""
    # A shut valve has no curtain and no seat passage to compare with.
    open_ = lifts > 0
    lifts, effective = lifts[open_], effective[open_]
    throat, least = known_throat_area(valve), minimum_area(lifts, valve)
    if valve.head_m is None and throat is None:
        return None
    return Coefficients(
        lifts_m=_floats(lifts),
        curtain=None if valve.head_m is None else _floats(effective / curtain_area(lifts, valve.head_m)),
        throat=None if throat is None else _floats(effective / throat),
        valve=None if valve.head_m is None else _floats(effective / circle_area(valve.head_m)),
        minimum=None if least is None else _floats(effective / least),
    )


def largest_possible_area(lifts_m: NDArray[np.float64], valve: ValveGeometry) -> NDArray[np.float64] | None:
    """Return the area that no effective area can exceed [m²], as far as the valve is known.

    Parameters
    ----------
    lifts_m : array
        Lifts [m].
    valve : ValveGeometry

    Returns
    -------
    array or None
        The minimum area; the throat's where only that is known; None without either.

    Examples
    --------
    >>> largest_possible_area(np.array([0.01]), ValveGeometry()) is None
    True
    """
    least, throat = minimum_area(lifts_m, valve), known_throat_area(valve)
    if least is None and throat is not None:
        return np.full(lifts_m.shape, throat)
    return least


def _floats(values: NDArray[np.float64]) -> Floats:
    """Turn an array into plain numbers."""
    return tuple(values.tolist())


_OF_SHEETS = tuple(row for row in section("valves").values() if row.condition)
_CONDITION_OF = {row.attribute: row.condition for row in _OF_SHEETS}
"""Which condition of a test is which field of the valve's geometry."""
LABELS = {row.attribute: field_of("conditions", row.condition).words for row in _OF_SHEETS}
"""Dimension to its label on a sheet."""
DECLARED_BY = {
    "head_m": ("valve",),
    "stem_m": ("valve",),
    "throat_m": ("throat", "seat", "port"),
    "seat_angle_deg": ("valve", "seat"),
    "seat_width_m": ("valve", "seat"),
}
"""Dimension to the beginnings of the names of factors that declare its change."""


def valve_of(variant: Variant, side: Side) -> ValveGeometry:
    """Return the valve of a variant on a side, from the variant and from its sheets.

    Parameters
    ----------
    variant : Variant
    side : {"intake", "exhaust"}

    Returns
    -------
    ValveGeometry
        What the job states counts, filled up with what the sheets say; None where neither does,
        and where sheets contradict each other (see `valve_contradictions`).

    Examples
    --------
    >>> valve_of(Variant("as received", valves={"intake": ValveGeometry(head_m=0.038)}), "intake").head_m
    0.038
    """
    known = {}
    for item in fields(ValveGeometry):
        job = in_job(variant, side, item.name)
        known[item.name] = job if job is not None else on_sheets(variant, side, item.name)
    return ValveGeometry(**known)


def valve_contradictions(variant: Variant, side: Side) -> tuple[Finding, ...]:
    """Return an error finding for each dimension of the valve that is given twice and differently.

    Parameters
    ----------
    variant : Variant
    side : {"intake", "exhaust"}

    Examples
    --------
    >>> valve_contradictions(Variant("as received"), "intake")
    ()
    """
    found = []
    for name, label in LABELS.items():
        said = _said(variant, side, name)
        other = next((item for item in said if not _same(said[0][0], item[0])), None)
        if other is None or in_job(variant, side, name) is not None:
            continue
        found.append(
            Finding(
                "valve-contradiction",
                "error",
                other[1],
                f"The {side} {label} of {variant.name!r} is {_written(name, said[0][0])} in {said[0][1]} and "
                f"{_written(name, other[0])} in {other[1]}, so areas and coefficients that need it are left out; state "
                "the right one in the job, or give each state of the head a variant of its own.",
            )
        )
    return tuple(found)


def geometry_differs(variant: Variant, side: Side) -> tuple[Finding, ...]:
    """Return a warning for each dimension that a sheet gives otherwise than the job (rule ``geometry-differs``)."""
    found = []
    for name, label in LABELS.items():
        job = in_job(variant, side, name)
        other = next((item for item in _said(variant, side, name) if job is not None and not _same(job, item[0])), None)
        if job is not None and other is not None:
            found.append(
                Finding(
                    "geometry-differs",
                    "warning",
                    other[1],
                    f"The {side} {label} of {variant.name!r} is {_written(name, job)} in the job but "
                    f"{_written(name, other[0])} on the sheet. The job's value was used; correct the job if the sheet "
                    "is right.",
                )
            )
    return tuple(found)


def geometry_changes(before: Variant, after: Variant, side: Side, changed: Sequence[str]) -> dict[str, str]:
    """Return label and words of each dimension that differs between two states without being declared changed."""
    found = {}
    for name, label in LABELS.items():
        pairs = []
        for variant in (before, after):
            job, sheet = in_job(variant, side, name), on_sheets(variant, side, name)
            value = sheet if sheet is not None else job
            pairs.append((value, job is not None and value is not None and _same(job, value)))
        (one, first), (other, second) = pairs
        declared = any(factor.casefold().startswith(DECLARED_BY[name]) for factor in changed)
        if one is None or other is None or _same(one, other) or (first and second) or declared:
            continue
        found[label] = f"{label} {_written(name, one)} against {_written(name, other)}"
    return found


def in_job(variant: Variant, side: Side, name: str) -> float | None:
    """Return a dimension as the job states it."""
    stated = variant.valves.get(side)
    return None if stated is None else getattr(stated, name)


def on_sheets(variant: Variant, side: Side, name: str) -> float | None:
    """Return a dimension as the sheets state it; None where they contradict each other."""
    values = [value for value, _ in _said(variant, side, name)]
    return values[0] if values and all(_same(values[0], value) for value in values) else None


def _said(variant: Variant, side: Side, name: str) -> list[tuple[float, str]]:
    """Return every value that sheets give for a dimension, with the test."""
    values = [
        (getattr(test.conditions, _CONDITION_OF[name]), test.id)
        for test in (variant.corrected if name in _CONDITION_OF else ())
        if test.side == side
    ]
    return [(value, where) for value, where in values if value is not None]


def _same(one: float, other: float) -> bool:
    """Tell whether two dimensions are one: within 1 µm, or a millionth for angles."""
    return abs(one - other) <= max(SAME_LIFT_M, 1e-6 * abs(one))


def _written(name: str, value: float) -> str:
    """Write a dimension."""
    return f"{value:g}°" if name.endswith("deg") else f"{value * 1e3:g} mm"
