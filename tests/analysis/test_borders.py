"""Lifts, curves and areas at their borders: a micrometre more or less, the order of names, what is said.

Expected values are worked by hand or written out from the formulas beside them.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from flowkit.analysis.areas import impossible_dimensions, known_throat_area, minimum_area, seat_area, takeover_lift
from flowkit.analysis.curves import PortCurve, common_range, side_variants
from flowkit.analysis.lifts import integrate, lift_key, merge_lifts, natural_order, pchip, within
from flowkit.errors import RangeError
from flowkit.model import ValveGeometry, Variant
from tests.analysis.heads import TYPICAL, VALVE, corrected, head

LINE = {0.002: 0.02, 0.004: 0.04, 0.008: 0.08}
"""Ten times the lift, so that everything about it is known."""


def curve(flows: dict[float, float], port: str = "1", name: str = "v") -> PortCurve:
    """The curve of one port with one run."""
    return side_variants([Variant(name, corrected=(corrected(flows, variant=name, port=port),))], "intake")[0].ports[0]


# --- lifts ----------------------------------------------------------------------------------------


def test_whole_numbers_are_lifts_and_flows_too() -> None:
    """By hand: y = 10x from 2 to 4 is 60, its slope 10; the half between whole lifts is not cut off."""
    assert integrate([0, 2, 4], [0, 20, 40], 2, 4) == pytest.approx(60.0, rel=1e-14)
    assert integrate([0, 1, 4], [0, 10, 40], 0.5, 1.5, "trapezoid") == pytest.approx(10.0, rel=1e-14)
    whole = PortCurve("v", "intake", "1", (), np.array([0, 2, 4]), np.array([0, 20, 40]), ())
    assert whole.flow([1, 3]).tolist() == pytest.approx([10.0, 30.0])
    assert whole.slope([1, 3]).tolist() == pytest.approx([10.0, 10.0])
    assert float(pchip([0, 2, 4], [0, 20, 40])(3)) == pytest.approx(30.0)


def test_a_lift_outside_is_named_with_what_was_measured() -> None:
    with pytest.raises(RangeError) as caught:
        within(np.array([0.004, 0.0085, 0.009]), np.array([0.002, 0.008]))
    assert str(caught.value) == (
        "a lift of 8.500 mm is outside the measured lifts of 2.000 to 8.000 mm; curves are never extended beyond what "
        "was measured; measure there."
    )
    with pytest.raises(RangeError, match=r"a lift of 1\.500 mm is outside"):
        within(np.array(0.0015), np.array([0.002, 0.008]))


def test_a_micrometre_outside_is_the_end_on_either_side_and_two_are_not() -> None:
    lifts = np.array([0.002, 0.008])
    found = within(np.array([0.002 - 0.9e-6, 0.005, 0.008 + 0.9e-6]), lifts)
    assert found.tolist() == [0.002, 0.005, 0.008]
    for beyond in (0.002 - 2e-6, 0.008 + 2e-6):
        with pytest.raises(RangeError):
            within(np.array([0.005, beyond]), lifts)


def test_no_lifts_asked_for_is_no_flow() -> None:
    assert curve(LINE).flow([]).shape == (0,)


def test_lifts_a_micrometre_apart_as_typed_are_one_and_more_are_two() -> None:
    assert merge_lifts([0.001, 0.001001]) == (0.001,)
    assert merge_lifts([0.001, 0.0010011]) == (0.001, 0.0010011)
    assert lift_key(0.001001, (0.001, 0.003)) == 0
    assert lift_key(0.0009989, (0.001, 0.003)) is None
    assert lift_key(0.0029995, (0.001, 0.003)) == 1


def test_numbers_in_names_come_before_words_and_by_size() -> None:
    names = ["rear", "port 10", "port 9", "7", "30", "front"]
    assert sorted(names, key=natural_order) == ["7", "30", "front", "port 9", "port 10", "rear"]
    assert natural_order("2") < natural_order("2a") < natural_order("2b") < natural_order("10")


def test_a_curve_of_one_lift_cannot_be_drawn_through() -> None:
    with pytest.raises(RangeError) as caught:
        pchip([0.001], [0.01])
    assert str(caught.value) == "a curve needs at least two lifts; measure the port at more lifts."


def test_two_lifts_are_a_straight_line() -> None:
    assert float(pchip([0.001, 0.003], [0.01, 0.03])(0.0025)) == pytest.approx(0.025, rel=1e-12)
    assert float(curve({0.001: 0.01, 0.003: 0.03}).slope(0.002)) == pytest.approx(10.0, rel=1e-12)


def test_end_slope_is_held_to_three_secants_where_the_curve_turns() -> None:
    """Moler's rule by hand, points one apart: (3·s0 − s1)/2 with s0 = 1, s1 = −4 is 3.5, held to 3·s0."""
    lifts = np.array([0.0, 1.0, 2.0])
    assert pchip(lifts, np.array([0.0, 1.0, -3.0]))(lifts, 1).tolist() == pytest.approx([3.0, 0.0, -6.5])
    assert pchip(lifts, np.array([-3.0, 1.0, 0.0]))(lifts, 1).tolist() == pytest.approx([6.5, 0.0, -3.0])
    # s1 = −2 gives 2.5, which may stay; s1 = 4 gives −0.5, of the wrong sign, so flat.
    assert pchip(lifts, np.array([0.0, 1.0, -1.0]))(lifts, 1)[0] == pytest.approx(2.5)
    assert pchip(lifts, np.array([0.0, 1.0, 5.0]))(lifts, 1)[0] == 0.0


