"""The pages of a report, made, and written whole."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from flowkit.drawing import style
from flowkit.errors import FlowkitError
from flowkit.reports.contents import ReportContents
from flowkit.reports.labels import sides_of
from flowkit.reports.layout import Page, paper_named
from flowkit.reports.names import Names, name_variants
from flowkit.reports.page_areas import areas_pages
from flowkit.reports.page_chart import chart_page
from flowkit.reports.page_detail import detail_pages
from flowkit.reports.page_engine import engine_pages
from flowkit.reports.page_ledger import ledger_pages
from flowkit.reports.page_ports import ports_pages
from flowkit.reports.write import pdf_bytes, png_bytes, svg_bytes, write_whole

__all__ = ["FORMATS", "make_pages", "page_files", "write_pages"]

FORMATS = ("pdf", "png", "svg")


def _names(contents: ReportContents) -> Names:
    """Decide how the variants are called, by the room a table head has."""
    present = [variant.name for _, result in sides_of(contents.comparison) for variant in result.variants]
    ordered = [variant.name for variant in contents.variants if variant.name in present]
    ordered += [name for name in dict.fromkeys(present) if name not in ordered]
    return name_variants(ordered, head_width=34.0 if len(ordered) <= 4 else 30.0)


def make_pages(contents: ReportContents, paper: str = "letter") -> list[Page]:
    """Make all pages of a report.

    Parameters
    ----------
    contents : ReportContents
    paper : {"letter", "a4"}, optional

    Returns
    -------
    list of Page
        Figures drawn in points; nothing is written.

    Raises
    ------
    FlowkitError
        If nothing was compared, or there is no such paper.
    """
    sheet = paper_named(paper)
    if not sides_of(contents.comparison):
        raise FlowkitError("there is nothing to draw", "a flow chart needs at least one side with tests")
    with style():
        names = _names(contents)
        later = [
            *ports_pages(contents, sheet, names),
            *(engine_pages(contents.engine, sheet, names, contents.info) if contents.engine is not None else ()),
            *areas_pages(contents, sheet, names),
        ]
        first, flowing = chart_page(contents, sheet, names, all_sources="at the end of this report")
        detail = detail_pages(contents, sheet, names, flowing)
        pages = [first, *detail, *later, *ledger_pages(contents, sheet, names, sentences=not detail)]
        for number, page in enumerate(pages, 1):
            page.finish(contents.info, len(pages), number)
    return pages


def page_files(
    contents: ReportContents, *, formats: Sequence[str] = ("pdf", "png"), paper: str = "letter"
) -> dict[str, bytes]:
    """Return the flow chart's files as bytes: all pages as PDF, the first as PNG and SVG.

    Parameters
    ----------
    contents : ReportContents
    formats : sequence of {"pdf", "png", "svg"}, optional
    paper : {"letter", "a4"}, optional

    Returns
    -------
    dict
        Format to content, in the order of the formats.

    Raises
    ------
    FlowkitError
        If nothing was compared, or there is no such format or paper.
    """
    for item in formats:
        if item not in FORMATS:
            raise FlowkitError(f"there is no page format {item!r}", "use " + ", ".join(FORMATS))
    pages = make_pages(contents, paper)
    files = {}
    for item in dict.fromkeys(formats):
        if item == "pdf":
            files[item] = pdf_bytes(pages, contents)
        else:
            files[item] = (png_bytes if item == "png" else svg_bytes)(pages[0], contents)
    return files


def write_pages(
    contents: ReportContents,
    folder: Path,
    *,
    formats: Sequence[str] = ("pdf", "png"),
    paper: str = "letter",
    name: str = "flow_chart",
) -> tuple[Path, ...]:
    """Write the flow chart: all pages as PDF, the first as PNG (200 dpi) and SVG.

    Parameters
    ----------
    contents : ReportContents
    folder : Path
        Made if it does not exist.
    formats : sequence of {"pdf", "png", "svg"}, optional
    paper : {"letter", "a4"}, optional
    name : str, optional
        Of the files, without their suffix.

    Returns
    -------
    tuple of Path
        The files, each written whole; none is touched before all are ready.

    Raises
    ------
    FlowkitError
        If nothing was compared, or there is no such format or paper.
    """
    files = page_files(contents, formats=formats, paper=paper)
    return write_whole({Path(folder) / f"{name}.{suffix}": content for suffix, content in files.items()})
