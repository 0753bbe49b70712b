"""Port by port: small multiples on one scale, and what each port gained."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from flowkit.analysis.results import PortFlow, SideComparison
from flowkit.drawing import Display, bare_axes, draw_curve, variant_style
from flowkit.model import Side
from flowkit.reports.contents import ReportContents
from flowkit.reports.fitting import clean, shorten
from flowkit.reports.flows import all_ports
from flowkit.reports.labels import (
    NOTHING,
    display_of,
    flow_text,
    lift_text,
    percent,
    port_text,
    sides_of,
    signed_percent,
)
from flowkit.reports.layout import SIZES, Page, Paper
from flowkit.reports.names import Names
from flowkit.reports.page_table import fitted_tables, port_cells, variant_columns
from flowkit.reports.stream import Stream
from flowkit.reports.table import Cell, Row, Table
from flowkit.units import from_si

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["ports_pages"]

PANEL_GAP = 10.0
SCALE = 20.0


def ports_pages(contents: ReportContents, paper: Paper, names: Names) -> list[Page]:
    """Draw every port's curves on one scale, and the table of their mean flows.

    Parameters
    ----------
    contents : ReportContents
    paper : Paper
    names : Names
    """
    display = display_of(contents.info.display)
    sides = sides_of(contents.comparison)
    stream = Stream(
        paper, "Port by port", f"All panels on one scale: flow in {display.flow} over valve lift in {display.lift}."
    )
    stream.key(names)
    grids = [(side, result, all_ports(result)) for side, result in sides]
    rows = sum(_grid(len(ports))[1] for _, _, ports in grids)
    height = min(128.0, (stream.room - 34.0 * len(grids)) / rows)
    if rows <= 2:
        height = min(height, 150.0)
    top = 1.05 * max(
        from_si(flow, display.flow)
        for _, result, _ in grids
        for variant in result.variants
        for port in variant.ports
        for flow in port.flow_m3_s
    )
    for side, result, ports in grids:
        stream.heading(f"{side.capitalize()}", keep=height)
        stream.y = _draw_grid(
            stream.page, stream.y, side, result, ports=ports, names=names, display=display, scale=(top, height)
        )
    tables = fitted_tables(
        sides, paper.inner_width, lambda side, result, room: _table(side, result, names, display, room)
    )
    stream.heading("Mean flow of each port, and its gain", keep=80.0)
    stream.tables(tables)
    for side, result in sides:
        _write_lagging(stream, side, result, names, display)
    return stream.pages


def _write_lagging(stream: Stream, side: Side, result: SideComparison, names: Names, display: Display) -> None:
    """Say which port flows least, and where, in the variants where it is worth naming."""
    lagging: dict[str, list[str]] = {}
    for variant in result.variants:
        lag = variant.lagging
        if lag is not None:
            words = (
                f"{names.head(variant.name)} {percent(lag.below_mean)} % "
                f"(most at {lift_text(lag.worst_lift_m, display)} {display.lift}: {percent(lag.worst_below_mean)} %)"
            )
            lagging.setdefault(lag.port, []).append(words)
    for port, told in lagging.items():
        stream.text(
            f"{side.capitalize()}, {clean(port_text(port))} flows less than the mean of its ports: {', '.join(told)}."
        )


def _grid(count: int) -> tuple[int, int]:
    """Return columns and rows for so many panels."""
    if count <= 8:
        columns = max(2, count) if count <= 4 else 4
    else:
        columns = min((5, 6, 7, 8), key=lambda wide: (-count % wide, wide))
    return columns, -(-count // columns)


def _draw_grid(
    page: Page,
    y: float,
    side: Side,
    result: SideComparison,
    *,
    ports: Sequence[str],
    names: Names,
    display: Display,
    scale: tuple[float, float],
) -> float:
    """Draw one side's panels from y on; return where they end."""
    from matplotlib.ticker import MaxNLocator

    top, height = scale
    columns, rows = _grid(len(ports))
    width = (page.paper.inner_width - SCALE - PANEL_GAP * (columns - 1)) / columns
    right = 1.03 * max(from_si(v.lifts_m[-1], display.lift) for v in result.variants)
    for number, port in enumerate(ports):
        row, column = divmod(number, columns)
        left = page.left + SCALE + column * (width + PANEL_GAP)
        upper = y + row * height
        page.write(left, upper + 8.0, shorten(clean(port_text(port)), width, SIZES.body, bold=True), bold=True)
        ax = page.axes(left, upper + 12.0, width, height - 26.0)
        ax.set_xlim(0, right)
        ax.set_ylim(0, top)
        for variant in result.variants:
            for item in variant.ports:
                if item.port == port:
                    _draw_port(ax, item, names.place[variant.name], display, filled=side == "intake")
        bare_axes(ax, size=SIZES.small)
        ax.yaxis.set_major_locator(MaxNLocator(4))
        ax.xaxis.set_major_locator(MaxNLocator(4, prune="upper"))
        ax.tick_params(labelleft=column == 0, labelbottom=number + columns >= len(ports))
        ax.grid(True, axis="y")
    return y + rows * height + 2.0


def _draw_port(ax: Axes, port: PortFlow, place: int, display: Display, *, filled: bool) -> None:
    """Draw one port of one variant."""
    draw_curve(
        ax,
        [from_si(lift, display.lift) for lift in port.lifts_m],
        [from_si(flow, display.flow) for flow in port.flow_m3_s],
        variant_style(place),
        filled=filled,
        scale=0.7,
        points=40,
    )


def _table(side: Side, result: SideComparison, names: Names, display: Display, width: float) -> Table:
    """Return mean flow and gain of each port, the mean, and the spread."""
    totals = {gain.to: gain for gain in result.totals}
    rows = []
    for port in all_ports(result):
        name = Cell(shorten(clean(port) or "all", 60.0, SIZES.body))
        rows.append(Row((name, *port_cells(result, totals, port, display))))
    means = [Cell(flow_text(variant.mean_flow_m3_s, display), "bold") for variant in result.variants]
    gained = [Cell(signed_percent(gain.mean_flow_gain), "bold") for gain in totals.values()]
    rows.append(Row((Cell("mean", "bold"), *means, *gained), rule_above=True))
    if any(variant.port_spread is not None for variant in result.variants):
        blank = tuple(Cell("") for _ in totals)
        spreads = [Cell(NOTHING if v.port_spread is None else f"{percent(v.port_spread)} %") for v in result.variants]
        rows.append(Row((Cell("spread"), *spreads, *blank)))
        if any(variant.port_spread_u95 is not None for variant in result.variants):
            halves = [
                Cell(NOTHING if v.port_spread_u95 is None else f"{percent(v.port_spread_u95)} %", "dim")
                for v in result.variants
            ]
            rows.append(Row((Cell("± 95 %", "dim"), *halves, *blank)))
    columns = variant_columns("port", side, result, rows, width, names=names, display=display)
    return Table("", tuple(columns), tuple(rows), filled=side == "intake")
