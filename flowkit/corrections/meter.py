"""What a job file's ``[meter]`` says of the meters behind readings: every key checked, everything in SI.

A meter is described once; nothing of it is guessed: an unknown key and a missing one are refused by name.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

from flowkit.errors import JobError, UnitError
from flowkit.fields import conditions_from, read_keys, read_table, refuse_unknown, section
from flowkit.model import SIDES, AirState, Conditions, Side
from flowkit.units import Quantity, find_unit, number, parse_quantity

if TYPE_CHECKING:
    from flowkit.importers.sheets.blank import MeterSheet

__all__ = ["KINDS", "Certificate", "Manometer", "Meter", "inlined", "meters_from", "plain_name", "sheet_for"]

Kind = Literal["percent", "table", "orifice", "nozzle", "plate", "laminar", "critical nozzle", "pitot"]
Place = Literal["chamber", "room", "outlet"]

KINDS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "percent": (("scale", "full_scale"), ("at", "element", "place", "scale_end")),
    "table": (("points|file",), ()),
    "orifice": (("bore", "pipe", "taps"), ("place", "u_bore", "u_pipe")),
    "nozzle": (("bore", "pipe", "shape"), ("place", "u_bore", "u_pipe")),
    "plate": (("hole|area", "coefficient"), ("count", "place")),
    "laminar": (("flow", "differential", "calibrated_at"), ("place",)),
    "critical nozzle": (("throat", "coefficient|shape", "gauge"), ("count",)),
    "pitot": (("pipe|area", "rule", "factor"), ("count", "profile", "place")),
}
"""Kind -> the keys it must have (``a|b``: one of them) and those it may have besides `COMMON`."""

COMMON = ("kind", "reading_unit", "zero", "manometer", "certificate",
          "u_calibration", "u_differential", "u_zero", "u_air", "u_common")  # fmt: skip
_ROWS = section("meter")
_SHARES = tuple(key for key, row in _ROWS.items() if row.kind == "share")
_APART = {"kind", "reading_unit", "file", *_SHARES, *(key for key, row in _ROWS.items() if row.kind == "as written")}
"""Keys that are not among a meter's values as they are read."""
MASS_FLOW_KINDS = ("orifice", "nozzle", "plate", "laminar", "critical nozzle", "pitot")
"""Kinds whose reading gives a mass flow; a table does where its units are of mass."""
FOUND_FROM_CERTIFICATES = {"plate": "coefficient", "percent": "full_scale"}
"""What ``flowkit meter`` finds, so that it may be missing where certificates are given."""

SHAPES = {
    "nozzle": ("ISA 1932", "long radius", "venturi nozzle"),
    "critical nozzle": ("toroidal", "toroidal, accurately machined", "cylindrical"),
}
PLACES = ("chamber", "room", "outlet")
_OF_THE_DAY = ("test_pressure", "range", "direction", "air_temperature", "barometer", "humidity", "meter_temperature",
               "meter_pressure")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Manometer:
    """A liquid column: lengths read along its tube become pressures.

    Attributes
    ----------
    water : bool
        Water, whose density follows from its temperature; otherwise `density_kg_m3`.
    liquid_temperature_k : float or None
        [K], where the job states it.
    density_kg_m3, density_at_k, expansion_1_k : float or None
        Density of another liquid [kg/m³], at which temperature [K], and its thermal expansion [1/K].
    angle_deg : float
        Of the tube from the horizontal.
    area_ratio : float
        Cross-section of the tube over that of the well.
    gravity_m_s2 : float
        [m/s²]
    """

    water: bool
    liquid_temperature_k: float | None = None
    density_kg_m3: float | None = None
    density_at_k: float | None = None
    expansion_1_k: float | None = None
    angle_deg: float = 90.0
    area_ratio: float = 0.0
    gravity_m_s2: float = 9.80665


