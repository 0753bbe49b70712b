"""Page 1: cautions, the headline, the chart, the gains, the table and what it rests on."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from flowkit.analysis.results import Comparison
from flowkit.analysis.sentences import cause, gain_words, headline, least_words, verdict
from flowkit.drawing import INK, SOFT, figure_of, plot_comparison, style, text_width, variant_style
from flowkit.drawing.curves import families_of
from flowkit.errors import FlowkitError, with_article
from flowkit.model import Side
from flowkit.reports import contents as figures
from flowkit.reports.contents import ReportContents, StateFacts
from flowkit.reports.labels import counted, method_words, reference_words, sides_of
from flowkit.reports.pages.charts import Steps, draw_flow_panel, draw_gain_panel, end_words
from flowkit.reports.pages.layout import (
    GAP,
    SIZES,
    STAND_IN,
    Band,
    Names,
    Page,
    Paper,
    clean,
    lay,
    lay_all,
    missing_letters,
    shorten,
    shorten_name,
    wrap,
)
from flowkit.reports.tables import NAME, Cell, Column, Row, Table, flow_table
from flowkit.units import from_si
from flowkit.version import __version__
from flowkit.wording import display_of, listed, pressure_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOGO_WIDTH, LOGO_HEIGHT = 110.0, 42.0
FACT_ROWS = 8
"""States whose own facts are in a table of a row each."""
FACTS_MOST = 24
"""States whose own facts page 1 has room for."""
END_PITCH = 9.4
"""Room one line of a curve's name takes [pt]."""
FLOW_LEAST, FLOW_MOST = 126.0, 236.0
GAIN_LEAST, GAIN_MOST = 84.0, 132.0
ALONE_MORE = 110.0
"""Higher than that are the curves of a page without gains [pt]."""
GAIN_PANEL_STATES = 8
"""Of more states the gains lift by lift are in the table alone: so many lines would hide one another."""
FOOT_LINES = 4
DOUBT_LINES = 7
STEPS_MOST = 340.0


def draw_head(page: Page, contents: ReportContents, names: Names) -> float:
    """Write the head of page 1; return where it ends."""
    info, paper = contents.info, page.paper
    width = paper.inner_width - _logo(page, info.logo)
    y = _cautions(page, paper.top + 8.0, contents, width)
    for size, bold, words in _headlines(contents, names):
        fitting = size if text_width(words, size, bold=bold) <= width else min(size, SIZES.subhead)
        lines = wrap(words, width, fitting, bold=bold, most=3)
        y = page.paragraph(page.left, y, width, lines, size=fitting, leading=fitting * 1.26, bold=bold)
    y += 2.0
    job = " · ".join(clean(part) for part in (info.title, info.vehicle, info.customer) if part)
    size = SIZES.heading if text_width(job, SIZES.heading) <= width else SIZES.body
    y = page.paragraph(page.left, y, width, wrap(job, width, size, most=2), size=size)
    width = paper.inner_width
    comparison, display = contents.comparison, display_of(info.display)
    gained = any(result.gains for _, result in sides_of(comparison))
    method = method_words(comparison, display, drawn="Shading, bars" if gained else "Shading")
    reference = f"{reference_words(contents.reference, display, comparison.tests)} {method}"
    y = page.paragraph(page.left, y, width, wrap(reference, width, SIZES.body, most=4), color=SOFT)
    return _states(page, y + 2.0, figures.state_facts(contents), names) + 6.0


def _cautions(page: Page, y: float, contents: ReportContents, width: float) -> float:
    """Write what to check before running, above everything else; return where it ends."""
    label, size = "Before running: ", SIZES.small
    text = " ".join(clean(caution) for caution in figures.cautions_of(contents)).removeprefix(label)
    spare = text_width(label, size, bold=True) - text_width(label, size)
    first, *rest = wrap(label + text, width - spare, size)
    page.write(page.left, y + size * 1.3, label.rstrip(), size=size, bold=True)
    indent = text_width(label, size, bold=True)
    y = page.paragraph(page.left + indent, y, width, [first.removeprefix(label)], size=size, leading=size * 1.3)
    y = page.paragraph(page.left, y, width, rest, size=size, leading=size * 1.3)
    page.rule(page.left, page.left + width, y + 3.0, weight=0.4)
    return y + 5.0


def _headlines(contents: ReportContents, names: Names) -> list[tuple[float, bool, str]]:
    """Return the headline's lines with their size: the figures of both sides, then what they mean."""
    found = [(side, result.totals[-1]) for side, result in sides_of(contents.comparison) if result.totals]
    if not found:
        return [(SIZES.headline, True, f"Flow of the head {names.full[0] if names.full else ''}".rstrip())]
    figures = ", ".join(f"{side} {gain_words(gain)}" for side, gain in found)
    meant: dict[str, list[str]] = {}
    for side, gain in found:
        said = verdict(gain)
        if gain.resolved:
            least = f", {least_words(gain.at_least)}" if gain.at_least is not None else ""
            said = f"{cause(gain)}; {said}{least}"
        meant.setdefault(said, []).append(side)
    words = "; ".join(f"{listed(sides)}: {said}" if len(meant) > 1 else said for said, sides in meant.items())
    pair = dict.fromkeys((clean(gain.to), clean(gain.from_)) for _, gain in found)
    over = f"{next(iter(pair))[0]} compared with {next(iter(pair))[1]}: " if len(pair) == 1 else ""
    over = over if text_width(over, SIZES.heading) < 260.0 else ""
    sentence = over + words if over else words[:1].upper() + words[1:]
    return [(SIZES.headline, True, f"Mean flow: {figures}"), (SIZES.heading, False, f"{sentence}.")]


