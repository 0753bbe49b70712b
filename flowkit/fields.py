"""THE table: one row for every condition, valve dimension, engine, cam, bench and reference key.

A new key is a row here, and nothing else unless something new is computed from it: command options, the models
that check a job file, what a sheet can state and by which words, limits, the lines of ``flowkit start`` and the
workbook, and the reference pages are derived from the rows. A row of a condition, a valve, the job, the reference
or the bench is the attribute itself; an engine, cam or meter has it in the dataclass that the row fills.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cache
from typing import TYPE_CHECKING, Any, Literal, cast

from flowkit.air import AirState
from flowkit.errors import JobError, UnitError
from flowkit.units import INH2O, Quantity, find_unit, from_si, number, parse_quantity, unit

if TYPE_CHECKING:
    from pydantic import BaseModel

Side = Literal["intake", "exhaust"]
PressureLaw = Literal["square-root", "compressible"]
AirMode = Literal["as stated", "actual", "metered"]
SIDES: tuple[Side, Side] = ("intake", "exhaust")


@dataclass(frozen=True, slots=True)
class Field:
    """One key."""

    # Its table: "conditions", "names", "job", "reference", "air", "bench", "valves", "engine", "cam", "meter",
    # "manometer" or "certificate"
    section: str
    key: str  # as in a job file; a command's option is the same with dashes
    attribute: str  # what it fills in the dataclass of its section
    kind: str  # a quantity of `flowkit.units`, or one of `_READERS`
    example: str  # for help texts and reference pages
    meaning: str
    low: float | None = None  # limits in SI, themselves allowed; `above` where the lower one is not
    high: float | None = None
    above: float | None = None
    choices: tuple[str, ...] = ()
    unit: str = ""  # the unit it is shown in
    default: str = ""  # what counts where it is left out, as it would be written
    # Unit to the (smallest, largest) number that occurs: what a bare number on a sheet can only mean
    usual: Mapping[str, tuple[float, float]] | None = None
    scope: str = "job"  # "sheet" where a sheet can state it, "side" where it holds for one side, else "job"
    condition: str = ""  # the attribute of `Conditions` in which a sheet says the same
    metered: bool = False  # of a meter: the machine-readable results hold it only where it is known
    exhaust: str = ""  # an example for the exhaust, where it differs
    called: str = ""  # the key in words, where it is not already plain

    @property
    def words(self) -> str:
        """The key in words."""
        return self.called or self.key.replace("_", " ")

    def read(self, written: Any) -> Any:
        """Read what is written into SI."""
        try:
            value = _READERS[self.kind](written, self) if self.kind in _READERS else _read_quantity(written, self)
        except UnitError as error:
            raise ValueError(f"{error.problem}; {error.remedy}" if error.remedy else error.problem) from error
        for part in value if isinstance(value, tuple) else (value,):
            if isinstance(part, (int, float)) and not isinstance(part, bool):
                self.check(part, written)
        return value

    def check(self, value: float, written: Any) -> None:
        """Refuse a value outside the limits."""
        if self.above == 0 and value <= 0:
            raise ValueError(f"{written!r} must be above zero; correct it")
        if self.low == 0 and self.high is None and value < 0:
            raise ValueError(f"{written!r} is negative; {_like(self)}")
        for limit, least in ((self.above, "above"), (self.low, "at least")):
            if limit is not None and (value <= limit if least == "above" else value < limit):
                raise ValueError(f"{written!r} is outside what is possible; it must be {least} {self._limit(limit)}")
        if self.high is not None and value > self.high:
            if self.kind == "humidity":
                raise ValueError(f"{written!r} is over 100 %; {_like(self)}")
            limits = f"{self._limit(self.low or self.above or 0.0)} and {self._limit(self.high)}"
            raise ValueError(f"{written!r} is outside what is possible; it lies between {limits}")

    def _limit(self, value: float) -> str:
        """Write a limit in the key's unit."""
        return f"{from_si(value, self.unit):g} {self.unit}" if self.kind in ("length", "speeds") else f"{value:g}"


def _row(
    section: str, key: str, kind: str, example: str, meaning: str, unit: str = "", value: Any = None, **more: Any
) -> Any:
    """A row that is the attribute of a dataclass at once, with its value where nothing is given."""
    return field(default=value, metadata={"row": (section, key, kind, example, meaning, {"unit": unit, **more})})


def _rows(of: type) -> tuple[Field, ...]:
    """The rows of such a dataclass."""
    found = ((item.name, *item.metadata["row"]) for item in fields(of) if "row" in item.metadata)
    return tuple(Field(section, key, name, *words, **more) for name, section, key, *words, more in found)


def _condition(key: str, kind: str, example: str, meaning: str, unit: str = "", **more: Any) -> Any:
    """A condition of a test: any sheet can state it."""
    limits = {} if kind in ("text", "temperature", "choice") else {"above": 0.0} if kind == "pressure" else {"low": 0.0}
    if kind == "humidity":
        limits["high"] = 1.0
    return _row("conditions", key, kind, example, meaning, unit, **{"scope": "sheet", **limits, **more})


def _valve(key: str, kind: str, example: str, meaning: str, unit: str, condition: str = "", **more: Any) -> Any:
    """A dimension of one side's valve, seat or port."""
    return _row(
        "valves", key, kind, example, meaning, unit, **{"above": 0.0, **more, "condition": condition, "scope": "side"}
    )


def _engine(key: str, attribute: str, kind: str, example: str, meaning: str, unit: str = "", **more: Any) -> Field:
    """A key of the engine; a number is above zero unless its limits say otherwise."""
    limits = more if {"low", "above", "choices"} & set(more) or kind == "speeds" else {"above": 0.0, **more}
    return Field("engine", key, attribute, kind, example, meaning, unit=unit, **limits)


def _cam(key: str, kind: str, example: str, meaning: str, **more: Any) -> Field:
    """A key of a cam's table."""
    return Field("cam", key, key, kind, example, meaning, scope="side", **more)


def _meter(key: str, kind: str, example: str, meaning: str, **more: Any) -> Field:
    """A key of a meter's table; which kind of meter has it is in `flowkit.corrections.meter`."""
    return Field("meter", key, key, kind, example, meaning, **more)


