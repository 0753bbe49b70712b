"""The build file replaced whole or not at all: refusals, backups, locks."""

from __future__ import annotations

import errno
import importlib
import multiprocessing
import os
import stat
import subprocess
import time
from pathlib import Path

import pytest
from pypdf import PdfReader

from flowkit.errors import AttachError
from flowkit.reports.attach import attach, build_file_kind
from flowkit.reports.attach.opc import CONTENT_TYPES, read_package, written
from flowkit.reports.attach.swap import Rewritten, hidden_name, locked, swap
from tests.reports.build_files import build_docx, build_pdf, build_xlsx, flow_pages, pages, png
from tests.reports.invented import make_contents

SWAP = importlib.import_module("flowkit.reports.attach.swap")


@pytest.fixture
def build(tmp_path: Path) -> Path:
    path = tmp_path / "build file.pdf"
    path.write_bytes(build_pdf())
    return path


def beside(path: Path) -> list[str]:
    return sorted(item.name for item in path.parent.iterdir())


def refused(path: Path, words: str, **more) -> None:
    """Attaching is refused with these words, and nothing is changed or left behind."""
    before, names = path.read_bytes(), beside(path)
    with pytest.raises(AttachError, match=words):
        attach(path, make_contents(), flow_pages(), png(), **more)
    assert path.read_bytes() == before
    assert beside(path) == names


def test_the_old_file_is_kept_and_no_backup_is_overwritten(build: Path) -> None:
    build.with_name("build file.before-flowkit.pdf").write_bytes(b"somebody's own")
    os.utime(build, (1e9, 1e9))
    first = attach(build, make_contents(), flow_pages())
    assert first.file == build
    assert first.backup.name == "build file.before-flowkit-2.pdf"
    assert first.backup.read_bytes() == build_pdf()
    assert first.backup.stat().st_mtime == 1e9
    assert build.stat().st_mtime > 1e9
    after_first = build.read_bytes()
    second = attach(build, make_contents(), flow_pages(1))
    assert (second.kind, second.added, second.replaced) == ("pdf", ("page 5",), 2)
    assert second.backup.name == "build file.before-flowkit-3.pdf"
    assert second.backup.read_bytes() == after_first
    assert build.with_name("build file.before-flowkit.pdf").read_bytes() == b"somebody's own"
    assert len(beside(build)) == 4


@pytest.mark.parametrize(
    ("name", "data", "kind"),
    [("a.pdf", build_pdf, "pdf"), ("a.xlsm", build_xlsx, "xlsx"), ("a.docx", build_docx, "docx")],
)
def test_every_kind_from_files(tmp_path: Path, name: str, data, kind: str) -> None:
    path, flow, picture = tmp_path / name, tmp_path / "flow.pdf", tmp_path / "flow.png"
    path.write_bytes(data())
    flow.write_bytes(flow_pages())
    picture.write_bytes(png())
    done = attach(path, make_contents(), flow, picture)
    assert done.kind == build_file_kind(path) == kind
    assert done.backup.read_bytes() == data()


def test_mode_and_attributes_are_kept(build: Path) -> None:
    build.chmod(0o640)
    try:
        os.setxattr(build, "user.job", b"2417")
        marked = True
    except OSError:
        marked = False
    done = attach(build, make_contents(), flow_pages())
    for path in (build, done.backup):
        assert stat.S_IMODE(path.stat().st_mode) == 0o640
        assert not marked or os.getxattr(path, "user.job") == b"2417"


def test_links_are_followed_to_the_file(build: Path, tmp_path: Path) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    link = folder / "link.pdf"
    link.symlink_to(build)
    done = attach(link, make_contents(), flow_pages())
    assert link.is_symlink()
    assert done.file == build
    assert done.backup.parent == build.parent
    assert len(PdfReader(link).pages) == 6


