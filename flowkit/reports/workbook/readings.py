"""The sheet of raw readings: every point as it was read."""

from __future__ import annotations

from flowkit.reports.workbook.draft import FIRST_READING, Draft
from flowkit.reports.workbook.pen import Formula
from flowkit.reports.workbook.plan import TestPlan, rounded
from flowkit.reports.workbook.styles import Style

__all__ = ["flow_factor", "lift_factor", "write_readings"]

_WIDTHS = {1: 5.0, 2: 18.0, 3: 8.0, 4: 7.0, 5: 5.0, 6: 9.0, 7: 6.0, 8: 9.0, 9: 6.0, 10: 10.0, 11: 8.0, 12: 34.0}
_WORDS = (1, 2, 3, 4, 5, 7, 9, 11, 12)
_HEADS = ("test", "variant", "side", "port", "run", "lift", "unit", "flow", "unit", "test pressure", "unit", "cell")


def write_readings(draft: Draft) -> None:
    """Write every point as it was read, in the units of its sheet.

    Parameters
    ----------
    draft : Draft
        With its conditions written.
    """
    pen = draft.pens["Raw readings"]
    pen.title("Raw readings", "Every point as it was read, in the units of its sheet.")
    pen.header(FIRST_READING - 1, _HEADS, widths=_WIDTHS, words=_WORDS)
    raw, quiet = Style("raw"), Style("quiet")
    for reading in draft.readings:
        plan, point, row = reading.test, reading.point, reading.row
        test = plan.test
        pen.row(row, [plan.number, plan.variant, test.side, test.port, test.run], Style("text"))
        pen.put(row, 6, rounded(point.lift_m / lift_factor(plan)), raw)
        pen.put(row, 7, plan.lift_unit.name, quiet)
        pen.put(row, 8, rounded(point.flow_m3_s / flow_factor(draft, plan)), raw)
        pen.put(row, 9, plan.flow_unit.name, quiet)
        if point.pressure_pa is not None:
            pen.put(row, 10, rounded(point.pressure_pa / plan.pressure_unit.factor), raw)
        elif test.conditions.test_pressure_pa is not None:
            value = test.conditions.test_pressure_pa / plan.pressure_unit.factor
            pen.put(row, 10, Formula(draft.conditions[plan.number, "test_pressure_pa"], value))
        pen.put(row, 11, plan.pressure_unit.name, quiet)
        pen.put(row, 12, point.source, quiet)
    pen.widths(_WIDTHS)
    pen.paper(title_rows=f"{FIRST_READING - 1}:{FIRST_READING - 1}", freeze=f"F{FIRST_READING}")


def lift_factor(plan: TestPlan) -> float:
    """Return what turns a test's lifts as written into metres.

    Parameters
    ----------
    plan : TestPlan
    """
    if plan.lift_unit.quantity == "lift ratio":
        return plan.test.conditions.valve_diameter_m or 1.0
    return plan.lift_unit.factor


def flow_factor(draft: Draft, plan: TestPlan) -> float:
    """Return what turns a test's flows as written into m³/s.

    Parameters
    ----------
    draft : Draft
    plan : TestPlan
    """
    inlet = inlet_density(plan)
    if plan.flow_unit.quantity == "flow" or inlet is None:
        return plan.flow_unit.factor
    return plan.flow_unit.factor * (standard_density(draft, plan) or 1.0) / inlet


def inlet_density(plan: TestPlan) -> float | None:
    """Return the density of the air at the inlet [kg/m³] where the unit of flow needs it.

    Parameters
    ----------
    plan : TestPlan
    """
    conditions = plan.test.conditions
    temperature, barometer = conditions.air_temperature_k, conditions.barometer_pa
    if plan.flow_unit.quantity == "flow" or temperature is None or barometer is None:
        return None
    from flowkit.model import AirState
    from flowkit.air import density

    return density(AirState(temperature, barometer, conditions.relative_humidity or 0.0))


def standard_density(draft: Draft, plan: TestPlan) -> float | None:
    """Return the density of the declared standard air [kg/m³] where the unit of flow needs it.

    Parameters
    ----------
    draft : Draft
    plan : TestPlan
    """
    if plan.flow_unit.quantity != "standard flow" or draft.contents.bench.standard_air is None:
        return None
    from flowkit.air import density

    return density(draft.contents.bench.standard_air)
