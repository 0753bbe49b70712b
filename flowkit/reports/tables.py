"""Every table derived from a comparison or an engine result, in words, built once.

Page, terminal and HTML lay them out, each by one routine of its own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from operator import itemgetter
from typing import NamedTuple

from flowkit.analysis.results import BandGain, Comparison, Gain, LiftGain, SideComparison, VariantFlow
from flowkit.analysis.sentences import cause
from flowkit.engine.results import BandTime, EngineResult, EngineVariant
from flowkit.model import SIDES, CorrectedTest, LedgerLine, Side
from flowkit.reports import contents
from flowkit.reports.labels import gain_cell, port_text, sides_of
from flowkit.units import from_si
from flowkit.wording import (
    MINUS,
    NOTHING,
    Display,
    flow_text,
    gain_figure,
    interval_text,
    lift_text,
    numeral,
    percent_figure,
    pressure_words,
    signed_figure,
)


class Cell(NamedTuple):
    """A cell in words; `style` says bold, dim or italic, which is between measured lifts."""

    text: str
    style: str = ""
    half: str = ""
    """Half its 95 % interval, for whoever has room for it."""


class Column(NamedTuple):
    """A column: its head, the group it is in, the state whose figures it has, and the state these are gains over."""

    head: str
    group: str = ""
    state: str | None = None
    over: str | None = None
    left: bool = False
    """Words, not figures."""
    names: bool = False
    """Names of states."""


class Row(NamedTuple):
    """A row, with a rule over it or none; `kind` is for layouts that leave some out."""

    cells: tuple[Cell, ...]
    kind: str = ""
    rule: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A derived table, ready to be laid out on paper, on a terminal or in a browser."""

    title: str
    side: Side | None
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    notes: tuple[str, ...] = ()
    """Sentences that explain it."""
    marks: tuple[str, ...] = ()
    """What must be said right under its figures."""
    keys: int = 1
    """So many columns name the row."""

    @property
    def heading(self) -> str:
        """Its title after its side."""
        return f"{self.side.capitalize()}: {self.title[:1].lower()}{self.title[1:]}" if self.side else self.title

    @property
    def between(self) -> bool:
        """Whether any figure lies between measured lifts."""
        return any("italic" in cell.style for row in self.rows for cell in row.cells)


NAME = Column("state", left=True, names=True)


def _figure(text: str, measured: bool = True) -> Cell:
    """Return a figure, marked where it was not measured but lies between measured lifts."""
    return Cell(text, "" if measured or text == NOTHING else "italic")


def _texts(*texts: str, style: str = "") -> tuple[Cell, ...]:
    """Return texts as cells."""
    return tuple(Cell(text, style) for text in texts)


PORTS_SHOWN = 6
"""More ports than this have their means in a table of their own alone."""


def flow_table(side: Side, result: SideComparison, display: Display, lifts: Sequence[float], *, ports: bool) -> Table:
    """Return the flows of every state at some lifts, its gains over the first, the means, and where asked the ports."""
    gains = [{contents.micrometres(item.lift_m): item for item in gain.per_lift} for gain in result.totals]
    rows = []
    for lift in lifts:
        cells = [Cell(lift_text(lift, display))]
        for variant in result.variants:
            flow, measured = contents.flow_at(variant, lift)
            cells.append(_figure(flow_text(flow, display), measured))
        for items in gains:
            item = items.get(lift)
            if item is None:
                cells.append(Cell(NOTHING))
                continue
            hidden = item.u95 is not None and abs(item.gain) <= item.u95
            style = " ".join(filter(None, ("dim" if hidden else "", "italic" if item.interpolated else "")))
            cells.append(Cell(signed_figure(item.gain), style, percent_or_nothing(item.u95)))
        rows.append(Row(tuple(cells), "lift"))
    rows += _mean_rows(result, display)
    # Under a single lift there is no area, which is another thing than an area of nothing.
    scale = from_si(1.0, display.flow) * from_si(1.0, display.lift) if result.range_m[1] > result.range_m[0] else None
    areas = (numeral(scale and scale * v.curve_area_m4_s, display.flow_digits) for v in result.variants)
    rows.append(_filled(result, f"area, {display.flow}·{display.lift}", areas, "area"))
    if ports:
        few = 1 < len(contents.all_ports(result)) <= PORTS_SHOWN
        found = [row for row in _port_rows(result, display, intervals=False) if few or row.kind == "spread"]
        rows += [row._replace(rule=place == 0) for place, row in enumerate(found)]
    matched = contents.matched_words(result)
    head = f"lift, {display.lift}"
    columns = _state_columns(head, side, result, display)
    return Table("Flow and gain at each lift", side, columns, tuple(rows), marks=(matched,) if matched else ())


