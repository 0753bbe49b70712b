"""Charts as SVG for a web page: small, styled by the page, every point marked with its data.

The curves are the interpolants themselves: a cubic Hermite piece of PCHIP is a Bézier curve with its
inner control points a third of the way along the end slopes, so nothing is sampled.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape, quoteattr

from flowkit.drawing.curves import curve_name, place_labels, short, variant_places
from flowkit.drawing.looks import variant_style
from flowkit.errors import FlowkitError
from flowkit.model import Side
from flowkit.units import from_si
from flowkit.wording import display_of, numeral

if TYPE_CHECKING:
    from flowkit.analysis.results import Comparison
    from flowkit.model import CorrectedTest, FlowTest

_TEXT = 12.0
"""Type size [px]."""
_ROW = 15.5
"""Height of one curve's name [px]."""


@dataclass(frozen=True, slots=True)
class SvgLine:
    """One line of a chart, in the units shown."""

    name: str  # what it is called at its end
    place: int  # the variant's place in the job, from 0: gives colour, dashes and marker
    xs: Sequence[float]  # points, x ascending
    ys: Sequence[float]
    low: Sequence[float] | None = None  # ends of the 95 % interval at each point
    high: Sequence[float] | None = None
    filled: bool = True  # whether markers are filled (intake) or open (exhaust)
    smooth: bool = False  # PCHIP through the points; straight pieces otherwise
    sources: Sequence[str] | None = None  # where each point comes from, such as the sheet's cell


def has_flow(flow_m3_s: float | None) -> bool:
    """Whether there is a flow: a sheet of a meter's readings has none yet."""
    return flow_m3_s is not None and math.isfinite(flow_m3_s)


def _ends(ys: Sequence[float], halves: Sequence[float | None]) -> tuple[list[float] | None, list[float] | None]:
    """Return both ends of the interval at each point, None where one is not known."""
    known = [half for half in halves if half is not None]
    if len(known) < len(ys):
        return None, None
    low, high = ([y + sign * half for y, half in zip(ys, known, strict=True)] for sign in (-1, 1))
    return low, high


def chart_svg(
    comparison: Comparison, side: Side, *, display: str = "US", size: tuple[float, float] = (560, 380), top: float = 0.0
) -> str:
    """Return one side's flow (all states) against lift as an SVG element."""
    units = display_of(display)
    if side not in comparison.sides:
        raise FlowkitError(f"there are no {side} curves to draw", "compare tests of that side first")
    places = variant_places(comparison)
    lines = []
    for variant in comparison.sides[side].variants:
        lifts = [from_si(lift, units.lift) for lift in variant.lifts_m]
        flows = [from_si(flow, units.flow) for flow in variant.flow_m3_s]
        halves = [None if u is None else q * u for q, u in zip(flows, variant.flow_u95, strict=True)]
        low, high = _ends(flows, halves)
        lines.append(SvgLine(variant.name, places[variant.name], lifts, flows, low, high, side == "intake", True))
    title = f"{side.capitalize()} flow ({units.flow}) against valve lift ({units.lift})"
    digits = (units.lift_digits, units.flow_digits)
    return lines_svg(lines, title=title, x_unit=units.lift, y_unit=units.flow, digits=digits, size=size, top=top)


def gain_svg(comparison: Comparison, side: Side, *, display: str = "US", size: tuple[float, float] = (560, 260)) -> str:
    """Return one side's gains over the first state against lift as an SVG element, with their 95 % intervals."""
    units = display_of(display)
    result = comparison.sides.get(side)
    gains = () if result is None else result.totals
    if not gains:
        raise FlowkitError(f"there are no {side} gains to draw", "compare at least two states first")
    places = variant_places(comparison)
    lines = []
    for gain in gains:
        lifts = [from_si(item.lift_m, units.lift) for item in gain.per_lift]
        ys = [100 * item.gain for item in gain.per_lift]
        low, high = _ends(ys, [None if item.u95 is None else 100 * item.u95 for item in gain.per_lift])
        lines.append(SvgLine(gain.to, places[gain.to], lifts, ys, low, high, side == "intake"))
    title = f"{side.capitalize()} gain over {gains[0].from_} (%) against valve lift ({units.lift})"
    return lines_svg(
        lines, title=title, x_unit=units.lift, y_unit="%", digits=(units.lift_digits, 1), size=size, level=0.0,
        from_zero=False,
    )  # fmt: skip


