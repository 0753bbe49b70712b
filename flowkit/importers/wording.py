"""Values in a test's own units, for messages about its sheet."""

from __future__ import annotations

from flowkit.model import FlowTest
from flowkit.units import find_unit, from_si

__all__ = ["flow_in_unit", "flow_text", "lift_in_unit", "lift_text"]


def flow_in_unit(test: FlowTest, flow_m3_s: float) -> float:
    """Return a flow in the unit of the test's sheet.

    Parameters
    ----------
    test : FlowTest
    flow_m3_s : float
        Flow [m³/s].
    """
    return from_si(flow_m3_s, _flow_unit(test))


def _flow_unit(test: FlowTest) -> str:
    """Return the sheet's flow unit where it is one of volume, else litres a second."""
    unit = find_unit(test.units.flow.unit, ("flow", "standard flow"))
    return unit.name if unit else "L/s"


def flow_text(test: FlowTest, flow_m3_s: float) -> str:
    """Write a flow in the unit of the test's sheet.

    Parameters
    ----------
    test : FlowTest
    flow_m3_s : float
        Flow [m³/s].
    """
    return f"{_figure(flow_in_unit(test, flow_m3_s))} {_flow_unit(test)}"


def lift_in_unit(test: FlowTest, lift_m: float) -> float:
    """Return a lift in the unit of the test's sheet.

    Parameters
    ----------
    test : FlowTest
    lift_m : float
        Lift [m].
    """
    if test.units.lift.unit == "L/D" and test.conditions.valve_diameter_m:
        return lift_m / test.conditions.valve_diameter_m
    return from_si(lift_m, _lift_unit(test))


def _lift_unit(test: FlowTest) -> str:
    """Return the sheet's lift unit where it is a length or a known ratio, else millimetres."""
    if test.units.lift.unit == "L/D":
        return "L/D" if test.conditions.valve_diameter_m else "mm"
    unit = find_unit(test.units.lift.unit, ("length",))
    return unit.name if unit else "mm"


def lift_text(test: FlowTest, lift_m: float) -> str:
    """Write a lift in the unit of the test's sheet.

    Parameters
    ----------
    test : FlowTest
    lift_m : float
        Lift [m].
    """
    return f"{_figure(lift_in_unit(test, lift_m))} {_lift_unit(test)}"


def _figure(value: float) -> str:
    """Write a value with five significant digits at most."""
    return f"{value:.0f}" if abs(value) >= 10_000 else f"{value:.5g}"
