"""Lines of a sheet that say what holds for its tests: labels with their values, and titles."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from flowkit.importers.files.grid import CellValue
from flowkit.importers.items import FLOW_KINDS, NO_UNITS, Item, Units, Written, read_item
from flowkit.importers.kinds import CONDITION_KINDS, ROW_KINDS, UNIT_KINDS, WHO_KINDS
from flowkit.importers.labels import FLOW_QUANTITIES, Label, parse_label
from flowkit.importers.view import View
from flowkit.importers.words.values import as_text, known_unit, read_cell
from flowkit.importers.words.vocabulary import PHRASES, SIDE_KINDS, fold
from flowkit.model import Finding

__all__ = ["Line", "Metadata", "Placed", "read_metadata"]


class Placed(NamedTuple):
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


class Line(NamedTuple):
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


def read_metadata(view: View, taken: Sequence[Sequence[tuple[int, int]]], units: Units = NO_UNITS) -> Metadata:
    """Read what stands outside the tables.

    Parameters
    ----------
    view : View
        Upright.
    taken : sequence
        For each row the column ranges (ends included) that belong to tables.
    units : Units, optional
        What the user stated for bare numbers; units that lines of the sheet state count before it.
    """
    reader = _Reader(view, units)
    for row, values in enumerate(view.rows):
        spans = taken[row]
        if spans and spans[0] == (0, len(values) - 1):
            continue
        covered = {column for left, right in spans for column in range(left, right + 1)}
        filled = [
            column
            for column, value in enumerate(values)
            if value is not None and column not in covered and (row, column) not in reader.done
        ]
        if filled:
            reader.read_row(row, filled)
    reader.read_comments()
    return reader.finish()


_LABELS = ROW_KINDS | UNIT_KINDS
_GAUGE = frozenset({"pressure", "leak_pressure", "check_pressure", "check_reading_pressure"})
_UNITS_OF = {"lift_unit": ("length", "lift ratio"), "flow_unit": FLOW_QUANTITIES, "pressure_unit": ("pressure",)}
_PIECES = re.compile(r"\s*[;|\t]\s*|\s{3,}|,\s+(?=[^,:=]{2,30}[:=])")
_LIST = re.compile(r"[,;|+&]|\band\b|\bund\b|\bet\b|\by\b|\be\b")
_RUN_ON = re.compile(r"(?P<label>[^\d]{3,40}?)\s+(?P<value>[-+−]?[.,]?\d.*)$")
_ANSWERED = re.compile(r"[:=]\s*\S")
_VALVE = frozenset({"valve", "valves", "ventil", "soupape", "valvula", "valvola"})
LONG_TITLE = 60


class _Reader:
    """Reads what stands outside the tables of one sheet."""

    def __init__(self, view: View, units: Units) -> None:
        self.view = view
        self.units = units
        self.later: list[tuple[str, Written, Placed]] = []
        self.got = Metadata()
        self.done: set[tuple[int, int]] = set()

    def read_comments(self) -> None:
        """Read the comment lines of a text file as lines of their own."""
        grid = self.view.grid
        for line, text in grid.comments:
            row = bisect_left(grid.lines or (), line) - 1
            self._read_text(row, 0, text, f"{grid.file}:{line}:1")

    def read_row(self, row: int, filled: list[int]) -> None:
        """Read one row: labels with the values behind or under them, and texts."""
        view = self.view
        labels = {column: label for column in filled if (label := view.label(row, column)) is not None}
        heads = [
            column
            for column in filled
            if column in labels and _is_label(labels[column]) and not _ANSWERED.search(str(view.value(row, column)))
        ]
        for column in filled:
            value = view.value(row, column)
            if column in labels and isinstance(value, str) and not (heads and column >= heads[0]):
                self._read_text(row, column, value, view.source(row, column))
        for place, column in enumerate(heads):
            end = heads[place + 1] if place + 1 < len(heads) else len(view.rows[row])
            behind = [c for c in filled if column < c < end]
            if behind:
                self._read_pair(labels[column], row, behind)
            elif self._value_under(row, column, len(heads)):
                self.done.add((row + 1, column))
                self._read_pair(labels[column], row + 1, [column])
            elif labels[column].names or labels[column].pressure:
                self._read_title(row, column, labels[column], view.source(row, column))

    def _value_under(self, row: int, column: int, heads: int) -> bool:
        """Whether a row of labels has its values in the row below."""
        if heads < 2 or self.view.value(row + 1, column) is None:
            return False
        under = self.view.label(row + 1, column)
        return under is None or not (_is_label(under) or under.kind == "lift")

    def _read_pair(self, label: Label, row: int, behind: list[int]) -> None:
        """Read a label with the value (and perhaps the unit) in the cells behind it."""
        unit_text = ""
        if len(behind) > 1:
            unit = parse_label(str(self.view.value(row, behind[1])))
            if unit.only_unit or unit.code == "in":
                unit_text = unit.unit_text
        at = Placed(row, behind[0], _NO_ITEM)
        self._add(label, self.view.value(row, behind[0]), self.view.source(row, behind[0]), at, unit_text)

    def _add(self, label: Label, value: CellValue, source: str, at: Placed, unit_text: str = "") -> None:
        """Read one value and keep it with its place."""
        kind = str(label.kind)
        self.got.words += label.languages
        text = as_text(value)
        if kind in UNIT_KINDS:
            self._add_units(kind, text, source, at)
            return
        no_number = isinstance(value, str) and read_cell(value, self.view.decimal_comma).value is None
        if kind == "valve_head" and no_number and parse_label(text).side is not None:
            kind = "side"  # "Valve: intake"
        if kind == "date" and label.languages == ("it",) and not re.search(r"\d", text):
            return  # "data" is a word of other languages too
        written = Written(
            value,
            source,
            label,
            unit_text,
            self.view.decimal_comma,
            self.view.percent(at.row, at.column),
        )
        if kind in _GAUGE or kind in FLOW_KINDS:
            self.later.append((kind, written, at))
        else:
            self._read(kind, written, at)

    def finish(self) -> Metadata:
        """Read the pressures and flows, now that all lines with units are known."""
        stated = {entry.item.kind: str(entry.item.value) for entry in self.got.placed if entry.item.kind in _UNITS_OF}
        pressure = stated.get("pressure_unit", self.units.pressure)
        flow = stated.get("flow_unit", self.units.flow)
        for kind, written, at in self.later:
            self._read(kind, written._replace(default_unit=pressure if kind in _GAUGE else flow), at)
        return self.got

    def _read(self, kind: str, written: Written, at: Placed) -> None:
        """Read one value and keep it."""
        items, findings = read_item(kind, written)
        self.got.placed += [Placed(at.row, at.column, item, at.title) for item in items]
        self.got.findings += findings

    def _add_units(self, kind: str, text: str, source: str, at: Placed) -> None:
        """Read ``Units: inches / CFM`` or the unit of one quantity."""
        parts = [part.strip() for part in _LIST.split(text)]
        parts = [half for part in parts for half in ([part] if known_unit(part) else part.split("/"))]
        for part in [text] if known_unit(text) is not None else parts:
            unit = known_unit(part.strip())
            for name, quantities in _UNITS_OF.items():
                if unit is not None and unit.quantity in quantities and kind in ("units", name):
                    self.got.placed.append(Placed(at.row, at.column, Item(name, unit.name, unit, source)))

    def _read_text(self, row: int, column: int, text: str, source: str) -> None:
        """Read a text that stands alone: ``Test pressure: 28 inH2O``, or a title."""
        pairs = [pair for piece in _PIECES.split(text) if (pair := _inline(piece)) is not None]
        for label, value in pairs:
            self._add(label, value, source, Placed(row, column, _NO_ITEM))
        if pairs:
            return
        label = parse_label(text)
        self.got.words += label.languages
        self.got.lines.append(Line(row, column, " ".join(text.split()), label, source))
        self._read_title(row, column, label, source)

    def _read_title(self, row: int, column: int, label: Label, source: str) -> None:
        """Take side, port, run, flow unit and pressure out of a title."""
        if len(label.rest) > LONG_TITLE or _waits(label, self.view.value(row, column)):
            return
        found: list[Item] = []
        if label.side or label.code:
            found.append(Item("side", label.side or f"?{label.code}", None, source))
        if label.port:
            found.append(Item("port", label.port, None, source))
        if label.run:
            found.append(Item("run", float(label.run), None, source))
        if label.unit is not None and label.unit.quantity in FLOW_QUANTITIES:
            found.append(Item("flow_unit", label.unit.name, label.unit, source))
        self.got.placed += [Placed(row, column, item, title=True) for item in found]
        if label.pressure is not None:
            at = Placed(row, column, _NO_ITEM, title=True)
            self._add(Label("pressure"), " ".join(label.pressure), source, at)


_NO_ITEM = Item("", "", None, "")


def _is_label(label: Label) -> bool:
    """Whether a text asks for a value behind it."""
    return label.kind in _LABELS and not label.rest and not (label.kind in WHO_KINDS and label.names)


def _waits(label: Label, text: CellValue) -> bool:
    """Whether a label asks for a condition that is not filled in: its side is the condition's, not the table's."""
    if label.kind not in CONDITION_KINDS - {"pressure"}:
        return False
    if label.kind != "valve_head" or label.unit is not None:
        return True
    words = fold(as_text(text)).split()  # "Intake valve" may head a table, "Intake valve head" does not
    return not all(word in _VALVE or PHRASES.get(word, ("",))[0] in SIDE_KINDS or word.isdigit() for word in words)


def _inline(text: str) -> tuple[Label, str] | None:
    """Split ``label: value`` or ``label = value``, None where the left half is no label."""
    for mark in (":", "="):
        left, found, right = text.partition(mark)
        if found and right.strip():
            label = parse_label(left)
            if _is_label(label):
                return label, right.strip()
    label = parse_label(text)
    match = _RUN_ON.match(text.strip()) if label.kind is None and not label.names else None
    if match is not None:
        # "Test pressure 28 inH2O": the label runs into its number.
        left_label = parse_label(match["label"])
        if _is_label(left_label) and left_label.kind not in WHO_KINDS:
            return left_label, match["value"]
    return None
