"""What stands behind the headline, ready to be set in tables: bands of lift, factorial, ratios, port velocity."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from flowkit.analysis.results import Band, BandGain, Comparison, Gain, Interaction, SideComparison, VariantFlow
from flowkit.drawing import Display
from flowkit.reports.flows import flow_at, main_lifts, measured
from flowkit.reports.labels import lift_text, percent

__all__ = [
    "ALL_STEPS",
    "BY_GEOMETRY",
    "FACTORIAL",
    "BandRow",
    "BandTable",
    "Effect",
    "band_head",
    "band_limits",
    "band_tables",
    "band_words",
    "common_lifts",
    "effects",
    "gains_of_steps",
    "has_expected",
    "ratio_between",
    "ratio_lifts",
    "ratio_variants",
    "share_words",
    "spaced",
    "velocity_between",
    "velocity_unit",
]

ALL_STEPS = "all steps"
"""What the gain of the last variant over the first is called under those of the steps."""
FACTORIAL = (
    "A main effect is the mean of the two steps that change one thing alone; the interaction is what both together "
    "gave over the product of each alone."
)
BY_GEOMETRY = "By geometry: what the least areas alone promise (ratio of minimum areas), as a mean over the same lifts."
_FOOT_M = 0.3048
_SAME_M = 1e-6

Limits = tuple[tuple[str, float, float], ...]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class BandRow:
    """A variant, or all steps together: mean flow in each band, and the gain of the step there.

    Attributes
    ----------
    variant : str or None
        None for all steps together.
    flows_m3_s, gains : tuple of (float or None)
        One a band of the table; None where the variant has others, or there is no step.
    """

    variant: str | None
    flows_m3_s: tuple[float | None, ...]
    gains: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class BandTable:
    """Mean flows and gains that were taken over the same bands.

    Attributes
    ----------
    limits : tuple of (name, from, to)
        Lifts [m].
    rows : tuple of BandRow
    """

    limits: Limits
    rows: tuple[BandRow, ...]

    @property
    def thirds(self) -> bool:
        """Whether the bands are thirds of the range, for want of a valve's diameter."""
        widths = [end - start for _, start, end in self.limits]
        return len(widths) == 3 and max(widths) - min(widths) < _SAME_M


def band_head(limit: tuple[str, float, float], display: Display) -> str:
    """Return what stands over a band.

    Parameters
    ----------
    limit : tuple of (name, from, to)
        Lifts [m].
    display : Display

    Examples
    --------
    >>> from flowkit.drawing import DISPLAYS
    >>> band_head(("low", 0.001, 0.0057), DISPLAYS["metric"])
    'low, 1.00–5.70 mm'
    """
    return f"{limit[0]}, {band_limits(limit, display)}"


def band_limits(limit: tuple[str, float, float], display: Display) -> str:
    """Return a band's limits with their unit.

    Parameters
    ----------
    limit : tuple of (name, from, to)
        Lifts [m].
    display : Display
    """
    _, start, end = limit
    return f"{lift_text(start, display)}–{lift_text(end, display)} {display.lift}"


def band_words(table: BandTable) -> str:
    """Say where the borders of the bands come from.

    Parameters
    ----------
    table : BandTable
    """
    if table.thirds:
        return "Bands are thirds of the range of lift, as no valve diameter is known (common practice)."
    return "Bands end at 0.15 and 0.25 of the valve's diameter (common practice)."


def gains_of_steps(result: SideComparison) -> list[tuple[str | None, Gain]]:
    """Return each step's gain under its variant, then that of all steps under None where there are several.

    Parameters
    ----------
    result : SideComparison
    """
    rows: list[tuple[str | None, Gain]] = [(gain.to, gain) for gain in result.steps]
    return [*rows, (None, result.totals[-1])] if len(rows) > 1 else rows


def band_tables(result: SideComparison) -> list[BandTable]:
    """Return mean flow and gain in bands of lift, a table for all that have the same bands.

    Parameters
    ----------
    result : SideComparison

    Returns
    -------
    list of BandTable
        Several where the valves differ, as bands follow the valve; none where all lifts are in one band.
    """
    gains = dict(gains_of_steps(result))
    flows = {variant.name: variant.bands for variant in result.variants}
    order: list[str | None] = [*flows, *(name for name in gains if name is None)]
    found: dict[tuple[tuple[str, float, float], ...], Limits] = {}
    every: list[Sequence[Band | BandGain]] = [*flows.values(), *(gain.bands for gain in gains.values())]
    for bands in every:
        found.setdefault(_key(bands), tuple((band.name, band.from_m, band.to_m) for band in bands))
    tables = []
    for key, limits in found.items():
        if len(limits) > 1:
            rows = [_band_row(name, key, flows.get(name or "") if name else None, gains.get(name)) for name in order]
            kept = tuple(row for row in rows if any(value is not None for value in (*row.flows_m3_s, *row.gains)))
            tables.append(BandTable(limits, kept))
    return tables


def _key(bands: Sequence[Band | BandGain]) -> tuple[tuple[str, float, float], ...]:
    """Return what tells bands apart: their limits to the micrometre."""
    return tuple((band.name, round(band.from_m, 6), round(band.to_m, 6)) for band in bands)


def _band_row(
    name: str | None, key: tuple[tuple[str, float, float], ...], flows: Sequence[Band] | None, gain: Gain | None
) -> BandRow:
    """Return what a variant has in these bands, nothing where its own are others."""
    nothing: tuple[float | None, ...] = (None,) * len(key)
    mine = flows is not None and _key(flows) == key
    here = gain is not None and _key(gain.bands) == key
    return BandRow(
        name,
        tuple(band.mean_flow_m3_s for band in flows) if mine and flows is not None else nothing,
        tuple(band.gain for band in gain.bands) if here and gain is not None else nothing,
    )


