"""From a comparison of flows to what it means for each variant's engine, and to a geometry that was not flowed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from flowkit.analysis.areas import impossible_dimensions, minimum_area
from flowkit.analysis.lifts import SAME_LIFT_M
from flowkit.analysis.results import Comparison
from flowkit.corrections.bore import shrouded_area, unshrouded_area
from flowkit.engine import sentences as say
from flowkit.engine.cam import Cam
from flowkit.engine.data import EngineData
from flowkit.engine.figures import (
    HIGHEST_UNSTATED_RATIO,
    Case,
    LiftedCurve,
    PortCurves,
    Progress,
    cam_gains,
    differences_between,
    evaluate,
)
from flowkit.engine.results import CamGain, EngineResult, EngineVariant
from flowkit.errors import CorrectionError, EngineError, UnitError
from flowkit.fields import nearest, section
from flowkit.model import SIDES, Finding, Reference, Side, ValveGeometry
from flowkit.units import parse_quantity
from flowkit.wording import by_value

_PEAKS: dict[Side, tuple[float, float]] = {"intake": (360.0, 560.0), "exhaust": (160.0, 360.0)}
_FASTEST_STATED_RPM = 7000.0
_TIGHT_M = 1e-3
_BORES_DIFFER = 0.01
_LOWEST_RATIO, _THROTTLED_PA = 5.0, 0.9e5
_OPEN_DEG = (190.0, 430.0)
"""A valve's whole open period, ramps included (common practice, no source)."""
_USUAL = (
    ("a bore", "bore_m", 0.02, 0.3, 1e-3, "mm", "is unusual for a cylinder"),
    ("a stroke", "stroke_m", 0.02, 0.4, 1e-3, "mm", "is unusual for a cylinder"),
    ("an intake temperature", "intake_temperature_k", 230.0, 390.0, 1.0, "K", "is unusual for intake air"),
    ("an exhaust temperature", "exhaust_temperature_k", 500.0, 1500.0, 1.0, "K", "is unusual for exhaust gas"),
    ("an air-fuel ratio", "air_fuel_ratio", 8.0, 25.0, 1.0, "to 1", "does not burn in a petrol engine"),
    ("a slowest speed", "slowest", 200.0, 3e4, 1.0, "rpm", "is too slow for a running engine"),
    ("a fastest speed", "fastest", 200.0, 3e4, 1.0, "rpm", "is too fast for a usual engine"),
)
"""What an engine's inputs usually are: in words, the attribute, limits, the unit shown and its size, what is wrong."""


@dataclass(frozen=True)
class VariantEngine:
    """The engine of one variant, with the bore its flows were brought to and what was noticed when it was read."""

    engine: EngineData
    cams: Mapping[Side, Cam]
    valves: Mapping[Side, ValveGeometry] = field(default_factory=dict)
    state: Mapping[Side, Mapping[str, str]] = field(default_factory=dict)
    bore_m: float | None = None
    findings: tuple[Finding, ...] = ()


def run_engine(
    comparison: Comparison,
    engine: EngineData,
    cams: Mapping[Side, Cam],
    *,
    reference: Reference,
    valves: Mapping[str, Mapping[Side, ValveGeometry]] | None = None,
    own: Mapping[str, VariantEngine] | None = None,
    progress: Progress | None = None,
) -> EngineResult:
    """Carry measured flows into the engine of each variant: its own, or the common one.

    Cam-weighted mean flow with its gains, mean inlet Mach index, filling model, brake estimate and air-limited
    power, as far as each variant's sides, cams and measured lifts allow; what cannot be made is a
    finding. Differences between variants are the headline, absolute figures are estimates.
    """
    cases: list[Case] = []
    read: list[Finding] = []
    for name in variant_names(comparison):
        mine = (own or {}).get(name) or VariantEngine(engine, cams, (valves or {}).get(name, {}))
        check_cams(mine.cams)
        cases.append(case_of(comparison, name, mine))
        read += mine.findings
    variants = evaluate(cases, progress)
    sides = [(side, comparison.sides[side]) for side in SIDES if side in comparison.sides]
    gains = [gain for side, compared in sides for gain in cam_gains(side, compared, cases)]
    return result_of(cases, variants, tuple(gains), read=read, reference=reference)


