"""The flow chart added to a customer's build file, which loses nothing of it.

A PDF gets pages, a workbook gets sheets, a document gets a heading, the chart and its
tables. Attached again, the former ones give way. The build file is replaced whole or not
at all, and its former state is kept beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from flowkit.errors import AttachError
from flowkit.reports.attach.swap import WAIT_S, Rewritten, swap

if TYPE_CHECKING:
    from flowkit.reports.contents import ReportContents

__all__ = ["AttachReport", "Kind", "attach", "build_file_kind"]

Kind = Literal["pdf", "xlsx", "docx"]

_WORKBOOKS = (
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml",
    "application/vnd.ms-excel.sheet.macroEnabled.main+xml",
)
_DOCUMENT = "application/vnd.openxmlformats-officedocument.wordprocessingml.document.main+xml"
_WANTED = "attach to a PDF, XLSX, XLSM or DOCX"


@dataclass(frozen=True, slots=True)
class AttachReport:
    """What attaching did.

    Attributes
    ----------
    file : Path
        The build file, links resolved.
    backup : Path
        Its former state.
    kind : {"pdf", "xlsx", "docx"}
    added : tuple of str
        What stands in it now: ``"page 7"``, ``"sheet Flow chart"``.
    replaced : int
        How many former pages, sheets or blocks gave way.
    """

    file: Path
    backup: Path
    kind: Kind
    added: tuple[str, ...]
    replaced: int


def attach(
    buildfile: Path,
    contents: ReportContents,
    pages_pdf: Path | bytes | None = None,
    chart_png: Path | bytes | None = None,
    *,
    after: int | None = None,
    bookmark: str | None = None,
    wait_s: float = WAIT_S,
) -> AttachReport:
    """Add the flow chart to a build file.

    Parameters
    ----------
    buildfile : Path
        A PDF, XLSX, XLSM or DOCX; where it is a link, the file it leads to is extended.
    contents : ReportContents
        The numbers, for workbooks and documents.
    pages_pdf : Path or bytes, optional
        The flow chart as PDF, with its data embedded; needed for a PDF.
    chart_png : Path or bytes, optional
        The flow chart's first page as PNG; needed for a workbook or a document.
    after : int, optional
        PDF only: the page the flow pages follow, 0 for the front. Left out: where former
        flow pages stand, else at the end.
    bookmark : str, optional
        DOCX only: the bookmark the flow chart follows; left out, as for `after`.
    wait_s : float, optional
        How long to wait for another process that is at the same file [s].

    Returns
    -------
    AttachReport

    Raises
    ------
    AttachError
        If the build file cannot be extended without losing something; it is then as it was.
    """
    kind = build_file_kind(buildfile)
    name = buildfile.name
    if after is not None and kind != "pdf":
        raise AttachError("only a PDF has pages to follow", "leave the page number out", file=name)
    if bookmark is not None and kind != "docx":
        raise AttachError("only a DOCX has bookmarks to follow", "leave the bookmark out", file=name)
    given = pages_pdf if kind == "pdf" else chart_png
    if given is None:
        raise ValueError(f"attaching to a {kind} needs {'pages_pdf' if kind == 'pdf' else 'chart_png'}")
    chart = given if isinstance(given, bytes) else given.read_bytes()
    rewrite, verify = _steps(kind, contents, chart, after=after, bookmark=bookmark)
    done = swap(buildfile, rewrite, verify, wait_s=wait_s)
    return AttachReport(done.file, done.backup, kind, done.result.added, done.result.replaced)


def _steps(
    kind: Kind, contents: ReportContents, chart: bytes, *, after: int | None, bookmark: str | None
) -> tuple[Callable[[bytes, str], Rewritten], Callable[[bytes, bytes, str], None]]:
    """Return how a build file of a kind is rewritten, and how that is verified."""
    if kind == "pdf":
        from flowkit.reports.attach.pdf import add_pages, verify_pages

        return (
            lambda old, name: add_pages(old, chart, name, after=after),
            lambda old, new, name: verify_pages(old, new, chart, name),
        )
    if kind == "xlsx":
        from flowkit.reports.attach.xlsx import add_sheets, verify_sheets

        return lambda old, name: add_sheets(old, contents, chart, name), verify_sheets
    from flowkit.reports.attach.docx import add_block, verify_block

    return lambda old, name: add_block(old, contents, chart, name, bookmark=bookmark), verify_block


def build_file_kind(buildfile: Path) -> Kind:
    """Tell by its content what a build file is; what its name says does not count.

    Parameters
    ----------
    buildfile : Path

    Returns
    -------
    {"pdf", "xlsx", "docx"}

    Raises
    ------
    AttachError
        If it is missing or none of these.
    """
    try:
        data = buildfile.read_bytes()
    except FileNotFoundError:
        raise AttachError("there is no such build file", "check the path", file=str(buildfile)) from None
    except OSError as error:
        raise AttachError(
            f"the build file cannot be read ({error.strerror or error})", "check the path", file=str(buildfile)
        ) from error
    name = buildfile.name
    if data.startswith(b"%PDF-"):
        return "pdf"
    if data.startswith(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
        raise AttachError(
            "the file is protected by a password or in an old office format",
            "save it without password as XLSX, XLSM or DOCX",
            file=name,
        )
    if not data.startswith(b"PK"):
        raise AttachError("this is no build file flowkit can extend", _WANTED, file=name)
    return _office_kind(data, name)


def _office_kind(data: bytes, name: str) -> Kind:
    """Tell a workbook from a document by the type its main part declares."""
    from flowkit.reports.attach.opc import read_package

    package = read_package(data, name)
    declared = package.content_type(package.document)
    if declared in _WORKBOOKS:
        return "xlsx"
    if declared == _DOCUMENT:
        return "docx"
    raise AttachError("this kind of office file cannot be extended", _WANTED, file=name)
