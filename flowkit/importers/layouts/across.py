"""Tables that lie across: the lifts in a row, a row for each test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from flowkit.importers.headers import find_headers
from flowkit.importers.items import unreadable
from flowkit.importers.kinds import BLANK_DEPTH, ROW_KINDS, WHO_KINDS
from flowkit.importers.table import Table
from flowkit.importers.view import View
from flowkit.importers.words.values import known_unit, read_cell
from flowkit.model import Finding

__all__ = ["Across", "find_across"]

LEAST = 2  # lifts in a row
RISE = 0.5  # growth of flow from the lowest to the highest lift, at least
MOST_LABELS = 10  # columns of labels before a row of lifts
LEAST_BARE = 3  # lifts in a row that no heading calls lifts


@dataclass(frozen=True, slots=True)
class Across:
    """A table that lies across.

    Attributes
    ----------
    table : Table
        In a turned view.
    aside : frozenset of int
        Rows of the grid inside it that say what holds for all of it.
    """

    table: Table
    aside: frozenset[int]


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of lifts on the grid: its row, its heading's place, and its first and last lift."""

    row: int
    heading: tuple[int, int] | None
    first: int
    last: int


def find_across(
    view: View, heads: Sequence[tuple[int, int]], down: Sequence[Table]
) -> tuple[list[Across], set[int], list[Finding]]:
    """Find tables whose lifts stand beside their heading, or under it in one row.

    Parameters
    ----------
    view : View
        Upright.
    heads : sequence of (row, column)
        The headings of lifts.
    down : sequence of Table
        The tables found with their lifts under the heading.

    Returns
    -------
    tables : list of Across
    dropped : set of int
        The `id` of each upright table that lies across or cannot be told.
    findings : list of Finding
        Tables whose direction cannot be told.
    """
    dropped: set[int] = set()
    findings: list[Finding] = []
    rows: list[_Row] = []
    upright = {(table.row, index): table for table in down for index in table.lifts}
    for row, column in heads:
        table = upright.get((row, column))
        found = _beside(view, row, column) if table is None or table.lifts[0] == column else None
        if found is None and (table is None or len(table.lifts) == 1):
            found = _under(view, row, column)
        if found is None:
            continue
        if table is not None and id(table) not in dropped:
            way = _direction(view, table, found)
            if way == "down":
                continue
            dropped.add(id(table))
            if way == "unclear":
                what = "the lifts may stand under this heading or beside it; head the columns with side and port"
                findings.append(unreadable(view.source(row, column), what))
                continue
        rows.append(found)
    busy = [table.corners() for table in down if id(table) not in dropped]
    rows += _unheaded(view, rows, busy)
    tables = []
    for place, found in enumerate(rows):
        following = min((other.row for other in rows[place + 1 :] if _overlap(found, other)), default=len(view.rows))
        across = _turn(view, found, following, busy)
        if across is not None:
            tables.append(across)
    return tables, dropped, findings


def _overlap(one: _Row, other: _Row) -> bool:
    """Whether a row of lifts stands below another and shares columns with it."""
    return one.first <= other.last and other.first <= one.last and other.row > one.row


def _number(view: View, row: int, column: int) -> float | None:
    """Return a cell as a number, None where it holds none."""
    return read_cell(view.value(row, column), view.decimal_comma).value if view.is_number(row, column) else None


def _stretch(view: View, row: int, first: int) -> int:
    """The last number of a row from a column on, over single empty cells."""
    last = column = first
    while column + 1 < view.width:
        column += 1
        if view.is_number(row, column):
            last = column
        elif view.value(row, column) is not None or column - last > 2:
            break
    return last


def _beside(view: View, row: int, column: int) -> _Row | None:
    """Lifts to the right of their heading, perhaps behind a unit."""
    for first in range(column + 1, min(column + 4, view.width)):
        if view.is_number(row, first):
            if not _may_be_lift(view, row, first):
                return None
            last = _stretch(view, row, first)
            count = sum(view.is_number(row, c) for c in range(first, last + 1))
            return _Row(row, (row, column), first, last) if count >= LEAST else None
        label = view.label(row, first)
        if first > column + 1 and label is None:
            return None
        if label is not None and not label.only_unit and label.code != "in":
            return None
    return None


def _may_be_lift(view: View, row: int, column: int) -> bool:
    """Whether a number has no unit, or one of lifts."""
    unit = read_cell(view.value(row, column), view.decimal_comma).unit
    return not unit or known_unit(unit, ("length", "lift ratio")) is not None


def _under(view: View, row: int, column: int) -> _Row | None:
    """Lifts in the row under a heading that stands over them, with labels to their left."""
    below = row + 1
    if column == 0 or not view.is_number(below, column) or not view.is_number(below, column + 1):
        return None
    leads = range(max(0, column - MOST_LABELS), column)
    left = [view.label(below, c) for c in leads if view.value(below, c) is not None]
    if not left or not all(label is not None and label.kind in WHO_KINDS | {"variant", "flow"} for label in left):
        return None
    last = _stretch(view, below, column)
    values = [value for c in range(column, last + 1) if (value := _number(view, below, c)) is not None]
    rising = all(a < b for a, b in pairwise(values))
    return _Row(below, (row, column), column, last) if rising and len(values) >= LEAST else None


def _direction(view: View, table: Table, found: _Row) -> str:
    """Tell whether a table with numbers under and beside its heading goes down or across."""
    if found.row != table.row:
        return "across"
    beside = [v for c in range(found.first, found.last + 1) if (v := _number(view, table.row, c)) is not None]
    under = [v for r in range(table.first, table.last + 1) if (v := _number(view, r, table.lifts[0])) is not None]
    if len(table.headers) > 1 or table.named:
        return "down"
    counted_beside, counted_under = _counted(beside), _counted(under)
    if counted_beside != counted_under:
        return "down" if counted_beside else "across"
    return _rising(view, table, found)


