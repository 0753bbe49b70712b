"""How cells look: few styles, one typeface, numbers marked by where they come from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

__all__ = ["BOLD", "PROSE", "Style", "decimals", "dress", "lines_of"]

_FONT = "Calibri"
_RAW_INK = "0B4F8A"
_QUIET_INK = "5A5A5A"
_LINE = "8C8C8C"
_VALUE_FILL = "ECECEC"
PROSE, BOLD = 0.88, 1.1
"""Width of a letter against that of a digit."""


@dataclass(frozen=True, slots=True)
class Style:
    """How a cell looks.

    Attributes
    ----------
    kind : str
        ``"formula"``, ``"raw"`` (as read), ``"value"`` (computed by flowkit), ``"between"``
        (interpolated), ``"text"``, ``"header"``, ``"heading"``, ``"title"`` or ``"quiet"``.
    digits : int or None
        Decimals; None leaves the format to the program.
    gain : bool
        A fraction shown as per cent with its sign.
    percent : bool
        A fraction shown as per cent.
    wrap, bold, left : bool
    """

    kind: str = "text"
    digits: int | None = None
    gain: bool = False
    percent: bool = False
    wrap: bool = False
    bold: bool = False
    left: bool = False


def decimals(style: Style) -> str:
    """Return the number format of a style.

    Parameters
    ----------
    style : Style

    Examples
    --------
    >>> decimals(Style("formula", 1)), decimals(Style("formula", 1, gain=True))
    ('0.0', '+0.0%;-0.0%;0.0%')
    """
    if style.digits is None:
        return "General"
    places = "0." + "0" * style.digits if style.digits else "0"
    if style.gain:
        return f"+{places}%;-{places}%;{places}%"
    return places + "%" if style.percent else places


def lines_of(text: str, width: float, scale: float = PROSE) -> int:
    """Return how many lines a text takes in a column, whole words a line.

    Parameters
    ----------
    text : str
    width : float
        Of the column [characters].
    scale : float, optional
        How wide a letter is against a digit.

    Examples
    --------
    >>> lines_of("seats, ports, valves (together)", 12.0)
    3
    """
    lines, used = 1, 0.0
    for word in text.split():
        size = len(word) * scale
        if used and used + 1 + size > width:
            lines, used = lines + 1, size
        else:
            used += size + (1 if used else 0)
    return lines


def dress(cell: Any, style: Style) -> None:
    """Give a cell the font, fill, border, alignment and number format of a style.

    Parameters
    ----------
    cell : openpyxl cell
    style : Style
    """
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

    kind = style.kind
    size = {"title": 16, "heading": 12, "quiet": 9}.get(kind, 10)
    ink = {"raw": _RAW_INK, "quiet": _QUIET_INK, "between": _QUIET_INK}.get(kind, "000000")
    cell.font = Font(
        name=_FONT,
        size=size,
        bold=style.bold or kind in ("title", "heading", "header"),
        italic=kind in ("value", "between"),
        color=ink,
    )
    if kind == "value":
        cell.fill = PatternFill("solid", fgColor=_VALUE_FILL)
    if kind == "header":
        cell.border = Border(bottom=Side("thin", color=_LINE))
    elif style.bold:
        cell.border = Border(top=Side("thin", color=_LINE))
    numeric = kind in ("formula", "raw", "value", "between")
    # Words beside numbers stand off a little, or they would touch.
    right = (numeric or kind == "header") and not style.left
    cell.alignment = Alignment(
        horizontal="right" if right else "left",
        vertical="bottom" if kind == "header" else "top",
        wrap_text=style.wrap or None,
        indent=1 if style.left and (style.bold or kind != "header") else 0,
    )
    cell.number_format = decimals(style)
