"""Sheets of flows, slopes and mean flows by band of lift, as formulas of the corrected readings."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from flowkit.analysis.results import SideComparison
from flowkit.model import Side
from flowkit.reports.contents import BandTable, band_limits, band_tables, gains_of_steps
from flowkit.reports.labels import port_text
from flowkit.reports.workbook import look
from flowkit.reports.workbook.book import Block, Book, Knot, PortPlan, SidePlan, VariantPlan
from flowkit.reports.workbook.look import Style
from flowkit.reports.workbook.pen import spans
from flowkit.units import format_quantity

FLOWS, SLOPES, BANDS = "Corrected flows", "Curve slopes", "Flow by band"
_ROWS_UPRIGHT, _ROWS_ACROSS = 48, 34


def _on_cubic(x: str, low: Knot, high: Knot) -> tuple[str, str]:
    """Return flow and slope at a lift between two knots, on the cubic through them."""
    (l0, q0, d0), (l1, q1, d1) = low, high
    h = f"({l1}-{l0})"
    t = f"(({x}-{l0})/{h})"
    flow = f"{q0}*(1+2*{t})*(1-{t})^2+{q1}*{t}^2*(3-2*{t})+{h}*{d0}*{t}*(1-{t})^2+{h}*{d1}*{t}^2*({t}-1)"
    return flow, f"6*({t}-{t}^2)*({q1}-{q0})/{h}+{d0}*(1-4*{t}+3*{t}^2)+{d1}*(3*{t}^2-2*{t})"


def _step_area(low: Knot, high: Knot) -> str:
    """Return the area under the cubic between two knots: ``h·(q0 + q1)/2 + h²·(d0 − d1)/12``."""
    (l0, q0, d0), (l1, q1, d1) = low, high
    h = f"({l1}-{l0})"
    return f"{h}*({q0}+{q1})/2+{h}^2*({d0}-{d1})/12"


def _pairs(low: Sequence[str], high: Sequence[str], sign: str) -> str:
    """Return each of some neighbouring cells with the one before it, as an array formula; given two at each end."""
    ends = [cell.rpartition("!")[2] for cell in high]
    return f"({low[1]}:{ends[1]}{sign}{low[0]}:{ends[0]})"


def _rows_area(block: Block, column: int, ends: tuple[int, int], *, away: bool, cubic: bool = True) -> str:
    """Return the area under the cubics, or straight lines, through neighbouring rows, two rows or more."""
    low, high = ends
    first, last = (
        list(zip(*(block.knot(column, place, away=away) for place in two), strict=True))
        for two in ((low, low + 1), (high - 1, high))
    )
    h, sums = _pairs(first[0], last[0], "-"), _pairs(first[1], last[1], "+")
    straight = f"SUMPRODUCT({h}*{sums})/2"
    return f"{straight}-SUMPRODUCT({h}^2*{_pairs(first[2], last[2], '-')})/12" if cubic else straight


def _slope(block: Block, column: int, place: int, measured: Sequence[int]) -> str:
    """Return the slope at a measured lift (Fritsch & Butland; at the ends by three points)."""
    index = measured.index(place)
    if len(measured) == 1:
        return "0"
    if 0 < index < len(measured) - 1:
        (l0, q0, _), (l1, q1, _), (l2, q2, _) = (block.knot(column, item) for item in measured[index - 1 : index + 2])
        first, second = f"({l1}-{l0})", f"({l2}-{l1})"
        terms = f"(2*{second}+{first})*{first}/({q1}-{q0})+({second}+2*{first})*{second}/({q2}-{q1})"
        return f"IF(({q1}-{q0})*({q2}-{q1})<=0,0,3*({l2}-{l0})/({terms}))"
    near = measured[:3] if index == 0 else measured[-1:-4:-1]
    knots = [block.knot(column, item) for item in near]
    steps = [f"({b[0]}-{a[0]})" for a, b in pairwise(knots)]
    chords = [f"({b[1]}-{a[1]})/{step}" for (a, b), step in zip(pairwise(knots), steps, strict=True)]
    if len(measured) == 2:
        return chords[0]
    parabola = f"((2*{steps[0]}+{steps[1]})*{chords[0]}-{steps[0]}*{chords[1]})/({steps[0]}+{steps[1]})"
    turns = f"AND(SIGN({chords[0]})<>SIGN({chords[1]}),ABS({parabola})>3*ABS({chords[0]}))"
    return f"IF(SIGN({parabola})<>SIGN({chords[0]}),0,IF({turns},3*{chords[0]},{parabola}))"


def _trapezoid(block: Block, column: int, ends: tuple[int, int], measured: Sequence[int]) -> str:
    """Return the area of straight lines between measured flows, cut off at the ends."""

    def knot(place: int) -> tuple[str, str]:
        """Return a place's lift and flow: the cell, or the straight line between its neighbours."""
        lift, flow, _ = block.knot(column, place, away=False)
        if place not in measured:
            before, after = _around(place, measured)
            (l0, q0, _), (l1, q1, _) = (block.knot(column, item, away=False) for item in (before, after))
            flow = f"({q0}+({q1}-{q0})*({lift}-{l0})/({l1}-{l0}))"
        return lift, flow

    low, high = ends
    knots = [low, *(place for place in measured if low < place < high), high]
    long = [span for span in spans(place for place in knots if place in measured) if span[1] - span[0] > 1]
    terms = [_rows_area(block, column, span, away=False, cubic=False) for span in long]
    for a, b in pairwise(knots):
        if not any(first <= a and b <= last for first, last in long):
            (l0, q0), (l1, q1) = knot(a), knot(b)
            terms.append(f"({l1}-{l0})*({q0}+{q1})/2")
    return "+".join(terms)


