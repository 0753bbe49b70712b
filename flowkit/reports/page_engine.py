"""What the flow means for the engine: differences first, everything marked as an estimate."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.drawing import SOFT
from flowkit.engine.results import EngineDifference, EngineResult, EngineVariant
from flowkit.model import JobInfo, Side
from flowkit.reports.fitting import clean, wrap
from flowkit.reports.labels import (
    NOTHING,
    display_of,
    flow_text,
    interval_text,
    numeral,
    signed_percent,
)
from flowkit.reports.layout import SIZES, Page, Paper
from flowkit.reports.lines import Series, draw_lines
from flowkit.reports.names import Names
from flowkit.reports.page_table import GAP
from flowkit.reports.stream import Stream
from flowkit.reports.table import Cell, Column, Row, Table, needed_width

__all__ = ["engine_pages"]

PANEL = 134.0
LEAD = (
    "Estimates of a model, from the measured flows: what changes between the variants is worth more than any "
    "figure alone."
)
SPEED = "engine speed, 1/min"


def engine_pages(engine: EngineResult, paper: Paper, names: Names, info: JobInfo) -> list[Page]:
    """Draw what the flow means for the engine.

    Parameters
    ----------
    engine : EngineResult
    paper : Paper
    names : Names
    info : JobInfo
        For the units shown.
    """
    stream = Stream(paper, "What it means for the engine (estimates)", LEAD)
    if engine.prediction:
        stream.text(clean(engine.prediction), bold=True)
    for sentence in engine.sentences:
        stream.text(clean(sentence))
    stream.y += 4.0
    stream.tables([_table(engine, names, info)])
    _draw_panels(stream, engine, names)
    _write_texts(stream, "Cautions", engine.cautions, SIZES.body)
    notes = (*engine.model_notes, engine.no_wave_effects)
    _write_texts(stream, "What the model does, and leaves out", notes, SIZES.small)
    _write_assumptions(stream, engine)
    return stream.pages


def _write_texts(stream: Stream, heading: str, texts: Sequence[str], size: float) -> None:
    """Write a heading and its paragraphs, where there are any."""
    told = [clean(text) for text in texts if text]
    if told:
        stream.heading(heading)
    for text in told:
        stream.text(text, size=size)


def _over_first(engine: EngineResult) -> list[EngineDifference]:
    """Return the differences of each variant over the first."""
    return [item for item in engine.differences if item.kind != "step" and item.speeds_rpm]


def _draw_panels(stream: Stream, engine: EngineResult, names: Names) -> None:
    """Draw the panels there are data for, two in a row."""
    over = [item for item in _over_first(engine) if item.to in names.place]
    known = [item for item in engine.variants if item.name in names.place]
    first = names.head(over[0].from_) if over else ""
    panels = [
        (f"Volumetric efficiency over {first}, %", _changes(over, "volumetric_efficiency"), 0.0, ""),
        (f"Indicated torque and power over {first}, %", _changes(over, "indicated_torque"), 0.0, ""),
        ("Mean inlet Mach index Z (at 0.5 the head begins to limit)", _mach(known), 0.5, ""),
        ("Volumetric efficiency, %", _filling(known), None, ""),
    ]
    column = (stream.paper.inner_width - GAP) / 2
    place = 0
    for title, series, level, level_label in panels:
        if not series:
            continue
        if place % 2 == 0:
            stream.need(PANEL + 4.0)
        box = (stream.page.left + (place % 2) * (column + GAP), stream.y + 4.0, column, PANEL)
        draw_lines(
            stream.page,
            box,
            title,
            series,
            names,
            x_label=SPEED,
            level=level,
            level_label=level_label,
            x_from_zero=False,
        )
        place += 1
        if place % 2 == 0:
            stream.y += PANEL + 10.0
    if place % 2:
        stream.y += PANEL + 10.0


def _changes(items: Sequence[EngineDifference], quantity: str) -> list[Series]:
    """Return a relative difference against speed, in per cent."""
    return [
        Series(item.to, item.speeds_rpm, [100 * value for value in getattr(item, quantity)])
        for item in items
        if getattr(item, quantity)
    ]


def _mach(items: Sequence[EngineVariant]) -> list[Series]:
    """Return the Mach index against speed."""
    return [Series(item.name, item.mach.speeds_rpm, item.mach.z) for item in items if item.mach is not None]


def _filling(items: Sequence[EngineVariant]) -> list[Series]:
    """Return the volumetric efficiency against speed, in per cent."""
    return [
        Series(item.name, item.filling.speeds_rpm, [100 * value for value in item.filling.volumetric_efficiency])
        for item in items
        if item.filling is not None
    ]


def _gain(engine: EngineResult, side: Side, name: str) -> str:
    """Write a variant's gain in cam-weighted flow over the first."""
    for gain in engine.cam_weighted_gains:
        if gain.side == side and gain.to == name and gain.kind != "step":
            return f"{signed_percent(gain.gain)} {interval_text(gain.u95)}".strip()
    return ""


def _table(engine: EngineResult, names: Names, info: JobInfo) -> Table:
    """Return a row a variant: cam-weighted flows, their gains, the speed at Z = 0.5."""
    display = display_of(info.display)
    speeds = {item.to: item.speed_at_half for item in engine.differences if item.kind != "step"}
    rows = []
    for variant in engine.variants:
        flows = variant.cam_weighted_mean_flow_m3_s
        at_half = numeral(variant.mach.speed_at_half_rpm, 0) if variant.mach else NOTHING
        known = variant.name in names.place
        name = (
            names.fitted(variant.name, 150.0)[0] if known else wrap(clean(variant.name), 150.0, SIZES.body, most=1)[0]
        )
        more = speeds.get(variant.name)
        rows.append(
            Row(
                (
                    Cell(name),
                    Cell(flow_text(flows.intake, display)),
                    Cell(_gain(engine, "intake", variant.name)),
                    Cell(flow_text(flows.exhaust, display)),
                    Cell(_gain(engine, "exhaust", variant.name)),
                    Cell(at_half),
                    Cell("" if more is None else signed_percent(more)),
                )
            )
        )
    intake, exhaust, half = "cam-weighted intake flow", "cam-weighted exhaust flow", "speed at Z = 0.5"
    heads = (
        ("variant", ""), (display.flow, intake), ("gain, %", intake), (display.flow, exhaust), ("gain, %", exhaust),
        ("1/min", half), ("change, %", half),
    )  # fmt: skip
    columns = []
    for place, (head, group) in enumerate(heads):
        texts = [row.cells[place].text for row in rows]
        width = max(
            needed_width(texts, gap=10.0), needed_width([head], size=SIZES.small, gap=10.0), 46.0 if group else 0
        )
        columns.append(Column((head,), width, group, align="right" if group else "left"))
    return Table("", tuple(columns), tuple(rows))


def _write_assumptions(stream: Stream, engine: EngineResult) -> None:
    """List every input of the model: stated ones, then assumed ones."""
    if not engine.assumptions:
        return
    stream.heading("Inputs of the model")
    for source in ("assumed", "stated"):
        items = [item for item in engine.assumptions if item.source == source]
        if items:
            text = "; ".join(f"{clean(item.name)} {clean(item.value)}" for item in items)
            stream.text(
                f"{source.capitalize()}: {text}.", size=SIZES.small, color=SOFT if source == "stated" else "#1A1A1A"
            )
