"""Build files of odd make: old habits of programs, locks of other programs, several files at once."""

from __future__ import annotations

import io
import json
import logging
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import docx
import openpyxl
import pytest
from docx.shared import Mm
from jsonschema import Draft202012Validator
from pypdf import PdfReader, PdfWriter
from pypdf.generic import ArrayObject, BooleanObject, IndirectObject, NameObject, StreamObject

from flowkit.errors import AttachError
from flowkit.reports import attach as package
from flowkit.reports.attach import attach, attach_all, check_build_file, pdf_update
from flowkit.reports.attach.docx import add_block, verify_block
from flowkit.reports.attach.opc import CONTENT_TYPES, read_package, written
from flowkit.reports.attach.pdf import add_pages, verify_pages
from flowkit.reports.attach.xlsx import add_sheets, verify_sheets
from tests.reports.build_files import build_docx, build_pdf, build_xlsx, flow_pages, pages, png, with_part
from tests.reports.invented import make_contents


def saved(writer: PdfWriter) -> bytes:
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def edited(data: bytes, note: str) -> bytes:
    """The same PDF with a property changed by another program, which saved it as an update."""
    writer = PdfWriter(io.BytesIO(data), incremental=True)
    writer.add_metadata({"/Keywords": note})
    return saved(writer)


def extended(data: bytes) -> bytes:
    new = add_pages(data, flow_pages(), "b.pdf").data
    verify_pages(data, new, flow_pages(), "b.pdf")
    return new


# --- PDFs -----------------------------------------------------------------------------------


def moved(data: bytes, by: int) -> bytes:
    """A PDF whose offsets count from `by` bytes before its header."""
    start = data.rindex(b"xref\n", 0, data.rindex(b"startxref"))
    tail = re.sub(rb"(\d{10}) (\d{5}) n", lambda m: b"%010d %s n" % (int(m[1]) + by, m[2]), data[start:])
    return data[:start] + re.sub(rb"startxref\n(\d+)", lambda m: b"startxref\n%d" % (int(m[1]) + by), tail)


@pytest.mark.parametrize("from_header", [True, False])
def test_bytes_before_the_header_are_kept(from_header: bool) -> None:
    front = b"From: somebody\r\n\r\n"
    data = front + (build_pdf() if from_header else moved(build_pdf(), len(front)))
    new = extended(data)
    assert new.startswith(data)
    assert len(add_pages(new, flow_pages(), "b.pdf").data) == len(new)
    assert len(PdfReader(io.BytesIO(new)).pages) == 6


@pytest.mark.parametrize(
    "info",
    [b"<< /Title (a) /X << /Y 3 0 R >> /Z [3 0 R] >>", b"null", b"[ 1 2 ]", b"999 0 R", b"(text)", b"3 0 R"],
)
def test_odd_document_properties_are_no_hindrance(info: bytes) -> None:
    data = re.sub(rb"/Info \d+ 0 R", b"/Info " + info, pages(2, "build"))
    assert b"/Info " + info in data
    assert len(PdfReader(io.BytesIO(extended(data))).pages) == 4


def test_edits_after_edits_and_no_growth() -> None:
    """Updates of other programs one upon the other; attached twice, the file is as large as attached once."""
    data = edited(edited(build_pdf(streamed=True), "one"), "two")
    once = extended(data)
    assert len(extended(once)) == len(once)
    later = edited(once, "three")
    again = extended(later)
    assert len(PdfReader(io.BytesIO(again)).pages) == 6
    assert len(extended(again)) == len(again)


def test_many_missing_objects_take_no_time() -> None:
    """A missing object is null (ISO 32000-1, 7.3.10); looking through the whole file for each took minutes."""
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(pages(1, "build"))))
    writer.pages[0][NameObject("/Annots")] = ArrayObject(IndirectObject(50_000 + i, 0, writer) for i in range(3000))
    stream = StreamObject()
    stream.set_data(bytes(range(256)) * 40_000)
    writer._root_object[NameObject("/Large")] = writer._add_object(stream)
    data = saved(writer)
    start = time.perf_counter()
    extended(data)
    assert time.perf_counter() - start < pdf_update.TIME_S / 3


