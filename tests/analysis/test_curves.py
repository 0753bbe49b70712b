"""Curves of ports: interpolation, areas, averaging, ranges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, trapezoid
from scipy.interpolate import PchipInterpolator

from flowkit.analysis.curves import (
    PortCurve,
    common_range,
    integrate,
    lift_key,
    merge_lifts,
    natural_order,
    pchip,
    side_variants,
)
from flowkit.errors import RangeError
from flowkit.model import Variant
from tests.analysis.heads import LIFTS, TYPICAL, corrected, head, scaled
from tests.published import pchip as published


def curve(flows: dict[float, float], port: str = "1", name: str = "v") -> PortCurve:
    """The curve of one port with one run."""
    variant = Variant(name, corrected=(corrected(flows, variant=name, port=port),))
    return side_variants([variant], "intake")[0].ports[0]


flow_curves = st.integers(2, 9).flatmap(
    lambda n: st.tuples(
        st.lists(st.floats(0.0005, 0.002), min_size=n, max_size=n),
        st.lists(st.floats(0.001, 0.1), min_size=n, max_size=n),
    )
)


def as_flows(steps_and_flows: tuple[list[float], list[float]]) -> dict[float, float]:
    """Lift steps and flows to lift -> flow."""
    steps, flows = steps_and_flows
    return dict(zip(np.cumsum(steps).tolist(), flows, strict=True))


# --- areas ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("worked", published.WORKED, ids=lambda worked: worked.name)
def test_area_under_the_cubic_is_the_hand_worked_fraction(worked: published.Worked) -> None:
    # Source: Fritsch & Butland 1984 and Moler 3.4, see tests/published/pchip.py.
    area = integrate(worked.x, worked.y, worked.x[0], worked.x[-1])
    assert area == pytest.approx(float(worked.area), rel=1e-13)


@pytest.mark.parametrize("worked", published.WORKED, ids=lambda worked: worked.name)
def test_slopes_of_the_cubic_are_the_hand_worked_fractions(worked: published.Worked) -> None:
    # Source: as above. The slope just inside an end is the end's slope.
    found = pchip(worked.x, worked.y)(np.asarray(worked.x, dtype=float), 1)
    assert found == pytest.approx([float(slope) for slope in worked.slopes], rel=1e-13, abs=1e-13)


def test_published_fractions_stand_on_their_own_slopes() -> None:
    """Each area follows from the printed slopes by h(y0 + y1)/2 + h²(d0 − d1)/12, in fractions."""
    for worked in published.WORKED:
        x, y = ([published.Fraction(value) for value in values] for values in (worked.x, worked.y))
        total = sum(
            (x[k + 1] - x[k]) * (y[k] + y[k + 1]) / 2
            + (x[k + 1] - x[k]) ** 2 * (worked.slopes[k] - worked.slopes[k + 1]) / 12
            for k in range(len(x) - 1)
        )
        assert total == worked.area


@settings(max_examples=40, deadline=None)
@given(flow_curves, st.floats(0, 1), st.floats(0, 1))
def test_area_agrees_with_adaptive_quadrature(data: tuple[list[float], list[float]], a: float, b: float) -> None:
    # Source: QUADPACK by scipy.integrate.quad on the interpolant's values; its own error bound 1e-10.
    one = curve(as_flows(data))
    lo, hi = sorted(one.lowest + share * (one.highest - one.lowest) for share in (a, b))
    area, _ = quad(lambda lift: float(one.flow(lift)), lo, hi, points=one.lifts_m.tolist(), epsabs=1e-14, limit=200)
    assert one.area(lo, hi) == pytest.approx(area, rel=1e-8, abs=1e-13)


@settings(max_examples=40, deadline=None)
@given(flow_curves)
def test_trapezoid_is_numpys(data: tuple[list[float], list[float]]) -> None:
    # Source: scipy.integrate.trapezoid.
    flows = as_flows(data)
    expected = trapezoid(list(flows.values()), list(flows))
    one = curve(flows)
    assert one.area(one.lowest, one.highest, "trapezoid") == pytest.approx(float(expected), rel=1e-12)


def test_trapezoid_between_points_takes_straight_lines() -> None:
    # By hand: y = 10x from 0.003 to 0.004 (mean 0.035), then 0.04 → 0.06 over 2 mm, to 0.005 (mean 0.045).
    one = curve({0.002: 0.02, 0.004: 0.04, 0.006: 0.06})
    assert one.area(0.003, 0.005, "trapezoid") == pytest.approx(0.04 * 0.002, rel=1e-12)
    bent = curve({0.002: 0.02, 0.004: 0.04, 0.006: 0.04})
    assert bent.area(0.003, 0.005, "trapezoid") == pytest.approx(0.035e-3 + 0.04e-3, rel=1e-12)
    assert bent.area(0.003, 0.005) != pytest.approx(0.075e-3, rel=1e-4)


@settings(max_examples=40, deadline=None)
@given(flow_curves, st.floats(0.05, 0.95))
def test_areas_add_up(data: tuple[list[float], list[float]], share: float) -> None:
    one = curve(as_flows(data))
    middle = one.lowest + share * (one.highest - one.lowest)
    for method in ("pchip", "trapezoid"):
        parts = one.area(one.lowest, middle, method) + one.area(middle, one.highest, method)
        assert parts == pytest.approx(one.area(one.lowest, one.highest, method), rel=1e-10)


# --- interpolation -------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(flow_curves)
def test_curve_goes_through_its_points_and_never_overshoots(data: tuple[list[float], list[float]]) -> None:
    # The defining property of a monotone interpolant (Fritsch & Carlson 1980).
    flows = as_flows(data)
    one = curve(flows)
    assert one.flow(list(flows)) == pytest.approx(list(flows.values()), rel=1e-12)
    for (left, y0), (right, y1) in zip(list(flows.items())[:-1], list(flows.items())[1:], strict=True):
        between = one.flow(np.linspace(left, right, 9))
        assert between.min() >= min(y0, y1) * (1 - 1e-12)
        assert between.max() <= max(y0, y1) * (1 + 1e-12)


def test_slope_is_scipys_derivative_and_a_difference_quotient() -> None:
    one = curve(TYPICAL)
    at = np.array([0.0031, 0.0052, 0.0077])
    step = 1e-7
    quotient = (one.flow(at + step) - one.flow(at - step)) / (2 * step)
    assert one.slope(at) == pytest.approx(quotient, rel=1e-6)
    assert one.slope(at) == pytest.approx(PchipInterpolator(LIFTS, list(TYPICAL.values())).derivative()(at))


@pytest.mark.parametrize("ask", ["flow", "slope"])
@pytest.mark.parametrize("lift", [0.0019, 0.0101, float("nan"), float("inf")])
def test_nothing_is_extrapolated(ask: str, lift: float) -> None:
    with pytest.raises(RangeError, match=r"outside the measured lifts of 2.000 to 10.000 mm"):
        getattr(curve(TYPICAL), ask)([0.004, lift])


def test_areas_are_not_extrapolated() -> None:
    with pytest.raises(RangeError, match=r"a lift of 1.000 mm is outside the measured lifts"):
        curve(TYPICAL).area(0.001, 0.004)
    with pytest.raises(RangeError, match="outside the measured lifts"):
        curve(TYPICAL).mean_flow(0.002, 0.0105, "trapezoid")


def test_a_micrometre_beyond_the_end_is_the_end() -> None:
    one = curve(TYPICAL)
    assert float(one.flow(0.010 + 0.9e-6)) == pytest.approx(0.060, rel=1e-12)
    assert one.area(0.002 - 0.9e-6, 0.010) == pytest.approx(one.area(0.002, 0.010))


def test_pchip_needs_two_lifts_and_says_so() -> None:
    with pytest.raises(RangeError, match="at least two lifts; measure the port at more lifts"):
        pchip([0.002], [0.02])


def test_pchip_gives_nothing_outside() -> None:
    assert np.isnan(pchip([0.001, 0.002], [0.01, 0.02])(0.003))


def test_pchip_takes_many_curves_at_once() -> None:
    flows = np.array([[0.01, 0.03], [0.02, 0.05], [0.03, 0.06]])
    both = pchip([0.001, 0.002, 0.004], flows)(0.003)
    single = [float(pchip([0.001, 0.002, 0.004], flows[:, k])(0.003)) for k in (0, 1)]
    assert both.tolist() == pytest.approx(single, rel=1e-15)


# --- one lift ------------------------------------------------------------------------------------


def test_one_lift_has_a_flow_but_no_area() -> None:
    one = curve({0.005: 0.04})
    assert common_range([one]) == (0.005, 0.005)
    assert one.mean_flow(0.005, 0.005) == 0.04
    assert one.area(0.005, 0.005) == 0.0
    assert float(one.slope(0.005)) == 0.0
    assert one.flow([0.005]).tolist() == [0.04]
    with pytest.raises(RangeError):
        one.flow(0.006)


def test_mean_flow_at_one_lift_of_a_longer_curve() -> None:
    one = curve(TYPICAL)
    assert one.mean_flow(0.005, 0.005) == float(one.flow(0.005))
    assert one.area(0.005, 0.005) == 0.0
    assert one.area(0.005, 0.005, "trapezoid") == 0.0


def test_mean_flow_of_a_line_is_its_middle() -> None:
    one = curve({0.002: 0.02, 0.005: 0.05, 0.010: 0.10})
    assert one.mean_flow(0.004, 0.008) == pytest.approx(0.06, rel=1e-12)


# --- averaging -----------------------------------------------------------------------------------


def test_runs_are_averaged_lift_by_lift_where_they_were_measured() -> None:
    first = corrected({0.002: 0.020, 0.004: 0.040})
    second = corrected({0.004: 0.042, 0.006: 0.050}, run=2)
    one = side_variants([Variant("as received", corrected=(second, first))], "intake")[0].ports[0]
    assert one.lifts_m.tolist() == [0.002, 0.004, 0.006]
    assert one.flow_m3_s.tolist() == pytest.approx([0.020, 0.041, 0.050])
    assert [len(own) for own in one.sources] == [1, 2, 1]
    assert one.sources[1] == (first.points[1].source, second.points[0].source)
    assert [test.run for test in one.tests] == [1, 2]


def test_lifts_within_a_micrometre_are_one_over_the_whole_side() -> None:
    first = head("a", base={0.00254: 0.02, 0.00508: 0.04})
    second = head("b", base={0.002540000001: 0.02, 0.0050809: 0.04, 0.006: 0.05})
    one, other = side_variants([first, second], "intake")
    assert one.ports[0].lifts_m.tolist() == [0.00254, 0.00508]
    assert other.ports[0].lifts_m.tolist() == [0.00254, 0.00508, 0.006]


def test_merging_lifts_keeps_the_smallest_of_each_group() -> None:
    assert merge_lifts([0.002002, 0.002001, 0.002, 0.001]) == (0.001, 0.002, 0.002002)
    assert merge_lifts([]) == ()


def test_place_of_a_lift() -> None:
    assert lift_key(0.002, ()) is None
    assert lift_key(0.003001, (0.002, 0.003)) == 1
    assert lift_key(0.0030011, (0.002, 0.003)) is None


def test_ports_stand_in_the_order_people_number_them() -> None:
    variant = head("v", ports=("10", "2", "1", "rear"))
    assert side_variants([variant], "intake")[0].port_names == ("1", "2", "10", "rear")
    assert sorted(["01", "1", "b2", "b10"], key=natural_order) == ["01", "1", "b2", "b10"]


def test_names_like_01_stay_names() -> None:
    both = Variant(
        "v", corrected=(corrected(TYPICAL, variant="v", port="1"), corrected(TYPICAL, variant="v", port="01"))
    )
    assert side_variants([both], "intake")[0].port_names == ("01", "1")


def test_sides_are_kept_apart_and_variants_without_tests_left_out() -> None:
    both = head("both", sides=("intake", "exhaust"))
    one = head("one", sides=("exhaust",))
    assert [variant.name for variant in side_variants([both, one], "intake")] == ["both"]
    assert [variant.name for variant in side_variants([both, one], "exhaust")] == ["both", "one"]


def test_a_port_without_a_name_is_one_port() -> None:
    variant = Variant("v", corrected=(corrected(TYPICAL, variant="v", port=None),))
    assert side_variants([variant], "intake")[0].port_names == ("",)


# --- ranges --------------------------------------------------------------------------------------


def test_common_range_is_the_overlap() -> None:
    curves = [curve({0.001: 0.01, 0.008: 0.05}), curve({0.002: 0.02, 0.010: 0.06}), curve({0.0015: 0.02, 0.009: 0.06})]
    assert common_range(curves) == (0.002, 0.008)


def test_one_lift_in_common_is_a_range_of_no_width() -> None:
    assert common_range([curve({0.001: 0.01, 0.004: 0.03}), curve({0.004: 0.03, 0.008: 0.05})]) == (0.004, 0.004)


def test_a_range_narrower_than_a_micrometre_is_one_lift() -> None:
    below = curve({0.001: 0.01, 0.004: 0.03}), curve({0.0040005: 0.03, 0.008: 0.05})
    above = curve({0.001: 0.01, 0.0040005: 0.03}), curve({0.004: 0.03, 0.008: 0.05})
    assert common_range(below) == (0.0040005, 0.0040005)
    assert common_range(above) == (0.004, 0.004)
    assert below[0].mean_flow(*common_range(below)) == pytest.approx(0.03)


def test_no_common_range_names_both_curves() -> None:
    low, high = curve({0.001: 0.01, 0.003: 0.03}, name="low"), curve({0.004: 0.03, 0.008: 0.05}, "2", "high")
    with pytest.raises(RangeError, match=r"'high' port 2 begins at 4.000 mm, 'low' port 1 ends at 3.000 mm"):
        common_range([low, high])


def test_unnamed_ports_are_named_by_their_variant() -> None:
    low, high = curve({0.001: 0.01, 0.003: 0.03}, "", "low"), curve({0.004: 0.03, 0.008: 0.05}, "", "high")
    with pytest.raises(RangeError, match=r"'high' begins at 4.000 mm, 'low' ends"):
        common_range([low, high])


def test_arrays_of_a_curve_cannot_be_changed() -> None:
    one = curve(TYPICAL)
    with pytest.raises(ValueError, match="read-only"):
        one.flow_m3_s[0] = 1.0


def test_scaling_flows_scales_areas() -> None:
    one, double = curve(TYPICAL), curve(scaled(2.0))
    assert double.area(0.0025, 0.0095) == pytest.approx(2 * one.area(0.0025, 0.0095), rel=1e-12)
