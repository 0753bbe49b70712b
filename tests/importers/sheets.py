"""Builders of sheets for the tests of the readers."""

from __future__ import annotations

import csv
import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flowkit.importers.files.grid import Grid
from flowkit.importers.mapping import Stated
from flowkit.importers.reading import _with_ids, read_sheets
from flowkit.importers.result import ReadResult

CFM = 0.3048**3 / 60  # m³/s: the international foot is 0.3048 m exactly (NIST SP 811, appendix B)
INH2O = 249.08891  # Pa: conventional inch of water (NIST SP 811, appendix B, 2.490889 E+02)
MMH2O = 9.80665  # Pa: conventional millimetre of water (NIST SP 811, appendix B)

Row = Sequence[Any]


def read_grid(grid: Grid, stated: Stated | None = None) -> ReadResult:
    """The tests of one grid, without checks of the data."""
    (reading,) = read_sheets([grid], stated or Stated())
    return ReadResult(tuple(_with_ids(reading.tests)), tuple(dict.fromkeys(reading.findings)))


def grid(text: str, *, sheet: str | None = "Sheet1", file: str = "bench.xlsx", **more: Any) -> Grid:
    """A grid from lines of cells parted by bars; numbers become numbers, as in a spreadsheet."""
    rows = []
    for line in text.strip("\n").split("\n"):
        cells: list[Any] = []
        for cell in line.split("|"):
            cell = cell.strip()  # noqa: PLW2901
            try:
                cells.append(float(cell) if cell and cell[0] in "0123456789.-" else cell or None)
            except ValueError:
                cells.append(cell)
        rows.append(tuple(cells))
    return Grid(file, sheet, tuple(rows), **more)


def read(text: str, stated: Stated | None = None, **more: Any) -> ReadResult:
    """Read a grid written as text."""
    return read_grid(grid(text, **more), stated)


def rules(result: ReadResult, severity: str | None = None) -> list[str]:
    """The rules of a result's findings."""
    return [f.rule for f in result.findings if severity is None or f.severity == severity]


def errors(result: ReadResult) -> list[str]:
    return rules(result, "error")


def flows(result: ReadResult, unit: float = CFM, digits: int = 6) -> dict[str, list[tuple[float, float]]]:
    """Side, port, run and variant of each test -> its (lift in mm, flow in a unit)."""
    found: dict[str, list[tuple[float, float]]] = {}
    for test in result.tests:
        name = " ".join(str(word) for word in (test.side, test.port, test.run, test.variant))
        assert name not in found
        found[name] = [(round(p.lift_m * 1e3, digits), round(p.flow_m3_s / unit, digits)) for p in test.points]
    return found


def write_csv(path: Path, rows: Sequence[Row], delimiter: str = ",", decimal: str = ".") -> Path:
    """Write rows as text; numbers with the decimal mark asked for."""

    def text(value: Any) -> str:
        if value is None:
            return ""
        if isinstance(value, float):
            return repr(value).removesuffix(".0").replace(".", decimal)
        return str(value)

    with path.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream, delimiter=delimiter).writerows([[text(cell) for cell in row] for row in rows])
    return path


def write_xlsx(path: Path, sheets: dict[str, Sequence[Row]]) -> Path:
    """Write a workbook with openpyxl, a reference writer of the format."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        page = book.create_sheet(name)
        for row in rows:
            page.append(list(row))
    book.save(path)
    return path


@dataclass(frozen=True)
class Sample:
    """A test to be written and read back: names, and (lift, flow) as typed."""

    variant: str
    side: str
    port: str
    run: int
    points: tuple[tuple[float, float], ...]

    @property
    def name(self) -> str:
        return f"{self.side} {self.port} {self.run} {self.variant}"


TODAY = datetime.date(2026, 3, 14)
