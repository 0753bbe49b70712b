"""Results to the machine-readable form: field names are the keys."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from typing import Any

__all__ = ["document", "jsonable"]


def jsonable(value: Any) -> Any:
    """Turn a result into plain lists, dictionaries, numbers and text.

    A trailing underscore in a field name is dropped (`from_` becomes ``"from"``), fields
    whose metadata say ``json=False`` are left out. A figure that is not finite becomes None.

    Parameters
    ----------
    value : object
        Dataclasses, mappings, sequences, numpy arrays and scalars, text, numbers, None.

    Raises
    ------
    TypeError
        If there is something else in it.

    Examples
    --------
    >>> from flowkit.model import Finding
    >>> jsonable(Finding("lift-order", "warning", "a.csv:3:2", "…"))["rule"]
    'lift-order'
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
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
    if hasattr(value, "tolist"):
        return jsonable(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    raise TypeError(f"{type(value).__name__} has no machine-readable form")


def document(kind: str, content: Mapping[str, Any], *, indent: int | None = None) -> str:
    """Return one JSON document with its kind and flowkit's version.

    Parameters
    ----------
    kind : str
        ``"read"``, ``"correct"``, ``"compare"`` or ``"engine"``.
    content : mapping
        The rest of the document.
    indent : int, optional
        As for `json.dumps`.

    Examples
    --------
    >>> document("read", {"tests": []}).startswith('{"kind": "read", "version": ')
    True
    """
    from flowkit.version import __version__

    content = jsonable(content)
    return json.dumps({"kind": kind, "version": __version__, **content}, ensure_ascii=False, indent=indent)
