"""The pictures of the first page: flow against lift, gain against lift, what each step was worth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from flowkit.analysis.results import Gain, SideComparison
from flowkit.analysis.sentences import cause
from flowkit.drawing import (
    GRID,
    INK,
    SOFT,
    Display,
    EndLabel,
    bare_axes,
    draw_flow,
    label_ends,
    text_width,
    variant_style,
)
from flowkit.model import Side
from flowkit.reports.fitting import wrap
from flowkit.reports.labels import gain_text, resolved_words
from flowkit.reports.layout import SIZES, Page
from flowkit.reports.names import Names
from flowkit.units import from_si

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_flow_panel", "draw_gain_panel", "draw_steps", "steps_height"]

GUTTER_MOST = 84.0
"""Right of the axes, for the curves' names, at most [pt]."""
END_PITCH = 9.4
"""Room one line of a curve's name takes [pt]."""
LEFT = 24.0
"""Left of the axes, for the scale's figures [pt]."""


def gutter(names: Names) -> float:
    """Return the room the curves' names need right of the axes [pt]."""
    widest = max(text_width(names.prefixed(name), SIZES.body) for name in names.place)
    return min(widest + 14.0, GUTTER_MOST)


def end_lines(names: Names) -> int:
    """Return how many lines the names of all variants take beside the flow panel."""
    most = 2 if len(names.full) <= 5 else 1
    return sum(len(names.fitted(name, gutter(names) - 11.0, most=most)) for name in names.place)


def end_label(names: Names, name: str, x: float, y: float, lines: int = 2) -> EndLabel:
    """Return the label of a variant's curve that ends at (x, y)."""
    look = variant_style(names.place[name])
    most = lines if len(names.full) <= 5 else 1
    words = names.fitted(name, gutter(names) - 11.0, size=SIZES.body, most=most)
    return EndLabel(x, y, tuple(words), look.text_color, look.color)


def _set_lift_axis(ax: Axes, result: SideComparison, display: Display) -> None:
    """Show lifts from zero to a little beyond the highest measured."""
    from matplotlib.ticker import MaxNLocator

    top = max(from_si(variant.lifts_m[-1], display.lift) for variant in result.variants)
    single = all(len(variant.lifts_m) == 1 for variant in result.variants)
    ax.set_xlim(0, top * (1.3 if single else 1.02))
    ax.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]))


def draw_flow_panel(
    page: Page,
    box: tuple[float, float, float, float],
    side: Side,
    result: SideComparison,
    *,
    names: Names,
    display: Display,
    top: float,
) -> None:
    """Draw one side's lift-flow curves with bands, points and names at their ends.

    Parameters
    ----------
    page : Page
    box : tuple of four floats
        Left, top, width and height, titles, scales and names included [pt].
    side : {"intake", "exhaust"}
    result : SideComparison
    names : Names
    display : Display
    top : float
        Where the flow scale ends, in the units shown.
    """
    left, upper, width, height = box
    page.write(left, upper + 8.0, f"{side.capitalize()} flow, {display.flow}", size=SIZES.heading, bold=True)
    ax = page.axes(left + LEFT, upper + 16.0, width - LEFT - gutter(names), height - 34.0)
    _set_lift_axis(ax, result, display)
    ax.set_ylim(0, top)
    ends = []
    for variant in result.variants:
        look = variant_style(names.place[variant.name])
        x, y = draw_flow(ax, variant, look, display, filled=side == "intake")
        ends.append(end_label(names, variant.name, x, y))
    bare_axes(ax)
    label_ends(ax, ends)


def draw_gain_panel(
    page: Page,
    box: tuple[float, float, float, float],
    side: Side,
    result: SideComparison,
    *,
    names: Names,
    display: Display,
) -> None:
    """Draw the gain of each step against lift, with intervals and a zero line.

    Parameters
    ----------
    page : Page
    box : tuple of four floats
        Left, top, width and height, titles, scales and names included [pt].
    side, result, names, display :
        As for `draw_flow_panel`.
    """
    from matplotlib.ticker import MaxNLocator

    left, upper, width, height = box
    page.write(left, upper + 8.0, "Gain of each step over the one before, %", size=SIZES.heading, bold=True)
    ax = page.axes(left + LEFT, upper + 15.0, width - LEFT - gutter(names), height - 37.0)
    _set_lift_axis(ax, result, display)
    ends = []
    steps = result.steps
    reach = [0.0]
    for place, gain in enumerate(steps):
        shift = (place - (len(steps) - 1) / 2) * 0.006 * ax.get_xlim()[1]
        xs = [from_si(item.lift_m, display.lift) + shift for item in gain.per_lift]
        ys = [100 * item.gain for item in gain.per_lift]
        _draw_gain(ax, xs, gain, names.place[gain.to], filled=side == "intake")
        half = [100 * (item.u95 or 0.0) for item in gain.per_lift]
        reach += [y + h for y, h in zip(ys, half, strict=True)] + [y - h for y, h in zip(ys, half, strict=True)]
        ends.append(end_label(names, gain.to, xs[-1], ys[-1], lines=1))
    low, high = min(reach), max(reach)
    spare = 0.08 * ((high - low) or 1.0)
    ax.set_ylim(low - spare, high + spare)
    ax.axhline(0, color=INK, linewidth=0.8, zorder=1.5)
    ax.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
    bare_axes(ax)
    page.write(left + LEFT, upper + height - 1.0, f"valve lift, {display.lift}", color=SOFT)
    label_ends(ax, ends)


