"""A table on paper: columns with measured widths, few rules, as many rows as there is room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from flowkit.drawing import INK, SOFT, text_width, variant_style
from flowkit.reports.layout import SIZES, Page

__all__ = [
    "Cell",
    "Column",
    "Row",
    "Table",
    "draw_table",
    "fit_columns",
    "head_height",
    "needed_width",
    "row_height",
    "rows_that_fit",
]

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
    """A column: its head, its width, and whose it is.

    Attributes
    ----------
    head : tuple of str
        Lines.
    width : float
        With the gap before it [pt].
    group : str
        Written once over neighbouring columns of the same group.
    variant : int or None
        Place of the variant whose line is shown over the head.
    align : {"right", "left"}
    """

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
    """A title, columns, rows and what must be said under them.

    Attributes
    ----------
    filled : bool
        Whether the variants' markers are filled (intake) or open (exhaust).
    """

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
    """Return how many rows fit under the head.

    Parameters
    ----------
    table : Table
    room : float
        Height there is for head and rows [pt].
    start : int, optional
        The first row to be drawn.
    """
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
    """Draw a table or a part of its rows under its head.

    Parameters
    ----------
    page : Page
    x, y : float
        Its top left corner [pt].
    table : Table
    start, stop : int, optional
        Rows drawn.

    Returns
    -------
    float
        Where it ends, from the top [pt].
    """
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
    """Widen columns evenly so that a table fills a width, none beyond what looks well.

    Parameters
    ----------
    columns : sequence of Column
        With the widths they need.
    width : float
        Room there is [pt].
    most : float, optional
        No column is widened beyond this.
    """
    spare = width - sum(column.width for column in columns)
    if spare <= 0 or not columns:
        return tuple(columns)
    more = spare / len(columns)
    return tuple(Column(c.head, max(c.width, min(c.width + more, most)), c.group, c.variant, c.align) for c in columns)


def needed_width(texts: Sequence[str], *, size: float = SIZES.body, gap: float = 7.0, bold: bool = True) -> float:
    """Return the width a column of these texts needs, with the gap before it [pt].

    Parameters
    ----------
    texts : sequence of str
    size : float, optional
        Type size [pt].
    gap : float, optional
        Before the column [pt].
    bold : bool, optional
        Whether any of the texts may be bold.
    """
    return gap + max((text_width(text, size, bold=bold) for text in texts), default=0.0)
