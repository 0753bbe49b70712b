"""The lifts of a table: their rows, their unit and what is between them."""

from __future__ import annotations

import datetime
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import isclose
from typing import Literal, NamedTuple

from flowkit.importers.tables.find import Table, unit_beside
from flowkit.importers.words.items import BY_HAND, assumed, refused, unreadable
from flowkit.importers.words.labels import Label, parse_label
from flowkit.importers.words.phrases import is_sentence
from flowkit.importers.words.values import Cell, as_text, known_unit, plain_numbers
from flowkit.model import Finding
from flowkit.units import UNITS, Unit, from_si, measures, to_si

INCH_RANGE = (0.05, 1.0)
MM_RANGE = (1.5, 25.0)
AGREE = 0.02  # two columns of lifts, each rounded for printing


class LiftRow(NamedTuple):
    """A row with a lift."""

    row: int
    lift: float
    section: Label | None = None


class _Raw(NamedTuple):
    """A lift as written, with the section it is in."""

    row: int
    value: float
    unit: str
    section: Label | None


@dataclass(slots=True)
class Lifts:
    """All lifts of a table."""

    rows: list[LiftRow] = field(default_factory=list)
    unit: Unit | None = None
    source: Literal["stated", "assumed"] = "stated"
    by_size: bool = False  # nothing on the sheet names the unit
    findings: list[Finding] = field(default_factory=list)

    @property
    def ratio(self) -> bool:
        """Whether the lifts are fractions of the valve's diameter."""
        return measures(self.unit, "lift ratio")


def scaled(values: Sequence[float], factor: float) -> list[float]:
    """Bring values to SI all at once, rounded as `to_si` rounds each."""
    inverse = round(1 / factor)
    if factor < 1 and isclose(1 / factor, inverse, rel_tol=1e-15):
        # Dividing by a whole number rounds once: 8.5 mm is 8.5/1000 m, as it would be typed.
        return [value / inverse for value in values]
    return [value * factor for value in values]


def read_lifts(table: Table, flow_columns: Sequence[int], default_unit: str | None) -> Lifts:
    """Read a table's lifts."""
    main = _main_column(table)
    got = Lifts()
    unit = _heading_unit(table, main) or (known_unit(default_unit) if default_unit else None)
    places = range(table.first, table.last + 1)
    numbers = plain_numbers([table.view.rows[row][main] for row in places], table.view.decimal_comma)
    if numbers is not None and unit is not None and min(numbers) >= 0:
        got.unit = unit
        got.rows = list(map(LiftRow, places, scaled(numbers, unit.factor)))
    else:
        _read_each(table, main, unit, _Column(table, main, flow_columns, got).raw(), got)
    _check_others(table, main, got)
    _refuse_large(table, main, got)
    return got


LARGEST_M, LARGEST_RATIO = 0.030, 1.0


def _refuse_large(table: Table, main: int, got: Lifts) -> None:
    """Refuse lifts that no valve has: of metres, of a pump's head, or in another unit than is written."""
    largest = max((entry.lift for entry in got.rows), default=0.0)
    if got.unit is None or largest <= (LARGEST_RATIO if got.ratio else LARGEST_M) * (1 + 1e-9):
        return
    shown = f"{largest:g} times the valve's diameter" if got.ratio else f"{largest * 1e3:g} mm"
    what = f"the largest lift would be {shown}, more than any valve lifts (30 mm at most); check its unit"
    got.findings.append(unreadable(table.view.source(table.row, main), what))
    got.rows, got.unit = [], None


def _read_each(table: Table, main: int, headed: Unit | None, raw: Sequence[_Raw], got: Lifts) -> None:
    """Bring lifts to SI one by one, each in its own unit where it has one."""
    _find_unit(table, main, raw, headed, got)
    if got.unit is None:
        return
    for row, value, spelled, section in raw:
        unit = known_unit(spelled) if spelled else got.unit
        if unit is None or unit.quantity != got.unit.quantity:
            what = f"{as_text(table.view.value(row, main))!r} is not a lift in {got.unit.name}; {BY_HAND}"
            got.findings.append(Finding("not-a-number", "error", table.view.source(row, main), what))
            continue
        if value < 0:
            what = f"the lift {value:g} is negative, and a valve cannot open that way; {BY_HAND}"
            got.findings.append(Finding("lift-negative", "error", table.view.source(row, main), what))
            continue
        got.rows.append(LiftRow(row, to_si(value, unit), section))


