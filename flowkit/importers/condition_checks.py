"""Stated conditions of a size that does not occur: most often a figure in another unit than is written.

Limits: common practice, no source. Data is never changed here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from flowkit.model import Conditions
from flowkit.units import from_si, to_si

__all__ = ["unlikely_barometer", "unlikely_bore"]

LOWEST_PA, HIGHEST_PA = 50_000.0, 110_000.0
_DECIMALS = 3  # of a figure as people write it
USUAL_PA = (85_000.0, 108_500.0)
USUAL_RATIO = (1.3, 5.0)
"""Bore over valve head where both are written in the right unit."""
_PRESSURES: Final = ("hPa", "inHg", "mmHg", "kPa", "Pa")
_WRITTEN: Final = ("mm", "in")
_LENGTHS: Final = (*_WRITTEN, "cm")


def unlikely_barometer(at: Conditions) -> tuple[str, str] | None:
    """Say that a barometer is outside what occurs on earth; None where it is not.

    Parameters
    ----------
    at : Conditions

    Returns
    -------
    tuple of str or None
        What is wrong, and what to do.

    Examples
    --------
    >>> unlikely_barometer(Conditions(barometer_pa=2992.0))[1]
    'if 29.92 inHg was meant, write that'
    >>> unlikely_barometer(Conditions(barometer_pa=100_200.0))
    """
    value = at.barometer_pa
    if value is None or LOWEST_PA <= value <= HIGHEST_PA:
        return None
    what = f"the barometer is stated as {_figure(value, 'hPa')} hPa, and on earth it is between 500 and 1100 hPa"
    return what, _meant(value, _PRESSURES, _PRESSURES, lambda pressure: USUAL_PA[0] <= pressure <= USUAL_PA[1])


def unlikely_bore(at: Conditions) -> tuple[str, str] | None:
    """Say that a fixture bore is no larger than the valve in it; None where it is, or one is not known.

    Parameters
    ----------
    at : Conditions

    Returns
    -------
    tuple of str or None
        What is wrong, and what to do.

    Examples
    --------
    >>> unlikely_bore(Conditions(fixture_bore_m=0.0032, valve_diameter_m=0.038))
    ('the fixture bore of 3.2 mm is not larger than the valve head of 38 mm', 'if 3.2 in was meant, write that')
    >>> unlikely_bore(Conditions(fixture_bore_m=0.083, valve_diameter_m=0.038))
    """
    bore, valve = at.fixture_bore_m, at.valve_diameter_m
    if bore is None or valve is None or bore > valve:
        return None
    what = (
        f"the fixture bore of {_figure(bore, 'mm')} mm is not larger than the valve head of {_figure(valve, 'mm')} mm"
    )
    low, high = USUAL_RATIO
    remedy = _meant(bore, _WRITTEN, _LENGTHS, lambda meant: low * valve <= meant <= min(high * valve, 0.2))
    if remedy == _CORRECT:
        remedy = _meant(valve, _WRITTEN, _LENGTHS, lambda meant: low * meant <= bore <= high * meant)
    return what, remedy


_CORRECT = "correct it, or the unit beside it"


def _meant(value: float, writable: Sequence[str], units: Sequence[str], usual: Callable[[float], bool]) -> str:
    """Say which unit may have been meant: the figure as it would be written in one, read in another."""
    found = []
    for written in writable:
        number = from_si(value, written)
        if abs(number - round(number, _DECIMALS)) > 1e-6 * number:
            continue  # nobody wrote it like that
        found += [f"{number:.6g} {unit}" for unit in units if unit != written and usual(to_si(number, unit))]
    return f"if {' or '.join(dict.fromkeys(found))} was meant, write that" if found else _CORRECT


def _figure(value: float, unit: str) -> str:
    """A value in a unit, without needless digits."""
    return f"{from_si(value, unit):.6g}"
