"""Make the invented sheets of sample_sheets/ anew: ``python tests/make_sample_sheets.py FOLDER``.

Everything is invented. The flows follow from invented coefficients on the seat and throat
areas of an invented valve (Heywood 1988, eqs 6.7-6.9, written out here on its own so that the
sheets do not depend on the package that is tested with them), then pick up what a bench adds: a
run's shift, the scatter of a point, a port's own character, a leak and the drift that a check
plate shows.
"""

from __future__ import annotations

import csv
import datetime
import math
import random
import sys
from dataclasses import dataclass
from pathlib import Path

import openpyxl
from openpyxl.styles import Alignment, Font

INH2O = 249.08891
CFM = 0.3048**3 / 60
AIR = 1.2041  # kg/m³, dry air at 20 °C and 101 325 Pa
PORTS = ("1", "2", "3", "4")
RUNS = {"1": 3}  # port 1 is measured three times


@dataclass(frozen=True)
class Valve:
    head: float
    throat: float
    stem: float
    seat_width: float  # along the face, mm

    def seat_area(self, lift: float) -> float:
        """Passage between seat and valve at a lift, mm²; 45° seat."""
        w = self.seat_width * math.cos(math.pi / 4)
        if lift <= 2 * w:
            return math.pi * lift * math.cos(math.pi / 4) * (self.head - 2 * w + lift / 2)
        return math.pi * (self.head - w) * math.hypot(lift - w, w)

    def throat_area(self) -> float:
        """Passage past the stem in the throat, mm²."""
        return math.pi / 4 * (self.throat**2 - self.stem**2)


@dataclass(frozen=True)
class State:
    name: str
    date: str
    valves: dict[str, Valve]
    seat: dict[str, float]  # coefficient of the seat, which rules at small lifts
    throat: dict[str, float]  # coefficient of port and throat, which rule at large lifts
    port_character: dict[str, float]


ROUGH = {"1": 1.004, "2": 1.011, "3": 0.981, "4": 1.004}
EVEN = {"1": 1.001, "2": 1.004, "3": 0.996, "4": 0.999}
STANDARD = {"intake": Valve(38.0, 33.0, 8.0, 1.8), "exhaust": Valve(33.0, 28.5, 8.0, 2.0)}
RECUT = {"intake": Valve(38.0, 33.0, 8.0, 1.4), "exhaust": Valve(33.0, 28.5, 8.0, 1.7)}
SLIM = {"intake": Valve(38.0, 33.0, 7.0, 1.4), "exhaust": Valve(33.0, 28.5, 7.0, 1.7)}
STATES = (
    State(
        "as received",
        "2026-02-10",
        STANDARD,
        {"intake": 0.735, "exhaust": 0.725},
        {"intake": 0.665, "exhaust": 0.675},
        ROUGH,
    ),
    State(
        "seats recut",
        "2026-03-04",
        RECUT,
        {"intake": 0.815, "exhaust": 0.790},
        {"intake": 0.672, "exhaust": 0.680},
        ROUGH,
    ),
    State(
        "ports blended",
        "2026-03-18",
        RECUT,
        {"intake": 0.840, "exhaust": 0.805},
        {"intake": 0.765, "exhaust": 0.735},
        EVEN,
    ),
    State(
        "slim-stem valves",
        "2026-04-02",
        SLIM,
        {"intake": 0.848, "exhaust": 0.807},
        {"intake": 0.777, "exhaust": 0.738},
        EVEN,
    ),
)


def true_flow(state: State, side: str, port: str, lift: float, pressure: float) -> float:
    """Flow in CFM at the test pressure (Pa), lift in mm."""
    valve = state.valves[side]
    # Seat and throat in series; the exponent makes the one hand over to the other smoothly.
    seat = state.seat[side] * valve.seat_area(lift)
    throat = state.throat[side] * valve.throat_area()
    effective = (seat**-4 + throat**-4) ** -0.25 * 1e-6
    return state.port_character[port] * effective * math.sqrt(2 * pressure / AIR) / CFM


def columns() -> list[tuple[str, str, int]]:
    """(side, port, run) in the order of the sheet."""
    return [
        (side, port, run) for side in ("intake", "exhaust") for port in PORTS for run in range(1, RUNS.get(port, 1) + 1)
    ]


