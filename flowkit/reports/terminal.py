"""Results as text for a terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any, Literal

from flowkit.analysis.results import Comparison, Gain, LiftGain, SideComparison, VariantFlow
from flowkit.analysis.sentences import cause
from flowkit.drawing import Display
from flowkit.drawing.curves import (
    NOTHING,
    display_of,
    flow_text,
    gain_text,
    interval_text,
    lift_text,
    numeral,
    percent,
    signed_percent,
)
from flowkit.engine.results import EngineDifference, EngineResult
from flowkit.model import Finding, Side
from flowkit.reports.contents import (
    ALL_STEPS,
    BY_GEOMETRY,
    FACTORIAL,
    Bands,
    BandTable,
    all_lifts,
    all_ports,
    band_head,
    band_sentence,
    band_tables,
    band_words,
    bands_of,
    cam_gain_words,
    common_lifts,
    effect_words,
    effects,
    flow_at,
    formulas,
    gains_of_steps,
    has_expected,
    measured,
    power_figures,
    power_unit,
    power_words,
    ratio_between,
    ratio_lifts,
    ratio_variants,
    share_words,
    skipped_reasons,
    spaced,
    told,
    velocity_between,
    velocity_unit,
)
from flowkit.reports.labels import (
    method_words,
    not_assessed_words,
    port_text,
    pressure_words,
    printable,
    resolved_words,
    sides_of,
)
from flowkit.units import from_si

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
    from rich.table import Table

    from flowkit.corrections import CorrectionResult
    from flowkit.importers import ReadResult

Parts = tuple["RenderableType", ...]
_STYLES = {"error": "bold red", "warning": "yellow", "note": "dim"}


def plain_text(words: object, style: str = "") -> Any:
    """Return words that are printed as they stand, markup signs included."""
    from rich.text import Text

    return Text(printable(words), style=style)


def plain_table(*heads: tuple[str, str]) -> Table:
    """Return an empty table: heads with their alignment, one rule under them."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    for head, justify in heads:
        table.add_column(plain_text(head), justify=justify, overflow="fold")  # type: ignore[arg-type]
    return table


def findings_text(findings: Sequence[Finding]) -> Parts:
    """Return findings for a terminal: errors first, then warnings, then notes."""
    parts = []
    for severity in ("error", "warning", "note"):
        for finding in dict.fromkeys(findings):
            if finding.severity == severity:
                line = plain_text(severity, _STYLES[severity])
                line.append(f"  {printable(finding.where)}", style="bold")
                line.append(f"  {printable(finding.message)} [{finding.rule}]")
                parts.append(line)
    return tuple(parts)


Block = list[tuple[str, list[Any]]]
"""Columns that stay together: each its head and its cells."""


class WideTable:
    """Columns beside the names of their rows, split where the terminal is narrow."""

    def __init__(
        self,
        title: str,
        labels: Sequence[str],
        blocks: Sequence[Block],
        *,
        rules: Iterable[int] = (),
        names: Literal["right", "left"] = "right",
        notes: str = "",
    ) -> None:
        self.title = title
        self.labels = labels
        self.blocks = blocks
        self.rules = set(rules)
        self.names = names
        self.notes = notes

    def _tables(self, width: int) -> Iterable[Table]:
        """Yield tables that fit a width, whole blocks in each."""
        first = max(len(label) for label in self.labels) + 2
        waiting: Block = []
        used = first
        for block in self.blocks:
            need = sum(max(*(len(cell) for cell in cells), _longest_word(head)) + 2 for head, cells in block)
            if waiting and used + need > width:
                yield self._one(waiting)
                waiting, used = [], first
            waiting += block
            used += need
        yield self._one(waiting)

    def _one(self, columns: Block) -> Table:
        """Make one table of some columns."""
        table = plain_table((self.labels[0], self.names), *((head, "right") for head, _ in columns))
        for row, label in enumerate(self.labels[1:]):
            table.add_row(plain_text(label), *(cells[row] for _, cells in columns), end_section=row in self.rules)
        return table

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        if self.title:
            yield plain_text(self.title, "bold")
        for place, table in enumerate(self._tables(options.max_width)):
            if place:
                yield plain_text("")
            yield table
        if self.notes:
            yield plain_text("")
            yield plain_text(self.notes, "dim")


def _longest_word(text: str) -> int:
    """Return the length of the longest word."""
    return max(map(len, text.split()), default=0)


