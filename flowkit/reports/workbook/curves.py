"""Sheets of flows, gains and mean flows over lift, as formulas of the corrected readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from flowkit.analysis.results import Gain, SideComparison
from flowkit.model import Side
from flowkit.reports.contents import BandTable, band_limits, band_tables, gains_of_steps
from flowkit.reports.labels import port_text, resolved_words
from flowkit.reports.workbook.pen import Formula, Pen, Style, changed_words, lines_of, spans
from flowkit.reports.workbook.plan import Block, Draft, PortPlan, SidePlan, VariantPlan, gain_chart
from flowkit.units import format_quantity, from_si

_FLOWS, _SLOPES = "Corrected flows", "Curve slopes"


Knot = tuple[str, str, str]
"""The addresses of lift, flow and slope at a point of a curve."""


def _cells(pen: Pen, block: Block, column: int, place: int) -> Knot:
    """Return the addresses of lift, flow and slope at a place."""
    row = block.row(place)
    flow = pen.here(row, column)
    return pen.here(row, 1, lock_column=True), flow, f"'{_SLOPES}'!{flow}"


def knot_at(pen: Pen, block: Block, column: int, place: int) -> Knot:
    """Return the addresses of lift, flow and slope at a place, as other sheets call them."""
    lift, flow, slope = _cells(pen, block, column, place)
    sheet = f"'{pen.sheet.title}'!"
    return sheet + lift, sheet + flow, slope


def _along(x: str, low: Knot, high: Knot) -> tuple[str, str]:
    """Return the distance of two knots, and how far along it a lift's cell is."""
    h = f"({high[0]}-{low[0]})"
    return h, f"(({x}-{low[0]})/{h})"


def flow_inside(x: str, low: Knot, high: Knot) -> str:
    """Return the flow at a lift between two knots, on the cubic through them."""
    (_, q0, d0), (_, q1, d1) = low, high
    h, t = _along(x, low, high)
    return f"{q0}*(1+2*{t})*(1-{t})^2+{q1}*{t}^2*(3-2*{t})+{h}*{d0}*{t}*(1-{t})^2+{h}*{d1}*{t}^2*({t}-1)"


def slope_inside(x: str, low: Knot, high: Knot) -> str:
    """Return the slope there."""
    (_, q0, d0), (_, q1, d1) = low, high
    h, t = _along(x, low, high)
    return f"6*({t}-{t}^2)*({q1}-{q0})/{h}+{d0}*(1-4*{t}+3*{t}^2)+{d1}*(3*{t}^2-2*{t})"


def step_area(low: Knot, high: Knot) -> str:
    """Return the area under the cubic between two knots: ``h·(q0 + q1)/2 + h²·(d0 − d1)/12``."""
    (l0, q0, d0), (l1, q1, d1) = low, high
    h = f"({l1}-{l0})"
    return f"{h}*({q0}+{q1})/2+{h}^2*({d0}-{d1})/12"


def rows_area(first: Knot, second: Knot, last_but_one: Knot, last: Knot) -> str:
    """Return the area under the cubics through neighbouring rows, two rows or more."""
    lifts, flows, slopes = zip(first, second, last_but_one, last, strict=True)

    def step(cells: Sequence[str], sign: str) -> str:
        """Return neighbouring cells taken from or added to one another, as one array formula."""
        tail = [cell.rpartition("!")[2] for cell in cells]
        return f"({cells[1]}:{tail[3]}{sign}{cells[0]}:{tail[2]})"

    h = step(lifts, "-")
    falling = step(slopes, "-")
    return f"SUMPRODUCT({h}*{step(flows, '+')})/2-SUMPRODUCT({h}^2*{falling})/12"


