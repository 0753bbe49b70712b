"""The headings of a table, and its rows that hold a value for each column."""

from __future__ import annotations

from flowkit.importers.items import FLOW_KINDS
from flowkit.importers.kinds import (
    CONDITION_KINDS,
    GROUP_DEPTH,
    HEADER_DEPTH,
    LEFT_OUT,
    LONG_HEADING,
    ROW_KINDS,
    UNIT_KINDS,
    WHO_KINDS,
)
from flowkit.importers.labels import Label
from flowkit.importers.table import Table
from flowkit.importers.view import View
from flowkit.importers.words.values import plain_numbers, read_cell

__all__ = ["find_headers"]


def find_headers(table: Table, *, across: bool = False) -> None:
    """Find a table's rows of headings and the rows that hold a value for each of its columns.

    Parameters
    ----------
    table : Table
        Changed in place.
    across : bool
        The view is turned: what stands before the lifts are labels of rows, not lines of the sheet.
    """
    view = table.view
    lift = table.lifts[0]
    for row in range(table.row + 1, table.first):
        label = _row_label(table, row)
        if label is not None:
            table.named[row] = label
        elif _is_section(table, row):
            table.first = row
            break
        elif any(value is not None for value in view.rows[row][table.left : table.right + 1]):
            table.headers.append(row)
    table.headers.insert(0, table.row)
    for row in range(table.row - 1, max(table.row - 1 - GROUP_DEPTH, -1), -1):
        label = view.label(row, lift)
        filled = [c for c in range(lift + 1, table.right + 1) if view.value(row, c) is not None]
        headed = label is not None and label.kind in ROW_KINDS and not (label.names or label.rest)
        if headed and label is not None and len(filled) > (0 if across else 1):
            if across or not _is_pairs(view, row, lift, filled):
                table.named[row] = label
                continue
            break
        if not filled or not (across or _is_group_row(table, row, filled)):
            break
        table.headers.insert(0, row)
    _find_trailing(table)


def _is_section(table: Table, row: int) -> bool:
    """Whether a row holds nothing but a line that names the test of the rows below it."""
    filled = [c for c in range(table.left, table.right + 1) if table.view.value(row, c) is not None]
    label = table.view.label(row, filled[0]) if len(filled) == 1 and filled[0] <= table.lifts[0] else None
    return label is not None and label.names and not label.rest and table.right > table.lifts[0]


def _row_label(table: Table, row: int) -> Label | None:
    """What a row without a lift is of, if the cell of its lift, or one before it, says so."""
    for column in range(table.lifts[0], table.left - 1, -1):
        label = table.view.label(row, column)
        if label is not None and label.kind in ROW_KINDS | LEFT_OUT and not (label.names and label.kind in WHO_KINDS):
            return label
    return None


def _is_pairs(view: View, row: int, lift: int, filled: list[int]) -> bool:
    """Whether a row is label, value, label, value and not a value for each column."""
    labels = [view.label(row, column) for column in filled]
    if any(label is not None and label.kind in ROW_KINDS | UNIT_KINDS for label in labels):
        return True
    return len(filled) == 2 and filled[0] == lift + 1 and labels[1] is not None and labels[1].only_unit


def _is_group_row(table: Table, row: int, filled: list[int]) -> bool:
    """Whether a row above the lift heading holds headings of groups of columns."""
    view, lift = table.view, table.lifts[0]
    labels = [view.label(row, column) for column in filled]
    if labels[0] is not None and labels[0].kind in CONDITION_KINDS | WHO_KINDS | UNIT_KINDS:
        return False
    corner = view.label(row, lift)
    before = [column for column in range(table.left, lift + 1) if view.value(row, column) is not None]
    plain = corner is not None and (corner.only_unit or corner.kind == "lift") and before == [lift]
    if before and not plain and not all(label is not None and label.names and not label.rest for label in labels):
        return False  # a title with more beside it, unless what is beside it can only head columns
    if corner is not None and corner.kind in ROW_KINDS | UNIT_KINDS:
        return False
    if any(label is None and not _is_small(view, row, column) for label, column in zip(labels, filled, strict=True)):
        return False
    return not (len(filled) == 1 and len(str(view.value(row, filled[0]))) > LONG_HEADING)


def _is_small(view: View, row: int, column: int) -> bool:
    """Whether a cell holds a whole number that may name a port."""
    value = read_cell(view.value(row, column), view.decimal_comma).value
    return value is not None and value.is_integer() and 0 < value < 100


def _find_trailing(table: Table) -> None:
    """Find rows of leaks, averages and the like inside the numbers and directly under them."""
    view = table.view
    lifts = [view.rows[row][table.lifts[0]] for row in range(table.first, table.last)]
    for row in range(table.first, table.last) if plain_numbers(lifts, view.decimal_comma) is None else ():
        if not view.is_number(row, table.lifts[0]):
            label = _row_label(table, row)
            if label is not None:
                table.named[row] = label
    columns = range(table.lifts[0] + 1, table.right + 1)
    blank = False
    for row in range(table.last + 1, min(table.last + 1 + HEADER_DEPTH, len(view.rows))):
        if all(value is None for value in view.rows[row][table.left : table.right + 1]):
            if blank:
                return
            blank = True
            continue
        label = _row_label(table, row)
        filled = [column for column in columns if view.value(row, column) is not None]
        if label is None or not _goes_with(table, row, label, filled, blank=blank):
            return
        table.named[row] = label


def _goes_with(table: Table, row: int, label: Label, filled: list[int], *, blank: bool) -> bool:
    """Whether a row under the numbers holds values of the columns, and is no line of the sheet."""
    if len(filled) > 1:
        return not _is_pairs(table.view, row, table.lifts[0], filled)
    if label.kind in LEFT_OUT:
        return bool(filled) or not blank
    single = table.right == table.lifts[0] + 1 or label.kind in FLOW_KINDS
    return single and bool(filled) and not blank
