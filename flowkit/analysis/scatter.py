"""The bench's own scatter, from repeated runs and from ports as blocks: of a curve figure, and at one lift.

Everything here is relative. A run is one mounting and one sweep of the lifts of one port; its shift and the scatter
of its points are taken together, nothing is split and nothing cut at zero.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.curves import Benches, PortCurve, Session, relative_steps, runs_of
from flowkit.analysis.lifts import SAME_LIFT_M, AreaMethod, integrate, pchip, within
from flowkit.corrections.pressure import STANDARD_BAROMETER_PA, pressure_factor
from flowkit.errors import CorrectionError
from flowkit.model import CorrectedTest, LedgerLine, Reference, Side

Array = NDArray[np.float64]
STEP = 1e-5
"""Relative step of the central differences, so that a kink gives the mean of its two sides."""
ENOUGH = 0.5
"""Share of a figure that a repeated run must hold to count."""


@dataclass(frozen=True, eq=False)
class Stack:
    """Curves over the same lifts, shape (n, curves), with their interpolant built once."""

    lifts_m: Array
    flows: Array
    curve: PortCurve

    @cached_property
    def spline(self) -> Any:
        """PCHIP through all of them."""
        return pchip(self.lifts_m, self.flows)

    def at(self, lifts_m: Sequence[float]) -> Array:
        """Return the flows at lifts, shape (lifts, curves)."""
        inside = within(np.asarray(lifts_m, dtype=float), self.lifts_m)
        return np.asarray(self.spline(inside)) if len(self.lifts_m) > 1 else np.repeat(self.flows, len(inside), axis=0)

    def mean(self, lo: float, hi: float, method: AreaMethod) -> Array:
        """Return the mean flows between two lifts; the flows themselves where they are one."""
        if hi - lo <= SAME_LIFT_M or len(self.lifts_m) == 1:
            return np.asarray(self.at([lo])[0])
        if method == "trapezoid":
            return integrate(self.lifts_m, self.flows, lo, hi, method) / (hi - lo)
        inside = within(np.asarray([lo, hi]), self.lifts_m)
        return np.asarray(self.spline.integrate(*inside.tolist())) / (hi - lo)


class Figure(Protocol):
    """What is worked out of a port's curve: one or several numbers."""

    @property
    def key(self) -> object:
        """What distinguishes figures."""

    def of(self, side: Side, curves: Stack) -> Array | None:
        """Return the figures of curves, shape (figures, curves); None where the side has none."""


@dataclass(frozen=True)
class Means:
    """Mean flows over ranges of lift, a tuple of ranges for each side [m]."""

    ranges: Mapping[Side, tuple[tuple[float, float], ...]]
    method: AreaMethod = "pchip"

    @property
    def key(self) -> object:
        """Its ranges."""
        return ("means", self.method, *sorted(self.ranges.items()))

    def of(self, side: Side, curves: Stack) -> Array | None:
        """Return one row for each range."""
        if not self.ranges.get(side):
            return None
        return np.array([curves.mean(*limits, self.method) for limits in self.ranges[side]])


@dataclass(frozen=True)
class AtLifts:
    """The flow at lifts [m]."""

    lifts_m: tuple[float, ...]

    @property
    def key(self) -> object:
        """Its lifts."""
        return ("lifts", self.lifts_m)

    def of(self, side: Side, curves: Stack) -> Array | None:
        """Return one row for each lift."""
        return curves.at(self.lifts_m)


@dataclass(frozen=True)
class Metric:
    """One number of a port's curve by anybody's rule, on some sides; not proportional to the flows as others are.

    What a run moves it by is counted with ``Σ|a_j|`` where a mean flow's is counted with ``Σa_j = 1``: in a ratio of
    two flows the shift of a run cancels, but the scatter of its points does not.
    """

    name: str
    rule: Callable[[PortCurve], float]
    sides: tuple[Side, ...]

    @property
    def key(self) -> object:
        """Its rule."""
        return (self.name, self.rule, self.sides)

    def of(self, side: Side, curves: Stack) -> Array | None:
        """Return one row."""
        if side not in self.sides:
            return None
        return np.array([[self.rule(replace(curves.curve, flow_m3_s=flow.copy())) for flow in curves.flows.T]])


