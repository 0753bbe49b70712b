"""The engine: closed forms of gas dynamics and ideal cycles, printed tables."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from flowkit.engine.cam import Cam
from flowkit.engine.cylinder import cylinder_volume, kinematics, piston_drop
from flowkit.engine.data import EngineData
from flowkit.engine.exchange import CELLS, ENERGY, MASS, ROWS, WATCHED, Exchange, Passage, Setup
from flowkit.engine.figures import mean_inlet_mach_index
from flowkit.engine.filling import Cycles, simulate_filling
from flowkit.engine.gas import AIR_GAS_CONSTANT, Gas, flow_function
from flowkit.engine.solvers import Integration, integrate
from tests.published.checks import Check

__all__ = ["CHECKS", "ideal_cycle", "vessel"]

Array = NDArray[np.float64]

_HEYWOOD = "J. B. Heywood, Internal Combustion Engine Fundamentals (1988)"
_CRANK = (
    "slider-crank geometry; read in the coursework repository edm54/EMAE360, volume_crank_angle.m, which names "
    f"{_HEYWOOD}, pp. 43-44"
)
_SPEED_SOURCE = "slider-crank geometry; read in the encyclopedia article Piston motion equations (velocity by angle)"
_CLOSED_FORM = "closed form of an ideal gas of constant heat capacity (textbooks of gas dynamics)"
_ENGINE = EngineData(4, 0.0805, 0.0785, 0.138, 10.5, gamma="constant", gamma_value=1.4, heat_transfer="none")
_SPEED = 3000.0
_PER_SECOND = 6 * _SPEED


# --- a vessel: a cylinder whose piston hardly moves --------------------------------------


def vessel(
    *, area_m2: float, start_pa: float, start_k: float, outside_pa: float, outside_k: float, seconds: float
) -> tuple[float, float, float]:
    """Let a rigid, insulated vessel of one litre empty or fill through a fixed effective area.

    Parameters
    ----------
    area_m2 : float
        Effective area [m²].
    start_pa, start_k : float
        In the vessel at first [Pa], [K].
    outside_pa, outside_k : float
        [Pa], [K]
    seconds : float
        [s]

    Returns
    -------
    tuple of (pressure [Pa], temperature [K], mass [kg])

    Examples
    --------
    >>> pressure, _, _ = vessel(area_m2=0.0, start_pa=2e5, start_k=300, outside_pa=1e5, outside_k=300, seconds=1e-3)
    >>> round(pressure)
    200000
    """
    # A compression ratio so near to 1 that the volume does not change in the tenth figure.
    stroke = 0.05
    bore = math.sqrt(4e-3 * 1e-10 / (math.pi * stroke))
    engine = replace(
        _ENGINE,
        bore_m=bore,
        stroke_m=stroke,
        compression_ratio=1 + 1e-10,
        intake_pressure_pa=outside_pa,
        intake_temperature_k=outside_k,
        intake_backflow="fresh",
        speeds_rpm=(_SPEED,),
    )
    volume = float(cylinder_volume(engine, 0.0))
    coefficients = np.zeros((4, CELLS + 2))
    shut = Passage(0.0, 700.0, coefficients)
    coefficients = coefficients.copy()
    coefficients[3] = area_m2
    model = Exchange(
        [Setup(replace(engine, gamma="constant", gamma_value=1.4), Passage(0.0, 700.0, coefficients), shut)]
    )
    state = np.zeros((ROWS, 1, 1, 1, 1))
    state[MASS] = start_pa * volume / (AIR_GAS_CONSTANT * start_k)
    state[ENERGY] = state[MASS] * model.gas.u(np.array(start_k))
    scale = np.full((WATCHED, 1, 1, 1, 1), float(state[MASS].flat[0]))
    scale[ENERGY] = float(state[ENERGY].flat[0])
    run = Integration(1e-9, np.full((1, 1, 1, 1), 0.01))
    span = (np.array(10.0), np.array(10.0 + seconds * _PER_SECOND))
    state = integrate(model, span, state, scale=scale, run=run, at=model.passages.at)
    mass = float(state[MASS].flat[0])
    temperature = float(model.table.temperature_and_cv(state[ENERGY] / state[MASS])[0].flat[0])
    return mass * AIR_GAS_CONSTANT * temperature / volume, temperature, mass


_AREA, _LITRE = 50e-6, 1e-3


def _blowdown_expected(seconds: float) -> float:
    """Return the pressure over the first one while the flow is choked."""
    gamma = 1.4
    sound = math.sqrt(gamma * AIR_GAS_CONSTANT * 600.0)
    rate = _AREA * sound / _LITRE * (2 / (gamma + 1)) ** ((gamma + 1) / (2 * (gamma - 1)))
    return float((1 + (gamma - 1) / 2 * rate * seconds) ** (-2 * gamma / (gamma - 1)))


def _blowdown(seconds: float) -> float:
    """Return the same from the filling model's own equations."""
    pressure, _, _ = vessel(
        area_m2=_AREA, start_pa=20e5, start_k=600.0, outside_pa=1e5, outside_k=300.0, seconds=seconds
    )
    return pressure / 20e5


