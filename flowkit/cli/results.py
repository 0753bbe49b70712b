"""The verbs for results: compare, correct, plan, engine, whatif and meter; report, attach and demo; and the page."""

from __future__ import annotations

from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from flowkit.cli.common import (
    JobOrFiles,
    JsonOption,
    TablesOption,
    complain,
    engine_progress,
    exit_code,
    failure_as_document,
    give,
    hush,
    load_job,
    page_numbers,
    print_document,
    report_errors,
    show,
    with_reference,
    with_statements,
    working,
)
from flowkit.errors import UnitError
from flowkit.output import document, written_whole
from flowkit.units import from_si, parse_quantity

if TYPE_CHECKING:
    from flowkit.corrections.calibration import CalibrationResult
    from flowkit.job import JobResults


@with_statements
@with_reference
def compare(
    paths: JobOrFiles,
    json_: JsonOption = False,
    tables: TablesOption = False,
    csv: Annotated[bool, typer.Option("--csv", help="Print the table as CSV instead.")] = False,
    *,
    statements: dict[str, Any],
    reference: dict[str, Any],
) -> int:
    """Compare the variants of a head, side by side: flows, gains and their intervals.

    Without a job file each sheet is a variant named after it, the first the baseline. The options that state or set
    something hold for sheets; for a job it is in the job file.
    """
    from flowkit.reports.labels import comparison_csv
    from flowkit.reports.terminal import comparison_text

    with failure_as_document("compare", {"reference": None, "sides": {}}, wanted=json_):
        job = load_job(paths, stated=statements, reference=reference)
        comparison = job.compare()
    if json_ or not csv:
        return give(comparison, partial(comparison_text, tables=tables), job.info.display, as_json=json_)
    hush()
    typer.echo(comparison_csv(comparison, job.info.display), nl=False)
    report_errors(comparison.findings)
    return exit_code(comparison.findings)


@with_statements
@with_reference
def correct(
    paths: JobOrFiles, json_: JsonOption = False, *, statements: dict[str, Any], reference: dict[str, Any]
) -> int:
    """Bring every test to the reference and print its flows and its ledger.

    The options that state or set something hold for sheets; for a job it is in the job file.
    """
    from flowkit.reports.terminal import correction_text

    with failure_as_document("correct", {"reference": None, "tests": []}, wanted=json_):
        job = load_job(paths, stated=statements, reference=reference)
        result = job.correct()
    return give(result, correction_text, job.info.display, as_json=json_)


def plan(
    job: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file.")],
    gain: Annotated[str, typer.Option("--gain", metavar="PERCENT", help="The gain to prove, in percent.")] = "2 %",
    power: Annotated[
        str, typer.Option("--power", metavar="PERCENT", help="The chance of proving it, in percent.")
    ] = "80 %",
    json_: JsonOption = False,
) -> int:
    """Say how many repeated runs would resolve a gain, and which extra test would remove each confounding."""
    from flowkit.job import Job

    wanted, chance = _fraction(gain, "--gain"), _fraction(power, "--power")
    nothing: dict[str, Any] = {"gain": wanted, "power": chance, "repeatability": None, "repeats": []}
    nothing |= {"extra_tests": {}, "sentences": []}
    with failure_as_document("plan", nothing, wanted=json_):
        result = Job.load(job).plan(wanted, chance)
    return give(result, lambda plan, _: plan.sentences, "US", as_json=json_)


def _fraction(text: str, option: str) -> float:
    """Read percent, with or without the sign, into a fraction between 0 and 1."""
    try:
        value = parse_quantity(text if text.strip().endswith("%") else f"{text} %", "humidity")
    except UnitError as error:
        raise typer.BadParameter(f"{option}: {error.problem}; write it like '2 %'") from error
    if not 0 < value < 1:
        raise typer.BadParameter(f"{option}: {text!r} is not between 0 and 100 %")
    return value


def engine(
    path: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file with an [engine] table.")],
    json_: JsonOption = False,
    tables: TablesOption = False,
    plot: Annotated[Path | None, typer.Option("--plot", metavar="PNG", help="Draw the engine's curves.")] = None,
) -> int:
    """Say what the flows mean for the engine: cam-weighted flow, Mach index, filling, power.

    Figures are estimates of a model; an estimated rpm is not a safe rpm.
    """
    from flowkit.job import Job
    from flowkit.reports.terminal import engine_text

    with failure_as_document("engine", {"variants": []}, wanted=json_):
        job = Job.load(path)
        with engine_progress() as progress:
            result = job.run_engine(progress=progress)
    status = give(result, partial(engine_text, tables=tables), job.info.display, as_json=json_)
    if plot is not None:
        from flowkit.drawing import save_figure
        from flowkit.drawing.curves import figure_of

        save_figure(figure_of(result.plot()), plot)
    return status


