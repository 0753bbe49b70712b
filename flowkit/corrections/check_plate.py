"""Check plate: the bench's drift, seen on an orifice whose flow is known."""

from __future__ import annotations

import math

from flowkit.corrections.air import air_factor
from flowkit.corrections.step import Setting, Step, incomplete, skipped
from flowkit.errors import CorrectionError
from flowkit.model import Finding, FlowTest, LedgerLine
from flowkit.wording import flow_as_read, percent, pressure_as_read

__all__ = ["ERROR_ABOVE", "FORMULA", "WARNING_ABOVE", "check_factor", "correct_check_plate"]

FORMULA = (
    "Q3 = Q2·Q_nominal/Q_check, Q_check = reading·air factor·sqrt(ΔP_nominal/ΔP_reading) (common practice, no source)"
)
WARNING_ABOVE = 0.03
ERROR_ABOVE = 0.10
_ROUNDING = 1e-9  # 61.8 over 60 is 3 %, not "above 3 %", whatever the last bit says


def check_factor(
    reading_m3_s: float,
    nominal_m3_s: float,
    *,
    air_factor: float = 1.0,
    pressure_pa: float = 1.0,
    nominal_pressure_pa: float = 1.0,
) -> float:
    """Return what flows are multiplied by so that the check plate reads its nominal flow.

    Parameters
    ----------
    reading_m3_s, nominal_m3_s : float
        Flow of the check plate as read and as declared [m³/s].
    air_factor : float, optional
        Factor of the air correction for the reading.
    pressure_pa, nominal_pressure_pa : float, optional
        Pressure at which the reading was taken and for which the nominal flow is
        declared [Pa]; leave both out where they are the same.

    Returns
    -------
    float
        Nominal flow over reading, both in the same air at the same pressure.

    Raises
    ------
    CorrectionError
        If a flow or a pressure is not above zero.

    Notes
    -----
    A plate is an orifice: its reading goes to the nominal's pressure by the square-root
    law whatever law the head is corrected with. Common practice, no source.

    Examples
    --------
    >>> check_factor(0.5, 1.0, pressure_pa=1000.0, nominal_pressure_pa=4000.0)
    1.0
    """
    for name, value, unit in (
        ("reading", reading_m3_s, "m³/s"),
        ("nominal flow", nominal_m3_s, "m³/s"),
        ("pressure", pressure_pa, "Pa"),
        ("nominal pressure", nominal_pressure_pa, "Pa"),
    ):
        if not _can_be(value):
            raise CorrectionError(
                f"a check plate {name} of {value:g} {unit} is not possible",
                "check it, and state the right one in the job",
            )
    return nominal_m3_s / (reading_m3_s * air_factor * math.sqrt(nominal_pressure_pa / pressure_pa))


