"""The sheet of intervals: those of mean flows, also in bands and of ports, and at single lifts, as formulas.

What stays a value: the weights of the lifts (derivatives of the curve), Tukey's quantile of more than two ports, the
models (pressure law, bore, meters), and of the scatter at single lifts, ``v = c + u_L²·x`` with x = (d ln Q/dL)², the
fitted coefficients with their covariance and degrees of freedom. Everything else follows the readings.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from flowkit.analysis.checks import circumstances
from flowkit.analysis.comparison import assessor_of
from flowkit.analysis.gains import EFFECTS, band_figures, find_corners, match_pairs
from flowkit.analysis.scatter import AtLifts, additive_residuals
from flowkit.analysis.uncertainty import Contrast, Drift, plate_of, student_t, studentized_range
from flowkit.reports.contents import band_tables
from flowkit.reports.labels import port_text
from flowkit.reports.workbook import look
from flowkit.reports.workbook.curves import BANDS
from flowkit.reports.workbook.look import Style
from flowkit.reports.workbook.pen import Column, Key, Table
from flowkit.reports.workbook.runs import PortCells, write_runs

if TYPE_CHECKING:
    from flowkit.analysis.curves import Session
    from flowkit.analysis.gains import MatchedPair
    from flowkit.analysis.scatter import Blocks, Figure, LiftScatter, PortRuns
    from flowkit.analysis.uncertainty import Assessor, Estimate, Spread
    from flowkit.model import Side
    from flowkit.reports.workbook.book import Book, SidePlan

    Plate = tuple[Session, float, float]

_SHEET = "Intervals"
_T = (
    "IF({effective}=INT({effective}),_xlfn.T.INV.2T(0.05,{effective}),"
    "SQRT({effective}*(1/_xlfn.BETA.INV(0.05,{effective}/2,0.5)-1)))"
)
"""Student's t for degrees of freedom that need not be whole; T.INV.2T would cut them."""
_GAIN3, _GAIN2 = replace(look.GAIN, digits=3), replace(look.GAIN, digits=2)
_BOUND, _HALF = replace(look.PERCENT, digits=3), replace(look.PERCENT, digits=2)
_ENDS = (
    Column("below", "bounds below", _BOUND), Column("above", "bounds above", _BOUND), Column("low", "low", _GAIN2),
    Column("high", "high", _GAIN2), Column("half", "± 95 %", _HALF),
)  # fmt: skip
_LINES = (
    Column("of", "of", look.WRAPPED), Column("over", "over", look.WRAPPED), Column("gain", "gain", _GAIN3),
    Column("s2", "s²", look.SQUARED), Column("nu", "ν", look.NUMBER), Column("per run", "ΣW²/n", look.number(6)),
    Column("untouched", "untouched ΣW²/n", look.number(6)), Column("repeats", "u² of repeats", look.SQUARED),
    Column("steps", "u² of steps", look.SQUARED), Column("setting", "u² of lift setting", look.SQUARED),
    Column("plates", "u² of check plates", look.SQUARED), Column("drift", "u² of drift", look.SQUARED),
    Column("pressure", "u² of pressure reading", look.SQUARED), Column("meters", "u² of meters", look.SQUARED),
    Column("u", "u", look.number(6)), Column("effective", "ν effective", look.number(4)),
    Column("t", "t or q", look.number(4)), *_ENDS,
)  # fmt: skip
_SINGLE = (
    Column("lift", "lift", look.NUMBER), Column("", "", look.NUMBER), Column("gain", "gain", _GAIN3),
    Column("ones", "ΣW²/n", look.SQUARED), Column("x", "ΣW²x/n", look.SQUARED),
    Column("fit", "u² of fit", look.SQUARED), Column("shared", "u² shared", look.SQUARED),
    Column("nu", "ν", look.number(2)), Column("steps", "u² of steps", look.SQUARED),
    Column("plates", "u² of check plates", look.SQUARED), Column("more", "u² of sessions and meters", look.SQUARED),
    Column("u", "u", look.number(6)), Column("effective", "ν effective", look.number(2)),
    Column("t", "t", look.number(4)), *_ENDS,
)  # fmt: skip


class _Pool(NamedTuple):
    """The variance of a run: the cells of s² and ν ("" where s² is stated), and their values."""

    s2: str
    nu: str
    variance: float
    freedom: float


@dataclass
class _Line:
    """One interval to be written."""

    key: Key
    words: tuple[str, str]
    contrast: Contrast
    drift: Drift
    u95: float | None  # as the tests alone give it
    expected: float | None  # as the comparison has it
    untouched: Contrast | None = None
    gain: float | None = None
    bounds: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    pair: tuple[int, int] | None = None

    @property
    def spread(self) -> bool:
        """Whether it is of a port spread."""
        return self.key[0] == "spread"


def _read(port: PortRuns) -> Iterator[tuple[int, Session, Plate | None]]:
    """Yield each test's run, session, and check plate with its session."""
    for run, session, test in zip(port.run_of, port.sessions, port.tests, strict=True):
        plate = plate_of(test)
        yield int(run), session, None if plate is None else (session, plate[0], plate[1])


