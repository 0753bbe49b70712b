"""``flowkit blank``: the sheet to send to the bench."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from flowkit.cli.common import show, verb
from flowkit.errors import UnitError
from flowkit.model import Side
from flowkit.units import parse_quantity, unit

__all__ = ["register"]


_METRIC, _INCH = ("1 mm", "10 mm"), ("0.050 in", "0.500 in")
"""Step and highest lift, by the unit of the lifts."""
_UNLESS = tuple(f"{metric}, or {inch} with lifts in inches," for metric, inch in zip(_METRIC, _INCH, strict=True))


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("blank", epilog="Example: flowkit blank to_bench.xlsx --top '10 mm' --runs 3")(verb(blank))


def blank(
    out: Annotated[Path, typer.Argument(metavar="OUT.xlsx|OUT.csv", help="Never written over an existing file.")],
    *,
    top: Annotated[
        str | None,
        typer.Option("--top", metavar="LENGTH", help=f"Highest lift; {_UNLESS[1]} unless given or by the valve."),
    ] = None,
    step: Annotated[
        str | None, typer.Option("--step", metavar="LENGTH", help=f"Step of the lifts; {_UNLESS[0]} unless given.")
    ] = None,
    valve_head: Annotated[
        str | None,
        typer.Option("--valve-head", metavar="LENGTH", help="Valve head: lifts at fractions of it instead of steps."),
    ] = None,
    ports: Annotated[str, typer.Option("--ports", help="How many, or their names with commas.")] = "4",
    side: Annotated[
        Literal["intake", "exhaust"] | None, typer.Option("--side", help="One side only; both unless given.")
    ] = None,
    runs: Annotated[int, typer.Option("--runs", min=1, help="Runs of the first port; the others are run once.")] = 3,
    lift_unit: Annotated[str, typer.Option("--lift-unit", metavar="UNIT")] = "mm",
    flow_unit: Annotated[str, typer.Option("--flow-unit", metavar="UNIT")] = "CFM",
    pressure_unit: Annotated[str, typer.Option("--pressure-unit", metavar="UNIT")] = "inH2O",
    readings: Annotated[
        str | None,
        typer.Option(
            "--readings", metavar="UNIT", help="For a bench that shows no flow: its meter's unit, such as mm."
        ),
    ] = None,
) -> int:
    """Make the sheet to send to the bench: header fields, a column per port and run, leak, check plate."""
    from flowkit.importers.sheets.blank import write_blank

    names = _names(ports)
    usual = _INCH if unit(lift_unit, "length").name in ("in", "thou") else _METRIC
    sides: tuple[Side, ...] = (side,) if side else ("intake", "exhaust")
    lifts: dict[str, Any] = (
        {"valve_diameter_m": _length(valve_head, "--valve-head"), "top_m": _length(top, "--top") if top else None}
        if valve_head
        else {"step_m": _length(step or usual[0], "--step"), "top_m": _length(top or usual[1], "--top")}
    )
    written = write_blank(
        out,
        **lifts,
        ports=names,
        sides=sides,
        runs={names[0]: runs},
        lift_unit=lift_unit,
        flow_unit=flow_unit,
        pressure_unit=pressure_unit,
        reading_unit=readings,
    )
    show(f"wrote {written}", f"Once it is filled in: flowkit check {written}")
    return 0


def _names(ports: str) -> tuple[str, ...]:
    """Port names: a count, or names with commas between."""
    if ports.strip().isdecimal():
        names = tuple(str(index) for index in range(1, int(ports) + 1))
    else:
        names = tuple(name.strip() for name in ports.split(",") if name.strip())
    if not 1 <= len(names) <= 64:
        raise typer.BadParameter("--ports: give 1 to 64 ports, as a number or as names with commas")
    twice = next((name for name in names if sum(name.casefold() == other.casefold() for other in names) > 1), None)
    if twice is not None:
        raise typer.BadParameter(f"--ports: {twice!r} is named twice; give each port a name of its own")
    return names


def _length(text: str, option: str) -> float:
    """Read a length into metres."""
    try:
        value = parse_quantity(text, "length")
    except UnitError as error:
        raise typer.BadParameter(f"{option}: {error}") from error
    if value <= 0:
        raise typer.BadParameter(f"{option}: {text!r} is not above zero")
    return value
