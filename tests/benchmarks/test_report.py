"""The whole report against a bare script that draws as many axes, lines and cells with the same libraries."""

from __future__ import annotations

import io

import pytest
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from openpyxl import Workbook, load_workbook

from flowkit.reports.pages import make_pages, page_files
from flowkit.reports.workbook import workbook_bytes
from tests.benchmarks.timing import best
from tests.reports.invented import make_contents

RATIO = 2.5


@pytest.fixture(scope="module")
def contents():
    """Four variants, eight ports a head."""
    return make_contents(ports=4)


def sizes(contents) -> list[tuple[int, int, int]]:
    """Axes, lines in them and texts outside them, a page."""
    return [
        (len(page.figure.axes), sum(len(ax.get_lines()) for ax in page.figure.axes), len(page.cells.items))
        for page in make_pages(contents)
    ]


def bare_pages(pages: list[tuple[int, int, int]]) -> int:
    """Figures with so many axes, lines and texts, plainly made and saved: a PDF, and a PNG of the first."""
    figures = []
    for axes, lines, texts in pages:
        figure = Figure(figsize=(8.5, 11))
        for place in range(axes):
            ax = figure.add_axes((0.1 + 0.2 * (place % 4), 0.1 + 0.2 * (place // 4), 0.15, 0.15))
            for line in range(lines // axes):
                ax.add_line(Line2D(range(10), [line + step for step in range(10)], marker="o"))
            ax.autoscale_view()
        for place in range(texts):
            figure.text(0.05 + 0.06 * (place % 15), 0.95 - 0.015 * (place // 15), f"{place * 1.1:.1f}", size=7)
        figures.append(figure)
    out, picture = io.BytesIO(), io.BytesIO()
    with PdfPages(out) as pdf:
        for figure in figures:
            pdf.savefig(figure)
    figures[0].savefig(picture, format="png", dpi=200)
    return out.tell() + picture.tell()


def cells(contents) -> list[int]:
    """Filled cells, a sheet of the workbook."""
    book = load_workbook(io.BytesIO(workbook_bytes(contents)))
    return [sum(cell.value is not None for row in sheet.iter_rows() for cell in row) for sheet in book.worksheets]


def bare_workbook(counts: list[int]) -> int:
    """Sheets with so many numbers, plainly written."""
    book = Workbook()
    for count in counts:
        sheet = book.create_sheet()
        for row in range(count // 10):
            sheet.append([row + column * 1.1 for column in range(10)])
    out = io.BytesIO()
    book.save(out)
    return out.tell()


def test_pages_against_as_many_axes_and_texts(benchmark, contents) -> None:
    pages = sizes(contents)
    benchmark.pedantic(lambda: page_files(contents), rounds=3, warmup_rounds=1)
    plain = best(lambda: bare_pages(pages))
    benchmark.extra_info["ratio"] = round(benchmark.stats["min"] / plain, 2)
    assert benchmark.stats["min"] < RATIO * plain


def test_report_against_as_many_axes_and_cells(benchmark, contents) -> None:
    pages, counts = sizes(contents), cells(contents)
    benchmark.pedantic(lambda: (page_files(contents), workbook_bytes(contents)), rounds=3, warmup_rounds=1)
    plain = best(lambda: (bare_pages(pages), bare_workbook(counts)))
    benchmark.extra_info["ratio"] = round(benchmark.stats["min"] / plain, 2)
    assert benchmark.stats["min"] < RATIO * plain
