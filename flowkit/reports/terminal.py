"""Results on a terminal: pure functions that give what rich prints, plain text when piped.

Nothing here prints, and nothing from a sheet is ever taken for markup.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flowkit.analysis.results import Comparison, Gain, LiftGain, SideComparison, VariantFlow
from flowkit.analysis.sentences import cause
from flowkit.drawing import Display
from flowkit.model import Side
from flowkit.reports.flows import all_lifts, all_ports, flow_at, measured
from flowkit.reports.labels import (
    NOTHING,
    display_of,
    flow_text,
    gain_text,
    lift_text,
    method_words,
    not_assessed_words,
    numeral,
    percent,
    port_text,
    pressure_words,
    resolved_words,
    sides_of,
    signed_percent,
)
from flowkit.reports.plain import comparison_csv, printable
from flowkit.reports.terminal_further import further_of_side, ratio_text
from flowkit.reports.terminal_parts import Parts, findings_text, plain_table, plain_text
from flowkit.reports.terminal_sheets import correction_text, reading_text
from flowkit.reports.terminal_wide import Block, WideTable
from flowkit.units import from_si

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table


__all__ = [
    "comparison_csv",
    "comparison_text",
    "correction_text",
    "findings_text",
    "reading_text",
    "sentences_text",
]


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
    """Return a comparison for a terminal.

    Parameters
    ----------
    comparison : Comparison
    display : {"US", "metric"}, optional
        The units shown.

    Returns
    -------
    tuple of rich renderables
        Per side the table of flows and gains, what each step was worth and the further figures there
        are; exhaust over intake flow; then the findings, and the sentences at the end.

    Raises
    ------
    FlowkitError
        If there is no such display.
    """
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
