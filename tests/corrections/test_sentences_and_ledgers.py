"""What corrections say and keep: places, whole sentences, ledger keys, single points.

Numbers in the sentences are worked by hand beside them. Findings and ledger keys are a contract
with whoever reads the results, so they are held to the letter.
"""

from __future__ import annotations

import dataclasses
import math

import pytest

from flowkit.corrections import correct
from flowkit.corrections.air import FORMULAS as AIR_FORMULAS
from flowkit.corrections.air import correct_air
from flowkit.corrections.bore import correct_bore
from flowkit.corrections.leakage import FORMULA as LEAKAGE_FORMULA
from flowkit.corrections.leakage import correct_leakage
from flowkit.corrections.pressure import FORMULAS as PRESSURE_FORMULAS
from flowkit.corrections.pressure import correct_test_pressure
from flowkit.errors import CorrectionError
from flowkit.model import INH2O_PA, AirState, Bench, Reference, ValveGeometry
from tests.corrections.samples import FLOWS, flow_test, line, only, setting

ROOM = {"air_temperature_k": 303.15, "barometer_pa": 98_000.0, "relative_humidity": 0.6}
METER = {"meter_temperature_k": 313.15, "meter_pressure_pa": 91_000.0}
METERED = Bench(air="metered", standard_air=AirState(288.15, 101_325.0, 0.0))
COMPRESSIBLE = Reference(pressure_law="compressible")
PLACE = "a.csv!intake 1"


# --- sentences and places -------------------------------------------------------------------------


def test_fixture_that_differs() -> None:
    # By hand: 83/80.5 = 1.0311; 83 mm = 3.2677 in, 80.5 mm = 3.1693 in.
    step = correct_bore(FLOWS, flow_test(fixture_bore_m=0.083), setting(engine_bore_m=0.0805))
    assert only(step.findings) == (
        "fixture-differs",
        "warning",
        PLACE,
        "The fixture's bore of 83.00 mm (3.268 in) and the engine's of 80.50 mm (3.169 in) differ by 3.1 %, and the "
        "flows were not corrected for it. Give the engine's bore as the reference's bore to have them corrected.",
    )


def test_smaller_fixture_differs_by_as_much_as_it_is_short() -> None:
    # By hand: 1 − 76/80 = 5.0 %.
    step = correct_bore(FLOWS, flow_test(fixture_bore_m=0.076), setting(engine_bore_m=0.080))
    assert "(3.150 in) differ by 5.0 %, and" in step.findings[0].message


def test_valve_on_the_axis() -> None:
    test = flow_test(fixture_bore_m=0.0805, valve_diameter_m=0.038)
    assert only(correct_bore(FLOWS, test, setting(Reference(bore_m=0.083))).findings) == (
        "valve-on-axis",
        "note",
        PLACE,
        "The valve's offset from the bore's axis is not stated, so the bore correction took it to be on the axis. "
        "A valve near the wall is shrouded more than that.",
    )


def test_bore_that_cannot_be() -> None:
    # By hand: 38 mm = 1.496 in, 37 mm = 1.457 in, 2 mm = 0.079 in.
    test = flow_test(fixture_bore_m=0.037, valve_diameter_m=0.038)
    valves = {"intake": ValveGeometry(offset_m=-0.002)}
    step = correct_bore(FLOWS, test, setting(Reference(bore_m=0.083), valves=valves))
    assert only(step.findings) == (
        "bore-impossible",
        "error",
        PLACE,
        "The bore correction was not made: a valve of 38.00 mm (1.496 in), 2.00 mm (0.079 in) off the axis, would "
        "touch the wall of a bore of 37.00 mm (1.457 in); check bore, valve head and offset and their units.",
    )
    assert step.line.inputs["offset_m"] == -0.002
    assert step.line.inputs["fixture_bore_m"] == 0.037


def test_barometer_that_is_assumed() -> None:
    # 101 325 Pa is 29.92 inHg (NIST SP 811: 760/25.4).
    step = correct_test_pressure(FLOWS, flow_test(test_pressure_pa=10 * INH2O_PA), setting(COMPRESSIBLE))
    assert only(step.findings) == (
        "barometer-assumed",
        "note",
        PLACE,
        "The barometer is not stated, so the compressible pressure law took 101325 Pa (29.92 inHg); state the day's "
        "barometer, and nothing is assumed.",
    )


