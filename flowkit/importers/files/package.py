"""What a package (xlsx, ods) says of its cells besides their values: its parts, within the limits, and their XML.

An ods writes a run of equal cells or rows once, with a count; a reader that writes them all out can be made to fill
the memory, so the counts are added up here before. Elements: OpenDocument 1.3, part 3, section 9 and chapter 19.
"""

from __future__ import annotations

import io
import itertools
import posixpath
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from xml.parsers import expat

from flowkit.errors import SheetError
from flowkit.importers.files import grid

Attributes = dict[str, str]
_PICTURES = (".png", ".jpg", ".jpeg", ".gif", ".bmp", ".tif", ".tiff", ".emf", ".wmf", ".svg", ".webp", ".mp4", ".wdp")
# No reader of cells looks at these.
_ASIDE = ("xl/theme/", "xl/media/", "xl/drawings/", "xl/printersettings/", "docprops/", "thumbnails/", "pictures/")
_LOCAL_HEADER = struct.Struct("<4s22xHH")
_REFERENCE = re.compile(r"([A-Za-z]{1,3})([0-9]{1,9})")
_TRUE = ("1", "true", "on")
Styles = tuple[set[str], set[str]]  # of percent, and struck through
_REFERENCE_FACTS = re.compile(rb' r="([A-Za-z]*)(\d*)"')
_UNPLACED = re.compile(rb"<c[\t\r\n/>]")
_STYLE_USE = re.compile(rb"""\ss\s*=\s*["'](\d+)["']""")
_SHARED_USE = re.compile(rb"""\st\s*=\s*["']s["']""")
_PROMISED = re.compile(rb"""uniqueCount\s*=\s*["']([^"']*)["']""")
_QUOTED_FORMAT = re.compile(r'"[^"]*"|\\.|\[[^\]]*\]')
_DOUBTFUL = (b"hidden", b"<f", b":f", b'"e"', b"'e'", b"<!DOCTYPE")
_HIDDEN = ("collapse", "filter")
_ERROR = re.compile(r"#[\w/]+[!?]?|Err:\d+")
_CELLS = ("table:table-cell", "table:covered-table-cell")


def parse_xml(
    xml: bytes,
    part: str,
    *,
    start: Callable[[str, Attributes], None],
    end: Callable[[str], None] | None = None,
    text: Callable[[str], None] | None = None,
) -> None:
    """Parse an XML part, calling back for each element."""

    def refuse(*_: object) -> None:
        """Refuse a document type before anything in it is expanded."""
        what = f"the file's part {part!r} declares a document type, which no spreadsheet program does"
        remedy = "do not open it if it came from a stranger; otherwise save it again in the spreadsheet program"
        raise SheetError(what, remedy)

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = start
    if end is not None:
        parser.EndElementHandler = end
    if text is not None:
        parser.CharacterDataHandler = text
    try:
        parser.Parse(xml, True)
    except (expat.ExpatError, ValueError, LookupError) as error:
        raise grid.broken(f"the file is broken: its part {part!r} cannot be read") from error


def package_parts(data: bytes) -> Mapping[str, bytes]:
    """Inflate the parts of a package."""
    try:
        members = zipfile.ZipFile(io.BytesIO(data)).infolist()
    except (zipfile.BadZipFile, ValueError, OSError, OverflowError, NotImplementedError, struct.error) as error:
        raise grid.broken("the file is cut off or broken: its package cannot be opened") from error
    if len(members) > grid.MAX_ARCHIVE_MEMBERS:
        what = f"the file is a package of {len(members)} parts; flowkit reads up to {grid.MAX_ARCHIVE_MEMBERS}"
        raise SheetError(what, "save the bench's sheet on its own")
    parts: dict[str, bytes] = {}
    room = grid.MAX_INFLATED_BYTES
    for member in members:
        if member.flag_bits & 1:
            raise grid.encrypted()
        # Readers do not tell capitals apart here, so two such names would be one part with two contents.
        name = member.filename.lower().replace("\\", "/")
        if name.endswith("/") or name.startswith(_ASIDE) or (name.endswith(_PICTURES) and "/worksheets/" not in name):
            continue
        if name in parts:
            raise grid.broken(f"the file is broken: it holds the part {name!r} twice")
        parts[name] = part = _inflated(data, member, min(room, grid.MAX_PART_BYTES))
        room -= len(part)
    return parts