def reading_text(result: ReadResult, display: str = "US") -> Parts:
    """Return what was understood of a sheet for a terminal: a row a test, then the findings."""
    units = display_of(display)
    table = plain_table(
        ("variant", "left"), ("side", "left"), ("port", "left"), ("run", "right"), ("points", "right"),
        ("lifts", "left"), ("flows", "left"), ("pressure", "left"), ("bore", "left"),
    )  # fmt: skip
    for test in result.tests:
        lifts = [point.lift_m for point in test.points]
        flows = [point.flow_m3_s for point in test.points]
        pressures = {test.pressure_at(point) for point in test.points}
        bore = test.conditions.fixture_bore_m
        table.add_row(
            plain_text(test.variant),
            plain_text(test.side or "?"),
            plain_text(test.port or NOTHING),
            str(test.run),
            str(len(test.points)),
            plain_text(_range(lifts, test.units.lift.unit, test.units.lift.source)),
            plain_text(_range(flows, test.units.flow.unit, test.units.flow.source)),
            plain_text(
                ", ".join("missing" if p is None else pressure_words(p, units) for p in sorted(pressures, key=str))
            ),
            plain_text(NOTHING if bore is None else _bore(bore, test.units.lift.unit)),
        )
    files = list(dict.fromkeys(test.file for test in result.tests))
    count = f"{len(result.tests)} test" + ("s" if len(result.tests) != 1 else "")
    head = [plain_text(f"{', '.join(files)}: {count}" if files else "no tests", "bold")]
    return (*head, *([table] if result.tests else []), *findings_text(result.findings), "")


def _bore(bore_m: float, lift_unit: str) -> str:
    """Write a bore in inches where the sheet's lifts are in inches, in millimetres else."""
    unit, digits = ("in", 3) if lift_unit in ("in", "thou") else ("mm", 2)
    return f"{numeral(from_si(bore_m, unit), digits)} {unit}"


def _range(values: Sequence[float], unit: str, source: str) -> str:
    """Write the smallest and largest of SI values in the unit the sheet was written in."""
    from flowkit.units import UNITS

    known = UNITS.get(unit)
    plain = known is not None and known.quantity in ("length", "flow")
    if not values or not plain:
        text = unit
    else:
        low, high = (f"{from_si(value, unit):.4g}" for value in (min(values), max(values)))
        text = f"{low}–{high} {unit}"
    return text if source == "stated" else f"{text} ({source})"


def correction_text(result: CorrectionResult, display: str = "US") -> Parts:
    """Return corrected flows and how they got there, for a terminal."""
    units = display_of(display)
    parts: list[RenderableType] = [
        plain_text(
            f"Flows at {pressure_words(result.reference.pressure_pa, units)}, {result.reference.pressure_law} law.",
            "dim",
        )
    ]
    names = list(dict.fromkeys(line.correction for test in result.tests for line in test.ledger))
    table = plain_table(("variant", "left"), ("side", "left"), ("tests", "right"), *((name, "left") for name in names))
    for variant, side, count, items in told(result.tests):
        cells = [plain_text(effect_words(items.get(name), units)) for name in names]
        table.add_row(plain_text(variant), plain_text(side), str(count), *cells)
    parts += ["", table, ""] if result.tests else []
    parts += [plain_text(f"{name}: {formula}") for name, formula in formulas(result.tests)]
    for name, reason, count in skipped_reasons(result.tests):
        parts.append(plain_text(f"{name}: not made in {count} of {len(result.tests)} tests, {reason}", "dim"))
    parts.append("")
    parts.append(_points_table(result, units))
    found = findings_text(result.findings)
    return (*parts, *(["", *found] if found else []))


def _points_table(result: CorrectionResult, display: Display) -> Table:
    """Return a row a point: as read, the pressure it was read at, and at the reference."""
    table = plain_table(
        ("test", "left"), (f"lift, {display.lift}", "right"), (f"read, {display.flow}", "right"),
        ("at, inH2O", "right"), (f"corrected, {display.flow}", "right"),
    )  # fmt: skip
    for test in result.tests:
        for place, point in enumerate(test.points):
            table.add_row(
                plain_text(test.id if place == 0 else ""),
                lift_text(point.lift_m, display),
                flow_text(point.reading_m3_s, display),
                numeral(None if point.pressure_pa is None else from_si(point.pressure_pa, "inH2O"), 1),
                flow_text(point.flow_m3_s, display),
                end_section=place == len(test.points) - 1,
            )
    return table


_SHOWN = 5
"""Lifts of a compact table."""
_BETWEEN = "~ between measured lifts."


