"""One SQLite file of everything that was ever flowed: jobs, sheets, tests as read, curves at the reference.

It is never the only copy: the sheets stay where they are, and `rebuild` makes the file anew from them. What is
added is added in one transaction, so a process that is killed leaves the file as it was before or after.
"""

from __future__ import annotations

import hashlib
import json
import math
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Self

from flowkit.errors import FlowkitError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from flowkit.model import CorrectedTest, Finding


PROFILE_RATIOS = (0.05, 0.10, 0.15, 0.20, 0.25, 0.30)
"""Lift over valve diameter at which a curve is kept for ranking."""


def profile_of(
    side: str | None,
    lifts_m: Sequence[float],
    flows_m3_s: Sequence[float],
    conditions: Mapping[str, Any],
    reference: Mapping[str, Any],
) -> tuple[float, ...]:
    """Return what ranking needs of a curve at the reference."""
    import numpy as np

    from flowkit.analysis.areas import circle_area, minimum_area
    from flowkit.analysis.lifts import pchip
    from flowkit.corrections.pressure import reference_velocity
    from flowkit.model import Reference, ValveGeometry

    head = conditions.get("valve_diameter_m")
    curve = sorted(dict(zip(lifts_m, flows_m3_s, strict=True)).items())
    if not head or side not in ("intake", "exhaust") or len(curve) < 2:
        return ()
    lifts, flows = np.array(curve).T
    at = np.array(PROFILE_RATIOS) * head
    inside = (at >= lifts[0] - 1e-9) & (at <= lifts[-1] + 1e-9)
    flow = np.full(len(at), math.nan)
    flow[inside] = pchip(lifts, flows)(np.clip(at[inside], lifts[0], lifts[-1]))
    names = ("stem_diameter_m", "throat_diameter_m", "seat_angle_deg", "seat_width_m")
    area = minimum_area(at, ValveGeometry(head, *map(conditions.get, names)))
    common = Reference(pressure_pa=reference["pressure_pa"], pressure_law=reference["pressure_law"])
    speed = reference_velocity(common, side)  # type: ignore[arg-type]
    coefficient = flow / speed / area if area is not None else np.full(len(at), math.nan)
    return (*(flow / circle_area(head)).tolist(), *coefficient.tolist())


def settings_of(text: bytes, folder: Path) -> dict[str, Any]:
    """What a job file says of its bench's air and its meters: with these its tests as read become flows."""
    import tomllib

    from flowkit.corrections.meter import inlined

    job = tomllib.loads(text.decode("utf-8-sig"))
    bench = job.get("bench", {})
    return {
        "bench": {key: bench[key] for key in ("air", "standard_air") if key in bench},
        "meter": inlined(job.get("meter", {}), folder),
        "named": {item["name"]: item["meter"] for item in job["variant"] if "meter" in item},
    }


def run_residuals(runs: Sequence[CorrectedTest]) -> tuple[float, int]:
    """Return Σz² and its degrees of freedom of repeated runs of one port in one session (spec, section 7)."""
    from flowkit.analysis.comparison import assessor_of
    from flowkit.model import Bench, Reference, Variant

    one = Variant(runs[0].variant, corrected=tuple(runs))
    assessor = assessor_of([one], Reference(), Bench()) if len(runs) > 1 else None
    squares, freedom = assessor.repeats_of_mean_flow(assessor.every_bench) if assessor is not None else (0.0, 0.0)
    return squares, int(freedom)


WAIT_S = 30.0
"""How long one process waits for another that is writing."""


class RecordsError(FlowkitError):
    """Records that cannot be used."""

    rule = "records-unusable"


