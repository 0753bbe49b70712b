"""Units against NIST SP 811 and pint; spellings; numbers as people write them."""

from __future__ import annotations

import math
from collections import defaultdict

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowkit import units
from flowkit.errors import UnitError
from flowkit.units import UNITS, find_unit, format_quantity, from_si, number, parse_quantity, to_si, unit
from tests.published.unit_factors import SP811_B8, TEMPERATURES

# pint's spelling of each unit; its `cfm` is centi-femtometre, hence the long forms.
PINT = {
    "in": "inch",
    "thou": "inch/1000",
    "tenths of mm": "mm/10",
    "hundredths of mm": "mm/100",
    "mm": "mm",
    "cm": "cm",
    "m": "m",
    "CFM": "foot**3/minute",
    "CFS": "foot**3/second",
    "L/s": "liter/second",
    "L/min": "liter/minute",
    "m³/h": "meter**3/hour",
    "m³/min": "meter**3/minute",
    "m³/s": "meter**3/second",
    "SCFM": "foot**3/minute",
    "kg/h": "kg/hour",
    "g/s": "gram/second",
    "lb/min": "pound/minute",
    "inH2O": "inH2O",
    "mmH2O": "mmH2O",
    "cmH2O": "cmH2O",
    "Pa": "pascal",
    "hPa": "hectopascal",
    "kPa": "kilopascal",
    "mbar": "millibar",
    "inHg": "inHg",
    "mmHg": "mmHg",
    "psi": "psi",
    "mm²": "mm**2",
    "cm²": "cm**2",
    "in²": "inch**2",
    "m²": "m**2",
    "%": "percent",
    "bar": "bar",
    "cc": "cm**3",
    "L": "liter",
    "in³": "inch**3",
    "g/kWh": "gram/(kilowatt*hour)",
    "kg/kWh": "kg/(kilowatt*hour)",
    "lb/hp h": "pound/(horsepower*hour)",
    "MJ/kg": "megajoule/kg",
    "kJ/kg": "kilojoule/kg",
    "J/kg": "joule/kg",
    "Btu/lb": "Btu_it/pound",
}
NOT_MULTIPLES = {"°C", "°F", "K", "°", "L/D", "rpm"}


@pytest.mark.parametrize(("name", "printed", "exact"), SP811_B8)
def test_factor_is_the_printed_one(name: str, printed: str, exact: bool) -> None:
    half = 0.5 * 10.0 ** (int(printed.partition("E")[2]) - 6)
    assert UNITS[name].factor == pytest.approx(float(printed), rel=1e-15 if exact else 0, abs=0 if exact else half)


@pytest.mark.parametrize("name", sorted(set(UNITS) - NOT_MULTIPLES))
def test_factor_agrees_with_pint(name: str) -> None:
    expected = pint.get_application_registry()(PINT[name]).to_base_units().magnitude
    if name in ("kg/h", "g/s", "lb/min"):
        assert UNITS[name].quantity == "mass flow"
    assert UNITS[name].factor == pytest.approx(expected, rel=1e-14)


def test_every_unit_is_checked_from_outside() -> None:
    assert set(PINT) | NOT_MULTIPLES == set(UNITS)


@pytest.mark.parametrize(("value", "spelled", "kelvin"), TEMPERATURES)
def test_temperature_scales(value: float, spelled: str, kelvin: float) -> None:
    assert to_si(value, spelled) == pytest.approx(kelvin, abs=1e-10)
    expected = (
        pint.get_application_registry().Quantity(value, {"°F": "degF", "°C": "degC"}[spelled]).to("kelvin").magnitude
    )
    assert to_si(value, spelled) == pytest.approx(expected, abs=1e-10)


def test_no_spelling_means_two_units() -> None:
    meanings: dict[str, set[str]] = defaultdict(set)
    for name, _, _, _, spellings in units._TABLE:
        for spelling in (name, *spellings):
            meanings[units._key(spelling)].add(name)
    assert {key: names for key, names in meanings.items() if len(names) > 1} == {}


