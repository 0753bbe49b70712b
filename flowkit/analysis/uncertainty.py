"""The uncertainty of flows, gains and their like: the GUM (JCGM 100:2008) in closed form, no random draws.

Every figure is a contrast of ports: gains take the state after with +1 and the state before with −1, a main effect
±½, a state's own flow +1. What enters ln(ratio) is added by variance; the choice between models is no random
variable and widens the interval as a bound, added linearly (GUM F.2.4.5).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.curves import Array, Benches, Session, SideVariant, copies
from flowkit.analysis.lifts import AreaMethod
from flowkit.analysis.results import Bound, Repeatability, Terms
from flowkit.analysis.scatter import AtLifts, Blocks, Figure, LiftScatter, Means, Metric, PortRuns, Values, made
from flowkit.model import Bench, CorrectedTest, K, Reference, Side, grouped

__all__ = ["Assessor", "Contrast", "Drift", "Estimate", "History", "plate_of", "with_history"]
T = TypeVar("T")


def student_t(degrees_of_freedom: float, probability: float = 0.95) -> float:
    """Return the coverage factor of Student's distribution, two-sided.

    Notes
    -----
    Source: JCGM 100:2008, annex G.3 and table G.2.

    Examples
    --------
    >>> round(student_t(16, 0.99), 2)
    2.92
    >>> round(student_t(float("inf")), 3)
    1.96
    """
    if not degrees_of_freedom > 0.0:
        raise ValueError("degrees of freedom must be above zero")
    if not 0.0 < probability < 1.0:
        raise ValueError("a coverage probability lies between 0 and 1")
    from scipy.special import betaincinv, ndtri

    if math.isinf(degrees_of_freedom):
        return float(ndtri(0.5 + probability / 2.0))
    # By the incomplete beta function: scipy's own quantile of t was exact to 2e-9 only in older versions.
    outside = float(betaincinv(degrees_of_freedom / 2.0, 0.5, 1.0 - probability))
    if outside < 0.5:
        return math.sqrt(degrees_of_freedom * (1.0 - outside) / outside)
    inside = float(betaincinv(0.5, degrees_of_freedom / 2.0, probability))
    return math.sqrt(degrees_of_freedom * inside / (1.0 - inside))


def effective_degrees_of_freedom(variances: Sequence[ArrayLike], freedoms: Sequence[ArrayLike]) -> NDArray[np.float64]:
    """Return the effective degrees of freedom of independent parts together.

    Notes
    -----
    Welch–Satterthwaite, JCGM 100:2008, equation (G.2b).

    Examples
    --------
    >>> float(effective_degrees_of_freedom([0.25**2, 0.57**2, 0.82**2], [9, 4, 14]).round(1))
    19.0
    """
    parts = [np.asarray(variance, dtype=float) for variance in variances]
    with np.errstate(divide="ignore", invalid="ignore"):
        below = sum(
            np.where(part > 0.0, part**2 / np.asarray(freedom, dtype=float), 0.0)
            for part, freedom in zip(parts, freedoms, strict=True)
        )
        return np.asarray(np.where(below > 0.0, sum(parts) ** 2 / below, math.inf))


@lru_cache(maxsize=4)
def _gauss_legendre(order: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return nodes and weights on [-1, 1]; to find them takes longer than all that is done with them."""
    nodes, weights = np.polynomial.legendre.leggauss(order)
    nodes.flags.writeable = weights.flags.writeable = False
    return nodes, weights


