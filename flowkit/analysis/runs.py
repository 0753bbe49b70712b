"""Sessions, runs and the bench's own scatter."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.lifts import merge_lifts
from flowkit.analysis.propagation import student_t
from flowkit.analysis.results import Repeatability
from flowkit.model import Bench, CorrectedTest, Finding, FlowTest

__all__ = [
    "Session",
    "continues",
    "pool_relative",
    "pool_repeatability",
    "repeatability_findings",
    "runs_of",
    "session_findings",
    "session_of",
    "sessions_of",
    "why_not_assessed",
]


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


Reading = tuple[int, int, float]
"""Number of the lift, number of the run, flow [m³/s] of one port."""


def pool_repeatability(tests: Sequence[CorrectedTest], bench: Bench) -> Repeatability:
    """Return the repeatability that counts for these tests.

    Parameters
    ----------
    tests : sequence of CorrectedTest
        All sides and variants; runs of one port of one variant are repeats of one another.
    bench : Bench
        A stated repeatability counts before the pooled one, with infinite degrees of freedom.

    Returns
    -------
    Repeatability
        With a stated value the split is in the proportion of the repeated runs, where there
        are any; without them it counts wholly as a shift of the run, which does not average
        out along the curve (the cautious choice).

    Notes
    -----
    ``s_r² = Σ(Q/Q̄ − 1)²/ν``, ``ν = Σ(n − 1)`` over every port and lift with n ≥ 2 runs
    (ISO 5725-2; NIST/SEMATECH e-Handbook of Statistical Methods, 2.4.5.1.1).

    Examples
    --------
    >>> stated = pool_repeatability([], Bench(repeatability=0.005))
    >>> stated.s_r, stated.degrees_of_freedom, stated.s_between_runs
    (0.005, inf, 0.005)
    >>> pool_repeatability([], Bench()).source
    'none'
    """
    pooled = pool_relative(_readings(tests))
    if bench.repeatability is None:
        return pooled or Repeatability(None, None, "none")
    stated = bench.repeatability
    if pooled is None or not pooled.s_r:
        return Repeatability(stated, math.inf, "stated", stated, 0.0)
    between, within = pooled.s_between_runs or 0.0, pooled.s_within_run or 0.0
    scale = stated / pooled.s_r
    return Repeatability(stated, math.inf, "stated", between * scale, within * scale, pooled.run_degrees_of_freedom)


def pool_relative(ports: Iterable[Sequence[Reading]]) -> Repeatability | None:
    """Pool relative standard deviations over ports and lifts and split them into run and point.

    Parameters
    ----------
    ports : iterable of sequences of (int, int, float)
        For each port its readings: number of the lift, number of the run, flow [m³/s].

    Returns
    -------
    Repeatability or None
        None where no lift has two runs. ``s_r² = s_b² + s_w²``, the variance of a reading of
        another run; where no run has a lift twice it is the pooled variance itself.

    Notes
    -----
    Analysis of variance by fitting constants (Henderson's method 3; Searle, Casella &
    McCulloch, Variance Components, 1992, ch. 5), of the readings relative to their lift's
    mean. ``s_w²`` is the residual mean square once lifts and runs are both taken out by least
    squares. The squares about the lifts' means have the expectation ``a·s_b² + b·s_w²``, with
    ``b = Σ(N − 1)`` and ``a = Σ(N − ΣNᵢ²/N)`` over the lifts, N readings of which Nᵢ are of run
    i (both are Σ(n − 1) where no run has a lift twice); s_b² from it, not below zero. At one
    lift only this is the one-way analysis of JCGM 100:2008, H.5. Where no run has two points
    with a repeat the scatter cannot be told apart, and everything counts as the run's shift.

    Examples
    --------
    >>> pooled = pool_relative([[(0, 0, 99.0), (0, 1, 101.0), (1, 0, 199.0), (1, 1, 201.0)]])
    >>> round(pooled.s_r, 6), pooled.degrees_of_freedom
    (0.01118, 2.0)
    """
    sums = np.sum([_sums_of_squares(rows) for port in ports if (rows := _relative(port))], axis=0)
    if not np.ndim(sums) or not sums[0]:
        return None
    freedom, total, on_shift, on_scatter, scatter, scatter_freedom, run_freedom = (float(value) for value in sums)
    within = scatter / scatter_freedom if scatter_freedom else 0.0
    between = (total - on_scatter * within) / on_shift
    if between < 0.0:
        between, within = 0.0, total / on_scatter
    return Repeatability(
        s_r=math.sqrt(between + within),
        degrees_of_freedom=freedom,
        source="repeated runs",
        s_between_runs=math.sqrt(between),
        s_within_run=math.sqrt(within),
        run_degrees_of_freedom=run_freedom,
    )


def _relative(readings: Sequence[Reading]) -> list[Reading]:
    """Return readings relative to their lift's mean, less 1, at the lifts of several runs."""
    by_lift: dict[int, list[tuple[int, float]]] = {}
    for lift, run, flow in readings:
        by_lift.setdefault(lift, []).append((run, flow))
    rows: list[Reading] = []
    for lift, members in by_lift.items():
        mean = sum(flow for _, flow in members) / len(members)
        if len({run for run, _ in members}) > 1 and mean > 0.0:
            rows.extend((lift, run, flow / mean - 1.0) for run, flow in members)
    return rows