def _main_column(table: Table) -> int:
    """The lifts that count: of several columns the first in a unit of length."""
    if len(table.lifts) == 1:
        return table.lifts[0]
    units = [(index, _heading_unit(table, index)) for index in table.lifts]
    return next((index for index, unit in units if unit is not None and unit.quantity == "length"), table.lifts[0])


def _heading_unit(table: Table, index: int) -> Unit | None:
    """The unit in the headings over a column of lifts, or left of it in a group's heading."""
    found: Unit | None = None
    labels = [table.axis.label, *(table.view.label(row, index) for row in table.headers)]
    for label in labels:
        if label is not None and measures(label.unit, "length", "lift ratio"):
            found = label.unit
    return found or unit_beside(table.view, table.axis.rows, index + 1)


class _Column:
    """Reads the cells of one column of lifts."""

    def __init__(self, table: Table, main: int, flow_columns: Sequence[int], got: Lifts) -> None:
        self.table = table
        self.main = main
        self.flow_columns = flow_columns
        self.got = got
        first = [row for row in table.sections if row < table.first]
        self.section: Label | None = self._said(max(first), table.sections[max(first)]) if first else None

    def _said(self, row: int, column: int) -> Label | None:
        """What a line inside the table says of the rows below it."""
        return self.table.view.label(row, column)

    def raw(self) -> list[_Raw]:
        """Read every row's lift as written."""
        view = self.table.view
        rows, main = view.rows, self.main
        raw: list[_Raw] = []
        merged = {r0: r1 for r0, c0, r1, c1 in view.merged if c0 <= main <= c1 and r1 > r0}
        held: tuple[int, float, str] | None = None  # a lift merged over several rows: last row, number, unit
        for row in range(self.table.first, self.table.last + 1):
            value, cell = rows[row][main], view.cells[row][main]
            if cell.value is None and isinstance(value, datetime.date):
                cell = self._from_date(row, value, raw)
            if cell.value is None:
                if held is not None and value is None and row <= held[0]:
                    raw.append(_Raw(row, held[1], held[2], self.section))
                elif row not in self.table.named:
                    self._between(row, raw)
                continue
            raw.append(_Raw(row, cell.value, cell.unit, self.section))
            held = (merged[row], cell.value, cell.unit) if row in merged else None
        return raw

    def _from_date(self, row: int, value: datetime.date, raw: Sequence[_Raw]) -> Cell:
        """A fraction of an inch that a spreadsheet took for a date, such as 3/16: the one that goes on rising."""
        pairs = ((value.month, value.day), (value.day, value.month))
        options = {a / b for a, b in pairs if b in (2, 4, 8, 16, 32) and a < b}
        last = raw[-1].value if raw else 0.0
        fitting = [option for option in options if option > last] or list(options)
        if len(fitting) != 1:
            return Cell(None)
        source = self.table.view.source(row, self.main)
        what = (
            f"the lift was kept as the date {value:%Y-%m-%d} and read as the fraction it was typed as, {fitting[0]:g}"
        )
        self.got.findings.append(assumed(source, what, "set them right in the job file (values) if that is not meant"))
        return Cell(fitting[0])

    def _between(self, row: int, raw: list[_Raw]) -> None:
        """Understand a row without a lift: a line that names what follows, a gap, or a mistake."""
        view, main = self.table.view, self.main
        value = view.value(row, main)
        readings = any(view.kinds[row][index] == "n" for index in self.flow_columns)
        columns = range(self.table.left, self.table.right + 1)
        texts = [view.value(row, c) for c in columns if view.value(row, c) is not None]
        if not readings and len(texts) == 1 and isinstance(texts[0], str) and row in self.table.sections:
            *before, last = filter(None, re.split(r"[.;!]\s+", texts[0]))
            named = [label for text in before if (label := parse_label(text)).side]
            if named and self.section is None:  # "that's the intakes. Ex:" says what is above it too
                raw[:] = [entry._replace(section=replace(named[0], rest="")) for entry in raw]
            self.section = _within(self.section, parse_label(last))
            return
        if not readings and len(texts) == 1 and isinstance(texts[0], str) and is_sentence(texts[0]):
            return
        if (value is None and not readings) or view.place(row, main) in view.grid.formula_gaps:
            return
        if isinstance(value, str) and view.kinds[row][main] == "g" and not readings:
            what = f"the lift {value.strip()!r} is a gap; the row gives no point"
            self.got.findings.append(Finding("not-a-number", "note", view.source(row, main), what))
            return
        found = "is empty, though its row has readings"
        if value is not None:
            found = f"holds {as_text(value)!r}, which is not a number"
        what = f"the cell of the lift {found}; set it in the job file (values), or leave the row out (leave_out)"
        self.got.findings.append(Finding("not-a-number", "error", view.source(row, main), what))


