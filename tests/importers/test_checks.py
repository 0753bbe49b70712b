"""Data checks while reading: every rule, and silence on clean data."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BarycentricInterpolator, PchipInterpolator
from scipy.stats import median_abs_deviation

from flowkit.importers.checks import check_tests
from flowkit.importers.curve_checks import check_curve, clean_at_a_glance
from flowkit.importers.digits import candidates, typed_figure
from flowkit.importers.local_curve import expected, robust_deviation, smooth
from flowkit.model import Conditions, Finding, FlowTest, UnitSource
from flowkit.units import to_si
from tests.importers.flows import PRESSURE, Curve, make_test, saturating, seat_and_throat

LIFTS = {
    "every mm": [float(n) for n in range(1, 13)],
    "every 1.5 mm": [1.5 * n for n in range(1, 9)],
    "every 2 mm": [2.0 * n for n in range(1, 7)],
    "every 2.5 mm": [2.5 * n for n in range(1, 6)],
    "every 3 mm": [3.0, 6.0, 9.0, 12.0],
    "every half mm": [0.5 * n for n in range(1, 25)],
    "from 3 mm": [float(n) for n in range(3, 13)],
    "uneven": [0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 9.0, 11.0, 12.0],
    "three": [4.0, 8.0, 12.0],
}
CURVES: dict[str, Curve] = {
    **{f"gentle {bend}": saturating(180, bend) for bend in (3, 4, 5, 6, 8)},
    **{f"blend {sharpness}": seat_and_throat(sharpness) for sharpness in (3, 4, 6, 10)},
    "corner": seat_and_throat(99),
}
GOOD = [30.1, 60.2, 88.3, 112.4, 129.9, 138.0]
EVERY_2 = LIFTS["every 2 mm"]


def rules(tests: Sequence[FlowTest]) -> list[str]:
    return [finding.rule for finding in check_tests(tests)]


def found(lifts: Sequence[float], flows: Sequence[float], **more: object) -> list[Finding]:
    return list(check_tests([make_test(lifts, flows, **more)]))  # type: ignore[arg-type]


# Typing slips


@pytest.mark.parametrize("grid", LIFTS)
@pytest.mark.parametrize("curve", CURVES)
def test_no_slip_is_seen_on_honest_curves_with_half_a_per_cent_of_scatter(grid: str, curve: str) -> None:
    luck = random.Random(f"{grid} {curve}")
    for _ in range(12):
        flows = [round(CURVES[curve](lift) * (1 + luck.gauss(0, 0.005)), 1) for lift in LIFTS[grid]]
        assert "typing-slip" not in rules([make_test(LIFTS[grid], flows)])


@pytest.mark.parametrize("grid", LIFTS)
@pytest.mark.parametrize("curve", CURVES)
def test_smooth_curves_are_silent(grid: str, curve: str) -> None:
    assert found(LIFTS[grid], [round(CURVES[curve](lift), 1) for lift in LIFTS[grid]]) == []


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([name for name in LIFTS if len(LIFTS[name]) > 6]))
def test_no_slip_is_seen_on_monotone_interpolants(seed: int, grid: str) -> None:
    """PCHIP through falling slopes, as flow curves have them, with half a per cent of scatter."""
    luck = np.random.default_rng(seed)
    knots = np.array([0, *np.sort(luck.uniform(1, 14, 6)), 15])
    slopes = np.sort(luck.uniform(0.2, 1.0, 7))[::-1]
    heights = np.concatenate([[0], np.cumsum(slopes * np.diff(knots))])
    curve = PchipInterpolator(knots, heights * 180 / heights[-1])
    flows = [round(float(curve(lift)) * (1 + luck.normal(0, 0.005)), 1) for lift in LIFTS[grid]]
    assert "typing-slip" not in rules([make_test(LIFTS[grid], flows)])


SLIPS = [
    ("every mm", 4, "digits"),
    ("every mm", 7, "point"),
    ("every mm", 0, "point"),
    ("every mm", 11, "point"),
    ("every 2 mm", 2, "point"),
    ("every half mm", 15, "digits"),
    ("uneven", 6, "digits"),
]


@pytest.mark.parametrize(("grid", "at", "kind"), SLIPS)
@pytest.mark.parametrize(("unit", "top"), [("CFM", 180.0), ("L/s", 85.0), ("m³/h", 310.0)])
def test_slip_is_found_and_the_figure_proposed(grid: str, at: int, kind: str, unit: str, top: float) -> None:
    curve = saturating(top, 5)
    texts = [f"{curve(lift):.1f}" for lift in LIFTS[grid]]
    right = texts[at]
    if kind == "point":
        wrong = right.replace(".", "")
    else:
        wrong = next(
            (w for w in (right[1] + right[0] + right[2:], right[0] + right[2] + right[1] + right[3:])
             if "." not in w[:1] and w[0] != "0" and abs(float(w) / float(right) - 1) > 0.06 and w.count(".") == 1),
            "",
        )  # fmt: skip
        if not wrong or len(right) < 4:
            pytest.skip("no swap of these digits makes another figure of the same length")
    flows = [float(wrong if n == at else text) for n, text in enumerate(texts)]
    findings = found(LIFTS[grid], flows, flow_unit=unit)
    assert [finding.rule for finding in findings] == ["typing-slip"]
    finding = findings[0]
    assert finding.severity == "warning"
    assert finding.where == f"a.csv:{at + 2}:2"
    assert f"{float(right):g} {unit} was meant" in finding.message or f"{right} {unit} was meant" in finding.message
    assert f"{float(wrong):.5g} {unit}" in finding.message


def test_slip_messages_in_words() -> None:
    (swapped,) = found(EVERY_2, [30.1, 60.2, 83.8, 112.4, 129.9, 138.0])
    assert swapped.message == (
        "the flow 83.8 CFM at lift 6 mm is 5.2 % below the curve through its neighbours, which gives 88.4 CFM there; "
        "if two digits are swapped, 88.3 CFM was meant: check the operator's notes (nothing was changed)"
    )
    (moved,) = found(EVERY_2, [30.1, 60.2, 883, 112.4, 129.9, 138.0])
    assert "is 10 times the curve through its neighbours" in moved.message
    assert "if the decimal point has moved, 88.3 CFM was meant" in moved.message
    (other,) = found(EVERY_2, [30.1, 60.2, 77.3, 112.4, 129.9, 138.0])
    assert other.message.endswith("check the figure and its lift against the operator's notes (nothing was changed)")


def test_slip_that_makes_the_flow_fall_is_said_once() -> None:
    flows = [30.1, 60.2, 88.3, 80.4, 129.9, 138.0]
    assert [finding.rule for finding in found(EVERY_2, flows)] == ["typing-slip"]
    assert [finding.rule for finding in found(EVERY_2, [30.1, 60.2, 883.0, 112.4, 129.9, 138.0])] == ["typing-slip"]


def test_two_slips_on_one_curve() -> None:
    lifts = LIFTS["every mm"]
    flows = [round(saturating(180, 5)(lift), 1) for lift in lifts]
    flows[3], flows[8] = flows[3] * 10, flows[8] / 10
    findings = found(lifts, flows)
    assert {finding.where for finding in findings} == {"a.csv:5:2", "a.csv:10:2"}
    assert {finding.rule for finding in findings} == {"typing-slip"}


def test_figure_that_was_computed_gets_no_proposal() -> None:
    flows = [30.1, 60.2, 1000 / 3, 112.4, 129.9, 138.0]
    (finding,) = found(EVERY_2, flows)
    assert "was meant" not in finding.message


def test_steep_rise_at_the_end_is_a_slip_and_a_fall_there_is_a_fall() -> None:
    assert [f.rule for f in found(EVERY_2, [30.1, 60.2, 88.3, 112.4, 129.9, 208.0])] == ["typing-slip"]
    assert [f.rule for f in found(EVERY_2, [30.1, 60.2, 88.3, 112.4, 129.9, 118.6])] == ["falling-flow"]


def test_too_few_points_are_no_curve() -> None:
    assert found([4.0, 8.0, 12.0], [40.0, 600.0, 601.0]) == []
    assert found([4.0], [40.0]) == []
    assert check_tests([make_test([], [])]) == ()


def test_slip_beside_repeated_readings() -> None:
    lifts = [2.0, 4.0, 4.0, 6.0, 6.0, 8.0, 10.0, 12.0]
    flows = [30.1, 60.2, 60.5, 88.3, 88.1, 1124.0, 129.9, 138.0]
    findings = found(lifts, flows)
    assert [finding.rule for finding in findings] == ["lift-repeated", "typing-slip"]
    assert findings[0].severity == "note"
    assert findings[1].where == "a.csv:7:2"


def test_lift_ratio_and_mass_flow_are_shown_in_what_is_known() -> None:
    lifts = [0.05 * n for n in range(1, 7)]
    points = [lift * 35 for lift in lifts]
    test = make_test(points, [30.1, 60.2, 883, 112.4, 129.9, 138.0])
    ratio = make_test(points, [30.1, 60.2, 883, 112.4, 129.9, 138.0], conditions=Conditions(PRESSURE, None, 0.035))
    ratio = replace(
        ratio, units=replace(ratio.units, lift=UnitSource("L/D", "stated"), flow=UnitSource("kg/h", "stated"))
    )
    bare = replace(test, units=replace(test.units, lift=UnitSource("L/D", "stated")))
    assert "at lift 0.15 L/D" in check_tests([ratio])[0].message
    assert "L/s" in check_tests([ratio])[0].message
    assert "at lift 5.25 mm" in check_tests([bare])[0].message


# Falling flow


def test_falling_flow() -> None:
    (finding,) = found(EVERY_2, [30.1, 60.2, 88.3, 112.4, 111.9, 110.0])
    assert (finding.rule, finding.severity, finding.where) == ("falling-flow", "warning", "a.csv:7:2")
    assert "falls by 2.1 % from 112.4 CFM at lift 8 mm to 110 CFM at 12 mm" in finding.message


def test_fall_of_less_than_one_per_cent_is_none() -> None:
    assert found(EVERY_2, [30.1, 60.2, 88.3, 112.4, 112.0, 111.4]) == []


def test_fall_in_the_order_of_lift_whatever_the_order_on_the_sheet() -> None:
    flows = [30.1, 60.2, 88.3, 112.4, 129.9, 138.0]
    assert found(EVERY_2[::-1], flows[::-1]) == []
    (finding,) = found(EVERY_2[::-1], [110.0, 111.9, 112.4, 88.3, 60.2, 30.1])
    assert finding.where == "a.csv:2:2"


def test_two_falls() -> None:
    lifts = LIFTS["every mm"]
    flows = [20.0, 40, 58, 74, 88, 86.5, 101, 111, 119, 125, 129, 126.5]
    assert [f.where for f in found(lifts, flows)] == ["a.csv:7:2", "a.csv:13:2"]


def test_pressure_that_sags_is_no_fall() -> None:
    pressures = [PRESSURE] * 4 + [PRESSURE * 25 / 28] * 2
    flows = [30.1, 60.2, 88.3, 112.4, 129.9 * (25 / 28) ** 0.5 - 6, 113.0]
    assert "falling-flow" in rules([make_test(EVERY_2, flows)])
    sagging = [30.1, 60.2, 88.3, 112.4, 119.0 * (25 / 28) ** 0.5, 121.0 * (25 / 28) ** 0.5]
    assert rules([make_test(EVERY_2, sagging, pressures=pressures)]) == ["pressure-mixed"]


# Lifts


def test_repeated_lift() -> None:
    (finding,) = found([2.0, 4, 4, 8, 10, 12], GOOD)
    assert (finding.rule, finding.severity, finding.where) == ("lift-repeated", "warning", "a.csv:4:2")
    assert "the lift 4 mm stands more than once" in finding.message


def test_repeated_runs_as_rows_are_a_note() -> None:
    lifts = [2.0, 2, 4, 4, 6, 6, 8, 8]
    flows = [30.1, 30.2, 60.2, 60.0, 88.3, 88.2, 112.4, 112.9]
    assert [(f.rule, f.severity) for f in found(lifts, flows)] == [("lift-repeated", "note")]
    one_after_the_other = found(lifts[::2] * 2, flows[::2] + flows[1::2])
    assert [(f.rule, f.severity) for f in one_after_the_other] == [("lift-repeated", "note")]


def test_lift_out_of_order() -> None:
    (finding,) = found([2.0, 4, 60, 8, 10, 12], GOOD)
    assert (finding.rule, finding.severity, finding.where) == ("lift-order", "warning", "a.csv:4:2")
    assert finding.message == (
        "the lift 60 mm is out of order between 4 mm and 8 mm; if the decimal point has moved, 6 mm was meant: check "
        "the operator's notes (nothing was changed)"
    )
    lifts = [0.05, 0.1, 0.51, 0.2, 0.25, 0.3]
    (inches,) = found(lifts, GOOD, lift_unit="in")
    assert "if two digits are swapped, 0.15 in was meant" in inches.message


def test_lift_out_of_order_at_the_end() -> None:
    (finding,) = found([2.0, 4, 6, 8, 10, 1.2], GOOD)
    assert finding.where == "a.csv:7:2"
    assert (
        finding.message
        == "the lift 1.2 mm is out of order; check it against the operator's notes (nothing was changed)"
    )


def test_lifts_in_no_order_at_all() -> None:
    order = [3, 0, 5, 1, 4, 2]
    findings = found([EVERY_2[n] for n in order], [GOOD[n] for n in order])
    assert [f.rule for f in findings] == ["lift-order"]
    assert "neither rise nor fall" in findings[0].message


def test_repeated_lift_that_also_breaks_the_order_is_said_once() -> None:
    assert [f.rule for f in found([2.0, 4, 2, 8, 10, 12], GOOD)] == ["lift-repeated"]


# Pressures


def test_missing_pressure_is_said_once_a_sheet() -> None:
    tests = [make_test(EVERY_2, GOOD, conditions=Conditions(), port=str(n)) for n in range(3)]
    (finding,) = check_tests(tests)
    assert (finding.rule, finding.severity, finding.where) == ("pressure-missing", "error", "a.csv!intake 0")
    assert "(and in 2 more tests of this sheet)" in finding.message
    assert "--test-pressure" in finding.message
    assert len(check_tests([tests[0], make_test(EVERY_2, GOOD, conditions=Conditions(), sheet="B")])) == 2
    assert "(and in one more test of this sheet)" in check_tests(tests[:2])[0].message


def test_pressure_missing_at_one_point() -> None:
    pressures = [PRESSURE, PRESSURE, None, PRESSURE, PRESSURE, PRESSURE]
    (finding,) = found(EVERY_2, GOOD, pressures=pressures, conditions=Conditions())
    assert (finding.rule, finding.severity, finding.where) == ("pressure-missing", "error", "a.csv:4:2")
    assert found(EVERY_2, GOOD, pressures=pressures) == []


def test_mixed_pressures() -> None:
    pressures = [PRESSURE] * 5 + [PRESSURE * 10 / 28]
    flows = [*GOOD[:5], GOOD[5] * (10 / 28) ** 0.5]
    (finding,) = found(EVERY_2, flows, pressures=pressures)
    assert (finding.rule, finding.severity, finding.where) == ("pressure-mixed", "warning", "a.csv:7:2")
    assert "10.0 inH2O to 28.0 inH2O" in finding.message
    nearly = [PRESSURE * (1 + 0.008 * (n % 2)) for n in range(6)]
    assert found(EVERY_2, GOOD, pressures=nearly) == []


# Flows below zero, leak, check plate


def test_negative_flow() -> None:
    findings = found(EVERY_2, [30.1, -60.2, 88.3, 112.4, 129.9, 138.0])
    assert [(f.rule, f.severity, f.where) for f in findings] == [("flow-negative", "error", "a.csv:3:2")]
    assert "-60.2 CFM, below zero" in findings[0].message


@pytest.mark.parametrize(
    ("leak", "at", "large"),
    [(0.6, None, False), (0.602, None, False), (0.61, None, True), (0.4, 10.0, True), (0.0, None, False)],
)
def test_large_leak(leak: float, at: float | None, large: bool) -> None:
    conditions = Conditions(
        test_pressure_pa=PRESSURE,
        leak_m3_s=to_si(leak, "CFM"),
        leak_pressure_pa=None if at is None else at * 249.08891,
    )
    findings = found(EVERY_2, GOOD, conditions=conditions)
    assert [(f.rule, f.severity) for f in findings] == ([("leak-large", "warning")] if large else [])


def test_large_leak_names_the_worst_test_of_the_sheet() -> None:
    conditions = Conditions(test_pressure_pa=PRESSURE, leak_m3_s=to_si(1.0, "CFM"))
    tests = [make_test(EVERY_2, GOOD, conditions=conditions, port="1")]
    tests.append(make_test(EVERY_2, [flow * 0.8 for flow in GOOD], conditions=conditions, port="2"))
    tests.append(make_test(EVERY_2, GOOD, conditions=conditions, port="3"))
    (finding,) = check_tests(tests)
    assert finding.where == "a.csv!intake 2"
    assert "1 CFM is 4.2 % of the flow at the lowest lift, 2 mm (and in 2 more tests of this sheet)" in finding.message


@pytest.mark.parametrize(
    ("reading", "severity"),
    [
        (60.0, None),
        (61.8, None),
        (58.2, None),
        (61.9, "warning"),
        (58.1, "warning"),
        (66.0, "warning"),
        (66.1, "error"),
    ],
)
def test_check_plate(reading: float, severity: str | None) -> None:
    conditions = Conditions(
        test_pressure_pa=PRESSURE, check_reading_m3_s=to_si(reading, "CFM"), check_nominal_m3_s=to_si(60.0, "CFM")
    )
    findings = found(EVERY_2, GOOD, conditions=conditions)
    assert [f.severity for f in findings if f.rule == "check-off"] == ([severity] if severity else [])


def test_check_plate_declared_at_another_pressure() -> None:
    """Square-root law: 60 at 28 inH2O is 35.86 at 10 (common practice, no source)."""
    conditions = Conditions(
        test_pressure_pa=PRESSURE * 10 / 28,
        check_reading_m3_s=to_si(35.86, "CFM"),
        check_nominal_m3_s=to_si(60.0, "CFM"),
        check_pressure_pa=PRESSURE,
    )
    assert found(EVERY_2, GOOD, conditions=conditions) == []
    off = Conditions(**{**vars_of(conditions), "check_reading_m3_s": to_si(38.0, "CFM")})
    (finding,) = found(EVERY_2, GOOD, conditions=off)
    assert "6.0 % high, once brought from 10.0 inH2O to 28.0 inH2O" in finding.message
    unknown = Conditions(**{**vars_of(off), "test_pressure_pa": None})
    assert "check-off" not in rules([make_test(EVERY_2, GOOD, conditions=unknown)])


def vars_of(conditions: Conditions) -> dict[str, object]:
    return {item.name: getattr(conditions, item.name) for item in fields(conditions)}


# What it is built of, against reference libraries


@given(st.lists(st.floats(0.1, 1.0), min_size=6, max_size=10), st.lists(st.floats(10, 100), min_size=10, max_size=10))
def test_expected_value_is_the_polynomial_through_four_neighbours(steps: list[float], heights: list[float]) -> None:
    """Against scipy's barycentric interpolation."""
    lifts = [float(lift) for lift in np.cumsum(steps)]
    flows = heights[: len(lifts)]
    at = len(lifts) // 2
    around = [at - 2, at - 1, at + 1, at + 2]
    reference = BarycentricInterpolator([lifts[n] for n in around], [flows[n] for n in around])(lifts[at])
    seen = expected(lifts, flows, at)
    assert seen.value == pytest.approx(float(reference), rel=1e-9, abs=1e-9)


