"""The comparison as a whole: its shape, its sums and what it refuses."""

from __future__ import annotations

import json
import math
import subprocess
import sys

import numpy as np
import pytest
from scipy.integrate import trapezoid

from flowkit.analysis import compare
from flowkit.analysis.results import Comparison
from flowkit.corrections.pressure import reference_velocity
from flowkit.errors import JobError, RangeError, SheetError
from flowkit.model import Bench, Finding, Reference, ValveGeometry, Variant
from tests.analysis.heads import LIFTS, TYPICAL, VALVE, corrected, head
from tests.make_sample_sheets import Valve

BOTH = ("intake", "exhaust")


@pytest.fixture(scope="module")
def whole() -> Comparison:
    """Three variants, both sides, known valve, repeated runs."""
    port = ValveGeometry(0.038, 0.008, 0.033, 45.0, 0.0014, port_area_m2=8e-4)
    return compare(
        [
            head("a", sides=BOTH, runs=(0.998, 1.002), state={"ports": "cast"}, valve=port),
            head("b", 1.05, sides=BOTH, state={"ports": "blended"}, valve=port),
            head("c", 1.10, sides=BOTH, state={"ports": "polished"}, valve=port),
        ],
        engine_bore_m=0.080,
        findings=[Finding("unit-assumed", "note", "a.csv", "Lifts taken for mm.")],
    )


def test_both_sides_in_order(whole: Comparison) -> None:
    assert list(whole.sides) == ["intake", "exhaust"]
    for side in whole.sides.values():
        assert [variant.name for variant in side.variants] == ["a", "b", "c"]
        assert side.range_m == (0.002, 0.010)


def test_flows_of_a_variant_are_means_over_its_ports() -> None:
    tests = [
        corrected({0.001: 0.01, 0.004: 0.04, 0.008: 0.06}, port="1"),
        corrected({0.002: 0.03, 0.004: 0.05, 0.006: 0.06, 0.010: 0.07}, port="2"),
    ]
    flow = compare([Variant("as received", corrected=tuple(tests))]).sides["intake"].variants[0]
    # Within both: from 2 to 8 mm, at every lift of either.
    assert flow.lifts_m == (0.002, 0.004, 0.006, 0.008)
    assert flow.flow_m3_s[1] == pytest.approx(0.045)
    assert flow.peak_flow_m3_s == flow.flow_m3_s[-1]
    assert flow.mean_flow_m3_s == pytest.approx(np.mean([port.mean_flow_m3_s for port in flow.ports]))
    assert flow.curve_area_m4_s == pytest.approx(flow.mean_flow_m3_s * 0.006)
    assert flow.ports[0].lifts_m == (0.001, 0.004, 0.008)
    assert flow.ports[0].sources[1] == (tests[0].points[1].source,)


def test_lifts_of_a_variant_reach_beyond_the_common_range() -> None:
    wide = head("wide", base={0.001: 0.01, **TYPICAL, 0.012: 0.062})
    side = compare([wide, head("narrow")]).sides["intake"]
    assert side.range_m == (0.002, 0.010)
    assert side.variants[0].lifts_m == (0.001, *LIFTS, 0.012)
    assert side.variants[0].peak_flow_m3_s == 0.062
    assert [item.lift_m for item in side.gains[0].per_lift] == list(LIFTS)


def test_areas_and_coefficients(whole: Comparison) -> None:
    flow = whole.sides["intake"].variants[0]
    # Source: A_eff = Q·sqrt(ρ/(2ΔP)) with ρ = 1.2041 kg/m³ of dry air at 20 °C (handbook), areas as
    # tests/make_sample_sheets.py writes them out on its own (Heywood eqs 6.7-6.9).
    valve, velocity = Valve(38.0, 33.0, 8.0, 1.4), math.sqrt(2 * 28 * 249.08891 / 1.2041)
    effective = [TYPICAL[lift] / velocity for lift in LIFTS]
    assert flow.effective_area_m2 == pytest.approx(effective, rel=2e-4)
    least = [min(valve.seat_area(lift * 1e3), valve.throat_area()) * 1e-6 for lift in LIFTS]
    assert flow.minimum_area_m2 == pytest.approx(least)
    assert flow.coefficients.lifts_m == LIFTS
    assert flow.coefficients.minimum == pytest.approx(np.divide(effective, least), rel=2e-4)
    assert flow.coefficients.throat == pytest.approx(np.divide(effective, valve.throat_area() * 1e-6), rel=2e-4)
    assert flow.coefficients.valve == pytest.approx(np.divide(effective, math.pi / 4 * 0.038**2), rel=2e-4)
    curtain = [math.pi * 0.038 * lift for lift in LIFTS]
    assert flow.coefficients.curtain == pytest.approx(np.divide(effective, curtain), rel=2e-4)
    assert 0.00783 < flow.takeover_lift_m < 0.00785
    assert flow.flow_per_bore_area_m_s == pytest.approx([TYPICAL[lift] / (math.pi / 4 * 0.08**2) for lift in LIFTS])
    assert flow.flow_per_valve_area_m_s == pytest.approx([TYPICAL[lift] / (math.pi / 4 * 0.038**2) for lift in LIFTS])
    assert flow.port_velocity_m_s == pytest.approx([TYPICAL[lift] / 8e-4 for lift in LIFTS])


