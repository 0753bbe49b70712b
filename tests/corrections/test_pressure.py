"""Test pressure: the nozzle against tables, standards and an equation of state; both laws; the ledger."""

from __future__ import annotations

import dataclasses
import math

import fluids
import pytest
from fluids.flow_meter import nozzle_expansibility
from fluids.safety_valve import API520_C, API520_F2
from hypothesis import assume, given
from hypothesis import strategies as st

from flowkit.air import density
from flowkit.corrections.pressure import (
    FORMULAS,
    correct_test_pressure,
    critical_pressure_ratio,
    flow_function,
    law_difference,
    pressure_factor,
    reference_velocity,
)
from flowkit.errors import CorrectionError
from flowkit.model import INH2O_PA, AirState, Reference, UnitSource
from tests.corrections.samples import FLOWS, flow_test, setting
from tests.published import gas_dynamics, pressure_factors

ATMOSPHERE = 101_325.0
COMPRESSIBLE = Reference(pressure_law="compressible")
RATIOS = (0.999, 0.98, 0.931, 0.9, 0.8, 0.7, 0.6, 0.54)


def PropsSI(*state) -> float:
    from CoolProp.CoolProp import PropsSI

    return PropsSI(*state)


@pytest.mark.parametrize(("mach", "pressure_ratio", "area_ratio"), gas_dynamics.SUBSONIC)
def test_area_ratio_of_the_isentropic_table(mach: float, pressure_ratio: float, area_ratio: float) -> None:
    """A/A* is the choked flow over the flow; p/p_t in full from the Mach number, as the table was computed."""
    exact = (1 + 0.2 * mach**2) ** -3.5
    assert exact == pytest.approx(pressure_ratio, abs=5e-5)
    assert flow_function(0.4) / flow_function(exact) == pytest.approx(area_ratio, abs=5e-5)


@pytest.mark.parametrize(("mach", "pressure_ratio", "area_ratio"), gas_dynamics.SUBSONIC[:-1])
def test_flow_at_printed_pressure_ratios(mach: float, pressure_ratio: float, area_ratio: float) -> None:
    """From the printed p/p_t alone, within what its last digit leaves open."""
    low, high = flow_function(pressure_ratio + 5e-5), flow_function(pressure_ratio - 5e-5)
    choked = flow_function(0.4)
    assert choked / (area_ratio + 5e-5) <= high
    assert choked / (area_ratio - 5e-5) >= low


def test_choking_of_the_isentropic_table() -> None:
    assert critical_pressure_ratio() == pytest.approx(gas_dynamics.SUBSONIC[-1][1], abs=5e-5)
    for pr in (0.0, 0.2, 0.5):
        assert flow_function(pr) == pytest.approx(gas_dynamics.CHOKED_FLOW, abs=gas_dynamics.CHOKED_FLOW_ROUNDING)


@pytest.mark.parametrize("gamma", [1.2, 1.3, 1.4, 5 / 3])
def test_choking_closed_form_and_fluids(gamma: float) -> None:
    """Ψ* = sqrt(γ)·(2/(γ+1))^((γ+1)/(2(γ−1))); fluids.compressible and API 520's C = 0.03948·Ψ*."""
    closed = math.sqrt(gamma) * (2 / (gamma + 1)) ** ((gamma + 1) / (2 * (gamma - 1)))
    critical = critical_pressure_ratio(gamma)
    assert critical == pytest.approx(fluids.P_critical_flow(1.0, gamma), rel=1e-14)
    assert flow_function(critical, gamma) == pytest.approx(closed, rel=1e-12)
    assert flow_function(critical * 0.5, gamma) == pytest.approx(API520_C(gamma) / 0.03948, rel=1e-12)
    assert fluids.is_critical_flow(ATMOSPHERE, ATMOSPHERE * critical * 0.999, gamma)
    assert not fluids.is_critical_flow(ATMOSPHERE, ATMOSPHERE * critical * 1.001, gamma)


@pytest.mark.parametrize("pr", RATIOS)
def test_subcritical_flow_agrees_with_api_520(pr: float) -> None:
    """API 520 part I, F2, as fluids has it: Ψ = F2·sqrt(2·(1 − pr))."""
    assert flow_function(pr) == pytest.approx(API520_F2(1.4, 1.0, pr) * math.sqrt(2 * (1 - pr)), rel=1e-12)


