"""Pages behind page 1: gains by lift, ports, areas and velocities."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from flowkit.analysis.areas import Coefficients
from flowkit.analysis.lifts import pchip
from flowkit.analysis.results import (
    Comparison,
    Gain,
    LiftGain,
    PortFlow,
    RatioPoint,
    SideComparison,
    VariantFlow,
)
from flowkit.analysis.sentences import cause
from flowkit.drawing import bare_axes, draw_curve, text_width, variant_style
from flowkit.model import Side
from flowkit.reports.contents import (
    ALL_STEPS,
    BY_GEOMETRY,
    FACTORIAL,
    BandTable,
    GainColumn,
    ReportContents,
    all_ports,
    band_limits,
    band_tables,
    band_words,
    common_lifts,
    effects,
    evidence,
    evidence_note,
    further_figures,
    gains_of_steps,
    has_expected,
    main_lifts,
    port_row,
    ratio_between,
    ratio_lifts,
    ratio_variants,
    velocity_between,
    velocity_unit,
    with_interval,
)
from flowkit.reports.labels import gain_cell, port_text, resolved_words, sides_of
from flowkit.reports.pages.first import Series, draw_lines, every_lift, further_sentences, port_cells, variant_columns
from flowkit.reports.pages.layout import SIZES, Names, Page, clean, shorten, shorten_name, wrap
from flowkit.reports.pages.table import (
    GAP,
    LEFT_GAP,
    Cell,
    Column,
    Flowing,
    Row,
    Stream,
    Table,
    fit_columns,
    fitted_tables,
    needed_width,
)
from flowkit.units import from_si
from flowkit.wording import (
    NOTHING,
    Display,
    by_value,
    display_of,
    flow_text,
    gain_figure,
    interval_text,
    lift_text,
    numeral,
    percent_figure,
    signed_figure,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_GAP = 6.0
_LABEL = 110.0
"""No name of a row is wider than this [pt]."""


@dataclass(frozen=True, slots=True)
class _Head:
    """A column's head, its group, and the variant whose line is shown over it."""

    text: str
    group: str = ""
    variant: int | None = None


def has_gain_tables(comparison: Comparison) -> bool:
    """Whether there is anything to say beyond the headline."""
    return any(_several_lifts(result) or band_tables(result) for _, result in sides_of(comparison))


def _several_lifts(result: SideComparison) -> bool:
    """Whether gains differ along the lift: there are some, over more than a single lift."""
    return bool(result.gains) and result.range_m[1] > result.range_m[0]


def write_gain_tables(stream: Stream, comparison: Comparison, names: Names, display: Display) -> None:
    """Write mean flow and gain in bands of lift, every figure of each gain, main effects and interaction."""
    sides = sides_of(comparison)
    bands = [(side, table) for side, result in sides for table in band_tables(result)]
    gained = " and gain of each step" if any(result.steps for _, result in sides) else ""
    _write(
        stream,
        f"Mean flow{gained} in bands of lift: low, middle, high",
        [_band_table(side, table, names, display) for side, table in bands],
        list(dict.fromkeys(band_words(table) for _, table in bands)),
    )
    figures = [(side, result, further_figures(result, display)) for side, result in sides]
    tables = [_gain_table(side, result, columns, names) for side, result, columns in figures if columns]
    expected = any(has_expected(result) for _, result in sides)
    _write(stream, "Gain of each step, %, figure by figure", tables, [BY_GEOMETRY] if expected else [])
    proofs = [(side, result, evidence(result)) for side, result in sides]
    shown = [_gain_table(side, result, columns, names) for side, result, columns in proofs if columns]
    _write(stream, "What the data show about each gain, %", shown, [evidence_note(c for *_, c in proofs)])
    factorial = [_effects(side, result) for side, result in sides if result.interactions]
    _write(stream, "Factorial: main effects and interaction in mean flow", factorial, [FACTORIAL])


