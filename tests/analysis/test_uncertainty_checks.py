"""Every published figure of uncertainty holds, and a figure that is off would not."""

from dataclasses import replace

import pytest

from tests.published import e_handbook, gum, iso_5725_2, nist_strd, power_tables, student_t
from tests.published.checks.uncertainty import CHECKS


@pytest.mark.parametrize("check", CHECKS, ids=[check.name for check in CHECKS])
def test_holds(check):
    assert check.holds(), (check.source, check.expected, check.compute())


@pytest.mark.parametrize("check", CHECKS, ids=[check.name for check in CHECKS])
def test_would_not_hold_for_a_figure_that_is_off(check):
    off = check.expected + 2.5 * check.tolerance + 1e-6 * abs(check.expected)
    assert not replace(check, expected=off).holds()


def test_names_are_unique():
    assert len({check.name for check in CHECKS}) == len(CHECKS)


def test_figures_are_those_of_the_published_tables():
    published = {
        *(value for row in (*student_t.T, *student_t.T_FINE) for value in row[1:]),
        *(float(size) for _, size in power_tables.SAMPLE_SIZES),
        *(gum.PRODUCT_FREEDOM, gum.PRODUCT_U95),
        *(gum.END_GAUGE_DEGREES_OF_FREEDOM, gum.END_GAUGE_INNER_FREEDOM),
        *(gum.ZENER_BETWEEN_V * 1e6, gum.ZENER_WITHIN_V * 1e6),
        *(nist_strd.SILICON_RESIDUAL_SD, nist_strd.SILVER_RESIDUAL_SD),
        *(iso_5725_2.REPEATABILITY, iso_5725_2.REPRODUCIBILITY, e_handbook.ERROR_MS),
    }
    figures = [
        check
        for check in CHECKS
        if not check.name.startswith(("studentised", "penicillin", "one known", "one ratio", "four"))
    ]
    assert len(figures) > 20
    assert [check.name for check in figures if not any(check.expected == pytest.approx(p) for p in published)] == []
