"""Flow of a geometry that was not on the bench, from the measured coefficients."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from flowkit.analysis.areas import impossible_dimensions, minimum_area
from flowkit.analysis.lifts import SAME_LIFT_M
from flowkit.analysis.results import Comparison
from flowkit.corrections.bore import shrouded_area, unshrouded_area
from flowkit.engine.cam import Cam
from flowkit.engine.data import EngineData
from flowkit.engine.figures import Case, LiftedCurve, PortCurves, Progress, evaluate
from flowkit.engine.results import CamGain, EngineResult
from flowkit.engine.run import VariantEngine, case_of, check_cams, result_of, variant_names
from flowkit.engine.sentences import cam_called, cam_lifts
from flowkit.errors import CorrectionError, EngineError, UnitError
from flowkit.fields import nearest
from flowkit.model import SIDES, Reference, Side, ValveGeometry
from flowkit.units import parse_quantity

VALVE_DIMENSIONS: dict[str, str] = {
    "head": "head_m",
    "stem": "stem_m",
    "throat": "throat_m",
    "seat_angle": "seat_angle_deg",
    "seat_width": "seat_width_m",
}
"""A valve's dimensions by their names in a job file."""


def other_valve(
    curves: PortCurves, old: ValveGeometry, new: ValveGeometry, side: Side, *, bore_m: float | None = None
) -> PortCurves:
    """Predict the flow with another valve, seat or throat.

    Measured coefficient on the minimum area × minimum area of the new geometry (Heywood 1988,
    eqs 6.7-6.9), at the same lift over valve diameter.
    """
    problem = impossible_dimensions(new)
    if problem is not None:
        raise EngineError(f"the changed {side} valve is not possible: {problem}", "check its dimensions")
    if bore_m is not None and new.head_m is not None:
        try:
            shrouded_area(0.0, bore_m, new.head_m, new.offset_m or 0.0)
        except CorrectionError as error:  # it would touch the wall
            raise EngineError(f"the changed {side} valve is not possible: {error.problem}", error.remedy) from error
    stretch = new.head_m / old.head_m if old.head_m is not None and new.head_m is not None else 1.0
    changed = []
    for curve in curves.curves:
        lifts = np.array([lift for lift in curve.lifts_m if lift > SAME_LIFT_M])
        values = np.array(curve.values[-lifts.size :])
        before, after = minimum_area(lifts, old), minimum_area(lifts * stretch, new)
        if before is None or after is None:
            raise EngineError(
                f"the {side} valve's head, stem, throat, seat angle and seat width must all be known for a prediction",
                f"add what is missing to [valves.{side}] in the job",
            )
        changed.append(LiftedCurve(tuple((lifts * stretch).tolist()), tuple((values * after / before).tolist())))
    return PortCurves(tuple(changed))


def other_bore(
    curves: PortCurves, area_over_flow: float, valve: ValveGeometry, *, old_m: float, new_m: float, side: Side
) -> PortCurves:
    """Predict the flow with another bore round the valve.

    The shrouding model of the bore correction: the head without a bore in series with the gap
    between valve and wall, see `flowkit.corrections.bore.shrouded_area` (model).
    """
    if valve.head_m is None:
        raise EngineError(
            f"the {side} valve's head must be known to predict another bore", f"add head to [valves.{side}] in the job"
        )
    head, offset = valve.head_m, valve.offset_m or 0.0

    def moved(flow: float) -> float:
        """Return a flow in the new bore."""
        area = flow * area_over_flow
        if area <= 0:
            return flow
        return flow * shrouded_area(unshrouded_area(area, old_m, head, offset), new_m, head, offset) / area

    try:
        return PortCurves(tuple(LiftedCurve(curve.lifts_m, tuple(map(moved, curve.values))) for curve in curves.curves))
    except CorrectionError as error:
        raise EngineError(f"the {side} in a bore of {new_m * 1e3:g} mm: {error.problem}", error.remedy) from error


@dataclass(frozen=True, slots=True)
class Change:
    """One dimension of one valve to be changed."""

    side: Side
    name: str  # a key of the job file's valves: head, stem, throat, seat_angle or seat_width
    value: float  # [m] or [degrees]
    written: str  # as the user wrote it


def parse_change(text: str) -> Change:
    """Read a change such as ``"intake.stem=6mm"``."""
    side, dimension, written = split_change(text, of="valve", example="intake.stem=6mm")
    if dimension not in VALVE_DIMENSIONS:
        close = nearest(dimension, VALVE_DIMENSIONS)
        known = f"did you mean {close!r}?" if close else "known are " + ", ".join(VALVE_DIMENSIONS)
        raise EngineError(f"a valve has no dimension {dimension!r}", known)
    try:
        value = parse_quantity(written, "angle" if dimension == "seat_angle" else "length")
    except UnitError as error:
        raise EngineError(f"{text!r}: {error.problem}", error.remedy) from error
    if value <= 0:
        raise EngineError(f"{text!r}: a dimension must be above zero", "correct it")
    return Change(side, dimension, value, text.strip())


