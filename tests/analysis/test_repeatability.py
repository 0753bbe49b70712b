"""Repeatability against certified analyses of variance, the GUM's example H.5 and known scatter."""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from flowkit.analysis.results import Repeatability
from flowkit.analysis.runs import (
    pool_relative,
    pool_repeatability,
    repeatability_findings,
    runs_of,
    why_not_assessed,
)
from flowkit.model import Bench
from tests.analysis.bench_heads import LIFTS, corrected, noisy_run, true_curve
from tests.published import e_handbook, gum, iso_5725_2, nist_strd

STRD = [
    (nist_strd.SILICON, nist_strd.SILICON_BETWEEN_SS, nist_strd.SILICON_WITHIN_SS, nist_strd.SILICON_RESIDUAL_SD),
    (nist_strd.SILVER, nist_strd.SILVER_BETWEEN_SS, nist_strd.SILVER_WITHIN_SS, nist_strd.SILVER_RESIDUAL_SD),
]


@pytest.mark.parametrize(("data", "between", "within", "deviation"), STRD)
def test_the_remembered_data_meet_every_certified_digit(data, between, within, deviation):
    groups = [[Fraction(value) for value in group] for group in data]
    count = sum(map(len, groups))
    grand = sum(map(sum, groups)) / count
    means = [sum(group) / len(group) for group in groups]
    assert float(sum(len(g) * (m - grand) ** 2 for g, m in zip(groups, means, strict=True))) == pytest.approx(
        between, rel=1e-13
    )
    squares = sum((x - m) ** 2 for g, m in zip(groups, means, strict=True) for x in g)
    assert float(squares) == pytest.approx(within, rel=1e-13)
    assert math.sqrt(squares / (count - len(groups))) == pytest.approx(deviation, rel=1e-13)


def test_pooling_meets_the_certified_residual_deviation():
    """Instruments as lifts, their readings as runs: the pooled scatter is the residual deviation.

    Ours is relative to each instrument's mean, the certified one absolute: the means differ by
    2e-4 of themselves, which is the tolerance.
    """
    readings = [(i, k, float(x)) for i, group in enumerate(nist_strd.SILICON) for k, x in enumerate(group)]
    pooled = pool_relative([readings])
    assert pooled.degrees_of_freedom == 20.0
    grand = np.mean([float(x) for group in nist_strd.SILICON for x in group])
    assert pooled.s_r * grand == pytest.approx(nist_strd.SILICON_RESIDUAL_SD, rel=3e-4)


@pytest.mark.parametrize(("data", "between", "within", "deviation"), STRD)
def test_split_meets_the_certified_mean_squares(data, between, within, deviation):
    """Instruments as runs reading one lift several times: s_w² = MS_w, s_b² = (MS_b − MS_w)/J."""
    readings = [(0, i, float(x)) for i, group in enumerate(data) for x in group]
    pooled = pool_relative([readings])
    grand = np.mean([flow for *_, flow in readings])
    groups, each = len(data), len(data[0])
    # silver differs by 5e-7 of itself: double precision leaves 9 digits of the deviations
    assert pooled.s_within_run * grand == pytest.approx(deviation, rel=1e-8)
    expected = (between / (groups - 1) - within / (groups * (each - 1))) / each
    assert (pooled.s_between_runs * grand) ** 2 == pytest.approx(expected, rel=1e-7)
    assert pooled.run_degrees_of_freedom == groups - 1


def test_the_remembered_readings_meet_the_sums_of_iso_5725_2():
    """7.4.5.3: of means and standard deviations rounded to three decimals."""
    cells = [(len(lab), round(np.mean(lab), 3), round(np.std(lab, ddof=1), 3)) for lab in iso_5725_2.COAL]
    sums = iso_5725_2.SUMS
    assert sum(n * m for n, m, _ in cells) == pytest.approx(sums["T1"], abs=5e-4)
    assert sum(n * m**2 for n, m, _ in cells) == pytest.approx(sums["T2"], abs=5e-5)
    assert sum(n for n, *_ in cells) == sums["T3"]
    assert sum(n**2 for n, *_ in cells) == sums["T4"]
    assert sum((n - 1) * s**2 for n, _, s in cells) == pytest.approx(sums["T5"], abs=5e-7)


