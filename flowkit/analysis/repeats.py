"""How many repeated runs a gain needs to be resolved."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from flowkit.analysis.budget import Budget, budget_of
from flowkit.analysis.curves import SideVariant
from flowkit.analysis.lifts import AreaMethod
from flowkit.analysis.noise import port_noise
from flowkit.analysis.phrases import REMEDIES, listed
from flowkit.analysis.power import power_of, smallest_effect
from flowkit.analysis.propagation import Component, combine
from flowkit.analysis.repeatability import why_not_assessed
from flowkit.analysis.results import Repeatability
from flowkit.analysis.sessions import sessions_of
from flowkit.errors import FlowkitError
from flowkit.model import Bench, Reference, Side

__all__ = ["MOST_RUNS", "RepeatPlan", "check_aim", "plan_repeats"]

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
    that of the two-sided t test, see `flowkit.analysis.power.power_of`.

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
