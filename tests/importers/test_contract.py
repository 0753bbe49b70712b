"""One contract for all readers: whatever the kind of file, the same sheet gives the same tests."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from flowkit.errors import SheetError
from flowkit.importers import ReadResult, read
from tests.importers.sheets import write_xlsx

Rows = Sequence[Sequence[Any]]
ROWS: Rows = (
    ("Test pressure", "28 inH2O"),
    ("Operator", "M. Müller"),
    ("Lift (mm)", "Intake 1 (L/s)", "Exhaust 1 (L/s)"),
    (1.5, 15.25, 12.0),
    (3.0, 31.5, 25.5),
    (4.5, 45.0, 36.75),
)
HEADER_ONLY: Rows = ROWS[:3]
DECIMAL_COMMA: Rows = (*ROWS[:3], *(tuple(str(cell).replace(".", ",") for cell in row) for row in ROWS[3:]))


def _text(delimiter: str, encoding: str, newline: str = "\n") -> Callable[[Path, Rows], None]:
    def write(path: Path, rows: Rows) -> None:
        with path.open("w", newline="", encoding=encoding) as stream:
            csv.writer(stream, delimiter=delimiter, lineterminator=newline).writerows(rows)

    return write


def _xlsx(path: Path, rows: Rows) -> None:
    write_xlsx(path, {"Sheet1": rows})


def _xls(path: Path, rows: Rows) -> None:
    import xlwt

    book = xlwt.Workbook()
    page = book.add_sheet("Sheet1")
    for r, row in enumerate(rows):
        for c, value in enumerate(row):
            page.write(r, c, value)
    book.save(str(path))


def _ods(path: Path, rows: Rows) -> None:
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table, TableCell, TableRow
    from odf.text import P

    book = OpenDocumentSpreadsheet()
    page = Table(name="Sheet1")
    for row in rows:
        line = TableRow()
        for value in row:
            if isinstance(value, float):
                cell = TableCell(valuetype="float", value=repr(value))
            else:
                cell = TableCell(valuetype="string")
            cell.addElement(P(text=str(value)))
            line.addElement(cell)
        page.addElement(line)
    book.spreadsheet.addElement(page)
    book.save(str(path))


READERS: dict[str, tuple[str, Callable[[Path, Rows], None]]] = {
    "csv": (".csv", _text(",", "utf-8")),
    "csv with BOM, CRLF": (".csv", _text(",", "utf-8-sig", "\r\n")),
    "semicolon, Windows-1252": (".csv", _text(";", "cp1252")),
    "tsv, CR": (".tsv", _text("\t", "utf-8", "\r")),
    "pipe, UTF-16": (".txt", _text("|", "utf-16")),
    "xlsx": (".xlsx", _xlsx),
    "xlsm": (".xlsm", _xlsx),
    "xls": (".xls", _xls),
    "ods": (".ods", _ods),
}


@pytest.fixture(params=READERS)
def reader(request: pytest.FixtureRequest) -> tuple[str, Callable[[Path, Rows], None]]:
    return READERS[request.param]


def content(result: ReadResult) -> list[tuple[Any, ...]]:
    """All of a result but the addresses."""
    return [
        (
            t.side,
            t.port,
            t.run,
            t.conditions.operator,
            t.conditions.test_pressure_pa,
            [(p.lift_m, p.flow_m3_s) for p in t.points],
        )
        for t in result.tests
    ]


WANTED = [
    (
        "intake",
        "1",
        1,
        "M. Müller",
        pytest.approx(28 * 249.08891),
        [(0.0015, 0.01525), (0.003, 0.0315), (0.0045, 0.045)],
    ),
    (
        "exhaust",
        "1",
        1,
        "M. Müller",
        pytest.approx(28 * 249.08891),
        [(0.0015, 0.012), (0.003, 0.0255), (0.0045, 0.03675)],
    ),
]


def test_a_good_file(reader: tuple[str, Callable[[Path, Rows], None]], tmp_path: Path) -> None:
    suffix, write = reader
    path = tmp_path / f"after work{suffix}"
    write(path, ROWS)
    result = read(path)
    assert content(result) == WANTED
    assert result.findings == ()
    assert read(str(path)).tests == result.tests
    assert {t.variant for t in result.tests} == {"after work"}
    assert all(p.source.startswith(path.name) for t in result.tests for p in t.points)
    assert read(path, label="x").tests[0].file == "x"


def test_decimal_comma(reader: tuple[str, Callable[[Path, Rows], None]], tmp_path: Path) -> None:
    suffix, write = reader
    path = tmp_path / f"a{suffix}"
    write(path, DECIMAL_COMMA)
    assert content(read(path)) == WANTED


def test_header_only(reader: tuple[str, Callable[[Path, Rows], None]], tmp_path: Path) -> None:
    suffix, write = reader
    path = tmp_path / f"a{suffix}"
    write(path, HEADER_ONLY)
    with pytest.raises(SheetError) as caught:
        read(path)
    assert caught.value.file == path.name


def test_missing_empty_and_garbage(reader: tuple[str, Callable[[Path, Rows], None]], tmp_path: Path) -> None:
    suffix, _ = reader
    for name, data in (("missing", None), ("empty", b""), ("garbage", bytes(range(256)) * 40)):
        path = tmp_path / f"{name}{suffix}"
        if data is not None:
            path.write_bytes(data)
        with pytest.raises(SheetError) as caught:
            read(path)
        assert str(caught.value).startswith(path.name) and "\n" not in str(caught.value)
    with pytest.raises(SheetError):
        read(tmp_path)


def test_truncated(reader: tuple[str, Callable[[Path, Rows], None]], tmp_path: Path) -> None:
    suffix, write = reader
    path = tmp_path / f"a{suffix}"
    write(path, ROWS)
    data = path.read_bytes()
    for part in (0.02, 0.3, 0.6, 0.9):
        path.write_bytes(data[: int(len(data) * part)])
        try:
            result = read(path)
        except SheetError as error:
            assert error.file == path.name
        else:
            # Whole rows are read right; only the last number may have lost digits.
            wanted = {row[0]: row[-1] for row in WANTED}
            for side, *_, points in content(result):
                assert points[:-1] == wanted[side][: len(points) - 1]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(SheetError):
        read(tmp_path / "pipe.csv")
