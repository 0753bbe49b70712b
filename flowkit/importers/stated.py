"""What the user states of a sheet that the sheet does not say itself."""

from __future__ import annotations

from dataclasses import dataclass, field

from flowkit.importers.mapping import ColumnMapping
from flowkit.model import AirState, Conditions, Side

__all__ = ["Stated"]


@dataclass(frozen=True, slots=True)
class Stated:
    """Statements that hold for every test of a file.

    A statement that contradicts the sheet is an error finding; the sheet's value is kept.

    Attributes
    ----------
    side : {"intake", "exhaust"} or None
    port, head, variant : str or None
    run : int or None
    lift_unit, flow_unit, pressure_unit : str or None
        For numbers whose unit the sheet does not give.
    conditions : Conditions
        SI; None where nothing is stated.
    columns : ColumnMapping or None
        Where what stands, for a sheet that cannot be read unaided.
    standard_air : AirState or None
        The air that SCFM stands for.

    Examples
    --------
    >>> Stated(side="intake", conditions=Conditions(test_pressure_pa=6974.5)).side
    'intake'
    """

    side: Side | None = None
    port: str | None = None
    run: int | None = None
    head: str | None = None
    variant: str | None = None
    lift_unit: str | None = None
    flow_unit: str | None = None
    pressure_unit: str | None = None
    conditions: Conditions = field(default_factory=Conditions)
    columns: ColumnMapping | None = None
    standard_air: AirState | None = None
