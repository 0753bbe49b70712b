"""The one family of errors flowkit raises on purpose.

Every error says in one plain sentence which file, sheet and cell is meant, what is
wrong there and what to do about it. The command prints that sentence on standard
error; nothing of it ever needs a traceback to be understood.
"""

from __future__ import annotations

import re
from typing import Any, ClassVar


class FlowkitError(Exception):
    """Something the user can fix: where it is, what is wrong, what to do.

    Parameters
    ----------
    problem : str
        What is wrong, as a plain clause without a full stop.
    remedy : str, optional
        What to do about it, as a plain clause without a full stop.
    file, sheet, cell : str, optional
        Where it is. For text files `cell` is ``line:field``, both counted from 1.

    Attributes
    ----------
    findings : tuple of Finding
        What had been found before nothing more could be done.

    Examples
    --------
    >>> print(FlowkitError("no flow in this row", "fill it in", file="a.xlsx", sheet="S", cell="B7"))
    a.xlsx, sheet S, cell B7: no flow in this row; fill it in.
    """

    rule: ClassVar[str] = "unusable"
    """The slug under which the error is listed among the findings of a result."""

    def __init__(
        self,
        problem: str,
        remedy: str = "",
        *,
        file: str | None = None,
        sheet: str | None = None,
        cell: str | None = None,
    ) -> None:
        self.problem = problem
        self.remedy = remedy
        self.file = file
        self.sheet = sheet
        self.cell = cell
        self.findings: tuple[Any, ...] = ()
        super().__init__(problem)

    @property
    def where(self) -> str:
        """The place in words, empty where it is unknown."""
        parts = [self.file or ""]
        if self.sheet:
            parts.append(f"sheet {self.sheet}")
        if self.cell:
            parts.append(f"cell {self.cell}")
        return ", ".join(part for part in parts if part)

    @property
    def sentence(self) -> str:
        """What is wrong and what to do, without the place."""
        said = f"{self.problem.rstrip('.')}; {self.remedy}" if self.remedy else self.problem
        said = " ".join(said.split())
        return said if said.endswith((".", "?", "!")) else said + "."

    def __str__(self) -> str:
        return f"{self.where}: {self.sentence}" if self.where else self.sentence


class UnitError(FlowkitError):
    """A unit or a quantity that cannot be understood."""

    rule = "unit-unknown"


class SheetError(FlowkitError):
    """A file or sheet that cannot be read, or not in one way only."""

    rule = "file-unusable"


class JobError(FlowkitError):
    """A job file that cannot be used as it is."""

    rule = "job-unusable"


class CorrectionError(FlowkitError):
    """A correction that was asked for and cannot be made."""

    rule = "correction-unusable"


class RangeError(FlowkitError):
    """A lift outside what was measured, or no range in common."""

    rule = "no-common-range"


class EngineError(FlowkitError):
    """Engine or cam data that cannot be used."""

    rule = "engine-unusable"


class AttachError(FlowkitError):
    """A build file that cannot be extended without losing something."""

    rule = "build-file-unusable"


def with_article(noun: str) -> str:
    """A noun as a sentence has it: an orifice, a valve, a unit."""
    return f"{'an' if re.match('(?!uni|use|one|eu)[aeiou]', noun, re.IGNORECASE) else 'a'} {noun}"
