"""What flowkit made itself: known again in workbooks, read back from its own reports."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, Final, NoReturn, cast

from flowkit.errors import SheetError
from flowkit.importers.files.grid import MAX_TEXT_BYTES, CellValue, Grid, megabytes
from flowkit.importers.result import ReadResult
from flowkit.model import Conditions, Finding, FlowTest, Point, Reading, Severity, Side, Units, UnitSource
from flowkit.units import find_unit

__all__ = [
    "ATTACHMENT",
    "OwnOutputError",
    "carried",
    "finding_from_json",
    "is_own_output",
    "left_out",
    "only_own_output",
    "test_from_json",
]

_UNUSABLE = "the data in it cannot be used"
_WRITE_AGAIN = "write the report once more from the sheets"
_TITLED = 3  # rows in which a worksheet of the workbook says what it is

# How a worksheet begins -> how its second or third row begins.
_TITLES: Final[dict[str, str]] = {
    "Raw readings": "Every point as it was read",
    "Conditions of every test": "Flows and pressures are in the units of the test",
    "Corrections, in the order they are made": "Corrected flow = ",
    "Slopes of the curves": "Of the monotone cubic",
    "Run figures": "Each run of each port",
    "Intervals of mean flows and gains": "u² is the sum",
    "Gains": "Ratios of mean flows",
    "Mean flow of each port by band of lift": "From the curves",
    "Bands of lift, factorial and ratios": "Mean flows in bands",
    "Areas and flow coefficients": "Minimum area: ",
    "Findings": "severity",
    "Units and reference state": "A value times its factor",
}

_CORRECTED: Final = ("Corrected flows at ", "Mean of the runs at every lift")
_SIGNED: Final = re.compile(r"(?:^|\.\s+)flowkit \d[\w.+]*\.(?:\s|$)")

"""The line under the numbers of a build file and on the workbook's summary."""


class OwnOutputError(SheetError):
    """A file in which nothing can be read but what flowkit made of other sheets."""


def is_own_output(grid: Grid) -> bool:
    """Whether flowkit made a worksheet, or a text file saved from one."""
    rows = grid.rows
    first = _lead(rows[0]) if rows else None
    if isinstance(first, str):
        under = _TITLES.get(first)
        if under is None and first.startswith(_CORRECTED[0]):
            under = _CORRECTED[1]
        if under is not None and any(str(_lead(row)).startswith(under) for row in rows[1:_TITLED]):
            return True
    # A text file ends with its last line; on a worksheet somebody may have written below.
    for row in rows[-1:] if grid.sheet is None else rows:
        cell = row[0] if row else None
        if type(cell) is str and "flowkit " in cell and _SIGNED.search(cell):
            return True
    return False


def _lead(row: tuple[CellValue, ...]) -> CellValue:
    """The first cell of a row that holds anything."""
    return next((value for value in row if value is not None), None)


def left_out(grid: Grid) -> Finding:
    """Say that a worksheet was left out since flowkit made it."""
    where = grid.file if grid.sheet is None else f"{grid.file}!{grid.sheet}"
    what = (
        "this sheet was made by flowkit and was left out: its flows are corrected already; read the bench's own sheet"
    )
    return Finding("own-output", "note", where, what)


def only_own_output(grids: tuple[Grid, ...]) -> OwnOutputError | None:
    """Return the error of a file without a table besides what flowkit made; None where it made nothing of it."""
    filled = [grid for grid in grids if any(value is not None for row in grid.rows for value in row)]
    own = [grid for grid in filled if is_own_output(grid)]
    if not own:
        return None
    remedy = "read the sheets of the bench that it was made from"
    if len(own) == len(filled):
        return OwnOutputError("flowkit made this file, and its flows are corrected already", remedy, file=grids[0].file)
    what = "besides the sheets that flowkit made, whose flows are corrected already, this file holds no table of flows"
    return OwnOutputError(what, remedy, file=grids[0].file)


_TEXT_CONDITIONS = frozenset(item.name for item in fields(Conditions) if "float" not in str(item.type))


class _Reader:
    """Takes values out of one JSON object, and says plainly what is wrong with them."""

    def __init__(self, data: object, place: str, file: str | None) -> None:
        self.place = place
        self.file = file
        if not isinstance(data, Mapping):
            raise self.wrong("", "is not an object")
        self.data = cast("Mapping[str, Any]", data)

    def wrong(self, key: str, what: str) -> SheetError:
        """Return the error for a value."""
        name = ".".join(part for part in (self.place, key) if part)
        return SheetError(f"{_UNUSABLE}: {name} {what}", _WRITE_AGAIN, file=self.file)

    def text(self, key: str, *, optional: bool = False) -> Any:
        """Take a text, or None where that is allowed."""
        value = self.data.get(key)
        if isinstance(value, str) or (value is None and optional):
            return value
        raise self.wrong(key, "is not text")

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
        raise self.wrong(key, "is not a number")

    def choice(self, key: str, choices: tuple[str | None, ...]) -> Any:
        """Take one of a few words."""
        value = self.data.get(key)
        if value is not None and not isinstance(value, str):
            raise self.wrong(key, "is not text")
        if value not in choices:
            raise self.wrong(key, f"is {value!r}, not one of {', '.join(str(choice) for choice in choices)}")
        return value

    def items(self, key: str) -> list[Any]:
        """Take a list."""
        value = self.data.get(key)
        if not isinstance(value, list):
            raise self.wrong(key, "is not a list")
        return value

    def inner(self, key: str) -> _Reader:
        """Take an object."""
        return _Reader(self.data.get(key), ".".join(part for part in (self.place, key) if part), self.file)


