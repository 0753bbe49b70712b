"""Sheets of areas and coefficients, of findings, and the summary."""

from __future__ import annotations

import math
from collections.abc import Sequence
from textwrap import wrap

from flowkit.fields import field_of, section
from flowkit.reports.contents import cautions_of, velocity_unit
from flowkit.reports.labels import counted, gathered, job_words, method_words, reference_words
from flowkit.reports.workbook import look
from flowkit.reports.workbook.book import Book, SidePlan, VariantPlan, rounded, what_changed
from flowkit.reports.workbook.curves import FLOWS
from flowkit.reports.workbook.look import Style
from flowkit.reports.workbook.pen import Column, Pen, Table
from flowkit.units import from_si

_ROWS_A_PAGE = 48
_LEAST = (
    "MIN(IF({lift}*SIN({beta})*COS({beta})<={w},PI()*{lift}*COS({beta})*({head}-2*{w}+{lift}/2*SIN(2*{beta})),"
    "PI()*({head}-{w})*SQRT(({lift}-{w}*TAN({beta}))^2+{w}^2)),{passage})"
)
"""The least passage, seat or throat (Heywood, eqs 6.7 to 6.9)."""
_WANTED = "({passage}/(PI()*COS({beta})))"
_LINEAR = "({head}-2*{w})"
_TAKEOVER = (
    "IF({passage}*SIN({beta})>=PI()*({head}-{w})*{w},"
    "{w}*TAN({beta})+SQRT(({passage}/(PI()*({head}-{w})))^2-{w}^2),"
    f"2*{_WANTED}/({_LINEAR}+SQRT({_LINEAR}^2+2*SIN(2*{{beta}})*{_WANTED})))"
)
"""The lift at which the throat is the least passage (text under Heywood's eq. 6.9)."""


def write_areas(book: Book) -> None:
    """Write areas and coefficients of every variant."""
    pen = book.pens["Areas"]
    pen.title(
        "Areas and flow coefficients",
        "Minimum area: Heywood, Internal Combustion Engine Fundamentals, 1988, eqs 6.7 to 6.9; the seat's width is "
        "measured along its face. Coefficient: effective over geometric area.",
        width=100,
    )
    used = 3
    for side in book.sides:
        for variant in side.variants:
            height = len(variant.flow.lifts_m) + 8
            if used > 3 and used + height > _ROWS_A_PAGE:
                pen.break_page(pen.row)
                used = 0
            used += height
            pen.heading(f"{side.side.capitalize()}, {variant.name}")
            cells = _write_valve(book, variant)
            pen.row += 2
            _write_variant_areas(book, side, variant, cells)
            pen.row += 1
    pen.finish(12.5, freeze="B4")


def _write_valve(book: Book, variant: VariantPlan) -> dict[str, str]:
    """Write the valve's dimensions in one row and what follows from them; return their cells."""
    pen, show, valve, takeover = book.pens["Areas"], book.display, variant.curves.valve, variant.flow.takeover_lift_m
    unit = show.diameter
    known: dict[str, float] = {}  # dimensions [m]
    found: list[tuple[str, str, float, Style, str]] = []  # key, head, value, style, formula
    for item in section("valves").values():
        value = getattr(valve, item.attribute) if item.condition and item.kind == "length" else None
        if value is not None:
            known[item.key] = value
            head = f"{field_of('conditions', item.condition).words}, {unit}"
            found.append((item.key, head, rounded(from_si(value, unit)), look.RAW, ""))
    angle = valve.seat_angle_deg
    if angle is not None:
        found.append(("seat_angle", "seat angle, °", angle, look.RAW, ""))
    if {"throat", "stem"} <= set(known):
        area = from_si(math.pi / 4 * (known["throat"] ** 2 - known["stem"] ** 2), show.area)
        text = "PI()/4*({throat}^2-{stem}^2)"
        found.append(("passage", f"throat area, {show.area}", area, look.number(show.area_digits), text))
    if angle is not None and "seat_width" in known:
        width = from_si(known["seat_width"] * math.cos(math.radians(angle)), unit)
        text = "{seat_width}*COS({beta})"
        found.append(("w", f"radial seat width, {unit}", width, look.number(show.diameter_digits), text))
    if takeover is not None and {"head", "passage", "w"} <= {key for key, *_ in found}:
        found.append(("takeover", f"throat takes over at, {show.lift}", book.in_lift(takeover), book.lift, _TAKEOVER))
    if valve.port_area_m2 is not None:
        area = rounded(from_si(valve.port_area_m2, show.area))
        found.append(("port", f"port cross-section, {show.area}", area, look.RAW, ""))
    pen.header([head for _, head, *_ in found])
    cells = {key: pen.here(column, lock="cr") for column, (key, *_) in enumerate(found, 1)}
    cells["beta"] = f"RADIANS({cells.get('seat_angle', '')})"
    for column, (_, _, value, style, text) in enumerate(found, 1):
        pen.put(column, value, style, text.format(**cells))
    return cells


