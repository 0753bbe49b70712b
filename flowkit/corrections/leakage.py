"""Leakage: what the bench and the closed valve pass is taken off every reading."""

from __future__ import annotations

import math

from flowkit.corrections.step import Setting, Step, incomplete, skipped
from flowkit.model import Finding, FlowTest, LedgerLine
from flowkit.wording import flow_as_read

__all__ = ["FORMULA", "correct_leakage", "leak_flow"]

FORMULA = "Q1 = Q − Q_leak·sqrt(ΔP/ΔP_leak) (common practice, no source)"


def leak_flow(leak_m3_s: float, pressure_pa: float, leak_pressure_pa: float) -> float:
    """Return the leakage at a test pressure [m³/s].

    Parameters
    ----------
    leak_m3_s : float
        Leakage with the valve closed [m³/s].
    pressure_pa : float
        Test pressure of the point [Pa].
    leak_pressure_pa : float
        Test pressure the leakage was read at [Pa].

    Returns
    -------
    float
        Leakage [m³/s].

    Notes
    -----
    The leak is taken for an orifice, so it follows the square root of the pressure:
    common practice, no source.

    Examples
    --------
    >>> leak_flow(0.002, 4000.0, 1000.0)
    0.004
    """
    return leak_m3_s * math.sqrt(pressure_pa / leak_pressure_pa)


def correct_leakage(
    flow: tuple[float, ...], test: FlowTest, setting: Setting, leaks_m3_s: tuple[float | None, ...] | None = None
) -> Step:
    """Take the leakage off the flows of a test.

    Parameters
    ----------
    flow : tuple of float
        Flow at each point of the test [m³/s].
    test : FlowTest
        The test with its conditions; one point per flow.
    setting : Setting
        Not used by this correction.
    leaks_m3_s : tuple of (float or None), optional
        Each point's own leak [m³/s], where meters or ranges have theirs; None for a point without one.

    Returns
    -------
    Step
        An offset per point [m³/s]. Where the leakage was read at is the test pressure
        unless stated.

    Notes
    -----
    ``Q1 = Q − Q_leak·sqrt(ΔP/ΔP_leak)``; common practice, no source.
    """
    conditions = test.conditions
    leak = conditions.leak_m3_s
    if leaks_m3_s is not None:
        return _own_leaks(flow, test, leaks_m3_s)
    if leak is None:
        return skipped("leakage", FORMULA, flow, "no leakage is stated")
    if not (leak >= 0 and math.isfinite(leak)):
        finding = Finding(
            "flow-negative",
            "error",
            test.id,
            f"A leakage of {flow_as_read(test, leak, volume=True)} is below zero, so it was not taken off; "
            "check the leakage and its sign, and state the right one in the job.",
        )
        reason = "the leakage is below zero"
        return skipped("leakage", FORMULA, flow, reason, inputs={"leak_m3_s": leak}, findings=(finding,))
    stated = conditions.leak_pressure_pa
    at = conditions.test_pressure_pa if stated is None else stated
    pressures = [test.pressure_at(point) for point in test.points]
    offsets = []
    for pressure in pressures:
        if pressure is None and stated is None:
            offsets.append(-leak)  # both are at the test pressure, whatever it was
        elif pressure is None or at is None or not at > 0:
            missing = "the test pressure at which the leakage was read is not known"
            note = incomplete(test, "leakage", missing, "state the test pressure, or that of the leakage")
            return skipped("leakage", FORMULA, flow, missing, inputs={"leak_m3_s": leak}, findings=(note,))
        else:
            offsets.append(-leak_flow(leak, pressure, at))
    line = LedgerLine("leakage", FORMULA, {"leak_m3_s": leak, "leak_pressure_pa": at}, offset_m3_s=tuple(offsets))
    return Step(line, tuple(q + offset for q, offset in zip(flow, offsets, strict=True)))


def _own_leaks(flow: tuple[float, ...], test: FlowTest, leaks: tuple[float | None, ...]) -> Step:
    """Take off each point the leak of its own meter or range."""
    stated = test.conditions.leak_pressure_pa
    at = test.conditions.test_pressure_pa if stated is None else stated
    offsets = []
    for point, leak in zip(test.points, leaks, strict=True):
        pressure = test.pressure_at(point)
        scaled = leak or 0.0
        offsets.append(-(leak_flow(scaled, pressure, at) if pressure and at else scaled))
    line = LedgerLine("leakage", FORMULA, {"leak_m3_s": leaks, "leak_pressure_pa": at}, offset_m3_s=tuple(offsets))
    return Step(line, tuple(q + offset for q, offset in zip(flow, offsets, strict=True)))
