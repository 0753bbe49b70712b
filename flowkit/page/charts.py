"""Curves of the page: what was read, what it comes to at the reference, and what was gained."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from flowkit.analysis.results import Comparison, SideComparison
from flowkit.drawing.figures import display_of
from flowkit.drawing.svg import Curve, Dot, flow_svg, gain_svg
from flowkit.model import FlowTest, Side
from flowkit.units import from_si

__all__ = ["compared", "gained", "read_chart"]


def read_chart(tests: Sequence[FlowTest], display: str, *, asked: Collection[str] = (), title: str = "") -> str:
    """Draw tests as they were read; points whose cells are in question are ringed."""
    units = display_of(display)
    curves = []
    for index, test in enumerate(tests[:16]):
        dots = tuple(
            Dot(
                from_si(point.lift_m, units.lift),
                from_si(point.flow_m3_s, units.flow),
                note=point.source,
                flagged=point.source in asked,
            )
            for point in sorted(test.points, key=lambda item: item.lift_m)
        )
        curves.append(Curve(_short(test, tests), dots, index))
    return flow_svg(curves, title=title or "As read", lift_unit=units.lift, flow_unit=units.flow)


def _short(test: FlowTest, tests: Sequence[FlowTest]) -> str:
    """What sets a test apart from the others on its sheet, in few letters."""
    words = [{"intake": "int", "exhaust": "exh"}.get(test.side or "", ""), test.port or ""]
    if test.head and len({item.head for item in tests}) > 1:
        words.insert(0, test.head)
    if any(item.run > 1 for item in tests):
        words.append(f"run {test.run}")
    if len({item.variant for item in tests}) > 1:
        words.append(test.variant)
    return " ".join(word for word in words if word) or "test"


def _looks(comparison: Comparison) -> dict[str, int]:
    """The look of each state: its place in the job."""
    names = dict.fromkeys(variant.name for side in comparison.sides.values() for variant in side.variants)
    return {name: index for index, name in enumerate(names)}


def compared(comparison: Comparison, side: Side, display: str) -> str:
    """Draw one side's states at the reference, both sides on one scale."""
    units = display_of(display)
    looks = _looks(comparison)
    top = max(
        (from_si(q, units.flow) for item in comparison.sides.values() for v in item.variants for q in v.flow_m3_s),
        default=1.0,
    )
    curves = []
    for variant in comparison.sides[side].variants:
        lifts = [from_si(lift, units.lift) for lift in variant.lifts_m]
        flows = [from_si(flow, units.flow) for flow in variant.flow_m3_s]
        dots = tuple(Dot(x, y) for x, y in zip(lifts, flows, strict=True))
        curves.append(Curve(variant.name, dots, looks[variant.name]))
    name = f"{side.capitalize()}, flow against valve lift at the reference"
    return flow_svg(curves, title=name, lift_unit=units.lift, flow_unit=units.flow, top=top)


def gained(comparison: Comparison, side: Side, display: str) -> str:
    """Draw one side's gains over the first state, with their intervals."""
    units = display_of(display)
    looks = _looks(comparison)
    curves = []
    for gain in comparison.sides[side].totals:
        dots = tuple(Dot(from_si(item.lift_m, units.lift), 100 * item.gain) for item in gain.per_lift)
        pairs = tuple(_pair(item) for item in gain.per_lift)
        curves.append(Curve(gain.to, dots, looks[gain.to], low_high=pairs))
    first = _first(comparison.sides[side])
    return gain_svg(curves, title=f"{side.capitalize()}, gain over {first} against valve lift", lift_unit=units.lift)


def _pair(item: object) -> tuple[float, float] | None:
    """The interval of a gain at one lift in per cent, None where it was not assessed."""
    low, high = getattr(item, "low", None), getattr(item, "high", None)
    if low is not None and high is not None:
        return 100 * low, 100 * high
    u95, gain = getattr(item, "u95", None), item.gain  # type: ignore[attr-defined]
    return (100 * (gain - u95), 100 * (gain + u95)) if u95 is not None else None


def _first(side: SideComparison) -> str:
    """The state that gains are counted from."""
    return side.variants[0].name if side.variants else ""