def result_of(
    cases: Sequence[Case],
    variants: tuple[EngineVariant, ...],
    gains: tuple[CamGain, ...],
    *,
    read: Sequence[Finding],
    reference: Reference,
    prediction: str | None = None,
) -> EngineResult:
    """Put what was found together, with what is doubtful and what it comes to in words."""
    differences, notes = differences_between(cases, variants)
    not_firing = [
        Finding("not-firing", "warning", variant.name, say.not_firing_words(variant.filling))
        for variant in variants
        if variant.filling is not None and variant.filling.not_firing
    ]
    assumptions = []
    assumed = cases[-1:] if prediction else cases
    for items in zip(*(case.engine.assumptions() for case in assumed), strict=True):
        values = {case.name: item.value for case, item in zip(assumed, items, strict=True)}
        value = by_value(values) if len({item.value for item in items}) > 1 else items[-1].value
        stated = [item for item in items if item.source == "stated"]
        assumptions.append(replace((stated or items)[-1], value=value))
    return EngineResult(
        variants=variants,
        findings=_said_once((*read, *engine_findings(cases), *not_firing, *notes)),
        cam_weighted_gains=gains,
        differences=differences,
        sentences=say.engine_sentences(variants, gains, differences),
        assumptions=tuple(assumptions),
        model_notes=(*say.model_notes(cases[-1].engine, reference), *([] if prediction else _cam_lines(cases))),
        no_wave_effects=say.NO_WAVE_EFFECTS,
        cautions=say.cautions_for(cases[0], cases[-1], variants[0], variants[-1]),
        prediction=prediction,
    )


def case_of(comparison: Comparison, name: str, own: VariantEngine) -> Case:
    """Return a variant's curves in its engine, of each side that it was tested on."""
    flows = {
        side: variant
        for side, compared in comparison.sides.items()
        for variant in compared.variants
        if variant.name == name
    }
    curves = {side: PortCurves.of(flow) for side, flow in flows.items()}
    return Case(name, own.engine, own.cams, flows, curves, own.valves, own.state, own.bore_m)


def variant_names(comparison: Comparison) -> list[str]:
    """Return the names of all variants in the job's order, whichever side they were tested on."""
    names: list[str] = []
    for side in SIDES:
        # A variant the other side lacks goes behind the one it follows here.
        index = 0
        for variant in comparison.sides[side].variants if side in comparison.sides else ():
            if variant.name not in names:
                names.insert(index, variant.name)
            index = names.index(variant.name) + 1
    return names


def check_cams(cams: Mapping[Side, Cam]) -> None:
    """Refuse a cam whose largest lift lies in the other side's stroke."""
    for side, cam in cams.items():
        opens, closes = cam.open_period
        low, high = _PEAKS[side]
        if not low < (opens + closes) / 2 < high:
            raise EngineError(
                f"[cam.{side}]: the {say.cam_called(side, cam)} is open from {opens:.0f}° to {closes:.0f}° of crank "
                f"after firing dead centre, which is not an {side} stroke",
                "check whether the two cams are swapped, and where the table's zero is",
            )


def _cam_lines(cases: Sequence[Case]) -> list[str]:
    """Describe the cams: period, lift, and lift over the valve's diameter where that is known."""
    lines: dict[str, list[str]] = {}
    for case in cases:
        for side, cam in case.cams.items():
            head = case.valves[side].head_m if side in case.valves else None
            over = f", {cam.peak_lift_m / head:.3f} of the valve's diameter" if head else ""
            kind = "a smooth polynomial through its timing (model)" if cam.polynomial is not None else "measured"
            called = say.cam_called(side, cam)
            text = f"{called[0].upper()}{called[1:]}: {kind}, {say.cam_lifts(cam)}{over}."
            lines.setdefault(text, []).append(case.name)
    several = len(lines) > len(SIDES)
    return [f"{', '.join(names)}: {text}" if several else text for text, names in lines.items()]


# --- what is doubtful ---------------------------------------------------------------------------