@dataclass(frozen=True, eq=False)
class Values:
    """Figures of one port, an entry (row) each."""

    value: Array
    law: Array  # with the other pressure law's factors
    without_bore: Array  # without the bore correction
    a: Array  # (∂M/∂Q_j)·Q_j/M at the port's lifts, shape (figures, lifts)
    size: Array  # what a run counts with: a, its magnitude for a metric
    test_share: Array
    run_share: Array
    per_run: Array  # 1/n_p
    setting: Array  # Σ(a·d ln Q/dL)²
    steps: Array  # Σa²·(δ/Q)²/12


@dataclass(frozen=True, eq=False)
class Repeats:
    """Runs of one port in one session: residuals about their mean at the lifts they all hold."""

    bench: str
    held: NDArray[np.intp]
    residuals: Array
    members: tuple[int, ...] = ()


class PortRuns:
    """One port of one state with its runs, and everything its uncertainty needs as arrays."""

    def __init__(self, curve: PortCurve, benches: Benches, reference: Reference, copied: frozenset[int]) -> None:
        self.curve = curve
        self.side = curve.side
        self.runs = runs_of(curve.tests)
        self.tests = tuple(test for run in self.runs for test in run)
        self.run_of = np.array([index for index, run in enumerate(self.runs) for _ in run])
        self.sessions: tuple[Session, ...] = tuple(benches.session(test) for test in self.tests)
        self.benches = frozenset(session.bench for session in self.sessions)
        self.copied = any(id(test) in copied for test in self.tests)
        self._reference = reference
        self._figures: dict[object, Values | None] = {}
        self.at = [self._indices(test) for test in self.tests]
        counts = np.zeros((len(curve.lifts_m), len(self.tests)))
        for column, indices in enumerate(self.at):
            np.add.at(counts[:, column], indices, 1.0)
        self.share = counts / counts.sum(axis=1, keepdims=True)

    def _indices(self, test: CorrectedTest) -> NDArray[np.intp]:
        """Return the index of each point's lift; a curve's lift is the smallest of those that are one."""
        return np.searchsorted(self.curve.lifts_m, [point.lift_m for point in test.points], side="right") - 1

    def _averaged(self, values: Sequence[Sequence[float]]) -> Array:
        """Average a value of every point lift by lift, as the flows are."""
        sums, counts = np.zeros(len(self.curve.lifts_m)), np.zeros(len(self.curve.lifts_m))
        for indices, own in zip(self.at, values, strict=True):
            np.add.at(sums, indices, own)
            np.add.at(counts, indices, 1.0)
        return sums / counts

    @cached_property
    def slope(self) -> Array:
        """``d ln Q/dL`` at the lifts [1/m]."""
        return np.asarray(self.curve.slope(self.curve.lifts_m) / self.curve.flow_m3_s)

    @cached_property
    def steps(self) -> Array:
        """``(δ/Q)²`` as written, its mean over the readings, at the lifts."""
        return self._averaged([[step**2 for step in relative_steps(test)] for test in self.tests])

    @cached_property
    def run_flows(self) -> Array:
        """Flow of each run at the lifts, shape (n, runs); not a number where it holds none."""
        sums, counts = np.zeros((len(self.curve.lifts_m), len(self.runs))), np.zeros((len(self.curve.lifts_m), 1))
        counts = np.zeros_like(sums)
        for run, indices, test in zip(self.run_of, self.at, self.tests, strict=True):
            np.add.at(sums[:, run], indices, [point.flow_m3_s for point in test.points])
            np.add.at(counts[:, run], indices, 1.0)
        return np.divide(sums, counts, out=np.full_like(sums, np.nan), where=counts > 0)

    @cached_property
    def repeats(self) -> tuple[Repeats, ...]:
        """Repeated runs, session by session: runs in two sessions hold drift and are no repeats."""
        by_session: dict[Session, list[int]] = {}
        for run, session in zip(self.run_of, self.sessions, strict=True):
            members = by_session.setdefault(session, [])
            if run not in members:
                members.append(int(run))
        found = []
        for session, members in by_session.items():
            flows = self.run_flows[:, members]
            held = np.flatnonzero(~np.isnan(flows).any(axis=1))
            if len(members) > 1 and len(held):
                mean = flows[held].mean(axis=1, keepdims=True)
                found.append(Repeats(session.bench, held, (flows[held] / mean - 1.0).T, tuple(members)))
        return tuple(found)

    @cached_property
    def _stack(self) -> Stack:
        """The curve, each point moved up and down, by the other pressure law, without the bore correction."""
        flow = self.curve.flow_m3_s[:, np.newaxis]
        moved = np.eye(len(flow)) * STEP * flow
        law = self._averaged([_other_law(test, self.side, self._reference) for test in self.tests])
        bare = self._averaged([_without_bore(test) for test in self.tests])
        stacked = np.hstack([flow, flow + moved, flow - moved, law[:, np.newaxis], bare[:, np.newaxis]])
        return Stack(self.curve.lifts_m, stacked, self.curve)

    def figure(self, figure: Figure) -> Values | None:
        """Return the figures of this port; None where its side has none."""
        if figure.key not in self._figures:
            self._figures[figure.key] = self._evaluate(figure)
        return self._figures[figure.key]

    def values(self, figure: Figure) -> Values:
        """Return the figures of this port, where its side has them."""
        found = self.figure(figure)
        assert found is not None  # asked only of the side the figure was made for
        return found

    def _evaluate(self, figure: Figure) -> Values | None:
        """Work the figures out, their derivatives by central differences."""
        stack = figure.of(self.side, self._stack)
        if stack is None:
            return None
        size = len(self.curve.lifts_m)
        value = stack[:, 0]
        up, down = stack[:, 1 : size + 1], stack[:, size + 1 : 2 * size + 1]
        a = (up - down) / (2.0 * STEP * value[:, np.newaxis])
        sizes = np.abs(a) if isinstance(figure, Metric) else a
        each = sizes @ self.share
        run_share = np.zeros((len(value), len(self.runs)))
        for column, run in enumerate(self.run_of):
            run_share[:, run] += each[:, column]
        return Values(
            value=value,
            law=stack[:, -2],
            without_bore=stack[:, -1],
            a=a,
            size=sizes,
            test_share=a @ self.share,
            run_share=run_share,
            per_run=np.sum(run_share**2, axis=1),
            setting=np.sum((a * self.slope) ** 2, axis=1),
            steps=a**2 @ self.steps / 12.0,
        )

    def slope_at(self, lifts_m: Sequence[float]) -> Array:
        """Return ``d ln Q/dL`` at any lifts [1/m]."""
        return np.asarray(self.curve.slope(lifts_m) / self.curve.flow(lifts_m))


