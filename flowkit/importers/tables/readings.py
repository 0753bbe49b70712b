"""The readings of a table: its lifts, and each column of flows for each test its rows belong to."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Literal, NamedTuple

from flowkit.importers.files.grid import CellValue, column_letters
from flowkit.importers.tables.columns import Column, positions
from flowkit.importers.tables.find import CONDITION_KINDS, Table, date_fraction, unit_beside
from flowkit.importers.tables.names import resolve_codes
from flowkit.importers.words import items as terms
from flowkit.importers.words.labels import LEFT_OUT, Label, parse_label
from flowkit.importers.words.phrases import is_sentence
from flowkit.importers.words.values import as_text, known_unit, plain_numbers
from flowkit.model import Finding, Reading, Side, UnitSource
from flowkit.units import FLOW_QUANTITIES, UNITS, Unit, from_si, measures, to_si

RANGES = {"in": (0.05, 1.0), "mm": (1.5, 25.0)}  # of the largest lift
LARGEST_M, LARGEST_RATIO = 0.030, 1.0
AGREE = 0.02  # two columns of lifts, each rounded for printing
_OF_METER = {
    "meter": "", "meter_pressure": "pressure_pa", "meter_temperature": "temperature_k", "outlet_pressure": "outlet_pa",
    "range": "",
}  # fmt: skip
"""What a row can say of the meter it was read on, and the attribute of `Reading` where that is in SI."""


class LiftRow(NamedTuple):
    """A row with a lift, in SI once its unit is known, and the line between the rows that it is under."""

    row: int
    lift: float
    section: Label | None = None
    spelled: str = ""  # the unit in its cell


@dataclass(slots=True)
class Lifts:
    """All lifts of a table."""

    rows: list[LiftRow] = field(default_factory=list)
    unit: Unit | None = None
    source: Literal["stated", "assumed"] = "stated"
    by_size: bool = False  # nothing on the sheet names the unit
    findings: list[Finding] = field(default_factory=list)

    @property
    def ratio(self) -> bool:
        """Whether the lifts are fractions of the valve's diameter."""
        return measures(self.unit, "lift ratio")


def scaled(values: Sequence[float], factor: float) -> list[float]:
    """Bring values to SI all at once, rounded as `to_si` rounds each."""
    inverse = round(1 / factor)
    if factor < 1 and math.isclose(1 / factor, inverse, rel_tol=1e-15):
        # Dividing by a whole number rounds once: 8.5 mm is 8.5/1000 m, as it would be typed.
        return [value / inverse for value in values]
    return [value * factor for value in values]


def read_lifts(table: Table, flow_columns: Sequence[int], default_unit: str | None) -> Lifts:
    """Read a table's lifts; of several columns the first in a unit of length counts."""
    view, got = table.view, Lifts()
    headed = [(index, _heading_unit(table, index)) for index in table.lifts]
    main, unit = next((pair for pair in headed if measures(pair[1], "length")), headed[0])
    unit = unit or (known_unit(default_unit) if default_unit else None)
    places = table.span
    numbers = plain_numbers([view.rows[row][main] for row in places], view.decimal_comma)
    if numbers is not None and unit is not None and min(numbers) >= 0:
        got.unit = unit
        got.rows = list(map(LiftRow, places, scaled(numbers, unit.factor)))
    else:
        raw = _raw(table, main, flow_columns, got.findings)
        _find_unit(view.source(table.row, main), raw, unit, got)
        if got.unit is not None:
            _read_each(table, main, raw, got.unit, got)
    _check_others(table, main, got)
    largest = max((entry.lift for entry in got.rows), default=0.0)
    if got.unit is not None and largest > (LARGEST_RATIO if got.ratio else LARGEST_M) * (1 + 1e-9):
        # Of metres, of a pump's head, or in another unit than is written.
        shown = f"{largest:g} times the valve's diameter" if got.ratio else f"{largest * 1e3:g} mm"
        what = f"the largest lift would be {shown}, more than any valve lifts (30 mm at most); check its unit"
        got.findings.append(terms.unreadable(view.source(table.row, main), what))
        got.rows, got.unit = [], None
    return got


