"""A sheet as a picture: its cells, what each was taken for, which are in question, and the curves beside it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

from flowkit.drawing.svg import has_flow, sheet_svg
from flowkit.errors import FlowkitError
from flowkit.importers import Stated
from flowkit.importers.explain import cell_roles
from flowkit.importers.files.grid import Grid, column_letters
from flowkit.importers.words.values import as_text
from flowkit.model import Finding, FlowTest
from flowkit.page.workspace import cell_of
from flowkit.units import format_quantity, number

MOST_ROWS = 200
MOST_COLUMNS = 40
MOST_TEXT = 90
WIDE_TEXT = 12
"""Letters from which a text runs over the empty cells beside it, as in a spreadsheet."""
LEAST_NUMBERS = 3
MOST_TESTS = 24
"""Curves of one state that are drawn; more would be a tangle."""
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
    wide: int = 1


@dataclass(frozen=True, slots=True)
class Proposed:
    """A column of numbers that could be lifts or flows: its cells as a mapping names them, heading, first numbers."""

    cells: str
    heading: str
    sample: str = ""


@dataclass(frozen=True, slots=True)
class SheetPicture:
    """One worksheet, as much of it as a page shows."""

    name: str | None
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Cell, ...]], ...]
    more_rows: int
    hidden: bool
    columns_of_numbers: tuple[Proposed, ...] = ()


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
        read = cell_roles(path, stated)
    except FlowkitError:
        return ()
    asked: dict[tuple[str | None, str], str] = {}
    for finding in findings:
        if finding.severity != "note":
            sheet, cell = cell_of(finding.where, file)
            if cell:
                asked.setdefault((sheet, cell), finding.severity)
    return tuple(_picture(grid, {} if grid.hidden else roles, asked, by_hand or {}) for grid, roles in read)


def _picture(
    grid: Grid,
    roles: Mapping[tuple[int, int], str],
    asked: Mapping[tuple[str | None, str], str],
    by_hand: Mapping[str, str],
) -> SheetPicture:
    """Mark every cell of one worksheet."""
    width = min(max((len(row) for row in grid.rows), default=0), MOST_COLUMNS)
    rows = []
    for index, values in enumerate(grid.rows[:MOST_ROWS]):
        named = str(grid.lines[index] if grid.lines is not None and index < len(grid.lines) else index + 1)
        cells = []
        for column in range(width):
            address = grid.address(index, column)
            text = as_text(values[column] if column < len(values) else None) or ""
            kind = _KINDS.get(roles.get((index, column), ""), "unused") if text else ""
            places = (address, f"row {named}") if text else (address,)
            said = [by_hand.get(name) or by_hand.get(f"{grid.sheet}!{name}") for name in places]
            cells.append(
                Cell(
                    address,
                    text if len(text) <= MOST_TEXT else text[: MOST_TEXT - 1] + "…",
                    kind,
                    asked.get((grid.sheet, address), ""),
                    next((words for words in said if words), ""),
                )
            )
        rows.append((named, _run_over(cells)))
    names = tuple(column_letters(column) if grid.lines is None else str(column + 1) for column in range(width))
    more = max(0, len(grid.rows) - MOST_ROWS)
    return SheetPicture(grid.sheet, names, tuple(rows), more, grid.hidden, _numbers(grid, width))


def _run_over(cells: Sequence[Cell]) -> tuple[Cell, ...]:
    """Let long texts run over the empty cells to their right, which are then 0 cells wide."""
    made: list[Cell] = []
    first = 0
    for index, cell in enumerate(cells):
        made.append(cell)
        begun = made[first]
        if cell.text or cell.asked or len(begun.text) <= WIDE_TEXT * begun.wide:
            first = index
        else:
            made[first], made[index] = replace(begun, wide=begun.wide + 1), replace(cell, wide=0)
    return tuple(made)


def _numbers(grid: Grid, width: int) -> tuple[Proposed, ...]:
    """Each column's longest run of numbers, for someone who says what they are."""
    found = []
    for column in range(width):
        best, start = (0, 0), None
        for row in range(len(grid.rows) + 1):
            value = grid.value(row, column) if row < len(grid.rows) else None
            numeric = isinstance(value, (int, float)) or number(as_text(value) or "") is not None
            if numeric and start is None:
                start = row
            elif not numeric and start is not None:
                best, start = max(best, (start, row), key=lambda run: run[1] - run[0]), None
        first, after = best
        if after - first < LEAST_NUMBERS:
            continue
        mark = ":" if grid.lines is None else "-"
        heads = [as_text(grid.value(row, column)) for row in range(first - 1, -1, -1)]
        cells = f"{grid.address(first, column)}{mark}{grid.address(after - 1, column)}"
        sample = ", ".join(as_text(grid.value(row, column)) or "" for row in range(first, first + LEAST_NUMBERS))
        found.append(Proposed(cells, next((head for head in heads if head), ""), f"{sample} …"))
    return tuple(found)


def read_chart(tests: Sequence[FlowTest], display: str, *, asked: Collection[str] = ()) -> str:
    """Draw tests as they were read, a chart a state; points whose cells are in question are marked."""
    states: dict[str, list[FlowTest]] = {}
    for test in tests:
        if any(has_flow(point.flow_m3_s) for point in test.points):
            states.setdefault(test.variant, []).append(test)
    made = ""
    for name, drawn in states.items():
        made += f"<h3>{escape(name)}</h3>" if len(states) > 1 else ""
        made += sheet_svg(drawn[:MOST_TESTS], display=display)
        if len(drawn) > MOST_TESTS:
            made += f'<p class="soft">The first {MOST_TESTS} of {len(drawn)} curves.</p>'
    for source in asked:
        made = made.replace(f"data-source={quoteattr(source)}", f'data-source={quoteattr(source)} data-asked="yes"')
    return made


def stated_words(tests: Sequence[FlowTest], attribute: str, unit: str = "", digits: int = 1) -> str:
    """The different values of a condition in words."""
    values = dict.fromkeys(getattr(test.conditions, attribute) for test in tests)
    words = [
        "not stated" if value is None else format_quantity(value, unit, digits) if unit else str(value)
        for value in values
    ]
    return ", ".join(words[:4]) or "not stated"
