"""The verbs that hand the work on: report, attach, demo, and the page by open and shortcut."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from flowkit.cli.common import (
    JobOrFiles,
    JsonOption,
    complain,
    engine_progress,
    exit_code,
    failure_as_document,
    load_job,
    page_numbers,
    print_document,
    report_errors,
    show,
    with_reference,
    with_statements,
    working,
)

if TYPE_CHECKING:
    from flowkit.job import JobResults


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
    from flowkit.output import document

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
