"""One grid -> its tests: tables, what holds for them, their columns, lifts and flows."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from operator import attrgetter

from flowkit.importers.files.grid import Grid
from flowkit.importers.mapping import Stated
from flowkit.importers.tables import find
from flowkit.importers.tables.assemble import Place, assemble, split_runs, without_zeros
from flowkit.importers.tables.columns import RAW, Column, describe
from flowkit.importers.tables.find import CONDITION_KINDS, HEADED, UNIT_HEADED, Table
from flowkit.importers.tables.lines import VALVE_SIZE, Key, Line, Metadata, Scope, read_metadata, scopes
from flowkit.importers.tables.names import resolve_codes
from flowkit.importers.tables.readings import Draft, Lifts, TableReader, read_lifts
from flowkit.importers.tables.view import View, explained, upright
from flowkit.importers.words.items import BY_HAND, CONTRADICTED, Item, Written, read_item, refused, unreadable
from flowkit.importers.words.labels import LEFT_OUT, Label, parse_label
from flowkit.importers.words.phrases import is_sentence, named_units
from flowkit.importers.words.values import as_text
from flowkit.importers.words.vocabulary import SIDE_KINDS, fold
from flowkit.model import Finding, FlowTest, Side
from flowkit.units import FLOW_QUANTITIES, from_si, measures

SHOWN = 5  # cells named one by one before the rest are counted
UNHEADED_SEARCH = 60  # rows and columns of a sheet without lifts that are looked at for words of flow
ROUNDED, FAR_APART = 0.02, 0.1  # how far a row's test pressure may be from that of a corrected flow; from a nominal one
_WHO = attrgetter("side", "port", "run", "head")
_GENERIC = re.compile(
    r"(sheet|tabelle|tabellenblatt|blatt|feuil|feuille|hoja|foglio|worksheet|page|seite|data|daten|donnees|datos|dati|table)\s*\d*"
)
_WITH_STATE = frozenset({*SIDE_KINDS, "port", "run", "position", "letter"})  # "Intake 3, stock"
_OF_STATE = _WITH_STATE | {"state", "variant", "number", "head", "valve_head", "mark", "filler", "common"}
_HEADS = re.compile(r"(?:cylinder )?heads?\s+(?=\w+(?: \w+)?$)", re.IGNORECASE)
_SIDES: tuple[Side | None, ...] = ("intake", "exhaust", None)


@dataclass(frozen=True, slots=True)
class SheetName:
    """What a worksheet's name says."""

    whole: str | None = None
    rest: str | None = None
    side: Side | None = None
    port: str | None = None
    run: int | None = None
    code: str | None = None
    head: str | None = None
    position: bool = False  # its port is a position (LH, front), which is a head where the ports have names


def sheet_name(name: str | None) -> SheetName:
    """Read a worksheet's name."""
    clean = " ".join((name or "").replace("_", " ").split())
    if not clean or _GENERIC.fullmatch(fold(clean)):
        return SheetName()
    right = re.search(r"\bRH\b", clean, re.IGNORECASE)  # beside LH: nobody names a worksheet after the air
    label = parse_label(clean.replace(right[0], "LH") if right else clean)
    position = right[0] if right and label.position == "LH" else label.position
    verbatim = str(name).strip()
    if label.bare and set(label.kinds) == {"mark", "number"}:
        return SheetName(port=label.bare)  # "#1"
    if label.kinds == ("head", "number") and label.bare:
        return SheetName(head=label.bare)
    if not label.names:
        own = label.kind != "flow" and bool(label.kind or label.rest or label.bare)
        says = own or bool(label.rest or label.bare)
        return SheetName(whole=verbatim if says else None, rest=verbatim if own else None)
    head = label.head or (position if label.port else None)
    port = label.port or (position if not head else None)
    alone = port is not None and port == position
    whole, rest = (verbatim, label.rest) if label.rest else (None, None)
    return SheetName(whole, rest, label.side, port, label.run, label.code, head, alone)


def file_variant(file: str) -> str:
    """Return the variant a file is named after: its name without folder and ending."""
    name = file.replace("\\", "/").rpartition("/")[2]
    return name.rpartition(".")[0] or name or file