def _logo(page: Page, path: str | None) -> float:
    """Draw the shop's picture at the top right; return the width it takes from the headline."""
    if not path:
        return 0.0
    from matplotlib.image import imread

    try:
        picture = imread(path)
    except (OSError, SyntaxError, ValueError) as error:
        raise FlowkitError(f"the logo {path} cannot be read as a picture", "use a PNG or JPEG file") from error
    height, width = (float(side) for side in picture.shape[:2])
    scale = min(LOGO_WIDTH / width, LOGO_HEIGHT / height)

    @page.chart(page.right - width * scale, page.paper.top + 8.0, width * scale, height * scale)
    def logo(ax: Axes) -> None:
        ax.imshow(picture, aspect="auto")
        ax.set_axis_off()

    return width * scale + 12.0


def _states(page: Page, y: float, facts: StateFacts, names: Names) -> float:
    """Write what is known of the states: valves, bench, operator, days; return where it ends."""
    width = page.paper.inner_width
    every = clean(figures.fact_words(facts.common))
    if every:
        words = f"All states: {every}." if len(names.place) > 1 else f"{every[:1].upper()}{every[1:]}."
        y = page.paragraph(page.left, y, width, wrap(words, width, SIZES.small, most=3), size=SIZES.small)
    # What differs is a table, a row a state, where that fits.
    groups = [label.partition(": ") for label in facts.labels]
    columns = (Column(item or group, group if item else "", left=True) for group, _, item in groups)
    rows = (Row((Cell(name, "bold"), *map(Cell, values))) for name, values in facts.rows)
    table = Table("", None, (NAME, *columns), tuple(rows))
    laid = lay(table, names, width, most=92.0, label=width)
    tabled = 0 < len(facts.rows) <= FACT_ROWS and laid.width <= width + 0.1
    if tabled:
        y = laid.draw(page, page.left, y + 4.0)
    # A table of the states names them itself; where it cannot hold them all they are listed.
    if (names.letters and (not tabled or len(facts.rows) < len(names.place))) or (not tabled and facts.rows):
        y = _list_states(page, y + 2.0, replace(facts, rows=()) if tabled else facts, names)
    return y


def _list_states(page: Page, y: float, facts: StateFacts, names: Names) -> float:
    """Write each state's name and what is its own, in two columns; only the names where there are very many."""
    column, size = (page.paper.inner_width - GAP) / 2, SIZES.small
    half = (len(names.place) + 1) // 2 if len(names.place) > 2 else len(names.place)
    known, places = dict(facts.rows), list(names.place)
    known = known if len(known) <= FACTS_MOST else {}
    ends = []
    for start, x in ((0, page.left), (half, page.left + column + GAP)):
        at = y
        for name in places[start : start + half]:
            head = wrap(names.prefixed(name), column, size, bold=True, most=2)
            at = page.paragraph(
                x, at, column, head, size=size, bold=True, color=variant_style(names.place[name]).text_color
            )
            values = [shorten_name(clean(value), 0.4 * column, size) for value in known.get(name, ())]
            own = figures.fact_words(list(zip(facts.labels, values, strict=False)))
            after = text_width(head[-1], size, bold=True) + 6.0
            if after + text_width(own, size) <= column:
                page.write(x + after, at, own, size=size)
            else:
                at = page.paragraph(x + 8.0, at, column, wrap(own, column - 8.0, size, most=3), size=size)
        ends.append(at)
    y = max(ends)
    if facts.rows and not known:
        y = page.paragraph(page.left, y, column, ["Bench, operator and days of each: see the workbook."], size=size)
    return y


def _foot(contents: ReportContents, width: float) -> list[str]:
    """Return the footer's lines: what is in doubt or changed by hand, the job's notes, sources, what was assumed."""
    sources = ", ".join(f"{clean(source.name)} {source.sha256[:8]}" for source in contents.sources)
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
    # Every assumption about the sheets, each once with the files it was made in.
    assumed: dict[str, list[str]] = {}
    for finding in contents.findings:
        if finding.severity == "note" and finding.rule.endswith("-assumed"):
            message = clean(finding.message).partition(" The same holds for ")[0].rstrip(".")
            assumed.setdefault(message, []).append(clean(finding.where).partition("!")[0])
    for number, (message, places) in enumerate(assumed.items()):
        more = len(set(places)) - 1
        place = f"{places[0]} and {more} more: " if more else f"{places[0]}: " if places[0] else ""
        parts.append(f"{'' if number else 'Assumed: '}{place}{message}.")
    missing = missing_letters([contents.info.title or "", *(variant.name for variant in contents.variants)])
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


