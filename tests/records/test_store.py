"""The records file: added once, versions kept, whole after a kill, plain words for every fault."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from flowkit.cli.app import run
from flowkit.job.record import add_to_records, rebuild
from flowkit.records import store as module
from flowkit.records.query import find, recorded_state
from flowkit.records.store import MIGRATIONS, Entry, RecordsError, Store
from tests.records.shop import Shop, entries, write_job


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "shop.sqlite"


def filled(file: Path, count: int = 3) -> None:
    with Store(file, write=True) as store:
        for entry in entries(Shop(1, years=1, heads_a_year=count)):
            assert store.add(entry)


def sound(file: Path) -> int:
    """Whole, by SQLite's own check; how many entries."""
    connection = sqlite3.connect(file)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    half = "SELECT entry_id, count(*) FROM tests GROUP BY entry_id HAVING count(*) <> 20"
    assert connection.execute(half).fetchall() == []
    return connection.execute("SELECT count(*) FROM entries").fetchone()[0]


def test_the_same_again_changes_nothing_and_a_changed_sheet_is_a_new_version(tmp_path: Path, file: Path) -> None:
    job = write_job(tmp_path / "a", "2417")
    with Store(file, write=True) as store:
        assert [item.status for item in add_to_records(store, [tmp_path / "a"])] == ["added"]
        assert [item.status for item in add_to_records(store, [job, tmp_path / "a" / "before.csv"])] == ["unchanged"]
        before = find(store).total
        sheet = job.parent / "after.csv"
        sheet.write_text(sheet.read_text().replace("Bench,bench A", "Bench,bench B"))
        assert [item.status for item in add_to_records(store, [job])] == ["added"]
        assert find(store).total == before
        assert find(store, bench="bench b").total == before / 2
        assert store.rows("SELECT current FROM entries ORDER BY id") == [(0,), (1,)]
        # Put back as it was, the former version counts again, once.
        sheet.write_text(sheet.read_text().replace("Bench,bench B", "Bench,bench A"))
        assert [item.status for item in add_to_records(store, [job])] == ["added"]
        assert find(store, bench="BENCH A").total == before


def test_what_cannot_be_read_is_listed_and_nothing_stops(tmp_path: Path, file: Path) -> None:
    write_job(tmp_path / "a", "1")
    loose = tmp_path / "deep" / "er"
    loose.mkdir(parents=True)
    (loose / "sheet.csv").write_text("Test pressure,28 inH2O\nLift (mm),Intake 1 (CFM)\n2,30\n4,60\n6,80\n")
    (loose / "prices.csv").write_text("part,price\nvalve,12\n")
    (loose / "broken.xlsx").write_bytes(b"PK\3\4 no")
    (loose / "other.toml").write_text("[tool]\n")
    (loose / "photo.jpg").write_bytes(b"\xff\xd8\xff")
    with Store(file, write=True) as store:
        seen: list[tuple[int, int]] = []
        both = [tmp_path / "a", tmp_path / "deep"]
        done = {item.path.name: item for item in add_to_records(store, both, progress=lambda *at: seen.append(at))}
        # One job with its sheets, and three files besides: the last is reported as all, and never more than all.
        assert seen[-1][0] == seen[-1][1] and all(at <= most for at, most in seen)
        assert {name: item.status for name, item in done.items()} == {
            "job.toml": "added", "sheet.csv": "added", "prices.csv": "left out", "broken.xlsx": "not read",
            "other.toml": "left out", "photo.jpg": "left out",
        }  # fmt: skip
        assert "a picture" in done["photo.jpg"].message
        assert done["broken.xlsx"].message.startswith("broken.xlsx: ")
        assert find(store, side="intake").total == 9
    assert run(["records", "add", str(tmp_path / "deep"), "--records", str(file)]) == 1
    assert run(["records", "add", str(tmp_path / "a"), "--records", str(file)]) == 0


def test_a_sheet_of_a_job_does_not_count_on_its_own(tmp_path: Path, file: Path) -> None:
    job = write_job(tmp_path / "a", "1")
    with Store(file, write=True) as store:
        assert [i.status for i in add_to_records(store, [job.parent / "before.csv"])] == ["added"]
        assert find(store).total == 4
        assert [i.status for i in add_to_records(store, [job])] == ["added"]
        assert find(store).total == 8


