"""``flowkit demo``: the whole job in one command."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flowkit.cli.common import show, verb

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("demo", epilog="Example: flowkit demo flowkit-demo")(verb(demo))


def demo(folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new or empty folder.")]) -> int:
    """Write the invented sample job into a folder and run the report on it."""
    from flowkit.job import Job
    from flowkit.reports.terminal import sentences_text
    from flowkit.samples import copy_samples

    job = Job.load(copy_samples(folder))
    results = job.run()
    written = job.report(folder / "report", results=results)
    show(f"The sample job (invented data) is in {folder}; its report:", *(f"  {path}" for path in written), "")
    show(*sentences_text(results.comparison))
    show("", f"Next: flowkit compare {job.path}")
    return 0