def _inflated(data: bytes, member: zipfile.ZipInfo, limit: int) -> bytes:
    """Inflate one part, up to a limit."""
    at = member.header_offset
    header = data[at : at + _LOCAL_HEADER.size]
    cut_off = grid.broken(f"the file is broken at its part {member.filename!r}")
    if at < 0 or len(header) < _LOCAL_HEADER.size or not header.startswith(b"PK\x03\x04"):
        raise cut_off
    _, name_length, extra_length = _LOCAL_HEADER.unpack(header)
    start = at + _LOCAL_HEADER.size + name_length + extra_length
    packed = memoryview(data)[start : start + member.compress_size]
    if len(packed) < member.compress_size or member.compress_size < 0:
        raise cut_off
    if member.compress_type == zipfile.ZIP_STORED:
        part = bytes(packed[: limit + 1])
    elif member.compress_type == zipfile.ZIP_DEFLATED:
        inflater = zlib.decompressobj(-zlib.MAX_WBITS)
        try:
            part = inflater.decompress(packed, limit + 1)
        except zlib.error as error:
            raise cut_off from error
    else:
        raise grid.broken(f"the file's part {member.filename!r} is packed in a way flowkit does not read")
    if len(part) > limit:
        raise SheetError(
            f"the file unpacks to more than flowkit reads ({grid.megabytes(grid.MAX_PART_BYTES)} a part, "
            f"{grid.megabytes(grid.MAX_INFLATED_BYTES)} in all)",
            "save the bench's sheet on its own; if it came by mail from a stranger, do not open it",
        )
    if len(part) != member.file_size:
        raise cut_off
    return part


# xlsx


def _reference(reference: str) -> grid.Cell | None:
    """Return row and column of a reference such as ``"B7"``, from 0; None where it is none."""
    match = _REFERENCE.fullmatch(reference)
    return None if match is None else (int(match[2]) - 1, grid.column_number(match[1]) - 1)


@dataclass(slots=True)
class _SheetPass(grid.SheetFacts):
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
    arrays: list[tuple[grid.Cell, grid.Cell]] = field(default_factory=list)
    empty_cells: set[grid.Cell] = field(default_factory=set)

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
            if attributes.get("hidden") in _TRUE and 0 <= self.row < grid.MAX_ROWS:
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
                self.hidden_columns.update(
                    range(min(int(first), grid.MAX_COLUMNS) - 1, min(int(last), grid.MAX_COLUMNS))
                )

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
            grid.check_extent(self.rows, self.columns, self.sheet)
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
        return grid.broken(f"the file is broken: {reference[:40]!r} is not the address of a cell", self.sheet)

    def finish(self, *, recalculate: bool) -> grid.SheetFacts:
        """Add the cells that array formulas fill without a value, and those of a program that computes nothing."""
        for (top, left), (bottom, right) in self.arrays:
            if (bottom - top + 1) * (right - left + 1) <= grid.MAX_CELLS:
                self.formula_gaps.update(c for c in self.empty_cells if top <= c[0] <= bottom and left <= c[1] <= right)
        if recalculate and self.formulas and self.zeros + len(self.formula_gaps) == len(self.formulas):
            self.formula_gaps = self.formulas  # a bare 0 in each
        return self


