"""Sheets of run figures and intervals: those of mean flows, also in bands and of ports, as formulas of the readings.

What stays a value: the weights of the lifts (derivatives of the curve, a model between the readings), Tukey's quantile
of more than two ports, and the models (pressure law, bore, meters). Everything else follows the readings.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from flowkit.analysis.checks import circumstances
from flowkit.analysis.comparison import assessor_of
from flowkit.analysis.gains import EFFECTS, band_figures, find_corners, match_pairs
from flowkit.analysis.uncertainty import plate_of, student_t, studentized_range
from flowkit.reports.contents import band_tables
from flowkit.reports.labels import port_text
from flowkit.reports.workbook.pen import Formula, Pen, Style, spans
from flowkit.reports.workbook.run_figures import PortCells, write_at_lifts, write_runs
from flowkit.units import from_si

if TYPE_CHECKING:
    from flowkit.analysis.curves import Session
    from flowkit.analysis.gains import MatchedPair
    from flowkit.analysis.scatter import Blocks, Figure
    from flowkit.analysis.uncertainty import Assessor, Contrast, Drift
    from flowkit.model import Side
    from flowkit.reports.contents import BandTable
    from flowkit.reports.workbook.plan import Draft, SidePlan

_SHEET = "Intervals"
_WIDTHS = {1: 24.0, 2: 16.0}
_NARROW = 9.9

Key = tuple[object, ...]


@dataclass
class Intervals:
    """Writes both sheets and keeps the cells of the intervals."""

    draft: Draft
    assessor: Assessor
    ports: dict[int, PortCells]
    figure: Figure
    name: str = "mean flow"
    whole: Intervals | None = None
    columns: dict[object, int] = field(default_factory=dict)
    pools: dict[object, tuple[str, str, float, float] | None] = field(default_factory=dict)
    plates: tuple[str, int] | None = None
    stated: dict[str, str] = field(default_factory=dict)
    row: int = 4

    @property
    def pen(self) -> Pen:
        """The sheet of intervals."""
        return self.draft.pens[_SHEET]

    def write(self) -> None:
        """Write the scatter, the ports, and every interval."""
        self.pen.title(
            "Intervals of mean flows and gains",
            "u² is the sum of what is uncertain about ln(flow) or ln(1 + gain) (GUM, JCGM 100:2008); the interval is "
            "Student's t for the effective degrees of freedom (not cut to a whole number, as T.INV.2T does) times u, "
            "widened by the bounds.",
            width=110,
        )
        self._stated()
        self._ports()
        self._plates()
        for side in self.draft.sides:
            self._lines(side.side, self._side(side))

    def write_band(self, lines: dict[Side, list[_Line]]) -> None:
        """Write a band's ports and intervals under those of the mean flow."""
        assert self.whole is not None
        self.row, self.plates, self.stated = self.whole.row, self.whole.plates, self.whole.stated
        self._ports()
        for side, own in lines.items():
            self._lines(side, own)
        self.whole.row = self.row

    @property
    def base(self) -> Intervals:
        """The intervals of the mean flow, whose scatter is that of check plates and untouched ports."""
        return self.whole or self

    def _stated(self) -> None:
        """Write what the job states of the bench."""
        bench, show = self.assessor.bench, self.draft.display
        for key, head, value, digits in (
            ("repeatability", "repeatability stated", bench.repeatability, 5),
            ("drift", "drift stated", bench.drift, 5),
            ("lift_setting", f"lift setting stated, {show.lift}", bench.lift_setting_m, show.lift_digits + 2),
            ("pressure_reading", "pressure reading stated, Pa", bench.pressure_reading_pa, 1),
        ):
            if value is not None:
                shown = from_si(value, show.lift) if key == "lift_setting" else value
                self.pen.put(self.row, 1, head)
                self.pen.put(self.row, 3, shown, Style("raw", digits))
                self.stated[key] = self.pen.at(self.row, 3)
                self.row += 1
        self.row += bool(self.stated)

    def _ports(self) -> None:
        """Write one row for every port, with the shares of its sessions and check plates in its mean flow."""
        keys: list[tuple[object, str]] = []
        for port in self.ports.values():
            for session, test in zip(port.runs.sessions, port.runs.tests, strict=True):
                keys.append((session, " ".join(filter(None, ("session", session.date or "unknown day")))))
                plate = plate_of(test)
                if plate is not None:
                    keys.append(((session, *plate[:2]), "check plate"))
        pen = self.pen
        pen.put(self.row, 1, f"Ports: {self.name}", Style("heading"))
        heads = ["state", "port", self.name, "1/n", "steps, u²", "lift, per lift²"]
        for key, name in keys:
            if key not in self.columns:
                self.columns[key] = len(heads) + 1
                number = sum(head.startswith("share of check plate") for head in heads) + 1
                heads.append(f"share of {name}" + (f" {number}" if name == "check plate" else ""))
        pen.header(self.row + 1, heads, widths=_WIDTHS, words=(1, 2))
        self.row += 2
        for port in self.ports.values():
            if port.mean:
                self._port_row(port)
        self.row += 1

    def _port_row(self, port: PortCells) -> None:
        """Write one port's row."""
        pen, runs, values = self.pen, port.runs, port.values
        port.row = self.row
        pen.put(self.row, 1, f"{runs.side}, {runs.curve.variant}", Style(wrap=True))
        pen.put(self.row, 2, runs.curve.port, Style(left=True))
        pen.put(self.row, 3, Formula(port.mean, port.mean_value), Style("formula", 3))
        pen.put(self.row, 4, Formula(port.per_run, float(values.per_run[0])), Style("formula", 5))
        pen.put(self.row, 5, Formula(port.steps, float(values.steps[0])), Style("formula", -4))
        if port.setting is not None:
            pen.put(self.row, 6, Formula(port.setting), Style("formula", 5))
        shares: dict[object, list[int]] = {}
        for session, test, run in zip(runs.sessions, runs.tests, runs.run_of, strict=True):
            plate = plate_of(test)
            for key in (session, *(() if plate is None else ((session, *plate[:2]),))):
                shares.setdefault(key, []).append(int(run))
        for key, column in self.columns.items():
            members = sorted(set(shares.get(key, ())))
            text = "+".join(port.shares[run] for run in members) or "0"
            value = float(sum(values.run_share[0, run] for run in members))
            pen.put(self.row, column, Formula(text, value), Style("formula", 5))
        self.row += 1

    def _plates(self) -> None:
        """Write the readings of check plates, where one was read more than once in a session."""
        groups: dict[tuple[object, float], dict[float, tuple[float, str]]] = {}
        numbers = {(plan.test.id, plan.test.file): plan.number for plan in self.draft.tests}
        for port in self.ports.values():
            for session, test in zip(port.runs.sessions, port.runs.tests, strict=True):
                plate = plate_of(test)
                if plate is not None:
                    cell = self.draft.conditions[numbers[test.id, test.file], "check-plate"]
                    groups.setdefault((session, plate[0]), {})[plate[1]] = (plate[2], cell)
        repeated = [group for group in groups.values() if len(group) > 1]
        if not repeated:
            return
        pen = self.pen
        pen.put(self.row, 1, "Check plates read more than once a session", Style("heading"))
        pen.header(self.row + 1, ["", "", "reading/nominal", "off their mean"])
        top = self.row = self.row + 2
        for group in repeated:
            mean = sum(value for value, _ in group.values()) / len(group)
            cells = f"{pen.here(self.row, 3, lock_row=True)}:{pen.here(self.row + len(group) - 1, 3, lock_row=True)}"
            for value, cell in group.values():
                pen.put(self.row, 3, Formula(f"1/{cell}", value), Style("formula", 6))
                text = f"{pen.here(self.row, 3)}/AVERAGE({cells})-1"
                pen.put(self.row, 4, Formula(text, value / mean - 1.0), Style("formula", 6))
                self.row += 1
        freedom = sum(len(group) - 1 for group in repeated)
        self.plates = (f"SUMSQ({pen.here(top, 4)}:{pen.here(self.row - 1, 4)})/{freedom}", freedom)
        self.row += 1

    def _pool(self, side: Side, benches: frozenset[str], blocks: Blocks | None) -> tuple[str, str, float, float] | None:
        """Write the variance of a run and its degrees of freedom, once for each pool; return their cells and values."""
        scatter = self.assessor.scatter(self.figure, benches, blocks)
        joined = blocks is not None and "ports" in (scatter.basis or "")
        key = (benches, id(blocks) if joined else None, scatter.basis)
        if key not in self.pools:
            self.pools[key] = None
            if scatter.basis is not None and "history" not in scatter.basis:
                value, freedom = float(scatter.variance[0]), float(scatter.freedom[0])
                self.pools[key] = (*self._write_pool(side, benches, blocks if joined else None, (value, freedom)),
                                   value, freedom)  # fmt: skip
        return self.pools[key]

    def _write_pool(
        self, side: Side, benches: frozenset[str], blocks: Blocks | None, known: tuple[float, float]
    ) -> tuple[str, str]:
        """Write one pool; return the cells of s² and ν."""
        pen, (value, freedom) = self.pen, known
        pen.put(self.row, 1, "Scatter of one run", Style("heading"))
        self.row += 1
        if math.isinf(freedom):
            pen.put(self.row, 1, "s², stated")
            pen.put(self.row, 3, Formula(f"{self.stated['repeatability']}^2", value), Style("formula", -4))
            self.row += 2
            return pen.at(self.row - 2, 3), ""
        groups = [item for port in self.ports.values() for item in port.deviations if item[0] in benches]
        squares = "+".join(f"SUMSQ({','.join(cells)})" for _, cells, _ in groups) or "0"
        runs = sum(own for _, _, own in groups)
        if blocks is not None:
            squares += "+" + self._write_blocks(side, blocks)
        pen.put(self.row, 1, "degrees of freedom ν")
        pen.put(self.row, 3, Formula(f"{runs}+{blocks.freedom if blocks else 0}", freedom), Style("formula"))
        pen.put(self.row + 1, 1, "s²")
        # Many repeated ports make a long sum: Excel allows 8192 characters.
        pen.put(self.row + 1, 3, Formula(f"({squares})/{pen.here(self.row, 3)}", value), Style("formula", -4))
        pen.put(self.row + 2, 1, "s, relative")
        text = f"SQRT({pen.here(self.row + 1, 3)})"
        pen.put(self.row + 2, 3, Formula(text, math.sqrt(value)), Style("formula", 3, percent=True))
        self.row += 4
        return pen.at(self.row - 3, 3), pen.at(self.row - 4, 3)

    def _write_blocks(self, side: Side, blocks: Blocks) -> str:
        """Write ports as blocks: logarithms and what the additive fit leaves; return ``n_h·Σr²`` as a formula."""
        from flowkit.analysis.scatter import additive_residuals

        pen = self.pen
        count, size = len(blocks.cells), len(blocks.cells[0])
        logs = np.log([[self.ports[id(port)].mean_value for port in row] for row in blocks.cells])
        left = additive_residuals(logs)
        pen.put(self.row, 1, f"{side.capitalize()}: ports as blocks, ln(mean flow), then what states and ports leave")
        top = self.row + 1
        corner = (pen.here(top, 3, lock_row=True, lock_column=True),
                  pen.here(top + count - 1, 2 + size, lock_row=True, lock_column=True))  # fmt: skip
        every = ":".join(corner)
        for index, row in enumerate(blocks.cells):
            here = top + index
            pen.put(here, 1, row[0].curve.variant)
            for place, port in enumerate(row):
                cell = pen.here(self.ports[id(port)].row, 3)
                pen.put(here, 3 + place, Formula(f"LN({cell})", float(logs[index, place])), Style("formula", 6))
                own = pen.here(here, 3 + place)
                across = f"{pen.here(here, 3, lock_column=True)}:{pen.here(here, 2 + size, lock_column=True)}"
                down = (
                    f"{pen.here(top, 3 + place, lock_row=True)}:{pen.here(top + count - 1, 3 + place, lock_row=True)}"
                )
                text = f"{own}-AVERAGE({across})-AVERAGE({down})+AVERAGE({every})"
                pen.put(here, 4 + size + place, Formula(text, float(left[index, place])), Style("formula", 6))
        self.row = top + count + 1
        runs = ",".join(pen.here(self.ports[id(port)].row, 4) for port in blocks.ports)
        residuals = f"{pen.here(top, 4 + size)}:{pen.here(top + count - 1, 3 + 2 * size)}"
        return f"SUMSQ({residuals})/AVERAGE({runs})"

    # -- one side ------------------------------------------------------------------------------------------------

    def _side(self, side: SidePlan) -> list[_Line]:
        """Return the intervals of one side's mean flows, spreads, gains, also of single ports, and effects."""
        states = tuple(self.assessor.sides[side.side])
        lines: list[_Line] = []
        for index, state in enumerate(states):
            whole = self.assessor.contrast(side.side, [(index, 1.0, ())])
            known = side.result.variant(state.name)
            lines.append(_Line(("mean", side.side, state.name), (f"mean flow of {state.name}", ""), whole,
                               self.assessor.drift(whole), expected=known.mean_flow_u95))  # fmt: skip
            if known.port_spread_u95 is not None:
                lines.append(self._spread(side, index, known.port_spread_u95))
        for pair, untouched in self.pairs(side):
            gain = side.result.gain(pair.before.name, pair.after.name)
            key = (side.side, gain.from_, gain.to)
            lines.append(self.line(("gain", *key), (gain.to, gain.from_), pair, untouched))
            for port in pair.ports if len(pair.ports) > 1 else ():
                words = (f"{gain.to}, {port_text(port)}", gain.from_)
                lines.append(self.line(("port", *key, port), words, pair, untouched, port))
        return [*lines, *self._effects(side)]

    def pairs(self, side: SidePlan) -> list[tuple[MatchedPair, Contrast | None]]:
        """Return the pairs of states of a side, each with what was untouched."""
        variants = {variant.name: variant for variant in self.draft.contents.variants}
        states = tuple(self.assessor.sides[side.side])
        own = [variants[state.name] for state in states]
        pairs = match_pairs(states, side.result.range_m)
        return [(pair, circumstances(pair, self.assessor, own).untouched) for pair in pairs]

    def line(
        self, key: Key, words: tuple[str, str], pair: MatchedPair, untouched: Contrast | None, port: str | None = None
    ) -> _Line:
        """Return the gain of a pair, or of one port of it, to be written."""
        side, ports = pair.before.side, pair.ports if port is None else (port,)
        parts = [(pair.index[0], -1.0, ports), (pair.index[1], 1.0, ports)]
        contrast = self.assessor.contrast(side, parts, self.figure)
        drift = self.assessor.drift(self.assessor.contrast(side, parts), untouched)
        blocks = self.assessor.blocks(side, contrast.benches, pair.index)
        known = self.assessor.estimates(contrast, self.assessor.spread(contrast, drift, blocks), drift)[0]
        return _Line(
            key, words, contrast, drift, untouched=untouched, gain=known.gain, expected=known.u95,
            bounds={bound.name: (bound.low, bound.high) for bound in known.bounds}, pair=pair.index,
        )  # fmt: skip

    def _lines(self, side: Side, lines: list[_Line]) -> None:
        """Write intervals of one side; the pools they need go above their table."""
        ready = [(line, pool) for line in lines if (pool := self._of(side, line)) is not None]
        if not ready:
            return
        self.pen.put(self.row, 1, f"{side.capitalize()}, {self.name}: intervals", Style("heading"))
        self.pen.header(self.row + 1, _HEADS, widths=_WIDTHS, words=(1, 2))
        self.row += 2
        for line, pool in ready:
            _Row(self, line, pool).write()
            self.row += 1
        self.row += 1

    def _of(self, side: Side, line: _Line) -> tuple[str, str, float, float] | None:
        """Return the pool of a line; None where its interval stays a value."""
        if line.expected is None or self._mixed(line.contrast):
            return None
        benches = line.contrast.benches
        line.blocks = self.assessor.blocks(side, benches, line.pair)
        needed = (*line.contrast.ports, *(line.blocks.ports if line.blocks else ()))
        if any(not self.ports[id(port)].mean for port in needed):
            return None
        line.common = self.base._pool(side, benches, line.blocks)
        return self._pool(side, benches, line.blocks)

    @staticmethod
    def _mixed(contrast: Contrast) -> bool:
        """Tell whether a run in parts was put right by several plates, which the shares of runs do not show."""
        for port in contrast.ports:
            seen: dict[int, set[object]] = {}
            for run, test in zip(port.run_of, port.tests, strict=True):
                plate = plate_of(test)
                seen.setdefault(int(run), set()).add(None if plate is None else plate[:2])
            if any(len(plates) > 1 for plates in seen.values()):
                return True
        return False

    def _spread(self, side: SidePlan, index: int, known: float) -> _Line:
        """Return the line of a state's port spread."""
        from flowkit.analysis.uncertainty import Contrast, Drift

        ports = tuple(self.assessor.ports[side.side][index].values())
        weight = np.full((len(ports), 1), 1.0 / math.sqrt(len(ports)))
        name = self.assessor.sides[side.side][index].name
        return _Line(("spread", side.side, name), (f"port spread of {name}", ""),
                     Contrast(self.assessor.headline, ports, weight), Drift(), expected=known, spread=True)  # fmt: skip

    def _effects(self, side: SidePlan) -> Iterable[_Line]:
        """Yield the lines of main effects and interactions."""
        states = tuple(self.assessor.sides[side.side])
        known = {item.factors: item for item in side.result.interactions}
        for corners in find_corners([state.state for state in states]):
            found = known.get(corners.factors)
            if found is None or found.main_effects_u95 is None or found.interaction_u95 is None:
                continue
            named = [set(states[place].port_names) for place in corners.places]
            ports = tuple(name for name in states[corners.places[0]].port_names if all(name in one for one in named))
            u95 = (*found.main_effects_u95, found.interaction_u95)
            for number, (factors, half) in enumerate(zip(EFFECTS, u95, strict=True)):
                parts = [(place, factor, ports) for place, factor in zip(corners.places, factors, strict=True)]
                contrast = self.assessor.contrast(side.side, parts)
                words = (*corners.factors, " × ".join(corners.factors))[number]
                key = ("effect", side.side, corners.factors, number)
                yield _Line(key, (words, "effect"), contrast, self.assessor.drift(contrast), expected=half)


