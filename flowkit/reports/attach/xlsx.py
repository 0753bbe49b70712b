"""The flow chart and its numbers added to a workbook, part by part.

Every part the workbook had stays byte for byte, but for the list of sheets, its relationships, the content types and
the styles, to which entries are added. Two hidden names, which outlive a save by others, say which sheets are ours.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from flowkit.errors import AttachError
from flowkit.importers.files.grid import column_letters
from flowkit.reports.attach import opc
from flowkit.reports.attach.opc import HEAD, OFFICE, qualified
from flowkit.reports.attach.swap import Rewritten
from flowkit.reports.attach.tables import Cell, Figure, Table, notes, picture_inches, plain, tables
from flowkit.reports.contents import ReportContents

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_DRAWING = "http://schemas.openxmlformats.org/drawingml/2006/"
_SPREADSHEET = "application/vnd.openxmlformats-officedocument.spreadsheetml."
_DRAWING_TYPE = "application/vnd.openxmlformats-officedocument.drawing+xml"
_MARKS = {"_flowkit_chart": "Flow chart", "_flowkit_numbers": "Flow numbers"}
_LONGEST_TEXT = 32_767
_LONGEST_NAME = 31
_POINTS_A_LINE = 15
_LETTERS_A_LINE = 12

EMPTY_STYLES = (
    f'{HEAD}<styleSheet xmlns="{MAIN}"><fonts count="1"><font><sz val="11"/><name val="Calibri"/></font></fonts>'
    '<fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill>'
    '</fills><borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
    '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
    '<cellXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/></cellXfs></styleSheet>'
).encode()


def add_sheets(
    old: bytes, contents: ReportContents | None, png: bytes, name: str, *, numbers: bool = True
) -> Rewritten:
    """Add the flow chart's sheets to a workbook, in place of earlier ones; a sheet of numbers once there is kept."""
    package = opc.read_package(old, name)
    with opc.damage_named(name):
        book = _Book(package)
        protection = book.root.find(qualified(book.root, "workbookProtection"))
        if protection is not None and protection.get("lockStructure", "0") not in ("0", "false"):
            raise AttachError(
                "the workbook's structure is protected, so no sheet may be added",
                "unprotect it in the program it was made with, then attach",
                file=name,
            )
        earlier = book.earlier()
        book.take_out(earlier)
        inches = picture_inches(png)
        words = " ".join(contents.comparison.sentences) if contents else ""
        sheet = _SPREADSHEET + "worksheet+xml"
        chart = book.add("worksheets/flowkit-chart.xml", chart_sheet(inches, "rId1"), sheet)
        shape = book.add("drawings/flowkit-chart.xml", drawing(inches, "rId1", words or "Flow chart."), _DRAWING_TYPE)
        picture = book.add("media/flowkit-chart.png", png, opc.PNG)
        book.relate_new(chart, "drawing", shape)
        book.relate_new(shape, "image", picture)
        added = [chart]
        if numbers or len(earlier) > 1:
            info = contents.info if contents else None
            title = " · ".join(text for text in (info.title, info.number, info.date) if text) if info else ""
            content, below = (tables(contents), notes(contents)) if contents else ((), ())
            made = numbers_sheet(title or "Flow numbers", content, below, book.formats)
            added.append(book.add("worksheets/flowkit-numbers.xml", made, sheet))
        titles = book.list_sheets(earlier, added)
        data = book.rendered({book.styles: book.formats.rendered()})
        return Rewritten(data, tuple(f"sheet {title}" for title in titles), len(earlier))


class Formats:
    """Cell formats added at the end of a workbook's styles; equal ones are used again."""

    def __init__(self, data: bytes, name: str) -> None:
        self._root = opc.parse(data, name)
        self._places: dict[str, dict[bytes, int]] = {}
        self._given: dict[tuple[object, ...], int] = {}

    def rendered(self) -> bytes:
        """Return the styles part with what was added."""
        return opc.serialised(self._root)

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
        """Return the number of a cell format; `rule` is the edge that has a thin line."""
        wanted = (code, bold, size, rule, align, wrap)
        if wanted not in self._given:
            font = self._font(bold, size)
            border = self._new("border")
            for edge in ("left", "right", "top", "bottom", "diagonal"):
                border.append(self._new(edge, {"style": "thin"} if edge == rule else {}))
            line = self._placed("borders", border)
            alignment = {"vertical": "top" if wrap else "bottom"}
            alignment |= {"horizontal": align} if align else {}
            alignment |= {"wrapText": "1"} if wrap else {}
            ids = {"numFmtId": self._number_format(code), "fontId": font, "fillId": 0, "borderId": line, "xfId": 0}
            applied = {f"apply{key}": "1" for key in ("NumberFormat", "Font", "Border", "Alignment")}
            entry = self._new("xf", {key: str(value) for key, value in ids.items()} | applied)
            entry.append(self._new("alignment", alignment))
            self._given[wanted] = self._placed("cellXfs", entry)
        return self._given[wanted]

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
            self._root.insert(sum(1 for child in self._root if child.tag in before), found)
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
        ids = [163]
        for item in self._list("numFmts"):
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


