"""The sheet of run figures: every run of every port, its share of the port's mean flow and how far it is off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from flowkit.reports.labels import port_text
from flowkit.reports.workbook.pen import Formula, Pen, Style, spans
from flowkit.units import from_si

if TYPE_CHECKING:
    from flowkit.analysis.scatter import Figure, PortRuns, Values
    from flowkit.analysis.uncertainty import Assessor
    from flowkit.reports.workbook.plan import Draft, PortPlan, Reading, SidePlan

_RUNS = "Run figures"


@dataclass
class PortCells:
    """Where a port's figures are: its runs' on one sheet, what the intervals need of it on the other."""

    runs: PortRuns
    values: Values
    shares: list[str]
    deviations: list[tuple[str, list[str], int]]
    per_run: str
    steps: str
    setting: str | None
    mean: str = ""
    mean_value: float = 0.0
    row: int = 0
    steps_at: dict[int, str] = field(default_factory=dict)


@dataclass
class _Runs:
    """Writes the sheet."""

    draft: Draft
    assessor: Assessor
    figures: Mapping[object, tuple[str, Figure]]
    found: dict[object, dict[int, PortCells]] = field(default_factory=dict)

    def write(self) -> None:
        """Write a block for every port: its runs, their shares and deviations."""
        pen = self.draft.pens[_RUNS]
        pen.title(
            "Run figures",
            "Each run of each port, and how far its mean flow is off the port's mean. The weight of a lift says how "
            "much of a change in its reading reaches the mean flow (relative; it is computed by flowkit).",
            width=90,
        )
        row = 4
        for side in self.draft.sides:
            states = {state.name: index for index, state in enumerate(self.assessor.sides[side.side])}
            for variant in side.variants:
                if variant.name not in states:
                    continue
                known = self.assessor.ports[side.side][states[variant.name]]
                for port in variant.ports:
                    row = self._block(pen, side, (variant.name, port), known[port.name], row)
        pen.widths({1: 24.0}, 12.0)
        pen.paper(freeze="B4")

    def _block(self, pen: Pen, side: SidePlan, which: tuple[str, PortPlan], runs: PortRuns, row: int) -> int:
        """Write one port; return the next free row."""
        show, (name, port) = self.draft.display, which
        block = self.draft.blocks[side.side, name]
        flows, slopes = self.draft.pens["Corrected flows"], self.draft.pens["Curve slopes"]
        column = block.ports[port.name]
        setting = self.assessor.bench.lift_setting_m is not None and self.assessor.bench.repeatability is not None
        pen.put(row, 1, f"{side.side.capitalize()}, {name}: {port_text(port.name)}", Style("heading"))
        heads = [f"lift, {show.lift}", "weight of the lift", "readings", f"mean, {show.flow}", "step², relative"]
        heads += ["slope, relative"] if setting else []
        first = len(heads) + 1
        heads += [f"run {number + 1}, {show.flow}" for number in range(len(runs.runs))]
        every = {key: runs.figure(figure) for key, (_, figure) in self.figures.items()}
        known = {key: values for key, values in every.items() if values is not None}
        weights = {key: 2 if index == 0 else len(heads) + index for index, key in enumerate(known)}
        heads += [f"weight, {self.figures[key][0]}" for key in list(known)[1:]]
        pen.header(row + 1, heads)
        top = row + 2
        run_of = {(test.id, test.file): int(run) for test, run in zip(runs.tests, runs.run_of, strict=True)}
        counts = np.zeros((len(port.readings), len(runs.runs)), dtype=int)
        for index, (place, readings) in enumerate(port.readings.items()):
            here = top + index
            pen.put(here, 1, Formula(flows.at(block.row(place), 1), from_si(side.grid[place], show.lift)),
                    Style("formula", show.lift_digits))  # fmt: skip
            for key, column_of in weights.items():
                pen.put(here, column_of, float(known[key].a[0, index]), Style("value", 5))
            by_run: dict[int, list[Reading]] = {}
            for reading in readings:
                by_run.setdefault(run_of[reading.test.test.id, reading.test.test.file], []).append(reading)
            for run, own in by_run.items():
                counts[index, run] = len(own)
                cells = ",".join(self.draft.corrected[reading.row] for reading in own)
                value = from_si(float(runs.run_flows[index, run]), show.flow)
                text = f"AVERAGE({cells})" if len(own) > 1 else cells
                pen.put(here, first + run, Formula(text, value), Style("formula", show.flow_digits))
            pen.put(here, 3, len(readings), Style("formula", 0))
            mean = from_si(float(runs.curve.flow_m3_s[index]), show.flow)
            pen.put(here, 4, Formula(flows.at(block.row(place), column), mean), Style("formula", show.flow_digits))
            steps, step = float(runs.steps[index]), self._steps(readings)
            pen.put(here, 5, Formula(step, steps) if step else steps, Style("formula" if step else "value", -4))
            if setting:
                text = f"{slopes.at(block.row(place), column)}/{pen.here(here, 4)}"
                value = float(runs.slope[index]) / from_si(1.0, show.lift)
                pen.put(here, 6, Formula(text, value), Style("formula", 4))
        row = top + len(port.readings)
        for key, values in known.items():
            at = (top, first, weights[key], row)
            one = self._footer(pen, runs, counts, at, (self.figures[key][0], values), setting=setting)
            one.mean_value = from_si(float(values.value[0]), show.flow)
            self.found.setdefault(key, {})[id(runs)] = one
            row += 5
        whole = self.found[next(iter(known))][id(runs)]
        whole.mean = flows.at(block.flow, column)
        whole.steps_at = {place: pen.at(top + index, 5) for index, place in enumerate(port.readings)}
        return row + 1

    def _steps(self, readings: Sequence[Reading]) -> str:
        """Return the mean of (step/reading)² over the readings of a lift; "" where a meter was read."""
        raw = self.draft.pens["Raw readings"]
        if any((reading.test.number, "step") not in self.draft.conditions for reading in readings):
            return ""
        parts = [
            f"({self.draft.conditions[reading.test.number, 'step']}/{raw.at(reading.row, 8, lock_row=False)})^2"
            for reading in readings
        ]
        return f"AVERAGE({','.join(parts)})" if len(parts) > 1 else parts[0]

    def _footer(
        self, pen: Pen, runs: PortRuns, counts: np.ndarray, at: tuple[int, int, int, int],
        figure: tuple[str, Values], *, setting: bool,
    ) -> PortCells:  # fmt: skip
        """Write what follows from a port's runs for one figure."""
        top, first, weight, row = at
        last = top + len(counts) - 1
        name, values = figure

        def cells(column: int, low: int = top, high: int = last) -> str:
            """Return the cells of a column."""
            return f"{pen.here(low, column)}:{pen.here(high, column)}"

        style, bold = Style("formula", 5), Style(bold=True)
        pen.put(row, 1, f"share of {name}", Style(bold=True, wrap=True))
        for run in range(len(runs.runs)):
            held = "{" + ";".join(str(count) for count in counts[:, run]) + "}"
            text = f"SUMPRODUCT({cells(weight)}*{held}/{cells(3)})"
            pen.put(row, first + run, Formula(text, float(values.run_share[0, run])), style)
        shares = [pen.at(row, first + run) for run in range(len(runs.runs))]
        pen.put(row + 1, 1, "off the port's mean", bold)
        deviations = []
        for group in runs.repeats:
            share, members = values.a[0, group.held], group.members
            if share.sum() < 0.5:
                continue
            rows = spans(top + int(index) for index in group.held)
            for run, residual in zip(members, group.residuals, strict=True):
                parts = []
                for low, high in rows:
                    mean = "+".join(cells(first + other, low, high) for other in members)
                    one = cells(first + run, low, high)
                    parts.append(f"SUMPRODUCT({cells(weight, low, high)}*({one}/(({mean})/{len(members)})-1))")
                weights = ",".join(cells(weight, low, high) for low, high in rows)
                value = float(share @ residual / share.sum())
                pen.put(row + 1, first + run, Formula(f"({'+'.join(parts)})/SUM({weights})", value), style)
            found = [pen.at(row + 1, first + run) for run in members]
            deviations.append((group.bench, found, len(members) - 1))
        pen.put(row + 2, 1, "1/n", bold)
        text = f"SUMSQ({pen.here(row, first)}:{pen.here(row, first + len(runs.runs) - 1)})"
        pen.put(row + 2, 2, Formula(text, float(values.per_run[0])), style)
        pen.put(row + 3, 1, "of reading steps, u²", bold)
        text = f"SUMPRODUCT({cells(weight)}^2*{cells(5)})/12"
        pen.put(row + 3, 2, Formula(text, float(values.steps[0])), Style("formula", -4))
        spare = None
        if setting:
            pen.put(row + 3, 3, "of lift, per lift²", bold)
            unit = from_si(1.0, self.draft.display.lift) ** 2
            text = f"SUMPRODUCT(({cells(weight)}*{cells(6)})^2)"
            pen.put(row + 3, 4, Formula(text, float(values.setting[0]) / unit), style)
            spare = pen.at(row + 3, 4)
        return PortCells(runs, values, shares, deviations, pen.at(row + 2, 2), pen.at(row + 3, 2), spare)


def write_runs(
    draft: Draft, assessor: Assessor, figures: Mapping[object, tuple[str, Figure]]
) -> dict[object, dict[int, PortCells]]:
    """Write the runs of every port; return where each figure's parts are, the mean flow's first."""
    made = _Runs(draft, assessor, figures)
    made.write()
    return made.found
