"""What a sheet does not say and the user states: names, units, and how they become SI.

One table serves the command's options and the job file's ``conditions``.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, cast

from flowkit.errors import JobError, UnitError
from flowkit.model import Conditions, Side
from flowkit.units import Quantity, parse_quantity

__all__ = ["CONDITIONS", "Statement", "conditions_from", "nearest", "refuse_unknown", "run_of", "side_of", "text_of"]


@dataclass(frozen=True, slots=True)
class Statement:
    """One condition that can be stated.

    Attributes
    ----------
    name : str
        Its key in a job file; the option is the same with dashes.
    field : str
        Its field in `Conditions`.
    quantity : str or None
        What it measures; None for free text.
    example : str
        As it may be written.
    meaning : str
        For help texts and the reference.
    """

    name: str
    field: str
    quantity: Quantity | None
    example: str
    meaning: str


CONDITIONS: tuple[Statement, ...] = (
    Statement("test_pressure", "test_pressure_pa", "pressure", "28 inH2O", "Test pressure."),
    Statement("fixture_bore", "fixture_bore_m", "length", "83 mm", "Bore of the fixture on the bench."),
    Statement("valve_head", "valve_diameter_m", "length", "38 mm", "Valve head diameter."),
    Statement("stem", "stem_diameter_m", "length", "8 mm", "Valve stem diameter at the throat."),
    Statement("throat", "throat_diameter_m", "length", "33 mm", "Throat (inner seat) diameter."),
    Statement("seat_angle", "seat_angle_deg", "angle", "45", "Seat angle from the plane of the head, degrees."),
    Statement("seat_width", "seat_width_m", "length", "1.4 mm", "Seat width along the face."),
    Statement("air_temperature", "air_temperature_k", "temperature", "21 °C", "Temperature of the room's air."),
    Statement("barometer", "barometer_pa", "pressure", "1002 hPa", "Barometer, absolute."),
    Statement("humidity", "relative_humidity", "humidity", "45 %", "Relative humidity."),
    Statement("leak", "leak_m3_s", "flow", "0.4 CFM", "Flow with the valve closed."),
    Statement("leak_pressure", "leak_pressure_pa", "pressure", "28 inH2O", "Pressure of the leak reading."),
    Statement("check_reading", "check_reading_m3_s", "flow", "101.2 CFM", "Check plate reading."),
    Statement("check_nominal", "check_nominal_m3_s", "flow", "100 CFM", "Check plate nominal flow."),
    Statement("check_pressure", "check_pressure_pa", "pressure", "28 inH2O", "Pressure of the nominal flow."),
    Statement(
        "check_reading_pressure",
        "check_reading_pressure_pa",
        "pressure",
        "28 inH2O",
        "Pressure of the check plate reading; the test pressure unless stated.",
    ),
    Statement("meter_temperature", "meter_temperature_k", "temperature", "25 °C", "Temperature at the meter."),
    Statement("meter_pressure", "meter_pressure_pa", "pressure", "950 hPa", "Pressure at the meter, absolute."),
    Statement("meter", "meter", None, "small", "The meter its readings were taken with; A+B where both were open."),
    Statement("range", "range", None, "low", "The range of a percent scale, or its full scale."),
    Statement("reading_unit", "reading_unit", None, "mm", "Unit of a meter's readings."),
    Statement("zero_reading", "zero_reading", None, "1.5 mm", "Reading without flow; before and after parted by ;."),
    Statement("leak_reading", "leak_reading", None, "3.1 %", "Reading with the valve closed; @ names its range."),
    Statement("check_plate_reading", "check_plate_reading", None, "74 %", "Meter's reading with the check plate."),
    Statement("direction", "direction", None, "draws", "Whether the bench draws or blows."),
    Statement(
        "liquid_temperature", "liquid_temperature_k", "temperature", "21 °C", "Temperature of the manometer's liquid."
    ),
    Statement(
        "outlet_pressure", "outlet_pressure_pa", "pressure", "480 hPa", "Absolute pressure behind a critical nozzle."
    ),
    Statement("date", "date", None, "2026-03-14", "Date of the test."),
    Statement("bench", "bench", None, "bench B", "Name of the bench."),
    Statement("operator", "operator", None, "operator 1", "Who ran the test."),
    Statement("entry_fitting", "entry_fitting", None, "radius plate", "What stood at the port's entry."),
    Statement("exit_fitting", "exit_fitting", None, "pipe stub", "What stood at the port's exit."),
    Statement("notes", "notes", None, "seats cleaned", "Notes."),
)


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name closest to a mistyped one, or None.

    Parameters
    ----------
    name : str
    known : iterable of str

    Examples
    --------
    >>> nearest("test_presure", ["test_pressure", "fixture_bore"])
    'test_pressure'
    """
    found = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    return found[0] if found else None


