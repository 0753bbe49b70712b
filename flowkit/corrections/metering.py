"""From what a meter showed to a flow: the formulas of every kind, with their sources and their limits.

Discharge and expansibility of standard orifices and nozzles come from `fluids` (ISO 5167-2 and -3); ours are the
air, its state at the meter and the chain. Everything is SI.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from flowkit.air import MOLAR_MASS_WATER, ZERO_CELSIUS_K, density, density_at, vapour_mole_fraction
from flowkit.corrections.meter import Manometer, Meter
from flowkit.errors import CorrectionError
from flowkit.model import AirState

KAPPA = 1.4
"""Isentropic exponent of air."""
GAS_CONSTANT = 8.314462618
"""Molar gas constant [J/(mol K)] (CODATA 2018)."""
MOLAR_MASS_DRY_AIR = 28.96546e-3
"""Molar mass of dry air [kg/mol] (CIPM-2007)."""
CHOKED = 0.5283
"""Largest outlet over upstream pressure at which a nozzle without a diffuser is choked."""


def viscosity(temperature_k: float) -> float:
    """Return the dynamic viscosity of air [Pa s].

    Parameters
    ----------
    temperature_k : float
        [K]

    Notes
    -----
    Sutherland's law, ``1.458e-6·T^1.5/(T + 110.4)`` (U.S. Standard Atmosphere, 1976, equation 51).

    Examples
    --------
    >>> round(viscosity(288.15) * 1e6, 3)
    17.894
    """
    return 1.458e-6 * float(temperature_k**1.5) / (temperature_k + 110.4)


def water_density(temperature_k: float) -> float:
    """Return the density of air-free water at 101 325 Pa [kg/m³].

    Parameters
    ----------
    temperature_k : float
        From 0 to 40 °C [K].

    Notes
    -----
    M. Tanaka et al., Metrologia 38 (2001) 301, equation (1).

    Examples
    --------
    >>> round(water_density(293.15), 4)
    998.2067
    """
    t = temperature_k - ZERO_CELSIUS_K
    if not 0 <= t <= 60:
        raise CorrectionError(
            f"water at {t:.1f} °C cannot be the liquid of a manometer", "check the liquid's temperature and its unit"
        )
    return 999.974950 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def liquid_density(manometer: Manometer, temperature_k: float | None) -> float:
    """Return the density of a manometer's liquid [kg/m³]; water and expansion need its temperature [K]."""
    known = manometer.liquid_temperature_k if temperature_k is None else temperature_k
    if manometer.water or manometer.expansion_1_k is not None:
        if known is None:
            raise CorrectionError(
                "the temperature of the manometer's liquid is not known",
                "state liquid_temperature in the meter's manometer",
            )
        if manometer.water:
            return water_density(known)
        rise = known - (manometer.density_at_k or known)
        return (manometer.density_kg_m3 or 0.0) / (1 + (manometer.expansion_1_k or 0.0) * rise)
    return manometer.density_kg_m3 or 0.0


def column_pressure(length_m: float, manometer: Manometer, temperature_k: float | None = None) -> float:
    """Return the pressure difference that a liquid column shows [Pa].

    Parameters
    ----------
    length_m : float
        Along the tube, less the zero [m].
    manometer : Manometer
    temperature_k : float, optional
        Of the liquid [K], where the sheet states it.

    Raises
    ------
    CorrectionError
        If the liquid's temperature is needed and not known.

    Notes
    -----
    ``Δp = ρ·g·L·(sin θ + a/A)``: the level in the well falls by ``L·a/A``. The weight of the air above the
    liquid is neglected (0.12 % of Δp).

    Examples
    --------
    >>> round(column_pressure(0.1, Manometer(False, density_kg_m3=1000.0)), 3)
    980.665
    """
    slope = math.sin(math.radians(manometer.angle_deg)) + manometer.area_ratio
    return liquid_density(manometer, temperature_k) * manometer.gravity_m_s2 * length_m * slope


