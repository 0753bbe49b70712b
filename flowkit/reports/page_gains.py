"""Tables of what stands behind the headline: bands of lift, every figure of a gain, factorial, ratios."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from flowkit.analysis.results import Comparison, Gain, SideComparison
from flowkit.drawing import Display, text_width
from flowkit.model import Side
from flowkit.reports.fitting import clean, shorten, wrap
from flowkit.reports.further import (
    ALL_STEPS,
    BY_GEOMETRY,
    FACTORIAL,
    BandTable,
    band_limits,
    band_tables,
    band_words,
    effects,
    gains_of_steps,
    has_expected,
    ratio_between,
    ratio_lifts,
    ratio_variants,
    share_words,
)
from flowkit.reports.labels import (
    NOTHING,
    flow_text,
    interval_text,
    lift_text,
    numeral,
    percent,
    sides_of,
    signed_percent,
)
from flowkit.reports.layout import SIZES
from flowkit.reports.names import Names
from flowkit.reports.page_table import GAP
from flowkit.reports.stream import Stream
from flowkit.reports.table import Cell, Column, Row, Table, fit_columns, needed_width

__all__ = ["has_gain_tables", "write_gain_tables", "write_ratio_tables"]

_GAP = 6.0
_LABEL = 110.0
"""No name of a row is wider than this [pt]."""


@dataclass(frozen=True, slots=True)
class _Head:
    """A column's head, the group it stands in, and the variant whose line is shown over it."""

    text: str
    group: str = ""
    variant: int | None = None


def has_gain_tables(comparison: Comparison) -> bool:
    """Whether there is anything to say beyond the headline.

    Parameters
    ----------
    comparison : Comparison
    """
    return any(_several_lifts(result) or band_tables(result) for _, result in sides_of(comparison))


def _several_lifts(result: SideComparison) -> bool:
    """Whether gains differ along the lift: there are some, over more than a single lift."""
    return bool(result.gains) and result.range_m[1] > result.range_m[0]


def write_gain_tables(stream: Stream, comparison: Comparison, names: Names, display: Display) -> None:
    """Write mean flow and gain in bands of lift, every figure of each gain, main effects and interaction.

    Parameters
    ----------
    stream : Stream
    comparison : Comparison
    names : Names
    display : Display
        The units shown.
    """
    sides = sides_of(comparison)
    bands = [(side, table) for side, result in sides for table in band_tables(result)]
    _write(
        stream,
        "Mean flow and gain of each step in bands of lift: low, middle, high",
        [_band_table(side, table, names, display) for side, table in bands],
        list(dict.fromkeys(band_words(table) for _, table in bands)),
    )
    figures = [_figures(side, result, names, display) for side, result in sides if _several_lifts(result)]
    expected = any(has_expected(result) for _, result in sides)
    _write(stream, "Gain of each step in per cent, figure by figure", figures, [BY_GEOMETRY] if expected else [])
    factorial = [_effects(side, result) for side, result in sides if result.interactions]
    _write(stream, "Factorial: main effects and interaction in mean flow", factorial, [FACTORIAL])


def _write(stream: Stream, heading: str, tables: Sequence[Table], notes: Sequence[str]) -> None:
    """Write tables under a heading with notes under them, where there are any."""
    if not tables:
        return
    stream.headed(heading, tables, notes)


def _label(name: str | None, names: Names) -> Cell:
    """Return what a row is called."""
    return Cell(ALL_STEPS if name is None else shorten(names.head(name), _LABEL, SIZES.body))


def _columns(heads: Sequence[_Head], rows: Sequence[Row]) -> tuple[Column, ...]:
    """Return columns as wide as their cells and heads need, a group over those that share one."""
    columns = []
    for place, head in enumerate(heads):
        gap = _GAP if place else 0.0
        words = max((text_width(word, SIZES.small) for word in head.text.replace(", ", ",_").split()), default=0.0)
        need = max(needed_width([row.cells[place].text for row in rows], gap=gap), gap + words)
        if head.group:
            members = sum(other.group == head.group for other in heads)
            need = max(need, (text_width(head.group, SIZES.small) + 9.0) / members)
        lines = tuple(wrap(head.text, need - gap + 0.1, SIZES.small)) if head.text else ("",)
        columns.append(Column(lines, need, head.group, head.variant, "left" if place == 0 else "right"))
    return tuple(columns)


