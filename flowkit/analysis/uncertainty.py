"""The uncertainty of flows, gains and their like: the GUM (JCGM 100:2008) in closed form, no random draws.

Every figure is a contrast of ports: gains take the state after with +1 and the state before with −1, a main effect
±½, a state's own flow +1. What enters ln(ratio) is added by variance; the choice between models is no random
variable and widens the interval as a bound, added linearly (GUM F.2.4.5).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.curves import Benches, Session, SideVariant, copies
from flowkit.analysis.lifts import AreaMethod
from flowkit.analysis.results import Bound, Repeatability, Terms
from flowkit.analysis.scatter import AtLifts, Blocks, Figure, LiftScatter, Means, Metric, PortRuns, Values
from flowkit.model import Bench, CorrectedTest, Reference, Side

__all__ = ["Assessor", "Contrast", "Drift", "Estimate", "History", "KnownTerm", "Reading", "plate_of", "with_history"]


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


Array = NDArray[np.float64]
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

    Returns
    -------
    s_squared, freedom : float
        ``(ν_h'·s_h² + ν_R·s_M²)/(ν_h' + ν_R)`` with ``ν_h' = min(ν_h, 8)``.
    used : bool
        False where ``s_M²/s_h² > F_0.95(ν_R, ν_h)``: the bench is worse than its history, which is left out.

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
class Reading:
    """How one test enters ln(ratio): k of each of its points, for every figure.

    Attributes
    ----------
    test : CorrectedTest
    session : Session
    k : array, shape (figures, points)
        ``±W_p·a_j`` shared among the readings of the lift; + after, − before.
    """

    test: CorrectedTest
    session: Session
    k: Array


KnownTerm = Callable[[Sequence[Reading], "Drift"], Mapping[str, Array]]
"""Further known terms: variances of ln(ratio) by name, shape (figures,), from the readings and the sessions."""


@dataclass(frozen=True, slots=True, eq=False)
class Contrast:
    """A contrast of ports.

    Attributes
    ----------
    figure : Figure
    ports : tuple of PortRuns
    weight : array, shape (ports, figures)
        The state's factor times the port's share W of the state's sum.
    """

    figure: Figure
    ports: tuple[PortRuns, ...]
    weight: Array

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

    def by_test(self) -> list[tuple[PortRuns, int, Array]]:
        """Return for each test its port, its index there and its k, shape (figures,)."""
        return [
            (port, index, weight * share)
            for port, weight, own in zip(self.ports, self.weight, self.values, strict=True)
            for index, share in enumerate(own.test_share.T)
        ]

    def by_session(self) -> dict[Session, Array]:
        """Return c_s = Σ k over the runs of each session."""
        sums: dict[Session, Array] = {}
        for port, index, k in self.by_test():
            session = port.sessions[index]
            sums[session] = sums[session] + k if session in sums else k
        return sums

    def pressures(self) -> dict[Session, float]:
        """Return ΔP_s: the mean over each session's tests of their mean test pressures [Pa]."""
        found: dict[Session, list[float]] = {}
        for port in self.ports:
            for session, test in zip(port.sessions, port.tests, strict=True):
                own = [point.pressure_pa for point in test.points if point.pressure_pa]
                if own:
                    found.setdefault(session, []).append(sum(own) / len(own))
        return {session: sum(values) / len(values) for session, values in found.items()}

    def readings(self) -> list[Reading]:
        """Return how each point enters, for terms of a kind not known here."""
        found = []
        for port, weight, own in zip(self.ports, self.weight, self.values, strict=True):
            for index, test in enumerate(port.tests):
                at = port.at[index]
                counts = np.bincount(at, minlength=len(port.curve.lifts_m))
                k = weight[:, np.newaxis] * (own.a * port.share[:, index] / np.maximum(counts, 1))[:, at]
                found.append(Reading(test, port.sessions[index], k))
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """Whether the sessions of a contrast differ, and what accounts for the bench's drift between them.

    Attributes
    ----------
    differ : bool
    by : {"check plates", "stated", "untouched"} or None
        None where nothing does, or nothing has to.
    sessions : tuple of Session
        Those that differ, in order.
    measured : float
        Gain of what was not touched, after over before − 1.
    repeats, steps : float
        Of what was not touched: ``ΣW²/n`` and its resolution, both states.
    """

    differ: bool = False
    by: str | None = None
    sessions: tuple[Session, ...] = ()
    measured: float = 0.0
    repeats: float = 0.0
    steps: float = 0.0

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
    history: bool = False


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


