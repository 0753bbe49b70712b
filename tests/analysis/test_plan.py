"""Which extra test tells changes apart, and the plan as a whole."""

import json

import pytest

from flowkit.analysis import compare
from flowkit.analysis.planning import plan, untangle
from flowkit.errors import FlowkitError
from flowkit.model import Bench, Variant
from flowkit.wording import listed
from tests.analysis.bench_heads import LIFTS, corrected, true_curve

STOCK = {"ports": "as cast", "seats": "worn", "valves": "standard"}
CUT = STOCK | {"seats": "recut"}
PORTED = CUT | {"ports": "blended"}
DONE = PORTED | {"valves": "slim"}


def test_single_changes_and_none_need_nothing():
    assert untangle([("a", STOCK), ("b", CUT), ("c", PORTED), ("d", DONE), ("e", dict(DONE))]) == ()
    assert untangle([("a", {}), ("b", {})]) == ()
    assert untangle([("a", STOCK)]) == ()


def test_two_changes_need_one_state_between():
    (extra,) = untangle([("a", STOCK), ("c", PORTED)])
    assert extra.factors == ("ports", "seats")
    assert extra.states == (STOCK | {"ports": "blended"},)
    assert extra.otherwise is None and not extra.possible  # neither cut ports nor cut seats can be put back
    assert extra.completes == () and extra.already_tested == ()
    words = extra.sentence()
    assert words.startswith("'a' → 'c': ports and seats changed together")
    assert "What was cut cannot be put back, so this head can no longer separate them. Next time flow the head" in words
    assert "in between, with ports 'blended', seats 'worn' and valves 'standard'" in words


def test_the_state_that_completes_four_corners_is_preferred():
    """Worn and recut heads are known with slim valves: the standard recut head makes four corners."""
    slim, both = STOCK | {"valves": "slim"}, CUT | {"valves": "slim"}
    first = untangle([("a", STOCK), ("d", PORTED), ("s", slim), ("b", both)])[0]
    assert first.states == (CUT,)
    assert (
        first.possible and first.otherwise is None
    )  # the head has cut seats now, so it cannot be flowed with worn ones
    assert [set(pair) for pair in first.completes] == [{"seats", "valves"}]
    assert "completes the four corners of" in first.sentence()


def test_a_state_between_that_was_tested_is_pointed_at():
    (extra,) = untangle([("c", CUT), ("a", STOCK), ("d", PORTED)])
    assert extra.states == () and extra.already_tested == ("c",)
    assert "No extra test is needed: 'c' lies between" in extra.sentence()


def test_three_changes_need_two_states():
    (extra,) = untangle([("a", STOCK), ("d", DONE)])
    assert extra.factors == ("ports", "seats", "valves")
    assert len(extra.states) == 2 and extra.otherwise is None
    assert not extra.possible and "; then ports" in extra.sentence()
    for before, after in zip((STOCK, *extra.states), (*extra.states, DONE), strict=True):
        assert sum(before[factor] != after[factor] for factor in STOCK) == 1


def test_three_changes_with_one_state_tested_need_one_more():
    (extra,) = untangle([("c", CUT), ("a", STOCK), ("d", DONE)])
    assert len(extra.states) == 1 and extra.already_tested == ("c",)
    assert extra.possible and "One extra test separates them" in extra.sentence()


def test_undeclared_factors_are_asked_for():
    (extra,) = untangle([("a", {"ports": "as cast"}), ("b", {"ports": "blended", "seats": "recut"})])
    assert extra.unknown == ("seats",) and extra.states == ()
    assert "seats not declared in both states; declare" in extra.sentence()


def test_listed():
    assert [listed(words) for words in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


def head():
    """Two states, two ports, ports and seats changed together; one port run three times."""
    flows = true_curve(LIFTS)
    out = []
    for name, factor, state, date in (("a", 1.0, STOCK, "2025-03-01"), ("c", 1.05, PORTED, "2025-03-08")):
        tests = [corrected(name, factor * flows, port=port, date=date) for port in "12"]
        if name == "a":
            tests += [corrected(name, flows * k, run=run, date=date) for run, k in ((2, 1.002), (3, 0.997))]
        out.append(Variant(name, corrected=tuple(tests), state={"intake": state}))
    return out


def test_the_whole_plan_in_words_and_as_json():
    variants = head()
    comparison = compare(variants, bench=Bench(drift=0.001))
    result = plan(comparison, variants, 0.01, bench=Bench(drift=0.001))
    assert [(item.side, item.from_, item.to) for item in result.repeats] == [
        ("intake", "a", "c"), ("intake", "c", None),
    ]  # fmt: skip
    assert [extra.factors for extra in result.extra_tests["intake"]] == [("ports", "seats")]
    assert any(sentence.startswith("Intake, 'a' → 'c': a gain of 1.0") for sentence in result.sentences)
    assert any("changed together" in sentence for sentence in result.sentences)
    data = json.loads(result.to_json())
    assert data["kind"] == "plan"
    assert data["repeats"][0]["from"] == "a"
    assert data["extra_tests"]["intake"][0]["states"] == [STOCK | {"ports": "blended"}]
    assert data["sentences"] == list(result.sentences)


def test_an_aim_that_cannot_be_is_refused():
    variants = head()
    with pytest.raises(FlowkitError, match="above zero"):
        plan(compare(variants), variants, 0.0)


def test_the_smallest_gain_is_that_of_the_comparison_with_check_plates_and_two_pressures() -> None:
    from flowkit import Job
    from flowkit.samples import sample_folder

    job = Job.load(sample_folder() / "job.toml")
    gains = {(side, gain.from_, gain.to): gain for side, result in job.compare().sides.items() for gain in result.gains}
    steps = [item for item in job.plan(0.02).repeats if item.to is not None]
    assert len(steps) == 6
    for step in steps:
        known = gains[step.side, step.from_, step.to].smallest_resolvable
        # of the same terms; the comparison's is of ln(1 + g), taken as g
        assert step.smallest_gain_now == pytest.approx(known, rel=0.03)
