"""What the flow means for the engine: differences first, everything marked as an estimate."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.drawing import INK, SOFT
from flowkit.engine.results import EngineResult
from flowkit.model import JobInfo
from flowkit.reports import tables
from flowkit.reports.contents import HALF_WORDS, engine_inputs, power_unit, power_words
from flowkit.reports.pages.charts import Series, draw_lines
from flowkit.reports.pages.layout import SIZES, Names, clean
from flowkit.reports.pages.table import GAP, Stream
from flowkit.wording import Display, display_of

PANEL = 134.0
LEAD = "Estimates from a model fed with the measured flows. Trust the differences, not the single figures."
SPEED = "engine speed, rpm"


def write_engine(stream: Stream, engine: EngineResult, names: Names, info: JobInfo) -> None:
    """Draw what the flow means for the engine, the cautions first."""
    display = display_of(info.display)
    stream.chapter("What it means for the engine (estimates)", LEAD, keep=stream.scale * PANEL + 160.0)
    for caution in filter(None, engine.cautions):
        stream.text(clean(caution), bold=True)
    stream.y += 4.0
    if engine.prediction:
        stream.text(clean(engine.prediction), bold=True)
    for sentence in engine.sentences:
        stream.text(clean(sentence))
    stream.y += 4.0
    stream.tables([tables.engine_table(engine, display)], names)
    stream.tables([tables.cam_flow_table(engine, display)], names)
    if any(variant.mach for variant in engine.variants):
        stream.text(HALF_WORDS, size=SIZES.small, color=SOFT)
        stream.y += 4.0
    _draw_panels(stream, engine, names, display)
    bands = tables.cam_band_tables(engine, display)
    stream.section([table for table, _ in bands], names, [sentence for _, sentence in bands if sentence])
    notes = list(filter(None, (*engine.model_notes, engine.no_wave_effects)))
    if notes:
        stream.heading("What the model does, and leaves out")
    for note in notes:
        stream.text(clean(note), size=SIZES.small)
    inputs = engine_inputs(engine, display)
    if inputs:
        stream.heading("Inputs of the model")
    for word, items in inputs:
        text = f"{word}: {clean('; '.join(items))}."
        stream.text(text, size=SIZES.small, color=SOFT if word == "Stated" else INK)


def _draw_panels(stream: Stream, engine: EngineResult, names: Names, display: Display) -> None:
    """Draw the panels there are data for, two in a row; the assumptions are beside the power."""
    over = [item for item in engine.differences if item.speeds_rpm and item.to in names.place]
    first = names.head(over[0].from_) if over else ""
    brake: list[Series] = []
    torque: list[Series] = []
    air: list[Series] = []
    mach: list[Series] = []
    filling: list[Series] = []
    power: list[Series] = []
    for item in over:
        if any(value is not None for value in item.brake_torque):
            torque.append(_series(item.to, item.speeds_rpm, item.brake_torque, 100.0))
        air.append(_series(item.to, item.speeds_rpm, item.air_flow, 100.0))
    for variant in engine.variants:
        if variant.name not in names.place:
            continue
        if variant.filling is not None:
            speeds, watts = variant.filling.speeds_rpm, variant.filling.brake_power_w
            brake.append(_series(variant.name, speeds, tables.power_figures(watts, display)))
            filling.append(_series(variant.name, speeds, variant.filling.volumetric_efficiency, 100.0))
        if variant.mach is not None:
            mach.append(Series(variant.name, variant.mach.speeds_rpm, variant.mach.z))
        if variant.power is not None:
            watts = variant.power.power_w
            power.append(_series(variant.name, variant.power.speeds_rpm, tables.power_figures(watts, display)))
    panels = (
        (f"Brake power (estimate), {power_unit(display)}", brake, None),
        (f"Brake torque over {first}, % (estimate)", torque, 0.0),
        (f"Air mass over {first}, %", air, 0.0),
        ("Mean inlet Mach index Z", mach, 0.5),
        ("Volumetric efficiency, %", filling, None),
        (f"Air-limited power (estimate), {power_unit(display)}", power, None),
    )
    column, height = (stream.paper.inner_width - GAP) / 2, stream.scale * PANEL
    drawn = [panel for panel in panels if panel[1]]
    for place, (title, series, level) in enumerate(drawn):
        if place % 2 == 0:
            stream.need(height + 10.0)
        box = (stream.page.left + (place % 2) * (column + GAP), stream.y + 4.0, column, height)
        draw_lines(stream.page, box, title, series, names, x_label=SPEED, level=level, x_from_zero=False)
        if place % 2 or place == len(drawn) - 1:
            stream.y += height + 10.0
    words = clean(power_words(engine, display))
    if words and power and len(drawn) % 2:
        stream.page.paragraph(stream.page.left + column + GAP, stream.y - height + 2.0, column, words)
    elif words and power:
        stream.text(words)


def _series(name: str, speeds: Sequence[float], values: Sequence[float | None], scale: float = 1.0) -> Series:
    """Return figures against speed, without the speeds that have none."""
    known = [(speed, scale * value) for speed, value in zip(speeds, values, strict=True) if value is not None]
    return Series(name, [speed for speed, _ in known], [value for _, value in known])
