"""A page of paper: text fitted to it, tables laid out on it, and what flows from page to page."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from matplotlib.artist import Artist, allow_rasterization
from matplotlib.font_manager import FontProperties
from matplotlib.transforms import Bbox

from flowkit.drawing import INK, RULE, SOFT, VariantStyle, text_width, variant_style
from flowkit.drawing.curves import LEFTWARD, families_of, family_with
from flowkit.model import JobInfo
from flowkit.reports.labels import job_words
from flowkit.reports.tables import Cell, Row, Table
from flowkit.wording import NOTHING, without_keys

if TYPE_CHECKING:
    from matplotlib.axes import Axes

STAND_IN = "▯"
"""Drawn for a letter that no font has."""


def missing_letters(texts: Iterable[str]) -> str:
    """Return the letters among some texts that no font of this machine can draw, each once."""
    letters = dict.fromkeys(letter for text in texts for letter in text if ord(letter) > 0x24F)
    return "".join(letter for letter in letters if letter.isprintable() and family_with(letter) is None)


def clean(text: object) -> str:
    r"""Return a text fit to be printed on one line."""
    letters = []
    for letter in unicodedata.normalize("NFC", str(text)):
        if letter < "ɐ":  # Latin up to here, all in the typeface
            letters.append(letter if letter.isprintable() else " ")
        elif unicodedata.category(letter)[0] in "CZ":
            letters.append(" ")
        else:
            letters.append(STAND_IN if family_with(letter) is None else letter)
    return without_keys(" ".join("".join(letters).split()))


def shorten(text: str, width: float, size: float, *, bold: bool = False, end: str = "") -> str:
    """Cut a line to a width, an ellipsis where something is missing: before `end`, its last words, where there are."""
    if text_width(text, size, bold=bold) <= width:
        return text
    while text and text_width(f"{text}…{end}", size, bold=bold) > width:
        text = text[:-1]
    return text.rstrip(" ,;.") + "…" + end


def shorten_name(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """Cut a name to a width in its middle, as names that begin alike mostly end differently."""
    end = ""
    for letter in reversed(text[len(text) // 3 :]):
        if text_width(letter + end, size, bold=bold) > 0.45 * width:
            break
        end = letter + end
    return shorten(text, width, size, bold=bold, end=end.lstrip())


_KEPT = re.compile(r"(?<=\d) (?=%)|(?<=±) ")
"""Spaces a line is not broken at: before a percent sign, after plus-minus."""


def wrap(text: str, width: float, size: float, *, bold: bool = False, most: int | None = None) -> list[str]:
    """Break a text into lines of a width."""
    lines: list[str] = []
    for word in filter(None, _KEPT.sub("\u00a0", text).split(" ")):
        longer = f"{lines[-1]} {word}" if lines else word
        if text_width(longer, size, bold=bold) <= width:
            lines[-1:] = [longer]
            continue
        lines.append(word)
        # A word that is wider than a line is broken.
        while text_width(lines[-1], size, bold=bold) > width and len(lines[-1]) > 1:
            whole, end = lines[-1], 2
            while text_width(whole[:end], size, bold=bold) <= width:
                end += 1
            lines[-1:] = [whole[: end - 1], whole[end - 1 :]]
    if most is not None and len(lines) > most:
        rest = " ".join(lines[most - 1 :])
        lines = [*lines[: most - 1], shorten(rest, width, size, bold=bold)]
    return [line.replace("\u00a0", " ") for line in lines]


Align = Literal["left", "right", "center"]


class Words(NamedTuple):
    """One line of text at a place on the page."""

    x: float
    y: float
    text: str
    size: float
    align: Align = "left"
    bold: bool = False
    italic: bool = False
    color: str = INK


@lru_cache(maxsize=64)
def _font(size: float, bold: bool, italic: bool, families: tuple[str, ...]) -> FontProperties:
    """Return a typeface; the same object each time, as matplotlib caches by it."""
    return FontProperties(
        family=list(families), size=size, weight="bold" if bold else "normal", style="oblique" if italic else "normal"
    )


class Cells(Artist):
    """Lines of text drawn by one artist, at exact places in every backend."""

    def __init__(self, height: float) -> None:
        super().__init__()
        self.items: list[Words] = []
        self._height = height
        self.set_zorder(5)

    def _left(self, item: Words) -> float:
        """Return where a line begins, from the page's left [pt]."""
        if item.align == "left":
            return item.x
        width = text_width(item.text, item.size, bold=item.bold)
        return item.x - (width if item.align == "right" else width / 2)

    @allow_rasterization  # type: ignore[untyped-decorator]
    def draw(self, renderer: Any) -> None:
        """Draw all lines."""
        figure = self.figure
        if not self.get_visible() or figure is None:
            return
        scale = figure.dpi / 72.0
        page_height = self._height * scale
        gc = renderer.new_gc()
        for item in self.items:
            gc.set_foreground(item.color)
            x, y = self._left(item) * scale, (self._height - item.y) * scale
            if renderer.flipy():
                y = page_height - y
            # A run written from right to left is drawn by itself: what is around it goes on from left to right.
            for run in filter(None, LEFTWARD.split(item.text)):
                font = _font(item.size, item.bold, item.italic, tuple(families_of(run)))
                renderer.draw_text(gc, x, y, run, font, 0, ismath=False)
                x += text_width(run, item.size, bold=item.bold) * scale
        gc.restore()
        self.stale = False

    def boxes(self, renderer: Any) -> list[tuple[str, Bbox]]:
        """Return each text with its box in pixels, as the renderer measures it."""
        figure = self.figure
        scale = 1.0 if figure is None else figure.dpi / 72.0
        result = []
        for item in self.items:
            font = _font(item.size, item.bold, item.italic, tuple(families_of(item.text)))
            width, height, descent = renderer.get_text_width_height_descent(item.text, font, False)
            y = (self._height - item.y) * scale - descent
            result.append((item.text, Bbox.from_bounds(self._left(item) * scale, y, width, height)))
        return result

    def get_window_extent(self, renderer: Any = None) -> Bbox:
        """Return the box round all lines."""
        figure = self.figure
        if renderer is None and figure is not None:
            renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
        boxes = [box for _, box in self.boxes(renderer)]
        return Bbox.union(boxes) if boxes else Bbox.null()