def slope_at(pen: Pen, block: Block, column: int, place: int, measured: Sequence[int]) -> str:
    """Return the slope at a measured lift."""
    index = list(measured).index(place)
    if len(measured) == 1:
        return "0"
    sheet = f"'{pen.sheet.title}'!"
    if 0 < index < len(measured) - 1:
        points = [_cells(pen, block, column, item)[:2] for item in measured[index - 1 : index + 2]]
        (l0, q0), (l1, q1), (l2, q2) = [(sheet + lift, sheet + flow) for lift, flow in points]
        first, second = f"({l1}-{l0})", f"({l2}-{l1})"
        terms = f"(2*{second}+{first})*{first}/({q1}-{q0})+({second}+2*{first})*{second}/({q2}-{q1})"
        return f"IF(({q1}-{q0})*({q2}-{q1})<=0,0,3*({l2}-{l0})/({terms}))"
    near = list(measured[:3]) if index == 0 else list(measured[-1:-4:-1])
    points = [_cells(pen, block, column, item)[:2] for item in near]
    chords = [f"({sheet}{b[1]}-{sheet}{a[1]})/({sheet}{b[0]}-{sheet}{a[0]})" for a, b in pairwise(points)]
    if len(measured) == 2:
        return chords[0]
    steps = [f"({sheet}{b[0]}-{sheet}{a[0]})" for a, b in pairwise(points)]
    parabola = f"((2*{steps[0]}+{steps[1]})*{chords[0]}-{steps[0]}*{chords[1]})/({steps[0]}+{steps[1]})"
    turns = f"AND(SIGN({chords[0]})<>SIGN({chords[1]}),ABS({parabola})>3*ABS({chords[0]}))"
    return f"IF(SIGN({parabola})<>SIGN({chords[0]}),0,IF({turns},3*{chords[0]},{parabola}))"


def flow_between(pen: Pen, block: Block, column: int, place: int, around: tuple[int, int]) -> str:
    """Return the flow at a lift that was not measured, between two that were."""
    low, high = (_cells(pen, block, column, item) for item in around)
    return flow_inside(_cells(pen, block, column, place)[0], low, high)


def slope_between(pen: Pen, block: Block, column: int, place: int, around: tuple[int, int]) -> str:
    """Return the slope there."""
    low, high = (knot_at(pen, block, column, item) for item in around)
    return slope_inside(knot_at(pen, block, column, place)[0], low, high)


def area_formula(
    pen: Pen, block: Block, column: int, ends: tuple[int, int], measured: Sequence[int], *, method: str
) -> str:
    """Return the area under a port's curve between two places."""
    low, high = ends
    if method == "trapezoid":
        return _trapezoid(pen, block, column, ends, measured)
    first, second, last_but_one, last = (_cells(pen, block, column, place) for place in (low, low + 1, high - 1, high))
    return rows_area(first, second, last_but_one, last)


def _trapezoid(pen: Pen, block: Block, column: int, ends: tuple[int, int], measured: Sequence[int]) -> str:
    """Return the area of straight lines between measured flows, cut off at the ends."""
    low, high = ends
    inner = [place for place in measured if low < place < high]
    knots = [low, *inner, high]

    def flow(place: int) -> str:
        """Return a place's flow: the cell, or the straight line between its neighbours."""
        if place in measured:
            return _cells(pen, block, column, place)[1]
        before, after = max(p for p in measured if p < place), min(p for p in measured if p > place)
        (l0, q0, _), (l1, q1, _) = (_cells(pen, block, column, item) for item in (before, after))
        here = _cells(pen, block, column, place)[0]
        return f"({q0}+({q1}-{q0})*({here}-{l0})/({l1}-{l0}))"

    terms = []
    for first, last in _stretches(knots, measured):
        if last - first > 1:
            lifts = [pen.here(block.row(p), 1, lock_column=True) for p in (first, first + 1, last - 1, last)]
            flows = [pen.here(block.row(p), column) for p in (first, first + 1, last - 1, last)]
            steps = f"({lifts[1]}:{lifts[3]}-{lifts[0]}:{lifts[2]})"
            terms.append(f"SUMPRODUCT({steps}*({flows[1]}:{flows[3]}+{flows[0]}:{flows[2]}))/2")
    covered = {
        pair
        for first, last in _stretches(knots, measured)
        if last - first > 1
        for pair in pairwise(range(first, last + 1))
    }
    for a, b in pairwise(knots):
        if (a, b) not in covered:
            lift_a, lift_b = _cells(pen, block, column, a)[0], _cells(pen, block, column, b)[0]
            terms.append(f"({lift_b}-{lift_a})*({flow(a)}+{flow(b)})/2")
    return "+".join(terms)


