"""Files that arrive: a safe name of their own in the folder, written whole, nothing overwritten."""

from __future__ import annotations

import os
import re
import tempfile
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from flowkit.errors import FlowkitError

MOST_NAME = 120
_RESERVED = re.compile(r"(?i)^(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)")


def safe_name(name: str) -> str:
    """Return a name that is a plain file of this folder on any system."""
    base = unicodedata.normalize("NFC", name).replace("\\", "/").rpartition("/")[2]
    kept = "".join(mark if mark.isprintable() and mark not in '<>:"|?*!' else "_" for mark in base)
    kept = " ".join(kept.split()).strip(". ")
    stem, suffix = Path(kept).stem, Path(kept).suffix
    stem = stem.encode()[: MOST_NAME - len(suffix.encode())].decode(errors="ignore").rstrip(". ")
    kept = (stem or "sheet") + suffix[:12]
    return f"_{kept}" if _RESERVED.match(kept) else kept


def keep(folder: Path, name: str, source: BinaryIO | bytes) -> tuple[str, bool]:
    """Copy a file into the folder; returns its name there, and whether the very same was there already.

    A different file of that name stays, and the new one gets a number.
    """
    name = safe_name(name)
    data = source if isinstance(source, bytes) else None
    stem, suffix = Path(name).stem, Path(name).suffix
    try:
        handle, draft = tempfile.mkstemp(dir=folder, prefix=".dropped-", suffix=suffix)
        with os.fdopen(handle, "wb") as stream:
            if data is not None:
                stream.write(data)
            else:
                assert not isinstance(source, bytes)
                while block := source.read(1 << 20):
                    stream.write(block)
            stream.flush()
            os.fsync(stream.fileno())
        try:
            return _placed(folder, Path(draft), stem, suffix)
        finally:
            Path(draft).unlink(missing_ok=True)
    except OSError as error:
        raise FlowkitError(
            f"{name} cannot be kept in {folder} ({error.strerror or error})",
            "free some space, or open a folder that can be written",
        ) from error


def _placed(folder: Path, draft: Path, stem: str, suffix: str) -> tuple[str, bool]:
    """Give a whole file its name, the first that is free."""
    mask = os.umask(0)
    os.umask(mask)
    draft.chmod(0o666 & ~mask)
    for number in range(1, 1_000):
        name = f"{stem}{suffix}" if number == 1 else f"{stem} ({number}){suffix}"
        target = folder / name
        if target.exists() or target.is_symlink():
            if target.is_file() and not target.is_symlink() and _same(target, draft):
                return name, True
            continue
        try:
            # A link, unlike a rename, never replaces a file that appeared meanwhile.
            _link(draft, target)
        except FileExistsError:
            continue
        return name, False
    raise FlowkitError(f"there are too many files named {stem}{suffix}", "rename the file first")


def _link(draft: Path, target: Path) -> None:
    """Name a file without replacing another; file systems without links get a fresh copy."""
    try:
        os.link(draft, target)
    except FileExistsError:
        raise
    except OSError:
        _copied(draft, target, os.open)


def _copied(draft: Path, target: Path, opener: Callable[..., int]) -> None:
    """Copy where a link is not to be had; half a copy is taken away again."""
    handle = opener(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(draft.read_bytes())
    except OSError:
        target.unlink(missing_ok=True)
        raise


def _same(one: Path, other: Path) -> bool:
    """Whether two files hold the same bytes."""
    return one.stat().st_size == other.stat().st_size and one.read_bytes() == other.read_bytes()
