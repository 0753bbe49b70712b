"""Flow of a geometry that was not on the bench, from the measured coefficients."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from flowkit.analysis.areas import impossible_dimensions, minimum_area
from flowkit.analysis.results import VariantFlow
from flowkit.corrections.bore import shrouded_area, unshrouded_area
from flowkit.errors import CorrectionError, EngineError
from flowkit.model import Side, ValveGeometry

__all__ = ["VALVE_DIMENSIONS", "other_bore", "other_valve"]

VALVE_DIMENSIONS: dict[str, str] = {
    "head": "head_m",
    "stem": "stem_m",
    "throat": "throat_m",
    "seat_angle": "seat_angle_deg",
    "seat_width": "seat_width_m",
}
"""A valve's dimensions by their names in a job file."""


def other_valve(
    flow: VariantFlow, old: ValveGeometry, new: ValveGeometry, side: Side, *, bore_m: float | None = None
) -> VariantFlow:
    """Predict the flow with another valve, seat or throat.

    Measured coefficient on the minimum area × minimum area of the new geometry (Heywood 1988,
    eqs 6.7-6.9), at the same lift over valve diameter.

    Parameters
    ----------
    flow : VariantFlow
        As measured.
    old, new : ValveGeometry
        On the bench, and in the prediction.
    side : {"intake", "exhaust"}
        For messages.
    bore_m : float, optional
        The bore the valve opens into, which it must not touch [m].

    Returns
    -------
    VariantFlow
        With its lifts, flows and effective areas; coefficients, ports and bands as measured.

    Raises
    ------
    EngineError
        If a dimension is not known or the new geometry is impossible.
    """
    problem = impossible_dimensions(new)
    if problem is not None:
        raise EngineError(f"the changed {side} valve cannot be: {problem}", "check its dimensions")
    if bore_m is not None and new.head_m is not None:
        _refuse_touching(new.head_m, bore_m, new.offset_m or 0.0, side)
    lifts = np.asarray(flow.lifts_m)
    stretch = 1.0
    if old.head_m is not None and new.head_m is not None:
        stretch = new.head_m / old.head_m
    before, after = minimum_area(lifts, old), minimum_area(lifts * stretch, new)
    if before is None or after is None:
        raise EngineError(
            f"the {side} valve's head, stem, throat, seat angle and seat width must all be known for a prediction",
            f"add what is missing to [valves.{side}] in the job",
        )
    factor = after / before
    return replace(
        flow,
        lifts_m=tuple((lifts * stretch).tolist()),
        flow_m3_s=tuple((np.asarray(flow.flow_m3_s) * factor).tolist()),
        effective_area_m2=tuple((np.asarray(flow.effective_area_m2) * factor).tolist()),
        minimum_area_m2=tuple(after.tolist()),
    )


def _refuse_touching(head_m: float, bore_m: float, offset_m: float, side: Side) -> None:
    """Refuse a valve that would touch the wall of the bore it opens into."""
    try:
        shrouded_area(0.0, bore_m, head_m, offset_m)
    except CorrectionError as error:
        raise EngineError(f"the changed {side} valve cannot be: {error.problem}", error.remedy) from error


def other_bore(flow: VariantFlow, valve: ValveGeometry, old_m: float, new_m: float, side: Side) -> VariantFlow:
    """Predict the flow with another bore round the valve.

    The shrouding model of the bore correction: the head without a bore in series with the gap
    between valve and wall, see `flowkit.corrections.bore.shrouded_area` (model).

    Parameters
    ----------
    flow : VariantFlow
        In the old bore.
    valve : ValveGeometry
        For its head, and its offset from the bore's axis (on the axis where not known).
    old_m, new_m : float
        Bores [m].
    side : {"intake", "exhaust"}
        For messages.

    Returns
    -------
    VariantFlow

    Raises
    ------
    EngineError
        If the valve's head is not known, or the valve would touch the wall.
    """
    if valve.head_m is None:
        raise EngineError(
            f"the {side} valve's head must be known to predict another bore", f"add head to [valves.{side}] in the job"
        )
    offset = valve.offset_m or 0.0
    try:
        factor = np.array(
            [
                shrouded_area(unshrouded_area(area, old_m, valve.head_m, offset), new_m, valve.head_m, offset) / area
                for area in flow.effective_area_m2
            ]
        )
    except CorrectionError as error:
        raise EngineError(f"the {side} in a bore of {new_m * 1e3:g} mm: {error.problem}", error.remedy) from error
    return replace(
        flow,
        flow_m3_s=tuple((np.asarray(flow.flow_m3_s) * factor).tolist()),
        effective_area_m2=tuple((np.asarray(flow.effective_area_m2) * factor).tolist()),
    )
