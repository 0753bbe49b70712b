"""Tables on a page, and what flows from page to page."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from typing import Literal

from flowkit.analysis.results import SideComparison
from flowkit.drawing import INK, SOFT, text_width, variant_style
from flowkit.model import Side
from flowkit.reports.pages.layout import SIZES, Names, Page, Paper, clean, wrap

PITCH = 9.3
HEAD_PITCH = 7.6
GROUP_HEIGHT = 11.0
SAMPLE_HEIGHT = 8.0
RULE_ROOM = 2.2
LEFT_GAP = 8.0
"""Before the texts of a left-aligned column."""
Style = Literal["plain", "bold", "dim", "italic", "dim italic"]


@dataclass(frozen=True, slots=True)
class Cell:
    """A text and how it is set."""

    text: str
    style: Style = "plain"


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its head, its width, and whose it is."""

    head: tuple[str, ...]
    width: float
    group: str = ""
    variant: int | None = None
    align: Literal["right", "left"] = "right"


@dataclass(frozen=True, slots=True)
class Row:
    """A row, with a rule over it or none."""

    cells: tuple[Cell, ...]
    rule_above: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A title, columns, rows and what must be said under them."""

    title: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    notes: tuple[str, ...] = field(default=())
    filled: bool = True

    @property
    def width(self) -> float:
        """Of all columns [pt]."""
        return sum(column.width for column in self.columns)


def head_height(table: Table) -> float:
    """Return the height of title, groups and heads [pt]."""
    lines = max(len(column.head) for column in table.columns)
    groups = GROUP_HEIGHT if any(column.group for column in table.columns) else 0.0
    samples = SAMPLE_HEIGHT if any(column.variant is not None for column in table.columns) else 0.0
    title = SIZES.heading * 1.4 if table.title else 0.0
    return title + groups + samples + lines * HEAD_PITCH + 4.5


def rows_that_fit(table: Table, room: float, start: int = 0) -> int:
    """Return how many rows fit under the head."""
    y, count = head_height(table) + 2.0, 0
    for row in table.rows[start:]:
        y += row_height(row)
        if y > room:
            break
        count += 1
    return count


def row_height(row: Row) -> float:
    """Return the height of a row [pt]."""
    return PITCH + (RULE_ROOM if row.rule_above else 0.0)


def draw_table(page: Page, x: float, y: float, table: Table, *, start: int = 0, stop: int | None = None) -> float:
    """Draw a table or a part of its rows under its head."""
    y = _draw_head(page, x, y, table, continued=start > 0)
    rows = table.rows[start:stop]
    for row in rows:
        if row.rule_above:
            page.rule(x, x + table.width, y + 1.6, weight=0.4)
        y += row_height(row)
        edge = x
        for column, cell in zip(table.columns, row.cells, strict=True):
            at = edge + column.width if column.align == "right" else edge if edge == x else edge + LEFT_GAP
            _write_cell(page, at, y - 1.6, column, cell)
            edge += column.width
    page.rule(x, x + table.width, y + 1.4, weight=0.4)
    return y + 2.0


def _write_cell(page: Page, at: float, y: float, column: Column, cell: Cell) -> None:
    """Write one cell from, or up to, a place."""
    page.write(
        at,
        y,
        cell.text,
        align=column.align,
        bold=cell.style == "bold",
        italic="italic" in cell.style,
        color=SOFT if "dim" in cell.style else INK,
    )


def _draw_head(page: Page, x: float, y: float, table: Table, *, continued: bool) -> float:
    """Draw title, groups, line samples and column heads; return where they end."""
    title = f"{table.title}, continued" if table.title and continued else table.title
    if title:
        y += SIZES.heading * 1.4
        page.write(x, y - 3.0, title, size=SIZES.heading, bold=True)
    if any(column.group for column in table.columns):
        y += GROUP_HEIGHT
        for text, left, right in _groups(table, x):
            page.write((left + right) / 2, y - 3.4, text, size=SIZES.small, align="center", color=SOFT)
            page.rule(left, right, y - 1.2, weight=0.3)
    if any(column.variant is not None for column in table.columns):
        y += SAMPLE_HEIGHT
    lines = max(len(column.head) for column in table.columns)
    edge = x
    for column in table.columns:
        right = edge + column.width
        if column.variant is not None:
            page.sample(right - 8.5, y - 2.5, variant_style(column.variant), width=17, filled=table.filled)
        for row, line in enumerate(column.head):
            base = y + (lines - len(column.head) + row + 1) * HEAD_PITCH - 1.2
            at = right if column.align == "right" else edge if edge == x else edge + LEFT_GAP
            page.write(at, base, line, size=SIZES.small, align=column.align, color=SOFT)
        edge = right
    y += lines * HEAD_PITCH + 2.5
    page.rule(x, x + table.width, y, weight=0.7, color=SOFT)
    return y + 2.0


def _groups(table: Table, x: float) -> list[tuple[str, float, float]]:
    """Return each group's text with its left and right edge."""
    found: list[tuple[str, float, float]] = []
    edge, last = x, ""
    for column in table.columns:
        right = edge + column.width
        if column.group and column.group == last:
            text, left, _ = found[-1]
            found[-1] = (text, left, right)
        elif column.group:
            found.append((column.group, edge + 6, right))
        last, edge = column.group, right
    return found