class SIZES:
    """The few type sizes there are [pt]."""

    headline, subhead, heading, body, small = 13.0, 10.5, 8.0, 7.0, 6.2


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper and its margins [pt]."""

    width: float
    height: float
    left: float = 43.0
    right: float = 43.0
    top: float = 36.0
    bottom: float = 31.0

    @property
    def inner_width(self) -> float:
        """Between the margins [pt]."""
        return self.width - self.left - self.right

    @property
    def inner_bottom(self) -> float:
        """Where the bottom margin begins, from the top [pt]."""
        return self.height - self.bottom


PAPERS = {"letter": Paper(612.0, 792.0), "a4": Paper(210 / 25.4 * 72, 297 / 25.4 * 72)}


class Page:
    """One page and its figure."""

    def __init__(self, paper: Paper, title: str) -> None:
        from matplotlib.figure import Figure

        self.paper = paper
        self.chapters = [title]
        self.figure = Figure(figsize=(paper.width / 72, paper.height / 72), dpi=72, facecolor="white")
        self.cells = Cells(paper.height)
        self.figure.add_artist(self.cells)
        self._rules: list[tuple[float, float, float, float, str]] = []
        self._charts: list[tuple[tuple[float, float, float, float], Callable[[Axes], None]]] = []

    @property
    def left(self) -> float:
        """The left margin [pt]."""
        return self.paper.left

    @property
    def right(self) -> float:
        """Where the right margin begins [pt]."""
        return self.paper.width - self.paper.right

    def write(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = SIZES.body,
        align: Align = "left",
        bold: bool = False,
        italic: bool = False,
        color: str = INK,
    ) -> None:
        """Write one line, its baseline at y."""
        if text:
            self.cells.items.append(Words(x, y, text, size, align, bold, italic, color))

    def paragraph(
        self,
        x: float,
        y: float,
        width: float,
        lines: str | Sequence[str],
        *,
        size: float = SIZES.body,
        leading: float | None = None,
        bold: bool = False,
        color: str = INK,
    ) -> float:
        """Write lines, the first baseline one line under y; return where the last line ends."""
        leading = leading or size * 1.36
        for line in wrap(lines, width, size, bold=bold) if isinstance(lines, str) else lines:
            y += leading
            self.write(x, y, line, size=size, bold=bold, color=color)
        return y

    def rule(self, x0: float, x1: float, y: float, *, weight: float = 0.5, color: str = RULE) -> None:
        """Draw a horizontal line."""
        self._rules.append((x0, x1, y, weight, color))

    def sample(self, x: float, y: float, look: VariantStyle, *, width: float = 18.0, filled: bool = True) -> None:
        """Draw a sample of a variant's line with its marker, its middle at (x, y)."""
        from matplotlib.lines import Line2D

        points = [x - width / 2, x, x + width / 2]
        self.figure.add_artist(
            Line2D(
                [value / self.paper.width for value in points],
                [1 - y / self.paper.height] * 3,
                color=look.color, linestyle=look.linestyle, linewidth=1.0, marker=look.marker, markevery=[1],
                markersize=3.6, markeredgewidth=0.7, markerfacecolor=look.color if filled else "white",
            )
        )  # fmt: skip

    def chart(self, left: float, top: float, width: float, height: float) -> Callable[[Callable[[Axes], None]], None]:
        """Let a function draw into axes whose frame lies at these points, once the page is certain to be used."""
        w, h = self.paper.width, self.paper.height
        frame = (left / w, 1 - (top + height) / h, width / w, height / h)
        return lambda draw: self._charts.append((frame, draw))

    def finish(self, info: JobInfo, count: int, number: int) -> None:
        """Write the running head, and draw the charts and rules collected so far."""
        from matplotlib.collections import LineCollection

        for frame, draw in self._charts:
            draw(self.figure.add_axes(frame))
        right = " · ".join(part for part in (clean(job_words(info)), f"page {number} of {count}") if part)
        right = shorten(right, self.paper.inner_width * 0.6, SIZES.body)
        self.write(self.right, self.paper.top, right, align="right", color=SOFT)
        left = " · ".join(("Flow chart", clean(info.shop))) if info.shop else "Flow chart"
        room = self.paper.inner_width - text_width(right, SIZES.body) - 16.0
        self.write(self.left, self.paper.top, shorten(left, room, SIZES.body), color=SOFT)
        if self._rules:
            w, h = self.paper.width, self.paper.height
            lines: Any = [[(x0 / w, 1 - y / h), (x1 / w, 1 - y / h)] for x0, x1, y, _, _ in self._rules]
            *_, weights, colors = zip(*self._rules, strict=True)
            rules = LineCollection(lines, colors=list(colors), linewidths=weights, transform=self.figure.transFigure)
            self.figure.add_artist(rules)