def _stretches(knots: Sequence[int], measured: Sequence[int]) -> list[tuple[int, int]]:
    """Return runs of neighbouring rows that were all measured."""
    return spans(place for place in knots if place in measured)


def write_flows(draft: Draft) -> None:
    """Write corrected flows, their curves, areas and means."""
    flows, slopes = draft.pens[_FLOWS], draft.pens[_SLOPES]
    pressure = format_quantity(draft.contents.comparison.reference.pressure_pa, draft.display.pressure, 2)
    method = draft.contents.comparison.area_method
    words = "exact, of the monotone cubic" if method == "pchip" else "of straight lines between the points"
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
    row = 4
    for side in draft.sides:
        row = _flows_write_side(draft, side, row)
    for pen in (flows, slopes):
        pen.widths({1: 13.0})
        pen.paper(freeze="B4")
    _break_pages(draft)


def _flows_write_side(draft: Draft, side: SidePlan, row: int) -> int:
    """Write one side's blocks; return the next free row."""
    show = draft.display
    for number, variant in enumerate(side.variants):
        top = row + 2
        count = len(side.grid)
        columns = {port.name: 2 + place for place, port in enumerate(variant.ports)}
        block = Block(top, columns, 2 + len(columns), top + count, top + count + 1)
        draft.blocks[side.side, variant.name] = block
        for sheet, what, unit in ((_FLOWS, "flow", show.flow), (_SLOPES, "slope", f"{show.flow} a {show.lift}")):
            pen = draft.pens[sheet]
            pen.put(row, 1, f"{side.side.capitalize()}, {variant.name}: {what}, {unit}", Style("heading"))
            heads = [f"lift, {show.lift}", *(port_text(port.name) for port in variant.ports)]
            pen.header(row + 1, heads if sheet == _SLOPES else [*heads, "mean of ports"])
        for place in range(count):
            _write_lift(draft, side, block, place, first=number == 0)
        for port in variant.ports:
            _write_port(draft, side, block, port)
        _write_means(draft, side, block, variant)
        row = block.flow + 2
    return row


def _write_lift(draft: Draft, side: SidePlan, block: Block, place: int, *, first: bool) -> None:
    """Write a lift: the readings' own in a side's first block, that of the first block in the others.

    An end of a stated range that no reading has is a value, as it is in the job file.
    """
    show, pen = draft.display, draft.pens[_FLOWS]
    value = from_si(side.grid[place], show.lift)
    origins = [
        reading.row
        for variant in side.variants
        for port in variant.ports
        for reading in port.readings.get(place, ())
        if reading.point.lift_m == side.grid[place]
    ]
    if not first:
        top = draft.blocks[side.side, side.variants[0].name].row(place)
        text = pen.here(top, 1, lock_row=True, lock_column=True)
        pen.put(block.row(place), 1, Formula(text, value), Style("formula", show.lift_digits))
    elif origins:
        pen.put(block.row(place), 1, Formula(draft.lifts[origins[0]], value), Style("formula", show.lift_digits))
    else:
        pen.put(block.row(place), 1, value, Style("value", show.lift_digits))
    mirror = Formula(pen.at(block.row(place), 1, lock_row=False), value)
    draft.pens[_SLOPES].put(block.row(place), 1, mirror, Style("formula", show.lift_digits))


def _write_port(draft: Draft, side: SidePlan, block: Block, port: PortPlan) -> None:
    """Write one port's flows and slopes, and its area and mean flow."""
    show, pen = draft.display, draft.pens[_FLOWS]
    column = block.ports[port.name]
    per_lift = from_si(1.0, show.flow) / from_si(1.0, show.lift)
    for place in range(port.first, port.last + 1):
        lift = side.grid[place]
        value = from_si(float(port.curve.flow(lift)), show.flow)
        slope = float(port.curve.slope(lift)) * per_lift
        if place in port.readings:
            cells = ",".join(draft.corrected[reading.row] for reading in port.readings[place])
            text = f"AVERAGE({cells})" if "," in cells else cells
            slope_text, kind = slope_at(pen, block, column, place, sorted(port.readings)), "formula"
        else:
            around = port.neighbours(place)
            text, kind = flow_between(pen, block, column, place, around), "between"
            slope_text = slope_between(pen, block, column, place, around)
        pen.put(block.row(place), column, Formula(text, value), Style(kind, show.flow_digits))
        draft.pens[_SLOPES].put(block.row(place), column, Formula(slope_text, slope), Style(kind, show.flow_digits))
    _write_area(draft, side, block, port)


