"""The uncertainty of flows and gains: per lift by propagation, of curve figures by Monte Carlo.

Per lift the law of propagation (JCGM 100:2008, the GUM) gives the interval in closed form; the
curve figures, which are not linear in the points, get theirs by Monte Carlo (JCGM 101:2008).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.curves import PortCurve, SideVariant, common_ports
from flowkit.analysis.gains import Corners, log_effects
from flowkit.analysis.lifts import (
    SAME_LIFT_M,
    AreaMethod,
    curve_derivative,
    curve_integral,
    curve_value,
    lift_key,
    slopes,
)
from flowkit.analysis.propagation import Combined, Component, combine
from flowkit.analysis.results import Repeatability
from flowkit.analysis.runs import Session, runs_of, session_of, sessions_of
from flowkit.corrections.pressure import STANDARD_BAROMETER_PA, pressure_factor
from flowkit.errors import CorrectionError
from flowkit.model import Bench, CorrectedTest, Reference, Side

if TYPE_CHECKING:
    from flowkit.analysis.gains import MatchedPair

__all__ = [
    "DRAWS",
    "SEED",
    "Budget",
    "Interval",
    "LiftNoise",
    "PortNoise",
    "Ports",
    "SideDraws",
    "SideUncertainty",
    "assess_side",
    "budget_of",
    "deviation_bound",
    "draw_mean_flows",
    "flow_uncertainty",
    "gain_interval",
    "gain_uncertainty",
    "interval_of",
    "mean_flow",
    "port_noise",
    "spread_interval",
]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class LiftNoise:
    """One port at one lift.

    Attributes
    ----------
    flow : float
        [m³/s]
    slope : float
        dQ/dL [m²/s].
    runs : float
        Runs behind the flow; between two measured lifts the fewer of theirs.
    session_share, pressure_effect : array, shape (sessions,)
        Share of each session in the flow [-]; relative change of the flow by one standard
        uncertainty of the session's pressure reading [-].
    law : float
        Logarithm of the square-root law's factor over the compressible law's [-].
    pressures_pa : frozenset of float
        Test pressures behind it [Pa].
    """

    flow: float
    slope: float
    runs: float
    session_share: Array
    pressure_effect: Array
    law: float
    pressures_pa: frozenset[float]


@dataclass(frozen=True, slots=True, eq=False)
class PortNoise:
    """One port, at its measured lifts.

    Attributes
    ----------
    lifts_m, flow_m3_s, slope_m2_s : array, shape (n,)
        Lifts [m], flows [m³/s] and dQ/dL [m²/s].
    run_share : array, shape (n, runs)
        Share of each run in the flow at each lift [-].
    scatter_share : array, shape (n,)
        Variance of the mean of the readings over that of one, as far as points scatter [-].
    session_share, pressure_effect : array, shape (n, sessions)
        See `LiftNoise`.
    law : array, shape (n,)
        See `LiftNoise`.
    pressures_pa : tuple of frozenset of float
        Test pressures behind each point [Pa].
    """

    lifts_m: Array
    flow_m3_s: Array
    slope_m2_s: Array
    run_share: Array
    scatter_share: Array
    session_share: Array
    pressure_effect: Array
    law: Array
    pressures_pa: tuple[frozenset[float], ...]

    def runs(self, place: int) -> float:
        """Return the runs behind a point; one counts once however often it was read there."""
        return 1.0 / float(np.sum(self.run_share[place] ** 2))

    def at(self, lift_m: float) -> LiftNoise:
        """Return the port at a lift within its measured ones."""
        place = lift_key(lift_m, self.lifts_m.tolist())
        if place is not None or len(self.lifts_m) == 1:
            return self._measured(place or 0)
        right = int(np.searchsorted(self.lifts_m, lift_m))
        left = right - 1
        gap = float(self.lifts_m[right] - self.lifts_m[left])
        far = (lift_m - float(self.lifts_m[left])) / gap

        def between(values: Array) -> Array:
            """Take values on the straight line between the neighbouring lifts."""
            return np.asarray((1.0 - far) * values[left] + far * values[right])

        curve = (self.lifts_m, self.flow_m3_s, self.slope_m2_s)
        return LiftNoise(
            flow=float(curve_value(*curve, lift_m)),
            slope=float(curve_derivative(*curve, lift_m)),
            runs=min(self.runs(left), self.runs(right)),
            session_share=between(self.session_share),
            pressure_effect=between(self.pressure_effect),
            law=float(between(self.law)),
            pressures_pa=self.pressures_pa[left] | self.pressures_pa[right],
        )

    def _measured(self, place: int) -> LiftNoise:
        """Return the port at one of its measured lifts."""
        return LiftNoise(
            flow=float(self.flow_m3_s[place]),
            slope=float(self.slope_m2_s[place]),
            runs=self.runs(place),
            session_share=self.session_share[place],
            pressure_effect=self.pressure_effect[place],
            law=float(self.law[place]),
            pressures_pa=self.pressures_pa[place],
        )


def port_noise(curve: PortCurve, sessions: Sequence[Session], reference: Reference, bench: Bench) -> PortNoise:
    """Return what is uncertain about one port's points.

    Parameters
    ----------
    curve : PortCurve
        With the tests it is the mean of.
    sessions : sequence of Session
        All sessions that are compared.
    reference : Reference
        Its pressure counts where a test's own is not known.
    bench : Bench
        With the uncertainty of its pressure reading.

    Returns
    -------
    PortNoise

    Notes
    -----
    Flow goes with the root of the test pressure, so a reading error u_P changes it by
    ``½·u_P/ΔP`` (JCGM 100:2008, equation (10), applied to the incompressible orifice).

    Examples
    --------
    >>> x = np.array([0.001, 0.003])
    >>> untested = PortCurve("as received", "intake", "1", (), x, 10 * x, np.array([1, 1]), ())
    >>> port_noise(untested, (), Reference(), Bench()).slope_m2_s.round(6).tolist()
    [10.0, 10.0]
    """
    runs = runs_of(curve.tests)
    shape = len(curve.lifts_m)
    readings = np.zeros((shape, len(runs)))
    in_session, effect = np.zeros((shape, len(sessions))), np.zeros((shape, len(sessions)))
    law = np.zeros(shape)
    pressures: list[set[float]] = [set() for _ in range(shape)]
    laws: dict[tuple[float, float | None], float] = {}
    for number, run in enumerate(runs):
        for test in run:
            session = sessions.index(session_of(test))
            applied = _pressure_corrected(test)
            for point, place in zip(test.points, _places(curve, test), strict=True):
                pressure = point.pressure_pa or reference.pressure_pa
                readings[place, number] += 1.0
                in_session[place, session] += 1.0
                effect[place, session] += 0.5 * (bench.pressure_reading_pa or 0.0) / pressure
                pressures[place].add(pressure)
                if applied:
                    key = (pressure, test.conditions.barometer_pa)
                    if key not in laws:
                        laws[key] = _law_logarithm(curve.side, *key, reference)
                    law[place] += laws[key]
    count = np.maximum(readings.sum(axis=1), 1.0)
    several = count[:, np.newaxis]
    return PortNoise(
        lifts_m=curve.lifts_m,
        flow_m3_s=curve.flow_m3_s,
        slope_m2_s=slopes(curve.lifts_m, curve.flow_m3_s) if shape > 1 else np.zeros(1),
        run_share=readings / several,
        scatter_share=1.0 / count,
        session_share=in_session / several,
        pressure_effect=effect / several,
        law=law / count,
        pressures_pa=tuple(frozenset(group) for group in pressures),
    )


def _places(curve: PortCurve, test: CorrectedTest) -> list[int]:
    """Return the place of each point's lift among the curve's lifts."""
    lifts = np.array([point.lift_m for point in test.points])
    # A curve's lift is the smallest of those that are one, so each lies at or above its own.
    return [int(place) for place in np.searchsorted(curve.lifts_m, lifts, side="right") - 1]


def _pressure_corrected(test: CorrectedTest) -> bool:
    """Tell whether the test was brought to the reference pressure."""
    return any(line.correction == "test-pressure" and line.skipped is None for line in test.ledger)


def _law_logarithm(side: Side, pressure_pa: float, barometer_pa: float | None, reference: Reference) -> float:
    """Return the logarithm of the square-root law's factor over the compressible law's."""
    barometer = STANDARD_BAROMETER_PA if barometer_pa is None else barometer_pa
    try:
        factors = [
            pressure_factor(law, side, pressure_pa, reference.pressure_pa, barometer)
            for law in ("square-root", "compressible")
        ]
    except CorrectionError:
        return 0.0  # a suction beyond the barometer: only one law has a value, and the corrections report it
    return float(np.log(factors[0] / factors[1]))


@dataclass(frozen=True, slots=True)
class Budget:
    """Variances of the logarithm of a gain in mean flow, to first order.

    Attributes
    ----------
    now, one_run : float
        Of what repeats reduce: with the runs there are, and with one run of every port [-].
    fixed : mapping
        Of what they do not reduce, by name.
    runs : tuple of two tuples
        For each state and port the runs at each lift.
    """

    now: float
    one_run: float
    fixed: Mapping[str, float]
    runs: tuple[tuple[tuple[int, ...], ...], tuple[tuple[int, ...], ...]]

    @property
    def kept(self) -> float:
        """What no repeat reduces."""
        return sum(self.fixed.values())

    @property
    def shares(self) -> dict[str, float]:
        """Shares of the whole variance by name, the repeats' among them; empty where there is none."""
        whole = {"repeats": self.now, **self.fixed}
        total = sum(whole.values())
        return {name: variance / total for name, variance in whole.items()} if total > 0.0 else {}

    def runs_now(self) -> tuple[int, int]:
        """Return the fewest runs of a port in each state."""
        before, after = (min(min(port) for port in side) for side in self.runs)
        return before, after

    def added(self, runs: int) -> int:
        """Return the degrees of freedom that so many runs of every port would add."""
        return sum(max(runs - now, 0) for side in self.runs for port in side for now in port)