def whatif(
    path: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file with an [engine] table.")],
    *,
    valve: Annotated[
        list[str] | None,
        typer.Option("--valve", metavar="SIDE.KEY=VALUE", help="Such as intake.stem=6mm; can be repeated."),
    ] = None,
    cam: Annotated[
        list[str] | None,
        typer.Option("--cam", metavar="SIDE.KEY=VALUE", help="Such as intake.peak_lift=9.5mm; can be repeated."),
    ] = None,
    bore: Annotated[
        str | None,
        typer.Option("--bore", metavar="LENGTH", help="Another bore; the chamber keeps its volume."),
    ] = None,
    compression: Annotated[
        str | None, typer.Option("--compression", metavar="RATIO", help="Another compression ratio.")
    ] = None,
    variant: Annotated[
        str | None, typer.Option("--variant", help="The state to start from (default: the last).")
    ] = None,
    tables: TablesOption = False,
    json_: JsonOption = False,
) -> int:
    """Predict flow and filling with a changed valve, cam or bore, from geometry and measured coefficients.

    A prediction, not a measurement; an estimated rpm is not a safe rpm.
    """
    from flowkit.job import Job
    from flowkit.job import engine as job_engine
    from flowkit.reports.terminal import engine_text

    if not (valve or cam or bore or compression):
        raise typer.BadParameter("say what is to change, with --valve, --cam, --bore or --compression")
    with failure_as_document("engine", {"variants": []}, wanted=json_):
        job = Job.load(path)
        with engine_progress() as progress:
            result = job_engine.whatif(
                job,
                valves=valve or (),
                cams=cam or (),
                bore=bore,
                compression=compression,
                variant=variant,
                progress=progress,
            )
    return give(result, partial(engine_text, tables=tables), job.info.display, as_json=json_)


def meter(
    job: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file with [meter] and its certificates.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.png", help="Where to draw the plates about what was found.")
    ] = None,
    json_: JsonOption = False,
) -> int:
    """Find a plate's coefficient or a percent meter's full scale from plates of known flow."""
    from flowkit.job import Job

    nothing: dict[str, Any] = {"meters": []}
    with failure_as_document("meter", nothing, wanted=json_):
        result = Job.load_bench(job).calibrate_meters()
    if out is not None:
        from flowkit.drawing.curves import figure_of

        with written_whole(out) as draft:
            figure_of(result.plot()).savefig(draft, dpi=160, bbox_inches="tight", pad_inches=0.15)
    return give(result, lambda found, _: tuple(_lines(found)), "US", as_json=json_)


def _lines(result: CalibrationResult) -> list[str]:
    """The table and what to paste."""
    lines: list[str] = []
    for item in result.meters:
        name = item.name if item.range is None else f"{item.name}, range {item.range}"
        full = item.parameter != "coefficient"
        value = f"{from_si(item.value, 'CFM'):.5g} CFM" if full else f"{item.value:.5g}"
        what = "full scale" if full else "coefficient"
        plates = "one plate" if len(item.points) == 1 else f"{len(item.points)} plates"
        lines += [f"{name}: {what} {value} ± {100 * item.u:.2g} % (k = 1), from {plates}", ""]
        lines.append(f"  {'reading':>12} {'flow (CFM)':>12} {'u':>8} {what:>12} {'off':>8}")
        for point in item.points:
            shown = from_si(point.value, "CFM") if full else point.value
            reading = f"{point.reading:g} {point.reading_unit}"
            lines.append(
                f"  {reading:>12} {from_si(point.flow_m3_s, 'CFM'):12.1f} {100 * point.u:6.2g} % {shown:12.5g} "
                f"{100 * point.residual:+6.2f} %"
            )
        if len(item.points) > 1:
            excess = item.chi_squared / (len(item.points) - 1)
            if excess > 1:
                lines += ["", f"  The plates differ by {excess**0.5:.1f} times what their certificates allow;"]
                lines.append("  the uncertainty was widened by that.")
        lines += ["", "  Put this into the job file in place of the meter's table:", ""]
        lines += [f"  {line}" for line in item.toml.splitlines()]
        lines.append("")
    return lines[:-1]


