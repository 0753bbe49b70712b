"""A text file to a grid: encoding, lines, what separates the cells, each row with its physical line."""

from __future__ import annotations

import codecs
import itertools
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import accumulate
from typing import NamedTuple
from unicodedata import east_asian_width

from flowkit.errors import SheetError
from flowkit.importers.files.grid import (
    MAX_CELLS,
    MAX_COLUMNS,
    MAX_LINE_CHARACTERS,
    MAX_QUOTED_LINES,
    MAX_ROWS,
    MAX_TEXT_BYTES,
    Grid,
    megabytes,
)
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


def decode_text(data: bytes) -> str:
    r"""Decode a text file."""
    if len(data) > MAX_TEXT_BYTES:
        raise SheetError(
            f"the file is {megabytes(len(data))} of text, more than the {megabytes(MAX_TEXT_BYTES)} flowkit reads",
            "send the bench's sheet alone",
        )
    text = _decoded(data)
    # Old programs end a text with a control-Z.
    text = text.rstrip("\x1a") if text.endswith("\x1a") else text
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    # Deleting bytes is quick, and they are the same in every encoding of one byte and in UTF-8.
    clean = len(data) == len(data.translate(None, _CONTROLS))
    odd = [] if clean else list(_NOT_TEXT.finditer(text))
    if len(odd) > MAX_STRAY:
        line = text.count("\n", 0, odd[0].start()) + 1
        raise SheetError(
            f"line {line} holds the control character 0x{ord(odd[0][0]):02X}, so this is not a text file", _REMEDY
        )
    return text


def _decoded(data: bytes) -> str:
    """Decode by byte-order mark, zero bytes, UTF-8, Windows-1252: the first that fits."""
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return _strictly(data[len(mark) :], encoding)
    if b"\x00" in data:
        guess = _utf16_without_mark(data)
        if guess is None:
            raise SheetError("this is not text: it has NUL characters in it", _REMEDY)
        return _strictly(data, guess)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return _strictly(data, _one_byte_encoding(data))


_CODES = ("cp1252", "cp1250", "shift_jis")


def _one_byte_encoding(data: bytes) -> str:
    """Tell an older encoding by the words it gives: the one in which most are words of the trade."""
    from flowkit.importers.words.labels import mentions
    from flowkit.importers.words.vocabulary import PHRASES, fold

    best, most = "cp1252", -1
    sample = data[:40_000]
    for encoding in _CODES:
        try:
            text = sample.decode(encoding)
        except UnicodeDecodeError as error:
            if len(sample) - error.start > 3 or encoding == "cp1252":
                continue
            text = sample[: error.start].decode(encoding)
        words = [word for word in re.findall(r"[^\W\d_]{3,}", text) if not word.isascii()]
        known = sum(fold(word) in PHRASES for word in words)
        if encoding == "shift_jis":
            known = sum(
                "ja" in m.languages and not m.text.isascii() for line in text.split("\n") for m in mentions(line)
            )
        if known > most:
            best, most = encoding, known
    return best


def _strictly(data: bytes, encoding: str) -> str:
    """Decode or say that it cannot be."""
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        raise SheetError(
            f"byte {error.start + 1} does not belong in a text file (read as {encoding})", _REMEDY
        ) from error