def _choked_filling_expected(seconds: float) -> float:
    """Return the mass drawn in over time times area times p/√(RT): the choked flow function."""
    del seconds
    return math.sqrt(1.4 * (2 / 2.4) ** (2.4 / 0.4))


def _choked_filling(seconds: float) -> float:
    """Return the same from the filling model's own equations."""
    start = 1e4 * _LITRE / (AIR_GAS_CONSTANT * 300.0)
    _, _, mass = vessel(area_m2=_AREA, start_pa=1e4, start_k=300.0, outside_pa=1e5, outside_k=300.0, seconds=seconds)
    return (mass - start) * math.sqrt(AIR_GAS_CONSTANT * 300.0) / (seconds * _AREA * 1e5)


# --- an engine with valves that open and close at dead centre ----------------------------


def _square_cam(opens: float, closes: float) -> Cam:
    """Return a valve that is wide open within two degrees of its dead centre."""
    angles = [opens, opens + 1, opens + 2, (opens + closes) / 2, closes - 2, closes - 1, closes]
    return Cam.from_table(angles, [0.0, 0.005, 0.01, 0.01, 0.01, 0.005, 0.0], zero="firing TDC")


def ideal_cycle(
    *, ratio: float, exhaust_over_intake: float = 1.0, burn_deg: float = 0.2, heat: float = 1.0, speed_rpm: float = 3000
) -> tuple[EngineData, Cycles]:
    """Run an engine without heat loss whose large valves move at the dead centres.

    Parameters
    ----------
    ratio : float
        Compression ratio.
    exhaust_over_intake : float
        Ratio of the pressures outside.
    burn_deg : float
        Duration of combustion, symmetrical about dead centre [degrees].
    heat : float
        Combustion efficiency; 0 motors the engine.
    speed_rpm : float
        Slow, so that the valves hardly throttle.

    Returns
    -------
    tuple of (EngineData, Cycles)

    Examples
    --------
    >>> engine, cycles = ideal_cycle(ratio=8, heat=0.0)
    >>> bool(abs(cycles.volumetric_efficiency[0] - 1) < 0.01)
    True
    """
    engine = replace(
        _ENGINE,
        compression_ratio=ratio,
        exhaust_pressure_pa=_ENGINE.intake_pressure_pa * exhaust_over_intake,
        wiebe_start_deg=-burn_deg / 2,
        wiebe_duration_deg=burn_deg,
        combustion_efficiency=heat,
    )
    passages = [Passage.tabulate(_square_cam(*ends), lambda lift: 0.09 * lift) for ends in ((360, 540), (180, 360))]
    return engine, simulate_filling([Setup(replace(engine, speeds_rpm=(speed_rpm,)), *passages)])[0]


def _otto(ratio: float) -> float:
    """Return the share of heat turned into work between the dead centres."""
    _, cycles = ideal_cycle(ratio=ratio)
    return float((cycles.work + cycles.pumping_work)[0] / cycles.heat_released[0])


def _motored(ratio: float) -> float:
    """Return the work a motored engine loses between the dead centres, over the displaced volume's p·V."""
    engine, cycles = ideal_cycle(ratio=ratio, heat=0.0)
    return float((cycles.work + cycles.pumping_work)[0] / (engine.displacement_m3 * engine.intake_pressure_pa))


