"""The flow chart in a document. What must not change is compared byte for byte with the build file."""

from __future__ import annotations

import copy
import io
import re

import docx
import pytest
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Emu, Inches

from flowkit.errors import AttachError
from flowkit.reports.attach.docx import add_block, verify_block
from tests.reports.build_files import build_docx, parts, png, with_part
from tests.reports.invented import make_contents

MARK = "_flowkit_flow_chart"


def opened(data: bytes):
    return docx.Document(io.BytesIO(data))


def saved(document) -> bytes:
    out = io.BytesIO()
    document.save(out)
    return out.getvalue()


def texts(data: bytes) -> list[str]:
    return [paragraph.text for paragraph in opened(data).paragraphs if paragraph.text]


def marks(data: bytes) -> list[str]:
    return re.findall(r'<w:bookmarkStart[^>]*w:name="([^"]*)"', parts(data)["word/document.xml"].decode())


def test_heading_picture_and_tables_come_at_the_end_and_every_other_part_stays() -> None:
    old = build_docx()
    done = add_block(old, make_contents(), png(), "b.docx")
    assert done.added == ("heading", "picture", "4 tables")
    before, after = parts(old), parts(done.data)
    changed = {name for name in before if after[name] != before[name]}
    assert changed == {"[Content_Types].xml", "word/document.xml", "word/_rels/document.xml.rels"}
    assert sorted(set(after) - set(before)) == ["word/media/flowkit-chart.png"]
    assert after["word/media/flowkit-chart.png"] == png()
    document = opened(done.data)
    assert texts(done.data)[:4] == ["Build file", "Before the work.", "Cylinder head:", "After the work."]
    heading = next(paragraph for paragraph in document.paragraphs if paragraph.text == "Flow chart")
    assert heading.style.name == "Heading 1"
    assert len(document.inline_shapes) == 2
    assert document.inline_shapes[1].width == pytest.approx(Inches(0.85), rel=1e-3)
    assert len(document.tables) == 5
    assert len(document.sections) == 2
    assert texts(done.data)[-1].startswith("flowkit ")


def test_tables_hold_the_numbers_of_the_comparison() -> None:
    contents = make_contents()
    document = opened(add_block(build_docx(), contents, png(), "b.docx").data)
    side = contents.comparison.sides["intake"]
    flows, gains = document.tables[1:3]
    assert [cell.text for cell in flows.rows[0].cells] == ["lift, in", *(item.name for item in side.variants)]
    cfm = 0.3048**3 / 60
    assert flows.cell(1, 1).text == f"{side.variants[0].flow_m3_s[0] / cfm:.1f}"
    assert flows.cell(11, 0).text == "mean flow"
    assert flows.cell(11, 4).text == f"{side.variants[3].mean_flow_m3_s / cfm:.1f}"
    gain = side.totals[2]
    expected = f"{gain.mean_flow_gain * 100:+.1f} ± {gain.mean_flow_gain_u95 * 100:.1f}"
    assert gains.cell(11, 3).text == expected
    assert flows.rows[0]._tr.trPr.find(qn("w:tblHeader")) is not None


@pytest.mark.parametrize(("bookmark", "before"), [("head", "Cylinder head:"), ("in cell", None)])
def test_the_block_follows_a_bookmark(bookmark: str, before: str | None) -> None:
    done = add_block(build_docx(), make_contents(), png(size=(1700, 2200)), "b.docx", bookmark=bookmark)
    verify_block(build_docx(), done.data, "b.docx")
    if before:
        order = texts(done.data)
        assert order[order.index(before) + 1] == "Flow chart"
        assert order[-1] == "After the work."
        return
    cell = opened(done.data).tables[0].cell(1, 1)
    assert next(paragraph.text for paragraph in cell.paragraphs if paragraph.text) == "Flow chart"
    assert len(cell.tables) == 4
    width = Emu(int(cell._tc.xpath(".//wp:extent/@cx")[0]))
    assert width <= cell.width
    assert cell._tc[-1].tag == qn("w:p")


def test_an_unknown_bookmark_is_refused_with_those_there_are() -> None:
    with pytest.raises(AttachError, match=r"^b\.docx: the main text has no bookmark 'haed'; it has head, in cell\.$"):
        add_block(build_docx(), make_contents(), png(), "b.docx", bookmark="haed")
    with pytest.raises(AttachError, match="it has none"):
        add_block(saved(docx.Document()), make_contents(), png(), "b.docx", bookmark="x")


