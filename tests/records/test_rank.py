"""Where a head is among like ones, against a plain count; the data set against pandas and DuckDB; a real cluster."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from flowkit import Job, read_many
from flowkit.cli.app import run
from flowkit.output import jsonable
from flowkit.records.query import export
from flowkit.records.rank import rank
from flowkit.records.store import PROFILE_RATIOS, RecordsError, Store, floats, unpacked
from tests.records.shop import Shop, entries, write_job


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("records") / "shop.sqlite"
    with Store(file, write=True) as store:
        for entry in entries(Shop(4, years=1, heads_a_year=30, ports=2)):
            store.add(entry)
    return file


def by_hand(store: Store, low: float, high: float, ratio: float) -> list[float]:
    """Mean flow over valve area of each state of each head at a ratio, from the documents, by straight lines."""
    found: dict[tuple[str, str], list[float]] = {}
    for side, valve, head, state, lifts, flows in store.rows(
        "SELECT side, valve_m, head, state, lifts, flows FROM tests JOIN curves ON test_id = id"
    ):
        if side == "intake" and low <= valve <= high:
            lift = ratio * valve
            if lift <= floats(lifts)[-1]:
                flow = np.interp(lift, floats(lifts), floats(flows))
                found.setdefault((head, state), []).append(flow / (np.pi / 4 * valve**2))
    return [float(np.mean(values)) for values in found.values()]


def test_percentiles_are_a_plain_count(shop: Path, tmp_path: Path) -> None:
    job = Job.load(write_job(tmp_path / "today", "3000"))
    _, variants = job._correct(*job.read())
    with Store(shop) as store:
        (side,) = rank(store, variants, jsonable(job.reference))
        assert (side.side, side.valve_m) == ("intake", 0.038)
        others = by_hand(store, side.low_m, side.high_m, 0.2)
    assert side.states == len(others) == 2 * side.heads
    for place in side.flow:
        if place.ratio == 0.2:
            share = np.mean(np.array(others) < place.value)
            assert place.percentile == pytest.approx(share, abs=0.06)  # straight lines here, the monotone cubic there
            assert place.quartiles[2] == pytest.approx(np.median(others), rel=0.02)
    assert {place.ratio for place in side.flow} <= set(PROFILE_RATIOS)
    ported = [p.percentile for p in side.flow if p.state == "ports blended"]
    assert ported > [p.percentile for p in side.flow if p.state == "as received"] or min(ported) == 1.0
    assert side.coefficient == ()  # the job states no seat


def test_too_few_is_said_and_how_few(shop: Path, tmp_path: Path, capsys) -> None:
    job = write_job(tmp_path / "today", "3000")
    text = job.read_text()
    job.write_text(text.replace('head = "38 mm"', 'head = "60 mm"'))
    assert run(["records", "rank", str(job), "--records", str(shop)]) == 0
    assert "Too few to rank: 5 heads are needed, the records have 0." in capsys.readouterr().out
    job.write_text(text.replace('[valves.intake]\nhead = "38 mm"\n', ""))
    assert run(["records", "rank", str(job), "--records", str(shop)]) == 0
    assert "the valve's diameter is not stated" in " ".join(capsys.readouterr().out.split())
    job.write_text(text)
    picture = tmp_path / "rank.png"
    assert run(["records", "rank", str(job), "--records", str(shop), "-o", str(picture), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["rank"][0]["heads"] >= 5
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_a_job_is_not_ranked_against_itself(tmp_path: Path) -> None:
    from flowkit.job.record import add_to_records

    path = write_job(tmp_path / "a", "1")
    job = Job.load(path)
    _, variants = job._correct(*job.read())
    with Store(tmp_path / "shop.sqlite", write=True) as store:
        list(add_to_records(store, [path]))
        assert rank(store, variants, jsonable(job.reference))[0].heads == 1
        assert rank(store, variants, jsonable(job.reference), but_for=str(path))[0].heads == 0


def test_the_data_set_is_read_by_pandas_and_duckdb(shop: Path, tmp_path: Path) -> None:
    duckdb = pytest.importorskip("duckdb")
    pd = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow")
    with Store(shop) as store:
        tests, points = export(store, tmp_path / "set")
        documents = [unpacked(row[0]) for row in store.rows("SELECT document FROM curves ORDER BY test_id")]
    assert tests == len(documents) and points == sum(len(item["points"]) for item in documents)
    frame = pd.read_parquet(tmp_path / "set" / "points")
    assert len(frame) == points and set(frame["bench"].astype(str)) == {"bench A"}
    assert sorted(frame["flow_m3_s"]) == sorted(p["flow_m3_s"] for item in documents for p in item["points"])
    pattern = str(tmp_path / "set" / "tests" / "**" / "*.parquet")
    rows = duckdb.sql(
        f"SELECT side, count(*), avg(mean_flow_m3_s) FROM read_parquet('{pattern}', hive_partitioning = true) "
        "WHERE year = 2015 GROUP BY side ORDER BY side"
    ).fetchall()
    assert [row[:2] for row in rows] == [("exhaust", tests / 2), ("intake", tests / 2)]
    own = pd.read_parquet(tmp_path / "set" / "tests").groupby("side")["mean_flow_m3_s"].mean()
    assert [row[2] for row in rows] == pytest.approx([own["exhaust"], own["intake"]])
    with Store(shop) as store, pytest.raises(RecordsError, match="is not empty; name a new one"):
        export(store, tmp_path / "set")


@pytest.mark.slow
def test_a_real_cluster_reads_what_this_process_reads(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    for number in range(4):
        write_job(tmp_path / str(number), str(number))
    (tmp_path / "bad.csv").write_text("nothing\n")
    paths = [*sorted(tmp_path.rglob("*.csv")), tmp_path / "missing.csv"]
    here = list(read_many(paths))
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        there = list(read_many(paths, client=client))
    assert [item.path for item in there] == paths
    assert [item.result and item.result.tests for item in there] == [item.result and item.result.tests for item in here]
    assert [str(item.error) for item in there] == [str(item.error) for item in here]
