"""Sheets printed to PDF: read by the place of their words, with page and line as source; a scan is said to be one."""

from __future__ import annotations

from pathlib import Path

import pytest
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.figure import Figure
from pypdf import PdfReader, PdfWriter

from flowkit.errors import SheetError
from flowkit.importers import Stated, read
from flowkit.importers.mapping import CellChange

ROWS = [
    *([("Test pressure", 60), ("28 inH2O", 200)], [("Date", 60), ("2026-03-14", 200)], []),
    [("Lift (mm)", 60), ("Int 1 (CFM)", 160), ("Int 2 (CFM)", 260)],
    *([(f"{n}", 70), (f"{20.5 * n}", 175), (f"{21.5 * n}", 275)] for n in range(1, 6)),
]


def printed(path: Path, *pages: list[list[tuple[str, int]]]) -> Path:
    with PdfPages(path) as book:
        for rows in pages:
            figure = Figure(figsize=(8.27, 11.69))
            FigureCanvasPdf(figure)
            for number, row in enumerate(rows):
                for text, left in row:
                    figure.text(left / 595, 0.95 - number * 0.02, text, size=10)
            book.savefig(figure)
    return path


def test_a_printout_is_read_with_page_and_line(tmp_path: Path) -> None:
    path = printed(tmp_path / "a.pdf", [[("Invented head, cover", 60)]], ROWS)
    result = read(path)
    assert [(test.side, test.port, len(test.points)) for test in result.tests] == [("intake", n, 5) for n in "12"]
    assert result.tests[0].points[0].source == "a.pdf:p2:5:2" and result.findings == ()
    assert result.tests[0].conditions.date == "2026-03-14"


def test_a_cell_of_a_page_is_set_by_its_address(tmp_path: Path) -> None:
    path = printed(tmp_path / "a.pdf", ROWS)
    result = read(path, Stated(cells=(CellChange("p1:5:2", "30", "asked"),)))
    assert result.tests[0].points[0].flow_m3_s == pytest.approx(30 * 0.3048**3 / 60)
    assert (result.changes[0].cell, result.changes[0].sheet_says) == ("p1:5:2", "20.5")


@pytest.mark.parametrize("algorithm", ["RC4-128", "AES-128", "AES-256"])
def test_protected_against_changes_it_is_read_and_behind_a_password_refused(tmp_path: Path, algorithm: str) -> None:
    source = printed(tmp_path / "a.pdf", ROWS)
    for name, password in (("open", ""), ("locked", "secret")):
        writer = PdfWriter(clone_from=PdfReader(source))
        writer.encrypt(password, "owner", algorithm=algorithm)
        writer.write(tmp_path / f"{name}.pdf")
    assert len(read(tmp_path / "open.pdf").tests) == 2
    with pytest.raises(SheetError, match="has a password"):
        read(tmp_path / "locked.pdf")


def test_a_page_without_text_is_a_picture(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"is a picture.*type the readings into a sheet"):
        read(printed(tmp_path / "a.pdf", []))