def test_the_bore_of_the_reference_counts_before_the_engines() -> None:
    flow = compare([head("a")], Reference(bore_m=0.1), engine_bore_m=0.08).sides["intake"].variants[0]
    assert flow.flow_per_bore_area_m_s[0] == pytest.approx(0.020 / (math.pi / 4 * 0.01))


def test_effective_areas_follow_the_pressure_law() -> None:
    reference = Reference(pressure_law="compressible")
    sides = compare([head("a", sides=BOTH)], reference).sides
    for side in ("intake", "exhaust"):
        flow = sides[side].variants[0]
        velocity = reference_velocity(reference, side)
        assert flow.effective_area_m2[0] == pytest.approx(flow.flow_m3_s[0] / velocity)


def test_without_dimensions_there_are_no_coefficients() -> None:
    flow = compare([head("a")]).sides["intake"].variants[0]
    assert flow.coefficients is None
    assert flow.minimum_area_m2 is flow.takeover_lift_m is flow.port_velocity_m_s is None
    assert flow.flow_per_bore_area_m_s is flow.flow_per_valve_area_m_s is None


def test_with_the_head_alone_there_are_curtain_and_valve() -> None:
    flow = compare([head("a", valve=ValveGeometry(head_m=0.038))]).sides["intake"].variants[0]
    assert flow.coefficients.curtain is not None and flow.coefficients.valve is not None
    assert flow.coefficients.throat is flow.coefficients.minimum is None


def test_with_the_throat_alone_there_is_its_coefficient() -> None:
    flow = compare([head("a", valve=ValveGeometry(throat_m=0.033, stem_m=0.008))]).sides["intake"].variants[0]
    assert flow.coefficients.throat is not None
    assert flow.coefficients.curtain is flow.coefficients.valve is flow.coefficients.minimum is None


def test_a_shut_valve_has_no_coefficient() -> None:
    flow = compare([head("a", base={0.0: 0.001, **TYPICAL}, valve=VALVE)]).sides["intake"].variants[0]
    assert flow.lifts_m[0] == 0.0
    assert flow.coefficients.lifts_m == LIFTS


# --- ratios --------------------------------------------------------------------------------------


def test_ratios_at_equal_lift_and_fraction() -> None:
    intake = corrected({0.002: 0.02, 0.006: 0.06, 0.012: 0.12})
    exhaust = corrected({0.002: 0.016, 0.008: 0.064, 0.010: 0.08}, side="exhaust")
    result = compare([Variant("as received", corrected=(intake, exhaust))])
    # Straight lines through zero: 0.8 at equal lift; at equal fraction 0.8·(10/12).
    assert [point.at for point in result.ratio_at_lift] == [0.002, 0.006, 0.008, 0.010]
    assert [point.ratio for point in result.ratio_at_lift] == pytest.approx([0.8] * 4)
    assert [point.at for point in result.ratio_at_fraction] == pytest.approx(
        [0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0]
    )
    assert [point.ratio for point in result.ratio_at_fraction] == pytest.approx([0.8 / 1.2] * 9)


@pytest.mark.parametrize("tenth", range(1, 10))
def test_a_fraction_at_the_lowest_lift_counts(tenth: int) -> None:
    """Whatever the rounding of tenth times the highest lift."""
    variant = head("a", sides=BOTH, base={tenth * 0.0012: 0.02, 0.012: 0.06})
    assert compare([variant]).ratio_at_fraction[0].at == tenth / 10


