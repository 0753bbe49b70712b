"""Small pieces that sentences are put together from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

__all__ = ["REMEDIES", "listed", "percent", "ports_named"]


REMEDIES: Mapping[str, str] = {
    "lift setting": "set the lift more exactly",
    "drift": "flow both states in one session, or take the drift out with a check plate and state what is left",
    "pressure reading": "read the test pressure more exactly, or flow both states in one session",
    "pressure law": "flow both states at one test pressure",
}
"""What to do about what hides a gain and repeats do not reduce."""


def listed(words: Sequence[str]) -> str:
    """Join words as in a sentence.

    Parameters
    ----------
    words : sequence of str

    Examples
    --------
    >>> listed(["ports"]), listed(["ports", "seats", "valves"])
    ('ports', 'ports, seats and valves')
    """
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)


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
