"""Sessions: one date on one bench, inside which the bench does not drift."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from flowkit.model import Bench, CorrectedTest, Finding, FlowTest

__all__ = ["Session", "session_findings", "session_of", "sessions_of"]


@dataclass(frozen=True, slots=True, order=True)
class Session:
    """One date on one bench.

    Attributes
    ----------
    date : str
        As the sheet gives it; "" where unknown.
    bench : str
        "" where unknown.
    variant : str
        The only variant a session of unknown date is taken for; "" where the date is known.
    """

    date: str
    bench: str
    variant: str = ""


def session_of(test: FlowTest | CorrectedTest) -> Session:
    """Return the session a test belongs to.

    Parameters
    ----------
    test : FlowTest or CorrectedTest

    Returns
    -------
    Session
        Without a date the variant counts as a session of its own: what is unknown is never
        taken to be the same day, and within the variant a common drift is the cautious choice.

    Examples
    --------
    >>> Session("2024-05-03", "bench a") == Session("2024-05-04", "bench a")
    False
    """
    date = " ".join((test.conditions.date or "").split())
    bench = " ".join((test.conditions.bench or "").split()).casefold()
    return Session(date, bench, "" if date else test.variant)


def sessions_of(tests: Iterable[CorrectedTest]) -> tuple[Session, ...]:
    """Return the distinct sessions of tests, sorted.

    Parameters
    ----------
    tests : iterable of CorrectedTest

    Returns
    -------
    tuple of Session

    Examples
    --------
    >>> sessions_of([])
    ()
    """
    return tuple(sorted({session_of(test) for test in tests}))


def session_findings(tests: Sequence[CorrectedTest], bench: Bench) -> tuple[Finding, ...]:
    """Return a note for each variant with tests whose session is unknown, where it matters.

    Parameters
    ----------
    tests : sequence of CorrectedTest
    bench : Bench
        It matters where a drift or the uncertainty of the pressure reading is stated.

    Returns
    -------
    tuple of Finding
        Rule ``session-unknown``; none where nothing depends on the session, or where all the
        tests are of one variant.

    Examples
    --------
    >>> session_findings([], Bench(drift=0.003))
    ()
    """
    if not (bench.drift or bench.pressure_reading_pa) or len({test.variant for test in tests}) < 2:
        return ()
    undated: dict[str, list[CorrectedTest]] = {}
    for test in tests:
        if not session_of(test).date:
            undated.setdefault(test.variant, []).append(test)
    return tuple(
        Finding("session-unknown", "note", group[0].id, _message(variant, len(group)))
        for variant, group in undated.items()
    )


def _message(variant: str, number: int) -> str:
    """Say what is not known of a variant's session, what follows and what to do."""
    tests = "a test" if number == 1 else f"{number} tests"
    return (
        f"{variant!r} has {tests} without a date, so it is not known whether it was flowed in one session with the "
        "others: it counts as a session of its own, and the bench's drift and pressure reading enter its gains; "
        "state the date (and the bench)."
    )
