"""How tables are laid out: each layout says how well it fits, and why."""

from __future__ import annotations

from dataclasses import dataclass, field

from flowkit.importers.anchors import lift_headings
from flowkit.importers.layouts.across import find_across
from flowkit.importers.table import Table
from flowkit.importers.tables import find_tables
from flowkit.importers.view import View
from flowkit.model import Finding

__all__ = ["Detection", "find_layouts"]


@dataclass(frozen=True, slots=True)
class Detection:
    """A table and the layout it was found to have.

    Attributes
    ----------
    table : Table
    score : int
        Lifts that stand where the layout has them.
    reason : str
    aside : frozenset of int
        Rows of the grid inside the table that do not belong to it.
    """

    table: Table
    score: int
    reason: str
    aside: frozenset[int] = field(default_factory=frozenset)


def find_layouts(view: View) -> tuple[list[Detection], list[Finding]]:
    """Find every table of a sheet with its layout.

    Parameters
    ----------
    view : View
        Upright.

    Returns
    -------
    detections : list of Detection
        Top to bottom, left to right.
    findings : list of Finding
        Tables whose direction cannot be told.
    """
    heads = lift_headings(view)
    down = find_tables(view, heads)
    across, refused_tables, findings = find_across(view, heads, down)
    found = [
        Detection(table, table.last - table.first + 1, "the lifts stand under their heading")
        for table in down
        if id(table) not in refused_tables
    ]
    found += [
        Detection(a.table, a.table.last - a.table.first + 1, "the lifts stand beside their heading", a.aside)
        for a in across
    ]
    return sorted(found, key=_place), findings


def _place(detection: Detection) -> tuple[int, int]:
    """Where a table's lifts are headed on the grid: tables side by side have their headings in one row."""
    table = detection.table
    return table.view.place(table.row, table.lifts[0])
