"""Step 3, the result: proven or not, by how much, what to flow again; then curves, gains, ports, corrections."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from flowkit.analysis.results import Comparison
from flowkit.drawing.curves import display_of
from flowkit.model import CorrectedTest
from flowkit.page import charts
from flowkit.page.plumbing import Page
from flowkit.page.workspace import Snapshot
from flowkit.reports.html import lift_tables, port_tables, step_rows
from flowkit.units import from_si

__all__ = ["routes"]


def routes(page: Page) -> list[Route]:
    """Return the step's addresses."""
    return [
        Route("/result", page.show(lambda request, snapshot: _view(page, request, snapshot))),
        Route("/result/lifts", page.show(lambda request, snapshot: _lifts(page, request, snapshot))),
        Route("/result/ports", page.show(lambda request, snapshot: _ports(page, request, snapshot))),
        Route("/result/corrections", page.show(lambda request, snapshot: _corrections(page, request, snapshot))),
    ]


def _comparison(snapshot: Snapshot) -> Comparison | None:
    """What was compared, None while something is waited for."""
    return snapshot.results.comparison if snapshot.results is not None else None


def _view(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the result, or what it waits for."""
    comparison = _comparison(snapshot)
    values: dict[str, Any] = {"sides": [], "sentences": (), "names": [], "range": "", "rows": []}
    if comparison is not None:
        units = display_of(snapshot.display)
        names = list(dict.fromkeys(v.name for side in comparison.sides.values() for v in side.variants))
        ranges = {
            side: f"{from_si(result.range_m[0], units.lift):.{units.lift_digits}f} to "
            f"{from_si(result.range_m[1], units.lift):.{units.lift_digits}f} {units.lift}"
            for side, result in comparison.sides.items()
        }
        values = {
            "sentences": comparison.sentences,
            "names": names,
            "rows": step_rows(comparison),
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


def _points(test: CorrectedTest, units: Any) -> list[tuple[str, str, str, str, str]]:
    """Each point: lift, reading, flow at the reference, and its cell with the sheet that holds it."""
    return [
        (
            f"{from_si(point.lift_m, units.lift):.{units.lift_digits}f}",
            f"{from_si(point.reading_m3_s, units.flow):.{units.flow_digits}f}",
            f"{from_si(point.flow_m3_s, units.flow):.{units.flow_digits}f}",
            point.source,
            test.file,
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
