"""Files written whole or not at all, and the PDF put together."""

from __future__ import annotations

import datetime
import io
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from flowkit.drawing import style
from flowkit.output import written_whole
from flowkit.reports.contents import ReportContents
from flowkit.reports.labels import date_of
from flowkit.output import document
from flowkit.version import __version__

if TYPE_CHECKING:
    from pypdf import PdfWriter

    from flowkit.reports.layout import Page

__all__ = ["DATA_NAME", "pdf_bytes", "png_bytes", "report_data", "svg_bytes", "write_whole"]

DATA_NAME = "flowkit-data.json"
"""Name of the attachment a report's PDF carries."""
PNG_DPI = 200


def write_whole(files: Mapping[Path, bytes]) -> tuple[Path, ...]:
    """Write files whole: all beside their places first, then each swapped in.

    Parameters
    ----------
    files : mapping
        Path to content. Folders are made.

    Returns
    -------
    tuple of Path

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    with ExitStack() as stack:
        drafts = [(stack.enter_context(written_whole(path)), content) for path, content in files.items()]
        for draft, content in drafts:
            draft.write_bytes(content)
    return tuple(files)


def report_data(contents: ReportContents) -> str:
    """Return the tests as read and all findings, as one document of kind ``"read"``."""
    tests = [test for variant in contents.variants for test in variant.tests]
    return document("read", {"tests": tests, "findings": list(contents.findings)})


def _created(contents: ReportContents) -> datetime.datetime | None:
    """Return the job's date as a time, None where it has none: never the time of writing."""
    day = date_of(contents.info.date)
    return datetime.datetime(day.year, day.month, day.day, 12, tzinfo=datetime.UTC) if day else None


def _title(contents: ReportContents) -> str:
    """Return the document's title."""
    return contents.info.title or "Flow chart"


def pdf_bytes(pages: Sequence[Page], contents: ReportContents) -> bytes:
    """Return the PDF of all pages with an outline and its data attached.

    Parameters
    ----------
    pages : sequence of Page
    contents : ReportContents
    """
    from matplotlib.backends.backend_pdf import PdfPages
    from pypdf import PdfReader, PdfWriter

    drawn = io.BytesIO()
    with style(), PdfPages(drawn, metadata={"CreationDate": None, "Producer": None, "Creator": None}) as pdf:
        for page in pages:
            pdf.savefig(page.figure)
    drawn.seek(0)
    writer = PdfWriter(clone_from=PdfReader(drawn))
    for number, page in enumerate(pages):
        writer.add_outline_item(title=page.title, page_number=number)
    _attach(writer, DATA_NAME, report_data(contents).encode("utf-8"))
    writer.metadata = None
    metadata = {"/Title": _title(contents), "/Creator": f"flowkit {__version__}", "/Producer": f"flowkit {__version__}"}
    created = _created(contents)
    if created is not None:
        metadata["/CreationDate"] = created.strftime("D:%Y%m%d%H%M%SZ")
    writer.add_metadata(metadata)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def _attach(writer: PdfWriter, name: str, data: bytes) -> None:
    """Embed a file in a PDF, compressed (ISO 32000-1:2008, 7.11.4); pypdf's own way leaves it as it is."""
    from pypdf.generic import ArrayObject, DictionaryObject, NameObject, StreamObject, TextStringObject

    stream = StreamObject()
    stream.set_data(data)
    stream[NameObject("/Type")] = NameObject("/EmbeddedFile")
    stream[NameObject("/Subtype")] = NameObject("/application/json")
    embedded = writer._add_object(stream.flate_encode())
    file = DictionaryObject(
        {
            NameObject("/Type"): NameObject("/Filespec"),
            NameObject("/F"): TextStringObject(name),
            NameObject("/UF"): TextStringObject(name),
            NameObject("/Desc"): TextStringObject("The tests as read, as flowkit read --json gives them"),
            NameObject("/AFRelationship"): NameObject("/Data"),
            NameObject("/EF"): DictionaryObject({NameObject("/F"): embedded, NameObject("/UF"): embedded}),
        }
    )
    names = ArrayObject([TextStringObject(name), writer._add_object(file)])
    tree = DictionaryObject({NameObject("/EmbeddedFiles"): DictionaryObject({NameObject("/Names"): names})})
    writer.root_object[NameObject("/Names")] = tree


def png_bytes(page: Page, contents: ReportContents) -> bytes:
    """Return a page as PNG, 200 dots an inch.

    Parameters
    ----------
    page : Page
    contents : ReportContents
        For the title in the file.
    """
    out = io.BytesIO()
    with style():
        page.figure.savefig(out, format="png", dpi=PNG_DPI, metadata={"Software": None, "Title": _title(contents)})
    return out.getvalue()


def svg_bytes(page: Page, contents: ReportContents) -> bytes:
    """Return a page as SVG, its text as outlines so that it looks the same everywhere.

    Parameters
    ----------
    page : Page
    contents : ReportContents
        For the title and the date in the file.
    """
    out = io.BytesIO()
    created = _created(contents)
    with style():
        page.figure.savefig(
            out,
            format="svg",
            metadata={"Date": created, "Creator": f"flowkit {__version__}", "Title": _title(contents)},
        )
    return out.getvalue()
