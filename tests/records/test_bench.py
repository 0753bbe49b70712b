"""The bench's history: published charts and variances met, an invented shop's drift, bad month and slip found."""

from __future__ import annotations

import dataclasses
import math
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from flowkit.cli.app import run
from flowkit.records.bench import D2, _control_panel, bench_history, benches, control_chart, pooled
from flowkit.records.store import Store, run_residuals
from tests.published import control_charts as published
from tests.published import nist_strd
from tests.records import shop as invented
from tests.records.shop import Shop, entries

pytestmark = pytest.mark.slow


def test_the_published_ewma_is_met_to_its_last_digit() -> None:
    chart = control_chart(
        published.EWMA_DATA,
        centre=published.EWMA_TARGET,
        sigma=published.EWMA_S,
        weight=published.EWMA_WEIGHT,
    )
    assert [round(value, 2) for value in chart.ewma] == pytest.approx(published.EWMA, abs=0.0051)
    assert (chart.ewma_low, chart.ewma_high) == pytest.approx(published.EWMA_LIMITS, abs=1.01e-4)
    assert chart.ewma_outside == ()


def test_limits_of_single_readings_are_the_published_factor_times_the_moving_range() -> None:
    data = published.EWMA_DATA
    chart = control_chart(data)
    moving = np.abs(np.diff(data)).mean()
    assert chart.centre == pytest.approx(np.mean(data))
    assert chart.high - chart.centre == pytest.approx(published.INDIVIDUALS_FACTOR * moving, rel=5e-4)
    assert chart.centre - chart.low == pytest.approx(published.INDIVIDUALS_FACTOR * moving, rel=5e-4)
    d3 = math.sqrt(2 - 4 / math.pi)  # of the range of two, in closed form
    assert 1 + 3 * d3 / D2 == pytest.approx(published.D4_OF_TWO, abs=1e-3)


def nist(name: str) -> dict[str, list[float]]:
    """A data set of the NIST StRD, by level of treatment, as scipy carries it."""
    folder = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"
    if not (folder / f"{name}.dat").is_file():
        pytest.skip("this scipy comes without its tests' data")
    groups: dict[str, list[float]] = defaultdict(list)
    for line in (folder / f"{name}.dat").read_text().splitlines()[60:]:
        if line.split():
            level, value = line.split()
            groups[level].append(float(value))
    return groups


@pytest.mark.parametrize("name", published.NIST_SETS)
def test_pooled_repeatability_of_the_nist_sets(name: str) -> None:
    """Nine levels; one, seven and thirteen constant leading digits: the last a severe test of the arithmetic."""
    rows = []
    for level, values in nist(name).items():
        mean = math.fsum(values) / len(values)
        rows.append((level, math.fsum((value - mean) ** 2 for value in values), len(values) - 1))
    (all_of_them,) = pooled([("all", squares, freedom) for _, squares, freedom in rows])
    # The data themselves are only as fine as a double: 1.2e-4 at a trillion.
    assert all_of_them.s == pytest.approx(
        published.NIST_S, rel=1e-9 if name < "SmLs04" else 1e-8 if name < "SmLs07" else 2e-3
    )
    assert len(pooled(rows)) == len(rows) == 9


def constant(flow: float):
    """A run that flows the same at every lift."""
    from flowkit.model import Conditions, CorrectedPoint, CorrectedTest

    points = tuple(CorrectedPoint(lift, flow, None, "", flow) for lift in (0.002, 0.004, 0.008))
    return CorrectedTest("", "", None, None, "s", "intake", "1", 1, Conditions(), invented.UNITS, points, ())


def test_residuals_of_runs_are_those_of_the_certified_analysis() -> None:
    """Silicon resistivity: each instrument a port, its five readings runs (NIST StRD, SiRstv)."""
    squares, freedom = 0.0, 0
    for group in nist("SiRstv").values():
        mean = math.fsum(group) / len(group)
        one, nu = run_residuals([constant(value) for value in group])
        squares, freedom = squares + one * mean**2, freedom + nu
    assert freedom == 20
    assert math.sqrt(squares / freedom) == pytest.approx(nist_strd.SILICON_RESIDUAL_SD, rel=1e-9)


def test_runs_that_share_no_lifts_say_nothing() -> None:
    import dataclasses

    one = constant(1.0)
    other = dataclasses.replace(one, points=tuple(dataclasses.replace(p, lift_m=p.lift_m + 1e-3) for p in one.points))
    assert run_residuals([one]) == run_residuals([one, other]) == (0.0, 0)


