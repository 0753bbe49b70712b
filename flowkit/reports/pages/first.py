"""Page 1: the chart, the gains, the table and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from flowkit.analysis.results import Comparison, Gain, LiftGain, SideComparison
from flowkit.analysis.sentences import cause, headline
from flowkit.drawing import (
    GRID,
    INK,
    SOFT,
    Display,
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
from flowkit.drawing.curves import NOTHING, display_of, flow_text, gain_text, lift_text, percent, signed_percent
from flowkit.model import Finding, Side
from flowkit.reports.contents import ReportContents, all_lifts, all_ports, flow_at, main_lifts, measured
from flowkit.reports.labels import (
    CAUTIONS,
    counted,
    distinct,
    method_words,
    pressure_words,
    reference_words,
    resolved_words,
    sides_of,
)
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

if TYPE_CHECKING:
    from matplotlib.axes import Axes

GUTTER_MOST = 84.0
"""Right of the axes, for the curves' names, at most [pt]."""
END_PITCH = 9.4
"""Room one line of a curve's name takes [pt]."""
LEFT = 24.0
"""Left of the axes, for the scale's figures [pt]."""


def gutter(names: Names) -> float:
    """Return the room the curves' names need right of the axes [pt]."""
    widest = max(text_width(names.prefixed(name), SIZES.body) for name in names.place)
    return min(widest + 14.0, GUTTER_MOST)


def end_lines(names: Names) -> int:
    """Return how many lines the names of all variants take beside the flow panel."""
    most = 2 if len(names.full) <= 5 else 1
    return sum(len(names.fitted(name, gutter(names) - 11.0, most=most)) for name in names.place)


def end_label(names: Names, name: str, x: float, y: float, lines: int = 2) -> EndLabel:
    """Return the label of a variant's curve that ends at (x, y)."""
    look = variant_style(names.place[name])
    most = lines if len(names.full) <= 5 else 1
    words = names.fitted(name, gutter(names) - 11.0, size=SIZES.body, most=most)
    return EndLabel(x, y, tuple(words), look.text_color, look.color)


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
    ax = page.axes(left + LEFT, upper + 16.0, width - LEFT - gutter(names), height - 34.0)
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
    ax = page.axes(left + LEFT, upper + 15.0, width - LEFT - gutter(names), height - 37.0)
    _set_lift_axis(ax, result, display)
    ends = []
    steps = result.steps
    reach = [0.0]
    for place, gain in enumerate(steps):
        shift = (place - (len(steps) - 1) / 2) * 0.006 * ax.get_xlim()[1]
        xs = [from_si(item.lift_m, display.lift) + shift for item in gain.per_lift]
        ys = [100 * item.gain for item in gain.per_lift]
        _draw_gain(ax, xs, gain, names.place[gain.to], filled=side == "intake")
        half = [100 * (item.u95 or 0.0) for item in gain.per_lift]
        reach += [y + h for y, h in zip(ys, half, strict=True)] + [y - h for y, h in zip(ys, half, strict=True)]
        ends.append(end_label(names, gain.to, xs[-1], ys[-1], lines=1))
    low, high = min(reach), max(reach)
    spare = 0.08 * ((high - low) or 1.0)
    ax.set_ylim(low - spare, high + spare)
    ax.axhline(0, color=INK, linewidth=0.8, zorder=1.5)
    ax.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
    bare_axes(ax)
    page.write(left + LEFT, upper + height - 1.0, f"valve lift, {display.lift}", color=SOFT)
    label_ends(ax, ends)


def _draw_gain(ax: Axes, xs: Sequence[float], gain: Gain, place: int, *, filled: bool) -> None:
    """Draw one step's gains: a thin line, a marker a lift, a bar for the interval."""
    look = variant_style(place)
    ys = [100 * item.gain for item in gain.per_lift]
    if all(item.u95 is not None for item in gain.per_lift):
        half = [100 * (item.u95 or 0.0) for item in gain.per_lift]
        ax.vlines(
            xs,
            [y - h for y, h in zip(ys, half, strict=True)],
            [y + h for y, h in zip(ys, half, strict=True)],
            color=look.color,
            linewidth=0.6,
        )
    ax.plot(
        xs, ys, color=look.color, linestyle=look.linestyle, linewidth=0.7, marker=look.marker,
        markersize=2.8 if len(xs) <= 16 else 1.8, markeredgewidth=0.6,
        markerfacecolor=look.color if filled else "white",
    )  # fmt: skip


