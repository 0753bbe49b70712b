"""The chapters behind page 1: flow in detail, the engine, port by port, areas, and notes."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from flowkit.analysis.results import Comparison, Repeatability, SideComparison
from flowkit.drawing import INK, SOFT, bare_axes, draw_curve, variant_style
from flowkit.engine.results import EngineResult
from flowkit.model import JobInfo, Side
from flowkit.reports import contents as figures
from flowkit.reports import labels, tables
from flowkit.reports.contents import ReportContents
from flowkit.reports.labels import sides_of
from flowkit.reports.pages.charts import Series, draw_lines
from flowkit.reports.pages.first import further_sentences
from flowkit.reports.pages.layout import GAP, SIZES, Band, Names, Stream, clean, shorten
from flowkit.units import from_si
from flowkit.wording import Display, by_value, display_of, lift_text, percent_figure, sentence_case

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Sides = Sequence[tuple[Side, SideComparison]]
_KEEP = 0.4
"""A heading keeps tables with it up to this share of a page."""


def write_detail(
    stream: Stream, contents: ReportContents, names: Names, left_over: Sequence[Band], *, steps: bool
) -> None:
    """Write what is left of page 1's tables and steps, every measured lift, the gains, ratios and sentences."""
    comparison, display = contents.comparison, display_of(contents.info.display)
    sides = sides_of(comparison)
    ratios = comparison.ratio_at_lift or comparison.ratio_at_fraction
    further: dict[str, list[tables.Table]] = {}
    for side, result in sides:
        for table in tables.gain_tables(side, result, display):
            further.setdefault(table.title, []).append(table)
    # Page 1 may show some of the lifts only.
    every = any(len(figures.main_lifts(result)) < len(figures.all_lifts(result)) for _, result in sides)
    if not left_over and not every and not ratios and not steps and not further:
        return  # the sentences alone go with the notes
    stream.chapter("Flow in detail")
    stream.sentences(further_sentences(contents, stream.paper))
    worth = tables.step_table(comparison)
    if steps and worth is not None:
        stream.section([worth], names)
    if every:
        stream.heading("Every measured lift", keep=80.0)
        found = [
            tables.flow_table(side, result, display, figures.all_lifts(result), ports=False) for side, result in sides
        ]
        stream.tables(found, names)
    elif left_over:
        stream.heading(
            "Flow and gain at each lift",
            keep=min(sum(band.height for band in left_over), _KEEP * stream.paper.inner_bottom),
        )
        stream.flow(left_over)
    for of_a_kind in further.values():
        stream.section(of_a_kind, names)
    _draw_ratios(stream, comparison, names, display)
    if found := tables.ratio_tables(comparison, display):
        stream.need(60.0)
        stream.tables(found, names)


DETAIL_PANEL = 150.0


def _draw_ratios(stream: Stream, comparison: Comparison, names: Names, display: Display) -> None:
    """Draw exhaust flow over intake flow, at equal lift and at equal fraction of peak lift."""
    # Of a ratio's scale at least four times what the data can tell apart is shown.
    halves = [math.hypot(*(flow.mean_flow_u95 or 0.0 for flow in pair)) for pair in figures.ratio_variants(comparison)]
    span = max(0.2, 4.0 * max(halves, default=0.0))
    lift, height = from_si(1.0, display.lift), stream.scale * DETAIL_PANEL
    column = (stream.paper.inner_width - GAP) / 2
    left, drawn = 0.0, False
    for title, points, scale, label in (
        ("Exhaust over intake flow at equal lift", comparison.ratio_at_lift, lift, f"valve lift, {display.lift}"),
        (
            "Exhaust over intake flow at equal share of peak lift",
            comparison.ratio_at_fraction,
            100,
            "share of peak lift, %",
        ),
    ):
        series = []
        for name in names.place:
            mine = sorted((scale * item.at, item.ratio) for item in points if item.variant == name)
            if mine:
                series.append(Series(name, [at for at, _ in mine], [ratio for _, ratio in mine]))
        if not series:
            continue
        if not drawn:
            stream.need(height + 10.0)
        box = (stream.page.left + left, stream.y + 8.0, column, height)
        draw_lines(stream.page, box, title, series, names, x_label=label, least_span=span)
        left, drawn = column + GAP, True
    stream.y += height + 14.0 if drawn else 0.0


