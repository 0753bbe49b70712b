"""Grids of cells with addresses, and how much of a file is read into them."""

from __future__ import annotations

import datetime
import os
import stat
from collections.abc import Set
from dataclasses import dataclass, field
from functools import cache, reduce
from pathlib import Path

from flowkit.errors import SheetError

MAX_FILE_BYTES = 50_000_000  # Size of a workbook or PDF file on disk; pictures in a workbook count here
MAX_TEXT_BYTES = 10_000_000  # Size of a text file
MAX_LINE_CHARACTERS = 200_000  # Length of one line of text
MAX_QUOTED_LINES = 50  # Lines one quoted cell of a text file may run over
MAX_ARCHIVE_MEMBERS = 5_000  # Parts in a workbook's package
MAX_PART_BYTES = 20_000_000  # Inflated size of one part of a workbook's package that has to be read
MAX_INFLATED_BYTES = 40_000_000  # Inflated size of all parts of a workbook's package that have to be read
MAX_SHEETS = 1_000  # Worksheets in a workbook
MAX_ROWS = 50_000  # Rows of a sheet, down to its last filled cell
MAX_COLUMNS = 1_000  # Columns of a sheet, up to its last filled cell
MAX_CELLS = 200_000  # Cells of a sheet: rows times columns up to its last filled cell, empty ones included
MAX_CELLS_IN_FILE = 500_000  # Cells of all sheets of a workbook together, counted in the same way
MAX_TEXT_IN_CELLS = 20_000_000  # Characters in all cells of a sheet together, repeated texts counted each time
# What a cell may hold; whole numbers come as float, empty cells as None.
CellValue = str | float | bool | datetime.date | datetime.datetime | datetime.time | None
Cell = tuple[int, int]  # Row and column, from 0
SAVE_AGAIN = "open it in the spreadsheet program and save it again"


def megabytes(size: int) -> str:
    """Write a size in bytes as people say it."""
    return f"{size / 1e6:.0f} MB"


@cache
def column_number(letters: str) -> int:
    """Return a column's number, from 1."""
    return reduce(lambda number, letter: number * 26 + ord(letter) - 64, letters.upper(), 0)


def column_letters(column: int) -> str:
    """Return a column's letters in a spreadsheet."""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells of one worksheet, or of one text file; rows and columns from 0 here, from 1 (and A) in addresses."""

    file: str  # as sources name it
    sheet: str | None  # None for a text file
    rows: tuple[tuple[CellValue, ...], ...]  # may differ in length; an empty cell is None, a text file gives text only
    hidden: bool = False
    hidden_rows: Set[int] = frozenset()
    hidden_columns: Set[int] = frozenset()
    merged: tuple[tuple[int, int, int, int], ...] = ()  # ends included; the value is in the first cell
    percent_cells: Set[tuple[int, int]] = frozenset()  # 0.12 is shown as 12 %
    formula_gaps: Set[tuple[int, int]] = frozenset()  # formulas without a computed value
    struck: Set[tuple[int, int]] = frozenset()  # withdrawn by whoever wrote them
    lines: tuple[int, ...] | None = None  # text: the physical line of each row, from 1
    pages: tuple[tuple[int, int], ...] | None = None  # text of pages: page and line of each row
    sheets: tuple[str, ...] = ()  # names of all worksheets of the file
    comments: tuple[tuple[int, str], ...] = ()  # text: lines left out of the rows, without their mark
    stray: tuple[tuple[int, int, int], ...] = ()  # text: row, column and code of control characters
    delimiter: str | None = None  # text: " " for columns aligned by spaces
    decimal_comma: bool | None = None  # None where the cells do not tell

    def address(self, row: int, column: int) -> str:
        """Return a cell's address: ``"B7"``, or line and field of a text file."""
        if self.lines is None:
            return f"{column_letters(column)}{row + 1}"
        if self.pages is not None and row < len(self.pages):
            page, line = self.pages[row]
            return f"p{page}:{line}:{column + 1}"
        line = self.lines[row] if row < len(self.lines) else row + 1
        return f"{line}:{column + 1}"

    def source(self, row: int, column: int) -> str:
        """Return a cell's address with its file and sheet."""
        if self.lines is None:
            return f"{self.file}!{self.sheet}!{column_letters(column)}{row + 1}"
        return f"{self.file}:{self.address(row, column)}"

    def value(self, row: int, column: int) -> CellValue:
        """Return a cell's value, None outside the grid."""
        if 0 <= row < len(self.rows) and 0 <= column < len(self.rows[row]):
            return self.rows[row][column]
        return None


