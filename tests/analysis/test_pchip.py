"""The curves of many draws against scipy's interpolator."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid
from scipy.interpolate import PchipInterpolator

from flowkit.analysis.lifts import MonotoneCubic, curve_derivative, curve_integral, curve_value, slopes

CURVES = st.integers(2, 14).flatmap(
    lambda n: st.tuples(
        st.lists(st.floats(1e-4, 3e-3), min_size=n - 1, max_size=n - 1),
        st.lists(st.sampled_from([0.0, 1.0, 2.0]) | st.floats(-5.0, 20.0), min_size=n, max_size=n),
        st.floats(0.0, 1.0),
        st.floats(0.0, 1.0),
    )
)


@settings(max_examples=150, deadline=None)
@given(CURVES)
def test_equal_to_scipy_to_rounding(curve):
    """Values, derivatives and integrals, flat stretches and turning points included."""
    gaps, flows, a, b = curve
    lifts = 0.001 + np.concatenate(([0.0], np.cumsum(gaps)))
    flow = np.column_stack([flows, flows[::-1], np.cumsum(np.abs(flows))]) * 1e-2
    reference = PchipInterpolator(lifts, flow)
    ours = slopes(lifts, flow)
    size = 1e-12 * (np.abs(flow).max() + 1e-30)
    steep = size / np.diff(lifts).min()
    assert ours == pytest.approx(reference(lifts, 1), abs=20 * steep)
    low, high = sorted(lifts[0] + part * (lifts[-1] - lifts[0]) for part in (a, b))
    for at in (low, high, lifts[0], lifts[-1]):
        assert curve_value(lifts, flow, ours, at) == pytest.approx(reference(at), abs=10 * size)
        assert curve_derivative(lifts, flow, ours, at) == pytest.approx(reference(at, 1), abs=60 * steep)
    for limits in ((low, high), (lifts[0], lifts[-1])):
        area = curve_integral(lifts, flow, *limits)
        assert area == pytest.approx(reference.integrate(*limits), abs=10 * size * (lifts[-1] - lifts[0]))


@settings(max_examples=100, deadline=None)
@given(CURVES)
def test_many_places_at_once_and_nothing_outside(curve):
    """scipy without extrapolation; places of any shape on one curve and on several."""
    gaps, flows, a, b = curve
    lifts = 0.001 + np.concatenate(([0.0], np.cumsum(gaps)))
    places = lifts[0] + np.array([[a, b, 0.0], [1.0, -0.01, 1.01]]) * (lifts[-1] - lifts[0])
    for values in (np.array(flows), np.column_stack([flows, flows[::-1]])):
        with np.errstate(over="ignore"):  # scipy divides by flows of 1e-300
            reference = PchipInterpolator(lifts, values, extrapolate=False)
        ours = MonotoneCubic(lifts, values)
        size = 1e-11 * (np.abs(values).max() + 1e-30)
        steep = 6 * size / np.diff(lifts).min()
        inner = lifts[0] + np.array([a, b]) * (lifts[-1] - lifts[0])
        assert ours(places) == pytest.approx(reference(places), abs=size, nan_ok=True)
        assert ours.derivative(inner) == pytest.approx(reference(inner, 1), abs=steep)
        assert ours(float(inner[0])) == pytest.approx(reference(inner[0]), abs=size)
        low, high = sorted(inner.tolist())
        assert ours.integrate(low, high) == pytest.approx(reference.integrate(low, high), abs=size)
    assert np.isnan(ours(lifts[0] - 1e-9)).all()
    assert np.isnan(ours(np.nan)).all()


def test_trapezoid_equals_numpy_on_the_broken_line():
    lifts, flow = np.array([1.0, 2.0, 4.0, 5.0]), np.array([3.0, 5.0, 6.0, 6.5])
    fine = np.array([1.5, 2.0, 4.0, 4.25])
    expected = trapezoid(np.interp(fine, lifts, flow), fine)
    assert curve_integral(lifts, flow, 1.5, 4.25, method="trapezoid") == pytest.approx(expected, rel=1e-14)
    assert curve_integral(lifts, flow, 2.0, 2.0) == 0.0


def test_inputs_stay_as_they_are():
    lifts, flow = np.array([1.0, 2.0, 4.0]), np.array([[3.0], [5.0], [4.0]])
    before = flow.copy()
    curve_integral(lifts, flow, 1.0, 4.0)
    assert np.array_equal(flow, before)
