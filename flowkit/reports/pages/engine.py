"""What the flow means for the engine: differences first, everything marked as an estimate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from flowkit.drawing import INK, SOFT
from flowkit.engine.results import EngineDifference, EngineResult, EngineVariant
from flowkit.model import JobInfo
from flowkit.reports.contents import (
    HALF_WORDS,
    Bands,
    band_sentence,
    bands_of,
    cam_gain_words,
    engine_inputs,
    engine_rows,
    power_figures,
    power_unit,
    power_words,
)
from flowkit.reports.pages.first import Series, draw_lines
from flowkit.reports.pages.layout import SIZES, Names, clean, wrap
from flowkit.reports.pages.table import (
    GAP,
    Cell,
    Column,
    Row,
    Stream,
    Table,
    fit_columns,
    head_height,
    needed_width,
    row_height,
)
from flowkit.wording import NOTHING, Display, display_of, flow_text, numeral, percent_figure, signed_figure

PANEL = 134.0
LEAD = "Estimates from a model fed with the measured flows. Trust the differences, not the single figures."
BANDS = (
    "Time and share of flow are those of the last state: degrees of crank in the band, share of the open period, and "
    "share of the flow over the cam that passes there. 1 % more flow in a band alone gives that share of 1 % more "
    "cam-weighted mean flow. Mean flow is at the test pressure, averaged over the time in the band."
)
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
    engines = _engine_table(engine, names, display)
    if len(engines.columns) > 1:
        stream.tables([engines])
    stream.tables([_table(engine, names, info)])
    if any(variant.mach for variant in engine.variants):
        stream.text(HALF_WORDS, size=SIZES.small, color=SOFT)
        stream.y += 4.0
    _draw_panels(stream, engine, names, display)
    _write_bands(stream, engine, names, display)
    notes = (*engine.model_notes, engine.no_wave_effects)
    _write_texts(stream, "What the model does, and leaves out", notes, SIZES.small)
    _write_assumptions(stream, engine, display)


def _write_texts(stream: Stream, heading: str, texts: Sequence[str], size: float) -> None:
    """Write a heading and its paragraphs, where there are any."""
    said = [clean(text) for text in texts if text]
    if said:
        stream.heading(heading)
    for text in said:
        stream.text(text, size=size)


def _over_first(engine: EngineResult) -> list[EngineDifference]:
    """Return the differences of each variant over the first."""
    return [item for item in engine.differences if item.speeds_rpm]


def _draw_panels(stream: Stream, engine: EngineResult, names: Names, display: Display) -> None:
    """Draw the panels there are data for, two in a row; the assumptions are beside the power."""
    over = [item for item in _over_first(engine) if item.to in names.place]
    known = [item for item in engine.variants if item.name in names.place]
    first = names.head(over[0].from_) if over else ""
    panels: list[tuple[str, list[Series], float | None]] = [
        (f"Brake power (estimate), {power_unit(display)}", _brake(known, display), None),
        (f"Brake torque over {first}, % (estimate)", _changes(over, "brake_torque"), 0.0),
        (f"Air mass over {first}, %", _changes(over, "air_flow"), 0.0),
        ("Mean inlet Mach index Z", _mach(known), 0.5),
        ("Volumetric efficiency, %", _filling(known), None),
        (f"Air-limited power (estimate), {power_unit(display)}", _power(known, display), None),
    ]
    column = (stream.paper.inner_width - GAP) / 2
    drawn = [panel for panel in panels if panel[1]]
    for place, (title, series, level) in enumerate(drawn):
        if place % 2 == 0:
            stream.need(stream.scale * PANEL + 10.0)
        box = (stream.page.left + (place % 2) * (column + GAP), stream.y + 4.0, column, stream.scale * PANEL)
        draw_lines(stream.page, box, title, series, names, x_label=SPEED, level=level, x_from_zero=False)
        if place % 2 or place == len(drawn) - 1:
            stream.y += stream.scale * PANEL + 10.0
    words = clean(power_words(engine, display))
    if not words or not _power(known, display):
        return
    if len(drawn) % 2:
        page, top = stream.page, stream.y - stream.scale * PANEL - 10.0 + 12.0
        page.paragraph(page.left + column + GAP, top, column, words)
    else:
        stream.text(words)


def _series(name: str, speeds: Sequence[float], values: Sequence[float | None], scale: float = 1.0) -> Series:
    """Return figures against speed, without the speeds that have none."""
    known = [(speed, scale * value) for speed, value in zip(speeds, values, strict=True) if value is not None]
    return Series(name, [speed for speed, _ in known], [value for _, value in known])


def _changes(items: Sequence[EngineDifference], quantity: str) -> list[Series]:
    """Return a relative difference against speed, in percent."""
    return [
        _series(item.to, item.speeds_rpm, getattr(item, quantity), 100.0)
        for item in items
        if any(value is not None for value in getattr(item, quantity))
    ]


def _mach(items: Sequence[EngineVariant]) -> list[Series]:
    """Return the Mach index against speed."""
    return [Series(item.name, item.mach.speeds_rpm, item.mach.z) for item in items if item.mach is not None]


def _filling(items: Sequence[EngineVariant]) -> list[Series]:
    """Return the volumetric efficiency against speed, in percent."""
    return [
        _series(item.name, item.filling.speeds_rpm, item.filling.volumetric_efficiency, 100.0)
        for item in items
        if item.filling is not None
    ]


def _brake(items: Sequence[EngineVariant], display: Display) -> list[Series]:
    """Return the brake estimate of power against speed, in the unit shown."""
    scale = 1 / (745.69987 if power_unit(display) == "hp" else 1e3)
    return [
        _series(item.name, item.filling.speeds_rpm, item.filling.brake_power_w, scale)
        for item in items
        if item.filling is not None
    ]


def _power(items: Sequence[EngineVariant], display: Display) -> list[Series]:
    """Return the power the air allows against speed, in the unit shown."""
    return [
        _series(item.name, item.power.speeds_rpm, power_figures(item, display))
        for item in items
        if item.power is not None
    ]


def _write_bands(stream: Stream, engine: EngineResult, names: Names, display: Display) -> None:
    """Show where each valve spends its time and what flows there, and say where more flow would pay."""
    sides = [bands for bands in bands_of(engine, display) if bands.after in names.place]
    if not sides:
        return
    tables = [_band_table(bands, names, display, (stream.paper.inner_width - GAP) / 2) for bands in sides]
    sentences = [band_sentence(bands, display, clean(bands.after)) for bands in sides]
    rows = [row for table in tables for row in table.rows]
    least = sum(map(row_height, rows)) / len(tables) + max(map(head_height, tables)) + 24.0 * len(sentences) + 30.0
    stream.heading("Where the valves spend their time, and where more flow would pay", keep=least)
    for sentence in sentences:
        if sentence:
            stream.text(sentence)
    stream.y += 6.0
    stream.tables(tables)
    stream.text(BANDS, size=SIZES.small, color=SOFT)


def _band_table(bands: Bands, names: Names, display: Display, width: float) -> Table:
    """Return one side's bands of lift: time, mean flow and its gain, share of the flow over the cam."""
    variants = [name for name in (bands.before, bands.after) if name is not None and name in names.place]
    flow = f"mean flow, {display.flow}"
    heads: list[tuple[str, str, int | None]] = [
        (f"lift, {display.lift}", "", None), ("crank, °", "open", None), ("time, %", "open", None),
        *((names.head(name), flow, names.place[name]) for name in variants),
    ]  # fmt: skip
    heads += [("gain, %", flow, None)] if len(variants) > 1 else []
    heads.append(("share, %", "of flow", None))
    rows = []
    for item in bands.rows:
        cells = [item.lift, numeral(item.time.crank_deg, 0), percent_figure(item.time.share_of_period)]
        if len(variants) > 1:
            cells.append(flow_text(item.before_m3_s, display))
        cells.append(flow_text(item.after_m3_s, display))
        if len(variants) > 1:
            cells.append(NOTHING if item.gain is None else signed_figure(item.gain))
        rows.append(Row(tuple(map(Cell, (*cells, percent_figure(item.time.share_of_flow))))))
    columns = []
    for place, (head, group, variant) in enumerate(heads):
        texts = [row.cells[place].text for row in rows]
        words = needed_width(head.split(), size=SIZES.small, gap=5.0)
        columns.append(Column((head,), max(needed_width(texts, gap=5.0 if place else 0.0), words), group, variant))
    columns = [
        replace(item, head=tuple(wrap(item.head[0], item.width - 4.0, SIZES.small)))
        for item in fit_columns(columns, width, most=46.0)
    ]
    return Table(bands.side.capitalize(), tuple(columns), tuple(rows), (), bands.side == "intake")


