"""What each column of a table is: all headings weighed together, and checked by what the numbers do."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import isclose
from statistics import median

from flowkit.importers.tables.find import HEADED, Table, is_empty, unit_beside
from flowkit.importers.tables.names import name_columns
from flowkit.importers.tables.view import View
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


@dataclass(slots=True)
class Column:
    """One column of a table, with what the headings stacked over it say.

    `role` is flow, reading, pressure, who, condition, ignored or trouble. `code`, `letter`, `bare` and `position` are
    left to the headings beside it. `heading` is the row of its lowest heading, `why` says why it is left out, `trouble`
    what in its headings contradicts itself, and `flows` which columns of flow a pressure was taken with.
    """

    index: int
    role: str = ""
    kind: str | None = None
    side: Side | None = None
    port: str | None = None
    run: int | None = None
    variant: str = ""
    head: str | None = None
    code: str | None = None
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
    heading: int | None = None
    why: str = ""
    own: tuple[str, ...] = ()
    trouble: list[str] = field(default_factory=list)
    flows: list[int] | None = None
    like: bool = False  # left out, though its numbers could be flows
    beside: int | None = None  # of a meter's reading: the column of the flow that was worked out from it

    def source(self, table: Table) -> str:
        """Return the cell of its lowest heading, or its first cell where it has none."""
        return table.view.source(table.first if self.heading is None else self.heading, self.index)

    @property
    def named(self) -> bool:
        """Whether its headings say which test it is."""
        return bool(self.side or self.port or self.run or self.code or self.letter or self.position or self.head)


@dataclass(frozen=True, slots=True)
class Context:
    """What is known of the whole table when its columns are weighed."""

    side: Side | None = None
    port: str | None = None
    flow_unit: str | None = None
    words: tuple[str, ...] = ()
    metered: bool = False


def heading_labels(table: Table) -> list[Label]:
    """Return what every heading of a table says, for the language of the sheet."""
    view = table.view
    found = [view.label(row, c) for row in table.headers for c in range(table.left, table.right + 1)]
    return [label for label in found if label is not None] + list(table.named.values())


def describe(table: Table, context: Context) -> tuple[list[Column], list[Finding]]:
    """Say what each column is, lifts left out; and what is ambiguous or was left out."""
    columns = [column for column in _stacked(table) if _filled(table, column.index) or column.kind == "formula"]
    for column in columns:
        _first_role(table, column)
    _read_who_columns(table, columns)
    findings = []
    for column in columns:
        if column.trouble:
            what = f"the column headed {column.text!r} cannot be placed: {column.trouble[0]}; {SET_HEADING}"
            findings.append(unreadable(column.source(table), what))
    flows = [c for c in columns if c.role in ("flow", "named", "bare")]
    letters = [c for c in flows if c.letter]
    if len(letters) == 1 < len(flows) and letters[0].own == ("letter",) and not (letters[0].port or letters[0].run):
        letters[0].role, letters[0].why = "ignored", "one letter and no unit of flow"  # V, A or K of a meter
    _decide_averages(columns)
    for column in columns:
        if column.code == "in" and fold(column.text) == "in":  # beside "mm" the same lifts in inches, and no intake
            ratios = _to_lifts(table, column)
            if ratios and all(isclose(ratio, 1 / 25.4, rel_tol=0.05) for ratio in ratios):
                column.role, column.why, column.code = "ignored", "a second column of lifts", None
    findings += name_columns(table, columns, context.side, context.words)
    _take_tests_for_runs(table, columns)
    _decide_unknown(table, columns, context)
    _check_arithmetic(table, columns)
    _share_pressure(table, columns)
    findings += _decide_twins(table, columns)
    _decide_readings(columns)
    findings += [_ignored(table, column) for column in columns if column.role == "ignored" and column.why]
    return columns, findings + _lifts_apart(table, columns)


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


# What is over a column.


def _stacked(table: Table) -> list[Column]:
    """Join the headings over every column but the lifts."""
    carried = _carried(table)
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


def _carried(table: Table) -> dict[int, dict[int, int]]:
    """For each row of headings and each column: which column's heading holds for it from the left."""
    view, lift = table.view, table.axis.column
    found: dict[int, dict[int, int]] = {}
    for row in table.headers:
        merges = {c0: c1 for r0, c0, r1, c1 in view.merged if r0 <= row <= r1 and c1 > c0}
        filled = [c for c in range(lift + 1, table.right + 1) if view.kinds[row][c] != " "]
        lead = view.label(row, lift)
        if (
            row != table.axis.heading
            and lead is not None
            and (lead.names or lead.letter)
            and not lead.rest
            and lead.kind is None
        ):
            filled = [lift, *filled]
        holder: dict[int, int] = {}
        centred = _centred(table, row, filled, merges)
        for place, column in enumerate(filled):
            end = filled[place + 1] - 1 if place + 1 < len(filled) else table.right
            end = min(end, merges[column]) if column in merges else end
            first, last = centred[place] if centred else (column, end)
            holder.update(dict.fromkeys(range(first, last + 1), column))
        found[row] = holder
    return found