def test_a_bookmark_in_a_text_box_puts_the_block_behind_the_box() -> None:
    document = opened(build_docx())
    box = OxmlElement("w:r")
    holder = OxmlElement("w:pict")
    content = copy.deepcopy(document.paragraphs[2]._p)
    content[-2].set(qn("w:name"), "boxed")
    frame = holder.makeelement(qn("w:txbxContent"))
    frame.append(content)
    holder.append(frame)
    box.append(holder)
    document.paragraphs[1]._p.append(box)
    done = add_block(saved(document), make_contents(), png(), "b.docx", bookmark="boxed")
    body = list(opened(done.data).element.body)
    assert body[2].text == "Flow chart"


def test_attached_again_the_former_block_gives_way() -> None:
    once = add_block(build_docx(), make_contents(), png(), "b.docx", bookmark="head")
    other = add_block(once.data, make_contents(variants=2), png(50), "b.docx")
    assert other.replaced == 1
    verify_block(once.data, other.data, "b.docx")
    assert len(parts(other.data)) == len(parts(once.data))
    assert sorted(data for name, data in parts(other.data).items() if "media" in name) == sorted([png(120), png(50)])
    order = texts(other.data)
    assert order[order.index("Cylinder head:") + 1] == "Flow chart"
    assert order.count("Flow chart") == 1
    assert marks(other.data).count(MARK) == 1
    again = add_block(other.data, make_contents(), png(), "b.docx")
    assert parts(again.data) == parts(once.data)
    moved = add_block(once.data, make_contents(), png(), "b.docx", bookmark="in cell")
    assert texts(moved.data).count("Flow chart") == 0
    assert len(opened(moved.data).tables[0].cell(1, 1).tables) == 4


def end_of_block(document):
    starts = document.element.body.xpath(f".//w:bookmarkStart[@w:name='{MARK}']")
    number = starts[0].get(qn("w:id"))
    return starts[0], document.element.body.xpath(f".//w:bookmarkEnd[@w:id='{number}']")[0]


def test_what_the_builder_wrote_before_and_behind_is_kept() -> None:
    document = opened(add_block(build_docx(), make_contents(), png(), "b.docx").data)
    start, end = end_of_block(document)
    for mark, add in ((start, start.addprevious), (end, end.addnext)):
        run = OxmlElement("w:r")
        text = OxmlElement("w:t")
        text.text = "note before" if mark is start else "note behind"
        run.append(text)
        add(run)
    noted = saved(document)
    done = add_block(noted, make_contents(variants=2), png(50), "b.docx")
    verify_block(noted, done.data, "b.docx")
    order = texts(done.data)
    assert "note before" in order
    assert "note behind" in order
    assert order.count("Flow chart") == 1


def test_a_section_the_builder_ended_in_the_block_is_kept() -> None:
    document = opened(add_block(build_docx(), make_contents(), png(), "b.docx").data)
    _, end = end_of_block(document)
    properties = end.getparent().get_or_add_pPr()
    properties.append(copy.deepcopy(document.element.body.sectPr))
    done = add_block(saved(document), make_contents(), png(50), "b.docx")
    assert len(opened(done.data).sections) == 3
    assert texts(done.data).count("Flow chart") == 1


def test_a_block_that_was_taken_apart_is_left_as_the_builders_own() -> None:
    document = opened(add_block(build_docx(), make_contents(), png(), "b.docx").data)
    _, end = end_of_block(document)
    end.getparent().remove(end)
    apart = saved(document)
    done = add_block(apart, make_contents(), png(50), "b.docx")
    assert done.replaced == 0
    assert texts(done.data).count("Flow chart") == 2
    assert marks(done.data).count(MARK) == 1
    verify_block(apart, done.data, "b.docx")


def test_a_table_of_the_builder_that_the_end_slipped_into_is_kept() -> None:
    document = opened(add_block(build_docx(), make_contents(), png(), "b.docx").data)
    _, end = end_of_block(document)
    table = document.add_table(1, 1)
    table.cell(0, 0).text = "torque"
    table.cell(0, 0).paragraphs[0]._p.append(end)
    slipped = saved(document)
    done = add_block(slipped, make_contents(), png(50), "b.docx")
    assert done.replaced == 1
    assert [t.cell(0, 0).text for t in opened(done.data).tables].count("torque") == 1
    verify_block(slipped, done.data, "b.docx")