def test_split_meets_the_worked_example_of_iso_5725_2():
    """Laboratories as runs with unequal numbers of readings: s_r is the scatter, s_R the whole."""
    readings = [(0, lab, value) for lab, group in enumerate(iso_5725_2.COAL) for value in group]
    pooled = pool_relative([readings])
    mean = np.mean([value for *_, value in readings])
    assert pooled.s_within_run * mean == pytest.approx(iso_5725_2.REPEATABILITY, abs=iso_5725_2.ROUNDING)
    assert pooled.s_r * mean == pytest.approx(iso_5725_2.REPRODUCIBILITY, abs=iso_5725_2.ROUNDING)
    t1, t2, t3, t4, t5 = iso_5725_2.SUMS.values()
    # 7.4.5.2 with the printed sums; our readings are not rounded on the way: hence 2 %
    repeatability = t5 / (t3 - 8)
    between = ((t2 * t3 - t1**2) / (t3 * 7) - repeatability) * t3 * 7 / (t3**2 - t4)
    assert (pooled.s_within_run * mean) ** 2 == pytest.approx(repeatability, rel=0.02)
    assert (pooled.s_between_runs * mean) ** 2 == pytest.approx(between, rel=0.02)


def test_the_remembered_readings_meet_the_table_of_the_e_handbook():
    every = np.array(e_handbook.READINGS)
    correction, half = every.sum() ** 2 / every.size, e_handbook.ROUNDING
    treatment = (every.sum(axis=1) ** 2).sum() / 5 - correction
    assert correction == pytest.approx(e_handbook.CORRECTION_FOR_THE_MEAN, abs=half)
    assert (every**2).sum() - correction == pytest.approx(e_handbook.TOTAL_SS, abs=half)
    assert treatment == pytest.approx(e_handbook.TREATMENT_SS, abs=half)
    assert (every**2).sum() - correction - treatment == pytest.approx(e_handbook.ERROR_SS, abs=half)


def test_pooling_meets_the_worked_example_of_the_e_handbook():
    """Each level a port with repeats at one lift: the pooled variance is the error's mean square.

    The deviations are put on a mean of 1000, since ours are relative.
    """
    ports = [[(0, run, 1000 + x - np.mean(g)) for run, x in enumerate(g)] for g in e_handbook.READINGS]
    pooled = pool_relative(ports)
    assert (pooled.s_r * 1000) ** 2 == pytest.approx(e_handbook.ERROR_MS, abs=e_handbook.ROUNDING)
    assert pooled.degrees_of_freedom == e_handbook.ERROR_FREEDOM


def test_split_meets_the_worked_example_of_the_e_handbook():
    """Each level a run that read one lift five times."""
    pooled = pool_relative([[(0, run, x) for run, group in enumerate(e_handbook.READINGS) for x in group]])
    mean = np.mean(e_handbook.READINGS)
    error, between = (pooled.s_within_run * mean) ** 2, (pooled.s_between_runs * mean) ** 2
    assert error == pytest.approx(e_handbook.ERROR_MS, abs=e_handbook.ROUNDING)
    assert 5 * between + error == pytest.approx(e_handbook.TREATMENT_MS, abs=e_handbook.ROUNDING)


def test_split_meets_gum_h5():
    """Ten days with five observations each: only their means and deviations are printed."""
    pattern = (-1.0, -1.0, 0.0, 1.0, 1.0)  # of mean 0 and experimental standard deviation 1
    readings = [(0, day, mean + s * step) for day, (mean, s) in enumerate(gum.ZENER) for step in pattern]
    pooled = pool_relative([readings])
    assert pooled.s_between_runs * 10.0001 == pytest.approx(gum.ZENER_BETWEEN_V, abs=gum.ZENER_ROUNDING_V)
    assert pooled.s_within_run * 10.0001 == pytest.approx(gum.ZENER_WITHIN_V, abs=gum.ZENER_ROUNDING_V)


