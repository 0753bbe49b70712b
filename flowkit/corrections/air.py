"""Air: bringing a flow to the density of the reference air."""

from __future__ import annotations

import math

from flowkit.air import density, density_at, vapour_mole_fraction
from flowkit.corrections.step import Setting, Step, skipped
from flowkit.errors import CorrectionError
from flowkit.model import AirState, Finding, FlowTest, LedgerLine

__all__ = ["FORMULAS", "actual_factor", "correct_air", "metered_factor"]

FORMULAS = {
    "as stated": "Q2 = Q1",
    "actual": "Q2 = Q1·sqrt(ρ/ρ_ref) (orifice law; ρ by CIPM-2007)",
    "metered": "Q2 = Q1·sqrt(ρ_cal·ρ_meter/(ρ·ρ_ref)) (orifice law; ρ by CIPM-2007)",
}
AS_THE_BENCH_GAVE_IT = "the flows are taken as stated: air as the bench gave it"


def actual_factor(density_kg_m3: float, reference_kg_m3: float) -> float:
    """Return what the true volume at the inlet is multiplied by.

    Parameters
    ----------
    density_kg_m3, reference_kg_m3 : float
        Density of the room's and of the reference air [kg/m³].

    Returns
    -------
    float

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

    Returns
    -------
    float

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


def missing_inputs(test: FlowTest, setting: Setting) -> tuple[str, ...]:
    """Return in words what the air correction that was asked for lacks."""
    conditions = test.conditions
    needed = {
        "air temperature": conditions.air_temperature_k,
        "barometer": conditions.barometer_pa,
        "humidity": conditions.relative_humidity,
    }
    if setting.bench.air == "metered":
        needed |= {
            "meter temperature": conditions.meter_temperature_k,
            "meter pressure": conditions.meter_pressure_pa,
            "standard air of the bench": None if setting.bench.standard_air is None else 0.0,
        }
    return tuple(name for name, value in needed.items() if value is None)


def air_factor(test: FlowTest, setting: Setting) -> tuple[float, dict[str, float]]:
    """Return the factor of the mode in use and the densities behind it; inputs must be complete."""
    conditions = test.conditions
    if setting.bench.air == "as stated" or "air" in setting.off:
        return 1.0, {}
    if conditions.air_temperature_k is None or conditions.barometer_pa is None or conditions.relative_humidity is None:
        raise CorrectionError("the room's air is not known", "state temperature, barometer and humidity")
    room = AirState(conditions.air_temperature_k, conditions.barometer_pa, conditions.relative_humidity)
    rho = density(room)
    reference = setting.reference_density_kg_m3
    if setting.bench.air == "actual":
        return actual_factor(rho, reference), {
            "air_density_kg_m3": rho,
            "reference_density_kg_m3": reference,
        }
    standard = setting.bench.standard_air
    if conditions.meter_temperature_k is None or conditions.meter_pressure_pa is None or standard is None:
        raise CorrectionError("the meter's air is not known", "state its temperature, pressure and standard air")
    calibration = density(standard)
    # The meter sees the room's air again: warmer or thinner, but with the same share of vapour.
    meter = density_at(conditions.meter_temperature_k, conditions.meter_pressure_pa, vapour_mole_fraction(room))
    return metered_factor(calibration, meter, rho, reference), {
        "air_density_kg_m3": rho,
        "reference_density_kg_m3": reference,
        "calibration_density_kg_m3": calibration,
        "meter_density_kg_m3": meter,
    }


def correct_air(flow: tuple[float, ...], test: FlowTest, setting: Setting) -> Step:
    """Bring the flows of a test to the density of the reference air.

    Parameters
    ----------
    flow : tuple of float
        Flow at each point of the test [m³/s].
    test : FlowTest
        The test with the conditions of its air.
    setting : Setting
        With the reference density and what the bench's readings are.

    Returns
    -------
    Step
        One factor for all points; fatal where the mode asked for lacks its inputs.

    Notes
    -----
    Orifice law (common practice); density by CIPM-2007, see `flowkit.air`.
    """
    mode = setting.bench.air
    formula = FORMULAS[mode]
    if mode == "as stated":
        return skipped("air", formula, flow, AS_THE_BENCH_GAVE_IT, inputs={"air": mode})
    conditions = test.conditions
    inputs: dict[str, float | str | None] = {
        "air": mode,
        "air_temperature_k": conditions.air_temperature_k,
        "barometer_pa": conditions.barometer_pa,
        "relative_humidity": conditions.relative_humidity,
    }
    if mode == "metered":
        inputs |= {
            "meter_temperature_k": conditions.meter_temperature_k,
            "meter_pressure_pa": conditions.meter_pressure_pa,
        }
    missing = missing_inputs(test, setting)
    if missing:
        return _left_out(flow, test, inputs, rule="air-missing", reason=f"{_list(missing)} not known")
    try:
        factor, densities = air_factor(test, setting)
    except CorrectionError as problem:
        return _left_out(flow, test, inputs, rule="air-impossible", reason=problem.problem)
    line = LedgerLine("air", formula, {**inputs, **densities}, factor=(factor,) * len(flow))
    return Step(line, tuple(q * factor for q in flow))


def _left_out(
    flow: tuple[float, ...],
    test: FlowTest,
    inputs: dict[str, float | str | None],
    *,
    rule: str,
    reason: str,
) -> Step:
    """Return the fatal step of an air correction that cannot be made."""
    finding = Finding(
        rule,
        "error",
        test.id,
        f'The test was left out: its air is to be corrected from "{inputs["air"]}" readings, but {reason}; '
        'correct that in the job, or take the flows "as stated".',
    )
    return Step(LedgerLine("air", FORMULAS[str(inputs["air"])], inputs, skipped=reason), flow, (finding,), fatal=True)


def _list(words: tuple[str, ...]) -> str:
    """Return words joined as a sentence does, with their verb."""
    joined = " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else words[0]
    return f"{joined} {'are' if len(words) > 1 else 'is'}"