@dataclass(slots=True)
class TableReading:
    """How one table was read."""

    table: Table
    columns: list[Column]
    lifts: Lifts
    tests: list[FlowTest]
    reason: str = ""


@dataclass(slots=True)
class SheetReading:
    """How one grid was read."""

    grid: Grid
    view: View
    metadata: Metadata = field(default_factory=Metadata)
    tables: list[TableReading] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    @property
    def tests(self) -> list[FlowTest]:
        """The tests of all its tables."""
        return [test for table in self.tables for test in table.tests]


def read_sheet(grid: Grid, stated: Stated, general: Mapping[Key, Item] | None = None) -> SheetReading:
    """Read one grid by its own headings; `general` is what other worksheets say of the whole file."""
    view = explained(upright(grid))
    reading = SheetReading(grid, view, findings=_left_out(grid))
    found = find.find_tables(view)
    tables = [table for table in found if table.axis.reason != "?"]
    unclear = [table for table in found if table.axis.reason == "?"]
    for table in unclear:
        what = "this table can be read with the lifts down or across; say which numbers are lifts"
        reading.findings.append(unreadable(table.view.source(table.row, table.axis.column), what))
    before = list(reading.findings)
    empty = _read_tables(reading, tables, unclear, stated, general)
    lines = {id(e.table) for e in reading.tables if e.reason == "no table" and len(e.table.axis.rows) < 3}
    if 0 < len(lines) < len(tables):  # one number or two under a text were lines of the sheet, and no table
        reading.findings, reading.tables = before, []
        tables = [table for table in tables if id(table) not in lines]
        empty = _read_tables(reading, tables, unclear, stated, general)
    reading.tables = [entry for entry in reading.tables if entry.reason != "no table"]
    for entry in reading.tables:
        if entry.tests and not entry.table.view.turned:
            reading.findings += _unread_below(reading, entry) + _unread_beside(reading, entry)
    for line in reading.metadata.lines if reading.tests else ():
        if _EACH.search(" ".join(line.label.kinds)):
            what = f"{line.text!r} gives ports states of their own; say which state each column is"
            reading.findings.append(unreadable(line.source, what))
    if view.unexplained is not None and reading.tests:
        what = f"{view.value(*view.unexplained)!r} explains letters or numbers, and no heading has one alone"
        what += "; say which state each table or column is"
        reading.findings.append(unreadable(view.source(*view.unexplained), what))
    for place in empty:
        what = "this table has lifts but no flows yet"
        filled = Finding("column-ignored", "note", place, f"{what} and was left out")
        reading.findings.append(filled if reading.tests else refused(place, f"{what}; fill them in"))
    if not reading.tables and not any(finding.severity == "error" for finding in reading.findings):
        _refuse_unheaded(reading)
    if tables:
        reading.findings += _formula_gaps(reading)
    refuse_twins(reading)
    return reading


def _read_tables(
    reading: SheetReading,
    tables: Sequence[Table],
    unclear: Sequence[Table],
    stated: Stated,
    general: Mapping[Key, Item] | None,
) -> list[str]:
    """Read what is around the tables, then each of them; return where those are that have no flows yet."""
    view, grid = reading.view, reading.grid
    taken: list[list[tuple[int, int]]] = [[] for _ in view.rows]  # the columns of each row that belong to tables
    for table in [*tables, *unclear]:
        top, left, bottom, right = table.corners()
        for row in range(top, min(bottom + 1, len(taken))):
            if not _is_line(table, row):
                taken[row].append((left, right))
    said = read_metadata(view, taken, stated.units)
    reading.metadata = said
    if not tables:
        return []
    words = list(said.words)
    for table in tables:
        labels = [label for row in table.headers for label in table.view.labels(row)[table.left : table.right + 1]]
        words += [word for label in [*labels, *table.named.values()] if label is not None for word in label.languages]
    scoped, clashes = scopes(tables, said)
    reading.findings += said.findings + clashes
    reader = _Reader(reading, sheet_name(grid.sheet and str(view.meant(grid.sheet))), words, stated)
    for scope, title in zip(scoped, _title_variants(scoped, said.lines), strict=True):
        reading.tables.append(reader.read(scope.table, {**(general or {}), **scope.items}, title))
    return reader.empty


