"""``flowkit attach``: the flow chart into the customer's build files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from flowkit.cli.common import JsonOption, complain, failure_as_document, page_numbers, print_document, show, verb
from flowkit.cli.progress import engine_progress

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("attach", epilog="Example: flowkit attach job.toml build_file.pdf --after 3")(verb(attach))


def attach(
    job: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file.")],
    build_files: Annotated[list[Path], typer.Argument(metavar="FILE…", help="PDF, XLSX, XLSM or DOCX.")],
    *,
    after: Annotated[int | None, typer.Option("--after", min=0, help="PDF: the page the flow pages follow.")] = None,
    bookmark: Annotated[str | None, typer.Option("--bookmark", help="DOCX: the bookmark they follow.")] = None,
    paper: Annotated[
        Literal["letter", "a4"] | None, typer.Option("--paper", help="The build file's own unless given.")
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

    with failure_as_document("attach", {"files": []}, wanted=as_json), engine_progress() as progress:
        done = Job.load(job).attach_all(
            build_files, after=after, bookmark=bookmark, paper=paper, pages=page_numbers(pages), progress=progress
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
