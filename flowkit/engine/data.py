"""The engine that the flow goes into, with every assumption of the model.

Only bore, stroke, rod, compression ratio and the number of cylinders must be known.
Everything else has a default, and the result says for each whether it was stated.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

from flowkit.engine.results import Assumption, Volumes
from flowkit.errors import EngineError, JobError
from flowkit.fields import read_keys, section
from flowkit.model import Finding
from flowkit.units import from_si

HeatTransfer = Literal["woschni", "hohenberg", "none"]
GammaModel = Literal["temperature", "constant"]
Backflow = Literal["returns", "fresh"]
Ignition = Literal["spark"]

KW_HOUR = 3.6e6
_DEFAULT_SPEEDS = tuple(float(speed) for speed in range(1500, 7201, 300))
_ROWS = section("engine")
_POSITIVE = [row.attribute for row in _ROWS.values() if row.attribute and row.above is not None and row.kind != "angle"]


@dataclass(frozen=True, slots=True)
class EngineData:
    """One engine and the assumptions of its model, in SI; `flowkit.fields` says what each is for.

    Examples
    --------
    >>> engine = EngineData(cylinders=4, bore_m=0.0805, stroke_m=0.0785, rod_m=0.138, compression_ratio=10.5)
    >>> round(engine.displacement_m3 * 1e6, 1)
    399.5
    """

    cylinders: int
    bore_m: float
    stroke_m: float
    rod_m: float
    compression_ratio: float  # geometric
    # How many times the measured flow serves one cylinder: 1 where a port was flowed with all its valves open, 2 where
    # two valves were flowed singly.
    intake_valves: int = 1
    exhaust_valves: int = 1
    speeds_rpm: tuple[float, ...] = _DEFAULT_SPEEDS
    intake_pressure_pa: float = 101_325.0  # of the air at the port's entry, open to the surroundings unless stated
    intake_temperature_k: float = 293.15
    exhaust_pressure_pa: float = 101_325.0  # behind the exhaust port
    exhaust_temperature_k: float = 900.0  # there, and of gas that flows back from there
    air_fuel_ratio: float = 12.8  # by mass
    stoichiometric_ratio: float = 14.6  # gasoline's (Heywood 1988, appendix D, from memory)
    bsfc_kg_j: float = 0.300 / KW_HOUR
    fuel_heating_value_j_kg: float = 44.0e6  # gasoline's lower one (Heywood 1988, appendix D, from memory)
    combustion_efficiency: float = 0.97  # 0 makes a motored cycle
    wall_temperature_k: float = 430.0
    heat_transfer: HeatTransfer = "woschni"
    gamma: GammaModel = "temperature"
    gamma_value: float = 1.35  # where constant
    wiebe_start_deg: float = -20.0
    wiebe_duration_deg: float = 60.0
    wiebe_a: float = 5.0  # a and m as Heywood (1988), eq. 9.30, has them (from memory)
    wiebe_m: float = 2.0
    intake_backflow: Backflow = "returns"  # gas pushed back into the port comes back first, or is lost among fresh air
    intake_reverse: float = 1.0  # effective area of reverse flow over that of forward flow
    exhaust_reverse: float = 1.0
    # f₀ + f₁·(N/1000) + f₂·(N/1000)², N in 1/min; Barnes-Moss (1975) as Heywood (1988), eq. 13.6, gives it for
    # automotive four-stroke engines (from memory).
    friction_pa: tuple[float, float, float] = (0.97e5, 0.15e5, 0.05e5)
    ignition: Ignition = "spark"
    volumes: Volumes | None = None  # what the clearance volume is made of, where it was stated so
    stated: tuple[str, ...] | None = None  # fields that were stated; None: those that differ from their defaults

    def __post_init__(self) -> None:
        for name in _POSITIVE:
            value = getattr(self, name)
            if not value > 0:
                raise EngineError(f"the engine's {name} is {value:g}", "it must be above zero")
        if self.compression_ratio <= 1:
            raise EngineError(f"a compression ratio of {self.compression_ratio:g}", "it must be above 1")
        if self.rod_m <= self.stroke_m / 2:
            raise EngineError("the rod is shorter than half the stroke", "check rod and stroke, and their units")
        if not 0 <= self.combustion_efficiency <= 1:
            raise EngineError(f"a combustion efficiency of {self.combustion_efficiency:g}", "it lies between 0 and 1")
        if self.gamma_value <= 1:
            raise EngineError(f"a ratio of specific heats of {self.gamma_value:g}", "it must be above 1")
        if self.wiebe_duration_deg <= 0:
            raise EngineError(f"a combustion of {self.wiebe_duration_deg:g}°", "it must be above zero")
        if not self.speeds_rpm or min(self.speeds_rpm) <= 0:
            raise EngineError("an engine speed of zero or below, or none at all", "give speeds above zero")

    # --- what follows from it --------------------------------------------------------

    @property
    def piston_area_m2(self) -> float:
        """Piston area [m²]."""
        return 0.785398163397448 * self.bore_m**2

    @property
    def displacement_m3(self) -> float:
        """Displaced volume of one cylinder [m³]."""
        return self.piston_area_m2 * self.stroke_m

    @property
    def clearance_m3(self) -> float:
        """Clearance volume of one cylinder [m³]."""
        return self.displacement_m3 / (self.compression_ratio - 1)

    @property
    def heat_per_air_j_kg(self) -> float:
        """Heat released per mass of fresh air [J/kg]; a mixture too rich burns no more than its air allows."""
        ratio = max(self.air_fuel_ratio, self.stoichiometric_ratio)
        return self.combustion_efficiency * self.fuel_heating_value_j_kg / ratio

    def friction_mep_pa(self, speed_rpm: float) -> float:
        """Return the friction mean pressure [Pa] at a speed [rpm]."""
        constant, linear, square = self.friction_pa
        thousands = speed_rpm / 1000
        return constant + linear * thousands + square * thousands**2

    def with_bore(self, bore_m: float) -> EngineData:
        """Return the engine rebored: the chamber keeps its volume, so the compression ratio follows."""
        volumes, clearance = self.volumes, self.clearance_m3
        if volumes is not None:
            # Only the disc between deck and piston grows with the bore.
            volumes = replace(volumes, deck_m3=volumes.deck_m3 * (bore_m / self.bore_m) ** 2)
            clearance = volumes.clearance_m3
        displaced = 0.785398163397448 * bore_m**2 * self.stroke_m
        return replace(self, bore_m=bore_m, volumes=volumes, compression_ratio=1 + displaced / clearance)

    def assumptions(self) -> tuple[Assumption, ...]:
        """Return every input of the model with its value and whether it was stated."""
        defaults = {item.name: item.default for item in fields(self)}
        lines = []
        for row in _ROWS.values():
            if not row.attribute:
                continue
            value = getattr(self, row.attribute)
            stated = row.attribute in self.stated if self.stated is not None else value != defaults[row.attribute]
            if row.kind == "friction":
                terms = zip(value, ("", "·(N/1000)", "·(N/1000)²"), strict=True)
                shown = " + ".join(f"{from_si(part, 'bar'):g} bar{per}" for part, per in terms)
            elif isinstance(value, tuple):
                shown = f"{len(value)} speeds from {value[0]:g} to {value[-1]:g} rpm"
            elif isinstance(value, str):
                shown = value
            else:
                shown = f"{from_si(value, row.unit):.6g} {row.unit}" if row.unit else f"{value:.6g}"
            lines.append(Assumption(row.key, shown, "stated" if stated else "assumed", row.meaning))
        return tuple(lines)


# --- the job file's [engine] table, and what a variant changes of it ---------------------------

_REQUIRED = ("cylinders", "bore", "stroke", "rod")
_VOLUMES = ("chamber_volume", "milled", "gasket_bore", "gasket_thickness", "deck_clearance", "crown_volume")
PARTS = (*_VOLUMES, "chamber_area")
_NO_AREA = "milled needs chamber_area, the chamber's area at the face"


def engine_of_tables(
    common: Mapping[str, Any], own: Mapping[str, Any], *, place: str = "[engine]", own_place: str = "[variant.engine]"
) -> tuple[EngineData, tuple[Finding, ...]]:
    """Make an engine of ``[engine]`` and of what a variant says over it, key by key.

    The compression ratio is stated or follows from the volumes, 1 + V_d/V_c with V_c = chamber − chamber area·milled
    + π/4·gasket bore²·thickness + π/4·bore²·deck clearance − crown; a variant that changes bore or stroke, or mills
    the head, keeps the clearance volume of the job's ratio.
    """
    base, mine = read_keys("engine", common, place), read_keys("engine", own, own_place)
    for table, where in ((base, place), (mine, own_place)):
        if table.get("ignition") == "compression":
            raise JobError(
                f"{where}, ignition: compression ignition is outside the model",
                'leave [engine] out for a diesel; its flows are compared all the same, or state "spark"',
            )
        stated = [name for name in PARTS if name in table]
        if "compression_ratio" in table and stated:
            problem = f"{where} states compression_ratio and {stated[0]}"
            raise JobError(problem, "state the ratio or the volumes, not both")
    merged = {**base, **{name: value for name, value in mine.items() if name not in ("compression_ratio", *PARTS)}}
    missing = [name for name in _REQUIRED if name not in merged]
    if missing:
        raise JobError(f"{place} lacks {', '.join(missing)}", "add it, or leave the whole table out")
    if merged["rod"] <= merged["stroke"] / 2:
        rod_place = own_place if {"rod", "stroke"} & set(mine) else place
        raise JobError(f"{rod_place}: the rod is shorter than half the stroke", "check both, and their units")
    where = own_place if any(name in mine for name in ("compression_ratio", "bore", "stroke", *PARTS)) else place
    ratio, volumes, findings = _compression(base, mine, merged, where)
    fields = {_ROWS[name].attribute: value for name, value in merged.items() if _ROWS[name].attribute}
    names = tuple(dict.fromkeys((*fields, "compression_ratio")))
    return EngineData(**{**fields, "compression_ratio": ratio}, volumes=volumes, stated=names), findings


def _compression(
    base: Mapping[str, Any], mine: Mapping[str, Any], merged: Mapping[str, Any], where: str
) -> tuple[float, Volumes | None, tuple[Finding, ...]]:
    """Return the ratio, its volumes where these were stated, and what is to be said of it."""
    displaced = _disc(merged["bore"]) * merged["stroke"]
    own = {name: value for name, value in mine.items() if name in PARTS}
    ratio: Any = mine.get("compression_ratio")
    keeps = ratio is None and "compression_ratio" in base and own.keys() <= {"milled", "chamber_area"}
    ratio = base["compression_ratio"] if keeps else ratio
    if ratio is not None and ratio <= 1:
        raise JobError(f"{where}, compression_ratio: it must be above 1", "correct it")
    if keeps and "milled" in mine and "chamber_area" not in mine:
        raise JobError(f"{where}: {_NO_AREA}", "add it")
    if keeps:
        # The clearance volume that the job's ratio makes is kept, less what was milled off.
        clearance = _disc(base["bore"]) * base["stroke"] / (ratio - 1)
        clearance -= mine.get("milled", 0.0) * mine.get("chamber_area", 0.0)
        if clearance <= 0:
            raise JobError(
                f"{where}: the milling takes more than the clearance volume", "check milled and chamber_area"
            )
        follows = 1 + displaced / clearance
        if math.isclose(follows, ratio, rel_tol=1e-9):
            return ratio, None, ()
        note = (
            f"The compression ratio follows as {follows:.2f}: the clearance volume of the job's ratio {ratio:g}, "
            f"{clearance * 1e6:.1f} cc, is kept{' less what was milled off' if mine.get('milled') else ''}. State "
            "compression_ratio here if the chamber or the pistons changed as well."
        )
        return follows, None, (Finding("compression-follows", "note", where, note),)
    if ratio is not None:
        return ratio, None, ()
    parts = {name: value for name, value in base.items() if name in PARTS}
    if "chamber_volume" in mine and parts:
        parts["milled"] = 0.0  # what was milled off is in the new volume
    return _of_volumes(parts | own, merged["bore"], displaced, where)


def _of_volumes(
    parts: Mapping[str, Any], bore: float, displaced: float, where: str
) -> tuple[float, Volumes, tuple[Finding, ...]]:
    """Return the ratio that volumes make, with a warning where a gasket or the piston cannot be so."""
    if not parts:
        raise JobError(f"{where} lacks compression_ratio", "state it, or the volumes it follows from")
    missing = [name for name in _VOLUMES if name not in parts]
    if missing:
        raise JobError(
            f"{where}: the compression ratio cannot be worked out without {', '.join(missing)}",
            "state every part of the volume, zero too, or compression_ratio alone",
        )
    if parts["milled"] > 0 and "chamber_area" not in parts:
        raise JobError(f"{where}: {_NO_AREA}", "add it")
    volumes = Volumes(
        parts["chamber_volume"],
        parts["milled"] * parts.get("chamber_area", 0.0),
        _disc(parts["gasket_bore"]) * parts["gasket_thickness"],
        _disc(bore) * parts["deck_clearance"],
        parts["crown_volume"],
    )
    if volumes.clearance_m3 <= 0:
        raise JobError(
            f"{where}: the clearance volume comes to {volumes.clearance_m3 * 1e6:.2f} cc",
            "check the volumes and their signs: deck_clearance + below the deck, crown_volume + for a dome",
        )
    doubts = []
    if parts["gasket_bore"] < bore * (1 - 1e-9):
        doubts.append(
            f"The gasket's bore of {parts['gasket_bore'] * 1e3:.2f} mm is below the cylinder's "
            f"{bore * 1e3:.2f} mm: it would reach into the chamber; measure it again."
        )
    if parts["deck_clearance"] + parts["gasket_thickness"] <= 0:
        doubts.append(
            "Deck clearance and gasket thickness add up to zero or less, so the piston would meet the head: has "
            "deck_clearance the wrong sign? It is + below the deck."
        )
    findings = tuple(Finding("compression-doubtful", "warning", where, text) for text in doubts)
    return 1 + displaced / volumes.clearance_m3, volumes, findings


def _disc(diameter: float) -> float:
    """Return the area of a circle."""
    return math.pi / 4 * diameter**2