def sheet_svg(
    tests: Sequence[FlowTest | CorrectedTest], *, display: str = "US", size: tuple[float, float] = (560, 380)
) -> str:
    """Return tests as they are, a curve each, as an SVG element; each point names its cell in ``data-source``."""
    units = display_of(display)
    drawn = [test for test in tests if any(has_flow(point.flow_m3_s) for point in test.points)]
    if not drawn:
        raise FlowkitError("there are no points to draw", "read a sheet with at least one point first")
    # What all of them share, such as their one state, needs no word beside every curve.
    shared = {key for key in ("variant", "head") if len({getattr(test, key) for test in drawn}) == 1}
    lines = []
    for place, test in enumerate(drawn):
        known = {point.lift_m: point for point in test.points if has_flow(point.flow_m3_s)}
        points = [known[lift] for lift in sorted(known)]
        lifts = [from_si(point.lift_m, units.lift) for point in points]
        flows = [from_si(point.flow_m3_s, units.flow) for point in points]
        name, sources = curve_name(test, without=shared), [point.source for point in points]
        lines.append(SvgLine(name, place, lifts, flows, filled=test.side == "intake", smooth=True, sources=sources))
    title = f"Flow ({units.flow}) against valve lift ({units.lift}), as read"
    digits = (units.lift_digits, units.flow_digits)
    return lines_svg(lines, title=title, x_unit=units.lift, y_unit=units.flow, digits=digits, size=size)


def lines_svg(
    lines: Sequence[SvgLine], *, title: str, x_unit: str, y_unit: str, digits: tuple[int, int] = (2, 2),
    size: tuple[float, float] = (560, 380), level: float | None = None, from_zero: bool = True, top: float = 0.0,
) -> str:  # fmt: skip
    """Return a line chart as an SVG element."""
    frame = _Frame.around(lines, size, level=level, from_zero=from_zero, top=top)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="flow-chart" viewBox="0 0 {size[0]:g} {size[1]:g}" role="img" '
        f'aria-label={quoteattr(title)} data-x0="{frame.left:.6g}" data-x-scale="{frame.x_scale:.6g}" '
        f'data-x-low="{frame.x_low:.6g}" data-x-unit={quoteattr(x_unit)} data-y-unit={quoteattr(y_unit)} '
        f'data-digits="{digits[0]} {digits[1]}" font-size="{_TEXT:g}">'
    )
    parts = [head, f"<title>{escape(title)}</title>", *frame.axes(x_unit, y_unit)]
    if level is not None:
        y = frame.y(level)
        parts.append(f'<path class="level" d="M{frame.left:.1f} {y:.1f}H{frame.right:.1f}"/>')
    ends = zip(lines, frame.ends(lines), strict=True)
    parts += [_line_group(line, frame, (x_unit, y_unit), digits, end) for line, end in ends]
    return "".join([*parts, "</svg>"])


def places_css(*, dark: bool = False, places: int = 24) -> str:
    """Return rules that colour the states of charts and legends (class ``s0``, …), on white or on a dark page."""
    rules = []
    for place in range(places):
        look = variant_style(place)
        line, text = (_lighter(look.color),) * 2 if dark else (look.color, look.text_color)
        rules.append(f'.s{place},[data-place="{place}"]{{--line:{line};--text:{text}}}')
    return "".join(rules)


def _lighter(color: str) -> str:
    """Lighten a colour until text in it can be read on a dark page: contrast 6 with #1C2026 (WCAG 2.2, §1.4.3)."""
    channels = [int(color[i : i + 2], 16) for i in (1, 3, 5)]
    for percent in range(0, 100, 5):
        mixed = [value + (255 - value) * percent / 100 for value in channels]
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (m / 255 for m in mixed)]
        if (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05) / 0.0645 >= 6:
            return "#" + "".join(f"{round(value):02X}" for value in mixed)
    return "#FFFFFF"


