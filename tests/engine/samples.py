"""Invented engines, cams and comparisons for the tests of the engine room."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from flowkit.analysis import compare
from flowkit.analysis.results import Comparison
from flowkit.engine.cam import Cam
from flowkit.engine.data import EngineData
from flowkit.model import Reference, Side, ValveGeometry, Variant
from tests.analysis.heads import corrected

ENGINE = EngineData(4, 0.0805, 0.0785, 0.138, 10.5, speeds_rpm=(3000.0, 6000.0))
VALVES: dict[Side, ValveGeometry] = {
    "intake": ValveGeometry(0.038, 0.008, 0.033, 45.0, 0.0014),
    "exhaust": ValveGeometry(0.033, 0.008, 0.0285, 45.0, 0.0017),
}
LIFTS = tuple(round(0.001 * step, 6) for step in range(1, 12))


def intake_cam(peak: float = 0.0095) -> Cam:
    return Cam.from_timing(
        opens_deg=348, closes_deg=592, checking_lift_m=1e-3, peak_lift_m=peak, name="invented intake"
    )


def exhaust_cam(peak: float = 0.0090) -> Cam:
    return Cam.from_timing(
        opens_deg=128, closes_deg=372, checking_lift_m=1e-3, peak_lift_m=peak, name="invented exhaust"
    )


CAMS: dict[Side, Cam] = {"intake": intake_cam(), "exhaust": exhaust_cam()}


def area(lift: object, scale: float = 1.0) -> np.ndarray:
    """An invented effective area [m²]."""
    return scale * 5.8e-4 * np.tanh(np.asarray(lift, dtype=float) / 5.5e-3)


def flows(scale: float, lifts: tuple[float, ...] = LIFTS) -> dict[float, float]:
    """Flows at 28 inH2O [m³/s] of that area."""
    return {lift: float(area(lift, scale)) * 107.6 for lift in lifts}


def comparison(
    scales: Mapping[str, Mapping[Side, float]],
    *,
    runs: int = 3,
    lifts: tuple[float, ...] = LIFTS,
    ports: Mapping[str, tuple[str, ...]] | None = None,
) -> Comparison:
    """A comparison of variants whose areas are multiples of the invented one, repeated with a known scatter."""
    variants = []
    for name, sides in scales.items():
        tests = []
        for side, scale in sides.items():
            for place, port in enumerate((ports or {}).get(name, ("1", "2"))):
                for run in range(1, runs + 1):
                    # Scatter without chance: runs lie 0.3 % apart, ports 2 %.
                    factor = scale * (1 + 0.02 * place) * (1 + 0.003 * (run - (runs + 1) / 2))
                    tests.append(corrected(flows(factor, lifts), variant=name, side=side, port=port, run=run))
        variants.append(Variant(name, corrected=tuple(tests), valves=VALVES))
    return compare(variants, Reference())


TWO: dict[str, dict[Side, float]] = {
    "as received": {"intake": 1.0, "exhaust": 0.80},
    "ported": {"intake": 1.1, "exhaust": 0.86},
}
