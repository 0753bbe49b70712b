"""A PDF that is no report of flowkit's: its words by their place, as lines of a text."""

from __future__ import annotations

import io
import itertools
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


Word = tuple[float, float, float, str]  # left, baseline, width of a letter, text


def _lines(page: object) -> list[str]:
    """The lines of a page, each word at the column its place on the page gives it."""
    words: list[Word] = []

    def take(text: str, cm: list[float], tm: list[float], _font: object, size: float) -> None:
        """Take a piece of text with its place."""
        if not text.strip():
            return
        x = tm[4] * cm[0] + tm[5] * cm[2] + cm[4]
        y = tm[4] * cm[1] + tm[5] * cm[3] + cm[5]
        scale = abs(tm[3] * cm[3]) or abs(tm[0] * cm[0]) or 1.0
        for count, part in enumerate(text.split("\n")):
            if part.strip():
                words.append((x, y - count * size * scale, 0.5 * size * scale or 5.0, part))

    page.extract_text(visitor_text=take)  # type: ignore[attr-defined]
    return _arranged(words)


def _arranged(words: list[Word]) -> list[str]:
    """Put words into lines by their height, and into columns by their left edge."""
    if not words:
        return []
    letter = sorted(word[2] for word in words)[len(words) // 2]
    rows: list[list[Word]] = []
    for word in sorted(words, key=lambda w: (-w[1], w[0])):
        if rows and abs(rows[-1][0][1] - word[1]) <= 0.9 * letter:
            rows[-1].append(word)
        else:
            rows.append([word])
    left = min(word[0] for word in words)
    scale = min(letter, _narrowest(rows) or letter)
    found: list[str] = []
    above: float | None = None
    for row in rows:
        if above is not None and above - row[0][1] > 3.6 * letter:
            found.append("")
        above = row[0][1]
        line = ""
        for x, _, _, text in sorted(row):
            column = round((x - left) / scale)
            gap = max(column - len(line), 2 if line else 0)
            if line and column <= len(line) and not line.endswith(" "):
                gap = 2
            line += " " * gap + text.strip()
        found.append(line)
    return found


def _narrowest(rows: list[list[Word]]) -> float | None:
    """The width a letter must be taken to have so that no word runs into the one behind it."""
    widths = []
    for row in rows:
        cells = sorted(row)
        for (x, _, _, text), (after, *_) in itertools.pairwise(cells):
            if after > x:
                widths.append((after - x) / (len(text.strip()) + 2))
    return min(widths) if widths else None
