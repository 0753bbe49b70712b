"""The sheet of areas: geometry of every variant, effective areas and coefficients at every lift."""

from __future__ import annotations

from dataclasses import dataclass

from flowkit.analysis.results import VariantFlow
from flowkit.model import ValveGeometry
from flowkit.reports.further import velocity_unit
from flowkit.reports.workbook.draft import Draft
from flowkit.reports.workbook.pen import Formula, Pen
from flowkit.reports.workbook.plan import SidePlan, VariantPlan, rounded
from flowkit.reports.workbook.styles import Style
from flowkit.units import from_si

__all__ = ["write_areas"]

_SOURCE = (
    "Minimum area: Heywood, Internal Combustion Engine Fundamentals, 1988, eqs 6.7 to 6.9; the seat's width is "
    "measured along its face. Coefficient: effective over geometric area."
)

_ROWS_A_PAGE = 48
_SEAT = {"head", "passage", "w"}
"""What the least passage follows from."""


def write_areas(draft: Draft) -> None:
    """Write areas and coefficients of every variant.

    Parameters
    ----------
    draft : Draft
    """
    from openpyxl.worksheet.pagebreak import Break

    pen = draft.pens["Areas"]
    pen.title("Areas and flow coefficients", _SOURCE, width=100)
    row, used = 4, 3
    for side in draft.sides:
        for variant in side.variants:
            height = len(variant.flow.lifts_m) + 8
            if used > 3 and used + height > _ROWS_A_PAGE:
                pen.sheet.row_breaks.append(Break(row - 1))
                used = 0
            used += height
            row = _Block(draft, pen, side, variant, row).write() + 2
    pen.widths({}, 12.5)
    pen.paper(freeze="B4")


@dataclass(frozen=True, slots=True)
class _Column:
    """A column: its head, its formula with {lift}, {flow}, {area} and {least} open, its values and decimals."""

    head: str
    formula: str | None
    values: tuple[float | None, ...]
    digits: int = 3


