"""What the measured curves come to in the engine: means over the cam, Mach index, power, and differences."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.lifts import SAME_LIFT_M, pchip, within
from flowkit.analysis.results import Gain, SideComparison, VariantFlow
from flowkit.engine.cam import Cam, time_in_bands
from flowkit.engine.data import EngineData
from flowkit.engine.exchange import Passage
from flowkit.engine.filling import Cycles, simulate_filling
from flowkit.engine.gas import AIR_GAS_CONSTANT
from flowkit.engine.results import (
    AirLimitedPower,
    CamGain,
    CamWeightedMeanFlow,
    EngineDifference,
    EngineVariant,
    Filling,
    MachIndex,
)
from flowkit.errors import EngineError, RangeError
from flowkit.model import Finding, Side

if TYPE_CHECKING:
    from flowkit.engine.cam import Cam
    from flowkit.engine.filling import Cycles

__all__ = [
    "Case",
    "LiftedCurve",
    "Progress",
    "air_limited_power",
    "cam_gain",
    "cam_gains",
    "cam_weighted_mean",
    "cam_weighted_mean_flow",
    "difference_of",
    "differences_between",
    "evaluate",
    "filling_figures",
    "mean_inlet_mach_index",
    "mean_piston_speed",
    "relative_u95",
    "sound_speed",
]

_INTERVALS = 4000


@dataclass(frozen=True)
class LiftedCurve:
    """Flow [m³/s] or effective area [m²] over valve lift, from (0, 0) through the measured points.

    The monotone cubic of Fritsch & Butland (1984), as on the bench's own curves, with (0, 0)
    added because a valve on a cam passes through it.

    Attributes
    ----------
    lifts_m : tuple of float
        Measured lifts [m], rising.
    values : tuple of float

    Examples
    --------
    >>> curve = LiftedCurve((0.001, 0.002), (0.01, 0.02))
    >>> curve([0.0, 0.0015]).round(6).tolist()
    [0.0, 0.015]
    """

    lifts_m: tuple[float, ...]
    values: tuple[float, ...]
    _spline: Any = field(init=False, repr=False, compare=False, default=None)

    def __post_init__(self) -> None:
        lifts, values = list(self.lifts_m), list(self.values)
        if not lifts or lifts[0] < 0:
            raise EngineError(
                "there is no lift above zero to carry into the engine", "measure the port with open valve"
            )
        if lifts[0] > SAME_LIFT_M:
            lifts, values = [0.0, *lifts], [0.0, *values]
        else:
            lifts[0], values[0] = 0.0, 0.0
        object.__setattr__(self, "_spline", pchip(lifts, values))

    @property
    def highest_m(self) -> float:
        """Highest measured lift [m]."""
        return self.lifts_m[-1]

    def covers(self, lift_m: float) -> bool:
        """Tell whether the curve was measured up to a lift [m], within 1 µm."""
        return lift_m <= self.highest_m + SAME_LIFT_M

    def __call__(self, lift_m: ArrayLike) -> NDArray[np.float64]:
        """Return the value at lifts [m].

        Raises
        ------
        RangeError
            If a lift is beyond what was measured.
        """
        ends = np.array([0.0, self.highest_m])
        return np.asarray(self._spline(within(np.asarray(lift_m, dtype=float), ends)))


def cam_weighted_mean(cam: Cam, curve: LiftedCurve) -> float:
    """Return the mean of a curve over the open period of a cam, in the curve's unit.

    Parameters
    ----------
    cam : Cam
    curve : LiftedCurve

    Returns
    -------
    float
        (1/Θ)·∫ Q(L(θ)) dθ over the open period Θ, by Simpson's rule.

    Raises
    ------
    RangeError
        If the cam lifts the valve beyond what was measured.

    Examples
    --------
    >>> cam = Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0, peak_lift_m=0.01)
    >>> round(cam_weighted_mean(cam, LiftedCurve((0.005, 0.010), (0.05, 0.10))), 6)
    0.050794
    """
    if not curve.covers(cam.peak_lift_m):
        raise RangeError(
            f"{cam.name} lifts the valve to {cam.peak_lift_m * 1e3:.2f} mm, measured was up to "
            f"{curve.highest_m * 1e3:.2f} mm",
            "flow the port up to the cam's lift; curves are never continued beyond what was measured",
        )
    values = curve(cam.lift(cam.open_angles(_INTERVALS + 1)))
    weights = np.full(_INTERVALS + 1, 2.0)
    weights[1::2] = 4.0
    weights[0] = weights[-1] = 1.0
    return float(np.sum(weights * values) / (3 * _INTERVALS))


def cam_weighted_mean_flow(cam: Cam, lifts_m: Sequence[float], flow_m3_s: Sequence[float]) -> float:
    """Return the flow of a port averaged over the open period of its cam [m³/s].

    Parameters
    ----------
    cam : Cam
    lifts_m : sequence of float
        Measured lifts, rising [m]; (0, 0) is added.
    flow_m3_s : sequence of float
        Flow at them [m³/s].

    Returns
    -------
    float
        Mean of Q(L(θ)) over the open period.

    Raises
    ------
    RangeError
        If the cam lifts the valve beyond what was measured.

    Examples
    --------
    >>> cam = Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0, peak_lift_m=0.01)
    >>> round(cam_weighted_mean_flow(cam, [0.005, 0.010], [0.05, 0.10]), 6)
    0.050794
    """
    return cam_weighted_mean(cam, LiftedCurve(tuple(lifts_m), tuple(flow_m3_s)))


_HALF = 0.5
_GAMMA_COLD = 1.4


def sound_speed(temperature_k: float) -> float:
    """Return the speed of sound in air [m/s]: √(γRT) with γ = 1.4.

    Parameters
    ----------
    temperature_k : float
        [K]

    Examples
    --------
    >>> round(sound_speed(293.15), 1)
    343.2
    """
    return math.sqrt(_GAMMA_COLD * AIR_GAS_CONSTANT * temperature_k)


def mean_piston_speed(stroke_m: float, speed_rpm: float) -> float:
    """Return the mean piston speed [m/s]: 2·stroke·speed (Heywood 1988, eq. 2.9).

    Parameters
    ----------
    stroke_m : float
        [m]
    speed_rpm : float
        [rpm]

    Examples
    --------
    >>> mean_piston_speed(0.080, 6000)
    16.0
    """
    return 2 * stroke_m * speed_rpm / 60


def mean_inlet_mach_index(
    engine: EngineData, mean_effective_area_m2: float, speeds_rpm: Sequence[float] | None = None
) -> MachIndex:
    """Return the mean inlet Mach index against speed, and the speed at which it is 0.5.

    Z = A_p·S_p/(a·A_eff,mean): C. F. Taylor, The Internal-Combustion Engine in Theory and Practice,
    vol. 1, ch. 6 (from memory), with the measured effective area averaged over the open period in
    the place of a mean flow coefficient times an area, as the mean inlet Mach number is defined
    (JSME dictionary of mechanical engineering, from memory). Filling falls off sharply above
    about 0.5. It says where the heads begin to limit, never a safe speed.

    Parameters
    ----------
    engine : EngineData
    mean_effective_area_m2 : float
        Of one cylinder's intake, averaged over the open period [m²].
    speeds_rpm : sequence of float, optional
        [rpm]; the engine's unless given.

    Returns
    -------
    MachIndex

    Raises
    ------
    EngineError
        If the area is zero or below.

    Examples
    --------
    >>> engine = EngineData(4, 0.0805, 0.0785, 0.138, 10.5)
    >>> round(mean_inlet_mach_index(engine, 300e-6).speed_at_half_rpm)
    3866
    """
    if mean_effective_area_m2 <= 0:
        raise EngineError("the mean effective area of the intake is zero", "check the flows and the cam")
    speeds = engine.speeds_rpm if speeds_rpm is None else tuple(speeds_rpm)
    passing = sound_speed(engine.intake_temperature_k) * mean_effective_area_m2
    per_speed = engine.piston_area_m2 * mean_piston_speed(engine.stroke_m, 1.0) / passing
    return MachIndex(_HALF / per_speed, speeds, tuple(per_speed * speed for speed in speeds), mean_effective_area_m2)


_STROKES_PER_CYCLE_IN_TURNS = 2


def air_limited_power(
    engine: EngineData, volumetric_efficiency: Sequence[float], speeds_rpm: Sequence[float]
) -> AirLimitedPower:
    """Return the power that the air drawn in allows.

    Power = air flow/(air-fuel ratio × brake specific fuel consumption), both as the engine states
    or assumes them (Heywood 1988, section 2.15, rearranged). An estimate.

    Parameters
    ----------
    engine : EngineData
    volumetric_efficiency : sequence of float
        At each speed [-], of air at the intake's pressure and temperature.
    speeds_rpm : sequence of float
        [rpm]

    Returns
    -------
    AirLimitedPower

    Examples
    --------
    >>> engine = EngineData(4, 0.0805, 0.0785, 0.138, 10.5)
    >>> round(air_limited_power(engine, [0.9], [6000.0]).power_w[0] / 1e3, 1)
    81.2
    """
    density = engine.intake_pressure_pa / (AIR_GAS_CONSTANT * engine.intake_temperature_k)
    per_turn = engine.cylinders * engine.displacement_m3 * density / _STROKES_PER_CYCLE_IN_TURNS
    flow = tuple(
        per_turn * speed / 60 * filling for speed, filling in zip(speeds_rpm, volumetric_efficiency, strict=True)
    )
    per_air = 1 / (engine.air_fuel_ratio * engine.bsfc_kg_j)
    return AirLimitedPower(tuple(speeds_rpm), flow, tuple(air * per_air for air in flow))


def filling_figures(engine: EngineData, cycles: Cycles, variant: int) -> Filling:
    """Return one variant's figures from the cycles of all.

    Mean pressures, torque and power: Heywood (1988), eqs 2.14, 2.15 and 2.19 (work per cycle over the
    displaced volume; power = work per cycle × speed/2), net over the whole cycle.

    Parameters
    ----------
    engine : EngineData
    cycles : Cycles
    variant : int
        Its place among the variants.

    Returns
    -------
    Filling
    """
    volume = engine.displacement_m3
    work, pumping = cycles.work[variant], cycles.pumping_work[variant]
    all_work = engine.cylinders * work
    turns_per_second = cycles.speeds_rpm / 60
    return Filling(
        speeds_rpm=tuple(cycles.speeds_rpm.tolist()),
        volumetric_efficiency=tuple(cycles.volumetric_efficiency[variant].tolist()),
        trapped_mass_kg=tuple(cycles.trapped_mass[variant].tolist()),
        trapped_air_kg=tuple(cycles.trapped_air[variant].tolist()),
        residual_fraction=tuple(cycles.burned_fraction[variant].tolist()),
        pumping_mep_pa=tuple((pumping / volume).tolist()),
        indicated_mep_pa=tuple((work / volume).tolist()),
        gross_indicated_mep_pa=tuple(((work + pumping) / volume).tolist()),
        indicated_torque_nm=tuple((all_work / (4 * math.pi)).tolist()),
        indicated_power_w=tuple((all_work * turns_per_second / _STROKES_PER_CYCLE_IN_TURNS).tolist()),
        cycles=tuple(cycles.cycles[variant].tolist()),
        mass_error=tuple(cycles.mass_error[variant].tolist()),
        energy_error=tuple(cycles.energy_error[variant].tolist()),
    )


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


Array = NDArray[np.float64]
_INTERVAL_SAMPLES = 2001


def cam_gains(side: Side, compared: SideComparison, cam: Cam, names: Sequence[str]) -> tuple[CamGain, ...]:
    """Return the gain in cam-weighted mean flow wherever the comparison has a gain.

    Parameters
    ----------
    side : {"intake", "exhaust"}
    compared : SideComparison
    cam : Cam
    names : sequence of str
        Variants that were measured up to the cam's lift; gains of others cannot be made.

    Returns
    -------
    tuple of CamGain
    """
    return tuple(
        cam_gain(side, gain, compared, cam) for gain in compared.gains if gain.from_ in names and gain.to in names
    )


def cam_gain(side: Side, gain: Gain, compared: SideComparison, cam: Cam) -> CamGain:
    """Return one gain in cam-weighted mean flow, like with like.

    The ratio of the means over the ports tested in both variants, as the comparison matched them,
    where they were measured up to the cam's lift; else of all ports.

    Parameters
    ----------
    side : {"intake", "exhaust"}
    gain : Gain
        The comparison's own of the two variants, with its intervals per lift.
    compared : SideComparison
    cam : Cam

    Returns
    -------
    CamGain
    """
    before, after = compared.variant(gain.from_), compared.variant(gain.to)
    ratio = _matched_ratio(before, after, gain.matched_ports, cam)
    value = ratio - 1
    relative = relative_u95(gain, compared.range_m, after, cam)
    u95 = None if relative is None else ratio * relative
    return CamGain(
        side=side,
        from_=gain.from_,
        to=gain.to,
        kind=gain.kind,
        gain=value,
        u95=u95,
        resolved=None if u95 is None else abs(value) > u95,
        not_assessed_because=gain.not_assessed_because,
    )


def _curve(variant: VariantFlow) -> LiftedCurve:
    """Return a variant's flow over lift, the mean of its ports."""
    return LiftedCurve(variant.lifts_m, variant.flow_m3_s)