def _centred(table: Table, row: int, filled: Sequence[int], merges: Mapping[int, int]) -> list[tuple[int, int]] | None:
    """The groups of headings over the middle of their columns without a merge; None where they do not."""
    lift = table.axis.column
    columns = [c for c in range(lift + 1, table.right + 1) if _filled(table, c)]
    if len(filled) < 1 or merges or not columns or filled[0] <= columns[0] or len(columns) % len(filled):
        return None
    size = len(columns) // len(filled)
    labels = [table.view.label(row, column) for column in filled]
    if size < 2 or any(label is not None and (label.treatment or label.pressure) for label in labels):
        return None
    groups = [(columns[n * size], columns[n * size + size - 1]) for n in range(len(filled))]
    if all(first < column <= last for column, (first, last) in zip(filled, groups, strict=True)):
        return groups
    return None


def _stack(table: Table, index: int, carried: Mapping[int, dict[int, int]]) -> Column:
    """Join the headings over a column, those of its group first."""
    view = table.view
    own = [row for row in table.headers if view.kinds[row][index] != " "]
    over = {(row, c0, index) for r0, c0, r1, c1 in view.merged if index <= c1 for row in range(r0, r1 + 1)}
    lowest = own[-1] if own else -1
    column = Column(index)
    group_texts = []
    labels: list[tuple[Label, bool]] = []
    for row in table.headers:
        at: int | None = index if row in own else carried[row].get(index)
        if at is None or (at != index and row >= lowest >= 0 and (row, at, index) not in over):
            continue
        label = _heading(view, row, at, table)
        if label is None or (at != index and (label.only_unit and row >= table.headers[-1])):
            continue
        below = [line for line in table.headers if line > row]
        leaf = below and not any(view.kinds[line][at] != " " for line in below) and own and own[-1] > row
        if at != index and (
            (leaf and label.treatment) or (label.kind in LEFT_OUT | {"notes", "counter"} and not label.names)
        ):
            continue  # the heading of another column, with empty cells beside it
        unit = as_text(view.rows[row][at]).strip("()[] ")
        if at == index and unit in ("V", "Hz", "div") and any(above.kind == "meter" for above, _ in labels):
            label = Label("meter", unit_text=unit)  # in a row of units
        labels.append((label, at == index))
        group_texts.append(as_text(view.rows[row][at]))
        if at == index or not own:
            column.heading = row if at == index else column.heading
    column.text = " ".join(group_texts)
    for label, mine in labels:
        _join(column, label, mine=mine)
    return column


def _heading(view: View, row: int, index: int, table: Table) -> Label | None:  # noqa: PLR0911
    """What a heading says; a number is a name."""
    label = view.label(row, index)
    if label is not None:
        if (
            label.kind == "humidity"
            and label.unit is None
            and any(
                (other := view.label(row, c)) is not None and other.position for c in range(table.left, table.right + 1)
            )
        ):
            return Label(position=as_text(view.value(row, index)))
        return label
    value = view.rows[row][index]
    text = as_text(value)
    cell = view.cells[row][index]
    if cell.unit in ("IN", "In") and cell.value in PORTS:
        return parse_label(text)  # "1 IN", the intake of port 1
    if cell.unit:
        unit = known_unit(cell.unit)
        if unit is not None and unit.quantity == "pressure":
            return Label(pressure=(as_text(cell.value), cell.unit))
        if unit is not None and unit.quantity in FLOW_QUANTITIES:
            return Label(bare=as_text(cell.value), unit=unit, unit_text=cell.unit)
        if unit is not None and unit.name == "in" and (cell.value or 0.0) > WIDEST_IN:
            return Label(pressure=(as_text(cell.value), cell.unit))
        return Label(rest=text, kinds=("state",))  # a valve's size heads the state it was tested in
    if cell.gap:
        return None
    return Label(bare=text)


