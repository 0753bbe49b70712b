"""The job file's ``[engine]`` table."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, cast, get_args

from flowkit.engine.data import ENGINE_KEYS, Backflow, EngineKey, GammaModel, HeatTransfer
from flowkit.engine.fields import choice, count, engine_quantity, plain_number, quantity, speeds
from flowkit.errors import JobError
from flowkit.fields import refuse_unknown
from flowkit.units import Quantity

__all__ = ["engine_fields"]


def engine_fields(mapping: Mapping[str, Any], place: str, required: Sequence[str]) -> dict[str, Any]:
    """Turn an ``[engine]`` table into the fields of `EngineData`.

    Parameters
    ----------
    mapping : mapping
        Keys of `ENGINE_KEYS`.
    place : str
        For messages.
    required : sequence of str
        Keys that must be there.

    Raises
    ------
    JobError
        If a key is not known, missing, or cannot be understood.

    Examples
    --------
    >>> engine_fields({"bore": "80 mm"}, "[engine]", ("bore",))
    {'bore_m': 0.08, 'stated': ('bore_m',)}
    """
    known = {key.name: key for key in ENGINE_KEYS}
    refuse_unknown(mapping, known, place)
    missing = [name for name in required if name not in mapping]
    if missing:
        raise JobError(f"{place} lacks {', '.join(missing)}", "add it, or leave the whole table out")
    values = {known[name].field: _value(known[name], written, place) for name, written in mapping.items()}
    _check(values, place)
    return {**values, "stated": tuple(values)}


def _value(key: EngineKey, written: Any, place: str) -> Any:
    """Read one key."""
    read = _READERS.get(key.kind)
    if read is not None:
        return read(written, place, key.name)
    positive = key.name != "wiebe_start"
    return quantity(written, cast(Quantity, key.kind), place, key.name, positive=positive)


def _fraction(written: Any, place: str, key: str) -> float:
    """Read a fraction of 0 to 1."""
    return plain_number(written, place, key, highest=1.0, open_below=False)


_READERS: dict[str, Callable[[Any, str, str], Any]] = {
    "count": count,
    "number": plain_number,
    "fraction": _fraction,
    "speeds": speeds,
    "fuel consumption": lambda written, place, key: engine_quantity(written, "fuel consumption", place, key),
    "heating value": lambda written, place, key: engine_quantity(written, "heating value", place, key),
    "heat transfer": lambda written, place, key: choice(written, get_args(HeatTransfer), place, key),
    "backflow": lambda written, place, key: choice(written, get_args(Backflow), place, key),
    "gamma": lambda written, place, key: choice(written, get_args(GammaModel), place, key),
}


def _check(values: Mapping[str, Any], place: str) -> None:
    """Refuse what no engine can have, naming the keys."""
    if values.get("compression_ratio", 2.0) <= 1:
        raise JobError(f"{place}, compression_ratio: it must be above 1", "correct it")
    if values.get("gamma_value", 2.0) <= 1:
        raise JobError(f"{place}, gamma_value: it must be above 1", "correct it")
    if {"rod_m", "stroke_m"} <= set(values) and values["rod_m"] <= values["stroke_m"] / 2:
        raise JobError(f"{place}: the rod is shorter than half the stroke", "check both, and their units")