@dataclass(frozen=True, slots=True)
class Estimate:
    """A gain with its interval; everything from `u` on is None where it was not assessed."""

    gain: float
    bounds: tuple[Bound, ...] = ()
    u: float | None = None
    nu_eff: float | None = None
    low: float | None = None
    high: float | None = None
    terms: Terms | None = None

    @property
    def below(self) -> float:
        """By how much the bounds widen the interval below."""
        return sum(bound.low for bound in self.bounds)

    @property
    def above(self) -> float:
        """By how much the bounds widen the interval above."""
        return sum(bound.high for bound in self.bounds)

    @property
    def u95(self) -> float | None:
        """The longer arm."""
        if self.low is None or self.high is None:
            return None
        return max(self.gain - self.low, self.high - self.gain)

    def interval(self, probability: float) -> tuple[float, float]:
        """Return the two-sided interval of a probability, widened by the bounds."""
        assert self.u is not None  # asked only where assessed
        arm = (1.0 + self.gain) * student_t(self.nu_eff or math.inf, probability) * self.u if self.u else 0.0
        return self.gain - arm - self.below, self.gain + arm + self.above

    def excludes_zero(self, probability: float = 0.95) -> bool | None:
        """Tell whether the interval of a probability leaves out zero; None where not assessed."""
        if self.u is None:
            return None
        low, high = self.interval(probability)
        return low > 0.0 or high < 0.0

    @property
    def at_least(self) -> float | None:
        """The end nearer to zero of a one-sided interval, 95 % sure."""
        if self.u is None:
            return None
        low, high = self.interval(0.90)
        return low if self.gain > 0 else high

    @property
    def smallest_resolvable(self) -> float | None:
        """The smallest gain that these data find with a chance of 80 %."""
        if self.u is None:
            return None
        return found_shift(self.nu_eff or math.inf) * self.u + max(self.below, self.above)