def test_time_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flowkit.reports.attach.pdf_update.TIME_S", 0.2)

    def slow(*_) -> None:
        while True:
            try:
                sum(range(1000))
            except Exception:  # as a library may swallow what is not its own
                pass

    monkeypatch.setattr("flowkit.reports.attach.pdf._refuse_protected", slow)
    with pytest.raises(AttachError, match=r"takes more than 0 s to go through; print it to a new PDF"):
        add_pages(build_pdf(), flow_pages(), "b.pdf")


def astray(data: bytes) -> bytes:
    """A PDF whose last table says wrongly where the one before it is."""
    return re.sub(rb"/Prev (\d+)", lambda m: b"/Prev " + b"91".zfill(len(m[1])), data)


def test_a_broken_chain_of_tables_is_made_anew_and_nothing_older_comes_back() -> None:
    """The last table says where the former one is, and is wrong: later objects count, as readers have it."""
    data = edited(build_pdf(streamed=True), "last")
    broken = astray(data)
    new = extended(broken)
    reader = PdfReader(io.BytesIO(new))
    assert len(reader.pages) == 6
    assert reader.metadata["/Keywords"] == "last"
    assert new.startswith(broken)


@pytest.mark.parametrize("what", [b"/Contents", b"/Resources"])
def test_a_broken_chain_with_a_page_that_lost_something_is_refused(what: bytes) -> None:
    data = edited(build_pdf(streamed=True), "last")
    broken = astray(data)
    number = re.search(rb"/Contents (\d+) 0 R", broken)[1]
    broken = broken.replace(b"\n%s 0 obj" % number, b"\n%s 0 xbj" % number)
    with pytest.raises(AttachError, match="damaged: a part that its pages need is missing"):
        add_pages(broken, flow_pages(), "b.pdf")


def test_a_file_cut_short_is_refused() -> None:
    data = edited(build_pdf(), "x")
    for share in (0.3, 0.6, 0.9, 0.99):
        with pytest.raises(AttachError, match="damaged"):
            extended(data[: int(share * len(data))])


def test_aes_is_refused_without_the_library_that_reads_it() -> None:
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(pages(1, "build"))))
    writer.encrypt("secret", algorithm="AES-256")
    program = (
        "import sys; sys.modules['cryptography'] = None\n"
        "from flowkit.reports.attach.pdf import add_pages\n"
        "from flowkit.errors import AttachError\n"
        "try: add_pages(sys.stdin.buffer.read(), b'', 'b.pdf')\n"
        "except AttachError as error: print(error)\n"
    )
    run = subprocess.run([sys.executable, "-c", program], input=saved(writer), capture_output=True, check=True)
    assert run.stdout.decode().startswith("b.pdf: the PDF is encrypted; save it without a password")
    assert run.stderr == b""


