"""A job's engine with something changed: valves, cams or bore."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowkit.errors import JobError
from flowkit.model import Side
from flowkit.units import parse_quantity

if TYPE_CHECKING:
    from flowkit.engine.cam import Cam
    from flowkit.engine.results import EngineResult
    from flowkit.job import Job

__all__ = ["whatif"]

_TIMING = ("opens", "closes", "checking_lift", "peak_lift")


def whatif(
    job: Job,
    *,
    valves: Sequence[str] = (),
    cams: Sequence[str] = (),
    bore: str | None = None,
    variant: str | None = None,
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

    Returns
    -------
    EngineResult
        The prediction beside what it starts from.

    Raises
    ------
    JobError
        If the job describes no engine, or a change cannot be understood.
    FlowkitError
        If nothing can be compared or predicted.
    """
    from flowkit.engine.scenario import whatif as predict

    if job.engine is None:
        raise JobError("the job describes no engine", "add an [engine] table", file=job.path.name if job.path else None)
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
    )


def _changed_cams(job: Job, changes: Sequence[str]) -> dict[Side, Cam] | None:
    """Make the cams anew whose tables are changed."""
    from flowkit.engine.cam import Cam

    tables: dict[Side, dict[str, Any]] = {}
    for change in changes:
        side, key, value = _parse(change)
        table = tables.setdefault(side, dict(job.cam_tables.get(side, {})))
        if key == "table":
            # A measured table stands instead of a timing.
            table = tables[side] = {name: item for name, item in table.items() if name not in _TIMING}
        table[key] = value
    folder = job.path.parent if job.path else Path()
    return {side: Cam.from_mapping(table, folder, place=f"[cam.{side}]") for side, table in tables.items()} or None


def _parse(change: str) -> tuple[Side, str, str | float]:
    """Split a change such as ``intake.peak_lift=9.5mm``; bare numbers become numbers."""
    name, equals, written = change.partition("=")
    side, dot, key = name.strip().partition(".")
    if not (equals and dot and key.strip() and written.strip()) or side not in ("intake", "exhaust"):
        raise JobError(f"{change!r} is no change of a cam", 'write it like "intake.peak_lift=9.5mm"')
    value: str | float = written.strip()
    with contextlib.suppress(ValueError):
        value = float(written)
    return ("intake" if side == "intake" else "exhaust"), key.strip(), value
