"""Tables of the mean velocity in the port, and of the gain that geometry promises beside the measured."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from flowkit.analysis.results import Gain, LiftGain, SideComparison
from flowkit.drawing import Display, text_width
from flowkit.model import Side
from flowkit.reports.fitting import wrap
from flowkit.reports.further import common_lifts, velocity_between, velocity_unit
from flowkit.reports.labels import NOTHING, lift_text, numeral, signed_percent
from flowkit.reports.layout import SIZES
from flowkit.reports.names import Names
from flowkit.reports.page_table import fitted_tables
from flowkit.reports.stream import Stream
from flowkit.reports.table import Cell, Column, Row, Table, fit_columns, needed_width

__all__ = ["write_expected", "write_velocity"]

_EXPECTED = (
    "Geometry promises the ratio of the minimum areas after and before (Heywood 1988, eqs 6.7–6.9): what the step "
    "would give if the flow filled its least passage as well as before. Means are over every lift of either variant."
)
_VELOCITY = "Flow at the reference over the cross-section stated for the port (port_area)."
_ITALIC = ("italic: between measured lifts",)

Sides = Sequence[tuple[Side, SideComparison]]


def write_velocity(stream: Stream, sides: Sides, names: Names, display: Display) -> None:
    """Write the mean velocity in the port, lift by lift, where its cross-section is known.

    Parameters
    ----------
    stream : Stream
    sides : sequence of tuple
    names : Names
    display : Display
        The units shown.
    """
    known = [(s, result) for s, result in sides if any(variant.port_velocity_m_s for variant in result.variants)]
    if not known:
        return

    make = partial(_velocity_table, names=names, display=display)
    tables = fitted_tables(known, stream.paper.inner_width, make)
    stream.headed("Mean port velocity", tables, [_VELOCITY])


def _velocity_table(side: Side, result: SideComparison, width: float, names: Names, display: Display) -> Table:
    """Return a row a lift and a column a variant."""
    variants = [variant for variant in result.variants if variant.port_velocity_m_s]
    unit, scale = velocity_unit(display)
    rows = []
    for lift in common_lifts(result):
        cells = [Cell(lift_text(lift, display))]
        for variant in variants:
            value, measured = velocity_between(variant, lift)
            cells.append(
                Cell(NOTHING, "dim")
                if value is None
                else Cell(numeral(value / scale, 1), "plain" if measured else "italic")
            )
        rows.append(Row(tuple(cells)))
    group = f"mean port velocity, {unit}"
    heads = [(names.head(variant.name), group, names.place[variant.name]) for variant in variants]
    columns = _columns(heads, rows, width, display)
    return Table(side.capitalize(), columns, tuple(rows), _notes(rows), filled=side == "intake")


def _notes(rows: Sequence[Row]) -> tuple[str, ...]:
    """Say what italics mean, where there are any."""
    return _ITALIC if any("italic" in cell.style for row in rows for cell in row.cells) else ()


def _columns(
    heads: Sequence[tuple[str, str, int | None]], rows: Sequence[Row], width: float, display: Display
) -> tuple[Column, ...]:
    """Return the column of lifts, and one a head under its group."""
    first = f"lift, {display.lift}"
    columns = [Column((first,), needed_width([first], size=SIZES.small, gap=0.0))]
    for place, (head, group, variant) in enumerate(heads, 1):
        longest = max(text_width(word, SIZES.small) for word in head.split())
        cells = needed_width([row.cells[place].text for row in rows], gap=4.5)
        members = sum(other == group for _, other, _ in heads)
        need = max(cells, longest + 4.5, (text_width(group, SIZES.small) + 9.0) / members)
        columns.append(Column((head,), need, group, variant))
    fitted = fit_columns(columns, width, most=44.0)
    return tuple(
        Column(tuple(wrap(c.head[0], max(c.width - 3.0, 12.0), SIZES.small)), c.width, c.group, c.variant, c.align)
        for c in fitted
    )


def write_expected(stream: Stream, sides: Sides, names: Names, display: Display) -> None:
    """Write the gain that the minimum areas promise beside the measured one, step by step and lift by lift.

    Parameters
    ----------
    stream : Stream
    sides : sequence of tuple
    names : Names
    display : Display
        The units shown.
    """
    known = [(side, result) for side, result in sides if _promised(result)]
    if not known:
        return

    make = partial(_expected_table, names=names, display=display)
    tables = fitted_tables(known, stream.paper.inner_width, make)
    shown = [table for table in tables if len(table.columns) > 1]
    stream.headed("Gain of the step, measured and by geometry", shown, [_EXPECTED])


def _promised(result: SideComparison) -> list[Gain]:
    """Return the steps of which geometry promises anything."""
    return [gain for gain in result.steps if gain.expected_from_geometry is not None]


def _expected_table(side: Side, result: SideComparison, width: float, names: Names, display: Display) -> Table:
    """Return a row a lift, two columns a step: measured, and by geometry; then their means."""
    steps = _promised(result)
    items = [{round(item.lift_m, 6): item for item in gain.per_lift} for gain in steps]
    rows = [
        Row((Cell(lift_text(lift, display)), *(cell for known in items for cell in _pair(known.get(lift)))))
        for lift in common_lifts(result)
    ]
    means = [
        Cell(signed_percent(value), "bold")
        for gain in steps
        for value in (gain.mean_of_gains, gain.expected_from_geometry)
    ]
    rows.append(Row((Cell("mean", "bold"), *means), rule_above=True))
    heads = [
        (head, f"{names.head(gain.to)}, %", names.place[gain.to] if head == "measured" else None)
        for gain in steps
        for head in ("measured", "by geometry")
    ]
    columns = _columns(heads, rows, width, display)
    return Table(side.capitalize(), columns, tuple(rows), _notes(rows), filled=side == "intake")


def _pair(item: LiftGain | None) -> tuple[Cell, Cell]:
    """Return the gain at a lift and what geometry promised there."""
    if item is None:
        return Cell(NOTHING, "dim"), Cell(NOTHING, "dim")
    measured = Cell(signed_percent(item.gain), "italic" if item.interpolated else "plain")
    return measured, Cell(signed_percent(item.expected))