@pytest.mark.parametrize("pr", RATIOS)
def test_subcritical_flow_agrees_with_iso_5167_nozzle(pr: float) -> None:
    """ISO 5167-3 expansibility of a nozzle in a wide pipe (diameter ratio 1e-3), as fluids has it."""
    expansibility = nozzle_expansibility(D=1.0, Do=1e-3, P1=ATMOSPHERE, P2=pr * ATMOSPHERE, k=1.4)
    assert flow_function(pr) == pytest.approx(expansibility * math.sqrt(2 * (1 - pr)), rel=1e-9)


@pytest.mark.parametrize("pr", [0.98, 0.931, 0.9, 0.8])
def test_flow_agrees_with_an_equation_of_state_of_air(pr: float) -> None:
    """CoolProp's air (Lemmon 2000), isentropic from 20 °C: real γ and Z differ from 1.4 and 1 by less than 2e-4."""
    state = ("T", 293.15, "P", ATMOSPHERE, "Air")
    enthalpy, entropy, rho = (PropsSI(key, *state) for key in ("H", "S", "D"))
    end = ("S", entropy, "P", pr * ATMOSPHERE, "Air")
    flux = PropsSI("D", *end) * math.sqrt(2 * (enthalpy - PropsSI("H", *end)))
    assert flow_function(pr) == pytest.approx(flux / math.sqrt(ATMOSPHERE * rho), rel=2e-4)


@pytest.mark.parametrize(("start", "end", "factor", "half"), pressure_factors.COMMON_FACTORS)
def test_factors_the_trade_goes_by(start: float, end: float, factor: float, half: float) -> None:
    assert pressure_factor("square-root", None, start * INH2O_PA, end * INH2O_PA) == pytest.approx(factor, abs=half)


@pytest.mark.parametrize("side", ["intake", "exhaust"])
def test_laws_differ_by_what_the_method_states(side: str) -> None:
    expected, half = pressure_factors.LAW_DIFFERENCE_10_TO_28[side]
    assert law_difference(side, 10 * INH2O_PA, 28 * INH2O_PA) == pytest.approx(expected, abs=half)


@pytest.mark.parametrize(("start", "end"), [(10, 28), (28, 10), (3, 28), (25, 28), (28, 60)])
def test_compressible_factor_against_api_520(start: float, end: float) -> None:
    """Mass flow by API 520's F2 from the stagnation state on each side; volume of room air is mass over ρ_b."""

    def mass(side: str, drop: float) -> float:
        """Mass flow over A·sqrt(ρ_b): stagnation density goes with stagnation pressure (same temperature)."""
        up, down = (ATMOSPHERE, ATMOSPHERE - drop) if side == "intake" else (ATMOSPHERE + drop, ATMOSPHERE)
        return API520_F2(1.4, up, down) * math.sqrt(2 * (up / ATMOSPHERE) * (up - down))

    for side in ("intake", "exhaust"):
        expected = mass(side, end * INH2O_PA) / mass(side, start * INH2O_PA)
        actual = pressure_factor("compressible", side, start * INH2O_PA, end * INH2O_PA)
        assert actual == pytest.approx(expected, rel=1e-12)


def test_velocity_of_ventilation_handbooks() -> None:
    """4005·sqrt(VP) ft/min at 28 inH2O, in their standard air of 0.075 lb/ft³."""
    standard = pressure_factors.VENTILATION_STANDARD_AIR_LB_FT3 * 0.45359237 / 0.3048**3
    air = AirState(pressure_pa=ATMOSPHERE * standard / density(AirState()))
    assert density(air) == pytest.approx(standard, rel=1e-5)
    feet_per_minute = reference_velocity(Reference(air=air), None) / 0.3048 * 60
    expected = pressure_factors.VENTILATION_CONSTANT * math.sqrt(28)
    assert feet_per_minute == pytest.approx(expected, rel=pressure_factors.VENTILATION_TOLERANCE)


