"""What an xlsx package says of its cells besides their values."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from flowkit.errors import SheetError
from flowkit.importers.files.grid import (
    MAX_CELLS,
    MAX_COLUMNS,
    MAX_ROWS,
    MAX_TEXT_IN_CELLS,
    SAVE_AGAIN,
    Cell,
    SheetFacts,
    broken,
    check_extent,
    check_sheets,
)
from flowkit.importers.files.package import Attributes, parse_xml

_REFERENCE = re.compile(r"([A-Za-z]{1,3})([0-9]{1,9})")
_TRUE = ("1", "true", "on")
Styles = tuple[set[str], set[str]]  # of percent, and struck through


def _reference(reference: str) -> Cell | None:
    """Return row and column of a reference such as ``"B7"``, from 0; None where it is none."""
    match = _REFERENCE.fullmatch(reference)
    return None if match is None else (int(match[2]) - 1, _column_number(match[1].encode()) - 1)


def _column_number(letters: bytes) -> int:
    """Return a column's number from 1."""
    column = 0
    for letter in letters.upper():
        column = column * 26 + letter - 64
    return column


@dataclass(slots=True)
class _Pass(SheetFacts):
    """What a pass over a worksheet's XML collects, and where the pass is."""

    styles: Styles = (set(), set())
    sheet: str | None = None
    zeros: int = 0
    row: int = -1
    column: int = -1
    kind: str = ""
    style: str = ""
    filled: bool = False
    formula: bool = False
    valued: bool = False
    value: str = ""
    in_value: bool = False
    arrays: list[tuple[Cell, Cell]] = field(default_factory=list)
    empty_cells: set[Cell] = field(default_factory=set)

    def start(self, name: str, attributes: Attributes) -> None:
        """Take an element's start."""
        local = name.rpartition(":")[2]
        if local == "c":
            stated = attributes.get("r")
            place = (self.row, self.column + 1) if stated is None else _reference(stated)
            if place is None:
                raise self._misplaced(stated or "")
            self.row, self.column = place
            self.kind, self.style, self.value = attributes.get("t", "n"), attributes.get("s", ""), ""
            self.filled = self.formula = self.valued = False
        elif local == "row":
            stated = attributes.get("r", str(self.row + 2))
            if not stated.isdecimal() or len(stated) > 9:
                raise self._misplaced(stated)
            self.row, self.column = int(stated) - 1, -1
            if attributes.get("hidden") in _TRUE and 0 <= self.row < MAX_ROWS:
                self.hidden_rows.add(self.row)
        elif local == "v":
            self.valued = self.in_value = self.filled = True
        elif local == "f" and self.column >= 0:
            self.formula = self.filled = True
            if attributes.get("t") in ("array", "dataTable"):
                first, _, last = attributes.get("ref", "").partition(":")
                start, end = _reference(first), _reference(last or first)
                if start and end:
                    self.arrays.append((start, end))
        elif local == "is":
            self.filled = self.valued = True
        elif local == "col" and attributes.get("hidden") in _TRUE:
            first, last = attributes.get("min", ""), attributes.get("max", "")
            if first.isdecimal() and last.isdecimal():
                self.hidden_columns.update(range(min(int(first), MAX_COLUMNS) - 1, min(int(last), MAX_COLUMNS)))

    def end(self, name: str) -> None:
        """Take an element's end."""
        local = name.rpartition(":")[2]
        if local == "v":
            self.in_value = False
        elif local == "c":
            self._end_cell()

    def text(self, text: str) -> None:
        """Take text."""
        if self.in_value and len(self.value) < 100:
            self.value += text

    def _end_cell(self) -> None:
        """Keep what the cell turned out to be."""
        cell = (self.row, self.column)
        if not self.filled:
            if self.arrays:
                self.empty_cells.add(cell)
            return
        if self.row >= self.rows or self.column >= self.columns:
            self.reach(*cell)
            check_extent(self.rows, self.columns, self.sheet)
        percent, struck = self.styles
        if self.style in struck:
            self.struck.add(cell)
        if self.kind == "e" and self.valued:
            self.errors[cell] = self.value or "#VALUE!"
        elif self.kind == "n" and self.style in percent:
            self.percent_cells.add(cell)
        if self.formula:
            self.formulas.add(cell)
            self.zeros += self.value == "0"
            if not self.valued or (self.kind != "str" and not self.value):
                self.formula_gaps.add(cell)

    def _misplaced(self, reference: str) -> SheetError:
        """Return the error for a reference that is none."""
        return broken(f"the file is broken: {reference[:40]!r} is not the address of a cell", self.sheet)

    def finish(self, *, recalculate: bool) -> SheetFacts:
        """Add the cells that array formulas fill without a value, and those of a program that computes nothing."""
        for (top, left), (bottom, right) in self.arrays:
            if (bottom - top + 1) * (right - left + 1) <= MAX_CELLS:
                self.formula_gaps.update(c for c in self.empty_cells if top <= c[0] <= bottom and left <= c[1] <= right)
        if recalculate and self.formulas and self.zeros + len(self.formula_gaps) == len(self.formulas):
            self.formula_gaps = self.formulas  # a bare 0 in each
        return self


