"""Units of the trade to SI and back, at the edge of the package.

Units are accepted in any case, with or without dots, spaces and slashes. Factors are
exact where the unit is defined exactly: the international inch and foot, and the
conventional inch of water and millimetre of mercury (NIST SP 811, 2008 edition,
appendix B.8).
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, TypeGuard

from flowkit.errors import UnitError, with_article

# fmt: off
__all__ = [
    "FLOW_QUANTITIES", "UNITS", "Quantity", "Unit", "find_unit", "format_quantity", "from_si", "number",
    "parse_quantity", "to_si", "unit",
]
Quantity = Literal[
    "length", "flow", "mass flow", "standard flow", "pressure", "temperature", "humidity", "angle", "area", "lift ratio",
    "volume", "speed", "fuel consumption", "heating value",
]
# fmt: on
FLOW_QUANTITIES: tuple[Quantity, ...] = ("flow", "mass flow", "standard flow")
ENGINE_ONLY = frozenset(("volume", "speed", "fuel consumption", "heating value"))
"""Quantities that no sheet of flows has: their units are found only where they are asked for."""

INCH = 0.0254
FOOT = 0.3048
STANDARD_GRAVITY = 9.80665
POUND = 0.453_592_37
HORSEPOWER = 550 * FOOT * POUND * STANDARD_GRAVITY  # mechanical, 550 ft·lbf/s
MMHG = 133.322_387_415
INH2O = 249.088_91
"""Conventional inch of water [Pa] (NIST SP 811, appendix B.8)."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: ``si = value * factor + offset``.

    Attributes
    ----------
    name : str
        As it is printed and given in results.
    quantity : str
        What it measures.
    factor, offset : float
        To SI.
    """

    name: str
    quantity: Quantity
    factor: float
    offset: float = 0.0


# Name, quantity, factor, offset, other spellings (compared after `_key`).
# fmt: off
_TABLE: tuple[tuple[str, Quantity, float, float, tuple[str, ...]], ...] = (
    ("in", "length", INCH, 0.0, ("inch", "inches", '"', "''", "zoll", "pouce", "pouces", "pulgada", "pulgadas",
     "pollice", "pollici", "ins", "duim", "cali", "cale", "tum", "polegada", "polegadas", "インチ")),
    ("thou", "length", INCH / 1000, 0.0, ("mil", "mils", "thousandths", "thousandth", "0.001in", '0.001"',
     ".001in", '.001"', ".001", "0.001", "thous", "1/1000in", "1/1000inch",
     '1/1000"', "0.001inch", ".001inch", "x.001", "x0.001")),
    ("tenths of mm", "length", 1e-4, 0.0, ()),  # see _PARTS
    ("hundredths of mm", "length", 1e-5, 0.0, ()),
    ("mm", "length", 1e-3, 0.0, ("millimetre", "millimeter", "millimetres", "millimeters")),
    ("cm", "length", 1e-2, 0.0, ("centimetre", "centimeter")),
    ("m", "length", 1.0, 0.0, ("metre", "meter")),
    ("L/D", "lift ratio", 1.0, 0.0, ("l/d", "lift/d", "lift/dv", "l/dv", "h/d", "h/dv")),
    ("CFM", "flow", FOOT**3 / 60, 0.0, ("ft3/min", "cuft/min", "cubicfeetperminute", "cubicfeet/min",
     "cufeet/min", "acfm")),
    ("CFS", "flow", FOOT**3, 0.0, ("ft3/s", "cuft/s", "ft3/sec", "cuft/sec")),
    ("L/s", "flow", 1e-3, 0.0, ("l/sec", "litres/s", "liter/s", "litre/s", "lps", "dm3/s", "litres/sec", "liters/s",
     "ltr/s", "ltr/sec", "lit/s", "l/sek")),
    ("L/min", "flow", 1e-3 / 60, 0.0, ("litres/min", "liter/min", "litre/min", "lpm", "dm3/min", "liters/min",
     "ltr/min", "lit/min", "l/mn")),
    ("m³/h", "flow", 1.0 / 3600, 0.0, ("m3/h", "m3/hr", "cbm/h", "m^3/h", "m3h", "cmh")),
    ("m³/min", "flow", 1.0 / 60, 0.0, ("m3/min", "cbm/min", "m^3/min")),
    ("m³/s", "flow", 1.0, 0.0, ("m3/s", "cbm/s", "m^3/s", "m3/sec")),
    ("SCFM", "standard flow", FOOT**3 / 60, 0.0, ("stdcfm", "standardcfm")),
    ("kg/h", "mass flow", 1.0 / 3600, 0.0, ("kg/hr", "kgh")),
    ("g/s", "mass flow", 1e-3, 0.0, ("g/sec", "gps")),
    ("lb/min", "mass flow", POUND / 60, 0.0, ("lbs/min", "lbm/min", "pounds/min")),
    ("inH2O", "pressure", INH2O, 0.0, ("inh20", '"h20', "ins.h2o", "iwc", "iwg")),
    ("mmH2O", "pressure", STANDARD_GRAVITY, 0.0, ("mmh20",)),
    ("cmH2O", "pressure", 10 * STANDARD_GRAVITY, 0.0, ("cmh20",)),
    ("Pa", "pressure", 1.0, 0.0, ("pascal", "pascals")),
    ("hPa", "pressure", 100.0, 0.0, ("hektopascal", "hectopascal")),
    ("kPa", "pressure", 1000.0, 0.0, ("kilopascal",)),
    ("mbar", "pressure", 100.0, 0.0, ("millibar", "mb")),
    ("bar", "pressure", 1e5, 0.0, ("bars", "bara", "barg")),
    ("inHg", "pressure", 25.4 * MMHG, 0.0, ('"hg', "inchesofmercury", "incheshg", "inchhg", "ins.hg")),
    ("mmHg", "pressure", MMHG, 0.0, ("torr", "mmofmercury")),
    ("psi", "pressure", POUND * STANDARD_GRAVITY / INCH**2, 0.0, ("lb/in2", "lbf/in2", "psig", "psia")),
    ("°C", "temperature", 1.0, 273.15, ("c", "degc", "celsius", "gradc", "gradcelsius", "℃", "ºc")),
    ("°F", "temperature", 5.0 / 9.0, 459.67 * 5.0 / 9.0, ("f", "degf", "fahrenheit", "℉", "ºf")),
    ("K", "temperature", 1.0, 0.0, ("kelvin",)),
    ("%", "humidity", 0.01, 0.0, ("%rh", "rh%", "%r.h.", "percent", "prozent", "%rf", "%rel", "%hr", "%ur")),
    ("°", "angle", 1.0, 0.0, ("deg", "degree", "degrees", "grad", "º")),
    ("mm²", "area", 1e-6, 0.0, ("mm2", "mm^2", "sqmm")),
    ("cm²", "area", 1e-4, 0.0, ("cm2", "cm^2", "sqcm")),
    ("in²", "area", INCH**2, 0.0, ("in2", "in^2", "sqin", "sq.in.")),
    ("m²", "area", 1.0, 0.0, ("m2", "m^2")),
    ("cc", "volume", 1e-6, 0.0, ("cm3", "cm^3", "ccm", "ml")),
    ("L", "volume", 1e-3, 0.0, ("litre", "liter", "dm3")),
    ("in³", "volume", INCH**3, 0.0, ("in3", "in^3", "cuin", "cu.in.", "ci")),
    ("rpm", "speed", 1.0, 0.0, ("min-1", "1/min", "u/min", "r/min")),
    ("g/kWh", "fuel consumption", 1e-3 / 3.6e6, 0.0, ("g/kw h",)),
    ("kg/kWh", "fuel consumption", 1 / 3.6e6, 0.0, ()),
    ("lb/hp h", "fuel consumption", POUND / (HORSEPOWER * 3600), 0.0, ("lb/hphr", "lb/bhph", "lb/bhphr", "lbm/hph")),
    ("MJ/kg", "heating value", 1e6, 0.0, ()),
    ("kJ/kg", "heating value", 1e3, 0.0, ()),
    ("J/kg", "heating value", 1.0, 0.0, ()),
    ("Btu/lb", "heating value", 2326.0, 0.0, ("btu/lbm",)),
)
# fmt: on


@lru_cache(maxsize=8192)
def _key(text: str) -> str:
    """Fold a unit's spelling: case, dots, spaces, slashes, superscripts and odd quotes."""
    text = text.replace("º", "°")  # the ordinal sign would fold to the letter o
    text = unicodedata.normalize("NFKC", text).strip().lower()
    text = text.replace("”", '"').replace("“", '"').replace("″", '"').replace("′′", '"').replace("’’", '"')
    text = text.replace("''", '"').replace("^", "").replace("·", "").replace("₂", "2")
    return re.sub(r"[\s./_\-]+", "", text)


