"""The engine's figures on a terminal: differences first, everything marked as an estimate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flowkit.drawing import Display
from flowkit.engine.results import EngineDifference, EngineResult
from flowkit.model import Side
from flowkit.reports.labels import NOTHING, display_of, flow_text, interval_text, numeral, signed_percent
from flowkit.reports.terminal_parts import Parts, findings_text, plain_table, plain_text

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["engine_text"]

SPEEDS_SHOWN = 12


def engine_text(result: EngineResult, display: str = "US") -> Parts:
    """Return what the flows mean for the engine, for a terminal.

    Parameters
    ----------
    result : EngineResult
    display : {"US", "metric"}, optional
        The units shown.

    Returns
    -------
    tuple of rich renderables
        Cam-weighted flows and the speed at Z = 0.5, what filling and torque change with speed,
        the sentences, every input of the model, what it leaves out, cautions and findings.

    Raises
    ------
    FlowkitError
        If there is no such display.
    """
    units = display_of(display)
    parts = [plain_text(result.prediction, "bold"), ""] if result.prediction else []
    parts += [_variants(result, units), ""]
    over = [item for item in result.differences if item.kind != "step" and item.speeds_rpm]
    if over:
        parts += [plain_text(f"Over {over[0].from_}, % (estimates of a model)", "bold"), _changes(over), ""]
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


def _gain(result: EngineResult, side: Side, name: str) -> str:
    """Write a variant's gain in cam-weighted flow over the first."""
    for gain in result.cam_weighted_gains:
        if gain.side == side and gain.to == name and gain.kind != "step":
            return f"{signed_percent(gain.gain)} {interval_text(gain.u95)}".strip()
    return ""


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
            _gain(result, "intake", variant.name),
            flow_text(flows.exhaust, display),
            _gain(result, "exhaust", variant.name),
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
    step = -(-len(speeds) // SPEEDS_SHOWN)
    # Counted from the highest speed, where the differences are.
    for place in sorted(range(len(speeds) - 1, -1, -step)):
        cells = [numeral(speeds[place], 0)]
        for item in over:
            cells += [signed_percent(item.volumetric_efficiency[place]), signed_percent(item.indicated_torque[place])]
        table.add_row(*cells)
    return table
