"""Sentences by fixed rules, none claiming more than the intervals."""

from __future__ import annotations

import pytest

from flowkit.analysis import compare
from flowkit.analysis.results import Comparison
from flowkit.analysis.sentences import cause, headline, sentences
from flowkit.model import Bench, Conditions, Variant
from flowkit.wording import interval_words, percent, signed_percent
from tests.analysis.heads import VALVE, head

STATED = Bench(repeatability=0.003)
CAST, CUT = {"ports": "cast", "valves": "old"}, {"ports": "cut", "valves": "old"}
OTHER_DAY = Conditions(test_pressure_pa=6974.48948, date="2026-03-22", bench="bench B")
UNDATED = Conditions(test_pressure_pa=6974.48948, bench="bench B")


def compared(*heads: Variant, bench: Bench = STATED, **options: object) -> Comparison:
    return compare(heads, bench=bench, **options)  # type: ignore[arg-type]


def test_numbers() -> None:
    assert percent(0.1184) == "11.8 %" and percent(-0.0312) == "−3.1 %"
    assert signed_percent(0.118, 0.009) == "+11.8 % ± 0.9" and signed_percent(0.0, 0.0) == "0.0 % ± 0.0"
    assert signed_percent(0.118, 0.0001) == "+11.8 % ± <0.1"
    assert interval_words(0.118, 0.109, 0.150) == "+11.8 % (+10.9 to +15.0)"


def test_a_proven_gain_says_how_much_at_least_and_by_what() -> None:
    result = compared(head("a", state=CAST), head("b", 1.05, state=CUT))
    (total,) = result.parts["headline"]
    assert total.startswith("Intake: 'b' flows 5.0 % ± 0.6 more than 'a' on average over 0.079 in to 0.394 in of lift")
    assert "at least +4.5 % (95 % sure); ports alone changed." in total
    gain = result.sides["intake"].gains[0]
    assert headline(gain, "intake") == "Intake: +5.0 % ± 0.6 mean flow, ports alone" and cause(gain) == "ports alone"


def test_a_loss_is_told_as_one() -> None:
    (total,) = compared(head("a", state=CAST), head("b", 0.95, state=CUT)).parts["headline"]
    assert "'b' flows 5.0 % ± 0.6 less than 'a'" in total and "a loss of at least 4.5 % (95 % sure)" in total


def test_a_gain_within_the_scatter_says_what_could_have_been_found() -> None:
    (total,) = compared(head("a", state=CAST), head("b", 1.002, state=CUT)).parts["headline"]
    assert "no difference proven between 'a' and 'b': +0.2 % ± 0.6" in total and "within the bench's scatter" in total
    assert "these tests would show a gain of 0.8 % or more four times out of five" in total


def test_not_assessed_says_so_and_what_can_be_done() -> None:
    result = compared(head("a", state=CAST), head("b", 1.05, state=CUT), bench=Bench())
    assert "whether that is more than the bench's scatter is not known" in result.parts["headline"][0]
    assert result.parts["next"][0].startswith("Next: flow at least one port of 'b' once more, with the head taken off")


def test_other_days_without_a_check_plate_give_the_margin() -> None:
    result = compared(head("a", state=CAST), head("b", 1.05, state=CUT, conditions=OTHER_DAY))
    assert (
        "larger than run-to-run scatter; holds unless the bench moved by more than 4.4 %" in result.parts["headline"][0]
    )
    assert result.parts["doubts"][0].startswith("Flowed on 4 March 2026 and 22 March 2026 without a check plate")
    assert "read a check plate in every session" in result.parts["next"][0]
    gain = result.sides["intake"].gains[0]
    assert gain.resolved is False and gain.drift_unknown and gain.changed == ("ports", "session")
    assert not gain.attributable and gain.terms is not None and gain.terms.drift is None