def _join(column: Column, label: Label, *, mine: bool) -> None:
    """Add one heading to what the headings above it said."""
    if label.kind is not None:
        column.kind = label.kind
    column.own = (*column.own, *label.kinds) if mine else column.own
    column.marked = column.marked or "mark" in label.kinds or "common" in label.kinds or "counter" in label.kinds
    column.state = column.state or "state" in label.kinds or ("variant" in label.kinds and bool(label.rest))
    column.both = column.both or label.both_sides
    column.meter = column.meter or (mine and "meter" in label.kinds)
    column.foreign = column.foreign or label.foreign
    column.again = column.again or label.again
    if label.code == "in" and label.port is None and label.unit is not None and label.unit.name == "in":
        if column.kind in ("pressure", "meter"):
            column.unit, column.unit_text = label.unit, label.unit_text
        elif column.side != "intake":
            column.code = "in"
        return
    if label.side is not None:
        if column.side not in (None, label.side):
            column.trouble.append("its headings name both sides")
        column.side = label.side
    if label.port is not None:
        if column.port not in (None, label.port):
            column.trouble.append(f"its headings name two ports, {column.port} and {label.port}")
        column.port = label.port
    column.run = label.run or column.run
    column.head = label.head or column.head
    column.code = label.code or column.code
    column.letter = label.letter or column.letter
    column.bare = label.bare or column.bare
    column.position = label.position or column.position
    column.pressure = label.pressure or label.aside or column.pressure
    column.treatment = label.treatment or column.treatment
    if label.unit is not None:
        known = column.unit
        if known is not None and known.quantity == label.unit.quantity and known.name != label.unit.name:
            column.trouble.append(f"its headings name two units, {known.name} and {label.unit.name}")
        column.unit, column.unit_text = label.unit, label.unit_text
    elif label.kind == "meter":
        column.unit_text = label.unit_text or column.unit_text
    rest = label.rest if label.aside is None else label.aside_rest
    if rest and rest not in column.variant:
        column.variant = f"{column.variant} {rest}".strip()


def _name_by_rows(table: Table, column: Column) -> None:
    """Take side, port, run, variant or head from a row that gives one for each column."""
    lift, view = table.axis.column, table.view
    if column.index <= lift:
        return
    for row, label in table.named.items():
        if label.kind not in WHO_KINDS and label.kind != "valve_head":
            continue
        at = column.index
        while at > lift and view.kinds[row][at] == " ":
            at -= 1
        if at == lift:
            continue
        text = as_text(view.value(row, at))
        said = parse_label(text)
        if label.kind == "valve_head" and said.side is None:
            continue
        if measures(said.unit, *FLOW_QUANTITIES) and said.names and column.unit is None:
            column.unit, column.unit_text, column.text = said.unit, said.unit_text, column.text or text
        if label.kind in ("side", "valve_head"):
            column.side, column.code = said.side or column.side, said.code or column.code
            column.letter = said.letter or column.letter
        elif label.kind == "port":
            column.side, column.code = said.side or column.side, said.code or column.code
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
    return not is_empty(table.view, index, range(table.first, table.last + 1))


def _letters(table: Table, index: int) -> str:
    """The kinds of a column's cells in the rows with a lift."""
    return table.axis.letters(table.view.down[index]).replace(" ", "")


def _all_percent(table: Table, index: int) -> bool:
    """Whether the numbers of a column are all shown as percentages."""
    if not table.view.grid.percent_cells:
        return False
    rows = [row for row in range(table.first, table.last + 1) if isinstance(table.view.value(row, index), float)]
    return bool(rows) and all(table.view.percent(row, index) for row in rows)


def _cells_of_other_units(table: Table, index: int) -> bool:
    """Whether the numbers of a column have units in their cells, and none that a flow test has."""
    texts = [value for row in table.axis.rows if isinstance(value := table.view.rows[row][index], str)]
    if not texts or texts[0][-1:].isdigit():
        return False
    units = {table.view.cells[row][index].unit for row in table.axis.rows}
    known = [unit for spelled in units if spelled and (unit := known_unit(spelled)) is not None]
    return bool(known) and all(unit.quantity in ("humidity", "temperature", "angle") for unit in known)


_WHY = {
    "average": "an average", "total": "a total", "derived": "a figure worked out from readings",
    "other": "another quantity than flow", "counter": "no reading", "gain": "a gain or percentage",
}  # fmt: skip


