"""What each column of a table is: weighed by its headings and by those of the others."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import lru_cache

from flowkit.importers.files.grid import CellValue, Grid
from flowkit.importers.items import unreadable
from flowkit.importers.kinds import CONDITION_KINDS, LEFT_OUT, WHO_KINDS
from flowkit.importers.labels import FLOW_QUANTITIES, resolve_codes
from flowkit.importers.layouts.columns import Column, stacked
from flowkit.importers.table import Table
from flowkit.importers.view import View
from flowkit.importers.words.values import read_cell
from flowkit.model import Finding, Side

__all__ = ["describe"]

AGREE = 0.02  # two columns of one flow, each rounded for printing


def describe(table: Table, side: Side | None, words: Sequence[str]) -> tuple[list[Column], list[Finding]]:
    """Say what each column is.

    Parameters
    ----------
    table : Table
    side : {"intake", "exhaust"} or None
        What a title or a label says of the whole table.
    words : sequence of str
        Languages of the sheet's words.

    Returns
    -------
    columns : list of Column
        Those that hold something, lifts left out.
    findings : list of Finding
        Columns that cannot be told apart or were left out.
    """
    columns, findings = _weighed_before(table, side, words) or _weigh(table, side, words)
    twins = _twins(columns)
    if twins:
        columns = [replace(column) for column in columns]
        findings = findings + _decide_twins(table, _twins(columns))
    left_out = [_ignored(table, column) for column in columns if column.role == "ignored" and column.why]
    return columns, findings + left_out


def _weigh(table: Table, side: Side | None, words: Sequence[str]) -> tuple[list[Column], list[Finding]]:
    """Weigh the headings of all columns, twins aside."""
    columns = []
    for column in stacked(table):
        _first_role(table, column)
        if column.role != "empty":
            columns.append(column)
    findings = [_contradiction(table, column) for column in columns if column.trouble]
    findings += _decide_sides(table, columns, words)
    _decide_averages(columns)
    findings += _decide_bare(table, columns, side)
    _decide_unknown(columns)
    return columns, findings


def _weighed_before(table: Table, side: Side | None, words: Sequence[str]) -> tuple[list[Column], list[Finding]] | None:
    """Take the weighing from an earlier sheet of the same form; None where there is more to it than headings.

    An archive holds the same form over and over. What its columns are depends on the headings and on which
    columns are filled, and on nothing else, unless cells are merged, shown as percentages, or give a row of names.
    """
    view = table.view
    small = view.width > 4 * (table.right - table.left + 1)  # one of many side by side
    if small or table.named or view.merged or view.grid.percent_cells:
        return None
    heads = tuple([tuple(view.rows[row]) for row in table.headers])
    filled = tuple([_filled(table, index) for index in range(view.width)])
    row = table.headers.index(table.row) if table.row in table.headers else len(heads)
    form = (heads, filled, row, table.left, table.right, tuple(table.lifts), view.decimal_comma)
    columns = _weigh_form(form, side, tuple(words))
    return None if columns is None else (columns, [])


_Form = tuple[tuple[tuple[CellValue, ...], ...], tuple[bool, ...], int, int, int, tuple[int, ...], bool | None]


@lru_cache(maxsize=512)
def _weigh_form(form: _Form, side: Side | None, words: tuple[str, ...]) -> list[Column] | None:
    """Weigh the headings of a form; None where they leave anything to say of a sheet's own cells."""
    heads, filled, lift_row, left, right, lifts, comma = form
    row = tuple(1.0 if full else None for full in filled)
    view = View(Grid("", None, ()), (*heads, row), comma)
    count = len(heads)
    table = Table(view, lift_row, list(lifts), left, right, count, count, headers=list(range(count)))
    columns, findings = _weigh(table, side, words)
    return None if findings else columns


def _contradiction(table: Table, column: Column) -> Finding:
    """Say that the headings over a column contradict each other."""
    what = f"the column headed {column.text!r} cannot be placed: {column.trouble[0]}; correct its headings"
    return unreadable(column.source(table), what)


def _filled(table: Table, index: int) -> bool:
    """Whether a column holds anything in the table's rows."""
    rows = table.view.rows
    if rows[table.first][index] is not None:
        return True
    return any(rows[row][index] is not None for row in range(table.first, table.last + 1))


def _all_percent(table: Table, index: int) -> bool:
    """Whether the numbers of a column are all shown as percentages."""
    if not table.view.grid.percent_cells:
        return False
    rows = [row for row in range(table.first, table.last + 1) if isinstance(table.view.value(row, index), float)]
    return bool(rows) and all(table.view.percent(row, index) for row in rows)


def _first_role(table: Table, column: Column) -> None:
    """Say what a column is as far as its own headings tell."""
    kind, unit = column.kind, column.unit
    quantity = unit.quantity if unit is not None else None
    if not _filled(table, column.index):
        column.role = "empty"
    elif column.trouble:
        column.role = "trouble"
    elif kind in LEFT_OUT or (quantity == "humidity" and kind in (None, "flow")) or _all_percent(table, column.index):
        column.role = "ignored"
        column.why = {"average": "an average", "total": "a total", "derived": "a figure worked out from readings"}.get(
            kind or "", "a gain or percentage"
        )
    elif kind in ("counter", "notes"):
        column.role, column.why = "ignored", "no reading"
    elif kind in WHO_KINDS and not (column.side or column.port or column.run) and quantity not in FLOW_QUANTITIES:
        column.role = "who"
    elif kind == "flow" or (kind in WHO_KINDS | {None} and quantity in FLOW_QUANTITIES):
        column.role = "flow"
    elif kind == "pressure" or (kind is None and quantity == "pressure"):
        column.role = "pressure"
        column.kind = "pressure"
    elif kind in CONDITION_KINDS:
        column.role = "condition"
    elif kind == "lift" or (kind is None and quantity in ("length", "lift ratio")):
        column.role, column.why = "ignored", "a second column of lifts"
    elif column.side or column.port or column.run or column.code or kind in WHO_KINDS:
        column.role = "named"
    elif quantity is not None:
        column.role, column.why = "ignored", f"a {quantity}"
    else:
        column.role = "bare" if column.bare and not column.variant else "unknown"


