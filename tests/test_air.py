"""Moist air against the paper's condensed form, OIML R 111, steam tables, CoolProp and PsychroLib."""

from __future__ import annotations

import itertools
import math

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowkit.air import density, density_at, saturation_pressure, vapour_mole_fraction
from flowkit.errors import CorrectionError
from flowkit.model import AirState
from tests.published import cipm_2007

VALID = list(itertools.product((15.0, 20.0, 27.0), (60e3, 90e3, 101_325.0, 110e3), (0.0, 0.3, 0.6, 1.0)))
BEYOND = list(itertools.product((0.0, 8.0, 35.0, 45.0), (60e3, 101_325.0, 110e3), (0.0, 0.5, 1.0)))


def HAPropsSI(*state) -> float:
    from CoolProp.HumidAirProp import HAPropsSI

    return HAPropsSI(*state)


@pytest.mark.parametrize(("celsius", "pressure", "humidity"), VALID)
def test_density_agrees_with_reference_equation_of_state(celsius: float, pressure: float, humidity: float) -> None:
    """CoolProp, ASHRAE RP-1485. Its molar mass and CO2 differ from CIPM-2007's: hence 5e-5."""
    volume = HAPropsSI("Vha", "T", celsius + 273.15, "P", pressure, "R", humidity)
    assert density(AirState(celsius + 273.15, pressure, humidity)) == pytest.approx(1 / volume, rel=5e-5)


@pytest.mark.parametrize(("celsius", "pressure", "humidity"), BEYOND)
def test_density_beyond_the_recommended_range(celsius: float, pressure: float, humidity: float) -> None:
    """What the module says of itself: within 1e-4 of CoolProp from 0 °C to 45 °C."""
    volume = HAPropsSI("Vha", "T", celsius + 273.15, "P", pressure, "R", humidity)
    assert density(AirState(celsius + 273.15, pressure, humidity)) == pytest.approx(1 / volume, rel=1e-4)


@pytest.mark.parametrize(("celsius", "pressure", "humidity"), VALID)
def test_density_agrees_with_perfect_gas_handbook(celsius: float, pressure: float, humidity: float) -> None:
    """PsychroLib, ASHRAE Handbook of Fundamentals 2017, ch. 1: a perfect gas, Z = 1 instead of 0.9995: hence 7e-4."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = psychrolib.GetHumRatioFromRelHum(celsius, humidity, pressure)
    expected = psychrolib.GetMoistAirDensity(celsius, ratio, pressure)
    assert density(AirState(celsius + 273.15, pressure, humidity)) == pytest.approx(expected, rel=7e-4)


def test_density_agrees_with_oiml_approximation_over_its_range() -> None:
    span = cipm_2007.OIML_R111_RANGE
    for hpa, celsius, percent in itertools.product(span["hPa"], (10.0, 20.0, 30.0), (0.0, 40.0, 80.0)):
        expected = (0.34848 * hpa - 0.009 * percent * math.exp(0.061 * celsius)) / (273.15 + celsius)
        actual = density(AirState(celsius + 273.15, hpa * 100, percent / 100))
        # Its 2e-4 is a standard uncertainty; 1.5 of it covers the corners of its range.
        assert actual == pytest.approx(expected, rel=1.5 * cipm_2007.OIML_R111_RELATIVE)


def test_density_is_the_condensed_equation_of_the_paper() -> None:
    """Equation (2) of the paper; its seven printed figures leave 1e-6, its 0.3780 another 1e-6 of vapour."""
    a, b, c = cipm_2007.CONDENSED
    for celsius, pressure, humidity, co2 in ((20.0, 101_325.0, 0.5, 400e-6), (25.0, 95_000.0, 0.8, 600e-6)):
        air = AirState(celsius + 273.15, pressure, humidity)
        vapour = vapour_mole_fraction(air)
        perfect = (a + b * (co2 - 0.0004)) * pressure / (celsius + 273.15) * (1 - c * vapour)
        ours = density(air, co2)
        z = perfect / ours
        assert 0.9990 < z < 0.9999
        # Z of reference: CoolProp's compressibility of the mixture (key "Z").
        assert z == pytest.approx(HAPropsSI("Z", "T", air.temperature_k, "P", pressure, "R", humidity), abs=3e-5)


def test_sensitivities_are_those_of_the_papers_budget() -> None:
    def log_density(kelvin: float = 0.0, pascal: float = 0.0, humidity: float = 0.0, co2: float = 0.0) -> float:
        return math.log(density(AirState(293.15 + kelvin, 101_325.0 + pascal, 0.5 + humidity), 400e-6 + co2))

    steps = {"pressure": ("pascal", 10.0), "temperature": ("kelvin", 0.1), "humidity": ("humidity", 0.01)}
    for name, (key, step) in {**steps, "carbon dioxide": ("co2", 1e-4)}.items():
        expected, half = cipm_2007.SENSITIVITIES[name]
        slope = (log_density(**{key: step}) - log_density(**{key: -step})) / (2 * step)
        assert slope == pytest.approx(expected, abs=half), name


@pytest.mark.parametrize(("celsius", "kilopascal"), cipm_2007.SATURATION_KPA)
def test_saturation_pressure_agrees_with_steam_tables(celsius: float, kilopascal: float) -> None:
    assert saturation_pressure(celsius + 273.15) == pytest.approx(kilopascal * 1000, rel=1e-4)


def test_saturation_pressure_agrees_with_if97() -> None:
    assert saturation_pressure(300.0) == pytest.approx(cipm_2007.IF97_300K_PA, rel=1e-4)


@pytest.mark.parametrize(("name", "celsius", "pressure", "expected", "half"), cipm_2007.DRY_AIR)
def test_dry_air(name: str, celsius: float, pressure: float, expected: float, half: float) -> None:
    assert density(AirState(celsius + 273.15, pressure, 0.0)) == pytest.approx(expected, abs=half), name


def test_vapour_fraction_agrees_with_coolprop() -> None:
    """CoolProp's own enhancement factor and vapour pressure: within 3e-4 of the fraction."""
    for celsius, pressure, humidity in VALID:
        expected = HAPropsSI("Y", "T", celsius + 273.15, "P", pressure, "R", humidity)
        actual = vapour_mole_fraction(AirState(celsius + 273.15, pressure, humidity))
        assert actual == pytest.approx(expected, rel=3e-4, abs=1e-12)


