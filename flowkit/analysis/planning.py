"""What to flow next: how many repeats a gain needs, and what of that can still be flowed."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import ClassVar

import numpy as np

from flowkit.analysis.comparison import assessor_of
from flowkit.analysis.curves import common_ports
from flowkit.analysis.gains import WHY_NOT_ASSESSED, ExtraTest, untangle
from flowkit.analysis.results import Comparison, Gain, Repeatability
from flowkit.analysis.sentences import REMEDIES
from flowkit.analysis.uncertainty import Assessor, found_shift, plate_of, t_test_power
from flowkit.errors import FlowkitError
from flowkit.model import Bench, Finding, Reference, Side, Variant
from flowkit.result import Result
from flowkit.wording import listed, percent_at_least

MOST_RUNS = 50
"""More runs of every port than this are not worth planning."""


@dataclass(frozen=True, slots=True)
class RepeatPlan:
    """How many runs of every port a gain in mean flow needs to be proven.

    Attributes
    ----------
    side : {"intake", "exhaust"}
    from_, to : str or None
        The two states; `to` is None for work that is still to be done.
    gain, power : float
        The size of gain, and the chance to prove it [-].
    ports : tuple of str
        The ports it is about.
    runs_now : tuple of two int
        Fewest runs of any of them in each state.
    power_now : float or None
        Chance to prove the gain with the tests there are [-].
    smallest_gain_now : float or None
        Smallest gain the tests there are prove with `power` [-].
    runs_needed : int or None
        Runs of every port in the states that can still be flowed; None where no number up to
        `MOST_RUNS` is enough.
    power_then : float or None
        Chance with that many [-].
    smallest_gain_ever : float or None
        Smallest gain that any number of runs could prove with `power`, because of what
        repeats do not reduce [-].
    limited_by : tuple of str
        What that is: "lift_setting", "drift", "pressure_reading", "resolution", "check_plate" (untouched ports with
        it), or a bound.
    not_planned_because : str or None
    can_be_flowed : tuple of two bool
        Whether each state can still be flowed: of a head that was worked on only the last.
    runs_next_time : int or None
        Runs of every port in both states that would have been enough.
    drift_unknown : bool
        Whether runs alone cannot prove it, since the sessions differ.
    setup_differs : tuple of str
        What else was not the same in both states (bench, operator, …), which no number of runs puts right.
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
    can_be_flowed: tuple[bool, bool] = (True, True)
    runs_next_time: int | None = None
    drift_unknown: bool = False
    setup_differs: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Return the plan in words."""
        step = f"{self.side.capitalize()}, {self.from_!r} → " + (repr(self.to) if self.to else "the next state")
        if self.not_planned_because or self.smallest_gain_now is None:
            return f"{step}: {(self.not_planned_because or '').removeprefix('Not assessed: ')}"
        # two fractions in percent, with so many decimals that they do not look the same
        for digits in (1, 2, 3):
            smallest, aim = (percent_at_least(gain, digits) for gain in (self.smallest_gain_now, self.gain))
            if smallest != aim:
                break
        now = f"as it is, a gain of {smallest} would be proven with a chance of {100 * self.power:.0f} %"
        wanted = f"{step}: a gain of {aim}"
        if self.setup_differs:
            were = "were" if len(self.setup_differs) > 1 else "was"
            return (
                f"{wanted} cannot be proven by any number of runs, since {listed(self.setup_differs)} {were} not the "
                "same in both states; next time flow both on one bench, with the same operator, fixture and fittings."
            )
        does, ever = self._runs(), self.smallest_gain_ever
        if ever is not None and ever >= self.gain:
            limits = listed([re.sub("[_-]", " ", name) for name in self.limited_by]) or "what repeats do not reduce"
            remedy = "measure more precisely"
            if self.limited_by:
                remedy = REMEDIES.get(self.limited_by[0], REMEDIES["meter"])
            does = (
                f"cannot be proven by repeating runs, since {limits} alone can hide a gain below "
                f"{percent_at_least(ever)}; next time {remedy}"
            )
        drift = " Runs alone do not settle whether the bench moved between the sessions: read a check plate in each."
        return f"{wanted} {does} ({now}).{drift if self.drift_unknown else ''}"

    def _runs(self) -> str:
        """Say how many runs, of what can still be flowed."""

        def times(runs: int) -> str:
            """Write a number of times."""
            return {1: "once", 2: "twice"}.get(runs, f"{runs} times")

        next_time = "" if self.runs_next_time is None else (
            f"; next time flow every port {times(self.runs_next_time)} in both states, before the head is cut"
        )  # fmt: skip
        needed = self.runs_needed
        if needed is not None and needed <= self.runs_now[1] and self.to:
            return "needs no further runs"
        if self.to is None:
            if needed is None:
                return f"needs more than {MOST_RUNS} runs of every port"
            have = f"{self.from_!r} now has {self.runs_now[0]}"
            return f"needs every port flowed {times(needed)} now and again after the work ({have})"
        if not any(self.can_be_flowed):
            return f"can no longer be proven by more runs, since neither state can be flowed again{next_time}"
        if needed is not None:
            return (
                f"needs every port of {self.to!r} flowed {times(needed)} ({self.runs_now[1]} now); "
                f"{self.from_!r} can no longer be flowed"
            )
        return f"cannot be reached by more runs of {self.to!r}, and {self.from_!r} can no longer be flowed{next_time}"


def check_aim(gain: float, power: float) -> None:
    """Refuse a gain or a power that cannot be."""
    if not (math.isfinite(gain) and gain > 0.0):
        raise FlowkitError("a gain to be proven must be above zero", "give it in percent, such as 1 %")
    if not 0.05 < power < 1.0:
        raise FlowkitError("the chance to prove a gain must lie between 5 % and 100 %", "give it such as 80 %")


@dataclass(frozen=True, slots=True, eq=False)
class _Budget:
    """What the uncertainty of a step would be with other numbers of runs."""

    s_squared: float
    runs_freedom: float
    blocks_freedom: float
    stated: bool
    squares: tuple[np.ndarray, np.ndarray]
    runs: tuple[np.ndarray, np.ndarray]
    fixed: Mapping[str, float]
    history: float
    bound: float
    shared: float

    @property
    def kept(self) -> float:
        """What repeats do not reduce."""
        return self.shared + sum(self.fixed.values())

    def chance(self, gain: float, runs: Sequence[np.ndarray]) -> tuple[float, float, float]:
        """Return the chance to prove a gain with so many runs, and u and its degrees of freedom then."""
        sums = sum(float(np.sum(squared / own)) for squared, own in zip(self.squares, runs, strict=True))
        variance = self.s_squared * sums + self.shared
        whole = self.s_squared * sums + self.kept
        freedom = math.inf
        if not self.stated:
            added = sum(float(np.sum(own - was)) for own, was in zip(runs, self.runs, strict=True))
            freedom = self.runs_freedom + added + self.history
            if self.runs_freedom + added <= 2.0:
                freedom += self.blocks_freedom
            if freedom < 1.0:
                return 0.05, math.sqrt(whole), 0.0
        effective = freedom * (whole / variance) ** 2 if variance > 0 else math.inf
        u = math.sqrt(whole)
        beyond = max(gain - self.bound, 0.0)
        return (1.0 if u == 0.0 else t_test_power(math.log1p(beyond) / u, effective)), u, effective


def plan_repeats(
    assessor: Assessor, side: Side, *, gain: float, power: float = 0.8, known: Sequence[Gain] = ()
) -> tuple[RepeatPlan, ...]:
    """Return for each step of one side, and for the next one, how many runs a gain in mean flow needs.

    Notes
    -----
    The rule of the intervals (`flowkit.analysis.uncertainty`) with the runs and the degrees of
    freedom that the plan would have; the power is that of the two-sided t test, non-central
    Student's t. The standard deviation is itself an estimate.
    """
    check_aim(gain, power)
    names: list[str | None] = [*(state.name for state in assessor.sides[side]), None]
    measured: dict[tuple[str | None, str | None], Gain] = {(item.from_, item.to): item for item in known}
    return tuple(
        _planned(assessor, side, (at, at + 1 if pair[1] else None), (gain, power), measured.get(pair))
        for at, pair in enumerate(pairwise(names))
    )


def _planned(
    assessor: Assessor, side: Side, index: tuple[int, int | None], aim: tuple[float, float], known: Gain | None
) -> RepeatPlan:
    """Return one step with what its gain needs."""
    (before, after), (gain, power), states = index, aim, assessor.sides[side]
    ports = common_ports([states[before], states[before if after is None else after]])
    budget, drift_unknown = _budget(assessor, side, index, ports, known)
    runs = budget.runs
    step = RepeatPlan(
        side,
        states[before].name,
        None if after is None else states[after].name,
        gain,
        power,
        ports,
        (round(float(runs[0].min())), round(float(runs[1].min()))),
        can_be_flowed=(after is None, after is None or after == len(states) - 1),
        drift_unknown=drift_unknown,
    )
    now, u, freedom = budget.chance(gain, runs)
    if freedom < 1.0:
        return replace(step, not_planned_because=WHY_NOT_ASSESSED)

    def enough(can: tuple[bool, bool]) -> tuple[int | None, float | None]:
        """Return how many runs of every port in the states that can be flowed are enough, and their chance."""
        for count in range(1, MOST_RUNS + 1) if any(can) else ():
            tried = [np.maximum(own, count) if again else own for own, again in zip(runs, can, strict=True)]
            chance = budget.chance(gain, tried)[0]
            if chance >= power:
                return count, chance
        return None, None

    needed, then = (min(step.runs_now), now) if now >= power and after is not None else enough(step.can_be_flowed)
    every = (count for count in range(1, MOST_RUNS + 1) if needed is None)
    alike = ((count, [np.full_like(own, count) for own in runs]) for count in every)
    next_time = next((count for count, tried in alike if budget.chance(gain, tried)[0] >= power), None)
    parts = {**budget.fixed, "check_plate": budget.fixed.get("check_plate", 0.0) + budget.shared}
    kept = {name: variance for name, variance in parts.items() if variance > 0.1 * budget.kept}
    ever = math.expm1(found_shift(math.inf, power) * math.sqrt(budget.kept)) + budget.bound
    if known is not None and budget.bound > 0.5 * ever:
        kept = {max(known.bounds, key=lambda bound: max(bound.low, bound.high)).name: 1.0}
    return replace(
        step,
        power_now=now,
        smallest_gain_now=math.expm1(found_shift(freedom, power) * u) + budget.bound,
        runs_needed=needed,
        power_then=then,
        smallest_gain_ever=ever,
        limited_by=tuple(sorted(kept, key=lambda name: -kept[name])),
        runs_next_time=next_time,
    )


def _budget(
    assessor: Assessor, side: Side, index: tuple[int, int | None], ports: tuple[str, ...], known: Gain | None
) -> tuple[_Budget, bool]:
    """Return what a step's uncertainty is made of, and whether its sessions differ unaccountably.

    The next state is taken to be flowed as this one was, in one other session. What a gain's repeatability holds
    besides the runs (check plates, untouched ports) stays whatever the runs.
    """
    before, after = index
    contrast = assessor.contrast(side, [(before, -1.0, ports), (before if after is None else after, 1.0, ports)])
    drift = assessor.drift(contrast)
    benches = contrast.benches
    blocks = assessor.blocks(side, benches, None if after is None else (before, after))
    spread = assessor.spread(contrast, drift, blocks)
    scatter = assessor.scatter(assessor.headline, benches, blocks)
    fixed = {name: float(value[0]) for name, value in spread.known.items()}
    if spread.plate_freedom:
        fixed["check_plate"] = float(spread.plates[0])
    if after is None:
        fixed["drift"] = 2.0 * (assessor.bench.drift or 0.0) ** 2
        at = list(contrast.pressures().values())
        fixed["pressure_reading"] = 2.0 * (0.5 * (assessor.bench.pressure_reading_pa or 0.0) / (sum(at) / len(at))) ** 2
    squared = contrast.weight[:, 0] ** 2
    one_run, shared = float(scatter.variance[0]), 0.0
    if known is not None and known.terms is not None:
        runs_alone = one_run * float(squared @ [own.per_run[0] for own in contrast.values])
        shared = max(known.terms.repeatability**2 - runs_alone, 0.0)
        shared = shared if shared > 1e-9 * runs_alone else 0.0
    elif after is None and any(plate_of(test) for port in contrast.ports for test in port.tests):
        if spread.plate_freedom:
            fixed["check_plate"] = 2.0 * assessor.plate_scatter(benches)[0]
        else:
            shared = 2.0 * one_run
    after_work = contrast.weight[:, 0] > 0
    runs = np.array([1.0 / own.per_run[0] for own in contrast.values])
    alone, stated = assessor.repeats_of_mean_flow(benches)[1], scatter.basis == "stated"
    own = 0.0 if stated else float(scatter.freedom[0]) - alone
    joined = float(blocks.freedom) if blocks is not None and not stated else 0.0
    budget = _Budget(
        s_squared=one_run,
        runs_freedom=alone,
        blocks_freedom=joined,
        stated=stated,
        squares=(squared[~after_work], squared[after_work]),
        runs=(runs[~after_work], runs[after_work]),
        fixed=fixed,
        history=max(own - (joined if alone <= 2 else 0.0), 0.0),
        shared=shared,
        bound=0.0 if known is None else max(sum(b.low for b in known.bounds), sum(b.high for b in known.bounds)),
    )
    return budget, drift.unknown if known is None else known.drift_unknown


@dataclass(frozen=True, slots=True)
class Plan(Result):
    """What to flow next.

    Attributes
    ----------
    gain, power : float
        The gain that is to be proven, and with what chance [-].
    repeatability : Repeatability
    repeats : tuple of RepeatPlan
    extra_tests : mapping
        Side to a tuple of ExtraTest.
    sentences : tuple of str
        All of it in words.
    findings : tuple of Finding
        What was doubtful in the comparison it is drawn from.
    """

    kind: ClassVar[str] = "plan"
    gain: float
    power: float
    repeatability: Repeatability
    repeats: tuple[RepeatPlan, ...]
    extra_tests: Mapping[Side, tuple[ExtraTest, ...]]
    sentences: tuple[str, ...]
    findings: tuple[Finding, ...] = ()


def plan(
    comparison: Comparison,
    variants: Sequence[Variant],
    gain: float,
    power: float = 0.8,
    *,
    bench: Bench | None = None,
    reference: Reference | None = None,
) -> Plan:
    """Plan repeats and extra tests for the variants of a comparison.

    Notes
    -----
    See `flowkit.analysis.planning.plan_repeats` and `flowkit.analysis.gains.untangle`.

    Examples
    --------
    >>> from flowkit.corrections import reference_state
    >>> nothing = Comparison(reference_state(Reference()), {}, (), Repeatability(None, None, "none"))
    >>> plan(nothing, (), 0.01).sentences
    ()
    """
    check_aim(gain, power)
    reference = reference or Reference(pressure_pa=comparison.reference.pressure_pa)
    assessor = assessor_of(variants, reference, bench or Bench(), comparison.area_method)
    repeats: list[RepeatPlan] = []
    extra: dict[Side, tuple[ExtraTest, ...]] = {}
    for side in comparison.sides if assessor is not None else ():
        assert assessor is not None
        gains = comparison.sides[side].gains
        unlike = {(item.from_, item.to): item.setup_differs for item in gains}
        repeats += [
            replace(item, setup_differs=unlike.get((item.from_, item.to or ""), ()))
            for item in plan_repeats(assessor, side, gain=gain, power=power, known=gains)
        ]
        extra[side] = untangle([(variant.name, variant.state) for variant in assessor.sides[side]])
    words = [item.sentence() for item in repeats]
    reasons = {item.not_planned_because for item in repeats}
    if len(repeats) > 1 and len(reasons) == 1 and None not in reasons:
        reason = next(iter(reasons)) or ""
        words = [f"No gain can be planned for: {reason.removeprefix('Not assessed: ')}"]
    tests, known = comparison.tests, comparison.repeatability
    # what to ask the bench for next time, so that a gain can be proven
    wishes = [] if all((test.conditions.date or "").strip() for test in tests) else ["the date on every sheet"]
    if any(test.conditions.check_reading_m3_s is None for test in tests):
        wishes.append("the check plate read in every session")
    if not known.runs_degrees_of_freedom:
        wishes.append("a port or more flowed twice in each state, with the head taken off in between")
    if wishes and tests:
        words.append(f"Next time ask the bench for {listed(wishes)}.")
    if known.s_r is not None and known.degrees_of_freedom is not None and math.isfinite(known.degrees_of_freedom):
        number = f"{known.degrees_of_freedom:.0f}"
        words.append(
            f"All this assumes a scatter of {percent_at_least(known.s_r, 2)} for one run, which is itself "
            f"an estimate with {number} degree{'s' if number != '1' else ''} of "
            "freedom; a run is one mounting, with the head taken off or at least the valve closed and the dial zeroed "
            "again."
        )
    for side, confounded in extra.items():
        words += [f"{side.capitalize()}, {test.sentence()}" for test in confounded]
    sentences = tuple(dict.fromkeys(words))
    return Plan(gain, power, known, tuple(repeats), extra, sentences, comparison.findings)
