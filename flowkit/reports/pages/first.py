"""Page 1: the chart, the gains, the table and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from flowkit.analysis.results import Comparison, Gain, SideComparison
from flowkit.analysis.sentences import cause, headline
from flowkit.drawing import (
    GRID,
    INK,
    SOFT,
    EndLabel,
    bare_axes,
    draw_flow,
    figure_of,
    label_ends,
    plot_comparison,
    smooth,
    style,
    text_width,
    variant_style,
)
from flowkit.drawing.curves import families_of
from flowkit.errors import FlowkitError
from flowkit.model import Finding, Side
from flowkit.reports.contents import (
    Datum,
    ReportContents,
    SideRow,
    all_lifts,
    all_ports,
    main_lifts,
    matched_words,
    port_row,
    side_rows,
)
from flowkit.reports.labels import counted, gain_cell, method_words, sides_of
from flowkit.reports.pages.head import draw_head
from flowkit.reports.pages.layout import SIZES, STAND_IN, Names, Page, Paper, clean, missing_letters, shorten, wrap
from flowkit.reports.pages.table import (
    GAP,
    Cell,
    Column,
    Flowing,
    Row,
    Table,
    fit_columns,
    fitted_tables,
    needed_width,
)
from flowkit.units import from_si
from flowkit.version import __version__
from flowkit.wording import (
    NOTHING,
    Display,
    display_of,
    flow_text,
    lift_text,
    percent_figure,
    pressure_words,
    signed_figure,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NAMED_CURVES = 5
"""So many curves have names of two lines at their ends; more, their letters alone where there are letters."""
KEY_GUTTER = 30.0
GUTTER_MOST = 84.0
"""Right of the axes, for the curves' names, at most [pt]."""
END_PITCH = 9.4
"""Room one line of a curve's name takes [pt]."""
LEFT = 24.0
"""Left of the axes, for the scale's figures [pt]."""


def gutter(names: Names) -> float:
    """Return the room the curves' names need right of the axes [pt]."""
    if names.letters and len(names.full) > NAMED_CURVES:
        return KEY_GUTTER
    widest = max(text_width(names.prefixed(name), SIZES.body) for name in names.place)
    return min(widest + 14.0, GUTTER_MOST)


def end_lines(names: Names) -> int:
    """Return how many lines the names of all variants take beside the flow panel."""
    return sum(len(_end_words(names, name, 2)) for name in names.place)


def _end_words(names: Names, name: str, most: int) -> list[str]:
    """Return what is written at the end of a curve: the name, or its letter alone where the name would be cut."""
    most = most if len(names.full) <= NAMED_CURVES else 1
    words = names.fitted(name, gutter(names) - 11.0, size=SIZES.body, most=most)
    return [names.head(name)] if names.letters and "…" in words[-1] else words


def end_label(names: Names, name: str, x: float, y: float, lines: int = 2) -> EndLabel:
    """Return the label of a variant's curve that ends at (x, y)."""
    look = variant_style(names.place[name])
    return EndLabel(x, y, tuple(_end_words(names, name, lines)), look.text_color, look.color)


def _set_lift_axis(ax: Axes, result: SideComparison, display: Display) -> None:
    """Show lifts from zero to a little beyond the highest measured."""
    from matplotlib.ticker import MaxNLocator

    top = max(from_si(variant.lifts_m[-1], display.lift) for variant in result.variants)
    single = all(len(variant.lifts_m) == 1 for variant in result.variants)
    ax.set_xlim(0, top * (1.3 if single else 1.02))
    ax.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]))


def draw_flow_panel(
    page: Page,
    box: tuple[float, float, float, float],
    side: Side,
    result: SideComparison,
    *,
    names: Names,
    display: Display,
    top: float,
) -> None:
    """Draw one side's lift-flow curves with bands, points and names at their ends."""
    left, upper, width, height = box
    page.write(left, upper + 8.0, f"{side.capitalize()} flow, {display.flow}", size=SIZES.heading, bold=True)

    @page.chart(left + LEFT, upper + 16.0, width - LEFT - gutter(names), height - 34.0)
    def curves(ax: Axes) -> None:
        """Draw the curves."""
        _set_lift_axis(ax, result, display)
        ax.set_ylim(0, top)
        ends = []
        for variant in result.variants:
            look = variant_style(names.place[variant.name])
            x, y = draw_flow(ax, variant, look, display, filled=side == "intake")
            ends.append(end_label(names, variant.name, x, y))
        bare_axes(ax)
        label_ends(ax, ends)


