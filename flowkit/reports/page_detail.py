"""What the first page had no room for: every measured lift, bands, the sides compared, the words."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.analysis.results import RatioPoint
from flowkit.drawing import Display
from flowkit.reports.contents import ReportContents
from flowkit.reports.labels import display_of
from flowkit.reports.layout import Page, Paper
from flowkit.reports.lines import Series, draw_lines
from flowkit.reports.names import Names
from flowkit.reports.page_gains import has_gain_tables, write_gain_tables, write_ratio_tables
from flowkit.reports.page_table import GAP, Flowing, every_lift
from flowkit.reports.stream import Stream
from flowkit.units import from_si

__all__ = ["detail_pages"]

PANEL = 150.0


def detail_pages(contents: ReportContents, paper: Paper, names: Names, left_over: Flowing) -> list[Page]:
    """Write what is left of the first page's tables, every measured lift, the gains, ratios and sentences.

    Parameters
    ----------
    contents : ReportContents
    paper : Paper
    names : Names
    left_over : Flowing
        Tables the first page began.
    """
    tables = every_lift(contents, paper, names)
    comparison = contents.comparison
    ratios = comparison.ratio_at_lift or comparison.ratio_at_fraction
    if left_over.done and tables is None and not ratios and not has_gain_tables(comparison):
        return []  # the sentences alone go with the findings
    stream = Stream(paper, "Flow in detail")
    stream.flow(left_over)
    if tables is not None:
        stream.heading("Every measured lift", keep=80.0)
        stream.flow(tables)
    display = display_of(contents.info.display)
    write_gain_tables(stream, comparison, names, display)
    _draw_ratios(stream, contents, names)
    write_ratio_tables(stream, comparison, names, display)
    stream.sentences(comparison.sentences)
    return stream.pages


def _draw_ratios(stream: Stream, contents: ReportContents, names: Names) -> None:
    """Draw exhaust flow over intake flow, at equal lift and at equal fraction of peak lift."""
    comparison, display = contents.comparison, display_of(contents.info.display)
    panels = [
        ("Exhaust over intake flow at equal lift", _ratios(comparison.ratio_at_lift, names, display), display.lift),
        ("Exhaust over intake flow at equal share of peak lift", _ratios(comparison.ratio_at_fraction, names), ""),
    ]
    panels = [panel for panel in panels if panel[1]]
    if not panels:
        return
    stream.need(PANEL + 10.0)
    column = (stream.paper.inner_width - GAP) / 2
    for place, (title, series, unit) in enumerate(panels):
        draw_lines(
            stream.page,
            (stream.page.left + place * (column + GAP), stream.y + 8.0, column, PANEL),
            title,
            series,
            names,
            x_label=f"valve lift, {unit}" if unit else "share of peak lift, %",
        )
    stream.y += PANEL + 14.0


def _ratios(points: Sequence[RatioPoint], names: Names, display: Display | None = None) -> list[Series]:
    """Return a line a variant; shares in per cent, lifts in the units shown."""
    series = []
    for name in names.place:
        mine = sorted((item.at, item.ratio) for item in points if item.variant == name)
        if mine:
            xs = [from_si(at, display.lift) if display else 100 * at for at, _ in mine]
            series.append(Series(name, xs, [ratio for _, ratio in mine]))
    return series
