"""Flow of a geometry that was not on the bench, from the measured coefficients."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from flowkit.analysis.areas import impossible_dimensions, minimum_area
from flowkit.analysis.results import Comparison, VariantFlow
from flowkit.corrections.bore import shrouded_area, unshrouded_area
from flowkit.engine.cam import Cam
from flowkit.engine.data import EngineData
from flowkit.engine.figures import Case, Progress, difference_of, evaluate
from flowkit.engine.results import CamGain, EngineResult, EngineVariant
from flowkit.engine.run import check_cams, engine_findings, flows_of, variant_names
from flowkit.engine.sentences import CAUTIONS, NO_WAVE_EFFECTS, cam_called, cam_lifts, engine_sentences, model_notes
from flowkit.errors import CorrectionError, EngineError, UnitError
from flowkit.fields import nearest
from flowkit.model import Finding, Reference, Side, ValveGeometry
from flowkit.units import parse_quantity

__all__ = ["VALVE_DIMENSIONS", "Change", "other_bore", "other_valve", "parse_change", "split_change", "whatif"]

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


_SIDES: tuple[Side, Side] = ("intake", "exhaust")


@dataclass(frozen=True, slots=True)
class Change:
    """One dimension of one valve to be changed.

    Attributes
    ----------
    side : {"intake", "exhaust"}
    name : str
        A key of the job file's valves: head, stem, throat, seat_angle or seat_width.
    value : float
        [m] or [degrees]
    written : str
        As the user wrote it.
    """

    side: Side
    name: str
    value: float
    written: str


def parse_change(text: str) -> Change:
    """Read a change such as ``"intake.stem=6mm"``.

    Parameters
    ----------
    text : str

    Returns
    -------
    Change

    Raises
    ------
    EngineError
        If it cannot be understood.

    Examples
    --------
    >>> parse_change("intake.stem=6mm").value
    0.006
    """
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
    """Split a change into its side, what changes there, and what it becomes.

    Parameters
    ----------
    text : str
        ``side.key=value``.
    of, example : str
        What is changed and how that is written, for the message.

    Returns
    -------
    tuple of (side, key, value as written)

    Raises
    ------
    EngineError
        If it is not written so.

    Examples
    --------
    >>> split_change("intake.peak_lift=9.5 mm", of="cam", example="intake.peak_lift=9.5mm")
    ('intake', 'peak_lift', '9.5 mm')
    """
    name, equals, written = text.partition("=")
    side, dot, key = name.strip().partition(".")
    if not (equals and dot and key.strip() and written.strip()) or side not in ("intake", "exhaust"):
        raise EngineError(f"{text!r} is no change of a {of}", f'write it like "{example}"')
    return ("intake" if side == "intake" else "exhaust"), key.strip(), written.strip()


def whatif(
    comparison: Comparison,
    engine: EngineData,
    cams: Mapping[Side, Cam],
    *,
    reference: Reference,
    valves: Mapping[str, Mapping[Side, ValveGeometry]],
    changes: Sequence[Change | str] = (),
    new_cams: Mapping[Side, Cam] | None = None,
    bore_m: float | None = None,
    variant: str | None = None,
    progress: Progress | None = None,
) -> EngineResult:
    """Predict what a changed valve, cam or bore would mean for the engine.

    Parameters
    ----------
    comparison : Comparison
    engine : EngineData
    cams : mapping
        Side to Cam, of the engine as it is.
    reference : Reference
        The state the flows are at.
    valves : mapping
        Variant to side to valve, as it was on the bench.
    changes : sequence of Change or str
        Such as ``"intake.stem=6mm"``.
    new_cams : mapping, optional
        Side to Cam, instead of the engine's.
    bore_m : float, optional
        Another bore [m]; stroke and compression ratio stay.
    variant : str, optional
        The variant to start from; the last one unless given.
    progress : callable, optional
        Called with (cycles done, most cycles there may be).

    Returns
    -------
    EngineResult
        Two variants, the measured one and the predicted one, marked as a prediction.

    Raises
    ------
    EngineError
        If nothing is changed, or a change cannot be predicted.
    """
    parsed = [parse_change(change) if isinstance(change, str) else change for change in changes]
    if not parsed and not new_cams and bore_m is None:
        raise EngineError("nothing is changed", "name a valve's dimension, a cam or a bore")
    names = variant_names(comparison)
    name = names[-1] if variant is None else variant
    if name not in names:
        close = nearest(name, names)
        raise EngineError(f"there is no variant {name!r}", f"did you mean {close!r}?" if close else "check its name")
    all_cams = {**cams, **(new_cams or {})}
    check_cams(all_cams)
    measured = Case(name, engine, cams, flows_of(comparison, name))
    predicted = _predicted(
        measured,
        parsed,
        valves=valves.get(name, {}),
        reference=reference,
        new_cams=new_cams or {},
        bore_m=bore_m,
    )
    variants, doubts = _evaluate(measured, predicted, progress)
    difference = difference_of(variants[0], variants[1], "step and total")
    differences = () if difference is None else (difference,)
    gains = _gains(variants[0], variants[1])
    prediction = _words(name, parsed, new_cams or {}, bore_m)
    return EngineResult(
        variants=tuple(variants),
        findings=(*engine_findings([measured, predicted], all_cams), *doubts),
        cam_weighted_gains=gains,
        differences=differences,
        sentences=engine_sentences(variants, gains, differences),
        assumptions=predicted.engine.assumptions(),
        model_notes=model_notes(predicted.engine, reference),
        no_wave_effects=NO_WAVE_EFFECTS,
        cautions=CAUTIONS,
        prediction=prediction,
    )


def _evaluate(
    measured: Case, predicted: Case, progress: Progress | None
) -> tuple[tuple[EngineVariant, ...], tuple[Finding, ...]]:
    """Return both cases' figures, side by side where engine and cams are the same."""
    if measured.engine == predicted.engine and measured.cams == predicted.cams:
        return evaluate([measured, predicted], progress)
    first, second = evaluate([measured], progress), evaluate([predicted], progress)
    return (*first[0], *second[0]), (*first[1], *second[1])


