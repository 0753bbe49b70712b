"""Mails and web pages: the table in the body as lines or rows, quotes and markup taken off."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from html.parser import HTMLParser

from flowkit.errors import SheetError
from flowkit.importers.files.grid import MAX_CELLS, MAX_TEXT_BYTES, Grid, megabytes

Row = tuple[str | None, ...]
_HEADER = re.compile(
    r"(from|to|subject|date|mime-version|received|return-path|message-id|content-type|delivered-to|reply-to|x-[\w-]+):",
    re.IGNORECASE,
)
_MARKUP = re.compile(r"<(html|!doctype html|table|body|div|p|meta|head)[\s>]", re.IGNORECASE)
_STRUCK = re.compile(r"text-decoration[^;]*line-through", re.IGNORECASE)
_HIDDEN = re.compile(r"display\s*:\s*none", re.IGNORECASE)
_QUOTE = re.compile(r"^(?:>[ \t]?)+")
_CELLS = ("td", "th")
_LINES = frozenset(
    {"p", "div", "br", "li", "h1", "h2", "h3", "h4", "h5", "h6", "tr", "caption", "pre", "hr", "ul", "ol"}
)
_SILENT = frozenset({"script", "style", "head", "title"})
_STRIKES = ("s", "del", "strike")
_SHEETS = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".xls", ".ods", ".pdf", ".html", ".htm")


def is_mail(data: bytes) -> bool:
    """Tell whether a file begins with the header of a mail."""
    head = data[:2000].decode("latin-1")
    lines = head.replace("\r", "").split("\n")
    return bool(_HEADER.match(lines[0])) and sum(bool(_HEADER.match(line)) for line in lines[:12]) >= 2


def read_mail(data: bytes) -> tuple[str, bool, list[tuple[str, bytes]]]:
    """Read a mail's text, whether that is markup (only where it alone holds the table), and the sheets it carries."""
    from email import message_from_bytes, policy
    from email.message import EmailMessage

    texts: dict[bool, str] = {}
    attached: list[tuple[str, bytes]] = []
    others: list[str] = []
    try:
        message = message_from_bytes(data, policy=policy.default)
        assert isinstance(message, EmailMessage)
        for part in message.walk():
            name = part.get_filename()
            if part.is_multipart():
                continue
            if name and name.lower().endswith(_SHEETS):
                attached.append((name.replace("/", "_"), bytes(part.get_payload(decode=True) or b"")))
            elif part.get_content_maintype() == "text":
                texts.setdefault(part.get_content_subtype() == "html", str(part.get_content()))
            else:
                others.append(name or part.get_content_type())
    except (LookupError, ValueError, AssertionError, RecursionError, TypeError, AttributeError) as error:
        raise SheetError("the mail cannot be read", "save the table in it as text or csv") from error
    markup = 2 * _figures(texts.get(False, "")) < _figures(texts.get(True, ""))
    text = texts.get(markup, "").replace("\r\n", "\n").replace("\r", "\n")
    if attached or _figures(text):
        return text, markup, attached
    if others:
        carried = ", ".join(map(repr, others[:3]))
        what = f"the mail has no table in its text; attached to it: {carried}"
        raise SheetError(what, "save the attachment and give that")
    raise SheetError("the mail holds no table", "ask for the sheet itself")


def _figures(text: str) -> int:
    """How many numbers a text or a web page shows."""
    return len(re.findall(r"\d+", re.sub(r"<[^>]*>", " ", text)))


_LINE = re.compile(
    r"[>\s*]*(?P<head>from|von|de|da|van|sent|gesendet|envoyé|inviato|verzonden|enviado(?: el)?|to|an|à|a|aan|para|"
    r"cc|date|datum|data|fecha|subject|betreff|objet|oggetto|onderwerp|asunto)\*?\s?:\*?\s+\S",
    re.IGNORECASE,
)
_WROTE = re.compile(
    r"[>\s]*(?:On|Am|Le|Il|El|Op|Em|W dniu|Den)\s.*\d.*\b"
    r"(?:wrote|schrieb|écrit|scritto|escribió|schreef|escreveu|napisał|skrev)\b[^:]*:\s*$"
)
_SUBJECT = frozenset({"subject", "betreff", "objet", "oggetto", "onderwerp", "asunto"})


def without_headers(lines: list[str]) -> list[str]:
    """Empty the lines of a mail's header, quoted ones too: their date is the mail's and not the test's."""
    kept = list(lines)
    start = 0
    for index, line in enumerate([*lines, ""]):
        if ":" in line and _LINE.match(line):
            continue
        if ":" in line and _WROTE.match(line):
            kept[index] = ""
        if index - start >= 3 and _SUBJECT & {
            match["head"].lower() for head in lines[start:index] if (match := _LINE.match(head))
        }:
            kept[start:index] = [""] * (index - start)
        start = index + 1
    return kept


def unquoted(lines: Sequence[str]) -> list[str]:
    """Take the marks of a quoted mail off its lines, where most of its table has them."""
    quoted = sum(line.startswith(">") for line in lines) > 2
    return [_QUOTE.sub("", line) for line in lines] if quoted else list(lines)


def is_markup(text: str) -> bool:
    """Tell whether a text is a web page."""
    return text[:4000].lstrip()[:1] == "<" and _MARKUP.search(text, 0, 4000) is not None


