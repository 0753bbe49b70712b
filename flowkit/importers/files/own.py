"""What flowkit made itself: known again in workbooks, read back from its own reports."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import fields, replace
from functools import cache, partial
from typing import Any, Final, Literal, NoReturn, get_args, get_origin, get_type_hints

from flowkit.errors import SheetError
from flowkit.importers.files.grid import MAX_TEXT_BYTES, CellValue, Grid, megabytes
from flowkit.importers.result import ReadResult
from flowkit.model import Finding, FlowTest, Point, Units
from flowkit.units import find_unit

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


Taker = Callable[[Any], Any]


class _MisfitError(Exception):
    """A value that does not fit, with the way to it."""

    def __init__(self, what: str, *place: str) -> None:
        super().__init__(what)
        self.place = list(place)


def _rebuilt(kind: type, data: object, place: str, file: str | None) -> Any:
    """Rebuild a dataclass from its machine-readable form; what does not fit is refused with its place."""
    try:
        return _taker(kind)(data)
    except _MisfitError as error:
        name = ".".join([place, *error.place]).replace(".[", "[")
        what = f"the data in it cannot be used: {name} {error}"
        raise SheetError(what, "write it once more with flowkit", file=file) from None


@cache
def _taker(kind: Any) -> Taker:
    """What takes a value of an annotated type."""
    options = get_args(kind)
    if type(None) in options:
        of_value = _taker(next(option for option in options if option is not type(None)))
        return lambda value: None if value is None else of_value(value)
    if get_origin(kind) is Literal:
        return partial(_word, options)
    if get_origin(kind) is tuple:
        return partial(_list, _taker(options[0]))
    plain: dict[Any, Taker] = {str: _text, float: _number, int: _count, Units: _units, Point: _point}
    return plain.get(kind) or partial(_object, kind)


def _object(kind: Any, data: Any) -> Any:
    """Take an object; a key that is not there is None."""
    if not isinstance(data, Mapping):
        raise _MisfitError("is not an object")
    values = {}
    for name, take in _takers(kind):
        try:
            values[name] = take(data.get(name))
        except _MisfitError as error:
            error.place.insert(0, name)
            raise
    return kind(**values)


@cache
def _takers(kind: type) -> list[tuple[str, Taker]]:
    """The fields of a dataclass, each with what takes its value."""
    hints = get_type_hints(kind)
    return [(item.name, _taker(hints[item.name])) for item in fields(kind)]


def _list(take: Taker, value: Any) -> tuple[Any, ...]:
    """Take a list."""
    if not isinstance(value, list):
        raise _MisfitError("is not a list")
    taken = []
    for item in value:
        try:
            taken.append(take(item))
        except _MisfitError as error:
            error.place.insert(0, f"[{len(taken)}]")
            raise
    return tuple(taken)


def _text(value: Any) -> str:
    """Take a text."""
    if not isinstance(value, str):
        raise _MisfitError("is not text")
    return value


def _word(words: tuple[str, ...], value: Any) -> str:
    """Take one of a few words."""
    if _text(value) not in words:
        raise _MisfitError(f"is {value!r}, not one of {', '.join(words)}")
    return str(value)


def _number(value: Any) -> float:
    """Take a finite number."""
    with suppress(OverflowError):
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            return float(value)
    raise _MisfitError("is not a number")


def _count(value: Any) -> int:
    """Take a count from 1."""
    if not isinstance(value, int) or isinstance(value, bool) or value < 1:
        raise _MisfitError("is not a whole number of 1 or more")
    return value


def _units(data: Any) -> Units:
    """Take the units; a meter may be read in one of its own, such as ``div``, and so are flows it gave."""
    units: Units = _object(Units, data)
    for name, source in (("lift", units.lift), ("flow", units.flow), ("pressure", units.pressure)):
        if source and find_unit(source.unit) is None and (name != "flow" or units.reading is None):
            raise _MisfitError(f"is {source.unit!r}, which is not a unit", name, "unit")
    return units


_OF_READING = {"unit": "reading_unit", "meter": "meter", "range": "range", "temperature_k": "meter_temperature_k",
               "pressure_pa": "meter_pressure_pa", "outlet_pa": "outlet_pressure_pa"}  # fmt: skip


def _point(data: Any) -> Point:
    """Take a point; what a meter showed, with or without a flow, is in keys of the point's own."""
    shown = data.get("reading") if isinstance(data, Mapping) else None
    without = shown is not None and data.get("flow_m3_s") is None
    if shown is not None:
        values = shown if isinstance(shown, list) and shown else [shown]
        reading = {"value": values, **{name: data.get(key) for name, key in _OF_READING.items()}}
        data = {**data, "reading": reading, "flow_m3_s": 0.0 if without else data.get("flow_m3_s")}
    point: Point = _object(Point, data)
    if point.lift_m < 0:
        raise _MisfitError("is below zero", "lift_m")
    if point.pressure_pa is not None and point.pressure_pa <= 0:
        raise _MisfitError("is not above zero", "pressure_pa")
    return replace(point, flow_m3_s=math.nan) if without else point


