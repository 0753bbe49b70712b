"""What each column of a table is: all headings weighed together, and checked by what the numbers do."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isclose
from statistics import fmean, median

from flowkit.errors import with_article
from flowkit.importers.tables.find import HEADED, Table, is_empty, leads_groups, unit_beside
from flowkit.importers.tables.names import SIDE_LETTERS, name_columns
from flowkit.importers.words.items import CONDITION_FIELDS, FLOW_KINDS, SET_HEADING, unreadable
from flowkit.importers.words.labels import LEFT_OUT, WHO_KINDS, Label, parse_label
from flowkit.importers.words.values import as_text, known_unit
from flowkit.importers.words.vocabulary import SIDE_CODES, fold
from flowkit.model import Finding, Side
from flowkit.units import FLOW_QUANTITIES, Unit, measures, number

LIFTS_AGREE = 1.1  # small lifts are rounded hard
AGREE = 0.02  # two columns of one flow, each rounded for printing
PORTS = range(1, 17)
SAG = 1.6  # how far a test pressure falls as a port opens; a gauge named by its unit alone that moves more is another
SQUARES = 0.05  # the square of a flow goes with its pressure, each rounded for printing
EXACT = 0.004  # a mean, sum or ratio worked out from rounded figures
REPEATED = 1.03  # how far apart the flows of two runs may lie
LIKE = (0.5, 2.0)  # how far apart the flows of two ports may lie at every lift
RISES = 1.3  # by how much the flow of a list without headings must rise with the lift
ALIKE = (0.2, 5.0)  # how far apart flows of two states may lie at one lift
PRESSURES_PA = (200.0, 25_000.0)  # of a flow test
WIDEST_IN = 4.0  # of a valve: 10" over a column is a test pressure
READING_UNITS = frozenset({"pressure", "length", "humidity"})
_RAW_WORDS = (
    "measured raw actual observed indicated uncorrected uncorr gemessen unkorrigiert brut medido bruto misurato grezzo "
    "gemeten ruw zmierzony surowy zmierzone uppmatt ra medida bruta 実測"
)
RAW = frozenset(_RAW_WORDS.split()) | {"as read", "valeur mesuree", "生テータ"}
_OPEN = ("flow", "named", "unknown", "bare", "reading")  # roles that may turn out to be of a test
_WHY = {
    "average": "an average", "total": "a total", "derived": "a figure worked out from readings",
    "other": "another quantity than flow", "counter": "no reading", "gain": "a gain or percentage",
}  # fmt: skip
_TEST = re.compile(r"\(?tests? *#? *(\d+)\)?", re.IGNORECASE)
_POSITION = re.compile(
    r"\D*(?:reading|pitot|ablesung|lecture|lectura|lettura|aflezing|odczyt|avläsning|leitura|読み)\D*(\d+)\b"
)
_LIMITS = frozenset({"low", "high", "lo", "hi", "min", "max", "lower", "upper", "from", "to", "worst", "best"})


@dataclass(slots=True)
class Column:
    """One column of a table, with what the headings stacked over it say."""

    index: int
    role: str = ""  # in the end flow, reading, pressure, who, condition, ignored or trouble
    kind: str | None = None
    side: Side | None = None
    port: str | None = None
    run: int | None = None
    variant: str = ""
    head: str | None = None
    code: str | None = None  # it and the next three are left to the headings beside it
    letter: str | None = None
    bare: str | None = None
    position: str | None = None
    marked: bool = False
    again: bool = False
    state: bool = False
    both: bool = False
    meter: bool = False
    unit: Unit | None = None
    unit_text: str = ""
    foreign: str = ""
    pressure: tuple[str, str] | None = None
    treatment: str = ""
    text: str = ""
    heading: int | None = None  # the row of its lowest heading
    why: str = ""  # it is left out
    own: tuple[str, ...] = ()
    trouble: list[str] = field(default_factory=list)  # what in its headings contradicts itself
    flows: list[int] | None = None  # of a pressure: the columns of flow it was taken with
    like: bool = False  # left out, though its numbers could be flows
    beside: int | None = None  # of a meter's reading: the column of the flow that was worked out from it

    def source(self, table: Table) -> str:
        """Return the cell of its lowest heading, or its first cell where it has none."""
        return table.view.source(table.axis.first if self.heading is None else self.heading, self.index)

    @property
    def named(self) -> bool:
        """Whether its headings say which test it is."""
        return bool(self.side or self.port or self.run or self.code or self.letter or self.position or self.head)

    @property
    def flowing(self) -> bool:
        """Whether its headings have a unit of flow."""
        return measures(self.unit, *FLOW_QUANTITIES)

    @property
    def raw(self) -> bool:
        """Whether its headings say that it was measured, and not that it was corrected or worked out."""
        return fold(self.treatment) in RAW

    def refuse(self, table: Table, what: str) -> Finding:
        """Ask about its heading."""
        self.role = "trouble"
        return unreadable(self.source(table), what)

    def leave_out(self, why: str) -> None:
        """Leave it out."""
        self.role, self.why = "ignored", why


def describe(
    table: Table, side: Side | None, flow_unit: str | None, words: Sequence[str], title: str = ""
) -> tuple[list[Column], list[Finding]]:
    """Say what each column but the lifts is, and what is ambiguous or left out; `title` is one that names a port."""
    columns = [column for column in _stacked(table) if _filled(table, column.index)]
    for column in columns:
        _first_role(table, column)
        _take_words(table, column)
    findings = [
        c.refuse(table, f"the column headed {c.text!r} cannot be placed: {c.trouble[0]}; {SET_HEADING}")
        for c in columns
        if c.trouble
    ]
    flows = [c for c in columns if c.role in ("flow", "named", "bare")]
    letters = [c for c in flows if c.letter]
    if len(letters) == 1 < len(flows) and letters[0].own == ("letter",) and not (letters[0].port or letters[0].flowing):
        letters[0].leave_out("one letter and no unit of flow")  # V, A or K of a meter
    averages = [c for c in columns if c.role == "ignored" and c.kind == "average"]
    if len(averages) == 1 and not any(column.role in _OPEN for column in columns):
        averages[0].role, averages[0].why = "flow", ""  # the table has no other flow
    for column in columns:
        if column.code == "in" and fold(column.text) == "in":  # beside "mm" the same lifts in inches, and no intake
            ratios = _to_lifts(table, column)
            if ratios and all(isclose(ratio, 1 / 25.4, rel_tol=0.05) for ratio in ratios):
                column.leave_out("a second column of lifts")
                column.code = None
    numbered = [c for c in columns if c.role in _OPEN and c.bare and c.bare.isdecimal() and not (c.port or c.marked)]
    if title and len(numbered) > 1:  # "Q1, Q2" under "Intake 1" are runs of that port
        if _agree(table, numbered, REPEATED, 1.08):
            for column in numbered:
                column.run, column.bare = int(column.bare or 1), None
        else:
            what = f"the numbers in {numbered[0].text!r} and the columns beside it are not those of {title!r}"
            findings.append(numbered[0].refuse(table, f"{what}; {SET_HEADING}"))
    findings += name_columns(table, [column for column in columns if column.role in _OPEN], side, words)
    _take_tests_for_runs(table, columns)
    _decide_unknown(table, columns, lone=bool(side and flow_unit))  # which lines of the sheet name
    _check_arithmetic(table, columns)
    _share_pressure(columns)
    findings += _decide_twins(table, columns)
    _decide_readings(columns)
    findings += [_ignored(table, column) for column in columns if column.role == "ignored" and column.why]
    return columns, findings + _lifts_apart(table, columns)


def _ignored(table: Table, column: Column) -> Finding:
    """Say that a column was left out, and why."""
    heading, source = repr(column.text) if column.text else "without a heading", column.source(table)
    unclear = column.why == "not understood"
    if unclear and (column.like or column.side or column.port or column.code or column.state):
        what = f"the column {heading} is beside flows, and its test is not clear; say which test it is, or leave it out"
        return unreadable(source, what)
    remedy = f"; if it holds flows, {SET_HEADING}" if unclear else ""
    return Finding("column-ignored", "note", source, f"the column {heading} was left out: {column.why}{remedy}")


def _lifts_apart(table: Table, columns: Sequence[Column]) -> list[Finding]:
    """Ask about a second column of lifts that is not the first one in another unit: each side may have its own."""
    label = table.axis.label
    for column in (c for c in columns if c.why == "a second column of lifts" and "lift" in c.own):
        ratios = _to_lifts(table, column)
        alike = len(ratios) < 3 or max(ratios) <= LIFTS_AGREE * min(ratios)
        same_unit = label is not None and column.unit == label.unit
        if not alike or (same_unit and ratios and not isclose(ratios[-1], 1.0, rel_tol=AGREE)):
            what = f"the lifts under {column.text!r} are not those in the other column of lifts"
            return [unreadable(column.source(table), f"{what}; say which flows they belong to")]
    return []


def _to_lifts(table: Table, column: Column) -> list[float]:
    """The figures of a column over the lifts of their rows."""
    lifts = {row: table.view.cells[row][table.axis.column].value for row in table.axis.rows}
    return [value / lift for row, value in _values(table, column).items() if (lift := lifts[row]) and value]


def _values(table: Table, column: Column) -> dict[int, float]:
    """The numbers of a column by their rows."""
    cells = ((row, table.view.cells[row][column.index].value) for row in table.axis.rows)
    return {row: value for row, value in cells if value is not None}


# What is over a column.


def _stacked(table: Table) -> list[Column]:
    """Join the headings over every column but the lifts."""
    carried = {row: _carried(table, row) for row in table.headers}
    columns = []
    for index in range(table.left, table.right + 1):
        if index != table.axis.column and index not in table.others:
            column = _stack(table, index, carried)
            _name_by_rows(table, column)
            beside = unit_beside(table.view, table.axis.rows, index + 1) if index < table.right else None
            if column.unit is None and beside is not None:
                column.unit, column.unit_text = beside, beside.name
            columns.append(column)
    return columns


def _carried(table: Table, row: int) -> dict[int, int]:
    """For a row of headings and each column: which column's heading holds for it from the left."""
    view, lift = table.view, table.axis.column
    merges = {c0: c1 for r0, c0, r1, c1 in view.merged if r0 <= row <= r1 and c1 > c0}
    filled = [c for c in range(lift + 1, table.right + 1) if view.kinds[row][c] != " "]
    lead = view.label(row, lift) if row != table.axis.heading else None
    plain = lead is not None and (lead.names or lead.letter) and not lead.rest and lead.kind is None
    if plain or leads_groups(table, row):
        filled = [lift, *filled]
    holder: dict[int, int] = {}
    for column, following in zip(filled, [*filled[1:], table.right + 1], strict=False):
        end = min(following - 1, merges.get(column, table.right))
        holder.update(dict.fromkeys(range(column, end + 1), column))
    # Without a merge they may be over the middle of their groups.
    columns = [c for c in range(lift + 1, table.right + 1) if _filled(table, c)]
    if not filled or merges or not columns or filled[0] <= columns[0] or len(columns) % len(filled):
        return holder
    size = len(columns) // len(filled)
    labels = [view.label(row, column) for column in filled]
    groups = [(columns[n * size], columns[n * size + size - 1]) for n in range(len(filled))]
    if (
        size > 1
        and not any(label is not None and (label.treatment or label.pressure) for label in labels)
        and filled[-1] < columns[-1] + (size == 2 and len(filled) > 1)
        and all(first < column <= last for column, (first, last) in zip(filled, groups, strict=True))
    ):
        return {c: held for held, (first, last) in zip(filled, groups, strict=True) for c in range(first, last + 1)}
    return holder


