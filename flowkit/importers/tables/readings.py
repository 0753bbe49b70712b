"""The readings of a table: each column of flows, for each test its rows belong to, with what is beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, NamedTuple

from flowkit.importers.files.grid import CellValue, column_letters
from flowkit.importers.tables.columns import Column, positions
from flowkit.importers.tables.find import CONDITION_KINDS, Table
from flowkit.importers.tables.lifts import LiftRow, Lifts
from flowkit.importers.tables.names import resolve_codes
from flowkit.importers.tables.view import View
from flowkit.importers.words.items import (
    BY_HAND,
    FLOW_KINDS,
    SET_HEADING,
    Item,
    Units,
    Written,
    assumed,
    read_item,
    refused,
)
from flowkit.importers.words.labels import LEFT_OUT, Label
from flowkit.importers.words.values import as_text, known_unit, plain_numbers
from flowkit.model import Finding, Reading, Side, UnitSource
from flowkit.units import FLOW_QUANTITIES, UNITS, Unit, measures, to_si


@dataclass(slots=True)
class TableContext:
    """A table with all that is known of it when its readings are read."""

    table: Table
    columns: Sequence[Column]
    lifts: Lifts
    units: Units
    words: Sequence[str]
    findings: list[Finding] = field(default_factory=list)

    def of_role(self, role: str) -> list[Column]:
        """Return the columns of one role."""
        return [column for column in self.columns if column.role == role]

    def of_tests(self) -> list[Column]:
        """Return the columns that tests are made of: flows, or a meter's readings where there is no flow."""
        return self.of_role("flow") or self.of_role("reading")


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
    items: dict[str, Item] = field(default_factory=dict)
    closed: dict[str, Item] = field(default_factory=dict)
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


NOBODY = Who()


def group_rows(context: TableContext) -> list[tuple[Who, list[LiftRow]]]:
    """Group the rows of a table by the test their own cells name; an empty cell means as above."""
    columns = context.of_role("who")
    rows = context.lifts.rows
    if not columns and not any(row.section is not None for row in rows):
        return [(NOBODY, rows)]
    cells = context.table.view.rows
    meant = context.table.view.meant
    names = [_filled_down([meant(cells[entry.row][column.index]) for entry in rows]) for column in columns]
    keys = zip(*names, strict=True) if names else ((),) * len(rows)
    sides = _letters(context, columns, names)
    known: dict[tuple[object, ...], list[LiftRow]] = {}
    groups: dict[tuple[Who, tuple[str, str] | None], list[LiftRow]] = {}  # a test has one pressure
    for entry, values in zip(rows, keys, strict=True):
        key = values if entry.section is None else (*values, id(entry.section))
        group = known.get(key)
        if group is None:
            who = _who(context, columns, values, entry, sides)
            pressure = entry.section.pressure if entry.section is not None else None
            group = known[key] = groups.setdefault((who, pressure), []) if who is not None else []
        group.append(entry)
    return [(who, rows) for (who, _), rows in groups.items()]


def _filled_down(values: list[CellValue]) -> list[CellValue]:
    """The cells of a column, each empty one with what is above it."""
    if None not in values:
        return values
    held: CellValue = None
    filled = []
    for value in values:
        held = value if value is not None else held
        filled.append(held)
    return filled


def _letters(
    context: TableContext, columns: Sequence[Column], names: Sequence[Sequence[CellValue]]
) -> Mapping[str, Side]:
    """The sides that the letters before ports mean, judged from all of them together."""
    codes = {row.section.code for row in context.lifts.rows if row.section is not None and row.section.code}
    for column, values in zip(columns, names, strict=True):
        if column.kind in ("side", "port"):
            found = [_names(column.kind, value) for value in set(values) if value is not None]
            codes |= {name.code for name in found if name is not None and name.code and name.side is None}
    return (resolve_codes(codes, context.words) or {}) if codes else {}