def test_reference_velocity_of_the_compressible_law_is_mass_flow_over_density() -> None:
    """A choked or nearly choked nozzle by API 520: m = A·sqrt(ρ0·p0)·Ψ, volume at the room's density."""
    rho = density(AirState())
    drop = 28 * INH2O_PA
    intake = API520_F2(1.4, ATMOSPHERE, ATMOSPHERE - drop) * math.sqrt(2 * drop / rho)
    up = ATMOSPHERE + drop
    exhaust = API520_F2(1.4, up, ATMOSPHERE) * math.sqrt(2 * drop * rho * up / ATMOSPHERE) / rho
    assert reference_velocity(COMPRESSIBLE, "intake") == pytest.approx(intake, rel=1e-12)
    assert reference_velocity(COMPRESSIBLE, "exhaust") == pytest.approx(exhaust, rel=1e-12)


PRESSURE = st.floats(50.0, 20_000.0)
ROOM = st.floats(85e3, 106e3)
SIDE = st.sampled_from(["intake", "exhaust"])
LAW = st.sampled_from(["square-root", "compressible"])


@given(LAW, SIDE, PRESSURE, ROOM)
def test_the_reference_pressure_is_the_identity_to_the_last_bit(law, side, pressure, room) -> None:
    assert pressure_factor(law, side, pressure, pressure, room) == 1.0


@given(LAW, SIDE, PRESSURE, PRESSURE, ROOM)
def test_there_and_back(law, side, one, other, room) -> None:
    there = pressure_factor(law, side, one, other, room)
    assert there * pressure_factor(law, side, other, one, room) == pytest.approx(1.0, rel=1e-14)


@given(LAW, SIDE, PRESSURE, PRESSURE, PRESSURE, ROOM)
def test_two_steps_are_one(law, side, one, two, three, room) -> None:
    steps = pressure_factor(law, side, one, two, room) * pressure_factor(law, side, two, three, room)
    assert steps == pytest.approx(pressure_factor(law, side, one, three, room), rel=1e-13)


@given(LAW, SIDE, PRESSURE, PRESSURE, ROOM)
def test_more_pressure_at_the_reference_is_more_flow(law, side, pressure, reference, room) -> None:
    assert pressure_factor(law, side, pressure, reference * 1.01, room) > pressure_factor(
        law, side, pressure, reference, room
    )


@given(SIDE, PRESSURE, PRESSURE, ROOM)
def test_laws_meet_where_the_pressure_is_small(side, one, other, room) -> None:
    scale = 1e-6
    assert law_difference(side, one * scale, other * scale, room) == pytest.approx(0.0, abs=1e-6)


@given(PRESSURE, PRESSURE, ROOM)
def test_upwards_the_square_root_law_gives_more(one, other, room) -> None:
    assume(abs(one / other - 1) > 1e-6)
    low, high = sorted((one, other))
    for side in ("intake", "exhaust"):
        assert law_difference(side, low, high, room) > 0
        assert law_difference(side, high, low, room) < 0


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_flow_function_never_rises_with_the_pressure_ratio(one, other) -> None:
    low, high = sorted((one, other))
    assert flow_function(low) >= flow_function(high) - 1e-15
    assert flow_function(1.0) == 0.0


def test_flow_function_keeps_its_precision_near_one() -> None:
    """Series: Ψ² = 2x·(1 − 3x/(2γ) + …) with x = 1 − pr."""
    for x in (1e-6, 1e-9, 1e-12):
        pr = 1 - x
        assert flow_function(pr) ** 2 / (2 * (1 - pr)) == pytest.approx(1 - 1.5 * (1 - pr) / 1.4, rel=1e-9)


@pytest.mark.parametrize("pr", [-0.01, 1.01, math.nan])
def test_pressure_ratio_that_cannot_be(pr: float) -> None:
    with pytest.raises(CorrectionError, match="is not possible; check test pressure and barometer and their units"):
        flow_function(pr)


