"""``flowkit engine``: what the flows mean for the job's engine with its cam."""

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
    app.command("engine", epilog="Example: flowkit engine job.toml --plot engine.png")(verb(engine))


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
