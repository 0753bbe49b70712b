"""A text file to a grid: lines, comments, cells, each with its physical line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache

from flowkit.errors import SheetError
from flowkit.importers.decode import check_width, decode_text, text_lines
from flowkit.importers.delimiters import decimal_comma, find_delimiter, is_numeric
from flowkit.importers.grid import Grid
from flowkit.importers.limits import MAX_CELLS, MAX_COLUMNS, MAX_QUOTED_LINES

__all__ = ["text_grid"]

TextRow = tuple[str | None, ...]

_RULE = re.compile(r"[-=+|:_\s]*(?:---|===|___)[-=+|:_\s]*")
_PACKAGES = {".xlsx": "xlsx", ".xlsm": "xlsm", ".ods": "ods"}


def text_grid(data: bytes, label: str, *, suffix: str = "") -> Grid:
    r"""Read the bytes of a text file into a grid.

    Blank lines are kept as empty rows, comment lines (``#``, and ``;`` where it does not
    separate cells) are set aside with their line.

    Parameters
    ----------
    data : bytes
        The whole file.
    label : str
        Its name in sources and messages.
    suffix : str, optional
        The ending of its name; one that promises a spreadsheet package is not believed
        to be text by accident.

    Raises
    ------
    SheetError
        If it is no text, too large, or cannot be cut into cells in one way.

    Examples
    --------
    >>> grid = text_grid(b"# made up\nLift;Flow\n1,5;30,2\n", "a.csv")
    >>> grid.rows, grid.lines, grid.comments, grid.delimiter, grid.decimal_comma
    ((('Lift', 'Flow'), ('1,5', '30,2')), (2, 3), ((1, 'made up'),), ';', True)
    """
    if suffix in _PACKAGES:
        raise SheetError(
            f"its name ends in {suffix}, but its content is no {_PACKAGES[suffix]} file",
            "open it in the spreadsheet program and save it again; if it is text, rename it to .csv",
            file=label,
        )
    text = decode_text(data, label)
    _refuse_markup(text, label)
    lines = text_lines(text, label)
    delimiter, body = _stated_delimiter(lines)
    if delimiter is None:
        delimiter = find_delimiter(text, lines)
    plain = delimiter in (",", ";", "\t") and not ('"' in text or "#" in text or (";" in text and delimiter != ";"))
    rows, numbers, comments = (_cut_plain if plain else _cut)(lines, body, delimiter, label)
    rows, numbers, comments = _header_from_comment(rows, numbers, comments, delimiter)
    _check_size(rows, label)
    if delimiter == "," and '"' not in text:
        _refuse_doubtful_commas(rows, numbers, label)
        comma: bool | None = False
    else:
        comma = decimal_comma([cell for row in rows for cell in row if cell])
    return Grid(
        label,
        None,
        tuple(rows),
        lines=tuple(numbers),
        comments=tuple(comments),
        delimiter=delimiter,
        decimal_comma=comma,
    )


def _refuse_markup(text: str, label: str) -> None:
    """Refuse web pages and XML, which some programs write under a spreadsheet's name."""
    start = text[:200].lstrip().lower()
    if start.startswith(("<html", "<!doctype", "<?xml", "<table", "{\\rtf")):
        raise SheetError(
            "this is a web page, XML or a text processor's file, not a sheet",
            "open it in the spreadsheet program and save it as xlsx or csv",
            file=label,
        )


def _stated_delimiter(lines: Sequence[str]) -> tuple[str | None, int]:
    """Read a first line like ``sep=;`` that some programs write; return it and where the rest begins."""
    match = re.fullmatch(r'"?sep=([,;|\t])"?', lines[0].rstrip(" "), re.IGNORECASE)
    return (match[1], 1) if match else (None, 0)


def _cut_plain(
    lines: list[str], body: int, delimiter: str | None, label: str
) -> tuple[list[TextRow], list[int], list[tuple[int, str]]]:
    """Cut lines that have neither quotes nor comments, which is quick."""
    mark = delimiter or ","
    rows = []
    for line in lines[body:]:
        blanks = " " in line or "\t" in line or not line.isascii()
        if blanks or not line or mark + mark in line or line[0] == mark or line[-1] == mark:
            rows.append(_row(line.split(mark), blanks=blanks))
        else:
            rows.append(tuple(line.split(mark)))
    for number, row in enumerate(rows, body + 1):
        if len(row) > MAX_COLUMNS:
            check_width(len(row), number, label)
    return rows, list(range(body + 1, len(lines) + 1)), []