# Words of units written out, in the languages of sheets -> what they are short for; CJK words have no blanks around them.
_WRITTEN_OUT = {
    "in": "inch inches zoll pouce pouces pulgada pulgadas pollice pollici duim cali cale cal tum polegada polegadas インチ",
    "mm": "millimetre millimetres millimeter millimeters millimètre millimètres milímetro milímetros millimetro "
    "millimetri milimetr milimetry milimetrów ミリメートル ミリ",
    "cm": "centimetre centimetres centimeter centimeters zentimeter centimètres centímetros centimetri centymetry",
    "m": "metre metres meter meters mètre mètres metro metros metri metry metrów メートル",
    "ft": "foot feet fuß fuss pied pieds pie pies piede piedi voet stopa stopy stóp fot pé pés フィート",
    "l": "litre litres liter liters litro litros litri litr litry litrów リットル",
    "3": "cu cubic kubik cube cubes cúbico cúbicos cúbica cubico cubicos cubo cubi kubieke sześcienny sześcienne "
    "sześciennych 立方",
    "/min": "min minute minutes minuto minuut minut minuta minutę 毎分",
    "/s": "s sec second seconds seconde secondes sekunde sekunden segundo secondo sekund sekundę 毎秒",
    "/h": "h hr hour hours heure heures stunde hora ora uur godzina godzinę timme timma 毎時",
    "kpa": "kilopascals kilopascales kilopascali kilopaskale kilopaskali キロパスカル",
    "hpa": "hectopascals hectopascales hektopaskale ヘクトパスカル",
    "mbar": "millibars milibar milibares milibary ミリバール",
    "h2o": "water wassersäule wassersaeule ws eau agua água acqua waterkolom wk wody vattenpelare vp ce ca aq wc wg 水柱",
    "": "of de d di column columna colonne colonna coluna słupa sł",
}
_PER = "per|pro|par|por|al|all|na|a la|je|l"
_SHORT = {word: short for short, words in _WRITTEN_OUT.items() for word in words.split()}
_WORDS_OUT = "|".join(sorted((word for word in _SHORT if word[0] < "\u3000"), key=len, reverse=True))
_CJK_OUT = "|".join(sorted((word for word in _SHORT if word[0] >= "\u3000"), key=len, reverse=True))
_OUT = re.compile(
    rf"(?:(?P<per>/\s*|(?<![^\W\d_])(?:{_PER})[\s'’]+)|(?<![^\W\d_]))(?P<word>{_WORDS_OUT})(?![^\W\d_])"
    rf"|(?<![^\W\d_])kubik(?=[^\W\d_])|{_CJK_OUT}"
)