_FIRST = """
CREATE TABLE entries (
    id INTEGER PRIMARY KEY, kind TEXT NOT NULL CHECK (kind IN ('job', 'sheet')), path TEXT NOT NULL,
    fingerprint TEXT NOT NULL, current INTEGER NOT NULL DEFAULT 1, added TEXT NOT NULL DEFAULT CURRENT_TIMESTAMP,
    title TEXT, number TEXT, customer TEXT, vehicle TEXT, shop TEXT, date TEXT, reference TEXT NOT NULL,
    UNIQUE (path, fingerprint));
CREATE TABLE sheets (
    id INTEGER PRIMARY KEY, entry_id INTEGER NOT NULL REFERENCES entries ON DELETE CASCADE,
    path TEXT NOT NULL, name TEXT NOT NULL, sha256 TEXT NOT NULL);
CREATE TABLE states (
    id INTEGER PRIMARY KEY, entry_id INTEGER NOT NULL REFERENCES entries ON DELETE CASCADE,
    position INTEGER NOT NULL, name TEXT NOT NULL, state TEXT NOT NULL, valves TEXT NOT NULL);
CREATE TABLE tests (
    id INTEGER PRIMARY KEY, entry_id INTEGER NOT NULL REFERENCES entries ON DELETE CASCADE,
    state_id INTEGER REFERENCES states ON DELETE CASCADE, sheet_id INTEGER REFERENCES sheets ON DELETE CASCADE,
    identity TEXT NOT NULL, state TEXT NOT NULL, head TEXT, side TEXT, port TEXT, run INTEGER NOT NULL,
    date TEXT, bench TEXT, operator TEXT, bore_m REAL, valve_m REAL, test_pressure_pa REAL,
    check_ratio REAL, leak_ratio REAL, mean_flow_m3_s REAL, words TEXT NOT NULL);
CREATE TABLE curves (
    test_id INTEGER PRIMARY KEY REFERENCES tests ON DELETE CASCADE,
    document BLOB NOT NULL, lifts BLOB, flows BLOB);
CREATE TABLE repeats (
    id INTEGER PRIMARY KEY, entry_id INTEGER NOT NULL REFERENCES entries ON DELETE CASCADE,
    state TEXT NOT NULL, head TEXT, side TEXT NOT NULL, port TEXT, date TEXT, bench TEXT, operator TEXT,
    sum_z2 REAL NOT NULL, freedom INTEGER NOT NULL);
CREATE TABLE findings (
    id INTEGER PRIMARY KEY, entry_id INTEGER NOT NULL REFERENCES entries ON DELETE CASCADE,
    rule TEXT NOT NULL, severity TEXT NOT NULL, place TEXT NOT NULL, message TEXT NOT NULL);
CREATE INDEX entries_by_number ON entries (number);
CREATE INDEX sheets_by_content ON sheets (sha256);
CREATE INDEX sheets_by_entry ON sheets (entry_id);
CREATE INDEX states_by_entry ON states (entry_id);
CREATE INDEX tests_by_entry ON tests (entry_id);
CREATE INDEX tests_by_valve ON tests (side, valve_m);
CREATE INDEX tests_by_date ON tests (date);
"""


def _add_profiles(connection: sqlite3.Connection) -> None:
    """Version 2: what ranking needs, worked out once and not at every question."""
    connection.execute("ALTER TABLE tests ADD COLUMN profile BLOB")
    rows = connection.execute(
        "SELECT tests.id, side, document, lifts, flows, reference FROM tests JOIN curves ON test_id = tests.id "
        "JOIN entries ON entries.id = entry_id WHERE lifts IS NOT NULL"
    ).fetchall()
    for test, side, document, lifts, flows, reference in rows:
        conditions = unpacked(document)["conditions"]
        profile = profile_of(side, floats(lifts), floats(flows), conditions, json.loads(reference))
        connection.execute("UPDATE tests SET profile = ? WHERE id = ?", (packed_floats(profile), test))


def _add_settings(connection: sqlite3.Connection) -> None:
    """Version 3: a job's own meters and air, so that its tests mean in another job what they meant in theirs."""
    connection.execute("ALTER TABLE entries ADD COLUMN settings TEXT")
    rows = connection.execute("SELECT id, path, fingerprint FROM entries WHERE kind = 'job'").fetchall()
    for entry, path, fingerprint in rows:
        sheets = connection.execute("SELECT sha256 FROM sheets WHERE entry_id = ? ORDER BY id", (entry,)).fetchall()
        with suppress(OSError, ValueError, KeyError, FlowkitError):  # the file is gone or no longer what it was
            text = Path(path).read_bytes()
            if digest([text, *(row[0].encode() for row in sheets)]) == fingerprint:
                settings = json.dumps(settings_of(text, Path(path).parent))
                connection.execute("UPDATE entries SET settings = ? WHERE id = ?", (settings, entry))


