"""The power of the t test against Cohen's table, and the planned runs against trying it out."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from flowkit.analysis.planning import MOST_RUNS, plan_repeats, power_of, smallest_effect
from flowkit.analysis.results import Repeatability
from flowkit.analysis.uncertainty import assess_side
from flowkit.errors import FlowkitError
from flowkit.model import INH2O_PA, Bench, Reference
from tests.analysis.bench_heads import LIFTS, corrected, noisy_run, pair_of, side_of, true_curve
from tests.published.power_tables import POWER, SAMPLE_SIZES

FLOWS = true_curve(LIFTS)
RANGE = (LIFTS[0], LIFTS[-1])


@pytest.mark.parametrize(("difference", "size"), SAMPLE_SIZES)
def test_power_meets_cohens_sample_sizes(difference, size):
    """The printed size reaches 80 %, one reading fewer does not."""

    def reached(readings):
        return power_of(difference, math.sqrt(2.0 / readings), 2.0 * readings - 2.0)

    assert reached(size) >= POWER - 0.0005  # 0.2 needs 392.4 readings, which the table rounds
    assert reached(size - 1) < POWER


@pytest.mark.parametrize(("shift", "freedom"), [(0.5, 3.0), (2.5, 7.5), (4.0, 40.0), (15.0, 1.0)])
def test_power_is_the_mean_over_the_chi_distribution(shift, freedom):
    """The definition, integrated: s is estimated with ν degrees of freedom, z is normal, |z + δ| > t·s."""
    border = stats.t.ppf(0.975, freedom)

    def density(s):
        beyond = stats.norm.sf(border * s - shift) + stats.norm.sf(border * s + shift)
        return beyond * stats.chi.pdf(s * math.sqrt(freedom), freedom) * math.sqrt(freedom)

    assert power_of(shift, 1.0, freedom) == pytest.approx(quad(density, 0.0, 8.0, limit=200)[0], abs=1e-6)


def test_power_without_effect_is_the_level_and_has_no_sign():
    assert power_of(0.0, 1.0, 5.0) == pytest.approx(0.05)
    assert power_of(-2.5, 1.0, 5.0) == power_of(2.5, 1.0, 5.0)


def test_power_at_the_borders():
    assert power_of(0.01, 0.0) == 1.0
    assert power_of(0.0, 0.0) == pytest.approx(0.05)
    assert power_of(1e6, 1.0, 5.0) == 1.0
    assert power_of(2.0, 1.0, 1e7) == pytest.approx(power_of(2.0, 1.0), abs=1e-6)


@pytest.mark.parametrize("freedom", [1.0, 3.0, 20.0, math.inf])
def test_smallest_effect_is_the_inverse(freedom):
    effect = smallest_effect(0.004, freedom, 0.9)
    assert power_of(effect, 0.004, freedom) == pytest.approx(0.9, abs=1e-6)
    assert smallest_effect(0.0, freedom) == 0.0


def variants(runs=1, gain=1.0, ports="12", **b):
    """Two states of a head."""
    return side_of(
        {
            "a": [corrected("a", FLOWS, port=p, run=run) for p in ports for run in range(1, runs + 1)],
            "b": [corrected("b", gain * FLOWS, port=p, run=run, **b) for p in ports for run in range(1, runs + 1)],
        }
    )


def plans(sides, repeatability, bench=Bench(), **more):
    return plan_repeats(sides, RANGE, Reference(), bench, repeatability, **more)


def test_runs_needed_by_hand_for_a_shift_that_is_known():
    """Two like ports: u² = 2·s_b²/(2n); 80 % needs ln(1 + g) = 2.80·u (normal: 1.960 + 0.842)."""
    known = Repeatability(0.005, math.inf, "stated", 0.005, 0.0)
    (plan,) = plans(variants(), known, gain=0.01)
    wanted = math.ceil((2.8016 * 0.005 / math.log(1.01)) ** 2)
    assert plan.runs_needed == wanted == 2
    assert plan.runs_now == (1, 1)
    assert plan.smallest_gain_now == pytest.approx(math.expm1(2.8016 * 0.005), rel=1e-3)
    assert plan.power_now < 0.8 <= plan.power_then
    (finer,) = plans(variants(), known, gain=0.005)
    assert finer.runs_needed == math.ceil((2.8016 * 0.005 / math.log(1.005)) ** 2) == 8


def test_scatter_needs_fewer_runs_than_a_shift_of_the_same_size():
    shift, scatter = (Repeatability(0.01, math.inf, "stated", *split) for split in ((0.01, 0.0), (0.0, 0.01)))
    (one,), (other,) = plans(variants(), shift, gain=0.01), plans(variants(), scatter, gain=0.01)
    assert one.runs_needed > 3 * other.runs_needed


def test_what_is_there_may_be_enough():
    known = Repeatability(0.005, math.inf, "stated", 0.005, 0.0)
    (plan,) = plans(variants(runs=3), known, gain=0.02)
    assert plan.runs_needed == 3 and plan.power_then == plan.power_now
    assert "needs no further runs" in plan.sentences()[0]


def test_few_degrees_of_freedom_are_filled_up_by_the_runs_planned():
    """From one repeat t is 12.7: a second run of everything brings its own degrees of freedom."""
    few = Repeatability(0.003, 1.0, "repeated runs", 0.003, 0.0)
    (plan,) = plans(variants(), few, gain=0.01)
    assert plan.power_now < 0.4
    assert plan.runs_needed == 2 and plan.power_then > 0.8
    assert "flowed twice in both states (1 and 1 now" in plan.sentences()[0]


def test_what_repeats_do_not_reduce_is_named():
    known = Repeatability(0.002, math.inf, "stated", 0.002, 0.0)
    sides = variants(date="2025-04-01", pressure=10 * INH2O_PA)
    (plan,) = plans(sides, known, Bench(drift=0.012), gain=0.01)
    assert plan.runs_needed is None and plan.power_then is None
    assert plan.limited_by == ("drift", "pressure law")
    assert "drift and pressure law alone can hide a gain below" in plan.sentences()[0]
    assert "flow both states in one session" in plan.sentences()[0]
    # drift alone: 2.80·√2·1 %
    (alone,) = plans(variants(date="2025-04-01"), known, Bench(drift=0.01), gain=0.01)
    assert alone.smallest_gain_ever == pytest.approx(math.expm1(2.8016 * math.sqrt(2) * 0.01), rel=1e-3)


def test_more_runs_than_anyone_would_make():
    known = Repeatability(0.02, math.inf, "stated", 0.02, 0.0)
    (plan,) = plans(variants(), known, gain=0.001)
    assert plan.runs_needed is None and plan.smallest_gain_ever == 0.0
    assert f"more than {MOST_RUNS} runs" in plan.sentences()[0]


def test_one_state_alone_is_planned_for_the_next():
    known = Repeatability(0.005, math.inf, "stated", 0.005, 0.0)
    single = variants()[:1]
    (plan,) = plans(single, known, Bench(drift=0.001), gain=0.01)
    assert plan.to is None and plan.limited_by == ("drift",)
    assert "'a' → the next state" in plan.sentences()[0]
    (pair,) = plans(variants(date="2025-04-01"), known, Bench(drift=0.001), gain=0.01)
    assert plan.smallest_gain_now == pytest.approx(pair.smallest_gain_now, rel=1e-9)


def test_unknown_repeatability_plans_nothing_and_says_why():
    (plan,) = plans(variants(), Repeatability(None, None, "none"), gain=0.01)
    assert plan.runs_needed is None and plan.power_now is None
    assert plan.sentences()[0].startswith("Intake, 'a' → 'b': the bench's repeatability is not known. Flow at least")


@pytest.mark.parametrize(("gain", "power"), [(0.0, 0.8), (-0.1, 0.8), (math.nan, 0.8), (0.01, 1.0), (0.01, 0.03)])
def test_aims_that_cannot_be_are_refused(gain, power):
    with pytest.raises(FlowkitError, match="must"):
        plans(variants(), Repeatability(0.005, math.inf, "stated", 0.005, 0.0), gain=gain, power=power)


@pytest.mark.slow
def test_the_planned_chance_is_the_chance_when_tried_out():
    """300 invented comparisons with the gain planned for: as many are resolved as promised."""
    rng = np.random.default_rng(11)
    shift, scatter, gain, tries = 0.003, 0.004, 0.01, 300
    known = Repeatability(0.005, math.inf, "stated", shift, scatter)
    (plan,) = plans(variants(), known, gain=gain)
    resolved = 0
    for _ in range(tries):
        tests = {
            name: [
                corrected(name, noisy_run(rng, factor * FLOWS, shift, scatter), port=port, run=run + 1)
                for port in "12"
                for run in range(plan.runs_needed)
            ]
            for name, factor in (("a", 1.0), ("b", 1.0 + gain))
        }
        sides = side_of(tests)
        result = assess_side(sides, [pair_of(*sides)], RANGE, [[], []], Reference(), Bench(), known, draws=2000)
        resolved += bool(result.resolved[0])
    spread = math.sqrt(plan.power_then * (1 - plan.power_then) / tries)
    assert plan.power_then > 0.8
    assert resolved / tries == pytest.approx(plan.power_then, abs=3 * spread)
