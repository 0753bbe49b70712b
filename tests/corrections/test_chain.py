"""The chain: order, ledger, switching off, what is left out, and laws any chain must obey."""

from __future__ import annotations

import dataclasses
import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowkit.corrections import CORRECTIONS, correct, reference_state
from flowkit.errors import CorrectionError
from flowkit.model import INH2O_PA, AirState, Bench, CorrectedTest, FlowTest, Reference, ValveGeometry
from tests.corrections.samples import FLOWS, flow_test, line

CFM = 0.3048**3 / 60

EVERYTHING = {
    "test_pressure_pa": 25 * INH2O_PA,
    "leak_m3_s": 0.4 * CFM,
    "leak_pressure_pa": 10 * INH2O_PA,
    "air_temperature_k": 299.15,
    "barometer_pa": 99_500.0,
    "relative_humidity": 0.5,
    "check_reading_m3_s": 61.0 * CFM,
    "check_nominal_m3_s": 60.0 * CFM,
    "fixture_bore_m": 0.0805,
    "valve_diameter_m": 0.038,
}
ACTUAL = Bench(air="actual")
REFERENCE = Reference(bore_m=0.083)
CENTRED = {"intake": ValveGeometry(offset_m=0.0), "exhaust": ValveGeometry(offset_m=0.0)}


def rules(result) -> list[tuple[str, str, str]]:
    """Rule, severity and place of every finding."""
    return [(finding.rule, finding.severity, finding.where) for finding in result.findings]


def test_order() -> None:
    assert CORRECTIONS == ("leakage", "air", "check-plate", "test-pressure", "bore")
    result = correct([flow_test(**EVERYTHING)], REFERENCE, ACTUAL, valves=CENTRED)
    assert tuple(item.correction for item in result.tests[0].ledger) == CORRECTIONS
    assert all(item.skipped is None for item in result.tests[0].ledger)
    assert result.findings == ()


def test_whole_chain_written_out_by_hand() -> None:
    """Densities by OIML R 111-1 (E.3-1), 2e-4 each, the rest from the formulas; on the axis, square-root law."""
    (test,) = correct([flow_test(**EVERYTHING)], REFERENCE, ACTUAL, valves=CENTRED).tests

    def oiml(hpa: float, percent: float, celsius: float) -> float:
        return (0.34848 * hpa - 0.009 * percent * math.exp(0.061 * celsius)) / (273.15 + celsius)

    rho, rho_ref = oiml(995.0, 50.0, 26.0), oiml(1013.25, 0.0, 20.0)
    air = math.sqrt(rho / rho_ref)
    velocity = math.sqrt(2 * 28 * 249.08891 / rho_ref)
    gap, engine_gap = (math.pi / 4 * (bore**2 - 0.038**2) for bore in (0.0805, 0.083))
    for point, reading in zip(test.points, FLOWS, strict=True):
        q = reading - 0.4 * CFM * math.sqrt(25 / 10)
        q *= air
        q *= 60.0 / (61.0 * air)
        q *= math.sqrt(28 / 25)
        area = q / velocity
        head = 1 / math.sqrt(1 / area**2 - 1 / gap**2)
        q *= 1 / math.hypot(1 / head, 1 / engine_gap) / area
        assert point.flow_m3_s == pytest.approx(q, rel=2e-4)
        assert point.reading_m3_s == reading
        assert point.pressure_pa == 25 * INH2O_PA


def test_the_ledger_leads_from_the_reading_to_the_flow() -> None:
    own = tuple(n * INH2O_PA for n in (10, 12, 20, 27))
    test = flow_test(pressures=own, **EVERYTHING)
    (corrected,) = correct([test], REFERENCE, ACTUAL, valves=CENTRED).tests
    for index, point in enumerate(corrected.points):
        flow = point.reading_m3_s
        for item in corrected.ledger:
            flow += item.offset_m3_s[index] if item.offset_m3_s else 0.0
            flow *= item.factor[index] if item.factor else 1.0
        assert flow == pytest.approx(point.flow_m3_s, rel=1e-14)
        assert point.pressure_pa == own[index]