def draw_gain_panel(
    page: Page,
    box: tuple[float, float, float, float],
    side: Side,
    result: SideComparison,
    *,
    names: Names,
    display: Display,
) -> None:
    """Draw the gain of each step against lift, with intervals and a zero line."""
    from matplotlib.ticker import MaxNLocator

    left, upper, width, height = box
    page.write(left, upper + 8.0, "Gain of each step over the one before, %", size=SIZES.heading, bold=True)
    page.write(left + LEFT, upper + height - 1.0, f"valve lift, {display.lift}", color=SOFT)

    @page.chart(left + LEFT, upper + 15.0, width - LEFT - gutter(names), height - 37.0)
    def gains(ax: Axes) -> None:
        """Draw the gains."""
        _set_lift_axis(ax, result, display)
        ends = []
        steps = result.steps
        reach = [0.0]
        for place, gain in enumerate(steps):
            shift = (place - (len(steps) - 1) / 2) * 0.006 * ax.get_xlim()[1]
            xs = [from_si(item.lift_m, display.lift) + shift for item in gain.per_lift]
            last = 100 * gain.per_lift[-1].gain
            _draw_gain(ax, xs, gain, names.place[gain.to], filled=side == "intake")
            reach += [
                100 * end for item in gain.per_lift for end in (item.gain, item.low, item.high) if end is not None
            ]
            ends.append(end_label(names, gain.to, xs[-1], last, lines=1))
        low, high = min(reach), max(reach)
        spare = 0.08 * ((high - low) or 1.0)
        ax.set_ylim(low - spare, high + spare)
        ax.axhline(0, color=INK, linewidth=0.8, zorder=1.5)
        ax.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
        bare_axes(ax)
        label_ends(ax, ends)


def _draw_gain(ax: Axes, xs: Sequence[float], gain: Gain, place: int, *, filled: bool) -> None:
    """Draw one step's gains: a thin line, a marker a lift, a bar for the interval."""
    look = variant_style(place)
    ys = [100 * item.gain for item in gain.per_lift]
    bars = [
        (x, 100 * item.low, 100 * item.high)
        for x, item in zip(xs, gain.per_lift, strict=True)
        if item.low is not None and item.high is not None
    ]
    if bars:
        ax.vlines(*zip(*bars, strict=True), color=look.color, linewidth=0.6)
    ax.plot(
        xs, ys, color=look.color, linestyle=look.linestyle, linewidth=0.7, marker=look.marker,
        markersize=2.8 if len(xs) <= 16 else 1.8, markeredgewidth=0.6,
        markerfacecolor=look.color if filled else "white",
    )  # fmt: skip


STEP_BAR = 54.0


def _number_width(result: SideComparison) -> float:
    """Return the room the steps' figures need [pt]."""
    return 6.0 + max(
        (text_width(gain_cell(gain), SIZES.body, bold=True) for gain, _ in _step_rows(result)), default=56.0
    )


def _step_lines(gain: Gain, names: Names, room: float, *, total: bool) -> tuple[list[str], list[str]]:
    """Return the name's and the explanation's lines for one step."""
    name = [f"all steps over {names.head(gain.from_)}"] if total else names.fitted(gain.to, room, bold=True, most=2)
    if total:
        name = wrap(name[0], room, SIZES.body, bold=True, most=2)
    verdict = {True: "proven", False: "not proven", None: "not assessed"}[gain.resolved]
    words = verdict if total else f"{cause(gain)}; {verdict}"
    return name, wrap(words, room, SIZES.small, most=3)


def _step_rows(result: SideComparison) -> list[tuple[Gain, bool]]:
    """The steps in order, then all of them together where there are several."""
    rows = [(gain, False) for gain in result.steps]
    last = result.totals[-1:] if len(result.steps) > 1 else ()
    return rows + [(gain, True) for gain in last]