CELSIUS = st.floats(-10.0, 45.0)
PRESSURE = st.floats(60e3, 110e3)
HUMIDITY = st.floats(0.0, 1.0)


@given(CELSIUS, PRESSURE, HUMIDITY)
def test_warmer_wetter_thinner_air_is_lighter(celsius: float, pressure: float, humidity: float) -> None:
    here = density(AirState(celsius + 273.15, pressure, humidity))
    assert density(AirState(celsius + 274.15, pressure, humidity)) < here
    assert density(AirState(celsius + 273.15, pressure - 100, humidity)) < here
    if humidity < 0.99:
        assert density(AirState(celsius + 273.15, pressure, humidity + 0.01)) < here


@given(CELSIUS, PRESSURE, HUMIDITY)
def test_density_of_a_state_is_that_of_its_mole_fraction(celsius: float, pressure: float, humidity: float) -> None:
    air = AirState(celsius + 273.15, pressure, humidity)
    assert density(air) == density_at(air.temperature_k, air.pressure_pa, vapour_mole_fraction(air))


def test_carbon_dioxide_makes_air_heavier_by_its_molar_mass() -> None:
    """Equation (1): molar mass 28.96546 + 12.011·Δx g/mol, 12.011 being that of carbon."""
    assert density(AirState(), co2=1400e-6) / density(AirState()) == pytest.approx(1 + 0.012011 / 28.96546, rel=1e-9)


@pytest.mark.parametrize(
    ("air", "words"),
    [
        (AirState(temperature_k=0.0), "an air temperature of 0 K is not possible; check it and its unit."),
        (AirState(temperature_k=math.nan), "an air temperature of nan K is not possible; check it and its unit."),
        (
            AirState(pressure_pa=-1.0),
            "an absolute air pressure of -1 Pa is not possible; check the barometer and its unit.",
        ),
        (
            AirState(relative_humidity=45.0),
            "a relative humidity of 45 is not possible; give it between 0 and 100 %.",
        ),
        (
            AirState(373.15, 90e3, 1.0),
            "air at 100.0 °C, 90000 Pa and 100 % humidity would be more vapour than air; "
            "check temperature, barometer and humidity and their units.",
        ),
    ],
)
def test_air_that_cannot_be_is_refused(air: AirState, words: str) -> None:
    with pytest.raises(CorrectionError) as caught:
        density(air)
    assert str(caught.value) == words
