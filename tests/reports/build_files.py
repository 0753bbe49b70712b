"""Invented build files of every kind, with all that must not be lost."""

from __future__ import annotations

import io
import json
import zipfile
from functools import lru_cache

from flowkit.reports.attach.opc import read_package, written

PAGE = (612.0, 792.0)
SMALL_PNG_SIZE = (170, 220)
PIVOT = "xl/pivotCache/pivotCacheDefinition1.xml"


@lru_cache(maxsize=32)
def pages(count: int, word: str, *, rotate: int = 0) -> bytes:
    """A PDF of `count` pages, each with its word and number as text."""
    from pypdf import PdfWriter
    from pypdf.generic import DictionaryObject, NameObject, NumberObject, StreamObject

    writer = PdfWriter()
    font = writer._add_object(
        DictionaryObject(
            {
                NameObject("/Type"): NameObject("/Font"),
                NameObject("/Subtype"): NameObject("/Type1"),
                NameObject("/BaseFont"): NameObject("/Helvetica"),
            }
        )
    )
    for number in range(1, count + 1):
        page = writer.add_blank_page(*PAGE)
        stream = StreamObject()
        stream.set_data(f"BT /F1 30 Tf 100 400 Td ({word} {number}) Tj ET".encode())
        page[NameObject("/Contents")] = writer._add_object(stream)
        page[NameObject("/Resources")] = DictionaryObject(
            {NameObject("/Font"): DictionaryObject({NameObject("/F1"): font})}
        )
        if rotate:
            page[NameObject("/Rotate")] = NumberObject(rotate)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


@lru_cache(maxsize=32)
def flow_pages(count: int = 2, word: str = "flow", *, data: bool = True) -> bytes:
    """Flow pages as flowkit makes them: with their data embedded."""
    from pypdf import PdfReader, PdfWriter

    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(pages(count, word))))
    if data:
        writer.add_attachment("flowkit-data.json", json.dumps({"kind": "read", "word": word}).encode())
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


@lru_cache(maxsize=4)
def build_pdf(*, streamed: bool = False) -> bytes:
    """Four pages with outline, form, note, attachment, labels, destination, properties and XMP."""
    from pypdf import PdfReader, PdfWriter
    from pypdf.annotations import FreeText
    from pypdf.generic import ArrayObject, DictionaryObject, NameObject, NumberObject, StreamObject, TextStringObject

    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(pages(4, "build"))))
    chapter = writer.add_outline_item(title="Parts", page_number=0)
    writer.add_outline_item(title="Valves", page_number=2, parent=chapter)
    writer.add_outline_item(title="Assembly", page_number=3)
    writer.add_attachment("parts.txt", b"four valves")
    writer.add_metadata({"/Author": "A. Builder (invented)", "/Title": "Build file"})
    writer.set_page_label(page_index_from=0, page_index_to=1, style="/r")
    writer.set_page_label(page_index_from=2, page_index_to=3, prefix="B-", style="/D", start=7)
    writer.add_named_destination(title="valves", page_number=2)
    writer.add_annotation(page_number=1, annotation=FreeText(text="check this", rect=(50, 50, 200, 100)))
    field = DictionaryObject(
        {
            NameObject("/Type"): NameObject("/Annot"),
            NameObject("/Subtype"): NameObject("/Widget"),
            NameObject("/FT"): NameObject("/Tx"),
            NameObject("/T"): TextStringObject("torque"),
            NameObject("/V"): TextStringObject("25 Nm"),
            NameObject("/DA"): TextStringObject("/Helv 10 Tf 0 g"),
            NameObject("/Rect"): ArrayObject(NumberObject(n) for n in (100, 100, 200, 120)),
        }
    )
    reference = writer._add_object(field)
    writer.pages[2][NameObject("/Annots")] = ArrayObject([reference])
    writer.root_object[NameObject("/AcroForm")] = DictionaryObject({NameObject("/Fields"): ArrayObject([reference])})
    xmp = StreamObject()
    xmp.set_data(b"<?xpacket begin='' id='W5M0MpCehiHzreSzNTczkc9d'?><x:xmpmeta xmlns:x='adobe:ns:meta/'/>")
    xmp[NameObject("/Type")] = NameObject("/Metadata")
    xmp[NameObject("/Subtype")] = NameObject("/XML")
    writer.root_object[NameObject("/Metadata")] = writer._add_object(xmp)
    writer.generate_file_identifiers()
    out = io.BytesIO()
    writer.write(out)
    if not streamed:
        return out.getvalue()
    # Saved once more by another program: a second section, as a cross-reference stream.
    writer = PdfWriter(io.BytesIO(out.getvalue()), incremental=True)
    writer.add_metadata({"/Keywords": "second save"})
    again = io.BytesIO()
    writer.write(again)
    return again.getvalue()


@lru_cache(maxsize=4)
def png(shade: int = 200, size: tuple[int, int] = SMALL_PNG_SIZE) -> bytes:
    """A small picture."""
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", size, (shade, shade, shade)).save(out, "PNG", dpi=(200, 200))
    return out.getvalue()


