"""Flow pages in a PDF build file. What is expected stands in the build file itself; nothing is computed by flowkit."""

from __future__ import annotations

import io
import json
import shutil
import subprocess

import pytest
from pypdf import PdfReader, PdfWriter
from pypdf.generic import ArrayObject, BooleanObject, DictionaryObject, NameObject, NumberObject, TextStringObject

from flowkit.errors import AttachError
from flowkit.reports.attach import attach, build_file_kind
from flowkit.reports.attach.pdf import add_pages, verify_pages
from tests.reports.build_files import build_pdf, flow_pages, pages


def texts(data: bytes) -> list[str]:
    return [page.extract_text().strip() for page in PdfReader(io.BytesIO(data)).pages]


def titles(outline) -> list:
    return [titles(item) if isinstance(item, list) else item.title for item in outline]


def words(word: str, *numbers: int) -> list[str]:
    return [f"{word} {number}" for number in numbers]


def saved(writer: PdfWriter) -> bytes:
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


@pytest.mark.parametrize("streamed", [False, True])
def test_pages_come_behind_and_everything_else_stays(streamed: bool) -> None:
    old = build_pdf(streamed=streamed)
    done = add_pages(old, flow_pages(), "b.pdf")
    assert done.added == ("page 5", "page 6")
    assert done.replaced == 0
    assert done.data.startswith(old)
    assert texts(done.data) == words("build", 1, 2, 3, 4) + words("flow", 1, 2)
    before, after = PdfReader(io.BytesIO(old)), PdfReader(io.BytesIO(done.data), strict=True)
    assert titles(after.outline) == ["Parts", ["Valves"], "Assembly", "Flow chart"]
    assert after.get_destination_page_number(after.outline[-1]) == 4
    assert after.metadata == before.metadata
    assert after.trailer["/ID"][0] == before.trailer["/ID"][0]
    assert after.trailer["/ID"][1] != before.trailer["/ID"][1]
    assert after.page_labels == ["i", "ii", "B-7", "B-8", "Flow 1", "Flow 2"]
    assert after.get_fields()["torque"]["/V"] == "25 Nm"
    assert after.pages[1]["/Annots"][0].get_object()["/Contents"] == "check this"
    assert after.root_object["/Metadata"].get_data() == before.root_object["/Metadata"].get_data()
    assert after.get_destination_page_number(after.named_destinations["valves"]) == 2
    assert after.attachments["parts.txt"] == [b"four valves"]
    assert json.loads(after.attachments["flowkit-data.json"][0])["word"] == "flow"
    tail = done.data[int(done.data.rsplit(b"startxref", 1)[1].split()[0]) :]
    assert tail.startswith(b"xref") is not streamed


@pytest.mark.parametrize("after", [0, 1, 3, 4])
def test_pages_follow_the_page_asked_for(after: int) -> None:
    done = add_pages(build_pdf(), flow_pages(), "b.pdf", after=after)
    expected = words("build", 1, 2, 3, 4)
    expected[after:after] = words("flow", 1, 2)
    assert texts(done.data) == expected
    labels = ["i", "ii", "B-7", "B-8"]
    labels[after:after] = ["Flow 1", "Flow 2"]
    reader = PdfReader(io.BytesIO(done.data))
    assert reader.page_labels == labels
    assert reader.get_destination_page_number(reader.named_destinations["valves"]) == expected.index("build 3")
    verify_pages(build_pdf(), done.data, flow_pages(), "b.pdf")


def test_a_page_that_does_not_exist_is_refused() -> None:
    with pytest.raises(
        AttachError, match=r"^b\.pdf: there is no page 5 to put them after; the build file has 4 pages\.$"
    ):
        add_pages(build_pdf(), flow_pages(), "b.pdf", after=5)


def test_attached_again_the_former_pages_give_way_and_the_file_does_not_grow() -> None:
    once = add_pages(build_pdf(), flow_pages(), "b.pdf", after=2)
    other = add_pages(once.data, flow_pages(3, "new"), "b.pdf")
    assert other.replaced == 2
    assert texts(other.data) == words("build", 1, 2) + words("new", 1, 2, 3) + words("build", 3, 4)
    assert titles(PdfReader(io.BytesIO(other.data)).outline).count("Flow chart") == 1
    again = add_pages(other.data, flow_pages(), "b.pdf")
    assert again.data == once.data
    moved = add_pages(once.data, flow_pages(), "b.pdf", after=0)
    assert texts(moved.data) == words("flow", 1, 2) + words("build", 1, 2, 3, 4)
    attached = PdfReader(io.BytesIO(other.data)).attachments
    assert [json.loads(item)["word"] for item in attached["flowkit-data.json"]] == ["new"]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_what_others_added_since_survives(count: int) -> None:
    once = add_pages(build_pdf(), flow_pages(), "b.pdf", after=2)
    writer = PdfWriter(io.BytesIO(once.data), incremental=True)
    writer.add_outline_item(title="Added later", page_number=2)
    note = DictionaryObject({NameObject("/Type"): NameObject("/Annot"), NameObject("/Subtype"): NameObject("/Text")})
    note[NameObject("/Contents")] = TextStringObject("port 3 again")
    note[NameObject("/Rect")] = ArrayObject(NumberObject(n) for n in (0, 0, 20, 20))
    writer.pages[2][NameObject("/Annots")] = ArrayObject([writer._add_object(note)])
    noted = saved(writer)
    done = add_pages(noted, flow_pages(count, "new"), "b.pdf")
    verify_pages(noted, done.data, flow_pages(count, "new"), "b.pdf")
    reader = PdfReader(io.BytesIO(done.data), strict=True)
    assert texts(done.data) == words("build", 1, 2) + words("new", *range(1, count + 1)) + words("build", 3, 4)
    assert titles(reader.outline) == ["Parts", ["Valves"], "Assembly", "Flow chart", "Added later"]
    assert reader.get_destination_page_number(reader.outline[-1]) == 2
    assert reader.pages[2]["/Annots"][0].get_object()["/Contents"] == "port 3 again"
    assert len(reader.attachments["flowkit-data.json"]) == 1


