"""Sentences tried out on invented benches: what only scatter did is not told, what is true is."""

from __future__ import annotations

import numpy as np
import pytest

from flowkit.analysis import compare
from flowkit.analysis.results import Comparison
from flowkit.model import Bench, Variant
from tests.analysis.bench_heads import LIFTS, corrected, noisy_run, true_curve

pytestmark = pytest.mark.slow

TRIES = 60
MOST = 7
"""Of 60 tries at 5 % each: more than seven would happen once in sixty (binomial), and the tries are seeded."""


def bench_job(seed: int, gains: list[np.ndarray | float], *, ports: int, shift: float, scatter: float) -> Comparison:
    """Variants of a head with equal ports, each flowed once, on a bench whose scatter is stated as it is."""
    rng = np.random.default_rng(seed)
    heads = []
    for place, gain in enumerate(gains):
        runs = [noisy_run(rng, true_curve(LIFTS) * gain, shift, scatter) for _ in range(ports)]
        tests = tuple(corrected(f"v{place}", run, port=str(port)) for port, run in enumerate(runs, 1))
        heads.append(Variant(f"v{place}", corrected=tests))
    return compare(heads, bench=Bench(repeatability=float(np.hypot(shift, scatter))))


def told(result: Comparison, start: str) -> str:
    return next((text for text in result.sentences if text.startswith(start)), "")


@pytest.mark.slow
def test_equal_ports_are_rarely_said_to_lag() -> None:
    """Eight equal ports, a run's shift of 1.5 %: one of them is always lowest."""
    claims = sum(bool(told(bench_job(seed, [1.0], ports=8, shift=0.015, scatter=0.0), "Lagging")) for seed in range(60))
    assert claims <= MOST


def test_a_port_that_lags_is_told() -> None:
    rng = np.random.default_rng(3)
    flows = [noisy_run(rng, true_curve(LIFTS), 0.005, 0.0) * (0.93 if port == 3 else 1.0) for port in range(4)]
    tests = tuple(corrected("v", flow, port=str(port)) for port, flow in enumerate(flows))
    assert "intake port 3 of 'v'" in told(
        compare([Variant("v", corrected=tests)], bench=Bench(repeatability=0.005)), "Lagging"
    )


@pytest.mark.slow
@pytest.mark.parametrize("gains", [[1.0, 1.05], [1.0, 1.02, 1.05, 1.06]])
def test_a_gain_that_is_the_same_everywhere_is_rarely_said_to_differ(gains: list[float]) -> None:
    """Only points scatter, which is the worst for it."""
    claims = 0
    for seed in range(TRIES):
        text = told(bench_job(seed, [*gains], ports=1, shift=0.0, scatter=0.004), "Along the lift")
        claims += "between" in text
    assert claims <= MOST


def test_a_gain_that_differs_along_the_lift_is_told() -> None:
    slanted = 1.0 + 0.1 * np.asarray(LIFTS) / max(LIFTS)
    rng = np.random.default_rng(1)
    heads = [
        Variant(name, corrected=tuple(
            corrected(name, noisy_run(rng, true_curve(LIFTS) * gain, 0.002, 0.002), port=port, run=run)
            for port in "12" for run in (1, 2)
        ))
        for name, gain in (("a", 1.0), ("b", slanted))
    ]  # fmt: skip
    text = told(compare(heads), "Along the lift")
    assert "(low lift)" in text
    assert "(high lift)" in text