@dataclass(frozen=True, slots=True)
class Certificate:
    """A plate of known flow and what the meter showed behind it.

    Attributes
    ----------
    flow_m3_s, at_pa, u : float
        What its certificate says [m³/s] at which pressure [Pa], with its standard uncertainty as a share.
    air : AirState
        The air the certificate holds for.
    reading : float
        In `unit`.
    unit : str
    day : Conditions
        Test pressure, air, range and direction of the day.
    """

    flow_m3_s: float
    at_pa: float
    u: float
    air: AirState
    reading: float
    unit: str
    day: Conditions


@dataclass(frozen=True, slots=True)
class Meter:
    """One meter as the job describes it, in SI; what does not apply to its kind is None.

    Attributes
    ----------
    name : str
    kind : str
        One of `KINDS`.
    values : mapping
        The keys of its kind: lengths in m, areas in m², pressures in Pa, temperatures in K, flows in m³/s, the
        rest as numbers or words.
    full_scale : mapping
        Range to full scale [m³/s]; the range is ``""`` where there is one alone.
    points : tuple of tuple of float
        Of a table: reading and flow [m³/s, or kg/s where `mass`].
    points_unit : str or None
        Unit of the table's readings.
    mass : bool
        Whether a table gives a mass flow.
    place : mapping
        Side to where the meter is; empty where not stated.
    zero : tuple of float and str, or None
        Subtracted from every reading, with its unit.
    u_zero : tuple of float and str, or None
        Its standard uncertainty.
    """

    name: str
    kind: Kind
    values: Mapping[str, Any] = field(default_factory=dict)
    full_scale: Mapping[str, float] = field(default_factory=dict)
    points: tuple[tuple[float, float], ...] = ()
    points_unit: str | None = None
    mass: bool = False
    place: Mapping[Side, Place] = field(default_factory=dict)
    reading_unit: str | None = None
    zero: tuple[float, str] | None = None
    u_zero: tuple[float, str] | None = None
    manometer: Manometer | None = None
    certificates: tuple[Certificate, ...] = ()

    @property
    def gives_mass(self) -> bool:
        """Whether its reading gives a mass flow rather than a volume."""
        return self.mass or self.kind in MASS_FLOW_KINDS


def plain_name(name: str) -> str:
    """Return a meter's or range's name without case and spaces, which do not tell names apart."""
    return "".join(str(name).casefold().split())


def meters_from(raw: Mapping[str, Any], folder: Path | None = None, *, file: str | None = None) -> dict[str, Meter]:
    """Turn ``[meter]`` as written into meters.

    Parameters
    ----------
    raw : mapping
        ``[meter]`` with `kind`, or ``[meter.NAME]`` tables.
    folder : Path, optional
        Where the files of tables are looked for.
    file : str, optional
        The job file, for messages.

    Returns
    -------
    dict
        Plain name to Meter; a lone meter is called "meter".

    Raises
    ------
    JobError
        If a key is not known, missing or cannot be understood.

    Examples
    --------
    >>> meters = meters_from({"kind": "plate", "hole": "32 mm", "coefficient": 0.602, "place": "chamber"})
    >>> meters["meter"].values["hole"]
    0.032
    """
    if not raw:
        return {}
    if isinstance(raw.get("kind"), str):
        return {"meter": _Parser("[meter]", "meter", raw, folder, file).meter()}
    found: dict[str, Meter] = {}
    for name, table in raw.items():
        where = f"[meter.{name}]"
        if not isinstance(table, Mapping):
            raise JobError(
                f"[meter] has no kind, and {name!r} is not a meter",
                'write kind = "percent", or [meter.NAME] tables',
                file=file,
            )
        if plain_name(name) in found or "+" in name:
            raise JobError(
                f"{where} cannot be distinguished from another meter",
                "give each meter a name of its own, without +",
                file=file,
            )
        found[plain_name(name)] = _Parser(where, name, table, folder, file).meter()
    return found