def _first_role(table: Table, column: Column) -> None:  # noqa: PLR0912
    """Say what a column is as far as its own headings and cells tell."""
    kind, unit = column.kind, column.unit
    quantity = unit.quantity if unit is not None else None
    letters = _letters(table, column.index)
    flowing = quantity in FLOW_QUANTITIES
    if column.trouble:
        column.role = "trouble"
    elif kind == "meter" and unit is None and letters and set(letters) <= set("tb") and "t" in letters:
        column.role = "condition"  # it names the meter
    elif kind == "meter" or (column.meter and not flowing and kind in (None, "flow", "gain")):
        _meter_role(column, quantity)
    elif kind in LEFT_OUT or (quantity == "humidity" and kind in (None, "flow")) or _all_percent(table, column.index):
        column.role, column.why = "ignored", _WHY.get(kind or "", "a gain or percentage")
    elif kind == "range" and flowing:
        column.role, column.why = "ignored", "a range of the bench, not a flow"
    elif kind == "notes" or (letters and set(letters) <= set("b")):
        column.role, column.why = "ignored", "no reading"
    elif kind not in CONDITION_FIELDS and _cells_of_other_units(table, column.index):
        column.role, column.why = "ignored", "another quantity than flow"
    elif column.foreign and not flowing:
        column.role, column.why = "ignored", f"{_a(column.foreign)}, not a flow"
    elif column.both and not column.side:
        column.role, column.why = ("who", "") if kind == "side" else ("ignored", "a figure of both sides")
    elif kind in (*WHO_KINDS, "range") and not column.named and not flowing:
        column.role = "who" if kind != "range" else "condition"
    elif kind == "flow" or column.own == ("again",) or (kind in WHO_KINDS | {None} and flowing):
        column.role = "flow"
    elif kind == "pressure" or (kind is None and quantity == "pressure"):
        _pressure_role(table, column)
    elif kind in CONDITION_FIELDS and (kind in FLOW_KINDS or not flowing):
        column.role = "condition"
    elif kind == "lift" or (kind is None and quantity in ("length", "lift ratio")):
        column.role, column.why = "ignored", "a second column of lifts" if not column.named else "a length, not a flow"
    elif quantity is not None and not flowing:
        column.role, column.why = "ignored", _a(quantity)
    elif column.own == ("filler",) and fold(column.text) == "test" and column.index < table.axis.column:
        texts = [as_text(table.view.rows[row][column.index]) for row in table.axis.rows]
        sided = any((said := parse_label(text)).side or said.code for text in texts)
        column.role, column.kind = "who", "port" if sided else "run"
    elif column.named or kind in WHO_KINDS:
        column.role = "named"
    else:
        column.role = "bare" if column.bare and not column.variant else "unknown"
    if (
        column.role in ("named", "unknown", "bare", "flow")
        and letters
        and set(letters) <= set("td")
        and not _has_units(table, column)
    ):
        column.role, column.why = ("text", "no reading")


def _a(noun: str) -> str:
    """A noun with its article."""
    return f"{'an' if noun[:1] in 'aeio' else 'a'} {noun}"


def _has_units(table: Table, column: Column) -> bool:
    """Whether any text of a column holds a number, such as a mistyped one."""
    cells = [table.view.value(row, column.index) for row in table.axis.rows]
    return (
        sum(any(mark.isdigit() for mark in str(cell)) for cell in cells if cell is not None) * 2 > len(cells)
        and column.role == "flow"
    )


def _meter_role(column: Column, quantity: str | None) -> None:
    """Tell a reading from what only names its meter."""
    if quantity in FLOW_QUANTITIES:
        column.role = "flow"
    elif quantity in READING_UNITS or quantity is None or column.foreign in ("electricity",):
        column.role = "reading"
    else:
        column.role, column.why = "ignored", _a(quantity)


def _pressure_role(table: Table, column: Column) -> None:
    """Tell a test pressure from another pressure by its size."""
    column.role, column.kind = ("pressure", "pressure") if column.kind != "pressure" else ("pressure", column.kind)
    unit = column.unit
    if unit is None or unit.quantity != "pressure":
        return
    values = [v for row in table.axis.rows if (v := table.view.cells[row][column.index].value)]
    if not values or "pressure" in column.own:
        return
    steady = max(values) <= SAG * min(values)
    if not steady or not PRESSURES_PA[0] <= abs(median(values)) * unit.factor <= PRESSURES_PA[1]:
        column.role, column.why = "ignored", "a pressure other than the test pressure"


_SIDE_LETTERS = ({"i", "e"}, {"e", "a"}, {"a", "s"}, {"i", "u"}, {"d", "w"}, {"i", "a"}, {"i"}, {"e"})


