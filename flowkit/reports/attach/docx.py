"""The flow chart and its tables added to a document.

Only the main text and its relationships change, and the picture is added; every other part stays byte for byte. The
block is made with python-docx in a document of its own, so that nothing odd in the builder's file gets in the way.
"""

from __future__ import annotations

import io
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import docx
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml import OxmlElement, parse_xml
from docx.oxml.ns import nsdecls, qn
from docx.oxml.parser import element_class_lookup
from docx.shared import Emu, Pt
from PIL import Image, ImageChops

from flowkit.errors import AttachError
from flowkit.reports.attach.opc import (
    EMU_PER_INCH,
    PNG,
    MainPart,
    Package,
    canonical,
    damage_named,
    parse,
    read_package,
)
from flowkit.reports.attach.swap import Rewritten
from flowkit.reports.attach.tables import Table, figure_text, notes, picture_inches, plain, tables
from flowkit.wording import NOTHING

if TYPE_CHECKING:
    from docx.document import Document
    from docx.text.paragraph import Paragraph

    from flowkit.reports.contents import ReportContents

_EMU_PER_TWIP = 635
_ROWS_KEPT_TOGETHER = 30
_FOR_HEADING = EMU_PER_INCH
_LETTER = (int(8.5 * EMU_PER_INCH), 11 * EMU_PER_INCH)
_MARK = "_flowkit_flow_chart"
_OFF = ("0", "false", "off")


def add_block(
    old: bytes,
    contents: ReportContents | None,
    png: bytes,
    name: str,
    *,
    bookmark: str | None = None,
    numbers: bool = True,
) -> Rewritten:
    """Add a heading, the chart and, with `numbers`, the tables to a document, in place of earlier ones."""
    package = read_package(old, name)
    with damage_named(name):
        text = _Text(package)
        text.refuse_protected()
        place = text.placeholder(bookmark)
        earlier = text.take_out()
        content = tables(contents) if contents and numbers else ()
        block = _build_block(text, contents, _without_margins(png), place, content)
        # A hidden bookmark from the first paragraph's beginning to the last one's end says later which block is ours.
        start, end = OxmlElement("w:bookmarkStart"), OxmlElement("w:bookmarkEnd")
        numbered = [int(item.get(qn("w:id"), 0)) for item in text.root.body.iter(qn("w:bookmarkStart"))]
        start.set(qn("w:id"), str(max(numbered, default=0) + 1))
        start.set(qn("w:name"), _MARK)
        end.set(qn("w:id"), str(max(numbered, default=0) + 1))
        properties = block[0].find(qn("w:pPr"))
        block[0].insert(0, start) if properties is None else properties.addnext(start)
        block[-1].append(end)
        place.getparent().remove(place)
        added = ("heading", "picture", *([f"{len(content)} tables"] if content else []))
        return Rewritten(text.rendered(), added, 0 if earlier is None else 1)


@lru_cache(maxsize=2)
def _without_margins(png: bytes) -> bytes:
    """Cut off a page's own white margins, since the document has its own: what is left is drawn larger."""
    with Image.open(io.BytesIO(png)) as image:
        page = image.convert("RGB")
        drawn = ImageChops.difference(page, Image.new("RGB", page.size, "white")).getbbox()
        if drawn in (None, (0, 0, *page.size)):
            return png
        edge = page.width // 100
        box = (max(drawn[0] - edge, 0), max(drawn[1] - edge, 0), *(side + edge for side in drawn[2:]))
        out = io.BytesIO()
        cut = image.crop((box[0], box[1], min(box[2], page.width), min(box[3], page.height)))
        cut.save(out, "PNG", dpi=image.info.get("dpi", (200, 200)), optimize=True)
    return out.getvalue()