def correct_check_plate(flow: tuple[float, ...], test: FlowTest, setting: Setting) -> Step:
    """Take the bench's drift out of the flows of a test.

    Parameters
    ----------
    flow : tuple of float
        Flow at each point of the test [m³/s].
    test : FlowTest
        The test with the check plate's reading and nominal flow.
    setting : Setting
        With what the bench's readings are.

    Returns
    -------
    Step
        One factor for all points. A plate off by more than 3 % is a warning, by more than
        10 % an error, and then nothing is corrected.

    Notes
    -----
    The reading is a flow like any other: it goes through the air correction with the
    test's air. `Conditions.check_pressure_pa` is the pressure the nominal flow is declared
    for, without which both are taken to be at the same pressure; the plate is read at
    `check_reading_pressure_pa`, or at the test pressure as the head is. Common practice,
    no source.
    """
    conditions = test.conditions
    reading, nominal, declared = (
        conditions.check_reading_m3_s,
        conditions.check_nominal_m3_s,
        conditions.check_pressure_pa,
    )
    if reading is None and nominal is None:
        return skipped("check-plate", FORMULA, flow, "no check plate was read")
    read_at = conditions.check_reading_pressure_pa
    pressure = conditions.test_pressure_pa if read_at is None else read_at
    inputs: dict[str, float | str | None] = {
        "check_reading_m3_s": reading,
        "check_nominal_m3_s": nominal,
        "reading_pressure_pa": pressure,
        "nominal_pressure_pa": pressure if declared is None else declared,
    }
    missing = ""
    if reading is None:
        missing = "the check plate's reading is not known"
    elif nominal is None:
        missing = "the check plate's nominal flow is not known"
    elif declared is not None and pressure is None:
        missing = "the test pressure at which the check plate was read is not known"
    if reading is None or nominal is None or missing:
        note = incomplete(test, "check-plate", missing, "state it, or leave the check plate out")
        return skipped("check-plate", FORMULA, flow, missing, inputs=inputs, findings=(note,))
    air = air_factor(test, setting)[0]
    inputs["air_factor"] = air
    at = None if declared is None or pressure is None else (pressure, declared)
    problem = _impossible(test, reading, nominal, at)
    if problem:
        finding = Finding(
            "check-off",
            "error",
            test.id,
            f"The check plate was not used: {problem}; check it, and state the right one in the job.",
        )
        return skipped("check-plate", FORMULA, flow, problem, inputs=inputs, findings=(finding,))
    if at is None:
        factor = check_factor(reading, nominal, air_factor=air)
    else:
        factor = check_factor(reading, nominal, air_factor=air, pressure_pa=at[0], nominal_pressure_pa=at[1])
    off = 1 / factor - 1
    inputs["check_off"] = off
    return _judged(flow, test, inputs, factor, off)


def _can_be(value: float) -> bool:
    """Tell whether a flow or a pressure can be calculated with."""
    return value > 0 and math.isfinite(value)


def _impossible(test: FlowTest, reading: float, nominal: float, at: tuple[float, float] | None) -> str:
    """Say, in the sheet's own units, what of a plate is not possible; "" where all of it can."""
    figures = [
        ("reading", flow_as_read(test, reading, volume=True), reading),
        ("nominal flow", flow_as_read(test, nominal, volume=True), nominal),
    ]
    if at is not None:
        names = ("pressure", "nominal pressure")
        figures += [(name, pressure_as_read(test, value), value) for name, value in zip(names, at, strict=True)]
    wrong = [f"a check plate {name} of {words} is not possible" for name, words, value in figures if not _can_be(value)]
    return wrong[0] if wrong else ""


def _judged(
    flow: tuple[float, ...], test: FlowTest, inputs: dict[str, float | str | None], factor: float, off: float
) -> Step:
    """Return the corrected flows, or the refusal where the plate is off by too much."""
    words = f"The check plate reads {percent(abs(off))} {'above' if off > 0 else 'below'} its nominal flow"
    if abs(off) > ERROR_ABOVE + _ROUNDING:
        finding = Finding(
            "check-off",
            "error",
            test.id,
            f"{words}, more than {percent(ERROR_ABOVE, 0)}: that is a fault, not drift, and nothing was corrected; "
            "look for a leak, a wrong range or a wrong nominal flow, and test again.",
        )
        reason = f"the plate is off by {percent(abs(off))}, more than {percent(ERROR_ABOVE, 0)}"
        return skipped("check-plate", FORMULA, flow, reason, inputs=inputs, findings=(finding,))
    findings: tuple[Finding, ...] = ()
    if abs(off) > WARNING_ABOVE + _ROUNDING:
        findings = (
            Finding(
                "check-off",
                "warning",
                test.id,
                f"{words}, more than {percent(WARNING_ABOVE, 0)}: the flows were corrected for it, but the bench has "
                "drifted; look for the cause before the next test.",
            ),
        )
    line = LedgerLine("check-plate", FORMULA, inputs, factor=(factor,) * len(flow))
    return Step(line, tuple(q * factor for q in flow), findings)
