"""What units, moist air and corrections are held against."""

from __future__ import annotations

import math
from functools import partial

from flowkit.air import density, saturation_pressure
from flowkit.corrections.bore import bore_factor, gap_area, shrouded_area, unshrouded_area
from flowkit.corrections.pressure import (
    critical_pressure_ratio,
    flow_function,
    law_difference,
    pressure_factor,
    reference_velocity,
)
from flowkit.model import INH2O_PA, AirState, Reference, Side
from flowkit.units import FOOT, UNITS, to_si
from tests.published.checks import Check

__all__ = ["CHECKS"]

_SP811 = "NIST SP 811 (2008), appendix B.8, seven figures; from memory"
_STEAM = (
    "steam tables after IAPWS-95 (saturated water by temperature), from memory; the formula is its own, hence 0.01 %"
)
_NACA = "NACA Report 1135 (1953), table I, four decimals; from memory"
_BUDGET = "budget of uncertainty of Picard et al., Metrologia 45 (2008) 149, one digit; from memory"
_OIML = "OIML R 111-1 (2004), equation (E.3-1), stated uncertainty 2e-4; from memory"
_COMMON = "common practice, no source"


def _units() -> tuple[Check, ...]:
    """Return the checks of conversion factors, as printed with seven figures."""
    printed = {
        "in": "2.54E-02",
        "thou": "2.54E-05",
        "in²": "6.4516E-04",
        "CFM": "4.719474E-04",
        "CFS": "2.831685E-02",
        "inH2O": "2.490889E+02",
        "cmH2O": "9.80665E+01",
        "mmH2O": "9.80665E+00",
        "inHg": "3.386389E+03",
        "mmHg": "1.333224E+02",
        "psi": "6.894757E+03",
        "lb/min": "7.559873E-03",
    }
    checks = []
    for name, text in printed.items():
        exponent = int(text.partition("E")[2])
        half = 0.5 * 10.0 ** (exponent - 6)
        checks.append(Check(f"1 {name} in SI", _SP811, float(text), half, "SI", partial(_factor, name)))
    for value, unit, kelvin in ((32.0, "°F", 273.15), (212.0, "°F", 373.15), (20.0, "°C", 293.15)):
        source = "definition of the scales, exact (rounding of floating-point numbers allowed)"
        checks.append(Check(f"{value:g} {unit}", source, kelvin, 1e-9, "K", partial(to_si, value, unit)))
    return tuple(checks)


def _factor(name: str) -> float:
    """Return a unit's factor to SI."""
    return UNITS[name].factor


def _oiml(hpa: float, percent: float, celsius: float) -> float:
    """Return the density of air by the approximation of OIML R 111-1, equation (E.3-1)."""
    return (0.34848 * hpa - 0.009 * percent * math.exp(0.061 * celsius)) / (273.15 + celsius)


def _moist_air() -> tuple[Check, ...]:
    """Return the checks of vapour pressure and density."""
    checks = [
        Check(
            f"vapour pressure of water at saturation, {celsius:g} °C",
            _STEAM,
            kilopascal,
            1e-4 * kilopascal,
            "kPa",
            partial(_saturation_kpa, celsius),
        )
        for celsius, kilopascal in ((15.0, 1.7057), (20.0, 2.3392), (25.0, 3.1698), (30.0, 4.2469))
    ]
    for celsius, value, half in ((0.0, 1.293, 0.0005), (20.0, 1.204, 0.001)):
        checks.append(
            Check(
                f"dry air, {celsius:g} °C, 101 325 Pa",
                "handbook density of dry air, from memory; at 20 °C that of a perfect gas, real air is 0.04 % denser",
                value,
                half,
                "kg/m³",
                partial(density, AirState(celsius + 273.15, 101_325.0, 0.0)),
            )
        )
    for hpa, percent, celsius in ((1013.25, 50.0, 20.0), (950.0, 30.0, 15.0), (1050.0, 70.0, 27.0)):
        value = _oiml(hpa, percent, celsius)
        checks.append(
            Check(
                f"moist air, {celsius:g} °C, {hpa:g} hPa, {percent:g} % RH",
                _OIML,
                value,
                2e-4 * value,
                "kg/m³",
                partial(density, AirState(celsius + 273.15, hpa * 100, percent / 100)),
            )
        )
    for name, expected, half, unit, step in (
        ("pressure", 1e-5, 0.05e-5, "1/Pa", (0.0, 10.0, 0.0)),
        ("temperature", -4e-3, 0.5e-3, "1/K", (0.1, 0.0, 0.0)),
        ("relative humidity", -9e-3, 0.5e-3, "", (0.0, 0.0, 0.01)),
    ):
        what = f"relative change of density with {name}, 20 °C, 1013.25 hPa, 50 % RH"
        checks.append(Check(what, _BUDGET, expected, half, unit, partial(_sensitivity, step)))
    return tuple(checks)


