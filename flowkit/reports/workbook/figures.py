"""Sheets of areas, coefficients, further figures and the summary."""

from __future__ import annotations

from dataclasses import dataclass

from flowkit.analysis.gains import find_corners
from flowkit.analysis.results import Interaction, VariantFlow
from flowkit.fields import field_of, section
from flowkit.model import ValveGeometry
from flowkit.reports.contents import (
    ALL_STEPS,
    FACTORIAL,
    BandTable,
    band_limits,
    band_tables,
    band_words,
    cautions_of,
    effects,
    gains_of_steps,
    ratio_between,
    ratio_lifts,
    ratio_variants,
    velocity_unit,
)
from flowkit.reports.labels import counted, job_words, method_words, reference_words
from flowkit.reports.workbook.curves import band_mean, mean_formula, put_interval, row_ranges
from flowkit.reports.workbook.pen import Formula, Pen, Style, changed_words, lines_of
from flowkit.reports.workbook.plan import Draft, SidePlan, VariantPlan, flow_chart, rounded
from flowkit.units import from_si

_SOURCE = (
    "Minimum area: Heywood, Internal Combustion Engine Fundamentals, 1988, eqs 6.7 to 6.9; the seat's width is "
    "measured along its face. Coefficient: effective over geometric area."
)

_ROWS_A_PAGE = 48
_SEAT = {"head", "passage", "w"}
"""What the least passage follows from."""


def write_areas(draft: Draft) -> None:
    """Write areas and coefficients of every variant."""
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
        lengths = [row for row in section("valves").values() if row.condition and row.kind == "length"]
        cells: dict[str, str] = {}
        column = 1

        def put(key: str, head: str, value: Formula | float, style: Style) -> None:
            """Write one dimension and keep its cell."""
            nonlocal column
            pen.header(row, [head], start=column)
            pen.put(row + 1, column, value, style)
            cells[key] = pen.here(row + 1, column, lock_row=True, lock_column=True)
            column += 1

        for item in lengths:
            value = getattr(valve, item.attribute)
            if value is not None:
                head = field_of("conditions", item.condition).words
                put(item.key, f"{head}, {unit}", rounded(from_si(value, unit)), Style("raw"))
        if valve.seat_angle_deg is not None:
            put("seat_angle", "seat angle, °", valve.seat_angle_deg, Style("raw"))
        flow = self.variant.flow
        if {"throat", "stem"} <= set(cells):
            text = f"PI()/4*({cells['throat']}^2-{cells['stem']}^2)"
            put("passage", f"throat area, {show.area}", Formula(text), Style("formula", show.area_digits))
        if {"seat_width", "seat_angle"} <= set(cells):
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
    return f"{cells['seat_width']}*COS(RADIANS({cells['seat_angle']}))"


def _least(cells: dict[str, str]) -> str:
    """Return the least passage, seat or throat, with {lift} open (Heywood, eqs 6.7 to 6.9)."""
    head, w = cells["head"], cells["w"]
    beta = f"RADIANS({cells['seat_angle']})"
    low = f"PI()*{{lift}}*COS({beta})*({head}-2*{w}+{{lift}}/2*SIN(2*{beta}))"
    high = f"PI()*({head}-{w})*SQRT(({{lift}}-{w}*TAN({beta}))^2+{w}^2)"
    return f"MIN(IF({{lift}}*SIN({beta})*COS({beta})<={w},{low},{high}),{cells['passage']})"


def _takeover(cells: dict[str, str]) -> str:
    """Return the lift at which the throat is the least passage (text under Heywood's eq. 6.9)."""
    head, w, throat = cells["head"], cells["w"], cells["passage"]
    beta = f"RADIANS({cells['seat_angle']})"
    upper = f"{w}*TAN({beta})+SQRT(({throat}/(PI()*({head}-{w})))^2-{w}^2)"
    wanted = f"({throat}/(PI()*COS({beta})))"
    linear = f"({head}-2*{w})"
    lower = f"2*{wanted}/({linear}+SQRT({linear}^2+2*SIN(2*{beta})*{wanted}))"
    return f"IF({throat}*SIN({beta})>=PI()*({head}-{w})*{w},{upper},{lower})"


SHEET = "Bands and ratios"
_FURTHER_WIDTHS = {1: 26.0}
_FURTHER_WIDTH = 96.0
_RATIO = 3
"""Decimals of a ratio."""


