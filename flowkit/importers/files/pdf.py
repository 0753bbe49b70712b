"""A PDF that is no report of flowkit's: its words by their place on the page, as lines of a text."""

from __future__ import annotations

import io
import logging
import re

from flowkit.errors import SheetError
from flowkit.importers.files.grid import MAX_ROWS, Grid
from flowkit.importers.files.text import grid_of_lines

__all__ = ["open_pdf", "pdf_grids"]

MAX_PAGES = 60
_RULES = re.compile(r"^[\s|+=_-]*$")
PICTURE = (
    "this PDF is a picture: it holds no text, such as a scan or a photo",
    "type the readings into a sheet: flowkit blank writes one, and the page lets you type beside the picture",
)


def open_pdf(data: bytes, label: str) -> object:
    """Open a PDF; one protected by an owner's password only is opened with the empty one."""
    from pypdf import PdfReader

    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # its warnings would stand between ours
    try:
        reader = PdfReader(io.BytesIO(data))
        locked = bool(reader.is_encrypted and not reader.decrypt(""))
        if not locked:
            len(reader.pages)
    except Exception as error:
        # A broken PDF comes apart in many ways inside the library; none of them may reach the user.
        if isinstance(error, (MemoryError, KeyboardInterrupt)):
            raise
        if "AES" in str(error) or type(error).__name__ == "DependencyError":
            locked = True
        else:
            raise SheetError(
                "the PDF is cut off or broken", "ask for it once more, or for the sheets themselves", file=label
            ) from error
    if locked:
        raise SheetError("the PDF has a password", "save it without one", file=label)
    return reader


def pdf_grids(data: bytes, label: str) -> tuple[Grid, ...]:
    """Read the pages of a PDF into one grid; sources give the page and the line on it."""
    reader = open_pdf(data, label)
    lines: list[str] = []
    places: list[tuple[int, int]] = []
    try:
        pages = list(reader.pages)[:MAX_PAGES]  # type: ignore[attr-defined]
        for number, page in enumerate(pages, 1):
            for count, line in enumerate(_lines(page), 1):
                lines.append(line)
                places.append((number, count))
    except Exception as error:
        if isinstance(error, (MemoryError, KeyboardInterrupt)):
            raise
        raise SheetError(
            "the text of this PDF cannot be taken out", "ask for the sheet itself, as xlsx or csv", file=label
        ) from error
    if sum(len(line.split()) for line in lines) < 4:
        raise SheetError(*PICTURE, file=label)
    if len(lines) > MAX_ROWS:
        raise SheetError("the PDF has too many lines", "print the page with the table alone", file=label)
    return (grid_of_lines(lines, label, places=tuple(places)),)


def _lines(page: object) -> list[str]:
    """The lines of a page, each word at the column its place on the page gives it; no two blank lines together."""
    text = page.extract_text(extraction_mode="layout")  # type: ignore[attr-defined]
    lines: list[str] = []
    for line in text.split("\n"):
        kept = "" if _RULES.fullmatch(line) else line.rstrip()
        if kept or (lines and lines[-1]):
            lines.append(kept)
    return lines
