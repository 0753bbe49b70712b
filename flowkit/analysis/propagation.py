"""The law of propagation of uncertainty, degrees of freedom and coverage.

The Guide to the expression of uncertainty in measurement (JCGM 100:2008, the GUM) in one
place: the intervals of flows and gains and the GUM's own worked examples run through it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Combined",
    "Component",
    "combine",
    "correlation_of",
    "effective_degrees_of_freedom",
    "found_shift",
    "half_width_factor",
    "propagate",
    "sensitivities",
    "student_t",
    "studentized_range",
    "t_test_power",
]


@dataclass(frozen=True, slots=True)
class Component:
    """One input's share of an uncertainty.

    Attributes
    ----------
    name : str
        What it comes from.
    uncertainty : float
        Standard uncertainty of the input, in the input's unit.
    sensitivity : float
        Partial derivative of the result by the input.
    degrees_of_freedom : float
        Infinite where the uncertainty is taken as known.
    """

    name: str
    uncertainty: float
    sensitivity: float = 1.0
    degrees_of_freedom: float = math.inf

    @property
    def contribution(self) -> float:
        """Its share in the result's unit, with the sensitivity's sign."""
        return self.sensitivity * self.uncertainty


@dataclass(frozen=True, slots=True)
class Combined:
    """A combined standard uncertainty with its degrees of freedom.

    Attributes
    ----------
    uncertainty : float
        Combined standard uncertainty, in the result's unit.
    degrees_of_freedom : float
        Effective, by Welch and Satterthwaite; infinite where every input's is.
    components : tuple of Component
    """

    uncertainty: float
    degrees_of_freedom: float
    components: tuple[Component, ...]

    def expanded(self, probability: float = 0.95) -> float:
        """Return half the interval of a coverage probability (GUM, G.4.1).

        Parameters
        ----------
        probability : float, optional
            Coverage probability [-].

        Returns
        -------
        float
            Coverage factor times the combined uncertainty, in the result's unit.
        """
        if self.uncertainty == 0.0:
            return 0.0
        return student_t(self.degrees_of_freedom, probability) * self.uncertainty


def student_t(degrees_of_freedom: float, probability: float = 0.95) -> float:
    """Return the coverage factor of Student's distribution, two-sided.

    Parameters
    ----------
    degrees_of_freedom : float
        Above zero, need not be whole; infinite for the normal distribution [-].
    probability : float, optional
        Coverage probability [-].

    Returns
    -------
    float
        The factor [-].

    Raises
    ------
    ValueError
        If the degrees of freedom are not above zero or the probability not between 0 and 1.

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


def effective_degrees_of_freedom(components: Sequence[Component]) -> float:
    """Return the effective degrees of freedom of independent inputs together.

    Parameters
    ----------
    components : sequence of Component

    Returns
    -------
    float
        Infinite where no input has finite ones and a share above zero [-].

    Notes
    -----
    Welch–Satterthwaite, JCGM 100:2008, equation (G.2b). Not cut down to a whole number.

    Examples
    --------
    >>> parts = [Component("a", 0.25, 1, 9), Component("b", 0.57, 1, 4), Component("c", 0.82, 1, 14)]
    >>> round(effective_degrees_of_freedom(parts), 1)
    19.0
    """
    total = math.hypot(*(part.contribution for part in components))
    if total == 0.0:
        return math.inf
    share = sum((part.contribution / total) ** 4 / part.degrees_of_freedom for part in components)
    return 1.0 / share if share > 0.0 else math.inf


def combine(components: Sequence[Component], correlation: Sequence[Sequence[float]] | None = None) -> Combined:
    """Combine inputs to one standard uncertainty.

    Parameters
    ----------
    components : sequence of Component
    correlation : sequence of sequences of float, optional
        Correlation coefficients of the inputs, in the order of `components`; none otherwise [-].

    Returns
    -------
    Combined
        With correlation the degrees of freedom are those of Welch and Satterthwaite only
        where all inputs' are infinite, or equal to one another because they were observed
        together (GUM, H.2.4); else they are the smallest of them.

    Raises
    ------
    ValueError
        If the correlation's shape does not fit.

    Notes
    -----
    JCGM 100:2008, equations (10) and (13), first order.

    Examples
    --------
    >>> combine([Component("gauge", 3.0), Component("reading", 4.0)]).uncertainty
    5.0
    """
    parts = tuple(components)
    shares = [part.contribution for part in parts]
    if correlation is None:
        return Combined(math.hypot(*shares), effective_degrees_of_freedom(parts), parts)
    if len(correlation) != len(parts) or any(len(row) != len(parts) for row in correlation):
        raise ValueError("the correlation must have one row and one column for each component")
    variance = sum(shares[i] * shares[j] * correlation[i][j] for i in range(len(parts)) for j in range(len(parts)))
    freedom = min((part.degrees_of_freedom for part in parts), default=math.inf)
    return Combined(math.sqrt(max(variance, 0.0)), freedom, parts)


