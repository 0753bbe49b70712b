"""The law of propagation of uncertainty, written plainly from the GUM (JCGM 100:2008).

It meets the GUM's worked examples, and what flowkit combines is held against it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from flowkit.analysis.propagation import student_t


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