def _engine_table(engine: EngineResult, names: Names, display: Display) -> Table:
    """Return each state's engine and the peak of its brake estimate."""
    heads, found = engine_rows(engine, display)
    rows = [
        Row((Cell(names.fitted(name, 130.0)[0] if name in names.place else clean(name)[:24]), *map(Cell, cells)))
        for name, cells in found
    ]
    columns = []
    for place, head in enumerate(("state", *heads)):
        width = needed_width([row.cells[place].text for row in rows], gap=8.0)
        words = needed_width(head.split(), size=SIZES.small, gap=8.0)
        lines = wrap(head, max(width, words) - 7.0, SIZES.small)
        columns.append(Column(tuple(lines), max(width, words), align="right" if place else "left"))
    return Table("", tuple(columns), tuple(rows))


def _table(engine: EngineResult, names: Names, info: JobInfo) -> Table:
    """Return a row a variant: cam-weighted flows, their gains, the speed at Z = 0.5."""
    display = display_of(info.display)
    speeds = {item.to: item.speed_at_half for item in engine.differences}
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
                    Cell(cam_gain_words(engine, "intake", variant.name)),
                    Cell(flow_text(flows.exhaust, display)),
                    Cell(cam_gain_words(engine, "exhaust", variant.name)),
                    Cell(at_half),
                    Cell("" if more is None else signed_figure(more)),
                )
            )
        )
    intake, exhaust, half = "intake flow over the cam", "exhaust flow over the cam", "speed at Z = 0.5"
    heads = (
        ("state", ""), (display.flow, intake), ("gain, %", intake), (display.flow, exhaust), ("gain, %", exhaust),
        ("rpm", half), ("change, %", half),
    )  # fmt: skip
    columns = []
    for place, (head, group) in enumerate(heads):
        texts = [row.cells[place].text for row in rows]
        width = max(
            needed_width(texts, gap=10.0), needed_width([head], size=SIZES.small, gap=10.0), 46.0 if group else 0
        )
        columns.append(Column((head,), width, group, align="right" if group else "left"))
    return Table("", tuple(columns), tuple(rows))


def _write_assumptions(stream: Stream, engine: EngineResult, display: Display) -> None:
    """List every input of the model: stated ones, then assumed ones."""
    inputs = engine_inputs(engine, display)
    if not inputs:
        return
    stream.heading("Inputs of the model")
    for word, items in inputs:
        text = f"{word}: {clean('; '.join(items))}."
        stream.text(text, size=SIZES.small, color=SOFT if word == "Stated" else INK)