def test_leakage_that_is_below_zero_and_pressure_it_was_read_at() -> None:
    found = correct([flow_test(leak_m3_s=-0.001)]).findings
    assert only(found) == (
        "flow-negative",
        "error",
        PLACE,
        "A leakage of −2.1189 CFM is below zero, so it was not taken off; check the leakage and its sign, "
        "and state the right one in the job.",
    )
    own = (28 * INH2O_PA,) * 4
    result = correct([flow_test(pressures=own, leak_m3_s=0.001, test_pressure_pa=None)])
    assert only(result.findings) == (
        "correction-skipped",
        "note",
        PLACE,
        "The leakage correction was not made: the test pressure at which the leakage was read is not known; state the "
        "test pressure, or that of the leakage.",
    )
    item = line(result.tests[0].ledger, "leakage")
    assert (item.formula, item.inputs) == (
        "Q1 = Q − Q_leak·sqrt(ΔP/ΔP_leak) (common practice, no source)",
        {"leak_m3_s": 0.001},
    )


def test_flow_below_zero() -> None:
    after = "; check the reading, the leakage and the pressure it was read at."
    with_leak = correct([flow_test((0.02, 0.05), leak_m3_s=0.03)])
    assert only(with_leak.findings) == (
        "flow-negative",
        "error",
        "a.csv:2:2",
        f"The flow is below zero once the leakage is taken off, so the point was left out{after}",
    )
    without = correct([flow_test((-0.02, 0.05))])
    assert only(without.findings)[3] == f"The flow is below zero, so the point was left out{after}"


def test_pressure_that_is_missing_or_cannot_be() -> None:
    missing = "state it with --test-pressure or in the job's conditions."
    for flows in (FLOWS, FLOWS[:1]):
        result = correct([flow_test(flows, test_pressure_pa=None)])
        assert only(result.findings) == (
            "pressure-missing",
            "error",
            PLACE,
            f"No test pressure is known, so the test was left out; {missing}",
        )
        result = correct([flow_test(flows, test_pressure_pa=-7000.0)])
        assert only(result.findings) == (
            "pressure-impossible",
            "error",
            PLACE,
            "A test pressure of −28.102 inH2O is not possible, so the test was left out; check it and its "
            "unit, and state the right one in the job.",
        )
    result = correct([flow_test(pressures=(7000.0, -1.0, 7000.0, None), test_pressure_pa=None)])
    assert [(found.where, found.message) for found in result.findings] == [
        (
            "a.csv:3:2",
            "A test pressure of −0.0040146 inH2O is not possible, so the point was left out; check it and its "
            "unit, and state the right one in the job.",
        ),
        ("a.csv:5:2", f"No test pressure is known, so the point was left out; {missing}"),
    ]


def test_no_points() -> None:
    assert only(correct([flow_test(())]).findings)[3] == "The test has no points, so it was left out."


def test_check_plate_that_is_off_by_too_much() -> None:
    # By hand: 0.075/0.06 = 1.25; 0.05/0.06 = 0.833.
    after = (
        "more than 10 %: that is a fault, not drift, and nothing was corrected; look for a leak, a wrong range or a "
        "wrong nominal flow, and test again."
    )
    for reading, words in ((0.075, "25.0 % above"), (0.05, "16.7 % below")):
        result = correct([flow_test(check_reading_m3_s=reading, check_nominal_m3_s=0.06)])
        sentence = f"The check plate reads {words} its nominal flow, {after}"
        assert only(result.findings) == ("check-off", "error", PLACE, sentence)
        item = line(result.tests[0].ledger, "check-plate")
        assert item.inputs["check_off"] == pytest.approx(reading / 0.06 - 1, rel=1e-12)
        assert item.formula.startswith("Q3 = Q2·Q_nominal/Q_check, ")


def test_check_plate_that_drifted_says_where() -> None:
    result = correct([flow_test(check_reading_m3_s=0.063, check_nominal_m3_s=0.06)])
    assert only(result.findings)[:3] == ("check-off", "warning", PLACE)


def test_check_plate_whose_inputs_are_there_in_part() -> None:
    result = correct([flow_test(check_reading_m3_s=0.06)])
    assert only(result.findings) == (
        "correction-skipped",
        "note",
        PLACE,
        "The check-plate correction was not made: the check plate's nominal flow is not known; state it, or leave the "
        "check plate out.",
    )
    assert line(result.tests[0].ledger, "check-plate").inputs == {
        "check_reading_m3_s": 0.06,
        "check_nominal_m3_s": None,
        "reading_pressure_pa": 28 * INH2O_PA,
        "nominal_pressure_pa": 28 * INH2O_PA,
    }