def write_further(draft: Draft) -> None:
    """Write mean flow and gain in bands of lift, main effects and interactions, and exhaust over intake flow."""
    pen = draft.pens[SHEET]
    pen.title(
        "Bands of lift, factorial and ratios",
        "Mean flows in bands are those of the ports on the previous sheet; ratios at equal share of peak lift, which "
        "lie between the lifts, are computed by flowkit.",
        width=_FURTHER_WIDTH,
    )
    row = 4
    for side in draft.sides:
        for number, table in enumerate(band_tables(side.result)):
            row = _write_bands(draft, pen, side, (number, table), row)
    for side in draft.sides:
        row = _write_effects(draft, pen, side, row)
    row = _write_ratio_at_lift(draft, pen, row)
    row = _write_ratio_at_share(draft, pen, row)
    if row == 4:
        pen.put(4, 1, "There is nothing to compare here.")
    pen.widths(_FURTHER_WIDTHS, 14.5)
    pen.paper(freeze="B4")


def _write_bands(draft: Draft, pen: Pen, side: SidePlan, numbered: tuple[int, BandTable], row: int) -> int:
    """Write one table of bands; return the next free row."""
    show = draft.display
    number, table = numbered
    known = dict(gains_of_steps(side.result))
    gained = any(gain is not None for item in table.rows for gain in item.gains)
    pen.put(row, 1, f"{side.side.capitalize()}: mean flow and gain of each step in bands of lift", Style("heading"))
    heads = ["variant"]
    for limit in table.limits:
        heads += [f"{band_limits(limit, show)}, {limit[0]}, {show.flow}"]
        heads += ["gain of the step", "± 95 %"] if gained else []
    pen.header(row + 1, heads, widths=_FURTHER_WIDTHS, words=(1,))
    row += 2
    step = 3 if gained else 1
    for item in table.rows:
        pen.put(row, 1, ALL_STEPS if item.variant is None else item.variant, Style(wrap=True))
        for place, (flow, gain) in enumerate(zip(item.flows_m3_s, item.gains, strict=True)):
            column = 2 + step * place
            if flow is not None and item.variant is not None:
                text = band_mean(draft, (side.side, number, item.variant), (), place)
                pen.put(row, column, Formula(text, from_si(flow, show.flow)), Style("formula", show.flow_digits))
            if gain is not None:
                one = known[item.variant]
                pair = [(side.side, number, name) for name in (one.from_, one.to)]
                ends = [band_mean(draft, which, one.matched_ports, place) for which in pair]
                pen.put(row, column + 1, Formula(f"{ends[1]}/{ends[0]}-1", gain.gain), Style("formula", 1, gain=True))
                key = ("band", side.side, one.from_, one.to, gain.name)
                put_interval(draft, pen, (row, column + 2), key, gain.u95)
        row += 1
    pen.put(row, 1, band_words(table), Style("quiet"))
    return row + 2


def _write_effects(draft: Draft, pen: Pen, side: SidePlan, row: int) -> int:
    """Write main effects and interactions of a side; return the next free row."""
    found = side.result.interactions
    corners = find_corners([variant.curves.state for variant in side.variants])
    if not found:
        return row
    pen.put(row, 1, f"{side.side.capitalize()}: main effects and interaction in mean flow", Style("heading"))
    assessed = any(item.interaction_u95 is not None for item in found)
    pen.header(row + 1, ["effect", "gain", *(["± 95 %"] if assessed else [])], widths=_FURTHER_WIDTHS, words=(1,))
    row += 2
    places = {known.factors: known.places for known in corners}
    for item in found:
        formulas = _effect_formulas(draft, side, places.get(item.factors), item)
        for number, (effect, text) in enumerate(zip(effects(item), formulas, strict=True)):
            pen.put(row, 1, effect.name, Style(wrap=True))
            pen.tall(row, 2 if len(effect.name) > _FURTHER_WIDTHS[1] else 1)
            style = Style("value" if text is None else "formula", 1, gain=True)
            pen.put(row, 2, effect.gain if text is None else Formula(text, effect.gain), style)
            if effect.u95 is not None:
                cell = draft.intervals.get(("effect", side.side, item.factors, number))
                half = effect.u95 if cell is None else Formula(f"(1+{pen.here(row, 2)})*{cell}", effect.u95)
                pen.put(row, 3, half, Style("value" if cell is None else "formula", 1, percent=True))
            row += 1
    pen.long_text(row, FACTORIAL, Style("quiet", wrap=True), width=_FURTHER_WIDTH)
    return row + 2


def _effect_formulas(
    draft: Draft, side: SidePlan, places: tuple[int, ...] | None, found: Interaction
) -> tuple[str | None, ...]:
    """Return both main effects and the interaction from the mean flows of the four corners; None where they moved."""
    if places is None:
        return (None,) * (len(found.main_effects) + 1)
    four = [side.variants[place] for place in places]
    shared = [set(variant.curves.port_names) for variant in four]
    ports = [port for port in four[0].curves.port_names if all(port in names for names in shared)]
    blocks = [draft.blocks[side.side, variant.name] for variant in four]
    q00, q10, q01, q11 = (mean_formula(draft, block, ports, block.flow) for block in blocks)
    return (
        f"SQRT({q10}/{q00}*{q11}/{q01})-1",
        f"SQRT({q01}/{q00}*{q11}/{q10})-1",
        f"{q11}*{q00}/({q10}*{q01})-1",
    )