def test_area_of_nothing_is_zero_either_way() -> None:
    for method in ("pchip", "trapezoid"):
        assert integrate([0.001, 0.003], [0.01, 0.03], 0.002, 0.002, method) == 0.0
        assert integrate([0.001, 0.003], [0.01, 0.03], 0.003, 0.001, method) == 0.0


# --- curves ---------------------------------------------------------------------------------------


def test_runs_of_one_number_stand_in_the_order_of_their_names() -> None:
    tests = [corrected(TYPICAL, file=f"{letter}.csv") for letter in "cab"]
    (port,) = side_variants([Variant("as received", corrected=tuple(tests))], "intake")[0].ports
    assert [test.file for test in port.tests] == ["a.csv", "b.csv", "c.csv"]
    assert [source[0] for source in port.sources[0]] == ["a", "b", "c"]
    assert [len(own) for own in port.sources] == [3] * 5


def test_run_numbers_come_before_names() -> None:
    tests = (corrected(TYPICAL, file="a.csv", run=2), corrected(TYPICAL, file="b.csv", run=1))
    (port,) = side_variants([Variant("as received", corrected=tests)], "intake")[0].ports
    assert [test.run for test in port.tests] == [1, 2]


def test_a_variant_knows_its_side_its_state_and_its_valve() -> None:
    both = head("v", sides=("intake", "exhaust"), state={"ports": "cast"}, valve=VALVE)
    (intake,) = side_variants([both], "intake")
    assert (intake.name, intake.side, intake.state, intake.valve) == ("v", "intake", {"ports": "cast"}, VALVE)
    assert {(one.variant, one.side) for one in intake.ports} == {("v", "intake")}
    bare = side_variants([head("w")], "intake")[0]
    assert bare.state == {}


def test_lifts_a_hair_outside_the_limits_belong_to_them() -> None:
    (variant,) = side_variants([head("v", ports=("1",), base=LINE)], "intake")
    assert variant.lifts_within(0.002 + 0.5e-6, 0.008 - 0.5e-6) == (0.002, 0.004, 0.008)
    assert variant.lifts_within(0.002 + 2e-6, 0.008 - 2e-6) == (0.004,)


def test_own_range_of_a_variant_is_what_all_its_ports_were_measured_over() -> None:
    ports = (corrected({0.001: 0.01, 0.006: 0.05}, port="1"), corrected({0.002: 0.02, 0.008: 0.06}, port="2"))
    (variant,) = side_variants([Variant("as received", corrected=ports)], "intake")
    assert variant.own_range() == (0.002, 0.006)
    assert variant.lifts_within(0.0, 1.0, ("2",)) == (0.002, 0.008)
    assert [one.port for one in variant.curves(("2",))] == ["2"]
    assert [one.port for one in variant.curves()] == ["1", "2"]


def test_mean_over_ports_is_the_mean_of_the_named_ones() -> None:
    (variant,) = side_variants([head("v", ports=("1", "2"), character=(1.0, 1.2), base=LINE)], "intake")
    assert float(variant.flow(0.004)) == pytest.approx(0.044)
    assert float(variant.flow(0.004, ("2",))) == pytest.approx(0.048)
    assert variant.mean_flow(0.002, 0.008) == pytest.approx(0.055)
    assert variant.mean_flow(0.002, 0.008, "trapezoid", ("1",)) == pytest.approx(0.05)


def test_area_by_either_method_is_kept_apart() -> None:
    bent = curve({0.002: 0.02, 0.004: 0.04, 0.006: 0.04})
    cubic, straight = bent.area(0.002, 0.006), bent.area(0.002, 0.006, "trapezoid")
    assert straight == pytest.approx(0.06e-3 + 0.08e-3, rel=1e-12)
    assert cubic > straight * 1.001
    assert (bent.area(0.002, 0.006), bent.area(0.002, 0.006, "trapezoid")) == (cubic, straight)
    assert bent.area(0.003, 0.006, "trapezoid") == pytest.approx(0.035e-3 + 0.08e-3, rel=1e-12)
    assert bent.mean_flow(0.002, 0.006, "trapezoid") == pytest.approx(0.035, rel=1e-12)