def upstream_pressure(place: str, draws: bool, barometer_pa: float, test_pa: float, meter_pa: float) -> float:
    """Return the absolute pressure at the meter's upstream side [Pa]."""
    if place == "room":
        return barometer_pa
    if place == "outlet":
        return barometer_pa + meter_pa
    return barometer_pa - test_pa if draws else barometer_pa + test_pa + meter_pa


@dataclass(frozen=True, slots=True)
class MeterAir:
    """The air at a meter's upstream side: pressure [Pa], temperature [K], density [kg/m³], vapour (mole fraction)."""

    pressure_pa: float
    temperature_k: float
    density_kg_m3: float
    vapour: float

    @property
    def viscosity_pa_s(self) -> float:
        """Dynamic viscosity [Pa s]."""
        return viscosity(self.temperature_k)


def meter_air(room: AirState, pressure_pa: float, temperature_k: float) -> MeterAir:
    """Return the room's air as it is at the meter: another pressure and temperature, the same share of vapour."""
    vapour = vapour_mole_fraction(room)
    return MeterAir(pressure_pa, temperature_k, density_at(temperature_k, pressure_pa, vapour), vapour)


@dataclass(frozen=True, slots=True)
class Metered:
    """What one meter passes at one reading."""

    flow: float  # kg/s
    coefficient: float | None = None
    expansibility: float | None = None
    reynolds: float | None = None  # of the pipe, or of a critical nozzle's throat
    limits: tuple[tuple[str, float, bool], ...] = ()  # in words, the value, whether it is kept
    u: float = 0.0  # of coefficient and expansibility by the standard, as a share


@dataclass(slots=True)
class _Limits:
    """Limits of a standard, gathered."""

    found: list[tuple[str, float, bool]] = field(default_factory=list)

    def within(self, words: str, value: float, low: float, high: float, unit: str = "") -> None:
        """Note one limit; a rounding error does not break it."""
        kept = low * (1 - 1e-9) <= value <= high * (1 + 1e-9)
        bounds = f"from {low:g} to {high:g}{unit}" if math.isfinite(high) else f"at least {low:g}{unit}"
        self.found.append((f"{words} {bounds}", value, kept))


def _iterated(coefficient: Callable[[float], float], mass: Callable[[float], float]) -> tuple[float, float]:
    """Return mass flow and coefficient where the one depends on the other, to 1e-12."""
    flow = mass(0.6)
    for _ in range(200):
        c = coefficient(flow)
        new = mass(c)
        if not new > 0:
            raise CorrectionError("so small a reading has no coefficient by the standard", "use a smaller meter for it")
        if abs(new - flow) <= 1e-13 * abs(new):
            return new, c
        flow = new
    raise CorrectionError("the flow through the meter does not settle", "check the reading, bore and pipe")


def _throttled(meter: Meter, dp: float, air: MeterAir) -> Metered:
    """Orifice or nozzle of ISO 5167: ``m = C/√(1−β⁴)·ε·A·√(2Δp·ρ₁)``."""
    from fluids import flow_meter as iso

    bore, pipe = meter.values["bore"], meter.values["pipe"]
    beta = bore / pipe
    if dp == 0:
        return Metered(0.0)
    downstream = air.pressure_pa - dp
    base = math.pi / 4 * bore**2 / math.sqrt(1 - beta**4) * math.sqrt(2 * dp * air.density_kg_m3)
    state = (air.density_kg_m3, air.viscosity_pa_s)
    formula: Callable[[float], float]
    if meter.kind == "orifice":
        epsilon = iso.orifice_expansibility(pipe, bore, air.pressure_pa, downstream, KAPPA)
        formula = lambda m: float(iso.C_Reader_Harris_Gallagher(pipe, bore, *state, m, meter.values["taps"]))  # noqa: E731
    else:
        epsilon = iso.nozzle_expansibility(pipe, bore, air.pressure_pa, downstream, KAPPA)
        of_shape: dict[str, Callable[[float], float]] = {
            "ISA 1932": lambda m: float(iso.C_ISA_1932_nozzle(pipe, bore, *state, m)),
            "long radius": lambda m: float(iso.C_long_radius_nozzle(pipe, bore, *state, m)),
            "venturi nozzle": lambda _: float(iso.C_venturi_nozzle(pipe, bore)),
        }
        formula = of_shape[meter.values["shape"]]
    flow, c = _iterated(formula, lambda c: c * epsilon * base)
    reynolds = 4 * flow / (math.pi * pipe * air.viscosity_pa_s)
    limits = _iso_5167_limits(meter, beta, reynolds, downstream / air.pressure_pa)
    u = _iso_5167_uncertainty(meter, beta, reynolds, dp / air.pressure_pa)
    return Metered(flow, c, float(epsilon), reynolds, limits, u)


