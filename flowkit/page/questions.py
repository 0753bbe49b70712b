"""Findings as questions: each with the controls that settle it, at its cell."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from flowkit.fields import CONDITIONS
from flowkit.importers.explain import answers as settled_by
from flowkit.importers.words.items import MAPPING_HINT, proposal_of
from flowkit.model import Finding
from flowkit.page import answers
from flowkit.page.workspace import FileView, Snapshot, cell_of
from flowkit.units import format_quantity

_UNITS = {
    "flow_unit": ("CFM", "L/s", "m³/h", "L/min"),
    "lift_unit": ("mm", "in", "thou"),
    "pressure_unit": ("inH2O", "mmH2O", "kPa", "mbar"),
    "reading_unit": ("%", "inH2O", "mm", "V"),
}
_ASK = {
    "flow_unit": "What are these flows in?",
    "lift_unit": "What are these lifts in?",
    "pressure_unit": "What are these pressures in?",
    "reading_unit": "What are these readings in?",
    "test_pressure": "What test pressure are these flows for?",
    "side": "Intake or exhaust?",
    "port": "Which port is this?",
    "fixture_bore": "What bore was the fixture?",
    "date": "When was this flowed?",
    "head": "Which head is this?",
}
_QUICK = {
    "test_pressure": ("28 inH2O", "25 inH2O", "10 inH2O"),
    "side": ("intake", "exhaust"),
}
_OPTION = re.compile(r"--([a-z][a-z-]+)")
_MEANT = re.compile(r"(?:, |; |: )(?:if )?([0-9.]+)( [^\s,;:]+)? was meant")
_READS = re.compile(r"the (?:flow|lift) ([0-9.]+)")
_CURVE = re.compile(r"gives ([0-9.]+)")
_NAMED_PRESSURE = re.compile(
    r"names (.+?), and nothing in this file was read at that pressure"
    r"|its flows are (?:at|corrected to) (.+?), and their rows give (.+?);"
)
_FLOWS_ARE_FOR = "asked on the page: the pressure that the flows are for"
_FOR_COMMAND = re.compile(r"--[a-z]|\bjob file\b|\bthe job's\b|\[\[|\boverrides\b")
_STATED = re.compile(r"the (?:sheet gives|rows give a) (.*?), but (.*?) was stated", re.S)
_TWICE = re.compile(r"(?:here and in|the leak in) (.+?)(?: differ)?[;,]")
_NO_UNIT = re.compile(r"^(?!.*flows|.*lifts)(.+) ([0-9.,]+) has no unit", re.I)
_SAID = "the unit, answered on the page"
_BY_QUANTITY = {
    "length": ("mm", "in"),
    "pressure": ("hPa", "kPa", "mmHg", "inHg"),
    "temperature": ("°C", "°F"),
    "flow": ("CFM", "L/s"),
}
_TITLES = {
    "not-a-number": "This is not a number.",
    "falling-flow": "The flow falls while the lift rises.",
    "lift-order": "The lifts are out of order.",
    "lift-repeated": "This lift appears twice.",
    "leak-large": "The leak is large.",
    "pressure-mixed": "The test pressure changes from row to row.",
    "sheet-ambiguous": "This can be read in more than one way.",
    "stated-contradicts": "The job and the sheet disagree.",
    "variant-empty": "Nothing from this sheet is used yet.",
    "file-unusable": "This file cannot be read.",
    "hidden-content": "Something in this sheet is hidden.",
    "condition-unlikely": "This figure is unlikely.",
    "port-missing": "Which port is this?",
    "side-missing": "Intake or exhaust?",
    "identical-readings": "These readings are a copy of others.",
    "corrected-unequally": "Not every state was corrected in the same way.",
    "date-ambiguous": "Is the day or the month first in this date?",
    "pressure-missing": "What test pressure are these flows for?",
    "pressure-impossible": "This test pressure is not possible.",
    "flow-negative": "This flow is below zero.",
    "lift-negative": "This lift is below zero.",
    "check-off": "The check plate is far off.",
}
"""What each doubt is called, in words; else the rule's own."""
_AT_CELLS = (
    *("typing-slip", "falling-flow", "not-a-number", "lift-order", "lift-repeated", "lift-negative", "flow-missing"),
    *("flow-negative", "impossible-flow", "sheet-ambiguous", "meter-beyond", "meter-negative"),
    *("pressure-mixed", "pressure-impossible", "stated-contradicts", "pressure-missing"),
)
"""What can be settled at the cell itself: another value, or left out."""
_CELL_RULES = ("typing-slip", "falling-flow", "not-a-number", "lift-order", "stated-contradicts", "condition-unlikely")
_LETTER = re.compile(r"(?:the letter '[AE]'|'[AE]\s*\d*' may be intake or exhaust)")
NAMED = ("side", "port", "run", "head", "variant", "lift_unit", "flow_unit", "pressure_unit", "reading_unit")
LETTERED = re.compile(r"^\s*([AE])(?=\s*#?\s*\d)")
"""A heading that names its side by a letter of two languages: E is Einlass or escape, A is Auslass or admisión."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A condition that an answer states: its key, ready answers, an example, and whether it needs its reason.

    `because` is the reason where the question gives it: the answer then counts whatever else the sheet says.
    """

    key: str
    label: str
    quick: tuple[str, ...]
    example: str
    reason: bool = False
    kind: str = "condition"
    because: str = ""


