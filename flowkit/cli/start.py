"""``flowkit start``: a job file from the sheets in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flowkit.cli.common import show, verb

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("start", epilog="Example: flowkit start sheets -o sheets/job.toml")(verb(start))


def start(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the sheets are.")],
    out: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="JOB.toml", help="job.toml in the folder unless given.")
    ] = None,
) -> int:
    """Read the sheets in a folder and write a commented job file; never over an existing one."""
    from flowkit.importers.sheets.start import start_job

    written = start_job(folder, out)
    show(f"wrote {written}", "Fill in the state of each variant, then: flowkit compare " + str(written))
    return 0