def readings(
    state: State, lifts: list[float], pressure: float, drift: float, leak: float, chance: random.Random
) -> list[list[float]]:
    """A row per lift, a column per run, CFM as the bench shows it."""
    shifts = {column: chance.gauss(0, 0.0028) for column in columns()}
    return [
        [
            round(
                true_flow(state, side, port, lift, pressure)
                * (1 + shifts[side, port, run] + chance.gauss(0, 0.0022))
                * drift
                + leak,
                1,
            )
            for side, port, run in columns()
        ]
        for lift in lifts
    ]


def write_as_received(folder: Path, chance: random.Random) -> None:
    """The first bench's sheet: CSV, inches, 10 inH2O."""
    lifts = [0.05 * step for step in range(1, 9)]
    leak = 0.1
    rows = readings(STATES[0], [lift * 25.4 for lift in lifts], 10 * INH2O, 1.008, leak, chance)
    path = folder / "as_received.csv"
    with path.open("w", newline="", encoding="utf-8") as stream:
        out = csv.writer(stream)
        out.writerows(
            [
                ["Invented data: no such head, bench or job exists"],
                ["Head", "hill-climb 1.6, eight valves"],
                ["Variant", "as received"],
                ["Date", STATES[0].date],
                ["Bench", "bench A"],
                ["Operator", "operator 1"],
                ["Test pressure", "10 inH2O"],
                ["Fixture bore", "3.209 in"],
                ["Leak", f"{leak} CFM"],
                ["Check plate reading", "60.5 CFM"],
                ["Check plate nominal", "60.0 CFM"],
                [],
            ]
        )
        names = {"intake": "Intake", "exhaust": "Exhaust"}
        out.writerow(
            ["Lift (in)"]
            + [
                f"{names[side]} {port}" + (f" run {run}" if port in RUNS else "") + " (CFM)"
                for side, port, run in columns()
            ]
        )
        for lift, row in zip(lifts, rows, strict=True):
            out.writerow([f"{lift:.3f}", *(f"{flow:.1f}" for flow in row)])


def write_after_work(folder: Path, chance: random.Random) -> None:
    """The second bench's workbook: a worksheet per variant, millimetres, 28 inH2O."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    moment = datetime.datetime(2026, 4, 2, 12, 0)
    book.properties.created = book.properties.modified = moment
    book.properties.creator = "invented"
    lifts = [float(step) for step in range(1, 11)]
    for state, check in zip(STATES[1:], (99.7, 100.2, 100.1), strict=True):
        sheet = book.create_sheet(state.name)
        leak = 0.2
        rows = readings(state, lifts, 28 * INH2O, check / 100, leak, chance)
        heading = [
            ("Invented data: no such head, bench or job exists", None),
            ("Head", "hill-climb 1.6, eight valves"),
            ("Date", state.date),
            ("Bench", "bench B"),
            ("Operator", "operator 2"),
            ("Test pressure", "28 inH2O"),
            ("Fixture bore", "81 mm"),
            ("Leak", f"{leak} CFM"),
            ("Check plate reading", f"{check} CFM"),
            ("Check plate nominal", "100 CFM"),
        ]
        for label, value in heading:
            sheet.append([label, value])
        sheet.append([])
        sheet.append(
            ["Lift"]
            + [f"{side.capitalize()} {port}" + (f" run {run}" if port in RUNS else "") for side, port, run in columns()]
        )
        sheet.append(["mm"] + ["CFM"] * len(columns()))
        for lift, row in zip(lifts, rows, strict=True):
            sheet.append([lift, *row])
        for row_number in (12, 13):
            for cell in sheet[row_number]:
                cell.font = Font(bold=True)
                cell.alignment = Alignment(horizontal="center", wrap_text=True)
        sheet["A1"].font = Font(italic=True)
        sheet.column_dimensions["A"].width = 22
        for row in sheet.iter_rows(min_row=14, min_col=2):
            for cell in row:
                cell.number_format = "0.0"
    book.save(folder / "after_work.xlsx")


def main(folder: Path) -> None:
    """Write both sheets into a folder."""
    chance = random.Random(20260210)
    write_as_received(folder, chance)
    write_after_work(folder, chance)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
