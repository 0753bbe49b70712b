"""Values of the job file's engine and cam tables, as they are written, into SI.

The quantities that only an engine has (speed, specific fuel consumption, heating value)
have their units here; everything else goes through `flowkit.units`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from flowkit.errors import JobError, UnitError
from flowkit.units import POUND, STANDARD_GRAVITY, Quantity, number, parse_quantity

__all__ = ["choice", "count", "engine_quantity", "plain_number", "quantity", "speeds", "timing"]

_HORSEPOWER_W = 550 * 0.3048 * POUND * STANDARD_GRAVITY
"""Mechanical horsepower, 550 ft·lbf/s (NIST SP 811, appendix B.8)."""

_ENGINE_UNITS: dict[str, dict[str, float]] = {
    "fuel consumption": {
        "g/kwh": 1e-3 / 3.6e6,
        "kg/kwh": 1 / 3.6e6,
        "lb/hph": POUND / (_HORSEPOWER_W * 3600),
    },
    "heating value": {"mj/kg": 1e6, "kj/kg": 1e3, "j/kg": 1.0, "btu/lb": 2326.0},
    "speed": {"rpm": 1.0, "min-1": 1.0, "1/min": 1.0, "u/min": 1.0},
    "volume": {
        **dict.fromkeys(("cc", "cm3", "cm³", "ccm", "ml"), 1e-6),
        **dict.fromkeys(("in3", "in³", "cuin", "ci"), 0.0254**3),
        **dict.fromkeys(("mm3", "mm³"), 1e-9),
        "l": 1e-3,
    },
}
_ENGINE_EXAMPLES = {
    "fuel consumption": "300 g/kWh",
    "heating value": "43 MJ/kg",
    "speed": "6000 rpm",
    "volume": "38.5 cc",
}
_MOST_SPEEDS = 500


def _error(place: str, key: str, problem: str, remedy: str) -> JobError:
    """Say what is wrong with one key of one table."""
    return JobError(f"{place}, {key}: {problem}", remedy)


def quantity(written: Any, kind: Quantity, place: str, key: str, *, positive: bool = True) -> float:
    """Read a number with a unit of the trade into SI.

    Parameters
    ----------
    written : object
        As it stands in the job file, such as ``"80.5 mm"``.
    kind : str
        What it must be.
    place, key : str
        Where it stands, for messages.
    positive : bool, optional
        Refuse zero and below.

    Raises
    ------
    JobError
        If it cannot be understood.

    Examples
    --------
    >>> quantity("80.5 mm", "length", "[engine]", "bore")
    0.0805
    """
    try:
        value = parse_quantity(_text(written, place, key), kind)
    except UnitError as error:
        raise _error(place, key, error.problem, error.remedy) from error
    if positive and value <= 0:
        raise _error(place, key, f"{written!r} must be above zero", "correct it")
    return value


def engine_quantity(written: Any, kind: str, place: str, key: str, *, signed: bool = False) -> float:
    """Read a fuel consumption [kg/J], a heating value [J/kg], a volume [m³] or a speed [rpm].

    Parameters
    ----------
    written : object
        Such as ``"300 g/kWh"``, ``"0.49 lb/hp h"``, ``"43 MJ/kg"``; a speed needs no unit.
    kind : {"fuel consumption", "heating value", "speed", "volume"}
    place, key : str
        Where it stands, for messages.
    signed : bool, optional
        Whether zero and below are allowed.

    Raises
    ------
    JobError
        If it cannot be understood.

    Examples
    --------
    >>> round(engine_quantity("360 g/kWh", "fuel consumption", "[engine]", "bsfc") * 1e7, 6)
    1.0
    """
    text = _text(written, place, key)
    match = re.match(r"^\s*([-+]?[\d.,]+(?:[eE][-+]?\d+)?)\s*(.*?)\s*$", text)
    value = number(match[1]) if match else None
    remedy = f'write it like "{_ENGINE_EXAMPLES[kind]}"'
    if match is None or value is None:
        raise _error(place, key, f"{text!r} is not a number with a unit", remedy)
    spelled = (
        re.sub(r"[\s·.*()]", "", match[2]).lower().replace("bhp", "hp").replace("hphr", "hph").replace("lbm", "lb")
    )
    if not spelled and kind == "speed":
        spelled = "rpm"
    factor = _ENGINE_UNITS[kind].get(spelled)
    if factor is None:
        raise _error(place, key, f"{text!r} has no unit of {kind} that is known", remedy)
    if value <= 0 and not signed:
        raise _error(place, key, f"{text!r} must be above zero", "correct it")
    return value * factor


def plain_number(
    written: Any, place: str, key: str, *, lowest: float = 0.0, highest: float = float("inf"), open_below: bool = True
) -> float:
    """Read a number without a unit, within limits.

    Parameters
    ----------
    written : object
    place, key : str
        Where it stands, for messages.
    lowest, highest : float, optional
    open_below : bool, optional
        Whether `lowest` itself is refused.

    Raises
    ------
    JobError
        If it is no number or outside the limits.

    Examples
    --------
    >>> plain_number("9.5", "[engine]", "compression_ratio", lowest=1)
    9.5
    """
    value = number(_text(written, place, key))
    if value is None:
        raise _error(place, key, f"{written!r} is not a number", "write a plain number")
    if value < lowest or value > highest or (open_below and value == lowest):
        raise _error(
            place, key, f"{written!r} is outside what is possible", f"it lies between {lowest:g} and {highest:g}"
        )
    return value


def count(written: Any, place: str, key: str) -> int:
    """Read a whole number of one or more.

    Parameters
    ----------
    written : object
    place, key : str
        Where it stands, for messages.

    Raises
    ------
    JobError
        If it is none.

    Examples
    --------
    >>> count(4, "[engine]", "cylinders")
    4
    """
    value = number(_text(written, place, key))
    if value is None or value != int(value) or value < 1:
        raise _error(place, key, f"{written!r} is not a whole number of one or more", "write it like 4")
    return int(value)


def choice(written: Any, known: Sequence[str], place: str, key: str) -> str:
    """Read one of a few words.

    Parameters
    ----------
    written : object
    known : sequence of str
        In lower case.
    place, key : str
        Where it stands, for messages.

    Raises
    ------
    JobError
        If it is another, with those that are known.

    Examples
    --------
    >>> choice("Woschni", ("woschni", "hohenberg", "none"), "[engine]", "heat_transfer")
    'woschni'
    """
    text = str(written).strip().lower()
    if text not in known:
        raise _error(place, key, f"{written!r} is not known", "use one of " + ", ".join(known))
    return text


def speeds(written: Any, place: str = "[engine]", key: str = "speeds") -> tuple[float, ...]:
    """Read engine speeds: a list, or ``{ from = 2000, to = 7000, step = 250 }``.

    Parameters
    ----------
    written : list, mapping, number or str
    place, key : str
        Where it stands, for messages.

    Returns
    -------
    tuple of float
        [rpm], rising.

    Raises
    ------
    JobError
        If it cannot be understood, or there are more than 500.

    Examples
    --------
    >>> speeds({"from": 2000, "to": 3000, "step": 500})
    (2000.0, 2500.0, 3000.0)
    """
    if isinstance(written, Mapping):
        if set(written) != {"from", "to", "step"}:
            raise _error(
                place, key, "a range of speeds needs from, to and step", "write { from = 2000, to = 7000, step = 250 }"
            )
        low, high, step = (
            engine_quantity(written[name], "speed", place, f"{key}.{name}") for name in ("from", "to", "step")
        )
        if high < low or (high - low) / step > _MOST_SPEEDS:
            raise _error(
                place, key, "the range of speeds is empty or has too many speeds", f"use at most {_MOST_SPEEDS}"
            )
        return tuple(low + index * step for index in range(int((high - low) / step + 1e-9) + 1))
    values = list(written) if isinstance(written, (list, tuple)) else [written]
    if not values or len(values) > _MOST_SPEEDS:
        raise _error(place, key, f"there are {len(values)} speeds", f"give from 1 to {_MOST_SPEEDS}")
    return tuple(sorted({engine_quantity(item, "speed", place, key) for item in values}))


def timing(written: Any, place: str, key: str) -> tuple[float, str, str | None]:
    """Read a valve event such as ``"12 BTDC"``: degrees of crank after a dead centre.

    Parameters
    ----------
    written : object
    place, key : str
        Where it stands, for messages.

    Returns
    -------
    tuple of (float, {"TDC", "BDC"}, str or None)
        Degrees after it, negative before it; and how a sign in it was understood.

    Raises
    ------
    JobError
        If it cannot be understood.

    Examples
    --------
    >>> timing("12° BTDC", "[cam.intake]", "opens"), timing("52 ABDC", "[cam.intake]", "closes")
    ((-12.0, 'TDC', None), (52.0, 'BDC', None))
    >>> timing("-4 ATDC", "[cam.exhaust]", "closes")
    (-4.0, 'TDC', '"-4 ATDC" is taken as 4 BTDC')
    """
    match = re.fullmatch(
        r"\s*([-+\u2212]?)\s*([\d.,]+)\s*(?:°|deg\w*)?\s*(BTDC|ATDC|BBDC|ABDC)\s*", str(written), re.IGNORECASE
    )
    value = number(match[2]) if match else None
    if match is None or value is None:
        raise _error(
            place, key, f"{written!r} is not a valve event", 'write it like "12 BTDC" or "52 ABDC", in crank degrees'
        )
    mark = match[3].upper()
    after = -value if mark[0] == "B" else value
    note = None
    if match[1] not in ("", "+") and value:
        after = -after
        other = ("A" if mark[0] == "B" else "B") + mark[1:]
        note = f'"{str(written).strip()}" is taken as {value:g} {other}'
    return after, mark[1:], note


def _text(written: Any, place: str, key: str) -> str:
    """Return a number or text as text; refuse anything else."""
    if isinstance(written, bool) or not isinstance(written, (str, int, float)):
        raise _error(place, key, f"{written!r} is not a number or a text", "write a number with its unit in quotes")
    return str(written)