def _decide_sides(table: Table, columns: list[Column], words: Sequence[str]) -> list[Finding]:
    """Resolve letters such as E and A by each other and by the language of the sheet."""
    coded = [column for column in columns if column.code is not None and column.side is None]
    if not coded:
        return []
    sides = resolve_codes({column.code for column in coded if column.code}, words)
    findings = []
    for column in coded:
        if sides is None:
            what = (
                f"the letter {str(column.code).upper()!r} in {column.text!r} may be intake or exhaust, depending on "
                "the language; write intake or exhaust in the heading"
            )
            findings.append(unreadable(column.source(table), what))
            column.role = "trouble"
        else:
            column.side = sides[str(column.code)]
    return findings


def _decide_averages(columns: list[Column]) -> None:
    """Take an average for the flow where a table has no other flow."""
    if any(column.role in ("flow", "named", "unknown", "bare") for column in columns):
        return
    averages = [c for c in columns if c.role == "ignored" and c.kind == "average"]
    if len(averages) == 1:
        averages[0].role, averages[0].why = "flow", ""


def _decide_bare(table: Table, columns: list[Column], side: Side | None) -> list[Finding]:
    """Take a number over a column for its port where the side is known; alone it may be anything."""
    findings = []
    for column in columns:
        if column.bare is None or column.role in ("ignored", "empty", "trouble", "who"):
            continue
        if (column.side or side) and column.port is None:
            column.port = column.bare
            column.role = "named" if column.role == "bare" else column.role
        elif column.role == "bare":
            what = (
                f"the heading {column.text!r} may be a port, a run or something else; "
                "write it like 'Intake 1' or 'Run 1'"
            )
            findings.append(unreadable(column.source(table), what))
            column.role = "trouble"
    return findings


def _decide_unknown(columns: list[Column]) -> None:
    """Take columns with unknown headings for variants where the known ones leave that open."""
    known = [column for column in columns if column.role in ("flow", "named")]
    pattern = {bool(column.side or column.port) for column in known if column.variant}
    open_to_names = not known or (all(column.variant for column in known) and False in pattern)
    for column in columns:
        if column.role == "named":
            column.role = "flow"
        elif column.role == "unknown":
            if open_to_names and column.variant:
                column.role = "flow"
            else:
                column.role, column.why = "ignored", "not understood"


def _identity(column: Column) -> tuple[object, ...]:
    """Return what tells two columns of flow apart."""
    return column.side, column.port, column.run, column.variant.casefold(), column.head


def _twins(columns: Iterable[Column]) -> list[list[Column]]:
    """Columns of flow with the same names."""
    groups: dict[tuple[object, ...], list[Column]] = {}
    for column in columns:
        if column.role == "flow":
            groups.setdefault(_identity(column), []).append(column)
    return [group for group in groups.values() if len(group) > 1]


def _decide_twins(table: Table, groups: Sequence[Sequence[Column]]) -> list[Finding]:
    """Keep one of two columns that give the same flow in two units; refuse those that cannot be told apart."""
    findings = []
    for first, *others in groups:
        if all(_same_flow(table, first, other) for other in others):
            for other in others:
                other.role, other.why = "ignored", f"the same flow as {first.text!r} in another unit"
            continue
        names = " and ".join(repr(column.text or "no heading") for column in (first, *others))
        what = f"the columns headed {names} could each be the flow; head each with its side, port, run or variant"
        findings.append(unreadable(first.source(table), what))
        for column in (first, *others):
            column.role = "trouble"
    return findings


def _same_flow(table: Table, one: Column, other: Column) -> bool:
    """Whether two columns are the same readings in two units."""
    if one.unit is None or other.unit is None or one.unit.name == other.unit.name:
        return False
    if one.unit.quantity != other.unit.quantity:
        return False
    pairs = []
    for row in range(table.first, table.last + 1):
        a, b = (_plain(table.view, row, column.index) for column in (one, other))
        if a and b:
            pairs.append((a * one.unit.factor, b * other.unit.factor))
    return bool(pairs) and all(abs(a - b) <= AGREE * max(abs(a), abs(b)) for a, b in pairs)


def _plain(view: View, row: int, index: int) -> float | None:
    """Return the number in a cell, whatever unit stands beside it."""
    return read_cell(view.value(row, index), view.decimal_comma).value


def _ignored(table: Table, column: Column) -> Finding:
    """Say that a column was left out, and why."""
    heading = repr(column.text) if column.text else "without a heading"
    remedy = "; head it with its side, port, run or variant if it holds flows" if column.why == "not understood" else ""
    what = f"the column {heading} was left out: {column.why}{remedy}"
    return Finding("column-ignored", "note", column.source(table), what)