def chart_page(contents: ReportContents, paper: Paper, names: Names) -> tuple[Page, list[Band], bool]:
    """Draw page 1; return with it what is left of its tables, and whether every step is on it."""
    page = Page(paper, "Flow chart")
    display = display_of(contents.info.display)
    sides = sides_of(contents.comparison)
    column = (paper.inner_width - GAP * (len(sides) - 1)) / len(sides)
    y = draw_head(page, contents, names)
    bottom = _bottom(page, contents)
    lines = max(sum(len(end_words(names, name)) for name in names.place), len(names.full))
    flow_least = max(FLOW_LEAST, 34.0 + END_PITCH * (lines - 1.5))
    panel = any(result.steps for _, result in sides) and len(names.full) <= GAIN_PANEL_STATES
    gain_least = max(GAIN_LEAST, 37.0 + END_PITCH * (len(names.full) - 2.5)) if panel else 0.0
    least = flow_least + gain_least
    room = bottom - y - least - 12.0
    width = min(column, STEPS_MOST)

    def steps_of(most: int) -> list[Steps]:
        """Return what each step of either side was worth, in so many rows at most."""
        return [Steps(result, names, width, most) for _, result in sides]

    def fitting(place: int) -> int:
        """Return how many rows of a side's steps the room holds, all of them where they fit."""
        count = steps[place].count
        while count > 1 and steps_of(count)[place].height > room:
            count -= 1
        return count

    steps = steps_of(99)
    bands = _short_table(contents, names, paper, room - max(item.height for item in steps))
    shown = max(fitting(place) for place in range(len(sides)))
    steps = steps_of(shown)
    height = max(item.height for item in steps)
    most = max(least, FLOW_MOST + (GAIN_MOST if panel else ALONE_MORE))
    # The tables that fit whole leave the rest to the charts.
    whole = 0.0
    for band in bands:
        if whole + band.height > bottom - y - height - least - 9.0:
            break
        whole += band.height
    spare = bottom - y - height - whole - 9.0
    charts = min(max(spare, least), most)
    flow_height = flow_least + (charts - least) * (0.62 if panel else 1.0)
    # Both sides have one scale of flow.
    peaks = (
        from_si(flow, display.flow) * (1 + (u or 0.0))
        for _, result in sides
        for variant in result.variants
        for flow, u in zip(variant.flow_m3_s, variant.flow_u95, strict=True)
    )
    top = 1.05 * max(peaks, default=1.0) or 1.0
    for index, ((side, result), worth) in enumerate(zip(sides, steps, strict=True)):
        left = page.left + index * (column + GAP)
        draw_flow_panel(page, (left, y, column, flow_height), side, result, names=names, display=display, top=top)
        if result.steps and panel:
            box = (left, y + flow_height, column, charts - flow_height)
            draw_gain_panel(page, box, side, result, names=names, display=display)
        worth.draw(page, left, y + charts + 4.0, filled=side == "intake")
    end, drawn = y + charts + height + 6.0, 0
    while drawn < len(bands) and bands[drawn].fitting(bottom - end, 0, torn=False):
        end = bands[drawn].draw(page, end, 0, bands[drawn].rows)
        drawn += 1
    if 0 < drawn < len(bands):
        page.write(page.left, min(end, bottom), "The rest of this table is on page 2.", size=SIZES.small, color=SOFT)
    return page, bands[drawn:], not any(worth.missing for worth in steps)


def _short_table(contents: ReportContents, names: Names, paper: Paper, room: float) -> list[Band]:
    """Return the table of the lifts that most states were measured at; with its ports where there is room for them."""
    display, width = display_of(contents.info.display), paper.inner_width
    for ports in (True, False):
        laid = []
        for side, result in sides_of(contents.comparison):
            table = flow_table(side, result, display, figures.main_lifts(result), ports=ports)
            more = len(figures.main_lifts(result)) < len(figures.all_lifts(result))
            laid.append(replace(table, marks=(*table.marks, *(["every lift: next page"] if more else []))))
        bands = lay_all(laid, names, width)
        if sum(band.height for band in bands) <= room:
            break
    return bands


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
        raise FlowkitError(
            f"{with_article(type(comparison).__name__)} is not a comparison", "give what compare returns"
        )
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
        lines = [(line, 7.0, SOFT, 9.5) for line in reversed(below)] + [(line, 10.0, INK, 13.0) for line in heads[::-1]]
        for number, (line, size, color, pitch) in enumerate(lines):
            up += 3.0 if number == len(below) else 0.0
            ax.annotate(
                line, (0.0, 1.0), xycoords="axes fraction", xytext=(0.0, up), textcoords="offset points", size=size,
                color=color, weight="bold" if color == INK else "normal", va="baseline", family=families_of(line),
                parse_math=False, annotation_clip=False,
            )  # fmt: skip
            up += pitch
    return ax
