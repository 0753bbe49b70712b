"""What every correction is given, and what it gives back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from flowkit.model import Bench, Finding, FlowTest, LedgerLine, Reference, Side, ValveGeometry
from flowkit.units import find_unit, from_si

__all__ = [
    "MATTERS",
    "STANDARD_BAROMETER_PA",
    "Setting",
    "Step",
    "flow_words",
    "incomplete",
    "percent",
    "pressure_words",
    "skipped",
]

MATTERS = 0.005
"""Relative change of a flow from which a correction is told that was left out, or made for some tests only.

Common practice, no source."""
STANDARD_BAROMETER_PA = 101_325.0
"""Taken for the room's pressure where the sheet does not state it [Pa]."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What holds for all tests that are corrected together.

    Attributes
    ----------
    reference : Reference
    reference_density_kg_m3 : float
        Density of the reference air [kg/m³].
    bench : Bench
    valves : mapping
        Side to ValveGeometry.
    engine_bore_m : float or None
        The engine's bore [m] as the engine's data state it, to compare with the fixture.
    off : frozenset of str
        Corrections that are switched off.
    """

    reference: Reference
    reference_density_kg_m3: float
    bench: Bench = field(default_factory=Bench)
    valves: Mapping[Side, ValveGeometry] = field(default_factory=dict)
    engine_bore_m: float | None = None
    off: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Step:
    """What one correction made of one test's flows.

    Attributes
    ----------
    line : LedgerLine
    flow_m3_s : tuple of float
        One per point [m³/s].
    findings : tuple of Finding
    fatal : bool
        Whether the test cannot be brought to the reference, so that it is left out.
    """

    line: LedgerLine
    flow_m3_s: tuple[float, ...]
    findings: tuple[Finding, ...] = ()
    fatal: bool = False


def skipped(
    correction: str,
    formula: str,
    flow: tuple[float, ...],
    reason: str,
    *,
    inputs: Mapping[str, float | str | None] | None = None,
    findings: tuple[Finding, ...] = (),
) -> Step:
    """Return the step of a correction that was not made, flows unchanged.

    Parameters
    ----------
    correction, formula : str
        As they stand in the ledger.
    flow : tuple of float
        Flow at each point [m³/s].
    reason : str
        Why it was not made.
    inputs : mapping, optional
        What is known of its inputs.
    findings : tuple of Finding, optional
    """
    return Step(LedgerLine(correction, formula, inputs or {}, skipped=reason), flow, findings)


def incomplete(test: FlowTest, correction: str, missing: str, remedy: str) -> Finding:
    """Return the note for a correction whose inputs are there in part only.

    Parameters
    ----------
    test : FlowTest
    correction, missing, remedy : str
        Its name, what is not known, what to do.
    """
    return Finding(
        "correction-skipped",
        "note",
        test.id,
        f"The {correction} correction was not made: {missing}; {remedy}.",
    )


def percent(fraction: float, digits: int = 1) -> str:
    """Write a fraction in per cent, for people.

    Parameters
    ----------
    fraction : float
    digits : int, optional
        Decimals.
    """
    return f"{100 * fraction:.{digits}f} %"


def flow_words(test: FlowTest, flow_m3_s: float) -> str:
    """Write a flow as its sheet does, for people.

    Parameters
    ----------
    test : FlowTest
        With the unit of the sheet; L/s where that is one of mass or of standard air.
    flow_m3_s : float
        [m³/s]

    Returns
    -------
    str
        Such as ``"−3 CFM"``.
    """
    unit = find_unit(test.units.flow.unit, ["flow"])
    return _written(flow_m3_s, unit.name if unit else "L/s")


def pressure_words(test: FlowTest, pressure_pa: float) -> str:
    """Write a test pressure as its sheet does, for people.

    Parameters
    ----------
    test : FlowTest
        With the unit of the sheet; inH2O where it gives no pressure.
    pressure_pa : float
        [Pa]

    Returns
    -------
    str
        Such as ``"28 inH2O"``.
    """
    return _written(pressure_pa, test.units.pressure.unit if test.units.pressure else "inH2O")


def _written(value: float, unit: str) -> str:
    """Write an SI value in a unit, with as many figures as it has up to five."""
    return f"{from_si(value, unit):.5g} {unit}".replace("-", "−")
