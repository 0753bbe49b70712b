"""Compound files laid by hand after [MS-CFB]: small streams, far tables, chains that do not hold."""

from __future__ import annotations

import io
import os
import random
import struct
from pathlib import Path

import pytest
import xlwt

from flowkit.errors import SheetError
from flowkit.importers.files import read_grids
from flowkit.importers.files import xls as module
from flowkit.importers.files.xls import CompoundFile, without_macros, xls_facts

FREE, END, FAT, DIFAT = 0xFFFFFFFF, 0xFFFFFFFE, 0xFFFFFFFD, 0xFFFFFFFC


def numbers(*values: int, fill: int = FREE) -> bytes:
    """One sector of sector numbers."""
    return struct.pack("<128I", *values, *[fill] * (128 - len(values)))


def entry(name: str, kind: int, start: int, size: int) -> bytes:
    """One directory entry."""
    text = name.encode("utf-16-le") + b"\0\0"
    return (
        text.ljust(64, b"\0") + struct.pack("<HBB", len(text), kind, 1) + struct.pack("<3I", FREE, FREE, FREE)
        + bytes(36) + struct.pack("<IQ", start, size)
    )  # fmt: skip


def compound(content: bytes, *, far_table: bool = False, minifat: bytes | None = None, name: str = "Workbook") -> bytes:
    """A compound file that keeps a small stream among the small ones.

    Sectors: 0 the FAT, 1 the directory, 2 the mini FAT, 3 the FAT's own table, then the mini stream.
    """
    units = -(-len(content) // 64)
    sectors = -(-units // 8)
    chain = [*range(1, units), END]
    fat = numbers(FAT, END, END, DIFAT if far_table else FREE, *range(5, 4 + sectors), END)
    directory = entry("Root Entry", 5, 4, units * 64) + entry(name, 2, 0, len(content)) + bytes(256)
    header = bytearray(512)
    header[:8] = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
    struct.pack_into("<5H", header, 24, 0x3E, 3, 0xFFFE, 9, 6)
    struct.pack_into("<II", header, 44, 1, 1)
    struct.pack_into("<IIIII", header, 56, 4096, 2, 1, 3 if far_table else END, int(far_table))
    struct.pack_into("<109I", header, 76, *([] if far_table else [0]), *[FREE] * (109 if far_table else 108))
    body = fat + directory + (minifat or numbers(*chain)) + numbers(0, fill=FREE)[:508] + struct.pack("<I", END)
    return bytes(header) + body + content.ljust(sectors * 512, b"\0")


@pytest.mark.parametrize("far_table", [False, True])
@pytest.mark.parametrize("size", [1, 64, 700, 4000])
def test_small_streams(size: int, far_table: bool) -> None:
    content = bytes(n % 251 for n in range(size))
    found = CompoundFile(compound(content, far_table=far_table))
    assert "workbook" in found and "WORKBOOK" in found and "Book" not in found
    assert found.stream("Workbook") == content


def test_small_stream_whose_chain_bites_its_tail() -> None:
    broken = CompoundFile(compound(bytes(700), minifat=numbers(1, 0)))
    with pytest.raises(SheetError, match="cut off or broken"):
        broken.stream("Workbook")


def test_small_stream_that_is_too_short() -> None:
    broken = CompoundFile(compound(bytes(700), minifat=numbers(END)))
    with pytest.raises(SheetError, match="cut off or broken"):
        broken.stream("Workbook")


def test_sector_beyond_the_end() -> None:
    data = compound(bytes(700))
    with pytest.raises(SheetError, match="cut off or broken"):
        CompoundFile(data[:1024])
    odd = bytearray(data)
    odd[30] = 77  # the size of a sector
    with pytest.raises(SheetError, match="cut off or broken"):
        CompoundFile(bytes(odd))


def records(*found: tuple[int, bytes]) -> bytes:
    """Records of a workbook stream."""
    return b"".join(struct.pack("<HH", kind, len(body)) + body for kind, body in found)


BOF = (0x809, struct.pack("<HH", 0x600, 5) + bytes(12))
EOF = (0x0A, b"")


def stream(*cells: tuple[int, bytes], kind: int = 0) -> bytes:
    """A workbook of one sheet."""
    sheet_entry = struct.pack("<IBBBB", 0, 0, kind, 1, 0) + b"A"
    start = len(records(BOF, (0x85, sheet_entry), EOF))
    sheet_entry = struct.pack("<IBBBB", start, 0, kind, 1, 0) + b"A"
    return records(BOF, (0x85, sheet_entry), EOF, BOF, *cells, EOF)


def test_facts_from_records() -> None:
    number = (0x203, struct.pack("<HHHd", 2, 3, 0, 1.5))
    formula_error = (0x06, struct.pack("<HHHBBBBHH", 4, 1, 0, 2, 0, 7, 0, 0, 0xFFFF) + bytes(8))
    formula_text = (0x06, struct.pack("<HHHBBBBHH", 5, 1, 0, 0, 0, 0, 0, 0, 0xFFFF) + bytes(8))
    unknown_error = (0x205, struct.pack("<HHHBB", 6, 1, 0, 99, 1))
    boolean = (0x205, struct.pack("<HHHBB", 7, 1, 0, 1, 0))
    row = (0x208, struct.pack("<HHHHHHHH", 9, 0, 0, 0, 0, 0, 0x20, 0))
    shown = (0x208, struct.pack("<HHHHHHHH", 10, 0, 0, 0, 0, 0, 0, 0))
    many = (0xBD, struct.pack("<HH", 3, 1) + bytes(12) + struct.pack("<H", 2))
    chart = [BOF, number, EOF]
    data = compound(stream(number, formula_error, formula_text, unknown_error, boolean, row, shown, many, *chart))
    (facts,) = xls_facts(data)
    assert facts is not None
    assert facts.errors == {(4, 1): "#DIV/0!", (6, 1): "#VALUE!"}
    assert facts.hidden_rows == {9}
    assert facts.formula_gaps == frozenset()


def test_sheets_of_other_kinds_and_records_cut_short() -> None:
    assert xls_facts(compound(stream(kind=2))) == (None,)
    short = [(0x203, b"\0"), (0x208, b"\0"), (0xBD, b"\0"), (0x7D, b"\0"), (0x06, bytes(6)), (0x205, bytes(6))]
    (facts,) = xls_facts(compound(stream(*short)))
    assert facts is not None and not facts.errors


def test_password_within_a_sheet() -> None:
    with pytest.raises(SheetError, match="encrypted"):
        xls_facts(compound(stream((0x2F, bytes(6)))))


def test_too_many_sheets() -> None:
    sheet_entry = struct.pack("<IBBBB", 0, 0, 0, 1, 0) + b"A"
    content = records(BOF, *[(0x85, sheet_entry)] * 1001, EOF)

    class Whole:
        """A compound file that is nothing but its stream, of whatever length."""

        def __init__(self, data: bytes) -> None:
            self.data = data

        def __contains__(self, name: str) -> bool:
            return name == "Workbook"

        def stream(self, name: str) -> bytes:
            return self.data

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "CompoundFile", Whole)
        with pytest.raises(SheetError, match="1001 sheets; flowkit reads up to 1000"):
            xls_facts(content)
        far = (0x203, struct.pack("<HHHd", 49_999, 3, 0, 1.5))
        whole = records(BOF, *[(0x85, sheet_entry)] * 3, EOF)
        entries = [(0x85, struct.pack("<IBBBB", len(whole), 0, 0, 1, 0) + b"A")] * 3
        with pytest.raises(SheetError, match="600000 cells; flowkit reads 500000"):
            xls_facts(records(BOF, *entries, EOF) + records(BOF, far, EOF))


def test_a_workbook_in_small_streams_reads(tmp_path: Path) -> None:
    book = xlwt.Workbook()
    book.add_sheet("A").write(1, 1, 2.5)
    out = io.BytesIO()
    book.save(out)
    whole = CompoundFile(out.getvalue()).stream("Workbook").rstrip(b"\0") + bytes(3)
    assert len(whole) < 4096
    path = tmp_path / "a.xls"
    path.write_bytes(compound(whole))
    assert read_grids(path)[0].value(1, 1) == 2.5


def dimensions(first_row: int, rows: int, first: int, columns: int) -> tuple[int, bytes]:
    """A sheet's stated extent."""
    return (0x200, struct.pack("<IIHHH", first_row, rows, first, columns, 0))


def test_room_is_not_made_for_what_is_only_promised() -> None:
    """Each of these made the reader ask for hundreds of gigabytes, and the process end."""
    with pytest.raises(SheetError, match="ends before it begins"):
        xls_facts(compound(stream(dimensions(0x9900, 0x14, 0, 2))))
    with pytest.raises(SheetError, match="ends before it begins"):
        xls_facts(compound(stream(dimensions(0, 2, 9, 2))))
    with pytest.raises(SheetError, match="row 4294967040"):
        xls_facts(compound(stream(dimensions(0, 0xFFFFFF00, 0, 2))))
    assert xls_facts(compound(stream(dimensions(0, 0, 0, 0)))) != ()
    texts = records(BOF, (0xFC, struct.pack("<II", 1, 2**31)), EOF)
    with pytest.raises(SheetError, match="more text than it holds"):
        xls_facts(compound(texts))
    for at in (40, 44, 64, 72):
        data = bytearray(compound(bytes(700)))
        struct.pack_into("<I", data, at, 2**31)
        with pytest.raises(SheetError, match="cut off or broken"):
            CompoundFile(bytes(data))
    sized = bytearray(compound(bytes(700)))
    at = sized.find("Workbook".encode("utf-16-le")) + 120
    struct.pack_into("<I", sized, at, 2**31)
    with pytest.raises(SheetError, match="cut off or broken"):
        CompoundFile(bytes(sized))


def test_directory_that_ends_early() -> None:
    data = compound(bytes(64))
    with pytest.raises(SheetError, match="cut off or broken"):
        CompoundFile(data[: 512 + 512 + 200])


def test_macros_are_not_unpacked() -> None:
    data = compound(stream(), name="_VBA_PROJECT_CUR")
    assert len(without_macros(data)) == len(data)
    assert "_VBA_PROJECT_CUR" not in CompoundFile(without_macros(data))


def test_reader_that_trips_writes_nothing_of_its_own(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A sheet that begins beyond the end of its stream makes the reader panic."""
    start = struct.pack("<IBBBB", 66_666, 0, 0, 1, 0) + b"A"
    path = tmp_path / "a.xls"
    path.write_bytes(compound(records(BOF, (0x85, start), EOF)))
    with pytest.raises(SheetError):
        read_grids(path)
    assert capfd.readouterr().err == ""


def test_without_a_terminal_it_reads_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = xlwt.Workbook()
    book.add_sheet("A").write(0, 0, 1.5)
    book.save(str(tmp_path / "a.xls"))

    def none(_: int) -> int:
        raise OSError(9, "Bad file descriptor")

    monkeypatch.setattr(os, "dup", none)
    assert read_grids(tmp_path / "a.xls")[0].rows == ((1.5,),)


def test_changed_structures_are_read_or_refused(tmp_path: Path) -> None:
    book = xlwt.Workbook()
    for row in range(8):
        book_sheet = book.get_sheet(0) if row else book.add_sheet("A")
        book_sheet.write(row, 0, f"text {row}")
        book_sheet.write(row, 1, row * 1.5)
    out = io.BytesIO()
    book.save(out)
    path = tmp_path / "a.xls"
    luck = random.Random(7)
    for _ in range(250):
        data = bytearray(out.getvalue())
        for _ in range(luck.randint(1, 6)):
            at = luck.choice([luck.randrange(len(data)), luck.randrange(512), luck.randrange(512, 3000)])
            data[at] = luck.choice([0, 1, 128, 254, 255])
        path.write_bytes(bytes(data[: luck.randrange(len(data) // 2, len(data) * 2)]))
        try:
            read_grids(path)
        except SheetError as error:
            assert str(error).startswith("a.xls")