def _stack(table: Table, index: int, carried: Mapping[int, dict[int, int]]) -> Column:
    """Join the headings over a column, those of its group first."""
    view = table.view
    own = [row for row in table.headers if view.kinds[row][index] != " "]
    over = {(row, c0, index) for r0, c0, r1, c1 in view.merged if index <= c1 for row in range(r0, r1 + 1)}
    lowest = own[-1] if own else -1
    column = Column(index)
    texts = []
    labels: list[tuple[Label, bool]] = []
    for place, row in enumerate(table.headers):
        at: int | None = index if row in own else carried[row].get(index)
        if at is None or (at != index and row >= lowest >= 0 and (row, at, index) not in over):
            continue
        label = _heading(table, row, at)
        if label is None or (at != index and label.only_unit and row >= table.headers[-1]):
            continue
        below = table.headers[place + 1 :]
        leaf = below and own and own[-1] > row and all(view.kinds[line][at] == " " for line in below)
        elsewhere = label.kind in LEFT_OUT | {"notes", "counter"} and not label.names
        if at != index and ((leaf and label.treatment) or elsewhere):
            continue  # the heading of another column, with empty cells beside it
        if label.kind == "head" and label.bare and row < table.row and len(table.filled(row)) > 1:
            label = replace(label, kind=None, head=label.bare, bare=None)
        unit = as_text(view.rows[row][at]).strip("()[] ")
        if at == index and unit in ("V", "Hz", "div") and any(above.kind == "meter" for above, _ in labels):
            label = Label("meter", unit_text=unit)  # in a row of units
        labels.append((label, at == index))
        texts.append(as_text(view.rows[row][at]))
        column.heading = row if at == index else column.heading
    column.text = " ".join(texts)
    for label, mine in labels:
        _join(column, label, mine=mine)
    return column


