"""The readings of a table: each column of flows, for each test its rows belong to, to a draft of a test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import NamedTuple

from flowkit.importers.cells import as_text, read_cell
from flowkit.importers.grid import CellValue, column_letters
from flowkit.importers.items import FLOW_KINDS, Item, assumed, read_item, refused, unreadable
from flowkit.importers.labels import FLOW_QUANTITIES, Label, resolve_codes
from flowkit.importers.layouts.columns import Column
from flowkit.importers.layouts.lifts import LiftRow, Lifts
from flowkit.importers.tables import CONDITION_KINDS, LEFT_OUT, Table
from flowkit.importers.view import View
from flowkit.model import Finding, Side, UnitSource
from flowkit.units import UNITS, Unit, find_unit, to_si

__all__ = ["Draft", "Units", "read_drafts"]


@dataclass(frozen=True, slots=True)
class Units:
    """Units stated outside the table, for numbers that have none of their own."""

    flow: str | None = None
    pressure: str | None = None


@dataclass(slots=True)
class Draft:
    """A test as its table gives it, before the sheet's and the user's statements join it.

    Attributes
    ----------
    side, port, run, variant, head : optional
    where : str
        The cell that heads its flows.
    lifts, flows, pressures, sources : lists, one entry a point
        Lifts [m] or lift over diameter, flows in `flow_unit`, pressures [Pa].
    flow_unit : Unit or None
    flow_stated : bool
    pressure_unit : UnitSource or None
    items : dict
        Kind to Item: conditions of this test alone.
    """

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


class _Who(NamedTuple):
    """Which test a row belongs to, as far as its own cells say."""

    side: Side | None = None
    port: str | None = None
    run: int | None = None
    variant: str | None = None
    head: str | None = None


_NOBODY = _Who()


def read_drafts(
    table: Table, columns: Sequence[Column], lifts: Lifts, units: Units, words: Sequence[str]
) -> tuple[list[Draft], list[Finding]]:
    """Read all flows of a table.

    Parameters
    ----------
    table : Table
    columns : sequence of Column
    lifts : Lifts
    units : Units
    words : sequence of str
        Languages of the sheet's words, for letters that stand for sides.

    Returns
    -------
    drafts : list of Draft
    findings : list of Finding
    """
    findings: list[Finding] = []
    flows = [column for column in columns if column.role == "flow"]
    groups = _group_rows(table, columns, lifts, words, findings)
    pressures = _pressure_columns(table, columns, lifts, units, findings)
    named = _named_rows(table, flows, units, findings)
    common_unit = _common_unit(table, flows, units, findings)
    drafts = []
    for who, rows in groups:
        conditions = _row_conditions(table, columns, rows, units, findings)
        for column in flows:
            draft = _start(table, column, who, common_unit, units, findings)
            if draft is None:
                continue
            draft.items.update(conditions)
            draft.items.update(named.get(column.index, {}))
            own = _pressures_of(column, pressures)
            draft.pressure_unit = own[1] if own else draft.pressure_unit
            _read_flows(table, column, rows, own[0] if own else {}, draft, findings)
            if draft.flows or "leak" in draft.items:
                drafts.append(draft)
    return drafts, findings


def _group_rows(
    table: Table, columns: Sequence[Column], lifts: Lifts, words: Sequence[str], findings: list[Finding]
) -> list[tuple[_Who, list[LiftRow]]]:
    """Group the rows by the test their own cells name; an empty cell means as above."""
    who_columns = [column for column in columns if column.role == "who"]
    sectioned = any(row.section is not None for row in lifts.rows)
    if not who_columns and not sectioned:
        return [(_NOBODY, lifts.rows)]
    view = table.view
    known: dict[tuple[object, ...], _Who | None] = {}
    held: list[CellValue] = [None] * len(who_columns)
    groups: dict[_Who, list[LiftRow]] = {}
    for entry in lifts.rows:
        values = view.rows[entry.row]
        for place, column in enumerate(who_columns):
            value = values[column.index]
            if value is not None:
                held[place] = value
        key = (*held, id(entry.section))
        if key not in known:
            known[key] = _who(table, who_columns, held, entry, words, findings)
        who = known[key]
        if who is not None:
            groups.setdefault(who, []).append(entry)
    return list(groups.items())


def _who(
    table: Table,
    columns: Sequence[Column],
    values: Sequence[CellValue],
    entry: LiftRow,
    words: Sequence[str],
    findings: list[Finding],
) -> _Who | None:
    """Read the cells that say which test a row belongs to."""
    found: dict[str, object] = {}
    if entry.section is not None:
        found = {"side": entry.section.side, "port": entry.section.port, "run": entry.section.run}
        if entry.section.code is not None and found["side"] is None:
            sides = resolve_codes([entry.section.code], words)
            found["side"] = sides[entry.section.code] if sides else None
    for column, value in zip(columns, values, strict=True):
        if value is None:
            continue
        source = table.view.source(entry.row, column.index)
        items, trouble = read_item(str(column.kind), value, source, label=Label())
        if trouble:
            findings += trouble
            return None
        for item in items:
            if item.kind == "run" and isinstance(item.value, float):
                found["run"] = int(item.value)
            elif isinstance(item.value, str) and item.value.startswith("?") and item.kind == "side":
                sides = resolve_codes([item.value[1:]], words)
                if sides is None:
                    what = f"{as_text(value)!r} may be intake or exhaust, depending on the language; write intake or exhaust"
                    findings.append(refused(source, what))
                    return None
                found["side"] = sides[item.value[1:]]
            else:
                found[item.kind] = item.value
    return _Who(**{name: value for name, value in found.items() if value is not None})  # type: ignore[arg-type]


def _pressure_columns(
    table: Table, columns: Sequence[Column], lifts: Lifts, units: Units, findings: list[Finding]
) -> list[tuple[Column, dict[int, float], UnitSource, list[int]]]:
    """Read the columns of pressures: for each its rows' values [Pa] and the flows it stands for."""
    found = []
    pressures = [column for column in columns if column.role == "pressure"]
    flows = [column for column in columns if column.role == "flow"]
    for place, column in enumerate(pressures):
        values: dict[int, float] = {}
        unit: UnitSource | None = None
        label = Label("pressure", unit=column.unit, unit_text=column.unit_text)
        told: set[str] = set()
        for entry in lifts.rows:
            value = table.view.rows[entry.row][column.index]
            if value is None:
                continue
            source = table.view.source(entry.row, column.index)
            items, trouble = read_item(
                "pressure",
                value,
                source,
                label=label,
                decimal_comma=table.view.decimal_comma,
                default_unit=units.pressure,
            )
            # One finding speaks for the whole column, unless the cells differ.
            findings += [f for f in trouble if f.rule == "not-a-number" or f.rule not in told]
            told |= {finding.rule for finding in trouble}
            for item in items:
                values[entry.row] = float(item.value)
                if item.unit is not None:
                    unit = unit or UnitSource(item.unit.name, "stated" if item.stated else "assumed")
        if unit is not None:
            found.append((column, values, unit, _flows_of(column, place, pressures, flows)))
    return found


