"""``flowkit check``: what is doubtful, alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import typer

from flowkit.cli.common import (
    JobOrFiles,
    JsonOption,
    exit_code,
    finding_of,
    print_document,
    refuse_beside_job,
    report_errors,
    show,
    stated_of,
    verb,
    with_statements,
)
from flowkit.errors import FlowkitError
from flowkit.model import Finding

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verb to the command."""
    app.command("check", epilog="Example: flowkit check job.toml")(verb(check))


@with_statements
def check(paths: JobOrFiles, json_: JsonOption = False, *, statements: dict[str, Any]) -> int:
    """Print what is doubtful in sheets or in a whole job: errors on standard error, with exit status 1.

    What the sheets do not say is stated by options; for a job it is in the job file.
    """
    findings = [finding for path in paths for finding in _findings(path, statements)]
    if json_:
        from flowkit.output import document

        print_document(document("check", {"findings": findings}))
    else:
        from flowkit.reports.terminal import findings_text

        show(*(findings_text(findings) or ([] if exit_code(findings) else ["nothing doubtful"])))
    report_errors(findings)
    return exit_code(findings)


def _findings(path: Path, statements: dict[str, Any]) -> list[Finding]:
    """All findings of a job (the whole way) or of a sheet (reading it)."""
    from flowkit import importers
    from flowkit.job import Job

    try:
        if path.suffix.lower() == ".toml":
            refuse_beside_job(statements)
            return list(Job.load(path).run().findings)
        return list(importers.read(path, stated_of(statements)).findings)
    except FlowkitError as error:
        return [*error.findings, finding_of(error)]
