"""The whole comparison: corrected variants to flows, gains, intervals, findings and words."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Literal

import numpy as np

from flowkit.analysis import checks, gains
from flowkit.analysis.areas import area_figures, valve_findings
from flowkit.analysis.curves import SideVariant, common_range, identical_findings, runs_of, side_variants
from flowkit.analysis.lifts import SAME_LIFT_M, AreaMethod
from flowkit.analysis.metrics import metric_of
from flowkit.analysis.results import Comparison, Gain, Inputs, PortFlow, SideComparison, VariantFlow
from flowkit.analysis.scatter import AtLifts
from flowkit.analysis.sentences import sentences
from flowkit.analysis.uncertainty import Assessor, History
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


def variant_flow(assessor: Assessor, side: Side, index: int, bore_m: float | None) -> VariantFlow:
    """Return the flows of one variant on one side with their intervals.

    Notes
    -----
    A variant's mean flow is the mean over its ports of their mean flows, a port's that of its
    curve over the range; port spread = (largest − smallest)/mean of the port means.
    """
    variant, method, range_m = assessor.sides[side][index], assessor.method, assessor.ranges[side]
    lifts = variant.lifts_within(*variant.own_range())
    flow = tuple(variant.flow(lifts).tolist())
    ports = tuple(
        PortFlow(
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
        for curve in variant.ports
    )
    means = [port.mean_flow_m3_s for port in ports]
    mean = float(np.mean(means))
    whole, each = (assessor.contrast(side, [(index, 1.0, ())], figure) for figure in (None, AtLifts(lifts)))
    drift, blocks = assessor.drift(whole), assessor.blocks(side, whole.benches)
    spread_u95 = assessor.port_spread(side, index)
    return VariantFlow(
        name=variant.name,
        lifts_m=lifts,
        flow_m3_s=flow,
        flow_u95=tuple(assessor.spread(each, drift, blocks).relative()),
        curve_area_m4_s=float(np.mean([port.curve_area_m4_s for port in ports])),
        mean_flow_m3_s=mean,
        mean_flow_u95=assessor.spread(whole, drift, blocks).relative()[0],
        peak_flow_m3_s=max(flow),
        port_spread=(max(means) - min(means)) / mean if len(means) > 1 else None,
        port_spread_u95=spread_u95,
        ports=ports,
        bands=gains.bands(variant, range_m, method),
        lagging=checks.lagging_port(assessor, side, index, means, spread_u95),
        **area_figures(lifts, flow, variant.valve, reference_velocity(assessor.reference, side), bore_m),
    )


def compare(
    variants: Sequence[Variant],
    reference: Reference | None = None,
    bench: Bench | None = None,
    *,
    area_method: AreaMethod = "pchip",
    engine_bore_m: float | None = None,
    findings: Sequence[Finding] = (),
    history: History | None = None,
    display: Literal["US", "metric"] = "US",
) -> Comparison:
    """Compare variants of a head, per side, the first being the baseline."""
    reference, bench = reference or Reference(), bench or Bench()
    tests = tuple(test for variant in variants for test in variant.corrected)
    own = list(checks.unusable(tests))
    usable = _usable(variants)
    own += identical_findings([test for variant in usable for test in variant.corrected if test.side is not None])
    assessor, state_findings = _assessor(usable, reference, bench, area_method, history, DISPLAYS[display])
    own += state_findings
    if assessor is None:
        raise _nothing_left(variants, usable, own)
    bore_m = reference.bore_m if reference.bore_m is not None else engine_bore_m
    results: dict[Side, SideComparison] = {}
    pairs: dict[Side, tuple[gains.MatchedPair, ...]] = {}
    for side in SIDES:
        if side in assessor.sides:
            results[side], pairs[side], side_findings = _side(usable, side, assessor, bore_m)
            own += side_findings
        own += [*checks.variants_left_out(side, usable), *checks.corrected_unequally(side, variants)]
    own += checks.setup_findings(pairs, assessor)
    at_lift, at_fraction = gains.ratios(assessor.sides, assessor.ranges)
    slips = frozenset(finding.where for finding in findings if finding.rule == "typing-slip")
    if slips and any(gain.resolved for result in results.values() for gain in result.gains):
        again = partial(compare, reference=reference, bench=bench, area_method=area_method, history=history)
        results = _without_slips(results, again, variants, slips)
    own += [
        *checks.ratio_unusual(at_fraction),
        *checks.drift_findings(results, tests),
        *checks.scatter_findings(assessor),
    ]
    repeatability = assessor.repeatability()
    parts = sentences(
        results,
        display=display,
        extra_tests={
            side: gains.untangle([(one.name, one.state) for one in own]) for side, own in assessor.sides.items()
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
        made_of=Inputs(assessor.sides, partial(metric_of, assessor, usable)),
    )


def assessor_of(
    variants: Sequence[Variant],
    reference: Reference,
    bench: Bench,
    area_method: AreaMethod = "pchip",
    *,
    history: History | None = None,
) -> Assessor | None:
    """Return what the uncertainty of corrected variants is worked out from; None where nothing can be compared."""
    return _assessor(_usable(variants), reference, bench, area_method, history, DISPLAYS["US"])[0]


def _assessor(  # noqa: PLR0917
    variants: Sequence[Variant],
    reference: Reference,
    bench: Bench,
    area_method: AreaMethod,
    history: History | None,
    display: Display,
) -> tuple[Assessor | None, list[Finding]]:
    """Gather the states of each side that are compared, over which lifts, and what is doubtful about them."""
    chosen: dict[Side, tuple[SideVariant, ...]] = {}
    ranges: dict[Side, tuple[float, float]] = {}
    findings: list[Finding] = []
    for side in SIDES:
        states = side_variants(variants, side)
        if not states:
            continue
        findings += [finding for variant in variants for finding in valve_findings(variant, side)]
        findings += checks.state_findings(states)
        if reference.lifts_m is None:
            try:
                ranges[side] = common_range(curve for variant in states for curve in variant.ports)
                chosen[side] = states
            except RangeError as error:
                findings.append(Finding(error.rule, "error", side, f"{error} The {side} was left out."))
            continue
        lo, hi = reference.lifts_m
        covered = []
        for variant in states:
            try:
                low, high = variant.own_range()
            except RangeError:
                low, high = math.inf, -math.inf
            if low <= lo + SAME_LIFT_M and high >= hi - SAME_LIFT_M:
                covered.append(variant)
            else:
                findings.append(checks.not_covered(variant, (low, high), (lo, hi), display))
        if covered:
            chosen[side], ranges[side] = tuple(covered), (lo, hi)
    if not chosen:
        return None, findings
    return Assessor(chosen, ranges, reference, bench, area_method, history), findings


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
    """Call no gain proven, nor at any lift, that is not proven without the readings that look mistyped."""
    bare = [
        replace(one, corrected=tuple(_keeping(lambda point: point.source not in slips, test) for test in one.corrected))
        for one in variants
    ]
    try:
        known = again(bare).sides
    except FlowkitError:  # nothing is left to compare
        known = {}

    def held(gain: Gain, other: Gain | None) -> Gain:
        """Return a gain with what holds of it without those readings."""
        lifts = {item.lift_m for item in other.per_lift if item.resolved} if other is not None else set()
        rows = tuple(replace(item, resolved=item.resolved and item.lift_m in lifts) for item in gain.per_lift)
        gain = replace(gain, per_lift=rows)
        if not gain.resolved or (other and other.resolved and other.mean_flow_gain * gain.mean_flow_gain > 0):
            return gain
        return replace(gain, resolved=False, at_least=None, in_doubt=("it rests on a reading that looks mistyped",))

    found = {}
    for side, result in results.items():
        others = {(gain.from_, gain.to): gain for gain in known[side].gains} if side in known else {}
        found[side] = replace(result, gains=tuple(held(g, others.get((g.from_, g.to))) for g in result.gains))
    return found


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
    if any(finding.rule == "range-not-covered" for finding in findings):
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


def _side(
    variants: Sequence[Variant], side: Side, assessor: Assessor, bore_m: float | None
) -> tuple[SideComparison, tuple[gains.MatchedPair, ...], list[Finding]]:
    """Compute one side."""
    chosen, range_m = tuple(assessor.sides[side]), assessor.ranges[side]
    by_name = {variant.name: variant for variant in variants}
    states = [by_name[variant.name] for variant in chosen]
    pairs = gains.match_pairs(chosen, range_m)
    about = (checks.circumstances(pair, assessor, states) for pair in pairs)
    found = [gains.gain_of_pair(pair, assessor, range_m, known) for pair, known in zip(pairs, about, strict=True)]
    corners = gains.find_corners([variant.state for variant in chosen])
    result = SideComparison(
        range_m=range_m,
        variants=tuple(variant_flow(assessor, side, index, bore_m) for index in range(len(chosen))),
        gains=gains.with_shares(found, gains.shares_of_total(chosen, range_m, assessor.method)),
        interactions=tuple(gains.interaction(four, chosen, assessor) for four in corners),
    )
    velocity = reference_velocity(assessor.reference, side)
    findings = [one for variant in chosen if (one := checks.impossible_flow(variant, velocity)) is not None]
    findings += checks.step_findings(chosen, pairs, states)
    for variant, flow in zip(chosen, result.variants, strict=True):
        findings += checks.port_uneven(variant, flow.port_spread, flow.port_spread_u95, flow.lagging)
    return result, pairs, findings