def _iso_5167_limits(meter: Meter, beta: float, reynolds: float, tau: float) -> tuple[tuple[str, float, bool], ...]:
    """Limits of use of ISO 5167-2:2003, 5.3.1 and ISO 5167-3:2003, 5.1.6, 5.2.6 and 5.3.4."""
    bore, pipe = meter.values["bore"] * 1e3, meter.values["pipe"] * 1e3
    limits = _Limits()
    if meter.kind == "orifice":
        limits.within("d", bore, 12.5, math.inf, " mm")
        limits.within("D", pipe, 50, 1000, " mm")
        limits.within("β", beta, 0.1, 0.75)
        least = 5000.0
        if meter.values["taps"] == "flange":
            least = max(least, 170 * beta**2 * pipe)
        elif beta > 0.56:
            least = max(least, 16_000 * beta**2)
        limits.within("Re_D", reynolds, least, math.inf)
    else:
        diameters, betas, least, most = {
            "ISA 1932": ((50, 500), (0.3, 0.8), 7e4 if beta < 0.44 else 2e4, 1e7),
            "long radius": ((50, 630), (0.2, 0.8), 1e4, 1e7),
            "venturi nozzle": ((65, 500), (0.316, 0.775), 1.5e5, 2e6),
        }[meter.values["shape"]]
        limits.within("D", pipe, *diameters, " mm")
        if meter.values["shape"] == "venturi nozzle":
            limits.within("d", bore, 50, math.inf, " mm")
        limits.within("β", beta, *betas)
        limits.within("Re_D", reynolds, least, most)
    limits.within("p₂/p₁", tau, 0.75, 1.0)
    return tuple(limits.found)


def _iso_5167_uncertainty(meter: Meter, beta: float, reynolds: float, ratio: float) -> float:
    """Half the 95 % limits of C and ε (ISO 5167-2:2003, 5.3.3; -3:2003, 5.1.7, 5.2.7, 5.3.5), with bore and pipe."""
    if meter.kind == "orifice":
        c = (0.7 - beta) if beta < 0.2 else 0.5 if beta <= 0.6 else 1.667 * beta - 0.5
        if meter.values["pipe"] < 0.07112:
            c += 0.9 * (0.75 - beta) * (2.8 - meter.values["pipe"] / 0.0254)
        if beta > 0.5 and reynolds < 10_000:
            c += 0.5
        epsilon = 3.5 * ratio / KAPPA
    else:
        c, epsilon = {
            "ISA 1932": (0.8 if beta <= 0.6 else 2 * beta - 0.4, 2 * ratio),
            "long radius": (2.0, 2 * ratio),
            "venturi nozzle": (1.2 + 1.5 * beta**4, (4 + 100 * beta**8) * ratio),
        }[meter.values["shape"]]
    bore = 2 / (1 - beta**4) * meter.values.get("u_bore", 0.0)
    pipe = 2 * beta**4 / (1 - beta**4) * meter.values.get("u_pipe", 0.0)
    return math.sqrt((c / 200) ** 2 + (epsilon / 200) ** 2 + bore**2 + pipe**2)


