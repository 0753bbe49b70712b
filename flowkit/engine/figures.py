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
from flowkit.engine import results
from flowkit.engine.cam import GAS_EXCHANGE_TDC, Cam
from flowkit.engine.data import EngineData
from flowkit.engine.exchange import Passage, Setup
from flowkit.engine.filling import Cycles, simulate_filling
from flowkit.engine.gas import AIR_GAS_CONSTANT
from flowkit.engine.results import CamGain, EngineDifference, EngineVariant, Filling, MachIndex
from flowkit.errors import EngineError, RangeError
from flowkit.fields import section
from flowkit.model import SIDES, Finding, Side, ValveGeometry

Array = NDArray[np.float64]
Progress = Callable[[int, int], None]
"""Called with (cycles done, most cycles there may be)."""

HIGHEST_UNSTATED_RATIO = 15.0
"""Above this compression ratio spark ignition must be stated."""
_INTERVALS, _INTERVAL_SAMPLES = 4000, 2001
_SAME_SPEED = 0.5


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
            problem = "there is no lift above zero to carry into the engine"
            raise EngineError(problem, "measure the port with open valve")
        if lifts[0] > SAME_LIFT_M:
            lifts, values = [0.0, *lifts], [0.0, *values]
        else:
            lifts[0], values[0] = 0.0, 0.0
        object.__setattr__(self, "_spline", pchip(lifts, values))

    @property
    def highest_m(self) -> float:
        """Highest measured lift [m]."""
        return self.lifts_m[-1]

    def __call__(self, lift_m: ArrayLike) -> Array:
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

    def __call__(self, lift_m: ArrayLike) -> Array:
        """Return the mean at lifts [m]."""
        return np.asarray(np.mean([curve(lift_m) for curve in self.curves], axis=0))

    def scaled(self, factor: float) -> PortCurves:
        """Return all values multiplied, such as flow by area over flow."""
        return PortCurves(
            tuple(LiftedCurve(item.lifts_m, tuple(factor * value for value in item.values)) for item in self.curves)
        )


def cam_weighted_mean(cam: Cam, curves: PortCurves) -> float:
    """Return the mean of curves over the open period of a cam, in their unit."""
    if not curves.covers(cam.peak_lift_m):
        raise RangeError(
            f"{cam.name} lifts the valve to {cam.peak_lift_m * 1e3:.2f} mm, measured was up to "
            f"{curves.highest_m * 1e3:.2f} mm",
            "flow the port up to the cam's lift; curves are never extended beyond what was measured",
        )
    values = curves(cam.lift(cam.open_angles(_INTERVALS + 1)))
    weights = np.full(_INTERVALS + 1, 2.0)
    weights[1::2] = 4.0
    weights[0] = weights[-1] = 1.0
    return float(np.sum(weights * values) / (3 * _INTERVALS))


def cam_weighted_mean_flow(cam: Cam, lifts_m: Sequence[float], flow_m3_s: Sequence[float]) -> float:
    """Return the flow of a port averaged over the open period of its cam [m³/s]."""
    return cam_weighted_mean(cam, PortCurves((LiftedCurve(tuple(lifts_m), tuple(flow_m3_s)),)))


def sound_speed(temperature_k: float) -> float:
    """Return the speed of sound in air [m/s]: √(γRT) with γ = 1.4."""
    return math.sqrt(1.4 * AIR_GAS_CONSTANT * temperature_k)


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
    piston_speed = 2 * engine.stroke_m / 60  # at 1/min: 2·stroke·speed (Heywood 1988, eq. 2.9)
    per_speed = engine.piston_area_m2 * piston_speed / passing
    return MachIndex(0.5 / per_speed, speeds, tuple(per_speed * speed for speed in speeds), mean_effective_area_m2)


