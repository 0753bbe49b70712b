"""A PDF that is no report of flowkit's: its words by their place on the page."""

from __future__ import annotations

import ctypes
import io
import logging
import re
from collections.abc import Callable
from typing import Any, NamedTuple

from flowkit.errors import SheetError
from flowkit.importers.files.grid import MAX_ROWS, Grid
from flowkit.importers.files.text import RULE, Line, Piece, aligned_rows, decimal_comma

MAX_PAGES = 60
MAX_CHARACTERS = 100_000  # of a page
# Parts of a line's height: letters nearer than this are one word, words nearer than this one cell.
LETTER_GAP, WORD_GAP, FIXED_GAP = 0.15, 0.42, 0.8  # the last in a face whose letters are equally wide
TOUCHING = 0.03
_SPELLED = re.compile(r"[^\W\d_](?:[^\W\d_A-Z]|[.,:;)])|[A-Z]{2}")  # two characters of one word, seldom of two cells
_TURNS: dict[int, Callable[[float, float], tuple[float, float]]] = {
    0: lambda x, y: (x, -y), 90: lambda x, y: (y, x), 180: lambda x, y: (-x, y), 270: lambda x, y: (-y, -x),
}  # fmt: skip
"""A page turned clockwise by so many degrees: a point from its left, and from its top."""
PICTURE = (
    "this PDF is a picture (a scan or a photo) with no text in it",
    "type the readings into a sheet: flowkit blank writes one, and the page lets you type beside the picture",
)
_PAGE_MARK = re.compile(
    r"\W*(?:(?:https?|file):\S*)?\W*(?:page|seite|pagina|página|sida|strona|p\.)?\s*\d+\s*"
    r"(?:of|/|von|de|di|van|z|av|sur)\s*\d+\W*",
    re.IGNORECASE,
)
_CONTINUED = re.compile(r"\b(?:cont(?:inued|'?d)?|fortsetzung|suite|continuación|segue|vervolg)\b", re.IGNORECASE)


def open_pdf(data: bytes) -> object:
    """Open a PDF; one protected by an owner's password only is opened with the empty one."""
    from pypdf import PdfReader

    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # its warnings would mix with ours
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
            what = "the PDF is cut off or broken"
            raise SheetError(what, "ask for it once more, or for the sheets themselves") from error
    if locked:
        raise SheetError("the PDF has a password", "save it without one")
    return reader


def pdf_grids(data: bytes, label: str) -> tuple[Grid, ...]:
    """Read the pages of a PDF into one grid; sources give the page and the line on it."""
    lines: list[Line] = []
    places: list[tuple[int, int]] = []
    for number, page in enumerate(_pages(data), 1):
        for count, line in enumerate(page, 1):
            lines.append(line)
            places.append((number, count))
    if sum(len(line.words) for line in lines) < 4:
        raise SheetError(*PICTURE)
    if len(lines) > MAX_ROWS:
        raise SheetError("the PDF has too many lines", "print the page with the table alone")
    lines, places = _continued(lines, places)
    rows = aligned_rows(lines, range(1, len(lines) + 1))
    comma = decimal_comma([cell for row in rows for cell in row if cell])
    grid = Grid(
        label, None, tuple(rows), lines=tuple(range(1, len(rows) + 1)), pages=tuple(places), delimiter=" ",
        decimal_comma=comma,
    )  # fmt: skip
    return (grid,)


def _continued(lines: list[Line], places: list[tuple[int, int]]) -> tuple[list[Line], list[tuple[int, int]]]:
    """Join a table that goes on behind a page's end: repeated headings are dropped, a title said there leads it all."""
    kept: list[int] = []
    titles: list[int] = []
    between: list[int] = []  # since the last line of numbers
    said = {""}
    last: float | None = None
    for at, line in enumerate(lines):
        first = line.first_number
        if first is None:
            between.append(at)
            continue
        new = [n for n in between if lines[n].text not in said and not _PAGE_MARK.fullmatch(lines[n].text)]
        goes_on = last is not None and first > last and all(_CONTINUED.search(lines[n].text) for n in new)
        if goes_on and any(lines[n].text for n in between):
            titles += new
        else:
            kept += [n for n in between if not _PAGE_MARK.fullmatch(lines[n].text)]
        said |= {lines[n].text for n in between}
        kept.append(at)
        between, last = [], first
    order = [*titles, *kept, *(n for n in between if not _PAGE_MARK.fullmatch(lines[n].text))]
    return [lines[n] for n in order], [places[n] for n in order]