def inlined(raw: Mapping[str, Any], folder: Path | None = None) -> dict[str, Any]:
    """Return ``[meter]`` as written, with what its tables' files hold in place of their names.

    Parameters
    ----------
    raw : mapping
        ``[meter]`` with `kind`, or ``[meter.NAME]`` tables.
    folder : Path, optional
        Where the files of tables are looked for.

    Returns
    -------
    dict

    Raises
    ------
    JobError
        If a table's file cannot be read.

    Examples
    --------
    >>> inlined({"kind": "plate", "hole": "32 mm"})
    {'kind': 'plate', 'hole': '32 mm'}
    """
    if isinstance(raw.get("kind"), str):
        if "file" not in raw:
            return dict(raw)
        rows = _Parser("[meter]", "meter", raw, folder, None).table_file()
        return {key: value for key, value in raw.items() if key != "file"} | {"points": [list(row) for row in rows]}
    return {name: inlined(table, folder) if isinstance(table, Mapping) else table for name, table in raw.items()}


@dataclass(frozen=True, slots=True)
class _Parser:
    """One meter's table, with its place for messages."""

    where: str
    name: str
    raw: Mapping[str, Any]
    folder: Path | None
    file: str | None

    def error(self, problem: str, remedy: str) -> JobError:
        return JobError(f"{self.where} {problem}", remedy, file=self.file)

    def meter(self) -> Meter:
        """Check the table's keys by its kind and make the meter of them."""
        raw = self.raw
        kind = raw.get("kind")
        if kind not in KINDS:
            raise self.error(f"has no known kind ({kind!r})", "kinds are " + ", ".join(KINDS))
        required, optional = KINDS[kind]
        known = [*COMMON, *(key for item in required for key in item.split("|")), *optional]
        refuse_unknown(raw, known, self.where, file=self.file)
        given_by_plates = FOUND_FROM_CERTIFICATES.get(kind) if raw.get("certificate") else None
        for item in required:
            have = [key for key in item.split("|") if key in raw]
            if len(have) != 1 and item != given_by_plates:
                words = " or ".join(item.split("|"))
                problem = f"states {' and '.join(have)}" if have else f"lacks {words}"
                raise self.error(problem, f"a {kind} meter needs {words}, and nothing of it is assumed")
        if kind == "pitot":
            self.pitot()
        read = read_keys("meter", raw, self.where, file=self.file)
        if kind in SHAPES and "shape" in read and read["shape"] not in SHAPES[kind]:
            words = ", ".join(f'"{word}"' for word in SHAPES[kind])
            raise self.error(f"has shape = {raw['shape']!r}", f"write one of {words}")
        own = [key for key in known if key in read and key not in _APART]
        values = {key: read[key] for key in (*own, *(key for key in _SHARES if key in read))}
        if {"bore", "pipe"} <= values.keys() and not values["bore"] < values["pipe"]:
            raise self.error("has a bore that is not smaller than its pipe", "check bore and pipe and their units")
        points, unit, mass = self.points() if kind == "table" else ((), None, False)
        return Meter(
            self.name, cast("Kind", kind), values, self.full_scale(), points, unit, mass, self.place(),
            read.get("reading_unit"), self.pair("zero"), self.pair("u_zero"), self.manometer(), self.certificates(),
        )  # fmt: skip

    def pitot(self) -> None:
        """Of a pitot tube: positions counted, or the profile of a single one."""
        single = self.raw["rule"] == "single"
        key = "profile" if single else "count"
        if key not in self.raw:
            raise self.error(f"lacks {key}", f'with the rule "{self.raw["rule"]}" it is needed')

    def flow(self, key: str, written: Any, example: str, quantity: Quantity = "flow") -> float:
        """Read a flow with its unit."""
        try:
            return parse_quantity(written, quantity)
        except UnitError as error:
            raise self.error(f"has {key} = {written!r}: {error.problem}", f'write it like "{example}"') from error

    def full_scale(self) -> dict[str, float]:
        """Read the full scale, one for each range; the only range is named by an empty text."""
        written = self.raw.get("full_scale")
        if written is None:
            return {}
        ranges = written if isinstance(written, Mapping) else {"": written}
        return {plain_name(name): self.flow("full_scale", value, "180 CFM") for name, value in ranges.items()}

    def place(self) -> dict[Side, Place]:
        """Read where the meter is, one word for both sides or one for each."""
        written = self.raw.get("place")
        if written is None:
            return {}
        sides = dict.fromkeys(SIDES, written) if isinstance(written, str) else dict(written)
        for side, place in sides.items():
            if side not in SIDES or place not in PLACES:
                raise self.error(
                    f"has place = {written!r}", "write chamber, room or outlet, or { intake = …, exhaust = … }"
                )
        return cast("dict[Side, Place]", sides)

    def unit_name(self) -> str | None:
        """The unit of readings whose sheet names none."""
        written = self.raw.get("reading_unit")
        return None if written is None else str(_ROWS["reading_unit"].read(written))

    def pair(self, key: str) -> tuple[float, str] | None:
        """A figure with a reading's unit, whatever unit that is."""
        written = self.raw.get(key)
        if written is None:
            return None
        value, unit = split_reading(str(written))
        if value is None:
            raise self.error(f"has {key} = {written!r}, which is not a reading", 'write it like "1.5 mm"')
        return value, unit or self.unit_name() or ""

    def points(self) -> tuple[tuple[tuple[float, float], ...], str, bool]:
        """Read a table meter's points: reading and flow, the reading's unit, and whether the flow is a mass."""
        rows = self.raw["points"] if "points" in self.raw else self.table_file()
        found: list[tuple[float, float]] = []
        units: set[str] = set()
        masses: set[bool] = set()
        for row in rows:
            reading, unit = split_reading(str(row[0])) if len(row) == 2 else (None, "")
            if reading is None:
                raise self.error(f"has a point {list(row)!r}", 'write each as ["42 mm", "71 CFM"]')
            mass = find_unit(str(row[1]).lstrip("+-0123456789., "), ["mass flow"]) is not None
            flow = self.flow("points", row[1], "71 CFM", "mass flow" if mass else "flow")
            units.add(unit or "")
            masses.add(mass)
            found.append((reading, flow))
        rising = all(a[0] < b[0] and a[1] < b[1] for a, b in itertools.pairwise(found))
        if len(found) < 2 or not rising or len(units) != 1 or len(masses) != 1 or units == {""}:
            raise self.error(
                "has points that are not strictly rising in one unit",
                'write at least two, such as [["0 mm", "0 CFM"], ["42 mm", "71 CFM"]]',
            )
        return tuple(found), units.pop(), masses.pop()

    def table_file(self) -> list[tuple[str, str]]:
        """Two columns with units in their headings or cells."""
        import csv

        path = (self.folder or Path()) / str(self.raw["file"])
        try:
            text = path.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            raise self.error(
                f"names the file {str(self.raw['file'])!r}, which cannot be read",
                "give a text file of two columns beside the job file",
            ) from error
        delimiter = ";" if ";" in text else "\t" if "\t" in text else ","
        rows = [
            [cell.strip() for cell in row] for row in csv.reader(text.splitlines(), delimiter=delimiter) if any(row)
        ]
        units = ["", ""]
        found: list[tuple[str, str]] = []
        for row in rows:
            if len(row) != 2:
                raise self.error(
                    f"names the file {path.name!r} with a row of {len(row)} columns",
                    "give two columns: reading and flow",
                )
            if number(row[0].split()[0] if row[0] else "") is None:
                units = [
                    cell[cell.find("(") + 1 : cell.rfind(")")] if "(" in cell else cell.split()[-1] for cell in row
                ]
                continue
            cells = [
                cell if split_reading(cell)[1] else f"{cell} {unit}".strip()
                for cell, unit in zip(row, units, strict=True)
            ]
            found.append((cells[0], cells[1]))
        return found

    def manometer(self) -> Manometer | None:
        """Read the manometer; None where the table has none."""
        raw = self.raw.get("manometer")
        if raw is None:
            return None
        if not isinstance(raw, Mapping):
            raise self.error(f"has manometer = {raw!r}", 'write { liquid = "water", liquid_temperature = "20 °C" }')
        inner = replace(self, where=f"{self.where} manometer", raw=raw)
        refuse_unknown(raw, section("manometer"), inner.where, file=self.file)
        if ("liquid" in raw) == ("density" in raw):
            raise inner.error("must state liquid or density", 'write liquid = "water", or density = "826 kg/m3"')
        if raw.get("liquid", "water") != "water":
            raise inner.error(f"has liquid = {raw['liquid']!r}", 'only "water" is known; state its density instead')
        if ("density_at" in raw) != ("expansion" in raw):
            raise inner.error("states one of density_at and expansion", "state both or neither")
        read = read_table("manometer", raw, inner.where, file=self.file)
        return Manometer(read.pop("liquid", None) is not None, **read)

    def certificates(self) -> tuple[Certificate, ...]:
        """Read the certificates of plates of known flow."""
        tables = self.raw.get("certificate", ())
        if isinstance(tables, Mapping):
            tables = [tables]
        return tuple(self.certificate(table, index) for index, table in enumerate(tables, 1))

    def certificate(self, table: Mapping[str, Any], index: int) -> Certificate:
        """Read one certificate."""
        inner = replace(self, where=f"{self.where} certificate {index}", raw=table)
        refuse_unknown(table, (*section("certificate"), *_OF_THE_DAY), inner.where, file=self.file)
        need = ("flow", "at", "u", "reading", "test_pressure")
        for key in need:
            if key not in table:
                raise inner.error(f"lacks {key}", "a certificate needs " + ", ".join(need))
        reading, unit = split_reading(str(table["reading"]))
        if reading is None or not (unit or self.unit_name()):
            raise inner.error(f"has reading = {table['reading']!r}", 'write it like "83.5 mm"')
        room = [table.get(key) for key in ("air_temperature", "barometer", "humidity")]
        if None in room and any(item is not None for item in room):
            raise inner.error("states the day's air in part", "state air_temperature, barometer and humidity")
        of_the_day = {key: value for key, value in table.items() if key in _OF_THE_DAY}
        day = conditions_from(of_the_day, inner.where, file=self.file)
        of_the_plate = {key: value for key, value in table.items() if key not in (*_OF_THE_DAY, "reading")}
        plate = {"air": AirState(), **read_table("certificate", of_the_plate, inner.where, file=self.file)}
        return Certificate(**plate, reading=reading, unit=unit or self.unit_name() or "", day=day)