def _heading_unit(table: Table, index: int) -> Unit | None:
    """The unit in the headings over a column of lifts, or left of it in a group's heading."""
    labels = [table.axis.label, *(table.view.label(row, index) for row in table.headers)]
    units = [label.unit for label in labels if label is not None and measures(label.unit, "length", "lift ratio")]
    return units[-1] if units else unit_beside(table.view, table.axis.rows, index + 1)


def _raw(table: Table, main: int, flow_columns: Sequence[int], findings: list[Finding]) -> list[LiftRow]:
    """Read every row's lift as written, with the section it is in."""
    view = table.view
    above = [place for place in table.sections.items() if place[0] < table.axis.first]
    section = view.label(*max(above)) if above else None
    raw: list[LiftRow] = []
    merged = {r0: r1 for r0, c0, r1, c1 in view.merged if c0 <= main <= c1 and r1 > r0}
    held: tuple[int, float, str] | None = None  # a lift merged over several rows: last row, number, unit
    for row in table.span:
        value, cell = view.rows[row][main], view.cells[row][main]
        number = cell.value
        if number is None and isinstance(value, datetime.date):
            number = date_fraction(value)
            if number is not None:
                what = f"the lift was kept as the date {value:%Y-%m-%d} and read as the fraction it was typed as"
                remedy = "set them right in the job file (values) if that is not meant"
                findings.append(terms.assumed(view.source(row, main), f"{what}, {number:g}", remedy))
        if number is not None:
            raw.append(LiftRow(row, number, section, cell.unit))
            held = (merged[row], number, cell.unit) if row in merged else None
        elif held is not None and value is None and row <= held[0]:
            raw.append(LiftRow(row, held[1], section, held[2]))
        elif row not in table.named:
            readings = any(view.kinds[row][index] == "n" for index in flow_columns)
            texts = [v for v in view.rows[row][table.left : table.right + 1] if v is not None]
            line = texts[0] if len(texts) == 1 and not readings and isinstance(texts[0], str) else None
            if line is not None and row in table.sections:
                *before, name = filter(None, re.split(r"[.;!]\s+", line))
                named = [label for text in before if (label := parse_label(text)).side]
                if named and section is None:  # "that's the intakes. Ex:" says what is above it too
                    raw[:] = [entry._replace(section=replace(named[0], rest="")) for entry in raw]
                section = _within(section, parse_label(name))
            elif line is None or not is_sentence(line):
                findings += _between(table, row, main, readings=readings)
    return raw


def _between(table: Table, row: int, main: int, *, readings: bool) -> list[Finding]:
    """Name a gap or a mistake in a row without a lift."""
    view = table.view
    value, source = view.value(row, main), view.source(row, main)
    if (value is None and not readings) or view.place(row, main) in view.grid.formula_gaps:
        return []
    if isinstance(value, str) and view.kinds[row][main] == "g" and not readings:
        what = f"the lift {value.strip()!r} is a gap; the row gives no point"
        return [Finding("not-a-number", "note", source, what)]
    empty = "is empty, though its row has readings"
    found = empty if value is None else f"holds {as_text(value)!r}, which is not a number"
    what = f"the cell of the lift {found}; set it in the job file (values), or leave the row out (leave_out)"
    return [Finding("not-a-number", "error", source, what)]


def _within(section: Label | None, said: Label) -> Label:
    """A line that gives only a port or run stays on the side and in the state of the line above it."""
    if section is None or said.side or said.code or said.rest or said.head:
        return said
    pressure = said.pressure or section.pressure
    return replace(said, side=section.side, code=section.code, rest=section.rest, head=section.head, pressure=pressure)


def _find_unit(where: str, raw: Sequence[LiftRow], headed: Unit | None, got: Lifts) -> None:
    """Find the unit of lifts: from the heading, the cells, or the one their size leaves."""
    if headed is not None:
        got.unit = headed
        return
    in_cells = {unit.name: unit for entry in raw if (unit := known_unit(entry.spelled))}
    if len(in_cells) == 1:
        (got.unit,) = in_cells.values()
        if not all(entry.spelled for entry in raw):
            got.source = "assumed"
            what = f"lifts without a unit were read in {got.unit.name}, as the others of their column"
            got.findings.append(terms.assumed(where, what))
        return
    largest = max((entry.lift for entry in raw), default=0.0)
    name = next((name for name, (low, high) in RANGES.items() if low <= largest <= high and not in_cells), None)
    if name is not None:
        got.unit, got.source, got.by_size = UNITS[name], "assumed", True
        what = f"lifts up to {largest:g} have no unit and were read in {'inches' if name == 'in' else 'mm'}"
        got.findings.append(terms.assumed(where, what))
    elif raw:
        what = f"lifts up to {largest:g} have no unit and could be meant in more than one"
        remedy = "state it with --lift-unit or lift_unit in the job's conditions"
        got.findings.append(terms.refused(where, f"{what}; {remedy}"))