def _ideal_filling_expected(ratio: float, pressures: float) -> float:
    """Return the volumetric efficiency of the ideal cycle, for air without fuel at the intake's state."""
    gamma = 1.4
    return ratio / (ratio - 1) - (pressures + gamma - 1) / (gamma * (ratio - 1))


def _ideal_filling(ratio: float, pressures: float) -> float:
    """Return the same from the filling model."""
    _, cycles = ideal_cycle(ratio=ratio, exhaust_over_intake=pressures, speed_rpm=1500)
    return float(cycles.volumetric_efficiency[0])


# --- the rest ------------------------------------------------------------------------------


def _volume_expected(theta: float) -> float:
    """Return V/V_c by the geometry of the crank."""
    r, angle = 2 * _ENGINE.rod_m / _ENGINE.stroke_m, math.radians(theta)
    reach = r + 1 - math.cos(angle) - math.sqrt(r**2 - math.sin(angle) ** 2)
    return 1 + (_ENGINE.compression_ratio - 1) / 2 * reach


def _piston_speed_expected(theta: float) -> float:
    """Return the piston's speed over its mean by the geometry of the crank."""
    r, angle = 2 * _ENGINE.rod_m / _ENGINE.stroke_m, math.radians(theta)
    return math.pi / 2 * math.sin(angle) * (1 + math.cos(angle) / math.sqrt(r**2 - math.sin(angle) ** 2))


def _piston_speed(theta: float) -> float:
    """Return the same from dV/dθ: a stroke takes half a turn."""
    return float(kinematics(_ENGINE, theta)[1]) * 180 / _ENGINE.displacement_m3


def _compression_exponent() -> float:
    """Return ln(p₂/p₁)/ln(V₁/V₂) of a motored compression without heat loss, from the closed part's equations."""
    shut = Passage(0.0, 700.0, np.zeros((4, CELLS + 2)))
    engine = replace(_ENGINE, gamma="constant", gamma_value=1.4, speeds_rpm=(_SPEED,))
    model = Exchange([Setup(engine, shut, shut)])
    mass = np.full((1, 1, 1, 1), 4e-4)
    state = np.zeros((3, 1, 1, 1, 1))
    cv = float(model.gas.cv(np.array(300.0)))
    state[0] = mass * cv * 300.0
    run = Integration(1e-9, np.full((1, 1, 1, 1), 0.1))
    span = (np.array(-150.0), np.array(0.0))
    end = integrate(model.closed(mass, None, None), span, state, scale=state[:1].copy(), run=run, at=model.at_closed)
    volumes = cylinder_volume(_ENGINE, [-150.0, 0.0])
    compression = float(volumes[0] / volumes[1])
    return math.log(float(end[0].flat[0]) / float(state[0].flat[0]) * compression) / math.log(compression)


def _cp(kelvin: float) -> float:
    """Return the heat capacity at constant pressure [kJ/(kg·K)]."""
    return float(Gas().cv(np.array(kelvin))) / 1e3 + AIR_GAS_CONSTANT / 1e3


def _psi(ratio: float) -> float:
    """Return the flow function of air."""
    return float(flow_function(np.array(ratio), np.array(1.4)))


def _drop_at(theta: float) -> float:
    """Return the piston's way from top dead centre over the stroke."""
    return float(piston_drop(_ENGINE, theta)) / _ENGINE.stroke_m


def _mach_at_half() -> float:
    """Return Z at the speed reported for Z = 0.5, worked out from its definition in plain numbers."""
    index = mean_inlet_mach_index(_ENGINE, 300e-6)
    piston_speed = 2 * 0.0785 * index.speed_at_half_rpm / 60
    return math.pi / 4 * 0.0805**2 * piston_speed / (343.2 * 300e-6)


