"""Flow curves drawn: points, interpolants, bands, labels at the ends, and figures to keep."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from flowkit.drawing.looks import GRID, INK, SOFT, VariantStyle, no_font_talk, readable, style, variant_style
from flowkit.errors import FlowkitError, with_article
from flowkit.model import SIDES, Side
from flowkit.output import written_whole
from flowkit.units import from_si
from flowkit.wording import Display, display_of

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from flowkit.analysis.frames import Curve
    from flowkit.analysis.results import Comparison, VariantFlow
    from flowkit.model import CorrectedTest, FlowTest

_WIDTHS: tuple[dict[str, float], dict[str, float]] = ({}, {})
"""Advance widths in ems of the letters met so far, plain and bold: a cache, nothing else."""


MAIN = "DejaVu Sans"
"""The typeface of all text; letters it has not come from other fonts on the machine."""
_WANTED = (
    "Noto Sans CJK JP", "Noto Sans CJK SC", "Noto Sans CJK KR", "Source Han Sans", "WenQuanYi Micro Hei", "Yu Gothic",
    "Meiryo", "Microsoft YaHei", "Malgun Gothic", "Hiragino Sans", "PingFang SC", "Apple SD Gothic Neo",
    "Noto Sans Arabic", "Noto Sans Hebrew", "Noto Sans Devanagari", "Noto Sans Thai", "Segoe UI", "Nirmala UI",
    "Leelawadee UI", "Tahoma", "Arial Unicode MS", "Arial", "Noto Sans", "Unifont",
)  # fmt: skip
"""Typefaces with other scripts that common systems have, tried first; any other font of the machine after them."""
_NOT = ("Last Resort", "STIX", "cm", "DejaVu Sans Display")
"""Fonts that show a placeholder for every letter, or have none but formulas' signs."""
_TRIED = 80


@lru_cache(maxsize=64)
def typeface(bold: bool, family: str = MAIN) -> Any:
    """Return the font of a family, at 100 pt; not the object matplotlib draws with."""
    from matplotlib.font_manager import FontProperties, findfont
    from matplotlib.ft2font import FT2Font

    with no_font_talk():
        found = findfont(FontProperties(family=family, weight="bold" if bold else "normal"))
    # A collection's path names the font within it from matplotlib 3.11 on.
    font = FT2Font(found)
    font.set_size(100.0, 72.0)
    return font


@lru_cache(maxsize=1)
def _families() -> tuple[str, ...]:
    """Return the families that may have letters the main typeface has not, those worth trying first first."""
    from matplotlib.font_manager import findSystemFonts, fontManager

    # The list matplotlib keeps may be older than a font that was installed since.
    listed = {entry.fname for entry in fontManager.ttflist}
    for path in findSystemFonts():
        if path not in listed:
            with suppress(Exception):  # a font file that cannot be read is no font
                fontManager.addfont(path)
    known = dict.fromkeys(entry.name for entry in fontManager.ttflist)
    wanted = [name for name in _WANTED if name in known]
    rest = [name for name in known if name not in _WANTED and name != MAIN and not name.startswith(_NOT)]
    return (*wanted, *rest[:_TRIED])


@lru_cache(maxsize=4096)
def family_with(letter: str) -> str | None:
    """Return the family that a letter is set in, None where no font of the machine has it."""
    if typeface(False).get_char_index(ord(letter)):
        return MAIN
    return next((name for name in _families() if typeface(False, name).get_char_index(ord(letter))), None)


def families_of(text: str) -> list[str]:
    """Return the families a text is set in, the main typeface first."""
    if text.isascii():
        return [MAIN]
    others = dict.fromkeys(family_with(letter) for letter in text if ord(letter) > 0x24F)
    return [MAIN, *(name for name in others if name is not None and name != MAIN)]


LEFTWARD = re.compile(
    r"([\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]+(?:[\s'’]+[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]+)*)"
)
"""A run of letters that are written from right to left (Hebrew, Arabic and their kin)."""


