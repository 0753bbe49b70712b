"""What a job file's ``[meter]`` says of the meters behind readings: every key checked, everything in SI.

A meter is described once; nothing of it is guessed: an unknown key and a missing one are refused by name.
"""

from __future__ import annotations

import csv
import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

from flowkit.errors import JobError, UnitError, with_article
from flowkit.fields import conditions_from, read_keys, read_table, refuse_unknown, section
from flowkit.model import SIDES, AirState, Conditions, Reading, Side
from flowkit.units import find_unit, number, parse_quantity

if TYPE_CHECKING:
    from flowkit.importers.sheets.blank import MeterSheet

__all__ = ["KINDS", "Certificate", "Manometer", "Meter", "inlined", "meters_from", "plain_name", "sheet_for"]

Place = Literal["chamber", "room", "outlet"]
PLACES = ("chamber", "room", "outlet")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of meter: the keys it must have (``a|b``: one of them), those it may have besides `COMMON`, and more."""

    required: tuple[str, ...]
    optional: tuple[str, ...]
    formula: str  # as the ledger names it
    mass: bool = True  # its reading gives a mass flow; a table's does where its units are of mass
    unit: str = ""  # it is read in; else one of pressure, or of length with a manometer
    by_density: float = 0.5  # d ln Q/d ln ρ of the air before it
    found: str = ""  # what plates of known flow find, so that it may be missing where there are certificates
    shapes: tuple[str, ...] = ()


KINDS: dict[str, Kind] = {
    "percent": Kind(
        ("scale", "full_scale"),
        ("at", "element", "place", "scale_end"),
        "Q = full scale·s, s = r/100 or sqrt(r/100), times sqrt(p1/p1_at) or p1/p1_at where stated",
        mass=False,
        unit="%",
        found="full_scale",
    ),
    "table": Kind(("points|file",), (), "Q = PCHIP through the calibration's points at the reading", mass=False),
    "orifice": Kind(
        ("bore", "pipe", "taps"),
        ("place", "u_bore", "u_pipe"),
        "m = C/sqrt(1−β⁴)·ε·A·sqrt(2Δp·ρ1), C by Reader-Harris/Gallagher (ISO 5167-2:2003); Q = m/ρ0",
    ),
    "nozzle": Kind(
        ("bore", "pipe", "shape"),
        ("place", "u_bore", "u_pipe"),
        "m = C/sqrt(1−β⁴)·ε·A·sqrt(2Δp·ρ1) (ISO 5167-3:2003); Q = m/ρ0",
        shapes=("ISA 1932", "long radius", "venturi nozzle"),
    ),
    "plate": Kind(
        ("hole|area", "coefficient"),
        ("count", "place"),
        "m = C·ε·A·count·sqrt(2Δp·ρ1), ε of an orifice at β = 0; Q = m/ρ0",
        found="coefficient",
    ),
    "laminar": Kind(
        ("flow", "differential", "calibrated_at"),
        ("place",),
        "m = ρ1·flow·(Δp/differential)·μ(calibrated_at)/μ(T1) (Hagen-Poiseuille); Q = m/ρ0",
        by_density=1.0,
    ),
    "critical nozzle": Kind(
        ("throat", "coefficient|shape", "gauge"),
        ("count",),
        "m = C_d·A·count·C*·p1·sqrt(M/(R·T1)) (ISO 9300); Q = m/ρ0",
        unit="kPa",
        by_density=1.0,
        shapes=("toroidal", "toroidal, accurately machined", "cylindrical"),
    ),
    "pitot": Kind(
        ("pipe|area", "rule", "factor"),
        ("count", "profile", "place"),
        "m = ρ1·A·mean(factor·(1−ε)·sqrt(2Δp/ρ1)) (ISO 3966); Q = m/ρ0",
    ),
}
SHAPES = {name: kind.shapes for name, kind in KINDS.items() if kind.shapes}
COMMON = ("kind", "reading_unit", "zero", "manometer", "certificate",
          "u_calibration", "u_differential", "u_zero", "u_air", "u_common")  # fmt: skip
_ROWS = section("meter")
_SHARES = tuple(key for key, row in _ROWS.items() if row.kind == "share")
_APART = {"kind", "reading_unit", "file", *_SHARES, *(key for key, row in _ROWS.items() if row.kind == "as written")}
"""Keys that are not among a meter's values as they are read."""
_OF_THE_DAY = ("test_pressure", "range", "direction", "air_temperature", "barometer", "humidity", "meter_temperature",
               "meter_pressure")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Manometer:
    """A liquid column: lengths read along its tube become pressures."""

    water: bool  # whose density follows from its temperature; otherwise `density_kg_m3`
    liquid_temperature_k: float | None = None  # where the job states it
    density_kg_m3: float | None = None
    density_at_k: float | None = None
    expansion_1_k: float | None = None
    angle_deg: float = 90.0  # of the tube from the horizontal
    area_ratio: float = 0.0  # cross-section of the tube over that of the well
    gravity_m_s2: float = 9.80665

    @property
    def needs_temperature(self) -> bool:
        """Whether the liquid's density follows from its temperature."""
        return self.water or self.expansion_1_k is not None


