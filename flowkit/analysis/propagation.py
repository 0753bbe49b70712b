"""Degrees of freedom, coverage factors and power, after the Guide (JCGM 100:2008, the GUM)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray


def student_t(degrees_of_freedom: float, probability: float = 0.95) -> float:
    """Return the coverage factor of Student's distribution, two-sided.

    Notes
    -----
    Source: JCGM 100:2008, annex G.3 and table G.2.

    Examples
    --------
    >>> round(student_t(16, 0.99), 2)
    2.92
    >>> round(student_t(float("inf")), 3)
    1.96
    """
    if not degrees_of_freedom > 0.0:
        raise ValueError("degrees of freedom must be above zero")
    if not 0.0 < probability < 1.0:
        raise ValueError("a coverage probability lies between 0 and 1")
    from scipy.special import betaincinv, ndtri

    if math.isinf(degrees_of_freedom):
        return float(ndtri(0.5 + probability / 2.0))
    # By the incomplete beta function: scipy's own quantile of t was exact to 2e-9 only in older versions.
    outside = float(betaincinv(degrees_of_freedom / 2.0, 0.5, 1.0 - probability))
    if outside < 0.5:
        return math.sqrt(degrees_of_freedom * (1.0 - outside) / outside)
    inside = float(betaincinv(0.5, degrees_of_freedom / 2.0, probability))
    return math.sqrt(degrees_of_freedom * inside / (1.0 - inside))


def effective_degrees_of_freedom(variances: Sequence[ArrayLike], freedoms: Sequence[ArrayLike]) -> NDArray[np.float64]:
    """Return the effective degrees of freedom of independent parts together.

    Notes
    -----
    Welch–Satterthwaite, JCGM 100:2008, equation (G.2b).

    Examples
    --------
    >>> float(effective_degrees_of_freedom([0.25**2, 0.57**2, 0.82**2], [9, 4, 14]).round(1))
    19.0
    """
    parts = [np.asarray(variance, dtype=float) for variance in variances]
    with np.errstate(divide="ignore", invalid="ignore"):
        below = sum(
            np.where(part > 0.0, part**2 / np.asarray(freedom, dtype=float), 0.0)
            for part, freedom in zip(parts, freedoms, strict=True)
        )
        return np.asarray(np.where(below > 0.0, sum(parts) ** 2 / below, math.inf))


@lru_cache(maxsize=4)
def _gauss_legendre(order: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return nodes and weights on [-1, 1]; to find them takes longer than all that is done with them."""
    nodes, weights = np.polynomial.legendre.leggauss(order)
    nodes.flags.writeable = weights.flags.writeable = False
    return nodes, weights


def _deviations(degrees_of_freedom: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return nodes and weights for s/σ, the root of χ²/ν: Gauss–Legendre in its probability."""
    from scipy.special import chdtri

    if math.isinf(degrees_of_freedom) or degrees_of_freedom > 1e7:
        return np.ones(1), np.ones(1)
    nodes, weights = _gauss_legendre(96)
    # u = sin² maps the ends of the probability, where the root of χ² is steep, apart.
    angle = (nodes + 1.0) * np.pi / 4.0
    weight = weights * np.pi / 4.0 * np.sin(2.0 * angle)
    return np.sqrt(chdtri(degrees_of_freedom, np.cos(angle) ** 2) / degrees_of_freedom), weight


def t_test_power(shift: float, degrees_of_freedom: float, probability: float = 0.95) -> float:
    """Return the chance that a two-sided t test finds an effect.

    Notes
    -----
    Non-central Student's t, both tails, integrated over the distribution of s/σ.

    Examples
    --------
    >>> round(t_test_power(2.8, float("inf")), 2), round(t_test_power(0.0, 4.0), 2)
    (0.8, 0.05)
    """
    from scipy.special import ndtr

    s, weight = _deviations(degrees_of_freedom)
    border = student_t(degrees_of_freedom, probability) * s
    return float(weight @ (ndtr(shift - border) + ndtr(-shift - border)))


@lru_cache(maxsize=512)
def found_shift(degrees_of_freedom: float, power: float = 0.8, probability: float = 0.95) -> float:
    """Return the non-centrality that a two-sided t test finds with a given chance: k80 and its like."""
    from scipy.optimize import brentq

    top = 2.0 * student_t(degrees_of_freedom, probability) + 10.0
    while t_test_power(top, degrees_of_freedom, probability) < power:
        top *= 2.0
    return float(
        brentq(lambda shift: t_test_power(shift, degrees_of_freedom, probability) - power, 0.0, top, xtol=1e-10)
    )


def half_width_factor(degrees_of_freedom: float) -> float:
    """Return the expected half width of a 95 % interval over σ: t95·E(s)/σ.

    Notes
    -----
    ``E(s)/σ = sqrt(2/ν)·Γ((ν + 1)/2)/Γ(ν/2)``, of a normal sample's standard deviation.

    Examples
    --------
    >>> [round(half_width_factor(nu), 1) for nu in (1.0, 2.0, 3.0, 4.0, 8.0)]
    [10.1, 3.8, 2.9, 2.6, 2.2]
    """
    if math.isinf(degrees_of_freedom):
        return student_t(degrees_of_freedom)
    half = degrees_of_freedom / 2.0
    mean = math.exp(math.lgamma(half + 0.5) - math.lgamma(half)) / math.sqrt(half)
    return student_t(degrees_of_freedom) * mean


@lru_cache(maxsize=512)
def studentized_range(groups: int, degrees_of_freedom: float, probability: float = 0.95) -> float:
    """Return the quantile of the studentised range of several means, Tukey's q.

    Notes
    -----
    ``P(range ≤ q·s)``, the range of normal means integrated over the distribution of s/σ. Here and
    not scipy.stats, whose import alone takes as long as a comparison; compared with it in the tests.
    NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.7.1.

    Examples
    --------
    >>> round(studentized_range(4, 20.0), 2), round(studentized_range(2, float("inf")), 3)
    (3.96, 2.772)
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr

    if groups == 2:
        return math.sqrt(2.0) * student_t(degrees_of_freedom, probability)
    s, weight = _deviations(degrees_of_freedom)
    z, dz = _gauss_legendre(80)
    z, dz = 8.0 * z, 8.0 * dz
    density = groups * dz * np.exp(-z * z / 2.0) / math.sqrt(2.0 * math.pi)

    def chance(q: float) -> float:
        """Return the chance that the range is at most q·s."""
        inside = ndtr(z[:, np.newaxis] + q * s) - ndtr(z)[:, np.newaxis]
        return float(density @ inside ** (groups - 1) @ weight)

    top = 10.0
    while chance(top) < probability:
        top *= 2.0
    return float(brentq(lambda q: chance(q) - probability, 1e-6, top, xtol=1e-10))
