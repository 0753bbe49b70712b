"""Monte Carlo of the curve figures: mean flow, curve area, port spread and their gains.

JCGM 101:2008 (propagation of distributions): the points of every curve are drawn anew, each
draw's curve is interpolated and integrated as the measured one was, and the figures' own
distributions give the intervals. All draws of a port are computed at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.lifts import SAME_LIFT_M, AreaMethod
from flowkit.analysis.noise import PortNoise
from flowkit.analysis.pchip import curve_integral, curve_value, slopes
from flowkit.analysis.results import Repeatability
from flowkit.model import Bench

__all__ = [
    "DRAWS",
    "SEED",
    "Interval",
    "deviation_bound",
    "draw_mean_flows",
    "gain_interval",
    "interval_of",
    "mean_flow",
    "spread_interval",
]

Array = NDArray[np.float64]

DRAWS = 10_000
SEED = 20_260_101
BLOCK = 10_000
"""Draws made at once, so that memory stays bounded."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A 95 % interval, probabilistically symmetric (JCGM 101:2008, 7.7).

    Attributes
    ----------
    low, high : float
    """

    low: float
    high: float

    @property
    def half(self) -> float:
        """Half its width."""
        return (self.high - self.low) / 2.0

    @property
    def excludes_zero(self) -> bool:
        """Whether zero lies outside."""
        return self.low > 0.0 or self.high < 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Common:
    """What all ports share in a block of draws; the last axis is the draws."""

    scale: Array
    drift: Array
    pressure: Array
    law: Array


def draw_mean_flows(
    ports: Sequence[PortNoise],
    range_m: tuple[float, float],
    repeatability: Repeatability,
    bench: Bench,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    method: AreaMethod = "pchip",
) -> Array:
    """Draw the mean flows of ports over a range of lifts.

    Parameters
    ----------
    ports : sequence of PortNoise
        All ports of one side that are compared with one another.
    range_m : tuple of two floats
        Within the lifts of every port [m].
    repeatability : Repeatability
        Known; see `pool_repeatability`.
    bench : Bench
        Standard uncertainties of drift and lift setting, where stated; that of the pressure
        reading is in `ports` already.
    draws, seed : int, optional
    method : {"pchip", "trapezoid"}, optional

    Returns
    -------
    ndarray, shape (ports, draws)
        [m³/s]

    Notes
    -----
    A point's flow is drawn as ``Q·(1 + shifts + scatter + session + law) + dQ/dL·δL``:

    - each run's common shift and each point's scatter, normal with the standard deviations of
      the repeatability, both times ``sqrt(ν/χ²_ν)`` of the draw (JCGM 101:2008, 6.4.9);
    - the lift setting's error of each point, normal, common to the runs of a port;
    - drift and pressure reading, normal, once a session for all that was flowed in it;
    - the difference of the two pressure laws times one number of the draw, uniform from −1
      to 1, so that it cancels between tests at one pressure.

    Scatter and lift setting are independent normal errors of the same point and are drawn as
    one. The stream of random numbers goes through the ports by their flow, so that the result
    depends neither on the order of variants nor on names or units.

    Examples
    --------
    >>> x, one = np.array([0.001, 0.003]), np.ones((2, 1))
    >>> port = PortNoise(x, 10 * x, np.full(2, 10.0), one, one[:, 0], one, 0 * one, 0 * x, (frozenset(),) * 2)
    >>> drawn = draw_mean_flows([port], (0.001, 0.003), Repeatability(0.01, np.inf, "stated", 0.01, 0.0), Bench())
    >>> drawn.shape, round(float(drawn.std() / drawn.mean()), 3)
    ((1, 10000), 0.01)
    """
    result = np.empty((len(ports), draws))
    stream = np.random.Generator(np.random.SFC64(seed))
    order = _by_flow(ports, range_m, method)
    for start in range(0, draws, BLOCK):
        size = min(BLOCK, draws - start)
        common = _draw_common(stream, repeatability, bench, ports[0].session_share.shape[1], size)
        for place in order:
            flow = _draw_points(ports[place], common, repeatability, bench, stream)
            result[place, start : start + size] = mean_flow(ports[place].lifts_m, flow, range_m, method)
    return result


def mean_flow(lifts_m: Array, flow: Array, range_m: tuple[float, float], method: AreaMethod = "pchip") -> Array:
    """Return the mean flows of curves over a range of lifts, the flow itself where it is one lift.

    Parameters
    ----------
    lifts_m : ndarray, shape (n,)
        [m]
    flow : ndarray, shape (n, ...)
        One curve a column [m³/s].
    range_m : tuple of two floats
        Within `lifts_m` [m].
    method : {"pchip", "trapezoid"}, optional

    Returns
    -------
    ndarray, shape (...)
        [m³/s]

    Examples
    --------
    >>> float(mean_flow(np.array([0.0, 2.0]), np.array([0.0, 4.0]), (0.0, 2.0)))
    2.0
    """
    low, high = range_m
    if len(lifts_m) == 1:
        return np.asarray(flow[0])
    if high - low <= SAME_LIFT_M:
        return curve_value(lifts_m, flow, slopes(lifts_m, flow), low)
    return curve_integral(lifts_m, flow, low, high, method=method) / (high - low)


def _by_flow(ports: Sequence[PortNoise], range_m: tuple[float, float], method: AreaMethod) -> list[int]:
    """Return the ports' places in rising order of their mean flow."""
    means = [float(mean_flow(port.lifts_m, port.flow_m3_s, range_m, method)) for port in ports]
    largest = max(map(abs, means), default=1.0) or 1.0
    keys = [(round(mean / largest, 9), port.run_share.shape[1]) for mean, port in zip(means, ports, strict=True)]
    return sorted(range(len(ports)), key=lambda place: keys[place])


