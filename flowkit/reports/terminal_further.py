"""What follows a side's table on a terminal: bands of lift, figures of every gain, factorial, velocity, ratios."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from flowkit.analysis.results import Comparison, Gain, SideComparison
from flowkit.drawing import Display
from flowkit.reports.further import (
    ALL_STEPS,
    BY_GEOMETRY,
    FACTORIAL,
    BandTable,
    band_head,
    band_tables,
    band_words,
    common_lifts,
    effects,
    gains_of_steps,
    has_expected,
    ratio_between,
    ratio_lifts,
    ratio_variants,
    share_words,
    spaced,
    velocity_between,
    velocity_unit,
)
from flowkit.reports.labels import NOTHING, flow_text, interval_text, lift_text, numeral, percent, signed_percent
from flowkit.reports.plain import printable
from flowkit.reports.terminal_parts import Parts
from flowkit.reports.terminal_wide import Block, WideTable

__all__ = ["further_of_side", "ratio_text"]

_SHOWN = 5
"""Lifts of a compact table."""
_BETWEEN = "~ between measured lifts."


def further_of_side(result: SideComparison, display: Display) -> Parts:
    """Return what there is to say of a side beyond its table and the worth of each step.

    Parameters
    ----------
    result : SideComparison
    display : Display
        The units shown.

    Returns
    -------
    tuple of rich renderables
        Mean flow and gain in bands of lift, the further figures of every gain with what geometry
        promised, main effects and interaction, mean port velocity: each only where it is known.
    """
    bands = band_tables(result)
    parts = [
        *(_bands(table, display, last=table is bands[-1]) for table in bands),
        *_figures(result, display),
        *_factorial(result),
        *_velocity(result, display),
    ]
    return tuple(item for part in parts for item in ("", part))


def _label(name: str | None) -> str:
    """Return what a row is called."""
    return ALL_STEPS if name is None else printable(name)


def _bands(table: BandTable, display: Display, *, last: bool) -> WideTable:
    """Return mean flow of every variant and gain of every step, band by band."""
    gained = any(gain is not None for row in table.rows for gain in row.gains)
    blocks: list[Block] = []
    for place, limit in enumerate(table.limits):
        flows = [row.flows_m3_s[place] for row in table.rows]
        cells = ["" if flow is None else flow_text(flow, display) for flow in flows]
        block: Block = [(band_head(limit, display), cells)]
        if gained:
            gains = [row.gains[place] for row in table.rows]
            block.append(("step %", ["" if gain is None else signed_percent(gain) for gain in gains]))
        blocks.append(block)
    labels = [f"mean flow by band of lift, {display.flow}", *(_label(row.variant) for row in table.rows)]
    return WideTable("", labels, blocks, notes=band_words(table) if last else "", names="left")


def _figures(result: SideComparison, display: Display) -> list[WideTable]:
    """Return the further figures of every step's gain."""
    gains = gains_of_steps(result)
    top = f"at {lift_text(result.range_m[1], display)} {display.lift}"
    if not gains or result.range_m[1] <= result.range_m[0]:
        return []

    def column(head: str, cell: Callable[[Gain], str]) -> tuple[str, list[str]]:
        """Return a column, a cell a gain."""
        return head, [cell(gain) for _, gain in gains]

    blocks: list[Block] = [[column("mean of lifts", lambda gain: signed_percent(gain.mean_of_gains))]]
    notes = ""
    if has_expected(result):
        blocks[0].append(column("by geometry", lambda gain: signed_percent(gain.expected_from_geometry)))
        notes = BY_GEOMETRY
    at = f"at {display.lift}"
    blocks += [
        [column(top, lambda gain: signed_percent(gain.gain_at_top_lift))],
        [
            column("largest", lambda gain: signed_percent(gain.largest.gain)),
            column(at, lambda gain: lift_text(gain.largest.lift_m, display)),
        ],
        [
            column("smallest", lambda gain: signed_percent(gain.smallest.gain)),
            column(at, lambda gain: lift_text(gain.smallest.lift_m, display)),
        ],
    ]
    if len(gains) > 1 and any(gain.share_of_total is not None for _, gain in gains):
        blocks.append([column("of the total %", share_words)])
    return [
        WideTable("", ["gain of the step, %", *(_label(name) for name, _ in gains)], blocks, notes=notes, names="left")
    ]