def _who(
    context: TableContext,
    columns: Sequence[Column],
    values: Sequence[CellValue],
    entry: LiftRow,
    sides: Mapping[str, Side],
) -> Who | None:
    """Read the cells that say which test a row belongs to, after the line above them that does."""
    section = entry.section
    who = NOBODY
    if section is not None:
        port = section.port or section.bare or (None if section.head else section.position) or section.letter
        side = section.side or sides.get(section.code or "")
        who = Who(side, port, section.run, section.rest or None, section.head)
    for column, value in zip(columns, values, strict=True):
        if value is None:
            continue
        names = _names(str(column.kind), value)
        if names is None:
            source = context.table.view.source(entry.row, column.index)
            context.findings += read_item(str(column.kind), Written(value, source))[1]
            return None
        if names.side is None and names.code is not None:
            side = sides.get(names.code)
            if side is None:
                source = context.table.view.source(entry.row, column.index)
                what = f"{as_text(value)!r} may be intake or exhaust, depending on the language; {BY_HAND}"
                context.findings.append(refused(source, what))
                return None
            names = names._replace(side=side)
        who = Who(*(mine or theirs for mine, theirs in zip(names[:5], who[:5], strict=True)))  # type: ignore[arg-type]
    return who


@lru_cache(maxsize=2048, typed=True)
def _names(kind: str, value: CellValue) -> Who | None:
    """Read a cell of names, None where it cannot be understood."""
    items, trouble = read_item(kind, Written(value, ""))
    if trouble:
        return None
    said: dict[str, Any] = {item.kind: item.value for item in items}
    side, run = said.get("side"), said.get("run")
    code = None if side in ("intake", "exhaust", None) else str(side)[1:]
    return Who(None if code else side, said.get("port"), run and int(run), said.get("variant"), said.get("head"), code)


@dataclass(frozen=True, slots=True)
class Pressures:
    """A column of test pressures."""

    values: dict[int, float]
    unit: UnitSource
    flows: list[int]


def pressure_columns(context: TableContext) -> list[Pressures]:
    """Read the columns of pressures."""
    found = []
    columns = context.of_role("pressure")
    for place, column in enumerate(columns):
        values, unit = _pressures(context, column)
        if unit is not None:
            found.append(Pressures(values, unit, _flows_of(column, place, columns, context.of_tests())))
    return found


def _pressures(context: TableContext, column: Column) -> tuple[dict[int, float], UnitSource | None]:
    """Read a column of pressures cell by cell."""
    view = context.table.view
    values: dict[int, float] = {}
    unit: UnitSource | None = None
    label = Label("pressure", unit=column.unit, unit_text=column.unit_text)
    reported: set[str] = set()
    known = column.unit if measures(column.unit, "pressure") else None
    for entry in context.lifts.rows:
        value, cell = view.rows[entry.row][column.index], view.cells[entry.row][column.index]
        if value is None:
            continue
        if known is not None and cell.value is not None and not cell.unit:
            values[entry.row], unit = to_si(abs(cell.value), known), UnitSource(known.name, "stated")
            continue
        source = view.source(entry.row, column.index)
        written = Written(value, source, label, decimal_comma=view.decimal_comma, default_unit=context.units.pressure)
        items, trouble = read_item("pressure", written, context.units)
        # One finding speaks for the whole column, unless cells hold no number.
        context.findings += [f for f in trouble if f.rule == "not-a-number" or f.rule not in reported]
        reported |= {finding.rule for finding in trouble}
        for item in items:
            values[entry.row] = float(item.value)
            if item.unit is not None and unit is None:
                unit = UnitSource(item.unit.name, "stated" if item.stated else "assumed")
    return values, unit


def _flows_of(column: Column, place: int, pressures: Sequence[Column], flows: Sequence[Column]) -> list[int]:
    """The columns of flows a column of pressures belongs to: of its name, or beside it."""
    if column.flows is not None:
        return column.flows
    if len(pressures) == 1 and not _names_of(column):
        return [flow.index for flow in flows]
    if _names_of(column) and sum(_names_of(other) == _names_of(column) for other in pressures) == 1:
        return [flow.index for flow in flows if _is_of(column, flow)]
    if flows and pressures[0].index < flows[0].index:
        end = pressures[place + 1].index if place + 1 < len(pressures) else flows[-1].index + 1
        return [flow.index for flow in flows if column.index < flow.index < end]
    start = pressures[place - 1].index if place else -1
    return [flow.index for flow in flows if start < flow.index < column.index]