def test_a_file_saved_anew_by_another_program_still_knows_its_flow_pages() -> None:
    once = add_pages(build_pdf(), flow_pages(), "b.pdf", after=2)
    anew = saved(PdfWriter(clone_from=PdfReader(io.BytesIO(once.data))))
    done = add_pages(anew, flow_pages(1, "new"), "b.pdf")
    assert done.replaced == 2
    assert texts(done.data) == [*words("build", 1, 2), "new 1", *words("build", 3, 4)]
    assert titles(PdfReader(io.BytesIO(done.data)).outline).count("Flow chart") == 1


def test_inherited_rotation_does_not_turn_the_flow_pages() -> None:
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(pages(2, "build"))))
    node = writer.root_object["/Pages"].get_object()
    node[NameObject("/Rotate")] = NumberObject(90)
    node[NameObject("/CropBox")] = ArrayObject(NumberObject(n) for n in (0, 0, 100, 100))
    done = add_pages(saved(writer), flow_pages(1), "b.pdf", after=1)
    reader = PdfReader(io.BytesIO(done.data))
    assert [page.rotation for page in reader.pages] == [90, 0, 90]
    assert [float(page.cropbox.width) for page in reader.pages] == [100, 612, 100]


def test_a_bare_file_gets_an_outline_but_no_labels() -> None:
    done = add_pages(pages(1, "build"), flow_pages(1, data=False), "b.pdf")
    reader = PdfReader(io.BytesIO(done.data), strict=True)
    assert titles(reader.outline) == ["Flow chart"]
    assert "/PageLabels" not in reader.root_object
    assert not dict(reader.attachments)


def test_nested_page_trees_and_name_trees_are_kept() -> None:
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(pages(4, "build"))))
    root = writer.root_object["/Pages"].get_object()
    kids = list(root["/Kids"])
    nodes = []
    for half in (kids[:2], kids[2:]):
        node = DictionaryObject({NameObject("/Type"): NameObject("/Pages"), NameObject("/Kids"): ArrayObject(half)})
        node[NameObject("/Count")] = NumberObject(2)
        node[NameObject("/Parent")] = writer.root_object.raw_get("/Pages")
        nodes.append(writer._add_object(node))
        for kid in half:
            kid.get_object()[NameObject("/Parent")] = nodes[-1]
    root[NameObject("/Kids")] = ArrayObject(nodes)
    writer.add_attachment("b.txt", b"b")
    writer.add_attachment("z.txt", b"z")
    flat = writer.root_object["/Names"]["/EmbeddedFiles"].get_object()
    leaf = writer._add_object(
        DictionaryObject(
            {NameObject("/Names"): flat["/Names"], NameObject("/Limits"): ArrayObject(flat["/Names"][::2])}
        )
    )
    del flat["/Names"]
    flat[NameObject("/Kids")] = ArrayObject([leaf])
    done = add_pages(saved(writer), flow_pages(), "b.pdf", after=2)
    reader = PdfReader(io.BytesIO(done.data))
    assert texts(done.data) == words("build", 1, 2) + words("flow", 1, 2) + words("build", 3, 4)
    assert reader.root_object["/Pages"]["/Count"] == 6
    assert [kid.get_object()["/Count"] for kid in reader.root_object["/Pages"]["/Kids"]] == [4, 2]
    names = reader.root_object["/Names"]["/EmbeddedFiles"]["/Names"][::2]
    assert names == ["b.txt", "flowkit-data.json", "z.txt"]


def test_data_of_another_flow_chart_in_the_build_file_is_kept() -> None:
    old = flow_pages(2, "another job")
    once = add_pages(old, flow_pages(), "b.pdf")
    twice = add_pages(once.data, flow_pages(1, "new"), "b.pdf")
    for done, word in ((once, "flow"), (twice, "new")):
        attached = PdfReader(io.BytesIO(done.data)).attachments
        assert json.loads(attached["flowkit-data.json"][0])["word"] == "another job"
        assert json.loads(attached["flowkit-data-2.json"][0])["word"] == word