def sheet_for(meters: Sequence[Meter], unit: str | None = None, pressure_unit: str = "inH2O") -> MeterSheet:
    """Return what a sheet of readings of these meters asks for.

    Parameters
    ----------
    meters : sequence of Meter
        One, or several that are read in one unit; of a meter by its kind alone everything is open.
    unit : str, optional
        Of the readings; else the meter's own, else one that its kind is usually read in.
    pressure_unit : str
        Of a differential without a manometer.

    Raises
    ------
    JobError
        If the meters are read in different units, or a unit is not one of their kind.

    Examples
    --------
    >>> sheet = sheet_for([Meter("m", "critical nozzle")])
    >>> sheet.unit, sheet.outlet
    ('kPa', 'kPa')
    """
    from flowkit.importers.sheets.blank import MeterSheet

    units = {unit or meter.reading_unit or _usual_unit(meter, pressure_unit) for meter in meters}
    counts = {_positions(meter) for meter in meters}
    if len(units) > 1 or (len(meters) > 1 and counts != {1}):
        names = ", ".join(meter.name for meter in meters)
        raise JobError(f"the meters {names} cannot share a sheet", "make one for each: name it with --meter")
    spelled = units.pop()
    found = find_unit(spelled)
    quantity = found.quantity if found else None
    for meter in meters:
        _refuse_unit(meter, spelled, quantity)
    masses = [meter for meter in meters if meter.kind in MASS_FLOW_KINDS]
    ranges = dict.fromkeys(name for meter in meters for name in meter.full_scale if name)
    outlet = any(meter.kind == "critical nozzle" for meter in meters)
    return MeterSheet(
        spelled,
        counts.pop(),
        zero=any(meter.values.get("gauge", True) for meter in meters),
        liquid=quantity == "length" and any(_liquid_is_open(meter) for meter in masses),
        temperature=bool(masses),
        pressure=any(meter.kind != "critical nozzle" and not meter.place for meter in masses),
        outlet="kPa" if outlet and quantity != "pressure" else spelled if outlet else "",
        ranges=tuple(ranges) if len(ranges) > 1 else (),
        meters=tuple(meter.name for meter in meters) if len(meters) > 1 else (),
        named_range=any(meter.kind == "percent" and not meter.full_scale for meter in meters),
    )


