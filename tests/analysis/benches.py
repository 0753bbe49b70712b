"""Invented honest benches whose true curves are known, to try intervals out on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

LIFTS = np.array([0.001, 0.002, 0.0035, 0.005, 0.007, 0.009])
CFM = 0.3048**3 / 60


@dataclass(frozen=True)
class Scenario:
    """One way of flowing a head before and after; standard deviations are relative or in m."""

    name: str
    ports: int = 4
    runs: tuple[tuple[int, ...], tuple[int, ...]] = ((1, 1, 1, 1), (1, 1, 1, 1))
    shift: float = 0.004
    scatter: float = 0.003
    lift: float = 0.0
    tails: float = 0.0
    rounded: float = 0.0
    drift: float = 0.0
    drift_stated: bool = True
    low_pressure: bool = False


SCENARIOS = (
    Scenario("one repeat, four ports", runs=((2, 1, 1, 1), (1, 1, 1, 1))),
    Scenario("one repeat, one port", ports=1, runs=((2,), (1,))),
    Scenario("two runs of one port", ports=1, runs=((2,), (2,))),
    Scenario("all twice", runs=((2, 2, 2, 2), (2, 2, 2, 2))),
    Scenario("no repeats, four ports"),
    Scenario("heavy tails", runs=((2, 2, 2, 2), (2, 2, 2, 2)), tails=3.0),
    Scenario("lift errors at low lift", runs=((2, 2, 1, 1), (2, 2, 1, 1)), shift=0.002, scatter=0.001, lift=3e-5),
    Scenario("readings rounded to 1 CFM", runs=((2, 2, 1, 1), (2, 1, 1, 1)), rounded=CFM),
    Scenario("two pressures", runs=((2, 2, 1, 1), (2, 1, 1, 1)), low_pressure=True),
    Scenario("drift stated", runs=((2, 2, 1, 1), (2, 1, 1, 1)), drift=0.005),
)


@dataclass(frozen=True)
class Run:
    """One run: its state, port, number, day, flows at the reference, and with the other pressure law."""

    state: str
    port: str
    number: int
    day: str
    flows: np.ndarray
    ratio: float


def true_curve(lifts: np.ndarray, port: int) -> np.ndarray:
    """A plausible port [m³/s]."""
    return (0.06 + 0.001 * port) * np.tanh(lifts / 0.0045)


LAW = 1.02
"""The exact law over the square root's, from the low pressure to the reference."""


def jobs(scenario: Scenario, gain: float, count: int, seed: int = 20261127) -> Iterator[list[Run]]:
    """Yield invented jobs of one scenario; the truth is 1 + gain at every lift."""
    rng = np.random.default_rng([seed, sum(map(ord, scenario.name))])

    def draw(size=None):
        if scenario.tails:
            return rng.standard_t(scenario.tails, size) / np.sqrt(scenario.tails / (scenario.tails - 2))
        return rng.standard_normal(size)

    for _ in range(count):
        made = []
        for state, (name, runs) in enumerate(zip("ab", scenario.runs, strict=True)):
            drift = scenario.drift * rng.standard_normal()
            for port, number in enumerate(runs):
                for run in range(number):
                    lifts = LIFTS + scenario.lift * rng.standard_normal(len(LIFTS))
                    flows = true_curve(lifts, port) * (1 + gain * state)
                    flows = flows * (1 + drift + scenario.shift * draw() + scenario.scatter * draw(len(LIFTS)))
                    low = scenario.low_pressure and state == 0
                    # the true law lies somewhere between both: here at the other one
                    ratio = LAW if low else 1.0
                    flows = flows / ratio
                    if scenario.rounded:
                        flows = np.round(flows / scenario.rounded) * scenario.rounded
                    day = "2026-03-01" if not scenario.drift or state == 0 else "2026-03-22"
                    made.append(Run(name, str(port + 1), run + 1, day, flows, ratio))
        yield made