def _alone(element: Any) -> bytes:
    """Return an element in a form in which equal ones are equal bytes, without what is around it."""
    element = copy.deepcopy(element)
    element.tail = None
    return opc.canonical(element)


class _Book(opc.MainPart):
    """A workbook's main part, its relationships and its styles while they are changed."""

    def __init__(self, package: opc.Package) -> None:
        super().__init__(package, f"{{{MAIN}}}workbook", "workbook", ".xlsx")
        known = self.related("styles")
        self.formats = Formats(package.parts[known] if known else EMPTY_STYLES, self.name)
        self.styles = known or self.add("styles.xml", EMPTY_STYLES, _SPREADSHEET + "styles+xml")
        if not known:
            self.relate("styles", self.styles)
        self.sheets = self.root.find(qualified(self.root, "sheets"))
        found = self.root.find(qualified(self.root, "definedNames"))
        self.names = list(found) if found is not None else []

    def earlier(self) -> dict[str, Any]:
        """Return mark and list entry of each flow sheet already there."""
        by_title = {str(item.get("name")): item for item in self.sheets}
        found = {}
        for item in self.names:
            # A reference such as 'Flow chart'!$A$1.
            match = re.fullmatch(r"(?:'((?:[^']|'')+)'|([^'!]+))!\$?A\$?1", (item.text or "").strip())
            title = (match[1] or match[2]).replace("''", "'") if match else None
            if item.get("name") in _MARKS and title in by_title:
                found[str(item.get("name"))] = by_title[title]
        return found

    def take_out(self, earlier: Mapping[str, Any]) -> None:
        """Drop the relationships of earlier flow sheets, and the parts that only they used."""
        parts, related = self.package.parts, self.package.relationships(self.part)
        ids = {item.get(f"{{{OFFICE}}}id", "") for item in earlier.values()}
        sheets = [parts.get(item.target, b"") for item in related if item.id in ids]
        if any(b"<f>" in data or b"<f " in data for data in sheets):
            # The order of calculation lists formulas somebody wrote into an earlier flow sheet; it is made anew.
            ids |= {item.id for item in related if item.type.endswith("/calcChain")}
        self.drop(ids)

    def list_sheets(self, earlier: Mapping[str, Any], added: Sequence[str]) -> list[str]:
        """Enter the new sheets in the list, earlier ones at their place and under their name."""
        taken = {str(item.get("name")).lower() for item in self.sheets}
        titles = []
        for (mark, wanted), part in zip(_MARKS.items(), added, strict=False):
            entry = earlier.get(mark)
            if entry is None:
                # Titles do not tell case.
                number, title = 1, wanted
                while title.lower() in taken:
                    number += 1
                    tail = f" ({number})"
                    title = wanted[: _LONGEST_NAME - len(tail)] + tail
                highest = max(int(item.get("sheetId", 0)) for item in self.sheets)
                attributes = {"name": title, "sheetId": str(highest + 1)}
                entry = self.root.makeelement(qualified(self.root, "sheet"), attributes)
                self.sheets.append(entry)
            entry.set(f"{{{OFFICE}}}id", self.relate("worksheet", part))
            titles.append(str(entry.get("name")))
            taken.add(titles[-1].lower())
            self._mark(mark, titles[-1])
        return titles

    def _mark(self, mark: str, title: str) -> None:
        """Leave a hidden name that leads to a flow sheet."""
        names = self.root.find(qualified(self.root, "definedNames"))
        if names is None:
            names = self.root.makeelement(qualified(self.root, "definedNames"))
            before = {qualified(self.root, tag) for tag in ("sheets", "functionGroups", "externalReferences")}
            self.root.insert(max(i for i, child in enumerate(self.root) if child.tag in before) + 1, names)
        for item in list(names):
            if item.get("name") == mark:
                names.remove(item)
        entry = self.root.makeelement(qualified(self.root, "definedName"), {"name": mark, "hidden": "1"})
        entry.text = "'{}'!$A$1".format(title.replace("'", "''"))
        names.append(entry)

    def facts(self) -> dict[str, set[Any]]:
        """Return what others rely on: sheets, names and cell formats, but for the flow sheets' own."""
        own = {item.get("name") for item in self.earlier().values()}
        targets = {item.id: item.target for item in self.package.relationships(self.part)}
        sheets = {
            (
                place,
                *(item.get(key) for key in ("name", "sheetId", "state")),
                None if item.get("name") in own else targets.get(str(item.get(f"{{{OFFICE}}}id"))),
            )
            for place, item in enumerate(self.sheets)
        }
        names = {
            (item.get("name"), item.get("localSheetId"), item.text)
            for item in self.names
            if item.get("name") not in _MARKS
        }
        return {"sheets": sheets, "names": names, "cell formats": self.formats.listed()}