def test_the_reading_librarys_log_stays_with_us(capfd, caplog) -> None:
    data = astray(edited(build_pdf(streamed=True), "last"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(logging.getLogger("pypdf"), "propagate", False)
        extended(data)
    assert capfd.readouterr() == ("", "")
    assert logging.getLogger("pypdf").handlers == []


def test_a_silenced_log_hides_no_broken_chain(monkeypatch: pytest.MonkeyPatch) -> None:
    """The reader of PDF sheets silences the same library; a broken chain must be noticed all the same."""
    monkeypatch.setattr(logging.getLogger("pypdf"), "level", logging.CRITICAL)
    logging.getLogger("pypdf")._cache.clear()
    assert extended(astray(edited(build_pdf(streamed=True), "last"))) is not None


def test_some_pages_only(tmp_path: Path) -> None:
    path = tmp_path / "b.pdf"
    path.write_bytes(build_pdf())
    done = attach(path, make_contents(), flow_pages(3), pages=(1, 3))
    texts = [page.extract_text() for page in PdfReader(path).pages]
    assert texts[4:] == ["flow 1", "flow 3"]
    assert done.pages == 2
    assert "flowkit-data.json" in PdfReader(path).attachments
    again = attach(path, make_contents(), flow_pages(3), pages=(1,))
    assert (again.pages, again.replaced) == (1, 2)
    with pytest.raises(Exception, match=r"the flow chart has no page 4; it has 3 pages"):
        attach(path, make_contents(), flow_pages(3), pages=(4,))


# --- workbooks ------------------------------------------------------------------------------


def rels_typed_one_by_one(data: bytes) -> bytes:
    """Content types without a default for relationships, as some programs write them."""
    parts = read_package(data, "b").parts
    kind = "application/vnd.openxmlformats-package.relationships+xml"
    rels = "".join(f'<Override PartName="/{p}" ContentType="{kind}"/>' for p in parts if p.endswith(".rels"))
    types = re.sub(rb'<Default Extension="rels"[^>]*/>', b"", parts[CONTENT_TYPES])
    return with_part(data, CONTENT_TYPES, lambda _: types.replace(b"</Types>", rels.encode() + b"</Types>"))


@pytest.mark.parametrize("kind", ["xlsx", "docx"])
def test_relationships_typed_one_by_one(kind: str) -> None:
    old = rels_typed_one_by_one(build_xlsx() if kind == "xlsx" else build_docx())
    add, verify = (add_sheets, verify_sheets) if kind == "xlsx" else (add_block, verify_block)
    new = add(old, make_contents(), png(), "b").data
    verify(old, new, "b")
    made = read_package(new, "b")
    assert {made.content_type(part) for part in made.parts if part.endswith(".rels")} == {
        "application/vnd.openxmlformats-package.relationships+xml"
    }


def test_a_sheet_without_a_relationship_is_kept() -> None:
    old = with_part(
        build_xlsx(taken=("Notes",)),
        "xl/workbook.xml",
        lambda data: re.sub(rb'(<sheet [^>]*name="Notes"[^>]*?) r:id="\w+"', rb"\1", data),
    )
    new = add_sheets(old, make_contents(), png(), "b.xlsx").data
    verify_sheets(old, new, "b.xlsx")
    assert b'name="Notes"' in read_package(new, "b").parts["xl/workbook.xml"]


def test_page_one_only_leaves_the_numbers_out_unless_they_are_there() -> None:
    old = build_xlsx()
    chart = add_sheets(old, make_contents(), png(), "b.xlsx", numbers=False)
    verify_sheets(old, chart.data, "b.xlsx")
    assert openpyxl.load_workbook(io.BytesIO(chart.data)).sheetnames == ["Parts", "Flow chart"]
    whole = add_sheets(chart.data, make_contents(), png(), "b.xlsx")
    verify_sheets(chart.data, whole.data, "b.xlsx")
    kept = add_sheets(whole.data, make_contents(variants=2), png(), "b.xlsx", numbers=False)
    assert kept.added == ("sheet Flow chart", "sheet Flow numbers")


def test_notes_of_the_numbers_wrap() -> None:
    new = add_sheets(build_xlsx(), make_contents(), png(), "b.xlsx").data
    sheet = openpyxl.load_workbook(io.BytesIO(new))["Flow numbers"]
    (last,) = (cell for cell in sheet["A"] if str(cell.value).startswith("flowkit "))
    notes = [cell for cell in sheet["A"] if cell.value and len(str(cell.value)) > 60]
    assert notes
    for cell in (*notes, last):
        assert cell.alignment.wrap_text
        (area,) = (item for item in sheet.merged_cells.ranges if cell.coordinate in item)
        letters = sum(sheet.column_dimensions["A"].width for _ in range(area.size["columns"]))
        assert sheet.row_dimensions[cell.row].height >= 15 * len(str(cell.value)) / letters


# --- documents ------------------------------------------------------------------------------


def without(data: bytes, part: str, *, relationship: bool) -> bytes:
    parts = read_package(data, "b")
    changes: dict[str, bytes | None] = {part: None}
    if relationship:
        rels = "word/_rels/document.xml.rels"
        name = part.rpartition("/")[2].encode()
        changes[rels] = re.sub(rb'<Relationship [^>]*Target="' + name + rb'"[^>]*/>', b"", parts.parts[rels])
    return written(parts, changes)


@pytest.mark.parametrize("part", ["word/settings.xml", "word/styles.xml"])
@pytest.mark.parametrize("relationship", [True, False])
def test_documents_without_settings_or_styles(part: str, relationship: bool) -> None:
    old = without(build_docx(), part, relationship=relationship)
    new = add_block(old, make_contents(), png(), "b.docx")
    verify_block(old, new.data, "b.docx")
    assert len(add_block(new.data, make_contents(), png(), "b.docx").data) == len(new.data)


@pytest.mark.parametrize(
    ("style", "used"),
    [
        (b'<w:style w:type="paragraph" w:styleId="T1"><w:name w:val="Heading 1"/></w:style>', "T1"),
        (b'<w:style w:styleId="T2"><w:name w:val="heading 1"/></w:style>', "T2"),
        (b'<w:style w:type="character" w:styleId="T3"><w:name w:val="heading 1"/></w:style>', None),
        (b'<w:style w:type="paragraph" w:styleId="T4"/>', None),
    ],
)
def test_heading_styles_of_other_programs(style: bytes, used: str | None) -> None:
    head = b'<w:styles xmlns:w="http://schemas.openxmlformats.org/wordprocessingml/2006/main">'
    old = with_part(build_docx(), "word/styles.xml", lambda _: head + style + b"</w:styles>")
    new = add_block(old, make_contents(), png(), "b.docx").data
    verify_block(old, new, "b.docx")
    (paragraph,) = (p for p in docx.Document(io.BytesIO(new)).paragraphs if p.text == "Flow chart")
    own = paragraph._p.pPr.pStyle
    assert (own.val if own is not None else None) == used


def package_with(data: bytes, name: str, old: bytes, new: bytes) -> bytes:
    """The package with some bytes of one part replaced."""
    return with_part(data, name, lambda part: part.replace(old, new))


def dynamic_form() -> bytes:
    """A PDF that a reader builds anew from its form: what its pages hold is not shown."""
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(build_pdf())))
    writer.root_object[NameObject("/NeedsRendering")] = BooleanObject(True)
    return saved(writer)


