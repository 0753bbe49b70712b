"""Workbooks to grids: values, addresses, and what the file says about its cells besides."""

from __future__ import annotations

import datetime
import io
import shutil
import zipfile
from pathlib import Path

import openpyxl
import pytest
import xlwt
from openpyxl.styles import Font

from flowkit.errors import SheetError
from flowkit.importers.files import read_grids
from flowkit.importers.files.grid import Grid, column_letters
from tests.importers.packages import ods_number, ods_table, worksheet, write_ods, write_xlsx


@pytest.fixture
def book(tmp_path: Path) -> Path:
    made = openpyxl.Workbook()
    sheet = made.active
    assert sheet is not None
    sheet.title = "ports blended"
    for place, value in {
        "C3": 1.5,
        "D3": "212.5 cfm",
        "E5": "=C3*2",
        "F5": True,
        "G5": datetime.date(2024, 1, 2),
        "H5": datetime.datetime(2024, 1, 2, 3, 4),
        "I5": datetime.time(3, 4),
        "J5": 0.12,
        "K5": 0.12,
        "L5": "#DIV/0!",
        "M5": " ",
        "N5": 12,
        "C8": "Intake",
    }.items():
        sheet[place] = value
    sheet["J5"].number_format = "0.0%"
    sheet["K5"].number_format = '0.0" % of bore"'
    sheet["N5"].number_format = "[h]:mm"
    sheet.merge_cells("C8:D8")
    sheet.row_dimensions[4].hidden = True
    sheet.column_dimensions["D"].hidden = True
    made.create_sheet("kept back").sheet_state = "hidden"
    made["kept back"]["A1"] = 7
    made.create_chartsheet("curves")
    made.save(tmp_path / "after.xlsx")
    return tmp_path / "after.xlsx"


def test_values_and_facts_of_an_xlsx(book: Path) -> None:
    first, second = read_grids(book)
    assert (first.file, first.sheet, first.hidden) == ("after.xlsx", "ports blended", False)
    assert (second.sheet, second.hidden, second.rows) == ("kept back", True, ((7.0,),))
    assert first.value(2, 2) == 1.5
    assert first.value(2, 3) == "212.5 cfm"
    assert first.value(4, 4) is None
    assert first.formula_gaps == {(4, 4)}
    assert first.value(4, 5) is True
    assert first.value(4, 6) == datetime.date(2024, 1, 2)
    assert first.value(4, 7) == datetime.datetime(2024, 1, 2, 3, 4)
    assert first.value(4, 8) == datetime.time(3, 4)
    assert first.percent_cells == {(4, 9)}
    assert first.value(4, 11) == "#DIV/0!"
    assert first.value(4, 12) is None
    assert isinstance(first.value(4, 13), str)
    assert first.hidden_rows == {3}
    assert first.hidden_columns == {3}
    assert first.merged == ((7, 2, 7, 3),)


def test_addresses(book: Path) -> None:
    grid = read_grids(book, label="folder/after.xlsx")[0]
    assert grid.address(6, 1) == "B7"
    assert grid.source(2, 2) == "folder/after.xlsx!ports blended!C3"
    assert grid.value(-1, 0) is None and grid.value(0, -1) is None and grid.value(99, 0) is None
    assert [column_letters(n) for n in (0, 25, 26, 51, 52, 701, 702, 16383)] == [
        *("A", "Z", "AA", "AZ", "BA", "ZZ", "AAA", "XFD")
    ]
    assert Grid("a.csv", None, (("x",),), lines=(4,)).address(7, 0) == "8:1"


@pytest.mark.parametrize("suffix", [".xlsm", ".dat", ""])
def test_content_counts_and_not_the_name(book: Path, suffix: str) -> None:
    copy = book.with_name("copy" + suffix)
    shutil.copy(book, copy)
    assert read_grids(copy)[0].value(2, 2) == 1.5


def test_text_under_a_spreadsheet_programs_old_ending(tmp_path: Path) -> None:
    path = tmp_path / "bench.xls"
    path.write_text("Lift\tFlow\n1\t30.5\n")
    assert read_grids(path)[0].rows == (("Lift", "Flow"), ("1", "30.5"))