@pytest.mark.parametrize(
    ("law", "side", "pressures", "words"),
    [
        (
            "square-root",
            "intake",
            (0.0, 1.0, 1e5),
            "a test pressure of 0 kPa (0 inH2O) cannot be corrected with; check it and its unit.",
        ),
        (
            "square-root",
            "intake",
            (1.0, -1.0, 1e5),
            "a reference test pressure of -0.001 kPa (-0.004015 inH2O) cannot be corrected with;",
        ),
        ("square-root", "intake", (1.0, 1.0, math.nan), "a barometer of nan kPa (nan inH2O) cannot be corrected with;"),
        (
            "compressible",
            None,
            (1.0, 1.0, 1e5),
            "the compressible pressure law needs the side; state intake or exhaust",
        ),
        (
            "compressible",
            "intake",
            (2e5, 7e3, 1e5),
            "the intake cannot be tested at a test pressure of 200 kPa (802.9 inH2O), which is not below the barometer "
            "of 100 kPa (401.5 inH2O); check test pressure and barometer",
        ),
        ("square-root", "intake", (1e5, 7e3, 1e5), "the intake cannot be tested at a test pressure of 100 kPa"),
        (
            "square-root",
            "intake",
            (7e3, 2e5, 1e5),
            "the intake cannot be tested at a reference test pressure of 200 kPa",
        ),
    ],
)
def test_factors_that_cannot_be(law, side, pressures, words) -> None:
    with pytest.raises(CorrectionError) as caught:
        pressure_factor(law, side, *pressures)
    assert str(caught.value).startswith(words)


def test_velocity_of_the_compressible_law_needs_the_side() -> None:
    with pytest.raises(CorrectionError, match="needs the side"):
        reference_velocity(COMPRESSIBLE, None)


# --- the step ---------------------------------------------------------------------------------


def test_step_square_root() -> None:
    """10 to 28 inH2O: sqrt(2.8) to every point, the difference of the laws as the method's uncertainty."""
    step = correct_test_pressure(FLOWS, flow_test(test_pressure_pa=10 * INH2O_PA), setting())
    assert step.line.factor == pytest.approx([math.sqrt(2.8)] * 4, rel=1e-14)
    assert step.flow_m3_s == pytest.approx([q * math.sqrt(2.8) for q in FLOWS], rel=1e-14)
    assert step.line.formula == FORMULAS["square-root"]
    (finding,) = step.findings
    assert (finding.rule, finding.severity, finding.where) == ("law-difference", "note", "a.csv!intake 1")
    assert finding.message == (
        "From 10.0 inH2O to 28.0 inH2O the square-root and the compressible law differ by 2.5 % on the intake. That is "
        "the uncertainty of the method; test nearer to the reference pressure to make it smaller."
    )
    assert step.line.inputs["law_difference"] == pytest.approx(0.025, abs=5e-4)
    assert step.line.inputs["test_pressure_pa"] == 10 * INH2O_PA
    assert step.line.inputs["barometer_pa"] == ATMOSPHERE


def test_words_are_in_the_sheet_s_own_unit() -> None:
    test = flow_test(test_pressure_pa=2500.0)
    metric = dataclasses.replace(test, units=dataclasses.replace(test.units, pressure=UnitSource("kPa", "stated")))
    bare = dataclasses.replace(test, units=dataclasses.replace(test.units, pressure=None))
    (finding,) = correct_test_pressure(FLOWS, metric, setting()).findings
    assert finding.message.startswith("From 2.5 kPa to 7.0 kPa the square-root")
    (finding,) = correct_test_pressure(FLOWS, bare, setting()).findings
    assert finding.message.startswith("From 10.0 inH2O to 28.0 inH2O the square-root")


def test_step_states_both_sides_where_the_side_is_not_known() -> None:
    (finding,) = correct_test_pressure(FLOWS, flow_test(side=None, test_pressure_pa=2000.0), setting()).findings
    assert " on the intake, 0." in finding.message
    assert " on the exhaust. That is" in finding.message


@pytest.mark.parametrize(
    ("inches", "stated"), [(13.99, True), (14.0, False), (28.0, False), (56.0, False), (56.1, True)]
)
def test_uncertainty_is_stated_beyond_a_factor_of_two(inches: float, stated: bool) -> None:
    step = correct_test_pressure(FLOWS, flow_test(test_pressure_pa=inches * INH2O_PA), setting())
    assert [finding.rule for finding in step.findings] == (["law-difference"] if stated else [])
    assert ("law_difference" in step.line.inputs) is stated