def test_from_json(data: object, *, place: str = "test", file: str | None = None) -> FlowTest:
    """Rebuild a flow test from its machine-readable form."""
    test: FlowTest = _rebuilt(FlowTest, data, place, file)
    return test


# A function that pytest takes for a test wherever it is imported would be a nuisance.
test_from_json.__test__ = False  # type: ignore[attr-defined]


def finding_from_json(data: object, *, place: str = "finding", file: str | None = None) -> Finding:
    """Rebuild a finding from its machine-readable form."""
    finding: Finding = _rebuilt(Finding, data, place, file)
    return finding


ATTACHMENT = "flowkit-data.json"

"""Name of the attachment: a document of kind ``"read"``."""


PAGE_DATA = "flowkit-data"  # Id of the element that holds the same document in a report of one HTML file


def carried(data: bytes) -> ReadResult | None:
    """Read the flow tests that a report of flowkit carries, PDF or one HTML file; None where the file is neither."""
    if data.startswith(b"%PDF-"):
        found = _attachment(data)
        return None if found is None else _carried(found)
    page = PAGE_DATA.encode() in data and re.search(
        rb'<script type="application/json" id="' + PAGE_DATA.encode() + rb'">(.*?)</script>', data, re.DOTALL
    )
    return _carried(page.group(1)) if page else None


def _carried(data: bytes) -> ReadResult:
    """Return the tests and findings of the document a report carries."""
    if len(data) > MAX_TEXT_BYTES:
        raise SheetError(
            f"the readings it carries are {megabytes(len(data))}, more than the {megabytes(MAX_TEXT_BYTES)} "
            "flowkit reads",
            _WRITE_AGAIN,
        )
    content = _json(data)
    tests, findings = content.get("tests"), content.get("findings", [])
    if content.get("kind") != "read" or not isinstance(tests, list) or not isinstance(findings, list):
        raise SheetError(
            'the data in it cannot be used: it is not a document of kind "read"',
            _WRITE_AGAIN,
        )
    return ReadResult(
        tuple(test_from_json(item, place=f"tests[{nth}]") for nth, item in enumerate(tests)),
        tuple(finding_from_json(item, place=f"findings[{nth}]") for nth, item in enumerate(findings)),
    )


def _attachment(data: bytes) -> bytes | None:
    """Return the attachment's bytes; None where the PDF has none or cannot be opened, so that its text is left."""
    from flowkit.importers.files.pdf import open_pdf

    try:
        attached = open_pdf(data).attachments  # type: ignore[attr-defined]
        found = [content for name, contents in attached.items() if name == ATTACHMENT for content in contents]
    except Exception:
        # The list of attachments of an odd PDF may come apart in any way.
        return None
    if any(content != found[0] for content in found):
        raise SheetError("this PDF carries two different sets of readings", "take the report that was written last")
    return bytes(found[0]) if found else None


def _json(data: bytes) -> Mapping[str, Any]:
    """Parse the attachment; figures that are no numbers are refused."""

    def refuse(word: str) -> NoReturn:
        """Refuse what the machine-readable form does not know, such as NaN."""
        raise SheetError(f"the data in it cannot be used: {word} is not a number", _WRITE_AGAIN)

    try:
        content = json.loads(data.decode("utf-8"), parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise SheetError("the data in it cannot be used: it is damaged", _WRITE_AGAIN) from error
    return content if isinstance(content, dict) else {}