def _plate(meter: Meter, dp: float, air: MeterAir) -> Metered:
    """A sharp-edged plate of known coefficient: ``m = C·ε·A·count·√(2Δp·ρ₁)``, ε of an orifice at β = 0."""
    values = meter.values
    area = values.get("area") or math.pi / 4 * values["hole"] ** 2
    tau = 1 - dp / air.pressure_pa
    epsilon = 1 - 0.351 * (1 - tau ** (1 / KAPPA))
    c = values.get("coefficient", 1.0)
    flow = c * epsilon * area * values.get("count", 1) * math.sqrt(2 * dp * air.density_kg_m3)
    return Metered(flow, c, epsilon)


def _laminar(meter: Meter, dp: float, air: MeterAir) -> Metered:
    """Hagen-Poiseuille: the volume at the upstream side follows Δp over viscosity."""
    values = meter.values
    volume = values["flow"] * dp / values["differential"] * viscosity(values["calibrated_at"]) / air.viscosity_pa_s
    return Metered(air.density_kg_m3 * volume)


def critical_flow_factor(pressure_pa: float, temperature_k: float) -> float:
    """Return the critical flow function C* of dry air.

    Parameters
    ----------
    pressure_pa, temperature_k : float
        Stagnation pressure [Pa] and temperature [K].

    Notes
    -----
    Our fit to CoolProp's dry air, 2e-5 from 0.5 to 3 bar and 0 to 50 °C.

    Examples
    --------
    >>> round(critical_flow_factor(101_325.0, 293.15), 5)
    0.68513
    """
    t = temperature_k - ZERO_CELSIUS_K
    return 0.684836 + 2.92e-9 * pressure_pa - (2.75e-6 + 3.21e-11 * pressure_pa) * (t - 20)


_TOROIDS = {
    "toroidal": (0.9959, 2.720, 0.5, 2.1e4, 3.2e7),
    "toroidal, accurately machined": (0.9985, 3.412, 0.5, 2.1e4, 1.4e6),
    "cylindrical": (0.9976, 0.1388, 0.2, 3.5e5, 1.1e7),
}
"""Shape -> a, b, n of ``C_d = a − b·Re^−n`` and the range of Re (ISO 9300:2005, from memory)."""


def _critical(meter: Meter, air: MeterAir) -> Metered:
    """A critical nozzle: ``m = C_d·A·count·C*·p₁·√(M/(R·T₁))``, p₁ and T₁ taken as stagnation (ISO 9300)."""
    values = meter.values
    throat, count = values["throat"], values.get("count", 1)
    mass = MOLAR_MASS_DRY_AIR * (1 - air.vapour * (1 - MOLAR_MASS_WATER / MOLAR_MASS_DRY_AIR))
    base = (
        math.pi / 4 * throat**2 * critical_flow_factor(air.pressure_pa, air.temperature_k) * air.pressure_pa
        * math.sqrt(mass / (GAS_CONSTANT * air.temperature_k))
    )  # fmt: skip

    def reynolds(flow: float) -> float:
        return float(4 * flow / (math.pi * throat * air.viscosity_pa_s))

    if "coefficient" in values:
        flow = values["coefficient"] * base
        return Metered(flow * count, values["coefficient"], None, reynolds(flow))
    a, b, n, low, high = _TOROIDS[values["shape"]]
    flow, c = _iterated(lambda m: a - b * reynolds(m) ** -n, lambda c: c * base)
    limits = _Limits()
    limits.within("Re", reynolds(flow), low, high)
    return Metered(flow * count, c, None, reynolds(flow), tuple(limits.found))