@dataclass(frozen=True, slots=True)
class _Frame:
    """The plot's rectangle in pixels and its scales."""

    left: float
    right: float
    upper: float
    lower: float
    x_low: float
    x_high: float
    y_low: float
    y_high: float

    @property
    def x_scale(self) -> float:
        """Pixels a unit of x."""
        return (self.right - self.left) / (self.x_high - self.x_low)

    @classmethod
    def around(
        cls, lines: Sequence[SvgLine], size: tuple[float, float], *, level: float | None, from_zero: bool, top: float
    ) -> _Frame:
        """Return the frame that holds every point and interval, and the names to the right of it."""
        xs = [value for line in lines for value in line.xs]
        ys = [value for line in lines for values in (line.ys, line.low or (), line.high or ()) for value in values]
        ys += [] if level is None else [level]
        high, low = max([*ys, top]) if ys else 1.0, min(ys, default=0.0)
        spare = 0.05 * ((high - low) or abs(high) or 1.0)
        y_low = 0.0 if from_zero and low >= 0 else low - spare
        first, last = min(xs, default=0.0), max(xs, default=1.0)
        # Narrow screens show the left 82 % alone, without the names, as large as the screen is wide (charts.css).
        wide = max((_width(_label(line.name)) for line in lines), default=0.0)
        # On screens up to 1150 px wide the names are larger (charts.css).
        right = max(size[0] * 0.45, min(size[0] - 1.13 * wide - 16.0, size[0] * 0.805))
        return cls(
            left=52.0, right=right, upper=26.0, lower=size[1] - 40.0,
            x_low=0.0 if from_zero or first >= 0 > first - 0.5 * (last - first) else first,
            x_high=last + 0.01 * ((last - first) or 1.0), y_low=y_low, y_high=high + spare,
        )  # fmt: skip

    def x(self, value: float) -> float:
        """Return where an x is drawn [px]."""
        return self.left + (value - self.x_low) * self.x_scale

    def y(self, value: float) -> float:
        """Return where a y is drawn [px]."""
        return self.lower - (value - self.y_low) / (self.y_high - self.y_low) * (self.lower - self.upper)

    def axes(self, x_unit: str, y_unit: str) -> list[str]:
        """Return grid, scale figures and units."""
        parts = ['<g class="axes" aria-hidden="true">']
        for value, text in _ticks(self.y_low, self.y_high, 6):
            y = self.y(value)
            parts.append(f'<path class="grid" d="M{self.left:.1f} {y:.1f}H{self.right:.1f}"/>')
            parts.append(f'<text x="{self.left - 6:.1f}" y="{y + 4:.1f}" text-anchor="end">{text}</text>')
        for value, text in _ticks(self.x_low, self.x_high, 7):
            parts.append(f'<text x="{self.x(value):.1f}" y="{self.lower + 17:.1f}" text-anchor="middle">{text}</text>')
        parts.append(f'<path class="axis" d="M{self.left:.1f} {self.upper:.1f}V{self.lower:.1f}H{self.right:.1f}"/>')
        parts.append(f'<text x="{self.left:.1f}" y="15">{escape(y_unit)}</text>')
        middle = (self.left + self.right) / 2
        parts.append(f'<text x="{middle:.1f}" y="{self.lower + 35:.1f}" text-anchor="middle">{escape(x_unit)}</text>')
        return [*parts, "</g>"]

    def ends(self, lines: Sequence[SvgLine]) -> list[float | None]:
        """Return where each line's name is written, apart from one another [px]."""
        wanted = [self.y(line.ys[-1]) for line in lines if line.ys]
        found = iter(place_labels(wanted, [_ROW] * len(wanted), self.upper - _ROW, self.lower + _ROW))
        return [next(found) if line.ys else None for line in lines]


def _width(text: str) -> float:
    """Return about how wide a line of text is in any sans-serif typeface [px]."""
    return sum(_TEXT * (1.0 if unicodedata.east_asian_width(c) in "WF" else 0.57) for c in text)


def _label(name: str) -> str:
    """Return a name as it is written at a line's end, no wider than 26 Latin letters are."""
    letters = 26
    while _width(short(name, letters)) > 26 * 0.57 * _TEXT:
        letters -= 1
    return short(name, letters)