def port_table(side: Side, result: SideComparison, display: Display) -> Table:
    """Return the mean flow of each port in every state and its gains over the first, then their mean and spread."""
    gained = ", and its gain" if result.gains else ""
    means = [row for row in _mean_rows(result, display, intervals=True) if row.kind == "mean"]
    ports = _port_rows(result, display, intervals=True)
    count = len(contents.all_ports(result))
    rows = (*ports[:count], *means, *ports[count:])
    return Table(f"Mean flow of each port{gained}", side, _state_columns("port", side, result, display), rows)


def _state_columns(head: str, side: Side, result: SideComparison, display: Display) -> tuple[Column, ...]:
    """Return the rows' names, a flow a state, and a gain over the first a state."""
    flows = (Column(display.flow, f"{side} flow, {display.flow}", v.name) for v in result.variants)
    return (Column(head), *flows, *(Column("gain, %", "gain, %", gain.to, gain.from_) for gain in result.totals))


def _filled(result: SideComparison, name: str, flows: Iterable[str], kind: str, style: str = "") -> Row:
    """Return a row of a figure a state, without any of gains."""
    return Row((Cell(name, style), *_texts(*flows, style=style), *_texts(*("" for _ in result.totals))), kind)


def _mean_rows(result: SideComparison, display: Display, *, intervals: bool = False) -> list[Row]:
    """Return mean flows and gains, and under them half their intervals, or the ends of those with unequal arms."""
    totals, variants = result.totals, result.variants
    cells = [Cell("mean", "bold"), *(Cell(flow_text(v.mean_flow_m3_s, display), "bold") for v in variants)]
    for gain in totals:
        text = gain_cell(gain, "") if intervals else signed_figure(gain.mean_flow_gain)
        # On paper bold all the same: what is proven is said beside each step.
        style = "bold dim" if gain.resolved is False else "bold"
        cells.append(Cell(text, style, "" if intervals else percent_or_nothing(gain.mean_flow_gain_u95)))
    rows = [Row(tuple(cells), "mean", rule=True)]
    halves = [None if v.mean_flow_u95 is None else v.mean_flow_u95 * v.mean_flow_m3_s for v in variants]
    ends = [(g.mean_flow_gain_low, g.mean_flow_gain, g.mean_flow_gain_high) for g in totals]
    if any(half is not None for half in (*halves, *(gain.mean_flow_gain_u95 for gain in totals))):
        arms = [(g - low, high - g) for low, g, high in ends if low is not None and high is not None]
        if all(percent_figure(left) == percent_figure(right) for left, right in arms):
            texts = [flow_text(half, display) for half in halves]
            texts += [percent_figure(gain.mean_flow_gain_u95) for gain in totals]
            rows.append(Row(_texts("± 95 %", *texts, style="dim"), "interval"))
        else:
            for name, sign, place in (("from", -1, 0), ("to", 1, 2)):
                flows = (half and v.mean_flow_m3_s + sign * half for v, half in zip(variants, halves, strict=True))
                texts = [*(flow_text(flow, display) for flow in flows), *(signed_figure(end[place]) for end in ends)]
                rows.append(Row(_texts(name, *texts, style="dim"), "interval"))
    return rows


def _port_rows(result: SideComparison, display: Display, *, intervals: bool) -> list[Row]:
    """Return each port's mean flow and gain, and the spread of them."""
    rows = []
    for port in contents.all_ports(result):
        cells = [Cell(port_text(port))]
        for variant in result.variants:
            flows = (item.mean_flow_m3_s for item in variant.ports if item.label == port)
            cells.append(Cell(flow_text(next(flows, None), display)))
        for gain in result.totals:
            item = next((item for item in gain.ports if item.port == port), None)
            if item is None:
                cells.append(Cell(NOTHING))
            elif intervals:
                cells.append(Cell(gain_figure(item.mean_flow_gain, item.u95, item.low, item.high)))
            else:
                cells.append(Cell(signed_figure(item.mean_flow_gain)))
        rows.append(Row(tuple(cells), "port"))
    for name, attribute, style in (("spread", "port_spread", ""), ("± 95 %", "port_spread_u95", "dim")):
        values = [getattr(variant, attribute) for variant in result.variants]
        if any(value is not None for value in values) and (intervals or not style):
            texts = (NOTHING if value is None else f"{percent_figure(value)} %" for value in values)
            rows.append(_filled(result, name, texts, "interval" if style else "spread", style))
    return rows