def _write_area(draft: Draft, side: SidePlan, block: Block, port: PortPlan) -> None:
    """Write a port's curve area and mean flow over the common range."""
    show, pen = draft.display, draft.pens[_FLOWS]
    column, bold = block.ports[port.name], Style("formula", show.flow_digits, bold=True)
    known = next(item for item in side.result.variant(port.curve.variant).ports if item.label == port.name)
    area = from_si(known.curve_area_m4_s, show.flow) * from_si(1.0, show.lift)
    mean = from_si(known.mean_flow_m3_s, show.flow)
    low, high = pen.here(block.row(side.low), 1, lock_column=True), pen.here(block.row(side.high), 1, lock_column=True)
    if side.low == side.high:
        pen.put(block.flow, column, Formula(pen.here(block.row(side.low), column), mean), bold)
        return
    method = draft.contents.comparison.area_method
    text = area_formula(pen, block, column, (side.low, side.high), sorted(port.readings), method=method)
    pen.put(block.area, column, Formula(text, area), Style("formula", show.flow_digits, bold=True))
    pen.put(block.flow, column, Formula(f"{pen.here(block.area, column)}/({high}-{low})", mean), bold)


def _write_means(draft: Draft, side: SidePlan, block: Block, variant: VariantPlan) -> None:
    """Write the means over ports beside them, and the names of the last two rows."""
    show, pen = draft.display, draft.pens[_FLOWS]
    first, last = block.mean - len(block.ports), block.mean - 1

    def mean(row: int, value: float | None, style: Style) -> None:
        """Write the mean over the runs of a row."""
        text = f"AVERAGE({pen.here(row, first)}:{pen.here(row, last)})"
        pen.put(row, block.mean, Formula(text, None if value is None else from_si(value, show.flow)), style)

    for place in range(variant.first, variant.last + 1):
        flow = float(variant.curves.flow(side.grid[place]))
        measured = any(place in port.readings for port in variant.ports)
        mean(block.row(place), flow, Style("formula" if measured else "between", show.flow_digits))
    bold = Style("formula", show.flow_digits, bold=True)
    if side.low != side.high:
        pen.put(block.area, 1, f"area, × {show.lift}", Style(bold=True))
        mean(block.area, variant.flow.curve_area_m4_s * from_si(1.0, show.lift), bold)
    pen.put(block.flow, 1, "mean flow", Style(bold=True))
    mean(block.flow, variant.flow.mean_flow_m3_s, bold)


def row_ranges(draft: Draft, block: Block, column: int, places: list[int]) -> str:
    """Return the cells of a column of corrected flows at some lifts, as a formula's arguments."""
    pen = draft.pens[_FLOWS]
    parts = []
    for low, high in spans(places):
        one = pen.at(block.row(low), column)
        parts.append(
            one if low == high else f"{one}:{pen.here(block.row(high), column, lock_row=True, lock_column=True)}"
        )
    return ",".join(parts)


def _break_pages(draft: Draft) -> None:
    """Begin a page before a block that would otherwise be torn."""
    from openpyxl.worksheet.pagebreak import Break

    for name in (_FLOWS, _SLOPES):
        used = 3
        upright = draft.pens[name].sheet.page_setup.orientation == "portrait"
        for block in draft.blocks.values():
            height = block.flow + 2 - (block.top - 2)
            if used > 3 and used + height > (_ROWS_UPRIGHT if upright else _ROWS_ACROSS):
                draft.pens[name].sheet.row_breaks.append(Break(block.top - 3))
                used = 0
            used += height


_ROWS_UPRIGHT, _ROWS_ACROSS = 48, 34