def _write_ratio_at_lift(draft: Draft, pen: Pen, row: int) -> int:
    """Write exhaust over intake flow at equal lift; return the next free row."""
    pairs, lifts = ratio_variants(draft.contents.comparison), ratio_lifts(draft.contents.comparison)
    if not pairs or not lifts:
        return row
    show = draft.display
    pen.put(row, 1, "Exhaust over intake flow at equal lift", Style("heading"))
    pen.header(row + 1, [f"lift, {show.lift}", *(intake.name for intake, _ in pairs)], widths=_FURTHER_WIDTHS)
    row += 2
    for lift in lifts:
        _write_lift(draft, pen, row, lift)
        for column, pair in enumerate(pairs, 2):
            value, known = ratio_between(pair, lift)
            text = _ratio_formula(draft, pair[0].name, lift)
            if value is not None:
                kind = "value" if text is None else "formula" if known else "between"
                pen.put(row, column, value if text is None else Formula(text, value), Style(kind, _RATIO))
        row += 1
    return row + 1


def _write_lift(draft: Draft, pen: Pen, row: int, lift_m: float) -> None:
    """Write a lift of the intake, from its cell on the corrected flows."""
    side = next(side for side in draft.sides if side.side == "intake")
    block = draft.blocks[side.side, side.variants[0].name]
    place = side.place(lift_m)
    text = draft.pens["Corrected flows"].at(block.row(place), 1)
    value = from_si(side.grid[place], draft.display.lift)
    pen.put(row, 1, Formula(text, value), Style("formula", draft.display.lift_digits))


def _ratio_formula(draft: Draft, name: str, lift_m: float) -> str | None:
    """Return exhaust over intake at a lift that both sides have on the corrected flows, None else."""
    cells = {}
    for side in draft.sides:
        variant, block = side.variant(name), draft.blocks[side.side, name]
        try:
            place = side.place(lift_m)
        except KeyError:
            return None
        if not variant.first <= place <= variant.last:
            return None
        cells[side.side] = draft.pens["Corrected flows"].at(block.row(place), block.mean)
    return f"{cells['exhaust']}/{cells['intake']}"


def _write_ratio_at_share(draft: Draft, pen: Pen, row: int) -> int:
    """Write exhaust over intake flow at equal share of peak lift; return the next free row."""
    points = draft.contents.comparison.ratio_at_fraction
    if not points:
        return row
    names = list(dict.fromkeys(point.variant for point in points))
    known = {(point.variant, point.at): point.ratio for point in points}
    pen.put(row, 1, "Exhaust over intake flow at equal share of peak lift", Style("heading"))
    pen.header(row + 1, ["share of peak lift", *names], widths=_FURTHER_WIDTHS)
    row += 2
    for at in sorted({point.at for point in points}):
        pen.put(row, 1, at, Style("value", 0, percent=True))
        for column, name in enumerate(names, 2):
            pen.put(row, column, known.get((name, at)), Style("value", _RATIO))
        row += 1
    return row + 1


_NARROW = 8.6
_SUMMARY_WIDTHS = {1: 20.0, **dict.fromkeys(range(2, 11), _NARROW), 11: 24.0}
_SUMMARY_WIDTH = sum(_SUMMARY_WIDTHS.values())
_CHART_ROWS = 20
_HEADS = (
    "variant",
    "mean flow",
    "± 95 %",
    "peak flow",
    "port spread",
    "± 95 %",
    "gain over first",
    "± 95 %",
    "gain of the step",
    "± 95 %",
    "what the step changed",
)


def write_summary(draft: Draft) -> None:
    """Write the summary, once all other sheets are written."""
    from flowkit.version import __version__

    pen, contents = draft.pens["Summary"], draft.contents
    info = contents.info
    named = (info.vehicle, info.customer, info.shop, job_words(info))
    notes = (
        reference_words(contents.reference, draft.display, contents.comparison.tests),
        method_words(contents.comparison, draft.display),
    )
    above = (" ".join(cautions_of(contents)), "  ·  ".join(text for text in named if text), *notes)
    pen.title(info.title or "Flow chart", *above, width=_SUMMARY_WIDTH)
    row = 6
    for side in draft.sides:
        row = _write_side(draft, pen, side, row) + 1
    for side, column in zip(draft.sides, "AG", strict=False):
        flow_chart(draft, side, f"{column}{row}")
    row += _CHART_ROWS
    for text in (*contents.comparison.sentences, *_doubts(draft)):
        pen.long_text(row, text, Style(wrap=True), width=_SUMMARY_WIDTH, columns=len(_HEADS))
        row += 1
    row = _legend(pen, row + 1)
    sources = ", ".join(f"{item.name} {item.sha256[:8]}" for item in contents.sources)
    ending = f"Sources: {sources}.  " if sources else ""
    last = f"{ending}flowkit {__version__}.  {info.notes or ''}".rstrip()
    pen.long_text(row + 1, last, Style("quiet", wrap=True), width=_SUMMARY_WIDTH, columns=len(_HEADS))
    pen.widths(_SUMMARY_WIDTHS)
    pen.paper()
    pen.sheet.page_setup.fitToHeight = 1