@with_statements
@with_reference
def report(
    paths: JobOrFiles,
    folder: Annotated[Path, typer.Option("-o", "--output", metavar="DIR", help="Where the files go.")] = Path(),
    formats: Annotated[
        list[str] | None,
        typer.Option("--format", metavar="[pdf|png|svg|xlsx|html]", help="Can be repeated. Default: all but svg."),
    ] = None,
    paper: Annotated[
        Literal["letter", "a4"] | None,
        typer.Option("--paper", help="Default: Letter for US display, A4 for metric."),
    ] = None,
    pages: Annotated[
        str, typer.Option("--pages", metavar="1|2-4|all", help="Pages of the PDF; 1 is the one for the customer.")
    ] = "all",
    *,
    statements: dict[str, Any],
    reference: dict[str, Any],
) -> int:
    """Write the flow chart (PDF, PNG and a one-file HTML page) and the workbook with the numbers behind it.

    Nothing is written where a finding on the flows is an error. The options that state or set something hold for
    sheets; for a job it is in the job file.
    """
    chosen = page_numbers(pages)
    job = load_job(paths, stated=statements, reference=reference)
    with engine_progress() as progress:
        results = job.run(progress=progress)
    wanted = formats or ("pdf", "png", "xlsx", "html")
    before = _stamps(folder)
    with working("drawing the report"):
        written = job.report(folder, formats=wanted, paper=paper, results=results, pages=chosen)
    after = _stamps(folder)
    show(*(f"{'wrote' if before.get(path) != after.get(path) else 'nothing new in'} {path}" for path in written))
    report_errors(results.findings)
    return exit_code(results.findings)


def _stamps(folder: Path) -> dict[Path, tuple[int, int]]:
    """Return which files a folder holds, with their times and numbers."""
    if not folder.is_dir():
        return {}
    return {path: (path.stat().st_mtime_ns, path.stat().st_ino) for path in folder.iterdir() if path.is_file()}


def attach(
    job: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file.")],
    build_files: Annotated[list[Path], typer.Argument(metavar="FILE…", help="PDF, XLSX, XLSM or DOCX.")],
    *,
    after: Annotated[
        int | None, typer.Option("--after", min=0, help="PDF: put the flow pages after this page.")
    ] = None,
    bookmark: Annotated[str | None, typer.Option("--bookmark", help="DOCX: put them after this bookmark.")] = None,
    paper: Annotated[
        Literal["letter", "a4"] | None, typer.Option("--paper", help="Default: the build file's own.")
    ] = None,
    pages: Annotated[
        str,
        typer.Option(
            "--pages",
            metavar="1|2-4|all",
            help="Pages of the flow chart to add; 1 is the one page for the customer. A workbook or document gets "
            "page 1 and, with all, the numbers.",
        ),
    ] = "all",
    as_json: JsonOption = False,
) -> int:
    """Put the flow chart into build files; nothing of them is lost, earlier flow pages are replaced.

    A backup of the original is kept beside each. Exit status 1 where a file was refused; the others are done all
    the same.
    """
    from flowkit.job import Job

    with failure_as_document("attach", {"files": []}, wanted=as_json), ExitStack() as shown:
        loaded = Job.load(job)

        def run() -> JobResults:
            """Run the job behind the engine's bar; what comes after it is drawing."""
            with engine_progress() as progress:
                results = loaded.run(progress=progress)
            shown.enter_context(working("drawing the flow chart"))
            return results

        shown.enter_context(working("reading the build file"))
        done = loaded.attach_all(
            build_files, after=after, bookmark=bookmark, paper=paper, pages=page_numbers(pages), run=run
        )
    if as_json:
        rows = [
            {
                "file": str(item.file),
                "status": "attached" if item.report else "refused",
                "message": item.message,
                "backup": str(item.report.backup) if item.report else None,
                "pages": item.report.pages if item.report else None,
            }
            for item in done
        ]
        print_document(document("attach", {"files": rows}))
    for item in done:
        if item.report is None:
            complain(item.message)
        elif not as_json:
            show(f"{item.file.name}: {item.message}", f"backup of the original: {item.report.backup.name}")
    return int(any(item.report is None for item in done))


def demo(folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new or empty folder.")]) -> int:
    """Write the invented sample job into a folder and run the report on it."""
    from flowkit.job import Job
    from flowkit.reports.terminal import sentences_text
    from flowkit.samples import copy_samples

    job = Job.load(copy_samples(folder))
    with engine_progress() as progress:
        results = job.run(progress=progress)
    with working("drawing the report"):
        written = job.report(folder / "report", results=results)
    show(f"The sample job (invented data) is in {folder}; its report:", *(f"  {path}" for path in written), "")
    show(*sentences_text(results.comparison))
    show("", f"Next: flowkit compare {job.path}")
    return 0


def open_(
    folder: Annotated[Path, typer.Argument(metavar="[FOLDER]", help="The folder with the sheets.")] = Path(),
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Default: any free one.")] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print the address.")] = False,
) -> int:
    """Open the job on a page in your browser, on this computer only; Ctrl-C ends it."""
    from flowkit.page.server import serve

    return serve(folder, port=port, browser=not no_browser)


def shortcut(
    folder: Annotated[
        Path | None, typer.Argument(metavar="[FOLDER]", help="Where to put it (default: the desktop).")
    ] = None,
) -> int:
    """Put an icon on the desktop that opens flowkit's page."""
    from flowkit.page.server import make_shortcut

    show(f"wrote {make_shortcut(folder)}")
    return 0
