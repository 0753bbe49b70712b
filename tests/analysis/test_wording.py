"""Sentences by fixed rules, none claiming more than the intervals."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from flowkit.analysis import compare
from flowkit.analysis.results import Comparison, Gain
from flowkit.analysis.sentences import MOST_SENTENCES, cause, headline, percent, sentences, signed_percent
from flowkit.model import INH2O_PA, Bench, Side, Variant
from tests.analysis.heads import VALVE, head

STATED = Bench(repeatability=0.003)
BOTH: tuple[Side, ...] = ("intake", "exhaust")
START = {"ports": "cast", "seats": "worn"}


def compared(*heads: Variant, **options: object) -> Comparison:
    """Compare with a stated repeatability."""
    return compare(heads, bench=STATED, **options)  # type: ignore[arg-type]


def only(result: Comparison, start: str) -> str:
    """The one sentence that starts so."""
    (found,) = [text for text in result.sentences if text.startswith(start)]
    return found


def none(result: Comparison, start: str) -> bool:
    """No sentence starts so."""
    return not any(text.startswith(start) for text in result.sentences)


# --- numbers -------------------------------------------------------------------------------------


def test_numbers() -> None:
    assert percent(0.11849) == "11.8 %"
    assert percent(-0.0004) == "0.0 %"
    assert percent(-0.0006) == "−0.1 %"
    assert signed_percent(0.118, 0.009) == "+11.8 % ± 0.9"
    assert signed_percent(0.0004, 0.0002) == "0.0 % ± <0.1"
    assert signed_percent(-0.05, 0.0) == "−5.0 % ± 0.0"
    assert signed_percent(0.12345, digits=2) == "+12.35 %" or signed_percent(0.12345, digits=2) == "+12.34 %"


# --- headline ------------------------------------------------------------------------------------


def gain_of(result: Comparison, side: Side = "intake") -> Gain:
    """The last total of a side."""
    return result.sides[side].totals[-1]


def test_headline_of_two_factors_together() -> None:
    result = compared(head("a", state=START), head("b", 1.118, state={"ports": "blended", "seats": "recut"}))
    assert re.fullmatch(
        r"Intake: \+11\.8 % ± 0\.\d mean flow, ports and seats together", headline(gain_of(result), "intake")
    )


def test_headline_of_one_factor() -> None:
    result = compared(head("a", state=START), head("b", 0.9, state={**START, "seats": "recut"}))
    assert re.fullmatch(r"Exhaust: −10\.0 % ± 0\.\d mean flow, seats alone", headline(gain_of(result), "exhaust"))


def test_headline_within_repeatability_names_no_cause() -> None:
    result = compared(head("a", state=START), head("b", 1.002, state={**START, "seats": "recut"}))
    assert re.fullmatch(
        r"Intake: \+0\.2 % ± 0\.\d mean flow, within the bench's repeatability", headline(gain_of(result), "intake")
    )


def test_headline_not_assessed() -> None:
    result = compare([head("a", state=START), head("b", 1.1, state={**START, "seats": "recut"})])
    assert headline(gain_of(result), "intake") == "Intake: +10.0 % mean flow, seats alone (not assessed)"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"changed": ("ports", "seats", "valves")}, "ports, seats and valves together"),
        ({"changed": ("seats",), "unknown": ("valves",)}, "seats changed, valves not declared for both"),
        ({"unknown": ("valves",)}, "valves not declared for both"),
        ({"unchanged": ("seats",)}, "nothing changed"),
        ({}, "change not declared"),
    ],
)
def test_causes(changes: dict[str, tuple[str, ...]], words: str) -> None:
    gain = gain_of(compare([head("a"), head("b", 1.1)]))
    assert cause(replace(gain, **changes)) == words  # type: ignore[arg-type]


# --- the total -----------------------------------------------------------------------------------


def test_total_resolved_says_how_much_and_by_what() -> None:
    result = compared(head("a", state=START), head("b", 1.1, state={**START, "seats": "recut"}))
    assert re.fullmatch(
        r"Intake: 'b' flows 10\.0 % ± 0\.\d more than 'a' in the mean over 0\.079 in to 0\.394 in of lift; "
        r"seats alone changed\.",
        only(result, "Intake"),
    )


def test_total_in_metric_units() -> None:
    result = compared(head("a"), head("b", 0.9), display="metric")
    assert "flows 10.0 %" in only(result, "Intake") and "less than 'a'" in only(result, "Intake")
    assert "over 2.00 mm to 10.00 mm of lift; what changed is not declared." in only(result, "Intake")


def test_total_that_rounds_to_nothing() -> None:
    result = compared(head("a"), head("b", 1.0003))
    assert "the difference in the mean" in only(result, "Intake")
    assert "'b' flows as much as 'a' (0.0 %) in the mean" in only(compare([head("a"), head("b", 1.0003)]), "Intake")


def test_total_over_different_ports_says_so() -> None:
    result = compared(head("a", ports=("1", "2")), head("b", 1.1, ports=("3", "4")))
    assert only(result, "Intake").endswith("; they have no port in common, so the difference between ports is in it.")


def test_total_with_one_factor_unknown_keeps_what_is_known() -> None:
    result = compared(head("a", state=START), head("b", 1.1, state={"seats": "recut"}))
    assert only(result, "Intake").endswith("; seats changed; whether ports changed is not declared for both.")


def test_total_within_repeatability_claims_no_gain() -> None:
    result = compared(head("a", state=START), head("b", 1.002, state={**START, "seats": "recut"}))
    text = only(result, "Intake")
    assert "the difference in the mean over" in text
    assert "which is within the bench's repeatability; seats alone changed." in text
    assert "more than" not in text


def test_total_not_assessed_says_so() -> None:
    result = compare([head("a", state=START), head("b", 1.1, state={"ports": "blended", "seats": "recut"})])
    assert "10.0 % more than 'a'" in only(result, "Intake")
    assert only(result, "Intake").endswith(
        "; whether that is more than the bench's scatter is not assessed; ports and seats changed."
    )


def test_nothing_changed_is_repeatability() -> None:
    near = compared(head("a", state=START), head("b", 1.002, state=START))
    assert "nothing is declared as changed, so it is the bench's own repeatability." in only(near, "Intake")
    far = compared(head("a", state=START), head("b", 1.05, state=START))
    assert "the bench's own repeatability from session to session." in only(far, "Intake")


def test_an_undeclared_factor_is_said() -> None:
    result = compared(head("a", state=START), head("b", 1.1, state={"ports": "blended"}))
    assert "whether seats changed is not declared for both." in only(result, "Intake")


def test_one_variant_has_its_flow() -> None:
    # By hand: 0.05 m³/s is 50 L/s and 105.9 CFM.
    flat = {0.002: 0.05, 0.010: 0.05}
    assert only(compared(head("a", base=flat)), "Intake").startswith("Intake: 'a' flows 105.9 CFM ± ")
    plain = compare([head("a", base=flat)], display="metric")
    assert plain.sentences == ("Intake: 'a' flows 50.0 L/s in the mean over 2.00 mm to 10.00 mm of lift.",)


# --- steps ---------------------------------------------------------------------------------------


def test_steps_are_told_with_their_verdict() -> None:
    result = compared(
        head("a", state=START),
        head("b", 1.10, state={**START, "seats": "recut"}),
        head("c", 1.102, state={"ports": "blended", "seats": "recut"}),
    )
    assert re.fullmatch(
        r"By step on the intake: 'b' \+10\.0 % ± 0\.\d \(seats alone\); "
        r"'c' \+0\.2 % ± 0\.\d \(within the bench's repeatability\)\.",
        only(result, "By step"),
    )


def test_steps_not_assessed() -> None:
    result = compare([head("a"), head("b", 1.1), head("c", 1.2)])
    assert "'b' +10.0 % (change not declared, not assessed)" in only(result, "By step")


def test_of_many_steps_the_largest_are_told() -> None:
    result = compared(*(head(str(place), factor) for place, factor in enumerate((1, 1.1, 1.11, 1.2, 1.3, 1.4, 1.41))))
    text = only(result, "By step")
    assert [name for name in "123456" if f"'{name}'" in text] == ["1", "3", "4", "5"]
    assert text.endswith("(and 2 smaller steps).")


def test_one_step_needs_no_list() -> None:
    assert none(compared(head("a"), head("b", 1.1)), "By step")


# --- where ---------------------------------------------------------------------------------------


def test_where_the_gain_is_largest_only_beyond_the_intervals() -> None:
    even = compared(head("a"), head("b", lambda lift: 1.10 + lift * 0.1))
    assert only(even, "Along the lift") == "Along the lift the intake gain shows no difference beyond its intervals."
    slanted = compared(head("a", valve=VALVE), head("b", lambda lift: 1.20 - lift * 10, valve=VALVE))
    assert re.fullmatch(
        r"Along the lift the intake gain is between \+10\.0 % ± 0\.\d at 0\.394 in \(high lift\) and "
        r"\+18\.0 % ± 0\.\d at 0\.079 in \(low lift\)\.",
        only(slanted, "Along the lift"),
    )


def test_where_the_total_tells_nothing_the_most_slanted_step_does() -> None:
    """The laws of pressure blur the total, but not the last step, taken at one pressure."""
    result = compared(
        head("a", pressure_pa=10 * INH2O_PA),
        head("b", 1.1),
        head("c", lambda lift: 1.1 * (1.02 + lift * 3)),
    )
    assert re.fullmatch(
        r"Along the lift 'c' brings the intake between \+2\.6 % ± 0\.\d at 0\.079 in \(low lift\) and "
        r"\+5\.0 % ± 0\.\d at 0\.394 in \(high lift\)\.",
        only(result, "Along the lift"),
    )


def test_where_not_assessed_is_what_was_measured() -> None:
    result = compare([head("a"), head("b", lambda lift: 1.20 - lift * 10)])
    assert only(result, "Along the lift").endswith("+18.0 % at 0.079 in (low lift) (not assessed).")


def test_one_lift_has_no_where() -> None:
    base = {0.005: 0.04}
    result = compared(head("a", base=base), head("b", 1.1, base=base))
    assert none(result, "Along")
    assert "more than 'a' at 0.197 in of lift;" in only(result, "Intake")


def test_the_same_gain_everywhere_has_its_interval() -> None:
    assert re.fullmatch(
        r"Along the lift the intake gain comes out the same, \+10\.0 % ± 0\.\d\.",
        only(compared(head("a"), head("b", 1.1)), "Along the lift"),
    )
    assert only(compare([head("a"), head("b", 1.1)]), "Along the lift").endswith("(not assessed).")


# --- limits --------------------------------------------------------------------------------------


def test_where_the_flow_is_limited() -> None:
    result = compared(head("a", valve=VALVE), head("b", 1.1, valve=replace(VALVE, seat_width_m=0.0016)))
    # The takeover lift itself is held against the book in test_areas; here that it is the last variant's.
    takeover = result.sides["intake"].variants[1].takeover_lift_m
    assert only(result, "By geometry") == (
        f"By geometry, on the intake of 'b' the throat is the least passage above {takeover / 0.0254:.3f} in of lift, "
        "the seat below."
    )


def test_a_throat_beyond_the_lifts_leaves_the_seat() -> None:
    wide = replace(VALVE, stem_m=0.001, throat_m=0.038)
    text = only(compared(head("a", valve=wide), head("b", valve=wide)), "By geometry")
    assert "the seat is the least passage at every lift measured" in text


def test_without_dimensions_nothing_is_said_of_limits() -> None:
    assert none(compared(head("a"), head("b")), "By geometry")


# --- ports ---------------------------------------------------------------------------------------


def test_the_lagging_port_of_the_last_variant() -> None:
    result = compared(head("a", character=(1.0, 0.8)), head("b", character=(1.0, 0.9)))
    # By hand: 0.9 against a mean of 0.95 is 5.3 % less.
    assert re.match(
        r"Lagging: intake port 2 of 'b' flows 5\.3 % ± 0\.\d less than the mean of the ports, most at",
        only(result, "Lagging"),
    )
    assert "not assessed" not in only(result, "Lagging")
    assert none(compared(head("a", character=(1.0, 0.8)), head("b", character=(1.0, 0.99))), "Lagging")


def test_a_lag_within_the_benchs_scatter_is_not_told() -> None:
    heads = (head("a", character=(1.0, 0.94)), head("b", character=(1.0, 0.94)))
    assert none(compare(heads, bench=Bench(repeatability=0.05)), "Lagging")
    assert "(not assessed)" in only(compare(heads), "Lagging")


# --- next ----------------------------------------------------------------------------------------


def test_next_is_repeats_where_nothing_is_assessed() -> None:
    assert "flow at least one port twice" in only(compare([head("a"), head("b", 1.1)]), "Next")


def test_next_is_repeats_of_what_is_not_resolved() -> None:
    result = compared(head("a"), head("b", 1.1), head("c", 1.102))
    assert only(result, "Next") == "Next: repeat the runs of 'b' and 'c' on the intake; their +0.2 % is not resolved."


def test_next_is_the_test_that_tells_factors_apart() -> None:
    result = compared(head("a", state=START), head("b", 1.1, state={"ports": "blended", "seats": "recut"}))
    assert only(result, "Next") == (
        "Next: flow the intake with ports 'blended' and seats 'worn', to tell ports and seats apart."
    )


def test_next_of_three_factors_is_the_first_of_two_tests() -> None:
    before, after = {**START, "valves": "thick"}, {"ports": "blended", "seats": "recut", "valves": "slim"}
    text = only(compared(head("a", state=before), head("b", 1.1, state=after)), "Next")
    assert text.endswith(", the first of 2 tests, to tell ports, seats and valves apart.")


def test_next_does_not_ask_for_what_was_flowed_already() -> None:
    """All four corners: the step from '10' to '01' changes both, and '00' and '11' lie between."""
    states = [{"ports": ports, "seats": seats} for ports, seats in (("cast", "worn"), ("blended", "worn"))]
    states += [{"ports": "cast", "seats": "recut"}, {"ports": "blended", "seats": "recut"}]
    heads = [
        head(name, gain, state=state)
        for name, gain, state in zip(("00", "10", "01", "11"), (1.0, 1.05, 1.1, 1.16), states, strict=True)
    ]
    assert none(compared(*heads), "Next")


def test_next_does_not_repeat_a_retest() -> None:
    state = {**START, "seats": "recut"}
    heads = (head("a", state=START), head("b", 1.1, state=state), head("b again", 1.1005, state=state))
    assert none(compared(*heads), "Next")


def test_next_is_not_repeats_where_the_law_hides_the_gain() -> None:
    low = head("a", state=START, pressure_pa=10 * INH2O_PA)
    result = compare((low, head("b", 1.01, state={**START, "seats": "recut"})), bench=Bench(repeatability=0.001))
    assert only(result, "Next") == (
        "Next: flow both states at one test pressure; from 'a' to 'b' on the intake +1.0 % is not resolved, and what "
        "hides it most is the pressure law, which repeated runs do not reduce."
    )


def test_shares_of_the_interval_add_up() -> None:
    result = compared(head("a", pressure_pa=10 * INH2O_PA), head("b", 1.1))
    shares = gain_of(result).interval_shares
    assert sum(shares.values()) == pytest.approx(1.0)
    # By hand: law 2.5 %/sqrt(3); repeats, all a run's shift: 0.3 % on each of two ports, both states.
    law, repeats = 0.025**2 / 3, 0.003**2
    assert shares["pressure law"] == pytest.approx(law / (law + repeats), abs=0.01)
    assert gain_of(compare([head("a"), head("b", 1.1)])).interval_shares == {}


def test_next_is_one_test_pressure_where_the_law_is_most_of_the_interval() -> None:
    states = (START, {**START, "seats": "recut"})
    low = {"pressure_pa": 10 * INH2O_PA}
    result = compared(head("a", state=states[0], **low), head("b", 1.2, state=states[1]))
    # From 10 to 28 inH2O the laws differ by 2.5 % on the intake (closed forms).
    assert only(result, "Next") == (
        "Next: flow 'a' and 'b' on the intake at one test pressure; between the two laws that convert it lie up to "
        "2.5 %, which is most of the interval."
    )
    coarse = compare(
        (head("a", state=states[0], **low), head("b", 1.4, state=states[1])), bench=Bench(repeatability=0.03)
    )
    assert none(coarse, "Next")
    assert none(compared(head("a", state=states[0], **low), head("b", 1.2, state=states[1], **low)), "Next")


def test_next_is_the_lagging_port() -> None:
    result = compared(head("a", state=START), head("b", 1.1, state={**START, "seats": "recut"}, character=(1, 0.9)))
    assert only(result, "Next").startswith("Next: flow intake port 2 of 'b' again")


def test_nothing_next_where_all_is_clear() -> None:
    assert none(compared(head("a", state=START), head("b", 1.1, state={**START, "seats": "recut"})), "Next")
    assert none(compared(head("a")), "Next")


# --- all together --------------------------------------------------------------------------------


def test_at_most_eight_and_the_least_important_left_out() -> None:
    heads = [
        head(name, factor, sides=BOTH, valve=VALVE, character=(1.0, 0.9), state={"ports": name, "seats": name})
        for name, factor in (("a", 0.9), ("b", lambda lift: 1.0 - lift), ("c", lambda lift: 1.1 - 10 * lift))
    ]
    result = compared(*heads)
    assert len(result.sentences) == MOST_SENTENCES == 8
    starts = [text.split()[0] for text in result.sentences]
    assert starts == ["Intake:", "By", "Along", "Exhaust:", "By", "Along", "Lagging:", "Next:"]
    assert all(text.endswith(".") and "\n" not in text for text in result.sentences)


def test_seven_sentences_are_all_kept() -> None:
    heads = [head(name, factor, sides=BOTH, valve=VALVE) for name, factor in (("a", 1.0), ("b", 1.1), ("c", 1.2))]
    result = compared(*heads)
    assert [text.split()[0] for text in result.sentences] == [
        "Intake:", "By", "Along", "Exhaust:", "By", "Along", "By",
    ]  # fmt: skip


def test_no_sides_no_words() -> None:
    assert sentences({}) == ()
