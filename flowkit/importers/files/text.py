"""A text file to a grid: encoding, lines, what separates the cells, each row with its physical line."""

from __future__ import annotations

import codecs
import itertools
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple
from unicodedata import east_asian_width

from flowkit.errors import SheetError
from flowkit.importers.files import grid as limits
from flowkit.importers.files.grid import Grid, megabytes
from flowkit.importers.files.mail import is_markup, markup_rows, unquoted, without_headers
from flowkit.importers.files.sayings import said_rows
from flowkit.importers.words.labels import mentions, parse_label
from flowkit.importers.words.phrases import pairs
from flowkit.importers.words.values import known_unit
from flowkit.importers.words.vocabulary import PHRASES, fold
from flowkit.units import number as read_number

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_NOT_TEXT = re.compile("[\x00-\x08\x0e-\x1f\x7f\ufffe\uffff]")
_CONTROLS = bytes([*range(0x09), *range(0x0E, 0x20), 0x7F])
MAX_STRAY = 8  # control characters that may have slipped into a text; more, and it is none
_REMEDY = "export the sheet as csv or xlsx and send that"
_ALONE = "send the bench's sheet alone"
_DELIMITERS = ("\t", ";", "|", ",")
_GAPS = frozenset(("-", "--", "---", "–", "—", "n/a", "na", "nt", "n.t.", "n/t"))
_NUMERIC = re.compile(
    r"""[\s"]*[-+−–~≈]?(?:\d+(?:[.,]\d+|[\s'’]\d{3}(?!\d))*\.?|[.,]\d+)(?:[eE][-+]?\d+)?"""
    r"""\s*(?:[^\d\s;|,.][^\d;|,]{0,8}(?:2O|3/\w{1,3})?)?[\s"]*"""
)
_MANTISSA = re.compile(r"""\s*[-+−–]?([\d.,'’\s]*\d)(?:[eE][-+]?\d+)?\s*(?:[^\d\s;|,.][^;|,]{0,12})?""")
_TOUCHING = re.compile(r"\d\s{2,}\S|\S\s{2,}\d|\d[;|\t]|[;|\t]\d")
_BLANK_BETWEEN_DIGITS = re.compile(r" (?<=\d )\d")
_HEADING_MARK = re.compile(r"\s*#(?:\d|\s*[,;\t|]|\s{2,}\S)")
RULE = re.compile(r"[-=+|:_\s]*(?:---|===|___|:--|--:)[-=+|:_\s]*")
_SAMPLE = 60
Row = tuple[str | None, ...]
Span = tuple[int, int]
_WIDE = re.compile(r"\S+(?: \S+)*")
_WORD = re.compile(r"\S+")
_PROSE = 160  # a longer line of words with single blanks is prose, and never cut
_LABEL_WORDS = 5
_NUMBER_OR_GAP = r"\s+(?:\S*\d\S*|[-–—]+|n\S{1,3})"
_SOME_NUMBERS = re.compile(rf"\s\S*\d\S*{_NUMBER_OR_GAP}{_NUMBER_OR_GAP}(?!\S)", re.IGNORECASE)
_NUMBER_AND_NOTE = re.compile(r"([-+]?[\d.,]+)\s+([^\W\d_][^\d]*)")
_LEAD = 3  # as many words as the lifts' own heading may have before the first port's: Lift (1/1000 in)
_PACKAGES = {".xlsx": "xlsx", ".xlsm": "xlsm", ".ods": "ods"}
_SAID_LINES = 400  # a longer file is no letter


def decode_text(data: bytes) -> str:
    r"""Decode a text file: by byte-order mark, zero bytes, UTF-8 or an older encoding, the first that fits."""
    if len(data) > limits.MAX_TEXT_BYTES:
        size, most = megabytes(len(data)), megabytes(limits.MAX_TEXT_BYTES)
        what = f"the file is {size} of text, more than the {most} flowkit reads"
        raise SheetError(what, _ALONE)
    mark, encoding = next(((mark, name) for mark, name in _BOMS if data.startswith(mark)), (b"", ""))
    if not encoding and b"\x00" in data:
        encoding = _utf16_without_mark(data)
    try:
        text = data[len(mark) :].decode(encoding or "utf-8")
    except UnicodeDecodeError:
        encoding = encoding or _one_byte_encoding(data)
        try:
            text = data[len(mark) :].decode(encoding)
        except UnicodeDecodeError as again:
            what = f"byte {again.start + 1} does not belong in a text file (read as {encoding})"
            raise SheetError(what, _REMEDY) from again
    # Old programs end a text with a control-Z.
    text = text.rstrip("\x1a") if text.endswith("\x1a") else text
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    odd = list(_NOT_TEXT.finditer(text)) if _has_controls(data) else []
    if len(odd) > MAX_STRAY:
        line = text.count("\n", 0, odd[0].start()) + 1
        what = f"line {line} holds the control character 0x{ord(odd[0][0]):02X}, so this is not a text file"
        raise SheetError(what, _REMEDY)
    return text