def test_limits_the_wrong_way_round_are_no_area() -> None:
    assert curve(LINE).area(0.008, 0.002) == 0.0


def test_a_range_of_two_micrometres_is_a_range() -> None:
    one = curve(LINE)
    assert one.mean_flow(0.004, 0.004002) == pytest.approx(0.04001, rel=1e-9)
    assert common_range([curve({0.001: 0.01, 0.004002: 0.04}), curve({0.004: 0.04, 0.008: 0.08})]) == (0.004, 0.004002)


def test_no_common_range_says_what_to_do() -> None:
    low, high = curve({0.001: 0.01, 0.003: 0.03}, name="low"), curve({0.004: 0.03, 0.008: 0.05}, "2", "high")
    with pytest.raises(RangeError) as caught:
        common_range([low, high])
    assert str(caught.value) == (
        "no common range of lifts on the intake: 'high' port 2 begins at 4.000 mm, 'low' port 1 ends at 3.000 mm; "
        "test them over lifts that overlap."
    )


# --- areas ----------------------------------------------------------------------------------------


def test_words_of_dimensions_that_cannot_be() -> None:
    assert impossible_dimensions(ValveGeometry(head_m=0.03, seat_angle_deg=45.0, seat_width_m=0.03)) == (
        "a seat of 45° and 30 mm does not fit on a valve head of 30 mm"
    )
    assert impossible_dimensions(ValveGeometry(throat_m=0.007, stem_m=0.0085)) == (
        "the stem (8.5 mm) fills the throat (7 mm)"
    )
    assert impossible_dimensions(ValveGeometry(throat_m=0.0335, head_m=0.033)) == (
        "the throat (33.5 mm) is wider than the valve head (33 mm)"
    )


def test_a_throat_as_wide_as_the_head_can_be() -> None:
    assert impossible_dimensions(ValveGeometry(throat_m=0.033, head_m=0.033)) is None


def test_half_a_seat_is_not_judged() -> None:
    for missing in ("head_m", "seat_angle_deg", "seat_width_m"):
        wide = dataclasses.replace(VALVE, seat_width_m=0.05)
        assert impossible_dimensions(dataclasses.replace(wide, **{missing: None})) is None


def test_a_seat_whose_faces_meet_leaves_no_hole() -> None:
    """On a flat seat radial and face width are one: twice 15 mm fill a head of 30 mm."""
    full = ValveGeometry(head_m=0.03, seat_angle_deg=0.0, seat_width_m=0.015)
    assert impossible_dimensions(full) is not None
    assert impossible_dimensions(dataclasses.replace(full, seat_width_m=0.0149)) is None
    assert impossible_dimensions(dataclasses.replace(full, seat_width_m=-0.001)) is not None


def test_stem_as_wide_as_the_throat_leaves_no_area() -> None:
    assert known_throat_area(ValveGeometry(throat_m=0.008, stem_m=0.008)) is None
    assert known_throat_area(ValveGeometry(throat_m=0.010, stem_m=0.008)) == pytest.approx(math.pi * 9e-6, rel=1e-12)


def test_throat_that_takes_over_in_the_seat_s_lower_region() -> None:
    """Root of π·L·cosβ·(D_v − 2w + ½·L·sin2β) = A_throat by the textbook's quadratic formula."""
    valve = ValveGeometry(head_m=0.040, stem_m=0.008, throat_m=0.012, seat_angle_deg=45.0, seat_width_m=0.008)
    beta = math.pi / 4
    w = 0.008 * math.cos(beta)
    throat = math.pi / 4 * (0.012**2 - 0.008**2)
    a, b, c = math.sin(2 * beta) / 2, 0.040 - 2 * w, -throat / (math.pi * math.cos(beta))
    root = (-b + math.sqrt(b * b - 4 * a * c)) / (2 * a)
    assert root < w / (math.sin(beta) * math.cos(beta))
    assert takeover_lift(valve) == pytest.approx(root, rel=1e-9)
    assert float(seat_area(root, 0.040, 45.0, 0.008)) == pytest.approx(throat, rel=1e-9)


def test_whole_numbers_of_lift_have_areas() -> None:
    """By hand: a head of 10, no seat width: π·L·cosβ·(10 + ½·L·sin2β) at β = 0 is the curtain, 10π·L."""
    assert seat_area([1, 2], 10, 0, 0).tolist() == pytest.approx([10 * math.pi, 20 * math.pi])
    assert minimum_area([1], ValveGeometry(10, 1, 9, 0, 0)).tolist() == pytest.approx([10 * math.pi])
