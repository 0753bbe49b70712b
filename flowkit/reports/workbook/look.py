"""How the workbook's cells and charts look."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from flowkit.drawing import variant_style
from flowkit.reports.attach.tables import plain

_RAW_INK, _QUIET_INK, _LINE, _VALUE_FILL = "0B4F8A", "5A5A5A", "8C8C8C", "ECECEC"


@dataclass(frozen=True, slots=True)
class Style:
    """How a cell looks."""

    # Of words: text, quiet, title, heading, header. Of numbers: raw (as read), formula, between (a formula for a
    # lift that was not measured), value (computed by flowkit; a "formula" without a formula becomes one).
    kind: str = "text"
    digits: int | None = None  # decimals; below zero: significant digits of what is far below one
    gain: bool = False
    percent: bool = False
    wrap: bool = False
    bold: bool = False
    left: bool = False  # words right of numbers, which keep a little distance or they would touch


TEXT, WRAPPED, APART, NUMBER, RAW = Style(), Style(wrap=True), Style(left=True), Style("formula"), Style("raw")
QUIET, HEADING, NOTE = Style("quiet"), Style("heading"), Style("quiet", wrap=True)
GAIN, PERCENT = Style("formula", 1, gain=True), Style("formula", 1, percent=True)
SQUARED = Style("formula", -4)


def number(digits: int, *, bold: bool = False) -> Style:
    """Return the style of a formula with so many decimals."""
    return Style("formula", digits, bold=bold)


def _number_format(style: Style) -> str:
    """Return the number format of a style."""
    if style.digits is None:
        return "General"
    if style.digits < 0:
        return "0." + "0" * (-style.digits - 1) + "E+00"
    places = "0." + "0" * style.digits if style.digits else "0"
    if style.gain:
        return f"+{places}%;-{places}%;{places}%"
    return places + "%" if style.percent else places


def dress(cell: Any, style: Style) -> None:
    """Give a cell the font, fill, border, alignment and number format of a style."""
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

    kind = style.kind
    ink = {"raw": _RAW_INK, "quiet": _QUIET_INK, "between": _QUIET_INK}.get(kind, "000000")
    bold = style.bold or kind in ("title", "heading", "header")
    size = {"title": 16, "heading": 12, "quiet": 9}.get(kind, 10)
    cell.font = Font(name="Calibri", size=size, bold=bold, italic=kind in ("value", "between"), color=ink)
    if kind == "value":
        cell.fill = PatternFill("solid", fgColor=_VALUE_FILL)
    if kind == "header":
        cell.border = Border(bottom=Side("thin", color=_LINE))
    elif style.bold:
        cell.border = Border(top=Side("thin", color=_LINE))
    right = kind in ("formula", "raw", "value", "between", "header") and not style.left
    cell.alignment = Alignment(
        horizontal="right" if right else "left",
        vertical="bottom" if kind == "header" else "top",
        wrap_text=style.wrap or None,
        indent=1 if style.left and (style.bold or kind != "header") else 0,
    )
    cell.number_format = _number_format(style)


_MARKERS: dict[str, Any] = {
    "o": "circle", "s": "square", "^": "triangle", "D": "diamond", "v": "dash", "P": "plus", "X": "x", "p": "star",
}  # fmt: skip
"""Matplotlib's markers to those a spreadsheet has."""
_DASHES = ("solid", "dash", "sysDash", "dashDot", "lgDash", "sysDot", "lgDashDot", "sysDashDot")
_THICK_EMU, _THIN_EMU = 19_050, 6_350
_WIDTH_CM, _HEIGHT_CM = 11.6, 8.8

Curve = tuple[str, int, tuple[int, int], int]
"""A variant's name and place in the job, first and last row of its points, the column of their values."""


def put_chart(
    sheet: Any, anchor: str, words: tuple[str, str, str], source: Any, curves: Iterable[Curve], *, percent: bool = False
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
        across, up = (Reference(source, min_col=one, min_row=rows[0], max_row=rows[1]) for one in (1, column))
        series = Series(up, across, title=plain(name))
        own = variant_style(index)
        color = own.color.lstrip("#")
        series.smooth = False
        series.graphicalProperties = GraphicalProperties(ln=_line(color, _DASHES[index % len(_DASHES)], _THICK_EMU))
        marker = Marker(symbol=_MARKERS.get(own.marker, "circle"), size=5)
        marker.graphicalProperties = GraphicalProperties(solidFill=color, ln=_line(color, "solid", _THIN_EMU))
        series.marker = marker
        chart.series.append(series)
    sheet.add_chart(chart, anchor)


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