MAIN = b"http://schemas.openxmlformats.org/"
STRICT = b"http://purl.oclc.org/ooxml/"
REFUSED = {
    "strict.xlsx": (
        lambda: package_with(build_xlsx(), "xl/workbook.xml", MAIN + b"spreadsheetml/2006/main", STRICT + b"s/main"),
        "this workbook is in the strict variant of its format; save it as .xlsx",
    ),
    "strict.docx": (
        lambda: package_with(
            build_docx(), "word/document.xml", MAIN + b"wordprocessingml/2006/main", STRICT + b"w/main"
        ),
        "this document is in the strict variant of its format; save it as .docx",
    ),
    "no text.docx": (
        lambda: with_part(
            build_docx(), "word/document.xml", lambda part: re.sub(rb"<w:body>.*</w:body>", b"", part, flags=re.S)
        ),
        "the file is damaged; open it in the program",
    ),
    "no main part.xlsx": (
        lambda: package_with(build_xlsx(), "_rels/.rels", b"/officeDocument", b"/nothing"),
        "the file has no main part; open it in the program",
    ),
    "not xml.docx": (
        lambda: with_part(build_docx(), "word/document.xml", lambda part: part[:-20]),
        "a part of the file is damaged; open it in the program",
    ),
    "form.pdf": (dynamic_form, "the PDF is a dynamic form that hides its pages; print it to a new PDF"),
}
"""A build file, and how the sentence that refuses it begins."""


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_extended_is_named_and_left_as_it_is(name: str, tmp_path: Path) -> None:
    make, words = REFUSED[name]
    path = tmp_path / name
    path.write_bytes(old := make())
    for call in (lambda: attach(path, make_contents(), flow_pages(), png()), lambda: check_build_file(path)):
        with pytest.raises(AttachError) as caught:
            call()
        assert str(caught.value).startswith(f"{name}: {words}")
    assert [item.read_bytes() for item in tmp_path.iterdir()] == [old]