def _draw_gain(ax: Axes, xs: Sequence[float], gain: Gain, place: int, *, filled: bool) -> None:
    """Draw one step's gains: a thin line, a marker a lift, a bar for the interval."""
    look = variant_style(place)
    ys = [100 * item.gain for item in gain.per_lift]
    if all(item.u95 is not None for item in gain.per_lift):
        half = [100 * (item.u95 or 0.0) for item in gain.per_lift]
        ax.vlines(
            xs,
            [y - h for y, h in zip(ys, half, strict=True)],
            [y + h for y, h in zip(ys, half, strict=True)],
            color=look.color,
            linewidth=0.6,
        )
    ax.plot(
        xs, ys, color=look.color, linestyle=look.linestyle, linewidth=0.7, marker=look.marker,
        markersize=2.8 if len(xs) <= 16 else 1.8, markeredgewidth=0.6,
        markerfacecolor=look.color if filled else "white",
    )  # fmt: skip


STEP_NUMBER = 62.0
STEP_BAR = 62.0


def _step_lines(gain: Gain, names: Names, width: float, *, total: bool) -> tuple[list[str], list[str]]:
    """Return the name's and the explanation's lines for one step."""
    room = width - STEP_NUMBER - STEP_BAR - 10.0
    name = [f"all steps over {names.head(gain.from_)}"] if total else names.fitted(gain.to, room, bold=True)
    if total:
        name = wrap(name[0], room, SIZES.body, bold=True, most=1)
    words = resolved_words(gain) if total else f"{cause(gain)}; {resolved_words(gain)}"
    return name, wrap(words, room, SIZES.small, most=3)


def _step_rows(result: SideComparison) -> list[tuple[Gain, bool]]:
    """The steps in order, then all of them together where there are several."""
    rows = [(gain, False) for gain in result.steps]
    last = result.totals[-1:] if len(result.steps) > 1 else ()
    return rows + [(gain, True) for gain in last]


def steps_height(result: SideComparison, names: Names, width: float) -> float:
    """Return the height `draw_steps` takes [pt].

    Parameters
    ----------
    result : SideComparison
    names : Names
    width : float
        Room there is [pt].
    """
    if not result.steps:
        return 0.0
    total = 0.0
    for gain, is_total in _step_rows(result):
        name, words = _step_lines(gain, names, width, total=is_total)
        total += len(name) * 8.6 + len(words) * 7.8 + 3.0
    return total + 26.0


def draw_steps(page: Page, place: tuple[float, float, float], side: Side, result: SideComparison, names: Names) -> None:
    """Draw what each step was worth: its name, what changed, a bar with its interval, the figure.

    Parameters
    ----------
    page : Page
    place : tuple of three floats
        Left, top and width [pt].
    side, result, names :
        As for `draw_flow_panel`.
    """
    left, top, width = place
    page.write(left, top + 8.0, "What each step was worth in mean flow, %", size=SIZES.heading, bold=True)
    y = top + 13.0
    marks = []
    for gain, is_total in _step_rows(result):
        name, words = _step_lines(gain, names, width, total=is_total)
        color = INK if is_total else variant_style(names.place[gain.to]).text_color
        start = y
        y = page.paragraph(left, y, width, name, leading=8.6, bold=True, color=color)
        page.write(left + width, y, gain_text(gain.mean_flow_gain, gain.mean_flow_gain_u95), bold=True, align="right")
        y = page.paragraph(left, y, width, words, size=SIZES.small, leading=7.8, color=SOFT)
        marks.append((gain, is_total, (start + y) / 2 + 1.5))
        y += 3.0
    _draw_step_bars(page, left + width - STEP_NUMBER - STEP_BAR, (top + 13.0, y), marks, names, filled=side == "intake")


def _draw_step_bars(
    page: Page,
    left: float,
    span: tuple[float, float],
    marks: Sequence[tuple[Gain, bool, float]],
    names: Names,
    *,
    filled: bool,
) -> None:
    """Draw each step's gain as a marker with its interval against a zero line."""
    from matplotlib.ticker import MaxNLocator

    upper, lower = span
    ax = page.axes(left, upper, STEP_BAR - 4.0, lower - upper)
    ax.set_ylim(lower, upper)
    reach = [0.0]
    for gain, is_total, y in marks:
        look = variant_style(names.place[gain.to])
        x, half = 100 * gain.mean_flow_gain, 100 * (gain.mean_flow_gain_u95 or 0.0)
        color = INK if is_total else look.color
        ax.plot([x - half, x + half], [y, y], color=color, linewidth=0.9)
        ax.plot(
            [x], [y], marker="|" if is_total else look.marker, markersize=6.0 if is_total else 4.0, color=color,
            markerfacecolor=color if filled else "white", markeredgewidth=0.9,
        )  # fmt: skip
        reach += [x - half, x + half]
    low, high = min(reach), max(reach)
    spare = 0.1 * ((high - low) or 1.0)
    ax.set_xlim(low - spare, high + spare)
    ax.axvline(0, color=INK, linewidth=0.7, zorder=1)
    bare_axes(ax, size=SIZES.small)
    ax.grid(False, axis="y")
    ax.grid(True, axis="x", color=GRID, linewidth=0.5)
    ax.spines["left"].set_visible(False)
    ax.set_yticks([])
    ax.xaxis.set_major_locator(MaxNLocator(3, steps=[1, 2, 5, 10]))
