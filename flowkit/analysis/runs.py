"""Sessions, benches, runs and copied sheets: which readings are repeats of which."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from flowkit.analysis.lifts import merge_lifts
from flowkit.model import CorrectedTest, Finding, FlowTest, MeterMark
from flowkit.units import from_si

__all__ = [
    "Benches",
    "Session",
    "continues",
    "copies",
    "identical_findings",
    "relative_steps",
    "resolution",
    "runs_of",
    "without_copies",
]

Test = FlowTest | CorrectedTest
UNNAMED = "\0unnamed"
"""Bench of the sheets that name none where the job names two or more: unlike any of them."""


@dataclass(frozen=True, slots=True, order=True)
class Session:
    """One day on one bench; `variant` is filled in only where the day is unknown."""

    date: str
    bench: str
    variant: str = ""


@lru_cache(maxsize=4096)
def day_of(text: str) -> str:
    """Return a day in one spelling however it was written."""
    from flowkit.importers.words.values import iso_date

    return iso_date(text) or " ".join(text.casefold().split())


def folded(text: str | None) -> str:
    """Return a name apart from its case and spaces."""
    return "".join((text or "").casefold().split())


@dataclass(frozen=True, slots=True)
class Benches:
    """The benches that the sheets of a job name, and so which bench and session a test belongs to."""

    named: frozenset[str] = frozenset()

    @classmethod
    def of(cls, tests: Iterable[Test]) -> Benches:
        """Gather the names of all sheets compared."""
        return cls(frozenset(filter(None, (folded(test.conditions.bench) for test in tests))))

    def bench(self, test: Test) -> str:
        """Return the bench of a test: its own, the job's only one, or one unlike any that is named."""
        own = folded(test.conditions.bench)
        if own or not self.named:
            return own
        return next(iter(self.named)) if len(self.named) == 1 else UNNAMED

    def session(self, test: Test) -> Session:
        """Return the session of a test; the undated sheets of one state are one unknown session."""
        date = day_of(test.conditions.date) if (test.conditions.date or "").strip() else ""
        return Session(date, self.bench(test), "" if date else test.variant)


NOWHERE = Benches()


def runs_of(tests: Sequence[CorrectedTest]) -> tuple[tuple[CorrectedTest, ...], ...]:
    """Return the runs of one port; tests that are parts of one run are kept together."""
    runs: list[list[CorrectedTest]] = []
    for test in tests:
        for run in runs:
            if all(continues(other, test) for other in run):
                run.append(test)
                break
        else:
            runs.append([test])
    return tuple(tuple(run) for run in runs)


def continues(one: Test, other: Test) -> bool:
    """Tell whether two tests of one port are parts of one run, written in two places.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from flowkit.model import Conditions, Point, Units, UnitSource
    >>> units = Units(UnitSource("m", "stated"), UnitSource("m³/s", "stated"))
    >>> low = FlowTest("a", "a.csv", None, None, "as received", "intake", "1", 1, Conditions(), units,
    ...     (Point(0.002, 0.05, None, "a.csv:2:2"),))
    >>> high = replace(low, id="b", points=(Point(0.004, 0.08, None, "b.csv:2:2"),))
    >>> continues(low, high), continues(low, low)
    (True, False)
    """
    if one.run != other.run or NOWHERE.session(one) != NOWHERE.session(other):
        return False
    lifts = [point.lift_m for test in (one, other) for point in test.points]
    own = [len(merge_lifts(point.lift_m for point in test.points)) for test in (one, other)]
    return len(merge_lifts(lifts)) == sum(own)


def _numbers(test: CorrectedTest) -> tuple[tuple[float, float], ...]:
    """Return the lifts and readings of a test, as they can be compared: in order, to ten figures."""
    return tuple(sorted((float(f"{point.lift_m:.9e}"), float(f"{point.reading_m3_s:.9e}")) for point in test.points))


FEWEST = 3
"""Points from which the same numbers are no chance."""
FINE = 2e-3
"""Last digit over the largest flow up to which two runs would not agree within it at every lift."""


def copies(tests: Iterable[CorrectedTest]) -> list[list[CorrectedTest]]:
    """Return the groups of tests that have the same numbers at every one of three or more points."""
    groups: dict[tuple[tuple[float, float], ...], list[CorrectedTest]] = {}
    for test in tests:
        if len(test.points) >= FEWEST:
            groups.setdefault(_numbers(test), []).append(test)
    return [group for group in groups.values() if len(group) > 1]


def without_copies(
    tests: Sequence[CorrectedTest],
) -> tuple[tuple[CorrectedTest, ...], list[tuple[CorrectedTest, CorrectedTest]]]:
    """Return the tests of one port of one state, each set of numbers once, and the copies, each with its original."""
    kept: list[CorrectedTest] = []
    left_out = []
    for test in sorted(tests, key=lambda test: -len(test.points)) if len(tests) > 1 else tests:
        original = next((one for one in kept if _copied(one, test)), None)
        if original is None:
            kept.append(test)
        else:
            left_out.append((original, test))
    return tuple(test for test in tests if any(test is one for one in kept)), left_out


