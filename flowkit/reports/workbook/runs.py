"""The sheet of run figures: every run of every port, its share of each mean flow, and how far it is off the mean."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from flowkit.reports.labels import port_text
from flowkit.reports.workbook import look
from flowkit.reports.workbook.book import Book, PortPlan, Reading, SidePlan
from flowkit.reports.workbook.look import Style
from flowkit.reports.workbook.pen import Column, Table, spans

if TYPE_CHECKING:
    from flowkit.analysis.scatter import Figure, PortRuns, Values
    from flowkit.analysis.uncertainty import Assessor

Figures = Mapping[object, tuple[str, "Figure"]]
"""What is computed of each port, by key, with its name: the mean flow, then that in each band."""


@dataclass
class PortCells:
    """Where a port's parts of one figure are, as other sheets call them."""

    runs: PortRuns
    values: Values
    shares: list[str]  # of each run
    deviations: list[tuple[str, list[str], int]]  # of repeated runs: bench, cells, degrees of freedom
    per_run: str
    steps: str
    setting: str
    mean: str = ""  # "" where it is on no sheet
    mean_value: float = 0.0
    row: int = 0  # on the sheet of intervals
    steps_at: dict[int, str] = field(default_factory=dict)  # by the lift's place


def write_runs(book: Book, assessor: Assessor, figures: Figures) -> dict[object, dict[int, PortCells]]:
    """Write the runs of every port; return where each figure's parts are by port, the mean flow's first."""
    pen = book.pens["Run figures"]
    pen.title(
        "Run figures",
        "Each run of each port, and how far its mean flow is off the port's mean. The weight of a lift says how "
        "much of a change in its reading reaches the mean flow (relative; it is computed by flowkit).",
        width=90,
    )
    pen.widths = {1: 24.0}
    found: dict[object, dict[int, PortCells]] = {}
    for side in book.sides:
        states = {state.name: index for index, state in enumerate(assessor.sides[side.side])}
        for variant in (one for one in side.variants if one.name in states):
            known = assessor.ports[side.side][states[variant.name]]
            for port in variant.ports:
                pen.heading(f"{side.side.capitalize()}, {variant.name}: {port_text(port.name)}")
                for key, cells in _write_port(book, assessor, figures, side, (port, known[port.name])):
                    found.setdefault(key, {})[id(cells.runs)] = cells
                pen.row += 1
    pen.finish(12.0, freeze="B4")
    return found


def _write_port(
    book: Book, assessor: Assessor, figures: Figures, side: SidePlan, own: tuple[PortPlan, PortRuns]
) -> Iterator[tuple[object, PortCells]]:
    """Write one port's lifts, and under them what follows for each figure; yield where that is."""
    pen, show, (port, runs) = book.pens["Run figures"], book.display, own
    block = book.blocks[side.side, port.curve.variant]
    column = block.ports[port.name]
    values = {key: known for key, (_, figure) in figures.items() if (known := runs.figure(figure)) is not None}
    setting = assessor.bench.lift_setting_m is not None and assessor.bench.repeatability is not None
    weights = {key: f"weight {index}" for index, key in enumerate(values)}
    first, *others = weights.items()
    table = Table(pen, [
        Column("lift", f"lift, {show.lift}", book.lift), Column(first[1], "weight of the lift", look.number(5)),
        Column("readings", "readings", look.number(0)), Column("mean", f"mean, {show.flow}", book.flow),
        Column("steps", "step², relative", look.SQUARED),
        *([Column("slope", "slope, relative", look.number(4))] if setting else []),
        *(Column(f"run {run}", f"run {run + 1}, {show.flow}", book.flow) for run in range(len(runs.runs))),
        *(Column(name, f"weight, {figures[key][0]}", look.number(5)) for key, name in others),
    ])  # fmt: skip
    top = pen.row
    run_of = {(test.id, test.file): int(run) for test, run in zip(runs.tests, runs.run_of, strict=True)}
    counts = np.zeros((len(port.readings), len(runs.runs)), dtype=int)
    for index, (place, readings) in enumerate(port.readings.items()):
        row = block.row(place)
        table.put("lift", book.in_lift(side.grid[place]), block.lift(place))
        for key, name in weights.items():
            table.put(name, float(values[key].a[0, index]))
        by_run: dict[int, list[str]] = {}
        for reading in readings:
            run = run_of[reading.test.test.id, reading.test.test.file]
            by_run.setdefault(run, []).append(book.tables["corrections"].at("done", reading.row))
        for run, cells in by_run.items():
            counts[index, run] = len(cells)
            text = f"AVERAGE({','.join(cells)})" if len(cells) > 1 else cells[0]
            table.put(f"run {run}", book.in_flow(float(runs.run_flows[index, run])), text)
        table.put("readings", len(readings))
        table.put("mean", book.in_flow(float(runs.curve.flow_m3_s[index])), block.flows.at(column, row))
        table.put("steps", float(runs.steps[index]), _steps(book, readings))
        if setting:
            slope = float(runs.slope[index]) / book.in_lift(1.0)
            table.put("slope", slope, f"{block.slopes.at(column, row)}/{{mean}}")
        pen.row += 1
    lifts = range(top, pen.row)
    for key, name in weights.items():
        cells_of = _write_figure(book, table, (figures[key][0], name), (runs, values[key]), counts, lifts)
        if key == first[0]:
            cells_of.mean = block.flows.at(column, block.area + 1)
            cells_of.steps_at = {place: table.at("steps", row) for place, row in zip(port.readings, lifts, strict=True)}
        yield key, cells_of


