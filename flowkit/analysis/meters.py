"""What the meters behind readings add to the uncertainty of a gain (readings.md, section 6)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from flowkit.analysis.runs import Session
    from flowkit.analysis.uncertainty import Array, Drift, Reading


def meter_terms(readings: Sequence[Reading], drift: Drift) -> Mapping[str, Array]:
    """Return the variances of ln(ratio) that come with meters, by name, shape (figures,).

    Notes
    -----
    Calibration ``Σ_m u_m²·k_m²``, k_m the sum of k over the points read on one bench, meter and range: throughout on
    one meter it is 1 − 1 = 0, so that the calibration cancels. Zero ``Σ_s (Σ k_j·S_j·u_zero/r_j)²``, one error a
    session. Air ``Σ_s (Σ k_j·½·u_air)²`` (1 for ½ with laminar elements and critical nozzles), only where sessions
    differ and no check plates put them right. GUM (JCGM 100:2008) 5.2: what is common is added before it is squared.
    """
    if not any(point.mark for item in readings for point in item.test.points):
        return {}
    calibration: dict[tuple[str | None, str], Array] = {}
    u_of: dict[tuple[str | None, str], float] = {}
    zero: dict[Session, Array] = {}
    air: dict[Session, Array] = {}
    nothing = np.zeros(readings[0].k.shape[0])
    for item in readings:
        for index, point in enumerate(item.test.points):
            mark = point.mark
            if mark is None:
                continue
            k = item.k[:, index]
            for name, u, share in mark.parts:
                key = (item.session.bench, name)
                calibration[key] = calibration.get(key, nothing) + k * share
                u_of[key] = max(u_of.get(key, 0.0), u)
            off = mark.sensitivity * mark.u_zero / mark.net if mark.net else 0.0
            zero[item.session] = zero.get(item.session, nothing) + k * off
            air[item.session] = air.get(item.session, nothing) + k * mark.u_air
    terms = {
        "calibration": sum((u_of[key] ** 2 * k**2 for key, k in calibration.items()), nothing),
        "zero": sum((k**2 for k in zero.values()), nothing),
    }
    if drift.differ and drift.by != "check plates":
        terms["air"] = sum((k**2 for k in air.values()), nothing)
    return terms
