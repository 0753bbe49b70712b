"""Many files: read one after the other, or on several cores, with memory that does not grow."""

from __future__ import annotations

import glob
import os
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flowkit.errors import FlowkitError, SheetError
from flowkit.importers.mapping import Stated
from flowkit.importers.result import ReadResult

_BATCH = 8
_IN_FLIGHT = 3  # batches for each worker
Item = tuple[Path, str]


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


def _read_one(item: Item, stated: Stated | None) -> FileReading:
    """Read one file; trouble with it is a result too."""
    from flowkit.importers.reading import read

    path, label = item
    if glob.has_magic(str(path)) and not path.exists():
        return _failed(item, SheetError("no file matches this pattern", "check the folder", file=str(path)))
    try:
        return FileReading(path, read(path, stated, label=label), None)
    except SheetError as error:
        return _failed(item, error)
    except FlowkitError as e:
        return _failed(item, SheetError(e.problem, e.remedy, file=e.file or label, sheet=e.sheet, cell=e.cell))


def _failed(item: Item, error: SheetError) -> FileReading:
    """A file that could not be read."""
    return FileReading(item[0], None, error)


def _read_batch(items: Sequence[Item], stated: Stated | None) -> list[FileReading]:
    """Read a few files, in a worker."""
    return [_read_one(item, stated) for item in items]


def _read_with_workers(items: Sequence[Item], stated: Stated | None, workers: int) -> Iterator[FileReading]:
    """Read with several processes, a few batches ahead of what is asked for."""
    waiting: deque[tuple[Sequence[Item], Future[list[FileReading]]]] = deque()
    pool = ProcessPoolExecutor(max_workers=workers)
    try:
        for start in range(0, len(items), _BATCH):
            batch = items[start : start + _BATCH]
            if len(waiting) >= workers * _IN_FLIGHT:
                yield from _finished(*waiting.popleft(), stated)
            try:
                future = pool.submit(_read_batch, batch, stated)
            except BrokenProcessPool:
                pool.shutdown(wait=False)
                pool = ProcessPoolExecutor(max_workers=workers)
                future = pool.submit(_read_batch, batch, stated)
            waiting.append((batch, future))
        while waiting:
            yield from _finished(*waiting.popleft(), stated)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _finished(batch: Sequence[Item], future: Future[list[FileReading]], stated: Stated | None) -> Iterator[FileReading]:
    """Return a batch's readings; where its worker died, each file is tried once more in a process of its own."""
    try:
        yield from future.result()
    except BrokenProcessPool:
        for item in batch:
            with ProcessPoolExecutor(max_workers=1) as pool:
                try:
                    yield pool.submit(_read_one, item, stated).result()
                except BrokenProcessPool:
                    remedy = "open it in the spreadsheet program and save it again"
                    yield _failed(item, SheetError("the file crashed the reader", remedy, file=item[1]))


def _read_with_client(items: Sequence[Item], stated: Stated | None, client: Any) -> Iterator[FileReading]:
    """Read with the workers of a cluster, a sheet a task, a few ahead of what is asked for."""
    ahead = _IN_FLIGHT * max(sum(client.nthreads().values()), 1)
    waiting: deque[tuple[Item, Any]] = deque()
    for item in (*items, None):
        if item is not None:
            waiting.append((item, client.submit(_read_one, item, stated, pure=False)))
        while waiting and (item is None or len(waiting) >= ahead):
            first, future = waiting.popleft()
            try:
                yield future.result()
            except Exception:  # whatever the cluster raises: a killed worker, a path it cannot see
                what = "the cluster could not read the file: a worker stopped, or cannot see its path"
                yield _failed(first, SheetError(what, "read it without a client", file=first[1]))
