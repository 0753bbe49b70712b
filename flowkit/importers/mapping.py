"""Which cells of a sheet hold what, stated by the user: the ``[variant.columns]`` of a job file."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache
from typing import Any, Literal

from flowkit.errors import JobError, SheetError, UnitError
from flowkit.fields import refuse_unknown, run_of, side_of, text_of
from flowkit.importers.files.grid import CellValue, Grid, column_number
from flowkit.importers.words.items import Units
from flowkit.model import AirState, Conditions, HandChange, Side
from flowkit.units import FLOW_QUANTITIES, Quantity, number, unit

PLACE = "columns"
_CELL = re.compile(r"(?P<letters>[A-Z]{1,3})(?P<row>[1-9]\d{0,6})|(?P<line>[1-9]\d{0,6}):(?P<field>[1-9]\d{0,4})")
_TABLE_KEYS = (
    "sheet", "lift", "lift_unit", "flow", "flow_unit", "pressure", "pressure_unit",
    "side", "port", "run", "variant", "head",
)  # fmt: skip
_FLOW_KEYS = ("cells", "side", "port", "run", "variant", "head", "unit", "pressure")
_SUCH_AS = {"lift": "mm", "flow": "CFM", "pressure": "inH2O"}


@dataclass(frozen=True, slots=True)
class CellRange:
    """A column or row of cells; rows and columns are counted from 1, as on the sheet."""

    text: str
    top: int
    left: int
    bottom: int
    right: int

    @classmethod
    def parse(cls, text: Any, place: str = PLACE) -> CellRange:
        """Read ``"B5:B16"``, ``"B5"`` or, for text files, ``"5:2-16:2"`` (line:field)."""
        spelled = str(text).strip().replace("$", "").upper()
        ends = [_CELL.fullmatch(end.strip()) for end in re.split(r":(?=[A-Z])|-(?=\s*\d)", spelled)]
        cells = [end for end in ends if end is not None]
        if len(cells) != len(ends) or len(ends) > 2 or len({end.lastgroup for end in cells}) > 1:
            remedy = 'write it like "B5:B16", or "5:2-16:2" in a text file'
            raise JobError(f"{place}: {str(text)!r} is not a range of cells", remedy)
        rows = sorted(int(end["row"] or end["line"]) for end in cells)
        columns = sorted(int(end["field"] or 0) or column_number(end["letters"]) for end in cells)
        if columns[0] != columns[-1] and rows[0] != rows[-1]:
            raise JobError(f"{place}: {str(text)!r} is a block of cells", "name one column or one row of cells")
        return cls(str(text), rows[0], columns[0], rows[-1], columns[-1])

    def cells(self) -> list[tuple[int, int]]:
        """Return the (row, column) of each cell, counted from 1."""
        columns = range(self.left, self.right + 1)
        return [(row, column) for row in range(self.top, self.bottom + 1) for column in columns]


@dataclass(frozen=True, slots=True)
class FlowColumn:
    """The flows of one test; None where the sheet's own labels or the table's entries count."""

    cells: CellRange
    side: Side | None = None
    port: str | None = None
    run: int | None = None
    variant: str | None = None
    head: str | None = None
    unit: str | None = None
    pressure: CellRange | None = None


@dataclass(frozen=True, slots=True)
class TableMapping:
    """One table of a sheet."""

    lift: CellRange
    flows: tuple[FlowColumn, ...]
    sheet: str | None = None
    lift_unit: str | None = None
    flow_unit: str | None = None
    pressure_unit: str | None = None


@dataclass(frozen=True, slots=True)
class ColumnMapping:
    """The tables of a file, as the user describes them."""

    tables: tuple[TableMapping, ...]

    @classmethod
    def from_mapping(cls, given: Mapping[str, Any] | Sequence[Mapping[str, Any]]) -> ColumnMapping:
        """Read a mapping, or a list of them, as a job file has it."""
        tables = [given] if isinstance(given, Mapping) else list(given)
        if not tables:
            raise JobError(f"{PLACE} is empty", 'add lift = "A5:A16" and flow = "B5:B16"')
        return cls(tuple(_table(table) for table in tables))


def _table(given: Any) -> TableMapping:
    """Read one table's mapping."""
    if not isinstance(given, Mapping):
        what = f"{PLACE} holds {given!r}, which is not a table"
        raise JobError(what, 'write lift = "A5:A16" and flow = "B5:B16" in it')
    refuse_unknown(given, _TABLE_KEYS, PLACE)
    for key in ("lift", "flow"):
        if key not in given:
            raise JobError(f"{PLACE} has no {key!r}", f'add {key} = "A5:A16", the cells it is in')
    lift = CellRange.parse(given["lift"], f"{PLACE}, lift")
    flows = given["flow"]
    flows = [flows] if isinstance(flows, (str, Mapping)) else flows
    if not isinstance(flows, Sequence) or not flows:
        raise JobError(f"{PLACE}, flow: {flows!r} is not a range of cells", 'write it like "B5:B16"')
    common = {key: given[key] for key in ("side", "port", "run", "variant", "head", "pressure") if key in given}
    return TableMapping(
        lift=lift,
        flows=tuple(_flow(item, common, lift) for item in flows),
        sheet=text_of(given.get("sheet")),
        lift_unit=_unit(given, "lift_unit", ("length", "lift ratio")),
        flow_unit=_unit(given, "flow_unit", FLOW_QUANTITIES),
        pressure_unit=_unit(given, "pressure_unit", ("pressure",)),
    )