def test_what_no_intake_could_be_sucked_at_is_compared_for_the_exhaust_only() -> None:
    step = correct_test_pressure(FLOWS, flow_test(test_pressure_pa=150e3, side=None), setting())
    assert "on the exhaust." in step.findings[0].message
    assert "intake" not in step.findings[0].message


def test_a_reference_no_intake_could_be_sucked_at_leaves_the_test_out() -> None:
    step = correct_test_pressure(FLOWS, flow_test(), setting(Reference(pressure_pa=120e3)))
    assert step.fatal
    assert step.findings[0].rule == "pressure-impossible"
    assert "a reference test pressure of 120 kPa (481.8 inH2O), which is not below" in step.findings[0].message
    assert not correct_test_pressure(FLOWS, flow_test(side="exhaust"), setting(Reference(pressure_pa=120e3))).fatal


def test_a_compressible_reference_no_intake_could_be_sucked_at_has_no_velocity() -> None:
    reference = Reference(pressure_pa=120e3, pressure_law="compressible")
    with pytest.raises(CorrectionError, match="the intake cannot be tested at a reference test pressure of 120 kPa"):
        reference_velocity(reference, "intake")
    assert reference_velocity(reference, "exhaust") > 0


@pytest.mark.parametrize("side", ["intake", "exhaust"])
def test_step_compressible(side: str) -> None:
    test = flow_test(side=side, test_pressure_pa=10 * INH2O_PA, barometer_pa=95e3)
    step = correct_test_pressure(FLOWS, test, setting(COMPRESSIBLE))
    expected = pressure_factor("compressible", side, 10 * INH2O_PA, 28 * INH2O_PA, 95e3)
    assert step.line.factor == (expected,) * 4
    assert step.line.formula == FORMULAS[side]
    assert step.line.inputs["barometer_pa"] == 95e3
    assert step.line.inputs["gamma"] == 1.4
    assert step.findings == ()


def test_step_compressible_assumes_the_barometer_and_says_so() -> None:
    step = correct_test_pressure(FLOWS, flow_test(test_pressure_pa=10 * INH2O_PA), setting(COMPRESSIBLE))
    assert (
        step.line.factor == (pressure_factor("compressible", "intake", 10 * INH2O_PA, 28 * INH2O_PA, ATMOSPHERE),) * 4
    )
    (finding,) = step.findings
    assert (finding.rule, finding.severity) == ("barometer-assumed", "note")
    assert "took 101325 Pa (29.92 inHg);" in finding.message


def test_no_barometer_is_needed_at_the_reference_pressure() -> None:
    step = correct_test_pressure(FLOWS, flow_test(), setting(COMPRESSIBLE))
    assert step.findings == ()
    assert step.line.factor == (1.0,) * 4


def test_each_point_has_its_own_pressure() -> None:
    own = (10 * INH2O_PA, None, 28 * INH2O_PA, 7 * INH2O_PA)
    step = correct_test_pressure(FLOWS, flow_test(pressures=own, test_pressure_pa=20 * INH2O_PA), setting())
    assert step.line.factor == pytest.approx([math.sqrt(2.8), math.sqrt(1.4), 1.0, 2.0], rel=1e-14)
    assert step.line.inputs["test_pressure_pa"] == "each point's own"
    assert step.findings[0].message.startswith("From 7.0 inH2O to 28.0 inH2O")


@pytest.mark.parametrize(
    ("test", "rule", "words"),
    [
        (flow_test(side=None), "side-missing", "the compressible pressure law needs the side"),
        (flow_test(test_pressure_pa=150e3), "pressure-impossible", "the intake cannot be tested at a test"),
        (flow_test(barometer_pa=0.0), "pressure-impossible", "a barometer of 0 kPa (0 inH2O)"),
    ],
)
def test_step_that_cannot_be_made_leaves_the_test_out(test, rule, words) -> None:
    step = correct_test_pressure(FLOWS, test, setting(COMPRESSIBLE))
    assert step.fatal
    assert step.flow_m3_s == FLOWS
    (finding,) = step.findings
    assert (finding.rule, finding.severity) == (rule, "error")
    assert finding.message.startswith(f"The test was left out: {words}")
    assert str(step.line.skipped).startswith(words)