def _usual_unit(meter: Meter, pressure_unit: str) -> str:
    """A unit that the readings of a meter of this kind can be written in."""
    if meter.kind == "table":
        return meter.points_unit or "%"
    known = {"percent": "%", "critical nozzle": "kPa"}
    return known.get(meter.kind, "mm" if meter.manometer else pressure_unit)


def _positions(meter: Meter) -> int:
    """How many readings a row has."""
    if meter.kind != "pitot":
        return 1
    if not meter.values:
        raise JobError("how many positions the pitot tube is read in is not known", "give the job that describes it")
    return 1 if meter.values["rule"] == "single" else int(meter.values["count"])


def _refuse_unit(meter: Meter, spelled: str, quantity: Quantity | None) -> None:
    """Refuse a unit that a meter's readings cannot have."""
    fits = {"percent": spelled == "%", "table": not meter.points_unit or spelled == meter.points_unit}
    if not fits.get(meter.kind, quantity in ("pressure", "length")):
        raise JobError(f"a {meter.kind} meter is not read in {spelled!r}", "give the unit that it shows")
    if quantity == "length" and meter.values and meter.kind in MASS_FLOW_KINDS and meter.manometer is None:
        raise JobError(
            f"a length of liquid ({spelled}) needs the manometer of the meter {meter.name!r}",
            'state manometer = { liquid = "water" }, or give a unit of pressure',
        )


