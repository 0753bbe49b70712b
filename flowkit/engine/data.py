"""The engine the flow is carried into, with every assumption of the model.

Only bore, stroke, rod, compression ratio and the number of cylinders must be known.
Everything else has a default, and the result says for each whether it was stated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

from flowkit.engine.results import Assumption, Volumes
from flowkit.errors import EngineError

__all__ = ["ENGINE_KEYS", "EngineData", "EngineKey", "HeatTransfer"]

HeatTransfer = Literal["woschni", "hohenberg", "none"]
GammaModel = Literal["temperature", "constant"]
Backflow = Literal["returns", "fresh"]
Ignition = Literal["spark"]

KW_HOUR = 3.6e6
_DEFAULT_SPEEDS = tuple(float(speed) for speed in range(1500, 7201, 300))


@dataclass(frozen=True, slots=True)
class EngineKey:
    """One key of the job file's ``[engine]`` table.

    Attributes
    ----------
    name : str
        The key.
    field : str
        Its field in `EngineData`.
    kind : str
        A quantity of `flowkit.units`, ``"count"``, ``"number"``, ``"fraction"``, ``"speeds"``,
        ``"fuel consumption"``, ``"heating value"``, ``"heat transfer"``, ``"gamma"`` or ``"backflow"``.
    unit, scale : str, float
        How people read it: the SI value times scale, in this unit.
    meaning : str
    """

    name: str
    field: str
    kind: str
    unit: str
    scale: float
    meaning: str


ENGINE_KEYS: tuple[EngineKey, ...] = (
    EngineKey("cylinders", "cylinders", "count", "", 1, "Number of cylinders."),
    EngineKey("bore", "bore_m", "length", "mm", 1e3, "Cylinder bore."),
    EngineKey("stroke", "stroke_m", "length", "mm", 1e3, "Stroke."),
    EngineKey("rod", "rod_m", "length", "mm", 1e3, "Connecting rod, centre to centre."),
    EngineKey("compression_ratio", "compression_ratio", "number", "", 1, "Geometric compression ratio."),
    EngineKey("chamber_volume", "", "volume", "cc", 1e6, "Of the chamber in the head, valves and plug in, unmilled."),
    EngineKey("chamber_area", "", "area", "cm²", 1e4, "Of the chamber at the head's face, for what milling takes off."),
    EngineKey("milled", "", "zero length", "mm", 1e3, "Taken off the head's face since the volume was measured."),
    EngineKey("gasket_bore", "", "length", "mm", 1e3, "Bore of the head gasket."),
    EngineKey("gasket_thickness", "", "zero length", "mm", 1e3, "Of the head gasket, compressed."),
    EngineKey(
        "deck_clearance", "", "any length", "mm", 1e3, "Deck down to the piston's flat at TDC; + below the deck."
    ),
    EngineKey("crown_volume", "", "any volume", "cc", 1e6, "Above the piston's flat: dome +, dish and pockets −."),
    EngineKey(
        "intake_valves",
        "intake_valves",
        "count",
        "",
        1,
        "How many times the measured intake flow serves one cylinder: 1 where a port was flowed with all its valves.",
    ),
    EngineKey("exhaust_valves", "exhaust_valves", "count", "", 1, "The same for the exhaust."),
    EngineKey("speeds", "speeds_rpm", "speeds", "rpm", 1, "Engine speeds."),
    EngineKey("intake_pressure", "intake_pressure_pa", "pressure", "kPa", 1e-3, "Absolute, at the port's entry."),
    EngineKey("intake_temperature", "intake_temperature_k", "temperature", "K", 1, "At the port's entry."),
    EngineKey("exhaust_pressure", "exhaust_pressure_pa", "pressure", "kPa", 1e-3, "Absolute, behind the port."),
    EngineKey("exhaust_temperature", "exhaust_temperature_k", "temperature", "K", 1, "Of exhaust gas that flows back."),
    EngineKey("air_fuel_ratio", "air_fuel_ratio", "number", "", 1, "Mass of air to mass of fuel."),
    EngineKey(
        "stoichiometric_ratio",
        "stoichiometric_ratio",
        "number",
        "",
        1,
        "Below this air-fuel ratio the air limits the heat released.",
    ),
    EngineKey("bsfc", "bsfc_kg_j", "fuel consumption", "g/kWh", 1e3 * KW_HOUR, "Brake specific fuel consumption."),
    EngineKey("fuel_heating_value", "fuel_heating_value_j_kg", "heating value", "MJ/kg", 1e-6, "Lower heating value."),
    EngineKey("combustion_efficiency", "combustion_efficiency", "fraction", "", 1, "Share of the heat released."),
    EngineKey("wall_temperature", "wall_temperature_k", "temperature", "K", 1, "Of piston, head and liner."),
    EngineKey("heat_transfer", "heat_transfer", "heat transfer", "", 1, "Gas to wall: woschni, hohenberg or none."),
    EngineKey("gamma", "gamma", "gamma", "", 1, "Heat capacity of the gas: of air by temperature, or constant."),
    EngineKey("gamma_value", "gamma_value", "number", "", 1, "Ratio of specific heats, where constant."),
    EngineKey("wiebe_start", "wiebe_start_deg", "angle", "°", 1, "Start of combustion after firing dead centre."),
    EngineKey("wiebe_duration", "wiebe_duration_deg", "angle", "°", 1, "Duration of combustion."),
    EngineKey("wiebe_a", "wiebe_a", "number", "", 1, "Efficiency parameter of the Wiebe function."),
    EngineKey("wiebe_m", "wiebe_m", "number", "", 1, "Form factor of the Wiebe function."),
    EngineKey(
        "intake_backflow",
        "intake_backflow",
        "backflow",
        "",
        1,
        "Gas pushed back into the intake port: returns (it comes back first) or fresh (it is lost among fresh air).",
    ),
    EngineKey(
        "intake_reverse", "intake_reverse", "number", "", 1, "Reverse over forward effective area, intake valve."
    ),
    EngineKey(
        "exhaust_reverse", "exhaust_reverse", "number", "", 1, "Reverse over forward effective area, exhaust valve."
    ),
    EngineKey(
        "friction",
        "friction_pa",
        "friction",
        "bar",
        1e-5,
        "Friction mean pressure: bar, bar per 1000/min and bar per (1000/min)², such as [0.97, 0.15, 0.05].",
    ),
    EngineKey("ignition", "ignition", "ignition", "", 1, 'Must be stated as "spark" above a compression ratio of 15.'),
)
"""The keys of ``[engine]``, in the order they are shown."""

_POSITIVE = tuple(
    item.field
    for item in ENGINE_KEYS
    if item.kind not in ("speeds", "heat transfer", "gamma", "backflow", "angle", "friction", "ignition")
    and item.field not in ("", "combustion_efficiency")
)


@dataclass(frozen=True, slots=True)
class EngineData:
    """One engine and the assumptions of its model.

    Attributes
    ----------
    cylinders : int
    bore_m, stroke_m, rod_m : float
        [m]
    compression_ratio : float
        Geometric.
    intake_valves, exhaust_valves : int
        How many times the measured flow serves one cylinder: 1 where a port was flowed with all
        its valves open, 2 where two valves were flowed singly.
    speeds_rpm : tuple of float
    intake_pressure_pa, intake_temperature_k : float
        Of the air at the port's entry, open to the surroundings unless stated.
    exhaust_pressure_pa, exhaust_temperature_k : float
        Behind the exhaust port, and of gas that flows back from there.
    air_fuel_ratio, stoichiometric_ratio : float
        By mass; gasoline's stoichiometric ratio is 14.6 (Heywood 1988, appendix D, from memory).
    bsfc_kg_j : float
        Brake specific fuel consumption [kg/J].
    fuel_heating_value_j_kg : float
        Lower [J/kg]; gasoline 44.0 MJ/kg (Heywood 1988, appendix D, from memory).
    combustion_efficiency : float
        0 makes a motored cycle.
    wall_temperature_k : float
    heat_transfer : {"woschni", "hohenberg", "none"}
    gamma : {"temperature", "constant"}
    gamma_value : float
        Where constant.
    wiebe_start_deg, wiebe_duration_deg, wiebe_a, wiebe_m : float
        a = 5, m = 2 as Heywood (1988), eq. 9.30, has them (from memory).
    intake_backflow : {"returns", "fresh"}
        Whether gas pushed back into the intake port comes back first, or is lost among fresh air.
    intake_reverse, exhaust_reverse : float
        Effective area of reverse flow over that of forward flow.
    friction_pa : tuple of three floats
        Friction mean pressure [Pa] = f₀ + f₁·(N/1000) + f₂·(N/1000)², N in 1/min; Barnes-Moss (1975) as Heywood
        (1988), eq. 13.6, gives it for automotive four-stroke engines (from memory).
    ignition : {"spark"}
    volumes : Volumes or None
        What the clearance volume is made of, where it was stated so.
    stated : tuple of str or None
        Fields that were stated; None: those that differ from their defaults.

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
    compression_ratio: float
    intake_valves: int = 1
    exhaust_valves: int = 1
    speeds_rpm: tuple[float, ...] = _DEFAULT_SPEEDS
    intake_pressure_pa: float = 101_325.0
    intake_temperature_k: float = 293.15
    exhaust_pressure_pa: float = 101_325.0
    exhaust_temperature_k: float = 900.0
    air_fuel_ratio: float = 12.8
    stoichiometric_ratio: float = 14.6
    bsfc_kg_j: float = 0.300 / KW_HOUR
    fuel_heating_value_j_kg: float = 44.0e6
    combustion_efficiency: float = 0.97
    wall_temperature_k: float = 430.0
    heat_transfer: HeatTransfer = "woschni"
    gamma: GammaModel = "temperature"
    gamma_value: float = 1.35
    wiebe_start_deg: float = -20.0
    wiebe_duration_deg: float = 60.0
    wiebe_a: float = 5.0
    wiebe_m: float = 2.0
    intake_backflow: Backflow = "returns"
    intake_reverse: float = 1.0
    exhaust_reverse: float = 1.0
    friction_pa: tuple[float, float, float] = (0.97e5, 0.15e5, 0.05e5)
    ignition: Ignition = "spark"
    volumes: Volumes | None = None
    stated: tuple[str, ...] | None = None

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
            raise EngineError(f"a combustion of {self.wiebe_duration_deg:g}°", "it must take longer than nothing")
        if not self.speeds_rpm or min(self.speeds_rpm) <= 0:
            raise EngineError("an engine speed of zero or below, or none at all", "give speeds above zero")

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any], *, place: str = "[engine]") -> EngineData:
        """Make an engine of a job file's ``[engine]`` table.

        Parameters
        ----------
        mapping : mapping
            Keys of `ENGINE_KEYS`; quantities with their units, as text.
        place : str
            For messages.

        Raises
        ------
        JobError
            If a key is not known (with the nearest known one), missing, or cannot be understood.

        Examples
        --------
        >>> EngineData.from_mapping({"cylinders": 4, "bore": "80.5 mm", "stroke": "78.5 mm",
        ...                          "rod": "138 mm", "compression_ratio": 10.5}).bore_m
        0.0805
        """
        from flowkit.engine.datamapping import engine_of_tables

        return engine_of_tables(mapping, {}, place=place)[0]

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
        """Return the friction mean pressure [Pa] at a speed [rpm].

        Examples
        --------
        >>> engine = EngineData(4, 0.0805, 0.0785, 0.138, 10.5)
        >>> round(engine.friction_mep_pa(6000.0) / 1e5, 2)
        3.67
        """
        constant, linear, square = self.friction_pa
        thousands = speed_rpm / 1000
        return constant + linear * thousands + square * thousands**2

    def with_bore(self, bore_m: float) -> EngineData:
        """Return the engine rebored: the chamber keeps its volume, so the compression ratio follows.

        Parameters
        ----------
        bore_m : float
            [m]

        Examples
        --------
        >>> engine = EngineData(4, 0.0805, 0.0785, 0.138, 10.5)
        >>> round(engine.with_bore(0.082).compression_ratio, 2)
        10.86
        """
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
        for key in ENGINE_KEYS:
            if not key.field:
                continue
            value = getattr(self, key.field)
            stated = key.field in self.stated if self.stated is not None else value != defaults[key.field]
            lines.append(Assumption(key.name, _shown(value, key), "stated" if stated else "assumed", key.meaning))
        return tuple(lines)


def _shown(value: Any, key: EngineKey) -> str:
    """Write an input as people read it."""
    if key.kind == "friction":
        return " + ".join(
            f"{part * key.scale:g} bar{per}" for part, per in zip(value, ("", "·(N/1000)", "·(N/1000)²"), strict=True)
        )
    if isinstance(value, tuple):
        return f"{len(value)} speeds from {value[0]:g} to {value[-1]:g} rpm"
    if isinstance(value, str):
        return value
    return f"{value * key.scale:.6g} {key.unit}".strip()
