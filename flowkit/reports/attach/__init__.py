"""The flow chart added to a customer's build file, which loses nothing of it.

A PDF gets pages, a workbook gets sheets, a document gets a heading, the chart and its
tables. Attach again, and they are replaced. The build file is replaced whole or not
at all, and its earlier state is kept beside it.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from flowkit.errors import AttachError, FlowkitError
from flowkit.reports.attach.swap import WAIT_S, Rewritten, swap, usable_file

if TYPE_CHECKING:
    from flowkit.reports.contents import ReportContents

__all__ = ["AttachReport", "Attached", "Kind", "Paper", "attach", "attach_all", "build_file_kind", "check_build_file"]

Paper = Literal["letter", "a4"]
Kind = Literal["pdf", "xlsx", "docx"]

_OFFICE: dict[str, Kind] = {
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml": "xlsx",
    "application/vnd.ms-excel.sheet.macroEnabled.main+xml": "xlsx",
    "application/vnd.openxmlformats-officedocument.wordprocessingml.document.main+xml": "docx",
    "application/vnd.ms-word.document.macroEnabled.main+xml": "docx",
}
"""What the main part of an office file declares itself to be."""
_WANTED = "attach to a PDF, XLSX, XLSM or DOCX"


@dataclass(frozen=True, slots=True)
class AttachReport:
    """What attaching did.

    Attributes
    ----------
    file : Path
        The build file, links resolved.
    backup : Path
        The backup of the original.
    kind : {"pdf", "xlsx", "docx"}
    added : tuple of str
        What is in it now: ``"page 7"``, ``"sheet Flow chart"``.
    replaced : int
        How many earlier pages, sheets or blocks these replaced.
    pages : int or None
        Of a PDF, how many pages were added.
    notes : tuple of str
        What could not be kept as it was: other names of the file (hard links), its owner.
    """

    file: Path
    backup: Path
    kind: Kind
    added: tuple[str, ...]
    replaced: int
    pages: int | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Attached:
    """What became of one of several build files.

    Attributes
    ----------
    file : Path
        As it was named.
    report : AttachReport or None
        None where it was refused.
    message : str
        What was done, or why it was refused and what to do.
    """

    file: Path
    report: AttachReport | None
    message: str


def attach(
    buildfile: Path,
    contents: ReportContents,
    pages_pdf: Path | bytes | None = None,
    chart_png: Path | bytes | None = None,
    *,
    after: int | None = None,
    bookmark: str | None = None,
    pages: Sequence[int] | None = None,
    wait_s: float = WAIT_S,
) -> AttachReport:
    """Add the flow chart to a build file."""
    kind = build_file_kind(buildfile)
    given = pages_pdf if kind == "pdf" else chart_png
    if given is None:
        raise ValueError(f"attaching to a {kind} needs {'pages_pdf' if kind == 'pdf' else 'chart_png'}")
    chart = given if isinstance(given, bytes) else given.read_bytes()
    if kind == "pdf" and pages is not None:
        chart = _chosen(chart, pages)
    rewrite, verify = _steps(
        kind, buildfile.name, contents, chart, after=after, bookmark=bookmark, numbers=pages is None
    )
    file, backup, result, notes = swap(buildfile, rewrite, verify, wait_s=wait_s)
    count = len(result.added) if kind == "pdf" else None
    return AttachReport(file, backup, kind, result.added, result.replaced, count, notes)


def _steps(
    kind: Kind,
    name: str,
    contents: ReportContents | None,
    chart: bytes,
    *,
    after: int | None,
    bookmark: str | None,
    numbers: bool,
) -> tuple[Callable[[bytes, str], Rewritten], Callable[[bytes, bytes, str], None]]:
    """Return how a build file of a kind is rewritten, and how that is verified; a place it does not have is refused."""
    if after is not None and kind != "pdf":
        raise AttachError("only a PDF has pages to follow", "leave the page number out", file=name)
    if bookmark is not None and kind != "docx":
        raise AttachError("only a DOCX has bookmarks to follow", "leave the bookmark out", file=name)
    if kind == "pdf":
        from flowkit.reports.attach.pdf import add_pages, verify_pages

        return (
            lambda old, name: add_pages(old, chart, name, after=after),
            lambda old, new, name: verify_pages(old, new, chart, name),
        )
    if kind == "xlsx":
        from flowkit.reports.attach.xlsx import add_sheets, verify_sheets

        return lambda old, name: add_sheets(old, contents, chart, name, numbers=numbers), verify_sheets
    from flowkit.reports.attach.docx import add_block, verify_block

    return lambda old, name: add_block(old, contents, chart, name, bookmark=bookmark, numbers=numbers), verify_block


def check_build_file(
    buildfile: Path, *, after: int | None = None, bookmark: str | None = None, pages: Sequence[int] | None = None
) -> tuple[Kind, Paper | None]:
    """Find out whether a build file can be extended, by doing it in memory with an empty page."""
    kind = build_file_kind(buildfile)
    empty = _empty_page() if kind == "pdf" else _EMPTY_PICTURE
    rewrite, verify = _steps(kind, buildfile.name, None, empty, after=after, bookmark=bookmark, numbers=pages is None)
    real = usable_file(buildfile)
    old = real.read_bytes()
    verify(old, rewrite(old, real.name).data, real.name)
    return kind, _paper_of(kind, old, real.name)


def attach_all(
    buildfiles: Sequence[Path],
    gather: Callable[[], ReportContents],
    draw: Callable[[ReportContents, Literal["pdf", "png"], Paper], bytes],
    *,
    paper: Paper | None = None,
    default_paper: Paper = "letter",
    after: int | None = None,
    bookmark: str | None = None,
    pages: Sequence[int] | None = None,
) -> tuple[Attached, ...]:
    """Add the flow chart to several build files: each looked at before anything is drawn, each chart drawn once."""
    ready: dict[Path, tuple[Literal["pdf", "png"], Paper]] = {}
    done: dict[Path, Attached] = {}
    for path in dict.fromkeys(buildfiles):
        try:
            kind, own = check_build_file(path, after=after, bookmark=bookmark, pages=pages)
            ready[path] = "pdf" if kind == "pdf" else "png", paper or own or default_paper
        except AttachError as error:
            done[path] = Attached(path, None, str(error))
    if ready:
        contents = gather()
        drawn = {key: draw(contents, *key) for key in dict.fromkeys(ready.values())}
    for path, key in ready.items():
        pdf, png = (drawn[key], None) if key[0] == "pdf" else (None, drawn[key])
        try:
            report = attach(path, contents, pdf, png, after=after, bookmark=bookmark, pages=pages)
        except AttachError as error:
            done[path] = Attached(path, None, str(error))
            continue
        added = ", ".join(report.added)
        if report.pages is not None and report.pages > 1:
            added = f"pages {report.added[0].split()[1]} to {report.added[-1].split()[1]}"
        replaced = ", in place of the earlier ones" if report.replaced else ""
        done[path] = Attached(path, report, "; ".join([f"added {added}{replaced}", *report.notes]))
    return tuple(done[path] for path in dict.fromkeys(buildfiles))


def _chosen(flow: bytes, pages: Sequence[int]) -> bytes:
    """Return the wanted pages of the flow chart, with its data."""
    from pypdf import PdfReader, PdfWriter

    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(flow)))
    count = len(writer.pages)
    missing = [page for page in pages if not 1 <= page <= count]
    if missing or not pages:
        raise FlowkitError(f"the flow chart has no page {missing[0] if missing else 0}", f"it has {count} pages")
    for index in reversed(range(count)):
        if index + 1 not in pages:
            writer.remove_page(index)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


_EMPTY_PICTURE = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de"
    "0000000c49444154789c63f8ffff3f0005fe02fe0def46b80000000049454e44ae426082"
)


@cache
def _empty_page() -> bytes:
    """Return a PDF of one empty page."""
    from pypdf import PdfWriter

    out = io.BytesIO()
    writer = PdfWriter()
    writer.add_blank_page(612, 792)
    writer.write(out)
    return out.getvalue()


def _paper_of(kind: Kind, data: bytes, name: str) -> Paper | None:
    """Return the paper a build file is laid out for, where it shows in its last page, section or sheet."""
    if kind == "pdf":
        from flowkit.reports.attach.pdf import page_size

        size = page_size(data, name)
    elif kind == "docx":
        from flowkit.reports.attach.docx import page_size

        size = page_size(data, name)
    else:
        from flowkit.reports.attach.xlsx import paper_code

        codes: dict[int | None, Paper] = {1: "letter", 9: "a4"}
        return codes.get(paper_code(data, name))
    ratio = max(size) / min(size) if size and min(size) > 0 else 0.0
    known: dict[Paper, float] = {"letter": 11 / 8.5, "a4": 297 / 210}
    return next((paper for paper, own in known.items() if abs(ratio / own - 1) < 0.02), None)


def build_file_kind(buildfile: Path) -> Kind:
    """Find out from its content what a build file is; what its name says does not count."""
    try:
        data = buildfile.read_bytes()
    except FileNotFoundError:
        raise AttachError("there is no such build file", "check the path", file=str(buildfile)) from None
    except OSError as error:
        raise AttachError(
            f"the build file cannot be read ({error.strerror or error})", "check the path", file=str(buildfile)
        ) from error
    name = buildfile.name
    if not data:
        raise AttachError("the file is empty", _WANTED, file=name)
    if b"%PDF-" in data[: 1024 + 5]:
        return "pdf"
    if data.startswith(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
        raise AttachError(
            "the file is protected by a password or in an old office format",
            "save it without password as XLSX, XLSM or DOCX",
            file=name,
        )
    if not data.startswith(b"PK"):
        raise AttachError("flowkit cannot add pages to this kind of file", _WANTED, file=name)
    from flowkit.reports.attach.opc import read_package

    package = read_package(data, name)
    kind = _OFFICE.get(package.content_type(package.document))
    if kind is None:
        raise AttachError("flowkit cannot add pages to this kind of office file", _WANTED, file=name)
    return kind