ENGINE_PANEL = 134.0
ENGINE_LEAD = "Estimates from a model fed with the measured flows. Trust the differences, not the single figures."
SPEED = "engine speed, rpm"


def write_engine(stream: Stream, engine: EngineResult, names: Names, info: JobInfo) -> None:
    """Draw what the flow means for the engine, the cautions first."""
    display = display_of(info.display)
    stream.chapter("What it means for the engine (estimates)", ENGINE_LEAD, keep=stream.scale * ENGINE_PANEL + 160.0)
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
        stream.text(figures.HALF_WORDS, size=SIZES.small, color=SOFT)
        stream.y += 4.0
    _draw_panels(stream, engine, names, display)
    bands = tables.cam_band_tables(engine, display)
    stream.section([table for table, _ in bands], names, [sentence for _, sentence in bands if sentence])
    notes = list(filter(None, (*engine.model_notes, engine.no_wave_effects)))
    if notes:
        stream.heading("What the model does, and leaves out")
    for note in notes:
        stream.text(clean(note), size=SIZES.small)
    inputs = figures.engine_inputs(engine, display)
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
        (f"Brake power (estimate), {figures.power_unit(display)}", brake, None),
        (f"Brake torque over {first}, % (estimate)", torque, 0.0),
        (f"Air mass over {first}, %", air, 0.0),
        ("Mean inlet Mach index Z", mach, 0.5),
        ("Volumetric efficiency, %", filling, None),
        (f"Air-limited power (estimate), {figures.power_unit(display)}", power, None),
    )
    column, height = (stream.paper.inner_width - GAP) / 2, stream.scale * ENGINE_PANEL
    drawn = [panel for panel in panels if panel[1]]
    for place, (title, series, level) in enumerate(drawn):
        if place % 2 == 0:
            stream.need(height + 10.0)
        box = (stream.page.left + (place % 2) * (column + GAP), stream.y + 4.0, column, height)
        draw_lines(stream.page, box, title, series, names, x_label=SPEED, level=level, x_from_zero=False)
        if place % 2 or place == len(drawn) - 1:
            stream.y += height + 10.0
    words = clean(figures.power_words(engine, display))
    if words and power and len(drawn) % 2:
        stream.page.paragraph(stream.page.left + column + GAP, stream.y - height + 2.0, column, words)
    elif words and power:
        stream.text(words)


def _series(name: str, speeds: Sequence[float], values: Sequence[float | None], scale: float = 1.0) -> Series:
    """Return figures against speed, without the speeds that have none."""
    known = [(speed, scale * value) for speed, value in zip(speeds, values, strict=True) if value is not None]
    return Series(name, [speed for speed, _ in known], [value for _, value in known])


PANEL_GAP = 10.0
SCALE = 20.0


def _in_unit(values: Sequence[float], unit: str) -> list[float]:
    """Return SI values in a unit."""
    return [from_si(value, unit) for value in values]


