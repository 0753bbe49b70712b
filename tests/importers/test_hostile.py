"""Files made to do harm, and broken ones: refused with a plain sentence, quickly and in little memory."""

from __future__ import annotations

import io
import os
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
import xlwt

from flowkit.errors import SheetError
from flowkit.importers.files import read_grids
from tests.importers.packages import ONE_CELL, ods_number, ods_table, worksheet, write_ods, write_xlsx

FAR = '<sheetData><row r="1"><c r="A1"><v>1</v></c></row>{}</sheetData>'
ENTITIES = "".join(f'<!ENTITY e{n + 1} "{f"&e{n};" * 10}">' for n in range(1, 9))
BOMB = f'<!DOCTYPE x [<!ENTITY e1 "ha">{ENTITIES}]>'


def row(cells: str) -> str:
    return f'<sheetData><row r="1">{cells}</row></sheetData>'


XLSX: dict[str, tuple[Callable[[Path], Path], str]] = {
    "zip bomb": (
        lambda p: write_xlsx(p, worksheet(f"<sheetData>{' ' * 60_000_000}</sheetData>")),
        r"unpacks to more than .* \(20 MB a part, 40 MB in all\)",
    ),
    "many middling parts": (
        lambda p: write_xlsx(p, parts={f"xl/a{n}.xml": " " * 15_000_000 for n in range(4)}),
        "40 MB in all",
    ),
    "bomb in a comment part": (lambda p: write_xlsx(p, parts={"xl/comments1.xml": " " * 30_000_000}), "unpacks"),
    "bomb named as a picture": (
        lambda p: write_xlsx(p, parts={"xl/worksheets/sheet2.png": " " * 30_000_000}),
        "unpacks",
    ),
    "last cell of the sheet": (
        lambda p: write_xlsx(p, worksheet(FAR.format('<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'))),
        "row 1048576; flowkit reads 50000 rows",
    ),
    "far cell in an unlisted part": (
        lambda p: write_xlsx(p, parts={"xl/worksheets/x.xml": worksheet(row('<c r="XFD1"><v>1</v></c>'))}),
        "column 16384; flowkit reads 1000 columns",
    ),
    "million rows": (
        lambda p: write_xlsx(p, worksheet(f"<sheetData>{'<row><c><v>1</v></c></row>' * 300_000}</sheetData>")),
        "flowkit reads 50000 rows",
    ),
    "100 000 columns": (
        lambda p: write_xlsx(p, worksheet(row("<c><v>1</v></c>" * 100_000))),
        "flowkit reads 1000 columns",
    ),
    "wide and long": (
        lambda p: write_xlsx(p, worksheet(FAR.format('<row r="900"><c r="ZZ900"><v>1</v></c></row>'))),
        "900 × 702 cells; flowkit reads 200000",
    ),
    "row number too large": (
        lambda p: write_xlsx(p, worksheet(FAR.format('<row r="99999999999"/>'))),
        "is not the address of a cell",
    ),
    "reference too large": (
        lambda p: write_xlsx(p, worksheet(row('<c r="A99999999999999999999"><v>1</v></c>'))),
        "is not the address of a cell",
    ),
    "reference too wide": (
        lambda p: write_xlsx(p, worksheet(row('<c r="AAAAAAAA1"><v>1</v></c>'))),
        "is not the address of a cell",
    ),
    "row nought": (
        lambda p: write_xlsx(p, worksheet('<sheetData><row r="0"><c r="A0"><v>1</v></c></row></sheetData>')),
        "broken",
    ),
    "XML bomb": (
        lambda p: write_xlsx(p, worksheet(row('<c r="A1"><v>&e8;</v></c>'), BOMB)),
        "declares a document type",
    ),
    "XML bomb in the workbook": (
        lambda p: write_xlsx(p, parts={"xl/workbook.xml": f"{BOMB}<workbook>&e8;</workbook>"}),
        "declares a document type",
    ),
    "long text in every cell": (
        lambda p: write_xlsx(
            p,
            worksheet(row("".join(f'<c r="A{n}" t="s"><v>0</v></c>' for n in range(1, 5000)))),
            parts={"xl/sharedStrings.xml": f"<sst><si><t>{'x' * 15_000}</t></si></sst>"},
        ),
        "20000000 characters",
    ),
    "promised texts": (
        lambda p: write_xlsx(
            p, parts={"xl/sharedStrings.xml": '<sst uniqueCount="4294967296"><si><t>a</t></si></sst>'}
        ),
        "more text than it holds",
    ),
    "promised texts, oddly": (
        lambda p: write_xlsx(p, parts={"xl/sharedStrings.xml": "<sst uniqueCount = '+9e9'><si><t>a</t></si></sst>"}),
        "more text than it holds",
    ),
    "missing shared text": (
        lambda p: write_xlsx(p, worksheet(row('<c r="A1" t="s"><v>99</v></c>'))),
        "cut off or broken",
    ),
    "no XML at all": (lambda p: write_xlsx(p, "garbage"), "broken"),
    "XML cut off": (lambda p: write_xlsx(p, worksheet("<sheetData><row><c><v>1</v></c>")), "broken"),
    "UTF-16": (lambda p: write_xlsx(p, worksheet(ONE_CELL).encode("utf-16")), "encoding"),
    "no sheets": (lambda p: write_xlsx(p, sheets=""), "no worksheet"),
    "too many sheets": (
        lambda p: write_xlsx(p, sheets='<sheet name="A" sheetId="1" r:id="rId1"/>' * 1001),
        "1001 sheets; flowkit reads up to 1000",
    ),
    "sheet without its part": (lambda p: write_xlsx(p, target="worksheets/sheet9.xml"), "missing or holds no cells"),
    "one part twice": (lambda p: write_xlsx(p, parts={"XL/Workbook.xml": "<workbook/>"}), "twice"),
    "half a million cells": (
        lambda p: write_xlsx(
            p,
            parts={
                f"xl/worksheets/s{n}.xml": worksheet(FAR.format('<row r="50000"><c r="D50000"><v>1</v></c></row>'))
                for n in range(4)
            },
        ),
        "flowkit reads 500000",
    ),
}


