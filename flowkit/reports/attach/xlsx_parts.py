"""The parts that a workbook gets: two sheets, a drawing, and cell formats at the end of its styles.

ECMA-376, part 1: SpreadsheetML and DrawingML for spreadsheets.
"""

from __future__ import annotations

import copy
import struct
from collections.abc import Iterable, Sequence
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from flowkit.importers.files.grid import column_letters
from flowkit.reports.attach.opc import canonical, parse, qualified, serialised
from flowkit.reports.attach.tables import Cell, Figure, Table, plain

__all__ = ["EMPTY_STYLES", "MAIN", "OFFICE", "Formats", "chart_sheet", "drawing", "numbers_sheet", "picture_inches"]

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_DRAWING = "http://schemas.openxmlformats.org/drawingml/2006/"
_EMU_PER_INCH = 914_400
_HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_LONGEST_TEXT = 32_767
_DEFAULT_DPI = 200
_POINTS_A_LINE = 15
_LETTERS_A_LINE = 12

EMPTY_STYLES = (
    f'{_HEAD}<styleSheet xmlns="{MAIN}"><fonts count="1"><font><sz val="11"/><name val="Calibri"/></font></fonts>'
    '<fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill>'
    '</fills><borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
    '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
    '<cellXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/></cellXfs></styleSheet>'
).encode()


class Formats:
    """Cell formats added at the end of a workbook's styles; equal ones are used again.

    Parameters
    ----------
    data : bytes
        The styles part.
    name : str
        The file's name, for messages.
    """

    def __init__(self, data: bytes, name: str) -> None:
        self._root = parse(data, name)
        self._places: dict[str, dict[bytes, int]] = {}
        self._given: dict[tuple[object, ...], int] = {}

    def listed(self) -> set[tuple[str, int, bytes]]:
        """Return every font, fill, border and cell format with its number, by which others call it."""
        found = set()
        for tag in ("fonts", "fills", "borders", "cellStyleXfs", "cellXfs", "cellStyles", "dxfs"):
            entries = self._root.find(qualified(self._root, tag))
            found |= {(tag, place, _alone(entry)) for place, entry in enumerate(entries if entries is not None else ())}
        return found

    def format(
        self,
        code: str = "General",
        *,
        bold: bool = False,
        size: int = 0,
        rule: str = "",
        align: str = "",
        wrap: bool = False,
    ) -> int:
        """Return the number of a cell format.

        Parameters
        ----------
        code : str
            Number format.
        bold : bool
        size : int
            Points; 0 for the workbook's own.
        rule : {"", "top", "bottom"}
            A thin line.
        align : {"", "left", "right"}
        wrap : bool
        """
        wanted = (code, bold, size, rule, align, wrap)
        if wanted not in self._given:
            font, border = self._font(bold, size), self._border(rule)
            alignment = {"vertical": "top" if wrap else "bottom"}
            alignment |= {"horizontal": align} if align else {}
            alignment |= {"wrapText": "1"} if wrap else {}
            self._given[wanted] = self._format(self._number_format(code), font, border, alignment)
        return self._given[wanted]

    def _format(self, number_format: int, font: int, border: int, alignment: dict[str, str]) -> int:
        """Find or append a cell format."""
        ids = {"numFmtId": number_format, "fontId": font, "fillId": 0, "borderId": border, "xfId": 0}
        applied = ("NumberFormat", "Font", "Border", "Alignment")
        entry = self._new(
            "xf", {key: str(value) for key, value in ids.items()} | {f"apply{key}": "1" for key in applied}
        )
        entry.append(self._new("alignment", alignment))
        return self._placed("cellXfs", entry)

    def rendered(self) -> bytes:
        """Return the styles part with what was added."""
        return serialised(self._root)

    def _new(self, tag: str, attributes: dict[str, str] | None = None) -> Any:
        """Make an element in the part's namespace."""
        return self._root.makeelement(qualified(self._root, tag), attributes or {}, nsmap=self._root.nsmap)

    def _list(self, tag: str) -> Any:
        """Return a list of the styles, made at its place where there is none."""
        found = self._root.find(qualified(self._root, tag))
        if found is None:
            found = self._new(tag)
            order = ("numFmts", "fonts", "fills", "borders", "cellStyleXfs", "cellXfs")
            before = {qualified(self._root, item) for item in order[: order.index(tag)]}
            place = sum(1 for child in self._root if child.tag in before)
            self._root.insert(place, found)
        return found

    def _placed(self, tag: str, entry: Any) -> int:
        """Return an entry's place in a list, appended if no equal one is there."""
        entries = self._list(tag)
        if tag not in self._places:
            self._places[tag] = {}
            for place, item in enumerate(entries):
                self._places[tag].setdefault(_alone(item), place)
        known = self._places[tag]
        wanted = _alone(entry)
        if wanted not in known:
            known[wanted] = len(entries)
            entries.append(entry)
            entries.set("count", str(len(entries)))
        return known[wanted]

    def _number_format(self, code: str) -> int:
        """Return the id of a number format; own ones count from 164 (18.8.30)."""
        if code == "General":
            return 0
        known = self._list("numFmts")
        ids = [163]
        for item in known:
            if item.get("formatCode") == code:
                return int(item.get("numFmtId"))
            ids.append(int(item.get("numFmtId")))
        self._placed("numFmts", self._new("numFmt", {"numFmtId": str(max(ids) + 1), "formatCode": code}))
        return max(ids) + 1

    def _font(self, bold: bool, size: int) -> int:
        """Return the number of a font: the workbook's own, bold or of another size."""
        fonts = self._list("fonts")
        if not len(fonts):
            self._placed("fonts", self._new("font"))
        if not bold and not size:
            return 0
        font = copy.deepcopy(fonts[0])
        if bold and font.find(qualified(font, "b")) is None:
            font.insert(0, self._new("b"))
        points = font.find(qualified(font, "sz"))
        if size and points is not None:
            points.set("val", str(size))
        return self._placed("fonts", font)

    def _border(self, rule: str) -> int:
        """Return the number of a border with one thin line, or none."""
        border = self._new("border")
        for edge in ("left", "right", "top", "bottom", "diagonal"):
            border.append(self._new(edge, {"style": "thin"} if edge == rule else {}))
        return self._placed("borders", border)