@dataclass
class _Block:
    """One variant on one side."""

    draft: Draft
    pen: Pen
    side: SidePlan
    variant: VariantPlan
    row: int

    def write(self) -> int:
        """Write it; return the last row used."""
        show = self.draft.display
        words = f"{self.side.side.capitalize()}, {self.variant.name}"
        self.pen.put(self.row, 1, words, Style("heading"))
        cells = self._geometry()
        self.row += 3
        heads = [f"lift, {show.lift}", f"flow, {show.flow}", f"effective area, {show.area}"]
        columns = self._columns(cells)
        self.pen.header(self.row, [*heads, *(column.head for column in columns)])
        for lift_m, flow in zip(self.variant.flow.lifts_m, self.variant.flow.effective_area_m2, strict=True):
            self.row += 1
            self._line(lift_m, flow, columns)
        return self.row

    def _geometry(self) -> dict[str, str]:
        """Write the valve's dimensions in one row and what follows from them; return their cells."""
        show, pen, row = self.draft.display, self.pen, self.row + 1
        valve: ValveGeometry = self.variant.curves.valve
        unit = show.diameter
        known = {
            "head": (f"valve head, {unit}", valve.head_m),
            "stem": (f"stem, {unit}", valve.stem_m),
            "throat": (f"throat, {unit}", valve.throat_m),
            "width": (f"seat width, {unit}", valve.seat_width_m),
        }
        cells: dict[str, str] = {}
        column = 1

        def put(key: str, head: str, value: Formula | float, style: Style) -> None:
            """Write one dimension and keep its cell."""
            nonlocal column
            pen.header(row, [head], start=column)
            pen.put(row + 1, column, value, style)
            cells[key] = pen.here(row + 1, column, lock_row=True, lock_column=True)
            column += 1

        for key, (head, value) in known.items():
            if value is not None:
                put(key, head, rounded(from_si(value, unit)), Style("raw"))
        if valve.seat_angle_deg is not None:
            put("angle", "seat angle, °", valve.seat_angle_deg, Style("raw"))
        flow = self.variant.flow
        if {"throat", "stem"} <= set(cells):
            text = f"PI()/4*({cells['throat']}^2-{cells['stem']}^2)"
            put("passage", f"throat area, {show.area}", Formula(text), Style("formula", show.area_digits))
        if {"width", "angle"} <= set(cells):
            put("w", f"radial seat width, {unit}", Formula(_radial(cells)), Style("formula", show.diameter_digits))
        if flow.takeover_lift_m is not None and set(cells) >= _SEAT:
            value = from_si(flow.takeover_lift_m, show.lift)
            style = Style("formula", show.lift_digits)
            put("takeover", f"throat takes over at, {show.lift}", Formula(_takeover(cells), value), style)
        if valve.port_area_m2 is not None:
            area = rounded(from_si(valve.port_area_m2, show.area))
            put("port", f"port cross-section, {show.area}", area, Style("raw"))
        self.row += 1
        return cells

    def _columns(self, cells: dict[str, str]) -> list[_Column]:
        """Return the further columns: those whose dimensions are known as formulas, others as values."""
        flow: VariantFlow = self.variant.flow
        known = flow.coefficients
        area = self.draft.display.area
        columns: list[_Column] = []
        if flow.minimum_area_m2 is not None:
            values = tuple(from_si(value, area) for value in flow.minimum_area_m2)
            formula = _least(cells) if set(cells) >= _SEAT else None
            columns.append(_Column(f"minimum area, {area}", formula, values, max(self.draft.display.area_digits, 1)))
        velocity = self._velocity(cells)
        if known is None:
            return [*columns, *velocity]
        # The coefficients are given at open lifts only.
        shut = (None,) * (len(flow.lifts_m) - len(known.lifts_m))
        for over, needed, formula, figures in (
            ("curtain", "head", "{{area}}/(PI()*{head}*{{lift}})", known.curtain),
            ("throat", "passage", "{{area}}/{passage}", known.throat),
            ("valve", "head", "{{area}}/(PI()/4*{head}^2)", known.valve),
            ("minimum", "", "{{area}}/{{least}}", known.minimum),
        ):
            if figures is not None:
                text = formula.format(**cells) if not needed or needed in cells else None
                columns.append(_Column(f"coefficient on {over} area", text, (*shut, *figures)))
        return [*columns, *velocity]

    def _velocity(self, cells: dict[str, str]) -> list[_Column]:
        """Return the column of the mean velocity in the port, where its cross-section is known."""
        show, known = self.draft.display, self.variant.flow.port_velocity_m_s
        if known is None:
            return []
        unit, scale = velocity_unit(show)
        text = None
        if "port" in cells:
            flow, area = self.draft.units[show.flow], self.draft.units[show.area]
            text = f"{{flow}}*{flow}/({cells['port']}*{area})" + (f"/{scale}" if scale != 1.0 else "")
        return [_Column(f"mean port velocity, {unit}", text, tuple(value / scale for value in known), 1)]

    def _line(self, lift_m: float, effective: float, columns: list[_Column]) -> None:
        """Write one lift."""
        draft, pen, row, show = self.draft, self.pen, self.row, self.draft.display
        block = draft.blocks[self.side.side, self.variant.name]
        flows = draft.pens["Corrected flows"]
        source = block.row(self.side.place(lift_m))
        index = self.variant.flow.lifts_m.index(lift_m)
        pen.put(row, 1, Formula(flows.at(source, 1), from_si(lift_m, show.lift)), Style("formula", show.lift_digits))
        flow = from_si(self.variant.flow.flow_m3_s[index], show.flow)
        pen.put(row, 2, Formula(flows.at(source, block.mean), flow), Style("formula", show.flow_digits))
        velocity = draft.reference[f"velocity {self.side.side}"]
        text = f"{pen.here(row, 2)}*{draft.units[show.flow]}/{velocity}/{draft.units[show.area]}"
        digits = max(show.area_digits, 1)
        pen.put(row, 3, Formula(text, from_si(effective, show.area)), Style("formula", digits))
        opened = {"lift": pen.here(row, 1, lock_column=True), "area": pen.here(row, 3, lock_column=True)}
        opened["flow"] = pen.here(row, 2, lock_column=True)
        opened["least"] = pen.here(row, 4, lock_column=True)
        for place, column in enumerate(columns, 4):
            value = column.values[index]
            if value is not None:
                kind = "value" if column.formula is None else "formula"
                style = Style(kind, column.digits)
                formula = column.formula.format(**opened) if column.formula else None
                pen.put(row, place, Formula(formula, value) if formula else value, style)


def _radial(cells: dict[str, str]) -> str:
    """Return the seat's width square to the valve's axis."""
    return f"{cells['width']}*COS(RADIANS({cells['angle']}))"


def _least(cells: dict[str, str]) -> str:
    """Return the least passage, seat or throat, with {lift} open (Heywood, eqs 6.7 to 6.9)."""
    head, w = cells["head"], cells["w"]
    beta = f"RADIANS({cells['angle']})"
    low = f"PI()*{{lift}}*COS({beta})*({head}-2*{w}+{{lift}}/2*SIN(2*{beta}))"
    high = f"PI()*({head}-{w})*SQRT(({{lift}}-{w}*TAN({beta}))^2+{w}^2)"
    return f"MIN(IF({{lift}}*SIN({beta})*COS({beta})<={w},{low},{high}),{cells['passage']})"


def _takeover(cells: dict[str, str]) -> str:
    """Return the lift at which the throat is the least passage (text under Heywood's eq. 6.9)."""
    head, w, throat = cells["head"], cells["w"], cells["passage"]
    beta = f"RADIANS({cells['angle']})"
    upper = f"{w}*TAN({beta})+SQRT(({throat}/(PI()*({head}-{w})))^2-{w}^2)"
    wanted = f"({throat}/(PI()*COS({beta})))"
    linear = f"({head}-2*{w})"
    lower = f"2*{wanted}/({linear}+SQRT({linear}^2+2*SIN(2*{beta})*{wanted}))"
    return f"IF({throat}*SIN({beta})>=PI()*({head}-{w})*{w},{upper},{lower})"
