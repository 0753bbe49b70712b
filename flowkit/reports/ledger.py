"""The correction ledger of many tests, told once for all that had the same done to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flowkit.drawing import Display
from flowkit.model import CorrectedTest, LedgerLine
from flowkit.reports.labels import MINUS, NOTHING
from flowkit.units import from_si

__all__ = ["Told", "effect_words", "formulas", "skipped_reasons", "told"]


@dataclass(frozen=True, slots=True)
class Told:
    """One correction over the tests of one variant on one side.

    Attributes
    ----------
    correction : str
    tests, skipped : int
        How many tests, and in how many of them it was not made.
    factor : tuple of two floats or None
        Smallest and largest factor of any point.
    offset_m3_s : tuple of two floats or None
        Smallest and largest offset of any point.
    """

    correction: str
    tests: int
    skipped: int
    factor: tuple[float, float] | None
    offset_m3_s: tuple[float, float] | None


def told(tests: Sequence[CorrectedTest]) -> list[tuple[str, str, int, dict[str, Told]]]:
    """Return, per variant and side, what each correction did.

    Parameters
    ----------
    tests : sequence of CorrectedTest

    Returns
    -------
    list of tuple
        Variant, side, number of tests, and correction to `Told`; in the tests' order.
    """
    groups: dict[tuple[str, str], list[CorrectedTest]] = {}
    for test in tests:
        groups.setdefault((test.variant, test.side or "side unknown"), []).append(test)
    variants = list(dict.fromkeys(variant for variant, _ in groups))
    ordered = sorted(groups.items(), key=lambda item: variants.index(item[0][0]))
    return [(variant, side, len(members), _corrections(members)) for (variant, side), members in ordered]


def _corrections(tests: Sequence[CorrectedTest]) -> dict[str, Told]:
    """Gather one group's ledger lines by correction."""
    lines: dict[str, list[LedgerLine]] = {}
    for test in tests:
        for line in test.ledger:
            lines.setdefault(line.correction, []).append(line)
    result = {}
    for correction, found in lines.items():
        factors = [value for line in found for value in line.factor or ()]
        offsets = [value for line in found for value in line.offset_m3_s or ()]
        result[correction] = Told(
            correction,
            len(found),
            sum(line.skipped is not None for line in found),
            (min(factors), max(factors)) if factors else None,
            (min(offsets), max(offsets)) if offsets else None,
        )
    return result


def effect_words(item: Told | None, display: Display) -> str:
    """Write what a correction did: a factor, an offset, or nothing.

    Parameters
    ----------
    item : Told or None
    display : Display
        The units an offset is shown in.

    Examples
    --------
    >>> from flowkit.drawing import DISPLAYS
    >>> effect_words(Told("bore", 3, 0, (1.0, 1.0212), None), DISPLAYS["US"])
    '× 1.0000–1.0212'
    """
    if item is None or item.skipped == item.tests:
        return NOTHING
    words = ""
    if item.factor is not None:
        low, high = (f"{value:.4f}" for value in item.factor)
        words = f"× {low}" if low == high else f"× {low}–{high}"
    if item.offset_m3_s is not None:
        digits = display.flow_digits + 1
        values = [f"{from_si(value, display.flow):+.{digits}f}".replace("-", MINUS) for value in item.offset_m3_s]
        words = " to ".join(dict.fromkeys(values)) + f" {display.flow}"
    if item.skipped:
        words += f" ({item.skipped} of {item.tests} not)"
    return words or NOTHING


def formulas(tests: Sequence[CorrectedTest]) -> list[tuple[str, str]]:
    """Return each correction that was made with its formula, each once, in order."""
    made = [(line.correction, line.formula) for test in tests for line in test.ledger if line.skipped is None]
    return list(dict.fromkeys(made))


def skipped_reasons(tests: Sequence[CorrectedTest]) -> list[tuple[str, str, int]]:
    """Return each correction that was not made, why, and in how many tests."""
    counts: dict[tuple[str, str], int] = {}
    for test in tests:
        for line in test.ledger:
            if line.skipped is not None:
                counts[line.correction, line.skipped] = counts.get((line.correction, line.skipped), 0) + 1
    return [(correction, reason, count) for (correction, reason), count in counts.items()]
