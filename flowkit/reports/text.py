"""Many short texts as one artist: the cells of a table cost little more than their glyphs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

from matplotlib.artist import Artist, allow_rasterization
from matplotlib.font_manager import FontProperties
from matplotlib.transforms import Bbox

from flowkit.drawing import INK, text_width

__all__ = ["Cells", "Words"]

Align = Literal["left", "right", "center"]


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text at a place on the page.

    Attributes
    ----------
    x, y : float
        Of its edge (or middle) and its baseline, from the page's left and top [pt].
    text : str
    size : float
        [pt]
    align : {"left", "right", "center"}
    bold, italic : bool
    color : str
    """

    x: float
    y: float
    text: str
    size: float
    align: Align = "left"
    bold: bool = False
    italic: bool = False
    color: str = INK


@lru_cache(maxsize=64)
def _font(size: float, bold: bool, italic: bool) -> FontProperties:
    """Return a typeface; the same object each time, as matplotlib caches by it."""
    return FontProperties(
        family="DejaVu Sans", size=size, weight="bold" if bold else "normal", style="oblique" if italic else "normal"
    )


class Cells(Artist):
    """Lines of text drawn by one artist, at exact places in every backend.

    Parameters
    ----------
    height : float
        Of the page [pt].
    """

    def __init__(self, height: float) -> None:
        super().__init__()
        self.items: list[Words] = []
        self._height = height
        self.set_zorder(5)

    def add(self, words: Words) -> None:
        """Add a line of text."""
        if words.text:
            self.items.append(words)

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
            renderer.draw_text(gc, x, y, item.text, _font(item.size, item.bold, item.italic), 0, ismath=False)
        gc.restore()
        self.stale = False

    def boxes(self, renderer: Any) -> list[tuple[str, Bbox]]:
        """Return each text with its box in pixels, as the renderer measures it."""
        figure = self.figure
        scale = 1.0 if figure is None else figure.dpi / 72.0
        result = []
        for item in self.items:
            font = _font(item.size, item.bold, item.italic)
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