# What a bare number can only mean: unit -> (smallest, largest) of what occurs; ranges of one kind do not meet.
# fmt: off
_MM_IN = {
    "fixture_bore": {"in": (1.5, 8.0), "mm": (35.0, 200.0)},
    "valve_head": {"in": (0.6, 3.5), "mm": (15.0, 90.0)},
    "throat": {"in": (0.5, 3.2), "mm": (12.0, 80.0)},
    "stem": {"in": (0.15, 0.6), "mm": (4.0, 15.0)},
    "seat_width": {"in": (0.01, 0.25), "mm": (0.4, 6.0)},
}
_ROOM = {"°C": (-20.0, 45.0), "°F": (50.0, 115.0), "K": (250.0, 320.0)}
_METER = {"°C": (-20.0, 45.0), "°F": (50.0, 140.0), "K": (250.0, 340.0)}
_BAROMETER = {"inHg": (25.0, 32.0), "hPa": (850.0, 1085.0), "mmHg": (640.0, 810.0), "kPa": (85.0, 108.5), "Pa": (85e3, 108.5e3)}


@dataclass(frozen=True, slots=True)
class Conditions:
    """The circumstances of a flow test; None where unknown.

    Examples
    --------
    >>> Conditions(test_pressure_pa=6974.49, bench="bench B").fixture_bore_m is None
    True
    """

    test_pressure_pa: float | None = _condition("test_pressure", "pressure", "28 inH2O", "Test pressure.", "inH2O")
    fixture_bore_m: float | None = _condition("fixture_bore", "length", "83 mm", "Bore of the fixture on the bench.", "mm", usual=_MM_IN["fixture_bore"], above=0.0, low=None)
    valve_diameter_m: float | None = _condition("valve_head", "length", "38 mm", "Valve head diameter.", "mm", usual=_MM_IN["valve_head"], above=0.0, low=None)
    stem_diameter_m: float | None = _condition("stem", "length", "8 mm", "Valve stem diameter at the throat.", "mm", usual=_MM_IN["stem"])
    throat_diameter_m: float | None = _condition("throat", "length", "33 mm", "Throat (inner seat) diameter.", "mm", usual=_MM_IN["throat"])
    seat_angle_deg: float | None = _condition("seat_angle", "angle", "45", "Seat angle from the plane of the head, degrees.", "°")
    seat_width_m: float | None = _condition("seat_width", "length", "1.4 mm", "Seat width along the face.", "mm", usual=_MM_IN["seat_width"])
    air_temperature_k: float | None = _condition("air_temperature", "temperature", "21 °C", "Temperature of the room's air.", "°C", usual=_ROOM)
    barometer_pa: float | None = _condition("barometer", "pressure", "1002 hPa", "Barometer, absolute.", "hPa", usual=_BAROMETER)
    relative_humidity: float | None = _condition("humidity", "humidity", "45 %", "Relative humidity.", "%")
    leak_m3_s: float | None = _condition("leak", "flow", "0.4 CFM", "Flow with the valve closed.", "CFM")
    leak_pressure_pa: float | None = _condition("leak_pressure", "pressure", "28 inH2O", "Pressure of the leak reading.", "inH2O")
    check_reading_m3_s: float | None = _condition("check_reading", "flow", "101.2 CFM", "Check plate reading.", "CFM")
    check_nominal_m3_s: float | None = _condition("check_nominal", "flow", "100 CFM", "Check plate nominal flow.", "CFM")
    check_pressure_pa: float | None = _condition("check_pressure", "pressure", "28 inH2O", "Pressure of the nominal flow.", "inH2O")
    check_reading_pressure_pa: float | None = _condition("check_reading_pressure", "pressure", "28 inH2O", "Pressure of the check plate reading; the test pressure unless stated.", "inH2O")
    meter_temperature_k: float | None = _condition("meter_temperature", "temperature", "25 °C", "Temperature at the meter.", "°C", usual=_METER)
    meter_pressure_pa: float | None = _condition("meter_pressure", "pressure", "950 hPa", "Pressure at the meter, absolute.", "hPa")
    date: str | None = _condition("date", "text", "2026-03-14", "Date of the test.")
    bench: str | None = _condition("bench", "text", "bench B", "Name of the bench.")
    operator: str | None = _condition("operator", "text", "operator 1", "Who ran the test.")
    entry_fitting: str | None = _condition("entry_fitting", "text", "radius plate", "What was fitted at the port's entry.")
    exit_fitting: str | None = _condition("exit_fitting", "text", "pipe stub", "What was fitted at the port's exit.")
    notes: str | None = _condition("notes", "text", "seats cleaned", "Notes.")
    meter: str | None = _condition("meter", "text", "small", "The meter its readings were taken with; A+B where both were open.", metered=True)
    range: str | None = _condition("range", "text", "low", "The range of a percent scale, or its full scale.", metered=True)
    reading_unit: str | None = _condition("reading_unit", "text", "mm", "Unit of a meter's readings.", metered=True)
    zero_reading: str | None = _condition("zero_reading", "text", "1.5 mm", "Reading with no flow; before and after, separated by a semicolon.", metered=True)
    leak_reading: str | None = _condition("leak_reading", "text", "3.1 %", "Reading with the valve closed; @ names its range.", metered=True)
    check_plate_reading: str | None = _condition("check_plate_reading", "text", "74 %", "Meter's reading with the check plate.", metered=True)
    direction: str | None = _condition("direction", "choice", "draws", "Whether the bench draws or blows.", choices=("draws", "blows"), metered=True)
    liquid_temperature_k: float | None = _condition("liquid_temperature", "temperature", "21 °C", "Temperature of the manometer's liquid.", "°C", usual=_ROOM, metered=True)
    outlet_pressure_pa: float | None = _condition("outlet_pressure", "pressure", "480 hPa", "Absolute pressure behind a critical nozzle.", "hPa", metered=True)

    def json_fields(self) -> dict[str, object]:
        """Return what the machine-readable results hold; of a meter only what is known."""
        known = ((row, getattr(self, row.attribute)) for row in CONDITIONS)
        return {row.attribute: value for row, value in known if value is not None or not row.metered}


