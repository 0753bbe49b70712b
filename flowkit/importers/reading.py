"""A file -> its tests: its grids, each read by its headings or by the user's mapping, then checked; and many files.

Many are read one after the other, or on several cores, with memory that does not grow.
"""

from __future__ import annotations

import glob
import hashlib
import os
import re
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowkit.errors import FlowkitError, SheetError
from flowkit.importers.checks import check_tests
from flowkit.importers.files import grids_of, named
from flowkit.importers.files.grid import Grid, read_bytes
from flowkit.importers.files.own import carried, is_own_output, left_out, only_own_output
from flowkit.importers.mapping import ColumnMapping, Stated, change_cells
from flowkit.importers.result import ReadResult
from flowkit.importers.tables.mapped import read_mapped, stanza
from flowkit.importers.tables.sheet import SheetReading, read_sheet
from flowkit.importers.tables.view import upright
from flowkit.importers.unused import unused
from flowkit.importers.words.items import KEEP_ONE, MAPPING_HINT, PROPOSED, Item, assumed, refused, unreadable
from flowkit.importers.words.labels import parse_label
from flowkit.model import Finding, FlowTest, HandChange

if TYPE_CHECKING:
    from concurrent.futures import Future

COPY = re.compile(r"cop(?:y|ie|ia)|k[oó]pi|cópia|コピー|\(\d+\)$", re.IGNORECASE)  # what spreadsheets call a copy
_NO_TEST = ("derived", "average", "total", "gain")
_LOOSE = 6  # numbers that lie about
_IN_FLIGHT = 12  # files for each worker
_Item = tuple[Path, str]


def read(path: str | Path, stated: Stated | None = None, *, label: str | None = None) -> ReadResult:
    """Read all tests of a file."""
    stated = stated or Stated()
    path = Path(path)
    label = path.name if label is None else label
    with named(label):
        data = read_bytes(path)
        fingerprint = hashlib.sha256(data).hexdigest()
        known = carried(data)
        if known is not None:
            return replace(known, sha256=fingerprint)
        grids = grids_of(data, label, path.suffix.lower())
    changes: list[HandChange] = []
    if stated.cells:
        grids, changes = change_cells(grids, stated.cells)
    readings = read_sheets(grids, stated)
    tests = _with_ids([test for reading in readings for test in reading.tests])
    findings = [finding for reading in readings for finding in reading.findings]
    findings += unused(readings, tests, stated)
    if not tests and not any(finding.severity == "error" for finding in findings):
        raise only_own_output(grids) or _no_table(readings)
    findings = list(dict.fromkeys([*findings, *check_tests(tests)]))
    return ReadResult(tuple(tests), tuple(findings), tuple(changes), fingerprint)


def read_sheets(grids: Sequence[Grid], stated: Stated) -> list[SheetReading]:
    """Read every grid of a file, left out hidden worksheets and what flowkit made."""
    readings = []
    seen: dict[tuple[tuple[object, ...], ...], Grid] = {}
    names = tuple(grid.sheet or "" for grid in grids)
    mapped = {table.sheet.casefold() for table in (stated.columns.tables if stated.columns else ()) if table.sheet}
    for grid in [replace(grid, sheets=names) for grid in grids] if len(grids) > 1 else grids:
        first = seen.setdefault(grid.rows, grid) if len(grids) > 1 and upright(grid).has_numbers else grid
        if first is not grid and not grid.hidden and COPY.search(grid.sheet or ""):
            what = f"this worksheet holds the same cells as {first.sheet!r} and was left out as a copy"
            found = Finding("identical-readings", "warning", f"{grid.file}!{grid.sheet}", what)
            reading = SheetReading(grid, upright(grid), findings=[found])
        elif grid.hidden and (grid.sheet or "").casefold() not in mapped:
            reading = SheetReading(grid, upright(grid))
            if any(value is not None for row in grid.rows for value in row):
                remedy = "if it belongs to the test, name it as sheet in the job's columns"
                what = f"a hidden worksheet was left out; {remedy}"
                reading.findings.append(Finding("hidden-content", "warning", f"{grid.file}!{grid.sheet}", what))
        elif is_own_output(grid):
            reading = SheetReading(grid, upright(grid), findings=[left_out(grid)])
        elif stated.columns is not None:
            reading = read_mapped(grid, stated)
        else:
            reading = read_sheet(grid, stated)
            _help(reading)
        for row, column, code in grid.stray:
            what = f"this cell has a control character (0x{code:02X}) in it; a figure with one in it is not a number"
            reading.findings.append(Finding("stray-character", "note", grid.source(row, column), what))
        readings.append(reading)
    if stated.columns is not None:
        _refuse_missing_sheets(readings, stated.columns)
    else:
        _leave_out_summaries(readings)
        _share_conditions(readings, stated)
        _ask_for_states(readings)
        _ask_for_sides(readings)
    return readings