def test_every_correction_has_its_line_even_where_it_was_not_made() -> None:
    result = correct([flow_test()])
    (test,) = result.tests
    assert [(item.correction, item.skipped) for item in test.ledger] == [
        ("leakage", "no leakage is stated"),
        ("air", "the flows are taken as stated: air as the bench gave it"),
        ("check-plate", "no check plate was read"),
        ("test-pressure", None),
        ("bore", "the reference has no engine bore"),
    ]
    assert all(item.formula for item in test.ledger)
    assert result.findings == ()


def test_at_the_reference_nothing_changes_to_the_last_bit() -> None:
    for law in ("square-root", "compressible"):
        for side in ("intake", "exhaust"):
            reference = Reference(pressure_law=law, bore_m=0.0805)
            test = flow_test(side=side, fixture_bore_m=0.0805, valve_diameter_m=0.038)
            (corrected,) = correct([test], reference, valves=CENTRED).tests
            assert tuple(point.flow_m3_s for point in corrected.points) == FLOWS
            assert line(corrected.ledger, "test-pressure").factor == (1.0,) * 4
            assert line(corrected.ledger, "bore").factor == (1.0,) * 4


@pytest.mark.parametrize("name", CORRECTIONS)
def test_each_can_be_switched_off(name: str) -> None:
    test = flow_test(**EVERYTHING)
    (whole,) = correct([test], REFERENCE, ACTUAL, valves=CENTRED).tests
    (without,) = correct([test], REFERENCE, ACTUAL, valves=CENTRED, off=[name]).tests
    item = line(without.ledger, name)
    assert (item.skipped, item.factor, item.offset_m3_s) == ("switched off", None, None)
    assert [other.correction for other in without.ledger if other.skipped] == [name]
    assert item.formula == line(whole.ledger, name).formula
    if name == "air":  # what drift the plate shows is not a matter of the air: the factors cancel
        assert without.points[0].flow_m3_s == pytest.approx(whole.points[0].flow_m3_s, rel=1e-9)
    else:
        assert without.points[0].flow_m3_s != pytest.approx(whole.points[0].flow_m3_s, rel=1e-6)


def test_with_all_switched_off_flows_are_the_readings() -> None:
    result = correct([flow_test(**EVERYTHING)], REFERENCE, ACTUAL, off=CORRECTIONS)
    assert tuple(point.flow_m3_s for point in result.tests[0].points) == FLOWS
    assert {finding.rule for finding in result.findings} == {"correction-off"}


def test_one_name_may_stand_alone() -> None:
    (test,) = correct([flow_test()], off="bore").tests
    assert line(test.ledger, "bore").skipped == "switched off"


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "test_pressure",
            "there is no correction 'test_pressure'; did you mean \"test-pressure\"? There are leakage, ",
        ),
        ("leak", "there is no correction 'leak'; did you mean \"leakage\"? There are leakage, air, "),
        ("Bore", "there is no correction 'Bore'; did you mean \"bore\"? There are "),
        ("xyzzy", "there is no correction 'xyzzy'; There are leakage, air, check-plate, test-pressure, bore."),
    ],
)
def test_unknown_names_are_refused_with_the_nearest(name: str, words: str) -> None:
    with pytest.raises(CorrectionError) as caught:
        correct([flow_test()], off=["air", name])
    assert str(caught.value).startswith(words)


# --- what is left out -------------------------------------------------------------------------


def test_point_without_pressure_is_left_out_with_an_error() -> None:
    own = (INH2O_PA * 28, None, INH2O_PA * 28, None)
    result = correct([flow_test(pressures=own, test_pressure_pa=None)])
    assert [point.source for point in result.tests[0].points] == ["a.csv:2:2", "a.csv:4:2"]
    assert rules(result) == [("pressure-missing", "error", "a.csv:3:2"), ("pressure-missing", "error", "a.csv:5:2")]
    assert len(line(result.tests[0].ledger, "test-pressure").factor or ()) == 2


