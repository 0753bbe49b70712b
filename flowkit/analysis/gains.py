"""Gains between two variants of one side, compared like with like."""

from __future__ import annotations

from dataclasses import dataclass

from flowkit.analysis.curves import SideVariant

__all__ = ["MatchedPair"]


@dataclass(frozen=True, slots=True, eq=False)
class MatchedPair:
    """Two variants to be compared, and over what.

    Attributes
    ----------
    before, after : SideVariant
    ports : tuple of str
        The ports tested in both; empty where none match, so that all ports of each count.
    lifts_m : tuple of float
        The lifts measured in either, within the common range [m].
    """

    before: SideVariant
    after: SideVariant
    ports: tuple[str, ...]
    lifts_m: tuple[float, ...]
