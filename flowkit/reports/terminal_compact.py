"""A small table of plain figures for a terminal, set line by line: many of them cost next to nothing to print."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from flowkit.reports.terminal_parts import plain_text

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderResult

__all__ = ["CompactTable", "Figures"]

Figures = list[tuple[str, list[str]]]
"""Columns that stay together: each its head and its cells."""
_GAP = "   "
_LABEL_LEAST = 20


class CompactTable:
    """Figures beside the names of their rows, split where the terminal is narrow.

    Parameters
    ----------
    labels : sequence of str
        The head over the names of the rows, then the names.
    blocks : sequence of Figures
        What stays together; one at least.
    notes : str, optional
        Under it.
    """

    def __init__(self, labels: Sequence[str], blocks: Sequence[Figures], *, notes: str = "") -> None:
        self.labels = labels
        self.blocks = blocks
        self.notes = notes

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        width = options.max_width
        names = [_cut(name, max(_LABEL_LEAST, width // 2)) for name in self.labels[1:]]
        for place, columns in enumerate(self._parts(names, width)):
            if place:
                yield plain_text("")
            heads, rows = _lines(self.labels[0], names, columns, width)
            yield from (plain_text(line, "bold") for line in heads)
            yield from (plain_text(line) for line in rows)
        if self.notes:
            yield plain_text("")
            yield plain_text(self.notes, "dim")

    def _parts(self, names: Sequence[str], width: int) -> Iterable[Figures]:
        """Yield the columns of tables that fit a width, whole blocks in each."""
        first = max(_length(name) for name in (*names, *self.labels[0].split()))
        waiting: Figures = []
        used = first
        for block in self.blocks:
            need = sum(len(_GAP) + _least(head, cells) for head, cells in block)
            if waiting and used + need > width:
                yield waiting
                waiting, used = [], first
            waiting = [*waiting, *block]
            used += need
        yield waiting


def _length(text: str) -> int:
    """Return how many places a text takes on a terminal."""
    from rich.cells import cell_len

    return cell_len(text)


def _cut(name: str, most: int) -> str:
    """Cut a name that would leave no room for figures."""
    from rich.cells import set_cell_size

    return name if _length(name) <= most else set_cell_size(name, most - 1).rstrip() + "…"


def _least(head: str, cells: Sequence[str]) -> int:
    """Return the width a column needs with its head on several lines."""
    return max(map(_length, (*head.split(), *cells)))


def _wrapped(head: str, width: int) -> list[str]:
    """Break a head into lines of whole words."""
    lines = [""]
    for word in head.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and _length(longer) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _lines(head: str, names: Sequence[str], columns: Figures, width: int) -> tuple[list[str], list[str]]:
    """Return the lines of the heads, and those under them, the rule first."""
    labels = ["", *names]
    every = [(head, labels), *columns]
    widths = [_least(text, cells) for text, cells in every]
    spare = width - sum(widths) - len(_GAP) * len(columns)
    for place, (text, _) in enumerate(every):
        more = min(max(_length(text) - widths[place], 0), max(spare, 0))
        widths[place] += more
        spare -= more
    tops = [_wrapped(text, most) for text, most in zip((head, *(text for text, _ in columns)), widths, strict=True)]
    deep = max(map(len, tops))
    tops = [[""] * (deep - len(top)) + top for top in tops]
    heads = [_line([top[line] for top in tops], widths) for line in range(deep)]
    rows = [_line([name, *(cells[row] for _, cells in columns)], widths) for row, name in enumerate(names)]
    return heads, ["─" * (sum(widths) + len(_GAP) * len(columns)), *rows]


def _line(texts: Sequence[str], widths: Sequence[int]) -> str:
    """Set one line: the name on the left, figures on the right of their columns."""
    name, *figures = (" " * (width - _length(text)) for text, width in zip(texts, widths, strict=True))
    return (
        texts[0] + name + "".join(_GAP + room + text for room, text in zip(figures, texts[1:], strict=True))
    ).rstrip()
