"""The engine's figures on a terminal: differences first, everything marked as an estimate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flowkit.drawing import Display
from flowkit.engine.results import EngineDifference, EngineResult
from flowkit.reports.engine_words import (
    Bands,
    band_sentence,
    bands_of,
    cam_gain_words,
    power_figures,
    power_unit,
    power_words,
)
from flowkit.reports.labels import NOTHING, display_of, flow_text, numeral, percent, signed_percent
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
        the power the air allows, the time in bands of lift, the sentences, every input of the
        model, what it leaves out, cautions and findings.

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
    parts += _power(result, units)
    for bands in bands_of(result, units):
        parts += [*_bands(bands, units), ""]
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


def _bands(bands: Bands, display: Display) -> Parts:
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
