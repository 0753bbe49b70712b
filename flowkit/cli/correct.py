"""``flowkit correct``: flows at the reference state, and how they got there."""

from __future__ import annotations

from typing import Any

import typer

from flowkit.cli.common import (
    JobOrFiles,
    JsonOption,
    exit_code,
    failure_as_document,
    load_job,
    print_document,
    report_errors,
    show,
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
    """Bring every test to the reference and print its flows and its ledger."""
    with failure_as_document("correct", {"reference": None, "tests": []}, wanted=json_):
        job = load_job(paths, stated=statements, reference=reference)
        result = job.correct()
    if json_:
        print_document(result.to_json())
    else:
        from flowkit.reports.terminal import correction_text

        show(*correction_text(result, job.info.display))
    report_errors(result.findings)
    return exit_code(result.findings)
