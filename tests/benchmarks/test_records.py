"""Two hundred thousand recorded tests: how long a question takes, and how much memory."""

from __future__ import annotations

import dataclasses
import resource
from pathlib import Path

import pytest

from flowkit import Job
from flowkit.output import jsonable
from flowkit.records.bench import bench_history
from flowkit.records.query import find
from flowkit.records.rank import rank
from flowkit.records.store import Entry, Store
from tests.records.shop import Shop, entries, write_job

TESTS = 200_000


def copied(entry: Entry, number: int) -> Entry:
    """The same head once more under another name."""
    tests = tuple(
        dataclasses.replace(test, document={**test.document, "head": f"head {number}"}) for test in entry.tests
    )
    path = f"/shop/copy {number}/job.toml"
    return dataclasses.replace(entry, path=path, fingerprint=f"copy {number}", tests=tests)


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("records") / "large.sqlite"
    some = list(entries(Shop(21, heads_a_year=20)))
    with Store(file, write=True) as store:
        store.connection.execute("PRAGMA synchronous = OFF")
        added = 0
        for number in range(10**6):
            entry = copied(some[number % len(some)], number)
            store.add(entry)
            added += len(entry.tests)
            if added >= TESTS:
                break
    return file


def test_find(benchmark, large: Path) -> None:
    with Store(large) as store:
        found = benchmark(lambda: find(store, "blended customer", side="intake", valve_m=(0.036, 0.038), limit=40))
        assert store.rows("SELECT count(*) FROM tests")[0][0] >= TESTS
    assert found.total > 1000
    benchmark.extra_info["tests"] = TESTS


def test_rank(benchmark, large: Path, tmp_path: Path) -> None:
    job = Job.load(write_job(tmp_path / "today", "3000"))
    _, variants = job._correct(*job.read())
    with Store(large) as store:
        (side,) = benchmark(lambda: rank(store, variants, jsonable(job.reference)))
    assert side.heads > 3000
    benchmark.extra_info["MB at most"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def test_bench(benchmark, large: Path) -> None:
    with Store(large) as store:
        history = benchmark(lambda: bench_history(store, "bench A"))
    assert history.repeatability is not None
