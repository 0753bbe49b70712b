"""What flowkit made itself: known again in workbooks, read back from its own reports."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import fields, replace
from functools import cache
from typing import Any, Final, Literal, NoReturn, get_args, get_origin, get_type_hints

from flowkit.errors import SheetError
from flowkit.importers.files.grid import MAX_TEXT_BYTES, Grid, megabytes
from flowkit.importers.result import ReadResult
from flowkit.model import Finding, FlowTest, Point, Reading, Units
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
    "Corrected flows at ": "Mean of the runs at every lift",  # a pressure follows
}

_SIGNED: Final = re.compile(r"(?:^|\.\s+)flowkit \d[\w.+]*\.(?:\s|$)")  # under a build file's numbers, on a summary
_OF_READING = {"unit": "reading_unit", "meter": "meter", "range": "range", "temperature_k": "meter_temperature_k",
               "pressure_pa": "meter_pressure_pa", "outlet_pa": "outlet_pressure_pa"}  # fmt: skip
ATTACHMENT = "flowkit-data.json"  # name of the attachment, a document of kind "read"
PAGE_DATA = "flowkit-data"  # Id of the element that holds the same document in a report of one HTML file
_PAGE = re.compile(rf'<script type="application/json" id="{PAGE_DATA}">(.*?)</script>'.encode(), re.DOTALL)


class OwnOutputError(SheetError):
    """A file in which nothing can be read but what flowkit made of other sheets."""


def is_own_output(grid: Grid) -> bool:
    """Whether flowkit made a worksheet, or a text file saved from one."""
    rows = grid.rows
    leads = [next((value for value in row if value is not None), None) for row in rows[:_TITLED]]
    if leads and isinstance(leads[0], str):
        under = _TITLES.get("Corrected flows at " if leads[0].startswith("Corrected flows at ") else leads[0])
        if under is not None and any(str(lead).startswith(under) for lead in leads[1:]):
            return True
    # A text file ends with its last line; on a worksheet somebody may have written below.
    for row in rows[-1:] if grid.sheet is None else rows:
        cell = row[0] if row else None
        if type(cell) is str and "flowkit " in cell and _SIGNED.search(cell):
            return True
    return False


def left_out(grid: Grid) -> Finding:
    """Say that a worksheet was left out since flowkit made it."""
    where = grid.file if grid.sheet is None else f"{grid.file}!{grid.sheet}"
    what = "this sheet was made by flowkit and was left out: its flows are corrected already"
    return Finding("own-output", "note", where, f"{what}; read the bench's own sheet")


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


@cache
def _hints(kind: type) -> list[tuple[str, Any]]:
    """The fields of a dataclass with their types."""
    hints = get_type_hints(kind)
    return [(item.name, hints[item.name]) for item in fields(kind)]


def _taken(kind: Any, value: Any, place: str) -> Any:
    """Rebuild a value of an annotated type from its machine-readable form; a key that is not there is None."""
    options = get_args(kind)
    if type(None) in options:
        return None if value is None else _taken(options[0], value, place)
    wrong = ""
    if kind is str or get_origin(kind) is Literal:
        wrong = "is not text" if not isinstance(value, str) else ""
        if not wrong and options and value not in options:
            wrong = f"is {value!r}, not one of {', '.join(options)}"
    elif kind is float:
        with suppress(OverflowError):
            if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
                return float(value)
        wrong = "is not a number"
    elif kind is int:
        if not isinstance(value, int) or isinstance(value, bool) or value < 1:
            wrong = "is not a whole number of 1 or more"
    elif get_origin(kind) is tuple:
        if isinstance(value, list):
            return tuple([_taken(options[0], item, f"{place}[{nth}]") for nth, item in enumerate(value)])
        wrong = "is not a list"
    elif not isinstance(value, Mapping):
        wrong = "is not an object"
    if wrong:
        raise _misfit(f"{place} {wrong}")
    return _object(kind, value, place) if isinstance(value, Mapping) else value


def _object(kind: Any, value: Mapping[str, Any], place: str) -> Any:
    """Rebuild a dataclass."""
    shown = value.get("reading") if kind is Point else None
    if shown is not None:  # what a meter showed, with or without a flow, is in keys of the point's own
        values = shown if isinstance(shown, list) and shown else [shown]
        reading = {"value": values, **{name: value.get(key) for name, key in _OF_READING.items()}}
        flow = value.get("flow_m3_s")
        made = _taken(kind, {**value, "reading": None, "flow_m3_s": 0.0 if flow is None else flow}, place)
        made = replace(made, reading=_taken(Reading, reading, f"{place}.reading"))
        return replace(made, flow_m3_s=math.nan) if flow is None else made
    made = kind(**{name: _taken(hint, value.get(name), f"{place}.{name}") for name, hint in _hints(kind)})
    if kind is Point and made.lift_m < 0:
        raise _misfit(f"{place}.lift_m is below zero")
    if kind is Point and made.pressure_pa is not None and made.pressure_pa <= 0:
        raise _misfit(f"{place}.pressure_pa is not above zero")
    for name in ("lift", "flow", "pressure") if kind is Units else ():
        # A meter may be read in a unit of its own, such as div, and so are flows it gave.
        unit = getattr(made, name)
        if unit and find_unit(unit.unit) is None and (name != "flow" or made.reading is None):
            raise _misfit(f"{place}.{name}.unit is {unit.unit!r}, which is not a unit")
    return made


def _misfit(what: str, remedy: str = "write it once more with flowkit") -> SheetError:
    """Return the error for data that cannot be used."""
    return SheetError(f"the data in it cannot be used: {what}", remedy)


def _of_json(kind: type, data: object, place: str, file: str | None) -> Any:
    """Rebuild a dataclass from its machine-readable form; what does not fit is refused with its place and file."""
    try:
        return _taken(kind, data, place)
    except SheetError as error:
        error.file = file
        raise


def test_from_json(data: object, *, place: str = "test", file: str | None = None) -> FlowTest:
    """Rebuild a flow test from its machine-readable form."""
    return _of_json(FlowTest, data, place, file)  # type: ignore[no-any-return]


# A function that pytest takes for a test wherever it is imported would be a nuisance.
test_from_json.__test__ = False  # type: ignore[attr-defined]


def finding_from_json(data: object, *, place: str = "finding", file: str | None = None) -> Finding:
    """Rebuild a finding from its machine-readable form."""
    return _of_json(Finding, data, place, file)  # type: ignore[no-any-return]


def carried(data: bytes) -> ReadResult | None:
    """Read the flow tests that a report of flowkit carries, PDF or one HTML file; None where the file is neither."""
    if data.startswith(b"%PDF-"):
        found = _attachment(data)
        return None if found is None else _carried(found)
    page = PAGE_DATA.encode() in data and _PAGE.search(data)
    return _carried(page[1]) if page else None


def _carried(data: bytes) -> ReadResult:
    """Return the tests and findings of the document a report carries."""
    if len(data) > MAX_TEXT_BYTES:
        most = megabytes(MAX_TEXT_BYTES)
        what = f"the readings it carries are {megabytes(len(data))}, more than the {most} flowkit reads"
        raise SheetError(what, _WRITE_AGAIN)

    def refuse(word: str) -> NoReturn:
        """Refuse what the machine-readable form does not know, such as NaN."""
        raise _misfit(f"{word} is not a number", _WRITE_AGAIN)

    try:
        content = json.loads(data.decode("utf-8"), parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise _misfit("it is damaged", _WRITE_AGAIN) from error
    content = content if isinstance(content, dict) else {}
    tests, findings = content.get("tests"), content.get("findings", [])
    if content.get("kind") != "read" or not isinstance(tests, list) or not isinstance(findings, list):
        raise _misfit('it is not a document of kind "read"', _WRITE_AGAIN)
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
