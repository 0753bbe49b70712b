"""Many files: patterns, labels, trouble that stays with its file, several processes."""

from __future__ import annotations

import functools
import gc
import os
import tracemalloc
from collections.abc import Iterator
from multiprocessing import get_start_method
from pathlib import Path

import pytest

import flowkit
from flowkit.errors import SheetError, UnitError
from flowkit.importers import reading
from flowkit.importers.mapping import Stated
from flowkit.importers.reading import FileReading, expand_paths, labels_of, read_many
from flowkit.importers.result import ReadResult

SHEET = (
    "Test pressure,28 inH2O\n\nLift (mm),Intake 1 (CFM),Intake 2 (CFM)\n"
    "2,30.1,31.0\n4,60.2,61.1\n6,88.3,87.9\n8,112.4,113.0\n"
)


@pytest.fixture
def archive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name in ("2024/a.csv", "2024/b.csv", "2025/deep/a.csv", "2025/deep/c [old].csv"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(SHEET)
    (tmp_path / "2025" / "broken.csv").write_bytes(b"Lift,Flow\n1,\x002\n")
    (tmp_path / "2025" / "~$open.csv").write_bytes(b"lock")
    return tmp_path


def outcome(readings: Iterator[FileReading]) -> list[tuple[str, int | str]]:
    return [(str(r.path), len(r.result.tests) if r.result else str(r.error)) for r in readings]


def test_patterns(archive: Path) -> None:
    assert [str(path) for path in expand_paths(["**/*.csv"])] == [
        *("2024/a.csv", "2024/b.csv", "2025/broken.csv", "2025/deep/a.csv", "2025/deep/c [old].csv")
    ]
    assert expand_paths(["2024/?.csv", "2024/a.csv", Path("2024/b.csv")]) == [Path("2024/a.csv"), Path("2024/b.csv")]
    assert expand_paths(["2025/deep/c [old].csv"]) == [Path("2025/deep/c [old].csv")]
    assert expand_paths(["nothing/*.csv"]) == [Path("nothing/*.csv")]
    assert expand_paths(["missing.csv"]) == [Path("missing.csv")]
    assert expand_paths(["20*"]) == [Path("20*")]  # folders are no files


def test_labels() -> None:
    paths = [Path("x/a.csv"), Path("y/a.csv"), Path("y/b.csv")]
    assert labels_of(paths) == ["x/a.csv", "y/a.csv", "b.csv"]


def test_one_bad_file_does_not_stop_the_rest(archive: Path) -> None:
    found = list(read_many("**/*.csv"))
    assert [len(r.result.tests) if r.result else 0 for r in found] == [2, 2, 0, 2, 2]
    bad = found[2]
    assert bad.result is None
    assert str(bad.error).startswith("broken.csv: this is not text: it has NUL")
    good = found[0].result
    assert good is not None
    assert good.tests[0].points[0].source == "2024/a.csv:4:2"
    last = found[4].result
    assert last is not None
    assert last.tests[0].points[0].source == "c [old].csv:4:2"


def test_what_is_not_there(archive: Path) -> None:
    (missing, pattern) = read_many(["missing.csv", "nothing/*.csv"])
    assert "no such file" in str(missing.error)
    assert str(pattern.error) == "nothing/*.csv: no file matches this pattern; check the folder."


def test_a_single_path_and_what_is_stated(archive: Path) -> None:
    (archive / "bare.csv").write_text(SHEET.split("\n", 1)[1])
    from flowkit.model import Conditions

    (reading_,) = read_many(Path("bare.csv"), Stated(conditions=Conditions(test_pressure_pa=6974.0)))
    assert reading_.result is not None
    assert reading_.result.tests[0].conditions.test_pressure_pa == 6974.0


def test_several_processes_give_the_same(archive: Path) -> None:
    for n in range(40):
        (archive / f"more{n:02}.csv").write_text(SHEET)
    one = outcome(read_many(["**/*.csv"]))
    two = outcome(read_many(["**/*.csv"], workers=2))
    assert one == two
    assert len(two) == 45


def test_leaving_early_leaves_nothing_behind(archive: Path) -> None:
    for n in range(60):
        (archive / f"more{n:02}.csv").write_text(SHEET)
    readings = read_many("more*.csv", workers=2)
    assert next(readings).result is not None
    readings.close()


def die(path: Path, *_: object, **__: object) -> ReadResult:
    """Bring the process down at one file."""
    if path.name == "b.csv":
        os._exit(3)
    return ReadResult(())


@pytest.mark.skipif(get_start_method() != "fork", reason="the change made here must reach the processes")
def test_a_file_that_brings_its_process_down(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "read", die)
    monkeypatch.setattr(reading, "_IN_FLIGHT", 1)
    for n in range(12):
        (archive / f"z{n:02}.csv").write_text(SHEET)
    found = list(read_many(["2024/a.csv", "2024/b.csv", "z*.csv"], workers=2))
    assert len(found) == 14
    (broken,) = [r.error for r in found if r.error]
    assert str(broken).startswith("b.csv: the file crashed the reader; open it in")


def test_other_errors_of_the_family_become_sheet_errors(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise UnitError("the unit 'x' is not known", "use mm", cell="B7")

    monkeypatch.setattr(reading, "read", fail)
    (found,) = read_many("2024/a.csv")
    assert isinstance(found.error, SheetError)
    assert str(found.error) == "a.csv, cell B7: the unit 'x' is not known; use mm."


def test_memory_does_not_grow(archive: Path) -> None:
    for n in range(120):
        (archive / f"more{n:03}.csv").write_text(SHEET)
    readings = read_many("more*.csv")
    tracemalloc.start()
    for _ in range(20):
        next(readings)
    early = _held()
    for _ in readings:
        pass
    late = _held()
    tracemalloc.stop()
    assert late - early < 200_000


def _held() -> int:
    """Memory in use without what waits for the collector and without texts remembered, each memory of a size."""
    gc.unfreeze()  # the session hides what was there when it began, memories among it
    gc.collect()  # when it runs by itself is the test session's own setting
    for item in gc.get_objects():
        if isinstance(item, functools._lru_cache_wrapper) and str(item.__module__).startswith("flowkit"):
            named = item.cache_parameters()["maxsize"] is not None
            assert named or item.cache_info().currsize < 100, item  # those without a size are of no sheet's texts
            if named:
                item.cache_clear()
    gc.collect()
    gc.freeze()
    return tracemalloc.get_traced_memory()[0]


def test_the_package_gives_it(archive: Path) -> None:
    assert list(flowkit.read_many("2024/*.csv")) == list(read_many("2024/*.csv"))
    assert len(list(flowkit.read_many("2024/*.csv"))) == 2
