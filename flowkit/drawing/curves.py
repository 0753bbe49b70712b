"""Lift-flow curves: a variant's, a comparison's, and tests as they were read."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from flowkit.drawing.ends import EndLabel, figure_of, label_ends, text_width
from flowkit.drawing.figures import display_of
from flowkit.drawing.looks import GRID, INK, SOFT, Display, VariantStyle, style, variant_style
from flowkit.errors import FlowkitError
from flowkit.output import written_whole
from flowkit.model import Side
from flowkit.units import from_si

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from flowkit.analysis.results import Comparison, VariantFlow
    from flowkit.model import CorrectedTest, FlowTest

__all__ = ["bare_axes", "draw_flow", "plot_comparison", "plot_tests", "save_figure", "save_plot", "smooth"]


def smooth(lifts: Sequence[float], values: Sequence[float], points: int = 100) -> tuple[np.ndarray, np.ndarray]:
    """Return a fine curve through points, as the analysis interpolates them.

    Parameters
    ----------
    lifts, values : sequence of float
        At least one, lifts ascending.
    points : int, optional
        How many to return, besides the given ones.

    Returns
    -------
    tuple of two numpy.ndarray
        Monotone piecewise cubic (PCHIP; Fritsch & Butland 1984); never beyond the given lifts.
    """
    import numpy as np

    x, y = np.asarray(lifts, dtype=float), np.asarray(values, dtype=float)
    if len(x) < 2:
        return x, y
    from scipy.interpolate import PchipInterpolator

    fine = np.union1d(np.linspace(x[0], x[-1], points), x)
    return fine, PchipInterpolator(x, y)(fine)


def bare_axes(ax: Axes, *, size: float = 7.0) -> None:
    """Take from axes what is not needed: box, long ticks, dark lines.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    size : float, optional
        Type size of the scales' figures [pt].
    """
    for name in ("top", "right"):
        ax.spines[name].set_visible(False)
    for name in ("left", "bottom"):
        ax.spines[name].set(color=SOFT, linewidth=0.6)
    ax.tick_params(labelsize=size, length=2.5, width=0.5, pad=2, color=SOFT, labelcolor=INK)
    ax.grid(True, axis="y", color=GRID, linewidth=0.5)
    ax.set_axisbelow(True)


def draw_flow(
    ax: Axes, variant: VariantFlow, look: VariantStyle, display: Display, *, filled: bool = True, scale: float = 1.0
) -> tuple[float, float]:
    """Draw one variant's lift-flow curve, its 95 % band and its measured points.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    variant : VariantFlow
    look : VariantStyle
    display : Display
        The units drawn.
    filled : bool, optional
        Filled markers; open ones otherwise.
    scale : float, optional
        Of the markers' size.

    Returns
    -------
    tuple of two floats
        Where the curve ends, in the units drawn.
    """
    lifts = [from_si(value, display.lift) for value in variant.lifts_m]
    flows = [from_si(value, display.flow) for value in variant.flow_m3_s]
    if all(value is not None for value in variant.flow_u95):
        upper = smooth(lifts, [q * (1 + (u or 0)) for q, u in zip(flows, variant.flow_u95, strict=True)])
        lower = smooth(lifts, [q * (1 - (u or 0)) for q, u in zip(flows, variant.flow_u95, strict=True)])
        ax.fill_between(upper[0], lower[1], upper[1], color=look.color, alpha=0.16, linewidth=0)
    draw_curve(ax, lifts, flows, look, filled=filled, scale=scale)
    return lifts[-1], flows[-1]


def draw_curve(
    ax: Axes,
    lifts: Sequence[float],
    values: Sequence[float],
    look: VariantStyle,
    *,
    filled: bool = True,
    scale: float = 1.0,
    points: int = 100,
) -> None:
    """Draw a smooth curve with a marker at each given point, as one line.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    lifts, values : sequence of float
        In the units drawn, lifts ascending.
    look : VariantStyle
    filled : bool, optional
        Filled markers; open ones otherwise.
    scale : float, optional
        Of line width and markers.
    points : int, optional
        Of the curve.
    """
    import numpy as np

    x, y = smooth(lifts, values, points=points)
    size = (3.6 if len(lifts) <= 16 else 2.4) * scale
    ax.plot(
        x, y, color=look.color, linestyle=look.linestyle, linewidth=1.0 * scale, marker=look.marker, markersize=size,
        markevery=[int(i) for i in np.searchsorted(x, lifts)], markeredgewidth=0.7 * scale,
        markeredgecolor=look.color, markerfacecolor=look.color if filled else "white",
    )  # fmt: skip


def _new_axes(width: float = 7.2, height: float = 4.8) -> Axes:
    """Return axes on a new figure that belongs to nobody else."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), dpi=110).add_axes((0.08, 0.11, 0.9, 0.72))


def make_room(ax: Axes, labels: Sequence[str], *, size: float) -> None:
    """Widen the lift axis to the right so that the longest of the labels fits inside the axes."""
    figure = figure_of(ax)
    width = ax.get_window_extent().width * 72.0 / figure.dpi
    share = min(0.6, (max(text_width(label, size) for label in labels) + 16.0) / width)
    low, high = ax.get_xlim()
    ticks = [tick for tick in ax.get_xticks() if low <= tick <= high * (1 + 1e-9)]
    ax.set_xticks(ticks)
    ax.set_xlim(low, high + (high - low) * share / (1 - share))
    ax.spines["bottom"].set_bounds(low, high)