class Intervals:
    """Writes the intervals of one figure: of the mean flow, or of that in a band under them."""

    def __init__(  # noqa: PLR0917
        self, book: Book, assessor: Assessor, ports: dict[int, PortCells], figure: Figure, name: str = "mean flow",
        base: Intervals | None = None,
    ) -> None:  # fmt: skip
        self.book, self.assessor, self.ports, self.figure, self.name = book, assessor, ports, figure, name
        self.pen = book.pens[_SHEET]
        # Those of the mean flow, whose scatter is that of check plates and untouched ports.
        self.base = base or self
        self.pools: dict[object, _Pool | None] = {}
        self.plates = ""
        if base is None:
            self.stated = self._write_stated()
        else:
            self.stated, self.plates = base.stated, base.plates
        self.columns, self.table = self._write_ports()
        if base is None:
            self.plates = self._write_plates()

    def _write_stated(self) -> dict[str, str]:
        """Write what the job states of the bench; return its cells."""
        bench, pen, found = self.assessor.bench, self.pen, dict[str, str]()
        lift = None if bench.lift_setting_m is None else self.book.in_lift(bench.lift_setting_m)
        for key, head, value, digits in (
            ("repeatability", "repeatability stated", bench.repeatability, 5),
            ("drift", "drift stated", bench.drift, 5),
            ("lift_setting", f"lift setting stated, {self.book.display.lift}", lift, self.book.display.lift_digits + 2),
            ("pressure_reading", "pressure reading stated, Pa", bench.pressure_reading_pa, 1),
        ):
            if value is not None:
                pen.put(1, head)
                pen.put(3, value, replace(look.RAW, digits=digits))
                found[key] = pen.at(3)
                pen.row += 1
        pen.row += bool(found)
        return found

    def _write_ports(self) -> tuple[dict[object, str], Table]:
        """Write a row for every port, with the shares of its sessions and check plates; return their columns."""
        names: dict[object, str] = {}
        heads: list[str] = []
        for port in self.ports.values():
            for _, session, plate in _read(port.runs):
                key: object
                for key in (session, plate):
                    if key is not None and key not in names:
                        names[key] = f"share {len(names)}"
                        head = f"share of session {session.date or 'unknown day'}"
                        count = sum(known.startswith("share of check plate") for known in heads) + 1
                        heads.append(head if key == session else f"share of check plate {count}")
        table = Table(self.pen, [
            Column("state", "state", look.WRAPPED), Column("port", "port", look.APART),
            Column("mean", self.name, look.number(3)), Column("per run", "1/n", look.number(5)),
            Column("steps", "steps, u²", look.SQUARED), Column("setting", "lift, per lift²", look.number(5)),
            *(Column(key, head, look.number(5)) for key, head in zip(names.values(), heads, strict=True)),
        ], f"Ports: {self.name}")  # fmt: skip
        for port in self.ports.values():
            if not port.mean:
                continue
            runs, values, port.row = port.runs, port.values, self.pen.row
            table.put("state", f"{runs.side}, {runs.curve.variant}")
            table.put("port", runs.curve.port)
            table.put("mean", port.mean_value, port.mean)
            table.put("per run", float(values.per_run[0]), port.per_run)
            table.put("steps", float(values.steps[0]), port.steps)
            if port.setting:
                table.put("setting", float(values.setting[0]) / self.book.in_lift(1.0) ** 2, port.setting)
            shares: dict[object, set[int]] = {}
            for run, session, plate in _read(runs):
                shares.setdefault(session, set()).add(run)
                shares.setdefault(plate, set()).add(run)
            for key, column in names.items():
                members = sorted(shares.get(key, ()))
                text = "+".join(port.shares[run] for run in members) or "0"
                table.put(column, float(sum(values.run_share[0, run] for run in members)), text)
            self.pen.row += 1
        self.pen.row += 1
        return names, table

    def _write_plates(self) -> str:
        """Write check plates that were read more than once in a session; return the variance of one, "" without."""
        pen = self.pen
        groups: dict[tuple[object, float], dict[float, tuple[float, str]]] = {}
        numbers = {(plan.test.id, plan.test.file): plan.number for plan in self.book.tests}
        for port in self.ports.values():
            for session, test in zip(port.runs.sessions, port.runs.tests, strict=True):
                plate = plate_of(test)
                if plate is not None:
                    cell = self.book.cells["condition", numbers[test.id, test.file], "check-plate"]
                    groups.setdefault((session, plate[0]), {})[plate[1]] = (plate[2], cell)
        repeated = [list(group.values()) for group in groups.values() if len(group) > 1]
        if not repeated:
            return ""
        pen.heading("Check plates read more than once a session")
        pen.header(["", "", "reading/nominal", "off their mean"])
        top = pen.row
        for group in repeated:
            mean = sum(value for value, _ in group) / len(group)
            cells = ",".join(pen.ranges(3, range(pen.row, pen.row + len(group)), "r"))
            for value, cell in group:
                pen.put(3, value, look.number(6), f"1/{cell}")
                pen.put(4, value / mean - 1.0, look.number(6), f"{pen.here(3)}/AVERAGE({cells})-1")
                pen.row += 1
        freedom = sum(len(group) - 1 for group in repeated)
        cells = ",".join(pen.ranges(4, range(top, pen.row)))
        pen.row += 1
        return f"SUMSQ({cells})/{freedom}"

    def _pool(self, side: Side, benches: frozenset[str], blocks: Blocks | None) -> _Pool | None:
        """Write the variance of a run and its degrees of freedom, once for each pool; None where there is none."""
        pen, scatter = self.pen, self.assessor.scatter(self.figure, benches, blocks)
        joined = blocks if "ports" in (scatter.basis or "") else None
        key = (benches, None if joined is None else id(joined), scatter.basis)
        if key in self.pools:
            return self.pools[key]
        self.pools[key] = None
        if scatter.basis is None:
            return None
        variance, freedom = float(scatter.variance[0]), float(scatter.freedom[0])
        pen.heading("Scatter of one run")
        if math.isinf(freedom):
            pen.put(1, "s², stated")
            pen.put(3, variance, look.SQUARED, f"{self.stated['repeatability']}^2")
            self.pools[key] = _Pool(pen.at(3), "", variance, freedom)
            pen.row += 2
            return self.pools[key]
        groups = [item for port in self.ports.values() for item in port.deviations if item[0] in benches]
        squares = "+".join(f"SUMSQ({','.join(cells)})" for _, cells, _ in groups) or "0"
        if joined is not None:
            squares += "+" + self._write_blocks(side, joined)
        pen.put(1, "degrees of freedom ν")
        pen.put(3, freedom, look.NUMBER, f"{sum(own for _, _, own in groups)}+{joined.freedom if joined else 0}")
        nu = pen.at(3)
        pen.row += 1
        pen.put(1, "s²")
        # Many repeated ports make a long sum: Excel allows 8192 characters.
        pen.put(3, variance, look.SQUARED, f"({squares})/{pen.here(3, pen.row - 1)}")
        s2 = pen.at(3)
        pen.row += 1
        pen.put(1, "s, relative")
        pen.put(3, math.sqrt(variance), _BOUND, f"SQRT({pen.here(3, pen.row - 1)})")
        pen.row += 2
        self.pools[key] = _Pool(s2, nu, variance, freedom)
        return self.pools[key]

    def _write_blocks(self, side: Side, blocks: Blocks) -> str:
        """Write ports as blocks: logarithms and what the additive fit leaves; return ``n_h·Σr²`` as a formula."""
        pen, count, size = self.pen, len(blocks.cells), len(blocks.cells[0])
        logs = np.log([[self.ports[id(port)].mean_value for port in row] for row in blocks.cells])
        left = additive_residuals(logs)
        pen.put(1, f"{side.capitalize()}: ports as blocks, ln(mean flow), then what states and ports leave")
        pen.row += 1
        rows, columns = range(pen.row, pen.row + count), range(3, 3 + size)
        every = f"{pen.here(3, rows[0], 'cr')}:{pen.here(2 + size, rows[-1], 'cr')}"
        for index, row in enumerate(blocks.cells):
            pen.put(1, row[0].curve.variant)
            across = pen.ranges(columns, pen.row, "c")[0]
            for place, (port, column) in enumerate(zip(row, columns, strict=True)):
                cell = self.table.here("mean", self.ports[id(port)].row)
                pen.put(column, float(logs[index, place]), look.number(6), f"LN({cell})")
                down = pen.ranges(column, rows, "r")[0]
                text = f"{pen.here(column)}-AVERAGE({across})-AVERAGE({down})+AVERAGE({every})"
                pen.put(column + size + 1, float(left[index, place]), look.number(6), text)
            pen.row += 1
        pen.row += 1
        runs = ",".join(self.table.here("per run", self.ports[id(port)].row) for port in blocks.ports)
        return f"SUMSQ({pen.here(4 + size, rows[0])}:{pen.here(3 + 2 * size, rows[-1])})/AVERAGE({runs})"

    def pairs(self, side: SidePlan) -> list[tuple[MatchedPair, Contrast | None]]:
        """Return the pairs of states of a side, each with what was untouched."""
        variants = {variant.name: variant for variant in self.book.variants}
        states = tuple(self.assessor.sides[side.side])
        own = [variants[state.name] for state in states]
        pairs = match_pairs(states, side.result.range_m)
        return [(pair, circumstances(pair, self.assessor, own).untouched) for pair in pairs]

    def lines_of(self, side: SidePlan) -> Iterator[_Line]:
        """Yield the intervals of one side's mean flows, spreads, gains, also of single ports, and effects."""
        assessor, states = self.assessor, tuple(self.assessor.sides[side.side])
        for index, state in enumerate(states):
            whole = assessor.contrast(side.side, [(index, 1.0, ())])
            known, drift = side.result.variant(state.name), assessor.drift(whole)
            key = (side.side, state.name)
            words = (f"mean flow of {state.name}", "")
            yield _Line(("mean", *key), words, whole, drift, self._relative(whole, drift), known.mean_flow_u95)
            if known.port_spread_u95 is not None:
                ports = tuple(assessor.ports[side.side][index].values())
                every = Contrast(assessor.headline, ports, np.full((len(ports), 1), 1.0 / math.sqrt(len(ports))))
                words = (f"port spread of {state.name}", "")
                own = assessor.port_spread(side.side, index)
                yield _Line(("spread", *key), words, every, Drift(), own, known.port_spread_u95)
        for pair, untouched in self.pairs(side):
            ends = (side.side, pair.before.name, pair.after.name)
            gain = side.result.gain(*ends[1:])
            yield self.line(("gain", *ends), pair.after.name, pair, (untouched, gain.mean_flow_gain_u95))
            for item in gain.ports if len(pair.ports) > 1 else ():
                name = f"{pair.after.name}, {port_text(item.port)}"
                yield self.line(("port", *ends, item.port), name, pair, (untouched, item.u95), item.port)
        effects = {item.factors: item for item in side.result.interactions}
        for corners in find_corners([state.state for state in states]):
            found = effects.get(corners.factors)
            if found is None or found.main_effects_u95 is None or found.interaction_u95 is None:
                continue
            named = [set(states[place].port_names) for place in corners.places]
            shared = tuple(name for name in states[corners.places[0]].port_names if all(name in one for one in named))
            names = (*corners.factors, " × ".join(corners.factors))
            halves = (*found.main_effects_u95, found.interaction_u95)
            for index, (factors, name, half) in enumerate(zip(EFFECTS, names, halves, strict=True)):
                parts = [(place, factor, shared) for place, factor in zip(corners.places, factors, strict=True)]
                contrast = assessor.contrast(side.side, parts)
                effect, drift = ("effect", side.side, corners.factors, index), assessor.drift(contrast)
                yield _Line(effect, (name, "effect"), contrast, drift, self._relative(contrast, drift), half)

    def _relative(self, contrast: Contrast, drift: Drift) -> float | None:
        """Return half the interval of a mean flow or an effect, relative."""
        blocks = self.assessor.blocks(contrast.ports[0].side, contrast.benches)
        return self.assessor.spread(contrast, drift, blocks).relative()[0]

    def line(
        self, key: Key, words: str, pair: MatchedPair, known: tuple[Contrast | None, float | None],
        port: str | None = None,
    ) -> _Line:  # fmt: skip
        """Return the gain of a pair, or of one port of it, to be written; given what was untouched, and its u95."""
        (untouched, expected), ports = known, pair.ports if port is None else (port,)
        assessor, side = self.assessor, pair.before.side
        parts = [(pair.index[0], -1.0, ports), (pair.index[1], 1.0, ports)]
        contrast = assessor.contrast(side, parts, self.figure)
        drift = assessor.drift(assessor.contrast(side, parts), untouched)
        blocks = assessor.blocks(side, contrast.benches, pair.index)
        own = assessor.estimates(contrast, assessor.spread(contrast, drift, blocks), drift)[0]
        bounds = {str(bound.name): (bound.low, bound.high) for bound in own.bounds}
        return _Line(
            key, (words, pair.before.name), contrast, drift, own.u95, expected, untouched, own.gain, bounds, pair.index
        )

    def write(self, side: Side, lines: Iterable[_Line]) -> None:
        """Write intervals of one side; the pools they need go above their table."""
        ready = []
        for line in lines:
            benches = line.contrast.benches
            if not _alike(line.u95, line.expected) or self._mixed(line.contrast):
                continue
            blocks = self.assessor.blocks(side, benches, line.pair)
            needed = (*line.contrast.ports, *(blocks.ports if blocks else ()))
            if all(self.ports[id(port)].mean for port in needed):
                common = self.base._pool(side, benches, blocks)
                pool = self._pool(side, benches, blocks)
                if pool is not None:
                    ready.append((line, blocks, pool, common))
        if ready:
            table = Table(self.pen, _LINES, f"{side.capitalize()}, {self.name}: intervals")
            for line, blocks, pool, common in ready:
                self._write_line(table, line, blocks, (pool, common))
                self.pen.row += 1
            self.pen.row += 1

    @staticmethod
    def _mixed(contrast: Contrast) -> bool:
        """Tell whether a run in parts was put right by several plates, which the shares of runs do not show."""
        for port in contrast.ports:
            read = {(run, plate and plate[1:]) for run, _, plate in _read(port)}
            if len(read) > len({run for run, _ in read}):
                return True
        return False

    def _states(self, contrast: Contrast, *, untouched: bool = False) -> list[tuple[float, list[int]]]:
        """Return each state's factor in a contrast with the rows of its ports."""
        found: dict[tuple[Side, str, float], tuple[float, list[int]]] = {}
        ports = self.base.ports if untouched else self.ports
        for port, weight in zip(contrast.ports, contrast.weight[:, 0], strict=True):
            # An untouched contrast sums over both sides: one state is one sum whatever the side.
            side = "intake" if untouched else port.side
            key = (side, port.curve.variant, math.copysign(1.0, weight))
            factor, rows = found.get(key, (0.0, []))
            found[key] = (factor + float(weight), [*rows, ports[id(port)].row])
        return list(found.values())

    def _weighed(self, line: _Line, column: str, power: int, *, untouched: bool = False) -> str:
        """Return Σ over states of factor^power · Σ W^power·x, x a column of the ports."""
        contrast = line.untouched if untouched and line.untouched else line.contrast
        states = self._states(contrast, untouched=untouched)
        if line.spread:
            return f"AVERAGE({','.join(self.table.ranges(column, [row for _, own in states for row in own], 'r'))})"
        terms, raised = [], "^2" if power == 2 else ""
        for factor, rows in states:
            means = self.table.ranges("mean", rows, "r")
            pairs = zip(means, self.table.ranges(column, rows, "r"), strict=True)
            inner = "+".join(f"SUMPRODUCT({mean}{raised}*{cell})" for mean, cell in pairs)
            terms.append(f"{round(factor, 9) ** power:+.9g}*({inner})/SUM({','.join(means)}){raised}")
        return "".join(terms).removeprefix("+")

    def _ends_of(self, function: str, contrast: Contrast, *, untouched: bool = False) -> list[str]:
        """Return a function of the mean flows after and before."""
        states = self._states(contrast, untouched=untouched)
        two = (next(rows for factor, rows in states if factor * sign > 0) for sign in (1.0, -1.0))
        return [f"{function}({','.join(self.table.ranges('mean', rows, 'r'))})" for rows in two]

    def _write_line(self, table: Table, line: _Line, blocks: Blocks | None, pools: tuple[_Pool, _Pool | None]) -> None:
        """Write one interval, a column a term."""
        pool, common = pools
        spread = self.assessor.spread(line.contrast, line.drift, blocks)
        per_run = [float(own.per_run[0]) for own in line.contrast.values]
        if line.spread:
            repeats = pool.variance * float(np.mean(per_run))
            spread = replace(spread, repeats=np.array([repeats]), plates=np.zeros(1))
        terms = {name: float(value[0]) for name, value in spread.known.items()}
        table.put("of", line.words[0])
        table.put("over", line.words[1])
        if line.gain is not None:
            after, before = self._ends_of("AVERAGE", line.contrast)
            table.put("gain", line.gain, f"{after}/{before}-1")
        table.put("s2", pool.variance, pool.s2)
        if pool.nu:
            table.put("nu", pool.freedom, pool.nu)
        plain = sum(float(w) ** 2 * n for w, n in zip(line.contrast.weight[:, 0], per_run, strict=True))
        table.put("per run", plain, self._weighed(line, "per run", 2))
        shared, steps = [], self._weighed(line, "steps", 2)
        if line.drift.by == "untouched" and line.untouched is not None:
            table.put("untouched", line.drift.repeats, self._weighed(line, "per run", 2, untouched=True))
            shared.append("{untouched}")
            steps += f"+{self._weighed(line, 'steps', 2, untouched=True)}"
        plates = self._plates_in(line)
        if plates and not spread.plate_freedom:
            shared.append(plates)
        text = "{s2}*{per run}" + (f"+{common.s2}*({'+'.join(shared)})" if shared and common else "")
        table.put("repeats", float(spread.repeats[0]), text)
        table.put("steps", terms["resolution"], steps)
        if "lift_setting" in terms:
            text = f"{self.stated['lift_setting']}^2*({self._weighed(line, 'setting', 2)})"
            table.put("setting", terms["lift_setting"], text)
        if plates and spread.plate_freedom and self.plates:
            table.put("plates", float(spread.plates[0]), f"{self.plates}*({plates})")
        # What comes with sessions that differ: drift and the reading of the test pressure.
        sessions = {key: f"({self._weighed(line, self.columns[key], 1)})" for key in line.contrast.by_session()}
        if "drift" in terms:
            text = f"{self.stated['drift']}^2*({'+'.join(f'{one}^2' for one in sessions.values())})"
            table.put("drift", terms["drift"], text)
        if "pressure_reading" in terms:
            at, usual = line.contrast.pressures(), self.assessor.reference.pressure_pa
            parts = (f"({one}/{at.get(session, usual)!r})^2" for session, one in sessions.items())
            text = f"({self.stated['pressure_reading']}/2)^2*({'+'.join(parts)})"
            table.put("pressure", terms["pressure_reading"], text)
        meters = [value for name, value in terms.items() if name.startswith("meter")]
        table.put("meters", sum(meters) if meters else None)
        self._write_interval(table, line, spread, has_freedom=bool(pool.nu))

    def _plates_in(self, line: _Line) -> str:
        """Return Σc_k² over the plates read, as a formula; "" without."""
        if line.spread:
            return ""
        keys: set[object] = {plate for port in line.contrast.ports for _, _, plate in _read(port) if plate is not None}
        columns = [column for key, column in self.columns.items() if key in keys]
        return "+".join(f"({self._weighed(line, column, 1)})^2" for column in columns)

    def _write_interval(self, table: Table, line: _Line, spread: Spread, *, has_freedom: bool) -> None:
        """Write u, its degrees of freedom, the factor, the bounds and the interval."""
        below, u = ["{repeats}^2/{nu}"] if has_freedom else [], math.sqrt(float(spread.total[0]))
        t, text = _write_u(table, "SUM({repeats}:{meters})", spread, below)
        if line.spread and len(line.contrast.ports) > 2:
            t, text = studentized_range(len(line.contrast.ports), float(spread.effective()[0])), ""
        elif line.spread:
            t, text = t * math.sqrt(2.0), f"SQRT(2)*{text}"
        table.put("t", t, text)
        if line.gain is None:
            table.put("half", t * u, "{t}*{u}", name=("interval", *line.key))
            return
        plain = [bound for name, bound in line.bounds.items() if name != "drift"]
        bounds = [float(sum(bound[end] for bound in plain)) for end in (0, 1)]
        texts = ["", ""]
        drift = line.bounds.get("drift")
        if drift is not None and line.untouched is not None:
            after, before = self._ends_of("SUM", line.untouched, untouched=True)
            moved = f"((1+{{gain}})*{before}/{after}-1)"
            texts = [f"MAX({{gain}}-{moved},0)+{bounds[0]!r}", f"MAX({moved}-{{gain}},0)+{bounds[1]!r}"]
        whole = [bounds[end] + (drift[end] if drift else 0.0) for end in (0, 1)]
        for end, key in enumerate(("below", "above")):
            table.put(key, whole[end] if texts[end] else bounds[end], texts[end])
        _write_ends(table, line.key, line.gain, t * u, whole)

    def write_at_lifts(self, side: SidePlan) -> None:
        """Write the intervals of every gain of a side at every lift."""
        assessor = self.assessor
        for pair, untouched in self.pairs(side):
            parts = [(pair.index[0], -1.0, pair.ports), (pair.index[1], 1.0, pair.ports)]
            drift = assessor.drift(assessor.contrast(side.side, parts), untouched)
            contrast = assessor.contrast(side.side, parts, AtLifts(pair.lifts_m))
            blocks = assessor.blocks(side.side, contrast.benches, pair.index)
            spread = assessor.spread(contrast, drift, blocks)
            stated = assessor.stated(contrast.benches)
            fitted = None if stated is not None else assessor.lift_scatter(contrast.benches, blocks)
            estimates = assessor.estimates(contrast, spread, drift)
            known = {item.lift_m: item.u95 for item in side.result.gain(pair.before.name, pair.after.name).per_lift}
            alike = all(_alike(one.u95, known.get(lift)) for one, lift in zip(estimates, pair.lifts_m, strict=True))
            if alike and (stated is not None or fitted is not None):
                _AtLifts(self, side, pair, contrast, spread, fitted).write(estimates)


