"""One process at a time at a build file.

The lock is the operating system's own, held on a small hidden file beside the build
file. It ends with the process that holds it, however that ends, so a lock file left
behind by a killed process holds nobody up.
"""

from __future__ import annotations

import hashlib
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from flowkit.errors import AttachError

__all__ = ["hidden_name", "locked"]

WAIT_S = 20.0
_PAUSE_S = 0.05


if sys.platform == "win32":  # pragma: no cover
    import msvcrt

    def _try_lock(handle: int) -> bool:
        """Take the lock if it is free."""
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _try_lock(handle: int) -> bool:
        """Take the lock if it is free."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


def hidden_name(path: Path) -> str:
    """Return the beginning of the names of the hidden files that go with a build file.

    Parameters
    ----------
    path : Path
        The build file. Only a digest of its name is used, so that no name grows too long.

    Examples
    --------
    >>> hidden_name(Path("build.pdf"))
    '.flowkit-a94932c1c71e'
    """
    return ".flowkit-" + hashlib.sha256(os.fsencode(path.name)).hexdigest()[:12]


@contextmanager
def locked(path: Path, *, wait_s: float = WAIT_S) -> Iterator[None]:
    """Hold the build file against every other process that attaches to it.

    Parameters
    ----------
    path : Path
        The build file itself, links resolved.
    wait_s : float, optional
        How long to wait for another process [s].

    Raises
    ------
    AttachError
        If another process still holds it then.
    OSError
        If no lock can be made in that folder.
    """
    place = path.with_name(hidden_name(path) + ".lock")
    handle = _taken(place, path, time.monotonic() + wait_s)
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


def _taken(place: Path, path: Path, deadline: float) -> int:
    """Open and lock the lock file; wait while somebody else has it."""
    while True:
        handle = os.open(place, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            if _try_lock(handle) and _still_there(handle, place):
                return handle
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)
        if time.monotonic() >= deadline:
            raise AttachError(
                "another flowkit is attaching to this build file", "wait until it has ended, then again", file=path.name
            )
        time.sleep(_PAUSE_S)


def _still_there(handle: int, place: Path) -> bool:
    """Tell whether an open lock file is still the one at its name."""
    try:
        return os.path.samestat(os.fstat(handle), place.stat())
    except FileNotFoundError:
        return False
