"""The job file as the page writes it: style kept, whole or not at all, every state kept beside it."""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from flowkit.errors import FlowkitError, JobError
from flowkit.output import OutputError, written_whole

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

    def change(self, version: str | None, edit: Callable[[Any], str]) -> str:
        """Apply an edit to the document and write it.

        `edit` changes the tomlkit document in place and says what it did, in a few words for the list
        of states. Raises `Changed` where the file is not the one that `version` was shown of.
        """
        with self._lock:
            before = self.read()
            if version is not None and version != before.version:
                raise Changed(
                    "the job file was changed in the meantime, in an editor or another window; nothing was written",
                    "look at it as it is now and answer again",
                )
            try:
                document = tomlkit.parse(before.text)
            except TOMLKitError as error:
                from flowkit.job.file import toml_problem

                raise JobError(*toml_problem(str(error), before.text)) from error
            what = edit(document)
            text = tomlkit.dumps(document)
            if text != before.text or not before.on_disk:
                self._write(before, text, what)
            return what

    def undo(self, version: str | None) -> str:
        """Go one state back; returns what was undone."""
        return self._go(version, -1)

    def redo(self, version: str | None) -> str:
        """Go one state forward again; returns what was redone."""
        return self._go(version, +1)

    def around(self, state: State | None = None) -> tuple[str | None, str | None]:
        """Say what undo would take back and what redo would bring again."""
        state = state or self.read()
        history = self._history(state)
        at, states = history["at"], history["states"]
        undo = states[at]["what"] if at > 0 else None
        redo = states[at + 1]["what"] if at + 1 < len(states) else None
        return undo, redo

    def _go(self, version: str | None, step: int) -> str:
        """Move along the states."""
        with self._lock:
            before = self.read()
            if version is not None and version != before.version:
                raise Changed(
                    "the job file was changed in the meantime, in an editor or another window; nothing was undone",
                    "look at it as it is now first",
                )
            history = self._history(before)
            at = history["at"] + step
            if not 0 <= at < len(history["states"]):
                raise JobError("there is nothing to undo" if step < 0 else "there is nothing to redo")
            what: str = history["states"][max(at, history["at"])]["what"]
            history["at"] = at
            self._write_history(history)
            self._write_text(history["states"][at]["text"])
            return what

    def _write(self, before: State, text: str, what: str) -> None:
        """Keep the states, then the file: killed between, the file is old and nothing is lost."""
        history = self._history(before)
        states = [*history["states"][: history["at"] + 1], {"what": what, "text": text}][-MOST_STATES - 1 :]
        self._write_history({"at": len(states) - 1, "states": states})
        self._write_text(text)

    def _history(self, state: State) -> dict[str, Any]:
        """Read the states; the file as it is now is always the one at `at`."""
        history: dict[str, Any] = {"at": 0, "states": [{"what": "", "text": state.text}]}
        try:
            kept = json.loads(self.history_path.read_text(encoding="utf-8"))
            states = [{"what": str(item["what"]), "text": str(item["text"])} for item in kept["states"]]
            at = int(kept["at"])
        except (OSError, ValueError, KeyError, TypeError):
            return history
        if not states or not 0 <= at < len(states):
            return history
        if states[at]["text"] == state.text:
            return {"at": at, "states": states}
        # Killed between the two writes, the file is a neighbour's; else an editor wrote it.
        for near in (at - 1, at + 1):
            if 0 <= near < len(states) and states[near]["text"] == state.text:
                return {"at": near, "states": states}
        states = [*states[: at + 1], {"what": "changes made in an editor", "text": state.text}]
        return {"at": len(states) - 1, "states": states}

    def _write_history(self, history: dict[str, Any]) -> None:
        """Write the states whole; where that fails, the job file is what a person knows by name."""
        try:
            with written_whole(self.history_path) as draft:
                draft.write_text(json.dumps(history, ensure_ascii=False), encoding="utf-8")
        except OutputError as error:
            problem = error.problem.replace(self.history_path.name, self.path.name)
            raise OutputError(problem, error.remedy) from error

    def _write_text(self, text: str) -> None:
        """Write the job file whole, with the line ends it has."""
        with written_whole(self.path) as draft:
            draft.write_text(text, encoding="utf-8", newline="")
        self._drafted = None