def _read_who_columns(table: Table, columns: list[Column]) -> None:
    """Take columns of words for what names a row's test, where all their words do."""
    for column in columns:
        letters = _letters(table, column.index)
        if column.role in ("who", "trouble") or not letters or column.kind == "notes":
            continue
        if column.role in ("text", "condition", "flow") and not letters.strip("t"):
            view = table.view
            values = {view.rows[row][column.index] for row in table.axis.rows}
            texts = {as_text(view.meant(value)) for value in values} - {""}
            said = [parse_label(text) for text in texts]
            sides = sum(bool(label.side or label.code) and not label.rest for label in said)
            letters_only = {label.letter.casefold() for label in said if label.letter and not label.rest}
            if sides == len(said) or (len(letters_only) == len(said) and letters_only in _SIDE_LETTERS):
                column.role, column.kind = "who", "side"
            elif column.kind == "valve_head":
                column.role, column.kind = "who", "side"  # words under "Valve" that name no side are asked about
            elif (
                column.role == "text"
                and column.index < table.axis.column
                and len(texts) * 2 <= len(letters)
                and not column.kind
            ):
                pairs = {text.casefold() for text in texts}
                column.role, column.kind = ("who", "side") if pairs <= {"i", "e"} else ("who", "variant")
        if column.role == "text":
            column.role = "ignored"
            column.text = "" if column.heading is None else column.text


_TEST = re.compile(r"\(?tests? *#? *(\d+)\)?", re.IGNORECASE)


def _take_tests_for_runs(table: Table, columns: list[Column]) -> None:
    """Take ``test 1``, ``test 2`` for runs where their flows agree as repeated readings do, else for states."""
    named = [column for column in columns if _TEST.fullmatch(column.variant)]
    for group in ([c for c in named if c.side == side] for side in {column.side for column in named}):
        if len(group) > 1 and _agree(table, group, REPEATED, 1.08):
            for column in group:
                column.run, column.variant = int(_TEST.fullmatch(column.variant)[1]), ""  # type: ignore[index]
                column.role = "flow"


def _decide_averages(columns: list[Column]) -> None:
    """Take an average for the flow where a table has no other flow."""
    if any(column.role in ("flow", "named", "unknown", "bare", "reading") for column in columns):
        return
    averages = [c for c in columns if c.role == "ignored" and c.kind == "average"]
    if len(averages) == 1:
        averages[0].role, averages[0].why = "flow", ""


def _decide_unknown(table: Table, columns: list[Column], context: Context) -> None:
    """Take columns with unknown headings for states where the known ones leave that open and the numbers agree."""
    known = [column for column in columns if column.role in ("flow", "named")]
    pattern = {bool(column.side or column.port) for column in known if column.variant}
    open_to_names = not known or (all(column.variant for column in known) and False in pattern)
    for column in columns:
        if column.role == "named":
            column.role = "flow"
        elif column.role == "unknown":
            taken = column.variant and (open_to_names or (column.state and any(k.variant for k in known)))
            if taken:
                column.role = "flow"
            else:
                column.role, column.why = "ignored", "not understood"
                column.like = _is_like(table, column, known)
    _take_lone_flow(table, columns, context)
    _drop_unlike(table, columns)


def _is_like(table: Table, column: Column, known: Sequence[Column]) -> bool:
    """Whether numbers under a heading that says nothing could be flows: they rise, and are as large as those known."""
    mine, named = _values(table, column), [_values(table, c) for c in known]
    beside = {row: [v[row] for v in named if v.get(row)] for row in mine}
    ratios = [value / median(beside[row]) for row, value in mine.items() if beside[row]]
    rising = all(b >= a for a, b in itertools.pairwise(mine.values()))
    rising = rising and list(mine.values()) != list(range(1, len(mine) + 1))
    plain = not (column.unit or column.treatment or column.pressure)
    return plain and rising and len(ratios) > 2 and all(LIKE[0] <= ratio <= LIKE[1] for ratio in ratios)


def _take_lone_flow(table: Table, columns: list[Column], context: Context) -> None:
    """Take the only column, without a heading, for the flow where a line names the side and another the unit of flow.

    The numbers before it must be lifts beyond doubt, and it must rise with them: a list of ports looks much the same.
    """
    if len(columns) != 1 or columns[0].text or not (context.side and context.flow_unit):
        return
    (column,) = columns
    flows = list(_values(table, column).values())
    cells = [table.view.cells[row][table.axis.column] for row in table.axis.rows]
    counted = all(cell.value is not None and cell.value.is_integer() and not cell.unit for cell in cells)
    if table.axis.score >= HEADED or (not counted and len(flows) > 2 and max(flows) > RISES * min(flows)):
        column.role, column.kind, column.why = "flow", "flow", ""


