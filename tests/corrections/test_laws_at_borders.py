"""The laws of pressure and bore at their borders: signs, ledger keys, defaults.

Expected values are written out from the formulas, or worked by hand beside them.
"""

from __future__ import annotations

import math

import pytest

from flowkit.corrections import correct
from flowkit.corrections.air import air_factor, correct_air
from flowkit.corrections.bore import FORMULA as BORE_FORMULA
from flowkit.corrections.bore import bore_factor, shrouded_area, unshrouded_area
from flowkit.corrections.check_plate import FORMULA as CHECK_FORMULA
from flowkit.corrections.check_plate import check_factor
from flowkit.corrections.pressure import FORMULAS as PRESSURE_FORMULAS
from flowkit.corrections.pressure import correct_test_pressure, flow_function, pressure_factor, reference_velocity
from flowkit.errors import CorrectionError
from flowkit.model import INH2O_PA, Bench, Reference, ValveGeometry
from tests.corrections.samples import FLOWS, flow_test, line, only, setting

COMPRESSIBLE = Reference(pressure_law="compressible")
PLACE = "a.csv!intake 1"


# --- the test pressure ----------------------------------------------------------------------------


def nozzle(side: str, pressure: float, barometer: float) -> float:
    """Volume of room air through an isentropic nozzle over A·sqrt(p_b/ρ_b), as Heywood's (C.8) reads."""
    up = barometer if side == "intake" else barometer + pressure
    pr = (barometer - pressure) / barometer if side == "intake" else barometer / up
    psi = math.sqrt(2 * 1.4 / 0.4 * (pr ** (2 / 1.4) - pr ** (2.4 / 1.4)))
    return up / barometer * psi


def laws(side: str, pressure: float, barometer: float = 101_325.0, target: float = 28 * INH2O_PA) -> float:
    """Square-root over compressible law − 1, written out."""
    compressible = nozzle(side, target, barometer) / nozzle(side, pressure, barometer)
    return math.sqrt(target / pressure) / compressible - 1


def test_ledger_of_the_pressure_names_its_inputs() -> None:
    (test,) = correct([flow_test(test_pressure_pa=25 * INH2O_PA)]).tests
    assert line(test.ledger, "test-pressure").inputs == {
        "pressure_law": "square-root",
        "test_pressure_pa": 25 * INH2O_PA,
        "reference_pressure_pa": 28 * INH2O_PA,
    }
    (test,) = correct([flow_test(test_pressure_pa=25 * INH2O_PA, barometer_pa=95e3)], COMPRESSIBLE).tests
    assert line(test.ledger, "test-pressure").inputs == {
        "pressure_law": "compressible",
        "test_pressure_pa": 25 * INH2O_PA,
        "reference_pressure_pa": 28 * INH2O_PA,
        "barometer_pa": 95e3,
        "gamma": 1.4,
    }


def test_pressure_that_is_refused_keeps_its_ledger_line() -> None:
    step = correct_test_pressure(FLOWS, flow_test(test_pressure_pa=150e3, barometer_pa=95e3), setting(COMPRESSIBLE))
    assert (step.line.correction, step.line.formula) == ("test-pressure", PRESSURE_FORMULAS["intake"])
    assert (step.line.inputs["test_pressure_pa"], step.line.inputs["barometer_pa"]) == (150e3, 95e3)
    assert step.findings[0].where == PLACE


def test_largest_difference_of_the_laws_counts_whatever_its_sign() -> None:
    """Downwards the square-root law gives less: there the larger difference is below zero."""
    own = (10 * INH2O_PA, 28 * INH2O_PA, 112 * INH2O_PA, 28 * INH2O_PA)
    step = correct_test_pressure(FLOWS, flow_test(pressures=own), setting())
    up, down = laws("intake", 10 * INH2O_PA), laws("intake", 112 * INH2O_PA)
    assert 0 < up < -down
    assert step.line.inputs["law_difference"] == pytest.approx(down, rel=1e-9)
    assert f"differ by {-100 * down:.1f} % on the intake" in step.findings[0].message


def test_where_the_side_is_not_known_the_larger_of_both_counts() -> None:
    step = correct_test_pressure(FLOWS, flow_test(side=None, test_pressure_pa=112 * INH2O_PA), setting())
    both = [laws(side, 112 * INH2O_PA) for side in ("intake", "exhaust")]
    assert both[0] < -abs(both[1])
    assert step.line.inputs["law_difference"] == pytest.approx(both[0], rel=1e-9)


