"""Air: bringing a flow to the density of the reference air."""

from __future__ import annotations

import math
from dataclasses import replace

from flowkit.air import density, density_at, vapour_mole_fraction
from flowkit.corrections.step import Inputs, Setting, Step, made, skipped
from flowkit.errors import CorrectionError
from flowkit.model import AirState, Finding, FlowTest
from flowkit.wording import listed

__all__ = ["FORMULAS", "actual_factor", "metered_factor"]

FORMULAS = {
    "as stated": "Q2 = Q1",
    "actual": "Q2 = Q1·sqrt(ρ/ρ_ref) (orifice law; ρ by CIPM-2007)",
    "metered": "Q2 = Q1·sqrt(ρ_cal·ρ_meter/(ρ·ρ_ref)) (orifice law; ρ by CIPM-2007)",
}


def actual_factor(density_kg_m3: float, reference_kg_m3: float) -> float:
    """Return what the true volume at the inlet is multiplied by.

    Parameters
    ----------
    density_kg_m3, reference_kg_m3 : float
        Density of the room's and of the reference air [kg/m³].

    Notes
    -----
    An orifice passes ``sqrt(2·ΔP/ρ)`` times its area, so that at the same pressure the
    reference air would flow ``sqrt(ρ/ρ_ref)`` times as much.

    Examples
    --------
    >>> actual_factor(1.21, 1.0)
    1.1
    """
    return math.sqrt(density_kg_m3 / reference_kg_m3)


def metered_factor(calibration_kg_m3: float, meter_kg_m3: float, density_kg_m3: float, reference_kg_m3: float) -> float:
    """Return what the reading of an orifice-type meter is multiplied by.

    Parameters
    ----------
    calibration_kg_m3 : float
        Density the meter's scale was made for [kg/m³].
    meter_kg_m3 : float
        Density of the air in the meter [kg/m³].
    density_kg_m3, reference_kg_m3 : float
        Density of the room's and of the reference air [kg/m³].

    Notes
    -----
    The meter's volume is ``Q·sqrt(ρ_cal/ρ_meter)``, its mass flow ``Q·sqrt(ρ_cal·ρ_meter)``;
    the same mass at the inlet has the volume ``Q·sqrt(ρ_cal·ρ_meter)/ρ``, and the orifice
    law of `actual_factor` makes that ``Q·sqrt(ρ_cal·ρ_meter/(ρ·ρ_ref))``.

    Examples
    --------
    >>> metered_factor(1.2, 1.2, 1.2, 1.2)
    1.0
    """
    return math.sqrt(calibration_kg_m3 * meter_kg_m3 / (density_kg_m3 * reference_kg_m3))


def air_factor(test: FlowTest, setting: Setting) -> tuple[float, dict[str, float]]:
    """Return the factor of the mode in use and the densities behind it; inputs must be complete."""
    at, bench = test.conditions, setting.bench
    if bench.air == "as stated" or "air" in setting.off:
        return 1.0, {}
    if at.air_temperature_k is None or at.barometer_pa is None or at.relative_humidity is None:
        raise CorrectionError("the room's air is not known", "state temperature, barometer and humidity")
    room = AirState(at.air_temperature_k, at.barometer_pa, at.relative_humidity)
    rho, reference = density(room), setting.reference_density_kg_m3
    densities = {"air_density_kg_m3": rho, "reference_density_kg_m3": reference}
    if bench.air == "actual":
        return actual_factor(rho, reference), densities
    if at.meter_temperature_k is None or at.meter_pressure_pa is None or bench.standard_air is None:
        raise CorrectionError("the meter's air is not known", "state its temperature, pressure and standard air")
    calibration = density(bench.standard_air)
    # The meter sees the room's air again: warmer or thinner, but with the same share of vapour.
    meter = density_at(at.meter_temperature_k, at.meter_pressure_pa, vapour_mole_fraction(room))
    densities |= {"calibration_density_kg_m3": calibration, "meter_density_kg_m3": meter}
    return metered_factor(calibration, meter, rho, reference), densities


def correct_air(flow: tuple[float, ...], test: FlowTest, setting: Setting) -> Step:
    """Bring a test's flows to the density of the reference air; fatal where the mode asked for lacks its inputs."""
    mode = setting.bench.air
    if mode == "as stated":
        reason = "the flows are taken as stated: air as the bench gave it"
        return skipped("air", FORMULAS[mode], flow, reason, {"air": mode})
    asked = ["air_temperature_k", "barometer_pa", "relative_humidity"]
    words = ["air temperature", "barometer", "humidity"]
    if mode == "metered":
        asked += ["meter_temperature_k", "meter_pressure_pa"]
        words += ["meter temperature", "meter pressure"]
    stated = {name: getattr(test.conditions, name) for name in asked}
    missing = [word for word, value in zip(words, stated.values(), strict=True) if value is None]
    if mode == "metered" and setting.bench.standard_air is None:
        missing.append("standard air of the bench")
    inputs: Inputs = {"air": mode, **stated}
    try:
        factor, densities = air_factor(test, setting)
    except CorrectionError as problem:
        known = f"{listed(missing)} {'are' if len(missing) > 1 else 'is'} not known"
        reason = known if missing else problem.problem
        rule = "air-missing" if missing else "air-impossible"
        message = (
            f'The test was left out: its air is to be corrected from "{mode}" readings, but {reason}; '
            'correct that in the job, or take the flows "as stated".'
        )
        step = skipped("air", FORMULAS[mode], flow, reason, inputs, Finding(rule, "error", test.id, message))
        return replace(step, fatal=True)
    return made("air", FORMULAS[mode], flow, {**inputs, **densities}, factor=(factor,) * len(flow))
