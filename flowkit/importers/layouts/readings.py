"""The readings of a table: each column of flows, for each test its rows belong to, to a draft of a test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite

from flowkit.importers.cells import as_text, read_cell
from flowkit.importers.grid import CellValue, column_letters
from flowkit.importers.items import Item, Written, assumed, read_item, refused, unreadable
from flowkit.importers.labels import FLOW_QUANTITIES
from flowkit.importers.layouts.beside import named_rows, pressure_columns, row_conditions
from flowkit.importers.layouts.columns import Column
from flowkit.importers.layouts.drafts import Draft, TableContext
from flowkit.importers.layouts.lifts import LiftRow
from flowkit.importers.layouts.who import NOBODY, Who, group_rows
from flowkit.importers.view import View
from flowkit.model import Finding
from flowkit.units import UNITS, Unit, find_unit, to_si

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
    unitless: dict[int, Column] = {}
    for who, rows in groups:
        conditions = row_conditions(context, rows)
        for column in context.of_role("flow"):
            draft = _start(context, column, who, common)
            if draft is None:
                continue
            draft.items.update(conditions)
            draft.items.update(named.get(column.index, {}))
            own = next((entry for entry in pressures if column.index in entry.flows), None)
            if own is not None:
                draft.pressure_unit = own.unit
            _read_flows(context, column, rows, own.values if own is not None else {}, draft)
            if draft.flow_unit is None and draft.flows:
                unitless[column.index] = column
            elif draft.flows or "leak" in draft.items:
                drafts.append(draft)
    if unitless:
        context.findings.append(_no_unit(list(unitless.values())))
    return drafts


def _no_unit(columns: Sequence[Column]) -> Finding:
    """Refuse flows without a unit."""
    headings = ", ".join(repr(column.text) for column in columns[:4]) + (", …" if len(columns) > 4 else "")
    what = (
        f"the flows under {headings} have no unit; write it in the heading, or state it with --flow-unit "
        "or flow_unit in the job's conditions"
    )
    return unreadable(columns[0].source, what)


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
    context.findings.append(assumed(bare[0].source, what))
    return unit


def _start(context: TableContext, column: Column, who: Who, common: Unit | None) -> Draft | None:
    """Begin the test of one column and one group of rows."""
    view = context.table.view
    where = column.source or view.source(context.table.first, column.index)
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
    draft.flow_unit = own or (find_unit(stated) if stated else None) or common
    draft.flow_stated = own is not None or stated is not None
    if column.pressure is not None:
        said = " ".join(column.pressure)
        written = Written(said, where, decimal_comma=view.decimal_comma, default_unit=context.units.pressure)
        items, trouble = read_item("pressure", written)
        context.findings += [finding for finding in trouble if finding not in context.findings]
        draft.items.update({item.kind: item for item in items})
    return draft


def _read_flows(
    context: TableContext, column: Column, rows: Sequence[LiftRow], pressures: Mapping[int, float], draft: Draft
) -> None:
    """Read one column's flows in some rows of a table into a draft."""
    view, index = context.table.view, column.index
    cells = view.rows
    plain = all_plain([cells[entry.row][index] for entry in rows], view.decimal_comma)
    zero: list[tuple[float, int]] = []
    if plain is not None and all(entry.lift for entry in rows):
        draft.flows = plain
        draft.lifts = [entry.lift for entry in rows]
        places = [entry.row for entry in rows]
    else:
        places = []
        for entry in rows:
            flow = _one_flow(view, entry.row, index, draft, context.findings)
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
    if zero:
        _take_leak(view.source(zero[0][1], index), zero[0], pressures, draft)


def all_plain(values: Sequence[CellValue], decimal_comma: bool | None) -> list[float] | None:
    """Read a whole column at once, where each cell is a plain number.

    Parameters
    ----------
    values : sequence of cell value
    decimal_comma : bool or None

    Returns
    -------
    list of float or None
        None where any cell needs a closer look.

    Examples
    --------
    >>> all_plain(["1.5", "2"], None), all_plain(["1.5", "2 cfm"], None)
    ([1.5, 2.0], None)
    """
    kinds = set(map(type, values))
    if kinds == {float}:
        numbers: list[float] = list(values)  # type: ignore[arg-type]
    elif kinds == {str} and not decimal_comma:
        text: Sequence[str] = values  # type: ignore[assignment]
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
        lines, number = grid.lines, index + view.left + 1
        return [f"{grid.file}:{lines[row]}:{number}" for row in rows]
    head = f"{grid.file}!{grid.sheet}!{column_letters(index + view.left)}"
    return [f"{head}{row + 1}" for row in rows]


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
    unit = find_unit(spelled, FLOW_QUANTITIES)
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
    draft.items["leak"] = Item("leak", flow, draft.flow_unit, source, stated=draft.flow_stated)
    if row in pressures:
        draft.items["leak_pressure"] = Item("leak_pressure", pressures[row], UNITS["Pa"], source)