def write_ports(stream: Stream, contents: ReportContents, names: Names) -> None:
    """Draw every port's curves on one scale, and the table of their mean flows."""
    display = display_of(contents.info.display)
    sides = sides_of(contents.comparison)
    grids = [(side, result, figures.all_ports(result)) for side, result in sides]
    rows = sum(_grid(len(ports))[1] for _, _, ports in grids)
    whole = stream.paper.inner_bottom - stream.paper.top - 80.0
    height = min(stream.scale * (150.0 if rows == 1 else 118.0), (whole - 34.0 * len(grids)) / rows)
    lead = f"All panels on one scale: flow ({display.flow}) against valve lift ({display.lift})."
    stream.chapter("Port by port", lead, keep=min(whole, 130.0 + height * _grid(len(grids[0][2]))[1]))
    stream.key(names)
    flows = [q for _, result, _ in grids for v in result.variants for port in v.ports for q in port.flow_m3_s]
    for side, result, ports in grids:
        stream.heading(f"{side.capitalize()}", keep=height * _grid(len(ports))[1] + 4.0)
        top = 1.05 * max(from_si(flow, display.flow) for flow in flows)
        _draw_grid(stream, side, result, ports, names=names, display=display, scale=(top, height))
    stream.section([tables.port_table(side, result, display) for side, result in sides], names)
    # Which port flows least, and where, in the variants where it is worth naming.
    for side, result in sides:
        lagging: dict[str, list[str]] = {}
        for variant in result.variants:
            lag = variant.lagging
            if lag is not None and lag.beyond_scatter:
                words = f"{names.head(variant.name)} {percent_figure(lag.below_mean)} %"
                if lag.worst_lift_m is not None and lag.worst_below_mean is not None:
                    where = f"{lift_text(lag.worst_lift_m, display)} {display.lift}"
                    words += f" (most at {where}: {percent_figure(lag.worst_below_mean)} %)"
                lagging.setdefault(clean(labels.port_text(lag.port)), []).append(words)
        for port, said in lagging.items():
            stream.text(f"{side.capitalize()}, {port} flows less than the mean of its ports: {', '.join(said)}.")


