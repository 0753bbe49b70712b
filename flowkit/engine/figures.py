"""What the measured curves come to in the engine: means over the cam, Mach index, power, and differences."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.lifts import SAME_LIFT_M, pchip, within
from flowkit.analysis.results import Gain, SideComparison, VariantFlow
from flowkit.engine.cam import GAS_EXCHANGE_TDC, Cam, time_in_bands
from flowkit.engine.data import EngineData
from flowkit.engine.exchange import Passage, Setup
from flowkit.engine.filling import Cycles, simulate_filling
from flowkit.engine.gas import AIR_GAS_CONSTANT
from flowkit.engine.results import (
    AirLimitedPower,
    CamGain,
    CamSummary,
    CamWeightedMeanFlow,
    EngineDifference,
    EngineSummary,
    EngineVariant,
    Filling,
    MachIndex,
    NotFiring,
    Peak,
)
from flowkit.errors import EngineError, RangeError
from flowkit.fields import section
from flowkit.model import SIDES, Finding, Side, ValveGeometry

_INTERVALS = 4000


@dataclass(frozen=True)
class LiftedCurve:
    """Flow [m³/s] or effective area [m²] over valve lift, from (0, 0) through the measured points.

    The monotone cubic of Fritsch & Butland (1984), as on the bench's own curves, with (0, 0)
    added because a valve on a cam passes through it.
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
        """Return the value at lifts [m]."""
        ends = np.array([0.0, self.highest_m])
        return np.asarray(self._spline(within(np.asarray(lift_m, dtype=float), ends)))


@dataclass(frozen=True)
class PortCurves:
    """The mean of several ports' curves at every lift, each carried through its own lifts and (0, 0)."""

    curves: tuple[LiftedCurve, ...]

    @classmethod
    def of(cls, flow: VariantFlow, ports: Sequence[str] = ()) -> PortCurves:
        """Return the flow [m³/s] of a variant's ports, of all or of those named."""
        chosen = [port for port in flow.ports if not ports or port.label in ports]
        return cls(tuple(LiftedCurve(port.lifts_m, port.flow_m3_s) for port in chosen))

    @property
    def highest_m(self) -> float:
        """Highest lift that every port was measured up to [m]."""
        return min(curve.highest_m for curve in self.curves)

    def covers(self, lift_m: float) -> bool:
        """Tell whether every port was measured up to a lift [m], within 1 µm."""
        return lift_m <= self.highest_m + SAME_LIFT_M

    def __call__(self, lift_m: ArrayLike) -> NDArray[np.float64]:
        """Return the mean at lifts [m]."""
        return np.asarray(np.mean([curve(lift_m) for curve in self.curves], axis=0))

    def scaled(self, factor: float) -> PortCurves:
        """Return all values multiplied, such as flow by area over flow."""
        return PortCurves(
            tuple(LiftedCurve(item.lifts_m, tuple(factor * value for value in item.values)) for item in self.curves)
        )


def cam_weighted_mean(cam: Cam, curve: LiftedCurve | PortCurves) -> float:
    """Return the mean of a curve over the open period of a cam, in the curve's unit."""
    if not curve.covers(cam.peak_lift_m):
        raise RangeError(
            f"{cam.name} lifts the valve to {cam.peak_lift_m * 1e3:.2f} mm, measured was up to "
            f"{curve.highest_m * 1e3:.2f} mm",
            "flow the port up to the cam's lift; curves are never extended beyond what was measured",
        )
    values = curve(cam.lift(cam.open_angles(_INTERVALS + 1)))
    weights = np.full(_INTERVALS + 1, 2.0)
    weights[1::2] = 4.0
    weights[0] = weights[-1] = 1.0
    return float(np.sum(weights * values) / (3 * _INTERVALS))


def cam_weighted_mean_flow(cam: Cam, lifts_m: Sequence[float], flow_m3_s: Sequence[float]) -> float:
    """Return the flow of a port averaged over the open period of its cam [m³/s]."""
    return cam_weighted_mean(cam, LiftedCurve(tuple(lifts_m), tuple(flow_m3_s)))


_HALF = 0.5
_GAMMA_COLD = 1.4


