"""Gains between two variants of one side, what changed between them, and what would untangle changes made together."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, islice, pairwise, permutations
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.areas import minimum_area
from flowkit.analysis.curves import SideVariant, common_ports
from flowkit.analysis.lifts import SAME_LIFT_M, AreaMethod, merge_lifts
from flowkit.analysis.results import Band, BandGain, Gain, Interaction, LiftGain, PortGain, RatioPoint
from flowkit.analysis.scatter import AtLifts, Blocks, Figure, Means
from flowkit.analysis.uncertainty import Assessor, Contrast, Drift, Estimate, Spread, half_width_factor
from flowkit.corrections.pressure import STANDARD_BAROMETER_PA, law_difference
from flowkit.errors import CorrectionError
from flowkit.model import CorrectedTest, Reference, Side, ValveGeometry, one_spelling
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
    folded = [{factor: one_spelling(level) for factor, level in state.items()} for state in states]
    where: dict[frozenset[tuple[str, str]], int] = {}
    for place, state in enumerate(folded):
        where.setdefault(frozenset(state.items()), place)
    found: dict[tuple[tuple[str, str], tuple[int, ...]], Corners] = {}
    for place, state in enumerate(folded):
        for factors in combinations(state, 2):
            for others in _others(folded, state, factors):
                corner = [
                    where.get(frozenset({**state, **change}.items()))
                    for change in (
                        {},
                        {factors[0]: others[0]},
                        {factors[1]: others[1]},
                        dict(zip(factors, others, strict=True)),
                    )
                ]
                places = [item for item in corner if item is not None]
                if len(places) == 4 and min(places) == place == places[0]:
                    key = (tuple(sorted(factors)), tuple(sorted(places)))
                    found.setdefault(key, Corners(factors, tuple(places)))  # type: ignore[arg-type]
    return tuple(found.values())


def _others(
    states: Sequence[Mapping[str, str]], state: Mapping[str, str], factors: tuple[str, ...]
) -> Iterator[tuple[str, str]]:
    """Yield the levels both factors have in states that differ from this one in both and nothing else."""
    rest = {factor: level for factor, level in state.items() if factor not in factors}
    for other in states:
        if {factor: level for factor, level in other.items() if factor not in factors} != rest:
            continue
        if all(factor in other and other[factor] != state[factor] for factor in factors):
            yield other[factors[0]], other[factors[1]]


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
    ports = common_ports([variants[index] for index in corners.places])
    names = ports or ()
    means = [
        float(np.mean([port.values(assessor.headline).value[0] for name, port in assessor.ports[side][index].items()
                       if not names or name in names]))
        for index in corners.places
    ]  # fmt: skip
    first, second, both = (float(effect) for effect in log_effects(means))
    halves = []
    for factors in EFFECTS:
        contrast = assessor.contrast(
            side, [(index, factor, names) for index, factor in zip(corners.places, factors, strict=True)]
        )
        drift = assessor.drift(contrast)
        spread = assessor.spread(contrast, drift, assessor.blocks(side, contrast.benches))
        halves.append(assessor.relative(spread)[0])
    u95 = [half for half in halves if half is not None]
    if len(u95) < len(halves):
        return Interaction(corners.factors, (first, second), both)
    return Interaction(corners.factors, (first, second), both, (u95[0], u95[1]), u95[2])


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
    pair: MatchedPair, assessor: Assessor, about: Circumstances, figure: Figure | None = None
) -> PairFigure:
    """Return a figure of a pair, the mean flow unless another is given; drift is judged by the mean flow."""
    whole = _contrast(pair, assessor)
    contrast = whole if figure is None else _contrast(pair, assessor, figure)
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
    of the two the monotone cubic speaks, and the lift is marked as interpolated. Intervals by
    `flowkit.analysis.uncertainty`.
    """
    change = what_changed(pair.before.state, pair.after.state)
    own = assess_pair(pair, assessor, about)
    contrast, drift, blocks, spread, whole = own.contrast, own.drift, own.blocks, own.spread, own.estimate
    resolved = own.resolved
    alone = drift.unknown and whole.excludes_zero() and not own.barred_otherwise
    per_lift, along = _lift_gains(pair, assessor, drift, blocks, barred=own.barred)
    expected = [item.expected for item in per_lift if item.expected is not None]
    extra = (
        *about.also_changed,
        *about.setup_differs,
        *(() if pair.ports else ("port",)),
        *(("session",) if drift.unknown else ()),
    )
    nu = float(spread.freedom[0])
    return Gain(
        from_=pair.before.name,
        to=pair.after.name,
        kind=pair.kind,
        mean_flow_gain=whole.gain,
        mean_flow_gain_u95=whole.u95,
        mean_flow_gain_low=whole.low,
        mean_flow_gain_high=whole.high,
        resolved=resolved,
        at_least=whole.at_least if resolved else None,
        smallest_resolvable=whole.smallest_resolvable,
        basis=spread.basis,
        nu=nu if math.isfinite(nu) else None,
        nu_eff=whole.nu_eff if whole.nu_eff is not None and math.isfinite(whole.nu_eff) else None,
        drift_unknown=drift.unknown,
        resolved_if_drift_below=min(abs(whole.low or 0.0), abs(whole.high or 0.0)) if alone else None,
        setup_differs=about.setup_differs,
        in_doubt=about.in_doubt,
        bounds=whole.bounds,
        terms=whole.terms,
        differs_along_lift=along,
        not_assessed_because=why_not_assessed() if resolved is None else None,
        mean_of_gains=math.fsum(item.gain for item in per_lift) / len(per_lift),
        gain_at_top_lift=_flow_ratio(pair, range_m[1]) - 1.0,
        largest=max(per_lift, key=lambda item: item.gain),
        smallest=min(per_lift, key=lambda item: item.gain),
        share_of_total=None,
        changed=(*change.changed, *extra),
        unknown=change.unknown,
        attributable=change.attributable and not extra,
        matched_ports=pair.ports,
        expected_from_geometry=math.fsum(expected) / len(expected) if expected else None,
        per_lift=per_lift,
        ports=tuple(_port_gain(pair, port, assessor, about.untouched) for port in pair.ports),
        bands=_band_gains(pair, assessor, drift, blocks),
        law_difference=pressure_law_difference(pair, assessor.reference),
        unchanged=change.same,
        sessions=tuple(dict.fromkeys(session.date for session in drift.sessions)),
        **_expected_halves(contrast, assessor, spread, blocks),
    )


