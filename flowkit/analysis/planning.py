"""What to flow next: how many repeats a gain needs, and which extra test tells changes apart."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice, pairwise, permutations

from flowkit.analysis.curves import SideVariant, side_variants
from flowkit.analysis.gains import find_corners, what_changed
from flowkit.analysis.lifts import AreaMethod
from flowkit.analysis.propagation import Component, combine, student_t
from flowkit.analysis.results import Comparison, Repeatability
from flowkit.analysis.runs import sessions_of, why_not_assessed
from flowkit.analysis.sentences import REMEDIES, listed
from flowkit.analysis.uncertainty import Budget, budget_of, port_noise
from flowkit.errors import FlowkitError
from flowkit.model import Bench, Finding, Reference, Side, Variant

__all__ = [
    "MOST_RUNS",
    "ExtraTest",
    "Plan",
    "RepeatPlan",
    "check_aim",
    "plan",
    "plan_repeats",
    "power_of",
    "smallest_effect",
    "untangle",
]


def power_of(
    effect: float, uncertainty: float, degrees_of_freedom: float = math.inf, probability: float = 0.95
) -> float:
    """Return the chance that an interval excludes zero when there is an effect.

    Parameters
    ----------
    effect : float
        True effect, such as the logarithm of a flow ratio [-].
    uncertainty : float
        Standard uncertainty of what is measured of it, same unit as `effect`.
    degrees_of_freedom : float, optional
        Of that uncertainty; infinite where it is known [-].
    probability : float, optional
        Coverage probability of the interval [-].

    Returns
    -------
    float
        From 1 − `probability` (no effect) to 1.

    Notes
    -----
    Power of the two-sided t test: Student's distribution with the non-centrality
    ``effect/uncertainty`` (Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd
    ed. 1988, ch. 2; NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.2.2).

    Examples
    --------
    >>> round(power_of(2.8, 1.0), 2)
    0.8
    >>> round(power_of(0.0, 1.0, 7.0), 2)
    0.05
    """
    if uncertainty <= 0.0:
        return 1.0 if effect else 1.0 - probability
    from scipy.special import ndtr

    shift, border = abs(effect) / uncertainty, student_t(degrees_of_freedom, probability)
    if math.isinf(degrees_of_freedom) or degrees_of_freedom > 1e6:
        return float(ndtr(shift - border) + ndtr(-shift - border))
    from scipy.stats import nct

    # Both tails as upper ones: below, the series of the non-central t loses itself far out.
    return float(nct.sf(border, degrees_of_freedom, shift) + nct.sf(border, degrees_of_freedom, -shift))


def smallest_effect(
    uncertainty: float, degrees_of_freedom: float = math.inf, power: float = 0.8, probability: float = 0.95
) -> float:
    """Return the smallest effect that is resolved with a given chance.

    Parameters
    ----------
    uncertainty : float
        Standard uncertainty of what is measured.
    degrees_of_freedom : float, optional
        Of that uncertainty [-].
    power : float, optional
        The chance, above 1 − `probability` and below 1 [-].
    probability : float, optional
        Coverage probability of the interval [-].

    Returns
    -------
    float
        Same unit as `uncertainty`.

    Notes
    -----
    Inverse of `power_of`, by halving.

    Examples
    --------
    >>> round(smallest_effect(1.0), 2)
    2.8
    """
    if uncertainty <= 0.0:
        return 0.0
    low, high = 0.0, 1.0
    while power_of(high, 1.0, degrees_of_freedom, probability) < power:
        low, high = high, 2.0 * high
    for _ in range(60):
        middle = (low + high) / 2.0
        if power_of(middle, 1.0, degrees_of_freedom, probability) < power:
            low = middle
        else:
            high = middle
    return high * uncertainty


MOST_RUNS = 50
"""More runs of every port than this are not worth planning."""


@dataclass(frozen=True, slots=True)
class RepeatPlan:
    """How many runs of every port a gain in mean flow needs to be resolved.

    Attributes
    ----------
    side : {"intake", "exhaust"}
    from_, to : str or None
        The two states; `to` is None for work that is still to be done.
    gain, power : float
        The size of gain, and the chance to resolve it [-].
    ports : tuple of str
        The ports it is about.
    runs_now : tuple of two int
        Fewest runs of any of them in each state.
    power_now : float or None
        Chance to resolve the gain with the tests there are [-].
    smallest_gain_now : float or None
        Smallest gain the tests there are resolve with `power` [-].
    runs_needed : int or None
        Runs of every port in both states; None where no number up to `MOST_RUNS` is enough.
    power_then : float or None
        Chance with that many [-].
    smallest_gain_ever : float or None
        Smallest gain that any number of runs could resolve with `power`, because of what
        repeats do not reduce [-].
    limited_by : tuple of str
        What that is: "lift setting", "drift", "pressure reading", "pressure law".
    not_planned_because : str or None
    """

    side: Side
    from_: str
    to: str | None
    gain: float
    power: float
    ports: tuple[str, ...]
    runs_now: tuple[int, int]
    power_now: float | None = None
    smallest_gain_now: float | None = None
    runs_needed: int | None = None
    power_then: float | None = None
    smallest_gain_ever: float | None = None
    limited_by: tuple[str, ...] = ()
    not_planned_because: str | None = None

    def sentences(self) -> tuple[str, ...]:
        """Return the plan in words."""
        step = f"{self.side.capitalize()}, {self.from_!r} → " + (repr(self.to) if self.to else "the next state")
        if self.not_planned_because or self.smallest_gain_now is None:
            return (f"{step}: {(self.not_planned_because or '').removeprefix('Not assessed: ')}",)
        smallest, aim = _told_apart(self.smallest_gain_now, self.gain)
        now = f"as it is, a gain of {smallest} would be resolved with a chance of {100 * self.power:.0f} %"
        wanted = f"{step}: a gain of {aim}"
        if self.runs_needed is None:
            if self.smallest_gain_ever is not None and self.smallest_gain_ever >= self.gain:
                ever = f"{listed(self.limited_by)} alone can hide a gain below {_percent(self.smallest_gain_ever)}"
                remedy = REMEDIES[self.limited_by[0]]
                return (f"{wanted} cannot be resolved by repeating runs, since {ever}; {remedy} ({now}).",)
            return (f"{wanted} needs more than {MOST_RUNS} runs of every port ({now}).",)
        if self.runs_needed <= min(self.runs_now):
            return (f"{wanted} needs no further runs ({now}).",)
        times = {1: "once", 2: "twice"}.get(self.runs_needed, f"{self.runs_needed} times")
        runs = f"{self.runs_now[0]} and {self.runs_now[1]}" if self.to else f"{self.runs_now[0]}"
        return (f"{wanted} needs every port flowed {times} in both states ({runs} now; {now}).",)


def _percent(fraction: float, digits: int = 1) -> str:
    """Write a fraction in percent; one that would round to nothing with its first figure."""
    text = f"{100 * fraction:.{digits}f}"
    return f"{text if float(text) else f'{100 * fraction:.1g}'} %"


def _told_apart(one: float, other: float) -> tuple[str, str]:
    """Write two fractions in percent, with so many decimals that they do not look the same."""
    for digits in (1, 2, 3):
        if _percent(one, digits) != _percent(other, digits):
            break
    return _percent(one, digits), _percent(other, digits)


def check_aim(gain: float, power: float) -> None:
    """Refuse a gain or a power that cannot be.

    Parameters
    ----------
    gain, power : float
        [-]

    Raises
    ------
    FlowkitError
        If the gain is not above zero, or the power not between 5 % and 100 %.

    Examples
    --------
    >>> check_aim(0.01, 1.0)
    Traceback (most recent call last):
    ...
    flowkit.errors.FlowkitError: the chance to resolve a gain must lie between 5 % and 100 %; give it such as 80 %.
    """
    if not (math.isfinite(gain) and gain > 0.0):
        raise FlowkitError("a gain to be resolved must be above zero", "give it in percent, such as 1 %")
    if not 0.05 < power < 1.0:
        raise FlowkitError("the chance to resolve a gain must lie between 5 % and 100 %", "give it such as 80 %")


def plan_repeats(
    variants: Sequence[SideVariant],
    range_m: tuple[float, float],
    reference: Reference,
    bench: Bench,
    repeatability: Repeatability,
    *,
    gain: float,
    power: float = 0.8,
    method: AreaMethod = "pchip",
) -> tuple[RepeatPlan, ...]:
    """Return for each step of one side how many runs a gain in mean flow needs.

    Parameters
    ----------
    variants : sequence of SideVariant
        In the job's order; with one alone the next state is taken to be flowed on the same
        ports in another session.
    range_m : tuple of two floats
        The side's common range [m].
    reference : Reference
    bench : Bench
    repeatability : Repeatability
    gain : float
        [-]
    power : float, optional
        [-]
    method : {"pchip", "trapezoid"}, optional

    Returns
    -------
    tuple of RepeatPlan

    Raises
    ------
    FlowkitError
        If gain or power cannot be.

    Notes
    -----
    The standard uncertainty of ``ln(1 + g)`` in mean flow, to first order (JCGM 100:2008): of
    each port ``W²·(s_b²/n + Σa²·s_w²/n + Σ(∂M/∂Q·dQ/dL·u_L/M)²)``, W the port's share of the
    sum of the mean flows M and ``a = ∂M/∂Q·Q/M`` a point's share of its port's; then session
    and pressure law as for the intervals. More runs add their degrees of freedom. The power is
    that of the two-sided t test, see `flowkit.analysis.planning.power_of`.

    Examples
    --------
    >>> plan_repeats((), (0.001, 0.010), Reference(), Bench(), Repeatability(None, None, "none"), gain=0.01)
    ()
    """
    check_aim(gain, power)
    sessions = sessions_of(test for variant in variants for curve in variant.ports for test in curve.tests)
    noise = {
        variant.name: {curve.port: port_noise(curve, sessions, reference, bench) for curve in variant.ports}
        for variant in variants
    }
    names = [variant.name for variant in variants]
    steps: list[tuple[str, str | None]] = list(pairwise(names)) if len(names) > 1 else [(name, None) for name in names]
    plans = []
    for before, after in steps:
        other = noise[after] if after else noise[before]
        common = tuple(port for port in noise[before] if port in other)
        sides = [[ports[name] for name in common or ports] for ports in (noise[before], other)]
        budget = budget_of(sides, range_m, repeatability, bench, method, same=after is None)
        step = RepeatPlan(variants[0].side, before, after, gain, power, common, budget.runs_now())
        plans.append(_planned(step, budget, repeatability))
    return tuple(plans)


def _planned(step: RepeatPlan, budget: Budget, repeatability: Repeatability) -> RepeatPlan:
    """Return a step with what its gain needs."""
    known = repeatability.degrees_of_freedom
    if known is None or repeatability.s_r is None:
        return replace(step, not_planned_because=why_not_assessed(repeatability))

    def chance(repeats: float, freedom: float) -> float:
        """Return the chance of resolving the gain with so many repeats."""
        return power_of(math.log1p(step.gain), *_whole(repeats, budget.kept, freedom))

    now = chance(budget.now, known)
    needed = min(budget.runs_now()) if now >= step.power else None
    then = now if needed else None
    for runs in range(1, MOST_RUNS + 1) if needed is None else ():
        then = chance(budget.one_run / runs, known + budget.added(runs))
        if then >= step.power:
            needed = runs
            break
    kept = {name: variance for name, variance in budget.fixed.items() if variance > 0.1 * budget.kept}
    return replace(
        step,
        power_now=now,
        smallest_gain_now=math.expm1(smallest_effect(*_whole(budget.now, budget.kept, known), step.power)),
        runs_needed=needed,
        power_then=then if needed else None,
        smallest_gain_ever=math.expm1(smallest_effect(math.sqrt(budget.kept), math.inf, step.power)),
        limited_by=tuple(sorted(kept, key=lambda name: -kept[name])),
    )


def _whole(repeats: float, kept: float, freedom: float) -> tuple[float, float]:
    """Return the standard uncertainty and its degrees of freedom from both kinds of variances."""
    combined = combine((Component("repeats", math.sqrt(repeats), 1.0, freedom), Component("kept", math.sqrt(kept))))
    return combined.uncertainty, combined.degrees_of_freedom


State = Mapping[str, str]
ORDERS = 720
"""Orders of the changes that are looked through; all of them up to six factors."""


@dataclass(frozen=True, slots=True)
class ExtraTest:
    """What would remove the confounding of one step.

    Attributes
    ----------
    from_, to : str
        Names of the two variants.
    factors : tuple of str
        What changed together.
    unknown : tuple of str
        What is declared in one of them only, so that nothing can be planned.
    states : tuple of mapping
        The states to test, in order: one for two factors, one less than the factors for more.
        The first alone already separates one factor from the rest.
    already_tested : tuple of str
        Variants that are such a state already and only need to be compared with.
    completes : tuple of tuple of two str
        Pairs of factors of which all four corners are known with these tests.
    otherwise : mapping or None
        For two factors the other state that would do as well.
    """

    from_: str
    to: str
    factors: tuple[str, ...]
    unknown: tuple[str, ...]
    states: tuple[State, ...]
    already_tested: tuple[str, ...]
    completes: tuple[tuple[str, str], ...]
    otherwise: State | None

    def sentences(self) -> tuple[str, ...]:
        """Return what to do, in words."""
        step = f"{self.from_!r} → {self.to!r}"
        if self.unknown:
            known = listed(self.unknown)
            return (f"{step}: {known} not declared in both states; declare them in the job to know what changed.",)
        together = f"{step}: {listed(self.factors)} changed together, so the gain belongs to all of them."
        if not self.states:
            through = listed([repr(name) for name in self.already_tested])
            return (f"{together} No extra test is needed: {through} lies between the two, compare through it.",)
        words = [together, self._to_test()]
        if self.completes:
            pairs = listed([f"{one} × {other}" for one, other in self.completes])
            words.append(f"This also completes the four corners of {pairs}, so that their interaction is known.")
        return (" ".join(words),)

    def advice(self, side: str) -> str | None:
        """Return the next test in one clause, None where there is none to make.

        Parameters
        ----------
        side : str
            Where it is to be flowed.
        """
        if not self.states:
            return None
        which = "" if len(self.states) == 1 else f", the first of {len(self.states)} tests"
        return f"flow the {side} with {_described(self.states[0])}{which}, to tell {listed(self.factors)} apart"

    def _to_test(self) -> str:
        """Say which states to test."""
        first = _described(self.states[0])
        other = f" (or with {_described(self.otherwise)})" if self.otherwise is not None else ""
        if len(self.states) == 1:
            return f"One extra test tells them apart: the head with {first}{other}."
        rest = "; then ".join(_described(state) for state in self.states[1:])
        return f"{len(self.states)} extra tests tell them apart: the head with {first}; then {rest}."


def untangle(states: Sequence[tuple[str, State]]) -> tuple[ExtraTest, ...]:
    """Return for each step with several changes the tests that would tell them apart.

    Parameters
    ----------
    states : sequence of (str, mapping)
        Name and state (factor → level) of each variant of one side, in the job's order.

    Returns
    -------
    tuple of ExtraTest
        None for a step with one change or none. Of the orders in which the changes could have
        been made, the one with the fewest new tests, then with the most pairs of factors of
        which all four corners become known, then as declared.

    Notes
    -----
    One factor at a time between the two states; two-level factorial where the corners allow
    (Box, Hunter & Hunter, Statistics for Experimenters, 2nd ed. 2005, ch. 5).

    Examples
    --------
    >>> before, after = {"ports": "as cast", "seats": "worn"}, {"ports": "blended", "seats": "recut"}
    >>> extra, = untangle([("as received", before), ("ported", after)])
    >>> dict(extra.states[0])
    {'ports': 'blended', 'seats': 'worn'}
    >>> untangle([("as received", before), ("cut", before | {"seats": "recut"}), ("ported", after)])
    ()
    """
    found = []
    for (name, before), (other, after) in pairwise(states):
        change = what_changed(before, after)
        if change.unknown:
            found.append(ExtraTest(name, other, change.changed, change.unknown, (), (), (), None))
        elif len(change.changed) > 1:
            found.append(_separate(states, (name, before), (other, after), change.changed))
    return tuple(found)


def _separate(
    states: Sequence[tuple[str, State]],
    before: tuple[str, State],
    after: tuple[str, State],
    factors: tuple[str, ...],
) -> ExtraTest:
    """Return the best way from one state to the other, one factor at a time."""
    tested = [state for _, state in states]
    ways: list[tuple[int, int, int, list[State], list[State]]] = []
    for order in islice(permutations(factors), ORDERS):
        way = _between(before[1], after[1], order)
        new = [state for state in way if _name_of(state, states) is None]
        ways.append((len(new), -len(_completed(tested, new)), len(ways), new, way))
    *_, new, way = min(ways, key=lambda entry: entry[:3])
    otherwise = None
    if len(factors) == 2 and new:
        otherwise = next(state for _, _, _, _, (state,) in ways if state != way[0])
    return ExtraTest(
        from_=before[0],
        to=after[0],
        factors=factors,
        unknown=(),
        states=tuple(new),
        already_tested=tuple(name for state in way if (name := _name_of(state, states)) is not None),
        completes=_completed(tested, new),
        otherwise=otherwise,
    )


def _between(before: State, after: State, order: Sequence[str]) -> list[State]:
    """Return the states between two, changing one factor after the other."""
    way: list[State] = []
    state = dict(before)
    for factor in order[:-1]:
        state = {**state, factor: after[factor]}
        way.append(state)
    return way


def _name_of(state: State, states: Sequence[tuple[str, State]]) -> str | None:
    """Return the first variant that is in a state."""
    return next((name for name, other in states if what_changed(state, other).nothing), None)


def _completed(tested: Sequence[State], new: Sequence[State]) -> tuple[tuple[str, str], ...]:
    """Return the pairs of factors of which all four corners become known by new states."""
    known = {(corners.factors, corners.places) for corners in find_corners(tested)}
    every = find_corners([*tested, *new])
    return tuple(dict.fromkeys(item.factors for item in every if (item.factors, item.places) not in known))


def _described(state: State) -> str:
    """Return a state in words."""
    return listed([f"{factor} {level!r}" for factor, level in state.items()])


@dataclass(frozen=True, slots=True)
class Plan:
    """What to flow next.

    Attributes
    ----------
    gain, power : float
        The gain that is to be resolved, and with what chance [-].
    repeatability : Repeatability
    repeats : tuple of RepeatPlan
    extra_tests : mapping
        Side to a tuple of ExtraTest.
    sentences : tuple of str
        All of it in words.
    findings : tuple of Finding
        What was doubtful in the comparison it is drawn from.
    """

    gain: float
    power: float
    repeatability: Repeatability
    repeats: tuple[RepeatPlan, ...]
    extra_tests: Mapping[Side, tuple[ExtraTest, ...]]
    sentences: tuple[str, ...]
    findings: tuple[Finding, ...] = ()

    def to_json(self, *, indent: int | None = None) -> str:
        """Return the plan as one JSON document of kind ``"plan"``."""
        from flowkit.output import document, jsonable

        return document("plan", jsonable(self), indent=indent)


def plan(
    comparison: Comparison,
    variants: Sequence[Variant],
    gain: float,
    power: float = 0.8,
    *,
    bench: Bench | None = None,
) -> Plan:
    """Plan repeats and extra tests for the variants of a comparison.

    Parameters
    ----------
    comparison : Comparison
    variants : sequence of Variant
        What it was computed from.
    gain : float
        The size of a gain in mean flow that is to be resolved, above zero [-].
    power : float, optional
        The chance to resolve it, between 0.05 and 1 [-].
    bench : Bench, optional
        Standard uncertainties of drift, lift setting and pressure reading.

    Returns
    -------
    Plan

    Raises
    ------
    FlowkitError
        If gain or power cannot be.

    Notes
    -----
    See `flowkit.analysis.planning.plan_repeats` and `flowkit.analysis.planning.untangle`.

    Examples
    --------
    >>> from flowkit.corrections import reference_state
    >>> nothing = Comparison(reference_state(Reference()), {}, (), Repeatability(None, None, "none"))
    >>> plan(nothing, (), 0.01).sentences
    ()
    """
    check_aim(gain, power)
    repeats: list[RepeatPlan] = []
    extra: dict[Side, tuple[ExtraTest, ...]] = {}
    for side, result in comparison.sides.items():
        chosen = side_variants(variants, side)
        repeats += plan_repeats(
            chosen,
            result.range_m,
            Reference(pressure_pa=comparison.reference.pressure_pa),
            bench or Bench(),
            comparison.repeatability,
            gain=gain,
            power=power,
            method=comparison.area_method,
        )
        extra[side] = untangle([(variant.name, variant.state) for variant in chosen])
    words = [sentence for item in repeats for sentence in item.sentences()]
    for side, tests in extra.items():
        words += [f"{side.capitalize()}, {sentence}" for test in tests for sentence in test.sentences()]
    return Plan(
        gain, power, comparison.repeatability, tuple(repeats), extra, tuple(dict.fromkeys(words)), comparison.findings
    )