def test_a_picture_the_builder_uses_elsewhere_is_kept() -> None:
    old = build_docx()
    once = add_block(old, make_contents(), png(120), "b.docx")
    assert set(parts(once.data)) - set(parts(old)) == {"word/media/flowkit-chart.png"}
    done = add_block(once.data, make_contents(), png(50), "b.docx")
    assert parts(done.data)["word/media/image1.png"] == png(120)
    verify_block(once.data, done.data, "b.docx")


def test_columns_and_large_pictures_stay_within_the_text() -> None:
    document = docx.Document()
    columns = document.sections[0]._sectPr.find(qn("w:cols"))
    columns.set(qn("w:num"), "2")
    columns.set(qn("w:space"), "720")
    done = add_block(saved(document), make_contents(), png(size=(1700, 2200)), "b.docx")
    section = docx.Document().sections[0]
    text = section.page_width - section.left_margin - section.right_margin
    shape = opened(done.data).inline_shapes[0]
    assert shape.width <= (text - Inches(0.5)) / 2
    assert shape.width / shape.height == pytest.approx(1700 / 2200, rel=1e-3)


def test_a_document_without_section_or_heading_style_gets_a_plain_heading() -> None:
    document = docx.Document()
    document.element.body.remove(document.element.body.sectPr)
    document.styles["Heading 1"].delete()
    done = add_block(saved(document), make_contents(), png(), "b.docx")
    heading = next(paragraph for paragraph in opened(done.data).paragraphs if paragraph.text == "Flow chart")
    assert heading.runs[0].bold
    assert heading._p.pPr.find(qn("w:outlineLvl")) is not None


def protected(data: bytes) -> bytes:
    mark = b'<w:documentProtection w:edit="readOnly" w:enforcement="1"/></w:settings>'
    return with_part(data, "word/settings.xml", lambda d: d.replace(b"</w:settings>", mark))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (protected, "protected against editing"),
        (lambda d: with_part(d, "word/document.xml", lambda x: x[:-30]), "damaged"),
        (lambda d: with_part(d, "_rels/.rels", lambda _: None), "no main part|damaged"),
        (lambda d: with_part(d, "_xmlsignatures/sig1.xml", lambda _: b"<x/>"), "digitally signed"),
    ],
)
def test_what_cannot_be_extended_is_refused(change, words: str) -> None:
    with pytest.raises(AttachError, match=words):
        add_block(change(build_docx()), make_contents(), png(), "b.docx")


@pytest.mark.parametrize(
    ("part", "change", "words"),
    [
        ("word/styles.xml", lambda d: d + b" ", "word/styles.xml"),
        ("word/media/image1.png", lambda _: None, "word/media/image1.png"),
        ("word/document.xml", lambda d: d.replace(b"After the work.", b"After the wark."), "text"),
        ("word/document.xml", lambda d: d.replace(MARK.encode(), b"_x"), "flow chart"),
        (
            "word/_rels/document.xml.rels",
            lambda d: re.sub(rb"<Relationship [^>]*fontTable[^>]*/>", b"", d),
            "fontTable",
        ),
    ],
)
def test_losses_are_noticed(part: str, change, words: str) -> None:
    """Each loss is made on purpose, and must be named."""
    old = build_docx()
    good = add_block(old, make_contents(), png(), "b.docx").data
    with pytest.raises(AttachError, match=f"(?s)would lose .*{re.escape(words)}|damaged"):
        verify_block(old, with_part(good, part, change), "b.docx")


def test_parts_nobody_refers_to_are_kept() -> None:
    old = with_part(build_docx(), "custom/orphan.bin", lambda _: b"kept")
    done = add_block(old, make_contents(), png(), "b.docx")
    assert parts(done.data)["custom/orphan.bin"] == b"kept"


def test_control_characters_do_not_break_the_document() -> None:
    contents = make_contents(variants=("a\x00b", "c\x0bd"))
    document = opened(add_block(build_docx(), contents, png(), "b.docx").data)
    assert [cell.text for cell in document.tables[1].rows[0].cells] == ["lift, in", "ab", "cd"]