def _flows_of(column: Column, place: int, pressures: Sequence[Column], flows: Sequence[Column]) -> list[int]:
    """The columns of flows a column of pressures stands for: of its name, or beside it."""
    if column.flows is not None:
        return column.flows
    if column.side or column.port or column.run or column.variant:
        same = [
            flow.index
            for flow in flows
            if (column.side in (None, flow.side) and column.port in (None, flow.port))
            and (column.run in (None, flow.run) and column.variant in ("", flow.variant))
        ]
        if len(same) < len(flows) or len(pressures) == 1:
            if (
                len(
                    {
                        id(c)
                        for c in pressures
                        if (c.side, c.port, c.run, c.variant) == (column.side, column.port, column.run, column.variant)
                    }
                )
                == 1
            ):
                return same
    if len(pressures) == 1:
        return [flow.index for flow in flows]
    leads = pressures[0].index < flows[0].index if flows else False
    if leads:
        end = pressures[place + 1].index if place + 1 < len(pressures) else 1 << 30
        return [flow.index for flow in flows if column.index < flow.index < end]
    start = pressures[place - 1].index if place else -1
    return [flow.index for flow in flows if start < flow.index < column.index]


def _pressures_of(
    column: Column, pressures: Sequence[tuple[Column, dict[int, float], UnitSource, list[int]]]
) -> tuple[dict[int, float], UnitSource] | None:
    """The pressures beside a column of flows."""
    for _, values, unit, flows in pressures:
        if column.index in flows:
            return values, unit
    return None