def xlsx_facts(parts: Mapping[str, bytes]) -> tuple[grid.SheetFacts | None, ...]:
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
    grid.check_sheets(len(names), 0)
    listed = [targets.get(relation, "") for _, relation in names]
    styles = _cell_styles(parts.get("xl/styles.xml", b""))
    longest = _longest_string(parts)
    facts: dict[str, grid.SheetFacts] = {}
    # Every part with cells in it, listed or not, so that no reading of the list goes around the limits.
    for part, xml in parts.items():
        if b"\x00" in xml[:64] and part.startswith("xl/") and part.endswith((".xml", ".rels")):
            raise SheetError(f"the file's part {part!r} is in an encoding flowkit does not read", grid.SAVE_AGAIN)
        if b"sheetData" in xml or part in listed:
            sheet = next((name for (name, _), target in zip(names, listed, strict=True) if target == part), None)
            facts[part] = _sheet_facts(xml, part, sheet, styles, recalculate=recalculate)
            if longest > 1000 and longest * len(_SHARED_USE.findall(xml)) > grid.MAX_TEXT_IN_CELLS:
                raise SheetError(
                    f"the sheet's texts, written out, may hold more than the {grid.MAX_TEXT_IN_CELLS} characters "
                    "flowkit reads",
                    "delete the long texts and save it again",
                    sheet=sheet,
                )
    grid.check_sheets(len(names), sum(found.rows * found.columns for found in facts.values()))
    worksheets = [target if target.startswith("xl/worksheets/") else None for target in listed]
    for target, (name, _) in zip(worksheets, names, strict=True):
        if target is not None and target not in facts:
            raise grid.broken(f"the file is broken: its part {target!r} is missing or holds no cells", name)
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
                raise grid.broken("the file is broken: it announces more text than it holds")
        if part.lower().endswith("sharedstrings.xml") or b"<sst" in xml[:2000]:
            longest = max([longest, *map(len, re.split(rb"<(?:\w+:)?si\b", xml))] if len(xml) > 10_000 else [len(xml)])
    return longest


def _sheet_facts(xml: bytes, part: str, sheet: str | None, styles: Styles, *, recalculate: bool) -> grid.SheetFacts:
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
        rows = max((int(n) for n in digits if n), default=0)
        columns = max((grid.column_number(name.decode()) for name in letters), default=0)
        if rows <= grid.MAX_ROWS and columns <= grid.MAX_COLUMNS and rows * columns <= grid.MAX_CELLS:
            return grid.SheetFacts(rows=rows, columns=columns)
    cells = _SheetPass(styles=styles, sheet=sheet)
    parse_xml(xml, part, start=cells.start, end=cells.end, text=cells.text)
    return cells.finish(recalculate=recalculate)


# ods


@dataclass(slots=True)
class _Table(grid.SheetFacts):
    """One table as it is passed over."""

    name: str = ""
    row: int = 0
    column: int = 0
    table_column: int = 0
    row_repeat: int = 1


@dataclass(slots=True)
class _Cell:
    """The cell the pass is in."""

    attributes: Attributes
    filled: bool
    struck: bool
    text: str = ""


def _count(attributes: Attributes, name: str) -> int:
    """Read how often a cell or row is repeated, or how far it reaches."""
    stated = attributes.get(f"table:number-{name}", "1")
    if not stated.isdecimal() or len(stated) > 9:
        raise grid.broken(f"the file is broken: it repeats a cell {stated!r} times")
    return max(1, int(stated))