def _shortened(match: re.Match[str]) -> str:
    """The sign of a word of a unit; a time counts behind ``per`` only."""
    short = _SHORT.get(match["word"] or match[0], "3 ")
    timed, per = short[:1] == "/", bool(match["per"])
    return match[0] if match["word"] and timed != per else short


@lru_cache(maxsize=8192)
def _by_words(text: str) -> Unit | None:
    """The unit that is written out: ``cubic feet per minute``, ``Liter pro Sekunde``, ``pouces d'eau``."""
    short = text.casefold()
    while (changed := _OUT.sub(_shortened, short)) != short:
        short = changed  # "Kubikmeter" is cut first
    return _BY_KEY.get(re.sub(r"^3(ft|m)", r"\g<1>3", re.sub(r"[\s'’./]+", "", short)))


# Folded, 0.1 mm would be 01 mm.
_PARTS = re.compile(
    r"(?:1/(?P<part>100?)|0?[.,](?P<sign>0?1)|(?P<word>tenth|hundredth|zehntel|hundertstel)(?:s?of(?:an?)?)?)-?(?:mm|millimet(?:re|er)s?)"
    r"|mm/(?P<under>100?)",
    re.IGNORECASE,
)
_PART_NAMES = {
    **dict.fromkeys(("10", "1", "tenth", "zehntel"), "tenths of mm"),
    **dict.fromkeys(("100", "01", "hundredth", "hundertstel"), "hundredths of mm"),
}