def _copied(one: CorrectedTest, other: CorrectedTest) -> bool:
    """Tell whether a test has no number that another has not, were it in another unit, digits or at another pressure.

    What was converted agrees within the rounding of both at every point, as no second run would.
    """
    if len(other.points) < FEWEST:
        return False
    numbers = _numbers(one)
    if set(_numbers(other)) <= set(numbers):
        return True
    first, second = _last_digit(one), _last_digit(other)
    alike = one.units.flow.unit == other.units.flow.unit and one.points[0].pressure_pa == other.points[0].pressure_pa
    if (alike and math.isclose(first, second, rel_tol=0.5)) or max(first, second) > FINE:
        return False
    flows = {round(point.lift_m * 1e6): point.flow_m3_s for point in one.points}
    half = 0.5 * (first + second) * max(flows.values()) * (1.0 + 1e-6)
    return all(abs(flows.get(round(point.lift_m * 1e6), math.inf) - point.flow_m3_s) <= half for point in other.points)


def _last_digit(test: CorrectedTest) -> float:
    """Return one of the last digit that the flows of a test were written to, over the largest flow."""
    written = [from_si(point.reading_m3_s, test.units.flow.unit) for point in test.points]
    places = min(int(Decimal(f"{value:.9e}").normalize().as_tuple().exponent) for value in written)
    return float(10.0 ** min(places, 0) / max(written))


def identical_findings(tests: Sequence[CorrectedTest]) -> list[Finding]:
    """Return one warning for each pair of sheets with the same numbers (rule ``identical-readings``)."""
    ports: dict[tuple[object, ...], list[CorrectedTest]] = {}
    for test in tests:
        ports.setdefault((test.variant, test.side, folded(test.head), test.port), []).append(test)
    groups = [[*pair] for own in ports.values() for pair in without_copies(own)[1]]
    dropped = {id(pair[1]) for pair in groups}
    alone = len(groups)
    groups += copies(test for test in tests if id(test) not in dropped)
    sheets: dict[tuple[bool, tuple[tuple[str, str], ...]], list[list[CorrectedTest]]] = {}
    for index, group in enumerate(groups):
        where = tuple(dict.fromkeys((test.variant, test.file) for test in group))
        key = (index < alone, where if len(where) > 1 else ((group[0].id, ""),))
        sheets.setdefault(key, []).append(group)
    return [_identical(groups, alone) for (alone, _), groups in sheets.items()]


def _identical(groups: Sequence[Sequence[CorrectedTest]], alone: bool) -> Finding:
    """Return the warning for copies: of one port of one state, or for all tests that two sheets have alike."""
    first, others = groups[0][0], ", ".join(test.id for test in groups[0][1:])
    more = f" (and {len(groups) - 1} more like this on these sheets)" if len(groups) > 1 else ""
    if alone:
        what = "so one of them is a copy: it was left out, and counts neither as a run nor in the mean"
    else:
        what = "so a sheet may have been copied: all are kept, but such a port says nothing about the bench's drift"
    coarse = ""
    tests = [test for group in groups for test in group]
    if all(resolution(test) >= 0.004 * max(point.reading_m3_s for point in test.points) for test in tests):
        coarse = " With readings this coarse, two honest runs can also look alike."
    return Finding(
        "identical-readings",
        "warning",
        first.id,
        f"{first.id} and {others} have the same numbers at all {len(groups[0][-1].points)} lifts{more}, {what}.{coarse}"
        " If they are separate runs, flow one of them again and write its readings with one more digit.",
    )


def resolution(test: CorrectedTest) -> float:
    """Return the step in which the flows of a test were written [m³/s].

    Notes
    -----
    The largest 1, 2 or 5 times a power of ten (fewer than six flows: power of ten) that divides all
    flows as written; a uniform distribution one step wide is behind it (GUM F.2.2.1). Where a meter was read
    it is the readings that were written; see `relative_steps`.
    """
    flows = [point.reading_m3_s for point in test.points]
    largest = max(range(len(flows)), key=lambda index: flows[index])
    shown = _shown(test)
    if shown:
        return _relative(shown, step_of(shown))[largest] * flows[largest]
    try:
        written = [from_si(flow, test.units.flow.unit) for flow in flows]
    except Exception:
        written = flows
    return step_of(written) * flows[largest] / written[largest] if written[largest] else 0.0


def _shown(test: CorrectedTest) -> list[MeterMark]:
    """What a meter showed at each point; nothing where flows were written."""
    return [point.mark for point in test.points if point.mark is not None]


def _relative(marks: Sequence[MeterMark], step: float) -> tuple[float, ...]:
    """``S·δ/r`` at each point, r less the zero."""
    return tuple(mark.sensitivity * step / mark.net if mark.net else 0.0 for mark in marks)


def step_of(written: Sequence[float] | Sequence[MeterMark]) -> float:
    """Return the step in which figures were written, in their own unit; 0 where there is none."""
    figures = [item if isinstance(item, float) else item.reading for item in written]
    # Ten figures undo the rounding of the unit's factor; what was worked out has more and so no step worth naming.
    decimals = [Decimal(f"{value:.9e}").normalize() for value in figures if value]
    if not decimals:
        return 0.0
    places = min(int(value.as_tuple().exponent) for value in decimals)
    common = math.gcd(*(abs(int(value.scaleb(-places))) for value in decimals))
    factors = (5, 2, 1) if len(figures) >= 6 else (1,)
    for power in range(len(str(common)), -1, -1):
        for factor in factors:
            if common % (factor * 10**power) == 0:
                return float(Decimal(factor).scaleb(power + places))
    return 0.0  # not reached: one divides everything


def relative_steps(test: CorrectedTest) -> tuple[float, ...]:
    """Return at each point the step of the readings over the reading, ``δ/Q`` as written, or ``S·δ/r`` of a meter."""
    shown = _shown(test)
    if shown:
        return _relative(shown, step_of(shown))
    step = resolution(test)
    return tuple(step / point.reading_m3_s if point.reading_m3_s else 0.0 for point in test.points)