def test_long_names_are_shortened_for_the_backup(tmp_path: Path) -> None:
    path = tmp_path / ("ä" * 125 + ".pdf")
    path.write_bytes(pages(1, "build"))
    done = attach(path, make_contents(), flow_pages())
    assert done.backup.name.endswith("ä.before-flowkit.pdf")
    assert len(PdfReader(path).pages) == 3


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the file is empty; attach to a PDF, XLSX, XLSM or DOCX"),
        (b"lift,flow\n1,2\n", "flowkit cannot add pages to this kind of file; attach to a PDF, XLSX, XLSM or DOCX"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(500), "protected by a password or in an old office format"),
        (b"PK\x03\x04rest", "damaged"),
        (b"%PDF-1.7\nrest", "damaged"),
    ],
)
def test_files_of_other_kinds_are_refused(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "build.pdf"
    path.write_bytes(data)
    refused(path, words)


def test_other_office_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "slides.pptx"
    package = read_package(build_xlsx(), "x")
    types = package.parts[CONTENT_TYPES].replace(b"spreadsheetml.sheet.main", b"presentationml.presentation.main")
    path.write_bytes(written(package, {CONTENT_TYPES: types}))
    refused(path, "flowkit cannot add pages to this kind of office file")


def test_missing_files_and_folders_are_refused(tmp_path: Path) -> None:
    with pytest.raises(AttachError, match="there is no such build file"):
        attach(tmp_path / "no.pdf", make_contents(), flow_pages())
    with pytest.raises(AttachError, match="cannot be read"):
        attach(tmp_path, make_contents(), flow_pages())
    loop = tmp_path / "loop.pdf"
    loop.symlink_to(loop)
    with pytest.raises(AttachError, match="cannot be read"):
        attach(loop, make_contents(), flow_pages())


@pytest.mark.parametrize(("place", "words"), [("no.pdf", "no such"), (".", "not a file"), ("loop.pdf", "be reached")])
def test_what_vanishes_after_it_was_looked_at_is_refused(tmp_path: Path, place: str, words: str) -> None:
    (tmp_path / "loop.pdf").symlink_to(tmp_path / "loop.pdf")
    with pytest.raises(AttachError, match=words):
        swap(tmp_path / place, lambda old, name: Rewritten(old, (), 0), lambda old, new, name: None)


def test_options_of_other_kinds_are_refused(build: Path, tmp_path: Path) -> None:
    refused(build, "only a DOCX has bookmarks", bookmark="x")
    book = tmp_path / "b.xlsx"
    book.write_bytes(build_xlsx())
    refused(book, "only a PDF has pages to follow", after=1)
    with pytest.raises(ValueError, match="needs pages_pdf"):
        attach(build, make_contents())
    with pytest.raises(ValueError, match="needs chart_png"):
        attach(book, make_contents(), flow_pages())


def test_a_read_only_file_is_refused(build: Path) -> None:
    build.chmod(0o444)
    refused(build, "the build file is read-only; allow writing to it, or attach to a copy")


@pytest.mark.parametrize("mark", ["~${}", ".~lock.{}#"])
def test_a_file_open_in_an_office_program_is_refused(build: Path, mark: str) -> None:
    build.with_name(mark.format(build.name)).write_bytes(b"")
    refused(build, "open in (Word or Excel|LibreOffice); close it there")


def test_words_shortened_mark_is_known(build: Path) -> None:
    build.with_name("~$ild file.pdf").write_bytes(b"")
    refused(build, "open in Word or Excel")


def test_a_file_changed_meanwhile_is_left_to_the_other(build: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    module = SWAP
    original = module._back_up

    def saved_by_another(real: Path, old: bytes) -> Path:
        backup = original(real, old)
        real.write_bytes(pages(1, "other"))
        return backup

    monkeypatch.setattr(module, "_back_up", saved_by_another)
    with pytest.raises(AttachError, match="changed by another program in the meantime; attach again"):
        attach(build, make_contents(), flow_pages())
    assert build.read_bytes() == pages(1, "other")
    assert [name for name in beside(build) if name.startswith(".")] == []


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOSPC, "the disk is full; free some space"),
        (errno.EDQUOT, "quota"),
        (errno.EROFS, "the folder is read-only; copy the build file"),
        (errno.EACCES, "may not be written in"),
        (errno.EIO, "it cannot be replaced"),
    ],
)
@pytest.mark.parametrize("call", ["fsync", "open", "replace"])
def test_faults_of_the_disk_leave_the_old_file(
    build: Path, monkeypatch: pytest.MonkeyPatch, call: str, code: int, words: str
) -> None:
    before = build.read_bytes()

    def fails(*_args, **_more):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, call, fails) if call != "replace" else monkeypatch.setattr(Path, "replace", fails)
    with pytest.raises(AttachError, match=words):
        attach(build, make_contents(), flow_pages())
    monkeypatch.undo()
    assert build.read_bytes() == before
    assert beside(build) == [build.name]


@pytest.fixture
def small_disk(tmp_path: Path):
    """A disk of 64 kB, where the system lets us make one."""
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "flow", place], check=False, capture_output=True)
    if made.returncode:
        pytest.skip("no file system can be mounted here")
    yield place
    subprocess.run(["umount", place], check=True)


def test_a_really_full_disk(small_disk: Path) -> None:
    path = small_disk / "build.pdf"
    path.write_bytes(build_pdf())
    (small_disk / "filler").write_bytes(bytes(56 * 1024))
    refused(path, "the disk is full; free some space, then try again")


def test_a_really_read_only_folder(small_disk: Path) -> None:
    path = small_disk / "build.pdf"
    path.write_bytes(build_pdf())
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    refused(path, "read-only")


