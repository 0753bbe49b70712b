"""What is around the tables: labels with their values, sentences, titles; and which tables each holds for."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from flowkit.importers.files.grid import CellValue
from flowkit.importers.tables.find import CONDITION_KINDS, LINE_KINDS, Table
from flowkit.importers.tables.view import View
from flowkit.importers.words import items as terms
from flowkit.importers.words.labels import WHO_KINDS, Label, mentions, parse_label
from flowkit.importers.words.phrases import TEXT_KINDS, UNIT_KINDS, by_side, is_sentence, named_units, pairs, quantities
from flowkit.importers.words.units import take_pressure
from flowkit.importers.words.values import as_text, iso_date, known_unit, read_cell
from flowkit.importers.words.vocabulary import PHRASES, SIDE_KINDS, fold
from flowkit.model import Finding
from flowkit.units import FLOW_QUANTITIES, measures

_GAUGE = frozenset({"pressure", "leak_pressure", "check_pressure", "check_reading_pressure"})
_UNITS_OF = {"lift_unit": ("length", "lift ratio"), "flow_unit": FLOW_QUANTITIES, "pressure_unit": ("pressure",)}
_LEAKS = frozenset({"leak", "leak_before", "leak_after"})
_STATES = frozenset({"state", "variant", "filler", "common", "mark", "number"})
_NAMES = _STATES | {*SIDE_KINDS, "port", "run", "head", "position", "letter", "code", "flow", "title", "valve_head"}
_TESTS = frozenset({"flow", "bench", "title", "date", "tested", "flowed", "measured", "pressure", "run"})
_CLAUSE = re.compile(r"[.;!](?:\s+|$)|,\s+|\s[-–]\s")
_LIST = re.compile(r"[,;|+&]|\band\b|\bund\b|\bet\b|\by\b|\be\b")
_ANSWERED = re.compile(r"[:=]\s*\S")
_VALVE = frozenset({"valve", "valves", "ventil", "soupape", "valvula", "valvola"})
_DAY = re.compile(r"\d{4}-\d\d?-\d\d?|\d{1,2}\.\s?\d{1,2}\.\s?\d{4}|\d{1,2}\.?\s[^\W\d_]{3,9}\.?\s\d{4}")
_EXPLAINS = re.compile(r"\b[^\W_]\s*=\s*[^\W\d_]")  # "1 = rear": how the ports are numbered
_IS_DAY = re.compile(rf"{_DAY.pattern}|\d{{1,2}}[-./]\d{{1,2}}[-./](?:\d{{4}}|\d{{2}})")
_DATED = re.compile(rf"\s*([^\W\d]\D*?)[\s:]+({_IS_DAY.pattern})\s*")
LONG_TITLE, _LONG_LINE = 60, 160
VALVE_SIZE = re.compile(
    r"(\d+(?:[.,]\d+)?\s*(?:mm|in|\"))\s*(?:valves?|ventile?|soupape|valvola|válvula|klep)", re.IGNORECASE
)
_LEAK_KINDS = _LEAKS | {"leak_pressure", "leak_reading", "leak_reading_before", "leak_reading_after"}
# Kinds that a table with a heading block of its own does not inherit from another table's block.
OWN = _LEAK_KINDS | {"port", "run", "valve_head", "stem", "throat", "seat_angle", "seat_width"}
# Kinds that belong to the table directly above them.
UNDER = _LEAK_KINDS | {
    "check_reading", "check_nominal", "check_pressure", "check_reading_pressure", "check_plate_reading", "notes",
}  # fmt: skip
Key = tuple[str, str | None]


class Placed(NamedTuple):
    """A value with its place on the grid: what it holds for depends on that."""

    row: int
    column: int
    item: terms.Item
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


class _At(NamedTuple):
    """A cell, or a line of comments."""

    row: int
    column: int
    source: str


def read_metadata(
    view: View, taken: Sequence[Sequence[tuple[int, int]]], units: terms.Units = terms.NO_UNITS
) -> Metadata:
    """Read what is outside the tables; pressures and flows last, when all lines with units are known."""
    reader = _Reader(view, units)
    for row, values in enumerate(view.rows):
        spans = taken[row]
        if spans and spans[0] == (0, len(values) - 1):
            continue
        covered = {column for left, right in spans for column in range(left, right + 1)}
        covered |= {column for at, column in reader.done if at == row}
        filled = [column for column, value in enumerate(values) if value is not None and column not in covered]
        if filled:
            reader.read_row(row, filled)
    for line, text in view.grid.comments:
        row = bisect_left(view.grid.lines or (), line) - 1
        reader.read_text(_At(row, 0, f"{view.grid.file}:{line}:1"), text)
    stated = {entry.item.kind: str(entry.item.value) for entry in reader.got.placed if entry.item.kind in _UNITS_OF}
    pressure, flow = stated.get("pressure_unit", units.pressure), stated.get("flow_unit", units.flow)
    for kind, written, at, title in reader.later:
        reader.store(kind, written._replace(default_unit=pressure if kind in _GAUGE else flow), at, title=title)
    return reader.got


class _Reader:
    """Reads what is outside the tables of one sheet."""

    def __init__(self, view: View, units: terms.Units) -> None:
        self.view, self.units = view, units
        self.got = Metadata()
        self.later: list[tuple[str, terms.Written, _At, bool]] = []
        self.done: set[tuple[int, int]] = set()  # values under their labels

    def at(self, row: int, column: int) -> _At:
        """A cell."""
        return _At(row, column, self.view.source(row, column))

    def store(self, kind: str, written: terms.Written, at: _At, *, title: bool) -> None:
        """Read one value and keep it with its place."""
        items, findings = terms.read_item(kind, written, self.units)
        self.put(at, items, title=title)
        self.got.findings += findings

    def put(self, at: _At, items: Sequence[terms.Item], *, title: bool) -> None:
        """Keep values with their place."""
        self.got.placed += [Placed(at.row, at.column, item, title) for item in items]

    def read_row(self, row: int, filled: list[int]) -> None:  # noqa: PLR0912
        """Read one row: labels with the values behind or under them, and texts."""
        view = self.view
        if view.grid.delimiter == " " and len(filled) > 1:  # "Temp  17 C  Date  13.11.2026", cut as the table below is
            line = "  ".join(str(view.value(row, column)) for column in filled)
            found, rest = pairs(line)
            if found and not rest:
                self.read_text(self.at(row, filled[0]), line)
                return
        labels = {column: label for column in filled if (label := view.label(row, column)) is not None}
        self._read_lone(row, filled, labels)
        heads = [
            column
            for column, label in labels.items()
            if _is_label(label)
            and not (label.pressure and label.kind in WHO_KINDS | {"pressure"})
            and not _ANSWERED.search(str(view.value(row, column)))
        ]
        if len(filled) == 2:  # "Bench | Temperature rig": a name that happens to be a label
            names = TEXT_KINDS | {"variant", "head"}
            heads = [column for column in heads if column - 1 not in heads or labels[column - 1].kind not in names]
        for column in labels:
            value = view.value(row, column)
            if isinstance(value, str) and not (heads and column >= heads[0]):
                self.read_text(self.at(row, column), value)
        for column, end in zip(heads, [*heads[1:], len(view.rows[row])], strict=False):
            label, at, text = labels[column], self.at(row, column), str(view.value(row, column))
            behind = [c for c in filled if column < c < end]
            following = view.value(row, behind[0]) if behind else None
            if behind and behind[0] > column + 1 and isinstance(following, str) and pairs(following)[0]:
                # What is far behind it is a line of its own: "Head test", and beside the table "Humidity: 40 %".
                for other in [column, *behind]:
                    if other in labels:
                        self.read_text(self.at(row, other), str(view.value(row, other)))
            elif behind:
                self._read_pair(label, row, behind)
            elif len(heads) > 1 and self._value_under(row, column, label):
                self.done.add((row + 1, column))
                self._read_pair(label, row + 1, [column])
            elif label.names or label.pressure:
                self._read_title(at, label, text)
            else:
                self._read_units(at, text)

    def _read_lone(self, row: int, filled: list[int], labels: dict[int, Label]) -> None:
        """Read ``28 inH2O`` and a date in cells of their own, with no label before them."""
        for before, column in zip([-1, *filled], filled, strict=False):
            value, label = self.view.value(row, column), labels.get(before)
            asked = label is not None and (_is_label(label) or label.kind == "lift")
            dated = self.view.kind(row, column) == "d" or (isinstance(value, str) and _IS_DAY.fullmatch(value.strip()))
            if dated and not (label is not None and before == column - 1):
                self._add(Label("date"), value, self.at(row, column), title=True)
            if isinstance(value, str) and column not in labels and len(value) <= self.view.longest and not asked:
                said = parse_label(value)
                if said.pressure is not None:
                    self._read_title(self.at(row, column), said, value)

    def _value_under(self, row: int, column: int, label: Label) -> bool:
        """Whether a row of labels has its values in the row below."""
        value, under = self.view.value(row + 1, column), self.view.label(row + 1, column)
        titled = label.kind == "head" and {"filler", "title"} & set(label.kinds)  # "Head test"
        if value is None or label.pressure is not None or titled:
            return False
        if label.kind in terms.FLOW_KINDS | _GAUGE and not re.match(r"\s*[-+.,]?\d", as_text(value)):
            return False
        if under is None:
            return True
        return not (under.pressure or is_sentence(as_text(value)) or _is_label(under) or under.kind == "lift")

    def _read_pair(self, label: Label, row: int, behind: list[int]) -> None:
        """Read a label with the value (and perhaps the unit) in the cells behind it."""
        view, unit_text, more = self.view, "", behind[1:]
        values = {view.value(row, column) for column in behind}
        if label.kind in ("port", "run") and len(values) > 1 and all(view.kind(row, c) == "n" for c in behind):
            what = f"this row gives {len(values)} values and they are not over the columns of one table"
            self.got.findings.append(terms.refused(view.source(row, behind[0]), f"{what}; {terms.SET_HEADING}"))
            return
        if more:
            text = str(view.value(row, more[0])).strip()
            unit = parse_label(text)
            if unit.only_unit or unit.code == "in" or text == "%":
                unit_text, more = unit.unit_text or text, more[1:]
        name = as_text(view.value(row, more[0])) if more and label.kind in (*_LEAKS, "check_reading") else ""
        for other in () if name else more:
            text = str(view.value(row, other))
            own = view.kind(row, other) == "t" and label.kind not in TEXT_KINDS | WHO_KINDS
            if own or parse_label(text).pressure is not None:
                self.read_text(self.at(row, other), text)
        self._add(label, view.value(row, behind[0]), self.at(row, behind[0]), unit_text=unit_text, name=name)

    def _add(
        self, label: Label, value: CellValue, at: _At, *, title: bool = False, unit_text: str = "", name: str = ""
    ) -> None:
        """Read one value and keep it; `name` is the range or meter of a reading."""
        kind, text, view = str(label.kind), as_text(value), self.view
        self.got.words += label.languages
        if kind in UNIT_KINDS:
            self._add_units(kind, text, at)
        if kind not in terms.CONDITION_FIELDS and kind not in WHO_KINDS:
            return
        no_number = isinstance(value, str) and read_cell(value, view.decimal_comma).value is None
        if kind == "valve_head" and no_number and parse_label(text).side is not None:
            kind = "side"  # "Valve: intake"
        if kind == "date" and label.languages == ("it",) and not re.search(r"\d", text):
            return  # "data" is a word of other languages too
        if kind == "date" and isinstance(value, str) and iso_date(value) is None:
            taken = take_pressure(f"at {text}")
            if taken is not None and taken.unit and not taken.rest.replace("at", "").strip():
                kind, value = "pressure", f"{taken.number} {taken.unit}"  # "Tested: 28 inH2O"
        kinds = parse_label(text).kinds if kind == "head" and no_number else ()
        if "state" in kinds and set(kinds) <= _STATES:
            kind = "variant"  # "Head: ported"
        if kind == "port" and not no_number and quantities(text) and (size := quantities(text)[0].unit) is not None:
            kind = "fixture_bore" if size.quantity == "length" else ""  # "Cylinder: 83 mm"
        taken = take_pressure(value) if kind == "bench" and isinstance(value, str) else None
        if taken is not None and taken.among_units:
            self.read_text(at, str(value))  # "Bench: 28" H2O, CFM"
            return
        if isinstance(value, str) and no_number and kind not in TEXT_KINDS | WHO_KINDS:
            value = self._first_quantity(kind, value, at)
        percent = view.percent(at.row, at.column)
        written = terms.Written(value, at.source, label, unit_text, view.decimal_comma, percent, name=name)
        if kind in _GAUGE or kind in terms.FLOW_KINDS:
            self.later.append((kind, written, at, title))
        else:
            self.store(kind, written, at, title=title)

    def _first_quantity(self, kind: str, text: str, at: _At) -> str:
        """The quantity a value begins with; what is written behind it is read as a text of its own."""
        first = next(iter(quantities(text)), None)
        if first is None or first.start > 2:
            return text
        dashed = re.match(r"\s*[-–—,;]\s", text[first.end :])
        behind = text[first.end :].strip(" ,;-–—")
        if behind and (dashed or pairs(behind)[0]):
            self.read_text(at, behind)
            return text[: first.end]
        remark = first.unit is not None and behind and not re.search(r"[\d@]", behind)
        return text[: first.end] if remark and kind not in _GAUGE else text  # "82 mm sleeve", "1.2 cfm all"

    def _add_units(self, kind: str, text: str, at: _At) -> None:
        """Read ``Units: inches / CFM`` or the unit of one quantity."""
        taken = take_pressure(text)
        if taken is not None and kind == "units":  # "Units: CFM @ 28 inH2O"
            self._add(Label("pressure"), f"{taken.number} {taken.unit}", at)
            text = taken.rest
        parts = [part.strip() for part in _LIST.split(text)]
        parts = [half for part in parts for half in ([part] if known_unit(part) else part.split("/"))]
        for part in [text] if known_unit(text) is not None else parts:
            unit = known_unit(part.strip())
            for name, of in _UNITS_OF.items():
                if unit is not None and unit.quantity in of and kind in ("units", name):
                    self.put(at, [terms.Item(name, unit.name, unit, at.source)], title=False)

    def _read_units(self, at: _At, text: str) -> None:
        """Take the units that a text names for all the sheet."""
        self.put(at, [terms.Item(kind, unit.name, unit, at.source) for kind, unit in named_units(text)], title=True)

    def read_text(self, at: _At, text: str) -> None:
        """Read a text on its own: ``Test pressure: 28 inH2O``, a sentence, or a title."""
        self._read_units(at, text)
        days = _DAY.findall(text) if len(text) < _LONG_LINE else []
        day = iso_date(days[0]) if len(days) == 1 else None
        if day is not None and _TESTS & ({m.kind for m in mentions(text)} | {fold(word) for word in text.split()}):
            self.put(at, [terms.Item("date", day, None, at.source)], title=True)  # "tested 24 Nov 2026 at 28 in H2O"
        dated = _DATED.fullmatch(text) if day is None else None
        if dated is not None and parse_label(dated[1]).kind == "date":
            self._add(Label("date"), dated[2], at)  # "Date 3/4/26"
            return
        sided, text = by_side(text)
        for side, value in sided:
            self._add(Label("pressure", side=side), value, at)
        if sided and not text:
            return
        found, rest = pairs(text)
        for label, value in found:
            self._add(label, value, at)
        taken = take_pressure(rest) if found and found[-1].label.kind in _LEAKS else None
        if taken is not None and not taken.rest.strip(" ,;.@"):
            self._add(Label("leak_pressure"), f"{taken.number} {taken.unit}", at)
        elif rest or not found:
            self._read_rest(at, rest if found else text)

    def _read_rest(self, at: _At, text: str) -> None:
        """Read a title, or a sentence and the parts of it that name a test and no more: ``Intake 2, ported``."""
        label = parse_label(str(self.view.meant(text)))
        self.got.words += label.languages
        self.got.lines.append(Line(at.row, at.column, " ".join(text.split()), label, at.source))
        self._read_title(at, label, text)
        before = False
        for clause in filter(None, _CLAUSE.split(text)) if is_sentence(text) and len(text) < _LONG_LINE else ():
            label = parse_label(str(self.view.meant(clause)))
            known = set(label.kinds) <= _NAMES
            names = known and (label.names or (before and "state" in label.kinds))
            before = known and label.names
            if names and clause != text and not label.kind and not is_sentence(clause):
                self.got.lines.append(Line(at.row, at.column, clause.strip(), label, at.source))
                self._read_title(at, label, clause)

    def _read_title(self, at: _At, label: Label, text: str) -> None:
        """Take side, port, run, flow unit and pressure out of a title; a sentence gives its pressure alone."""
        found: list[terms.Item] = []
        taken = take_pressure(text)
        figure = any(measures(quantity.unit, *FLOW_QUANTITIES) for quantity in quantities(text))
        talk = figure or is_sentence(text if taken is None else taken.rest)  # "Cyl 3 had 110 CFM"
        talk = talk or _EXPLAINS.search(text) is not None
        if not (_waits(label, self.view.value(at.row, at.column)) or talk or len(label.rest) > LONG_TITLE):
            said: dict[str, str | float | None] = {
                "side": label.side or (f"?{label.code}" if label.code and not label.rest else None),
                "port": label.port,
                "run": float(label.run) if label.run else None,
            }
            if label.kind == "head" and label.bare and label.bare.isdecimal() and not label.rest:
                said["head"] = label.bare  # "Head 2"
            elif label.head or (label.position and (label.port or label.bare or "head" in label.kinds)):
                said["head"] = label.head or label.position
            found = [terms.Item(kind, value, None, at.source) for kind, value in said.items() if value]
            if measures(label.unit, *FLOW_QUANTITIES):
                found.append(terms.Item("flow_unit", label.unit.name, label.unit, at.source))
            size = VALVE_SIZE.fullmatch(label.rest)
            if size is not None and label.side:
                found += terms.read_item("valve_head", terms.Written(size[1], at.source, Label(side=label.side)))[0]
        self.put(at, found, title=True)
        pressure = label.pressure
        if pressure is None and taken is not None and taken.of_water and taken.unit:
            pressure = label.aside if taken.of_a_test or taken.among_units else None
        other = label.kind == "other" or (taken is not None and taken.of_other)  # "Spring 75 lb at 1.5 in"
        if pressure is not None and not other:
            self._add(Label("pressure"), " ".join(pressure), at, title=True)


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


# Which tables a line holds for.


@dataclass(slots=True)
class Scope:
    """What holds for one table."""

    table: Table
    items: dict[Key, terms.Item] = field(default_factory=dict)
    title: Line | None = None


@dataclass(slots=True)
class _Band:
    """Tables side by side, and the lines above, beside and directly under them."""

    tables: list[Table]
    bottom: int
    entries: list[Placed] = field(default_factory=list)
    under: list[Placed] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)


def scopes(tables: Sequence[Table], said: Metadata) -> tuple[list[Scope], list[Finding]]:
    """Say what holds for each table of a sheet."""
    bands: list[_Band] = []
    for table in sorted(tables, key=lambda t: t.corners()[:2]):
        top, _, bottom, _ = table.corners()
        if bands and top <= bands[-1].bottom:
            bands[-1].tables.append(table)
            bands[-1].bottom = max(bands[-1].bottom, bottom)
        else:
            bands.append(_Band([table], bottom))
    for band in bands:
        band.tables.sort(key=lambda t: t.corners()[1])
    captions = {line.row for line in said.lines if line.label.names or "state" in line.label.kinds}
    first = min(table.corners()[0] for table in bands[0].tables)
    # Captions are above their tables, unless every table has one right under it and the first none above it.
    below = len(bands) > 1 and all(band.bottom + 1 in captions for band in bands) and min(captions) > first
    tail = _deal(bands, said, below=below)
    # For the whole sheet hold the lines above its first table, then those at its end. The last title above the first
    # table is the table's own where others have theirs.
    shared, _ = _split(bands[0])
    titles = [(entry.row, entry.column) for entry in shared if entry.title]
    others = any(entry.title for band in bands[1:] for entry in band.entries)
    own_title = max(titles) if titles and others else None
    whole = [e for e in shared if not (e.title and (e.row, e.column) == own_title and e.item.kind in WHO_KINDS | OWN)]
    general = _gather(tail, []) | _gather(whole, [])
    findings: list[Finding] = []
    found: dict[int, Scope] = {}
    above: dict[Key, terms.Item] = {}  # what the last title said of side and head: it holds over the ports below it
    for place, band in enumerate(bands):
        shared, per_table = _split(band)
        names = {(e.item.kind, e.item.side): e.item for e in shared if e.title and e.item.kind in WHO_KINDS}
        above = {key: item for key, item in above.items() if names and key[0] in ("side", "head")} | names
        for index, (table, mine) in enumerate(zip(band.tables, per_table, strict=True)):
            own = shared + mine
            labelled = {entry.item.kind for entry in own if not entry.title}
            repeated = place > 0 and bool(labelled & {kind for kind, _ in general})
            inherited = {key: item for key, item in general.items() if not (repeated and key[0] in OWN)}
            if place > 0 and any(entry.item.kind == "side" for entry in own):
                inherited.pop(("side", None), None)
            items = above | inherited | _gather(own, findings) | _gather(band.under, findings)
            # Its title is the text directly above it, over its own columns.
            top, left, _, right = table.corners()
            over = range(left if index else 0, right + 1)
            near = [line for line in band.lines if (line.row < top or below) and line.column in over]
            found[id(table)] = Scope(table, items, near[-1] if near and top - near[-1].row <= 3 else None)
    return [found[id(table)] for table in tables], findings


def _deal(bands: Sequence[_Band], said: Metadata, *, below: bool) -> list[Placed]:
    """Give each line to the band it is above, beside or directly under; return what is left at the end."""
    ends = [band.bottom for band in bands]
    tail: list[Placed] = []
    under = list(ends)  # the last line under each
    for entry in sorted(said.placed, key=lambda e: (e.row, e.column)):
        place = bisect_left(ends, entry.row - below)
        if place and entry.item.kind in UNDER and entry.row - under[place - 1] <= 1:
            under[place - 1] = entry.row
            bands[place - 1].under.append(entry)
        elif place < len(bands):
            bands[place].entries.append(entry)
        else:
            tail.append(entry)
    alone = bands[-1].under and len(bands) > 1 and not any(band.under for band in bands[:-1])
    if alone and any(entry.row - under[-1] == 1 for entry in tail):  # one block with what holds for the whole sheet
        tail, bands[-1].under = bands[-1].under + tail, []
    for line in said.lines:
        at = bisect_left(ends, line.row - below)
        if at < len(bands):
            bands[at].lines.append(line)
    return tail


def _split(band: _Band) -> tuple[list[Placed], list[list[Placed]]]:
    """Part a band's lines into those of all its tables and of each: the next one below, in its columns."""
    per_table: list[list[Placed]] = [[] for _ in band.tables]
    if len(band.tables) == 1:
        return list(band.entries), per_table
    corners = [table.corners() for table in band.tables]
    shared: list[Placed] = []
    by_kind: dict[str, list[tuple[int, Placed]]] = {}
    for entry in band.entries:
        lead = max((left for _, left, _, _ in corners if left <= entry.column), default=corners[0][1])
        over = [index for index, (_, left, _, _) in enumerate(corners) if left == lead]
        owner = next((index for index in over if corners[index][2] >= entry.row), over[-1])
        by_kind.setdefault(entry.item.kind, []).append((owner, entry))
    for entries in by_kind.values():
        of_all = len({owner for owner, _ in entries}) == 1
        for owner, entry in entries:
            (shared if of_all else per_table[owner]).append(entry)
    return shared, per_table


def _gather(entries: Sequence[Placed], findings: list[Finding]) -> dict[Key, terms.Item]:
    """Gather values by kind and side; labels count before titles, and contradictions are reported."""
    found: dict[Key, Placed] = {}
    split: set[Key] = set()  # titles of one row that differ: each is over something else
    for entry in entries:
        item, key = entry.item, (entry.item.kind, entry.item.side)
        known = found.get(key)
        if known is not None and not known.title:
            if not entry.title and known.item.value != item.value:
                ranges = {str(value).partition("@")[2].casefold() for value in (known.item.value, item.value)}
                if item.kind == "notes" or (item.kind.startswith("leak_reading") and len(ranges) > 1):
                    joined = known.item._replace(value=f"{known.item.value}; {item.value}")
                    found[key] = known._replace(item=joined)
                else:
                    name = item.kind.replace("_", " ")
                    what = f"{name} is stated twice and differently, here and in {known.item.source}; {terms.KEEP_ONE}"
                    findings.append(terms.refused(item.source, what))
            continue
        if known is not None and entry.title and entry.row == known.row and item.value != known.item.value:
            split.add(key)
        else:
            split.discard(key)
        found[key] = entry
    return {key: entry.item for key, entry in found.items() if key not in split}
