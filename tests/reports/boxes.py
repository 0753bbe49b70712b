"""Where text lies on a page, by matplotlib's own extents: overlaps and clipping."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from flowkit.drawing import style
from flowkit.reports.pages.layout import Cells

SLACK = 0.6
"""Points two boxes may share: glyphs do not fill their boxes."""


class Measured:
    """A renderer's measures of texts, each taken once: thousands of cells are the same on many pages."""

    known: ClassVar[dict[tuple[object, ...], tuple[float, float, float]]] = {}

    def __init__(self, renderer: RendererAgg) -> None:
        self.renderer = renderer

    def get_text_width_height_descent(self, text: str, font: FontProperties, math: bool) -> tuple[float, float, float]:
        key = (text, font, math, self.renderer.dpi)
        if key not in self.known:
            self.known[key] = self.renderer.get_text_width_height_descent(text, font, math)
        return self.known[key]


def text_boxes(figure: Figure) -> list[tuple[str, Bbox]]:
    """Every visible text of a figure with its box, in points."""
    with style():
        canvas = FigureCanvasAgg(figure)
        figure.draw_without_rendering()
        renderer = canvas.get_renderer()
        scale = 72.0 / figure.dpi
        found = []
        hidden = _undrawn(figure)
        for artist in figure.findobj(Text):
            if artist.get_visible() and artist.get_text().strip() and id(artist) not in hidden:
                found.append((artist.get_text(), artist.get_window_extent(renderer)))
        for artist in figure.findobj(Cells):
            found += artist.boxes(Measured(renderer))
    return [(text, Bbox(box.get_points() * scale)) for text, box in found]


def _undrawn(figure: Figure) -> set[int]:
    """Identities of the tick labels that matplotlib keeps but does not draw."""
    hidden: set[int] = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            drawn = {id(tick) for tick in axis._update_ticks()}
            for tick in (*axis.majorTicks, *axis.minorTicks):
                if id(tick) not in drawn:
                    hidden |= {id(tick.label1), id(tick.label2)}
    return hidden


def overlaps(boxes: list[tuple[str, Bbox]]) -> list[tuple[str, str]]:
    """Pairs of texts whose boxes share more than the slack."""
    corners = np.array([box.extents for _, box in boxes])
    x0, y0, x1, y1 = corners.T
    wide = np.minimum.outer(x1, x1) - np.maximum.outer(x0, x0)
    high = np.minimum.outer(y1, y1) - np.maximum.outer(y0, y0)
    pairs = np.argwhere(np.triu((wide > SLACK) & (high > SLACK), 1))
    return [(boxes[a][0], boxes[b][0]) for a, b in pairs]


def clipped(boxes: list[tuple[str, Bbox]], width: float, height: float, margin: float = 24.0) -> list[str]:
    """Texts that run into the margin or off the page, all in points."""
    return [
        text
        for text, box in boxes
        if box.x0 < margin or box.y0 < margin or box.x1 > width - margin or box.y1 > height - margin
    ]