def test_a_draft_that_reads_back_otherwise_is_not_used(build: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reading = Path.read_bytes
    monkeypatch.setattr(Path, "read_bytes", lambda self: reading(self)[:-1] if self.suffix == ".tmp" else reading(self))
    refused(build, "was not written correctly to the disk")


@pytest.mark.parametrize("code", [errno.EPERM, errno.ENOTSUP])
def test_backups_without_hard_links(build: Path, monkeypatch: pytest.MonkeyPatch, code: int) -> None:
    build.with_name("build file.before-flowkit.pdf").write_bytes(b"somebody's own")

    def fails(*_args):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(Path, "hardlink_to", fails)
    done = attach(build, make_contents(), flow_pages())
    assert done.backup.name == "build file.before-flowkit-2.pdf"
    assert done.backup.read_bytes() == build_pdf()
    assert len(beside(build)) == 3


def test_a_broken_disk_at_the_backup_is_no_reason_to_go_on(build: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_args):
        raise OSError(errno.EIO, "input/output error")

    monkeypatch.setattr(Path, "hardlink_to", fails)
    refused(build, "cannot be replaced")


def test_what_a_killed_process_left_is_swept_away(build: Path) -> None:
    start = hidden_name(build)
    build.with_name(f"{start}-abc.tmp").write_bytes(b"half")
    build.with_name(f"{start}.lock").write_bytes(b"")
    other = build.with_name(".flowkit-000000000000-x.tmp")
    other.write_bytes(b"another build file's")
    attach(build, make_contents(), flow_pages())
    assert [name for name in beside(build) if name.startswith(".")] == [other.name]


def hold(path: Path, seconds: float, held) -> None:
    with locked(path):
        held.set()
        time.sleep(seconds)


def test_a_second_process_waits_a_bounded_time(build: Path) -> None:
    context = multiprocessing.get_context("fork")
    held = context.Event()
    holder = context.Process(target=hold, args=(build, 30, held))
    holder.start()
    assert held.wait(10)
    with pytest.raises(AttachError, match=r"^build file\.pdf: another flowkit is attaching to this build file; wait"):
        attach(build, make_contents(), flow_pages(), wait_s=0.2)
    assert build.read_bytes() == build_pdf()
    holder.kill()
    holder.join()
    # The lock died with its holder, though its file is still there.
    assert build.with_name(hidden_name(build) + ".lock").exists()
    attach(build, make_contents(), flow_pages(), wait_s=5)
    assert not build.with_name(hidden_name(build) + ".lock").exists()


def test_a_lock_file_replaced_under_ones_hands_is_not_trusted(build: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between opening and locking, the holder before us takes the file away."""
    place = build.with_name(hidden_name(build) + ".lock")
    taking, calls = SWAP._try_lock, []

    def taken(handle: int) -> bool:
        if not calls:
            place.unlink()
        calls.append(handle)
        return taking(handle)

    monkeypatch.setattr(SWAP, "_try_lock", taken)
    with locked(build, wait_s=5):
        assert place.exists()
    assert len(calls) == 2


def test_trouble_while_locking_closes_the_file(build: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(_handle: int) -> bool:
        raise OSError(errno.ENOLCK, "no locks available")

    monkeypatch.setattr(SWAP, "_try_lock", fails)
    with pytest.raises(AttachError, match="no locks available"):
        attach(build, make_contents(), flow_pages())
    assert build.read_bytes() == build_pdf()


def attach_in_child(path: Path, count: int, results) -> None:
    try:
        results.put(attach(path, make_contents(variants=2, lifts=3), flow_pages(count), png()).backup.name)
    except AttachError as error:
        results.put(str(error))


@pytest.mark.parametrize(("name", "data"), [("a.pdf", build_pdf), ("a.xlsx", build_xlsx)])
def test_processes_at_once_lose_nothing(tmp_path: Path, name: str, data) -> None:
    path = tmp_path / name
    path.write_bytes(data())
    context = multiprocessing.get_context("fork")
    results = context.Queue()
    crowd = [context.Process(target=attach_in_child, args=(path, 1 + i % 2, results)) for i in range(6)]
    for process in crowd:
        process.start()
    backups = {results.get(timeout=60) for _ in crowd}
    for process in crowd:
        process.join()
    stem = path.stem
    tails = ["", *(f"-{number}" for number in range(2, 7))]
    assert backups == {f"{stem}.before-flowkit{tail}{path.suffix}" for tail in tails}
    assert set(beside(path)) == {path.name, *backups}
    assert sum(path.with_name(backup).read_bytes() == data() for backup in backups) == 1
    assert build_file_kind(path) in ("pdf", "xlsx")
