"""An invented shop of ten years, by a seed: one bench that drifts, a bad month, typing slips, two operators.

Nothing of it is kept as data; entries are made as `flowkit.job.record` makes them, or written as sheets and jobs.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flowkit.job.record import repeats_of
from flowkit.model import Conditions, CorrectedPoint, CorrectedTest, FlowTest, LedgerLine, Point, Units, UnitSource
from flowkit.output import jsonable
from flowkit.records.store import Entry, SheetRow, StateRow, TestRow, profile_of

UNITS = Units(UnitSource("mm", "stated"), UnitSource("CFM", "stated"))
REFERENCE = {"pressure_pa": 6974.48948, "pressure_law": "square-root", "bore_m": None}
DRIFT = 0.0012
"""Standard deviation of what a session is off by."""
TREND = 0.0004
"""A year."""
BAD = ("2021-05-03", "2021-05-28")
BAD_BY = 0.03
SLIP_YEAR = 2018
SCATTER = {"operator 1": 0.003, "operator 2": 0.006}
"""Relative standard deviation of a run, by who flowed it."""


@dataclass(frozen=True)
class Shop:
    """What is true of the shop."""

    seed: int
    years: int = 10
    heads_a_year: int = 40
    ports: int = 4


def flow_at(lift_m: float, valve_m: float, quality: float) -> float:
    """A plausible curve [m³/s]: rising with lift over diameter, flat from a third on."""
    x = lift_m / valve_m
    return quality * 130.0 * math.pi / 4 * valve_m**2 * 0.72 * math.tanh(3.4 * x)


def entries(shop: Shop) -> Iterator[Entry]:
    """A job a head, two states each, intake and exhaust, the first port flowed twice."""
    rng = np.random.default_rng(shop.seed)
    slip_done = False
    for year in range(2015, 2015 + shop.years):
        for number in range(shop.heads_a_year):
            day = datetime.date(year, 1, 5) + datetime.timedelta(days=int(number * 355 / shop.heads_a_year))
            date = day.isoformat()
            operator = "operator 1" if rng.random() < 0.6 else "operator 2"
            off = rng.normal(0, DRIFT) + TREND * (year - 2015) + (BAD_BY if BAD[0] <= date <= BAD[1] else 0.0)
            check = 1 + off
            if year == SLIP_YEAR and not slip_done and number == shop.heads_a_year // 2:
                check, slip_done = 1.09, True  # 109.0 typed where 100.9 was read
            yield _job(shop, rng, f"{year}-{number:03}", date, operator, 1 + off, check)


def _job(
    shop: Shop, rng: np.random.Generator, number: str, date: str, operator: str, bench: float, check: float
) -> Entry:
    """One head, ported between two states."""
    valve = {"intake": round(rng.uniform(0.034, 0.042), 4)}
    valve["exhaust"] = round(0.85 * valve["intake"], 4)
    quality = rng.normal(0.82, 0.05)
    states = ("as received", "ports blended")
    tests: list[TestRow] = []
    corrected: list[CorrectedTest] = []
    for place, state in enumerate(states):
        for side in ("intake", "exhaust"):
            for port in range(1, shop.ports + 1):
                for run in range(1, 3 if port == 1 else 2):
                    run_off = rng.normal(0, SCATTER[operator])
                    level = quality * (1.0 + 0.08 * place) * (1 + run_off) * rng.normal(1, 0.004 if run == 1 else 0)
                    test = _test(number, state, side, str(port), run, date, operator, valve[side], level, bench, check)
                    if run == 2:  # the same port again: the port is what it was, the run is another
                        test = _rerun(corrected[-1], test, rng.normal(0, math.sqrt(2) * SCATTER[operator]))
                    corrected.append(test)
                    tests.append(row_of(test, place))
    return Entry(
        kind="job",
        path=f"/shop/{number}/job.toml",
        fingerprint=f"{shop.seed}-{number}",
        reference=REFERENCE,
        tests=tuple(tests),
        sheets=(SheetRow(f"/shop/{number}/sheet.csv", f"{shop.seed}-{number}"),),
        states=tuple(StateRow(state, {}, {}) for state in states),
        repeats=repeats_of(corrected),
        info={"number": number, "title": f"head {number}", "customer": f"customer {int(rng.integers(1, 90))}"},
    )


def _test(number, state, side, port, run, date, operator, valve, level, bench, check) -> CorrectedTest:
    """One test at the reference, its check plate in the ledger."""
    conditions = Conditions(
        test_pressure_pa=REFERENCE["pressure_pa"], valve_diameter_m=valve, stem_diameter_m=0.007,
        throat_diameter_m=0.86 * valve, seat_angle_deg=45.0, seat_width_m=0.0015, fixture_bore_m=0.081,
        leak_m3_s=0.0002, date=date, bench="bench A", operator=operator,
    )  # fmt: skip
    points = tuple(
        CorrectedPoint(
            lift, flow_at(lift, valve, level), None, f"sheet.csv:{n}:{run + 1}", flow_at(lift, valve, level) * bench
        )
        for n, lift in enumerate((0.001, 0.002, 0.003, 0.004, 0.006, 0.008, 0.010, 0.012), 2)
        for flow in [flow_at(lift, valve, level)]
    )
    line = LedgerLine("check-plate", "", {}, factor=(1 / check,) * len(points))
    name = f"{number} {state} {side} {port} {run}"
    return CorrectedTest(name, "sheet.csv", None, number, state, side, port, run, conditions, UNITS, points, (line,))


def _rerun(first: CorrectedTest, test: CorrectedTest, off: float) -> CorrectedTest:
    """The first run's curve moved as a whole."""
    import dataclasses

    points = tuple(
        dataclasses.replace(p, flow_m3_s=p.flow_m3_s * (1 + off), reading_m3_s=p.reading_m3_s * (1 + off))
        for p in first.points
    )
    return dataclasses.replace(test, points=points)


