"""What the filling model's cycles are as figures, and the power the air allows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from flowkit.engine.data import EngineData
from flowkit.engine.gas import AIR_GAS_CONSTANT
from flowkit.engine.results import AirLimitedPower, Filling

if TYPE_CHECKING:
    from flowkit.engine.filling import Cycles

__all__ = ["air_limited_power", "filling_figures"]

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