def read_bytes(path: Path) -> bytes:
    """Read a whole file, after a look at what it is and how large."""
    try:
        found = os.stat(path)  # noqa: PTH116
        if stat.S_ISDIR(found.st_mode):
            raise SheetError("this is a folder, not a file", f"name the sheets in it: {path / '*.xlsx'}")
        if not stat.S_ISREG(found.st_mode):
            raise SheetError("this is a device or a pipe, not a file", "save the sheet as a file first")
        data = b""
        if found.st_size <= MAX_FILE_BYTES:
            with open(path, "rb") as stream:  # noqa: PTH123
                data = stream.read()
    except FileNotFoundError as error:
        raise SheetError("there is no such file", "check the name and the folder") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise SheetError(f"the file cannot be opened ({reason})", "check its name and permissions") from error
    if max(found.st_size, len(data)) > MAX_FILE_BYTES:
        what = f"the file is larger than {megabytes(MAX_FILE_BYTES)}, the most flowkit reads"
        raise SheetError(what, "save the bench's sheet on its own, without pictures")
    if not data:
        raise SheetError("the file is empty", "ask for it again or export it once more")
    return data


@dataclass(slots=True)
class SheetFacts:
    """What a pass over a worksheet's own file collects; rows and columns count from 0."""

    hidden: bool = False
    rows: int = 0  # down to its last filled cell
    columns: int = 0
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    percent_cells: set[Cell] = field(default_factory=set)
    struck: set[Cell] = field(default_factory=set)
    formulas: set[Cell] = field(default_factory=set)
    formula_gaps: set[Cell] = field(default_factory=set)
    errors: dict[Cell, str] = field(default_factory=dict)

    def reach(self, row: int, column: int) -> None:
        """Count a filled cell to the sheet's size."""
        self.rows, self.columns = max(self.rows, row + 1), max(self.columns, column + 1)


def broken(problem: str, sheet: str | None = None) -> SheetError:
    """Return the error for a workbook that contradicts itself."""
    return SheetError(problem, f"{SAVE_AGAIN} as xlsx", sheet=sheet)


def encrypted() -> SheetError:
    """Return the error for a workbook with a password."""
    return SheetError("the file is encrypted", "save it without a password in the spreadsheet program")


def check_sheets(sheets: int, cells: int) -> None:
    """Hold the limits on a workbook's worksheets and on their cells together."""
    problem = None
    if sheets > MAX_SHEETS:
        problem = f"the file has {sheets} sheets; flowkit reads up to {MAX_SHEETS}"
    elif cells > MAX_CELLS_IN_FILE:
        problem = f"the file's sheets span {cells} cells; flowkit reads {MAX_CELLS_IN_FILE} cells"
    if problem:
        raise SheetError(problem, "split it into several files")


def check_extent(rows: int, columns: int, sheet: str | None) -> None:
    """Hold the limits on a sheet's size, before its cells are read."""
    remedy = "delete what is far away from the table and save the sheet again"
    if rows > MAX_ROWS:
        raise SheetError(f"the sheet reaches down to row {rows}; flowkit reads {MAX_ROWS} rows", remedy, sheet=sheet)
    if columns > MAX_COLUMNS:
        what = f"the sheet reaches out to column {columns}; flowkit reads {MAX_COLUMNS} columns"
        raise SheetError(what, remedy, sheet=sheet)
    if rows * columns > MAX_CELLS:
        raise SheetError(f"the sheet spans {rows} × {columns} cells; flowkit reads {MAX_CELLS}", remedy, sheet=sheet)
