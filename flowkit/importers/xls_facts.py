"""Facts of an xls workbook: sizes, hidden rows and columns, percent formats, formulas, errors.

Records and their fields: [MS-XLS] Excel Binary File Format, sections 2.4 (records) and
2.5.133 (FormulaValue).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from flowkit.errors import SheetError
from flowkit.importers.facts import Cell, SheetFacts, check_extent
from flowkit.importers.limits import MAX_CELLS_IN_FILE, MAX_SHEETS
from flowkit.importers.ole import CompoundFile

__all__ = ["without_macros", "xls_facts"]

_FORMULA, _EOF, _FILEPASS, _COLINFO, _BOUNDSHEET, _MULRK, _XF = 0x06, 0x0A, 0x2F, 0x7D, 0x85, 0xBD, 0xE0
_SST, _DIMENSIONS, _NUMBER, _BOOLERR, _ROW, _RK, _FORMAT = 0xFC, 0x200, 0x203, 0x205, 0x208, 0x27E, 0x41E
_CELLS = {_FORMULA, _NUMBER, _BOOLERR, _RK, 0x204, 0xFD, 0xD6}  # and LABEL, LABELSST, RSTRING
_NUMBERS = (_FORMULA, _NUMBER, _RK)
_ERRORS = {0: "#NULL!", 7: "#DIV/0!", 15: "#VALUE!", 23: "#REF!", 29: "#NAME?", 36: "#NUM!", 42: "#N/A"}
_WORKSHEET = 0
_PERCENT_BUILTIN = (9, 10)

Record = tuple[int, bytes]


@dataclass(slots=True)
class _Globals:
    """What the workbook's own records say."""

    sheets: list[tuple[str, int, int]] = field(default_factory=list)  # name, kind, where its records begin
    percent_formats: set[int] = field(default_factory=lambda: set(_PERCENT_BUILTIN))
    styles: list[int] = field(default_factory=list)


@dataclass(slots=True)
class _Sheet:
    """What one sheet's records say."""

    rows: int = 0
    columns: int = 0
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    percent_cells: set[Cell] = field(default_factory=set)
    formulas: set[Cell] = field(default_factory=set)
    blanks: set[Cell] = field(default_factory=set)
    errors: dict[Cell, str] = field(default_factory=dict)


def xls_facts(data: bytes, label: str) -> tuple[SheetFacts | None, ...]:
    """Collect the facts of every worksheet, and hold the limits.

    Parameters
    ----------
    data : bytes
        The whole file.
    label : str
        Its name in messages.

    Returns
    -------
    tuple of SheetFacts or None
        In the workbook's order; None for a sheet of another kind.

    Raises
    ------
    SheetError
        If the file is encrypted, broken, no workbook, or a sheet larger than the limits.
    """
    compound = CompoundFile(data, label)
    if "EncryptedPackage" in compound:
        raise _encrypted(label)
    name = next((name for name in ("Workbook", "Book") if name in compound), None)
    if name is None:
        raise SheetError(
            "this is an old binary document, but no spreadsheet", "save the sheet as xlsx or csv", file=label
        )
    stream = compound.stream(name)
    book = _read_globals(stream, label)
    if len(book.sheets) > MAX_SHEETS:
        raise SheetError(
            f"the file has {len(book.sheets)} sheets; flowkit reads up to {MAX_SHEETS}",
            "split it into several files",
            file=label,
        )
    percent = {nth for nth, number_format in enumerate(book.styles) if number_format in book.percent_formats}
    facts: list[SheetFacts | None] = []
    cells = 0
    for sheet_name, kind, start in book.sheets:
        sheet = _read_sheet(stream, start, percent, label=label, sheet_name=sheet_name)
        check_extent(sheet.rows, sheet.columns, label, sheet_name)
        cells += sheet.rows * sheet.columns
        if cells > MAX_CELLS_IN_FILE:
            raise SheetError(
                f"the file's sheets span more than the {MAX_CELLS_IN_FILE} cells flowkit reads",
                "split it into several files",
                file=label,
            )
        facts.append(_facts(sheet) if kind == _WORKSHEET else None)
    return tuple(facts)


def without_macros(data: bytes) -> bytes:
    """Hide a workbook's macros from the reader, which would unpack them all whatever their size.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    bytes
        Of the same length.

    Examples
    --------
    >>> without_macros("_VBA_PROJECT_CUR".encode("utf-16-le")).decode("utf-16-le")
    'xVBA_PROJECT_CUR'
    """
    name = "_VBA_PROJECT_CUR".encode("utf-16-le")
    return data.replace(name, b"x" + name[1:])


def _encrypted(label: str) -> SheetError:
    """Return the error for a file with a password."""
    return SheetError("the file is encrypted", "save it without a password in the spreadsheet program", file=label)


def _broken(how: str, label: str) -> SheetError:
    """Return the error for a file that contradicts itself."""
    return SheetError(
        f"the file is broken: {how}", "open it in the spreadsheet program and save it again as xlsx", file=label
    )