_HEADS = (
    "of", "over", "gain", "s²", "ν", "ΣW²/n", "untouched ΣW²/n", "u² of repeats", "u² of steps", "u² of lift setting",
    "u² of check plates", "u² of drift", "u² of pressure reading", "u² of meters", "u", "ν effective", "t or q",
    "bounds below", "bounds above", "low", "high", "± 95 %",
)  # fmt: skip


@dataclass
class _Line:
    """One interval to be written."""

    key: Key
    words: tuple[str, str]
    contrast: Contrast
    drift: Drift
    expected: float | None
    untouched: Contrast | None = None
    gain: float | None = None
    bounds: dict[str, tuple[float, float]] = field(default_factory=dict)
    pair: tuple[int, int] | None = None
    blocks: Blocks | None = None
    spread: bool = False
    common: tuple[str, str, float, float] | None = None


class _Row:
    """Writes one interval, a column a term."""

    def __init__(self, book: Intervals, line: _Line, pool: tuple[str, str, float, float]) -> None:
        self.book, self.line, self.pen, self.row = book, line, book.pen, book.row
        self.s2, self.nu, self.variance, self.freedom = pool
        spread = book.assessor.spread(line.contrast, line.drift, line.blocks)
        if line.spread:
            repeats = self.variance * float(np.mean([own.per_run[0] for own in line.contrast.values]))
            spread = replace(spread, repeats=np.array([repeats]), plates=np.zeros(1))
        self.known = spread
        self.effective = float(spread.effective()[0])
        self.u = math.sqrt(float(spread.total[0]))

    def here(self, column: int) -> str:
        """Return a cell of this row."""
        return self.pen.here(self.row, column)

    def put(self, column: int, text: str, value: float, style: Style | None = None) -> None:
        """Write a formula of this row."""
        self.pen.put(self.row, column, Formula(text, value), style or Style("formula", -4))

    def states(self, contrast: Contrast) -> list[tuple[float, list[int]]]:
        """Return each state's factor with the rows of its ports."""
        found: dict[tuple[Side, str, float], list[int]] = {}
        signs: dict[tuple[Side, str, float], float] = {}
        for port, weight in zip(contrast.ports, contrast.weight[:, 0], strict=True):
            # An untouched contrast sums over both sides: one state is one sum whatever the side.
            side = port.side if contrast is not self.line.untouched else "intake"
            key = (side, port.curve.variant, math.copysign(1.0, weight))
            book = self.book.base if contrast is self.line.untouched else self.book
            found.setdefault(key, []).append(book.ports[id(port)].row)
            signs[key] = signs.get(key, 0.0) + float(weight)
        return [(signs[key], rows) for key, rows in found.items()]

    def cells(self, rows: list[int], column: int) -> list[str]:
        """Return the cells of some ports in a column, neighbours together."""
        parts = []
        for low, high in spans(sorted(rows)):
            one = self.pen.here(low, column, lock_row=True)
            parts.append(one if low == high else f"{one}:{self.pen.here(high, column, lock_row=True)}")
        return parts

    def total(self, rows: list[int]) -> str:
        """Return the sum of some ports' mean flows."""
        return f"SUM({','.join(self.cells(rows, 3))})"

    def weighed(self, contrast: Contrast, column: int, power: int) -> str:
        """Return Σ over states of factor^power · Σ W^power·x, x a column of the ports."""
        if self.line.spread:
            rows = [row for _, own in self.states(contrast) for row in own]
            return f"AVERAGE({','.join(self.cells(rows, column))})"
        terms = []
        for factor, rows in self.states(contrast):
            raised = "^2" if power == 2 else ""
            pairs = zip(self.cells(rows, 3), self.cells(rows, column), strict=True)
            inner = "+".join(f"SUMPRODUCT({mean}{raised}*{cell})" for mean, cell in pairs)
            terms.append(f"{round(factor, 9) ** power:+.9g}*({inner})/{self.total(rows)}{raised}")
        return "".join(terms).removeprefix("+")

    def write(self) -> None:
        """Write it and keep the cells of its interval."""
        line, known = self.line, self.known
        self.pen.put(self.row, 1, line.words[0], Style(wrap=True))
        self.pen.put(self.row, 2, line.words[1], Style(wrap=True))
        if line.gain is not None:
            means = []
            for sign in (1.0, -1.0):
                rows = next(rows for factor, rows in self.states(line.contrast) if factor * sign > 0)
                means.append(f"AVERAGE({','.join(self.cells(rows, 3))})")
            self.put(3, f"{means[0]}/{means[1]}-1", line.gain, Style("formula", 3, gain=True))
        self.put(4, self.s2, self.variance)
        if self.nu:
            self.put(5, self.nu, self.freedom, Style("formula"))
        terms = known.known
        plain = sum(float(w) ** 2 * float(own.per_run[0]) for w, own in zip(line.contrast.weight[:, 0],
                    line.contrast.values, strict=True))  # fmt: skip
        self.put(6, self.weighed(line.contrast, 4, 2), plain, Style("formula", 6))
        common = []
        measured = line.drift.by == "untouched" and line.untouched is not None
        if measured and line.untouched is not None:
            self.put(7, self.weighed(line.untouched, 4, 2), line.drift.repeats, Style("formula", 6))
            common.append(self.here(7))
        plates = self._plate_factor()
        if plates and not known.plate_freedom:
            common.append(plates)
        text = f"{self.here(4)}*{self.here(6)}"
        if common and line.common is not None:
            text += f"+{line.common[0]}*({'+'.join(common)})"
        self.put(8, text, float(known.repeats[0]))
        steps = self.weighed(line.contrast, 5, 2)
        if measured and line.untouched is not None:
            steps += f"+{self.weighed(line.untouched, 5, 2)}"
        self.put(9, steps, float(terms["resolution"][0]), Style("formula", -4))
        if "lift_setting" in terms:
            text = f"{self.book.stated['lift_setting']}^2*({self.weighed(line.contrast, 6, 2)})"
            self.put(10, text, float(terms["lift_setting"][0]))
        if plates and known.plate_freedom and self.book.plates:
            self.put(11, f"{self.book.plates[0]}*({plates})", float(known.plates[0]))
        self._sessions()
        meters = [float(value[0]) for name, value in terms.items() if name.startswith("meter")]
        if meters:
            self.pen.put(self.row, 14, sum(meters), Style("value", -4))
        self._interval()

    def _plate_factor(self) -> str:
        """Return Σc_k² over the plates read, as a formula; "" without."""
        if self.line.spread:
            return ""
        keys = {
            (session, *plate[:2])
            for port in self.line.contrast.ports
            for session, test in zip(port.sessions, port.tests, strict=True)
            if (plate := plate_of(test)) is not None
        }
        columns = sorted(self.book.columns[key] for key in keys)
        return "+".join(f"({self.weighed(self.line.contrast, column, 1)})^2" for column in columns)

    def _sessions(self) -> None:
        """Write what comes with sessions that differ: drift and the reading of the test pressure."""
        terms, contrast = self.known.known, self.line.contrast
        sessions: list[Session] = list(contrast.by_session())
        each = {key: f"({self.weighed(contrast, self.book.columns[key], 1)})" for key in sessions}
        if "drift" in terms:
            text = "+".join(f"{one}^2" for one in each.values())
            self.put(12, f"{self.book.stated['drift']}^2*({text})", float(terms["drift"][0]))
        if "pressure_reading" in terms:
            at = contrast.pressures()
            text = "+".join(
                f"({one}/{at.get(session, self.book.assessor.reference.pressure_pa)!r})^2"
                for session, one in each.items()
            )
            cell = self.book.stated["pressure_reading"]
            self.put(13, f"({cell}/2)^2*({text})", float(terms["pressure_reading"][0]))

    def _interval(self) -> None:
        """Write u, its degrees of freedom, the factor and the interval."""
        line, known = self.line, self.known
        self.put(15, f"SQRT(SUM({self.here(8)}:{self.here(14)}))", self.u, Style("formula", 6))
        nu = self.here(16)
        if math.isinf(self.effective):
            factor, value = "NORMSINV(0.975)", student_t(math.inf)
        else:
            below = [f"{self.here(8)}^2/{self.here(5)}"] if self.nu else []
            below += [f"{self.here(11)}^2/{known.plate_freedom:.0f}"] if known.plate_freedom else []
            self.put(16, f"{self.here(15)}^4/({'+'.join(below)})", self.effective, Style("formula", 4))
            beta = f"_xlfn.BETA.INV(0.05,{nu}/2,0.5)"
            factor = f"IF({nu}=INT({nu}),_xlfn.T.INV.2T(0.05,{nu}),SQRT({nu}*(1/{beta}-1)))"
            value = student_t(self.effective)
        if line.spread and len(line.contrast.ports) > 2:
            value = studentized_range(len(line.contrast.ports), self.effective)
            self.pen.put(self.row, 17, value, Style("value", 4))
        elif line.spread:
            value *= math.sqrt(2.0)
            self.put(17, f"SQRT(2)*{factor}", value, Style("formula", 4))
        else:
            self.put(17, factor, value, Style("formula", 4))
        half = value * self.u
        percent = Style("formula", 2, percent=True)
        if line.gain is None:
            self.put(22, f"{self.here(17)}*{self.here(15)}", half, percent)
        else:
            self._ends(line, half)
        self.book.draft.intervals[line.key] = self.pen.at(self.row, 22)

    def _ends(self, line: _Line, half: float) -> None:
        """Write bounds and both ends of a gain's interval."""
        gain = line.gain or 0.0
        bounds = [(low, high) for name, (low, high) in line.bounds.items() if name != "drift"]
        sums = [float(sum(each[index] for each in bounds)) for index in (0, 1)]
        drift = line.bounds.get("drift")
        for index, column in enumerate((18, 19)):
            if drift is None or line.untouched is None:
                self.pen.put(self.row, column, sums[index], Style("value", 3, percent=True))
                continue
            after, before = (next(rows for factor, rows in self.states(line.untouched) if factor * sign > 0)
                             for sign in (1.0, -1.0))  # fmt: skip
            moved = f"((1+{self.here(3)})*{self.total(before)}/{self.total(after)}-1)"
            ends = (f"{self.here(3)}-{moved}", f"{moved}-{self.here(3)}")
            self.put(column, f"MAX({ends[index]},0)+{sums[index]!r}", sums[index] + drift[index],
                     Style("formula", 3, percent=True))  # fmt: skip
        whole = [sums[index] + (drift[index] if drift else 0.0) for index in (0, 1)]
        arm = f"(1+{self.here(3)})*{self.here(17)}*{self.here(15)}"
        low, high = gain - (1 + gain) * half - whole[0], gain + (1 + gain) * half + whole[1]
        style = Style("formula", 2, gain=True)
        self.put(20, f"{self.here(3)}-{arm}-{self.here(18)}", low, style)
        self.put(21, f"{self.here(3)}+{arm}+{self.here(19)}", high, style)
        text = f"MAX({self.here(3)}-{self.here(20)},{self.here(21)}-{self.here(3)})"
        self.put(22, text, max(gain - low, high - gain), Style("formula", 2, percent=True))
        self.book.draft.intervals[(*line.key, "low")] = self.pen.at(self.row, 20)
        self.book.draft.intervals[(*line.key, "high")] = self.pen.at(self.row, 21)


