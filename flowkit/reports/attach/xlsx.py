"""The flow chart and its numbers added to a workbook, part by part.

Every part the workbook had stays byte for byte, but for the list of sheets, its
relationships, the content types and the styles, to which entries are added. The sheets
are known again by two hidden names, which outlive the workbook's being saved by others.
"""

from __future__ import annotations

import copy
import posixpath
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from flowkit.errors import AttachError
from flowkit.importers.files.grid import column_letters
from flowkit.reports.attach.opc import (
    CONTENT_TYPES,
    OFFICE,
    PNG,
    RELS,
    Package,
    add_relationships,
    canonical,
    damage_named,
    free_name,
    parse,
    qualified,
    reached,
    read_package,
    relationships,
    rels_name,
    serialised,
    typed,
    written,
)
from flowkit.reports.attach.swap import Rewritten
from flowkit.reports.attach.tables import Cell, Figure, Table, notes, picture_inches, plain, tables
from flowkit.reports.contents import ReportContents

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_DRAWING = "http://schemas.openxmlformats.org/drawingml/2006/"
_EMU_PER_INCH = 914_400
_HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_LONGEST_TEXT = 32_767
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
    """Cell formats added at the end of a workbook's styles; equal ones are used again."""

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
        """Return the number of a cell format."""
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
    """Return an element in a form in which equal ones are equal bytes, without what is around it."""
    element = copy.deepcopy(element)
    element.tail = None
    return canonical(element)