def sound_speed(temperature_k: float) -> float:
    """Return the speed of sound in air [m/s]: √(γRT) with γ = 1.4."""
    return math.sqrt(_GAMMA_COLD * AIR_GAS_CONSTANT * temperature_k)


def mean_piston_speed(stroke_m: float, speed_rpm: float) -> float:
    """Return the mean piston speed [m/s]: 2·stroke·speed (Heywood 1988, eq. 2.9)."""
    return 2 * stroke_m * speed_rpm / 60


def mean_inlet_mach_index(
    engine: EngineData, mean_effective_area_m2: float, speeds_rpm: Sequence[float] | None = None
) -> MachIndex:
    """Return the mean inlet Mach index against speed, and the speed at which it is 0.5.

    Z = A_p·S_p/(a·A_eff,mean): C. F. Taylor, The Internal-Combustion Engine in Theory and Practice,
    vol. 1, ch. 6 (from memory), with the measured effective area averaged over the open period in
    the place of a mean flow coefficient times an area, as the mean inlet Mach number is defined
    (JSME dictionary of mechanical engineering, from memory). Measured engines are reported to lose filling quickly
    beyond about 0.5; the filling model here, without waves and pipes, falls later. It says where the heads
    begin to limit, never a safe speed.
    """
    if mean_effective_area_m2 <= 0:
        raise EngineError("the mean effective area of the intake is zero", "check the flows and the cam")
    speeds = engine.speeds_rpm if speeds_rpm is None else tuple(speeds_rpm)
    passing = sound_speed(engine.intake_temperature_k) * mean_effective_area_m2
    per_speed = engine.piston_area_m2 * mean_piston_speed(engine.stroke_m, 1.0) / passing
    return MachIndex(_HALF / per_speed, speeds, tuple(per_speed * speed for speed in speeds), mean_effective_area_m2)


_STROKES_PER_CYCLE_IN_TURNS = 2


