"""The sheet of flows by band: each port's mean flow in every band of lift, from its curve.

A band ends between the lifts. The curve's flow and slope there stand beside the port, and the
area under the curve from knot to knot is exact, as a piece of a cubic is a cubic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flowkit.analysis.results import SideComparison
from flowkit.model import Side
from flowkit.reports.further import BandTable, band_limits, band_tables, gains_of_steps
from flowkit.reports.workbook.curve import Knot, flow_inside, knot_at, rows_area, slope_inside, step_area
from flowkit.reports.workbook.draft import Draft
from flowkit.reports.workbook.pen import Formula, Pen, spans
from flowkit.reports.workbook.plan import PortPlan, SidePlan, VariantPlan
from flowkit.reports.workbook.styles import Style
from flowkit.units import from_si

__all__ = ["band_mean", "write_bands"]

_SHEET, _FLOWS = "Flow by band", "Corrected flows"
_WIDTHS = {1: 20.0, 2: 6.0}
_ON_A_LIFT_M = 1e-12
"""A border this near to a lift of the grid is that lift."""


def write_bands(draft: Draft) -> None:
    """Write every port's mean flow in the bands of lift.

    Parameters
    ----------
    draft : Draft
        Its `bands` are filled.
    """
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
    pen.widths(_WIDTHS, 14.5)
    pen.paper(freeze="B4")


def band_mean(draft: Draft, which: tuple[Side, int, str], ports: Sequence[str], band: int) -> str:
    """Return the mean over some ports (all where none is named) of their mean flows in a band, as a formula.

    Parameters
    ----------
    draft : Draft
    which : tuple
        Side, number of its table of bands, variant.
    ports : sequence of str
    band : int
        Its place in the table.
    """
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
    """One side's bands: a row a port of every variant.

    Attributes
    ----------
    draft : Draft
    pen : Pen
    side : SidePlan
    table : BandTable
    number : int
        Of the side's table of bands.
    row : int
        The first free row.
    """

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
        pen.header(self.row + 1, heads, widths=_WIDTHS, words=(1, 2))
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