def _heading(table: Table, row: int, index: int) -> Label | None:  # noqa: PLR0911
    """What a heading says; a number is a name."""
    view = table.view
    label = view.label(row, index)
    if label is not None:
        beside = view.labels(row)[table.left : table.right + 1]
        if label.kind == "humidity" and label.unit is None and any(other and other.position for other in beside):
            return Label(position=as_text(view.value(row, index)))  # RH beside LH
        return label
    cell, text = view.cells[row][index], as_text(view.rows[row][index])
    if cell.unit in ("IN", "In") and cell.value in PORTS:
        return parse_label(text)  # "1 IN", the intake of port 1
    if not cell.unit:
        return None if cell.gap else Label(bare=text)
    unit = known_unit(cell.unit)
    if measures(unit, "pressure") or (unit is not None and unit.name == "in" and (cell.value or 0.0) > WIDEST_IN):
        return Label(pressure=(as_text(cell.value), cell.unit))
    if measures(unit, *FLOW_QUANTITIES):
        return Label(bare=as_text(cell.value), unit=unit, unit_text=cell.unit)
    return Label(rest=text, kinds=("state",))  # a valve's size heads the state it was tested in


_HEAD = re.compile(r"(?:cylinder )?head #?(\d+|[A-Z])(?:\s*[:,–-]\s*|\s*\()([^()]+)\)?", re.IGNORECASE)