def _leave_out_summaries(readings: list[SheetReading]) -> None:
    """Leave out worksheets that are no test by their name, where others hold tests: a target, an example, a summary."""
    named = [parse_label(reading.grid.sheet or "").kind in _NO_TEST for reading in readings]
    if not any(reading.tests for reading, summary in zip(readings, named, strict=True) if not summary):
        return
    for place, (reading, summary) in enumerate(zip(list(readings), named, strict=True)):
        if summary and (reading.tests or reading.findings):
            what = "the worksheet was left out: by its name it is no test; if it is one, name it in the job's columns"
            found = Finding("hidden-content", "warning", f"{reading.grid.file}!{reading.grid.sheet}", what)
            readings[place] = SheetReading(reading.grid, upright(reading.grid), findings=[found])


def _ask_for_states(readings: Sequence[SheetReading]) -> None:
    """Ask about worksheets whose tests nothing distinguishes, unless their flows are the same: a copy."""
    seen: dict[tuple[object, ...], tuple[SheetReading, FlowTest]] = {}
    for reading in readings:
        for test in reading.tests:
            key = (test.variant.casefold(), test.side, test.port, test.run, test.head)
            other, first = seen.setdefault(key, (reading, test))
            if other is reading or [p.flow_m3_s for p in first.points] == [p.flow_m3_s for p in test.points]:
                continue
            what = (
                f"the worksheets {other.grid.sheet!r} and {reading.grid.sheet!r} hold the same ports of one state; "
                "say which state or run each is, or leave one out"
            )
            reading.findings.append(unreadable(test.points[0].source if test.points else reading.grid.file, what))
            break


def _ask_for_sides(readings: Sequence[SheetReading]) -> None:
    """Ask about tables without a side in a file whose other tables have theirs."""
    tables = [(reading, entry) for reading in readings for entry in reading.tables if entry.tests]
    if any(test.side for _, entry in tables for test in entry.tests):
        for reading, entry in tables:
            if all(test.side is None for test in entry.tests):
                where = entry.table.view.source(entry.table.row, entry.table.axis.column)
                what = "other tables of this file say intake or exhaust and this one does not; say which it is"
                reading.findings.append(unreadable(where, what))
                return


def _share_conditions(readings: list[SheetReading], stated: Stated) -> None:
    """Give tables the conditions of worksheets without one, such as a cover, and the other tables' unit of lifts."""
    general: dict[tuple[str, str | None], Item] = {}
    for reading in readings if len(readings) > 1 else ():
        if reading.tables or reading.grid.hidden:
            continue
        for entry in reading.metadata.placed:
            key = (entry.item.kind, entry.item.side)
            known = general.setdefault(key, entry.item)
            if known.value != entry.item.value and entry.item.kind not in ("notes", "side", "port", "run"):
                what = f"{entry.item.kind.replace('_', ' ')} is stated differently here and in {known.source}"
                reading.findings.append(refused(entry.item.source, f"{what}; {KEEP_ONE}"))
    for kind in ("side", "port", "run"):
        general.pop((kind, None), None)
    tables = [entry for reading in readings for entry in reading.tables if entry.lifts.unit is not None]
    units = {entry.lifts.unit for entry in tables if not entry.lifts.by_size and not entry.lifts.ratio}
    unit = units.pop() if len(units) == 1 else None
    for place, reading in enumerate(readings):
        open_ones = [entry for entry in reading.tables if entry.lifts.by_size and entry.lifts.unit != unit]
        more = dict(general)
        if unit is not None and open_ones:
            more["lift_unit", None] = Item("lift_unit", unit.name, unit, reading.grid.file)
        if reading.tables and more:
            readings[place] = read_sheet(reading.grid, stated, more)
            _help(readings[place])
            if unit is not None and open_ones:
                where = open_ones[0].table.view.source(open_ones[0].table.row, open_ones[0].table.axis.column)
                what = f"the lifts have no unit and were read in {unit.name}, as those of the other tables of the file"
                readings[place].findings.append(assumed(where, what))
        elif general and not (reading.tables or any(finding.severity == "error" for finding in reading.findings)):
            reading.findings += reading.metadata.findings


