"""Names at the ends of curves, kept apart from one another; and how wide text is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["EndLabel", "figure_of", "label_ends", "place_labels", "text_width", "typeface"]


_WIDTHS: tuple[dict[str, float], dict[str, float]] = ({}, {})
"""Advance widths in ems of the letters met so far, plain and bold: a cache, nothing else."""


@lru_cache(maxsize=2)
def typeface(bold: bool) -> Any:
    """Return the font that all text is set in, at 100 pt; not the object matplotlib draws with."""
    from matplotlib.font_manager import FontProperties, findfont
    from matplotlib.ft2font import FT2Font

    font = FT2Font(findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")))
    font.set_size(100.0, 72.0)
    return font


def figure_of(ax: Axes) -> Figure:
    """Return the figure axes belong to, the outermost one."""
    figure: Figure = ax.figure.figure
    return figure


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Return how wide a line of text will be.

    Parameters
    ----------
    text : str
        One line.
    size : float
        Type size [pt].
    bold : bool, optional

    Returns
    -------
    float
        Width [pt], kerning left out.

    Examples
    --------
    >>> round(text_width("0123456789", 10), 1)
    63.6
    """
    known = _WIDTHS[bold]
    total = 0.0
    for letter in text:
        width = known.get(letter)
        if width is None:
            # The advance before hinting, in 1/65536 of a pixel, which is a point here.
            width = known[letter] = typeface(bold).load_char(ord(letter)).linearHoriAdvance / 65536.0 / 100.0
        total += width
    return total * size


def place_labels(wanted: Sequence[float], heights: Sequence[float], low: float, high: float) -> list[float]:
    """Move labels apart as little as possible, in their order, between two bounds.

    Parameters
    ----------
    wanted : sequence of float
        Where the middle of each label would like to be.
    heights : sequence of float
        How much room each takes.
    low, high : float
        The bounds. Where all labels together need more, they share what there is evenly.

    Returns
    -------
    list of float
        The middles, in the order given: least squares under the constraint that no two
        overlap (pool adjacent violators; Barlow et al. 1972).

    Examples
    --------
    >>> place_labels([10, 11, 50], [8, 8, 8], 0, 60)
    [6.5, 14.5, 50.0]
    """
    total = sum(heights)
    share = min(1.0, (high - low) / total) if total else 1.0
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    offsets, run = {}, 0.0
    for i in order:
        offsets[i] = run + heights[i] * share / 2
        run += heights[i] * share
    blocks: list[list[float]] = []  # [sum of wanted starts, how many]
    for i in order:
        blocks.append([wanted[i] - offsets[i], 1])
        while len(blocks) > 1 and blocks[-2][0] / blocks[-2][1] >= blocks[-1][0] / blocks[-1][1]:
            last = blocks.pop()
            blocks[-1] = [blocks[-1][0] + last[0], blocks[-1][1] + last[1]]
    starts = [sums / count for sums, count in blocks for _ in range(int(count))]
    places = [0.0] * len(wanted)
    for i, start in zip(order, starts, strict=True):
        places[i] = min(max(start, low), high - run) + offsets[i]
    return places


@dataclass(frozen=True, slots=True)
class EndLabel:
    """A curve's name, to stand beside its end: data coordinates, lines of text, colour."""

    x: float
    y: float
    lines: tuple[str, ...]
    color: str
    line_color: str


def label_ends(
    ax: Axes, labels: Sequence[EndLabel], *, size: float = 7.0, gap: float = 9.0, edge: float | None = None
) -> None:
    """Write curve names right of the axes, apart from one another, with leader lines.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Its limits and its place in the figure must be final.
    labels : sequence of EndLabel
    size : float, optional
        Type size [pt].
    gap : float, optional
        From the axes' edge to the text [pt].
    edge : float, optional
        Where the labels' column begins, in data coordinates; the axes' right edge otherwise.
    """
    if not labels:
        return
    from matplotlib.collections import LineCollection

    figure = figure_of(ax)
    box = ax.get_window_extent()
    points = 72.0 / figure.dpi
    width, height = box.width * points, box.height * points
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    per_point_x, per_point_y = (x1 - x0) / width, (y1 - y0) / height
    pitch = size * 1.22
    wanted = [(label.y - y0) / per_point_y for label in labels]
    heights = [pitch * len(label.lines) + 0.8 for label in labels]
    start = x1 if edge is None else edge
    text_x = start + gap * per_point_x
    leaders = []
    for label, place in zip(labels, place_labels(wanted, heights, -0.3 * pitch, height + 0.7 * pitch), strict=True):
        y = y0 + place * per_point_y
        leaders.append([(label.x, label.y), (start + 2.0 * per_point_x, label.y), (text_x - 1.5 * per_point_x, y)])
        for row, line in enumerate(label.lines):
            shift = ((len(label.lines) - 1) / 2 - row) * pitch
            ax.text(
                text_x,
                y + shift * per_point_y,
                line,
                size=size,
                color=label.color,
                va="center_baseline",
                clip_on=False,
                parse_math=False,
            )
    ax.add_collection(
        LineCollection(leaders, colors=[label.line_color for label in labels], linewidths=0.5, clip_on=False, zorder=1),
        autolim=False,
    )