class _StateAt(NamedTuple):
    """A state at a lift: its ports with cell of flow, cell of slope and 1/n, and the sum of their flows."""

    ports: list[tuple[PortRuns, str, str, str]]
    total: str

    def sum(self, terms: Iterable[str]) -> str:
        """Return a sum over the ports, over the square of the flows' sum."""
        return f"({'+'.join(terms)})/{self.total}^2"


@dataclass
class _AtLifts:
    """Writes the intervals of one gain at every lift."""

    intervals: Intervals
    side: SidePlan
    pair: MatchedPair
    contrast: Contrast
    spread: Spread
    fitted: LiftScatter | None

    def write(self, estimates: Iterable[Estimate]) -> None:
        """Write what the scatter was fitted to be, then a row for every lift."""
        pen, book, pair, spread = self.intervals.pen, self.intervals.book, self.pair, self.spread
        pen.heading(f"{self.side.side.capitalize()}, {pair.after.name} over {pair.before.name}: at single lifts")
        cells = self._write_fit()
        table = Table(pen, (_SINGLE[0]._replace(style=book.lift), *_SINGLE[1:]))
        first = book.blocks[self.side.side, self.side.variants[0].name]
        for index, (known, lift_m) in enumerate(zip(estimates, pair.lifts_m, strict=True)):
            place = self.side.place(lift_m)
            states = self._states(place, index)
            table.put("lift", book.in_lift(lift_m), first.lift(place))
            before, after = (f"({state.total}/{len(state.ports)})" for state in states)
            table.put("gain", known.gain, f"{after}/{before}-1")
            self._write_scatter(table, index, states, cells)
            self._write_others(table, index, states, place)
            below = ["({fit}+{shared})^2/{nu}"] if self.fitted is not None else []
            table.put("below", float(known.below))
            table.put("above", float(known.above))
            t = _write_u(table, "{fit}+{shared}+SUM({steps}:{more})", spread, below, index)
            table.put("t", *t)
            key = ("lift", self.side.side, pair.before.name, pair.after.name, lift_m)
            half = t[0] * math.sqrt(float(spread.total[index]))
            _write_ends(table, key, known.gain, half, (known.below, known.above))
            pen.row += 1
        pen.row += 1

    def _write_fit(self) -> dict[str, str]:
        """Write what the scatter was fitted to be, in the units shown; return the cells."""
        pen, unit, fitted, found = self.intervals.pen, self.intervals.book.in_lift(1.0), self.fitted, dict[str, str]()
        if fitted is None:
            return found
        for key, name, value in (
            ("c", "c", fitted.constant), ("per_slope", "u_L²", fitted.per_slope * unit**2),
            ("var_c", "var c", fitted.covariance[0, 0]), ("cov", "cov", fitted.covariance[0, 1] * unit**2),
            ("var_slope", "var u_L²", fitted.covariance[1, 1] * unit**4), ("least", "least ν", fitted.freedom),
            ("most", "most ν", fitted.cap),
        ):  # fmt: skip
            pen.put(1, f"fitted: {name}")
            pen.put(3, float(value), Style("value", -6))
            found[key] = pen.here(3, lock="cr")
            pen.row += 1
        return found

    def _states(self, place: int, index: int) -> list[_StateAt]:
        """Return the cells of both states at a lift."""
        book, found = self.intervals.book, []
        for state, sign in ((self.pair.before, -1.0), (self.pair.after, 1.0)):
            block, ports, columns = book.blocks[self.side.side, state.name], [], []
            row = block.row(place)
            for port, weight, own in zip(
                self.contrast.ports, self.contrast.weight[:, 0], self.contrast.values, strict=True
            ):
                if weight * sign > 0:
                    columns.append(block.ports[port.curve.port])
                    cells = (block.flows.at(columns[-1], row), block.slopes.at(columns[-1], row))
                    ports.append((port, *cells, repr(float(own.per_run[index]))))
            total = ",".join(block.flows.ranges(columns, row, "cr", away=True))
            found.append(_StateAt(ports, f"SUM({total})"))
        return found

    def _write_scatter(self, table: Table, index: int, states: list[_StateAt], cells: Mapping[str, str]) -> None:
        """Write the scatter of the runs at a lift: fitted, or stated."""
        contrast, unit = self.contrast, self.intervals.book.in_lift(1.0)
        weights = contrast.weight[:, index] ** 2 * np.array([own.per_run[index] for own in contrast.values])
        ones = float(weights.sum())
        table.put("ones", ones, "+".join(state.sum(f"{q}^2*{n}" for _, q, _, n in state.ports) for state in states))
        if self.fitted is None:
            own = float((self.intervals.assessor.bench.repeatability or 0.0) ** 2 * ones)
            table.put("fit", own, f"{self.intervals.stated['repeatability']}^2*{{ones}}")
        else:
            slope2 = np.array([float(port.slope_at([self.pair.lifts_m[index]])[0]) ** 2 for port in contrast.ports])
            text = "+".join(state.sum(f"{s}^2*{n}" for _, _, s, n in state.ports) for state in states)
            table.put("x", float(weights @ slope2) / unit**2, text)
            variance, freedom = self.fitted.at(weights[:, np.newaxis], slope2[:, np.newaxis])
            own = float(variance[0])
            table.put("fit", own, "{c}*{ones}+{per_slope}*{x}", cells=cells)
            uncertain = "{var_c}*{ones}^2+2*{cov}*{ones}*{x}+{var_slope}*{x}^2"
            nu = f"MAX({{least}},MIN({{most}},2*{{fit}}^2/({uncertain})))"
            table.put("nu", float(freedom[0]), f"1/(0.75/{nu}+0.25/{{least}})", cells=cells)
        repeats = float(self.spread.repeats[index])
        table.put("shared", repeats - own if repeats - own > 1e-9 * repeats else None)

    def _write_others(self, table: Table, index: int, states: list[_StateAt], place: int) -> None:
        """Write the steps of the readings, check plates, and what sessions and meters add."""
        spread, terms = self.spread, []
        for state in states:
            inner = []
            for port, q, _, _ in state.ports:
                step = self.intervals.ports[id(port)].steps_at.get(place)
                own = port.values(self.contrast.figure).steps[index]
                inner.append(f"{q}^2*{step or repr(12 * float(own))}")
            terms.append(f"{state.sum(inner)}/12")
        pairs = zip(self.contrast.weight[:, index], self.contrast.values, strict=True)
        steps = float(sum(weight**2 * float(own.steps[index]) for weight, own in pairs))
        table.put("steps", steps, "+".join(terms))
        table.put("plates", float(spread.plates[index]) if spread.plate_freedom else None)
        total = float(spread.total[index])
        more = total - float(spread.repeats[index]) - float(spread.plates[index]) - steps
        table.put("more", more if more > 1e-9 * total else None)


