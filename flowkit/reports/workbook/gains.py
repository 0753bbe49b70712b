"""Sheets of gains, in mean flow and per lift, in bands and by factor, and of exhaust over intake flow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from flowkit.analysis.gains import find_corners
from flowkit.analysis.results import Gain
from flowkit.model import Side
from flowkit.reports import contents
from flowkit.reports.attach.tables import plain
from flowkit.reports.labels import resolved_words
from flowkit.reports.workbook import look
from flowkit.reports.workbook.book import Book, SidePlan, what_changed
from flowkit.reports.workbook.curves import FLOWS, band_average
from flowkit.reports.workbook.look import Style
from flowkit.reports.workbook.pen import Column, Table

ENDS = (Column("low", "95 % from", look.GAIN), Column("high", "to", look.GAIN))
"""The ends of a gain's interval."""
_CHART_ROWS = 21


def write_gains(book: Book) -> None:
    """Write the gains of every pair of variants."""
    pen = book.pens["Gains"]
    pen.title(
        "Gains",
        "Ratios of mean flows over the ports tested in both, less 1. Intervals (JCGM 100:2008) in mean flow follow "
        "from the sheet of intervals, those at single lifts with a scatter that is fitted by flowkit.",
        width=130,
    )
    for side in book.sides:
        if side.result.gains:
            if pen.row > 4:
                pen.break_page(pen.row)
            _write_side(book, side)
    if pen.row == 4:
        pen.put(1, "There is one state only, so there is no gain.")
    pen.finish(12.0, freeze="B4", title_columns="A:A", last_row=pen.row)


def _write_side(book: Book, side: SidePlan) -> None:
    """Write one side's gains in mean flow, those per lift under them, and a chart of the gains over the first."""
    pen, gains, show, flow = book.pens["Gains"], side.result.gains, book.display, book.flow
    columns = (
        Column("of", "of", look.WRAPPED, 18.0), Column("over", "over", look.WRAPPED, 18.0),
        Column("gain", "gain in mean flow", look.GAIN), *ENDS,
        Column("verdict", "verdict", Style("value", left=True, wrap=True)),
        Column("changed", "changed", look.WRAPPED, 18.0), Column("before", f"mean flow before, {show.flow}", flow),
        Column("after", f"mean flow after, {show.flow}", flow), Column("mean", "mean of gains per lift", look.GAIN),
        Column("top", "gain at the top lift", look.GAIN), Column("largest", "largest", look.GAIN),
        Column("smallest", "smallest", look.GAIN), Column("expected", "expected from geometry", look.GAIN),
        Column("share", "share of the total", Style("formula", 0, percent=True)),
    )  # fmt: skip
    table = Table(pen, columns, f"{side.side.capitalize()}: gains in mean flow")
    places = sorted({side.place(item.lift_m) for gain in gains for item in gain.per_lift})
    first = pen.row + len(gains) + 3
    rows = {place: first + index for index, place in enumerate(places)}
    # The column of each pair's gains per lift; its interval follows, and what geometry would give, if known.
    starts = [2]
    for gain in gains:
        starts.append(starts[-1] + (3 if gain.expected_from_geometry is None else 4))
    for gain, start in zip(gains, starts, strict=False):
        _write_gain(book, table, side, gain, (start, rows))
        pen.row += 1
    pen.row = first - 2
    pen.heading(f"{side.side.capitalize()}: gains per lift")
    heads = [f"lift, {show.lift}"]
    for gain in gains:
        heads += [f"{gain.to} over {gain.from_}", *(end.head for end in ENDS)]
        heads += [] if gain.expected_from_geometry is None else ["expected from geometry"]
    pen.header(heads)
    block = book.blocks[side.side, side.variants[0].name]
    for place, row in rows.items():
        pen.put(1, book.in_lift(side.grid[place]), book.lift, block.lift(place), row=row)
    for column, gain in zip(starts, gains, strict=False):
        before, after = (book.blocks[side.side, name] for name in (gain.from_, gain.to))
        for item in gain.per_lift:
            place = side.place(item.lift_m)
            pen.row = rows[place]
            ends = [block.average(block.row(place), gain.matched_ports) for block in (before, after)]
            style = replace(look.GAIN, kind="between") if item.interpolated else look.GAIN
            pen.put(column, item.gain, style, f"{ends[1]}/{ends[0]}-1")
            key = ("lift", side.side, gain.from_, gain.to, item.lift_m)
            book.put_ends(pen, column + 1, (item.low, item.high), *key)
            pen.put(column + 3, item.expected, look.GAIN)
    pen.row = first + len(rows) + 1
    index = {variant.name: variant.index for variant in side.variants}
    curves = (
        (gain.to, index[gain.to], (first, first + len(rows) - 1), start)
        for gain, start in zip(gains, starts, strict=False)
        if gain.kind != "step"
    )
    title = f"{side.side.capitalize()}: gain over {plain(side.variants[0].name)}"
    look.put_chart(pen.sheet, f"B{pen.row}", (title, f"lift, {show.lift}", "gain"), pen.sheet, curves, percent=True)
    pen.row += _CHART_ROWS


