"""``flowkit correct``: flows at the reference state, and how they got there."""

from __future__ import annotations

from typing import Any

import typer

from flowkit.cli.common import (
    JobOrFiles,
    JsonOption,
    failure_as_document,
    give,
    load_job,
    verb,
    with_reference,
    with_statements,
)

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("correct", epilog="Example: flowkit correct job.toml")(verb(correct))


@with_statements
@with_reference
def correct(
    paths: JobOrFiles, json_: JsonOption = False, *, statements: dict[str, Any], reference: dict[str, Any]
) -> int:
    """Bring every test to the reference and print its flows and its ledger.

    The options that state or set something hold for sheets; for a job it is in the job file.
    """
    from flowkit.reports.terminal import correction_text

    with failure_as_document("correct", {"reference": None, "tests": []}, wanted=json_):
        job = load_job(paths, stated=statements, reference=reference)
        result = job.correct()
    return give(result, correction_text, job.info.display, as_json=json_)
