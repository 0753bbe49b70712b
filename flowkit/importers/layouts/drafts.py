"""A test as its table gives it, before the sheet's and the user's statements join it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from flowkit.importers.items import Item, Units
from flowkit.importers.layouts.columns import Column
from flowkit.importers.layouts.lifts import Lifts
from flowkit.importers.table import Table
from flowkit.model import Finding, Side, UnitSource
from flowkit.units import Unit

__all__ = ["Draft", "TableContext"]


@dataclass(slots=True)
class TableContext:
    """A table with all that is known of it when its readings are read.

    Attributes
    ----------
    table : Table
    columns : sequence of Column
    lifts : Lifts
    units : Units
    words : sequence of str
        Languages of the sheet's words, for letters that stand for sides.
    findings : list of Finding
        Grows as the table is read.
    """

    table: Table
    columns: Sequence[Column]
    lifts: Lifts
    units: Units
    words: Sequence[str]
    findings: list[Finding] = field(default_factory=list)

    def of_role(self, role: str) -> list[Column]:
        """Return the columns of one role.

        Parameters
        ----------
        role : str
        """
        return [column for column in self.columns if column.role == role]


@dataclass(slots=True)
class Draft:
    """A test as its table gives it.

    Attributes
    ----------
    side, port, run, variant, head : optional
    where : str
        The cell that heads its flows.
    lifts, flows, pressures, sources : lists, one entry a point; tests of one table may share them
        Lifts [m] or lift over diameter, flows in `flow_unit`, pressures [Pa].
    flow_unit : Unit or None
    flow_stated : bool
    pressure_unit : UnitSource or None
    items : dict
        Kind to Item: conditions of this test alone.
    closed : dict
        The same of its reading at lift zero: a leak, and its pressure where the row has one.
    """

    side: Side | None
    port: str | None
    run: int | None
    variant: str | None
    head: str | None
    where: str
    lifts: list[float] = field(default_factory=list)
    flows: list[float] = field(default_factory=list)
    pressures: list[float | None] = field(default_factory=list)
    sources: list[str] = field(default_factory=list)
    flow_unit: Unit | None = None
    flow_stated: bool = True
    pressure_unit: UnitSource | None = None
    items: dict[str, Item] = field(default_factory=dict)
    closed: dict[str, Item] = field(default_factory=dict)