def _shown_steps(result: SideComparison, most: int) -> tuple[list[tuple[Gain, bool]], int]:
    """Return the rows of steps that are shown, the total always, and how many are left out."""
    rows = _step_rows(result)
    if len(rows) <= most:
        return rows, 0
    kept = [*rows[: most - 1], rows[-1]]
    return kept, len(rows) - len(kept)


def steps_height(result: SideComparison, names: Names, width: float, most: int) -> float:
    """Return the height `draw_steps` takes [pt]."""
    if not result.steps:
        return 0.0
    rows, left = _shown_steps(result, most)
    room = width - _number_width(result) - STEP_BAR - 10.0
    total = 8.6 if left else 0.0
    for gain, is_total in rows:
        name, words = _step_lines(gain, names, room, total=is_total)
        total += len(name) * 8.6 + len(words) * 7.8 + 3.0
    return total + 25.0


def draw_steps(
    page: Page, place: tuple[float, float, float], side: Side, result: SideComparison, *, names: Names, most: int
) -> None:
    """Draw what each step was worth: its name, what changed, a bar with its interval, the figure."""
    left, top, width = place
    page.write(left, top + 8.0, "What each step was worth in mean flow, %", size=SIZES.heading, bold=True)
    y = top + 13.0
    marks = []
    rows, missing = _shown_steps(result, most)
    number = _number_width(result)
    room = width - number - STEP_BAR - 10.0
    for gain, is_total in rows:
        if is_total and missing:
            y = page.paragraph(left, y, width, [f"{missing} more steps: see page 2"], size=SIZES.small, color=SOFT)
        name, words = _step_lines(gain, names, room, total=is_total)
        color = INK if is_total else variant_style(names.place[gain.to]).text_color
        start = y
        y = page.paragraph(left, y, width, name, leading=8.6, bold=True, color=color)
        page.write(left + width, y, gain_cell(gain), bold=True, align="right")
        y = page.paragraph(left, y, width, words, size=SIZES.small, leading=7.8, color=SOFT)
        marks.append((gain, is_total, (start + y) / 2 + 1.5))
        y += 3.0
    _draw_step_bars(page, left + width - number - STEP_BAR, (top + 13.0, y), marks, names, filled=side == "intake")


def _draw_step_bars(
    page: Page,
    left: float,
    span: tuple[float, float],
    marks: Sequence[tuple[Gain, bool, float]],
    names: Names,
    *,
    filled: bool,
) -> None:
    """Draw each step's gain as a marker with its interval against a zero line."""
    from matplotlib.ticker import MaxNLocator

    upper, lower = span

    @page.chart(left, upper, STEP_BAR - 4.0, lower - upper)
    def bars(ax: Axes) -> None:
        """Draw the bars."""
        ax.set_ylim(lower, upper)
        reach = [0.0]
        for gain, is_total, y in marks:
            look = variant_style(names.place[gain.to])
            low, middle, high = gain.mean_flow_gain_low, gain.mean_flow_gain, gain.mean_flow_gain_high
            x, *ends = (100 * (middle if value is None else value) for value in (middle, low, high))
            color = INK if is_total else look.color
            ax.plot(ends, [y, y], color=color, linewidth=0.9)
            ax.plot(
                [x], [y], marker="|" if is_total else look.marker, markersize=6.0 if is_total else 4.0, color=color,
                markerfacecolor=color if filled else "white", markeredgewidth=0.9,
            )  # fmt: skip
            reach += [x, *ends]
        low, high = min(reach), max(reach)
        spare = 0.1 * ((high - low) or 1.0)
        ax.set_xlim(low - spare, high + spare)
        ax.axvline(0, color=INK, linewidth=0.7, zorder=1)
        bare_axes(ax, size=SIZES.small)
        ax.grid(False, axis="y")
        ax.grid(True, axis="x", color=GRID, linewidth=0.5)
        ax.spines["left"].set_visible(False)
        ax.set_yticks([])
        ax.xaxis.set_major_locator(MaxNLocator(3, steps=[1, 2, 5, 10]))


@dataclass(frozen=True, slots=True)
class Series:
    """A variant's line."""

    name: str
    xs: Sequence[float]
    ys: Sequence[float]
    plain: bool = False


