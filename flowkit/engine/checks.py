"""What is doubtful about an engine's cases, or leaves figures out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from flowkit.analysis.lifts import SAME_LIFT_M
from flowkit.engine.cam import Cam
from flowkit.engine.cases import Case
from flowkit.model import Finding, Side

__all__ = ["engine_findings"]

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