class _Text(MainPart):
    """A document's main text and its relationships while they are changed."""

    def __init__(self, package: Package) -> None:
        # With python-docx's elements; nothing outside it is looked up and no blank dropped.
        super().__init__(package, qn("w:document"), "document", ".docx", element_class_lookup)
        if self.root.body is None:
            raise ValueError("it has no text")

    def _elements(self, kind: str, tag: str) -> list[Any]:
        """Return the elements of a name in the part of a kind that belongs to the text."""
        part = self.related(kind)
        return [] if part is None else list(parse(self.package.parts[part], self.name).iter(qn(tag)))

    def refuse_protected(self) -> None:
        """Refuse a document whose owner allows no editing."""
        if any(
            item.get(qn("w:enforcement"), "0") not in _OFF
            for item in self._elements("settings", "w:documentProtection")
        ):
            raise AttachError(
                "the document is protected against editing",
                "remove the protection in the program it was made with, then attach",
                file=self.name,
            )

    def heading_style(self) -> str | None:
        """Return the identifier of the document's own style for headings of the first level."""
        for style in self._elements("styles", "w:style"):
            named = style.find(qn("w:name"))
            paragraph = style.get(qn("w:type"), "paragraph") == "paragraph"
            if paragraph and named is not None and str(named.get(qn("w:val"))).lower() == "heading 1":
                return str(style.get(qn("w:styleId")))
        return None

    def bookmarks(self) -> dict[str, Any]:
        """Return name and start of every bookmark in the main text."""
        return {str(item.get(qn("w:name"))): item for item in self.root.body.iter(qn("w:bookmarkStart"))}

    def placeholder(self, bookmark: str | None) -> Any:
        """Put an empty paragraph where the block is to go."""
        body, known = self.root.body, self.bookmarks()
        place = OxmlElement("w:p")
        if bookmark is not None and bookmark not in known:
            shown = sorted(item for item in known if not item.startswith("_"))
            listed = "it has " + ", ".join(shown) if shown else "it has none"
            raise AttachError(f"the main text has no bookmark {bookmark!r}", listed, file=self.name)
        if bookmark is not None:
            _block_of(known[bookmark]).addnext(place)
        elif _MARK in known:
            _block_of(known[_MARK]).addprevious(place)
        else:
            last = body.find(qn("w:sectPr"))
            body.append(place) if last is None else last.addprevious(place)
        return place

    def take_out(self) -> set[str] | None:
        """Take an earlier block out; return its relationships to pictures, or None where there was no block."""
        start = self.bookmarks().get(_MARK)
        if start is None:
            return None
        ends = self.root.body.iter(qn("w:bookmarkEnd"))
        end = next((item for item in ends if item.get(qn("w:id")) == start.get(qn("w:id"))), None)
        first = _block_of(start)
        following = [first, *first.itersiblings()]
        around = [] if end is None else [end, *end.iterancestors()]
        last = next((item for item in around if item in following), None)
        if last is None:
            # Somebody took it apart; what is left of it is theirs now.
            for item in (start, end):
                if item is not None:
                    item.getparent().remove(item)
            return None
        block = following[: following.index(last) + 1]
        pictures = {str(value) for item in block for value in item.xpath(".//a:blip/@r:embed")}
        for item in block:
            _remove(item, start if item is first else None, end if item is last else None)
        unused = {identifier for identifier in pictures if not self.root.xpath(f".//@*[.='{identifier}']")}
        self.drop(unused)
        return unused


def _block_of(element: Any) -> Any:
    """Return the paragraph or table, in the text or in a table's cell, that an element is in."""
    found = None
    for node, above in pairwise([element, *element.iterancestors()]):
        if above.tag == qn("w:txbxContent"):
            found = None  # in a text box: what the box is in counts
        elif found is None and above.tag in (qn("w:body"), qn("w:tc")):
            found = node
    return found