def air_limited_power(
    engine: EngineData, volumetric_efficiency: Sequence[float | None], speeds_rpm: Sequence[float]
) -> AirLimitedPower:
    """Return the power that the air drawn in allows.

    Power = air flow/(air-fuel ratio × brake specific fuel consumption), both as the engine states
    or assumes them (Heywood 1988, section 2.15, rearranged). An estimate.

    Parameters
    ----------
    engine : EngineData
    volumetric_efficiency : sequence of float or None
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
        None if filling is None else per_turn * speed / 60 * filling
        for speed, filling in zip(speeds_rpm, volumetric_efficiency, strict=True)
    )
    per_air = 1 / (engine.air_fuel_ratio * engine.bsfc_kg_j)
    return AirLimitedPower(tuple(speeds_rpm), flow, tuple(None if air is None else air * per_air for air in flow))


def filling_figures(engine: EngineData, cycles: Cycles) -> Filling:
    """Return a variant's figures from its cycles.

    Mean pressures, torque and power: Heywood (1988), eqs 2.14, 2.15 and 2.19 (work per cycle over the
    displaced volume; power = work per cycle × speed/2), net over the whole cycle; brake figures are
    these less the friction mean pressure of `EngineData.friction_mep_pa`.
    """
    fires = np.array([reason is None for reason in cycles.reasons])
    volume, speeds = engine.displacement_m3, cycles.speeds_rpm
    friction = np.array([engine.friction_mep_pa(float(speed)) for speed in speeds])
    indicated, pumping = cycles.work / volume, cycles.pumping_work / volume
    brake = indicated - friction
    torque, power = engine.cylinders * volume / (4 * math.pi), engine.cylinders * volume * speeds / 120

    def listed(values: NDArray[np.float64]) -> tuple[float | None, ...]:
        """Return the values where the engine fires, None elsewhere."""
        return tuple(float(value) if fire else None for value, fire in zip(values, fires, strict=True))

    return Filling(
        speeds_rpm=tuple(speeds.tolist()),
        volumetric_efficiency=listed(cycles.volumetric_efficiency),
        air_flow_kg_s=listed(engine.cylinders * cycles.drawn_air * speeds / 120),
        trapped_mass_kg=listed(cycles.trapped_mass),
        trapped_air_kg=listed(cycles.trapped_air),
        residual_fraction=listed(cycles.burned_fraction),
        pumping_mep_pa=listed(pumping),
        indicated_mep_pa=listed(indicated),
        gross_indicated_mep_pa=listed(indicated + pumping),
        indicated_torque_nm=listed(indicated * torque),
        indicated_power_w=listed(indicated * power),
        friction_mep_pa=tuple(friction.tolist()),
        brake_mep_pa=listed(brake),
        brake_torque_nm=listed(brake * torque),
        brake_power_w=listed(brake * power),
        cycles=tuple(cycles.cycles.tolist()),
        mass_error=listed(cycles.mass_error),
        energy_error=listed(cycles.energy_error),
        not_firing=tuple(
            NotFiring(float(speed), reason)
            for speed, reason in zip(speeds, cycles.reasons, strict=True)
            if reason is not None
        ),
        peak=peak_of(speeds.tolist(), listed(brake * power)),
    )


def peak_of(speeds_rpm: Sequence[float], power_w: Sequence[float | None]) -> Peak | None:
    """Return the largest power by the parabola through it and its two neighbours among the speeds."""
    known = [index for index, value in enumerate(power_w) if value is not None]
    if not known:
        return None
    best = max(known, key=lambda index: power_w[index] or float("-inf") if power_w[index] != 0 else 0.0)
    low, top, high = (power_w[index] if 0 <= index < len(power_w) else None for index in (best - 1, best, best + 1))
    assert top is not None
    if low is None or high is None:
        return Peak(speeds_rpm[best], top, False)
    a, b, c = np.polyfit(
        [speeds_rpm[index] - speeds_rpm[best] for index in (best - 1, best, best + 1)], [low, top, high], 2
    )
    if a >= 0:
        return Peak(speeds_rpm[best], top, True)
    return Peak(float(speeds_rpm[best] - b / (2 * a)), float(c - b * b / (4 * a)), True)


Progress = Callable[[int, int], None]
"""Called with (cycles done, most cycles there may be)."""

HIGHEST_UNSTATED_RATIO = 15.0
"""Above this compression ratio spark ignition must be stated."""


@dataclass(frozen=True)
class Case:
    """One variant in its engine."""

    name: str
    engine: EngineData
    cams: Mapping[Side, Cam]
    flows: Mapping[Side, VariantFlow]
    curves: Mapping[Side, PortCurves]
    valves: Mapping[Side, ValveGeometry] = field(default_factory=dict)
    state: Mapping[Side, Mapping[str, str]] = field(default_factory=dict)
    bore_m: float | None = None
    predicted: bool = False

    @property
    def inside_model(self) -> bool:
        """Whether the ratio is a petrol engine's, or spark ignition is stated."""
        stated = self.engine.stated
        return self.engine.compression_ratio <= HIGHEST_UNSTATED_RATIO or (stated is not None and "ignition" in stated)

    @property
    def too_big(self) -> list[Side]:
        """The sides whose valve is larger than the bore it would have to go into."""
        heads = {side: valve.head_m for side, valve in self.valves.items()}
        return [side for side, head in heads.items() if head is not None and head >= self.engine.bore_m]

    def reaches(self, side: Side) -> bool:
        """Tell whether a side has flow, a cam, and flow of every port up to the cam's lift."""
        cam, curves = self.cams.get(side), self.curves.get(side)
        return cam is not None and curves is not None and curves.covers(cam.peak_lift_m)

    def usable(self, side: Side) -> bool:
        """Tell whether a side's figures can be made."""
        return self.inside_model and not self.too_big and self.reaches(side)

    def area_curves(self, side: Side) -> PortCurves:
        """Return effective area over lift [m²], of the ports' mean."""
        flow = self.flows[side]
        return self.curves[side].scaled(flow.effective_area_m2[-1] / flow.flow_m3_s[-1])


def evaluate(cases: Sequence[Case], progress: Progress | None = None) -> tuple[EngineVariant, ...]:
    """Return the figures of all cases, whose filling is found side by side."""
    filled = [index for index, case in enumerate(cases) if all(case.usable(side) for side in SIDES)]
    setups = [_setup(cases[index]) for index in filled]
    cycles = dict(zip(filled, simulate_filling(setups, progress=progress), strict=True)) if setups else {}
    return tuple(
        _variant(case, filling_figures(case.engine, cycles[index]) if index in cycles else None)
        for index, case in enumerate(cases)
    )