def _factorial(result: SideComparison) -> list[WideTable]:
    """Return main effects and interaction of every two factors whose four corners were tested."""
    rows = [row for found in result.interactions for row in effects(found)]
    if not rows:
        return []
    labels = ["factorial, mean flow", *(printable(row.name) for row in rows)]
    told = [f"{signed_percent(row.gain)} {interval_text(row.u95)}".strip() for row in rows]
    return [WideTable("", labels, [[("%", told)]], notes=FACTORIAL, names="left")]


def _velocity(result: SideComparison, display: Display) -> list[WideTable]:
    """Return the mean velocity in the port at some lifts."""
    variants = [variant for variant in result.variants if variant.port_velocity_m_s]
    lifts = spaced(common_lifts(result), _SHOWN)
    unit, scale = velocity_unit(display)
    if not variants or not lifts:
        return []
    rows = [[velocity_between(variant, lift) for lift in lifts] for variant in variants]
    cells = [[_marked(value and value / scale, known, 1) for value, known in row] for row in rows]
    names = [printable(variant.name) for variant in variants]
    return [_at_lifts(f"mean port velocity, {unit}", names, lifts, cells, display)]


def _marked(value: float | None, known: bool, digits: int) -> str:
    """Write a number, marked where it lies between measured lifts."""
    if value is None:
        return NOTHING
    return numeral(value, digits) if known else "~" + numeral(value, digits)


def _at_lifts(
    head: str, names: Sequence[str], lifts: Sequence[float], cells: Sequence[Sequence[str]], display: Display
) -> WideTable:
    """Return a row a variant and a column a lift."""
    blocks: list[Block] = [
        [(f"at {lift_text(lift, display)} {display.lift}", [row[place] for row in cells])]
        for place, lift in enumerate(lifts)
    ]
    between = any(cell.startswith("~") for row in cells for cell in row)
    return WideTable("", [head, *names], blocks, notes=_BETWEEN if between else "", names="left")


def ratio_text(comparison: Comparison, display: Display) -> Parts:
    """Return exhaust flow over intake flow, at equal lift and at equal share of peak lift.

    Parameters
    ----------
    comparison : Comparison
    display : Display
        The units shown.

    Returns
    -------
    tuple of rich renderables
        Empty where only one side was flowed.
    """
    pairs = ratio_variants(comparison)
    lifts = spaced(ratio_lifts(comparison), _SHOWN)
    parts: list[WideTable] = []
    if pairs and lifts:
        rows = [[ratio_between(pair, lift) for lift in lifts] for pair in pairs]
        cells = [[_marked(value, known, 2) for value, known in row] for row in rows]
        names = [printable(intake.name) for intake, _ in pairs]
        parts.append(_at_lifts("exhaust over intake at equal lift", names, lifts, cells, display))
    points = comparison.ratio_at_fraction
    shares = spaced(sorted({point.at for point in points}), _SHOWN)
    if shares:
        known = {(point.variant, point.at): point.ratio for point in points}
        names = list(dict.fromkeys(point.variant for point in points))
        blocks: list[Block] = [
            [(f"{percent(at, 0)} %", [numeral(known.get((name, at)), 2) for name in names])] for at in shares
        ]
        parts.append(
            WideTable("", ["exhaust over intake, share of peak lift", *map(printable, names)], blocks, names="left")
        )
    if not parts:
        return ()
    return tuple(item for part in parts for item in ("", part))[1:]
