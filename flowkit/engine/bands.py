"""Where on the lift curve the valve spends its time, and where more flow would pay."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from flowkit.engine.results import BandTime
from flowkit.errors import EngineError

if TYPE_CHECKING:
    from flowkit.engine.cam import Cam

__all__ = ["time_in_bands"]

_SAMPLES = 20_000


def time_in_bands(
    cam: Cam,
    edges_m: Sequence[float] | None = None,
    flow: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
) -> tuple[BandTime, ...]:
    """Return how long the valve stays in each band of lift, and what share of the flow it passes.

    Parameters
    ----------
    cam : Cam
    edges_m : sequence of float, optional
        Rising [m]; tenths of the peak lift unless given.
    flow : callable, optional
        Flow [m³/s] at valve lifts [m].

    Returns
    -------
    tuple of BandTime

    Raises
    ------
    EngineError
        If the edges do not rise.

    Examples
    --------
    >>> from flowkit.engine.cam import Cam
    >>> cam = Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0, peak_lift_m=0.01)
    >>> bands = time_in_bands(cam, [0, 0.005, 0.01], lambda lift: 10 * lift)
    >>> round(sum(band.share_of_flow for band in bands), 9)
    1.0
    """
    edges = np.linspace(0, cam.peak_lift_m, 11) if edges_m is None else np.asarray(edges_m, dtype=float)
    if edges.size < 2 or np.any(np.diff(edges) <= 0):
        raise EngineError("the edges of the bands of lift do not rise", "give them in rising order")
    opens, closes = cam.open_period
    step = (closes - opens) / _SAMPLES
    lifts = cam.lift(opens + step * (np.arange(_SAMPLES) + 0.5))
    weights = np.full(_SAMPLES, step)
    # The peak itself belongs to the last band.
    place = np.searchsorted(edges, lifts, side="right") - 1
    place[np.isclose(lifts, edges[-1], rtol=0, atol=1e-9)] = edges.size - 2
    flows = weights * flow(lifts) if flow is not None else np.zeros(_SAMPLES)
    total = float(np.sum(flows))
    return tuple(
        BandTime(
            from_m=float(edges[index]),
            to_m=float(edges[index + 1]),
            crank_deg=float(np.sum(weights[place == index])),
            share_of_period=float(np.sum(weights[place == index])) / (closes - opens),
            share_of_flow=float(np.sum(flows[place == index])) / total if flow is not None else None,
        )
        for index in range(edges.size - 1)
    )