def _join(column: Column, label: Label, *, mine: bool) -> None:
    """Add one heading to what the headings above it said."""
    kinds = set(label.kinds)
    column.kind = label.kind or column.kind
    column.own = (*column.own, *label.kinds) if mine else column.own
    column.marked = column.marked or bool(kinds & {"mark", "common", "counter"})
    column.state = column.state or "state" in kinds or ("variant" in kinds and bool(label.rest))
    column.both = column.both or label.both_sides
    column.again, column.foreign = column.again or label.again, column.foreign or label.foreign
    column.meter = column.meter or (mine and "meter" in kinds)
    if label.code == "in" and label.port is None and label.unit is not None and label.unit.name == "in":
        if column.kind in ("pressure", "meter"):
            column.unit, column.unit_text = label.unit, label.unit_text
        elif column.side != "intake":
            column.code = "in"
        return
    if label.side is not None and column.side not in (None, label.side):
        column.trouble.append("its headings name both sides")
    if label.port is not None and column.port not in (None, label.port):
        column.trouble.append(f"its headings name two ports, {column.port} and {label.port}")
    titled = _HEAD.fullmatch(label.rest)
    column.head = label.head or (titled and titled[1]) or column.head
    for name in ("side", "port", "run", "code", "letter", "bare", "position", "treatment"):
        setattr(column, name, getattr(label, name) or getattr(column, name))
    column.pressure = label.pressure or label.aside or column.pressure
    if label.unit is not None:
        known = column.unit
        if known is not None and known.quantity == label.unit.quantity and known.name != label.unit.name:
            column.trouble.append(f"its headings name two units, {known.name} and {label.unit.name}")
        column.unit, column.unit_text = label.unit, label.unit_text
    elif label.kind == "meter":
        column.unit_text = label.unit_text or column.unit_text
    rest = titled[2] if titled else label.rest if label.aside is None else label.aside_rest
    if rest and rest not in column.variant:
        column.variant = f"{column.variant} {rest}".strip()


def _name_by_rows(table: Table, column: Column) -> None:
    """Take side, port, run, variant or head from a row that gives one for each column."""
    lift, view = table.axis.column, table.view
    for row, label in table.named.items():
        if label.kind not in WHO_KINDS | {"valve_head"}:
            continue
        at = next((c for c in range(column.index, lift, -1) if view.kinds[row][c] != " "), None)
        text = as_text(view.value(row, at)) if at is not None else ""
        said = parse_label(text)
        if at is None or (label.kind == "valve_head" and said.side is None):
            continue
        if measures(said.unit, *FLOW_QUANTITIES) and said.names and column.unit is None:
            column.unit, column.unit_text, column.text = said.unit, said.unit_text, column.text or text
        if label.kind in ("side", "valve_head", "port"):
            column.side, column.code = said.side or column.side, said.code or column.code
        if label.kind in ("side", "valve_head"):
            column.letter = said.letter or column.letter
        elif label.kind == "port":
            named = said.side or said.code or (said.letter or "").casefold() in SIDE_CODES
            column.port = said.port or (None if named else text) or column.port
        elif label.kind == "run":
            column.run = said.run or (int(said.bare) if said.bare and said.bare.isdecimal() else None) or column.run
        elif label.kind == "variant":
            column.variant = text
        else:
            column.head = text


# What a column is.


def _filled(table: Table, index: int) -> bool:
    """Whether a column holds anything in the table's rows."""
    return not is_empty(table.view, index, table.span)


def _letters(table: Table, index: int) -> str:
    """The kinds of a column's cells in the rows with a lift."""
    return table.axis.letters(table.view.down[index]).replace(" ", "")


def _all_percent(table: Table, index: int) -> bool:
    """Whether the numbers of a column are all shown as percentages."""
    view, lifts = table.view, table.span if table.view.grid.percent_cells else ()
    shown = {view.percent(row, index) for row in lifts if isinstance(view.value(row, index), float)}
    return shown == {True}


def _cells_of_other_units(table: Table, index: int) -> bool:
    """Whether the numbers of a column have units in their cells, and none that a flow test has."""
    texts = [value for row in table.axis.rows if isinstance(value := table.view.rows[row][index], str)]
    if not texts or texts[0][-1:].isdigit():
        return False
    units = {table.view.cells[row][index].unit for row in table.axis.rows}
    known = [unit for spelled in units if spelled and (unit := known_unit(spelled)) is not None]
    return bool(known) and all(unit.quantity in ("humidity", "temperature", "angle") for unit in known)


