"""What a mistyped figure may have been: two digits the other way round, the decimal point elsewhere."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from typing import Literal

__all__ = ["Candidate", "best_candidate", "candidates", "decimals_of", "typed_figure"]

_SIGNIFICANT = 6


@dataclass(frozen=True, slots=True)
class Candidate:
    """A figure that may have been meant.

    Attributes
    ----------
    text : str
        As it would have been typed.
    value : float
    kind : {"digits", "point"}
        Two neighbouring digits swapped, or the decimal point moved.
    """

    text: str
    value: float
    kind: Literal["digits", "point"]


def typed_figure(value: float) -> str | None:
    """Return a figure as it was typed, or None where it was computed and has too many digits.

    Parameters
    ----------
    value : float
        In the sheet's unit, through SI and back, so that its last bits may be off.

    Examples
    --------
    >>> typed_figure(212.50000000000003), typed_figure(1 / 3), typed_figure(0.00035)
    ('212.5', None, '0.00035')
    """
    text = _plain(f"{value:.{_SIGNIFICANT}g}")
    return text if value > 0 and abs(float(text) - value) <= 1e-9 * value else None


def _plain(figure: str) -> str:
    """Write a figure without an exponent and without zeros at its end."""
    text = format(Decimal(figure), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def decimals_of(texts: Iterable[str]) -> int:
    """Return the most decimals in any of some figures.

    Examples
    --------
    >>> decimals_of(["21", "20.5", "0.25"])
    2
    """
    return max((len(text.partition(".")[2]) for text in texts), default=0)


def candidates(text: str, decimals: int = 0) -> list[Candidate]:
    """List what may have been meant by a typed figure.

    Parameters
    ----------
    text : str
        The figure, with a decimal point.
    decimals : int, optional
        How many decimals its neighbours have: 21 beside 20.5 was typed 21.0.

    Returns
    -------
    list of Candidate

    Examples
    --------
    >>> [item.text for item in candidates("125.3")]
    ['215.3', '152.3', '123.5', '12.53', '1.253', '1253', '12530']
    """
    whole, _, part = text.partition(".")
    figure = f"{whole}.{part.ljust(decimals, '0')}".rstrip(".")
    found: list[Candidate] = []
    places = [at for at, sign in enumerate(figure) if sign.isdigit()]
    for left, right in pairwise(places):
        if figure[left] == figure[right]:
            continue
        signs = list(figure)
        signs[left], signs[right] = signs[right], signs[left]
        swapped = "".join(signs)
        # Nobody types 0 before other digits: 52.0 was not meant to be 05.2.
        if not (swapped.startswith("0") and swapped[1:2].isdigit()):
            found.append(Candidate(swapped, float(swapped), "digits"))
    for power in (-1, -2, 1, 2):
        moved = _plain(f"{Decimal(text).scaleb(power):f}")
        found.append(Candidate(moved, float(moved), "point"))
    return found


def best_candidate(text: str, decimals: int, *, target: float, tolerance: float) -> Candidate | None:
    """Return the candidate nearest to where the curve is, or None where none is near.

    Parameters
    ----------
    text : str
        The figure as typed.
    decimals : int
        How many decimals its neighbours have.
    target : float
        The curve's value in the same unit.
    tolerance : float
        How far off it may be, relative.

    Examples
    --------
    >>> best_candidate("125.3", 1, target=151.8, tolerance=0.02).text
    '152.3'
    """
    near = [item for item in candidates(text, decimals) if abs(item.value - target) <= tolerance * target]
    return min(near, key=lambda item: abs(item.value - target), default=None)
