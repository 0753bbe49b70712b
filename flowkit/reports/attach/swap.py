"""A build file replaced whole or not at all, its earlier state kept.

The order, each step finished before the next: lock, read, rewrite in memory, write to
a hidden file beside it and flush to the disk, read that back and verify, keep a backup
of the old file, and only then give the new file the old one's name, which the file
system does at one stroke. Killed anywhere in between, the build file is the old one.
"""

from __future__ import annotations

import errno
import hashlib
import itertools
import os
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from flowkit.errors import AttachError

WAIT_S = 20.0
_PAUSE_S = 0.05


if sys.platform == "win32":  # pragma: no cover
    import msvcrt

    def _locked_elsewhere(stream: BinaryIO) -> bool:
        """Tell whether another program has locked the file."""
        size = max(os.fstat(stream.fileno()).st_size, 1)
        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, size)
            stream.seek(0)
            msvcrt.locking(stream.fileno(), msvcrt.LK_UNLCK, size)
        except OSError:
            return True
        return False

    def _try_lock(handle: int) -> bool:
        """Take the lock if it is free."""
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _locked_elsewhere(stream: BinaryIO) -> bool:
        """Tell whether another program has locked the file, in either of the two ways there are."""
        for lock in (fcntl.flock, fcntl.lockf):
            try:
                lock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                # Where a drive knows no locks, nobody holds one.
                if error.errno in (errno.EWOULDBLOCK, errno.EACCES, errno.EAGAIN):
                    return True
        return False

    def _try_lock(handle: int) -> bool:
        """Take the lock if it is free."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


def hidden_name(path: Path) -> str:
    """Return the beginning of the names of the hidden files that go with a build file.

    >>> hidden_name(Path("build.pdf"))
    '.flowkit-a94932c1c71e'
    """
    return ".flowkit-" + hashlib.sha256(os.fsencode(path.name)).hexdigest()[:12]


@contextmanager
def locked(path: Path, *, wait_s: float = WAIT_S) -> Iterator[None]:
    """Hold the build file against every other process that attaches to it."""
    place = path.with_name(hidden_name(path) + ".lock")
    deadline = time.monotonic() + wait_s
    while True:
        handle = os.open(place, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            with suppress(FileNotFoundError):
                # Whoever had the lock before may have taken the file away between our opening and locking it.
                if _try_lock(handle) and os.path.samestat(os.fstat(handle), place.stat()):
                    break
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)
        if time.monotonic() >= deadline:
            raise AttachError(
                "another flowkit is attaching to this build file",
                "wait until it has finished, then try again",
                file=path.name,
            )
        time.sleep(_PAUSE_S)
    try:
        yield
    finally:
        # Unlinked while still held: whoever waits on it sees that it is no longer the file at that name.
        with suppress(PermissionError):
            place.unlink(missing_ok=True)
        os.close(handle)
        if sys.platform == "win32":  # pragma: no cover
            with suppress(PermissionError):
                place.unlink(missing_ok=True)


_LONGEST_NAME = 255
_REASONS = {
    errno.ENOSPC: ("the disk is full", "free some space, then try again"),
    errno.EDQUOT: ("the disk quota is used up", "free some space, then try again"),
    errno.EROFS: ("the folder is read-only", "copy the build file to a folder you may write in"),
    errno.EACCES: ("the folder may not be written in", "copy the build file to a folder you may write in"),
    errno.EPERM: ("the folder may not be written in", "copy the build file to a folder you may write in"),
}


@dataclass(frozen=True, slots=True)
class Rewritten:
    """A build file's new state."""

    data: bytes
    added: tuple[str, ...]
    replaced: int


def swap(
    path: Path,
    rewrite: Callable[[bytes, str], Rewritten],
    verify: Callable[[bytes, bytes, str], None],
    *,
    wait_s: float = WAIT_S,
) -> tuple[Path, Path, Rewritten, tuple[str, ...]]:
    """Replace a build file by its rewritten state; returns it, its backup, what was done and what could not be kept."""
    real = usable_file(path)
    try:
        with locked(real, wait_s=wait_s):
            # What killed processes left: nobody else can be at work while the lock is held.
            for leftover in real.parent.glob(hidden_name(real) + "-*.tmp"):
                with suppress(OSError):
                    leftover.unlink()
            before = real.stat()
            old = real.read_bytes()
            result = rewrite(old, real.name)
            draft = _draft(real, result.data)
            try:
                written = draft.read_bytes()
                if written != result.data:
                    raise AttachError(
                        "the new file was not written correctly to the disk", "check the disk", file=real.name
                    )
                verify(old, written, real.name)
                notes = _not_kept(before, draft.stat())
                backup = _back_up(real, old)
                _put_in_place(draft, real, before, backup)
            finally:
                draft.unlink(missing_ok=True)
            _flush_folder(real.parent)
            return real, backup, result, notes
    except OSError as error:
        problem, remedy = _REASONS.get(
            error.errno or 0, (f"it cannot be replaced ({error.strerror or error})", "nothing was changed")
        )
        raise AttachError(problem, remedy, file=real.name) from error


def _put_in_place(draft: Path, real: Path, before: os.stat_result, backup: Path) -> None:
    """Give the new file the build file's name, unless somebody saved or replaced that since it was looked at."""

    def untouched() -> bool:
        """Whether the build file is the one that was read."""
        now = real.stat()
        return (now.st_ino, now.st_size, now.st_mtime_ns) == (before.st_ino, before.st_size, before.st_mtime_ns)

    try:
        _refuse_locked(real)
        if not untouched():
            raise AttachError(
                "the build file was changed by another program in the meantime", "attach again", file=real.name
            )
        draft.replace(real)
    except BaseException:
        # While the build file is still the old one, a copy of it is of no use.
        if untouched():
            backup.unlink(missing_ok=True)
        raise