def _line(test: CorrectedTest, correction: str) -> LedgerLine | None:
    """Return a correction's line in the ledger, where it was made."""
    return next((line for line in test.ledger if line.correction == correction and line.factor is not None), None)


def _other_law(test: CorrectedTest, side: Side, reference: Reference) -> list[float]:
    """Return the flows with the other pressure law's factors, all else equal."""
    flows = [point.flow_m3_s for point in test.points]
    if _line(test, "test-pressure") is None:
        return flows
    barometer = test.conditions.barometer_pa or STANDARD_BAROMETER_PA
    ratios: dict[float | None, float] = {None: 1.0, reference.pressure_pa: 1.0}
    for pressure in {point.pressure_pa for point in test.points} - ratios.keys():
        assert pressure is not None
        try:
            square_root, nozzle = (
                pressure_factor(law, side, pressure, reference.pressure_pa, barometer)
                for law in ("square-root", "compressible")
            )
        except CorrectionError:  # a suction beyond the barometer: only one law has a value
            ratios[pressure] = 1.0
            continue
        ratios[pressure] = nozzle / square_root if reference.pressure_law == "square-root" else square_root / nozzle
    return [flow * ratios[point.pressure_pa] for flow, point in zip(flows, test.points, strict=True)]


def _without_bore(test: CorrectedTest) -> list[float]:
    """Return the flows as they were before the bore correction."""
    line = _line(test, "bore")
    if line is None or line.factor is None or len(line.factor) != len(test.points):
        return [point.flow_m3_s for point in test.points]
    return [point.flow_m3_s / factor for point, factor in zip(test.points, line.factor, strict=True)]


def additive_residuals(values: Array) -> Array:
    """Return what an additive fit of rows and columns leaves, shape (rows, columns, …).

    Notes
    -----
    Randomized blocks: Box, Hunter & Hunter, Statistics for Experimenters, 2nd ed. 2005, ch. 4.

    Examples
    --------
    >>> additive_residuals(np.array([[1.0, 2.0], [3.0, 5.0]])).tolist()
    [[0.25, -0.25], [-0.25, 0.25]]
    """
    mean = values.mean(axis=(0, 1), keepdims=True)
    return np.asarray(values - values.mean(axis=0, keepdims=True) - values.mean(axis=1, keepdims=True) + mean)