_HEADS = (
    "of",
    "over",
    "gain in mean flow",
    "± 95 %",
    "verdict",
    "changed",
    "mean flow before",
    "mean flow after",
    "mean of gains per lift",
    "gain at the top lift",
    "largest",
    "smallest",
    "expected from geometry",
    "share of the total",
    "95 % interval from",
    "to",
)
_GAINS_WIDTHS = {1: 18.0, 2: 18.0, 6: 18.0}


def write_gains(draft: Draft) -> None:
    """Write the gains of every pair of variants."""
    from openpyxl.worksheet.pagebreak import Break

    pen = draft.pens["Gains"]
    pen.title(
        "Gains",
        "Ratios of mean flows over the ports tested in both, less 1. Intervals (JCGM 100:2008) in mean flow follow "
        "from the sheet of intervals, those at single lifts with a scatter that is fitted by flowkit.",
        width=130,
    )
    row = 4
    for side in draft.sides:
        if side.result.gains:
            if row > 4:
                pen.sheet.row_breaks.append(Break(row - 1))
            row = _gains_write_side(draft, pen, side, row)
    if row == 4:
        pen.put(4, 1, "There is one state only, so there is no gain.")
    pen.widths(_GAINS_WIDTHS, 12.0)
    pen.paper(freeze="B4", title_columns="A:A", last_row=row)


def _gains_write_side(draft: Draft, pen: Pen, side: SidePlan, row: int) -> int:
    """Write one side's tables and chart; return the next free row."""
    gains = side.result.gains
    pen.put(row, 1, f"{side.side.capitalize()}: gains in mean flow", Style("heading"))
    heads = [f"{head}, {draft.display.flow}" if head.startswith("mean flow") else head for head in _HEADS]
    pen.header(row + 1, heads, widths=_GAINS_WIDTHS, words=(1, 2, 6), apart=(5,))
    table = row + 2
    lifts = table + len(gains) + 3
    _write_lifts(draft, pen, side, lifts)
    for number, gain in enumerate(gains):
        _write_gain(draft, pen, side, gain, (table + number, lifts, number))
    places = _shown_places(side)
    below = lifts + len(places) + 1
    starts = _starts(gains)
    columns = {gain.to: start for gain, start in zip(gains, starts, strict=True) if gain.kind != "step"}
    gain_chart(draft, side, (lifts, lifts + len(places) - 1), columns, f"B{below}")
    return below + 21


def _starts(gains: Sequence[Gain]) -> list[int]:
    """Return the column of each pair's gains per lift: its interval follows, and what geometry would give, if known."""
    starts = [2]
    for gain in gains:
        starts.append(starts[-1] + (2 if gain.expected_from_geometry is None else 3))
    return starts[:-1]


def _shown_places(side: SidePlan) -> list[int]:
    """Return the places of all lifts that some gain is given at."""
    return sorted({side.place(item.lift_m) for gain in side.result.gains for item in gain.per_lift})


def _write_lifts(draft: Draft, pen: Pen, side: SidePlan, row: int) -> None:
    """Write the table of gains per lift."""
    show, flows = draft.display, draft.pens["Corrected flows"]
    pen.put(row - 2, 1, f"{side.side.capitalize()}: gains per lift", Style("heading"))
    heads = [f"lift, {show.lift}"]
    for gain in side.result.gains:
        heads += [f"{gain.to} over {gain.from_}", "± 95 %"]
        heads += [] if gain.expected_from_geometry is None else ["expected from geometry"]
    pen.header(row - 1, heads, widths=_GAINS_WIDTHS)
    first = draft.blocks[side.side, side.variants[0].name]
    rows = {place: row + number for number, place in enumerate(_shown_places(side))}
    for place, here in rows.items():
        value = from_si(side.grid[place], show.lift)
        pen.put(here, 1, Formula(flows.at(first.row(place), 1), value), Style("formula", show.lift_digits))
    for column, gain in zip(_starts(side.result.gains), side.result.gains, strict=True):
        blocks = [draft.blocks[side.side, name] for name in (gain.from_, gain.to)]
        for item in gain.per_lift:
            place = side.place(item.lift_m)
            ends = [mean_formula(draft, block, gain.matched_ports, block.row(place)) for block in blocks]
            kind = "between" if item.interpolated else "formula"
            pen.put(rows[place], column, Formula(f"{ends[1]}/{ends[0]}-1", item.gain), Style(kind, 1, gain=True))
            put_interval(
                draft, pen, (rows[place], column + 1), ("lift", side.side, gain.from_, gain.to, item.lift_m), item.u95
            )
            pen.put(rows[place], column + 2, item.expected, Style("value", 1, gain=True))