_REFERENCE_FACTS = re.compile(rb' r="([A-Za-z]*)(\d*)"')
_UNPLACED = re.compile(rb"<c[\t\r\n/>]")
_STYLE_USE = re.compile(rb"""\ss\s*=\s*["'](\d+)["']""")
_SHARED_USE = re.compile(rb"""\st\s*=\s*["']s["']""")
_PROMISED = re.compile(rb"""uniqueCount\s*=\s*["']([^"']*)["']""")
_QUOTED_FORMAT = re.compile(r'"[^"]*"|\\.|\[[^\]]*\]')
_DOUBTFUL = (b"hidden", b"<f", b":f", b'"e"', b"'e'", b"<!DOCTYPE")


def xlsx_facts(parts: Mapping[str, bytes]) -> tuple[SheetFacts | None, ...]:
    """Collect the facts of every worksheet, and hold the limits."""
    names: list[tuple[str, str]] = []  # of each sheet, and its relation
    targets: dict[str, str] = {}  # the part behind each relation of the workbook
    recalculate = False

    def start(name: str, attributes: Attributes) -> None:
        """Take the names of the sheets, where they are, and whether the program is asked to compute all on opening."""
        nonlocal recalculate
        local = name.rpartition(":")[2]
        if local == "sheet":
            relation = next((value for key, value in attributes.items() if key.endswith(":id")), "")
            names.append((attributes.get("name", ""), relation))
        elif local == "calcPr":
            recalculate = attributes.get("fullCalcOnLoad") in ("1", "true")
        elif local == "Relationship":
            target = posixpath.join("/xl", attributes.get("Target", ""))
            targets[attributes.get("Id", "")] = posixpath.normpath(target).lstrip("/").lower()

    for part in ("xl/workbook.xml", "xl/_rels/workbook.xml.rels"):
        if parts.get(part):
            parse_xml(parts[part], part, start=start)
    check_sheets(len(names), 0)
    listed = [targets.get(relation, "") for _, relation in names]
    styles = _cell_styles(parts.get("xl/styles.xml", b""))
    longest = _longest_string(parts)
    facts: dict[str, SheetFacts] = {}
    # Every part with cells in it, listed or not, so that no reading of the list goes around the limits.
    for part, xml in parts.items():
        if b"\x00" in xml[:64] and part.startswith("xl/") and part.endswith((".xml", ".rels")):
            raise SheetError(f"the file's part {part!r} is in an encoding flowkit does not read", SAVE_AGAIN)
        if b"sheetData" in xml or part in listed:
            sheet = next((name for (name, _), target in zip(names, listed, strict=True) if target == part), None)
            facts[part] = _sheet_facts(xml, part, sheet, styles, recalculate=recalculate)
            if longest > 1000 and longest * len(_SHARED_USE.findall(xml)) > MAX_TEXT_IN_CELLS:
                raise SheetError(
                    f"the sheet's texts, written out, may hold more than the {MAX_TEXT_IN_CELLS} characters flowkit "
                    "reads",
                    "delete the long texts and save it again",
                    sheet=sheet,
                )
    check_sheets(len(names), sum(found.rows * found.columns for found in facts.values()))
    worksheets = [target if target.startswith("xl/worksheets/") else None for target in listed]
    for target, (name, _) in zip(worksheets, names, strict=True):
        if target is not None and target not in facts:
            raise broken(f"the file is broken: its part {target!r} is missing or holds no cells", name)
    return tuple(None if target is None else facts[target] for target in worksheets)