def verify_sheets(old: bytes, new: bytes, name: str) -> None:
    """Make sure that the new workbook holds all of the old one, and the flow sheets."""
    after = opc.read_package(new, name)
    book, changed = _Book(opc.read_package(old, name)), _Book(after)
    book.take_out(book.earlier())
    kept = changed.facts()
    lost = [what for what, known in book.facts().items() if not known <= kept[what]]
    if not {"_flowkit_chart", *book.earlier()} <= set(changed.earlier()):
        lost.append("flow sheets")
    book.refuse_loss(after, (book.styles,), lost)


def paper_code(data: bytes, name: str) -> int | None:
    """Return the paper of the first of the workbook's own sheets that states one (18.3.1.63)."""
    package = opc.read_package(data, name)
    with opc.damage_named(name):
        for item in package.relationships(package.document):
            if item.type.endswith("/worksheet") and "flowkit-" not in item.target and item.target in package.parts:
                found = re.search(rb"<(?:\w+:)?pageSetup\b[^>]*\bpaperSize=\"(\d+)\"", package.parts[item.target])
                if found:
                    return int(found[1])
    return None


def chart_sheet(inches: tuple[float, float], drawing_id: str) -> bytes:
    """Return a sheet that holds the drawing alone, printed on one page."""
    paper = 9 if inches[1] > 1.35 * inches[0] else 1  # A4 and letter (18.3.1.63)
    orientation = "portrait" if inches[1] >= inches[0] else "landscape"
    return (
        f'{HEAD}<worksheet xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheetPr><pageSetUpPr fitToPage="1"/></sheetPr>'
        '<dimension ref="A1"/><sheetViews><sheetView showGridLines="0" workbookViewId="0"/></sheetViews>'
        '<sheetFormatPr defaultRowHeight="15"/><sheetData/>'
        '<pageMargins left="0.25" right="0.25" top="0.25" bottom="0.25" header="0.15" footer="0.15"/>'
        f'<pageSetup paperSize="{paper}" orientation="{orientation}"/><drawing r:id="{drawing_id}"/></worksheet>'
    ).encode()


def drawing(inches: tuple[float, float], picture_id: str, words: str) -> bytes:
    """Return a drawing that holds one picture at the sheet's corner."""
    size = 'cx="{}" cy="{}"'.format(*(round(side * opc.EMU_PER_INCH) for side in inches))
    return (
        f'{HEAD}<xdr:wsDr xmlns:xdr="{_DRAWING}spreadsheetDrawing" xmlns:a="{_DRAWING}main" xmlns:r="{OFFICE}">'
        "<xdr:oneCellAnchor><xdr:from><xdr:col>0</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>0</xdr:row>"
        f"<xdr:rowOff>0</xdr:rowOff></xdr:from><xdr:ext {size}/><xdr:pic><xdr:nvPicPr>"
        f'<xdr:cNvPr id="1" name="Flow chart" descr={quoteattr(plain(words))}/><xdr:cNvPicPr>'
        '<a:picLocks noChangeAspect="1"/></xdr:cNvPicPr></xdr:nvPicPr><xdr:blipFill>'
        f'<a:blip r:embed="{picture_id}"/><a:stretch><a:fillRect/></a:stretch></xdr:blipFill><xdr:spPr><a:xfrm>'
        f'<a:off x="0" y="0"/><a:ext {size}/></a:xfrm><a:prstGeom prst="rect"><a:avLst/></a:prstGeom></xdr:spPr>'
        "</xdr:pic><xdr:clientData/></xdr:oneCellAnchor></xdr:wsDr>"
    ).encode()


_Row = list[tuple[str | float, int] | None]
"""A row's cells: text or number, and the number of the format."""