def usable_file(path: Path) -> Path:
    """Follow links to the build file, and refuse what cannot be one or is in use."""
    try:
        real = path.resolve(strict=True)
        status = real.stat()
    except FileNotFoundError:
        raise AttachError("there is no such build file", "check the path", file=str(path)) from None
    except (OSError, RuntimeError) as error:
        raise AttachError("the build file cannot be reached", "check the path", file=str(path)) from error
    if not stat.S_ISREG(status.st_mode):
        raise AttachError("this is not a file", "name the build file itself", file=str(path))
    name = real.name
    if not status.st_mode & 0o222 or not os.access(real, os.W_OK):
        raise AttachError("the build file is read-only", "allow writing to it, or attach to a copy", file=name)
    # Word drops up to two letters of a long name from the mark it leaves beside an open file, Excel none.
    for mark in ("~$" + name, "~$" + name[1:], "~$" + name[2:], f".~lock.{name}#"):
        if os.path.lexists(real.with_name(mark)):
            raise AttachError(
                f"the build file is open in {'LibreOffice' if mark.startswith('.') else 'Word or Excel'}",
                f"close it there, then try again (if it is not open, delete {mark!r} beside it)",
                file=name,
            )
    _refuse_locked(real)
    return real


def _refuse_locked(real: Path) -> None:
    """Refuse a file that another program has locked: what it saves later would be lost."""
    try:
        with real.open("r+b") as stream:
            locked_elsewhere = _locked_elsewhere(stream)
    except PermissionError as error:
        # Windows: a program that has it open lets nobody else write to it.
        if getattr(error, "winerror", None) not in (32, 33):
            raise AttachError("the build file may not be written to", "attach to a copy", file=real.name) from error
        locked_elsewhere = True
    except OSError as error:
        raise AttachError(
            f"the build file cannot be opened ({error.strerror or error})", "attach to a copy", file=real.name
        ) from error
    if locked_elsewhere:
        raise AttachError(
            "the build file is open in another program, which has locked it",
            "close it there, then try again",
            file=real.name,
        )


def _not_kept(before: os.stat_result, after: os.stat_result) -> tuple[str, ...]:
    """Say what putting a new file in the place of the old one cannot keep: other names and, often, the owner."""
    notes = []
    if before.st_nlink > 1:
        notes.append(
            f"the file had {before.st_nlink} names (hard links): only this one leads to the new file, the others "
            "still lead to the original"
        )
    if (before.st_uid, before.st_gid) != (after.st_uid, after.st_gid):
        notes.append(
            f"the new file belongs to {_owner(after)}, the original belonged to {_owner(before)}: only an "
            "administrator can keep that"
        )
    return tuple(notes)


def _owner(status: os.stat_result) -> str:
    """Name a file's owner and group."""
    try:
        import grp
        import pwd

        return f"{pwd.getpwuid(status.st_uid).pw_name}:{grp.getgrgid(status.st_gid).gr_name}"
    except (ImportError, KeyError):
        return f"{status.st_uid}:{status.st_gid}"


def _draft(real: Path, data: bytes) -> Path:
    """Write a hidden file beside the build file, with its owner and rights as far as allowed, down to the disk."""
    handle, name = tempfile.mkstemp(dir=real.parent, prefix=hidden_name(real) + "-", suffix=".tmp")
    draft = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            status = real.stat()
            if sys.platform != "win32":
                with suppress(PermissionError):
                    os.chown(draft, status.st_uid, status.st_gid)
            shutil.copystat(real, draft)
            os.utime(draft)
            os.fsync(stream.fileno())
    except BaseException:
        draft.unlink(missing_ok=True)
        raise
    return draft


def _back_up(real: Path, old: bytes) -> Path:
    """Keep the old file under the first free name ``NAME.before-flowkit.EXT``."""
    copy = _draft(real, old)
    try:
        shutil.copystat(real, copy)
        for number in itertools.count(1):
            # Shortened where the file system would not take it.
            tail = ".before-flowkit" + (f"-{number}" if number > 1 else "") + real.suffix
            stem = os.fsencode(real.stem)[: _LONGEST_NAME - len(os.fsencode(tail))]
            backup = real.with_name(stem.decode(errors="ignore") + tail)
            if claim(copy, backup):
                break
    finally:
        copy.unlink(missing_ok=True)
    _flush_folder(real.parent)
    return backup


def claim(copy: Path, name: Path) -> bool:
    """Give a whole file a name, unless that is taken: a link, unlike a rename, sees a file that appeared meanwhile."""
    try:
        name.hardlink_to(copy)
    except FileExistsError:
        return False
    except OSError as error:
        if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK, errno.EACCES, errno.EINVAL):
            raise
    else:
        return True
    # No hard links here (FAT, some network drives): take the name first, then fill it at one stroke.
    try:
        os.close(os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        return False
    copy.replace(name)
    return True


def _flush_folder(folder: Path) -> None:
    """Have the folder's entries reach the disk, where the system can do that."""
    if sys.platform == "win32":  # pragma: no cover
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        # Some network drives cannot flush a folder; the files themselves are flushed already.
        with suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)