def _names_of(column: Column) -> tuple[object, ...]:
    """The names a heading gives; empty where it gives none."""
    names = (column.side, column.port, column.run, column.variant or None)
    return names if any(names) else ()


def _is_of(column: Column, flow: Column) -> bool:
    """Whether a flow's heading has all the names of a pressure's."""
    return all(
        wanted in (None, "", found)
        for wanted, found in (
            (column.side, flow.side),
            (column.port, flow.port),
            (column.run, flow.run),
            (column.variant, flow.variant),
        )
    )


def named_rows(context: TableContext) -> dict[int, dict[str, Item]]:
    """Read rows such as a leak's or a pressure's: an Item for each column of flows."""
    found: dict[int, dict[str, Item]] = {}
    table, view = context.table, context.table.view
    for row, label in sorted(table.named.items()):
        if label.kind in LEFT_OUT:
            text = next((v for v in view.rows[row][table.left : table.right + 1] if isinstance(v, str)), None)
            what = f"the row {as_text(text)!r} was left out: no reading"
            context.findings.append(Finding("column-ignored", "note", view.source(row, table.left), what))
            continue
        if label.kind not in CONDITION_KINDS:
            continue
        filled = [c for c in range(table.lifts[0] + 1, table.right + 1) if view.value(row, c) is not None]
        for column in context.of_tests():
            at = column.index if view.value(row, column.index) is not None else _held(view, row, column.index, filled)
            if at is not None:
                for item in _row_item(context, row, at, label, column):
                    found.setdefault(column.index, {})[item.kind] = item
    return found


def _row_item(context: TableContext, row: int, at: int, label: Label, column: Column) -> list[Item]:
    """Read one cell of a row of leaks, pressures and the like; a bare flow is in the column's unit."""
    kind, view = str(label.kind), context.table.view
    flow = kind in FLOW_KINDS
    written = Written(
        view.value(row, at),
        view.source(row, at),
        label if label.unit_text or not flow else Label(kind, unit_text=column.unit_text),
        decimal_comma=view.decimal_comma,
        percent=view.percent(row, at),
        default_unit=context.units.flow if flow else context.units.pressure if kind == "pressure" else None,
    )
    items, trouble = read_item(kind, written, context.units)
    context.findings += [finding for finding in trouble if finding not in context.findings]
    return items


def _held(view: View, row: int, index: int, filled: Sequence[int]) -> int | None:
    """The cell whose value holds for an empty one: the row's only one, or one merged over it."""
    if len(filled) == 1:
        return filled[0]
    for r0, c0, r1, c1 in view.merged:
        if r0 <= row <= r1 and c0 <= index <= c1:
            return c0
    return None


def row_conditions(context: TableContext, rows: Sequence[LiftRow]) -> dict[str, Item]:
    """Read columns of conditions that are the same in all rows of a test."""
    found: dict[str, Item] = {}
    view = context.table.view
    section = rows[0].section if rows else None
    if section is not None and section.pressure is not None:  # "Ported @ 10 inH2O" over the rows
        row, column_of = max(place for place in context.table.sections.items() if place[0] <= rows[0].row)
        found |= _stated_pressure(context, section.pressure, view.source(row, column_of))
    for column in context.of_role("condition"):
        if column.kind in _OF_ROWS and context.of_role("reading"):
            continue
        cells = [(entry.row, v) for entry in rows if (v := view.value(entry.row, column.index)) is not None]
        if len({as_text(value) for _, value in cells}) > 1:
            what = f"the column {column.text!r} was left out: it changes within a test"
            context.findings.append(Finding("column-ignored", "note", column.source(context.table), what))
        elif cells:
            row, value = cells[0]
            written = Written(
                value,
                view.source(row, column.index),
                Label(column.kind, unit=column.unit, unit_text=column.unit_text),
                decimal_comma=view.decimal_comma,
                percent=view.percent(row, column.index),
                default_unit=context.units.flow if column.kind in FLOW_KINDS else None,
            )
            items, trouble = read_item(str(column.kind), written, context.units)
            context.findings += trouble
            found.update({item.kind: item for item in items})
    return found


