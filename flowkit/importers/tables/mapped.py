"""A grid read by the user's mapping instead of its own headings; and the mapping to start from.

What is not known of it is "?", which does not load until it is filled in.
"""

from __future__ import annotations

import tomllib
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace

from flowkit.importers.files.grid import Grid, column_letters
from flowkit.importers.mapping import CellRange, Stated, TableMapping
from flowkit.importers.tables.assemble import Place, assemble, split_runs
from flowkit.importers.tables.columns import Column
from flowkit.importers.tables.find import Axis, Table
from flowkit.importers.tables.lines import Scope, read_metadata, scopes
from flowkit.importers.tables.readings import TableReader, read_lifts
from flowkit.importers.tables.sheet import SheetReading, TableReading, file_variant, refuse_twins, sheet_name, unit_of
from flowkit.importers.tables.view import View, upright
from flowkit.importers.words.labels import WHO_KINDS, Label
from flowkit.importers.words.values import as_text, decimal_comma_of
from flowkit.units import measures, unit

MOST = 24  # columns of flows shown
UNKNOWN = "?"


def read_mapped(grid: Grid, stated: Stated) -> SheetReading:
    """Read one grid by ``stated.columns``."""
    assert stated.columns is not None
    view = upright(grid)
    reading = SheetReading(grid, view)
    name = (grid.sheet or "").casefold()
    mappings = [table for table in stated.columns.tables if table.sheet is None or table.sheet.casefold() == name]
    if not mappings:
        return reading
    taken: list[list[tuple[int, int]]] = [[] for _ in view.rows]
    for mapping in mappings:
        pressures = [flow.pressure for flow in mapping.flows if flow.pressure]
        for cells in (mapping.lift, *(flow.cells for flow in mapping.flows), *pressures):
            for row, column in _places(grid, cells):
                if 0 <= row < len(taken):
                    taken[row].append((column, column))
    said = read_metadata(view, taken, stated.units)
    said.placed = [entry for entry in said.placed if not (entry.title and entry.item.kind in WHO_KINDS)]
    reading.metadata = said
    mapped = [_table(grid, mapping) for mapping in mappings]
    scoped, clashes = scopes([table for table, _ in mapped], said)
    reading.findings += said.findings + clashes
    for mapping, (_, columns), scope in zip(mappings, mapped, scoped, strict=True):
        _read_table(reading, mapping, columns, scope, stated)
    refuse_twins(reading)
    return reading


def _places(grid: Grid, cells: CellRange) -> list[tuple[int, int]]:
    """The grid's rows and columns of a range; a line that is no row of the grid lies outside it."""
    found = []
    for row, column in cells.cells():
        at = row - 1
        if grid.lines is not None:
            at = bisect_left(grid.lines, row)
            at = at if at < len(grid.lines) and grid.lines[at] == row else -1
        found.append((at, column - 1))
    return found


def _table(grid: Grid, mapping: TableMapping) -> tuple[Table, list[Column]]:
    """The table that a mapping describes, with its columns."""
    picked, columns = [_places(grid, mapping.lift)], []
    for flow in mapping.flows:
        spelled, gauge = flow.unit or mapping.flow_unit, mapping.pressure_unit
        column = Column(len(picked), "flow", None, flow.side, flow.port, flow.run, flow.variant or "", flow.head)
        column.unit, column.text = unit(spelled) if spelled else None, flow.cells.text
        columns.append(column)
        picked.append(_places(grid, flow.cells))
        gauges = _places(grid, flow.pressure) if flow.pressure is not None else []
        if len(gauges) == 1:  # one cell holds for the whole test
            column.pressure = (as_text(grid.value(*gauges[0])), gauge or "")
        elif flow.pressure is not None:
            pressure = Column(len(picked), "pressure", "pressure", flows=[column.index], text=flow.pressure.text)
            pressure.unit, pressure.unit_text = unit(gauge) if gauge else None, gauge or ""
            columns.append(pressure)
            picked.append(gauges)
    places = list(zip(*picked, strict=True))
    rows = [[grid.value(*place) for place in line] for line in places]
    view = View(grid, rows, decimal_comma_of(grid), places=places)
    label = Label("lift", unit=unit(mapping.lift_unit) if mapping.lift_unit is not None else None)
    reason = "as the mapping in the job file says"
    axis = Axis(0, list(range(len(rows))), 0, len(rows) - 1, label=label, reason=reason)
    return Table(view, axis, 0, len(picked) - 1), columns