def _predicted(
    measured: Case,
    changes: Sequence[Change],
    *,
    valves: Mapping[Side, ValveGeometry],
    reference: Reference,
    new_cams: Mapping[Side, Cam],
    bore_m: float | None,
) -> Case:
    """Return the case with what is changed."""
    flows = dict(measured.flows)
    name = f"{measured.name}, predicted"
    for side in _SIDES:
        wanted = {change.name: change.value for change in changes if change.side == side}
        if wanted and side not in flows:
            raise EngineError(f"the {side} of {measured.name!r} was not tested", "a change of its valve has no ground")
        if side not in flows:
            continue
        old = valves.get(side, ValveGeometry())
        new = replace(old, **{VALVE_DIMENSIONS[key]: value for key, value in wanted.items()})
        flow = flows[side]
        if wanted:
            flow = other_valve(flow, old, new, side, bore_m=bore_m or measured.engine.bore_m)
        if bore_m is not None:
            flow = other_bore(flow, new, reference.bore_m or measured.engine.bore_m, bore_m, side)
        flows[side] = replace(flow, name=name)
    engine = measured.engine if bore_m is None else replace(measured.engine, bore_m=bore_m)
    return Case(name, engine, {**measured.cams, **new_cams}, flows, predicted=True)


def _gains(before: EngineVariant, after: EngineVariant) -> tuple[CamGain, ...]:
    """Return the predicted gains in cam-weighted mean flow; a prediction has no interval."""
    gains = []
    for side in _SIDES:
        old = getattr(before.cam_weighted_mean_flow_m3_s, side)
        new = getattr(after.cam_weighted_mean_flow_m3_s, side)
        if old is not None and new is not None:
            why = "a prediction from geometry has no measured interval"
            gains.append(CamGain(side, before.name, after.name, "step and total", new / old - 1, None, None, why))
    return tuple(gains)


def _words(name: str, changes: Sequence[Change], new_cams: Mapping[Side, Cam], bore_m: float | None) -> str:
    """Say what was changed, and that it is a prediction."""
    parts = [change.written for change in changes]
    parts.extend(f"another {cam_called(side, cam)} ({cam_lifts(cam)})" for side, cam in new_cams.items())
    if bore_m is not None:
        parts.append(f"bore {bore_m * 1e3:g} mm (stroke and compression ratio as before)")
    return (
        f"Prediction, not measured: {name!r} with {'; '.join(parts)}. Flow follows from geometry: the measured "
        "coefficient on the minimum area at the same lift over valve diameter. What a change of shape does to the "
        "coefficient itself only the bench can tell."
    )