@dataclass(frozen=True, slots=True)
class Certificate:
    """A plate of known flow, and what the meter showed behind it on a day."""

    flow_m3_s: float
    at_pa: float
    u: float  # standard uncertainty of the flow, as a share
    air: AirState  # that the certificate holds for
    reading: float
    unit: str
    day: Conditions  # test pressure, air, range and direction


@dataclass(frozen=True, slots=True)
class Meter:
    """One meter as the job describes it, in SI; what does not apply to its kind is empty."""

    name: str
    kind: str  # one of `KINDS`
    values: Mapping[str, Any] = field(default_factory=dict)  # the keys of its kind, in SI
    full_scale: Mapping[str, float] = field(default_factory=dict)  # range to flow [m³/s]; "" where there is one alone
    points: tuple[tuple[float, float], ...] = ()  # of a table: reading and flow [m³/s, or kg/s where `mass`]
    points_unit: str | None = None
    mass: bool = False
    place: Mapping[Side, Place] = field(default_factory=dict)  # empty where not stated
    reading_unit: str | None = None
    zero: tuple[float, str] | None = None  # subtracted from every reading, with its unit
    u_zero: tuple[float, str] | None = None  # its standard uncertainty
    manometer: Manometer | None = None
    certificates: tuple[Certificate, ...] = ()

    @property
    def gives_mass(self) -> bool:
        """Whether its reading gives a mass flow rather than a volume."""
        return self.mass or KINDS[self.kind].mass


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
    if isinstance(raw.get("kind"), str):
        return {"meter": _Table("[meter]", raw, folder, file).meter("meter")}
    found: dict[str, Meter] = {}
    for name, table in raw.items():
        where = f"[meter.{name}]"
        if not isinstance(table, Mapping):
            problem = f"[meter] has no kind, and {name!r} is not a meter"
            raise JobError(problem, 'write kind = "percent", or [meter.NAME] tables', file=file)
        if plain_name(name) in found or "+" in name:
            problem = f"{where} cannot be distinguished from another meter"
            raise JobError(problem, "give each meter a name of its own, without +", file=file)
        found[plain_name(name)] = _Table(where, table, folder, file).meter(name)
    return found


def inlined(raw: Mapping[str, Any], folder: Path | None = None) -> dict[str, Any]:
    """Return ``[meter]`` as written, with what its tables' files hold in place of their names.

    Parameters
    ----------
    raw : mapping
        ``[meter]`` with `kind`, or ``[meter.NAME]`` tables.
    folder : Path, optional
        Where the files of tables are looked for.

    Raises
    ------
    JobError
        If a table's file cannot be read.

    Examples
    --------
    >>> inlined({"kind": "plate", "hole": "32 mm"})
    {'kind': 'plate', 'hole': '32 mm'}
    """
    if not isinstance(raw.get("kind"), str):
        return {name: inlined(table, folder) if isinstance(table, Mapping) else table for name, table in raw.items()}
    if "file" not in raw:
        return dict(raw)
    rows = _Table("[meter]", raw, folder, None).points_of_file()
    return {key: value for key, value in raw.items() if key != "file"} | {"points": [list(row) for row in rows]}