def _is_line(table: Table, row: int) -> bool:
    """Whether a row inside a table is a line of the sheet; with lifts across: fewer values than lifts, and a label."""
    view = table.view
    if not view.turned:
        return row < table.row and row not in table.headers and row not in table.named
    column = row
    if column == table.axis.column or column in table.headers:
        return False
    label = next((said for at in range(table.axis.first) if (said := view.label(at, column)) is not None), None)
    return label is not None and label.kind in CONDITION_KINDS and find.is_line_across(view, table.axis, column)


# What is left out, or not read.


def _left_out(grid: Grid) -> list[Finding]:
    """Report hidden rows and columns that hold something, and cells that are struck through."""
    rows = [row for row in sorted(grid.hidden_rows) if row < len(grid.rows) and set(grid.rows[row]) - {None}]
    filled = {column for row in grid.rows for column, value in enumerate(row) if value is not None}
    columns = sorted(grid.hidden_columns & filled)
    found = []
    for name, places in (("row", [(row, 0) for row in rows]), ("column", [(0, column) for column in columns])):
        if places:
            some = f"{len(places)} hidden {name}s hold values and were"
            which = some if len(places) > 1 else f"a hidden {name} holds values and was"
            what = f"{which} left out; if it belongs to the test, say in the job file which cells hold what (columns)"
            found.append(Finding("hidden-content", "warning", grid.source(*places[0]), what))
    struck = sorted(cell for cell in grid.struck if grid.value(*cell) is not None)
    if struck:
        count = "a cell is" if len(struck) == 1 else f"{len(struck)} cells are"
        what = f"{count} struck through and gave no point: whoever wrote the sheet withdrew it"
        found.append(Finding("struck-out", "note", grid.source(*struck[0]), what))
    return found


def _formula_gaps(reading: SheetReading) -> list[Finding]:
    """Report formulas without a computed value where a value was wanted."""
    grid, unwanted = reading.grid, set[tuple[int, int]]()
    for entry in reading.tables if grid.formula_gaps else ():
        table = entry.table
        view, wide = table.view, range(table.left, table.right + 1)
        columns = [c.index for c in entry.columns if c.kind in LEFT_OUT or c.role == "ignored"]
        unwanted |= {view.place(row, index) for index in columns for row in table.span}
        rows = [row for row, label in table.named.items() if label.kind in LEFT_OUT]
        for row in range(
            table.axis.last + 1, min(table.axis.last + 4, len(view.rows))
        ):  # headed as an average or a gain
            labels = view.labels(row)[table.left : table.axis.column + 1]
            if any(label and (label.kind in LEFT_OUT or "average" in label.kinds) for label in labels):
                rows.append(row)
        unwanted |= {view.place(row, index) for row in rows for index in wide}
    cells = sorted(grid.formula_gaps - unwanted)
    remedy = "open and save it in the spreadsheet program"
    found = [(cell, "this formula has no computed value in the file") for cell in cells[:SHOWN]]
    if len(cells) > SHOWN:
        found.append((cells[SHOWN], f"{len(cells) - SHOWN} more formulas of this sheet have no computed value"))
    return [Finding("not-a-number", "error", grid.source(*cell), f"{what}; {remedy}") for cell, what in found]


def _unread_beside(reading: SheetReading, entry: TableReading) -> list[Finding]:
    """Ask about a column of numbers right beside a table, in its rows, that nothing explains."""
    view, table = reading.view, entry.table
    known = {(placed.row, placed.column) for placed in reading.metadata.placed}
    corners = [other.table.corners() for other in reading.tables if not other.table.view.turned]
    for column in range(table.right + 1, min(table.right + 2 + find.GAP_WIDTH, view.width)):
        if any(left <= column <= right and table.axis.first <= bottom for _, left, bottom, right in corners):
            break
        label = view.label(table.row, column)
        if label is not None and (label.foreign or label.kind in LEFT_OUT | {"notes"}):
            continue
        rows = [row for row in table.axis.rows if view.kinds[row][column] == "n" and (row, column) not in known]
        if len(rows) > 2 and 2 * len(rows) > len(table.axis.rows):
            what = "the numbers from here down are beside a table, and nothing says what they are"
            return [unreadable(view.source(rows[0], column), f"{what}; say which test it is, or leave them out")]
    return []


