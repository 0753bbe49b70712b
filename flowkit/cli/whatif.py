"""``flowkit whatif``: what a changed valve, cam or bore would mean, as a prediction."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from flowkit.cli.common import (
    JsonOption,
    TablesOption,
    failure_as_document,
    give,
    verb,
)
from flowkit.cli.progress import engine_progress

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("whatif", epilog="Example: flowkit whatif job.toml --valve intake.stem=6mm")(verb(whatif))


def whatif(
    path: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file with an [engine] table.")],
    *,
    valve: Annotated[
        list[str] | None,
        typer.Option("--valve", metavar="SIDE.KEY=VALUE", help="Such as intake.stem=6mm; may be given again."),
    ] = None,
    cam: Annotated[
        list[str] | None,
        typer.Option("--cam", metavar="SIDE.KEY=VALUE", help="Such as intake.peak_lift=9.5mm; may be given again."),
    ] = None,
    bore: Annotated[
        str | None,
        typer.Option("--bore", metavar="LENGTH", help="Another bore; the chamber keeps its volume."),
    ] = None,
    compression: Annotated[
        str | None, typer.Option("--compression", metavar="RATIO", help="Another compression ratio.")
    ] = None,
    variant: Annotated[str | None, typer.Option("--variant", help="To start from; the last unless given.")] = None,
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
