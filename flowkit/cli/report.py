"""``flowkit report``: the flow chart and the workbook."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from flowkit.cli.common import (
    JobOrFiles,
    exit_code,
    load_job,
    report_errors,
    show,
    verb,
    with_reference,
    with_statements,
)
from flowkit.cli.progress import engine_progress

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
    *,
    statements: dict[str, Any],
    reference: dict[str, Any],
) -> int:
    """Write the flow chart (PDF, PNG and a one-file HTML page) and the workbook with the numbers behind it.

    Nothing is written where a finding on the flows is an error. The options that state or set something hold for
    sheets; for a job it is in the job file.
    """
    job = load_job(paths, stated=statements, reference=reference)
    with engine_progress() as progress:
        results = job.run(progress=progress)
    written = job.report(folder, formats=formats or ("pdf", "png", "xlsx", "html"), paper=paper, results=results)
    show(*(f"wrote {path}" for path in written))
    report_errors(results.findings)
    return exit_code(results.findings)
