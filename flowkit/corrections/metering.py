"""From what a meter showed to a flow: the formulas of every kind, with their sources and their limits.

Discharge and expansibility of standard orifices and nozzles come from `fluids` (ISO 5167-2 and -3); ours are the
air, its state at the meter and the chain. Everything is SI.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from flowkit.air import MOLAR_MASS_WATER, ZERO_CELSIUS_K, density_at, vapour_mole_fraction
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
    """Return the dynamic viscosity of air [Pa s] at a temperature [K].

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
    """Return the density of air-free water at 101 325 Pa [kg/m³] at a temperature from 0 to 40 °C [K].

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
    known = manometer.liquid_temperature_k if temperature_k is None else temperature_k
    density = manometer.density_kg_m3 or 0.0
    if manometer.needs_temperature:
        if known is None:
            problem = "the temperature of the manometer's liquid is not known"
            raise CorrectionError(problem, "state liquid_temperature in the meter's manometer")
        rise = known - (manometer.density_at_k or known)
        density = water_density(known) if manometer.water else density / (1 + (manometer.expansion_1_k or 0.0) * rise)
    slope = math.sin(math.radians(manometer.angle_deg)) + manometer.area_ratio
    return density * manometer.gravity_m_s2 * length_m * slope


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


Limit = tuple[str, float, bool]
"""A limit of a standard in words, the value, and whether it is kept."""


@dataclass(frozen=True, slots=True)
class Metered:
    """What one meter passes at one reading."""

    flow: float  # kg/s
    coefficient: float | None = None
    expansibility: float | None = None
    reynolds: float | None = None  # of the pipe, or of a critical nozzle's throat
    limits: tuple[Limit, ...] = ()
    u: float = 0.0  # of coefficient and expansibility by the standard, as a share


def _within(words: str, value: float, low: float, high: float = math.inf, unit: str = "") -> Limit:
    """Compare with one limit; a rounding error does not break it."""
    kept = low * (1 - 1e-9) <= value <= high * (1 + 1e-9)
    bounds = f"from {low:g} to {high:g}{unit}" if math.isfinite(high) else f"at least {low:g}{unit}"
    return f"{words} {bounds}", value, kept


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

    if dp == 0:
        return Metered(0.0)
    bore, pipe = meter.values["bore"], meter.values["pipe"]
    beta, downstream = bore / pipe, air.pressure_pa - dp
    base = math.pi / 4 * bore**2 / math.sqrt(1 - beta**4) * math.sqrt(2 * dp * air.density_kg_m3)
    state = (air.density_kg_m3, air.viscosity_pa_s)
    expansibility = iso.orifice_expansibility if meter.kind == "orifice" else iso.nozzle_expansibility
    epsilon = expansibility(pipe, bore, air.pressure_pa, downstream, KAPPA)

    def coefficient(mass: float) -> float:
        """Return C by the standard of the orifice, or of the nozzle's shape."""
        if meter.kind == "orifice":
            return float(iso.C_Reader_Harris_Gallagher(pipe, bore, *state, mass, meter.values["taps"]))
        if meter.values["shape"] == "venturi nozzle":
            return float(iso.C_venturi_nozzle(pipe, bore))
        isa = meter.values["shape"] == "ISA 1932"
        return float((iso.C_ISA_1932_nozzle if isa else iso.C_long_radius_nozzle)(pipe, bore, *state, mass))

    flow, c = _iterated(coefficient, lambda c: c * epsilon * base)
    reynolds = 4 * flow / (math.pi * pipe * air.viscosity_pa_s)
    limits, u = (_orifice_terms if meter.kind == "orifice" else _nozzle_terms)(
        meter, beta, reynolds, dp / air.pressure_pa
    )
    limits = (*limits, _within("p₂/p₁", downstream / air.pressure_pa, 0.75, 1.0))
    u_bore = 2 / (1 - beta**4) * meter.values.get("u_bore", 0.0)
    u_pipe = 2 * beta**4 / (1 - beta**4) * meter.values.get("u_pipe", 0.0)
    u_all = math.sqrt((u[0] / 200) ** 2 + (u[1] / 200) ** 2 + u_bore**2 + u_pipe**2)
    return Metered(flow, c, float(epsilon), reynolds, limits, u_all)


