"""Air: orifice law from densities of PsychroLib and CoolProp; modes and missing inputs."""

from __future__ import annotations

import math

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowkit.corrections.air import actual_factor, air_factor, correct_air, metered_factor
from flowkit.errors import CorrectionError
from flowkit.model import AirState, Bench, Reference
from tests.corrections.samples import FLOWS, flow_test, setting

ROOM = {"air_temperature_k": 303.15, "barometer_pa": 98_000.0, "relative_humidity": 0.6}
METER = {"meter_temperature_k": 313.15, "meter_pressure_pa": 91_000.0}
STANDARD = AirState(288.15, 101_325.0, 0.0)
ACTUAL = Bench(air="actual")
METERED = Bench(air="metered", standard_air=STANDARD)


def HAPropsSI(*state) -> float:
    from CoolProp.HumidAirProp import HAPropsSI

    return HAPropsSI(*state)


def coolprop(celsius: float, pressure: float, **vapour: float) -> float:
    """Density of moist air, ASHRAE RP-1485."""
    ((key, value),) = vapour.items()
    return 1 / HAPropsSI("Vha", "T", celsius + 273.15, "P", pressure, key, value)


def test_as_stated_is_skipped_with_its_reason() -> None:
    step = correct_air(FLOWS, flow_test(**ROOM), setting())
    assert step.line.skipped == "the flows are taken as stated: air as the bench gave it"
    assert step.line.inputs == {"air": "as stated"}
    assert step.flow_m3_s == FLOWS


def test_actual_agrees_with_coolprop() -> None:
    step = correct_air(FLOWS, flow_test(**ROOM), setting(bench=ACTUAL))
    expected = math.sqrt(coolprop(30, 98_000.0, R=0.6) / coolprop(20, 101_325.0, R=0.0))
    assert step.line.factor == pytest.approx([expected] * 4, rel=2e-5)
    assert step.flow_m3_s == pytest.approx([q * expected for q in FLOWS], rel=2e-5)
    assert step.line.inputs["air_density_kg_m3"] == pytest.approx(coolprop(30, 98_000.0, R=0.6), rel=5e-5)
    assert step.line.inputs["reference_density_kg_m3"] == setting().reference_density_kg_m3


