"""From a comparison of flows to what it means for the engine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from flowkit.analysis.lifts import SAME_LIFT_M
from flowkit.analysis.results import Comparison, VariantFlow
from flowkit.engine.cam import Cam
from flowkit.engine.data import EngineData
from flowkit.engine.figures import Case, Progress, cam_gains, differences_between, evaluate
from flowkit.engine.results import CamGain, EngineResult
from flowkit.engine.sentences import CAUTIONS, NO_WAVE_EFFECTS, cam_called, cam_lifts, engine_sentences, model_notes
from flowkit.errors import EngineError
from flowkit.model import Finding, Reference, Side, ValveGeometry

__all__ = ["check_cams", "engine_findings", "flows_of", "run_engine", "variant_names"]

_SIDES: tuple[Side, Side] = ("intake", "exhaust")


def engine_findings(cases: Sequence[Case], cams: Mapping[Side, Cam]) -> tuple[Finding, ...]:
    """Return what is doubtful before anything is computed.

    Parameters
    ----------
    cases : sequence of Case
    cams : mapping
        Side to Cam, all that any case has.

    Returns
    -------
    tuple of Finding
        ``cam-missing`` and ``side-untested`` (warnings), ``short-of-cam`` (error), ``beyond-cam`` and
        ``unit-assumed`` (notes).

    Examples
    --------
    >>> [finding.rule for finding in engine_findings([], {})]
    ['cam-missing', 'cam-missing']
    """
    return (*_missing(cases, cams), *_coverage(cases), *_cam_notes(cams))


def _missing(cases: Sequence[Case], cams: Mapping[Side, Cam]) -> list[Finding]:
    """Say what a cam or a side that is missing leaves out."""
    found = []
    for side in _SIDES:
        if side not in cams:
            found.append(
                Finding(
                    "cam-missing",
                    "warning",
                    f"[cam.{side}]",
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
    for side in _SIDES:
        beyond = []
        for case in cases:
            cam, flow = case.cams.get(side), case.flows.get(side)
            if cam is None or flow is None:
                continue
            if not case.usable(side):
                found.append(_short(case, side, flow.lifts_m[-1], cam.peak_lift_m))
            elif not case.predicted and flow.lifts_m[-1] > cam.peak_lift_m + SAME_LIFT_M:
                beyond.append((flow.lifts_m[-1], case))
        if beyond:
            top, peak = max(top for top, _ in beyond), max(case.cams[side].peak_lift_m for _, case in beyond)
            found.append(
                Finding(
                    "beyond-cam",
                    "note",
                    f"[cam.{side}]",
                    f"The {side} was flowed up to {_both(top)} and its cam lifts to {_both(peak)}: what flows above "
                    "the cam's lift does not reach the engine.",
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
        f"The flow {known} up to {_both(top_m)} and [cam.{side}] lifts to {_both(peak_m)}: curves are never "
        "continued beyond what was measured, so this variant's engine figures of that side and its filling are not "
        "made; flow it up to the cam's lift.",
    )


def _cam_notes(cams: Mapping[Side, Cam]) -> list[Finding]:
    """Turn what was assumed when the cams were read into notes."""
    return [
        Finding("unit-assumed", "note", f"[cam.{side}]", f"{note[0].upper()}{note[1:]}; state it to be certain.")
        for side, cam in cams.items()
        for note in cam.notes
    ]


_PEAKS: dict[Side, tuple[float, float]] = {"intake": (360.0, 560.0), "exhaust": (160.0, 360.0)}


def run_engine(
    comparison: Comparison,
    engine: EngineData,
    cams: Mapping[Side, Cam],
    *,
    reference: Reference,
    valves: Mapping[str, Mapping[Side, ValveGeometry]] | None = None,
    progress: Progress | None = None,
) -> EngineResult:
    """Carry measured flows into an engine with its cams.

    Cam-weighted mean flow with its gains, mean inlet Mach index, filling model and air-limited
    power, as far as each variant's sides, cams and measured lifts allow; what cannot be made is a
    finding. Differences between variants are the headline, absolute figures are estimates.

    Parameters
    ----------
    comparison : Comparison
    engine : EngineData
    cams : mapping
        Side to Cam.
    reference : Reference
        The state the flows are at.
    valves : mapping, optional
        Variant to side to valve, for the lift over valve diameter in the notes.
    progress : callable, optional
        Called with (cycles done, most cycles there may be).

    Returns
    -------
    EngineResult

    Raises
    ------
    EngineError
        If the cams or the combustion cannot belong to this engine.
    """
    check_cams(cams)
    names = variant_names(comparison)
    cases = [Case(name, engine, cams, flows_of(comparison, name)) for name in names]
    variants, doubts = evaluate(cases, progress)
    gains = _all_gains(comparison, cams, cases)
    differences = differences_between(variants)
    findings = (*engine_findings(cases, cams), *doubts)
    return EngineResult(
        variants=variants,
        findings=findings,
        cam_weighted_gains=gains,
        differences=differences,
        sentences=engine_sentences(variants, gains, differences),
        assumptions=engine.assumptions(),
        model_notes=(*model_notes(engine, reference), *_cam_lines(cams, names, valves or {})),
        no_wave_effects=NO_WAVE_EFFECTS,
        cautions=CAUTIONS,
    )


def check_cams(cams: Mapping[Side, Cam]) -> None:
    """Refuse a cam whose largest lift lies in the other side's stroke.

    Parameters
    ----------
    cams : mapping
        Side to Cam.

    Raises
    ------
    EngineError
        If one does.

    Examples
    --------
    >>> cam = Cam.from_timing(opens_deg=348, closes_deg=592, checking_lift_m=0, peak_lift_m=0.009, name="sport")
    >>> check_cams({"intake": cam})
    """
    for side, cam in cams.items():
        opens, closes = cam.open_period
        low, high = _PEAKS[side]
        if not low < (opens + closes) / 2 < high:
            raise EngineError(
                f"[cam.{side}]: the {cam_called(side, cam)} is open from {opens:.0f}° to {closes:.0f}° of crank after "
                f"firing dead centre, which is no {side} stroke",
                "check whether the two cams are exchanged, and where the table's zero is",
            )


def variant_names(comparison: Comparison) -> list[str]:
    """Return the names of all variants in the job's order, whichever side they were tested on.

    Parameters
    ----------
    comparison : Comparison
    """
    names: list[str] = []
    for side in _SIDES:
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
    """Return a variant's flow on each side it was tested on.

    Parameters
    ----------
    comparison : Comparison
    name : str
        The variant's.
    """
    flows: dict[Side, VariantFlow] = {}
    for side, compared in comparison.sides.items():
        for variant in compared.variants:
            if variant.name == name:
                flows[side] = variant
    return flows


def _all_gains(comparison: Comparison, cams: Mapping[Side, Cam], cases: Sequence[Case]) -> tuple[CamGain, ...]:
    """Return the gains in cam-weighted mean flow of both sides."""
    gains: list[CamGain] = []
    for side in _SIDES:
        if side in comparison.sides and side in cams:
            usable = [case.name for case in cases if case.usable(side)]
            gains.extend(cam_gains(side, comparison.sides[side], cams[side], usable))
    return tuple(gains)


def _cam_lines(
    cams: Mapping[Side, Cam], names: Sequence[str], valves: Mapping[str, Mapping[Side, ValveGeometry]]
) -> list[str]:
    """Describe the cams: period, lift, and lift over the valve's diameter where that is known."""
    lines = []
    for side, cam in cams.items():
        heads = {valves[name][side].head_m for name in names if name in valves and side in valves[name]} - {None}
        over = "".join(f", {cam.peak_lift_m / head:.3f} of the valve's diameter" for head in heads if head)
        kind = "a smooth polynomial through its timing (model)" if cam.polynomial is not None else "measured"
        called = cam_called(side, cam)
        lines.append(f"{called[0].upper()}{called[1:]}: {kind}, {cam_lifts(cam)}{over}.")
    return lines
