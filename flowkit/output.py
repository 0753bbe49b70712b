"""What flowkit puts out: files written whole or not at all, and results as JSON."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

from flowkit.errors import FlowkitError


class OutputError(FlowkitError):
    """An output that cannot be written."""

    rule = "output-unwritable"


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Give a temporary path beside `path`, and move it there when the block ends well."""
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


def write_new(path: Path, content: bytes, refused: type[FlowkitError]) -> None:
    """Write a file whole or not at all, and never over another, not even one that appears meanwhile."""
    exists = refused("this file already exists and is not overwritten", "choose another name", file=str(path))
    if os.path.lexists(path):
        raise exists
    draft: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=".flowkit-", dir=path.parent)
        draft = Path(name)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        draft.chmod(0o644)
        try:
            os.link(draft, path)
        except FileExistsError:
            raise exists from None
        except OSError as error:
            if os.path.lexists(path):
                raise exists from error
            draft.replace(path)  # not every file system has links
    except OSError as error:
        what = f"this file cannot be written ({error.strerror or error})"
        raise refused(what, "choose another place", file=str(path)) from error
    finally:
        if draft is not None:
            draft.unlink(missing_ok=True)


def jsonable(value: Any) -> Any:
    """Turn a result into plain lists, dictionaries, numbers and text.

    A trailing underscore in a field name is dropped (`from_` becomes ``"from"``), fields
    whose metadata say ``json=False`` are left out; a dataclass with a method `json_fields` says
    itself what it holds. A figure that is not finite becomes None.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        if hasattr(value, "json_fields"):
            return jsonable(value.json_fields())
        return {
            item.name.rstrip("_"): jsonable(getattr(value, item.name))
            for item in dataclasses.fields(value)
            if item.metadata.get("json", True)
        }
    if isinstance(value, Mapping):
        return {str(key): jsonable(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [jsonable(item) for item in value]
    if value is None or isinstance(value, (str, bool, int)):
        return value
    return _plain(value)


def _plain(value: Any) -> Any:
    """A number, or numbers of numpy, as JSON has them."""
    if hasattr(value, "tolist"):
        return jsonable(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    raise TypeError(f"{type(value).__name__} has no machine-readable form")


def spelled(value: Any) -> str:
    """Return everything that a value is made of, for fingerprints: the short `repr` of a result leaves most of it out.

    Fields that do not count when values are compared are left out.

    >>> from flowkit.model import Variant
    >>> one, other = Variant("a"), Variant("a", bore_m=0.08)
    >>> repr(one) == repr(other), spelled(one) == spelled(other)
    (True, False)
    """
    parts: list[str] = []
    _spell(value, parts)
    return " ".join(parts)


def _spell(value: Any, parts: list[str]) -> None:
    """Add what a value is made of."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts.append(f"{type(value).__name__}(")
        for name in _compared(type(value)):
            parts.append(f"{name}=")
            _spell(getattr(value, name), parts)
        parts.append(")")
    elif isinstance(value, (Mapping, list, tuple, set, frozenset)):
        items = value.items() if isinstance(value, Mapping) else value
        parts.append("(")
        for item in sorted(items, key=repr) if isinstance(value, (set, frozenset)) else items:
            _spell(item, parts)
            parts.append(",")
        parts.append(")")
    else:
        parts.append(repr(value))


@lru_cache(maxsize=256)
def _compared(kind: type) -> tuple[str, ...]:
    """Names of the fields of a dataclass that count when two of it are compared."""
    return tuple(item.name for item in dataclasses.fields(kind) if item.compare)


def document(kind: str, content: Mapping[str, Any], *, indent: int | None = None) -> str:
    """Return one JSON document with its kind and flowkit's version."""
    from flowkit.version import __version__

    content = jsonable(content)
    return json.dumps({"kind": kind, "version": __version__, **content}, ensure_ascii=False, indent=indent)
