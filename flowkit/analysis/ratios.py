"""Exhaust flow over intake flow, at equal lift and at equal fraction of peak lift."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.analysis.curves import SAME_LIFT_M, SideVariant, merge_lifts
from flowkit.analysis.results import RatioPoint

__all__ = ["FRACTIONS", "ratio_at_fraction", "ratio_at_lift"]

FRACTIONS = tuple(step / 10 for step in range(1, 11))
"""Fractions of peak lift at which the sides are compared."""

Range = tuple[float, float]


def ratio_at_lift(
    intake: Sequence[SideVariant], exhaust: Sequence[SideVariant], ranges: tuple[Range, Range]
) -> tuple[RatioPoint, ...]:
    """Return exhaust over intake flow at every lift measured on either side.

    Parameters
    ----------
    intake, exhaust : sequence of SideVariant
        Variants are matched by name.
    ranges : tuple of two ranges
        The common range of lifts of the intake and of the exhaust [m].

    Returns
    -------
    tuple of RatioPoint
        `at` is the lift [m]; within both ranges.
    """
    lo, hi = max(ranges[0][0], ranges[1][0]), min(ranges[0][1], ranges[1][1])
    points = []
    for one, other in _both(intake, exhaust):
        lifts = merge_lifts((*one.lifts_within(lo, hi), *other.lifts_within(lo, hi)))
        ratios = other.flow(lifts) / one.flow(lifts)
        points += [RatioPoint(one.name, lift, ratio) for lift, ratio in zip(lifts, ratios.tolist(), strict=True)]
    return tuple(points)


def ratio_at_fraction(
    intake: Sequence[SideVariant], exhaust: Sequence[SideVariant], ranges: tuple[Range, Range]
) -> tuple[RatioPoint, ...]:
    """Return exhaust over intake flow at tenths of each side's highest common lift.

    Parameters
    ----------
    intake, exhaust : sequence of SideVariant
        Variants are matched by name.
    ranges : tuple of two ranges
        The common range of lifts of the intake and of the exhaust [m].

    Returns
    -------
    tuple of RatioPoint
        `at` is the fraction; only where both sides were measured.
    """
    inside = [
        fraction for fraction in FRACTIONS if all(fraction * hi >= lo - SAME_LIFT_M and hi > 0 for lo, hi in ranges)
    ]
    points = []
    for one, other in _both(intake, exhaust):
        ratios = other.flow([at * ranges[1][1] for at in inside]) / one.flow([at * ranges[0][1] for at in inside])
        points += [RatioPoint(one.name, at, ratio) for at, ratio in zip(inside, ratios.tolist(), strict=True)]
    return tuple(points)


def _both(intake: Sequence[SideVariant], exhaust: Sequence[SideVariant]) -> list[tuple[SideVariant, SideVariant]]:
    """Pair the variants tested on both sides."""
    others = {variant.name: variant for variant in exhaust}
    return [(variant, others[variant.name]) for variant in intake if variant.name in others]
