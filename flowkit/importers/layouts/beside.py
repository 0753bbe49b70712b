"""What stands in a table beside its lifts and flows: pressures, leaks, conditions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flowkit.importers.files.grid import CellValue
from flowkit.importers.items import FLOW_KINDS, Item, Written, read_item
from flowkit.importers.kinds import CONDITION_KINDS, LEFT_OUT
from flowkit.importers.labels import Label
from flowkit.importers.layouts.columns import Column
from flowkit.importers.layouts.drafts import TableContext
from flowkit.importers.layouts.lifts import LiftRow, scaled
from flowkit.importers.table import Table
from flowkit.importers.view import View
from flowkit.importers.words.values import as_text, plain_numbers
from flowkit.model import Finding, UnitSource

__all__ = ["Pressures", "named_rows", "pressure_columns", "row_conditions"]


@dataclass(frozen=True, slots=True)
class Pressures:
    """A column of test pressures.

    Attributes
    ----------
    values : dict
        Row to pressure [Pa].
    unit : UnitSource
    flows : list of int
        The columns of flows it stands for.
    """

    values: dict[int, float]
    unit: UnitSource
    flows: list[int]


def pressure_columns(context: TableContext) -> list[Pressures]:
    """Read the columns of pressures.

    Parameters
    ----------
    context : TableContext
    """
    found = []
    columns = context.of_role("pressure")
    for place, column in enumerate(columns):
        values, unit = _plain_pressures(context, column) or _pressures(context, column)
        if unit is not None:
            found.append(Pressures(values, unit, _flows_of(column, place, columns, context.of_role("flow"))))
    return found


def _plain_pressures(context: TableContext, column: Column) -> tuple[dict[int, float], UnitSource] | None:
    """Read a column of plain numbers in its heading's unit at once; None where it is not so simple."""
    unit, view = column.unit, context.table.view
    if unit is None or unit.quantity != "pressure":
        return None
    rows = [entry.row for entry in context.lifts.rows]
    numbers = plain_numbers([view.rows[row][column.index] for row in rows], view.decimal_comma)
    if numbers is None:
        return None
    pressures = scaled([abs(number) for number in numbers], unit.factor)
    return dict(zip(rows, pressures, strict=True)), UnitSource(unit.name, "stated")


def _pressures(context: TableContext, column: Column) -> tuple[dict[int, float], UnitSource | None]:
    """Read a column of pressures cell by cell."""
    view = context.table.view
    values: dict[int, float] = {}
    unit: UnitSource | None = None
    label = Label("pressure", unit=column.unit, unit_text=column.unit_text)
    told: set[str] = set()
    for entry in context.lifts.rows:
        value = view.rows[entry.row][column.index]
        if value is None:
            continue
        source = view.source(entry.row, column.index)
        written = Written(value, source, label, decimal_comma=view.decimal_comma, default_unit=context.units.pressure)
        items, trouble = read_item("pressure", written)
        # One finding speaks for the whole column, unless cells hold no number.
        context.findings += [f for f in trouble if f.rule == "not-a-number" or f.rule not in told]
        told |= {finding.rule for finding in trouble}
        for item in items:
            values[entry.row] = float(item.value)
            if item.unit is not None and unit is None:
                unit = UnitSource(item.unit.name, "stated" if item.stated else "assumed")
    return values, unit


def _flows_of(column: Column, place: int, pressures: Sequence[Column], flows: Sequence[Column]) -> list[int]:
    """The columns of flows a column of pressures stands for: of its name, or beside it."""
    if column.flows is not None:
        return column.flows
    if len(pressures) == 1 and not _names(column):
        return [flow.index for flow in flows]
    if _names(column) and sum(_names(other) == _names(column) for other in pressures) == 1:
        return [flow.index for flow in flows if _is_of(column, flow)]
    if flows and pressures[0].index < flows[0].index:
        end = pressures[place + 1].index if place + 1 < len(pressures) else flows[-1].index + 1
        return [flow.index for flow in flows if column.index < flow.index < end]
    start = pressures[place - 1].index if place else -1
    return [flow.index for flow in flows if start < flow.index < column.index]


def _names(column: Column) -> tuple[object, ...]:
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
    """Read rows such as a leak's or a pressure's: an Item for each column of flows.

    Parameters
    ----------
    context : TableContext

    Returns
    -------
    dict
        Column to kind to Item.
    """
    found: dict[int, dict[str, Item]] = {}
    table, view = context.table, context.table.view
    for row, label in sorted(table.named.items()):
        if label.kind in LEFT_OUT:
            what = f"the row {as_text(_first_text(table, row))!r} was left out: no reading"
            context.findings.append(Finding("column-ignored", "note", view.source(row, table.left), what))
            continue
        if label.kind not in CONDITION_KINDS:
            continue
        filled = [c for c in range(table.lifts[0] + 1, table.right + 1) if view.value(row, c) is not None]
        for column in context.of_role("flow"):
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
    items, trouble = read_item(kind, written)
    context.findings += [finding for finding in trouble if finding not in context.findings]
    return items


def _first_text(table: Table, row: int) -> CellValue:
    """The text that says what a row is."""
    values = (table.view.value(row, column) for column in range(table.left, table.right + 1))
    return next((value for value in values if isinstance(value, str)), None)


def _held(view: View, row: int, index: int, filled: Sequence[int]) -> int | None:
    """The cell whose value holds for an empty one: the row's only one, or one merged over it."""
    if len(filled) == 1:
        return filled[0]
    for r0, c0, r1, c1 in view.merged:
        if r0 <= row <= r1 and c0 <= index <= c1:
            return c0
    return None


def row_conditions(context: TableContext, rows: Sequence[LiftRow]) -> dict[str, Item]:
    """Read columns of conditions that are the same in all rows of a test.

    Parameters
    ----------
    context : TableContext
    rows : sequence of LiftRow

    Returns
    -------
    dict
        Kind to Item.
    """
    found: dict[str, Item] = {}
    view = context.table.view
    for column in context.of_role("condition"):
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
            items, trouble = read_item(str(column.kind), written)
            context.findings += trouble
            found.update({item.kind: item for item in items})
    return found