def write_intervals(draft: Draft) -> None:
    """Write the run figures and the intervals that follow from them."""
    contents = draft.contents
    tests = [(plan.variant, plan.corrected) for plan in draft.tests]
    variants = [
        replace(item, corrected=tuple(test for name, test in tests if name == item.name and test is not None))
        for item in contents.variants
    ]
    assessor = assessor_of(variants, contents.reference, contents.bench, contents.comparison.area_method)
    if assessor is None:
        return
    if any("history" in (gain.basis or "") for one in draft.sides for gain in one.result.gains):
        draft.pens[_SHEET].title("Intervals", "They rest on the bench's records too, and are computed by flowkit.")
        return
    whole = assessor.headline
    figures: dict[object, tuple[str, Figure]] = {whole.key: ("mean flow", whole)}
    bands: dict[object, list[_Band]] = {}
    for side in draft.sides:
        tables = band_tables(side.result)
        for pair in match_pairs(tuple(assessor.sides[side.side]), side.result.range_m):
            for name, limits, figure in band_figures(pair, assessor):
                number = _table(tables, limits)
                if number is not None:
                    figures.setdefault(figure.key, (f"{name} lift", figure))
                    bands.setdefault(figure.key, []).append(_Band(side, number, name, pair))
    found = write_runs(draft, assessor, figures)
    made = Intervals(draft, assessor, found[whole.key], whole)
    made.write()
    for key, own in bands.items():
        _write_band(Intervals(draft, assessor, found[key], figures[key][1], figures[key][0], made), own)
    write_at_lifts(made)
    made.pen.widths(_WIDTHS, _NARROW)
    made.pen.paper(freeze="A4")