def numbers_sheet(title: str, content: Sequence[Table], below: Iterable[str], formats: Formats) -> bytes:
    """Return a sheet with the tables one under the other and notes below them, across all their columns."""
    rows: list[_Row] = [[(title, formats.format(bold=True, size=14, wrap=True))], []]
    tall: dict[int, int] = {}
    made = [_table(table, formats) for table in content]
    widest = max([4, *(len(lines[0]) for lines in made)])
    across = {1: (title, 1.4)}
    for table, lines in zip(content, made, strict=True):
        rows.append([(table.title, formats.format(bold=True, size=12))])
        # A header row says how tall it is: not every program works that out for wrapped text.
        tall[len(rows) + 1] = _POINTS_A_LINE * max(1 + len(text) // _LETTERS_A_LINE for text in table.header)
        rows += [*lines, []]
    for text in below:
        rows.append([(text, formats.format(wrap=True, align="left"))])
        across[len(rows)] = (text, 1.0)
    for number, (text, size) in across.items():
        count = sum(1 + int(size * len(line)) // (_LETTERS_A_LINE * widest) for line in text.split("\n"))
        tall[number] = round(_POINTS_A_LINE * count * (1.3 if size > 1 else 1))
    body = ""
    for number, row in enumerate(rows, 1):
        height = f' ht="{tall[number]}" customHeight="1"' if tall.get(number) else ""
        cells = "".join(_cell(f"{column_letters(place)}{number}", *cell) for place, cell in enumerate(row) if cell)
        body += f'<row r="{number}"{height}>{cells}</row>'
    last = column_letters(widest - 1)
    merged = "".join(f'<mergeCell ref="A{number}:{last}{number}"/>' for number in across)
    orientation = "portrait" if widest <= 8 else "landscape"
    return (
        f'{HEAD}<worksheet xmlns="{MAIN}"><sheetPr><pageSetUpPr fitToPage="1"/></sheetPr>'
        f'<dimension ref="A1:{last}{len(rows)}"/>'
        '<sheetViews><sheetView showGridLines="0" workbookViewId="0"/></sheetViews>'
        '<sheetFormatPr defaultRowHeight="15"/>'
        f'<cols><col min="1" max="{widest}" width="13.5" customWidth="1"/></cols><sheetData>{body}</sheetData>'
        f'<mergeCells count="{len(across)}">{merged}</mergeCells>'
        '<pageMargins left="0.5" right="0.5" top="0.6" bottom="0.6" header="0.3" footer="0.3"/>'
        f'<pageSetup orientation="{orientation}" fitToHeight="0"/></worksheet>'
    ).encode()


def _cell(address: str, value: str | float, style: int) -> str:
    """Return a cell of text, which is never a formula, or of a number."""
    if not isinstance(value, str):
        return f'<c r="{address}" s="{style}"><v>{value!r}</v></c>'
    text = escape(plain(value)[:_LONGEST_TEXT])
    return f'<c r="{address}" s="{style}" t="inlineStr"><is><t xml:space="preserve">{text}</t></is></c>'


def _table(table: Table, formats: Formats) -> list[_Row]:
    """Return a table's rows of cells; a column with intervals has their ends, or their half, in columns behind it."""
    head = formats.format(bold=True, rule="bottom", align="right", wrap=True)
    ends: list[tuple[str, ...]] = []
    for column in zip(*table.rows, strict=True):
        figures = [cell for cell in column if isinstance(cell, Figure) and cell.u95 is not None]
        both = any(figure.low is not None for figure in figures)
        ends.append(("from, 95 %", "to, 95 %") if both else ("± 95 %",) if figures else ())
    lines: list[_Row] = [
        [(text, head) for name, more in zip(table.header, ends, strict=True) for text in (name, *more)]
    ]
    for number, row in enumerate(table.rows):
        summary = number >= len(table.rows) - table.summary_rows
        lines.append(
            [item for cell, names in zip(row, ends, strict=True) for item in _cells(cell, len(names), summary, formats)]
        )
    return lines


def _cells(cell: Cell, more: int, summary: bool, formats: Formats) -> _Row:
    """Return a table cell as one sheet cell and as many as its interval takes."""
    rule = "top" if summary else ""
    if not isinstance(cell, Figure):
        return [(cell or "", formats.format(bold=summary, rule=rule, align="right")), *[None] * more]
    plain_code = "0." + "0" * cell.digits if cell.digits else "0"
    code = f"+{plain_code}%;-{plain_code}%;{plain_code}%" if cell.gain else plain_code
    style = formats.format(code, bold=summary, rule=rule)
    if more == 1:
        half = formats.format(plain_code + ("%" if cell.gain else ""), bold=summary, rule=rule)
        return [(cell.value, style), None if cell.u95 is None else (cell.u95, half)]
    values = (cell.value, cell.low, cell.high)[: 1 + more]
    return [None if value is None else (value, style) for value in values]