def _matched_ratio(before: VariantFlow, after: VariantFlow, ports: Sequence[str], cam: Cam) -> float:
    """Return the ratio of cam-weighted mean flows over the ports both have."""
    same = {port.port for port in before.ports} == {port.port for port in after.ports} == set(ports)
    if ports and not same:
        curves = [
            [LiftedCurve(port.lifts_m, port.flow_m3_s) for port in variant.ports if port.port in ports]
            for variant in (before, after)
        ]
        if all(curve.covers(cam.peak_lift_m) for group in curves for curve in group):
            low, high = (float(np.mean([cam_weighted_mean(cam, curve) for curve in group])) for group in curves)
            return high / low
    return cam_weighted_mean(cam, _curve(after)) / cam_weighted_mean(cam, _curve(before))


def relative_u95(gain: Gain, range_m: tuple[float, float], after: VariantFlow, cam: Cam) -> float | None:
    """Return the half-width of the 95 % interval of a ratio of cam-weighted mean flows, over the ratio.

    The comparison gives intervals per lift, and one of the gain in mean flow by Monte Carlo. How far
    the errors along the curve are common is found from these: with r_j the relative interval at
    lift j and m_j its share of the mean flow, U² = ρ·(Σ m_j·r_j)² + (1 − ρ)·Σ(m_j·r_j)² is solved for ρ,
    0 to 1. The same ρ with the cam's shares gives the interval here (model; the two sums are the
    limits of JCGM 100:2008, 5.2, for fully correlated and uncorrelated inputs).

    Parameters
    ----------
    gain : Gain
    range_m : tuple of two floats
        The range of lifts of the gain in mean flow [m].
    after : VariantFlow
        For the shares of the lifts in the flow.
    cam : Cam

    Returns
    -------
    float or None
        None where the comparison has no intervals.
    """
    if gain.mean_flow_gain_u95 is None or not gain.per_lift or any(item.u95 is None for item in gain.per_lift):
        return None
    lifts = np.array([item.lift_m for item in gain.per_lift])
    relative = np.array([(item.u95 or 0.0) / (1 + item.gain) for item in gain.per_lift])
    flow = _curve(after)
    even = np.clip(np.linspace(*range_m, _INTERVAL_SAMPLES), 0.0, flow.highest_m)
    common, apart = _limits(even, flow(even), lifts, relative)
    target = (gain.mean_flow_gain_u95 / (1 + gain.mean_flow_gain)) ** 2
    spread = common**2 - apart**2
    rho = 1.0 if spread <= 0 else float(np.clip((target - apart**2) / spread, 0.0, 1.0))
    on_cam = cam.lift(cam.open_angles(_INTERVAL_SAMPLES))
    common, apart = _limits(on_cam, flow(on_cam), lifts, relative)
    return float(np.sqrt(rho * common**2 + (1 - rho) * apart**2))


