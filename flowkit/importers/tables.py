"""Where the tables are on a sheet: each is found by the heading of its lifts."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from flowkit.importers.cells import read_cell
from flowkit.importers.labels import Label, parse_label
from flowkit.importers.view import View

__all__ = [
    "CONDITION_KINDS",
    "LEFT_OUT",
    "ROW_KINDS",
    "UNIT_KINDS",
    "WHO_KINDS",
    "Anchor",
    "Table",
    "find_anchors",
    "find_headers",
    "find_tables",
    "lift_headings",
]

CONDITION_KINDS = frozenset(
    {
        "pressure", "fixture_bore", "valve_head", "stem", "throat", "seat_angle", "seat_width", "leak", "leak_pressure",
        "check_reading", "check_nominal", "check_pressure", "air_temperature", "barometer", "humidity",
        "meter_temperature", "meter_pressure", "date", "bench", "operator", "notes", "entry_fitting", "exit_fitting",
    }
)  # fmt: skip
"""Kinds that are conditions of a test."""

WHO_KINDS = frozenset({"side", "port", "run", "variant", "head"})
UNIT_KINDS = frozenset({"lift_unit", "flow_unit", "pressure_unit", "units"})
ROW_KINDS = CONDITION_KINDS | WHO_KINDS
"""Kinds that may head a row of values inside or above a table."""

LEFT_OUT = frozenset({"average", "total", "gain", "derived"})
HEADER_DEPTH = 12  # rows between the lift heading and its first number
GROUP_DEPTH = 4  # rows of headings above the lift heading
BLANK_DEPTH = 3  # blank rows between heading and numbers
GAP_WIDTH = 2  # blank columns inside a table
LONG_HEADING = 60
NUMERIC_START = frozenset("0123456789.,-+−")


class Anchor(NamedTuple):
    """A cell that heads lifts, with the first and last number under it."""

    row: int
    column: int
    first: int
    last: int


@dataclass(slots=True)
class Table:
    """One table in a view.

    Attributes
    ----------
    view : View
    row : int
        Of the lift heading.
    lifts : list of int
        Columns of lifts; the first counts.
    left, right : int
        Its columns, ends included.
    headers : list of int
        Rows of headings, top to bottom.
    named : dict
        Rows with a value for each column, such as a leak or a port: row -> their label.
    first, last : int
        First and last row of its numbers.
    lift_label : Label or None
        The heading of its lifts, where it does not stand over their column.
    """

    view: View
    row: int
    lifts: list[int]
    left: int
    right: int
    first: int
    last: int
    headers: list[int] = field(default_factory=list)
    named: dict[int, Label] = field(default_factory=dict)
    lift_label: Label | None = None

    @property
    def top(self) -> int:
        """Its first row."""
        return min([self.row, *self.headers, *self.named])

    @property
    def bottom(self) -> int:
        """Its last row."""
        return max([self.last, *self.named])

    def corners(self) -> tuple[int, int, int, int]:
        """Return its first and last row and column on the grid: top, left, bottom, right."""
        top, left = self.view.place(self.top, self.left)
        bottom, right = self.view.place(self.bottom, self.right)
        return top, left, bottom, right


def find_anchors(view: View, heads: Sequence[tuple[int, int]]) -> list[Anchor]:
    """Find every heading of lifts that has numbers under it.

    Parameters
    ----------
    view : View
    heads : sequence of (row, column)
        The headings, as `lift_headings` finds them.

    Returns
    -------
    list of Anchor
        Row by row.
    """
    by_column: dict[int, list[int]] = {}
    for row, column in heads:
        by_column.setdefault(column, []).append(row)
    anchors = []
    for row, column in heads:
        rows = by_column[column]
        following = bisect_right(rows, row)
        end = rows[following] if following < len(rows) else len(view.rows)
        first = first_number(view, row, column, end)
        if first is not None:
            anchors.append(Anchor(row, column, first, _last_number(view, column, first, end)))
    return anchors


def lift_headings(view: View) -> list[tuple[int, int]]:
    """Find the cells headed lift, and units of lift where no heading near them has the word.

    Parameters
    ----------
    view : View

    Returns
    -------
    list of (row, column)
    """
    found: list[tuple[int, int]] = []
    last_word = -BLANK_DEPTH - 1
    for row, values in enumerate(view.rows):
        texts = [(c, v) for c, v in enumerate(values) if isinstance(v, str) and v and v[0] not in NUMERIC_START]
        if not texts:
            continue
        labels = [(column, parse_label(value)) for column, value in texts]
        words = [column for column, label in labels if label.kind == "lift" and _may_be_lift(label)]
        if words:
            last_word = row
            found += [(row, column) for column in words]
        elif row - last_word > BLANK_DEPTH:
            found += [(row, column) for column in _bare_units(view, row, labels)]
    return found


def _may_be_lift(label: Label) -> bool:
    """Whether a lift's unit, if it has one, is a unit of lift."""
    return label.unit is None or label.unit.quantity in ("length", "lift ratio")


