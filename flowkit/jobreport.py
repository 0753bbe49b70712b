"""What a job's reports show, gathered, and what keeps them from being written."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from flowkit.errors import JobError
from flowkit.model import Finding

if TYPE_CHECKING:
    from flowkit.job import Job, JobResults
    from flowkit.reports.contents import ReportContents

__all__ = ["contents_of", "refuse_errors"]


def contents_of(job: Job, results: JobResults) -> ReportContents:
    """Gather what reports show.

    Parameters
    ----------
    job : Job
    results : JobResults
        What running it gave.

    Raises
    ------
    JobError
        If anything from the sheets to the comparison is an error: no report is made of it. Without
        engine figures the report goes without its engine page.
    """
    from flowkit.reports.contents import ReportContents, SourceFile

    refuse_errors(results.comparison.findings)
    paths = dict.fromkeys(choice.path for variant in job.variants for choice in variant.sheets)
    return ReportContents(
        info=job.info,
        reference=job.reference,
        bench=job.bench,
        variants=results.variants,
        comparison=results.comparison,
        engine=results.engine,
        sources=tuple(SourceFile(path.name, _sha256(path)) for path in paths),
        findings=results.findings,
    )


def refuse_errors(findings: Sequence[Finding]) -> None:
    """Refuse to go on where a finding is an error.

    Raises
    ------
    JobError
        Naming the first error and how many there are.
    """
    errors = [finding for finding in findings if finding.severity == "error"]
    if errors:
        more = f" (and {len(errors) - 1} more: flowkit check lists them)" if len(errors) > 1 else ""
        raise JobError(f"{errors[0].where}: {errors[0].message.rstrip('.')}{more}; nothing was written")


def _sha256(path: Path) -> str:
    """Fingerprint of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