def _limits(at: Array, flow: Array, lifts: Array, relative: Array) -> tuple[float, float]:
    """Return the interval of a mean for errors fully common along the curve, and for independent ones."""
    shares = np.zeros(len(lifts))
    # Each sample's flow belongs to the measured lifts beside it, in proportion to nearness.
    place = np.clip(np.searchsorted(lifts, at) - 1, 0, max(len(lifts) - 2, 0))
    if len(lifts) == 1:
        shares[0] = np.sum(flow)
    else:
        upper = np.clip((at - lifts[place]) / (lifts[place + 1] - lifts[place]), 0.0, 1.0)
        np.add.at(shares, place, flow * (1 - upper))
        np.add.at(shares, place + 1, flow * upper)
    parts = shares / np.sum(shares) * relative
    return float(np.sum(parts)), float(np.sqrt(np.sum(parts**2)))


Kind = Literal["step", "total", "step and total"]


def differences_between(variants: Sequence[EngineVariant]) -> tuple[EngineDifference, ...]:
    """Return each variant against the one before it and against the first.

    Parameters
    ----------
    variants : sequence of EngineVariant
        In the job's order.

    Returns
    -------
    tuple of EngineDifference
        Without pairs of which one has neither Mach index nor filling.

    Examples
    --------
    >>> differences_between(())
    ()
    """
    pairs: list[tuple[EngineVariant, EngineVariant, Kind]] = []
    for place in range(1, len(variants)):
        if place == 1:
            pairs.append((variants[0], variants[1], "step and total"))
        else:
            pairs.append((variants[place - 1], variants[place], "step"))
            pairs.append((variants[0], variants[place], "total"))
    found = [difference_of(before, after, kind) for before, after, kind in pairs]
    return tuple(item for item in found if item is not None)


