"""The mapping to start from when a sheet cannot be read unaided: what was recognised, and "?" for the rest."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from typing import NamedTuple

from flowkit.importers.files.grid import Grid, column_letters
from flowkit.importers.tables.columns import Column
from flowkit.importers.tables.find import Table
from flowkit.importers.tables.view import View, upright
from flowkit.importers.words.labels import Label
from flowkit.units import measures

LEAST = 3  # numbers under each other that make a column worth naming
SEARCH = 200  # rows looked at
MOST = 24  # columns of flows shown
UNKNOWN = "?"


class _Numbers(NamedTuple):
    """A column of numbers under each other."""

    column: int
    first: int
    last: int


def stanza(grid: Grid, table: Table | None = None, columns: Sequence[Column] = ()) -> str:
    """Return a ``columns`` entry for a job file with the cells of a grid and what is known of them.

    What is not known is ``"?"``, which does not load until it is filled in.
    """
    if table is not None and not table.view.places:
        return _of_table(grid, table, columns)
    view = upright(grid)
    found = _number_columns(view) or [_Numbers(0, 4, 15), _Numbers(1, 4, 15)]
    heads: dict[int, Label] = {}  # what is written right over each column
    for column, first, _ in found:
        labels = [label for row in (first - 1, first - 2) if row >= 0 and (label := view.label(row, column))]
        heads[column] = labels[0] if labels else Label()
    lift = next((numbers for numbers in found if heads[numbers.column].kind == "lift"), found[0])
    flows = [numbers.column for numbers in found if numbers is not lift][:MOST] or [lift.column + 1]
    entries = []
    for index in flows:
        said = heads.get(index, Label())
        port = said.port if said.side or said.unit else None
        cells = _cells(grid, (lift.first, index), (lift.last, index))
        entries.append(_entry(cells, said.side or UNKNOWN, port or UNKNOWN))
    units = {heads[index].unit for index in flows if index in heads}
    known = [unit.name for unit in units if measures(unit, "flow")]
    own = heads[lift.column].unit
    lift_unit = own.name if measures(own, "length") else UNKNOWN
    lifts = _cells(grid, (lift.first, lift.column), (lift.last, lift.column))
    return _written(grid, lifts, lift_unit, known[0] if len(known) == 1 else UNKNOWN, entries)


def _of_table(grid: Grid, table: Table, columns: Sequence[Column]) -> str:
    """The entry for a table that was found, with what its headings say; its lifts may lie across."""
    view, label = table.view, table.axis.label
    lift_unit = label.unit.name if label is not None and measures(label.unit, "length") else UNKNOWN
    flows = [c for c in columns if c.role in ("flow", "trouble", "unknown", "bare")] or [
        c for c in columns if c.role == "ignored" and c.why == "not understood"
    ]
    units = {c.unit.name for c in flows if c.unit is not None and c.flowing}
    who = [(c.side, c.port, c.run, c.variant, c.head) for c in flows]
    entries = []
    for said in flows[:MOST] or [Column(min(table.axis.column + 1, table.right))]:
        cells = _cells(grid, view.place(table.first, said.index), view.place(table.last, said.index))
        alone = who.count((said.side, said.port, said.run, said.variant, said.head)) == 1
        more = {"run": said.run, "variant": said.variant or None, "head": said.head}
        entries.append(_entry(cells, said.side or UNKNOWN, said.port if said.port and alone else UNKNOWN, **more))
    lifts = _cells(grid, view.place(table.first, table.axis.column), view.place(table.last, table.axis.column))
    return _written(grid, lifts, lift_unit, units.pop() if len(units) == 1 else UNKNOWN, entries)


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


def _number_columns(view: View) -> list[_Numbers]:
    """The longest run of numbers under each other of each column."""
    found = []
    for column in range(min(view.width, 50)):
        runs = [match.span() for match in re.finditer("n+", view.down[column][:SEARCH])]
        first, end = max(runs, key=lambda run: run[1] - run[0], default=(0, 0))
        if end - first >= LEAST:
            found.append(_Numbers(column, first, end - 1))
    return found


def _cells(grid: Grid, first: tuple[int, int], last: tuple[int, int]) -> str:
    """A range of one column or row as the mapping writes it."""
    if grid.lines is not None and last[0] < len(grid.lines):
        return f"{grid.lines[first[0]]}:{first[1] + 1}-{grid.lines[last[0]]}:{last[1] + 1}"
    return f"{column_letters(first[1])}{first[0] + 1}:{column_letters(last[1])}{last[0] + 1}"


def _quoted(text: str | None) -> str:
    """A string as TOML writes it."""
    escaped = "".join(
        f"\\u{ord(mark):04X}" if ord(mark) < 32 or ord(mark) == 127 else "\\" + mark if mark in '"\\' else mark
        for mark in text or ""
    )
    return f'"{escaped}"'