def _refuse_missing_sheets(readings: Sequence[SheetReading], columns: ColumnMapping) -> None:
    """Report a worksheet that the mapping names and the file does not have."""
    names = [reading.grid.sheet or "" for reading in readings]
    folded = {name.casefold() for name in names}
    for name in [table.sheet for table in columns.tables if table.sheet is not None]:
        if name.casefold() not in folded:
            what = f"the mapping names the worksheet {name!r}, which this file does not have"
            has = f"it has {', '.join(map(repr, names))}"
            readings[0].findings.append(refused(readings[0].grid.file, f"{what}; {has}"))


def _help(reading: SheetReading) -> None:
    """Show, with the first refusal of a sheet's headings, the mapping to start from: what was recognised of it."""
    for place, finding in enumerate(reading.findings):
        if finding.message.endswith(MAPPING_HINT):
            table = next((entry for entry in reading.tables if not entry.tests), None)
            known = (table.table, table.columns) if table is not None else (None, ())
            message = finding.message.removesuffix(MAPPING_HINT) + PROPOSED + stanza(reading.grid, *known)
            reading.findings[place] = replace(finding, message=message)
            return


def _no_table(readings: Sequence[SheetReading]) -> SheetError:
    """Say that a file holds no table."""
    remedy = f"if there should be one, {MAPPING_HINT}"
    numbers = [reading.grid for reading in readings if not reading.grid.hidden and reading.view.has_numbers]
    if not numbers and sum("".join(reading.view.kinds).count("n") for reading in readings) >= _LOOSE:
        remedy = (
            "its numbers are not in rows and columns, as when a page is copied as text; ask for the sheet itself, or "
            "type it into a blank one (flowkit blank): a line for each lift with its flows beside it"
        )
    if numbers:
        remedy = f"if there is one, {PROPOSED}{stanza(numbers[0])}"
    return SheetError(
        "there is no table of lifts and flows in this file", remedy, file=readings[0].grid.file if readings else None
    )


def _with_ids(tests: list[FlowTest]) -> list[FlowTest]:
    """Give every test of a file an id of its own."""
    runs = Counter([(t.sheet, t.variant, t.side, t.port) for t in tests])
    named: dict[str, FlowTest] = {}
    for t in tests:
        who = f"{t.side} {t.port}" if t.side and t.port else t.side or t.port or ""
        if t.run > 1 or runs[t.sheet, t.variant, t.side, t.port] > 1:
            who = f"{who} run {t.run}".lstrip()
        where = t.file if t.sheet is None else f"{t.file}!{t.sheet}"
        name = f"{where}!{who or 'test'}" if t.variant == t.sheet else f"{where}!{t.variant}, {who or 'test'}"
        unique, again = name, 1
        while unique in named:
            again += 1
            unique = f"{name} ({again})"
        named[unique] = replace(t, id=unique)
    return list(named.values())


# --- many files ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FileReading:
    """What became of one file."""

    path: Path
    result: ReadResult | None
    error: SheetError | None


def expand_paths(paths: Iterable[str | Path]) -> list[Path]:
    """Expand patterns into the files they match."""
    found: dict[Path, Path] = {}  # a file named in several ways is one: by the place it is at -> as it was named first
    for path in paths:
        named = [Path(path)]
        if glob.has_magic(str(path)) and not os.path.lexists(path):
            matches = sorted(Path(match) for match in glob.glob(str(path), recursive=True))  # noqa: PTH207
            # The files a spreadsheet program leaves beside an open one begin with ~$.
            named = [match for match in matches if match.is_file() and not match.name.startswith("~$")] or named
        for one in named:
            found.setdefault(Path(os.path.abspath(one)), one)  # noqa: PTH100
    return list(found.values())