def test_test_without_any_pressure_is_left_out_with_one_error() -> None:
    other = flow_test(name="other")
    result = correct([flow_test(test_pressure_pa=None), other])
    assert [test.id for test in result.tests] == ["other"]
    assert rules(result) == [("pressure-missing", "error", "a.csv!intake 1")]
    assert "--test-pressure" in result.findings[0].message


@pytest.mark.parametrize("pressure", [0.0, -7000.0, math.inf, math.nan])
def test_pressure_that_cannot_be_is_an_error(pressure: float) -> None:
    result = correct([flow_test(test_pressure_pa=pressure)])
    assert result.tests == ()
    assert rules(result) == [("pressure-impossible", "error", "a.csv!intake 1")]
    result = correct([flow_test(pressures=(None, pressure, None, None))])
    assert len(result.tests[0].points) == 3
    assert rules(result) == [("pressure-impossible", "error", "a.csv:3:2")]


def test_with_the_pressure_switched_off_none_is_needed() -> None:
    result = correct([flow_test(test_pressure_pa=None, leak_m3_s=0.001)], off=["test-pressure"])
    assert result.findings == ()
    (test,) = result.tests
    assert [point.pressure_pa for point in test.points] == [None] * 4
    assert [point.flow_m3_s for point in test.points] == [q - 0.001 for q in FLOWS]


def test_flow_below_zero_after_the_leakage_is_an_error_and_left_out() -> None:
    result = correct([flow_test(leak_m3_s=0.03)])
    (test,) = result.tests
    assert [point.flow_m3_s for point in test.points] == pytest.approx([0.02, 0.05, 0.07], rel=1e-14)
    assert line(test.ledger, "leakage").offset_m3_s == (-0.03,) * 3
    assert line(test.ledger, "test-pressure").factor == (1.0,) * 3
    assert rules(result) == [("flow-negative", "error", "a.csv:2:2")]
    assert "once the leakage is taken off" in result.findings[0].message


def test_flow_of_exactly_the_leakage_is_none_and_stays() -> None:
    result = correct([flow_test((0.02, 0.05), leak_m3_s=0.02)])
    assert result.tests[0].points[0].flow_m3_s == 0.0
    assert result.findings == ()


@pytest.mark.parametrize("flow", [-0.01, math.nan])
def test_reading_below_zero_is_an_error_without_a_leakage_too(flow: float) -> None:
    result = correct([flow_test((0.02, flow))])
    assert len(result.tests[0].points) == 1
    assert rules(result) == [("flow-negative", "error", "a.csv:3:2")]
    assert "leakage is taken off" not in result.findings[0].message
    assert correct([flow_test((flow,))]).tests == ()


def test_test_without_points_is_an_error() -> None:
    result = correct([flow_test(())])
    assert (result.tests, rules(result)) == ((), [("no-points", "error", "a.csv!intake 1")])


def test_air_that_is_missing_leaves_the_test_out_and_the_rest_in() -> None:
    room = {"air_temperature_k": 293.15, "barometer_pa": 101_325.0, "relative_humidity": 0.0}
    result = correct([flow_test(), flow_test(name="known", **room)], bench=ACTUAL)
    assert [test.id for test in result.tests] == ["known"]
    assert rules(result) == [("air-missing", "error", "a.csv!intake 1")]


def test_side_that_is_missing_leaves_the_test_out_by_the_compressible_law_only() -> None:
    test = flow_test(side=None)
    assert len(correct([test]).tests) == 1
    result = correct([test], Reference(pressure_law="compressible"))
    assert (result.tests, rules(result)) == ((), [("side-missing", "error", "a.csv!intake 1")])


def test_a_plate_off_by_too_much_is_an_error_and_the_rest_is_done() -> None:
    result = correct([flow_test(check_reading_m3_s=0.08, check_nominal_m3_s=0.06, test_pressure_pa=25 * INH2O_PA)])
    assert rules(result) == [("check-off", "error", "a.csv!intake 1")]
    assert result.tests[0].points[0].flow_m3_s == pytest.approx(FLOWS[0] * math.sqrt(28 / 25), rel=1e-14)


