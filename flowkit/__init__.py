"""Flow-bench data analysis: from lift-against-flow sheets to what the work on a head was worth.

Everything public is here; names are loaded when they are first used, so that importing
flowkit costs next to nothing.

Examples
--------
>>> import flowkit
>>> job = flowkit.Job.load(flowkit.sample_job())
>>> comparison = job.compare()
>>> [variant.name for variant in comparison.sides["intake"].variants][0]
'as received'
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from flowkit.version import __version__

if TYPE_CHECKING:
    from flowkit.analysis.frames import Curve as Curve
    from flowkit.analysis.results import Comparison as Comparison
    from flowkit.corrections import CorrectionResult as CorrectionResult
    from flowkit.corrections import correct as correct
    from flowkit.engine.results import EngineResult as EngineResult
    from flowkit.errors import FlowkitError as FlowkitError
    from flowkit.importers import ReadResult as ReadResult
    from flowkit.importers import Stated as Stated
    from flowkit.job import Job as Job
    from flowkit.job import JobResults as JobResults
    from flowkit.job import JobVariant as JobVariant
    from flowkit.job import SheetChoice as SheetChoice
    from flowkit.job import report as report
    from flowkit.job.api import Readings as Readings
    from flowkit.job.api import compare as compare
    from flowkit.job.api import from_frame as from_frame
    from flowkit.job.api import read as read
    from flowkit.job.api import read_many as read_many
    from flowkit.job.engine import whatif as whatif
    from flowkit.model import AirState as AirState
    from flowkit.model import Bench as Bench
    from flowkit.model import Conditions as Conditions
    from flowkit.model import CorrectedTest as CorrectedTest
    from flowkit.model import Finding as Finding
    from flowkit.model import FlowTest as FlowTest
    from flowkit.model import HandChange as HandChange
    from flowkit.model import JobInfo as JobInfo
    from flowkit.model import Point as Point
    from flowkit.model import Reference as Reference
    from flowkit.model import ValveGeometry as ValveGeometry
    from flowkit.model import Variant as Variant
    from flowkit.reports.pages.first import chart as chart
    from flowkit.samples import sample_job as sample_job
    from flowkit.units import from_si as from_si
    from flowkit.units import parse_quantity as parse_quantity
    from flowkit.units import to_si as to_si

_HOMES = {
    "AirState": "model",
    "Bench": "model",
    "Comparison": "analysis.results",
    "Conditions": "model",
    "CorrectedTest": "model",
    "CorrectionResult": "corrections",
    "Curve": "analysis.frames",
    "EngineResult": "engine.results",
    "Finding": "model",
    "FlowTest": "model",
    "FlowkitError": "errors",
    "HandChange": "model",
    "Job": "job",
    "JobInfo": "model",
    "JobResults": "job",
    "JobVariant": "job",
    "Point": "model",
    "ReadResult": "importers",
    "Readings": "job.api",
    "Reference": "model",
    "SheetChoice": "job",
    "Stated": "importers",
    "ValveGeometry": "model",
    "Variant": "model",
    "chart": "reports.pages.first",
    "compare": "job.api",
    "correct": "corrections",
    "from_frame": "job.api",
    "from_si": "units",
    "parse_quantity": "units",
    "read": "job.api",
    "read_many": "job.api",
    "report": "job",
    "sample_job": "samples",
    "to_si": "units",
    "whatif": "job.engine",
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
    """List the public names and nothing else."""
    return sorted(__all__)
