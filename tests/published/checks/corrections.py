"""Units, moist air and corrections."""

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

_SP811 = "NIST SP 811 (2008), appendix B.8, seven figures; read in the R package NISTunits 1.0.1, R/NISTfactors.R"
_STEAM = (
    "IAPWS-95, read by running the Python package iapws 1.5.5 (it meets the release's check values); the formula is "
    "one of its own, hence 0.01 %"
)
_TABLE_I = "isentropic flow, ratio of specific heats 1.4 (NACA Report 1135, table I), four decimals; "
_MATTHEWS = _TABLE_I + "read in Matthews, Aeronautical Engineer's Data Book (2002), table A4.1"
_APPENDIX = _TABLE_I + "read in a textbook's appendix, table A.1 (k = 1.4), p. 640"
_SCIKIT = _TABLE_I + "read in the package scikit-aero 0.2.dev0, test_isentropic.py"
_FAROKHI = _TABLE_I + "2.035065 rounded; Farokhi, Aircraft Propulsion (2nd ed. 2014), appendix B, cuts it off"
_REWORKED = _TABLE_I + "from memory, worked anew"
_BUDGET = (
    "National Physical Laboratory (UK), How is air density determined?, table of uncertainties: 0.5 hPa goes with "
    "500 ppm, 0.1 °C with 360 ppm; one digit"
)
_HUMIDITY = (
    "worked anew from CIPM-2007 (−8.7e-3), rounded; from memory. The National Physical Laboratory's page has 5 % with "
    "350 ppm (−7.0e-3) at a temperature it does not state"
)
_SOP2 = "NIST SOP 2 (Harris, NISTIR 6969, 2019), read in the R package masscor 0.0.7.1, "
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
        for celsius, kilopascal in ((15.0, 1.7058), (20.0, 2.3393), (25.0, 3.1699), (30.0, 4.2470))
    ]
    z_air = "real air with Z of ISO 6976:2016, read in NeqSim, Standard_ISO6976_2016.java"
    for celsius, value, half, source in (
        (0.0, 1.293, 0.0005, "engineering tables of dry air; " + z_air + ": 1.293046"),
        (0.0, 1.293046, 5e-6, z_air),
        (15.0, 1.225519, 5e-6, z_air),
        (20.0, 1.2046, 0.00005, z_air + ": 1.204557"),
    ):
        name = f"dry air, {celsius:g} °C, 101 325 Pa" + (", six figures" if half == 5e-6 else "")
        checks.append(Check(name, source, value, half, "kg/m³", partial(_density, 1013.25, 0.0, celsius)))
    for hpa, percent, celsius in ((1013.25, 50.0, 20.0), (950.0, 30.0, 15.0), (1050.0, 70.0, 27.0)):
        value = _oiml(hpa, percent, celsius)
        checks.append(
            Check(
                f"moist air, {celsius:g} °C, {hpa:g} hPa, {percent:g} % RH",
                _OIML,
                value,
                2e-4 * value,
                "kg/m³",
                partial(_density, hpa, percent, celsius),
            )
        )
    for name, expected, half, unit, step in (
        ("pressure", 1e-5, 0.05e-5, "1/Pa", (0.0, 10.0, 0.0)),
        ("temperature", -4e-3, 0.5e-3, "1/K", (0.1, 0.0, 0.0)),
        ("relative humidity", -9e-3, 0.5e-3, "", (0.0, 0.0, 0.01)),
    ):
        what = f"relative change of density with {name}, 20 °C, 1013.25 hPa, 50 % RH"
        source = _HUMIDITY if name == "relative humidity" else _BUDGET
        checks.append(Check(what, source, expected, half, unit, partial(_sensitivity, step)))
    return (*checks, *_worked_densities(), *_standard_atmosphere())


_MMHG_HPA = 1.33322387415
_ANCHORED = (
    (22.3, 748.1 * _MMHG_HPA, 37.0, 1.17194, _SOP2 + "tests (appendix B: 748.1 mmHg)"),
    (23.4, 612.3 * _MMHG_HPA, 23.0, 0.95632, _SOP2 + "tests (appendix B: 612.3 mmHg)"),
    (10.0, 730.0 * _MMHG_HPA, 40.0, 1.19569, "Gupta, Mass Metrology, p. 205 (730 mmHg), read in masscor, tests"),
    (40.0, 760.0 * _MMHG_HPA, 40.0, 1.11497, "Gupta, Mass Metrology, p. 205 (760 mmHg), read in masscor, tests"),
)