def test_expected_value_beside_the_closed_valve_and_below_the_top() -> None:
    lifts, flows = (1.0, 2.0, 3.5, 5.0), (11.0, 19.0, 33.0, 41.0)
    first = BarycentricInterpolator([0.0, 2.0, 3.5], [0.0, 19.0, 33.0])(1.0)
    assert expected(lifts, flows, 0).low <= float(first) <= expected(lifts, flows, 0).high
    near_top = BarycentricInterpolator([1.0, 2.0, 5.0], [11.0, 19.0, 41.0])(3.5)
    assert expected(lifts, flows, 2).value == pytest.approx(float(near_top))
    top = expected(lifts, flows, 3)
    assert (top.low, top.high) == (33.0, pytest.approx(33 + 14 / 1.5 * 1.5))
    assert top.off(33.0) == top.off(40.0) == 0.0
    assert top.off(66.0) == pytest.approx(66 / 47 - 1)


def test_robust_deviation_is_that_of_the_statistics_library() -> None:
    """Against scipy's median absolute deviation, scaled to the normal distribution, about zero."""
    lifts = LIFTS["every mm"]
    flows = [CURVES["gentle 5"](lift) * (1 + 0.004 * (-1) ** n) for n, lift in enumerate(lifts)]
    offs = [expected(lifts, flows, at).off(flows[at]) for at in range(11)]
    reference = median_abs_deviation(offs, center=lambda values, axis: np.zeros(()), scale="normal")
    assert robust_deviation(lifts, flows) == pytest.approx(float(reference), rel=1e-5)