def _write_variant_areas(book: Book, side: SidePlan, variant: VariantPlan, cells: dict[str, str]) -> None:
    """Write areas, coefficients and velocity at every lift: formulas where the dimensions are known, else values."""
    show, flow, known, pen = book.display, variant.flow, variant.flow.coefficients, book.pens["Areas"]
    area, digits = show.area, max(show.area_digits, 1)
    unit, scale = velocity_unit(show)
    velocity = book.cells["reference", f"velocity {side.side}"]
    # Columns with their values, their formula and the dimensions it needs.
    found: list[tuple[Column, Sequence[float | None], str, set[str]]] = [
        (Column("area", f"effective area, {area}", look.number(digits)),
         [from_si(value, area) for value in flow.effective_area_m2],
         f"{{flow}}*{book.cells['unit', show.flow]}/{velocity}/{book.cells['unit', area]}", set()),
    ]  # fmt: skip
    if flow.minimum_area_m2 is not None:
        least = [from_si(value, area) for value in flow.minimum_area_m2]
        found.append(
            (Column("least", f"minimum area, {area}", look.number(digits)), least, _LEAST, {"head", "passage", "w"})
        )
    if known is not None:
        shut = (None,) * (len(flow.lifts_m) - len(known.lifts_m))  # they are given at open lifts only
        for over, needed, text, figures in (
            ("curtain", {"head"}, "{area}/(PI()*{head}*{lift})", known.curtain),
            ("throat", {"passage"}, "{area}/{passage}", known.throat),
            ("valve", {"head"}, "{area}/(PI()/4*{head}^2)", known.valve),
            ("minimum", set[str](), "{area}/{least}", known.minimum),
        ):
            if figures is not None:
                column = Column(f"over {over}", f"coefficient on {over} area", look.number(3))
                found.append((column, (*shut, *figures), text, needed))
    if flow.port_velocity_m_s is not None:
        text = f"{{flow}}*{book.cells['unit', show.flow]}/({{port}}*{book.cells['unit', area]})"
        text += f"/{scale}" if scale != 1.0 else ""
        values = [value / scale for value in flow.port_velocity_m_s]
        found.append((Column("velocity", f"mean port velocity, {unit}", look.number(1)), values, text, {"port"}))
    lift, flows = Column("lift", f"lift, {show.lift}", book.lift), Column("flow", f"flow, {show.flow}", book.flow)
    table = Table(pen, [lift, flows, *(column for column, *_ in found)])
    block = book.blocks[side.side, variant.name]
    for index, lift_m in enumerate(flow.lifts_m):
        place = side.place(lift_m)
        table.put("lift", book.in_lift(lift_m), block.lift(place))
        table.put("flow", book.in_flow(flow.flow_m3_s[index]), block.flows.at(block.mean, block.row(place)))
        for column, given, text, needed in found:
            table.put(column.key, given[index], text if needed <= set(cells) else "", cells=cells)
        pen.row += 1


def write_findings(book: Book) -> None:
    """Write what was doubtful, the gravest first, and the files the readings came from."""
    pen, order = book.pens["Findings"], ("error", "warning", "note")
    pen.title("Findings")
    pen.row = 3
    heads = ("severity", "rule", "where", "what it means and what to do")
    widths = (10.0, 20.0, 34.0, 86.0)
    table = Table(pen, [Column(head, head, look.WRAPPED, width) for head, width in zip(heads, widths, strict=True)])
    for finding in sorted(gathered(book.contents.findings), key=lambda item: order.index(item.severity)):
        texts = (finding.severity, finding.rule, finding.where, finding.message)
        for head, text, width in zip(heads, texts, widths, strict=True):
            table.put(head, text)
            pen.tall(" ".join(wrap(text, int(width))), width)  # a word longer than a line is broken
        pen.row += 1
    if pen.row == 4:
        pen.put(1, "Nothing doubtful was found.")
        pen.row += 1
    pen.row += 1
    pen.heading("Sources")
    pen.header(("file", "", "", "SHA-256"), words=range(1, 5))
    for source in book.contents.sources:
        pen.put(1, source.name)
        pen.put(4, source.sha256, look.QUIET)
        pen.row += 1
    pen.finish(title_rows="3:3", freeze="A4")


_NARROW, _LAST = 8.0, 22.0
_WIDTH = 20.0 + 11 * _NARROW + _LAST
_CHART_ROWS = 20


