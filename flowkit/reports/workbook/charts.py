"""The workbook's charts, in the colours, line styles and markers that variants have everywhere."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from flowkit.drawing import variant_style
from flowkit.reports.attach.tables import plain
from flowkit.reports.workbook.pen import Pen

_MARKERS: dict[str, Any] = {
    "o": "circle", "s": "square", "^": "triangle", "D": "diamond", "v": "dash", "P": "plus", "X": "x", "p": "star",
}  # fmt: skip
"""Matplotlib's markers to those a spreadsheet has."""
_DASHES = ("solid", "dash", "sysDash", "dashDot", "lgDash", "sysDot", "lgDashDot", "sysDashDot")
_LINE_EMU, _THIN_EMU = 19_050, 6_350
_WIDTH_CM, _HEIGHT_CM = 11.6, 8.8

Curve = tuple[str, int, tuple[int, int], int]
"""A variant's name and place in the job, first and last row of its points, the column of their values."""


def put_chart(
    pen: Pen, anchor: str, words: tuple[str, str, str], source: Pen, curves: Iterable[Curve], *, percent: bool = False
) -> None:
    """Put a chart of curves on a sheet, given its title and those of its axes; lifts are in the source's column A."""
    from openpyxl.chart import Reference, ScatterChart, Series
    from openpyxl.chart.marker import Marker
    from openpyxl.chart.shapes import GraphicalProperties

    chart: Any = ScatterChart()
    chart.style = 2
    chart.scatterStyle = "lineMarker"
    chart.title = _title(words[0], 1100, bold=True)
    chart.width, chart.height = _WIDTH_CM, _HEIGHT_CM
    chart.legend.position = "b"
    for axis, text in ((chart.x_axis, words[1]), (chart.y_axis, words[2])):
        axis.title = _title(text, 900)
        # Left to itself, the library says nothing, and some programs then hide the axis.
        axis.delete = False
        axis.number_format = "General"
        axis.majorTickMark = "out"
    chart.x_axis.majorGridlines = None
    chart.x_axis.tickLblPos = "low"
    chart.y_axis.majorGridlines.spPr = GraphicalProperties(ln=_line("D9D9D9", "solid", _THIN_EMU))
    if percent:
        chart.y_axis.number_format = "+0%;-0%;0%"
    for name, index, rows, column in curves:
        across, up = (Reference(source.sheet, min_col=one, min_row=rows[0], max_row=rows[1]) for one in (1, column))
        series = Series(up, across, title=plain(name))
        look = variant_style(index)
        color = look.color.lstrip("#")
        series.smooth = False
        series.graphicalProperties = GraphicalProperties(ln=_line(color, _DASHES[index % len(_DASHES)], _LINE_EMU))
        marker = Marker(symbol=_MARKERS.get(look.marker, "circle"), size=5)
        marker.graphicalProperties = GraphicalProperties(solidFill=color, ln=_line(color, "solid", _THIN_EMU))
        series.marker = marker
        chart.series.append(series)
    pen.sheet.add_chart(chart, anchor)


def _title(text: str, size: int, *, bold: bool = False) -> Any:
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
