"""The report as one file for a browser, and the tables that it and the page lay out."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import NamedTuple

from flowkit.analysis.results import Comparison, Gain
from flowkit.analysis.sentences import changed_words, factors, headline
from flowkit.drawing.curves import variant_places
from flowkit.drawing.looks import variant_style
from flowkit.drawing.svg import chart_svg, gain_svg, places_css
from flowkit.importers.files.own import PAGE_DATA
from flowkit.reports.contents import ReportContents, all_lifts, cautions_of
from flowkit.reports.labels import gain_cell, gathered, job_words, method_words, reference_words, sides_of
from flowkit.reports.tables import Table, flow_table, further_tables, port_table
from flowkit.units import from_si
from flowkit.wording import NOTHING, display_of, signed_percent, without_keys

ASSETS = Path(__file__).parent
"""The folder of the script and the styles that report and page share."""


class GainCell(NamedTuple):
    """A step's gain on one side, in words."""

    side: str
    gain: str
    interval: str
    verdict: str
    proven: bool


class StepRow(NamedTuple):
    """What one step was worth; `place` is None for all of them together."""

    name: str
    place: int | None
    changed: str
    said: bool
    cells: tuple[GainCell | None, ...]


class FigureTable(NamedTuple):
    """A table of figures: title, heads, rows with their names first, each figure's states, notes, a sum at the end."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    states: tuple[tuple[str, ...], ...] = ()
    notes: str = ""
    summed: bool = True


def percent_text(value: float | None, digits: int = 1) -> str:
    """Write a fraction as a signed percent."""
    return NOTHING if value is None else signed_percent(value, digits=digits)


def _gain_cell(side: str, gain: Gain | None) -> GainCell | None:
    """Return a gain in words: ± where the arms of its 95 % interval are equal, else both ends."""
    if gain is None:
        return None
    figure, verdict = signed_percent(gain.mean_flow_gain), {True: "proven", False: "not proven", None: "not assessed"}
    interval = "not assessed"
    if gain.mean_flow_gain_u95 is not None:
        interval = gain_cell(gain).removeprefix(figure).strip()
        interval = interval.strip("()") + " %" if interval.startswith("(") else interval
    return GainCell(side, figure, interval, verdict[gain.resolved], bool(gain.resolved))


def step_rows(comparison: Comparison) -> tuple[StepRow, ...]:
    """Return what each step was worth on each side, then all of them together."""
    places = variant_places(comparison)
    last = next(reversed(places), "")
    rows: list[StepRow] = []
    for name in (*places, None):
        gains: list[tuple[str, Gain | None]] = []
        for side, result in sides_of(comparison):
            among, to = (result.totals, last) if name is None else (result.steps, name)
            gains.append((side, next((gain for gain in among if gain.to == to), None)))
        known = [gain for _, gain in gains if gain is not None]
        if not known or (name is None and len(rows) < 2):
            continue
        changed = list(dict.fromkeys(filter(None, map(changed_words, known))))
        said = any(map(factors, known)) or all(gain.unchanged for gain in known)
        words = "; ".join(changed) or ("nothing" if said else "not stated yet")
        rows.append(
            StepRow(
                name or "all of it",
                None if name is None else places[name],
                words,
                said,
                tuple(_gain_cell(*gain) for gain in gains),
            )
        )
    return tuple(rows)


def lift_tables(comparison: Comparison, display: str) -> tuple[FigureTable, ...]:
    """Return, for each side, the flows of every state at every lift and its gains over the first."""
    units = display_of(display)
    tables = (flow_table(side, result, units, all_lifts(result), ports=False) for side, result in sides_of(comparison))
    return tuple(_figures(table, table.side or "") for table in tables)


def port_tables(comparison: Comparison, display: str) -> tuple[FigureTable, ...]:
    """Return, for each side, the mean flow of every port in every state, and the spread of the ports."""
    units = display_of(display)
    tables = (port_table(side, result, units) for side, result in sides_of(comparison))
    return tuple(_figures(table, f"{table.side}, mean flow of each port", ("port", "spread")) for table in tables)


def _figures(table: Table, title: str, kinds: tuple[str, ...] = ("", "lift", "mean")) -> FigureTable:
    """Return the rows of some kinds; what is not known is left empty."""
    heads, states = [], []
    for column in table.columns:
        if column.over is not None:
            heads.append(f"{column.state} over {column.over}, %")
        else:
            of = column.state if column.state is not None else column.group
            heads.append(", ".join(filter(None, (of, column.head))))
        states.append(tuple(name for name in (column.over, column.state) if name is not None))
    rows = [row for row in table.rows if row.kind in kinds]
    texts = tuple(tuple("" if cell.text == NOTHING else cell.text for cell in row.cells) for row in rows)
    title, notes = f"{title[:1].upper()}{title[1:]}", " ".join(table.notes)
    summed = bool(rows) and (rows[-1].rule or rows[-1].kind == "spread")
    return FigureTable(title, tuple(heads), texts, tuple(states[1:]), notes, summed)


def html_bytes(contents: ReportContents) -> bytes:
    """Return the report as one page that needs nothing else: no network, no script to be read."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    from flowkit.reports.pages import report_data
    from flowkit.version import __version__

    comparison, info = contents.comparison, contents.info
    display = info.display
    units = display_of(display)
    script = (ASSETS / "charts.js").read_text(encoding="utf-8") + (ASSETS / "copy.js").read_text(encoding="utf-8")
    flows = [flow for _, result in sides_of(comparison) for v in result.variants for flow in v.flow_m3_s]
    top = from_si(max(flows, default=0.0), units.flow)
    style = (ASSETS / "report.css").read_text(encoding="utf-8").replace("/*charts*/", chart_css())
    loader = FileSystemLoader(ASSETS)
    environment = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    html = environment.get_template("report.html").render(
        info=info,
        title=info.title or "Flow chart",
        papers=job_words(info),
        headlines=[headline(result.totals[-1], side) for side, result in sides_of(comparison) if result.totals],
        sentences=tuple(map(without_keys, comparison.sentences)),
        method=method_words(comparison, units),
        reference=reference_words(contents.reference, units, comparison.tests),
        cautions=cautions_of(contents),
        states=[(name, place, _dashes(place)) for name, place in variant_places(comparison).items()],
        charts=[
            (
                side,
                chart_svg(comparison, side, display=display, size=(560, 350), top=top),
                gain_svg(comparison, side, display=display, size=(560, 300)) if result.totals else "",
            )
            for side, result in sides_of(comparison)
        ],
        steps=step_rows(comparison),
        sides=[side for side, _ in sides_of(comparison)],
        tables=(*lift_tables(comparison, display), *port_tables(comparison, display)),
        further=[
            _figures(table, table.heading)
            for side, _ in sides_of(comparison)
            for table in further_tables(comparison, units, side)
        ],
        findings=gathered(finding for finding in contents.findings if finding.severity != "error"),
        sources=contents.sources,
        version=__version__,
        style=style,
        script=script,
        hashed="sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        data_id=PAGE_DATA,
        # "<" is never in the data as it is, so that no name in a sheet can end its element.
        data=report_data(contents).replace("<", "\\u003c"),
    )
    return html.encode("utf-8")


def chart_css() -> str:
    """Return the rules for charts and legends, on white and on a dark page."""
    text = (ASSETS / "charts.css").read_text(encoding="utf-8")
    return text.replace("/*places*/", places_css()).replace("/*places-dark*/", places_css(dark=True))


def _dashes(place: int) -> str:
    """The dashes of a state's line, for the legend."""
    return " ".join(f"{2 * value:g}" for value in variant_style(place).dashes)