@dataclass(frozen=True, slots=True)
class Ready:
    """An answer that is one click: its words, the fields it sends, and whether it may be sent for several sheets."""

    label: str
    fields: tuple[tuple[str, str], ...]
    for_all: bool = True


@dataclass(frozen=True, slots=True)
class Question:
    """One doubt with everything a page needs to settle it."""

    ident: str
    title: str
    message: str
    severity: str
    rule: str
    file: str
    sheet: str | None = None
    cell: str | None = None
    files: tuple[str, ...] = ()
    choices: tuple[Choice, ...] = ()
    ready: tuple[Ready, ...] = ()
    proposed: str = ""
    reads: str = ""
    cell_controls: bool = False
    mapping: Mapping[str, Any] | None = None

    @property
    def asks(self) -> bool:
        """Whether it waits for an answer; a warning that no answer settles is only worth knowing."""
        return self.severity == "error" or bool(self.choices or self.ready or self.cell_controls or self.mapping)

    @property
    def cell_words(self) -> str:
        """The cell as people say it: line and column of a text file, or the cell of a worksheet."""
        line, mark, column = (self.cell or "").partition(":")
        return f"line {line}, column {column}" if mark else f"cell {line}"

    @property
    def address(self) -> str:
        """The cell as the job file names it, with its worksheet where there is one."""
        return f"{self.sheet}!{self.cell}" if self.sheet else self.cell or ""

    @property
    def row(self) -> str:
        """The cell's row as the job file names it; empty where there is none."""
        number = re.match(r"(\d+):|[A-Z]+(\d+)$", self.cell or "")
        row = f"row {number[1] or number[2]}" if number else ""
        return f"{self.sheet}!{row}" if self.sheet and row else row

    @property
    def one_for_all(self) -> bool:
        """Whether one answer is offered for all its sheets: a unit or an order of writing, not how each was flowed."""
        return not self.choices or self.choices[0].key.endswith("_unit")


def questions_of(snapshot: Snapshot, view: FileView) -> tuple[Question, ...]:
    """Return what one sheet waits for, errors first; one question where several findings have one answer."""
    hand = answers.by_hand(snapshot.document, view.name)
    made: dict[Any, Question] = {}
    for finding in sorted(
        view.open, key=lambda item: (item.severity != "error", not cell_of(item.where, view.name)[1])
    ):
        if finding.rule in ("drift-unknown", "side-missing"):
            continue  # asked once for all tests, below
        sheet, cell = cell_of(finding.where, view.name)
        if cell and (cell in hand or f"{sheet}!{cell}" in hand):
            continue
        question = _question(snapshot, view, finding, sheet, cell)
        first = question.choices[0].key if question.choices else ""
        shared = finding.rule in ("date-ambiguous",) or (first and not question.choices[0].reason)
        made.setdefault((finding.rule, first) if shared else (finding.rule, finding.where), question)
    asked = (_without_side(snapshot, view), _undated(snapshot, view))
    return (*made.values(), *(question for question in asked if question is not None))


