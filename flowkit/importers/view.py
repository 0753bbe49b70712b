"""A grid as the layouts see it: what is hidden left out, upright or turned over its diagonal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from flowkit.importers.files.grid import CellValue, Grid
from flowkit.importers.labels import Label, parse_label
from flowkit.importers.words.values import decimal_comma_of, read_cell

__all__ = ["View", "upright"]

_DIGITS = frozenset("0123456789.,-+−–")
Span = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class View:
    """Cells in rows of equal length, with the way back to the grid.

    Attributes
    ----------
    grid : Grid
    rows : sequence of sequence
    decimal_comma : bool or None
    turned : bool
        Rows of the view are columns of the grid.
    top, left : int
        The grid's row and column of the view's first cell.
    merged : tuple
        Merged ranges in the view's own rows and columns.
    places : sequence of sequence, optional
        The grid's row and column of each cell, where the cells were picked one by one.
    """

    grid: Grid
    rows: Sequence[Sequence[CellValue]]
    decimal_comma: bool | None
    turned: bool = False
    top: int = 0
    left: int = 0
    merged: tuple[Span, ...] = ()
    places: Sequence[Sequence[tuple[int, int]]] | None = None

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.rows[0]) if self.rows else 0

    def place(self, row: int, column: int) -> tuple[int, int]:
        """Return the grid's row and column of a cell of the view."""
        if self.places is not None:
            return self.places[max(row, 0)][column]
        if self.turned:
            return self.top + column, self.left + row
        return self.top + row, self.left + column

    def source(self, row: int, column: int) -> str:
        """Return the address of a cell with file and sheet."""
        return self.grid.source(*self.place(row, column))

    def value(self, row: int, column: int) -> CellValue:
        """Return a cell, None outside."""
        if 0 <= row < len(self.rows) and 0 <= column < len(self.rows[row]):
            return self.rows[row][column]
        return None

    def percent(self, row: int, column: int) -> bool:
        """Whether a cell has a percent format."""
        return bool(self.grid.percent_cells) and self.place(row, column) in self.grid.percent_cells

    def is_number(self, row: int, column: int) -> bool:
        """Whether a cell holds a number, with or without a unit."""
        value = self.value(row, column)
        if type(value) is float:
            return isfinite(value)
        if isinstance(value, str):
            return value[:1] in _DIGITS and read_cell(value, self.decimal_comma).value is not None
        return read_cell(value).value is not None

    def label(self, row: int, column: int) -> Label | None:
        """Return what a text cell says as a label; None for numbers and empty cells."""
        value = self.value(row, column)
        if not isinstance(value, str) or (
            value[:1] in _DIGITS and read_cell(value, self.decimal_comma) != (None, "", "")
        ):
            return None
        return parse_label(value)

    def turn(self, top: int, left: int, bottom: int, right: int, without: frozenset[int] = frozenset()) -> View:
        """Return a block of an upright view turned over its diagonal.

        Parameters
        ----------
        top, left, bottom, right : int
            Ends included.
        without : frozenset of int
            Rows to be left empty.
        """
        empty = (None,) * (right + 1 - left)
        block = [empty if row in without else self.rows[row][left : right + 1] for row in range(top, bottom + 1)]
        merged = tuple(
            (c0 - left, r0 - top, c1 - left, r1 - top)
            for r0, c0, r1, c1 in self.merged
            if r0 >= top and c0 >= left and r1 <= bottom and c1 <= right
        )
        turned = [list(column) for column in zip(*block, strict=True)]
        return View(self.grid, turned, self.decimal_comma, True, self.top + top, self.left + left, merged)


def upright(grid: Grid) -> View:
    """Return a grid as it stands, its hidden rows and columns and its ragged ends filled with nothing.

    Parameters
    ----------
    grid : Grid
    """
    widths = set(map(len, grid.rows))
    width = max(widths, default=0)
    if len(widths) == 1 and not grid.hidden_rows and not grid.hidden_columns:
        return View(grid, grid.rows, decimal_comma_of(grid), merged=grid.merged)
    rows: list[Sequence[CellValue]] = []
    for index, row in enumerate(grid.rows):
        if index in grid.hidden_rows:
            rows.append((None,) * width)
        elif len(row) < width:
            rows.append((*row, *(None,) * (width - len(row))))
        else:
            rows.append(row)
    if grid.hidden_columns:
        hidden = grid.hidden_columns
        rows = [[None if column in hidden else value for column, value in enumerate(row)] for row in rows]
    return View(grid, rows, decimal_comma_of(grid), merged=grid.merged)