STEP_NUMBER = 62.0
STEP_BAR = 62.0


def _step_lines(gain: Gain, names: Names, width: float, *, total: bool) -> tuple[list[str], list[str]]:
    """Return the name's and the explanation's lines for one step."""
    room = width - STEP_NUMBER - STEP_BAR - 10.0
    name = [f"all steps over {names.head(gain.from_)}"] if total else names.fitted(gain.to, room, bold=True)
    if total:
        name = wrap(name[0], room, SIZES.body, bold=True, most=1)
    words = resolved_words(gain) if total else f"{cause(gain)}; {resolved_words(gain)}"
    return name, wrap(words, room, SIZES.small, most=3)


def _step_rows(result: SideComparison) -> list[tuple[Gain, bool]]:
    """The steps in order, then all of them together where there are several."""
    rows = [(gain, False) for gain in result.steps]
    last = result.totals[-1:] if len(result.steps) > 1 else ()
    return rows + [(gain, True) for gain in last]


def steps_height(result: SideComparison, names: Names, width: float) -> float:
    """Return the height `draw_steps` takes [pt]."""
    if not result.steps:
        return 0.0
    total = 0.0
    for gain, is_total in _step_rows(result):
        name, words = _step_lines(gain, names, width, total=is_total)
        total += len(name) * 8.6 + len(words) * 7.8 + 3.0
    return total + 26.0


def draw_steps(page: Page, place: tuple[float, float, float], side: Side, result: SideComparison, names: Names) -> None:
    """Draw what each step was worth: its name, what changed, a bar with its interval, the figure."""
    left, top, width = place
    page.write(left, top + 8.0, "What each step was worth in mean flow, %", size=SIZES.heading, bold=True)
    y = top + 13.0
    marks = []
    for gain, is_total in _step_rows(result):
        name, words = _step_lines(gain, names, width, total=is_total)
        color = INK if is_total else variant_style(names.place[gain.to]).text_color
        start = y
        y = page.paragraph(left, y, width, name, leading=8.6, bold=True, color=color)
        page.write(left + width, y, gain_text(gain.mean_flow_gain, gain.mean_flow_gain_u95), bold=True, align="right")
        y = page.paragraph(left, y, width, words, size=SIZES.small, leading=7.8, color=SOFT)
        marks.append((gain, is_total, (start + y) / 2 + 1.5))
        y += 3.0
    _draw_step_bars(page, left + width - STEP_NUMBER - STEP_BAR, (top + 13.0, y), marks, names, filled=side == "intake")


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
    ax = page.axes(left, upper, STEP_BAR - 4.0, lower - upper)
    ax.set_ylim(lower, upper)
    reach = [0.0]
    for gain, is_total, y in marks:
        look = variant_style(names.place[gain.to])
        x, half = 100 * gain.mean_flow_gain, 100 * (gain.mean_flow_gain_u95 or 0.0)
        color = INK if is_total else look.color
        ax.plot([x - half, x + half], [y, y], color=color, linewidth=0.9)
        ax.plot(
            [x], [y], marker="|" if is_total else look.marker, markersize=6.0 if is_total else 4.0, color=color,
            markerfacecolor=color if filled else "white", markeredgewidth=0.9,
        )  # fmt: skip
        reach += [x - half, x + half]
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
    level_label: str = "",
    from_zero: bool = False,
    x_from_zero: bool = True,
    filled: bool = True,
    smoothed: bool = False,
) -> Axes:
    """Draw lines with markers and names at their ends."""
    import numpy as np

    left, upper, width, height = box
    page.write(left, upper + 8.0, shorten(title, width, SIZES.heading, bold=True), size=SIZES.heading, bold=True)
    ax = page.axes(left + LEFT, upper + 15.0, width - LEFT - gutter(names), height - 37.0)
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
    _set_limits(ax, places, values, x_from_zero=x_from_zero, from_zero=from_zero)
    if level is not None:
        ax.axhline(level, color=INK, linewidth=0.7, zorder=1.5)
        if level_label:
            # Where the lines are not: under the level at the right if they end above it, else over it at the left.
            above = min(item.ys[-1] for item in series) > level
            ax.text(
                0.99 if above else 0.02, level, level_label, size=SIZES.small, color=SOFT,
                ha="right" if above else "left", va="top" if above else "bottom",
                transform=ax.get_yaxis_transform(), parse_math=False,
            )  # fmt: skip
    bare_axes(ax)
    ax.locator_params(axis="both", nbins=6)
    page.write(left + LEFT, upper + height - 1.0, x_label, color=SOFT)
    named = [item for item in series if not item.plain]
    label_ends(ax, [end_label(names, item.name, item.xs[-1], item.ys[-1]) for item in named])
    return ax


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
    side: Side, result: SideComparison, names: Names, display: Display, width: float, *, every_lift: bool = False
) -> Table:
    """Return the table of one side."""
    totals = {gain.to: gain for gain in result.totals}
    lifts = all_lifts(result) if every_lift else main_lifts(result)
    rows = [
        *_lift_rows(result, totals, display, lifts),
        *_mean_rows(result, totals, display),
        *(() if every_lift else _port_rows(result, totals, display)),
    ]
    columns = variant_columns(f"lift, {display.lift}", side, result, rows, width, names=names, display=display)
    notes = []
    if any("italic" in cell.style for row in rows for cell in row.cells):
        notes.append("italic: between measured lifts")
    if any(
        "dim" in cell.style and cell.text not in (NOTHING, "± 95 %") for row in rows[: len(lifts)] for cell in row.cells
    ):
        notes.append("grey: within the bench's repeatability")
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