def _without_side(snapshot: Snapshot, view: FileView) -> Question | None:
    """Ask for the side of tests that name none: of the whole sheet, or column by column."""
    waiting = [item.name for item in snapshot.files if any(test.side is None for test in item.tests)]
    if view.name not in waiting:
        return None
    finding = Finding(
        "side-missing", "error", view.name, "The sheet does not say. If it holds both, say what each column is."
    )
    return Question(
        **_said(finding, view.name, _ASK["side"]),
        message=finding.message,
        files=(view.name, *(name for name in waiting if name != view.name)),
        choices=(Choice("side", "side", _QUICK["side"], ""),),
        mapping={"flow": []},
    )


def _undated(snapshot: Snapshot, view: FileView) -> Question | None:
    """Ask for the days of all undated sheets at once, where a gain hangs on them."""
    found = next((f for f in snapshot.findings if f.rule == "drift-unknown" and "carry no date" in f.message), None)
    waiting = [
        item.name for item in snapshot.files if any(not (test.conditions.date or "").strip() for test in item.tests)
    ]
    if found is None or view.name not in waiting:
        return None
    return Question(
        **_said(found, view.name, "When were these flowed? All on the same day?"),
        message=_hanging(found.message),
        files=(view.name, *(name for name in waiting if name != view.name)),
        choices=(Choice("date", "day", (), "2026-03-20"), _DRIFT),
    )


def drift_question(finding: Finding) -> Question:
    """Ask how far the bench moves, where dated sheets hang on it."""
    title = "How far does the bench move from day to day?"
    return Question(**_said(finding, "", title), message=_hanging(finding.message), choices=(_DRIFT,))


def _said(finding: Finding, file: str, title: str) -> dict[str, Any]:
    """What every question takes from its finding; its name stays the same while it is asked."""
    ident = hashlib.sha256(f"{finding.rule}\n{finding.where}".encode()).hexdigest()[:10]
    return {"ident": ident, "title": title, "severity": finding.severity, "rule": finding.rule, "file": file}


def _hanging(message: str) -> str:
    """The first sentence behind the questions of what gains hang on, and how many they are."""
    waits = message.count("is not assessed")
    first = re.sub(r"^(?:[^.?]*\? )+", "", message).partition(". ")[0].rstrip(".") + "."
    gains = "the gain that hangs on it is" if waits == 1 else f"{waits} gains that hang on it are"
    return f"{first} Until it is known, {gains} shown but not called proven or unproven." if waits else first


_DRIFT = Choice("bench.drift", "or how far the bench moves from day to day", (), "0.2 %", kind="table")
_AIR = Choice("bench.standard_air", "standard air at", ("15 °C", "20 °C", "25 °C"), "15 °C", kind="table")


