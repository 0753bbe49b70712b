"""The records as a data set past one machine: Parquet by year and bench, read by pandas, DuckDB and Spark as it is."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flowkit.records.store import RecordsError, Store, floats, unpacked

_ROWS_AT_ONCE = 20_000
_CONDITIONS = (
    "test_pressure_pa",
    "fixture_bore_m",
    "valve_diameter_m",
    "stem_diameter_m",
    "throat_diameter_m",
    "seat_angle_deg",
    "seat_width_m",
    "air_temperature_k",
    "barometer_pa",
    "relative_humidity",
    "leak_m3_s",
    "check_reading_m3_s",
    "check_nominal_m3_s",
)
_QUERY = (
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
    writers: dict[tuple[str, str, str], Any] = {}
    done = points = 0
    try:
        parts: dict[tuple[str, str], tuple[list[dict[str, Any]], list[dict[str, Any]]]] = {}
        for row in store.connection.execute(_QUERY):
            year, bench = str(row[3] or "")[:4] or "unknown", row[4] or "unknown"
            tests, lines = parts.setdefault((year if year.isdigit() else "unknown", bench), ([], []))
            test, own = _rows(row)
            tests.append(test)
            lines += own
            done, points = done + 1, points + len(own)
            if done % _ROWS_AT_ONCE == 0:
                _write(draft, parts, writers, pa, pq)
                if progress:
                    progress(done, total)
        _write(draft, parts, writers, pa, pq)
        for writer in writers.values():
            writer.close()
        writers.clear()
        draft.chmod(0o755)
        if folder.exists():
            folder.rmdir()
        draft.replace(folder)
    except OSError as error:
        raise RecordsError(
            f"the data set cannot be written ({error.strerror or error})", "free some space", file=str(folder)
        ) from error
    finally:
        for writer in writers.values():
            writer.close()
        shutil.rmtree(draft, ignore_errors=True)
    return done, points


def _rows(row: tuple[Any, ...]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Make one row of a test and one of each of its points."""
    number, job, state, date, _, mean, check, document, lifts, flows, path, sha256 = row
    test = unpacked(document)
    conditions = test["conditions"]
    key = {"test": number, "job": job, "state": state, "side": test["side"], "port": test["port"], "run": test["run"]}
    corrected = dict(zip((round(x, 9) for x in floats(lifts)), floats(flows), strict=True))
    one = {
        **key,
        "head": test["head"],
        "date": date,
        "operator": conditions["operator"],
        "file": path,
        "sha256": sha256,
    }
    one |= {name: conditions.get(name) for name in _CONDITIONS}
    one |= {"mean_flow_m3_s": mean, "check_ratio": check}
    points = [
        {
            **key,
            "lift_m": point["lift_m"],
            "flow_m3_s": point["flow_m3_s"],
            "pressure_pa": point["pressure_pa"],
            "corrected_m3_s": corrected.get(round(point["lift_m"], 9)),
            "source": point["source"],
        }
        for point in test["points"]
    ]
    return one, points


_TEXT = ("job", "state", "side", "port", "head", "date", "operator", "file", "sha256", "source")


def _write(draft: Path, parts: dict[tuple[str, str], Any], writers: dict[Any, Any], pa: Any, pq: Any) -> None:
    """Append what was gathered to the files of its year and bench."""
    for (year, bench), both in parts.items():
        for kind, rows in zip(("tests", "points"), both, strict=True):
            if not rows:
                continue
            schema = pa.schema(
                [
                    (name, pa.string() if name in _TEXT else pa.int64() if name in ("test", "run") else pa.float64())
                    for name in rows[0]
                ]
            )
            key = (kind, year, bench)
            if key not in writers:
                place = draft / kind / f"year={year}" / f"bench={_folder(bench)}"
                place.mkdir(parents=True, exist_ok=True)
                writers[key] = pq.ParquetWriter(place / "part-0.parquet", schema)
            writers[key].write_table(pa.Table.from_pylist(rows, schema=schema))
    parts.clear()


def _folder(name: str) -> str:
    """Return a bench's name as part of a path, as Hive has it: what a path cannot hold as %XX."""
    return re.sub(r'[\x00-\x1f"#%\'*/:=?\\{}\[\]^]', lambda found: f"%{ord(found[0]):02X}", name)