def further_tables(comparison: Comparison, display: Display, side: Side) -> list[Table]:
    """Return all there is to say of a side beyond its flows and ports, and last of the ratio of the sides."""
    result = comparison.sides[side]
    tables = [
        *gain_tables(side, result, display),
        *coefficient_tables(side, result, display),
        expected_table(side, result, display),
        velocity_table(side, result, display),
        *(ratio_tables(comparison, display) if side == list(comparison.sides)[-1] else ()),
    ]
    return [table for table in tables if table.rows]


def step_table(comparison: Comparison) -> Table | None:
    """Return what each step, and all together, were worth on either side, and what changed; None without any."""
    sides = sides_of(comparison)
    found = [dict(contents.gains_of_steps(result)) for _, result in sides]
    names = sorted(dict.fromkeys(name for gains in found for name in gains), key=lambda name: name is None)
    rows, doubtful = [], False
    for name in names:
        texts, known = [], []
        for gains in found:
            gain = gains.get(name)
            texts.append(NOTHING if gain is None else gain_cell(gain, ""))
            if gain is not None:
                known.append(gain)
                doubtful = doubtful or gain.resolved is False
                texts[-1] += " (?)" if gain.resolved is False else ""
        label = f"all, over {known[0].from_}" if name is None else name
        rows.append(Row(_texts(label, *texts, "; ".join(dict.fromkeys(map(cause, known))))))
    columns = (NAME, *(Column(side, left=True) for side, _ in sides), Column("what changed", left=True))
    notes = ("(?) not proven.",) if doubtful else ()
    return Table("Gain in mean flow, %", None, columns, tuple(rows), notes) if rows else None


def gain_tables(side: Side, result: SideComparison, display: Display) -> list[Table]:
    """Return what there is to say of the gains beyond the worth of each step: in bands, figure by figure, how sure."""
    effects_title = "Factorial: main effects and interaction in mean flow"
    effects_rows = [
        Row((*_texts(effect.name, signed_figure(effect.gain)), Cell(interval_text(effect.u95), "dim")), rule=n > k == 0)
        for n, found in enumerate(result.interactions)
        for k, effect in enumerate(contents.effects(found))
    ]
    effects_columns = (Column("", left=True), Column("%"), Column(""))
    tables = [
        *_band_tables_in_words(side, result, display),
        _step_figures("Gain of each step, %, figure by figure", side, result, display, FIGURES),
        _step_figures("What the data show about each gain, %", side, result, display, EVIDENCE),
        Table(effects_title, side, effects_columns, tuple(effects_rows), (contents.FACTORIAL,)),
    ]
    return [table for table in tables if table.rows]


def percent_or_nothing(fraction: float | None, digits: int = 1) -> str:
    """Write a fraction in percent, nothing where there is none."""
    return "" if fraction is None else percent_figure(fraction, digits)


def _narrower(gain: Gain, half: float | None) -> str:
    """Write a half width to expect where it is narrower than what there is."""
    now = gain.mean_flow_gain_u95
    return "" if now is None or half is None or half >= now else percent_figure(half)


def with_interval(gain: BandGain | LiftGain | None) -> str:
    """Write the gain of a band, or at a lift, with its interval, in percent."""
    return "" if gain is None else gain_figure(gain.gain, gain.u95, gain.low, gain.high)


class GainFigure(NamedTuple):
    """A figure of a step's gain: its head, how it is written, the group it is in, and what it means."""

    head: str
    words: Callable[[Gain, Display], str]
    group: str = ""
    meaning: str = ""


