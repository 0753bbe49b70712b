"""The workbook: from the raw readings to the headline in cell formulas.

A reader who doubts a number can walk from it back to the cells of the flow sheets, change
one there and see what becomes of the gain and its interval. What no cell formula can give (the density of moist air,
the bore model, the fitted scatter at single lifts) is written as a value and marked so.
"""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flowkit.reports.contents import ReportContents
    from flowkit.reports.workbook.pen import Key


def workbook_bytes(contents: ReportContents, mark: str = "") -> bytes:
    """Return the workbook of a job; the mark goes into its properties."""
    from openpyxl import Workbook

    from flowkit.reports.attach.tables import plain
    from flowkit.reports.workbook import curves, gains, intervals, readings, summary
    from flowkit.reports.workbook.book import Book, plan_sides, plan_tests
    from flowkit.reports.workbook.pen import SHEETS, pens, workbook_bytes_of
    from flowkit.wording import date_of, display_of

    workbook = Workbook()
    cells: dict[Key, str] = {}
    tests, read = plan_tests(contents)
    compared = plan_sides(contents, tests, read)
    book = Book(contents, display_of(contents.info.display), pens(workbook, cells), cells, tests, read, *compared)
    # Each sheet calls cells of those written before it.
    for write in (
        readings.write_reference,
        readings.write_conditions,
        readings.write_readings,
        readings.write_corrections,
        curves.write_flows,
        curves.write_bands,
        intervals.write_intervals,
        gains.write_gains,
        gains.write_further,
        summary.write_areas,
        summary.write_findings,
        summary.write_summary,
    ):
        write(book)
    day = date_of(contents.info.date) or datetime.date(2000, 1, 1)
    made = datetime.datetime(day.year, day.month, day.day, 12)
    title = plain(contents.info.title or "Flow chart")
    known = [book.pens[name].known for name in SHEETS]
    return workbook_bytes_of(workbook, known, title=title, made=made, mark=mark)
