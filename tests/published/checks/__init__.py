"""Figures from outside, each with its source, and how flowkit computes the same."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["Check"]


@dataclass(frozen=True, slots=True)
class Check:
    """A published figure that flowkit must meet.

    Attributes
    ----------
    name : str
        What is checked, in words.
    source : str
        Where the figure is found, with "from memory" or "common practice, no source" where so.
    expected : float
        The figure, in `unit`.
    tolerance : float
        Largest difference allowed, absolute, in `unit`; from the printed precision of the
        source unless `source` says otherwise.
    unit : str
        "" for a plain number.
    compute : callable
        Returns flowkit's figure in `unit`.

    Examples
    --------
    >>> check = Check("half a turn", "Archimedes", 3.14, 0.005, "rad", lambda: 3.14159)
    >>> check.holds(), round(check.difference(), 5)
    (True, 0.00159)
    """

    name: str
    source: str
    expected: float
    tolerance: float
    unit: str
    compute: Callable[[], float]

    def difference(self) -> float:
        """Return what flowkit gives less what was expected, in `unit`."""
        return self.compute() - self.expected

    def holds(self) -> bool:
        """Return whether the difference is within the tolerance."""
        return abs(self.difference()) <= self.tolerance
