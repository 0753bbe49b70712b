"""The whole comparison: corrected variants to flows, gains, intervals, findings and words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from flowkit.analysis import checks
from flowkit.analysis.areas import area_figures, takeover_lift, valve_contradictions
from flowkit.analysis.checks import corrected_unequally, lagging_port
from flowkit.analysis.curves import AreaMethod, PortCurve, SideVariant, common_ports, common_range, side_variants
from flowkit.analysis.gains import (
    Interval,
    MatchedPair,
    bands,
    find_corners,
    gain_of_pair,
    interaction,
    match_pairs,
    ratio_at_fraction,
    ratio_at_lift,
    shares_of_total,
)
from flowkit.analysis.planning import untangle
from flowkit.analysis.results import (
    Comparison,
    Gain,
    PortFlow,
    PortLag,
    RatioPoint,
    Repeatability,
    SideComparison,
    VariantFlow,
)
from flowkit.analysis.runs import (
    pool_repeatability,
    repeatability_findings,
    runs_of,
    session_findings,
    why_not_assessed,
)
from flowkit.analysis.sentences import sentences
from flowkit.analysis.uncertainty import DRAWS, SEED, SideUncertainty, assess_side
from flowkit.corrections import reference_state
from flowkit.corrections.pressure import reference_velocity
from flowkit.errors import FlowkitError, JobError, RangeError, SheetError
from flowkit.findings import joined
from flowkit.model import Bench, Finding, Reference, Side, Variant

__all__ = ["compare", "variant_flow"]


def variant_flow(
    variant: SideVariant,
    lifts_m: tuple[float, ...],
    range_m: tuple[float, float],
    method: AreaMethod,
    *,
    flow_u95: tuple[float | None, ...],
    mean_flow_u95: float | None,
    spread_u95: float | None,
    deviation_u95: float | None,
    velocity_m_s: float,
    bore_m: float | None,
) -> VariantFlow:
    """Return the flows of one variant on one side.

    Parameters
    ----------
    variant : SideVariant
    lifts_m : tuple of float
        Lifts within the ranges of all its ports [m].
    range_m : tuple of two floats
        The side's common range [m].
    method : {"pchip", "trapezoid"}
    flow_u95 : tuple of (float or None)
        Relative, at `lifts_m`.
    mean_flow_u95, spread_u95, deviation_u95 : float or None
        Relative; absolute; relative, of the ports' deviations from their mean.
    velocity_m_s : float
        Reference velocity of the side [m/s].
    bore_m : float or None
        The engine's bore [m].

    Returns
    -------
    VariantFlow

    Notes
    -----
    A variant's mean flow is the mean over its ports of their mean flows, a port's that of its
    curve over the common range; port spread = (largest − smallest)/mean of the port means.
    """
    flow = tuple(variant.flow(lifts_m).tolist())
    ports = tuple(_port_flow(curve, range_m, method) for curve in variant.ports)
    means = [port.mean_flow_m3_s for port in ports]
    mean = float(np.mean(means))
    figures = area_figures(lifts_m, flow, variant.valve, velocity_m_s, bore_m)
    return VariantFlow(
        name=variant.name,
        lifts_m=lifts_m,
        flow_m3_s=flow,
        flow_u95=flow_u95,
        curve_area_m4_s=float(np.mean([port.curve_area_m4_s for port in ports])),
        mean_flow_m3_s=mean,
        mean_flow_u95=mean_flow_u95,
        peak_flow_m3_s=max(flow),
        port_spread=(max(means) - min(means)) / mean if len(means) > 1 else None,
        port_spread_u95=spread_u95,
        ports=ports,
        coefficients=figures.coefficients,
        effective_area_m2=figures.effective_area_m2,
        minimum_area_m2=figures.minimum_area_m2,
        takeover_lift_m=takeover_lift(variant.valve),
        bands=bands(variant, range_m, method),
        lagging=_lagging(variant, means, range_m, deviation_u95),
        flow_per_bore_area_m_s=figures.flow_per_bore_area_m_s,
        flow_per_valve_area_m_s=figures.flow_per_valve_area_m_s,
        port_velocity_m_s=figures.port_velocity_m_s,
    )


def _lagging(
    variant: SideVariant, means: Sequence[float], range_m: tuple[float, float], deviation_u95: float | None
) -> PortLag | None:
    """Return the port that lags, with what the bench's scatter alone could do."""
    lag = lagging_port(variant, means, range_m)
    return None if lag is None else replace(lag, below_mean_u95=deviation_u95)


