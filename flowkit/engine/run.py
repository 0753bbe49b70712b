"""From a comparison of flows to what it means for the engine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from flowkit.analysis.results import Comparison, VariantFlow
from flowkit.engine.cam import Cam
from flowkit.engine.camgains import cam_gains
from flowkit.engine.cases import Case, Progress, evaluate
from flowkit.engine.checks import engine_findings
from flowkit.engine.data import EngineData
from flowkit.engine.differences import differences_between
from flowkit.engine.results import CamGain, EngineResult
from flowkit.engine.wording import CAUTIONS, NO_WAVE_EFFECTS, cam_called, cam_lifts, engine_sentences, model_notes
from flowkit.errors import EngineError
from flowkit.model import Reference, Side, ValveGeometry

__all__ = ["check_cams", "flows_of", "run_engine", "variant_names"]

_SIDES: tuple[Side, Side] = ("intake", "exhaust")
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
