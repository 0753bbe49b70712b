"""``flowkit attach``: the flow chart into the customer's build file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from flowkit.cli.common import show, verb

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("attach", epilog="Example: flowkit attach job.toml build_file.pdf --after 3")(verb(attach))


def attach(
    job: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file.")],
    build_file: Annotated[Path, typer.Argument(metavar="BUILDFILE", help="A PDF, XLSX, XLSM or DOCX.")],
    after: Annotated[int | None, typer.Option("--after", min=0, help="PDF: the page the flow pages follow.")] = None,
    bookmark: Annotated[str | None, typer.Option("--bookmark", help="DOCX: the bookmark they follow.")] = None,
    paper: Annotated[
        Literal["letter", "a4"] | None,
        typer.Option("--paper", help="Unless given, by the display units."),
    ] = None,
) -> int:
    """Put the flow chart into a build file; nothing of the file is lost, former flow pages are replaced.

    The old file is kept as a backup beside it.
    """
    from flowkit.job import Job

    done = Job.load(job).attach(build_file, after=after, bookmark=bookmark, paper=paper)
    replaced = ", in place of the former ones" if done.replaced else ""
    show(f"{done.file.name}: added {', '.join(done.added)}{replaced}", f"the file as it was: {done.backup}")
    return 0