@lru_cache(maxsize=4)
def build_xlsx(*, macros: bool = False, taken: tuple[str, ...] = ()) -> bytes:
    """A workbook with formulas, chart, picture, names, formats, a pivot table and, if asked, macros."""
    import openpyxl
    from openpyxl.chart import BarChart, Reference
    from openpyxl.drawing.image import Image
    from openpyxl.styles import Font
    from openpyxl.workbook.defined_name import DefinedName

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Parts"
    for row in (("part", "price"), ("valve", 12.5), ("guide", 7.25), ("spring", 4.0)):
        sheet.append(row)
    sheet["B5"] = "=SUM(B2:B4)"
    sheet["A1"].font = Font(bold=True, color="FF0000")
    sheet["B2"].number_format = "#,##0.00 [$EUR]"
    chart = BarChart()
    chart.add_data(Reference(sheet, min_col=2, min_row=1, max_row=4), titles_from_data=True)
    sheet.add_chart(chart, "D2")
    sheet.add_image(Image(io.BytesIO(png(90))), "D20")
    for title in taken:
        book.create_sheet(title)["A1"] = f"the builder's own {title}"
    book.defined_names["total"] = DefinedName("total", attr_text="Parts!$B$5")
    sheet.print_title_rows = "1:1"
    out = io.BytesIO()
    book.save(out)
    return _with_opaque_parts(out.getvalue(), macros)


def _with_opaque_parts(data: bytes, macros: bool) -> bytes:
    """Add what openpyxl cannot write: a pivot cache, and a macro project."""
    spreadsheet = "application/vnd.openxmlformats-officedocument.spreadsheetml."
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    namespace = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    cache = (
        f'<pivotCacheDefinition xmlns="{namespace}" xmlns:r="{office}" refreshOnLoad="1" recordCount="0">'
        '<cacheSource type="worksheet"><worksheetSource ref="A1:B4" sheet="Parts"/></cacheSource>'
        '<cacheFields count="2"><cacheField name="part" numFmtId="0"><sharedItems/></cacheField>'
        '<cacheField name="price" numFmtId="0"><sharedItems/></cacheField></cacheFields></pivotCacheDefinition>'
    ).encode()
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        new.comment = b"kept"
        for info in old.infolist():
            content = old.read(info)
            if info.filename == "[Content_Types].xml":
                kind = f"{spreadsheet}pivotCacheDefinition+xml"
                extra = f'<Override PartName="/{PIVOT}" ContentType="{kind}"/>'
                if macros:
                    extra += '<Default Extension="bin" ContentType="application/vnd.ms-office.vbaProject"/>'
                    plain = f"{spreadsheet}sheet.main+xml".encode()
                    content = content.replace(plain, b"application/vnd.ms-excel.sheet.macroEnabled.main+xml")
                content = content.replace(b"</Types>", extra.encode() + b"</Types>")
            if info.filename == "xl/_rels/workbook.xml.rels":
                kind = f"{office}/pivotCacheDefinition"
                extra = f'<Relationship Id="rIdP" Type="{kind}" Target="/{PIVOT}"/>'
                if macros:
                    kind = "http://schemas.microsoft.com/office/2006/relationships/vbaProject"
                    extra += f'<Relationship Id="rIdM" Type="{kind}" Target="vbaProject.bin"/>'
                content = content.replace(b"</Relationships>", extra.encode() + b"</Relationships>")
            if info.filename == "xl/workbook.xml":
                caches = f'<pivotCaches><pivotCache cacheId="1" xmlns:r="{office}" r:id="rIdP"/></pivotCaches>'
                content = content.replace(b"</workbook>", caches.encode() + b"</workbook>")
            new.writestr(info, content)
        new.writestr(PIVOT, cache)
        if macros:
            new.writestr("xl/vbaProject.bin", bytes(range(256)) * 20)
    return out.getvalue()


@lru_cache(maxsize=4)
def build_docx() -> bytes:
    """A document with headings, a table with a bookmark in it, a picture, a header and a second section."""
    import docx
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn
    from docx.shared import Inches

    document = docx.Document()
    document.add_heading("Build file", 0)
    document.add_paragraph("Before the work.")
    mark(document.add_paragraph("Cylinder head:")._p, "head", 7, OxmlElement, qn)
    document.add_picture(io.BytesIO(png(120)), width=Inches(1))
    table = document.add_table(2, 2)
    table.cell(0, 0).text = "valve"
    mark(table.cell(1, 1).paragraphs[0]._p, "in cell", 8, OxmlElement, qn)
    document.sections[0].header.paragraphs[0].text = "the builder's header"
    document.add_section()
    document.add_paragraph("After the work.")
    out = io.BytesIO()
    document.save(out)
    return out.getvalue()


def mark(paragraph, name: str, number: int, element, qn) -> None:
    """Put a bookmark into a paragraph."""
    for tag in ("w:bookmarkStart", "w:bookmarkEnd"):
        item = element(tag)
        item.set(qn("w:id"), str(number))
        if tag.endswith("Start"):
            item.set(qn("w:name"), name)
        paragraph.append(item)


def parts(data: bytes) -> dict[str, bytes]:
    """The parts of a package by name."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert archive.testzip() is None
        return {name: archive.read(name) for name in archive.namelist()}


def with_part(data: bytes, name: str, change) -> bytes:
    """The same package with one part changed."""
    package = read_package(data, "build file")
    return written(package, {name: change(package.parts.get(name, b""))})