def signed(data: bytes, **where) -> bytes:
    """A PDF that says it is signed: in a field, or by the rights in its catalogue."""
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(data)))
    field = DictionaryObject({NameObject("/T"): TextStringObject("Signature1"), NameObject("/FT"): NameObject("/Sig")})
    signature = DictionaryObject({NameObject("/Type"): NameObject("/Sig")})
    if where.get("filled"):
        field[NameObject("/V")] = writer._add_object(signature)
    parent = DictionaryObject({NameObject("/T"): TextStringObject("group")})
    parent[NameObject("/Kids")] = ArrayObject([writer._add_object(field)])
    form = DictionaryObject({NameObject("/Fields"): ArrayObject([writer._add_object(parent)])})
    writer.root_object[NameObject("/AcroForm")] = form
    if where.get("rights"):
        rights = DictionaryObject({NameObject("/DocMDP"): writer._add_object(signature)})
        writer.root_object[NameObject("/Perms")] = rights
    return saved(writer)


@pytest.mark.parametrize("where", [{"filled": True}, {"rights": True}])
def test_signed_files_are_refused(where: dict) -> None:
    with pytest.raises(AttachError, match="digitally signed, and any change would break the signature"):
        add_pages(signed(pages(1, "build"), **where), flow_pages(), "b.pdf")


def test_an_empty_signature_field_does_not_hinder() -> None:
    assert add_pages(signed(pages(1, "build")), flow_pages(), "b.pdf").added == ("page 2", "page 3")


@pytest.mark.parametrize("password", ["", "secret"])
def test_encrypted_files_are_refused(password: str) -> None:
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(pages(1, "build"))))
    writer.encrypt(user_password=password, owner_password="owner", algorithm="RC4-128")
    with pytest.raises(AttachError, match=r"^b\.pdf: the PDF is encrypted; save it without a password"):
        add_pages(saved(writer), flow_pages(), "b.pdf")


def test_dynamic_forms_are_refused() -> None:
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(pages(1, "build"))))
    writer.root_object[NameObject("/NeedsRendering")] = BooleanObject(True)
    with pytest.raises(AttachError, match="hides its pages"):
        add_pages(saved(writer), flow_pages(), "b.pdf")


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: b"%PDF-1.4\n",
        lambda data: data[: len(data) // 2],
        lambda data: data.replace(b"startxref", b"startxrex"),
        lambda data: data.replace(b"/Kids", b"/Kinds"),
        lambda data: data.replace(b"/Type /Catalog", b"/Type /Cataleg").replace(b"/Pages", b"/Sages"),
        lambda data: data[: data.rindex(b"startxref")] + b"startxref\n17\n%%EOF\n",
    ],
)
def test_damaged_files_are_refused_in_plain_words(damage) -> None:
    with pytest.raises(AttachError, match=r"damaged|lack"):
        done = add_pages(damage(build_pdf()), flow_pages(), "b.pdf")
        verify_pages(damage(build_pdf()), done.data, flow_pages(), "b.pdf")


@pytest.mark.parametrize("lost", ["pages", "outline entries", "attachments", "document properties", "bytes"])
def test_losses_are_noticed(lost: str) -> None:
    """Each loss is made on purpose, and must be named."""
    old = build_pdf()
    good = add_pages(old, flow_pages(), "b.pdf").data
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(good)))
    if lost == "pages":
        writer.remove_page(1)
    elif lost == "outline entries":
        del writer.root_object["/Outlines"]
    elif lost == "attachments":
        del writer.root_object["/Names"]["/EmbeddedFiles"]
    elif lost == "document properties":
        writer.add_metadata({"/Author": "nobody"})
    with pytest.raises(AttachError, match=rf"would lose .*{lost}"):
        verify_pages(old, saved(writer), flow_pages(), "b.pdf")


def test_missing_flow_pages_are_noticed() -> None:
    with pytest.raises(AttachError, match="the flow pages do not fit in"):
        verify_pages(build_pdf(), build_pdf(), flow_pages(), "b.pdf")


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="poppler is not installed")
@pytest.mark.parametrize("streamed", [False, True])
def test_another_reader_opens_it_without_complaint(streamed: bool, tmp_path) -> None:
    path = tmp_path / "build.pdf"
    path.write_bytes(build_pdf(streamed=streamed))
    attach(path, None, flow_pages(), after=1)
    attach(path, None, flow_pages(3, "new"))
    told = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True)
    assert "Error" not in told.stderr
    assert "Pages:           7" in told.stdout
    assert "A. Builder (invented)" in told.stdout
    shown = subprocess.run(["pdftotext", path, "-"], capture_output=True, text=True, check=True)
    assert not shown.stderr
    assert shown.stdout.split("\f")[1].strip() == "new 1"


def test_a_pdf_is_known_by_its_content(tmp_path) -> None:
    path = tmp_path / "build.xlsx"
    path.write_bytes(build_pdf())
    assert build_file_kind(path) == "pdf"
