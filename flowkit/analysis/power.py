"""The chance that a gain of a given size is resolved."""

from __future__ import annotations

import math

from flowkit.analysis.propagation import student_t

__all__ = ["power_of", "smallest_effect"]


def power_of(
    effect: float, uncertainty: float, degrees_of_freedom: float = math.inf, probability: float = 0.95
) -> float:
    """Return the chance that an interval excludes zero when there is an effect.

    Parameters
    ----------
    effect : float
        True effect, such as the logarithm of a flow ratio [-].
    uncertainty : float
        Standard uncertainty of what is measured of it, same unit as `effect`.
    degrees_of_freedom : float, optional
        Of that uncertainty; infinite where it is known [-].
    probability : float, optional
        Coverage probability of the interval [-].

    Returns
    -------
    float
        From 1 − `probability` (no effect) to 1.

    Notes
    -----
    Power of the two-sided t test: Student's distribution with the non-centrality
    ``effect/uncertainty`` (Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd
    ed. 1988, ch. 2; NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.2.2).

    Examples
    --------
    >>> round(power_of(2.8, 1.0), 2)
    0.8
    >>> round(power_of(0.0, 1.0, 7.0), 2)
    0.05
    """
    if uncertainty <= 0.0:
        return 1.0 if effect else 1.0 - probability
    from scipy.special import ndtr

    shift, border = abs(effect) / uncertainty, student_t(degrees_of_freedom, probability)
    if math.isinf(degrees_of_freedom) or degrees_of_freedom > 1e6:
        return float(ndtr(shift - border) + ndtr(-shift - border))
    from scipy.stats import nct

    # Both tails as upper ones: below, the series of the non-central t loses itself far out.
    return float(nct.sf(border, degrees_of_freedom, shift) + nct.sf(border, degrees_of_freedom, -shift))


def smallest_effect(
    uncertainty: float, degrees_of_freedom: float = math.inf, power: float = 0.8, probability: float = 0.95
) -> float:
    """Return the smallest effect that is resolved with a given chance.

    Parameters
    ----------
    uncertainty : float
        Standard uncertainty of what is measured.
    degrees_of_freedom : float, optional
        Of that uncertainty [-].
    power : float, optional
        The chance, above 1 − `probability` and below 1 [-].
    probability : float, optional
        Coverage probability of the interval [-].

    Returns
    -------
    float
        Same unit as `uncertainty`.

    Notes
    -----
    Inverse of `power_of`, by halving.

    Examples
    --------
    >>> round(smallest_effect(1.0), 2)
    2.8
    """
    if uncertainty <= 0.0:
        return 0.0
    low, high = 0.0, 1.0
    while power_of(high, 1.0, degrees_of_freedom, probability) < power:
        low, high = high, 2.0 * high
    for _ in range(60):
        middle = (low + high) / 2.0
        if power_of(middle, 1.0, degrees_of_freedom, probability) < power:
            low = middle
        else:
            high = middle
    return high * uncertainty
