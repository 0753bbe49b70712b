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
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.lifts import SAME_LIFT_M
from flowkit.fields import field_of, section
from flowkit.model import Finding, Side, ValveGeometry, Variant

__all__ = ["Coefficients", "circle_area", "curtain_area", "minimum_area", "seat_area", "takeover_lift", "throat_area"]

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
    """Return the area past the stem in the throat [m²], or None where it is not known or cannot be."""
    if valve.throat_m is None or valve.stem_m is None or valve.throat_m <= valve.stem_m:
        return None
    return throat_area(valve.throat_m, valve.stem_m)


def impossible_dimensions(valve: ValveGeometry) -> str | None:
    """Return in words why the dimensions of a valve cannot be, or None where they can.

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


def area_figures(
    lifts_m: Sequence[float],
    flow_m3_s: Sequence[float],
    valve: ValveGeometry,
    velocity_m_s: float,
    bore_m: float | None,
) -> dict[str, Any]:
    """Return everything that relates the flows of a variant to its areas, by the names of `VariantFlow`.

    Effective area ``A_eff = Q/V`` with the reference velocity V; mean port velocity ``Q/A_port``. None where an area
    is not known.

    Examples
    --------
    >>> figures = area_figures((0.01,), (0.05,), ValveGeometry(head_m=0.038), 107.6, None)
    >>> round(figures["coefficients"].curtain[0], 3), figures["coefficients"].minimum is None
    (0.389, True)
    """
    flow, lifts = np.asarray(flow_m3_s), np.asarray(lifts_m)
    effective, least, throat = flow / velocity_m_s, minimum_area(lifts, valve), known_throat_area(valve)
    whole = None if valve.head_m is None else circle_area(valve.head_m)

    def over(values: Array, area: Array | float | None) -> tuple[float, ...] | None:
        """Divide by an area, where it is known."""
        return None if area is None else tuple((values / area).tolist())

    # A shut valve has no curtain and no seat passage to compare with.
    opened = lifts > 0
    coefficients = None
    if whole is not None or throat is not None:
        coefficients = Coefficients(
            lifts_m=tuple(lifts[opened].tolist()),
            curtain=None
            if valve.head_m is None
            else over(effective[opened], curtain_area(lifts[opened], valve.head_m)),
            throat=over(effective[opened], throat),
            valve=over(effective[opened], whole),
            minimum=over(effective[opened], None if least is None else least[opened]),
        )
    return {
        "effective_area_m2": tuple(effective.tolist()),
        "minimum_area_m2": None if least is None else tuple(least.tolist()),
        "coefficients": coefficients,
        "takeover_lift_m": takeover_lift(valve),
        "flow_per_bore_area_m_s": over(flow, None if bore_m is None else circle_area(bore_m)),
        "flow_per_valve_area_m_s": over(flow, whole),
        "port_velocity_m_s": over(flow, valve.port_area_m2),
    }


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
    """Return the valve of a variant on a side: what the job states, filled up with what the sheets say.

    None where neither does, and where sheets contradict each other (see `valve_findings`).

    Examples
    --------
    >>> valve_of(Variant("as received", valves={"intake": ValveGeometry(head_m=0.038)}), "intake").head_m
    0.038
    """
    known = {}
    for item in fields(ValveGeometry):
        job, sheet = _known(variant, side, item.name)
        known[item.name] = job if job is not None else sheet
    return ValveGeometry(**known)


def valve_findings(variant: Variant, side: Side) -> list[Finding]:
    """Return what is doubtful about the dimensions of a valve.

    An error for each that sheets give twice and differently (rule ``valve-contradiction``), a warning for each that a
    sheet gives otherwise than the job (rule ``geometry-differs``).
    """
    contradicted, differing = [], []
    for name, label in LABELS.items():
        said, job = _said(variant, side, name), _known(variant, side, name)[0]
        first = (job, "") if job is not None else said[0] if said else (0.0, "")
        other = next((item for item in said if not _same(first[0], item[0])), None)
        if other is None:
            continue
        dimension = f"The {side} {label} of {variant.name!r} is {_written(name, first[0])} in"
        if job is not None:
            message = (
                f"{dimension} the job but {_written(name, other[0])} on the sheet. The job's value was used; correct "
                "the job if the sheet is right."
            )
            differing.append(Finding("geometry-differs", "warning", other[1], message))
        else:
            message = (
                f"{dimension} {first[1]} and {_written(name, other[0])} in {other[1]}, so areas and coefficients that "
                "need it are left out; state the right one in the job, or give each state of the head a variant of its "
                "own."
            )
            contradicted.append(Finding("valve-contradiction", "error", other[1], message))
    return contradicted + differing


def geometry_changes(before: Variant, after: Variant, side: Side, changed: Sequence[str]) -> dict[str, str]:
    """Return label and words of each dimension that differs between two states without being declared changed."""
    found = {}
    for name, label in LABELS.items():
        (job, sheet), (job_after, sheet_after) = (_known(variant, side, name) for variant in (before, after))
        one, other = (sheet if sheet is not None else job), (sheet_after if sheet_after is not None else job_after)
        if one is None or other is None or _same(one, other):
            continue
        # where both are what the job states, the job declares the change
        declared = any(factor.casefold().startswith(DECLARED_BY[name]) for factor in changed)
        stated = job is not None and job_after is not None and _same(job, one) and _same(job_after, other)
        if not (declared or stated):
            found[label] = f"{label} {_written(name, one)} against {_written(name, other)}"
    return found


def _known(variant: Variant, side: Side, name: str) -> tuple[float | None, float | None]:
    """Return a dimension as the job states it, and as the sheets do: None where they contradict each other."""
    stated, values = variant.valves.get(side), [value for value, _ in _said(variant, side, name)]
    agreed = values[0] if values and all(_same(values[0], value) for value in values) else None
    return (None if stated is None else getattr(stated, name)), agreed


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