def mean_formula(draft: Draft, block: Block, ports: Sequence[str], row: int) -> str:
    """Return the mean over some ports in a row of the corrected flows, as a formula."""
    flows = draft.pens["Corrected flows"]
    columns = sorted(column for port, column in block.ports.items() if not ports or port in ports)
    parts = []
    for low, high in spans(columns):
        one = flows.at(row, low)
        parts.append(one if low == high else f"{one}:{flows.here(row, high, lock_row=True, lock_column=True)}")
    return f"AVERAGE({','.join(parts)})"


def _write_gain(draft: Draft, pen: Pen, side: SidePlan, gain: Gain, where: tuple[int, int, int]) -> None:
    """Write one pair's row of the gains in mean flow."""
    row, lifts, number = where
    show = draft.display
    before, after = (draft.blocks[side.side, name] for name in (gain.from_, gain.to))
    pen.put(row, 1, gain.to, Style(wrap=True))
    pen.put(row, 2, gain.from_, Style(wrap=True))
    means = [mean_formula(draft, block, gain.matched_ports, block.flow) for block in (before, after)]
    for column, text in ((7, means[0]), (8, means[1])):
        pen.put(
            row,
            column,
            Formula(text, _mean_value(side, gain, column == 8, show.flow)),
            Style("formula", show.flow_digits),
        )
    style = Style("formula", 1, gain=True)
    pen.put(
        row,
        3,
        Formula(f"{pen.here(row, 8)}/{pen.here(row, 7)}-1", gain.mean_flow_gain),
        Style("formula", 1, gain=True, bold=False),
    )
    draft.gains[side.side, gain.from_, gain.to] = pen.at(row, 3)
    key = ("gain", side.side, gain.from_, gain.to)
    put_interval(draft, pen, (row, 4), key, gain.mean_flow_gain_u95)
    for column, end, value in ((15, "low", gain.mean_flow_gain_low), (16, "high", gain.mean_flow_gain_high)):
        put_interval(draft, pen, (row, column), (*key, end), value, gain=True)
    pen.put(row, 5, resolved_words(gain), Style("value", left=True, wrap=True))
    pen.put(row, 6, changed_words(gain), Style(wrap=True))
    words = (resolved_words(gain), changed_words(gain))
    pen.tall(row, max(lines_of(text, width) for text, width in zip(words, (10.0, 17.0), strict=True)))
    pen.tall(row, max(lines_of(name, _GAINS_WIDTHS[1]) for name in (gain.to, gain.from_)))
    places = [side.place(item.lift_m) for item in gain.per_lift]
    order = {place: lifts + index for index, place in enumerate(_shown_places(side))}
    column = _starts(side.result.gains)[number]
    cells = ",".join(
        f"{pen.here(low, column)}:{pen.here(high, column)}" for low, high in spans(order[place] for place in places)
    )
    for target, function, value in (
        (9, "AVERAGE", gain.mean_of_gains),
        (11, "MAX", gain.largest.gain),
        (12, "MIN", gain.smallest.gain),
    ):
        pen.put(row, target, Formula(f"{function}({cells})", value), style)
    tops = [mean_formula(draft, block, gain.matched_ports, block.row(side.high)) for block in (before, after)]
    pen.put(row, 10, Formula(f"{tops[1]}/{tops[0]}-1", gain.gain_at_top_lift), style)
    pen.put(row, 13, gain.expected_from_geometry, Style("value", 1, gain=True))
    if gain.share_of_total is not None:
        pen.put(row, 14, Formula(_share(draft, side, gain), gain.share_of_total), Style("formula", 0, percent=True))


def put_interval(
    draft: Draft, pen: Pen, at: tuple[int, int], key: tuple[object, ...], value: float | None, *, gain: bool = False
) -> None:
    """Write an interval: its cell on the sheet of intervals, or the value where it has none."""
    cell = draft.intervals.get(key)
    style = Style("value" if cell is None else "formula", 1, gain=gain, percent=not gain)
    pen.put(*at, value if cell is None or value is None else Formula(cell, value), style)