def _ticks(low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Return round figures within a scale, with their text."""
    raw = (high - low) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1, 2, 2.5, 5, 10) if power * factor >= raw * 0.999)
    digits = max(0, -math.floor(math.log10(step) + 1e-9)) + (1 if round(step / power, 6) == 2.5 and step < 20 else 0)
    count = range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    return [(index * step, numeral(index * step, digits)) for index in count]


_Point = tuple[float, float]


def _pieces(frame: _Frame, xs: Sequence[float], ys: Sequence[float], *, smooth: bool) -> list[tuple[_Point, ...]]:
    """Return a line as Bézier pieces of four points each, or of two where it is straight [px]."""
    places = [(frame.x(x), frame.y(y)) for x, y in zip(xs, ys, strict=True)]
    if not smooth or len(places) < 2:
        return list(pairwise(places))
    from scipy.interpolate import PchipInterpolator

    across = [x for x, _ in places]
    slopes = PchipInterpolator(across, [y for _, y in places]).derivative()(across)
    pieces: list[tuple[_Point, ...]] = []
    for ((x0, y0), (x1, y1)), (before, after) in zip(pairwise(places), pairwise(slopes), strict=True):
        third = (x1 - x0) / 3
        pieces.append(((x0, y0), (x0 + third, y0 + third * before), (x1 - third, y1 - third * after), (x1, y1)))
    return pieces


def _path(pieces: Sequence[tuple[_Point, ...]], start: str = "M") -> str:
    """Write pieces as the data of a path."""
    words = [f"{start}{pieces[0][0][0]:.1f} {pieces[0][0][1]:.1f}"]
    for piece in pieces:
        words.append(("C" if len(piece) == 4 else "L") + " ".join(f"{x:.1f} {y:.1f}" for x, y in piece[1:]))
    return "".join(words)


def _band(frame: _Frame, line: SvgLine) -> str:
    """Return the outline of a line's 95 % interval: along its upper end and back along the lower."""
    if line.low is None or line.high is None or len(line.xs) < 2:
        return ""
    upper = _pieces(frame, line.xs, line.high, smooth=line.smooth)
    lower = [piece[::-1] for piece in reversed(_pieces(frame, line.xs, line.low, smooth=line.smooth))]
    return _path(upper) + _path(lower, "L") + "Z"


_SHAPES = {
    "o": "M-3.2 0a3.2 3.2 0 1 0 6.4 0a3.2 3.2 0 1 0-6.4 0Z",
    "s": "M-2.9-2.9h5.8v5.8h-5.8Z",
    "^": "M0-3.7L3.5 2.8H-3.5Z",
    "D": "M0-3.9L3.4 0L0 3.9L-3.4 0Z",
    "v": "M0 3.7L3.5-2.8H-3.5Z",
    "P": "M-1.2-3.6h2.4v2.4h2.4v2.4h-2.4v2.4h-2.4v-2.4h-2.4v-2.4h2.4Z",
    "X": "M-3.4-2L-2-3.4L0-1.4L2-3.4L3.4-2L1.4 0L3.4 2L2 3.4L0 1.4L-2 3.4L-3.4 2L-1.4 0Z",
    "p": "M0-3.6L3.4-1.1L2.1 2.9H-2.1L-3.4-1.1Z",
}
"""The markers of `looks`, round the origin [px]."""


def _line_group(
    line: SvgLine, frame: _Frame, units: tuple[str, str], digits: tuple[int, int], end: float | None
) -> str:
    """Return one line with its band, points and name."""
    look = variant_style(line.place)
    dashes = f' stroke-dasharray="{" ".join(f"{1.4 * dash:g}" for dash in look.dashes)}"' if look.dashes else ""
    parts = [
        f'<g class="state" data-state={quoteattr(line.name)} data-place="{line.place}" '
        f'stroke="{look.color}" fill="none">'
    ]
    band = _band(frame, line)
    if band:
        parts.append(f'<path class="band" d="{band}" fill="{look.color}" fill-opacity="0.15" stroke="none"/>')
    if len(line.xs) > 1:
        data = _path(_pieces(frame, line.xs, line.ys, smooth=line.smooth))
        parts.append(f'<path class="line" d="{data}" stroke-width="1.8"{dashes}/>')
    parts += [_point(line, index, frame, units, digits) for index in range(len(line.xs))]
    if end is not None:
        x, y, tip = frame.right + 10, end, frame.x(line.xs[-1])
        parts.append(
            f'<path class="leader" d="M{tip:.1f} {frame.y(line.ys[-1]):.1f}L{x - 2:.1f} {y:.1f}" stroke-width="0.7"/>'
            f'<text class="name" x="{x:.1f}" y="{y + 4:.1f}" fill="{look.text_color}" stroke="none">'
            f"{escape(_label(line.name))}</text>"
        )
    return "".join([*parts, "</g>"])


def _point(line: SvgLine, index: int, frame: _Frame, units: tuple[str, str], digits: tuple[int, int]) -> str:
    """Return a point's marker with its data, in the units shown."""
    look = variant_style(line.place)
    x, y = line.xs[index], line.ys[index]
    data = f'data-x="{x:.{digits[0]}f}" data-y="{y:.{digits[1]}f}"'
    words = f"{line.name}: {numeral(x, digits[0])} {units[0]}, {numeral(y, digits[1])} {units[1]}"
    if line.low is not None and line.high is not None:
        low, high = line.low[index], line.high[index]
        data += f' data-low="{low:.{digits[1]}f}" data-high="{high:.{digits[1]}f}"'
        words += f" (95 %: {numeral(low, digits[1])} to {numeral(high, digits[1])})"
    if line.sources is not None:
        data += f" data-source={quoteattr(line.sources[index])}"
        words += f", {line.sources[index]}"
    fill = f' fill="{look.color}"' if line.filled else ' class="point open" fill="var(--paper, #fff)"'
    name = 'class="point"' if line.filled else ""
    return (
        f'<path {name}{fill} d="{_SHAPES[look.marker]}" transform="translate({frame.x(x):.1f} {frame.y(y):.1f})" '
        f"{data}><title>{escape(words)}</title></path>"
    )