def engine_findings(cases: Sequence[Case]) -> tuple[Finding, ...]:
    """Return what is doubtful before anything is computed."""
    found = []
    for side in SIDES:
        without = [case.name for case in cases if side not in case.cams]
        if without:
            where = f"[cam.{side}]" if len(without) == len(cases) else "; ".join(without)
            words = f"The {side} has no cam, so its figures and the filling are not made; add [cam.{side}]."
            found.append(Finding("cam-missing", "warning", where, words))
        without = [case.name for case in cases if side not in case.flows]
        if without:
            words = f"The {side} was not tested, so its figures and the filling are not made; the rest is."
            found.append(Finding("side-untested", "warning", "; ".join(without), words))
    for side in SIDES:
        found += _coverage(side, [case for case in cases if side in case.cams and side in case.curves])
    for case in cases:
        for side, cam in case.cams.items():
            where = f"[cam.{side}]"
            for note in cam.notes:
                words = f"{note[0].upper()}{note[1:]}; state it to be certain."
                found.append(Finding("unit-assumed", "note", where, words))
            for note in cam.timing_notes:
                found.append(Finding("timing-sign", "note", where, f"{note}; write it so to be certain."))
        found += ignition_finding(case)
        found += _friction(case)
        found += _valves(case)
        if case.bore_m is not None and abs(case.bore_m / case.engine.bore_m - 1) > _BORES_DIFFER:
            words = (
                f"The flows were brought to a bore of {case.bore_m * 1e3:.2f} mm and the engine's is "
                f"{case.engine.bore_m * 1e3:.2f} mm: state the variant's own [variant.reference] bore, or correct one."
            )
            found.append(Finding("geometry-differs", "warning", case.name, words))
        found += _doubts(case)
    return tuple(dict.fromkeys(found))