def _remove(block: Any, start: Any, end: Any) -> None:
    """Remove a paragraph or table but for what is before the start or after the end, or ends a section."""
    children = list(block)
    first = children.index(start) if start in children else -1 if start is None else 0
    last = children.index(end) if end in children else len(children)
    own = [item for item in children[max(first, 0) : last + 1] if item.tag != qn("w:pPr")]
    theirs = any(item.xpath("self::w:r or .//w:r") for item in children if item not in own and item.tag != qn("w:pPr"))
    if end is not None and block.tag != qn("w:p"):
        end.getparent().remove(end)
    elif theirs or block.xpath("./w:pPr/w:sectPr"):
        for item in own:
            block.remove(item)
    else:
        block.getparent().remove(block)


def verify_block(old: bytes, new: bytes, name: str) -> None:
    """Make sure that the new document holds all of the old one, and the block."""
    before, after = read_package(old, name), read_package(new, name)
    earlier, present = _Text(before), _Text(after)
    dropped = earlier.take_out() or set()
    lost = ["flow chart"] if present.take_out() is None else []
    if canonical(earlier.root) != canonical(present.root):
        lost.append("text")
    kept = {item for item in before.relationships(earlier.part) if item.id not in dropped}
    lost += [item.target for item in kept - set(after.relationships(earlier.part))]
    earlier.refuse_loss(after, (), lost)


def _build_block(
    text: _Text, contents: ReportContents | None, png: bytes, place: Any, content: tuple[Table, ...]
) -> list[Any]:
    """Build the block behind a place in the text: paragraphs and tables, the first and the last paragraphs."""
    scratch = docx.Document()
    before = list(scratch.element.body)
    room = _room(place)
    _heading(scratch, text.heading_style(), in_cell=bool(place.xpath("./ancestor::w:tc")))
    words = " ".join(contents.comparison.sentences) if contents else ""
    _picture(scratch, text, png, room, words or "Flow chart")
    for table in content:
        _add_table(scratch, table, room[0])
    for note in notes(contents) if contents and content else ():
        paragraph = scratch.add_paragraph(note)
        for run in paragraph.runs:
            run.font.size = Pt(8)
        paragraph.paragraph_format.space_after = Pt(2)
    block = [item for item in scratch.element.body if item not in before]
    for item in reversed(block):
        place.addnext(item)
    return block


def _room(place: Any) -> tuple[int, int]:
    """Return width and height of the text area at a place [EMU]."""
    sections = place.xpath("./following::w:sectPr[1]")
    width, height = _LETTER[0] - 2 * EMU_PER_INCH, _LETTER[1] - 2 * EMU_PER_INCH
    if sections:
        section = sections[0]
        left, right, top, bottom = (
            _measure(section, f"{edge}_margin", EMU_PER_INCH) for edge in ("left", "right", "top", "bottom")
        )
        width, height = _page_of(section)
        width, height = width - left - right, height - abs(top) - abs(bottom)
        columns = section.find(qn("w:cols"))
        count = int(columns.get(qn("w:num"), 1)) if columns is not None else 1
        if count > 1:
            between = int(columns.get(qn("w:space"), 720)) * _EMU_PER_TWIP
            width = (width - (count - 1) * between) // count
    widths = place.xpath("./ancestor::w:tc[1]/w:tcPr/w:tcW[@w:type='dxa']/@w:w")
    if widths:
        # Word's own inner margin of a cell is 0.08 inch on either side.
        width = min(width, int(widths[0]) * _EMU_PER_TWIP - int(0.16 * EMU_PER_INCH))
    return width, height


def _page_of(section: Any) -> tuple[int, int]:
    """Return width and height of a section's page [EMU]."""
    return _measure(section, "page_width", _LETTER[0]), _measure(section, "page_height", _LETTER[1])


def _measure(section: Any, key: str, usual: int) -> int:
    """Return a measure of a section, the usual one where none is stated or it is not written as it should be."""
    try:
        stated = getattr(section, key)
    except ValueError:
        return usual
    return usual if stated is None else int(stated)