def _pitot(meter: Meter, pressures: tuple[float, ...], air: MeterAir) -> Metered:
    """A traverse: ``m = ρ₁·A·mean(factor·(1−ε)·√(2Δp/ρ₁))`` (ISO 3966)."""
    values = meter.values
    area = values.get("area") or math.pi / 4 * values["pipe"] ** 2
    velocities = []
    for dp in pressures:
        ratio = dp / air.pressure_pa
        compressible = math.sqrt(1 - ratio / (2 * KAPPA) + (KAPPA - 1) * ratio**2 / (6 * KAPPA**2))
        velocities.append(values["factor"] * compressible * math.sqrt(2 * dp / air.density_kg_m3))
    mean = math.fsum(velocities) / len(velocities) * values.get("profile", 1.0)
    limits = _Limits()
    if values["rule"] != "single":
        # Two diameters with three points a radius in a pipe; five lines of five by log-Tchebycheff elsewhere.
        least = 12 if values["rule"] == "log-linear" or "pipe" in values else 25
        limits.within("positions", len(pressures), least, math.inf)
    return Metered(air.density_kg_m3 * area * float(mean), values["factor"], None, None, tuple(limits.found))


def flow_through(meter: Meter, pressures: tuple[float, ...], air: MeterAir) -> Metered:
    """Return the mass flow through a meter of known differential.

    Parameters
    ----------
    meter : Meter
        Of a kind whose reading gives a mass flow, tables excepted.
    pressures : tuple of float
        Its differential [Pa], one a position for a pitot tube; not used for a critical nozzle.
    air : MeterAir
        At its upstream side.

    Returns
    -------
    Metered

    Raises
    ------
    CorrectionError
        If the differential is not below the upstream pressure.

    Notes
    -----
    Orifice and nozzles: ISO 5167-2:2003 and ISO 5167-3:2003 (by `fluids`); plate: the same expansibility at
    β = 0, common practice; laminar: Hagen and Poiseuille; critical nozzle: ISO 9300; pitot: ISO 3966.

    Examples
    --------
    >>> plate = Meter("m", "plate", {"hole": 0.032, "coefficient": 0.602})
    >>> round(flow_through(plate, (1000.0,), meter_air(AirState(), 101_325.0, 293.15)).flow, 5)
    0.0237
    """
    if meter.kind == "critical nozzle":
        return _critical(meter, air)
    if not max(pressures) < air.pressure_pa:
        raise CorrectionError(
            "the meter's differential is not below the pressure before it", "check the reading's unit"
        )
    if meter.kind == "pitot":
        return _pitot(meter, pressures, air)
    kinds: dict[str, Callable[[Meter, float, MeterAir], Metered]] = {
        "orifice": _throttled, "nozzle": _throttled, "plate": _plate, "laminar": _laminar,
    }  # fmt: skip
    return kinds[meter.kind](meter, pressures[0], air)


def table_flow(meter: Meter, reading: float) -> tuple[float, float]:
    """Return the flow of a calibration table and d ln Q/d ln r there; PCHIP as spec §4 (Fritsch & Butland 1984)."""
    from scipy.interpolate import PchipInterpolator

    readings, flows = zip(*meter.points, strict=True)
    curve: Any = PchipInterpolator(readings, flows)
    flow = float(curve(reading))
    slope = float(curve.derivative()(reading))
    return flow, reading * slope / flow if flow else 1.0


def percent_factor(meter: Meter, test_pa: float, draws: bool, barometer_pa: float, side_place: str) -> float:
    """Return what a percent scale made at one test pressure is multiplied by at another.

    ``sqrt(p₁/p₁ₐₜ)`` for an orifice element, ``p₁/p₁ₐₜ`` for a laminar one, p₁ without the meter's own differential.
    """
    at = meter.values["at"]
    ratio = upstream_pressure(side_place, draws, barometer_pa, test_pa, 0.0) / upstream_pressure(
        side_place, draws, barometer_pa, at, 0.0
    )
    return math.sqrt(ratio) if meter.values["element"] == "orifice" else float(ratio)


def room_density(room: AirState) -> float:
    """Density of the room's air [kg/m³]: a mass flow over it is the volume that went in."""
    return density(room)
