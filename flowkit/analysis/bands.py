"""Three bands of lift: seat work shows in the low one, port work in the high one.

Borders at lift over valve diameter of 0.15 and 0.25; thirds of the range where the valve is not
known (common practice, no source).
"""

from __future__ import annotations

from typing import Literal

from flowkit.analysis.curves import SAME_LIFT_M, AreaMethod, SideVariant
from flowkit.analysis.results import Band, BandGain

__all__ = ["BORDERS", "band_gains", "band_limits", "bands"]

BandName = Literal["low", "middle", "high"]
NAMES: tuple[BandName, ...] = ("low", "middle", "high")
BORDERS = (0.15, 0.25)
"""Lift over valve diameter (common practice, no source)."""


def band_limits(range_m: tuple[float, float], head_m: float | None) -> tuple[tuple[BandName, float, float], ...]:
    """Return the bands of lift within a range.

    Parameters
    ----------
    range_m : tuple of two floats
        Lowest and highest lift [m].
    head_m : float or None
        Valve head diameter [m]; thirds of the range without it.

    Returns
    -------
    tuple of (name, from, to)
        Lifts [m]; a band that the range does not reach is absent.

    Examples
    --------
    >>> [(name, round(a, 4), round(b, 4)) for name, a, b in band_limits((0.001, 0.010), 0.040)]
    [('low', 0.001, 0.006), ('middle', 0.006, 0.01)]
    """
    lo, hi = range_m
    if head_m is None:
        borders = (lo + (hi - lo) / 3, lo + (hi - lo) * 2 / 3)
    else:
        borders = (BORDERS[0] * head_m, BORDERS[1] * head_m)
    edges = (lo, *(min(max(border, lo), hi) for border in borders), hi)
    return tuple(
        (name, start, end)
        for name, start, end in zip(NAMES, edges[:-1], edges[1:], strict=True)
        if end - start > SAME_LIFT_M
    )


def bands(variant: SideVariant, range_m: tuple[float, float], method: AreaMethod) -> tuple[Band, ...]:
    """Return the mean flow of a variant in each band.

    Parameters
    ----------
    variant : SideVariant
    range_m : tuple of two floats
        The common range of lifts [m].
    method : {"pchip", "trapezoid"}
    """
    return tuple(
        Band(name, start, end, variant.mean_flow(start, end, method))
        for name, start, end in band_limits(range_m, variant.valve.head_m)
    )


def band_gains(
    before: SideVariant,
    after: SideVariant,
    ports: tuple[str, ...],
    range_m: tuple[float, float],
    method: AreaMethod,
) -> tuple[BandGain, ...]:
    """Return the gain in mean flow in each band, over the same lifts of both.

    Parameters
    ----------
    before, after : SideVariant
    ports : tuple of str
        Those compared; empty for all of each.
    range_m : tuple of two floats
        The common range of lifts [m].
    method : {"pchip", "trapezoid"}

    Notes
    -----
    The borders are those of the valve before, so that both are taken over the same lifts.
    """
    head = before.valve.head_m if before.valve.head_m is not None else after.valve.head_m
    return tuple(
        BandGain(
            name,
            start,
            end,
            after.mean_flow(start, end, method, ports) / before.mean_flow(start, end, method, ports) - 1,
        )
        for name, start, end in band_limits(range_m, head)
    )