def _write(stream: Stream, heading: str, tables: Sequence[Table], notes: Sequence[str]) -> None:
    """Write tables under a heading with notes under them, where there are any."""
    if not tables:
        return
    stream.headed(heading, tables, notes)


def _label(name: str | None, names: Names) -> Cell:
    """Return what a row is called."""
    return Cell(ALL_STEPS if name is None else shorten_name(names.head(name), _LABEL, SIZES.body))


def _gains_columns(heads: Sequence[_Head], rows: Sequence[Row]) -> tuple[Column, ...]:
    """Return columns as wide as their cells and heads need, a group over those that share one."""
    columns = []
    for place, head in enumerate(heads):
        gap = _GAP if place else 0.0
        gap += _GAP if head.group and head.group != heads[place - 1].group else 0.0
        text = head.text.replace(", ", ",_")
        # In two lines at most.
        cuts = [len(text), *(at for at, letter in enumerate(text) if letter == " ")]
        words = min(max(text_width(text[:at], SIZES.small), text_width(text[at + 1 :], SIZES.small)) for at in cuts)
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
            cells += [Cell(with_interval(gain))] if gained else []
        rows.append(Row(tuple(cells), rule_above=row.variant is None))
    return Table(side.capitalize(), _gains_columns(heads, rows), tuple(rows), filled=side == "intake")


def _gain_table(side: Side, result: SideComparison, columns: Sequence[GainColumn], names: Names) -> Table:
    """Return figures of every step's gain, a row a step."""
    rows = [
        Row((_label(name, names), *(Cell(column.cell(gain)) for column in columns)), rule_above=name is None)
        for name, gain in gains_of_steps(result)
    ]
    heads = [_Head(""), *(_Head(column.head, column.group) for column in columns)]
    return Table(side.capitalize(), _gains_columns(heads, rows), tuple(rows), filled=side == "intake")


def _effects(side: Side, result: SideComparison) -> Table:
    """Return main effects and interactions."""
    rows: list[Row] = []
    for found in result.interactions:
        for place, effect in enumerate(effects(found)):
            name = Cell(shorten(clean(effect.name), 2 * _LABEL, SIZES.body))
            cells = (name, Cell(signed_figure(effect.gain)), Cell(interval_text(effect.u95), "dim"))
            rows.append(Row(cells, rule_above=bool(rows) and place == 0))
    heads = [_Head(""), _Head("%"), _Head("")]
    return Table(side.capitalize(), _gains_columns(heads, rows), tuple(rows), filled=side == "intake")


