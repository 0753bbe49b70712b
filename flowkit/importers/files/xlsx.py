"""What an xlsx package says of its cells besides their values."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from flowkit.errors import SheetError
from flowkit.importers.files.grid import (
    MAX_CELLS,
    MAX_CELLS_IN_FILE,
    MAX_COLUMNS,
    MAX_ROWS,
    MAX_SHEETS,
    MAX_TEXT_IN_CELLS,
    Cell,
    SheetFacts,
    check_extent,
)
from flowkit.importers.files.package import Attributes, parse_xml

_REFERENCE = re.compile(r"([A-Za-z]{1,3})([0-9]{1,9})")
_TRUE = ("1", "true", "on")


def parse_reference(reference: str) -> Cell | None:
    """Return row and column of a reference such as ``"B7"``, from 0; None where it is none."""
    match = _REFERENCE.fullmatch(reference)
    if match is None:
        return None
    column = 0
    for letter in match[1].upper():
        column = column * 26 + ord(letter) - 64
    return int(match[2]) - 1, column - 1


@dataclass(slots=True)
class CellFacts(SheetFacts):
    """What a pass over a worksheet's XML collects, and where the pass is."""

    percent_styles: frozenset[str] = frozenset()
    struck_styles: frozenset[str] = frozenset()
    sheet: str | None = None
    zeros: int = 0
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
            check_extent(self.rows, self.columns, self.sheet)
        if self.style in self.struck_styles:
            self.struck.add(cell)
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
            f"the file is broken: {reference[:40]!r} is not the address of a cell",
            "open it in the spreadsheet program and save it again",
            sheet=self.sheet,
        )

    def add_array_gaps(self) -> None:
        """Add the cells that an array formula fills, where the file holds no value for them."""
        for (top, left), (bottom, right) in self.arrays:
            if (bottom - top + 1) * (right - left + 1) <= MAX_CELLS:
                self.formula_gaps.update(c for c in self.empty_cells if top <= c[0] <= bottom and left <= c[1] <= right)


def parse_cells(
    xml: bytes,
    *,
    part: str,
    sheet: str | None = None,
    percent_styles: frozenset[str] = frozenset(),
    struck_styles: frozenset[str] = frozenset(),
) -> CellFacts:
    """Pass over a worksheet's XML."""
    facts = CellFacts(percent_styles=percent_styles, struck_styles=struck_styles, sheet=sheet)
    parse_xml(xml, part, start=facts.start, end=facts.end, text=facts.text)
    facts.add_array_gaps()
    return facts


_REFERENCE_FACTS = re.compile(rb' r="([A-Za-z]*)(\d*)"')
_UNPLACED = re.compile(rb"<c[\t\r\n/>]")
_STYLE_USE = re.compile(rb"""\ss\s*=\s*["'](\d+)["']""")
_SHARED_USE = re.compile(rb"""\st\s*=\s*["']s["']""")
_PROMISED = re.compile(rb"""uniqueCount\s*=\s*["']([^"']*)["']""")
_QUOTED_FORMAT = re.compile(r'"[^"]*"|\\.|\[[^\]]*\]')
_PERCENT_BUILTIN = ("9", "10")
_MEND = "open it in the spreadsheet program and save it again"