def _has_controls(data: bytes) -> bool:
    """Whether control characters may be in a text: they are the same in every encoding of one byte and in UTF-8."""
    return len(data) != len(data.translate(None, _CONTROLS))  # deleting bytes is quick


def _one_byte_encoding(data: bytes) -> str:
    """Tell an older encoding by the words it gives: the one in which most are words of the trade."""
    best, most = "cp1252", -1
    sample = data[:40_000]
    for encoding in ("cp1252", "cp1250", "shift_jis"):
        try:
            text = sample.decode(encoding)
        except UnicodeDecodeError as error:
            if len(sample) - error.start > 3 or encoding == "cp1252":
                continue
            text = sample[: error.start].decode(encoding)
        if encoding == "shift_jis":
            said = (m for line in text.split("\n") for m in mentions(line))
            known = sum("ja" in m.languages and not m.text.isascii() for m in said)
        else:
            words = re.findall(r"[^\W\d_]{3,}", text)
            known = sum(fold(word) in PHRASES for word in words if not word.isascii())
        if known > most:
            best, most = encoding, known
    return best


def _utf16_without_mark(data: bytes) -> str:
    """Tell UTF-16 by its zero bytes: nearly all on one side of each pair, hardly any on the other."""
    sample = data[:20_000]
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    half = max(1, len(sample) // 2)
    if len(data) % 2 or max(even, odd) < 0.4 * half or min(even, odd) > 0.02 * half:
        raise SheetError("this is not text: it has NUL characters in it", _REMEDY)
    return "utf-16-le" if odd > even else "utf-16-be"


def text_lines(text: str) -> list[str]:
    r"""Split text into its physical lines, within the limits."""
    lines = text.rstrip().split("\n")
    if lines == [""]:
        raise SheetError("the file is blank", "ask for it again or export it once more")
    if len(lines) > limits.MAX_ROWS:
        raise SheetError(f"the file has {len(lines)} lines, more than the {limits.MAX_ROWS} flowkit reads", _ALONE)
    for count, line in enumerate(lines, 1) if len(text) > limits.MAX_LINE_CHARACTERS else ():
        if len(line) > limits.MAX_LINE_CHARACTERS:
            what = (
                f"line {count} is {len(line)} characters long, more than the {limits.MAX_LINE_CHARACTERS} flowkit reads"
            )
            raise SheetError(what, "export the sheet as csv once more, one line per row")
    return lines


def check_width(cells: int, line: int) -> None:
    """Hold the limit on the cells of a line."""
    if cells > limits.MAX_COLUMNS:
        what = f"line {line} has {cells} cells, more than the {limits.MAX_COLUMNS} columns flowkit reads"
        raise SheetError(what, "send the bench's table alone")


def is_numeric(text: str, *, gaps: bool = False) -> bool:
    """Tell whether a cell's text is a number, with or without a short unit."""
    return _NUMERIC.fullmatch(text) is not None or (gaps and text.strip().lower() in _GAPS)


def find_delimiter(text: str, lines: Sequence[str]) -> str | None:
    r"""Find what separates a text file's cells."""
    present = [mark for mark in _DELIMITERS if mark in text]
    if present == [","] and "  " not in text and not _BLANK_BETWEEN_DIGITS.search(text):
        return ","
    # The lines that begin with a number; where there are none, those that hold one.
    lines = [line for line in lines if any(mark.isdigit() for mark in line) and not RULE.fullmatch(line)]
    sample = [line for line in lines if line.lstrip(' "|*')[:1] in tuple("0123456789.,-+−")]
    if len(sample) < 2:
        sample = [line for line in lines if line.lstrip()[:1] != "#" or _HEADING_MARK.match(line)]
    sample = sample[:_SAMPLE]
    tabbed = sum("\t" in line for line in sample)
    if tabbed and tabbed >= 0.6 * len(sample) and sum(_score(line.split("\t")) for line in sample) > 0:
        return "\t"
    barred = [line.count("|") for line in sample if "|" in line]
    count = max(set(barred), key=barred.count, default=0)
    most = barred.count(count)
    if most > 1 and 10 * most >= 7 * len(barred) and (count > 1 or 2 * most > len(sample)):
        return "|"
    scores = {mark: sum(_score(line.split(mark)) for line in sample if mark in line) for mark in present}
    scores[" "] = sum(_score(re.split(" +", line.strip())) for line in sample)
    # A title or a unit may hold blanks; they separate only where nothing else does as well.
    best = max(scores, key=lambda mark: scores[mark])
    return best if scores[best] > 0 else present[0] if present else None


def _score(cells: list[str]) -> int:
    """Count the numbers a line was cut into, less the cells that should have been cut again."""
    if len(cells) < 2:
        return 0
    return sum(1 for cell in cells if _NUMERIC.fullmatch(cell)) - sum(1 for cell in cells if _TOUCHING.search(cell))


def decimal_comma(cells: Iterable[str]) -> bool | None:
    """Tell from all cells together whether their numbers have a decimal comma."""
    seen: set[bool] = set()
    for cell in cells:
        match = _MANTISSA.fullmatch(cell) if "," in cell or "." in cell else None
        mark = _mark_of(re.sub(r"[\s'’]", "", match[1])) if match else None
        if mark is not None:
            seen.add(mark)
    return seen.pop() if len(seen) == 1 else None


def _mark_of(number: str) -> bool | None:
    """Tell whether one number's decimal mark is the comma; None where it does not show."""
    comma, dot = number.count(","), number.count(".")
    if comma and dot:
        return number.rfind(",") > number.rfind(".")
    mark = "," if comma else "."
    lead, _, tail = number.rpartition(mark)
    if comma + dot > 1:
        # Several of one mark group thousands, so the other one is the decimal mark: 1,234,567.
        grouped = all(len(part) == 3 for part in number.split(mark)[1:])
        return (mark == ".") if grouped else None
    return None if len(tail) == 3 and lead not in ("", "0") and len(lead) <= 3 else mark == ","


class Piece(NamedTuple):
    """A piece of a line and where it is."""

    start: int
    end: int
    text: str


@dataclass(slots=True)
class Line:
    """A line of text cut at blanks: at the wide ones, and, where that is asked for, at every one."""

    wide: list[Piece]
    every: list[Piece] | str  # the pieces between blanks, or the text they are cut from
    rule: bool = False

    @property
    def words(self) -> list[Piece]:
        """The line cut at every blank."""
        if isinstance(self.every, str):
            self.every = _pieces(_WORD, self.every)
        return self.every

    @property
    def text(self) -> str:
        """The whole line."""
        return " ".join(piece.text for piece in self.wide)

    @property
    def first_number(self) -> float | None:
        """The number that begins a line of numbers."""
        numeric = len(self.words) > 1 and _are_numbers(self.words)
        return read_number(self.words[0].text) if numeric else None

    @classmethod
    def of_text(cls, line: str) -> Line:
        """Cut a line by the columns of its characters."""
        spread = line.expandtabs(8)
        if RULE.fullmatch(spread):
            return cls([], [], rule=True)
        if len(spread) > _PROSE and spread[0].isalpha() and "  " not in spread:
            return cls([Piece(0, len(spread), spread.strip())], [])
        wide = _pieces(_WIDE, spread)
        if " : " in spread:  # labels with their colons one below the other: "DEPRESSION    : 28 in H2O"
            wide = [Piece(p.start + 2, p.end, p.text[2:]) if p.text.startswith(": ") else p for p in wide]
        return cls(wide, spread)


def _pieces(pattern: re.Pattern[str], line: str) -> list[Piece]:
    """Cut a line, keeping where each piece is; a Chinese, Japanese or Korean letter is two columns wide."""
    found = [Piece(match.start(), match.end(), match[0]) for match in pattern.finditer(line)]
    if line.isascii():
        return found
    at = [0, *itertools.accumulate(2 if east_asian_width(mark) in "WF" else 1 for mark in line)]
    return [Piece(at[piece.start], at[piece.end], piece.text) for piece in found]


def _are_numbers(pieces: Sequence[Piece]) -> bool:
    """Whether pieces are numbers or marks of a gap, all of them."""
    return all(is_numeric(piece.text, gaps=True) for piece in pieces)


def _in_order(pieces: list[Piece]) -> Row:
    """Return the pieces one after the other."""
    return tuple(piece.text for piece in pieces)


def _one(words: list[Piece]) -> Piece:
    """Join words to one piece."""
    return Piece(words[0].start, words[-1].end, " ".join(word.text for word in words))


def aligned_rows(lines: Sequence[Line], numbers: Sequence[int]) -> list[Row]:
    """Put lines whose columns are aligned by blanks into cells."""
    data = _data_lines(lines)
    rows: list[Row] = [_in_order(line.wide) for line in lines]
    for number, row, pieces in zip(numbers, rows, data, strict=True):
        check_width(max(len(row), len(pieces or ())), number)
    index = 0
    while index < len(lines):
        block: dict[int, list[Piece]] = {}
        first = index
        while index < len(lines) and (data[index] is not None or (block and not lines[index].wide)):
            if (pieces := data[index]) is not None:
                block[index] = pieces
            index += 1
        if not block:
            index += 1
            continue
        heads = _heading_lines(lines, data, first)
        above = min(heads, default=first) - 1
        if above >= 0 and len(lines[above].wide) > 1 and data[above] is None and _is_said(lines[above].text):
            rows[above] = ("  ".join(piece.text for piece in lines[above].wide),)
        if not _place_block(rows, lines, heads, block):
            what = "the columns of this table are lined up with spaces, and it is not clear where each begins"
            remedy = "export it as csv, or put the same mark (such as -) where a value is missing"
            raise SheetError(what, remedy, cell=f"{numbers[first]}:1")
    return rows


def _data_lines(lines: Sequence[Line]) -> list[list[Piece] | None]:
    """Cut the lines of numbers; a label with numbers behind single blanks counts where the next line is another."""
    data = [_data_pieces(line) for line in lines]
    lists = [None if cut else _labelled(line) for cut, line in zip(data, lines, strict=True)]
    for at, pieces in enumerate(lists):
        beside = [lists[other] for other in (at - 1, at + 1) if 0 <= other < len(lists)]
        if pieces and any(other and len(other) == len(pieces) for other in beside):
            data[at] = pieces
    return data


def _labelled(line: Line) -> list[Piece] | None:
    """Cut ``INTAKE CFM : 25.1 48.0 70.2``, a label and three numbers or more, perhaps with their unit behind them."""
    if len(line.wide) > 2 or not _SOME_NUMBERS.search(line.text):
        return None
    words = [word for word in line.words if word.text != ":"]
    first = next((nth for nth, word in enumerate(words) if is_numeric(word.text)), 0)
    last = next(
        (nth for nth, word in enumerate(words[first:], first) if not is_numeric(word.text, gaps=True)), len(words)
    )
    if not 0 < first <= _LABEL_WORDS or last - first < 3 or len(words) - last > 1:
        return None
    label = _one(words[:first])
    if last < len(words):
        if known_unit(words[last].text) is None:
            return None
        label = Piece(label.start, label.end, f"{label.text} {words[last].text}")  # "lift 2 4 6 8 mm"
    return [label, *words[first:last]]


def _data_pieces(line: Line) -> list[Piece] | None:
    """Cut a line of numbers, behind a label or two words or before a remark, perhaps; None where it is not one."""
    wide = line.wide
    if len(wide) >= 2 and (len(wide) >= 3 or is_numeric(wide[0].text)) and _are_numbers(wide[1:]):
        return wide
    if len(wide) >= 4 and _are_numbers(wide[2:]):
        return wide  # two words that name the row
    pieces: list[Piece] = []
    for piece in wide:
        parted = _NUMBER_AND_NOTE.fullmatch(piece.text)
        plain = parted and pieces and is_numeric(parted[1]) and not is_numeric(piece.text)
        if parted and plain and known_unit(parted[2].split()[0].strip(",;")) is None:  # no "82.0 mm bore plate"
            middle = piece.start + parted.start(2)
            pieces.append(Piece(piece.start, piece.start + len(parted[1]), parted[1]))
            pieces.append(Piece(middle, piece.end, parted[2]))
        else:
            pieces.append(piece)
    count = next((n for n, piece in enumerate(pieces) if n and not is_numeric(piece.text, gaps=True)), len(pieces))
    if 3 <= count < len(pieces) and not any(is_numeric(piece.text) for piece in pieces[count:]):
        return [*pieces[:count], _one(pieces[count:])]
    if not wide or not is_numeric(wide[0].text.partition(" ")[0]):
        return None
    return line.words if len(line.words) > 1 and _are_numbers(line.words) else None


def _heading_lines(lines: Sequence[Line], data: Sequence[list[Piece] | None], first: int) -> list[int]:
    """Return the lines right above a table, up to the blank line or the rule before them; one rule may be below."""
    heads: list[int] = []
    at = first - 2 if first and lines[first - 1].rule else first - 1
    while at >= 0 and lines[at].wide and data[at] is None and len(heads) < 4:
        if len(lines[at].wide) > 1 and _is_said(lines[at].text):
            break  # "Exhaust #2   valve dia 1.260 in   dP 28 inH2O"
        heads.append(at)
        at -= 1
    return heads


def _is_said(text: str) -> bool:
    """Whether a line states conditions and heads nothing: labels with their quantities."""
    if any(mention.kind == "lift" for mention in mentions(text)):
        return False
    said = not is_numeric(text.split(maxsplit=1)[0]) and pairs(text)[0]  # behind numbers it is beside them
    kinds = {label.kind for label, value in said or () if value[:1].isdigit()}
    return len(kinds) > 1 or bool(kinds - {"pressure", "valve_head"})  # "44 mm valve   46 mm valve" heads columns


def _place_block(rows: list[Row], lines: Sequence[Line], heads: list[int], block: dict[int, list[Piece]]) -> bool:
    """Put a table's numbers, and the headings above it, into their columns; tell whether that can be done."""
    most = max(len(pieces) for pieces in block.values())
    for at, pieces in block.items():
        # "121 120" below two columns is two numbers, and no thousand.
        if len(pieces) < most and len(lines[at].words) == most and all(is_numeric(w.text) for w in lines[at].words):
            block[at] = lines[at].words
    spans = _columns(block, [lines[at].wide for at in heads])
    if spans is None:
        return False
    counts = {len(pieces) for pieces in block.values()}
    for at, pieces in block.items():
        rows[at] = _in_order(pieces) if counts == {len(spans)} else _by_place(pieces, spans)
    for nth, at in enumerate(heads):
        wide, words = lines[at].wide, lines[at].words
        legend = len(wide) == len(spans) + 1 and wide[-1].text[:1] in "([" and not is_numeric(wide[-1].text[1:-1])
        parts = wide if legend else _shared_out(wide, words, len(spans))
        gap = parts is None and len(spans) > 2 and _overlapping(wide[0], spans)
        beside = _shared_out(wide, words, len(spans) - 1) if gap else None
        if parts is not None:
            rows[at] = _in_order(parts)
        elif beside is not None:
            rows[at] = (None, *_in_order(beside))  # the lifts have no heading in this line
        elif len(words) == len(spans) and (
            (len(wide) > 1 and all(_overlapping(word, spans) == column for column, word in enumerate(words)))
            or (nth == 0 and len(wide) == 1 and not set(":(") & set(wide[0].text) and not _is_line(wide[0].text))
        ):
            rows[at] = _in_order(words)
        elif len(wide) >= 2:
            rows[at] = _by_place(wide, spans, heads=True)
    return True


def _is_line(text: str) -> bool:
    """Whether two words are one name or condition and no headings of two columns: ``ex 1``, ``intake 28"``."""
    label = parse_label(text)
    return label.kind != "lift" and (text[-1] in "\"'" or bool(label.side or label.port or label.code))


def _shared_out(wide: list[Piece], words: list[Piece], count: int) -> list[Piece] | None:
    """Cut headings with single blanks between them, ``Lift  In 1  In 2  Ex 1 Ex 2``, into one for each column."""
    if len(wide) >= count:
        return wide if len(wide) == count else None
    ways: dict[int, list[list[Piece]]] = {0: [[]]}
    for nth, piece in enumerate(wide):
        inside = [word for word in words if piece.start <= word.start and word.end <= piece.end]
        options = [[piece], *_even_cuts(inside, first=nth == 0)]
        ways = {
            total: [way + parts for parts in options for way in ways.get(total - len(parts), ())][:2]
            for total in range(1, count + 1)
        }
    found = ways.get(count, [])
    return found[0] if len(found) == 1 else None


def _even_cuts(words: list[Piece], *, first: bool) -> list[list[Piece]]:
    """Cut words into headings of one shape, ``In 1 | In 2``; before them, perhaps, the lifts' own."""
    found = {}
    for lead, size in itertools.product(range(min(_LEAD, len(words)) + 1 if first else 1), (1, 2, 3)):
        rest = words[lead:]
        if len(rest) % size or len(rest) < 2 * size:
            continue
        groups = [_one(rest[at : at + size]) for at in range(0, len(rest), size)]
        texts = [group.text for group in groups]
        # Of one shape are In 1 and Ex 12: the same kinds of marks.
        if len({re.sub(r"\d+", "0", re.sub(r"[^\W\d_]+", "a", text)) for text in texts}) > 1:
            continue
        # Each heads a column of flows: with a number or in brackets, or known as a side or a unit.
        numbered = all(any(mark.isdigit() for mark in text) or (text[0] + text[-1] == "()") for text in texts)
        if numbered or all((label := parse_label(text)).side or label.unit for text in texts):
            parts = [_one(words[:lead]), *groups] if lead else groups
            found[tuple(part.start for part in parts)] = parts
    return list(found.values())


def _columns(block: dict[int, list[Piece]], heads: list[list[Piece]]) -> list[Span] | None:
    """Return where each column is, or None where that is not clear."""
    lines = list(block.values())
    counts = {len(pieces) for pieces in lines}
    places: list[Span] = []  # the pieces' spans, those that overlap merged
    for start, end in sorted((piece.start, piece.end) for pieces in lines for piece in pieces):
        if places and start < places[-1][1]:
            places[-1] = (places[-1][0], max(places[-1][1], end))
        else:
            places.append((start, end))
    clear = all(len({_overlapping(piece, places) for piece in pieces}) == len(pieces) for pieces in lines)
    count = counts.pop() if len(counts) == 1 else None
    if clear and (count is None or count == len(places)):
        return places
    if count is None:
        return _columns_of_longest(lines)
    # As many numbers in every line, but not one under the other: written without alignment,
    # or each line with a gap elsewhere. The heading decides.
    widths = {len(pieces) for pieces in heads if len(pieces) >= 2}
    if clear and count not in widths:
        return places if len(places) in widths else None
    return [
        (min(pieces[nth].start for pieces in lines), max(pieces[nth].end for pieces in lines)) for nth in range(count)
    ]


def _columns_of_longest(lines: list[list[Piece]]) -> list[Span] | None:
    """The columns of the fullest line, where every piece of the others is far nearer to one than to the next."""
    starts = [piece.start for piece in max(lines, key=len)]
    for pieces in lines:
        taken = set()
        for piece in pieces:
            near = sorted((abs(piece.start - start), nth) for nth, start in enumerate(starts))
            if len(near) > 1 and 2 * near[0][0] >= near[1][0]:
                return None
            taken.add(near[0][1])
        if len(taken) < len(pieces):
            return None
    ends = [*starts[1:], max(piece.end for pieces in lines for piece in pieces) + 1]
    return [(start, max(start + 1, end - 1)) for start, end in zip(starts, ends, strict=True)]


def _overlapping(piece: Piece, spans: Sequence[Span]) -> int:
    """Return the column a piece overlaps most, or lies nearest to."""
    apart = [max(start, piece.start) - min(end, piece.end) for start, end in spans]  # below zero where they overlap
    return apart.index(min(apart))


def _by_place(pieces: list[Piece], spans: list[Span], *, heads: bool = False) -> Row:
    """Put pieces into the columns they are in, two in one column joined; a heading over several goes to the first."""
    cells: list[str | None] = [None] * len(spans)
    for piece in pieces:
        nth = _overlapping(piece, spans)
        if heads:
            under = [nth for nth, (start, end) in enumerate(spans) if start < piece.end and end > piece.start]
            if not under and piece.start > spans[-1][1] and cells[len(spans) - 1] is not None:
                cells.append(piece.text)  # the heading of a column that is empty throughout
                continue
            nth = next((column for column in under if cells[column] is None), nth)
        cells[nth] = piece.text if cells[nth] is None else f"{cells[nth]}  {piece.text}"
    return _row(cells)


def text_grid(data: bytes, label: str, *, suffix: str = "") -> Grid:
    r"""Read the bytes of a text file into a grid."""
    if suffix in _PACKAGES:
        what = f"its name ends in {suffix}, but it is not an {_PACKAGES[suffix]} file inside"
        raise SheetError(what, "open it in the spreadsheet program and save it again; if it is text, rename it to .csv")
    text = decode_text(data)
    markup = is_markup(text)
    start = text[:200].lstrip().lower()
    if start.startswith("{\\rtf") or (start.startswith("<?xml") and not markup):  # under a spreadsheet's name
        what = "this is XML or a text processor's file, not a sheet"
        raise SheetError(what, "open it in the spreadsheet program and save it as xlsx or csv")
    grid = grid_of_text(text, label, markup=markup)
    return _without_strays(grid) if _has_controls(data) else grid


def grid_of_text(text: str, label: str, *, markup: bool) -> Grid:
    """Cut the lines of a text, or the tables of a web page, into a grid."""
    if not markup:
        return grid_of_lines(text_lines(text), label)
    grid = markup_rows(text, label, grid_of_lines)
    return replace(grid, decimal_comma=decimal_comma([str(cell) for row in grid.rows for cell in row if cell]))


def _without_strays(grid: Grid) -> Grid:
    """Take control characters out of texts and note where they were; inside a figure they stay, which then is none."""
    rows = [list(row) for row in grid.rows]
    stray = []
    for row, cells in enumerate(rows):
        for column, cell in enumerate(cells):
            found = _NOT_TEXT.search(cell) if isinstance(cell, str) else None
            if found is not None and isinstance(cell, str):
                stray.append((row, column, ord(found[0])))
                clean = _NOT_TEXT.sub("", cell).strip()
                cells[column] = cell if is_numeric(clean) else clean or None
    return replace(grid, rows=tuple(map(tuple, rows)), stray=tuple(stray))


def grid_of_lines(lines: list[str], label: str) -> Grid:
    """Cut lines of text into a grid."""
    lines = without_headers(unquoted(lines))
    said = said_rows(lines) if len(lines) <= _SAID_LINES else None
    if said is not None:
        mark = decimal_comma([cell for row in said[0] for cell in row if cell])
        return Grid(label, None, tuple(said[0]), lines=tuple(said[1]), decimal_comma=mark)
    # A first line like sep=; that some programs write.
    stated = re.fullmatch(r'"?sep=([,;|\t])"?', lines[0].rstrip(" "), re.IGNORECASE)
    text = "\n".join(lines)
    delimiter = stated[1] if stated else find_delimiter(text, lines)
    lines = _evened(lines) if delimiter == "\t" and "\t\t" in text else lines
    rows, numbers, comments = _cut(lines, 1 if stated else 0, delimiter)
    _take_header(rows, numbers, comments, delimiter)
    if sum(map(len, rows)) > limits.MAX_CELLS:
        what = f"the file has more than {limits.MAX_CELLS} cells, the most flowkit reads"
        raise SheetError(what, "send the bench's table alone")
    if delimiter in (",", ";"):
        rows = _prose_joined(rows, lines, numbers, delimiter)
    comma: bool | None = False
    if delimiter == "," and '"' not in text:
        _refuse_doubtful_commas(rows, numbers)
    else:
        comma = decimal_comma([cell for row in rows for cell in row if cell])
    return Grid(
        label, None, tuple(rows), lines=tuple(numbers), comments=tuple(comments), delimiter=delimiter,
        decimal_comma=comma,
    )  # fmt: skip


def _evened(lines: list[str]) -> list[str]:
    """Take several tabs for one where only then all lines of a table have as many cells: typed to look aligned."""
    tabbed = [line for line in lines if "\t" in line.strip()]
    uneven = len({line.rstrip().count("\t") for line in tabbed}) > 1
    even = len({re.sub(r"\t+", "\t", line.strip()).count("\t") for line in tabbed}) == 1
    return [re.sub(r"\t+", "\t", line) for line in lines] if uneven and even else lines


def _prose_joined(rows: list[Row], lines: list[str], numbers: list[int], delimiter: str) -> list[Row]:
    """Join the pieces of a sentence that holds the mark of the cells: each followed by a blank, unlike the table's."""
    spaced = f"{delimiter} "
    if not any(spaced in line for line in lines):
        return rows
    data = [sum(1 for cell in row if cell and is_numeric(cell)) > 1 for row in rows]
    if any(spaced in lines[number - 1] for is_data, number in zip(data, numbers, strict=True) if is_data):
        return rows
    found = []
    for row, number, is_data in zip(rows, numbers, data, strict=True):
        line = lines[number - 1]
        prose = len(row) > 1 and line.count(spaced) == line.rstrip(delimiter).count(delimiter) and '"' not in line
        found.append((line.strip().rstrip(delimiter),) if prose and not is_data else row)
    return found


def _cut(lines: list[str], body: int, delimiter: str | None) -> tuple[list[Row], list[int], list[tuple[int, str]]]:
    """Cut lines into rows of cells; return rows, their physical lines, and the comments."""
    marks = "#" if delimiter == ";" else "#;"
    rows: list[Row] = []
    numbers: list[int] = []
    comments: list[tuple[int, str]] = []
    pieces: list[Line] = []
    index = body
    placed = Counter(_bars(line) for line in lines if delimiter == "|" and "|" in line)
    bars = placed.most_common(1)[0][0] if placed else ()
    while index < len(lines):
        line, number = lines[index], index + 1
        index += 1
        start = line.lstrip()[:1]
        # A mark at the start sets a line aside, unless it heads a column or is a port's number.
        if start and start in marks and _HEADING_MARK.match(line) is None:
            comments.append((number, line.strip().lstrip("#;").strip()))
            continue
        if delimiter == "|" and RULE.fullmatch(line):
            continue
        numbers.append(number)
        if delimiter == " ":
            pieces.append(Line.of_text(line))
            continue
        if '"' in line and delimiter is not None:
            cells, index = _quoted(lines, index - 1, delimiter)
        else:
            cells = line.split(delimiter) if delimiter else [line]
        if delimiter == "|" and ("*" in line or "`" in line):
            cells = [cell.strip().strip("*`") for cell in cells]  # bold in Markdown
        if delimiter == "|" and "|" in line:
            cells = _spread(line, cells, bars)
        rows.append(_row(cells))
        if len(cells) > limits.MAX_COLUMNS:
            check_width(len(rows[-1]), number)
    return aligned_rows(pieces, numbers) if delimiter == " " else rows, numbers, comments


def _bars(line: str) -> tuple[int, ...]:
    """Where a line has its bars."""
    return tuple(at for at, mark in enumerate(line) if mark == "|")


def _spread(line: str, cells: list[str], bars: tuple[int, ...]) -> list[str]:
    """Put empty cells behind a heading that is drawn over several columns: its bars are further apart than theirs."""
    own = (-1, *_bars(line), len(line))
    drawn = line.startswith("|") and len(own) - 2 < len(bars) and len(own) == len(cells) + 1
    if not drawn or not all(at in bars for at in own[1:-1]):
        return cells
    under = [sum(a < bar < b for bar in bars) for a, b in itertools.pairwise(own)]
    return [part for cell, count in zip(cells, under, strict=True) for part in (cell, *[""] * count)]


def _row(cells: Sequence[str | None]) -> Row:
    """Make empty and blank cells None and drop those at the end."""
    row = [cell if cell and not cell.isspace() else None for cell in cells]
    while row and row[-1] is None:
        row.pop()
    return tuple(row)


@cache
def _cell_pattern(delimiter: str) -> re.Pattern[str]:
    """Return the pattern of one cell: quoted up to a quote that ends the cell, or plain."""
    end = rf"(?={re.escape(delimiter)}|\n|\Z)"
    inches = rf"(?![ ]*(?:H2O|H20|Hg|W\.?C\.?|W\.?G\.?|water)[ ]*[)\]]?[ ]*{end})"
    return re.compile(rf'[ ]*"{inches}((?:[^"]++|"")*+)"[ ]*{end}|([^{re.escape(delimiter)}\n]*)', re.IGNORECASE)


def _quoted(lines: list[str], index: int, delimiter: str) -> tuple[list[str], int]:
    """Cut a line with quotes, and the lines its quoted cells run over; return the cells and the next line."""
    match_cell = _cell_pattern(delimiter).match
    text, wider = lines[index], ""
    cells: list[str] = []
    position = 0
    while match := match_cell(text, position):
        if match[1] is None and match[0].lstrip(" ").startswith('"') and text is not wider:
            # The quote may close on a later line.
            wider = wider or "\n".join(lines[index : index + limits.MAX_QUOTED_LINES])
            again = match_cell(wider, position)
            if again and again[1] is not None:
                match, text = again, wider
        cells.append(match[2] if match[1] is None else match[1].replace('""', '"'))
        position = match.end()
        if position >= len(text) or text[position] == "\n":
            break
        position += 1
    return cells, index + 1 + text.count("\n", 0, position)


def _take_header(rows: list[Row], numbers: list[int], comments: list[tuple[int, str]], delimiter: str | None) -> None:
    """Take a comment right above a table of bare numbers, cut into as many words, for its header."""
    first = next((i for i, row in enumerate(rows) if row), None)
    if first is None or not comments or delimiter is None:
        return
    line, text = comments[-1]
    if line != numbers[first] - 1 or not all(cell and is_numeric(cell) for cell in rows[first]):
        return
    cells = re.split(r" {2,}", text) if delimiter == " " else text.split(delimiter)
    if len(cells) != len(rows[first]) and delimiter == " ":
        cells = text.split()
    if len(cells) == len(rows[first]) > 1 and not any(is_numeric(cell) for cell in cells):
        rows.insert(first, _row(cells))
        numbers.insert(first, line)
        comments.pop()


def _refuse_doubtful_commas(rows: list[Row], numbers: list[int]) -> None:
    """Refuse a table whose comma is both separator and decimal mark: ``Lift,Flow`` over ``1,5,30,2``."""
    above: Row = ()
    for at, row in enumerate(rows):
        if len(row) > len(above) >= 2 and all(cell and not is_numeric(cell, gaps=True) for cell in above):
            # Every figure with a decimal comma makes two cells of one.
            below = rows[at : at + 3]
            longer = all(1.5 * len(above) <= len(cells) <= 2 * len(above) for cells in below)
            if longer and all(cell and cell.strip().isdigit() for cells in below for cell in cells):
                what = "the comma seems to be both the decimal mark and the separator between cells"
                remedy = "export the sheet again with semicolons, or with a decimal point"
                raise SheetError(what, remedy, cell=f"{numbers[at]}:1")
        above = row or above
