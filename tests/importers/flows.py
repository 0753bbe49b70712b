"""Flow tests made up from formulas, for the data checks."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from flowkit.importers.checks import check_tests
from flowkit.model import Conditions, Finding, FlowTest, Point, Side, Units, UnitSource
from flowkit.units import to_si

Curve = Callable[[float], float]
PRESSURE = 28 * 249.08891


def make_test(
    lifts: Sequence[float],
    flows: Sequence[float],
    *,
    lift_unit: str = "mm",
    flow_unit: str = "CFM",
    pressures: Sequence[float | None] | None = None,
    conditions: Conditions | None = None,
    side: Side = "intake",
    port: str = "1",
    sheet: str | None = None,
) -> FlowTest:
    """A test of given figures; its points stand in column 2 from line 2 of a.csv."""
    points = tuple(
        Point(
            to_si(lift, lift_unit),
            to_si(flow, flow_unit),
            None if pressures is None else pressures[n],
            f"a.csv:{n + 2}:2",
        )
        for n, (lift, flow) in enumerate(zip(lifts, flows, strict=True))
    )
    known = conditions or Conditions(test_pressure_pa=PRESSURE)
    units = Units(UnitSource(lift_unit, "stated"), UnitSource(flow_unit, "stated"), UnitSource("inH2O", "stated"))
    return FlowTest(f"a.csv!{side} {port}", "a.csv", sheet, None, "stock", side, port, 1, known, units, points)


def saturating(top: float, bend: float) -> Curve:
    """A port that takes over gently: a hyperbolic tangent."""
    return lambda lift: top * math.tanh(lift / bend)


def seat_and_throat(sharpness: float) -> Curve:
    """Seat passage (Heywood 1988, eqs 6.7 and 6.8) and throat in turn, blended as a power mean.

    With a high sharpness one hands over to the other in a corner.
    """
    head, throat, stem, width = 35.0, 30.0, 7.0, 1.5 * math.cos(math.pi / 4)

    def flow(lift: float) -> float:
        if lift <= 2 * width:
            seat = math.pi * lift * math.cos(math.pi / 4) * (head - 2 * width + lift / 2)
        else:
            seat = math.pi * (head - width) * math.hypot(lift - width, width)
        bowl = math.pi / 4 * (throat**2 - stem**2)
        if sharpness > 50:
            return 0.3 * min(0.7 * seat, 0.75 * bowl)
        return 0.3 * ((0.7 * seat) ** -sharpness + (0.75 * bowl) ** -sharpness) ** (-1 / sharpness)

    return flow


LIFTS = {
    "every mm": [float(n) for n in range(1, 13)],
    "every 1.5 mm": [1.5 * n for n in range(1, 9)],
    "every 2 mm": [2.0 * n for n in range(1, 7)],
    "every 2.5 mm": [2.5 * n for n in range(1, 6)],
    "every 3 mm": [3.0, 6.0, 9.0, 12.0],
    "every half mm": [0.5 * n for n in range(1, 25)],
    "from 3 mm": [float(n) for n in range(3, 13)],
    "uneven": [0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 9.0, 11.0, 12.0],
    "three": [4.0, 8.0, 12.0],
}
CURVES: dict[str, Curve] = {
    **{f"gentle {bend}": saturating(180, bend) for bend in (3, 4, 5, 6, 8)},
    **{f"blend {sharpness}": seat_and_throat(sharpness) for sharpness in (3, 4, 6, 10)},
    "corner": seat_and_throat(99),
}
GOOD = [30.1, 60.2, 88.3, 112.4, 129.9, 138.0]
EVERY_2 = LIFTS["every 2 mm"]


def rules(tests: Sequence[FlowTest]) -> list[str]:
    """The rules of what the checks find."""
    return [finding.rule for finding in check_tests(tests)]


def found(lifts: Sequence[float], flows: Sequence[float], **more: object) -> list[Finding]:
    """What the checks find in a test of given figures."""
    return list(check_tests([make_test(lifts, flows, **more)]))  # type: ignore[arg-type]
