"""Findings as questions: each with the controls that settle it, at its cell."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flowkit.fields import CONDITIONS
from flowkit.model import Finding
from flowkit.page.workspace import FileView, Snapshot, cell_of

__all__ = ["Choice", "Question", "by_hand", "letter", "questions_of"]

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
    "test_pressure": "What test pressure was this flowed at?",
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
_MEANT = re.compile(r"(?:, |; |: )([0-9.]+)( [^\s,;]+)? was meant")
_READS = re.compile(r"the flow ([0-9.]+)")
_CURVE = re.compile(r"gives ([0-9.]+)")
_MAPPING = re.compile(r"columns = (\{.*\})\s*$", re.S)


@dataclass(frozen=True, slots=True)
class Choice:
    """A condition that an answer states: its key, ready answers, and an example for one's own."""

    key: str
    label: str
    quick: tuple[str, ...]
    example: str


@dataclass(frozen=True, slots=True)
class Question:
    """One doubt with everything a page needs to settle it."""

    ident: str
    title: str
    message: str
    severity: str
    rule: str
    file: str
    sheet: str | None
    cell: str | None
    files: tuple[str, ...]
    choices: tuple[Choice, ...]
    proposed: str = ""
    reads: str = ""
    cell_controls: bool = False
    mapping: Mapping[str, Any] | None = None

    @property
    def asks(self) -> bool:
        """Whether it waits for an answer; a warning that no answer settles is only worth knowing."""
        return self.severity == "error" or bool(self.choices or self.cell_controls or self.mapping)

    @property
    def cell_words(self) -> str:
        """The cell as people say it: line and column of a text file, or the cell of a worksheet."""
        line, mark, column = (self.cell or "").partition(":")
        return f"line {line}, column {column}" if mark else line

    @property
    def counts_for(self) -> str:
        """How many sheets the answer settles."""
        return f"The answer counts for {len(self.files)} sheets." if len(self.files) > 1 else ""


def by_hand(document: Any, file: str) -> dict[str, str]:
    """Return what the job says in place of a sheet's cells: address to words."""
    from flowkit.page.answers import file_of, variants

    said: dict[str, str] = {}
    for variant in variants(document):
        for entry in variant.get("sheets", []):
            if not isinstance(entry, Mapping) or file_of(entry) != file:
                continue
            for item in entry.get("values", []):
                said[str(item.get("cell"))] = f"counts as {item.get('value')}: {item.get('reason', '')}"
            for cell in entry.get("leave_out", []):
                said[str(cell)] = "left out"
    return said


def questions_of(snapshot: Snapshot, view: FileView) -> tuple[Question, ...]:
    """Return what one sheet waits for, errors first; one question where several findings have one answer."""
    hand = by_hand(snapshot.document, view.name)
    made: dict[Any, Question] = {}
    for finding in sorted(
        view.open, key=lambda item: (item.severity != "error", not cell_of(item.where, view.name)[1])
    ):
        sheet, cell = cell_of(finding.where, view.name)
        if cell and cell in hand:
            continue
        question = _question(snapshot, view, finding, sheet, cell)
        key = (
            question.choices[0].key
            if question.choices and not question.cell_controls
            else (finding.rule, finding.where if cell else "")
        )
        made.setdefault(key, question)
    return tuple(made.values())


