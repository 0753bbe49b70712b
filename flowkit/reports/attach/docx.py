"""The flow chart and its tables added to a document.

Only the main text and its relationships change, and the picture is added; every other part stays byte for byte. The
block is made with python-docx in a document of its own, so that nothing odd in the builder's file gets in the way.
"""

from __future__ import annotations

import io
import posixpath
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from flowkit.errors import AttachError
from flowkit.reports.attach.opc import (
    CONTENT_TYPES,
    OFFICE,
    PNG,
    RELS,
    Package,
    add_relationships,
    canonical,
    damage_named,
    drop_relationships,
    free_name,
    parse,
    reached,
    read_package,
    relationships,
    rels_name,
    serialised,
    typed,
    written,
)
from flowkit.reports.attach.swap import Rewritten
from flowkit.reports.attach.tables import Table, figure_text, notes, picture_inches, plain, tables
from flowkit.wording import NOTHING

if TYPE_CHECKING:
    from docx.document import Document
    from docx.table import _Row
    from docx.text.paragraph import Paragraph

    from flowkit.reports.contents import ReportContents

_EMU_PER_INCH = 914_400
_EMU_PER_TWIP = 635
_ROWS_KEPT_TOGETHER = 30
_FOR_HEADING = _EMU_PER_INCH
_LETTER = (int(8.5 * _EMU_PER_INCH), 11 * _EMU_PER_INCH)
_MARK = "_flowkit_flow_chart"
_OFF = ("0", "false", "off")
_MAIN = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"


def add_block(
    old: bytes,
    contents: ReportContents | None,
    png: bytes,
    name: str,
    *,
    bookmark: str | None = None,
    numbers: bool = True,
) -> Rewritten:
    """Add a heading, the chart and, with `numbers`, the tables to a document, in place of former ones."""
    package = read_package(old, name)
    with damage_named(name):
        text = _Text(package)
        text.refuse_protected()
        place = _placeholder(text, bookmark, name)
        former = _take_out(text)
        content = tables(contents) if contents and numbers else ()
        _mark(text, _build_block(text, contents, _without_margins(png), place, content))
        place.getparent().remove(place)
        added = ("heading", "picture", *([f"{len(content)} tables"] if content else []))
        return Rewritten(text.rendered(), added, 0 if former is None else 1)


@lru_cache(maxsize=2)
def _without_margins(png: bytes) -> bytes:
    """Cut off a page's own white margins, since the document has its own: what is left is drawn larger."""
    from PIL import Image, ImageChops

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


class _Text:
    """A document's main text and its relationships while they are changed."""

    def __init__(self, package: Package) -> None:
        self.package = package
        self.part = package.document
        self.root = _parsed(package.parts[self.part], package.name)
        if self.root.tag != f"{{{_MAIN}}}document":
            raise AttachError(
                "this document is in the strict variant of its format",
                "save it as .docx, then try again",
                file=package.name,
            )
        if self.root.body is None:
            raise ValueError("it has no text")
        self.rels = package.parts.get(rels_name(self.part), b"")
        self.pictures: dict[str, bytes] = {}

    def related(self, kind: str) -> Any:
        """Return the parsed part of a kind that belongs to the text, or None where there is none."""
        parts = self.package.parts
        for item in relationships(parts, self.part, self.package.name):
            if item.type.endswith("/" + kind) and item.target in parts:
                return parse(parts[item.target], self.package.name)
        return None

    def refuse_protected(self) -> None:
        """Refuse a document whose owner allows no editing."""
        settings = self.related("settings")
        for protection in () if settings is None else settings.iter(f"{{{_MAIN}}}documentProtection"):
            if protection.get(f"{{{_MAIN}}}enforcement", "0") not in _OFF:
                raise AttachError(
                    "the document is protected against editing",
                    "remove the protection in the program it was made with, then attach",
                    file=self.package.name,
                )

    def heading_style(self) -> str | None:
        """Return the identifier of the document's own style for headings of the first level."""
        styles = self.related("styles")
        for style in () if styles is None else styles.iter(f"{{{_MAIN}}}style"):
            named = style.find(f"{{{_MAIN}}}name")
            paragraph = style.get(f"{{{_MAIN}}}type", "paragraph") == "paragraph"
            if paragraph and named is not None and str(named.get(f"{{{_MAIN}}}val")).lower() == "heading 1":
                return str(style.get(f"{{{_MAIN}}}styleId"))
        return None

    def add_picture(self, png: bytes) -> str:
        """Add a picture and return the identifier the text calls it by."""
        folder = posixpath.dirname(self.part)
        taken = set(self.package.parts) - set(self.gone())
        part = free_name(posixpath.join(folder, "media/flowkit-chart.png"), taken)
        self.pictures[part] = png
        target = posixpath.relpath("/" + part, "/" + folder)
        self.rels, (identifier,) = add_relationships(self.rels, [(f"{OFFICE}/image", target)], self.package.name)
        return identifier

    def gone(self) -> list[str]:
        """Return the parts that nothing leads to any more."""
        return sorted(reached(self.package, self.part, None) - reached(self.package, self.part, self.rels))

    def rendered(self) -> bytes:
        """Return the whole document as it is now."""
        parts, rels, gone = self.package.parts, rels_name(self.part), self.gone()
        changes: dict[str, bytes | None] = dict.fromkeys(gone)
        changes |= {self.part: serialised(self.root), rels: self.rels, **self.pictures}
        new = {**dict.fromkeys(self.pictures, PNG), **({} if rels in parts else {rels: RELS})}
        changes[CONTENT_TYPES] = typed(parts[CONTENT_TYPES], new, gone, self.package.name)
        return written(self.package, changes)


