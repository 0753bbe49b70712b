"""The whole comparison: corrected variants to flows, gains, intervals, findings and words."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np

from flowkit.analysis import checks
from flowkit.analysis.areas import area_figures, geometry_differs, takeover_lift, valve_contradictions
from flowkit.analysis.checks import (
    circumstances,
    corrected_unequally,
    drift_findings,
    lagging_port,
    not_covered,
    pair_findings,
    scatter_findings,
    setup_findings,
)
from flowkit.analysis.curves import (
    PortCurve,
    SideVariant,
    common_ports,
    common_range,
    identical_findings,
    runs_of,
    side_variants,
)
from flowkit.analysis.gains import (
    MatchedPair,
    bands,
    find_corners,
    gain_of_pair,
    interaction,
    match_pairs,
    ratio_at_fraction,
    ratio_at_lift,
    shares_of_total,
    untangle,
    with_shares,
)
from flowkit.analysis.lifts import SAME_LIFT_M, AreaMethod
from flowkit.analysis.metrics import MetricResult, Rule, metric_of
from flowkit.analysis.results import Comparison, Gain, Inputs, PortFlow, RatioPoint, SideComparison, VariantFlow
from flowkit.analysis.scatter import AtLifts
from flowkit.analysis.sentences import sentences
from flowkit.analysis.uncertainty import Assessor, History, KnownTerm
from flowkit.corrections import reference_state
from flowkit.corrections.pressure import reference_velocity
from flowkit.errors import FlowkitError, JobError, RangeError, SheetError
from flowkit.model import (
    SIDES,
    Bench,
    CorrectedPoint,
    CorrectedTest,
    Finding,
    Reference,
    Side,
    Variant,
    joined,
    named_twice,
)
from flowkit.wording import DISPLAYS, Display, displayed

if TYPE_CHECKING:
    from flowkit.analysis.curves import Session
    from flowkit.analysis.uncertainty import Array, Drift, Reading


def variant_flow(
    assessor: Assessor, side: Side, index: int, range_m: tuple[float, float], bore_m: float | None
) -> VariantFlow:
    """Return the flows of one variant on one side with their intervals.

    Notes
    -----
    A variant's mean flow is the mean over its ports of their mean flows, a port's that of its
    curve over the range; port spread = (largest − smallest)/mean of the port means.
    """
    variant, method = assessor.sides[side][index], assessor.method
    lifts = variant.lifts_within(*variant.own_range())
    flow = tuple(variant.flow(lifts).tolist())
    ports = tuple(_port_flow(curve, range_m, method) for curve in variant.ports)
    means = [port.mean_flow_m3_s for port in ports]
    mean = float(np.mean(means))
    velocity = reference_velocity(assessor.reference, side)
    figures = area_figures(lifts, flow, variant.valve, velocity, bore_m)
    whole, each = (assessor.contrast(side, [(index, 1.0, ())], figure) for figure in (None, AtLifts(lifts)))
    drift, blocks = assessor.drift(whole), assessor.blocks(side, whole.benches)
    spread = (max(means) - min(means)) / mean if len(means) > 1 else None
    spread_u95 = assessor.port_spread(side, index)
    return VariantFlow(
        name=variant.name,
        lifts_m=lifts,
        flow_m3_s=flow,
        flow_u95=tuple(assessor.relative(assessor.spread(each, drift, blocks))),
        curve_area_m4_s=float(np.mean([port.curve_area_m4_s for port in ports])),
        mean_flow_m3_s=mean,
        mean_flow_u95=assessor.relative(assessor.spread(whole, drift, blocks))[0],
        peak_flow_m3_s=max(flow),
        port_spread=spread,
        port_spread_u95=spread_u95,
        ports=ports,
        coefficients=figures.coefficients,
        effective_area_m2=figures.effective_area_m2,
        minimum_area_m2=figures.minimum_area_m2,
        takeover_lift_m=takeover_lift(variant.valve),
        bands=bands(variant, range_m, method),
        lagging=lagging_port(assessor, side, index, means, spread_u95),
        flow_per_bore_area_m_s=figures.flow_per_bore_area_m_s,
        flow_per_valve_area_m_s=figures.flow_per_valve_area_m_s,
        port_velocity_m_s=figures.port_velocity_m_s,
    )


def _port_flow(curve: PortCurve, range_m: tuple[float, float], method: AreaMethod) -> PortFlow:
    """Return the figures of one port."""
    return PortFlow(
        port=curve.name if curve.name is not None else curve.port,
        head=curve.head,
        label=curve.port,
        curve_area_m4_s=curve.area(*range_m, method),
        mean_flow_m3_s=curve.mean_flow(*range_m, method),
        runs=len(runs_of(curve.tests)),
        lifts_m=tuple(curve.lifts_m.tolist()),
        flow_m3_s=tuple(curve.flow_m3_s.tolist()),
        sources=curve.sources,
    )


@dataclass(frozen=True, slots=True)
class _Side:
    """One side, computed, with what its findings and ratios are drawn from."""

    variants: tuple[SideVariant, ...]
    pairs: tuple[MatchedPair, ...]
    result: SideComparison


def compare(
    variants: Sequence[Variant],
    reference: Reference | None = None,
    bench: Bench | None = None,
    *,
    area_method: AreaMethod = "pchip",
    engine_bore_m: float | None = None,
    findings: Sequence[Finding] = (),
    history: History | None = None,
    known_terms: Sequence[KnownTerm] = (),
    display: Literal["US", "metric"] = "US",
) -> Comparison:
    """Compare variants of a head, per side, the first being the baseline."""
    reference, bench = reference or Reference(), bench or Bench()
    tests = tuple(test for variant in variants for test in variant.corrected)
    own = [*checks.side_missing(tests), *checks.zero_flow(tests)]
    usable = _usable(variants)
    own += identical_findings([test for variant in usable for test in variant.corrected if test.side is not None])
    assessor, state_findings = _assessor(usable, reference, bench, area_method, history, known_terms, DISPLAYS[display])
    own += state_findings
    if assessor is None:
        raise _nothing_left(variants, usable, own)
    bore_m = reference.bore_m if reference.bore_m is not None else engine_bore_m
    sides: dict[Side, _Side] = {}
    for side in SIDES:
        if side in assessor.sides:
            sides[side], side_findings = _side(usable, side, assessor, bore_m)
            own += side_findings
        own += [*checks.variants_left_out(side, usable), *corrected_unequally(side, variants)]
    own += setup_findings({side: computed.pairs for side, computed in sides.items()}, assessor)
    at_lift, at_fraction = _ratios(sides)
    results = {side: computed.result for side, computed in sides.items()}
    slips = frozenset(finding.where for finding in findings if finding.rule == "typing-slip")
    if slips and any(gain.resolved for result in results.values() for gain in result.gains):
        again = partial(compare, reference=reference, bench=bench, area_method=area_method, history=history)
        results = _without_slips(results, again, variants, slips)
    repeatability = assessor.repeatability()
    own += [*checks.ratio_unusual(at_fraction), *drift_findings(results, tests), *scatter_findings(assessor)]
    own += _history_exceeded(assessor)
    parts = sentences(
        results,
        display=display,
        extra_tests={
            side: untangle([(one.name, one.state) for one in computed.variants]) for side, computed in sides.items()
        },
        repeatability=repeatability,
        findings=joined(findings, own),
        range_stated=reference.lifts_m is not None,
    )
    return Comparison(
        reference=reference_state(reference),
        sides=results,
        findings=joined(findings, displayed(own, DISPLAYS[display])),
        repeatability=repeatability,
        ratio_at_lift=at_lift,
        ratio_at_fraction=at_fraction,
        area_method=area_method,
        sentences=tuple(sentence for group in parts.values() for sentence in group),
        parts=parts,
        tests=tests,
        made_of=Inputs(
            usable,
            reference,
            bench,
            partial(_metric, usable, reference, bench, area_method, history, tuple(known_terms)),
        ),
    )


def _history_exceeded(assessor: Assessor) -> list[Finding]:
    """Say that the job's own repeats contradict the bench's history, where they do."""
    if not assessor.history_left_out:
        return []
    message = (
        "the job's own repeats scatter more than the bench's history allows (F test at 95 %), so the history is "
        "left out and the repeats count alone; look for what has changed on the bench"
    )
    return [Finding("history-exceeded", "warning", "bench", message)]


def assessor_of(
    variants: Sequence[Variant],
    reference: Reference,
    bench: Bench,
    area_method: AreaMethod = "pchip",
    *,
    history: History | None = None,
) -> Assessor | None:
    """Return what the uncertainty of corrected variants is worked out from; None where nothing can be compared."""
    return _assessor(_usable(variants), reference, bench, area_method, history, (), DISPLAYS["US"])[0]


def _metric(  # noqa: PLR0917
    variants: Sequence[Variant],
    reference: Reference,
    bench: Bench,
    area_method: AreaMethod,
    history: History | None,
    known_terms: Sequence[KnownTerm],
    rule: Rule,
    name: str | None,
    sides: tuple[Side, ...],
) -> MetricResult:
    """Return a figure by anybody's rule of a comparison's ports, with its interval."""
    if not callable(rule):
        raise FlowkitError(
            f"a {type(rule).__name__} is not a rule for a metric", "give a function of a curve, as lambda curve: …"
        )
    assessor, _ = _assessor(variants, reference, bench, area_method, history, known_terms, DISPLAYS["US"])
    assert assessor is not None  # it was there when the comparison was made
    called = name or str(getattr(rule, "__name__", "metric"))
    return metric_of(rule, "metric" if called == "<lambda>" else called, assessor, variants, sides)


def _assessor(  # noqa: PLR0917
    variants: Sequence[Variant],
    reference: Reference,
    bench: Bench,
    area_method: AreaMethod,
    history: History | None,
    known_terms: Sequence[KnownTerm],
    display: Display,
) -> tuple[Assessor | None, list[Finding]]:
    """Gather the states and ranges of both sides, and what is doubtful about them."""
    chosen: dict[Side, tuple[SideVariant, ...]] = {}
    ranges: dict[Side, tuple[float, float]] = {}
    findings: list[Finding] = []
    for side in SIDES:
        states, range_m, found = _states(variants, side, reference, display)
        findings += found
        if range_m is not None:
            chosen[side], ranges[side] = states, range_m
    if not chosen:
        return None, findings
    return Assessor(chosen, ranges, reference, bench, area_method, history, (meter_terms, *known_terms)), findings


def _usable(variants: Sequence[Variant]) -> tuple[Variant, ...]:
    """Return the variants with the points that have a flow, refusing two of one name."""
    twice = named_twice(variant.name for variant in variants)
    if twice is not None:
        raise JobError(f"two variants are named {twice!r}", "give each state of the head a name of its own")
    cleaned = []
    for variant in variants:
        tests = (_keeping(checks.flows, test) for test in variant.corrected)
        cleaned.append(replace(variant, corrected=tuple(test for test in tests if test.points)))
    return tuple(cleaned)


def _without_slips(
    results: Mapping[Side, SideComparison],
    again: Callable[[Sequence[Variant]], Comparison],
    variants: Sequence[Variant],
    slips: frozenset[str],
) -> dict[Side, SideComparison]:
    """Call no gain proven that is not proven without the readings that look mistyped."""
    bare = [
        replace(one, corrected=tuple(_keeping(lambda point: point.source not in slips, test) for test in one.corrected))
        for one in variants
    ]
    try:
        known = again(bare).sides
    except FlowkitError:  # nothing is left to compare
        known = {}
    found = {}
    for side, result in results.items():
        others = {(gain.from_, gain.to): gain for gain in known[side].gains} if side in known else {}
        gains = tuple(_held_without(gain, others.get((gain.from_, gain.to))) for gain in result.gains)
        found[side] = replace(result, gains=gains)
    return found


def _held_without(gain: Gain, other: Gain | None) -> Gain:
    """Return a gain, not called proven where it is not without the readings that look mistyped, nor at any lift."""
    lifts = {item.lift_m for item in other.per_lift if item.resolved} if other is not None else set()
    rows = tuple(replace(item, resolved=item.resolved and item.lift_m in lifts) for item in gain.per_lift)
    gain = replace(gain, per_lift=rows)
    if not gain.resolved or (other is not None and other.resolved and other.mean_flow_gain * gain.mean_flow_gain > 0):
        return gain
    return replace(gain, resolved=False, at_least=None, in_doubt=("it rests on a reading that looks mistyped",))


def _keeping(wanted: Callable[[CorrectedPoint], bool], test: CorrectedTest) -> CorrectedTest:
    """Return a test with the wanted points alone, in its points and its ledger."""
    kept = [index for index, point in enumerate(test.points) if wanted(point)]
    if len(kept) == len(test.points):
        return test
    ledger = tuple(
        replace(line, factor=tuple(line.factor[index] for index in kept))
        if line.factor is not None and len(line.factor) == len(test.points)
        else line
        for line in test.ledger
    )
    return replace(test, points=tuple(test.points[index] for index in kept), ledger=ledger)


def _nothing_left(variants: Sequence[Variant], usable: Sequence[Variant], findings: Sequence[Finding]) -> FlowkitError:
    """Say why no side can be compared."""
    uncovered = [finding for finding in findings if finding.rule == "range-not-covered"]
    if uncovered:
        return RangeError("no state covers the stated range of lifts", "state a range that all states cover")
    if not any(variant.corrected for variant in variants):
        return SheetError("there are no tests to compare", "give at least one sheet with a flow test")
    if not any(variant.corrected for variant in usable):
        return SheetError("no test has a flow above zero", "check the readings and the leak")
    for side in SIDES:
        curves = [curve for variant in side_variants(usable, side) for curve in variant.ports]
        try:
            if curves:
                common_range(curves)
        except RangeError as error:
            return error
    return SheetError(
        "no test says whether it is the intake or the exhaust",
        "state it with --side intake or --side exhaust, or as side under conditions in the job "
        '(in Python, side="intake")',
    )


def _states(
    variants: Sequence[Variant], side: Side, reference: Reference, display: Display
) -> tuple[tuple[SideVariant, ...], tuple[float, float] | None, list[Finding]]:
    """Return the states of a side that are compared, over which lifts, and what is doubtful about them.

    Without a range nothing can be compared there.
    """
    chosen = side_variants(variants, side)
    if not chosen:
        return (), None, []
    findings = [
        item
        for variant in variants
        for item in (*valve_contradictions(variant, side), *geometry_differs(variant, side))
    ]
    findings += [*checks.valve_impossible(chosen), *checks.untouched_unknown(chosen)]
    if reference.lifts_m is not None:
        lo, hi = reference.lifts_m
        covered = []
        for variant in chosen:
            try:
                low, high = variant.own_range()
            except RangeError:
                low, high = math.inf, -math.inf
            if low <= lo + SAME_LIFT_M and high >= hi - SAME_LIFT_M:
                covered.append(variant)
            else:
                findings.append(not_covered(variant, (lo, hi), display))
        return tuple(covered), (lo, hi) if covered else None, findings
    try:
        return chosen, common_range(curve for variant in chosen for curve in variant.ports), findings
    except RangeError as error:
        return (), None, [*findings, Finding(error.rule, "error", side, f"{error} The {side} was left out.")]


def _side(
    variants: Sequence[Variant], side: Side, assessor: Assessor, bore_m: float | None
) -> tuple[_Side, list[Finding]]:
    """Compute one side."""
    chosen, range_m = tuple(assessor.sides[side]), assessor.ranges[side]
    by_name = {variant.name: variant for variant in variants}
    states = [by_name[variant.name] for variant in chosen]
    pairs = match_pairs(chosen, range_m)
    about = [circumstances(pair, assessor, states) for pair in pairs]
    gains = [gain_of_pair(pair, assessor, range_m, item) for pair, item in zip(pairs, about, strict=True)]
    result = SideComparison(
        range_m=range_m,
        variants=tuple(variant_flow(assessor, side, index, range_m, bore_m) for index in range(len(chosen))),
        gains=with_shares(gains, shares_of_total(chosen, range_m, assessor.method)),
        interactions=tuple(
            interaction(corners, chosen, assessor) for corners in find_corners([variant.state for variant in chosen])
        ),
    )
    findings = [
        *checks.impossible_flow(chosen, reference_velocity(assessor.reference, side)),
        *checks.confounded(pairs),
        *checks.unmatched_ports(chosen, pairs, common_ports(chosen)),
        *(item for pair in pairs for item in pair_findings(pair, assessor, states)),
    ]
    for variant, flow in zip(chosen, result.variants, strict=True):
        findings += checks.port_uneven(variant, flow.port_spread, flow.port_spread_u95, flow.lagging)
    return _Side(chosen, pairs, result), findings


def _ratios(sides: dict[Side, _Side]) -> tuple[tuple[RatioPoint, ...], tuple[RatioPoint, ...]]:
    """Return exhaust over intake at equal lift and at equal fraction of peak lift, where both were tested."""
    if len(sides) < len(SIDES):
        return (), ()
    intake, exhaust = sides["intake"], sides["exhaust"]
    ranges = (intake.result.range_m, exhaust.result.range_m)
    return (
        ratio_at_lift(intake.variants, exhaust.variants, ranges),
        ratio_at_fraction(intake.variants, exhaust.variants, ranges),
    )


def meter_terms(readings: Sequence[Reading], drift: Drift) -> Mapping[str, Array]:
    """Return the variances of ln(ratio) that come with meters, by name, shape (figures,).

    Notes
    -----
    Calibration ``Σ_m u_m²·k_m²``, k_m the sum of k over the points read on one bench, meter and range: throughout on
    one meter it is 1 − 1 = 0, so that the calibration cancels. Zero ``Σ_s (Σ k_j·S_j·u_zero/r_j)²``, one error a
    session. Air ``Σ_s (Σ k_j·½·u_air)²`` (1 for ½ with laminar elements and critical nozzles), only where sessions
    differ and no check plates put them right. GUM (JCGM 100:2008) 5.2: what is common is added before it is squared.
    """
    if not any(point.mark for item in readings for point in item.test.points):
        return {}
    calibration: dict[tuple[str | None, str], Array] = {}
    u_of: dict[tuple[str | None, str], float] = {}
    zero: dict[Session, Array] = {}
    air: dict[Session, Array] = {}
    nothing = np.zeros(readings[0].k.shape[0])
    for item in readings:
        for index, point in enumerate(item.test.points):
            mark = point.mark
            if mark is None:
                continue
            k = item.k[:, index]
            for name, u, share in mark.parts:
                key = (item.session.bench, name)
                calibration[key] = calibration.get(key, nothing) + k * share
                u_of[key] = max(u_of.get(key, 0.0), u)
            off = mark.sensitivity * mark.u_zero / mark.net if mark.net else 0.0
            zero[item.session] = zero.get(item.session, nothing) + k * off
            air[item.session] = air.get(item.session, nothing) + k * mark.u_air
    terms = {
        "calibration": sum((u_of[key] ** 2 * k**2 for key, k in calibration.items()), nothing),
        "zero": sum((k**2 for k in zero.values()), nothing),
    }
    if drift.differ and drift.by != "check plates":
        terms["air"] = sum((k**2 for k in air.values()), nothing)
    return terms