def _first_role(table: Table, column: Column) -> None:
    """Say what a column is as far as its own headings and cells tell."""
    letters = _letters(table, column.index)
    column.role, column.why = "trouble", ""
    if column.kind == "notes" and column.flowing and not column.named and "n" in letters and set(letters) <= set("nb"):
        column.kind, column.treatment = "flow", "observed"  # "CFM obs"
    if not column.trouble:
        _role_of_heading(table, column, letters)
    if column.role in ("named", "unknown", "bare", "flow") and letters and set(letters) <= set("td"):
        cells = [table.view.value(row, column.index) for row in table.axis.rows]
        numbers = sum(any(mark.isdigit() for mark in str(cell)) for cell in cells if cell is not None)
        if column.role != "flow" or numbers * 2 <= len(cells):  # else they are mistyped, or have remarks
            column.role, column.why = "text", "no reading"


def _role_of_heading(table: Table, column: Column, letters: str) -> None:  # noqa: PLR0912
    """Say what a column is by its headings, and by its cells where these are ambiguous."""
    kind, flowing = column.kind, column.flowing
    quantity = column.unit.quantity if column.unit is not None else None
    plain = kind is None
    if kind == "meter" and column.unit is None and letters and set(letters) <= set("tb") and "t" in letters:
        column.role = "condition"  # it names the meter
    elif kind == "meter" or (column.meter and not flowing and kind in (None, "flow", "gain")):
        if quantity is None or quantity in READING_UNITS or flowing or column.foreign == "electricity":
            column.role = "flow" if flowing else "reading"
        else:
            column.leave_out(with_article(quantity))
    elif kind in LEFT_OUT or (quantity == "humidity" and kind in (None, "flow")) or _all_percent(table, column.index):
        column.leave_out(_WHY.get(kind or "", "a gain or percentage"))
    elif kind == "range" and flowing:
        column.leave_out("a range of the bench, not a flow")
    elif kind == "notes" and column.named and flowing and "n" in letters:  # headings that ran together
        column.trouble.append("its heading names flows and notes")
    elif kind == "notes" or (letters and set(letters) <= set("b")):
        column.leave_out("no reading")
    elif kind not in CONDITION_FIELDS and _cells_of_other_units(table, column.index):
        column.leave_out("another quantity than flow")
    elif column.foreign and not flowing:
        column.leave_out(f"{with_article(column.foreign)}, not a flow")
    elif column.both and not column.side:
        column.leave_out("a figure of both sides")
        column.role = "who" if kind == "side" else "ignored"
    elif kind in WHO_KINDS | {"range"} and not column.named and not flowing:
        column.role = "who" if kind != "range" else "condition"
    elif kind == "flow" or column.own == ("again",) or ((plain or kind in WHO_KINDS) and flowing):
        column.role = "flow"
    elif kind == "pressure" or (plain and quantity == "pressure"):
        column.role = column.kind = "pressure"
        values = [v for row in table.axis.rows if (v := table.view.cells[row][column.index].value)]
        if column.unit is not None and quantity == "pressure" and values and "pressure" not in column.own:
            usual = PRESSURES_PA[0] <= abs(median(values)) * column.unit.factor <= PRESSURES_PA[1]
            if max(values) > SAG * min(values) or not usual:
                column.leave_out("a pressure other than the test pressure")
    elif kind in CONDITION_FIELDS and (kind in FLOW_KINDS or not flowing):
        column.role = "condition"
    elif kind == "lift" or (plain and quantity in ("length", "lift ratio")):
        column.leave_out("a second column of lifts" if not column.named else "a length, not a flow")
    elif quantity is not None and not flowing:
        column.leave_out(with_article(quantity))
    elif column.own == ("filler",) and fold(column.text) == "test" and column.index < table.axis.column:
        said = [parse_label(as_text(table.view.rows[row][column.index])) for row in table.axis.rows]
        column.role, column.kind = "who", "port" if any(label.side or label.code for label in said) else "run"
    elif column.named or kind in WHO_KINDS:
        column.role = "named"
    else:
        column.role = "bare" if column.bare and not column.variant else "unknown"


def _take_words(table: Table, column: Column) -> None:
    """Take a column of words for what names a row's test, where all its words do."""
    letters = _letters(table, column.index)
    if not letters or column.kind == "notes":
        return
    if column.role in ("text", "condition", "flow") and not letters.strip("t"):
        view = table.view
        texts = {as_text(view.meant(view.rows[row][column.index])) for row in table.axis.rows} - {""}
        said = [parse_label(text) for text in texts]
        sides = sum(bool(label.side or label.code) and not label.rest for label in said)
        single = {label.letter.casefold() for label in said if label.letter and not label.rest}
        if (
            sides == len(said)
            or (len(single) == len(said) and single in (*SIDE_LETTERS, {"i"}, {"e"}))
            or column.kind == "valve_head"
        ):
            column.role, column.kind = "who", "side"  # words under "Valve" that name no side are asked about
        elif (
            column.role == "text"
            and column.index < table.axis.column
            and len(texts) * 2 <= len(letters)
            and not column.kind
        ):
            letter = {text.casefold() for text in texts} <= {"i", "e"}
            column.role, column.kind = "who", "side" if letter else "variant"
    if column.role == "text":
        column.role = "ignored"
        column.text = "" if column.heading is None else column.text


