"""The valve of a variant, from the job and from the sheets."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields

from flowkit.analysis.lifts import SAME_LIFT_M
from flowkit.model import Finding, Side, ValveGeometry, Variant

__all__ = ["valve_contradictions", "valve_of"]

_CONDITION_OF = {
    "head_m": "valve_diameter_m",
    "stem_m": "stem_diameter_m",
    "throat_m": "throat_diameter_m",
    "seat_angle_deg": "seat_angle_deg",
    "seat_width_m": "seat_width_m",
}
"""Which condition of a test speaks of which field of the valve's geometry."""


def valve_of(variant: Variant, side: Side) -> ValveGeometry:
    """Return the valve of a variant on a side, from the variant and from its sheets.

    Parameters
    ----------
    variant : Variant
    side : {"intake", "exhaust"}

    Returns
    -------
    ValveGeometry
        What the variant states, filled up with what its sheets say; None where neither does,
        and where they contradict each other (see `valve_contradictions`).

    Examples
    --------
    >>> valve_of(Variant("as received", valves={"intake": ValveGeometry(head_m=0.038)}), "intake").head_m
    0.038
    """
    known = {}
    for item in fields(ValveGeometry):
        values = [value for value, _ in _said(variant, side, item.name)]
        known[item.name] = values[0] if values and all(_same(values[0], value) for value in values) else None
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
    for name in _CONDITION_OF:
        said = list(_said(variant, side, name))
        other = next((item for item in said if not _same(said[0][0], item[0])), None)
        if other is None:
            continue
        words = name.rsplit("_", 1)[0].replace("_", " ")
        scale, unit = (1.0, "°") if name.endswith("deg") else (1e3, " mm")
        found.append(
            Finding(
                "valve-contradiction",
                "error",
                other[1],
                f"The {side} valve's {words} of {variant.name!r} is {said[0][0] * scale:g}{unit} in {said[0][1]} and "
                f"{other[0] * scale:g}{unit} in {other[1]}, so areas and coefficients that need it are left out; make "
                "them agree, or give each state of the head a variant of its own.",
            )
        )
    return tuple(found)


def _said(variant: Variant, side: Side, name: str) -> Iterator[tuple[float, str]]:
    """Yield every value given for a dimension, with who gives it."""
    stated = variant.valves.get(side)
    value = getattr(stated, name) if stated is not None else None
    if value is not None:
        yield value, "the job"
    for test in variant.corrected if name in _CONDITION_OF else ():
        value = getattr(test.conditions, _CONDITION_OF[name]) if test.side == side else None
        if value is not None:
            yield value, test.id


def _same(one: float, other: float) -> bool:
    """Tell whether two dimensions are one: within 1 µm, or a millionth for angles."""
    return abs(one - other) <= max(SAME_LIFT_M, 1e-6 * abs(one))
