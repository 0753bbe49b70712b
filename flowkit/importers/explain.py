"""What was taken for what on a sheet, as plain text: a wrong reading is seen at once."""

from __future__ import annotations

import re
from pathlib import Path

from flowkit.importers.files import read_grids
from flowkit.importers.files.grid import Grid, column_letters
from flowkit.importers.mapping import Stated
from flowkit.importers.reading import read_sheets
from flowkit.importers.tables.columns import Column
from flowkit.importers.tables.sheet import SheetReading, TableReading
from flowkit.importers.words.values import as_text
from flowkit.model import Finding

MAX_ROWS = 120
MAX_COLUMNS = 30
WIDTH = 14
MARKS = {
    "lift": "L", "flow": "F", "reading": "R", "pressure": "P", "who": "W", "condition": "C", "heading": "H",
    "said": "S", "title": "T", "hidden": "x", "": " ",
}  # fmt: skip
LEGEND = (
    "H heading, L lift, F flow, R reading, P pressure, W which test, C condition, S stated for the sheet, T title, "
    "x hidden; unmarked cells were left out"
)
Roles = dict[tuple[int, int], str]

_ANSWERS: dict[str, tuple[tuple[str, str], ...]] = {
    "--flow-unit": (("flow_unit", "CFM"), ("flow_unit", "L/s"), ("flow_unit", "m³/h"), ("flow_unit", "L/min")),
    "--lift-unit": (("lift_unit", "in"), ("lift_unit", "mm"), ("lift_unit", "thou"), ("lift_unit", "L/D")),
    "--test-pressure": (("test_pressure", "28 inH2O"), ("test_pressure", "25 inH2O"), ("test_pressure", "10 inH2O")),
    "intake or exhaust": (("side", "intake"), ("side", "exhaust")),
}


def explain(path: str | Path, stated: Stated | None = None, *, label: str | None = None) -> str:
    """Say how a file is read, and print its cells with what each was taken for."""
    readings = read_sheets(read_grids(Path(path), label=label), stated or Stated())
    return "\n\n".join("\n".join(map(_safe, _sheet(reading))) for reading in readings)


def cell_roles(
    path: str | Path, stated: Stated | None = None, *, label: str | None = None
) -> tuple[tuple[Grid, Roles], ...]:
    """Say what each cell of a file was taken for."""
    readings = read_sheets(read_grids(Path(path), label=label), stated or Stated())
    return tuple((reading.grid, _roles(reading)) for reading in readings)


def answers(finding: Finding) -> tuple[tuple[str, str], ...]:
    """Return what a question can be answered with: conditions of the sheet and values to choose from."""
    match = re.search(r"the date (\d+)[-./](\d+)[-./](\d+)", finding.message)
    if finding.rule == "date-ambiguous" and match:
        year = match[3] if len(match[3]) == 4 else f"20{match[3]}"
        return tuple(("date", f"{year}-{int(m):02}-{int(d):02}") for d, m in (match.group(1, 2), match.group(2, 1)))
    return next((choices for words, choices in _ANSWERS.items() if words in finding.message), ())


def _sheet(reading: SheetReading) -> list[str]:
    """Explain one sheet."""
    grid = reading.grid
    lines = [grid.file + (f", sheet {grid.sheet}" if grid.sheet else "")]
    if grid.hidden:
        return [*lines, "  hidden: left out"]
    lines += [] if reading.tables else ["  no table of lifts and flows was found: left out"]
    for number, table in enumerate(reading.tables, start=1):
        lines += _table(number, table)
    lines += ["  Stated for the whole sheet:"] if reading.metadata.placed else []
    for entry in sorted(reading.metadata.placed, key=lambda entry: (entry.row, entry.column)):
        kind, side = entry.item.kind.replace("_", " "), f" ({entry.item.side})" if entry.item.side else ""
        said = as_text(grid.value(entry.row, entry.column)) or str(entry.item.value)
        lines.append(f"    {grid.address(entry.row, entry.column):<8} {kind}{side} = {said}")
    lines += [f"  {found.severity} {found.rule} at {found.where}: {found.message}" for found in reading.findings]
    return [*lines, *_cells(reading)]


def _table(number: int, reading: TableReading) -> list[str]:
    """Explain one table: its layout, its lifts and each of its columns."""
    table, grid = reading.table, reading.table.view.grid
    corners = [table.view.place(table.top, table.left), table.view.place(table.bottom, table.right)]
    place = f"{grid.address(*corners[0])} to {grid.address(*corners[1])}"
    if table.view.places is not None:
        place = "cells of the mapping"
    lifts = reading.lifts
    unit = f"{lifts.unit.name}, {lifts.source}" if lifts.unit is not None else "unit not known"
    lines = [
        f"  Table {number}, {place}: {layout_name(reading)}; {reading.reason} ({len(table.axis.rows)} lifts)",
        f"    {_span(reading, table.lifts[0]):<12} lift ({unit})",
        *(f"    {_span(reading, column.index):<12} {_column(column)}" for column in reading.columns),
    ]
    for test in reading.tests:
        who = " ".join(str(word) for word in (test.side, test.port, f"run {test.run}") if word)
        lines.append(f"    gives {test.variant!r}, {who}: {len(test.points)} points")
    return lines