def budget_of(
    sides: Sequence[Sequence[PortNoise]],
    range_m: tuple[float, float],
    repeatability: Repeatability,
    bench: Bench,
    method: AreaMethod,
    *,
    same: bool = False,
    gradients: dict[int, Array] | None = None,
) -> Budget:
    """Gather the variances of the gain between two states.

    Parameters
    ----------
    sides : two sequences of PortNoise
        The ports of each.
    range_m : tuple of two floats
        [m]
    repeatability : Repeatability
    bench : Bench
    method : {"pchip", "trapezoid"}
    same : bool, optional
        Whether the second is the first once more, in another session.
    gradients : dict, optional
        Kept from port to port, where the same ports are asked for again.

    Returns
    -------
    Budget

    Notes
    -----
    See `flowkit.analysis.planning.plan_repeats`.

    Examples
    --------
    >>> x, one = np.array([0.001, 0.003]), np.ones((2, 1))
    >>> port = PortNoise(x, 10 * x, np.full(2, 10.0), one, one[:, 0], one, 0 * one, 0 * x, (frozenset(),) * 2)
    >>> known = Repeatability(0.005, 4.0, "repeated runs", 0.005, 0.0)
    >>> budget = budget_of([[port], [port]], (0.001, 0.003), known, Bench(drift=0.002), "pchip", same=True)
    >>> {name: round(share, 3) for name, share in budget.shares.items() if share}
    {'repeats': 0.862, 'drift': 0.138}
    """
    kept = {} if gradients is None else gradients
    shift, scatter = (repeatability.s_between_runs or 0.0) ** 2, (repeatability.s_within_run or 0.0) ** 2
    now = one = setting = 0.0
    means = []
    for ports in sides:
        flows = [float(mean_flow(port.lifts_m, port.flow_m3_s, range_m, method)) for port in ports]
        total = sum(flows)
        sums = np.zeros((2, ports[0].session_share.shape[1]))
        law = 0.0
        for port, flow in zip(ports, flows, strict=True):
            if id(port) not in kept:
                kept[id(port)] = _gradient(port, range_m, method)
            slope = kept[id(port)] / total
            share = slope * port.flow_m3_s
            now += shift * float(np.sum((share @ port.run_share) ** 2))
            now += scatter * float(np.sum(share**2 * port.scatter_share))
            one += shift * (flow / total) ** 2 + scatter * float(np.sum(share**2))
            setting += float(np.sum((slope * port.slope_m2_s) ** 2))
            sums += np.array([share @ port.session_share, share @ port.pressure_effect])
            law += float(share @ port.law)
        means.append((sums, law))
    (first, law_before), (second, law_after) = means
    session, pressure = (2.0 * np.sum(first**2, axis=1)) if same else np.sum((second - first) ** 2, axis=1)
    fixed = {
        "lift setting": setting * (bench.lift_setting_m or 0.0) ** 2,
        "drift": float(session) * (bench.drift or 0.0) ** 2,
        "pressure reading": float(pressure),
        "pressure law": (law_after - law_before) ** 2 / 3.0,
    }
    runs = tuple(tuple(tuple(round(port.runs(j)) for j in range(len(port.lifts_m))) for port in side) for side in sides)
    return Budget(now, one, fixed, (runs[0], runs[1]))


