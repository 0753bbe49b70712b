"""Monte Carlo of the curve figures: against closed forms where the figure is linear, and coverage."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from flowkit.analysis.results import Repeatability
from flowkit.analysis.runs import pool_repeatability, sessions_of
from flowkit.analysis.uncertainty import (
    BLOCK,
    Interval,
    assess_side,
    draw_mean_flows,
    gain_interval,
    interval_of,
    mean_flow,
    port_noise,
    spread_interval,
)
from flowkit.corrections.pressure import pressure_factor
from flowkit.model import INH2O_PA, Bench, Reference
from tests.analysis.bench_heads import LIFTS, P28, corrected, noisy_run, pair_of, side_of, true_curve

FLOWS = true_curve(LIFTS)
RANGE = (LIFTS[0], LIFTS[-1])
MANY = 200_000
# Standard error of half the interval from 200 000 draws of a normal figure: 0.22 % (quantile
# errors sqrt(p(1 - p)/N)/density at both ends); held to four of them.
TOLERANCE = 0.009
NORMAL = stats.norm.ppf(0.975)


def noise_of(tests, bench=Bench(), reference=Reference()):
    """All ports of one side as arrays."""
    sides = side_of(tests)
    sessions = sessions_of(test for group in tests.values() for test in group)
    return [port_noise(curve, sessions, reference, bench) for side in sides for curve in side.ports]


def half(ports, repeatability, bench=Bench(), method="trapezoid", draws=MANY):
    """Half the relative interval of each port's mean flow."""
    drawn = draw_mean_flows(ports, RANGE, repeatability, bench, draws=draws, method=method)
    return [
        interval_of(row).half / float(mean_flow(port.lifts_m, port.flow_m3_s, RANGE, method))
        for row, port in zip(drawn, ports, strict=True)
    ]


def trapezoid_weights():
    """What each of the evenly spaced lifts counts in the trapezoidal mean."""
    weights = np.full(len(LIFTS), 1.0)
    weights[[0, -1]] = 0.5
    return weights / weights.sum()


def test_shift_of_runs_does_not_average_out_along_the_curve():
    ports = noise_of({"a": [corrected("a", FLOWS, run=run) for run in (1, 2)]})
    stated = Repeatability(0.005, math.inf, "stated", 0.005, 0.0)
    for method in ("trapezoid", "pchip"):
        assert half(ports, stated, method=method)[0] == pytest.approx(NORMAL * 0.005 / math.sqrt(2), rel=TOLERANCE)


def test_scatter_averages_out_as_the_linear_figure_says():
    """Trapezoidal mean: u² = Σ(c·Q)²·s_w²/n over the square of Σ c·Q."""
    ports = noise_of({"a": [corrected("a", FLOWS, run=run) for run in (1, 2, 3)]})
    terms = trapezoid_weights() * FLOWS
    expected = NORMAL * 0.005 * math.sqrt(np.sum(terms**2) / 3) / terms.sum()
    assert half(ports, Repeatability(0.005, math.inf, "stated", 0.0, 0.005))[0] == pytest.approx(
        expected, rel=TOLERANCE
    )


def test_lift_setting_averages_out_over_points_but_not_over_runs():
    ports = noise_of({"a": [corrected("a", FLOWS, run=run) for run in (1, 2)]})
    slope = ports[0].slope_m2_s
    weights = trapezoid_weights()
    expected = NORMAL * 5e-5 * math.sqrt(np.sum((weights * slope) ** 2)) / float(weights @ FLOWS)
    exact = Repeatability(0.0, math.inf, "stated", 0.0, 0.0)
    assert half(ports, exact, Bench(lift_setting_m=5e-5))[0] == pytest.approx(expected, rel=TOLERANCE)


@pytest.mark.parametrize(("shift", "scatter"), [(0.005, 0.0), (0.0, 0.005)])
def test_few_degrees_of_freedom_widen_to_students_t(shift, scatter):
    ports = noise_of({"a": [corrected("a", FLOWS)]})
    terms = trapezoid_weights() * FLOWS
    known = math.hypot(shift, scatter * math.sqrt(np.sum(terms**2)) / terms.sum())
    pooled = Repeatability(0.005, 4.0, "repeated runs", shift, scatter)
    # heavier tails: the standard error is 0.35 % at 4 degrees of freedom
    assert half(ports, pooled)[0] == pytest.approx(stats.t.ppf(0.975, 4) * known, rel=0.014)


