"""A job's engine as it is, and with something changed: valves, cams or bore."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowkit.errors import JobError
from flowkit.model import Side
from flowkit.units import parse_quantity

if TYPE_CHECKING:
    from flowkit.analysis.results import Comparison
    from flowkit.engine.cam import Cam
    from flowkit.engine.figures import Progress
    from flowkit.engine.results import EngineResult
    from flowkit.job import Job
    from flowkit.model import Variant

__all__ = ["engine_of", "no_engine", "whatif"]

_TIMING = ("opens", "closes", "checking_lift", "peak_lift")


def no_engine(job: Job) -> JobError:
    """Return the error of a job that is asked for an engine it has not.

    Parameters
    ----------
    job : Job
    """
    file = job.path.name if job.path else None
    return JobError("the job describes no engine", "add an [engine] table", file=file)


def engine_of(
    job: Job, comparison: Comparison, variants: Sequence[Variant], progress: Progress | None = None
) -> EngineResult:
    """Carry a job's comparison into its engine.

    Parameters
    ----------
    job : Job
    comparison : Comparison
    variants : sequence of Variant
        With their valves.
    progress : callable, optional
        Called with (cycles done, most cycles there may be).

    Raises
    ------
    JobError
        If the job describes no engine.
    EngineError
        If the cams or the combustion cannot belong to the engine.
    """
    from flowkit.engine.run import run_engine

    if job.engine is None:
        raise no_engine(job)
    valves = {variant.name: variant.valves for variant in variants}
    return run_engine(comparison, job.engine, job.cams, reference=job.reference, valves=valves, progress=progress)


def whatif(
    job: Job,
    *,
    valves: Sequence[str] = (),
    cams: Sequence[str] = (),
    bore: str | None = None,
    variant: str | None = None,
    progress: Progress | None = None,
) -> EngineResult:
    """Predict what a changed valve, cam or bore would mean for a job's engine.

    Parameters
    ----------
    job : Job
    valves : sequence of str
        Such as ``"intake.stem=6mm"``.
    cams : sequence of str
        Such as ``"intake.peak_lift=9.5mm"``: keys of the job file's cam tables.
    bore : str, optional
        Such as ``"82 mm"``.
    variant : str, optional
        To start from; the last one unless given.
    progress : callable, optional
        Called with (cycles done, most cycles there may be).

    Returns
    -------
    EngineResult
        The prediction beside what it starts from.

    Raises
    ------
    JobError
        If the job describes no engine.
    EngineError
        If a change cannot be understood.
    FlowkitError
        If nothing can be compared or predicted.
    """
    from flowkit.engine.prediction import whatif as predict

    if job.engine is None:
        raise no_engine(job)
    changed = _changed_cams(job, cams)
    results = job.run(engine=False)
    return predict(
        results.comparison,
        job.engine,
        job.cams,
        reference=job.reference,
        valves={item.name: item.valves for item in results.variants},
        changes=valves,
        new_cams=changed,
        bore_m=parse_quantity(bore, "length") if bore else None,
        variant=variant,
        progress=progress,
    )


def _changed_cams(job: Job, changes: Sequence[str]) -> dict[Side, Cam] | None:
    """Make the cams anew whose tables are changed."""
    from flowkit.engine.cam import Cam

    tables: dict[Side, dict[str, Any]] = {}
    for change in changes:
        side, key, value = _parse(change)
        if side not in tables:
            tables[side] = dict(job.cam_table.get(side, {}))
            if "name" in tables[side]:
                # It is no longer the cam of that name.
                tables[side]["name"] = f"{tables[side]['name']}, changed"
        table = tables[side]
        if key == "table":
            # A measured table stands instead of a timing.
            table = tables[side] = {name: item for name, item in table.items() if name not in _TIMING}
        table[key] = value
    folder = job.path.parent if job.path else Path()
    return {side: Cam.from_mapping(table, folder, place=f"[cam.{side}]") for side, table in tables.items()} or None


def _parse(change: str) -> tuple[Side, str, str | float]:
    """Split a change such as ``intake.peak_lift=9.5mm``; bare numbers become numbers."""
    from flowkit.engine.prediction import split_change

    side, key, written = split_change(change, of="cam", example="intake.peak_lift=9.5mm")
    value: str | float = written
    with contextlib.suppress(ValueError):
        value = float(written)
    return side, key, value
