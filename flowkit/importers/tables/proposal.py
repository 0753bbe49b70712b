"""The mapping to start from when a sheet cannot be read unaided: what was recognised, and "?" for the rest."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence

from flowkit.importers.files.grid import Grid, column_letters
from flowkit.importers.tables.columns import Column
from flowkit.importers.tables.find import Table
from flowkit.importers.tables.view import View, upright
from flowkit.importers.words.labels import Label
from flowkit.units import FLOW_QUANTITIES, measures

LEAST = 3  # numbers under each other that make a column worth naming
SEARCH = 200  # rows looked at
MOST = 24  # columns of flows shown
UNKNOWN = "?"


def stanza(grid: Grid, table: Table | None = None, columns: Sequence[Column] = ()) -> str:
    """Return a ``columns`` entry for a job file with the cells of a grid and what is known of them.

    What is not known is ``"?"``, which does not load until it is filled in.
    """
    if table is not None and not table.view.places:
        return _of_table(grid, table, columns)
    view = upright(grid)
    found = _number_columns(view) or [(0, 4, 15), (1, 4, 15)]
    heads = {column: _head(view, column, first) for column, first, _ in found}
    lift = next((column for column in found if heads[column[0]].kind == "lift"), found[0])
    column, first, last = lift
    flows = [item[0] for item in found if item is not lift][:MOST] or [column + 1]
    entries = []
    for index in flows:
        said = heads.get(index, Label())
        port = said.port if said.side or said.unit else None
        entries.append(_entry(_range(grid, index, first, last), said.side or UNKNOWN, port or UNKNOWN))
    named = [label.unit for index, label in heads.items() if index in flows]
    units = {unit.name for unit in named if unit is not None and unit.quantity == "flow"}
    own = heads[column].unit if column in heads else None
    lift_unit = own.name if own is not None and own.quantity == "length" else UNKNOWN
    flow_unit = units.pop() if len(units) == 1 else UNKNOWN
    return _written(grid, _range(grid, column, first, last), lift_unit, flow_unit, entries)


def _head(view: View, column: int, first: int) -> Label:
    """What is written right over a column of numbers."""
    found = (view.label(row, column) for row in (first - 1, first - 2) if row >= 0)
    return next((label for label in found if label is not None), Label())


def _of_table(grid: Grid, table: Table, columns: Sequence[Column]) -> str:
    """The entry for a table that was found, with what its headings say."""
    view = table.view
    label = table.axis.label
    unit = label.unit.name if label is not None and measures(label.unit, "length") else UNKNOWN
    flows = [c for c in columns if c.role in ("flow", "trouble", "unknown", "bare")] or [
        c for c in columns if c.role == "ignored" and c.why == "not understood"
    ]
    units = {c.unit.name for c in flows if measures(c.unit, *FLOW_QUANTITIES)}
    entries = []
    shown: list[Column | None] = list(flows[:MOST]) or [None]
    for column in shown:
        index = column.index if column is not None else min(table.axis.column + 1, table.right)
        cells = _between(grid, view, index, table)
        said = column if column is not None else Column(index)
        alike = sum(_who(said) == _who(other) for other in flows)
        more = {"run": said.run, "variant": said.variant or None, "head": said.head}
        entries.append(_entry(cells, said.side or UNKNOWN, said.port if said.port and alike == 1 else UNKNOWN, **more))
    flow_unit = units.pop() if len(units) == 1 else UNKNOWN
    return _written(grid, _between(grid, view, table.axis.column, table), unit, flow_unit, entries)


def _who(column: Column) -> tuple[object, ...]:
    """What distinguishes one column of flows from another."""
    return column.side, column.port, column.run, column.variant, column.head


def _entry(cells: str, side: str, port: str, **more: str | int | None) -> str:
    """One column of flows; `more` is its run, variant and head where they are known."""
    known = [(key, value) for key, value in (("side", side), ("port", port), *more.items()) if value]
    rest = ", ".join(f"{key} = {value if isinstance(value, int) else _quoted(value)}" for key, value in known)
    return f'{{ cells = "{cells}", {rest} }}'


def _written(grid: Grid, lift: str, lift_unit: str, flow_unit: str, entries: Sequence[str]) -> str:
    """The whole entry."""
    sheet = f"sheet = {_quoted(grid.sheet)}, " if grid.sheet is not None else ""
    return (
        f'columns = {{ {sheet}lift = "{lift}", lift_unit = {_quoted(lift_unit)}, flow_unit = {_quoted(flow_unit)}, '
        f"flow = [{', '.join(entries)}] }}"
    )


def mapping_lines(mapping: str) -> list[str]:
    """Lay out a ``columns`` entry as a table of its own, a line for each column of flows."""
    table = tomllib.loads(mapping)["columns"]
    lines = ["[variant.columns]", *(f"{key} = {_quoted(value)}" for key, value in table.items() if key != "flow")]
    return [*lines, "flow = [", *(f"  {_entry(**entry)}," for entry in table["flow"]), "]"]


def has_numbers(view: View) -> bool:
    """Whether a sheet has two columns of numbers, as lifts and flows would be."""
    return len(_number_columns(view)) > 1


def _number_columns(view: View) -> list[tuple[int, int, int]]:
    """Columns with numbers under each other: (column, first row, last row)."""
    found = []
    for column in range(min(view.width, 50)):
        best: tuple[int, int] | None = None
        start: int | None = None
        for row in range(min(len(view.rows), SEARCH) + 1):
            if view.kind(row, column) == "n":
                start = row if start is None else start
            elif start is not None:
                if best is None or row - start > best[1] - best[0] + 1:
                    best = (start, row - 1)
                start = None
        if best is not None and best[1] - best[0] + 1 >= LEAST:
            found.append((column, *best))
    return found


def _between(grid: Grid, view: View, column: int, table: Table) -> str:
    """The range of a table's column, or row where its lifts lie across."""
    first, last = view.place(table.first, column), view.place(table.last, column)
    if grid.lines is not None and last[0] < len(grid.lines):
        return f"{grid.lines[first[0]]}:{first[1] + 1}-{grid.lines[last[0]]}:{last[1] + 1}"
    return f"{column_letters(first[1])}{first[0] + 1}:{column_letters(last[1])}{last[0] + 1}"


def _range(grid: Grid, column: int, first: int, last: int) -> str:
    """A range of one column as the mapping writes it."""
    if grid.lines is not None and last < len(grid.lines):
        return f"{grid.lines[first]}:{column + 1}-{grid.lines[last]}:{column + 1}"
    letters = column_letters(column)
    return f"{letters}{first + 1}:{letters}{last + 1}"


def _quoted(text: str | None) -> str:
    """A string as TOML writes it."""
    escaped = "".join(
        f"\\u{ord(mark):04X}" if ord(mark) < 32 or ord(mark) == 127 else "\\" + mark if mark in '"\\' else mark
        for mark in text or ""
    )
    return f'"{escaped}"'
