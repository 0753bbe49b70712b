"""Lift-flow curves: a variant's, a comparison's, and tests as they were read."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from flowkit.drawing.ends import EndLabel, label_ends, text_width
from flowkit.drawing.looks import DISPLAYS, GRID, INK, SOFT, Display, VariantStyle, style, variant_style
from flowkit.errors import FlowkitError
from flowkit.model import Side
from flowkit.units import from_si

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from flowkit.analysis.results import Comparison, VariantFlow
    from flowkit.model import CorrectedTest, FlowTest

__all__ = ["bare_axes", "draw_flow", "plot_comparison", "plot_tests", "smooth"]


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
    """Take from axes what is not needed: box, long ticks, dark lines."""
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
    size = (3.6 if len(lifts) <= 16 else 2.4) * scale
    ax.plot(*smooth(lifts, flows), color=look.color, linestyle=look.linestyle, linewidth=1.0)
    ax.plot(
        lifts,
        flows,
        linestyle="none",
        marker=look.marker,
        markersize=size,
        markeredgewidth=0.7,
        markeredgecolor=look.color,
        markerfacecolor=look.color if filled else "white",
    )
    return lifts[-1], flows[-1]


def _new_axes(width: float = 7.0, height: float = 4.6) -> Axes:
    """Return axes on a new figure that belongs to nobody else."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), dpi=110).add_subplot()


def make_room(ax: Axes, labels: Sequence[str], *, size: float) -> None:
    """Widen the lift axis to the right so that the longest of the labels fits inside the axes."""
    figure = ax.get_figure(root=True)
    assert figure is not None
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
    units = display_units(display)
    sides = [item for item in ("intake", "exhaust") if item in comparison.sides and side in (None, item)]
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
        bare_axes(ax, size=8)
        ax.set_ylim(bottom=0)
        ax.set_xlabel(f"valve lift, {units.lift}", size=8, color=INK)
        ax.set_ylabel(f"flow, {units.flow}", size=8, color=INK)
        make_room(ax, [end.lines[0] for end in ends], size=7.5)
        label_ends(ax, ends, size=7.5, edge=max(end.x for end in ends))
    return ax


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
    units = display_units(display)
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
            ax.plot(*smooth(lifts, flows), color=look.color, linestyle=look.linestyle, linewidth=0.9)
            ax.plot(
                [from_si(point.lift_m, units.lift) for point in test.points],
                [from_si(point.flow_m3_s, units.flow) for point in test.points],
                linestyle="none", marker=look.marker, markersize=3.2, markeredgewidth=0.7,
                color=look.color, markerfacecolor=look.color if test.side == "intake" else "white",
            )  # fmt: skip
            ends.append(EndLabel(lifts[-1], flows[-1], (short(curve_name(test), 44),), look.text_color, look.color))
        bare_axes(ax, size=8)
        ax.set_xlabel(f"valve lift, {units.lift}", size=8, color=INK)
        ax.set_ylabel(f"flow, {units.flow}", size=8, color=INK)
        make_room(ax, [end.lines[0] for end in ends], size=6.5)
        label_ends(ax, ends, size=6.5, edge=max(end.x for end in ends))
    return ax


def curve_name(test: FlowTest | CorrectedTest) -> str:
    """Return what a test is called beside its curve."""
    words = [test.variant, test.side or "", test.port or ""]
    name = " ".join(word for word in words if word)
    return f"{name}, run {test.run}" if test.run > 1 else name


def short(text: str, letters: int) -> str:
    """Cut a text to so many letters, an ellipsis at its end where something is missing."""
    text = " ".join(text.split())
    return text if len(text) <= letters else text[: letters - 1].rstrip() + "…"


def display_units(display: str) -> Display:
    """Return the units of a display.

    Raises
    ------
    FlowkitError
        If there is no such display.
    """
    if display not in DISPLAYS:
        raise FlowkitError(f"there is no display {display!r}", "use " + " or ".join(map(repr, DISPLAYS)))
    return DISPLAYS[display]
