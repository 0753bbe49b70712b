"""``flowkit meter``: a meter's coefficient or full scale, from plates of known flow."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flowkit.cli.common import JsonOption, failure_as_document, give, verb
from flowkit.units import from_si

if TYPE_CHECKING:
    from flowkit.corrections.calibration import CalibrationResult

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("meter", epilog="Example: flowkit meter job.toml --out meter.png")(verb(meter))


def meter(
    job: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file with [meter] and its certificates.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.png", help="Where to draw the plates about what was found.")
    ] = None,
    json_: JsonOption = False,
) -> int:
    """Find a plate's coefficient or a percent meter's full scale from plates of known flow."""
    from flowkit.job import Job

    nothing: dict[str, Any] = {"meters": []}
    with failure_as_document("meter", nothing, wanted=json_):
        result = Job.load(job).calibrate_meters()
    if out is not None:
        _draw(result, out)
    return give(result, lambda found, _: tuple(_lines(found)), "US", as_json=json_)


def _draw(result: CalibrationResult, out: Path) -> None:
    """Write the picture, whole or not at all."""
    import matplotlib as mpl

    from flowkit.output import written_whole

    mpl.use("Agg")
    with written_whole(out) as draft:
        figure: Any = result.plot().figure
        figure.savefig(draft, dpi=160)


def _lines(result: CalibrationResult) -> list[str]:
    """The table and what to paste."""
    lines: list[str] = []
    for item in result.meters:
        name = item.name if item.range is None else f"{item.name}, range {item.range}"
        full = item.parameter != "coefficient"
        value = f"{from_si(item.value, 'CFM'):.5g} CFM" if full else f"{item.value:.5g}"
        what = "full scale" if full else "coefficient"
        plates = "one plate" if len(item.points) == 1 else f"{len(item.points)} plates"
        lines += [f"{name}: {what} {value} ± {100 * item.u:.2g} % (k = 1), from {plates}", ""]
        lines.append(f"  {'reading':>12} {'flow (CFM)':>12} {'u':>8} {what:>12} {'off':>8}")
        for point in item.points:
            shown = from_si(point.value, "CFM") if full else point.value
            reading = f"{point.reading:g} {point.reading_unit}"
            lines.append(
                f"  {reading:>12} {from_si(point.flow_m3_s, 'CFM'):12.1f} {100 * point.u:6.2g} % {shown:12.5g} "
                f"{100 * point.residual:+6.2f} %"
            )
        if len(item.points) > 1:
            excess = item.chi_squared / (len(item.points) - 1)
            if excess > 1:
                lines += ["", f"  The plates differ by {excess**0.5:.1f} times what their certificates allow;"]
                lines.append("  the uncertainty was widened by that.")
        lines += ["", "  Put this into the job file in place of the meter's table:", ""]
        lines += [f"  {line}" for line in item.toml.splitlines()]
        lines.append("")
    return lines[:-1]