FIGURES = (
    GainFigure("mean of lifts", lambda gain, _: signed_figure(gain.mean_of_gains)),
    GainFigure(
        "by geometry", lambda gain, _: signed_figure(gain.expected_from_geometry),
        meaning="By geometry: what the minimum areas alone would give (their ratio), as a mean over the same lifts.",
    ),
    GainFigure("at top lift", lambda gain, _: signed_figure(gain.gain_at_top_lift)),
    GainFigure("%", lambda gain, _: with_interval(gain.largest), "largest"),
    GainFigure("at lift", lambda gain, display: lift_text(gain.largest.lift_m, display), "largest"),
    GainFigure("%", lambda gain, _: with_interval(gain.smallest), "smallest"),
    GainFigure("at lift", lambda gain, display: lift_text(gain.smallest.lift_m, display), "smallest"),
    GainFigure("share of total", lambda gain, _: percent_or_nothing(gain.share_of_total, 0)),
)  # fmt: skip
"""The further figures of a step's gain."""
EVIDENCE = (
    GainFigure(
        "at least", lambda gain, _: "" if gain.at_least is None else signed_figure(gain.at_least),
        meaning="At least: 95 % sure, where the gain is proven.",
    ),
    GainFigure(
        "smallest", lambda gain, _: percent_or_nothing(gain.smallest_resolvable),
        meaning="Smallest: the smallest gain these tests would show four times out of five.",
    ),
    GainFigure(
        "drift", lambda gain, _: percent_or_nothing(gain.resolved_if_drift_below),
        meaning="Drift: the gain holds unless the bench moved by more than this between the days.",
    ),
    GainFigure(
        "one more run", lambda gain, _: _narrower(gain, gain.one_more_run_u95),
        meaning="One more run: the ± to expect from one more run of every port of the later state.",
    ),
    GainFigure(
        "all twice", lambda gain, _: _narrower(gain, gain.two_runs_u95),
        meaning="All twice: the ± to expect from every port flowed twice in both states.",
    ),
)  # fmt: skip
"""What the data bear out of a gain."""


def _step_figures(
    title: str, side: Side, result: SideComparison, display: Display, every: Sequence[GainFigure]
) -> Table:
    """Return figures of every step's gain, a row a step: those that any gain has, none of a single lift's."""
    gains = contents.gains_of_steps(result)
    single = result.range_m[1] <= result.range_m[0] and every is FIGURES
    known = [figure for figure in every if any(figure.words(gain, display) not in ("", NOTHING) for _, gain in gains)]
    columns = [NAME]
    for figure in known:
        head = f"at, {display.lift}" if figure.head == "at lift" else figure.head
        columns.append(Column(head, figure.group))
    rows = [
        Row(_texts(name or contents.ALL_STEPS, *(figure.words(gain, display) for figure in known)), rule=name is None)
        for name, gain in gains
    ]
    meanings = tuple(figure.meaning for figure in known if figure.meaning)
    return Table(title, side, tuple(columns), tuple(rows) if known and not single else (), meanings)


def _band_tables_in_words(side: Side, result: SideComparison, display: Display) -> list[Table]:
    """Return mean flow of every state and gain of every step, band by band."""
    tables = []
    for table in contents.band_tables(result):
        gained = any(gain is not None for row in table.rows for gain in row.gains)
        columns, rows = [NAME], []
        for limit in table.limits:
            group = f"{limit[0]}, {contents.band_limits(limit, display)}"
            columns += [Column(display.flow, group), *([Column("step, %", group)] if gained else [])]
        for row in table.rows:
            texts = [row.variant or contents.ALL_STEPS]
            for flow, gain in zip(row.flows_m3_s, row.gains, strict=True):
                texts += ["" if flow is None else flow_text(flow, display), *([with_interval(gain)] if gained else [])]
            rows.append(Row(_texts(*texts), rule=row.variant is None))
        title = f"Mean flow{' and gain of each step' if result.steps else ''} in bands of lift"
        tables.append(Table(title, side, tuple(columns), tuple(rows), (contents.band_words(table),)))
    return tables


EXPECTED = (
    "By geometry: the ratio of the minimum areas after and before (Heywood 1988, eqs 6.7–6.9), which is what the step "
    "would give if the flow filled its narrowest passage as well as before. Means are over every lift of either state."
)
COEFFICIENTS = {
    "minimum": "coefficient on the minimum area",
    "curtain": "coefficient on the curtain area",
    "throat": "coefficient on the throat area",
    "valve": "coefficient on the valve area",
}