def _flow(item: Any, common: Mapping[str, Any], lift: CellRange) -> FlowColumn:
    """Read one flow column's mapping."""
    place = f"{PLACE}, flow"
    own = {"cells": item} if isinstance(item, str) else item
    if not isinstance(own, Mapping):
        raise JobError(f"{place}: {item!r} is not a range of cells", 'write it like "B5:B16"')
    refuse_unknown(own, _FLOW_KEYS, place)
    if "cells" not in own:
        raise JobError(f"{place} has no 'cells'", 'add cells = "B5:B16"')
    named = {**common, **own}
    cells = CellRange.parse(own["cells"], place)
    pressure = CellRange.parse(named["pressure"], f"{place}, pressure") if "pressure" in named else None
    for area, at in ((cells, place), (pressure, f"{place}, pressure")):
        mine, lifts = len(area.cells()) if area else 1, len(lift.cells())
        if area and mine != lifts and not (area is pressure and mine == 1):
            what = f"{at}: {area.text!r} has {mine} cells and the lifts {lift.text!r} have {lifts}"
            raise JobError(what, "make them equally long")
    names = {key: text_of(named.get(key)) for key in ("port", "variant", "head")}
    unknown = next((key for key, name in names.items() if name == "?"), None)
    if unknown:
        raise JobError(f"{place}: the {unknown} is still '?'", f"write which {unknown} these flows are of")
    return FlowColumn(
        cells=cells,
        side=side_of(named.get("side"), place),
        run=run_of(named.get("run"), place),
        unit=_unit(own, "unit", FLOW_QUANTITIES),
        pressure=pressure,
        **names,
    )


def _unit(given: Mapping[str, Any], key: str, quantities: tuple[Quantity, ...]) -> str | None:
    """A unit by any of its spellings, as its own name."""
    if given.get(key) is None:
        return None
    if text_of(given[key]) == "?":
        what = key.removesuffix("_unit")
        raise JobError(f"{PLACE}: {key} is still '?'", f"write the unit of the {what}s, such as {_SUCH_AS[what]}")
    try:
        return unit(str(given[key]), *quantities).name
    except UnitError as error:
        raise JobError(f"{PLACE}, {key}: {error.problem}", error.remedy) from error


@dataclass(frozen=True, slots=True)
class CellChange:
    """A cell, or ``"row 7"``, that the user sets by hand (`value`) or leaves out (None), and why."""

    cell: str
    value: str | None
    reason: str


def change_cells(grids: Sequence[Grid], changes: Sequence[CellChange]) -> tuple[tuple[Grid, ...], list[HandChange]]:
    """Put the user's values over cells (``B7``, ``ported!B7``, in text ``12:3``); list what the sheet says there."""
    made: list[HandChange] = []
    grids = list(grids)
    visible = [index for index, grid in enumerate(grids) if not grid.hidden]
    for change in changes:
        sheet, _, cell = change.cell.rpartition("!")
        found = [index for index in visible if sheet.casefold() in ("", (grids[index].sheet or "").casefold())]
        if len(found) != 1:
            names = ", ".join(repr(grids[index].sheet) for index in visible)
            what = f"has no worksheet {sheet!r}" if sheet else f"has several worksheets, so that {cell} could be on any"
            remedy = f'name the cell with its worksheet, one of {names}, such as "{grids[visible[0]].sheet}!{cell}"'
            what = f"the job changes {change.cell} by hand, but the file {what}"
            raise SheetError(what, remedy, file=grids[0].file)
        grid = grids[found[0]]
        spots = _cells_of(grid, cell.strip())
        rows = [list(row) for row in grid.rows]
        for row, column in spots:
            rows[row][column] = None if change.value is None else _typed(change.value, grid)
        said = [grid.rows[row][column] for row, column in spots]
        shown = [f"{item:.10g}" if isinstance(item, float) else "" if item is None else str(item) for item in said]
        if change.value is None and cell.casefold().startswith("row"):
            kept = " | ".join(text for text, item in zip(shown, said, strict=True) if item)
            made.append(HandChange(grid.file, grid.sheet, cell, "row", kept, None, change.reason))
        else:
            made += [HandChange(grid.file, grid.sheet, cell, "cell", s, change.value, change.reason) for s in shown]
        gaps = grid.formula_gaps - frozenset(spots)
        grids[found[0]] = replace(grid, rows=tuple(map(tuple, rows)), formula_gaps=gaps)
    return tuple(grids), made