def sensitivities(
    function: Callable[..., float], values: Sequence[float], uncertainties: Sequence[float]
) -> tuple[float, ...]:
    """Return the partial derivatives of a function by its arguments.

    Parameters
    ----------
    function : callable
        Of as many numbers as there are values.
    values : sequence of float
        Where the derivatives are wanted.
    uncertainties : sequence of float
        Standard uncertainties; they set the width of the differences.

    Returns
    -------
    tuple of float

    Notes
    -----
    Central differences over a thousandth of each standard uncertainty to either side (JCGM
    100:2008, 5.1.3, note 2, takes the whole uncertainty; the smaller step leaves a third-order
    error that is below rounding), never less than 1e-7 of the value.

    Examples
    --------
    >>> [round(value, 6) for value in sensitivities(lambda a, b: a * b, [2.0, 3.0], [0.1, 0.1])]
    [3.0, 2.0]
    """
    slopes = []
    for index, (value, uncertainty) in enumerate(zip(values, uncertainties, strict=True)):
        step = max(1e-3 * uncertainty, 1e-7 * abs(value)) or 1e-7
        above, below = list(values), list(values)
        above[index] += step
        below[index] -= step
        slopes.append((function(*above) - function(*below)) / (above[index] - below[index]))
    return tuple(slopes)


def propagate(
    function: Callable[..., float],
    values: Sequence[float],
    uncertainties: Sequence[float],
    *,
    names: Sequence[str] | None = None,
    correlation: Sequence[Sequence[float]] | None = None,
    degrees_of_freedom: Sequence[float] | None = None,
) -> tuple[float, Combined]:
    """Propagate the uncertainties of a function's arguments to its result.

    Parameters
    ----------
    function : callable
        Of as many numbers as there are values.
    values, uncertainties : sequence of float
        Estimates of the arguments and their standard uncertainties.
    names : sequence of str, optional
        Names of the arguments.
    correlation : sequence of sequences of float, optional
        Of the arguments [-].
    degrees_of_freedom : sequence of float, optional
        Of the uncertainties; infinite otherwise [-].

    Returns
    -------
    value : float
        The function at the estimates.
    combined : Combined

    Notes
    -----
    JCGM 100:2008, chapter 5, first order.

    Examples
    --------
    >>> value, u = propagate(lambda q, p: q * (28 / p) ** 0.5, [100.0, 28.0], [0.3, 0.1])
    >>> value, round(u.uncertainty, 4)
    (100.0, 0.3491)
    """
    labels = names or [f"x{index}" for index in range(1, len(values) + 1)]
    freedom = degrees_of_freedom or [math.inf] * len(values)
    slopes = sensitivities(function, values, uncertainties)
    parts = [Component(*entry) for entry in zip(labels, uncertainties, slopes, freedom, strict=True)]
    return function(*values), combine(parts, correlation)


def correlation_of(observations: Sequence[Sequence[float]]) -> tuple[tuple[float, ...], ...]:
    """Return the correlation of quantities observed together.

    Parameters
    ----------
    observations : sequence of sequences of float
        One sequence for each quantity, all of the same length of at least 2.

    Returns
    -------
    tuple of tuple of float
        Correlation coefficients of the means [-].

    Notes
    -----
    JCGM 100:2008, equations (14) and (17).

    Examples
    --------
    >>> round(correlation_of([[1.0, 2.0, 3.0], [2.0, 4.0, 6.0]])[0][1], 9)
    1.0
    """
    centred = [[value - sum(row) / len(row) for value in row] for row in observations]
    norms = [math.sqrt(sum(value * value for value in row)) for row in centred]
    return tuple(
        tuple(
            sum(a * b for a, b in zip(one, other, strict=True)) / (norms[i] * norms[j])
            for j, other in enumerate(centred)
        )
        for i, one in enumerate(centred)
    )


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

    Parameters
    ----------
    shift : float
        The effect over its standard uncertainty (the non-centrality) [-].
    degrees_of_freedom : float
        At least 1, need not be whole; infinite for the normal distribution [-].
    probability : float, optional
        1 less the level of the test [-].

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

    Parameters
    ----------
    degrees_of_freedom : float
        Above zero [-].

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

    Parameters
    ----------
    groups : int
        Means compared, at least two.
    degrees_of_freedom : float
        Of their standard deviation, at least 1, need not be whole [-].
    probability : float, optional
        [-]

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