def _alike(own: float | None, expected: float | None) -> bool:
    """Tell whether an interval follows from the tests alone: the bench's records may be in it too."""
    return own is not None and expected is not None and math.isclose(own, expected, rel_tol=1e-9)


def _write_u(table: Table, total: str, spread: Spread, below: list[str], index: int = 0) -> tuple[float, str]:
    """Write u and its degrees of freedom, what is below them but for plates given; return t with its formula."""
    table.put("u", math.sqrt(float(spread.total[index])), f"SQRT({total})")
    effective = float(spread.effective()[index])
    if math.isinf(effective):
        return student_t(math.inf), "NORMSINV(0.975)"
    if spread.plate_freedom:
        below = [*below, f"{{plates}}^2/{spread.plate_freedom:.0f}"]
    table.put("effective", effective, f"{{u}}^4/({'+'.join(below)})")
    return student_t(effective), _T


def _write_ends(table: Table, key: Key, gain: float, half: float, bounds: Iterable[float]) -> None:
    """Write both ends of a gain's interval, and the larger of its sides."""
    (below, above), arm = bounds, "(1+{gain})*{t}*{u}"
    low, high = gain - (1 + gain) * half - below, gain + (1 + gain) * half + above
    table.put("low", low, f"{{gain}}-{arm}-{{below}}", name=("interval", *key, "low"))
    table.put("high", high, f"{{gain}}+{arm}+{{above}}", name=("interval", *key, "high"))
    text = "MAX({gain}-{low},{high}-{gain})"
    table.put("half", max(gain - low, high - gain), text, name=("interval", *key))


