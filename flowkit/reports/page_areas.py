"""Coefficients and areas: how well the flow fills the smallest area there is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from flowkit.analysis.lifts import pchip
from flowkit.analysis.results import Coefficients, SideComparison, VariantFlow
from flowkit.drawing import Display, text_width, variant_style
from flowkit.model import Side
from flowkit.reports.contents import ReportContents
from flowkit.reports.fitting import wrap
from flowkit.reports.flows import main_lifts
from flowkit.reports.labels import NOTHING, display_of, lift_text, numeral, sides_of
from flowkit.reports.layout import SIZES, Page, Paper
from flowkit.reports.lines import Series, draw_lines
from flowkit.reports.names import Names
from flowkit.reports.page_table import GAP, fitted_tables
from flowkit.reports.page_velocity import write_expected, write_velocity
from flowkit.reports.stream import Stream
from flowkit.reports.table import Cell, Column, Row, Table, fit_columns, needed_width
from flowkit.units import from_si

__all__ = ["areas_pages"]

PANEL = 148.0
LEAD = (
    "Effective area: what would pass the flow at the reference pressure without loss. Minimum area: the smaller of the "
    "seat's and the throat's (Heywood 1988, eqs 6.7–6.9), dotted; the throat takes over where the seat's grows past it."
)
MISSING = (
    "Coefficients and minimum areas need the valve's head, stem and throat diameters, the seat's angle and its width; "
    "state them in the job under [valves.intake] and [valves.exhaust]."
)
_KINDS: tuple[tuple[str, str], ...] = (
    ("minimum", "coefficient on the minimum area"),
    ("curtain", "coefficient on the curtain area"),
    ("throat", "coefficient on the throat area"),
    ("valve", "coefficient on the valve area"),
)


def areas_pages(contents: ReportContents, paper: Paper, names: Names) -> list[Page]:
    """Draw effective and minimum areas and the coefficients, and write their tables and what follows from them.

    Parameters
    ----------
    contents : ReportContents
    paper : Paper
    names : Names
    """
    display = display_of(contents.info.display)
    sides = sides_of(contents.comparison)
    stream = Stream(paper, "Coefficients and areas", LEAD)
    column = (paper.inner_width - GAP * (len(sides) - 1)) / len(sides)
    for draw in (_draw_areas, _draw_coefficients):
        stream.need(PANEL)
        drawn = False
        for index, (side, result) in enumerate(sides):
            box = (stream.page.left + index * (column + GAP), stream.y, column, PANEL)
            drawn = draw(stream.page, box, side, result, names=names, display=display) or drawn
        stream.y += PANEL + 8.0 if drawn else 0.0
    if not any(variant.coefficients for _, result in sides for variant in result.variants):
        stream.text(MISSING)
        write_velocity(stream, sides, names, display)
        return stream.pages
    _write_takeover(stream, sides, names, display)
    stream.y += 8.0
    for kind, words in _KINDS:
        make = partial(_table, names=names, display=display, kind=kind, words=words)
        tables = fitted_tables(sides, paper.inner_width, make)
        stream.tables([table for table in tables if len(table.columns) > 1])
    write_expected(stream, sides, names, display)
    write_velocity(stream, sides, names, display)
    return stream.pages


def _draw_areas(
    page: Page,
    box: tuple[float, float, float, float],
    side: Side,
    result: SideComparison,
    *,
    names: Names,
    display: Display,
) -> bool:
    """Draw effective areas, minimum areas and takeover lifts of one side."""
    series = []
    for variant in result.variants:
        lifts = [from_si(lift, display.lift) for lift in variant.lifts_m]
        if variant.effective_area_m2:
            series.append(Series(variant.name, lifts, _areas(variant.effective_area_m2, display)))
        if variant.minimum_area_m2 is not None:
            series.append(Series(variant.name, lifts, _areas(variant.minimum_area_m2, display), plain=True))
    if not any(not item.plain for item in series):
        return False
    ax = draw_lines(
        page, box, f"{side.capitalize()}: effective area, {display.area}", series, names,
        x_label=f"valve lift, {display.lift}", from_zero=True, filled=side == "intake", smoothed=True,
    )  # fmt: skip
    for variant in result.variants:
        if variant.takeover_lift_m is not None:
            at = from_si(variant.takeover_lift_m, display.lift)
            if at <= ax.get_xlim()[1]:
                ax.axvline(at, color=variant_style(names.place[variant.name]).color, linewidth=0.5, zorder=1)
    return True


def _areas(values: Sequence[float], display: Display) -> list[float]:
    """Convert areas to the units shown."""
    return [from_si(value, display.area) for value in values]


def _draw_coefficients(
    page: Page,
    box: tuple[float, float, float, float],
    side: Side,
    result: SideComparison,
    *,
    names: Names,
    display: Display,
) -> bool:
    """Draw the coefficients on the minimum area, on the curtain area where that is not known."""
    series = []
    kind, words = _KINDS[0]
    if not any(v.coefficients and v.coefficients.minimum for v in result.variants):
        kind, words = _KINDS[1]
    for variant in result.variants:
        values = _coefficient(variant.coefficients, kind)
        if variant.coefficients is not None and values is not None:
            series.append(
                Series(variant.name, [from_si(x, display.lift) for x in variant.coefficients.lifts_m], values)
            )
    if not series:
        return False
    draw_lines(
        page, box, f"{side.capitalize()}: {words}", series, names,
        x_label=f"valve lift, {display.lift}", filled=side == "intake", smoothed=True,
    )  # fmt: skip
    return True


def _coefficient(known: Coefficients | None, kind: str) -> tuple[float, ...] | None:
    """Return one kind of coefficient, None where it is not known."""
    values: dict[str, tuple[float, ...] | None] = {}
    if known is not None:
        values = {
            "minimum": known.minimum, "curtain": known.curtain, "throat": known.throat, "valve": known.valve,
        }  # fmt: skip
    return values.get(kind)


def _write_takeover(
    stream: Stream, sides: Sequence[tuple[Side, SideComparison]], names: Names, display: Display
) -> None:
    """Say at which lift the throat takes over from the seat."""
    for side, result in sides:
        told = [
            f"{names.head(v.name)} {lift_text(v.takeover_lift_m, display)} {display.lift}"
            for v in result.variants
            if v.takeover_lift_m is not None
        ]
        if told:
            stream.text(f"{side.capitalize()}: lift where the throat takes over from the seat: {', '.join(told)}.")


def _table(
    side: Side,
    result: SideComparison,
    width: float,
    *,
    names: Names,
    display: Display,
    kind: str,
    words: str,
) -> Table:
    """Return the coefficients of one side, lift by lift."""
    wanted = [
        (variant, values)
        for variant in result.variants
        if (values := _coefficient(variant.coefficients, kind)) is not None
    ]
    lifts = main_lifts(result)
    rows = [
        Row((Cell(lift_text(lift, display)), *(_cell(variant, values, lift) for variant, values in wanted)))
        for lift in lifts
    ]
    head: Callable[[str], str] = names.head
    columns = [Column((f"lift, {display.lift}",), needed_width([f"lift, {display.lift}"], size=SIZES.small, gap=0.0))]
    for place, (variant, _) in enumerate(wanted, 1):
        texts = [row.cells[place].text for row in rows]
        longest = max(text_width(word, SIZES.small) for word in head(variant.name).split())
        need = max(needed_width(texts, gap=4.5), longest + 4.5, (text_width(words, SIZES.small) + 8.0) / len(wanted))
        columns.append(Column((head(variant.name),), need, words, names.place[variant.name]))
    fitted = [
        Column(tuple(wrap(c.head[0], max(c.width - 3.0, 12.0), SIZES.small)), c.width, c.group, c.variant, c.align)
        for c in fit_columns(columns, width, most=44.0)
    ]
    notes = ("italic: between measured lifts",) if any(c.style == "italic" for row in rows for c in row.cells) else ()
    return Table(side.capitalize(), tuple(fitted), tuple(rows), notes, filled=side == "intake")


def _cell(variant: VariantFlow, values: Sequence[float], lift_m: float) -> Cell:
    """Return a coefficient at a lift, italic where it lies between measured lifts."""
    lifts = [round(lift, 6) for lift in variant.coefficients.lifts_m] if variant.coefficients else []
    if lift_m in lifts:
        return Cell(numeral(values[lifts.index(lift_m)], 3))
    if len(lifts) < 2 or not lifts[0] <= lift_m <= lifts[-1]:
        return Cell(NOTHING, "dim")
    return Cell(numeral(float(pchip(lifts, values)(lift_m)), 3), "italic")