def _setup(case: Case) -> Setup:
    """Give the filling model a case's valves."""
    engine = case.engine
    intake, exhaust = (
        Passage.tabulate(case.cams[side], case.area_curves(side), scale=valves)
        for side, valves in zip(SIDES, (engine.intake_valves, engine.exhaust_valves), strict=True)
    )
    return Setup(engine, intake, exhaust)


def _variant(case: Case, filling: Filling | None) -> EngineVariant:
    """Gather one case's figures."""
    engine = case.engine
    means = {
        side: cam_weighted_mean(case.cams[side], case.curves[side]) if case.usable(side) else None for side in SIDES
    }
    mach: MachIndex | None = None
    if case.usable("intake"):
        area = cam_weighted_mean(case.cams["intake"], case.area_curves("intake")) * engine.intake_valves
        mach = mean_inlet_mach_index(engine, area)
    power: AirLimitedPower | None = None
    if filling is not None:
        power = air_limited_power(engine, filling.volumetric_efficiency, filling.speeds_rpm)
    return EngineVariant(
        name=case.name,
        cam_weighted_mean_flow_m3_s=CamWeightedMeanFlow(means["intake"], means["exhaust"]),
        mach=mach,
        filling=filling,
        power=power,
        band_times={
            side: time_in_bands(case.cams[side], None, case.curves[side]) for side in SIDES if case.usable(side)
        },
        engine=EngineSummary(
            engine.cylinders,
            engine.bore_m,
            engine.stroke_m,
            engine.rod_m,
            engine.cylinders * engine.displacement_m3,
            engine.compression_ratio,
            engine.clearance_m3,
            engine.volumes,
        ),
        cam={side: _cam_summary(cam) for side, cam in case.cams.items()},
    )


def _cam_summary(cam: Cam) -> CamSummary:
    """Count a cam's ends from the dead centre of gas exchange."""
    opens, closes = cam.open_period
    return CamSummary(opens - GAS_EXCHANGE_TDC, closes - GAS_EXCHANGE_TDC, cam.peak_lift_m)


# --- gains and differences -------------------------------------------------------------------

Array = NDArray[np.float64]
_INTERVAL_SAMPLES = 2001


def cam_gains(side: Side, compared: SideComparison, cases: Sequence[Case]) -> tuple[CamGain, ...]:
    """Return the gain in cam-weighted mean flow wherever the comparison has a gain and both variants a figure.

    Each variant on its own cam, like with like: the ratio of the means over the ports tested in both, as the
    comparison matched them; else of all ports.
    """
    known = {case.name: case for case in cases if case.usable(side)}
    found = []
    for gain in compared.gains:
        if gain.from_ not in known or gain.to not in known:
            continue
        before, after = known[gain.from_], known[gain.to]
        means = [
            cam_weighted_mean(case.cams[side], PortCurves.of(case.flows[side], gain.matched_ports))
            for case in (before, after)
        ]
        ratio = means[1] / means[0]
        relative = relative_u95(gain, compared.range_m, after.curves[side], after.cams[side])
        u95 = None if relative is None else ratio * relative
        found.append(
            CamGain(
                side=side,
                from_=gain.from_,
                to=gain.to,
                kind=gain.kind,
                gain=ratio - 1,
                u95=u95,
                resolved=None if u95 is None else abs(ratio - 1) > u95,
                not_assessed_because=gain.not_assessed_because,
            )
        )
    return tuple(found)


def relative_u95(gain: Gain, range_m: tuple[float, float], flow: PortCurves, cam: Cam) -> float | None:
    """Return the half-width of the 95 % interval of a ratio of cam-weighted mean flows, over the ratio.

    The comparison gives intervals per lift, and one of the gain in mean flow. How far
    the errors along the curve are common is found from these: with r_j the relative interval at
    lift j and m_j its share of the mean flow, U² = ρ·(Σ m_j·r_j)² + (1 − ρ)·Σ(m_j·r_j)² is solved for ρ,
    0 to 1. The same ρ with the cam's shares gives the interval here (model; the two sums are the
    limits of JCGM 100:2008, 5.2, for fully correlated and uncorrelated inputs).
    """
    if gain.mean_flow_gain_u95 is None or not gain.per_lift or any(item.u95 is None for item in gain.per_lift):
        return None
    lifts = np.array([item.lift_m for item in gain.per_lift])
    relative = np.array([(item.u95 or 0.0) / (1 + item.gain) for item in gain.per_lift])
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