def _draw_common(
    stream: np.random.Generator, repeatability: Repeatability, bench: Bench, sessions: int, size: int
) -> _Common:
    """Draw what all ports share."""
    freedom = repeatability.degrees_of_freedom
    scale = np.ones(size)
    if freedom is not None and np.isfinite(freedom):
        scale = np.sqrt(freedom / stream.chisquare(freedom, size))
    return _Common(
        scale=scale,
        drift=stream.standard_normal((sessions, size)) * (bench.drift or 0.0),
        pressure=stream.standard_normal((sessions, size)),
        law=stream.uniform(-1.0, 1.0, size),
    )


def _draw_points(
    port: PortNoise, common: _Common, repeatability: Repeatability, bench: Bench, stream: np.random.Generator
) -> Array:
    """Draw the flows of one port's points; shape (lifts, draws)."""
    size = len(common.scale)
    shift = stream.standard_normal((port.run_share.shape[1], size))
    shift *= common.scale * (repeatability.s_between_runs or 0.0)
    relative = port.run_share @ shift
    if bench.drift:
        relative += port.session_share @ common.drift
    if bench.pressure_reading_pa:
        relative += port.pressure_effect @ common.pressure
    if port.law.any():
        relative += np.outer(port.law, common.law)
    relative += 1.0
    relative *= port.flow_m3_s[:, np.newaxis]
    scatter = port.flow_m3_s**2 * port.scatter_share * (repeatability.s_within_run or 0.0) ** 2
    setting = (port.slope_m2_s * (bench.lift_setting_m or 0.0)) ** 2
    if scatter.any() or setting.any():
        deviation = np.sqrt(np.outer(scatter, common.scale**2) + setting[:, np.newaxis])
        deviation *= stream.standard_normal(deviation.shape)
        relative += deviation
    return np.asarray(relative)


def interval_of(sample: Array) -> Interval:
    """Return the 95 % interval of drawn values.

    Parameters
    ----------
    sample : ndarray, shape (draws,)

    Returns
    -------
    Interval
        From the 2.5 % to the 97.5 % quantile.

    Examples
    --------
    >>> interval_of(np.linspace(0.0, 1.0, 1001))
    Interval(low=0.025, high=0.975)
    """
    low, high = np.quantile(sample, (0.025, 0.975))
    return Interval(float(low), float(high))


def gain_interval(before: Array, after: Array) -> Interval:
    """Return the 95 % interval of a gain in mean flow.

    Parameters
    ----------
    before, after : ndarray, shape (ports, draws)
        Drawn mean flows of the ports that are compared [m³/s].

    Returns
    -------
    Interval
        Of the ratio of the means over the ports, less 1 [-].

    Examples
    --------
    >>> gain_interval(np.full((1, 9), 2.0), np.full((2, 9), 3.0))
    Interval(low=0.5, high=0.5)
    """
    return interval_of(after.mean(axis=0) / before.mean(axis=0) - 1.0)


def spread_interval(ports: Array) -> Interval:
    """Return the 95 % interval of the port spread.

    Parameters
    ----------
    ports : ndarray, shape (ports, draws)
        Drawn mean flows [m³/s].

    Returns
    -------
    Interval
        Of (largest − smallest)/mean [-].

    Examples
    --------
    >>> spread_interval(np.array([[1.0, 1.0], [3.0, 3.0]]))
    Interval(low=1.0, high=1.0)
    """
    return interval_of((ports.max(axis=0) - ports.min(axis=0)) / ports.mean(axis=0))


def deviation_bound(ports: Array) -> float:
    """Return how far ports may be off the mean of all by the bench's scatter alone.

    Parameters
    ----------
    ports : ndarray, shape (ports, draws)
        Drawn mean flows [m³/s].

    Returns
    -------
    float
        The 95 % quantile of the largest change of any port's relative deviation from the mean, so
        that it holds for the port that is picked because it deviates most [-].

    Examples
    --------
    >>> round(deviation_bound(np.array([[0.99, 1.01, 1.0], [1.0, 1.0, 1.0]])), 4)
    0.005
    """
    deviations = ports / ports.mean(axis=0)
    deviations -= deviations.mean(axis=1, keepdims=True)
    return float(np.quantile(np.abs(deviations).max(axis=0), 0.95))