def _part(text: str) -> Unit | None:
    """The unit that is a tenth or a hundredth of a millimetre: ``1/10 mm``, ``0.01 mm``."""
    if "m" not in text:
        return None
    found = _PARTS.fullmatch("".join(text.split()))
    said = (
        (found["part"] or found["sign"] or found["word"] or found["under"] or "").lower() if found is not None else ""
    )
    return UNITS[_PART_NAMES[said]] if said in _PART_NAMES else None


UNITS: dict[str, Unit] = {}
_BY_KEY: dict[str, Unit] = {}
for _name, _quantity, _factor, _offset, _spellings in _TABLE:
    _unit = Unit(_name, _quantity, _factor, _offset)
    UNITS[_name] = _unit
    for _spelling in (_name, *_spellings):
        _BY_KEY[_key(_spelling)] = _unit
for _length, _more in (("in", ("in", '"', "ins", "po", "pulg", "pol")), ("mm", ("mm",)), ("cm", ("cm",))):
    for _water in ("h2o", "słw", "deau", "watercolumn", *(word for word, short in _SHORT.items() if short == "h2o")):
        for _word in (*_more, *_WRITTEN_OUT[_length].split()):
            for _of in ("", "of", "de", "d'"):  # "mmWS", "po d'eau"
                _BY_KEY.setdefault(f"{_word}{_of}{_water}", UNITS[f"{_length}H2O"])


def measures(unit: Unit | None, *quantities: Quantity) -> TypeGuard[Unit]:
    """Whether there is a unit, and it is one of a quantity."""
    return unit is not None and unit.quantity in quantities


def find_unit(text: str, quantities: Iterable[Quantity] | None = None) -> Unit | None:
    """Find the unit a text spells, or None where it spells none.

    Parameters
    ----------
    text : str
        The whole of the text must be a unit, such as ``"in. w.c."``.
    quantities : iterable of str, optional
        The quantities that make sense here; a unit of another is not found. Unless given, those of sheets.

    Returns
    -------
    Unit or None

    Examples
    --------
    >>> find_unit("cu. ft/min").name
    'CFM'
    >>> find_unit("bananas") is None
    True
    """
    found = _part(text) or _BY_KEY.get(_key(text)) or _by_words(text)
    if found is None:
        return None
    wanted = found.quantity not in ENGINE_ONLY if quantities is None else found.quantity in set(quantities)
    return found if wanted else None


def unit(text: str, *quantities: Quantity) -> Unit:
    """Return the unit a text spells.

    Parameters
    ----------
    text : str
        A unit in any of its spellings.
    *quantities : str
        The quantities that make sense here; any if none is given.

    Raises
    ------
    UnitError
        If no such unit is known, or it measures something else.

    Examples
    --------
    >>> round(unit('"H2O', "pressure").factor, 5)
    249.08891
    """
    text = str(text)
    found = _part(text) or _BY_KEY.get(_key(text)) or _by_words(text)
    if found is None:
        known = sorted({u.name for u in UNITS.values() if not quantities or u.quantity in quantities})
        raise UnitError(f"the unit {text.strip()!r} is not known", "use one of " + ", ".join(known))
    if quantities and found.quantity not in quantities:
        known = sorted({u.name for u in UNITS.values() if u.quantity in quantities})
        raise UnitError(
            f"{text.strip()!r} is a unit of {found.quantity}, not of {quantities[0]}",
            "use one of " + ", ".join(known),
        )
    return found


