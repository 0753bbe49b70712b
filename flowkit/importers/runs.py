"""Repeated runs that stand as rows: the same lifts again, or each lift several times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from operator import sub

from flowkit.importers.layouts.drafts import Draft
from flowkit.model import Finding

__all__ = ["split_runs"]

MICRON = 1e-6  # lifts closer than this are one


def split_runs(drafts: Sequence[Draft]) -> tuple[list[Draft], list[Finding]]:
    """Part tests whose every lift occurs equally often into runs.

    Parameters
    ----------
    drafts : sequence of Draft

    Returns
    -------
    drafts : list of Draft
    findings : list of Finding
        A note for each test that was parted.
    """
    found: list[Draft] = []
    findings: list[Finding] = []
    single: set[int] = set()  # lists of lifts, shared by the columns of a table, in which none is repeated
    for draft in drafts:
        if id(draft.lifts) in single:
            found.append(draft)
            continue
        if not _repeats(draft.lifts):
            single.add(id(draft.lifts))
            found.append(draft)
            continue
        runs = _run_of_each(draft) if draft.run is None else None
        if runs is None:
            found.append(draft)
            continue
        count = max(runs)
        what = f"every lift occurs {count} times: the rows were read as {count} runs of one port"
        findings.append(Finding("lift-repeated", "note", draft.sources[0], what))
        found += [_part(draft, runs, run) for run in range(1, count + 1)]
    return found, findings


def _run_of_each(draft: Draft) -> list[int] | None:
    """The run of each point, None where the lifts are not repeated or not equally often."""
    seen: dict[int, int] = {}
    runs = []
    for lift in draft.lifts:
        key = round(lift / MICRON)
        seen[key] = seen.get(key, 0) + 1
        runs.append(seen[key])
    counts = set(seen.values())
    return runs if len(counts) == 1 and counts != {1} and len(seen) > 1 else None


def _repeats(lifts: Sequence[float]) -> bool:
    """Whether two lifts are one, to within a micron."""
    ordered = sorted(lifts)
    return min(map(sub, ordered[1:], ordered), default=1.0) < MICRON


def _part(draft: Draft, runs: Sequence[int], run: int) -> Draft:
    """The points of one run."""
    keep = [index for index, of in enumerate(runs) if of == run]
    return replace(
        draft,
        run=run,
        lifts=[draft.lifts[i] for i in keep],
        flows=[draft.flows[i] for i in keep],
        pressures=[draft.pressures[i] for i in keep],
        sources=[draft.sources[i] for i in keep],
    )