def _read_table(
    reading: SheetReading, mapping: TableMapping, columns: list[Column], scope: Scope, stated: Stated
) -> None:
    """Read one table of a mapping."""
    table, items, grid = scope.table, scope.items, reading.grid
    flow_unit = mapping.flow_unit or unit_of(items, "flow_unit") or stated.flow_unit
    units = replace(stated.units, flow=flow_unit, pressure=mapping.pressure_unit or stated.pressure_unit)
    flows = [column.index for column in columns if column.role == "flow"]
    lifts = read_lifts(table, flows, unit_of(items, "lift_unit") or stated.lift_unit)
    reading.findings += lifts.findings
    if lifts.unit is None:
        return
    reader = TableReader(table, columns, lifts, units, [])
    drafts = reader.drafts()
    reading.findings += reader.findings
    drafts, trouble = split_runs(drafts)
    reading.findings += trouble
    name = sheet_name(grid.sheet)
    place = Place(grid.file, grid.sheet, name.whole or file_variant(grid.file), None, name.side, name.port, name.run)
    tests, trouble = assemble(drafts, lifts, items, place, stated)
    reading.findings += trouble
    reading.tables.append(TableReading(table, columns, lifts, tests, table.axis.reason))


# The mapping to start from when a sheet cannot be read unaided.


def stanza(grid: Grid, table: Table | None = None, columns: Sequence[Column] = ()) -> str:
    """Return a ``columns`` entry for a job file with the cells of a grid and what is known of them."""
    if table is not None and not table.view.places:
        return _of_table(grid, table, columns)
    view = upright(grid)
    found = view.number_columns() or [(0, 4, 15), (1, 4, 15)]
    heads: dict[int, Label] = {}  # what is written right over each column
    for column, first, _ in found:
        labels = [label for row in (first - 1, first - 2) if row >= 0 and (label := view.label(row, column))]
        heads[column] = labels[0] if labels else Label()
    lift, first, last = next((numbers for numbers in found if heads[numbers[0]].kind == "lift"), found[0])
    flows = [column for column, _, _ in found if column != lift][:MOST] or [lift + 1]
    entries = []
    for index in flows:
        said = heads.get(index, Label())
        port = said.port if said.side or said.unit else None
        entries.append(_entry(_cells(grid, (first, index), (last, index)), said.side or UNKNOWN, port or UNKNOWN))
    units = {heads[index].unit for index in flows if index in heads}
    known = [unit.name for unit in units if measures(unit, "flow")]
    own = heads[lift].unit
    lift_unit = own.name if measures(own, "length") else UNKNOWN
    lifts = _cells(grid, (first, lift), (last, lift))
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
        cells = _cells(grid, view.place(table.axis.first, said.index), view.place(table.axis.last, said.index))
        alone = who.count((said.side, said.port, said.run, said.variant, said.head)) == 1
        more = {"run": said.run, "variant": said.variant or None, "head": said.head}
        entries.append(_entry(cells, said.side or UNKNOWN, said.port if said.port and alone else UNKNOWN, **more))
    lifts = _cells(
        grid, view.place(table.axis.first, table.axis.column), view.place(table.axis.last, table.axis.column)
    )
    return _written(grid, lifts, lift_unit, units.pop() if len(units) == 1 else UNKNOWN, entries)


def _entry(cells: str, side: str, port: str, **more: str | int | None) -> str:
    """One column of flows; `more` is its run, variant and head where they are known."""
    known = [(key, value) for key, value in (("side", side), ("port", port), *more.items()) if value]
    rest = ", ".join(f"{key} = {value if isinstance(value, int) else quoted(value)}" for key, value in known)
    return f'{{ cells = "{cells}", {rest} }}'


def _written(grid: Grid, lift: str, lift_unit: str, flow_unit: str, entries: Sequence[str]) -> str:
    """The whole entry."""
    sheet = f"sheet = {quoted(grid.sheet)}, " if grid.sheet is not None else ""
    return (
        f'columns = {{ {sheet}lift = "{lift}", lift_unit = {quoted(lift_unit)}, flow_unit = {quoted(flow_unit)}, '
        f"flow = [{', '.join(entries)}] }}"
    )


def mapping_lines(mapping: str) -> list[str]:
    """Lay out a ``columns`` entry as a table of its own, a line for each column of flows."""
    table = tomllib.loads(mapping)["columns"]
    lines = ["[variant.columns]", *(f"{key} = {quoted(value)}" for key, value in table.items() if key != "flow")]
    return [*lines, "flow = [", *(f"  {_entry(**entry)}," for entry in table["flow"]), "]"]


def _cells(grid: Grid, first: tuple[int, int], last: tuple[int, int]) -> str:
    """A range of one column or row as the mapping writes it."""
    if grid.lines is not None and last[0] < len(grid.lines):
        return f"{grid.lines[first[0]]}:{first[1] + 1}-{grid.lines[last[0]]}:{last[1] + 1}"
    return f"{column_letters(first[1])}{first[0] + 1}:{column_letters(last[1])}{last[0] + 1}"


def quoted(text: str | None) -> str:
    """Return a string as TOML writes it."""
    plain = (text or "").replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(mark if mark.isprintable() else f"\\U{ord(mark):08X}" for mark in plain) + '"'