def _take_tests_for_runs(table: Table, columns: list[Column]) -> None:
    """Take ``test 1``, ``test 2`` for runs where their flows agree as repeated readings do, else for states."""
    named = [(column, match) for column in columns if (match := _TEST.fullmatch(column.variant)) is not None]
    for side in {column.side for column, _ in named}:
        group = [(column, match) for column, match in named if column.side == side]
        if len(group) > 1 and _agree(table, [column for column, _ in group], REPEATED, 1.08):
            for column, match in group:
                column.run, column.variant, column.role = int(match[1]), "", "flow"


def _decide_unknown(table: Table, columns: list[Column], *, lone: bool) -> None:
    """Take columns with unknown headings for states where the known ones leave that open and the numbers agree."""
    known = [column for column in columns if column.role in ("flow", "named")]
    pattern = {bool(column.side or column.port) for column in known if column.variant}
    open_to_names = not known or (all(column.variant for column in known) and False in pattern)
    named = any(column.variant for column in known)
    for column in (c for c in columns if c.role in ("named", "unknown")):
        known_state = column.variant and (open_to_names or (column.state and named))
        if column.role == "unknown" and not known_state:
            column.leave_out("not understood")
            column.like = _is_like(table, column, known)
        else:
            column.role = "flow"
    if lone and len(columns) == 1 and not columns[0].text:
        # The numbers before it must be lifts beyond doubt, and it must rise with them: a list of ports looks the same.
        flows = list(_values(table, columns[0]).values())
        cells = [table.view.cells[row][table.axis.column] for row in table.axis.rows]
        counted = all(cell.value is not None and cell.value.is_integer() and not cell.unit for cell in cells)
        if table.axis.score >= HEADED or (not counted and len(flows) > 2 and max(flows) > RISES * min(flows)):
            columns[0].role, columns[0].kind, columns[0].why = "flow", "flow", ""
    # Columns whose only claim to be a flow is a place among flows, and whose numbers are unlike theirs.
    flowing = [c for c in columns if c.role == "flow"]
    unsure = [c for c in flowing if not (c.kind == "flow" or c.named or c.state or c.flowing)]
    flows_of = {column.index: _values(table, column) for column in flowing} if unsure and len(flowing) > 1 else {}
    for column in unsure if flows_of else ():
        mine = flows_of[column.index]
        others = [values for index, values in flows_of.items() if index != column.index]
        ratios = _ratios({row: value for row, value in mine.items() if value > 0}, others)
        steps = [b - a for a, b in itertools.pairwise(mine.values())]
        falling = bool(steps) and sum(step < 0 for step in steps) > len(steps) / 2
        if not ratios or not ALIKE[0] <= median(ratios) <= ALIKE[1] or falling:
            column.leave_out("not understood")


def _is_like(table: Table, column: Column, known: Sequence[Column]) -> bool:
    """Whether numbers under a heading that says nothing could be flows: they rise, and are as large as those known."""
    mine = _values(table, column)
    figures = list(mine.values())
    if column.unit or column.treatment or column.pressure or figures == list(range(1, len(mine) + 1)):
        return False
    ratios = _ratios(mine, [_values(table, c) for c in known])
    return figures == sorted(figures) and len(ratios) > 2 and all(LIKE[0] <= ratio <= LIKE[1] for ratio in ratios)


def _ratios(mine: Mapping[int, float], others: Sequence[Mapping[int, float]]) -> list[float]:
    """The figures of a column over the middle one of those beside them."""
    rows = [(value, [other[row] for other in others if other.get(row)]) for row, value in mine.items()]
    return [value / median(beside) for value, beside in rows if beside]


def positions(columns: Sequence[Column]) -> list[list[Column]]:
    """The columns of readings, those of a pitot tube's positions together: "Reading 2", "Intake 1 pitot 2"."""
    tests: dict[tuple[object, ...], list[Column]] = {}
    for column in columns:
        if column.side and column.port and column.bare:
            number: str | None = column.bare
            test: tuple[object, ...] = (column.side, column.port, column.run)
        else:
            found = _POSITION.match(column.text.casefold())
            number = found[1] if found is not None and not column.side else None
            test = ()
        if number is None or not number.isdecimal():
            return [[column] for column in columns]
        tests.setdefault(test, []).append(column)
    return list(tests.values())


def _decide_readings(columns: list[Column]) -> None:
    """Put readings beside the one flow of the same test; leave those out of which nothing says whose they are."""
    flows = [column for column in columns if column.role == "flow"]
    readings = [column for column in columns if column.role == "reading"]
    taken: set[int] = set()
    for group in positions(readings) if flows else ():
        own = _identity(group[0]) if len(group) == 1 else ()  # what its heading names is what the flow's names
        same = [f for f in flows if all(a in (None, 1, "", b) for a, b in zip(own, _identity(f), strict=False))]
        free = [flow.index for flow in same if len(same) == 1 and flow.index not in taken]
        taken.update(free)
        for column in group:
            if free:
                column.beside = free[0]
            else:
                column.leave_out("a meter's reading, and no one flow beside it is of the same test")