def xlsx_facts(parts: Mapping[str, bytes]) -> tuple[SheetFacts | None, ...]:
    """Collect the facts of every worksheet, and hold the limits."""
    names, recalculate = _workbook(parts["xl/workbook.xml"])
    if len(names) > MAX_SHEETS:
        raise SheetError(
            f"the file has {len(names)} sheets; flowkit reads up to {MAX_SHEETS}", "split it into several files"
        )
    targets = _targets(parts.get("xl/_rels/workbook.xml.rels", b""))
    listed = [targets.get(relation, "") for _, relation in names]
    styles = _cell_styles(parts.get("xl/styles.xml", b""))
    longest = _longest_string(parts)
    facts: dict[str, SheetFacts] = {}
    cells = 0
    # Every part with cells in it, listed or not, so that no reading of the list goes around the limits.
    for part, xml in parts.items():
        if b"\x00" in xml[:64] and part.startswith("xl/") and part.endswith((".xml", ".rels")):
            raise SheetError(f"the file's part {part!r} is in an encoding flowkit does not read", _MEND)
        if b"sheetData" in xml or part in listed:
            sheet = next((name for (name, _), target in zip(names, listed, strict=True) if target == part), None)
            facts[part] = found = _sheet_facts(xml, part=part, sheet=sheet, styles=styles, recalculate=recalculate)
            cells += found.rows * found.columns
            _check_text(xml, longest, sheet)
    if cells > MAX_CELLS_IN_FILE:
        raise SheetError(
            f"the file's sheets span {cells} cells; flowkit reads {MAX_CELLS_IN_FILE}", "split it into several files"
        )
    return tuple(_listed(facts, target, name) for (name, _), target in zip(names, listed, strict=True))


def _listed(facts: Mapping[str, SheetFacts], target: str, name: str) -> SheetFacts | None:
    """Return a listed sheet's facts; None where it is no worksheet."""
    if not target.startswith("xl/worksheets/"):
        return None
    if target not in facts:
        raise SheetError(f"the file is broken: its part {target!r} is missing or holds no cells", _MEND, sheet=name)
    return facts[target]


def _workbook(xml: bytes) -> tuple[list[tuple[str, str]], bool]:
    """Return each sheet's name and relation, and whether the program is asked to compute all on opening."""
    names: list[tuple[str, str]] = []
    recalculate = False

    def start(name: str, attributes: Attributes) -> None:
        """Take the names of the sheets, and whether all must be recalculated."""
        nonlocal recalculate
        local = name.rpartition(":")[2]
        if local == "sheet":
            relation = next((value for key, value in attributes.items() if key.endswith(":id")), "")
            names.append((attributes.get("name", ""), relation))
        elif local == "calcPr":
            recalculate = attributes.get("fullCalcOnLoad") in ("1", "true")

    parse_xml(xml, "xl/workbook.xml", start=start)
    return names, recalculate


def _targets(xml: bytes) -> dict[str, str]:
    """Return the part behind each relation of the workbook."""
    targets: dict[str, str] = {}

    def start(name: str, attributes: Attributes) -> None:
        """Take where a relation leads."""
        if name.rpartition(":")[2] == "Relationship":
            target = posixpath.join("/xl", attributes.get("Target", ""))
            targets[attributes.get("Id", "")] = posixpath.normpath(target).lstrip("/").lower()

    if xml:
        parse_xml(xml, "xl/_rels/workbook.xml.rels", start=start)
    return targets


def _cell_styles(xml: bytes) -> tuple[frozenset[str], frozenset[str]]:
    """Return the indices of the cell styles that show percent, and of those that strike their text through."""
    if b"strike" not in xml and not any(
        sign in xml for sign in (b"%", b'numFmtId="9"', b'numFmtId="10"', b"numFmtId='", b"numFmtId ")
    ):
        return frozenset(), frozenset()
    formats = set(_PERCENT_BUILTIN)
    styles: set[str] = set()
    struck: set[str] = set()
    struck_fonts: set[str] = set()
    count = fonts = 0
    inside = False

    def start(name: str, attributes: Attributes) -> None:
        """Count the cell formats and take those of percent."""
        nonlocal count, fonts, inside
        local = name.rpartition(":")[2]
        if local == "font":
            fonts += 1
        elif local == "strike" and attributes.get("val", "1") not in ("0", "false", "off"):
            struck_fonts.add(str(fonts - 1))
        if local == "numFmt" and "%" in _QUOTED_FORMAT.sub("", attributes.get("formatCode", "")):
            formats.add(attributes.get("numFmtId", ""))
        elif local == "cellXfs":
            inside = True
        elif local == "xf" and inside:
            if attributes.get("numFmtId") in formats:
                styles.add(str(count))
            if attributes.get("fontId") in struck_fonts:
                struck.add(str(count))
            count += 1

    def end(name: str) -> None:
        """Leave the list of cell formats."""
        nonlocal inside
        if name.rpartition(":")[2] == "cellXfs":
            inside = False

    parse_xml(xml, "xl/styles.xml", start=start, end=end)
    return frozenset(styles), frozenset(struck)