def test_nothing_foretold_below_zero_is_believed() -> None:
    seen = expected((1.0, 2.0, 3.0, 4.0), (10.0, 500.0, 30.0, 40.0), 2)
    assert seen.off(30.0) > 0.04
    assert expected((1.0, 2.0, 3.0, 4.0, 5.0), (1.0, 1.0, 5.0, 900.0, 10.0), 1).off(1.0) == 10.0


@settings(max_examples=200)
@given(st.lists(st.floats(0.2, 2.0), min_size=4, max_size=12), st.integers(0, 10**6))
def test_glance_and_full_look_agree(steps: list[float], seed: int) -> None:
    luck = random.Random(seed)
    lifts = [float(lift) for lift in np.cumsum(steps)]
    flows = [saturating(180, 5)(lift) * (1 + luck.gauss(0, 0.02)) for lift in lifts]
    test = make_test(lifts, flows)
    if clean_at_a_glance(tuple(p.lift_m for p in test.points), tuple(p.flow_m3_s for p in test.points)):
        assert check_curve(test) == []


def test_smooth_sees_every_place() -> None:
    lifts = tuple(LIFTS["every mm"])
    flows = [CURVES["gentle 5"](lift) for lift in lifts]
    assert smooth(lifts, flows)
    for at in range(12):
        for factor in (1.5, 0.6):
            assert not smooth(lifts, [flow * factor if n == at else flow for n, flow in enumerate(flows)])


