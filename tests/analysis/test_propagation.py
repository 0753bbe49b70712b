"""Student's t and effective degrees of freedom against the worked examples of the GUM."""

import math

import pytest

from flowkit.analysis.uncertainty import effective_degrees_of_freedom, student_t
from tests.published import gum
from tests.published import student_t as table


@pytest.mark.parametrize(("freedom", "t95", "t99"), table.T)
def test_student_t_meets_table_g2(freedom, t95, t99):
    assert student_t(freedom) == pytest.approx(t95, abs=table.T_ROUNDING)
    assert student_t(freedom, 0.99) == pytest.approx(t99, abs=table.T_ROUNDING)


@pytest.mark.parametrize(("freedom", "t95", "t99"), table.T_FINE)
def test_student_t_meets_table_g2_at_its_foot(freedom, t95, t99):
    assert student_t(freedom) == pytest.approx(t95, abs=table.T_FINE_ROUNDING)
    assert student_t(freedom, 0.99) == pytest.approx(t99, abs=table.T_FINE_ROUNDING)


def test_student_t_equals_scipy_stats_for_broken_degrees_of_freedom():
    from scipy import stats

    # Its distribution, not its quantile, which was exact to 2e-9 only in scipy's older versions.
    for freedom in (0.7, 1.5, 5.3, 16.7, 333.3):
        assert stats.t.sf(student_t(freedom), freedom) == pytest.approx(0.025, rel=1e-13)


@pytest.mark.parametrize("freedom", [0.0, -1.0, math.nan])
def test_student_t_refuses_no_degrees_of_freedom(freedom):
    with pytest.raises(ValueError, match="degrees of freedom"):
        student_t(freedom)


@pytest.mark.parametrize("probability", [0.0, 1.0, 95.0])
def test_student_t_refuses_a_probability_that_is_none(probability):
    with pytest.raises(ValueError, match="between 0 and 1"):
        student_t(5.0, probability)


def test_end_gauge_h1():
    # table H.1, last column: the shares in nm
    variances, freedoms = zip(*((u**2, nu) for u, nu in gum.END_GAUGE_SHARES), strict=True)
    assert math.floor(effective_degrees_of_freedom(variances, freedoms)) == gum.END_GAUGE_DEGREES_OF_FREEDOM
    uncertainty = math.sqrt(sum(variances))
    assert uncertainty == pytest.approx(gum.END_GAUGE_UNCERTAINTY_NM, abs=0.5)
    # The Guide cuts ν down to 16 before it takes t from the table and 32 nm rounded: 93 nm.
    assert student_t(gum.END_GAUGE_DEGREES_OF_FREEDOM, 0.99) * uncertainty == pytest.approx(
        gum.END_GAUGE_U99_NM, abs=0.5
    )


def test_end_gauge_difference_h13():
    variances, freedoms = zip(*((u**2, nu) for u, nu in gum.END_GAUGE_DIFFERENCE), strict=True)
    # from inputs of two digits; the Guide's own figure is from unrounded ones
    assert effective_degrees_of_freedom(variances, freedoms) == pytest.approx(gum.END_GAUGE_DIFFERENCE_FREEDOM, abs=0.3)


def test_welch_satterthwaite_g4():
    variances, freedoms = zip(*((u**2, nu) for u, nu in gum.PRODUCT), strict=True)
    freedom = float(effective_degrees_of_freedom(variances, freedoms))
    assert freedom == pytest.approx(gum.PRODUCT_FREEDOM, abs=0.05)
    assert student_t(freedom) * math.sqrt(sum(variances)) == pytest.approx(gum.PRODUCT_U95, abs=0.05)


def test_known_parts_and_none_leave_the_normal_distribution():
    assert effective_degrees_of_freedom([1.0, 0.0], [math.inf, 3.0]) == math.inf
    assert effective_degrees_of_freedom([0.0], [3.0]) == math.inf