def further_of_side(result: SideComparison, display: Display) -> Parts:
    """Return what there is to say of a side beyond its table and the worth of each step."""
    bands = band_tables(result)
    parts = [
        *(_further_bands(table, display, last=table is bands[-1]) for table in bands),
        *_figures(result, display),
        *_factorial(result),
        *_velocity(result, display),
    ]
    return tuple(item for part in parts for item in ("", part))


def _label(name: str | None) -> str:
    """Return what a row is called."""
    return ALL_STEPS if name is None else printable(name)


def _further_bands(table: BandTable, display: Display, *, last: bool) -> WideTable:
    """Return mean flow of every variant and gain of every step, band by band."""
    gained = any(gain is not None for row in table.rows for gain in row.gains)
    blocks: list[Block] = []
    for place, limit in enumerate(table.limits):
        flows = [row.flows_m3_s[place] for row in table.rows]
        cells = ["" if flow is None else flow_text(flow, display) for flow in flows]
        block: Block = [(band_head(limit, display), cells)]
        if gained:
            gains = [row.gains[place] for row in table.rows]
            block.append(("step %", ["" if gain is None else signed_percent(gain) for gain in gains]))
        blocks.append(block)
    labels = [f"mean flow by band of lift, {display.flow}", *(_label(row.variant) for row in table.rows)]
    return WideTable("", labels, blocks, notes=band_words(table) if last else "", names="left")


def _figures(result: SideComparison, display: Display) -> list[WideTable]:
    """Return the further figures of every step's gain."""
    gains = gains_of_steps(result)
    top = f"at {lift_text(result.range_m[1], display)} {display.lift}"
    if not gains or result.range_m[1] <= result.range_m[0]:
        return []

    def column(head: str, cell: Callable[[Gain], str]) -> tuple[str, list[str]]:
        """Return a column, a cell a gain."""
        return head, [cell(gain) for _, gain in gains]

    blocks: list[Block] = [[column("mean of lifts", lambda gain: signed_percent(gain.mean_of_gains))]]
    notes = ""
    if has_expected(result):
        blocks[0].append(column("by geometry", lambda gain: signed_percent(gain.expected_from_geometry)))
        notes = BY_GEOMETRY
    at = f"at {display.lift}"
    blocks += [
        [column(top, lambda gain: signed_percent(gain.gain_at_top_lift))],
        [
            column("largest", lambda gain: signed_percent(gain.largest.gain)),
            column(at, lambda gain: lift_text(gain.largest.lift_m, display)),
        ],
        [
            column("smallest", lambda gain: signed_percent(gain.smallest.gain)),
            column(at, lambda gain: lift_text(gain.smallest.lift_m, display)),
        ],
    ]
    if len(gains) > 1 and any(gain.share_of_total is not None for _, gain in gains):
        blocks.append([column("of the total %", share_words)])
    return [
        WideTable("", ["gain of the step, %", *(_label(name) for name, _ in gains)], blocks, notes=notes, names="left")
    ]


def _factorial(result: SideComparison) -> list[WideTable]:
    """Return main effects and interaction of every two factors whose four corners were tested."""
    rows = [row for found in result.interactions for row in effects(found)]
    if not rows:
        return []
    labels = ["factorial, mean flow", *(printable(row.name) for row in rows)]
    told = [f"{signed_percent(row.gain)} {interval_text(row.u95)}".strip() for row in rows]
    return [WideTable("", labels, [[("%", told)]], notes=FACTORIAL, names="left")]


def _velocity(result: SideComparison, display: Display) -> list[WideTable]:
    """Return the mean velocity in the port at some lifts."""
    variants = [variant for variant in result.variants if variant.port_velocity_m_s]
    lifts = spaced(common_lifts(result), _SHOWN)
    unit, scale = velocity_unit(display)
    if not variants or not lifts:
        return []
    rows = [[velocity_between(variant, lift) for lift in lifts] for variant in variants]
    cells = [[_marked(value and value / scale, known, 1) for value, known in row] for row in rows]
    names = [printable(variant.name) for variant in variants]
    return [_at_lifts(f"mean port velocity, {unit}", names, lifts, cells, display)]


def _marked(value: float | None, known: bool, digits: int) -> str:
    """Write a number, marked where it lies between measured lifts."""
    if value is None:
        return NOTHING
    return numeral(value, digits) if known else "~" + numeral(value, digits)


