"""The mean inlet Mach index: where the heads begin to limit the engine."""

from __future__ import annotations

import math
from collections.abc import Sequence

from flowkit.engine.data import EngineData
from flowkit.engine.gas import AIR_GAS_CONSTANT
from flowkit.engine.results import MachIndex
from flowkit.errors import EngineError

__all__ = ["mean_inlet_mach_index", "mean_piston_speed", "sound_speed"]

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