def write_summary(book: Book) -> None:
    """Write the summary, once all other sheets are written."""
    from flowkit.version import __version__

    pen, contents, show = book.pens["Summary"], book.contents, book.display
    info, comparison = contents.info, contents.comparison
    named = (info.vehicle, info.customer, info.shop, job_words(info))
    pen.title(
        info.title or "Flow chart",
        " ".join(cautions_of(contents)),
        "  ·  ".join(text for text in named if text),
        reference_words(contents.reference, show, comparison.tests),
        method_words(comparison, show),
        width=_WIDTH,
    )
    pen.row = 6
    columns = (
        Column("variant", "variant", look.WRAPPED, 20.0), Column("mean", f"mean flow, {show.flow}", book.flow, _NARROW),
        Column("mean u95", "± 95 %", look.PERCENT, _NARROW),
        Column("peak", f"peak flow, {show.flow}", book.flow, _NARROW),
        Column("spread", "port spread", look.PERCENT, _NARROW), Column("spread u95", "± 95 %", look.PERCENT, _NARROW),
        Column("total", "gain over first", look.GAIN, _NARROW), Column("total low", "95 % from", look.GAIN, _NARROW),
        Column("total high", "to", look.GAIN, _NARROW), Column("step", "gain of the step", look.GAIN, _NARROW),
        Column("step low", "95 % from", look.GAIN, _NARROW), Column("step high", "to", look.GAIN, _NARROW),
        Column("changed", "what the step changed", Style(left=True, wrap=True), _LAST),
    )  # fmt: skip
    for side in book.sides:
        low, high = (f"{book.in_lift(lift):.{show.lift_digits}f}" for lift in side.result.range_m)
        table = Table(pen, columns, f"{side.side.capitalize()}, lifts {low} to {high} {show.lift}")
        for variant in side.variants:
            _write_variant(book, table, side, variant)
            pen.row += 1
        pen.row += 1
    for side, column in zip(book.sides, "AG", strict=False):
        curves = []
        for variant in side.variants:
            block, places = book.blocks[side.side, variant.name], variant.places
            rows = (block.row(places.start), block.row(places.stop - 1))
            curves.append((variant.name, variant.index, rows, block.mean))
        words = (f"{side.side.capitalize()}: mean of ports", f"lift, {show.lift}", f"flow, {show.flow}")
        look.put_chart(pen.sheet, f"{column}{pen.row}", words, book.pens[FLOWS].sheet, curves)
    pen.row += _CHART_ROWS
    doubts = [f"{counted(contents.findings)}: see the sheet of findings."] if contents.findings else []
    for text in (*comparison.sentences, *doubts):
        pen.long_text(text, look.WRAPPED, width=_WIDTH, columns=len(columns))
    pen.row += 1
    _write_legend(pen)
    sources = ", ".join(f"{item.name} {item.sha256[:8]}" for item in contents.sources)
    ending = f"Sources: {sources}.  " if sources else ""
    last = f"{ending}flowkit {__version__}.  {info.notes or ''}".rstrip()
    pen.long_text(last, look.NOTE, width=_WIDTH, columns=len(columns))
    pen.finish()
    pen.sheet.page_setup.fitToHeight = 1


def _write_variant(book: Book, table: Table, side: SidePlan, variant: VariantPlan) -> None:
    """Write one variant's row of the headline."""
    block, known, flows = book.blocks[side.side, variant.name], variant.flow, book.pens[FLOWS]
    key, row = (side.side, variant.name), block.area + 1
    table.put("variant", variant.name)
    table.pen.tall(variant.name, 20.0)
    table.put("mean", book.in_flow(known.mean_flow_m3_s), flows.at(block.mean, row))
    table.put("mean u95", known.mean_flow_u95, book.interval("mean", *key))
    rows = [block.row(side.place(lift)) for lift in known.lifts_m]
    peak = ",".join(flows.ranges(block.mean, rows, "cr", away=True))
    table.put("peak", book.in_flow(known.peak_flow_m3_s), f"MAX({peak})")
    if known.port_spread is not None:
        cells = flows.ranges(block.ports.values(), row, "cr", away=True)[0]
        table.put("spread", known.port_spread, f"(MAX({cells})-MIN({cells}))/AVERAGE({cells})")
        table.put("spread u95", known.port_spread_u95, book.interval("spread", *key))
    for column, name, gains in ((7, "total", side.result.totals), (10, "step", side.result.steps)):
        gain = next((gain for gain in gains if gain.to == variant.name), None)
        if gain is not None:
            pair = (side.side, gain.from_, gain.to)
            table.put(name, gain.mean_flow_gain, book.cells["gain", *pair])
            ends = (gain.mean_flow_gain_low, gain.mean_flow_gain_high)
            book.put_ends(table.pen, column + 1, ends, "gain", *pair)
            if name == "step":
                table.put("changed", what_changed(gain))
                table.pen.tall(what_changed(gain), _LAST - 2)


def _write_legend(pen: Pen) -> None:
    """Say how numbers are marked."""
    pen.heading("How to read the numbers")
    for kind, meaning in (
        ("raw", "blue: from the sheets and the job, in their own units; change one and all that follows changes"),
        ("formula", "black: a cell formula, from the readings down to the gains"),
        ("between", "italic: a formula for a lift at which this port was not measured (monotone cubic)"),
        ("value", "italic on grey: a value written by flowkit, not a formula (air, models, the fitted scatter)"),
    ):
        pen.put(1, {"raw": "as read", "value": "computed by flowkit"}.get(kind, kind), Style(kind, left=True))
        pen.put(2, meaning, Style("quiet", left=True))
        pen.row += 1
    pen.row += 1