class MarkupRows(HTMLParser):
    """Collects the rows of tables and the lines of text of a web page, each with its line."""

    def __init__(self, cut: Callable[[list[str], str], Grid]) -> None:
        super().__init__(convert_charrefs=True)
        self.cut = cut
        self.rows: list[Row] = []
        self.lines: list[int] = []
        self.hidden: set[int] = set()
        self.withdrawn: set[tuple[int, int]] = set()
        self.cells: list[str | None] | None = None  # of the row that is open
        self.text: list[str] = []
        self.at, self.row, self.count = 1, 0, 0
        self.silent = self.struck = 0  # how many such elements are open
        self.open = self.raised = False
        self.spans: list[str] = []  # the tag whose text its style strikes through, and those of its name in it
        self.held: dict[int, int] = {}  # column -> the last row that a cell of an earlier one reaches down to
        self.span = self.down = 1
        self.verbatim: int | None = None  # where the rows of text set as it is typed begin

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Begin a row, a cell or a line."""
        said = dict(attrs)
        style = said.get("style") or ""
        if self.spans[:1] == [tag] or (not self.spans and tag not in ("tr", *_CELLS) and _STRUCK.search(style)):
            self.spans.append(tag)
        if tag in _SILENT:
            self.silent += 1
        elif tag in _STRIKES:
            self.struck += 1
        elif tag == "tr":
            self._line()
            self.cells, self.at, self.row = [], self.getpos()[0], self.row + 1
            self.hidden.update([len(self.rows)] if _HIDDEN.search(style) else ())
        elif tag == "table":
            self._end_row()  # of a table inside a cell, as mail programs lay out a page
            self._line()
            self.held = {}
        elif tag == "sup" and self.cells is not None and "".join(self.text).rstrip()[-1:].isdigit():
            self.text.append("*")  # of a footnote: 84¹ is not 841
            self.raised = True
        elif tag in _CELLS and self.cells is not None:
            self._cell()
            self.open = True
            self.withdrawn.update([(len(self.rows), len(self.cells))] if _STRUCK.search(style) else ())
            counts = [said.get(name) or "1" for name in ("colspan", "rowspan")]
            self.span, self.down = (min(int(n), 60) if n.isdecimal() and n != "0" else 1 for n in counts)
        elif tag in _LINES and self.cells is None:
            self._line()
            self.at = self.getpos()[0]
            self.verbatim = len(self.rows) if tag == "pre" else self.verbatim

    def handle_endtag(self, tag: str) -> None:
        """End a row, a cell or a line."""
        if self.spans[:1] == [tag]:
            self.spans.pop()
        if tag in _SILENT:
            self.silent = max(0, self.silent - 1)
        elif tag in _STRIKES:
            self.struck = max(0, self.struck - 1)
        elif tag == "sup":
            self.raised = False
        elif tag in _CELLS:
            self._cell()
        elif tag in ("tr", "table") and self.cells is not None:
            self._end_row()
            if tag == "table":
                self._keep(())
        elif tag in _LINES and self.cells is None:
            self._line()
            start, self.verbatim = (self.verbatim, None) if tag == "pre" else (None, self.verbatim)
            lines = [row[0] or "" if row else "" for row in self.rows[start:]] if start is not None else []
            if any(lines):  # as it was typed: cut as the lines of a text file are
                grid, numbers = self.cut(lines, ""), self.lines[start:]
                self.rows[start:] = [tuple(None if cell is None else str(cell) for cell in row) for row in grid.rows]
                self.lines[start:] = [numbers[at - 1] for at in grid.lines or ()]

    def handle_data(self, data: str) -> None:
        """Take text."""
        if not self.silent and not self.struck and not self.raised and not self.spans:
            if self.cells is None and "\n" in data and data.strip():
                for part in data.split("\n"):
                    self.text.append(part)
                    self._line()
                    self.at += 1
            elif data.strip() or self.text:
                if not self.text and self.cells is None:
                    self.at = self.getpos()[0]
                self.text.append(data)

    def _cell(self) -> None:
        """End the cell that is open."""
        if self.cells is not None and self.open:
            text = " ".join("".join(self.text).split())
            while self.held.get(len(self.cells), 0) >= self.row:
                self.cells.append(None)
            reached = range(len(self.cells), len(self.cells) + self.span)
            self.held |= dict.fromkeys(reached, self.row + self.down - 1) if self.down > 1 else {}
            self.cells += [text or None, *[None] * (self.span - 1)]
            self.count += self.span
            self.open = False
        self.text = []

    def _end_row(self) -> None:
        """End the row that is open."""
        if self.cells is not None:
            self._cell()
            self._keep(tuple(self.cells))
            self.cells = None

    def _line(self) -> None:
        """End a line of text outside a table."""
        text = "".join(self.text).rstrip()
        text = " ".join(text.split()) if self.verbatim is None else text
        self.text = []
        if text:
            self._keep((text,))

    def _keep(self, row: Row) -> None:
        """Keep a row."""
        if self.count > MAX_CELLS:
            raise OverflowError
        while row and row[-1] is None:
            row = row[:-1]
        self.rows.append(row)
        self.lines.append(self.at)


def markup_rows(text: str, label: str, cut: Callable[[list[str], str], Grid]) -> Grid:
    """Return the rows of a web page's tables and lines as a grid, with what is hidden or struck through in it."""
    if len(text) > MAX_TEXT_BYTES:
        raise SheetError(f"the page is larger than {megabytes(MAX_TEXT_BYTES)}", "save its table as csv")
    parser = MarkupRows(cut)
    try:
        parser.feed(text)
        parser.close()
        parser._line()
    except (OverflowError, RecursionError, AssertionError, ValueError) as error:
        raise SheetError("the web page cannot be read", "save its table as xlsx or csv") from error
    hidden, struck = frozenset(parser.hidden), frozenset(parser.withdrawn)
    return Grid(label, None, tuple(parser.rows), lines=tuple(parser.lines), hidden_rows=hidden, struck=struck)