def _mean_value(side: SidePlan, gain: Gain, after: bool, unit: str) -> float:
    """Return the mean flow over the matched ports of one end of a gain."""
    ports = side.result.variant(gain.to if after else gain.from_).ports
    used = [port.mean_flow_m3_s for port in ports if not gain.matched_ports or port.label in gain.matched_ports]
    return from_si(sum(used) / len(used), unit)


def _share(draft: Draft, side: SidePlan, gain: Gain) -> str:
    """Return a step's share of the total as a formula, over the ports common to the whole sequence."""
    named = [set(variant.curves.port_names) for variant in side.variants]
    common = [port for port in side.variants[0].curves.port_names if all(port in names for names in named)]
    first, last = side.variants[0].name, side.variants[-1].name
    means = []
    for name in (gain.from_, gain.to, first, last):
        block = draft.blocks[side.side, name]
        means.append(mean_formula(draft, block, common, block.flow))
    return f"LN({means[1]}/{means[0]})/LN({means[3]}/{means[2]})"


_SHEET = "Flow by band"
_BANDS_WIDTHS = {1: 20.0, 2: 6.0}
_ON_A_LIFT_M = 1e-12
"""A border this near to a lift of the grid is that lift."""


def write_bands(draft: Draft) -> None:
    """Write every port's mean flow in the bands of lift."""
    pen = draft.pens[_SHEET]
    pen.title(
        "Mean flow of each port by band of lift",
        "From the curves: flow and slope where a band ends, then the area between the ends over their distance.",
        width=90,
    )
    row = 4
    for side in draft.sides:
        for number, table in enumerate(band_tables(side.result)):
            row = _Table(draft, pen, side, table, number, row).write() + 1
    if row == 4:
        pen.put(4, 1, "All lifts lie in one band.")
    pen.widths(_BANDS_WIDTHS, 14.5)
    pen.paper(freeze="B4")


def band_mean(draft: Draft, which: tuple[Side, int, str], ports: Sequence[str], band: int) -> str:
    """Return the mean over some ports (all where none is named) of their mean flows in a band, as a formula."""
    rows, column = draft.bands[which]
    pen = draft.pens[_SHEET]
    parts = []
    for low, high in spans(sorted(row for port, row in rows.items() if not ports or port in ports)):
        one = pen.at(low, column + band)
        parts.append(one if low == high else f"{one}:{pen.here(high, column + band, lock_row=True, lock_column=True)}")
    return f"AVERAGE({','.join(parts)})"


def _named(result: SideComparison, table: BandTable) -> set[str]:
    """Return the variants whose flows a table of bands needs: those shown, and both ends of its gains."""
    ends = dict(gains_of_steps(result))
    needed = {row.variant for row in table.rows if row.variant is not None and row.flows_m3_s[0] is not None}
    for row in table.rows:
        if row.gains[0] is not None:
            needed |= {ends[row.variant].from_, ends[row.variant].to}
    return needed


