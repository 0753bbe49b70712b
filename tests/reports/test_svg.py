"""Charts for the web page: the results' own numbers at every point, the interpolant's own curve, text as text."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from flowkit.drawing.svg import SvgLine, chart_svg, gain_svg, lines_svg, sheet_svg
from flowkit.errors import FlowkitError
from flowkit.reports.contents import ReportContents
from flowkit.units import from_si
from tests.reports.invented import make_contents

NS = "{http://www.w3.org/2000/svg}"


def states(svg: str) -> dict[str, ET.Element]:
    """The groups of a chart by their state."""
    return {g.attrib["data-state"]: g for g in ET.fromstring(svg).iter(f"{NS}g") if g.attrib.get("class") == "state"}


def points(group: ET.Element) -> list[ET.Element]:
    """The markers of a state."""
    return [p for p in group.iter(f"{NS}path") if "point" in p.attrib["class"].split()]


@pytest.mark.parametrize(("display", "units"), [("US", ("in", "CFM", 3, 1)), ("metric", ("mm", "L/s", 2, 2))])
def test_every_point_holds_the_result_in_the_units_shown(contents: ReportContents, display: str, units: tuple) -> None:
    lift, flow, lift_digits, flow_digits = units
    for side in ("intake", "exhaust"):
        groups = states(chart_svg(contents.comparison, side, display=display))
        for variant in contents.comparison.sides[side].variants:
            shown = [(p.attrib["data-x"], p.attrib["data-y"]) for p in points(groups[variant.name])]
            assert shown == [
                (f"{from_si(x, lift):.{lift_digits}f}", f"{from_si(q, flow):.{flow_digits}f}")
                for x, q in zip(variant.lifts_m, variant.flow_m3_s, strict=True)
            ]


def test_markers_are_where_the_scale_says(contents: ReportContents) -> None:
    svg = chart_svg(contents.comparison, "intake")
    root = ET.fromstring(svg)
    left, scale, low = (float(root.attrib[key]) for key in ("data-x0", "data-x-scale", "data-x-low"))
    for group in states(svg).values():
        for point in points(group):
            x = float(re.match(r"translate\(([\d.]+)", point.attrib["transform"])[1])
            assert x == pytest.approx(left + (float(point.attrib["data-x"]) - low) * scale, abs=0.6)


def test_the_line_is_the_interpolant_itself() -> None:
    xs, ys = (0.05, 0.1, 0.2, 0.3, 0.45), (20.0, 42.0, 90.0, 118.0, 121.0)
    svg = lines_svg([SvgLine("a", 0, xs, ys, smooth=True)], title="t", x_unit="in", y_unit="CFM", size=(4000, 4000))
    root = ET.fromstring(svg)
    data = next(p for p in root.iter(f"{NS}path") if p.attrib["class"] == "line").attrib["d"]
    marks = [p.attrib["transform"] for p in points(states(svg)["a"])]
    places = [tuple(float(v) for v in re.findall(r"[\d.]+", m)) for m in marks]
    curve = PchipInterpolator([p[0] for p in places], [p[1] for p in places])
    pieces = [[float(v) for v in piece.split()] for piece in data.split("C")[1:]]
    start = places[0]
    for x1, y1, x2, y2, x3, y3 in pieces:
        for t in (0.25, 0.5, 0.75):
            weights = np.array([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3])
            x, y = weights @ [start[0], x1, x2, x3], weights @ [start[1], y1, y2, y3]
            assert y == pytest.approx(float(curve(x)), abs=0.2)
        start = (x3, y3)


def test_names_are_text_and_never_markup(contents: ReportContents) -> None:
    side = contents.comparison.sides["intake"]
    bad = '</script><b onclick="x">&'
    renamed = replace(side, variants=(replace(side.variants[0], name=bad), *side.variants[1:]))
    svg = chart_svg(replace(contents.comparison, sides={"intake": renamed}), "intake")
    assert bad in states(svg)
    assert "<b" not in svg and "</script" not in svg


def test_names_at_the_ends_keep_apart_with_twelve_states() -> None:
    svg = chart_svg(make_contents(variants=12).comparison, "intake")
    heights = sorted(
        float(t.attrib["y"]) for t in ET.fromstring(svg).iter(f"{NS}text") if t.attrib.get("class") == "name"
    )
    assert len(heights) == 12
    assert min(np.diff(heights)) > 12.0


def test_gains_are_over_the_first_state(contents: ReportContents) -> None:
    groups = states(gain_svg(contents.comparison, "exhaust"))
    for gain in contents.comparison.sides["exhaust"].totals:
        shown = [float(p.attrib["data-y"]) for p in points(groups[gain.to])]
        assert shown == pytest.approx([100 * item.gain for item in gain.per_lift], abs=0.051)


def test_read_points_name_their_cells(contents: ReportContents) -> None:
    tests = contents.variants[0].tests[:2]
    group = next(iter(states(sheet_svg(tests)).values()))
    assert [p.attrib["data-source"] for p in points(group)] == [
        point.source for point in sorted(tests[0].points, key=lambda point: point.lift_m)
    ]


def test_nothing_to_draw_is_said(contents: ReportContents) -> None:
    alone = replace(contents.comparison, sides={})
    with pytest.raises(FlowkitError, match="no intake curves"):
        chart_svg(alone, "intake")
    with pytest.raises(FlowkitError, match="no exhaust gains"):
        gain_svg(alone, "exhaust")
    with pytest.raises(FlowkitError, match="no points"):
        sheet_svg([])
