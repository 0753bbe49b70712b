"""The folder, its job and the job's document as the page shows them: one snapshot for each state of the files."""

from __future__ import annotations

import fnmatch
import hashlib
import json
import os
import re
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import quote

import tomlkit
from tomlkit.exceptions import TOMLKitError

from flowkit.errors import FlowkitError, JobError
from flowkit.importers.files import SHEET_ENDINGS, not_text
from flowkit.model import Finding, FlowTest
from flowkit.output import OutputError, written_whole
from flowkit.page import answers

if TYPE_CHECKING:
    from flowkit.importers import ReadResult, Stated
    from flowkit.job import Job, JobResults


MOST_STATES = 100
"""States kept for undo; of more, the newest."""

EMPTY = """\
# Written by flowkit's page and by hand alike; lines after a # are comments.

[job]
title = ""

[reference]
pressure = "28 inH2O"
"""


class Changed(FlowkitError):
    """An answer to a job file that has changed since it was shown."""

    rule = "job-changed"


@dataclass(frozen=True, slots=True)
class State:
    """The job file at one moment: its text, and whether it is on disk yet."""

    text: str
    on_disk: bool

    @property
    def version(self) -> str:
        """What a form carries, to tell whether the file is still the one that was shown."""
        return hashlib.sha256(self.text.encode()).hexdigest()[:16]


class JobDocument:
    """One job file, its draft before it is first written, and the states before and after."""

    def __init__(self, path: Path, draft: Callable[[], str] = lambda: EMPTY) -> None:
        self.path = path
        self._draft = draft
        self._drafted: str | None = None
        self._lock = threading.RLock()

    @property
    def history_path(self) -> Path:
        """Where the states are kept."""
        return self.path.with_name(f".{self.path.name}.states")

    def read(self) -> State:
        """Return the file as it is now, or the draft that the first answer would write."""
        with self._lock:
            try:
                return State(self.path.read_bytes().decode("utf-8-sig"), True)
            except FileNotFoundError:
                if self._drafted is None:
                    self._drafted = self._draft()
                return State(self._drafted, False)
            except UnicodeDecodeError:
                raise JobError("the job file is not UTF-8 text", "save it as UTF-8", file=self.path.name) from None
            except OSError as error:
                raise JobError(f"the job file cannot be read ({error.strerror})", file=self.path.name) from error

    def redraft(self) -> None:
        """Make the draft anew where nothing was written yet: the folder has other files now."""
        self._drafted = None

    def _unchanged(self, version: str | None, done: str) -> State:
        """Return the file as it is, if it is the one that `version` was shown of; raises `Changed`."""
        state = self.read()
        if version is not None and version != state.version:
            raise Changed(
                f"the job file was changed in the meantime, in an editor or another window; nothing was {done}",
                "look at it as it is now, then try again",
            )
        return state

    def change(self, version: str | None, edit: Callable[[Any], str]) -> str:
        """Apply an edit to the document and write it.

        `edit` changes the tomlkit document in place and says what it did, in a few words for the list
        of states. Raises `Changed` where the file is not the one that `version` was shown of.
        """
        with self._lock:
            before = self._unchanged(version, "written")
            try:
                document = tomlkit.parse(before.text)
            except TOMLKitError as error:
                from flowkit.job.file import toml_problem

                raise JobError(*toml_problem(str(error), before.text)) from error
            what = edit(document)
            text = tomlkit.dumps(document)
            if text != before.text or not before.on_disk:
                at, states = self._history(before)
                states = [*states[: at + 1], {"what": what, "text": text}][-MOST_STATES - 1 :]
                self._write(len(states) - 1, states)
            return what

    def around(self, state: State | None = None) -> tuple[str | None, str | None]:
        """Say what undo would take back and what redo would bring again."""
        at, states = self._history(state or self.read())
        return states[at]["what"] if at > 0 else None, states[at + 1]["what"] if at + 1 < len(states) else None

    def step(self, version: str | None, by: Literal[-1, 1]) -> str:
        """Go one state back or forward again; returns what was undone or redone."""
        with self._lock:
            at, states = self._history(self._unchanged(version, "undone"))
            if not 0 <= at + by < len(states):
                raise JobError("there is nothing to undo" if by < 0 else "there is nothing to redo")
            self._write(at + by, states)
            return states[max(at, at + by)]["what"]

    def _history(self, state: State) -> tuple[int, list[dict[str, str]]]:
        """Read the states and where among them the file is; its text is always that one's."""
        nothing = 0, [{"what": "", "text": state.text}]
        try:
            kept = json.loads(self.history_path.read_text(encoding="utf-8"))
            states = [{"what": str(item["what"]), "text": str(item["text"])} for item in kept["states"]]
            at = int(kept["at"])
        except (OSError, ValueError, KeyError, TypeError):
            return nothing
        if not states or not 0 <= at < len(states):
            return nothing
        # Killed between the two writes, the file is a neighbour's; else an editor wrote it.
        for near in (at, at - 1, at + 1):
            if 0 <= near < len(states) and states[near]["text"] == state.text:
                return near, states
        return at + 1, [*states[: at + 1], {"what": "changes made in an editor", "text": state.text}]

    def _write(self, at: int, states: list[dict[str, str]]) -> None:
        """Write the states, then the file with its line ends: killed between, the file is old and nothing is lost."""
        try:
            with written_whole(self.history_path) as draft:
                draft.write_text(json.dumps({"at": at, "states": states}, ensure_ascii=False), encoding="utf-8")
        except OutputError as error:
            # The job file is what a person knows by name.
            problem = error.problem.replace(self.history_path.name, self.path.name)
            raise OutputError(problem, error.remedy) from error
        with written_whole(self.path) as draft:
            draft.write_text(states[at]["text"], encoding="utf-8", newline="")
        self._drafted = None