def draw_lines(
    page: Page,
    box: tuple[float, float, float, float],
    title: str,
    series: Sequence[Series],
    names: Names,
    *,
    x_label: str,
    level: float | None = None,
    from_zero: bool = False,
    x_from_zero: bool = True,
    filled: bool = True,
    smoothed: bool = False,
    least_span: float = 0.0,
    upright: Sequence[tuple[float, str]] = (),
) -> None:
    """Draw lines with markers and names at their ends, and upright ones where a colour belongs to a place."""
    import numpy as np

    left, upper, width, height = box
    page.write(left, upper + 8.0, shorten(title, width, SIZES.heading, bold=True), size=SIZES.heading, bold=True)
    page.write(left + LEFT, upper + height - 1.0, x_label, color=SOFT)

    @page.chart(left + LEFT, upper + 15.0, width - LEFT - gutter(names), height - 37.0)
    def lines(ax: Axes) -> None:
        """Draw the lines."""
        for item in series:
            look = variant_style(names.place[item.name])
            x, y = smooth(item.xs, item.ys, points=60) if smoothed else (np.asarray(item.xs), np.asarray(item.ys))
            if item.plain:
                ax.plot(x, y, color=look.color, linestyle=(0, (1, 2)), linewidth=0.7)
                continue
            every = np.searchsorted(x, item.xs)
            ax.plot(
                x, y, color=look.color, linestyle=look.linestyle, linewidth=0.9, marker=look.marker,
                markevery=[int(i) for i in every], markersize=2.8 if len(every) <= 16 else 1.8, markeredgewidth=0.6,
                markerfacecolor=look.color if filled else "white",
            )  # fmt: skip
        values = [value for item in series for value in item.ys] + ([level] if level is not None else [])
        places = [value for item in series for value in item.xs]
        middle = (min(values) + max(values)) / 2
        if max(values) - min(values) < least_span:
            values = [*values, middle - least_span / 2, middle + least_span / 2]
        _set_limits(ax, places, values, x_from_zero=x_from_zero, from_zero=from_zero)
        if level is not None:
            ax.axhline(level, color=INK, linewidth=0.7, zorder=1.5)
        bare_axes(ax)
        ax.locator_params(axis="both", nbins=6)
        named = [item for item in series if not item.plain]
        label_ends(ax, [end_label(names, item.name, item.xs[-1], item.ys[-1]) for item in named])
        for at, color in upright:
            if at <= ax.get_xlim()[1]:
                ax.axvline(at, color=color, linewidth=0.5, zorder=1)


def _set_limits(
    ax: Axes, places: Sequence[float], values: Sequence[float], *, x_from_zero: bool, from_zero: bool
) -> None:
    """Set scales with a little air round the lines."""
    low, high = min(values), max(values)
    spare = 0.07 * ((high - low) or abs(high) or 1.0)
    ax.set_ylim(0.0 if from_zero and low >= 0 else low - spare, high + spare)
    first, last = min(places), max(places)
    width = (last - first) or abs(last) or 1.0
    ax.set_xlim(0.0 if x_from_zero else first - 0.02 * width, last + 0.02 * width)


PORTS_SHOWN = 6
"""More ports than this have their means on the port page instead."""


def side_table(
    side: Side,
    result: SideComparison,
    names: Names,
    display: Display,
    width: float,
    *,
    every_lift: bool = False,
    ports: bool = False,
    whole: SideComparison | None = None,
) -> Table:
    """Return the table of one side, or of some of its states where it is in parts; `whole` then has all of them."""
    lifts = all_lifts(result) if every_lift else main_lifts(result)
    rows = _rows(result, display, lifts, ports=ports)
    columns = variant_columns(f"lift, {display.lift}", side, result, rows, width, names=names, display=display)
    notes = []
    if any("italic" in cell.style for row in rows for cell in row.cells):
        notes.append("italic: between measured lifts")
    if any(row.cells[0].text == "from" for row in rows):
        notes.append("from, to: 95 % interval")
    if any("dim" in cell.style and cell.text != NOTHING for row in rows[: len(lifts)] for cell in row.cells):
        notes.append("grey: within the bench's scatter")
    if matched := matched_words(result, whole):
        notes.append(clean(matched))
    if not every_lift and len(lifts) < len(all_lifts(result)):
        notes.append("every lift: next page")
    return Table("", tuple(columns), tuple(rows), tuple(notes), side == "intake")


