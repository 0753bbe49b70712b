"""What is around the tables: labels with their values, sentences, titles; and which tables each holds for."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from flowkit.importers.files.grid import CellValue
from flowkit.importers.tables.find import CONDITION_KINDS, LINE_KINDS, Table
from flowkit.importers.tables.view import View
from flowkit.importers.words.items import (
    CONDITION_FIELDS,
    FLOW_KINDS,
    KEEP_ONE,
    NO_UNITS,
    Item,
    Units,
    Written,
    read_item,
    refused,
)
from flowkit.importers.words.labels import WHO_KINDS, Label, mentions, parse_label
from flowkit.importers.words.phrases import TEXT_KINDS, UNIT_KINDS, by_side, is_sentence, named_units, pairs, quantities
from flowkit.importers.words.units import take_pressure
from flowkit.importers.words.values import as_text, iso_date, known_unit, read_cell
from flowkit.importers.words.vocabulary import PHRASES, SIDE_KINDS, fold
from flowkit.model import Finding
from flowkit.units import FLOW_QUANTITIES, measures


class Placed(NamedTuple):
    """A value with its place on the grid: what it holds for depends on that."""

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
    """All a sheet says outside its tables."""

    placed: list[Placed] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    words: list[str] = field(default_factory=list)


def read_metadata(view: View, taken: Sequence[Sequence[tuple[int, int]]], units: Units = NO_UNITS) -> Metadata:
    """Read what is outside the tables."""
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


_GAUGE = frozenset({"pressure", "leak_pressure", "check_pressure", "check_reading_pressure"})
_UNITS_OF = {"lift_unit": ("length", "lift ratio"), "flow_unit": FLOW_QUANTITIES, "pressure_unit": ("pressure",)}
_LEAKS = frozenset({"leak", "leak_before", "leak_after"})
_STATES = frozenset({"state", "variant", "filler", "common", "mark", "number"})
_NAMES = _STATES | {*SIDE_KINDS, "port", "run", "head", "position", "letter", "code", "flow", "title", "valve_head"}
_CLAUSE = re.compile(r"[.;!](?:\s+|$)|,\s+|\s[-–]\s")
_LIST = re.compile(r"[,;|+&]|\band\b|\bund\b|\bet\b|\by\b|\be\b")
_ANSWERED = re.compile(r"[:=]\s*\S")
_VALVE = frozenset({"valve", "valves", "ventil", "soupape", "valvula", "valvola"})
LONG_TITLE = 60


class _Reader:
    """Reads what is outside the tables of one sheet."""

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
        if self._read_aligned(row, filled):
            return
        labels = {column: label for column in filled if (label := view.label(row, column)) is not None}
        self._read_lone_pressures(row, filled, labels)
        if not labels:
            return
        heads = [
            column
            for column in filled
            if column in labels
            and _is_label(labels[column])
            and not (labels[column].pressure and labels[column].kind in WHO_KINDS | {"pressure"})
            and not _ANSWERED.search(str(view.value(row, column)))
        ]
        heads = [
            column
            for column in heads
            if len(filled) != 2
            or not (column - 1 in heads and labels[column - 1].kind in TEXT_KINDS | {"variant", "head"})
        ]
        for column in filled:
            value = view.value(row, column)
            if column in labels and isinstance(value, str) and not (heads and column >= heads[0]):
                self._read_text(row, column, value, view.source(row, column))
        for place, column in enumerate(heads):
            end = heads[place + 1] if place + 1 < len(heads) else len(view.rows[row])
            behind = [c for c in filled if column < c < end]
            labelled = (
                bool(behind)
                and isinstance(view.value(row, behind[0]), str)
                and pairs(str(view.value(row, behind[0])))[0]
            )
            if labelled and behind[0] > column + 1:
                # What is far behind it is a line of its own: "Head test", and beside the table "Humidity: 40 %".
                for at in [column, *behind]:
                    if at in labels:
                        self._read_text(row, at, str(view.value(row, at)), view.source(row, at))
            elif behind:
                self._read_pair(labels[column], row, behind)
            elif self._value_under(row, column, len(heads)):
                self.done.add((row + 1, column))
                self._read_pair(labels[column], row + 1, [column])
            elif labels[column].names or labels[column].pressure:
                self._read_title(row, column, labels[column], view.source(row, column), str(view.value(row, column)))
            else:
                self._read_units(row, column, str(view.value(row, column)), view.source(row, column))

    def _read_units(self, row: int, column: int, text: str, source: str) -> None:
        """Take the units that a text names for all the sheet."""
        for kind, unit in named_units(text):
            self.got.placed.append(Placed(row, column, Item(kind, unit.name, unit, source), title=True))

    def _read_day(self, row: int, column: int, text: str, source: str) -> None:
        """Take the day out of ``tested 24 Nov 2026 at 28 in H2O``."""
        days = _DAY.findall(text) if len(text) < _LONG_LINE else []
        if len(days) == 1 and (day := iso_date(days[0])) is not None:
            kinds = {m.kind for m in mentions(text)} | {fold(word) for word in text.split()}
            if kinds & {"flow", "bench", "title", "date", "tested", "flowed", "measured", "pressure", "run"}:
                self.got.placed.append(Placed(row, column, Item("date", day, None, source), title=True))

    def _read_lone_pressures(self, row: int, filled: list[int], labels: Mapping[int, Label]) -> None:
        """Read ``28 inH2O`` in a cell of its own, with no label before it."""
        for place, column in enumerate(filled):
            value, before = self.view.value(row, column), filled[place - 1] if place else -1
            asked = before in labels and (_is_label(labels[before]) or labels[before].kind == "lift")
            dated = self.view.kind(row, column) == "d" or (isinstance(value, str) and _IS_DAY.fullmatch(value.strip()))
            if dated and not (before == column - 1 and before in labels):
                self._add(
                    Label("date"), value, self.view.source(row, column), Placed(row, column, _NO_ITEM, title=True)
                )
            if isinstance(value, str) and column not in labels and len(value) <= self.view.longest and not asked:
                said = parse_label(value)
                if said.pressure is not None:
                    self._read_title(row, column, said, self.view.source(row, column), value)

    def _read_aligned(self, row: int, filled: list[int]) -> bool:
        """Read ``Temp  17 C  Date  13.11.2026`` whole where it was cut as the table below it is."""
        if self.view.grid.delimiter != " " or len(filled) < 2:
            return False
        line = "  ".join(str(self.view.value(row, column)) for column in filled)
        found, rest = pairs(line)
        if not found or rest:
            return False
        self._read_text(row, filled[0], line, self.view.source(row, filled[0]))
        return True

    def _value_under(self, row: int, column: int, heads: int) -> bool:
        """Whether a row of labels has its values in the row below."""
        value, label = self.view.value(row + 1, column), self.view.label(row, column)
        if heads < 2 or value is None or label is None or label.pressure is not None:
            return False
        if {"filler", "title"} & set(label.kinds) and label.kind == "head":
            return False  # "Head test" is a title
        under = self.view.label(row + 1, column)
        if under is not None and (under.pressure is not None or is_sentence(as_text(value))):
            return False
        if label.kind in FLOW_KINDS | _GAUGE and not re.match(r"\s*[-+.,]?\d", as_text(value)):
            return False
        return under is None or not (_is_label(under) or under.kind == "lift")

    def _read_pair(self, label: Label, row: int, behind: list[int]) -> None:
        """Read a label with the value (and perhaps the unit) in the cells behind it."""
        unit_text, more = "", behind[1:]
        if more:
            text = str(self.view.value(row, more[0])).strip()
            unit = parse_label(text)
            if unit.only_unit or unit.code == "in" or text == "%":
                unit_text, more = unit.unit_text or text, more[1:]
        name = as_text(self.view.value(row, more[0])) if more and label.kind in (*_LEAKS, "check_reading") else ""
        for other in () if name else more:
            text, is_text = str(self.view.value(row, other)), self.view.kind(row, other) == "t"
            own = is_text and label.kind not in TEXT_KINDS | WHO_KINDS
            if own or parse_label(text).pressure is not None:
                self._read_text(row, other, text, self.view.source(row, other))
        at = Placed(row, behind[0], _NO_ITEM)
        self._add(label, self.view.value(row, behind[0]), self.view.source(row, behind[0]), at, (unit_text, name))

    def _add(self, label: Label, value: CellValue, source: str, at: Placed, more: tuple[str, str] = ("", "")) -> None:
        """Read one value and keep it with its place; `more` is its unit and, of a reading, its range or meter."""
        kind = str(label.kind)
        self.got.words += label.languages
        text = as_text(value)
        if kind in UNIT_KINDS:
            self._add_units(kind, text, source, at)
            return
        if kind not in CONDITION_FIELDS and kind not in WHO_KINDS:
            return
        no_number = isinstance(value, str) and read_cell(value, self.view.decimal_comma).value is None
        if kind == "valve_head" and no_number and parse_label(text).side is not None:
            kind = "side"  # "Valve: intake"
        if kind == "date" and label.languages == ("it",) and not re.search(r"\d", text):
            return  # "data" is a word of other languages too
        if kind == "date" and no_number and iso_date(value) is None:
            taken = take_pressure(f"at {text}")
            if taken is not None and not taken.rest.replace("at", "").strip():
                kind = "pressure"  # "Tested: 28 inH2O"
        kinds = parse_label(text).kinds if kind == "head" and no_number else ()
        if "state" in kinds and set(kinds) <= _STATES:
            kind = "variant"  # "Head: ported"
        if kind == "port" and not no_number and quantities(text) and (size := quantities(text)[0].unit) is not None:
            kind = "fixture_bore" if size.quantity == "length" else ""  # "Cylinder: 83 mm"
        if kind == "bench" and isinstance(value, str) and self._read_bench(value, source, at):
            return
        if isinstance(value, str) and no_number and kind not in TEXT_KINDS | WHO_KINDS:
            value = self._first_quantity(kind, value, source, at)
        written = Written(
            value, source, label, more[0], self.view.decimal_comma, self.view.percent(at.row, at.column), name=more[1]
        )
        if kind in _GAUGE or kind in FLOW_KINDS:
            self.later.append((kind, written, at))
        else:
            self._read(kind, written, at)

    def _read_bench(self, text: str, source: str, at: Placed) -> bool:
        """Read ``28" H2O, CFM`` behind the word bench; tell whether that is all it says."""
        taken = take_pressure(text)
        if taken is None or not taken.among_units:
            return False
        self._read_text(at.row, at.column, text, source)
        return True

    def _first_quantity(self, kind: str, text: str, source: str, at: Placed) -> str:
        """The quantity a value begins with; what is written behind it is read as a text of its own."""
        numbers = quantities(text)
        if not numbers or numbers[0].start > 2:
            return text
        dashed = re.match(r"\s*[-–—,;]\s", text[numbers[0].end :])
        behind = text[numbers[0].end :].strip(" ,;-–—")
        if not behind or not (dashed or pairs(behind)[0]):
            remark = numbers[0].unit is not None and behind and not re.search(r"[\d@]", behind)
            return text[: numbers[0].end] if remark and kind not in _GAUGE else text  # "82 mm sleeve", "1.2 cfm all"
        self._read_text(at.row, at.column, behind, source)
        return text[: numbers[0].end]

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
        items, findings = read_item(kind, written, self.units)
        self.got.placed += [Placed(at.row, at.column, item, at.title) for item in items]
        self.got.findings += findings

    def _add_units(self, kind: str, text: str, source: str, at: Placed) -> None:
        """Read ``Units: inches / CFM`` or the unit of one quantity."""
        taken = take_pressure(text)
        if taken is not None and kind == "units":  # "Units: CFM @ 28 inH2O"
            self._add(Label("pressure"), f"{taken.number} {taken.unit}", source, at)
            text = taken.rest
        parts = [part.strip() for part in _LIST.split(text)]
        parts = [half for part in parts for half in ([part] if known_unit(part) else part.split("/"))]
        for part in [text] if known_unit(text) is not None else parts:
            unit = known_unit(part.strip())
            for name, of in _UNITS_OF.items():
                if unit is not None and unit.quantity in of and kind in ("units", name):
                    self.got.placed.append(Placed(at.row, at.column, Item(name, unit.name, unit, source)))

    def _read_text(self, row: int, column: int, text: str, source: str) -> None:
        """Read a text on its own: ``Test pressure: 28 inH2O``, a sentence, or a title."""
        self._read_units(row, column, text, source)
        self._read_day(row, column, text, source)
        sided, text = by_side(text)
        for side, value in sided:
            self._add(Label("pressure", side=side), value, source, Placed(row, column, _NO_ITEM))
        if sided and not text:
            return
        found, rest = pairs(text)
        for label, value in found:
            self._add(label, value, source, Placed(row, column, _NO_ITEM))
        taken = take_pressure(rest) if found and found[-1].label.kind in _LEAKS else None
        if taken is not None and not taken.rest.strip(" ,;.@"):
            self._add(Label("leak_pressure"), f"{taken.number} {taken.unit}", source, Placed(row, column, _NO_ITEM))
            return
        if found and not rest:
            return
        rest = rest if found else text
        label = parse_label(str(self.view.meant(rest)))
        self.got.words += label.languages
        self.got.lines.append(Line(row, column, " ".join(rest.split()), label, source))
        self._read_title(row, column, label, source, rest)
        if is_sentence(rest) and len(rest) < _LONG_LINE:
            self._read_clauses(row, column, rest, source)

    def _read_clauses(self, row: int, column: int, text: str, source: str) -> None:
        """Take the parts of a sentence that name a test and nothing else: ``Intake 2, ported, all at 28 inH2O``."""
        before = False
        for clause in filter(None, _CLAUSE.split(text)):
            label = parse_label(str(self.view.meant(clause)))
            known = set(label.kinds) <= _NAMES
            names = known and (label.names or (before and "state" in label.kinds))
            before = known and label.names
            if names and clause != text and not label.kind and not is_sentence(clause):
                self.got.lines.append(Line(row, column, clause.strip(), label, source))
                self._read_title(row, column, label, source, clause)

    def _read_title(self, row: int, column: int, label: Label, source: str, text: str) -> None:
        """Take side, port, run, flow unit and pressure out of a title; a sentence gives its pressure alone."""
        found: list[Item] = []
        taken = take_pressure(text)
        figure = any(q.unit is not None and q.unit.quantity in FLOW_QUANTITIES for q in quantities(text))
        talk = figure or is_sentence(text if taken is None else taken.rest)  # "Cyl 3 had 110 CFM"
        if not (_waits(label, self.view.value(row, column)) or talk or len(label.rest) > LONG_TITLE):
            if label.side or (label.code and not label.rest):
                found.append(Item("side", label.side or f"?{label.code}", None, source))
            if label.port:
                found.append(Item("port", label.port, None, source))
            if label.run:
                found.append(Item("run", float(label.run), None, source))
            if label.kind == "head" and label.bare and label.bare.isdecimal() and not label.rest:
                found.append(Item("head", label.bare, None, source))  # "Head 2"
            elif label.head or (label.position and (label.port or label.bare or "head" in label.kinds)):
                found.append(Item("head", str(label.head or label.position), None, source))
            if measures(label.unit, *FLOW_QUANTITIES):
                found.append(Item("flow_unit", label.unit.name, label.unit, source))
            size = VALVE_SIZE.fullmatch(label.rest)
            if size is not None and label.side:
                found += read_item("valve_head", Written(size[1], source, Label(side=label.side)))[0]
        self.got.placed += [Placed(row, column, item, title=True) for item in found]
        pressure = label.pressure
        if pressure is None and taken is not None and taken.of_water and taken.unit:
            pressure = label.aside if taken.of_a_test or taken.among_units else None
        other = label.kind == "other" or (taken is not None and taken.of_other)  # "Spring 75 lb at 1.5 in"
        if pressure is not None and not other:
            at = Placed(row, column, _NO_ITEM, title=True)
            self._add(Label("pressure"), " ".join(pressure), source, at)