def _geometry() -> tuple[Check, ...]:
    """Return the checks of the slider-crank."""
    checks = []
    for theta in (30.0, 90.0, 135.0):
        name = f"cylinder volume over clearance volume at {theta:g}°"
        ours = partial(lambda angle: float(cylinder_volume(_ENGINE, angle)) / _ENGINE.clearance_m3, theta)
        checks.append(Check(name, _CRANK, _volume_expected(theta), 1e-9, "", ours))
    for theta in (45.0, 75.0):
        name = f"piston speed over its mean at {theta:g}°"
        source = _SPEED_SOURCE
        checks.append(Check(name, source, _piston_speed_expected(theta), 1e-9, "", partial(_piston_speed, theta)))
    source = "a piston at bottom dead centre has gone one stroke (definition)"
    checks.append(
        Check("piston's way at bottom dead centre over the stroke", source, 1.0, 1e-12, "", lambda: _drop_at(180.0))
    )
    return tuple(checks)


def _vessels() -> tuple[Check, ...]:
    """Return the checks of flow through a fixed area."""
    checks = []
    for milliseconds in (20.0, 60.0):
        seconds = milliseconds / 1e3
        name = f"pressure left in a vessel blowing down choked after {milliseconds:g} ms"
        expected = _blowdown_expected(seconds)
        checks.append(Check(name, _CLOSED_FORM, expected, 1e-7, "", partial(_blowdown, seconds)))
        name = f"choked filling of a vessel, flow function over {milliseconds / 2:g} ms: linear in time"
        expected = _choked_filling_expected(seconds / 2)
        checks.append(Check(name, _CLOSED_FORM, expected, 1e-7, "", partial(_choked_filling, seconds / 2)))
    source = "choked flow of air, four decimals; read in CompAir.jl 1.2.0, test/nozzle_tests.jl (NACA Report 1135)"
    checks.append(Check("flow function of air, choked", source, 0.6847, 5e-5, "", partial(_psi, 0.4)))
    return tuple(checks)


def _cycles() -> tuple[Check, ...]:
    """Return the checks of whole cycles."""
    otto = "air-standard Otto cycle, 1 − r^(1−γ), read on open pages of thermodynamics; three decimals"
    filling = (
        "worked from an energy balance of the intake stroke (number of the equation in Heywood, 6.2, from memory); the "
        "tolerance is for valves of finite size"
    )
    checks = [
        Check(f"Otto efficiency at a compression ratio of {ratio:g}", otto, printed, 5e-4, "", partial(_otto, ratio))
        for ratio, printed in ((8.0, 0.565), (10.0, 0.602))
    ]
    for pressures in (1.0, 1.5):
        name = f"ideal-cycle volumetric efficiency, exhaust over intake pressure {pressures:g}, compression ratio 9"
        expected = _ideal_filling_expected(9.0, pressures)
        checks.append(Check(name, filling, expected, 0.003, "", partial(_ideal_filling, 9.0, pressures)))
    source = "conservation of energy: without heat loss compression and expansion give back their work"
    checks.append(Check("work of a motored cycle between dead centres", source, 0.0, 1e-6, "", partial(_motored, 10.0)))
    source = "adiabatic compression, p·V^γ constant, γ = 1.4 (textbooks of thermodynamics)"
    checks.append(Check("exponent of adiabatic compression", source, 1.4, 1e-8, "", _compression_exponent))
    return tuple(checks)


def _tables() -> tuple[Check, ...]:
    """Return the checks against printed tables and definitions."""
    air = (
        "Ohio University, thermodynamics pages, Specific Heat Capacities of Air (NBS Circular 564, 1955); 0.5 % for "
        "oscillators without argon"
    )
    printed = ((300.0, 1.005), (500.0, 1.029), (800.0, 1.099), (1000.0, 1.142))
    checks = [
        Check(f"heat capacity of air at {kelvin:g} K", air, cp, 0.005 * cp, "kJ/(kg·K)", partial(_cp, kelvin))
        for kelvin, cp in printed
    ]
    source = (
        "JSME Mechanical Engineering Dictionary, entry mean inlet Mach number, 11:1002813: Z = A_p·S_p/(a·A) with the "
        "mean effective area A; a = 343.2 m/s of air at 20 °C. Taylor, vol. 1, ch. 6, was not read"
    )
    checks.append(Check("Mach index at the speed reported for 0.5", source, 0.5, 1e-4, "", _mach_at_half))
    return tuple(checks)


CHECKS: tuple[Check, ...] = (*_geometry(), *_vessels(), *_cycles(), *_tables())
"""The checks of the engine room."""
