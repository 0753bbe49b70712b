"""``flowkit compare``: normalised flows, gains and what they are worth believing."""

from __future__ import annotations

import functools
from typing import Annotated, Any

import typer

from flowkit.cli.common import (
    JobOrFiles,
    JsonOption,
    TablesOption,
    exit_code,
    failure_as_document,
    give,
    load_job,
    report_errors,
    verb,
    with_reference,
    with_statements,
)

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("compare", epilog="Example: flowkit compare as_received.csv after_work.xlsx")(verb(compare))


@with_statements
@with_reference
def compare(
    paths: JobOrFiles,
    json_: JsonOption = False,
    tables: TablesOption = False,
    csv: Annotated[bool, typer.Option("--csv", help="Print the table as CSV instead.")] = False,
    *,
    statements: dict[str, Any],
    reference: dict[str, Any],
) -> int:
    """Compare the variants of a head, side by side: flows, gains and their intervals.

    Without a job file each sheet is a variant named after it, the first the baseline. The options that state or set
    something hold for sheets; for a job it is in the job file.
    """
    from flowkit.reports.labels import comparison_csv
    from flowkit.reports.terminal import comparison_text

    with failure_as_document("compare", {"reference": None, "sides": {}}, wanted=json_):
        job = load_job(paths, stated=statements, reference=reference)
        comparison = job.compare()
    if json_ or not csv:
        text = functools.partial(comparison_text, tables=tables)
        return give(comparison, text, job.info.display, as_json=json_)
    typer.echo(comparison_csv(comparison, job.info.display), nl=False)
    report_errors(comparison.findings)
    return exit_code(comparison.findings)
