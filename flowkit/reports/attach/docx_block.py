"""What a document gets: a heading, the chart as a picture, the tables, the notes."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from flowkit.reports.attach.tables import Table, figure_text, notes, plain, tables
from flowkit.reports.attach.xlsx_parts import picture_inches
from flowkit.reports.contents import ReportContents

if TYPE_CHECKING:
    from docx.document import Document
    from docx.table import _Row
    from docx.text.paragraph import Paragraph

__all__ = ["build_block"]

_EMU_PER_INCH = 914_400
_EMU_PER_TWIP = 635
_ROWS_KEPT_TOGETHER = 30
_FOR_HEADING = int(0.9 * _EMU_PER_INCH)
_LETTER = (int(8.5 * _EMU_PER_INCH), 11 * _EMU_PER_INCH)


def build_block(document: Document, contents: ReportContents, png: bytes, place: Any) -> list[Any]:
    """Build the block behind a place in the document.

    Parameters
    ----------
    document : docx.document.Document
    contents : ReportContents
    png : bytes
        The chart's picture.
    place : w:p element

    Returns
    -------
    list of elements
        Its paragraphs and tables in order; the first and the last are paragraphs.
    """
    before = list(document.element.body)
    room = _room(place)
    _heading(document, in_cell=_cell(place) is not None)
    _picture(document, png, room, " ".join(contents.comparison.sentences) or "Flow chart")
    for table in tables(contents):
        _add_table(document, table, room[0])
    for text in notes(contents):
        _small(document.add_paragraph(text))
    block = [item for item in document.element.body if item not in before]
    for item in reversed(block):
        place.addnext(item)
    return block


def _cell(place: Any) -> Any:
    """Return the table cell a place is in, or None."""
    found = place.xpath("./ancestor::w:tc[1]")
    return found[0] if found else None


def _room(place: Any) -> tuple[int, int]:
    """Return width and height of the text area at a place [EMU]."""
    sections = place.xpath("./following::w:sectPr[1]")
    width, height = _LETTER[0] - 2 * _EMU_PER_INCH, _LETTER[1] - 2 * _EMU_PER_INCH
    if sections:
        width, height = _text_area(sections[0])
    cell = _cell(place)
    widths = [] if cell is None else cell.xpath("./w:tcPr/w:tcW[@w:type='dxa']/@w:w")
    if widths:
        # Word's own inner margin of a cell is 0.08 inch on either side.
        width = min(width, int(widths[0]) * _EMU_PER_TWIP - int(0.16 * _EMU_PER_INCH))
    return width, height


def _text_area(section: Any) -> tuple[int, int]:
    """Return width and height of a section's text column [EMU]."""
    from docx.oxml.ns import qn

    size = (section.page_width or _LETTER[0], section.page_height or _LETTER[1])
    margins = [_EMU_PER_INCH if m is None else m for m in (section.left_margin, section.right_margin)]
    heights = [_EMU_PER_INCH if m is None else abs(m) for m in (section.top_margin, section.bottom_margin)]
    width = size[0] - sum(margins)
    columns = section.find(qn("w:cols"))
    count = int(columns.get(qn("w:num"), 1)) if columns is not None else 1
    if count > 1:
        between = int(columns.get(qn("w:space"), 720)) * _EMU_PER_TWIP
        width = (width - (count - 1) * between) // count
    return width, size[1] - sum(heights)


def _heading(document: Document, *, in_cell: bool) -> None:
    """Add the heading: in the document's own style, or plainly where it has none."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn
    from docx.shared import Pt

    paragraph = document.add_paragraph()
    run = paragraph.add_run("Flow chart")
    if any(style.name == "Heading 1" for style in document.styles):
        paragraph.style = "Heading 1"
    else:
        run.bold = True
        run.font.size = Pt(16)
        level = OxmlElement("w:outlineLvl")
        level.set(qn("w:val"), "0")
        paragraph._p.get_or_add_pPr().append(level)
    paragraph.paragraph_format.keep_with_next = True
    if not in_cell:
        paragraph.paragraph_format.page_break_before = True


def _picture(document: Document, png: bytes, room: tuple[int, int], words: str) -> None:
    """Add the chart, as large as the page and its own size allow."""
    from docx.oxml.ns import qn
    from docx.shared import Emu

    width, height = (side * _EMU_PER_INCH for side in picture_inches(png))
    scale = min(1.0, room[0] / width, max(room[1] - _FOR_HEADING, _EMU_PER_INCH) / height)
    paragraph = document.add_paragraph()
    shape = paragraph.add_run().add_picture(io.BytesIO(png), Emu(int(width * scale)), Emu(int(height * scale)))
    properties = shape._inline.find(qn("wp:docPr"))
    properties.set("name", "Flow chart")
    properties.set("descr", plain(words))


def _add_table(document: Document, table: Table, width: int) -> None:
    """Add a table with its title over it, its header repeated on every page it runs to."""
    from docx.oxml import parse_xml
    from docx.oxml.ns import nsdecls
    from docx.shared import Emu

    title = document.add_paragraph()
    title.add_run(table.title).bold = True
    title.paragraph_format.keep_with_next = True
    made = document._body.add_table(len(table.rows) + 1, len(table.header), Emu(width))
    made.autofit = False
    lines = "".join(f'<w:{edge} w:val="single" w:sz="4" w:color="999999"/>' for edge in ("top", "bottom", "insideH"))
    made._tbl.tblPr.append(parse_xml(f"<w:tblBorders {nsdecls('w')}>{lines}</w:tblBorders>"))
    points = 9.0 if len(table.header) <= 5 else 7.5
    texts = [table.header, *(tuple(figure_text(cell) for cell in row) for row in table.rows)]
    column = Emu(width // len(table.header))
    for item in made.columns:
        item.width = column
    first_summary = len(texts) - table.summary_rows
    together = len(texts) <= _ROWS_KEPT_TOGETHER
    for number, (row, cells) in enumerate(zip(made.rows, texts, strict=True)):
        _fill(row, cells, points, column, bold=number == 0 or number >= first_summary)
        if together and number < len(texts) - 1:
            for cell in row.cells:
                cell.paragraphs[0].paragraph_format.keep_with_next = True
    made.rows[0]._tr.get_or_add_trPr().append(parse_xml(f"<w:tblHeader {nsdecls('w')}/>"))
    # Two tables with nothing between them would become one.
    document.add_paragraph()


def _fill(row: _Row, cells: tuple[str, ...], points: float, width: Any, *, bold: bool) -> None:
    """Write a table's row, to the right and close together."""
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Pt

    for cell, text in zip(row.cells, cells, strict=True):
        cell.width = width
        paragraph = cell.paragraphs[0]
        run = paragraph.add_run(text)
        run.font.size = Pt(points)
        run.bold = bold or None
        paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        paragraph.paragraph_format.space_before = Pt(1)
        paragraph.paragraph_format.space_after = Pt(1)


def _small(paragraph: Paragraph) -> None:
    """Set a note in small type, close under the one before it."""
    from docx.shared import Pt

    for run in paragraph.runs:
        run.font.size = Pt(8)
    paragraph.paragraph_format.space_after = Pt(2)
