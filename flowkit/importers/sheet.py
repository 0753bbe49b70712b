"""One grid -> its tests: tables, what holds for them, their columns, lifts and flows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from flowkit.importers.assemble import Place, assemble
from flowkit.importers.grid import Grid
from flowkit.importers.items import Item, refused, unreadable
from flowkit.importers.labels import FLOW_QUANTITIES, resolve_codes
from flowkit.importers.layouts import Detection, find_layouts
from flowkit.importers.layouts.columns import Column, describe, heading_labels
from flowkit.importers.layouts.lifts import Lifts, read_lifts
from flowkit.importers.layouts.readings import Draft, Units, read_drafts
from flowkit.importers.metadata import Metadata, read_metadata
from flowkit.importers.names import SheetName, file_variant, sheet_name
from flowkit.importers.runs import split_runs
from flowkit.importers.scopes import Key, Scope, scopes
from flowkit.importers.stanza import has_numbers
from flowkit.importers.stated import Stated
from flowkit.importers.tables import Table
from flowkit.importers.view import View, upright
from flowkit.model import Finding, FlowTest, Side

__all__ = ["SheetReading", "TableReading", "read_sheet", "unit_of"]

UNHEADED_SEARCH = 60  # rows and columns of a sheet without lifts that are looked at for words of flow


@dataclass(frozen=True, slots=True)
class TableReading:
    """How one table was read.

    Attributes
    ----------
    table : Table
    detection : Detection
        Its layout, and why.
    columns : list of Column
    lifts : Lifts
    tests : list of FlowTest
    """

    table: Table
    detection: Detection
    columns: list[Column]
    lifts: Lifts
    tests: list[FlowTest]


@dataclass(slots=True)
class SheetReading:
    """How one grid was read.

    Attributes
    ----------
    grid : Grid
    view : View
    metadata : Metadata
    tables : list of TableReading
    findings : list of Finding
    """

    grid: Grid
    view: View
    metadata: Metadata = field(default_factory=Metadata)
    tables: list[TableReading] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    @property
    def tests(self) -> list[FlowTest]:
        """The tests of all its tables."""
        return [test for table in self.tables for test in table.tests]


def read_sheet(grid: Grid, stated: Stated) -> SheetReading:
    """Read one grid by its own headings.

    Parameters
    ----------
    grid : Grid
    stated : Stated

    Returns
    -------
    SheetReading
        Without tests where the grid has no table.
    """
    view = upright(grid)
    reading = SheetReading(grid, view)
    reading.findings += _hidden(grid)
    layouts, trouble = find_layouts(view)
    reading.findings += trouble
    if not layouts:
        _refuse_unheaded(reading)
        return reading
    tables = [layout.table for layout in layouts]
    said = read_metadata(view, _taken(view, layouts), stated.pressure_unit)
    reading.metadata = said
    reading.findings += said.findings
    name = sheet_name(grid.sheet)
    words = list(said.words)
    for table in tables:
        for label in heading_labels(table):
            words += label.languages
    scoped, clashes = scopes(tables, said)
    reading.findings += clashes
    titles = _title_variants(scoped)
    for layout, scope, title in zip(layouts, scoped, titles, strict=True):
        _read_table(reading, layout, scope, title, name, words, stated)
    _refuse_twins(reading)
    return reading


def _refuse_unheaded(reading: SheetReading) -> None:
    """Refuse a sheet that speaks of flow and has columns of numbers but no heading of lifts."""
    if reading.findings or not has_numbers(reading.grid):
        return
    view = reading.view
    for row in range(min(len(view.rows), UNHEADED_SEARCH)):
        for column in range(min(view.width, UNHEADED_SEARCH)):
            label = view.label(row, column)
            if label is None:
                continue
            flow = label.unit is not None and label.unit.quantity in FLOW_QUANTITIES
            if flow or label.kind == "flow" or (label.side is not None and not label.rest):
                what = (
                    "this sheet speaks of flow, but none of its columns or rows of numbers is headed as lift; head it"
                )
                reading.findings.append(unreadable(view.source(row, column), what))
                return


def _taken(view: View, layouts: Sequence[Detection]) -> list[list[tuple[int, int]]]:
    """For each row of the grid the columns that belong to tables."""
    taken: list[list[tuple[int, int]]] = [[] for _ in view.rows]
    for layout in layouts:
        top, left, bottom, right = layout.table.corners()
        for row in range(top, min(bottom + 1, len(taken))):
            if row not in layout.aside:
                taken[row].append((left, right))
    return taken


def _hidden(grid: Grid) -> list[Finding]:
    """Report hidden rows and columns that hold something."""
    found = []
    rows = [r for r in sorted(grid.hidden_rows) if r < len(grid.rows) and any(v is not None for v in grid.rows[r])]
    columns = [c for c in sorted(grid.hidden_columns) if any(c < len(row) and row[c] is not None for row in grid.rows)]
    for name, places, cell in (
        ("row", rows, lambda place: grid.source(place, 0)),
        ("column", columns, lambda place: grid.source(0, place)),
    ):
        if places:
            count = f"{len(places)} hidden {name}s hold" if len(places) > 1 else f"a hidden {name} holds"
            what = f"{count} something and was left out; show it and read the sheet again if it belongs to the test"
            found.append(Finding("hidden-content", "warning", cell(places[0]), what))
    return found


def _title_variants(scoped: Sequence[Scope]) -> list[str | None]:
    """The variants that the titles of several tables give; one table's title is no variant."""
    rests = [
        scope.title.label.rest if scope.title is not None and not scope.title.label.kind else "" for scope in scoped
    ]
    if len(scoped) < 2 or not all(rests) or len({rest.casefold() for rest in rests}) < 2:
        return [None] * len(scoped)
    return list(rests)


