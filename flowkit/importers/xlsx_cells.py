"""One worksheet's XML of an xlsx package to the facts of its cells."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from flowkit.errors import SheetError
from flowkit.importers.facts import Cell, check_extent
from flowkit.importers.limits import MAX_CELLS, MAX_COLUMNS, MAX_ROWS
from flowkit.importers.safe_xml import Attributes, parse_xml

__all__ = ["CellFacts", "parse_cells", "parse_reference"]

_REFERENCE = re.compile(r"([A-Za-z]{1,3})([0-9]{1,9})")
_TRUE = ("1", "true", "on")


def parse_reference(reference: str) -> Cell | None:
    """Return row and column of a reference such as ``"B7"``, from 0; None where it is none.

    Examples
    --------
    >>> parse_reference("B7"), parse_reference("AA1"), parse_reference("7")
    ((6, 1), (0, 26), None)
    """
    match = _REFERENCE.fullmatch(reference)
    if match is None:
        return None
    column = 0
    for letter in match[1].upper():
        column = column * 26 + ord(letter) - 64
    return int(match[2]) - 1, column - 1


@dataclass(slots=True)
class CellFacts:
    """What a pass over a worksheet's XML collects.

    Attributes
    ----------
    rows, columns : int
        Down to the last cell with anything in it.
    zeros : int
        Formulas whose stored value is a bare 0.
    formulas : set of (row, column)
        All formula cells.
    """

    percent_styles: frozenset[str]
    label: str
    sheet: str | None
    rows: int = 0
    columns: int = 0
    zeros: int = 0
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    percent_cells: set[Cell] = field(default_factory=set)
    formulas: set[Cell] = field(default_factory=set)
    formula_gaps: set[Cell] = field(default_factory=set)
    errors: dict[Cell, str] = field(default_factory=dict)
    # Where the pass is.
    row: int = -1
    column: int = -1
    kind: str = ""
    style: str = ""
    filled: bool = False
    formula: bool = False
    valued: bool = False
    value: str | None = None
    in_value: bool = False
    arrays: list[tuple[Cell, Cell]] = field(default_factory=list)
    empty_cells: set[Cell] = field(default_factory=set)

    def start(self, name: str, attributes: Attributes) -> None:
        """Take an element's start."""
        local = name.rpartition(":")[2]
        if local == "c":
            self._start_cell(attributes)
        elif local == "row":
            self._start_row(attributes)
        elif local == "v":
            self.valued = self.in_value = self.filled = True
            self.value = ""
        elif local == "f" and self.column >= 0:
            self.formula = self.filled = True
            if attributes.get("t") in ("array", "dataTable"):
                first, _, last = attributes.get("ref", "").partition(":")
                start, end = parse_reference(first), parse_reference(last or first)
                if start and end:
                    self.arrays.append((start, end))
        elif local == "is":
            self.filled = self.valued = True
        elif local == "col":
            self._column(attributes)

    def end(self, name: str) -> None:
        """Take an element's end."""
        local = name.rpartition(":")[2]
        if local == "v":
            self.in_value = False
        elif local == "c":
            self._end_cell()

    def text(self, text: str) -> None:
        """Take text."""
        if self.in_value and self.value is not None and len(self.value) < 100:
            self.value += text

    def _start_row(self, attributes: Attributes) -> None:
        """Take a row: its number, and whether it is hidden."""
        stated = attributes.get("r")
        if stated is None:
            self.row += 1
        elif stated.isdecimal() and len(stated) < 10:
            self.row = int(stated) - 1
        else:
            raise self._misplaced(stated)
        self.column = -1
        if attributes.get("hidden") in _TRUE and 0 <= self.row < MAX_ROWS:
            self.hidden_rows.add(self.row)

    def _column(self, attributes: Attributes) -> None:
        """Take a range of columns."""
        first, last = attributes.get("min", ""), attributes.get("max", "")
        if attributes.get("hidden") in _TRUE and first.isdecimal() and last.isdecimal():
            top = MAX_COLUMNS if len(last) > 9 else min(int(last), MAX_COLUMNS)
            bottom = MAX_COLUMNS if len(first) > 9 else int(first)
            self.hidden_columns.update(range(bottom - 1, top))

    def _start_cell(self, attributes: Attributes) -> None:
        """Take a cell's place, kind and style."""
        stated = attributes.get("r")
        place = (self.row, self.column + 1) if stated is None else parse_reference(stated)
        if place is None:
            raise self._misplaced(stated or "")
        self.row, self.column = place
        self.kind = attributes.get("t", "n")
        self.style = attributes.get("s", "")
        self.filled = self.formula = self.valued = False
        self.value = None

    def _end_cell(self) -> None:
        """Keep what the cell turned out to be."""
        cell = (self.row, self.column)
        if not self.filled:
            if self.arrays:
                self.empty_cells.add(cell)
            return
        if self.row >= self.rows or self.column >= self.columns:
            self.rows, self.columns = max(self.rows, self.row + 1), max(self.columns, self.column + 1)
            check_extent(self.rows, self.columns, self.label, self.sheet)
        if self.kind == "e" and self.valued:
            self.errors[cell] = self.value or "#VALUE!"
        elif self.kind == "n" and self.style in self.percent_styles:
            self.percent_cells.add(cell)
        if self.formula:
            self.formulas.add(cell)
            self.zeros += self.value == "0"
            if not self.valued or (self.kind != "str" and not self.value):
                self.formula_gaps.add(cell)

    def _misplaced(self, reference: str) -> SheetError:
        """Return the error for a reference that is none."""
        return SheetError(
            f"the file is broken: {reference[:40]!r} is the place of no cell",
            "open it in the spreadsheet program and save it again",
            file=self.label,
            sheet=self.sheet,
        )

    def add_array_gaps(self) -> None:
        """Add the cells that an array formula fills, where the file holds no value for them."""
        for (top, left), (bottom, right) in self.arrays:
            if (bottom - top + 1) * (right - left + 1) <= MAX_CELLS:
                self.formula_gaps.update(c for c in self.empty_cells if top <= c[0] <= bottom and left <= c[1] <= right)


def parse_cells(
    xml: bytes, label: str, *, part: str, sheet: str | None = None, percent_styles: frozenset[str] = frozenset()
) -> CellFacts:
    """Pass over a worksheet's XML.

    Parameters
    ----------
    xml : bytes
        The part.
    label, part, sheet : str
        For messages.
    percent_styles : frozenset of str, optional
        Indices of the cell styles that show a number in per cent.

    Raises
    ------
    SheetError
        If it is not well-formed, or a cell's place is none.

    Examples
    --------
    >>> xml = b'<sheetData><row r="2" hidden="1"><c r="B2"><f>A1</f></c></row></sheetData>'
    >>> facts = parse_cells(xml, "a.xlsx", part="sheet1.xml")
    >>> facts.hidden_rows, facts.formula_gaps, (facts.rows, facts.columns)
    ({1}, {(1, 1)}, (2, 2))
    """
    facts = CellFacts(percent_styles, label, sheet)
    parse_xml(xml, label, part, start=facts.start, end=facts.end, text=facts.text)
    facts.add_array_gaps()
    return facts