def write_intervals(book: Book) -> None:
    """Write the run figures and the intervals that follow from them."""
    contents, pen = book.contents, book.pens[_SHEET]
    assessor = assessor_of(book.variants, contents.reference, contents.bench, contents.comparison.area_method)
    if assessor is None:
        return
    whole = assessor.headline
    figures: dict[object, tuple[str, Figure]] = {whole.key: ("mean flow", whole)}
    bands: dict[object, list[tuple[SidePlan, int, str, MatchedPair]]] = {}
    for side in book.sides:
        tables = band_tables(side.result)
        for pair in match_pairs(tuple(assessor.sides[side.side]), side.result.range_m):
            for name, limits, figure in band_figures(pair, assessor):
                for index, table in enumerate(tables):
                    if any(np.allclose(own, limits, rtol=1e-9, atol=0.0) for _, *own in table.limits):
                        figures.setdefault(figure.key, (f"{name} lift", figure))
                        bands.setdefault(figure.key, []).append((side, index, name, pair))
                        break
    found = write_runs(book, assessor, figures)
    pen.title(
        "Intervals of mean flows and gains",
        "u² is the sum of what is uncertain about ln(flow) or ln(1 + gain) (GUM, JCGM 100:2008); the interval is "
        "Student's t for the effective degrees of freedom (not cut to a whole number, as T.INV.2T does) times u, "
        "widened by the bounds.",
        width=110,
    )
    pen.widths = {1: 24.0, 2: 16.0}
    made = Intervals(book, assessor, found[whole.key], whole)
    for side in book.sides:
        made.write(side.side, list(made.lines_of(side)))
    for key, own in bands.items():
        _write_band(made, found[key], figures[key], own)
    for side in book.sides:
        made.write_at_lifts(side)
    pen.finish(9.9, freeze="A4")


