"""The lifts of a table: their rows, their unit and what is between them."""

from __future__ import annotations

import datetime
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import isclose
from typing import Literal, NamedTuple

from flowkit.importers.tables.find import Table, date_fraction, unit_beside
from flowkit.importers.words.items import BY_HAND, assumed, refused, unreadable
from flowkit.importers.words.labels import Label, parse_label
from flowkit.importers.words.phrases import is_sentence
from flowkit.importers.words.values import as_text, known_unit, plain_numbers
from flowkit.model import Finding
from flowkit.units import UNITS, Unit, from_si, measures, to_si

RANGES = {"in": (0.05, 1.0), "mm": (1.5, 25.0)}  # of the largest lift
LARGEST_M, LARGEST_RATIO = 0.030, 1.0
AGREE = 0.02  # two columns of lifts, each rounded for printing


class LiftRow(NamedTuple):
    """A row with a lift in SI, and the line between the rows that it is under."""

    row: int
    lift: float
    section: Label | None = None


class _Raw(NamedTuple):
    """A lift as written."""

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
    """Read a table's lifts; of several columns the first in a unit of length counts."""
    view, got = table.view, Lifts()
    headed = [(index, _heading_unit(table, index)) for index in table.lifts]
    main, unit = next((pair for pair in headed if measures(pair[1], "length")), headed[0])
    unit = unit or (known_unit(default_unit) if default_unit else None)
    places = range(table.first, table.last + 1)
    numbers = plain_numbers([view.rows[row][main] for row in places], view.decimal_comma)
    if numbers is not None and unit is not None and min(numbers) >= 0:
        got.unit = unit
        got.rows = list(map(LiftRow, places, scaled(numbers, unit.factor)))
    else:
        raw = _raw(table, main, flow_columns, got.findings)
        _find_unit(view.source(table.row, main), raw, unit, got)
        if got.unit is not None:
            _read_each(table, main, raw, got.unit, got)
    _check_others(table, main, got)
    largest = max((entry.lift for entry in got.rows), default=0.0)
    if got.unit is not None and largest > (LARGEST_RATIO if got.ratio else LARGEST_M) * (1 + 1e-9):
        # Of metres, of a pump's head, or in another unit than is written.
        shown = f"{largest:g} times the valve's diameter" if got.ratio else f"{largest * 1e3:g} mm"
        what = f"the largest lift would be {shown}, more than any valve lifts (30 mm at most); check its unit"
        got.findings.append(unreadable(view.source(table.row, main), what))
        got.rows, got.unit = [], None
    return got


def _heading_unit(table: Table, index: int) -> Unit | None:
    """The unit in the headings over a column of lifts, or left of it in a group's heading."""
    labels = [table.axis.label, *(table.view.label(row, index) for row in table.headers)]
    units = [label.unit for label in labels if label is not None and measures(label.unit, "length", "lift ratio")]
    return units[-1] if units else unit_beside(table.view, table.axis.rows, index + 1)


def _raw(table: Table, main: int, flow_columns: Sequence[int], findings: list[Finding]) -> list[_Raw]:
    """Read every row's lift as written, with the section it is in."""
    view = table.view
    above = [place for place in table.sections.items() if place[0] < table.first]
    section = view.label(*max(above)) if above else None
    raw: list[_Raw] = []
    merged = {r0: r1 for r0, c0, r1, c1 in view.merged if c0 <= main <= c1 and r1 > r0}
    held: tuple[int, float, str] | None = None  # a lift merged over several rows: last row, number, unit
    for row in range(table.first, table.last + 1):
        value, cell = view.rows[row][main], view.cells[row][main]
        number = cell.value
        if number is None and isinstance(value, datetime.date):
            number = date_fraction(value)
            if number is not None:
                what = f"the lift was kept as the date {value:%Y-%m-%d} and read as the fraction it was typed as"
                remedy = "set them right in the job file (values) if that is not meant"
                findings.append(assumed(view.source(row, main), f"{what}, {number:g}", remedy))
        if number is not None:
            raw.append(_Raw(row, number, cell.unit, section))
            held = (merged[row], number, cell.unit) if row in merged else None
        elif held is not None and value is None and row <= held[0]:
            raw.append(_Raw(row, held[1], held[2], section))
        elif row not in table.named:
            readings = any(view.kinds[row][index] == "n" for index in flow_columns)
            texts = [v for v in view.rows[row][table.left : table.right + 1] if v is not None]
            line = texts[0] if len(texts) == 1 and not readings and isinstance(texts[0], str) else None
            if line is not None and row in table.sections:
                *before, name = filter(None, re.split(r"[.;!]\s+", line))
                named = [label for text in before if (label := parse_label(text)).side]
                if named and section is None:  # "that's the intakes. Ex:" says what is above it too
                    raw[:] = [entry._replace(section=replace(named[0], rest="")) for entry in raw]
                section = _within(section, parse_label(name))
            elif line is None or not is_sentence(line):
                findings += _between(table, row, main, readings=readings)
    return raw