_OF_ROWS = frozenset({"range", "meter", "meter_temperature", "meter_pressure", "outlet_pressure"})
"""What a row can say of the meter it was read on."""


def _read_meter(
    context: TableContext, columns: list[Column], rows: Sequence[LiftRow], who: Who, pressures: Sequence[Pressures]
) -> Draft | None:
    """Read what a meter showed in some rows of a table; a row with a gap in one of its positions gives no point."""
    draft = _start(context, columns[0], who, None)
    if draft is None:
        return None
    if len(columns) > 1 and columns[0].side is None:
        draft.port, draft.run = who.port, who.run
    draft.flow_unit = None  # a unit stated for flows is none of readings
    view, index = context.table.view, columns[0].index
    own = next((entry for entry in pressures if index in entry.flows), None)
    draft.pressure_unit = own.unit if own is not None else None
    known = own.values if own is not None else {}
    shown = _shown(context, columns, rows, draft)
    for entry in rows:
        if entry.row in shown:
            draft.lifts.append(entry.lift)
            draft.flows.append(math.nan)
            draft.pressures.append(known.get(entry.row))
            draft.sources.append(view.source(entry.row, index))
        elif entry.lift == 0 and entry.row in known and "leak_reading" in draft.items:
            source = view.source(entry.row, index)
            draft.items["leak_pressure"] = Item("leak_pressure", known[entry.row], UNITS["Pa"], source)
    draft.shown = list(shown.values())
    return draft if shown else None


def _shown(
    context: TableContext, columns: Sequence[Column], rows: Sequence[LiftRow], draft: Draft
) -> dict[int, Reading]:
    """What a meter showed, by row; a row with a gap in one of its positions gives none, at lift zero it is the leak."""
    view = context.table.view
    draft.meter_unit = columns[0].unit.name if columns[0].unit is not None else columns[0].unit_text or None
    beside = _columns_of_meter(context, columns[0])
    found = {}
    for entry in rows:
        values = [_one_reading(view, entry.row, column.index, draft, context.findings) for column in columns]
        shown = tuple(value for value in values if value is not None)
        if len(shown) < len(columns):
            continue
        about = _row_of_meter(context, entry.row, beside)
        if entry.lift == 0:
            said = _closed(shown, draft, about)
            draft.items["leak_reading"] = Item("leak_reading", said, None, view.source(entry.row, columns[0].index))
        else:
            found[entry.row] = Reading(shown, "", **about)
    # Its column's heading or one of its cells names the unit of all.
    return {row: replace(reading, unit=draft.meter_unit or "") for row, reading in found.items()}


def _one_reading(view: View, row: int, index: int, draft: Draft, findings: list[Finding]) -> float | None:
    """Read one cell of a meter's readings."""
    value = view.value(row, index)
    if value is None:
        return None
    source = view.source(row, index)
    cell = view.cells[row][index]
    if cell.gap:
        findings.append(Finding("not-a-number", "note", source, f"{cell.gap!r} is a gap; the cell gives no point"))
        return None
    number, unit = cell.value, cell.unit
    if number is not None and view.percent(row, index):
        number, unit = number * 100, "%"
    if number is None:
        what = f"{as_text(value)!r} is not a number; {BY_HAND}"
        findings.append(Finding("not-a-number", "error", source, what))
    elif unit:
        known = known_unit(unit)
        name = known.name if known is not None else unit
        if draft.meter_unit not in (None, name):
            findings.append(refused(source, f"a reading in {name} is in a column of {draft.meter_unit}"))
            return None
        draft.meter_unit = name
    return number


