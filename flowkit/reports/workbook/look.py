"""How the workbook's cells look."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

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
