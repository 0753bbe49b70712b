"""Charts as SVG for browsers: text stays text, colours follow the page, every curve carries its data.

Written directly: a matplotlib figure of two curves takes 150 ms and 100 kB, this 3 ms and 6 kB, and a
page redraws after every answer. Looks come from `drawing.looks`, so that page and print agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

from flowkit.drawing.looks import PALETTE, variant_style

__all__ = ["Curve", "Dot", "flow_svg", "gain_svg", "series_css"]

_WIDTH, _HEIGHT = 560.0, 340.0
_LEFT, _TOP, _BOTTOM = 44.0, 30.0, 40.0
_FINE = 48
_MARKS = ("circle", "square", "triangle", "diamond", "down", "plus", "cross", "circle")


@dataclass(frozen=True, slots=True)
class Dot:
    """A measured point in the units shown; `note` is said with it, `mark` sets it apart."""

    x: float
    y: float
    note: str = ""
    flagged: bool = False


@dataclass(frozen=True, slots=True)
class Curve:
    """A named curve through its points; `look` is the variant's index, band the relative half widths."""

    name: str
    dots: tuple[Dot, ...]
    look: int
    band: tuple[tuple[float, float], ...] = ()
    label: str = ""
    low_high: tuple[tuple[float, float] | None, ...] = field(default=())


class _Frame:
    """A plot area with its scales."""

    def __init__(self, xs: Sequence[float], ys: Sequence[float], right: float, *, zero: bool = True) -> None:
        self.right = _WIDTH - right
        self.bottom = _HEIGHT - _BOTTOM
        self.x_ticks = _ticks(0.0, max(xs, default=1.0), 6)
        self.x0, self.x1 = 0.0, max(self.x_ticks[-1], max(xs, default=1.0))
        low = min(0.0, *ys) if ys else 0.0
        high = max(ys, default=1.0)
        self.y_ticks = _ticks(low, max(high, low + 1e-9), 6)
        self.y0 = min(self.y_ticks[0], low)
        self.y1 = max(self.y_ticks[-1], high) if not zero else self.y_ticks[-1]

    def x(self, value: float) -> float:
        """Place of a value across the page."""
        return _LEFT + (value - self.x0) / (self.x1 - self.x0) * (self.right - _LEFT)

    def y(self, value: float) -> float:
        """Place of a value down the page."""
        return self.bottom - (value - self.y0) / (self.y1 - self.y0) * (self.bottom - _TOP)

    def axes(self, x_title: str, y_title: str) -> list[str]:
        """Grid, figures of the scales and their titles."""
        out = [f'<g class="axes" aria-hidden="true"><text x="{_LEFT}" y="14">{escape(y_title)}</text>']
        for tick in self.y_ticks:
            y = self.y(tick)
            zero = ' class="zero"' if tick == 0 else ""
            out.append(f'<line{zero} x1="{_LEFT}" x2="{self.right:.1f}" y1="{y:.1f}" y2="{y:.1f}"/>')
            out.append(f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{_figure(tick)}</text>')
        for tick in self.x_ticks:
            out.append(
                f'<text x="{self.x(tick):.1f}" y="{self.bottom + 17:.1f}" text-anchor="middle">{_figure(tick)}</text>'
            )
        middle = (_LEFT + self.right) / 2
        out.append(f'<text x="{middle:.1f}" y="{_HEIGHT - 6}" text-anchor="middle">{escape(x_title)}</text></g>')
        return out


def flow_svg(curves: Sequence[Curve], *, title: str, lift_unit: str, flow_unit: str, top: float | None = None) -> str:
    """Draw flow against lift.

    Parameters
    ----------
    curves : sequence of Curve
    title : str
        Its name for those who do not see it.
    lift_unit, flow_unit : str
    top : float, optional
        Highest flow of the scale, so that two charts can share it.
    """
    shown = [curve for curve in curves if curve.dots]
    xs = [dot.x for curve in shown for dot in curve.dots]
    ys = [dot.y for curve in shown for dot in curve.dots] + ([top] if top else [])
    frame = _Frame(xs, ys, _margin(shown))
    parts = frame.axes(f"valve lift, {lift_unit}", f"flow, {flow_unit}")
    for curve in shown:
        x, y = _smooth(curve)
        line = " ".join(f"{_short(a)},{_short(b)}" for a, b in zip(x, y, strict=True))
        parts.append(
            f'<g class="curve s{curve.look % len(PALETTE)}" data-name="{escape(curve.name)}" data-line="{line}">'
        )
        if curve.band:
            parts.append(_band(frame, curve))
        path = "M" + "L".join(f"{frame.x(a):.1f} {frame.y(b):.1f}" for a, b in zip(x, y, strict=True))
        parts.append(f'<path class="line" d="{path}"{_dashes(curve.look)}/>')
        parts += [_dot(frame, dot, curve, (lift_unit, flow_unit)) for dot in curve.dots]
        parts.append("</g>")
    parts += _end_labels(frame, shown)
    summary = _summary(shown, lift_unit, flow_unit)
    return _svg(parts, frame, title, summary=summary, x_unit=lift_unit, y_unit=flow_unit)


def gain_svg(curves: Sequence[Curve], *, title: str, lift_unit: str) -> str:
    """Draw gains in per cent against lift, with their intervals.

    Parameters
    ----------
    curves : sequence of Curve
        Per cent; `low_high` holds each point's interval, None where there is none.
    title : str
    lift_unit : str
    """
    shown = [curve for curve in curves if curve.dots]
    ends = [value for curve in shown for pair in curve.low_high if pair for value in pair]
    ys = [dot.y for curve in shown for dot in curve.dots]
    spread = max(ys, default=1.0) - min(0.0, *ys) if ys else 1.0
    # An interval far beyond all gains is cut at the edge rather than flattening every curve.
    kept = [value for value in ends if -spread - 5 <= value <= max(ys, default=0.0) + spread + 5]
    frame = _Frame([dot.x for curve in shown for dot in curve.dots], [*ys, *kept], _margin(shown), zero=False)
    parts = frame.axes(f"valve lift, {lift_unit}", "gain, %")
    for number, curve in enumerate(shown):
        line = " ".join(f"{_short(dot.x)},{_short(dot.y)}" for dot in curve.dots)
        parts.append(
            f'<g class="curve s{curve.look % len(PALETTE)}" data-name="{escape(curve.name)}" data-line="{line}">'
        )
        shift = (number - (len(shown) - 1) / 2) * 3.0
        for dot, pair in zip(curve.dots, curve.low_high or (None,) * len(curve.dots), strict=True):
            if pair is not None:
                x = frame.x(dot.x) + shift
                low, high = (min(max(value, frame.y0), frame.y1) for value in pair)
                parts.append(
                    f'<line class="bar" x1="{x:.1f}" x2="{x:.1f}" y1="{frame.y(low):.1f}" y2="{frame.y(high):.1f}"/>'
                )
        path = "M" + "L".join(f"{frame.x(dot.x) + shift:.1f} {frame.y(dot.y):.1f}" for dot in curve.dots)
        parts.append(f'<path class="line" d="{path}"{_dashes(curve.look)}/>')
        parts += [_dot(frame, dot, curve, (lift_unit, "%"), shift) for dot in curve.dots]
        parts.append("</g>")
    parts += _end_labels(frame, shown)
    return _svg(parts, frame, title, summary=_summary(shown, lift_unit, "%"), x_unit=lift_unit, y_unit="%")


def series_css(dark: bool = False) -> str:
    """Return the rules that colour the curves, on white or on a dark page."""
    rules = []
    for index, (_, color) in enumerate(PALETTE):
        look = variant_style(index)
        line, text = (_lighter(color), _lighter(color)) if dark else (color, look.text_color)
        rules.append(f".s{index}{{--line:{line};--text:{text}}}")
    return "".join(rules)


def _lighter(color: str) -> str:
    """Lighten a colour until it reads on a dark page (contrast at least 6 with #14171b)."""
    channels = [int(color[i : i + 2], 16) for i in (1, 3, 5)]
    for percent in range(0, 101, 5):
        mixed = [value + (255 - value) * percent / 100 for value in channels]
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (m / 255 for m in mixed)]
        if (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05) / 0.0585 >= 6:
            return "#" + "".join(f"{round(value):02X}" for value in mixed)
    return "#FFFFFF"


