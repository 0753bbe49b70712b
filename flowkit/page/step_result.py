"""Step 3, the result: proven or not, by how much, what to flow again; then curves, gains, ports, corrections."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from flowkit.analysis.results import Comparison, Gain
from flowkit.drawing.curves import display_of
from flowkit.model import CorrectedTest
from flowkit.page import charts
from flowkit.page.plumbing import Page
from flowkit.page.workspace import Snapshot
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


def percent(value: float | None, digits: int = 1) -> str:
    """Write a fraction as a signed per cent."""
    if value is None:
        return "–"
    text = f"{100 * value:+.{digits}f} %"
    return text.replace("-", "−")


def interval(gain: Gain) -> str:
    """Write the interval of a gain."""
    low, high = getattr(gain, "mean_flow_gain_low", None), getattr(gain, "mean_flow_gain_high", None)
    if low is not None and high is not None:
        return f"{percent(low)} to {percent(high)}"
    u95 = gain.mean_flow_gain_u95
    return "not assessed" if u95 is None else f"± {100 * u95:.1f}"


def verdict(gain: Gain) -> tuple[str, str]:
    """Say whether a gain is proven: a word for its colour, and the words."""
    if gain.resolved is None:
        return "open", "not assessed"
    if gain.resolved:
        return "good", "proven"
    return "open", "not proven"


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
            "rows": _rows(comparison, names),
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


def _rows(comparison: Comparison, names: list[str]) -> list[dict[str, Any]]:
    """What each step was worth, then all of it."""
    rows: list[dict[str, Any]] = []
    for index, name in enumerate(names):
        cells = {
            side: next((g for g in result.steps if g.to == name), None) for side, result in comparison.sides.items()
        }
        if any(cells.values()):
            rows.append(_row(name, index, cells))
    if len(rows) > 1:
        last = names[-1]
        cells = {side: next((g for g in r.totals if g.to == last), None) for side, r in comparison.sides.items()}
        rows.append(_row("all of it", None, cells))
    return rows


def _row(name: str, index: int | None, cells: dict[Any, Gain | None]) -> dict[str, Any]:
    """One row of the table of steps."""
    changed = list(dict.fromkeys(factor for gain in cells.values() if gain for factor in gain.changed))
    unknown = any(gain is not None and not gain.changed and not gain.unchanged for gain in cells.values())
    return {
        "name": name,
        "look": index,
        "changed": ", ".join(changed) or ("not said yet" if unknown else "nothing"),
        "unsaid": not changed and unknown,
        "cells": [
            (side, None if gain is None else (percent(gain.mean_flow_gain), interval(gain), *verdict(gain)))
            for side, gain in cells.items()
        ],
    }


def _lifts(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Every lift: flows at the reference and gains."""
    comparison = _comparison(snapshot)
    units = display_of(snapshot.display)
    tables = []
    for side, result in comparison.sides.items() if comparison else ():
        lifts = sorted({lift for variant in result.variants for lift in variant.lifts_m})
        flows = {v.name: dict(zip(v.lifts_m, v.flow_m3_s, strict=True)) for v in result.variants}
        gains = {gain.to: {item.lift_m: item for item in gain.per_lift} for gain in result.totals}
        rows = []
        for lift in lifts:
            row = [f"{from_si(lift, units.lift):.{units.lift_digits}f}"]
            for variant in result.variants:
                flow = flows[variant.name].get(lift)
                row.append("" if flow is None else f"{from_si(flow, units.flow):.{units.flow_digits}f}")
            for gain in result.totals:
                item = gains[gain.to].get(lift)
                row.append("" if item is None else percent(item.gain))
            rows.append(row)
        head = [f"lift, {units.lift}", *(f"{v.name}, {units.flow}" for v in result.variants)]
        head += [f"{gain.to} over {gain.from_}" for gain in result.totals]
        tables.append((side.capitalize(), head, rows))
    return page.render("tables.html", snapshot, step="result", part="lifts", heading="Every lift", tables=tables)


def _ports(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Every port: mean flow in each state, and its gain."""
    comparison = _comparison(snapshot)
    units = display_of(snapshot.display)
    tables = []
    for side, result in comparison.sides.items() if comparison else ():
        names = list(dict.fromkeys(_port(p) for v in result.variants for p in v.ports))
        rows = []
        for name in names:
            row = [name]
            for variant in result.variants:
                found = next((p for p in variant.ports if _port(p) == name), None)
                row.append(
                    "" if found is None else f"{from_si(found.mean_flow_m3_s, units.flow):.{units.flow_digits}f}"
                )
            rows.append(row)
        spread = ["spread"]
        for variant in result.variants:
            spread.append("" if variant.port_spread is None else f"{100 * variant.port_spread:.1f} %")
        head = ["port", *(f"{v.name}, {units.flow}" for v in result.variants)]
        tables.append((f"{side.capitalize()}, mean flow", head, [*rows, spread]))
    return page.render("tables.html", snapshot, step="result", part="ports", heading="Every port", tables=tables)


def _port(port: Any) -> str:
    """A port's name with its head's."""
    head = getattr(port, "head", None)
    return f"{head} {port.port}" if head else str(port.port)


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
