"""Results to things people look at: pages, pictures, workbooks, tables on a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from flowkit.reports.contents import ReportContents

__all__ = ["write_report"]


def write_report(
    contents: ReportContents,
    folder: Path,
    *,
    formats: Sequence[str] = ("pdf", "png", "xlsx", "html"),
    paper: Literal["letter", "a4"] = "letter",
    name: str = "flow_chart",
) -> tuple[Path, ...]:
    """Write the flow chart and the workbook behind it.

    Parameters
    ----------
    contents : ReportContents
    folder : Path
        Made if it does not exist.
    formats : sequence of {"pdf", "png", "svg", "xlsx", "html"}, optional
    paper : {"letter", "a4"}, optional
    name : str, optional
        Of the files, without their suffix.

    Returns
    -------
    tuple of Path
        The files, each written whole, in the order of the formats.

    Raises
    ------
    FlowkitError
        If nothing was compared, or there is no such format or paper.
    """
    from flowkit.errors import FlowkitError
    from flowkit.reports.pages import FORMATS, page_files, write_whole

    known = (*FORMATS, "xlsx", "html")
    for item in formats:
        if item not in known:
            raise FlowkitError(f"there is no report format {item!r}", "use " + ", ".join(known))
    wanted = list(dict.fromkeys(formats))
    pages = [item for item in wanted if item in FORMATS]
    files = page_files(contents, formats=pages, paper=paper) if pages else {}
    ready = {Path(folder) / f"{name}.{suffix}": content for suffix, content in files.items()}
    if "xlsx" in wanted:
        from flowkit.reports.workbook import workbook_bytes

        ready[Path(folder) / f"{name}.xlsx"] = workbook_bytes(contents)
    if "html" in wanted:
        from flowkit.reports.html import html_bytes

        ready[Path(folder) / f"{name}.html"] = html_bytes(contents)
    write_whole(ready)
    return tuple(Path(folder) / f"{name}.{item}" for item in wanted)
