"""Which points of a test can be corrected at all: those at a test pressure that can be."""

from __future__ import annotations

import dataclasses
import math

from flowkit.corrections.step import STANDARD_BAROMETER_PA, Setting, pressure_words
from flowkit.model import Finding, FlowTest
from flowkit.units import format_quantity

__all__ = ["with_pressure"]


def with_pressure(test: FlowTest, setting: Setting) -> tuple[FlowTest, tuple[Finding, ...]]:
    """Return the test with those points whose test pressure can be.

    Parameters
    ----------
    test : FlowTest
    setting : Setting
        A test pressure may be unknown where its correction is switched off.

    Returns
    -------
    test : FlowTest
        Without points where none is left.
    findings : tuple of Finding
        An error for each point left out, or one for the whole test.
    """
    if not test.points:
        return test, (Finding("no-points", "error", test.id, "The test has no points, so it was left out."),)
    needed = "test-pressure" not in setting.off
    pressures = [test.pressure_at(point) for point in test.points]
    bad = [_unusable(test, pressure, needed) for pressure in pressures]
    kept = tuple(point for point, rule in zip(test.points, bad, strict=True) if not rule)
    if not kept and len(set(bad)) == 1 and len(set(pressures)) == 1:
        finding = _left_out(bad[0], test.id, test, pressures[0], "so the test was left out")
        return dataclasses.replace(test, points=()), (finding,)
    findings = tuple(
        _left_out(rule, point.source, test, pressure, "so the point was left out")
        for point, pressure, rule in zip(test.points, pressures, bad, strict=True)
        if rule
    )
    return (dataclasses.replace(test, points=kept) if findings else test), findings


def _unusable(test: FlowTest, pressure: float | None, needed: bool) -> str:
    """Return the rule a test pressure breaks, or nothing."""
    if pressure is None:
        return "pressure-missing" if needed else ""
    possible = pressure > 0 and math.isfinite(pressure) and not _beyond_vacuum(test, pressure)
    return "" if possible else "pressure-impossible"


def _beyond_vacuum(test: FlowTest, pressure_pa: float) -> bool:
    """Tell whether an intake would be sucked at the whole of the room's pressure or more."""
    barometer = test.conditions.barometer_pa
    room = STANDARD_BAROMETER_PA if barometer is None else barometer
    # A barometer that cannot be is told by the pressure correction.
    return test.side == "intake" and 0 < room <= pressure_pa


def _left_out(rule: str, where: str, test: FlowTest, pressure: float | None, outcome: str) -> Finding:
    """Return the error for a test or point without a usable pressure."""
    if pressure is None:
        message = (
            f"No test pressure is known, {outcome}; give it on the sheet, or state it with --test-pressure or in "
            "the job's conditions."
        )
    elif _beyond_vacuum(test, pressure):
        message = (
            f"The intake cannot be sucked at a test pressure of {pressure_words(test, pressure)}, which is not below "
            f"{_room_words(test)}, {outcome}; check the test pressure and the barometer and their units on the sheet."
        )
    else:
        message = (
            f"A test pressure of {pressure_words(test, pressure)} cannot be, {outcome}; "
            "check it and its unit on the sheet."
        )
    return Finding(rule, "error", where, message)


def _room_words(test: FlowTest) -> str:
    """Write the barometer, and whether it is the day's."""
    barometer = test.conditions.barometer_pa
    value = STANDARD_BAROMETER_PA if barometer is None else barometer
    words = f"{format_quantity(value, 'kPa', 1)}, {format_quantity(value, 'inHg', 2)}"
    return f"the barometer ({words}{'; not stated, so the standard one' if barometer is None else ''})"
