"""A plain panel of lines with names at their ends, for areas, coefficients and the engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from flowkit.drawing import INK, SOFT, bare_axes, label_ends, smooth, variant_style
from flowkit.reports.fitting import shorten
from flowkit.reports.layout import SIZES, Page
from flowkit.reports.names import Names
from flowkit.reports.panels import LEFT, end_label, gutter

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Series", "draw_lines"]


@dataclass(frozen=True, slots=True)
class Series:
    """A variant's line.

    Attributes
    ----------
    name : str
        The variant.
    xs, ys : sequence of float
        In the units drawn.
    plain : bool
        A thin line without markers and name, beside the variant's own.
    """

    name: str
    xs: Sequence[float]
    ys: Sequence[float]
    plain: bool = False


def draw_lines(
    page: Page,
    box: tuple[float, float, float, float],
    title: str,
    series: Sequence[Series],
    names: Names,
    *,
    x_label: str,
    level: float | None = None,
    level_label: str = "",
    from_zero: bool = False,
    x_from_zero: bool = True,
    filled: bool = True,
    smoothed: bool = False,
) -> Axes:
    """Draw lines with markers and names at their ends.

    Parameters
    ----------
    page : Page
    box : tuple of four floats
        Left, top, width and height, title, scales and names included [pt].
    title : str
        With the unit.
    series : sequence of Series
    names : Names
    x_label : str
        With the unit.
    level : float, optional
        Where a horizontal line is drawn.
    level_label : str, optional
        What that line is.
    from_zero, x_from_zero : bool, optional
        Whether the scales begin at zero.
    filled : bool, optional
        Filled markers; open ones otherwise.
    smoothed : bool, optional
        Draw the interpolant the analysis uses rather than straight lines.

    Returns
    -------
    matplotlib.axes.Axes
    """
    import numpy as np

    left, upper, width, height = box
    page.write(left, upper + 8.0, shorten(title, width, SIZES.heading, bold=True), size=SIZES.heading, bold=True)
    ax = page.axes(left + LEFT, upper + 15.0, width - LEFT - gutter(names), height - 37.0)
    for item in series:
        look = variant_style(names.place[item.name])
        x, y = smooth(item.xs, item.ys, points=60) if smoothed else (np.asarray(item.xs), np.asarray(item.ys))
        if item.plain:
            ax.plot(x, y, color=look.color, linestyle=(0, (1, 2)), linewidth=0.7)
            continue
        every = np.searchsorted(x, item.xs)
        ax.plot(
            x, y, color=look.color, linestyle=look.linestyle, linewidth=0.9, marker=look.marker,
            markevery=[int(i) for i in every], markersize=2.8 if len(every) <= 16 else 1.8, markeredgewidth=0.6,
            markerfacecolor=look.color if filled else "white",
        )  # fmt: skip
    values = [value for item in series for value in item.ys] + ([level] if level is not None else [])
    places = [value for item in series for value in item.xs]
    _set_limits(ax, places, values, x_from_zero=x_from_zero, from_zero=from_zero)
    if level is not None:
        ax.axhline(level, color=INK, linewidth=0.7, zorder=1.5)
        if level_label:
            # Where the lines are not: under the level at the right if they end above it, else over it at the left.
            above = min(item.ys[-1] for item in series) > level
            ax.text(
                0.99 if above else 0.02, level, level_label, size=SIZES.small, color=SOFT,
                ha="right" if above else "left", va="top" if above else "bottom",
                transform=ax.get_yaxis_transform(), parse_math=False,
            )  # fmt: skip
    bare_axes(ax)
    ax.locator_params(axis="both", nbins=6)
    page.write(left + LEFT, upper + height - 1.0, x_label, color=SOFT)
    named = [item for item in series if not item.plain]
    label_ends(ax, [end_label(names, item.name, item.xs[-1], item.ys[-1]) for item in named])
    return ax


def _set_limits(
    ax: Axes, places: Sequence[float], values: Sequence[float], *, x_from_zero: bool, from_zero: bool
) -> None:
    """Set scales with a little air round the lines."""
    low, high = min(values), max(values)
    spare = 0.07 * ((high - low) or abs(high) or 1.0)
    ax.set_ylim(0.0 if from_zero and low >= 0 else low - spare, high + spare)
    first, last = min(places), max(places)
    width = (last - first) or abs(last) or 1.0
    ax.set_xlim(0.0 if x_from_zero else first - 0.02 * width, last + 0.02 * width)