def test_check_plate_that_cannot_be_says_where_and_keeps_its_inputs() -> None:
    result = correct([flow_test(check_reading_m3_s=0.0, check_nominal_m3_s=0.06, check_pressure_pa=2500.0)])
    assert only(result.findings)[:3] == ("check-off", "error", PLACE)
    assert line(result.tests[0].ledger, "check-plate").inputs == {
        "check_reading_m3_s": 0.0,
        "check_nominal_m3_s": 0.06,
        "reading_pressure_pa": 28 * INH2O_PA,
        "nominal_pressure_pa": 2500.0,
        "air_factor": 1.0,
    }


def test_test_that_the_compressible_law_leaves_out() -> None:
    assert only(correct([flow_test(side=None)], COMPRESSIBLE).findings) == (
        "side-missing",
        "error",
        PLACE,
        "The test was left out: the compressible pressure law needs the side; state intake or exhaust, or use the "
        '"square-root" law.',
    )


# --- the air --------------------------------------------------------------------------------------


def test_ledger_of_metered_air_names_every_input() -> None:
    step = correct_air(FLOWS, flow_test(**ROOM, **METER), setting(bench=METERED))
    assert {name: step.line.inputs[name] for name in ("air", *ROOM, *METER)} == {"air": "metered", **ROOM, **METER}
    assert set(step.line.inputs) == {
        "air",
        *ROOM,
        *METER,
        "air_density_kg_m3",
        "reference_density_kg_m3",
        "calibration_density_kg_m3",
        "meter_density_kg_m3",
    }
    assert (step.line.correction, step.line.formula) == ("air", AIR_FORMULAS["metered"])
    assert not step.fatal


def test_ledger_of_actual_air_names_every_input_and_no_meter() -> None:
    step = correct_air(FLOWS, flow_test(**ROOM, **METER), setting(bench=Bench(air="actual")))
    assert set(step.line.inputs) == {"air", *ROOM, "air_density_kg_m3", "reference_density_kg_m3"}
    assert {name: step.line.inputs[name] for name in ROOM} == ROOM
    assert step.line.formula == AIR_FORMULAS["actual"]


def test_metered_air_lacks_the_room_s_as_well_as_the_meter_s() -> None:
    step = correct_air(FLOWS, flow_test(barometer_pa=98_000.0), setting(bench=METERED))
    words = "air temperature, humidity, meter temperature and meter pressure are not known"
    assert step.line.skipped == words
    assert step.findings[0].where == PLACE
    step = correct_air(FLOWS, flow_test(**{**ROOM, "barometer_pa": None}, **METER), setting(bench=METERED))
    assert (step.findings[0].rule, step.line.skipped) == ("air-missing", "barometer is not known")


def test_air_that_is_refused_keeps_its_ledger_line_and_the_flows() -> None:
    conditions = {**ROOM, "barometer_pa": None}
    step = correct_air(FLOWS, flow_test(**conditions), setting(bench=Bench(air="actual")))
    assert (step.line.correction, step.line.formula) == ("air", AIR_FORMULAS["actual"])
    assert step.line.inputs == {"air": "actual", **conditions}
    assert step.flow_m3_s == FLOWS
    assert step.fatal


def test_air_as_stated_has_its_own_formula() -> None:
    step = correct_air(FLOWS, flow_test(**ROOM), setting())
    assert (step.line.correction, step.line.formula) == ("air", "Q2 = Q1")


def test_check_plate_in_metered_air_goes_by_the_same_factor_as_the_flows() -> None:
    """The plate is read on the same meter in the same air, so the air cancels in flow over plate."""
    plate = {"check_reading_m3_s": 0.061, "check_nominal_m3_s": 0.06}
    (test,) = correct([flow_test(**plate, **ROOM, **METER)], bench=METERED).tests
    assert [point.flow_m3_s for point in test.points] == pytest.approx([q * 60 / 61 for q in FLOWS], rel=1e-12)
    assert line(test.ledger, "check-plate").inputs["air_factor"] == line(test.ledger, "air").factor[0]