# --- findings said once -----------------------------------------------------------------------


def test_what_is_said_of_several_tests_of_a_sheet_is_said_once() -> None:
    def tests(count: int, **rest: str) -> list[FlowTest]:
        return [flow_test(name=f"intake {n}", test_pressure_pa=10 * INH2O_PA, **rest) for n in range(count)]

    one, two, twelve = (correct(tests(count)) for count in (1, 2, 12))
    assert rules(one) == rules(two) == rules(twelve) == [("law-difference", "note", "intake 0")]
    message = one.findings[0].message
    assert two.findings[0].message == f"{message} The same holds for one more test of this sheet."
    assert twelve.findings[0].message == f"{message} The same holds for 11 more tests of this sheet."


def test_what_is_said_of_other_sheets_sides_or_points_is_said_of_each() -> None:
    first, second = (flow_test(name=name, test_pressure_pa=10 * INH2O_PA) for name in ("one", "two"))
    for other in (
        dataclasses.replace(second, file="b.csv"),
        dataclasses.replace(second, sheet="S"),
        dataclasses.replace(second, side="exhaust"),
    ):
        found = correct([first, other])
        assert [place for _, _, place in rules(found)] == ["one", "two"]
        assert not any("same holds" in finding.message for finding in found.findings)
    points = correct([flow_test((-0.1,) * 3)])
    assert rules(points) == [("flow-negative", "error", f"a.csv:{row}:2") for row in (2, 3, 4)]


# --- types and inputs -------------------------------------------------------------------------


def test_correcting_twice_is_refused() -> None:
    result = correct([flow_test()])
    assert isinstance(result.tests[0], CorrectedTest)
    with pytest.raises(CorrectionError) as caught:
        correct(result.tests)  # type: ignore[arg-type]
    assert str(caught.value) == (
        "a.csv!intake 1 is not a flow test as read; correct each test once, from its readings."
    )


def test_inputs_are_not_changed_and_the_rest_is_carried_over() -> None:
    test = flow_test(**EVERYTHING)
    before = repr(test)
    (corrected,) = correct([test], REFERENCE, ACTUAL).tests
    assert repr(test) == before
    for name in ("id", "file", "sheet", "head", "variant", "side", "port", "run", "conditions", "units"):
        assert getattr(corrected, name) == getattr(test, name)
    assert [(p.lift_m, p.source) for p in corrected.points] == [(p.lift_m, p.source) for p in test.points]


def test_tests_may_come_from_an_iterator() -> None:
    assert len(correct(flow_test(name=str(n)) for n in range(3)).tests) == 3


@pytest.mark.parametrize(
    ("reference", "words"),
    [
        (Reference(pressure_pa=0.0), "a reference test pressure of 0 inH2O is not possible; give one above zero."),
        (
            Reference(pressure_pa=math.nan),
            "a reference test pressure of nan inH2O is not possible; give one above zero.",
        ),
        (Reference(bore_m=-0.08), "a reference bore of -80 mm is not possible; give one above zero."),
        (
            Reference(air=AirState(pressure_pa=0.0)),
            "an absolute air pressure of 0 Pa is not possible; check the barometer and its unit.",
        ),
    ],
)
def test_reference_that_cannot_be(reference: Reference, words: str) -> None:
    for attempt in (lambda: reference_state(reference), lambda: correct([], reference)):
        with pytest.raises(CorrectionError) as caught:
            attempt()
        assert str(caught.value) == words


def test_reference_state() -> None:
    """Dry air at 20 °C and 101 325 Pa: 1.2045 kg/m³ (CoolProp)."""
    from CoolProp.CoolProp import PropsSI

    state = reference_state(Reference(bore_m=0.08, pressure_law="compressible"))
    assert (state.pressure_pa, state.bore_m, state.pressure_law) == (28 * INH2O_PA, 0.08, "compressible")
    assert state.air_density_kg_m3 == pytest.approx(PropsSI("D", "T", 293.15, "P", 101_325.0, "Air"), rel=5e-5)


# --- laws -------------------------------------------------------------------------------------


