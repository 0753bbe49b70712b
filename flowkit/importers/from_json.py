"""Flow tests and findings back from their machine-readable form, every value looked at."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, cast

from flowkit.errors import SheetError
from flowkit.model import Conditions, Finding, FlowTest, Point, Severity, Side, Units, UnitSource
from flowkit.units import find_unit

__all__ = ["finding_from_json", "test_from_json"]

_TEXT_CONDITIONS = frozenset(("date", "bench", "operator", "entry_fitting", "exit_fitting", "notes"))


class _Reader:
    """Takes values out of one JSON object, and says plainly what is wrong with them."""

    def __init__(self, data: object, place: str, file: str | None) -> None:
        self.place = place
        self.file = file
        if not isinstance(data, Mapping):
            raise self.wrong("", "is no object")
        self.data = cast("Mapping[str, Any]", data)

    def wrong(self, key: str, what: str) -> SheetError:
        """Return the error for a value."""
        name = ".".join(part for part in (self.place, key) if part)
        return SheetError(
            f"the data in it cannot be used: {name} {what}", "write it once more with flowkit", file=self.file
        )

    def text(self, key: str, *, optional: bool = False) -> Any:
        """Take a text, or None where that is allowed."""
        value = self.data.get(key)
        if isinstance(value, str) or (value is None and optional):
            return value
        raise self.wrong(key, "is no text")

    def number(self, key: str, *, optional: bool = False) -> Any:
        """Take a finite number, or None where that is allowed."""
        value = self.data.get(key)
        if value is None and optional:
            return None
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            try:
                number = float(value)
            except OverflowError:
                number = math.inf
            if math.isfinite(number):
                return number
        raise self.wrong(key, "is no number")

    def choice(self, key: str, choices: tuple[str | None, ...]) -> Any:
        """Take one of a few words."""
        value = self.data.get(key)
        if value is not None and not isinstance(value, str):
            raise self.wrong(key, "is no text")
        if value not in choices:
            raise self.wrong(key, f"is {value!r}, not one of {', '.join(str(choice) for choice in choices)}")
        return value

    def items(self, key: str) -> list[Any]:
        """Take a list."""
        value = self.data.get(key)
        if not isinstance(value, list):
            raise self.wrong(key, "is no list")
        return value

    def inner(self, key: str) -> _Reader:
        """Take an object."""
        return _Reader(self.data.get(key), ".".join(part for part in (self.place, key) if part), self.file)


def test_from_json(data: object, *, place: str = "test", file: str | None = None) -> FlowTest:
    """Rebuild a flow test from its machine-readable form.

    Parameters
    ----------
    data : object
        As `json.loads` gives it; keys it may have besides are left aside.
    place : str, optional
        Where in the document it stands, for messages.
    file : str, optional
        The file it comes from, for messages.

    Returns
    -------
    FlowTest

    Raises
    ------
    SheetError
        If a value is missing, of another kind, or cannot be.

    Examples
    --------
    >>> from flowkit.serial import jsonable
    >>> units = Units(UnitSource("mm", "stated"), UnitSource("L/s", "stated"))
    >>> test = FlowTest("a", "a.csv", None, None, "stock", "intake", "1", 1, Conditions(), units, ())
    >>> test_from_json(jsonable(test)) == test
    True
    """
    reader = _Reader(data, place, file)
    run = reader.data.get("run")
    if not isinstance(run, int) or isinstance(run, bool) or run < 1:
        raise reader.wrong("run", "is no whole number from 1")
    points = tuple(
        _point(_Reader(point, f"{place}.points[{nth}]", file)) for nth, point in enumerate(reader.items("points"))
    )
    return FlowTest(
        id=reader.text("id"),
        file=reader.text("file"),
        sheet=reader.text("sheet", optional=True),
        head=reader.text("head", optional=True),
        variant=reader.text("variant"),
        side=cast("Side | None", reader.choice("side", ("intake", "exhaust", None))),
        port=reader.text("port", optional=True),
        run=run,
        conditions=_conditions(reader.inner("conditions")),
        units=_units(reader.inner("units")),
        points=points,
    )


# A function that pytest takes for a test wherever it is imported would be a nuisance.
test_from_json.__test__ = False  # type: ignore[attr-defined]


def _point(reader: _Reader) -> Point:
    """Rebuild a point."""
    lift = reader.number("lift_m")
    if lift < 0:
        raise reader.wrong("lift_m", "is below zero")
    pressure = reader.number("pressure_pa", optional=True)
    if pressure is not None and pressure <= 0:
        raise reader.wrong("pressure_pa", "is not above zero")
    return Point(lift, reader.number("flow_m3_s"), pressure, reader.text("source"))


def _conditions(reader: _Reader) -> Conditions:
    """Rebuild the conditions; what is not there is unknown."""
    values = {
        item.name: (
            reader.text(item.name, optional=True)
            if item.name in _TEXT_CONDITIONS
            else reader.number(item.name, optional=True)
        )
        for item in fields(Conditions)
    }
    return Conditions(**values)


def _units(reader: _Reader) -> Units:
    """Rebuild the units."""
    pressure = reader.data.get("pressure")
    return Units(
        lift=_unit(reader.inner("lift")),
        flow=_unit(reader.inner("flow")),
        pressure=None if pressure is None else _unit(reader.inner("pressure")),
    )


def _unit(reader: _Reader) -> UnitSource:
    """Rebuild a unit and where it comes from."""
    unit = reader.text("unit")
    if find_unit(unit) is None:
        raise reader.wrong("unit", f"is {unit!r}, which is no unit")
    return UnitSource(unit, reader.choice("source", ("stated", "assumed")))


def finding_from_json(data: object, *, place: str = "finding", file: str | None = None) -> Finding:
    """Rebuild a finding from its machine-readable form.

    Parameters
    ----------
    data : object
        As `json.loads` gives it.
    place : str, optional
        Where in the document it stands, for messages.
    file : str, optional
        The file it comes from, for messages.

    Raises
    ------
    SheetError
        If a value is missing or of another kind.

    Examples
    --------
    >>> finding_from_json({"rule": "lift-order", "severity": "note", "where": "a.csv:3:1", "message": "…"}).rule
    'lift-order'
    """
    reader = _Reader(data, place, file)
    severity = cast("Severity", reader.choice("severity", ("error", "warning", "note")))
    return Finding(reader.text("rule"), severity, reader.text("where"), reader.text("message"))