def _typed(value: str, grid: Grid) -> CellValue:
    """A value as the sheet would hold it: text in a text file, a number in a workbook where it is one."""
    read = number(value)
    if grid.lines is not None:
        return value.replace(".", ",") if grid.decimal_comma and read is not None else value
    return value if read is None else read


def _cells_of(grid: Grid, cell: str) -> list[tuple[int, int]]:
    """The places of a cell or row in a grid, counted from 0."""
    on_page = re.fullmatch(r"p(\d+):(\d+):(\d+)", cell)
    if on_page is not None and grid.pages is not None:
        page, line, column = map(int, on_page.groups())
        if (page, line) in grid.pages and column <= len(grid.rows[grid.pages.index((page, line))]):
            return [(grid.pages.index((page, line)), column - 1)]
    whole = re.fullmatch(r"(?:row|line)\s*(\d+)", cell, re.IGNORECASE)
    try:
        spots = set() if whole else set(CellRange.parse(cell).cells())
    except JobError as error:
        raise SheetError(f"{cell!r} is not the name of a cell", error.remedy, file=grid.file) from error
    found = []
    for row, values in enumerate(grid.rows):
        on_sheet = row + 1 if grid.lines is None else grid.lines[row]
        all_of_it = whole is not None and on_sheet == int(whole[1])
        found += [(row, column) for column in range(len(values)) if all_of_it or (on_sheet, column + 1) in spots]
    if not found:
        what = f"the job changes {cell} by hand, but the sheet holds nothing there"
        remedy = "check the cell; flowkit read --explain shows the sheet with its addresses"
        raise SheetError(what, remedy, file=grid.file, sheet=grid.sheet)
    return found


@dataclass(frozen=True, slots=True)
class Stated:
    """Statements that hold for every test of a file.

    A statement that contradicts the sheet is an error finding; the sheet's value is kept.

    Attributes
    ----------
    side : {"intake", "exhaust"} or None
    port, head, variant : str or None
    run : int or None
    lift_unit, flow_unit, pressure_unit : str or None
        For numbers whose unit the sheet does not give.
    date_order : {"day", "month"} or None
        What comes first in a date such as 3/4/26.
    conditions : Conditions
        SI; None where nothing is stated.
    columns : ColumnMapping or None
        Which cells hold what, for a sheet that cannot be read unaided.
    standard_air : AirState or None
        The air that SCFM means.
    cells : tuple of CellChange
        Cells that the user sets by hand or leaves out.
    defaults : collection of str
        The units that are stated for a whole job, and so for the sheets that name none.
    overrides : mapping
        Field (of this class, or of its conditions) that counts over the sheet's own, to the reason.

    Examples
    --------
    >>> Stated(side="intake", conditions=Conditions(test_pressure_pa=6974.5)).side
    'intake'
    """

    side: Side | None = None
    port: str | None = None
    run: int | None = None
    head: str | None = None
    variant: str | None = None
    lift_unit: str | None = None
    flow_unit: str | None = None
    pressure_unit: str | None = None
    date_order: Literal["day", "month"] | None = None
    conditions: Conditions = field(default_factory=Conditions)
    columns: ColumnMapping | None = None
    standard_air: AirState | None = None
    cells: tuple[CellChange, ...] = ()
    defaults: Collection[str] = ()
    overrides: Mapping[str, str] = field(default_factory=dict)

    @property
    def units(self) -> Units:
        """What counts where a sheet's figures have no unit, or its dates no order."""
        return Units(self.flow_unit, self.pressure_unit, self.date_order, given(self.conditions), self.overrides.keys())


@lru_cache(maxsize=64)
def given(conditions: Conditions) -> Mapping[str, float | str]:
    """The conditions that are known, by their attributes."""
    return {item.name: value for item in fields(Conditions) if (value := getattr(conditions, item.name)) is not None}