def _unread_below(reading: SheetReading, entry: TableReading) -> list[Finding]:
    """Name a row right under a table with a number under its flows that gave no point: ``6 (recheck) | 113.2``."""
    view, bottom, lift = reading.view, entry.table.bottom, entry.table.axis.column
    known = {(placed.row, placed.column) for placed in reading.metadata.placed}
    flows = [c.index for c in entry.columns if c.role == "flow"]
    below = range(bottom + 1, min(bottom + 2 + find.BLANK_DEPTH, len(view.rows)))
    row = next((row for row in below if any(view.kinds[row][c] == "n" for c in flows)), None)
    inside = row is None or any(other.table.top <= row <= other.table.bottom for other in reading.tables)
    if row is None or inside or any((row, column) in known for column in flows):
        return []
    lead, source = as_text(view.value(row, lift)), view.source(row, lift)
    if all(view.kinds[row][column] == "n" for column in (lift, *flows)):
        what = "from here on numbers are under the columns of the table above and gave no points"
        return [unreadable(source, f"{what}; say which test they are, or leave them out")]
    what = f"this row has figures under the flows and gave no point: its lift is {lead!r}"
    if lead[:1].isdigit():
        return [Finding("not-a-number", "error", source, f"{what}; {BY_HAND}")]
    return [Finding("column-ignored", "note", view.source(row, flows[0]), what)] if row == bottom + 1 else []


def _refuse_unheaded(reading: SheetReading) -> None:
    """Refuse a sheet that mentions flow and has columns of numbers but no heading of lifts."""
    view = reading.view
    if reading.grid.formula_gaps and find.lift_cells(view):
        reading.findings += _formula_gaps(reading)
    if any(f.severity == "error" for f in reading.findings) or not view.has_numbers:
        return
    for row in range(min(len(view.rows), UNHEADED_SEARCH)):
        for column, label in enumerate(view.labels(row)[:UNHEADED_SEARCH]):
            flow = label is not None and (measures(label.unit, *FLOW_QUANTITIES) or label.kind == "flow")
            if label is not None and (flow or (label.side is not None and not label.rest)):
                what = "this sheet mentions flow, but none of its columns or rows of numbers is headed as lift"
                reading.findings.append(unreadable(view.source(row, column), what))
                return


def refuse_twins(reading: SheetReading) -> None:
    """Report tests of one sheet that nothing distinguishes."""
    tests = reading.tests
    if len(reading.tables) == 1 and len(set(map(_WHO, tests))) == len(tests):
        return
    seen: dict[tuple[object, ...], FlowTest] = {}
    for test in tests:
        first = seen.setdefault((test.variant.casefold(), *_WHO(test)), test)
        if first is not test and test.points and first.points:
            who = " ".join(str(part) for part in (test.side, test.port, f"run {test.run}") if part)
            what = (
                f"two tests of this sheet are both {who} of {test.variant!r}, here and from {first.points[0].source}; "
                "set the heading of one right in the job file (values), or leave it out (leave_out)"
            )
            reading.findings.append(refused(test.points[0].source, what))


# The state that a title names.


_EACH = re.compile(r"(?:(?:intake|exhaust|(?:port|head) number) (?:(?!intake|exhaust|port|head)\w+ )*?state\b.*?){2}")


def _title_variants(scoped: Sequence[Scope], lines: Sequence[Line]) -> list[str | None]:
    """The variants that the titles of several tables give, or a line that is a state's name alone."""
    titles = [scope.title for scope in scoped]
    rests = [title.label.rest if title is not None and not title.label.kind else "" for title in titles]
    sides = [title.label.side for title in titles if title is not None]
    sizes = all(VALVE_SIZE.fullmatch(rest) for rest in rests) and len(set(sides)) == len(sides)
    if not sizes and len(scoped) > 1 and all(rests) and len({rest.casefold() for rest in rests}) > 1:
        return list(rests)
    named = []  # lines that are the name of a state and nothing else: "Ported stage 2"
    for line in lines:
        kinds = set(line.label.kinds) - ({"unknown"} if _HEADS.match(line.text) else set())
        if line.label.rest and "state" in kinds and kinds <= _OF_STATE and line.label.unit is None:
            named += [] if is_sentence(line.text) else [line]
    if len({line.label.rest.casefold() for line in named}) == 1:
        return [named[0].label.rest] * len(scoped)
    above = [[line.label.rest for line in named if line.row < scope.table.corners()[0]] for scope in scoped]
    below = named and named[-1].row > scoped[-1].table.corners()[2]
    return [states[-1] for states in above] if all(above) and not below else [None] * len(scoped)