def _write_gain(book: Book, table: Table, side: SidePlan, gain: Gain, lifts: tuple[int, dict[int, int]]) -> None:
    """Write one pair's row, given the column and rows of its gains per lift."""
    pen, (column, rows), key = table.pen, lifts, (side.side, gain.from_, gain.to)
    words = (gain.to, gain.from_, resolved_words(gain), what_changed(gain))
    for name, text, width in zip(("of", "over", "verdict", "changed"), words, (18.0, 18.0, 10.0, 17.0), strict=True):
        table.put(name, text)
        pen.tall(text, width)
    blocks = [book.blocks[side.side, name] for name in (gain.from_, gain.to)]
    for end, name, block in zip(("before", "after"), (gain.from_, gain.to), blocks, strict=True):
        ports = side.result.variant(name).ports
        used = [port.mean_flow_m3_s for port in ports if not gain.matched_ports or port.label in gain.matched_ports]
        table.put(end, book.in_flow(sum(used) / len(used)), block.average(block.area + 1, gain.matched_ports))
    table.put("gain", gain.mean_flow_gain, "{after}/{before}-1", name=("gain", *key))
    book.put_ends(pen, 4, (gain.mean_flow_gain_low, gain.mean_flow_gain_high), "gain", *key)
    cells = ",".join(pen.ranges(column, [rows[side.place(item.lift_m)] for item in gain.per_lift]))
    for name, function, value in (
        ("mean", "AVERAGE", gain.mean_of_gains),
        ("largest", "MAX", gain.largest.gain),
        ("smallest", "MIN", gain.smallest.gain),
    ):
        table.put(name, value, f"{function}({cells})")
    tops = [block.average(block.row(side.ends[1]), gain.matched_ports) for block in blocks]
    table.put("top", gain.gain_at_top_lift, f"{tops[1]}/{tops[0]}-1")
    table.put("expected", gain.expected_from_geometry)
    names = (gain.from_, gain.to, side.variants[0].name, side.variants[-1].name)
    means = _means(book, side, names, [variant.name for variant in side.variants])
    table.put("share", gain.share_of_total, f"LN({means[1]}/{means[0]})/LN({means[3]}/{means[2]})")


def _means(book: Book, side: SidePlan, names: Sequence[str], among: Sequence[str]) -> list[str]:
    """Return mean flows of variants as formulas, over the ports common to several."""
    blocks = [book.blocks[side.side, name] for name in among]
    common = [port for port in blocks[0].ports if all(port in block.ports for block in blocks)]
    own = (book.blocks[side.side, name] for name in names)
    return [block.average(block.area + 1, common) for block in own]


_WIDTH = 96.0


def write_further(book: Book) -> None:
    """Write mean flow and gain in bands of lift, main effects and interactions, and exhaust over intake flow."""
    pen = book.pens["Bands and ratios"]
    pen.title(
        "Bands of lift, factorial and ratios",
        "Mean flows in bands are those of the ports on the previous sheet; ratios at equal share of peak lift, which "
        "lie between the lifts, are computed by flowkit.",
        width=_WIDTH,
    )
    pen.widths = {1: 26.0}
    for side in book.sides:
        for index, table in enumerate(contents.band_tables(side.result)):
            _write_bands(book, side, index, table)
    for side in book.sides:
        _write_effects(book, side)
    _write_ratios(book)
    if pen.row == 4:
        pen.put(1, "There is nothing to compare here.")
    pen.finish(14.5, freeze="B4")


def _write_bands(book: Book, side: SidePlan, index: int, table: contents.BandTable) -> None:
    """Write one table of bands."""
    pen, show, known = book.pens["Bands and ratios"], book.display, dict(contents.gains_of_steps(side.result))
    gained = any(gain is not None for item in table.rows for gain in item.gains)
    pen.heading(f"{side.side.capitalize()}: mean flow and gain of each step in bands of lift")
    heads = ["variant"]
    for limit in table.limits:
        heads += [f"{contents.band_limits(limit, show)}, {limit[0]}, {show.flow}"]
        heads += ["gain of the step", *(end.head for end in ENDS)] if gained else []
    pen.header(heads, words=(1,))
    for item in table.rows:
        pen.put(1, contents.ALL_STEPS if item.variant is None else item.variant, look.WRAPPED)
        for place, (flow, gain) in enumerate(zip(item.flows_m3_s, item.gains, strict=True)):
            column = 2 + (4 if gained else 1) * place
            if flow is not None and item.variant is not None:
                text = band_average(book, (side.side, index, item.variant), (), place)
                pen.put(column, book.in_flow(flow), book.flow, text)
            if gain is not None:
                one = known[item.variant]
                names = (one.from_, one.to)
                ends = [band_average(book, (side.side, index, name), one.matched_ports, place) for name in names]
                pen.put(column + 1, gain.gain, look.GAIN, f"{ends[1]}/{ends[0]}-1")
                book.put_ends(pen, column + 2, (gain.low, gain.high), "band", side.side, *names, gain.name)
        pen.row += 1
    pen.put(1, contents.band_words(table), look.QUIET)
    pen.row += 2