_DAY = re.compile(r"\d{4}-\d\d?-\d\d?|\d{1,2}\.\s?\d{1,2}\.\s?\d{4}|\d{1,2}\.?\s[^\W\d_]{3,9}\.?\s\d{4}")
_IS_DAY = re.compile(rf"{_DAY.pattern}|\d{{1,2}}[-./]\d{{1,2}}[-./](?:\d{{2}}|\d{{4}})")
_LONG_LINE = 160
_NO_ITEM = Item("", "", None, "")
VALVE_SIZE = re.compile(
    r"(\d+(?:[.,]\d+)?\s*(?:mm|in|\"))\s*(?:valves?|ventile?|soupape|valvola|válvula|klep)", re.IGNORECASE
)


def _is_label(label: Label) -> bool:
    """Whether a text asks for a value behind it."""
    if label.kind not in LINE_KINDS or label.rest or label.bare or (label.letter and label.kind != "fixture_bore"):
        return False
    return not (label.kind in WHO_KINDS and label.names)


def _waits(label: Label, text: CellValue) -> bool:
    """Whether a label asks for a condition that is not filled in: its side is the condition's, not the table's."""
    if label.kind not in CONDITION_KINDS - {"pressure"}:
        return False
    if label.kind != "valve_head" or label.unit is not None:
        return True
    words = fold(as_text(text)).split()  # "Intake valve" may head a table, "Intake valve head" does not
    return not all(word in _VALVE or PHRASES.get(word, ("",))[0] in SIDE_KINDS or word.isdigit() for word in words)