def _sensitivity(step: tuple[float, float, float]) -> float:
    """Return the relative change of density per unit of the one input that steps [K, Pa, fraction]."""
    kelvin, pascal, humidity = step
    up = density(AirState(293.15 + kelvin, 101_325.0 + pascal, 0.5 + humidity))
    down = density(AirState(293.15 - kelvin, 101_325.0 - pascal, 0.5 - humidity))
    return math.log(up / down) / (2 * (kelvin + pascal + humidity))


def _saturation_kpa(celsius: float) -> float:
    """Return the vapour pressure at saturation [kPa]."""
    return saturation_pressure(celsius + 273.15) / 1000


def _area_ratio(mach: float) -> float:
    """Return A/A* at a Mach number, from the flow function."""
    return flow_function(critical_pressure_ratio()) / flow_function((1 + 0.2 * mach**2) ** -3.5)


def _nozzle() -> tuple[Check, ...]:
    """Return the checks of the flow function and of choking."""
    table = (
        (0.1, 5.8218),
        (0.2, 2.9635),
        (0.3, 2.0351),
        (0.4, 1.5901),
        (0.5, 1.3398),
        (0.6, 1.1882),
        (0.7, 1.0944),
        (0.8, 1.0382),
        (0.9, 1.0089),
    )
    checks = [Check(f"A/A* at Mach {m:g}", _NACA, ratio, 5e-5, "", partial(_area_ratio, m)) for m, ratio in table]
    checks += [
        Check("critical pressure ratio", _NACA, 0.5283, 5e-5, "", critical_pressure_ratio),
        Check(
            "flow function of the choked nozzle",
            "mass flow parameter of gas-dynamics textbooks, four decimals; from memory",
            0.6847,
            5e-5,
            "",
            partial(flow_function, 0.3),
        ),
    ]
    return tuple(checks)


def _pressure() -> tuple[Check, ...]:
    """Return the checks of pressure factors and velocities."""
    factors = ((10, 28, 1.673), (25, 28, 1.058), (12, 28, 1.528), (28, 10, 0.598), (28, 25, 0.945))
    checks = [
        Check(
            f"factor from {start} to {end} inH2O, square-root law",
            _COMMON,
            factor,
            5e-4,
            "",
            partial(pressure_factor, "square-root", None, start * INH2O_PA, end * INH2O_PA),
        )
        for start, end, factor in factors
    ]
    velocity = 4005 * math.sqrt(28)
    checks.append(
        Check(
            "velocity at 28 inH2O",
            "V = 4005·sqrt(VP) of ventilation handbooks, from memory; their inch of water and standard air "
            "differ from these by up to 0.1 %",
            velocity,
            1e-3 * velocity,
            "ft/min",
            _velocity_ft_min,
        )
    )
    expansion: tuple[tuple[Side, float], ...] = (("intake", 0.025), ("exhaust", 0.002))
    for side, difference in expansion:
        checks.append(
            Check(
                f"square-root over compressible law from 10 to 28 inH2O, {side}",
                "expansion factor of a nozzle (API 520, ISO 5167), rounded to 0.1 %",
                difference,
                5e-4,
                "",
                partial(law_difference, side, 10 * INH2O_PA, 28 * INH2O_PA),
            )
        )
    return tuple(checks)


def _velocity_ft_min() -> float:
    """Return the reference velocity of the square-root law at 28 inH2O [ft/min]."""
    return reference_velocity(Reference(), "intake") / FOOT * 60


def _bore() -> tuple[Check, ...]:
    """Return the checks of the bore model against what is known of it in closed form."""
    bore, valve, head = 0.0805, 0.038, 900e-6
    gap = math.pi / 4 * (bore**2 - valve**2)
    on_axis = 1 / math.sqrt(1 / head**2 + 1 / gap**2)
    closed = "closed form of the model (series of two areas)"
    return (
        Check(
            "shrouded area on the axis",
            closed,
            on_axis,
            1e-12 * on_axis,
            "m²",
            partial(shrouded_area, head, bore, valve),
        ),
        Check("its inverse", closed, head, 1e-9 * head, "m²", partial(unshrouded_area, on_axis, bore, valve)),
        Check(
            "a head without limit passes what the gap passes, valve 15 mm off the axis",
            "area of bore less area of valve, whatever the offset (geometry)",
            gap_area(bore, valve),
            1e-9 * gap,
            "m²",
            partial(shrouded_area, 1e6, bore, valve, 0.015),
        ),
        Check(
            "a bore without limit shrouds nothing, valve 15 mm off the axis",
            "limit of the model for a large bore",
            head,
            1e-9 * head,
            "m²",
            partial(shrouded_area, head, 1e4, valve, 0.015),
        ),
        Check("the same bore changes nothing", "identity", 1.0, 0.0, "", partial(_same_bore, bore, valve)),
    )


def _same_bore(bore: float, valve: float) -> float:
    """Return the factor where fixture and engine have the same bore."""
    return bore_factor(0.09, 107.6, fixture_bore_m=bore, engine_bore_m=bore, valve_diameter_m=valve, offset_m=0.015)


CHECKS: tuple[Check, ...] = (*_units(), *_moist_air(), *_nozzle(), *_pressure(), *_bore())
"""Every check, in the order of the corrections."""
