"""Curves of the page: what was read, what it comes to at the reference, and what was gained."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from xml.sax.saxutils import escape, quoteattr

from flowkit.analysis.results import Comparison
from flowkit.drawing.svg import chart_svg, gain_svg, has_flow, sheet_svg
from flowkit.model import FlowTest, Side
from flowkit.units import from_si
from flowkit.wording import display_of

MOST_TESTS = 24
"""Curves of one state that are drawn; more would be a tangle."""


def read_chart(tests: Sequence[FlowTest], display: str, *, asked: Collection[str] = ()) -> str:
    """Draw tests as they were read, a chart a state; points whose cells are in question are marked."""
    states: dict[str, list[FlowTest]] = {}
    for test in tests:
        if any(has_flow(point.flow_m3_s) for point in test.points):
            states.setdefault(test.variant, []).append(test)
    made = ""
    for name, drawn in states.items():
        made += f"<h3>{escape(name)}</h3>" if len(states) > 1 else ""
        made += sheet_svg(drawn[:MOST_TESTS], display=display)
        if len(drawn) > MOST_TESTS:
            made += f'<p class="soft">The first {MOST_TESTS} of {len(drawn)} curves.</p>'
    for source in asked:
        made = made.replace(f"data-source={quoteattr(source)}", f'data-source={quoteattr(source)} data-asked="yes"')
    return made


def compared(comparison: Comparison, side: Side, display: str) -> str:
    """Draw one side's states at the reference, both sides on one scale."""
    units = display_of(display)
    flows = [q for item in comparison.sides.values() for v in item.variants for q in v.flow_m3_s]
    return chart_svg(
        comparison, side, display=display, size=(560, 350), top=from_si(max(flows, default=0.0), units.flow)
    )


def gained(comparison: Comparison, side: Side, display: str) -> str:
    """Draw one side's gains over the first state, with their intervals."""
    return gain_svg(comparison, side, display=display, size=(560, 300))