def test_pooled_value_by_hand():
    """(99, 101): each 1 % off the mean, 2e-4; (198, 200, 202): 2e-4; over 1 + 2 degrees of freedom."""
    pooled = pool_relative([[(0, 0, 99.0), (0, 1, 101.0)], [(0, 0, 198.0), (0, 1, 200.0), (0, 2, 202.0)]])
    assert pooled.s_r == pytest.approx(math.sqrt(4e-4 / 3))
    assert pooled.degrees_of_freedom == 3.0
    # a single lift a port: scatter and shift cannot be told apart, all counts as shift
    assert pooled.s_within_run == 0.0
    assert pooled.s_between_runs == pooled.s_r


def test_shift_alone_and_scatter_alone_are_told_apart():
    lifts = range(6)
    shift = pool_relative([[(j, run, (j + 1.0) * (1 + s)) for run, s in enumerate((-0.01, 0.01)) for j in lifts]])
    assert shift.s_within_run == pytest.approx(0.0, abs=1e-12)
    assert shift.s_between_runs == pytest.approx(math.sqrt(2e-4), rel=1e-9)
    sign = (1, -1, 1, -1, 1, -1)
    scatter = pool_relative(
        [[(j, run, (j + 1.0) * (1 + s * sign[j])) for run, s in enumerate((-0.01, 0.01)) for j in lifts]]
    )
    assert scatter.s_between_runs == 0.0
    assert scatter.s_within_run == pytest.approx(scatter.s_r)
    assert scatter.s_r == pytest.approx(math.sqrt(2e-4), rel=1e-9)


def test_split_is_unbiased_with_unequal_runs():
    """Known shift and scatter come back on average, though runs miss lifts and ports differ in runs."""
    rng = np.random.default_rng(5)
    between, within = [], []
    for _ in range(300):
        ports = []
        for runs in (2, 3, 4):
            rows = []
            for run in range(runs):
                flows = noisy_run(rng, true_curve(LIFTS), 0.004, 0.003)
                kept = LIFTS if run % 2 else LIFTS[: 6 + run]
                rows += [(j, run, flows[j]) for j in range(len(kept))]
            ports.append(rows)
        pooled = pool_relative(ports)
        between.append(pooled.s_between_runs**2)
        within.append(pooled.s_within_run**2)
    # standard errors of the means of 300: 4 % and 1.5 %
    assert np.mean(between) == pytest.approx(0.004**2, rel=0.12)
    assert np.mean(within) == pytest.approx(0.003**2, rel=0.05)


def repeated(runs=3, port="1", variant="a", **more):
    flows = true_curve(LIFTS)
    return [
        corrected(variant, flows * (1 + 0.002 * (-1) ** run * (1 + 0.1 * np.arange(10))), port=port, run=run, **more)
        for run in range(1, runs + 1)
    ]


def test_pooled_from_tests_counts_every_lift_of_every_repeated_port():
    tests = [*repeated(3), *repeated(2, port="2"), *repeated(1, port="3"), *repeated(2, side="exhaust")]
    pooled = pool_repeatability(tests, Bench())
    assert pooled.source == "repeated runs"
    assert pooled.degrees_of_freedom == 10 * (2 + 1 + 1)
    assert pooled.run_degrees_of_freedom == 4
    again = pool_repeatability(list(reversed(tests)), Bench())
    assert again.s_r == pytest.approx(pooled.s_r, rel=1e-12)
    assert again.s_between_runs == pytest.approx(pooled.s_between_runs, rel=1e-12)