def _around(place: int, measured: Sequence[int]) -> tuple[int, int]:
    """Return the measured places on either side of one that was not measured."""
    return max(p for p in measured if p < place), min(p for p in measured if p > place)


def write_flows(book: Book) -> None:
    """Write corrected flows, their curves, areas and means."""
    flows, slopes = book.pens[FLOWS], book.pens[SLOPES]
    comparison, show = book.contents.comparison, book.display
    pressure = format_quantity(comparison.reference.pressure_pa, show.pressure, 2)
    words = (
        "exact, of the monotone cubic" if comparison.area_method == "pchip" else "of straight lines between the points"
    )
    flows.title(
        f"Corrected flows at {pressure}",
        "Mean of the runs at every lift. Lifts at which a port was not measured (in italics) are read from the "
        f"monotone cubic through its points; areas are {words}.",
        width=66,
    )
    slopes.title(
        "Slopes of the curves",
        "Of the monotone cubic through each port's flows, in the same cell as its flow on the previous sheet: Fritsch "
        "& Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, end slopes by three points.",
        width=66,
    )
    for side in book.sides:
        for variant in side.variants:
            columns = {port.name: column for column, port in enumerate(variant.ports, 2)}
            block = Block(flows, slopes, flows.row + 2, len(side.grid), columns)
            book.blocks[side.side, variant.name] = block
            for pen, what, unit in ((flows, "flow", show.flow), (slopes, "slope", f"{show.flow} per {show.lift}")):
                pen.heading(f"{side.side.capitalize()}, {variant.name}: {what}, {unit}")
                heads = [f"lift, {show.lift}", *(port_text(port.name) for port in variant.ports)]
                pen.header([*heads, "mean of ports"] if pen is flows else heads)
            _write_lifts(book, side, block)
            for port in variant.ports:
                _write_port(book, side, block, port)
            _write_means(book, side, block, variant)
            flows.row = slopes.row = block.area + 3
    for pen in (flows, slopes):
        pen.widths = {1: 13.0}
        pen.finish(freeze="B4")
        used, most = 3, _ROWS_UPRIGHT if pen.sheet.page_setup.orientation == "portrait" else _ROWS_ACROSS
        for block in book.blocks.values():
            height = block.count + 5
            if used > 3 and used + height > most:
                pen.break_page(block.top - 2)
                used = 0
            used += height


def _write_lifts(book: Book, side: SidePlan, block: Block) -> None:
    """Write the lifts: the readings' own in a side's first block, those of the first block in the others.

    An end of a stated range that no reading has is a value, as it is in the job file.
    """
    first = book.blocks[side.side, side.variants[0].name]
    readings = [
        (reading.point.lift_m, reading.row)
        for variant in side.variants
        for port in variant.ports
        for own in port.readings.values()
        for reading in own
    ]
    for place, lift_m in enumerate(side.grid):
        row, value = block.row(place), book.in_lift(lift_m)
        if block is first:
            origin = next((line for lift, line in readings if lift == lift_m), None)
            text = "" if origin is None else book.tables["corrections"].at("lift", origin)
        else:
            text = block.flows.here(1, first.row(place), "cr")
        block.flows.put(1, value, book.lift, text, row=row)
        block.slopes.put(1, value, book.lift, block.flows.at(1, row, "c"), row=row)


