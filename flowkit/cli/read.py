"""``flowkit read``: what was understood of each sheet."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flowkit.cli.common import (
    JsonOption,
    complain,
    exit_code,
    finding_of,
    report_errors,
    show,
    stated_of,
    verb,
    with_statements,
)
from flowkit.model import Finding, FlowTest

if TYPE_CHECKING:
    from flowkit.importers import FileReading, Stated

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("read", epilog="Example: flowkit read as_received.csv --fixture-bore '83 mm'")(verb(read))


@with_statements
def read(
    files: Annotated[list[str], typer.Argument(metavar="FILE…", help="Sheets; globs such as 'archive/**/*.xlsx'.")],
    json_: JsonOption = False,
    explain: Annotated[
        bool, typer.Option("--explain", help="Show the grid and what each region was taken for.")
    ] = False,
    plot: Annotated[Path | None, typer.Option("--plot", metavar="PNG", help="Draw the curves into a PNG file.")] = None,
    workers: Annotated[int, typer.Option("--workers", min=1, help="Processes that read at once.")] = 1,
    *,
    statements: dict[str, Any],
) -> int:
    """Show what was understood of each sheet: tests, units, points, findings.

    Exit status 1 where a file cannot be used or a finding is an error.
    """
    from flowkit import importers
    from flowkit.importers.many import expand_paths

    stated = stated_of(statements)
    paths = expand_paths(files)
    if explain:
        return _explain(paths, stated)
    readings = _with_progress(importers.read_many(paths, stated, workers=workers), len(paths))
    if json_:
        return _print_json(readings)
    return _print_text(readings, plot)


def _explain(paths: Sequence[Path], stated: Stated) -> int:
    """Print the grids of files with what each region was taken for."""
    from flowkit.importers.explain import explain

    for path in paths:
        print(explain(path, stated))
    return 0


def _with_progress(readings: Iterator[FileReading], total: int) -> Iterator[FileReading]:
    """Show a bar on a terminal when there is much to read."""
    if total < 20 or not sys.stderr.isatty():
        yield from readings
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(readings, total=total, description="reading", console=Console(stderr=True), transient=True)


def _findings(reading: FileReading) -> Sequence[Finding]:
    """All that is doubtful in a file; an unusable file is one error finding."""
    if reading.error is not None:
        return (finding_of(reading.error),)
    assert reading.result is not None  # one of the two is there
    return reading.result.findings


def _print_json(readings: Iterator[FileReading]) -> int:
    """Print the document test by test, so that memory stays flat over thousands of files."""
    import json

    from flowkit.output import jsonable
    from flowkit.version import __version__

    out = sys.stdout.buffer
    status, findings, first = 0, [], True
    out.write(f'{{"kind": "read", "version": "{__version__}", "tests": ['.encode())
    for reading in readings:
        for test in reading.result.tests if reading.result else ():
            out.write((b"" if first else b", ") + json.dumps(jsonable(test), ensure_ascii=False).encode())
            first = False
        found = _findings(reading)
        findings += [json.dumps(jsonable(finding), ensure_ascii=False) for finding in found]
        report_errors(found)
        status |= exit_code(found)
    out.write(f'], "findings": [{", ".join(findings)}]}}\n'.encode())
    out.flush()
    return status


def _print_text(readings: Iterator[FileReading], plot: Path | None) -> int:
    """Print a summary of each file and draw the curves where asked."""
    from flowkit.reports.terminal import reading_text

    status = 0
    tests: list[FlowTest] = []
    for reading in readings:
        found = _findings(reading)
        if reading.error is not None:
            complain(str(reading.error))
        else:
            assert reading.result is not None  # one of the two is there
            show(*reading_text(reading.result))
            if not (sys.stdout.isatty() and sys.stderr.isatty()):  # on one terminal they are above already
                report_errors(found)
            if plot is not None:
                tests += reading.result.tests
        status |= exit_code(found)
    if plot is not None and tests:
        from flowkit.drawing import save_plot

        save_plot(tests, plot)
        show(f"curves: {plot}")
    return status
