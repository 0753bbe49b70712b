"""What is worked out of a test once, when it is added: the profile for ranking, and how its runs repeat."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flowkit.model import CorrectedTest

PROFILE_RATIOS = (0.05, 0.10, 0.15, 0.20, 0.25, 0.30)
"""Lift over valve diameter at which a curve is kept for ranking."""


def profile_of(
    side: str | None,
    lifts_m: Sequence[float],
    flows_m3_s: Sequence[float],
    conditions: Mapping[str, Any],
    reference: Mapping[str, Any],
) -> tuple[float, ...]:
    """Return what ranking needs of a curve at the reference."""
    import numpy as np

    from flowkit.analysis.areas import circle_area, minimum_area
    from flowkit.analysis.lifts import pchip
    from flowkit.corrections.pressure import reference_velocity
    from flowkit.model import Reference, ValveGeometry

    head = conditions.get("valve_diameter_m")
    curve = sorted(dict(zip(lifts_m, flows_m3_s, strict=True)).items())
    if not head or side not in ("intake", "exhaust") or len(curve) < 2:
        return ()
    lifts, flows = np.array(curve).T
    at = np.array(PROFILE_RATIOS) * head
    inside = (at >= lifts[0] - 1e-9) & (at <= lifts[-1] + 1e-9)
    flow = np.full(len(at), math.nan)
    flow[inside] = pchip(lifts, flows)(np.clip(at[inside], lifts[0], lifts[-1]))
    valve = ValveGeometry(
        head,
        conditions.get("stem_diameter_m"),
        conditions.get("throat_diameter_m"),
        conditions.get("seat_angle_deg"),
        conditions.get("seat_width_m"),
    )
    area = minimum_area(at, valve)
    speed = reference_velocity(
        Reference(pressure_pa=reference["pressure_pa"], pressure_law=reference["pressure_law"]),
        side,  # type: ignore[arg-type]
    )
    coefficient = flow / speed / area if area is not None else np.full(len(at), math.nan)
    return (*(flow / circle_area(head)).tolist(), *coefficient.tolist())


def settings_of(text: bytes, folder: Path) -> dict[str, Any]:
    """What a job file says of its bench's air and its meters: with these its tests as read become flows."""
    import tomllib

    from flowkit.corrections.meter import inlined

    job = tomllib.loads(text.decode("utf-8-sig"))
    bench = job.get("bench", {})
    return {
        "bench": {key: bench[key] for key in ("air", "standard_air") if key in bench},
        "meter": inlined(job.get("meter", {}), folder),
        "named": {item["name"]: item["meter"] for item in job["variant"] if "meter" in item},
    }


def run_residuals(runs: Sequence[CorrectedTest]) -> tuple[float, int]:
    """Return Σz² and its degrees of freedom of repeated runs of one port in one session (spec, section 7)."""
    curves = [{round(point.lift_m, 6): point.flow_m3_s for point in run.points if point.lift_m > 0} for run in runs]
    shared = sorted(set.intersection(*(set(curve) for curve in curves))) if len(curves) > 1 else []
    if len(shared) < 2:
        return 0.0, 0
    mean = [math.fsum(curve[lift] for curve in curves) / len(curves) for lift in shared]
    if min(mean) <= 0:
        return 0.0, 0
    weights = _weights(shared, mean)
    total = math.fsum(weights)
    z = [
        math.fsum(a * (curve[lift] / q - 1) for a, lift, q in zip(weights, shared, mean, strict=True)) / total
        for curve in curves
    ]
    return math.fsum(value**2 for value in z), len(curves) - 1


def _weights(lifts: Sequence[float], flows: Sequence[float]) -> list[float]:
    """Return ``a_j = (∂M/∂Q_j)·Q_j/M`` of the mean flow M by central differences of 1e-5·Q_j."""
    import numpy as np

    from flowkit.analysis.lifts import integrate

    at, steps = np.asarray(flows, dtype=float), 1e-5 * np.diag(flows)
    moved = np.column_stack([at, at[:, None] + steps, at[:, None] - steps])
    whole, *ends = integrate(lifts, moved, lifts[0], lifts[-1]).tolist()
    up, down = np.split(np.asarray(ends), 2)
    found: list[float] = ((up - down) / 2e-5 / whole).tolist()
    return found