def _sums_of_squares(rows: Sequence[Reading]) -> tuple[float, ...]:
    """Return what one port adds to the pool.

    Σ(n − 1) over its lifts, squares about the lifts' means, what s_b² and s_w² count in their
    expectation, squares left after lifts and runs, their degrees of freedom, runs less one.
    """
    lifts, runs = _indicator([row[0] for row in rows]), _indicator([row[1] for row in rows])
    residual = np.array([row[2] for row in rows])
    cells = lifts.T @ runs
    readings = cells.sum(axis=1)
    freedom = float(np.sum(np.count_nonzero(cells, axis=1) - 1))
    on_shift = float(np.sum(readings - (cells**2).sum(axis=1) / readings))
    design = np.hstack([lifts, runs])
    fitted, _, rank, _ = np.linalg.lstsq(design, residual, rcond=None)
    left = float(np.sum((residual - design @ fitted) ** 2))
    on_scatter = float(np.sum(readings - 1.0))
    squares = float(residual @ residual)
    return freedom, squares, on_shift, on_scatter, left, float(len(rows) - int(rank)), float(runs.shape[1] - 1)


def _indicator(labels: Sequence[int]) -> NDArray[np.float64]:
    """Return one column for each distinct label, 1 where a row has it."""
    distinct, place = np.unique(labels, return_inverse=True)
    return np.asarray(np.eye(len(distinct))[place])


def runs_of(tests: Sequence[CorrectedTest]) -> tuple[tuple[CorrectedTest, ...], ...]:
    """Return the runs of one port: tests that are parts of one run stand together.

    Parameters
    ----------
    tests : sequence of CorrectedTest
        Of one port of one variant.

    Returns
    -------
    tuple of tuple of CorrectedTest
        Tests with the same run number, the same session and no lift in common are one run
        written in several places; any other test is a run of its own.

    Examples
    --------
    >>> runs_of([])
    ()
    """
    runs: list[list[CorrectedTest]] = []
    for test in tests:
        for run in runs:
            if all(continues(other, test) for other in run):
                run.append(test)
                break
        else:
            runs.append([test])
    return tuple(tuple(run) for run in runs)


def continues(one: FlowTest | CorrectedTest, other: FlowTest | CorrectedTest) -> bool:
    """Tell whether two tests of one port are parts of one run, written in two places.

    Parameters
    ----------
    one, other : FlowTest or CorrectedTest
        Of one port of one variant.

    Returns
    -------
    bool
        Whether they have the same run number, the same session and no lift in common (1 µm).

    Examples
    --------
    >>> from dataclasses import replace
    >>> from flowkit.model import Conditions, FlowTest, Point, Units, UnitSource
    >>> units = Units(UnitSource("m", "stated"), UnitSource("m³/s", "stated"))
    >>> low = FlowTest("a", "a.csv", None, None, "as received", "intake", "1", 1, Conditions(), units,
    ...     (Point(0.002, 0.05, None, "a.csv:2:2"),))
    >>> high = replace(low, id="b", points=(Point(0.004, 0.08, None, "b.csv:2:2"),))
    >>> continues(low, high), continues(low, low)
    (True, False)
    """
    if one.run != other.run or session_of(one) != session_of(other):
        return False
    lifts = [point.lift_m for test in (one, other) for point in test.points]
    own = [len(merge_lifts(point.lift_m for point in test.points)) for test in (one, other)]
    return len(merge_lifts(lifts)) == sum(own)