def test_from_json(data: object, *, place: str = "test", file: str | None = None) -> FlowTest:
    """Rebuild a flow test from its machine-readable form."""
    reader = _Reader(data, place, file)
    run = reader.data.get("run")
    if not isinstance(run, int) or isinstance(run, bool) or run < 1:
        raise reader.wrong("run", "is not a whole number of 1 or more")
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
    reading = _reading(reader) if reader.data.get("reading") is not None else None
    flow = reader.number("flow_m3_s", optional=reading is not None)
    return Point(lift, math.nan if flow is None else flow, pressure, reader.text("source"), reading)


def _reading(reader: _Reader) -> Reading:
    """Rebuild what a meter showed; a list is a pitot tube's positions."""
    shown = reader.data["reading"]
    values = shown if isinstance(shown, list) else [shown]
    if not values or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in values):
        raise reader.wrong("reading", "is not a number")
    return Reading(
        tuple(float(value) for value in values),
        reader.text("reading_unit"),
        reader.text("meter", optional=True),
        reader.text("range", optional=True),
        reader.number("meter_temperature_k", optional=True),
        reader.number("meter_pressure_pa", optional=True),
        reader.number("outlet_pressure_pa", optional=True),
    )


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
    pressure, reading = reader.data.get("pressure"), reader.data.get("reading")
    return Units(
        lift=_unit(reader.inner("lift")),
        flow=_unit(reader.inner("flow"), meter=reading is not None),
        pressure=None if pressure is None else _unit(reader.inner("pressure")),
        reading=None if reading is None else _unit(reader.inner("reading"), meter=True),
    )


def _unit(reader: _Reader, *, meter: bool = False) -> UnitSource:
    """Rebuild a unit and where it comes from; a meter may be read in a unit of its own, such as ``div``."""
    unit = reader.text("unit")
    if find_unit(unit) is None and not meter:
        raise reader.wrong("unit", f"is {unit!r}, which is not a unit")
    return UnitSource(unit, reader.choice("source", ("stated", "assumed")))


def finding_from_json(data: object, *, place: str = "finding", file: str | None = None) -> Finding:
    """Rebuild a finding from its machine-readable form."""
    reader = _Reader(data, place, file)
    severity = cast("Severity", reader.choice("severity", ("error", "warning", "note")))
    return Finding(reader.text("rule"), severity, reader.text("where"), reader.text("message"))


ATTACHMENT = "flowkit-data.json"

"""Name of the attachment: a document of kind ``"read"``."""


PAGE_DATA = "flowkit-data"  # Id of the element that holds the same document in a report of one HTML file


def carried(data: bytes, label: str) -> ReadResult | None:
    """Read the flow tests that a report of flowkit carries, PDF or one HTML file; None where the file is neither."""
    if data.startswith(b"%PDF-"):
        found = _attachment(data, label)
        return None if found is None else _carried(found, label)
    page = re.search(
        rb'<script type="application/json" id="' + PAGE_DATA.encode() + rb'">(.*?)</script>', data, re.DOTALL
    )
    return None if page is None else _carried(page.group(1), label)


def _carried(data: bytes, label: str) -> ReadResult:
    """Return the tests and findings of the document a report carries."""
    if len(data) > MAX_TEXT_BYTES:
        raise SheetError(
            f"the readings it carries are {megabytes(len(data))}, more than the {megabytes(MAX_TEXT_BYTES)} "
            "flowkit reads",
            _WRITE_AGAIN,
            file=label,
        )
    content = _json(data, label)
    tests, findings = content.get("tests"), content.get("findings", [])
    if content.get("kind") != "read" or not isinstance(tests, list) or not isinstance(findings, list):
        raise SheetError(
            f'{_UNUSABLE}: it is not a document of kind "read"',
            _WRITE_AGAIN,
            file=label,
        )
    return ReadResult(
        tuple(test_from_json(item, place=f"tests[{nth}]", file=label) for nth, item in enumerate(tests)),
        tuple(finding_from_json(item, place=f"findings[{nth}]", file=label) for nth, item in enumerate(findings)),
    )


def _attachment(data: bytes, label: str) -> bytes | None:
    """Return the attachment's bytes; None where the PDF has none or cannot be opened, so that its text is left."""
    from flowkit.importers.files.pdf import open_pdf

    try:
        attached = open_pdf(data, label).attachments  # type: ignore[attr-defined]
        found = [content for name, contents in attached.items() if name == ATTACHMENT for content in contents]
    except Exception:
        # The list of attachments of an odd PDF may come apart in any way.
        return None
    if any(content != found[0] for content in found):
        raise SheetError(
            "this PDF carries two different sets of readings", "take the report that was written last", file=label
        )
    return bytes(found[0]) if found else None


def _json(data: bytes, label: str) -> Mapping[str, Any]:
    """Parse the attachment; figures that are no numbers are refused."""

    def refuse(word: str) -> NoReturn:
        """Refuse what the machine-readable form does not know, such as NaN."""
        raise SheetError(f"{_UNUSABLE}: {word} is not a number", _WRITE_AGAIN, file=label)

    try:
        content = json.loads(data.decode("utf-8"), parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise SheetError(f"{_UNUSABLE}: it is damaged", _WRITE_AGAIN, file=label) from error
    return content if isinstance(content, dict) else {}