def write_ratio_tables(stream: Stream, comparison: Comparison, names: Names, display: Display) -> None:
    """Write exhaust flow over intake flow, at equal lift and at equal share of peak lift."""
    pairs = {intake.name: (intake, exhaust) for intake, exhaust in ratio_variants(comparison)}
    width = (stream.paper.inner_width - GAP) / 2

    def table(first: str, group: str, rows: Sequence[Row]) -> Table:
        """Return ratios, a row a lift and a column a variant."""
        heads = [_Head(first), *(_Head(names.head(name), group, names.place[name]) for name in pairs)]
        columns = fit_columns(
            [replace(column, align="right") for column in _gains_columns(heads, rows)], width, most=44.0
        )
        return Table("", columns, tuple(rows), _notes(rows))

    at_lift = [
        Row((Cell(lift_text(lift, display)), *(_figure(*ratio_between(pair, lift), 2) for pair in pairs.values())))
        for lift in ratio_lifts(comparison)
    ]
    known = {(point.variant, point.at): point.ratio for point in comparison.ratio_at_fraction}
    at_share = [
        Row((Cell(percent_figure(at, 0)), *(_figure(known.get((name, at)), True, 2) for name in pairs)))
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


def _figure(value: float | None, known: bool, digits: int) -> Cell:
    """Return a figure, italic where it lies between measured lifts."""
    if value is None:
        return Cell(NOTHING, "dim")
    return Cell(numeral(value, digits), "plain" if known else "italic")


DETAIL_PANEL = 150.0


_KEEP = 0.4
"""A heading keeps tables with it up to this share of a page."""


def write_detail(stream: Stream, contents: ReportContents, names: Names, left_over: Flowing, *, steps: bool) -> None:
    """Write what is left of page 1's tables and steps, every measured lift, the gains, ratios and sentences."""
    tables = every_lift(contents, stream.paper, names)
    comparison = contents.comparison
    ratios = comparison.ratio_at_lift or comparison.ratio_at_fraction
    if left_over.done and tables is None and not ratios and not steps and not has_gain_tables(comparison):
        return  # the sentences alone go with the notes
    display = display_of(contents.info.display)
    stream.chapter("Flow in detail")
    stream.sentences(further_sentences(contents, stream.paper))
    if steps:
        _write_steps(stream, comparison, names)
    if not left_over.done and tables is None:
        stream.heading("Flow and gain at each lift", keep=min(left_over.height(), _KEEP * stream.paper.inner_bottom))
        stream.flow(left_over)
    if tables is not None:
        stream.heading("Every measured lift", keep=80.0)
        stream.flow(tables)
    write_gain_tables(stream, comparison, names, display)
    _draw_ratios(stream, contents, names)
    write_ratio_tables(stream, comparison, names, display)


def _write_steps(stream: Stream, comparison: Comparison, names: Names) -> None:
    """Write what each step was worth, where page 1 had no room for all of them."""
    tables = []
    room = stream.paper.inner_width - 140.0
    for side, result in sides_of(comparison):
        rows = [
            Row((
                _label(name, names), Cell(gain_cell(gain)),
                Cell(shorten(f"{clean(cause(gain))}; {resolved_words(gain)}", room, SIZES.body)),
            ), rule_above=name is None)
            for name, gain in gains_of_steps(result)
        ]  # fmt: skip
        columns = list(_gains_columns([_Head(""), _Head("mean flow"), _Head("what changed")], rows))
        columns[2] = replace(columns[2], align="left", width=columns[2].width + LEFT_GAP)
        tables.append(Table(side.capitalize(), tuple(columns), tuple(rows), filled=side == "intake"))
    _write(stream, "What each step was worth", tables, [])


def _draw_ratios(stream: Stream, contents: ReportContents, names: Names) -> None:
    """Draw exhaust flow over intake flow, at equal lift and at equal fraction of peak lift."""
    comparison, display = contents.comparison, display_of(contents.info.display)
    panels = [
        ("Exhaust over intake flow at equal lift", _ratios(comparison.ratio_at_lift, names, display), display.lift),
        ("Exhaust over intake flow at equal share of peak lift", _ratios(comparison.ratio_at_fraction, names), ""),
    ]
    panels = [panel for panel in panels if panel[1]]
    if not panels:
        return
    stream.need(stream.scale * DETAIL_PANEL + 10.0)
    column = (stream.paper.inner_width - GAP) / 2
    for place, (title, series, unit) in enumerate(panels):
        draw_lines(
            stream.page,
            (stream.page.left + place * (column + GAP), stream.y + 8.0, column, stream.scale * DETAIL_PANEL),
            title,
            series,
            names,
            x_label=f"valve lift, {unit}" if unit else "share of peak lift, %",
            least_span=_ratio_span(comparison),
        )
    stream.y += stream.scale * DETAIL_PANEL + 14.0


def _ratio_span(comparison: Comparison) -> float:
    """Return how much of a ratio's scale is shown at least: four times what the data can tell apart."""
    halves = [
        math.hypot(intake.mean_flow_u95 or 0.0, exhaust.mean_flow_u95 or 0.0)
        for intake, exhaust in ratio_variants(comparison)
    ]
    return max(0.2, 4.0 * max(halves, default=0.0))


def _ratios(points: Sequence[RatioPoint], names: Names, display: Display | None = None) -> list[Series]:
    """Return a line a variant; shares in percent, lifts in the units shown."""
    series = []
    for name in names.place:
        mine = sorted((item.at, item.ratio) for item in points if item.variant == name)
        if mine:
            xs = [from_si(at, display.lift) if display else 100 * at for at, _ in mine]
            series.append(Series(name, xs, [ratio for _, ratio in mine]))
    return series


PANEL_GAP = 10.0
SCALE = 20.0


def write_ports(stream: Stream, contents: ReportContents, names: Names) -> None:
    """Draw every port's curves on one scale, and the table of their mean flows."""
    display = display_of(contents.info.display)
    sides = sides_of(contents.comparison)
    grids = [(side, result, all_ports(result)) for side, result in sides]
    rows = sum(_grid(len(ports))[1] for _, _, ports in grids)
    whole = stream.paper.inner_bottom - stream.paper.top - 80.0
    height = min(stream.scale * (150.0 if rows == 1 else 118.0), (whole - 34.0 * len(grids)) / rows)
    lead = f"All panels on one scale: flow ({display.flow}) against valve lift ({display.lift})."
    stream.chapter("Port by port", lead, keep=min(whole, 130.0 + height * _grid(len(grids[0][2]))[1]))
    stream.key(names)
    top = 1.05 * max(
        from_si(flow, display.flow)
        for _, result, _ in grids
        for variant in result.variants
        for port in variant.ports
        for flow in port.flow_m3_s
    )
    for side, result, ports in grids:
        stream.heading(f"{side.capitalize()}", keep=height * _grid(len(ports))[1] + 4.0)
        stream.y = _draw_grid(
            stream.page, stream.y, side, result, ports=ports, names=names, display=display, scale=(top, height)
        )
    tables = fitted_tables(
        sides, stream.paper.inner_width, lambda side, result, room: _ports_table(side, result, names, display, room)
    )
    gained = ", and its gain" if any(result.gains for _, result in sides) else ""
    stream.headed(f"Mean flow of each port{gained}", tables)
    for side, result in sides:
        _write_lagging(stream, side, result, names, display)


def _write_lagging(stream: Stream, side: Side, result: SideComparison, names: Names, display: Display) -> None:
    """Say which port flows least, and where, in the variants where it is worth naming."""
    lagging: dict[str, list[str]] = {}
    for variant in result.variants:
        lag = variant.lagging
        if lag is not None and lag.beyond_scatter:
            words = f"{names.head(variant.name)} {percent_figure(lag.below_mean)} %"
            if lag.worst_lift_m is not None and lag.worst_below_mean is not None:
                where = f"{lift_text(lag.worst_lift_m, display)} {display.lift}"
                words += f" (most at {where}: {percent_figure(lag.worst_below_mean)} %)"
            lagging.setdefault(lag.port, []).append(words)
    for port, said in lagging.items():
        stream.text(
            f"{side.capitalize()}, {clean(port_text(port))} flows less than the mean of its ports: {', '.join(said)}."
        )


def _grid(count: int) -> tuple[int, int]:
    """Return columns and rows for so many panels."""
    if count <= 8:
        columns = max(2, count) if count <= 4 else 4
    else:
        columns = min((5, 6, 7, 8), key=lambda wide: (-count % wide, wide))
    return columns, -(-count // columns)


def _draw_grid(
    page: Page,
    y: float,
    side: Side,
    result: SideComparison,
    *,
    ports: Sequence[str],
    names: Names,
    display: Display,
    scale: tuple[float, float],
) -> float:
    """Draw one side's panels from y on; return where they end."""
    from matplotlib.ticker import MaxNLocator

    top, height = scale
    columns, rows = _grid(len(ports))
    width = (page.paper.inner_width - SCALE - PANEL_GAP * (columns - 1)) / columns
    right = 1.03 * max(from_si(v.lifts_m[-1], display.lift) for v in result.variants)
    for number, port in enumerate(ports):
        row, column = divmod(number, columns)
        left = page.left + SCALE + column * (width + PANEL_GAP)
        upper = y + row * height
        page.write(left, upper + 8.0, shorten(clean(port_text(port)), width, SIZES.body, bold=True), bold=True)
        at_edge = (column == 0, number + columns >= len(ports))

        @page.chart(left, upper + 12.0, width, height - 26.0)
        def panel(ax: Axes, port: str = port, at_edge: tuple[bool, bool] = at_edge) -> None:
            """Draw one port's curves."""
            ax.set_xlim(0, right)
            ax.set_ylim(0, top)
            for variant in result.variants:
                for item in variant.ports:
                    if item.label == port:
                        _draw_port(ax, item, names.place[variant.name], display, filled=side == "intake")
            bare_axes(ax, size=SIZES.small)
            ax.yaxis.set_major_locator(MaxNLocator(4))
            low, high = ax.get_xlim()
            most = low + 0.88 * (high - low)  # a number at the end would touch the next chart's first
            ax.set_xticks([tick for tick in MaxNLocator(4).tick_values(low, high) if low <= tick <= most])
            ax.tick_params(labelleft=at_edge[0], labelbottom=at_edge[1])
            ax.grid(True, axis="y")

    return y + rows * height + 2.0


def _draw_port(ax: Axes, port: PortFlow, place: int, display: Display, *, filled: bool) -> None:
    """Draw one port of one variant."""
    draw_curve(
        ax,
        [from_si(lift, display.lift) for lift in port.lifts_m],
        [from_si(flow, display.flow) for flow in port.flow_m3_s],
        variant_style(place),
        filled=filled,
        scale=0.7,
        points=40,
    )


def _ports_table(side: Side, result: SideComparison, names: Names, display: Display, width: float) -> Table:
    """Return mean flow and gain of each port, the mean, and the spread."""
    totals = {gain.to: gain for gain in result.totals}
    rows = []
    for port in all_ports(result):
        name = Cell(shorten(clean(port) or "all", 60.0, SIZES.body))
        cells = port_cells(result, port, display)[: len(result.variants)]
        cells += [
            Cell(NOTHING if item.value is None else gain_figure(item.value, item.u95, item.low, item.high))
            for item in port_row(result, port).gains
        ]
        rows.append(Row((name, *cells)))
    means = [Cell(flow_text(variant.mean_flow_m3_s, display), "bold") for variant in result.variants]
    gained = [
        Cell(
            gain_figure(
                gain.mean_flow_gain, gain.mean_flow_gain_u95, gain.mean_flow_gain_low, gain.mean_flow_gain_high
            ),
            "bold",
        )
        for gain in totals.values()
    ]
    rows.append(Row((Cell("mean", "bold"), *means, *gained), rule_above=True))
    if any(variant.port_spread is not None for variant in result.variants):
        blank = tuple(Cell("") for _ in totals)
        spreads = [
            Cell(NOTHING if v.port_spread is None else f"{percent_figure(v.port_spread)} %") for v in result.variants
        ]
        rows.append(Row((Cell("spread"), *spreads, *blank)))
        if any(variant.port_spread_u95 is not None for variant in result.variants):
            halves = [
                Cell(NOTHING if v.port_spread_u95 is None else f"{percent_figure(v.port_spread_u95)} %", "dim")
                for v in result.variants
            ]
            rows.append(Row((Cell("± 95 %", "dim"), *halves, *blank)))
    columns = variant_columns("port", side, result, rows, width, names=names, display=display)
    return Table("", tuple(columns), tuple(rows), filled=side == "intake")


_EXPECTED = (
    "By geometry: the ratio of the minimum areas after and before (Heywood 1988, eqs 6.7–6.9), which is what the step "
    "would give if the flow filled its narrowest passage as well as before. Means are over every lift of either state."
)
_VELOCITY = "Flow at the reference over the port's stated cross-section."
_ITALIC = ("italic: between measured lifts",)

Sides = Sequence[tuple[Side, SideComparison]]


def write_velocity(stream: Stream, sides: Sides, names: Names, display: Display) -> None:
    """Write the mean velocity in the port, lift by lift, where its cross-section is known."""
    known = [(s, result) for s, result in sides if any(variant.port_velocity_m_s for variant in result.variants)]
    if not known:
        return

    make = partial(_velocity_table, names=names, display=display)
    tables = fitted_tables(known, stream.paper.inner_width, make)
    stream.headed("Mean port velocity", tables, [_VELOCITY])


def _velocity_table(side: Side, result: SideComparison, width: float, names: Names, display: Display) -> Table:
    """Return a row a lift and a column a variant."""
    variants = [variant for variant in result.variants if variant.port_velocity_m_s]
    unit, scale = velocity_unit(display)
    rows = []
    for lift in common_lifts(result):
        cells = [Cell(lift_text(lift, display))]
        for variant in variants:
            value, measured = velocity_between(variant, lift)
            cells.append(_figure(value and value / scale, measured, 1))
        rows.append(Row(tuple(cells)))
    group = f"mean port velocity, {unit}"
    heads = [(names.head(variant.name), group, names.place[variant.name]) for variant in variants]
    columns = _over_lifts(heads, rows, width, display)
    return Table(side.capitalize(), columns, tuple(rows), _notes(rows), filled=side == "intake")


def _notes(rows: Sequence[Row]) -> tuple[str, ...]:
    """Say what italics mean, where there are any."""
    return _ITALIC if any("italic" in cell.style for row in rows for cell in row.cells) else ()


def _over_lifts(
    heads: Sequence[tuple[str, str, int | None]], rows: Sequence[Row], width: float, display: Display, air: float = 9.0
) -> tuple[Column, ...]:
    """Return the column of lifts, and one a head under its group, which has some air about it."""
    first = f"lift, {display.lift}"
    columns = [Column((first,), needed_width([first], size=SIZES.small, gap=0.0))]
    for place, (head, group, variant) in enumerate(heads, 1):
        longest = max(text_width(word, SIZES.small) for word in head.split())
        cells = needed_width([row.cells[place].text for row in rows], gap=4.5)
        members = sum(other == group for _, other, _ in heads)
        need = max(cells, longest + 4.5, (text_width(group, SIZES.small) + air) / members)
        columns.append(Column((head,), need, group, variant))
    fitted = fit_columns(columns, width, most=44.0)
    return tuple(
        Column(tuple(wrap(c.head[0], max(c.width - 3.0, 12.0), SIZES.small)), c.width, c.group, c.variant, c.align)
        for c in fitted
    )


def write_expected(stream: Stream, sides: Sides, names: Names, display: Display) -> None:
    """Write the gain that the minimum areas promise beside the measured one, step by step and lift by lift."""
    known = [(side, result) for side, result in sides if _promised(result)]
    if not known:
        return

    make = partial(_expected_table, names=names, display=display)
    tables = fitted_tables(known, stream.paper.inner_width, make)
    shown = [table for table in tables if len(table.columns) > 1]
    stream.headed("Gain of the step, measured and by geometry", shown, [_EXPECTED])


def _promised(result: SideComparison) -> list[Gain]:
    """Return the steps of which geometry promises anything."""
    return [gain for gain in result.steps if gain.expected_from_geometry is not None]


def _expected_table(side: Side, result: SideComparison, width: float, names: Names, display: Display) -> Table:
    """Return a row a lift, two columns a step: measured, and by geometry; then their means."""
    steps = _promised(result)
    items = [{round(item.lift_m, 6): item for item in gain.per_lift} for gain in steps]
    rows = [
        Row((Cell(lift_text(lift, display)), *(cell for known in items for cell in _pair(known.get(lift)))))
        for lift in common_lifts(result)
    ]
    means = [
        Cell(signed_figure(value), "bold")
        for gain in steps
        for value in (gain.mean_of_gains, gain.expected_from_geometry)
    ]
    rows.append(Row((Cell("mean", "bold"), *means), rule_above=True))
    heads = [
        (head, f"{names.head(gain.to)}, %", names.place[gain.to] if head == "measured" else None)
        for gain in steps
        for head in ("measured", "by geometry")
    ]
    columns = _over_lifts(heads, rows, width, display)
    return Table(side.capitalize(), columns, tuple(rows), _notes(rows), filled=side == "intake")


def _pair(item: LiftGain | None) -> tuple[Cell, Cell]:
    """Return the gain at a lift and what geometry promised there."""
    if item is None:
        return Cell(NOTHING, "dim"), Cell(NOTHING, "dim")
    measured = Cell(signed_figure(item.gain), "italic" if item.interpolated else "plain")
    return measured, Cell(signed_figure(item.expected))


AREAS_PANEL = 148.0
LEAD = (
    "Effective area: the loss-free opening that would pass this flow at the reference pressure. Minimum area: the "
    "smaller of the seat's and the throat's (Heywood 1988, eqs 6.7–6.9), dotted; the throat takes over where the "
    "seat's grows past it."
)
MISSING = (
    "Coefficients and minimum areas need the valve's head, stem and throat diameters, the seat's angle and its width; "
    "state them in the job."
)
_KINDS: tuple[tuple[str, str], ...] = (
    ("minimum", "coefficient on the minimum area"),
    ("curtain", "coefficient on the curtain area"),
    ("throat", "coefficient on the throat area"),
    ("valve", "coefficient on the valve area"),
)


def write_areas(stream: Stream, contents: ReportContents, names: Names) -> None:
    """Draw effective and minimum areas and the coefficients, and write their tables and what follows from them."""
    display = display_of(contents.info.display)
    sides = sides_of(contents.comparison)
    if not any(variant.coefficients for _, result in sides for variant in result.variants):
        stream.chapter("Coefficients and areas")
        stream.text(MISSING)
        stream.y += 6.0
        _draw_pairs(stream, sides, names, display, _draw_areas)
        write_velocity(stream, sides, names, display)
        return
    stream.chapter("Coefficients and areas", LEAD, keep=stream.scale * AREAS_PANEL + 60.0)
    _draw_pairs(stream, sides, names, display, _draw_areas)
    _draw_pairs(stream, sides, names, display, _draw_coefficients)
    _write_takeover(stream, sides, names, display)
    stream.y += 8.0
    for kind, words in _KINDS:
        make = partial(_areas_table, names=names, display=display, kind=kind, words=words)
        tables = fitted_tables(sides, stream.paper.inner_width, make)
        stream.tables([table for table in tables if len(table.columns) > 1])
    write_expected(stream, sides, names, display)
    write_velocity(stream, sides, names, display)


def _draw_pairs(stream: Stream, sides: Sides, names: Names, display: Display, draw: Callable[..., bool]) -> None:
    """Draw a panel a side, beside one another."""
    stream.need(stream.scale * AREAS_PANEL)
    column = (stream.paper.inner_width - GAP * (len(sides) - 1)) / len(sides)
    drawn = False
    for index, (side, result) in enumerate(sides):
        box = (stream.page.left + index * (column + GAP), stream.y, column, stream.scale * AREAS_PANEL)
        drawn = draw(stream.page, box, side, result, names=names, display=display) or drawn
    stream.y += stream.scale * AREAS_PANEL + 8.0 if drawn else 0.0


def _draw_areas(
    page: Page,
    box: tuple[float, float, float, float],
    side: Side,
    result: SideComparison,
    *,
    names: Names,
    display: Display,
) -> bool:
    """Draw effective areas, minimum areas and takeover lifts of one side."""
    series = []
    for variant in result.variants:
        lifts = [from_si(lift, display.lift) for lift in variant.lifts_m]
        if variant.effective_area_m2:
            series.append(Series(variant.name, lifts, _areas(variant.effective_area_m2, display)))
        if variant.minimum_area_m2 is not None:
            series.append(Series(variant.name, lifts, _areas(variant.minimum_area_m2, display), plain=True))
    if not any(not item.plain for item in series):
        return False
    takeovers = [
        (from_si(variant.takeover_lift_m, display.lift), variant_style(names.place[variant.name]).color)
        for variant in result.variants
        if variant.takeover_lift_m is not None
    ]
    draw_lines(
        page, box, f"{side.capitalize()}: effective area, {display.area}", series, names,
        x_label=f"valve lift, {display.lift}", from_zero=True, filled=side == "intake", smoothed=True,
        upright=takeovers,
    )  # fmt: skip
    return True


def _areas(values: Sequence[float], display: Display) -> list[float]:
    """Convert areas to the units shown."""
    return [from_si(value, display.area) for value in values]


def _draw_coefficients(
    page: Page,
    box: tuple[float, float, float, float],
    side: Side,
    result: SideComparison,
    *,
    names: Names,
    display: Display,
) -> bool:
    """Draw the coefficients on the minimum area, on the curtain area where that is not known."""
    series = []
    kind, words = _KINDS[0]
    if not any(v.coefficients and v.coefficients.minimum for v in result.variants):
        kind, words = _KINDS[1]
    for variant in result.variants:
        values = _coefficient(variant.coefficients, kind)
        if variant.coefficients is not None and values is not None:
            series.append(
                Series(variant.name, [from_si(x, display.lift) for x in variant.coefficients.lifts_m], values)
            )
    if not series:
        return False
    draw_lines(
        page, box, f"{side.capitalize()}: {words}", series, names,
        x_label=f"valve lift, {display.lift}", filled=side == "intake", smoothed=True,
    )  # fmt: skip
    return True


def _coefficient(known: Coefficients | None, kind: str) -> tuple[float, ...] | None:
    """Return one kind of coefficient, None where it is not known."""
    found: tuple[float, ...] | None = getattr(known, kind, None)
    return found


def _write_takeover(
    stream: Stream, sides: Sequence[tuple[Side, SideComparison]], names: Names, display: Display
) -> None:
    """Say at which lift the throat takes over from the seat."""
    for side, result in sides:
        known = {
            names.head(v.name): f"{lift_text(v.takeover_lift_m, display)} {display.lift}"
            for v in result.variants
            if v.takeover_lift_m is not None
        }
        if known:
            said = by_value(known, every=len(known) == len(result.variants))
            stream.text(f"{side.capitalize()}: lift where the throat takes over from the seat: {said}.")


def _areas_table(
    side: Side,
    result: SideComparison,
    width: float,
    *,
    names: Names,
    display: Display,
    kind: str,
    words: str,
) -> Table:
    """Return the coefficients of one side, lift by lift."""
    wanted = [
        (variant, values)
        for variant in result.variants
        if (values := _coefficient(variant.coefficients, kind)) is not None
    ]
    lifts = main_lifts(result)
    rows = [
        Row((Cell(lift_text(lift, display)), *(_cell(variant, values, lift) for variant, values in wanted)))
        for lift in lifts
    ]
    heads = [(names.head(variant.name), words, names.place[variant.name]) for variant, _ in wanted]
    columns = _over_lifts(heads, rows, width, display, air=8.0)
    return Table(side.capitalize(), columns, tuple(rows), _notes(rows), filled=side == "intake")


def _cell(variant: VariantFlow, values: Sequence[float], lift_m: float) -> Cell:
    """Return a coefficient at a lift, italic where it lies between measured lifts."""
    lifts = [round(lift, 6) for lift in variant.coefficients.lifts_m] if variant.coefficients else []
    if lift_m in lifts:
        return _figure(values[lifts.index(lift_m)], True, 3)
    inside = len(lifts) > 1 and lifts[0] <= lift_m <= lifts[-1]
    return _figure(float(pchip(lifts, values)(lift_m)) if inside else None, False, 3)