def _at_lifts(
    head: str, names: Sequence[str], lifts: Sequence[float], cells: Sequence[Sequence[str]], display: Display
) -> WideTable:
    """Return a row a variant and a column a lift."""
    blocks: list[Block] = [
        [(f"at {lift_text(lift, display)} {display.lift}", [row[place] for row in cells])]
        for place, lift in enumerate(lifts)
    ]
    between = any(cell.startswith("~") for row in cells for cell in row)
    return WideTable("", [head, *names], blocks, notes=_BETWEEN if between else "", names="left")


def ratio_text(comparison: Comparison, display: Display) -> Parts:
    """Return exhaust flow over intake flow, at equal lift and at equal share of peak lift."""
    pairs = ratio_variants(comparison)
    lifts = spaced(ratio_lifts(comparison), _SHOWN)
    parts: list[WideTable] = []
    if pairs and lifts:
        rows = [[ratio_between(pair, lift) for lift in lifts] for pair in pairs]
        cells = [[_marked(value, known, 2) for value, known in row] for row in rows]
        names = [printable(intake.name) for intake, _ in pairs]
        parts.append(_at_lifts("exhaust over intake at equal lift", names, lifts, cells, display))
    points = comparison.ratio_at_fraction
    shares = spaced(sorted({point.at for point in points}), _SHOWN)
    if shares:
        known = {(point.variant, point.at): point.ratio for point in points}
        names = list(dict.fromkeys(point.variant for point in points))
        blocks: list[Block] = [
            [(f"{percent(at, 0)} %", [numeral(known.get((name, at)), 2) for name in names])] for at in shares
        ]
        parts.append(
            WideTable("", ["exhaust over intake, share of peak lift", *map(printable, names)], blocks, names="left")
        )
    if not parts:
        return ()
    return tuple(item for part in parts for item in ("", part))[1:]


def sentences_text(comparison: Comparison) -> Parts:
    """Return what the comparison says in words, a line each."""
    return tuple(plain_text(sentence) for sentence in comparison.sentences)


def _side_table(side: Side, result: SideComparison, display: Display) -> WideTable:
    """Return one side's flows and gains over the first."""
    return WideTable(
        side.capitalize(),
        _labels(result, display),
        _blocks(result, display),
        rules=_rules(result),
        notes=_table_notes(result),
    )


def _labels(result: SideComparison, display: Display) -> list[str]:
    """Return the head and the labels of all rows."""
    lifts = [lift_text(lift, display) for lift in all_lifts(result)]
    ports = [port_text(printable(port)) for port in all_ports(result)]
    return [f"lift, {display.lift}", *lifts, "mean flow", f"area, {display.flow}·{display.lift}", *ports, "spread, %"]


def _rules(result: SideComparison) -> set[int]:
    """Return the rows that have a rule under them."""
    lifts = len(all_lifts(result))
    return {lifts - 1, lifts + 1}


def _blocks(result: SideComparison, display: Display) -> list[Block]:
    """Return each variant's columns: its flows, and its gains over the first."""
    totals = {gain.to: gain for gain in result.totals}
    blocks = []
    for variant in result.variants:
        name = printable(variant.name)
        block: Block = [(f"{name} {display.flow}", _flow_cells(variant, result, display))]
        if variant.name in totals:
            block.append(("gain %", _gain_cells(totals[variant.name], result)))
        blocks.append(block)
    return blocks


def _flow_cells(variant: VariantFlow, result: SideComparison, display: Display) -> list[Any]:
    """Return a variant's flows, mean, area, port means and spread."""
    known = measured(variant)
    ports = {port.port: port.mean_flow_m3_s for port in variant.ports}
    low, high = result.range_m
    # Under a single lift there is no area, which is another thing than an area of nothing.
    area = from_si(1.0, display.flow) * from_si(1.0, display.lift) * variant.curve_area_m4_s if high > low else None
    return [
        *(plain_text(_flow(variant, known, lift, display)) for lift in all_lifts(result)),
        plain_text(flow_text(variant.mean_flow_m3_s, display), "bold"),
        plain_text(numeral(area, display.flow_digits)),
        *(plain_text(flow_text(ports.get(port), display)) for port in all_ports(result)),
        plain_text(percent(variant.port_spread)),
    ]


def _flow(variant: VariantFlow, known: dict[float, float], lift: float, display: Display) -> str:
    """Write the flow at a lift, marked where it was not measured there."""
    if lift in known:
        return flow_text(known[lift], display)
    between = flow_at(variant, lift)
    return NOTHING if between is None else "~" + flow_text(between, display)