def labels_of(paths: Sequence[Path]) -> list[str]:
    """Name files in sources: by their base name, where two share it by the path as given."""
    count = Counter(path.name for path in paths)
    return [path.name if count[path.name] == 1 else str(path) for path in paths]


def read_many(
    paths: str | Path | Iterable[str | Path], stated: Stated | None = None, *, workers: int = 1, client: Any = None
) -> Iterator[FileReading]:
    """Read many files, each as soon as it is asked for."""
    files = expand_paths([paths] if isinstance(paths, (str, Path)) else paths)
    items = list(zip(files, labels_of(files), strict=True))
    if client is not None:
        yield from _read_with_client(items, stated, client)
    elif workers <= 1 or len(items) <= 1:
        yield from (_read_one(item, stated) for item in items)
    else:
        yield from _read_with_workers(items, stated, workers)


def _read_one(item: _Item, stated: Stated | None) -> FileReading:
    """Read one file; trouble with it is a result too."""
    path, label = item
    if glob.has_magic(str(path)) and not path.exists():
        return _failed(item, SheetError("no file matches this pattern", "check the folder", file=str(path)))
    try:
        return FileReading(path, read(path, stated, label=label), None)
    except SheetError as error:
        return _failed(item, error)
    except FlowkitError as e:
        return _failed(item, SheetError(e.problem, e.remedy, file=e.file or label, sheet=e.sheet, cell=e.cell))


def _failed(item: _Item, error: SheetError) -> FileReading:
    """A file that could not be read."""
    return FileReading(item[0], None, error)


def _read_ahead(
    items: Sequence[_Item],
    submit: Callable[[_Item], Future[FileReading]],
    lost: tuple[type[Exception], Callable[[_Item], FileReading]],
    ahead: int,
) -> Iterator[FileReading]:
    """Read a few files ahead of what is asked for; `lost`: what a dead worker raises, and what becomes of its file."""
    waiting: deque[tuple[_Item, Future[FileReading]]] = deque()
    for item in (*items, None):
        if item is not None:
            waiting.append((item, submit(item)))
        while waiting and (item is None or len(waiting) >= ahead):
            first, future = waiting.popleft()
            try:
                yield future.result()
            except lost[0]:
                yield lost[1](first)


def _read_with_workers(items: Sequence[_Item], stated: Stated | None, workers: int) -> Iterator[FileReading]:
    """Read with several processes."""
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    pool = ProcessPoolExecutor(max_workers=workers)

    def submit(item: _Item) -> Future[FileReading]:
        """Hand a file to the workers, to new ones where one of them died."""
        nonlocal pool
        try:
            return pool.submit(_read_one, item, stated)
        except BrokenProcessPool:
            pool.shutdown(wait=False)
            pool = ProcessPoolExecutor(max_workers=workers)
            return pool.submit(_read_one, item, stated)

    def once_more(item: _Item) -> FileReading:
        """Try a file again in a process of its own."""
        try:
            with ProcessPoolExecutor(max_workers=1) as own:
                return own.submit(_read_one, item, stated).result()
        except BrokenProcessPool:
            remedy = "open it in the spreadsheet program and save it again"
            return _failed(item, SheetError("the file crashed the reader", remedy, file=item[1]))

    try:
        yield from _read_ahead(items, submit, (BrokenProcessPool, once_more), _IN_FLIGHT * workers)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _read_with_client(items: Sequence[_Item], stated: Stated | None, client: Any) -> Iterator[FileReading]:
    """Read with the workers of a cluster."""

    def submit(item: _Item) -> Any:
        return client.submit(_read_one, item, stated, pure=False)

    def failed(item: _Item) -> FileReading:
        what = "the cluster could not read the file: a worker stopped, or cannot see its path"
        return _failed(item, SheetError(what, "read it without a client", file=item[1]))

    # Whatever the cluster raises: a killed worker, a path it cannot see.
    ahead = _IN_FLIGHT * max(sum(client.nthreads().values()), 1)
    return _read_ahead(items, submit, (Exception, failed), ahead)
