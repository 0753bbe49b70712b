"""The bench's own scatter, from repeated runs and from ports as blocks: of a curve figure, and at one lift.

Everything here is relative. A run is one mounting and one sweep of the lifts of one port; its shift and the scatter
of its points are taken together, nothing is split and nothing cut at zero.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.curves import Array, Benches, PortCurve, Session, relative_steps, runs_of
from flowkit.analysis.lifts import AreaMethod
from flowkit.corrections.pressure import STANDARD_BAROMETER_PA, pressure_factor
from flowkit.errors import CorrectionError
from flowkit.model import CorrectedTest, LedgerLine, Reference, Side, grouped

STEP = 1e-5
"""Relative step of the central differences, so that a kink gives the mean of its two sides."""


class Figure(Protocol):
    """What is worked out of a port's curve: one or several numbers."""

    @property
    def key(self) -> object:
        """What distinguishes figures."""

    def of(self, curves: PortCurve) -> Array | None:
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

    def of(self, curves: PortCurve) -> Array | None:
        """Return one row for each range."""
        ranges = self.ranges.get(curves.side)
        return np.array([curves.mean_flows(*limits, self.method) for limits in ranges]) if ranges else None


@dataclass(frozen=True)
class AtLifts:
    """The flow at lifts [m]."""

    lifts_m: tuple[float, ...]

    @property
    def key(self) -> object:
        """Its lifts."""
        return ("lifts", self.lifts_m)

    def of(self, curves: PortCurve) -> Array | None:
        """Return one row for each lift."""
        return curves.flow(self.lifts_m)


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

    def of(self, curves: PortCurve) -> Array | None:
        """Return one row."""
        if curves.side not in self.sides:
            return None
        return np.array([[self.rule(replace(curves, flow_m3_s=flow.copy())) for flow in curves.flow_m3_s.T]])


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
    residuals: Array  # shape (runs, lifts)
    members: tuple[int, ...]


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
        # the index of each point's lift: a curve's lift is the smallest of those that are one
        self.at = [
            np.searchsorted(curve.lifts_m, [point.lift_m for point in test.points], side="right") - 1
            for test in self.tests
        ]
        counts = np.array([np.bincount(at, minlength=len(curve.lifts_m)) for at in self.at], dtype=float).T
        self.share = counts / counts.sum(axis=1, keepdims=True)

    def _averaged(self, values: Sequence[Sequence[float]]) -> Array:
        """Average a value of every point lift by lift, as the flows are."""
        at, size = np.concatenate(self.at), len(self.curve.lifts_m)
        return np.asarray(np.bincount(at, np.concatenate(values), size) / np.bincount(at, minlength=size))

    @cached_property
    def slope(self) -> Array:
        """``d ln Q/dL`` at the lifts [1/m]."""
        return np.asarray(self.curve.slope(self.curve.lifts_m) / self.curve.flow_m3_s)

    def slope_at(self, lifts_m: Sequence[float]) -> Array:
        """Return ``d ln Q/dL`` at any lifts [1/m]."""
        return np.asarray(self.curve.slope(lifts_m) / self.curve.flow(lifts_m))

    @cached_property
    def steps(self) -> Array:
        """``(δ/Q)²`` as written, its mean over the readings, at the lifts."""
        return self._averaged([[step**2 for step in relative_steps(test)] for test in self.tests])

    @cached_property
    def run_flows(self) -> Array:
        """Flow of each run at the lifts, shape (n, runs); not a number where it holds none."""
        sums, counts = np.zeros((2, len(self.curve.lifts_m), len(self.runs)))
        for run, indices, test in zip(self.run_of, self.at, self.tests, strict=True):
            np.add.at(sums[:, run], indices, [point.flow_m3_s for point in test.points])
            np.add.at(counts[:, run], indices, 1.0)
        return np.divide(sums, counts, out=np.full_like(sums, np.nan), where=counts > 0)

    @cached_property
    def repeats(self) -> tuple[Repeats, ...]:
        """Repeated runs, session by session: runs in two sessions hold drift and are no repeats."""
        found = []
        for session, own in grouped(zip(self.sessions, self.run_of.tolist(), strict=True)).items():
            members = tuple(dict.fromkeys(own))
            flows = self.run_flows[:, members]
            held = np.flatnonzero(~np.isnan(flows).any(axis=1))
            if len(members) > 1 and len(held):
                mean = flows[held].mean(axis=1, keepdims=True)
                found.append(Repeats(session.bench, held, (flows[held] / mean - 1.0).T, members))
        return tuple(found)

    @cached_property
    def _moved(self) -> PortCurve:
        """The curve, each point moved up and down, by the other pressure law, without the bore correction."""
        flow = self.curve.flow_m3_s[:, np.newaxis]
        moved = np.eye(len(flow)) * STEP * flow
        law = self._averaged([_other_law(test, self.side, self._reference) for test in self.tests])
        bare = self._averaged([_without_bore(test) for test in self.tests])
        stacked = np.hstack([flow, flow + moved, flow - moved, law[:, np.newaxis], bare[:, np.newaxis]])
        return replace(self.curve, flow_m3_s=stacked)

    def figure(self, figure: Figure) -> Values | None:
        """Return the figures of this port, their derivatives by central differences; None where its side has none."""
        if figure.key in self._figures:
            return self._figures[figure.key]
        found, stack = None, figure.of(self._moved)
        if stack is not None:
            size = len(self.curve.lifts_m)
            value = stack[:, 0]
            up, down = stack[:, 1 : size + 1], stack[:, size + 1 : 2 * size + 1]
            a = (up - down) / (2.0 * STEP * value[:, np.newaxis])
            sizes = np.abs(a) if isinstance(figure, Metric) else a
            each = sizes @ self.share
            run_share = np.zeros((len(value), len(self.runs)))
            for column, run in enumerate(self.run_of):
                run_share[:, run] += each[:, column]
            found = Values(
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
        self._figures[figure.key] = found
        return found

    def values(self, figure: Figure) -> Values:
        """Return the figures of this port, where its side has them."""
        found = self.figure(figure)
        assert found is not None  # asked only of the side the figure was made for
        return found


def made(test: CorrectedTest, correction: str) -> LedgerLine | None:
    """Return a correction's line in the ledger, where it was made by factors."""
    return next((line for line in test.ledger if line.correction == correction and line.factor is not None), None)


def _other_law(test: CorrectedTest, side: Side, reference: Reference) -> list[float]:
    """Return the flows with the other pressure law's factors, all else equal."""
    flows = [point.flow_m3_s for point in test.points]
    if made(test, "test-pressure") is None:
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
    line = made(test, "bore")
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

    def residuals(self, figure: Figure) -> tuple[Array, Array]:
        """Return the residuals of ln(figures), shape (cells, figures), and n_h, the harmonic mean of the runs."""
        values = [[port.values(figure) for port in row] for row in self.cells]
        residual = additive_residuals(np.log([[one.value for one in row] for row in values]))
        runs = 1.0 / np.mean([[one.per_run for one in row] for row in values], axis=(0, 1))
        return residual.reshape(len(self.ports), -1), np.asarray(runs)

    def squares(self, figure: Figure) -> Array:
        """Return ``n_h·Σr²`` of the logarithms of figures."""
        residual, runs = self.residuals(figure)
        return np.asarray(runs * np.sum(residual**2, axis=0))


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
        # lifts, residuals (runs, lifts), their degrees of freedom, and x of each port they are of
        groups: list[tuple[Array, Array, int, dict[int, Array]]] = [
            (port.curve.lifts_m[own.held], own.residuals, len(own.residuals) - 1, {id(port): port.slope[own.held] ** 2})
            for port in ports
            for own in port.repeats
            if own.bench in benches
        ]
        if blocks is not None:
            shared = sorted(set.intersection(*(set(port.curve.lifts_m.tolist()) for port in blocks.ports)))
            if shared:
                left, runs = blocks.residuals(AtLifts(tuple(shared)))
                at = {id(port): port.slope_at(shared) ** 2 for port in blocks.ports}
                groups.append((np.array(shared), np.sqrt(runs) * left, blocks.freedom, at))
        squares: dict[int, float] = {}
        freedoms: dict[int, float] = {}
        slopes: dict[int, dict[int, float]] = {}
        sums = np.zeros(5)  # ν_R, Σ of squared run means, Σ of squares about them, Σ(runs − 1)·J, Σ(runs − 1)(J − 1)
        for lifts, residuals, nu, x in groups:
            count, means = len(lifts), residuals.mean(axis=1)
            about = residuals - means[:, np.newaxis]
            sums += [nu, np.sum(means**2), np.sum(about**2), nu * count, nu * (count - 1)]
            own_squares = np.sum((about if within else residuals) ** 2, axis=0)
            for index, key in enumerate(np.round(lifts * 1e6).astype(int).tolist()):
                squares[key] = squares.get(key, 0.0) + float(own_squares[index])
                freedoms[key] = freedoms.get(key, 0.0) + (nu * (1.0 - 1.0 / count) if within else nu)
                slopes.setdefault(key, {}).update((port, float(own[index])) for port, own in x.items())
        freedom, between, scatter, slots, within_freedom = sums.tolist()
        rows = [key for key in squares if freedoms[key] > 0]
        if not rows or (within and not within_freedom):
            return None
        cap = within_freedom
        if not within:
            v_b, v_w = between / freedom, scatter / slots
            below = v_b**2 / freedom + (v_w**2 / within_freedom if within_freedom else 0.0)
            cap = (v_b + v_w) ** 2 / below if below and within_freedom else freedom
        fitted = gamma_regression(
            np.array([squares[key] for key in rows]),
            np.array([freedoms[key] for key in rows]),
            np.array([np.mean(list(slopes[key].values())) for key in rows]),
        )
        return cls(*fitted, freedom=freedom, cap=cap, within=within)

    def at(self, weights: Array, x: Array) -> tuple[Array, Array]:
        """Return u_rep² and its degrees of freedom for Σ weight·v(x), both of shape (L,).

        Notes
        -----
        ``ν = 2·u_rep⁴/var(u_rep²)``, at most Satterthwaite's, at least ν_R (+ ν_P); of that and of the
        latter the weighted harmonic mean ``1/(¾/ν + ¼/(ν_R + ν_P))``, since Satterthwaite's is itself
        estimated. Residuals less their run's mean: at most ν_w, nothing else.
        """
        gradient = np.stack([weights.sum(axis=0), (weights * x).sum(axis=0)])
        variance = self.constant * gradient[0] + self.per_slope * gradient[1]
        spread = np.einsum("il,ij,jl->l", gradient, self.covariance, gradient)
        with np.errstate(divide="ignore", invalid="ignore"):
            known = np.where(spread > 0.0, 2.0 * variance**2 / spread, self.cap)
        known = np.minimum(known, self.cap)
        if self.within:
            return variance, known
        return variance, 1.0 / (0.75 / np.maximum(known, self.freedom) + 0.25 / self.freedom)


def gamma_regression(sums: Array, freedom: Array, x: Array) -> tuple[float, float, Array]:
    """Return c, u_L² and their covariance of ``v = c + u_L²·x``, from sums of squares with degrees of freedom.

    Notes
    -----
    Gamma likelihood with identity link (McCullagh & Nelder, Generalized Linear Models, 2nd ed. 1989, ch. 8): mean
    squares are gamma distributed about v with ν/2. Profiled over the level: ``v = m(t)·[(1 − t) + t·x/x̄]``, the t in
    [0, 0.99] where ``Σν·ln v`` is least, by the roots of its derivative.
    """
    from scipy.optimize import brentq

    squares, total = sums / freedom, float(freedom.sum())
    mean_x, level = float(freedom @ x) / total, float(freedom @ squares) / total
    if len(x) < 3 or level <= 0.0 or np.ptp(x) <= 1e-9 * mean_x:
        return level, 0.0, np.array([[2.0 * level**2 / total, 0.0], [0.0, 0.0]])
    ratio = x / mean_x

    def rise(t: float) -> float:
        """Return the derivative of Σν·ln v by t."""
        h = 1.0 - t + t * ratio
        m = freedom @ (squares / h)
        return float(freedom @ ((ratio - 1.0) / h) - total * (freedom @ (squares * (ratio - 1.0) / h**2)) / m)

    def depth(t: float) -> float:
        """Return Σν·ln v."""
        h = 1.0 - t + t * ratio
        return float(freedom @ np.log(h) + total * math.log(freedom @ (squares / h)))

    grid = np.linspace(0.0, 0.99, 100)
    rises = np.array([rise(float(t)) for t in grid])
    turns = np.flatnonzero((rises[:-1] < 0.0) & (rises[1:] >= 0.0))
    t = min([0.0, 0.99, *(float(brentq(rise, *grid[at : at + 2], xtol=1e-13)) for at in turns)], key=depth)
    h = 1.0 - t + t * ratio
    m = float(freedom @ (squares / h)) / total
    design = np.stack([np.ones_like(x), ratio])
    information = (design * (0.5 * freedom / (m * h) ** 2)) @ design.T
    scale = np.diag([1.0, 1.0 / mean_x])
    return m * (1.0 - t), m * t / mean_x, scale @ np.linalg.inv(information) @ scale
