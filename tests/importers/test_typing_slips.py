"""Typing slips: found where there is one, unseen on honest curves; and what finding them is built of."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BarycentricInterpolator, PchipInterpolator
from scipy.stats import median_abs_deviation

from flowkit.importers.checks import (
    candidates,
    check_curve,
    check_tests,
    clean_at_a_glance,
    expected,
    robust_deviation,
    smooth,
    typed_figure,
)
from flowkit.model import Conditions, UnitSource
from flowkit.units import to_si
from tests.importers.flows import (
    CURVES,
    EVERY_2,
    LIFTS,
    PRESSURE,
    found,
    make_test,
    rules,
    saturating,
)

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


@settings(max_examples=200, deadline=None)
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