def fit_columns(columns: Sequence[Column], width: float, *, most: float = 48.0) -> tuple[Column, ...]:
    """Widen columns evenly so that a table fills a width, none beyond what looks well."""
    spare = width - sum(column.width for column in columns)
    if spare <= 0 or not columns:
        return tuple(columns)
    more = spare / len(columns)
    return tuple(Column(c.head, max(c.width, min(c.width + more, most)), c.group, c.variant, c.align) for c in columns)


def needed_width(texts: Sequence[str], *, size: float = SIZES.body, gap: float = 7.0, bold: bool = True) -> float:
    """Return the width a column of these texts needs, with the gap before it [pt]."""
    return gap + max((text_width(text, size, bold=bold) for text in texts), default=0.0)


GAP = 24.0
NOTE_HEIGHT = 9.0


def note_lines(table: Table) -> list[str]:
    """Return the lines of what is said under a table, no wider than it, or than half a page."""
    return wrap("; ".join(table.notes), max(table.width, 200.0), SIZES.small) if table.notes else []


def notes_height(table: Table) -> float:
    """Return the height of what is said under a table [pt]."""
    return NOTE_HEIGHT * len(note_lines(table))


def beside(tables: Sequence[Table], width: float) -> bool:
    """Whether tables fit side by side in a width [pt]."""
    return sum(table.width for table in tables) + GAP * (len(tables) - 1) <= width + 0.1


def fitted_tables(
    sides: Sequence[tuple[Side, SideComparison]], width: float, build: Callable[[Side, SideComparison, float], Table]
) -> list[Table]:
    """Return a table a side: side by side where they fit, else each as wide as the page, else in parts."""
    column = (width - GAP * (len(sides) - 1)) / len(sides)
    tables = [build(side, result, column) for side, result in sides]
    if beside(tables, width):
        return tables
    return [table for side, result in sides for table in _parts(side, result, width, build)]