def attached(data: bytes, path: Path) -> bytes:
    """The document with the chart attached twice: the second time must not make it longer."""
    path.write_bytes(data)
    attach(path, make_contents(), chart_png=png())
    once = path.stat().st_size
    attach(path, make_contents(), chart_png=png())
    assert path.stat().st_size == once
    return path.read_bytes()


def test_documents_with_macros_without_relationships_and_with_decimals_in_their_margins(tmp_path: Path) -> None:
    macros = with_part(
        build_docx(),
        CONTENT_TYPES,
        lambda part: part.replace(
            b"vnd.openxmlformats-officedocument.wordprocessingml.document.main",
            b"vnd.ms-word.document.macroEnabled.main",
        ),
    )
    new = read_package(attached(macros, tmp_path / "build.docm"), "build.docm")
    assert "macroEnabled" in new.content_type(new.document)
    decimals = with_part(
        build_docx(), "word/document.xml", lambda part: re.sub(rb'(w:pgSz w:w="\d+)"', rb'\1.0"', part)
    )
    assert b'.0"' in read_package(decimals, "b.docx").parts["word/document.xml"]
    attached(decimals, tmp_path / "decimals.docx")
    plain = io.BytesIO()
    docx.Document().save(plain)
    package = read_package(plain.getvalue(), "b.docx")
    bare = written(package, {"word/_rels/document.xml.rels": None})
    assert docx.Document(io.BytesIO(attached(bare, tmp_path / "bare.docx"))).inline_shapes


def test_a_workbook_of_openpyxl_does_not_grow(tmp_path: Path) -> None:
    out = io.BytesIO()
    openpyxl.Workbook().save(out)
    attached(out.getvalue(), tmp_path / "build.xlsx")


def test_what_the_library_says_of_a_damaged_pdf_is_not_passed_on() -> None:
    for error in (NotImplementedError("Unsupported filter /Fla3eDecode"), AttributeError("no attribute '_data'")):
        with pytest.raises(AttachError, match=r"^b\.pdf: the PDF is damaged;"), pdf_update.damage_named("b.pdf"):
            raise error


def test_styles_of_the_builder_cannot_clip_the_picture() -> None:
    """An exact line height would cut it down to a line."""
    document = docx.Document(io.BytesIO(build_docx()))
    document.styles["Normal"].paragraph_format.line_spacing = Mm(4)
    out = io.BytesIO()
    document.save(out)
    new = docx.Document(io.BytesIO(add_block(out.getvalue(), make_contents(), png(), "b.docx").data))
    (paragraph,) = (p for p in new.paragraphs if p._p.xpath(".//wp:docPr[@name='Flow chart']"))
    assert paragraph.paragraph_format.line_spacing == 1.0


