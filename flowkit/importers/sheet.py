"""One grid -> its tests: tables, what holds for them, their columns, lifts and flows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from operator import attrgetter

from flowkit.importers.anchors import lift_headings
from flowkit.importers.assemble import Place, assemble
from flowkit.importers.files.grid import Grid
from flowkit.importers.items import Item, Units, refused, unreadable
from flowkit.importers.labels import FLOW_QUANTITIES, resolve_codes
from flowkit.importers.layouts import Detection, find_layouts
from flowkit.importers.layouts.columns import Column, heading_labels
from flowkit.importers.layouts.drafts import Draft, TableContext
from flowkit.importers.layouts.lifts import Lifts, read_lifts
from flowkit.importers.layouts.readings import read_drafts
from flowkit.importers.layouts.roles import describe
from flowkit.importers.left_out import formula_gaps, hidden_content
from flowkit.importers.mapping import Stated
from flowkit.importers.metadata import Metadata, read_metadata
from flowkit.importers.names import SheetName, file_variant, sheet_name
from flowkit.importers.runs import split_runs
from flowkit.importers.scopes import Key, Scope, scopes
from flowkit.importers.stanza import has_numbers
from flowkit.importers.table import Table
from flowkit.importers.view import View, upright
from flowkit.model import Finding, FlowTest, Side

__all__ = ["SheetReading", "TableReading", "read_sheet", "refuse_twins", "unit_of"]

_WHO = attrgetter("side", "port", "run")
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
    reading.findings += hidden_content(grid)
    layouts, trouble = find_layouts(view)
    reading.findings += trouble
    if not layouts:
        _refuse_unheaded(reading)
        return reading
    tables = [layout.table for layout in layouts]
    said = read_metadata(view, _taken(view, layouts), Units(stated.flow_unit, stated.pressure_unit))
    reading.metadata = said
    reading.findings += said.findings
    words = list(said.words)
    for table in tables:
        for label in heading_labels(table):
            words += label.languages
    scoped, clashes = scopes(tables, said)
    reading.findings += clashes
    reader = _TableReader(reading, sheet_name(grid.sheet), words, stated)
    for layout, scope, title in zip(layouts, scoped, _title_variants(scoped), strict=True):
        reading.tables.append(reader.read(layout, scope.items, title))
    reading.findings += formula_gaps(reading)
    refuse_twins(reading)
    return reading


def _refuse_unheaded(reading: SheetReading) -> None:
    """Refuse a sheet that speaks of flow and has columns of numbers but no heading of lifts."""
    if reading.grid.formula_gaps and lift_headings(reading.view):
        reading.findings += formula_gaps(reading)
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


def _title_variants(scoped: Sequence[Scope]) -> list[str | None]:
    """The variants that the titles of several tables give; one table's title is no variant."""
    rests = [
        scope.title.label.rest if scope.title is not None and not scope.title.label.kind else "" for scope in scoped
    ]
    if len(scoped) < 2 or not all(rests) or len({rest.casefold() for rest in rests}) < 2:
        return [None] * len(scoped)
    return list(rests)