def _svg(parts: Sequence[str], frame: _Frame, title: str, *, summary: str, x_unit: str, y_unit: str) -> str:
    """Put the parts together."""
    area = (
        f'data-left="{_LEFT}" data-right="{frame.right:.1f}" data-top="{_TOP}" data-bottom="{frame.bottom:.1f}" '
        f'data-x0="{_short(frame.x0)}" data-x1="{_short(frame.x1)}" data-y0="{_short(frame.y0)}" '
        f'data-y1="{_short(frame.y1)}" data-x-unit="{escape(x_unit)}" data-y-unit="{escape(y_unit)}"'
    )
    return (
        f'<svg class="chart" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {_HEIGHT:.0f}" role="img" '
        f'aria-label="{escape(title)}. {escape(summary)}" {area}>{"".join(parts)}</svg>'
    )


def _summary(curves: Sequence[Curve], x_unit: str, y_unit: str) -> str:
    """Say in words where each curve ends."""
    return "; ".join(
        f"{curve.name}: {_short(curve.dots[-1].y, 4)} {y_unit} at {_short(curve.dots[-1].x)} {x_unit}"
        for curve in curves
    )


def _smooth(curve: Curve) -> tuple[list[float], list[float]]:
    """Return a fine curve through the points, as the analysis interpolates them (PCHIP)."""
    dots = sorted({dot.x: dot.y for dot in curve.dots}.items())
    x, y = [a for a, _ in dots], [b for _, b in dots]
    if len(x) < 3:
        return x, y
    import numpy as np
    from scipy.interpolate import PchipInterpolator

    fine = np.union1d(np.linspace(x[0], x[-1], _FINE), x)
    return fine.tolist(), PchipInterpolator(x, y)(fine).tolist()