class _Reader:
    """Reads the tables of one sheet."""

    def __init__(self, reading: SheetReading, name: SheetName, words: Sequence[str], stated: Stated) -> None:
        self.grid, self.findings, self.lines = reading.grid, reading.findings, reading.metadata.lines
        sides = resolve_codes([name.code], words) if name.code and not name.side else None
        self.name = replace(name, side=sides[name.code]) if sides and name.code else name
        self.words, self.stated = words, stated
        self.file = sheet_name(file_variant(reading.grid.file))
        self.empty: list[str] = []

    def read(self, table: Table, items: dict[Key, Item], title: str | None) -> TableReading:
        """Read one table, given what the sheet's lines say of it."""
        stated = self.stated
        _take_names_of_lifts(table, items)
        self._resolve_side(items)
        flow_unit = unit_of(items, "flow_unit") or stated.flow_unit
        side = _side_of(items) or self.name.side or stated.side or self.file.side
        for row, column in table.sections.items():
            label = table.view.label(row, column)
            side = side or (label.side if label is not None else None)
        columns, trouble = describe(table, side, flow_unit, self.words, self._titled(items).text)
        if _is_no_flow_table(table, columns, flow_unit):
            return TableReading(table, columns, Lifts(), [], "no table")
        item = items.get(("flow_unit", None))
        headed = {c.unit.name for c in columns if c.role == "flow" and c.unit is not None and c.flowing}
        if item is not None and item.unit is not None and headed and item.unit.name not in headed:
            what = f"the sheet says that flows are in {item.value}, and their headings say {', '.join(sorted(headed))}"
            self.findings.append(refused(item.source, f"{what}; say which is right"))
        self.findings += trouble
        pressure_unit = unit_of(items, "pressure_unit") or stated.pressure_unit
        units = replace(stated.units, flow=flow_unit, pressure=pressure_unit)
        parts = _by_side(table, columns)
        if len(parts) > 1:
            items.pop(("side", None), None)
        tests: list[FlowTest] = []
        for part, mine in parts:
            flows = [column.index for column in mine if column.role in ("flow", "reading")]
            lifts = read_lifts(part, flows, unit_of(items, "lift_unit") or stated.lift_unit)
            self.findings += lifts.findings
            if lifts.unit is not None:
                reader = TableReader(part, mine, lifts, units, self.words)
                drafts, zeros = without_zeros(reader.drafts())
                drafts, trouble = split_runs(drafts)
                self.findings += reader.findings + zeros + trouble
                self.findings += self._contradictions(drafts, items) + self._pressures_apart(drafts, items)
                made, trouble = assemble(drafts, lifts, items, self._place(drafts, items, title), stated)
                tests += made
                self.findings += trouble + _half_named(drafts, made)
        derived = ("average", "gain", "derived", "total")
        none = not any(column.role in ("flow", "trouble", "reading") for column in columns)
        meant = not columns or any(column.role == "ignored" and column.kind not in derived for column in columns)
        if none and meant and not self.grid.formula_gaps:  # it was meant to hold flows and none of its columns is clear
            place = table.view.source(table.row, table.axis.column)
            if any("n" in table.view.kinds[row][c.index] for c in columns for row in table.axis.rows):
                self.findings.append(unreadable(place, "this table has lifts but no column headed as a flow"))
            else:
                self.empty.append(place)
        return TableReading(table, columns, lifts, tests, table.axis.reason)

    def _titled(self, items: Mapping[Key, Item]) -> Line:
        """The title of a table that names a port and its side; an empty one where none does."""
        port = items.get(("port", None))
        found = [line for line in self.lines if port is not None and line.source == port.source]
        named = (line for line in found if line.label.side and line.label.port)
        return next(named, Line(0, 0, "", Label(), ""))

    def _contradictions(self, drafts: Sequence[Draft], items: Mapping[Key, Item]) -> list[Finding]:
        """Refuse a table whose headings all name one side where its title, label or worksheet names the other."""
        title, ports = self._titled(items), {draft.port for draft in drafts}
        if title.text and ports and not ports & {None, title.label.port}:
            what = f"the sheet says {title.text!r} and the headings say {' and '.join(sorted(map(str, ports)))}"
            return [refused(title.source, f"{what}; say which is right")]
        sides, item, name = {draft.side for draft in drafts}, items.get(("side", None)), self.name.side
        said = _side_of(items) if item is not None else name
        if sides == {None} and item is not None and name not in (None, said):
            what = f"the sheet says {item.value} and the name of the worksheet says {name}; say which is right"
            return [refused(item.source, what)]
        own = next(iter(sides), None)
        said = said or name
        if len(sides) != 1 or own is None or said in (None, own):
            return []
        where = item.source if item is not None and said == _side_of(items) else drafts[0].where
        whose = "the sheet" if item is not None else "the name of the worksheet"
        what = f"the headings say {own} and {whose} says {said} ({where}); say which is right"
        return [refused(drafts[0].where, what)]

    def _pressures_apart(self, drafts: Sequence[Draft], items: Mapping[Key, Item]) -> list[Finding]:
        """Ask about pressures of rows beside another that a line, or the user, states for the flows."""
        wanted, item = self.stated.conditions.test_pressure_pa, items.get(("pressure", None))
        lines = [line.label.treatment for line in self.lines if item is not None and line.source == item.source]
        corrected = any(treatment and fold(treatment) not in RAW for treatment in lines)
        for draft in drafts if "test_pressure_pa" not in self.stated.overrides else ():
            own = [pressure for pressure in draft.pressures if pressure is not None]
            rows = " to ".join(dict.fromkeys(f"{from_si(p, 'inH2O'):.4g}" for p in (min(own), max(own)))) if own else ""
            if own and item is not None:
                apart = [abs(pressure / float(item.value) - 1) for pressure in own]
                if (corrected and max(apart) > ROUNDED) or min(apart) > FAR_APART:
                    of = "corrected to" if corrected else "at"
                    at = f"{from_si(float(item.value), 'inH2O'):.4g} inH2O"
                    what = f"the sheet says that its flows are {of} {at}, and their rows give {rows} inH2O"
                    remedy = "state the test pressure that they are for, with overrides = true and a reason, in the job"
                    return [refused(item.source, f"{what}; {remedy}")]
            if own and wanted is not None and min(abs(pressure / wanted - 1) for pressure in own) > FAR_APART:
                at = f"{from_si(wanted, 'inH2O'):.4g} inH2O"
                what = f"the rows give a test pressure of {rows} inH2O, but {at} was stated"
                return [Finding("stated-contradicts", "error", draft.where, f"{what}; {CONTRADICTED}")]
        return []

    def _place(self, drafts: Sequence[Draft], items: Mapping[Key, Item], title: str | None) -> Place:
        """Say what names a table's tests where their own headings do not."""
        name, grid = self.name, self.grid
        known = _side_of(items) is not None or (bool(drafts) and all(draft.side is not None for draft in drafts))
        side = name.side
        ports_known = ("port", None) in items or (bool(drafts) and all(draft.port is not None for draft in drafts))
        needed = (side is not None and not known) or (name.port is not None and not ports_known) or name.run is not None
        variant = (name.rest if needed or (name.position and ports_known) else name.whole) or file_variant(grid.file)
        port, head = (None, name.port if name.position else name.head) if ports_known else (name.port, name.head)
        return Place(
            grid.file, grid.sheet, variant, title, None if known else side or self.file.side, port, name.run, head
        )

    def _resolve_side(self, items: dict[Key, Item]) -> None:
        """Say which side a letter means that a title or a label gives."""
        item = items.get(("side", None))
        if item is None or not str(item.value).startswith("?"):
            return
        code = str(item.value)[1:]
        sides = resolve_codes([code], self.words)
        if sides is not None:
            items["side", None] = item._replace(value=sides[code])
            return
        what = f"the letter {code.upper()!r} may be intake or exhaust, depending on the language; {BY_HAND}"
        self.findings.append(refused(item.source, what))
        del items["side", None]