def test_laws_are_compared_at_the_day_s_barometer() -> None:
    test = flow_test(test_pressure_pa=10 * INH2O_PA, barometer_pa=70e3)
    step = correct_test_pressure(FLOWS, test, setting())
    expected = laws("intake", 10 * INH2O_PA, 70e3)
    assert expected > 1.3 * laws("intake", 10 * INH2O_PA)
    assert step.line.inputs["law_difference"] == pytest.approx(expected, rel=1e-9)
    assert step.line.inputs["barometer_pa"] == 70e3


def test_a_suction_beyond_the_barometer_leaves_the_blown_side_to_compare_with() -> None:
    step = correct_test_pressure(FLOWS, flow_test(side=None, test_pressure_pa=110e3), setting())
    assert " % on the exhaust. That is" in step.findings[0].message
    assert "on the intake" not in step.findings[0].message
    assert step.line.inputs["law_difference"] is not None


# --- the bore -------------------------------------------------------------------------------------


def test_without_an_offset_the_valve_stands_on_the_axis() -> None:
    bores = {"fixture_bore_m": 0.0805, "engine_bore_m": 0.083, "valve_diameter_m": 0.038}
    assert bore_factor(0.05, 107.6, **bores) == bore_factor(0.05, 107.6, **bores, offset_m=0.0)
    assert shrouded_area(5e-4, 0.0805, 0.038) == shrouded_area(5e-4, 0.0805, 0.038, 0.0)
    assert unshrouded_area(5e-4, 0.0805, 0.038) == unshrouded_area(5e-4, 0.0805, 0.038, 0.0)


SHEET = {"fixture_bore_m": 0.0805, "valve_diameter_m": 0.038}


def test_ledger_of_a_bore_on_the_axis_names_its_inputs() -> None:
    (test,) = correct([flow_test(**SHEET)], Reference(bore_m=0.083)).tests
    item = line(test.ledger, "bore")
    assert item.formula == BORE_FORMULA
    assert {
        name: item.inputs[name] for name in ("fixture_bore_m", "engine_bore_m", "valve_diameter_m", "offset_m")
    } == {
        **SHEET,
        "engine_bore_m": 0.083,
        "offset_m": 0.0,
    }


def test_bore_whose_inputs_are_there_in_part_keeps_what_is_known() -> None:
    result = correct([flow_test(fixture_bore_m=0.0805)], Reference(bore_m=0.083))
    item = line(result.tests[0].ledger, "bore")
    assert (item.formula, item.skipped) == (BORE_FORMULA, "the valve head diameter is not known")
    assert item.inputs == {
        "fixture_bore_m": 0.0805,
        "engine_bore_m": 0.083,
        "valve_diameter_m": None,
        "offset_m": 0.0,
        "offset": "not stated, taken to be on the axis",
    }
    assert result.findings[0].where == PLACE


def test_more_flow_than_the_gap_passes_keeps_its_ledger_line() -> None:
    # By hand: π/4·(80.5² − 38²) = 3955 mm²; 0.5 m³/s at 107.6 m/s need 4646 mm².
    result = correct([flow_test((0.02, 0.5), **SHEET)], Reference(bore_m=0.083))
    assert only(result.findings) == (
        "bore-impossible",
        "error",
        PLACE,
        "The bore correction was not made: an effective area of 4646 mm² is not less than the 3955 mm² between valve "
        "and wall; check flow, bore and valve head and their units.",
    )
    item = line(result.tests[0].ledger, "bore")
    assert item.formula == BORE_FORMULA
    assert item.inputs["engine_bore_m"] == 0.083


def test_bore_of_a_test_without_a_side_takes_no_side_s_valve() -> None:
    """Which valve stands in the port is not known, so neither its diameter nor its offset is taken."""
    valves = {"intake": ValveGeometry(head_m=0.038, offset_m=0.01), "exhaust": ValveGeometry(head_m=0.033)}
    result = correct([flow_test(side=None, fixture_bore_m=0.0805)], Reference(bore_m=0.083), valves=valves)
    assert line(result.tests[0].ledger, "bore").skipped == "the valve head diameter is not known"


def test_compressible_law_without_a_side_says_what_to_do_wherever_it_is_asked() -> None:
    words = 'the compressible pressure law needs the side; state intake or exhaust, or use the "square-root" law.'
    for ask in (
        lambda: reference_velocity(Reference(pressure_law="compressible"), None),
        lambda: pressure_factor("compressible", None, 2500.0, 7000.0),
    ):
        with pytest.raises(CorrectionError) as caught:
            ask()
        assert str(caught.value) == words


