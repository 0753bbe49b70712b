"""Numbers as people read them: signs, per cent, lifts and flows in the units shown."""

from __future__ import annotations

from flowkit.drawing.looks import DISPLAYS, Display
from flowkit.errors import FlowkitError
from flowkit.units import from_si

__all__ = [
    "MINUS",
    "NOTHING",
    "display_of",
    "flow_text",
    "gain_text",
    "interval_text",
    "lift_text",
    "numeral",
    "percent",
    "signed_percent",
]

MINUS = "−"
NOTHING = "–"
"""Stands where there is no value."""


def display_of(name: str) -> Display:
    """Return the units of a display.

    Raises
    ------
    FlowkitError
        If there is none of that name.
    """
    if name not in DISPLAYS:
        raise FlowkitError(f"there is no display {name!r}", "use " + " or ".join(map(repr, DISPLAYS)))
    return DISPLAYS[name]


def numeral(value: float | None, digits: int) -> str:
    """Write a number with so many decimals; a dash where there is none.

    Parameters
    ----------
    value : float or None
    digits : int

    Examples
    --------
    >>> numeral(-0.04, 1), numeral(None, 1), numeral(-2.0, 1)
    ('0.0', '–', '−2.0')
    """
    if value is None:
        return NOTHING
    text = f"{value:.{digits}f}"
    if text.startswith("-"):
        return text[1:] if not float(text) else MINUS + text[1:]
    return text


def percent(fraction: float | None, digits: int = 1) -> str:
    """Write a fraction in per cent, without the sign %.

    Parameters
    ----------
    fraction : float or None
    digits : int, optional
        Decimals.

    Examples
    --------
    >>> percent(0.0456)
    '4.6'
    """
    return numeral(None if fraction is None else 100 * fraction, digits)


def signed_percent(fraction: float | None, digits: int = 1) -> str:
    """Write a fraction in per cent with its sign; a rounded zero has none.

    Parameters
    ----------
    fraction : float or None
    digits : int, optional
        Decimals.

    Examples
    --------
    >>> signed_percent(0.118), signed_percent(-0.02), signed_percent(0.0001)
    ('+11.8', '−2.0', '0.0')
    """
    text = percent(fraction, digits)
    return text if fraction is None or text.startswith(MINUS) or not float(text) else "+" + text


def gain_text(gain: float, u95: float | None) -> str:
    """Write a gain with half its 95 % interval where there is one.

    Parameters
    ----------
    gain, u95 : float, float or None
        Fractions.

    Examples
    --------
    >>> gain_text(0.118, 0.009), gain_text(0.118, None)
    ('+11.8 % ± 0.9', '+11.8 %')
    """
    text = f"{signed_percent(gain)} %"
    return text if u95 is None else f"{text} ± {percent(u95)}"


def interval_text(fraction: float | None) -> str:
    """Write half an interval given as a fraction, in per cent."""
    return "" if fraction is None else f"± {percent(fraction)}"


def lift_text(lift_m: float, display: Display) -> str:
    """Write a lift in the units shown, without the unit.

    Parameters
    ----------
    lift_m : float
        Lift [m].
    display : Display
    """
    return numeral(from_si(lift_m, display.lift), display.lift_digits)


def flow_text(flow_m3_s: float | None, display: Display) -> str:
    """Write a flow in the units shown, without the unit.

    Parameters
    ----------
    flow_m3_s : float or None
        Flow [m³/s].
    display : Display
    """
    return numeral(None if flow_m3_s is None else from_si(flow_m3_s, display.flow), display.flow_digits)