def _write_band(
    base: Intervals, ports: dict[int, PortCells], figure: tuple[str, Figure],
    bands: list[tuple[SidePlan, int, str, MatchedPair]],
) -> None:  # fmt: skip
    """Write the intervals of the gains in one band, given by side, table of bands, name and pair."""
    book, assessor = base.book, base.assessor
    for side, index, name, pair in bands:
        place = [own for own, _, _ in band_tables(side.result)[index].limits].index(name)
        for state, number_of_state in ((pair.before, pair.index[0]), (pair.after, pair.index[1])):
            rows, column = book.bands.get((side.side, index, state.name), ({}, 0))
            for port, runs in assessor.ports[side.side][number_of_state].items():
                if port in rows:
                    ports[id(runs)].mean = book.pens[BANDS].at(column + place, rows[port])
    made = Intervals(book, assessor, ports, figure[1], figure[0], base)
    lines: dict[Side, list[_Line]] = {}
    for side, _, name, pair in bands:
        untouched = next(own for known, own in made.pairs(side) if known.index == pair.index)
        key = ("band", side.side, pair.before.name, pair.after.name, name)
        gain = side.result.gain(pair.before.name, pair.after.name)
        expected = next((band.u95 for band in gain.bands if band.name == name), None)
        line = made.line(key, pair.after.name, pair, (untouched, expected))
        lines.setdefault(side.side, []).append(line)
    for one, own in lines.items():
        made.write(one, own)
