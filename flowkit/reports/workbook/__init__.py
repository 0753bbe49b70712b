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


def workbook_bytes(contents: ReportContents, mark: str = "") -> bytes:
    """Return the workbook of a job; the mark goes into its properties."""
    from openpyxl import Workbook

    from flowkit.reports.attach.tables import plain
    from flowkit.reports.labels import sides_of
    from flowkit.reports.workbook.curves import write_bands, write_flows, write_gains
    from flowkit.reports.workbook.figures import write_areas, write_further, write_summary
    from flowkit.reports.workbook.inputs import (
        write_conditions,
        write_corrections,
        write_findings,
        write_readings,
        write_reference,
    )
    from flowkit.reports.workbook.intervals import write_intervals
    from flowkit.reports.workbook.pen import SHEETS, pens, workbook_bytes_of
    from flowkit.reports.workbook.plan import FIRST_READING, Draft, plan_sides, plan_tests
    from flowkit.wording import date_of, display_of

    book = Workbook()
    tests, readings = plan_tests(contents, FIRST_READING)
    order = [side for side, _ in sides_of(contents.comparison)]
    sides = sorted(plan_sides(contents, readings), key=lambda plan: order.index(plan.side))
    draft = Draft(contents, display_of(contents.info.display), pens(book), tests, readings, tuple(sides))
    # Each sheet calls cells of those written before it.
    for write in (
        write_reference,
        write_conditions,
        write_readings,
        write_corrections,
        write_flows,
        write_bands,
        write_intervals,
        write_gains,
        write_further,
        write_areas,
        write_findings,
        write_summary,
    ):
        write(draft)
    day = date_of(contents.info.date) or datetime.date(2000, 1, 1)
    made = datetime.datetime(day.year, day.month, day.day, 12)
    title = plain(contents.info.title or "Flow chart")
    return workbook_bytes_of(book, [draft.pens[name].cached for name in SHEETS], title=title, made=made, mark=mark)