def _expected_halves(
    contrast: Contrast, assessor: Assessor, spread: Spread, blocks: Blocks | None
) -> dict[str, float | None]:
    """Return what one more run of every port after, and two runs of every port, can be expected to give.

    Half width ``k(ν)·s_M·sqrt(ΣW²/n)``, k = t95·E(s)/σ, with the ν that there would be.
    """
    if spread.basis not in ("runs", "runs+ports", "ports"):
        return {}
    s = math.sqrt(float(assessor.scatter(assessor.headline, contrast.benches, blocks).variance[0]))
    runs = float(assessor.run_variance(assessor.headline, contrast.benches)[1][0])
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


def why_not_assessed() -> str:
    """Return what would be needed for an interval."""
    return (
        "Not assessed: nothing in these sheets shows the bench's own scatter. Flow at least one port twice, with the "
        "head taken off (or at least the valve closed and the dial zeroed again) between the runs, or state the "
        "bench's own figure (repeatability under [bench])."
    )


def _contrast(pair: MatchedPair, assessor: Assessor, figure: Figure | None = None, port: str | None = None) -> Contrast:
    """Return a pair as a contrast, of all its ports or of one."""
    ports = pair.ports if port is None else (port,)
    return assessor.contrast(pair.before.side, [(pair.index[0], -1.0, ports), (pair.index[1], 1.0, ports)], figure)


def _flow_ratio(pair: MatchedPair, lift_m: float) -> float:
    """Return the mean flow after over the mean flow before at a lift."""
    return float(pair.after.flow(lift_m, pair.ports) / pair.before.flow(lift_m, pair.ports))


def _lift_gains(
    pair: MatchedPair, assessor: Assessor, drift: Drift, blocks: Blocks | None, *, barred: bool
) -> tuple[tuple[LiftGain, ...], bool | None]:
    """Return the gain at every lift measured in either, and whether it differs along the lift."""
    contrast = _contrast(pair, assessor, AtLifts(pair.lifts_m))
    estimates = assessor.estimates(contrast, assessor.spread(contrast, drift, blocks), drift)
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
                u95=own.u95,
                interpolated=not all(curve.measured(lift) for curve in curves),
                expected=geometry,
                low=own.low,
                high=own.high,
                resolved=None if beyond is None else beyond and not barred,
            )
        )
    measured = tuple(item.lift_m for item in gains if not item.interpolated)
    along = None
    if len(measured) > 1:
        along = assessor.differs_along_lift(_contrast(pair, assessor, AtLifts(measured)), blocks)
    return tuple(gains), along