def test_ratios_without_a_lift_in_common() -> None:
    intake = corrected({0.008: 0.05, 0.012: 0.06})
    exhaust = corrected({0.002: 0.02, 0.006: 0.04}, side="exhaust")
    result = compare([Variant("as received", corrected=(intake, exhaust))])
    assert result.ratio_at_lift == ()
    assert [point.at for point in result.ratio_at_fraction] == pytest.approx([0.7, 0.8, 0.9, 1.0])


def test_ratios_only_for_variants_tested_on_both_sides() -> None:
    result = compare([head("a", sides=BOTH), head("b")])
    assert {point.variant for point in (*result.ratio_at_lift, *result.ratio_at_fraction)} == {"a"}


# --- one side, one variant -----------------------------------------------------------------------


def test_a_side_without_tests_is_absent() -> None:
    result = compare([head("a"), head("b")])
    assert list(result.sides) == ["intake"]
    assert result.ratio_at_lift == result.ratio_at_fraction == ()


def test_one_variant_has_flows_and_no_gains() -> None:
    side = compare([head("a")]).sides["intake"]
    assert side.gains == ()
    assert side.variants[0].mean_flow_m3_s > 0


def test_a_variant_without_tests_on_a_side_is_left_out_there() -> None:
    sides = compare([head("a", sides=BOTH), head("b"), head("c", 1.1, sides=BOTH)]).sides
    assert [(gain.from_, gain.to) for gain in sides["exhaust"].gains] == [("a", "c")]
    assert [(gain.from_, gain.to) for gain in sides["intake"].gains] == [("a", "b"), ("b", "c"), ("a", "c")]


def test_the_trapezoid_on_request() -> None:
    exact, chords = compare([head("a")]), compare([head("a")], area_method="trapezoid")
    expected = trapezoid(list(TYPICAL.values()), LIFTS)
    assert chords.area_method == "trapezoid"
    assert chords.sides["intake"].variants[0].curve_area_m4_s == pytest.approx(float(expected))
    assert exact.sides["intake"].variants[0].curve_area_m4_s > float(expected)


def test_the_same_answer_every_time() -> None:
    heads = [head("a", runs=(0.99, 1.01)), head("b", 1.1)]
    assert compare(heads).to_json() == compare(heads).to_json()


# --- refusals ------------------------------------------------------------------------------------


def test_two_variants_of_one_name_are_refused() -> None:
    with pytest.raises(JobError, match="two variants are named 'as received'; give each state"):
        compare([head("as received"), head("As  received")])


def test_no_tests_are_refused() -> None:
    with pytest.raises(SheetError, match="there are no tests to compare"):
        compare([Variant("a", corrected=())])


def test_no_flow_anywhere_is_refused() -> None:
    with pytest.raises(SheetError, match="no test has a flow above zero"):
        compare([Variant("a", corrected=(corrected({0.002: 0.0}),))])


def test_no_side_anywhere_is_refused() -> None:
    with pytest.raises(SheetError, match="state it with --side intake or --side exhaust"):
        compare([Variant("a", corrected=(corrected(TYPICAL, side=None),))])


def test_no_common_range_is_refused() -> None:
    with pytest.raises(RangeError, match="no common range of lifts on the exhaust"):
        compare(
            [
                head("a", sides=("exhaust",), base={0.001: 0.01, 0.002: 0.02}),
                head("b", sides=("exhaust",), base={0.003: 0.03, 0.004: 0.04}),
            ]
        )


def test_a_side_without_a_common_range_leaves_the_other() -> None:
    low = corrected({0.001: 0.01, 0.002: 0.02}, variant="a", side="exhaust")
    high = corrected({0.003: 0.03, 0.004: 0.04}, variant="b", side="exhaust")
    heads = [Variant(name, corrected=(*head(name).corrected, test)) for name, test in (("a", low), ("b", high))]
    result = compare(heads)
    assert list(result.sides) == ["intake"]
    (found,) = [item for item in result.findings if item.rule == "no-common-range"]
    assert (found.severity, found.where) == ("error", "exhaust")
    assert "The exhaust was left out." in found.message


# --- shape of the result -------------------------------------------------------------------------


def test_findings_are_merged_once(whole: Comparison) -> None:
    assert whole.findings[0].rule == "unit-assumed"
    again = compare([head("a", character=(1.0, 0.9))])
    assert compare([head("a", character=(1.0, 0.9))], findings=again.findings).findings == again.findings


