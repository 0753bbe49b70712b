"""A workbook to grids (first cut)."""

from __future__ import annotations

import io

from python_calamine import CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

from flowkit.importers.grid import Grid

__all__ = ["workbook_grids"]


def workbook_grids(data: bytes, label: str) -> tuple[Grid, ...]:
    """Read the bytes of a workbook into grids."""
    grids = []
    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    for index, meta in enumerate(book.sheets_metadata):
        if meta.typ is not SheetTypeEnum.WorkSheet:
            continue
        sheet = book.get_sheet_by_index(index)
        rows = tuple(
            tuple(None if cell == "" else float(cell) if type(cell) is int else cell for cell in row)
            for row in sheet.to_python(skip_empty_area=False)
        )
        merged = tuple((a, b, c, d) for (a, b), (c, d) in sheet.merged_cell_ranges or ())
        grids.append(Grid(label, meta.name, rows, hidden=meta.visible is not SheetVisibleEnum.Visible, merged=merged))  # type: ignore[arg-type]
    return tuple(grids)