def _gain_cells(gain: Gain, result: SideComparison) -> list[Any]:
    """Return a variant's gains over the first; those the bench cannot tell from nothing are dim."""
    per_lift = {round(item.lift_m, 6): item for item in gain.per_lift}
    ports = {item.port: item.mean_flow_gain for item in gain.ports}
    halves = [item.u95 for item in gain.per_lift] + [gain.mean_flow_gain_u95]
    room = max((len(percent(half)) for half in halves if half is not None), default=0)
    style = "dim" if gain.resolved is False else "bold"
    return [
        *(_gain_cell(per_lift.get(lift), room) for lift in all_lifts(result)),
        plain_text(_with_interval(gain.mean_flow_gain, gain.mean_flow_gain_u95, room), style),
        plain_text(""),
        *(plain_text(_with_interval(ports.get(port), None, room)) for port in all_ports(result)),
        plain_text(""),
    ]


def _with_interval(gain: float | None, u95: float | None, room: int) -> Any:
    """Write a gain with its interval, aligned on the decimal and on the sign ±."""
    half = f" ± {percent(u95):>{room}}" if u95 is not None else " " * (room + 3 if room else 0)
    return signed_percent(gain) + half


def _gain_cell(item: LiftGain | None, room: int) -> Any:
    """Return the gain at one lift."""
    if item is None:
        return plain_text(_with_interval(None, None, room))
    dim = item.u95 is not None and abs(item.gain) <= item.u95
    mark = "~" if item.interpolated else ""
    return plain_text(mark + _with_interval(item.gain, item.u95, room), "dim" if dim else "")


def _table_notes(result: SideComparison) -> str:
    """Say what the marks in the table mean, where there are any."""
    items = [item for gain in result.totals for item in gain.per_lift]
    notes = [f"Gains over {printable(result.variants[0].name)}."] if result.totals else []
    if any(item.interpolated for item in items):
        notes.append("~ between measured lifts.")
    return " ".join(notes)


def _steps_table(result: SideComparison) -> Table | None:
    """Return what each step, and all together, were worth."""
    if not result.steps:
        return None
    table = plain_table(("gain in mean flow", "left"), ("", "right"), ("what changed", "left"), ("", "left"))
    rows = [(f"{gain.from_} → {gain.to}", gain) for gain in result.steps]
    if len(result.steps) > 1:
        last = result.totals[-1]
        rows.append((f"all: {last.from_} → {last.to}", last))
    for name, gain in rows:
        style = "dim" if gain.resolved is False else ""
        figure = gain_text(gain.mean_flow_gain, gain.mean_flow_gain_u95)
        table.add_row(
            plain_text(name, style),
            plain_text(figure, style),
            plain_text(cause(gain), style),
            plain_text(resolved_words(gain), style),
        )
    return table


def comparison_text(comparison: Comparison, display: str = "US") -> Parts:
    """Return a comparison for a terminal."""
    units = display_of(display)
    law = f"{comparison.reference.pressure_law} law"
    where = f"Flows at {pressure_words(comparison.reference.pressure_pa, units)}, {law}."
    parts: list[RenderableType] = [plain_text(f"{where} {method_words(comparison, units)}", "dim"), ""]
    for side, result in sides_of(comparison):
        parts.append(_side_table(side, result, units))
        steps = _steps_table(result)
        if steps is not None:
            parts += ["", steps]
        reasons = dict.fromkeys(gain.not_assessed_because for gain in result.gains if gain.not_assessed_because)
        parts += [plain_text(not_assessed_words(reason)) for reason in reasons]
        parts += [*further_of_side(result, units), ""]
    ratio = ratio_text(comparison, units)
    parts += [*ratio, ""] if ratio else []
    found = findings_text(comparison.findings)
    parts += [*found, ""] if found else []
    return (*parts, *sentences_text(comparison))


SPEEDS_SHOWN = 12