def _read_each(table: Table, main: int, raw: Sequence[LiftRow], common: Unit, got: Lifts) -> None:
    """Bring lifts to SI one by one, each in its own unit where it has one."""
    for row, value, section, spelled in raw:
        unit, source = known_unit(spelled) if spelled else common, table.view.source(row, main)
        if unit is None or unit.quantity != common.quantity:
            what = f"{as_text(table.view.value(row, main))!r} is not a lift in {common.name}; {terms.BY_HAND}"
            got.findings.append(Finding("not-a-number", "error", source, what))
        elif value < 0:
            what = f"the lift {value:g} is negative, and a valve cannot open that way; {terms.BY_HAND}"
            got.findings.append(Finding("lift-negative", "error", source, what))
        else:
            got.rows.append(LiftRow(row, to_si(value, unit), section))


def _check_others(table: Table, main: int, got: Lifts) -> None:
    """Hold the other columns of lifts against the one that counts."""
    view = table.view
    for index in [index for index in table.lifts if index != main]:
        if got.unit is None:
            continue
        unit = _heading_unit(table, index) or got.unit
        for entry in got.rows if unit.quantity == got.unit.quantity else ():
            other = view.cells[entry.row][index].value
            if other is not None and abs(to_si(other, unit) - entry.lift) > max(AGREE * entry.lift, 3e-5):
                what = (
                    f"two columns of lifts disagree: {from_si(entry.lift, got.unit):g} {got.unit.name} and "
                    f"{other:g} {unit.name} in one row; leave the wrong one out in the job file (leave_out)"
                )
                got.findings.append(terms.refused(view.source(entry.row, index), what))
                break
        source = view.source(table.row, index)
        got.findings.append(Finding("column-ignored", "note", source, "a second column of lifts was left out"))


# The flows.


@dataclass(slots=True)
class Draft:
    """A test as its table gives it."""

    side: Side | None
    port: str | None
    run: int | None
    variant: str | None
    head: str | None
    where: str
    lifts: list[float] = field(default_factory=list)
    flows: list[float] = field(default_factory=list)
    pressures: list[float | None] = field(default_factory=list)
    sources: list[str] = field(default_factory=list)
    flow_unit: Unit | None = None
    flow_stated: bool = True
    pressure_unit: UnitSource | None = None
    items: dict[str, terms.Item] = field(default_factory=dict)
    closed: dict[str, terms.Item] = field(default_factory=dict)
    meter_unit: str | None = None  # of a meter's readings, which `shown` holds in place of flows
    shown: list[Reading | None] | None = None


class Who(NamedTuple):
    """The names that the cells of a row give; `code` is a letter that means a side."""

    side: Side | None = None
    port: str | None = None
    run: int | None = None
    variant: str | None = None
    head: str | None = None
    code: str | None = None


class Pressures(NamedTuple):
    """A column of test pressures by row, and the columns of flows it belongs to."""

    values: dict[int, float]
    unit: UnitSource
    flows: list[int]


@lru_cache(maxsize=2048, typed=True)
def _names(kind: str, value: CellValue) -> Who | None:
    """Read a cell of names, None where it cannot be understood."""
    items, trouble = terms.read_item(kind, terms.Written(value, ""))
    if trouble:
        return None
    said: dict[str, Any] = {item.kind: item.value for item in items}
    side, run = said.get("side"), said.get("run")
    code = None if side in ("intake", "exhaust", None) else str(side)[1:]
    return Who(None if code else side, said.get("port"), run and int(run), said.get("variant"), said.get("head"), code)