def _lift_rows(result: SideComparison, totals: dict[str, Gain], display: Display, lifts: Sequence[float]) -> list[Row]:
    """A row for every lift; flows not measured there are italic."""
    flows = [measured(variant) for variant in result.variants]
    gains = [{round(item.lift_m, 6): item for item in gain.per_lift} for gain in totals.values()]
    rows = []
    for lift in lifts:
        cells = [Cell(lift_text(lift, display))]
        for variant, known in zip(result.variants, flows, strict=True):
            if lift in known:
                cells.append(Cell(flow_text(known[lift], display)))
            else:
                between = flow_at(variant, lift)
                cells.append(Cell(flow_text(between, display), "dim" if between is None else "italic"))
        cells += [_gain_cell(gain.get(lift)) for gain in gains]
        rows.append(Row(tuple(cells)))
    return rows


def _dim(item: LiftGain) -> bool:
    """Whether the bench cannot tell this gain from nothing."""
    return item.u95 is not None and abs(item.gain) <= item.u95


def _gain_cell(item: LiftGain | None) -> Cell:
    """A gain: grey where not resolved, italic where interpolated."""
    if item is None:
        return Cell(NOTHING, "dim")
    if _dim(item):
        return Cell(signed_percent(item.gain), "dim italic" if item.interpolated else "dim")
    return Cell(signed_percent(item.gain), "italic" if item.interpolated else "plain")


def _mean_rows(result: SideComparison, totals: dict[str, Gain], display: Display) -> list[Row]:
    """The mean flows with their gains, and half their intervals where known."""
    cells = [Cell("mean", "bold")]
    cells += [Cell(flow_text(variant.mean_flow_m3_s, display), "bold") for variant in result.variants]
    cells += [Cell(signed_percent(gain.mean_flow_gain), "bold") for gain in totals.values()]
    rows = [Row(tuple(cells), rule_above=True)]
    if any(variant.mean_flow_u95 is not None for variant in result.variants):
        half = [None if v.mean_flow_u95 is None else v.mean_flow_u95 * v.mean_flow_m3_s for v in result.variants]
        cells = [Cell("± 95 %", "dim")]
        cells += [Cell(flow_text(value, display), "dim") for value in half]
        cells += [Cell(percent(gain.mean_flow_gain_u95), "dim") for gain in totals.values()]
        rows.append(Row(tuple(cells)))
    return rows


def _port_rows(result: SideComparison, totals: dict[str, Gain], display: Display) -> list[Row]:
    """The mean flow of each port, and the spread between them."""
    ports = all_ports(result)
    rows: list[Row] = []
    if 1 < len(ports) <= PORTS_SHOWN:
        for port in ports:
            name = Cell(clean(f"port {port}")[:12])
            rows.append(Row((name, *port_cells(result, totals, port, display)), rule_above=not rows))
    if any(variant.port_spread is not None for variant in result.variants):
        cells = [Cell("spread")]
        cells += [Cell(NOTHING if v.port_spread is None else f"{percent(v.port_spread)} %") for v in result.variants]
        cells += [Cell("") for _ in totals]
        rows.append(Row(tuple(cells), rule_above=not rows))
    return rows


