"""What flowkit made itself, known again by its texts: its flows are corrected and no bench sheet.

The texts are those of flowkit's workbook (reports/workbook/) and of the numbers it adds to a
build file (reports/attach/); cells outlive what any program does to a file on saving it. A test
holds the two together.
"""

from __future__ import annotations

import re
from typing import Final

from flowkit.errors import SheetError
from flowkit.importers.grid import CellValue, Grid
from flowkit.model import Finding

__all__ = ["OwnOutputError", "is_own_output", "left_out", "only_own_output"]

_TITLED = 3  # rows in which a worksheet of the workbook says what it is

# How a worksheet begins -> how its second or third row begins.
_TITLES: Final[dict[str, str]] = {
    "Raw readings": "Every point as it was read",
    "Conditions of every test": "Flows and pressures are in the units of the test",
    "Corrections, in the order they are made": "Corrected flow = ",
    "Slopes of the curves": "Of the monotone cubic",
    "Gains": "Ratios of mean flows",
    "Mean flow of each port by band of lift": "From the curves",
    "Bands of lift, factorial and ratios": "Mean flows in bands",
    "Areas and flow coefficients": "Minimum area: ",
    "Findings": "severity",
    "Units and reference state": "A value times its factor",
}
_CORRECTED: Final = ("Corrected flows at ", "Mean of the runs at every lift")
_SIGNED: Final = re.compile(r"(?:^|\.\s+)flowkit \d[\w.+]*\.(?:\s|$)")
"""The line under the numbers of a build file and on the workbook's summary."""


class OwnOutputError(SheetError):
    """A file in which nothing can be read but what flowkit made of other sheets."""


def is_own_output(grid: Grid) -> bool:
    """Whether flowkit made a worksheet, or a text file saved from one.

    Parameters
    ----------
    grid : Grid

    Examples
    --------
    >>> is_own_output(Grid("a.xlsx", "S", (("Gains",), ("Ratios of mean flows over the ports tested in both",))))
    True
    >>> is_own_output(Grid("a.xlsx", "S", (("Gains",), ("Lift mm", "Int 1 cfm"))))
    False
    >>> is_own_output(Grid("a.xlsx", "S", (("flowkit 0.1.0.",),)))
    True
    """
    rows = grid.rows
    first = _lead(rows[0]) if rows else None
    if isinstance(first, str):
        under = _TITLES.get(first)
        if under is None and first.startswith(_CORRECTED[0]):
            under = _CORRECTED[1]
        if under is not None and any(str(_lead(row)).startswith(under) for row in rows[1:_TITLED]):
            return True
    # A text file ends with its last line; on a worksheet somebody may have written below.
    for row in rows[-1:] if grid.sheet is None else rows:
        cell = row[0] if row else None
        if type(cell) is str and "flowkit " in cell and _SIGNED.search(cell):
            return True
    return False


def _lead(row: tuple[CellValue, ...]) -> CellValue:
    """The first cell of a row that holds anything."""
    return next((value for value in row if value is not None), None)


def left_out(grid: Grid) -> Finding:
    """Say that a worksheet was left out since flowkit made it.

    Parameters
    ----------
    grid : Grid
    """
    where = grid.file if grid.sheet is None else f"{grid.file}!{grid.sheet}"
    what = (
        "this sheet was made by flowkit and was left out: its flows are corrected already; read the bench's own sheet"
    )
    return Finding("own-output", "note", where, what)


def only_own_output(grids: tuple[Grid, ...]) -> OwnOutputError | None:
    """Return the error of a file without a table besides what flowkit made; None where it made nothing of it.

    Parameters
    ----------
    grids : tuple of Grid
        All of the file.
    """
    filled = [grid for grid in grids if any(value is not None for row in grid.rows for value in row)]
    own = [grid for grid in filled if is_own_output(grid)]
    if not own:
        return None
    remedy = "read the sheets of the bench that it was made from"
    if len(own) == len(filled):
        return OwnOutputError("flowkit made this file, and its flows are corrected already", remedy, file=grids[0].file)
    what = "besides the sheets that flowkit made, whose flows are corrected already, this file holds no table of flows"
    return OwnOutputError(what, remedy, file=grids[0].file)