def add_and_die(file: Path, found: Sequence[Entry], at: int) -> int:
    """Add entries in a child process that kills itself before its `at`-th statement; how it ended."""
    child = os.fork()
    if child == 0:
        left = at

        def count(_: str) -> None:
            nonlocal left
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)

        try:
            store = Store(file, write=True)
            store.connection.set_trace_callback(count)
            for entry in found:
                store.add(entry)
        except BaseException:
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are not forked here")
def test_killed_at_any_write_the_file_is_whole(file: Path) -> None:
    """Killed before the n-th statement, for n all over the way; then the rest is added as if nothing had been."""
    found = list(entries(Shop(1, years=1, heads_a_year=3)))
    seen = set()
    for at in (1, 2, 3, 5, 9, 14, 21, 30, 44, 52, 53, 54, 55, 60, 90, 130, 170, 100_000):
        for ending in ("", "-wal", "-shm"):
            file.with_name(file.name + ending).unlink(missing_ok=True)
        assert add_and_die(file, found, at) in (0, -signal.SIGKILL)
        if not file.exists():
            continue
        with Store(file, write=True) as store:
            seen.add(sound(file))
            for entry in found:
                store.add(entry)
        assert sound(file) == 3
    assert seen >= {0, 1, 2, 3}


@pytest.mark.slow
def test_two_writers_at_once(file: Path) -> None:
    program = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parents[2])!r})\n"
        "from pathlib import Path\nfrom flowkit.records.store import Store\n"
        "from tests.records.shop import Shop, entries\n"
        f"store = Store(Path({str(file)!r}), write=True)\n"
        "for entry in entries(Shop(int(sys.argv[1]), years=1, heads_a_year=12)): store.add(entry)\n"
        "for entry in entries(Shop(7, years=1, heads_a_year=4)): store.add(entry)\n"
    )
    both = [subprocess.Popen([sys.executable, "-c", program, seed], stderr=subprocess.PIPE) for seed in ("1", "2")]
    for other in both:
        _, complaint = other.communicate(timeout=120)
        assert other.returncode == 0, complaint.decode()
    assert sound(file) >= 12
    with Store(file) as store:
        assert store.rows("SELECT count(*) FROM entries WHERE current = 1") == [(12,)]  # the same paths, each once


def test_a_full_disk_is_said_and_nothing_is_lost(file: Path) -> None:
    filled(file)
    with Store(file, write=True) as store:
        pages = store.rows("PRAGMA page_count")[0][0]
        store.rows(f"PRAGMA max_page_count = {pages + 2}")
        with pytest.raises(RecordsError, match=r"shop\.sqlite: the disk is full; nothing was added; free some space"):
            for entry in entries(Shop(2, years=1, heads_a_year=3)):
                store.add(entry)
    assert sound(file) == 3


def test_a_really_full_disk_leaves_the_file_whole(tmp_path: Path) -> None:
    """A file system of 600 kB in memory, filled to its last page; afterwards with room again the rest is added."""
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=600k", "none", small], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("nobody may mount a file system here")
    try:
        file = small / "shop.sqlite"
        many = list(entries(Shop(2, years=1, heads_a_year=40)))
        with (
            Store(file, write=True) as store,
            pytest.raises(RecordsError, match=r"the disk is full; nothing was added; free some space"),
        ):
            for entry in many:
                store.add(entry)
        kept = sound(file)
        assert 0 < kept < len(many)
        subprocess.run(["mount", "-o", "remount,size=20m", small], capture_output=True, check=True)
        with Store(file, write=True) as store:
            for entry in many:
                store.add(entry)
        assert sound(file) == len(many)
    finally:
        subprocess.run(["umount", "-l", small], capture_output=True, check=False)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_file_is_read_and_not_written(file: Path) -> None:
    filled(file)
    file.chmod(0o444)
    file.parent.chmod(0o555)
    try:
        with Store(file) as store:
            assert find(store).total == 60
        with pytest.raises(RecordsError, match=r"read-only|cannot be opened"):
            filled(file)
    finally:
        file.parent.chmod(0o755)


def test_a_database_opened_for_reading_is_never_written(file: Path) -> None:
    filled(file)
    with Store(file) as store, pytest.raises(RecordsError, match="the records are read-only; allow writing"):
        store.add(next(entries(Shop(5, years=1, heads_a_year=1))))