_LEAK_KINDS = _LEAKS | {"leak_pressure", "leak_reading", "leak_reading_before", "leak_reading_after"}
OWN = _LEAK_KINDS | {"port", "run", "valve_head", "stem", "throat", "seat_angle", "seat_width"}
"""Kinds that a table with a heading block of its own does not inherit from another table's block."""

UNDER = _LEAK_KINDS | {
    "check_reading", "check_nominal", "check_pressure", "check_reading_pressure", "check_plate_reading", "notes",
}  # fmt: skip
"""Kinds that belong to the table directly above them."""

Key = tuple[str, str | None]


@dataclass(slots=True)
class Scope:
    """What holds for one table."""

    table: Table
    items: dict[Key, Item] = field(default_factory=dict)
    title: Line | None = None


@dataclass(slots=True)
class _Band:
    """Tables side by side."""

    tables: list[Table]
    top: int
    bottom: int
    entries: list[Placed] = field(default_factory=list)
    under: list[Placed] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)


def scopes(tables: Sequence[Table], said: Metadata) -> tuple[list[Scope], list[Finding]]:
    """Say what holds for each table of a sheet."""
    bands = _bands(tables)
    tail = _deal(bands, said)
    general = _general(bands, tail)
    findings: list[Finding] = []
    found: dict[int, Scope] = {}
    above: dict[Key, Item] = {}  # what the last title said that names a side or head: it holds over the ports below it
    for place, band in enumerate(bands):
        shared, per_table = _split(band)
        names = {(e.item.kind, e.item.side): e.item for e in shared if e.title and e.item.kind in WHO_KINDS}
        above = {key: item for key, item in above.items() if names and key[0] in ("side", "head")} | names
        for index, table in enumerate(band.tables):
            scope = Scope(table)
            own = shared + per_table[index]
            kinds = {entry.item.kind for entry in own}
            labelled = {entry.item.kind for entry in own if not entry.title}
            repeated = place > 0 and bool(labelled & {kind for kind, _ in general})
            scope.items = {key: item for key, item in general.items() if not (repeated and key[0] in OWN)}
            if "side" in kinds and place > 0:
                scope.items.pop(("side", None), None)
            scope.items = above | scope.items | _gather(own, findings) | _gather(band.under, findings)
            scope.title = _title(band, index)
            found[id(table)] = scope
    return [found[id(table)] for table in tables], findings


