"""Check plate: the bench's drift, seen on an orifice whose flow is known."""

from __future__ import annotations

import math

from flowkit.corrections.air import air_factor
from flowkit.corrections.step import Inputs, Setting, Step, incomplete, made, skipped
from flowkit.errors import CorrectionError
from flowkit.model import Finding, FlowTest
from flowkit.wording import flow_as_read, percent, pressure_as_read

__all__ = ["ERROR_ABOVE", "FORMULA", "WARNING_ABOVE", "check_factor"]

FORMULA = (
    "Q3 = Q2·Q_nominal/Q_check, Q_check = reading·air factor·sqrt(ΔP_nominal/ΔP_reading) (common practice, no source)"
)
WARNING_ABOVE = 0.03
ERROR_ABOVE = 0.10
_ROUNDING = 1e-9  # 61.8 over 60 is 3 %, not "above 3 %", whatever the last bit says
_REMEDY = "check it, and state the right one in the job"


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
        if not (value > 0 and math.isfinite(value)):
            raise CorrectionError(f"a check plate {name} of {value:g} {unit} is not possible", _REMEDY)
    return nominal_m3_s / (reading_m3_s * air_factor * math.sqrt(nominal_pressure_pa / pressure_pa))


def correct_check_plate(flow: tuple[float, ...], test: FlowTest, setting: Setting) -> Step:
    """Take the bench's drift out of a test's flows; a plate off by more than 10 % corrects nothing.

    The plate's nominal flow is declared for `check_pressure_pa`, and it is read at `check_reading_pressure_pa` or at
    the test pressure as the head is; without the first both are taken to be at the same pressure.
    """
    conditions = test.conditions
    reading, nominal, declared = (
        conditions.check_reading_m3_s, conditions.check_nominal_m3_s, conditions.check_pressure_pa
    )  # fmt: skip
    if reading is None and nominal is None:
        return skipped("check-plate", FORMULA, flow, "no check plate was read")
    read_at = conditions.check_reading_pressure_pa
    pressure = conditions.test_pressure_pa if read_at is None else read_at
    inputs: Inputs = {
        "check_reading_m3_s": reading,
        "check_nominal_m3_s": nominal,
        "reading_pressure_pa": pressure,
        "nominal_pressure_pa": pressure if declared is None else declared,
    }
    if reading is None or nominal is None or (declared is not None and pressure is None):
        missing = "the test pressure at which the check plate was read is not known"
        if reading is None or nominal is None:
            missing = f"the check plate's {'reading' if reading is None else 'nominal flow'} is not known"
        note = incomplete(test, "check-plate", missing, "state it, or leave the check plate out")
        return skipped("check-plate", FORMULA, flow, missing, inputs, note)
    air = inputs["air_factor"] = air_factor(test, setting)[0]
    figures = [
        ("reading", flow_as_read(test, reading, volume=True), reading),
        ("nominal flow", flow_as_read(test, nominal, volume=True), nominal),
    ]
    own, wanted = (1.0, 1.0) if declared is None or pressure is None else (pressure, declared)
    if declared is not None:
        for name, value in (("pressure", own), ("nominal pressure", wanted)):
            figures.append((name, pressure_as_read(test, value), value))
    for name, words, value in figures:
        if not (value > 0 and math.isfinite(value)):  # said in the sheet's own units
            problem = f"a check plate {name} of {words} is not possible"
            finding = Finding("check-off", "error", test.id, f"The check plate was not used: {problem}; {_REMEDY}.")
            return skipped("check-plate", FORMULA, flow, problem, inputs, finding)
    factor = check_factor(reading, nominal, air_factor=air, pressure_pa=own, nominal_pressure_pa=wanted)
    off = inputs["check_off"] = 1 / factor - 1
    findings: tuple[Finding, ...] = ()
    words = f"The check plate reads {percent(abs(off))} {'above' if off > 0 else 'below'} its nominal flow, more than"
    if abs(off) > ERROR_ABOVE + _ROUNDING:
        words = (
            f"{words} {percent(ERROR_ABOVE, 0)}: that is a fault, not drift, and nothing was corrected; "
            "look for a leak, a wrong range or a wrong nominal flow, and test again."
        )
        reason = f"the plate is off by {percent(abs(off))}, more than {percent(ERROR_ABOVE, 0)}"
        finding = Finding("check-off", "error", test.id, words)
        return skipped("check-plate", FORMULA, flow, reason, inputs, finding)
    if abs(off) > WARNING_ABOVE + _ROUNDING:
        words = (
            f"{words} {percent(WARNING_ABOVE, 0)}: the flows were corrected for it, but the bench has "
            "drifted; look for the cause before the next test."
        )
        findings = (Finding("check-off", "warning", test.id, words),)
    return made("check-plate", FORMULA, flow, inputs, factor=(factor,) * len(flow), findings=findings)