def _liquid_is_open(meter: Meter) -> bool:
    """Whether the sheet has to state the temperature of the manometer's liquid."""
    gauge = meter.manometer
    if gauge is None:
        return True
    return gauge.liquid_temperature_k is None and (gauge.water or gauge.expansion_1_k is not None)


@dataclass(frozen=True, slots=True)
class Closed:
    """What a meter showed with the valve closed, or with the check plate on, and what is said of it."""

    value: tuple[float, ...]
    unit: str
    of: str | None = None
    on: tuple[str, ...] = ()
    temperature_k: float | None = None
    pressure_pa: float | None = None
    outlet_pa: float | None = None


def split_leak(text: str) -> Closed | None:
    """Take ``3.1 % @low`` or ``3 mm on small at 294.15 K`` apart; None where it is not a reading.

    ``@`` names the rows it is for, ``on`` the meter or range it was read on, ``at`` the air before the meter and
    ``into`` the pressure behind it.
    """
    import re

    text, _, of = text.partition("@")
    shown, *said = re.split(r"\s(on|at|into)\s", text)
    values, unit = [], ""
    for part in shown.split(", "):
        value, unit = split_reading(part)
        if value is None:
            return None
        values.append(value)
    more: dict[str, Any] = {"on": ()}
    for word, value_text in zip(said[::2], said[1::2], strict=True):
        if word == "on":
            more["on"] = (*more["on"], value_text.strip())
        elif word == "at" and find_unit(value_text.split()[-1], ["temperature"]):
            more["temperature_k"] = parse_quantity(value_text, "temperature")
        else:
            more["pressure_pa" if word == "at" else "outlet_pa"] = parse_quantity(value_text, "pressure")
    return Closed(tuple(values), unit, of.strip() or None, **more)


def split_reading(text: str) -> tuple[float | None, str]:
    """Split a reading as written into its figure and its unit, whatever unit that is."""
    import re

    match = re.match(r"\s*([-+−–]?[\d.,]*\d)\s*(.*?)\s*$", text)
    value = number(match[1]) if match else None
    if match is None or value is None or not math.isfinite(value):
        return None, text.strip()
    found = find_unit(match[2])
    return value, found.name if found else match[2]
