"""Results on a terminal: pure functions that give what rich prints, plain text when piped.

Nothing here prints, and nothing from a sheet is ever taken for markup.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from flowkit.analysis.results import Comparison, Gain, LiftGain, SideComparison, VariantFlow
from flowkit.analysis.wording import cause
from flowkit.drawing import Display
from flowkit.model import Finding, Side
from flowkit.reports.flows import all_lifts, flow_at, measured
from flowkit.reports.labels import (
    NOTHING,
    display_of,
    flow_text,
    gain_text,
    lift_text,
    method_words,
    numeral,
    percent,
    port_text,
    pressure_words,
    resolved_words,
    sides_of,
    signed_percent,
)
from flowkit.reports.ledger import effect_words, formulas, skipped_reasons, told
from flowkit.reports.plain import comparison_csv, comparison_html, printable
from flowkit.units import from_si

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
    from rich.table import Table

    from flowkit.corrections import CorrectionResult
    from flowkit.importers import ReadResult

__all__ = [
    "comparison_csv",
    "comparison_html",
    "comparison_text",
    "correction_text",
    "findings_text",
    "reading_text",
    "sentences_text",
]

Parts = tuple["RenderableType", ...]
_STYLES = {"error": "bold red", "warning": "yellow", "note": "dim"}


def _text(words: object, style: str = "") -> Any:
    """Return words that are printed as they stand, markup signs included."""
    from rich.text import Text

    return Text(printable(words), style=style)


def _table(*heads: tuple[str, str]) -> Table:
    """Return an empty table: heads with their alignment, one rule under them."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    for head, justify in heads:
        table.add_column(_text(head), justify=justify, overflow="fold")  # type: ignore[arg-type]
    return table


def findings_text(findings: Sequence[Finding]) -> Parts:
    """Return findings for a terminal: errors first, then warnings, then notes.

    Parameters
    ----------
    findings : sequence of Finding

    Returns
    -------
    tuple of rich renderables
        Empty where there is nothing doubtful.
    """
    parts = []
    for severity in ("error", "warning", "note"):
        for finding in dict.fromkeys(findings):
            if finding.severity == severity:
                line = _text(severity, _STYLES[severity])
                line.append(f"  {printable(finding.where)}", style="bold")
                line.append(f"  {printable(finding.message)} [{finding.rule}]")
                parts.append(line)
    return tuple(parts)


def sentences_text(comparison: Comparison) -> Parts:
    """Return what the comparison says in words, a line each."""
    return tuple(_text(sentence) for sentence in comparison.sentences)


class _SideTable:
    """One side's table, split into as many as the terminal is wide."""

    def __init__(self, side: Side, result: SideComparison, display: Display) -> None:
        self.side = side
        self.labels = _labels(result, display)
        self.blocks = _blocks(result, display)
        self.rules = _rules(result)
        self.notes = _table_notes(result)

    def _tables(self, width: int) -> Iterable[Table]:
        """Yield tables that fit a width, whole variants in each."""
        first = max(len(label) for label in self.labels) + 2
        waiting: list[tuple[str, str, list[Any]]] = []
        used = first
        for block in self.blocks:
            need = sum(max(*(len(cell) for cell in cells), _longest_word(head)) + 2 for head, _, cells in block)
            if waiting and used + need > width:
                yield self._one(waiting)
                waiting, used = [], first
            waiting += block
            used += need
        yield self._one(waiting)

    def _one(self, columns: Sequence[tuple[str, str, list[Any]]]) -> Table:
        """Make one table of some columns."""
        table = _table((self.labels[0], "right"), *((head, "right") for head, _, _ in columns))
        for row, label in enumerate(self.labels[1:]):
            cells = [cells[row] for _, _, cells in columns]
            table.add_row(_text(label), *cells, end_section=row in self.rules)
        return table

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield _text(self.side.capitalize(), "bold")
        for table in self._tables(options.max_width):
            yield table
            yield _text("")
        if self.notes:
            yield _text(self.notes, "dim")


def _longest_word(text: str) -> int:
    """Return the length of the longest word."""
    return max(map(len, text.split()), default=0)


def _ports(result: SideComparison) -> list[str]:
    """Return the ports of any variant, in their order."""
    return list(dict.fromkeys(port.port for variant in result.variants for port in variant.ports))


