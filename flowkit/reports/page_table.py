"""The table lift × variant with its gains, one a side, and the pages it flows onto."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace

from flowkit.analysis.results import Gain, LiftGain, SideComparison
from flowkit.drawing import SOFT, Display, text_width
from flowkit.model import Side
from flowkit.reports.contents import ReportContents
from flowkit.reports.fitting import clean, wrap
from flowkit.reports.flows import all_lifts, all_ports, flow_at, main_lifts, measured
from flowkit.reports.labels import NOTHING, display_of, flow_text, lift_text, percent, sides_of, signed_percent
from flowkit.reports.layout import SIZES, Page, Paper
from flowkit.reports.names import Names
from flowkit.reports.table import (
    Cell,
    Column,
    Row,
    Table,
    draw_table,
    fit_columns,
    head_height,
    needed_width,
    row_height,
    rows_that_fit,
)

__all__ = ["Flowing", "every_lift", "fitted_tables", "port_cells", "side_table", "variant_columns"]

PORTS_SHOWN = 6
"""More ports than this have their means on the port page instead."""
GAP = 24.0
NOTE_HEIGHT = 9.0


def side_table(
    side: Side, result: SideComparison, names: Names, display: Display, width: float, *, every_lift: bool = False
) -> Table:
    """Return the table of one side.

    Parameters
    ----------
    side : {"intake", "exhaust"}
    result : SideComparison
    names : Names
    display : Display
    width : float
        Room there is [pt].
    every_lift : bool, optional
        Every lift any variant was measured at, without the ports' means; otherwise the lifts most
        were measured at, and the ports' means under them.
    """
    totals = {gain.to: gain for gain in result.totals}
    lifts = all_lifts(result) if every_lift else main_lifts(result)
    rows = [
        *_lift_rows(result, totals, display, lifts),
        *_mean_rows(result, totals, display),
        *(() if every_lift else _port_rows(result, totals, display)),
    ]
    columns = variant_columns(f"lift, {display.lift}", side, result, rows, width, names=names, display=display)
    notes = []
    if any("italic" in cell.style for row in rows for cell in row.cells):
        notes.append("italic: between measured lifts")
    if any(
        "dim" in cell.style and cell.text not in (NOTHING, "± 95 %") for row in rows[: len(lifts)] for cell in row.cells
    ):
        notes.append("grey: within the bench's repeatability")
    if not every_lift and len(lifts) < len(all_lifts(result)):
        notes.append("every lift: next page")
    return Table("", tuple(columns), tuple(rows), tuple(notes), side == "intake")


def variant_columns(
    first: str,
    side: Side,
    result: SideComparison,
    rows: Sequence[Row],
    width: float,
    *,
    names: Names,
    display: Display,
) -> list[Column]:
    """Return the columns: the rows' names, a flow a variant, a gain over the first a variant.

    Parameters
    ----------
    first : str
        Head of the rows' names.
    side : {"intake", "exhaust"}
    result : SideComparison
    rows : sequence of Row
        Columns are wide enough for their cells, heads and groups, and no wider than looks well.
    width : float
        Room there is [pt].
    names : Names
    display : Display
    """
    variants = [variant.name for variant in result.variants]
    gained = [gain.to for gain in result.totals]
    flow = f"{side} flow"
    base = result.totals[0].from_ if gained else variants[0]
    heads: list[tuple[str, str, int | None]] = [(first, "", None)]
    heads += [(names.head(name), f"{flow}, {display.flow}", names.place[name]) for name in variants]
    heads += [(names.head(name), "gain, %", names.place[name]) for name in gained]
    columns = []
    for place, (head, group, variant) in enumerate(heads):
        texts = [row.cells[place].text for row in rows]
        gap = 4.5 if place else 0.0
        needed = max(needed_width(texts, gap=gap), gap + max(text_width(w, SIZES.small) for w in head.split()))
        members = sum(other == group for _, other, _ in heads)
        if group:
            needed = max(needed, (text_width(group, SIZES.small) + 8.0) / members)
        columns.append(Column((head,), needed, group, variant))
    columns = list(fit_columns(columns, width, most=44.0))
    room = sum(column.width for column in columns if column.group == "gain, %")
    longer = f"gain over {names.head(base)}, %"
    if text_width(longer, SIZES.small) + 8.0 <= room:
        columns = [replace(c, group=longer) if c.group == "gain, %" else c for c in columns]
    gap = 3.0
    return [replace(c, head=tuple(wrap(c.head[0], max(c.width - gap, 12.0), SIZES.small))) for c in columns]


def _lift_rows(result: SideComparison, totals: dict[str, Gain], display: Display, lifts: Sequence[float]) -> list[Row]:
    """A row for every lift; flows not measured there are italic."""
    flows = [measured(variant) for variant in result.variants]
    gains = [{round(item.lift_m, 6): item for item in gain.per_lift} for gain in totals.values()]
    rows = []
    for lift in lifts:
        cells = [Cell(lift_text(lift, display))]
        for variant, known in zip(result.variants, flows, strict=True):
            if lift in known:
                cells.append(Cell(flow_text(known[lift], display)))
            else:
                between = flow_at(variant, lift)
                cells.append(Cell(flow_text(between, display), "dim" if between is None else "italic"))
        cells += [_gain_cell(gain.get(lift)) for gain in gains]
        rows.append(Row(tuple(cells)))
    return rows


def _dim(item: LiftGain) -> bool:
    """Whether the bench cannot tell this gain from nothing."""
    return item.u95 is not None and abs(item.gain) <= item.u95


def _gain_cell(item: LiftGain | None) -> Cell:
    """A gain: grey where not resolved, italic where interpolated."""
    if item is None:
        return Cell(NOTHING, "dim")
    if _dim(item):
        return Cell(signed_percent(item.gain), "dim italic" if item.interpolated else "dim")
    return Cell(signed_percent(item.gain), "italic" if item.interpolated else "plain")


def _mean_rows(result: SideComparison, totals: dict[str, Gain], display: Display) -> list[Row]:
    """The mean flows with their gains, and half their intervals where known."""
    cells = [Cell("mean", "bold")]
    cells += [Cell(flow_text(variant.mean_flow_m3_s, display), "bold") for variant in result.variants]
    cells += [Cell(signed_percent(gain.mean_flow_gain), "bold") for gain in totals.values()]
    rows = [Row(tuple(cells), rule_above=True)]
    if any(variant.mean_flow_u95 is not None for variant in result.variants):
        half = [None if v.mean_flow_u95 is None else v.mean_flow_u95 * v.mean_flow_m3_s for v in result.variants]
        cells = [Cell("± 95 %", "dim")]
        cells += [Cell(flow_text(value, display), "dim") for value in half]
        cells += [Cell(percent(gain.mean_flow_gain_u95), "dim") for gain in totals.values()]
        rows.append(Row(tuple(cells)))
    return rows


def _port_rows(result: SideComparison, totals: dict[str, Gain], display: Display) -> list[Row]:
    """The mean flow of each port, and the spread between them."""
    ports = all_ports(result)
    rows: list[Row] = []
    if 1 < len(ports) <= PORTS_SHOWN:
        for port in ports:
            name = Cell(clean(f"port {port}")[:12])
            rows.append(Row((name, *port_cells(result, totals, port, display)), rule_above=not rows))
    if any(variant.port_spread is not None for variant in result.variants):
        cells = [Cell("spread")]
        cells += [Cell(NOTHING if v.port_spread is None else f"{percent(v.port_spread)} %") for v in result.variants]
        cells += [Cell("") for _ in totals]
        rows.append(Row(tuple(cells), rule_above=not rows))
    return rows


def port_cells(result: SideComparison, totals: dict[str, Gain], port: str, display: Display) -> list[Cell]:
    """Return a port's mean flow in every variant, then its gains; a dash where it was not flowed.

    Parameters
    ----------
    result : SideComparison
    totals : dict of str to Gain
        The gains that are shown.
    port : str
    display : Display
    """
    cells = []
    for variant in result.variants:
        found = [item.mean_flow_m3_s for item in variant.ports if item.port == port]
        cells.append(Cell(flow_text(found[0] if found else None, display)))
    for gain in totals.values():
        gains = [item.mean_flow_gain for item in gain.ports if item.port == port]
        cells.append(Cell(signed_percent(gains[0]) if gains else NOTHING))
    return cells


def beside(tables: Sequence[Table], width: float) -> bool:
    """Whether tables fit side by side in a width [pt]."""
    return sum(table.width for table in tables) + GAP * (len(tables) - 1) <= width + 0.1


def fitted_tables(
    sides: Sequence[tuple[Side, SideComparison]], width: float, build: Callable[[Side, SideComparison, float], Table]
) -> list[Table]:
    """Return a table a side: side by side where they fit, else each as wide as the page, else in parts.

    Parameters
    ----------
    sides : sequence of tuple
    width : float
        Of the page, between its margins [pt].
    build : callable
        Makes a side's table for a width.
    """
    column = (width - GAP * (len(sides) - 1)) / len(sides)
    tables = [build(side, result, column) for side, result in sides]
    if beside(tables, width):
        return tables
    return [table for side, result in sides for table in _parts(side, result, width, build)]


def _parts(
    side: Side, result: SideComparison, width: float, build: Callable[[Side, SideComparison, float], Table]
) -> list[Table]:
    """Return one side's table, split by variants until each part fits a width."""
    count = len(result.variants)
    for parts in range(1, count + 1):
        size = -(-count // parts)
        tables = []
        for start in range(0, count, size):
            some = result.variants[start : start + size]
            kept = {variant.name for variant in some}
            gains = tuple(gain for gain in result.gains if gain.to in kept)
            table = build(side, replace(result, variants=some, gains=gains), width)
            tables.append(
                replace(table, title=f"{side.capitalize()}, part {start // size + 1}") if parts > 1 else table
            )
        if all(table.width <= width + 0.1 for table in tables):
            break
    return tables


class Flowing:
    """Tables on their way down the pages: side by side where they fit, else one after the other.

    Parameters
    ----------
    tables : sequence of Table
    width : float
        Room there is [pt].
    """

    def __init__(self, tables: Sequence[Table], width: float) -> None:
        tables = [table for table in tables if table.rows]
        self.bands: list[list[Table]] = (
            [] if not tables else [list(tables)] if beside(tables, width) else [[table] for table in tables]
        )
        self.step = (width + GAP) / max(len(tables), 1)
        self.place = 0

    @property
    def done(self) -> bool:
        """Whether everything is drawn."""
        return not self.bands

    def height(self) -> float:
        """Return the height all that is left would take in one column [pt]."""
        total = 0.0
        for index, band in enumerate(self.bands):
            start = self.place if index == 0 else 0
            rows = max(sum(map(row_height, table.rows[start:])) for table in band)
            notes = NOTE_HEIGHT if any(table.notes for table in band) else 0.0
            total += max(head_height(table) for table in band) + rows + notes + 6.0
        return total

    def draw(self, page: Page, y: float, bottom: float, *, least: int = 3) -> float:
        """Draw what fits between y and bottom; return where it ends.

        A band begins only where its head and `least` rows fit.
        """
        while self.bands:
            band = self.bands[0]
            left = max(len(table.rows) for table in band) - self.place
            room = bottom - y - 2.0 - (NOTE_HEIGHT if any(table.notes for table in band) else 0.0)
            fit = min((_fits(table, room, self.place) for table in band), default=0)
            fit = min(fit, left)
            if fit < min(least, left):
                break
            stop = self.place + fit
            ends = []
            for index, table in enumerate(band):
                if self.place < len(table.rows):
                    x = page.left + index * self.step
                    end = draw_table(page, x, y, table, start=self.place, stop=min(stop, len(table.rows)))
                    if table.notes and stop >= len(table.rows):
                        end += NOTE_HEIGHT
                        page.write(x, end - 1.0, "; ".join(table.notes), size=SIZES.small, color=SOFT)
                    ends.append(end)
            y = max(ends) + 10.0
            if stop < max(len(table.rows) for table in band):
                self.place = stop
                break
            self.bands.pop(0)
            self.place = 0
        return y


def _fits(table: Table, room: float, start: int) -> int:
    """Return how many rows fit; any number where all that is left of this table does."""
    fit = rows_that_fit(table, room, start)
    return fit if start + fit < len(table.rows) else sys.maxsize


def every_lift(contents: ReportContents, paper: Paper, names: Names) -> Flowing | None:
    """Return the tables with every measured lift, where the first page shows only some.

    Parameters
    ----------
    contents : ReportContents
    paper : Paper
    names : Names
    """
    sides = sides_of(contents.comparison)
    if all(len(main_lifts(result)) == len(all_lifts(result)) for _, result in sides):
        return None
    display = display_of(contents.info.display)
    tables = fitted_tables(
        sides,
        paper.inner_width,
        lambda side, result, room: side_table(side, result, names, display, room, every_lift=True),
    )
    return Flowing(tables, paper.inner_width)
