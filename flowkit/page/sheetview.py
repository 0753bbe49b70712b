"""A sheet as a picture: its cells, what each was taken for, and which of them are in question."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from flowkit.errors import FlowkitError
from flowkit.importers import Stated
from flowkit.importers.explain import _roles
from flowkit.importers.files import read_grids
from flowkit.importers.files.grid import column_letters
from flowkit.importers.reading import read_sheets
from flowkit.importers.words.values import as_text
from flowkit.model import Finding
from flowkit.page.workspace import cell_of

__all__ = ["ROLES", "Cell", "SheetPicture", "pictures"]

MOST_ROWS = 200
MOST_COLUMNS = 40
MOST_TEXT = 60
_KINDS = {
    "lift": "lift",
    "flow": "flow",
    "pressure": "pressure",
    "who": "which",
    "condition": "said",
    "heading": "head",
    "said": "said",
    "title": "said",
    "hidden": "unused",
}
ROLES = {
    "lift": ("L", "lift"),
    "flow": ("F", "flow"),
    "pressure": ("P", "pressure"),
    "which": ("W", "which port or run"),
    "head": ("H", "heading"),
    "said": ("C", "condition"),
    "unused": ("", "not used"),
}


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its address, its text, what it was taken for, and the questions that lie on it."""

    address: str
    text: str
    kind: str
    asked: str = ""
    by_hand: str = ""


@dataclass(frozen=True, slots=True)
class SheetPicture:
    """One worksheet, as much of it as a page shows."""

    name: str | None
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Cell, ...]], ...]
    more_rows: int
    hidden: bool
    mapping: str = ""


def pictures(
    path: Path,
    file: str,
    stated: Stated | None,
    findings: Sequence[Finding],
    by_hand: Mapping[str, str] | None = None,
) -> tuple[SheetPicture, ...]:
    """Return a file's worksheets with every cell marked; none where it cannot be opened.

    `by_hand` says of a cell's address what the job says in its place.
    """
    try:
        readings = read_sheets(read_grids(path), stated or Stated())
    except FlowkitError:
        return ()
    asked: dict[tuple[str | None, str], str] = {}
    for finding in findings:
        if finding.severity != "note":
            sheet, cell = cell_of(finding.where, file)
            if cell:
                asked.setdefault((sheet, cell), finding.severity)
    made = []
    for reading in readings:
        grid = reading.grid
        roles = {} if grid.hidden else _roles(reading)
        width = min(max((len(row) for row in grid.rows), default=0), MOST_COLUMNS)
        rows = []
        for index, values in enumerate(grid.rows[:MOST_ROWS]):
            cells = []
            for column in range(width):
                address = grid.address(index, column)
                text = as_text(values[column] if column < len(values) else None) or ""
                kind = _KINDS.get(roles.get((index, column), ""), "unused") if text else ""
                cells.append(
                    Cell(
                        address,
                        text if len(text) <= MOST_TEXT else text[: MOST_TEXT - 1] + "…",
                        kind,
                        asked.get((grid.sheet, address), ""),
                        (by_hand or {}).get(address, ""),
                    )
                )
            number = grid.lines[index] if grid.lines is not None and index < len(grid.lines) else index + 1
            rows.append((str(number), tuple(cells)))
        names = tuple(column_letters(column) if grid.lines is None else str(column + 1) for column in range(width))
        more = max(0, len(grid.rows) - MOST_ROWS)
        made.append(SheetPicture(grid.sheet, names, tuple(rows), more, grid.hidden))
    return tuple(made)