# What the numbers do.

_RULES: tuple[Callable[[float, float], float], ...] = (
    lambda a, b: a - b,
    lambda a, b: a / b,
    lambda a, b: 100 * a / b,
    lambda a, b: 100 * (a / b - 1),
    lambda a, b: a / b - 1,
)


def _check_arithmetic(table: Table, columns: list[Column]) -> None:
    """Leave out columns that are worked out from the others: means, sums, ratios, differences."""
    flows = [c for c in columns if c.role == "flow"]
    texts = [c.text for c in flows]
    unsure = []
    for column in flows if len(flows) > 2 else ():
        named = column.side or column.port or column.run or column.code or column.again or column.state
        if column.heading is None or not (named or texts.count(column.text) > 1):
            unsure.append(column)
    values = {c.index: _values(table, c) for c in flows} if unsure else {}
    for column in unsure:
        mine = values[column.index]
        others = [values[c.index] for c in flows if c is not column and c.role == "flow"]
        rows = [row for row in mine if all(row in other for other in others)]
        if len(others) < 2 or len(rows) < 3:
            continue
        beside = {row: [other[row] for other in others] for row in rows}
        near = {row: abs(mine[row] - fmean(beside[row])) <= max(EXACT * abs(mine[row]), 0.06) for row in rows}
        sums = {row: abs(mine[row] - sum(beside[row])) <= max(EXACT * abs(mine[row]), 0.06) for row in rows}
        if all(near.values()):
            column.kind = "average"
            column.leave_out("an average of the columns beside it")
        elif all(sums.values()):
            column.kind = "total"
            column.leave_out("a total of the columns beside it")
        elif any(_is_worked_out(mine, a, b) for a, b in itertools.permutations(others, 2)):
            column.kind = "gain"
            column.leave_out("worked out from two columns beside it")


def _is_worked_out(mine: Mapping[int, float], one: Mapping[int, float], other: Mapping[int, float]) -> bool:
    """Whether a column is the difference, ratio or gain of two others."""
    rows = [row for row in mine if row in one and other.get(row)]
    off = {row: max(0.01 * abs(mine[row]), 0.006 if abs(mine[row]) < 2 else 0.06) for row in rows}
    return len(rows) > 2 and any(
        all(abs(mine[row] - rule(one[row], other[row])) <= off[row] for row in rows) for rule in _RULES
    )


def _share_pressure(columns: list[Column]) -> None:
    """Give a pressure that heads several columns at once to all of them."""
    flows = [c for c in columns if c.role == "flow"]
    stated = [c for c in flows if c.pressure is not None]
    if len(flows) < 2 or stated != flows[:1] or flows[0].treatment:
        return
    for other in flows[1:] if not any(c.kind == "flow" or c.flowing for c in flows[1:]) else ():
        other.pressure = flows[0].pressure
        if other.unit is None:
            other.unit, other.unit_text = flows[0].unit, flows[0].unit_text


# Two columns of one test.


def _identity(column: Column) -> tuple[object, ...]:
    """What distinguishes two columns of flow."""
    return column.side, column.port, column.run or 1, column.variant.casefold(), column.head


def _decide_twins(table: Table, columns: list[Column]) -> list[Finding]:
    """Keep one of two columns that are the same test; refuse those that look the same."""
    groups: dict[tuple[object, ...], list[Column]] = {}
    for place, column in enumerate(columns):
        if column.role != "flow":
            continue
        mine = _values(table, column) if column.again else {}
        for first in columns[:place] if len(mine) > 2 else ():  # one may be said to be corrected
            same = first.role == "flow" and first.again and (first.port, first.side) == (column.port, column.side)
            if same and mine == _values(table, first):
                column.leave_out(f"the same readings as {first.text!r}")
                break
        else:
            key = _identity(column)
            while column.again and key in groups and _agree(table, [groups[key][0], column], 1.05, 1.15, least=2):
                column.run = (column.run or 1) + 1
                key = _identity(column)
            groups.setdefault(key, []).append(column)
    findings = _ask_for_states(table, columns)
    for group in groups.values():
        if len(group) > 1:
            findings += _decide_group(table, group)
    return findings


