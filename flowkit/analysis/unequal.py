"""Corrections made for one state of the head and not for another, so that they look like a gain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from flowkit.analysis.phrases import listed, percent
from flowkit.corrections.step import MATTERS
from flowkit.model import CorrectedTest, Finding, LedgerLine, Side, Variant

__all__ = ["corrected_unequally"]

NEEDED: Mapping[str, Mapping[str, str]] = {
    "leakage": {"leak_m3_s": "the leak (zero if there was none)"},
    "check-plate": {
        "check_reading_m3_s": "the check plate's reading",
        "check_nominal_m3_s": "its nominal flow",
    },
    "bore": {"fixture_bore_m": "the fixture's bore", "valve_diameter_m": "the valve head's diameter"},
}
"""Correction to the inputs it needs of every test, as the ledger names them, and in words.

Air and test pressure are not among them: a test that lacks their inputs is left out."""


def corrected_unequally(side: Side, variants: Sequence[Variant]) -> tuple[Finding, ...]:
    """Return a warning for each correction that only some tests of a side could have.

    Parameters
    ----------
    side : {"intake", "exhaust"}
    variants : sequence of Variant
        All that are compared, their ledgers whole.

    Returns
    -------
    tuple of Finding
        Rule ``corrected-unequally``, where the correction changed the flow of any test by more than
        0.5 % at some lift (the leakage: in the mean) and another test lacks what it needs.

    Examples
    --------
    >>> corrected_unequally("intake", [])
    ()
    """
    tests = [(variant.name, test) for variant in variants for test in variant.corrected if test.side == side]
    found = (_unequal(side, correction, tests) for correction in NEEDED)
    return tuple(finding for finding in found if finding is not None)


def _unequal(side: Side, correction: str, tests: Sequence[tuple[str, CorrectedTest]]) -> Finding | None:
    """Look at one correction."""
    made: dict[str, float] = {}
    lacking: dict[str, None] = {}
    missing: dict[str, None] = {}
    first: CorrectedTest | None = None
    for name, test in tests:
        line = next((line for line in test.ledger if line.correction == correction), None)
        if line is None:
            continue
        if line.skipped is None:
            made[name] = max(made.get(name, 0.0), _change(test, line), key=abs)
        elif lacks := [words for key, words in NEEDED[correction].items() if line.inputs.get(key) is None]:
            lacking[name] = None
            missing |= dict.fromkeys(lacks)
            first = first or test
    if first is None or max(map(abs, made.values()), default=0.0) <= MATTERS:
        return None
    sized = [f"{_named(name, lacking)} (by up to {_signed(change)})" for name, change in made.items()]
    without = listed([_named(name, made) for name in lacking])
    return Finding(
        "corrected-unequally",
        "warning",
        first.id,
        f"On the {side} the {correction} correction was made for {listed(sized)} but not for {without}, for want of "
        f"{listed(list(missing))}: a gain between them holds the correction as well as the work; state what is missing "
        f"for {without}.",
    )


def _named(name: str, others: Mapping[str, object]) -> str:
    """Name a variant, or some of its tests where its others are of the other kind."""
    return f"some tests of {name!r}" if name in others else repr(name)


def _signed(change: float) -> str:
    """Write a change in per cent with its sign."""
    return f"{'+' if change > 0 else ''}{percent(change)}"


def _change(test: CorrectedTest, line: LedgerLine) -> float:
    """Return by how much a correction changed a test: a factor where it did most, an offset in the mean.

    A leak is a large share of the lowest flows of every test, and says little there.
    """
    if line.factor is not None:
        return max((factor - 1 for factor in line.factor), key=abs, default=0.0)
    readings = sum(point.reading_m3_s for point in test.points)
    return sum(line.offset_m3_s or ()) / readings if readings > 0 else 0.0