def test_a_newer_file_is_refused_plainly(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    filled(file)
    connection = sqlite3.connect(file)
    connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 3}")
    connection.close()
    for arguments in (["find"], ["bench"], ["add", str(file.parent)]):
        assert run(["records", *arguments, "--records", str(file)]) == 1
        assert "written by a newer flowkit" in capsys.readouterr().err


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS)))
def test_every_older_version_is_migrated_with_a_backup(file: Path, version: int, monkeypatch) -> None:
    filled(file)
    with Store(file) as store:
        new = store.rows("SELECT id, profile FROM tests ORDER BY id")
    old = file.with_name("old.sqlite")
    made = sqlite3.connect(old, isolation_level=None)
    made.execute("BEGIN")
    for migrate in MIGRATIONS[:version]:
        migrate(made)
    made.execute(f"PRAGMA user_version = {version}")
    made.execute("COMMIT")
    made.execute(f"ATTACH '{file}' AS new")
    for (table,) in made.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'").fetchall():
        columns = ", ".join(row[1] for row in made.execute(f"PRAGMA main.table_info({table})"))
        made.execute(f"INSERT INTO main.{table} ({columns}) SELECT {columns} FROM new.{table}")
    made.close()
    with Store(old) as store:  # somebody only asks
        assert store.version() == len(MIGRATIONS)
        assert store.rows("SELECT id, profile FROM tests ORDER BY id") == new
        assert find(store).total == 60
    (backup,) = old.parent.glob(f"old.version-{version}.sqlite")
    connection = sqlite3.connect(backup)
    assert connection.execute("PRAGMA user_version").fetchone() == (version,)
    assert sound(backup) == 3


def test_a_damaged_file_is_said_and_made_anew(tmp_path: Path, file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_job(tmp_path / "a", "2417")
    with Store(file, write=True) as store:
        list(add_to_records(store, [tmp_path / "a"]))
    data = bytearray(file.read_bytes())
    for at in range(2 * 4096, len(data) - 4096, 4096):
        data[at : at + 600] = b"\xff" * 600
    file.write_bytes(data)
    assert run(["records", "find", "--records", str(file)]) == 1
    assert "flowkit records rebuild makes" in capsys.readouterr().err
    file.write_bytes(b"not a database at all" * 300)
    assert run(["records", "find", "--records", str(file)]) == 1
    assert "is not a records file, or it is damaged" in capsys.readouterr().err
    with pytest.raises(RecordsError, match="nothing of the records says where the sheets are"):
        rebuild(file)
    rebuild(file, [tmp_path / "a"])
    with Store(file) as store:
        assert find(store).total == 8
    (old,) = tmp_path.glob("shop.before-rebuild-1.sqlite")
    assert old.read_bytes().startswith(b"not a database")


def test_rebuild_knows_where_the_sheets_are(tmp_path: Path, file: Path) -> None:
    job = write_job(tmp_path / "a", "2417")
    gone = write_job(tmp_path / "b", "2418")
    with Store(file, write=True) as store:
        list(add_to_records(store, [tmp_path]))
        before = [row[1:] for row in find(store, job="2417").rows]
    gone.unlink()
    done = rebuild(file)
    assert [(item.path, item.status) for item in done] == [(job, "added"), (gone, "not read")]
    with Store(file) as store:
        assert [row[1:] for row in find(store, job="2417").rows] == before


def test_points_come_back_as_they_were_read(tmp_path: Path, file: Path) -> None:
    from flowkit import read

    job = write_job(tmp_path / "a", "2417")
    with Store(file, write=True) as store:
        list(add_to_records(store, [job]))
        state = recorded_state(store, "2417/AS RECEIVED")
    read_now = read(job.parent / "before.csv").tests
    assert [test.points for test in state.tests] == [test.points for test in read_now]
    assert state.tests[0].points[0].source == "before.csv:5:2"
    assert state.state["intake"] == {"ports": "as cast"}


def test_what_sqlite_says_stays_inside(file: Path) -> None:
    error = module._plain(sqlite3.OperationalError("something new"), file)
    assert str(error) == f"{file}: the records cannot be used; flowkit records rebuild makes them again."
