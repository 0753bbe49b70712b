"""The one place where percentages, gains, lifts, flows, lists and dates become text."""

from __future__ import annotations

import datetime
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from flowkit.errors import FlowkitError
from flowkit.units import find_unit, from_si

if TYPE_CHECKING:
    from flowkit.model import Finding, FlowTest

MINUS = "−"
NOTHING = "–"
"""Written where there is no value."""


@dataclass(frozen=True, slots=True)
class Display:
    """The units people see; results stay SI."""

    lift: str
    flow: str
    pressure: str
    diameter: str
    area: str
    lift_digits: int
    flow_digits: int
    diameter_digits: int
    area_digits: int


DISPLAYS: dict[str, Display] = {
    "US": Display("in", "CFM", "inH2O", "in", "in²", 3, 1, 3, 3),
    "metric": Display("mm", "L/s", "kPa", "mm", "mm²", 2, 2, 2, 0),
}
"""US: inches and CFM. Metric: millimetres and litres a second (1 L/s is 2.12 CFM)."""


def display_of(name: str) -> Display:
    """Return the units of a display."""
    if name not in DISPLAYS:
        raise FlowkitError(f"there is no display {name!r}", "use " + " or ".join(map(repr, DISPLAYS)))
    return DISPLAYS[name]


def numeral(value: float | None, digits: int) -> str:
    """Write a number with so many decimals; a dash where there is none."""
    if value is None:
        return NOTHING
    text = f"{value:.{digits}f}"
    if text.startswith("-"):
        return text[1:] if not float(text) else MINUS + text[1:]
    return text


def percent_figure(fraction: float | None, digits: int = 1) -> str:
    """Write a fraction in percent, without the sign %."""
    return numeral(None if fraction is None else 100 * fraction, digits)


def signed_figure(fraction: float | None, digits: int = 1) -> str:
    """Write a fraction in percent with its sign and without the sign %; a rounded zero has none."""
    text = percent_figure(fraction, digits)
    return text if fraction is None or text.startswith(MINUS) or not float(text) else "+" + text


def percent(fraction: float, digits: int = 1) -> str:
    """Write a fraction in percent."""
    return f"{percent_figure(fraction, digits)} %"


def percent_at_least(fraction: float, digits: int = 1) -> str:
    """Write a fraction in percent; one that would round to nothing with its first figure."""
    text = f"{100 * fraction:.{digits}f}"
    return f"{text if float(text) else f'{100 * fraction:.1g}'} %"


def half_figure(u95: float, digits: int = 1) -> str:
    """Write half an interval in percent, without %; one that rounds to nothing as less than the last digit."""
    text = percent_figure(u95, digits)
    return text if float(text) or not u95 else f"<{10**-digits:.{digits}f}"


def signed_percent(fraction: float, u95: float | None = None, *, digits: int = 1) -> str:
    """Write a gain in percent with its sign and, where known, its interval."""
    text = f"{signed_figure(fraction, digits)} %"
    return text if u95 is None else f"{text} ± {half_figure(u95, digits)}"


def interval_words(gain: float, low: float | None, high: float | None, *, digits: int = 1) -> str:
    """Write a gain with its interval: ± where both arms are as long, from … to … where a bound makes them unequal."""
    if low is None or high is None:
        return signed_percent(gain, digits=digits)
    if half_figure(gain - low, digits) == half_figure(high - gain, digits):
        return signed_percent(gain, max(gain - low, high - gain), digits=digits)
    ends = [signed_figure(end, digits) for end in (low, high)]
    return f"{signed_percent(gain, digits=digits)} ({ends[0]} to {ends[1]})"


def gain_text(gain: float, u95: float | None, low: float | None = None, high: float | None = None) -> str:
    """Write a gain with its 95 % interval where there is one."""
    if u95 is None or low is None or high is None:
        return signed_percent(gain, u95)
    return interval_words(gain, low, high)


def gain_figure(gain: float, u95: float | None, low: float | None, high: float | None) -> str:
    """Write a gain with its interval, without the sign %."""
    return gain_text(gain, u95, low, high).replace(" %", "", 1)