def _cell_styles(xml: bytes) -> Styles:
    """Return the indices of the cell styles that show percent, and of those that strike their text through."""
    signs = (b"strike", b"%", b'numFmtId="9"', b'numFmtId="10"', b"numFmtId='", b"numFmtId ")
    percent: set[str] = set()
    struck: set[str] = set()
    if not any(sign in xml for sign in signs):
        return percent, struck
    formats, struck_fonts = {"9", "10"}, set()
    count = fonts = 0
    inside = False

    def start(name: str, attributes: Attributes) -> None:
        """Count the cell formats and take those of percent and of struck fonts."""
        nonlocal count, fonts, inside
        local = name.rpartition(":")[2]
        if local == "font":
            fonts += 1
        elif local == "strike" and attributes.get("val", "1") not in ("0", "false", "off"):
            struck_fonts.add(str(fonts - 1))
        elif local == "numFmt" and "%" in _QUOTED_FORMAT.sub("", attributes.get("formatCode", "")):
            formats.add(attributes.get("numFmtId", ""))
        elif local in ("cellXfs", "cellStyleXfs", "cellStyles", "dxfs"):
            inside = local == "cellXfs"
        elif local == "xf" and inside:
            percent.update([str(count)] if attributes.get("numFmtId") in formats else ())
            struck.update([str(count)] if attributes.get("fontId") in struck_fonts else ())
            count += 1

    parse_xml(xml, "xl/styles.xml", start=start)
    return percent, struck


def _longest_string(parts: Mapping[str, bytes]) -> int:
    """Return an upper bound of the longest shared text, in bytes."""
    longest = 0
    for part, xml in parts.items():
        for promised in _PROMISED.findall(xml) if b"uniqueCount" in xml else ():
            if not promised.isdigit() or len(promised) > 9 or int(promised) > len(xml):
                raise broken("the file is broken: it announces more text than it holds")
        if part.lower().endswith("sharedstrings.xml") or b"<sst" in xml[:2000]:
            longest = max([longest, *map(len, re.split(rb"<(?:\w+:)?si\b", xml))] if len(xml) > 10_000 else [len(xml)])
    return longest


def _sheet_facts(xml: bytes, part: str, sheet: str | None, styles: Styles, *, recalculate: bool) -> SheetFacts:
    """Return one sheet's facts, with at least as many rows and columns as it spans: quickly where nothing is odd."""
    references = _REFERENCE_FACTS.findall(xml)
    letters, digits = ({found[nth] for found in references} for nth in (0, 1))
    marked = styles[0] | styles[1]
    odd = (
        any(sign in xml for sign in (*_DOUBTFUL, b":row", b":c", b":sheetData"))
        or len(references) < xml.count(b"<row") + xml.count(b"<c ")
        or _UNPLACED.search(xml)
        or max(map(len, letters), default=0) > 2
        or max(map(len, digits), default=0) > 9
        or (marked and not marked.isdisjoint(style.decode() for style in set(_STYLE_USE.findall(xml))))
    )
    if not odd:
        rows, columns = max((int(n) for n in digits if n), default=0), max(map(_column_number, letters), default=0)
        if rows <= MAX_ROWS and columns <= MAX_COLUMNS and rows * columns <= MAX_CELLS:
            return SheetFacts(rows=rows, columns=columns)
    cells = _Pass(styles=styles, sheet=sheet)
    parse_xml(xml, part, start=cells.start, end=cells.end, text=cells.text)
    return cells.finish(recalculate=recalculate)
