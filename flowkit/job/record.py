"""Jobs and sheets into the records, and out of them again: added, made anew, and put to use in a job."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flowkit.errors import FlowkitError
from flowkit.importers.files.own import OwnOutputError
from flowkit.importers.sheets.start import PICTURES, SUFFIXES
from flowkit.job.job import Job
from flowkit.model import Bench, CorrectedTest, FlowTest, Reference, Variant
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
    jobs, sheets, others = _sorted_out(paths)
    for path in others:
        what = "a picture; type its readings into a sheet" if path.suffix.lower() in PICTURES else "not a sheet"
        yield Added(path, "left out", f"{path.name}: {what}.")
    total, done = len(jobs) + len(sheets), 0
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
    for reading in _readings(rest, workers):
        path = reading.path
        if reading.result is None:
            other = isinstance(reading.error, OwnOutputError) or "no table of lifts" in str(reading.error)
            named = path in {item.resolve() for item in paths}
            yield Added(path, "left out" if other and not named else "not read", str(reading.error))
        elif not reading.result.tests:
            yield Added(path, "not read", f"{path.name}: no flow test was found in it; flowkit explain says why.")
        else:
            try:
                yield _kept(store, path, sheet_entry(path, reading.result))
            except OSError as error:
                yield Added(path, "not read", f"{path.name}: {error.strerror or error}.")
        done += 1
        if progress:
            progress(done + len(taken), total)


def _readings(paths: Sequence[Path], workers: int) -> Iterator[Any]:
    """Read sheets, with processes where there are many."""
    from flowkit.importers import read_many

    return iter(read_many(paths, workers=workers if len(paths) > _FEW else 1)) if paths else iter(())


def _kept(store: Store, path: Path, entry: Entry) -> Added:
    """Keep an entry and say so."""
    if store.add(entry):
        return Added(path, "added", f"{len(entry.tests)} tests")
    return Added(path, "unchanged", "already there")


def _sorted_out(paths: Sequence[Path]) -> tuple[list[Path], list[Path], list[Path]]:
    """Find the job files, the sheets and the rest in what was named, each once, with all subfolders of a folder."""
    jobs: dict[Path, None] = {}
    sheets: dict[Path, None] = {}
    others: dict[Path, None] = {}
    for path in paths:
        if not path.exists():
            raise RecordsError("there is no such file or folder", "check the path", file=str(path))
        inside = sorted(path.rglob("*")) if path.is_dir() else [path]
        for item in (entry.resolve() for entry in inside):
            if item.suffix.lower() == ".toml" and (item == path.resolve() or _is_job(item)):
                jobs[item] = None
            elif (item == path.resolve() and item.is_file()) or (
                item.suffix.lower() in SUFFIXES and item.is_file() and _is_sheet(item)
            ):
                sheets[item] = None
            elif item.is_file() and _is_sheet(item):
                others[item] = None
    return list(jobs), list(sheets), list(others)


def _is_job(path: Path) -> bool:
    """Tell a job file from other settings in TOML."""
    try:
        return b"[[variant]]" in path.read_bytes()
    except OSError:
        return False


def _is_sheet(path: Path) -> bool:
    """Tell sheets from locks, hidden files and backups."""
    return not path.name.startswith(("~$", ".")) and ".before-flowkit" not in path.name


def job_entry(path: Path) -> Entry:
    """Read a job and bring it to its reference, ready to be kept."""
    path = path.resolve()
    job = Job.load(path)
    variants, findings = job.read()
    correction, variants = job._correct(variants, findings)
    own = [variant for variant in job.variants if not any(choice.recorded for choice in variant.sheets)]
    kept = [variant for variant in variants if variant.name in {item.name for item in own}]
    read = {path.resolve(): sha256 for variant in kept for path, sha256 in variant.sources.items()}
    sheets = tuple(SheetRow(str(file), sha256) for file, sha256 in read.items())
    tests = [
        _test_row(test, corrected, job.reference, place, _sheet_of(test, sheets))
        for place, variant in enumerate(kept)
        for test, corrected in _pairs(variant)
    ]
    if not tests:
        raise RecordsError("none of its tests can be used", "flowkit check says why", file=path.name)
    states = [
        StateRow(variant.name, jsonable(variant.state), {side: asdict(valve) for side, valve in variant.valves.items()})
        for variant in kept
    ]
    info = {key: getattr(job.info, key) for key in ("title", "number", "customer", "vehicle", "shop", "date")}
    return Entry(
        kind="job",
        path=str(path),
        fingerprint=digest([path.read_bytes(), *(sheet.sha256.encode() for sheet in sheets)]),
        reference=jsonable(job.reference),
        tests=tuple(tests),
        sheets=sheets,
        states=tuple(states),
        repeats=repeats_of([test for variant in kept for test in variant.corrected]),
        findings=correction.findings,
        info=info,
        settings=settings_of(path.read_bytes(), path.parent),
    )


def sheet_entry(path: Path, result: ReadResult) -> Entry:
    """Bring a sheet on its own to the common reference, as far as it says enough for that."""
    from flowkit.corrections import correct

    reference, content = Reference(), result.sha256
    made = correct(result.tests, reference, Bench())
    variant = Variant("", tuple(result.tests), corrected=made.tests)
    return Entry(
        kind="sheet",
        path=str(path.resolve()),
        fingerprint=content,
        reference=jsonable(reference),
        tests=tuple(_test_row(test, corrected, reference, None, 0) for test, corrected in _pairs(variant)),
        sheets=(SheetRow(str(path.resolve()), content),),
        repeats=repeats_of(made.tests),
        findings=(*result.findings, *made.findings),
    )


def _pairs(variant: Variant) -> list[tuple[FlowTest, CorrectedTest | None]]:
    """Return each test with its corrected form, where it has one."""
    corrected = {test.id: test for test in variant.corrected}
    return [(test, corrected.get(test.id)) for test in variant.tests]


def _test_row(
    test: FlowTest, corrected: CorrectedTest | None, reference: Reference, state: int | None, sheet: int | None
) -> TestRow:
    """Work out what is kept of a test."""
    document = jsonable(test)
    points = sorted({point.lift_m: point.flow_m3_s for point in corrected.points}.items()) if corrected else []
    lifts, flows = zip(*points, strict=True) if points else ((), ())
    lowest = min((point for point in test.points if point.lift_m > 0), key=lambda point: point.lift_m, default=None)
    leak = test.conditions.leak_m3_s
    return TestRow(
        state=state,
        sheet=sheet,
        document=document,
        lifts_m=lifts,
        flows_m3_s=flows,
        mean_flow_m3_s=_mean_flow(lifts, flows),
        check_ratio=_check_ratio(corrected),
        leak_ratio=leak / lowest.flow_m3_s if leak is not None and lowest and lowest.flow_m3_s > 0 else None,
        profile=profile_of(test.side, lifts, flows, document["conditions"], jsonable(reference)),
    )


def _mean_flow(lifts: Sequence[float], flows: Sequence[float]) -> float | None:
    """Return the mean flow over a test's own lifts [m³/s]."""
    from flowkit.analysis.lifts import integrate

    if len(lifts) < 2:
        return None
    return float(integrate(lifts, flows, lifts[0], lifts[-1])) / (lifts[-1] - lifts[0])


