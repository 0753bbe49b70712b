"""The sheet that says it all: job, headline, charts, and how to read the rest."""

from __future__ import annotations

from flowkit.reports.labels import counted, job_words, method_words, reference_words
from flowkit.reports.workbook.charts import flow_chart
from flowkit.reports.workbook.draft import Draft
from flowkit.reports.workbook.flows import row_ranges
from flowkit.reports.workbook.pen import Formula, Pen
from flowkit.reports.workbook.plan import SidePlan, VariantPlan
from flowkit.reports.workbook.styles import Style, lines_of
from flowkit.reports.workbook.words import changed_words
from flowkit.units import from_si

__all__ = ["write_summary"]

_NARROW = 8.6
_WIDTHS = {1: 20.0, **dict.fromkeys(range(2, 11), _NARROW), 11: 24.0}
_WIDTH = sum(_WIDTHS.values())
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
    """Write the summary, once all other sheets stand.

    Parameters
    ----------
    draft : Draft
    """
    from flowkit.version import __version__

    pen, contents = draft.pens["Summary"], draft.contents
    info = contents.info
    named = (info.vehicle, info.customer, info.shop, job_words(info))
    notes = (reference_words(contents.reference, draft.display), method_words(contents.comparison, draft.display))
    pen.title(info.title or "Flow chart", "  ·  ".join(text for text in named if text), *notes, width=_WIDTH)
    row = 6
    for side in draft.sides:
        row = _write_side(draft, pen, side, row) + 1
    for side, column in zip(draft.sides, "AG", strict=False):
        flow_chart(draft, side, f"{column}{row}")
    row += _CHART_ROWS
    for text in (*contents.comparison.sentences, *_doubts(draft)):
        pen.long_text(row, text, Style(wrap=True), width=_WIDTH, columns=len(_HEADS))
        row += 1
    row = _legend(pen, row + 1)
    sources = ", ".join(f"{item.name} {item.sha256[:8]}" for item in contents.sources)
    ending = f"Sources: {sources}.  " if sources else ""
    last = f"{ending}flowkit {__version__}.  {info.notes or ''}".rstrip()
    pen.long_text(row + 1, last, Style("quiet", wrap=True), width=_WIDTH, columns=len(_HEADS))
    pen.widths(_WIDTHS)
    pen.paper()
    pen.sheet.page_setup.fitToHeight = 1


def _write_side(draft: Draft, pen: Pen, side: SidePlan, row: int) -> int:
    """Write one side's headline table; return the next free row."""
    show = draft.display
    low, high = (from_si(lift, show.lift) for lift in side.result.range_m)
    words = f"{side.side.capitalize()}, lifts {low:.{show.lift_digits}f} to {high:.{show.lift_digits}f} {show.lift}"
    pen.put(row, 1, words, Style("heading"))
    heads = [f"{head}, {show.flow}" if head in ("mean flow", "peak flow") else head for head in _HEADS]
    pen.header(row + 1, heads, widths=_WIDTHS, words=(1,), apart=(11,))
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
    relative = Style("value", 1, percent=True)
    pen.put(row, 1, variant.name, Style(wrap=True))
    pen.tall(row, lines_of(variant.name, _WIDTHS[1]))
    pen.put(row, 2, Formula(flows.at(block.flow, block.mean), from_si(known.mean_flow_m3_s, show.flow)), flow)
    pen.put(row, 3, known.mean_flow_u95, relative)
    places = [side.place(lift) for lift in known.lifts_m]
    peak = from_si(known.peak_flow_m3_s, show.flow)
    pen.put(row, 4, Formula(f"MAX({row_ranges(draft, block, block.mean, places)})", peak), flow)
    if known.port_spread is not None:
        first = flows.at(block.flow, block.mean - len(block.ports))
        cells = f"{first}:{flows.here(block.flow, block.mean - 1, lock_row=True, lock_column=True)}"
        text = f"(MAX({cells})-MIN({cells}))/AVERAGE({cells})"
        pen.put(row, 5, Formula(text, known.port_spread), Style("formula", 1, percent=True))
        pen.put(row, 6, known.port_spread_u95, relative)
    total = next((gain for gain in side.result.totals if gain.to == variant.name), None)
    step = next((gain for gain in side.result.steps if gain.to == variant.name), None)
    for gain, column in ((total, 7), (step, 9)):
        if gain is not None:
            cell = draft.gains[side.side, gain.from_, gain.to]
            pen.put(row, column, Formula(cell, gain.mean_flow_gain), Style("formula", 1, gain=True))
            pen.put(row, column + 1, gain.mean_flow_gain_u95, relative)
    if step is not None:
        pen.put(row, 11, changed_words(step), Style(left=True, wrap=True))
        pen.tall(row, lines_of(changed_words(step), _WIDTHS[11] - 2))


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
            "italic on grey: a value written by flowkit, not a formula (intervals, air, models)",
        ),
    ):
        row += 1
        pen.put(row, 1, name, Style(kind, left=True))
        pen.put(row, 2, meaning, Style("quiet", left=True))
    return row + 1
