"""A file -> its tests: its grids, each read by its headings or by the user's mapping, then checked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from flowkit.errors import SheetError
from flowkit.importers.grid import Grid, read_grids
from flowkit.importers.result import ReadResult
from flowkit.importers.sheet import SheetReading, read_sheet
from flowkit.importers.stated import Stated
from flowkit.model import Finding, FlowTest

__all__ = ["read", "read_grid"]


def read(path: str | Path, stated: Stated | None = None, *, label: str | None = None) -> ReadResult:
    """Read all tests of a file.

    Parameters
    ----------
    path : str or Path
        csv, tsv, txt, xlsx, xlsm, xls or ods.
    stated : Stated, optional
        What the file does not say.
    label : str, optional
        The file's name in sources; its base name unless given.

    Returns
    -------
    ReadResult
        What could be read, and everything doubtful as findings.

    Raises
    ------
    SheetError
        If the file is missing, empty, no sheet, or holds no table at all.

    Examples
    --------
    >>> result = read("sample_sheets/as_received.csv")
    >>> result.tests[0].id, result.findings
    ('as_received.csv!as received, intake 1 run 1', ())
    """
    stated = stated or Stated()
    path = Path(path)
    grids = read_grids(path, label=label)
    readings = read_sheets(grids, stated)
    tests = _with_ids([test for reading in readings for test in reading.tests])
    findings = [finding for reading in readings for finding in reading.findings]
    if not tests and not any(finding.severity == "error" for finding in findings):
        raise _no_table(grids)
    return ReadResult(tuple(tests), tuple(dict.fromkeys([*findings, *_checks(tests)])))


def _checks(tests: Sequence[FlowTest]) -> tuple[Finding, ...]:
    """The checks of the data themselves."""
    from importlib.util import find_spec

    if find_spec("flowkit.importers.checks") is None:
        return ()
    from flowkit.importers.checks import check_tests

    return check_tests(tests)


def read_sheets(grids: Sequence[Grid], stated: Stated) -> list[SheetReading]:
    """Read every grid of a file."""
    return [read_sheet(grid, stated) for grid in grids]


def read_grid(grid: Grid, stated: Stated | None = None) -> ReadResult:
    """Read the tests of one grid, without checks of the data.

    Parameters
    ----------
    grid : Grid
    stated : Stated, optional
    """
    reading = read_sheet(grid, stated or Stated())
    return ReadResult(tuple(_with_ids(reading.tests)), tuple(dict.fromkeys(reading.findings)))


def _no_table(grids: Sequence[Grid]) -> SheetError:
    """Say that a file holds no table."""
    return SheetError(
        "there is no table of lifts and flows in this file",
        "head the lifts with the word lift and each flow with its side, port or unit",
        file=grids[0].file if grids else None,
    )


def _with_ids(tests: Sequence[FlowTest]) -> list[FlowTest]:
    """Give every test a name of its own."""
    runs = Counter((t.sheet, t.variant, t.side, t.port) for t in tests)
    taken: Counter[str] = Counter()
    named = []
    for test in tests:
        several = runs[test.sheet, test.variant, test.side, test.port] > 1 or test.run > 1
        words = [test.side or "", test.port or "", f"run {test.run}" if several else ""]
        who = " ".join(word for word in words if word) or "test"
        where = test.file if test.sheet is None else f"{test.file}!{test.sheet}"
        name = f"{where}!{who}" if test.variant == test.sheet else f"{where}!{test.variant}, {who}"
        taken[name] += 1
        named.append(replace(test, id=name if taken[name] == 1 else f"{name} ({taken[name]})"))
    return named