def _gradient(port: PortNoise, range_m: tuple[float, float], method: AreaMethod) -> Array:
    """Return the derivative of a port's mean flow by each of its points."""
    size = len(port.lifts_m)
    step = 1e-4 * float(np.max(np.abs(port.flow_m3_s)))
    moved = np.repeat(port.flow_m3_s[:, np.newaxis], 2 * size, axis=1)
    moved[:, :size] += step * np.eye(size)
    moved[:, size:] -= step * np.eye(size)
    means = mean_flow(port.lifts_m, moved, range_m, method)
    return np.asarray((means[:size] - means[size:]) / (2.0 * step))


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


Ports = Mapping[str, PortNoise]


@dataclass(frozen=True, slots=True, eq=False)
class SideDraws:
    """What scatters in each port of each variant of a side, and its mean flow in every draw.

    Attributes
    ----------
    noise : mapping
        Variant to port to PortNoise.
    range_m : tuple of two floats
        [m]
    method : {"pchip", "trapezoid"}
    rows : mapping
        Identity of a PortNoise to its mean flow in each draw, shape (draws,) [m³/s].
    """

    noise: Mapping[str, Ports]
    range_m: tuple[float, float]
    method: AreaMethod
    rows: Mapping[int, Array]

    @classmethod
    def of(
        cls,
        variants: Sequence[SideVariant],
        range_m: tuple[float, float],
        reference: Reference,
        bench: Bench,
        repeatability: Repeatability,
        *,
        draws: int,
        seed: int,
        method: AreaMethod,
    ) -> SideDraws:
        """Draw all ports of all variants together, so that what they share cancels between them.

        Parameters
        ----------
        variants : sequence of SideVariant
        range_m : tuple of two floats
            The side's common range [m].
        reference : Reference
        bench : Bench
        repeatability : Repeatability
            Known.
        draws, seed : int
        method : {"pchip", "trapezoid"}
        """
        sessions = sessions_of(test for variant in variants for curve in variant.ports for test in curve.tests)
        noise: dict[str, Ports] = {
            variant.name: {curve.port: port_noise(curve, sessions, reference, bench) for curve in variant.ports}
            for variant in variants
        }
        # By name, so that the order of the variants does not matter even where two curves are the same.
        flat = [noise[name][port] for name in sorted(noise) for port in sorted(noise[name])]
        drawn = draw_mean_flows(flat, range_m, repeatability, bench, draws=draws, seed=seed, method=method)
        return cls(noise, range_m, method, {id(port): row for port, row in zip(flat, drawn, strict=True)})

    def ports(self, variant: str, names: Sequence[str] = ()) -> Ports:
        """Return the named ports of a variant, all of them where none is named."""
        ports = self.noise[variant]
        return {name: ports[name] for name in names} if names else ports

    def sample(self, ports: Ports) -> Array:
        """Return the drawn mean flows of ports, shape (ports, draws) [m³/s]."""
        return np.array([self.rows[id(port)] for port in ports.values()])

    def mean_u95(self, ports: Ports) -> float:
        """Return half the 95 % interval of the mean over ports, relative to it [-]."""
        flows = [mean_flow(port.lifts_m, port.flow_m3_s, self.range_m, self.method) for port in ports.values()]
        return interval_of(self.sample(ports).mean(axis=0)).half / float(np.mean(flows))


