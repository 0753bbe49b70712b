"""Every rule of the analysis: a head that makes it appear, and one on which it stays silent."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial

import pytest

from flowkit import analysis
from flowkit.analysis import checks
from flowkit.corrections.pressure import reference_velocity
from flowkit.model import (
    Bench,
    Conditions,
    CorrectedPoint,
    CorrectedTest,
    Finding,
    LedgerLine,
    Reference,
    Units,
    UnitSource,
    Variant,
)
from tests.analysis.heads import LIFTS, TYPICAL, VALVE, corrected, head
from tests.make_sample_sheets import Valve

compare = partial(analysis.compare, display="metric")

VELOCITY = reference_velocity(Reference(), "intake")


def findings(*variants: Variant, rule: str, **options: object) -> list[Finding]:
    """Findings of one rule."""
    return [item for item in compare(variants, **options).findings if item.rule == rule]  # type: ignore[arg-type]


def flowing(coefficient: float, worst: float = 0.006) -> dict[float, float]:
    """Flows with a coefficient on the minimum area of 0.7, and of the given value at one lift."""
    valve = Valve(38.0, 33.0, 8.0, 1.4)
    return {
        lift: (coefficient if lift == worst else 0.7)
        * min(valve.seat_area(lift * 1e3), valve.throat_area())
        * 1e-6
        * VELOCITY
        for lift in LIFTS
    }


# --- a clean head --------------------------------------------------------------------------------


def test_a_clean_head_gives_no_finding() -> None:
    states = ({"seats": "worn"}, {"seats": "recut"})
    heads = [
        head(name, factor, sides=("intake", "exhaust"), state=state, valve=VALVE, base=flowing(0.7))
        for name, factor, state in zip("ab", (1.0, 1.05), states, strict=True)
    ]
    assert compare(heads, bench=Bench(repeatability=0.005)).findings == ()


# --- side-missing --------------------------------------------------------------------------------


def test_a_test_without_a_side_is_left_out_and_said() -> None:
    stray = corrected(TYPICAL, variant="a", side=None, port="9")
    variant = replace(head("a"), corrected=(*head("a").corrected, stray))
    result = compare([variant])
    (found,) = [item for item in result.findings if item.rule == "side-missing"]
    assert (found.severity, found.where) == ("error", stray.id)
    assert "--side intake or --side exhaust" in found.message
    assert [port.port for port in result.sides["intake"].variants[0].ports] == ["1", "2"]


# --- flow-zero -----------------------------------------------------------------------------------


@pytest.mark.parametrize("flow", [0.0, -0.001, math.nan, math.inf])
def test_a_point_without_flow_is_left_out_and_said(flow: float) -> None:
    variant = Variant("a", corrected=(corrected({**TYPICAL, 0.006: flow}, variant="a"),))
    result = compare([variant, head("b", 1.1, ports=("1",))], bench=Bench(repeatability=0.005))
    (found,) = [item for item in result.findings if item.rule == "flow-zero"]
    assert (found.severity, found.where) == ("error", variant.corrected[0].points[2].source)
    assert "6.000 mm" in found.message
    gain = result.sides["intake"].gains[0]
    assert [item.interpolated for item in gain.per_lift] == [False, False, True, False, False]
    numbers = [gain.mean_flow_gain, gain.mean_flow_gain_u95, *(item.gain for item in gain.per_lift)]
    assert all(math.isfinite(number) for number in numbers)
    assert result.tests[0] is variant.corrected[0]


# --- impossible-flow -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("coefficient", "severity"), [(1.035, None), (1.045, "warning"), (1.16, "warning"), (1.17, "error")]
)
def test_more_than_the_least_passage_can_pass(coefficient: float, severity: str | None) -> None:
    found = findings(head("a", base=flowing(coefficient), valve=VALVE, ports=("1",)), rule="impossible-flow")
    assert [item.severity for item in found] == ([severity] if severity else [])
    if found:
        assert found[0].where == "head.csv:a intake 1 1:3"
        # allowances at 6 mm: 1.03 + 0.05/6 = 1.0383 and 1.15 + 0.10/6 = 1.1667
        assert f"at worst {coefficient:.2f} times its area at 6.000 mm" in found[0].message
        for suspect in ("unit of the flow", "test pressure", "lift", "leak", "throat, stem, seat angle and seat width"):
            assert suspect in found[0].message
        assert "bore" not in found[0].message


def test_bores_are_suspects_where_they_were_corrected_for() -> None:
    line = LedgerLine("bore", "", {}, factor=(1.0,) * 5)
    variant = head("a", base=flowing(1.2), valve=VALVE, ports=("1",), ledger=(line,))
    assert "and the bores" in findings(variant, rule="impossible-flow")[0].message


def test_only_the_port_that_flows_too_much_is_named() -> None:
    variant = head("a", base=flowing(0.95), valve=VALVE, ports=("1", "2"), character=(1.0, 1.1))
    (found,) = findings(variant, rule="impossible-flow")
    assert "port 2 at 6.000 mm; at worst 1.04 times" in found.message and "port 1" not in found.message


def test_a_throat_alone_already_bounds_the_flow() -> None:
    throat = replace(VALVE, head_m=None, seat_angle_deg=None, seat_width_m=None)
    area = Valve(38.0, 33.0, 8.0, 1.4).throat_area() * 1e-6
    for factor, count in ((0.9, 0), (1.3, 1)):
        base = {0.008: area * VELOCITY * 0.5, 0.010: area * VELOCITY * factor}
        assert len(findings(head("a", base=base, valve=throat, ports=("1",)), rule="impossible-flow")) == count


def test_an_unknown_valve_bounds_nothing() -> None:
    assert findings(head("a", 100.0), rule="impossible-flow") == []


def test_a_lift_of_zero_bounds_nothing() -> None:
    base = {0.0: 0.001, **flowing(0.9)}
    assert findings(head("a", base=base, valve=VALVE), rule="impossible-flow") == []
    assert findings(head("a", base={0.0: 0.001}, valve=VALVE), rule="impossible-flow") == []


# --- port-uneven ---------------------------------------------------------------------------------


def test_uneven_ports_are_named_with_where_they_lag() -> None:
    weak = corrected(
        {lift: flow * (0.85 if lift > 0.007 else 0.97) for lift, flow in TYPICAL.items()}, variant="a", port="2"
    )
    variant = Variant("a", corrected=(*head("a", ports=("1", "3")).corrected, weak))
    # without repeats nothing says where it lags; with them the test along the lift does
    unsure = compare([variant]).sides["intake"].variants[0].lagging
    assert unsure is not None and (unsure.worst_lift_m, unsure.beyond_scatter) == (None, None)
    again = replace(weak, run=2, id="again", points=tuple(
        replace(p, flow_m3_s=p.flow_m3_s * (1 + 0.0004 * (-1) ** at), reading_m3_s=p.reading_m3_s * 1.01)
        for at, p in enumerate(weak.points)
    ))  # fmt: skip
    more = [replace(weak, port="1", id=f"r{run}", run=run + 1, points=tuple(
        replace(p, flow_m3_s=TYPICAL[p.lift_m] * (1 + 3e-4 * run * (-1) ** at), reading_m3_s=p.reading_m3_s * (2 + run))
        for at, p in enumerate(weak.points)
    )) for run in (1, 2)]  # fmt: skip
    result = compare([replace(variant, corrected=(*variant.corrected, again, *more))])
    (found,) = [item for item in result.findings if item.rule == "port-uneven"]
    assert (found.severity, found.where) == ("warning", "a, intake")
    lagging = result.sides["intake"].variants[0].lagging
    assert lagging is not None and lagging.port == "2"
    # By hand: at 8 mm the mean of 1, 1 and 0.85 is 0.95, and 0.85/0.95 = 0.895.
    assert lagging.worst_below_mean == pytest.approx(1 - 0.85 / 0.95, abs=0.001)
    assert lagging.worst_lift_m in (0.008, 0.010)
    assert "port 2 flows" in found.message
    assert f"most at {lagging.worst_lift_m * 1e3:.2f} mm (10.5 %)" in found.message
    # The mean of the ports' means, and what port 2 lacks of it, by the curves themselves.
    means = [port.mean_flow_m3_s for port in result.sides["intake"].variants[0].ports]
    assert lagging.below_mean == pytest.approx(1 - means[1] / (sum(means) / 3))


@pytest.mark.parametrize(("low", "uneven"), [(0.97, False), (0.95, True)])
def test_ports_are_uneven_above_four_per_cent(low: float, uneven: bool) -> None:
    variant = head("a", character=(1.0, low))
    assert bool(findings(variant, rule="port-uneven")) is uneven
    flow = compare([variant]).sides["intake"].variants[0]
    assert flow.port_spread == pytest.approx((1 - low) / ((1 + low) / 2))
    assert (flow.lagging is not None) is uneven


def test_one_port_has_no_spread() -> None:
    flow = compare([head("a", ports=("1",))]).sides["intake"].variants[0]
    assert flow.port_spread is None and flow.lagging is None


# --- ratio-unusual -------------------------------------------------------------------------------


def both_sides(ratio: float) -> Variant:
    """A head whose exhaust flows the given fraction of its intake."""
    intake = corrected(TYPICAL, variant="a")
    exhaust = corrected({lift: flow * ratio for lift, flow in TYPICAL.items()}, variant="a", side="exhaust")
    return Variant("a", corrected=(intake, exhaust))


@pytest.mark.parametrize(("ratio", "unusual"), [(0.59, True), (0.61, False), (0.94, False), (0.96, True)])
def test_ratio_of_exhaust_to_intake(ratio: float, unusual: bool) -> None:
    found = findings(both_sides(ratio), rule="ratio-unusual")
    assert bool(found) is unusual
    if found:
        assert (found[0].severity, found[0].where) == ("warning", "a")
        assert f"flows {ratio * 100:.0f} % of the intake" in found[0].message


def test_the_worst_ratio_is_told() -> None:
    """Usual to half lift, then rising to 1.2 times the intake, once falling to 0.5."""
    for end, words in (
        (1.2, "flows 120 % of the intake at 100 % of peak lift"),
        (0.5, "flows 50 % of the intake at 100 %"),
    ):
        exhaust = {
            lift: flow * (0.8 if lift < 0.005 else 0.97 if lift < 0.009 else end) for lift, flow in TYPICAL.items()
        }
        variant = Variant(
            "a", corrected=(corrected(TYPICAL, variant="a"), corrected(exhaust, variant="a", side="exhaust"))
        )
        (found,) = findings(variant, rule="ratio-unusual")
        assert words in found.message
        assert "of 9 fractions outside 60 % to 95 %)" in found.message


def test_ratio_needs_both_sides() -> None:
    assert findings(head("a"), rule="ratio-unusual") == []


# --- confounded ----------------------------------------------------------------------------------

STATE = {"ports": "cast", "seats": "worn"}


def test_two_factors_changed_together_are_confounded() -> None:
    heads = [head("a", state=STATE), head("b", state={"ports": "blended", "seats": "recut"})]
    (found,) = findings(*heads, rule="confounded")
    assert (found.severity, found.where) == ("note", "b, intake")
    assert "ports and seats changed together" in found.message


def test_an_undeclared_factor_confounds() -> None:
    (found,) = findings(head("a", state=STATE), head("b", state={"ports": "blended"}), rule="confounded")
    assert "it is not known whether seats changed" in found.message


def test_one_factor_a_step_is_not_confounded() -> None:
    heads = [
        head("a", state=STATE),
        head("b", state={**STATE, "seats": "recut"}),
        head("c", state={"ports": "blended", "seats": "recut"}),
    ]
    assert findings(*heads, rule="confounded") == []
    assert findings(head("a"), head("b"), rule="confounded") == []


# --- unmatched-ports, steps-unmatched ------------------------------------------------------------


def test_ports_in_one_only_are_named() -> None:
    heads = [head("a", ports=("1", "2")), head("b", ports=("2", "3"))]
    (found,) = findings(*heads, rule="unmatched-ports")
    assert (found.severity, found.where) == ("warning", "b, intake")
    assert "compared over port 2; port 1 only in 'a' and port 3 only in 'b'" in found.message


def test_no_port_in_common_is_said() -> None:
    heads = [head("a", ports=("1", "2")), Variant("b", corrected=(corrected(TYPICAL, variant="b", port=None),))]
    (found,) = findings(*heads, rule="unmatched-ports")
    assert "have no port in common (ports 1 and 2 against port (unnamed))" in found.message


def test_steps_over_other_ports_are_said() -> None:
    heads = [head("a"), head("b"), head("c", ports=("1",))]
    (found,) = findings(*heads, rule="steps-unmatched")
    assert (found.severity, found.where) == ("note", "c, intake")
    assert found.message.startswith("The steps on the intake were taken over different ports")
    assert "only over port 1, which all of them have" in found.message


def test_steps_without_a_port_in_common_are_said() -> None:
    heads = [head("a", ports=("1", "2")), head("b", ports=("2", "3")), head("c", ports=("3", "4"))]
    (found,) = findings(*heads, rule="steps-unmatched")
    assert "over no port, and have no shares" in found.message


def test_matching_ports_are_silent() -> None:
    heads = [head(name) for name in "abc"]
    assert findings(*heads, rule="unmatched-ports") == findings(*heads, rule="steps-unmatched") == []
    pair = [head("a"), head("b", ports=("1",))]
    assert findings(*pair, rule="steps-unmatched") == []


# --- valve-impossible, valve-contradiction -------------------------------------------------------


def test_a_valve_that_cannot_be_is_said_and_its_areas_left_out() -> None:
    variant = head("a", valve=replace(VALVE, stem_m=0.034))
    result = compare([variant])
    (found,) = [item for item in result.findings if item.rule == "valve-impossible"]
    assert (found.severity, found.where) == ("error", "a, intake")
    assert "the stem (34 mm) fills the throat (33 mm)" in found.message
    flow = result.sides["intake"].variants[0]
    assert flow.minimum_area_m2 is None and flow.takeover_lift_m is None
    assert findings(head("a", valve=VALVE), rule="valve-impossible") == []


def test_a_variant_that_was_not_flowed_on_a_side_is_named() -> None:
    units = Units(UnitSource("mm", "stated"), UnitSource("CFM", "stated"))
    points = tuple(CorrectedPoint(lift, 10 * lift, 7000.0, f"a:{lift}", 10 * lift) for lift in (0.002, 0.004))

    def variant(name: str, *sides: str) -> Variant:
        tests = tuple(
            CorrectedTest(f"{name} {side}", "a", None, None, name, side, "1", 1, Conditions(), units, points, ())  # type: ignore[arg-type]
            for side in sides
        )
        return Variant(name, corrected=tests)

    both = [variant("a", "intake", "exhaust"), variant("b", "intake")]
    (note,) = checks.variants_left_out("exhaust", both)
    assert (note.rule, note.severity, note.where) == ("side-untested", "note", "exhaust")
    assert "'b'" in note.message
    assert checks.variants_left_out("intake", both) == []
    assert checks.variants_left_out("exhaust", [variant("a", "intake"), variant("b", "intake")]) == []
