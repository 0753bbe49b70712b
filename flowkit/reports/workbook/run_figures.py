"""The sheet of run figures: every run of every port, and the intervals at single lifts as formulas of them.

The scatter at a lift is a fitted model, ``v = c + u_L²·x`` with x = (d ln Q/dL)²: its coefficients, their covariance
and degrees of freedom are values, as is what drift, check plates and meters add. Everything else follows the readings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from flowkit.analysis.scatter import AtLifts
from flowkit.analysis.uncertainty import student_t
from flowkit.reports.labels import port_text
from flowkit.reports.workbook.pen import Formula, Pen, Style, spans
from flowkit.units import from_si

if TYPE_CHECKING:
    from flowkit.analysis.gains import MatchedPair
    from flowkit.analysis.scatter import Figure, LiftScatter, PortRuns, Values
    from flowkit.analysis.uncertainty import Assessor, Contrast, Spread
    from flowkit.reports.workbook.intervals import Intervals
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


_HEADS = (
    "lift", "", "gain", "ΣW²/n", "ΣW²x/n", "u² of fit", "u² shared", "ν", "u² of steps", "u² of check plates",
    "u² of sessions and meters", "u", "ν effective", "t", "bounds below", "bounds above", "low", "high", "± 95 %",
)  # fmt: skip


def write_at_lifts(book: Intervals) -> None:
    """Write the intervals of every gain at every lift."""
    for side in book.draft.sides:
        for pair, untouched in book.pairs(side):
            parts = [(pair.index[0], -1.0, pair.ports), (pair.index[1], 1.0, pair.ports)]
            drift = book.assessor.drift(book.assessor.contrast(side.side, parts), untouched)
            contrast = book.assessor.contrast(side.side, parts, AtLifts(pair.lifts_m))
            blocks = book.assessor.blocks(side.side, contrast.benches, pair.index)
            spread = book.assessor.spread(contrast, drift, blocks)
            stated = book.assessor.stated(contrast.benches)
            fitted = None if stated is not None else book.assessor.lift_scatter(contrast.benches, blocks)
            if bool(spread.assessed.all()) and (stated is not None or fitted is not None):
                ends = book.assessor.estimates(contrast, spread, drift)
                _Table(book, side, pair, contrast, spread, fitted).write([(e.below, e.above, e.gain) for e in ends])


class _Table:
    """Writes the lifts of one gain."""

    def __init__(  # noqa: PLR0917
        self, book: Intervals, side: SidePlan, pair: MatchedPair, contrast: Contrast, spread: Spread,
        fitted: LiftScatter | None,
    ) -> None:  # fmt: skip
        self.book, self.side, self.pair, self.pen = book, side, pair, book.pen
        self.contrast, self.spread, self.fitted = contrast, spread, fitted
        self.fit: list[str] = []

    def write(self, ends: list[tuple[float, float, float]]) -> None:
        """Write the fit, then a row for every lift."""
        book, pen, pair = self.book, self.pen, self.pair
        words = f"{self.side.side.capitalize()}, {pair.after.name} over {pair.before.name}: at single lifts"
        pen.put(book.row, 1, words, Style("heading"))
        book.row += 1
        self._fit()
        pen.header(book.row, _HEADS, widths={1: 24.0, 2: 16.0})
        for index, (below, above, gain) in enumerate(ends):
            book.row += 1
            self._row(index, (below, above), gain)
        book.row += 2

    def _fit(self) -> None:
        """Write what the scatter was fitted to be; in the units shown."""
        if self.fitted is None:
            return
        unit, covariance = from_si(1.0, self.book.draft.display.lift), self.fitted.covariance
        for name, value in (
            ("c", self.fitted.constant), ("u_L²", self.fitted.per_slope * unit**2), ("var c", covariance[0, 0]),
            ("cov", covariance[0, 1] * unit**2), ("var u_L²", covariance[1, 1] * unit**4),
            ("least ν", self.fitted.freedom), ("most ν", self.fitted.cap),
        ):  # fmt: skip
            self.pen.put(self.book.row, 1, f"fitted: {name}")
            self.pen.put(self.book.row, 3, float(value), Style("value", -6))
            self.fit.append(self.pen.here(self.book.row, 3, lock_row=True, lock_column=True))
            self.book.row += 1

    def _states(self, index: int) -> list[tuple[list[tuple[PortRuns, str, str, float]], str]]:
        """Return of each state its ports with cell of flow, cell of slope and 1/n, and the sum of their flows."""
        draft, found = self.book.draft, []
        place = self.side.place(self.pair.lifts_m[index])
        flows, slopes = draft.pens["Corrected flows"], draft.pens["Curve slopes"]
        for state, sign in ((self.pair.before, -1.0), (self.pair.after, 1.0)):
            block = draft.blocks[self.side.side, state.name]
            ports = []
            for port, weight in zip(self.contrast.ports, self.contrast.weight[:, 0], strict=True):
                if weight * sign > 0:
                    at = (block.row(place), block.ports[port.curve.port])
                    per_run = float(port.values(self.contrast.figure).per_run[index])
                    ports.append((port, flows.at(*at), slopes.at(*at), per_run))
            cells = [
                f"{flows.at(block.row(place), low)}:{flows.at(block.row(place), high).rpartition('!')[2]}"
                for low, high in spans(sorted(block.ports[port.curve.port] for port, *_ in ports))
            ]
            found.append((ports, f"SUM({','.join(cells)})"))
        return found

    def _row(self, index: int, bounds: tuple[float, float], gain: float) -> None:
        """Write one lift."""
        pen, row, states = self.pen, self.book.row, self._states(index)
        side, lift, known = self.side, self.pair.lifts_m[index], self.spread
        place, show = side.place(lift), self.book.draft.display
        top = self.book.draft.blocks[side.side, side.variants[0].name].row(place)
        pen.put(row, 1, Formula(self.book.draft.pens["Corrected flows"].at(top, 1), from_si(lift, show.lift)),
                Style("formula", show.lift_digits))  # fmt: skip

        def put(column: int, text: str, value: float, style: Style | None = None) -> str:
            """Write a formula of this row and return its cell."""
            pen.put(row, column, Formula(text, value), style or Style("formula", -4))
            return pen.here(row, column)

        (before, q0), (after, q1) = states
        g = put(3, f"({q1}/{len(after)})/({q0}/{len(before)})-1", gain, Style("formula", 3, gain=True))
        repeats = float(known.repeats[index])
        squared = self.contrast.weight[:, index] ** 2
        per_run = np.array([own.per_run[index] for own in self.contrast.values])
        plain = "+".join(f"({'+'.join(f'{q}^2*{n!r}' for _, q, _, n in ports)})/{total}^2" for ports, total in states)
        ones = put(4, plain, float(squared @ per_run))
        if self.fitted is not None:
            slope2 = np.array([float(port.slope_at([lift])[0]) ** 2 for port in self.contrast.ports])
            unit = from_si(1.0, show.lift)
            steep = "+".join(
                f"({'+'.join(f'{s}^2*{n!r}' for _, _, s, n in ports)})/{total}^2" for ports, total in states
            )
            x = put(5, steep, float((squared * per_run) @ slope2) / unit**2)
            c, u, cc, cu, uu, least, most = self.fit
            variance, freedom = self.fitted.at((squared * per_run)[:, np.newaxis], slope2[:, np.newaxis])
            fit = put(6, f"{c}*{ones}+{u}*{x}", float(variance[0]))
            nu = f"MAX({least},MIN({most},2*{fit}^2/({cc}*{ones}^2+2*{cu}*{ones}*{x}+{uu}*{x}^2)))"
            put(8, f"1/(0.75/{nu}+0.25/{least})", float(freedom[0]), Style("formula", 2))
            shared = repeats - float(variance[0])
        else:
            own = float((self.book.assessor.bench.repeatability or 0.0) ** 2 * (squared @ per_run))
            put(6, f"{self.book.stated['repeatability']}^2*{ones}", own)
            shared = repeats - own
        if shared > 1e-9 * repeats:
            pen.put(row, 7, shared, Style("value", -4))
        self._rest(index, states, put)
        self._ends(index, g, bounds, gain)

    def _rest(self, index: int, states: list[tuple[list[tuple[PortRuns, str, str, float]], str]], put) -> None:  # type: ignore[no-untyped-def]
        """Write the steps of the readings, check plates, and what sessions and meters add."""
        known, place = self.spread, self.side.place(self.pair.lifts_m[index])
        terms = []
        for ports, total in states:
            inner = []
            for port, q, _, _ in ports:
                cell = self.book.ports[id(port)].steps_at.get(place)
                inner.append(f"{q}^2*{cell or repr(12 * float(port.values(self.contrast.figure).steps[index]))}")
            terms.append(f"({'+'.join(inner)})/{total}^2/12")
        own = float(sum(w**2 * float(v.steps[index]) for w, v in zip(self.contrast.weight[:, index],
                        self.contrast.values, strict=True)))  # fmt: skip
        put(9, "+".join(terms), own)
        if known.plate_freedom:
            self.pen.put(self.book.row, 10, float(known.plates[index]), Style("value", -4))
        more = float(known.total[index] - known.repeats[index] - known.plates[index]) - own
        if more > 1e-9 * float(known.total[index]):
            self.pen.put(self.book.row, 11, more, Style("value", -4))

    def _ends(self, index: int, g: str, bounds: tuple[float, float], gain: float) -> None:
        """Write u, its degrees of freedom, t and the interval."""
        pen, row, known = self.pen, self.book.row, self.spread
        cell = {column: pen.here(row, column) for column in range(3, 20)}
        effective = float(known.effective()[index])
        u, t = math.sqrt(float(known.total[index])), student_t(effective)
        pen.put(row, 12, Formula(f"SQRT({cell[6]}+{cell[7]}+SUM({cell[9]}:{cell[11]}))", u), Style("formula", 6))
        if math.isinf(effective):
            factor = "NORMSINV(0.975)"
        else:
            below = [f"({cell[6]}+{cell[7]})^2/{cell[8]}"] if self.fitted is not None else []
            below += [f"{cell[10]}^2/{known.plate_freedom:.0f}"] if known.plate_freedom else []
            pen.put(row, 13, Formula(f"{cell[12]}^4/({'+'.join(below)})", effective), Style("formula", 2))
            factor = f"SQRT({cell[13]}*(1/_xlfn.BETA.INV(0.05,{cell[13]}/2,0.5)-1))"
        pen.put(row, 14, Formula(factor, t), Style("formula", 4))
        for column, bound in zip((15, 16), bounds, strict=True):
            pen.put(row, column, bound, Style("value", 3, percent=True))
        half, signed = (1 + gain) * t * u, Style("formula", 2, gain=True)
        arm = f"(1+{g})*{cell[14]}*{cell[12]}"
        pen.put(row, 17, Formula(f"{g}-{arm}-{cell[15]}", gain - half - bounds[0]), signed)
        pen.put(row, 18, Formula(f"{g}+{arm}+{cell[16]}", gain + half + bounds[1]), signed)
        text = f"MAX({g}-{cell[17]},{cell[18]}-{g})"
        pen.put(row, 19, Formula(text, half + max(bounds)), Style("formula", 2, percent=True))
        key = ("lift", self.side.side, self.pair.before.name, self.pair.after.name, self.pair.lifts_m[index])
        self.book.draft.intervals[key] = pen.at(row, 19)