def _drop_unlike(table: Table, columns: list[Column]) -> None:
    """Leave out columns whose only claim to be a flow is a place among flows, and whose numbers are unlike theirs."""
    weak = [
        c
        for c in columns
        if c.role == "flow"
        and c.kind != "flow"
        and not c.named
        and not c.state
        and not measures(c.unit, *FLOW_QUANTITIES)
    ]
    flows = [c for c in columns if c.role == "flow"]
    if not weak or len(flows) < 2:
        return
    values = {c.index: _values(table, c) for c in flows}
    for column in weak:
        mine = values[column.index]
        others = [values[c.index] for c in flows if c is not column]
        ratios = []
        for row, value in mine.items():
            beside = [o[row] for o in others if o.get(row)]
            if beside and value > 0:
                ratios.append(value / median(beside))
        steps = [b - a for a, b in zip(list(mine.values()), list(mine.values())[1:], strict=False)]
        falling = bool(steps) and sum(step < 0 for step in steps) > len(steps) / 2
        if not ratios or not ALIKE[0] <= median(ratios) <= ALIKE[1] or falling:
            column.role, column.why = "ignored", "not understood"


def _values(table: Table, column: Column) -> dict[int, float]:
    """The numbers of a column by their rows."""
    view = table.view
    found = {}
    for row in table.axis.rows:
        value = view.cells[row][column.index].value
        if value is not None:
            found[row] = value
    return found


_POSITION = re.compile(
    r"\D*(?:reading|pitot|ablesung|lecture|lectura|lettura|aflezing|odczyt|avläsning|leitura|読み)\D*(\d+)\b"
)


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
        same = [flow for flow in flows if len(group) > 1 or _is_of(group[0], flow)]
        free = len(same) == 1 and same[0].index not in taken
        for column in group:
            if free:
                column.beside = same[0].index
                taken.add(same[0].index)
            else:
                column.role, column.why = "ignored", "a meter's reading, and no one flow beside it is of the same test"


def _is_of(reading: Column, flow: Column) -> bool:
    """Whether what a reading's heading names is what the flow's names."""
    said = zip(_identity(reading)[:2], _identity(flow)[:2], strict=True)
    known = all(mine in (None, theirs) for mine, theirs in said)
    return known and all(
        mine in (None, 1, "", theirs) for mine, theirs in zip(_identity(reading)[2:], _identity(flow)[2:], strict=True)
    )


# What the numbers do.


def _check_arithmetic(table: Table, columns: list[Column]) -> None:
    """Leave out columns that are worked out from the others: means, sums, ratios, differences."""
    flows = [c for c in columns if c.role == "flow"]
    texts = [c.text for c in flows]
    open_ones = [
        c
        for c in flows
        if c.heading is None
        or (not (c.side or c.port or c.run or c.code or c.again or c.state) and texts.count(c.text) == 1)
    ]
    if len(flows) < 3 or not open_ones:
        return
    values = {c.index: _values(table, c) for c in flows}
    for column in open_ones:
        others = [c for c in flows if c is not column and c.role == "flow"]
        mine = values[column.index]
        if len(others) < 2 or len(mine) < 3:
            continue
        pairs = [
            (value, [values[c.index][row] for c in others if row in values[c.index]]) for row, value in mine.items()
        ]
        whole = [(value, beside) for value, beside in pairs if len(beside) == len(others)]
        if len(whole) < 3:
            continue
        if _fits(whole, lambda beside: sum(beside) / len(beside)):
            column.role, column.why, column.kind = "ignored", "an average of the columns beside it", "average"
        elif _fits(whole, sum):
            column.role, column.why, column.kind = "ignored", "a total of the columns beside it", "total"
        elif any(_is_worked_out(mine, values[a.index], values[b.index]) for a in others for b in others if a is not b):
            column.role, column.why, column.kind = "ignored", "worked out from two columns beside it", "gain"


def _fits(pairs: Iterable[tuple[float, list[float]]], rule: object) -> bool:
    """Whether every value is what a rule gives of those beside it, as printed."""
    return all(abs(value - rule(beside)) <= max(EXACT * abs(value), 0.06) for value, beside in pairs)  # type: ignore[operator]


def _is_worked_out(mine: Mapping[int, float], one: Mapping[int, float], other: Mapping[int, float]) -> bool:
    """Whether a column is the difference, ratio or gain of two others."""
    rows = [row for row in mine if row in one and row in other and other[row]]
    if len(rows) < 3:
        return False
    rules: tuple[Callable[[float, float], float], ...] = (
        lambda a, b: a - b,
        lambda a, b: a / b,
        lambda a, b: 100 * a / b,
        lambda a, b: 100 * (a / b - 1),
        lambda a, b: a / b - 1,
    )
    return any(
        all(
            abs(mine[row] - rule(one[row], other[row]))
            <= max(0.01 * abs(mine[row]), 0.006 if abs(mine[row]) < 2 else 0.06)
            for row in rows
        )
        for rule in rules
    )