# --- other programs and names ---------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX locks")
@pytest.mark.parametrize("way", ["flock", "lockf"])
def test_a_file_locked_by_another_program_is_left_alone(way: str, tmp_path: Path) -> None:
    path = tmp_path / "b.pdf"
    path.write_bytes(build_pdf())
    program = (
        f"import fcntl, sys; f = open({str(path)!r}, 'r+b'); fcntl.{way}(f, fcntl.LOCK_EX); "
        "print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout.readline() == "held\n"
        for call in (lambda: attach(path, make_contents(), flow_pages()), lambda: check_build_file(path)):
            with pytest.raises(AttachError, match=r"open in another program, which has locked it; close it there"):
                call()
        other.stdin.close()
    assert path.read_bytes() == build_pdf()
    assert [item.name for item in tmp_path.iterdir()] == ["b.pdf"]
    attach(path, make_contents(), flow_pages())


def test_hard_links_and_owners_are_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "b.pdf"
    path.write_bytes(build_pdf())
    assert attach(path, make_contents(), flow_pages()).notes == ()
    (tmp_path / "other name.pdf").hardlink_to(path)
    (note,) = attach(path, make_contents(), flow_pages()).notes
    assert note.startswith("the file had 2 names (hard links): only this one leads to the new file")
    if os.getuid() == 0:

        def refuse(*_) -> None:
            raise PermissionError(1, "not allowed")

        os.chown(path, 65534, 65534)
        monkeypatch.setattr(os, "chown", refuse)
        (note,) = attach(path, make_contents(), flow_pages()).notes
        assert re.match(r"the new file belongs to root:root, the original belonged to \S+:\S+", note)


# --- several at once ------------------------------------------------------------------------


def test_looked_at_before_anything_is_drawn_and_drawn_once(tmp_path: Path) -> None:
    a4 = PdfWriter()
    a4.add_blank_page(595, 842)
    files = {
        "letter.pdf": build_pdf(),
        "again.pdf": build_pdf(),
        "a4.pdf": saved(a4),
        "b.xlsx": build_xlsx(),
        "bad.txt": b"no",
        "b.docx": build_docx(),
    }
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    calls: list[object] = []

    def gather():
        calls.append("gathered")
        return make_contents()

    def draw(contents, form: str, paper: str) -> bytes:
        calls.append((form, paper))
        return flow_pages() if form == "pdf" else png()

    done = attach_all([tmp_path / name for name in files], gather, draw, default_paper="a4")
    assert calls == ["gathered", ("pdf", "letter"), ("pdf", "a4"), ("png", "a4"), ("png", "letter")]
    assert [item.report is not None for item in done] == [True, True, True, True, False, True]
    assert "cannot add pages to this kind of file" in done[4].message
    calls.clear()
    (only,) = attach_all([tmp_path / "bad.txt"], gather, draw)
    assert calls == [] and only.report is None


def test_the_command_names_each_file(tmp_path: Path, capsys, monkeypatch: pytest.MonkeyPatch) -> None:
    from flowkit.cli.app import run
    from flowkit.samples import sample_job

    monkeypatch.setattr(
        "flowkit.reports.pages.page_files",
        lambda contents, *, formats, paper, mark: {form: flow_pages(3) if form == "pdf" else png() for form in formats},
    )
    monkeypatch.setattr("flowkit.job.job.Job.run", lambda self, **_: None)
    monkeypatch.setattr("flowkit.job.job.contents_of", lambda job, results: make_contents())
    (tmp_path / "a.pdf").write_bytes(build_pdf())
    (tmp_path / "b.xlsx").write_bytes(build_xlsx())
    (tmp_path / "c.docx").write_bytes(b"PK\3\4")
    names = [str(tmp_path / name) for name in ("a.pdf", "b.xlsx", "c.docx")]
    assert run(["attach", str(sample_job()), *names, "--pages", "1", "--json"]) == 1
    out, err = capsys.readouterr()
    document = json.loads(out)
    assert document["kind"] == "attach"
    schema = Path(__file__).resolve().parents[2] / "docs/reference/results.schema.json"
    Draft202012Validator(json.loads(schema.read_text(encoding="utf-8"))).validate(document)
    rows = document["files"]
    assert [(row["file"], row["status"], row["pages"]) for row in rows] == [
        (names[0], "attached", 1),
        (names[1], "attached", None),
        (names[2], "refused", None),
    ]
    assert Path(rows[0]["backup"]).read_bytes() == build_pdf()
    assert rows[2]["backup"] is None and rows[2]["message"].strip() == err.strip()
    assert run(["attach", str(sample_job()), names[0]]) == 0
    out, err = capsys.readouterr()
    assert "a.pdf: added pages 5 to 7, in place of the earlier ones" in " ".join(out.split())
    assert "backup of the original:" in out
    assert run(["attach", str(sample_job()), names[0], "--pages", "0"]) == 2
    assert package.__all__


TRACED = """
import sys
from flowkit.errors import AttachError
from flowkit.reports.attach.pdf_update import within

def called():
    pass

for seconds in (60, 0.1):
    try:
        with within(seconds, "a.pdf"):
            while seconds < 1:
                pass
    except AttachError:
        pass
    sys.settrace(lambda *_: None)
    called()
    sys.settrace(None)
"""


def test_a_bounded_reading_leaves_no_interruption_waiting() -> None:
    """Python 3.11 goes round for ever in a traced call where one is said to wait and none does."""
    subprocess.run([sys.executable, "-c", TRACED], check=True, timeout=30)
