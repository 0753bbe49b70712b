"""What a workbook's own files say about its cells besides their values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from flowkit.errors import SheetError
from flowkit.importers.limits import MAX_CELLS, MAX_COLUMNS, MAX_ROWS

__all__ = ["Cell", "Extent", "SheetFacts", "check_extent"]

Cell = tuple[int, int]
"""Row and column, from 0."""

Extent = tuple[int, int]
"""Rows and columns down to the last filled cell."""


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """The facts of one worksheet; rows and columns count from 0.

    Attributes
    ----------
    hidden : bool
        Whether the sheet is hidden, where the reader cannot tell.
    hidden_rows, hidden_columns : frozenset of int
    merged : tuple of (first row, first column, last row, last column)
        Where the reader cannot tell.
    percent_cells, formula_gaps : frozenset of (row, column)
    errors : mapping
        Cell to its error value, such as ``"#DIV/0!"``.
    """

    hidden: bool = False
    hidden_rows: frozenset[int] = frozenset()
    hidden_columns: frozenset[int] = frozenset()
    merged: tuple[tuple[int, int, int, int], ...] = ()
    percent_cells: frozenset[Cell] = frozenset()
    formula_gaps: frozenset[Cell] = frozenset()
    errors: Mapping[Cell, str] = field(default_factory=dict)


def check_extent(rows: int, columns: int, label: str, sheet: str | None) -> None:
    """Hold the limits on a sheet's size, before its cells are read.

    Parameters
    ----------
    rows, columns : int
        Down to the last filled cell.
    label, sheet : str
        The file and the worksheet, for the message.

    Raises
    ------
    SheetError
        If the sheet is larger than the limits.

    Examples
    --------
    >>> check_extent(12, 9, "a.xlsx", "ported")
    """
    remedy = "delete what stands far off the table and save the sheet again"
    if rows > MAX_ROWS:
        raise SheetError(
            f"the sheet reaches down to row {rows}; flowkit reads {MAX_ROWS} rows", remedy, file=label, sheet=sheet
        )
    if columns > MAX_COLUMNS:
        raise SheetError(
            f"the sheet reaches out to column {columns}; flowkit reads {MAX_COLUMNS} columns",
            remedy,
            file=label,
            sheet=sheet,
        )
    if rows * columns > MAX_CELLS:
        raise SheetError(
            f"the sheet spans {rows} × {columns} cells; flowkit reads {MAX_CELLS}", remedy, file=label, sheet=sheet
        )
