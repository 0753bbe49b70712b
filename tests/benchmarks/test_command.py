"""What the command and the jobs cost beside the libraries they load, and many jobs beside few."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from flowkit import Job
from flowkit.model import Bench
from flowkit.samples import sample_job
from tests.benchmarks.timing import best

LIBRARIES = "import numpy, pandas, scipy.interpolate"

Interpreter = Callable[..., None]


@pytest.fixture
def interpreter(tmp_path: Path) -> Interpreter:
    """Run an interpreter of its own, with compiled modules kept as an installation keeps them."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment = {**kept, "PYTHONPYCACHEPREFIX": str(tmp_path)}

    def run(*arguments: str) -> None:
        subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL, env=environment)

    return run


def test_compare_against_importing_the_libraries(benchmark, interpreter: Interpreter) -> None:
    job = str(sample_job())
    benchmark.pedantic(lambda: interpreter("-m", "flowkit", "compare", job), rounds=9, warmup_rounds=1)
    imports = best(lambda: interpreter("-c", LIBRARIES), repeats=9)
    benchmark.extra_info["ratio"] = round(benchmark.stats["min"] / imports, 2)
    assert benchmark.stats["min"] < 1.6 * imports


def test_version_against_a_bare_interpreter(benchmark, interpreter: Interpreter) -> None:
    benchmark.pedantic(lambda: interpreter("-m", "flowkit", "--version"), rounds=9, warmup_rounds=1)
    bare = best(lambda: interpreter("-c", "pass"), repeats=9)
    benchmark.extra_info["milliseconds more"] = round(1e3 * (benchmark.stats["min"] - bare))
    assert benchmark.stats["min"] < bare + 0.08


def test_a_thousand_jobs_take_their_number_of_times_as_long(benchmark, tmp_path: Path) -> None:
    """One port before and after, read, corrected and compared with its interval."""
    rows = [(0.05 * step, 20.0 * step) for step in range(1, 11)]
    for name, factor in (("before", 1.0), ("after", 1.05)):
        table = "\n".join(f"{lift:.3f},{flow * factor:.1f}" for lift, flow in rows)
        head = "Side,intake\nPort,1\nTest pressure,28 inH2O\n\nLift (in),Flow (CFM)\n"
        (tmp_path / f"{name}.csv").write_text(head + table + "\n")
    sheets = [tmp_path / "before.csv", tmp_path / "after.csv"]
    bench = Bench(repeatability=0.005)

    def jobs(number: int) -> None:
        for _ in range(number):
            Job.from_files(sheets, bench=bench).compare()

    jobs(5)
    few = best(lambda: jobs(100))
    benchmark.pedantic(lambda: jobs(1000), rounds=1)
    benchmark.extra_info["per job, 1 000 over 100"] = round(benchmark.stats["min"] / (10 * few), 2)
    assert benchmark.stats["min"] < 1.3 * 10 * few