def _rising(view: View, table: Table, found: _Row) -> str:
    """Tell the direction by the flows: they rise with lift and differ little between ports."""
    rows = [r for r in range(table.first, table.last + 1) if view.is_number(r, table.lifts[0])]
    columns = [c for c in range(found.first, found.last + 1) if view.is_number(table.row, c)]
    down = _growth([[_number(view, r, c) for r in rows] for c in columns])
    across = _growth([[_number(view, r, c) for c in columns] for r in rows])
    if down > RISE and down > 2 * across:
        return "down"
    if across > RISE and across > 2 * down:
        return "across"
    return "unclear"


def _growth(lines: Sequence[Sequence[float | None]]) -> float:
    """The smallest growth from a line's first to its last number, relative; 0 where any line falls."""
    growths = []
    for line in lines:
        values = [value for value in line if value is not None and value > 0]
        if len(values) < 2:
            continue
        growths.append(values[-1] / values[0] - 1)
    return max(min(growths, default=0.0), 0.0)


def _counted(values: Sequence[float]) -> bool:
    """Whether numbers count 1, 2, 3, as names of ports do."""
    return [float(n) for n in range(1, len(values) + 1)] == list(values)


def _unheaded(view: View, rows: Sequence[_Row], busy: Sequence[tuple[int, int, int, int]]) -> list[_Row]:
    """Rows of headings that are themselves lifts with their unit: ``1 mm | 2 mm | 3 mm``."""
    found = []
    known = {row.row for row in rows}
    for top, _, bottom, _ in busy:
        known.update(range(top, bottom + 1))
    for row, values in enumerate(view.rows):
        if row in known or len(values) - values.count(None) < LEAST_BARE:
            continue
        texts = [c for c, value in enumerate(values) if isinstance(value, str) and value[:1] in _LIFT_START]
        places = [c for c in texts if _is_lift_cell(view, str(values[c]))] if len(texts) >= LEAST_BARE else texts
        if len(places) < LEAST_BARE:
            continue
        lead = [view.label(row, c) for c in range(places[0]) if view.value(row, c) is not None]
        if places[0] > 0 and all(label is not None and (label.kind in WHO_KINDS or not label.kind) for label in lead):
            found.append(_Row(row, None, places[0], places[-1]))
    return found


_LIFT_START = frozenset("0123456789.,")


def _is_lift_cell(view: View, value: str) -> bool:
    """Whether a text is a number with a unit of length."""
    if value[-1:].isdigit():
        return False
    spelled = read_cell(value.removesuffix(" lift"), view.decimal_comma).unit
    return bool(spelled) and known_unit(spelled, ("length", "lift ratio")) is not None


def _turn(view: View, found: _Row, following: int, busy: Sequence[tuple[int, int, int, int]]) -> Across | None:
    """Turn the block under a row of lifts, if any row of it has readings."""
    rows = _rows_under(view, found, following)
    if not rows:
        return None
    labels_end = found.first - 1
    left = found.heading[1] if found.heading is not None and found.heading[0] == found.row else labels_end
    left = _labels_begin(view, found, min(left, labels_end), rows)
    top, bottom = found.row, rows[-1]
    if any(t <= bottom and top <= b and lead <= found.last and left <= r for t, lead, b, r in busy):
        return None
    aside = frozenset(row for row in range(top + 1, bottom + 1) if row not in rows and _is_line(view, found, row))
    turned = view.turn(top, left, bottom, found.last, aside)
    first = found.first - left
    heading = found.heading
    anchored = heading is not None and heading[0] == found.row
    row = heading[1] - left if heading is not None and anchored else first - 1
    table = Table(turned, row, [0], 0, turned.width - 1, first, found.last - left)
    find_headers(table, across=True)
    if not anchored:
        # No heading of lifts among the labels: each of them says something of its row.
        last = turned.label(row, 0)
        if last is not None and last.kind in ROW_KINDS and not last.names:
            table.named[row] = last
        table.headers = [r for r in table.headers if r not in table.named]
        table.lift_label = view.label(*heading) if heading is not None else None
    return Across(table, aside)


def _rows_under(view: View, found: _Row, following: int) -> list[int]:
    """The rows of readings under a row of lifts."""
    rows: list[int] = []
    blanks = 0
    least = 2 if sum(view.is_number(found.row, c) for c in range(found.first, found.last + 1)) > LEAST else 1
    for row in range(found.row + 1, following):
        filled = sum(view.value(row, c) is not None for c in range(found.first, found.last + 1))
        if filled >= least and any(view.is_number(row, c) for c in range(found.first, found.last + 1)):
            rows.append(row)
            blanks = 0
        elif all(value is None for value in view.rows[row]):
            blanks += 1
            if blanks > BLANK_DEPTH:
                break
        elif rows and not _is_line(view, found, row) and filled:
            break
    return rows


def _is_line(view: View, found: _Row, row: int) -> bool:
    """Whether a row says one thing of the whole table: a condition with a single value."""
    labels = [view.label(row, c) for c in range(found.first) if view.value(row, c) is not None]
    kinds = {label.kind for label in labels if label is not None}
    return bool(kinds & ROW_KINDS)


def _labels_begin(view: View, found: _Row, left: int, rows: Sequence[int]) -> int:
    """The first of the columns with the labels of the rows."""
    while left > 0 and any(view.value(row, left - 1) is not None for row in rows):
        left -= 1
    return left