def difference_of(before: EngineVariant, after: EngineVariant, kind: Kind) -> EngineDifference | None:
    """Return what one variant changes against another, None where nothing can be said.

    Parameters
    ----------
    before, after : EngineVariant
    kind : {"step", "total", "step and total"}
    """
    at_half = None
    if before.mach is not None and after.mach is not None:
        at_half = after.mach.speed_at_half_rpm / before.mach.speed_at_half_rpm - 1
    old, new = before.filling, after.filling
    if old is None or new is None or old.speeds_rpm != new.speeds_rpm:
        if at_half is None:
            return None
        return EngineDifference(before.name, after.name, kind, at_half, (), (), (), ())
    return EngineDifference(
        from_=before.name,
        to=after.name,
        kind=kind,
        speed_at_half=at_half,
        speeds_rpm=old.speeds_rpm,
        volumetric_efficiency=_ratios(old.volumetric_efficiency, new.volumetric_efficiency),
        indicated_torque=_ratios(old.indicated_torque_nm, new.indicated_torque_nm),
        pumping_mep_pa=tuple(b - a for a, b in zip(old.pumping_mep_pa, new.pumping_mep_pa, strict=True)),
    )


def _ratios(before: Sequence[float], after: Sequence[float]) -> tuple[float, ...]:
    """Return ratios less one; none at all where a figure is not positive (a motored engine has no torque to gain)."""
    if any(value <= 0 for value in before):
        return ()
    return tuple(b / a - 1 for a, b in zip(before, after, strict=True))
