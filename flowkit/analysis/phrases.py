"""Small pieces that sentences are put together from."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["listed", "percent", "ports_named"]


def listed(words: Sequence[str]) -> str:
    """Join words as in a sentence.

    Parameters
    ----------
    words : sequence of str
        At least one.

    Examples
    --------
    >>> listed(["ports"]), listed(["ports", "seats", "valves"])
    ('ports', 'ports, seats and valves')
    """
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def ports_named(names: Sequence[str]) -> str:
    """Name ports as in a sentence.

    Parameters
    ----------
    names : sequence of str
        At least one; "" for a port without a name.

    Examples
    --------
    >>> ports_named(["1", "2"]), ports_named([""])
    ('ports 1 and 2', 'port (unnamed)')
    """
    return f"port{'s' if len(names) > 1 else ''} {listed([name or '(unnamed)' for name in names])}"


def percent(value: float, digits: int = 1) -> str:
    """Write a fraction in per cent, without a sign for a plain zero.

    Parameters
    ----------
    value : float
        Fraction.
    digits : int, optional
        Decimals.

    Examples
    --------
    >>> percent(0.118), percent(-0.0312), percent(-0.00001)
    ('11.8 %', '−3.1 %', '0.0 %')
    """
    text = f"{abs(value) * 100:.{digits}f}"
    return f"{'−' if value < 0 and float(text) else ''}{text} %"