def _worked_densities() -> tuple[Check, ...]:
    """Return worked densities of moist air; other formulas than ours gave them, which agree to 1e-4."""
    checks = [
        Check(
            f"worked example, {celsius:g} °C, {hpa:.2f} hPa, {percent:g} % RH",
            f"{source}; by another formula, hence 1e-4",
            value,
            1e-4 * value,
            "kg/m³",
            partial(_density, hpa, percent, celsius),
        )
        for celsius, hpa, percent, value, source in _ANCHORED
    ]
    iec = "IEC 61094-2:2009, table F.1, read in the package phonometry, humid-air module; half the last digit"
    name = "moist air, 23 °C, 1013.25 hPa, 50 % RH"
    return (*checks, Check(name, iec, 1.186, 5e-4, "kg/m³", partial(_density, 1013.25, 50.0, 23.0)))


def _standard_atmosphere() -> tuple[Check, ...]:
    """Return the densities of the standard atmosphere, which takes air for a perfect gas."""
    source = (
        "U.S. Standard Atmosphere 1976, table I, read in the packages ambiance 1.3.1 and fluids; a perfect gas of "
        "28.9644 g/mol, hence 6e-4"
    )
    rows = (
        (-500, 291.400, 1074.7, 1.2849),
        (0, 288.150, 1013.25, 1.2250),
        (1000, 281.651, 898.76, 1.1117),
        (2000, 275.154, 795.01, 1.0066),
        (3000, 268.659, 701.21, 0.90925),
    )
    return tuple(
        Check(
            f"standard atmosphere, {metres} m",
            source,
            value,
            6e-4 * value,
            "kg/m³",
            partial(_density, hpa, 0.0, kelvin - 273.15),
        )
        for metres, kelvin, hpa, value in rows
    )


def _density(hpa: float, percent: float, celsius: float) -> float:
    """Return the density of air."""
    return density(AirState(celsius + 273.15, hpa * 100, percent / 100))


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


def _area_ratio_at(pressure_ratio: float) -> float:
    """Return A/A* where the pressure is a share of that at rest, from the flow function."""
    return flow_function(critical_pressure_ratio()) / flow_function(pressure_ratio)


def _nozzle() -> tuple[Check, ...]:
    """Return the checks of the flow function and of choking."""
    table = (
        (0.05, 11.5914, _MATTHEWS),
        (0.1, 5.8218, _MATTHEWS),
        (0.15, 3.9103, _MATTHEWS),
        (0.2, 2.9635, _MATTHEWS),
        (0.25, 2.4027, _SCIKIT),
        (
            0.3,
            2.0351,
            _TABLE_I + "2.035065 rounded; Farokhi, Aircraft Propulsion (2nd ed. 2014), appendix B, cuts it off",
        ),
        (0.35, 1.7780, _SCIKIT),
        (0.38, 1.6587, _SCIKIT),
        (0.4, 1.5901, _REWORKED),
        (0.5, 1.3398, _APPENDIX),
        (0.52, 1.3034, _APPENDIX),
        (0.54, 1.2703, _APPENDIX),
        (0.56, 1.2403, _APPENDIX),
        (0.58, 1.2130, _APPENDIX),
        (0.6, 1.1882, _APPENDIX),
        (0.7, 1.0944, _REWORKED),
        (0.79, 1.0425, _SCIKIT),
        (0.8, 1.0382, _SCIKIT),
        (0.82, 1.0305, _MATTHEWS),
        (0.84, 1.0237, _MATTHEWS),
        (0.86, 1.0179, _MATTHEWS),
        (0.88, 1.0129, _MATTHEWS),
        (0.9, 1.0089, _MATTHEWS),
        (0.95, 1.0021, _MATTHEWS),
        (0.99, 1.0001, _MATTHEWS),
    )
    checks = [
        Check(f"A/A* at Mach {m:g}", source, ratio, 5e-5, "", partial(_area_ratio, m)) for m, ratio, source in table
    ]
    compair = "CompAir.jl 1.2.0, test/nozzle_tests.jl"
    for ratio, mach, pressure in ((2.0, 0.3059, 0.937163), (3.0, 0.1974, 0.973182), (4.0, 0.1465, 0.985111)):
        name = f"A/A* where the pressure is {pressure} of that at rest (Mach {mach})"
        checks.append(Check(name, compair, ratio, 1e-4, "", partial(_area_ratio_at, pressure)))
    checks += [
        Check(
            "critical pressure ratio",
            _TABLE_I + "read in Matthews (2002), table A4.2",
            0.5283,
            5e-5,
            "",
            critical_pressure_ratio,
        ),
        Check(
            "flow function of the choked nozzle",
            "mass flow parameter, four decimals; read in CompAir.jl 1.2.0, test/nozzle_tests.jl (NACA 1135)",
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
            "V = 4005·sqrt(VP), air of 0.075 lb/ft³; read on pages quoting ACGIH, Industrial Ventilation; their inch "
            "of water and standard air differ from these by up to 0.1 %",
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