class _TableReader:
    """Reads the tables of one sheet."""

    def __init__(self, reading: SheetReading, name: SheetName, words: Sequence[str], stated: Stated) -> None:
        self.grid = reading.grid
        self.findings = reading.findings
        self.name = name
        self.words = words
        self.stated = stated

    def read(self, layout: Detection, items: dict[Key, Item], title: str | None) -> TableReading:
        """Read one table, given what the sheet's lines say of it."""
        table, stated = layout.table, self.stated
        _take_names_of_lifts(table, items)
        self._resolve_side(items)
        columns, trouble = describe(table, _side_of(items) or self.name.side or stated.side, self.words)
        self.findings += trouble
        flow_unit = unit_of(items, "flow_unit") or stated.flow_unit
        units = Units(flow_unit, unit_of(items, "pressure_unit") or stated.pressure_unit)
        flows = [column.index for column in columns if column.role == "flow"]
        lifts = read_lifts(table, flows, unit_of(items, "lift_unit") or stated.lift_unit)
        self.findings += lifts.findings
        tests: list[FlowTest] = []
        if lifts.unit is not None:
            context = TableContext(table, columns, lifts, units, self.words)
            drafts = read_drafts(context)
            self.findings += context.findings
            drafts, trouble = split_runs(drafts)
            self.findings += trouble
            tests, trouble = assemble(drafts, lifts, items, self._place(drafts, items, title), stated)
            self.findings += trouble
        if _lacks_flows(columns) and not self.grid.formula_gaps:
            place = table.view.source(table.row, table.lifts[0])
            if has_numbers(self.grid):
                what = "this table has lifts but no column headed as a flow; head its flows with side, port or unit"
                self.findings.append(unreadable(place, what))
            else:
                self.findings.append(refused(place, "this table has lifts but no flows yet; fill them in"))
        return TableReading(table, layout, columns, lifts, tests)

    def _place(self, drafts: Sequence[Draft], items: Mapping[Key, Item], title: str | None) -> Place:
        """Say what names a table's tests where their own headings do not."""
        name, grid = self.name, self.grid
        told = _side_of(items) is not None or (bool(drafts) and all(draft.side is not None for draft in drafts))
        side: Side | None = name.side
        if name.code is not None and side is None:
            sides = resolve_codes([name.code], self.words)
            side = sides[name.code] if sides else None
        ports_told = ("port", None) in items or (bool(drafts) and all(draft.port is not None for draft in drafts))
        needed = (side is not None and not told) or (name.port is not None and not ports_told) or name.run is not None
        variant = (name.rest if needed else name.whole) or file_variant(grid.file)
        port = None if ports_told else name.port
        return Place(grid.file, grid.sheet, variant, title, None if told else side, port, name.run)

    def _resolve_side(self, items: dict[Key, Item]) -> None:
        """Say which side a letter stands for that a title or a label gives."""
        item = items.get(("side", None))
        if item is None or not str(item.value).startswith("?"):
            return
        code = str(item.value)[1:]
        sides = resolve_codes([code], self.words)
        if sides is not None:
            items["side", None] = item._replace(value=sides[code])
            return
        what = f"the letter {code.upper()!r} may be intake or exhaust, depending on the language; write one of the two"
        self.findings.append(refused(item.source, what))
        del items["side", None]


def _take_names_of_lifts(table: Table, items: dict[Key, Item]) -> None:
    """Take side and port from the heading of the lifts: ``Intake lift (mm)``."""
    for row in table.headers:
        label = table.view.label(row, table.lifts[0])
        if label is None or label.kind != "lift":
            continue
        source = table.view.source(row, table.lifts[0])
        if label.side or label.code:
            items["side", None] = Item("side", label.side or f"?{label.code}", None, source)
        if label.port:
            items["port", None] = Item("port", label.port, None, source)


def _lacks_flows(columns: Sequence[Column]) -> bool:
    """Whether a table was meant to hold flows and none of its columns can be told to."""
    if any(column.role in ("flow", "trouble") for column in columns):
        return False
    derived = ("average", "gain", "derived", "total")
    return not columns or any(column.role == "ignored" and column.kind not in derived for column in columns)


def _side_of(items: Mapping[Key, Item]) -> Side | None:
    """The side a title or a label gives."""
    item = items.get(("side", None))
    value = item.value if item is not None else None
    return value if value in ("intake", "exhaust") else None  # type: ignore[return-value]


def unit_of(items: Mapping[Key, Item], kind: str) -> str | None:
    """Return a unit that a line of the sheet states.

    Parameters
    ----------
    items : mapping
        (kind, side) -> Item.
    kind : str
        ``"lift_unit"``, ``"flow_unit"`` or ``"pressure_unit"``.
    """
    item = items.get((kind, None))
    return str(item.value) if item is not None else None


def refuse_twins(reading: SheetReading) -> None:
    """Report tests of one sheet that nothing tells apart.

    Parameters
    ----------
    reading : SheetReading
        Its findings grow.
    """
    if len(reading.tables) == 1:
        tests = reading.tables[0].tests
        if len(set(map(_WHO, tests))) == len(tests):
            return
    seen: dict[tuple[object, ...], FlowTest] = {}
    for test in reading.tests:
        key = (test.variant.casefold(), test.side, test.port, test.run, test.head)
        first = seen.setdefault(key, test)
        if first is not test and test.points and first.points:
            who = " ".join(str(part) for part in (test.side, test.port, f"run {test.run}") if part)
            what = (
                f"two tests of this sheet are both {who} of {test.variant!r}, here and from {first.points[0].source}; "
                "say over each which side, port, run or variant it is"
            )
            reading.findings.append(refused(test.points[0].source, what))