@dataclass(frozen=True, slots=True)
class ValveGeometry:
    """The valve, its seat and its port on one side; None where unknown.

    Attributes
    ----------
    head_m, stem_m, throat_m : float or None
        Valve head, stem at the throat, and throat (inner seat) diameters [m].
    seat_angle_deg : float or None
        Seat angle from the plane of the head [degrees].
    seat_width_m : float or None
        Seat width measured along the face [m].
    offset_m : float or None
        Distance of the valve's axis from the bore's axis [m].
    port_area_m2 : float or None
        Cross-section of the port where velocity is wanted [m²].

    Examples
    --------
    >>> ValveGeometry(head_m=0.038, stem_m=0.008).throat_m is None
    True
    """

    head_m: float | None = _valve("head", "length", "38 mm", "Valve head diameter.", "mm", "valve_diameter_m", exhaust="32 mm")
    stem_m: float | None = _valve("stem", "length", "8 mm", "Stem diameter at the throat.", "mm", "stem_diameter_m")
    throat_m: float | None = _valve("throat", "length", "33 mm", "Throat (inner seat) diameter.", "mm", "throat_diameter_m", exhaust="28 mm")
    seat_angle_deg: float | None = _valve("seat_angle", "angle", "45", "From the plane of the head, degrees.", "°", "seat_angle_deg", high=89.999)
    seat_width_m: float | None = _valve("seat_width", "length", "1.8 mm", "Measured along the face.", "mm", "seat_width_m", exhaust="2 mm")
    offset_m: float | None = _valve("offset", "length", "4 mm", "Valve axis from bore axis.", "mm", above=None, low=0.0)
    port_area_m2: float | None = _valve("port_area", "area", "850 mm²", 'Cross-section where the velocity is wanted, "850 mm²".', "mm²")


@dataclass(frozen=True, slots=True)
class JobInfo:
    """What the job is called; all free text, None where not given.

    Attributes
    ----------
    display : {"US", "metric"}
        The units people see; results stay SI.
    logo : str or None
        Path of a picture for the reports.

    Examples
    --------
    >>> JobInfo(title="Head 7", display="metric").title
    'Head 7'
    """

    title: str | None = _row("job", "title", "text", "Invented head", "A title for the reports.")
    number: str | None = _row("job", "number", "text", "2026-014", "The job's number.")
    customer: str | None = _row("job", "customer", "text", "Invented customer", "For whom.")
    vehicle: str | None = _row("job", "vehicle", "text", "hill-climb car", "The car or engine.")
    shop: str | None = _row("job", "shop", "text", "Invented shop", "Who did the work.")
    date: str | None = _row("job", "date", "text", "2026-03-14", "The date on the reports.")
    notes: str | None = _row("job", "notes", "text", "for the build file", "Printed in the footer.")
    logo: str | None = _row("job", "logo", "text", "logo.png", "A picture (PNG) for the reports; relative to the job file.")
    display: Literal["US", "metric"] = _row("job", "display", "choice", "US", "The units people see; results stay SI.", value="US", choices=("US", "metric"), default="US")


@dataclass(frozen=True, slots=True)
class Reference:
    """The state all tests are brought to.

    Attributes
    ----------
    pressure_pa : float
        Reference test pressure [Pa].
    pressure_law : {"square-root", "compressible"}
    bore_m : float or None
        The engine's bore [m]; None for no bore correction.
    air : AirState
        Dry, 101 325 Pa, 20 °C unless stated.
    lifts_m : tuple of float or None
        Lowest and highest lift of the headline figures [m]; None for the lifts measured in common.

    Examples
    --------
    >>> round(Reference(bore_m=0.0805).pressure_pa, 2)
    6974.49
    """

    pressure_pa: float = _row("reference", "pressure", "pressure", "28 inH2O", "Reference test pressure.", "inH2O", value=28 * INH2O, above=0.0, default="28 inH2O")
    pressure_law: PressureLaw = _row("reference", "pressure_law", "choice", "square-root", "How flows are converted to the reference pressure.", value="square-root", choices=("square-root", "compressible"), default="square-root")
    bore_m: float | None = _row("reference", "bore", "length", "80.5 mm", "The engine's bore; left out, no bore correction is made.", "mm", above=0.0)
    air: AirState = _row("reference", "air", "air", '{ temperature = "20 °C" }', "Reference air; dry, 101 325 Pa, 20 °C unless given.", value=AirState())
    lifts_m: tuple[float, float] | None = _row("reference", "lifts", "lifts", "0.100-0.600 in", 'Lifts of the headline figures, such as "0.100-0.600 in"; else those measured in common.')


@dataclass(frozen=True, slots=True)
class Bench:
    """What is known of the bench; standard uncertainties are k = 1.

    Attributes
    ----------
    air : {"as stated", "actual", "metered"}
        What the flow readings are: corrected by the bench, true volumes, or an orifice meter's.
    standard_air : AirState or None
    repeatability : float or None
        Relative standard deviation of a repeated reading.
    drift : float or None
        Relative standard uncertainty of the drift of one session.
    lift_setting_m : float or None
        Standard uncertainty of a lift setting [m].
    pressure_reading_pa : float or None
        Standard uncertainty of a test pressure reading [Pa].
    from_records : bool
        Whether repeatability and drift come from the shop's records.
    air_stated : bool
        Whether `air` was stated; where it was not, a meter that gives a mass flow makes it ``"actual"``.

    Examples
    --------
    >>> Bench(repeatability=0.005, drift=0.002).air
    'as stated'
    """

    repeatability: float | None = _row("bench", "repeatability", "percent", "0.5 %", 'Such as "0.5 %", with the % sign; left out, it comes from repeated runs.')
    drift: float | None = _row("bench", "drift", "percent", "0.2 %", 'Drift of one session, such as "0.2 %", with the % sign.')
    lift_setting_m: float | None = _row("bench", "lift_setting", "length", "0.02 mm", 'Of a lift setting, such as "0.02 mm".', above=0.0)
    pressure_reading_pa: float | None = _row("bench", "pressure_reading", "pressure", "0.1 inH2O", 'Of a test pressure, such as "0.1 inH2O".', above=0.0)
    air: AirMode = _row("bench", "air", "choice", "as stated", "What the flow readings are.", value="as stated", choices=("as stated", "actual", "metered"), default="as stated")
    standard_air: AirState | None = _row("bench", "standard_air", "air", '{ temperature = "15 °C" }', "The air the meter is scaled for, or SCFM means.")
    from_records: bool = _row("bench", "from", "records", "records", '"records": repeatability and drift from the shop\'s own years of tests.', value=False, choices=("records",))
    air_stated: bool = False


