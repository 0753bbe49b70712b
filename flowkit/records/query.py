"""What the records answer at once: tests found by what is known of them, those of a state, and all for other tools."""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from flowkit.errors import FlowkitError
from flowkit.importers.files.own import test_from_json
from flowkit.model import grouped
from flowkit.records.store import RecordsError, Store, floats, unpacked

if TYPE_CHECKING:
    import pandas as pd

    from flowkit.model import FlowTest


COLUMNS = (
    "id", "kind", "job", "title", "customer", "state", "head", "side", "port", "run", "date", "bench", "operator",
    "valve_m", "bore_m", "test_pressure_pa", "mean_flow_m3_s", "file",
)  # fmt: skip
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
    job, slash, name = reference.partition("/")
    if not slash or not job.strip() or not name.strip():
        raise RecordsError(f"{reference!r} is not a recorded state", 'write "records:job number/state"')
    wanted = job.strip().casefold()
    known = store.rows("SELECT id, path, number, title, settings, kind FROM entries WHERE current = 1")

    def goes_by(path: str, *names: str | None) -> set[str]:
        """Return what a recorded job goes by."""
        every = (path, PurePath(path).stem, PurePath(path).parent.name, *names)
        return {name.casefold() for name in every if name}

    named = [row for row in known if wanted in goes_by(*row[1:4])]
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


_ROWS_AT_ONCE = 20_000
_CONDITIONS = (
    "test_pressure_pa", "fixture_bore_m", "valve_diameter_m", "stem_diameter_m", "throat_diameter_m", "seat_angle_deg",
    "seat_width_m", "air_temperature_k", "barometer_pa", "relative_humidity", "leak_m3_s", "check_reading_m3_s",
    "check_nominal_m3_s",
)  # fmt: skip
_EVERY_POINT = (
    "SELECT tests.id, number, tests.state, tests.date, tests.bench, mean_flow_m3_s, check_ratio, document, lifts, "
    "flows, sheets.path, sha256 FROM tests JOIN entries ON entries.id = tests.entry_id "
    "JOIN curves ON test_id = tests.id "
    "LEFT JOIN sheets ON sheets.id = sheet_id WHERE current = 1 ORDER BY tests.date, tests.bench, tests.id"
)


def export(store: Store, folder: Path, *, progress: Callable[[int, int], None] | None = None) -> tuple[int, int]:
    """Write the data set: ``tests/`` and ``points/``, each by year and bench."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise RecordsError("writing Parquet needs pyarrow", "pip install 'flowkit-bench[parquet]'") from None
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RecordsError("the folder for the data set is not empty", "name a new one", file=str(folder))
    total = store.rows("SELECT count(*) FROM tests JOIN entries ON entries.id = entry_id WHERE current = 1")[0][0]
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}."))
    except OSError as error:
        raise RecordsError(f"the folder cannot be made ({error.strerror})", "name another", file=str(folder)) from error
    done = points = 0
    try:
        with ExitStack() as writers:
            files: dict[Path, Any] = {}
            every = store.connection.execute(_EVERY_POINT)
            while batch := every.fetchmany(_ROWS_AT_ONCE):
                lines = [line for row in batch for line in _rows(row)]
                for (kind, year, bench), rows in grouped(lines).items():
                    place = draft / kind / f"year={year}" / f"bench={_folder(bench)}"
                    kinds = [(name, pa.string() if name in _TEXT else pa.int64() if name in _WHOLE else pa.float64())
                             for name in rows[0]]  # fmt: skip
                    table = pa.Table.from_pylist(rows, schema=pa.schema(kinds))
                    if place not in files:
                        place.mkdir(parents=True, exist_ok=True)
                        files[place] = writers.enter_context(pq.ParquetWriter(place / "part-0.parquet", table.schema))
                    files[place].write_table(table)
                done, points = done + len(batch), points + len(lines) - len(batch)
                if progress:
                    progress(done, total)
        draft.chmod(0o755)
        if folder.exists():
            folder.rmdir()
        draft.replace(folder)
    except OSError as error:
        raise RecordsError(
            f"the data set cannot be written ({error.strerror or error})", "free some space", file=str(folder)
        ) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return done, points


def _rows(row: tuple[Any, ...]) -> Iterator[tuple[tuple[str, str, str], dict[str, Any]]]:
    """Yield the row of a test and one of each of its points, each with the file it belongs to."""
    number, job, state, date, bench, mean, check, document, lifts, flows, path, sha256 = row
    test = unpacked(document)
    conditions, year = test["conditions"], str(date or "")[:4]
    where = (year if year.isdigit() else "unknown", bench or "unknown")
    key = {"test": number, "job": job, "state": state, "side": test["side"], "port": test["port"], "run": test["run"]}
    yield (
        ("tests", *where),
        {
            **key,
            "head": test["head"],
            "date": date,
            "operator": conditions["operator"],
            "file": path,
            "sha256": sha256,
            **{name: conditions.get(name) for name in _CONDITIONS},
            "mean_flow_m3_s": mean,
            "check_ratio": check,
        },
    )
    corrected = dict(zip((round(x, 9) for x in floats(lifts)), floats(flows), strict=True))
    for point in test["points"]:
        own = {name: point[name] for name in ("lift_m", "flow_m3_s", "pressure_pa")}
        flow = corrected.get(round(point["lift_m"], 9))
        yield ("points", *where), {**key, **own, "corrected_m3_s": flow, "source": point["source"]}


_TEXT = ("job", "state", "side", "port", "head", "date", "operator", "file", "sha256", "source")
_WHOLE = ("test", "run")


def _folder(name: str) -> str:
    """Return a bench's name as part of a path, as Hive has it: what a path cannot hold as %XX."""
    return re.sub(r'[\x00-\x1f"#%\'*/:=?\\{}\[\]^]', lambda found: f"%{ord(found[0]):02X}", name)
