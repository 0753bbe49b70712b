"""Flow tests made up for the corrections."""

from __future__ import annotations

from typing import Any

from flowkit.air import density
from flowkit.corrections.step import Setting
from flowkit.model import (
    INH2O_PA,
    Bench,
    Conditions,
    Finding,
    FlowTest,
    LedgerLine,
    Point,
    Reference,
    Units,
    UnitSource,
)

UNITS = Units(UnitSource("in", "stated"), UnitSource("CFM", "stated"), UnitSource("inH2O", "stated"))
FLOWS = (0.02, 0.05, 0.08, 0.1)


def flow_test(
    flows: tuple[float, ...] = FLOWS,
    *,
    pressures: tuple[float | None, ...] | None = None,
    side: Any = "intake",
    name: str = "a.csv!intake 1",
    file: str = "a.csv",
    sheet: str | None = None,
    **conditions: Any,
) -> FlowTest:
    """A test at 28 inH2O unless told otherwise."""
    conditions = {"test_pressure_pa": 28 * INH2O_PA} | conditions
    own = pressures or (None,) * len(flows)
    points = tuple(
        Point(0.002 * (index + 1), flow, pressure, f"{file}:{index + 2}:2")
        for index, (flow, pressure) in enumerate(zip(flows, own, strict=True))
    )
    return FlowTest(name, file, sheet, None, "as received", side, "1", 1, Conditions(**conditions), UNITS, points)


def setting(reference: Reference | None = None, bench: Bench | None = None, **rest: Any) -> Setting:
    """What holds for all tests."""
    reference = reference or Reference()
    return Setting(reference, density(reference.air), bench or Bench(), **rest)


def line(ledger: tuple[LedgerLine, ...], name: str) -> LedgerLine:
    """The ledger line of a correction."""
    (found,) = (item for item in ledger if item.correction == name)
    return found


def only(findings: tuple[Finding, ...]) -> tuple[str, str, str, str]:
    """The single finding, as rule, severity, place and sentence."""
    (found,) = findings
    return found.rule, found.severity, found.where, found.message
