"""Results to things people look at: pages, pictures, workbooks, tables on a terminal."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from flowkit.reports.contents import ReportContents

__all__ = ["flow_chart", "write_report"]

NAME = "flow_chart"
"""What the files of a report are called."""


def write_report(
    contents: ReportContents,
    folder: Path,
    *,
    formats: Sequence[str] = ("pdf", "png", "xlsx", "html"),
    paper: Literal["letter", "a4"] = "letter",
    name: str = NAME,
    pages: Sequence[int] | None = None,
    previews: bool = False,
) -> tuple[Path, ...]:
    """Write the flow chart and the workbook behind it; a file that holds the very same is left as it is.

    With `previews`, each page of the PDF as a small picture too, as ``flow_chart_page_1.png`` and on.
    """
    from flowkit.errors import FlowkitError
    from flowkit.reports.pages import FORMATS, page_files, write_whole

    known = (*FORMATS, "xlsx", "html")
    for item in formats:
        if item not in known:
            raise FlowkitError(f"there is no report format {item!r}", "use " + ", ".join(known))
    wanted = list(dict.fromkeys(formats))
    places = {item: Path(folder) / f"{name}.{item}" for item in wanted}
    mark = report_mark(contents, paper, pages)
    due = [item for item in wanted if not up_to_date(places[item], mark)]
    drawn = [item for item in due if item in FORMATS]
    files = {}
    if drawn or previews:
        files = page_files(contents, formats=drawn, paper=paper, chosen=pages, mark=mark, previews=previews)
        places |= {item: Path(folder) / f"{name}_page_{item}.png" for item in files if item.isdecimal()}
    if "xlsx" in due:
        from flowkit.reports.workbook import workbook_bytes

        files["xlsx"] = workbook_bytes(contents, mark)
    if "html" in due:
        from flowkit.reports.html import html_bytes

        files["html"] = html_bytes(contents) + f"<!-- {mark} -->\n".encode()
    write_whole({places[item]: content for item, content in files.items()})
    return tuple(places.values())


def flow_chart(contents: ReportContents, form: Literal["pdf", "png"], paper: str, near: Path | None) -> bytes:
    """Return the flow chart as PDF or PNG, from the report in or just below a folder where that shows the same."""
    from flowkit.reports.pages import page_files

    mark = report_mark(contents, paper)
    for path in sorted([*near.glob(f"*.{form}"), *near.glob(f"*/*.{form}")]) if near is not None else []:
        if path.stem == NAME and up_to_date(path, mark):
            return path.read_bytes()
    return page_files(contents, formats=[form], paper=paper, mark=mark)[form]


def report_mark(contents: ReportContents, paper: str, pages: Sequence[int] | None = None) -> str:
    """Return the mark that a report's files carry: a fingerprint of all they show and of what drew them."""
    from flowkit.output import spelled
    from flowkit.version import __version__

    logo = Path(contents.info.logo).read_bytes() if contents.info.logo and Path(contents.info.logo).is_file() else b""
    words = spelled((__version__, _source_stamp(), paper, tuple(pages) if pages is not None else None, contents))
    return "flowkitreport" + hashlib.sha256(words.encode("utf-8", "backslashreplace") + logo).hexdigest()


@lru_cache(maxsize=1)
def _source_stamp() -> str:
    """Return a fingerprint of the code that draws, so that a newer version of it draws anew."""
    here = Path(__file__).parent
    files = [path for pattern in ("*.py", "*.html", "*.css") for path in here.rglob(pattern)]
    files += [*here.with_name("drawing").glob("*.py"), here.with_name("wording.py"), here.with_name("fields.py")]
    stamp = hashlib.sha256()
    for file in sorted(files):
        stamp.update(file.read_bytes())
    return stamp.hexdigest()


def up_to_date(path: Path, mark: str) -> bool:
    """Whether a file is a whole report with this mark, so that there is nothing new to draw."""
    import zipfile

    if not path.is_file():
        return False
    try:
        if path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as archive:
                return archive.testzip() is None and mark.encode() in archive.read("docProps/core.xml")
        content = path.read_bytes()
    except (OSError, KeyError, zipfile.BadZipFile):
        return False
    ends = {".pdf": b"%%EOF", ".png": b"IEND", ".svg": mark.encode(), ".html": mark.encode()}
    return mark.encode() in content and ends.get(path.suffix, mark.encode()) in content[-200:]
