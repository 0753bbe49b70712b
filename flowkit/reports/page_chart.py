"""The first page: it alone tells the customer what was done and what it was worth."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.drawing import SOFT
from flowkit.model import Finding
from flowkit.reports.cautions import CAUTIONS
from flowkit.reports.contents import ReportContents
from flowkit.reports.fitting import clean, missing_letters, wrap
from flowkit.reports.labels import display_of, headline, method_words, reference_words, sides_of
from flowkit.reports.layout import SIZES, Page, Paper
from flowkit.reports.names import Names
from flowkit.reports.page_table import GAP, Flowing, fitted_tables, side_table
from flowkit.reports.panels import END_PITCH, draw_flow_panel, draw_gain_panel, draw_steps, end_lines, steps_height
from flowkit.units import from_si
from flowkit.version import __version__

__all__ = ["assumptions", "chart_page"]

FLOW_LEAST, FLOW_MOST = 148.0, 236.0
GAIN_LEAST, GAIN_MOST = 96.0, 132.0
FOOT_LINES = 7
NO_ASSUMPTION = ("lift-repeated", "column-ignored", "beyond-cam", "confounded", "not-a-number")
"""Notes that report no assumption."""


def assumptions(findings: Sequence[Finding]) -> list[str]:
    """Return every assumption in words, each once, with where it was made.

    Parameters
    ----------
    findings : sequence of Finding
    """
    where: dict[str, list[str]] = {}
    for finding in findings:
        if finding.severity == "note" and finding.rule not in NO_ASSUMPTION:
            where.setdefault(clean(finding.message), []).append(clean(finding.where))
    texts = []
    for message, places in where.items():
        place = places[0] if len(set(places)) == 1 else f"{places[0]} and {len(set(places)) - 1} more"
        texts.append(f"{message} ({place})" if place else message)
    return texts


def _foot(contents: ReportContents, width: float, all_sources: str) -> list[str]:
    """Return the footer's lines: sources, version, every assumption."""
    sources = ", ".join(f"{clean(source.name)} {source.sha256[:8]}" for source in contents.sources)
    assumed = assumptions(contents.findings)
    parts = [
        f"Sources (SHA-256): {sources}." if sources else "Sources: none named.",
        "Assumed: " + " ".join(assumed) if assumed else "Assumed: nothing.",
    ]
    names = [contents.info.title or "", *(variant.name for variant in contents.variants)]
    missing = missing_letters([*names, *(finding.message for finding in contents.findings)])
    if missing:
        parts.append("▯ stands for a letter this typeface has not; the data inside this file hold it.")
    if contents.info.notes:
        parts.append(f"Notes: {clean(contents.info.notes)}")
    parts.append(f"flowkit {__version__}.")
    lines = wrap(" ".join(parts), width, SIZES.small)
    if len(lines) > FOOT_LINES:
        more = f"… The rest of the sources and assumptions is {all_sources}. flowkit {__version__}."
        lines = [*lines[: FOOT_LINES - 1], more]
    return lines


def _head(page: Page, contents: ReportContents, names: Names) -> float:
    """Write the headline, the job and the reference; return where they end."""
    info, width = contents.info, page.paper.inner_width
    display = display_of(info.display)
    y = page.paper.top + 9.0
    for side, result in sides_of(contents.comparison):
        if result.totals:
            words = clean(headline(result.totals[-1], side))
            size = SIZES.headline
            lines = wrap(words, width, size, bold=True, most=2)
            y = page.paragraph(page.left, y, width, lines, size=size, leading=16.0, bold=True)
    if not any(result.totals for _, result in sides_of(contents.comparison)):
        lines = wrap(f"Flow of the head {names.full[0] if names.full else ''}", width, SIZES.headline, bold=True, most=2)
        y = page.paragraph(page.left, y, width, lines, size=SIZES.headline, leading=16.0, bold=True)
    y += 3.0
    job = " · ".join(clean(part) for part in (info.title, info.vehicle, info.customer) if part)
    y = page.paragraph(page.left, y, width, wrap(job, width, SIZES.title, most=2), size=SIZES.title)
    y += 1.0
    reference = f"{reference_words(contents.reference, display)} {method_words(contents.comparison, display)}"
    y = page.paragraph(page.left, y, width, wrap(reference, width, SIZES.body, most=4), color=SOFT)
    if names.letters:
        y = _list_names(page, y + 2.0, names)
    return y + 6.0