def test_pressures_and_areas_that_cannot_be_say_what_to_check() -> None:
    with pytest.raises(CorrectionError) as caught:
        flow_function(1.5)
    assert (
        str(caught.value)
        == "a pressure ratio of 1.5 is not possible; check test pressure and barometer and their units."
    )
    with pytest.raises(CorrectionError) as caught:
        pressure_factor("square-root", "intake", 7000.0, 7000.0, -1.0)
    assert str(caught.value) == (
        "a barometer of -0.001 kPa (-0.004015 inH2O) cannot be corrected with; check it and its unit."
    )
    with pytest.raises(CorrectionError) as caught:
        unshrouded_area(-1e-4, 0.0805, 0.038)
    assert str(caught.value) == "an effective area of -100 mm² is not possible; check the flow."
    with pytest.raises(CorrectionError) as caught:
        shrouded_area(1e-4, 0.0, 0.038)
    assert str(caught.value) == "a bore diameter of 0 mm is not possible; check it and its unit."


# --- air, check plate and chain: what is left ------------------------------------------------------


def test_air_that_is_not_known_says_what_to_state() -> None:
    actual, metered = (setting(bench=Bench(air=mode)) for mode in ("actual", "metered"))
    room = {"air_temperature_k": 293.15, "barometer_pa": 101_325.0, "relative_humidity": 0.5}
    for test, given, words in (
        (flow_test(), actual, "the room's air is not known; state temperature, barometer and humidity."),
        (flow_test(**room), metered, "the meter's air is not known; state its temperature, pressure and standard air."),
    ):
        with pytest.raises(CorrectionError) as caught:
            air_factor(test, given)
        assert str(caught.value) == words


def test_impossible_air_leaves_the_flows_as_they_were() -> None:
    room = {"air_temperature_k": 293.15, "barometer_pa": 101_325.0, "relative_humidity": 60.0}
    step = correct_air(FLOWS, flow_test(**room), setting(bench=Bench(air="actual")))
    assert step.flow_m3_s == FLOWS
    assert step.line.inputs["relative_humidity"] == 60.0


def test_dimensions_that_cannot_be_are_named_in_millimetres() -> None:
    with pytest.raises(CorrectionError) as caught:
        shrouded_area(1e-4, -0.0805, 0.038)
    assert str(caught.value) == "a bore diameter of -80.5 mm is not possible; check it and its unit."


def test_check_plate_in_the_nominal_s_own_air_and_pressure_is_one_ratio() -> None:
    assert check_factor(0.05, 0.06) == pytest.approx(1.2, rel=1e-14)


@pytest.mark.parametrize(
    "plate", [{"check_reading_m3_s": 0.06}, {"check_reading_m3_s": -0.06, "check_nominal_m3_s": 0.06}]
)
def test_check_plate_that_is_not_used_still_names_its_formula(plate: dict[str, float]) -> None:
    (test,) = correct([flow_test(**plate)]).tests
    assert line(test.ledger, "check-plate").formula == CHECK_FORMULA


def test_engine_s_bore_is_compared_with_the_fixture_s() -> None:
    test = flow_test(fixture_bore_m=0.083)
    assert only(correct([test], engine_bore_m=0.0805).findings)[0] == "fixture-differs"
    assert correct([test]).findings == ()


def test_what_is_no_test_at_all_is_named_as_it_is() -> None:
    with pytest.raises(CorrectionError) as caught:
        correct(["212.5"])  # type: ignore[list-item]
    assert str(caught.value) == "212.5 is not a flow test as read; correct each test once, from its readings."


def test_check_plate_read_at_a_pressure_of_its_own() -> None:
    """Read at 10 inH2O before a test at 28: nominal for 10 is nominal, for 28 it is sqrt(2.8) times as much."""
    read = {"check_nominal_m3_s": 0.06, "check_reading_pressure_pa": 10 * INH2O_PA}
    same = flow_test(check_reading_m3_s=0.0612, check_pressure_pa=10 * INH2O_PA, **read)
    other = flow_test(check_reading_m3_s=0.0612 / math.sqrt(2.8), check_pressure_pa=28 * INH2O_PA, **read)
    for test in (same, other):
        item = line(correct([test]).tests[0].ledger, "check-plate")
        assert item.factor == pytest.approx([1 / 1.02] * 4, rel=1e-12)
        assert item.inputs["reading_pressure_pa"] == 10 * INH2O_PA
