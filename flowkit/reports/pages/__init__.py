"""The pages of a report, made, and written whole."""

from __future__ import annotations

import datetime
import io
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from flowkit.drawing import style
from flowkit.errors import FlowkitError
from flowkit.output import document, written_whole
from flowkit.reports.contents import ReportContents
from flowkit.reports.labels import sides_of
from flowkit.reports.pages.chapters import write_areas, write_detail, write_engine, write_notes, write_ports
from flowkit.reports.pages.first import chart_page
from flowkit.reports.pages.layout import PAPERS, Page, Stream, name_variants
from flowkit.version import __version__
from flowkit.wording import date_of

if TYPE_CHECKING:
    from pypdf import PdfWriter

    from flowkit.reports.pages.layout import Page

DATA_NAME = "flowkit-data.json"
"""Name of the attachment a report's PDF carries."""
PNG_DPI = 200
PREVIEW_DPI = 96


def write_whole(files: Mapping[Path, bytes]) -> tuple[Path, ...]:
    """Write files whole: all beside their places first, then each swapped in."""
    with ExitStack() as stack:
        drafts = [(stack.enter_context(written_whole(path)), content) for path, content in files.items()]
        for draft, content in drafts:
            draft.write_bytes(content)
    return tuple(files)


def report_data(contents: ReportContents) -> str:
    """Return the tests as read and all findings, as one document of kind ``"read"``."""
    tests = [test for variant in contents.variants for test in variant.tests]
    return document("read", {"tests": tests, "findings": list(contents.findings)})


def _described(contents: ReportContents) -> tuple[str, datetime.datetime | None]:
    """Return the document's title, and the job's date as a time, None where it has none: never the time of writing."""
    day = date_of(contents.info.date)
    noon = datetime.datetime(day.year, day.month, day.day, 12, tzinfo=datetime.UTC) if day else None
    return contents.info.title or "Flow chart", noon


def pdf_bytes(pages: Sequence[Page], contents: ReportContents, mark: str = "") -> bytes:
    """Return the PDF of all pages with an outline and its data attached."""
    from matplotlib.backends.backend_pdf import PdfPages
    from pypdf import PdfReader, PdfWriter

    drawn = io.BytesIO()
    with style(), PdfPages(drawn, metadata={"CreationDate": None, "Producer": None, "Creator": None}) as pdf:
        for page in pages:
            pdf.savefig(page.figure)
    drawn.seek(0)
    writer = PdfWriter(clone_from=PdfReader(drawn))
    for number, page in enumerate(pages):
        for title in page.chapters:
            writer.add_outline_item(title=title, page_number=number)
    _attach(writer, DATA_NAME, report_data(contents).encode("utf-8"))
    title, created = _described(contents)
    writer.metadata = None
    writer.add_metadata(
        {
            "/Title": title,
            "/Creator": f"flowkit {__version__}",
            "/Producer": f"flowkit {__version__}",
            **({"/Keywords": mark} if mark else {}),
            **({"/CreationDate": created.strftime("D:%Y%m%d%H%M%SZ")} if created is not None else {}),
        }
    )
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def _attach(writer: PdfWriter, name: str, data: bytes) -> None:
    """Embed a file in a PDF, compressed (ISO 32000-1:2008, 7.11.4); pypdf's own way leaves it as it is."""
    from pypdf.generic import ArrayObject, DictionaryObject, NameObject, PdfObject, StreamObject, TextStringObject

    def entries(**values: PdfObject) -> dict[NameObject, PdfObject]:
        """Return values under names of a PDF."""
        return {NameObject(f"/{key}"): value for key, value in values.items()}

    stream = StreamObject()
    stream.set_data(data)
    stream.update(entries(Type=NameObject("/EmbeddedFile"), Subtype=NameObject("/application/json")))
    embedded = writer._add_object(stream.flate_encode())
    title = TextStringObject(name)
    words = TextStringObject("The tests as read, as flowkit read --json gives them")
    file = DictionaryObject(
        entries(
            Type=NameObject("/Filespec"), F=title, UF=title, Desc=words, AFRelationship=NameObject("/Data"),
            EF=DictionaryObject(entries(F=embedded, UF=embedded)),
        )
    )  # fmt: skip
    names = DictionaryObject(entries(Names=ArrayObject([title, writer._add_object(file)])))
    writer.root_object.update(entries(Names=DictionaryObject(entries(EmbeddedFiles=names))))