def _named_rows(
    table: Table, flows: Sequence[Column], units: Units, findings: list[Finding]
) -> dict[int, dict[str, Item]]:
    """Read rows such as a leak's or a pressure's: an Item for each column of flows."""
    found: dict[int, dict[str, Item]] = {}
    view = table.view
    for row, label in sorted(table.named.items()):
        if label.kind in LEFT_OUT:
            what = f"the row {as_text(_first_text(view, table, row))!r} was left out: no reading"
            findings.append(Finding("column-ignored", "note", view.source(row, table.left), what))
            continue
        if label.kind not in CONDITION_KINDS:
            continue
        filled = [c for c in range(table.lifts[0] + 1, table.right + 1) if view.value(row, c) is not None]
        for column in flows:
            at = column.index if view.value(row, column.index) is not None else _held(view, row, column.index, filled)
            if at is None:
                continue
            own_unit = column.unit_text if label.kind in FLOW_KINDS else ""
            told = label if label.unit_text else Label(label.kind, unit_text=own_unit)
            default = units.pressure if label.kind == "pressure" else units.flow if label.kind in FLOW_KINDS else None
            items, trouble = read_item(
                str(label.kind), view.value(row, at), view.source(row, at), label=told,
                decimal_comma=view.decimal_comma, percent=view.percent(row, at), default_unit=default,
            )  # fmt: skip
            findings += trouble
            for item in items:
                found.setdefault(column.index, {})[item.kind] = item
    return found


def _first_text(view: View, table: Table, row: int) -> CellValue:
    """The text that says what a row is."""
    return next((v for c in range(table.left, table.right + 1) if isinstance(v := view.value(row, c), str)), None)


def _held(view: View, row: int, index: int, filled: Sequence[int]) -> int | None:
    """The cell whose value holds for an empty one: merged over it, the row's only one, or the last before it."""
    if len(filled) == 1:
        return filled[0]
    for r0, c0, r1, c1 in view.merged:
        if r0 <= row <= r1 and c0 <= index <= c1:
            return c0
    return None


def _row_conditions(
    table: Table, columns: Sequence[Column], rows: Sequence[LiftRow], units: Units, findings: list[Finding]
) -> dict[str, Item]:
    """Read columns of conditions that are the same in all rows of a test."""
    found: dict[str, Item] = {}
    view = table.view
    for column in columns:
        if column.role != "condition":
            continue
        cells = [(r.row, v) for r in rows if (v := view.value(r.row, column.index)) is not None]
        if len({as_text(value) for _, value in cells}) > 1:
            what = f"the column {column.text!r} was left out: it changes within a test"
            findings.append(Finding("column-ignored", "note", column.source, what))
        elif cells:
            row, value = cells[0]
            label = Label(column.kind, unit=column.unit, unit_text=column.unit_text)
            items, trouble = read_item(
                str(column.kind), value, view.source(row, column.index), label=label,
                decimal_comma=view.decimal_comma, percent=view.percent(row, column.index), default_unit=units.pressure,
            )  # fmt: skip
            findings += trouble
            found.update({item.kind: item for item in items})
    return found


def _common_unit(table: Table, flows: Sequence[Column], units: Units, findings: list[Finding]) -> Unit | None:
    """The one unit of flow a table's headings name, for the columns whose heading has none."""
    headed = {column.unit.name: column.unit for column in flows if column.unit is not None}
    bare = [column for column in flows if column.unit is None]
    if len(headed) == 1 and bare and units.flow is None:
        unit = next(iter(headed.values()))
        without = ", ".join(repr(column.text) for column in bare[:4])
        findings.append(
            assumed(
                bare[0].source,
                f"the flows under {without} have no unit and were read in {unit.name}, as those beside them",
            )
        )
        return unit
    return None


def _start(
    table: Table, column: Column, who: _Who, common: Unit | None, units: Units, findings: list[Finding]
) -> Draft | None:
    """Begin the test of one column and one group of rows."""
    view = table.view
    where = column.source or view.source(table.first, column.index)
    if who is not _NOBODY:
        for name, mine, theirs in zip(_Who._fields, (column.side, column.port, column.run), who, strict=False):
            if mine is not None and theirs is not None and mine != theirs:
                what = f"heading and row name two {name}s, {mine} and {theirs}; keep the right one"
                findings.append(refused(where, what))
                return None
    variant = column.variant or who.variant
    if column.variant and who.variant and column.variant.casefold() != who.variant.casefold():
        variant = f"{who.variant} {column.variant}"
    draft = Draft(
        column.side or who.side, column.port or who.port, column.run or who.run, variant or None,
        column.head or who.head, where,
    )  # fmt: skip
    unit = column.unit if column.unit is not None and column.unit.quantity in FLOW_QUANTITIES else None
    draft.flow_unit = unit or (find_unit(units.flow) if units.flow else None) or common
    draft.flow_stated = unit is not None or units.flow is not None
    if column.pressure is not None:
        items, trouble = read_item(
            "pressure", " ".join(column.pressure), where, label=Label(), decimal_comma=view.decimal_comma,
            default_unit=units.pressure,
        )  # fmt: skip
        findings += [finding for finding in trouble if finding not in findings]
        draft.items.update({item.kind: item for item in items})
    return draft


