"""Density of moist air by the CIPM-2007 equation.

Source: A. Picard, R. S. Davis, M. Gläser, K. Fujii, "Revised formula for the density of
moist air (CIPM-2007)", Metrologia 45 (2008) 149-155, with its enhancement factor,
saturation vapour pressure and compressibility. The equation is recommended between
600 hPa and 1100 hPa and between 15 °C and 27 °C, where its relative standard uncertainty
is 22e-6. Outside it is still computed: against reference equations of state it stays
within 1e-4 from 0 °C to 45 °C, far below what a flow bench can tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from flowkit.errors import CorrectionError

__all__ = ["AirState", "density", "density_at", "saturation_pressure", "vapour_mole_fraction"]

ZERO_CELSIUS_K = 273.15
GAS_CONSTANT = 8.314472
"""Molar gas constant [J/(mol K)] as the equation uses it (CODATA 2006)."""
MOLAR_MASS_WATER = 18.01528e-3
"""Molar mass of water [kg/mol]."""


@dataclass(frozen=True, slots=True)
class AirState:
    """A state of moist air.

    Attributes
    ----------
    temperature_k, pressure_pa, relative_humidity : float
        Temperature [K], absolute pressure [Pa], fraction from 0 to 1.

    Examples
    --------
    >>> AirState(temperature_k=294.15, relative_humidity=0.45).pressure_pa
    101325.0
    """

    temperature_k: float = 293.15
    pressure_pa: float = 101_325.0
    relative_humidity: float = 0.0


def saturation_pressure(temperature_k: float) -> float:
    """Return the vapour pressure of water at saturation [Pa].

    Parameters
    ----------
    temperature_k : float
        Temperature [K].

    Returns
    -------
    float
        Pressure [Pa].

    Notes
    -----
    CIPM-2007 (Picard et al. 2008), appendix A1.1.

    Examples
    --------
    >>> round(saturation_pressure(293.15))
    2339
    """
    t = temperature_k
    return math.exp(1.2378847e-5 * t * t - 1.9121316e-2 * t + 33.93711047 - 6.3431645e3 / t)


def vapour_mole_fraction(air: AirState) -> float:
    """Return the mole fraction of water vapour in moist air.

    Parameters
    ----------
    air : AirState
        Temperature [K], absolute pressure [Pa], relative humidity as a fraction.

    Returns
    -------
    float
        Moles of vapour per mole of air.

    Raises
    ------
    CorrectionError
        If there is no such air: no pressure, no temperature, a humidity outside 0 to 1,
        or more vapour than air.

    Notes
    -----
    ``x_v = h·f(p, t)·p_sv(t)/p`` with the enhancement factor
    ``f = 1.00062 + 3.14e-8·p + 5.6e-7·t²``; CIPM-2007 (Picard et al. 2008), appendix A1.

    Examples
    --------
    >>> round(vapour_mole_fraction(AirState(293.15, 101_325.0, 0.5)), 5)
    0.01159
    """
    _refuse_impossible(air)
    celsius = air.temperature_k - ZERO_CELSIUS_K
    enhancement = 1.00062 + 3.14e-8 * air.pressure_pa + 5.6e-7 * celsius * celsius
    fraction = air.relative_humidity * enhancement * saturation_pressure(air.temperature_k) / air.pressure_pa
    if fraction >= 1:
        raise CorrectionError(
            f"air at {celsius:.1f} °C, {air.pressure_pa:.0f} Pa and {100 * air.relative_humidity:.0f} % humidity would "
            "be more vapour than air",
            "check temperature, barometer and humidity and their units",
        )
    return fraction


def density(air: AirState, co2: float = 400e-6) -> float:
    """Return the density of moist air [kg/m³].

    Parameters
    ----------
    air : AirState
        Temperature [K], absolute pressure [Pa], relative humidity as a fraction.
    co2 : float, optional
        Mole fraction of carbon dioxide.

    Returns
    -------
    float
        Density [kg/m³].

    Raises
    ------
    CorrectionError
        If there is no such air.

    Notes
    -----
    CIPM-2007 (Picard et al., Metrologia 45 (2008) 149), equation (1).

    Examples
    --------
    >>> round(density(AirState()), 4)
    1.2046
    """
    return density_at(air.temperature_k, air.pressure_pa, vapour_mole_fraction(air), co2)


def density_at(temperature_k: float, pressure_pa: float, vapour_fraction: float, co2: float = 400e-6) -> float:
    """Return the density of air that holds a known share of vapour [kg/m³].

    Air that is warmed or throttled keeps its mole fraction of vapour, not its relative
    humidity: this is the density of the room's air once it has reached the meter.

    Parameters
    ----------
    temperature_k : float
        Temperature [K].
    pressure_pa : float
        Absolute pressure [Pa].
    vapour_fraction : float
        Mole fraction of water vapour.
    co2 : float, optional
        Mole fraction of carbon dioxide.

    Returns
    -------
    float
        Density [kg/m³].

    Raises
    ------
    CorrectionError
        If temperature or pressure are not above zero.

    Notes
    -----
    CIPM-2007 (Picard et al. 2008), equation (1) and appendix A1.

    Examples
    --------
    >>> round(density_at(303.15, 95_000.0, 0.01), 3)
    1.088
    """
    _refuse_impossible(AirState(temperature_k, pressure_pa))
    molar_mass = (28.96546 + 12.011 * (co2 - 0.0004)) * 1e-3
    compressibility = _compressibility(temperature_k, pressure_pa, vapour_fraction)
    dry = pressure_pa * molar_mass / (compressibility * GAS_CONSTANT * temperature_k)
    return dry * (1 - vapour_fraction * (1 - MOLAR_MASS_WATER / molar_mass))


def _compressibility(temperature_k: float, pressure_pa: float, vapour: float) -> float:
    """Return the compressibility factor Z of CIPM-2007, appendix A1.4."""
    t = temperature_k - ZERO_CELSIUS_K
    ratio = pressure_pa / temperature_k
    virial = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t * t
        + (5.707e-6 - 2.051e-8 * t) * vapour
        + (1.9898e-4 - 2.376e-6 * t) * vapour * vapour
    )
    return 1 - ratio * virial + ratio * ratio * (1.83e-11 - 0.765e-8 * vapour * vapour)


def _refuse_impossible(air: AirState) -> None:
    """Raise for air that cannot be."""
    if not (math.isfinite(air.temperature_k) and air.temperature_k > 0):
        raise CorrectionError(f"an air temperature of {air.temperature_k:g} K is not possible", "check it and its unit")
    if not (math.isfinite(air.pressure_pa) and air.pressure_pa > 0):
        raise CorrectionError(
            f"an absolute air pressure of {air.pressure_pa:g} Pa is not possible", "check the barometer and its unit"
        )
    if not 0 <= air.relative_humidity <= 1:
        raise CorrectionError(
            f"a relative humidity of {air.relative_humidity:g} is not possible", "give it between 0 and 100 %"
        )