CONDITIONS = _rows(Conditions)
"""What can be stated of a sheet besides names and units."""
# Fills importers.Stated, beside the conditions.
_NAMES = (
    Field("names", "side", "side", "choice", "intake", "Side of every test: intake or exhaust.", choices=("intake", "exhaust"), scope="sheet"),
    Field("names", "port", "port", "text", "1", "Port of every test.", scope="sheet"),
    Field("names", "run", "run", "count", "1", "Run of every test, from 1.", scope="sheet"),
    Field("names", "head", "head", "text", "left", "The head's name.", scope="sheet"),
    Field("names", "lift_unit", "lift_unit", "lift unit", "in", "Unit of the lifts."),
    Field("names", "flow_unit", "flow_unit", "flow unit", "CFM", "Unit of the flows."),
    Field("names", "pressure_unit", "pressure_unit", "pressure unit", "inH2O", "Unit of the pressures."),
    Field("names", "date_order", "date_order", "choice", "day", "What comes first in a date such as 3/4/26: day or month.", choices=("day", "month")),
)
# Fills model.AirState.
_AIR = (
    Field("air", "temperature", "temperature_k", "temperature", "20 °C", 'Such as "20 °C".', above=0.0, default="20 °C"),
    Field("air", "pressure", "pressure_pa", "pressure", "1013.25 hPa", 'Absolute, such as "1013.25 hPa".', above=0.0, default="1013.25 hPa"),
    Field("air", "humidity", "relative_humidity", "humidity", "45 %", 'Relative, such as "45 %".', low=0.0, high=1.0, default="0 %"),
)
# Of a reference, and fill the job.
_REFERENCE = (
    Field("reference", "curve_area", "area_method", "choice", "pchip", "How the area under a curve is taken.", choices=("pchip", "trapezoid"), default="pchip"),
    Field("reference", "switched_off", "switched_off", "choices", '["leakage"]', "Corrections not to be made, by name.", choices=("leakage", "air", "check-plate", "test-pressure", "bore")),
)


# Fills engine.EngineData.
_ENGINE = (
    _engine("cylinders", "cylinders", "count", "4", "Number of cylinders."),
    _engine("bore", "bore_m", "length", "80.5 mm", "Cylinder bore.", "mm", above=0.0, low=0.01, high=0.5),
    _engine("stroke", "stroke_m", "length", "78.5 mm", "Stroke.", "mm", above=0.0, low=0.01, high=0.6),
    _engine("rod", "rod_m", "length", "138 mm", "Connecting rod, centre to centre.", "mm", above=0.0, low=0.01, high=1.5, called="connecting rod"),
    _engine("compression_ratio", "compression_ratio", "number", "10.5", "Geometric compression ratio.", above=1.0),
    _engine("chamber_volume", "", "volume", "38.5 cc", "Of the chamber in the head, valves and plug in, unmilled.", "cc"),
    _engine("chamber_area", "", "area", "45 cm²", "Of the chamber at the head's face, for what milling takes off.", "cm²"),
    _engine("milled", "", "length", "0.5 mm", "Taken off the head's face since the volume was measured.", "mm", low=0.0),
    _engine("gasket_bore", "", "length", "82 mm", "Bore of the head gasket.", "mm"),
    _engine("gasket_thickness", "", "length", "1.2 mm", "Of the head gasket, compressed.", "mm", low=0.0),
    _engine("deck_clearance", "", "length", "0.4 mm", "Deck down to the piston's flat at TDC; + below the deck.", "mm", low=-1.0),
    _engine("crown_volume", "", "volume", "-4 cc", "Above the piston's flat: dome +, dish and pockets −.", "cc", low=-1.0),
    _engine("intake_valves", "intake_valves", "count", "1", "How many times the measured intake flow serves one cylinder: 1 where a port was flowed with all its valves.", called="intake valves per cylinder"),
    _engine("exhaust_valves", "exhaust_valves", "count", "1", "The same for the exhaust.", called="exhaust valves per cylinder"),
    _engine("speeds", "speeds_rpm", "speeds", "{ from = 2000, to = 7000, step = 250 }", "Engine speeds.", "rpm", low=100.0, high=50_000.0),
    _engine("intake_pressure", "intake_pressure_pa", "pressure", "101.325 kPa", "Absolute, at the port's entry.", "kPa"),
    _engine("intake_temperature", "intake_temperature_k", "temperature", "20 °C", "At the port's entry.", "K"),
    _engine("exhaust_pressure", "exhaust_pressure_pa", "pressure", "101.325 kPa", "Absolute, behind the port.", "kPa"),
    _engine("exhaust_temperature", "exhaust_temperature_k", "temperature", "900 K", "Of exhaust gas that flows back.", "K"),
    _engine("air_fuel_ratio", "air_fuel_ratio", "number", "12.8", "Mass of air to mass of fuel.", called="air–fuel ratio"),
    _engine("stoichiometric_ratio", "stoichiometric_ratio", "number", "14.6", "Below this air-fuel ratio the air limits the heat released.", called="air–fuel ratio of complete combustion"),
    _engine("bsfc", "bsfc_kg_j", "fuel consumption", "300 g/kWh", "Brake specific fuel consumption.", "g/kWh", called="brake specific fuel consumption"),
    _engine("fuel_heating_value", "fuel_heating_value_j_kg", "heating value", "44 MJ/kg", "Lower heating value.", "MJ/kg", called="heating value of the fuel"),
    _engine("combustion_efficiency", "combustion_efficiency", "number", "0.97", "Share of the heat released.", low=0.0, high=1.0),
    _engine("wall_temperature", "wall_temperature_k", "temperature", "430 K", "Of piston, head and liner.", "K"),
    _engine("heat_transfer", "heat_transfer", "choice", "woschni", "Gas to wall: woschni, hohenberg or none.", choices=("woschni", "hohenberg", "none"), called="heat lost to the walls"),
    _engine("gamma", "gamma", "choice", "temperature", "Heat capacity of the gas: of air by temperature, or constant.", choices=("temperature", "constant"), called="heat capacity of the gas"),
    _engine("gamma_value", "gamma_value", "number", "1.35", "Ratio of specific heats, where constant.", above=1.0, called="ratio of heat capacities, where taken as constant"),
    _engine("wiebe_start", "wiebe_start_deg", "angle", "-20", "Start of combustion after firing dead centre.", "°", low=-360.0, called="combustion begins"),
    _engine("wiebe_duration", "wiebe_duration_deg", "angle", "60", "Duration of combustion.", "°", called="combustion lasts"),
    _engine("wiebe_a", "wiebe_a", "number", "5", "Efficiency parameter of the Wiebe function.", called="Wiebe's efficiency parameter a"),
    _engine("wiebe_m", "wiebe_m", "number", "2", "Form factor of the Wiebe function.", called="Wiebe's shape parameter m"),
    _engine("intake_backflow", "intake_backflow", "choice", "returns", "Gas pushed back into the intake port: returns (it comes back first) or fresh (it is lost among fresh air).", choices=("returns", "fresh"), called="what is pushed back into the intake"),
    _engine("intake_reverse", "intake_reverse", "number", "1", "Reverse over forward effective area, intake valve.", called="intake's area in reverse flow, over that forward"),
    _engine("exhaust_reverse", "exhaust_reverse", "number", "1", "Reverse over forward effective area, exhaust valve.", called="exhaust's area in reverse flow, over that forward"),
    _engine("friction", "friction_pa", "friction", "[0.97, 0.15, 0.05]", "Friction mean pressure: bar, bar per 1000/min and bar per (1000/min)², such as [0.97, 0.15, 0.05].", "bar", low=0.0),
    _engine("ignition", "ignition", "choice", "spark", 'Must be stated as "spark" above a compression ratio of 15.', choices=("spark", "compression")),
)