def air_limited_power(
    engine: EngineData, volumetric_efficiency: Sequence[float | None], speeds_rpm: Sequence[float]
) -> results.AirLimitedPower:
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

    Examples
    --------
    >>> engine = EngineData(4, 0.0805, 0.0785, 0.138, 10.5)
    >>> round(air_limited_power(engine, [0.9], [6000.0]).power_w[0] / 1e3, 1)
    81.2
    """
    density = engine.intake_pressure_pa / (AIR_GAS_CONSTANT * engine.intake_temperature_k)
    per_turn = engine.cylinders * engine.displacement_m3 * density / 2
    flow = tuple(
        None if filling is None else per_turn * speed / 60 * filling
        for speed, filling in zip(speeds_rpm, volumetric_efficiency, strict=True)
    )
    per_air = 1 / (engine.air_fuel_ratio * engine.bsfc_kg_j)
    return results.AirLimitedPower(
        tuple(speeds_rpm), flow, tuple(None if air is None else air * per_air for air in flow)
    )


def filling_figures(engine: EngineData, cycles: Cycles) -> Filling:
    """Return a variant's figures from its cycles.

    Mean pressures, torque and power: Heywood (1988), eqs 2.14, 2.15 and 2.19 (work per cycle over the
    displaced volume; power = work per cycle × speed/2), net over the whole cycle; brake figures are
    these less the friction mean pressure of `EngineData.friction_mep_pa`.
    """
    volume, speeds = engine.displacement_m3, cycles.speeds_rpm
    friction = np.array([engine.friction_mep_pa(float(speed)) for speed in speeds])
    indicated, pumping = cycles.work / volume, cycles.pumping_work / volume
    brake = indicated - friction
    torque, power = engine.cylinders * volume / (4 * math.pi), engine.cylinders * volume * speeds / 120
    reasons = list(zip(speeds.tolist(), cycles.reasons, strict=True))

    def listed(values: Array) -> results.Values:
        """Return the values where the engine fires, None elsewhere."""
        return tuple(
            float(value) if reason is None else None for value, reason in zip(values, cycles.reasons, strict=True)
        )

    brake_power = listed(brake * power)
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
        brake_power_w=brake_power,
        cycles=tuple(cycles.cycles.tolist()),
        mass_error=listed(cycles.mass_error),
        energy_error=listed(cycles.energy_error),
        not_firing=tuple(results.NotFiring(speed, reason) for speed, reason in reasons if reason is not None),
        peak=peak_of(speeds.tolist(), brake_power),
    )


def peak_of(speeds_rpm: Sequence[float], power_w: Sequence[float | None]) -> results.Peak | None:
    """Return the largest power by the parabola through it and its two neighbours among the speeds."""
    known = [(power, -index) for index, power in enumerate(power_w) if power is not None]
    if not known:
        return None
    top, best = max(known)[0], -max(known)[1]
    beside = [power_w[index] if 0 <= index < len(power_w) else None for index in (best - 1, best, best + 1)]
    if None in beside:
        return results.Peak(speeds_rpm[best], top, False)
    offsets = [speeds_rpm[index] - speeds_rpm[best] for index in (best - 1, best, best + 1)]
    a, b, c = np.polyfit(offsets, np.array(beside, dtype=float), 2)
    if a >= 0:
        return results.Peak(speeds_rpm[best], top, True)
    return results.Peak(float(speeds_rpm[best] - b / (2 * a)), float(c - b * b / (4 * a)), True)


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
        return self.engine.compression_ratio <= HIGHEST_UNSTATED_RATIO or "ignition" in (self.engine.stated or ())

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
    setups = {}
    for index, case in enumerate(cases):
        if all(case.usable(side) for side in SIDES):
            valves = (case.engine.intake_valves, case.engine.exhaust_valves)
            intake, exhaust = (
                Passage.tabulate(case.cams[side], case.area_curves(side), scale=count)
                for side, count in zip(SIDES, valves, strict=True)
            )
            setups[index] = Setup(case.engine, intake, exhaust)
    found = simulate_filling(list(setups.values()), progress=progress) if setups else ()
    cycles = dict(zip(setups, found, strict=True))
    return tuple(
        _variant(case, filling_figures(case.engine, cycles[index]) if index in cycles else None)
        for index, case in enumerate(cases)
    )


def _variant(case: Case, filling: Filling | None) -> EngineVariant:
    """Gather one case's figures."""
    engine = case.engine
    usable = [side for side in SIDES if case.usable(side)]
    means = {side: cam_weighted_mean(case.cams[side], case.curves[side]) for side in usable}
    mach: MachIndex | None = None
    if "intake" in usable:
        area = cam_weighted_mean(case.cams["intake"], case.area_curves("intake")) * engine.intake_valves
        mach = mean_inlet_mach_index(engine, area)
    power = air_limited_power(engine, filling.volumetric_efficiency, filling.speeds_rpm) if filling else None
    summary = results.EngineSummary(
        engine.cylinders, engine.bore_m, engine.stroke_m, engine.rod_m, engine.cylinders * engine.displacement_m3,
        engine.compression_ratio, engine.clearance_m3, engine.volumes,
    )  # fmt: skip
    cams = {}
    for side, cam in case.cams.items():  # ends counted from the dead centre of gas exchange
        opens, closes = cam.open_period
        cams[side] = results.CamSummary(opens - GAS_EXCHANGE_TDC, closes - GAS_EXCHANGE_TDC, cam.peak_lift_m)
    return EngineVariant(
        name=case.name,
        cam_weighted_mean_flow_m3_s=results.CamWeightedMeanFlow(means.get("intake"), means.get("exhaust")),
        mach=mach,
        filling=filling,
        power=power,
        band_times={side: case.cams[side].time_in_bands(None, case.curves[side]) for side in usable},
        engine=summary,
        cam=cams,
    )


