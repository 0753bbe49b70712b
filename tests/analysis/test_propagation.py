"""The law of propagation against the worked examples of the GUM."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowkit.analysis.propagation import student_t
from flowkit.analysis.uncertainty import Spread
from tests.published import gum
from tests.published import student_t as table
from tests.published.law import (
    Component,
    combine,
    correlation_of,
    effective_degrees_of_freedom,
    propagate,
    sensitivities,
)


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


def end_gauge(standard, difference, expansion, deviation, coefficient, temperature):
    """H.1, equation (H.3)."""
    return standard + difference - standard * (expansion * deviation + coefficient * temperature)


def test_end_gauge_h1():
    names, values, uncertainties, freedom = zip(*gum.END_GAUGE, strict=True)
    length, combined = propagate(end_gauge, values, uncertainties, names=names, degrees_of_freedom=freedom)
    assert length == pytest.approx(gum.END_GAUGE_LENGTH_NM, abs=0.5)
    assert combined.uncertainty == pytest.approx(gum.END_GAUGE_UNCERTAINTY_NM, abs=0.5)
    assert math.floor(combined.degrees_of_freedom) == gum.END_GAUGE_DEGREES_OF_FREEDOM
    # The Guide cuts ν down to 16 before it takes t from the table and 32 nm rounded: 93 nm.
    assert student_t(gum.END_GAUGE_DEGREES_OF_FREEDOM, 0.99) * combined.uncertainty == pytest.approx(
        gum.END_GAUGE_U99_NM, abs=0.5
    )
    assert combined.expanded(0.99) == pytest.approx(gum.END_GAUGE_U99_NM, abs=1.5)
    shares = {part.name: abs(part.contribution) for part in combined.components}
    # table H.1, last column: 25, 9.7, 2.9, 0, 0, 16.6 nm
    assert shares["difference of expansion coefficients"] == pytest.approx(2.9, abs=0.05)
    assert shares["difference of temperatures"] == pytest.approx(16.6, abs=0.1)
    assert shares["deviation of temperature"] == pytest.approx(0.0, abs=1e-3)


def test_end_gauge_difference_h13():
    combined = combine([Component("", u, 1.0, v) for u, v in gum.END_GAUGE_DIFFERENCE])
    assert combined.uncertainty == pytest.approx(gum.END_GAUGE_DIFFERENCE_NM, abs=0.05)
    # from inputs of two digits; the Guide's own figure is from unrounded ones
    assert combined.degrees_of_freedom == pytest.approx(gum.END_GAUGE_DIFFERENCE_FREEDOM, abs=0.3)


def test_welch_satterthwaite_g4():
    parts = [Component("", u, 1.0, v) for u, v in gum.PRODUCT]
    combined = combine(parts)
    assert combined.uncertainty == pytest.approx(gum.PRODUCT_UNCERTAINTY, abs=0.005)
    assert effective_degrees_of_freedom(parts) == pytest.approx(gum.PRODUCT_FREEDOM, abs=0.05)
    assert combined.expanded() == pytest.approx(gum.PRODUCT_U95, abs=0.05)


@pytest.fixture(scope="module")
def impedance():
    sets = (gum.VOLTAGE, gum.CURRENT, gum.PHASE)
    means = [sum(row) / 5 for row in sets]
    deviations = [math.sqrt(sum((x - mean) ** 2 for x in row) / 4 / 5) for row, mean in zip(sets, means, strict=True)]
    return means, deviations, correlation_of(sets)


def test_simultaneous_measurement_h2_inputs(impedance):
    means, deviations, correlation = impedance
    for got, printed, rounding in zip(means, gum.MEANS, gum.MEANS_ROUNDING, strict=True):
        assert got == pytest.approx(printed, abs=rounding)
    for got, printed, rounding in zip(deviations, gum.MEANS_UNCERTAINTY, gum.UNCERTAINTY_ROUNDING, strict=True):
        assert got == pytest.approx(printed, abs=rounding)
    assert correlation[0][1] == pytest.approx(gum.CORRELATION_VI, abs=gum.CORRELATION_ROUNDING)
    assert correlation[0][2] == pytest.approx(gum.CORRELATION_VPHI, abs=gum.CORRELATION_ROUNDING)
    assert correlation[1][2] == pytest.approx(gum.CORRELATION_IPHI, abs=gum.CORRELATION_ROUNDING)


FUNCTIONS = {
    "R": lambda v, i, phi: v / i * math.cos(phi),
    "X": lambda v, i, phi: v / i * math.sin(phi),
    "Z": lambda v, i, phi: v / i,
}


@pytest.mark.parametrize(("name", "value", "uncertainty"), gum.IMPEDANCE)
def test_simultaneous_measurement_h2_results(impedance, name, value, uncertainty):
    means, deviations, correlation = impedance
    got, combined = propagate(FUNCTIONS[name], means, deviations, correlation=correlation, degrees_of_freedom=[4.0] * 3)
    assert got == pytest.approx(value, abs=gum.IMPEDANCE_ROUNDING)
    assert combined.uncertainty == pytest.approx(uncertainty, abs=gum.IMPEDANCE_UNCERTAINTY_TOLERANCE)
    assert combined.degrees_of_freedom == 4.0


def test_sensitivities_of_a_product_and_at_zero():
    assert sensitivities(lambda a, b: a * b, [3.0, 5.0], [0.1, 0.0]) == pytest.approx((5.0, 3.0), rel=1e-7)
    assert sensitivities(lambda a: 2.0 * a, [0.0], [0.0]) == pytest.approx((2.0,))


def test_full_correlation_adds_linearly_and_opposite_cancels():
    parts = [Component("a", 3.0), Component("b", 4.0)]
    assert combine(parts, [[1.0, 1.0], [1.0, 1.0]]).uncertainty == pytest.approx(7.0)
    assert combine(parts, [[1.0, -1.0], [-1.0, 1.0]]).uncertainty == pytest.approx(1.0)
    with pytest.raises(ValueError, match="one row and one column"):
        combine(parts, [[1.0]])


def test_nothing_uncertain_has_an_interval_of_zero():
    combined = combine([Component("a", 0.0, 1.0, 3.0)])
    assert combined.uncertainty == 0.0
    assert combined.degrees_of_freedom == math.inf
    assert combined.expanded() == 0.0


def test_propagation_equals_the_uncertainties_package():
    import uncertainties
    from uncertainties import umath

    flow, pressure, check = (uncertainties.ufloat(m, s) for m, s in ((0.1, 4e-4), (2500.0, 25.0), (0.0953, 2e-4)))
    expected = flow * 0.0944 / check * umath.sqrt(6974.0 / pressure)
    value, combined = propagate(
        lambda q, p, c: q * 0.0944 / c * math.sqrt(6974.0 / p), [0.1, 2500.0, 0.0953], [4e-4, 25.0, 2e-4]
    )
    assert value == pytest.approx(expected.nominal_value, rel=1e-12)
    assert combined.uncertainty == pytest.approx(expected.std_dev, rel=1e-7)


@given(
    st.tuples(st.floats(1e-4, 1e-1), st.floats(1, 60)),
    st.tuples(st.floats(1e-4, 1e-1), st.floats(1, 60)),
    st.floats(0, 1e-1),
)
def test_a_gain_s_parts_combine_by_the_same_law(run, plate, known):
    """Repeats and check plates with their degrees of freedom, stated terms with none: GUM, equation (G.2b)."""
    one = np.array([1.0])
    spread = Spread(
        run[0] ** 2 * one, run[1] * one, plate[0] ** 2 * one, plate[1], {"drift": known**2 * one}, "runs", False
    )
    parts = [Component("", *run[:1], 1.0, run[1]), Component("", plate[0], 1.0, plate[1])]
    combined = combine([*parts, Component("", known, 1.0, math.inf)])
    assert math.sqrt(spread.total[0]) == pytest.approx(combined.uncertainty, rel=1e-12)
    assert spread.effective()[0] == pytest.approx(combined.degrees_of_freedom, rel=1e-9)


def test_a_known_and_an_estimated_part_of_a_gain():
    """suncal 1.7.0, test/test_examples.py: 0.57 with 9 degrees of freedom and 0.25 known have 12.8."""
    one = np.array([1.0])
    spread = Spread(0.57**2 * one, 9 * one, 0 * one, 0.0, {"drift": 0.25**2 * one}, "runs", False)
    assert spread.effective()[0] == pytest.approx(12.8, abs=0.05)