# Both cams, where they are cam cards.
_CAMS = (
    Field("cams", "lobe_separation", "lobe_separation_deg", "angle", "108", "Of cam cards, in cam degrees as they print it.", unit="°"),
    Field("cams", "advance", "advance_deg", "angle", "4", "Of cam cards, in crank degrees; + is earlier.", unit="°"),
)
# What engine.Cam is made of.
_CAM = (
    _cam("table", "text", "intake_cam.csv", "File with a column of degrees and one of lift; relative to the job file."),
    _cam("sheet", "text", "lift", "Its worksheet, where there are several."),
    _cam("lift_unit", "text", "mm", "Unit of the table's lift, where its heading does not say it."),
    _cam("degrees", "choice", "crank", '"crank" (default) or "cam": which degrees the table or the duration counts.', choices=("crank", "cam")),
    _cam("zero", "choice", "gas exchange TDC", 'What the table\'s 0° is: "gas exchange TDC" or "firing TDC".', choices=("gas exchange TDC", "firing TDC")),
    _cam("centreline", "timing", "108 ATDC", 'Where the middle of the lobe is, such as "108 ATDC" (intake), "110 BTDC" (exhaust).'),
    _cam("opens", "timing", "12 BTDC", 'Without a table: where the checking lift is reached, such as "12 BTDC" or "55 BBDC".'),
    _cam("closes", "timing", "52 ABDC", 'Where it is left, such as "52 ABDC" or "15 ATDC".'),
    _cam("duration", "angle", "244", "Of the cam card, in crank degrees, at the checking lift.", low=0.0, high=720.0),
    _cam("checking_lift", "length", "1 mm", 'Lift the timing or the duration is stated at, such as "1 mm"; "0 mm" for the ends of lift.', low=0.0),
    _cam("peak_lift", "length", "9.5 mm", "Largest lift; of a cam card, at the valve.", above=0.0),
    _cam("lobe_lift", "length", "6.5 mm", "Of a cam card: lift at the cam; the valve's is that times rocker_ratio.", above=0.0),
    _cam("lift_at", "choice", "valve", '"valve" or "cam": where lifts were measured. Default valve; for a cam card it applies to checking_lift alone, and the default is cam.', choices=("valve", "cam")),
    _cam("rocker_ratio", "number", "1.5", "Valve lift over cam lift; needed where lifts are the cam's.", above=0.0, high=4.0),
    _cam("lash", "length", "0.2 mm", "At the valve, taken off the lift; none unless stated.", low=0.0),
    _cam("name", "text", "cam 1", "The cam's name."),
)
_METERS = (
    _meter("kind", "choice", "percent", "What it is.", choices=("percent", "table", "orifice", "nozzle", "plate", "laminar", "critical nozzle", "pitot")),
    _meter("reading_unit", "any unit", "mm", "Unit of the readings of sheets that name none."),
    _meter("zero", "as written", "1.5 mm", "Reading without flow, taken off every reading."),
    _meter("scale", "choice", "square-root", "Of a percent scale: square-root (of the differential) or linear (of the flow).", choices=("square-root", "linear")),
    _meter("full_scale", "as written", "180 CFM", "Flow at 100 %; with several ranges a table, such as { low = \"60 CFM\", high = \"180 CFM\" }."),
    _meter("scale_end", "scale mark", "110", "Last mark of a percent scale; 100 unless given.", low=1.0, high=1000.0),
    _meter("at", "pressure", "25 inH2O", "Test pressure that a percent scale was made at.", above=0.0),
    _meter("element", "choice", "orifice", "What a percent scale is driven by; needed to use it at another test pressure.", choices=("orifice", "laminar")),
    _meter("place", "as written", "chamber", "Where the meter is: chamber, room or outlet, or { intake = …, exhaust = … }."),
    _meter("points", "as written", '[["0 mm", "0 CFM"], ["42 mm", "71 CFM"]]', "Of a table: reading and flow, both rising."),
    _meter("file", "text", "meter.csv", "File of a table's points; relative to the job file."),
    _meter("bore", "length", "30 mm", "Bore of an orifice or nozzle.", above=0.0),
    _meter("pipe", "length", "60 mm", "Inside diameter of the pipe.", above=0.0),
    _meter("taps", "choice", "corner", "Where an orifice's pressures are taken.", choices=("corner", "flange", "D and D/2")),
    _meter("shape", "choice", "ISA 1932", "Of a nozzle: ISA 1932, long radius or venturi nozzle; of a critical one: toroidal or cylindrical.", choices=("ISA 1932", "long radius", "venturi nozzle", "toroidal", "toroidal, accurately machined", "cylindrical")),
    _meter("hole", "length", "32 mm", "Diameter of a plate's hole.", above=0.0),
    _meter("area", "area", "804 mm²", "Area of a plate's hole, or of a duct.", above=0.0),
    _meter("coefficient", "number", "0.602", "Discharge coefficient.", low=0.05, high=1.2),
    _meter("count", "count", "6", "Holes, nozzles, or positions of a pitot tube."),
    _meter("flow", "flow", "100 CFM", "Of a laminar element: flow at its differential.", above=0.0),
    _meter("differential", "pressure", "8 inH2O", "Of a laminar element.", above=0.0),
    _meter("calibrated_at", "temperature", "20 °C", "Temperature a laminar element was calibrated at.", above=0.0),
    _meter("throat", "length", "9 mm", "Throat of a critical nozzle.", above=0.0),
    _meter("gauge", "flag", "true", "Of a critical nozzle's readings: true (from the barometer up) or false (absolute)."),
    _meter("rule", "choice", "log-linear", "Where the positions of a pitot tube are.", choices=("log-linear", "log-Tchebycheff", "single")),
    _meter("factor", "number", "1", "Calibration factor of a pitot tube.", low=0.3, high=2.0),
    _meter("profile", "number", "0.82", "Mean over largest velocity, for a pitot tube at a single position.", low=0.3, high=1.2),
    _meter("manometer", "as written", '{ liquid = "water" }', "The liquid column that readings in a length are taken from."),
    _meter("certificate", "as written", '[{ flow = "61.4 CFM", … }]', "Plates of known flow, for `flowkit meter`."),
    _meter("u_calibration", "share", "0.6 %", "Standard uncertainty of the calibration."),
    _meter("u_differential", "share", "0.5 %", "Of a differential."),
    _meter("u_zero", "as written", "0.5 mm", "Of the zero, in a reading's unit."),
    _meter("u_air", "share", "0.2 %", "Of the density before the meter."),
    _meter("u_bore", "share", "0.05 %", "Of the bore."),
    _meter("u_pipe", "share", "0.2 %", "Of the pipe."),
    _meter("u_common", "share", "0.3 %", "What all certificates share."),
)
# Fills corrections.meter.Manometer; a number's unit is in all its spellings.
_MANOMETER = (
    Field("manometer", "liquid", "liquid", "choice", "water", "Water, whose density follows from its temperature; else state density.", choices=("water",)),
    Field("manometer", "liquid_temperature", "liquid_temperature_k", "temperature", "20 °C", "Where no sheet states it."),
    Field("manometer", "density", "density_kg_m3", "spelled", "826 kg/m3", "Of another liquid.", unit="kg/m3|kg/m³", low=0.0),
    Field("manometer", "density_at", "density_at_k", "temperature", "20 °C", "Temperature the density holds at."),
    Field("manometer", "expansion", "expansion_1_k", "spelled", "0.0009 1/K", "Thermal expansion of the liquid.", unit="1/K|/K", low=0.0),
    Field("manometer", "angle", "angle_deg", "spelled", "30°", "Of the tube from the horizontal; 90° unless given.", unit="°|deg", above=0.0, high=90.0),
    Field("manometer", "area_ratio", "area_ratio", "number", "0.01", "Cross-section of the tube over the well's; 0 unless given.", low=0.0),
    Field("manometer", "gravity", "gravity_m_s2", "spelled", "9.81 m/s2", "9.80665 m/s² unless given.", unit="m/s2|m/s²", low=0.0),
)
# Fills corrections.meter.Certificate, together with the conditions of the day.
_CERTIFICATE = (
    Field("certificate", "flow", "flow_m3_s", "flow", "61.4 CFM", "What the plate's certificate says."),
    Field("certificate", "at", "at_pa", "pressure", "28 inH2O", "The pressure it holds at.", above=0.0),
    Field("certificate", "u", "u", "share", "0.3 %", "Its standard uncertainty."),
    Field("certificate", "air", "air", "air", '{ temperature = "20 °C" }', "The air it holds for; dry, 101 325 Pa, 20 °C unless given."),
    Field("certificate", "reading", "reading", "as written", "83.5 mm", "What the meter showed behind the plate."),
)

