"""Where the tables are on a sheet: each is found by the heading of its lifts."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.importers.anchors import Anchor, find_anchors, last_number
from flowkit.importers.headers import find_headers
from flowkit.importers.kinds import CONDITION_KINDS, GAP_WIDTH, ROW_KINDS, WHO_KINDS
from flowkit.importers.table import Table
from flowkit.importers.view import View

__all__ = ["find_tables"]


def find_tables(view: View, heads: Sequence[tuple[int, int]]) -> list[Table]:
    """Find the upright tables of a view.

    Parameters
    ----------
    view : View
    heads : sequence of (row, column)
        The headings of lifts, as `lift_headings` finds them.

    Returns
    -------
    list of Table
        Top to bottom, left to right.
    """
    by_row: dict[int, list[Anchor]] = {}
    for anchor in find_anchors(view, heads):
        by_row.setdefault(anchor.row, []).append(anchor)
    tables: list[Table] = []
    running: list[Table] = []
    for row in sorted(by_row):
        running = [table for table in running if table.last >= row]
        line = [
            anchor
            for anchor in by_row[row]
            if not any(t.left <= anchor.column <= t.right and anchor.column not in t.lifts for t in running)
            or len(by_row[row]) == 1
        ]
        new = _tables_of_row(view, line, running)
        for table in new:
            for above in running:
                if above.left <= table.right and table.left <= above.right:
                    above.last = last_number(view, above.lifts[0], above.first, table.row)
        tables += new
        running += new
    for table in tables:
        _add_slipped(table)
        find_headers(table)
    return tables


def _add_slipped(table: Table) -> None:
    """Keep rows at the end whose lift is missing or mistyped, so that they are reported and not lost."""
    view, lift = table.view, table.lifts[0]
    columns = range(lift + 1, table.right + 1)
    for row in range(table.last + 1, len(view.rows)):
        numbers = sum(view.is_number(row, column) for column in columns)
        value, label = view.value(row, lift), view.label(row, lift)
        if not numbers or (label is not None and (label.kind is not None or label.names)):
            return
        typed = isinstance(value, str) and any(mark.isdigit() for mark in value)
        if not (value is None or typed or 2 * numbers > len(columns) > 1):
            return
        if any(view.label(row, column) is not None for column in range(table.left, lift)):
            return
        table.last = row


def _tables_of_row(view: View, line: list[Anchor], running: list[Table]) -> list[Table]:
    """Make the tables of the lift headings of one row, each with its columns."""
    tables: list[Table] = []
    left_limit = 0
    for place, anchor in enumerate(line):
        following = line[place + 1] if place + 1 < len(line) else None
        if tables and not _has_readings(view, tables[-1], anchor.column):
            tables[-1].lifts.append(anchor.column)
            table = tables[-1]
            table.right = anchor.column
        else:
            beside = [t.right + 1 for t in running if t.right < anchor.column]
            left = _left_end(view, anchor, max([left_limit, *beside]))
            table = Table(view, anchor.row, [anchor.column], left, anchor.column, anchor.first, anchor.last)
            tables.append(table)
        limit = min([t.left for t in running if t.left > anchor.column], default=view.width) - 1
        if following is not None:
            limit = min(limit, _left_end(view, following, anchor.column + 1) - 1)
        table.right = _right_end(view, anchor, limit)
        left_limit = table.right + 1
    if len(tables) > 1 and tables[-1].right == tables[-1].lifts[0]:
        # Lifts repeated at the far end of a table.
        tables[-2].lifts.append(tables[-1].lifts[0])
        tables[-2].right = tables[-1].right
        tables.pop()
    return tables


def _has_readings(view: View, table: Table, end: int) -> bool:
    """Whether a column of readings stands between a table's last lift column and `end`."""
    for column in range(table.lifts[-1] + 1, end):
        label = view.label(table.row, column)
        if label is not None and label.kind not in WHO_KINDS | {"counter"}:
            return True
        if any(view.is_number(row, column) for row in range(table.first, min(table.first + 3, table.last + 1))):
            return label is None or label.kind not in WHO_KINDS | {"counter"}
    return False


def _left_end(view: View, anchor: Anchor, limit: int) -> int:
    """How far a table reaches to the left of its lifts: columns that say which test a row is of."""
    left = anchor.column
    for column in range(anchor.column - 1, limit - 1, -1):
        label = view.label(anchor.row, column)
        if label is None:
            if view.value(anchor.row, column) is not None:
                break
            continue
        own = label.kind in ROW_KINDS | {"counter"} or limit == 0
        if not own:
            break
        left = column
    return left


def _right_end(view: View, anchor: Anchor, limit: int) -> int:
    """How far a table reaches to the right: through columns with a heading or numbers, over small gaps."""
    right, gap = anchor.column, 0
    heads, first = view.rows[anchor.row], view.rows[anchor.first]
    for column in range(anchor.column + 1, limit + 1):
        if not gap and heads[column] is not None and first[column] is not None:
            right = column
            continue
        headed = any(view.value(row, column) is not None for row in range(max(anchor.row, 0), anchor.first))
        rows = range(anchor.first, min(anchor.first + 3, anchor.last + 1))
        filled = any(view.value(row, column) is not None for row in rows)
        if not headed and not filled:
            gap += 1
            if gap > GAP_WIDTH:
                break
            continue
        if gap and not _goes_on(view, anchor, column):
            break
        right, gap = column, 0
    return right


def _goes_on(view: View, anchor: Anchor, column: int) -> bool:
    """Whether a column behind a gap belongs to the table: headed, with readings, and no condition."""
    label = view.label(anchor.row, column) or view.label(anchor.first - 1, column)
    if label is not None and label.kind in CONDITION_KINDS - {"pressure"}:
        return False
    rows = range(anchor.first, min(anchor.first + 5, anchor.last + 1))
    numbers = sum(view.is_number(row, column) for row in rows)
    headed = any(view.value(row, column) is not None for row in range(max(anchor.row - 2, 0), anchor.first))
    return headed and 2 * numbers >= len(rows)