def coefficient_tables(side: Side, result: SideComparison, display: Display) -> list[Table]:
    """Return the coefficients of one side, lift by lift, a table for each area they are referred to."""
    from flowkit.analysis.lifts import pchip

    tables = []
    for kind, words in COEFFICIENTS.items():
        series: list[tuple[str, Callable[[float], tuple[float | None, bool]]]] = []
        for variant in result.variants:
            values = getattr(variant.coefficients, kind, None)
            if variant.coefficients is None or values is None:
                continue
            lifts = [contents.micrometres(lift) for lift in variant.coefficients.lifts_m]

            def at(
                lift: float, lifts: list[float] = lifts, values: Sequence[float] = values
            ) -> tuple[float | None, bool]:
                """Return a coefficient at a lift, and whether it was measured there."""
                if lift in lifts:
                    return values[lifts.index(lift)], True
                inside = len(lifts) > 1 and lifts[0] <= lift <= lifts[-1]
                return (float(pchip(lifts, values)(lift)) if inside else None), False

            series.append((variant.name, at))
        tables.append(_over_lifts(words, series, contents.main_lifts(result), display, digits=3, side=side))
    return [table for table in tables if table.rows]


def _over_lifts(
    group: str,
    series: Sequence[tuple[str, Callable[[float], tuple[float | None, bool]]]],
    lifts: Sequence[float],
    display: Display,
    *,
    digits: int,
    side: Side | None = None,
    notes: tuple[str, ...] = (),
) -> Table:
    """Return a row a lift and a column a state, of figures each with whether it was measured there."""
    columns = (Column(f"lift, {display.lift}"), *(Column("", group, name) for name, _ in series))
    rows = []
    for lift in lifts if series else ():
        figures = (_figure(numeral(value, digits), known) for value, known in (at(lift) for _, at in series))
        rows.append(Row((Cell(lift_text(lift, display)), *figures), "lift"))
    return Table(f"{group[:1].upper()}{group[1:]}", side, columns, tuple(rows), notes)


def expected_table(side: Side, result: SideComparison, display: Display) -> Table:
    """Return the gain that the minimum areas promise beside the measured one, step by step and lift by lift."""
    steps = [gain for gain in result.steps if gain.expected_from_geometry is not None]
    items = [{contents.micrometres(item.lift_m): item for item in gain.per_lift} for gain in steps]
    rows = []
    for lift in contents.common_lifts(result) if steps else ():
        found = [known.get(lift) for known in items]
        measured = (Cell(NOTHING) if x is None else _figure(signed_figure(x.gain), not x.interpolated) for x in found)
        promised = (Cell(NOTHING if x is None else signed_figure(x.expected)) for x in found)
        rows.append(Row((Cell(lift_text(lift, display)), *measured, *promised), "lift"))
    means = (*(gain.mean_of_gains for gain in steps), *(gain.expected_from_geometry for gain in steps))
    if rows:
        rows.append(Row(_texts("mean", *map(signed_figure, means), style="bold"), "mean", rule=True))
    heads = ("measured, %", "by geometry, %")
    columns = (Column(f"lift, {display.lift}"), *(Column(head, head, gain.to) for head in heads for gain in steps))
    title = "Gain of the step, measured and by geometry"
    return Table(title, side, columns, tuple(rows), (EXPECTED,))


def velocity_table(side: Side, result: SideComparison, display: Display) -> Table:
    """Return the mean velocity in the port, lift by lift, where its cross-section is known."""
    unit, scale = contents.velocity_unit(display)

    def at(variant: VariantFlow, lift: float) -> tuple[float | None, bool]:
        """Return the velocity in the unit shown."""
        value, known = contents.velocity_between(variant, lift)
        return value and value / scale, known

    series = [(v.name, partial(at, v)) for v in result.variants if v.port_velocity_m_s]
    notes = ("Flow at the reference over the port's stated cross-section.",)
    group = f"mean port velocity, {unit}"
    return _over_lifts(group, series, contents.common_lifts(result), display, digits=1, side=side, notes=notes)