@pytest.mark.parametrize(
    ("spelled", "name"),
    [
        ("IN", "in"),
        ('"', "in"),
        ("″", "in"),
        ("''", "in"),
        ("Inches", "in"),
        ("thou", "thou"),
        ("1/10 mm", "tenths of mm"),
        ("0,01 mm", "hundredths of mm"),
        ("MM", "mm"),
        ("l/d", "L/D"),
        ("L / D", "L/D"),
        ("cfm", "CFM"),
        ("C.F.M.", "CFM"),
        ("ft³/min", "CFM"),
        ("cu. ft/min", "CFM"),
        ("CFS", "CFS"),
        ("l/s", "L/s"),
        ("L / S", "L/s"),
        ("l/min", "L/min"),
        ("m^3/h", "m³/h"),
        ("m³/h", "m³/h"),
        ("M3/H", "m³/h"),
        ("m3/min", "m³/min"),
        ("m3/s", "m³/s"),
        ("scfm", "SCFM"),
        ("KG/H", "kg/h"),
        ("g/s", "g/s"),
        ("lb/min", "lb/min"),
        ("in. w.c.", "inH2O"),
        ("IN WG", "inH2O"),
        ('"H2O', "inH2O"),
        ("inH₂O", "inH2O"),
        ("in H2O", "inH2O"),
        ("mm H2O", "mmH2O"),
        ("cmH2O", "cmH2O"),
        ("hpa", "hPa"),
        ("KPA", "kPa"),
        ("mbar", "mbar"),
        ("in. Hg", "inHg"),
        ("mm Hg", "mmHg"),
        ("PSI", "psi"),
        ("deg C", "°C"),
        ("ºC", "°C"),
        ("℃", "°C"),
        ("°f", "°F"),
        ("k", "K"),
        ("% RH", "%"),
        ("cubic feet per minute", "CFM"),
        ("cu. ft/min", "CFM"),
        ("Litres per second", "L/s"),
        ("Liter pro Sekunde", "L/s"),
        ("mètres cubes par heure", "m³/h"),
        ("metri cubi all'ora", "m³/h"),
        ("Kubikmeter pro Stunde", "m³/h"),
        ("kubikfot per minut", "CFM"),
        ("立方メートル毎時", "m³/h"),
        ("inches of water column", "inH2O"),
        ("pouces d'eau", "inH2O"),
        ("pulgadas de columna de agua", "inH2O"),
        ("mmWS", "mmH2O"),
        ("kilopascals", "kPa"),
    ],
)
def test_spellings(spelled: str, name: str) -> None:
    found = find_unit(spelled)
    assert found is not None
    assert found.name == name


@pytest.mark.parametrize(
    "text", ["of", "o", "bananas", "", "lift", "m/s", "MPa", "second", "in second", "l second", "per minute"]
)
def test_other_words_are_no_units(text: str) -> None:
    assert find_unit(text) is None


def test_unit_of_another_quantity_is_not_found() -> None:
    assert find_unit("mm", ["pressure"]) is None
    found = find_unit("mm", ["pressure", "length"])
    assert found is not None
    assert found.name == "mm"


@pytest.mark.parametrize(
    ("text", "quantities", "words"),
    [
        (
            " furlong",
            ("length",),
            "the unit 'furlong' is not known; use one of cm, hundredths of mm, in, m, mm, tenths of mm, thou.",
        ),
        (
            "cfm",
            ("pressure",),
            "'cfm' is a unit of flow, not of pressure; "
            "use one of Pa, bar, cmH2O, hPa, inH2O, inHg, kPa, mbar, mmH2O, mmHg, psi.",
        ),
    ],
)
def test_wrong_units_say_what_is_known(text: str, quantities: tuple[units.Quantity, ...], words: str) -> None:
    with pytest.raises(UnitError) as caught:
        unit(text, *quantities)
    assert str(caught.value) == words


def test_unknown_unit_without_a_quantity_lists_all() -> None:
    with pytest.raises(UnitError) as caught:
        to_si(1.0, "furlong")
    assert all(name in str(caught.value) for name in UNITS)


VALUES = st.floats(-1e6, 1e6, allow_subnormal=False)


@given(VALUES, st.sampled_from(sorted(UNITS)))
def test_there_and_back(value: float, name: str) -> None:
    tolerance = 1e-12 * max(1.0, abs(value), abs(UNITS[name].offset) / UNITS[name].factor)
    assert from_si(to_si(value, name), name) == pytest.approx(value, abs=tolerance)
    assert from_si(to_si(value, UNITS[name]), UNITS[name]) == from_si(to_si(value, name), name)


@given(st.decimals(min_value="0.01", max_value=100, places=2))
def test_millimetres_are_what_one_would_type_to_the_last_bit_but_one(value: object) -> None:
    typed = float(f"{value}e-3")
    assert abs(to_si(float(str(value)), "mm") - typed) <= math.ulp(typed)


