"""What separates the cells of a text file, and which decimal mark its numbers have."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

__all__ = ["decimal_comma", "find_delimiter", "is_numeric"]

_DELIMITERS = ("\t", ";", "|", ",")
_GAPS = frozenset(("-", "--", "---", "–", "—", "n/a", "na", "nt", "n.t.", "n/t"))
_NUMERIC = re.compile(
    r"""[\s"]*[-+−–]?(?:\d+(?:[.,]\d+|[\s'’]\d{3}(?!\d))*\.?|[.,]\d+)(?:[eE][-+]?\d+)?"""
    r"""\s*(?:[^\d\s;|,.][^\d;|,]{0,8}(?:2O|3/\w{1,3})?)?[\s"]*"""
)
_MANTISSA = re.compile(r"""\s*[-+−–]?([\d.,'’\s]*\d)(?:[eE][-+]?\d+)?\s*(?:[^\d\s;|,.][^;|,]{0,12})?""")
_TOUCHING = re.compile(r"\d\s{2,}\S|\S\s{2,}\d|\d[;|\t]|[;|\t]\d")
_BLANK_BETWEEN_DIGITS = re.compile(r" (?<=\d )\d")
_SAMPLE = 60


def is_numeric(text: str, *, gaps: bool = False) -> bool:
    """Tell whether a cell's text is a number, with or without a short unit.

    Parameters
    ----------
    text : str
        The cell.
    gaps : bool, optional
        Whether the marks for "not tested" count too.

    Examples
    --------
    >>> [is_numeric(text) for text in ("0.350", '.350"', "1 234,5", "212.5 cfm", "Intake 1", "-")]
    [True, True, True, True, False, False]
    """
    return _NUMERIC.fullmatch(text) is not None or (gaps and text.strip().lower() in _GAPS)


def find_delimiter(text: str, lines: Sequence[str]) -> str | None:
    r"""Find what separates a text file's cells.

    The separator is the one that cuts most numbers out of the lines, and a line cut in the
    middle of something that belongs apart counts against it; so ``1,5;30,2`` is cut at the
    semicolon and ``1,5   30,2`` at the blanks.

    Parameters
    ----------
    text : str
        The whole file.
    lines : sequence of str
        Its lines.

    Returns
    -------
    str or None
        ``" "`` for columns aligned by blanks, None where each line is one cell.

    Examples
    --------
    >>> text = "Hub;Fluss\n1,5;30,2\n3,0;61,4"
    >>> find_delimiter(text, text.split("\n"))
    ';'
    """
    present = [mark for mark in _DELIMITERS if mark in text]
    if present == [","] and "  " not in text and not _BLANK_BETWEEN_DIGITS.search(text):
        return ","
    sample = _sample(lines)
    scores = {mark: sum(_score(line.split(mark)) for line in sample if mark in line) for mark in present}
    scores[" "] = sum(_score(line.split()) for line in sample)
    # A title or a unit may hold blanks; they separate only where nothing else does as well.
    best = max(scores, key=lambda mark: scores[mark])
    if scores[best] > 0:
        return best
    return present[0] if present else None


def _sample(lines: Sequence[str]) -> list[str]:
    """Take the lines that begin with a number; where there are none, those that hold one."""
    leading = [line for line in lines if line.lstrip(' "')[:1] in tuple("0123456789.,-+−") and line.strip()]
    if len(leading) < 2:
        leading = [line for line in lines if any(c.isdigit() for c in line) and line.lstrip()[:1] != "#"]
    return leading[:_SAMPLE]


def _score(cells: list[str]) -> int:
    """Count the numbers a line was cut into, less the cells that should have been cut again."""
    if len(cells) < 2:
        return 0
    return sum(1 for cell in cells if _NUMERIC.fullmatch(cell)) - sum(1 for cell in cells if _TOUCHING.search(cell))


def decimal_comma(cells: Iterable[str]) -> bool | None:
    """Tell from all cells together whether their numbers have a decimal comma.

    Parameters
    ----------
    cells : iterable of str
        Cells with text in them.

    Returns
    -------
    bool or None
        None where no number tells, or where some say one thing and some the other.

    Examples
    --------
    >>> decimal_comma(["1,234", "0,35"]), decimal_comma(["1,234.5"]), decimal_comma(["1,234"])
    (True, False, None)
    """
    seen: set[bool] = set()
    for cell in cells:
        if "," not in cell and "." not in cell:
            continue
        match = _MANTISSA.fullmatch(cell)
        if match:
            told = _mark_of(re.sub(r"[\s'’]", "", match[1]))
            if told is not None:
                seen.add(told)
    return seen.pop() if len(seen) == 1 else None


def _mark_of(number: str) -> bool | None:
    """Tell whether one number's decimal mark is the comma; None where it does not show."""
    comma, dot = number.count(","), number.count(".")
    if comma and dot:
        return number.rfind(",") > number.rfind(".")
    mark = "," if comma else "."
    lead, _, tail = number.rpartition(mark)
    if comma + dot > 1:
        # Several of one mark group thousands, so the other one is the decimal mark: 1,234,567.
        grouped = all(len(part) == 3 for part in number.split(mark)[1:])
        return (mark == ".") if grouped else None
    if len(tail) == 3 and lead not in ("", "0") and len(lead) <= 3:
        return None
    return mark == ","