def _bands(tables: Sequence[Table]) -> list[_Band]:
    """Group tables whose rows overlap."""
    bands: list[_Band] = []
    for table in sorted(tables, key=lambda t: (t.corners()[0], t.corners()[1])):
        top, _, bottom, _ = table.corners()
        if bands and top <= bands[-1].bottom:
            bands[-1].tables.append(table)
            bands[-1].bottom = max(bands[-1].bottom, bottom)
        else:
            bands.append(_Band([table], top, bottom))
    for band in bands:
        band.tables.sort(key=lambda t: t.corners()[1])
    return bands


def _deal(bands: Sequence[_Band], said: Metadata) -> list[Placed]:
    """Give each line to the band it is above, beside or directly under; return what is left at the end."""
    ends = [band.bottom for band in bands]
    tail: list[Placed] = []
    under = {band.bottom: band.bottom for band in bands}
    for entry in sorted(said.placed, key=lambda e: (e.row, e.column)):
        place = bisect_left(ends, entry.row)
        before = bands[place - 1] if place else None
        if before is not None and entry.item.kind in UNDER and entry.row - under[before.bottom] <= 1:
            under[before.bottom] = entry.row
            before.under.append(entry)
        elif place < len(bands):
            bands[place].entries.append(entry)
        else:
            tail.append(entry)
    for line in said.lines:
        at = bisect_left(ends, line.row)
        if at < len(bands):
            bands[at].lines.append(line)
    return tail