def plot_comparison(
    comparison: Comparison, ax: Axes | None = None, side: Side | None = None, *, display: str = "US"
) -> Axes:
    """Draw the lift-flow curves of every variant, with bands, points and names at their ends.

    Parameters
    ----------
    comparison : Comparison
    ax : matplotlib.axes.Axes, optional
        Where to draw; on a new figure otherwise.
    side : {"intake", "exhaust"}, optional
        One side only; otherwise both, the intake with filled markers, the exhaust with open ones.
    display : {"US", "metric"}, optional
        CFM over inches, or L/s over mm.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    FlowkitError
        If there is nothing to draw, or no such side or display.
    """
    units = display_of(display)
    order: tuple[Side, Side] = ("intake", "exhaust")
    sides = [item for item in order if item in comparison.sides and side in (None, item)]
    if not sides:
        raise FlowkitError(
            f"there are no {side} curves to draw" if side else "there are no curves to draw",
            "compare tests of that side first",
        )
    with style():
        ax = ax or _new_axes()
        ends = []
        places = variant_places(comparison)
        for item in sides:
            for variant in comparison.sides[item].variants:
                look = variant_style(places[variant.name])
                x, y = draw_flow(ax, variant, look, units, filled=item == "intake")
                name = variant.name if len(sides) == 1 else f"{item}, {variant.name}"
                ends.append(EndLabel(x, y, (short(name, 40),), look.text_color, look.color))
        _finish(ax, units, ends, size=7.5)
    return ax


def _finish(ax: Axes, units: Display, ends: Sequence[EndLabel], *, size: float) -> None:
    """Name axes and curves once all are drawn."""
    bare_axes(ax, size=8)
    ax.set_ylim(bottom=0)
    ax.set_xlabel(f"valve lift, {units.lift}", size=8, color=INK)
    ax.set_ylabel(f"flow, {units.flow}", size=8, color=INK)
    make_room(ax, [end.lines[0] for end in ends], size=size)
    label_ends(ax, ends, size=size, edge=max(end.x for end in ends))


def variant_places(comparison: Comparison) -> dict[str, int]:
    """Return each variant's place in the job, so that it looks the same on both sides."""
    names: list[str] = []
    for item in comparison.sides.values():
        names.extend(variant.name for variant in item.variants if variant.name not in names)
    return {name: place for place, name in enumerate(names)}


def plot_tests(tests: Sequence[FlowTest | CorrectedTest], ax: Axes | None = None, *, display: str = "US") -> Axes:
    """Draw tests as they are, a curve each, with names at their ends.

    Parameters
    ----------
    tests : sequence of FlowTest or CorrectedTest
        Intake with filled markers, exhaust and unknown side with open ones; a colour a variant.
    ax : matplotlib.axes.Axes, optional
        Where to draw; on a new figure otherwise.
    display : {"US", "metric"}, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    FlowkitError
        If no test has a point.
    """
    units = display_of(display)
    drawn = [test for test in tests if test.points]
    if not drawn:
        raise FlowkitError("there are no points to draw", "read a sheet with at least one point first")
    names = list(dict.fromkeys(test.variant for test in drawn))
    with style():
        ax = ax or _new_axes()
        ends = []
        for test in drawn:
            look = variant_style(names.index(test.variant))
            points = sorted({point.lift_m: point.flow_m3_s for point in test.points}.items())
            lifts = [from_si(lift, units.lift) for lift, _ in points]
            flows = [from_si(flow, units.flow) for _, flow in points]
            draw_curve(ax, lifts, flows, look, filled=test.side == "intake", scale=0.9)
            ends.append(EndLabel(lifts[-1], flows[-1], (short(curve_name(test), 44),), look.text_color, look.color))
        _finish(ax, units, ends, size=6.5)
    return ax


def save_plot(tests: Sequence[FlowTest | CorrectedTest], path: str | Path, *, display: str = "US") -> None:
    """Draw tests into a PNG file, written whole or not at all.

    Parameters
    ----------
    tests : sequence of FlowTest or CorrectedTest
    path : str or Path
    display : {"US", "metric"}, optional

    Raises
    ------
    FlowkitError
        If no test has a point.
    """
    save_figure(figure_of(plot_tests(tests, display=display)), path)


def save_figure(figure: Figure, path: str | Path, *, dpi: float = 150) -> None:
    """Write a figure into a PNG file, whole or not at all.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    path : str or Path
    dpi : float, optional
        Dots an inch.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    with written_whole(Path(path)) as draft, style():
        figure.savefig(draft, format="png", dpi=dpi, metadata={"Software": None})


def curve_name(test: FlowTest | CorrectedTest) -> str:
    """Return what a test is called beside its curve."""
    words = [test.variant, test.side or "", test.port or ""]
    name = " ".join(word for word in words if word)
    return f"{name}, run {test.run}" if test.run > 1 else name


def short(text: str, letters: int) -> str:
    """Cut a text to so many letters, an ellipsis at its end where something is missing."""
    text = " ".join(text.split())
    return text if len(text) <= letters else text[: letters - 1].rstrip() + "…"