def _bare_units(view: View, row: int, labels: list[tuple[int, Label]]) -> list[int]:
    """Columns headed by nothing but a unit of lift, to the left of other headings."""
    exhaust_only = {label.side for _, label in labels} & {"intake", "exhaust"} == {"exhaust"}
    found = []
    before: Label | None = None
    for column, label in labels:
        bare = label.only_unit or (label.code == "in" and label.port is None and not exhaust_only)
        if bare and label.unit is not None and _may_be_lift(label) and label.unit.name != "m":
            neighbour = before if before is not None and view.value(row, column - 1) is not None else None
            if neighbour is None or neighbour.kind in WHO_KINDS or neighbour.kind == "counter" or found:
                found.append(column)
        before = label
    return found


def first_number(view: View, row: int, column: int, end: int) -> int | None:
    """Return the first row of numbers under a heading, None where there is none.

    Parameters
    ----------
    view : View
    row, column : int
        Of the heading.
    end : int
        Where to stop looking.
    """
    blanks = 0
    for below in range(row + 1, min(end, row + 1 + HEADER_DEPTH)):
        if view.is_number(below, column):
            return below
        label = view.label(below, column)
        if label is None:
            if all(value is None for value in view.rows[below]):
                blanks += 1
                if blanks > BLANK_DEPTH:
                    return None
            continue
        section = label.names and not label.rest
        if not (label.only_unit or section or label.kind in ROW_KINDS | LEFT_OUT):
            return None
    return None


def _last_number(view: View, column: int, first: int, end: int) -> int:
    """The last number in a column of lifts before `end`."""
    for row in range(end - 1, first, -1):
        if view.is_number(row, column):
            return row
    return first


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
                    above.last = _last_number(view, above.lifts[0], above.first, table.row)
        tables += new
        running += new
    for table in tables:
        find_headers(table)
    return tables


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
    for column in range(anchor.column + 1, limit + 1):
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
    corner = view.label(row, lift)
    if view.value(row, lift) is not None and (corner is None or not (corner.only_unit or corner.kind == "lift")):
        return False
    if any(view.value(row, column) is not None for column in range(table.left, lift)):
        return False
    labels = [view.label(row, column) for column in filled]
    if labels[0] is not None and labels[0].kind in CONDITION_KINDS | WHO_KINDS | UNIT_KINDS:
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
    for row in range(table.first, table.last):
        if not view.is_number(row, table.lifts[0]):
            label = _row_label(table, row)
            if label is not None:
                table.named[row] = label
    columns = range(table.lifts[0] + 1, table.right + 1)
    for row in range(table.last + 1, min(table.last + 1 + HEADER_DEPTH, len(view.rows))):
        label = _row_label(table, row)
        if label is None:
            break
        values = sum(view.value(row, column) is not None for column in columns)
        if values < 2 and not (label.kind in LEFT_OUT or (values and len(columns) == 1)):
            break
        if values > 1 and _is_pairs(view, row, table.lifts[0], [c for c in columns if view.value(row, c) is not None]):
            break
        table.named[row] = label