def _parts(
    side: Side, result: SideComparison, width: float, build: Callable[[Side, SideComparison, float], Table]
) -> list[Table]:
    """Return one side's table, split by variants until each part fits a width."""
    count = len(result.variants)
    for parts in range(1, count + 1):
        size = -(-count // parts)
        tables = []
        for start in range(0, count, size):
            some = result.variants[start : start + size]
            kept = {variant.name for variant in some}
            gains = tuple(gain for gain in result.gains if gain.to in kept)
            table = build(side, replace(result, variants=some, gains=gains), width)
            tables.append(
                replace(table, title=f"{side.capitalize()}, part {start // size + 1}") if parts > 1 else table
            )
        if all(table.width <= width + 0.1 for table in tables):
            break
    return tables


class Flowing:
    """Tables on their way down the pages: side by side where they fit, else one after the other."""

    def __init__(self, tables: Sequence[Table], width: float) -> None:
        tables = [table for table in tables if table.rows]
        self.bands: list[list[Table]] = (
            [] if not tables else [list(tables)] if beside(tables, width) else [[table] for table in tables]
        )
        self.step = (width + GAP) / max(len(tables), 1)
        self.place = 0

    def copy(self) -> Flowing:
        """Return the same tables as far as they are, to be drawn on another layout's pages."""
        same = copy(self)
        same.bands = list(self.bands)
        return same

    @property
    def done(self) -> bool:
        """Whether everything is drawn."""
        return not self.bands

    def height(self, room: float = math.inf) -> float:
        """Return the height of all that is left in one column, or of the tables that fit whole in a room [pt]."""
        total = 0.0
        for index, band in enumerate(self.bands):
            start = self.place if index == 0 else 0
            rows = max(sum(map(row_height, table.rows[start:])) for table in band)
            notes = max(map(notes_height, band))
            more = max(head_height(table) for table in band) + rows + notes + 6.0
            if total + more > room:
                break
            total += more
        return total

    def draw(self, page: Page, y: float, bottom: float, *, torn: bool = True) -> float:
        """Draw what fits between y and bottom, tables torn or only whole ones; return where it ends."""
        while self.bands:
            band = self.bands[0]
            left = max(len(table.rows) for table in band) - self.place
            room = bottom - y - 2.0 - max(map(notes_height, band))
            fit = min((_fits(table, room, self.place) for table in band), default=0)
            fit = min(fit, left)
            if fit < left:
                fit = min(fit, left - _LEAST_ROWS)
            if fit < (min(_LEAST_ROWS, left) if torn else left):
                break
            stop = self.place + fit
            ends = []
            for index, table in enumerate(band):
                if self.place < len(table.rows):
                    x = page.left + index * self.step
                    end = draw_table(page, x, y, table, start=self.place, stop=min(stop, len(table.rows)))
                    if table.notes and stop >= len(table.rows):
                        for line in note_lines(table):
                            end += NOTE_HEIGHT
                            page.write(x, end - 1.0, line, size=SIZES.small, color=SOFT)
                    ends.append(end)
            y = max(ends) + 10.0
            if stop < max(len(table.rows) for table in band):
                self.place = stop
                break
            self.bands.pop(0)
            self.place = 0
        return y


def _fits(table: Table, room: float, start: int) -> int:
    """Return how many rows fit; any number where all that is left of this table does."""
    fit = rows_that_fit(table, room, start)
    return fit if start + fit < len(table.rows) else sys.maxsize


_LEAST_ROWS = 3
"""Fewer rows of a table do not stay alone under its head."""
_WHOLE = 0.45
"""Tables lower than this share of a page stay on one."""

_CHAPTER = 0.26
"""A chapter begins on the page before where at least this share of it is left."""


class Stream:
    """The report behind page 1, written from top to bottom: chapters follow one another on the same page."""

    def __init__(
        self, paper: Paper, title: str = "", lead: str = "", *, scale: float = 1.0, torn: bool = False
    ) -> None:
        self.paper = paper
        self.scale = scale
        self.torn = torn
        self.title = title
        self.pages: list[Page] = []
        self.y = paper.inner_bottom
        self._ends: list[float] = []
        if title:
            self.chapter(title, lead)

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
        label_color: str = INK,
    ) -> None:
        """Write a paragraph; a label goes into the indent of its first line."""
        leading = size * 1.36
        width = self.paper.inner_width - indent
        for number, line in enumerate(wrap(text, width, size, bold=bold)):
            self.need(leading)
            self.y += leading
            if label and number == 0:
                self.page.write(self.page.left, self.y, label, size=size, bold=True, color=label_color)
            self.page.write(self.page.left + indent, self.y, line, size=size, bold=bold, color=color)
        self.y += 1.2

    def sentences(self, texts: Sequence[str]) -> None:
        """Write what the comparison says in words, where it says anything."""
        if texts:
            self.heading("In words")
        for text in texts:
            self.text(clean(text))
            self.y += 1.5

    def tables(self, tables: Sequence[Table]) -> None:
        """Draw tables, side by side where they fit, flowing onto further pages."""
        self.flow(Flowing(tables, self.paper.inner_width))

    def headed(self, heading: str, tables: Sequence[Table], notes: Sequence[str] = ()) -> None:
        """Write a heading, tables with titles of their own, and notes under them; small ones are not torn."""
        flowing = Flowing(tables, self.paper.inner_width)
        below = sum(1.4 + SIZES.small * 1.36 * len(wrap(n, self.paper.inner_width, SIZES.small)) for n in notes)
        height = flowing.height() + below + 6.0
        self.heading(heading, keep=height if height < _WHOLE * self.paper.inner_bottom else 80.0)
        self.y += 3.0
        self.flow(flowing)
        for note in notes:
            self.text(note, size=SIZES.small)

    def flow(self, flowing: Flowing) -> None:
        """Draw what is left of tables on their way, onto as many pages as they need."""
        while not flowing.done:
            torn = self.torn or self.room > 0.5 * self.paper.inner_bottom
            self.y = flowing.draw(self.page, self.y, self.paper.inner_bottom, torn=torn)
            if not flowing.done:
                self._open(f"{self.title}, continued")

    def key(self, names: Names, *, filled: bool = True) -> None:
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
            self.page.sample(x + 10.0, self.y - 2.4, look, filled=filled)
            self.page.write(x + 24.0, self.y, names.fitted(name, step - 28.0)[0], color=look.text_color)
            x += step
        self.y += 5.0