def port_cells(result: SideComparison, totals: dict[str, Gain], port: str, display: Display) -> list[Cell]:
    """Return a port's mean flow in every variant, then its gains; a dash where it was not flowed."""
    cells = []
    for variant in result.variants:
        found = [item.mean_flow_m3_s for item in variant.ports if item.port == port]
        cells.append(Cell(flow_text(found[0] if found else None, display)))
    for gain in totals.values():
        gains = [item.mean_flow_gain for item in gain.ports if item.port == port]
        cells.append(Cell(signed_percent(gains[0]) if gains else NOTHING))
    return cells


def every_lift(contents: ReportContents, paper: Paper, names: Names) -> Flowing | None:
    """Return the tables with every measured lift, where the first page shows only some."""
    sides = sides_of(contents.comparison)
    if all(len(main_lifts(result)) == len(all_lifts(result)) for _, result in sides):
        return None
    display = display_of(contents.info.display)
    tables = fitted_tables(
        sides,
        paper.inner_width,
        lambda side, result, room: side_table(side, result, names, display, room, every_lift=True),
    )
    return Flowing(tables, paper.inner_width)


FLOW_LEAST, FLOW_MOST = 142.0, 236.0
GAIN_LEAST, GAIN_MOST = 90.0, 132.0
FOOT_LINES = 6
STEPS_MOST = 340.0
ASSUMED = ("correction-skipped", "valve-on-axis")
"""Rules of notes that report an assumption, besides those that end in "-assumed"."""
UNTOLD = ("lift-repeated", "column-ignored", "beyond-cam", "confounded", "not-a-number")
"""Rules of notes that stand on the page of findings only."""


def notes_told(findings: Sequence[Finding]) -> tuple[list[str], list[str]]:
    """Return every assumption, and what else must be known, each once with where it applies."""
    where: dict[tuple[bool, str], list[str]] = {}
    for finding in findings:
        if finding.severity == "note" and finding.rule not in UNTOLD:
            assumed = finding.rule.endswith("-assumed") or finding.rule in ASSUMED
            where.setdefault((assumed, clean(finding.message)), []).append(clean(finding.where))
    told: tuple[list[str], list[str]] = ([], [])
    for (assumed, message), places in where.items():
        place = places[0] if len(set(places)) == 1 else f"{places[0]} and {len(set(places)) - 1} more"
        told[0 if assumed else 1].append(f"{place}: {message}" if place else message)
    return told


def _foot(contents: ReportContents, width: float, all_sources: str) -> list[str]:
    """Return the footer's lines: sources, version, every assumption."""
    sources = ", ".join(f"{clean(source.name)} {source.sha256[:8]}" for source in contents.sources)
    assumed, noted = notes_told(contents.findings)
    parts = [shorten(clean(contents.info.notes), 2.0 * width, SIZES.small)] if contents.info.notes else []
    parts += [
        f"flowkit {__version__}.",
        f"Sources (SHA-256): {sources}." if sources else "Sources: none named.",
        "Assumed: " + " ".join(assumed) if assumed else "Assumed: nothing.",
    ]
    doubtful = [finding for finding in contents.findings if finding.severity != "note"]
    if doubtful:
        rules = ", ".join(distinct(finding.rule for finding in doubtful))
        parts.insert(0, f"Doubtful: {counted(doubtful)} ({rules}), told on the page of findings.")
    if noted:
        parts.append("Notes: " + " ".join(noted))
    names = [contents.info.title or "", *(variant.name for variant in contents.variants)]
    if missing_letters([*names, *(finding.message for finding in contents.findings)]):
        parts.append(f"{STAND_IN} stands for a letter this typeface has not; the data inside this file hold it.")
    lines = wrap(" ".join(parts), width, SIZES.small)
    if len(lines) > FOOT_LINES:
        lines = [*lines[: FOOT_LINES - 1], f"… The rest of the sources, assumptions and notes is {all_sources}."]
    return lines


