"""A curve measured over lift, carried down to the closed valve, and its mean over a cam."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.lifts import SAME_LIFT_M, pchip, within
from flowkit.engine.cam import Cam
from flowkit.errors import EngineError, RangeError

__all__ = ["LiftedCurve", "cam_weighted_mean", "cam_weighted_mean_flow"]

_INTERVALS = 4000


@dataclass(frozen=True)
class LiftedCurve:
    """Flow [m³/s] or effective area [m²] over valve lift, from (0, 0) through the measured points.

    The monotone cubic of Fritsch & Butland (1984), as on the bench's own curves, with (0, 0)
    added because a valve on a cam passes through it.

    Attributes
    ----------
    lifts_m : tuple of float
        Measured lifts [m], rising.
    values : tuple of float

    Examples
    --------
    >>> curve = LiftedCurve((0.001, 0.002), (0.01, 0.02))
    >>> curve([0.0, 0.0015]).round(6).tolist()
    [0.0, 0.015]
    """

    lifts_m: tuple[float, ...]
    values: tuple[float, ...]
    _spline: Any = field(init=False, repr=False, compare=False, default=None)

    def __post_init__(self) -> None:
        lifts, values = list(self.lifts_m), list(self.values)
        if not lifts or lifts[0] < 0:
            raise EngineError(
                "there is no lift above zero to carry into the engine", "measure the port with open valve"
            )
        if lifts[0] > SAME_LIFT_M:
            lifts, values = [0.0, *lifts], [0.0, *values]
        else:
            lifts[0], values[0] = 0.0, 0.0
        object.__setattr__(self, "_spline", pchip(lifts, values))

    @property
    def highest_m(self) -> float:
        """Highest measured lift [m]."""
        return self.lifts_m[-1]

    def covers(self, lift_m: float) -> bool:
        """Tell whether the curve was measured up to a lift [m], within 1 µm."""
        return lift_m <= self.highest_m + SAME_LIFT_M

    def __call__(self, lift_m: ArrayLike) -> NDArray[np.float64]:
        """Return the value at lifts [m].

        Raises
        ------
        RangeError
            If a lift is beyond what was measured.
        """
        ends = np.array([0.0, self.highest_m])
        return np.asarray(self._spline(within(np.asarray(lift_m, dtype=float), ends)))


def cam_weighted_mean(cam: Cam, curve: LiftedCurve) -> float:
    """Return the mean of a curve over the open period of a cam, in the curve's unit.

    Parameters
    ----------
    cam : Cam
    curve : LiftedCurve

    Returns
    -------
    float
        (1/Θ)·∫ Q(L(θ)) dθ over the open period Θ, by Simpson's rule.

    Raises
    ------
    RangeError
        If the cam lifts the valve beyond what was measured.

    Examples
    --------
    >>> cam = Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0, peak_lift_m=0.01)
    >>> round(cam_weighted_mean(cam, LiftedCurve((0.005, 0.010), (0.05, 0.10))), 6)
    0.050794
    """
    if not curve.covers(cam.peak_lift_m):
        raise RangeError(
            f"{cam.name} lifts the valve to {cam.peak_lift_m * 1e3:.2f} mm, measured was up to "
            f"{curve.highest_m * 1e3:.2f} mm",
            "flow the port up to the cam's lift; curves are never continued beyond what was measured",
        )
    values = curve(cam.lift(cam.open_angles(_INTERVALS + 1)))
    weights = np.full(_INTERVALS + 1, 2.0)
    weights[1::2] = 4.0
    weights[0] = weights[-1] = 1.0
    return float(np.sum(weights * values) / (3 * _INTERVALS))


def cam_weighted_mean_flow(cam: Cam, lifts_m: Sequence[float], flow_m3_s: Sequence[float]) -> float:
    """Return the flow of a port averaged over the open period of its cam [m³/s].

    Parameters
    ----------
    cam : Cam
    lifts_m : sequence of float
        Measured lifts, rising [m]; (0, 0) is added.
    flow_m3_s : sequence of float
        Flow at them [m³/s].

    Returns
    -------
    float
        Mean of Q(L(θ)) over the open period.

    Raises
    ------
    RangeError
        If the cam lifts the valve beyond what was measured.

    Examples
    --------
    >>> cam = Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0, peak_lift_m=0.01)
    >>> round(cam_weighted_mean_flow(cam, [0.005, 0.010], [0.05, 0.10]), 6)
    0.050794
    """
    return cam_weighted_mean(cam, LiftedCurve(tuple(lifts_m), tuple(flow_m3_s)))