def png_bytes(page: Page, contents: ReportContents, mark: str = "", dpi: int = PNG_DPI) -> bytes:
    """Return a page as PNG, 200 dots an inch unless asked otherwise."""
    out = io.BytesIO()
    described = {"Software": None, "Title": _described(contents)[0], **({"Comment": mark} if mark else {})}
    with style():
        page.figure.savefig(out, format="png", dpi=dpi, metadata=described)
    return out.getvalue()


def svg_bytes(page: Page, contents: ReportContents, mark: str = "") -> bytes:
    """Return a page as SVG, its text as outlines so that it looks the same everywhere."""
    out = io.BytesIO()
    title, created = _described(contents)
    with style():
        described = {"Date": created, "Creator": f"flowkit {__version__}", "Title": title}
        page.figure.savefig(out, format="svg", metadata=described)
    return out.getvalue() + (f"<!-- {mark} -->\n".encode() if mark else b"")


FORMATS = ("pdf", "png", "svg")


class _Layout(NamedTuple):
    """What may be laid out otherwise behind page 1."""

    scale: float = 1.0
    areas_first: bool = False
    torn: bool = False
    apart: bool = False


_LAYOUTS = (
    _Layout(),
    _Layout(apart=True),
    _Layout(torn=True),
    _Layout(1.12),
    _Layout(0.86, areas_first=True),
    _Layout(1.12, apart=True),
    _Layout(0.86, torn=True, apart=True),
    _Layout(1.25, apart=True),
    _Layout(1.25, torn=True),
)
"""Panels of another height, the areas first, tables that run on over pages, the notes on pages of their own."""


def make_pages(contents: ReportContents, paper: str = "letter") -> list[Page]:
    """Make all pages of a report, none more than half empty where any layout has none."""
    if paper not in PAPERS:
        raise FlowkitError(f"there is no paper {paper!r}", "use " + " or ".join(PAPERS))
    sheet, sides = PAPERS[paper], sides_of(contents.comparison)
    if not sides:
        raise FlowkitError("there is nothing to draw", "a flow chart needs at least one side with tests")
    present = dict.fromkeys(variant.name for _, result in sides for variant in result.variants)
    ordered = dict.fromkeys(variant.name for variant in contents.variants if variant.name in present)
    with style():
        names = name_variants([*(ordered | present)])
        pages: list[Page] = []
        best = -1.0
        first, left_over, whole = chart_page(contents, sheet, names)
        for tried, layout in enumerate(_LAYOUTS):
            stream = Stream(sheet, scale=layout.scale, torn=layout.torn)
            write_detail(stream, contents, names, left_over, steps=not whole)
            described = bool(stream.pages)
            if layout.areas_first:
                write_areas(stream, contents, names)
            if contents.engine is not None:
                write_engine(stream, contents.engine, names, contents.info)
            write_ports(stream, contents, names)
            if not layout.areas_first:
                write_areas(stream, contents, names)
            write_notes(stream, contents, names, sentences=not described, apart=layout.apart)
            if stream.emptiest > best:
                best, pages = stream.emptiest, [first, *stream.pages]
            # Good enough: the more were tried, the less is asked for.
            if best > sheet.inner_bottom * max(0.56 - 0.02 * tried, 0.5):
                break
        for number, page in enumerate(pages, 1):
            page.finish(contents.info, len(pages), number)
    return pages


def page_files(
    contents: ReportContents,
    *,
    formats: Sequence[str] = ("pdf", "png"),
    paper: str = "letter",
    chosen: Sequence[int] | None = None,
    mark: str = "",
    previews: bool = False,
) -> dict[str, bytes]:
    """Return the flow chart's files as bytes: the chosen pages as PDF (all unless given), the first as PNG and SVG.

    With `previews`, each of the pages as a small picture too, by its number.
    """
    for item in formats:
        if item not in FORMATS:
            raise FlowkitError(f"there is no page format {item!r}", "use " + ", ".join(FORMATS))
    pages = make_pages(contents, paper)
    if chosen is not None:
        beyond = [number for number in chosen if not 1 <= number <= len(pages)]
        if beyond or not chosen:
            raise FlowkitError(
                f"there is no page {beyond[0]}" if beyond else "no page is chosen", f"pages are 1 to {len(pages)}"
            )
        pages = [pages[number - 1] for number in dict.fromkeys(chosen)]
    files = {}
    for item in dict.fromkeys(formats):
        if item == "pdf":
            files[item] = pdf_bytes(pages, contents, mark)
        else:
            files[item] = (png_bytes if item == "png" else svg_bytes)(pages[0], contents, mark)
    for number, page in enumerate(pages if previews else (), 1):
        files[str(number)] = png_bytes(page, contents, dpi=PREVIEW_DPI)
    return files