@dataclass(frozen=True)
class _Band:
    """A band of a pair: on which side, in which table of the flows by band."""

    side: SidePlan
    number: int
    name: str
    pair: MatchedPair


def _table(tables: Sequence[BandTable], limits: tuple[float, float]) -> int | None:
    """Return which table of bands has a band with these limits."""
    for number, table in enumerate(tables):
        if any(math.isclose(lo, limits[0]) and math.isclose(hi, limits[1]) for _, lo, hi in table.limits):
            return number
    return None


def _write_band(book: Intervals, bands: list[_Band]) -> None:
    """Write the intervals of the gains in one band."""
    draft = book.draft
    for band in bands:
        place = [name for name, _, _ in band_tables(band.side.result)[band.number].limits].index(band.name)
        for state in (band.pair.before, band.pair.after):
            known = draft.bands.get((band.side.side, band.number, state.name))
            index = next(i for i, one in enumerate(book.assessor.sides[band.side.side]) if one.name == state.name)
            for name, port in book.assessor.ports[band.side.side][index].items():
                if known is not None:
                    book.ports[id(port)].mean = draft.pens["Flow by band"].at(known[0][name], known[1] + place)
    lines: dict[Side, list[_Line]] = {}
    for band in bands:
        untouched = next(own for pair, own in book.pairs(band.side) if pair.index == band.pair.index)
        ends = (band.pair.before.name, band.pair.after.name)
        key = ("band", band.side.side, *ends, band.name)
        lines.setdefault(band.side.side, []).append(book.line(key, ends[::-1], band.pair, untouched))
    book.write_band(lines)