_SAME_SPEED = 0.5


def differences_between(
    cases: Sequence[Case], variants: Sequence[EngineVariant]
) -> tuple[tuple[EngineDifference, ...], tuple[Finding, ...]]:
    """Return each variant against the first, and a note where two have no speed in common."""
    found, notes = [], []
    for case, variant in list(zip(cases, variants, strict=True))[1:]:
        difference = difference_of(cases[0], variants[0], case, variant)
        if difference is None:
            continue
        found.append(difference)
        if variants[0].filling and variant.filling and not difference.speeds_rpm:
            notes.append(
                Finding(
                    "no-common-speed",
                    "note",
                    variant.name,
                    f"There is no speed at which both this state and {variants[0].name!r} fire, so they are not "
                    "compared speed by speed; where they were given different speeds, give both the same.",
                )
            )
    return tuple(found), tuple(notes)


def difference_of(before: Case, first: EngineVariant, after: Case, second: EngineVariant) -> EngineDifference | None:
    """Return what one variant changes against another, None where neither Mach index nor filling can be compared."""
    at_half = None
    if first.mach is not None and second.mach is not None:
        at_half = second.mach.speed_at_half_rpm / first.mach.speed_at_half_rpm - 1
    old, new = first.filling, second.filling
    if (old is None or new is None) and at_half is None:
        return None
    speeds: list[float] = []
    air: list[float] = []
    filling: list[float] = []
    torque: list[float | None] = []
    peaks: tuple[float | None, float | None] = (None, None)
    if old is not None and new is not None:
        for index, speed in enumerate(old.speeds_rpm):
            beside = [other for other, value in enumerate(new.speeds_rpm) if abs(value - speed) <= _SAME_SPEED]
            if not beside or old.air_flow_kg_s[index] is None or new.air_flow_kg_s[beside[0]] is None:
                continue
            speeds.append(speed)
            air.append(_ratio(old.air_flow_kg_s, index, new.air_flow_kg_s, beside[0]))
            filling.append(_ratio(old.volumetric_efficiency, index, new.volumetric_efficiency, beside[0]))
            known = (old.brake_torque_nm[index] or 0.0) > 0
            torque.append(_ratio(old.brake_torque_nm, index, new.brake_torque_nm, beside[0]) if known else None)
        if old.peak and new.peak and old.peak.inside and new.peak.inside and old.peak.brake_power_w > 0:
            peaks = (
                new.peak.speed_rpm / old.peak.speed_rpm - 1,
                new.peak.brake_power_w / old.peak.brake_power_w - 1,
            )
    return EngineDifference(
        from_=first.name,
        to=second.name,
        speeds_rpm=tuple(speeds),
        air_flow=tuple(air),
        volumetric_efficiency=tuple(filling),
        brake_torque=tuple(torque),
        peak_speed=peaks[0],
        peak_brake_power=peaks[1],
        speed_at_half=at_half,
        changed=what_changed(before, after),
    )


def _ratio(old: Sequence[float | None], index: int, new: Sequence[float | None], other: int) -> float:
    """Return new over old less one, of figures that are known."""
    return (new[other] or 0.0) / (old[index] or math.nan) - 1


def what_changed(before: Case, after: Case) -> tuple[str, ...]:
    """Return what differs between two cases: factors of the head, keys of the engine, cams, reference bore."""
    changed = set()
    for side in SIDES:
        old, new = before.state.get(side, {}), after.state.get(side, {})
        changed |= {factor for factor in old if factor in new and old[factor] != new[factor]}
        if before.cams.get(side) != after.cams.get(side):
            changed.add(f"cam.{side}")
    for row in section("engine").values():
        if row.attribute and row.key not in ("speeds", "ignition"):
            old_value, new_value = getattr(before.engine, row.attribute), getattr(after.engine, row.attribute)
            same = old_value == new_value
            if isinstance(old_value, float):
                same = math.isclose(old_value, new_value, rel_tol=1e-9)
            if not same:
                changed.add(f"engine.{row.key}")
    if before.bore_m != after.bore_m:
        changed.add("reference.bore")
    return tuple(sorted(changed))
