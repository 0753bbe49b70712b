"""One cell -> a number with its unit, a gap, or text that is neither."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from flowkit.importers.files.grid import CellValue, Grid
from flowkit.importers.words.vocabulary import DATE_FILLERS, GAP_WORDS, MONTH_WORDS, ORDINAL_ENDINGS, PHRASES, fold
from flowkit.units import Quantity, Unit, find_unit, number

GAP_MARKS = frozenset(word for words in GAP_WORDS.values() for word in words)
"""What people write where nothing was measured."""
_QUANTITY = re.compile(
    r"^\s*(?P<number>[-+−–]?(?:\d[\d\s'’.,]*\d|\d|[.,]\d+)[.,]?(?:[eE][-+]?\d+)?)\s*(?P<unit>\D.*)?$", re.DOTALL
)
_LIFT_CELL = re.compile(
    r"(?P<lead>[^\W\d]{3,8})?\s*(?P<number>\d*[.,]?\d+\s*(?:mm|in|inch|thou|\")?)\s*(?P<tail>[^\W\d]{3,8})?"
)
_MARKED = re.compile(
    r"[~≈]?\s*(\d*[.,]?\d+\s*[^\W\d]*(?:/\w+)?)\s*(?:\*+|[†‡]|\(?\?+\)?|\(\*\))|[~≈]\s*(?=\d|[.,]\d)(.+)"
)
_VULGAR = {"½": 1 / 2, "¼": 1 / 4, "¾": 3 / 4, "⅛": 1 / 8, "⅜": 3 / 8, "⅝": 5 / 8, "⅞": 7 / 8}
_FRACTION = re.compile(r"(?:(\d{1,2})[\s-]+)?(\d{1,2})/(\d{1,2})\s*(in\.?|inch|inches|[\"″”]|'')?")
_BOTH_UNITS = re.compile(r"([-+]?[\d.,]+\s*[^\d\s()/=]{1,8})\s*[(\[/=]\s*[\d.,]+\s*[^\d\s()]{1,8}[)\]]?$")
_LEADING_ZERO = re.compile(r"[-+−–]?0[.,]\d+$")
_DECIMAL = re.compile(
    r"^\s*[-+−]?(?:\d{1,3}(?:[.\s]\d{3})*|\d*)(?P<mark>,)(?:\d{1,2}|\d{4,})(?:\s*[^\W\d].*|\s*[\"%°].*)?\s*$"
)
_MONTHS = {
    fold(name): month
    for months in MONTH_WORDS.values()
    for month, names in enumerate(months, start=1)
    for name in names.split()
} | {"jaenner": 1, "maerz": 3}
_FILLERS = frozenset(word for words in DATE_FILLERS.values() for word in words)
_ENDINGS = {fold(ending) for endings in ORDINAL_ENDINGS.values() for ending in endings} - {""}
_DATES = (  # the groups of year, month and day
    ((1, 2, 3), r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})"),
    ((3, 2, 1), r"(\d{1,2})\.\s*(\d{1,2})\.\s*(\d{4})"),
    ((1, 2, 3), r"(\d{4})年\s*(\d{1,2})月\s*(\d{1,2})日"),
)
_DAY_ENDING = re.compile(f"(?<=[0-9])({'|'.join(sorted(_ENDINGS))})$")


class Cell(NamedTuple):
    """A cell as read: its number (None where it holds none), the unit behind it, or the gap mark that it is."""

    value: float | None
    unit: str = ""
    gap: str = ""
    mark: str = ""  # of a footnote or a doubt: 186*, ~126, 121 ?


EMPTY = Cell(None)


def read_cell(value: CellValue, decimal_comma: bool | None = None) -> Cell:
    """Read a cell that should hold a number."""
    if isinstance(value, str):
        return _read_text(value, decimal_comma)
    if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
        return Cell(float(value))
    return EMPTY


@lru_cache(maxsize=4096)
def known_unit(spelled: str, quantities: tuple[Quantity, ...] | None = None) -> Unit | None:
    """Find the unit a text spells, quickly where it was met before."""
    unit = find_unit(spelled, quantities)
    return unit if unit is None or quantities is None or unit.quantity in quantities else None


def plain_numbers(values: Sequence[CellValue], decimal_comma: bool | None) -> list[float] | None:
    """Read a whole column at once, where each cell is a plain number."""
    kinds = set(map(type, values))
    if kinds != {float} and (kinds != {str} or decimal_comma or "_" in "".join(values)):  # type: ignore[arg-type]
        return None
    try:
        numbers = list(map(float, values))  # type: ignore[arg-type]
    except ValueError:
        return None
    return numbers if math.isfinite(sum(numbers)) else None


@lru_cache(maxsize=8192)
def _read_text(text: str, decimal_comma: bool | None) -> Cell:
    """Read a number with its unit, or a gap mark."""
    plain = text.strip()
    if plain.lower() in GAP_MARKS:
        return Cell(None, gap=plain)
    match = _QUANTITY.match(plain)
    if "/" in plain or plain[-1:] in _VULGAR or plain[:1] in _VULGAR:
        fraction = _fraction(plain)
        if fraction is not None:
            return fraction
    if match is None:
        return _marked(plain, decimal_comma)
    if match["unit"] and match["unit"].rstrip("\"″”'.)] \tminch")[-1:].isdigit():
        bracket = _BOTH_UNITS.match(plain)
        if bracket is not None:
            return _read_text(bracket[1], decimal_comma)  # 0.050 in (1.27 mm)
    spelled = (match["unit"] or "").strip()
    shown = spelled in ("Hz", "div") or (spelled == "V" and "." in plain)  # by a meter; "16 V" are valves
    if spelled and not shown and (known_unit(spelled) is None or known_unit(plain) is not None):
        return _marked(plain, decimal_comma)  # no unit, or a unit with a number in it: .001"
    value = _number(match["number"].strip().rstrip(".,"), decimal_comma)
    return EMPTY if value is None else Cell(value, spelled)


def _marked(text: str, decimal_comma: bool | None) -> Cell:
    """Read ``186*`` and ``~126``, numbers with the mark of a footnote or a doubt."""
    named = _LIFT_CELL.fullmatch(text)
    words = [word for word in named.group("lead", "tail") if word] if named else []
    if named and len(words) == 1 and PHRASES.get(fold(words[0]), ("",))[0] == "lift":
        cell = _read_text(named["number"], decimal_comma)  # "2 mm lift", "lift .100"
        return cell if cell.unit or "." in named["number"] else EMPTY
    found = _MARKED.fullmatch(text)
    return _read_text(found[1] or found[2], decimal_comma)._replace(mark=text) if found else EMPTY


def _fraction(text: str) -> Cell | None:
    """Read ``3/16``, ``1 1/8`` or ``⅛``: parts of an inch."""
    if text in _VULGAR:
        return Cell(_VULGAR[text])
    match = _FRACTION.fullmatch(text)
    if match is None or int(match[3]) not in (2, 4, 8, 16, 32, 64) or int(match[2]) >= int(match[3]):
        return None
    return Cell(int(match[1] or 0) + int(match[2]) / int(match[3]), '"' if match[4] else "")


def _number(text: str, decimal_comma: bool | None) -> float | None:
    """Read a number by the mark of its sheet; one with a single reading needs no mark."""
    if _LEADING_ZERO.match(text):
        return number(text)  # 0.350 and 0,350: no group of thousands begins with zero
    value = number(text, decimal_comma=decimal_comma)
    return number(text) if value is None else value


def decimal_comma_of(grid: Grid) -> bool | None:
    """Say whether numbers in a grid's text have a decimal comma, as far as its cells tell."""
    if grid.decimal_comma is not None:
        return grid.decimal_comma
    seen: set[bool] = set()
    for row in grid.rows:
        for value in row:
            if isinstance(value, str) and "," in value:
                match = _DECIMAL.match(value)
                if match is not None:
                    seen.add(match["mark"] == ",")
    return seen.pop() if len(seen) == 1 else None