def test_decimal_comma_of_numbers_written_as_text(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.worksheets[0].append(["Hub", "1,5", "30,25"])
    book.save(tmp_path / "a.xlsx")
    assert read_grids(tmp_path / "a.xlsx")[0].decimal_comma is True


@pytest.mark.parametrize(
    ("cells", "extra", "gaps"),
    [
        ('<c r="A1"><f>1+1</f><v>2</v></c>', "", set()),
        ('<c r="A1"><f>1+1</f></c>', "", {(0, 0)}),
        ('<c r="A1"><f>1+1</f><v></v></c>', "", {(0, 0)}),
        ('<c r="A1" t="str"><f>""</f><v></v></c>', "", set()),
        ('<c r="A1"><f t="shared" si="0"/></c><c r="B1"><f t="shared" si="0"/><v>3</v></c>', "", {(0, 0)}),
        ('<c r="A1"><f t="array" ref="A1:B1">x</f></c><c r="B1"/>', "", {(0, 0), (0, 1)}),
        ('<c r="A1"><f t="array" ref="A1:XFD1048576">x</f><v>1</v></c><c r="B1"/>', "", set()),
        # Written by a program that computes nothing: a bare 0 everywhere, to be computed on opening.
        (
            '<c r="A1"><f>1</f><v>0</v></c><c r="B1"><f>2</f><v>0</v></c>',
            '<calcPr fullCalcOnLoad="1"/>',
            {(0, 0), (0, 1)},
        ),
        ('<c r="A1"><f>1</f><v>0</v></c><c r="B1"><f>2</f><v>5</v></c>', '<calcPr fullCalcOnLoad="1"/>', set()),
        ('<c r="A1"><f>1</f><v>0</v></c>', "", set()),
        ("<c><f>1+1</f></c><c><v>3</v></c>", "", {(0, 0)}),
    ],
)
def test_formulas_that_were_never_computed(tmp_path: Path, cells: str, extra: str, gaps: set[tuple[int, int]]) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", worksheet(f'<sheetData><row r="1">{cells}</row></sheetData>'), extra=extra)
    assert read_grids(path)[0].formula_gaps == gaps


def test_prefixed_names_and_cells_without_places(tmp_path: Path) -> None:
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    xml = (
        f'<x:worksheet xmlns:x="{main}"><x:cols><x:col min="2" max="3" hidden="true"/></x:cols><x:sheetData><x:row>'
        '<x:c><x:v>1</x:v></x:c><x:c t="e"><x:v>#N/A</x:v></x:c></x:row>'
        '<x:row hidden="1"><x:c><x:v>2</x:v></x:c></x:row>'
        "</x:sheetData></x:worksheet>"
    )
    grid = read_grids(write_xlsx(tmp_path / "a.xlsx", xml))[0]
    assert grid.rows == ((1.0, "#N/A"), (2.0, None))
    assert grid.hidden_columns == {1, 2}
    assert grid.hidden_rows == {1}


@pytest.mark.parametrize("target", ["/xl/worksheets/sheet1.xml", "worksheets/sheet1.xml"])
def test_relations_of_both_kinds(tmp_path: Path, target: str) -> None:
    assert read_grids(write_xlsx(tmp_path / "a.xlsx", target=target))[0].rows == ((1.0,),)


def test_numbers_that_are_none_become_text(tmp_path: Path) -> None:
    row = "".join(f'<c r="{"ABC"[n]}1"><v>{v}</v></c>' for n, v in enumerate(("NaN", "1e400", "-inf")))
    path = write_xlsx(tmp_path / "a.xlsx", worksheet(f'<sheetData><row r="1">{row}</row></sheetData>'))
    assert read_grids(path)[0].rows == (("nan", "inf", "-inf"),)


def test_what_is_styled_far_off_does_not_count(tmp_path: Path) -> None:
    body = (
        '<sheetData><row r="1"><c r="A1"><v>1</v></c><c r="XFD1" s="0"/></row>'
        '<row r="1048576" hidden="1"><c r="A1048576"/></row></sheetData>'
        '<mergeCells><mergeCell ref="A1:XFD1048576"/><mergeCell ref="C9:D9"/></mergeCells>'
    )
    grid = read_grids(write_xlsx(tmp_path / "a.xlsx", worksheet(body)))[0]
    assert grid.rows == ((1.0,),)
    assert grid.merged == ()
    assert grid.hidden_rows == frozenset()


def test_percent_formats_of_both_kinds(tmp_path: Path) -> None:
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    styles = (
        f'<styleSheet xmlns="{main}"><numFmts><numFmt numFmtId="164" formatCode="0.0\\%"/>'
        '<numFmt numFmtId="165" formatCode="[Red]0.0%"/></numFmts><cellStyleXfs><xf numFmtId="9"/></cellStyleXfs>'
        '<cellXfs><xf numFmtId="0"/><xf numFmtId="9"/><xf numFmtId="164"/><xf numFmtId="165"/></cellXfs></styleSheet>'
    )
    cells = "".join(f'<c r="{"ABCD"[n]}1" s="{n}"><v>0.5</v></c>' for n in range(4))
    text = '<c r="E1" s="1" t="str"><v>x</v></c>'
    body = worksheet(f'<sheetData><row r="1">{cells}{text}</row></sheetData>')
    grid = read_grids(write_xlsx(tmp_path / "a.xlsx", body, parts={"xl/styles.xml": styles}))[0]
    assert grid.percent_cells == {(0, 1), (0, 3)}


def test_only_charts(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    book.create_chartsheet("curves")
    out = io.BytesIO()
    book.save(out)
    path = tmp_path / "a.xlsx"
    path.write_bytes(out.getvalue())
    with pytest.raises(SheetError, match="no worksheet"):
        read_grids(path)


def test_xls(tmp_path: Path) -> None:
    book = xlwt.Workbook()
    sheet = book.add_sheet("Blatt")
    sheet.write(2, 1, 1.5)
    sheet.write(2, 2, 12)
    sheet.write(2, 3, 13)
    sheet.write(3, 1, "Fluß")
    sheet.write(3, 3, 0.12, xlwt.easyxf(num_format_str="0.0%"))
    sheet.write(3, 2, 0.12, xlwt.easyxf(num_format_str="0%"))
    sheet.write_merge(0, 0, 1, 3, "Einlass")
    sheet.row(3).hidden = True
    sheet.col(2).hidden = True
    sheet.write(5, 1, xlwt.Formula("B3*2"))
    sheet.write(6, 1, True)
    sheet.row(7).set_cell_error(1, 0x07)
    hidden = book.add_sheet("versteckt")
    hidden.write(0, 0, 1)
    hidden.visibility = 1
    path = tmp_path / "a.xls"
    book.save(str(path))
    first, second = read_grids(path)
    assert first.rows[0] == (None, "Einlass", None, None)
    assert first.rows[2] == (None, 1.5, 12.0, 13.0)
    assert first.rows[3] == (None, "Fluß", 0.12, 0.12)
    assert first.rows[6:8] == ((None, True, None, None), (None, "#DIV/0!", None, None))
    assert first.percent_cells == {(3, 2), (3, 3)}
    assert first.hidden_rows == {3} and first.hidden_columns == {2}
    assert first.formula_gaps == {(5, 1)}
    assert first.merged == ((0, 1, 0, 3),)
    assert first.source(2, 1) == "a.xls!Blatt!B3"
    assert (second.sheet, second.hidden) == ("versteckt", True)


def test_large_xls_has_its_stream_in_ordinary_sectors(tmp_path: Path) -> None:
    book = xlwt.Workbook()
    sheet = book.add_sheet("A")
    for row in range(2000):
        for column in range(5):
            sheet.write(row, column, row * 1.37 + column)
    path = tmp_path / "a.xls"
    book.save(str(path))
    grid = read_grids(path)[0]
    assert len(grid.rows) == 2000
    assert grid.value(1999, 4) == pytest.approx(1999 * 1.37 + 4)


def ods_rows() -> str:
    return (
        '<table:table-column table:number-columns-repeated="2"/><table:table-column table:visibility="collapse"/>'
        '<table:table-row table:number-rows-repeated="2"><table:table-cell table:number-columns-repeated="3"/>'
        "</table:table-row>"
        '<table:table-row><table:table-cell table:number-columns-spanned="2" office:value-type="string">'
        "<text:p>Flow</text:p></table:table-cell><table:covered-table-cell/></table:table-row>"
        '<table:table-row table:visibility="filter">'
        + ods_number(1.5, 2)
        + '<table:table-cell office:value-type="percentage" office:value="0.12"><text:p>12 %</text:p>'
        "</table:table-cell>"
        '<table:table-cell table:formula="of:=[.A1]*2"/>'
        '<table:table-cell table:formula="of:=1/0" office:value-type="string" office:string-value="">'
        "<text:p>#DIV/0!</text:p></table:table-cell>"
        '<table:table-cell table:formula="of:=x" office:value-type="string" calcext:value-type="error">'
        "<text:p>?</text:p></table:table-cell>"
        '<table:table-cell table:formula="of:=[.A4]" office:value-type="float" office:value="1.5">'
        "<text:p>###</text:p></table:table-cell></table:table-row>"
        '<table:table-row table:number-rows-repeated="1000000"><table:table-cell '
        'table:number-columns-repeated="1024"/></table:table-row>'
    )


def test_ods(tmp_path: Path) -> None:
    hidden = '<style:style style:name="ta9"><style:table-properties table:display="false"/></style:style>'
    second = ods_table(f"<table:table-row>{ods_number(7)}</table:table-row>", "B", 'table:style-name="ta9"')
    path = write_ods(tmp_path / "a.ods", ods_table(ods_rows()) + second, styles=hidden)
    first, kept = read_grids(path)
    assert first.rows[2][0] == "Flow"
    assert first.rows[3] == (1.5, 1.5, 0.12, None, "#DIV/0!", "#VALUE!", 1.5)
    assert first.hidden_rows == {3} and first.hidden_columns == {2}
    assert first.merged == ((2, 0, 2, 1),)
    assert first.percent_cells == {(3, 2)}
    assert first.formula_gaps == {(3, 3)}
    assert (kept.sheet, kept.hidden, kept.rows) == ("B", True, ((7.0,),))


def test_ods_by_another_program(tmp_path: Path) -> None:
    pytest.importorskip("odf")
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table, TableCell, TableRow
    from odf.text import P

    document = OpenDocumentSpreadsheet()
    table = Table(name="Feuille")
    for texts in (("Levée", "Débit"), (1.5, 30.2)):
        row = TableRow()
        for text in texts:
            kind = {"valuetype": "string"} if isinstance(text, str) else {"valuetype": "float", "value": str(text)}
            cell = TableCell(**kind)
            cell.addElement(P(text=str(text)))
            row.addElement(cell)
        table.addElement(row)
    document.spreadsheet.addElement(table)
    document.save(str(tmp_path / "a.ods"))
    assert read_grids(tmp_path / "a.ods")[0].rows == (("Levée", "Débit"), (1.5, 30.2))


@pytest.mark.parametrize(
    ("part", "message"),
    [
        ("xl/workbook.bin", "xlsb"),
        ("word/document.xml", "text document"),
        ("ppt/presentation.xml", "presentation"),
        ("readme.txt", "zip archive"),
    ],
)
def test_packages_of_other_kinds(tmp_path: Path, part: str, message: str) -> None:
    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(part, "x")
    with pytest.raises(SheetError, match=message):
        read_grids(path)


def test_rich_text_and_pictures_do_not_disturb(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet["A1"] = "Lift"
    sheet["A1"].font = Font(bold=True)
    book.save(tmp_path / "a.xlsx")
    with zipfile.ZipFile(tmp_path / "a.xlsx", "a") as archive:
        archive.writestr("xl/media/image1.png", bytes(100_000))
    assert read_grids(tmp_path / "a.xlsx")[0].rows == (("Lift",),)