def _closed(shown: Sequence[float], draft: Draft, about: Mapping[str, Any]) -> str:
    """The reading with the valve closed, as `corrections.meter.split_leak` takes it apart again."""
    text = f"{', '.join(f'{value:.12g}' for value in shown)} {draft.meter_unit or ''}".strip()
    words = {"meter": "on", "range": "on", "temperature_k": "at", "pressure_pa": "at", "outlet_pa": "into"}
    units = {"temperature_k": " K", "pressure_pa": " Pa", "outlet_pa": " Pa"}
    said = [
        f" {words[key]} {value:.12g}{units[key]}" if key in units else f" {words[key]} {value}"
        for key, value in about.items()
    ]
    return text + "".join(said)


def _columns_of_meter(context: TableContext, reading: Column) -> list[Column]:
    """The columns that say how a column of readings was read: those named as it is, or beside it."""
    found = []
    readings = context.of_role("reading")
    for kind in sorted(_OF_ROWS):
        columns = [column for column in context.of_role("condition") if column.kind == kind]
        found += [c for n, c in enumerate(columns) if reading.index in _flows_of(c, n, columns, readings)]
    return found


def _row_of_meter(context: TableContext, row: int, columns: Sequence[Column]) -> dict[str, Any]:
    """What a row says of its meter: name, range, and the air's state there."""
    view = context.table.view
    names = {"meter_temperature": "temperature_k", "meter_pressure": "pressure_pa", "outlet_pressure": "outlet_pa"}
    found: dict[str, float | str] = {}
    for column in columns:
        value = view.value(row, column.index)
        if value is None:
            continue
        if column.kind in ("range", "meter"):
            unit = f" {column.unit.name}" if column.unit is not None else ""
            found[str(column.kind)] = as_text(value) + unit
            continue
        label = Label(column.kind, unit=column.unit, unit_text=column.unit_text)
        written = Written(value, view.source(row, column.index), label, decimal_comma=view.decimal_comma)
        items, trouble = read_item(str(column.kind), written, context.units)
        context.findings += [finding for finding in trouble if finding not in context.findings]
        found |= {names[item.kind]: float(item.value) for item in items}
    return found


def read_drafts(context: TableContext) -> list[Draft]:
    """Read all flows of a table."""
    groups = group_rows(context)
    pressures = pressure_columns(context)
    named = named_rows(context)
    common = _common_unit(context)
    drafts = []
    view = context.table.view
    unitless: dict[int, Column] = {}
    flows = context.of_role("flow")
    metered = [] if flows else positions(context.of_role("reading"))
    beside: dict[int | None, list[Column]] = {}  # what a meter showed, by the column of the flow beside it
    for column in context.of_role("reading"):
        beside.setdefault(column.beside, []).append(column)
    for who, rows in groups:
        conditions = row_conditions(context, rows)
        for columns in metered:
            draft = _read_meter(context, columns, rows, who, pressures)
            if draft is not None:
                draft.items = {**conditions, **named.get(columns[0].index, {}), **draft.items}
                drafts.append(draft)
        places = [entry.row for entry in rows]
        shared = _Rows([entry.lift for entry in rows], places, [None] * len(rows), _row_parts(view, places))
        for column in flows:
            draft = _start(context, column, who, common)
            if draft is None:
                continue
            draft.items = {**conditions, **draft.items, **named.get(column.index, {})}
            own = next((entry for entry in pressures if column.index in entry.flows and not column.pressure), None)
            if own is not None:
                draft.pressure_unit = own.unit
            _read_flows(context, column, shared, own.values if own is not None else {}, draft)
            if column.index in beside:
                shown = _shown(context, beside[column.index], rows, draft)
                by_source = {view.source(row, column.index): reading for row, reading in shown.items()}
                draft.shown = [by_source.get(source) for source in draft.sources] if shown else None
            if draft.flow_unit is None and draft.flows:
                unitless[column.index] = column
            elif draft.flows or "leak" in draft.items or draft.closed:
                drafts.append(draft)
    if unitless:
        context.findings.append(_no_unit(context, list(unitless.values())))
    return drafts


