"""The charts on the pages: flow and gain against lift, what each step was worth, and lines of any figures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from flowkit.analysis.results import Gain, SideComparison
from flowkit.analysis.sentences import cause
from flowkit.drawing import (
    GRID,
    INK,
    SOFT,
    EndLabel,
    bare_axes,
    draw_flow,
    label_ends,
    smooth,
    text_width,
    variant_style,
)
from flowkit.model import Side
from flowkit.reports.contents import gains_of_steps
from flowkit.reports.labels import gain_cell
from flowkit.reports.pages.layout import SIZES, Names, Page, shorten, wrap
from flowkit.units import from_si
from flowkit.wording import Display

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NAMED_CURVES = 5
"""So many curves have names of two lines at their ends; more, their letters alone where there are letters."""
KEY_GUTTER, GUTTER_MOST = 30.0, 84.0
"""Right of the axes, for the curves' letters, and for their names at most [pt]."""
LEFT = 24.0
"""Left of the axes, for the scale's figures [pt]."""
Box = tuple[float, float, float, float]
"""Left, upper edge, width and height of a panel [pt]."""


def gutter(names: Names) -> float:
    """Return the room the curves' names need right of the axes [pt]."""
    if names.letters and len(names.full) > NAMED_CURVES:
        return KEY_GUTTER
    widest = max(text_width(names.prefixed(name), SIZES.body) for name in names.place)
    return min(widest + 14.0, GUTTER_MOST)


def end_words(names: Names, name: str, most: int = 2) -> list[str]:
    """Return what is written at the end of a curve: the name, or its letter alone where the name would be cut."""
    most = most if len(names.full) <= NAMED_CURVES else 1
    words = names.fitted(name, gutter(names) - 11.0, size=SIZES.body, most=most)
    return [names.head(name)] if names.letters and "…" in words[-1] else words


def _end_label(names: Names, name: str, x: float, y: float, lines: int = 2) -> EndLabel:
    """Return the label of a variant's curve that ends at (x, y)."""
    look = variant_style(names.place[name])
    return EndLabel(x, y, tuple(end_words(names, name, lines)), look.text_color, look.color)


def _panel(page: Page, box: Box, title: str, names: Names, below: str = "") -> Callable[..., None]:
    """Write a panel's title, and what its x axis shows; return what a function that draws into its axes is given to."""
    left, upper, width, height = box
    page.write(left, upper + 8.0, shorten(title, width, SIZES.heading, bold=True), size=SIZES.heading, bold=True)
    page.write(left + LEFT, upper + height - 1.0, below, color=SOFT)
    start, less = (15.0, 37.0) if below else (16.0, 34.0)
    return page.chart(left + LEFT, upper + start, width - LEFT - gutter(names), height - less)


def _markers(look_color: str, count: int, *, filled: bool) -> dict[str, Any]:
    """Return the markers of a line with so many points."""
    size = 2.8 if count <= 16 else 1.8
    return {"markersize": size, "markeredgewidth": 0.6, "markerfacecolor": look_color if filled else "white"}


def _set_lift_axis(ax: Axes, result: SideComparison, display: Display) -> None:
    """Show lifts from zero to a little beyond the highest measured."""
    from matplotlib.ticker import MaxNLocator

    top = max(from_si(variant.lifts_m[-1], display.lift) for variant in result.variants)
    single = all(len(variant.lifts_m) == 1 for variant in result.variants)
    ax.set_xlim(0, top * (1.3 if single else 1.02))
    ax.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]))


def draw_flow_panel(
    page: Page, box: Box, side: Side, result: SideComparison, *, names: Names, display: Display, top: float
) -> None:
    """Draw one side's lift-flow curves with bands, points and names at their ends."""

    @_panel(page, box, f"{side.capitalize()} flow, {display.flow}", names)
    def curves(ax: Axes) -> None:
        """Draw the curves."""
        _set_lift_axis(ax, result, display)
        ax.set_ylim(0, top)
        ends = []
        for variant in result.variants:
            look = variant_style(names.place[variant.name])
            x, y = draw_flow(ax, variant, look, display, filled=side == "intake")
            ends.append(_end_label(names, variant.name, x, y))
        bare_axes(ax)
        label_ends(ax, ends)


