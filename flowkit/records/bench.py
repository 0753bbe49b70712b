"""The bench's own history: check-plate readings as control charts, drift, leak, how well runs repeat; and its use.

Shewhart's chart for individual values and the exponentially weighted moving average (EWMA) are those of the
NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 and 6.3.2.4.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from itertools import accumulate, groupby, pairwise
from pathlib import Path
from statistics import fmean, linear_regression, median, variance
from typing import TYPE_CHECKING, Any

from flowkit.drawing.looks import BLUE, RED, SOFT
from flowkit.model import Bench, Finding, Variant, grouped
from flowkit.records.store import Store

if TYPE_CHECKING:
    from flowkit.analysis.uncertainty import History


D2 = 1.128
"""Mean range of two normal values over their standard deviation (e-Handbook, 6.3.2.2)."""
WEIGHT = 0.3
LEARNED_FROM = 20
"""Readings that set the limits: what comes later is judged by them."""
FEWEST = 8


@dataclass(frozen=True, slots=True)
class Chart:
    """Readings in order with their centre and limits; what is outside is listed by its index."""

    values: tuple[float, ...]
    ewma: tuple[float, ...]
    centre: float  # of the readings that set the limits, as sigma
    sigma: float
    low: float
    high: float
    ewma_low: float
    ewma_high: float
    outside: tuple[int, ...]
    ewma_outside: tuple[int, ...]


def control_chart(
    values: Sequence[float],
    *,
    centre: float | None = None,
    sigma: float | None = None,
    weight: float = WEIGHT,
    width: float = 3.0,
    learned_from: int = LEARNED_FROM,
) -> Chart:
    """Put readings on a chart for individual values and on one for their moving average.

    Parameters
    ----------
    values : sequence of float
        In the order they were read, at least two.
    centre, sigma : float, optional
        Where known; else the mean of the first `learned_from` readings and their mean moving range over 1.128.
    weight : float, optional
        Of the newest reading in the moving average.
    width : float, optional
        Of the limits, in standard deviations.
    learned_from : int, optional

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals) and 6.3.2.4 (EWMA: the limits are
    ``centre ± k·s·sqrt(weight/(2 − weight))``).

    Examples
    --------
    >>> chart = control_chart([10.0, 10.2, 9.9, 10.1, 10.0, 11.5], learned_from=5)
    >>> chart.outside
    (5,)
    """
    first = list(values[:learned_from])
    middle = fmean(first) if centre is None else centre
    if sigma is None:
        ranges = [abs(b - a) for a, b in pairwise(first)]
        sigma = fmean(ranges) / D2 if ranges else 0.0
    ewma = tuple(accumulate(values, lambda before, value: weight * value + (1 - weight) * before, initial=middle))[1:]
    half = width * sigma * math.sqrt(weight / (2 - weight))
    low, high, ewma_low, ewma_high = middle - width * sigma, middle + width * sigma, middle - half, middle + half
    outside = tuple(i for i, value in enumerate(values) if not low <= value <= high)
    ewma_outside = tuple(i for i, value in enumerate(ewma) if not ewma_low <= value <= ewma_high)
    return Chart(tuple(values), ewma, middle, sigma, low, high, ewma_low, ewma_high, outside, ewma_outside)


@dataclass(frozen=True, slots=True)
class Pooled:
    """How well runs repeat: the relative standard deviation of a run, its degrees of freedom, and how many groups."""

    key: str
    s: float
    degrees_of_freedom: int
    groups: int


@dataclass(frozen=True, slots=True)
class BenchHistory:
    """What the records say of one bench."""

    bench: str | None
    dates: tuple[str, ...]  # of the distinct check-plate readings
    chart: Chart | None  # of reading over nominal; None with fewer than `FEWEST`
    readings: int
    sessions: int
    drift: float | None  # standard deviation between sessions, relative
    trend_per_year: float | None
    leak_dates: tuple[str, ...]
    leaks: tuple[float, ...]  # over the flow at the lowest lift, by session
    leak_trend_per_year: float | None
    repeatability: Pooled | None
    by_year: tuple[Pooled, ...]
    by_operator: tuple[Pooled, ...]
    out_since: str | None  # outside the limits from then until the last reading
    spells: tuple[tuple[str, str], ...]


def pooled(rows: Sequence[tuple[str, float, int]]) -> tuple[Pooled, ...]:
    """Pool variances by key: ``s² = Σ(Σz²)/Σν`` (ISO 5725-2, 7.4).

    Parameters
    ----------
    rows : sequence of (key, sum of squares, degrees of freedom)

    Examples
    --------
    >>> [(p.key, round(p.s, 3), p.degrees_of_freedom) for p in pooled([("a", 8.0, 1), ("a", 0.0, 1), ("b", 9.0, 1)])]
    [('a', 2.0, 2), ('b', 3.0, 1)]
    """
    groups = grouped((key, (squares, freedom)) for key, squares, freedom in rows if freedom > 0)
    found = []
    for key, own in sorted(groups.items()):
        freedom = sum(nu for _, nu in own)
        found.append(Pooled(key, math.sqrt(math.fsum(squares for squares, _ in own) / freedom), freedom, len(own)))
    return tuple(found)


def benches(store: Store) -> tuple[str | None, ...]:
    """Return the names of the benches, the busiest first; None for tests that name none."""
    rows = store.rows(
        "SELECT bench, count(*) FROM tests JOIN entries ON entries.id = entry_id WHERE current = 1 "
        "GROUP BY lower(trim(coalesce(bench, ''))) ORDER BY 2 DESC"
    )
    return tuple(row[0] for row in rows)


def bench_history(
    store: Store,
    bench: str | None = None,
    *,
    operator: str | None = None,
    since: str | None = None,
    but_for: str | None = None,
) -> BenchHistory:
    """Gather what the records say of a bench."""
    where = "current = 1 AND lower(trim(coalesce(bench, ''))) = ?"
    values: list[Any] = [(bench or "").strip().casefold()]
    for clause, value in (("operator = ? COLLATE NOCASE", operator), ("rows.date >= ?", since), ("path <> ?", but_for)):
        if value is not None:
            where += " AND " + clause
            values.append(value)
    query = "SELECT {} FROM {} AS rows JOIN entries ON entries.id = entry_id WHERE " + where

    def by_day(name: str) -> dict[str, list[float]]:
        """Return readings by their day, in order; undated ones belong to no session."""
        asked = query.format(f"DISTINCT rows.date, round({name}, 9)", "tests")
        return grouped(store.rows(f"{asked} AND {name} IS NOT NULL AND rows.date <> '' ORDER BY rows.date", values))

    checks, leaks = by_day("check_ratio"), by_day("leak_ratio")
    dates = tuple(date for date, rows in checks.items() for _ in rows)
    ratios = [value for rows in checks.values() for value in rows]
    chart = control_chart(ratios) if len(ratios) >= FEWEST else None
    out = _stretches({*chart.outside, *chart.ewma_outside}, len(dates)) if chart else []
    spells = tuple((dates[own[0]], dates[own[-1]]) for own in out)
    repeats = store.rows(query.format("rows.date, operator, sum_z2, freedom", "repeats"), values)
    everything = pooled([("all", squares, freedom) for _, _, squares, freedom in repeats])
    leak_dates, leak_means = tuple(leaks), tuple(fmean(rows) for rows in leaks.values())
    return BenchHistory(
        bench=bench,
        dates=dates,
        chart=chart,
        readings=len(ratios),
        sessions=len(checks),
        drift=_drift(list(checks.values())),
        trend_per_year=_trend(dates, ratios),
        leak_dates=leak_dates,
        leaks=leak_means,
        leak_trend_per_year=_trend(leak_dates, leak_means),
        repeatability=everything[0] if everything else None,
        by_year=pooled([(str(date)[:4] if date else "no date", *rest) for date, _, *rest in repeats]),
        by_operator=pooled([(operator or "not named", *rest) for _, operator, *rest in repeats]),
        out_since=spells[-1][0] if spells and spells[-1][1] == dates[-1] else None,
        spells=spells,
    )


def _drift(sessions: Sequence[Sequence[float]]) -> float | None:
    """Return the standard deviation of what sessions differ by, relative; None with fewer than eight."""
    if len(sessions) < FEWEST:
        return None
    everything = [fmean(rows) for rows in sessions]
    half = median(everything)
    # A typing slip or a month with a leak is no drift: what is six robust deviations away does not count.
    far = 6 * 1.4826 * median(abs(mean - half) for mean in everything)
    kept = [(rows, mean) for rows, mean in zip(sessions, everything, strict=True) if abs(mean - half) <= far or not far]
    means = [mean for _, mean in kept]
    squares = math.fsum((x - mean) ** 2 for rows, mean in kept for x in rows)
    freedom = sum(len(rows) - 1 for rows, _ in kept)
    within = squares / freedom if freedom else 0.0
    share = math.fsum(1 / len(rows) for rows, _ in kept) / len(kept)
    return math.sqrt(max(variance(means) - within * share, 0.0)) / fmean(means)


def _trend(dates: Sequence[str], values: Sequence[float]) -> float | None:
    """Return the least-squares slope per year; None with fewer than eight dates or less than half a year."""
    years, dated = [], []
    for text, value in zip(dates, values, strict=True):
        with suppress(ValueError):
            years.append(date.fromisoformat(text[:10]).toordinal() / 365.25)
            dated.append(value)
    if len(set(years)) < FEWEST or max(years) - min(years) < 0.5:
        return None
    return linear_regression(years, dated).slope


def _stretches(indices: Collection[int], count: int) -> list[list[int]]:
    """Return which of the first so many numbers follow each other."""
    return [list(own) for inside, own in groupby(range(count), key=lambda index: index in indices) if inside]


def draw_bench(history: BenchHistory, path: Path) -> None:
    """Draw the check plate's charts and the repeatability by year, as PNG, SVG or PDF by the path's ending."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from flowkit.output import written_whole

    figure = Figure(figsize=(10, 8.5), layout="constrained")
    FigureCanvasAgg(figure)
    top, middle, lower = figure.subplots(3, 1, height_ratios=[3, 3, 2])
    for ax, title in ((top, "Check plate, single readings"), (middle, "Check plate, moving average")):
        ax.set_title(title, loc="left", fontsize=10)
        ax.set_ylabel("reading less nominal, %")
    if history.chart is None:
        for ax in (top, middle):
            ax.text(0.5, 0.5, f"{readings_text(history.readings)}: too few", ha="center", transform=ax.transAxes)
            ax.set_xticks([])
            ax.set_yticks([])
    else:
        chart, dates = history.chart, history.dates
        _control_panel(top, dates, chart.values, (chart.low, chart.centre, chart.high), chart.outside)
        limits = (chart.ewma_low, chart.centre, chart.ewma_high)
        _control_panel(middle, dates, chart.ewma, limits, chart.ewma_outside)
    lower.set_title("Repeatability of a run by year", loc="left", fontsize=10)
    lower.set_ylabel("standard deviation, %")
    years = [row for row in history.by_year if row.key.isdigit()]
    for place, row in enumerate(years):
        lower.bar(place, 100 * row.s, color=BLUE, width=0.6)
        lower.annotate(f"{row.degrees_of_freedom}", (place, 100 * row.s), ha="center", va="bottom", fontsize=8)
    lower.set_xticks(range(len(years)), [row.key for row in years])
    lower.set_xlim(-0.6, max(len(years), 6) - 0.4)
    if not years:
        lower.text(0.5, 0.5, "no dated runs were repeated", ha="center", transform=lower.transAxes)
        lower.set_yticks([])
    lower.set_xlabel("figures over the bars: degrees of freedom")
    for ax in (top, middle, lower):
        ax.spines[["top", "right"]].set_visible(False)
    figure.suptitle(f"Bench: {history.bench or 'not named'}", x=0.01, ha="left", fontsize=12)
    with written_whole(Path(path)) as draft:
        figure.savefig(draft, dpi=130)


