"""Lines of a sheet that say what holds for its tests: labels with their values, and titles."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field

from flowkit.importers.cells import as_text, read_cell
from flowkit.importers.grid import CellValue
from flowkit.importers.items import Item, read_item
from flowkit.importers.labels import FLOW_QUANTITIES, Label, parse_label
from flowkit.importers.tables import ROW_KINDS, UNIT_KINDS, WHO_KINDS
from flowkit.importers.view import View
from flowkit.model import Finding
from flowkit.units import Unit, find_unit

__all__ = ["Line", "Metadata", "Placed", "read_metadata"]

_LABELS = ROW_KINDS | UNIT_KINDS
_UNITS_OF = {"lift_unit": ("length", "lift ratio"), "flow_unit": FLOW_QUANTITIES, "pressure_unit": ("pressure",)}


@dataclass(frozen=True, slots=True)
class Placed:
    """A value with its place on the grid: what it holds for depends on that.

    Attributes
    ----------
    row, column : int
    item : Item
    title : bool
        Whether it stood in a title and not behind a label.
    """

    row: int
    column: int
    item: Item
    title: bool = False


@dataclass(frozen=True, slots=True)
class Line:
    """A title or a remark as written."""

    row: int
    column: int
    text: str
    label: Label
    source: str


@dataclass(slots=True)
class Metadata:
    """All a sheet says outside its tables.

    Attributes
    ----------
    placed : list of Placed
    lines : list of Line
    findings : list of Finding
    words : list of str
        Languages of the labels' words.
    """

    placed: list[Placed] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    words: list[str] = field(default_factory=list)


def read_metadata(view: View, taken: Sequence[Sequence[tuple[int, int]]], pressure_unit: str | None = None) -> Metadata:
    """Read what stands outside the tables.

    Parameters
    ----------
    view : View
        Upright.
    taken : sequence
        For each row the column ranges (ends included) that belong to tables.
    pressure_unit : str, optional
        A unit the user stated for bare pressures.
    """
    got = Metadata()
    done: set[tuple[int, int]] = set()
    for row, values in enumerate(view.rows):
        spans = taken[row]
        if spans and any(left == 0 and right >= len(values) - 1 for left, right in spans):
            continue
        filled = [
            column
            for column, value in enumerate(values)
            if value is not None and (row, column) not in done and not any(a <= column <= b for a, b in spans)
        ]
        if filled:
            _read_row(view, row, filled, got, done, pressure_unit)
    _read_comments(view, got, pressure_unit)
    return got


def _read_comments(view: View, got: Metadata, pressure_unit: str | None) -> None:
    """Read the comment lines of a text file as lines of their own."""
    lines = view.grid.lines or ()
    for line, text in view.grid.comments:
        row = bisect_left(lines, line) - 1
        _read_one(view, row, 0, text, f"{view.grid.file}:{line}:1", got, pressure_unit)


def _read_row(
    view: View, row: int, filled: list[int], got: Metadata, done: set[tuple[int, int]], pressure_unit: str | None
) -> None:
    """Read one row: labels with the values behind or under them, and texts."""
    labels = {column: label for column in filled if (label := view.label(row, column)) is not None}
    heads = [c for c in filled if c in labels and _is_label(labels[c])]
    for column in filled:
        if column in heads or (heads and column > heads[0]):
            continue
        value = view.value(row, column)
        if isinstance(value, str) and column in labels:
            _read_one(view, row, column, value, view.source(row, column), got, pressure_unit)
    for place, column in enumerate(heads):
        end = heads[place + 1] if place + 1 < len(heads) else len(view.rows[row])
        behind = [c for c in filled if column < c < end]
        if behind:
            _read_pair(view, row, column, labels[column], row, behind, got, pressure_unit)
        elif _value_under(view, row, column, len(heads)):
            done.add((row + 1, column))
            _read_pair(view, row, column, labels[column], row + 1, [column], got, pressure_unit)
        elif labels[column].names or labels[column].pressure:
            _read_title(view, row, column, labels[column], view.source(row, column), got, pressure_unit)


def _is_label(label: Label) -> bool:
    """Whether a text asks for a value behind it."""
    return label.kind in _LABELS and not label.rest and not (label.kind in WHO_KINDS and label.names)


def _value_under(view: View, row: int, column: int, heads: int) -> bool:
    """Whether a row of labels has its values in the row below."""
    if heads < 2 or view.value(row + 1, column) is None:
        return False
    under = view.label(row + 1, column)
    return under is None or not (_is_label(under) or under.kind == "lift")


def _read_pair(
    view: View,
    row: int,
    column: int,
    label: Label,
    value_row: int,
    behind: list[int],
    got: Metadata,
    pressure_unit: str | None,
) -> None:
    """Read a label with the value (and perhaps the unit) in the cells behind it."""
    first = behind[0]
    value = view.value(value_row, first)
    unit_text = ""
    if len(behind) > 1:
        unit = parse_label(str(view.value(value_row, behind[1])))
        if unit.only_unit or unit.code == "in":
            unit_text = unit.unit_text
    source = view.source(value_row, first)
    _add(
        view,
        value_row,
        first,
        label,
        value,
        unit_text,
        source,
        got,
        pressure_unit,
        percent=view.percent(value_row, first),
    )


def _add(
    view: View,
    row: int,
    column: int,
    label: Label,
    value: CellValue,
    unit_text: str,
    source: str,
    got: Metadata,
    pressure_unit: str | None,
    *,
    percent: bool = False,
    title: bool = False,
) -> None:
    """Read one value and keep it with its place."""
    assert label.kind is not None
    got.words += label.languages
    if label.kind in UNIT_KINDS:
        _add_units(row, column, label.kind, as_text(value), source, got)
        return
    kind = label.kind
    if kind == "valve_head" and isinstance(value, str) and read_cell(value, view.decimal_comma).value is None:
        if parse_label(value).side is not None:  # "Valve: intake"
            kind = "side"
    if kind == "date" and label.languages == ("it",) and not re.search(r"\d", as_text(value)):
        return  # "data" is a word of other languages too
    gauge = kind in ("pressure", "leak_pressure", "check_pressure")
    items, findings = read_item(
        kind, value, source, label=label, unit_text=unit_text, decimal_comma=view.decimal_comma, percent=percent,
        default_unit=pressure_unit if gauge else None,
    )  # fmt: skip
    got.placed += [Placed(row, column, item, title) for item in items]
    got.findings += findings


def _add_units(row: int, column: int, kind: str, text: str, source: str, got: Metadata) -> None:
    """Read ``Units: inches / CFM`` or the unit of one quantity."""
    for part in [text, *re.split(r"[,;/|+&]|\band\b|\bund\b|\bet\b|\by\b|\be\b", text)]:
        unit = find_unit(part.strip())
        for name, quantities in _UNITS_OF.items():
            if unit is not None and unit.quantity in quantities and kind in ("units", name):
                got.placed.append(Placed(row, column, Item(name, unit.name, unit, source)))
        if unit is not None and part == text:
            return


_PIECES = re.compile(r"\s*[;|\t]\s*|\s{3,}|,\s+(?=[^,:=]{2,30}[:=])")


def _read_one(
    view: View, row: int, column: int, text: str, source: str, got: Metadata, pressure_unit: str | None
) -> None:
    """Read a text that stands alone: ``Test pressure: 28 inH2O``, or a title."""
    pairs = [pair for piece in _PIECES.split(text) if (pair := _inline(piece)) is not None]
    for label, value in pairs:
        _add(view, row, column, label, value, "", source, got, pressure_unit)
    if pairs:
        return
    label = parse_label(text)
    got.words += label.languages
    got.lines.append(Line(row, column, " ".join(text.split()), label, source))
    _read_title(view, row, column, label, source, got, pressure_unit)


def _inline(text: str) -> tuple[Label, str] | None:
    """Split ``label: value`` or ``label = value``, None where the left half is no label."""
    for mark in (":", "="):
        left, found, right = text.partition(mark)
        if found and right.strip():
            label = parse_label(left)
            if _is_label(label):
                return label, right.strip()
    label = parse_label(text)
    if label.kind is None and not label.names:
        # "Test pressure 28 inH2O": the label runs into its number.
        match = re.match(r"(?P<label>[^\d]{3,40}?)\s+(?P<value>[-+−]?[.,]?\d.*)$", text.strip())
        if match is not None:
            left_label = parse_label(match["label"])
            if _is_label(left_label) and left_label.kind not in WHO_KINDS:
                return left_label, match["value"]
    return None


def _read_title(
    view: View, row: int, column: int, label: Label, source: str, got: Metadata, pressure_unit: str | None
) -> None:
    """Take side, port, run, flow unit and pressure out of a title."""
    if len(label.rest) > 60:
        return
    found: list[Item] = []
    if label.side or label.code:
        found.append(Item("side", label.side or f"?{label.code}", None, source))
    if label.port:
        found.append(Item("port", label.port, None, source))
    if label.run:
        found.append(Item("run", float(label.run), None, source))
    unit: Unit | None = label.unit
    if unit is not None and unit.quantity in FLOW_QUANTITIES:
        found.append(Item("flow_unit", unit.name, unit, source))
    got.placed += [Placed(row, column, item, title=True) for item in found]
    if label.pressure is not None:
        value = " ".join(label.pressure)
        _add(view, row, column, Label("pressure"), value, "", source, got, pressure_unit, title=True)