def _band_table(side: Side, table: BandTable, names: Names, display: Display) -> Table:
    """Return mean flow of every variant and gain of every step, band by band."""
    gained = any(gain is not None for row in table.rows for gain in row.gains)
    heads = [_Head("")]
    for limit in table.limits:
        group = band_limits(limit, display)
        heads += [_Head(display.flow, group), *([_Head("step, %", group)] if gained else [])]
    rows = []
    for row in table.rows:
        cells = [_label(row.variant, names)]
        for flow, gain in zip(row.flows_m3_s, row.gains, strict=True):
            cells.append(Cell("" if flow is None else flow_text(flow, display)))
            cells += [Cell("" if gain is None else signed_percent(gain))] if gained else []
        rows.append(Row(tuple(cells), rule_above=row.variant is None))
    return Table(side.capitalize(), _columns(heads, rows), tuple(rows), filled=side == "intake")


def _figures(side: Side, result: SideComparison, names: Names, display: Display) -> Table:
    """Return every step's further figures of gain, in per cent."""
    gains = gains_of_steps(result)
    columns: list[tuple[_Head, Callable[[Gain], str]]] = [
        (_Head("mean of lifts"), lambda gain: signed_percent(gain.mean_of_gains))
    ]
    if has_expected(result):
        columns.append((_Head("by geometry"), lambda gain: signed_percent(gain.expected_from_geometry)))
    at = f"at {display.lift}"
    columns += [
        (_Head("at top lift"), lambda gain: signed_percent(gain.gain_at_top_lift)),
        (_Head("%", "largest"), lambda gain: signed_percent(gain.largest.gain)),
        (_Head(at, "largest"), lambda gain: lift_text(gain.largest.lift_m, display)),
        (_Head("%", "smallest"), lambda gain: signed_percent(gain.smallest.gain)),
        (_Head(at, "smallest"), lambda gain: lift_text(gain.smallest.lift_m, display)),
    ]
    if len(gains) > 1 and any(gain.share_of_total is not None for _, gain in gains):
        columns.append((_Head("share of total"), share_words))
    rows = [
        Row((_label(name, names), *(Cell(write(gain)) for _, write in columns)), rule_above=name is None)
        for name, gain in gains
    ]
    heads = [_Head(""), *(head for head, _ in columns)]
    return Table(side.capitalize(), _columns(heads, rows), tuple(rows), filled=side == "intake")


def _effects(side: Side, result: SideComparison) -> Table:
    """Return main effects and interactions."""
    rows: list[Row] = []
    for found in result.interactions:
        for place, effect in enumerate(effects(found)):
            name = Cell(shorten(clean(effect.name), 2 * _LABEL, SIZES.body))
            cells = (name, Cell(signed_percent(effect.gain)), Cell(interval_text(effect.u95), "dim"))
            rows.append(Row(cells, rule_above=bool(rows) and place == 0))
    heads = [_Head(""), _Head("%"), _Head("")]
    return Table(side.capitalize(), _columns(heads, rows), tuple(rows), filled=side == "intake")


def write_ratio_tables(stream: Stream, comparison: Comparison, names: Names, display: Display) -> None:
    """Write exhaust flow over intake flow, at equal lift and at equal share of peak lift.

    Parameters
    ----------
    stream : Stream
    comparison : Comparison
    names : Names
    display : Display
        The units shown.
    """
    pairs = {intake.name: (intake, exhaust) for intake, exhaust in ratio_variants(comparison)}
    width = (stream.paper.inner_width - GAP) / 2

    def table(first: str, group: str, rows: Sequence[Row]) -> Table:
        """Return ratios, a row a lift and a column a variant."""
        heads = [_Head(first), *(_Head(names.head(name), group, names.place[name]) for name in pairs)]
        columns = fit_columns([replace(column, align="right") for column in _columns(heads, rows)], width, most=44.0)
        between = any(cell.style == "italic" for row in rows for cell in row.cells)
        return Table("", columns, tuple(rows), ("italic: between measured lifts",) if between else ())

    at_lift = [
        Row((Cell(lift_text(lift, display)), *(_ratio(*ratio_between(pair, lift)) for pair in pairs.values())))
        for lift in ratio_lifts(comparison)
    ]
    known = {(point.variant, point.at): point.ratio for point in comparison.ratio_at_fraction}
    at_share = [
        Row((Cell(percent(at, 0)), *(_ratio(known.get((name, at)), True) for name in pairs)))
        for at in sorted({at for _, at in known})
    ]
    tables = [
        table(first, group, rows)
        for first, group, rows in (
            (f"lift, {display.lift}", "exhaust over intake at equal lift", at_lift),
            ("peak lift, %", "exhaust over intake at equal share of peak", at_share),
        )
        if rows
    ]
    if tables:
        stream.need(60.0)
        stream.tables(tables)


def _ratio(value: float | None, known: bool) -> Cell:
    """Return a ratio, italic where it lies between measured lifts."""
    if value is None:
        return Cell(NOTHING, "dim")
    return Cell(numeral(value, 2), "plain" if known else "italic")