def refuse_unknown(given: Iterable[str], known: Iterable[str], place: str, *, file: str | None = None) -> None:
    """Refuse names that are not known, with the nearest known one.

    Parameters
    ----------
    given, known : iterable of str
    place : str
        Where they stand, such as ``"[bench]"``.
    file : str, optional

    Raises
    ------
    JobError
        On the first unknown name.
    """
    names = list(known)
    for name in given:
        if name not in names:
            close = nearest(name, names)
            remedy = f"did you mean {close!r}?" if close else "known are " + ", ".join(names)
            raise JobError(f"{place} has an unknown key {name!r}", remedy, file=file)


def text_of(value: Any) -> str | None:
    """Return a name as text; numbers as they are written.

    Parameters
    ----------
    value : object
        As stated.
    """
    return None if value is None else str(value)


def side_of(value: Any, place: str) -> Side | None:
    """Return a side by its name.

    Parameters
    ----------
    value : object
        As stated.
    place : str
        Where it stands, for the message.

    Raises
    ------
    JobError
        If it is another word.
    """
    if value is None or value in ("intake", "exhaust"):
        return cast("Side | None", value)
    raise JobError(f"{place}, side: {value!r} is no side", "write intake or exhaust")


def run_of(value: Any, place: str) -> int | None:
    """Return a run's number, from 1.

    Parameters
    ----------
    value : object
        As stated.
    place : str
        Where it stands, for the message.

    Raises
    ------
    JobError
        If it is no whole number from 1.
    """
    if value is None:
        return None
    if isinstance(value, bool) or not str(value).isdecimal() or int(value) < 1:
        raise JobError(f"{place}, run: {value!r} is no run number", "count runs from 1")
    return int(value)


def conditions_from(stated: Mapping[str, Any], place: str = "conditions", *, file: str | None = None) -> Conditions:
    """Turn stated conditions, as written, into SI.

    Parameters
    ----------
    stated : mapping
        Names of `CONDITIONS` to text such as ``"28 inH2O"``; None values are passed over.
    place : str
        Where they stand, for messages.
    file : str, optional

    Returns
    -------
    Conditions

    Raises
    ------
    JobError
        If a name is not known or a value cannot be understood.

    Examples
    --------
    >>> conditions_from({"fixture_bore": "83 mm"}).fixture_bore_m
    0.083
    """
    table = {item.name: item for item in CONDITIONS}
    refuse_unknown(stated, table, place, file=file)
    values: dict[str, Any] = {}
    for name, written in stated.items():
        if written is None:
            continue
        item = table[name]
        values[item.field] = str(written) if item.quantity is None else _quantity(item, written, place, file)
    return Conditions(**values)


def _quantity(item: Statement, written: Any, place: str, file: str | None) -> float:
    """Read one stated value, naming its place when it cannot be read."""
    try:
        value = parse_quantity(written, item.quantity or "length")
    except UnitError as error:
        raise JobError(f"{place}, {item.name}: {error.problem}", error.remedy, file=file) from error
    if item.quantity != "temperature" and value < 0:
        raise JobError(f"{place}, {item.name}: {written!r} is negative", f'write it like "{item.example}"', file=file)
    if item.quantity == "humidity" and value > 1:
        raise JobError(f"{place}, {item.name}: {written!r} is over 100 %", f'write it like "{item.example}"', file=file)
    return value