def _no_unit(context: TableContext, columns: Sequence[Column]) -> Finding:
    """Refuse flows without a unit."""
    headings = ", ".join(repr(column.text) for column in columns[:4]) + (", …" if len(columns) > 4 else "")
    what = f"the flows under {headings} have no unit; state it with --flow-unit or flow_unit in the job's conditions"
    return refused(columns[0].source(context.table), what)


def _common_unit(context: TableContext) -> Unit | None:
    """The one unit of flow a table's headings name, for the columns whose heading has none."""
    flows = context.of_role("flow")
    headed = {column.unit.name: column.unit for column in flows if column.unit is not None}
    bare = [column for column in flows if column.unit is None]
    if len(headed) != 1 or not bare or context.units.flow is not None:
        return None
    unit = next(iter(headed.values()))
    without = ", ".join(repr(column.text) for column in bare[:4])
    what = f"the flows under {without} have no unit and were read in {unit.name}, as those beside them"
    context.findings.append(assumed(bare[0].source(context.table), what))
    return unit


def _start(context: TableContext, column: Column, who: Who, common: Unit | None) -> Draft | None:
    """Begin the test of one column and one group of rows."""
    where = column.source(context.table)
    if who is not NOBODY:
        for name, mine, theirs in zip(Who._fields, (column.side, column.port, column.run), who, strict=False):
            if mine is not None and theirs is not None and mine != theirs:
                what = f"heading and row name two {name}s, {mine} and {theirs}; {SET_HEADING}"
                context.findings.append(refused(where, what))
                return None
    variant = column.variant or who.variant
    if column.variant and who.variant and column.variant.casefold() != who.variant.casefold():
        variant = f"{who.variant} {column.variant}"
    draft = Draft(
        column.side or who.side,
        column.port or who.port,
        column.run or who.run,
        variant or None,
        column.head or who.head,
        where,
    )
    own = column.unit if measures(column.unit, *FLOW_QUANTITIES) else None
    stated = context.units.flow
    draft.flow_unit = own or (known_unit(stated) if stated else None) or common
    draft.flow_stated = own is not None or stated is not None
    if column.pressure is not None:
        draft.items |= _stated_pressure(context, column.pressure, where)
    return draft


def _stated_pressure(context: TableContext, said: tuple[str, str], where: str) -> dict[str, Item]:
    """Read the test pressure that a heading or a line between the rows states."""
    comma = context.table.view.decimal_comma
    written = Written(" ".join(said), where, decimal_comma=comma, default_unit=context.units.pressure)
    items, trouble = read_item("pressure", written, context.units)
    context.findings += [finding for finding in trouble if finding not in context.findings]
    return {item.kind: item for item in items}


class _Rows(NamedTuple):
    """The rows of one test, shared by its columns: their lifts, their places, and no pressures."""

    lifts: list[float]
    rows: list[int]
    pressures: list[float | None]
    parts: list[str] | None


def _read_flows(
    context: TableContext, column: Column, rows: _Rows, pressures: Mapping[int, float], draft: Draft
) -> None:
    """Read one column's flows in some rows of a table into a draft."""
    view, index = context.table.view, column.index
    cells = view.rows
    numbers = plain_numbers([cells[row][index] for row in rows.rows], view.decimal_comma)
    if numbers is not None and all(rows.lifts):
        draft.lifts, draft.flows = rows.lifts, numbers
        draft.pressures = [pressures.get(row) for row in rows.rows] if pressures else rows.pressures
        draft.sources = _addresses(view, index, rows.rows, rows.parts)
        return
    unheaded = draft.flow_unit is None
    places = []
    zero: tuple[float, int] | None = None
    for lift, row in zip(rows.lifts, rows.rows, strict=True):
        flow = _one_flow(view, row, index, draft, context.findings)
        if flow is None:
            continue
        if lift == 0:
            zero = zero or (flow, row)
            continue
        draft.lifts.append(lift)
        draft.flows.append(flow)
        places.append(row)
    draft.pressures = [pressures.get(row) for row in places]
    draft.sources = _addresses(view, index, places, None)
    if unheaded and draft.flow_unit is not None:
        _units_of_cells(context, index, places, draft)
    if zero is not None:
        _take_leak(view.source(zero[1], index), zero, pressures, draft)