def as_text(value: CellValue) -> str:
    """Return a cell as a name or a note: whole numbers without a decimal point."""
    if value is None:
        return ""
    if isinstance(value, str):
        return _clean(value)
    if isinstance(value, (datetime.date, datetime.datetime, datetime.time)):
        return iso_date(value) or str(value)
    if isinstance(value, float) and not isinstance(value, bool) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)


@lru_cache(maxsize=4096)
def _clean(text: str) -> str:
    """A text on one line, without what a terminal might obey."""
    if not text.isprintable():
        text = "".join(mark if mark.isprintable() else " " for mark in text)
    return " ".join(text.split())


def iso_date(value: CellValue, order: str | None = None) -> str | None:
    """Return a date as ISO text where it can be read in one way only, else None."""
    if isinstance(value, datetime.datetime):
        return value.date().isoformat()
    if isinstance(value, datetime.date):
        return value.isoformat()
    return _date_of(value.strip(), order) if isinstance(value, str) else None


@lru_cache(maxsize=2048)
def _date_of(text: str, order: str | None) -> str | None:
    """Read a date in text: year first, day.month.year, or with the month in words."""
    text = re.sub(r"[T\s]+\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*(Z|[ap]m|UTC)?$", "", text, flags=re.IGNORECASE)
    for at, pattern in _DATES:
        match = re.fullmatch(pattern, text)
        if match:
            return _checked(*(int(match[group]) for group in at))
    match = re.fullmatch(r"(\d{1,2})[-./](\d{1,2})[-./](\d{2}|\d{4})", text)
    if match:
        first, second, number = int(match[1]), int(match[2]), int(match[3])
        number += 2000 if number < 80 else 1900 if number < 100 else 0
        if first > 12 >= second or first == second or (order == "day" and second <= 12):
            return _checked(number, second, first)
        return _checked(number, first, second) if second > 12 >= first or order == "month" else None
    words = [word for word in fold(text).replace("°", " ").split() if word not in _FILLERS]
    months = [word for word in words if word in _MONTHS]
    digits = [_DAY_ENDING.sub("", word) for word in words if word not in months]
    if len(months) != 1 or len(digits) != 2 or not all(word.isdecimal() for word in digits):
        return None
    day, year = digits if len(digits[1]) == 4 else digits[::-1]
    return _checked(int(year), _MONTHS[months[0]], int(day)) if len(year) == 4 else None


def _checked(year: int, month: int, day: int) -> str | None:
    """ISO text of a date that exists."""
    try:
        return datetime.date(year, month, day).isoformat()
    except ValueError:
        return None