def _steps(book: Book, readings: list[Reading]) -> str:
    """Return the mean of (step/reading)² over the readings of a lift; "" where a meter was read."""
    parts = []
    for reading in readings:
        step = book.cells.get(("condition", reading.test.number, "step"))
        if step is None:
            return ""
        parts.append(f"({step}/{book.tables['readings'].at('flow', reading.row, 'c')})^2")
    return f"AVERAGE({','.join(parts)})" if len(parts) > 1 else parts[0]


def _write_figure(  # noqa: PLR0917
    book: Book, table: Table, names: tuple[str, str], own: tuple[PortRuns, Values], counts: np.ndarray, lifts: range
) -> PortCells:
    """Write what follows from a port's runs for one figure, given its name and the column of its weights."""
    pen, (name, weight), (runs, values) = table.pen, names, own
    style, bold = look.number(5), Style(bold=True)

    def cells(key: str, low: int = lifts[0], high: int = lifts[-1]) -> str:
        """Return the cells of a column."""
        return f"{table.here(key, low)}:{table.here(key, high)}"

    pen.put(1, f"share of {name}", Style(bold=True, wrap=True))
    for run in range(len(runs.runs)):
        held = "{" + ";".join(str(count) for count in counts[:, run]) + "}"
        text = f"SUMPRODUCT({cells(weight)}*{{held}}/{cells('readings')})"
        table.put(f"run {run}", float(values.run_share[0, run]), text, style=style, cells={"held": held})
    shares = [table.at(f"run {run}", pen.row) for run in range(len(runs.runs))]
    every = f"{table.here('run 0')}:{table.here(f'run {len(shares) - 1}')}"
    pen.row += 1
    pen.put(1, "off the port's mean", bold)
    deviations = []
    for group in runs.repeats:
        share, members = values.a[0, group.held], group.members
        if share.sum() < 0.5:
            continue
        rows = spans(lifts[int(index)] for index in group.held)
        weighed = ",".join(cells(weight, low, high) for low, high in rows)
        for run, residual in zip(members, group.residuals, strict=True):
            parts = []
            for low, high in rows:
                mean = "+".join(cells(f"run {other}", low, high) for other in members)
                one = cells(f"run {run}", low, high)
                parts.append(f"SUMPRODUCT({cells(weight, low, high)}*({one}/(({mean})/{len(members)})-1))")
            value = float(share @ residual / share.sum())
            table.put(f"run {run}", value, f"({'+'.join(parts)})/SUM({weighed})", style=style)
        deviations.append((group.bench, [table.at(f"run {run}", pen.row) for run in members], len(members) - 1))
    pen.row += 1
    pen.put(1, "1/n", bold)
    pen.put(2, float(values.per_run[0]), style, f"SUMSQ({every})")
    pen.row += 1
    pen.put(1, "of reading steps, u²", bold)
    pen.put(2, float(values.steps[0]), look.SQUARED, f"SUMPRODUCT({cells(weight)}^2*{cells('steps')})/12")
    spare = ""
    if "slope" in table.columns:
        pen.put(3, "of lift, per lift²", bold)
        text = f"SUMPRODUCT(({cells(weight)}*{cells('slope')})^2)"
        pen.put(4, float(values.setting[0]) / book.in_lift(1.0) ** 2, style, text)
        spare = pen.at(4)
    found = PortCells(runs, values, shares, deviations, pen.at(2, pen.row - 1), pen.at(2), spare)
    found.mean_value = book.in_flow(float(values.value[0]))
    pen.row += 2
    return found