def _readings(tests: Sequence[CorrectedTest]) -> list[list[Reading]]:
    """Return the readings of each port with several runs."""
    ports: dict[tuple[str, str | None, str | None], list[CorrectedTest]] = {}
    for test in tests:
        ports.setdefault((test.variant, test.side, test.port), []).append(test)
    return [_port_readings(runs) for members in ports.values() if len(runs := runs_of(members)) > 1]


def _port_readings(runs: Sequence[Sequence[CorrectedTest]]) -> list[Reading]:
    """Return the readings of one port, lifts within 1 µm being one."""
    starts = np.asarray(merge_lifts(point.lift_m for run in runs for test in run for point in test.points))
    return [
        (int(np.searchsorted(starts, point.lift_m, side="right")) - 1, number, point.flow_m3_s)
        for number, run in enumerate(runs)
        for test in run
        for point in test.points
    ]


def why_not_assessed(repeatability: Repeatability) -> str | None:
    """Return what would be needed for intervals, None where there is nothing in the way.

    Parameters
    ----------
    repeatability : Repeatability

    Returns
    -------
    str or None
        A plain sentence.

    Examples
    --------
    >>> why_not_assessed(Repeatability(0.005, 12.0, "repeated runs")) is None
    True
    """
    if repeatability.s_r is not None:
        return None
    return (
        "Not assessed: the bench's repeatability is not known. Flow at least one port twice (valve closed and "
        "opened again between the runs), or state the bench's own figure as repeatability under [bench] in the job."
    )


TOO_NARROW = 1.15
"""Factor on an interval from which too few repeats are reported."""


def repeatability_findings(repeatability: Repeatability) -> tuple[Finding, ...]:
    """Return a note where the runs' common shift is known from too few repeats.

    Parameters
    ----------
    repeatability : Repeatability

    Returns
    -------
    tuple of Finding
        Rule ``few-repeats``, or none.

    Notes
    -----
    ν = Σ(n − 1) counts every repeated point. Points of one run share its shift, so that the
    shift is known only as well as the number of repeated runs, and intervals that rest on it
    are too narrow by up to ``sqrt(s_b²/s_r²·(t95(ν_runs)/t95(ν))² + s_w²/s_r²)``.

    Examples
    --------
    >>> repeatability_findings(Repeatability(0.005, 40.0, "repeated runs", 0.0, 0.005, 4.0))
    ()
    >>> repeatability_findings(Repeatability(0.005, 20.0, "repeated runs", 0.004, 0.003, 2.0))[0].rule
    'few-repeats'
    """
    known, runs = repeatability.degrees_of_freedom, repeatability.run_degrees_of_freedom
    if repeatability.source != "repeated runs" or not (known and runs and repeatability.s_r):
        return ()
    share = ((repeatability.s_between_runs or 0.0) / repeatability.s_r) ** 2
    factor = math.sqrt(share * (student_t(runs) / student_t(known)) ** 2 + 1.0 - share)
    if factor <= TOO_NARROW:
        return ()
    repeats = "one repeated run" if runs == 1 else f"{runs:.0f} repeated runs"
    return (
        Finding(
            "few-repeats",
            "note",
            "repeatability",
            f"The bench shifts from run to run by {100 * (repeatability.s_between_runs or 0.0):.2f} % (one standard "
            f"deviation), and that is known from only {repeats}: intervals may be too narrow by a factor of up to "
            f"{factor:.1f}, so take a gain that is only just resolved as open; flow more ports twice, in every state, "
            "to be sure.",
        ),
    )