def _check_ratio(corrected: CorrectedTest | None) -> float | None:
    """Return the check plate's reading over its nominal, both in the same air and at the same pressure."""
    for line in corrected.ledger if corrected else ():
        if line.correction == "check-plate" and line.factor and line.factor[0] > 0:
            return 1 / line.factor[0]
    return None


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
        runs = [_one_run(parts) for parts in runs_of(members)]
        distinct = list({tuple((p.lift_m, p.reading_m3_s) for p in run.points): run for run in runs}.values())
        squares, freedom = run_residuals(distinct)
        if freedom and math.isfinite(squares):
            rows.append(RepeatRow(*key, squares, freedom))
    return tuple(rows)


def _one_run(parts: Sequence[CorrectedTest]) -> CorrectedTest:
    """Join a run that was written in several sheets."""
    return replace(parts[0], points=tuple(point for part in parts for point in part.points))


def _sheet_of(test: FlowTest, sheets: Sequence[SheetRow]) -> int | None:
    """Return which of a job's files a test came from: a test names it by its base name, or by its path."""
    for place, sheet in enumerate(sheets):
        if test.file == Path(sheet.path).name or Path(sheet.path) == Path(test.file).resolve():
            return place
    return None


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
            path.replace(_free(path))
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
    import sqlite3
    from contextlib import closing, suppress

    if not path.exists():
        return []
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            cursor = connection.execute("SELECT path FROM entries WHERE current = 1 ORDER BY id")
            found: list[Path] = []
            with suppress(sqlite3.Error):  # as far as it goes
                found.extend(Path(row[0]) for row in cursor)
            return found
    except sqlite3.Error:
        return []


def _free(path: Path) -> Path:
    """Return the first free name for the old file."""
    number = 1
    while (target := path.with_name(f"{path.stem}.before-rebuild-{number}{path.suffix}")).exists():
        number += 1
    return target