# --- gains and differences -------------------------------------------------------------------


def cam_gains(side: Side, compared: SideComparison, cases: Sequence[Case]) -> list[CamGain]:
    """Return the gain in cam-weighted mean flow wherever the comparison has a gain and both variants a figure.

    Each variant on its own cam, like with like: the ratio of the means over the ports tested in both, as the
    comparison matched them; else of all ports.
    """
    known = {case.name: case for case in cases if case.usable(side)}
    found = []
    for gain in compared.gains:
        if gain.from_ not in known or gain.to not in known:
            continue
        before, after = (
            cam_weighted_mean(case.cams[side], PortCurves.of(case.flows[side], gain.matched_ports))
            for case in (known[gain.from_], known[gain.to])
        )
        ratio, last = after / before, known[gain.to]
        relative = relative_u95(gain, compared.range_m, last.curves[side], last.cams[side])
        u95 = None if relative is None else ratio * relative
        resolved = None if u95 is None else abs(ratio - 1) > u95
        found.append(CamGain(side, gain.from_, gain.to, gain.kind, ratio - 1, u95, resolved, gain.not_assessed_because))
    return found


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
            message = (
                f"There is no speed at which both this state and {variants[0].name!r} fire, so they are not "
                "compared speed by speed; where they were given different speeds, give both the same."
            )
            notes.append(Finding("no-common-speed", "note", variant.name, message))
    return tuple(found), tuple(notes)


def difference_of(before: Case, first: EngineVariant, after: Case, second: EngineVariant) -> EngineDifference | None:
    """Return what one variant changes against another, None where neither Mach index nor filling can be compared."""
    at_half = None
    if first.mach is not None and second.mach is not None:
        at_half = second.mach.speed_at_half_rpm / first.mach.speed_at_half_rpm - 1
    old, new = first.filling, second.filling
    if (old is None or new is None) and at_half is None:
        return None
    rows: list[tuple[float, float, float, float | None]] = []
    peaks: tuple[float | None, float | None] = (None, None)
    if old is not None and new is not None:
        for index, speed in enumerate(old.speeds_rpm):
            beside = [other for other, value in enumerate(new.speeds_rpm) if abs(value - speed) <= _SAME_SPEED]
            if not beside or old.air_flow_kg_s[index] is None or new.air_flow_kg_s[beside[0]] is None:
                continue
            air, filling, torque = (
                (getattr(new, name)[beside[0]] or 0.0) / (getattr(old, name)[index] or math.nan) - 1
                for name in ("air_flow_kg_s", "volumetric_efficiency", "brake_torque_nm")
            )
            rows.append((speed, air, filling, torque if (old.brake_torque_nm[index] or 0.0) > 0 else None))
        if old.peak and new.peak and old.peak.inside and new.peak.inside and old.peak.brake_power_w > 0:
            peaks = (new.peak.speed_rpm / old.peak.speed_rpm - 1, new.peak.brake_power_w / old.peak.brake_power_w - 1)
    speeds, airs, fillings, torques = zip(*rows, strict=True) if rows else ((), (), (), ())
    changed = what_changed(before, after)
    return EngineDifference(first.name, second.name, speeds, airs, fillings, torques, *peaks, at_half, changed)


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
            one, other = getattr(before.engine, row.attribute), getattr(after.engine, row.attribute)
            if one != other and not (isinstance(one, float) and math.isclose(one, other, rel_tol=1e-9)):
                changed.add(f"engine.{row.key}")
    if before.bore_m != after.bore_m:
        changed.add("reference.bore")
    return tuple(sorted(changed))