def test_lifts_within_a_micrometre_are_one_lift():
    flows = true_curve(LIFTS)
    near = [lift + 0.9e-6 for lift in LIFTS]
    tests = [corrected("a", flows), corrected("a", flows * 1.01, lifts=near, run=2)]
    assert pool_repeatability(tests, Bench()).degrees_of_freedom == 10


def test_different_ports_variants_and_sides_are_no_repeats():
    tests = [*repeated(1), *repeated(1, port="2"), *repeated(1, variant="b"), *repeated(1, side="exhaust")]
    pooled = pool_repeatability(tests, Bench())
    assert pooled == Repeatability(None, None, "none")
    assert "flow at least one port twice" in why_not_assessed(pooled).lower()


def test_a_lift_read_twice_in_one_run_is_no_repeated_run():
    test = corrected("a", [0.1, 0.101, 0.102], lifts=[0.001, 0.001, 0.002])
    other = corrected("a", [0.05], lifts=[0.009], run=2)
    assert pool_repeatability([test, other], Bench()).source == "none"


def test_stated_counts_before_pooled_and_takes_its_split():
    pooled = pool_repeatability(repeated(3), Bench())
    stated = pool_repeatability(repeated(3), Bench(repeatability=0.01))
    assert (stated.s_r, stated.degrees_of_freedom, stated.source) == (0.01, math.inf, "stated")
    assert stated.s_between_runs / stated.s_within_run == pytest.approx(pooled.s_between_runs / pooled.s_within_run)
    assert math.hypot(stated.s_between_runs, stated.s_within_run) == pytest.approx(0.01)
    alone = pool_repeatability(repeated(1), Bench(repeatability=0.01))
    assert (alone.s_between_runs, alone.s_within_run) == (0.01, 0.0)


def test_identical_runs_pool_to_zero_and_leave_a_stated_value_a_shift():
    same = [corrected("a", true_curve(LIFTS), run=run) for run in (1, 2)]
    assert pool_repeatability(same, Bench()).s_r == 0.0
    assert pool_repeatability(same, Bench(repeatability=0.01)).s_between_runs == 0.01


def test_parts_of_one_run_stand_together():
    flows = true_curve(LIFTS)
    low = corrected("a", flows[:5], lifts=LIFTS[:5], file="low.csv")
    high = corrected("a", flows[5:], lifts=LIFTS[5:], file="high.csv")
    assert runs_of([low, high]) == ((low, high),)
    assert runs_of([low, corrected("a", flows[4:], lifts=LIFTS[4:])]) != ((low, high),)
    assert len(runs_of([low, replace(high, run=2)])) == 2
    other_day = corrected("a", flows[5:], lifts=LIFTS[5:], date="2025-03-02")
    assert len(runs_of([low, other_day])) == 2


def test_why_not_assessed_is_silent_where_it_is():
    assert why_not_assessed(Repeatability(0.0, math.inf, "stated")) is None


def test_few_repeats_are_reported_and_many_are_not():
    few = repeatability_findings(Repeatability(0.005, 20.0, "repeated runs", 0.004, 0.003, 2.0))
    assert [finding.severity for finding in few] == ["note"]
    assert "only 2 repeated runs" in few[0].message
    # sqrt(0.64·(4.303/2.086)² + 0.36) = 1.76, with t of the GUM's table G.2
    assert "factor of up to 1.8" in few[0].message
    one = repeatability_findings(Repeatability(0.005, 20.0, "repeated runs", 0.004, 0.003, 1.0))
    assert "only one repeated run:" in one[0].message
    for silent in (
        Repeatability(0.005, 400.0, "repeated runs", 0.004, 0.003, 40.0),
        Repeatability(0.005, 20.0, "repeated runs", 0.0, 0.005, 2.0),
        Repeatability(0.005, math.inf, "stated", 0.005, 0.0, 2.0),
        Repeatability(None, None, "none"),
    ):
        assert repeatability_findings(silent) == ()