def _parsed(data: bytes, name: str) -> Any:
    """Parse the main text into python-docx's elements, nothing outside it looked up and no blank dropped."""
    from docx.oxml.parser import element_class_lookup

    return parse(data, name, element_class_lookup)


def _bookmarks(text: _Text) -> dict[str, Any]:
    """Return name and start of every bookmark in the main text."""
    from docx.oxml.ns import qn

    return {str(item.get(qn("w:name"))): item for item in text.root.body.iter(qn("w:bookmarkStart"))}


def _placeholder(text: _Text, bookmark: str | None, name: str) -> Any:
    """Put an empty paragraph where the block is to go."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    body = text.root.body
    known = _bookmarks(text)
    place = OxmlElement("w:p")
    if bookmark is not None and bookmark not in known:
        shown = sorted(item for item in known if not item.startswith("_"))
        listed = "it has " + ", ".join(shown) if shown else "it has none"
        raise AttachError(f"the main text has no bookmark {bookmark!r}", listed, file=name)
    if bookmark is not None:
        _block_of(known[bookmark]).addnext(place)
    elif _MARK in known:
        _block_of(known[_MARK]).addprevious(place)
    else:
        last = body.find(qn("w:sectPr"))
        body.append(place) if last is None else last.addprevious(place)
    return place


def _block_of(element: Any) -> Any:
    """Return the paragraph or table, in the text or in a table's cell, that an element is in."""
    from docx.oxml.ns import qn

    nodes = [element, *element.iterancestors()]
    found = None
    for node, above in pairwise(nodes):
        if above.tag == qn("w:txbxContent"):
            found = None  # in a text box: what the box is in counts
        elif found is None and above.tag in (qn("w:body"), qn("w:tc")):
            found = node
    return found