@lru_cache(maxsize=1024)
def _joined_width(run: str, bold: bool) -> float:
    """Return the width in ems of letters written from right to left, which are joined to one another."""
    font = typeface(bold, family_with(run[0]) or MAIN)
    font.set_text(run)
    width: float = font.get_width_height()[0]
    return width / 64.0 / 100.0


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Return how wide a line of text will be."""
    known = _WIDTHS[bold]
    total = 0.0
    if not text.isascii():
        total = sum(_joined_width(run, bold) for run in LEFTWARD.findall(text))
        text = LEFTWARD.sub("", text) if total else text
    for letter in text:
        width = known.get(letter)
        if width is None:
            family = MAIN if ord(letter) <= 0x24F else family_with(letter) or MAIN
            # The advance before hinting, in 1/65536 of a pixel, which is a point here.
            advance = typeface(bold, family).load_char(ord(letter)).linearHoriAdvance
            width = known[letter] = advance / 65536.0 / 100.0
        total += width
    return total * size


def place_labels(wanted: Sequence[float], heights: Sequence[float], low: float, high: float) -> list[float]:
    """Move labels apart as little as possible, in their order, between two bounds."""
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


def figure_of(ax: Axes) -> Figure:
    """Return the figure axes belong to, the outermost one."""
    figure: Figure = ax.figure.figure
    return figure


@dataclass(frozen=True, slots=True)
class EndLabel:
    """A curve's name, written beside its end: data coordinates, lines of text, colour."""

    x: float
    y: float
    lines: tuple[str, ...]
    color: str
    line_color: str


def label_ends(
    ax: Axes, labels: Sequence[EndLabel], *, size: float = 7.0, gap: float = 9.0, edge: float | None = None
) -> None:
    """Write curve names right of the axes, apart from one another, with leader lines."""
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
                text_x, y + shift * per_point_y, line, size=size, color=label.color, va="center_baseline",
                family=families_of(line), clip_on=False, parse_math=False,
            )  # fmt: skip
    colors = [label.line_color for label in labels]
    ax.add_collection(LineCollection(leaders, colors=colors, linewidths=0.5, clip_on=False, zorder=1), autolim=False)


def smooth(lifts: Sequence[float], values: Sequence[float], points: int = 100) -> tuple[np.ndarray, np.ndarray]:
    """Return a fine curve through points, as the analysis interpolates them."""
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
    ax: Axes, variant: VariantFlow, look: VariantStyle, display: Display, *, filled: bool = True
) -> tuple[float, float]:
    """Draw one variant's lift-flow curve, its 95 % interval as a band, and its measured points; return its end."""
    lifts = [from_si(value, display.lift) for value in variant.lifts_m]
    flows = [from_si(value, display.flow) for value in variant.flow_m3_s]
    _draw_band(ax, lifts, flows, variant.flow_u95, look)
    draw_curve(ax, lifts, flows, look, filled=filled)
    return lifts[-1], flows[-1]


def _draw_band(
    ax: Axes, lifts: Sequence[float], flows: Sequence[float], u95: Sequence[float | None], look: VariantStyle
) -> None:
    """Draw the 95 % interval, relative, as a band where it is known at every point."""
    known = [(q, u) for q, u in zip(flows, u95, strict=True) if u is not None]
    if known and len(known) == len(flows):
        (x, upper), (_, lower) = (smooth(lifts, [q * (1 + sign * u) for q, u in known]) for sign in (1, -1))
        ax.fill_between(x, lower, upper, color=look.color, alpha=0.16, linewidth=0)


def draw_curve(
    ax: Axes, lifts: Sequence[float], values: Sequence[float], look: VariantStyle, *, filled: bool = True,
    scale: float = 1.0, points: int = 100,
) -> None:  # fmt: skip
    """Draw a smooth curve with a marker at each given point, as one line."""
    import numpy as np

    x, y = smooth(lifts, values, points=points)
    size = (3.6 if len(lifts) <= 16 else 2.4) * scale
    ax.plot(
        x, y, color=look.color, linestyle=look.linestyle, linewidth=1.0 * scale, marker=look.marker, markersize=size,
        markevery=[int(i) for i in np.searchsorted(x, lifts)], markeredgewidth=0.7 * scale,
        markeredgecolor=look.color, markerfacecolor=look.color if filled else "white",
    )  # fmt: skip


def _draw_bars(
    ax: Axes, lifts: Sequence[float], flows: Sequence[float], u95: Sequence[float | None], look: VariantStyle
) -> None:
    """Draw the 95 % interval of each point, relative, as a bar where it is known."""
    known = [(x, y, u * y) for x, y, u in zip(lifts, flows, u95, strict=True) if u is not None]
    if known:
        x, y, half = zip(*known, strict=True)
        bars = ax.errorbar(x, y, yerr=half, fmt="none", ecolor=look.color, elinewidth=0.8, capsize=2.0, capthick=0.8)
        bars.set_label("_95 % interval")