@dataclass(frozen=True, slots=True)
class SideUncertainty:
    """The intervals of one side: half the 95 % interval each, None where not assessed.

    Attributes
    ----------
    mean_flow_u95, curve_area_u95 : tuple of (float or None)
        For each variant, relative [-].
    spread_u95 : tuple of (float or None)
        For each variant, absolute [-]; None for one with a single port.
    flow_u95 : tuple of tuple of (float or None)
        For each variant at each of its lifts, relative [-].
    gain_u95 : tuple of (float or None)
        For each pair, of the gain in mean flow, absolute [-].
    gain_interval : tuple of (tuple of two floats, or None)
        The interval itself.
    resolved : tuple of (bool or None)
        Whether it excludes zero.
    per_lift_u95 : tuple of tuple of (float or None)
        For each pair at each of its lifts, of the gain, absolute [-].
    deviation_u95 : tuple of (float or None)
        For each variant: within it all its ports' deviations from their mean lie together, 95 times
        in a hundred, relative to the mean [-]; None with one port.
    interval_shares : tuple of mapping
        For each pair the shares of the variance of its gain in mean flow, by name.
    effects_u95 : tuple of (tuple of three floats, or None)
        For each set of four corners, of both main effects and the interaction, natural logarithms.
    """

    mean_flow_u95: tuple[float | None, ...]
    curve_area_u95: tuple[float | None, ...]
    spread_u95: tuple[float | None, ...]
    flow_u95: tuple[tuple[float | None, ...], ...]
    gain_u95: tuple[float | None, ...]
    gain_interval: tuple[tuple[float, float] | None, ...]
    resolved: tuple[bool | None, ...]
    per_lift_u95: tuple[tuple[float | None, ...], ...]
    deviation_u95: tuple[float | None, ...]
    interval_shares: tuple[Mapping[str, float], ...]
    effects_u95: tuple[tuple[float, ...] | None, ...]


