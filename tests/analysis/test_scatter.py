"""The variance function at one lift against a general-purpose library, and the studentised range against scipy's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from flowkit.analysis.curves import resolution
from flowkit.analysis.scatter import gamma_regression
from flowkit.analysis.uncertainty import History, studentized_range, with_history
from flowkit.model import CorrectedPoint
from tests.analysis.heads import corrected


def table(seed: int, constant: float, per_slope: float):
    """Mean squares at seven lifts, gamma distributed about c + u²·x."""
    rng = np.random.default_rng(seed)
    freedom = np.array([3.0, 4.0, 4.0, 5.0, 5.0, 5.0, 4.0])
    x = np.array([250.0, 160.0, 90.0, 40.0, 15.0, 5.0, 1.0]) ** 2
    squares = (constant + per_slope * x) * rng.chisquare(freedom)
    return squares, squares / freedom, freedom, x


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_the_variance_function_is_that_of_a_gamma_regression(seed):
    # Source: statsmodels' generalised linear model, gamma family, identity link, weights ν/2
    models = pytest.importorskip("statsmodels.api")
    squares, mean_squares, freedom, x = table(seed, 9e-6, 4e-10)
    family = models.families.Gamma(link=models.families.links.Identity())
    design = np.column_stack([np.ones_like(x), x / x.mean()])
    start = np.array([mean_squares.mean() / 2, mean_squares.mean() / 2])
    fit = models.GLM(mean_squares, design, family=family, var_weights=freedom / 2).fit(start_params=start, maxiter=500)
    expected = fit.params / np.array([1.0, x.mean()])
    assert min(expected) > 0  # inside the bounds, where the two must agree
    constant, per_slope, covariance = gamma_regression(squares, freedom, x)
    assert [constant, per_slope] == pytest.approx(expected, rel=1e-4)
    # the library's covariance is for a dispersion of 1 (mean squares with ν/2 in the weights)
    theirs = fit.cov_params(scale=1.0) / np.outer([1.0, x.mean()], [1.0, x.mean()])
    assert covariance == pytest.approx(theirs, rel=2e-3)


def test_a_flat_scatter_has_one_mean_where_there_are_two_lifts():
    squares, mean_squares, freedom, x = table(1, 9e-6, 0.0)
    constant, per_slope, covariance = gamma_regression(squares[:2], freedom[:2], x[:2])
    level = float(freedom[:2] @ mean_squares[:2] / freedom[:2].sum())
    assert (constant, per_slope) == (pytest.approx(level), 0.0)
    assert covariance[0, 0] == pytest.approx(2 * level**2 / freedom[:2].sum())


@pytest.mark.parametrize("groups", [2, 3, 8])
@pytest.mark.parametrize("freedom", [1.0, 1.7, 6.0, 1e9])
def test_the_studentised_range_is_scipys(groups, freedom):
    assert studentized_range(groups, freedom) == pytest.approx(
        stats.studentized_range.ppf(0.95, groups, freedom), rel=1e-6
    )


@pytest.mark.parametrize(
    ("flows", "step"),
    [
        ((10.0, 20.0, 30.0, 40.0, 55.0, 65.0), 5.0),  # six flows: fives are a step
        ((10.0, 20.0, 30.0, 40.0, 55.0), 1.0),  # five flows: only a power of ten
        ((10.1, 20.2, 30.3, 41.1, 55.0, 65.7), 0.1),
        ((100.0, 200.0, 300.0, 400.0, 520.0, 640.0), 20.0),
    ],
)
def test_the_step_in_which_readings_were_written(flows, step):
    test = corrected({0.001 * (at + 1): flow / 1000 for at, flow in enumerate(flows)})
    points = tuple(CorrectedPoint(p.lift_m, p.flow_m3_s, None, p.source, p.flow_m3_s) for p in test.points)
    written = replace(test, points=points)
    assert resolution(written) == pytest.approx(step / 1000, rel=1e-9)


def test_history_counts_with_eight_degrees_of_freedom_at_most_and_is_left_out_where_the_bench_is_worse():
    # Spec section 7: (8·s_h² + ν·s²)/(8 + ν); F_0.95(2, 30) = 3.316, any F table
    s2, freedom, used = with_history(4e-6, 2.0, History(0.002, 30.0))
    assert (s2, freedom, used) == (pytest.approx(4e-6), 10.0, True)
    assert with_history(3.32 * 4e-6, 2.0, History(0.002, 30.0)) == (pytest.approx(3.32 * 4e-6), 2.0, False)
    assert with_history(3.31 * 4e-6, 2.0, History(0.002, 30.0))[2]