def _longest_string(parts: Mapping[str, bytes]) -> int:
    """Return an upper bound of the longest shared text, in bytes."""
    longest = 0
    for part, xml in parts.items():
        for promised in _PROMISED.findall(xml) if b"uniqueCount" in xml else ():
            if not promised.isdigit() or len(promised) > 9 or int(promised) > len(xml):
                raise SheetError("the file is broken: it announces more text than it holds", _MEND)
        if part.lower().endswith("sharedstrings.xml") or b"<sst" in xml[:2000]:
            longest = max([longest, *map(len, re.split(rb"<(?:\w+:)?si\b", xml))] if len(xml) > 10_000 else [len(xml)])
    return longest


def _check_text(xml: bytes, longest: int, sheet: str | None) -> None:
    """Refuse a sheet whose shared texts, written out in every cell, would fill the memory."""
    if longest > 1000 and longest * len(_SHARED_USE.findall(xml)) > MAX_TEXT_IN_CELLS:
        raise SheetError(
            f"the sheet's texts, written out, may hold more than the {MAX_TEXT_IN_CELLS} characters flowkit reads",
            "delete the long texts and save it again",
            sheet=sheet,
        )


def _sheet_facts(
    xml: bytes,
    *,
    part: str,
    sheet: str | None,
    styles: tuple[frozenset[str], frozenset[str]],
    recalculate: bool,
) -> SheetFacts:
    """Return one sheet's facts, with at least as many rows and columns as it spans."""
    bound = _bound(xml)
    percent, struck = styles
    marked = percent | struck
    doubtful = (
        b"hidden" in xml
        or b"<f" in xml
        or b":f" in xml
        or b'"e"' in xml
        or b"'e'" in xml
        or b"<!DOCTYPE" in xml
        or (marked and not marked.isdisjoint(style.decode() for style in set(_STYLE_USE.findall(xml))))
    )
    if bound is not None and not doubtful:
        return SheetFacts(rows=bound[0], columns=bound[1])
    cells = parse_cells(xml, part=part, sheet=sheet, percent_styles=percent, struck_styles=struck)
    if recalculate and cells.formulas and cells.zeros + len(cells.formula_gaps) == len(cells.formulas):
        cells.formula_gaps = cells.formulas  # a program wrote them without computing any: a bare 0 in each
    return cells


def _bound(xml: bytes) -> tuple[int, int] | None:
    """Return an upper bound of the rows and columns a sheet spans, or None where a closer look is needed."""
    references = _REFERENCE_FACTS.findall(xml)
    letters = {found for found, _ in references}
    numbers = {digits for _, digits in references}
    prefixed = b":row" in xml or b":c" in xml or b":sheetData" in xml
    if prefixed or len(references) < xml.count(b"<row") + xml.count(b"<c ") or _UNPLACED.search(xml):
        return None
    if max(map(len, letters), default=0) > 2 or max(map(len, numbers), default=0) > 9:
        return None
    rows = max((int(digits) for digits in numbers if digits), default=0)
    columns = max(map(_column_number, letters), default=0)
    return (rows, columns) if rows <= MAX_ROWS and columns <= MAX_COLUMNS and rows * columns <= MAX_CELLS else None


def _column_number(letters: bytes) -> int:
    """Return a column's number from 1."""
    column = 0
    for letter in letters.upper():
        column = column * 26 + letter - 64
    return column
