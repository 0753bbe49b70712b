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
    flow_unit: Annotated[
        str | None, typer.Option("--flow-unit", metavar="UNIT", help="Of sheets that name none, such as CFM.")
    ] = None,
) -> int:
    """Read the sheets in a folder and its subfolders and write a commented job file; never over an existing one."""
    from flowkit.importers import Stated
    from flowkit.importers.sheets.start import folder_listing, start_job
    from flowkit.units import unit

    spelled = unit(flow_unit, "flow", "mass flow", "standard flow").name if flow_unit else None
    stated = Stated(flow_unit=spelled)
    written = start_job(folder, out, stated)
    for entry in folder_listing(folder, stated):
        reason = entry.reason.partition("; or put this into its")[0].removeprefix(f"{entry.path.name}: ")
        show(f"{entry.status}: {entry.path.relative_to(folder)}: {reason}")
    show(f"wrote {written}", "Fill in the state of each variant, then: flowkit compare " + str(written))
    return 0
