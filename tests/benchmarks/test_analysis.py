"""The Monte Carlo against the same draws in a Python loop of scipy calls."""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from flowkit.analysis.results import Repeatability
from flowkit.analysis.runs import sessions_of
from flowkit.analysis.uncertainty import draw_mean_flows, port_noise
from flowkit.model import Bench, Reference
from tests.analysis.bench_heads import corrected, side_of, true_curve

DRAWS, PORTS, LIFTS = 10_000, 8, tuple(0.001 * step for step in range(1, 13))
RANGE = (LIFTS[0], LIFTS[-1])
LOOP_DRAWS = 40
BENCH = Bench(drift=0.002, pressure_reading_pa=20.0, lift_setting_m=2e-5)
KNOWN = Repeatability(0.005, 40.0, "repeated runs", 0.004, 0.003)


@pytest.fixture(scope="module")
def ports():
    """Two variants of eight ports at twelve lifts, two runs each, on two days."""
    tests = {
        variant: [
            corrected(
                variant, factor * true_curve(LIFTS, 0.1 + 0.001 * port), lifts=LIFTS, port=str(port), run=run, date=date
            )
            for port in range(PORTS)
            for run in (1, 2)
        ]
        for variant, factor, date in (("a", 1.0, "2025-03-01"), ("b", 1.05, "2025-03-08"))
    }
    sessions = sessions_of(test for group in tests.values() for test in group)
    return [port_noise(curve, sessions, Reference(), BENCH) for side in side_of(tests) for curve in side.ports]


def loop(ports, draws):
    """The same draws one by one: scipy's interpolator and its integral for every port."""
    rng = np.random.default_rng(1)
    means = np.empty((len(ports), draws))
    for draw in range(draws):
        scale = np.sqrt(KNOWN.degrees_of_freedom / rng.chisquare(KNOWN.degrees_of_freedom))
        drift, pressure = rng.standard_normal((2, ports[0].session_share.shape[1]))
        law = rng.uniform(-1.0, 1.0)
        for place, port in enumerate(ports):
            relative = port.run_share @ (scale * 0.004 * rng.standard_normal(port.run_share.shape[1]))
            relative += scale * 0.003 * np.sqrt(port.scatter_share) * rng.standard_normal(len(port.lifts_m))
            relative += port.session_share @ (BENCH.drift * drift) + port.pressure_effect @ pressure + port.law * law
            setting = port.slope_m2_s * BENCH.lift_setting_m * rng.standard_normal(len(port.lifts_m))
            flow = port.flow_m3_s * (1.0 + relative) + setting
            means[place, draw] = PchipInterpolator(port.lifts_m, flow).integrate(*RANGE) / (RANGE[1] - RANGE[0])
    return means


def test_monte_carlo_is_a_hundred_times_faster_than_a_loop(benchmark, ports):
    start = time.perf_counter()
    looped = loop(ports, LOOP_DRAWS)
    in_a_loop = (time.perf_counter() - start) * DRAWS / LOOP_DRAWS
    drawn = benchmark(draw_mean_flows, ports, RANGE, KNOWN, BENCH, draws=DRAWS)
    # the loop draws the same thing: means agree within five standard errors of the loop's mean
    error = drawn.std(axis=1) / np.sqrt(LOOP_DRAWS)
    assert np.all(np.abs(looped.mean(axis=1) - drawn.mean(axis=1)) < 5.0 * error)
    ratio = in_a_loop / benchmark.stats.stats.median
    benchmark.extra_info["loop over vectorised"] = round(ratio)
    assert ratio > 100.0