@dataclass(frozen=True, eq=False)
class Blocks:
    """The same ports flowed in several states: what is left when states and ports are taken out."""

    cells: tuple[tuple[PortRuns, ...], ...]

    @property
    def freedom(self) -> int:
        """``ν_P = (V − 1)(P − 1)``."""
        return (len(self.cells) - 1) * (len(self.cells[0]) - 1)

    @property
    def ports(self) -> tuple[PortRuns, ...]:
        """All cells in a row."""
        return tuple(port for row in self.cells for port in row)

    def squares(self, figure: Figure) -> Array:
        """Return ``n_h·Σr²`` of the logarithms of figures, n_h the harmonic mean of the runs."""
        values = [[port.values(figure) for port in row] for row in self.cells]
        residual = additive_residuals(np.log([[one.value for one in row] for row in values]))
        runs = 1.0 / np.mean([[one.per_run for one in row] for row in values], axis=(0, 1))
        return np.asarray(runs * np.sum(residual**2, axis=(0, 1)))

    def at_lifts(self) -> tuple[tuple[float, ...], Array]:
        """Return the lifts that all cells hold, and √n_h times the residuals there, shape (cells, lifts)."""
        held = [set(port.curve.lifts_m.tolist()) for port in self.ports]
        lifts = tuple(sorted(set.intersection(*held)))
        if not lifts:
            return (), np.zeros((len(self.ports), 0))
        at = AtLifts(lifts)
        values = [[port.values(at) for port in row] for row in self.cells]
        residual = additive_residuals(np.log([[one.value for one in row] for row in values]))
        runs = 1.0 / np.mean([[one.per_run for one in row] for row in values], axis=(0, 1))
        return lifts, (np.sqrt(runs) * residual).reshape(len(self.ports), len(lifts))