def layout_name(reading: TableReading) -> str:
    """Return the layout's name in words: long, wide, variants as columns, or across."""
    flows = [column for column in reading.columns if column.role == "flow"]
    if reading.table.view.places is not None:
        return "as mapped"
    if reading.table.view.turned:
        return "lifts across"
    if len({column.variant for column in flows if column.variant}) > 1:
        return "variants as columns"
    if any(column.role == "who" for column in reading.columns):
        return "long, a row for each point"
    return "wide, a column for each test" if len(flows) > 1 else "one test"


def _span(reading: TableReading, index: int) -> str:
    """The grid's column, or row where the table lies across, of a column of the view."""
    view = reading.table.view
    row, column = view.place(reading.table.axis.first, index)
    if view.places is not None or view.grid.lines is not None:
        return view.grid.address(row, column)
    return f"row {row + 1}" if view.turned else f"column {column_letters(column)}"


def _column(column: Column) -> str:
    """What a column is, in words."""
    who = [column.side, column.port and f"port {column.port}", column.run and f"run {column.run}", column.variant]
    name = ", ".join(str(word) for word in who if word)
    unit = f" ({column.unit.name})" if column.unit is not None else ""
    heading = f" from {column.text!r}" if column.text else ""
    if column.role == "flow":
        return f"flow{unit}: {name or 'no name'}{heading}"
    if column.role == "pressure":
        return f"test pressure{unit}{heading}"
    if column.role in ("who", "condition"):
        return f"{str(column.kind).replace('_', ' ')} of each row{heading}"
    return f"left out: {column.why or 'not clear what it is'}{heading}"


def _roles(reading: SheetReading) -> Roles:
    """What each cell of the grid was taken for."""
    view = reading.view
    roles: Roles = {(line.row, line.column): "title" for line in reading.metadata.lines}
    for entry in reading.metadata.placed:
        roles[entry.row, entry.column] = "said"
        before = [c for c in range(entry.column) if view.value(entry.row, c) is not None]
        if before and not entry.title:
            roles.setdefault((entry.row, before[-1]), "heading")
    for table, columns in ((one.table, one.columns) for one in reading.tables):
        place, across = table.view.place, range(table.left, table.right + 1)
        if table.view.places is None:
            roles.update({place(row, column): "heading" for row in table.headers for column in across})
        by_column = {column.index: column.role for column in columns} | {table.lifts[0]: "lift"}
        for row in set(table.span) - set(table.named):
            roles.update({place(row, column): role for column, role in by_column.items() if role in MARKS})
        for row, label in table.named.items():
            kept = label.kind not in ("average", "total", "gain", "derived")
            roles.update({place(row, column): "condition" if kept else "" for column in across})
            roles[place(row, table.lifts[0])] = "heading" if kept else ""
    rows, columns_of = range(len(view.rows)), range(view.width)
    roles.update({(row, column): "hidden" for row in reading.grid.hidden_rows for column in columns_of})
    roles.update({(row, column): "hidden" for column in reading.grid.hidden_columns for row in rows})
    return roles


def _cells(reading: SheetReading) -> list[str]:
    """Print the grid, each cell with its mark, cut to a readable width."""
    grid = reading.grid
    roles = _roles(reading)
    rows = grid.rows[:MAX_ROWS]
    width = min(max((len(row) for row in rows), default=0), MAX_COLUMNS)
    if not width:
        return []
    numbers = [str(row + 1 if grid.lines is None or row >= len(grid.lines) else grid.lines[row])
               for row in range(len(rows))]  # fmt: skip
    gutter = len(str(len(rows))) if grid.lines is None else len(str(max(grid.lines, default=0)))
    names = [str(c + 1) if grid.lines is not None else column_letters(c) for c in range(width)]
    lines = [["".rjust(gutter + 2), *(f"  {name}" for name in names)]]
    for row, (number, values) in enumerate(zip(numbers, rows, strict=True)):
        line = [f"  {number:>{gutter}}"]
        for column in range(width):
            text = _safe(as_text(values[column])) if column < len(values) else ""
            mark = MARKS.get(roles.get((row, column), ""), " ") if text else " "
            line.append(f"{mark} {text if len(text) <= WIDTH else text[: WIDTH - 1] + '…'}")
        lines.append(line)
    widths = [max(len(line[column]) for line in lines) for column in range(width + 1)]
    shown = [" ".join(cell.ljust(w) for cell, w in zip(line, widths, strict=True)).rstrip() for line in lines]
    rest = [f"  … and {len(grid.rows) - len(rows)} more rows"] if len(grid.rows) > len(rows) else []
    return ["  " + LEGEND, *shown, *rest]


def _safe(text: str | None) -> str:
    """A text of a sheet without what a terminal might obey."""
    return "".join(mark if mark.isprintable() else "·" for mark in text or "")