def chart_sheet(inches: tuple[float, float], drawing_id: str) -> bytes:
    """Return a sheet that holds the drawing alone, printed on one page."""
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
    """Return a drawing that holds one picture at the sheet's corner."""
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
    """Return a sheet with the tables one under the other and notes below them, across all their columns."""
    rows: list[list[str]] = [[_text(title, formats.format(bold=True, size=14, wrap=True))], []]
    tall: dict[int, int] = {}
    widest = max([4, *(len(_table(table, formats)[0]) for table in content)])
    across = {1: (title, 1.4)}
    for table in content:
        rows.append([_text(table.title, formats.format(bold=True, size=12))])
        # A header row says how tall it is: not every program works that out for wrapped text.
        tall[len(rows) + 1] = _POINTS_A_LINE * max(1 + len(text) // _LETTERS_A_LINE for text in table.header)
        rows += [*_table(table, formats), []]
    for text in below:
        rows.append([_text(text, formats.format(wrap=True, align="left"))])
        across[len(rows)] = (text, 1.0)
    letters = _LETTERS_A_LINE * widest
    for number, (text, size) in across.items():
        lines = sum(1 + int(size * len(line)) // letters for line in text.split("\n"))
        tall[number] = round(_POINTS_A_LINE * lines * (1.3 if size > 1 else 1))
    body = "".join(_row(number, row, tall.get(number)) for number, row in enumerate(rows, 1))
    last = column_letters(widest - 1)
    merged = "".join(f'<mergeCell ref="A{number}:{last}{number}"/>' for number in across)
    orientation = "portrait" if widest <= 8 else "landscape"
    return (
        f'{_HEAD}<worksheet xmlns="{MAIN}"><sheetPr><pageSetUpPr fitToPage="1"/></sheetPr>'
        f'<dimension ref="A1:{last}{len(rows)}"/>'
        '<sheetViews><sheetView showGridLines="0" workbookViewId="0"/></sheetViews>'
        '<sheetFormatPr defaultRowHeight="15"/>'
        f'<cols><col min="1" max="{widest}" width="13.5" customWidth="1"/></cols><sheetData>{body}</sheetData>'
        f'<mergeCells count="{len(across)}">{merged}</mergeCells>'
        '<pageMargins left="0.5" right="0.5" top="0.6" bottom="0.6" header="0.3" footer="0.3"/>'
        f'<pageSetup orientation="{orientation}" fitToHeight="0"/></worksheet>'
    ).encode()


def _row(number: int, cells: Sequence[str], height: int | None) -> str:
    """Return a sheet row, its cells' addresses filled in."""
    filled = (cell.format(ref=f"{column_letters(place)}{number}") for place, cell in enumerate(cells) if cell)
    tall = f' ht="{height}" customHeight="1"' if height else ""
    return f'<row r="{number}"{tall}>{"".join(filled)}</row>'


def _table(table: Table, formats: Formats) -> list[list[str]]:
    """Return a table's rows of cells; a column with intervals has their ends, or their half, in columns behind it."""
    ends = [_ends(column) for column in zip(*table.rows, strict=True)]
    head = formats.format(bold=True, rule="bottom", align="right", wrap=True)
    lines: list[list[str]] = [[]]
    for text, names in zip(table.header, ends, strict=True):
        lines[0] += [_text(text, head), *(_text(name, head) for name in names)]
    for number, row in enumerate(table.rows):
        summary = number >= len(table.rows) - table.summary_rows
        line: list[str] = []
        for cell, names in zip(row, ends, strict=True):
            line += _cells(cell, len(names), summary, formats)
        lines.append(line)
    return lines


def _ends(column: Sequence[Cell]) -> tuple[str, ...]:
    """The headings of the columns behind a column of figures: both ends of their intervals, or half of them."""
    figures = [cell for cell in column if isinstance(cell, Figure) and cell.u95 is not None]
    if any(figure.low is not None for figure in figures):
        return ("from, 95 %", "to, 95 %")
    return ("± 95 %",) if figures else ()


def _cells(cell: Cell, more: int, summary: bool, formats: Formats) -> list[str]:
    """Return a table cell as one sheet cell and as many as its interval takes."""
    rule = "top" if summary else ""
    if not isinstance(cell, Figure):
        return [_text(cell or "", formats.format(bold=summary, rule=rule, align="right")), *[""] * more]
    plain_code = "0." + "0" * cell.digits if cell.digits else "0"
    code = f"+{plain_code}%;-{plain_code}%;{plain_code}%" if cell.gain else plain_code
    style = formats.format(code, bold=summary, rule=rule)
    if more == 1:
        half = formats.format(plain_code + ("%" if cell.gain else ""), bold=summary, rule=rule)
        return [_number(cell.value, style), "" if cell.u95 is None else _number(cell.u95, half)]
    values = (cell.value, cell.low, cell.high)[: 1 + more]
    return ["" if value is None else _number(value, style) for value in values]


def _text(text: str, style: int) -> str:
    """Return a cell of text, never a formula, its address still open."""
    body = escape(plain(text)[:_LONGEST_TEXT]).replace("{", "{{").replace("}", "}}")
    return f'<c r="{{ref}}" s="{style}" t="inlineStr"><is><t xml:space="preserve">{body}</t></is></c>'


def _number(value: float, style: int) -> str:
    """Return a cell of a number, its address still open."""
    return f'<c r="{{ref}}" s="{style}"><v>{value!r}</v></c>'


_MARKS = {"_flowkit_chart": "Flow chart", "_flowkit_numbers": "Flow numbers"}
_SPREADSHEET = "application/vnd.openxmlformats-officedocument.spreadsheetml."
_DRAWING_TYPE = "application/vnd.openxmlformats-officedocument.drawing+xml"
_LONGEST_NAME = 31


def add_sheets(
    old: bytes, contents: ReportContents | None, png: bytes, name: str, *, numbers: bool = True
) -> Rewritten:
    """Add the flow chart's sheets to a workbook, in place of former ones; a sheet of numbers once there is kept."""
    package = read_package(old, name)
    with damage_named(name):
        book = _Book(package)
        book.refuse_protected()
        former = book.former()
        gone = book.take_out(former)
        added = _new_parts(book, contents, png, gone, numbers=numbers or len(former) > 1)
        titles = book.list_sheets(former, added)
        changes: dict[str, bytes | None] = dict.fromkeys(gone)
        changes.update(added)
        changes.update(book.changed())
        overrides = _content_types(package, added, book)
        changes[CONTENT_TYPES] = typed(package.parts[CONTENT_TYPES], overrides, gone, name)
        return Rewritten(written(package, changes), tuple(f"sheet {title}" for title in titles), len(former))


class _Book:
    """A workbook's main part, its relationships and its styles while they are changed."""

    def __init__(self, package: Package) -> None:
        self.package = package
        self.part = package.document
        self.folder = posixpath.dirname(self.part)
        self.root = parse(package.parts[self.part], package.name)
        if self.root.tag != f"{{{MAIN}}}workbook":
            raise AttachError(
                "this workbook is in the strict variant of its format",
                "save it as .xlsx, then try again",
                file=package.name,
            )
        self.rels = package.parts.get(rels_name(self.part), b"")
        self.styles = next(
            (item.target for item in relationships(package.parts, self.part) if item.type.endswith("/styles")), None
        )
        new_styles = self.styles not in package.parts
        self.formats = Formats(EMPTY_STYLES if new_styles else package.parts[self.styles or ""], package.name)
        if new_styles:
            self.styles = free_name(posixpath.join(self.folder, "styles.xml"), package.parts)
            self.rels, _ = add_relationships(
                self.rels, [(f"{OFFICE}/styles", _from(self.folder, self.styles))], package.name
            )

    def refuse_protected(self) -> None:
        """Refuse a workbook whose owner has locked its structure."""
        protection = self.root.find(qualified(self.root, "workbookProtection"))
        if protection is not None and protection.get("lockStructure", "0") not in ("0", "false"):
            raise AttachError(
                "the workbook's structure is protected, so no sheet may be added",
                "unprotect it in the program it was made with, then attach",
                file=self.package.name,
            )

    def sheets(self) -> list[Any]:
        """Return the entries of the list of sheets."""
        return list(self.root.find(qualified(self.root, "sheets")))

    def former(self) -> dict[str, Any]:
        """Return mark and list entry of each flow sheet already there."""
        by_title = {str(item.get("name")): item for item in self.sheets()}
        names = self.root.find(qualified(self.root, "definedNames"))
        found = {}
        for item in names if names is not None else ():
            title = _sheet_of(item.text or "")
            if item.get("name") in _MARKS and title in by_title:
                found[str(item.get("name"))] = by_title[title]
        return found

    def take_out(self, former: Mapping[str, Any]) -> list[str]:
        """Drop the relationships of former flow sheets; return the parts that only they used."""
        before = reached(self.package, self.part, self.rels)
        ids = {item.get(f"{{{OFFICE}}}id", "") for item in former.values()}
        sheet_parts = [item.target for item in relationships(self.package.parts, self.part) if item.id in ids]
        calculated = any(
            b"<f>" in self.package.parts.get(p, b"") or b"<f " in self.package.parts.get(p, b"") for p in sheet_parts
        )
        root = parse(self.rels, self.package.name)
        for item in list(root):
            # The order of calculation lists formulas somebody wrote into a former flow sheet; it is made anew.
            if item.get("Id") in ids or (calculated and str(item.get("Type")).endswith("/calcChain")):
                root.remove(item)
        self.rels = serialised(root)
        return sorted(before - reached(self.package, self.part, self.rels))

    def list_sheets(self, former: Mapping[str, Any], added: Mapping[str, bytes]) -> list[str]:
        """Enter the new sheets in the list, former ones at their place and under their name."""
        parts = [part for part in added if "/_rels/" not in part and "worksheets/" in part]
        new = [(f"{OFFICE}/worksheet", _from(self.folder, part)) for part in parts]
        self.rels, ids = add_relationships(self.rels, new, self.package.name)
        taken = {str(item.get("name")).lower() for item in self.sheets()}
        titles = []
        for (mark, wanted), id_ in zip(_MARKS.items(), ids, strict=False):
            entry = former.get(mark)
            if entry is None:
                numbers = [int(item.get("sheetId", 0)) for item in self.sheets()]
                entry = self.root.makeelement(
                    qualified(self.root, "sheet"),
                    {"name": _free_title(wanted, taken), "sheetId": str(max(numbers) + 1)},
                )
                self.root.find(qualified(self.root, "sheets")).append(entry)
            entry.set(f"{{{OFFICE}}}id", id_)
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
            place = max(i for i, child in enumerate(self.root) if child.tag in before)
            self.root.insert(place + 1, names)
        for item in list(names):
            if item.get("name") == mark:
                names.remove(item)
        entry = self.root.makeelement(qualified(self.root, "definedName"), {"name": mark, "hidden": "1"})
        entry.text = "'{}'!$A$1".format(title.replace("'", "''"))
        names.append(entry)

    def changed(self) -> dict[str, bytes | None]:
        """Return the parts that were changed."""
        return {
            self.part: serialised(self.root),
            rels_name(self.part): self.rels,
            str(self.styles): self.formats.rendered(),
        }


def _new_parts(
    book: _Book, contents: ReportContents | None, png: bytes, gone: list[str], *, numbers: bool
) -> dict[str, bytes]:
    """Make the new parts under names that are free; the sheets come in the order of `_MARKS`."""
    taken = set(book.package.parts) - set(gone)
    inches = picture_inches(png)

    def part(name: str) -> str:
        """Return a name in the workbook that is still free."""
        return free_name(posixpath.join(book.folder, name), taken)

    chart = part("worksheets/flowkit-chart.xml")
    picture, shape = part("media/flowkit-chart.png"), part("drawings/flowkit-chart.xml")
    words = " ".join(contents.comparison.sentences) if contents else ""
    made = {
        chart: chart_sheet(inches, "rId1"),
        shape: drawing(inches, "rId1", words or "Flow chart."),
        picture: png,
        rels_name(chart): _one_relationship("drawing", _from(posixpath.dirname(chart), shape)),
        rels_name(shape): _one_relationship("image", _from(posixpath.dirname(shape), picture)),
    }
    if numbers:
        info = contents.info if contents else None
        title = " · ".join(text for text in (info.title, info.number, info.date) if text) if info else ""
        content, below = (tables(contents), notes(contents)) if contents else ((), ())
        sheet = numbers_sheet(title or "Flow numbers", content, below, book.formats)
        made[part("worksheets/flowkit-numbers.xml")] = sheet
    return made


def _content_types(package: Package, added: Mapping[str, bytes], book: _Book) -> dict[str, str]:
    """Return the content types of the new parts."""
    found = {}
    kinds = {"/_rels/": RELS, "media/": PNG, "drawings/": _DRAWING_TYPE}
    for part in added:
        found[part] = next((kind for sign, kind in kinds.items() if sign in part), _SPREADSHEET + "worksheet+xml")
    if rels_name(book.part) not in package.parts:
        found[rels_name(book.part)] = RELS
    if book.styles and book.styles not in package.parts:
        found[book.styles] = _SPREADSHEET + "styles+xml"
    return found


def _one_relationship(kind: str, target: str) -> bytes:
    """Return a relationships part of one line, ``rId1``."""
    return (
        '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="rId1" Type="{OFFICE}/{kind}" Target="{target}"/></Relationships>'
    ).encode()


def _from(folder: str, part: str) -> str:
    """Return a part's name as a target seen from a folder."""
    return posixpath.relpath("/" + part, "/" + folder)


def _free_title(wanted: str, taken: set[str]) -> str:
    """Return a sheet title nobody has yet; titles do not tell case."""
    number, title = 1, wanted
    while title.lower() in taken:
        number += 1
        tail = f" ({number})"
        title = wanted[: _LONGEST_NAME - len(tail)] + tail
    return title


def _sheet_of(reference: str) -> str | None:
    """Return the sheet title in a reference such as ``'Flow chart'!$A$1``."""
    match = re.fullmatch(r"(?:'((?:[^']|'')+)'|([^'!]+))!\$?A\$?1", reference.strip())
    return (match[1] or match[2]).replace("''", "'") if match else None


def verify_sheets(old: bytes, new: bytes, name: str) -> None:
    """Make sure that the new workbook holds all of the old one, and the flow sheets."""
    before, after = read_package(old, name), read_package(new, name)
    book, changed = _Book(before), _Book(after)
    own = set(book.take_out(book.former()))
    may_change = {CONTENT_TYPES, before.document, rels_name(before.document), str(book.styles)}
    lost = [
        part
        for part, content in before.parts.items()
        if part not in own | may_change and after.parts.get(part) != content
    ]
    if not {"_flowkit_chart", *book.former()} <= set(changed.former()):
        lost.append("flow sheets")
    for what, facet in (("sheets", _sheet_list), ("names", _names), ("cell formats", _formats)):
        if not facet(book) <= facet(changed):
            lost.append(what)
    if lost:
        raise AttachError(
            f"the new file would lose {', '.join(lost)} from the old one",
            "save the workbook again in the program it was made with, then try again",
            file=name,
        )


def _sheet_list(book: _Book) -> set[Any]:
    """Place, title, number and state of every sheet, and the part of all but flow sheets."""
    own = {item.get("name") for item in book.former().values()}
    targets = {item.id: item.target for item in relationships(book.package.parts, book.part)}
    return {
        (
            place,
            item.get("name"),
            item.get("sheetId"),
            item.get("state"),
            None if item.get("name") in own else targets.get(str(item.get(f"{{{OFFICE}}}id"))),
        )
        for place, item in enumerate(book.sheets())
    }


def _names(book: _Book) -> set[Any]:
    """Every defined name, where it holds and what it means, but for the flow sheets' own."""
    names = book.root.find(qualified(book.root, "definedNames"))
    return {
        (item.get("name"), item.get("localSheetId"), item.text)
        for item in (names if names is not None else ())
        if item.get("name") not in _MARKS
    }


def _formats(book: _Book) -> set[Any]:
    """Every cell format with its number, by which the sheets' cells call it."""
    return book.formats.listed()


def paper_code(data: bytes, name: str) -> int | None:
    """Return the paper of the first of the workbook's own sheets that states one (18.3.1.63)."""
    package = read_package(data, name)
    with damage_named(name):
        for item in relationships(package.parts, package.document, name):
            if item.type.endswith("/worksheet") and "flowkit-" not in item.target and item.target in package.parts:
                found = re.search(rb"<(?:\w+:)?pageSetup\b[^>]*\bpaperSize=\"(\d+)\"", package.parts[item.target])
                if found:
                    return int(found[1])
    return None
