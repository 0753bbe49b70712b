"""Flow-bench data analysis: from lift-against-flow sheets to what the work on a head was worth.

Everything public is here; names are loaded when they are first used, so that importing
flowkit costs next to nothing.

Examples
--------
>>> import flowkit
>>> from flowkit.samples import sample_job
>>> job = flowkit.Job.load(sample_job())
>>> comparison = job.compare()
>>> [variant.name for variant in comparison.sides["intake"].variants][0]
'as received'
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from flowkit.version import __version__

if TYPE_CHECKING:
    from flowkit.analysis import compare as compare
    from flowkit.analysis.results import Comparison as Comparison
    from flowkit.corrections import CorrectionResult as CorrectionResult
    from flowkit.corrections import correct as correct
    from flowkit.engine import EngineResult as EngineResult
    from flowkit.errors import FlowkitError as FlowkitError
    from flowkit.importers import ReadResult as ReadResult
    from flowkit.importers import Stated as Stated
    from flowkit.importers import read as read
    from flowkit.importers import read_many as read_many
    from flowkit.job import Job as Job
    from flowkit.job import JobResults as JobResults
    from flowkit.job import report as report
    from flowkit.model import AirState as AirState
    from flowkit.model import Bench as Bench
    from flowkit.model import Conditions as Conditions
    from flowkit.model import CorrectedTest as CorrectedTest
    from flowkit.model import Finding as Finding
    from flowkit.model import FlowTest as FlowTest
    from flowkit.model import Point as Point
    from flowkit.model import Reference as Reference
    from flowkit.model import ValveGeometry as ValveGeometry
    from flowkit.model import Variant as Variant
    from flowkit.reports.pages.first import chart as chart

_HOMES = {
    "AirState": "model",
    "Bench": "model",
    "Comparison": "analysis.results",
    "Conditions": "model",
    "CorrectedTest": "model",
    "CorrectionResult": "corrections",
    "EngineResult": "engine",
    "Finding": "model",
    "FlowTest": "model",
    "FlowkitError": "errors",
    "Job": "job",
    "JobResults": "job",
    "Point": "model",
    "ReadResult": "importers",
    "Reference": "model",
    "Stated": "importers",
    "ValveGeometry": "model",
    "Variant": "model",
    "chart": "reports.pages.first",
    "compare": "analysis",
    "correct": "corrections",
    "read": "importers",
    "read_many": "importers",
    "report": "job",
}

__all__ = ["__version__", *_HOMES]  # noqa: PLE0604 - the names are the table's keys, all text


def __getattr__(name: str) -> Any:
    """Load a public name from its module when it is first asked for."""
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'flowkit' has no attribute {name!r}")
    value = getattr(import_module(f"flowkit.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted({*globals(), *_HOMES})