def test_undated_sheets_raise_one_question() -> None:
    heads = [head(name, 1 + 0.05 * n, state=CAST, conditions=UNDATED) for n, name in enumerate("abc")]
    result = compared(*heads)
    assert result.parts["doubts"][0].startswith("When were these flowed? All on the same day?")
    assert result.parts["next"] == (
        "Next: put the dates these sheets were flowed in the job; that settles it for all of them.",
    )


def test_another_operator_is_named_and_bars_the_proof() -> None:
    conditions = [
        Conditions(test_pressure_pa=6974.48948, date="2026-03-04", bench="B", operator=o) for o in ("Al", "Bo")
    ]
    result = compared(
        head("a", state=CAST, conditions=conditions[0]), head("b", 1.05, state=CUT, conditions=conditions[1])
    )
    gain = result.sides["intake"].gains[0]
    assert gain.setup_differs == ("operator",) and gain.resolved is False and gain.changed == ("ports", "operator")
    assert "larger than the scatter, but not proven: operator not the same" in result.parts["headline"][0]
    assert any(text.startswith("Not the same in all states: operator.") for text in result.parts["doubts"])
    assert "setup-differs" in {finding.rule for finding in result.findings}


def test_steps_are_told_with_what_the_data_bear_out() -> None:
    result = compared(head("a", state=CAST), head("b", 1.05, state=CUT), head("c", 1.0505, state=CUT))
    assert result.parts["steps"] == (
        "By step on the intake: 'b' +5.0 % ± 0.6 (ports alone); 'c' 0.0 % ± 0.6 (within the bench's scatter).",
    )


def test_one_repeat_says_how_little_it_tells() -> None:
    result = compared(head("a", ports=("1",), runs=(0.998, 1.002)), head("b", 1.2, ports=("1",)), bench=Bench())
    told = next(text for text in result.parts["doubts"] if text.startswith("The two runs"))
    assert told.startswith(
        "The two runs differ by 0.40 %; from one difference the scatter is known only to between 0.45 and"
    )


def test_no_lift_is_named_where_the_gain_is_the_same() -> None:
    twice = compared(head("a", runs=(0.999, 1.001)), head("b", 1.05), bench=Bench())
    assert not any("between" in text for text in twice.parts["detail"])


def test_where_the_flow_is_limited() -> None:
    (told,) = compared(head("a", valve=VALVE)).parts["detail"]
    assert told.startswith(
        "By geometry, on the intake of 'a' the throat is the smallest passage above 0.309 in of lift"
    )


def test_ports_and_seats_cut_together_cannot_be_told_apart_any_more() -> None:
    before, after = {"ports": "cast", "seats": "worn"}, {"ports": "cut", "seats": "recut"}
    (told,) = compared(head("a", state=before), head("b", 1.05, state=after)).parts["next"]
    assert (
        told.startswith("Next time, flow the intake between the steps too") and "this head cannot go back there" in told
    )


def test_valves_can_be_put_back() -> None:
    before, after = {"ports": "cast", "valves": "old"}, {"ports": "cut", "valves": "slim"}
    (told,) = compared(head("a", state=before), head("b", 1.05, state=after)).parts["next"]
    assert told == "Next: flow the intake with ports 'cut' and valves 'old', to separate ports and valves."


def test_one_variant_has_its_flow_and_no_word_of_gain() -> None:
    result = compared(head("a"))
    assert result.parts["headline"][0].startswith("Intake: 'a' flows ")
    assert not any("gain" in text for text in result.sentences)


@pytest.mark.parametrize("key", ["headline", "steps", "detail", "doubts", "next"])
def test_no_sides_no_words(key: str) -> None:
    assert sentences({})[key] == ()


def test_paper_leaves_out_the_keys_of_the_job_file() -> None:
    from flowkit.analysis.gains import WHY_NOT_ASSESSED
    from flowkit.wording import without_keys

    assert "[bench]" in WHY_NOT_ASSESSED
    assert without_keys(WHY_NOT_ASSESSED).endswith("or state the bench's own figure.")
    assert without_keys("A port (left) stays, as do 3 mm (0.118 in).") == "A port (left) stays, as do 3 mm (0.118 in)."