def draw_gain_panel(
    page: Page, box: Box, side: Side, result: SideComparison, *, names: Names, display: Display
) -> None:
    """Draw the gain of each step against lift: a thin line, a marker a lift, a bar for the interval, a zero line."""
    from matplotlib.ticker import MaxNLocator

    @_panel(page, box, "Gain of each step over the one before, %", names, f"valve lift, {display.lift}")
    def gains(ax: Axes) -> None:
        """Draw the gains."""
        _set_lift_axis(ax, result, display)
        ends, reach = [], [0.0]
        for place, gain in enumerate(result.steps):
            look = variant_style(names.place[gain.to])
            shift = (place - (len(result.steps) - 1) / 2) * 0.006 * ax.get_xlim()[1]
            xs = [from_si(item.lift_m, display.lift) + shift for item in gain.per_lift]
            ys = [100 * item.gain for item in gain.per_lift]
            bars = [
                (x, 100 * item.low, 100 * item.high)
                for x, item in zip(xs, gain.per_lift, strict=True)
                if item.low is not None and item.high is not None
            ]
            if bars:
                ax.vlines(*zip(*bars, strict=True), color=look.color, linewidth=0.6)
            ax.plot(
                xs, ys, color=look.color, linestyle=look.linestyle, linewidth=0.7, marker=look.marker,
                **_markers(look.color, len(xs), filled=side == "intake"),
            )  # fmt: skip
            reach += ys
            reach += [
                100 * end for item in gain.per_lift for end in (item.low, item.high) if end is not None
            ]  # fmt: skip
            ends.append(_end_label(names, gain.to, xs[-1], ys[-1], lines=1))
        low, high = min(reach), max(reach)
        spare = 0.08 * ((high - low) or 1.0)
        ax.set_ylim(low - spare, high + spare)
        ax.axhline(0, color=INK, linewidth=0.8, zorder=1.5)
        ax.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
        bare_axes(ax)
        label_ends(ax, ends)


STEP_BAR = 54.0


class _Step(NamedTuple):
    """What is written of a step: its gain, and the lines of its name and of what it comes from."""

    gain: Gain
    total: bool
    name: list[str]
    words: list[str]


class Steps:
    """What each step of a side was worth, then all of them: as many rows as asked, the last always."""

    def __init__(self, result: SideComparison, names: Names, width: float, most: int) -> None:
        self.names, self.width = names, width
        every = [(gain, name is None) for name, gain in gains_of_steps(result)]
        shown = every if len(every) <= most else [*every[: most - 1], every[-1]]
        self.count, self.missing = len(every), len(every) - len(shown)
        figures = (text_width(gain_cell(gain), SIZES.body, bold=True) for gain, _ in every)
        self.number = 6.0 + max(figures, default=56.0)
        room = width - self.number - STEP_BAR - 10.0
        self.rows = []
        for gain, total in shown:
            words = {True: "proven", False: "not proven", None: "not assessed"}[gain.resolved]
            if total:
                name = wrap(f"all steps over {names.head(gain.from_)}", room, SIZES.body, bold=True, most=2)
            else:
                name, words = names.fitted(gain.to, room, bold=True, most=2), f"{cause(gain)}; {words}"
            self.rows.append(_Step(gain, total, name, wrap(words, room, SIZES.small, most=3)))

    @property
    def height(self) -> float:
        """What `draw` takes [pt]."""
        if not self.rows:
            return 0.0
        lines = sum(len(row.name) * 8.6 + len(row.words) * 7.8 + 3.0 for row in self.rows)
        return 25.0 + lines + (8.6 if self.missing else 0.0)

    def draw(self, page: Page, left: float, top: float, *, filled: bool) -> None:
        """Draw each step: its name, what changed, a bar with its interval, the figure."""
        if not self.rows:
            return
        page.write(left, top + 8.0, "What each step was worth in mean flow, %", size=SIZES.heading, bold=True)
        y = top + 13.0
        middles = []
        for row in self.rows:
            if row.total and self.missing:
                words = [f"{self.missing} more steps: see page 2"]
                y = page.paragraph(left, y, self.width, words, size=SIZES.small, color=SOFT)
            color = INK if row.total else variant_style(self.names.place[row.gain.to]).text_color
            start = y
            y = page.paragraph(left, y, self.width, row.name, leading=8.6, bold=True, color=color)
            page.write(left + self.width, y, gain_cell(row.gain), bold=True, align="right")
            y = page.paragraph(left, y, self.width, row.words, size=SIZES.small, leading=7.8, color=SOFT)
            middles.append((start + y) / 2 + 1.5)
            y += 3.0
        self._draw_bars(page, left + self.width - self.number - STEP_BAR, (top + 13.0, y), middles, filled=filled)

    def _draw_bars(
        self, page: Page, left: float, span: tuple[float, float], middles: Sequence[float], *, filled: bool
    ) -> None:
        """Draw each step's gain as a marker with its interval against a zero line."""
        from matplotlib.ticker import MaxNLocator

        upper, lower = span

        @page.chart(left, upper, STEP_BAR - 4.0, lower - upper)
        def bars(ax: Axes) -> None:
            """Draw the bars."""
            ax.set_ylim(lower, upper)
            reach = [0.0]
            for (gain, total, *_), y in zip(self.rows, middles, strict=True):
                look = variant_style(self.names.place[gain.to])
                low, middle, high = gain.mean_flow_gain_low, gain.mean_flow_gain, gain.mean_flow_gain_high
                x, *ends = (100 * (middle if value is None else value) for value in (middle, low, high))
                color = INK if total else look.color
                ax.plot(ends, [y, y], color=color, linewidth=0.9)
                ax.plot(
                    [x], [y], marker="|" if total else look.marker, markersize=6.0 if total else 4.0, color=color,
                    markerfacecolor=color if filled else "white", markeredgewidth=0.9,
                )  # fmt: skip
                reach += [x, *ends]
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