def split_change(text: str, *, of: str, example: str) -> tuple[Side, str, str]:
    """Split a change into its side, what changes there, and what it becomes."""
    name, equals, written = text.partition("=")
    side, dot, key = name.strip().partition(".")
    if not (equals and dot and key.strip() and written.strip()) or side not in ("intake", "exhaust"):
        raise EngineError(f"{text!r} does not describe a change of a {of}", f'write it like "{example}"')
    return ("intake" if side == "intake" else "exhaust"), key.strip(), written.strip()


def whatif(
    comparison: Comparison,
    engine: EngineData,
    cams: Mapping[Side, Cam],
    *,
    reference: Reference,
    valves: Mapping[str, Mapping[Side, ValveGeometry]],
    own: Mapping[str, VariantEngine] | None = None,
    changes: Sequence[Change | str] = (),
    new_cams: Mapping[Side, Cam] | None = None,
    bore_m: float | None = None,
    compression_ratio: float | None = None,
    variant: str | None = None,
    progress: Progress | None = None,
) -> EngineResult:
    """Predict what a changed valve, cam, bore or compression ratio would mean for the engine."""
    parsed = [parse_change(change) if isinstance(change, str) else change for change in changes]
    if not parsed and not new_cams and bore_m is None and compression_ratio is None:
        raise EngineError("nothing is changed", "name a valve's dimension, a cam, a bore or a compression ratio")
    names = variant_names(comparison)
    name = names[-1] if variant is None else variant
    if name not in names:
        close = nearest(name, names)
        raise EngineError(f"there is no variant {name!r}", f"did you mean {close!r}?" if close else "check its name")
    base = (own or {}).get(name) or VariantEngine(engine, cams, valves.get(name, {}))
    measured = case_of(comparison, name, base)
    predicted = predicted_case(
        measured, parsed, reference, new_cams=new_cams, bore_m=bore_m, compression_ratio=compression_ratio
    )
    check_cams(predicted.cams)
    cases = [measured, predicted]
    before, after = variants = evaluate(cases, progress)
    gains = []
    for side in SIDES:
        old, new = (getattr(item.cam_weighted_mean_flow_m3_s, side) for item in variants)
        if old is not None and new is not None:
            why = "a prediction from geometry has no measured interval"
            gains.append(CamGain(side, before.name, after.name, "step and total", new / old - 1, None, None, why))
    parts = [change.written for change in parsed]
    parts += [f"another {cam_called(side, cam)} ({cam_lifts(cam)})" for side, cam in (new_cams or {}).items()]
    ratio = measured.engine.compression_ratio
    if bore_m is not None:
        follows = "" if compression_ratio is not None else (
            f": the chamber keeps its volume, so the compression ratio goes from {ratio:.2f} to "
            f"{predicted.engine.compression_ratio:.2f}"
        )  # fmt: skip
        parts.append(f"bore {bore_m * 1e3:g} mm (stroke as before{follows})")
    if compression_ratio is not None:
        parts.append(f"compression ratio {compression_ratio:g} instead of {ratio:.4g}")
    words = (
        f"Prediction, not measured: {name!r} with {'; '.join(parts)}. Flow follows from geometry: the "
        "measured coefficient on the minimum area at the same lift over valve diameter. What a change of shape does "
        "to the coefficient itself only the bench can show."
    )
    return result_of(cases, variants, tuple(gains), read=base.findings, reference=reference, prediction=words)


def predicted_case(
    measured: Case,
    changes: Sequence[Change],
    reference: Reference,
    *,
    new_cams: Mapping[Side, Cam] | None = None,
    bore_m: float | None = None,
    compression_ratio: float | None = None,
) -> Case:
    """Return the case with what is changed."""
    curves, valves, engine = dict(measured.curves), dict(measured.valves), measured.engine
    old_bore = measured.bore_m or reference.bore_m or engine.bore_m
    if bore_m is not None:
        engine = engine.with_bore(bore_m)
    if compression_ratio is not None:
        engine = replace(engine, compression_ratio=compression_ratio, volumes=None)
    for side in SIDES:
        wanted = {change.name: change.value for change in changes if change.side == side}
        if wanted and side not in curves:
            raise EngineError(
                f"the {side} of {measured.name!r} was not tested, so a change of its valve cannot be predicted",
                "flow that side, or leave the change out",
            )
        if side not in curves:
            continue
        old = valves.get(side, ValveGeometry())
        new = replace(old, **{VALVE_DIMENSIONS[key]: value for key, value in wanted.items()})
        if wanted:
            curves[side] = other_valve(curves[side], old, new, side, bore_m=engine.bore_m)
            valves[side] = new
        if bore_m is not None:
            flow = measured.flows[side]
            per_flow = flow.effective_area_m2[-1] / flow.flow_m3_s[-1]
            curves[side] = other_bore(curves[side], per_flow, new, old_m=old_bore, new_m=bore_m, side=side)
    return replace(
        measured,
        name=f"{measured.name}, predicted",
        engine=engine,
        cams={**measured.cams, **(new_cams or {})},
        curves=curves,
        valves=valves,
        bore_m=bore_m if bore_m is not None and measured.bore_m is not None else measured.bore_m,
        predicted=True,
    )