def _share_pressure(table: Table, columns: list[Column]) -> None:
    """Give a pressure that heads several columns at once to all of them."""
    flows = [c for c in columns if c.role == "flow"]
    stated = [c for c in flows if c.pressure is not None]
    if len(stated) != 1 or len(flows) < 2:
        return
    column = stated[0]
    alone = column is flows[0] and not any(c.kind == "flow" or measures(c.unit, *FLOW_QUANTITIES) for c in flows[1:])
    if alone and not column.treatment:
        for other in flows[1:]:
            other.pressure = column.pressure
            if other.unit is None:
                other.unit, other.unit_text = column.unit, column.unit_text


# Two columns of one test.


def _identity(column: Column) -> tuple[object, ...]:
    """Return what distinguishes two columns of flow."""
    return column.side, column.port, column.run or 1, column.variant.casefold(), column.head


def _decide_twins(table: Table, columns: list[Column]) -> list[Finding]:  # noqa: PLR0912
    """Keep one of two columns that are the same test; refuse those that look the same."""
    groups: dict[tuple[object, ...], list[Column]] = {}
    for column in columns:
        if column.role == "flow":
            key = _identity(column)
            if column.again and (first := _same_again(table, columns, column)) is not None:
                column.role, column.why = "ignored", f"the same readings as {first.text!r}"
                continue
            while column.again and key in groups and _agree(table, [groups[key][0], column], 1.05, 1.15, least=2):
                column.run = (column.run or 1) + 1
                key = _identity(column)
            groups.setdefault(key, []).append(column)
    findings = _ask_for_states(table, columns)
    for group in groups.values():
        if len(group) < 2:
            continue
        worked = [c for c in group if c.pressure or (c.treatment and fold(c.treatment) not in RAW)]
        raw = [c for c in group if c not in worked]
        if worked and _are_runs(table, raw):
            for column in worked:
                column.role, column.why = "ignored", f"worked out from {raw[0].text!r}, which was measured"
            group = raw  # noqa: PLW2901
        group = _one_pressure(table, group)  # noqa: PLW2901
        if len(group) < 2:
            continue
        if _are_runs(table, group):
            for number, column in enumerate(group, 1):
                column.run = number
            what = f"{len(group)} columns headed {group[0].text!r} agree within a few percent and were read as runs"
            findings.append(Finding("lift-repeated", "note", group[1].source(table), what))
            continue
        first, *others = _raw_first(group)
        left_out = {id(other): _why_twin(table, first, other) for other in others}
        if all(left_out.values()):
            for other in others:
                other.role, other.why = "ignored", left_out[id(other)]
            continue
        runs = {column.run for column in group}
        names = " and ".join(repr(column.text or "no heading") for column in group)
        who = f"are both {first.side or ''} {first.port or ''} run {first.run or 1}".replace("  ", " ")
        said = "could each be the flow" if not (first.side or first.port) else f"{who}"
        if len(runs) > 1:
            continue  # reported where the tests are put together
        what = f"the columns headed {names} {said}; {SET_HEADING}"
        findings.append(unreadable(group[0].source(table), what))
        for column in group:
            column.role = "trouble"
    return findings


def _same_again(table: Table, columns: Sequence[Column], column: Column) -> Column | None:
    """An earlier repeat of the same port with the very same readings, such as one that is said to be corrected."""
    mine = _values(table, column)
    for other in columns:
        if other is column or len(mine) < 3:
            return None
        same = other.role == "flow" and other.again and other.port == column.port and other.side == column.side
        if same and mine == _values(table, other):
            return other
    return None


def _one_pressure(table: Table, group: list[Column]) -> list[Column]:
    """Keep the first of columns that are one flow at several pressures, brought from one to the other."""
    first = group[0]
    if not all(column.pressure and column.pressure[1] == (first.pressure or ("", ""))[1] for column in group):
        return group
    kept = [first]
    for column in group[1:]:
        assert first.pressure is not None and column.pressure is not None
        wanted = (number(column.pressure[0]) or 0.0) / (number(first.pressure[0]) or 1.0)
        a, b = _values(table, first), _values(table, column)
        squares = [(b[row] / a[row]) ** 2 for row in a if b.get(row) and a[row]]
        if wanted != 1 and len(squares) > 2 and all(abs(square / wanted - 1) < SQUARES for square in squares[1:]):
            column.role, column.why = "ignored", f"the flow of {first.text!r} brought to another test pressure"
        else:
            kept.append(column)
    return kept


_LIMIT_WORDS = "low high lo hi min max lower upper from to worst best"
_LIMITS = frozenset(_LIMIT_WORDS.split())