def _mark(text: _Text, block: list[Any]) -> None:
    """Put a hidden bookmark round the block: from its first paragraph's beginning to its last one's end."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    numbers = [int(item.get(qn("w:id"), 0)) for item in text.root.body.iter(qn("w:bookmarkStart"))]
    number = str(max(numbers, default=0) + 1)
    start, end = OxmlElement("w:bookmarkStart"), OxmlElement("w:bookmarkEnd")
    start.set(qn("w:id"), number)
    start.set(qn("w:name"), _MARK)
    end.set(qn("w:id"), number)
    properties = block[0].find(qn("w:pPr"))
    block[0].insert(0, start) if properties is None else properties.addnext(start)
    block[-1].append(end)


def _take_out(text: _Text) -> set[str] | None:
    """Take a former block out; return the relationships to pictures dropped with it, or None where there was none."""
    from docx.oxml.ns import qn

    start = _bookmarks(text).get(_MARK)
    if start is None:
        return None
    ends = text.root.body.iter(qn("w:bookmarkEnd"))
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
    unused = {identifier for identifier in pictures if not text.root.xpath(f".//@*[.='{identifier}']")}
    text.rels = drop_relationships(text.rels, unused, text.package.name)
    return unused


def _remove(block: Any, start: Any, end: Any) -> None:
    """Remove a paragraph or table but for what is before the start or after the end, or ends a section."""
    from docx.oxml.ns import qn

    children = list(block)
    first = children.index(start) if start in children else -1 if start is None else 0
    last = children.index(end) if end in children else len(children)
    kept = [item for place, item in enumerate(children) if not first <= place <= last and item.tag != qn("w:pPr")]
    theirs = any(item.xpath("self::w:r or .//w:r") for item in kept)
    foreign = end is not None and block.tag != qn("w:p")
    if foreign:
        end.getparent().remove(end)
    elif theirs or block.xpath("./w:pPr/w:sectPr"):
        for place, item in enumerate(children):
            if first <= place <= last and item.tag != qn("w:pPr"):
                block.remove(item)
    else:
        block.getparent().remove(block)


def verify_block(old: bytes, new: bytes, name: str) -> None:
    """Make sure that the new document holds all of the old one, and the block."""
    before, after = read_package(old, name), read_package(new, name)
    former, present = _Text(before), _Text(after)
    dropped = _take_out(former) or set()
    lost = ["flow chart"] if _take_out(present) is None else []
    if canonical(former.root) != canonical(present.root):
        lost.append("text")
    main = before.document
    rels = {part: relationships(before.parts, part) for part in before.parts}
    kept = [item for part in rels for item in rels[part] if part != main or item.id not in dropped]
    lost += [item.target for item in set(rels[main]) & set(kept) - set(relationships(after.parts, main))]
    may_change = {CONTENT_TYPES, main, rels_name(main), *former.gone()}
    lost += [
        part for part, content in before.parts.items() if part not in may_change and after.parts.get(part) != content
    ]
    if lost:
        raise AttachError(
            f"the new file would lose {', '.join(lost)} from the old one",
            "save the document again in the program it was made with, then try again",
            file=name,
        )


def _build_block(
    text: _Text, contents: ReportContents | None, png: bytes, place: Any, content: tuple[Table, ...]
) -> list[Any]:
    """Build the block behind a place in the text: paragraphs and tables, the first and the last paragraphs."""
    import docx

    scratch = docx.Document()
    before = list(scratch.element.body)
    room = _room(place)
    _heading(scratch, text.heading_style(), in_cell=_cell(place) is not None)
    words = " ".join(contents.comparison.sentences) if contents else ""
    _picture(scratch, text, png, room, words or "Flow chart")
    for table in content:
        _add_table(scratch, table, room[0])
    for note in notes(contents) if contents and content else ():
        _small(scratch.add_paragraph(note))
    block = [item for item in scratch.element.body if item not in before]
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

    size = _page_of(section)
    edges = ("left", "right", "top", "bottom")
    left, right, top, bottom = (_measure(section, f"{edge}_margin", _EMU_PER_INCH) for edge in edges)
    margins, heights = (left, right), (abs(top), abs(bottom))
    width = size[0] - sum(margins)
    columns = section.find(qn("w:cols"))
    count = int(columns.get(qn("w:num"), 1)) if columns is not None else 1
    if count > 1:
        between = int(columns.get(qn("w:space"), 720)) * _EMU_PER_TWIP
        width = (width - (count - 1) * between) // count
    return width, size[1] - sum(heights)


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
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn
    from docx.shared import Pt

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
    from docx.shared import Pt

    form = paragraph.paragraph_format
    form.space_before, form.space_after, form.line_spacing = Pt(0), Pt(after), 1.0
    form.left_indent = form.right_indent = form.first_line_indent = Pt(0)


def _picture(document: Document, text: _Text, png: bytes, room: tuple[int, int], words: str) -> None:
    """Add the chart, as large as the page and its own size allow."""
    from docx.oxml.ns import qn
    from docx.shared import Emu

    width, height = (side * _EMU_PER_INCH for side in picture_inches(png))
    scale = min(1.0, room[0] / width, max(room[1] - _FOR_HEADING, _EMU_PER_INCH) / height)
    paragraph = document.add_paragraph()
    _close_spaced(paragraph, after=6)
    shape = paragraph.add_run().add_picture(io.BytesIO(png), Emu(int(width * scale)), Emu(int(height * scale)))
    properties = shape._inline.find(qn("wp:docPr"))
    taken = [int(value) for value in text.root.xpath(".//wp:docPr/@id") if str(value).isdecimal()]
    properties.set("id", str(max(taken, default=0) + 1))
    properties.set("name", "Flow chart")
    properties.set("descr", plain(words))
    for blip in shape._inline.iter(qn("a:blip")):
        blip.set(qn("r:embed"), text.add_picture(png))


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
    texts = [table.header, *(tuple(figure_text(cell) or NOTHING for cell in row) for row in table.rows)]
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
    _close_spaced(document.add_paragraph(), after=0)


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
        _close_spaced(paragraph, after=1)


def _small(paragraph: Paragraph) -> None:
    """Set a note in small type, close under the one before it."""
    from docx.shared import Pt

    for run in paragraph.runs:
        run.font.size = Pt(8)
    paragraph.paragraph_format.space_after = Pt(2)


def page_size(data: bytes, name: str) -> tuple[float, float] | None:
    """Return width and height of a document's last section, or None where it has none."""
    with damage_named(name):
        sections = _Text(read_package(data, name)).root.xpath(".//w:sectPr[w:pgSz]")
        last = sections[-1] if sections else None
        return None if last is None else _page_of(last)