def _heading(document: Document, style: str | None, *, in_cell: bool) -> None:
    """Add the heading: in the builder's own style, or plainly where there is none."""
    paragraph = document.add_paragraph()
    run = paragraph.add_run("Flow chart")
    properties = paragraph._p.get_or_add_pPr()
    if style is not None:
        properties.get_or_add_pStyle().set(qn("w:val"), style)
    else:
        run.bold = True
        run.font.size = Pt(16)
        level = OxmlElement("w:outlineLvl")
        level.set(qn("w:val"), "0")
        properties.append(level)
    _close_spaced(paragraph, after=6)
    paragraph.paragraph_format.keep_with_next = True
    if not in_cell:
        paragraph.paragraph_format.page_break_before = True


def _close_spaced(paragraph: Paragraph, *, after: float) -> None:
    """State the spacing, so that the builder's own style can neither clip nor push off what is in the paragraph."""
    form = paragraph.paragraph_format
    form.space_before, form.space_after, form.line_spacing = Pt(0), Pt(after), 1.0
    form.left_indent = form.right_indent = form.first_line_indent = Pt(0)


def _picture(document: Document, text: _Text, png: bytes, room: tuple[int, int], words: str) -> None:
    """Add the chart, as large as the page and its own size allow."""
    width, height = (side * EMU_PER_INCH for side in picture_inches(png))
    scale = min(1.0, room[0] / width, max(room[1] - _FOR_HEADING, EMU_PER_INCH) / height)
    paragraph = document.add_paragraph()
    _close_spaced(paragraph, after=6)
    shape = paragraph.add_run().add_picture(io.BytesIO(png), Emu(int(width * scale)), Emu(int(height * scale)))
    properties = shape._inline.find(qn("wp:docPr"))
    taken = [int(value) for value in text.root.xpath(".//wp:docPr/@id") if str(value).isdecimal()]
    properties.set("id", str(max(taken, default=0) + 1))
    properties.set("name", "Flow chart")
    properties.set("descr", plain(words))
    for blip in shape._inline.iter(qn("a:blip")):
        blip.set(qn("r:embed"), text.relate("image", text.add("media/flowkit-chart.png", png, PNG)))


def _add_table(document: Document, table: Table, width: int) -> None:
    """Add a table with its title over it, its header repeated on every page it runs to."""
    title = document.add_paragraph()
    title.add_run(table.title).bold = True
    title.paragraph_format.keep_with_next = True
    made = document._body.add_table(len(table.rows) + 1, len(table.header), Emu(width))
    made.autofit = False
    lines = "".join(f'<w:{edge} w:val="single" w:sz="4" w:color="999999"/>' for edge in ("top", "bottom", "insideH"))
    made._tbl.tblPr.append(parse_xml(f"<w:tblBorders {nsdecls('w')}>{lines}</w:tblBorders>"))
    points = 9.0 if len(table.header) <= 5 else 7.5
    texts = [table.header, *(tuple(figure_text(cell) or NOTHING for cell in row) for row in table.rows)]
    column = Emu(width // len(table.header))
    for item in made.columns:
        item.width = column
    for number, (row, words) in enumerate(zip(made.rows, texts, strict=True)):
        for cell, said in zip(row.cells, words, strict=True):
            cell.width = column
            paragraph = cell.paragraphs[0]
            run = paragraph.add_run(said)
            run.font.size = Pt(points)
            run.bold = number == 0 or number >= len(texts) - table.summary_rows or None
            paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
            _close_spaced(paragraph, after=1)
            if len(texts) <= _ROWS_KEPT_TOGETHER and number < len(texts) - 1:
                paragraph.paragraph_format.keep_with_next = True
    made.rows[0]._tr.get_or_add_trPr().append(parse_xml(f"<w:tblHeader {nsdecls('w')}/>"))
    # Two tables with nothing between them would become one.
    _close_spaced(document.add_paragraph(), after=0)


def page_size(data: bytes, name: str) -> tuple[float, float] | None:
    """Return width and height of a document's last section, or None where it has none."""
    with damage_named(name):
        sections = _Text(read_package(data, name)).root.xpath(".//w:sectPr[w:pgSz]")
        return _page_of(sections[-1]) if sections else None