@pytest.mark.parametrize("text", ["8.5", "1.5", "12.7", "80.5", "38", "6.35"])
def test_usual_dimensions_are_what_one_would_type(text: str) -> None:
    """8.5 mm is the float nearest to 0.0085, which a product with 0.001 need not give."""
    assert to_si(float(text), "mm") == float(f"{text}e-3")


@pytest.mark.parametrize(
    ("text", "decimal_comma", "value"),
    [
        ("212.5", None, 212.5),
        (" 212.5 ", None, 212.5),
        (".350", None, 0.35),
        ("0,350", None, 0.35),
        ("0,350", False, None),
        ("0.350", True, None),
        ("0,350", True, 0.35),
        ("212,5", None, 212.5),
        ("1.234,5", None, 1234.5),
        ("1,234.5", None, 1234.5),
        ("1,234,567", None, 1234567.0),
        ("1.234.567", None, 1234567.0),
        ("1 234,5", None, 1234.5),
        ("1'234.5", None, 1234.5),
        ("1,234", None, None),
        ("1,234", True, 1.234),
        ("1,234", False, 1234.0),
        ("1.234", True, 1234.0),
        ("1.234", False, 1.234),
        ("12,34.5", None, None),
        ("−3", None, -3.0),
        ("–3", None, -3.0),
        ("+3", None, 3.0),
        ("1e3", None, 1000.0),
        ("1,5E-2", None, 0.015),
        ("1e999", None, None),
        ("n/a", None, None),
        ("", None, None),
        ("-", None, None),
        (".", None, None),
        ("nan", None, None),
        ("inf", None, None),
        ("1 2", None, None),
        ("12 CFM", None, None),
    ],
)
def test_numbers_as_people_write_them(text: str, decimal_comma: bool | None, value: float | None) -> None:
    assert number(text, decimal_comma=decimal_comma) == value


@given(VALUES)
def test_a_number_printed_is_read_back(value: float) -> None:
    assert number(repr(value), decimal_comma=False) == value
    assert number(repr(value).replace(".", ","), decimal_comma=True) == value


@pytest.mark.parametrize(
    ("text", "quantity", "default", "value"),
    [
        ("28 inH2O", "pressure", None, 28 * 249.08891),
        ('28"H2O', "pressure", None, 28 * 249.08891),
        ("28in.w.c.", "pressure", None, 28 * 249.08891),
        ("80,5 mm", "length", None, 0.0805),
        ("3.268 in", "length", None, 3.268 * 0.0254),
        (12, "length", "mm", 0.012),
        ("20 °C", "temperature", None, 293.15),
        ("-5 °C", "temperature", None, 268.15),
        ("45 %", "humidity", None, 0.45),
        ("45", "humidity", None, 0.45),
        (0.45, "humidity", None, 0.45),
        ("45", "angle", None, 45.0),
        ("45°", "angle", None, 45.0),
        ("0.25 L/D", "lift ratio", None, 0.25),
        ("1e3 Pa", "pressure", None, 1000.0),
    ],
)
def test_quantities(text: str | float, quantity: units.Quantity, default: str | None, value: float) -> None:
    assert parse_quantity(text, quantity, default_unit=default) == pytest.approx(value, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "quantity", "words"),
    [
        ("28", "pressure", "'28' has no unit; write it like \"28 inH2O\"."),
        ("lots", "pressure", "'lots' is not a number with a unit; write it like \"28 inH2O\"."),
        ("inf mm", "length", "'inf mm' is not a number with a unit; write it like \"80.5 mm\"."),
        (
            "28 mm",
            "pressure",
            "'mm' is a unit of length, not of pressure; "
            "use one of Pa, bar, cmH2O, hPa, inH2O, inHg, kPa, mbar, mmH2O, mmHg, psi.",
        ),
    ],
)
def test_quantities_that_cannot_be_read(text: str, quantity: units.Quantity, words: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse_quantity(text, quantity)
    assert str(caught.value) == words


def test_format_quantity_is_for_people() -> None:
    assert format_quantity(28 * 249.08891, "inH2O") == "28.0 inH2O"
    assert format_quantity(0.0805, "in", 3) == "3.169 in"


def test_reference_pressure_is_twenty_eight_inches_to_the_last_bit() -> None:
    """A sheet at 28 inH2O is at the default reference, so that its factor is exactly 1."""
    from flowkit.model import Reference

    assert parse_quantity("28 inH2O", "pressure") == Reference().pressure_pa
    assert math.isclose(Reference().pressure_pa, 28 * 249.08891, rel_tol=1e-15)
