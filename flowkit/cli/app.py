"""The command's verbs, gathered, and how its errors reach people."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from flowkit.cli import records, results, sheets
from flowkit.cli.common import complain, complain_of, verb
from flowkit.errors import FlowkitError

app = typer.Typer(
    name="flowkit",
    help=(
        "Flow-bench data analysis: from lift-against-flow sheets to what the work on a head was worth.\n\n"
        "Start with: flowkit demo flowkit-demo"
    ),
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    """Print the version and stop."""
    if wanted:
        from flowkit.version import __version__

        typer.echo(f"flowkit {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Hold the options of the command itself."""


for _function, _example in (
    (sheets.read, "read as_received.csv --fixture-bore '83 mm'"),
    (sheets.check, "check job.toml"),
    (sheets.start, "start sheets -o sheets/job.toml"),
    (sheets.blank, "blank to_bench.xlsx --top '10 mm' --runs 3"),
    (results.compare, "compare as_received.csv after_work.xlsx"),
    (results.correct, "correct job.toml"),
    (results.plan, "plan job.toml --gain '1.5 %'"),
    (results.engine, "engine job.toml --plot engine.png"),
    (results.whatif, "whatif job.toml --valve intake.stem=6mm"),
    (results.meter, "meter job.toml --out meter.png"),
    (results.report, "report job.toml -o reports"),
    (results.attach, "attach job.toml build_file.pdf --after 3"),
    (results.demo, "demo flowkit-demo"),
    (results.open_, "open ."),
    (results.shortcut, "shortcut ."),
):
    _name = _function.__name__.rstrip("_")
    app.command(_name, epilog=f"Example: flowkit {_example}")(verb(_function, waits=_name == "open"))
app.add_typer(records.app, name="records")


def run(arguments: Sequence[str]) -> int:
    """Run the command."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A locale without ± and Greek letters shows a mark instead of stopping.
            stream.reconfigure(errors="replace")
    try:
        app(args=list(arguments), prog_name="flowkit")
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    except FlowkitError as error:
        complain_of(error)
        return 1
    except BrokenPipeError:
        # Whoever was reading has enough; nothing more can be written, not even at exit.
        _drop_output()
        return 1
    except OSError as error:
        complain(f"the output cannot be written ({error.strerror or error}); free some space or send it elsewhere.")
        _drop_output()
        return 1
    return 0


def _drop_output() -> None:
    """Send what is left of the output nowhere, so that leaving does not fail over it."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