def _list_names(page: Page, y: float, names: Names) -> float:
    """Write each letter with the name it stands for, in two columns where they fit."""
    width = page.paper.inner_width
    column = (width - GAP) / 2
    entries = [wrap(names.prefixed(name), column, SIZES.body, most=2) for name in names.place]
    half = (len(entries) + 1) // 2 if len(entries) > 2 else len(entries)
    ends = [y]
    for start, x in ((0, page.left), (half, page.left + column + GAP)):
        at = y
        for lines in entries[start : start + half] if start == 0 else entries[half:]:
            at = page.paragraph(x, at, column, lines)
        ends.append(at)
    return max(ends)


def _bottom(page: Page, contents: ReportContents, all_sources: str) -> float:
    """Write cautions and footer at the foot of the page; return where they begin."""
    width = page.paper.inner_width
    foot = _foot(contents, width, all_sources)
    cautions = [line for text in CAUTIONS for line in wrap(text, width, SIZES.body)]
    leading = SIZES.body * 1.34
    start = page.paper.inner_bottom - len(foot) * SIZES.small * 1.36 - 4.0 - len(cautions) * leading - 2.0
    page.rule(page.left, page.right, start - 3.0, weight=0.4)
    y = page.paragraph(page.left, start, width, cautions, leading=leading)
    page.paragraph(page.left, y + 4.0, width, foot, size=SIZES.small, color=SOFT)
    return start - 8.0


def _flow_top(contents: ReportContents) -> float:
    """Return where the common flow scale of both sides ends, in the units shown."""
    display = display_of(contents.info.display)
    peaks = [
        from_si(flow, display.flow) * (1 + (u or 0.0))
        for _, result in sides_of(contents.comparison)
        for variant in result.variants
        for flow, u in zip(variant.flow_m3_s, variant.flow_u95, strict=True)
    ]
    return 1.05 * max(peaks, default=1.0) or 1.0


def chart_page(contents: ReportContents, paper: Paper, names: Names, *, all_sources: str) -> tuple[Page, Flowing]:
    """Draw the first page.

    Parameters
    ----------
    contents : ReportContents
    paper : Paper
    names : Names
    all_sources : str
        Where all sources and assumptions are listed, in words.

    Returns
    -------
    tuple of Page and Flowing
        The page, and what of its tables must flow on.
    """
    page = Page(paper, "Flow chart")
    display = display_of(contents.info.display)
    sides = sides_of(contents.comparison)
    width = paper.inner_width
    column = (width - GAP * (len(sides) - 1)) / len(sides)
    y = _head(page, contents, names)
    bottom = _bottom(page, contents, all_sources)
    tables = fitted_tables(sides, width, lambda side, result, room: side_table(side, result, names, display, room))
    flowing = Flowing(tables, width)
    steps = max(steps_height(result, names, column) for _, result in sides)
    gained = any(result.steps for _, result in sides)
    lines = max(end_lines(names), len(names.full))
    flow_least = max(FLOW_LEAST, 34.0 + END_PITCH * (lines - 1.5))
    gain_least = max(GAIN_LEAST, 37.0 + END_PITCH * (len(names.full) - 2.5)) if gained else 0.0
    least = flow_least + gain_least
    most = max(least, FLOW_MOST + (GAIN_MOST if gained else 60.0))
    spare = bottom - y - steps - flowing.height()
    charts = min(max(spare, least), most)
    flow_height = flow_least + (charts - least) * (0.62 if gained else 1.0)
    gain_height = charts - flow_height
    top = _flow_top(contents)
    for index, (side, result) in enumerate(sides):
        left = page.left + index * (column + GAP)
        draw_flow_panel(page, (left, y, column, flow_height), side, result, names, display, top)
        if result.steps:
            draw_gain_panel(page, (left, y + flow_height, column, gain_height), side, result, names, display)
            draw_steps(page, left, y + charts + 4.0, column, side, result, names)
    flowing.draw(page, y + charts + steps + 6.0, bottom)
    return page, flowing