def interval_text(fraction: float | None) -> str:
    """Write half an interval given as a fraction, in percent."""
    return "" if fraction is None else f"± {percent_figure(fraction)}"


def lift_text(lift_m: float, display: Display) -> str:
    """Write a lift in the units shown, without the unit."""
    return numeral(from_si(lift_m, display.lift), display.lift_digits)


def lift_words(lift_m: float, display: Display) -> str:
    """Write a lift in the units shown."""
    return f"{lift_text(lift_m, display)} {display.lift}"


def flow_text(flow_m3_s: float | None, display: Display) -> str:
    """Write a flow in the units shown, without the unit."""
    return numeral(None if flow_m3_s is None else from_si(flow_m3_s, display.flow), display.flow_digits)


def length_words(value_m: float, display: Display) -> str:
    """Write a diameter with its unit; in millimetres without zeros that say nothing."""
    text = numeral(from_si(value_m, display.diameter), display.diameter_digits)
    return f"{text.rstrip('0').rstrip('.') if display.diameter == 'mm' else text} {display.diameter}"


def temperature_words(value_k: float, display: Display) -> str:
    """Write a temperature in the unit shown."""
    unit = "°F" if display.lift == "in" else "°C"
    return f"{from_si(value_k, unit):.4g} {unit}"


def pressure_words(pressure_pa: float, display: Display) -> str:
    """Write a test pressure as shops say it: in the unit in which it is round, and in the units shown."""
    in_water, in_kpa = from_si(pressure_pa, "inH2O"), pressure_pa / 1000
    water, metric = f"{in_water:.4g} inH2O", f"{in_kpa:.4g} kPa"
    round_water, round_metric = (abs(value - round(value, 1)) < 1e-6 for value in (in_water, in_kpa))
    if round_water != round_metric:
        return water if round_water else metric
    in_mm = from_si(pressure_pa, "mmH2O")
    if not round_water and abs(in_mm - round(in_mm)) < 1e-6:
        return f"{in_mm:.0f} mmH2O"
    return water if display.pressure == "inH2O" else metric


def flow_in_unit(test: FlowTest, flow_m3_s: float) -> float:
    """Return a flow in the unit of the test's sheet."""
    return from_si(flow_m3_s, _flow_unit(test))


def _flow_unit(test: FlowTest) -> str:
    """Return the sheet's flow unit where it is one of volume, else litres a second."""
    unit = find_unit(test.units.flow.unit, ("flow", "standard flow"))
    return unit.name if unit else "L/s"


def flow_as_read(test: FlowTest, flow_m3_s: float, *, volume: bool = False) -> str:
    """Write a flow in the unit of the test's sheet; a true volume never in one of standard air."""
    unit = _flow_unit(test)
    if volume and find_unit(unit, ("flow",)) is None:
        unit = "L/s"
    return f"{five_figures(from_si(flow_m3_s, unit))} {unit}"


def lift_in_unit(test: FlowTest, lift_m: float) -> float:
    """Return a lift in the unit of the test's sheet."""
    if test.units.lift.unit == "L/D" and test.conditions.valve_diameter_m:
        return lift_m / test.conditions.valve_diameter_m
    return from_si(lift_m, _lift_unit(test))


def _lift_unit(test: FlowTest) -> str:
    """Return the sheet's lift unit where it is a length or a known ratio, else millimetres."""
    if test.units.lift.unit == "L/D":
        return "L/D" if test.conditions.valve_diameter_m else "mm"
    unit = find_unit(test.units.lift.unit, ("length",))
    return unit.name if unit else "mm"


def lift_as_read(test: FlowTest, lift_m: float) -> str:
    """Write a lift in the unit of the test's sheet."""
    return f"{five_figures(lift_in_unit(test, lift_m))} {_lift_unit(test)}"


def pressure_as_read(test: FlowTest, pressure_pa: float) -> str:
    """Write a test pressure in the unit of the test's sheet."""
    unit = test.units.pressure.unit if test.units.pressure else "inH2O"
    return f"{five_figures(from_si(pressure_pa, unit))} {unit}"


def five_figures(value: float) -> str:
    """Write a value with five significant digits at most."""
    return (f"{value:.0f}" if abs(value) >= 10_000 else f"{value:.5g}").replace("-", MINUS)