Terms = tuple[tuple[Limit, ...], tuple[float, float]]
"""Limits of use, and the 95 % limits of C and ε [%]."""


def _orifice_terms(meter: Meter, beta: float, reynolds: float, ratio: float) -> Terms:
    """ISO 5167-2:2003, 5.3.1 and 5.3.3."""
    bore, pipe = meter.values["bore"] * 1e3, meter.values["pipe"] * 1e3
    least = 5000.0
    if meter.values["taps"] == "flange":
        least = max(least, 170 * beta**2 * pipe)
    elif beta > 0.56:
        least = max(least, 16_000 * beta**2)
    c = (0.7 - beta) if beta < 0.2 else 0.5 if beta <= 0.6 else 1.667 * beta - 0.5
    if meter.values["pipe"] < 0.07112:
        c += 0.9 * (0.75 - beta) * (2.8 - meter.values["pipe"] / 0.0254)
    if beta > 0.5 and reynolds < 10_000:
        c += 0.5
    limits = (
        _within("d", bore, 12.5, unit=" mm"),
        _within("D", pipe, 50, 1000, " mm"),
        _within("β", beta, 0.1, 0.75),
        _within("Re_D", reynolds, least),
    )
    return limits, (c, 3.5 * ratio / KAPPA)


def _nozzle_terms(meter: Meter, beta: float, reynolds: float, ratio: float) -> Terms:
    """ISO 5167-3:2003, 5.1.6, 5.2.6, 5.3.4 and 5.1.7, 5.2.7, 5.3.5."""
    bore, pipe, shape = meter.values["bore"] * 1e3, meter.values["pipe"] * 1e3, meter.values["shape"]
    diameters, betas, numbers, u = {
        "ISA 1932": (
            (50, 500), (0.3, 0.8), (7e4 if beta < 0.44 else 2e4, 1e7),
            (0.8 if beta <= 0.6 else 2 * beta - 0.4, 2 * ratio),
        ),
        "long radius": ((50, 630), (0.2, 0.8), (1e4, 1e7), (2.0, 2 * ratio)),
        "venturi nozzle": (
            (65, 500), (0.316, 0.775), (1.5e5, 2e6), (1.2 + 1.5 * beta**4, (4 + 100 * beta**8) * ratio)
        ),
    }[shape]  # fmt: skip
    limits = (
        _within("D", pipe, *diameters, " mm"),
        *([_within("d", bore, 50, unit=" mm")] if shape == "venturi nozzle" else []),
        _within("β", beta, *betas),
        _within("Re_D", reynolds, *numbers),
    )
    return limits, u


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
    return Metered(flow * count, c, None, reynolds(flow), (_within("Re", reynolds(flow), low, high),))


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
    # Two diameters with three points a radius in a pipe; five lines of five by log-Tchebycheff elsewhere.
    least = 12 if values["rule"] == "log-linear" or "pipe" in values else 25
    limits = () if values["rule"] == "single" else (_within("positions", len(pressures), least),)
    return Metered(air.density_kg_m3 * area * float(mean), values["factor"], None, None, limits)


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
        problem = "the meter's differential is not below the pressure before it"
        raise CorrectionError(problem, "check the reading's unit")
    if meter.kind == "pitot":
        return _pitot(meter, pressures, air)
    formula = {"plate": _plate, "laminar": _laminar}.get(meter.kind, _throttled)
    return formula(meter, pressures[0], air)


def table_flow(meter: Meter, reading: float) -> tuple[float, float]:
    """Return the flow of a calibration table and d ln Q/d ln r there; PCHIP as spec §4 (Fritsch & Butland 1984)."""
    from scipy.interpolate import PchipInterpolator

    readings, flows = zip(*meter.points, strict=True)
    curve: Any = PchipInterpolator(readings, flows)
    flow = float(curve(reading))
    slope = float(curve.derivative()(reading))
    return flow, reading * slope / flow if flow else 1.0
