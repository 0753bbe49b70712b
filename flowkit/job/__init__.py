"""A job: from its file and its sheets to its reports."""

from __future__ import annotations

from flowkit.job.job import Job, JobResults, report
from flowkit.job.load import JobVariant, SheetChoice

__all__ = ["Job", "JobResults", "JobVariant", "SheetChoice", "report"]