def _read_table(
    reading: SheetReading,
    layout: Detection,
    scope: Scope,
    title: str | None,
    name: SheetName,
    words: Sequence[str],
    stated: Stated,
) -> None:
    """Read one table of a sheet."""
    table = layout.table
    items = scope.items
    _resolve_side(items, words, reading.findings)
    side = _side_of(items) or name.side or stated.side
    columns, trouble = describe(table, side, words)
    reading.findings += trouble
    units = Units(
        unit_of(items, "flow_unit") or stated.flow_unit, unit_of(items, "pressure_unit") or stated.pressure_unit
    )
    lifts = read_lifts(
        table, [c.index for c in columns if c.role == "flow"], unit_of(items, "lift_unit") or stated.lift_unit
    )
    reading.findings += lifts.findings
    drafts: list[Draft] = []
    tests: list[FlowTest] = []
    if lifts.unit is not None:
        drafts, trouble = read_drafts(table, columns, lifts, units, words)
        reading.findings += trouble
        drafts, trouble = split_runs(drafts)
        reading.findings += trouble
        place = _place(reading.grid, drafts, items, name, title, words)
        tests, trouble = assemble(drafts, lifts, items, place, stated)
        reading.findings += trouble
    if not any(column.role == "flow" for column in columns) and not any(c.role == "trouble" for c in columns):
        what = "this table has lifts but no column that is headed as a flow; head its flows with side, port or unit"
        if (
            any(column.role == "ignored" and column.kind not in ("average", "gain", "derived") for column in columns)
            or not columns
        ):
            reading.findings.append(unreadable(table.view.source(table.row, table.lifts[0]), what))
    reading.tables.append(TableReading(table, layout, columns, lifts, tests))


def _place(
    grid: Grid,
    drafts: Sequence[Draft],
    items: Mapping[Key, Item],
    name: SheetName,
    title: str | None,
    words: Sequence[str],
) -> Place:
    """Say what names a table's tests where their own headings do not."""
    told = _side_of(items) is not None or (bool(drafts) and all(draft.side is not None for draft in drafts))
    side: Side | None = name.side
    if name.code is not None and side is None:
        sides = resolve_codes([name.code], words)
        side = sides[name.code] if sides else None
    ports_told = ("port", None) in items or (bool(drafts) and all(draft.port is not None for draft in drafts))
    needed = (side is not None and not told) or (name.port is not None and not ports_told) or name.run is not None
    variant = (name.rest if needed else name.whole) or file_variant(grid.file)
    return Place(
        grid.file, grid.sheet, variant, title, None if told else side, None if ports_told else name.port, name.run
    )


def _resolve_side(items: dict[Key, Item], words: Sequence[str], findings: list[Finding]) -> None:
    """Say which side a letter stands for that a title or a label gives."""
    item = items.get(("side", None))
    if item is None or not str(item.value).startswith("?"):
        return
    code = str(item.value)[1:]
    sides = resolve_codes([code], words)
    if sides is None:
        what = (
            f"the letter {code.upper()!r} may be intake or exhaust, depending on the language; write intake or exhaust"
        )
        findings.append(refused(item.source, what))
        del items["side", None]
    else:
        items["side", None] = replace(item, value=sides[code])


def _side_of(items: Mapping[Key, Item]) -> Side | None:
    """The side a title or a label gives."""
    item = items.get(("side", None))
    value = item.value if item is not None else None
    return value if value in ("intake", "exhaust") else None  # type: ignore[return-value]


def unit_of(items: Mapping[Key, Item], kind: str) -> str | None:
    """A unit that a line of the sheet states."""
    item = items.get((kind, None))
    return str(item.value) if item is not None else None


def _refuse_twins(reading: SheetReading) -> None:
    """Report tests of one sheet that nothing tells apart."""
    seen: dict[tuple[object, ...], FlowTest] = {}
    for test in reading.tests:
        key = (test.variant.casefold(), test.side, test.port, test.run, test.head)
        first = seen.setdefault(key, test)
        if first is not test and test.points and first.points:
            who = " ".join(str(part) for part in (test.side, test.port) if part) or "a test"
            what = (
                f"two tables of this sheet give {who} of {test.variant!r}, here and from {first.points[0].source}; "
                "say over each which side, port, run or variant it is"
            )
            reading.findings.append(refused(test.points[0].source, what))