_KEYS = re.compile(r" \([^()]*(?:\[[a-z]+\]|each variant's conditions)[^()]*\)")


def without_keys(text: str) -> str:
    """Return a text without what it says in brackets of the job file's keys, for whoever has only the paper."""
    return _KEYS.sub("", text)


def listed(words: Sequence[str]) -> str:
    """Join words as in a sentence."""
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)


def by_value(values: Mapping[str, str], *, every: bool = True) -> str:
    """Write values, each once with the names it holds for; one value alone where it holds for `every` name.

    >>> by_value({"A": "9 mm", "B": "9 mm", "C": "8 mm"}), by_value({"A": "9 mm", "B": "9 mm"})
    ('9 mm (A, B), 8 mm (C)', '9 mm')
    """
    names: dict[str, list[str]] = {}
    for name, value in values.items():
        names.setdefault(value, []).append(name)
    if every and len(names) == 1:
        return next(iter(names))
    return ", ".join(f"{value} ({', '.join(mine)})" for value, mine in names.items())


def ports_named(names: Sequence[str]) -> str:
    """Name ports as in a sentence; "" is a port without a name."""
    return f"port{'s' if len(names) > 1 else ''} {listed([name or '(unnamed)' for name in names])}"


_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def date_of(text: str | None) -> datetime.date | None:
    """Read a date, or None where it is none that can be read without doubt."""
    if not text:
        return None
    for form in ("%Y-%m-%d", "%d %B %Y", "%d %b %Y", "%B %d, %Y", "%d.%m.%Y"):
        try:
            return datetime.datetime.strptime(text.strip(), form).date()
        except ValueError:
            continue
    return None


def date_words(text: str | None) -> str:
    """Write a date in words; one that cannot be read stays as it is."""
    day = date_of(text)
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}" if day else (text or "").strip()


def day_words(day: str) -> str:
    """Write the day of a session in words."""
    return date_words(day) or "an unknown day"


def printable(words: object) -> str:
    r"""Return words on one line without control characters, so that no sheet can steer a terminal."""
    letters = (" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in str(words))
    return "".join(letters)


def sentence_case(text: str) -> str:
    """Begin a sentence with a capital, unless its first word has one or is a name with signs."""
    first = text.split(" ", 1)[0]
    return text[:1].upper() + text[1:] if first.isalpha() and first.islower() else text


_LENGTHS = re.compile(
    r"(?<![\w.,])((?:[+−-]?\d+(?:\.\d+)?(?:, | and | to |–))*[+−-]?\d+(?:\.\d+)?) mm(²?)(?![\w²/³])"
    r"(?: \((\d+\.\d+ in)\))?"
)
_POWERS = re.compile(r"(\d+(?:\.\d+)? kW) \((\d+(?:\.\d+)? hp)\)")
_QUOTED = re.compile(r"(?<!\w)('[^']*'|\"[^\"]*\"|`[^`]*`)(?!\w)")


def as_displayed(text: str, display: Display) -> str:
    """Return a sentence that gives lengths in mm, areas in mm² and powers in kW in the units shown.

    What is in quotes stays as it was written.
    """
    us = display.lift == "in"

    def length(found: re.Match[str]) -> str:
        """Return one length, or a list of them."""
        if not us:
            return f"{found[1]} mm{found[2]}"
        scale, digits = (1 / 25.4**2, display.area_digits) if found[2] else (1 / 25.4, display.lift_digits)
        figures = re.sub(
            r"[+−-]?\d+(?:\.\d+)?",
            lambda number: numeral(float(number[0].replace(MINUS, "-")) * scale, digits),
            found[1],
        )
        return found[3] or f"{figures} in{found[2]}"

    parts = _QUOTED.split(text)
    for place in range(0, len(parts), 2):
        parts[place] = _POWERS.sub(r"\2" if us else r"\1", _LENGTHS.sub(length, parts[place]))
    return "".join(parts)


def displayed(findings: Iterable[Finding], display: Display) -> tuple[Finding, ...]:
    """Return findings whose messages are in the units shown."""
    return tuple(replace(finding, message=as_displayed(finding.message, display)) for finding in findings)