def assess_side(  # noqa: PLR0917
    variants: Sequence[SideVariant],
    pairs: Sequence[MatchedPair],
    range_m: tuple[float, float],
    variant_lifts: Sequence[Sequence[float]],
    reference: Reference,
    bench: Bench,
    repeatability: Repeatability,
    *,
    corners: Sequence[Corners] = (),
    draws: int = DRAWS,
    seed: int = SEED,
    area_method: AreaMethod = "pchip",
) -> SideUncertainty:
    """Assess all figures of one side.

    Parameters
    ----------
    variants : sequence of SideVariant
    pairs : sequence of MatchedPair
        Of these variants.
    range_m : tuple of two floats
        The side's common range [m].
    variant_lifts : sequence of sequences of float
        For each variant the lifts its flows are given at [m].
    reference : Reference
    bench : Bench
    repeatability : Repeatability
    corners : sequence of Corners, optional
        Of these variants.
    draws, seed : int, optional
        Of the Monte Carlo; the same answer every time.
    area_method : {"pchip", "trapezoid"}, optional

    Returns
    -------
    SideUncertainty
        All None where the repeatability is not known.

    Notes
    -----
    See `gain_uncertainty` and `flowkit.analysis.uncertainty.draw_mean_flows`.

    Examples
    --------
    >>> unknown = Repeatability(None, None, "none")
    >>> assess_side((), (), (0.001, 0.010), (), Reference(), Bench(), unknown).resolved
    ()
    """
    if repeatability.s_r is None:
        return _not_assessed(variants, pairs, variant_lifts, corners)
    drawn = SideDraws.of(variants, range_m, reference, bench, repeatability, draws=draws, seed=seed, method=area_method)
    own = [drawn.ports(variant.name) for variant in variants]
    sides = [tuple(drawn.ports(one.name, pair.ports) for one in (pair.before, pair.after)) for pair in pairs]
    flows = tuple(drawn.mean_u95(ports) for ports in own)
    gains = [gain_interval(drawn.sample(before), drawn.sample(after)) for before, after in sides]
    several = [drawn.sample(ports) if len(ports) > 1 else None for ports in own]
    return SideUncertainty(
        mean_flow_u95=flows,
        curve_area_u95=flows,
        spread_u95=tuple(None if sample is None else spread_interval(sample).half for sample in several),
        flow_u95=tuple(
            tuple(flow_uncertainty(tuple(ports.values()), lift, repeatability, bench) for lift in lifts)
            for ports, lifts in zip(own, variant_lifts, strict=True)
        ),
        gain_u95=tuple(interval.half for interval in gains),
        gain_interval=tuple((interval.low, interval.high) for interval in gains),
        resolved=tuple(interval.excludes_zero for interval in gains),
        per_lift_u95=tuple(
            tuple(
                gain_uncertainty(tuple(before.values()), tuple(after.values()), lift, repeatability, bench)
                for lift in pair.lifts_m
            )
            for pair, (before, after) in zip(pairs, sides, strict=True)
        ),
        deviation_u95=tuple(None if sample is None else deviation_bound(sample) for sample in several),
        interval_shares=_shares(sides, range_m, repeatability, bench, area_method),
        effects_u95=tuple(_effects_u95(item, variants, drawn) for item in corners),
    )


