"""A variant's curves with an engine and its cams, and the figures they make together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from flowkit.analysis.lifts import SAME_LIFT_M
from flowkit.analysis.results import VariantFlow
from flowkit.engine.bands import time_in_bands
from flowkit.engine.cam import Cam
from flowkit.engine.data import EngineData
from flowkit.engine.filling import Cycles, simulate_filling
from flowkit.engine.lifting import LiftedCurve, cam_weighted_mean
from flowkit.engine.mach import mean_inlet_mach_index
from flowkit.engine.passage import Passage
from flowkit.engine.power import air_limited_power, filling_figures
from flowkit.engine.results import AirLimitedPower, CamWeightedMeanFlow, EngineVariant, Filling, MachIndex
from flowkit.model import Finding, Side

__all__ = ["Case", "Progress", "evaluate"]

Progress = Callable[[int, int], None]
"""Called with (cycles done, most cycles there may be)."""

_BALANCE = 1e-6
_SIDES: tuple[Side, Side] = ("intake", "exhaust")


@dataclass(frozen=True)
class Case:
    """One variant in one engine.

    Attributes
    ----------
    name : str
    engine : EngineData
    cams : mapping
        Side to Cam.
    flows : mapping
        Side to VariantFlow, of the sides that were tested.
    predicted : bool
        Whether the flows are a prediction and were not measured.
    """

    name: str
    engine: EngineData
    cams: Mapping[Side, Cam]
    flows: Mapping[Side, VariantFlow]
    predicted: bool = False

    def usable(self, side: Side) -> bool:
        """Tell whether a side has flow, a cam, and flow up to the cam's lift."""
        cam, flow = self.cams.get(side), self.flows.get(side)
        return cam is not None and flow is not None and cam.peak_lift_m <= flow.lifts_m[-1] + SAME_LIFT_M

    def flow_curve(self, side: Side) -> LiftedCurve:
        """Return flow over lift [m³/s]."""
        flow = self.flows[side]
        return LiftedCurve(flow.lifts_m, flow.flow_m3_s)

    def area_curve(self, side: Side) -> LiftedCurve:
        """Return effective area over lift [m²]."""
        flow = self.flows[side]
        return LiftedCurve(flow.lifts_m, flow.effective_area_m2)


def evaluate(
    cases: Sequence[Case], progress: Progress | None = None
) -> tuple[tuple[EngineVariant, ...], tuple[Finding, ...]]:
    """Return the figures of cases that share an engine and cams.

    Parameters
    ----------
    cases : sequence of Case
    progress : callable, optional

    Returns
    -------
    tuple of (EngineVariant of each case, findings)
    """
    filled = [case for case in cases if all(case.usable(side) for side in _SIDES)]
    cycles = _simulate(filled, progress) if filled else None
    variants = []
    for case in cases:
        figures = None
        if cycles is not None and case in filled:
            figures = filling_figures(case.engine, cycles, filled.index(case))
        variants.append(_variant(case, figures))
    findings = _doubts(filled, cycles) if cycles is not None else ()
    return tuple(variants), findings


def _simulate(cases: Sequence[Case], progress: Progress | None) -> Cycles:
    """Run the filling model for all cases side by side."""
    engine, cams = cases[0].engine, cases[0].cams
    intake, exhaust = (
        Passage.tabulate(cams[side], [case.area_curve(side) for case in cases], scale=valves)
        for side, valves in zip(_SIDES, (engine.intake_valves, engine.exhaust_valves), strict=True)
    )
    return simulate_filling(engine, intake, exhaust, np.array(engine.speeds_rpm), progress=progress)


def _doubts(cases: Sequence[Case], cycles: Cycles) -> tuple[Finding, ...]:
    """Warn where a variant's cycles do not repeat themselves or a balance does not close."""
    found = []
    for place, case in enumerate(cases):
        worst = max(float(np.max(cycles.mass_error[place])), float(np.max(cycles.energy_error[place])))
        if worst > _BALANCE:
            found.append(
                Finding(
                    "balance-open",
                    "warning",
                    case.name,
                    f"The filling model's mass and energy close only to {worst:.1g} at some speed, so its cycles have "
                    "not settled; take the figures there with care, or leave the speed out.",
                )
            )
    return tuple(found)


def _variant(case: Case, filling: Filling | None) -> EngineVariant:
    """Gather one case's figures."""
    means = {
        side: cam_weighted_mean(case.cams[side], case.flow_curve(side)) if case.usable(side) else None
        for side in _SIDES
    }
    mach: MachIndex | None = None
    if case.usable("intake"):
        area = cam_weighted_mean(case.cams["intake"], case.area_curve("intake")) * case.engine.intake_valves
        mach = mean_inlet_mach_index(case.engine, area)
    power: AirLimitedPower | None = None
    if filling is not None:
        power = air_limited_power(case.engine, filling.volumetric_efficiency, filling.speeds_rpm)
    return EngineVariant(
        name=case.name,
        cam_weighted_mean_flow_m3_s=CamWeightedMeanFlow(means["intake"], means["exhaust"]),
        mach=mach,
        filling=filling,
        power=power,
        band_times={
            side: time_in_bands(case.cams[side], None, case.flow_curve(side)) for side in _SIDES if case.usable(side)
        },
    )