def _cut(
    lines: list[str], body: int, delimiter: str | None, label: str
) -> tuple[list[TextRow], list[int], list[tuple[int, str]]]:
    """Cut lines into rows of cells; return rows, their physical lines, and the comments."""
    marks = ("#",) if delimiter == ";" else ("#", ";")
    if delimiter == " ":
        from flowkit.importers.aligned import aligned_rows

        comments = [(n, _uncommented(line)) for n, line in enumerate(lines, 1) if line.lstrip()[:1] in ("#", ";")]
        skipped = {n for n, _ in comments}
        kept = [(n, line) for n, line in enumerate(lines, 1) if n not in skipped and n > body]
        numbers = [n for n, _ in kept]
        return aligned_rows([line for _, line in kept], numbers, label), numbers, comments
    rows: list[TextRow] = []
    numbers = []
    comments = []
    index = body
    while index < len(lines):
        line, number = lines[index], index + 1
        index += 1
        if line.lstrip().startswith(marks):
            comments.append((number, _uncommented(line)))
            continue
        if '"' in line and delimiter is not None:
            cells, index = _quoted(lines, index - 1, delimiter)
        elif delimiter == "|" and _RULE.fullmatch(line):
            cells = []
        else:
            cells = line.split(delimiter) if delimiter else [line]
        row = _row(cells, blanks=" " in line or "\t" in line or not line.isascii())
        check_width(len(row), number, label)
        rows.append(row)
        numbers.append(number)
    return rows, numbers, comments


def _uncommented(line: str) -> str:
    """Drop a comment's mark."""
    return line.strip().lstrip("#;").strip()


def _row(cells: list[str], *, blanks: bool = True) -> TextRow:
    """Make empty and blank cells None and drop those at the end; `blanks` says whether any may be blank."""
    if blanks:
        row = [cell if cell and not cell.isspace() else None for cell in cells]
    else:
        row = [cell or None for cell in cells]
    while row and row[-1] is None:
        row.pop()
    return tuple(row)


@cache
def _cell_pattern(delimiter: str) -> re.Pattern[str]:
    """Return the pattern of one cell: quoted up to a quote that ends the cell, or plain.

    A quote that is never closed so, or that stands before a word for water or mercury, is
    what it mostly is on a bench sheet: inches.
    """
    end = rf"(?={re.escape(delimiter)}|\n|\Z)"
    inches = rf"(?!(?:H2O|H20|Hg|W\.?C\.?|W\.?G\.?|water)[ ]*[)\]]?[ ]*{end})"
    return re.compile(rf'[ ]*"{inches}((?:[^"]++|"")*+)"[ ]*{end}|([^{re.escape(delimiter)}\n]*)', re.IGNORECASE)


def _quoted(lines: list[str], index: int, delimiter: str) -> tuple[list[str], int]:
    """Cut a line with quotes, and the lines its quoted cells run over; return the cells and the next line."""
    match_cell = _cell_pattern(delimiter).match
    text, wider = lines[index], ""
    cells: list[str] = []
    position = 0
    while match := match_cell(text, position):
        if match[1] is None and match[0].lstrip(" ").startswith('"') and text is not wider:
            # The quote may close on a later line.
            wider = wider or "\n".join(lines[index : index + MAX_QUOTED_LINES])
            again = match_cell(wider, position)
            if again and again[1] is not None:
                match, text = again, wider
        cells.append(match[2] if match[1] is None else match[1].replace('""', '"'))
        position = match.end()
        if position >= len(text) or text[position] == "\n":
            break
        position += 1
    return cells, index + 1 + text.count("\n", 0, position)


def _header_from_comment(
    rows: list[TextRow], numbers: list[int], comments: list[tuple[int, str]], delimiter: str | None
) -> tuple[list[TextRow], list[int], list[tuple[int, str]]]:
    """Take a comment right above a table of bare numbers, cut into as many words, for its header."""
    first = next((i for i, row in enumerate(rows) if row), None)
    if first is None or not comments or delimiter is None:
        return rows, numbers, comments
    line, text = comments[-1]
    if line != numbers[first] - 1 or not all(cell and is_numeric(cell) for cell in rows[first]):
        return rows, numbers, comments
    cells = re.split(r" {2,}", text) if delimiter == " " else text.split(delimiter)
    if len(cells) != len(rows[first]) and delimiter == " ":
        cells = text.split()
    if len(cells) != len(rows[first]) or len(cells) < 2 or any(is_numeric(cell) for cell in cells):
        return rows, numbers, comments
    rows = [*rows[:first], _row(cells), *rows[first:]]
    return rows, [*numbers[:first], line, *numbers[first:]], comments[:-1]


def _check_size(rows: list[TextRow], label: str) -> None:
    """Hold the limit on cells."""
    if sum(map(len, rows)) > MAX_CELLS:
        raise SheetError(
            f"the file has more than {MAX_CELLS} cells, the most flowkit reads",
            "send the bench's table alone",
            file=label,
        )


def _refuse_doubtful_commas(rows: list[TextRow], numbers: list[int], label: str) -> None:
    """Refuse a table whose comma is both separator and decimal mark: ``Lift,Flow`` over ``1,5,30,2``."""
    above: TextRow = ()
    for at, row in enumerate(rows):
        if len(row) > len(above) >= 2 and all(cell and not is_numeric(cell, gaps=True) for cell in above):
            # Every figure with a decimal comma makes two cells of one.
            below = rows[at : at + 3]
            longer = all(1.5 * len(above) <= len(cells) <= 2 * len(above) for cells in below)
            if longer and all(cell and cell.strip().isdigit() for cells in below for cell in cells):
                raise SheetError(
                    "the comma seems to be both the decimal mark and what separates the cells",
                    "export the sheet again with semicolons, or with a decimal point",
                    file=label,
                    cell=f"{numbers[at]}:1",
                )
        above = row or above
