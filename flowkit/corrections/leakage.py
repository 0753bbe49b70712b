"""Leakage: what the bench and the closed valve pass is taken off every reading."""

from __future__ import annotations

import math

from flowkit.corrections.step import Inputs, Setting, Step, incomplete, made, skipped
from flowkit.model import Finding, FlowTest
from flowkit.wording import flow_as_read

__all__ = ["FORMULA", "leak_flow"]

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
    flow: tuple[float, ...], test: FlowTest, setting: Setting, own: tuple[float | None, ...] | None = None
) -> Step:
    """Take the leakage off a test's flows; `own` is each point's, where meters or ranges have theirs."""
    conditions = test.conditions
    leak, stated = conditions.leak_m3_s, conditions.leak_pressure_pa
    if own is None and leak is None:
        return skipped("leakage", FORMULA, flow, "no leakage is stated")
    leaks = (leak,) * len(flow) if own is None else own
    inputs: Inputs = {"leak_m3_s": leak if own is None else own}
    if own is None and leak is not None and not (leak >= 0 and math.isfinite(leak)):
        words = (
            f"A leakage of {flow_as_read(test, leak, volume=True)} is below zero, so it was not taken off; "
            "check the leakage and its sign, and state the right one in the job."
        )
        finding = Finding("flow-negative", "error", test.id, words)
        return skipped("leakage", FORMULA, flow, "the leakage is below zero", inputs, finding)
    at = conditions.test_pressure_pa if stated is None else stated
    offsets = []
    for point, value in zip(test.points, leaks, strict=True):
        pressure = test.pressure_at(point)
        if pressure is None and stated is None:
            offsets.append(-(value or 0.0))  # both are at the test pressure, whatever it was
        elif pressure is None or at is None or not at > 0:
            missing = "the test pressure at which the leakage was read is not known"
            note = incomplete(test, "leakage", missing, "state the test pressure, or that of the leakage")
            return skipped("leakage", FORMULA, flow, missing, inputs, note)
        else:
            offsets.append(-leak_flow(value or 0.0, pressure, at))
    return made("leakage", FORMULA, flow, {**inputs, "leak_pressure_pa": at}, offset=offsets)
