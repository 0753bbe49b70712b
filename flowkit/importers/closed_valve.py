"""The flow at lift zero: the leak, unless the sheet states one."""

from __future__ import annotations

from collections.abc import Mapping

from flowkit.importers.items import Item, refused
from flowkit.model import Finding

__all__ = ["with_closed_valve"]

_SAME = 1e-3
"""Relative difference up to which two leaks say the same (rounding)."""


def with_closed_valve(
    items: Mapping[str, Item], closed: Mapping[str, Item], *, leak_stated: bool
) -> tuple[dict[str, Item], Finding | None]:
    """Join what a test's reading at lift zero says to what else is said of it.

    A zero at lift zero beside a stated leak begins the table and was not read: the stated leak counts.

    Parameters
    ----------
    items : mapping
        Kind to Item, from the sheet's lines and the table.
    closed : mapping
        The leak at lift zero, and its pressure where its row gives one.
    leak_stated : bool
        Whether the user states a leak.

    Returns
    -------
    items : dict
    finding : Finding or None
        Where the sheet states another leak; then that one is kept.

    Examples
    --------
    >>> from flowkit.units import UNITS
    >>> row = {"leak": Item("leak", 0.9, UNITS["CFM"], "a.csv:7:2")}
    >>> with_closed_valve({}, row, leak_stated=False)[0]["leak"].value
    0.9
    >>> line = {"leak": Item("leak", 0.4, UNITS["CFM"], "a.csv:4:2")}
    >>> with_closed_valve(line, row, leak_stated=False)[1].where
    'a.csv:7:2'
    """
    read, said = closed["leak"], items.get("leak")
    if not read.value and (said is not None or leak_stated):
        return dict(items), None
    if said is None:
        return {**items, **closed}, None
    if _agree(read, said):
        return dict(items), None
    what = f"the flow at lift zero and the leak in {said.source} differ; a test has one leak, so keep the right one"
    return dict(items), refused(read.source, what)


def _agree(one: Item, other: Item) -> bool:
    """Whether two leaks say the same; of different kinds of flow they cannot be held against each other."""
    if one.unit is None or other.unit is None or one.unit.quantity != other.unit.quantity:
        return False
    first, second = float(one.value) * one.unit.factor, float(other.value) * other.unit.factor
    return abs(first - second) <= _SAME * max(abs(first), abs(second))
