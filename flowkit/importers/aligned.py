"""Text whose columns are aligned by blanks: lines to rows of cells.

A blank in such a table may be a gap (not tested) and must not shift the values after it,
so the columns are found by where the numbers stand, not by counting words.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from flowkit.errors import SheetError
from flowkit.importers.decode import check_width
from flowkit.importers.delimiters import is_numeric

__all__ = ["aligned_rows"]

Row = tuple[str | None, ...]

_WIDE = re.compile(r"\S+(?: \S+)*")
_WORD = re.compile(r"\S+")
_RULE = re.compile(r"[-=+|:_\s]*(?:---|===|___)[-=+|:_\s]*")


@dataclass(frozen=True, slots=True)
class _Piece:
    """A piece of a line and where it stands."""

    start: int
    end: int
    text: str


Span = tuple[int, int]


def aligned_rows(lines: Sequence[str], numbers: Sequence[int], label: str) -> list[Row]:
    """Cut lines whose columns are aligned by blanks.

    Parameters
    ----------
    lines : sequence of str
        Without comments; a blank one, or one that only rules off, gives an empty row.
    numbers : sequence of int
        Their physical lines, for messages.
    label : str
        The file's name in messages.

    Returns
    -------
    list of tuple
        A row for each line.

    Raises
    ------
    SheetError
        If a table's columns cannot be told apart.

    Examples
    --------
    >>> aligned_rows(["Lift   Flow   Note", "0.100  45.2", "0.200         NT"], [1, 2, 3], "a.txt")
    [('Lift', 'Flow', 'Note'), ('0.100', '45.2'), ('0.200', None, 'NT')]
    """
    spread = [line.expandtabs(8) for line in lines]
    data = [_data_pieces(line) for line in spread]
    rows: list[Row] = [_in_order(_pieces(_WIDE, line)) for line in spread]
    for number, row, pieces in zip(numbers, rows, data, strict=True):
        check_width(max(len(row), len(pieces or ())), number, label)
    index = 0
    while index < len(spread):
        if data[index] is None:
            index += 1
            continue
        end = index
        block: list[int] = []
        while end < len(spread) and (data[end] is not None or not spread[end].strip()):
            if data[end] is not None:
                block.append(end)
            end += 1
        heads = _heading_lines(spread, index)
        if not _place_block(rows, spread, heads, {at: data[at] or [] for at in block}):
            raise SheetError(
                "the columns of this table are aligned by blanks, and they cannot be told apart",
                "export it as csv, or put the same mark (such as -) where a value is missing",
                file=label,
                cell=f"{numbers[index]}:1",
            )
        index = end
    return rows


def _pieces(pattern: re.Pattern[str], line: str) -> list[_Piece]:
    """Cut a line, keeping where each piece stands; a line that only rules off has none."""
    if _RULE.fullmatch(line):
        return []
    return [_Piece(match.start(), match.end(), match[0]) for match in pattern.finditer(line)]


def _in_order(pieces: list[_Piece]) -> Row:
    """Return the pieces one after the other."""
    return tuple(piece.text for piece in pieces)


def _data_pieces(line: str) -> list[_Piece] | None:
    """Cut a line of numbers (behind a label, perhaps); None where it is not one."""
    wide = _pieces(_WIDE, line)
    if (
        len(wide) >= 2
        and (len(wide) >= 3 or is_numeric(wide[0].text))
        and all(is_numeric(piece.text, gaps=True) for piece in wide[1:])
    ):
        return wide
    words = _pieces(_WORD, line)
    if len(words) >= 2 and is_numeric(words[0].text) and all(is_numeric(piece.text, gaps=True) for piece in words):
        return words
    return None


def _heading_lines(spread: list[str], first: int) -> list[int]:
    """Return the lines right above a table, up to the blank line before them."""
    heads: list[int] = []
    at = first - 1
    while at >= 0 and spread[at].strip() and len(heads) < 4:
        heads.append(at)
        at -= 1
    return heads


def _place_block(rows: list[Row], spread: list[str], heads: list[int], block: dict[int, list[_Piece]]) -> bool:
    """Put a table's numbers, and the headings above it, into their columns; tell whether that can be done."""
    spans = _columns(block, [_pieces(_WIDE, spread[at]) for at in heads])
    if spans is None:
        return False
    counts = {len(pieces) for pieces in block.values()}
    for at, pieces in block.items():
        rows[at] = _in_order(pieces) if counts == {len(spans)} else _by_place(pieces, spans)
    for nth, at in enumerate(heads):
        wide = _pieces(_WIDE, spread[at])
        words = _pieces(_WORD, spread[at])
        if len(wide) == len(spans):
            rows[at] = _in_order(wide)
        elif nth == 0 and len(wide) == 1 and len(words) == len(spans) and ":" not in spread[at]:
            rows[at] = _in_order(words)
        elif len(wide) >= 2:
            rows[at] = _headings_by_place(wide, spans)
    return True


def _columns(block: dict[int, list[_Piece]], heads: list[list[_Piece]]) -> list[Span] | None:
    """Return where each column stands, or None where that cannot be told."""
    lines = list(block.values())
    counts = {len(pieces) for pieces in lines}
    places = _merged([(piece.start, piece.end) for pieces in lines for piece in pieces])
    clear = all(len({_overlapping(piece, places) for piece in pieces}) == len(pieces) for pieces in lines)
    count = counts.pop() if len(counts) == 1 else None
    if clear and (count is None or count == len(places)):
        return places
    if count is None:
        return None
    # As many numbers in every line, but not one under the other: written without alignment,
    # or each line with a gap elsewhere. The heading tells.
    widths = {len(pieces) for pieces in heads if len(pieces) >= 2}
    if clear and len(places) in widths and count not in widths:
        return places
    if clear and count not in widths:
        return None
    return [
        (min(pieces[nth].start for pieces in lines), max(pieces[nth].end for pieces in lines)) for nth in range(count)
    ]


def _merged(spans: list[Span]) -> list[Span]:
    """Merge spans that overlap."""
    merged: list[Span] = []
    for start, end in sorted(spans):
        if merged and start < merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return merged


def _overlapping(piece: _Piece, spans: Sequence[Span]) -> int:
    """Return the column a piece overlaps most, or lies nearest to."""

    def distance(nth: int) -> float:
        """Return how far a column is from the piece; below zero where they overlap."""
        start, end = spans[nth]
        return max(start, piece.start) - min(end, piece.end)

    return min(range(len(spans)), key=distance)


def _by_place(pieces: list[_Piece], spans: list[Span]) -> Row:
    """Put pieces into the columns they stand in; two in one column are joined."""
    cells: list[str | None] = [None] * len(spans)
    for piece in pieces:
        nth = _overlapping(piece, spans)
        cells[nth] = piece.text if cells[nth] is None else f"{cells[nth]} {piece.text}"
    while cells and cells[-1] is None:
        cells.pop()
    return tuple(cells)


def _headings_by_place(pieces: list[_Piece], spans: list[Span]) -> Row:
    """Put headings over their columns; one over several columns stands at the first of them."""
    cells: list[str | None] = [None] * len(spans)
    for piece in pieces:
        under = [nth for nth, (start, end) in enumerate(spans) if start < piece.end and end > piece.start]
        free = [nth for nth in under if cells[nth] is None]
        nth = free[0] if free else _overlapping(piece, spans)
        cells[nth] = piece.text if cells[nth] is None else f"{cells[nth]} {piece.text}"
    while cells and cells[-1] is None:
        cells.pop()
    return tuple(cells)
