"""Uncertainty, repeatability and power."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

import numpy as np

from flowkit.analysis.comparison import assessor_of
from flowkit.analysis.scatter import additive_residuals
from flowkit.analysis.uncertainty import (
    effective_degrees_of_freedom,
    student_t,
    studentized_range,
    t_test_power,
)
from flowkit.model import Bench, Reference, Variant
from tests.analysis.heads import corrected
from tests.published import gum, nist_strd
from tests.published.checks import Check

__all__ = ["CHECKS"]

_TABLE = "NIST TN 1297 (1994), table B.1, half the last digit; the same table as JCGM 100:2008, G.2"
_G4 = "JCGM 100:2008, G.4.1, half the last digit; from memory"
_H1 = "JCGM 100:2008, example H.1, half the last digit; read in the package phonometry, reference_data"
_H5 = "JCGM 100:2008, example H.5, half the last digit; from memory"
_H5_READ = "JCGM 100:2008, example H.5, half the last digit; read in suncal 1.7.0, test/test_dataset.py"
_STRD = "NIST Statistical Reference Datasets, SiRstv, certified values; read in scipy 1.17.1, nist_anova"
_ISO = "ISO 5725-2:1994, annex B.1, sulfur in coal, level 1, half the last digit; from memory"
_HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.3.4 (prc434.htm), half the last digit"
_COHEN = "Cohen, Statistical Power Analysis (2nd ed. 1988), read on medicalalgorithms.com; whole readings"
_BHH = "Box, Hunter & Hunter, Statistics for Experimenters (2nd ed. 2005), ch. 4, penicillin yields; from memory"
_TUKEY = "table of the studentised range, 5 %, half the last digit (NIST/SEMATECH e-Handbook, 7.4.7.1); from memory"
_SUNCAL = "suncal 1.7.0, test/test_examples.py, half the last digit"
_SUNCAL_NOTES = f"{_SUNCAL}; course notes, rounded on the way"


def _coverage() -> tuple[Check, ...]:
    """Return the checks of Student's t."""
    printed = (
        (1, 0.95, "12.71"),
        (2, 0.95, "4.30"),
        (4, 0.95, "2.78"),
        (8, 0.95, "2.31"),
        (10, 0.95, "2.23"),
        (20, 0.95, "2.09"),
        (16, 0.99, "2.92"),
        (50, 0.99, "2.68"),
    )
    rows: tuple[tuple[float, float, str], ...] = (*printed, (100, 0.95, "1.984"), (math.inf, 0.95, "1.960"))
    return tuple(
        Check(
            f"Student's t, {freedom:g} degrees of freedom, {probability:.0%}",
            _TABLE,
            float(text),
            0.5 * 10.0 ** -len(text.partition(".")[2]),
            "",
            partial(student_t, freedom, probability),
        )
        for freedom, probability, text in rows
    )


def _freedom(*parts: tuple[float, float]) -> float:
    """Return the effective degrees of freedom of (uncertainty, degrees of freedom)."""
    return float(effective_degrees_of_freedom([u**2 for u, _ in parts], [nu for _, nu in parts]))


def _expanded(*parts: tuple[float, float]) -> float:
    """Return half the 95 % interval of (uncertainty, degrees of freedom)."""
    return student_t(_freedom(*parts)) * math.hypot(*(u for u, _ in parts))


def _gum() -> tuple[Check, ...]:
    """Return the worked examples of the Guide."""
    return (
        Check("product of three, degrees of freedom", _G4, 19.0, 0.05, "", lambda: _freedom(*gum.PRODUCT)),
        Check("its expanded uncertainty, 95 %", _G4, 2.2, 0.05, "%", lambda: _expanded(*gum.PRODUCT)),
        Check(
            "end gauge, degrees of freedom cut down to a whole number",
            _H1,
            16.0,
            0.0,
            "",
            lambda: float(math.floor(_freedom(*gum.END_GAUGE_SHARES))),
        ),
    )


def _pooled(groups: Sequence[Sequence[float]], scale: float = 1.0) -> float:
    """Return the pooled standard deviation of groups of readings, each group the repeated runs of a port.

    The product pools relative deviations; on a common mean of 1000 they are the absolute ones.
    """
    tests = [
        corrected({0.005: 1000.0 + scale * (value - float(np.mean(group)))}, port=str(number), run=run)
        for number, group in enumerate(groups, 1)
        for run, value in enumerate(group, 1)
    ]
    assessor = assessor_of([Variant("one", corrected=tuple(tests))], Reference(), Bench())
    assert assessor is not None
    squares, freedom = assessor.run_variance(assessor.headline, frozenset({"benchb"}))
    assert freedom[0] == sum(len(group) - 1 for group in groups)
    return 1000.0 / scale * math.sqrt(float(squares[0] / freedom[0]))


def _zener() -> float:
    """Return the scatter of example H.5, ten days of five readings with its means and deviations, in µV."""
    means = (172, 116, 13, 144, 106, 31, 60, 125, 163, 41)
    deviations = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)
    pattern = (-1.0, -1.0, 0.0, 1.0, 1.0)  # mean 0, experimental standard deviation 1
    return _pooled([[mean + s * step for step in pattern] for mean, s in zip(means, deviations, strict=True)])