def ratio_tables(comparison: Comparison, display: Display) -> list[Table]:
    """Return exhaust flow over intake flow, at equal lift and at equal share of peak lift."""
    pairs = {pair[0].name: pair for pair in contents.ratio_variants(comparison)}
    series = [(name, partial(contents.ratio_between, pair)) for name, pair in pairs.items()]
    words = "exhaust over intake at equal lift"
    at_lift = _over_lifts(words, series, contents.ratio_lifts(comparison), display, digits=2)
    known = {(point.variant, point.at): point.ratio for point in comparison.ratio_at_fraction}
    rows = tuple(
        Row(_texts(percent_figure(at, 0), *(numeral(known.get((name, at)), 2) for name in pairs)))
        for at in sorted({at for _, at in known})
    )
    words = "exhaust over intake at equal share of peak"
    columns = (Column("peak lift, %"), *(Column("", words, name) for name in pairs))
    tables = [at_lift, Table(words.capitalize(), None, columns, rows)]
    return [table for table in tables if table.rows]


def ledger_table(tests: Sequence[CorrectedTest], display: Display, *, pressures: bool = True) -> Table:
    """Return what each correction did, a row per variant and side; with the pressures flowed at, or without."""
    groups: dict[str, dict[str, list[CorrectedTest]]] = {}
    for test in tests:
        groups.setdefault(test.variant, {}).setdefault(test.side or "side unknown", []).append(test)
    corrections = list(dict.fromkeys(line.correction for test in tests for line in test.ledger))
    rows: list[Row] = []
    for variant, sides in groups.items():
        for place, (side, members) in enumerate(sides.items()):
            found = sorted({p.pressure_pa for test in members for p in test.points if p.pressure_pa})
            ends = dict.fromkeys(pressure_words(value, display) for value in (*found[:1], *found[-1:]))
            lines = [line for test in members for line in test.ledger]
            done = (effect_words([line for line in lines if line.correction == name], display) for name in corrections)
            at = [" to ".join(ends) or NOTHING] if pressures else []
            cells = (variant, side, str(len(members)), *at, *done)
            rows.append(Row(_texts(*cells), rule=bool(rows) and place == 0))
    fixed = [NAME, Column("side", left=True), Column("tests"), *([Column("flowed at")] if pressures else [])]
    columns = (*fixed, *(Column(name, left=True) for name in corrections))
    return Table("Corrections, in their order", None, columns, tuple(rows), keys=2)


def effect_words(lines: Sequence[LedgerLine], display: Display) -> str:
    """Write what a correction did, by its lines in some tests: a factor, an offset, or nothing."""
    skipped = sum(line.skipped is not None for line in lines)
    factors = [value for line in lines for value in line.factor or ()]
    offsets = [value for line in lines for value in line.offset_m3_s or ()]
    if skipped == len(lines):
        return NOTHING
    words = ""
    if factors:
        words = "× " + "–".join(dict.fromkeys(f"{value:.4f}" for value in (min(factors), max(factors))))
    if offsets:
        digits = display.flow_digits + 1
        ends = (f"{from_si(value, display.flow):+.{digits}f}" for value in (min(offsets), max(offsets)))
        words = " to ".join(dict.fromkeys(ends)).replace("-", MINUS) + f" {display.flow}"
    if skipped:
        words += f" ({skipped} of {len(lines)} not)"
    return words or NOTHING