@dataclass(frozen=True, slots=True)
class Series:
    """A variant's line."""

    name: str
    xs: Sequence[float]
    ys: Sequence[float]
    plain: bool = False


def draw_lines(
    page: Page,
    box: Box,
    title: str,
    series: Sequence[Series],
    names: Names,
    *,
    x_label: str,
    level: float | None = None,
    from_zero: bool = False,
    x_from_zero: bool = True,
    filled: bool = True,
    smoothed: bool = False,
    least_span: float = 0.0,
    upright: Sequence[tuple[float, str]] = (),
) -> None:
    """Draw lines with markers and names at their ends, and upright ones where a colour belongs to a place."""
    import numpy as np

    @_panel(page, box, title, names, x_label)
    def lines(ax: Axes) -> None:
        """Draw the lines, with a little air round them."""
        for item in series:
            look = variant_style(names.place[item.name])
            x, y = smooth(item.xs, item.ys, points=60) if smoothed else (np.asarray(item.xs), np.asarray(item.ys))
            if item.plain:
                ax.plot(x, y, color=look.color, linestyle=(0, (1, 2)), linewidth=0.7)
                continue
            every = np.searchsorted(x, item.xs)
            ax.plot(
                x, y, color=look.color, linestyle=look.linestyle, linewidth=0.9, marker=look.marker,
                markevery=[int(i) for i in every], **_markers(look.color, len(every), filled=filled),
            )  # fmt: skip
        values = [value for item in series for value in item.ys] + ([level] if level is not None else [])
        low, high = min(values), max(values)
        if high - low < least_span:
            middle = (low + high) / 2
            low, high = min(low, middle - least_span / 2), max(high, middle + least_span / 2)
        spare = 0.07 * ((high - low) or abs(high) or 1.0)
        ax.set_ylim(0.0 if from_zero and low >= 0 else low - spare, high + spare)
        places = [value for item in series for value in item.xs]
        first, last = min(places), max(places)
        width = (last - first) or abs(last) or 1.0
        ax.set_xlim(0.0 if x_from_zero else first - 0.02 * width, last + 0.02 * width)
        if level is not None:
            ax.axhline(level, color=INK, linewidth=0.7, zorder=1.5)
        bare_axes(ax)
        ax.locator_params(axis="both", nbins=6)
        label_ends(ax, [_end_label(names, item.name, item.xs[-1], item.ys[-1]) for item in series if not item.plain])
        for at, color in upright:
            if at <= ax.get_xlim()[1]:
                ax.axvline(at, color=color, linewidth=0.5, zorder=1)
