"""What a job takes from the shop's records about its bench: how well runs repeat, and how far sessions drift."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from flowkit.model import Bench, Finding, Variant

if TYPE_CHECKING:
    from flowkit.analysis.uncertainty import History
    from flowkit.records.bench import BenchHistory


def bench_of_records(
    bench: Bench, variants: Sequence[Variant], records: Path | None, job: Path | None
) -> tuple[History | None, Bench, tuple[Finding, ...]]:
    """Return the history of the benches a job's tests name, the bench with its drift, and what to say of it.

    What the job states itself counts before the records: a stated repeatability leaves the history out, a stated
    drift stays. The job's own recorded tests do not count as its history.
    """
    from flowkit.analysis.uncertainty import History
    from flowkit.records.bench import bench_history
    from flowkit.records.store import Store

    names: dict[str, str] = {}
    for variant in variants:
        for test in variant.tests:
            name = " ".join((test.conditions.bench or "").split())
            names.setdefault(name.casefold(), name)
    with Store(records) as store:
        path = str(job.resolve()) if job else None
        known = [bench_history(store, name, but_for=path) for name in names.values()]
        where = str(store.path)
    runs = [item.repeatability for item in known if item.repeatability is not None]
    freedom = sum(item.degrees_of_freedom for item in runs)
    drifts = [item.drift for item in known if item.drift is not None]
    history = None
    if freedom and bench.repeatability is None:
        s = math.sqrt(math.fsum(item.s**2 * item.degrees_of_freedom for item in runs) / freedom)
        history = History(s, float(freedom)) if s > 0 else None
    if drifts and bench.drift is None:
        bench = replace(bench, drift=max(drifts))
    shown = " and ".join(name or "the unnamed bench" for name in names.values())
    return history, bench, (_said(shown, history, drifts, known, where),)


def _said(
    shown: str, history: History | None, drifts: Sequence[float], known: Sequence[BenchHistory], where: str
) -> Finding:
    """Say whose figures are used and how many readings they rest on, or that there are none."""
    parts = []
    if history is not None:
        runs = int(history.degrees_of_freedom)
        parts.append(f"repeatability {100 * history.s:.2g} % from {runs} repeated runs beyond the first of each port")
    if drifts:
        readings = sum(item.readings for item in known)
        sessions = sum(item.sessions for item in known)
        parts.append(f"drift {100 * max(drifts):.2g} % from {readings} check-plate readings in {sessions} sessions")
    if parts:
        message = f"from the records of {shown}: {'; '.join(parts)}. A gain is never proven by that alone"
        return Finding("bench-from-records", "note", where, message)
    message = (
        f"the records hold no repeated runs and too few check-plate readings of {shown}, so nothing is taken from "
        "them; state repeatability and drift in [bench], or add more jobs"
    )
    return Finding("bench-from-records", "note", where, message)
