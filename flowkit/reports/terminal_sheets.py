"""Sheets as they were read, and tests as they were corrected, on a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from flowkit.drawing import Display
from flowkit.reports.labels import NOTHING, display_of, flow_text, lift_text, numeral, pressure_words
from flowkit.reports.ledger import effect_words, formulas, skipped_reasons, told
from flowkit.reports.terminal_parts import Parts, findings_text, plain_table, plain_text
from flowkit.units import from_si

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from flowkit.corrections import CorrectionResult
    from flowkit.importers import ReadResult

__all__ = ["correction_text", "reading_text"]


def reading_text(result: ReadResult, display: str = "US") -> Parts:
    """Return what was understood of a sheet for a terminal: a row a test, then the findings.

    Parameters
    ----------
    result : ReadResult
    display : {"US", "metric"}, optional
        For pressures; lengths and flows are shown in the sheet's own units.
    """
    units = display_of(display)
    table = plain_table(
        ("variant", "left"), ("side", "left"), ("port", "left"), ("run", "right"), ("points", "right"),
        ("lifts", "left"), ("flows", "left"), ("pressure", "left"), ("bore", "left"),
    )  # fmt: skip
    for test in result.tests:
        lifts = [point.lift_m for point in test.points]
        flows = [point.flow_m3_s for point in test.points]
        pressures = {test.pressure_at(point) for point in test.points}
        bore = test.conditions.fixture_bore_m
        table.add_row(
            plain_text(test.variant),
            plain_text(test.side or "?"),
            plain_text(test.port or NOTHING),
            str(test.run),
            str(len(test.points)),
            plain_text(_range(lifts, test.units.lift.unit, test.units.lift.source)),
            plain_text(_range(flows, test.units.flow.unit, test.units.flow.source)),
            plain_text(
                ", ".join("missing" if p is None else pressure_words(p, units) for p in sorted(pressures, key=str))
            ),
            plain_text(NOTHING if bore is None else _bore(bore, test.units.lift.unit)),
        )
    files = list(dict.fromkeys(test.file for test in result.tests))
    count = f"{len(result.tests)} test" + ("s" if len(result.tests) != 1 else "")
    head = [plain_text(f"{', '.join(files)}: {count}" if files else "no tests", "bold")]
    return (*head, *([table] if result.tests else []), *findings_text(result.findings), "")


def _bore(bore_m: float, lift_unit: str) -> str:
    """Write a bore in inches where the sheet's lifts are in inches, in millimetres else."""
    unit, digits = ("in", 3) if lift_unit in ("in", "thou") else ("mm", 2)
    return f"{numeral(from_si(bore_m, unit), digits)} {unit}"


def _range(values: Sequence[float], unit: str, source: str) -> str:
    """Write the smallest and largest of SI values in the unit the sheet was written in."""
    from flowkit.units import UNITS

    known = UNITS.get(unit)
    plain = known is not None and known.quantity in ("length", "flow")
    if not values or not plain:
        text = unit
    else:
        low, high = (f"{from_si(value, unit):.4g}" for value in (min(values), max(values)))
        text = f"{low}–{high} {unit}"
    return text if source == "stated" else f"{text} ({source})"


def correction_text(result: CorrectionResult, display: str = "US") -> Parts:
    """Return corrected flows and how they got there, for a terminal.

    Parameters
    ----------
    result : CorrectionResult
    display : {"US", "metric"}, optional
    """
    units = display_of(display)
    parts: list[RenderableType] = [
        plain_text(
            f"Flows at {pressure_words(result.reference.pressure_pa, units)}, {result.reference.pressure_law} law.",
            "dim",
        )
    ]
    names = list(dict.fromkeys(line.correction for test in result.tests for line in test.ledger))
    table = plain_table(("variant", "left"), ("side", "left"), ("tests", "right"), *((name, "left") for name in names))
    for variant, side, count, items in told(result.tests):
        cells = [plain_text(effect_words(items.get(name), units)) for name in names]
        table.add_row(plain_text(variant), plain_text(side), str(count), *cells)
    parts += ["", table, ""] if result.tests else []
    parts += [plain_text(f"{name}: {formula}") for name, formula in formulas(result.tests)]
    for name, reason, count in skipped_reasons(result.tests):
        parts.append(plain_text(f"{name}: not made in {count} of {len(result.tests)} tests, {reason}", "dim"))
    parts.append("")
    parts.append(_points_table(result, units))
    found = findings_text(result.findings)
    return (*parts, *(["", *found] if found else []))


def _points_table(result: CorrectionResult, display: Display) -> Table:
    """Return a row a point: as read, the pressure it was read at, and at the reference."""
    table = plain_table(
        ("test", "left"), (f"lift, {display.lift}", "right"), (f"read, {display.flow}", "right"),
        ("at, inH2O", "right"), (f"corrected, {display.flow}", "right"),
    )  # fmt: skip
    for test in result.tests:
        for place, point in enumerate(test.points):
            table.add_row(
                plain_text(test.id if place == 0 else ""),
                lift_text(point.lift_m, display),
                flow_text(point.reading_m3_s, display),
                numeral(None if point.pressure_pa is None else from_si(point.pressure_pa, "inH2O"), 1),
                flow_text(point.flow_m3_s, display),
                end_section=place == len(test.points) - 1,
            )
    return table