def _alone(element: Any) -> bytes:
    """Return an element in a form in which equal ones are equal bytes, without what stands around it."""
    element = copy.deepcopy(element)
    element.tail = None
    return canonical(element)


def picture_inches(png: bytes) -> tuple[float, float]:
    """Return the printed size of a PNG [inches], 200 dots an inch unless it says otherwise.

    Parameters
    ----------
    png : bytes

    Raises
    ------
    ValueError
        If it is no PNG.
    """
    if png[:8] != b"\x89PNG\r\n\x1a\n" or png[12:16] != b"IHDR":
        raise ValueError("the picture is no PNG")
    width, height = struct.unpack(">II", png[16:24])
    dpi: float = _DEFAULT_DPI
    place = png.find(b"pHYs", 24, png.find(b"IDAT", 24))
    if place > 0 and png[place + 12] == 1:
        dpi = struct.unpack(">I", png[place + 4 : place + 8])[0] * 0.0254
    return width / dpi, height / dpi


def chart_sheet(inches: tuple[float, float], drawing_id: str) -> bytes:
    """Return a sheet that holds the drawing alone, printed on one page.

    Parameters
    ----------
    inches : tuple of float
        Size of the picture.
    drawing_id : str
    """
    paper = 9 if inches[1] > 1.35 * inches[0] else 1  # A4 and letter (18.3.1.63)
    orientation = "portrait" if inches[1] >= inches[0] else "landscape"
    return (
        f'{_HEAD}<worksheet xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheetPr><pageSetUpPr fitToPage="1"/></sheetPr>'
        '<dimension ref="A1"/><sheetViews><sheetView showGridLines="0" workbookViewId="0"/></sheetViews>'
        '<sheetFormatPr defaultRowHeight="15"/><sheetData/>'
        '<pageMargins left="0.25" right="0.25" top="0.25" bottom="0.25" header="0.15" footer="0.15"/>'
        f'<pageSetup paperSize="{paper}" orientation="{orientation}"/><drawing r:id="{drawing_id}"/></worksheet>'
    ).encode()


def drawing(inches: tuple[float, float], picture_id: str, words: str) -> bytes:
    """Return a drawing that holds one picture at the sheet's corner.

    Parameters
    ----------
    inches : tuple of float
    picture_id : str
    words : str
        What the picture shows, for who cannot see it.
    """
    size = 'cx="{}" cy="{}"'.format(*(round(side * _EMU_PER_INCH) for side in inches))
    return (
        f'{_HEAD}<xdr:wsDr xmlns:xdr="{_DRAWING}spreadsheetDrawing" xmlns:a="{_DRAWING}main" xmlns:r="{OFFICE}">'
        "<xdr:oneCellAnchor><xdr:from><xdr:col>0</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>0</xdr:row>"
        f"<xdr:rowOff>0</xdr:rowOff></xdr:from><xdr:ext {size}/><xdr:pic><xdr:nvPicPr>"
        f'<xdr:cNvPr id="1" name="Flow chart" descr={quoteattr(plain(words))}/><xdr:cNvPicPr>'
        '<a:picLocks noChangeAspect="1"/></xdr:cNvPicPr></xdr:nvPicPr><xdr:blipFill>'
        f'<a:blip r:embed="{picture_id}"/><a:stretch><a:fillRect/></a:stretch></xdr:blipFill><xdr:spPr><a:xfrm>'
        f'<a:off x="0" y="0"/><a:ext {size}/></a:xfrm><a:prstGeom prst="rect"><a:avLst/></a:prstGeom></xdr:spPr>'
        "</xdr:pic><xdr:clientData/></xdr:oneCellAnchor></xdr:wsDr>"
    ).encode()