def engine_text(result: EngineResult, display: str = "US") -> Parts:
    """Return what the flows mean for the engine, for a terminal."""
    units = display_of(display)
    parts = [plain_text(result.prediction, "bold"), ""] if result.prediction else []
    parts += [_variants(result, units), ""]
    over = [item for item in result.differences if item.kind != "step" and item.speeds_rpm]
    if over:
        parts += [plain_text(f"Over {over[0].from_}, % (estimates of a model)", "bold"), _changes(over), ""]
    parts += _power(result, units)
    for bands in bands_of(result, units):
        parts += [*_engine_bands(bands, units), ""]
    parts += [plain_text(sentence) for sentence in result.sentences]
    assumed = [f"{item.name} {item.value}" for item in result.assumptions if item.source == "assumed"]
    stated = [f"{item.name} {item.value}" for item in result.assumptions if item.source == "stated"]
    parts.append("")
    for word, items in (("Assumed", assumed), ("Stated", stated)):
        if items:
            parts.append(plain_text(f"{word}: {'; '.join(items)}.", "dim"))
    notes = [note for note in (*result.model_notes, result.no_wave_effects) if note]
    parts += [plain_text(note, "dim") for note in notes]
    parts += [plain_text(caution) for caution in result.cautions]
    found = findings_text(result.findings)
    return (*parts, *(["", *found] if found else []))


def _variants(result: EngineResult, display: Display) -> Table:
    """Return a row a variant."""
    table = plain_table(
        ("variant", "left"), (f"cam-weighted intake {display.flow}", "right"), ("gain %", "right"),
        (f"exhaust {display.flow}", "right"), ("gain %", "right"), ("rpm at Z = 0.5", "right"), ("change %", "right"),
    )  # fmt: skip
    speeds = {item.to: item.speed_at_half for item in result.differences if item.kind != "step"}
    for variant in result.variants:
        flows, more = variant.cam_weighted_mean_flow_m3_s, speeds.get(variant.name)
        table.add_row(
            plain_text(variant.name),
            flow_text(flows.intake, display),
            cam_gain_words(result, "intake", variant.name),
            flow_text(flows.exhaust, display),
            cam_gain_words(result, "exhaust", variant.name),
            NOTHING if variant.mach is None else numeral(variant.mach.speed_at_half_rpm, 0),
            "" if more is None else signed_percent(more),
        )
    return table


def _changes(over: list[EngineDifference]) -> Table:
    """Return what filling and torque change, at some of the speeds."""
    heads = [("rpm", "right")]
    for item in over:
        heads += [(f"{item.to} filling", "right"), ("torque", "right")]
    table = plain_table(*heads)
    speeds = over[0].speeds_rpm
    for place in _places(len(speeds)):
        cells = [numeral(speeds[place], 0)]
        for item in over:
            cells += [signed_percent(item.volumetric_efficiency[place]), signed_percent(item.indicated_torque[place])]
        table.add_row(*cells)
    return table


def _places(count: int) -> list[int]:
    """Return which of so many speeds are shown, counted from the highest, where the differences are."""
    step = -(-count // SPEEDS_SHOWN)
    return sorted(range(count - 1, -1, -step)) if count else []


def _power(result: EngineResult, display: Display) -> Parts:
    """Return the power the air allows, at some of the speeds, and every assumption behind it."""
    having = [variant for variant in result.variants if variant.power is not None]
    if not having or having[0].power is None:
        return ()
    speeds = having[0].power.speeds_rpm
    table = plain_table(("rpm", "right"), *((variant.name, "right") for variant in having))
    figures = [power_figures(variant, display) for variant in having]
    for place in _places(len(speeds)):
        table.add_row(numeral(speeds[place], 0), *(numeral(powers[place], 1) for powers in figures))
    title = plain_text(f"Air-limited power, {power_unit(display)} (estimates)", "bold")
    return (title, table, plain_text(power_words(result), "dim"), "")


def _engine_bands(bands: Bands, display: Display) -> Parts:
    """Return where one side's valve spends its time, and where more flow would pay."""
    before = [] if bands.before is None else [(f"{bands.before} {display.flow}", "right")]
    gain = [] if bands.before is None else [("gain %", "right")]
    table = plain_table(
        (f"lift {display.lift}", "right"), ("crank °", "right"), ("time %", "right"), *before,
        (f"{bands.after} {display.flow}", "right"), *gain, ("share of flow %", "right"),
    )  # fmt: skip
    for row in bands.rows:
        cells = [row.lift, numeral(row.time.crank_deg, 0), percent(row.time.share_of_period)]
        cells += [flow_text(row.before_m3_s, display)] if before else []
        cells.append(flow_text(row.after_m3_s, display))
        cells += [NOTHING if row.gain is None else signed_percent(row.gain)] if gain else []
        table.add_row(*cells, percent(row.time.share_of_flow))
    title = plain_text(f"{bands.side.capitalize()}: time in bands of lift, and mean flow there", "bold")
    sentence = band_sentence(bands, display, repr(bands.after))
    return (title, table, *((plain_text(sentence),) if sentence else ()))