@dataclass(eq=False)
class Assessor:
    """Everything that the uncertainty of one comparison is worked out from.

    Attributes
    ----------
    sides : mapping
        Side to its variants.
    ranges : mapping
        Side to the range of lifts of its headline [m].
    """

    sides: Mapping[Side, Sequence[SideVariant]]
    ranges: Mapping[Side, tuple[float, float]]
    reference: Reference
    bench: Bench
    method: AreaMethod = "pchip"
    history: History | None = None
    known_terms: Sequence[KnownTerm] = ()
    benches: Benches = field(init=False)
    headline: Means = field(init=False)
    ports: dict[Side, tuple[dict[str, PortRuns], ...]] = field(init=False)
    history_left_out: bool = field(init=False, default=False)

    def __post_init__(self) -> None:
        tests = [
            test for side in self.sides.values() for state in side for curve in state.ports for test in curve.tests
        ]
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
        self._blocks: dict[object, Blocks | None] = {}
        self._lifts: dict[object, LiftScatter | None] = {}
        self._runs: dict[object, tuple[Array, Array]] = {}
        self._plates: dict[frozenset[str], tuple[float, int]] = {}
        self.history_left_out = self._worse_than_history()

    # -- scatter -------------------------------------------------------------------------------------------------

    def run_variance(self, figure: Figure, benches: frozenset[str]) -> tuple[Array, Array]:
        """Return Σz² and ν_R of a figure over every repeated port of both sides on these benches."""
        key = (figure.key, benches)
        if key not in self._runs:
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
            self._runs[key] = (squares, freedom)
        return self._runs[key]

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

        squares, freedom = (float(value[0]) for value in self.run_variance(self.headline, benches))
        if not self.bench.repeatability or freedom <= 0:
            return None
        if squares / self.bench.repeatability**2 <= float(chdtri(freedom, 0.01)):
            return None
        return math.sqrt(squares / freedom), freedom

    def blocks(self, side: Side, benches: frozenset[str], pair: tuple[int, int] | None = None) -> Blocks | None:
        """Return the ports that can serve as blocks: three or more in all states of the side, or in those of a gain."""
        key = (side, benches, pair)
        if key not in self._blocks:
            every = self._on(side, benches, range(len(self.ports[side])))
            if every is None and pair is not None:
                every = self._on(side, benches, pair)
            self._blocks[key] = every
        return self._blocks[key]

    def _on(self, side: Side, benches: frozenset[str], states: Sequence[int]) -> Blocks | None:
        """Return the ports flowed on these benches in all of some states, where there are enough."""
        rows = [
            {
                name: port
                for name, port in self.ports[side][index].items()
                if port.benches <= benches and not port.copied
            }
            for index in states
            if any(port.benches & benches for port in self.ports[side][index].values())
        ]
        names = [name for name in rows[0] if all(name in row for row in rows)] if rows else []
        if len(rows) < 2 or len(names) < 3:
            return None
        return Blocks(tuple(tuple(row[name] for name in names) for row in rows))

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
        benches = frozenset().union(*(port.benches for port in self._all)) if self._all else frozenset()
        if self.history is None or self.stated(benches) is not None:
            return False
        squares, freedom = (float(value[0]) for value in self.run_variance(self.headline, benches))
        if freedom <= 2.0:
            joined = [blocks for side in self.sides if (blocks := self.blocks(side, benches)) is not None]
            squares += sum(float(blocks.squares(self.headline)[0]) for blocks in joined)
            freedom += sum(blocks.freedom for blocks in joined)
        return freedom > 0 and not with_history(squares / freedom, freedom, self.history)[2]

    def _with_history(self, own: Scatter) -> Scatter:
        """Join what the records know of the bench, unless the job's repeats, or this figure's, are worse than that."""
        if self.history is None or self.history_left_out:
            return own
        rows = [
            with_history(float(v), float(nu), self.history) for v, nu in zip(own.variance, own.freedom, strict=True)
        ]
        used = rows[0][2]
        basis = own.basis
        if used:
            basis = f"{basis}+history" if basis else "history"
        return Scatter(np.array([row[0] for row in rows]), np.array([row[1] for row in rows]), basis, used)

    def lift_scatter(
        self, benches: frozenset[str], blocks: Blocks | None, *, within: bool = False
    ) -> LiftScatter | None:
        """Return the variance function at one lift."""
        freedom = sum(
            len(group.residuals) - 1 for port in self._all for group in port.repeats if group.bench in benches
        )
        if freedom > 2 or self.stated(benches) is not None:
            blocks = None
        key = (benches, None if blocks is None else id(blocks), within)
        if key not in self._lifts:
            self._lifts[key] = LiftScatter.of(self._all, benches, blocks, within=within)
        return self._lifts[key]

    def plate_scatter(self, benches: frozenset[str]) -> tuple[float, int]:
        """Return s_w² and ν_c from distinct readings of one plate in one session."""
        if benches not in self._plates:
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
            self._plates[benches] = (squares / freedom if freedom else 0.0, freedom)
        return self._plates[benches]

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
        shares = {session: float(c[0]) for session, c in contrast.by_session().items()}
        differing = tuple(sorted(session for session, c in shares.items() if abs(c) > SESSIONS_DIFFER))
        if not differing:
            return Drift()
        plates: dict[Session, bool] = {}
        for port, index, _ in contrast.by_test():
            session = port.sessions[index]
            plates[session] = plates.get(session, True) and plate_of(port.tests[index]) is not None
        if all(plates[session] for session in differing):
            return Drift(True, "check plates", differing)
        if self.bench.drift:
            return Drift(True, "stated", differing)
        if untouched is None:
            return Drift(True, None, differing)
        values = [own.value[0] for own in untouched.values]
        after = sum(v for v, w in zip(values, untouched.weight, strict=True) if w[0] > 0)
        before = sum(v for v, w in zip(values, untouched.weight, strict=True) if w[0] < 0)
        per_run = np.array([own.per_run[0] for own in untouched.values])
        steps = np.array([own.steps[0] for own in untouched.values])
        squared = untouched.weight[:, 0] ** 2
        return Drift(
            True, "untouched", differing, float(after / before - 1.0), float(squared @ per_run), float(squared @ steps)
        )

    def spread(self, contrast: Contrast, drift: Drift, blocks: Blocks | None) -> Spread:
        """Return everything that is uncertain about ln(ratio) of a contrast."""
        benches = contrast.benches
        figure = contrast.figure
        values = contrast.values
        squared = contrast.weight**2
        repeats = squared * np.array([own.per_run for own in values])
        stated = self.stated(benches)
        # the mean flow's scatter is what an untouched port, and a check plate, count with
        common = float(self.scatter(self.headline, benches, blocks).variance[0])
        if isinstance(figure, AtLifts):
            variance, freedom, basis = self._at_lifts(contrast, repeats, benches, blocks)
        else:
            own_scatter = self.scatter(figure, benches, blocks)
            size = (squared.shape[1],)
            freedom, basis = np.broadcast_to(own_scatter.freedom, size), own_scatter.basis
            variance = own_scatter.variance * repeats.sum(axis=0)
        squared_degree = contrast.degree**2
        variance = variance + common * drift.repeats * squared_degree
        known = {"resolution": np.einsum("pl,pl->l", squared, np.array([own.steps for own in values]))}
        known["resolution"] = known["resolution"] + drift.steps * squared_degree
        if stated is not None and self.bench.lift_setting_m:
            setting = np.einsum("pl,pl->l", squared, np.array([own.setting for own in values]))
            known["lift_setting"] = self.bench.lift_setting_m**2 * setting
        known |= self._session_terms(contrast, drift)
        plates, plate_freedom = self._plate_terms(contrast, benches)
        if not plate_freedom:
            variance, plates = variance + common * plates, np.zeros_like(plates)
        for term in self.known_terms:
            known |= {f"meter {name}": value for name, value in term(contrast.readings(), drift).items()}
        return Spread(variance, np.asarray(freedom), plates, plate_freedom, known, basis, drift.unknown)

    def _at_lifts(
        self, contrast: Contrast, repeats: Array, benches: frozenset[str], blocks: Blocks | None
    ) -> tuple[Array, Array, str | None]:
        """Return u_rep² and its degrees of freedom at lifts, by the variance function."""
        assert isinstance(contrast.figure, AtLifts)
        size = repeats.shape[1]
        stated = self.stated(benches)
        if stated is not None:
            return stated**2 * repeats.sum(axis=0), np.full(size, math.inf), "stated"
        fitted = self.lift_scatter(benches, blocks)
        if fitted is None:
            variance, freedom = np.zeros(size), np.zeros(size)
        else:
            x = np.array([port.slope_at(contrast.figure.lifts_m) ** 2 for port in contrast.ports])
            variance, freedom = fitted.at(repeats, x)
        if self.history is not None and not self.history_left_out:
            sums = repeats.sum(axis=0)
            own = self._with_history(Scatter(variance / sums, freedom, None))
            variance, freedom = own.variance * sums, own.freedom
        return variance, freedom, None

    def _session_terms(self, contrast: Contrast, drift: Drift) -> dict[str, Array]:
        """Return the variances that come with sessions: the bench's drift and the reading of the test pressure."""
        if not drift.differ:
            return {}
        sums = contrast.by_session()
        terms = {}
        if drift.by == "stated":
            terms["drift"] = (self.bench.drift or 0.0) ** 2 * sum(c**2 for c in sums.values())
        if self.bench.pressure_reading_pa:
            at = contrast.pressures()
            each = [(c / at.get(session, self.reference.pressure_pa)) ** 2 for session, c in sums.items()]
            terms["pressure_reading"] = (0.5 * self.bench.pressure_reading_pa) ** 2 * sum(each)
        return {name: np.asarray(value) for name, value in terms.items()}

    def _plate_terms(self, contrast: Contrast, benches: frozenset[str]) -> tuple[Array, int]:
        """Return s_w²·Σc_k² and ν_c; with ν_c = 0 the sum alone, to be taken with s_M²."""
        sums: dict[tuple[Session, float, float], Array] = {}
        for port, index, k in contrast.by_test():
            plate = plate_of(port.tests[index])
            if plate is not None:
                key = (port.sessions[index], plate[0], plate[1])
                sums[key] = sums[key] + k if key in sums else k
        total = np.zeros(contrast.weight.shape[1]) + sum(c**2 for c in sums.values())
        variance, freedom = self.plate_scatter(benches)
        return (variance * total if freedom else total), freedom

    # -- figures -------------------------------------------------------------------------------------------------

    def estimates(self, contrast: Contrast, spread: Spread, drift: Drift) -> list[Estimate]:
        """Return the gains of a contrast of two states with their intervals."""
        gains = [_ratio(contrast, which) - 1.0 for which in ("value", "law", "without_bore")]
        effective, total, assessed = spread.effective(), spread.total, spread.assessed
        found = []
        measured = (1.0 + drift.measured) ** contrast.degree
        for index in range(contrast.weight.shape[1]):
            gain, law, bare = (float(each[index]) for each in gains)
            moved = (1.0 + gain) / measured - 1.0
            bounds = [
                Bound("pressure-law", max(gain - law, 0.0), max(law - gain, 0.0)),
                Bound("bore-model", abs(gain - bare), abs(gain - bare)),
                Bound("drift", max(gain - moved, 0.0), max(moved - gain, 0.0)),
            ]
            own = Estimate(gain, tuple(bound for bound in bounds if max(bound.low, bound.high) >= LISTED))
            if assessed[index]:
                own = replace(own, u=math.sqrt(total[index]), nu_eff=float(effective[index]), terms=spread.terms(index))
                low, high = own.interval(0.95)
                own = replace(own, low=low, high=high)
            found.append(own)
        return found

    def relative(self, spread: Spread) -> list[float | None]:
        """Return ``t95·u`` of every figure, None where not assessed."""
        return [
            float(student_t(nu) * math.sqrt(u2)) if known else None
            for known, nu, u2 in zip(spread.assessed, spread.effective(), spread.total, strict=True)
        ]

    def port_spread(self, side: Side, state: int) -> float | None:
        """Return what the spread of a state's ports is uncertain by, relative to their mean.

        Notes
        -----
        ``q_0.95(P, ν_eff)·u``, ``u² = s_M²·mean(1/n_p)`` + the mean of the ports' own terms: Tukey's studentised
        range, in Kramer's form for unequal runs.
        """
        ports = tuple(self.ports[side][state].values())
        own = Contrast(self.headline, ports, np.full((len(ports), 1), 1.0 / math.sqrt(len(ports))))
        alone = self.spread(own, Drift(), self.blocks(side, own.benches))
        if len(ports) < 2 or not alone.assessed[0]:
            return None
        # a check plate, read once a session, moves all ports together
        repeats = self.scatter(self.headline, own.benches, self.blocks(side, own.benches)).variance[0] * float(
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
        values = contrast.values
        squared = contrast.weight**2
        x = np.array([port.slope_at(lifts) ** 2 for port in contrast.ports])
        variance, freedom = fitted.at(squared * np.array([own.per_run for own in values]), x)
        variance = variance + np.einsum("pl,pl->l", squared, np.array([own.steps for own in values]))
        logs = np.log(_ratio(contrast, "value")) if logs is None else logs
        first, second = np.triu_indices(len(lifts), 1)
        nu = np.minimum(freedom[first], freedom[second])
        level = 1.0 - 0.05 / len(first)
        border = np.array([student_t(float(each), level) for each in nu])
        beyond = np.abs(logs[second] - logs[first]) - border * np.sqrt(variance[first] + variance[second])
        return bool(np.any(beyond > 1e-12))

    def repeatability(self) -> Repeatability:
        """Return the scatter of a run's mean flow over all the benches of the comparison, for the summary."""
        benches = frozenset().union(*(port.benches for port in self._all)) if self._all else frozenset()
        side = next((side for side in self.sides if self.blocks(side, benches) is not None), None)
        blocks = self.blocks(side, benches) if side else None
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
            runs_degrees_of_freedom=float(self.run_variance(self.headline, benches)[1][0]),
            lift_setting_m=math.sqrt(fitted.per_slope) if fitted is not None and fitted.per_slope > 0 else None,
            stated=self.bench.repeatability,
        )


def plate_of(test: CorrectedTest) -> tuple[float, float, float] | None:
    """Return a test's plate, its reading and the reading over the nominal as corrected with; None without."""
    line = next((line for line in test.ledger if line.correction == "check-plate" and line.factor), None)
    conditions = test.conditions
    if (
        line is None
        or not line.factor
        or conditions.check_nominal_m3_s is None
        or conditions.check_reading_m3_s is None
    ):
        return None
    nominal, reading = (
        float(f"{value:.9e}") for value in (conditions.check_nominal_m3_s, conditions.check_reading_m3_s)
    )
    return nominal, reading, 1.0 / line.factor[0]


def _ratio(contrast: Contrast, which: str) -> Array:
    """Return the mean after over the mean before."""
    values = np.array([getattr(own, which) for own in contrast.values])
    after = contrast.weight[:, 0] > 0
    return np.asarray(values[after].mean(axis=0) / values[~after].mean(axis=0))
