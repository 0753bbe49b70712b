"""A folder of sheets with 1, 2 and 4 workers, local processes and a Dask cluster on the loopback: cost per sheet."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from flowkit.importers import read_many
from tests.records.shop import write_job

SHEETS = 400


@pytest.fixture(scope="module")
def sheets(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("archive")
    for number in range(SHEETS // 2):
        write_job(folder / str(number), str(number))
    return sorted(folder.rglob("*.csv"))


def read_all(paths: list[Path], **how: object) -> int:
    """Read them all, the tests counted."""
    return sum(len(item.result.tests) for item in read_many(paths, **how) if item.result)  # type: ignore[arg-type]


def said(benchmark) -> None:
    """Write down the cost per sheet and how many processors there are to share it."""
    benchmark.extra_info["ms per sheet"] = round(1000 * benchmark.stats.stats.median / SHEETS, 2)
    benchmark.extra_info["processors"] = os.cpu_count()


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_local_processes(benchmark, sheets: list[Path], workers: int) -> None:
    assert benchmark.pedantic(read_all, (sheets,), {"workers": workers}, rounds=5, warmup_rounds=1) == 4 * SHEETS
    said(benchmark)


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_dask(benchmark, sheets: list[Path], workers: int) -> None:
    """A scheduler and its workers, started before the clock and warmed up; a sheet is a task."""
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        done = benchmark.pedantic(read_all, (sheets,), {"client": client}, rounds=5, warmup_rounds=1)
    assert done == 4 * SHEETS
    said(benchmark)
