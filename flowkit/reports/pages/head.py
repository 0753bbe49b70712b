"""The head of page 1: cautions first, then the headline, the job, the reference and what is known of the states."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from flowkit.analysis.sentences import cause, gain_words, least_words, verdict
from flowkit.drawing import SOFT, text_width, variant_style
from flowkit.errors import FlowkitError
from flowkit.reports.contents import ReportContents, StateFacts, cautions_of, fact_words, state_facts
from flowkit.reports.labels import method_words, reference_words, sides_of
from flowkit.reports.pages.layout import SIZES, Names, Page, clean, shorten_name, wrap
from flowkit.reports.pages.table import (
    GAP,
    LEFT_GAP,
    Cell,
    Column,
    Row,
    Table,
    draw_table,
    fit_columns,
    needed_width,
)
from flowkit.wording import display_of, listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOGO_WIDTH, LOGO_HEIGHT = 110.0, 42.0
FACT_ROWS = 8
"""States whose own facts are in a table of a row each."""
FACTS_MOST = 24
"""States whose own facts page 1 has room for."""


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
    facts = state_facts(contents)
    table = _fact_table(facts, names) if 0 < len(facts.rows) <= FACT_ROWS else None
    table = table if table is not None and table.width <= width + 0.1 else None
    return _states(page, y + 2.0, facts, table, names) + 6.0


def _cautions(page: Page, y: float, contents: ReportContents, width: float) -> float:
    """Write what to check before running, above everything else; return where it ends."""
    label, size = "Before running: ", SIZES.small
    text = " ".join(clean(caution) for caution in cautions_of(contents)).removeprefix(label)
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


def _states(page: Page, y: float, facts: StateFacts, table: Table | None, names: Names) -> float:
    """Write what is known of the states: valves, bench, operator, days; return where it ends."""
    width = page.paper.inner_width
    every = clean(fact_words(facts.common))
    if every:
        words = f"All states: {every}." if len(names.place) > 1 else f"{every[:1].upper()}{every[1:]}."
        y = page.paragraph(page.left, y, width, wrap(words, width, SIZES.small, most=3), size=SIZES.small)
    if table is not None:
        wide = replace(table, columns=fit_columns(table.columns, width, most=92.0))
        y = draw_table(page, page.left, y + 4.0, wide)
    # A table of the states names them itself; where it cannot hold them all they are listed.
    if (names.letters and (table is None or len(facts.rows) < len(names.place))) or (table is None and facts.rows):
        y = _list_states(page, y + 2.0, facts if table is None else replace(facts, rows=()), names)
    return y


def _fact_table(facts: StateFacts, names: Names) -> Table:
    """Return what differs between the states as a table, a row a state."""
    labels = [label.partition(": ") for label in facts.labels]
    columns = [
        Column(("state",), needed_width([names.prefixed(name) for name, _ in facts.rows], gap=2.0), align="left")
    ]
    for place, (group, _, item) in enumerate(labels):
        head = item or group
        texts = [clean(values[place]) for _, values in facts.rows]
        words = max(text_width(word, SIZES.small) for word in head.split())
        room = max(needed_width(texts, gap=LEFT_GAP, bold=False), words + LEFT_GAP)
        members = sum(other == group for other, _, _ in labels)
        room = max(room, (text_width(group, SIZES.small) + 10.0) / members) if item else room
        columns.append(
            Column(tuple(wrap(head, room - LEFT_GAP + 0.5, SIZES.small)), room, group if item else "", align="left")
        )
    rows = [
        Row((Cell(names.prefixed(name), "bold"), *(Cell(clean(value)) for value in values)))
        for name, values in facts.rows
    ]
    return Table("", tuple(columns), tuple(rows))


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
            own = fact_words(list(zip(facts.labels, values, strict=False)))
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
