"""Headings of lifts on a sheet, and the numbers under them."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import NamedTuple

from flowkit.importers.kinds import BLANK_DEPTH, HEADER_DEPTH, LEFT_OUT, ROW_KINDS, WHO_KINDS
from flowkit.importers.labels import Label, parse_label
from flowkit.importers.view import View

__all__ = ["Anchor", "find_anchors", "last_number", "lift_headings"]

NUMERIC_START = frozenset("0123456789.,-+−")


class Anchor(NamedTuple):
    """A cell that heads lifts, with the first and last number under it."""

    row: int
    column: int
    first: int
    last: int


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
        first = _first_number(view, row, column, end)
        if first is not None:
            anchors.append(Anchor(row, column, first, last_number(view, column, first, end)))
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
    boring: set[str] = set()  # texts that head nothing: most rows of an archive hold only those
    for row, values in enumerate(view.rows):
        if boring.issuperset([v for v in values if v.__class__ is str and v[:1] not in NUMERIC_START]):
            continue
        texts = [(c, v) for c, v in enumerate(values) if isinstance(v, str) and v[:1] not in NUMERIC_START]
        labels = [(column, parse_label(value)) for column, value in texts]
        words = [column for column, label in labels if label.kind == "lift" and _may_be_lift(label)]
        if words:
            last_word = row
            found += [(row, column) for column in words]
        elif all(label.unit is None for _, label in labels):
            boring.update(text for _, text in texts)
        elif row - last_word > BLANK_DEPTH:
            found += [(row, column) for column in _bare_units(view, row, labels)]
    return found


def _may_be_lift(label: Label) -> bool:
    """Whether a lift's unit, if it has one, is a unit of lift."""
    return label.unit is None or label.unit.quantity in ("length", "lift ratio")


def _bare_units(view: View, row: int, labels: list[tuple[int, Label]]) -> list[int]:
    """Columns headed by nothing but a unit of lift, to the left of other headings."""
    exhaust_only = {label.side for _, label in labels} & {"intake", "exhaust"} == {"exhaust"}
    found: list[int] = []
    before: Label | None = None
    for column, label in labels:
        bare = label.only_unit or (label.code == "in" and label.port is None and not exhaust_only)
        if bare and label.unit is not None and _may_be_lift(label) and label.unit.name != "m":
            neighbour = before if before is not None and view.value(row, column - 1) is not None else None
            if neighbour is None or neighbour.kind in WHO_KINDS or neighbour.kind == "counter" or found:
                found.append(column)
        before = label
    return found


def _first_number(view: View, row: int, column: int, end: int) -> int | None:
    """The first row of numbers under a heading before `end`, None where there is none."""
    blanks = 0
    slipped: int | None = None  # a first lift that was mistyped
    for below in range(row + 1, min(end, row + 1 + HEADER_DEPTH)):
        if view.is_number(below, column):
            return below if slipped is None else slipped
        label = view.label(below, column)
        if label is None:
            if all(value is None for value in view.rows[below]):
                blanks += 1
                if blanks > BLANK_DEPTH:
                    return None
            continue
        section = label.names and not label.rest
        if label.only_unit or section or label.kind in ROW_KINDS | LEFT_OUT:
            continue
        if slipped is not None or not _is_slip(view, below, column):
            return None
        slipped = below
    return None


def _is_slip(view: View, row: int, column: int) -> bool:
    """Whether a cell seems to hold a mistyped number: it has a digit, and a number to its right."""
    text = str(view.value(row, column))
    return any(mark.isdigit() for mark in text) and any(view.is_number(row, c) for c in range(column + 1, column + 4))


def last_number(view: View, column: int, first: int, end: int) -> int:
    """Return the last row of numbers in a column of lifts.

    Parameters
    ----------
    view : View
    column : int
    first : int
        The first row of numbers.
    end : int
        Where to stop looking.
    """
    for row in range(end - 1, first, -1):
        if view.is_number(row, column):
            return row
    return first