def _port_flow(curve: PortCurve, range_m: tuple[float, float], method: AreaMethod) -> PortFlow:
    """Return the figures of one port."""
    return PortFlow(
        port=curve.port,
        curve_area_m4_s=curve.area(*range_m, method),
        mean_flow_m3_s=curve.mean_flow(*range_m, method),
        runs=len(runs_of(curve.tests)),
        lifts_m=tuple(curve.lifts_m.tolist()),
        flow_m3_s=tuple(curve.flow_m3_s.tolist()),
        sources=curve.sources,
    )


SIDES: tuple[Side, ...] = ("intake", "exhaust")


@dataclass(frozen=True, slots=True)
class _Setting:
    """What holds for both sides."""

    reference: Reference
    bench: Bench
    repeatability: Repeatability
    area_method: AreaMethod
    bore_m: float | None
    draws: int
    seed: int


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
    draws: int = DRAWS,
    seed: int = SEED,
    display: Literal["US", "metric"] = "US",
) -> Comparison:
    """Compare variants of a head, per side, the first being the baseline.

    Parameters
    ----------
    variants : sequence of Variant
        With corrected tests, in the order of the work.
    reference : Reference, optional
        The state the tests were corrected to.
    bench : Bench, optional
        What is known of the bench's uncertainty.
    area_method : {"pchip", "trapezoid"}, optional
        How the area under a curve is taken.
    engine_bore_m : float, optional
        The engine's bore [m] for flow per bore area, where the reference has none.
    findings : sequence of Finding, optional
        What was doubtful before, to stand with what is doubtful now.
    draws, seed : int, optional
        Of the Monte Carlo; the same answer every time.
    display : {"US", "metric"}, optional
        The units of the sentences; results are SI.

    Returns
    -------
    Comparison
        A side whose curves have no lift in common is left out with an error finding, as long as
        the other can be compared.

    Raises
    ------
    JobError
        If two variants have the same name.
    SheetError
        If there is no test, or none that says its side and has a flow.
    RangeError
        If on no side the curves have a lift in common.

    Examples
    --------
    >>> from flowkit.analysis import compare
    >>> compare([])
    Traceback (most recent call last):
    ...
    flowkit.errors.SheetError: there are no tests to compare; give at least one sheet with a flow test.
    """
    reference, bench = reference or Reference(), bench or Bench()
    tests = tuple(test for variant in variants for test in variant.corrected)
    own = [*checks.side_missing(tests), *checks.zero_flow(tests)]
    usable = _usable(variants)
    usable_tests = [test for variant in usable for test in variant.corrected if test.side is not None]
    setting = _Setting(
        reference=reference,
        bench=bench,
        repeatability=pool_repeatability(usable_tests, bench),
        area_method=area_method,
        bore_m=reference.bore_m if reference.bore_m is not None else engine_bore_m,
        draws=draws,
        seed=seed,
    )
    sides: dict[Side, _Side] = {}
    for side in SIDES:
        computed, side_findings = _side(usable, side, setting)
        own += [*side_findings, *checks.variants_left_out(side, usable), *corrected_unequally(side, variants)]
        if computed is not None:
            sides[side] = computed
    if not sides:
        raise _nothing_left(variants, usable)
    at_lift, at_fraction = _ratios(sides)
    own += [*checks.ratio_unusual(at_fraction), *session_findings(usable_tests, bench)]
    own += repeatability_findings(setting.repeatability)
    results = {side: computed.result for side, computed in sides.items()}
    return Comparison(
        reference=reference_state(reference),
        sides=results,
        findings=joined(findings, own),
        repeatability=setting.repeatability,
        ratio_at_lift=at_lift,
        ratio_at_fraction=at_fraction,
        area_method=area_method,
        sentences=sentences(
            results,
            display=display,
            extra_tests={
                side: untangle([(one.name, one.state) for one in computed.variants]) for side, computed in sides.items()
            },
            degrees_of_freedom=setting.repeatability.degrees_of_freedom,
        ),
        tests=tests,
    )