FIELDS: tuple[Field, ...] = (
    *CONDITIONS, *_NAMES, *_rows(JobInfo), *_AIR, *_rows(Reference), *_REFERENCE, *_rows(Bench), *_rows(ValveGeometry),
    *_ENGINE, *_CAMS, *_CAM, *_METERS, *_MANOMETER, *_CERTIFICATE,
)
# fmt: on


def section(name: str) -> dict[str, Field]:
    """The rows of a section by their keys."""
    return {row.key: row for row in FIELDS if row.section == name}


def field_of(name: str, attribute: str) -> Field:
    """The row of a section that fills an attribute."""
    return next(row for row in FIELDS if row.section == name and row.attribute == attribute)


# --- reading what is written ---------------------------------------------------------------------


def _like(row: Field) -> str:
    """The remedy that shows how a value is written."""
    return f'write it like "{row.example}"'


def _plain(written: Any) -> str:
    """A number or text as text; anything else is refused."""
    if isinstance(written, bool) or not isinstance(written, (str, int, float)):
        raise ValueError(f"{written!r} is not a number or a text; write a number with its unit in quotes")
    return str(written)


def _read_quantity(written: Any, row: Field) -> float:
    """Read a number with its unit; a speed needs none, and neither does a bare zero where zero may be."""
    if isinstance(written, (int, float)) and written == 0 and row.low is not None and row.kind in ("length", "volume"):
        return 0.0
    if hasattr(written, "to_base_units"):
        return parse_quantity(written, cast("Quantity", row.kind))
    default = "rpm" if row.kind == "speed" else None
    return parse_quantity(_plain(written), cast("Quantity", row.kind), default_unit=default)


def _read_text(written: Any, row: Field) -> str:
    """Read free text; a date or number may be there where text is meant."""
    if isinstance(written, (dict, list)):
        raise ValueError(f"{written!r} is not text; {_like(row)}")
    return str(written)


def _read_number(written: Any, row: Field) -> float:
    """Read a number without a unit."""
    value = number(_plain(written))
    if value is None:
        raise ValueError(f"{written!r} is not a number; write a plain number")
    return value


def _read_count(written: Any, row: Field) -> int:
    """Read a whole number of one or more."""
    value = number(_plain(written))
    if value is None or value != int(value) or value < 1:
        raise ValueError(f"{written!r} is not a whole number of one or more; write it like {row.example}")
    return int(value)