def _question(snapshot: Snapshot, view: FileView, finding: Finding, sheet: str | None, cell: str | None) -> Question:
    """Make a question of a finding."""
    message = finding.message
    choices = _choices(finding)
    ready = _ready(finding, f"{sheet}!{cell}" if sheet else cell or "")
    files = [view.name]
    if ready or (choices and not choices[0].reason):
        files += [
            other.name
            for other in snapshot.files
            if other.name != view.name
            and any(
                item.rule == finding.rule and _choices(item)[:1] == choices[:1] and bool(_ready(item)) == bool(ready)
                for item in other.open
            )
        ]
    for_all = not ready or finding.rule == "date-ambiguous" or _LETTER.search(message)
    if (named := _NAMED_PRESSURE.search(message)) and cell:
        # The other answer: the pressure that the sheet gives otherwise counts, as exactly as it gives it.
        measured = {t.conditions.test_pressure_pa for t in view.tests if t.conditions.test_pressure_pa is not None}
        own = named[3] or (format_quantity(measured.pop(), "inH2O", 1) if len(measured) == 1 else "")
        place = f"{sheet}!{cell}" if sheet else cell
        words = f"{own}, as it was flowed"
        ready = (Ready(words, (("kind", "leave_out"), ("cell", place)), for_all=False),) if own else ready
    meant, reads, curve = _MEANT.search(message), _READS.search(message), _CURVE.search(message)
    title = _TITLES.get(finding.rule, f"{finding.rule.replace('-', ' ').capitalize()}.")
    if finding.rule == "typing-slip" and reads and curve and cell:
        title = f"This reads {reads[1]}; the curve through its neighbours gives {float(curve[1]):.4g}."
    elif choices and finding.rule not in _CELL_RULES:
        title = _ASK.get(choices[0].key, title)
    # A unit that is asked for is the answer; the cell itself is offered where nothing else settles it.
    settled = finding.rule == "sheet-ambiguous" and choices and not choices[0].reason
    return Question(
        **_said(finding, view.name, title),
        message=plain(message),
        sheet=sheet,
        cell=cell,
        files=tuple(files) if for_all else (),
        choices=choices,
        ready=ready,
        proposed=meant[1] if meant and not choices else "",
        reads=reads[1] if reads and finding.severity == "warning" else "",
        cell_controls=bool(cell) and finding.rule in _AT_CELLS and not settled,
        mapping=_mapping(message),
    )


def _choices(finding: Finding) -> tuple[Choice, ...]:
    """What can be stated to settle a finding, from the options and conditions its message names."""
    message = finding.message
    if (found := _STATED.search(message)) and finding.rule == "stated-contradicts":
        key = _key_of(found[1])
        return (Choice(key, "Or the job is right: it is", (found[2].strip("'"),), "", True),) if key else ()
    if finding.rule in ("condition-unlikely", "check-off"):
        meant = _MEANT.search(message)
        key = "check_reading" if finding.rule == "check-off" else _key_of(message)
        quick = (f"{meant[1]}{meant[2] or ''}",) if meant else ()
        return (Choice(key, key.replace("_", " "), quick, _example(key), True),) if key else ()
    if _LETTER.search(message) or finding.rule in ("date-ambiguous", *_CELL_RULES):
        return ()
    keys = [name.replace("-", "_") for name in _OPTION.findall(message)]
    keys += [key for key, _ in settled_by(finding)]
    if _NO_UNIT.search(message):
        # The number is there: a pressure's unit is the same on all sheets, another figure's is said at its cell.
        keys = ["pressure_unit"] if "test_pressure" in keys else []
    named = _NAMED_PRESSURE.search(message)
    keys += ["test_pressure"] if named or finding.rule == "pressure-missing" else []
    keys += ["lift_unit"] if "more than any valve lifts" in message else []
    keys += ["air_temperature", "barometer"] if "needs the air's temperature and barometer" in message else []
    keys += ["air_temperature", "barometer", "humidity"] if finding.rule in ("air-missing", "meter-air-missing") else []
    made = []
    for key in dict.fromkeys(keys):
        if key in _UNITS:
            made.append(
                Choice(key, key.replace("_", " "), _UNITS[key], _UNITS[key][0], "more than any valve lifts" in message)
            )
        elif key in _ASK or key in _KNOWN:
            made.append(Choice(key, key.replace("_", " "), _QUICK.get(key, ()), _example(key)))
    if named and made and made[0].key == "test_pressure":
        made[0] = replace(made[0], quick=(named[1] or named[2],), because=_FLOWS_ARE_FOR)
    return (*made, *((_AIR,) if "SCFM is a volume" in message else ()))


_KNOWN = {item.key: item for item in CONDITIONS}


def _example(key: str) -> str:
    """An example of a condition."""
    return str(getattr(_KNOWN.get(key), "example", "") or "") or next(iter(_QUICK.get(key, ())), "")