def _units_of_cells(context: TableContext, index: int, rows: Sequence[int], draft: Draft) -> None:
    """Say whether every flow of a column has its unit in its cell, and which are taken to be in the others'."""
    view = context.table.view
    bare = [row for row in rows if not view.cells[row][index].unit]
    draft.flow_stated = not bare
    if bare and draft.flow_unit is not None:
        what = f"flows without a unit were read in {draft.flow_unit.name}, as the others of their column"
        context.findings.append(assumed(view.source(bare[0], index), what))


def _row_parts(view: View, rows: Sequence[int]) -> list[str] | None:
    """The part of a cell's address that its row gives; None where addresses are not so simple."""
    grid = view.grid
    if view.turned or view.places is not None or grid.pages or (grid.lines and len(grid.lines) < len(view.rows)):
        return None
    if grid.lines is not None:
        return [f"{grid.file}:{grid.lines[row]}:" for row in rows]
    return [str(row + 1) for row in rows]


def _addresses(view: View, index: int, rows: Sequence[int], parts: Sequence[str] | None) -> list[str]:
    """The addresses of cells of one column."""
    if parts is None:
        return [view.source(row, index) for row in rows]
    grid = view.grid
    if grid.lines is not None:
        field = str(index + 1)
        return [part + field for part in parts]
    head = f"{grid.file}!{grid.sheet}!{column_letters(index)}"
    return [head + part for part in parts]


def _one_flow(view: View, row: int, index: int, draft: Draft, findings: list[Finding]) -> float | None:
    """Read one cell of flow: a number with or without a unit, a gap, or a mistake."""
    value = view.value(row, index)
    if value is None:
        return None
    source = view.source(row, index)
    cell = view.cells[row][index]
    if cell.gap:
        findings.append(Finding("not-a-number", "note", source, f"{cell.gap!r} is a gap; the cell gives no point"))
    elif cell.value is None:
        if view.place(row, index) in view.grid.formula_gaps:
            return None  # the formula without a value is reported once for the cell
        what = f"{as_text(value)!r} is not a number; {BY_HAND}"
        findings.append(Finding("not-a-number", "error", source, what))
    if cell.mark:
        what = f"{cell.mark!r} was read as {cell.value:g}; the sheet marks it as doubtful or with a remark"
        findings.append(Finding("not-a-number", "note", source, what))
    if cell.unit and cell.value is not None:
        return _in_unit(cell.value, cell.unit, source, draft, findings)
    return cell.value


def _in_unit(value: float, spelled: str, source: str, draft: Draft, findings: list[Finding]) -> float | None:
    """Bring a flow with a unit of its own to the unit of its column."""
    unit = known_unit(spelled, FLOW_QUANTITIES)
    if unit is None:
        what = f"{spelled!r} is not a unit of flow; {BY_HAND}"
        findings.append(refused(source, what))
        return None
    if draft.flow_unit is None:
        draft.flow_unit = unit
    if unit.name == draft.flow_unit.name:
        return value
    if unit.quantity != "flow" or draft.flow_unit.quantity != "flow":
        what = f"a flow in {unit.name} is in a column of {draft.flow_unit.name}; write it in the column's unit"
        findings.append(refused(source, what))
        return None
    return to_si(value, unit) / draft.flow_unit.factor


def _take_leak(source: str, zero: tuple[float, int], pressures: Mapping[int, float], draft: Draft) -> None:
    """Take the flow at lift zero for the leak; its pressure is the test's unless its row gives one."""
    flow, row = zero
    draft.closed["leak"] = Item("leak", flow, draft.flow_unit, source, stated=draft.flow_stated)
    if row in pressures:
        draft.closed["leak_pressure"] = Item("leak_pressure", pressures[row], UNITS["Pa"], source)
