"""The readings of a table: each column of flows, for each test its rows belong to, to a draft of a test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from flowkit.importers.files.grid import column_letters
from flowkit.importers.items import Item, Written, assumed, read_item, refused, unreadable
from flowkit.importers.labels import FLOW_QUANTITIES
from flowkit.importers.layouts.beside import named_rows, pressure_columns, row_conditions
from flowkit.importers.layouts.columns import Column
from flowkit.importers.layouts.drafts import Draft, TableContext
from flowkit.importers.layouts.who import NOBODY, Who, group_rows
from flowkit.importers.view import View
from flowkit.importers.words.values import as_text, known_unit, plain_numbers, read_cell
from flowkit.model import Finding
from flowkit.units import UNITS, Unit, to_si

__all__ = ["read_drafts"]


def read_drafts(context: TableContext) -> list[Draft]:
    """Read all flows of a table.

    Parameters
    ----------
    context : TableContext
        Its findings grow.

    Returns
    -------
    list of Draft
    """
    groups = group_rows(context)
    pressures = pressure_columns(context)
    named = named_rows(context)
    common = _common_unit(context)
    drafts = []
    view = context.table.view
    unitless: dict[int, Column] = {}
    flows = context.of_role("flow")
    for who, rows in groups:
        conditions = row_conditions(context, rows)
        places = [entry.row for entry in rows]
        shared = _Rows([entry.lift for entry in rows], places, [None] * len(rows), _row_parts(view, places))
        for column in flows:
            draft = _start(context, column, who, common)
            if draft is None:
                continue
            draft.items.update(conditions)
            draft.items.update(named.get(column.index, {}))
            own = next((entry for entry in pressures if column.index in entry.flows), None)
            if own is not None:
                draft.pressure_unit = own.unit
            _read_flows(context, column, shared, own.values if own is not None else {}, draft)
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
    what = (
        f"the flows under {headings} have no unit; write it in the heading, or state it with --flow-unit "
        "or flow_unit in the job's conditions"
    )
    return unreadable(columns[0].source(context.table), what)


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
    view = context.table.view
    where = column.source(context.table)
    if who is not NOBODY:
        for name, mine, theirs in zip(Who._fields, (column.side, column.port, column.run), who, strict=False):
            if mine is not None and theirs is not None and mine != theirs:
                what = f"heading and row name two {name}s, {mine} and {theirs}; keep the right one"
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
    own = column.unit if column.unit is not None and column.unit.quantity in FLOW_QUANTITIES else None
    stated = context.units.flow
    draft.flow_unit = own or (known_unit(stated) if stated else None) or common
    draft.flow_stated = own is not None or stated is not None
    if column.pressure is not None:
        said = " ".join(column.pressure)
        written = Written(said, where, decimal_comma=view.decimal_comma, default_unit=context.units.pressure)
        items, trouble = read_item("pressure", written)
        context.findings += [finding for finding in trouble if finding not in context.findings]
        draft.items.update({item.kind: item for item in items})
    return draft


class _Rows(NamedTuple):
    """The rows of one test, shared by its columns: their lifts, their places, and no pressures."""

    lifts: list[float]
    rows: list[int]
    pressures: list[float | None]
    parts: list[str] | None


def _read_flows(
    context: TableContext,
    column: Column,
    rows: _Rows,
    pressures: Mapping[int, float],
    draft: Draft,
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
    bare = [row for row in rows if not read_cell(view.value(row, index), view.decimal_comma).unit]
    draft.flow_stated = not bare
    if bare and draft.flow_unit is not None:
        what = f"flows without a unit were read in {draft.flow_unit.name}, as the others of their column"
        context.findings.append(assumed(view.source(bare[0], index), what))


def _row_parts(view: View, rows: Sequence[int]) -> list[str] | None:
    """The part of a cell's address that its row gives; None where addresses are not so simple."""
    grid = view.grid
    if view.turned or view.places is not None or (grid.lines is not None and len(grid.lines) < len(view.rows)):
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
    cell = read_cell(value, view.decimal_comma)
    if cell.gap:
        findings.append(Finding("not-a-number", "note", source, f"{cell.gap!r} is a gap; the cell gives no point"))
    elif cell.value is None:
        if view.place(row, index) in view.grid.formula_gaps:
            return None  # the formula without a value is reported once for the cell
        what = f"{as_text(value)!r} is no number; write the flow, or a dash where it was not measured"
        findings.append(Finding("not-a-number", "error", source, what))
    elif cell.unit:
        return _in_unit(cell.value, cell.unit, source, draft, findings)
    return cell.value


def _in_unit(value: float, spelled: str, source: str, draft: Draft, findings: list[Finding]) -> float | None:
    """Bring a flow with a unit of its own to the unit of its column."""
    unit = known_unit(spelled, FLOW_QUANTITIES)
    if unit is None:
        what = f"{spelled!r} is no unit of flow; correct the cell"
        findings.append(refused(source, what))
        return None
    if draft.flow_unit is None:
        draft.flow_unit = unit
    if unit.name == draft.flow_unit.name:
        return value
    if unit.quantity != "flow" or draft.flow_unit.quantity != "flow":
        what = f"a flow in {unit.name} stands in a column of {draft.flow_unit.name}; write it in the column's unit"
        findings.append(refused(source, what))
        return None
    return to_si(value, unit) / draft.flow_unit.factor


def _take_leak(source: str, zero: tuple[float, int], pressures: Mapping[int, float], draft: Draft) -> None:
    """Take the flow at lift zero for the leak; its pressure is the test's unless its row gives one."""
    flow, row = zero
    draft.closed["leak"] = Item("leak", flow, draft.flow_unit, source, stated=draft.flow_stated)
    if row in pressures:
        draft.closed["leak_pressure"] = Item("leak_pressure", pressures[row], UNITS["Pa"], source)