# Digits


def test_candidates() -> None:
    assert [item.text for item in candidates("21", 1)] == ["12.0", "20.1", "2.1", "0.21", "210", "2100"]
    assert [item.text for item in candidates("11")] == ["1.1", "0.11", "110", "1100"]
    assert [item.text for item in candidates("50.2")] == ["52.0", "5.02", "0.502", "502", "5020"]


@given(st.decimals(min_value="0.001", max_value="9999", places=3))
def test_typed_figures_come_back_through_si(figure: object) -> None:
    text = f"{float(str(figure)):.6g}"
    if "e" in text:
        return
    value = to_si(float(text), "CFM") / to_si(1.0, "CFM")
    assert typed_figure(value) == f"{float(text):.6f}".rstrip("0").rstrip(".")


@given(st.from_regex(r"[1-9]\d{0,2}\.\d", fullmatch=True), st.integers(0, 3))
def test_a_swap_is_among_what_may_have_been_meant(text: str, at: int) -> None:
    places = [n for n, sign in enumerate(text) if sign.isdigit()]
    left, right = places[at % (len(places) - 1)], places[at % (len(places) - 1) + 1]
    signs = list(text)
    signs[left], signs[right] = signs[right], signs[left]
    swapped = "".join(signs)
    if swapped == text or swapped.startswith("0"):
        return
    assert float(text) in [item.value for item in candidates(swapped, 1)]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 0.03), st.floats(-0.1, 0.3), st.none() | st.floats(1, 1e4)), max_size=12))
def test_no_readings_break_the_checks(points: list[tuple[float, float, float | None]]) -> None:
    test = make_test(
        [lift * 1000 for lift, _, _ in points],
        [flow * 2000 for _, flow, _ in points],
        pressures=[p for _, _, p in points],
    )
    for finding in check_tests([test]):
        assert finding.message and finding.where
