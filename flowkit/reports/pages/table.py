"""Tables on a page, and what flows from page to page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

from flowkit.drawing import INK, SOFT, text_width, variant_style
from flowkit.reports.pages.layout import SIZES, Names, Page, Paper, clean, shorten, shorten_name, wrap
from flowkit.reports.tables import Cell, Row, Table
from flowkit.wording import NOTHING

PITCH = 9.3
HEAD_PITCH = 7.6
GROUP_HEIGHT = 11.0
SAMPLE_HEIGHT = 8.0
RULE_ROOM = 2.2
NOTE_HEIGHT = 9.0
LEFT_GAP = 8.0
"""Before the texts of a left-aligned column."""
GAP = 24.0
"""Between two tables."""
_LABEL, _STATE, _BESIDE = 220.0, 118.0, 60.0
"""No name of a row is wider than this: of anything, of a state, beside figures of every state [pt]."""
_LEAST_WORDS = 60.0
"""A last column of words is not made narrower than this [pt]."""


class LaidColumn(NamedTuple):
    """A column on paper: its head in lines, its width [pt], its group, and the place of the state whose line it has."""

    head: tuple[str, ...]
    width: float
    group: str = ""
    place: int | None = None
    left: bool = False

    @property
    def align(self) -> Literal["left", "right"]:
        """How its texts are aligned."""
        return "left" if self.left else "right"


@dataclass(frozen=True, slots=True)
class Laid:
    """A table laid out for paper."""

    columns: tuple[LaidColumn, ...]
    rows: tuple[Row, ...]
    title: str = ""
    notes: tuple[str, ...] = ()
    filled: bool = True

    @property
    def width(self) -> float:
        """Of all columns [pt]."""
        return sum(column.width for column in self.columns)

    @property
    def head_height(self) -> float:
        """Of title, groups, line samples and heads [pt]."""
        groups = GROUP_HEIGHT if any(column.group for column in self.columns) else 0.0
        samples = SAMPLE_HEIGHT if any(column.place is not None for column in self.columns) else 0.0
        lines = max(len(column.head) for column in self.columns)
        return (SIZES.heading * 1.4 if self.title else 0.0) + groups + samples + lines * HEAD_PITCH + 4.5

    def note_lines(self) -> list[str]:
        """Return the lines of what is said under it, no wider than it, or than half a page."""
        return wrap("; ".join(self.notes), max(self.width, 200.0), SIZES.small) if self.notes else []

    def rows_that_fit(self, room: float, start: int) -> float:
        """Return how many rows from one on fit under the head; no end where all that is left does."""
        y = self.head_height + 2.0
        for count, row in enumerate(self.rows[start:]):
            y += row_height(row)
            if y > room:
                return count
        return math.inf

    def draw(self, page: Page, x: float, y: float, *, start: int = 0, stop: int | None = None) -> float:
        """Draw it, or a part of its rows under its head; return where it ends."""
        y = self._draw_head(page, x, y, continued=start > 0)
        for row in self.rows[start:stop]:
            if row.rule:
                page.rule(x, x + self.width, y + 1.6, weight=0.4)
            y += row_height(row)
            edge = x
            for column, cell in zip(self.columns, row.cells, strict=True):
                bold = "bold" in cell.style
                page.write(
                    _from(column, edge, x), y - 1.6, cell.text, align=column.align, bold=bold,
                    italic="italic" in cell.style, color=SOFT if "dim" in cell.style and not bold else INK,
                )  # fmt: skip
                edge += column.width
        page.rule(x, x + self.width, y + 1.4, weight=0.4)
        return y + 2.0

    def _draw_head(self, page: Page, x: float, y: float, *, continued: bool) -> float:
        """Draw title, groups, line samples and column heads; return where they end."""
        if self.title:
            y += SIZES.heading * 1.4
            title = f"{self.title}, continued" if continued else self.title
            page.write(x, y - 3.0, title, size=SIZES.heading, bold=True)
        edges = [x]
        for column in self.columns:
            edges.append(edges[-1] + column.width)
        if any(column.group for column in self.columns):
            y += GROUP_HEIGHT
            for place, column in enumerate(self.columns):
                if column.group and (place == 0 or self.columns[place - 1].group != column.group):
                    stop = place + 1
                    while stop < len(self.columns) and self.columns[stop].group == column.group:
                        stop += 1
                    left, right = edges[place] + 6, edges[stop]
                    page.write(
                        (left + right) / 2, y - 3.4, column.group, size=SIZES.small, align="center", color=SOFT
                    )  # fmt: skip
                    page.rule(left, right, y - 1.2, weight=0.3)
        if any(column.place is not None for column in self.columns):
            y += SAMPLE_HEIGHT
        lines = max(len(column.head) for column in self.columns)
        for column, edge in zip(self.columns, edges, strict=False):
            if column.place is not None:
                middle = edge + column.width - 8.5
                page.sample(middle, y - 2.5, variant_style(column.place), width=17, filled=self.filled)
            for row, line in enumerate(column.head):
                base = y + (lines - len(column.head) + row + 1) * HEAD_PITCH - 1.2
                page.write(_from(column, edge, x), base, line, size=SIZES.small, align=column.align, color=SOFT)
        y += lines * HEAD_PITCH + 2.5
        page.rule(x, x + self.width, y, weight=0.7, color=SOFT)
        return y + 2.0


def _from(column: LaidColumn, edge: float, left: float) -> float:
    """Return where the texts of a column begin, or end where they are aligned right."""
    return edge + (column.width if not column.left else 0.0 if edge == left else LEFT_GAP)


def row_height(row: Row) -> float:
    """Return the height of a row [pt]."""
    return PITCH + (RULE_ROOM if row.rule else 0.0)


def lay(table: Table, names: Names, room: float, *, most: float = 44.0, label: float = _STATE) -> Laid:
    """Lay a table out for paper: columns as wide as they need, and evenly wider where there is room, up to `most`."""
    rows = [row for row in table.rows if row.kind != "area"]
    # A dash is grey.
    cells = [[cell._replace(text=clean(cell.text)) for cell in row.cells] for row in rows]
    cells = [[Cell(NOTHING, "dim") if cell.text == NOTHING else cell for cell in row] for row in cells]
    first, before = table.columns[0], ""
    for row in cells:
        text = row[0].text
        if first.names and text in names.place:
            name = shorten_name(names.head(text) if table.side else names.prefixed(text), label, SIZES.body)
        else:
            beside = any(column.state is not None for column in table.columns)
            name = shorten_name(text, _BESIDE if beside else _LABEL, SIZES.body)
        # Of several rows of a state the first names it.
        row[0] = row[0]._replace(text="" if table.keys > 1 and text == before else name)
        before = text
    heads, needs = [], []
    for place, column in enumerate(table.columns):
        head = clean(column.head if column.state is None else column.state)
        heads.append(names.head(column.state) if column.state in names.place else head)
        gap = LEFT_GAP if column.left else 4.5
        if column.group and any("±" in row[place].text or "(" in row[place].text for row in cells):
            gap = 7.0 if column.group == table.columns[place - 1].group else 10.0
        widths = [text_width(word, SIZES.small) for word in heads[-1].split()]
        widths += [
            text_width(row[place].text, SIZES.body, bold="bold" in row[place].style or not column.left) for row in cells
        ]
        need = (gap if place else 2.0 if first.names else 0.0) + max(widths, default=0.0)
        members = sum(other.group == column.group for other in table.columns)
        needs.append(max(need, (text_width(column.group, SIZES.small) + 8.0) / members) if column.group else need)
    spare = room - sum(needs)
    if spare < 0 and table.columns[-1].left and len(needs) > 1:
        needs[-1] = max(min(needs[-1], _LEAST_WORDS), needs[-1] + spare)
        for row in cells:
            row[-1] = row[-1]._replace(text=shorten(row[-1].text, needs[-1] - LEFT_GAP, SIZES.body))
    widths = [max(need, min(need + max(spare, 0.0) / len(needs), most)) for need in needs]
    columns: list[LaidColumn] = []
    for column, head, width in zip(table.columns, heads, widths, strict=True):
        group = column.group
        if column.over is not None:
            longer = group.replace("gain", f"gain over {names.head(column.over)}", 1)
            of_group = (w for w, other in zip(widths, table.columns, strict=True) if other.group == group)
            group = longer if text_width(longer, SIZES.small) + 8.0 <= sum(of_group) else group
        gap = LEFT_GAP - 0.5 if column.left and columns else 3.0
        lines = tuple(wrap(head, max(width - gap, 12.0), SIZES.small)) or ("",)
        columns.append(LaidColumn(lines, width, group, names.place.get(column.state or ""), column.left))
    laid = tuple(row._replace(cells=tuple(mine)) for row, mine in zip(rows, cells, strict=True))
    said = table.side is None or any(column.group.startswith(table.side) for column in table.columns)
    title = "" if said or table.side is None else table.side.capitalize()
    return Laid(tuple(columns), laid, title, _marks(table), table.side != "exhaust")


def _marks(table: Table) -> tuple[str, ...]:
    """Say what italics, grey and the ends of intervals mean where there are any, and what else must be said there."""
    cells = [cell for row in table.rows if row.kind == "lift" for cell in row.cells]
    said = (
        ("italic: between measured lifts", table.between),
        ("from, to: 95 % interval", any(row.cells[0].text == "from" for row in table.rows)),
        ("grey: within the bench's scatter", any("dim" in cell.style for cell in cells)),
    )
    return (*(words for words, there in said if there), *map(clean, table.marks))


class Band(NamedTuple):
    """Tables side by side, or one alone: drawn together, row by row."""

    tables: list[Laid]
    step: float = 0.0
    """From the left edge of one to that of the next [pt]."""

    @property
    def rows(self) -> int:
        """Of the longest of them."""
        return max(len(table.rows) for table in self.tables)

    @property
    def notes(self) -> float:
        """Height of what is said under them [pt]."""
        return NOTE_HEIGHT * max(len(table.note_lines()) for table in self.tables)

    @property
    def height(self) -> float:
        """Of all of it [pt]."""
        rows = max(sum(map(row_height, table.rows)) for table in self.tables)
        return max(table.head_height for table in self.tables) + rows + self.notes + 6.0

    def fitting(self, room: float, start: int, *, torn: bool) -> int:
        """Return how many rows from one on fit in a room, all that are left or none unless it may be torn."""
        left = self.rows - start
        fit = min(left, *(table.rows_that_fit(room - 2.0 - self.notes, start) for table in self.tables))
        fit = int(fit if fit == left else min(fit, left - _LEAST_ROWS))
        return fit if fit >= (min(_LEAST_ROWS, left) if torn else left) else 0

    def draw(self, page: Page, y: float, start: int, stop: int) -> float:
        """Draw some of its rows; return where they end."""
        ends = []
        for index, table in enumerate(self.tables):
            if start < len(table.rows):
                x = page.left + index * self.step
                end = table.draw(page, x, y, start=start, stop=stop)
                for line in table.note_lines() if stop >= len(table.rows) else ():
                    end += NOTE_HEIGHT
                    page.write(x, end - 1.0, line, size=SIZES.small, color=SOFT)
                ends.append(end)
        return max(ends) + 10.0


def lay_all(tables: Sequence[Table], names: Names, width: float) -> list[Band]:
    """Lay tables out: side by side where they fit, else each as wide as the page, else in parts of some states each."""
    tables = [table for table in tables if table.rows]
    step = (width + GAP) / max(len(tables), 1)
    laid = [lay(table, names, step - GAP) for table in tables]
    if sum(table.width for table in laid) + GAP * (len(laid) - 1) <= width + 0.1:
        return [Band(laid, step)] if laid else []
    laid = []
    for table in tables:
        states = list(dict.fromkeys(column.state for column in table.columns if column.state is not None))
        for count in range(1, max(len(states), 1) + 1):
            size = -(-len(states) // count) or 1
            found = []
            for part in [states[first : first + size] for first in range(0, len(states) or 1, size)]:
                kept = [n for n, column in enumerate(table.columns) if column.state is None or column.state in part]
                rows = tuple(row._replace(cells=tuple(row.cells[n] for n in kept)) for row in table.rows)
                columns = tuple(table.columns[n] for n in kept)
                found.append(lay(replace(table, columns=columns, rows=rows), names, width))
            if all(part.width <= width + 0.1 for part in found):
                break
        if len(found) > 1:
            side = (table.side or "").capitalize()
            found = [replace(part, title=f"{side}, part {number}") for number, part in enumerate(found, 1)]
        laid += found
    return [Band([table]) for table in laid]


_LEAST_ROWS = 3
"""Fewer rows of a table do not stay alone under its head."""
_WHOLE = 0.45
"""Tables lower than this share of a page stay on one."""
_CHAPTER = 0.26
"""A chapter begins on the page before where at least this share of it is left."""


class Stream:
    """The report behind page 1, written from top to bottom: chapters follow one another on the same page."""

    def __init__(self, paper: Paper, *, scale: float = 1.0, torn: bool = False) -> None:
        self.paper, self.scale, self.torn = paper, scale, torn
        self.title = ""
        self.pages: list[Page] = []
        self.y = paper.inner_bottom
        self._ends: list[float] = []

    def chapter(self, title: str, lead: str = "", *, keep: float = 0.0) -> None:
        """Begin a chapter: on this page where there is room for it, else on the next."""
        self.title = title
        if self.pages and self.room >= max(_CHAPTER * self.paper.inner_bottom, keep):
            self.page.rule(self.page.left, self.page.right, self.y + 13.0, weight=0.6)
            self.page.chapters.append(title)
            self._headline(title, self.y + 13.0)
        else:
            self._open(title)
        if lead:
            self.text(lead, color=SOFT)
            self.y += 4.0

    @property
    def page(self) -> Page:
        """The page being written."""
        return self.pages[-1]

    @property
    def room(self) -> float:
        """What is left above the bottom margin [pt]."""
        return self.paper.inner_bottom - self.y

    @property
    def emptiest(self) -> float:
        """How far down the page that ends first is filled [pt]."""
        return min((*self._ends, self.y))

    def _open(self, title: str) -> None:
        """Begin a page."""
        if self.pages:
            self._ends.append(self.y)
        self.pages.append(Page(self.paper, title))
        self._headline(title, self.paper.top + 9.0)

    def _headline(self, title: str, y: float) -> None:
        """Write the title of a chapter."""
        self.y = self.page.paragraph(
            self.page.left, y, self.paper.inner_width, [title], size=SIZES.headline, bold=True, leading=16.0
        ) + 6.0  # fmt: skip

    def need(self, height: float) -> None:
        """Begin a new page where less room than this is left [pt]."""
        if self.room < min(height, self.paper.inner_bottom - self.paper.top - 34.0):
            self._open(f"{self.title}, continued")

    def heading(self, text: str, *, keep: float = 24.0) -> None:
        """Write a heading with at least so much room under it [pt]."""
        self.need(SIZES.heading * 2 + keep)
        self.y += SIZES.heading * 1.9
        self.page.write(self.page.left, self.y, text, size=SIZES.heading, bold=True)
        self.y += 2.5

    def text(
        self,
        text: str,
        *,
        size: float = SIZES.body,
        color: str = INK,
        bold: bool = False,
        indent: float = 0.0,
        label: str = "",
    ) -> None:
        """Write a paragraph; a label goes into the indent of its first line."""
        leading = size * 1.36
        width = self.paper.inner_width - indent
        for number, line in enumerate(wrap(text, width, size, bold=bold)):
            self.need(leading)
            self.y += leading
            if label and number == 0:
                self.page.write(self.page.left, self.y, label, size=size, bold=True, color=color)
            self.page.write(self.page.left + indent, self.y, line, size=size, bold=bold, color=color)
        self.y += 1.2

    def sentences(self, texts: Sequence[str]) -> None:
        """Write what the comparison says in words, where it says anything."""
        if texts:
            self.heading("In words")
        for text in texts:
            self.text(clean(text))
            self.y += 1.5

    def tables(self, tables: Sequence[Table], names: Names) -> None:
        """Draw tables, side by side where they fit, flowing onto further pages."""
        self.flow(lay_all(tables, names, self.paper.inner_width))

    def section(self, tables: Sequence[Table], names: Names, before: Sequence[str] = ()) -> None:
        """Write tables of a kind, one a side: heading, sentences, tables and their notes; small ones are not torn."""
        tables = [table for table in tables if table.rows]
        if not tables:
            return
        width = self.paper.inner_width
        bands = lay_all(tables, names, width)
        under = " ".join(dict.fromkeys(note for table in tables for note in table.notes))
        below = 1.4 + SIZES.small * 1.36 * len(wrap(under, width, SIZES.small)) if under else 0.0
        height = sum(band.height for band in bands) + below + 6.0 + 12.0 * len(before)
        self.heading(tables[0].title, keep=height if height < _WHOLE * self.paper.inner_bottom else 80.0)
        for sentence in before:
            self.text(clean(sentence))
        self.y += 3.0
        self.flow(bands)
        if under:
            self.text(clean(under), size=SIZES.small)

    def flow(self, bands: Sequence[Band]) -> None:
        """Draw tables onto as many pages as they need."""
        half = 0.5 * self.paper.inner_bottom
        torn = self.torn or self.room > half
        for band in bands:
            start = 0
            while start < band.rows:
                count = band.fitting(self.room, start, torn=torn)
                if count:
                    self.y = band.draw(self.page, self.y, start, start + count)
                    start += count
                if start < band.rows:
                    self._open(f"{self.title}, continued")
                    torn = self.torn or self.room > half

    def key(self, names: Names) -> None:
        """Show each variant's line and marker with its name, in rows as wide as the page."""
        width = self.paper.inner_width
        needs = [38.0 + text_width(names.prefixed(name), SIZES.body) for name in names.place]
        column = width / 2 if max(needs) > width / 3 else 0.0
        x, right = self.page.left, self.page.right
        self.y += 10.0
        for (name, place), need in zip(names.place.items(), needs, strict=True):
            step = column or need
            if x + step > right + 0.1 and x > self.page.left:
                x = self.page.left
                self.y += 10.5
            look = variant_style(place)
            self.page.sample(x + 10.0, self.y - 2.4, look)
            self.page.write(x + 24.0, self.y, names.fitted(name, step - 28.0)[0], color=look.text_color)
            x += step
        self.y += 5.0