PICTURES = frozenset({".png", ".jpg", ".jpeg", ".webp", ".gif"})
MOST_FILES = 1_000
"""Files of a folder that are listed; of more, the first by name, and the page says so."""
MOST_READ = 60
"""Sheets of a folder without a job that are taken into its draft unasked."""
_BASELINE = ("as received", "stock", "before", "baseline", "standard", "original", "as found")

Status = Literal["read", "questions", "unreadable", "picture", "typed", "pdf", "found", "own", "other"]


@dataclass(frozen=True, slots=True)
class FileView:
    """One file of the folder: what it is to the job, and why."""

    name: str
    status: Status
    states: tuple[str, ...] = ()
    tests: tuple[FlowTest, ...] = ()
    findings: tuple[Finding, ...] = ()
    reason: str = ""

    @property
    def open(self) -> tuple[Finding, ...]:
        """What keeps it from being used, or wants a look."""
        return tuple(finding for finding in self.findings if finding.severity != "note")


@dataclass(frozen=True)
class Snapshot:
    """Everything the page shows, of one state of the files."""

    folder: Path
    state: State
    document: Any
    problem: str | None
    job: Job | None
    results: JobResults | None
    waiting: str | None
    findings: tuple[Finding, ...]
    files: tuple[FileView, ...]
    more_files: int = 0
    undo: str | None = None
    redo: str | None = None
    tests: tuple[FlowTest, ...] = ()
    writable: bool = True

    @property
    def display(self) -> Literal["US", "metric"]:
        """The units people see."""
        return "metric" if answers.table_value(self.document, ("job", "display")) == "metric" else "US"

    @property
    def title(self) -> str:
        """What the job is called."""
        said = answers.table_value(self.document, ("job", "title"))
        return str(said) if said else self.folder.name

    @cached_property
    def states(self) -> tuple[str, ...]:
        """The names of the job's states, in order."""
        return tuple(str(item.get("name", "")) for item in answers.variants(self.document)) if self.document else ()

    def file(self, name: str) -> FileView | None:
        """Return the file of that name."""
        return next((item for item in self.files if item.name == name), None)

    @property
    def open_findings(self) -> tuple[Finding, ...]:
        """Errors and warnings that belong to no file."""
        names = [item.name for item in self.files]
        return tuple(
            finding
            for finding in self.findings
            if finding.severity != "note" and not any(_in_file(finding.where, name) for name in names)
        )


def _in_file(where: str, file: str) -> bool:
    """Whether a place lies in a file, named with its folder or without."""
    base = file.rpartition("/")[2]
    return any(where == name or where.startswith((name + "!", name + ":")) for name in {file, base})


def cell_of(where: str, file: str) -> tuple[str | None, str | None]:
    """Return the worksheet and the cell of a place in a file; None where it names none."""
    base = file.rpartition("/")[2]
    for name in (file, base):
        if where.startswith(name + ":"):
            return None, where[len(name) + 1 :]
        if where.startswith(name + "!"):
            sheet, mark, cell = where[len(name) + 1 :].rpartition("!")
            if mark and re.fullmatch(r"[A-Z]{1,3}[0-9]{1,7}", cell):
                return sheet, cell
            return (sheet or cell).partition("!")[0], None
    return None, None


def place_of(source: str, file: str) -> str:
    """The address of a cell on the page: its sheet, and the cell in it."""
    sheet, cell = cell_of(source, file)
    anchor = f"#c-{quote(f'{sheet}-' if sheet else '', safe='')}{quote(cell, safe=':')}" if cell else ""
    return f"/sheets?file={quote(file, safe='')}{anchor}"


def own_name(name: str) -> bool:
    """Whether a name is one that flowkit gives to what it writes."""
    return name.startswith("flow_chart") or ".before-flowkit" in name


