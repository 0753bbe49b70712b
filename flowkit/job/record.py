"""Jobs and sheets into the records, and out of them again: added, made anew, and put to use in a job."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import asdict, dataclass, replace
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flowkit.errors import FlowkitError
from flowkit.importers.files.own import OwnOutputError
from flowkit.importers.sheets.start import PICTURES, SUFFIXES
from flowkit.job.job import Job
from flowkit.model import Bench, CorrectedTest, FlowTest, Reference
from flowkit.output import jsonable
from flowkit.records.store import (
    Entry,
    RecordsError,
    RepeatRow,
    SheetRow,
    StateRow,
    Store,
    TestRow,
    digest,
    profile_of,
    run_residuals,
    settings_of,
)

if TYPE_CHECKING:
    from flowkit.importers import ReadResult

Progress = Callable[[int, int], None]
_FEW = 16
"""Sheets that are read sooner than processes are started."""


@dataclass(frozen=True, slots=True)
class Added:
    """What became of one job or sheet."""

    path: Path
    status: Literal["added", "unchanged", "left out", "not read"]
    message: str


def add_to_records(
    store: Store, paths: Sequence[Path], *, workers: int = 1, progress: Progress | None = None
) -> Iterator[Added]:
    """Add jobs and whole folders of sheets; what cannot be read is said, and nothing stops."""
    from flowkit.importers import read_many

    jobs, sheets, others = _sorted_out(paths)
    for path in others:
        what = "a picture; type its readings into a sheet" if path.suffix.lower() in PICTURES else "not a sheet"
        yield Added(path, "left out", f"{path.name}: {what}.")
    done, total = 0, len(jobs) + len(sheets)
    taken: set[Path] = set()
    for path in jobs:
        try:
            entry = job_entry(path)
        except (FlowkitError, OSError) as error:
            yield Added(path, "not read", str(error))
        else:
            taken |= {Path(sheet.path) for sheet in entry.sheets}
            yield _kept(store, path, entry)
        done += 1
        if progress:
            progress(done, total)
    rest = [path for path in sheets if path not in taken]
    named = {path.resolve() for path in paths}
    for reading in read_many(rest, workers=workers if len(rest) > _FEW else 1):
        path = reading.path
        if reading.result is None:
            other = isinstance(reading.error, OwnOutputError) or "no table of lifts" in str(reading.error)
            yield Added(path, "left out" if other and path not in named else "not read", str(reading.error))
        elif not reading.result.tests:
            yield Added(path, "not read", f"{path.name}: no flow test was found in it; flowkit read says why.")
        else:
            try:
                yield _kept(store, path, sheet_entry(path, reading.result))
            except OSError as error:
                yield Added(path, "not read", f"{path.name}: {error.strerror or error}.")
        done += 1
        if progress:
            progress(done, len(jobs) + len(rest))


def _kept(store: Store, path: Path, entry: Entry) -> Added:
    """Keep an entry and say so."""
    if store.add(entry):
        return Added(path, "added", f"{len(entry.tests)} tests")
    return Added(path, "unchanged", "already there")


def _sorted_out(paths: Sequence[Path]) -> tuple[list[Path], list[Path], list[Path]]:
    """Find the job files, the sheets and the rest in what was named, each once, with all subfolders of a folder."""
    found: dict[str, dict[Path, None]] = {"jobs": {}, "sheets": {}, "others": {}}
    for path in paths:
        if not path.exists():
            raise RecordsError("there is no such file or folder", "check the path", file=str(path))
        for item in sorted(path.rglob("*")) if path.is_dir() else [path]:
            file, named = item.resolve(), item.resolve() == path.resolve()
            # Locks of open files, hidden ones and backups are no sheets.
            shown = not file.name.startswith(("~$", ".")) and ".before-flowkit" not in file.name
            if file.suffix.lower() == ".toml" and (named or _is_job(file)):
                found["jobs"][file] = None
            elif file.is_file() and (named or shown):
                found["sheets" if named or file.suffix.lower() in SUFFIXES else "others"][file] = None
    return list(found["jobs"]), list(found["sheets"]), list(found["others"])


def _is_job(path: Path) -> bool:
    """Tell a job file from other settings in TOML."""
    try:
        return b"[[variant]]" in path.read_bytes()
    except OSError:
        return False


def job_entry(path: Path) -> Entry:
    """Read a job and bring it to its reference, ready to be kept."""
    path = path.resolve()
    job = Job.load(path)
    correction, variants = job.corrected()
    recorded = {item.name for item in job.variants if any(choice.recorded for choice in item.sheets)}
    kept = [variant for variant in variants if variant.name not in recorded]
    sheets: dict[Path, SheetRow] = {}
    for file, sha256 in (source for variant in kept for source in variant.sources.items()):
        sheets[file.resolve()] = SheetRow(str(file.resolve()), sha256)
    tests = [
        row
        for place, variant in enumerate(kept)
        for row in _test_rows(variant.tests, variant.corrected, job.reference, place, list(sheets))
    ]
    if not tests:
        raise RecordsError("none of its tests can be used", "flowkit check says why", file=path.name)
    states = [
        StateRow(variant.name, jsonable(variant.state), {side: asdict(valve) for side, valve in variant.valves.items()})
        for variant in kept
    ]
    return Entry(
        kind="job",
        path=str(path),
        fingerprint=digest([path.read_bytes(), *(sheet.sha256.encode() for sheet in sheets.values())]),
        reference=jsonable(job.reference),
        tests=tuple(tests),
        sheets=tuple(sheets.values()),
        states=tuple(states),
        repeats=repeats_of([test for variant in kept for test in variant.corrected]),
        findings=correction.findings,
        info={key: getattr(job.info, key) for key in ("title", "number", "customer", "vehicle", "shop", "date")},
        settings=settings_of(path.read_bytes(), path.parent),
    )


def sheet_entry(path: Path, result: ReadResult) -> Entry:
    """Bring a sheet on its own to the common reference, as far as it says enough for that."""
    from flowkit.corrections import correct

    reference = Reference()
    made = correct(result.tests, reference, Bench())
    return Entry(
        kind="sheet",
        path=str(path.resolve()),
        fingerprint=result.sha256,
        reference=jsonable(reference),
        tests=tuple(_test_rows(result.tests, made.tests, reference, None, [path.resolve()])),
        sheets=(SheetRow(str(path.resolve()), result.sha256),),
        repeats=repeats_of(made.tests),
        findings=(*result.findings, *made.findings),
    )


def _test_rows(
    tests: Sequence[FlowTest],
    corrected: Sequence[CorrectedTest],
    reference: Reference,
    state: int | None,
    sheets: Sequence[Path],
) -> Iterator[TestRow]:
    """Work out what is kept of each test, with its corrected form where it has one."""
    from flowkit.analysis.lifts import integrate

    done = {test.id: test for test in corrected}
    for test in tests:
        document = jsonable(test)
        points = {point.lift_m: point.flow_m3_s for point in done[test.id].points} if test.id in done else {}
        lifts, flows = zip(*sorted(points.items()), strict=True) if points else ((), ())
        # Over the test's own lifts [m³/s].
        mean = float(integrate(lifts, flows, lifts[0], lifts[-1])) / (lifts[-1] - lifts[0]) if len(lifts) > 1 else None
        ledger = done[test.id].ledger if test.id in done else ()
        # The check plate's reading over its nominal, both in the same air and at the same pressure.
        plates = [line.factor[0] for line in ledger if line.correction == "check-plate" and line.factor]
        lowest = min((point for point in test.points if point.lift_m > 0), key=lambda point: point.lift_m, default=None)
        leak = test.conditions.leak_m3_s
        # A test names its file by its base name, or by its path; a sheet on its own is the only one.
        own = {test.file, str(Path(test.file).resolve())}
        files = [place for place, path in enumerate(sheets) if own & {path.name, str(path)}]
        yield TestRow(
            state=state,
            sheet=0 if state is None else next(iter(files), None),
            document=document,
            lifts_m=lifts,
            flows_m3_s=flows,
            mean_flow_m3_s=mean,
            check_ratio=next((1 / factor for factor in plates if factor > 0), None),
            leak_ratio=leak / lowest.flow_m3_s if leak is not None and lowest and lowest.flow_m3_s > 0 else None,
            profile=profile_of(test.side, lifts, flows, document["conditions"], jsonable(reference)),
        )


def repeats_of(tests: Sequence[CorrectedTest]) -> tuple[RepeatRow, ...]:
    """Return how the repeated runs of each port in each session scatter (spec, section 7)."""
    from flowkit.analysis.curves import runs_of

    groups: dict[tuple[Any, ...], list[CorrectedTest]] = {}
    for test in tests:
        c = test.conditions
        if test.side is not None:
            key = (test.variant, test.head, test.side, test.port, c.date, c.bench, c.operator)
            groups.setdefault(key, []).append(test)
    rows = []
    for key, members in groups.items():
        distinct: dict[object, CorrectedTest] = {}
        for parts in runs_of(members):  # a run may be written in several sheets
            points = tuple(point for part in parts for point in part.points)
            distinct[tuple((p.lift_m, p.reading_m3_s) for p in points)] = replace(parts[0], points=points)
        squares, freedom = run_residuals(list(distinct.values()))
        if freedom and math.isfinite(squares):
            rows.append(RepeatRow(*key, squares, freedom))
    return tuple(rows)


def rebuild(
    path: Path, folders: Sequence[Path] = (), *, workers: int = 1, progress: Progress | None = None
) -> tuple[Added, ...]:
    """Make a records file anew from the jobs and sheets it knows of and from folders; the old one is kept."""
    known = [*_known_paths(path), *folders]
    present = [item for item in dict.fromkeys(known) if item.exists()]
    if not present:
        raise RecordsError(
            "nothing of the records says where the sheets are",
            "name their folders: flowkit records rebuild FOLDER",
            file=str(path),
        )
    draft = path.with_name(f".{path.name}.rebuilding")
    draft.unlink(missing_ok=True)
    try:
        with Store(draft, write=True) as store:
            done = list(add_to_records(store, present, workers=workers, progress=progress))
            store.rows("PRAGMA wal_checkpoint(TRUNCATE)")
            store.rows("PRAGMA journal_mode = DELETE")
        if path.exists():
            names = (path.with_name(f"{path.stem}.before-rebuild-{number}{path.suffix}") for number in count(1))
            path.replace(next(name for name in names if not name.exists()))
        for ending in ("-wal", "-shm"):
            path.with_name(path.name + ending).unlink(missing_ok=True)
        draft.replace(path)
    finally:
        for ending in ("", "-wal", "-shm", "-journal"):
            draft.with_name(draft.name + ending).unlink(missing_ok=True)
    gone = [Added(item, "not read", f"{item}: it is no longer there.") for item in known if not item.exists()]
    return (*done, *gone)


def _known_paths(path: Path) -> list[Path]:
    """Return the jobs and sheets that a records file knows of, as far as it can be read."""
    found: list[Path] = []
    with suppress(sqlite3.Error):
        if path.exists():
            with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
                cursor = connection.execute("SELECT path FROM entries WHERE current = 1 ORDER BY id")
                found.extend(Path(row[0]) for row in cursor)
    return found