def new_axes(width: float = 7.2, height: float = 4.8, *, over: float = 0.17) -> Axes:
    """Return axes on a new figure that belongs to nobody else, with a share of its height left free over them."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), dpi=110).add_axes((0.09, 0.11, 0.89, 0.89 - over))


def _axes_or_new(ax: Any, *, over: float = 0.17) -> Axes:
    """Return the axes given, or new ones."""
    if ax is not None and not hasattr(ax, "plot"):
        raise FlowkitError(
            f"{with_article(type(ax).__name__)} is not an Axes",
            "give axes of matplotlib, as figure.subplots() makes them",
        )
    return new_axes(over=over) if ax is None else ax


def _look(index: int, state: str, color: str | Mapping[str, str] | None) -> VariantStyle:
    """Return the look of the variant at a place in the job, in the caller's colour where there is one."""
    look, own = variant_style(index), color.get(state) if isinstance(color, Mapping) else color
    if own is None:
        return look
    from matplotlib.colors import to_hex

    try:
        known = to_hex(own)
    except ValueError as error:
        remedy = "use one that matplotlib knows, as 'C0', 'red' or '#0072B2'"
        raise FlowkitError(f"{own!r} is not a colour", remedy) from error
    return replace(look, color=known, text_color=readable(known))


class _Named(NamedTuple):
    """A curve to be drawn: its state with the state's place, what it is called, and its points [SI]."""

    state: str
    place: int
    name: str
    lifts_m: Sequence[float]
    flows_m3_s: Sequence[float]
    u95: Sequence[float | None]
    filled: bool


def _plot(
    ax: Axes | None, units: Display, curves: Sequence[_Named], label: str | Mapping[str, str] | None,
    color: str | Mapping[str, str] | None, *, size: float, letters: int, scale: float = 1.0, errorbars: bool = False,
) -> Axes:  # fmt: skip
    """Draw curves, named at their ends, or for a legend where the caller names them."""
    with style():
        ax = _axes_or_new(ax)
        ends = []
        for curve in curves:
            look = _look(curve.place, curve.state, color)
            lifts = [from_si(lift, units.lift) for lift in curve.lifts_m]
            flows = [from_si(flow, units.flow) for flow in curve.flows_m3_s]
            (_draw_bars if errorbars else _draw_band)(ax, lifts, flows, curve.u95, look)
            draw_curve(ax, lifts, flows, look, filled=curve.filled, scale=scale)
            name = curve.name
            if isinstance(label, Mapping):
                name = label.get(curve.state, name)
            elif label is not None:
                name = f"{label}, {name}" if len(curves) > 1 else label
            ax.lines[-1].set_label(name)
            ends.append(EndLabel(lifts[-1], flows[-1], (short(name, letters),), look.text_color, look.color))
        _finish(ax, units, () if label is not None else ends, size=size)
    return ax


def _finish(ax: Axes, units: Display, ends: Sequence[EndLabel] = (), *, size: float = 7.5) -> None:
    """Name axes, and curves where they are named at their ends, once all are drawn."""
    bare_axes(ax, size=8)
    ax.set_ylim(bottom=0)
    ax.set_xlabel(f"valve lift, {units.lift}", size=8, color=INK)
    ax.set_ylabel(f"flow, {units.flow}", size=8, color=INK)
    if not ends:
        return
    # Room to the right of the lifts, so that the longest name fits inside the axes.
    width = ax.get_window_extent().width * 72.0 / figure_of(ax).dpi
    share = min(0.6, (max(text_width(end.lines[0], size) for end in ends) + 16.0) / width)
    low, high = ax.get_xlim()
    ticks = [tick for tick in ax.get_xticks() if low <= tick <= high * (1 + 1e-9)]
    ax.set_xticks(ticks)
    ax.set_xlim(low, high + (high - low) * share / (1 - share))
    ax.spines["bottom"].set_bounds(low, high)
    label_ends(ax, ends, size=size, edge=max(end.x for end in ends))


def plot_comparison(
    comparison: Comparison, ax: Axes | None = None, side: Side | None = None, *, display: str = "US",
    label: str | Mapping[str, str] | None = None, color: str | Mapping[str, str] | None = None,
    errorbars: bool = False,
) -> Axes:  # fmt: skip
    """Draw the lift-flow curves of every variant, with bands or bars and points, named at their ends or by a legend."""
    units = display_of(display)
    sides = [item for item in SIDES if item in comparison.sides and side in (None, item)]
    if not sides:
        raise FlowkitError(
            f"there are no {side} curves to draw" if side else "there are no curves to draw",
            "compare tests of that side first",
        )
    drawn = [(item, variant) for item in sides for variant in comparison.sides[item].variants]
    if errorbars and all(u is None for _, variant in drawn for u in variant.flow_u95):
        raise FlowkitError(
            "there are no error bars to draw, since nothing shows the bench's own scatter",
            "flow a port twice, or state the repeatability",
        )
    places, curves = variant_places(comparison), []
    for item, variant in drawn:
        name = variant.name if len(sides) == 1 else f"{item}, {variant.name}"
        points = (variant.lifts_m, variant.flow_m3_s, variant.flow_u95)
        curves.append(_Named(variant.name, places[variant.name], name, *points, item == "intake"))
    return _plot(ax, units, curves, label, color, size=7.5, letters=40, errorbars=errorbars)


