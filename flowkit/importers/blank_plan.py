"""What stands on a blank sheet: its fields, columns and lifts, before any file is written."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from flowkit.errors import SheetError
from flowkit.model import Side
from flowkit.units import from_si, unit

__all__ = ["LEAK", "BlankPlan", "Column", "Field", "lifts_by_fraction", "lifts_by_step", "plan_blank"]

MAX_LIFTS = 60
MAX_LIFTS_IN_TWO = 24  # where intake and exhaust have a table each
MAX_COLUMNS_IN_ONE = 12  # beyond, intake and exhaust get a table each
MAX_COLUMNS_OF_A_SIDE = 20
FieldKind = Literal["text", "number", "date", "percent", "angle"]


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the heading.

    Attributes
    ----------
    label : str
        With its unit in square brackets.
    kind : {"text", "number", "date", "percent", "angle"}
    value : str or float or None
        Filled in beforehand, where it is known.
    """

    label: str
    kind: FieldKind
    value: str | float | None = None


@dataclass(frozen=True, slots=True)
class Column:
    """One column of flows."""

    side: Side
    port: str
    run: int
    runs: int

    @property
    def heading(self) -> str:
        """Its heading, such as ``Intake 1 run 2``."""
        name = f"{self.side.capitalize()} {self.port}"
        return name if self.runs == 1 else f"{name} run {self.run}"


@dataclass(frozen=True, slots=True)
class BlankPlan:
    """A blank sheet.

    Attributes
    ----------
    fields : tuple of Field
    lifts : tuple of float
        In the lift unit.
    tables : tuple of tuple of Column
        One table, or one for each side.
    lift_unit, flow_unit : str
    help : tuple of str
        How to fill it in; the first line goes on from what is to be filled in.
    """

    fields: tuple[Field, ...]
    lifts: tuple[float, ...]
    tables: tuple[tuple[Column, ...], ...]
    lift_unit: str
    flow_unit: str
    help: tuple[str, ...]


HELP = (
    "in the units printed on the sheet. Leave empty what was not tested or is not known.",
    "A column is one run of one port. Write flows as read, with nothing corrected; the leak is the flow with the "
    "valve closed.",
)
LEAK = "Leak"
"""Heads the line below the lifts."""


def lifts_by_step(step_m: float, top_m: float) -> tuple[float, ...]:
    """Return lifts by equal steps up to a given lift.

    Parameters
    ----------
    step_m, top_m : float
        Step and highest lift [m].

    Returns
    -------
    tuple of float
        Lifts [m]; the highest is one of them even where the steps do not meet it.

    Raises
    ------
    SheetError
        If a lift is not above zero, the step larger than the highest lift, or there would be too many.

    Examples
    --------
    >>> lifts_by_step(0.002, 0.007)
    (0.002, 0.004, 0.006, 0.007)
    """
    if not (step_m > 0 and top_m > 0 and math.isfinite(step_m) and math.isfinite(top_m)):
        raise SheetError("the step and the highest lift must be above zero", 'give them like "1 mm" and "12 mm"')
    if step_m > top_m * (1 + 1e-9):
        raise SheetError(
            "the step of the lifts is larger than the highest lift", "take a smaller step or a higher lift"
        )
    count = math.floor(top_m / step_m * (1 + 1e-9))
    if count > MAX_LIFTS:
        raise SheetError(f"that makes {count} lifts; a page holds {MAX_LIFTS}", "take a larger step")
    lifts = [round(step_m * nth, 9) for nth in range(1, count + 1)]
    if top_m - lifts[-1] > 1e-6:
        lifts.append(round(top_m, 9))
    return tuple(lifts)


def lifts_by_fraction(valve_diameter_m: float, fractions: Sequence[float], top_m: float | None) -> tuple[float, ...]:
    """Return lifts at fractions of the valve's diameter, up to a given lift.

    Parameters
    ----------
    valve_diameter_m : float
        Diameter of the valve head [m].
    fractions : sequence of float
        Lift over diameter.
    top_m : float, optional
        Highest lift [m].

    Raises
    ------
    SheetError
        If a figure is not above zero, or no lift is left.

    Examples
    --------
    >>> lifts_by_fraction(0.040, (0.05, 0.1, 0.3), 0.010)
    (0.002, 0.004)
    """
    if not (valve_diameter_m > 0 and math.isfinite(valve_diameter_m)) or any(not 0 < f < 2 for f in fractions):
        raise SheetError(
            "the valve's diameter and the fractions of it must be above zero", "a fraction is lift over diameter"
        )
    lifts = sorted({round(valve_diameter_m * fraction, 9) for fraction in fractions})
    lifts = [lift for lift in lifts if top_m is None or lift <= top_m * (1 + 1e-9)]
    if not lifts:
        raise SheetError("no lift is left below the highest one", "give smaller fractions or a higher lift")
    return tuple(lifts)