@dataclass(frozen=True, slots=True)
class Effect:
    """A main effect or an interaction, as a fraction.

    Attributes
    ----------
    name : str
    gain : float
    u95 : float or None
        Half its 95 % interval; None where not assessed.
    """

    name: str
    gain: float
    u95: float | None


def effects(found: Interaction) -> list[Effect]:
    """Return main effects and interaction of two factors.

    Parameters
    ----------
    found : Interaction
        Natural logarithms.

    Examples
    --------
    >>> from math import log
    >>> known = Interaction(("ports", "seats"), (log(1.05), 0.0), 0.0, (0.01, 0.01), 0.02)
    >>> [(item.name, round(item.gain, 3), round(item.u95, 4)) for item in effects(known)]
    [('main effect, ports', 0.05, 0.0105), ('main effect, seats', 0.0, 0.01), ('interaction, ports × seats', 0.0, 0.02)]
    """
    names = (*(f"main effect, {factor}" for factor in found.factors), f"interaction, {' × '.join(found.factors)}")
    logs = (*found.main_effects, found.interaction)
    halves = (*(found.main_effects_u95 or (None, None)), found.interaction_u95)
    return [
        Effect(name, math.expm1(value), None if half is None else math.exp(value) * half)
        for name, value, half in zip(names, logs, halves, strict=True)
    ]


def share_words(gain: Gain) -> str:
    """Write a step's share of the total in per cent, nothing for the total itself.

    Parameters
    ----------
    gain : Gain
    """
    return "" if gain.share_of_total is None else percent(gain.share_of_total, 0)


def has_expected(result: SideComparison) -> bool:
    """Whether the least areas promise anything of a step, so that it can stand beside what was measured.

    Parameters
    ----------
    result : SideComparison
    """
    return any(gain.expected_from_geometry is not None for gain in result.gains)


def spaced(items: Sequence[T], most: int) -> list[T]:
    """Return a few of many, evenly spaced, the first and the last among them.

    Parameters
    ----------
    items : sequence
    most : int
        How many at most, two or more.

    Examples
    --------
    >>> spaced(range(2, 11), 5), spaced("ab", 5)
    ([2, 4, 6, 8, 10], ['a', 'b'])
    """
    count = len(items)
    if count <= most:
        return list(items)
    return [items[round(place * (count - 1) / (most - 1))] for place in range(most)]


def common_lifts(result: SideComparison) -> list[float]:
    """Return the lifts most variants were measured at, within the common range [m].

    Parameters
    ----------
    result : SideComparison
    """
    return _within(main_lifts(result), *result.range_m)


def _within(lifts: Sequence[float], low: float, high: float) -> list[float]:
    """Return the lifts of a range, its ends with them."""
    return [lift for lift in lifts if low - _SAME_M <= lift <= high + _SAME_M]


def ratio_variants(comparison: Comparison) -> list[tuple[VariantFlow, VariantFlow]]:
    """Return the variants flowed on both sides, intake and exhaust.

    Parameters
    ----------
    comparison : Comparison
    """
    if not {"intake", "exhaust"} <= set(comparison.sides):
        return []
    others = {variant.name: variant for variant in comparison.sides["exhaust"].variants}
    return [(one, others[one.name]) for one in comparison.sides["intake"].variants if one.name in others]


def ratio_lifts(comparison: Comparison) -> list[float]:
    """Return the lifts at which exhaust and intake are compared: the intake's, within both ranges [m].

    Parameters
    ----------
    comparison : Comparison
    """
    if not comparison.ratio_at_lift:
        return []
    intake, exhaust = comparison.sides["intake"], comparison.sides["exhaust"]
    lo, hi = (edge(intake.range_m[i], exhaust.range_m[i]) for i, edge in enumerate((max, min)))
    return _within(main_lifts(intake), lo, hi)


def ratio_between(pair: tuple[VariantFlow, VariantFlow], lift_m: float) -> tuple[float | None, bool]:
    """Return exhaust over intake flow at a lift, and whether both were measured there.

    Parameters
    ----------
    pair : tuple of VariantFlow
        Intake and exhaust of a variant.
    lift_m : float
        [m]
    """
    (intake, first), (exhaust, second) = (_flow(variant, lift_m) for variant in pair)
    if intake is None or exhaust is None:
        return None, False
    return exhaust / intake, first and second


def _flow(variant: VariantFlow, lift_m: float) -> tuple[float | None, bool]:
    """Return a variant's flow at a lift, and whether it was measured there."""
    known = measured(variant).get(round(lift_m, 6))
    return (known, True) if known is not None else (flow_at(variant, lift_m), False)


def velocity_between(variant: VariantFlow, lift_m: float) -> tuple[float | None, bool]:
    """Return the mean port velocity at a lift [m/s], and whether the flow was measured there.

    Parameters
    ----------
    variant : VariantFlow
        Its port's cross-section is known, and with it the velocity at its own lifts.
    lift_m : float
        [m]

    Notes
    -----
    Flow over cross-section, which is the same at every lift.
    """
    flow, known = _flow(variant, lift_m)
    if flow is None or not variant.port_velocity_m_s:
        return None, False
    return flow * variant.port_velocity_m_s[-1] / variant.flow_m3_s[-1], known


def velocity_unit(display: Display) -> tuple[str, float]:
    """Return the unit velocities are shown in, and the metres a second it has.

    Parameters
    ----------
    display : Display
    """
    return ("ft/s", _FOOT_M) if display.lift == "in" else ("m/s", 1.0)
