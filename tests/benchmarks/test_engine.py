"""The filling model against the same cylinder in a Cantera reactor network, and its cost over lanes."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from flowkit.engine.exchange import Passage, Setup
from flowkit.engine.filling import simulate_filling
from tests.engine.cantera_network import run, tabulated
from tests.engine.samples import CAMS, ENGINE, area
from tests.engine.test_filling import network, simulate

SPEEDS = tuple(float(speed) for speed in range(1500, 7201, 300))
LIKE_CANTERA = replace(ENGINE, gamma="constant", gamma_value=1.35, heat_transfer="none", intake_backflow="fresh")
CYCLES = 6


def sweep(variants: int, *, plain: bool = True) -> Callable[[], object]:
    """Twenty speeds of so many variants, to convergence."""
    scales = [1.0 + 0.05 * place for place in range(variants)]
    engine = LIKE_CANTERA if plain else ENGINE

    def work() -> object:
        return simulate_filling(
            [
                Setup(
                    replace(engine, speeds_rpm=SPEEDS),
                    Passage.tabulate(CAMS["intake"], lambda lift, k=k: area(lift, k)),
                    Passage.tabulate(CAMS["exhaust"], lambda lift, k=k: area(lift, 0.8 * k)),
                )
                for k in scales
            ]
        )

    return work


def seconds(function: Callable[[], object]) -> float:
    """Processor time of one call [s]: others may be at work on the machine."""
    start = time.process_time()
    function()
    return time.process_time() - start


def test_sweep_against_a_cantera_network(benchmark) -> None:
    """Sixty lanes here against sixty networks, of which three are run, at the tolerance that makes them as accurate.

    The network gets its areas from tables, its best code: Python curves of numpy calls cost it six times as much.
    """
    benchmark.pedantic(sweep(3), rounds=2, iterations=1)
    ours = min(seconds(sweep(3)) for _ in range(3))
    chosen = (1500.0, 4500.0, 7200.0)
    plain = network(LIKE_CANTERA)
    plain = replace(
        plain,
        intake_area=tabulated(plain.intake_area, plain.intake_period),
        exhaust_area=tabulated(plain.exhaust_area, plain.exhaust_period),
    )

    def trapped(rtol: float, cycles: int = CYCLES) -> np.ndarray:
        return np.array([run(plain, speed, cycles, rtol=rtol, step_deg=720.0).trapped_mass for speed in chosen])

    theirs = min(seconds(lambda: trapped(1e-6)) for _ in range(2))
    tight = trapped(1e-9, CYCLES + 3)
    their_error = np.max(np.abs(trapped(1e-6) / tight - 1))
    our_error = np.max(np.abs(simulate(LIKE_CANTERA, chosen).trapped_mass / tight - 1))
    ratio = theirs / len(chosen) * 60 / ours
    print(
        f"\nCantera networks {ratio:.1f} times as long; sweep of 60 lanes {ours:.2f} s of processor time; "
        f"errors in trapped mass {our_error:.1e} here, {their_error:.1e} there"
    )
    benchmark.extra_info["Cantera over ours"] = round(ratio, 1)
    assert our_error < their_error
    assert ratio > 8


def test_three_variants_at_twenty_speeds(benchmark) -> None:
    """At most one and a half seconds on one core, as the whole model runs by default."""
    benchmark.pedantic(sweep(3, plain=False), rounds=2, iterations=1)
    took = min(seconds(sweep(3, plain=False)) for _ in range(3))
    print(f"\nsweep of 60 lanes with heat transfer {took:.2f} s of processor time")
    benchmark.extra_info["seconds of one core"] = round(took, 2)
    assert took < 1.5


def test_cost_is_at_most_linear_in_lanes(benchmark) -> None:
    benchmark.pedantic(sweep(2), rounds=1, iterations=1)
    few, many = (min(seconds(sweep(count)) for _ in range(2)) for count in (2, 8))
    benchmark.extra_info["8 variants over 2"] = round(many / few, 1)
    assert many < 4 * few