class Workspace:
    """One folder with its job file; snapshots are kept until a file changes."""

    def __init__(self, folder: Path, job: str = "job.toml") -> None:
        self.folder = folder.resolve()
        self.document = JobDocument(self.folder / job, self._draft)
        self._lock = threading.RLock()
        self._kept: tuple[Any, Snapshot] | None = None

    def path(self, name: str) -> Path:
        """Return a file of the folder; raises JobError for any path that leaves it."""
        path = (self.folder / name).resolve()
        if self.folder not in path.parents or any(part.startswith(".") for part in Path(name).parts):
            raise JobError(f"{name!r} is not a file of this folder", "choose one from the list")
        return path

    def names(self) -> tuple[list[str], int]:
        """Return the names of the folder's files, and how many more there are than are listed."""
        try:
            entries = [
                entry.name
                for entry in os.scandir(self.folder)
                if not entry.name.startswith((".", "~$")) and entry.is_file()
            ]
        except OSError as error:
            raise JobError(f"the folder cannot be read ({error.strerror})", file=str(self.folder)) from error
        # A name that is no text, as another system wrote it, cannot be in a page or a job file.
        listed = sorted((name for name in entries if not not_text(name)), key=_natural)[:MOST_FILES]
        return listed, len(entries) - len(listed)

    def snapshot(self) -> Snapshot:
        """Return what the page shows now."""
        with self._lock:
            state = self.document.read()
            names, more = self.names()
            key = (state.text, state.on_disk, more, *(_stamp(self.folder / name) for name in names))
            if self._kept is None or self._kept[0] != key:
                self._kept = (key, self._look(state, names, more))
            return self._kept[1]

    def _look(self, state: State, names: Sequence[str], more: int) -> Snapshot:
        """Read, correct and compare the job as it is now."""
        undo, redo = self.document.around(state)
        document, job, results, problem, waiting = None, None, None, None, None
        findings: tuple[Finding, ...] = ()
        tests: tuple[FlowTest, ...] = ()
        try:
            with suppress(TOMLKitError):
                document = tomlkit.parse(state.text)
            if document is None or answers.variants(document):
                job = load_text(state.text, self.document.path)  # which says in its words what is wrong
        except FlowkitError as error:
            problem = str(error)
        if job is not None:
            try:
                results = job.run(engine=False)
                variants, findings = results.variants, results.findings
            except FlowkitError as error:
                variants, read_findings = job.read()
                findings = tuple(dict.fromkeys([*read_findings, *error.findings]))
                waiting = error.sentence
            tests = tuple(test for variant in variants for test in variant.tests)
        files = self._files(names, document, tests, findings)
        return Snapshot(
            *(self.folder, state, document, problem, job, results, waiting, findings, files, more, undo, redo, tests),
            writable=os.access(self.folder, os.W_OK),
        )

    def _files(
        self, names: Sequence[str], document: Any, tests: Sequence[FlowTest], findings: Sequence[Finding]
    ) -> tuple[FileView, ...]:
        """Say of every file what it is to the job."""
        used: dict[str, list[str]] = {}
        for variant in answers.variants(document) if document is not None else ():
            for entry in variant.get("sheets", []):
                pattern = answers.file_of(entry)
                # A plain name counts whether it is there or not; one with brackets is a pattern where no file has it.
                plain = pattern in names or not any(mark in pattern for mark in "*?[")
                found = [pattern] if plain else fnmatch.filter(names, pattern)
                for name in found:
                    used.setdefault(name, []).append(str(variant.get("name", "")))
        logo = answers.table_value(document, ("job", "logo"))
        return tuple(
            _used(name, used[name], tests, findings) if name in used else _unused(name, used, logo)
            for name in dict.fromkeys([*used, *names])
            if name in used or Path(name).suffix.lower() != ".toml"
        )

    def _draft(self) -> str:
        """The job that the first answer would write: every sheet of the folder that can be read."""
        document = tomlkit.parse(EMPTY)
        names, _ = self.names()
        sheets = [name for name in names if Path(name).suffix.lower() in SHEET_ENDINGS and not own_name(name)]
        self.add(document, sheets if len(sheets) <= MOST_READ else [])
        return tomlkit.dumps(document)

    def add(self, document: Any, names: Sequence[str], *, asked: bool = False) -> list[str]:
        """Add sheets to a job's document, each as the states it names; returns those that were not taken.

        A sheet that has a question before it can be read is added under its file's name; a file
        without any table is taken only where someone asked for it.
        """
        found: list[tuple[str, str | None, str]] = []
        left = []
        for name in names:
            result = _read(self.path(name))
            if not asked and (result is None or not (result.tests or result.findings)):
                left.append(name)
                continue
            first: dict[str, str | None] = {}
            for test in result.tests if result is not None else ():
                first.setdefault(test.variant, test.conditions.date)
            found += [(state, date, name) for state, date in (first or {Path(name).stem: None}).items()]
        if not answers.variants(document):
            found.sort(key=_order)
        for state, _, name in found:
            answers.add_sheet(document, name, state)
        return left

    def split(self, document: Any, file: str) -> None:
        """Give the states of a sheet their own places, once its answers have let them be read."""
        for variant in answers.variants(document):
            entries = [answers.file_of(entry) for entry in variant.get("sheets", [])]
            if entries != [file] or str(variant.get("name")) != Path(file).stem:
                continue
            stated = variant.get("conditions")
            result = _read(self.path(file), {**dict(document.get("conditions", {})), **dict(stated or {})})
            labels = list(dict.fromkeys(test.variant for test in result.tests)) if result is not None else []
            if len(labels) == 1:
                known = {str(item.get("name", "")).casefold() for item in answers.variants(document)}
                if labels[0].casefold() not in known:
                    variant["name"] = labels[0]
            elif labels:
                for label in labels:
                    answers.add_sheet(document, file, label)
                if stated:
                    answers.set_condition(document, [file], dict(stated))
                if str(variant["name"]) not in labels:
                    answers.keep_sheets(document, variant, [])
            return


