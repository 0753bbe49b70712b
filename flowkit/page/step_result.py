"""Step 3, the result: proven or not, by how much, what to flow again; then curves, gains, ports, corrections."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from flowkit.analysis.results import Comparison
from flowkit.drawing.curves import variant_places
from flowkit.drawing.svg import chart_svg, gain_svg
from flowkit.model import CorrectedTest
from flowkit.page.plumbing import Action, Page, View, unstated
from flowkit.page.workspace import Snapshot, place_of
from flowkit.reports.html import lift_tables, port_tables, step_rows
from flowkit.units import from_si
from flowkit.wording import Display, display_of


def _view(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the result, or what it waits for."""
    unsaid = unstated(snapshot)
    if snapshot.results is None:
        return page.render("result.html", snapshot, step="result", part="", unsaid=unsaid)
    comparison, units = snapshot.results.comparison, display_of(snapshot.display)
    names = list(dict.fromkeys(v.name for side in comparison.sides.values() for v in side.variants))
    lead, rest = _lead(comparison)
    # Both sides are drawn on one scale.
    flows = [q for item in comparison.sides.values() for v in item.variants for q in v.flow_m3_s]
    top = from_si(max(flows, default=0.0), units.flow)
    sides = [
        (
            side,
            chart_svg(comparison, side, display=snapshot.display, size=(560, 350), top=top),
            gain_svg(comparison, side, display=snapshot.display, size=(560, 300)) if result.totals else "",
        )
        for side, result in comparison.sides.items()
    ]
    ranges = {}
    for side, result in comparison.sides.items():
        low, high = (f"{from_si(lift, units.lift):.{units.lift_digits}f}" for lift in result.range_m)
        ranges[side] = f"{low} to {high} {units.lift}"
    return page.render(
        "result.html", snapshot, step="result", part="", unsaid=unsaid, lead=lead, sentences=rest, names=names,
        waiting={n: view.name for view in reversed(snapshot.files) for n in view.states if n not in names},
        rows=step_rows(comparison), froms=_froms(comparison), range=ranges, sides=sides,
    )  # fmt: skip


def _lead(comparison: Comparison) -> tuple[list[str], list[str]]:
    """What comes first: each side's whole gain and whether it is proven, then what to flow again; and all the rest."""
    gains = [gain for side in comparison.sides.values() for gain in (*side.totals[-1:], *side.steps)]
    if not gains:
        again = "What to flow again is known once there is a second state to compare with."
    else:
        proven = all(gain.resolved for gain in gains)
        rest = "every gain is proven" if proven else "what is not proven was not worked on"
        again = f"Nothing needs flowing again: {rest}, and no port lags behind the others."
    lead = [*comparison.parts["headline"], *(comparison.parts["next"] or [again])]
    return lead, [words for words in comparison.sentences if words not in lead]


def _froms(comparison: Comparison) -> dict[tuple[str, int | None], str]:
    """What each gain of the table of steps is over, by its side and its state's place; None is all of the work."""
    places = variant_places(comparison)
    found: dict[tuple[str, int | None], str] = {}
    for side, result in comparison.sides.items():
        found |= {(side, places[gain.to]): gain.from_ for gain in result.steps}
        if result.totals:
            found[side, None] = result.totals[-1].from_
    return found


def _tables(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Every lift, with flows at the reference and gains, or every port, with its mean flow in each state."""
    part = request.url.path.rpartition("/")[2]
    heading, made = {"lifts": ("Every lift", lift_tables), "ports": ("Every port", port_tables)}[part]
    tables = made(snapshot.results.comparison, snapshot.display) if snapshot.results is not None else ()
    return page.render("tables.html", snapshot, step="result", part=part, heading=heading, tables=tables)


def _cells(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """The cells behind a figure: every reading of a side, at one lift, of one port or of some states."""
    asked = request.query_params
    side, lift, port = asked.get("side", ""), asked.get("lift", ""), asked.get("port", "")
    states = [name for name in asked.getlist("state") if name in snapshot.states]
    units = display_of(snapshot.display)
    rows = []
    for test in snapshot.results.correction.tests if snapshot.results is not None else ():
        name = f"{test.head}, port {test.port}" if test.head else f"port {test.port}"
        if (side and test.side != side) or (port and port != name) or (states and test.variant not in states):
            continue
        points = _points(test, units)
        for row in _near(points, lift) if lift else points:
            rows.append((test.variant, f"{test.side or ''} {name}", test.run, *row))
    words = [side, port, f"lift {lift} {units.lift}" if lift else "", " and ".join(states)]
    return page.render(
        "cells.html", snapshot, step="result", part="cells", rows=rows, units=units,
        heading=", ".join(word for word in words if word) or "every test",
    )  # fmt: skip


def _near(points: list[Point], lift: str) -> list[Point]:
    """The points at a lift, as it is shown; where none was flowed there, those on both sides of it."""
    same = [row for row in points if row[0] == lift]
    try:
        at = float(lift)
    except ValueError:
        return same
    below = [row for row in points if float(row[0]) < at]
    above = [row for row in points if float(row[0]) > at]
    return same or [*below[-1:], *above[:1]]


def _corrections(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Every correction of every test, with the cells its points came from."""
    units = display_of(snapshot.display)
    tests: list[Any] = []
    for test in snapshot.results.correction.tests if snapshot.results is not None else ():
        ledger = []
        for line in test.ledger:
            low, high = (min(line.factor), max(line.factor)) if line.factor else (1.0, 1.0)
            did = "taken off" if line.offset_m3_s else "no effect"
            if line.skipped:
                did = f"not made: {line.skipped}"
            elif line.factor:
                did = f"× {low:.4f}" if abs(high - low) < 5e-5 else f"× {low:.4f} to {high:.4f}"
            ledger.append((line.correction.replace("-", " "), line.formula, did))
        tests.append((test, _points(test, units), ledger))
    return page.render("corrections.html", snapshot, step="result", part="corrections", tests=tests, units=units)


Point = tuple[str, str, str, str, str]


def _points(test: CorrectedTest, units: Display) -> list[Point]:
    """Each point: lift, reading, flow at the reference, its cell, and the address of the cell on its sheet."""
    return [
        (
            f"{from_si(point.lift_m, units.lift):.{units.lift_digits}f}",
            f"{from_si(point.reading_m3_s, units.flow):.{units.flow_digits}f}",
            f"{from_si(point.flow_m3_s, units.flow):.{units.flow_digits}f}",
            point.source,
            place_of(point.source, test.file),
        )
        for point in test.points
    ]


PAGES: dict[str, View] = {
    "/result": _view,
    "/result/lifts": _tables,
    "/result/ports": _tables,
    "/result/cells": _cells,
    "/result/corrections": _corrections,
}
FORMS: dict[str, Action] = {}
