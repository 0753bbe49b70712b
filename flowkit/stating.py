"""What the user states of sheets, by option or in a job file, as the readers want it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flowkit.errors import JobError, UnitError
from flowkit.importers import ColumnMapping, Stated
from flowkit.model import AirState
from flowkit.statements import CONDITIONS, conditions_from, refuse_unknown, run_of, side_of, text_of
from flowkit.units import Quantity, unit

__all__ = ["NAMES", "stated_from"]

NAMES: dict[str, str] = {
    "side": "Side of every test: intake or exhaust.",
    "port": "Port of every test.",
    "run": "Run of every test, from 1.",
    "head": "The head's name.",
    "lift_unit": "Unit of the lifts.",
    "flow_unit": "Unit of the flows.",
    "pressure_unit": "Unit of the pressures.",
}
"""What can be stated besides the conditions."""

_UNITS: dict[str, tuple[Quantity, ...]] = {
    "lift_unit": ("length", "lift ratio"),
    "flow_unit": ("flow", "mass flow", "standard flow"),
    "pressure_unit": ("pressure",),
}


def stated_from(
    values: Mapping[str, Any],
    *,
    columns: Mapping[str, Any] | list[Any] | None = None,
    standard_air: AirState | None = None,
    place: str = "conditions",
) -> Stated:
    """Turn statements, as written, into what the readers want.

    Parameters
    ----------
    values : mapping
        Keys of `NAMES` and of the conditions to text; None values are passed over.
    columns : mapping or list of mappings, optional
        A column mapping as in the job file's ``columns``.
    standard_air : AirState, optional
        What SCFM stands for.
    place : str
        Where the statements stand, for messages.

    Raises
    ------
    JobError
        If a key is not known or a value cannot be understood.

    Examples
    --------
    >>> stated_from({"side": "intake", "test_pressure": "28 inH2O"}).side
    'intake'
    """
    conditions = [item.name for item in CONDITIONS]
    refuse_unknown(values, [*NAMES, *conditions], place)
    given = {name: value for name, value in values.items() if value is not None}
    return Stated(
        side=side_of(given.get("side"), place),
        port=text_of(given.get("port")),
        run=run_of(given.get("run"), place),
        head=text_of(given.get("head")),
        lift_unit=_unit(given, "lift_unit", place),
        flow_unit=_unit(given, "flow_unit", place),
        pressure_unit=_unit(given, "pressure_unit", place),
        conditions=conditions_from({name: given[name] for name in conditions if name in given}, place),
        columns=ColumnMapping.from_mapping(columns) if columns else None,
        standard_air=standard_air,
    )


def _unit(given: Mapping[str, Any], name: str, place: str) -> str | None:
    """A unit by any of its spellings, as its own name."""
    if name not in given:
        return None
    try:
        return unit(str(given[name]), *_UNITS[name]).name
    except UnitError as error:
        raise JobError(f"{place}, {name}: {error.problem}", error.remedy) from error
