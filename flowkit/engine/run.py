"""From a comparison of flows to what it means for each variant's engine."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from flowkit.analysis.lifts import SAME_LIFT_M
from flowkit.analysis.results import Comparison, VariantFlow
from flowkit.engine.cam import Cam
from flowkit.engine.data import EngineData
from flowkit.engine.figures import (
    HIGHEST_UNSTATED_RATIO,
    Case,
    PortCurves,
    Progress,
    cam_gains,
    differences_between,
    evaluate,
)
from flowkit.engine.results import Assumption, CamGain, EngineResult, EngineVariant
from flowkit.engine.sentences import (
    NO_WAVE_EFFECTS,
    cam_called,
    cam_lifts,
    cautions_for,
    engine_sentences,
    model_notes,
    not_firing_words,
)
from flowkit.errors import EngineError
from flowkit.model import SIDES, Finding, Reference, Side, ValveGeometry
from flowkit.wording import by_value

_PEAKS: dict[Side, tuple[float, float]] = {"intake": (360.0, 560.0), "exhaust": (160.0, 360.0)}
_FASTEST_STATED_RPM = 7000.0
_TIGHT_M = 1e-3
_BORES_DIFFER = 0.01
_LOWEST_RATIO, _THROTTLED_PA = 5.0, 0.9e5
_OPEN_DEG = (190.0, 430.0)
"""A valve's whole open period, ramps included (common practice, no source)."""


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
    """Carry measured flows into the engine of each variant.

    Cam-weighted mean flow with its gains, mean inlet Mach index, filling model, brake estimate and air-limited
    power, as far as each variant's sides, cams and measured lifts allow; what cannot be made is a
    finding. Differences between variants are the headline, absolute figures are estimates.
    """
    names = variant_names(comparison)
    engines = engines_of(names, engine, cams, valves or {}, own or {})
    for name in names:
        check_cams(engines[name].cams)
    cases = [case_of(comparison, name, engines[name]) for name in names]
    read = [finding for name in names for finding in engines[name].findings]
    variants = evaluate(cases, progress)
    return result_of(cases, variants, _all_gains(comparison, cases), read=read, reference=reference)


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
    return EngineResult(
        variants=variants,
        findings=gathered((*read, *engine_findings(cases), *outcome_findings(variants), *notes)),
        cam_weighted_gains=gains,
        differences=differences,
        sentences=engine_sentences(variants, gains, differences),
        assumptions=assumptions_of(cases[-1:] if prediction else cases),
        model_notes=(*model_notes(cases[-1].engine, reference), *([] if prediction else _cam_lines(cases))),
        no_wave_effects=NO_WAVE_EFFECTS,
        cautions=cautions_for(cases[0], cases[-1], variants[0], variants[-1]) if cases else (),
        prediction=prediction,
    )


def engines_of(
    names: Sequence[str],
    engine: EngineData,
    cams: Mapping[Side, Cam],
    valves: Mapping[str, Mapping[Side, ValveGeometry]],
    own: Mapping[str, VariantEngine],
) -> dict[str, VariantEngine]:
    """Return each variant's engine: its own, or the common one."""
    return {name: own.get(name) or VariantEngine(engine, cams, valves.get(name, {})) for name in names}


def case_of(comparison: Comparison, name: str, own: VariantEngine) -> Case:
    """Return a variant's curves in its engine."""
    flows = flows_of(comparison, name)
    curves = {side: PortCurves.of(flow) for side, flow in flows.items()}
    return Case(name, own.engine, own.cams, flows, curves, own.valves, own.state, own.bore_m)


def assumptions_of(cases: Sequence[Case]) -> tuple[Assumption, ...]:
    """Return every input of the model; where the variants differ, the value of each."""
    if not cases:
        return ()
    lists = [case.engine.assumptions() for case in cases]
    found = []
    for items in zip(*lists, strict=True):
        values = {case.name: item.value for case, item in zip(cases, items, strict=True)}
        value = items[-1].value
        if len(set(values.values())) > 1:
            value = by_value(values)
        stated = "stated" if any(item.source == "stated" for item in items) else "assumed"
        found.append(
            Assumption(items[-1].name, value, "stated" if stated == "stated" else "assumed", items[-1].meaning)
        )
    return tuple(found)


# --- what is doubtful ---------------------------------------------------------------------------