def _half_named(drafts: Sequence[Draft], tests: Sequence[FlowTest]) -> list[Finding]:
    """Ask about a table of which some columns have a side, or of one side a port, and others have none."""
    for name, groups in (("side", [tests]), ("port", [[t for t in tests if t.side == side] for side in _SIDES])):
        for group in groups:
            nameless = [test for test in group if getattr(test, name) is None]
            if nameless and len(nameless) < len(group):
                where = nameless[0].points[0].source if nameless[0].points else drafts[0].where
                what = f"some flows of this table have a {name} and these have none; say which {name} it is"
                return [unreadable(where, what)]
    return []


def _by_side(table: Table, columns: list[Column]) -> list[tuple[Table, list[Column]]]:
    """Part a table that has lifts for each side: ``Intake lift, Exhaust lift, Intake CFM, Exhaust CFM``."""
    headed = [
        (index, label)
        for index in table.lifts
        for row in table.headers
        if (label := table.view.label(row, index)) is not None and label.kind == "lift" and label.side is not None
    ]
    sides = [label.side for _, label in headed]
    flows = [column for column in columns if column.role in ("flow", "reading")]
    if sorted(map(str, sides)) != ["exhaust", "intake"] or any(column.side is None for column in flows):
        return [(table, columns)]
    parts = []
    for index, label in headed:
        part = replace(table, axis=replace(table.axis, column=index, label=label), others=[])
        parts.append((part, [column for column in columns if column not in flows or column.side == label.side]))
    return parts