def variant_columns(
    first: str,
    side: Side,
    result: SideComparison,
    rows: Sequence[Row],
    width: float,
    *,
    names: Names,
    display: Display,
) -> list[Column]:
    """Return the columns: the rows' names, a flow a variant, a gain over the first a variant."""
    variants = [variant.name for variant in result.variants]
    gained = [gain.to for gain in result.totals]
    flow = f"{side} flow"
    base = result.totals[0].from_ if gained else variants[0]
    heads: list[tuple[str, str, int | None]] = [(first, "", None)]
    heads += [(names.head(name), f"{flow}, {display.flow}", names.place[name]) for name in variants]
    heads += [(names.head(name), "gain, %", names.place[name]) for name in gained]
    columns = []
    for place, (head, group, variant) in enumerate(heads):
        texts = [row.cells[place].text for row in rows]
        gap = 4.5 if place else 0.0
        if group and any("±" in text or "(" in text for text in texts):
            gap = 7.0 if group == heads[place - 1][1] else 10.0
        needed = max(needed_width(texts, gap=gap), gap + max(text_width(w, SIZES.small) for w in head.split()))
        members = sum(other == group for _, other, _ in heads)
        if group:
            needed = max(needed, (text_width(group, SIZES.small) + 8.0) / members)
        columns.append(Column((head,), needed, group, variant))
    columns = list(fit_columns(columns, width, most=44.0))
    room = sum(column.width for column in columns if column.group == "gain, %")
    longer = f"gain over {names.head(base)}, %"
    if text_width(longer, SIZES.small) + 8.0 <= room:
        columns = [replace(c, group=longer) if c.group == "gain, %" else c for c in columns]
    gap = 3.0
    return [replace(c, head=tuple(wrap(c.head[0], max(c.width - gap, 12.0), SIZES.small))) for c in columns]


def _rows(result: SideComparison, display: Display, lifts: Sequence[float], *, ports: bool) -> list[Row]:
    """Lay out a side's table: lifts, means with their intervals, and where asked ports and spread."""
    rows: list[Row] = []
    before = ""
    for row in side_rows(result, lifts):
        if row.kind == "area" or (row.kind in ("port", "spread") and not ports):
            continue
        if row.kind == "port" and not 1 < len(all_ports(result)) <= PORTS_SHOWN:
            continue
        cells = _cells(row, display)
        cells += [Cell("")] * (1 + len(result.variants) + len(result.totals) - len(cells))
        rows.append(Row(tuple(cells), rule_above=bool(rows) and before not in (row.kind, "port")))
        if row.kind == "mean":
            rows += _interval_rows(row, display)
        before = row.kind
    return rows


def _cells(row: SideRow, display: Display) -> list[Cell]:
    """Return a row's cells: its name, the flows, the gains."""
    if row.kind == "mean":
        flows = [Cell(flow_text(item.value, display), "bold") for item in row.flows]
        return [Cell("mean", "bold"), *flows, *(Cell(signed_figure(item.value), "bold") for item in row.gains)]
    if row.kind == "spread":
        spreads = [Cell(NOTHING if item.value is None else f"{percent_figure(item.value)} %") for item in row.flows]
        return [Cell("spread"), *spreads]
    name = lift_text(row.lift_m or 0.0, display) if row.kind == "lift" else clean(f"port {row.port}")[:12]
    flows = [
        Cell(flow_text(item.value, display), "plain" if not item.between else "dim" if item.value is None else "italic")
        for item in row.flows
    ]
    return [Cell(name), *flows, *(_gain_cell(item) for item in row.gains)]


def _gain_cell(item: Datum) -> Cell:
    """A gain: grey where the bench cannot tell it from nothing, italic where it lies between measured lifts."""
    if item.value is None:
        return Cell(NOTHING, "dim")
    if item.unsure:
        return Cell(signed_figure(item.value), "dim italic" if item.between else "dim")
    return Cell(signed_figure(item.value), "italic" if item.between else "plain")