def test_pchip_mean_flow_equals_the_uncertainties_package_to_first_order():
    """Derivatives of scipy's integral by every point, carried through `uncertainties`."""
    import uncertainties
    from scipy.interpolate import PchipInterpolator

    lifts = np.asarray(LIFTS)

    def area(*flows):
        return float(PchipInterpolator(lifts, flows).integrate(*RANGE)) / (RANGE[1] - RANGE[0])

    points = [uncertainties.ufloat(flow, 0.004 * flow) for flow in FLOWS]
    expected = uncertainties.wrap(area)(*points)
    ports = noise_of({"a": [corrected("a", FLOWS)]})
    got = half(ports, Repeatability(0.004, math.inf, "stated", 0.0, 0.004), method="pchip")[0]
    assert got == pytest.approx(NORMAL * expected.std_dev / expected.nominal_value, rel=TOLERANCE)


def test_a_session_is_shared_by_all_that_was_flowed_in_it():
    """Drift: √2·u_d between two sessions, nothing within one; reading error likewise."""
    bench = Bench(drift=0.003, pressure_reading_pa=40.0)
    exact = Repeatability(0.0, math.inf, "stated", 0.0, 0.0)
    for date, expected in (
        ("2025-03-01", 0.0),
        ("2025-03-08", NORMAL * math.sqrt(2 * 0.003**2 + 2 * (0.5 * 40 / P28) ** 2)),
    ):
        ports = noise_of({"a": [corrected("a", FLOWS)], "b": [corrected("b", FLOWS, date=date)]}, bench)
        before, after = draw_mean_flows(ports, RANGE, exact, bench, draws=MANY)
        interval = gain_interval(before[np.newaxis], after[np.newaxis])
        assert interval.half == pytest.approx(expected, rel=TOLERANCE, abs=1e-12)


def test_pressure_laws_are_one_uniform_error_that_cancels_at_one_pressure():
    p10 = 10 * INH2O_PA
    factors = [pressure_factor(law, "intake", p10, P28, 101_325.0) for law in ("square-root", "compressible")]
    exact = Repeatability(0.0, math.inf, "stated", 0.0, 0.0)
    tests = {
        "a": [corrected("a", FLOWS, pressure=p10)],
        "b": [corrected("b", FLOWS)],
        "c": [corrected("c", 1.1 * FLOWS, pressure=p10)],
    }
    a, b, c = draw_mean_flows(noise_of(tests), RANGE, exact, Bench(), draws=MANY)
    # a uniform error of half width a has the 95 % interval ±0.95·a
    between = interval_of(np.log(a / b)).half
    assert between == pytest.approx(0.95 * math.log(factors[0] / factors[1]), rel=0.003)
    assert gain_interval(a[np.newaxis], c[np.newaxis]).half == pytest.approx(0.0, abs=1e-12)


def test_interval_and_spread_by_hand():
    assert Interval(0.01, 0.05).excludes_zero and Interval(-0.05, -0.01).excludes_zero
    assert not Interval(-0.01, 0.05).excludes_zero
    assert Interval(-0.01, 0.05).half == pytest.approx(0.03)
    assert spread_interval(np.array([[1.0], [2.0], [3.0]])) == Interval(1.0, 1.0)


def test_range_of_one_lift_is_the_flow_there():
    lifts = np.asarray(LIFTS)
    assert mean_flow(lifts, FLOWS, (LIFTS[3], LIFTS[3])) == pytest.approx(FLOWS[3])
    assert mean_flow(lifts[:1], FLOWS[:1], (LIFTS[0], LIFTS[0])) == FLOWS[0]


def test_blocks_do_not_show():
    """More draws than one block: the first block is the same, the rest goes on from it."""
    ports = noise_of({"a": [corrected("a", FLOWS)], "b": [corrected("b", 1.1 * FLOWS)]})
    known = Repeatability(0.004, 12.0, "repeated runs", 0.003, 0.002)
    one = draw_mean_flows(ports, RANGE, known, Bench(), draws=BLOCK)
    more = draw_mean_flows(ports, RANGE, known, Bench(), draws=BLOCK + 7)
    assert np.array_equal(more[:, :BLOCK], one)
    assert np.isfinite(more).all() and len(np.unique(more[0])) == BLOCK + 7


BENCH = Bench(drift=0.002, pressure_reading_pa=20.0, lift_setting_m=2e-5)
KNOWN = Repeatability(0.004, 24.0, "repeated runs", 0.003, 0.002)


def head(names=("1", "2", "3"), scale=1.0, order=1):
    """Two variants of three uneven ports, two runs each."""
    peaks = (0.1, 0.103, 0.098)
    tests = {}
    for variant, gain, date in (("a", 1.0, "2025-03-01"), ("b", 1.04, "2025-03-05"))[::order]:
        group = [
            corrected(variant, scale * gain * true_curve(LIFTS, peak), port=name, run=run, date=date)
            for name, peak in zip(names, peaks, strict=True)
            for run in (1, 2)
        ]
        tests[variant] = group[::order]
    return tests