@dataclass(eq=False)
class _AtOneLift:
    """What is known of the scatter at one lift."""

    squares: float = 0.0
    freedom: float = 0.0
    slopes: dict[int, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class LiftScatter:
    """The variance function at one lift, ``v = c + u_L²·x`` with x = (d ln Q/dL)²."""

    constant: float  # c
    per_slope: float  # u_L² [m²]
    covariance: Array  # of both, from the information
    freedom: float  # ν_R (+ ν_P)
    cap: float  # Satterthwaite's, or ν_w for residuals less their run's mean
    within: bool  # whether the residuals are less their run's mean

    @classmethod
    def of(
        cls, ports: Sequence[PortRuns], benches: frozenset[str], blocks: Blocks | None, *, within: bool = False
    ) -> LiftScatter | None:
        """Fit the residuals of repeated runs, and of ports as blocks; None where there are none."""
        table: dict[int, _AtOneLift] = {}
        sums = np.zeros(5)  # ν_R, Σ of squared run means, Σ of squares about them, Σ(runs − 1)·J, Σ(runs − 1)(J − 1)
        for port in ports:
            for group in port.repeats:
                if group.bench in benches:
                    lifts = port.curve.lifts_m[group.held]
                    slopes = [(id(port), (port.slope[index] ** 2).item()) for index in group.held]
                    sums += _gather(
                        table,
                        lifts.tolist(),
                        group.residuals,
                        len(group.residuals) - 1,
                        [[one] for one in slopes],
                        within,
                    )
        if blocks is not None:
            shared, residuals = blocks.at_lifts()
            if shared:
                slopes_at = [port.slope_at(shared) ** 2 for port in blocks.ports]
                pairs = [
                    [(id(port), float(own[index])) for port, own in zip(blocks.ports, slopes_at, strict=True)]
                    for index in range(len(shared))
                ]
                sums += _gather(table, list(shared), residuals, blocks.freedom, pairs, within)
        freedom, between, scatter, slots, within_freedom = sums.tolist()
        rows = [row for row in table.values() if row.freedom > 0]
        if not rows or (within and not within_freedom):
            return None
        cap = within_freedom
        if not within:
            v_b, v_w = between / freedom, scatter / slots
            below = v_b**2 / freedom + (v_w**2 / within_freedom if within_freedom else 0.0)
            cap = (v_b + v_w) ** 2 / below if below and within_freedom else freedom
        return cls(*_fitted(rows), freedom=freedom, cap=cap, within=within)

    def at(self, weights: Array, x: Array) -> tuple[Array, Array]:
        """Return u_rep² and its degrees of freedom for Σ weight·v(x), both of shape (L,).

        Notes
        -----
        ``ν = 2·u_rep⁴/var(u_rep²)``, at most Satterthwaite's, at least ν_R (+ ν_P); of that and of the
        latter the weighted harmonic mean ``1/(¾/ν + ¼/(ν_R + ν_P))``, since Satterthwaite's is itself
        estimated. Residuals less their run's mean: at most ν_w, nothing else.
        """
        ones, slopes = weights.sum(axis=0), (weights * x).sum(axis=0)
        variance = self.constant * ones + self.per_slope * slopes
        gradient = np.stack([ones, slopes])
        spread = np.einsum("il,ij,jl->l", gradient, self.covariance, gradient)
        with np.errstate(divide="ignore", invalid="ignore"):
            known = np.where(spread > 0.0, 2.0 * variance**2 / spread, self.cap)
        known = np.minimum(known, self.cap)
        if self.within:
            return variance, known
        known = np.maximum(known, self.freedom)
        return variance, 1.0 / (0.75 / known + 0.25 / self.freedom)


def _gather(  # noqa: PLR0917
    table: dict[int, _AtOneLift],
    lifts: Sequence[float],
    residuals: Array,
    freedom: float,
    slopes: Sequence[Sequence[tuple[int, float]]],
    within: bool,
) -> Array:
    """Add residuals, shape (runs, lifts), to the table of lifts; return their sums for Satterthwaite."""
    count = len(lifts)
    means = residuals.mean(axis=1)
    about = residuals - means[:, np.newaxis]
    used = about if within else residuals
    per_lift = freedom * (1.0 - 1.0 / count) if within else freedom
    for index, lift in enumerate(lifts):
        row = table.setdefault(round(lift * 1e6), _AtOneLift())
        row.squares += float(np.sum(used[:, index] ** 2))
        row.freedom += per_lift
        row.slopes.update(slopes[index])
    return np.array([freedom, np.sum(means**2), np.sum(about**2), freedom * count, freedom * (count - 1)])


def _fitted(rows: Sequence[_AtOneLift]) -> tuple[float, float, Array]:
    """Return c, u_L² and their covariance by gamma likelihood with identity link.

    Notes
    -----
    McCullagh & Nelder, Generalized Linear Models, 2nd ed. 1989, ch. 8: mean squares are gamma
    distributed about v with ν/2. Profiled over the level: ``v = m(t)·[(1 − t) + t·x/x̄]``, the t in
    [0, 0.99] where ``Σν·ln v`` is least.
    """
    freedom = np.array([row.freedom for row in rows])
    squares = np.array([row.squares for row in rows]) / freedom
    x = np.array([np.mean(list(row.slopes.values())) for row in rows])
    total = float(freedom.sum())
    mean_x = float(freedom @ x) / total
    level = float(freedom @ squares) / total
    if len(rows) < 3 or level <= 0.0 or np.ptp(x) <= 1e-9 * mean_x:
        return level, 0.0, np.array([[2.0 * level**2 / total, 0.0], [0.0, 0.0]])
    ratio = x / mean_x

    def shape(t: float) -> Array:
        """``(1 − t) + t·x/x̄``."""
        return np.asarray(1.0 - t + t * ratio)

    def rise(t: float) -> float:
        """Return the derivative of Σν·ln v by t."""
        h = shape(t)
        m = freedom @ (squares / h)
        return float(freedom @ ((ratio - 1.0) / h) - total * (freedom @ (squares * (ratio - 1.0) / h**2)) / m)

    def depth(t: float) -> float:
        """Return Σν·ln v."""
        h = shape(t)
        return float(freedom @ np.log(h) + total * math.log(freedom @ (squares / h)))

    t = _lowest(rise, depth)
    m = float(freedom @ (squares / shape(t))) / total
    v = m * shape(t)
    design = np.stack([np.ones_like(x), ratio])
    information = (design * (0.5 * freedom / v**2)) @ design.T
    scale = np.diag([1.0, 1.0 / mean_x])
    return m * (1.0 - t), m * t / mean_x, scale @ np.linalg.inv(information) @ scale


def _lowest(rise: Callable[[float], float], depth: Callable[[float], float]) -> float:
    """Return the t in [0, 0.99] of the least depth, by the roots of its derivative."""
    from scipy.optimize import brentq

    grid = np.linspace(0.0, 0.99, 100)
    slopes = [rise(float(t)) for t in grid]
    candidates = [0.0, 0.99]
    for left, right, first, second in zip(grid[:-1], grid[1:], slopes[:-1], slopes[1:], strict=True):
        if first < 0.0 <= second:
            candidates.append(float(brentq(rise, left, right, xtol=1e-13)))
    return min(candidates, key=depth)