def _read_choice(written: Any, row: Field) -> str:
    """Read one of a few words, in any case."""
    folded = str(written).strip().casefold()
    found = next((choice for choice in row.choices if choice.casefold() == folded), None)
    if found is None or isinstance(written, bool):
        close = nearest(str(written), row.choices)
        remedy = f"did you mean {close!r}?" if close else "use one of " + ", ".join(row.choices)
        raise ValueError(f"{written!r} is not known; {remedy}")
    return found


def _read_choices(written: Any, row: Field) -> tuple[str, ...]:
    """Read a list of words that are known."""
    if not isinstance(written, (list, tuple)):
        raise ValueError(f"{written!r} is not a list; {_like(row)}")
    return tuple(_read_choice(item, row) for item in written)


def _read_percent(written: Any, row: Field) -> float:
    """Read ``"0.5 %"`` into a fraction; without its sign it could be two things, so that it is refused."""
    text = _plain(written)
    bare = number(text.strip())
    if bare is not None:
        raise ValueError(
            f'without the % sign it could be {bare:g} % or {100 * bare:g} %; write it with its sign, like "0.5 %"'
        )
    try:
        fraction = parse_quantity(text, "humidity")
    except UnitError as error:
        raise ValueError(f'{written!r} is not a percentage; write it like "0.5 %"') from error
    if not 0 < fraction < 1:
        raise ValueError('it must lie between 0 % and 100 %; write it like "0.5 %"')
    return fraction


def _read_lifts(written: Any, row: Field) -> tuple[float, float]:
    """Read a range of lifts such as ``"0.100-0.600 in"``."""
    parts = re.fullmatch(r"\s*([\d.,]+)\s*(\D*?)\s*(?:-|–|to)\s*([\d.,]+)\s*(\D+?)\s*", _plain(written))
    if parts is None:
        raise ValueError(f"{written!r} is not a range of lifts; {_like(row)}")
    low, low_unit, high, high_unit = parts.groups()
    lifts = parse_quantity(f"{low} {low_unit or high_unit}", "length"), parse_quantity(f"{high} {high_unit}", "length")
    if not 0 <= lifts[0] < lifts[1]:
        raise ValueError(f"{written!r} is not a range of lifts: the first must be the lower one; {_like(row)}")
    return lifts


def _read_air(written: Any, row: Field) -> AirState:
    """Read a table of air."""
    if not isinstance(written, Mapping):
        raise ValueError(f"{written!r} is not a table; {_like(row)}")
    return AirState(**read_table("air", written, f"[{row.section}.{row.key}]"))


def _read_unit(*quantities: Quantity) -> Callable[[Any, Field], str]:
    """Read a unit by any of its spellings, as its own name."""
    return lambda written, row: unit(str(written), *quantities).name


_MOST_SPEEDS = 500


def _read_speeds(written: Any, row: Field) -> tuple[float, ...]:
    """Read engine speeds [rpm], rising: one, a list, or ``{ from = 2000, to = 7000, step = 250 }``."""

    def speed(value: Any) -> float:
        """Read one speed."""
        found = parse_quantity(_plain(value), "speed", default_unit="rpm")
        if found <= 0:
            raise ValueError(f"{value!r} must be above zero; correct it")
        return found

    if isinstance(written, Mapping):
        if set(written) != {"from", "to", "step"}:
            raise ValueError(f"a range of speeds needs from, to and step; write {row.example}")
        low, high, step = (speed(written[name]) for name in ("from", "to", "step"))
        if high < low or (high - low) / step > _MOST_SPEEDS:
            raise ValueError(f"the range of speeds is empty or has too many speeds; use at most {_MOST_SPEEDS}")
        return tuple(low + index * step for index in range(int((high - low) / step + 1e-9) + 1))
    values = list(written) if isinstance(written, (list, tuple)) else [written]
    if not values or len(values) > _MOST_SPEEDS:
        raise ValueError(f"there are {len(values)} speeds; give from 1 to {_MOST_SPEEDS}")
    return tuple(sorted({speed(item) for item in values}))


def _read_friction(written: Any, row: Field) -> tuple[float, ...]:
    """Read the three coefficients of the friction mean pressure [bar …] into Pa."""
    values = [number(_plain(item)) for item in written] if isinstance(written, (list, tuple)) else []
    found = tuple(1e5 * value for value in values if value is not None)
    if len(values) != 3 or len(found) != 3:
        raise ValueError(f"{written!r} is not three numbers; write it like {row.example}, in bar")
    return found


def _read_timing(written: Any, row: Field) -> tuple[float, str, str | None]:
    """Read a valve event such as ``"12 BTDC"``: degrees of crank after a dead centre, which, and how a sign was taken."""
    match = re.fullmatch(
        r"\s*([-+\u2212]?)\s*([\d.,]+)\s*(?:°|deg\w*)?\s*(BTDC|ATDC|BBDC|ABDC)\s*", str(written), re.IGNORECASE
    )
    value = number(match[2]) if match else None
    if match is None or value is None:
        raise ValueError(f'{written!r} is not a valve event; write it like "{row.example}", in crank degrees')
    mark = match[3].upper()
    after = -value if mark[0] == "B" else value
    note = None
    if match[1] not in ("", "+") and value:
        after = -after
        other = ("A" if mark[0] == "B" else "B") + mark[1:]
        note = f'"{str(written).strip()}" is taken as {value:g} {other}'
    return after, mark[1:], note


def _read_share(written: Any, row: Field) -> float:
    """Read a standard uncertainty as a share, written in percent or as a fraction."""
    text = str(written).strip()
    value = number(text.rstrip("% "), decimal_comma=False)
    if value is None:
        raise ValueError(f"{written!r} is not a number; {_like(row)}")
    value = value / 100 if text.endswith("%") else value
    if not 0 <= value < 0.5:
        raise ValueError(f"{written!r} is not between 0 and 50 %; {_like(row)}")
    return value


def _read_spelled(written: Any, row: Field) -> float:
    """Read a number that may be followed by one of the spellings of its only unit."""
    text = _plain(written).strip()
    spellings = row.unit.split("|")
    for spelling in spellings:
        text = text.removesuffix(spelling).strip()
    value = number(text, decimal_comma=False)
    if value is None:
        raise ValueError(f"{written!r} is not a number with {spellings[0]}; {_like(row)}")
    return value