def _port_gain(pair: MatchedPair, port: str, assessor: Assessor, untouched: Contrast | None) -> PortGain:
    """Return the gain in mean flow of one port."""
    contrast = _contrast(pair, assessor, port=port)
    drift = assessor.drift(contrast, untouched)
    blocks = assessor.blocks(pair.before.side, contrast.benches, pair.index)
    own = assessor.estimates(contrast, assessor.spread(contrast, drift, blocks), drift)[0]
    return PortGain(port, own.gain, own.u95, own.low, own.high)


def band_figures(pair: MatchedPair, assessor: Assessor) -> list[tuple[BandName, tuple[float, float], Means]]:
    """Return name, limits and figure of each band of a pair, its borders those of the valve before.

    The other side's repeats count with their own band of that name.
    """
    side, before = pair.before.side, pair.before.valve.head_m
    head = before if before is not None else pair.after.valve.head_m
    others: dict[Side, dict[str, tuple[float, float]]] = {
        other: {name: (lo, hi) for name, lo, hi in band_limits(assessor.ranges[other], states[0].valve.head_m)}
        for other, states in assessor.sides.items()
        if other != side
    }
    found = []
    for name, lo, hi in band_limits(assessor.ranges[side], head):
        ranges: dict[Side, tuple[tuple[float, float], ...]] = {side: ((lo, hi),)}
        ranges |= {other: (own[name],) for other, own in others.items() if name in own}
        found.append((name, (lo, hi), Means(ranges, assessor.method)))
    return found


def _band_gains(pair: MatchedPair, assessor: Assessor, drift: Drift, blocks: Blocks | None) -> tuple[BandGain, ...]:
    """Return the gain in mean flow in each band."""
    found = []
    for name, limits, figure in band_figures(pair, assessor):
        contrast = _contrast(pair, assessor, figure)
        own = assessor.estimates(contrast, assessor.spread(contrast, drift, blocks), drift)[0]
        found.append(BandGain(name, *limits, own.gain, own.u95, own.low, own.high))
    return tuple(found)


def with_shares(gains: Sequence[Gain], shares: Sequence[float | None]) -> tuple[Gain, ...]:
    """Give each step its share of the total, where total and step are resolved and all steps have one sign."""
    steps = [gain for gain in gains if gain.kind != "total"]
    totals = [gain for gain in gains if gain.kind != "step"]
    one_sign = len({gain.mean_flow_gain > 0 for gain in steps}) == 1
    allowed = one_sign and bool(totals) and bool(totals[-1].resolved)
    left = iter(shares)
    return tuple(
        gain if gain.kind == "total" else replace(gain, share_of_total=_kept(next(left), allowed and gain.resolved))
        for gain in gains
    )


def _kept(share: float | None, allowed: bool | None) -> float | None:
    """Return a share where it may be printed."""
    return share if allowed else None


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
    nothing: list[float | None] = [None] * len(lifts_m)
    first, second = minimum_area(lifts_m, before), minimum_area(lifts_m, after)
    if first is None or second is None or _passage(before) == _passage(after):
        return nothing
    open_ = np.asarray(lifts_m) > 0
    ratios = np.divide(second, first, out=np.ones_like(first), where=open_)
    return [ratio - 1 if here else None for ratio, here in zip(ratios.tolist(), open_.tolist(), strict=True)]


def _passage(valve: ValveGeometry) -> tuple[float | None, ...]:
    """Return the dimensions that the minimum area follows from."""
    return (valve.head_m, valve.stem_m, valve.throat_m, valve.seat_angle_deg, valve.seat_width_m)


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
    before, after = (
        [
            found
            for curve in variant.curves(pair.ports)
            for test in curve.tests
            for found in _law_differences(test, variant.side, reference)
        ]
        for variant in (pair.before, pair.after)
    )
    pressures = [pressure for pressure, _ in (*before, *after)]
    if not before or not after or max(pressures) - min(pressures) <= 1e-6 * max(pressures):
        return None
    first, second = ([logarithm for _, logarithm in side] for side in (before, after))
    return max(max(second) - min(first), max(first) - min(second))


def _law_differences(test: CorrectedTest, side: Side, reference: Reference) -> list[tuple[float, float]]:
    """Return each test pressure of a test with ln(f_square-root/f_compressible), where corrected for."""
    line = next((item for item in test.ledger if item.correction == "test-pressure"), None)
    if line is None or line.factor is None:
        return []
    barometer = test.conditions.barometer_pa or STANDARD_BAROMETER_PA
    found = []
    for pressure in {point.pressure_pa for point in test.points if point.pressure_pa is not None}:
        try:
            difference = law_difference(side, pressure, reference.pressure_pa, barometer)
        except CorrectionError:
            continue  # a suction beyond the barometer has no compressible value to compare with
        found.append((pressure, math.log1p(difference)))
    return found


