"""What was measured, before anyone writes it down, and the page it is written on."""

from __future__ import annotations

import itertools
import math
import random
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from tests.importers.generator.words import SI, WORDS

__all__ = ["Measured", "Page", "Sheet", "Task", "Truth", "measure"]

Cell = Any  # str, Decimal, datetime.date or None


@dataclass
class Measured:
    """One run of one port, as the bench showed it: decimals as written, in the units of the sheet."""

    side: str | None
    port: str | None
    head: str | None
    run: int
    state: str | None
    points: list[tuple[Decimal, Decimal]]
    pressure: Decimal | None  # of the test; None where each row has its own
    row_pressures: list[Decimal] = field(default_factory=list)
    states_ok: tuple[str, ...] = ()  # other names of the state that are as good
    leak: Decimal | None = None

    @property
    def key(self) -> tuple[str | None, str | None, str | None, int, str | None]:
        return self.side, self.port, self.head, self.run, self.state


@dataclass
class Truth:
    """What a careful reader takes from the sheet."""

    tests: list[Measured]
    lift_unit: str
    flow_unit: str
    pressure_unit: str
    conditions: dict[str, float | str] = field(default_factory=dict)
    ask: set[str] = field(default_factory=set)  # what a careful reader has to ask
    may_ask: bool = False  # a question is as good as the reading
    reading_unit: str = ""  # of a sheet of raw readings: its points are readings, and no flows


@dataclass
class Task:
    """The measured tests and the ways of writing them."""

    rng: random.Random
    lang: str
    truth: Truth
    sides: list[str]
    ports: dict[str, list[str | None]]
    heads: list[str | None]
    states: list[str | None]
    runs: int
    lifts: dict[str, list[Decimal]]
    tags: dict[str, str] = field(default_factory=dict)
    stem: str = "sheet"
    # spellings in this sheet
    lift_unit: str = "in"
    flow_unit: str = "CFM"
    pressure_unit: str = "inH2O"
    unit_at: str = "heading"  # heading, sentence, label, cell, row

    def word(self, topic: str) -> str:
        return self.rng.choice(WORDS[self.lang][topic])

    @property
    def tests(self) -> list[Measured]:
        return self.truth.tests


@dataclass
class Page:
    """One worksheet or text: rows of cells, what is struck out or hidden, and which cell is which reading."""

    rows: list[list[Cell]]
    name: str | None = None
    slots: dict[tuple[int, int], tuple[Measured, int]] = field(default_factory=dict)
    struck: set[tuple[int, int]] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    hidden_rows: set[int] = field(default_factory=set)

    @property
    def width(self) -> int:
        return max((len(row) for row in self.rows), default=0)

    def above(self, rows: list[list[Cell]]) -> None:
        self.shift(len(rows), 0)
        self.rows[:0] = rows

    def below(self, rows: list[list[Cell]]) -> None:
        self.rows += rows

    def right(self, rows: list[list[Cell]], gap: int = 1) -> None:
        width = self.width + gap
        for index, row in enumerate(rows):
            if index == len(self.rows):
                self.rows.append([])
            self.rows[index] += [None] * (width - len(self.rows[index])) + row

    def insert_column(self, at: int, cells: dict[int, Cell]) -> None:
        """A column before the column `at`."""
        for index, row in enumerate(self.rows):
            if len(row) > at or cells.get(index) is not None:
                row.extend([None] * (at - len(row)))
                row.insert(at, cells.get(index))
        self.slots = {(r, c + (c >= at)): value for (r, c), value in self.slots.items()}
        self.struck = {(r, c + (c >= at)) for r, c in self.struck}
        self.hidden_columns = {c + (c >= at) for c in self.hidden_columns}

    def insert_row(self, at: int, cells: list[Cell]) -> None:
        self.rows.insert(at, cells)
        self.slots = {(r + (r >= at), c): value for (r, c), value in self.slots.items()}
        self.struck = {(r + (r >= at), c) for r, c in self.struck}
        self.hidden_rows = {r + (r >= at) for r in self.hidden_rows}

    def shift(self, rows: int, columns: int) -> None:
        self.slots = {(r + rows, c + columns): value for (r, c), value in self.slots.items()}
        self.struck = {(r + rows, c + columns) for r, c in self.struck}
        self.hidden_rows = {r + rows for r in self.hidden_rows}
        self.hidden_columns = {c + columns for c in self.hidden_columns}

    def data_rows(self) -> list[int]:
        return sorted({r for r, _ in self.slots})

    def data_columns(self) -> list[int]:
        return sorted({c for _, c in self.slots})


@dataclass
class Sheet:
    """A file as it was sent, the truth about it, and what it is an instance of."""

    name: str
    data: bytes
    truth: Truth
    tags: dict[str, str]


DIGITS = {"CFM": 1, "L/s": 1, "L/min": 0, "m³/h": 1, "CFS": 3, "m³/min": 2, "m³/s": 4}
PRESSURES = {
    "inH2O": ["28", "28", "28", "25", "10", "15", "20"], "mmH2O": ["500", "700", "635"], "cmH2O": ["60", "71"],
    "kPa": ["7", "5", "5.0", "2.5"], "Pa": ["7000", "5000"], "mbar": ["50", "60"], "hPa": ["50"],
    "inHg": ["1.5", "2.06"], "mmHg": ["50"], "psi": ["1.0"],
}  # fmt: skip


def measure(rng: random.Random, task: Task) -> None:
    """Fill the task with tests whose curves rise as those of heads do."""
    used: set[tuple[Decimal, ...]] = set()
    unit = task.truth.flow_unit
    step = Decimal(1).scaleb(-(DIGITS[unit] if not (unit == "CFM" and rng.random() < 0.2) else 0))
    pressures = {side: Decimal(rng.choice(PRESSURES[task.truth.pressure_unit])) for side in ("one", *task.sides)}
    same = rng.random() < 0.8
    peak = rng.uniform(95, 260)
    tests = []
    for s_index, state in enumerate(task.states):
        for side in task.sides:
            for head in task.heads:
                for port in task.ports[side]:
                    level = peak * (1.0 if side == "intake" else 0.76) * (1 + 0.07 * s_index) * rng.uniform(0.97, 1.03)
                    for run in range(1, task.runs + 1):
                        pressure = pressures["one"] if same else pressures[side]
                        scale = math.sqrt(float(pressure) * SI[task.truth.pressure_unit] / 6974.489)
                        for attempt in range(1000):
                            if attempt == 100:
                                step = step.scaleb(-1)  # too coarse for so small a head
                            points = []
                            top = float(task.lifts[side][-1])
                            for lift in task.lifts[side]:
                                x = float(lift) / top
                                q = (
                                    level
                                    * (1 - math.exp(-2.3 * x))
                                    / (1 - math.exp(-2.3))
                                    * scale
                                    * rng.uniform(0.995, 1.005)
                                )
                                value = Decimal(repr(q * SI["CFM"] / SI[unit])).quantize(step)
                                points.append((lift, value))
                            key = tuple(value for _, value in points)
                            if key not in used and all(a < b for a, b in itertools.pairwise(key)):
                                break
                        used.add(key)
                        tests.append(Measured(side, port, head, run, state, points, pressure))
    task.truth.tests = tests