def assess(tests, before="a", after="b", **more):
    """The whole side, comparing two named variants."""
    sides = {side.name: side for side in side_of(tests)}
    pair = pair_of(sides[before], sides[after])
    lifts = [list(LIFTS)] * len(sides)
    return assess_side(tuple(sides.values()), [pair], RANGE, lifts, Reference(), BENCH, KNOWN, **more)


def test_same_answer_every_time_and_another_seed_another():
    assert assess(head()) == assess(head())
    other = assess(head(), seed=7)
    assert other.gain_u95 != assess(head()).gain_u95
    assert other.gain_u95[0] == pytest.approx(assess(head()).gain_u95[0], rel=0.05)


def test_order_of_variants_tests_and_runs_changes_nothing():
    plain, turned = assess(head()), assess(head(order=-1))
    assert turned.gain_interval[0] == pytest.approx(plain.gain_interval[0], rel=1e-12)
    assert turned.mean_flow_u95[::-1] == pytest.approx(plain.mean_flow_u95, rel=1e-12)
    assert turned.spread_u95[::-1] == pytest.approx(plain.spread_u95, rel=1e-12)


def test_order_changes_nothing_where_two_states_flow_the_same():
    tests = {name: [replace(test, variant=name) for test in head()["a"]] for name in "ab"}
    turned = dict(reversed(tests.items()))
    assert assess(turned).gain_interval == assess(tests).gain_interval


def test_names_of_ports_and_scale_of_flows_change_nothing():
    plain = assess(head())
    for other in (assess(head(names=("rear", "10", "2"))), assess(head(scale=0.3048**3))):
        assert other.gain_interval[0] == pytest.approx(plain.gain_interval[0], rel=1e-9)
        assert other.spread_u95 == pytest.approx(plain.spread_u95, rel=1e-9)
        assert other.per_lift_u95[0] == pytest.approx(plain.per_lift_u95[0], rel=1e-9)


def test_splitting_a_run_over_files_changes_nothing():
    tests = head()
    split = {}
    for variant, group in tests.items():
        split[variant] = [
            replace(test, id=f"{test.id}/{part}", file=f"{part}.csv", points=test.points[window])
            for part, window in (("low", slice(None, 4)), ("high", slice(4, None)))
            for test in group
        ]
    plain, other = assess(tests), assess(split)
    assert other.gain_interval[0] == pytest.approx(plain.gain_interval[0], rel=1e-12)
    assert other.spread_u95 == pytest.approx(plain.spread_u95, rel=1e-12)
    assert other.flow_u95[0] == pytest.approx(plain.flow_u95[0], rel=1e-12)


def test_swapping_baseline_and_variant_inverts_the_interval():
    there, back = assess(head()), assess(head(), before="b", after="a")
    low, high = there.gain_interval[0]
    # quantiles of a reciprocal are reciprocals up to the interpolation between two draws
    assert back.gain_interval[0] == pytest.approx((1 / (1 + high) - 1, 1 / (1 + low) - 1), rel=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize(("shift", "scatter"), [(0.0, 0.004), (0.003, 0.003)])
def test_intervals_cover_the_true_gain(shift, scatter):
    """400 invented comparisons with a true gain of 3 %: about 95 % of the intervals hold it.

    Three binomial standard errors of 1.1 % to either side of 95 %, less 0.8 % below: the shift's
    24 repeats count as 96, which is t95 = 1.98 for 2.06. Fewer repeats would show, and are
    reported by the rule few-repeats.
    """
    rng = np.random.default_rng(20_260_101)
    lifts, gain, experiments = LIFTS[::3], 0.03, 400
    curves = [true_curve(lifts, 0.1 + 0.001 * port) for port in range(2)]
    held = held_at_lift = 0
    for _ in range(experiments):
        tests = {
            variant: [
                corrected(variant, factor * noisy_run(rng, curve, shift, scatter), lifts=lifts, port=str(port), run=run)
                for port, curve in enumerate(curves)
                for run in range(1, 8)
            ]
            for variant, factor in (("a", 1.0), ("b", 1.0 + gain))
        }
        sides = side_of(tests)
        pooled = pool_repeatability([test for group in tests.values() for test in group], Bench())
        pair, range_m = pair_of(*sides), (lifts[0], lifts[-1])
        result = assess_side(sides, [pair], range_m, [[], []], Reference(), Bench(), pooled, draws=2000)
        low, high = result.gain_interval[0]
        held += low <= gain <= high
        measured = float(sides[1].flow(lifts[2]) / sides[0].flow(lifts[2])) - 1.0
        held_at_lift += abs(measured - gain) <= result.per_lift_u95[0][2]
    assert 0.909 <= held / experiments <= 0.983
    assert 0.909 <= held_at_lift / experiments <= 0.983