def _question(snapshot: Snapshot, view: FileView, finding: Finding, sheet: str | None, cell: str | None) -> Question:
    """Make a question of a finding."""
    choices = _choices(finding)
    cell_controls = bool(cell) and finding.rule in (
        *("typing-slip", "falling-flow", "not-a-number", "lift-order", "lift-repeated", "lift-negative"),
        *("flow-negative", "impossible-flow", "check-off", "identical-readings"),
    )
    mapping = _mapping(finding.message) if not cell_controls else None
    files = [view.name]
    if choices and not cell_controls:
        files += [
            other.name
            for other in snapshot.files
            if other.name != view.name
            and any(_choices(item)[:1] == choices[:1] for item in other.open if item.rule == finding.rule)
        ]
    meant, reads = _MEANT.search(finding.message), _READS.search(finding.message)
    title = _ASK.get(choices[0].key, "") if choices and not cell_controls else _title(finding, cell)
    return Question(
        ident=hashlib.sha256(f"{finding.rule}\n{finding.where}".encode()).hexdigest()[:10],
        title=title or _title(finding, cell),
        message=_plain(finding.message),
        severity=finding.severity,
        rule=finding.rule,
        file=view.name,
        sheet=sheet,
        cell=cell,
        files=tuple(files),
        choices=choices,
        proposed=meant.group(1) if meant else "",
        reads=reads.group(1) if reads else "",
        cell_controls=cell_controls,
        mapping=mapping,
    )


def _choices(finding: Finding) -> tuple[Choice, ...]:
    """What can be stated to settle a finding, from the options its message names."""
    keys = [name.replace("-", "_") for name in _OPTION.findall(finding.message)]
    known = {item.key: item for item in CONDITIONS}
    made = []
    for key in dict.fromkeys(keys):
        if key in _UNITS:
            made.append(Choice(key, key.replace("_", " "), _UNITS[key], _UNITS[key][0]))
        elif key in _ASK or key in known:
            example = str(getattr(known.get(key), "example", "") or "") or next(iter(_QUICK.get(key, ())), "")
            made.append(Choice(key, key.replace("_", " "), _QUICK.get(key, ()), example))
    return tuple(made)


def _title(finding: Finding, cell: str | None) -> str:
    """A short heading for a finding."""
    reads, curve = _READS.search(finding.message), _CURVE.search(finding.message)
    if finding.rule == "typing-slip" and reads and curve and cell:
        return f"This reads {reads.group(1)}; the curve through its neighbours gives {float(curve.group(1)):.4g}."
    words = {
        "not-a-number": "This is not a number.",
        "falling-flow": "The flow falls while the lift rises.",
        "lift-order": "The lifts are out of order.",
        "lift-repeated": "This lift is there twice.",
        "leak-large": "The leak is large.",
        "check-off": "The check plate reads far off.",
        "pressure-mixed": "The test pressure changes from row to row.",
        "sheet-ambiguous": "This can be read in more than one way.",
        "stated-contradicts": "The job and the sheet disagree.",
        "variant-empty": "Nothing of this sheet is in use yet.",
        "file-unusable": "This file cannot be read.",
        "hidden-content": "Something in this sheet is hidden.",
        "condition-unlikely": "This figure is unlikely.",
        "port-missing": "Which port is this?",
        "side-missing": "Intake or exhaust?",
        "identical-readings": "These readings are a copy of others.",
        "corrected-unequally": "Not every state was corrected in the same way.",
    }
    return words.get(finding.rule, finding.rule.replace("-", " ").capitalize() + ".")


def _plain(message: str) -> str:
    """A message without the options and mappings that are for the command."""
    text = _MAPPING.sub("", message)
    text = re.sub(r"; or put this into its \[\[variant\]\] and correct it: *$", "", text)
    text = re.sub(r",? or state (it|the [a-z ]+) with --[a-z-]+( or [^;,.]*)?", "", text)
    return text[:1].upper() + text[1:]


def _mapping(message: str) -> dict[str, Any] | None:
    """The mapping a refusal proposes, as data for a form."""
    found = _MAPPING.search(message)
    if found is None:
        return None
    try:
        columns = tomllib.loads(f"columns = {found.group(1)}")["columns"]
    except tomllib.TOMLDecodeError:
        return None
    return columns if isinstance(columns, dict) and isinstance(columns.get("flow"), list) else None


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
        where = f" (cell {question.cell})" if question.cell else ""
        lines.append(f"{number}. {question.title}{where} {question.message}")
    lines += ["", "A short answer is enough; no new sheet is needed. Thank you."]
    return "\n".join(lines)
