"""What a sheet holds and the reading leaves out: hidden rows and columns, formulas without a value."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from flowkit.importers.files.grid import Grid
from flowkit.importers.kinds import LEFT_OUT
from flowkit.model import Finding

if TYPE_CHECKING:
    from flowkit.importers.sheet import SheetReading

__all__ = ["formula_gaps", "hidden_content"]

SHOWN = 5  # cells named one by one before the rest are counted


def hidden_content(grid: Grid) -> list[Finding]:
    """Report hidden rows and columns that hold something.

    Parameters
    ----------
    grid : Grid

    Examples
    --------
    >>> grid = Grid("a.xlsx", "S", ((1.0, 2.0),), hidden_columns=frozenset({1}))
    >>> hidden_content(grid)[0].where
    'a.xlsx!S!B1'
    """
    rows = [
        row for row in sorted(grid.hidden_rows) if row < len(grid.rows) and any(v is not None for v in grid.rows[row])
    ]
    columns = [
        column
        for column in sorted(grid.hidden_columns)
        if any(column < len(row) and row[column] is not None for row in grid.rows)
    ]
    found = []
    if rows:
        found.append(_hidden("row", rows, grid.source(rows[0], 0)))
    if columns:
        found.append(_hidden("column", columns, grid.source(0, columns[0])))
    return found


def _hidden(name: str, places: Sequence[int], where: str) -> Finding:
    """Say that hidden rows or columns were left out."""
    count = (
        f"{len(places)} hidden {name}s hold values and were"
        if len(places) > 1
        else f"a hidden {name} holds values and was"
    )
    what = f"{count} left out; show it and read the sheet again if it belongs to the test"
    return Finding("hidden-content", "warning", where, what)


def formula_gaps(reading: SheetReading) -> list[Finding]:
    """Report formulas without a computed value where a value was wanted.

    Parameters
    ----------
    reading : SheetReading
    """
    grid = reading.grid
    if not grid.formula_gaps:
        return []
    unwanted: set[tuple[int, int]] = set()
    for entry in reading.tables:
        table = entry.table
        columns = [column.index for column in entry.columns if column.kind in LEFT_OUT or column.role == "ignored"]
        unwanted |= {table.view.place(row, index) for index in columns for row in range(table.first, table.last + 1)}
        rows = [row for row, label in table.named.items() if label.kind in LEFT_OUT]
        unwanted |= {table.view.place(row, index) for row in rows for index in range(table.left, table.right + 1)}
    cells = sorted(grid.formula_gaps - unwanted)
    found = [
        Finding(
            "not-a-number",
            "error",
            grid.source(*cell),
            "this formula has no computed value in the file; open and save it in the spreadsheet program",
        )
        for cell in cells[:SHOWN]
    ]
    if len(cells) > SHOWN:
        rest = f"{len(cells) - SHOWN} more formulas of this sheet have no computed value"
        what = f"{rest}; open and save it in the spreadsheet program"
        found.append(Finding("not-a-number", "error", grid.source(*cells[SHOWN]), what))
    return found