def _read_flag(written: Any, row: Field) -> bool:
    """Read true or false."""
    if not isinstance(written, bool):
        raise ValueError(f"{written!r} is neither; write {row.meaning.partition(': ')[2].rstrip('.')}")
    return written


def _read_any_unit(written: Any, row: Field) -> str:
    """Read a unit by its own name; one that is not known as it is written."""
    found = find_unit(str(written))
    return found.name if found else str(written)


_READERS: dict[str, Callable[[Any, Field], Any]] = {
    "as written": lambda written, row: written,
    "share": _read_share,
    "spelled": _read_spelled,
    "flag": _read_flag,
    "any unit": _read_any_unit,
    "scale mark": lambda written, row: _read_number(str(written).replace("%", ""), row),
    "text": _read_text,
    "number": _read_number,
    "friction": _read_friction,
    "count": _read_count,
    "choice": _read_choice,
    "choices": _read_choices,
    "percent": _read_percent,
    "records": lambda written, row: bool(_read_choice(written, row)),
    "lifts": _read_lifts,
    "air": _read_air,
    "speeds": _read_speeds,
    "timing": _read_timing,
    "lift unit": _read_unit("length", "lift ratio"),
    "flow unit": _read_unit("flow", "mass flow", "standard flow"),
    "pressure unit": _read_unit("pressure"),
}


@cache
def model(name: str) -> type[BaseModel]:
    """The pydantic model of a section: every key optional, unknown keys refused, values in SI."""
    from typing import Annotated

    from pydantic import BaseModel, BeforeValidator, ConfigDict, create_model
    from pydantic import Field as Key

    class Table(BaseModel):
        """A table of a job file, checked."""

        model_config = ConfigDict(extra="forbid", frozen=True)

    keys: Any = {
        _python_name(row): (
            Annotated[Any, BeforeValidator(row.read)],
            Key(None, alias=row.key, description=row.meaning),
        )
        for row in section(name).values()
    }
    made: type[BaseModel] = create_model(f"{name.capitalize()}Table", __base__=Table, **keys)
    return made


def filled(name: str, table: BaseModel) -> dict[str, Any]:
    """What a checked table gives: attribute to value in SI, of the keys that are given."""
    found = ((row.attribute, getattr(table, _python_name(row))) for row in section(name).values())
    return {attribute: value for attribute, value in found if value is not None}


def _python_name(row: Field) -> str:
    """A key as an attribute of a model."""
    return row.key + "_" if row.key == "from" else row.key


def read_keys(name: str, written: Mapping[str, Any], place: str, *, file: str | None = None) -> dict[str, Any]:
    """Read a table of a job file: key to value in SI, of the keys that are given; None is passed over."""
    rows = section(name)
    refuse_unknown(written, rows, place, file=file)
    values = {}
    for key, value in written.items():
        if value is None:
            continue
        try:
            values[key] = rows[key].read(value)
        except ValueError as error:
            problem, _, remedy = str(error).partition("; ")
            raise JobError(f"{place}, {key}: {problem}", remedy, file=file) from error
    return values


def read_table(name: str, written: Mapping[str, Any], place: str, *, file: str | None = None) -> dict[str, Any]:
    """Read a table of a job file as `read_keys` does: attribute to value."""
    rows = section(name)
    return {rows[key].attribute: value for key, value in read_keys(name, written, place, file=file).items()}


_USUAL: dict[str, tuple[float, float, str]] = {
    "length": (0.0, 1.0, "m"),
    "pressure": (100.0, 200_000.0, "Pa"),
    "flow": (0.0, 5.0, "m³/s"),
    "temperature": (200.0, 400.0, "K"),
    "percent": (0.0, 0.2, "%"),
}
"""What a number in SI can be meant as, by kind: 80.5 for a bore is millimetres, and 28 for a pressure is not pascals."""


def in_si(row: Field, value: Any, place: str) -> float:
    """Take a number that is in SI, and refuse what can only be meant in another unit."""
    place = f"{place}, {row.key}"
    if isinstance(value, bool) or not math.isfinite(value):
        raise JobError(f"{place}: {value!r} is not a number", f'write it like "{row.example}"')
    try:
        row.check(float(value), value)
    except ValueError as error:
        problem, _, remedy = str(error).partition("; ")
        raise JobError(f"{place}: {problem}", remedy) from error
    low, high, unit_words = _USUAL.get(row.kind, (-math.inf, math.inf, ""))
    if value and not low <= value <= high:
        raise JobError(
            f"{place}: numbers are in SI, and {value * (100 if unit_words == '%' else 1):g} {unit_words} cannot be meant",
            f'write it with its unit, as "{row.example}"',
        )
    return float(value)


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name closest to a mistyped one, or None."""
    found = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    return found[0] if found else None


def unknown_key(name: str, known: Sequence[str], place: str, *, file: str | None = None) -> JobError:
    """The error of a key that is not known, with the nearest known one."""
    close = nearest(name, known)
    remedy = f"did you mean {close!r}?" if close else "known are " + ", ".join(known)
    return JobError(f"{place} has an unknown key {name!r}", remedy, file=file)


def refuse_unknown(given: Iterable[str], known: Iterable[str], place: str, *, file: str | None = None) -> None:
    """Refuse names that are not known."""
    names = list(known)
    for name in given:
        if name not in names:
            raise unknown_key(name, names, place, file=file)


def text_of(value: Any) -> str | None:
    """Return a name as text; numbers as they are written."""
    return None if value is None else str(value)


def side_of(value: Any, place: str) -> Side | None:
    """Return a side by its name."""
    if value is None or value in ("intake", "exhaust"):
        return cast("Side | None", value)
    raise JobError(f"{place}, side: {value!r} is not a side", "write intake or exhaust")


def run_of(value: Any, place: str) -> int | None:
    """Return a run's number, from 1."""
    if value is None:
        return None
    if isinstance(value, bool) or not str(value).isdecimal() or int(value) < 1:
        raise JobError(f"{place}, run: {value!r} is not a run number", "runs count from 1")
    return int(value)


def conditions_from(stated: Mapping[str, Any], place: str = "conditions", *, file: str | None = None) -> Conditions:
    """Turn stated conditions, as written, into SI; None values are passed over."""
    return Conditions(**read_table("conditions", stated, place, file=file))