@dataclass(frozen=True, slots=True)
class _Table:
    """One table of the job file that describes a meter, with its place for messages."""

    where: str
    raw: Mapping[str, Any]
    folder: Path | None
    file: str | None
    unit: str = ""  # of readings that name none

    def error(self, problem: str, remedy: str) -> JobError:
        return JobError(f"{self.where} {problem}", remedy, file=self.file)

    def meter(self, name: str) -> Meter:
        """Check the table's keys by its kind and make the meter of them."""
        raw = self.raw
        if str(raw.get("kind")) not in KINDS:
            raise self.error(f"has no known kind ({raw.get('kind')!r})", "kinds are " + ", ".join(KINDS))
        kind = KINDS[raw["kind"]]
        known = [*COMMON, *(key for item in kind.required for key in item.split("|")), *kind.optional]
        refuse_unknown(raw, known, self.where, file=self.file)
        for item in kind.required:
            have = [key for key in item.split("|") if key in raw]
            if len(have) != 1 and not (raw.get("certificate") and item == kind.found):
                words = " or ".join(item.split("|"))
                problem = f"states {' and '.join(have)}" if have else f"lacks {words}"
                raise self.error(
                    problem, f"{with_article(raw['kind'])} meter needs {words}, and nothing of it is assumed"
                )
        counted = "profile" if raw.get("rule") == "single" else "count"
        if raw["kind"] == "pitot" and counted not in raw:
            raise self.error(f"lacks {counted}", f'with the rule "{raw["rule"]}" it is needed')
        read = read_keys("meter", raw, self.where, file=self.file)
        if kind.shapes and read.get("shape", kind.shapes[0]) not in kind.shapes:
            words = ", ".join(f'"{word}"' for word in kind.shapes)
            raise self.error(f"has shape = {raw['shape']!r}", f"write one of {words}")
        own = [key for key in known if key in read and key not in _APART]
        values = {key: read[key] for key in (*own, *(key for key in _SHARES if key in read))}
        if {"bore", "pipe"} <= values.keys() and not values["bore"] < values["pipe"]:
            raise self.error("has a bore that is not smaller than its pipe", "check bore and pipe and their units")
        table = replace(self, unit=str(read.get("reading_unit") or ""))
        points, unit, mass = table.points() if raw["kind"] == "table" else ((), None, False)
        return Meter(
            name, raw["kind"], values, table.full_scale(), points, unit, mass, table.place(), table.unit or None,
            table.pair("zero"), table.pair("u_zero"), table.manometer(), table.certificates(),
        )  # fmt: skip

    def flow(self, key: str, written: Any, example: str) -> tuple[float, bool]:
        """Read a flow with its unit; whether it is a mass flow."""
        mass = find_unit(str(written).lstrip("+-0123456789., "), ["mass flow"]) is not None and key == "points"
        try:
            return parse_quantity(written, "mass flow" if mass else "flow"), mass
        except UnitError as error:
            raise self.error(f"has {key} = {written!r}: {error.problem}", f'write it like "{example}"') from error

    def full_scale(self) -> dict[str, float]:
        """Read the full scale, one for each range; the only range is named by an empty text."""
        written = self.raw.get("full_scale", {})
        ranges = written if isinstance(written, Mapping) else {"": written}
        return {plain_name(name): self.flow("full_scale", value, "180 CFM")[0] for name, value in ranges.items()}

    def place(self) -> dict[Side, Place]:
        """Read where the meter is, one word for both sides or one for each."""
        written = self.raw.get("place", {})
        sides = dict.fromkeys(SIDES, written) if isinstance(written, str) else dict(written)
        if not all(side in SIDES and place in PLACES for side, place in sides.items()):
            remedy = "write chamber, room or outlet, or { intake = …, exhaust = … }"
            raise self.error(f"has place = {written!r}", remedy)
        return cast("dict[Side, Place]", sides)

    def pair(self, key: str) -> tuple[float, str] | None:
        """A figure with a reading's unit, whatever unit that is."""
        written = self.raw.get(key)
        if written is None:
            return None
        value, unit = split_reading(str(written))
        if value is None:
            raise self.error(f"has {key} = {written!r}, which is not a reading", 'write it like "1.5 mm"')
        return value, unit or self.unit

    def points(self) -> tuple[tuple[tuple[float, float], ...], str, bool]:
        """Read a table meter's points: reading and flow, the reading's unit, and whether the flow is a mass."""
        found: list[tuple[float, float]] = []
        kinds: set[tuple[str, bool]] = set()
        for row in self.raw["points"] if "points" in self.raw else self.points_of_file():
            reading, unit = split_reading(str(row[0])) if len(row) == 2 else (None, "")
            if reading is None:
                raise self.error(f"has a point {list(row)!r}", 'write each as ["42 mm", "71 CFM"]')
            flow, mass = self.flow("points", row[1], "71 CFM")
            kinds.add((unit, mass))
            found.append((reading, flow))
        rising = all(a[0] < b[0] and a[1] < b[1] for a, b in itertools.pairwise(found))
        if len(found) < 2 or not rising or len(kinds) != 1 or not all(unit for unit, _ in kinds):
            raise self.error(
                "has points that are not strictly rising in one unit",
                'write at least two, such as [["0 mm", "0 CFM"], ["42 mm", "71 CFM"]]',
            )
        return (tuple(found), *kinds.pop())

    def points_of_file(self) -> list[tuple[str, str]]:
        """Two columns with units in their headings or cells."""
        path = (self.folder or Path()) / str(self.raw["file"])
        try:
            text = path.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            raise self.error(
                f"names the file {str(self.raw['file'])!r}, which cannot be read",
                "give a text file of two columns beside the job file",
            ) from error
        delimiter = ";" if ";" in text else "\t" if "\t" in text else ","
        units = ["", ""]
        found: list[tuple[str, str]] = []
        for cells in csv.reader(text.splitlines(), delimiter=delimiter):
            row = [cell.strip() for cell in cells]
            if not any(cells):
                continue
            if len(row) != 2:
                problem = f"names the file {path.name!r} with a row of {len(row)} columns"
                raise self.error(problem, "give two columns: reading and flow")
            if number(row[0].split()[0] if row[0] else "") is None:
                units = [
                    cell[cell.find("(") + 1 : cell.rfind(")")] if "(" in cell else cell.split()[-1] for cell in row
                ]
                continue
            reading, flow = (
                cell if split_reading(cell)[1] else f"{cell} {unit}".strip()
                for cell, unit in zip(row, units, strict=True)
            )
            found.append((reading, flow))
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
        found = []
        for index, table in enumerate([tables] if isinstance(tables, Mapping) else tables, 1):
            inner = replace(self, where=f"{self.where} certificate {index}", raw=table)
            refuse_unknown(table, (*section("certificate"), *_OF_THE_DAY), inner.where, file=self.file)
            need = ("flow", "at", "u", "reading", "test_pressure")
            for key in need:
                if key not in table:
                    raise inner.error(f"lacks {key}", "a certificate needs " + ", ".join(need))
            reading, unit = split_reading(str(table["reading"]))
            if reading is None or not (unit or self.unit):
                raise inner.error(f"has reading = {table['reading']!r}", 'write it like "83.5 mm"')
            room = [table.get(key) is None for key in ("air_temperature", "barometer", "humidity")]
            if any(room) and not all(room):
                raise inner.error("states the day's air in part", "state air_temperature, barometer and humidity")
            of_the_day = {key: value for key, value in table.items() if key in _OF_THE_DAY}
            day = conditions_from(of_the_day, inner.where, file=self.file)
            of_the_plate = {key: value for key, value in table.items() if key not in (*_OF_THE_DAY, "reading")}
            plate = {"air": AirState(), **read_table("certificate", of_the_plate, inner.where, file=self.file)}
            found.append(Certificate(**plate, reading=reading, unit=unit or self.unit, day=day))
        return tuple(found)


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

    def usual(meter: Meter) -> str:
        """A unit that the readings of a meter of this kind can be written in."""
        if meter.kind == "table":
            return meter.points_unit or "%"
        return KINDS[meter.kind].unit or ("mm" if meter.manometer else pressure_unit)

    units = {unit or meter.reading_unit or usual(meter) for meter in meters}
    counts = {_positions(meter) for meter in meters}
    if len(units) > 1 or (len(meters) > 1 and counts != {1}):
        names = ", ".join(meter.name for meter in meters)
        raise JobError(f"the meters {names} cannot share a sheet", "make one for each: name it with --meter")
    spelled = units.pop()
    found = find_unit(spelled)
    quantity = found.quantity if found else None
    masses = [meter for meter in meters if KINDS[meter.kind].mass]
    for meter in meters:
        fits = {"percent": spelled == "%", "table": not meter.points_unit or spelled == meter.points_unit}
        if not fits.get(meter.kind, quantity in ("pressure", "length")):
            raise JobError(
                f"{with_article(meter.kind)} meter is not read in {spelled!r}", "give the unit that it shows"
            )
        if quantity == "length" and meter.values and meter in masses and meter.manometer is None:
            raise JobError(
                f"a length of liquid ({spelled}) needs the manometer of the meter {meter.name!r}",
                'state manometer = { liquid = "water" }, or give a unit of pressure',
            )
    gauges = [meter.manometer for meter in masses]
    ranges = dict.fromkeys(name for meter in meters for name in meter.full_scale if name)
    outlet = any(meter.kind == "critical nozzle" for meter in meters)
    return MeterSheet(
        spelled,
        counts.pop(),
        zero=any(meter.values.get("gauge", True) for meter in meters),
        liquid=quantity == "length"
        and any(gauge is None or (gauge.liquid_temperature_k is None and gauge.needs_temperature) for gauge in gauges),
        temperature=bool(masses),
        pressure=any(meter.kind != "critical nozzle" and not meter.place for meter in masses),
        outlet="kPa" if outlet and quantity != "pressure" else spelled if outlet else "",
        ranges=tuple(ranges) if len(ranges) > 1 else (),
        meters=tuple(meter.name for meter in meters) if len(meters) > 1 else (),
        named_range=any(meter.kind == "percent" and not meter.full_scale for meter in meters),
    )