def readings_text(count: int) -> str:
    """Say how many readings there are."""
    return f"{count} dated reading{'' if count == 1 else 's'}"


PANEL_SPAN = 2.5
"""How far a panel reaches from its centre, in distances to the control limit; a slip must not flatten the rest."""


def _control_panel(
    ax: Any,
    dates: Sequence[str],
    values: Sequence[float],
    limits: tuple[float, float, float],
    outside: Sequence[int],
) -> None:
    """Draw one chart: readings in order, centre, limits, what is outside, and the value of what is off the panel."""
    low, centre, high = (100 * (limit - 1) for limit in limits)
    span = max(high - centre, centre - low)
    bottom, top = centre - PANEL_SPAN * span, centre + PANEL_SPAN * span
    true = [100 * (value - 1) for value in values]
    shown = [min(max(value, bottom), top) for value in true]
    ax.plot(range(len(shown)), shown, "-o", ms=2.5, lw=0.7, color=SOFT)
    ax.plot(outside, [shown[i] for i in outside], "D", ms=5, color=RED, label="outside the limits")
    for stretch in _stretches({i for i in outside if shown[i] != true[i]}, len(true)):
        worst = max(stretch, key=lambda i: abs(true[i] - centre))
        ax.annotate(f"{true[worst]:+.1f} %", (stretch[-1], shown[worst]), xytext=(6, 0), textcoords="offset points",
                    va="center", fontsize=8, color=RED)  # fmt: skip
    if span > 0:
        ax.set_ylim(bottom - 0.1 * span, top + 0.1 * span)
    for limit, style in zip(limits, ("--", "-", "--"), strict=True):
        ax.axhline(100 * (limit - 1), color=BLUE, lw=1, ls=style)
    cut = 4 if len({date[:4] for date in dates}) > 2 else 7  # years, or months
    firsts = [i for i, date in enumerate(dates) if i == 0 or date[:cut] != dates[i - 1][:cut]]
    ax.set_xticks(firsts, [dates[i][:cut] for i in firsts], fontsize=9 if cut == 4 else 7)
    ax.margins(x=0.01)
    if outside:
        ax.legend(fontsize=8, frameon=False, loc="upper left")