FRACTIONS = tuple(step / 10 for step in range(1, 11))
"""Fractions of peak lift at which the sides are compared."""

Range = tuple[float, float]


def ratio_at_lift(
    intake: Sequence[SideVariant], exhaust: Sequence[SideVariant], ranges: tuple[Range, Range]
) -> tuple[RatioPoint, ...]:
    """Return exhaust over intake flow at every lift measured on either side."""
    lo, hi = max(ranges[0][0], ranges[1][0]), min(ranges[0][1], ranges[1][1])
    points = []
    for one, other in _both(intake, exhaust):
        lifts = merge_lifts((*one.lifts_within(lo, hi), *other.lifts_within(lo, hi)))
        ratios = other.flow(lifts) / one.flow(lifts)
        points += [RatioPoint(one.name, lift, ratio) for lift, ratio in zip(lifts, ratios.tolist(), strict=True)]
    return tuple(points)


def ratio_at_fraction(
    intake: Sequence[SideVariant], exhaust: Sequence[SideVariant], ranges: tuple[Range, Range]
) -> tuple[RatioPoint, ...]:
    """Return exhaust over intake flow at tenths of each side's highest common lift."""
    inside = [
        fraction for fraction in FRACTIONS if all(fraction * hi >= lo - SAME_LIFT_M and hi > 0 for lo, hi in ranges)
    ]
    points = []
    for one, other in _both(intake, exhaust):
        ratios = other.flow([at * ranges[1][1] for at in inside]) / one.flow([at * ranges[0][1] for at in inside])
        points += [RatioPoint(one.name, at, ratio) for at, ratio in zip(inside, ratios.tolist(), strict=True)]
    return tuple(points)


def _both(intake: Sequence[SideVariant], exhaust: Sequence[SideVariant]) -> list[tuple[SideVariant, SideVariant]]:
    """Pair the variants tested on both sides."""
    others = {variant.name: variant for variant in exhaust}
    return [(variant, others[variant.name]) for variant in intake if variant.name in others]


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
        if not self.possible:
            return (f"{together} {self._next_time()}",)
        words = [together, self._to_test()]
        if self.completes:
            pairs = listed([f"{one} × {other}" for one, other in self.completes])
            words.append(f"This also completes the four corners of {pairs}, so that their interaction is known.")
        return (" ".join(words),)

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

    def _next_time(self) -> str:
        """Say what would have separated them."""
        between = "; then ".join(_described(state) for state in self.states)
        return (
            f"What was cut cannot be put back, so this head can no longer separate them. Next time flow the head in "
            f"between, with {between}."
        )

    def _to_test(self) -> str:
        """Say which states to test."""
        first = _described(self.states[0])
        other = f" (or with {_described(self.otherwise)})" if self.otherwise is not None else ""
        if len(self.states) == 1:
            return f"One extra test separates them: the head with {first}{other}."
        rest = "; then ".join(_described(state) for state in self.states[1:])
        return f"{len(self.states)} extra tests separate them: the head with {first}; then {rest}."


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
    now = tested[-1]
    ways: list[tuple[int, int, int, int, list[State], list[State]]] = []
    for order in islice(permutations(factors), ORDERS):
        way = _between(before[1], after[1], order)
        new = [state for state in way if _name_of(state, states) is None]
        lost = sum(not _reachable(now, state) for state in new)
        ways.append((lost, len(new), -len(_completed(tested, new)), len(ways), new, way))
    lost, *_, new, way = min(ways, key=lambda entry: entry[:4])
    otherwise = None
    if len(factors) == 2 and new:
        other = next(entry for entry in ways if entry[-1][0] != way[0])
        otherwise = other[-1][0] if other[0] == 0 else None
    return ExtraTest(
        from_=before[0],
        to=after[0],
        factors=factors,
        unknown=(),
        states=tuple(new),
        already_tested=tuple(name for state in way if (name := _name_of(state, states)) is not None),
        completes=_completed(tested, new),
        otherwise=otherwise,
        possible=lost == 0,
    )


def _reachable(now: State, wanted: State) -> bool:
    """Tell whether a head can be brought to a state: only what can be put back may differ."""
    differing = [factor for factor in wanted if what_changed(now, wanted).changed and now.get(factor) != wanted[factor]]
    return all(factor.casefold().startswith(CAN_BE_PUT_BACK) for factor in differing)


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