def _write_port(book: Book, side: SidePlan, block: Block, port: PortPlan) -> None:
    """Write one port's flows and slopes, and its area and mean flow over the common range."""
    column, measured, pen = block.ports[port.name], list(port.readings), block.flows
    per_lift = book.in_flow(1.0) / book.in_lift(1.0)
    for place in port.places:
        lift, row = side.grid[place], block.row(place)
        if place in port.readings:
            cells = [book.tables["corrections"].at("done", reading.row) for reading in port.readings[place]]
            flow = f"AVERAGE({','.join(cells)})" if len(cells) > 1 else cells[0]
            slope, style = _slope(block, column, place, measured), book.flow
        else:
            flow, slope = (
                _on_cubic(
                    block.knot(column, place, away=away)[0],
                    *(block.knot(column, item, away=away) for item in _around(place, measured)),
                )[away]
                for away in (False, True)
            )
            style = Style("between", book.display.flow_digits)
        pen.put(column, book.in_flow(float(port.curve.flow(lift))), style, flow, row=row)
        block.slopes.put(column, float(port.curve.slope(lift)) * per_lift, style, slope, row=row)
    known = next(item for item in side.result.variant(port.curve.variant).ports if item.label == port.name)
    bold, (low, high) = look.number(book.display.flow_digits, bold=True), side.ends
    if low == high:
        text = pen.here(column, block.row(low))
    else:
        if book.contents.comparison.area_method == "trapezoid":
            text = _trapezoid(block, column, side.ends, measured)
        else:
            text = _rows_area(block, column, side.ends, away=False)
        pen.put(column, book.in_flow(known.curve_area_m4_s) * book.in_lift(1.0), bold, text, row=block.area)
        lifts = [pen.here(1, block.row(place), "c") for place in side.ends]
        text = f"{pen.here(column, block.area)}/({lifts[1]}-{lifts[0]})"
    pen.put(column, book.in_flow(known.mean_flow_m3_s), bold, text, row=block.area + 1)


def _write_means(book: Book, side: SidePlan, block: Block, variant: VariantPlan) -> None:
    """Write the means over ports beside them, and the names of the last two rows."""
    pen, digits = block.flows, book.display.flow_digits

    def mean(row: int, value: float, style: Style) -> None:
        """Write the mean over the ports of a row."""
        text = f"AVERAGE({pen.here(2, row)}:{pen.here(block.mean - 1, row)})"
        pen.put(block.mean, value, style, text, row=row)

    for place in variant.places:
        measured = any(place in port.readings for port in variant.ports)
        flow = book.in_flow(float(variant.curves.flow(side.grid[place])))
        mean(block.row(place), flow, book.flow if measured else Style("between", digits))
    bold = look.number(digits, bold=True)
    if side.ends[0] != side.ends[1]:
        pen.put(1, f"area, × {book.display.lift}", Style(bold=True), row=block.area)
        mean(block.area, book.in_flow(variant.flow.curve_area_m4_s * book.in_lift(1.0)), bold)
    pen.put(1, "mean flow", Style(bold=True), row=block.area + 1)
    mean(block.area + 1, book.in_flow(variant.flow.mean_flow_m3_s), bold)


_ON_A_LIFT_M = 1e-12
"""A border this near to a lift of the grid is that lift."""


def write_bands(book: Book) -> None:
    """Write every port's mean flow in the bands of lift."""
    pen = book.pens[BANDS]
    pen.title(
        "Mean flow of each port by band of lift",
        "From the curves: flow and slope where a band ends, then the area between the ends over their distance.",
        width=90,
    )
    pen.widths = {1: 20.0, 2: 6.0}
    for side in book.sides:
        for number_of_table, table in enumerate(band_tables(side.result)):
            _write_table(book, side, table, number_of_table)
    if pen.row == 4:
        pen.put(1, "All lifts lie in one band.")
    pen.finish(14.5, freeze="B4")


def band_average(book: Book, which: tuple[Side, int, str], ports: Sequence[str], band: int) -> str:
    """Return the mean over some ports (all where none is named) of their mean flows in a band, as a formula."""
    rows, column = book.bands[which]
    used = [row for port, row in rows.items() if not ports or port in ports]
    return f"AVERAGE({','.join(book.pens[BANDS].ranges(column + band, used, 'cr', away=True))})"


