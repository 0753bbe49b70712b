"""The workbook while it is made: its sheets, its plan, and where things stand in it."""

from __future__ import annotations

from dataclasses import dataclass, field

from flowkit.drawing import Display
from flowkit.model import Side
from flowkit.reports.contents import ReportContents
from flowkit.reports.workbook.pen import Pen
from flowkit.reports.workbook.plan import Reading, SidePlan, TestPlan

__all__ = ["FIRST_READING", "Draft"]

FIRST_READING = 4
"""Row of the first reading, on the raw readings and on the corrections."""


@dataclass(slots=True)
class Draft:
    """What every sheet is made from, and the addresses one sheet has of another.

    Attributes
    ----------
    contents : ReportContents
    display : Display
        The units shown.
    pens : dict
        A pen a sheet.
    tests : tuple of TestPlan
    readings : tuple of Reading
    sides : tuple of SidePlan
    units : dict
        Unit to the cell of its factor to SI.
    reference : dict
        Name of a reference quantity to its cell.
    conditions : dict
        (Number of a test, name of a condition) to its cell.
    corrected : dict
        Row of a reading to the cell of its corrected flow.
    blocks : dict
        (Side, variant) to where its block of corrected flows stands.
    gains : dict
        (Side, from, to) to the cell of the gain in mean flow.
    bands : dict
        (Side, number of its table of bands, variant) to the rows of its ports on the flows by band,
        and the column of the first band.
    """

    contents: ReportContents
    display: Display
    pens: dict[str, Pen]
    tests: tuple[TestPlan, ...]
    readings: tuple[Reading, ...]
    sides: tuple[SidePlan, ...]
    units: dict[str, str] = field(default_factory=dict)
    reference: dict[str, str] = field(default_factory=dict)
    conditions: dict[tuple[int, str], str] = field(default_factory=dict)
    corrected: dict[int, str] = field(default_factory=dict)
    lifts: dict[int, str] = field(default_factory=dict)
    blocks: dict[tuple[Side, str], Block] = field(default_factory=dict)
    gains: dict[tuple[Side, str, str], str] = field(default_factory=dict)
    bands: dict[tuple[Side, int, str], tuple[dict[str, int], int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Block:
    """Where the flows of one variant on one side stand on the corrected flows.

    Attributes
    ----------
    top : int
        Row of the lowest lift; the other lifts follow.
    ports : dict
        Port to its column.
    mean : int
        Column of the mean over ports.
    area, flow : int
        Rows of the curve areas and of the mean flows.
    """

    top: int
    ports: dict[str, int]
    mean: int
    area: int
    flow: int

    def row(self, place: int) -> int:
        """Return the row of a lift, by its place in the side's grid.

        Parameters
        ----------
        place : int
        """
        return self.top + place