def load_text(text: str, path: Path) -> Job:
    """Make a job of a job file's text, its sheets looked up beside `path`."""
    from flowkit.job import Job
    from flowkit.job.file import parse_text
    from flowkit.job.load import parts_of_file

    job = Job(**parts_of_file(*parse_text(text, path.name), path.parent), path=path)
    if job.meters:
        job.meter_set()  # otherwise only looked at with the readings: an answer with a mistake in it is refused at once
    return job


def _stamp(path: Path) -> tuple[str, int, int]:
    """What distinguishes a file's contents from its earlier ones."""
    try:
        known = path.stat()
    except OSError:
        return path.name, 0, 0
    return path.name, known.st_size, known.st_mtime_ns


def _natural(name: str) -> list[tuple[int, str]]:
    """Sort key that puts sheet 2 before sheet 10."""
    return [(int(part[:18]), "") if part.isdecimal() else (-1, part.casefold()) for part in re.split(r"(\d+)", name)]


def _order(found: tuple[str, str | None, str]) -> tuple[bool, bool, str, Sequence[Any]]:
    """Sort key of states: the baseline's usual names first, then by date."""
    state, date, _ = found
    folded = state.casefold().replace("_", " ")
    return not any(word in folded for word in _BASELINE), date is None, date or "", _natural(state)


def _read(path: Path, conditions: Any = None) -> ReadResult | None:
    """Read a file under what is stated of it; None where it cannot be read."""
    from flowkit.importers import read

    try:
        return read(path, stated_of(conditions))
    except FlowkitError:
        return None


def stated_of(conditions: Any) -> Stated | None:
    """Turn a document's conditions into what the readers want; None where they cannot be understood."""
    from flowkit.job.load import stated_from

    if not isinstance(conditions, Mapping):
        return None
    return stated_from({str(key): value for key, value in conditions.items() if key not in ("overrides", "reason")})


def _unused(name: str, used: Mapping[str, Any], logo: Any) -> FileView:
    """A file that is no sheet of the job: what it could be to it."""
    suffix, typed = Path(name).suffix.lower(), f"{Path(name).stem}.csv"
    if own_name(name) or name == logo:
        return FileView(name, "own", reason="the shop's logo" if name == logo else "made by flowkit")
    if suffix in PICTURES:
        status: Status = "typed" if typed in used else "picture"
        return FileView(name, status, reason=f"typed in as {typed}" if typed in used else "type it in beside it")
    if suffix == ".pdf":
        return FileView(name, "pdf", reason="a PDF: use it if it has a table, or type it in beside it")
    if suffix in SHEET_ENDINGS:
        return FileView(name, "found", reason="in the folder, not in the job")
    return FileView(name, "other", reason=f"not a sheet ({suffix or 'no ending'})")


def _used(name: str, states: list[str], tests: Sequence[FlowTest], findings: Sequence[Finding]) -> FileView:
    """A sheet of the job: its tests, and what is doubtful in it."""
    own = tuple(test for test in tests if test.file in (name, name.rpartition("/")[2]))
    seen = tuple(finding for finding in findings if _in_file(finding.where, name))
    unreadable = any(finding.severity == "error" and finding.rule == "file-unusable" for finding in seen)
    status: Status = "read" if own and all(finding.severity == "note" for finding in seen) else "questions"
    return FileView(name, "unreadable" if unreadable and not own else status, tuple(dict.fromkeys(states)), own, seen)
