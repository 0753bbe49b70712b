"""``flowkit report``: the flow chart and the workbook."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from flowkit.cli.common import (
    JobOrFiles,
    exit_code,
    load_job,
    page_numbers,
    report_errors,
    show,
    verb,
    with_reference,
    with_statements,
)
from flowkit.cli.progress import engine_progress, working

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("report", epilog="Example: flowkit report job.toml -o reports")(verb(report))


@with_statements
@with_reference
def report(
    paths: JobOrFiles,
    folder: Annotated[Path, typer.Option("-o", "--output", metavar="DIR", help="Where the files go.")] = Path(),
    formats: Annotated[
        list[str] | None,
        typer.Option(
            "--format", metavar="[pdf|png|svg|xlsx|html]", help="May be given again. Unless given: all but svg."
        ),
    ] = None,
    paper: Annotated[
        Literal["letter", "a4"] | None,
        typer.Option("--paper", help="Letter for US display, A4 for metric unless given."),
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