def _read_flows(
    table: Table,
    column: Column,
    rows: Sequence[LiftRow],
    pressures: Mapping[int, float],
    draft: Draft,
    findings: list[Finding],
) -> None:
    """Read one column's flows in some rows of a table into a draft."""
    view, index = table.view, column.index
    cells = view.rows
    plain = _all_plain([cells[entry.row][index] for entry in rows], view.decimal_comma)
    zero: list[tuple[float, int]] = []
    if plain is not None and all(entry.lift for entry in rows):
        draft.flows = plain
        draft.lifts = [entry.lift for entry in rows]
        places = [entry.row for entry in rows]
    else:
        places = []
        for entry in rows:
            flow = _odd_flow(view, entry.row, index, draft, findings)
            if flow is None:
                continue
            if entry.lift == 0:
                zero.append((flow, entry.row))
                continue
            draft.lifts.append(entry.lift)
            draft.flows.append(flow)
            places.append(entry.row)
    draft.pressures = [pressures.get(row) for row in places] if pressures else [None] * len(places)
    draft.sources = _addresses(view, index, places)
    _leak(view, index, zero, pressures, draft)
    if draft.flow_unit is None and draft.flows:
        what = (
            f"the flows under {column.text!r} have no unit; write it in the heading, or state it with --flow-unit "
            "or flow_unit in the job's conditions"
        )
        findings.append(unreadable(draft.where, what))
        draft.lifts, draft.flows, draft.pressures, draft.sources = [], [], [], []
        draft.items.pop("leak", None)


def _all_plain(values: list[CellValue], decimal_comma: bool | None) -> list[float] | None:
    """All cells of a column at once, where each is a plain number; None where any needs a closer look."""
    kinds = set(map(type, values))
    if kinds == {float}:
        numbers: list[float] = values  # type: ignore[assignment]
    elif kinds == {str} and not decimal_comma:
        text: list[str] = values  # type: ignore[assignment]
        if "_" in "".join(text):
            return None
        try:
            numbers = list(map(float, text))
        except ValueError:
            return None
    else:
        return None
    return numbers if isfinite(sum(numbers)) else None


def _addresses(view: View, index: int, rows: Sequence[int]) -> list[str]:
    """The addresses of cells of one column."""
    grid = view.grid
    if view.turned or view.places is not None or (grid.lines is not None and len(grid.lines) < len(view.rows)):
        return [view.source(row, index) for row in rows]
    if grid.lines is not None:
        lines, field = grid.lines, index + view.left + 1
        return [f"{grid.file}:{lines[row]}:{field}" for row in rows]
    head = f"{grid.file}!{grid.sheet}!{column_letters(index + view.left)}"
    return [f"{head}{row + 1}" for row in rows]


def _odd_flow(view: View, row: int, index: int, draft: Draft, findings: list[Finding]) -> float | None:
    """Read a cell of flow that is no plain number: with a unit, a gap, or a mistake."""
    value = view.value(row, index)
    source = view.source(row, index)
    cell = read_cell(value, view.decimal_comma)
    if cell.gap:
        findings.append(Finding("not-a-number", "note", source, f"{cell.gap!r} is a gap; the cell gives no point"))
        return None
    if cell.value is None:
        if as_text(value):
            what = f"{as_text(value)!r} is no number; write the flow, or a dash where it was not measured"
            findings.append(Finding("not-a-number", "error", source, what))
        return None
    if not cell.unit:
        return cell.value
    unit = find_unit(cell.unit, FLOW_QUANTITIES)
    if unit is None:
        findings.append(
            refused(source, f"{as_text(value)!r} is no flow: {cell.unit!r} is no unit of flow; correct the cell")
        )
        return None
    if draft.flow_unit is None:
        draft.flow_unit = unit
    if unit.name == draft.flow_unit.name:
        return cell.value
    if unit.quantity != "flow" or draft.flow_unit.quantity != "flow":
        what = f"{as_text(value)!r} stands in a column of {draft.flow_unit.name}; write it in the column's unit"
        findings.append(refused(source, what))
        return None
    return to_si(cell.value, unit) / draft.flow_unit.factor


def _leak(
    view: View, index: int, zero: Sequence[tuple[float, int]], pressures: Mapping[int, float], draft: Draft
) -> None:
    """Take the flow at lift zero for the leak; its pressure is the test's unless its row gives one."""
    if not zero:
        return
    flow, row = zero[0]
    source = view.source(row, index)
    draft.items["leak"] = Item("leak", flow, draft.flow_unit, source, stated=draft.flow_stated)
    if row in pressures:
        draft.items["leak_pressure"] = Item("leak_pressure", pressures[row], UNITS["Pa"], source)
