"""What the records answer at once: tests found by what is known of them, and the tests of a state of long ago."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flowkit.errors import FlowkitError
from flowkit.importers.files.own import test_from_json
from flowkit.records.store import RecordsError, Store, unpacked

if TYPE_CHECKING:
    import pandas as pd

    from flowkit.model import FlowTest

COLUMNS = (
    "id",
    "kind",
    "job",
    "title",
    "customer",
    "state",
    "head",
    "side",
    "port",
    "run",
    "date",
    "bench",
    "operator",
    "valve_m",
    "bore_m",
    "test_pressure_pa",
    "mean_flow_m3_s",
    "file",
)
"""What is given of each test."""

_QUERY = """
SELECT tests.id, kind, number, title, customer, tests.state, head, side, port, run, tests.date, bench, operator,
       valve_m, bore_m, test_pressure_pa, mean_flow_m3_s, sheets.path
FROM tests JOIN entries ON entries.id = tests.entry_id LEFT JOIN sheets ON sheets.id = sheet_id
WHERE current = 1
"""

_EXACT = {
    "side": "tests.side",
    "head": "tests.head",
    "state": "tests.state",
    "customer": "entries.customer",
    "bench": "tests.bench",
    "operator": "tests.operator",
    "job": "entries.number",
}
_NEAR = 0.5e-3
"""Two bores or valves within half a millimetre are the same to somebody who asks for one."""


@dataclass(frozen=True, slots=True)
class Found:
    """Tests that were found, newest first, and how many there are in all."""

    rows: tuple[tuple[Any, ...], ...]
    total: int

    def table(self) -> pd.DataFrame:
        """Return them as a DataFrame."""
        import pandas as pd

        return pd.DataFrame(self.rows, columns=pd.Index(COLUMNS))


def find(store: Store, text: str = "", *, limit: int | None = None, **wanted: Any) -> Found:
    """Find tests."""
    clauses, values = [], []
    for word in text.casefold().split():
        clauses.append("words LIKE ? ESCAPE '\\'")
        values.append("%" + word.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%")
    for key, value in wanted.items():
        if value is None:
            continue
        if key in _EXACT:
            clauses.append(f"{_EXACT[key]} = ? COLLATE NOCASE")
            values.append(str(value))
        elif key in ("since", "until"):
            clauses.append("tests.date >= ?" if key == "since" else "tests.date < ?")
            values.append(str(value) if key == "since" else str(value) + "~")
        elif key in ("valve_m", "bore_m"):
            low, high = value if isinstance(value, tuple) else (value - _NEAR, value + _NEAR)
            clauses.append(f"{key} BETWEEN ? AND ?")
            values += [low, high]
        else:
            raise FlowkitError(
                f"records cannot be searched by {key!r}", "use " + ", ".join((*_EXACT, "since", "until"))
            )
    query = _QUERY + "".join(f" AND {clause}" for clause in clauses)
    total = store.rows(query.replace(query[: query.index("FROM")], "SELECT count(*) ", 1), values)[0][0]
    more = f" LIMIT {int(limit)}" if limit is not None else ""
    rows = store.rows(f"{query} ORDER BY tests.date DESC, tests.id{more}", values)
    return Found(tuple(rows), int(total))


@dataclass(frozen=True, slots=True)
class RecordedState:
    """A state of a head as it was recorded: its tests as read, what was done to it and its valves.

    `settings` is what its job says of the bench's air and of its meters; None where the records do not hold it, as of
    a sheet that was added on its own.
    """

    name: str
    tests: tuple[FlowTest, ...]
    state: Mapping[str, Any]
    valves: Mapping[str, Any]
    settings: Mapping[str, Any] | None = None
    of_job: bool = True


def recorded_state(store: Store, reference: str) -> RecordedState:
    """Return a state of a recorded job, or of a sheet that was added on its own."""
    import json

    job, slash, name = reference.partition("/")
    if not slash or not job.strip() or not name.strip():
        raise RecordsError(f"{reference!r} is not a recorded state", 'write "records:job number/state"')
    wanted = job.strip().casefold()
    known = store.rows("SELECT id, path, number, title, settings, kind FROM entries WHERE current = 1")
    named = [row for row in known if wanted in _names_of(*row[1:4])]
    jobs = [row for row in named if row[5] == "job"] or named  # else a sheet that was added on its own
    if not jobs:
        numbers = list(dict.fromkeys(row[2] for row in reversed(known) if row[2]))[:5]
        shown = f"the last ones are {', '.join(numbers)}" if numbers else "flowkit records find shows what they hold"
        raise RecordsError(f"the records hold no job {job.strip()!r}", shown, file=str(store.path))
    if len(jobs) > 1:
        paths = ", ".join(str(row[1]) for row in jobs[:3])
        raise RecordsError(f"several recorded jobs go by {job.strip()!r}: {paths}", "use a name that only one has")
    entry, settings, of_job = jobs[0][0], jobs[0][4], jobs[0][5] == "job"
    states = store.rows(
        "SELECT name, state, valves FROM states WHERE entry_id = ? ORDER BY position"
        if of_job
        else "SELECT DISTINCT state, '{}', '{}' FROM tests WHERE entry_id = ?",
        (entry,),
    )
    match = [row for row in states if row[0].casefold() == name.strip().casefold()]
    if not match:
        raise RecordsError(
            f"the recorded job {job.strip()!r} has no state {name.strip()!r}",
            "it has " + ", ".join(str(row[0]) for row in states),
        )
    found, state, valves = match[0]
    documents = store.rows(
        "SELECT document FROM curves JOIN tests ON tests.id = test_id "
        "WHERE entry_id = ? AND state = ? ORDER BY test_id",
        (entry, found),
    )
    tests = tuple(test_from_json(unpacked(row[0])) for row in documents)
    kept = json.loads(settings) if settings else None
    return RecordedState(str(found), tests, json.loads(state), json.loads(valves), kept, of_job)


def _names_of(path: str, number: str | None, title: str | None) -> set[str]:
    """Return what a recorded job goes by."""
    from pathlib import PurePath

    names = {number, title, PurePath(path).stem, PurePath(path).parent.name, path}
    return {name.casefold() for name in names if name}