def plan_blank(
    lifts_m: Sequence[float],
    *,
    ports: Sequence[str],
    sides: Sequence[Side],
    runs: int | Mapping[str, int],
    lift_unit: str,
    flow_unit: str,
    pressure_unit: str,
    known: Mapping[str, str | float],
) -> BlankPlan:
    """Lay down what stands on a blank sheet.

    Parameters
    ----------
    lifts_m : sequence of float
        Lifts [m].
    ports : sequence of str
    sides : sequence of {"intake", "exhaust"}
    runs : int or mapping of port to int
        How often each port is run; a port that is not in the mapping once.
    lift_unit, flow_unit, pressure_unit : str
        Units of the trade.
    known : mapping
        Label without unit, in small letters, to what is filled in beforehand.

    Raises
    ------
    SheetError
        If there is nothing to test or more than fits on a page, or a port is named twice.
    UnitError
        If a unit is not known.
    """
    length, flow, pressure = unit(lift_unit, "length"), unit(flow_unit, "flow"), unit(pressure_unit, "pressure")
    lifts = _lifts_in(lifts_m, length.name)
    _refuse_twice(ports)
    columns = tuple(
        Column(side, port, run, count)
        for side in dict.fromkeys(sides)
        for port in ports
        for count in (runs if isinstance(runs, int) else runs.get(port, 1),)
        for run in range(1, count + 1)
    )
    if not columns or not lifts:
        raise SheetError("a blank sheet needs a lift, a side, a port and a run", "name at least one of each")
    tables = _tables(columns)
    most = MAX_LIFTS if len(tables) == 1 else MAX_LIFTS_IN_TWO
    widest = max(map(len, tables))
    if widest > MAX_COLUMNS_OF_A_SIDE or len(lifts) > most:
        raise SheetError(
            f"{len(lifts)} lifts and {widest} columns of flow do not fit on a page "
            f"({most} and {MAX_COLUMNS_OF_A_SIDE} do)",
            "make a sheet for each side, or ask for fewer runs or lifts",
        )
    for column in columns:
        if not column.port.strip() or len(column.port) > 20 or not column.port.isprintable():
            raise SheetError(f"{column.port!r} is no name for a port", 'use a short name such as "1" or "rear"')
    fields = _fields(dict.fromkeys(sides), length.name, flow.name, pressure.name, known)
    return BlankPlan(fields, lifts, tables, length.name, flow.name, HELP)


def _refuse_twice(ports: Sequence[str]) -> None:
    """Refuse two ports of one name; their columns could not be told apart."""
    seen: set[str] = set()
    for port in ports:
        if port.strip().casefold() in seen:
            raise SheetError(f"the port {port!r} is named twice", "give each port a name of its own, or their number")
        seen.add(port.strip().casefold())


def _tables(columns: tuple[Column, ...]) -> tuple[tuple[Column, ...], ...]:
    """Part the columns by side where they are too many for one table that can be read on paper."""
    if len(columns) <= MAX_COLUMNS_IN_ONE:
        return (columns,)
    return tuple(
        tuple(column for column in columns if column.side == side)
        for side in dict.fromkeys(column.side for column in columns)
    )


def _lifts_in(lifts_m: Sequence[float], lift_unit: str) -> tuple[float, ...]:
    """Return the lifts in their unit, as fine as a dial gauge shows."""
    decimals = {"in": 4, "thou": 1, "mm": 3, "cm": 4, "m": 6}[lift_unit]
    if any(not (math.isfinite(lift) and lift > 0) for lift in lifts_m):
        raise SheetError("a lift on a blank sheet must be above zero", 'give lifts like "1 mm"')
    return tuple(sorted({round(from_si(lift, lift_unit), decimals) for lift in lifts_m}))


def _fields(
    sides: Mapping[Side, object], length: str, flow: str, pressure: str, known: Mapping[str, str | float]
) -> tuple[Field, ...]:
    """List the fields of the heading."""
    size = "mm" if length in ("mm", "cm", "m") else "in"
    warmth, weight = ("°C", "hPa") if size == "mm" else ("°F", "inHg")
    wanted: list[tuple[str, str, FieldKind]] = [
        ("Head", "", "text"),
        ("Variant", "", "text"),
        ("Date", "", "date"),
        ("Bench", "", "text"),
        ("Operator", "", "text"),
        ("Test pressure", pressure, "number"),
        ("Fixture bore", size, "number"),
        ("Air temperature", warmth, "number"),
        ("Barometer", weight, "number"),
        ("Humidity", "%", "percent"),
        ("Check plate reading", flow, "number"),
        ("Check plate nominal", flow, "number"),
        ("Entry fitting", "", "text"),
        ("Exit fitting", "", "text"),
    ]
    for side in sides:
        name = side.capitalize()
        wanted += [
            (f"{name} valve head", size, "number"),
            (f"{name} stem", size, "number"),
            (f"{name} throat", size, "number"),
            (f"{name} seat angle", "°", "angle"),
            (f"{name} seat width", size, "number"),
        ]
    wanted.append(("Notes", "", "text"))
    return tuple(
        Field(f"{label} [{spelled}]" if spelled else label, kind, known.get(label.lower()))
        for label, spelled, kind in wanted
    )