def _write_side(draft: Draft, pen: Pen, side: SidePlan, row: int) -> int:
    """Write one side's headline table; return the next free row."""
    show = draft.display
    low, high = (from_si(lift, show.lift) for lift in side.result.range_m)
    words = f"{side.side.capitalize()}, lifts {low:.{show.lift_digits}f} to {high:.{show.lift_digits}f} {show.lift}"
    pen.put(row, 1, words, Style("heading"))
    heads = [f"{head}, {show.flow}" if head in ("mean flow", "peak flow") else head for head in _HEADS]
    pen.header(row + 1, heads, widths=_SUMMARY_WIDTHS, words=(1,), apart=(11,))
    row += 2
    for variant in side.variants:
        _write_variant(draft, pen, side, variant, row)
        row += 1
    return row


def _write_variant(draft: Draft, pen: Pen, side: SidePlan, variant: VariantPlan, row: int) -> None:
    """Write one variant's row."""
    show, flows = draft.display, draft.pens["Corrected flows"]
    block, known = draft.blocks[side.side, variant.name], variant.flow
    flow = Style("formula", show.flow_digits)
    pen.put(row, 1, variant.name, Style(wrap=True))
    pen.tall(row, lines_of(variant.name, _SUMMARY_WIDTHS[1]))
    pen.put(row, 2, Formula(flows.at(block.flow, block.mean), from_si(known.mean_flow_m3_s, show.flow)), flow)
    put_interval(draft, pen, (row, 3), ("mean", side.side, variant.name), known.mean_flow_u95)
    places = [side.place(lift) for lift in known.lifts_m]
    peak = from_si(known.peak_flow_m3_s, show.flow)
    pen.put(row, 4, Formula(f"MAX({row_ranges(draft, block, block.mean, places)})", peak), flow)
    if known.port_spread is not None:
        first = flows.at(block.flow, block.mean - len(block.ports))
        cells = f"{first}:{flows.here(block.flow, block.mean - 1, lock_row=True, lock_column=True)}"
        text = f"(MAX({cells})-MIN({cells}))/AVERAGE({cells})"
        pen.put(row, 5, Formula(text, known.port_spread), Style("formula", 1, percent=True))
        put_interval(draft, pen, (row, 6), ("spread", side.side, variant.name), known.port_spread_u95)
    total = next((gain for gain in side.result.totals if gain.to == variant.name), None)
    step = next((gain for gain in side.result.steps if gain.to == variant.name), None)
    for gain, column in ((total, 7), (step, 9)):
        if gain is not None:
            cell = draft.gains[side.side, gain.from_, gain.to]
            pen.put(row, column, Formula(cell, gain.mean_flow_gain), Style("formula", 1, gain=True))
            key = ("gain", side.side, gain.from_, gain.to)
            put_interval(draft, pen, (row, column + 1), key, gain.mean_flow_gain_u95)
    if step is not None:
        pen.put(row, 11, changed_words(step), Style(left=True, wrap=True))
        pen.tall(row, lines_of(changed_words(step), _SUMMARY_WIDTHS[11] - 2))


def _doubts(draft: Draft) -> list[str]:
    """Say how much is doubtful."""
    findings = draft.contents.findings
    return [f"{counted(findings)}: see the sheet of findings."] if findings else []


def _legend(pen: Pen, row: int) -> int:
    """Say how numbers are marked; return the next free row."""
    pen.put(row, 1, "How to read the numbers", Style("heading"))
    for kind, name, meaning in (
        (
            "raw",
            "as read",
            "blue: from the sheets and the job, in their own units; change one and all that follows changes",
        ),
        ("formula", "formula", "black: a cell formula, from the readings down to the gains"),
        ("between", "between", "italic: a formula for a lift at which this port was not measured (monotone cubic)"),
        (
            "value",
            "computed by flowkit",
            "italic on grey: a value written by flowkit, not a formula (air, models, the fitted scatter)",
        ),
    ):
        row += 1
        pen.put(row, 1, name, Style(kind, left=True))
        pen.put(row, 2, meaning, Style("quiet", left=True))
    return row + 1