def _interval_rows(row: SideRow, display: Display) -> list[Row]:
    """Return half the intervals of the means, or their ends where the arms of a gain's are unequal."""
    if not any(item.u95 is not None for item in (*row.flows, *row.gains)):
        return []
    halves = [Cell(flow_text(item.u95, display), "dim") for item in row.flows]
    if not any(_unequal(item) for item in row.gains):
        return [Row((Cell("± 95 %", "dim"), *halves, *(Cell(percent_figure(item.u95), "dim") for item in row.gains)))]
    rows = []
    for name, sign in (("from", -1.0), ("to", 1.0)):
        flows = [None if x.value is None or x.u95 is None else x.value + sign * x.u95 for x in row.flows]
        ends = [item.low if sign < 0 else item.high for item in row.gains]
        cells = [*(flow_text(flow, display) for flow in flows), *(signed_figure(end) for end in ends)]
        rows.append(Row((Cell(name, "dim"), *(Cell(text, "dim") for text in cells))))
    return rows


def _unequal(item: Datum) -> bool:
    """Whether the arms of an interval are printed as unequal."""
    if item.value is None or item.low is None or item.high is None:
        return False
    return percent_figure(item.value - item.low) != percent_figure(item.high - item.value)


def port_cells(result: SideComparison, port: str, display: Display) -> list[Cell]:
    """Return a port's mean flow in every state, then its gains; a dash where it was not flowed."""
    return _cells(port_row(result, port), display)[1:]


def every_lift(contents: ReportContents, paper: Paper, names: Names) -> Flowing | None:
    """Return the tables with every measured lift, where the first page shows only some."""
    sides = sides_of(contents.comparison)
    if all(len(main_lifts(result)) == len(all_lifts(result)) for _, result in sides):
        return None
    display = display_of(contents.info.display)
    tables = fitted_tables(
        sides,
        paper.inner_width,
        lambda side, result, room: side_table(
            side, result, names, display, room, every_lift=True, whole=dict(sides)[side]
        ),
    )
    return Flowing(tables, paper.inner_width)


FLOW_LEAST, FLOW_MOST = 126.0, 236.0
GAIN_LEAST, GAIN_MOST = 84.0, 132.0
ALONE_MORE = 110.0
"""Higher than that are the curves of a page without gains [pt]."""
GAIN_PANEL_STATES = 8
"""Of more states the gains lift by lift are in the table alone: so many lines would hide one another."""
FOOT_LINES = 4
DOUBT_LINES = 7
STEPS_MOST = 340.0


def assumed_words(findings: Sequence[Finding]) -> list[str]:
    """Return every assumption about the sheets, each once with the files it was made in."""
    where: dict[str, list[str]] = {}
    for finding in findings:
        if finding.severity == "note" and finding.rule.endswith("-assumed"):
            message = clean(finding.message).partition(" The same holds for ")[0]
            where.setdefault(message, []).append(clean(finding.where).partition("!")[0])
    found = []
    for message, places in where.items():
        count = len(set(places))
        place = places[0] if count == 1 else f"{places[0]} and {count - 1} more"
        found.append(f"{place}: {message}" if place else message)
    return found


def _foot(contents: ReportContents, width: float) -> list[str]:
    """Return the footer's lines: what is in doubt or changed by hand, the job's notes, sources, what was assumed."""
    sources = ", ".join(f"{clean(source.name)} {source.sha256[:8]}" for source in contents.sources)
    assumed = assumed_words(contents.findings)
    doubtful = dict.fromkeys(finding for finding in contents.findings if finding.severity != "note")
    changes = [change for variant in contents.variants for change in variant.changes]
    parts = []
    if doubtful:
        parts.append(f"In doubt: {counted(doubtful)}, listed under notes on the last page.")
    if changes:
        many = f"{len(changes)} values were" if len(changes) > 1 else "One value was"
        parts.append(f"{many} changed or left out by hand: see the last page for the reasons.")
    parts += [shorten(clean(contents.info.notes), 2.0 * width, SIZES.small)] if contents.info.notes else []
    parts += [f"Sheets (first digits of SHA-256): {sources}."] if sources else []
    parts += ["Assumed: " + " ".join(words.rstrip(".") + "." for words in assumed)] if assumed else []
    names = [contents.info.title or "", *(variant.name for variant in contents.variants)]
    missing = missing_letters(names)
    if missing:
        parts.append(f"{STAND_IN} replaces letters that no font on this computer has ({len(missing)} of them).")
    lines = wrap(" ".join([*parts, f"flowkit {__version__}."]), width, SIZES.small)
    if len(lines) > FOOT_LINES:
        lines = [*lines[: FOOT_LINES - 1], "… The rest is on the last page."]
    return lines


