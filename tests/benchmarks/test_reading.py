"""Reading whole archives against the plain reading of their cells by pandas, in one run on the same files.

flowkit also interprets, converts and checks what it reads; pandas only fetches the cells.
"""

from __future__ import annotations

import csv
import io
import math
import os
import random
from collections.abc import Sequence
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import Workbook

from flowkit.importers import read
from flowkit.importers.reading import read_many
from tests.benchmarks.timing import best

SHEETS = 500
LIFTS = 12
PORTS = 8
XLSX_FASTER = 4.0
CSV_SLOWER = 1.5

Rows = list[list[str | float]]


def flow(lift: int, port: int, luck: random.Random) -> float:
    """An invented flow: a gentle curve, a little scatter."""
    return round((150 + port) * math.tanh(lift / 5) * (1 + luck.gauss(0, 0.002)), 1)


def wide(luck: random.Random, head: bool) -> Rows:
    """Lift rows, a column for each port, the units in the headings or below them."""
    names = [f"Intake {n}" for n in range(1, PORTS // 2 + 1)] + [f"Exhaust {n}" for n in range(1, PORTS // 2 + 1)]
    heads: Rows = (
        [["Lift", *names], ["mm", *["CFM"] * PORTS]] if head else [["Lift (mm)", *(f"{n} (CFM)" for n in names)]]
    )
    body: Rows = [[float(lift), *(flow(lift, port, luck) for port in range(PORTS))] for lift in range(1, LIFTS + 1)]
    return [["Test pressure", "28 inH2O"], ["Fixture bore", "81.5 mm"], ["Date", "2026-03-18"], [], *heads, *body]


def long(luck: random.Random) -> Rows:
    """A row for each point."""
    rows: Rows = [["Side", "Port", "Lift (mm)", "Flow (CFM)", "Test pressure (inH2O)"]]
    for port in range(PORTS):
        side = "intake" if port < PORTS // 2 else "exhaust"
        rows += [
            [side, port % (PORTS // 2) + 1, float(lift), flow(lift, port, luck), 28.0] for lift in range(1, LIFTS + 1)
        ]
    return rows


def mixed(nth: int) -> Rows:
    """Every layout in turn."""
    luck = random.Random(nth)
    return (lambda: wide(luck, True), lambda: wide(luck, False), lambda: long(luck))[nth % 3]()


@pytest.fixture(scope="module")
def workbooks(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Five hundred workbooks."""
    folder = tmp_path_factory.mktemp("xlsx")
    paths = []
    for nth in range(SHEETS):
        book = Workbook()
        sheet = book.worksheets[0]
        sheet.title = "ports blended"
        for row in mixed(nth):
            sheet.append(row)
        paths.append(folder / f"{nth:03}.xlsx")
        book.save(paths[-1])
    return paths


@pytest.fixture(scope="module")
def texts(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Five hundred text files."""
    folder = tmp_path_factory.mktemp("csv")
    paths = []
    for nth in range(SHEETS):
        out = io.StringIO()
        csv.writer(out).writerows(mixed(nth))
        paths.append(folder / f"{nth:03}.csv")
        paths[-1].write_text(out.getvalue(), encoding="utf-8")
    return paths


def read_all(paths: Sequence[Path]) -> int:
    """Read with flowkit; return the number of points."""
    return sum(len(test.points) for path in paths for test in read(path).tests)


def test_workbooks_are_read_four_times_as_fast_as_their_cells_by_pandas(benchmark, workbooks: list[Path]) -> None:
    assert read_all(workbooks[:3]) == 3 * LIFTS * PORTS
    benchmark.pedantic(read_all, args=(workbooks,), rounds=3)
    plain = best(lambda: [pd.read_excel(path, engine="openpyxl", header=None) for path in workbooks], 1)
    ratio = plain / benchmark.stats["min"]
    benchmark.extra_info["pandas over flowkit"] = round(ratio, 2)
    assert ratio >= XLSX_FASTER


def test_texts_are_read_nearly_as_fast_as_their_cells_by_pandas(benchmark, texts: list[Path]) -> None:
    assert read_all(texts[:3]) == 3 * LIFTS * PORTS
    benchmark.pedantic(read_all, args=(texts,), rounds=5)
    names = range(1 + PORTS)
    plain = best(lambda: [pd.read_csv(path, header=None, names=names) for path in texts], 5)
    ratio = benchmark.stats["min"] / plain
    benchmark.extra_info["flowkit over pandas"] = round(ratio, 2)
    assert ratio <= CSV_SLOWER


def test_a_sheet_costs_the_same_among_ten_and_ten_thousand(benchmark, texts: list[Path], tmp_path: Path) -> None:
    many = [tmp_path / f"{nth:05}.csv" for nth in range(10_000)]
    for nth, path in enumerate(many):
        os.link(texts[nth % SHEETS], path)

    def run(paths: Sequence[Path]) -> int:
        return sum(1 for reading in read_many(paths) if reading.result is not None)

    few = best(lambda: [run(many[at : at + 10]) for at in range(0, 1000, 10)]) / 1000
    assert benchmark.pedantic(run, args=(many,), rounds=1) == 10_000
    ratio = benchmark.stats["min"] / 10_000 / few
    benchmark.extra_info["per sheet, 10 000 over 10"] = round(ratio, 2)
    assert ratio < 1.3