def bench_of_records(
    bench: Bench, variants: Sequence[Variant], records: Path | None, job: Path | None
) -> tuple[History | None, Bench, tuple[Finding, ...]]:
    """Return the history of the benches a job's tests name, the bench with its drift, and what to say of it.

    What the job states itself counts before the records: a stated repeatability leaves the history out, a stated
    drift stays. The job's own recorded tests do not count as its history.
    """
    from flowkit.analysis.uncertainty import History

    written = [" ".join((test.conditions.bench or "").split()) for variant in variants for test in variant.tests]
    with Store(records) as store:
        path, where = str(job.resolve()) if job else None, str(store.path)
        names = grouped((name.casefold(), name) for name in written).values()
        known = [bench_history(store, own[0], but_for=path) for own in names]
    runs = [item.repeatability for item in known if item.repeatability is not None]
    freedom = sum(item.degrees_of_freedom for item in runs)
    drift = max((item.drift for item in known if item.drift is not None), default=None)
    shown = " and ".join(item.bench or "the unnamed bench" for item in known)
    history, parts = None, []
    if freedom and bench.repeatability is None:
        s = math.sqrt(math.fsum(item.s**2 * item.degrees_of_freedom for item in runs) / freedom)
        if s > 0:
            history = History(s, float(freedom))
            parts.append(f"repeatability {100 * s:.2g} % from {freedom} repeated runs beyond the first of each port")
    if drift is not None:
        if bench.drift is None:
            bench = replace(bench, drift=drift)
        readings, sessions = sum(item.readings for item in known), sum(item.sessions for item in known)
        parts.append(f"drift {100 * drift:.2g} % from {readings} check-plate readings in {sessions} sessions")
    if parts:
        message = f"from the records of {shown}: {'; '.join(parts)}. A gain is never proven by that alone"
    else:
        message = (
            f"the records hold no repeated runs and too few check-plate readings of {shown}, so nothing is taken from "
            "them; state repeatability and drift in [bench], or add more jobs"
        )
    return history, bench, (Finding("bench-from-records", "note", where, message),)
