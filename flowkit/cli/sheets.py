"""The verbs for sheets: read, check, start and blank."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import typer

from flowkit.cli.common import (
    JobOrFiles,
    JsonOption,
    complain,
    exit_code,
    finding_of,
    hush,
    print_document,
    refuse_beside_job,
    report_errors,
    show,
    stated_of,
    with_statements,
)
from flowkit.errors import FlowkitError, JobError, UnitError
from flowkit.model import Finding, FlowTest, Side
from flowkit.output import document, jsonable, write_new
from flowkit.units import parse_quantity, unit

if TYPE_CHECKING:
    from flowkit.importers import FileReading
    from flowkit.importers.sheets.blank import MeterSheet
    from flowkit.job import Job


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
    from flowkit.importers.reading import expand_paths

    stated = stated_of(statements)
    paths = expand_paths(files)
    if explain:
        from flowkit.importers.explain import explain as explained

        for path in paths:
            text = explained(path, stated)
            hush()
            print(text)
        return 0
    readings = _with_progress(importers.read_many(paths, stated, workers=workers), len(paths))
    if json_:
        return _print_json(readings)
    return _print_text(readings, plot)


def _with_progress(readings: Iterator[FileReading], total: int) -> Iterator[FileReading]:
    """Show a bar on a terminal when there is much to read."""
    if total < 20 or not sys.stderr.isatty():
        yield from readings
        return
    from rich.console import Console
    from rich.progress import track

    hush()
    yield from track(readings, total=total, description="reading", console=Console(stderr=True), transient=True)


def _read_findings(reading: FileReading) -> Sequence[Finding]:
    """All that is doubtful in a file; an unusable file is one error finding."""
    if reading.error is not None:
        return (finding_of(reading.error),)
    assert reading.result is not None  # one of the two is there
    return reading.result.findings


def _print_json(readings: Iterator[FileReading]) -> int:
    """Print the document test by test, so that memory stays flat over thousands of files."""
    import json

    from flowkit.version import __version__

    hush()
    out = sys.stdout.buffer
    status, findings, first = 0, [], True
    out.write(f'{{"kind": "read", "version": "{__version__}", "tests": ['.encode())
    for reading in readings:
        for test in reading.result.tests if reading.result else ():
            out.write((b"" if first else b", ") + json.dumps(jsonable(test), ensure_ascii=False).encode())
            first = False
        found = _read_findings(reading)
        findings += [json.dumps(jsonable(finding), ensure_ascii=False) for finding in found]
        report_errors(found)
        status |= exit_code(found)
    out.write(f'], "findings": [{", ".join(findings)}]}}\n'.encode())
    out.flush()
    return status


def _print_text(readings: Iterator[FileReading], plot: Path | None) -> int:
    """Print a summary of each file and draw the curves where asked."""
    from flowkit.reports.terminal import reading_text

    status, to_set = 0, False
    tests: list[FlowTest] = []
    for reading in readings:
        found = _read_findings(reading)
        if reading.error is not None:
            complain(str(reading.error))
        else:
            assert reading.result is not None  # one of the two is there
            show(*reading_text(reading.result))
            report_errors(found)
            if plot is not None:
                tests += reading.result.tests
        status |= exit_code(found)
        to_set |= any("job file" in finding.message for finding in found)
    if to_set:
        show(MAKE_A_JOB)
    if plot is not None and tests:
        from flowkit.drawing import save_plot

        save_plot(tests, plot)
        show(f"curves: {plot}")
    return status


MAKE_A_JOB = "No job file yet? flowkit start FOLDER makes one from the sheets in it."


@with_statements
def check(paths: JobOrFiles, json_: JsonOption = False, *, statements: dict[str, Any]) -> int:
    """Print what is doubtful in sheets or in a whole job: errors on standard error, with exit status 1.

    What the sheets do not say is stated by options; for a job it is in the job file.
    """
    findings = [finding for path in paths for finding in _check_findings(path, statements)]
    sheets = not json_ and not any(path.suffix.lower() == ".toml" for path in paths)
    if json_:
        print_document(document("check", {"findings": findings}))
    else:
        from flowkit.reports.terminal import findings_text

        alone = " in any sheet alone; flowkit compare looks at them together" if sheets and len(paths) > 1 else ""
        show(*(findings_text(findings) or ([] if exit_code(findings) else [f"nothing doubtful{alone}"])))
    report_errors(findings)
    if sheets and any("job file" in finding.message for finding in findings):
        show(MAKE_A_JOB)  # a sheet on its own has none
    return exit_code(findings)


def _check_findings(path: Path, statements: dict[str, Any]) -> list[Finding]:
    """All findings of a job (the whole way) or of a sheet (reading it)."""
    from flowkit import importers
    from flowkit.job import Job

    try:
        if path.suffix.lower() == ".toml":
            refuse_beside_job(statements)
            return list(Job.load(path).run().findings)
        stated = stated_of(statements)
        findings = list(importers.read(path, stated).findings)
        # What compare would refuse of this sheet is doubtful too.
        return findings if exit_code(findings) else [*findings, *_refusals(Job.from_files([path], stated))]
    except FlowkitError as error:
        return [*error.findings, finding_of(error)]


def _refusals(job: Job) -> Iterator[Finding]:
    """What keeps a sheet that can be read from being compared."""
    try:
        yield from (finding for finding in job.run().findings if finding.severity == "error")
    except FlowkitError as error:
        errors = [finding for finding in error.findings if finding.severity == "error"]
        yield from errors or [finding_of(error)]


def start(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the sheets are.")],
    out: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="JOB.toml", help="Default: job.toml in the folder.")
    ] = None,
    flow_unit: Annotated[
        str | None, typer.Option("--flow-unit", metavar="UNIT", help="Flow unit of sheets that name none, such as CFM.")
    ] = None,
    date_order: Annotated[
        Literal["day", "month"] | None, typer.Option("--date-order", help="What comes first in a date like 3/4/26.")
    ] = None,
) -> int:
    """Read the sheets in a folder and its subfolders and write a commented job file; never over an existing one."""
    from flowkit.importers import Stated
    from flowkit.importers.sheets.start import job_text, read_folder, target_of
    from flowkit.importers.words.items import proposal_of

    spelled = unit(flow_unit, "flow", "mass flow", "standard flow").name if flow_unit else None
    stated = Stated(flow_unit=spelled, date_order=date_order)
    target = target_of(folder, out)
    found = read_folder(folder, stated)
    write_new(target, job_text(found, target, stated).encode(), JobError)
    for entry in found.listed:
        reason = proposal_of(entry.reason)[0].removeprefix(f"{entry.path.name}: ")
        show(f"{entry.status}: {entry.path.relative_to(folder)}: {reason}")
    empty = "No sheet was found: name them in this job file, or put them into the folder and start again with -o"
    show(
        f"wrote {target}",
        f"Fill in the state of each variant, then: flowkit compare {target}" if found.results else empty,
    )
    return 0


_METRIC, _INCH = ("1 mm", "10 mm"), ("0.050 in", "0.500 in")
"""Step and highest lift, by the unit of the lifts."""
_UNLESS = tuple(f"{metric}, or {inch} with lifts in inches," for metric, inch in zip(_METRIC, _INCH, strict=True))


def blank(
    out: Annotated[Path, typer.Argument(metavar="OUT.xlsx|OUT.csv", help="Never written over an existing file.")],
    *,
    top: Annotated[
        str | None,
        typer.Option("--top", metavar="LENGTH", help=f"Highest lift; {_UNLESS[1]} unless given or by the valve."),
    ] = None,
    step: Annotated[
        str | None, typer.Option("--step", metavar="LENGTH", help=f"Step of the lifts; {_UNLESS[0]} unless given.")
    ] = None,
    valve_head: Annotated[
        str | None,
        typer.Option("--valve-head", metavar="LENGTH", help="Valve head: lifts at fractions of it instead of steps."),
    ] = None,
    ports: Annotated[str, typer.Option("--ports", help="How many ports, or their names separated by commas.")] = "4",
    side: Annotated[
        Literal["intake", "exhaust"] | None, typer.Option("--side", help="One side only; both unless given.")
    ] = None,
    runs: Annotated[int, typer.Option("--runs", min=1, help="Runs of the first port; the others are run once.")] = 3,
    lift_unit: Annotated[str, typer.Option("--lift-unit", metavar="UNIT")] = "mm",
    flow_unit: Annotated[str, typer.Option("--flow-unit", metavar="UNIT")] = "CFM",
    pressure_unit: Annotated[str, typer.Option("--pressure-unit", metavar="UNIT")] = "inH2O",
    readings: Annotated[
        str | None,
        typer.Option(
            "--readings",
            metavar="UNIT|KIND|JOB.toml",
            help="For a bench that shows no flow: its meter's unit (mm), kind (orifice) or the job with its [meter].",
        ),
    ] = None,
    reading_unit: Annotated[
        str | None, typer.Option("--reading-unit", metavar="UNIT", help="Unit of the readings, with a kind or a job.")
    ] = None,
    meter: Annotated[str | None, typer.Option("--meter", metavar="NAME", help="One of the job's meters.")] = None,
) -> int:
    """Make the sheet to send to the bench: header fields, a column per port and run, leak, check plate."""
    from flowkit.importers.sheets.blank import write_blank

    names = _names(ports)
    usual = _INCH if unit(lift_unit, "length").name in ("in", "thou") else _METRIC
    sides: tuple[Side, ...] = (side,) if side else ("intake", "exhaust")
    lifts: dict[str, Any] = (
        {"valve_diameter_m": _length(valve_head, "--valve-head"), "top_m": _length(top, "--top") if top else None}
        if valve_head
        else {"step_m": _length(step or usual[0], "--step"), "top_m": _length(top or usual[1], "--top")}
    )
    written = write_blank(
        out,
        **lifts,
        ports=names,
        sides=sides,
        runs={names[0]: runs},
        lift_unit=lift_unit,
        flow_unit=flow_unit,
        pressure_unit=pressure_unit,
        meter=_meter_sheet(readings, reading_unit, meter, pressure_unit) if readings is not None else None,
    )
    show(f"wrote {written}", f"Once it is filled in: flowkit check {written}")
    return 0


def _meter_sheet(readings: str, unit: str | None, name: str | None, pressure_unit: str) -> MeterSheet:
    """What a sheet of readings asks for, by the job that describes its meter, its kind or its unit."""
    from flowkit.corrections.meter import KINDS, Meter, plain_name, sheet_for
    from flowkit.importers.sheets.blank import MeterSheet

    if readings.endswith(".toml"):
        from flowkit.job import Job

        meters = Job.load_bench(readings).meter_set()
        if not meters:
            raise JobError("the job describes no meter", "add [meter] with its kind, or give its kind", file=readings)
        if name is not None and plain_name(name) not in meters:
            raise JobError(f"there is no meter {name!r}", "it describes " + ", ".join(meters), file=readings)
        return sheet_for([meters[plain_name(name)]] if name else list(meters.values()), unit, pressure_unit)
    if readings in KINDS:
        return sheet_for([Meter(readings, cast("Any", readings))], unit, pressure_unit)
    return MeterSheet.of_unit(readings)


def _names(ports: str) -> tuple[str, ...]:
    """Port names: a count, or names with commas between."""
    count = ports.strip()
    if count.isdecimal():
        names = tuple(str(index) for index in range(1, 1 + (int(count) if len(count) < 4 else 1000)))
    else:
        names = tuple(name.strip() for name in ports.split(",") if name.strip())
    if not 1 <= len(names) <= 64:
        raise typer.BadParameter("--ports: give 1 to 64 ports, as a number or as names with commas")
    twice = next((name for name in names if sum(name.casefold() == other.casefold() for other in names) > 1), None)
    if twice is not None:
        raise typer.BadParameter(f"--ports: {twice!r} is named twice; give each port a name of its own")
    return names


def _length(text: str, option: str) -> float:
    """Read a length into metres."""
    try:
        value = parse_quantity(text, "length")
    except UnitError as error:
        raise typer.BadParameter(f"{option}: {error}") from error
    if value <= 0:
        raise typer.BadParameter(f"{option}: {text!r} is not above zero")
    return value
