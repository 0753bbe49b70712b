"""The flow chart as one picture, for a notebook or a figure of one's own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flowkit.analysis.results import Comparison
from flowkit.analysis.sentences import headline
from flowkit.drawing import INK, SOFT, figure_of, plot_comparison, style
from flowkit.model import Side
from flowkit.reports.fitting import clean, wrap
from flowkit.reports.labels import display_of, method_words, pressure_words, sides_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["chart"]


def chart(comparison: Comparison, ax: Axes | None = None, *, side: Side | None = None, display: str = "US") -> Axes:
    """Draw the lift-flow curves with the headline in words over them.

    Parameters
    ----------
    comparison : Comparison
    ax : matplotlib.axes.Axes, optional
        Where to draw; on a new figure otherwise.
    side : {"intake", "exhaust"}, optional
        One side only; both otherwise.
    display : {"US", "metric"}, optional
        CFM over inches, or L/s over millimetres.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    FlowkitError
        If there is nothing to draw, or no such side or display.
    """
    units = display_of(display)
    ax = plot_comparison(comparison, ax, side, display=display)
    figure = figure_of(ax)
    width = ax.get_window_extent().width * 72.0 / figure.dpi
    heads = [
        line
        for name, result in sides_of(comparison)
        if side in (None, name) and result.totals
        for line in wrap(clean(headline(result.totals[-1], name)), width, 10.0, bold=True, most=2)
    ]
    reference = comparison.reference
    words = f"Flows at {pressure_words(reference.pressure_pa, units)}, {reference.pressure_law} law. "
    below = wrap(words + method_words(comparison, units, drawn="Shading"), width, 7.0, most=3)
    room = (figure.bbox.height - ax.get_window_extent().y1) * 72.0 / figure.dpi - 8.0
    below = below[: max(0, int((room - 13.0 * len(heads)) // 9.5))]
    with style():
        up = 6.0
        for line in reversed(below):
            _write_over(ax, line, up, 7.0, SOFT, bold=False)
            up += 9.5
        up += 3.0
        for line in reversed(heads):
            _write_over(ax, line, up, 10.0, INK, bold=True)
            up += 13.0
    return ax


def _write_over(ax: Axes, line: str, up: float, size: float, color: str, *, bold: bool) -> None:
    """Write a line over the axes, so many points above their top edge."""
    ax.annotate(
        line, (0.0, 1.0), xycoords="axes fraction", xytext=(0.0, up), textcoords="offset points", size=size,
        color=color, weight="bold" if bold else "normal", va="baseline", parse_math=False, annotation_clip=False,
    )  # fmt: skip