def correction_words(tests: Sequence[CorrectedTest]) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Return each correction that was made with its formula, and each that was not made with where and why."""
    made: dict[tuple[str, str], None] = {}
    skipped: Counter[tuple[str, str]] = Counter()
    for test in tests:
        for line in test.ledger:
            if line.skipped is None:
                made[line.correction, line.formula] = None
            else:
                skipped[line.correction, line.skipped] += 1
    reasons = []
    for (name, reason), count in skipped.items():
        where = "any test" if count == len(tests) else f"{count} of {len(tests)} tests"
        reasons.append((name, f"not made in {where}: {reason}"))
    return list(made), reasons


_HORSEPOWER_W = 550 * 0.3048 * 4.4482216152605
"""550 ft·lbf/s, exactly [W] (NIST SP 811, appendix B)."""


def power_figures(values_w: Sequence[float | None], display: Display) -> tuple[float | None, ...]:
    """Return powers in the unit of `contents.power_unit`; None where it does not fire."""
    scale = _HORSEPOWER_W if contents.power_unit(display) == "hp" else 1e3
    return tuple(None if value is None else value / scale for value in values_w)


def engine_table(engine: EngineResult, display: Display) -> Table:
    """Return each state's engine and the peak of its brake estimate, without columns that nothing is known of."""
    size, cubic, digits = ("in³", 0.0254**3, 1) if display.lift == "in" else ("L", 1e-3, 3)
    unit = contents.power_unit(display)
    heads = (
        f"displacement, {size}", f"bore × stroke, {display.diameter}", "compression, ratio",
        f"intake cam, {display.lift}", f"exhaust cam, {display.lift}", f"peak power, {unit}", "at rpm",
    )  # fmt: skip
    rows = []
    for variant in engine.variants:
        cells = [""] * len(heads)
        mine, peak = variant.engine, variant.filling.peak if variant.filling else None
        if mine is not None:
            sizes = (from_si(value, display.diameter) for value in (mine.bore_m, mine.stroke_m))
            cells[0] = numeral(mine.displacement_m3 / cubic, digits)
            cells[1] = " × ".join(numeral(value, display.diameter_digits) for value in sizes)
            cells[2] = numeral(mine.compression_ratio, 2)
        for place, side in enumerate(SIDES):
            cam = variant.cam.get(side)
            if cam is not None:
                cells[3 + place] = f"{lift_text(cam.peak_lift_m, display)}, {cam.closes_deg - cam.opens_deg:.0f}°"
        if peak is not None:
            (power,) = power_figures([peak.brake_power_w], display)
            above = peak.brake_power_w > 0
            cells[5] = ("" if peak.inside else "> ") + numeral(power, 1) if above else NOTHING
            cells[6] = numeral(peak.speed_rpm, 0) if peak.inside and above else NOTHING
        rows.append((variant.name, cells))
    kept = [place for place in range(len(heads)) if any(cells[place] for _, cells in rows)]
    columns = (NAME, *(Column(heads[place]) for place in kept))
    shown = tuple(Row(_texts(name, *(cells[place] for place in kept))) for name, cells in rows)
    return Table("", None, columns, shown if kept else ())


def cam_flow_table(engine: EngineResult, display: Display) -> Table:
    """Return cam-weighted flows, their gains over the first, and the speed at Z = 0.5, a row a state."""
    speeds = {item.to: item.speed_at_half for item in engine.differences}
    gains = {(gain.side, gain.to): gain for gain in engine.cam_weighted_gains if gain.kind != "step"}
    rows = []
    for variant in engine.variants:
        texts = [variant.name]
        for side in SIDES:
            gain = gains.get((side, variant.name))
            texts.append(flow_text(getattr(variant.cam_weighted_mean_flow_m3_s, side), display))
            texts.append("" if gain is None else f"{signed_figure(gain.gain)} {interval_text(gain.u95)}".strip())
        more = speeds.get(variant.name)
        texts.append(numeral(variant.mach.speed_at_half_rpm, 0) if variant.mach else NOTHING)
        rows.append(Row(_texts(*texts, "" if more is None else signed_figure(more))))
    groups = [(f"{side} flow over the cam", head) for side in SIDES for head in (display.flow, "gain, %")]
    groups += [("speed at Z = 0.5", "rpm"), ("speed at Z = 0.5", "change, %")]
    return Table("", None, (NAME, *(Column(head, group) for group, head in groups)), tuple(rows))


_SPEEDS_SHOWN = 12