def to_si(value: float, spelled: str | Unit) -> float:
    """Convert a value in a unit to SI.

    Parameters
    ----------
    value : float
        In the unit.
    spelled : str or Unit

    Raises
    ------
    UnitError
        If the unit is not known.

    Examples
    --------
    >>> to_si(1, "in")
    0.0254
    >>> round(to_si(68, "°F"), 2)
    293.15
    """
    found = spelled if isinstance(spelled, Unit) else unit(spelled)
    if math.isclose(1 / found.factor, round(1 / found.factor), rel_tol=1e-15) and found.factor < 1 and not found.offset:
        # Dividing by a whole number rounds once: 8.5 mm is 8.5/1000 m, as it would be typed.
        return value / round(1 / found.factor)
    try:
        return value * found.factor + found.offset
    except TypeError as error:
        raise UnitError(f"{value!r} is not a number", "give a number") from error


def from_si(value: float, spelled: str | Unit) -> float:
    """Convert an SI value to a unit; the inverse of `to_si`.

    Parameters
    ----------
    value : float
        SI.
    spelled : str or Unit

    Raises
    ------
    UnitError
        If the unit is not known.

    Examples
    --------
    >>> round(from_si(0.0471947443, "CFM"), 4)
    100.0
    """
    found = spelled if isinstance(spelled, Unit) else unit(spelled)
    try:
        return (value - found.offset) / found.factor
    except TypeError as error:
        raise UnitError(f"{value!r} is not a number", "give a number in SI") from error


_NUMBER = r"[-+−–]?(?:\d[\d  ' ,.]*\d|\d|[.,]\d+)(?:[eE][-+]?\d+)?|[-+−–]?[.,]\d+"
_QUANTITY = re.compile(rf"^\s*(?P<number>{_NUMBER})\s*(?P<unit>.*?)\s*$", re.DOTALL)


def parse_quantity(text: Any, quantity: Quantity, *, default_unit: str | None = None) -> float:
    """Read a number with its unit, such as ``"28 inH2O"``, into SI.

    Parameters
    ----------
    text : str, float or a quantity of the pint package
        The number and its unit.
    quantity : str
        What it must be.
    default_unit : str, optional
        The unit of a bare number; without it a bare number is refused. A humidity or
        an angle needs no unit: degrees, and a fraction up to 1, percent above.

    Raises
    ------
    UnitError
        If it is not a number, has no unit, or a unit of something else.

    Examples
    --------
    >>> round(parse_quantity("28 inH2O", "pressure"), 3)
    6974.489
    >>> parse_quantity("80.5 mm", "length")
    0.0805
    """
    if quantity not in _EXAMPLES:
        raise UnitError(f"there is no quantity {quantity!r}", "use one of " + ", ".join(_EXAMPLES))
    if hasattr(text, "to_base_units"):
        return _from_pint(text, quantity)
    spelled = str(text)
    match = _QUANTITY.match(spelled)
    value = number(match["number"].strip()) if match else None
    if match is None or value is None:
        raise UnitError(f"{spelled.strip()!r} is not a number with a unit", _quantity_example(quantity))
    if match["unit"]:
        return to_si(value, unit(match["unit"], quantity))
    if quantity == "humidity":
        return value if value <= 1 else value / 100
    if quantity == "angle":
        return value
    if default_unit is None:
        raise UnitError(f"{spelled.strip()!r} has no unit", _quantity_example(quantity))
    return to_si(value, unit(default_unit, quantity))


def _from_pint(given: Any, quantity: Quantity) -> float:
    """Take a quantity of the pint package, without depending on it."""
    wanted = {"length": "m", "flow": "m**3/s", "mass flow": "kg/s", "pressure": "Pa", "temperature": "K",
              "area": "m**2", "volume": "m**3", "angle": "degree", "humidity": "", "speed": "1/min"}  # fmt: skip
    try:
        return float(given.to(wanted[quantity]).magnitude)
    except Exception as error:  # whatever it raises: another dimension, another kind of quantity
        raise UnitError(f"{given} is not {with_article(quantity)}", _quantity_example(quantity)) from error