LONG = 84.0
"""A name wider than this [pt, body size] is given a letter."""


@dataclass(frozen=True, slots=True)
class Names:
    """The variants' names on paper, and the letters used in their place where any is long."""

    full: tuple[str, ...]
    place: dict[str, int]
    letters: tuple[str, ...]

    def head(self, name: str) -> str:
        """Return what a column head says."""
        return (self.letters or self.full)[self.place[name]]

    def prefixed(self, name: str) -> str:
        """Return the name, after its letter where letters are used."""
        full = self.full[self.place[name]]
        return f"{self.head(name)}  {full}" if self.letters else full

    def fitted(
        self, name: str, width: float, *, size: float = SIZES.body, bold: bool = False, most: int = 1
    ) -> list[str]:
        """Return the name, with its letter where letters are used, in at most so many lines of a width."""
        lines = wrap(self.prefixed(name), width, size, bold=bold)
        if len(lines) <= most:
            return lines
        rest = " ".join(lines[most - 1 :]) if most > 1 else self.prefixed(name)
        return [*lines[: most - 1], shorten_name(rest, width, size, bold=bold)]


def name_variants(names: Sequence[str]) -> Names:
    """Decide how variants are called, by the room a table head has."""
    full = tuple(clean(name) for name in names)
    room = 34.0 if len(names) <= 4 else 30.0

    def fits(name: str) -> bool:
        """Whether a name can stay as it is."""
        whole = all(text_width(word, SIZES.small) <= room for word in name.split())
        short = whole and len(wrap(name, room, SIZES.small)) <= 3 and text_width(name, SIZES.body) <= LONG
        return short and STAND_IN not in name

    # A to Z, then AA and on.
    letters = tuple(chr(64 + place // 26) * (place > 25) + chr(65 + place % 26) for place in range(len(full)))
    return Names(full, {name: place for place, name in enumerate(names)}, () if all(map(fits, full)) else letters)


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