def row_of(test: CorrectedTest, state: int | None) -> TestRow:
    """What is kept of a test."""
    read = FlowTest(
        test.id, test.file, test.sheet, test.head, test.variant, test.side, test.port, test.run, test.conditions,
        test.units, tuple(Point(p.lift_m, p.reading_m3_s, None, p.source) for p in test.points),
    )  # fmt: skip
    document = jsonable(read)
    lifts = tuple(p.lift_m for p in test.points)
    flows = tuple(p.flow_m3_s for p in test.points)
    return TestRow(
        state, 0, document, lifts, flows, sum(flows) / len(flows), 1 / test.ledger[0].factor[0],
        test.conditions.leak_m3_s / test.points[0].reading_m3_s,
        profile_of(test.side, lifts, flows, document["conditions"], REFERENCE),
    )  # fmt: skip


def write_job(
    folder: Path, number: str, *, date: str = "2024-03-05", gain: float = 1.08, bench: str = "bench A"
) -> Path:
    """A real job in a folder: two sheets and a job file."""
    folder.mkdir(parents=True, exist_ok=True)
    lifts = (2, 4, 6, 8, 10)
    for name, factor in (("before", 1.0), ("after", gain)):
        head = "Lift (mm)," + ",".join(f"Intake {p} run {r} (CFM)" for p in (1, 2) for r in (1, 2))
        rows = [
            f"{lift}," + ",".join(
                f"{factor * 130 * math.tanh(lift / 7) * (1 + 0.01 * (p - 1)) * (1 + 0.002 * (r - 1)):.1f}"
                for p in (1, 2) for r in (1, 2)
            )
            for lift in lifts
        ]  # fmt: skip
        text = [f"Bench,{bench}", f"Date,{date}", "Test pressure,28 inH2O", head, *rows, ""]
        (folder / f"{name}.csv").write_text("\n".join(text), encoding="utf-8")
    job = folder / "job.toml"
    job.write_text(
        f'[job]\nnumber = "{number}"\ntitle = "invented head {number}"\n\n[valves.intake]\nhead = "38 mm"\n\n'
        '[[variant]]\nname = "as received"\nsheets = ["before.csv"]\nstate = { ports = "as cast" }\n\n'
        '[[variant]]\nname = "ports blended"\nsheets = ["after.csv"]\nstate = { ports = "blended" }\n',
        encoding="utf-8",
    )
    return job
