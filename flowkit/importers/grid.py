"""Any file of a bench to grids of cells with addresses.

A grid holds what the file holds: numbers as numbers, text as it was written, and what
the file says about its cells besides (hidden rows, merged headers, percent formats,
formulas that were never computed). Nothing is interpreted here.
"""

from __future__ import annotations

import datetime
import os
import stat
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from flowkit.errors import SheetError
from flowkit.importers.limits import MAX_FILE_BYTES, megabytes

__all__ = ["CellValue", "Grid", "column_letters", "read_grids"]

CellValue = str | float | bool | datetime.date | datetime.datetime | datetime.time | None
"""What a cell may hold; whole numbers come as float, empty cells as None."""


@cache
def column_letters(column: int) -> str:
    """Return a column's letters in a spreadsheet.

    Parameters
    ----------
    column : int
        Counted from 0.

    Examples
    --------
    >>> column_letters(0), column_letters(25), column_letters(26), column_letters(701), column_letters(702)
    ('A', 'Z', 'AA', 'ZZ', 'AAA')
    """
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells of one worksheet, or of one text file.

    Rows and columns are counted from 0 here, from 1 (and A) in addresses.

    Attributes
    ----------
    file : str
        The file's label in sources.
    sheet : str or None
        The worksheet's name; None for a text file.
    rows : tuple of tuple
        The cells; rows may differ in length, an empty cell is None. A text file gives text only.
    hidden : bool
        Whether the worksheet is hidden.
    hidden_rows, hidden_columns : frozenset of int
    merged : tuple of (first row, first column, last row, last column)
        Merged ranges, ends included; the value stands in the first cell.
    percent_cells : frozenset of (row, column)
        Number cells with a percent format: 0.12 is shown as 12 %.
    formula_gaps : frozenset of (row, column)
        Formula cells for which the file holds no computed value.
    lines : tuple of int or None
        Text: the physical line of each row, from 1.
    comments : tuple of (line, text)
        Text: comment lines, left out of the rows, without their mark.
    delimiter : str or None
        Text: what separates the cells; ``" "`` for columns aligned by spaces.
    decimal_comma : bool or None
        Whether numbers written as text have a decimal comma; None where the cells do not tell.
    """

    file: str
    sheet: str | None
    rows: tuple[tuple[CellValue, ...], ...]
    hidden: bool = False
    hidden_rows: frozenset[int] = frozenset()
    hidden_columns: frozenset[int] = frozenset()
    merged: tuple[tuple[int, int, int, int], ...] = ()
    percent_cells: frozenset[tuple[int, int]] = frozenset()
    formula_gaps: frozenset[tuple[int, int]] = frozenset()
    lines: tuple[int, ...] | None = None
    comments: tuple[tuple[int, str], ...] = ()
    delimiter: str | None = None
    decimal_comma: bool | None = None

    def address(self, row: int, column: int) -> str:
        """Return a cell's address: ``"B7"``, or line and field of a text file.

        Parameters
        ----------
        row, column : int
            Counted from 0.

        Examples
        --------
        >>> Grid("a.xlsx", "ported", ()).address(6, 1)
        'B7'
        >>> Grid("a.csv", None, (("1", "2"),), lines=(12,)).address(0, 1)
        '12:2'
        """
        if self.lines is None:
            return f"{column_letters(column)}{row + 1}"
        line = self.lines[row] if row < len(self.lines) else row + 1
        return f"{line}:{column + 1}"

    def source(self, row: int, column: int) -> str:
        """Return a cell's address with its file and sheet.

        Parameters
        ----------
        row, column : int
            Counted from 0.

        Examples
        --------
        >>> Grid("a.xlsx", "ported", ()).source(6, 1)
        'a.xlsx!ported!B7'
        >>> Grid("a.csv", None, (("1", "2"),), lines=(12,)).source(0, 1)
        'a.csv:12:2'
        """
        if self.lines is None:
            return f"{self.file}!{self.sheet}!{column_letters(column)}{row + 1}"
        return f"{self.file}:{self.address(row, column)}"

    def value(self, row: int, column: int) -> CellValue:
        """Return a cell's value, None outside the grid.

        Parameters
        ----------
        row, column : int
            Counted from 0.

        Examples
        --------
        >>> Grid("a.csv", None, (("1", "2"),), lines=(1,)).value(0, 1)
        '2'
        """
        if 0 <= row < len(self.rows) and 0 <= column < len(self.rows[row]):
            return self.rows[row][column]
        return None


def read_grids(path: str | Path, *, label: str | None = None) -> tuple[Grid, ...]:
    """Read a file into grids, one for each worksheet.

    What the file is, its content tells; its name does not count where the two differ.

    Parameters
    ----------
    path : str or Path
        csv, tsv, txt, xlsx, xlsm, xls or ods.
    label : str, optional
        The file's name in sources; its base name unless given.

    Returns
    -------
    tuple of Grid
        Chart sheets and macro sheets are left out.

    Raises
    ------
    SheetError
        If the file is missing, empty, encrypted, broken, too large or no sheet at all.

    Examples
    --------
    >>> read_grids("sample_sheets/as_received.csv")[0].value(1, 0)
    'Head'
    """
    path = Path(path)
    label = path.name if label is None else label
    data = read_bytes(path, label)
    if data.startswith((b"PK\x03\x04", b"PK\x05\x06", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")):
        from flowkit.importers.workbook import workbook_grids

        return workbook_grids(data, label)
    if data.startswith(b"%PDF-"):
        raise SheetError("this is a PDF, not a sheet", "ask the bench for the sheet itself, as xlsx or csv", file=label)
    suffix = path.suffix.lower()
    if suffix == ".toml":
        raise SheetError(
            "this is a job file, not a sheet",
            "give it to flowkit compare, check or report, which read its sheets",
            file=label,
        )
    from flowkit.importers.text import text_grid

    return (text_grid(data, label, suffix=suffix),)


def read_bytes(path: Path, label: str) -> bytes:
    """Read a whole file, after a look at what it is and how large.

    Parameters
    ----------
    path : Path
        A regular file.
    label : str
        Its name in messages.

    Raises
    ------
    SheetError
        If it is missing, empty, no regular file, larger than the limit, or cannot be opened.

    Examples
    --------
    >>> len(read_bytes(Path("sample_sheets/as_received.csv"), "as_received.csv")) > 100
    True
    """
    try:
        kind = os.stat(path).st_mode  # noqa: PTH116
        if stat.S_ISDIR(kind):
            raise SheetError("this is a folder, not a file", f"name the sheets in it: {path / '*.xlsx'}", file=label)
        if not stat.S_ISREG(kind):
            raise SheetError("this is a device or a pipe, not a file", "save the sheet as a file first", file=label)
        with open(path, "rb") as stream:  # noqa: PTH123
            data = stream.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError as error:
        raise SheetError("there is no such file", "check the name and the folder", file=label) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise SheetError(
            f"the file cannot be opened ({reason})", "check its name and permissions", file=label
        ) from error
    if not data:
        raise SheetError("the file is empty", "ask for it again or export it once more", file=label)
    if len(data) > MAX_FILE_BYTES:
        raise SheetError(
            f"the file is larger than {megabytes(MAX_FILE_BYTES)}, the most flowkit reads",
            "save the bench's sheet on its own, without pictures",
            file=label,
        )
    return data
