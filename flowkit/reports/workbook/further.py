"""The sheet behind the headline: bands of lift, factorial, exhaust over intake flow."""

from __future__ import annotations

from flowkit.analysis.gains import find_corners
from flowkit.analysis.results import Interaction
from flowkit.reports.further import (
    ALL_STEPS,
    FACTORIAL,
    BandTable,
    band_limits,
    band_tables,
    band_words,
    effects,
    gains_of_steps,
    ratio_between,
    ratio_lifts,
    ratio_variants,
)
from flowkit.reports.workbook.bands import band_mean
from flowkit.reports.workbook.draft import Draft
from flowkit.reports.workbook.gains import mean_formula
from flowkit.reports.workbook.pen import Formula, Pen
from flowkit.reports.workbook.plan import SidePlan
from flowkit.reports.workbook.styles import Style
from flowkit.units import from_si

__all__ = ["SHEET", "write_further"]

SHEET = "Bands and ratios"
_WIDTHS = {1: 26.0}
_WIDTH = 96.0
_RATIO = 3
"""Decimals of a ratio."""


def write_further(draft: Draft) -> None:
    """Write mean flow and gain in bands of lift, main effects and interactions, and exhaust over intake flow.

    Parameters
    ----------
    draft : Draft
    """
    pen = draft.pens[SHEET]
    pen.title(
        "Bands of lift, factorial and ratios",
        "Mean flows in bands are those of the ports on the sheet before; ratios at equal share of peak lift, which lie "
        "between the lifts, are computed by flowkit.",
        width=_WIDTH,
    )
    row = 4
    for side in draft.sides:
        for number, table in enumerate(band_tables(side.result)):
            row = _write_bands(draft, pen, side, (number, table), row)
    for side in draft.sides:
        row = _write_effects(draft, pen, side, row)
    row = _write_ratio_at_lift(draft, pen, row)
    row = _write_ratio_at_share(draft, pen, row)
    if row == 4:
        pen.put(4, 1, "There is nothing to be compared here.")
    pen.widths(_WIDTHS, 14.5)
    pen.paper(freeze="B4")


def _write_bands(draft: Draft, pen: Pen, side: SidePlan, numbered: tuple[int, BandTable], row: int) -> int:
    """Write one table of bands; return the next free row."""
    show = draft.display
    number, table = numbered
    known = dict(gains_of_steps(side.result))
    gained = any(gain is not None for item in table.rows for gain in item.gains)
    pen.put(row, 1, f"{side.side.capitalize()}: mean flow and gain of each step in bands of lift", Style("heading"))
    heads = ["variant"]
    for limit in table.limits:
        heads += [f"{band_limits(limit, show)}, {limit[0]}, {show.flow}", *(["gain of the step"] if gained else [])]
    pen.header(row + 1, heads, widths=_WIDTHS, words=(1,))
    row += 2
    step = 2 if gained else 1
    for item in table.rows:
        pen.put(row, 1, ALL_STEPS if item.variant is None else item.variant, Style(wrap=True))
        for place, (flow, gain) in enumerate(zip(item.flows_m3_s, item.gains, strict=True)):
            column = 2 + step * place
            if flow is not None and item.variant is not None:
                text = band_mean(draft, (side.side, number, item.variant), (), place)
                pen.put(row, column, Formula(text, from_si(flow, show.flow)), Style("formula", show.flow_digits))
            if gain is not None:
                one = known[item.variant]
                pair = [(side.side, number, name) for name in (one.from_, one.to)]
                ends = [band_mean(draft, which, one.matched_ports, place) for which in pair]
                pen.put(row, column + 1, Formula(f"{ends[1]}/{ends[0]}-1", gain), Style("formula", 1, gain=True))
        row += 1
    pen.put(row, 1, band_words(table), Style("quiet"))
    return row + 2


def _write_effects(draft: Draft, pen: Pen, side: SidePlan, row: int) -> int:
    """Write main effects and interactions of a side; return the next free row."""
    found = side.result.interactions
    corners = find_corners([variant.curves.state for variant in side.variants])
    if not found:
        return row
    pen.put(row, 1, f"{side.side.capitalize()}: main effects and interaction in mean flow", Style("heading"))
    assessed = any(item.interaction_u95 is not None for item in found)
    pen.header(row + 1, ["effect", "gain", *(["± 95 %"] if assessed else [])], widths=_WIDTHS, words=(1,))
    row += 2
    places = {known.factors: known.places for known in corners}
    for item in found:
        formulas = _effect_formulas(draft, side, places.get(item.factors), item)
        for effect, text in zip(effects(item), formulas, strict=True):
            pen.put(row, 1, effect.name, Style(wrap=True))
            pen.tall(row, 2 if len(effect.name) > _WIDTHS[1] else 1)
            style = Style("value" if text is None else "formula", 1, gain=True)
            pen.put(row, 2, effect.gain if text is None else Formula(text, effect.gain), style)
            if effect.u95 is not None:
                pen.put(row, 3, effect.u95, Style("value", 1, percent=True))
            row += 1
    pen.long_text(row, FACTORIAL, Style("quiet", wrap=True), width=_WIDTH)
    return row + 2