def digest(parts: Sequence[bytes]) -> str:
    """Fingerprint of several things together."""
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def _create(connection: sqlite3.Connection) -> None:
    """Version 1, statement by statement: `executescript` would commit what came before it."""
    for statement in filter(str.strip, _FIRST.split(";\n")):
        connection.execute(statement)


MIGRATIONS: tuple[Callable[[sqlite3.Connection], None], ...] = (_create, _add_profiles, _add_settings)
"""What makes each version of the one before it; the number of them is today's version."""


class SheetRow(NamedTuple):
    """A file that tests came from."""

    path: str
    sha256: str


class StateRow(NamedTuple):
    """A state of a job's head: what it is called, its factors and its valves by side."""

    name: str
    state: Mapping[str, Any]
    valves: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class TestRow:
    """One test: as read (`document`, spec section 10) and its curve at the reference, where there is one."""

    __test__ = False

    state: int | None
    sheet: int | None
    document: Mapping[str, Any]
    lifts_m: tuple[float, ...] = ()
    flows_m3_s: tuple[float, ...] = ()
    mean_flow_m3_s: float | None = None
    check_ratio: float | None = None
    leak_ratio: float | None = None
    profile: tuple[float, ...] = ()


class RepeatRow(NamedTuple):
    """Repeated runs of one port in one session: their sum of z² and its degrees of freedom (spec section 7)."""

    state: str
    head: str | None
    side: str
    port: str | None
    date: str | None
    bench: str | None
    operator: str | None
    sum_z2: float
    freedom: int


@dataclass(frozen=True, slots=True)
class Entry:
    """A job, or a sheet on its own, ready to be kept."""

    kind: str
    path: str
    fingerprint: str
    reference: Mapping[str, Any]
    tests: tuple[TestRow, ...]
    sheets: tuple[SheetRow, ...] = ()
    states: tuple[StateRow, ...] = ()
    repeats: tuple[RepeatRow, ...] = ()
    findings: tuple[Finding, ...] = ()
    info: Mapping[str, str | None] | None = None
    settings: Mapping[str, Any] | None = None


def default_file() -> Path:
    """Return where the records are kept unless somebody says otherwise: the user's data folder."""
    from platformdirs import user_data_path

    return user_data_path("flowkit", appauthor=False) / "records.sqlite"


def packed(value: Any) -> bytes:
    """Return a document as it is kept."""
    return zlib.compress(json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode(), 6)


def unpacked(data: bytes) -> Any:
    """Return a document that was kept."""
    return json.loads(zlib.decompress(data))


def packed_floats(values: Sequence[float]) -> bytes | None:
    """Return numbers as they are kept, little-endian doubles; None for none."""
    import numpy as np

    return np.asarray(values, dtype="<f8").tobytes() if len(values) else None


def floats(data: bytes | None) -> tuple[float, ...]:
    """Return numbers that were kept."""
    import numpy as np

    return tuple(np.frombuffer(data, dtype="<f8").tolist()) if data else ()


