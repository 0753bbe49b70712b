"""Native charts: flow against lift, and gain against lift."""

from __future__ import annotations

from typing import Any

from flowkit.drawing import variant_style
from flowkit.reports.attach.tables import plain
from flowkit.reports.workbook.draft import Draft
from flowkit.reports.workbook.plan import SidePlan

__all__ = ["flow_chart", "gain_chart"]

_MARKERS: dict[str, Any] = {
    "o": "circle",
    "s": "square",
    "^": "triangle",
    "D": "diamond",
    "v": "dash",
    "P": "plus",
    "X": "x",
    "p": "star",
}
"""Matplotlib's markers to those a spreadsheet has."""
_DASHES = ("solid", "dash", "sysDash", "dashDot", "lgDash", "sysDot", "lgDashDot", "sysDashDot")
_LINE_EMU = 19_050
_WIDTH_CM, _HEIGHT_CM = 11.6, 8.8


def flow_chart(draft: Draft, side: SidePlan, anchor: str) -> None:
    """Put a chart of flow against lift on the summary.

    Parameters
    ----------
    draft : Draft
    side : SidePlan
    anchor : str
        The cell of its upper left corner.
    """
    title = f"{side.side.capitalize()}: mean of ports"
    chart = _chart(title, f"lift, {draft.display.lift}", f"flow, {draft.display.flow}")
    flows = draft.pens["Corrected flows"].sheet
    for variant in side.variants:
        block = draft.blocks[side.side, variant.name]
        rows = (block.row(variant.first), block.row(variant.last))
        _add(chart, flows, rows, (1, block.mean), name=variant.name, index=variant.index)
    draft.pens["Summary"].sheet.add_chart(chart, anchor)


def gain_chart(draft: Draft, side: SidePlan, rows: tuple[int, int], columns: dict[str, int], anchor: str) -> None:
    """Put a chart of the gains over the first variant against lift on the gains.

    Parameters
    ----------
    draft : Draft
    side : SidePlan
    rows : tuple of int
        First and last row of the gains per lift.
    columns : dict
        Variant to the column of its gains over the first.
    anchor : str
    """
    title = f"{side.side.capitalize()}: gain over {plain(side.variants[0].name)}"
    chart = _chart(title, f"lift, {draft.display.lift}", "gain")
    chart.y_axis.number_format = "+0%;-0%;0%"
    sheet = draft.pens["Gains"].sheet
    for name, column in columns.items():
        _add(chart, sheet, rows, (1, column), name=name, index=side.variant(name).index)
    sheet.add_chart(chart, anchor)


def _chart(title: str, across: str, up: str) -> Any:
    """Make an empty chart in the house's plain look."""
    from openpyxl.chart import ScatterChart
    from openpyxl.chart.shapes import GraphicalProperties

    chart: Any = ScatterChart()
    chart.style = 2
    chart.scatterStyle = "lineMarker"
    chart.title = _words(title, 1100, bold=True)
    chart.width, chart.height = _WIDTH_CM, _HEIGHT_CM
    chart.legend.position = "b"
    for axis, words in ((chart.x_axis, across), (chart.y_axis, up)):
        axis.title = _words(words, 900)
        # Left to itself, the library says nothing, and some programs then hide the axis.
        axis.delete = False
        axis.number_format = "General"
        axis.majorTickMark = "out"
    chart.x_axis.majorGridlines = None
    chart.x_axis.tickLblPos = "low"
    chart.y_axis.majorGridlines.spPr = GraphicalProperties(ln=_line("D9D9D9", "solid", 6_350))
    return chart


def _words(text: str, size: int, *, bold: bool = False) -> Any:
    """Make a title in sober type; the size is in hundredths of a point."""
    from openpyxl.chart.text import RichText, Text
    from openpyxl.chart.title import Title
    from openpyxl.drawing.text import CharacterProperties, Paragraph, ParagraphProperties, RegularTextRun

    look = CharacterProperties(sz=size, b=bold)
    paragraph = Paragraph(pPr=ParagraphProperties(defRPr=look), r=[RegularTextRun(rPr=look, t=text)])
    title = Title(tx=Text(rich=RichText(p=[paragraph])))
    title.overlay = False
    return title


def _line(color: str, dash: Any, width: int) -> Any:
    """Make a line's properties."""
    from openpyxl.drawing.line import LineProperties

    return LineProperties(solidFill=color, prstDash=dash, w=width)


def _add(chart: Any, sheet: Any, rows: tuple[int, int], columns: tuple[int, int], *, name: str, index: int) -> None:
    """Add a variant's curve in its own colour, line style and marker."""
    from openpyxl.chart import Reference, Series
    from openpyxl.chart.marker import Marker
    from openpyxl.chart.shapes import GraphicalProperties

    across, up = (Reference(sheet, min_col=column, min_row=rows[0], max_row=rows[1]) for column in columns)
    series = Series(up, across, title=plain(name))
    look = variant_style(index)
    color = look.color.lstrip("#")
    series.smooth = False
    series.graphicalProperties = GraphicalProperties(ln=_line(color, _DASHES[index % len(_DASHES)], _LINE_EMU))
    marker = Marker(symbol=_MARKERS.get(look.marker, "circle"), size=5)
    marker.graphicalProperties = GraphicalProperties(solidFill=color, ln=_line(color, "solid", 6_350))
    series.marker = marker
    chart.series.append(series)
