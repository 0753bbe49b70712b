"""Sheets of raw readings: a manometer or a meter instead of a flow, in four layouts."""

from __future__ import annotations

import random
from decimal import Decimal

from tests.importers.generator.model import Measured, Sheet, Truth
from tests.importers.generator.words import SI

__all__ = ["LAYOUTS", "UNITS", "WORDS", "make", "page"]

LAYOUTS = ("wide", "beside", "long", "stacked")
UNITS = ("in", "mm", "cm", "%", "inH2O", "mmH2O", "Pa", "kPa", "V", "Hz", "div")
WORDS = ("Manometer", "Reading", "Meter", "Manometer reading", "Meter reading")
Flows = dict[tuple[str | None, str | None], list[Decimal]]


def _measured(rng: random.Random, lift_unit: str) -> tuple[list[Measured], Flows]:
    """Tests with their readings for points, and the flows that may be written beside them."""
    step = Decimal("0.050") if lift_unit == "in" else Decimal(1)
    sides = ("intake", "exhaust") if rng.random() < 0.6 else (rng.choice(["intake", "exhaust"]),)
    tests, flows = [], {}
    for side in sides:
        for port in range(1, rng.choice([1, 2, 4]) + 1):
            share = rng.uniform(0.7, 1)
            curves = [[Decimal(f"{most * share * (1 - 0.85**k):.1f}") for k in range(1, 9)] for most in (90, 140)]
            points = [(step * k, curves[0][k - 1]) for k in range(1, 9)]
            tests.append(Measured(side, str(port), None, 1, None, points, None, states_ok=("readings",)))
            flows[side, str(port)] = curves[1]
    return tests, flows


def page(rng: random.Random, layout: str, unit: str, word: str) -> tuple[list[list[str]], Truth]:
    """The rows of a sheet, and what is true of it."""
    lift_unit = rng.choice(["in", "mm"])
    tests, flows = _measured(rng, lift_unit)
    pressure = rng.choice([10, 25])
    truth = Truth(tests, lift_unit, "CFM", "inH2O", reading_unit=unit)
    for test in tests:
        test.pressure = Decimal(pressure)
    rows = [["Head", "12"], [rng.choice(["Test pressure", "ΔP"]), f"{pressure} inH2O"]]
    if rng.random() < 0.5:
        rows += [["Air temperature", "21 °C"], ["Barometer", "1002 hPa"], ["Humidity", "45 %"]]
        truth.conditions |= {"air_temperature_k": 294.15, "barometer_pa": 100200.0, "relative_humidity": 0.45}
    return [*rows, [], *_table(layout, tests, flows, word, unit, lift_unit, rng.choice(["{} ({})", "{} [{}]"]))], truth


def _table(
    layout: str, tests: list[Measured], flows: Flows, word: str, unit: str, lift_unit: str, headed: str
) -> list[list[str]]:
    """The table of a layout."""
    lift, reading = headed.format("Lift", lift_unit), headed.format(word, unit)
    if layout == "long":
        return [["Side", "Port", lift, reading]] + [
            [str(t.side).title(), str(t.port), str(a), str(b)] for t in tests for a, b in t.points
        ]
    if layout == "stacked":
        blocks: list[list[str]] = []
        for t in tests:
            blocks += [[f"{str(t.side).title()} port {t.port}"], [lift, reading]]
            blocks += [*([str(a), str(b)] for a, b in t.points), []]
        return blocks
    rows = [[lift], *([str(a)] for a, _ in tests[0].points)]
    for t in tests:
        who = f"{str(t.side).title()} {t.port}"
        columns = [[headed.format(f"{who} {word.lower()}", unit), *(str(b) for _, b in t.points)]]
        if layout == "beside":
            columns.append([headed.format(f"{who} flow", "CFM"), *map(str, flows[t.side, t.port])])
        for column in columns:
            for row, cell in zip(rows, column, strict=True):
                row.append(cell)
    return rows


def make(rng: random.Random) -> Sheet:
    """One sheet of readings."""
    layout, unit = rng.choice(LAYOUTS), rng.choice(UNITS)
    rows, truth = page(rng, layout, unit, rng.choice(WORDS))
    kind, mark = rng.choice([("csv", ","), ("csv", ";"), ("tsv", "\t")])
    text = "\n".join(mark.join(row) for row in rows) + "\n"
    tags = {"layout": "readings", "language": "en", "kind": kind, "reading layout": layout, "reading unit": unit}
    if layout == "beside":  # without a meter described the flows count
        truth.reading_unit = ""
        flow = [row for row in rows if len(row) > 2]
        for number, test in enumerate(truth.tests):
            test.points = [(Decimal(row[0]), Decimal(row[2 + 2 * number])) for row in flow[1:]]
    assert truth.lift_unit in SI
    return Sheet(f"readings.{kind}", text.encode(), truth, tags)
