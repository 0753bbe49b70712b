"""A table for a terminal that may be too narrow for it: split into as many as needed, rows named in each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Literal

from flowkit.reports.terminal_parts import plain_table, plain_text

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderResult
    from rich.table import Table

__all__ = ["Block", "WideTable"]

Block = list[tuple[str, list[Any]]]
"""Columns that stay together: each its head and its cells."""


class WideTable:
    """Columns beside the names of their rows, split where the terminal is narrow.

    Parameters
    ----------
    title : str
        Over it, in bold; nothing where it is empty.
    labels : sequence of str
        The head over the names of the rows, then the names.
    blocks : sequence of Block
        What stays together; one at least.
    rules : set of int, optional
        Rows that have a rule under them.
    names : {"right", "left"}, optional
        Side on which the names of the rows stand: right for lifts, left for words.
    notes : str, optional
        Under it.
    """

    def __init__(
        self,
        title: str,
        labels: Sequence[str],
        blocks: Sequence[Block],
        *,
        rules: Iterable[int] = (),
        names: Literal["right", "left"] = "right",
        notes: str = "",
    ) -> None:
        self.title = title
        self.labels = labels
        self.blocks = blocks
        self.rules = set(rules)
        self.names = names
        self.notes = notes

    def _tables(self, width: int) -> Iterable[Table]:
        """Yield tables that fit a width, whole blocks in each."""
        first = max(len(label) for label in self.labels) + 2
        waiting: Block = []
        used = first
        for block in self.blocks:
            need = sum(max(*(len(cell) for cell in cells), _longest_word(head)) + 2 for head, cells in block)
            if waiting and used + need > width:
                yield self._one(waiting)
                waiting, used = [], first
            waiting += block
            used += need
        yield self._one(waiting)

    def _one(self, columns: Block) -> Table:
        """Make one table of some columns."""
        table = plain_table((self.labels[0], self.names), *((head, "right") for head, _ in columns))
        for row, label in enumerate(self.labels[1:]):
            table.add_row(plain_text(label), *(cells[row] for _, cells in columns), end_section=row in self.rules)
        return table

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        if self.title:
            yield plain_text(self.title, "bold")
        for place, table in enumerate(self._tables(options.max_width)):
            if place:
                yield plain_text("")
            yield table
        if self.notes:
            yield plain_text("")
            yield plain_text(self.notes, "dim")


def _longest_word(text: str) -> int:
    """Return the length of the longest word."""
    return max(map(len, text.split()), default=0)