def flows_of(result) -> dict[str, list[float]]:
    """Corrected flows by the cell of their reading."""
    return {point.source: point.flow_m3_s for test in result.tests for point in test.points}


def test_order_of_tests_and_points_changes_nothing() -> None:
    tests = [flow_test(name=f"t{n}", file=f"{n}.csv", **EVERYTHING) for n in range(5)]
    shuffled = [dataclasses.replace(test, points=tuple(reversed(test.points))) for test in tests]
    random.Random(4).shuffle(shuffled)
    assert flows_of(correct(tests, REFERENCE, ACTUAL)) == flows_of(correct(shuffled, REFERENCE, ACTUAL))


def test_names_and_splitting_change_nothing() -> None:
    tests = [flow_test(name=f"t{n}", file=f"{n}.csv", **EVERYTHING) for n in range(4)]
    renamed = [dataclasses.replace(test, port=f"rear {test.id}", variant="x", run=3) for test in tests]
    whole = flows_of(correct(tests, REFERENCE, ACTUAL))
    assert flows_of(correct(renamed, REFERENCE, ACTUAL)) == whole
    parts = [flows_of(correct([test], REFERENCE, ACTUAL)) for test in tests]
    assert {key: value for part in parts for key, value in part.items()} == whole


def test_a_test_s_pressure_or_its_points_own_are_the_same() -> None:
    own = (25 * INH2O_PA,) * 4
    one = correct([flow_test(test_pressure_pa=25 * INH2O_PA)])
    other = correct([flow_test(pressures=own, test_pressure_pa=3.0)])
    assert flows_of(one) == flows_of(other)


SCALE = st.floats(0.1, 0.99)
SWITCHED = st.sets(st.sampled_from(CORRECTIONS))


@given(SCALE)
def test_scaling_every_flow_scales_the_result_where_no_bore_is_corrected(scale: float) -> None:
    """Leak, plate and readings together: a meter with another scale."""
    flows = ("leak_m3_s", "check_reading_m3_s", "check_nominal_m3_s")
    scaled = {key: value * scale if key in flows else value for key, value in EVERYTHING.items()}
    one = correct([flow_test(**EVERYTHING)], Reference(), ACTUAL).tests[0]
    other = correct([flow_test(tuple(q * scale for q in FLOWS), **scaled)], Reference(), ACTUAL).tests[0]
    for a, b in zip(one.points, other.points, strict=True):
        assert b.flow_m3_s == pytest.approx(a.flow_m3_s * scale, rel=1e-12)


@given(st.floats(1.0, 1.2), SWITCHED)
def test_more_reading_is_more_flow(more: float, off: set[str]) -> None:
    one = correct([flow_test(**EVERYTHING)], REFERENCE, ACTUAL, off=off).tests[0]
    other = correct([flow_test(tuple(q * more for q in FLOWS), **EVERYTHING)], REFERENCE, ACTUAL, off=off).tests[0]
    assert all(b.flow_m3_s >= a.flow_m3_s * (1 - 1e-12) for a, b in zip(one.points, other.points, strict=True))


@given(st.floats(1.001, 2.0), st.sampled_from(["square-root", "compressible"]))
def test_a_higher_reference_pressure_is_more_flow(more: float, law) -> None:
    test = flow_test(**EVERYTHING)
    low = Reference(pressure_law=law)
    high = Reference(pressure_pa=low.pressure_pa * more, pressure_law=law)
    for a, b in zip(correct([test], low).tests[0].points, correct([test], high).tests[0].points, strict=True):
        assert b.flow_m3_s > a.flow_m3_s


@given(SWITCHED)
def test_a_correction_that_is_switched_off_says_so_and_no_other(off: set[str]) -> None:
    (test,) = correct([flow_test(**EVERYTHING)], REFERENCE, ACTUAL, valves=CENTRED, off=off).tests
    assert {item.correction for item in test.ledger if item.skipped == "switched off"} == off
    assert {item.correction for item in test.ledger if item.factor or item.offset_m3_s} == set(CORRECTIONS) - off
