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
    from flowkit.analysis.frames import Curve
    from flowkit.analysis.results import Comparison
    from flowkit.corrections import CorrectionResult, correct
    from flowkit.engine.results import EngineResult
    from flowkit.errors import FlowkitError
    from flowkit.importers import ReadResult, Stated
    from flowkit.job import Job, JobResults, JobVariant, SheetChoice, report
    from flowkit.job.api import Readings, compare, from_frame, read, read_many
    from flowkit.job.engine import whatif
    from flowkit.model import (
        AirState,
        Bench,
        Conditions,
        CorrectedTest,
        Finding,
        FlowTest,
        HandChange,
        JobInfo,
        Point,
        Reference,
        ValveGeometry,
        Variant,
    )  # fmt: skip
    from flowkit.reports.pages.first import chart
    from flowkit.samples import sample_job
    from flowkit.units import from_si, parse_quantity, to_si

__all__ = [
    "AirState", "Bench", "Comparison", "Conditions", "CorrectedTest", "CorrectionResult", "Curve", "EngineResult",
    "Finding", "FlowTest", "FlowkitError", "HandChange", "Job", "JobInfo", "JobResults", "JobVariant", "Point",
    "ReadResult", "Readings", "Reference", "SheetChoice", "Stated", "ValveGeometry", "Variant", "__version__", "chart",
    "compare", "correct", "from_frame", "from_si", "parse_quantity", "read", "read_many", "report", "sample_job",
    "to_si", "whatif",
]  # fmt: skip
_HOMES = {
    "analysis.frames": "Curve",
    "analysis.results": "Comparison",
    "corrections": "CorrectionResult correct",
    "engine.results": "EngineResult",
    "errors": "FlowkitError",
    "importers": "ReadResult Stated",
    "job": "Job JobResults JobVariant SheetChoice report",
    "job.api": "Readings compare from_frame read read_many",
    "job.engine": "whatif",
    "model": "AirState Bench Conditions CorrectedTest Finding FlowTest HandChange JobInfo Point Reference "
    "ValveGeometry Variant",
    "reports.pages.first": "chart",
    "samples": "sample_job",
    "units": "from_si parse_quantity to_si",
}


def __getattr__(name: str) -> Any:
    """Load a public name from its module when it is first asked for."""
    home = next((home for home, names in _HOMES.items() if name in names.split()), None)
    if home is None:
        raise AttributeError(f"module 'flowkit' has no attribute {name!r}")
    value = getattr(import_module(f"flowkit.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names and nothing else."""
    return sorted(__all__)
