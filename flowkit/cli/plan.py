"""``flowkit plan``: how many repeats a gain needs, and which test would untangle the steps."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from flowkit.cli.common import JsonOption, failure_as_document, give, verb
from flowkit.errors import UnitError
from flowkit.units import parse_quantity

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("plan", epilog="Example: flowkit plan job.toml --gain '1.5 %'")(verb(plan))


def plan(
    job: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file.")],
    gain: Annotated[
        str, typer.Option("--gain", metavar="PERCENT", help="The gain to be resolved, in per cent.")
    ] = "2 %",
    power: Annotated[
        str, typer.Option("--power", metavar="PERCENT", help="The chance to resolve it, in per cent.")
    ] = "80 %",
    json_: JsonOption = False,
) -> int:
    """Say how many repeated runs would resolve a gain, and which extra test would remove each confounding."""
    from flowkit.job import Job

    wanted, chance = _fraction(gain, "--gain"), _fraction(power, "--power")
    nothing: dict[str, Any] = {"gain": wanted, "power": chance, "repeatability": None, "repeats": []}
    nothing |= {"extra_tests": {}, "sentences": []}
    with failure_as_document("plan", nothing, wanted=json_):
        result = Job.load(job).plan(wanted, chance)
    return give(result, lambda plan, _: plan.sentences, "US", as_json=json_)


def _fraction(text: str, option: str) -> float:
    """Read per cent, with or without the sign, into a fraction between 0 and 1."""
    try:
        value = parse_quantity(text if text.strip().endswith("%") else f"{text} %", "humidity")
    except UnitError as error:
        raise typer.BadParameter(f"{option}: {error.problem}; write it like '2 %'") from error
    if not 0 < value < 1:
        raise typer.BadParameter(f"{option}: {text!r} is not between 0 and 100 %")
    return value