def _named(result: SideComparison, table: BandTable) -> set[str]:
    """Return the variants whose flows a table of bands needs: those shown, and both ends of its gains."""
    ends = dict(gains_of_steps(result))
    needed = {row.variant for row in table.rows if row.variant is not None and row.flows_m3_s[0] is not None}
    for row in table.rows:
        if row.gains[0] is not None:
            needed |= {ends[row.variant].from_, ends[row.variant].to}
    return needed


def _write_table(book: Book, side: SidePlan, table: BandTable, index: int) -> None:
    """Write one side's bands: a row a port of every variant."""
    pen, show = book.pens[BANDS], book.display
    # Areas of cubics need the curve where a band ends; those of straight lines are written as values.
    exact = book.contents.comparison.area_method == "pchip"
    borders = [end for _, _, end in table.limits[:-1]] if exact else []
    first = 3 + 2 * len(borders)
    pen.heading(f"{side.side.capitalize()}: mean flow of each port by band of lift")
    heads = ["variant", "port"]
    heads += [f"flow, {show.flow}, at the lift below", f"slope, {show.flow} per {show.lift}"] * len(borders)
    heads += [f"{band_limits(limit, show)}, {limit[0]}, {show.flow}" for limit in table.limits]
    pen.header(heads, words=(1, 2))
    top = pen.row
    if borders:
        pen.put(1, f"bands end at, {show.lift}", look.QUIET)
    for place, border in enumerate(borders):
        pen.put(3 + 2 * place, book.in_lift(border), book.lift)
    needed = _named(side.result, table)
    for variant in (one for one in side.variants if one.name in needed):
        rows: dict[str, int] = {}
        for port in variant.ports:
            pen.row += 1
            rows[port.name] = pen.row
            pen.put(1, variant.name, Style(wrap=True))
            pen.put(2, port.name, look.APART)
            block = book.blocks[side.side, variant.name]
            knots = _band_ends(book, side, (block, port), borders, top)
            for place, (_, start, end) in enumerate(table.limits):
                flow = book.in_flow(port.curve.mean_flow(start, end, book.contents.comparison.area_method))
                text = ""
                if exact:
                    inner = [i for i, x in enumerate(side.grid) if start + _ON_A_LIFT_M < x < end - _ON_A_LIFT_M]
                    low, high = knots[place], knots[place + 1]
                    area = _band_area(block, block.ports[port.name], (low, high), inner)
                    text = f"({area})/({high[0]}-{low[0]})"
                pen.put(first + place, flow, book.flow, text)
        book.bands[side.side, index, variant.name] = (rows, first)
    pen.row += 2


def _band_ends(
    book: Book, side: SidePlan, curve: tuple[Block, PortPlan], borders: Sequence[float], top: int
) -> list[Knot]:
    """Write flow and slope of a port where bands end; return all ends, those of the range with them."""
    pen, (block, port), style = book.pens[BANDS], curve, Style("between", book.display.flow_digits)
    own, per_lift = block.ports[port.name], book.in_flow(1.0) / book.in_lift(1.0)
    knots = [block.knot(own, side.ends[0])]
    for column, border in zip(range(3, 3 + 2 * len(borders), 2), borders, strict=True):
        x = pen.here(column, top, "cr")
        below = max(place for place, lift in enumerate(side.grid) if lift <= border + _ON_A_LIFT_M)
        low = block.knot(own, below)
        on = border - side.grid[below] <= _ON_A_LIFT_M
        texts = low[1:] if on else _on_cubic(x, low, block.knot(own, below + 1))
        pen.put(column, book.in_flow(float(port.curve.flow(border))), style, texts[0])
        pen.put(column + 1, float(port.curve.slope(border)) * per_lift, style, texts[1])
        knots.append((x, pen.here(column), pen.here(column + 1)))
    return [*knots, block.knot(own, side.ends[1])]


def _band_area(block: Block, column: int, ends: tuple[Knot, Knot], inner: Sequence[int]) -> str:
    """Return the area under a port's curve between the ends of a band, with the lifts of the grid inside it."""
    if not inner:
        return _step_area(*ends)
    terms = [_step_area(ends[0], block.knot(column, inner[0])), _step_area(block.knot(column, inner[-1]), ends[1])]
    if len(inner) > 1:
        terms.append(_rows_area(block, column, (inner[0], inner[-1]), away=True))
    return "+".join(terms)