def _within(section: Label | None, said: Label) -> Label:
    """A line that gives only a port or run stays on the side and in the state of the line above it."""
    if section is None or said.side or said.code or said.rest or said.head:
        return said
    pressure = said.pressure or section.pressure
    return replace(said, side=section.side, code=section.code, rest=section.rest, head=section.head, pressure=pressure)


def _find_unit(table: Table, main: int, raw: Sequence[_Raw], headed: Unit | None, got: Lifts) -> None:
    """Find the unit of lifts: from the heading, the cells, or the one their size leaves."""
    in_cells = {unit.name: unit for _, _, spelled, _ in raw if spelled and (unit := known_unit(spelled)) is not None}
    if headed is not None:
        got.unit = headed
        return
    where = table.view.source(table.row, main)
    if len(in_cells) == 1:
        got.unit = next(iter(in_cells.values()))
        if any(not spelled for _, _, spelled, _ in raw):
            got.source = "assumed"
            got.findings.append(
                assumed(where, f"lifts without a unit were read in {got.unit.name}, as the others of their column")
            )
        return
    largest = max((value for _, value, _, _ in raw), default=0.0)
    for name, (low, high) in (("in", INCH_RANGE), ("mm", MM_RANGE)):
        if low <= largest <= high and not in_cells:
            got.unit, got.source, got.by_size = UNITS[name], "assumed", True
            got.findings.append(
                assumed(
                    where, f"lifts up to {largest:g} have no unit and were read in {'inches' if name == 'in' else 'mm'}"
                )
            )
            return
    if raw:
        what = (
            f"lifts up to {largest:g} have no unit and could be meant in more than one; "
            "state it with --lift-unit or lift_unit in the job's conditions"
        )
        got.findings.append(refused(where, what))


def _check_others(table: Table, main: int, got: Lifts) -> None:
    """Hold the other columns of lifts against the one that counts."""
    view = table.view
    for index in table.lifts:
        if index == main or got.unit is None:
            continue
        source = view.source(table.row, index)
        unit = _heading_unit(table, index) or got.unit
        if unit.quantity == got.unit.quantity:
            for entry in got.rows:
                other = view.cells[entry.row][index].value
                if other is not None and abs(to_si(other, unit) - entry.lift) > max(AGREE * entry.lift, 3e-5):
                    what = (
                        f"two columns of lifts disagree: {from_si(entry.lift, got.unit):g} {got.unit.name} and "
                        f"{other:g} {unit.name} in one row; leave the wrong one out in the job file (leave_out)"
                    )
                    got.findings.append(refused(view.source(entry.row, index), what))
                    break
        got.findings.append(Finding("column-ignored", "note", source, "a second column of lifts was left out"))
