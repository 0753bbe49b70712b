"""The sheet of gains: per lift and in mean flow, between the same ports of two variants."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.analysis.results import Gain
from flowkit.reports.labels import resolved_words
from flowkit.reports.workbook.charts import gain_chart
from flowkit.reports.workbook.draft import Block, Draft
from flowkit.reports.workbook.pen import Formula, Pen, spans
from flowkit.reports.workbook.plan import SidePlan
from flowkit.reports.workbook.styles import Style, lines_of
from flowkit.reports.workbook.words import changed_words
from flowkit.units import from_si

__all__ = ["mean_formula", "write_gains"]

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
)
_WIDTHS = {1: 18.0, 2: 18.0, 6: 18.0}


def write_gains(draft: Draft) -> None:
    """Write the gains of every pair of variants.

    Parameters
    ----------
    draft : Draft
        Its `gains` are filled.
    """
    from openpyxl.worksheet.pagebreak import Break

    pen = draft.pens["Gains"]
    pen.title(
        "Gains",
        "Ratios of mean flows over the ports tested in both, less 1. Intervals are computed by flowkit: in mean flow "
        "by Monte Carlo (JCGM 101:2008), per lift by JCGM 100:2008.",
        width=130,
    )
    row = 4
    for side in draft.sides:
        if side.result.gains:
            if row > 4:
                pen.sheet.row_breaks.append(Break(row - 1))
            row = _write_side(draft, pen, side, row)
    if row == 4:
        pen.put(4, 1, "There is one variant only, so there is no gain.")
    pen.widths(_WIDTHS, 12.0)
    pen.paper(freeze="B4", title_columns="A:A", last_row=row)


def _write_side(draft: Draft, pen: Pen, side: SidePlan, row: int) -> int:
    """Write one side's tables and chart; return the next free row."""
    gains = side.result.gains
    pen.put(row, 1, f"{side.side.capitalize()}: gains in mean flow", Style("heading"))
    heads = [f"{head}, {draft.display.flow}" if head.startswith("mean flow") else head for head in _HEADS]
    pen.header(row + 1, heads, widths=_WIDTHS, words=(1, 2, 6), apart=(5,))
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
    pen.header(row - 1, heads, widths=_WIDTHS)
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
            pen.put(rows[place], column + 1, item.u95, Style("value", 1, percent=True))
            pen.put(rows[place], column + 2, item.expected, Style("value", 1, gain=True))


def mean_formula(draft: Draft, block: Block, ports: Sequence[str], row: int) -> str:
    """Return the mean over some ports in a row of the corrected flows, as a formula.

    Parameters
    ----------
    draft : Draft
    block : Block
    ports : sequence of str
        All where none is named.
    row : int
    """
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
    pen.put(row, 4, gain.mean_flow_gain_u95, Style("value", 1, percent=True))
    pen.put(row, 5, resolved_words(gain), Style("value", left=True, wrap=True))
    pen.put(row, 6, changed_words(gain), Style(wrap=True))
    words = (resolved_words(gain), changed_words(gain))
    pen.tall(row, max(lines_of(text, width) for text, width in zip(words, (10.0, 17.0), strict=True)))
    pen.tall(row, max(lines_of(name, _WIDTHS[1]) for name in (gain.to, gain.from_)))
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


def _mean_value(side: SidePlan, gain: Gain, after: bool, unit: str) -> float:
    """Return the mean flow over the matched ports of one end of a gain."""
    ports = side.result.variant(gain.to if after else gain.from_).ports
    used = [port.mean_flow_m3_s for port in ports if not gain.matched_ports or port.port in gain.matched_ports]
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