def numbers_sheet(title: str, content: Sequence[Table], below: Iterable[str], formats: Formats) -> bytes:
    """Return a sheet with the tables one under the other and notes below them.

    Parameters
    ----------
    title : str
    content : sequence of Table
    below : iterable of str
    formats : Formats
    """
    rows: list[list[str]] = [[_text(title, formats.format(bold=True, size=14))], []]
    tall: dict[int, int] = {}
    widest = 2
    for table in content:
        lines = _table(table, formats)
        widest = max(widest, *(len(line) for line in lines))
        rows.append([_text(table.title, formats.format(bold=True, size=12))])
        # A header row says how tall it is: not every program works that out for wrapped text.
        tall[len(rows) + 1] = _POINTS_A_LINE * max(1 + len(text) // _LETTERS_A_LINE for text in table.header)
        rows += [*lines, []]
    rows += [[_text(text, formats.format())] for text in below]
    body = "".join(_row(number, row, tall.get(number)) for number, row in enumerate(rows, 1))
    orientation = "portrait" if widest <= 8 else "landscape"
    return (
        f'{_HEAD}<worksheet xmlns="{MAIN}"><sheetPr><pageSetUpPr fitToPage="1"/></sheetPr>'
        f'<dimension ref="A1:{column_letters(widest - 1)}{len(rows)}"/>'
        '<sheetViews><sheetView showGridLines="0" workbookViewId="0"/></sheetViews>'
        '<sheetFormatPr defaultRowHeight="15"/>'
        f'<cols><col min="1" max="{widest}" width="13.5" customWidth="1"/></cols><sheetData>{body}</sheetData>'
        '<pageMargins left="0.5" right="0.5" top="0.6" bottom="0.6" header="0.3" footer="0.3"/>'
        f'<pageSetup orientation="{orientation}" fitToHeight="0"/></worksheet>'
    ).encode()


def _row(number: int, cells: Sequence[str], height: int | None) -> str:
    """Return a sheet row, its cells' addresses filled in."""
    filled = (cell.format(ref=f"{column_letters(place)}{number}") for place, cell in enumerate(cells) if cell)
    tall = f' ht="{height}" customHeight="1"' if height else ""
    return f'<row r="{number}"{tall}>{"".join(filled)}</row>'


def _table(table: Table, formats: Formats) -> list[list[str]]:
    """Return a table's rows of cells; a column with intervals has them in a column of its own."""
    wide = [
        any(isinstance(cell, Figure) and cell.u95 is not None for cell in column)
        for column in zip(*table.rows, strict=True)
    ]
    head = formats.format(bold=True, rule="bottom", align="right", wrap=True)
    lines: list[list[str]] = [[]]
    for text, twice in zip(table.header, wide, strict=True):
        lines[0] += [_text(text, head), *([_text("± 95 %", head)] if twice else [])]
    for number, row in enumerate(table.rows):
        summary = number >= len(table.rows) - table.summary_rows
        line: list[str] = []
        for cell, twice in zip(row, wide, strict=True):
            line += _cells(cell, twice, summary, formats)
        lines.append(line)
    return lines


def _cells(cell: Cell, twice: bool, summary: bool, formats: Formats) -> list[str]:
    """Return a table cell as one sheet cell, or two with its interval."""
    rule = "top" if summary else ""
    if not isinstance(cell, Figure):
        return [_text(cell or "", formats.format(bold=summary, rule=rule, align="right")), *([""] if twice else [])]
    plain_code = "0." + "0" * cell.digits if cell.digits else "0"
    code = f"+{plain_code}%;-{plain_code}%;{plain_code}%" if cell.gain else plain_code
    found = [_number(cell.value, formats.format(code, bold=summary, rule=rule))]
    if twice:
        style = formats.format(plain_code + ("%" if cell.gain else ""), bold=summary, rule=rule)
        found.append("" if cell.u95 is None else _number(cell.u95, style))
    return found


def _text(text: str, style: int) -> str:
    """Return a cell of text, never a formula, its address still open."""
    body = escape(plain(text)[:_LONGEST_TEXT]).replace("{", "{{").replace("}", "}}")
    return f'<c r="{{ref}}" s="{style}" t="inlineStr"><is><t xml:space="preserve">{body}</t></is></c>'


def _number(value: float, style: int) -> str:
    """Return a cell of a number, its address still open."""
    return f'<c r="{{ref}}" s="{style}"><v>{value!r}</v></c>'
