"""Repeats planned by the rule of the intervals, honest about what can still be flowed."""

import math

import pytest
from scipy import stats

from flowkit.analysis import compare
from flowkit.analysis.planning import plan
from flowkit.analysis.uncertainty import found_shift, half_width_factor, t_test_power
from flowkit.errors import FlowkitError
from flowkit.model import Bench, Conditions
from tests.analysis.heads import head
from tests.published import power_tables


@pytest.mark.parametrize(("difference", "size"), power_tables.SAMPLE_SIZES)
def test_power_meets_cohens_sample_sizes(difference, size):
    # Source: Cohen 1988, table 2.4.1, power 0.80, two-sided 5 %; read in the handbooks named there.
    assert t_test_power(difference * math.sqrt(size / 2), 2 * size - 2) >= 0.795
    assert t_test_power(difference * math.sqrt((size - 1) / 2), 2 * size - 4) < 0.80


@pytest.mark.parametrize("freedom", [1.0, 1.7, 3.0, 12.5])
@pytest.mark.parametrize("shift", [0.0, 1.0, 4.0])
def test_power_is_that_of_the_non_central_t(shift, freedom):
    border = stats.t.ppf(0.975, freedom)
    expected = stats.nct.sf(border, freedom, shift) + stats.nct.sf(border, freedom, -shift)
    assert t_test_power(shift, freedom) == pytest.approx(expected, abs=1e-6)


def test_smallest_gain_and_expected_half_width_at_few_degrees_of_freedom():
    # Spec section 7: 16.3, 5.7, 4.3, 3.8, 3.2, 2.8 and 10.1, 3.8, 2.9, 2.6, 2.2, 1.96
    freedom = (1.0, 2.0, 3.0, 4.0, 8.0, math.inf)
    assert [round(found_shift(nu), 1) for nu in freedom] == [16.3, 5.7, 4.3, 3.8, 3.2, 2.8]
    assert [round(half_width_factor(nu), 1) for nu in freedom] == [10.1, 3.8, 2.9, 2.6, 2.2, 2.0]


def planned(gain=0.01, bench=None, **options):
    heads = [
        head("a", runs=(0.998, 1.002), state={"ports": "cast"}),
        head("b", 1.02, state={"ports": "cut"}, **options),
    ]
    return plan(compare(heads, bench=bench), heads, gain, bench=bench)


def test_a_state_that_was_cut_is_never_offered():
    step, following = planned(bench=Bench(repeatability=0.005)).repeats
    assert (step.from_, step.to, step.can_be_flowed) == ("a", "b", (False, True))
    words = step.sentence()
    assert "'a' can no longer be flowed" in words
    assert (following.from_, following.to) == ("b", None)
    assert "now and again after the work" in following.sentence()


def test_what_more_runs_of_the_last_state_cannot_reach_is_said_for_next_time():
    step = planned(gain=0.004, bench=Bench(repeatability=0.005)).repeats[0]
    assert step.runs_needed is None and step.runs_next_time is not None
    assert "next time flow every port" in step.sentence()
    # by hand: two ports of equal flow, u² = 0.005²·(1/2 + 1/2)·(1/n)·½·2 for n runs of both states
    n = step.runs_next_time
    u = 0.005 * math.sqrt(1 / n)
    assert t_test_power(math.log1p(0.004) / u, math.inf) >= 0.8
    assert t_test_power(math.log1p(0.004) / (0.005 * math.sqrt(1 / (n - 1))), math.inf) < 0.8


def test_what_repeats_do_not_reduce_is_named():
    other_day = Conditions(test_pressure_pa=6974.5, date="2026-04-04", bench="bench B")
    result = planned(gain=0.004, bench=Bench(repeatability=0.001, drift=0.005), conditions=other_day)
    step = result.repeats[0]
    assert step.limited_by == ("drift",) and step.smallest_gain_ever > 0.004
    assert "cannot be proven by repeating runs" in step.sentence()


def test_the_plan_says_that_the_scatter_is_an_estimate():
    assert any("itself an estimate" in sentence for sentence in planned().sentences)


def test_unknown_repeatability_plans_nothing_and_says_why():
    heads = [head("a"), head("b", 1.02)]
    step = plan(compare(heads), heads, 0.01).repeats[0]
    assert step.runs_needed is None and "Flow at least one port twice" in step.sentence()


@pytest.mark.parametrize(("gain", "power"), [(0.0, 0.8), (-0.01, 0.8), (math.nan, 0.8), (0.01, 0.05), (0.01, 1.0)])
def test_aims_that_cannot_be_are_refused(gain, power):
    heads = [head("a"), head("b", 1.02)]
    with pytest.raises(FlowkitError):
        plan(compare(heads), heads, gain, power)


def test_what_fifty_runs_of_every_port_cannot_prove_is_said() -> None:
    step, following = planned(gain=0.0008, bench=Bench(repeatability=0.01)).repeats
    assert (step.runs_needed, step.runs_next_time, following.runs_needed) == (None, None, None)
    assert "cannot be reached by more runs of 'b', and 'a' can no longer be flowed (" in step.sentence()
    assert "needs more than 50 runs of every port" in following.sentence()