@dataclass
class _Table:
    """One side's bands: a row a port of every variant."""

    draft: Draft
    pen: Pen
    side: SidePlan
    table: BandTable
    number: int
    row: int
    top: int = 0

    @property
    def exact(self) -> bool:
        """Whether areas are those of the cubics; the straight lines' are written as values."""
        return self.draft.contents.comparison.area_method == "pchip"

    @property
    def borders(self) -> list[float]:
        """Where one band ends and the next begins [m], as far as the curve is needed there."""
        return [end for _, _, end in self.table.limits[:-1]] if self.exact else []

    @property
    def first(self) -> int:
        """Column of the first band."""
        return 3 + 2 * len(self.borders)

    def write(self) -> int:
        """Write it; return the next free row."""
        show, pen = self.draft.display, self.pen
        pen.put(self.row, 1, f"{self.side.side.capitalize()}: mean flow of each port by band of lift", Style("heading"))
        heads = ["variant", "port"]
        for _ in self.borders:
            heads += [f"flow, {show.flow}, at the lift below", f"slope, {show.flow} a {show.lift}"]
        heads += [f"{band_limits(limit, show)}, {limit[0]}, {show.flow}" for limit in self.table.limits]
        pen.header(self.row + 1, heads, widths=_BANDS_WIDTHS, words=(1, 2))
        self.row += 2
        if self.borders:
            pen.put(self.row, 1, f"bands end at, {show.lift}", Style("quiet"))
        for place, border in enumerate(self.borders):
            pen.put(self.row, 3 + 2 * place, from_si(border, show.lift), Style("value", show.lift_digits))
        self.top = self.row
        needed = _named(self.side.result, self.table)
        for variant in self.side.variants:
            if variant.name in needed:
                rows = {}
                for port in variant.ports:
                    self.row += 1
                    rows[port.name] = self.row
                    self._port(variant, port)
                self.draft.bands[self.side.side, self.number, variant.name] = (rows, self.first)
        return self.row + 1

    def _port(self, variant: VariantPlan, port: PortPlan) -> None:
        """Write one port's row."""
        show, pen = self.draft.display, self.pen
        pen.put(self.row, 1, variant.name, Style(wrap=True))
        pen.put(self.row, 2, port.name, Style(left=True))
        knots = self._knots(variant, port)
        method = self.draft.contents.comparison.area_method
        for place, (_, start, end) in enumerate(self.table.limits):
            value = from_si(port.curve.mean_flow(start, end, method), show.flow)
            if self.exact:
                low, high = knots[place], knots[place + 1]
                text = f"({self._area(variant, port, (start, end), (low, high))})/({high[0]}-{low[0]})"
                pen.put(self.row, self.first + place, Formula(text, value), Style("formula", show.flow_digits))
            else:
                pen.put(self.row, self.first + place, value, Style("value", show.flow_digits))

    def _knots(self, variant: VariantPlan, port: PortPlan) -> list[Knot]:
        """Write flow and slope where the bands end; return all ends, those of the range with them."""
        pen, show = self.pen, self.draft.display
        per_lift = from_si(1.0, show.flow) / from_si(1.0, show.lift)
        knots = [self._grid(variant, port, self.side.low)]
        for place, border in enumerate(self.borders):
            column = 3 + 2 * place
            x = pen.here(self.top, column, lock_row=True, lock_column=True)
            flow = from_si(float(port.curve.flow(border)), show.flow)
            slope = float(port.curve.slope(border)) * per_lift
            below = max(i for i, lift in enumerate(self.side.grid) if lift <= border + _ON_A_LIFT_M)
            low, high = (self._grid(variant, port, i) for i in (below, below + 1))
            on = border - self.side.grid[below] <= _ON_A_LIFT_M
            texts = low[1:] if on else (flow_inside(x, low, high), slope_inside(x, low, high))
            for at, (text, value) in enumerate(zip(texts, (flow, slope), strict=True)):
                pen.put(self.row, column + at, Formula(text, value), Style("between", show.flow_digits))
            knots.append((x, pen.here(self.row, column), pen.here(self.row, column + 1)))
        return [*knots, self._grid(variant, port, self.side.high)]

    def _grid(self, variant: VariantPlan, port: PortPlan, place: int) -> Knot:
        """Return a port's knot at a lift of the grid."""
        block = self.draft.blocks[self.side.side, variant.name]
        return knot_at(self.draft.pens[_FLOWS], block, block.ports[port.name], place)

    def _area(self, variant: VariantPlan, port: PortPlan, ends: tuple[float, float], knots: tuple[Knot, Knot]) -> str:
        """Return the area under a port's curve between the ends of a band."""
        start, end = ends
        low, high = knots
        inner = [i for i, lift in enumerate(self.side.grid) if start + _ON_A_LIFT_M < lift < end - _ON_A_LIFT_M]
        if not inner:
            return step_area(low, high)
        first, last = self._grid(variant, port, inner[0]), self._grid(variant, port, inner[-1])
        terms = [step_area(low, first), step_area(last, high)]
        if len(inner) > 1:
            second, before = (self._grid(variant, port, inner[i]) for i in (1, -2))
            terms.append(rows_area(first, second, before, last))
        return "+".join(terms)