@pytest.fixture(scope="module")
def ten_years(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("records") / "shop.sqlite"
    with Store(file, write=True) as store:
        store.connection.execute("PRAGMA synchronous = OFF")  # four hundred waits for the disk prove nothing here
        for entry in entries(Shop(11, ports=1)):
            store.add(entry)
    return file


def test_the_bad_month_the_slip_the_trend_and_the_operators_are_found(ten_years: Path) -> None:
    with Store(ten_years) as store:
        assert benches(store) == ("bench A",)
        history = bench_history(store, "BENCH A")
    assert (history.readings, history.sessions) == (400, 400)
    assert history.chart is not None
    dates = np.array(history.dates)
    out = set(dates[list(history.chart.outside)])
    bad = {date for date in dates if invented.BAD[0] <= date <= invented.BAD[1]}
    slip = {date for date, value in zip(history.dates, history.chart.values, strict=True) if value == 1.09}
    assert bad and len(slip) == 1
    assert bad | slip <= out
    assert any(first <= min(bad) <= max(bad) <= last for first, last in history.spells)
    assert history.trend_per_year == pytest.approx(invented.TREND, abs=4e-4)
    # The drift of the sessions with ten years of trend in it: sqrt(0.12² + (0.04·10)²/12) %.
    assert history.drift == pytest.approx(math.hypot(invented.DRIFT, 10 * invented.TREND / math.sqrt(12)), rel=0.1)
    by_operator = {row.key: row for row in history.by_operator}
    for operator, sigma in invented.SCATTER.items():
        found = by_operator[operator]
        # Within what chi-square allows 999 times in 1000.
        low, high = (
            math.sqrt(q / found.degrees_of_freedom)
            for q in scipy.stats.chi2.ppf([5e-4, 0.9995], found.degrees_of_freedom)
        )
        assert low < found.s / (sigma / math.sqrt(1)) < high
    assert len(history.by_year) == 10


def test_a_bench_that_has_moved_for_good_is_out_of_control_since_then() -> None:
    rng = np.random.default_rng(5)
    values = [*rng.normal(1, 0.001, 60), *rng.normal(1.004, 0.001, 25)]
    chart = control_chart(values)
    assert set(range(66, 85)) <= set(chart.ewma_outside)
    assert not [index for index in chart.ewma_outside if index < 60]


def test_false_alarms_are_as_rare_as_the_charts_promise() -> None:
    """Three sigma: 0.27 % of single readings; limits learned from twenty readings are themselves uncertain."""
    rng = np.random.default_rng(9)
    rates = [len(control_chart(rng.normal(1, 0.002, 200)).outside) / 200 for _ in range(150)]
    assert np.mean(rates) < 0.02
    known = [len(control_chart(rng.normal(1, 0.002, 200), centre=1.0, sigma=0.002).outside) / 200 for _ in range(150)]
    assert np.mean(known) == pytest.approx(0.0027, abs=0.001)


def test_the_command_says_it_in_words_and_draws_it(ten_years: Path, tmp_path: Path, capsys) -> None:
    picture = tmp_path / "bench.png"
    assert run(["records", "bench", "--records", str(ten_years), "-o", str(picture)]) == 0
    out = capsys.readouterr().out
    assert "Check plate: 400 readings in 400 sessions" in out
    assert "OUT OF CONTROL since" in out and "operator 1   0." in out
    assert max(map(len, out.splitlines())) <= 80
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert run(["records", "bench", "no such", "--records", str(ten_years)]) == 1  # a typing slip is no empty history
    assert "no bench 'no such'; they have bench A" in capsys.readouterr().err


def test_a_slip_does_not_flatten_the_picture_and_its_value_is_beside_it() -> None:
    from matplotlib.figure import Figure

    rng = np.random.default_rng(5)
    values = [float(value) for value in 1 + rng.normal(0, 0.002, 60)]
    values[40] = 1.09
    chart = control_chart(values)
    ax = Figure().subplots()
    limits = (chart.low, chart.centre, chart.high)
    _control_panel(ax, [f"2020-01-{1 + i // 3:02}" for i in range(60)], values, limits, chart.outside)
    bottom, top = ax.get_ylim()
    # The band between the limits fills at least a third of the panel; the slip of 9 % is off it, with its value.
    assert 100 * (chart.high - chart.low) > (top - bottom) / 3
    assert "+9.0 %" in [text.get_text() for text in ax.texts]


def test_a_bench_with_few_readings_has_no_chart_and_lends_a_job_nothing(tmp_path: Path) -> None:
    from flowkit.model import Bench, Variant
    from flowkit.records.bench import bench_of_records, draw_bench

    file, picture = tmp_path / "few.sqlite", tmp_path / "bench.svg"
    with Store(file, write=True) as store:
        for entry in entries(Shop(3, years=1, heads_a_year=2, ports=1)):
            store.add(dataclasses.replace(entry, repeats=()))
        history = bench_history(store, "bench A")
    assert (history.chart, history.drift, history.repeatability, history.spells) == (None, None, None, ())
    draw_bench(history, picture)
    assert "<svg" in picture.read_text()
    found, bench, (note,) = bench_of_records(Bench(), [Variant("a", corrected=(), tests=(constant(1.0),))], file, None)
    assert (found, bench.drift, note.severity) == (None, None, "note")
    assert "too few check-plate readings of the unnamed bench, so nothing is taken from them" in note.message


def test_a_run_that_holds_less_than_half_of_the_mean_flow_is_no_repeat() -> None:
    """Spec, section 7: Σa_j of the shared lifts is at least 0.5. Constant flow: a lift counts with its share."""
    whole = constant(1.0)
    short = dataclasses.replace(constant(1.01), points=constant(1.01).points[:1])
    assert run_residuals([whole, dataclasses.replace(short, run=1)]) == (0.0, 0)
    squares, freedom = run_residuals([whole, constant(1.01)])
    assert (squares, freedom) == (pytest.approx(2 * (0.005 / 1.005) ** 2), 1)