class Store:
    """The records file, open."""

    def __init__(self, path: Path | None = None, *, write: bool = False) -> None:
        self.path = Path(path) if path is not None else default_file()
        if not self.path.exists() and not write:
            raise RecordsError(
                "there are no records yet",
                "make them with: flowkit records add JOB.toml or FOLDER",
                file=str(self.path),
            )
        with self._named():
            self.connection = self._opened(write)
            try:
                self._bring_up_to_date(write)
            except BaseException:
                self.connection.close()
                raise

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        with suppress(sqlite3.Error):
            self.connection.close()

    def _opened(self, write: bool) -> sqlite3.Connection:
        """Open the file; a read-only one without any file beside it."""

        def opened(how: str) -> sqlite3.Connection:
            """Open it by SQLite's own mode."""
            place = f"{self.path.resolve().as_uri()}?{how}"
            return sqlite3.connect(place, uri=True, timeout=WAIT_S, isolation_level=None)

        if write:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            connection = opened("mode=rwc")
        else:
            try:
                connection = opened("mode=ro")
                connection.execute("SELECT count(*) FROM sqlite_master")
            except sqlite3.OperationalError:
                # In a folder nobody may write to, WAL's own files cannot be made; without them the file is as it is.
                connection = opened("immutable=1")
        connection.execute("PRAGMA foreign_keys = ON")
        if write:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
        return connection

    def version(self) -> int:
        """Return the version of the file's layout."""
        return int(self.connection.execute("PRAGMA user_version").fetchone()[0])

    def _bring_up_to_date(self, write: bool) -> None:
        """Refuse a newer file; migrate an older one, with a backup."""
        version, ours = self.version(), len(MIGRATIONS)
        if version > ours:
            raise RecordsError(
                f"the records were written by a newer flowkit (version {version} of the file, this one knows {ours})",
                "update flowkit, or name another file with --records",
                file=str(self.path),
            )
        if version == ours:
            return
        if not write:
            # Somebody only asks: bring the file up to date first, which needs the right to write.
            self.connection.close()
            with Store(self.path, write=True):
                pass
            self.connection = self._opened(write=False)
            return
        if version > 0:
            endings = chain([""], (f"-{number}" for number in count(2)))
            beside = (self.path.with_stem(f"{self.path.stem}.version-{version}{ending}") for ending in endings)
            with closing(sqlite3.connect(next(path for path in beside if not path.exists()))) as copy:
                self.connection.backup(copy)
        with self.transaction():
            for number in range(self.version(), ours):  # looked at again: another process may have been faster
                MIGRATIONS[number](self.connection)
            self.connection.execute(f"PRAGMA user_version = {ours}")

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Do everything in the block or nothing of it; others wait."""
        with self._named():
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    self.connection.execute("ROLLBACK")
                raise

    def rows(self, query: str, values: Iterable[Any] = ()) -> list[tuple[Any, ...]]:
        """Return what a question gives."""
        with self._named():
            return self.connection.execute(query, tuple(values)).fetchall()

    @contextmanager
    def _named(self) -> Iterator[None]:
        """Say in plain words what SQLite cannot do."""
        try:
            yield
        except sqlite3.Error as error:
            raise _plain(error, self.path) from error
        except OSError as error:
            raise RecordsError(
                f"the records cannot be opened ({error.strerror or error})", "name another file", file=str(self.path)
            ) from error

    def add(self, entry: Entry) -> bool:
        """Keep an entry; False where this very version of it is there already.

        An earlier version of it stays, and no longer counts. A sheet that belongs to a job does not count on its own.
        """
        which = (entry.path, entry.fingerprint)
        with self.transaction() as connection:
            if self.rows("SELECT 1 FROM entries WHERE path = ? AND fingerprint = ? AND current = 1", which):
                return False
            connection.execute("UPDATE entries SET current = 0 WHERE path = ?", (entry.path,))
            # A version that was there before, and is again.
            connection.execute("DELETE FROM entries WHERE path = ? AND fingerprint = ?", which)
            if entry.kind == "job":
                connection.executemany(
                    "UPDATE entries SET current = 0 WHERE path = ? AND kind = 'sheet'",
                    [(sheet.path,) for sheet in entry.sheets],
                )
            elif self.rows(
                "SELECT 1 FROM sheets JOIN entries ON entries.id = entry_id "
                "WHERE kind = 'job' AND current = 1 AND sheets.path = ? AND sha256 = ?",
                which,
            ):
                return False  # its very content is kept as part of a job
            _insert(connection, entry)
        return True


def _put(connection: sqlite3.Connection, table: str, **values: Any) -> int | None:
    """Put one row into a table; return its number."""
    marks = ", ".join("?" * len(values))
    query = f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})"
    return connection.execute(query, tuple(values.values())).lastrowid


def _insert(connection: sqlite3.Connection, entry: Entry) -> None:
    """Put an entry and all that belongs to it into the tables."""
    made = _put(
        connection,
        "entries",
        kind=entry.kind,
        path=entry.path,
        fingerprint=entry.fingerprint,
        reference=json.dumps(dict(entry.reference)),
        settings=None if entry.settings is None else json.dumps(dict(entry.settings)),
        **{key: (entry.info or {}).get(key) for key in ("title", "number", "customer", "vehicle", "shop", "date")},
    )
    sheets = [
        _put(connection, "sheets", entry_id=made, name=Path(sheet.path).name, **sheet._asdict())
        for sheet in entry.sheets
    ]
    states = [
        _put(connection, "states", entry_id=made, position=place, name=name, state=json.dumps(dict(state)),
             valves=json.dumps(dict(valves)))
        for place, (name, state, valves) in enumerate(entry.states)
    ]  # fmt: skip
    for test in entry.tests:
        _insert_test(
            connection,
            entry,
            test,
            entry_id=made,
            state_id=None if test.state is None else states[test.state],
            sheet_id=None if test.sheet is None else sheets[test.sheet],
        )
    for repeat in entry.repeats:
        _put(connection, "repeats", entry_id=made, **repeat._asdict())
    for f in entry.findings:
        _put(connection, "findings", entry_id=made, rule=f.rule, severity=f.severity, place=f.where, message=f.message)


def _insert_test(connection: sqlite3.Connection, entry: Entry, test: TestRow, **ids: int | None) -> None:
    """Put one test and its curve into the tables."""
    document, conditions = test.document, test.document["conditions"]
    state = entry.states[test.state].name if test.state is not None else document["variant"]
    words = [state, document["file"], document["head"], document["port"], conditions["notes"], conditions["bench"]]
    words += [conditions["operator"], entry.path, *(entry.info or {}).values()]
    numbers = [(point["lift_m"], point["flow_m3_s"]) for point in document["points"]]
    identity = [document[key] for key in ("file", "sheet", "head", "side", "port", "run")]
    row = _put(
        connection,
        "tests",
        **ids,
        identity=f"{zlib.crc32(json.dumps([identity, numbers]).encode()):08x}",
        state=state,
        **{key: document[key] for key in ("head", "side", "port", "run")},
        **{key: conditions[key] for key in ("date", "bench", "operator", "test_pressure_pa")},
        bore_m=conditions["fixture_bore_m"],
        valve_m=conditions["valve_diameter_m"],
        check_ratio=test.check_ratio,
        leak_ratio=test.leak_ratio,
        mean_flow_m3_s=test.mean_flow_m3_s,
        words=" ".join(str(word) for word in words if word).casefold(),
        profile=packed_floats(test.profile),
    )
    lifts, flows = packed_floats(test.lifts_m), packed_floats(test.flows_m3_s)
    _put(connection, "curves", test_id=row, document=packed(document), lifts=lifts, flows=flows)


def _plain(error: sqlite3.Error, path: Path) -> RecordsError:
    """Say what went wrong with the records, and what to do."""
    text = str(error)
    for sign, problem, remedy in (
        ("full", "the disk is full; nothing was added", "free some space, then try again"),
        ("disk I/O", "the records cannot be written or read", "check the disk, then try again"),
        ("readonly", "the records are read-only", "allow writing to them, or name another file with --records"),
        ("locked", "another program has been writing to the records for too long", "wait until it has finished"),
        ("unable to open", "the records cannot be opened", "check the path and the permissions, or name another file"),
        ("not a database", "this is not a records file, or it is damaged", "flowkit records rebuild makes it again"),
        ("malformed", "the records are damaged", "flowkit records rebuild makes them again from the sheets"),
    ):
        if sign in text:
            return RecordsError(problem, remedy, file=str(path))
    return RecordsError("the records cannot be used", "flowkit records rebuild makes them again", file=str(path))