def _doubt_lines(contents: ReportContents, width: float) -> list[str]:
    """Return what is in doubt, in lines of a width."""
    said = contents.comparison.parts.get("doubts", ())
    return [line for text in said for line in wrap(clean(text), width, SIZES.body)]


def further_sentences(contents: ReportContents, paper: Paper) -> list[str]:
    """Return what the comparison says in words, without what page 1 says in full."""
    whole = len(_doubt_lines(contents, paper.inner_width)) <= DOUBT_LINES
    said = contents.comparison.parts.get("doubts", ()) if whole else ()
    return [sentence for sentence in contents.comparison.sentences if sentence not in said]


def _bottom(page: Page, contents: ReportContents) -> float:
    """Write what is in doubt and the footer at the foot of the page; return where they begin."""
    width = page.paper.inner_width
    foot = _foot(contents, width)
    doubts = _doubt_lines(contents, width)
    if len(doubts) > DOUBT_LINES:
        doubts = [*doubts[: DOUBT_LINES - 1], "… More on the last page."]
    leading = SIZES.body * 1.34
    start = page.paper.inner_bottom - len(foot) * SIZES.small * 1.36 - 4.0 - len(doubts) * leading - 2.0
    page.rule(page.left, page.right, start - 3.0, weight=0.4)
    y = page.paragraph(page.left, start, width, doubts, leading=leading)
    page.paragraph(page.left, y + 4.0, width, foot, size=SIZES.small, color=SOFT)
    return start - 8.0


def _flow_top(contents: ReportContents) -> float:
    """Return where the common flow scale of both sides ends, in the units shown."""
    display = display_of(contents.info.display)
    peaks = [
        from_si(flow, display.flow) * (1 + (u or 0.0))
        for _, result in sides_of(contents.comparison)
        for variant in result.variants
        for flow, u in zip(variant.flow_m3_s, variant.flow_u95, strict=True)
    ]
    return 1.05 * max(peaks, default=1.0) or 1.0


def chart_page(contents: ReportContents, paper: Paper, names: Names) -> tuple[Page, Flowing, bool]:
    """Draw page 1; return with it what is left of its tables, and whether every step is on it."""
    page = Page(paper, "Flow chart")
    display = display_of(contents.info.display)
    sides = sides_of(contents.comparison)
    width = paper.inner_width
    column = (width - GAP * (len(sides) - 1)) / len(sides)
    y = draw_head(page, contents, names)
    bottom = _bottom(page, contents)
    gained = any(result.steps for _, result in sides)
    lines = max(end_lines(names), len(names.full))
    flow_least = max(FLOW_LEAST, 34.0 + END_PITCH * (lines - 1.5))
    panel = gained and len(names.full) <= GAIN_PANEL_STATES
    gain_least = max(GAIN_LEAST, 37.0 + END_PITCH * (len(names.full) - 2.5)) if panel else 0.0
    least = flow_least + gain_least
    flowing = _short_table(contents, names, paper, bottom - y - least - 12.0)
    room = bottom - y - least - 12.0
    shown = max((_steps_that_fit(result, names, min(column, STEPS_MOST), room) for _, result in sides), default=0)
    shown = min(shown, max((len(_step_rows(result)) for _, result in sides), default=0))
    steps = max(steps_height(result, names, min(column, STEPS_MOST), shown) for _, result in sides)
    most = max(least, FLOW_MOST + (GAIN_MOST if panel else ALONE_MORE))
    spare = bottom - y - steps - flowing.height(bottom - y - steps - least - 9.0) - 9.0
    charts = min(max(spare, least), most)
    flow_height = flow_least + (charts - least) * (0.62 if panel else 1.0)
    gain_height = charts - flow_height
    top = _flow_top(contents)
    for index, (side, result) in enumerate(sides):
        left = page.left + index * (column + GAP)
        draw_flow_panel(page, (left, y, column, flow_height), side, result, names=names, display=display, top=top)
        if result.steps and panel:
            draw_gain_panel(
                page, (left, y + flow_height, column, gain_height), side, result, names=names, display=display
            )
        if result.steps:
            draw_steps(page, (left, y + charts + 4.0, min(column, STEPS_MOST)), side, result, names=names, most=shown)
    start = y + charts + steps + 6.0
    end = flowing.draw(page, start, bottom, torn=False)
    if end > start and not flowing.done:
        page.write(page.left, min(end, bottom), "The rest of this table is on page 2.", size=SIZES.small, color=SOFT)
    return page, flowing, all(len(_step_rows(result)) <= shown for _, result in sides)