def _pages(data: bytes) -> list[list[Line]]:
    """The lines of each page, every word at its place on it."""
    from pypdfium2 import PdfDocument, PdfiumError

    try:
        document = PdfDocument(data)
        try:
            return [_lines(_words(document[number])) for number in range(min(len(document), MAX_PAGES))]
        finally:
            document.close()
    except PdfiumError as error:
        if "password" in str(error).lower():
            raise SheetError("the PDF has a password", "save it without one") from error
        what = "the PDF is cut off or broken"
        raise SheetError(what, "ask for it once more, or for the sheets themselves") from error


class _Word(NamedTuple):
    """A word with its box, in points; y runs down the page."""

    text: str
    left: float
    right: float
    top: float
    bottom: float
    apart: bool = False  # begins a text of its own, right at the end of another


def _words(page: Any) -> list[_Word]:
    """The words of a page: characters one beside another, up to a blank or a gap."""
    from pypdfium2.raw import FPDFText_GetTextObject

    text = page.get_textpage()
    turn = _TURNS[page.get_rotation()]
    found: list[_Word] = []
    open_word, drawn, box = False, None, (0.0, 0.0, 0.0, 0.0)
    for index in range(min(text.count_chars(), MAX_CHARACTERS)):
        mark = text.get_text_range(index, 1)
        if not mark.strip() or not mark.isprintable():
            open_word = False
            continue
        glyph, box = box, text.get_charbox(index, loose=True)
        x0, y0, x1, y1 = box
        (left, right), (top, bottom) = (sorted(pair) for pair in zip(turn(x0, y0), turn(x1, y1), strict=True))
        last = found[-1] if open_word else None
        before, drawn = drawn, ctypes.cast(FPDFText_GetTextObject(text, index), ctypes.c_void_p).value
        near = last is not None and abs(top - last.top) < 0.5 * (bottom - top)
        gap = (left - last.right) / max(bottom - top, 1.0) if last is not None else 0.0
        # Two cells that touch: the second is drawn by itself and a little before or behind the first's end.
        # A browser draws a letter by itself where it is moved closer to the one before (ke, Te), or after a ligature.
        spelled = last is not None and (gap < 0 or mark.islower()) and _SPELLED.fullmatch(last.text[-1] + mark)
        apart = near and before != drawn and TOUCHING < abs(gap) < LETTER_GAP and not spelled
        joined = near and not apart and -0.5 < gap < LETTER_GAP
        if last is not None and (joined or glyph == box):  # the letters of a ligature have one box
            top, bottom = min(top, last.top), max(bottom, last.bottom)
            found[-1] = _Word(last.text + mark, last.left, right, top, bottom, last.apart)
        else:
            found.append(_Word(mark, left, right, top, bottom, apart))
        open_word = True
    return found


def _lines(words: list[_Word]) -> list[Line]:
    """Words as lines, a blank one where the page has a wide gap."""
    wide = sorted((word.right - word.left) / len(word.text) / max(word.bottom - word.top, 1.0) for word in words)
    fixed = bool(wide) and wide[int(0.9 * (len(wide) - 1))] < 1.05 * wide[int(0.1 * (len(wide) - 1))]
    gap = FIXED_GAP if fixed else WORD_GAP
    rows: list[list[_Word]] = []
    for word in sorted(words, key=lambda word: ((word.top + word.bottom) / 2, word.left)):
        middle = (word.top + word.bottom) / 2
        if rows and middle < rows[-1][0].bottom - 0.25 * (rows[-1][0].bottom - rows[-1][0].top):
            rows[-1].append(word)
        else:
            rows.append([word])
    lines: list[Line] = []
    for place, row in enumerate(rows):
        if place and row[0].top - rows[place - 1][0].bottom > 0.7 * (row[0].bottom - row[0].top):
            lines.append(Line([], []))
        line = _line(sorted(row, key=lambda word: word.left), gap)
        if line.wide or (lines and lines[-1].wide):
            lines.append(line)
    return lines


def _line(row: list[_Word], gap: float) -> Line:
    """One line, its words joined where no more than a blank parts them."""
    words = [Piece(round(10 * word.left), round(10 * word.right), word.text) for word in row]
    if RULE.fullmatch(" ".join(word.text for word in row)):
        return Line([], [], rule=True)
    wide: list[Piece] = []
    for word, piece in zip(row, words, strict=True):
        if wide and not word.apart and piece.start - wide[-1].end < 10 * gap * (word.bottom - word.top):
            wide[-1] = Piece(wide[-1].start, piece.end, f"{wide[-1].text} {piece.text}")
        else:
            wide.append(piece)
    return Line(wide, words)