def test_check_plate_in_thin_air_at_another_pressure() -> None:
    """Both at once: a plate of 10 inH2O read at 28 shows sqrt(2.8) times as much, in the flows' own air."""
    plate = {
        "check_reading_m3_s": 0.06 * math.sqrt(2.8),
        "check_nominal_m3_s": 0.06,
        "check_pressure_pa": 10 * INH2O_PA,
    }
    (test,) = correct([flow_test(**plate, **ROOM)], bench=Bench(air="actual")).tests
    air, drift = (line(test.ledger, name).factor[0] for name in ("air", "check-plate"))
    assert air < 0.98
    assert air * drift == pytest.approx(1.0, rel=1e-12)
    assert [point.flow_m3_s for point in test.points] == pytest.approx(FLOWS, rel=1e-12)


# --- the leakage ----------------------------------------------------------------------------------


def test_leakage_read_at_no_pressure_cannot_be_carried_over() -> None:
    for at in (0.0, -100.0):
        step = correct_leakage(FLOWS, flow_test(leak_m3_s=0.001, leak_pressure_pa=at), setting())
        assert step.line.skipped == "the test pressure at which the leakage was read is not known"
        assert step.flow_m3_s == FLOWS


def test_leakage_read_at_half_a_pascal_goes_by_the_square_root_too() -> None:
    step = correct_leakage(FLOWS, flow_test(leak_m3_s=1e-4, leak_pressure_pa=0.5, test_pressure_pa=2.0), setting())
    assert step.line.offset_m3_s == pytest.approx([-2e-4] * 4, rel=1e-14)


def test_leakage_below_zero_stands_in_the_ledger() -> None:
    (test,) = correct([flow_test(leak_m3_s=-0.001)]).tests
    item = line(test.ledger, "leakage")
    assert item.skipped == "the leakage is below zero"
    assert item.formula == LEAKAGE_FORMULA
    assert [point.flow_m3_s for point in test.points] == list(FLOWS)


# --- the chain ------------------------------------------------------------------------------------


def test_no_flow_beside_a_negative_one_stays_and_is_no_error() -> None:
    result = correct([flow_test((0.01, 0.02, 0.05), leak_m3_s=0.02)])
    assert [point.flow_m3_s for point in result.tests[0].points] == pytest.approx([0.0, 0.03], abs=1e-15)
    assert [found.where for found in result.findings] == ["a.csv:2:2"]
    assert [point.source for point in result.tests[0].points] == ["a.csv:3:2", "a.csv:4:2"]


def test_head_and_sheet_are_carried_over() -> None:
    test = dataclasses.replace(flow_test(sheet="Sheet 2"), head="H-17", port="01", run=3)
    (done,) = correct([test]).tests
    assert (done.file, done.sheet, done.head, done.variant) == ("a.csv", "Sheet 2", "H-17", "as received")
    assert (done.side, done.port, done.run) == ("intake", "01", 3)


@pytest.mark.parametrize(
    ("reference", "side", "formula"),
    [
        (Reference(), "exhaust", "square-root"),
        (COMPRESSIBLE, "exhaust", "exhaust"),
        (COMPRESSIBLE, "intake", "intake"),
        (COMPRESSIBLE, None, "intake"),
    ],
)
def test_a_pressure_that_is_switched_off_still_names_the_law(reference: Reference, side, formula: str) -> None:
    (test,) = correct([flow_test(side=side)], reference, off=["test-pressure"]).tests
    assert line(test.ledger, "test-pressure").formula == PRESSURE_FORMULAS[formula]


def test_a_pressure_below_one_pascal_is_small_but_can_be() -> None:
    result = correct([flow_test(test_pressure_pa=0.5)], Reference(pressure_pa=0.5))
    assert len(result.tests) == 1
    assert result.findings == ()


@pytest.mark.parametrize("pressure", [0.25, 0.5])
def test_a_reference_below_one_unit_can_be(pressure: float) -> None:
    """The limit is zero, in pascals as in metres."""
    (test,) = correct([flow_test(test_pressure_pa=1.0)], Reference(pressure_pa=pressure)).tests
    assert test.points[0].flow_m3_s == pytest.approx(FLOWS[0] * pressure**0.5, rel=1e-14)


def test_a_name_that_is_half_right_is_understood() -> None:
    with pytest.raises(CorrectionError) as caught:
        correct([flow_test()], off=["test"])
    assert str(caught.value) == (
        "there is no correction 'test'; did you mean \"test-pressure\"? There are leakage, air, check-plate, "
        "test-pressure, bore."
    )