def _write_effects(book: Book, side: SidePlan) -> None:
    """Write main effects and interactions of a side."""
    pen, found = book.pens["Bands and ratios"], side.result.interactions
    if not found:
        return
    assessed = any(item.interaction_u95 is not None for item in found)
    columns = [Column("effect", "effect", look.WRAPPED), Column("gain", "gain", look.GAIN)]
    columns += [Column("u95", "± 95 %", look.PERCENT)] if assessed else []
    table = Table(pen, columns, f"{side.side.capitalize()}: main effects and interaction in mean flow")
    places = {known.factors: known.places for known in find_corners([one.curves.state for one in side.variants])}
    for item in found:
        texts = ("",) * (len(item.main_effects) + 1)
        if item.factors in places:  # else the four corners moved
            names = [side.variants[place].name for place in places[item.factors]]
            q00, q10, q01, q11 = _means(book, side, names, names)
            texts = (
                f"SQRT({q10}/{q00}*{q11}/{q01})-1",
                f"SQRT({q01}/{q00}*{q11}/{q10})-1",
                f"{q11}*{q00}/({q10}*{q01})-1",
            )
        for number_of_effect, (effect, text) in enumerate(zip(contents.effects(item), texts, strict=True)):
            table.put("effect", effect.name)
            pen.tall(effect.name, pen.widths[1])
            table.put("gain", effect.gain, text)
            if effect.u95 is not None:
                cell = book.interval("effect", side.side, item.factors, number_of_effect)
                table.put("u95", effect.u95, f"(1+{{gain}})*{cell}" if cell else "")
            pen.row += 1
    pen.long_text(contents.FACTORIAL, look.NOTE, width=_WIDTH)
    pen.row += 1


def _write_ratios(book: Book) -> None:
    """Write exhaust over intake flow, at equal lift and at equal share of peak lift."""
    pen, show, ratio = book.pens["Bands and ratios"], book.display, look.number(3)
    pairs, lifts = contents.ratio_variants(book.contents.comparison), contents.ratio_lifts(book.contents.comparison)
    sides = {side.side: side for side in book.sides}
    if pairs and lifts:
        pen.heading("Exhaust over intake flow at equal lift")
        pen.header([f"lift, {show.lift}", *(intake.name for intake, _ in pairs)])
        intake = sides["intake"]
        first = book.blocks["intake", intake.variants[0].name]
        for lift in lifts:
            place = intake.place(lift)
            pen.put(1, book.in_lift(intake.grid[place]), book.lift, first.lift(place))
            for column, pair in enumerate(pairs, 2):
                value, known = contents.ratio_between(pair, lift)
                text = _ratio(book, sides, pair[0].name, lift)
                pen.put(column, value, replace(ratio, kind="formula" if known or not text else "between"), text)
            pen.row += 1
        pen.row += 1
    points = book.contents.comparison.ratio_at_fraction
    if points:
        names = list(dict.fromkeys(point.variant for point in points))
        shares = {(point.variant, point.at): point.ratio for point in points}
        pen.heading("Exhaust over intake flow at equal share of peak lift")
        pen.header(["share of peak lift", *names])
        for at in sorted({point.at for point in points}):
            pen.put(1, at, Style("formula", 0, percent=True))
            for column, name in enumerate(names, 2):
                pen.put(column, shares.get((name, at)), ratio)
            pen.row += 1
        pen.row += 1


def _ratio(book: Book, sides: dict[Side, SidePlan], name: str, lift_m: float) -> str:
    """Return exhaust over intake at a lift that both sides have on the corrected flows, "" else."""
    cells = []
    for side in (sides["exhaust"], sides["intake"]):
        variant = next(item for item in side.variants if item.name == name)
        try:
            place = side.place(lift_m)
        except KeyError:
            return ""
        if place not in variant.places:
            return ""
        block = book.blocks[side.side, name]
        cells.append(book.pens[FLOWS].at(block.mean, block.row(place)))
    return "/".join(cells)