def _effect_formulas(
    draft: Draft, side: SidePlan, places: tuple[int, ...] | None, found: Interaction
) -> tuple[str | None, ...]:
    """Return both main effects and the interaction from the mean flows of the four corners; None where they moved."""
    if places is None:
        return (None,) * (len(found.main_effects) + 1)
    four = [side.variants[place] for place in places]
    shared = [set(variant.curves.port_names) for variant in four]
    ports = [port for port in four[0].curves.port_names if all(port in names for names in shared)]
    blocks = [draft.blocks[side.side, variant.name] for variant in four]
    q00, q10, q01, q11 = (mean_formula(draft, block, ports, block.flow) for block in blocks)
    return (
        f"SQRT({q10}/{q00}*{q11}/{q01})-1",
        f"SQRT({q01}/{q00}*{q11}/{q10})-1",
        f"{q11}*{q00}/({q10}*{q01})-1",
    )


def _write_ratio_at_lift(draft: Draft, pen: Pen, row: int) -> int:
    """Write exhaust over intake flow at equal lift; return the next free row."""
    pairs, lifts = ratio_variants(draft.contents.comparison), ratio_lifts(draft.contents.comparison)
    if not pairs or not lifts:
        return row
    show = draft.display
    pen.put(row, 1, "Exhaust over intake flow at equal lift", Style("heading"))
    pen.header(row + 1, [f"lift, {show.lift}", *(intake.name for intake, _ in pairs)], widths=_WIDTHS)
    row += 2
    for lift in lifts:
        _write_lift(draft, pen, row, lift)
        for column, pair in enumerate(pairs, 2):
            value, known = ratio_between(pair, lift)
            text = _ratio_formula(draft, pair[0].name, lift)
            if value is not None:
                kind = "value" if text is None else "formula" if known else "between"
                pen.put(row, column, value if text is None else Formula(text, value), Style(kind, _RATIO))
        row += 1
    return row + 1


def _write_lift(draft: Draft, pen: Pen, row: int, lift_m: float) -> None:
    """Write a lift of the intake, from its cell on the corrected flows."""
    side = next(side for side in draft.sides if side.side == "intake")
    block = draft.blocks[side.side, side.variants[0].name]
    place = side.place(lift_m)
    text = draft.pens["Corrected flows"].at(block.row(place), 1)
    value = from_si(side.grid[place], draft.display.lift)
    pen.put(row, 1, Formula(text, value), Style("formula", draft.display.lift_digits))


def _ratio_formula(draft: Draft, name: str, lift_m: float) -> str | None:
    """Return exhaust over intake at a lift that both sides have on the corrected flows, None else."""
    cells = {}
    for side in draft.sides:
        variant, block = side.variant(name), draft.blocks[side.side, name]
        try:
            place = side.place(lift_m)
        except KeyError:
            return None
        if not variant.first <= place <= variant.last:
            return None
        cells[side.side] = draft.pens["Corrected flows"].at(block.row(place), block.mean)
    return f"{cells['exhaust']}/{cells['intake']}"


def _write_ratio_at_share(draft: Draft, pen: Pen, row: int) -> int:
    """Write exhaust over intake flow at equal share of peak lift; return the next free row."""
    points = draft.contents.comparison.ratio_at_fraction
    if not points:
        return row
    names = list(dict.fromkeys(point.variant for point in points))
    known = {(point.variant, point.at): point.ratio for point in points}
    pen.put(row, 1, "Exhaust over intake flow at equal share of peak lift", Style("heading"))
    pen.header(row + 1, ["share of peak lift", *names], widths=_WIDTHS)
    row += 2
    for at in sorted({point.at for point in points}):
        pen.put(row, 1, at, Style("value", 0, percent=True))
        for column, name in enumerate(names, 2):
            pen.put(row, column, known.get((name, at)), Style("value", _RATIO))
        row += 1
    return row + 1
