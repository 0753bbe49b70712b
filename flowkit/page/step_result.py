"""Step 3, the result: proven or not, by how much, what to flow again; then curves, gains, ports, corrections."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from flowkit.analysis.results import Comparison
from flowkit.drawing.curves import variant_places
from flowkit.model import CorrectedTest
from flowkit.page import charts
from flowkit.page.plumbing import Page, unstated
from flowkit.page.workspace import Snapshot, place_of
from flowkit.reports.html import lift_tables, port_tables, step_rows
from flowkit.units import from_si
from flowkit.wording import display_of


def routes(page: Page) -> list[Route]:
    """Return the step's addresses."""
    return [
        Route("/result", page.show(lambda request, snapshot: _view(page, request, snapshot))),
        Route("/result/lifts", page.show(lambda request, snapshot: _lifts(page, request, snapshot))),
        Route("/result/ports", page.show(lambda request, snapshot: _ports(page, request, snapshot))),
        Route("/result/cells", page.show(lambda request, snapshot: _cells(page, request, snapshot))),
        Route("/result/corrections", page.show(lambda request, snapshot: _corrections(page, request, snapshot))),
    ]


def _comparison(snapshot: Snapshot) -> Comparison | None:
    """What was compared, None while something is waited for."""
    return snapshot.results.comparison if snapshot.results is not None else None


def _view(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the result, or what it waits for."""
    comparison = _comparison(snapshot)
    values: dict[str, Any] = {
        "sides": [],
        "lead": (),
        "sentences": (),
        "names": [],
        "range": "",
        "rows": [],
        "froms": {},
        "waiting": {},
        "unsaid": unstated(snapshot),
    }
    if comparison is not None:
        units = display_of(snapshot.display)
        lead, sentences = _lead(comparison)
        names = list(dict.fromkeys(v.name for side in comparison.sides.values() for v in side.variants))
        ranges = {
            side: f"{from_si(result.range_m[0], units.lift):.{units.lift_digits}f} to "
            f"{from_si(result.range_m[1], units.lift):.{units.lift_digits}f} {units.lift}"
            for side, result in comparison.sides.items()
        }
        values = {
            "lead": lead,
            "sentences": sentences,
            "names": names,
            "unsaid": values["unsaid"],
            "waiting": {n: view.name for view in reversed(snapshot.files) for n in view.states if n not in names},
            "rows": step_rows(comparison),
            "froms": _froms(comparison),
            "range": ranges,
            "sides": [
                (
                    side,
                    charts.compared(comparison, side, snapshot.display),
                    charts.gained(comparison, side, snapshot.display) if result.totals else "",
                )
                for side, result in comparison.sides.items()
            ],
        }
    return page.render("result.html", snapshot, step="result", part="", **values)


def _lead(comparison: Comparison) -> tuple[list[str], list[str]]:
    """What comes first: each side's whole gain and whether it is proven, then what to flow again; and all the rest."""
    parts = comparison.parts
    lead = [*parts["headline"], *(parts["next"] or [_nothing_again(comparison)])]
    return lead, [words for words in comparison.sentences if words not in lead]


def _nothing_again(comparison: Comparison) -> str:
    """Say why nothing is to be flowed again, or what that waits for."""
    gains = [gain for side in comparison.sides.values() for gain in (*side.totals[-1:], *side.steps)]
    if not gains:
        return "What to flow again is known once there is a second state to compare with."
    rest = "every gain is proven" if all(gain.resolved for gain in gains) else "what is not proven was not worked on"
    return f"Nothing needs flowing again: {rest}, and no port lags behind the others."


def _froms(comparison: Comparison) -> dict[tuple[str, int | None], str]:
    """What each gain of the table of steps is over, by its side and its state's place; None is all of the work."""
    places = variant_places(comparison)
    found: dict[tuple[str, int | None], str] = {}
    for side, result in comparison.sides.items():
        found |= {(side, places[gain.to]): gain.from_ for gain in result.steps}
        if result.totals:
            found[side, None] = result.totals[-1].from_
    return found


def _lifts(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Every lift: flows at the reference and gains."""
    comparison = _comparison(snapshot)
    tables = lift_tables(comparison, snapshot.display) if comparison else ()
    return page.render("tables.html", snapshot, step="result", part="lifts", heading="Every lift", tables=tables)


def _ports(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Every port: its mean flow in each state."""
    comparison = _comparison(snapshot)
    tables = port_tables(comparison, snapshot.display) if comparison else ()
    return page.render("tables.html", snapshot, step="result", part="ports", heading="Every port", tables=tables)


def _cells(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """The cells behind a figure: every reading of a side, at one lift, of one port or of some states."""
    asked = request.query_params
    side, lift, port = asked.get("side", ""), asked.get("lift", ""), asked.get("port", "")
    states = [name for name in asked.getlist("state") if name in snapshot.states]
    units = display_of(snapshot.display)
    tests = snapshot.results.correction.tests if snapshot.results is not None else ()
    rows = []
    for test in tests:
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
    tests = snapshot.results.correction.tests if snapshot.results is not None else ()
    units = display_of(snapshot.display)
    return page.render(
        "corrections.html",
        snapshot,
        step="result",
        part="corrections",
        tests=[(test, _points(test, units), _ledger(test)) for test in tests],
        units=units,
    )


Point = tuple[str, str, str, str, str]


def _points(test: CorrectedTest, units: Any) -> list[Point]:
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


def _ledger(test: CorrectedTest) -> list[tuple[str, str, str]]:
    """Each correction: its name, its formula, and what it did."""
    lines = []
    for line in test.ledger:
        if line.skipped:
            did = f"not made: {line.skipped}"
        elif line.factor:
            low, high = min(line.factor), max(line.factor)
            did = f"× {low:.4f}" if abs(high - low) < 5e-5 else f"× {low:.4f} to {high:.4f}"
        else:
            did = "taken off" if line.offset_m3_s else "no effect"
        lines.append((line.correction.replace("-", " "), line.formula, did))
    return lines