def _between(table: Table, row: int, main: int, *, readings: bool) -> list[Finding]:
    """Name a gap or a mistake in a row without a lift."""
    view = table.view
    value, source = view.value(row, main), view.source(row, main)
    if (value is None and not readings) or view.place(row, main) in view.grid.formula_gaps:
        return []
    if isinstance(value, str) and view.kinds[row][main] == "g" and not readings:
        what = f"the lift {value.strip()!r} is a gap; the row gives no point"
        return [Finding("not-a-number", "note", source, what)]
    found = "is empty, though its row has readings"
    if value is not None:
        found = f"holds {as_text(value)!r}, which is not a number"
    what = f"the cell of the lift {found}; set it in the job file (values), or leave the row out (leave_out)"
    return [Finding("not-a-number", "error", source, what)]


def _within(section: Label | None, said: Label) -> Label:
    """A line that gives only a port or run stays on the side and in the state of the line above it."""
    if section is None or said.side or said.code or said.rest or said.head:
        return said
    pressure = said.pressure or section.pressure
    return replace(said, side=section.side, code=section.code, rest=section.rest, head=section.head, pressure=pressure)


def _find_unit(where: str, raw: Sequence[_Raw], headed: Unit | None, got: Lifts) -> None:
    """Find the unit of lifts: from the heading, the cells, or the one their size leaves."""
    if headed is not None:
        got.unit = headed
        return
    in_cells = {unit.name: unit for entry in raw if entry.unit and (unit := known_unit(entry.unit)) is not None}
    if len(in_cells) == 1:
        (got.unit,) = in_cells.values()
        if any(not entry.unit for entry in raw):
            got.source = "assumed"
            what = f"lifts without a unit were read in {got.unit.name}, as the others of their column"
            got.findings.append(assumed(where, what))
        return
    largest = max((entry.value for entry in raw), default=0.0)
    name = next((name for name, (low, high) in RANGES.items() if low <= largest <= high and not in_cells), None)
    if name is not None:
        got.unit, got.source, got.by_size = UNITS[name], "assumed", True
        what = f"lifts up to {largest:g} have no unit and were read in {'inches' if name == 'in' else 'mm'}"
        got.findings.append(assumed(where, what))
    elif raw:
        what = f"lifts up to {largest:g} have no unit and could be meant in more than one"
        remedy = "state it with --lift-unit or lift_unit in the job's conditions"
        got.findings.append(refused(where, f"{what}; {remedy}"))


def _read_each(table: Table, main: int, raw: Sequence[_Raw], common: Unit, got: Lifts) -> None:
    """Bring lifts to SI one by one, each in its own unit where it has one."""
    for row, value, spelled, section in raw:
        unit, source = known_unit(spelled) if spelled else common, table.view.source(row, main)
        if unit is None or unit.quantity != common.quantity:
            what = f"{as_text(table.view.value(row, main))!r} is not a lift in {common.name}; {BY_HAND}"
            got.findings.append(Finding("not-a-number", "error", source, what))
        elif value < 0:
            what = f"the lift {value:g} is negative, and a valve cannot open that way; {BY_HAND}"
            got.findings.append(Finding("lift-negative", "error", source, what))
        else:
            got.rows.append(LiftRow(row, to_si(value, unit), section))


def _check_others(table: Table, main: int, got: Lifts) -> None:
    """Hold the other columns of lifts against the one that counts."""
    view = table.view
    for index in [index for index in table.lifts if index != main]:
        if got.unit is None:
            continue
        unit = _heading_unit(table, index) or got.unit
        for entry in got.rows if unit.quantity == got.unit.quantity else ():
            other = view.cells[entry.row][index].value
            if other is not None and abs(to_si(other, unit) - entry.lift) > max(AGREE * entry.lift, 3e-5):
                what = (
                    f"two columns of lifts disagree: {from_si(entry.lift, got.unit):g} {got.unit.name} and "
                    f"{other:g} {unit.name} in one row; leave the wrong one out in the job file (leave_out)"
                )
                got.findings.append(refused(view.source(entry.row, index), what))
                break
        source = view.source(table.row, index)
        got.findings.append(Finding("column-ignored", "note", source, "a second column of lifts was left out"))