def test_keys_of_the_document(whole: Comparison) -> None:
    document = json.loads(whole.to_json())
    assert document["kind"] == "compare"
    assert document["reference"]["pressure_pa"] == pytest.approx(28 * 249.08891)
    side = document["sides"]["intake"]
    assert {"range_m", "variants", "gains"} <= set(side)
    assert {
        "name", "lifts_m", "flow_m3_s", "curve_area_m4_s", "mean_flow_m3_s", "mean_flow_u95", "peak_flow_m3_s",
        "port_spread", "ports", "coefficients", "takeover_lift_m",
    } <= set(side["variants"][0])  # fmt: skip
    assert {
        "from", "to", "mean_flow_gain", "mean_flow_gain_u95", "resolved", "mean_of_gains", "gain_at_top_lift",
        "changed", "attributable", "expected_from_geometry", "per_lift",
    } <= set(side["gains"][0])  # fmt: skip
    assert set(side["gains"][0]["per_lift"][0]) == {
        "lift_m", "gain", "u95", "low", "high", "resolved", "interpolated", "expected",
    }  # fmt: skip
    assert "tests" not in document


def test_table_has_a_row_per_lift_with_the_gain_over_the_first(whole: Comparison) -> None:
    table = whole.table()
    assert len(table) == 2 * 3 * 5
    row = table[(table.side == "exhaust") & (table.state == "c") & (table.lift_m == 0.006)].iloc[0]
    assert row.gain == pytest.approx(0.10)
    assert row.u95 > 0
    assert table[table.state == "a"].gain.isna().all()


def test_every_figure_is_finite(whole: Comparison) -> None:
    def look(value: object) -> None:
        if isinstance(value, dict):
            for item in value.values():
                look(item)
        elif isinstance(value, list):
            for item in value:
                look(item)
        elif isinstance(value, float):
            assert math.isfinite(value)

    document = json.loads(whole.to_json())
    look(document)
    assert document["sides"]["intake"]["gains"][0]["mean_flow_gain_u95"] is not None


def test_undated_sheets_raise_one_question() -> None:
    from flowkit.model import Conditions

    undated = [head(name, factor, conditions=Conditions(bench="bench B")) for name, factor in (("b", 1.05), ("c", 1.1))]
    result = compare([head("a"), *undated], bench=Bench(repeatability=0.005))
    (found,) = [item for item in result.findings if item.rule == "drift-unknown"]
    assert found.message.startswith("When were these flowed? All on the same day? The sheets of 'b' and 'c' carry no")
    assert "holds unless the bench moved by more than" in found.message
    stated = compare([head("a"), *undated], bench=Bench(repeatability=0.005, drift=0.003))
    assert "drift-unknown" not in {item.rule for item in stated.findings}


def test_inputs_are_not_changed() -> None:
    heads = [head("a", state={"seats": "worn"}), head("b", 1.1, state={"seats": "recut"})]
    before = repr(heads)
    compare(heads)
    assert repr(heads) == before


def test_light_imports() -> None:
    """The package loads nothing heavy, comparing nothing of pandas, matplotlib or scipy.stats."""
    script = (
        "import sys, flowkit.analysis, flowkit.analysis.results\n"
        "assert 'numpy' not in sys.modules\n"
        "from tests.analysis.heads import head\n"
        "flowkit.analysis.compare([head('a', runs=(0.99, 1.01)), head('b')])\n"
        "print([name for name in ('pandas', 'matplotlib', 'scipy.stats') if name in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert (done.stdout.strip(), done.stderr) == ("[]", "")


def test_other_names_are_not_there() -> None:
    import flowkit.analysis

    with pytest.raises(AttributeError, match="no attribute 'contrast'"):
        flowkit.analysis.contrast


def test_a_state_whose_ports_share_no_lifts_covers_no_stated_range() -> None:
    apart = Variant("b", corrected=(
        corrected({0.002: 0.02, 0.004: 0.03}, variant="b"), corrected({0.008: 0.05, 0.01: 0.06}, variant="b", port="2"),
    ))  # fmt: skip
    result = compare([head("a", ports=("1", "2")), apart], Reference(lifts_m=(0.002, 0.008)))
    assert [variant.name for variant in result["intake"]] == ["a"]
    (found,) = [item for item in result.findings if item.rule == "range-not-covered"]
    assert (found.severity, found.where) == ("warning", "b, intake")
    assert "has no range of lifts that all its ports share" in found.message