def _take_names_of_lifts(table: Table, items: dict[Key, Item]) -> None:
    """Take side and port from the heading of the lifts: ``Intake lift (mm)``."""
    for row in table.headers:
        label = table.view.label(row, table.axis.column)
        if label is None:
            continue
        source = table.view.source(row, table.axis.column)
        length = label.unit is not None and label.unit.name in ("mm", "thou") and not label.rest  # "ex mm"
        if label.kind == "lift" or (label.kind is None and length):
            if label.side or label.code:
                items["side", None] = Item("side", label.side or f"?{label.code}", None, source)
            if label.port:
                items["port", None] = Item("port", label.port, None, source)
        corner = dict(named_units(as_text(table.view.value(row, table.axis.column))))
        flow = measures(label.unit, *FLOW_QUANTITIES)
        unit = label.unit if flow else corner.get("flow_unit")
        if unit is not None:
            items["flow_unit", None] = Item("flow_unit", unit.name, unit, source)
        if label.pressure is not None and unit is not None and ("pressure", None) not in items:
            found, _ = read_item("pressure", Written(" ".join(label.pressure), source))
            items.update({(item.kind, None): item for item in found})
        if flow and label.side:
            items["side", None] = Item("side", label.side, None, source)


def _is_no_flow_table(table: Table, columns: Sequence[Column], flow_unit: str | None) -> bool:
    """Whether numbers without a heading of lifts have nothing of a flow beside them."""
    if table.axis.score >= HEADED or (table.axis.label is not None and table.axis.label.kind == "lift"):
        return False
    flows = [column for column in columns if column.role in ("flow", "reading", "trouble")]
    sure = [c for c in flows if c.side or c.kind == "flow" or c.role == "reading" or measures(c.unit, *FLOW_QUANTITIES)]
    corner = table.axis.label is not None and table.axis.label.unit is not None
    strong = table.axis.score >= UNIT_HEADED
    return not flows or not (sure or (strong and flow_unit) or (corner and flow_unit))


def _side_of(items: Mapping[Key, Item]) -> Side | None:
    """The side a title or a label gives."""
    item = items.get(("side", None))
    return SIDE_KINDS.get(str(item.value)) if item is not None else None


def unit_of(items: Mapping[Key, Item], kind: str) -> str | None:
    """Return a unit that a line of the sheet states."""
    item = items.get((kind, None))
    return str(item.value) if item is not None else None