def _ask_for_states(table: Table, columns: Sequence[Column]) -> list[Finding]:
    """Ask about a column like ``Int 1 smoothed`` beside ``Int 1``: its words may name a state, or how it was made."""
    flows = [column for column in columns if column.role == "flow"]
    plain = {(c.side, c.port, c.run or 1, c.head) for c in flows if not c.variant}
    findings = []
    for column in flows:
        if fold(column.variant) in _LIMITS:
            what = f"{column.variant!r} in the heading {column.text!r} may be a limit or one of several readings"
            findings.append(unreadable(column.source(table), f"{what}; say which test each column beside it is"))
            column.role = "trouble"
        elif column.variant and not column.state and (column.side, column.port, column.run or 1, column.head) in plain:
            what = f"{column.variant!r} in the heading {column.text!r} may name a state, or how the figures were made"
            findings.append(unreadable(column.source(table), f"{what}; say which state each column beside it is"))
            column.role = "trouble"
    return findings


def _are_runs(table: Table, group: Sequence[Column]) -> bool:
    """Whether columns of one heading are repeated runs: named alike, and their flows differ as repeated readings do."""
    if len(group) < 2:
        return False
    first = group[0]
    same = all(c.text == first.text and c.treatment == first.treatment and c.pressure == first.pressure for c in group)
    if not same or any(column.run for column in group):
        return False
    return _agree(table, group, REPEATED, 1.08) and any(_values(table, c) != _values(table, first) for c in group[1:])


def _agree(table: Table, group: Sequence[Column], typical: float, largest: float, least: int = 3) -> bool:
    """Whether the flows of columns lie no further apart than repeated readings do."""
    values = [_values(table, column) for column in group]
    low = 0.1 * max(values[0].values(), default=0.0)  # the leak of a closed valve is no reading to agree by
    rows = [row for row in values[0] if all(found.get(row, 0.0) > low for found in values)]
    spread = [max(v[row] for v in values) / min(v[row] for v in values) for row in rows]
    return len(spread) >= least and max(spread) <= largest and median(spread) <= typical


def _raw_first(group: list[Column]) -> list[Column]:
    """The columns of one test, the one that was measured first."""
    # Before one of no stated treatment, and a calculated one last.
    return sorted(group, key=lambda c: 1 if not c.treatment else 0 if fold(c.treatment) in RAW else 2)


def _why_twin(table: Table, first: Column, other: Column) -> str:
    """Why a second column of one test is left out; empty where nothing distinguishes the two."""
    if _same_flow(table, first, other):
        return f"the same flow as {first.text!r} in another unit"
    if _values(table, first) == _values(table, other) and first.unit == other.unit and len(_values(table, first)) > 2:
        return f"the same readings as {first.text!r}"
    worked = other.treatment and fold(other.treatment) not in RAW
    raw = not first.treatment or fold(first.treatment) in RAW
    if worked and raw:
        return f"worked out from {first.text!r}, which was measured"
    raw_named = fold(first.treatment) in RAW
    if (
        other.pressure
        and not first.pressure
        and not other.treatment
        and (raw_named or _is_multiple(table, first, other))
    ):
        return f"the flow of {first.text!r} brought to another test pressure"
    return ""


def _is_multiple(table: Table, one: Column, other: Column) -> bool:
    """Whether a column is another one times a factor near one."""
    a, b = _values(table, one), _values(table, other)
    ratios = [b[row] / a[row] for row in a if row in b and a[row]]
    return len(ratios) > 2 and max(ratios) <= 1.25 * min(ratios)


def _same_flow(table: Table, one: Column, other: Column) -> bool:
    """Whether two columns are the same readings in two units."""
    if one.unit is None or other.unit is None or one.unit.name == other.unit.name:
        return False
    if one.unit.quantity != other.unit.quantity:
        return False
    a, b = _values(table, one), _values(table, other)
    pairs = [(a[row] * one.unit.factor, b[row] * other.unit.factor) for row in a if row in b and a[row] and b[row]]
    return bool(pairs) and all(abs(x - y) <= AGREE * max(abs(x), abs(y)) for x, y in pairs)


def _ignored(table: Table, column: Column) -> Finding:
    """Say that a column was left out, and why."""
    heading = repr(column.text) if column.text else "without a heading"
    remedy = f"; if it holds flows, {SET_HEADING}" if column.why == "not understood" else ""
    if column.why == "not understood" and (column.like or column.side or column.port or column.code or column.state):
        what = f"the column {heading} is beside flows, and its test is not clear; say which test it is, or leave it out"
        return unreadable(column.source(table), what)
    return Finding(
        "column-ignored", "note", column.source(table), f"the column {heading} was left out: {column.why}{remedy}"
    )