def _band(frame: _Frame, curve: Curve) -> str:
    """Shade the interval round a curve."""
    upper = [f"{frame.x(dot.x):.1f} {frame.y(high):.1f}" for dot, (_, high) in zip(curve.dots, curve.band, strict=True)]
    lower = [f"{frame.x(dot.x):.1f} {frame.y(low):.1f}" for dot, (low, _) in zip(curve.dots, curve.band, strict=True)]
    return f'<path class="band" d="M{"L".join([*upper, *reversed(lower)])}Z"/>'


def _dashes(look: int) -> str:
    """The dashes of a look, in the chart's own units."""
    dashes = variant_style(look).dashes
    return f' stroke-dasharray="{" ".join(_short(2 * value) for value in dashes)}"' if dashes else ""


def _dot(frame: _Frame, dot: Dot, curve: Curve, units: tuple[str, str], shift: float = 0.0) -> str:
    """Draw a measured point with its data."""
    x, y = frame.x(dot.x) + shift, frame.y(dot.y)
    x_unit, y_unit = units
    words = f"{curve.name}: {_short(dot.y, 4)} {y_unit} at {_short(dot.x)} {x_unit}" + (
        f", {dot.note}" if dot.note else ""
    )
    ring = f'<circle class="flag" cx="{x:.1f}" cy="{y:.1f}" r="9"/>' if dot.flagged else ""
    return (
        f'{ring}<path class="dot" d="{_mark(_MARKS[curve.look % len(_MARKS)], x, y)}" data-x="{_short(dot.x)}" '
        f'data-y="{_short(dot.y)}"><title>{escape(words)}</title></path>'
    )


def _mark(kind: str, x: float, y: float) -> str:
    """The outline of a marker."""
    r = 3.4
    shapes = {
        "square": [(-r, -r), (r, -r), (r, r), (-r, r)],
        "triangle": [(0, -1.3 * r), (1.2 * r, r), (-1.2 * r, r)],
        "down": [(0, 1.3 * r), (1.2 * r, -r), (-1.2 * r, -r)],
        "diamond": [(0, -1.4 * r), (1.4 * r, 0), (0, 1.4 * r), (-1.4 * r, 0)],
        "plus": [(-r, -1), (-1, -1), (-1, -r), (1, -r), (1, -1), (r, -1),
                 (r, 1), (1, 1), (1, r), (-1, r), (-1, 1), (-r, 1)],
        "cross": [(-r, 0), (-1, -1), (0, -r), (1, -1), (r, 0), (1, 1), (0, r), (-1, 1)],
    }  # fmt: skip
    if kind in shapes:
        return "M" + "L".join(f"{x + dx:.1f} {y + dy:.1f}" for dx, dy in shapes[kind]) + "Z"
    return f"M{x - r:.1f} {y:.1f}a{r} {r} 0 1 0 {2 * r} 0a{r} {r} 0 1 0 {-2 * r} 0"


def _margin(curves: Sequence[Curve]) -> float:
    """Room for the names at the curves' ends; DejaVu's mean width is about 0.58 of its size."""
    longest = max((len(_cut(curve.label or curve.name)) for curve in curves), default=0)
    return 14.0 + 6.9 * longest


def _cut(name: str) -> str:
    """A name that fits beside a curve; the whole name is in the legend."""
    return name if len(name) <= 18 else name[:17].rstrip() + "…"


def _end_labels(frame: _Frame, curves: Sequence[Curve]) -> list[str]:
    """Name every curve at its end, names apart from each other."""
    places = sorted(((frame.y(curve.dots[-1].y) + 4, curve) for curve in curves), key=lambda item: item[0])
    gap, out, last = 14.5, [], -math.inf
    ys = []
    for y, _ in places:
        last = max(y, last + gap)
        ys.append(last)
    over = max(0.0, (ys[-1] if ys else 0.0) - frame.bottom)
    for y, (_, curve) in zip(ys, places, strict=True):
        name = escape(_cut(curve.label or curve.name))
        style = f"s{curve.look % len(PALETTE)}"
        out.append(
            f'<text class="end {style}" data-name="{escape(curve.name)}" x="{frame.right + 8:.1f}" '
            f'y="{y - over:.1f}">{name}</text>'
        )
    return out


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Round figures from at or below `low` to at or above `high`."""
    span = (high - low) or 1.0
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((m * power for m in (1, 2, 2.5, 5, 10) if m * power >= rough * 0.999), 10 * power)
    first = math.floor(low / step + 1e-9)
    last = math.ceil(high / step - 1e-9)
    return [round(index * step, 12) for index in range(first, last + 1)]


def _figure(value: float) -> str:
    """A figure of a scale."""
    text = f"{value:g}"
    return text.replace("-", "−")


def _short(value: float, digits: int = 5) -> str:
    """A number in few characters."""
    return f"{value:.{digits}g}"