def _short_table(contents: ReportContents, names: Names, paper: Paper, room: float) -> Flowing:
    """Return the table of the lifts that most states were measured at; with its ports where there is room for them."""
    sides, display = sides_of(contents.comparison), display_of(contents.info.display)

    def flowing(*, ports: bool) -> Flowing:
        """Return the tables on their way, with a row for every port or without."""
        return Flowing(
            fitted_tables(
                sides,
                paper.inner_width,
                lambda side, result, width: side_table(
                    side, result, names, display, width, ports=ports, whole=dict(sides)[side]
                ),
            ),
            paper.inner_width,
        )

    long = flowing(ports=True)
    steps = max(steps_height(result, names, min(long.step - GAP, STEPS_MOST), 99) for _, result in sides)
    return long if long.height() + steps <= room else flowing(ports=False)


def _steps_that_fit(result: SideComparison, names: Names, width: float, room: float) -> int:
    """Return how many rows of steps a room holds, all of them where they fit."""
    count = len(_step_rows(result))
    while count > 1 and steps_height(result, names, width, count) > room:
        count -= 1
    return count


def chart(comparison: Comparison, ax: Axes | None = None, *, side: Side | None = None, display: str = "US") -> Axes:
    """Draw the lift-flow curves with the headline in words over them.

    Parameters
    ----------
    comparison : Comparison
    ax : matplotlib.axes.Axes, optional
        Where to draw; on a new figure otherwise.
    side : {"intake", "exhaust"}, optional
        One side only; both otherwise.
    display : {"US", "metric"}, optional
        CFM over inches, or L/s over millimetres.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    FlowkitError
        If there is nothing to draw, or no such side or display.

    Examples
    --------
    >>> from flowkit import compare
    >>> ax = chart(compare("sample_sheets/as_received.csv"), side="intake", display="metric")
    >>> ax.get_xlabel()
    'valve lift, mm'
    """
    units = display_of(display)
    if not hasattr(comparison, "sides"):
        raise FlowkitError(f"a {type(comparison).__name__} is not a comparison", "give what compare returns")
    ax = plot_comparison(comparison, ax, side, display=display)
    figure = figure_of(ax)
    width = ax.get_window_extent().width * 72.0 / figure.dpi
    heads = [
        line
        for name, result in sides_of(comparison)
        if side in (None, name) and result.totals
        for line in wrap(clean(headline(result.totals[-1], name)), width, 10.0, bold=True, most=2)
    ]
    reference = comparison.reference
    words = f"Flows at {pressure_words(reference.pressure_pa, units)}, {reference.pressure_law} law. "
    below = wrap(words + method_words(comparison, units, drawn="Shading"), width, 7.0, most=3)
    room = (figure.bbox.height - ax.get_window_extent().y1) * 72.0 / figure.dpi - 8.0
    below = below[: max(0, int((room - 13.0 * len(heads)) // 9.5))]
    with style():
        up = 6.0
        for line in reversed(below):
            _write_over(ax, line, up, 7.0, SOFT, bold=False)
            up += 9.5
        up += 3.0
        for line in reversed(heads):
            _write_over(ax, line, up, 10.0, INK, bold=True)
            up += 13.0
    return ax


def _write_over(ax: Axes, line: str, up: float, size: float, color: str, *, bold: bool) -> None:
    """Write a line over the axes, so many points above their top edge."""
    ax.annotate(
        line, (0.0, 1.0), xycoords="axes fraction", xytext=(0.0, up), textcoords="offset points", size=size,
        color=color, weight="bold" if bold else "normal", va="baseline", family=families_of(line), parse_math=False,
        annotation_clip=False,
    )  # fmt: skip
