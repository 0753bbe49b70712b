"""Gains: like with like, steps that multiply, what geometry would give."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from flowkit.analysis import compare
from flowkit.analysis.curves import side_variants
from flowkit.analysis.gains import expected_gains, shares_of_total
from flowkit.corrections.pressure import pressure_factor
from flowkit.model import INH2O_PA, Bench, Conditions, LedgerLine, Reference, Variant
from tests.analysis.heads import LIFTS, TYPICAL, VALVE, corrected, head, scaled
from tests.make_sample_sheets import Valve

STATED = Bench(repeatability=0.005)


def test_port_work_then_slimmer_valves() -> None:
    # Figures of the trade (common practice, no source): port work +10 %, port work with slimmer
    # valves +14 %, so the valves alone are worth +3.6 % (1.14/1.10 − 1 = 3.64 %, not 4 %).
    result = compare([head("as cast"), head("ported", 1.10), head("ported, slim valves", 1.14)])
    side = result.sides["intake"]
    ported, valves, total = side.gains
    assert (ported.kind, valves.kind, total.kind) == ("step and total", "step", "total")
    assert ported.mean_flow_gain == pytest.approx(0.10)
    assert total.mean_flow_gain == pytest.approx(0.14)
    assert valves.mean_flow_gain * 100 == pytest.approx(3.6, abs=0.05)
    assert (1 + ported.mean_flow_gain) * (1 + valves.mean_flow_gain) == pytest.approx(1 + total.mean_flow_gain)


def test_pairs_and_their_order() -> None:
    side = compare([head(name) for name in "abcd"]).sides["intake"]
    assert [(gain.from_, gain.to, gain.kind) for gain in side.gains] == [
        ("a", "b", "step and total"),
        ("b", "c", "step"),
        ("a", "c", "total"),
        ("c", "d", "step"),
        ("a", "d", "total"),
    ]
    assert [gain.to for gain in side.steps] == ["b", "c", "d"]
    assert [gain.to for gain in side.totals] == ["b", "c", "d"]


@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(0.8, 1.3), min_size=2, max_size=5))
def test_steps_multiply_to_the_total_and_shares_add_to_one(factors: list[float]) -> None:
    heads = [head("start"), *(head(f"state {place}", factor) for place, factor in enumerate(factors))]
    side = compare(heads).sides["intake"]
    product = math.prod(1 + step.mean_flow_gain for step in side.steps)
    assert product == pytest.approx(1 + side.totals[-1].mean_flow_gain, rel=1e-12)
    shares = [share or 0.0 for share in shares_of_total(side_variants(heads, "intake"), side.range_m, "pchip")]
    if abs(math.log(factors[-1])) > 1e-3:
        assert sum(shares) == pytest.approx(1.0, rel=1e-9)
        assert shares[0] == pytest.approx(math.log(factors[0]) / math.log(factors[-1]), rel=1e-9, abs=1e-12)
    assert all(gain.share_of_total is None for gain in side.gains if gain.kind == "total")


def test_shares_of_nothing_are_not_given() -> None:
    side = compare([head("a"), head("b", 1.1), head("c")]).sides["intake"]
    assert [step.share_of_total for step in side.steps] == [None, None]


def test_mean_flow_gain_is_the_ratio_of_integrals_of_scipys_interpolant() -> None:
    # Source: scipy.interpolate.PchipInterpolator.integrate on the same points.
    work = scaled(lambda lift: 1 + 12 * lift)
    gain = (
        compare([head("a", ports=("1",)), head("b", lambda lift: 1 + 12 * lift, ports=("1",))]).sides["intake"].gains[0]
    )
    before, after = (
        PchipInterpolator(LIFTS, list(flows.values())).integrate(0.002, 0.010) for flows in (TYPICAL, work)
    )
    assert gain.mean_flow_gain == pytest.approx(after / before - 1, rel=1e-12)


def test_gains_per_lift_by_hand() -> None:
    gain = compare([head("a"), head("b", lambda lift: 1.05 if lift < 0.005 else 1.20)]).sides["intake"].gains[0]
    assert [item.lift_m for item in gain.per_lift] == list(LIFTS)
    assert [item.gain for item in gain.per_lift] == pytest.approx([0.05, 0.05, 0.20, 0.20, 0.20])
    assert not any(item.interpolated for item in gain.per_lift)
    assert gain.mean_of_gains == pytest.approx((0.05 * 2 + 0.20 * 3) / 5)
    assert gain.gain_at_top_lift == pytest.approx(0.20)
    assert (gain.largest.gain, gain.smallest.gain) == pytest.approx((0.20, 0.05))
    assert gain.smallest.lift_m in (0.002, 0.004)


def test_lifts_of_either_are_compared_and_marked_where_interpolated() -> None:
    coarse = head("coarse", base={0.002: 0.02, 0.006: 0.06, 0.010: 0.10}, ports=("1",))
    fine = head("fine", base={lift / 1e3: lift / 100 * 1.1 for lift in (1, 2, 4, 6, 8, 9)}, ports=("1",))
    side = compare([coarse, fine]).sides["intake"]
    assert side.range_m == (0.002, 0.009)
    per_lift = {item.lift_m: item for item in side.gains[0].per_lift}
    assert list(per_lift) == [0.002, 0.004, 0.006, 0.008, 0.009]
    assert [item.interpolated for item in per_lift.values()] == [False, True, False, True, True]
    assert [item.gain for item in per_lift.values()] == pytest.approx([0.1] * 5)
    assert side.gains[0].gain_at_top_lift == pytest.approx(0.1)


def test_a_lift_missing_in_one_port_only_is_interpolated() -> None:
    complete = corrected(TYPICAL, variant="b", port="1")
    gappy = corrected({lift: flow for lift, flow in TYPICAL.items() if lift != 0.006}, variant="b", port="2")
    gain = compare([head("a"), Variant("b", corrected=(complete, gappy))]).sides["intake"].gains[0]
    assert {item.lift_m: item.interpolated for item in gain.per_lift} == {lift: lift == 0.006 for lift in LIFTS}


def test_only_ports_in_both_are_compared() -> None:
    before = head("a", ports=("1", "2"))
    after = head("b", 1.1, ports=("2", "3"), character=(1.0, 3.0))
    gain = compare([before, after]).sides["intake"].gains[0]
    assert gain.matched_ports == ("2",)
    assert gain.mean_flow_gain == pytest.approx(0.1)
    assert [(item.port, item.mean_flow_gain) for item in gain.ports] == [("2", pytest.approx(0.1))]


def test_without_a_port_in_common_the_means_are_compared() -> None:
    before = head("a", ports=("1", "2"), character=(1.0, 1.2))
    after = head("b", ports=("3",), character=(1.65,))
    gain = compare([before, after]).sides["intake"].gains[0]
    assert gain.matched_ports == ()
    assert gain.ports == ()
    assert gain.mean_flow_gain == pytest.approx(1.65 / 1.1 - 1)


def test_shares_are_over_the_ports_common_to_the_whole_sequence() -> None:
    heads = [
        head("a", ports=("1", "2")),
        head("b", ports=("1", "2"), character=(1.10, 1.50)),
        head("c", ports=("1",), character=(1.21,)),
    ]
    side = compare(heads, bench=Bench(repeatability=1e-4)).sides["intake"]
    # Port 2 raises the first step, but takes no part in the sequence.
    assert side.steps[0].mean_flow_gain == pytest.approx(0.30)
    assert [step.share_of_total for step in side.steps] == pytest.approx([0.5, 0.5])


def test_where_the_pair_has_no_lift_in_the_range_its_ends_are_compared() -> None:
    wide = {0.001: 0.01, 0.010: 0.10}
    heads = [head("a", base=wide), head("b", 1.2, base=wide), head("c", base={0.004: 0.04, 0.006: 0.06})]
    gain = compare(heads).sides["intake"].gains[0]
    assert [(item.lift_m, item.interpolated) for item in gain.per_lift] == [(0.004, True), (0.006, True)]
    assert gain.mean_flow_gain == pytest.approx(0.2)


def test_one_lift_in_common() -> None:
    gain = (
        compare([head("a", base={0.005: 0.04}), head("b", 1.1, base={0.005: 0.04})], bench=STATED)
        .sides["intake"]
        .gains[0]
    )
    assert gain.mean_flow_gain == pytest.approx(0.1)
    assert gain.gain_at_top_lift == pytest.approx(0.1)
    assert gain.bands == ()
    assert gain.mean_flow_gain_u95 is not None and gain.mean_flow_gain_u95 > 0


# --- bands ---------------------------------------------------------------------------------------


def test_bands_by_lift_over_valve_diameter() -> None:
    # By hand: 0.15·38 = 5.7 mm, 0.25·38 = 9.5 mm.
    side = compare([head("a", valve=VALVE), head("b", lambda lift: 1.2 if lift > 0.009 else 1.0, valve=VALVE)]).sides[
        "intake"
    ]
    bands = side.gains[0].bands
    assert [band.name for band in bands] == ["low", "middle", "high"]
    assert [band.to_m for band in bands] == pytest.approx([0.0057, 0.0095, 0.010])
    assert bands[0].gain == pytest.approx(0.0, abs=1e-12)
    assert bands[1].gain > 0.01
    assert bands[2].gain > bands[1].gain
    widths = [band.to_m - band.from_m for band in side.variants[0].bands]
    mean = sum(band.mean_flow_m3_s * width for band, width in zip(side.variants[0].bands, widths, strict=True)) / 0.008
    assert mean == pytest.approx(side.variants[0].mean_flow_m3_s, rel=1e-12)


def test_bands_are_thirds_where_the_valve_is_unknown() -> None:
    side = compare([head("a"), head("b", 1.1)]).sides["intake"]
    assert [band.to_m for band in side.gains[0].bands] == pytest.approx([0.002 + 0.008 / 3, 0.002 + 0.016 / 3, 0.010])


def test_a_band_that_is_not_reached_is_absent() -> None:
    small = replace(VALVE, head_m=0.100)
    side = compare([head("a", valve=small), head("b", valve=small)]).sides["intake"]
    assert [(band.name, band.from_m, band.to_m) for band in side.gains[0].bands] == [("low", 0.002, 0.010)]


def test_bands_of_a_gain_take_the_valve_after_where_that_before_is_unknown() -> None:
    side = compare([head("a"), head("b", valve=VALVE)]).sides["intake"]
    assert side.gains[0].bands[0].to_m == pytest.approx(0.0057)


# --- geometry ------------------------------------------------------------------------------------


def test_expected_from_geometry_is_the_ratio_of_areas() -> None:
    # Source: the areas as tests/make_sample_sheets.py writes them out on its own (Heywood eqs 6.7-6.9).
    standard, slim = Valve(38.0, 33.0, 8.0, 1.4), Valve(38.0, 33.0, 7.0, 1.4)
    side = compare([head("a", valve=VALVE), head("b", valve=replace(VALVE, stem_m=0.007))]).sides["intake"]
    expected = []
    for lift in LIFTS:
        areas = [min(valve.seat_area(lift * 1e3), valve.throat_area()) for valve in (standard, slim)]
        expected.append(areas[1] / areas[0] - 1)
    found = [item.expected for item in side.gains[0].per_lift]
    assert found == pytest.approx(expected, abs=1e-12)
    assert found[-1] > 0.01
    assert side.gains[0].expected_from_geometry == pytest.approx(np.mean(expected))


def test_nothing_is_expected_without_a_change_or_without_dimensions() -> None:
    for valves in ((VALVE, VALVE), (VALVE, replace(VALVE, stem_m=None)), (None, VALVE)):
        heads = [head(name, valve=valve) for name, valve in zip("ab", valves, strict=True)]
        gain = compare(heads).sides["intake"].gains[0]
        assert gain.expected_from_geometry is None
        assert all(item.expected is None for item in gain.per_lift)


def test_nothing_is_expected_of_a_shut_valve() -> None:
    found = expected_gains(VALVE, replace(VALVE, stem_m=0.007), [0.0, 0.010])
    assert found[0] is None
    assert found[1] > 0


def test_offset_and_port_area_do_not_make_a_valve_change() -> None:
    assert expected_gains(VALVE, replace(VALVE, offset_m=0.01, port_area_m2=1e-3), [0.01]) == [None]


# --- pressure laws -------------------------------------------------------------------------------


def test_laws_differ_where_the_pressures_do() -> None:
    # From 10 to 28 inH2O the laws differ by 2.5 % on the intake and 0.2 % on the exhaust (closed forms).
    for side, expected in (("intake", 0.0247), ("exhaust", 0.002)):
        before = head("a", sides=(side,), pressure_pa=10 * INH2O_PA)
        gain = compare([before, head("b", 1.1, sides=(side,))]).sides[side].gains[0]
        assert gain.law_difference == pytest.approx(expected, abs=6e-4)
        factors = [pressure_factor(law, side, 10 * INH2O_PA, 28 * INH2O_PA) for law in ("square-root", "compressible")]
        assert gain.law_difference == pytest.approx(abs(math.log(factors[0] / factors[1])), rel=1e-9)


def test_of_several_pressures_the_largest_difference_of_laws_counts() -> None:
    def law(pressure: float) -> float:
        factors = [pressure_factor(name, "intake", pressure, 28 * INH2O_PA) for name in ("square-root", "compressible")]
        return math.log(factors[0] / factors[1])

    mixed = Variant(
        "a",
        corrected=tuple(
            corrected(TYPICAL, variant="a", port=port, pressure_pa=inches * INH2O_PA)
            for port, inches in (("1", 10), ("2", 20))
        ),
    )
    higher = head("b", pressure_pa=35 * INH2O_PA)
    expected = law(10 * INH2O_PA) - law(35 * INH2O_PA)
    for pair in ((mixed, higher), (higher, mixed)):
        assert compare(pair).sides["intake"].gains[0].law_difference == pytest.approx(expected, rel=1e-9)


def test_no_difference_of_laws_at_one_pressure() -> None:
    before, after = head("a", pressure_pa=10 * INH2O_PA), head("b", pressure_pa=10 * INH2O_PA)
    assert compare([before, after]).sides["intake"].gains[0].law_difference is None


def test_no_difference_of_laws_where_the_pressure_was_not_corrected_for() -> None:
    skipped = LedgerLine("test-pressure", "", {}, skipped="switched off")
    before = head("a", pressure_pa=10 * INH2O_PA, ledger=(skipped,))
    assert compare([before, head("b")]).sides["intake"].gains[0].law_difference is None


def test_a_suction_beyond_the_barometer_has_no_compressible_law() -> None:
    # Such a pressure is refused earlier; here it must not break the comparison.
    before = head("a", pressure_pa=120_000.0)
    assert compare([before, head("b")], Reference(pressure_pa=7000.0)).sides["intake"].gains[0].law_difference is None


# --- attribution and intervals -------------------------------------------------------------------


def test_a_step_says_what_changed() -> None:
    heads = [
        head("a", state={"ports": "cast", "seats": "worn"}),
        head("b", state={"ports": "cast", "seats": "recut"}),
        head("c", state={"ports": "blended", "seats": "three-angle"}),
        head("d", state={"ports": "blended"}),
    ]
    steps = compare(heads).sides["intake"].steps
    assert [step.changed for step in steps] == [("seats",), ("ports", "seats"), ()]
    assert [step.unknown for step in steps] == [(), (), ("seats",)]
    assert [step.attributable for step in steps] == [True, False, False]
    assert steps[0].unchanged == ("ports",)


def test_intervals_are_not_invented() -> None:
    gain = compare([head("a"), head("b", 1.1)]).sides["intake"].gains[0]
    assert gain.mean_flow_gain_u95 is None
    assert gain.resolved is None
    assert "repeatability" in gain.not_assessed_because
    assert all(item.u95 is None for item in gain.per_lift)


def test_with_a_stated_repeatability_gains_are_resolved_or_not() -> None:
    far = compare([head("a"), head("b", 1.1)], bench=STATED).sides["intake"].gains[0]
    near = compare([head("a"), head("b", 1.003)], bench=STATED).sides["intake"].gains[0]
    assert far.resolved is True and near.resolved is False
    assert far.not_assessed_because is None
    assert all(item.u95 > 0 for item in far.per_lift)
    # Two ports a side, one run each, everything a common shift: 1.96·1.1·0.005·sqrt(2/2), GUM by hand.
    assert far.per_lift[0].u95 == pytest.approx(1.96 * 1.1 * 0.005, rel=1e-3)
    assert far.mean_flow_gain_u95 == pytest.approx(1.96 * 1.1 * 0.005, rel=0.05)


def test_repeated_runs_assess_both_sides() -> None:
    heads = [head("a", sides=("intake", "exhaust"), runs=(0.996, 1.004)), head("b", 1.1, sides=("intake", "exhaust"))]
    result = compare(heads)
    assert result.repeatability.source == "repeated runs"
    for side in result.sides.values():
        assert side.gains[0].resolved is True
    assert result.sides["intake"].variants[0].ports[0].runs == 2
    assert result.sides["intake"].variants[1].ports[0].runs == 1


def test_a_gain_taken_in_two_sessions_knows_its_date() -> None:
    bench = replace(STATED, drift=0.01)
    later = Conditions(test_pressure_pa=28 * INH2O_PA, date="2026-04-01", bench="bench B")
    same = compare([head("a"), head("b", 1.1)], bench=bench).sides["intake"].gains[0]
    other = compare([head("a"), head("b", 1.1, conditions=later)], bench=bench).sides["intake"].gains[0]
    assert other.mean_flow_gain_u95 > 2 * same.mean_flow_gain_u95