def _said_once(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Say once what holds of several variants."""
    places: dict[Finding, list[str]] = {}
    for finding in findings:
        key = finding if finding.rule == "short-of-cam" else replace(finding, where="")
        places.setdefault(key, []).append(finding.where)
    return tuple(replace(finding, where="; ".join(dict.fromkeys(where))) for finding, where in places.items())


def _coverage(side: Side, cases: Sequence[Case]) -> list[Finding]:
    """Compare the measured lifts with the cams."""

    def both(lift_m: float) -> str:
        """Write a lift in both units."""
        return f"{lift_m * 1e3:.2f} mm ({lift_m / 0.0254:.3f} in)"

    found, beyond = [], []
    for case in cases:
        top, peak = case.curves[side].highest_m, case.cams[side].peak_lift_m
        if not case.reaches(side):
            words = (
                f"The flow of every port {'is predicted' if case.predicted else 'was measured'} up to {both(top)} and "
                f"its cam lifts to {both(peak)}. Curves are never extended beyond what was measured, so this state has "
                "no engine figures for that side and no filling. Flow it up to the cam's lift."
            )
            found.append(Finding("short-of-cam", "error", f"{case.name}, {side}", words))
        elif not case.predicted and top > peak + SAME_LIFT_M:
            beyond.append((top, peak))
    if beyond:
        top, peak = (max(lifts) for lifts in zip(*beyond, strict=True))
        words = (
            f"The {side} was flowed up to {both(top)} and its cam lifts to {both(peak)}. The engine never uses the "
            "flow above the cam's lift."
        )
        found.append(Finding("beyond-cam", "note", f"[cam.{side}]", words))
    return found


def ignition_finding(case: Case) -> list[Finding]:
    """Ask for spark ignition to be stated where the ratio is a diesel's."""
    if case.inside_model:
        return []
    words = (
        f"A compression ratio of {case.engine.compression_ratio:g} is above {HIGHEST_UNSTATED_RATIO:g}: the model "
        'burns petrol by spark, so no engine figures are made. State ignition = "spark" in [engine] if it '
        "really does; for a diesel leave [engine] out."
    )
    return [Finding("ignition-unstated", "error", case.name, words)]


def _friction(case: Case) -> list[Finding]:
    """Say where the friction correlation is used beyond its speeds."""
    if "friction_pa" in (case.engine.stated or ()) or max(case.engine.speeds_rpm) <= _FASTEST_STATED_RPM:
        return []
    words = (
        f"Friction comes from engines of 0.85 to 2 litres up to about 6000 rpm; above {_FASTEST_STATED_RPM:.0f} rpm "
        "the formula is stretched beyond its data. State this engine's own friction in the job if you know it."
    )
    return [Finding("friction-range", "note", "[engine]", words)]


def _doubts(case: Case) -> list[Finding]:
    """Warn of inputs that are possible but no usual engine's, such as a boost written for an absolute pressure."""
    engine = case.engine
    speeds = {"slowest": min(engine.speeds_rpm), "fastest": max(engine.speeds_rpm)}
    said = []
    for name, attribute, low, high, size, unit, why in _USUAL:
        value = speeds[attribute] if attribute in speeds else getattr(engine, attribute)
        if not low <= value <= high:
            said.append(f"{name} of {value / size:.4g} {unit} {why}")
    if engine.compression_ratio < _LOWEST_RATIO:
        said.append(f"a compression ratio of {engine.compression_ratio:.3g} is below any usual petrol engine's")
    if engine.gamma != "constant" and "gamma_value" in (engine.stated or ()):
        said.append('gamma_value is not used unless gamma = "constant"')
    for side, cam in case.cams.items():
        opens, closes = cam.open_period
        if not _OPEN_DEG[0] <= closes - opens <= _OPEN_DEG[1]:
            said.append(f"the {say.cam_called(side, cam)} is open for {closes - opens:.0f}° of crank")
    found = []
    if said:
        text = "; ".join(said)
        words = f"Is this right? {text[0].upper()}{text[1:]}. Check the numbers and their units."
        found.append(Finding("engine-doubtful", "warning", case.name, words))
    if engine.intake_pressure_pa < _THROTTLED_PA:
        words = (
            f"The intake pressure is absolute: {engine.intake_pressure_pa / 1e3:.4g} kPa is a throttled engine. For a "
            "boosted one add the air's own pressure to the gauge's: 12 psi of boost are about 184 kPa."
        )
        found.append(Finding("engine-doubtful", "note", case.name, words))
    return found


def _valves(case: Case) -> list[Finding]:
    """Refuse a valve larger than its bore; warn where the pair does not fit side by side, or may touch."""
    engine, valves = case.engine, [case.valves[side] for side in SIDES if side in case.valves]
    if case.too_big:
        named = [f"{side} valve of {(case.valves[side].head_m or 0.0) * 1e3:.2f} mm" for side in case.too_big]
        do = "does" if len(named) == 1 else "do"
        words = (
            f"The {' and the '.join(named)} {do} not fit in a bore of {engine.bore_m * 1e3:.2f} mm, so no engine "
            "figures are made. Check the diameters, their units and the bore."
        )
        return [Finding("valves-do-not-fit", "error", case.name, words)]
    heads = [valve.head_m for valve in valves if valve.head_m is not None]
    offsets = [valve.offset_m for valve in valves if valve.offset_m is not None]
    if engine.intake_valves != 1 or engine.exhaust_valves != 1 or len(heads) < len(SIDES):
        return []
    sizes = f"heads of {heads[0] * 1e3:.2f} mm and {heads[1] * 1e3:.2f} mm in a bore of {engine.bore_m * 1e3:.2f} mm"
    between = engine.bore_m - sum(heads)
    if between <= 0:
        words = (
            f"The valve pair does not fit side by side: {sizes}. Check the diameters and the bore; valves at an "
            "angle to one another leave more room, which only the head itself can show."
        )
        return [Finding("valves-do-not-fit", "warning", case.name, words)]
    if len(offsets) == len(SIDES):
        between = sum(offsets) - sum(heads) / 2
    if between < 0:
        words = (
            f"The valve pair overlaps by {-between * 1e3:.2f} mm at the stated offsets: {sizes}. "
            "Check offset, head and bore."
        )
        return [Finding("valves-do-not-fit", "warning", case.name, words)]
    lifts = [float(case.cams[side].lift(360.0)) for side in SIDES if side in case.cams]
    if between >= _TIGHT_M or len(lifts) < len(SIDES) or min(lifts) <= 0:
        return []
    words = (
        f"At most {between * 1e3:.2f} mm between the valves ({sizes}), and at the dead centre of gas exchange both "
        f"are open, by {lifts[0] * 1e3:.2f} mm and {lifts[1] * 1e3:.2f} mm: check that they cannot touch."
    )
    return [Finding("valves-may-touch", "warning", case.name, words)]


# --- what if ------------------------------------------------------------------------------------

VALVE_DIMENSIONS = {
    key: section("valves")[key].attribute for key in ("head", "stem", "throat", "seat_angle", "seat_width")
}
"""A valve's dimensions that can be changed, by their names in a job file."""


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
    parts += [f"another {say.cam_called(side, cam)} ({say.cam_lifts(cam)})" for side, cam in (new_cams or {}).items()]
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
