"""A table on a sheet: where its headings and its numbers are."""

from __future__ import annotations

from dataclasses import dataclass, field

from flowkit.importers.labels import Label
from flowkit.importers.view import View

__all__ = ["Table"]


@dataclass(slots=True)
class Table:
    """One table in a view.

    Attributes
    ----------
    view : View
    row : int
        Of the lift heading.
    lifts : list of int
        Columns of lifts; the first counts.
    left, right : int
        Its columns, ends included.
    headers : list of int
        Rows of headings, top to bottom.
    named : dict
        Rows with a value for each column, such as a leak or a port: row -> their label.
    first, last : int
        First and last row of its numbers.
    lift_label : Label or None
        The heading of its lifts, where it does not stand over their column.
    """

    view: View
    row: int
    lifts: list[int]
    left: int
    right: int
    first: int
    last: int
    headers: list[int] = field(default_factory=list)
    named: dict[int, Label] = field(default_factory=dict)
    lift_label: Label | None = None

    @property
    def top(self) -> int:
        """Its first row."""
        return min([self.row, *self.headers, *self.named])

    @property
    def bottom(self) -> int:
        """Its last row."""
        return max([self.last, *self.named])

    def corners(self) -> tuple[int, int, int, int]:
        """Return its first and last row and column on the grid: top, left, bottom, right."""
        top, left = self.view.place(self.top, self.left)
        bottom, right = self.view.place(self.bottom, self.right)
        return top, left, bottom, right
