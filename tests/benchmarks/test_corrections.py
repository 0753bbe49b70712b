"""The bore model against adaptive quadrature, and many tests against few."""

from __future__ import annotations

import math

from scipy.integrate import quad
from scipy.optimize import brentq

from flowkit.corrections import correct
from flowkit.corrections.bore import unshrouded_area
from flowkit.model import Reference
from tests.benchmarks.timing import best
from tests.corrections.samples import flow_test

BORE, VALVE, OFFSET = 0.0805, 0.038, 0.012
AREAS = tuple(1e-4 * step for step in range(1, 13))


def adaptive(area: float) -> float:
    """The same equation by QUADPACK inside a root finder, as one would write it down."""

    def excess(head: float) -> float:
        def integrand(theta: float) -> float:
            wall = -OFFSET * math.cos(theta) + math.sqrt((BORE / 2) ** 2 - (OFFSET * math.sin(theta)) ** 2)
            return 1 / math.hypot(2 * math.pi / head, 2 / (wall**2 - (VALVE / 2) ** 2))

        return float(quad(integrand, 0, 2 * math.pi)[0]) - area

    return float(brentq(excess, area, 100 * area))


def test_bore_against_adaptive_quadrature(benchmark) -> None:
    benchmark(lambda: [unshrouded_area(area, BORE, VALVE, OFFSET) for area in AREAS])
    plain = best(lambda: [adaptive(area) for area in AREAS])
    benchmark.extra_info["quadrature over ours"] = round(plain / benchmark.stats["min"])
    assert plain > 2 * benchmark.stats["min"]


def test_many_tests_take_their_number_of_times_as_long(benchmark) -> None:
    tests = [flow_test(name=str(n), fixture_bore_m=BORE, valve_diameter_m=VALVE) for n in range(1000)]
    reference = Reference(bore_m=0.083)
    few = best(lambda: correct(tests[:100], reference))
    benchmark.pedantic(lambda: correct(tests, reference), rounds=3)
    benchmark.extra_info["1 000 over 100"] = round(benchmark.stats["min"] / few, 1)
    assert benchmark.stats["min"] < 15 * few