def plot_curve(
    curve: Curve, ax: Axes | None = None, *, display: str = "US", label: str | None = None, color: str | None = None,
    errorbars: bool = False,
) -> Axes:  # fmt: skip
    """Draw one curve with its measured points, named by its label for a legend."""
    import numpy as np

    units = display_of(display)
    if errorbars and all(u is None for u in curve.u95):
        raise FlowkitError(
            f"there are no error bars to draw for {curve!r}", "only a state whose scatter is known has them"
        )
    lifts = curve.lifts_m
    with style():
        ax = _axes_or_new(ax, over=0.04)
        before = sum(not str(line.get_label()).startswith("_") for line in ax.lines)
        look = _look(before, curve.state, color)
        fine = np.union1d(np.linspace(lifts[0], lifts[-1], 100), np.asarray(lifts))
        if errorbars:
            x = [from_si(lift, units.lift) for lift in lifts]
            _draw_bars(ax, x, [from_si(float(curve(lift)), units.flow) for lift in lifts], curve.u95, look)
        (line,) = ax.plot(
            [from_si(float(lift), units.lift) for lift in fine], [from_si(float(q), units.flow) for q in curve(fine)],
            color=look.color, linestyle=look.linestyle, linewidth=1.0, marker=look.marker, markersize=3.6,
            markevery=[int(i) for i in fine.searchsorted(lifts)],
        )  # fmt: skip
        line.set_label(label or " ".join(filter(None, (curve.state, curve.side, curve.port))))
        _finish(ax, units)
    return ax


def variant_places(comparison: Comparison) -> dict[str, int]:
    """Return each variant's place in the job, so that it looks the same on both sides."""
    names = dict.fromkeys(variant.name for item in comparison.sides.values() for variant in item.variants)
    return {name: place for place, name in enumerate(names)}


def plot_tests(
    tests: Sequence[FlowTest | CorrectedTest], ax: Axes | None = None, *, display: str = "US",
    label: str | Mapping[str, str] | None = None, color: str | Mapping[str, str] | None = None,
) -> Axes:  # fmt: skip
    """Draw tests as they are, a curve each, named at their ends or by a legend."""
    units = display_of(display)
    drawn = [test for test in tests if test.points]
    if not drawn:
        raise FlowkitError("there are no points to draw", "read a sheet with at least one point first")
    names, curves = list(dict.fromkeys(test.variant for test in drawn)), []
    for test in drawn:
        lifts, flows = zip(*sorted({point.lift_m: point.flow_m3_s for point in test.points}.items()), strict=True)
        points = (lifts, flows, (None,) * len(lifts))
        place = names.index(test.variant)
        curves.append(_Named(test.variant, place, curve_name(test), *points, test.side == "intake"))
    return _plot(ax, units, curves, label, color, size=6.5, letters=44, scale=0.9)


def save_plot(tests: Sequence[FlowTest | CorrectedTest], path: str | Path, *, display: str = "US") -> None:
    """Draw tests into a PNG file, written whole or not at all."""
    save_figure(figure_of(plot_tests(tests, display=display)), path)


def save_figure(figure: Figure, path: str | Path, *, dpi: float = 150) -> None:
    """Write a figure into a PNG file, whole or not at all."""
    with written_whole(Path(path)) as draft, style():
        figure.savefig(draft, format="png", dpi=dpi, metadata={"Software": None})


def curve_name(test: FlowTest | CorrectedTest, *, without: Collection[str] = ("head",)) -> str:
    """Return what a test is called beside its curve, without what all curves of a chart share."""
    words = [getattr(test, key) or "" for key in ("variant", "head", "side", "port") if key not in without]
    name = " ".join(word for word in words if word)
    return f"{name}, run {test.run}" if test.run > 1 else name


def short(text: str, letters: int) -> str:
    """Cut a text to so many letters in its middle: names that begin alike mostly end differently."""
    text = " ".join(text.split())
    end = (letters - 1) // 2
    return text if len(text) <= letters else f"{text[: letters - 1 - end].rstrip()}…{text[-end:].lstrip()}"