def _decide_group(table: Table, group: list[Column]) -> list[Finding]:
    """Keep one of several columns of one test, or all of them as runs; else refuse them."""
    worked = [c for c in group if c.pressure or (c.treatment and not c.raw)]
    raw = [c for c in group if c not in worked]
    if worked and _are_runs(table, raw):
        for column in worked:
            column.leave_out(f"worked out from {raw[0].text!r}, which was measured")
        group = raw
    group = _one_pressure(table, group)
    if len(group) < 2:
        return []
    if _are_runs(table, group):
        for number_of, column in enumerate(group, 1):
            column.run = number_of
        what = f"{len(group)} columns headed {group[0].text!r} agree within a few percent and were read as runs"
        return [Finding("lift-repeated", "note", group[1].source(table), what)]
    # The one that was measured before one of no stated treatment, and a calculated one last.
    first, *others = sorted(group, key=lambda c: 1 if not c.treatment else 0 if c.raw else 2)
    reasons = [_why_twin(table, first, other) for other in others]
    if all(reasons):
        for other, why in zip(others, reasons, strict=True):
            other.leave_out(why)
        return []
    if len({column.run for column in group}) > 1:
        return []  # reported where the tests are put together
    names = " and ".join(repr(column.text or "no heading") for column in group)
    who = f"are both {first.side or ''} {first.port or ''} run {first.run or 1}".replace("  ", " ")
    said = who if first.side or first.port else "could each be the flow"
    return [column.refuse(table, f"the columns headed {names} {said}; {SET_HEADING}") for column in group][:1]


def _one_pressure(table: Table, group: list[Column]) -> list[Column]:
    """Keep the first of columns that are one flow at several pressures, brought from one to the other."""
    pressures = [column.pressure for column in group if column.pressure is not None]
    if len(pressures) < len(group) or len({unit for _, unit in pressures}) != 1:
        return group
    lowest, a = number(pressures[0][0]) or 1.0, _values(table, group[0])
    for column, (figure, _) in zip(group[1:], pressures[1:], strict=True):
        wanted, b = (number(figure) or 0.0) / lowest, _values(table, column)
        squares = [(b[row] / a[row]) ** 2 for row in a if b.get(row) and a[row]]
        if wanted != 1 and len(squares) > 2 and all(abs(square / wanted - 1) < SQUARES for square in squares[1:]):
            column.leave_out(f"the flow of {group[0].text!r} brought to another test pressure")
    return [column for column in group if column.role != "ignored"]


def _ask_for_states(table: Table, columns: Sequence[Column]) -> list[Finding]:
    """Ask about a column like ``Int 1 smoothed`` beside ``Int 1``: its words may name a state, or how it was made."""
    flows = [column for column in columns if column.role == "flow"]
    plain = {(c.side, c.port, c.run or 1, c.head) for c in flows if not c.variant}
    findings = []
    for column in flows:
        limit = fold(column.variant) in _LIMITS
        named = column.variant and not column.state
        if limit or (named and (column.side, column.port, column.run or 1, column.head) in plain):
            may = "be a limit or one of several readings" if limit else "name a state, or how the figures were made"
            remedy = f"say which {'test' if limit else 'state'} each column beside it is"
            what = f"{column.variant!r} in the heading {column.text!r} may {may}; {remedy}"
            findings.append(column.refuse(table, what))
    return findings


def _are_runs(table: Table, group: Sequence[Column]) -> bool:
    """Whether columns of one heading are repeated runs: named alike, and their flows differ as repeated readings do."""
    if len(group) < 2 or any(column.run for column in group):
        return False
    same = len({(c.text, c.treatment, c.pressure) for c in group}) == 1
    first = _values(table, group[0])
    return same and _agree(table, group, REPEATED, 1.08) and any(_values(table, c) != first for c in group[1:])


def _agree(table: Table, group: Sequence[Column], typical: float, largest: float, least: int = 3) -> bool:
    """Whether the flows of columns lie no further apart than repeated readings do."""
    values = [_values(table, column) for column in group]
    low = 0.1 * max(values[0].values(), default=0.0)  # the leak of a closed valve is no reading to agree by
    rows = [row for row in values[0] if all(found.get(row, 0.0) > low for found in values)]
    spread = [max(v[row] for v in values) / min(v[row] for v in values) for row in rows]
    return len(spread) >= least and max(spread) <= largest and median(spread) <= typical


def _why_twin(table: Table, first: Column, other: Column) -> str:
    """Why a second column of one test is left out; empty where nothing distinguishes the two."""
    a, b = _values(table, first), _values(table, other)
    one, two = first.unit, other.unit
    if one is not None and two is not None and one.name != two.name and one.quantity == two.quantity:
        pairs = [(a[row] * one.factor, b[row] * two.factor) for row in a if b.get(row) and a[row]]
        if pairs and all(abs(x - y) <= AGREE * max(abs(x), abs(y)) for x, y in pairs):
            return f"the same flow as {first.text!r} in another unit"
    if a == b and one == two and len(a) > 2:
        return f"the same readings as {first.text!r}"
    if other.treatment and not other.raw and (first.raw or not first.treatment):
        return f"worked out from {first.text!r}, which was measured"
    ratios = [b[row] / a[row] for row in a if row in b and a[row]]
    multiple = len(ratios) > 2 and max(ratios) <= 1.25 * min(ratios)
    if other.pressure and not first.pressure and not other.treatment and (first.raw or multiple):
        return f"the flow of {first.text!r} brought to another test pressure"
    return ""