def _labels(result: SideComparison, display: Display) -> list[str]:
    """Return the head and the labels of all rows."""
    lifts = [lift_text(lift, display) for lift in all_lifts(result)]
    ports = [port_text(printable(port)) for port in _ports(result)]
    return [f"lift, {display.lift}", *lifts, "mean flow", f"area, {display.flow}·{display.lift}", *ports, "spread, %"]


def _rules(result: SideComparison) -> set[int]:
    """Return the rows that have a rule under them."""
    lifts = len(all_lifts(result))
    return {lifts - 1, lifts + 1}


def _blocks(result: SideComparison, display: Display) -> list[list[tuple[str, str, list[Any]]]]:
    """Return each variant's columns: its flows, and its gains over the first."""
    totals = {gain.to: gain for gain in result.totals}
    blocks = []
    for variant in result.variants:
        name = printable(variant.name)
        block = [(f"{name} {display.flow}", "right", _flow_cells(variant, result, display))]
        if variant.name in totals:
            block.append(("gain %", "right", _gain_cells(totals[variant.name], result)))
        blocks.append(block)
    return blocks


def _flow_cells(variant: VariantFlow, result: SideComparison, display: Display) -> list[Any]:
    """Return a variant's flows, mean, area, port means and spread."""
    known = measured(variant)
    ports = {port.port: port.mean_flow_m3_s for port in variant.ports}
    area = from_si(1.0, display.flow) * from_si(1.0, display.lift) * variant.curve_area_m4_s
    return [
        *(_text(_flow(variant, known, lift, display)) for lift in all_lifts(result)),
        _text(flow_text(variant.mean_flow_m3_s, display), "bold"),
        _text(numeral(area, display.flow_digits)),
        *(_text(flow_text(ports.get(port), display)) for port in _ports(result)),
        _text(percent(variant.port_spread)),
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
        _text(_with_interval(gain.mean_flow_gain, gain.mean_flow_gain_u95, room), style),
        _text(""),
        *(_text(_with_interval(ports.get(port), None, room)) for port in _ports(result)),
        _text(""),
    ]


def _with_interval(gain: float | None, u95: float | None, room: int) -> Any:
    """Write a gain with its interval, aligned on the decimal and on the sign ±."""
    half = f" ± {percent(u95):>{room}}" if u95 is not None else " " * (room + 3 if room else 0)
    return signed_percent(gain) + half


def _gain_cell(item: LiftGain | None, room: int) -> Any:
    """Return the gain at one lift."""
    if item is None:
        return _text(_with_interval(None, None, room))
    dim = item.u95 is not None and abs(item.gain) <= item.u95
    mark = "~" if item.interpolated else ""
    return _text(mark + _with_interval(item.gain, item.u95, room), "dim" if dim else "")


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
    table = _table(("gain in mean flow", "left"), ("", "right"), ("what changed", "left"), ("", "left"))
    rows = [(f"{gain.from_} → {gain.to}", gain) for gain in result.steps]
    if len(result.steps) > 1:
        last = result.totals[-1]
        rows.append((f"all: {last.from_} → {last.to}", last))
    for name, gain in rows:
        style = "dim" if gain.resolved is False else ""
        figure = gain_text(gain.mean_flow_gain, gain.mean_flow_gain_u95)
        table.add_row(
            _text(name, style), _text(figure, style), _text(cause(gain), style), _text(resolved_words(gain), style)
        )
    return table


def comparison_text(comparison: Comparison, display: str = "US") -> Parts:
    """Return a comparison for a terminal.

    Parameters
    ----------
    comparison : Comparison
    display : {"US", "metric"}, optional
        The units shown.

    Returns
    -------
    tuple of rich renderables
        Per side the table of flows and gains and what each step was worth; then the findings,
        and the sentences at the end.

    Raises
    ------
    FlowkitError
        If there is no such display.
    """
    units = display_of(display)
    law = f"{comparison.reference.pressure_law} law"
    where = f"Flows at {pressure_words(comparison.reference.pressure_pa, units)}, {law}."
    parts: list[RenderableType] = [_text(f"{where} {method_words(comparison, units)}", "dim"), ""]
    for side, result in sides_of(comparison):
        parts.append(_SideTable(side, result, units))
        steps = _steps_table(result)
        if steps is not None:
            parts += ["", steps]
        reasons = dict.fromkeys(gain.not_assessed_because for gain in result.gains if gain.not_assessed_because)
        parts += [_text(f"Intervals not assessed: {reason}") for reason in reasons]
        parts.append("")
    found = findings_text(comparison.findings)
    parts += [*found, ""] if found else []
    return (*parts, *sentences_text(comparison))


