"""The sheets of corrected flows and of the slopes of their curves.

A block a side and variant: a column a port, a row a lift, the mean over ports beside it,
curve areas and mean flows below. The slopes stand on a sheet of their own, each in the
cell its flow has here.
"""

from __future__ import annotations

from flowkit.reports.labels import port_text
from flowkit.reports.workbook.curve import area_formula, flow_between, slope_at, slope_between
from flowkit.reports.workbook.draft import Block, Draft
from flowkit.reports.workbook.pen import Formula, spans
from flowkit.reports.workbook.plan import PortPlan, SidePlan, VariantPlan
from flowkit.reports.workbook.styles import Style
from flowkit.units import format_quantity, from_si

__all__ = ["row_ranges", "write_flows"]

_FLOWS, _SLOPES = "Corrected flows", "Curve slopes"


def write_flows(draft: Draft) -> None:
    """Write corrected flows, their curves, areas and means.

    Parameters
    ----------
    draft : Draft
        Its `blocks` are filled.
    """
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
        "Of the monotone cubic through each port's flows, in the cell its flow has on the sheet before: Fritsch & "
        "Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, end slopes by three points.",
        width=66,
    )
    row = 4
    for side in draft.sides:
        row = _write_side(draft, side, row)
    for pen in (flows, slopes):
        pen.widths({1: 13.0})
        pen.paper(freeze="B4")
    _break_pages(draft)


def _write_side(draft: Draft, side: SidePlan, row: int) -> int:
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
    """Write a lift: the readings' own in a side's first block, that of the first block in the others."""
    show, pen = draft.display, draft.pens[_FLOWS]
    value = from_si(side.grid[place], show.lift)
    if first:
        origin = next(
            reading
            for variant in side.variants
            for port in variant.ports
            for reading in port.readings.get(place, ())
            if reading.point.lift_m == side.grid[place]
        )
        text = draft.lifts[origin.row]
    else:
        text = pen.here(draft.blocks[side.side, side.variants[0].name].row(place), 1, lock_row=True, lock_column=True)
    pen.put(block.row(place), 1, Formula(text, value), Style("formula", show.lift_digits))
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
    known = next(item for item in side.result.variant(port.curve.variant).ports if item.port == port.name)
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
    """Return the cells of a column of corrected flows at some lifts, as a formula's arguments.

    Parameters
    ----------
    draft : Draft
    block : Block
    column : int
    places : list of int
        Places in the side's grid, in rising order.
    """
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