_EXAMPLES: dict[Quantity, str] = {
    "length": "80.5 mm",
    "flow": "212.5 CFM",
    "mass flow": "250 kg/h",
    "standard flow": "212.5 SCFM",
    "pressure": "28 inH2O",
    "temperature": "20 °C",
    "humidity": "45 %",
    "angle": "45",
    "area": "850 mm²",
    "lift ratio": "0.25 L/D",
    "volume": "45 cc",
    "speed": "6000 rpm",
    "fuel consumption": "300 g/kWh",
    "heating value": "43 MJ/kg",
}


def _quantity_example(quantity: Quantity) -> str:
    """Return the remedy that shows how a quantity is written."""
    return f'write it like "{_EXAMPLES[quantity]}"'


def format_quantity(value: float, spelled: str, digits: int = 1) -> str:
    """Write an SI value in a unit of the trade, for people.

    Parameters
    ----------
    value : float
        SI.
    spelled : str
        The unit to show it in.
    digits : int, optional
        Decimals.

    Examples
    --------
    >>> format_quantity(0.0805, "mm")
    '80.5 mm'
    """
    found = unit(spelled)
    return f"{from_si(value, found):.{digits}f} {found.name}"


def number(text: str, *, decimal_comma: bool | None = None) -> float | None:
    """Read one number as people write it, or None where the text is not a number.

    Parameters
    ----------
    text : str
        Such as ``"212.5"``, ``"1 234,5"``, ``".350"`` or ``"−3"``.
    decimal_comma : bool, optional
        Whether the comma is the decimal mark. None: decided from this text alone,
        where ``"1,234"`` (three digits behind one comma) is not decidable and gives None.

    Returns
    -------
    float or None

    Examples
    --------
    >>> number("1.234,5"), number("0,350", decimal_comma=True), number("n/a")
    (1234.5, 0.35, None)
    """
    text = unicodedata.normalize("NFKC", text).replace("−", "-").replace("–", "-")
    text = re.sub(r"(?<=\d)[\s'’](?=\d{3}(\D|$))", "", text.strip())
    if not re.fullmatch(r"[-+]?(?:\d[\d.,]*|[.,]\d+)(?:[eE][-+]?\d+)?", text):
        return None
    mantissa, *exponent = re.split(r"[eE]", text)
    plain = _plain_decimal(mantissa, decimal_comma)
    if plain is None:
        return None
    value = float(plain + ("e" + exponent[0] if exponent else ""))
    return value if math.isfinite(value) else None


def _plain_decimal(text: str, decimal_comma: bool | None) -> str | None:
    """Turn a mantissa with dots and commas into one with a decimal dot, or None if doubtful."""
    grouped = {True: r"[-+]?[1-9]\d{0,2}(\.\d{3})+(,\d*)?", False: r"[-+]?[1-9]\d{0,2}(,\d{3})+(\.\d*)?"}
    plain = {True: r"[-+]?\d*,?\d*", False: r"[-+]?\d*\.?\d*"}
    marks = {True: (".", ","), False: (",", ".")}
    if decimal_comma is None:
        # A comma or dot alone before exactly three digits may be either mark.
        if "," in text and "." in text:
            decimal_comma = text.rfind(",") > text.rfind(".")
        elif "," in text:
            lead, _, tail = text.rpartition(",")
            if "," in lead:
                decimal_comma = False
            elif len(tail) == 3 and lead.lstrip("+-") not in ("", "0"):
                return None
            else:
                decimal_comma = True
        else:
            decimal_comma = text.count(".") > 1
    if re.fullmatch(plain[decimal_comma], text) or re.fullmatch(grouped[decimal_comma], text):
        group, decimal = marks[decimal_comma]
        return text.replace(group, "").replace(decimal, ".")
    return None
