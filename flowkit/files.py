"""Outputs are written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from flowkit.errors import FlowkitError

__all__ = ["OutputError", "written_whole"]


class OutputError(FlowkitError):
    """An output that cannot be written."""

    rule = "output-unwritable"


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Give a temporary path beside `path`, and move it there when the block ends well.

    Parameters
    ----------
    path : Path
        Where the file shall stand; its folder is made if it does not exist.

    Yields
    ------
    Path
        Where to write, with the same ending.

    Raises
    ------
    OutputError
        If the folder or the file cannot be written; then nothing is left behind.

    Examples
    --------
    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp()) / "a.txt"
    >>> with written_whole(place) as draft:
    ...     _ = draft.write_text("whole")
    >>> place.read_text()
    'whole'
    """
    draft: Path | None = None
    new_folder = not path.parent.exists()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}.", suffix=path.suffix)
        os.close(handle)
        draft = Path(name)
        yield draft
        # mkstemp makes files for the owner alone; a report is as readable as any new file.
        mask = os.umask(0)
        os.umask(mask)
        draft.chmod(0o666 & ~mask)
        with draft.open("rb") as stream:
            os.fsync(stream.fileno())
        draft.replace(path)
    except OSError as error:
        if draft is not None:
            draft.unlink(missing_ok=True)
        if new_folder:
            with suppress(OSError):
                path.parent.rmdir()  # only an empty one goes
        raise OutputError(
            f"{path.name} cannot be written in {path.parent} ({error.strerror or error})",
            "free some space or name another folder",
        ) from error
    finally:
        if draft is not None:
            draft.unlink(missing_ok=True)