def reading_text(result: ReadResult, display: str = "US") -> Parts:
    """Return what was understood of a sheet for a terminal: a row a test, then the findings.

    Parameters
    ----------
    result : ReadResult
    display : {"US", "metric"}, optional
        For diameters; lifts and flows are shown in the sheet's own units.
    """
    units = display_of(display)
    table = _table(
        ("variant", "left"), ("side", "left"), ("port", "left"), ("run", "right"), ("points", "right"),
        ("lifts", "left"), ("flows", "left"), ("pressure", "left"), ("bore", "left"),
    )  # fmt: skip
    for test in result.tests:
        lifts = [point.lift_m for point in test.points]
        flows = [point.flow_m3_s for point in test.points]
        pressures = {test.pressure_at(point) for point in test.points}
        bore = test.conditions.fixture_bore_m
        table.add_row(
            _text(test.variant),
            _text(test.side or "?"),
            _text(test.port or NOTHING),
            str(test.run),
            str(len(test.points)),
            _text(_range(lifts, test.units.lift.unit, test.units.lift.source)),
            _text(_range(flows, test.units.flow.unit, test.units.flow.source)),
            _text(", ".join("missing" if p is None else pressure_words(p, units) for p in sorted(pressures, key=str))),
            _text(NOTHING if bore is None else f"{numeral(from_si(bore, units.diameter), 2)} {units.diameter}"),
        )
    files = list(dict.fromkeys(test.file for test in result.tests))
    count = f"{len(result.tests)} test" + ("s" if len(result.tests) != 1 else "")
    head = [_text(f"{', '.join(files)}: {count}" if files else "no tests", "bold")]
    return (*head, *([table] if result.tests else []), *findings_text(result.findings), "")


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
    """Return corrected flows and how they got there, for a terminal.

    Parameters
    ----------
    result : CorrectionResult
    display : {"US", "metric"}, optional
    """
    units = display_of(display)
    parts: list[RenderableType] = [
        _text(
            f"Flows at {pressure_words(result.reference.pressure_pa, units)}, {result.reference.pressure_law} law.",
            "dim",
        )
    ]
    names = list(dict.fromkeys(line.correction for test in result.tests for line in test.ledger))
    table = _table(("variant", "left"), ("side", "left"), ("tests", "right"), *((name, "left") for name in names))
    for variant, side, count, items in told(result.tests):
        cells = [_text(effect_words(items.get(name), units)) for name in names]
        table.add_row(_text(variant), _text(side), str(count), *cells)
    parts += ["", table, ""] if result.tests else []
    parts += [_text(f"{name}: {formula}") for name, formula in formulas(result.tests)]
    for name, reason, count in skipped_reasons(result.tests):
        parts.append(_text(f"{name}: not made in {count} of {len(result.tests)} tests, {reason}", "dim"))
    parts.append("")
    parts.append(_points_table(result, units))
    found = findings_text(result.findings)
    return (*parts, *(["", *found] if found else []))


def _points_table(result: CorrectionResult, display: Display) -> Table:
    """Return a row a point: as read, the pressure it was read at, and at the reference."""
    table = _table(
        ("test", "left"), (f"lift, {display.lift}", "right"), (f"read, {display.flow}", "right"),
        ("at, inH2O", "right"), (f"corrected, {display.flow}", "right"),
    )  # fmt: skip
    for test in result.tests:
        for place, point in enumerate(test.points):
            table.add_row(
                _text(test.id if place == 0 else ""),
                lift_text(point.lift_m, display),
                flow_text(point.reading_m3_s, display),
                numeral(None if point.pressure_pa is None else from_si(point.pressure_pa, "inH2O"), 1),
                flow_text(point.flow_m3_s, display),
                end_section=place == len(test.points) - 1,
            )
    return table
