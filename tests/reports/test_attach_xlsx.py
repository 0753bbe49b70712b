"""Flow sheets in a workbook. What must not change is compared byte for byte with the build file."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import zipfile

import openpyxl
import pytest

from flowkit.errors import AttachError
from flowkit.model import JobInfo
from flowkit.reports.attach import build_file_kind
from flowkit.reports.attach.tables import Figure, figure_text, picture_inches, tables
from flowkit.reports.attach.xlsx import Formats, add_sheets, verify_sheets
from flowkit.units import from_si
from tests.reports.build_files import build_xlsx, parts, png, with_part
from tests.reports.invented import make_contents

MAY_CHANGE = {"[Content_Types].xml", "xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/styles.xml"}
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


@pytest.mark.parametrize("macros", [False, True])
def test_every_other_part_stays_byte_for_byte(macros: bool) -> None:
    old = build_xlsx(macros=macros)
    done = add_sheets(old, make_contents(), png(), "b.xlsx")
    assert done.added == ("sheet Flow chart", "sheet Flow numbers")
    before, after = parts(old), parts(done.data)
    assert {name for name in before if after[name] != before[name]} == MAY_CHANGE
    assert sorted(set(after) - set(before)) == [
        "xl/drawings/_rels/flowkit-chart.xml.rels",
        "xl/drawings/flowkit-chart.xml",
        "xl/media/flowkit-chart.png",
        "xl/worksheets/_rels/flowkit-chart.xml.rels",
        "xl/worksheets/flowkit-chart.xml",
        "xl/worksheets/flowkit-numbers.xml",
    ]
    assert list(after)[: len(before)] == list(before)
    if macros:
        assert after["xl/vbaProject.bin"] == before["xl/vbaProject.bin"]
    with zipfile.ZipFile(io.BytesIO(done.data)) as archive:
        assert archive.comment == b"kept"


def test_workbook_list_and_styles_only_grow() -> None:
    before, after = parts(build_xlsx()), parts(add_sheets(build_xlsx(), make_contents(), png(), "b.xlsx").data)
    for name, tags in (("xl/workbook.xml", ("sheet", "definedName")), ("xl/styles.xml", ("xf", "font", "numFmt"))):
        for tag in tags:
            pattern = rf"<{tag}[ >/].*?(?=<)".encode()
            old, new = re.findall(pattern, before[name]), re.findall(pattern, after[name])
            assert [item for item in new if item in old][: len(old)] == old
            assert len(new) > len(old)


def test_openpyxl_opens_it_with_all_that_was_there() -> None:
    done = add_sheets(build_xlsx(macros=True), make_contents(), png(), "b.xlsm")
    book = openpyxl.load_workbook(io.BytesIO(done.data), keep_vba=True)
    assert book.sheetnames == ["Parts", "Flow chart", "Flow numbers"]
    sheet = book["Parts"]
    assert sheet["B5"].value == "=SUM(B2:B4)"
    assert sheet["A1"].font.bold
    assert sheet["A1"].font.color.rgb == "00FF0000"
    assert sheet["B2"].number_format == "#,##0.00 [$EUR]"
    assert len(sheet._charts) == len(sheet._images) == 1
    assert book.defined_names["total"].attr_text == "Parts!$B$5"
    assert sheet.print_title_rows == "$1:$1"
    assert book.vba_archive is not None
    picture = book["Flow chart"]._images[0]
    assert picture._data() == png()


def test_numbers_stand_in_the_sheet_in_the_units_of_the_job() -> None:
    contents = make_contents(display="metric")
    book = openpyxl.load_workbook(io.BytesIO(add_sheets(build_xlsx(), contents, png(), "b.xlsx").data))
    rows = list(book["Flow numbers"].iter_rows(values_only=True))
    side = contents.comparison.sides["intake"]
    assert rows[2][0] == "Intake flow at 28 inH2O, L/s"  # as the pages have it
    assert rows[3][:5] == ("lift, mm", *(item.name for item in side.variants))
    assert rows[4][0] == pytest.approx(side.variants[0].lifts_m[0] * 1000, rel=1e-12)
    assert rows[4][1] == pytest.approx(side.variants[0].flow_m3_s[0] * 1000, rel=1e-12)
    assert rows[14][:2] == ("mean flow", pytest.approx(side.variants[0].mean_flow_m3_s * 1000, rel=1e-12))
    assert rows[16][0] == "Intake gain over as received, %"
    assert rows[17][:5] == ("lift, mm", "seats recut", "from, 95 %", "to, 95 %", "ports blended")
    gain = side.totals[0]
    assert rows[28][:4] == ("mean flow", gain.mean_flow_gain, gain.mean_flow_gain_low, gain.mean_flow_gain_high)
    sheet = book["Flow numbers"]
    assert sheet["B29"].number_format == "+0.0%;-0.0%;0.0%"
    assert sheet["B5"].number_format == "0.00"
    text = " ".join(str(row[0]) for row in rows[30:])
    assert "as_received.csv 3f9a2c1e" in text


def test_text_is_never_a_formula_nor_breaks_the_file() -> None:
    names = ("=1+1", "+cmd|x", "-2", "@SUM(A1)", "a\x00b\x1f<&>\"'{x}", "x" * 40_000)
    info = JobInfo(title='=HYPERLINK("x")\x08', number="{0}")
    contents = make_contents(variants=names, info=info)
    book = openpyxl.load_workbook(io.BytesIO(add_sheets(build_xlsx(), contents, png(), "b.xlsx").data))
    sheet = book["Flow numbers"]
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} <= {"s", "n", "inlineStr"}
    assert sheet["A1"].value == '=HYPERLINK("x") · {0}'
    assert [cell.value for cell in sheet[4][1:6]] == ["=1+1", "+cmd|x", "-2", "@SUM(A1)", "ab<&>\"'{x}"]


def test_titles_and_part_names_in_use_are_left_alone() -> None:
    old = build_xlsx(taken=("Flow chart", "flow NUMBERS"))
    old = with_part(old, "xl/worksheets/FLOWKIT-chart.xml", lambda _: b"<x/>")
    done = add_sheets(old, make_contents(), png(), "b.xlsx")
    book = openpyxl.load_workbook(io.BytesIO(done.data))
    assert book.sheetnames == ["Parts", "Flow chart", "flow NUMBERS", "Flow chart (2)", "Flow numbers (2)"]
    assert book["Flow chart"]["A1"].value == "the builder's own Flow chart"
    assert parts(done.data)["xl/worksheets/FLOWKIT-chart.xml"] == b"<x/>"
    assert "xl/worksheets/flowkit-chart-2.xml" in parts(done.data)
    verify_sheets(old, done.data, "b.xlsx")


def test_attached_again_the_former_sheets_give_way() -> None:
    old = build_xlsx()
    once = add_sheets(old, make_contents(), png(), "b.xlsx")
    other = add_sheets(once.data, make_contents(variants=2), png(50), "b.xlsx")
    assert other.replaced == 2
    assert set(parts(other.data)) == set(parts(once.data))
    book = openpyxl.load_workbook(io.BytesIO(other.data))
    assert book.sheetnames == ["Parts", "Flow chart", "Flow numbers"]
    assert book["Flow chart"]._images[0]._data() == png(50)
    again = add_sheets(other.data, make_contents(), png(), "b.xlsx")
    third = add_sheets(again.data, make_contents(), png(), "b.xlsx")
    assert parts(third.data) == parts(again.data)
    verify_sheets(once.data, other.data, "b.xlsx")


def test_sheets_are_known_again_after_another_program_saved_and_renamed_them() -> None:
    """openpyxl stands for the other program: it names every part anew."""
    once = add_sheets(build_xlsx(), make_contents(), png(), "b.xlsx")
    book = openpyxl.load_workbook(io.BytesIO(once.data))
    book["Flow numbers"].title = "Builder's flow"
    book.defined_names["_flowkit_numbers"].attr_text = "'Builder''s flow'!$A$1"
    book.move_sheet("Builder's flow", -2)
    book.create_sheet("Later")["A1"] = "='Builder''s flow'!B5"
    out = io.BytesIO()
    book.save(out)
    saved = out.getvalue()
    done = add_sheets(saved, make_contents(variants=2), png(50), "b.xlsx")
    assert done.replaced == 2
    assert done.added == ("sheet Flow chart", "sheet Builder's flow")
    after = openpyxl.load_workbook(io.BytesIO(done.data))
    assert after.sheetnames == ["Builder's flow", "Parts", "Flow chart", "Later"]
    assert after["Later"]["A1"].value == "='Builder''s flow'!B5"
    assert len([name for name in parts(done.data) if "media/" in name]) == 2
    verify_sheets(saved, done.data, "b.xlsx")


def test_a_flow_sheet_the_builder_deleted_is_added_again() -> None:
    once = add_sheets(build_xlsx(), make_contents(), png(), "b.xlsx")
    book = openpyxl.load_workbook(io.BytesIO(once.data))
    del book["Flow chart"]
    book.defined_names["_flowkit_chart"].attr_text = "#REF!$A$1"
    out = io.BytesIO()
    book.save(out)
    done = add_sheets(out.getvalue(), make_contents(), png(), "b.xlsx")
    assert done.replaced == 1
    assert openpyxl.load_workbook(io.BytesIO(done.data)).sheetnames == ["Parts", "Flow numbers", "Flow chart"]


def test_the_order_of_calculation_does_not_outlive_formulas_in_a_former_sheet() -> None:
    once = add_sheets(build_xlsx(), make_contents(), png(), "b.xlsx").data
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    line = f'<Relationship Id="rIdC" Type="{office}/calcChain" Target="calcChain.xml"/></Relationships>'.encode()
    once = with_part(once, "xl/_rels/workbook.xml.rels", lambda data: data.replace(b"</Relationships>", line))
    once = with_part(once, "xl/calcChain.xml", lambda _: b'<calcChain xmlns="x"><c r="B1" i="3"/></calcChain>')
    kept = add_sheets(once, make_contents(), png(), "b.xlsx")
    assert "xl/calcChain.xml" in parts(kept.data)
    formula = with_part(
        once,
        "xl/worksheets/flowkit-numbers.xml",
        lambda data: data.replace(b"<sheetData>", b'<sheetData><row r="999"><c r="B999"><f>1+1</f></c></row>'),
    )
    done = add_sheets(formula, make_contents(), png(), "b.xlsx")
    assert "xl/calcChain.xml" not in parts(done.data)
    assert b"calcChain" not in parts(done.data)["xl/_rels/workbook.xml.rels"]
    verify_sheets(formula, done.data, "b.xlsx")


@pytest.mark.filterwarnings("ignore:Workbook contains no default style")
def test_a_workbook_without_styles_or_names_gets_them() -> None:
    old = build_xlsx()
    old = with_part(old, "xl/styles.xml", lambda _: None)
    old = with_part(old, "[Content_Types].xml", lambda d: re.sub(rb"<Override[^>]*styles[^>]*/>", b"", d))
    old = with_part(old, "xl/_rels/workbook.xml.rels", lambda d: re.sub(rb"<Relationship [^>]*styles[^>]*/>", b"", d))
    old = with_part(old, "xl/workbook.xml", lambda d: re.sub(rb"<definedNames>.*</definedNames>", b"", d))
    old = with_part(
        old, "xl/worksheets/sheet1.xml", lambda d: re.sub(rb' s="\d+"', b"", re.sub(rb"<cols>.*</cols>", b"", d))
    )
    done = add_sheets(old, make_contents(), png(), "b.xlsx")
    verify_sheets(old, done.data, "b.xlsx")
    book = openpyxl.load_workbook(io.BytesIO(done.data))
    assert book["Flow numbers"]["A1"].font.bold
    root = openpyxl.xml.functions.fromstring(parts(done.data)["xl/workbook.xml"])
    order = [child.tag.removeprefix(MAIN) for child in root]
    assert order.index("definedNames") == order.index("sheets") + 1


def test_formats_are_found_or_made_at_their_place() -> None:
    bare = f'<styleSheet xmlns="{MAIN[1:-1]}"><borders count="0"/><cellXfs count="0"/></styleSheet>'.encode()
    formats = Formats(bare, "b.xlsx")
    first = formats.format("0.0", bold=True)
    assert formats.format("0.0", bold=True) == first
    assert Formats(formats.rendered(), "b.xlsx").format("0.0", bold=True) == first
    tags = [child.tag.removeprefix(MAIN) for child in openpyxl.xml.functions.fromstring(formats.rendered())]
    assert tags == ["numFmts", "fonts", "borders", "cellXfs"]


@pytest.mark.parametrize(
    ("part", "change", "words"),
    [
        (
            "xl/workbook.xml",
            lambda d: d.replace(b"<workbookProtection", b'<workbookProtection lockStructure="1"'),
            "structure is protected",
        ),
        ("_xmlsignatures/origin.sigs", lambda _: b"", "digitally signed"),
        ("xl/workbook.xml", lambda d: d.replace(MAIN[1:-1].encode(), b"http://purl.oclc.org/ooxml/x"), "strict"),
        ("xl/workbook.xml", lambda d: d[:-20], "a part of the file is damaged"),
        ("_rels/.rels", lambda _: None, "has no main part"),
        ("[Content_Types].xml", lambda _: None, "not a workbook or document"),
    ],
)
def test_what_cannot_be_extended_is_refused(part: str, change, words: str) -> None:
    with pytest.raises(AttachError, match=words):
        add_sheets(with_part(build_xlsx(), part, change), make_contents(), png(), "b.xlsx")


def test_unlocked_protection_does_not_hinder() -> None:
    old = with_part(
        build_xlsx(),
        "xl/workbook.xml",
        lambda d: d.replace(b"<workbookProtection", b'<workbookProtection lockWindows="1"'),
    )
    assert add_sheets(old, make_contents(), png(), "b.xlsx").added


def damaged_zips() -> list[tuple[bytes, str]]:
    good = build_xlsx()
    twice = io.BytesIO(good)
    with zipfile.ZipFile(twice, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("xl/workbook.xml", b"<x/>")
    place = good.index(b"xl/workbook.xml") + 60
    broken = good[:place] + bytes(40) + good[place + 40 :]
    encrypted = bytearray(good)
    for at in (match.start() for match in re.finditer(b"PK\x01\x02", good)):
        encrypted[at + 8] |= 1
    huge = bytearray(good)
    for at in (match.start() for match in re.finditer(b"PK\x01\x02", good)):
        huge[at + 24 : at + 28] = b"\xfe\xff\xff\xff"
    return [
        (good[:-100], "damaged"),
        (twice.getvalue(), "two parts of one name"),
        (broken, "damaged"),
        (bytes(encrypted), "encrypted"),
        (bytes(huge), "unpacks to more than 4 GB"),
    ]


def test_damaged_packages_are_refused_in_plain_words() -> None:
    for data, words in damaged_zips():
        with pytest.raises(AttachError, match=words):
            add_sheets(data, make_contents(), png(), "b.xlsx")


@pytest.mark.parametrize(
    ("part", "change", "words"),
    [
        ("xl/drawings/drawing1.xml", lambda d: d + b" ", "xl/drawings/drawing1.xml"),
        ("xl/media/image1.png", lambda _: None, "xl/media/image1.png"),
        ("xl/workbook.xml", lambda d: d.replace(b'name="Parts"', b'name="Ports"'), "sheets"),
        ("xl/workbook.xml", lambda d: d.replace(b"Parts!$B$5", b"Parts!$B$6"), "names"),
        ("xl/workbook.xml", lambda d: d.replace(b"_flowkit_chart", b"_other"), "flow sheets"),
        ("xl/styles.xml", lambda d: d.replace(b"FF0000", b"FF0001"), "cell formats"),
    ],
)
def test_losses_are_noticed(part: str, change, words: str) -> None:
    """Each loss is made on purpose, and must be named."""
    old = build_xlsx()
    good = add_sheets(old, make_contents(), png(), "b.xlsx").data
    with pytest.raises(AttachError, match=f"would lose .*{re.escape(words)}"):
        verify_sheets(old, with_part(good, part, change), "b.xlsx")


def test_the_picture_keeps_its_printed_size() -> None:
    assert picture_inches(png()) == pytest.approx((0.85, 1.1), rel=1e-3)
    with pytest.raises(ValueError, match="not a PNG"):
        picture_inches(b"GIF89a")


def test_large_jobs_fit() -> None:
    contents = make_contents(variants=8, ports=16, lifts=40)
    book = openpyxl.load_workbook(io.BytesIO(add_sheets(build_xlsx(), contents, png(), "b.xlsx").data))
    assert book["Flow numbers"].max_column == 22
    assert book["Flow numbers"].max_row > 4 * 42


def test_one_variant_has_no_gains() -> None:
    contents = make_contents(variants=1, lifts=1, known=False)
    assert [table.title for table in tables(contents)] == [
        "Intake flow at 28 inH2O, CFM",
        "Exhaust flow at 28 inH2O, CFM",
    ]
    lift = tables(contents)[0].rows[0][0]
    assert isinstance(lift, Figure)
    assert lift.value == pytest.approx(from_si(0.010, "in"))


def test_unassessed_gains_say_why() -> None:
    contents = make_contents(variants=2, known=False)
    book = openpyxl.load_workbook(io.BytesIO(add_sheets(build_xlsx(), contents, png(), "b.xlsx").data))
    text = [row[0] for row in book["Flow numbers"].iter_rows(values_only=True)]
    assert any("not assessed: no port was measured twice" in str(item) for item in text)
    gain = tables(contents)[1].rows[0][1]
    assert "±" not in figure_text(gain)


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_libreoffice_opens_it(tmp_path) -> None:
    path = tmp_path / "build.xlsm"
    path.write_bytes(add_sheets(build_xlsx(macros=True), make_contents(), png(), "b.xlsm").data)
    assert build_file_kind(path) == "xlsx"
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    subprocess.run(
        ["soffice", profile, "--headless", "--convert-to", "xlsx", "--outdir", tmp_path / "out", path],
        capture_output=True,
        check=True,
    )
    resaved = (tmp_path / "out" / "build.xlsx").read_bytes()
    book = openpyxl.load_workbook(io.BytesIO(resaved), data_only=True)
    assert book.sheetnames == ["Parts", "Flow chart", "Flow numbers"]
    assert book["Parts"]["B5"].value == 23.75
    assert len(book["Flow chart"]._images) == 1
    assert book["Flow numbers"]["A3"].value == "Intake flow at 28 inH2O, CFM"
    # Saved by another program with part names of its own, the sheets are known again.
    assert add_sheets(resaved, make_contents(), png(50), "b.xlsx").replaced == 2
