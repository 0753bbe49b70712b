"""The first page: it alone tells the customer what was done and what it was worth."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.analysis.sentences import headline
from flowkit.drawing import SOFT, text_width
from flowkit.model import Finding
from flowkit.reports.cautions import CAUTIONS
from flowkit.reports.contents import ReportContents
from flowkit.reports.fitting import STAND_IN, clean, missing_letters, shorten, wrap
from flowkit.reports.labels import counted, display_of, distinct, method_words, reference_words, sides_of
from flowkit.reports.layout import SIZES, Page, Paper
from flowkit.reports.names import Names
from flowkit.reports.page_table import GAP, Flowing, fitted_tables, side_table
from flowkit.reports.panels import END_PITCH, draw_flow_panel, draw_gain_panel, draw_steps, end_lines, steps_height
from flowkit.units import from_si
from flowkit.version import __version__

__all__ = ["chart_page", "notes_told"]

FLOW_LEAST, FLOW_MOST = 142.0, 236.0
GAIN_LEAST, GAIN_MOST = 90.0, 132.0
FOOT_LINES = 6
STEPS_MOST = 340.0
ASSUMED = ("correction-skipped", "valve-on-axis")
"""Rules of notes that report an assumption, besides those that end in "-assumed"."""
UNTOLD = ("lift-repeated", "column-ignored", "beyond-cam", "confounded", "not-a-number")
"""Rules of notes that stand on the page of findings only."""


def notes_told(findings: Sequence[Finding]) -> tuple[list[str], list[str]]:
    """Return every assumption, and what else must be known, each once with where it applies.

    Parameters
    ----------
    findings : sequence of Finding

    Returns
    -------
    tuple of two lists of str
    """
    where: dict[tuple[bool, str], list[str]] = {}
    for finding in findings:
        if finding.severity == "note" and finding.rule not in UNTOLD:
            assumed = finding.rule.endswith("-assumed") or finding.rule in ASSUMED
            where.setdefault((assumed, clean(finding.message)), []).append(clean(finding.where))
    told: tuple[list[str], list[str]] = ([], [])
    for (assumed, message), places in where.items():
        place = places[0] if len(set(places)) == 1 else f"{places[0]} and {len(set(places)) - 1} more"
        told[0 if assumed else 1].append(f"{place}: {message}" if place else message)
    return told


def _foot(contents: ReportContents, width: float, all_sources: str) -> list[str]:
    """Return the footer's lines: sources, version, every assumption."""
    sources = ", ".join(f"{clean(source.name)} {source.sha256[:8]}" for source in contents.sources)
    assumed, noted = notes_told(contents.findings)
    parts = [shorten(clean(contents.info.notes), 2.0 * width, SIZES.small)] if contents.info.notes else []
    parts += [
        f"flowkit {__version__}.",
        f"Sources (SHA-256): {sources}." if sources else "Sources: none named.",
        "Assumed: " + " ".join(assumed) if assumed else "Assumed: nothing.",
    ]
    doubtful = [finding for finding in contents.findings if finding.severity != "note"]
    if doubtful:
        rules = ", ".join(distinct(finding.rule for finding in doubtful))
        parts.insert(0, f"Doubtful: {counted(doubtful)} ({rules}), told on the page of findings.")
    if noted:
        parts.append("Notes: " + " ".join(noted))
    names = [contents.info.title or "", *(variant.name for variant in contents.variants)]
    if missing_letters([*names, *(finding.message for finding in contents.findings)]):
        parts.append(f"{STAND_IN} stands for a letter this typeface has not; the data inside this file hold it.")
    lines = wrap(" ".join(parts), width, SIZES.small)
    if len(lines) > FOOT_LINES:
        lines = [*lines[: FOOT_LINES - 1], f"… The rest of the sources, assumptions and notes is {all_sources}."]
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
        lines = wrap(
            f"Flow of the head {names.full[0] if names.full else ''}", width, SIZES.headline, bold=True, most=2
        )
        y = page.paragraph(page.left, y, width, lines, size=SIZES.headline, leading=16.0, bold=True)
    y += 3.0
    job = " · ".join(clean(part) for part in (info.title, info.vehicle, info.customer) if part)
    size = SIZES.title if text_width(job, SIZES.title) <= width else SIZES.heading
    y = page.paragraph(page.left, y, width, wrap(job, width, size, most=2), size=size)
    y += 1.0
    method = method_words(contents.comparison, display, drawn="Shading, bars")
    reference = f"{reference_words(contents.reference, display)} {method}"
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
    # The short table of the most measured lifts; `every_lift_pages` has the long one.
    tables = fitted_tables(sides, width, lambda side, result, room: side_table(side, result, names, display, room))
    flowing = Flowing(tables, width)
    steps = max(steps_height(result, names, min(column, STEPS_MOST)) for _, result in sides)
    gained = any(result.steps for _, result in sides)
    lines = max(end_lines(names), len(names.full))
    flow_least = max(FLOW_LEAST, 34.0 + END_PITCH * (lines - 1.5))
    gain_least = max(GAIN_LEAST, 37.0 + END_PITCH * (len(names.full) - 2.5)) if gained else 0.0
    least = flow_least + gain_least
    most = max(least, FLOW_MOST + (GAIN_MOST if gained else 60.0))
    spare = bottom - y - steps - flowing.height() - 9.0
    charts = min(max(spare, least), most)
    flow_height = flow_least + (charts - least) * (0.62 if gained else 1.0)
    gain_height = charts - flow_height
    top = _flow_top(contents)
    for index, (side, result) in enumerate(sides):
        left = page.left + index * (column + GAP)
        draw_flow_panel(page, (left, y, column, flow_height), side, result, names=names, display=display, top=top)
        if result.steps:
            draw_gain_panel(
                page, (left, y + flow_height, column, gain_height), side, result, names=names, display=display
            )
            draw_steps(page, (left, y + charts + 4.0, min(column, STEPS_MOST)), side, result, names)
    flowing.draw(page, y + charts + steps + 6.0, bottom)
    return page, flowing
