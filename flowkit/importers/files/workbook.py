"""A workbook (xlsx, xlsm, xls, ods) to grids: its values by the reader, its facts by its own files."""

from __future__ import annotations

import datetime
import io
import math
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import python_calamine as calamine

from flowkit.errors import SheetError
from flowkit.importers.files.grid import MAX_CELLS, CellValue, Grid, SheetFacts, broken
from flowkit.importers.files.package import ods_facts, package_parts, xlsx_facts
from flowkit.importers.files.text import decimal_comma

_BROKEN = "the file is cut off or broken"
_OTHER_PACKAGES = (
    ("xl/workbook.bin", "this is a binary workbook (xlsb), which flowkit does not read", "save it as xlsx"),
    ("word/document.xml", "this is a text document, not a sheet", "save its table as xlsx or csv"),
    ("ppt/presentation.xml", "this is a presentation, not a sheet", "save its table as xlsx or csv"),
)


def workbook_grids(data: bytes, label: str) -> tuple[Grid, ...]:
    """Read the bytes of a workbook into grids."""
    facts = _facts(data)
    if data.startswith(b"PK"):
        sheets = _sheets(data)
    else:
        from flowkit.importers.files.xls import without_macros

        with _quiet():
            sheets = _sheets(without_macros(data))
    if len(sheets) != len(facts):
        raise broken(_BROKEN)
    shown = calamine.SheetVisibleEnum.Visible
    grids = [
        _grid(sheet, label, meta.name, hidden=meta.visible != shown, facts=fact or SheetFacts())
        for (meta, sheet), fact in zip(sheets, facts, strict=True)
        if sheet is not None
    ]
    if not grids:
        raise SheetError("the file holds no worksheet, only charts or macros", "send the sheet itself")
    return tuple(grids)


def _sheets(data: bytes) -> list[tuple[calamine.SheetMetadata, calamine.CalamineSheet | None]]:
    """Let the reader read every worksheet."""
    try:
        book = calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        return [
            (meta, book.get_sheet_by_index(index) if meta.typ == calamine.SheetTypeEnum.WorkSheet else None)
            for index, meta in enumerate(book.sheets_metadata)
        ]
    except (calamine.CalamineError, OSError, ValueError) as error:
        raise broken(_BROKEN) from error
    except BaseException as error:
        # The reader's own crashes arrive as a panic that is no Exception.
        if type(error).__module__ != "pyo3_runtime":
            raise
        raise broken(_BROKEN) from error


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep off the terminal what the reader writes there by itself when it trips over a broken xls."""
    try:
        kept = os.dup(2)
    except OSError:  # there is no terminal and no file behind it
        yield
        return
    try:
        with open(os.devnull, "wb") as nowhere:  # noqa: PTH123
            os.dup2(nowhere.fileno(), 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def _facts(data: bytes) -> Sequence[SheetFacts | None]:
    """Look at the file's own parts: what it is, how large, and what its cells are besides their values."""
    if not data.startswith(b"PK"):
        from flowkit.importers.files.xls import xls_facts

        return xls_facts(data)
    parts = package_parts(data)
    if "xl/workbook.xml" in parts:
        return xlsx_facts(parts)
    if "content.xml" in parts and b"spreadsheet" in parts.get("mimetype", b"spreadsheet"):
        return ods_facts(parts)
    for part, problem, remedy in _OTHER_PACKAGES:
        if part in parts:
            raise SheetError(problem, remedy)
    raise SheetError("this is a zip archive, not a sheet", "unpack it and give the sheets in it")


def _grid(sheet: calamine.CalamineSheet, label: str, name: str, *, hidden: bool, facts: SheetFacts) -> Grid:
    """Put a worksheet's values and facts together."""
    end = sheet.end
    if end is not None and (end[0] + 1) * (end[1] + 1) > MAX_CELLS:
        raise broken(f"the sheet spans more than the {MAX_CELLS} cells flowkit reads", name)
    rows = tuple([_row(row) for row in sheet.to_python(skip_empty_area=False)])
    if facts.errors:  # the reader has nothing for them, or a text of its own
        changed = [list(row) for row in rows]
        for (row, column), text in facts.errors.items():
            changed += [[] for _ in range(row + 1 - len(changed))]
            changed[row] += [None] * (column + 1 - len(changed[row]))
            changed[row][column] = text
        rows = tuple(map(tuple, changed))
    height, width = len(rows), max(map(len, rows), default=0)
    merged = [  # cut to the sheet's cells; a range outside them, or of one cell, is none
        (top, left, min(bottom, height - 1), min(right, width - 1))
        for top, left, bottom, right in facts.merged or ((*a, *b) for a, b in sheet.merged_cell_ranges or ())
        if 0 <= top < height and 0 <= left < width
    ]
    texts = [cell for row in rows for cell in row if type(cell) is str]
    return Grid(
        label,
        name,
        rows,
        hidden=hidden or facts.hidden,
        hidden_rows=facts.hidden_rows,
        hidden_columns=facts.hidden_columns,
        merged=tuple(m for m in merged if m[2] >= m[0] and m[3] >= m[1] and m[:2] != m[2:]),
        percent_cells=facts.percent_cells,
        struck=facts.struck,
        formula_gaps=facts.formula_gaps,
        decimal_comma=decimal_comma(texts),
    )


def _row(row: Sequence[object]) -> tuple[CellValue, ...]:
    """Return a row's values; most rows are finite numbers throughout, which needs no look at each."""
    if {*map(type, row)} == {float} and math.isfinite(sum(row)):  # type: ignore[arg-type]
        return tuple(row)  # type: ignore[arg-type]
    return tuple([_cell(value) for value in row])


def _cell(value: object) -> CellValue:
    """Return a cell's value: no text is None, numbers are float, and what is not a number is text."""
    if type(value) is float:
        return value if math.isfinite(value) else str(value)
    if type(value) is str:
        return value if value and not value.isspace() else None
    if type(value) is int:
        return float(value)
    if isinstance(value, datetime.timedelta):
        return str(value)
    return value  # type: ignore[return-value]  # the reader gives nothing else