def _positions(meter: Meter) -> int:
    """How many readings a row has."""
    if meter.kind != "pitot":
        return 1
    if not meter.values:
        raise JobError("how many positions the pitot tube is read in is not known", "give the job that describes it")
    return 1 if meter.values["rule"] == "single" else int(meter.values["count"])


def split_leak(text: str) -> tuple[Reading, list[str]] | None:
    """Take ``3.1 % @low`` or ``3 mm on small at 294.15 K`` apart, with the names in it; None where it is not a reading.

    ``@`` names the rows it is for, ``on`` the meter or range it was read on, ``at`` the air before the meter and
    ``into`` the pressure behind it.
    """
    text, _, of = text.partition("@")
    shown, *said = re.split(r"\s(on|at|into)\s", text)
    values, unit = [], ""
    for part in shown.split(", "):
        value, unit = split_reading(part)
        if value is None:
            return None
        values.append(value)
    on: list[str] = []
    air: dict[str, float] = {}
    for word, written in zip(said[::2], said[1::2], strict=True):
        if word == "on":
            on.append(written.strip())
        elif word == "at" and find_unit(written.split()[-1], ["temperature"]):
            air["temperature_k"] = parse_quantity(written, "temperature")
        else:
            air["pressure_pa" if word == "at" else "outlet_pa"] = parse_quantity(written, "pressure")
    return Reading(tuple(values), unit, None, None, **air), on or [of.strip()] * bool(of.strip())


def split_reading(text: str) -> tuple[float | None, str]:
    """Split a reading as written into its figure and its unit, whatever unit that is."""
    match = re.match(r"\s*([-+−–]?[\d.,]*\d)\s*(.*?)\s*$", text)
    value = number(match[1]) if match else None
    if match is None or value is None or not math.isfinite(value):
        return None, text.strip()
    found = find_unit(match[2])
    return value, found.name if found else match[2]