def _shares(
    sides: Sequence[Sequence[Ports]],
    range_m: tuple[float, float],
    repeatability: Repeatability,
    bench: Bench,
    method: AreaMethod,
) -> tuple[Mapping[str, float], ...]:
    """Return what each pair's interval is made of."""
    gradients: dict[int, Array] = {}
    budgets = (
        budget_of([tuple(ports.values()) for ports in side], range_m, repeatability, bench, method, gradients=gradients)
        for side in sides
    )
    return tuple(budget.shares for budget in budgets)


def _effects_u95(corners: Corners, variants: Sequence[SideVariant], drawn: SideDraws) -> tuple[float, ...]:
    """Return half the intervals of both main effects and the interaction, natural logarithms."""
    four = [variants[place] for place in corners.places]
    ports = common_ports(four)
    means = [drawn.sample(drawn.ports(variant.name, ports)).mean(axis=0) for variant in four]
    return tuple(interval_of(effect).half for effect in log_effects(means))


def _not_assessed(
    variants: Sequence[SideVariant],
    pairs: Sequence[MatchedPair],
    variant_lifts: Sequence[Sequence[float]],
    corners: Sequence[Corners],
) -> SideUncertainty:
    """Return the intervals where the repeatability is not known."""
    none_each = (None,) * len(variants)
    none_pair = (None,) * len(pairs)
    return SideUncertainty(
        mean_flow_u95=none_each,
        curve_area_u95=none_each,
        spread_u95=none_each,
        flow_u95=tuple((None,) * len(lifts) for lifts in variant_lifts),
        gain_u95=none_pair,
        gain_interval=none_pair,
        resolved=none_pair,
        per_lift_u95=tuple((None,) * len(pair.lifts_m) for pair in pairs),
        deviation_u95=none_each,
        interval_shares=({},) * len(pairs),
        effects_u95=(None,) * len(corners),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Mean:
    """The mean over ports at one lift: flow, and relative variances and shares."""

    flow: float
    repeats: float
    lift: float
    session: Array
    pressure: Array
    law: float
    pressures_pa: frozenset[float]


def _mean(ports: Sequence[PortNoise], lift_m: float) -> _Mean | None:
    """Return the mean over ports at a lift; None where no air flows."""
    at = [port.at(lift_m) for port in ports]
    total = sum(port.flow for port in at)
    if not total > 0.0:
        return None
    shares = [port.flow / total for port in at]
    return _Mean(
        flow=total / len(at),
        repeats=sum(share**2 / port.runs for share, port in zip(shares, at, strict=True)),
        lift=sum((port.slope / total) ** 2 for port in at),
        session=np.sum([share * port.session_share for share, port in zip(shares, at, strict=True)], axis=0),
        pressure=np.sum([share * port.pressure_effect for share, port in zip(shares, at, strict=True)], axis=0),
        law=sum(share * port.law for share, port in zip(shares, at, strict=True)),
        pressures_pa=frozenset().union(*(port.pressures_pa for port in at)),
    )


def _combine(sides: Sequence[_Mean], law: float, repeatability: Repeatability, bench: Bench) -> Combined:
    """Combine what is uncertain about the logarithm of a flow, or of a ratio of two."""
    session, pressure = sides[-1].session, sides[-1].pressure
    if len(sides) > 1:
        session, pressure = session - sides[0].session, pressure - sides[0].pressure
    freedom = repeatability.degrees_of_freedom or math.inf
    return combine(
        (
            Component(
                "repeatability", repeatability.s_r or 0.0, math.sqrt(sum(side.repeats for side in sides)), freedom
            ),
            Component("lift setting", bench.lift_setting_m or 0.0, math.sqrt(sum(side.lift for side in sides))),
            Component("pressure reading", float(np.linalg.norm(pressure))),
            Component("drift", bench.drift or 0.0, float(np.linalg.norm(session))),
            Component("pressure law", abs(law) / math.sqrt(3.0)),
        )
    )


def flow_uncertainty(
    ports: Sequence[PortNoise], lift_m: float, repeatability: Repeatability, bench: Bench
) -> float | None:
    """Return half the 95 % interval of the mean flow over ports at one lift, relative.

    Parameters
    ----------
    ports : sequence of PortNoise
    lift_m : float
        Within the measured lifts of every port [m].
    repeatability : Repeatability
        Known.
    bench : Bench

    Returns
    -------
    float or None
        [-]; None where no air flows.

    Notes
    -----
    As `gain_uncertainty`, with the terms of one side.

    Examples
    --------
    >>> x, one = np.array([0.001, 0.003]), np.ones((2, 1))
    >>> port = PortNoise(x, 10 * x, np.full(2, 10.0), one, one[:, 0], one, 0 * one, 0 * x, (frozenset(),) * 2)
    >>> round(flow_uncertainty([port], 0.002, Repeatability(0.005, np.inf, "stated"), Bench()), 4)
    0.0098
    """
    mean = _mean(ports, lift_m)
    return None if mean is None else _combine((mean,), mean.law, repeatability, bench).expanded()


def gain_uncertainty(
    before: Sequence[PortNoise],
    after: Sequence[PortNoise],
    lift_m: float,
    repeatability: Repeatability,
    bench: Bench,
) -> float | None:
    """Return half the 95 % interval of the gain at one lift, absolute.

    Parameters
    ----------
    before, after : sequence of PortNoise
        The ports that are compared.
    lift_m : float
        Within the measured lifts of every port [m].
    repeatability : Repeatability
        Known.
    bench : Bench

    Returns
    -------
    float or None
        [-]; None where no air flows.

    Notes
    -----
    JCGM 100:2008 applied to the logarithm of the ratio of the mean flows, over both sides:
    ``u² = Σ w²·(s_r²/n + (|dQ/dL|·u_L/Q)²)``, w a port's share of the sum of flows and n its
    runs at the lift (between two measured lifts the fewer of theirs), plus for the sessions
    ``(½·u_P/ΔP)² + u_d²`` of each side and, between two test pressures, the difference of the
    pressure laws as a uniform distribution, ``(|Δln(f_sqrt/f_comp)|/√3)²``. What both sides
    share of a session cancels, in proportion where a side was flowed in several sessions: one
    session at one test pressure leaves nothing of it. The interval is ``(1 + g)·t95(ν_eff)·u``
    with the degrees of freedom of Welch and Satterthwaite, all other terms being known.

    Examples
    --------
    >>> x, one = np.array([0.001, 0.003]), np.ones((2, 1))
    >>> port = PortNoise(x, 10 * x, np.full(2, 10.0), one, one[:, 0], one, 0 * one, 0 * x, (frozenset(),) * 2)
    >>> round(gain_uncertainty([port], [port], 0.002, Repeatability(0.005, 4.0, "repeated runs"), Bench()), 4)
    0.0196
    """
    first, second = _mean(before, lift_m), _mean(after, lift_m)
    if first is None or second is None:
        return None
    law = second.law - first.law if first.pressures_pa != second.pressures_pa else 0.0
    return second.flow / first.flow * _combine((first, second), law, repeatability, bench).expanded()
