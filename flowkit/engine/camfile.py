"""A cam's lift table from a sheet: a column of degrees and a column of lift."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from flowkit.errors import SheetError
from flowkit.importers.files.grid import CellValue, Grid, read_grids
from flowkit.numerals import number
from flowkit.units import Unit, find_unit, to_si

__all__ = ["CamTable", "read_cam_table"]

_FEWEST_ROWS = 5
_ANGLE = re.compile(r"deg|°|angle|crank|\bcam\b", re.IGNORECASE)
_LIFT = re.compile(r"lift|hub", re.IGNORECASE)
_LONGEST_HEADING = 15


@dataclass(frozen=True, slots=True)
class CamTable:
    """What a sheet says of a cam.

    Attributes
    ----------
    file : str
    angles_deg : tuple of float
        As written [degrees].
    lifts_m : tuple of float
        [m]
    notes : tuple of str
        What was assumed.
    """

    file: str
    angles_deg: tuple[float, ...]
    lifts_m: tuple[float, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Found:
    """A block of numbers in a grid: its rows, its two columns and its headings."""

    grid: Grid
    rows: tuple[int, ...]
    angle: int
    lift: int
    headings: tuple[str, ...]


def read_cam_table(path: Path, *, lift_unit: str | None = None, sheet: str | None = None) -> CamTable:
    """Read a table of degrees and lift.

    Parameters
    ----------
    path : Path
        csv, xlsx …
    lift_unit : str, optional
        Where the heading does not say it.
    sheet : str, optional
        The worksheet, where there are several.

    Raises
    ------
    SheetError
        If there is no such table, or the unit of lift is not certain.

    Examples
    --------
    >>> read_cam_table(Path("missing.csv"))
    Traceback (most recent call last):
    ...
    flowkit.errors.SheetError: missing.csv: there is no such file; check the name and the folder.
    """
    grids = [grid for grid in read_grids(path) if sheet is None or grid.sheet == sheet]
    if not grids:
        raise SheetError(f"there is no worksheet {sheet!r}", "check its name", file=path.name)
    found = [block for block in (_find(grid) for grid in grids) if block is not None]
    if not found:
        raise SheetError(
            "there is no table of degrees and lift",
            "write a column of degrees and one of lift, with their headings, in at least five rows",
            file=path.name,
            sheet=sheet,
        )
    if len(found) > 1:
        names = ", ".join(repr(block.grid.sheet) for block in found)
        raise SheetError(f"there is a cam on each of the worksheets {names}", "say which with sheet", file=path.name)
    return _table(found[0], path.name, lift_unit)


def _number(grid: Grid, row: int, column: int) -> float | None:
    """Return a cell's number, or None."""
    value: CellValue = grid.value(row, column)
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, (int, float)):
        return float(value)
    return number(value, decimal_comma=grid.decimal_comma) if isinstance(value, str) else None


def _find(grid: Grid) -> _Found | None:
    """Find the longest run of rows with two numbers, and the headings over it."""
    width = max((len(row) for row in grid.rows), default=0)
    best: tuple[int, ...] = ()
    run: list[int] = []
    for row in [*range(len(grid.rows)), len(grid.rows)]:
        if row < len(grid.rows) and sum(_number(grid, row, column) is not None for column in range(width)) >= 2:
            run.append(row)
            continue
        best, run = (tuple(run), []) if len(run) > len(best) else (best, [])
    if len(best) < _FEWEST_ROWS:
        return None
    columns = [column for column in range(width) if all(_number(grid, row, column) is not None for row in best)]
    if len(columns) < 2:
        return None
    headings = tuple(_heading(grid, best[0], column) for column in range(width))
    return _choose(grid, best, columns, headings)


def _choose(grid: Grid, rows: tuple[int, ...], columns: list[int], headings: tuple[str, ...]) -> _Found:
    """Choose the two columns by their headings; without headings the only two there are."""
    lifts = [column for column in columns if _LIFT.search(headings[column])]
    angles = [column for column in columns if column not in lifts and _ANGLE.search(headings[column])]
    if len(lifts) == 1 and len(angles) == 1:
        return _Found(grid, rows, angles[0], lifts[0], headings)
    if len(columns) == 2:
        return _Found(grid, rows, columns[0], columns[1], headings)
    raise SheetError(
        "it is not certain which columns are degrees and lift",
        'head them "crank degrees" and "lift (mm)", one of each',
        file=grid.file,
        sheet=grid.sheet,
        cell=grid.address(rows[0], columns[0]),
    )


def _heading(grid: Grid, first: int, column: int) -> str:
    """Return the words over a column, those of the nearest rows first."""
    words: list[str] = []
    for row in range(first - 1, max(first - 1 - _LONGEST_HEADING, -1), -1):
        value = grid.value(row, column)
        if value is None and not words:
            continue
        if not isinstance(value, str):
            break
        words.append(value)
        if len(words) == 2:
            break
    return " ".join(reversed(words))


def _unit_in(heading: str) -> Unit | None:
    """Return the unit of length a heading names, in brackets or as a word of its own."""
    parts = [*re.findall(r"[(\[]([^)\]]*)[)\]]", heading), *re.split(r"[\s,;()\[\]]+", heading)]
    for part in parts:
        found = find_unit(part, ("length",)) if part.strip() else None
        if found is not None:
            return found
    return None


def _table(block: _Found, file: str, lift_unit: str | None) -> CamTable:
    """Turn the block into SI."""
    grid = block.grid
    angles = tuple(_number(grid, row, block.angle) or 0.0 for row in block.rows)
    lifts = tuple(_number(grid, row, block.lift) or 0.0 for row in block.rows)
    stated = find_unit(lift_unit, ("length",)) if lift_unit else None
    if lift_unit and stated is None:
        raise SheetError(f"the unit of lift {lift_unit!r} is not known", "use mm, in or thou", file=file)
    headed = _unit_in(block.headings[block.lift])
    if stated is not None and headed is not None and stated != headed:
        raise SheetError(
            f"the heading says {headed.name}, lift_unit says {stated.name}", "correct one of them", file=file
        )
    unit = stated or headed
    notes: tuple[str, ...] = ()
    if unit is None:
        unit, notes = _assumed(max(lifts), file)
    return CamTable(file, angles, tuple(to_si(lift, unit) for lift in lifts), notes)


def _assumed(largest: float, file: str) -> tuple[Unit, tuple[str, ...]]:
    """Assume the unit of lift where the numbers leave one reading possible."""
    name = "in" if 0.05 <= largest <= 1.0 else "mm" if 1.5 <= largest <= 25 else None
    found = find_unit(name) if name else None
    if found is None:
        raise SheetError(
            f"the unit of lift is not stated, and a largest lift of {largest:g} leaves it open",
            "name it in the heading or with lift_unit",
            file=file,
        )
    return found, (f"{file}: the unit of lift is not stated; a largest lift of {largest:g} can only be {found.name}",)