def _grid(count: int) -> tuple[int, int]:
    """Return columns and rows for so many panels."""
    if count <= 8:
        columns = max(2, count) if count <= 4 else 4
    else:
        columns = min((5, 6, 7, 8), key=lambda wide: (-count % wide, wide))
    return columns, -(-count // columns)


def _draw_grid(
    stream: Stream,
    side: Side,
    result: SideComparison,
    ports: Sequence[str],
    *,
    names: Names,
    display: Display,
    scale: tuple[float, float],
) -> None:
    """Draw one side's panels."""
    from matplotlib.ticker import MaxNLocator

    page, (top, height) = stream.page, scale
    columns, rows = _grid(len(ports))
    width = (page.paper.inner_width - SCALE - PANEL_GAP * (columns - 1)) / columns
    right = 1.03 * max(from_si(v.lifts_m[-1], display.lift) for v in result.variants)
    for number, port in enumerate(ports):
        row, column = divmod(number, columns)
        left = page.left + SCALE + column * (width + PANEL_GAP)
        upper = stream.y + row * height
        page.write(left, upper + 8.0, shorten(clean(labels.port_text(port)), width, SIZES.body, bold=True), bold=True)
        at_edge = (column == 0, number + columns >= len(ports))

        @page.chart(left, upper + 12.0, width, height - 26.0)
        def panel(ax: Axes, port: str = port, at_edge: tuple[bool, bool] = at_edge) -> None:
            """Draw one port's curves."""
            ax.set_xlim(0, right)
            ax.set_ylim(0, top)
            for variant in result.variants:
                for item in variant.ports:
                    if item.label == port:
                        xs, ys = _in_unit(item.lifts_m, display.lift), _in_unit(item.flow_m3_s, display.flow)
                        look = variant_style(names.place[variant.name])
                        draw_curve(ax, xs, ys, look, filled=side == "intake", scale=0.7, points=40)
            bare_axes(ax, size=SIZES.small)
            ax.yaxis.set_major_locator(MaxNLocator(4))
            low, high = ax.get_xlim()
            most = low + 0.88 * (high - low)  # a number at the end would touch the next chart's first
            ax.set_xticks([tick for tick in MaxNLocator(4).tick_values(low, high) if low <= tick <= most])
            ax.tick_params(labelleft=at_edge[0], labelbottom=at_edge[1])
            ax.grid(True, axis="y")

    stream.y += rows * height + 2.0


AREAS_PANEL = 148.0
AREAS_LEAD = (
    "Effective area: the loss-free opening that would pass this flow at the reference pressure. Minimum area: the "
    "smaller of the seat's and the throat's (Heywood 1988, eqs 6.7–6.9), dotted; the throat takes over where the "
    "seat's grows past it."
)
AREAS_MISSING = (
    "Coefficients and minimum areas need the valve's head, stem and throat diameters, the seat's angle and its width; "
    "state them in the job."
)


def write_areas(stream: Stream, contents: ReportContents, names: Names) -> None:
    """Draw effective and minimum areas and the coefficients, and write their tables and what follows from them."""
    display = display_of(contents.info.display)
    sides = sides_of(contents.comparison)
    known = any(variant.coefficients for _, result in sides for variant in result.variants)
    if known:
        stream.chapter("Coefficients and areas", AREAS_LEAD, keep=stream.scale * AREAS_PANEL + 60.0)
    else:
        stream.chapter("Coefficients and areas")
        stream.text(AREAS_MISSING)
        stream.y += 6.0
    _draw_pairs(stream, sides, names, display, _areas)
    if known:
        _draw_pairs(stream, sides, names, display, _coefficients)
        for side, result in sides:
            takeovers = {
                names.head(v.name): f"{lift_text(v.takeover_lift_m, display)} {display.lift}"
                for v in result.variants
                if v.takeover_lift_m is not None
            }
            if takeovers:
                said = by_value(takeovers, every=len(takeovers) == len(result.variants))
                stream.text(f"{side.capitalize()}: lift where the throat takes over from the seat: {said}.")
        stream.y += 8.0
        found = [table for side, result in sides for table in tables.coefficient_tables(side, result, display)]
        for title in dict.fromkeys(table.title for table in found):
            stream.tables([table for table in found if table.title == title], names)
        stream.section([tables.expected_table(side, result, display) for side, result in sides], names)
    stream.section([tables.velocity_table(side, result, display) for side, result in sides], names)


Panel = tuple[str, list[Series], list[tuple[float, str]]]


def _draw_pairs(
    stream: Stream,
    sides: Sides,
    names: Names,
    display: Display,
    panel: Callable[[SideComparison, Names, Display], Panel],
) -> None:
    """Draw a panel a side, beside one another: its title, lines and upright lines; none where there are no lines."""
    height = stream.scale * AREAS_PANEL
    stream.need(height)
    column = (stream.paper.inner_width - GAP * (len(sides) - 1)) / len(sides)
    drawn = False
    for index, (side, result) in enumerate(sides):
        title, series, upright = panel(result, names, display)
        if all(item.plain for item in series):
            continue
        draw_lines(
            stream.page, (stream.page.left + index * (column + GAP), stream.y, column, height),
            f"{side.capitalize()}: {title}", series, names, x_label=f"valve lift, {display.lift}",
            from_zero=panel is _areas, filled=side == "intake", smoothed=True, upright=upright,
        )  # fmt: skip
        drawn = True
    stream.y += height + 8.0 if drawn else 0.0


def _areas(result: SideComparison, names: Names, display: Display) -> Panel:
    """Return effective areas, minimum areas and takeover lifts of one side."""
    series, takeovers = [], []
    for variant in result.variants:
        for areas, plain in ((variant.effective_area_m2, False), (variant.minimum_area_m2, True)):
            if areas:
                values = _in_unit(areas, display.area)
                series.append(Series(variant.name, _in_unit(variant.lifts_m, display.lift), values, plain=plain))
        if variant.takeover_lift_m is not None:
            color = variant_style(names.place[variant.name]).color
            takeovers.append((from_si(variant.takeover_lift_m, display.lift), color))
    return f"effective area, {display.area}", series, takeovers


def _coefficients(result: SideComparison, names: Names, display: Display) -> Panel:
    """Return the coefficients on the minimum area, on the curtain area where that is not known."""
    known = [(variant.name, variant.coefficients) for variant in result.variants if variant.coefficients is not None]
    kind = "minimum" if any(item.minimum for _, item in known) else "curtain"
    series = [
        Series(name, _in_unit(item.lifts_m, display.lift), values)
        for name, item in known
        if (values := getattr(item, kind)) is not None
    ]
    return tables.COEFFICIENTS[kind], series, []


LABEL = 76.0


def write_notes(stream: Stream, contents: ReportContents, names: Names, *, sentences: bool, apart: bool) -> None:
    """Write what was changed by hand, the corrections, the findings and the sources."""
    comparison, display = contents.comparison, display_of(contents.info.display)
    stream.chapter("Corrections, notes and sources", keep=stream.paper.height if apart else 0.0)
    if sentences:
        stream.sentences(further_sentences(contents, stream.paper))
    changes = [change for variant in contents.variants for change in variant.changes]
    if changes:
        stream.heading("Changed by hand", keep=40.0)
    for change in changes:
        stream.text(clean(labels.change_words(change)))
    if comparison.tests:
        stream.section([tables.ledger_table(comparison.tests, display)], names)
        made, skipped = tables.correction_words(comparison.tests)
        for correction, formula in made:
            stream.text(clean(formula), indent=LABEL, label=clean(correction))
        for correction, words in skipped:
            stream.text(clean(words), indent=LABEL, label=clean(correction), color=SOFT)
    stream.heading("Uncertainty")
    stream.text(repeatability_words(comparison.repeatability, display))
    reasons = (gain.not_assessed_because for side in comparison.sides.values() for gain in side.gains)
    for reason in dict.fromkeys(filter(None, reasons)):
        stream.text(clean(labels.not_assessed_words(reason)))
    _write_findings(stream, contents)
    if contents.info.notes:
        stream.heading("Notes")
        stream.text(clean(contents.info.notes))
    if contents.sources:
        stream.heading("Sources")
    for source in contents.sources:
        stream.text(f"{clean(source.name)}  SHA-256 {source.sha256}", size=SIZES.small)


def repeatability_words(known: Repeatability, display: Display) -> str:
    """Say how well the bench repeats itself."""
    if known.s_r is None:
        return "The bench's repeatability is not known: no port was measured more than once, and none is stated."
    text = f"Repeatability of one run's mean flow: {100 * known.s_r:.2f} % (relative standard deviation), "
    if known.source == "stated" or known.degrees_of_freedom is None:
        return text + "as stated."
    rests = {
        "repeated runs": "from repeated runs",
        "ports": "from the same ports in every state, no port having been flowed twice",
        "repeated runs and ports": "from repeated runs and the same ports in every state",
    }.get(known.source, "with the bench's own history")
    number = f"{known.degrees_of_freedom:.0f}"
    text += f"{rests}, with {number} degree{'s' if number != '1' else ''} of freedom."
    if known.lift_setting_m is not None and known.lift_setting_m >= 5e-7:
        setting = f"{from_si(known.lift_setting_m, display.lift):.{display.lift_digits + 1}f} {display.lift}"
        text += f" The scatter along the curves gives a lift setting of ± {setting} (k = 1)."
    return text


def _write_findings(stream: Stream, contents: ReportContents) -> None:
    """List the findings, errors first."""
    stream.heading("Findings")
    if not contents.findings:
        stream.text("Nothing doubtful was found.")
    for severity in ("error", "warning", "note"):
        for finding in labels.gathered(contents.findings):
            if finding.severity == severity and finding.rule != "changed-by-hand":
                where = labels.where_words(clean(finding.where))
                words = sentence_case(clean(finding.message))
                color = SOFT if severity == "note" else INK
                stream.text(f"{where}: {words}" if where else words, indent=40.0, label=severity, color=color)