def _facts(sheet: _Sheet) -> SheetFacts:
    """Return a sheet's facts; formulas that are blank one and all were never computed."""
    return SheetFacts(
        hidden_rows=frozenset(sheet.hidden_rows),
        hidden_columns=frozenset(sheet.hidden_columns),
        percent_cells=frozenset(sheet.percent_cells),
        formula_gaps=frozenset(sheet.formulas if sheet.blanks == sheet.formulas else ()),
        errors=sheet.errors,
    )


def _records(stream: bytes, start: int) -> Iterator[Record]:
    """Yield a substream's records, from its beginning to its end mark."""
    depth = 0
    at = start
    while at + 4 <= len(stream):
        kind, length = struct.unpack_from("<HH", stream, at)
        yield kind, stream[at + 4 : at + 4 + length]
        # Charts within a sheet are substreams of their own, inside it.
        depth += (kind & 0xFF == 0x09) - (kind == _EOF)
        if kind == _EOF and depth <= 0:
            return
        at += 4 + length


def _read_globals(stream: bytes, label: str) -> _Globals:
    """Read the workbook's own records."""
    book = _Globals()
    for kind, body in _records(stream, 0):
        if kind == _FILEPASS:
            raise _encrypted(label)
        if kind == _BOUNDSHEET and len(body) >= 8:
            start, _, sheet_kind, length, wide = struct.unpack_from("<IBBBB", body)
            raw = body[8 : 8 + length * (2 if wide & 1 else 1)]
            name = raw.decode("utf-16-le" if wide & 1 else "latin-1", errors="replace")
            book.sheets.append((name, sheet_kind, start))
        elif kind == _FORMAT and len(body) >= 5:
            text = body[5:].decode("utf-16-le" if body[4] & 1 else "latin-1", errors="replace")
            if "%" in text:
                book.percent_formats.add(int.from_bytes(body[:2], "little"))
        elif kind == _SST and (len(body) < 8 or int.from_bytes(body[4:8], "little") > len(stream)):
            # The reader makes room for as many texts as are promised here.
            raise _broken("it promises more texts than it can hold", label)
        elif kind == _XF and len(body) >= 4:
            book.styles.append(int.from_bytes(body[2:4], "little"))
    return book


def _read_sheet(stream: bytes, start: int, percent: set[int], *, label: str, sheet_name: str) -> _Sheet:
    """Read one sheet's records."""
    sheet = _Sheet()
    for kind, body in _records(stream, start):
        if kind == _FILEPASS:
            raise _encrypted(label)
        if kind in _CELLS and len(body) >= 6:
            _take_cell(sheet, kind, body, percent)
        elif kind == _DIMENSIONS and len(body) >= 10:
            # Not to be believed, but the reader makes room for it.
            first_row, rows, first, columns = struct.unpack_from("<IIHH" if len(body) >= 14 else "<HHHH", body)
            if first_row > rows or first > columns:
                raise _broken("its sheet ends before it begins", label)
            check_extent(rows, columns, label, sheet_name)
        elif kind == _MULRK and len(body) >= 6:
            row, first = struct.unpack_from("<HH", body)
            sheet.rows = max(sheet.rows, row + 1)
            sheet.columns = max(sheet.columns, first + (len(body) - 6) // 6)
            for nth in range((len(body) - 6) // 6):
                if int.from_bytes(body[4 + 6 * nth : 6 + 6 * nth], "little") in percent:
                    sheet.percent_cells.add((row, first + nth))
        elif kind == _ROW and len(body) >= 16:
            row, flags = struct.unpack_from("<H10xH", body)
            if flags & 0x20:
                sheet.hidden_rows.add(row)
        elif kind == _COLINFO and len(body) >= 10:
            first, last, _, _, flags = struct.unpack_from("<HHHHH", body)
            if flags & 1:
                sheet.hidden_columns.update(range(first, min(last, 255) + 1))
    return sheet


def _take_cell(sheet: _Sheet, kind: int, body: bytes, percent: set[int]) -> None:
    """Take one cell's record."""
    row, column, style = struct.unpack_from("<HHH", body)
    sheet.rows, sheet.columns = max(sheet.rows, row + 1), max(sheet.columns, column + 1)
    if kind in _NUMBERS and style in percent:
        sheet.percent_cells.add((row, column))
    if kind == _BOOLERR and len(body) >= 8 and body[7]:
        sheet.errors[row, column] = _ERRORS.get(body[6], "#VALUE!")
    elif kind == _FORMULA and len(body) >= 14:
        sheet.formulas.add((row, column))
        if body[12:14] == b"\xff\xff":
            if body[6] == 2:
                sheet.errors[row, column] = _ERRORS.get(body[8], "#VALUE!")
            elif body[6] == 3:
                sheet.blanks.add((row, column))