def engine_findings(cases: Sequence[Case]) -> tuple[Finding, ...]:
    """Return what is doubtful before anything is computed."""
    each = [
        finding
        for case in cases
        for finding in (
            *_cam_notes(case),
            *ignition_finding(case),
            *_friction(case),
            *(_too_big(case) or _valve_pair(case)),
            *_bores(case),
            *_doubts(case),
        )
    ]
    return tuple(dict.fromkeys((*_missing(cases), *_coverage(cases), *each)))


def gathered(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Say once what holds of several variants."""
    places: dict[Finding, list[str]] = {}
    for finding in findings:
        key = finding if finding.rule == "short-of-cam" else replace(finding, where="")
        places.setdefault(key, []).append(finding.where)
    return tuple(replace(finding, where="; ".join(dict.fromkeys(where))) for finding, where in places.items())


def outcome_findings(variants: Sequence[EngineVariant]) -> tuple[Finding, ...]:
    """Name the speeds without a steady firing cycle, one finding a variant."""
    return tuple(
        Finding("not-firing", "warning", variant.name, not_firing_words(variant.filling))
        for variant in variants
        if variant.filling is not None and variant.filling.not_firing
    )


def _missing(cases: Sequence[Case]) -> list[Finding]:
    """Say what a cam or a side that is missing leaves out."""
    found = []
    for side in SIDES:
        without_cam = [case.name for case in cases if side not in case.cams]
        if without_cam:
            where = f"[cam.{side}]" if len(without_cam) == len(cases) else "; ".join(without_cam)
            found.append(
                Finding(
                    "cam-missing",
                    "warning",
                    where,
                    f"The {side} has no cam, so its figures and the filling are not made; add [cam.{side}].",
                )
            )
        without = [case.name for case in cases if side not in case.flows]
        if without:
            found.append(
                Finding(
                    "side-untested",
                    "warning",
                    "; ".join(without),
                    f"The {side} was not tested, so its figures and the filling are not made; the rest is.",
                )
            )
    return found


def _coverage(cases: Sequence[Case]) -> list[Finding]:
    """Hold the measured lifts against the cams."""
    found = []
    for side in SIDES:
        beyond = []
        for case in cases:
            cam, curves = case.cams.get(side), case.curves.get(side)
            if cam is None or curves is None:
                continue
            top = curves.highest_m
            if not case.reaches(side):
                found.append(_short(case, side, top, cam.peak_lift_m))
            elif not case.predicted and top > cam.peak_lift_m + SAME_LIFT_M:
                beyond.append((top, case))
        if beyond:
            top, peak = max(top for top, _ in beyond), max(case.cams[side].peak_lift_m for _, case in beyond)
            found.append(
                Finding(
                    "beyond-cam",
                    "note",
                    f"[cam.{side}]",
                    f"The {side} was flowed up to {_both(top)} and its cam lifts to {_both(peak)}. The engine never "
                    "uses the flow above the cam's lift.",
                )
            )
    return found


def _both(lift_m: float) -> str:
    """Write a lift in both units."""
    return f"{lift_m * 1e3:.2f} mm ({lift_m / 0.0254:.3f} in)"


def _short(case: Case, side: Side, top_m: float, peak_m: float) -> Finding:
    """Say that a variant's flow does not reach up to the cam's lift."""
    known = "is predicted" if case.predicted else "was measured"
    return Finding(
        "short-of-cam",
        "error",
        f"{case.name}, {side}",
        f"The flow of every port {known} up to {_both(top_m)} and its cam lifts to {_both(peak_m)}. Curves are never "
        "extended beyond what was measured, so this state has no engine figures for that side and no filling. Flow it "
        "up to the cam's lift.",
    )


def _cam_notes(case: Case) -> list[Finding]:
    """Turn what was assumed or understood when the cams were read into notes."""
    found = []
    for side, cam in case.cams.items():
        found += [
            Finding("unit-assumed", "note", f"[cam.{side}]", f"{note[0].upper()}{note[1:]}; state it to be certain.")
            for note in cam.notes
        ]
        found += [
            Finding("timing-sign", "note", f"[cam.{side}]", f"{note}; write it so to be certain.")
            for note in cam.timing_notes
        ]
    return found


def ignition_finding(case: Case) -> list[Finding]:
    """Ask for spark ignition to be stated where the ratio is a diesel's."""
    if case.inside_model:
        return []
    return [
        Finding(
            "ignition-unstated",
            "error",
            case.name,
            f"A compression ratio of {case.engine.compression_ratio:g} is above {HIGHEST_UNSTATED_RATIO:g}: the model "
            'burns petrol by spark, so no engine figures are made. State ignition = "spark" in [engine] if it '
            "really does; for a diesel leave [engine] out.",
        )
    ]


def _friction(case: Case) -> list[Finding]:
    """Say where the friction correlation is used beyond its speeds."""
    stated = case.engine.stated is not None and "friction_pa" in case.engine.stated
    if stated or max(case.engine.speeds_rpm) <= _FASTEST_STATED_RPM:
        return []
    return [
        Finding(
            "friction-range",
            "note",
            "[engine]",
            f"Friction comes from engines of 0.85 to 2 litres up to about 6000 rpm; above "
            f"{_FASTEST_STATED_RPM:.0f} rpm the formula is stretched beyond its data. State this engine's own "
            "friction in the job if you know it.",
        )
    ]


def _doubts(case: Case) -> list[Finding]:
    """Warn of inputs that are possible but no usual engine's, such as a boost written for an absolute pressure."""
    engine = case.engine
    said = [
        f"{name} of {value / per:.4g} {unit} {why}"
        for name, value, (low, high), per, unit, why in (
            ("a bore", engine.bore_m, (0.02, 0.3), 1e-3, "mm", "is unusual for a cylinder"),
            ("a stroke", engine.stroke_m, (0.02, 0.4), 1e-3, "mm", "is unusual for a cylinder"),
            (
                "an intake temperature",
                engine.intake_temperature_k,
                (230.0, 390.0),
                1.0,
                "K",
                "is unusual for intake air",
            ),
            (
                "an exhaust temperature",
                engine.exhaust_temperature_k,
                (500.0, 1500.0),
                1.0,
                "K",
                "is unusual for exhaust gas",
            ),
            ("an air-fuel ratio", engine.air_fuel_ratio, (8.0, 25.0), 1.0, "to 1", "does not burn in a petrol engine"),
            ("a slowest speed", min(engine.speeds_rpm), (200.0, 3e4), 1.0, "rpm", "is too slow for a running engine"),
            ("a fastest speed", max(engine.speeds_rpm), (200.0, 3e4), 1.0, "rpm", "is too fast for a usual engine"),
        )
        if not low <= value <= high
    ]
    if engine.compression_ratio < _LOWEST_RATIO:
        said.append(f"a compression ratio of {engine.compression_ratio:.3g} is below any usual petrol engine's")
    if engine.gamma != "constant" and engine.stated is not None and "gamma_value" in engine.stated:
        said.append('gamma_value is not used unless gamma = "constant"')
    for side, cam in case.cams.items():
        opens, closes = cam.open_period
        if not _OPEN_DEG[0] <= closes - opens <= _OPEN_DEG[1]:
            said.append(f"the {cam_called(side, cam)} is open for {closes - opens:.0f}° of crank")
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


def _too_big(case: Case) -> list[Finding]:
    """Refuse a valve larger than its bore."""
    if not case.too_big:
        return []
    valves = " and ".join(f"{side} valve of {(case.valves[side].head_m or 0.0) * 1e3:.2f} mm" for side in case.too_big)
    words = (
        f"An {valves} does not fit in a bore of {case.engine.bore_m * 1e3:.2f} mm, so no engine figures are made. "
        "Check the diameters, their units and the bore."
    )
    return [Finding("valves-do-not-fit", "error", case.name, words)]


def _valve_pair(case: Case) -> list[Finding]:
    """Warn where intake and exhaust valve do not fit the bore side by side, or may touch in the overlap."""
    engine, valves = case.engine, [case.valves.get(side) for side in SIDES]
    heads = [valve.head_m for valve in valves if valve is not None and valve.head_m is not None]
    if engine.intake_valves != 1 or engine.exhaust_valves != 1 or len(heads) < len(SIDES):
        return []
    words = f"heads of {heads[0] * 1e3:.2f} mm and {heads[1] * 1e3:.2f} mm in a bore of {engine.bore_m * 1e3:.2f} mm"
    between = engine.bore_m - sum(heads)
    offsets = [valve.offset_m for valve in valves if valve is not None and valve.offset_m is not None]
    if between > 0 and len(offsets) == len(SIDES):
        between = sum(offsets) - sum(heads) / 2
        if between < 0:
            return _warned(
                case,
                rule="valves-do-not-fit",
                words=f"The valve pair overlaps by {-between * 1e3:.2f} mm at the stated offsets: {words}. "
                "Check offset, head and bore.",
            )
    if between <= 0 and sum(heads) >= engine.bore_m:
        return _warned(
            case,
            rule="valves-do-not-fit",
            words=f"The valve pair does not fit side by side: {words}. Check the diameters and the bore; valves at an "
            "angle to one another leave more room, which only the head itself can show.",
        )
    lifts = [float(case.cams[side].lift(360.0)) for side in SIDES if side in case.cams]
    if between < _TIGHT_M and len(lifts) == len(SIDES) and min(lifts) > 0:
        return _warned(
            case,
            rule="valves-may-touch",
            words=f"At most {between * 1e3:.2f} mm between the valves ({words}), and at the dead centre of gas "
            f"exchange both are open, by {lifts[0] * 1e3:.2f} mm and {lifts[1] * 1e3:.2f} mm: "
            "check that they cannot touch.",
        )
    return []


def _warned(case: Case, rule: str, words: str) -> list[Finding]:
    """Return one warning about a case."""
    return [Finding(rule, "warning", case.name, words)]


def _bores(case: Case) -> list[Finding]:
    """Warn where the bore the flows were brought to is not the engine's."""
    if case.bore_m is None or abs(case.bore_m / case.engine.bore_m - 1) <= _BORES_DIFFER:
        return []
    return _warned(
        case,
        "geometry-differs",
        f"The flows were brought to a bore of {case.bore_m * 1e3:.2f} mm and the engine's is "
        f"{case.engine.bore_m * 1e3:.2f} mm: state the variant's own [variant.reference] bore, or correct one.",
    )


# --- cams and flows -----------------------------------------------------------------------------


def check_cams(cams: Mapping[Side, Cam]) -> None:
    """Refuse a cam whose largest lift lies in the other side's stroke."""
    for side, cam in cams.items():
        opens, closes = cam.open_period
        low, high = _PEAKS[side]
        if not low < (opens + closes) / 2 < high:
            raise EngineError(
                f"[cam.{side}]: the {cam_called(side, cam)} is open from {opens:.0f}° to {closes:.0f}° of crank after "
                f"firing dead centre, which is not an {side} stroke",
                "check whether the two cams are swapped, and where the table's zero is",
            )


def variant_names(comparison: Comparison) -> list[str]:
    """Return the names of all variants in the job's order, whichever side they were tested on."""
    names: list[str] = []
    for side in SIDES:
        if side in comparison.sides:
            # A variant the other side lacks goes behind the one it follows here.
            place = 0
            for variant in comparison.sides[side].variants:
                if variant.name in names:
                    place = names.index(variant.name) + 1
                else:
                    names.insert(place, variant.name)
                    place += 1
    return names


def flows_of(comparison: Comparison, name: str) -> dict[Side, VariantFlow]:
    """Return a variant's flow on each side it was tested on."""
    flows: dict[Side, VariantFlow] = {}
    for side, compared in comparison.sides.items():
        for variant in compared.variants:
            if variant.name == name:
                flows[side] = variant
    return flows


def _all_gains(comparison: Comparison, cases: Sequence[Case]) -> tuple[CamGain, ...]:
    """Return the gains in cam-weighted mean flow of both sides."""
    return tuple(
        gain for side in SIDES if side in comparison.sides for gain in cam_gains(side, comparison.sides[side], cases)
    )


def _cam_lines(cases: Sequence[Case]) -> list[str]:
    """Describe the cams: period, lift, and lift over the valve's diameter where that is known."""
    lines: dict[str, list[str]] = {}
    for case in cases:
        for side, cam in case.cams.items():
            valve = case.valves.get(side)
            head = valve.head_m if valve else None
            over = f", {cam.peak_lift_m / head:.3f} of the valve's diameter" if head else ""
            kind = "a smooth polynomial through its timing (model)" if cam.polynomial is not None else "measured"
            called = cam_called(side, cam)
            text = f"{called[0].upper()}{called[1:]}: {kind}, {cam_lifts(cam)}{over}."
            lines.setdefault(text, []).append(case.name)
    several = len(lines) > len(SIDES)
    return [f"{', '.join(names)}: {text}" if several else text for text, names in lines.items()]
