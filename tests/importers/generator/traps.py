"""Sheets that a careful reader does not take as they are: he asks, or says that they are not flow tests."""

# ruff: noqa: E501

from __future__ import annotations

import random
from decimal import Decimal

from tests.importers.generator.files import Form, write
from tests.importers.generator.layouts import wide
from tests.importers.generator.model import Page, Sheet, Task, measure
from tests.importers.generator.words import SI

__all__ = ["make"]


def make(rng: random.Random, task: Task) -> Sheet:
    """A trap."""
    kinds = {
        "not a flow sheet": 3, "no flow unit": 2, "no pressure": 2, "no lift unit": 1, "mass flow": 1, "standard flow": 1,
        "two units": 1, "corrected only": 1.5, "date": 1.5, "lift per diameter": 1, "lifts of metres": 0.7, "percent of scale": 1.5,
    }  # fmt: skip
    name = rng.choices(list(kinds), list(kinds.values()))[0]
    task.tags |= {"trap": name, "language": task.lang, "layout": "trap", "kind": "csv"}
    kind = rng.choice(["csv", "xlsx", "ods", "csv"])
    form = Form()
    task.tags["kind"] = kind
    page = foreign(rng, task) if name == "not a flow sheet" else bench_page(rng, task, name)
    filename, data = write(kind, task.stem, [page], form, rng, task.lang, task.tags)
    return Sheet(filename, data, task.truth, task.tags)


def column(rng: random.Random, low: float, high: float, n: int, digits: str) -> list[Decimal]:
    values = sorted(rng.uniform(low, high) for _ in range(n))
    return [Decimal(repr(value)).quantize(Decimal(digits)) for value in values]


def foreign(rng: random.Random, task: Task) -> Page:
    """Tables of other trades with lifts, flows or pressures in them."""
    n = rng.randint(6, 10)
    task.truth.ask = {"not a flow sheet"}
    choice = rng.randrange(7)
    if choice == 0:
        rows = [["Flow (m3/h)", "Head (m)", "Efficiency (%)", "Power (kW)"]]
        data = [
            column(rng, 0, 12, n, "0.1"),
            column(rng, 8, 30, n, "0.1")[::-1],
            column(rng, 20, 71, n, "1"),
            column(rng, 0.5, 2, n, "0.01"),
        ]
    elif choice == 1:
        rows = [["rpm", "Torque Nm", "Power kW", "Boost bar"]]
        data = [
            column(rng, 1500, 7000, n, "1"),
            column(rng, 90, 160, n, "0.1"),
            column(rng, 20, 95, n, "0.1"),
            column(rng, 0.1, 0.9, n, "0.01"),
        ]
    elif choice == 2:
        rows = [["Pipe", "Diameter (mm)", "Flow (L/s)", "Velocity (m/s)", "Loss (m)"]]
        data = [
            [Decimal(i) for i in range(1, n + 1)],
            column(rng, 50, 300, n, "1"),
            column(rng, 2, 60, n, "0.1"),
            column(rng, 0.5, 2.4, n, "0.01"),
            column(rng, 0.1, 4, n, "0.01"),
        ]
    elif choice == 3:
        rows = [["Pressure (bar)", "Flow (L/min)", "Valve opening (%)"]]
        data = [column(rng, 10, 210, n, "1"), column(rng, 5, 60, n, "0.1"), column(rng, 10, 100, n, "1")]
    elif choice == 4:
        rows = [["Cam degrees", "Lift (mm)", "Lift exhaust (mm)"]]
        data = [column(rng, 0, 110, n, "1"), column(rng, 0, 9.5, n, "0.001"), column(rng, 0, 9.2, n, "0.001")]
    elif choice == 5:
        rows = [["Lift speed (m/s)", "Load (kg)", "Current (A)"]]
        data = [column(rng, 0.1, 1, n, "0.01"), column(rng, 100, 900, n, "1"), column(rng, 4, 30, n, "0.1")]
    else:
        rows = [["Part", "Quantity", "Price"]]
        data = [
            [f"valve guide {i}" for i in range(n)],
            [Decimal(rng.randint(1, 16)) for _ in range(n)],
            column(rng, 4, 90, n, "0.01"),
        ]  # type: ignore[list-item]
    return Page([*rows, *[list(row) for row in zip(*data, strict=True)]])


def bench_page(rng: random.Random, task: Task, name: str) -> Page:
    """A plain sheet with one thing wrong."""
    truth = task.truth
    task.lang = "en" if name in ("corrected only", "lift per diameter", "date") else task.lang
    task.tags["language"] = task.lang
    task.sides, task.ports = ["intake", "exhaust"], {"intake": ["1", "2"], "exhaust": ["1", "2"]}
    truth.lift_unit, task.lift_unit = ("mm", "mm")
    task.lifts = {side: [Decimal(k) for k in range(2, 11)] for side in task.sides}
    truth.flow_unit, task.flow_unit = ("CFM", "CFM")
    truth.pressure_unit, task.pressure_unit = ("inH2O", "inH2O")
    task.tags["label"] = "{S} {p}"
    if name == "no lift unit":
        # Up to 1.2 it could be inches of a large valve or millimetres of a small step; a reader asks.
        task.lifts = {side: [Decimal(k) / Decimal(10) for k in range(2, 13, 2)] for side in task.sides}
    if name == "lifts of metres":
        task.lift_unit = "m"
    measure(rng, task)
    for test in task.tests:
        test.pressure = Decimal(28)
    pressure = "28 inH2O"
    label = task.word("pressure")
    if name == "no flow unit":
        task.flow_unit = ""
        truth.ask = {"flow unit"}
    elif name == "no lift unit":
        task.lift_unit = ""
        truth.ask = {"lift unit"}
    elif name == "mass flow":
        task.flow_unit = rng.choice(["kg/h", "g/s", "lb/min"])
        truth.ask = {"density"}
    elif name == "standard flow":
        task.flow_unit = "SCFM"
        truth.ask = {"standard air"}
    elif name == "lift per diameter":
        task.lift_unit = "L/D"
        truth.ask = {"valve diameter"}
    elif name == "lifts of metres":
        truth.ask = {"lift"}
    elif name == "percent of scale":
        task.flow_unit = "%"
        truth.ask = {"meter"}
    elif name == "corrected only":
        task.flow_unit = rng.choice(["CFM corrected to 28 inH2O", "CFM @ 28 inH2O"])
        pressure = ""
    elif name == "no pressure":
        pressure = ""
        truth.ask = {"pressure"}
        for test in task.tests:
            test.pressure = None
    page = wide(task)[0]
    lines: list[list[object]] = [[label, pressure]] if pressure else []
    if name == "two units":
        lines.append(["Flow unit", "L/s"])
        truth.ask = {"flow unit"}
    if name == "date":
        lines.append(["Date", f"{rng.randint(1, 9)}/{rng.randint(1, 9)}/26"])
        day, month = str(lines[-1][1]).split("/")[:2]
        if day != month:
            truth.ask = {"date"}
        else:
            truth.conditions["date"] = f"2026-{int(day):02d}-{int(day):02d}"
    if lines:
        page.above([*lines, []])
    if truth.ask == {"meter"}:
        truth.tests = []
    for test in truth.tests:
        test.states_ok = (task.stem, "")
    assert SI
    return page