def _general(bands: Sequence[_Band], tail: Sequence[Placed]) -> dict[Key, Item]:
    """What holds for the whole sheet: the lines above its first table, then those at its end."""
    first = bands[0]
    shared, _ = _split(first)
    titles = sorted({(entry.row, entry.column) for entry in shared if entry.title})
    other_titles = any(entry.title for band in bands[1:] for entry in band.entries)
    # The last title above the first table is the table's own where others have theirs.
    own = titles[-1] if titles and other_titles else None
    general = [e for e in shared if not (e.title and (e.row, e.column) == own and e.item.kind in WHO_KINDS | OWN)]
    found = _gather(tail, [])
    return found | _gather(general, [])


def _split(band: _Band) -> tuple[list[Placed], list[list[Placed]]]:
    """Part a band's lines into those of all its tables and those of each."""
    per_table: list[list[Placed]] = [[] for _ in band.tables]
    if len(band.tables) == 1:
        return list(band.entries), per_table
    shared: list[Placed] = []
    by_kind: dict[str, list[Placed]] = {}
    for entry in band.entries:
        by_kind.setdefault(entry.item.kind, []).append(entry)
    for entries in by_kind.values():
        owners = [_owner(band, entry) for entry in entries]
        if len(set(owners)) == 1:
            shared += entries
        else:
            for owner, entry in zip(owners, entries, strict=True):
                per_table[owner].append(entry)
    return shared, per_table