@dataclass(slots=True)
class _OdsPass:
    """One pass over an ods's content."""

    tables: list[_Table] = field(default_factory=list)
    open_tables: list[_Table] = field(default_factory=list)
    hidden_styles: set[str] = field(default_factory=set)
    struck_styles: set[str] = field(default_factory=set)
    style: str = ""
    cell: _Cell | None = None
    characters: int = 0

    def start(self, name: str, attributes: Attributes) -> None:
        """Take an element's start."""
        table = self.open_tables[-1] if self.open_tables else None
        if name == "style:style":
            self.style = attributes.get("style:name", "")
        elif name == "style:table-properties" and attributes.get("table:display") == "false":
            self.hidden_styles.add(self.style)
        elif name == "style:text-properties" and attributes.get("style:text-line-through-style", "none") != "none":
            self.struck_styles.add(self.style)
        elif name == "table:table":
            hidden = attributes.get("table:style-name") in self.hidden_styles
            self.tables.append(_Table(hidden, name=attributes.get("table:name", "")))
            self.open_tables.append(self.tables[-1])
        elif table is None:
            return
        elif name == "table:table-column":
            first, table.table_column = table.table_column, table.table_column + _count(attributes, "columns-repeated")
            if attributes.get("table:visibility") in _HIDDEN:
                table.hidden_columns.update(range(first, min(table.table_column, grid.MAX_COLUMNS)))
        elif name == "table:table-row":
            table.row_repeat, table.column = _count(attributes, "rows-repeated"), 0
            if attributes.get("table:visibility") in _HIDDEN:
                table.hidden_rows.update(range(table.row, min(table.row + table.row_repeat, grid.MAX_ROWS)))
        elif name in _CELLS:
            filled = "office:value-type" in attributes or "table:formula" in attributes
            self.cell = _Cell(attributes, filled, attributes.get("table:style-name") in self.struck_styles)
        elif self.cell is not None and name == "text:p":
            self.cell.filled = True
        elif self.cell is not None and name == "text:span" and attributes.get("text:style-name") in self.struck_styles:
            self.cell.struck = True

    def end(self, name: str) -> None:
        """Take an element's end."""
        if not self.open_tables:
            return
        table = self.open_tables[-1]
        if name == "table:table":
            self.open_tables.pop()
            grid.check_extent(table.rows, table.columns, table.name)
        elif name == "table:table-row":
            table.row += table.row_repeat
        elif name in _CELLS and self.cell is not None:
            self._end_cell(table, self.cell)
            self.cell = None

    def text(self, text: str) -> None:
        """Take text."""
        if self.cell is not None:
            self.cell.text += text

    def _end_cell(self, table: _Table, cell: _Cell) -> None:
        """Keep what a run of cells turned out to be."""
        repeat = _count(cell.attributes, "columns-repeated")
        left, table.column = table.column, table.column + repeat
        if not cell.filled:
            return
        rows, columns = table.row + table.row_repeat, left + repeat
        grid.check_extent(rows, columns, table.name)
        table.reach(rows - 1, columns - 1)
        self.characters += len(cell.text) * repeat * table.row_repeat
        if self.characters > grid.MAX_TEXT_IN_CELLS:
            raise SheetError(
                f"the sheet's texts, written out, hold more than the {grid.MAX_TEXT_IN_CELLS} characters flowkit reads",
                "delete the long texts and save it again",
                sheet=table.name,
            )

        def places() -> Iterator[tuple[int, int]]:
            """All cells of the run."""
            return itertools.product(range(table.row, rows), range(left, columns))

        kind, formula, text = cell.attributes.get("office:value-type"), "table:formula" in cell.attributes, cell.text
        shown = _ERROR.fullmatch(text.strip())
        if (formula and kind in (None, "string") and shown) or cell.attributes.get("calcext:value-type") == "error":
            table.errors.update(dict.fromkeys(places(), text.strip() if shown else "#VALUE!"))
        elif formula and kind is None:
            table.formula_gaps.update(places())
        elif kind == "percentage":
            table.percent_cells.update(places())
        if cell.struck:
            table.struck.update(places())
        down, across = _count(cell.attributes, "rows-spanned"), _count(cell.attributes, "columns-spanned")
        if down > 1 or across > 1:
            table.merged.append((table.row, left, table.row + down - 1, left + across - 1))


def ods_facts(parts: Mapping[str, bytes]) -> tuple[grid.SheetFacts, ...]:
    """Collect the facts of every sheet, and hold the limits."""
    if b"encryption-data" in parts.get("meta-inf/manifest.xml", b""):
        raise grid.encrypted()
    content = _OdsPass()
    parse_xml(parts["content.xml"], "content.xml", start=content.start, end=content.end, text=content.text)
    grid.check_sheets(len(content.tables), sum(table.rows * table.columns for table in content.tables))
    return tuple(content.tables)