def _usable(variants: Sequence[Variant]) -> tuple[Variant, ...]:
    """Return the variants with the points that have a flow, refusing two of one name."""
    twice = checks.duplicate_names(variants)
    if twice is not None:
        raise JobError(f"two variants are named {twice!r}", "give each state of the head a name of its own")
    cleaned = []
    for variant in variants:
        tests = (
            replace(test, points=tuple(point for point in test.points if checks.flows(point)))
            for test in variant.corrected
        )
        cleaned.append(replace(variant, corrected=tuple(test for test in tests if test.points)))
    return tuple(cleaned)


def _nothing_left(variants: Sequence[Variant], usable: Sequence[Variant]) -> FlowkitError:
    """Say why no side can be compared."""
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
        "write it in the sheets, or state it with --side intake or --side exhaust",
    )


def _side(variants: Sequence[Variant], side: Side, setting: _Setting) -> tuple[_Side | None, list[Finding]]:
    """Compute one side; None where it has no tests or no lift in common."""
    chosen = side_variants(variants, side)
    if not chosen:
        return None, []
    findings = [item for variant in variants for item in valve_contradictions(variant, side)]
    findings += checks.valve_impossible(chosen)
    try:
        range_m = common_range(curve for variant in chosen for curve in variant.ports)
    except RangeError as error:
        return None, [*findings, Finding(error.rule, "error", side, f"{error} The {side} was left out.")]
    pairs = match_pairs(chosen, range_m)
    lifts = [variant.lifts_within(*variant.own_range()) for variant in chosen]
    corners = find_corners([variant.state for variant in chosen])
    uncertainty = assess_side(
        chosen,
        pairs,
        range_m,
        lifts,
        setting.reference,
        setting.bench,
        setting.repeatability,
        corners=corners,
        draws=setting.draws,
        seed=setting.seed,
        area_method=setting.area_method,
    )
    velocity = reference_velocity(setting.reference, side)
    result = SideComparison(
        range_m=range_m,
        variants=tuple(
            variant_flow(
                variant,
                lifts[place],
                range_m,
                setting.area_method,
                flow_u95=uncertainty.flow_u95[place],
                mean_flow_u95=uncertainty.mean_flow_u95[place],
                spread_u95=uncertainty.spread_u95[place],
                deviation_u95=uncertainty.deviation_u95[place],
                velocity_m_s=velocity,
                bore_m=setting.bore_m,
            )
            for place, variant in enumerate(chosen)
        ),
        gains=_gains(chosen, pairs, range_m, uncertainty, setting),
        interactions=tuple(
            interaction(
                item, chosen, lambda variant, ports: variant.mean_flow(*range_m, setting.area_method, ports), u95
            )
            for item, u95 in zip(corners, uncertainty.effects_u95, strict=True)
        ),
    )
    computed = _Side(chosen, pairs, result)
    return computed, findings + _side_findings(computed, velocity)


def _side_findings(side: _Side, velocity_m_s: float) -> list[Finding]:
    """Return what is doubtful about a side once it is computed."""
    findings = [
        *checks.impossible_flow(side.variants, velocity_m_s),
        *checks.confounded(side.pairs),
        *checks.unmatched_ports(side.variants, side.pairs, common_ports(side.variants)),
    ]
    for variant, flow in zip(side.variants, side.result.variants, strict=True):
        findings += checks.port_uneven(variant, flow.port_spread, flow.lagging)
    return findings


def _gains(
    variants: Sequence[SideVariant],
    pairs: Sequence[MatchedPair],
    range_m: tuple[float, float],
    uncertainty: SideUncertainty,
    setting: _Setting,
) -> tuple[Gain, ...]:
    """Return the gain of every pair with its interval and, for a step, its share of the total."""
    shares = iter(shares_of_total(variants, range_m, setting.area_method))
    why = why_not_assessed(setting.repeatability)
    return tuple(
        gain_of_pair(
            pair,
            range_m,
            setting.area_method,
            setting.reference,
            interval=Interval(
                uncertainty.gain_u95[place],
                uncertainty.resolved[place],
                uncertainty.per_lift_u95[place],
                why,
                uncertainty.interval_shares[place],
            ),
            share_of_total=None if pair.kind == "total" else next(shares),
        )
        for place, pair in enumerate(pairs)
    )


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