def test_actual_agrees_with_the_perfect_gas_of_a_handbook() -> None:
    """sqrt(p·T_ref/(p_ref·T)) with the vapour's lightness by PsychroLib; Z cancels to 1e-4."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    room = psychrolib.GetMoistAirDensity(30.0, psychrolib.GetHumRatioFromRelHum(30.0, 0.6, 98_000.0), 98_000.0)
    dry = psychrolib.GetDryAirDensity(20.0, 101_325.0)
    step = correct_air(FLOWS, flow_test(**ROOM), setting(bench=ACTUAL))
    assert step.line.factor == pytest.approx([math.sqrt(room / dry)] * 4, rel=1e-4)


def test_metered_agrees_with_coolprop_by_the_share_of_vapour() -> None:
    """The meter's air holds as much vapour as the room's, whatever its temperature."""
    step = correct_air(FLOWS, flow_test(**ROOM, **METER), setting(bench=METERED))
    share = HAPropsSI("Y", "T", 303.15, "P", 98_000.0, "R", 0.6)
    room, meter = coolprop(30, 98_000.0, R=0.6), coolprop(40, 91_000.0, Y=share)
    reference, calibration = coolprop(20, 101_325.0, R=0.0), coolprop(15, 101_325.0, R=0.0)
    expected = math.sqrt(calibration * meter / (room * reference))
    assert step.line.factor == pytest.approx([expected] * 4, rel=2e-5)
    assert step.line.inputs["meter_density_kg_m3"] == pytest.approx(meter, rel=5e-5)
    assert step.line.inputs["calibration_density_kg_m3"] == pytest.approx(calibration, rel=5e-5)


def test_metered_is_mass_over_density_then_the_orifice_law() -> None:
    """Written out by mass: what an orifice meter scaled for ρ_cal shows, from what truly flows."""
    volume, rho, meter, calibration, reference = 0.1, 1.10, 1.02, 1.225, 1.2
    mass = volume * rho
    shown = mass / meter * math.sqrt(meter / calibration)  # its pressure drop read on a scale for ρ_cal
    expected = volume * math.sqrt(rho / reference)
    assert shown * metered_factor(calibration, meter, rho, reference) == pytest.approx(expected, rel=1e-14)


def test_a_meter_in_the_room_s_own_air_differs_from_actual_by_its_scale_only() -> None:
    same = {"meter_temperature_k": ROOM["air_temperature_k"], "meter_pressure_pa": ROOM["barometer_pa"]}
    step = correct_air(FLOWS, flow_test(**ROOM, **same), setting(bench=METERED))
    scale = math.sqrt(coolprop(15, 101_325.0, R=0.0) / coolprop(20, 101_325.0, R=0.0))
    assert step.line.factor == pytest.approx([scale] * 4, rel=2e-5)


@pytest.mark.parametrize("air", [AirState(), AirState(300.0, 99_000.0, 0.4)])
def test_the_reference_air_is_the_identity_to_the_last_bit(air: AirState) -> None:
    room = {
        "air_temperature_k": air.temperature_k,
        "barometer_pa": air.pressure_pa,
        "relative_humidity": air.relative_humidity,
    }
    step = correct_air(FLOWS, flow_test(**room), setting(Reference(air=air), ACTUAL))
    assert step.line.factor == (1.0,) * 4
    assert step.flow_m3_s == FLOWS


@pytest.mark.parametrize(
    ("bench", "conditions", "missing"),
    [
        (ACTUAL, {}, "air temperature, barometer and humidity are not known"),
        (ACTUAL, {**ROOM, "barometer_pa": None}, "barometer is not known"),
        (ACTUAL, {**ROOM, "relative_humidity": None}, "humidity is not known"),
        (METERED, ROOM, "meter temperature and meter pressure are not known"),
        (METERED, {**ROOM, **METER, "meter_pressure_pa": None}, "meter pressure is not known"),
        (Bench(air="metered"), {**ROOM, **METER}, "standard air of the bench is not known"),
    ],
)
def test_a_mode_without_its_inputs_is_an_error(bench: Bench, conditions: dict[str, float], missing: str) -> None:
    step = correct_air(FLOWS, flow_test(**conditions), setting(bench=bench))
    assert step.fatal
    assert step.line.skipped == missing
    (finding,) = step.findings
    assert (finding.rule, finding.severity) == ("air-missing", "error")
    assert finding.message == (
        f'The test was left out: its air is to be corrected from "{bench.air}" readings, but {missing}; '
        'correct that in the job, or take the flows "as stated".'
    )
    with pytest.raises(CorrectionError, match="is not known"):
        air_factor(flow_test(**conditions), setting(bench=bench))


def test_air_that_cannot_be_is_an_error() -> None:
    step = correct_air(FLOWS, flow_test(**{**ROOM, "relative_humidity": 60.0}), setting(bench=ACTUAL))
    assert step.fatal
    assert step.findings[0].rule == "air-impossible"
    assert "a relative humidity of 60 is not possible" in step.findings[0].message


DENSITY = st.floats(0.8, 1.4)


@given(DENSITY, DENSITY, DENSITY, DENSITY)
def test_factors_undo_themselves(calibration: float, meter: float, rho: float, reference: float) -> None:
    assert actual_factor(rho, reference) * actual_factor(reference, rho) == pytest.approx(1.0, rel=1e-14)
    assert actual_factor(rho, rho) == 1.0
    product = metered_factor(calibration, meter, rho, reference) * metered_factor(rho, reference, calibration, meter)
    assert product == pytest.approx(1.0, rel=1e-14)
    assert actual_factor(rho * 1.01, reference) > actual_factor(rho, reference)