def _key_of(words: str) -> str | None:
    """The key that a message names in words."""
    text = words.casefold()
    if text.strip() == "pressure":
        return "test_pressure"
    named = [key for key in (*_KNOWN, *NAMED) if key.replace("_", " ") in text]
    return max(named, key=len) if named else None


def _ready(finding: Finding, place: str = "") -> tuple[Ready, ...]:
    """The answers that are one click, of a finding at this cell."""
    message = finding.message
    bare = _NO_UNIT.search(message)
    if bare and (key := _key_of(bare[1])) in _KNOWN and key != "test_pressure":
        units = _BY_QUANTITY.get(_KNOWN[key].kind, ())
        return tuple(
            Ready(
                f"{bare[2]} {unit}",
                (("kind", "value"), ("cell", place), ("own", f"{bare[2]} {unit}"), ("reason", _SAID)),
            )
            for unit in units
        )
    if finding.rule == "date-ambiguous":
        return tuple(
            Ready(f"{_day(value)}, the {first} first", (("kind", "date_order"), ("value", first)))
            for (_, value), first in zip(settled_by(finding), ("day", "month"), strict=False)
        )
    if (found := _STATED.search(message)) and finding.rule == "stated-contradicts":
        key = _key_of(found[1])
        return (Ready("The sheet is right", (("kind", "unstate"), ("key", key))),) if key else ()
    if _LETTER.search(message):
        return tuple(
            Ready(f"E is {one}, A is {other}", (("kind", "letters"), ("value", one)))
            for one, other in (("intake", "exhaust"), ("exhaust", "intake"))
        )
    twice = _TWICE.search(message)
    if twice:
        other = cell_of(twice[1], finding.where.partition("!")[0].partition(":")[0])
        if other[1]:
            place = f"{other[0]}!{other[1]}" if other[0] else other[1]
            return (Ready(f"This one is right: leave {other[1]} out", (("kind", "leave_out"), ("cell", place))),)
    return ()


def _day(iso: str) -> str:
    """A day in words."""
    try:
        day = date.fromisoformat(iso)
    except ValueError:
        return iso
    return f"{day.day} {day:%B %Y}"


def plain(message: str) -> str:
    """A message without the options and mappings that are for the command."""
    text = proposal_of(message)[0].replace("declare it in the job file as [bench] standard_air, or", "say at what, or")
    text = "; ".join(part for part in text.split("; ") if not _FOR_COMMAND.search(part))
    return f"{text[:1].upper()}{text[1:].rstrip('.; ')}."


def _mapping(message: str) -> dict[str, Any] | None:
    """The mapping a refusal proposes, as data for a form; an empty one where the page has to propose it."""
    mapping = proposal_of(message)[1]
    if not mapping:
        return {"flow": []} if MAPPING_HINT in message else None
    try:
        columns = tomllib.loads(mapping)["columns"]
    except tomllib.TOMLDecodeError:
        return None
    if not isinstance(columns, dict) or not isinstance(columns.get("flow"), list):
        return None
    # A "?" is what its reader is to fill in: an empty field here.
    flows = [{key: value for key, value in item.items() if value != "?"} for item in columns["flow"]]
    return {**{key: value for key, value in columns.items() if value != "?"}, "flow": flows}


def letter(snapshot: Snapshot, questions: Sequence[Question]) -> str:
    """Write the e-mail that asks the bench everything that is open in a sheet."""
    if not questions:
        return ""
    lines = [
        f"Subject: {questions[0].file}, a question",
        "",
        f"Hello, we are working on the flow figures of {snapshot.title!r} and need your help with {questions[0].file}:",
        "",
    ]
    for number, question in enumerate(questions, 1):
        where = f" ({question.cell_words})" if question.cell else ""
        lines.append(f"{number}. {question.title}{where} {question.message}")
    lines += ["", "A short answer is enough; no new sheet is needed. Thank you."]
    return "\n".join(lines)