def _owner(band: _Band, entry: Placed) -> int:
    """The table a line belongs to: over its columns, the next one below it."""
    corners = [table.corners() for table in band.tables]
    lead = max((left for _, left, _, _ in corners if left <= entry.column), default=corners[0][1])
    over = [index for index, (_, left, _, _) in enumerate(corners) if left == lead]
    below = [index for index in over if corners[index][2] >= entry.row]
    return below[0] if below else over[-1]


def _gather(entries: Sequence[Placed], findings: list[Finding]) -> dict[Key, Item]:
    """Gather values by kind and side; labels count before titles, and contradictions are reported."""
    found: dict[Key, Placed] = {}
    split: set[Key] = set()  # titles of one row that differ: each is over something else
    for entry in entries:
        key = (entry.item.kind, entry.item.side)
        known = found.get(key)
        if known is not None and not known.title:
            if not entry.title and known.item.value != entry.item.value:
                found[key] = _joined(known, entry, findings)
            continue
        if known is not None and entry.title and entry.row == known.row and entry.item.value != known.item.value:
            split.add(key)
        else:
            split.discard(key)
        found[key] = entry
    return {key: entry.item for key, entry in found.items() if key not in split}


def _joined(known: Placed, entry: Placed, findings: list[Finding]) -> Placed:
    """Join two notes, and leaks of two ranges; report two values of anything else."""
    ranges = {str(item.value).partition("@")[2].casefold() for item in (known.item, entry.item)}
    if entry.item.kind != "notes" and not (entry.item.kind.startswith("leak_reading") and len(ranges) > 1):
        findings.append(_twice(known.item, entry.item))
        return known
    return known._replace(item=known.item._replace(value=f"{known.item.value}; {entry.item.value}"))


def _twice(one: Item, other: Item) -> Finding:
    """Say that a sheet states two values of one thing."""
    what = f"{one.kind.replace('_', ' ')} is stated twice and differently, here and in {one.source}; {KEEP_ONE}"
    return refused(other.source, what)


def _title(band: _Band, index: int) -> Line | None:
    """The text directly above a table, over its own columns."""
    table = band.tables[index]
    top, left, _, right = table.corners()
    if index == 0:
        left = 0
    near = [line for line in band.lines if line.row < top and left <= line.column <= right]
    return near[-1] if near and top - near[-1].row <= 3 else None
