"""The cylinder: its volume, its walls, the heat released and the heat lost."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.engine.data import EngineData

__all__ = ["Motored", "burn_rate", "cylinder_volume", "heat_coefficient", "kinematics", "piston_drop"]

Array = NDArray[np.float64]


def piston_drop(engine: EngineData, theta_deg: ArrayLike) -> Array:
    """Return the piston's distance from top dead centre [m].

    Slider-crank without offset (Heywood 1988, eq. 2.5): l + a − s, s = a·cosθ + √(l² − a²·sin²θ).

    Parameters
    ----------
    engine : EngineData
    theta_deg : array_like
        Crank angle after top dead centre [degrees].

    Examples
    --------
    >>> engine = EngineData(4, 0.080, 0.080, 0.140, 10)
    >>> [round(float(piston_drop(engine, angle)) * 1e3, 6) for angle in (0, 180)]
    [0.0, 80.0]
    """
    theta = np.radians(np.asarray(theta_deg, dtype=float))
    crank = engine.stroke_m / 2
    reach = crank * np.cos(theta) + np.sqrt(engine.rod_m**2 - (crank * np.sin(theta)) ** 2)
    return np.asarray(engine.rod_m + crank - reach)


def cylinder_volume(engine: EngineData, theta_deg: ArrayLike) -> Array:
    """Return the cylinder's volume [m³] (Heywood 1988, eq. 2.4).

    Parameters
    ----------
    engine : EngineData
    theta_deg : array_like
        Crank angle after top dead centre [degrees].

    Examples
    --------
    >>> engine = EngineData(4, 0.080, 0.080, 0.140, 10)
    >>> round(float(cylinder_volume(engine, 180) / cylinder_volume(engine, 0)), 9)
    10.0
    """
    return engine.clearance_m3 + engine.piston_area_m2 * piston_drop(engine, theta_deg)


def kinematics(engine: EngineData, theta_deg: Array) -> tuple[Array, Array, Array]:
    """Return volume [m³], dV/dθ [m³ per degree] and wall area [m²] together, for speed.

    Heywood (1988), eqs 2.4 and 2.5 as in `cylinder_volume`, 2.4 differentiated, and 2.7 for the walls: piston and head,
    taken flat and each of the bore's area (model), and the uncovered liner.

    Parameters
    ----------
    engine : EngineData
    theta_deg : array
        Crank angle after top dead centre [degrees].

    Examples
    --------
    >>> engine = EngineData(4, 0.080, 0.080, 0.140, 10)
    >>> bool(kinematics(engine, np.array([90.0]))[0] == cylinder_volume(engine, [90.0]))
    True
    """
    theta, crank, area = theta_deg * (math.pi / 180), engine.stroke_m / 2, engine.piston_area_m2
    across, along = crank * np.sin(theta), crank * np.cos(theta)
    leg = np.sqrt(engine.rod_m**2 - across * across)
    drop = engine.rod_m + crank - along - leg
    rate = (area * math.pi / 180) * across * (1 + along / leg)
    volume = engine.clearance_m3 + area * drop
    return volume, rate, 2 * area + (4 / engine.bore_m) * volume


def burn_rate(engine: EngineData, theta_deg: ArrayLike) -> Array:
    """Return dx/dθ of the fraction burned [per degree] during combustion; the Wiebe function differentiated.

    x = (1 − e^(−a·y^(m+1)))/(1 − e^(−a)), y = (θ − start)/duration (Heywood 1988, eq. 9.30); the
    denominator, which is ours, brings x to 1 at the end, so that all heat is released by then.

    Parameters
    ----------
    engine : EngineData
    theta_deg : array_like
        Crank angle after firing dead centre [degrees]; from start to end of combustion.

    Examples
    --------
    >>> engine = EngineData(4, 0.080, 0.080, 0.140, 10)
    >>> float(burn_rate(engine, -20.0))
    0.0
    """
    # Rounding at the ends of the interval must not switch the heat on or off.
    from_start = np.asarray(theta_deg, dtype=float) - engine.wiebe_start_deg
    y = np.clip(from_start / engine.wiebe_duration_deg, 0.0, 1.0)
    a, m = engine.wiebe_a, engine.wiebe_m
    factor = a * (m + 1) / (-np.expm1(-a) * engine.wiebe_duration_deg)
    power = y**m
    return np.asarray(factor * power * np.exp(-a * power * y))


@dataclass(frozen=True, slots=True)
class Motored:
    """The state at intake closing, for the gas velocity that combustion adds."""

    pressure_pa: Array
    temperature_k: Array
    volume_m3: Any
    exponent: float = 1.33  # of the motored pressure, p·Vⁿ constant


def heat_coefficient(
    engine: EngineData,
    *,
    pressure: Array,
    temperature: Array,
    volume: Array,
    piston_speed: Array,
    open_valves: bool,
    motored: Motored | None = None,
) -> Array:
    """Return the heat transfer coefficient from gas to wall [W/(m²·K)].

    Woschni (Heywood 1988, eqs 12.19–12.20, from memory): h = 3.26·B^−0.2·p^0.8·T^−0.55·w^0.8 with p in
    kPa and w = 6.18·S_p with open valves, 2.28·S_p closed, plus 3.24e-3·V_d·T_r/(p_r·V_r)·(p − p_m) from
    the start of combustion; no swirl. Hohenberg (SAE 790825, from memory): h = 130·V^−0.06·p^0.8·T^−0.4·
    (S_p + 1.4)^0.8 with p in bar.

    Parameters
    ----------
    engine : EngineData
    pressure, temperature : array, shape (n,)
        Of the gas [Pa], [K].
    volume : array, shape (n,)
        [m³]
    piston_speed : array, shape (n,)
        Mean [m/s].
    open_valves : bool
        Gas exchange, or compression and expansion.
    motored : Motored, optional
        From the start of combustion to the opening of the exhaust valve.

    Examples
    --------
    >>> engine = EngineData(4, 0.080, 0.080, 0.140, 10)
    >>> one = np.array([1.0])
    >>> coefficient = heat_coefficient(engine, pressure=1e5 * one, temperature=300 * one, volume=4e-4 * one,
    ...                                piston_speed=10 * one, open_valves=False)
    >>> round(float(coefficient[0]))
    114
    """
    if engine.heat_transfer == "hohenberg":
        # x^0.8 and the like in one exponential: logarithms are cheaper than powers.
        factor = 130 * volume**-0.06 * 1e-5**0.8
        return np.asarray(factor * np.exp(0.8 * np.log(pressure * (piston_speed + 1.4)) - 0.4 * np.log(temperature)))
    velocity = (6.18 if open_valves else 2.28) * piston_speed
    if motored is not None:
        motored_pressure = motored.pressure_pa * (motored.volume_m3 / volume) ** motored.exponent
        state = motored.temperature_k / (motored.pressure_pa * motored.volume_m3)
        velocity = velocity + 3.24e-3 * engine.displacement_m3 * state * np.maximum(pressure - motored_pressure, 0.0)
    factor = 3.26 * engine.bore_m**-0.2 * 1e-3**0.8
    return np.asarray(factor * np.exp(0.8 * np.log(pressure * velocity) - 0.55 * np.log(temperature)))
