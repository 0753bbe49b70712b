"""A page of paper: text fitted to it, and things that flow from page to page."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from matplotlib.artist import Artist, allow_rasterization
from matplotlib.font_manager import FontProperties
from matplotlib.transforms import Bbox

from flowkit.drawing import INK, RULE, SOFT, VariantStyle, text_width
from flowkit.drawing.curves import LEFTWARD, families_of, family_with
from flowkit.model import JobInfo
from flowkit.reports.labels import job_words
from flowkit.wording import without_keys

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
            rules = LineCollection(lines, colors=colors, linewidths=weights, transform=self.figure.transFigure)
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