def _deviations(degrees_of_freedom: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return nodes and weights for s/σ, the root of χ²/ν: Gauss–Legendre in its probability."""
    from scipy.special import chdtri

    if math.isinf(degrees_of_freedom) or degrees_of_freedom > 1e7:
        return np.ones(1), np.ones(1)
    nodes, weights = _gauss_legendre(96)
    # u = sin² maps the ends of the probability, where the root of χ² is steep, apart.
    angle = (nodes + 1.0) * np.pi / 4.0
    weight = weights * np.pi / 4.0 * np.sin(2.0 * angle)
    return np.sqrt(chdtri(degrees_of_freedom, np.cos(angle) ** 2) / degrees_of_freedom), weight


def t_test_power(shift: float, degrees_of_freedom: float, probability: float = 0.95) -> float:
    """Return the chance that a two-sided t test finds an effect.

    Notes
    -----
    Non-central Student's t, both tails, integrated over the distribution of s/σ.

    Examples
    --------
    >>> round(t_test_power(2.8, float("inf")), 2), round(t_test_power(0.0, 4.0), 2)
    (0.8, 0.05)
    """
    from scipy.special import ndtr

    s, weight = _deviations(degrees_of_freedom)
    border = student_t(degrees_of_freedom, probability) * s
    return float(weight @ (ndtr(shift - border) + ndtr(-shift - border)))


@lru_cache(maxsize=512)
def found_shift(degrees_of_freedom: float, power: float = 0.8, probability: float = 0.95) -> float:
    """Return the non-centrality that a two-sided t test finds with a given chance: k80 and its like."""
    from scipy.optimize import brentq

    top = 2.0 * student_t(degrees_of_freedom, probability) + 10.0
    while t_test_power(top, degrees_of_freedom, probability) < power:
        top *= 2.0
    return float(
        brentq(lambda shift: t_test_power(shift, degrees_of_freedom, probability) - power, 0.0, top, xtol=1e-10)
    )


def half_width_factor(degrees_of_freedom: float) -> float:
    """Return the expected half width of a 95 % interval over σ: t95·E(s)/σ.

    Notes
    -----
    ``E(s)/σ = sqrt(2/ν)·Γ((ν + 1)/2)/Γ(ν/2)``, of a normal sample's standard deviation.

    Examples
    --------
    >>> [round(half_width_factor(nu), 1) for nu in (1.0, 2.0, 3.0, 4.0, 8.0)]
    [10.1, 3.8, 2.9, 2.6, 2.2]
    """
    if math.isinf(degrees_of_freedom):
        return student_t(degrees_of_freedom)
    half = degrees_of_freedom / 2.0
    mean = math.exp(math.lgamma(half + 0.5) - math.lgamma(half)) / math.sqrt(half)
    return student_t(degrees_of_freedom) * mean


@lru_cache(maxsize=512)
def studentized_range(groups: int, degrees_of_freedom: float, probability: float = 0.95) -> float:
    """Return the quantile of the studentised range of several means, Tukey's q.

    Notes
    -----
    ``P(range ≤ q·s)``, the range of normal means integrated over the distribution of s/σ. Here and
    not scipy.stats, whose import alone takes as long as a comparison; compared with it in the tests.
    NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.7.1.

    Examples
    --------
    >>> round(studentized_range(4, 20.0), 2), round(studentized_range(2, float("inf")), 3)
    (3.96, 2.772)
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr

    if groups == 2:
        return math.sqrt(2.0) * student_t(degrees_of_freedom, probability)
    s, weight = _deviations(degrees_of_freedom)
    z, dz = _gauss_legendre(80)
    z, dz = 8.0 * z, 8.0 * dz
    density = groups * dz * np.exp(-z * z / 2.0) / math.sqrt(2.0 * math.pi)

    def chance(q: float) -> float:
        """Return the chance that the range is at most q·s."""
        inside = ndtr(z[:, np.newaxis] + q * s) - ndtr(z)[:, np.newaxis]
        return float(density @ inside ** (groups - 1) @ weight)

    top = 10.0
    while chance(top) < probability:
        top *= 2.0
    return float(brentq(lambda q: chance(q) - probability, 1e-6, top, xtol=1e-10))


SESSIONS_DIFFER = 0.02
"""Share of a session in ln(ratio) of the mean flow from which sessions differ."""
LISTED = 1e-9
"""Smallest bound worth listing."""
MOST_HISTORY = 8.0
"""Most degrees of freedom that the bench's history counts with."""


@dataclass(frozen=True, slots=True)
class History:
    """What the records know of a bench: the relative standard deviation of a run, and its degrees of freedom."""

    s: float
    degrees_of_freedom: float


def with_history(s_squared: float, freedom: float, history: History) -> tuple[float, float, bool]:
    """Return variance and degrees of freedom of a run with the bench's history, and whether it was used.

    Parameters
    ----------
    s_squared, freedom : float
        Of the job's own repeats; freedom 0 where there are none.
    history : History
        Left out where ``s_M²/s_h² > F_0.95(ν_R, ν_h)``: the bench is worse than its history. Otherwise the variance is
        ``(ν_h'·s_h² + ν_R·s_M²)/(ν_h' + ν_R)`` with ``ν_h' = min(ν_h, 8)``.

    References
    ----------
    Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) 3 (a prior variance with its degrees of freedom).

    Examples
    --------
    >>> with_history(0.005**2, 1.0, History(0.004, 40.0))
    (1.7e-05, 9.0, True)
    >>> with_history(0.02**2, 3.0, History(0.004, 40.0))[2]
    False
    """
    from scipy.special import fdtri

    if freedom > 0 and s_squared / history.s**2 > float(fdtri(freedom, history.degrees_of_freedom, 0.95)):
        return s_squared, freedom, False
    known = min(history.degrees_of_freedom, MOST_HISTORY)
    return (known * history.s**2 + freedom * s_squared) / (known + freedom), known + freedom, True


@dataclass(frozen=True, slots=True, eq=False)
class Contrast:
    """A contrast of ports."""

    figure: Figure
    ports: tuple[PortRuns, ...]
    weight: Array  # the state's factor times the port's share W of the state's sum, shape (ports, figures)

    @property
    def values(self) -> list[Values]:
        """The figures of each port."""
        return [port.values(self.figure) for port in self.ports]

    @property
    def benches(self) -> frozenset[str]:
        """The benches it was flowed on."""
        return frozenset().union(*(port.benches for port in self.ports))

    @property
    def degree(self) -> float:
        """By which power of all flows together the figure goes: 1 but for a metric."""
        if not isinstance(self.figure, Metric):
            return 1.0
        each = [float(own.a[0].sum()) for own in self.values]
        after = self.weight[:, 0] > 0
        return float(np.average(np.array(each)[after], weights=self.weight[after, 0]))

    def total(self, name: str) -> Array:
        """Return ``ΣW²·x``, shape (figures,), of one of its ports' `Values`."""
        own = np.array([getattr(values, name) for values in self.values])
        return np.asarray(np.einsum("pl,pl->l", self.weight**2, own))

    def ratio(self, name: str = "value") -> Array:
        """Return the mean after over the mean before."""
        values, after = np.array([getattr(own, name) for own in self.values]), self.weight[:, 0] > 0
        return np.asarray(values[after].mean(axis=0) / values[~after].mean(axis=0))

    def by_test(self) -> list[tuple[PortRuns, int, Array]]:
        """Return for each test its port, its index there and its k, shape (figures,)."""
        return [
            (port, index, weight * share)
            for port, weight, own in zip(self.ports, self.weight, self.values, strict=True)
            for index, share in enumerate(own.test_share.T)
        ]

    def by_session(self) -> dict[Session, Array]:
        """Return c_s = Σ k over the runs of each session."""
        return summed((port.sessions[index], k) for port, index, k in self.by_test())

    def pressures(self) -> dict[Session, float]:
        """Return ΔP_s: the mean over each session's tests of their mean test pressures [Pa]."""
        known = (
            (session, [point.pressure_pa for point in test.points if point.pressure_pa])
            for port in self.ports
            for session, test in zip(port.sessions, port.tests, strict=True)
        )
        means = grouped((session, sum(own) / len(own)) for session, own in known if own)
        return {session: sum(values) / len(values) for session, values in means.items()}


def summed(pairs: Iterable[tuple[K, Array]]) -> dict[K, Array]:
    """Add up arrays by their key."""
    return {key: sum(own[1:], own[0]) for key, own in grouped(pairs).items()}


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """Whether the sessions of a contrast differ, and what accounts for the bench's drift between them."""

    differ: bool = False
    by: Literal["check plates", "stated", "untouched"] | None = None  # None where nothing does, or nothing has to
    sessions: tuple[Session, ...] = ()  # those that differ, in order
    measured: float = 0.0  # gain of what was not touched, after over before − 1
    repeats: float = 0.0  # of what was not touched: ΣW²/n, both states
    steps: float = 0.0  # and its resolution

    @property
    def unknown(self) -> bool:
        """Sessions differ and nothing accounts for it."""
        return self.differ and self.by is None


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """The variance of a run of a curve figure, shape (figures,), with its degrees of freedom and what it rests on."""

    variance: Array
    freedom: Array
    basis: str | None


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """What is uncertain about a contrast: variances of ln(ratio), shape (figures,)."""

    repeats: Array
    freedom: Array
    plates: Array
    plate_freedom: float
    known: Mapping[str, Array]
    basis: str | None
    drift_unknown: bool

    @property
    def assessed(self) -> NDArray[np.bool_]:
        """Where there is anything that repeatability is known from."""
        return self.freedom > 0

    @property
    def total(self) -> Array:
        """u²."""
        return np.asarray(self.repeats + self.plates + sum(self.known.values()))

    def effective(self) -> Array:
        """Return ν_eff, never rounded."""
        parts = (self.repeats, self.plates, self.total - self.repeats - self.plates)
        return effective_degrees_of_freedom(parts, (self.freedom, self.plate_freedom or math.inf, math.inf))

    def relative(self) -> list[float | None]:
        """Return ``t95·u`` of every figure, None where not assessed."""
        return [
            float(student_t(nu) * math.sqrt(u2)) if known else None
            for known, nu, u2 in zip(self.assessed, self.effective(), self.total, strict=True)
        ]

    def terms(self, index: int) -> Terms:
        """Return the standard uncertainties of one figure."""
        parts = {name: math.sqrt(max(float(value[index]), 0.0)) for name, value in self.known.items()}
        return Terms(
            repeatability=math.sqrt(float(self.repeats[index])),
            lift_setting=parts.pop("lift_setting", 0.0),
            check_plate=math.sqrt(float(self.plates[index])),
            drift=None if self.drift_unknown else parts.pop("drift", 0.0),
            pressure_reading=parts.pop("pressure_reading", 0.0),
            resolution=parts.pop("resolution", 0.0),
            meter=math.sqrt(sum(value * value for value in parts.values())) if parts else None,
        )


@dataclass(frozen=True)
class Estimate:
    """A gain with its interval; everything from `u` on is None where it was not assessed."""

    gain: float
    bounds: tuple[Bound, ...] = ()
    u: float | None = None
    nu_eff: float | None = None
    terms: Terms | None = None

    @property
    def below(self) -> float:
        """By how much the bounds widen the interval below."""
        return sum(bound.low for bound in self.bounds)

    @property
    def above(self) -> float:
        """By how much the bounds widen the interval above."""
        return sum(bound.high for bound in self.bounds)

    def interval(self, probability: float) -> tuple[float, float]:
        """Return the two-sided interval of a probability, widened by the bounds."""
        assert self.u is not None  # asked only where assessed
        arm = (1.0 + self.gain) * student_t(self.nu_eff or math.inf, probability) * self.u if self.u else 0.0
        return self.gain - arm - self.below, self.gain + arm + self.above

    @cached_property
    def ends(self) -> dict[str, float | None]:
        """The 95 % interval: its longer arm `u95`, `low` and `high`."""
        if self.u is None:
            return {"u95": None, "low": None, "high": None}
        low, high = self.interval(0.95)
        return {"u95": max(self.gain - low, high - self.gain), "low": low, "high": high}

    @property
    def u95(self) -> float | None:
        """The longer arm."""
        return self.ends["u95"]

    def excludes_zero(self, probability: float = 0.95) -> bool | None:
        """Tell whether the interval of a probability leaves out zero; None where not assessed."""
        if self.u is None:
            return None
        low, high = self.interval(probability)
        return low > 0.0 or high < 0.0

    @property
    def at_least(self) -> float | None:
        """The end nearer to zero of a one-sided interval, 95 % sure."""
        return None if self.u is None else self.interval(0.90)[self.gain <= 0]

    @property
    def smallest_resolvable(self) -> float | None:
        """The smallest gain that these data find with a chance of 80 %."""
        if self.u is None:
            return None
        return found_shift(self.nu_eff or math.inf) * self.u + max(self.below, self.above)


@dataclass(eq=False)
class Assessor:
    """Everything that the uncertainty of one comparison is worked out from."""

    sides: Mapping[Side, Sequence[SideVariant]]
    ranges: Mapping[Side, tuple[float, float]]  # of lifts of the headline [m]
    reference: Reference
    bench: Bench
    method: AreaMethod = "pchip"
    history: History | None = None
    benches: Benches = field(init=False)
    headline: Means = field(init=False)
    ports: dict[Side, tuple[dict[str, PortRuns], ...]] = field(init=False)
    history_left_out: bool = field(init=False, default=False)

    def __post_init__(self) -> None:
        states = [state for side in self.sides.values() for state in side]
        tests = [test for state in states for curve in state.ports for test in curve.tests]
        self.benches = Benches.of(tests)
        self.headline = Means({side: (limits,) for side, limits in self.ranges.items()}, self.method)
        copied = frozenset(id(test) for group in copies(tests) for test in group)
        self.ports = {
            side: tuple(
                {curve.port: PortRuns(curve, self.benches, self.reference, copied) for curve in state.ports}
                for state in states
            )
            for side, states in self.sides.items()
        }
        self._all = [port for states in self.ports.values() for state in states for port in state.values()]
        self._known: dict[object, Any] = {}
        self.history_left_out = self._worse_than_history()

    def _once(self, key: object, make: Callable[[], T]) -> T:
        """Return what was worked out before under a key, or work it out."""
        if key not in self._known:
            self._known[key] = make()
        return self._known[key]  # type: ignore[no-any-return]

    # -- scatter -------------------------------------------------------------------------------------------------

    @property
    def every_bench(self) -> frozenset[str]:
        """All the benches of the comparison."""
        return frozenset().union(*(port.benches for port in self._all))

    def run_variance(self, figure: Figure, benches: frozenset[str]) -> tuple[Array, Array]:
        """Return Σz² and ν_R of a figure over every repeated port of both sides on these benches.

        A repeated run counts where it holds at least half of the figure.
        """

        def summed_up() -> tuple[Array, Array]:
            """Sum over the groups of repeated runs."""
            squares = freedom = np.zeros(1)
            for port in self._all:
                groups = [group for group in port.repeats if group.bench in benches]
                values = port.figure(figure) if groups else None
                for group in groups if values is not None else ():
                    assert values is not None
                    share = values.size[:, group.held].sum(axis=1)
                    divisor = np.where(share == 0.0, 1.0, share)[:, np.newaxis]
                    z = values.a[:, group.held] @ group.residuals.T / divisor
                    whole = values.size.sum(axis=1) if isinstance(figure, Metric) else 1.0
                    counts = (share >= 0.5 * whole) & (share > 0.0)
                    squares = squares + np.where(counts, np.sum(z**2, axis=1), 0.0)
                    freedom = freedom + np.where(counts, len(group.residuals) - 1.0, 0.0)
            return squares, freedom

        return self._once(("runs", figure.key, benches), summed_up)

    def repeats_of_mean_flow(self, benches: frozenset[str]) -> tuple[float, float]:
        """Return Σz² and ν_R of the mean flow."""
        squares, freedom = self.run_variance(self.headline, benches)
        return float(squares[0]), float(freedom[0])

    def stated(self, benches: frozenset[str]) -> float | None:
        """Return the stated repeatability, where the repeats on these benches do not contradict it."""
        value = self.bench.repeatability
        return None if value is None or self.understated(benches) is not None else value

    def understated(self, benches: frozenset[str]) -> tuple[float, float] | None:
        """Return the standard deviation of the repeats and its degrees of freedom where it contradicts what is stated.

        Notes
        -----
        ``s_M²/stated² > χ²_0.99(ν_R)/ν_R``.
        """
        from scipy.special import chdtri

        squares, freedom = self.repeats_of_mean_flow(benches)
        if not self.bench.repeatability or freedom <= 0:
            return None
        if squares / self.bench.repeatability**2 <= float(chdtri(freedom, 0.01)):
            return None
        return math.sqrt(squares / freedom), freedom

    def blocks(self, side: Side, benches: frozenset[str], pair: tuple[int, int] | None = None) -> Blocks | None:
        """Return the ports that can serve as blocks: three or more in all states of the side, or in those of a gain."""

        def flowed_in(states: Sequence[int]) -> Blocks | None:
            """Return the ports flowed on these benches in all of some states, where there are enough."""
            own = [self.ports[side][index] for index in states]
            rows = [
                {name: port for name, port in state.items() if port.benches <= benches and not port.copied}
                for state in own
                if any(port.benches & benches for port in state.values())
            ]
            names = [name for name in rows[0] if all(name in row for row in rows)] if rows else []
            if len(rows) < 2 or len(names) < 3:
                return None
            return Blocks(tuple(tuple(row[name] for name in names) for row in rows))

        every = range(len(self.ports[side]))
        return self._once(
            ("blocks", side, benches, pair), lambda: flowed_in(every) or (flowed_in(pair) if pair else None)
        )

    def scatter(self, figure: Figure, benches: frozenset[str], blocks: Blocks | None) -> Scatter:
        """Return the variance of a run of a curve figure.

        Notes
        -----
        Pooled over ports (ISO 5725-2); a stated value counts wholly as a shift, ν infinite. Ports join as blocks
        where ν_R ≤ 2: ``s_M² ← (ν_R·s_M² + n_h·Σr²)/(ν_R + ν_P)``.
        """
        squares, freedom = self.run_variance(figure, benches)
        stated = self.stated(benches)
        if stated is not None:
            return Scatter(np.full_like(squares, stated**2), np.full_like(freedom, math.inf), "stated")
        joined = freedom <= 2.0
        basis = "runs" if freedom[0] > 0 else None
        if blocks is not None and joined.any():
            squares = squares + np.where(joined, blocks.squares(figure), 0.0)
            freedom = freedom + np.where(joined, float(blocks.freedom), 0.0)
            if joined[0]:
                basis = "runs+ports" if basis else "ports"
        variance = np.where(freedom > 0, squares / np.where(freedom > 0, freedom, 1.0), 0.0)
        return self._with_history(Scatter(variance, freedom, basis))

    def _worse_than_history(self) -> bool:
        """Say whether the job's repeats are worse than the bench's history: one F test, of the mean flow, for the job.

        Each figure tested at 5 % by itself would call up to 18 % of honest jobs worse. Ports join both sides' repeats
        as blocks where ``scatter`` would join them.
        """
        benches = self.every_bench
        if self.history is None or self.stated(benches) is not None:
            return False
        squares, freedom = self.repeats_of_mean_flow(benches)
        if freedom <= 2.0:
            joined = [blocks for side in self.sides if (blocks := self.blocks(side, benches)) is not None]
            squares += sum(float(blocks.squares(self.headline)[0]) for blocks in joined)
            freedom += sum(blocks.freedom for blocks in joined)
        return freedom > 0 and not with_history(squares / freedom, freedom, self.history)[2]

    def _with_history(self, own: Scatter) -> Scatter:
        """Join what the records know of the bench, unless the job's repeats, or this figure's, are worse than that."""
        if self.history is None or self.history_left_out:
            return own
        pairs = zip(own.variance, own.freedom, strict=True)
        variance, freedom, used = zip(
            *(with_history(float(v), float(nu), self.history) for v, nu in pairs), strict=True
        )
        basis = own.basis
        if used[0]:
            basis = f"{basis}+history" if basis else "history"
        return Scatter(np.array(variance), np.array(freedom), basis)

    def lift_scatter(
        self, benches: frozenset[str], blocks: Blocks | None, *, within: bool = False
    ) -> LiftScatter | None:
        """Return the variance function at one lift."""
        freedom = sum(
            len(group.residuals) - 1 for port in self._all for group in port.repeats if group.bench in benches
        )
        if freedom > 2 or self.stated(benches) is not None:
            blocks = None
        return self._once(
            ("lifts", benches, None if blocks is None else id(blocks), within),
            lambda: LiftScatter.of(self._all, benches, blocks, within=within),
        )

    def plate_scatter(self, benches: frozenset[str]) -> tuple[float, int]:
        """Return s_w² and ν_c from distinct readings of one plate in one session."""
        readings: dict[tuple[Session, float], dict[float, float]] = {}
        for port in self._all:
            for session, test in zip(port.sessions, port.tests, strict=True):
                plate = plate_of(test)
                if plate is not None and session.bench in benches:
                    readings.setdefault((session, plate[0]), {})[plate[1]] = plate[2]
        squares, freedom = 0.0, 0
        for group in readings.values():
            mean = sum(group.values()) / len(group)
            squares += sum((value / mean - 1.0) ** 2 for value in group.values())
            freedom += len(group) - 1
        return squares / freedom if freedom else 0.0, freedom

    # -- contrasts -----------------------------------------------------------------------------------------------

    def contrast(
        self, side: Side, parts: Sequence[tuple[int, float, Sequence[str]]], figure: Figure | None = None
    ) -> Contrast:
        """Return a contrast of states: (index, factor, names of its ports; all where none are named)."""
        figure = figure or self.headline
        ports: list[PortRuns] = []
        weights: list[Array] = []
        for index, factor, names in parts:
            own = [port for name, port in self.ports[side][index].items() if not names or name in names]
            values = np.array([port.values(figure).value for port in own])
            ports += own
            weights += list(factor * values / values.sum(axis=0))
        return Contrast(figure, tuple(ports), np.array(weights))

    def drift(self, contrast: Contrast, untouched: Contrast | None = None) -> Drift:
        """Return what accounts for the bench's drift between the sessions of a contrast of mean flows."""
        differing = tuple(
            sorted(session for session, c in contrast.by_session().items() if abs(float(c[0])) > SESSIONS_DIFFER)
        )
        if not differing:
            return Drift()
        tests = [(port.sessions[index], port.tests[index]) for port, index, _ in contrast.by_test()]
        if all(plate_of(test) is not None for session, test in tests if session in differing):
            return Drift(True, "check plates", differing)
        if self.bench.drift:
            return Drift(True, "stated", differing)
        if untouched is None:
            return Drift(True, None, differing)
        values, weight = [own.value[0] for own in untouched.values], untouched.weight[:, 0]
        after, before = (sum(v for v, w in zip(values, weight, strict=True) if w * sign > 0) for sign in (1, -1))
        repeats, steps = (
            float(weight**2 @ np.array([getattr(own, name)[0] for own in untouched.values]))
            for name in ("per_run", "steps")
        )
        return Drift(True, "untouched", differing, float(after / before - 1.0), repeats, steps)

    def spread(self, contrast: Contrast, drift: Drift, blocks: Blocks | None) -> Spread:
        """Return everything that is uncertain about ln(ratio) of a contrast."""
        benches, figure = contrast.benches, contrast.figure
        stated, bench = self.stated(benches), self.bench
        repeats = contrast.weight**2 * np.array([own.per_run for own in contrast.values])
        size = (repeats.shape[1],)
        # the mean flow's scatter is what an untouched port, and a check plate, count with
        common = float(self.scatter(self.headline, benches, blocks).variance[0])
        if isinstance(figure, AtLifts):
            variance, freedom, basis = self._at_lifts(contrast, figure, repeats, blocks)
        else:
            own = self.scatter(figure, benches, blocks)
            variance, freedom, basis = own.variance * repeats.sum(axis=0), np.broadcast_to(own.freedom, size), own.basis
        squared_degree = contrast.degree**2
        variance = variance + common * drift.repeats * squared_degree
        known = {"resolution": contrast.total("steps") + drift.steps * squared_degree}
        if stated is not None and bench.lift_setting_m:
            known["lift_setting"] = bench.lift_setting_m**2 * contrast.total("setting")
        if drift.differ:
            sums = contrast.by_session()
            if drift.by == "stated":
                known["drift"] = np.asarray((bench.drift or 0.0) ** 2 * sum(c**2 for c in sums.values()))
            if bench.pressure_reading_pa:
                at = contrast.pressures()
                each = [(c / at.get(session, self.reference.pressure_pa)) ** 2 for session, c in sums.items()]
                known["pressure_reading"] = np.asarray((0.5 * bench.pressure_reading_pa) ** 2 * sum(each))
        read = ((port.sessions[index], plate_of(port.tests[index]), k) for port, index, k in contrast.by_test())
        plates = np.zeros(size) + sum(
            c**2 for c in summed(((session, *plate[:2]), k) for session, plate, k in read if plate is not None).values()
        )
        plate_variance, plate_freedom = self.plate_scatter(benches)
        if plate_freedom:
            plates = plate_variance * plates
        else:
            variance, plates = variance + common * plates, np.zeros_like(plates)
        known |= meter_terms(contrast, drift)
        return Spread(variance, np.asarray(freedom), plates, plate_freedom, known, basis, drift.unknown)

    def _at_lifts(
        self, contrast: Contrast, figure: AtLifts, repeats: Array, blocks: Blocks | None
    ) -> tuple[Array, Array, str | None]:
        """Return u_rep² and its degrees of freedom at lifts, by the variance function."""
        size, sums = repeats.shape[1], repeats.sum(axis=0)
        stated = self.stated(contrast.benches)
        if stated is not None:
            return stated**2 * sums, np.full(size, math.inf), "stated"
        fitted = self.lift_scatter(contrast.benches, blocks)
        variance, freedom = np.zeros(size), np.zeros(size)
        if fitted is not None:
            x = np.array([port.slope_at(figure.lifts_m) ** 2 for port in contrast.ports])
            variance, freedom = fitted.at(repeats, x)
        if self.history is not None and not self.history_left_out:
            own = self._with_history(Scatter(variance / sums, freedom, None))
            variance, freedom = own.variance * sums, own.freedom
        return variance, freedom, None

    # -- figures -------------------------------------------------------------------------------------------------

    def estimates(self, contrast: Contrast, spread: Spread, drift: Drift) -> list[Estimate]:
        """Return the gains of a contrast of two states with their intervals."""
        gains = [(contrast.ratio(name) - 1.0).tolist() for name in ("value", "law", "without_bore")]
        effective, total, assessed = spread.effective(), spread.total, spread.assessed
        measured = (1.0 + drift.measured) ** contrast.degree
        found = []
        for index, (gain, law, bare) in enumerate(zip(*gains, strict=True)):
            moved = (1.0 + gain) / measured - 1.0
            every = (
                Bound("pressure-law", max(gain - law, 0.0), max(law - gain, 0.0)),
                Bound("bore-model", abs(gain - bare), abs(gain - bare)),
                Bound("drift", max(gain - moved, 0.0), max(moved - gain, 0.0)),
            )
            bounds = tuple(bound for bound in every if max(bound.low, bound.high) >= LISTED)
            known = (math.sqrt(total[index]), float(effective[index]), spread.terms(index)) if assessed[index] else ()
            found.append(Estimate(gain, bounds, *known))
        return found

    def port_spread(self, side: Side, state: int) -> float | None:
        """Return what the spread of a state's ports is uncertain by, relative to their mean.

        Notes
        -----
        ``q_0.95(P, ν_eff)·u``, ``u² = s_M²·mean(1/n_p)`` + the mean of the ports' own terms: Tukey's studentised
        range, in Kramer's form for unequal runs.
        """
        ports = tuple(self.ports[side][state].values())
        own = Contrast(self.headline, ports, np.full((len(ports), 1), 1.0 / math.sqrt(len(ports))))
        blocks = self.blocks(side, own.benches)
        alone = self.spread(own, Drift(), blocks)
        if len(ports) < 2 or not alone.assessed[0]:
            return None
        # a check plate, read once a session, moves all ports together
        repeats = self.scatter(self.headline, own.benches, blocks).variance[0] * float(
            np.mean([value.per_run[0] for value in own.values])
        )
        alone = replace(alone, repeats=np.array([repeats]), plates=np.zeros(1))
        return studentized_range(len(ports), float(alone.effective()[0])) * math.sqrt(float(alone.total[0]))

    def differs_along_lift(self, contrast: Contrast, blocks: Blocks | None, logs: Array | None = None) -> bool | None:
        """Tell whether a contrast differs along the lift; None where the data cannot say.

        Notes
        -----
        The variance function of the residuals less their run's mean; every pair of lifts is compared by Bonferroni's t.
        """
        assert isinstance(contrast.figure, AtLifts)
        fitted = self.lift_scatter(contrast.benches, blocks, within=True)
        lifts = contrast.figure.lifts_m
        if fitted is None or len(lifts) < 2:
            return None
        x = np.array([port.slope_at(lifts) ** 2 for port in contrast.ports])
        variance, freedom = fitted.at(contrast.weight**2 * np.array([own.per_run for own in contrast.values]), x)
        variance = variance + contrast.total("steps")
        logs = np.log(contrast.ratio()) if logs is None else logs
        first, second = np.triu_indices(len(lifts), 1)
        nu = np.minimum(freedom[first], freedom[second])
        level = 1.0 - 0.05 / len(first)
        border = np.array([student_t(float(each), level) for each in nu])
        beyond = np.abs(logs[second] - logs[first]) - border * np.sqrt(variance[first] + variance[second])
        return bool(np.any(beyond > 1e-12))

    def repeatability(self) -> Repeatability:
        """Return the scatter of a run's mean flow over all the benches of the comparison, for the summary."""
        benches = self.every_bench
        blocks = next(filter(None, (self.blocks(side, benches) for side in self.sides)), None)
        own = self.scatter(self.headline, benches, blocks)
        fitted = self.lift_scatter(benches, blocks) if own.basis != "stated" else None
        source = {
            "stated": "stated", "runs": "repeated runs", "ports": "ports", "runs+ports": "repeated runs and ports",
            None: "none",
        }.get(own.basis, "history")  # fmt: skip
        known = own.basis is not None
        return Repeatability(
            s_r=math.sqrt(float(own.variance[0])) if known else None,
            degrees_of_freedom=float(own.freedom[0]) if known else None,
            source=source,  # type: ignore[arg-type]
            runs_degrees_of_freedom=self.repeats_of_mean_flow(benches)[1],
            lift_setting_m=math.sqrt(fitted.per_slope) if fitted is not None and fitted.per_slope > 0 else None,
            stated=self.bench.repeatability,
        )


def plate_of(test: CorrectedTest) -> tuple[float, float, float] | None:
    """Return a test's plate, its reading and the reading over the nominal as corrected with; None without."""
    line, conditions = made(test, "check-plate"), test.conditions
    known = (conditions.check_nominal_m3_s, conditions.check_reading_m3_s)
    if line is None or not line.factor or None in known:
        return None
    nominal, reading = (float(f"{value:.9e}") for value in known)
    return nominal, reading, 1.0 / line.factor[0]


def meter_terms(contrast: Contrast, drift: Drift) -> dict[str, Array]:
    """Return the variances of ln(ratio) that come with meters, by name, shape (figures,).

    Notes
    -----
    Calibration ``Σ_m u_m²·k_m²``, k_m the sum of k over the points read on one bench, meter and range: throughout on
    one meter it is 1 − 1 = 0, so that the calibration cancels. Zero ``Σ_s (Σ k_j·S_j·u_zero/r_j)²``, one error a
    session. Air ``Σ_s (Σ k_j·½·u_air)²`` (1 for ½ with laminar elements and critical nozzles), only where sessions
    differ and no check plates put them right. GUM (JCGM 100:2008) 5.2: what is common is added before it is squared.
    """
    marks = []  # session, mark and k of each point that a meter was read at
    for port, weight, own in zip(contrast.ports, contrast.weight, contrast.values, strict=True):
        for index, test in enumerate(port.tests):
            if any(point.mark for point in test.points):
                at = port.at[index]
                counts = np.bincount(at, minlength=len(port.curve.lifts_m))
                k = weight[:, np.newaxis] * (own.a * port.share[:, index] / np.maximum(counts, 1))[:, at]
                marks += [
                    (port.sessions[index], p.mark, own_k) for p, own_k in zip(test.points, k.T, strict=True) if p.mark
                ]
    if not marks:
        return {}
    parts = [((session.bench, name), u, k * share) for session, mark, k in marks for name, u, share in mark.parts]
    u_of = {key: max(own) for key, own in grouped((key, u) for key, u, _ in parts).items()}
    calibration = summed((key, k) for key, _, k in parts)
    zero = summed((session, k * (m.sensitivity * m.u_zero / m.net if m.net else 0.0)) for session, m, k in marks)
    nothing = np.zeros(contrast.weight.shape[1])
    terms = {
        "meter calibration": sum((u_of[key] ** 2 * k**2 for key, k in calibration.items()), nothing),
        "meter zero": sum((k**2 for k in zero.values()), nothing),
    }
    if drift.differ and drift.by != "check plates":
        air = summed((session, k * mark.u_air) for session, mark, k in marks)
        terms["meter air"] = sum((k**2 for k in air.values()), nothing)
    return terms