def _head(page: Page, contents: ReportContents, names: Names) -> float:
    """Write the headline, the job and the reference; return where they end."""
    info, width = contents.info, page.paper.inner_width
    display = display_of(info.display)
    y = page.paper.top + 9.0
    for side, result in sides_of(contents.comparison):
        if result.totals:
            words = clean(headline(result.totals[-1], side))
            size = SIZES.headline
            lines = wrap(words, width, size, bold=True, most=2)
            y = page.paragraph(page.left, y, width, lines, size=size, leading=16.0, bold=True)
    if not any(result.totals for _, result in sides_of(contents.comparison)):
        lines = wrap(
            f"Flow of the head {names.full[0] if names.full else ''}", width, SIZES.headline, bold=True, most=2
        )
        y = page.paragraph(page.left, y, width, lines, size=SIZES.headline, leading=16.0, bold=True)
    y += 3.0
    job = " · ".join(clean(part) for part in (info.title, info.vehicle, info.customer) if part)
    size = SIZES.title if text_width(job, SIZES.title) <= width else SIZES.heading
    y = page.paragraph(page.left, y, width, wrap(job, width, size, most=2), size=size)
    y += 1.0
    method = method_words(contents.comparison, display, drawn="Shading, bars")
    reference = f"{reference_words(contents.reference, display)} {method}"
    y = page.paragraph(page.left, y, width, wrap(reference, width, SIZES.body, most=4), color=SOFT)
    if names.letters:
        y = _list_names(page, y + 2.0, names)
    return y + 6.0


def _list_names(page: Page, y: float, names: Names) -> float:
    """Write each letter with the name it stands for, in two columns where they fit."""
    width = page.paper.inner_width
    column = (width - GAP) / 2
    entries = [wrap(names.prefixed(name), column, SIZES.body, most=2) for name in names.place]
    half = (len(entries) + 1) // 2 if len(entries) > 2 else len(entries)
    ends = [y]
    for start, x in ((0, page.left), (half, page.left + column + GAP)):
        at = y
        for lines in entries[start : start + half] if start == 0 else entries[half:]:
            at = page.paragraph(x, at, column, lines)
        ends.append(at)
    return max(ends)


def _bottom(page: Page, contents: ReportContents, all_sources: str) -> float:
    """Write cautions and footer at the foot of the page; return where they begin."""
    width = page.paper.inner_width
    foot = _foot(contents, width, all_sources)
    cautions = [line for text in CAUTIONS for line in wrap(text, width, SIZES.body)]
    leading = SIZES.body * 1.34
    start = page.paper.inner_bottom - len(foot) * SIZES.small * 1.36 - 4.0 - len(cautions) * leading - 2.0
    page.rule(page.left, page.right, start - 3.0, weight=0.4)
    y = page.paragraph(page.left, start, width, cautions, leading=leading)
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


def chart_page(contents: ReportContents, paper: Paper, names: Names, *, all_sources: str) -> tuple[Page, Flowing]:
    """Draw the first page."""
    page = Page(paper, "Flow chart")
    display = display_of(contents.info.display)
    sides = sides_of(contents.comparison)
    width = paper.inner_width
    column = (width - GAP * (len(sides) - 1)) / len(sides)
    y = _head(page, contents, names)
    bottom = _bottom(page, contents, all_sources)
    # The short table of the most measured lifts; `every_lift_pages` has the long one.
    tables = fitted_tables(sides, width, lambda side, result, room: side_table(side, result, names, display, room))
    flowing = Flowing(tables, width)
    steps = max(steps_height(result, names, min(column, STEPS_MOST)) for _, result in sides)
    gained = any(result.steps for _, result in sides)
    lines = max(end_lines(names), len(names.full))
    flow_least = max(FLOW_LEAST, 34.0 + END_PITCH * (lines - 1.5))
    gain_least = max(GAIN_LEAST, 37.0 + END_PITCH * (len(names.full) - 2.5)) if gained else 0.0
    least = flow_least + gain_least
    most = max(least, FLOW_MOST + (GAIN_MOST if gained else 60.0))
    spare = bottom - y - steps - flowing.height() - 9.0
    charts = min(max(spare, least), most)
    flow_height = flow_least + (charts - least) * (0.62 if gained else 1.0)
    gain_height = charts - flow_height
    top = _flow_top(contents)
    for index, (side, result) in enumerate(sides):
        left = page.left + index * (column + GAP)
        draw_flow_panel(page, (left, y, column, flow_height), side, result, names=names, display=display, top=top)
        if result.steps:
            draw_gain_panel(
                page, (left, y + flow_height, column, gain_height), side, result, names=names, display=display
            )
            draw_steps(page, (left, y + charts + 4.0, min(column, STEPS_MOST)), side, result, names)
    flowing.draw(page, y + charts + steps + 6.0, bottom)
    return page, flowing


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
    """
    units = display_of(display)
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
        color=color, weight="bold" if bold else "normal", va="baseline", parse_math=False, annotation_clip=False,
    )  # fmt: skip
