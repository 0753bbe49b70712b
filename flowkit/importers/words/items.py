"""One stated value of a sheet -> SI: a test pressure, a bore, a date, whose unit is stated or plain to see."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from flowkit.fields import section
from flowkit.importers.files.grid import CellValue
from flowkit.importers.words.labels import Label, parse_label
from flowkit.importers.words.units import take_pressure
from flowkit.importers.words.values import GAP_MARKS, Cell, as_text, iso_date, known_unit, read_cell
from flowkit.importers.words.vocabulary import SIDE_CODES
from flowkit.model import Finding, Side
from flowkit.units import FLOW_QUANTITIES, UNITS, Quantity, Unit, from_si, measures, to_si

_ROWS = {
    **{key: row for key, row in section("conditions").items() if key not in ("test_pressure", "reading_unit")},
    "pressure": section("conditions")["test_pressure"],
    **{f"{key}_{when}": section("conditions")[f"{key}{more}"] for when in ("before", "after")
       for key, more in (("leak", ""), ("leak_reading", ""), ("zero", "_reading"))},
}  # fmt: skip
# Kind of the vocabulary -> field of `Conditions`.
CONDITION_FIELDS: dict[str, str] = {kind: row.attribute for kind, row in _ROWS.items()}
_TWO_WAYS = re.compile(r"\d{1,2}[-./]\d{1,2}[-./](?:\d{2}|\d{4})")
FLOW_KINDS = frozenset(kind for kind, row in _ROWS.items() if row.kind == "flow")
_NO_NAME = frozenset({"-", "--", "---", "–", "—", "?", "n/a", "..."})
_GAUGE = frozenset(kind for kind, row in _ROWS.items() if row.kind == "pressure" and row.unit == "inH2O")
_BESIDE = {
    **dict.fromkeys(("leak", "leak_before", "leak_after"), "leak_pressure"),
    "check_reading": "check_reading_pressure", "check_nominal": "check_pressure",
}  # fmt: skip
_ABSOLUTE = frozenset(kind for kind, row in _ROWS.items() if row.kind == "pressure") - _GAUGE
_TEXT = frozenset(kind for kind, row in _ROWS.items() if row.kind in ("text", "choice")) | {"variant", "head"}
_METER_READING = {
    "check_reading": "check_plate_reading", "leak": "leak_reading",
    "leak_before": "leak_reading_before", "leak_after": "leak_reading_after",
}  # fmt: skip
_KINDS: dict[str, tuple[Quantity, ...]] = {
    "flow": FLOW_QUANTITIES, "pressure": ("pressure",), "length": ("length",), "temperature": ("temperature",),
    "angle": ("angle",), "humidity": ("humidity",),
}  # fmt: skip
QUANTITIES = {kind: _KINDS[row.kind] for kind, row in _ROWS.items() if row.kind in _KINDS}
# What to do about a wrong cell: the sheet is evidence and never edited.
BY_HAND = "set the cell right in the job file (values), or leave it out (leave_out)"
CONTRADICTED = (
    'correct the statement, or, where it is right, add overrides = true and reason = "…" to the same conditions in '
    "the job file"
)
KEEP_ONE = "leave the wrong one out in the job file (leave_out)"
SET_HEADING = "set the heading right in the job file (values)"
STATE_RIGHT = "state the right one in the job file, with overrides = true and a reason"
MAPPING_HINT = "say in the job file which cells hold what"
PROPOSED = "put this into its [[variant]] and fill in each ?: "
_LIKELY = {
    **dict.fromkeys(_GAUGE, (200.0, 25_000.0)), **dict.fromkeys(_ABSOLUTE, (85e3, 108.5e3)),
    "fixture_bore": (0.03, 0.2), "valve_head": (0.012, 0.08), "stem": (0.004, 0.016), "throat": (0.01, 0.075),
}  # fmt: skip
_ONE_MARK = re.compile(r"\D*[1-9]\d{0,2}[.,]\d{3}(?!\d)")
_ODD = re.compile(r"\s*(?:(?:[^\W\d_]+\.?\s+){1,2}|ca\.?|~|≈|Ø|⌀)?\s*([-+−]?[\d.,\s'’]*\d)\s*\(?([^()]*)\)?\s*$")


class Item(NamedTuple):
    """A value a sheet states."""

    kind: str
    value: float | str
    unit: Unit | None
    source: str
    side: Side | None = None
    stated: bool = True


def assumed(source: str, what: str, remedy: str = "state the unit if that is not meant") -> Finding:
    """Say that a unit was assumed."""
    return Finding("unit-assumed", "note", source, f"{what}; {remedy}")


def refused(source: str, what: str) -> Finding:
    """Say that something cannot be read in one way only."""
    return Finding("sheet-ambiguous", "error", source, what)


def unreadable(source: str, what: str) -> Finding:
    """Say that a table cannot be read by its headings, so that the user may map it."""
    return refused(source, f"{what}; {'or ' if ';' in what else ''}{MAPPING_HINT}")


def proposal_of(message: str) -> tuple[str, str]:
    """Part a message from the mapping that it proposes."""
    said, _, mapping = message.partition(PROPOSED)
    return re.sub("; (or |if there is one, )?$", "", said), mapping.rstrip(".")


@dataclass(frozen=True, slots=True)
class Units:
    """What is stated outside a table: units of numbers that have none, the order of dates, conditions in SI."""

    flow: str | None = None
    pressure: str | None = None
    date_order: str | None = None
    given: Mapping[str, float | str] = field(default_factory=dict)  # by the conditions' attributes
    overrides: Collection[str] = ()  # those that count whatever the sheet says


NO_UNITS = Units()


class Written(NamedTuple):
    """A value as a sheet has it."""

    value: CellValue
    source: str
    label: Label = Label()
    unit_text: str = ""
    decimal_comma: bool | None = None
    percent: bool = False
    default_unit: str | None = None
    name: str = ""  # of the range or meter that a leak holds for


def read_item(kind: str, written: Written, units: Units = NO_UNITS) -> tuple[list[Item], list[Finding]]:
    """Read one stated value; a doubt that a statement of the user settles is none."""
    items, findings = _read_item(kind, written, units.date_order)
    wanted = units.given.get(CONDITION_FIELDS.get(kind, ""))
    if items or not findings or wanted is None:
        return items, findings
    text = as_text(written.value)
    if CONDITION_FIELDS[kind] in units.overrides or _can_mean(kind, written, wanted):
        return [], []
    spelled = _ROWS[kind].unit
    shown = f"{from_si(wanted, spelled):.6g} {spelled}" if spelled and isinstance(wanted, float) else repr(wanted)
    what = f"the sheet gives {kind.replace('_', ' ')} {text!r}, but {shown} was stated; {CONTRADICTED}"
    return [], [Finding("stated-contradicts", "error", written.source, what)]


def _can_mean(kind: str, written: Written, wanted: float | str) -> bool:
    """Whether what a sheet says, in some unit or order of day and month, is what the user states."""
    if isinstance(wanted, str):
        ways = {iso_date(written.value, order) for order in ("day", "month")}
        return kind != "date" or (iso_date(wanted) or wanted) in ways
    found = read_cell(written.value, written.decimal_comma).value
    units = [unit for unit in UNITS.values() if unit.quantity in QUANTITIES.get(kind, ()) and unit.factor]
    least = 1e-3 * abs(wanted)  # rounding to a printed digit
    return found is None or any(abs(to_si(abs(found), unit) - wanted) <= least for unit in units)


def _read_item(kind: str, written: Written, order: str | None) -> tuple[list[Item], list[Finding]]:  # noqa: PLR0911
    """Read one stated value as the sheet has it."""
    text = as_text(written.value)
    if not text or text.lower() in (_NO_NAME if kind not in QUANTITIES else GAP_MARKS):
        return [], []
    if kind == "date":
        date = iso_date(written.value, order)
        if date is None and _TWO_WAYS.fullmatch(text):
            what = (
                f"the date {text} can be read with the day or the month first and was left out; say which it is, for "
                "all sheets, with --date-order day or month (date_order under [conditions] in the job file)"
            )
            return [], [Finding("date-ambiguous", "warning", written.source, what)]
        return [Item(kind, date or text, None, written.source)], []
    if kind in _TEXT:
        unit = f" {written.unit_text or written.label.unit_text}".rstrip()
        if kind in _ROWS and _ROWS[kind].metered and unit and text[-1:].isdigit():
            text += unit
        return [Item(kind, text, None, written.source, written.label.side)], []
    if kind == "run":
        digits = re.fullmatch(r"\D*?(\d{1,4})(?:\.0+)?", text)
        if digits is None or int(digits[1]) < 1:
            return [], [refused(written.source, f"{text!r} is not a run number (runs count from 1); {BY_HAND}")]
        return [Item("run", float(digits[1]), None, written.source)], []
    return _read_name(kind, text, written.source) if kind in ("side", "port") else _read_quantity(kind, written, text)


def _read_name(kind: str, text: str, source: str) -> tuple[list[Item], list[Finding]]:
    """Read a side or a port; each may bring the other."""
    said = parse_label(text)
    code = said.code
    if said.letter and not said.rest and kind == "side" and said.letter.casefold() in SIDE_CODES:
        code = said.letter.casefold()
    sides = [Item("side", said.side or f"?{code}", None, source)] if said.side or code else []
    ports = [Item("port", said.port, None, source)] if said.port else []
    if kind == "side":
        if sides or said.both_sides or said.kind == "side":
            return sides and sides + ports, []
        return [], [refused(source, f"{text!r} names neither intake nor exhaust; {BY_HAND}")]
    sides = [] if code and said.rest else sides
    if not ports or said.rest:
        ports = [] if sides and not ports else [Item("port", text, None, source)]
    return sides + ports, []


def _read_quantity(kind: str, written: Written, text: str) -> tuple[list[Item], list[Finding]]:
    """Read a number with its unit, from the cell, a cell of its own or the label."""
    value, source, label = written.value, written.source, written.label
    items: list[Item] = []
    findings: list[Finding] = []
    taken = take_pressure(text) if kind in FLOW_KINDS and isinstance(value, str) else None
    if taken is not None and taken.rest.strip(" ,;@"):  # "0.4 CFM @ 28 inH2O"; alone it is what a meter showed
        beside = Written(f"{taken.number} {taken.unit}".strip(), source, decimal_comma=written.decimal_comma)
        items, findings = read_item(_BESIDE[kind], beside)
        value = taken.rest.strip(" ,;@")
    cell = read_cell(value, written.decimal_comma)
    if cell.value is None and kind in _LIKELY and _ONE_MARK.match(text):
        cell = read_cell(value, False)  # 1,007 hPa: the size below says which mark it is
    if cell.value is None and isinstance(value, str):
        cell = _read_odd(kind, value, written.decimal_comma)
    name = kind.replace("_", " ")
    if cell.value is None:
        findings.append(Finding("not-a-number", "error", source, f"{text!r} is not a number for {name}{_like(kind)}"))
        return items, findings
    spelled = cell.unit or written.unit_text or label.unit_text or (written.default_unit or "")
    if kind in _METER_READING and spelled and known_unit(spelled, FLOW_QUANTITIES) is None and is_meter_unit(spelled):
        shown = f"{cell.value:.12g} {spelled}" + (f"@{written.name}" if written.name else "")
        return [*items, Item(_METER_READING[kind], shown, None, source, label.side)], findings
    notes: list[Finding] = []
    if kind == "humidity" and (written.percent or not spelled):
        unit = UNITS["%"]
        number = cell.value if written.percent or cell.value <= 1 else cell.value / 100
    else:
        found, notes = _unit(kind, cell.value, spelled or ("°" if kind == "seat_angle" else ""), source)
        findings += notes
        if found is None:
            return items, findings
        unit = found
        number = cell.value if kind in FLOW_KINDS else to_si(_of_likely_size(kind, cell.value, unit, text), unit)
    if kind in _GAUGE:
        number = abs(number)  # a depression may be written with its sign
    wrong = _impossible(kind, number)
    if wrong:
        findings.append(Finding("not-a-number", "error", source, f"{name} {text!r} is {wrong}; {BY_HAND}"))
    else:
        items.append(Item(kind, number, unit, source, label.side, stated=not notes))
    return items, findings


def _of_likely_size(kind: str, value: float, unit: Unit, text: str) -> float:
    """``5.000 Pa`` and ``1,013 mbar`` as the thousand or the decimal that a pressure of this kind can be."""
    low, high = _LIKELY.get(kind, (0.0, 0.0))
    if not high or not _ONE_MARK.match(text) or low <= abs(to_si(value, unit)) <= high:
        return value
    likely = [other for other in (value * 1000, value / 1000) if low <= abs(to_si(other, unit)) <= high]
    return likely[0] if len(likely) == 1 else value


def is_meter_unit(spelled: str) -> bool:
    """Whether a unit is one that meters are read in."""
    return spelled in ("V", "Hz", "div", "%") or measures(known_unit(spelled), "pressure", "length", "humidity")


def _impossible(kind: str, number: float) -> str:
    """Say why a value in SI cannot be; nothing where it can."""
    if kind == "humidity" and not 0 <= number <= 1:
        return "not between 0 and 100 %"
    if kind == "seat_angle" and not 0 < number < 90:
        return "not between 0 and 90 degrees"
    if number == 0 and kind in ("fixture_bore", "valve_head", "throat"):
        return "zero, which no head has"
    return "negative" if number < 0 and kind not in FLOW_KINDS else ""


def _read_odd(kind: str, value: str, decimal_comma: bool | None) -> Cell:
    """Read ``45 deg``, ``28 in (water)``, ``ca. 28? inH2O`` and the like: the number and its unit."""
    plain = re.sub(r"\(?\?+\)?", " ", value)
    match = _ODD.match(plain)
    unit = match[2].strip() if match else ""
    if match is None or (unit and known_unit(match[2], QUANTITIES[kind]) is None):
        return Cell(None)
    return read_cell(match[1], decimal_comma)._replace(unit=unit)


def _unit(kind: str, value: float, spelled: str, source: str) -> tuple[Unit | None, list[Finding]]:
    """Find the unit of a stated value: as spelled, or the only one its size leaves."""
    name = kind.replace("_", " ")
    if not spelled:
        plain = [unit for unit, (low, high) in (_ROWS[kind].usual or {}).items() if low <= value <= high]
        if len(plain) != 1:
            return None, [refused(source, f"{name} {value:g} has no unit{_like(kind)}")]
        what = f"{name} {value:g} has no unit and was read as {value:g} {plain[0]}"
        return UNITS[plain[0]], [assumed(source, what)]
    unit = known_unit(spelled, QUANTITIES[kind])
    if unit is not None:
        return unit, []
    inch = known_unit(spelled)
    if inch is not None and inch.name == "in" and kind in _GAUGE | _ABSOLUTE:
        column, liquid = ("inH2O", "water") if kind in _GAUGE else ("inHg", "mercury")
        return UNITS[column], [assumed(source, f"{value:g} in of {name} was read as inches of {liquid}")]
    return None, [refused(source, f"{spelled!r} is not a unit for {name}{_like(kind)}")]


def _like(kind: str) -> str:
    """What to do: how and where a condition is stated."""
    row = _ROWS[kind]
    return f"; state it like {row.example!r}, with --{row.key.replace('_', '-')} or in the job's conditions"
