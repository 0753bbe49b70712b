"""A measured cam: the table of degrees and lift from a sheet, arranged by crank angle from closed to closed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flowkit.errors import EngineError, SheetError
from flowkit.importers.files import read_grids
from flowkit.importers.files.grid import CellValue, Grid
from flowkit.units import Unit, find_unit, number, to_si

_CLOSED_FRACTION = 0.02
"""A table must begin and end below this fraction of its peak, else part of the cam is missing."""

_FEWEST_POINTS = 5
_CYCLE = 720.0


def arrange_table(
    angles_deg: Sequence[float],
    lifts_m: Sequence[float],
    *,
    cam_degrees: bool,
    lash_m: float,
    zero_deg: float | None,
    centre_deg: float | None,
    name: str,
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Order a table, turn it to crank degrees and set it to the crank.

    >>> arrange_table([2, 1, 0, -1, -2], [0, 1e-3, 2e-3, 1e-3, 0], cam_degrees=True, lash_m=0,
    ...               zero_deg=None, centre_deg=470.0, name="cam")[0]
    (466.0, 468.0, 470.0, 472.0, 474.0)
    """
    if (zero_deg is None) == (centre_deg is None):
        raise EngineError(
            f"{name}: it is not certain which crank angle the table starts at",
            'state either zero = "gas exchange TDC" (or "firing TDC") or the centreline, such as "108 ATDC"',
        )
    angles, lifts = np.asarray(angles_deg, dtype=float), np.asarray(lifts_m, dtype=float)
    _check_numbers(angles, lifts, lash_m, name)
    angles = _rising(angles, 360.0 if cam_degrees else _CYCLE, name)
    if angles[0] > angles[-1]:
        angles, lifts = angles[::-1], lifts[::-1]
    if cam_degrees:
        angles = 2 * angles
    angles, lifts = _closed(angles, lifts, lash_m, name)
    shift = centre_deg - _middle(angles, lifts) if centre_deg is not None else zero_deg or 0.0
    angles = angles + shift
    if angles[-1] - angles[0] > _CYCLE + 1e-9:
        raise EngineError(f"{name}: the table is longer than one cycle", "check whether its degrees are the cam's")
    return tuple(angles.tolist()), tuple(lifts.tolist())


def _check_numbers(angles: NDArray[np.float64], lifts: NDArray[np.float64], lash_m: float, name: str) -> None:
    """Refuse tables too short, with gaps, or without lift above the lash."""
    if angles.size != lifts.size or angles.size < _FEWEST_POINTS:
        raise EngineError(f"{name}: a cam needs at least {_FEWEST_POINTS} points of degrees and lift", "measure more")
    if not (np.all(np.isfinite(angles)) and np.all(np.isfinite(lifts))):
        raise EngineError(f"{name}: the table has gaps", "fill them in")
    if np.max(lifts) <= max(lash_m, 0.0):
        raise EngineError(f"{name}: the valve never opens", "check the lifts, the lash and their units")
    if np.min(lifts) < -0.05 * np.max(lifts):
        raise EngineError(f"{name}: the table has negative lifts", "set the gauge to zero on the base circle")


def _rising(angles: NDArray[np.float64], turn: float, name: str) -> NDArray[np.float64]:
    """Unwrap a table that passes through zero, and leave one direction only."""
    steps = np.diff(angles)
    if np.median(steps) < 0:
        return _rising(angles[::-1], turn, name)[::-1]
    wraps = np.flatnonzero(steps < -turn / 2)
    if wraps.size == 1:
        angles = angles.copy()
        angles[wraps[0] + 1 :] += turn
    if np.any(np.diff(angles) <= 0):
        raise EngineError(f"{name}: the degrees do not run in one direction", "sort the table by degrees")
    return angles


def _closed(
    angles: NDArray[np.float64], lifts: NDArray[np.float64], lash_m: float, name: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Make sure the table begins and ends with the valve closed."""
    limit = lash_m + _CLOSED_FRACTION * (np.max(lifts) - lash_m)
    for place, lift in (("begins", lifts[0]), ("ends", lifts[-1])):
        if lift > limit:
            raise EngineError(
                f"{name}: the table {place} at a lift of {lift * 1e3:.3g} mm", "give it from closed to closed"
            )
    lifts = np.maximum(lifts, 0.0)
    step = float(np.median(np.diff(angles)))
    if lifts[0] > lash_m:
        angles, lifts = np.concatenate(([angles[0] - step], angles)), np.concatenate(([0.0], lifts))
    if lifts[-1] > lash_m:
        angles, lifts = np.concatenate((angles, [angles[-1] + step])), np.concatenate((lifts, [0.0]))
    return angles, lifts


def _middle(angles: NDArray[np.float64], lifts: NDArray[np.float64]) -> float:
    """Return the middle between equal lifts of 95 % of the peak (common practice, no source)."""
    level = 0.95 * float(np.max(lifts))
    above = np.flatnonzero(lifts >= level)
    first, last = int(above[0]), int(above[-1])
    # The table begins and ends closed, so both neighbours exist and lie below the level.
    rise = np.interp(level, lifts[first - 1 : first + 1], angles[first - 1 : first + 1])
    fall = np.interp(level, lifts[last : last + 2][::-1], angles[last : last + 2][::-1])
    return float(rise + fall) / 2


_FEWEST_ROWS = 5
_ANGLE = re.compile(r"deg|°|angle|crank|\bcam\b", re.IGNORECASE)
_LIFT = re.compile(r"lift|hub", re.IGNORECASE)
_LONGEST_HEADING = 15


@dataclass(frozen=True, slots=True)
class CamTable:
    """What a sheet says of a cam."""

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
