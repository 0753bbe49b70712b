"""Columns of numbers -> points, many at a time."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from flowkit.model import FlowTest, Point

__all__ = ["make_points", "name_tests"]

# A frozen dataclass sets each field through `object.__setattr__`; over an archive of sheets that would be
# a third of all reading. The slots' own setters do the same, and `map` calls them without a loop in Python.
_SET_ID = vars(FlowTest)["id"].__set__


def make_points(
    lifts: Sequence[float], flows: Sequence[float], pressures: Sequence[float | None], sources: Sequence[str]
) -> tuple[Point, ...]:
    """Make points of their four columns.

    Parameters
    ----------
    lifts : sequence of float
        [m]
    flows : sequence of float
        [m³/s]
    pressures : sequence of (float or None)
        [Pa]
    sources : sequence of str
        Of the same length.

    Examples
    --------
    >>> make_points([0.001], [0.01], [None], ["a.csv:2:2"])
    (Point(lift_m=0.001, flow_m3_s=0.01, pressure_pa=None, source='a.csv:2:2', reading=None),)
    """
    return tuple(map(Point, lifts, flows, pressures, sources))


def name_tests(tests: Sequence[FlowTest], names: Sequence[str]) -> None:
    """Give tests that nobody else has seen yet their ids, in place: making each anew takes as long as reading it.

    Parameters
    ----------
    tests : sequence of FlowTest
        Just made, with empty ids.
    names : sequence of str
        Of the same length.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from flowkit.importers import read
    >>> fresh = replace(read("sample_sheets/as_received.csv").tests[0], id="")
    >>> name_tests([fresh], ["a"])
    >>> fresh.id
    'a'
    """
    deque(map(_SET_ID, tests, names), maxlen=0)
