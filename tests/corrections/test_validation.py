"""The shipped list of checks: every one holds, has a source, and says what the published tables say."""

from __future__ import annotations

import dataclasses
import math

import pytest

from tests.published import cipm_2007, gas_dynamics, pressure_factors, unit_factors
from tests.published.checks import Check
from tests.published.checks.corrections import CHECKS


@pytest.mark.parametrize("check", CHECKS, ids=[check.name for check in CHECKS])
def test_check_holds(check: Check) -> None:
    assert check.holds(), f"{check.name}: {check.compute()!r} instead of {check.expected!r} ± {check.tolerance!r}"
    assert check.source
    assert math.isfinite(check.expected)


def test_names_are_unique() -> None:
    names = [check.name for check in CHECKS]
    assert len(names) == len(set(names))


def test_a_check_can_fail() -> None:
    for check in CHECKS:
        beside = check.expected + 2 * check.tolerance + 1e-3 * abs(check.expected) + 1e-6
        assert not dataclasses.replace(check, expected=beside).holds(), check.name
    assert not Check("none", "none", 1.0, 0.1, "", lambda: math.nan).holds()


def published() -> set[float]:
    """Every figure of the published tables."""
    return {
        *(float(text) for _, text, _ in unit_factors.SP811_B8),
        *(kelvin for _, _, kelvin in unit_factors.TEMPERATURES),
        *(value for _, value in cipm_2007.SATURATION_KPA),
        *(row[3] for row in cipm_2007.DRY_AIR),
        *(value for value, _ in cipm_2007.SENSITIVITIES.values()),
        *(area for _, _, area in gas_dynamics.SUBSONIC),
        *(area for _, area in gas_dynamics.SUBSONIC_MORE),
        *(area for area, _, _ in gas_dynamics.INVERSE),
        gas_dynamics.SUBSONIC[-1][1],
        gas_dynamics.CHOKED_FLOW,
        *(row[2] for row in pressure_factors.COMMON_FACTORS),
        *(value for value, _ in pressure_factors.LAW_DIFFERENCE_10_TO_28.values()),
        pressure_factors.VENTILATION_CONSTANT * math.sqrt(28),
    }


def test_figures_are_those_of_the_published_tables() -> None:
    # Formulas, and worked examples that have their source and their figures in the list alone.
    own = (
        "OIML",
        "NIST SOP 2",
        "Gupta",
        "IEC",
        "U.S. Standard Atmosphere",
        "closed form",
        "area of bore",
        "limit of the model",
        "identity",
    )
    figures = [check for check in CHECKS if not check.source.startswith(own)]
    assert len(figures) > 30
    assert [check.name for check in figures if check.expected not in published()] == []