def _utf16_without_mark(data: bytes) -> str | None:
    """Tell UTF-16 by its zero bytes: nearly all on one side of each pair, hardly any on the other."""
    sample = data[:20_000]
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    half = max(1, len(sample) // 2)
    if len(data) % 2 or max(even, odd) < 0.4 * half or min(even, odd) > 0.02 * half:
        return None
    return "utf-16-le" if odd > even else "utf-16-be"


def text_lines(text: str) -> list[str]:
    r"""Split text into its physical lines, within the limits."""
    lines = text.rstrip().split("\n")
    if lines == [""]:
        raise SheetError("the file is blank", "ask for it again or export it once more")
    if len(lines) > MAX_ROWS:
        raise SheetError(
            f"the file has {len(lines)} lines, more than the {MAX_ROWS} flowkit reads", "send the bench's sheet alone"
        )
    if len(text) > MAX_LINE_CHARACTERS:
        for count, line in enumerate(lines, 1):
            if len(line) > MAX_LINE_CHARACTERS:
                raise SheetError(
                    f"line {count} is {len(line)} characters long, more than the {MAX_LINE_CHARACTERS} flowkit reads",
                    "export the sheet as csv once more, one line per row",
                )
    return lines


def check_width(cells: int, line: int) -> None:
    """Hold the limit on the cells of a line."""
    if cells > MAX_COLUMNS:
        raise SheetError(
            f"line {line} has {cells} cells, more than the {MAX_COLUMNS} columns flowkit reads",
            "send the bench's table alone",
        )


_DELIMITERS = ("\t", ";", "|", ",")
_GAPS = frozenset(("-", "--", "---", "–", "—", "n/a", "na", "nt", "n.t.", "n/t"))
_NUMERIC = re.compile(
    r"""[\s"]*[-+−–~≈]?(?:\d+(?:[.,]\d+|[\s'’]\d{3}(?!\d))*\.?|[.,]\d+)(?:[eE][-+]?\d+)?"""
    r"""\s*(?:[^\d\s;|,.][^\d;|,]{0,8}(?:2O|3/\w{1,3})?)?[\s"]*"""
)

_MANTISSA = re.compile(r"""\s*[-+−–]?([\d.,'’\s]*\d)(?:[eE][-+]?\d+)?\s*(?:[^\d\s;|,.][^;|,]{0,12})?""")
_TOUCHING = re.compile(r"\d\s{2,}\S|\S\s{2,}\d|\d[;|\t]|[;|\t]\d")
_BLANK_BETWEEN_DIGITS = re.compile(r" (?<=\d )\d")
_SAMPLE = 60


def is_numeric(text: str, *, gaps: bool = False) -> bool:
    """Tell whether a cell's text is a number, with or without a short unit."""
    return _NUMERIC.fullmatch(text) is not None or (gaps and text.strip().lower() in _GAPS)


def find_delimiter(text: str, lines: Sequence[str]) -> str | None:
    r"""Find what separates a text file's cells."""
    present = [mark for mark in _DELIMITERS if mark in text]
    if present == [","] and "  " not in text and not _BLANK_BETWEEN_DIGITS.search(text):
        return ","
    sample = _sample(lines)
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
    if scores[best] > 0:
        return best
    return present[0] if present else None


def _sample(lines: Sequence[str]) -> list[str]:
    """Take the lines that begin with a number; where there are none, those that hold one."""
    lines = [line for line in lines if not RULE.fullmatch(line)]
    numbered = [line for line in lines if any(mark.isdigit() for mark in line)]
    leading = [line for line in numbered if line.lstrip(' "|*')[:1] in tuple("0123456789.,-+−")]
    if len(leading) < 2:
        heads = [line for line in lines if line.lstrip()[:1] != "#" or _HEADING_MARK.match(line)]
        leading = [line for line in heads if any(mark.isdigit() for mark in line)]
    return leading[:_SAMPLE]


def _score(cells: list[str]) -> int:
    """Count the numbers a line was cut into, less the cells that should have been cut again."""
    if len(cells) < 2:
        return 0
    return sum(1 for cell in cells if _NUMERIC.fullmatch(cell)) - sum(1 for cell in cells if _TOUCHING.search(cell))


def decimal_comma(cells: Iterable[str]) -> bool | None:
    """Tell from all cells together whether their numbers have a decimal comma."""
    seen: set[bool] = set()
    for cell in cells:
        if "," not in cell and "." not in cell:
            continue
        match = _MANTISSA.fullmatch(cell)
        if match:
            mark = _mark_of(re.sub(r"[\s'’]", "", match[1]))
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
    if len(tail) == 3 and lead not in ("", "0") and len(lead) <= 3:
        return None
    return mark == ","


Row = tuple[str | None, ...]
_WIDE = re.compile(r"\S+(?: \S+)*")
_WORD = re.compile(r"\S+")
RULE = re.compile(r"[-=+|:_\s]*(?:---|===|___|:--|--:)[-=+|:_\s]*")


class Piece(NamedTuple):
    """A piece of a line and where it is."""

    start: int
    end: int
    text: str


Span = tuple[int, int]


_PROSE = 160  # a longer line of words with single blanks is prose, and never cut


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
        numeric = len(self.words) > 1 and all(is_numeric(word.text, gaps=True) for word in self.words)
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


def aligned_rows(lines: Sequence[Line], numbers: Sequence[int]) -> list[Row]:
    """Put lines whose columns are aligned by blanks into cells."""
    data = _data_lines(lines)
    rows: list[Row] = [_in_order(line.wide) for line in lines]
    for number, row, pieces in zip(numbers, rows, data, strict=True):
        check_width(max(len(row), len(pieces or ())), number)
    index = 0
    while index < len(lines):
        if data[index] is None:
            index += 1
            continue
        end = index
        block: list[int] = []
        while end < len(lines) and (data[end] is not None or not lines[end].wide):
            if data[end] is not None:
                block.append(end)
            end += 1
        heads = _heading_lines(lines, data, index)
        above = min(heads, default=index) - 1
        if above >= 0 and len(lines[above].wide) > 1 and data[above] is None and _is_said(lines[above].text):
            rows[above] = ("  ".join(piece.text for piece in lines[above].wide),)
        if not _place_block(rows, lines, heads, {at: data[at] or [] for at in block}):
            raise SheetError(
                "the columns of this table are lined up with spaces, and it is not clear where each begins",
                "export it as csv, or put the same mark (such as -) where a value is missing",
                cell=f"{numbers[index]}:1",
            )
        index = end
    return rows


def _pieces(pattern: re.Pattern[str], line: str) -> list[Piece]:
    """Cut a line, keeping where each piece is; a Chinese, Japanese or Korean letter is two columns wide."""
    found = [Piece(match.start(), match.end(), match[0]) for match in pattern.finditer(line)]
    if line.isascii():
        return found
    at = [0, *accumulate(2 if east_asian_width(mark) in "WF" else 1 for mark in line)]
    return [Piece(at[piece.start], at[piece.end], piece.text) for piece in found]


def _in_order(pieces: list[Piece]) -> Row:
    """Return the pieces one after the other."""
    return tuple(piece.text for piece in pieces)


def _data_lines(lines: Sequence[Line]) -> list[list[Piece] | None]:
    """Cut the lines of numbers; a label with numbers behind single blanks counts where the next line is another."""
    data = [_data_pieces(line) for line in lines]
    lists = [None if cut else _labelled(line) for cut, line in zip(data, lines, strict=True)]
    for at, pieces in enumerate(lists):
        beside = [lists[other] for other in (at - 1, at + 1) if 0 <= other < len(lists)]
        if pieces and any(other and len(other) == len(pieces) for other in beside):
            data[at] = pieces
    return data


_LABEL_WORDS = 5
_NUMBER_OR_GAP = r"\s+(?:\S*\d\S*|[-–—]+|n\S{1,3})"
_SOME_NUMBERS = re.compile(rf"\s\S*\d\S*{_NUMBER_OR_GAP}{_NUMBER_OR_GAP}(?!\S)", re.IGNORECASE)


def _labelled(line: Line) -> list[Piece] | None:
    """Cut ``INTAKE CFM : 25.1 48.0 70.2``, a label and three numbers or more, perhaps with their unit behind them."""
    if len(line.wide) > 2 or not _SOME_NUMBERS.search(" ".join(piece.text for piece in line.wide)):
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
        from flowkit.importers.words.values import known_unit

        if known_unit(words[last].text) is None:
            return None
        label = Piece(label.start, label.end, f"{label.text} {words[last].text}")  # "lift 2 4 6 8 mm"
    return [label, *words[first:last]]


def _data_pieces(line: Line) -> list[Piece] | None:
    """Cut a line of numbers (behind a label, perhaps); None where it is not one."""
    wide = line.wide
    if (
        len(wide) >= 2
        and (len(wide) >= 3 or is_numeric(wide[0].text))
        and all(is_numeric(piece.text, gaps=True) for piece in wide[1:])
    ):
        return wide
    if len(wide) >= 4 and all(is_numeric(piece.text, gaps=True) for piece in wide[2:]):
        return wide  # two words that name the row
    noted = _with_note(wide)
    if noted is not None:
        return noted
    if not wide or not is_numeric(wide[0].text.partition(" ")[0]):
        return None
    words = line.words
    return words if len(words) > 1 and all(is_numeric(word.text, gaps=True) for word in words) else None


def _is_quantity(text: str) -> bool:
    """Whether a text is a number, alone or with a unit and what it is of: ``82.0 mm bore plate``."""
    if is_numeric(text):
        return True
    from flowkit.importers.words.values import known_unit

    return known_unit(text.split()[1].strip(",;")) is not None


_NUMBER_AND_NOTE = re.compile(r"([-+]?[\d.,]+)\s+([^\W\d_][^\d]*)")


def _with_note(wide: list[Piece]) -> list[Piece] | None:
    """A line of numbers with a remark behind them; None where it is none."""
    pieces: list[Piece] = []
    for piece in wide:
        parted = _NUMBER_AND_NOTE.fullmatch(piece.text)
        if parted and pieces and is_numeric(parted[1]) and not _is_quantity(piece.text):
            middle = piece.start + parted.start(2)
            pieces += [
                Piece(piece.start, piece.start + len(parted[1]), parted[1]),
                Piece(middle, piece.end, parted[2]),
            ]
        else:
            pieces.append(piece)
    count = next(
        (nth for nth, piece in enumerate(pieces) if nth and not is_numeric(piece.text, gaps=True)), len(pieces)
    )
    if count < 3 or count == len(pieces) or any(is_numeric(piece.text) for piece in pieces[count:]):
        return None
    note = pieces[count:]
    text = " ".join(piece.text for piece in note)
    return [*pieces[:count], Piece(note[0].start, note[-1].end, text)]


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
    from flowkit.importers.words.labels import mentions
    from flowkit.importers.words.phrases import pairs

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
    from flowkit.importers.words.labels import parse_label

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


_LEAD = 3  # as many words as the lifts' own heading may have before the first port's: Lift (1/1000 in)


def _even_cuts(words: list[Piece], *, first: bool) -> list[list[Piece]]:
    """Cut words into headings of one shape, ``In 1 | In 2``; before them, perhaps, the lifts' own."""
    found = {}
    for lead in range(min(_LEAD, len(words)) + 1 if first else 1):
        for size in (1, 2, 3):
            rest = words[lead:]
            if len(rest) % size or len(rest) < 2 * size:
                continue
            groups = [rest[at : at + size] for at in range(0, len(rest), size)]
            # Of one shape are In 1 and Ex 12: the same kinds of marks.
            shapes = {re.sub(r"\d+", "0", re.sub(r"[^\W\d_]+", "a", _one(group).text)) for group in groups}
            if len(shapes) == 1 and _is_heading(groups):
                parts = [_one(group) for group in ([words[:lead]] if lead else []) + groups]
                found[tuple(part.start for part in parts)] = parts
    return list(found.values())


def _one(words: list[Piece]) -> Piece:
    """Join words to one piece."""
    return Piece(words[0].start, words[-1].end, " ".join(word.text for word in words))


def _is_heading(groups: list[list[Piece]]) -> bool:
    """Whether words may each head a column of flows: with a number or in brackets, or known as a side or a unit."""
    texts = [_one(group).text for group in groups]
    if all(any(mark.isdigit() for mark in text) or (text[0] + text[-1] == "()") for text in texts):
        return True
    from flowkit.importers.words.labels import parse_label

    labels = [parse_label(text) for text in texts]
    return all(label.side is not None or label.unit is not None for label in labels)


def _columns(block: dict[int, list[Piece]], heads: list[list[Piece]]) -> list[Span] | None:
    """Return where each column is, or None where that is not clear."""
    lines = list(block.values())
    counts = {len(pieces) for pieces in lines}
    places = _merged([(piece.start, piece.end) for pieces in lines for piece in pieces])
    clear = all(len({_overlapping(piece, places) for piece in pieces}) == len(pieces) for pieces in lines)
    count = counts.pop() if len(counts) == 1 else None
    if clear and (count is None or count == len(places)):
        return places
    if count is None:
        return _columns_of_longest(lines)
    # As many numbers in every line, but not one under the other: written without alignment,
    # or each line with a gap elsewhere. The heading decides.
    widths = {len(pieces) for pieces in heads if len(pieces) >= 2}
    if clear and len(places) in widths and count not in widths:
        return places
    if clear and count not in widths:
        return None
    return [
        (min(pieces[nth].start for pieces in lines), max(pieces[nth].end for pieces in lines)) for nth in range(count)
    ]


def _columns_of_longest(lines: list[list[Piece]]) -> list[Span] | None:
    """The columns of the fullest line, where every piece of the others is far nearer to one than to the next."""
    longest = max(lines, key=len)
    starts = [piece.start for piece in longest]
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


def _merged(spans: list[Span]) -> list[Span]:
    """Merge spans that overlap."""
    merged: list[Span] = []
    for start, end in sorted(spans):
        if merged and start < merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return merged


def _overlapping(piece: Piece, spans: Sequence[Span]) -> int:
    """Return the column a piece overlaps most, or lies nearest to."""

    def distance(nth: int) -> float:
        """Return how far a column is from the piece; below zero where they overlap."""
        start, end = spans[nth]
        return max(start, piece.start) - min(end, piece.end)

    return min(range(len(spans)), key=distance)


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
    while cells and cells[-1] is None:
        cells.pop()
    return tuple(cells)


_PACKAGES = {".xlsx": "xlsx", ".xlsm": "xlsm", ".ods": "ods"}


def text_grid(data: bytes, label: str, *, suffix: str = "") -> Grid:
    r"""Read the bytes of a text file into a grid."""
    if suffix in _PACKAGES:
        raise SheetError(
            f"its name ends in {suffix}, but it is not an {_PACKAGES[suffix]} file inside",
            "open it in the spreadsheet program and save it again; if it is text, rename it to .csv",
        )
    from flowkit.importers.files.mail import is_markup

    text = decode_text(data)
    markup = is_markup(text)
    _refuse_markup(text, markup=markup)
    grid = grid_of_text(text, label, markup=markup)
    return _without_strays(grid) if len(data) != len(data.translate(None, _CONTROLS)) else grid


def grid_of_text(text: str, label: str, *, markup: bool) -> Grid:
    """Cut the lines of a text, or the tables of a web page, into a grid."""
    from flowkit.importers.files.mail import markup_rows

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


_SAID_LINES = 400  # a longer file is no letter


def grid_of_lines(lines: list[str], label: str) -> Grid:
    """Cut lines of text into a grid."""
    from flowkit.importers.files.mail import unquoted, without_headers
    from flowkit.importers.files.sayings import said_rows

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
    rows, numbers, comments = _header_from_comment(rows, numbers, comments, delimiter)
    if sum(map(len, rows)) > MAX_CELLS:
        what = f"the file has more than {MAX_CELLS} cells, the most flowkit reads"
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
    single = [re.sub(r"\t+", "\t", line.strip()) for line in tabbed]
    uneven = len({line.rstrip().count("\t") for line in tabbed}) > 1
    return (
        [re.sub(r"\t+", "\t", line) for line in lines]
        if uneven and len({s.count("\t") for s in single}) == 1
        else lines
    )


def _prose_joined(rows: list[Row], lines: list[str], numbers: list[int], delimiter: str) -> list[Row]:
    """Join the pieces of a sentence that holds the mark of the cells: each followed by a blank, unlike the table's."""
    spaced = f"{delimiter} "
    if spaced not in "".join(lines):
        return rows
    if any(spaced in lines[number - 1] for row, number in zip(rows, numbers, strict=True) if _is_data(row)):
        return rows
    found = []
    for row, number in zip(rows, numbers, strict=True):
        line = lines[number - 1]
        prose = len(row) > 1 and line.count(spaced) == line.rstrip(delimiter).count(delimiter) and '"' not in line
        found.append((line.strip().rstrip(delimiter),) if prose and not _is_data(row) else row)
    return found


def _is_data(row: Row) -> bool:
    """Whether a row holds two numbers or more."""
    return sum(1 for cell in row if cell and is_numeric(cell)) > 1


def _refuse_markup(text: str, *, markup: bool) -> None:
    """Refuse XML and text processors' files, which some programs write under a spreadsheet's name."""
    start = text[:200].lstrip().lower()
    if start.startswith("{\\rtf") or (start.startswith("<?xml") and not markup):
        raise SheetError(
            "this is XML or a text processor's file, not a sheet",
            "open it in the spreadsheet program and save it as xlsx or csv",
        )


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
        if len(cells) > MAX_COLUMNS:
            check_width(len(rows[-1]), number)
    return aligned_rows(pieces, numbers) if delimiter == " " else rows, numbers, comments


def _bars(line: str) -> tuple[int, ...]:
    """Where a line has its bars."""
    return tuple(at for at, mark in enumerate(line) if mark == "|")


def _spread(line: str, cells: list[str], bars: tuple[int, ...]) -> list[str]:
    """Put empty cells behind a heading that is drawn over several columns: its bars are further apart than theirs."""
    own = (-1, *_bars(line), len(line))
    if (
        not line.startswith("|")
        or len(own) - 2 >= len(bars)
        or len(own) != len(cells) + 1
        or not all(at in bars for at in own[1:-1])
    ):
        return cells
    under = [sum(a < bar < b for bar in bars) for a, b in itertools.pairwise(own)]
    return [part for cell, count in zip(cells, under, strict=True) for part in (cell, *[""] * count)]


_HEADING_MARK = re.compile(r"\s*#(?:\d|\s*[,;\t|]|\s{2,}\S)")


def _row(cells: list[str]) -> Row:
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
            wider = wider or "\n".join(lines[index : index + MAX_QUOTED_LINES])
            again = match_cell(wider, position)
            if again and again[1] is not None:
                match, text = again, wider
        cells.append(match[2] if match[1] is None else match[1].replace('""', '"'))
        position = match.end()
        if position >= len(text) or text[position] == "\n":
            break
        position += 1
    return cells, index + 1 + text.count("\n", 0, position)


def _header_from_comment(
    rows: list[Row], numbers: list[int], comments: list[tuple[int, str]], delimiter: str | None
) -> tuple[list[Row], list[int], list[tuple[int, str]]]:
    """Take a comment right above a table of bare numbers, cut into as many words, for its header."""
    first = next((i for i, row in enumerate(rows) if row), None)
    if first is None or not comments or delimiter is None:
        return rows, numbers, comments
    line, text = comments[-1]
    if line != numbers[first] - 1 or not all(cell and is_numeric(cell) for cell in rows[first]):
        return rows, numbers, comments
    cells = re.split(r" {2,}", text) if delimiter == " " else text.split(delimiter)
    if len(cells) != len(rows[first]) and delimiter == " ":
        cells = text.split()
    if len(cells) != len(rows[first]) or len(cells) < 2 or any(is_numeric(cell) for cell in cells):
        return rows, numbers, comments
    rows = [*rows[:first], _row(cells), *rows[first:]]
    return rows, [*numbers[:first], line, *numbers[first:]], comments[:-1]


def _refuse_doubtful_commas(rows: list[Row], numbers: list[int]) -> None:
    """Refuse a table whose comma is both separator and decimal mark: ``Lift,Flow`` over ``1,5,30,2``."""
    above: Row = ()
    for at, row in enumerate(rows):
        if len(row) > len(above) >= 2 and all(cell and not is_numeric(cell, gaps=True) for cell in above):
            # Every figure with a decimal comma makes two cells of one.
            below = rows[at : at + 3]
            longer = all(1.5 * len(above) <= len(cells) <= 2 * len(above) for cells in below)
            if longer and all(cell and cell.strip().isdigit() for cells in below for cell in cells):
                raise SheetError(
                    "the comma seems to be both the decimal mark and the separator between cells",
                    "export the sheet again with semicolons, or with a decimal point",
                    cell=f"{numbers[at]}:1",
                )
        above = row or above