_SILICON = (
    (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
    (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
)


_COAL = (
    (0.71, 0.71, 0.70, 0.71),
    (0.69, 0.67, 0.68),
    (0.66, 0.65, 0.69),
    (0.67, 0.65, 0.66),
    (0.70, 0.69, 0.66, 0.71, 0.69),
    (0.73, 0.74, 0.73),
    (0.71, 0.71, 0.69),
    (0.70, 0.65, 0.68),
)
_TREATMENTS = ((6.9, 5.4, 5.8, 4.6, 4.0), (8.3, 6.8, 7.8, 9.2, 6.5), (8.0, 10.5, 8.1, 6.9, 9.3))


_PENICILLIN = ((89, 88, 97, 94), (84, 77, 92, 79), (81, 87, 87, 85), (87, 92, 89, 84), (79, 81, 80, 88))


def _blocks() -> float:
    """Return what blends and treatments leave of the penicillin yields: the residual sum of squares."""
    return float(np.sum(additive_residuals(np.array(_PENICILLIN, dtype=float)) ** 2))


def _repeatability() -> tuple[Check, ...]:
    """Return the checks of pooling and of ports as blocks."""
    return (
        Check("sulfur in coal, repeatability s_r", _ISO, 0.015, 0.0005, "% m/m", lambda: _pooled(_COAL)),
        Check("three treatments, pooled mean square", _HANDBOOK, 1.454, 0.0005, "", lambda: _pooled(_TREATMENTS) ** 2),
        Check("Zener standard, scatter within a day", _H5_READ, 85.0, 0.5, "µV", _zener),
        Check(
            "silicon resistivity, residual standard deviation",
            f"{_STRD}; nine digits",
            1.04076068334656e-1,
            1e-10,
            "Ω·cm",
            lambda: _pooled(_SILICON),
        ),
        Check(
            "atomic weight of silver, residual standard deviation",
            "NIST Statistical Reference Datasets, AtmWtAg, certified value, read in scipy's nist_anova; nine digits",
            1.51048314446410e-5,
            1e-14,
            "",
            lambda: _pooled([[float(x) for x in group] for group in nist_strd.SILVER], 1e5),
        ),
        Check("penicillin, blends as blocks: residual sum of squares", _BHH, 226.0, 0.5, "", _blocks),
    )


def _tukey() -> tuple[Check, ...]:
    """Return the checks of the studentised range."""
    rows = ((3, 10.0, 3.88), (4, 20.0, 3.96), (4, 10.0, 4.33), (2, 20.0, 2.95), (8, 20.0, 4.77))
    return tuple(
        Check(
            f"studentised range, {groups} means, {freedom:.0f} degrees of freedom",
            _TUKEY,
            value,
            0.005,
            "",
            partial(studentized_range, groups, freedom),
        )
        for groups, freedom, value in rows
    )


_RATIO = ((0.00093 / 0.1820, 9.0), (0.00058 / 0.1823, 19.0), (0.0026 / 0.6978, 19.0))
"""Relative uncertainties of X₁, X₂ and Y_u in y = X₁/X₂·Y_u, with their degrees of freedom."""


def _satterthwaite() -> tuple[Check, ...]:
    """Return further checks of Welch and Satterthwaite."""
    four = partial(_freedom, *[(1.0, 10.0)] * 4)
    return (
        Check(
            "one known and one estimated part", _SUNCAL, 12.8, 0.05, "", lambda: _freedom((0.57, 9.0), (0.25, math.inf))
        ),
        Check("four equal parts of 10 each", "exact: 4·10", 40.0, 1e-9, "", four),
        Check(
            "end gauge, inner sum",
            f"{_H1}, read in GTC 1.5.1, examples/GUM_H1.py",
            gum.END_GAUGE_INNER_FREEDOM,
            0.05,
            "",
            lambda: _freedom(*gum.END_GAUGE_DIFFERENCE_PARTS),
        ),
        # its u 0.00494 and ν 27.7 were rounded on the way (unrounded 0.00493 and 27.5), the interval was not moved
        Check("one ratio times a third, 95 %", _SUNCAL_NOTES, 0.0101, 0.00005, "", lambda: 0.6967 * _expanded(*_RATIO)),
    )


def _power() -> tuple[Check, ...]:
    """Return the checks of the power analysis: the printed sample size reaches 80 %, one less does not."""

    def readings(difference: float) -> float:
        """Return the smallest sample that reaches 80 %."""
        size = 2
        while t_test_power(difference / math.sqrt(2.0 / size), 2.0 * size - 2.0) < 0.8:
            size += 1
        return float(size)

    return tuple(
        Check(f"readings in each group for d = {d}", _COHEN, float(size), 0.0, "", partial(readings, d))
        for d, size in ((0.5, 64), (0.8, 26), (1.0, 17))
    )


CHECKS: tuple[Check, ...] = (
    *_coverage(), *_gum(), *_satterthwaite(), *_repeatability(), *_tukey(), *_power(),
)  # fmt: skip
"""Every check, from Student's t to the power of the t test."""
