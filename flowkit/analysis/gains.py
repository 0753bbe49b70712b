"""Gains between two variants of one side, what changed between them, and what would untangle changes made together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import combinations, islice, pairwise, permutations
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.areas import minimum_area
from flowkit.analysis.curves import SideVariant, common_ports
from flowkit.analysis.lifts import SAME_LIFT_M, AreaMethod, merge_lifts
from flowkit.analysis.results import Band, BandGain, Gain, Interaction, LiftGain, PortGain, RatioPoint
from flowkit.analysis.scatter import AtLifts, Blocks, Figure, Means, made
from flowkit.analysis.uncertainty import Assessor, Contrast, Drift, Estimate, Spread, half_width_factor
from flowkit.corrections.pressure import STANDARD_BAROMETER_PA, law_difference
from flowkit.errors import CorrectionError
from flowkit.model import SIDES, Reference, Side, ValveGeometry, one_spelling
from flowkit.wording import listed

GainKind = Literal["step", "total", "step and total"]


@dataclass(frozen=True, slots=True)
class Change:
    """What is known of the difference between two states."""

    changed: tuple[str, ...]
    unknown: tuple[str, ...]
    same: tuple[str, ...]

    @property
    def attributable(self) -> bool:
        """Exactly one factor changed and none is unknown."""
        return len(self.changed) == 1 and not self.unknown

    @property
    def nothing(self) -> bool:
        """States were declared, and nothing changed: the difference is repeatability."""
        return bool(self.same) and not self.changed and not self.unknown


def what_changed(before: Mapping[str, str], after: Mapping[str, str]) -> Change:
    """Compare two states factor by factor."""
    every = tuple(dict.fromkeys((*before, *after)))
    both = tuple(factor for factor in every if factor in before and factor in after)
    return Change(
        changed=tuple(factor for factor in both if one_spelling(before[factor]) != one_spelling(after[factor])),
        unknown=tuple(factor for factor in every if factor not in both),
        same=tuple(factor for factor in both if one_spelling(before[factor]) == one_spelling(after[factor])),
    )


@dataclass(frozen=True, slots=True)
class Corners:
    """Four variants that differ in two factors and nothing else."""

    factors: tuple[str, str]
    places: tuple[int, int, int, int]  # levels 00, 10, 01 and 11; 0 comes first among the variants


def find_corners(states: Sequence[Mapping[str, str]]) -> tuple[Corners, ...]:
    """Find every set of four states that are the corners of two factors."""
    spelled = [{factor: one_spelling(level) for factor, level in state.items()} for state in states]
    where: dict[frozenset[tuple[str, str]], int] = {}
    for place, state in enumerate(spelled):
        where.setdefault(frozenset(state.items()), place)
    found: dict[object, Corners] = {}
    for place, state in enumerate(spelled):
        for one, two in combinations(state, 2):
            for other in spelled:
                if other.keys() != state.keys() or {f for f in state if other[f] != state[f]} != {one, two}:
                    continue
                changes: tuple[dict[str, str], ...] = (
                    {},
                    {one: other[one]},
                    {two: other[two]},
                    {one: other[one], two: other[two]},
                )
                places = [where.get(frozenset({**state, **change}.items()), -1) for change in changes]
                if min(places) == place == places[0]:
                    key = (*sorted((one, two)), *sorted(places))
                    found.setdefault(key, Corners((one, two), tuple(places)))  # type: ignore[arg-type]
    return tuple(found.values())


def log_effects(mean_flows: Sequence[ArrayLike]) -> tuple[NDArray[np.float64], ...]:
    """Return both main effects and the interaction of four corners.

    Notes
    -----
    Two-level factorial (Box, Hunter & Hunter, Statistics for Experimenters, 2nd ed. 2005, ch. 5) of
    logarithms, since gains multiply: the interaction is ``ln Q11 − ln Q10 − ln Q01 + ln Q00``, a main
    effect the mean of the factor's two log steps.

    Examples
    --------
    >>> [round(float(effect), 6) for effect in log_effects([1.0, np.e, np.e**2, np.e**3.5])]
    [1.25, 2.25, 0.5]
    """
    q00, q10, q01, q11 = (np.log(np.asarray(flow, dtype=float)) for flow in mean_flows)
    return ((q10 - q00) + (q11 - q01)) / 2, ((q01 - q00) + (q11 - q10)) / 2, q11 - q10 - q01 + q00


def interaction(corners: Corners, variants: Sequence[SideVariant], assessor: Assessor) -> Interaction:
    """Return main effects and interaction of two factors with their intervals.

    Notes
    -----
    See `log_effects`. The uncertainty is the same sum as a gain's, with the factors ±½ and ±1 of the
    states squared.
    """
    side = variants[0].side
    names = common_ports([variants[index] for index in corners.places])
    means = [
        float(np.mean([port.values(assessor.headline).value[0] for name, port in assessor.ports[side][index].items()
                       if not names or name in names]))
        for index in corners.places
    ]  # fmt: skip
    first, second, both = (float(effect) for effect in log_effects(means))
    u95 = []
    for factors in EFFECTS:
        parts = [(index, factor, names) for index, factor in zip(corners.places, factors, strict=True)]
        contrast = assessor.contrast(side, parts)
        blocks = assessor.blocks(side, contrast.benches)
        u95 += assessor.spread(contrast, assessor.drift(contrast), blocks).relative()
    mains, whole = (None, None) if None in u95 else ((u95[0], u95[1]), u95[2])
    return Interaction(corners.factors, (first, second), both, mains, whole)  # type: ignore[arg-type]


EFFECTS = ((-0.5, 0.5, -0.5, 0.5), (-0.5, -0.5, 0.5, 0.5), (1.0, -1.0, -1.0, 1.0))
"""Factors of the corners 00, 10, 01 and 11 in both main effects and the interaction."""

BandName = Literal["low", "middle", "high"]
NAMES: tuple[BandName, ...] = ("low", "middle", "high")
BORDERS = (0.15, 0.25)
"""Lift over valve diameter (common practice, no source)."""


def band_limits(range_m: tuple[float, float], head_m: float | None) -> tuple[tuple[BandName, float, float], ...]:
    """Return the bands of lift within a range."""
    lo, hi = range_m
    if head_m is None:
        borders = (lo + (hi - lo) / 3, lo + (hi - lo) * 2 / 3)
    else:
        borders = (BORDERS[0] * head_m, BORDERS[1] * head_m)
    edges = (lo, *(min(max(border, lo), hi) for border in borders), hi)
    return tuple(
        (name, start, end)
        for name, start, end in zip(NAMES, edges[:-1], edges[1:], strict=True)
        if end - start > SAME_LIFT_M
    )


def bands(variant: SideVariant, range_m: tuple[float, float], method: AreaMethod) -> tuple[Band, ...]:
    """Return the mean flow of a variant in each band."""
    return tuple(
        Band(name, start, end, variant.mean_flow(start, end, method))
        for name, start, end in band_limits(range_m, variant.valve.head_m)
    )


@dataclass(frozen=True, slots=True, eq=False)
class MatchedPair:
    """Two variants to be compared, and over what."""

    before: SideVariant
    after: SideVariant
    ports: tuple[str, ...]  # tested in both; empty where none match, so that all ports of each count
    lifts_m: tuple[float, ...]  # measured in either, within the common range
    kind: GainKind = "step"
    index: tuple[int, int] = (0, 1)


@dataclass(frozen=True, slots=True, eq=False)
class Circumstances:
    """What is known of a pair besides its flows."""

    setup_differs: tuple[str, ...] = ()
    also_changed: tuple[str, ...] = ()  # labels that join the changed factors: head, valve dimensions, reference.bore
    untouched: Contrast | None = None  # not worked on, and flowed in the very sessions of the pair
    in_doubt: tuple[str, ...] = ()


def match_pairs(variants: Sequence[SideVariant], range_m: tuple[float, float]) -> tuple[MatchedPair, ...]:
    """Return each variant against the one before it and against the first, each pair once."""
    pairs = []
    for index in range(1, len(variants)):
        kind: GainKind = "step and total" if index == 1 else "step"
        pairs.append(_match(variants, (index - 1, index), range_m, kind))
        if index > 1:
            pairs.append(_match(variants, (0, index), range_m, "total"))
    return tuple(pairs)


def _match(
    variants: Sequence[SideVariant], index: tuple[int, int], range_m: tuple[float, float], kind: GainKind
) -> MatchedPair:
    """Match the ports of two variants by name and gather the lifts to compare at."""
    before, after = (variants[each] for each in index)
    ports = common_ports((before, after))
    lifts = merge_lifts((*before.lifts_within(*range_m, ports), *after.lifts_within(*range_m, ports)))
    # Other variants may narrow the range to where these two were never measured: then its ends.
    return MatchedPair(before, after, ports, lifts or merge_lifts(range_m), kind, index)


@dataclass(frozen=True, slots=True, eq=False)
class PairFigure:
    """One figure of a pair with its interval, and whether anything keeps it from being resolved."""

    contrast: Contrast
    drift: Drift
    blocks: Blocks | None
    spread: Spread
    estimate: Estimate
    barred_otherwise: bool  # by anything but an unknown drift

    @property
    def barred(self) -> bool:
        """Whether it may not be called resolved, whatever the interval."""
        return self.drift.unknown or self.barred_otherwise

    @property
    def resolved(self) -> bool | None:
        """Whether the interval excludes zero and nothing bars it; None where not assessed."""
        beyond = self.estimate.excludes_zero()
        return None if beyond is None else beyond and not self.barred


def assess_pair(
    pair: MatchedPair, assessor: Assessor, about: Circumstances, figure: Figure | None = None, port: str | None = None
) -> PairFigure:
    """Return a figure of a pair, or of one port of it, the mean flow unless another is given.

    Drift is judged by the mean flow.
    """
    whole = _contrast(pair, assessor, port=port)
    contrast = whole if figure is None else _contrast(pair, assessor, figure, port)
    drift = assessor.drift(whole, about.untouched)
    blocks = assessor.blocks(pair.before.side, contrast.benches, pair.index)
    spread = assessor.spread(contrast, drift, blocks)
    estimate = assessor.estimates(contrast, spread, drift)[0]
    otherwise = bool(about.setup_differs or about.in_doubt) or not pair.ports or spread.basis == "history"
    return PairFigure(contrast, drift, blocks, spread, estimate, otherwise)


def gain_of_pair(pair: MatchedPair, assessor: Assessor, range_m: tuple[float, float], about: Circumstances) -> Gain:
    """Return every figure of one gain with its interval, all but its share of the total.

    Notes
    -----
    Ratios of means over the ports tested in both; between lifts and beyond the points of one
    of the two the monotone cubic is taken, and the lift is marked as interpolated. Intervals by
    `flowkit.analysis.uncertainty`.
    """
    change = what_changed(pair.before.state, pair.after.state)
    own = assess_pair(pair, assessor, about)
    drift, spread, whole, resolved = own.drift, own.spread, own.estimate, own.resolved
    alone = drift.unknown and whole.excludes_zero() and not own.barred_otherwise
    per_lift, along = _lift_gains(pair, assessor, own)
    expected = [item.expected for item in per_lift if item.expected is not None]
    extra = [*about.also_changed, *about.setup_differs, *([] if pair.ports else ["port"])]
    extra += ["session"] if drift.unknown else []
    nu, (_, low, high) = float(spread.freedom[0]), whole.ends.values()
    ports = [(port, assess_pair(pair, assessor, about, port=port).estimate) for port in pair.ports]
    figures = band_figures(pair, assessor)
    in_bands = [(name, ends, assess_pair(pair, assessor, about, figure).estimate) for name, ends, figure in figures]
    top = pair.after.flow(range_m[1], pair.ports) / pair.before.flow(range_m[1], pair.ports)
    return Gain(
        from_=pair.before.name,
        to=pair.after.name,
        kind=pair.kind,
        mean_flow_gain=whole.gain,
        mean_flow_gain_u95=whole.u95,
        mean_flow_gain_low=low,
        mean_flow_gain_high=high,
        resolved=resolved,
        at_least=whole.at_least if resolved else None,
        smallest_resolvable=whole.smallest_resolvable,
        basis=spread.basis,
        nu=nu if math.isfinite(nu) else None,
        nu_eff=whole.nu_eff if whole.nu_eff is not None and math.isfinite(whole.nu_eff) else None,
        drift_unknown=drift.unknown,
        resolved_if_drift_below=min(abs(low or 0.0), abs(high or 0.0)) if alone else None,
        setup_differs=about.setup_differs,
        in_doubt=about.in_doubt,
        bounds=whole.bounds,
        terms=whole.terms,
        differs_along_lift=along,
        not_assessed_because=WHY_NOT_ASSESSED if resolved is None else None,
        mean_of_gains=math.fsum(item.gain for item in per_lift) / len(per_lift),
        gain_at_top_lift=float(top) - 1.0,
        largest=max(per_lift, key=lambda item: item.gain),
        smallest=min(per_lift, key=lambda item: item.gain),
        share_of_total=None,
        changed=(*change.changed, *extra),
        unknown=change.unknown,
        attributable=change.attributable and not extra,
        matched_ports=pair.ports,
        expected_from_geometry=math.fsum(expected) / len(expected) if expected else None,
        per_lift=per_lift,
        ports=tuple(PortGain(port, each.gain, **each.ends) for port, each in ports),
        bands=tuple(BandGain(name, lo, hi, each.gain, **each.ends) for name, (lo, hi), each in in_bands),
        law_difference=pressure_law_difference(pair, assessor.reference),
        unchanged=change.same,
        sessions=tuple(dict.fromkeys(session.date for session in drift.sessions)),
        **_expected_halves(assessor, own),
    )


def _expected_halves(assessor: Assessor, own: PairFigure) -> dict[str, float | None]:
    """Return what one more run of every port after, and two runs of every port, can be expected to give.

    Half width ``k(ν)·s_M·sqrt(ΣW²/n)``, k = t95·E(s)/σ, with the ν that there would be.
    """
    contrast, blocks = own.contrast, own.blocks
    if own.spread.basis not in ("runs", "runs+ports", "ports"):
        return {}
    s = math.sqrt(float(assessor.scatter(assessor.headline, contrast.benches, blocks).variance[0]))
    runs = assessor.repeats_of_mean_flow(contrast.benches)[1]
    weight = contrast.weight[:, 0]
    now = np.array([own.per_run[0] for own in contrast.values])
    after = weight > 0
    more = float(np.sum(weight**2 * np.where(after, 1.0 / (1.0 / now + 1.0), now)))
    twice = float(np.sum(weight**2)) / 2.0

    def half(freedom: float, squares: float) -> float:
        """Return the half width to expect."""
        if freedom <= 2 and blocks is not None:
            freedom += blocks.freedom
        return half_width_factor(freedom) * s * math.sqrt(squares)

    return {
        "one_more_run_u95": half(runs + int(np.sum(after)), more),
        "two_runs_u95": half(float(len(weight)), twice),
    }


WHY_NOT_ASSESSED = (
    "Not assessed: nothing in these sheets shows the bench's own scatter. Flow at least one port twice, with the "
    "head taken off (or at least the valve closed and the dial zeroed again) between the runs, or state the "
    "bench's own figure (repeatability under [bench])."
)


def _contrast(pair: MatchedPair, assessor: Assessor, figure: Figure | None = None, port: str | None = None) -> Contrast:
    """Return a pair as a contrast, of all its ports or of one."""
    ports = pair.ports if port is None else (port,)
    return assessor.contrast(pair.before.side, [(pair.index[0], -1.0, ports), (pair.index[1], 1.0, ports)], figure)


def _lift_gains(pair: MatchedPair, assessor: Assessor, whole: PairFigure) -> tuple[tuple[LiftGain, ...], bool | None]:
    """Return the gain at every lift measured in either, and whether it differs along the lift."""
    contrast = _contrast(pair, assessor, AtLifts(pair.lifts_m))
    estimates = assessor.estimates(contrast, assessor.spread(contrast, whole.drift, whole.blocks), whole.drift)
    curves = (*pair.before.curves(pair.ports), *pair.after.curves(pair.ports))
    expected = expected_gains(pair.before.valve, pair.after.valve, pair.lifts_m)
    # one of many lifts is judged as one of many (Bonferroni)
    level = 1.0 - 0.05 / len(estimates)
    gains = []
    for lift, own, geometry in zip(pair.lifts_m, estimates, expected, strict=True):
        beyond = own.excludes_zero(level)
        gains.append(
            LiftGain(
                lift_m=lift,
                gain=own.gain,
                interpolated=not all(curve.measured(lift) for curve in curves),
                expected=geometry,
                resolved=None if beyond is None else beyond and not whole.barred,
                **own.ends,
            )
        )
    measured = tuple(item.lift_m for item in gains if not item.interpolated)
    along = None
    if len(measured) > 1:
        along = assessor.differs_along_lift(_contrast(pair, assessor, AtLifts(measured)), whole.blocks)
    return tuple(gains), along


def band_figures(pair: MatchedPair, assessor: Assessor) -> list[tuple[BandName, tuple[float, float], Means]]:
    """Return name, limits and figure of each band of a pair, its borders those of the valve before.

    The other side's repeats count with their own band of that name.
    """
    side, before = pair.before.side, pair.before.valve.head_m
    heads = {other: states[0].valve.head_m for other, states in assessor.sides.items()}
    heads[side] = before if before is not None else pair.after.valve.head_m
    limits = {
        on: {name: (lo, hi) for name, lo, hi in band_limits(assessor.ranges[on], head)} for on, head in heads.items()
    }
    return [
        (name, own, Means({on: (bands[name],) for on, bands in limits.items() if name in bands}, assessor.method))
        for name, own in limits[side].items()
    ]


def with_shares(gains: Sequence[Gain], shares: Sequence[float | None]) -> tuple[Gain, ...]:
    """Give each step its share of the total, where total and step are resolved and all steps have one sign."""
    totals = [gain for gain in gains if gain.kind != "step"]
    one_sign = len({gain.mean_flow_gain > 0 for gain in gains if gain.kind != "total"}) == 1
    allowed = one_sign and bool(totals) and bool(totals[-1].resolved)
    left, found = iter(shares), []
    for gain in gains:
        share = None if gain.kind == "total" else next(left)
        found.append(replace(gain, share_of_total=share if allowed and gain.resolved else None))
    return tuple(found)


def expected_gains(before: ValveGeometry, after: ValveGeometry, lifts_m: Sequence[float]) -> list[float | None]:
    """Return the gain at each lift that the minimum areas alone would give.

    Notes
    -----
    Ratio of minimum areas − 1 (Heywood 1988, eqs 6.7 to 6.9), at an unchanged coefficient.

    Examples
    --------
    >>> standard = ValveGeometry(0.038, 0.008, 0.033, 45, 0.0014)
    >>> slim = ValveGeometry(0.038, 0.007, 0.033, 45, 0.0014)
    >>> [round(gain, 4) for gain in expected_gains(standard, slim, (0.002, 0.010))]
    [0.0, 0.0146]
    """
    first, second = minimum_area(lifts_m, before), minimum_area(lifts_m, after)
    passages = [(v.head_m, v.stem_m, v.throat_m, v.seat_angle_deg, v.seat_width_m) for v in (before, after)]
    if first is None or second is None or passages[0] == passages[1]:
        return [None] * len(lifts_m)
    open_ = np.asarray(lifts_m) > 0
    ratios = np.divide(second, first, out=np.ones_like(first), where=open_)
    return [ratio - 1 if here else None for ratio, here in zip(ratios.tolist(), open_.tolist(), strict=True)]


def shares_of_total(
    variants: Sequence[SideVariant], range_m: tuple[float, float], method: AreaMethod
) -> tuple[float | None, ...]:
    """Return each step's share of the total gain.

    Notes
    -----
    Steps multiply, ``1 + g_total = Π(1 + g_i)``, over the ports common to the whole sequence; the
    share is ``ln(1 + g_i)/ln(1 + g_total)``.
    """
    steps = len(variants) - 1
    ports = common_ports(variants)
    if not ports:
        return (None,) * steps
    logs = [math.log(variant.mean_flow(*range_m, method, ports)) for variant in variants]
    total = logs[-1] - logs[0]
    # Where all of it comes back to nothing, rounding would pass for a share.
    if abs(total) < 1e-12:
        return (None,) * steps
    return tuple((after - before) / total for before, after in pairwise(logs))


def pressure_law_difference(pair: MatchedPair, reference: Reference) -> float | None:
    """Return by how much the choice of pressure law moves a gain, at most.

    References
    ----------
    Both laws: see `flowkit.corrections.pressure`.
    """
    known: list[list[tuple[float, float]]] = [[], []]  # each pressure with ln(f_square-root/f_compressible)
    for own, variant in zip(known, (pair.before, pair.after), strict=True):
        for test in (
            test for curve in variant.curves(pair.ports) for test in curve.tests if made(test, "test-pressure")
        ):
            barometer = test.conditions.barometer_pa or STANDARD_BAROMETER_PA
            for pressure in {point.pressure_pa for point in test.points if point.pressure_pa is not None}:
                with suppress(CorrectionError):  # a suction beyond the barometer has no compressible value
                    difference = law_difference(variant.side, pressure, reference.pressure_pa, barometer)
                    own.append((pressure, math.log1p(difference)))
    pressures = [pressure for own in known for pressure, _ in own]
    if not all(known) or max(pressures) - min(pressures) <= 1e-6 * max(pressures):
        return None
    first, second = ([logarithm for _, logarithm in own] for own in known)
    return max(max(second) - min(first), max(first) - min(second))


FRACTIONS = tuple(step / 10 for step in range(1, 11))
"""Fractions of peak lift at which the sides are compared."""


def ratios(
    sides: Mapping[Side, Sequence[SideVariant]], ranges_m: Mapping[Side, tuple[float, float]]
) -> tuple[tuple[RatioPoint, ...], tuple[RatioPoint, ...]]:
    """Return exhaust over intake flow of the variants tested on both sides.

    At every lift measured on either side, and at tenths of each side's highest common lift.
    """
    if len(sides) < len(SIDES):
        return (), ()
    (intake, exhaust), ranges = (sides[side] for side in SIDES), [ranges_m[side] for side in SIDES]
    lo, hi = max(low for low, _ in ranges), min(high for _, high in ranges)
    inside = [
        fraction for fraction in FRACTIONS if all(fraction * hi >= lo - SAME_LIFT_M and hi > 0 for lo, hi in ranges)
    ]
    others = {variant.name: variant for variant in exhaust}
    at_lift: list[RatioPoint] = []
    at_fraction: list[RatioPoint] = []
    for one in intake:
        if one.name in others:
            other = others[one.name]
            lifts = merge_lifts((*one.lifts_within(lo, hi), *other.lifts_within(lo, hi)))
            rows = (other.flow(lifts) / one.flow(lifts)).tolist()
            at_lift += [RatioPoint(one.name, lift, row) for lift, row in zip(lifts, rows, strict=True)]
            theirs, own = ([at * top for at in inside] for _, top in reversed(ranges))
            rows = (other.flow(theirs) / one.flow(own)).tolist()
            at_fraction += [RatioPoint(one.name, at, row) for at, row in zip(inside, rows, strict=True)]
    return tuple(at_lift), tuple(at_fraction)


State = Mapping[str, str]
ORDERS = 720
"""Orders of the changes that are looked through; all of them up to six factors."""
CAN_BE_PUT_BACK = ("valve", "spring", "guide plate", "gasket")
"""Beginnings of the factors that can be changed back: what was cut cannot (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ExtraTest:
    """What would remove the confounding of one step."""

    from_: str
    to: str
    factors: tuple[str, ...]
    unknown: tuple[str, ...]
    states: tuple[State, ...]
    already_tested: tuple[str, ...]
    completes: tuple[tuple[str, str], ...]
    otherwise: State | None
    possible: bool = True

    def sentence(self) -> str:
        """Return what to do, in words."""
        step, described = f"{self.from_!r} → {self.to!r}", [_described(state) for state in self.states]
        if self.unknown:
            known = listed(self.unknown)
            return f"{step}: {known} not declared in both states; declare them in the job to know what changed."
        together = f"{step}: {listed(self.factors)} changed together, so the gain belongs to all of them."
        if not self.states:
            through = listed([repr(name) for name in self.already_tested])
            return f"{together} No extra test is needed: {through} lies between the two, compare through it."
        if not self.possible:
            return (
                f"{together} What was cut cannot be put back, so this head can no longer separate them. Next time flow "
                f"the head in between, with {'; then '.join(described)}."
            )
        separate = f"{len(described)} extra tests separate them"
        rest = "".join(f"; then {state}" for state in described[1:])
        if not rest:
            separate = "One extra test separates them"
            rest = f" (or with {_described(self.otherwise)})" if self.otherwise is not None else ""
        completes = ""
        if self.completes:
            pairs = listed([f"{one} × {other}" for one, other in self.completes])
            completes = f" This also completes the four corners of {pairs}, so that their interaction is known."
        return f"{together} {separate}: the head with {described[0]}{rest}.{completes}"

    def advice(self, side: str) -> str | None:
        """Return the next test in one clause, None where there is none to make."""
        if not self.states:
            return None
        if not self.possible:
            return (
                f"next time, flow the {side} between the steps too, with {_described(self.states[0])}, to separate "
                f"{listed(self.factors)}; this head cannot go back there"
            )
        which = "" if len(self.states) == 1 else f", the first of {len(self.states)} tests"
        return f"flow the {side} with {_described(self.states[0])}{which}, to separate {listed(self.factors)}"


def untangle(states: Sequence[tuple[str, State]]) -> tuple[ExtraTest, ...]:
    """Return for each step with several changes the tests that would separate them.

    Notes
    -----
    One factor at a time between the two states; two-level factorial where the corners allow
    (Box, Hunter & Hunter, Statistics for Experimenters, 2nd ed. 2005, ch. 5).

    Examples
    --------
    >>> before, after = {"ports": "as cast", "valves": "standard"}, {"ports": "blended", "valves": "slim"}
    >>> extra, = untangle([("as received", before), ("ported", after)])
    >>> dict(extra.states[0]), extra.possible
    ({'ports': 'blended', 'valves': 'standard'}, True)
    >>> untangle([("as received", before), ("ported", before | {"ports": "blended"}), ("valves", after)])
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

    def name_of(state: State) -> str | None:
        """Return the first variant that is in a state."""
        return next((name for name, other in states if what_changed(state, other).nothing), None)

    ways: list[tuple[int, int, int, int, list[State], list[State]]] = []
    for order in islice(permutations(factors), ORDERS):
        way = [{**before[1], **{f: after[1][f] for f in order[:count]}} for count in range(1, len(order))]
        new: list[State] = [state for state in way if name_of(state) is None]
        # a head can be brought only to a state that differs in what can be put back
        lost = sum(
            any(not f.casefold().startswith(CAN_BE_PUT_BACK) for f in state if tested[-1].get(f) != state[f])
            for state in new
            if what_changed(tested[-1], state).changed
        )
        ways.append((lost, len(new), -len(_completed(tested, new)), len(ways), new, [*way]))
    lost, *_, new, best = min(ways, key=lambda entry: entry[:4])
    otherwise = None
    if len(factors) == 2 and new:
        other = next(entry for entry in ways if entry[-1][0] != best[0])
        otherwise = other[-1][0] if other[0] == 0 else None
    return ExtraTest(
        from_=before[0],
        to=after[0],
        factors=factors,
        unknown=(),
        states=tuple(new),
        already_tested=tuple(name for state in best if (name := name_of(state)) is not None),
        completes=_completed(tested, new),
        otherwise=otherwise,
        possible=lost == 0,
    )


def _completed(tested: Sequence[State], new: Sequence[State]) -> tuple[tuple[str, str], ...]:
    """Return the pairs of factors of which all four corners become known by new states."""
    known = {(corners.factors, corners.places) for corners in find_corners(tested)}
    every = find_corners([*tested, *new])
    return tuple(dict.fromkeys(item.factors for item in every if (item.factors, item.places) not in known))


def _described(state: State) -> str:
    """Return a state in words."""
    return listed([f"{factor} {level!r}" for factor, level in state.items()])