@pytest.mark.parametrize("name", XLSX)
def test_hostile_xlsx(tmp_path: Path, name: str) -> None:
    make, message = XLSX[name]
    with pytest.raises(SheetError, match=message) as caught:
        read_grids(make(tmp_path / "a.xlsx"))
    assert str(caught.value).startswith("a.xlsx")


def test_dimension_that_lies_is_not_believed(tmp_path: Path) -> None:
    for dimension in ("A1:XFD1048576", "Z9:A1", "nonsense!"):
        path = write_xlsx(tmp_path / "a.xlsx", worksheet(f'<dimension ref="{dimension}"/>{ONE_CELL}'))
        try:
            assert read_grids(path)[0].rows == ((1.0,),)
        except SheetError as error:
            assert "broken" in str(error)


def test_size_that_the_directory_hides(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", worksheet(f"<sheetData>{' ' * 30_000_000}</sheetData>"))
    size = zipfile.ZipFile(path).getinfo("xl/worksheets/sheet1.xml").file_size
    path.write_bytes(path.read_bytes().replace(struct.pack("<I", size), struct.pack("<I", 1000)))
    with pytest.raises(SheetError, match="unpacks to more than"):
        read_grids(path)
    small = write_xlsx(tmp_path / "b.xlsx", worksheet(ONE_CELL))
    size = zipfile.ZipFile(small).getinfo("xl/worksheets/sheet1.xml").file_size
    small.write_bytes(small.read_bytes().replace(struct.pack("<I", size), struct.pack("<I", 10)))
    with pytest.raises(SheetError, match="broken at its part"):
        read_grids(small)


def test_more_parts_than_any_workbook_has(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        for n in range(5001):
            archive.writestr(f"{n}.xml", "")
    with pytest.raises(SheetError, match="5001 parts; flowkit reads up to 5000"):
        read_grids(path)


def test_packed_in_another_way(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
    with pytest.raises(SheetError, match="packed in a way"):
        read_grids(path)


def test_encrypted_zip(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx")
    data = bytearray(path.read_bytes())
    for start in (b"PK\x03\x04", b"PK\x01\x02"):
        at = data.find(start)
        data[at + (6 if start[2] == 3 else 8)] |= 1
    path.write_bytes(bytes(data))
    with pytest.raises(SheetError, match="encrypted"):
        read_grids(path)


ODS = {
    "columns repeated": (f"<table:table-row>{ods_number(1, 900_000)}</table:table-row>", "1000 columns"),
    "rows repeated": (
        f'<table:table-row table:number-rows-repeated="99999999">{ods_number(1)}</table:table-row>',
        "50000 rows",
    ),
    "far cell": (
        '<table:table-row table:number-rows-repeated="1048575"><table:table-cell/></table:table-row>'
        f"<table:table-row>{ods_number(1)}</table:table-row>",
        "row 1048576",
    ),
    "count beyond counting": (
        f"<table:table-row>{ods_number(1, 10**20)}</table:table-row>",
        "repeats a cell",
    ),
    "text repeated": (
        '<table:table-row table:number-rows-repeated="200"><table:table-cell table:number-columns-repeated="900" '
        f'office:value-type="string"><text:p>{"x" * 1000}</text:p></table:table-cell></table:table-row>',
        "20000000 characters",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", ODS)
def test_hostile_ods(tmp_path: Path, name: str) -> None:
    rows, message = ODS[name]
    with pytest.raises(SheetError, match=message):
        read_grids(write_ods(tmp_path / "a.ods", ods_table(rows)))


def test_ods_of_too_many_cells(tmp_path: Path) -> None:
    rows = f'<table:table-row table:number-rows-repeated="40000">{ods_number(1, 5)}</table:table-row>'
    with pytest.raises(SheetError, match="500000 cells"):
        read_grids(write_ods(tmp_path / "a.ods", "".join(ods_table(rows, f"T{n}") for n in range(3))))


def test_encrypted_ods(tmp_path: Path) -> None:
    manifest = '<m:manifest xmlns:m="x"><m:file-entry><m:encryption-data/></m:file-entry></m:manifest>'
    with pytest.raises(SheetError, match="encrypted"):
        read_grids(write_ods(tmp_path / "a.ods", ods_table(""), manifest=manifest))


def xls_bytes(rows: int = 5) -> bytes:
    book = xlwt.Workbook()
    sheet = book.add_sheet("A")
    for n in range(rows):
        sheet.write(n, 0, n + 0.5)
        sheet.write(n, 1, f"text {n}")
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def patched(data: bytes, old: bytes, new: bytes) -> bytes:
    assert len(old) == len(new) and old in data
    return data.replace(old, new)


def test_encrypted_xls_and_wrapped_xlsx(tmp_path: Path) -> None:
    path = tmp_path / "a.xls"
    # The record after the workbook's BOF becomes FILEPASS.
    data = xls_bytes()
    bof = data.find(b"\x09\x08\x10\x00\x00\x06\x05\x00")
    path.write_bytes(data[: bof + 20] + b"\x2f\x00" + data[bof + 22 :])
    with pytest.raises(SheetError, match="encrypted"):
        read_grids(path)
    name = "Workbook".encode("utf-16-le") + bytes(64 - 16) + struct.pack("<H", 18)
    other = "EncryptedPackage".encode("utf-16-le") + bytes(64 - 32) + struct.pack("<H", 34)
    path.write_bytes(patched(xls_bytes(), name, other))
    with pytest.raises(SheetError, match="encrypted"):
        read_grids(path)
    document = "WordDoc\0".encode("utf-16-le") + bytes(64 - 16) + struct.pack("<H", 16)
    path.write_bytes(patched(xls_bytes(), name, document))
    with pytest.raises(SheetError, match="not a spreadsheet"):
        read_grids(path)


def test_far_cell_of_an_xls(tmp_path: Path) -> None:
    book = xlwt.Workbook()
    sheet = book.add_sheet("A")
    sheet.write(0, 0, 1)
    sheet.write(65535, 255, 2)
    path = tmp_path / "a.xls"
    book.save(str(path))
    with pytest.raises(SheetError, match="row 65536"):
        read_grids(path)


@pytest.mark.parametrize("keep", [10, 200, 511, 600, 1500, 4000])
def test_xls_cut_off(tmp_path: Path, keep: int) -> None:
    path = tmp_path / "a.xls"
    path.write_bytes(xls_bytes(200)[:keep])
    with pytest.raises(SheetError, match="cut off or broken"):
        read_grids(path)


def test_xls_whose_chain_bites_its_tail(tmp_path: Path) -> None:
    data = bytearray(xls_bytes(400))
    (fat,) = struct.unpack_from("<I", data, 76)
    at = (fat + 1) * 512
    data[at : at + 4] = struct.pack("<I", 0)
    path = tmp_path / "a.xls"
    path.write_bytes(bytes(data))
    with pytest.raises(SheetError, match="cut off or broken"):
        read_grids(path)


TEXT = {
    "one 50 MB line": (b"1," * 24_000_000, "48 MB of text, more than the 10 MB"),
    "one long line": (b"1" * 300_000, "line 1 is 300000 characters long, more than the 200000"),
    "100 000 columns": (b"1," * 99_999 + b"1\n1,2\n", "line 1 has 100000 cells, more than the 1000 columns"),
    "many quoted columns": (b'"a",' * 40_000 + b'"a"\n', "40001 cells"),
    "quotes that never close": (b'"x,' * 60_000 + b"\n", "1000 columns"),
    "many aligned columns": (b"1  " * 30_000 + b"\n" + b"2  " * 30_000, "1000 columns"),
    "many lines": (b"1,2\n" * 60_000, "60000 lines, more than the 50000"),
    "many cells": ((b"1," * 700 + b"1\n") * 400, "more than 200000 cells"),
}


@pytest.mark.parametrize("name", TEXT)
def test_hostile_text(tmp_path: Path, name: str) -> None:
    data, message = TEXT[name]
    (tmp_path / "a.csv").write_bytes(data)
    with pytest.raises(SheetError, match=message):
        read_grids(tmp_path / "a.csv")


@pytest.mark.parametrize(
    "data",
    [
        b'"\n' * 40_000,
        b'"a\n' * 40_000,
        (b',"' * 900 + b"\n") * 40,
        b"1'111 " * 30_000,
        (b"1" + b" " * 9000 + b"2\n") * 20,
    ],
)
def test_text_that_makes_simple_patterns_slow(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "a.csv").write_bytes(data)
    try:
        read_grids(tmp_path / "a.csv")
    except SheetError as error:
        assert str(error)


def test_places_that_are_no_files(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="no such file"):
        read_grids(tmp_path / "missing.csv")
    with pytest.raises(SheetError, match="a folder"):
        read_grids(tmp_path)
    with pytest.raises(SheetError, match="device or a pipe"):
        read_grids("/dev/zero")
    with pytest.raises(SheetError, match="cannot be opened"):
        read_grids("a\0b.csv")
    with pytest.raises(SheetError, match="cannot be opened"):
        read_grids("x" * 5000)
    (tmp_path / "empty.xlsx").touch()
    with pytest.raises(SheetError, match="empty"):
        read_grids(tmp_path / "empty.xlsx")
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(SheetError, match="device or a pipe"):
        read_grids(tmp_path / "pipe.csv")


def test_file_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.csv"
    path.write_text("1,2")

    def deny(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", deny)
    with pytest.raises(SheetError, match="Permission denied"):
        read_grids(path)


def test_file_larger_than_any_sheet(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    with path.open("wb") as stream:
        stream.truncate(60_000_000)
    with pytest.raises(SheetError, match="larger than 50 MB"):
        read_grids(path)


def test_a_pdf_without_a_page(tmp_path: Path) -> None:
    (tmp_path / "a.pdf").write_bytes(b"%PDF-1.7\n")
    with pytest.raises(SheetError, match="cut off or broken"):
        read_grids(tmp_path / "a.pdf")


@pytest.mark.parametrize(
    ("name", "data", "message"),
    [
        ("a.heic", b"\0\0\0\x18ftypheic", "a picture .HEIC., such as a photo"),
        ("a.csv", b"\0\0\0\x18ftypmif1", "a picture .HEIC., such as a photo"),
        ("a.csv", b"\x1f\x8b\x08", "a packed archive, not a sheet; unpack it"),
        ("a.xlsx", b"7z\xbc\xaf\x27\x1c", "a packed archive, not a sheet; unpack it"),
        ("a.toml", b"[[variant]]\n", "a job file, not a sheet; give it to flowkit compare"),
        ("a.eml", b"From: a@b.c\nTo: d@e.f\n\nIt is ready.\n", "holds no table; ask for the sheet"),
        (
            "a.eml",
            b"From: a@b.c\nContent-Type: text/plain; charset=nosuch\n\n1\n",
            "the mail cannot be read; save the table",
        ),
    ],
)
def test_what_is_no_sheet_says_what_it_is(tmp_path: Path, name: str, data: bytes, message: str) -> None:
    (tmp_path / name).write_bytes(data + 60 * b" ")
    with pytest.raises(SheetError, match=message):
        read_grids(tmp_path / name)


def test_reader_that_panics_is_a_plain_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:

    class Panic(BaseException):
        pass

    Panic.__module__ = "pyo3_runtime"

    class Reader:
        @staticmethod
        def from_filelike(_: object) -> None:
            raise Panic("index out of bounds")

    monkeypatch.setattr("python_calamine.CalamineWorkbook", Reader)
    path = write_xlsx(tmp_path / "a.xlsx")
    with pytest.raises(SheetError, match=r"a\.xlsx: the file is cut off or broken; open it"):
        read_grids(path)
    Panic.__module__ = "elsewhere"
    with pytest.raises(Panic):
        read_grids(path)


def test_package_whose_parts_stand_elsewhere(tmp_path: Path) -> None:
    data = bytearray(write_xlsx(tmp_path / "a.xlsx").read_bytes())
    at = data.find(b"PK\x03\x04", 100)
    data[at : at + 4] = b"XXXX"
    (tmp_path / "a.xlsx").write_bytes(bytes(data))
    with pytest.raises(SheetError, match="broken at its part"):
        read_grids(tmp_path / "a.xlsx")


def test_lists_of_sheets_that_differ(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from flowkit.importers.files import workbook

    monkeypatch.setattr(workbook, "_facts", lambda data: ())
    with pytest.raises(SheetError, match="cut off or broken"):
        read_grids(write_xlsx(tmp_path / "a.xlsx"))
    monkeypatch.setattr(workbook, "_facts", lambda data: (None,))
    monkeypatch.setattr(workbook, "MAX_CELLS", 0)
    with pytest.raises(SheetError, match="more than the 0 cells"):
        read_grids(write_xlsx(tmp_path / "a.xlsx"))
