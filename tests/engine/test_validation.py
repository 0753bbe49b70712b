"""The shipped list of checks: every one holds, has a source, and says what the published tables say."""

from __future__ import annotations

import dataclasses
import math

import pytest

from tests.published import air_heat_capacity, gas_dynamics, otto
from tests.published.checks import Check
from tests.published.checks.engine import CHECKS


@pytest.mark.parametrize("check", CHECKS, ids=[check.name for check in CHECKS])
def test_check_holds_and_could_fail(check: Check) -> None:
    ours = check.compute()
    assert abs(ours - check.expected) <= check.tolerance, f"{ours!r} instead of {check.expected!r}"
    assert check.source
    assert math.isfinite(check.expected)
    beside = check.expected + 2 * check.tolerance + 1e-3 * abs(check.expected) + 1e-6
    fixed = dataclasses.replace(check, expected=beside, compute=lambda: ours)
    assert not fixed.holds()


def test_names_are_unique() -> None:
    names = [check.name for check in CHECKS]
    assert len(names) == len(set(names))


def test_printed_figures_are_the_published_ones() -> None:
    expected = {round(check.expected, 12) for check in CHECKS}
    printed = {value for _, value, _ in otto.EFFICIENCY} | {value for _, value, _ in air_heat_capacity.CP}
    assert printed | {gas_dynamics.CHOKED_FLOW} <= expected