def speed_tables(engine: EngineResult, display: Display) -> list[Table]:
    """Return what air mass, filling and brake torque change, and the power the air allows, at some of the speeds."""
    over = [item for item in engine.differences if item.speeds_rpm]
    changes: list[tuple[Column, dict[float, str]]] = []
    for item in over:
        series = {"air": item.air_flow, "filling": item.volumetric_efficiency, "brake torque": item.brake_torque}
        if all(abs(a - b) <= 1e-6 for a, b in zip(item.air_flow, item.volumetric_efficiency, strict=True)):
            del series["filling"]
        for head, values in series.items():
            words = ("" if value is None else signed_figure(value) for value in values)
            changes.append((Column(head, state=item.to), dict(zip(item.speeds_rpm, words, strict=True))))
    powers: list[tuple[Column, dict[float, str]]] = []
    for variant in engine.variants:
        if variant.power is not None:
            figures = (numeral(value, 1) for value in power_figures(variant.power.power_w, display))
            powers.append((Column("", state=variant.name), dict(zip(variant.power.speeds_rpm, figures, strict=True))))
    first = over[0].from_ if over else ""
    tables = []
    for title, columns in (
        (f"Change over {first}, % (estimates of a model)", changes),
        (f"Air-limited power, {contents.power_unit(display)} (estimates)", powers),
    ):
        every = sorted({speed for _, known in columns for speed in known})
        # Counted from the highest, where the differences are.
        speeds = every[:: -max(1, -(-len(every) // _SPEEDS_SHOWN))][::-1]
        rows = (
            Row(_texts(numeral(speed, 0), *(known.get(speed) or NOTHING for _, known in columns))) for speed in speeds
        )
        tables.append(Table(title, None, (Column("rpm"), *(column for column, _ in columns)), tuple(rows)))
    return [table for table in tables if table.rows]


BANDS = (
    "Time and share of flow are those of the last state: degrees of crank in the band, share of the open period, and "
    "share of the flow over the cam that passes there. 1 % more flow in a band alone gives that share of 1 % more "
    "cam-weighted mean flow. Mean flow is at the test pressure, averaged over the time in the band."
)


def cam_band_tables(engine: EngineResult, display: Display) -> list[tuple[Table, str]]:
    """Return where each valve spends its time and what flows there, and a sentence on where more flow would pay.

    The last state's, beside the first's where they are the same bands.
    """
    found = []
    for side in SIDES:
        having = [variant for variant in engine.variants if variant.band_times.get(side)]
        if not having:
            continue
        first, last = having[0], having[-1]
        before, bands = first.band_times[side], last.band_times[side]
        edges = [[edge for band in those for edge in (band.from_m, band.to_m)] for those in (before, bands)]
        same = first is not last and len(before) == len(bands)
        same = same and all(abs(a - b) < contents.SAME_M for a, b in zip(*edges, strict=True))
        states = [first, last] if same else [last]
        columns = [Column(f"lift, {display.lift}"), Column("crank, °"), Column("time, %")]
        columns += [Column(display.flow, f"mean flow, {display.flow}", state.name) for state in states]
        columns += [Column("gain, %")] if same else []
        columns.append(Column("share of flow, %"))
        rows = []
        for place, band in enumerate(bands):
            flows = [_band_flow(state, side, state.band_times[side][place]) for state in states]
            old, new = flows[0], flows[-1]
            texts = [contents.band_limits(("", band.from_m, band.to_m), display).removesuffix(f" {display.lift}")]
            texts += [numeral(band.crank_deg, 0), percent_figure(band.share_of_period)]
            texts += [flow_text(flow, display) for flow in flows]
            texts += [signed_figure(new / old - 1 if old and new is not None else None)] if same else []
            rows.append(Row(_texts(*texts, percent_figure(band.share_of_flow))))
        table = Table("Time in bands of lift, and mean flow there", side, tuple(columns), tuple(rows), (BANDS,))
        found.append((table, _where_it_pays(side, last.name, bands, display)))
    return found


def _band_flow(variant: EngineVariant, side: Side, band: BandTime) -> float | None:
    """Mean flow while the valve is in a band: its share of flow over its share of time, of the mean over the cam."""
    mean: float | None = getattr(variant.cam_weighted_mean_flow_m3_s, side)
    if mean is None or band.share_of_flow is None or band.share_of_period <= 0:
        return None
    return band.share_of_flow / band.share_of_period * mean


def _where_it_pays(side: Side, name: str, bands: Sequence[BandTime], display: Display) -> str:
    """Say where on the lift curve more flow would pay."""
    known = [(band.share_of_flow, band) for band in bands if band.share_of_flow is not None]
    if not known:
        return ""
    (smallest, least), (largest, most) = (choose(known, key=itemgetter(0)) for choose in (min, max))
    here, there = (contents.band_limits(("", band.from_m, band.to_m), display) for band in (most, least))
    text = (
        f"{side.capitalize()}, {name}: more flow pays most at {here} of lift, "
        f"where the valve spends {100 * most.share_of_period:.0f} % of its open time and {100 * largest:.0f} % "
        f"of the flow over the cam passes: 1 % more flow there alone gives {largest:.2f} % more over the cam"
    )
    if smallest < largest:
        text += f"; at {there}, where it spends {100 * least.share_of_period:.0f} % of the time, {smallest:.2f} %"
    return text + "."