def _flows_of(column: Column, among: Sequence[Column], flows: Sequence[Column]) -> list[int]:
    """The columns of flows that one of several pressures or the like belongs to: of its name, or beside it."""
    if column.flows is not None:
        return column.flows
    named = [(c.side, c.port, c.run, c.variant or None) for c in among]
    place = next(n for n, other in enumerate(among) if other is column)
    if any(named[place]):
        if named.count(named[place]) == 1:
            found = ((flow.index, (flow.side, flow.port, flow.run, flow.variant)) for flow in flows)
            return [at for at, who in found if all(a in (None, b) for a, b in zip(named[place], who, strict=True))]
    elif len(among) == 1:
        return [flow.index for flow in flows]
    if flows and among[0].index < flows[0].index:
        end = among[place + 1].index if place + 1 < len(among) else flows[-1].index + 1
        return [flow.index for flow in flows if column.index < flow.index < end]
    start = among[place - 1].index if place else -1
    return [flow.index for flow in flows if start < flow.index < column.index]


@dataclass
class TableReader:
    """Reads the readings of one table, given all that is known of it."""

    table: Table
    columns: Sequence[Column]
    lifts: Lifts
    units: terms.Units
    words: Sequence[str]
    findings: list[Finding] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Sort the columns by what they are; tests are made of flows, or of a meter's readings where there are none."""
        self.view = self.table.view
        self.flows, self.meters = self._of_role("flow"), self._of_role("reading")
        self.tests = self.flows or self.meters

    def _of_role(self, role: str) -> list[Column]:
        """The columns of one role."""
        return [column for column in self.columns if column.role == role]

    def drafts(self) -> list[Draft]:
        """Read all flows of the table."""
        groups, pressures, named, common = self._groups(), self._pressures(), self._named_rows(), self._common_unit()
        drafts: list[Draft] = []
        unitless: dict[int, Column] = {}
        metered = [] if self.flows else positions(self.meters)
        for who, rows in groups:
            conditions = self._row_conditions(rows)
            for columns in metered:
                draft = self._read_meter(columns, rows, who, pressures)
                if draft is not None:
                    draft.items = {**conditions, **named.get(columns[0].index, {}), **draft.items}
                    drafts.append(draft)
            lifts = [entry.lift for entry in rows]  # one list for all columns: `split_runs` looks at it once
            places = [entry.row for entry in rows]
            for column in self.flows:
                draft = self._start(column, who, common)
                if draft is None:
                    continue
                draft.items = {**conditions, **draft.items, **named.get(column.index, {})}
                own = next((entry for entry in pressures if column.index in entry.flows and not column.pressure), None)
                draft.pressure_unit = own.unit if own is not None else None
                self._read_flows(column.index, lifts, places, own.values if own is not None else {}, draft)
                beside = [reading for reading in self.meters if reading.beside == column.index]
                if beside:
                    shown = {self.view.source(row, column.index): reading
                             for row, reading in self._shown(beside, rows, draft).items()}  # fmt: skip
                    draft.shown = [shown.get(source) for source in draft.sources] if shown else None
                if draft.flow_unit is None and draft.flows:
                    unitless[column.index] = column
                elif draft.flows or "leak" in draft.items or draft.closed:
                    drafts.append(draft)
        if unitless:
            open_ones = list(unitless.values())
            headings = ", ".join(repr(c.text) for c in open_ones[:4]) + (", …" if len(open_ones) > 4 else "")
            what = f"the flows under {headings} have no unit"
            remedy = "state it with --flow-unit or flow_unit in the job's conditions"
            self.findings.append(terms.refused(open_ones[0].source(self.table), f"{what}; {remedy}"))
        return drafts

    # Which rows are of one test.

    def _groups(self) -> list[tuple[Who, list[LiftRow]]]:
        """Group the rows by the test their own cells and the lines between them name; an empty cell means as above."""
        columns, rows = self._of_role("who"), self.lifts.rows
        if not columns and not any(row.section is not None for row in rows):
            return [(Who(), rows)]
        codes = {row.section.code for row in rows if row.section is not None and row.section.code}
        names: list[list[CellValue]] = []
        for column in columns:
            held: CellValue = None
            filled = []
            for entry in rows:
                value = self.view.meant(self.view.rows[entry.row][column.index])
                held = value if value is not None else held
                filled.append(held)
            names.append(filled)
            if column.kind in ("side", "port"):
                said = [_names(column.kind, value) for value in set(filled) if value is not None]
                codes |= {name.code for name in said if name is not None and name.code and name.side is None}
        sides = (resolve_codes(codes, self.words) or {}) if codes else {}
        known: dict[tuple[object, ...], list[LiftRow]] = {}
        groups: dict[tuple[Who, object], list[LiftRow]] = {}  # a test has one pressure
        for entry, values in zip(rows, zip(*names, strict=True) if names else ((),) * len(rows), strict=True):
            key = (*values, id(entry.section))
            if key not in known:
                who = self._who(columns, values, entry, sides)
                pressure = entry.section.pressure if entry.section is not None else None
                known[key] = groups.setdefault((who, pressure), []) if who is not None else []
            known[key].append(entry)
        return [(who, group) for (who, _), group in groups.items()]

    def _who(
        self, columns: Sequence[Column], values: Sequence[CellValue], entry: LiftRow, sides: Mapping[str, Side]
    ) -> Who | None:
        """Read the cells that say which test a row belongs to, after the line above them that does."""
        said, who = entry.section, Who()
        if said is not None:
            port = said.port or said.bare or (None if said.head else said.position) or said.letter
            who = Who(said.side or sides.get(said.code or ""), port, said.run, said.rest or None, said.head)
        for column, value in zip(columns, values, strict=True):
            if value is None:
                continue
            names, source = _names(str(column.kind), value), self.view.source(entry.row, column.index)
            if names is None:
                self.findings += terms.read_item(str(column.kind), terms.Written(value, source))[1]
                return None
            if names.side is None and names.code is not None:
                if names.code not in sides:
                    what = f"{as_text(value)!r} may be intake or exhaust, depending on the language; {terms.BY_HAND}"
                    self.findings.append(terms.refused(source, what))
                    return None
                names = names._replace(side=sides[names.code])
            who = Who(*(mine or theirs for mine, theirs in zip(names[:5], who[:5], strict=True)))  # type: ignore[arg-type]
        return who

    # What is beside the flows.

    def _items(self, kind: str, row: int, index: int, label: Label) -> list[terms.Item]:
        """Read one cell that states something; a number without a unit is in the label's, or the sheet's."""
        units, flow = self.units, kind in terms.FLOW_KINDS
        view, source = self.view, self.view.source(row, index)
        default = units.flow if flow else units.pressure if kind == "pressure" else None
        written = terms.Written(
            view.value(row, index), source, label, "", view.decimal_comma, view.percent(row, index), default
        )
        items, trouble = terms.read_item(kind, written, units)
        self.findings += trouble
        return items

    def _pressures(self) -> list[Pressures]:
        """Read the columns of pressures."""
        found = []
        columns, view = self._of_role("pressure"), self.view
        for column in columns:
            values: dict[int, float] = {}
            unit: UnitSource | None = None
            label = Label("pressure", unit=column.unit, unit_text=column.unit_text)
            reported: set[str] = set()
            known = column.unit if measures(column.unit, "pressure") else None
            for entry in self.lifts.rows:
                cell = view.cells[entry.row][column.index]
                if view.rows[entry.row][column.index] is None:
                    continue
                if known is not None and cell.value is not None and not cell.unit:
                    values[entry.row], unit = to_si(abs(cell.value), known), UnitSource(known.name, "stated")
                    continue
                before = len(self.findings)
                for item in self._items("pressure", entry.row, column.index, label):
                    values[entry.row] = float(item.value)
                    if item.unit is not None and unit is None:
                        unit = UnitSource(item.unit.name, "stated" if item.stated else "assumed")
                # One finding speaks for the whole column, unless cells hold no number.
                new = self.findings[before:]
                self.findings[before:] = [f for f in new if f.rule == "not-a-number" or f.rule not in reported]
                reported |= {finding.rule for finding in new}
            if unit is not None:
                found.append(Pressures(values, unit, _flows_of(column, columns, self.tests)))
        return found

    def _named_rows(self) -> dict[int, dict[str, terms.Item]]:
        """Read rows such as a leak's or a pressure's: an item for each column of flows."""
        found: dict[int, dict[str, terms.Item]] = {}
        table, view = self.table, self.view
        for row, label in sorted(table.named.items()):
            if label.kind in LEFT_OUT:
                text = next((v for v in view.rows[row][table.left : table.right + 1] if isinstance(v, str)), None)
                what = f"the row {as_text(text)!r} was left out: no reading"
                self.findings.append(Finding("column-ignored", "note", view.source(row, table.left), what))
            if label.kind not in CONDITION_KINDS:
                continue
            kind = str(label.kind)
            filled = [c for c in range(table.lifts[0] + 1, table.right + 1) if view.value(row, c) is not None]
            merged = [(c0, c1) for r0, c0, r1, c1 in view.merged if r0 <= row <= r1]
            for column in self.tests:
                at: int | None = column.index
                if view.value(row, column.index) is None:  # the row's only value holds for all, a merged one below it
                    over = next((c0 for c0, c1 in merged if c0 <= column.index <= c1), None)
                    at = filled[0] if len(filled) == 1 else over
                if at is not None:
                    bare = kind in terms.FLOW_KINDS and not label.unit_text
                    said = Label(kind, unit_text=column.unit_text) if bare else label
                    items = self._items(kind, row, at, said)
                    found.setdefault(column.index, {}).update({item.kind: item for item in items})
        return found

    def _row_conditions(self, rows: Sequence[LiftRow]) -> dict[str, terms.Item]:
        """Read what holds for all rows of a test: the pressure in the line above them, columns that do not change."""
        found: dict[str, terms.Item] = {}
        view = self.view
        section = rows[0].section if rows else None
        if section is not None and section.pressure is not None:  # "Ported @ 10 inH2O" over the rows
            above = max(place for place in self.table.sections.items() if place[0] <= rows[0].row)
            found |= self._stated_pressure(section.pressure, view.source(*above))
        for column in self._of_role("condition"):
            if column.kind in _OF_METER and self.meters:
                continue
            cells = [(entry.row, v) for entry in rows if (v := view.value(entry.row, column.index)) is not None]
            if len({as_text(value) for _, value in cells}) > 1:
                what = f"the column {column.text!r} was left out: it changes within a test"
                self.findings.append(Finding("column-ignored", "note", column.source(self.table), what))
            elif cells:
                label = Label(column.kind, unit=column.unit, unit_text=column.unit_text)
                items = self._items(str(column.kind), cells[0][0], column.index, label)
                found |= {item.kind: item for item in items}
        return found

    def _stated_pressure(self, said: tuple[str, str], where: str) -> dict[str, terms.Item]:
        """Read the test pressure that a heading or a line between the rows states."""
        comma, default = self.view.decimal_comma, self.units.pressure
        items, trouble = terms.read_item(
            "pressure", terms.Written(" ".join(said), where, decimal_comma=comma, default_unit=default), self.units
        )
        self.findings += trouble
        return {item.kind: item for item in items}

    # What a meter showed.

    def _read_meter(
        self, columns: list[Column], rows: Sequence[LiftRow], who: Who, pressures: Sequence[Pressures]
    ) -> Draft | None:
        """Read what a meter showed in some rows of a table that has no flows."""
        draft = self._start(columns[0], who, None)
        if draft is None:
            return None
        if len(columns) > 1 and columns[0].side is None:
            draft.port, draft.run = who.port, who.run
        draft.flow_unit = None  # a unit stated for flows is none of readings
        index = columns[0].index
        own = next((entry for entry in pressures if index in entry.flows), None)
        draft.pressure_unit, known = (own.unit, own.values) if own is not None else (None, {})
        shown = self._shown(columns, rows, draft)
        for entry in rows:
            source = self.view.source(entry.row, index)
            if entry.row in shown:
                draft.lifts.append(entry.lift)
                draft.flows.append(math.nan)
                draft.pressures.append(known.get(entry.row))
                draft.sources.append(source)
            elif entry.lift == 0 and entry.row in known and "leak_reading" in draft.items:
                draft.items["leak_pressure"] = terms.Item("leak_pressure", known[entry.row], UNITS["Pa"], source)
        draft.shown = list(shown.values())
        return draft if shown else None

    def _shown(self, columns: Sequence[Column], rows: Sequence[LiftRow], draft: Draft) -> dict[int, Reading]:
        """What a meter showed, by row; a row with a gap in one position gives none, at lift zero it is the leak."""
        draft.meter_unit = columns[0].unit.name if columns[0].unit is not None else columns[0].unit_text or None
        beside: list[Column] = []  # the columns that say how it was read: those named as it is, or beside it
        for kind in _OF_METER:
            like = [column for column in self._of_role("condition") if column.kind == kind]
            beside += [c for c in like if columns[0].index in _flows_of(c, like, self.meters)]
        found = {}
        for entry in rows:
            values = [self._one_reading(entry.row, column.index, draft) for column in columns]
            shown = tuple(value for value in values if value is not None)
            if len(shown) < len(columns):
                continue
            about: dict[str, Any] = {}
            for column in beside:
                value = self.view.value(entry.row, column.index)
                if value is None:
                    continue
                kind = str(column.kind)
                if not _OF_METER[kind]:
                    about[kind] = as_text(value) + (f" {column.unit.name}" if column.unit is not None else "")
                    continue
                label = Label(kind, unit=column.unit, unit_text=column.unit_text)
                about |= {_OF_METER[item.kind]: float(item.value)
                          for item in self._items(kind, entry.row, column.index, label)}  # fmt: skip
            if entry.lift == 0:  # as `corrections.meter.split_leak` takes it apart again
                said = f"{', '.join(f'{value:.12g}' for value in shown)} {draft.meter_unit or ''}".strip()
                for key, value in about.items():
                    unit = " K" if key == "temperature_k" else " Pa"
                    at = "into" if key == "outlet_pa" else "at"
                    said += f" on {value}" if isinstance(value, str) else f" {at} {value:.12g}{unit}"
                source = self.view.source(entry.row, columns[0].index)
                draft.items["leak_reading"] = terms.Item("leak_reading", said, None, source)
            else:
                found[entry.row] = Reading(shown, "", **about)
        # Its column's heading or one of its cells names the unit of all.
        return {row: replace(reading, unit=draft.meter_unit or "") for row, reading in found.items()}

    def _one_reading(self, row: int, index: int, draft: Draft) -> float | None:
        """Read one cell of a meter's readings."""
        value, cell, source = self.view.value(row, index), self.view.cells[row][index], self.view.source(row, index)
        if value is None:
            return None
        number, unit = cell.value, cell.unit
        if number is not None and self.view.percent(row, index):
            number, unit = number * 100, "%"
        if cell.gap:
            what = f"{cell.gap!r} is a gap; the cell gives no point"
            self.findings.append(Finding("not-a-number", "note", source, what))
        elif number is None:
            what = f"{as_text(value)!r} is not a number; {terms.BY_HAND}"
            self.findings.append(Finding("not-a-number", "error", source, what))
        elif unit:
            known = known_unit(unit)
            name = known.name if known is not None else unit
            if draft.meter_unit not in (None, name):
                self.findings.append(terms.refused(source, f"a reading in {name} is in a column of {draft.meter_unit}"))
                return None
            draft.meter_unit = name
        return number

    # The flows themselves.

    def _common_unit(self) -> Unit | None:
        """The one unit of flow a table's headings name, for the columns whose heading has none."""
        headed = {column.unit.name: column.unit for column in self.flows if column.unit is not None}
        bare = [column for column in self.flows if column.unit is None]
        if len(headed) != 1 or not bare or self.units.flow is not None:
            return None
        (unit,) = headed.values()
        without = ", ".join(repr(column.text) for column in bare[:4])
        what = f"the flows under {without} have no unit and were read in {unit.name}, as those beside them"
        self.findings.append(terms.assumed(bare[0].source(self.table), what))
        return unit

    def _start(self, column: Column, who: Who, common: Unit | None) -> Draft | None:
        """Begin the test of one column and one group of rows."""
        where = column.source(self.table)
        for name, mine, theirs in zip(Who._fields, (column.side, column.port, column.run), who, strict=False):
            if mine is not None and theirs is not None and mine != theirs:
                what = f"heading and row name two {name}s, {mine} and {theirs}; {terms.SET_HEADING}"
                self.findings.append(terms.refused(where, what))
                return None
        variant = column.variant or who.variant or None
        if column.variant and who.variant and column.variant.casefold() != who.variant.casefold():
            variant = f"{who.variant} {column.variant}"
        side, port, run = column.side or who.side, column.port or who.port, column.run or who.run
        draft = Draft(side, port, run, variant, column.head or who.head, where)
        own = column.unit if measures(column.unit, *FLOW_QUANTITIES) else None
        stated = self.units.flow
        draft.flow_unit = own or (known_unit(stated) if stated else None) or common
        draft.flow_stated = own is not None or stated is not None
        if column.pressure is not None:
            draft.items |= self._stated_pressure(column.pressure, where)
        return draft

    def _read_flows(
        self, index: int, lifts: list[float], rows: list[int], pressures: Mapping[int, float], draft: Draft
    ) -> None:
        """Read one column's flows in some rows of the table into a draft; at lift zero it is the leak."""
        view = self.view
        numbers = plain_numbers([view.rows[row][index] for row in rows], view.decimal_comma)
        if numbers is not None and all(lifts):
            draft.lifts, draft.flows = lifts, numbers
            draft.pressures = [pressures.get(row) for row in rows] if pressures else [None] * len(rows)
            draft.sources = self._addresses(index, rows)
            return
        unheaded, places = draft.flow_unit is None, []
        for lift, row in zip(lifts, rows, strict=True):
            flow = self._one_flow(row, index, draft)
            if flow is None:
                continue
            if lift != 0:
                draft.lifts.append(lift)
                draft.flows.append(flow)
                places.append(row)
            elif not draft.closed:
                source = view.source(row, index)
                draft.closed["leak"] = terms.Item("leak", flow, draft.flow_unit, source, stated=draft.flow_stated)
                if row in pressures:  # else it was read at the test's
                    draft.closed["leak_pressure"] = terms.Item("leak_pressure", pressures[row], UNITS["Pa"], source)
        draft.pressures = [pressures.get(row) for row in places]
        draft.sources = self._addresses(index, places)
        if unheaded and draft.flow_unit is not None:
            bare = [row for row in places if not view.cells[row][index].unit]
            draft.flow_stated = not bare
            if bare:
                what = f"flows without a unit were read in {draft.flow_unit.name}, as the others of their column"
                self.findings.append(terms.assumed(view.source(bare[0], index), what))
            if draft.closed:
                leak = draft.closed["leak"]
                draft.closed["leak"] = leak._replace(unit=draft.flow_unit, stated=draft.flow_stated)

    def _addresses(self, index: int, rows: Sequence[int]) -> list[str]:
        """The addresses of cells of one column; those of a workbook and of text are put together at once."""
        grid, view = self.view.grid, self.view
        if view.turned or view.places is not None or grid.pages or (grid.lines and len(grid.lines) < len(view.rows)):
            return [view.source(row, index) for row in rows]
        if grid.lines is not None:
            return [f"{grid.file}:{grid.lines[row]}:{index + 1}" for row in rows]
        head = f"{grid.file}!{grid.sheet}!{column_letters(index)}"
        return [f"{head}{row + 1}" for row in rows]

    def _one_flow(self, row: int, index: int, draft: Draft) -> float | None:
        """Read one cell of flow: a number with or without a unit, a gap, or a mistake."""
        view, findings = self.view, self.findings
        value, cell = view.value(row, index), view.cells[row][index]
        if value is None:
            return None
        source = view.source(row, index)
        if cell.gap:
            findings.append(Finding("not-a-number", "note", source, f"{cell.gap!r} is a gap; the cell gives no point"))
        elif cell.value is None and view.place(row, index) not in view.grid.formula_gaps:  # which are reported once
            what = f"{as_text(value)!r} is not a number; {terms.BY_HAND}"
            findings.append(Finding("not-a-number", "error", source, what))
        if cell.mark:
            what = f"{cell.mark!r} was read as {cell.value:g}; the sheet marks it as doubtful or with a remark"
            findings.append(Finding("not-a-number", "note", source, what))
        if not cell.unit or cell.value is None:
            return cell.value
        unit = known_unit(cell.unit, FLOW_QUANTITIES)
        if unit is None:
            findings.append(terms.refused(source, f"{cell.unit!r} is not a unit of flow; {terms.BY_HAND}"))
            return None
        draft.flow_unit = draft.flow_unit or unit
        if unit.name == draft.flow_unit.name:
            return cell.value
        if unit.quantity != "flow" or draft.flow_unit.quantity != "flow":
            what = f"a flow in {unit.name} is in a column of {draft.flow_unit.name}; write it in the column's unit"
            findings.append(terms.refused(source, what))
            return None
        return to_si(cell.value, unit) / draft.flow_unit.factor
