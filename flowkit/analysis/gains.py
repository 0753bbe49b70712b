"""Gains between two variants of one side, compared like with like."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import numpy as np

from flowkit.analysis.areas import minimum_area
from flowkit.analysis.bands import band_gains
from flowkit.analysis.curves import AreaMethod, SideVariant, common_ports, merge_lifts
from flowkit.analysis.factors import what_changed
from flowkit.analysis.results import Gain, LiftGain, PortGain
from flowkit.corrections.pressure import STANDARD_BAROMETER_PA, law_difference
from flowkit.errors import CorrectionError
from flowkit.model import CorrectedTest, Reference, Side, ValveGeometry

__all__ = [
    "GainKind",
    "Interval",
    "MatchedPair",
    "expected_gains",
    "gain_of_pair",
    "match_pairs",
    "pressure_law_difference",
    "shares_of_total",
]

GainKind = Literal["step", "total", "step and total"]


@dataclass(frozen=True, slots=True, eq=False)
class MatchedPair:
    """Two variants to be compared, and over what.

    Attributes
    ----------
    before, after : SideVariant
    ports : tuple of str
        The ports tested in both; empty where none match, so that all ports of each count.
    lifts_m : tuple of float
        The lifts measured in either, within the common range [m].
    kind : {"step", "total", "step and total"}
    """

    before: SideVariant
    after: SideVariant
    ports: tuple[str, ...]
    lifts_m: tuple[float, ...]
    kind: GainKind = "step"


@dataclass(frozen=True, slots=True)
class Interval:
    """What is known of the uncertainty of one pair's gains.

    Attributes
    ----------
    gain_u95 : float or None
    resolved : bool or None
    per_lift_u95 : tuple of (float or None)
        At the pair's lifts.
    not_assessed_because : str or None
    shares : mapping
        Of the variance, by name; empty where not assessed.
    """

    gain_u95: float | None
    resolved: bool | None
    per_lift_u95: tuple[float | None, ...]
    not_assessed_because: str | None = None
    shares: Mapping[str, float] = field(default_factory=dict)


def match_pairs(variants: Sequence[SideVariant], range_m: tuple[float, float]) -> tuple[MatchedPair, ...]:
    """Return each variant against the one before it and against the first, each pair once.

    Parameters
    ----------
    variants : sequence of SideVariant
        In the job's order.
    range_m : tuple of two floats
        The side's common range [m].
    """
    pairs = []
    for place in range(1, len(variants)):
        pairs.append(_match(variants[place - 1], variants[place], range_m, "step and total" if place == 1 else "step"))
        if place > 1:
            pairs.append(_match(variants[0], variants[place], range_m, "total"))
    return tuple(pairs)


def _match(before: SideVariant, after: SideVariant, range_m: tuple[float, float], kind: GainKind) -> MatchedPair:
    """Match the ports of two variants by name and gather the lifts to compare at."""
    ports = common_ports((before, after))
    lifts = merge_lifts((*before.lifts_within(*range_m, ports), *after.lifts_within(*range_m, ports)))
    # Other variants may narrow the range to where these two were never measured: then its ends.
    return MatchedPair(before, after, ports, lifts or merge_lifts(range_m), kind)


def gain_of_pair(
    pair: MatchedPair,
    range_m: tuple[float, float],
    method: AreaMethod,
    reference: Reference,
    *,
    interval: Interval,
    share_of_total: float | None,
) -> Gain:
    """Return every figure of one gain.

    Parameters
    ----------
    pair : MatchedPair
    range_m : tuple of two floats
        The side's common range [m].
    method : {"pchip", "trapezoid"}
    reference : Reference
    interval : Interval
    share_of_total : float or None

    Returns
    -------
    Gain

    Notes
    -----
    Ratios of means over the ports tested in both; between lifts and beyond the points of one
    of the two the monotone cubic speaks, and the lift is marked as interpolated.
    """
    before, after, ports = pair.before, pair.after, pair.ports
    change = what_changed(before.state, after.state)
    per_lift = _lift_gains(pair, interval)
    expected = [item.expected for item in per_lift if item.expected is not None]
    top = range_m[1]
    return Gain(
        from_=before.name,
        to=after.name,
        kind=pair.kind,
        mean_flow_gain=after.mean_flow(*range_m, method, ports) / before.mean_flow(*range_m, method, ports) - 1,
        mean_flow_gain_u95=interval.gain_u95,
        resolved=interval.resolved,
        not_assessed_because=interval.not_assessed_because,
        mean_of_gains=math.fsum(item.gain for item in per_lift) / len(per_lift),
        gain_at_top_lift=float(after.flow(top, ports) / before.flow(top, ports) - 1),
        largest=max(per_lift, key=lambda item: item.gain),
        smallest=min(per_lift, key=lambda item: item.gain),
        share_of_total=share_of_total,
        changed=change.changed,
        unknown=change.unknown,
        attributable=change.attributable,
        matched_ports=ports,
        expected_from_geometry=math.fsum(expected) / len(expected) if expected else None,
        per_lift=per_lift,
        ports=tuple(_port_gain(pair, port, range_m, method) for port in ports),
        bands=band_gains(before, after, ports, range_m, method),
        law_difference=pressure_law_difference(pair, reference),
        unchanged=change.same,
        interval_shares=interval.shares,
    )


def _lift_gains(pair: MatchedPair, interval: Interval) -> tuple[LiftGain, ...]:
    """Return the gain at every lift measured in either."""
    gains = pair.after.flow(pair.lifts_m, pair.ports) / pair.before.flow(pair.lifts_m, pair.ports) - 1
    curves = (*pair.before.curves(pair.ports), *pair.after.curves(pair.ports))
    return tuple(
        LiftGain(
            lift_m=lift,
            gain=gain,
            u95=u95,
            interpolated=not all(curve.measured(lift) for curve in curves),
            expected=expected,
        )
        for lift, gain, u95, expected in zip(
            pair.lifts_m,
            gains.tolist(),
            interval.per_lift_u95,
            expected_gains(pair.before.valve, pair.after.valve, pair.lifts_m),
            strict=True,
        )
    )


def _port_gain(pair: MatchedPair, port: str, range_m: tuple[float, float], method: AreaMethod) -> PortGain:
    """Return the gain in mean flow of one port."""
    flows = [variant.mean_flow(*range_m, method, (port,)) for variant in (pair.before, pair.after)]
    return PortGain(port, flows[1] / flows[0] - 1)


def expected_gains(before: ValveGeometry, after: ValveGeometry, lifts_m: Sequence[float]) -> list[float | None]:
    """Return the gain at each lift that the minimum areas alone would give.

    Parameters
    ----------
    before, after : ValveGeometry
    lifts_m : sequence of float
        Lifts [m].

    Returns
    -------
    list of (float or None)
        None where an area is not known, where valve, seat and throat are the same, and shut.

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

    Parameters
    ----------
    variants : sequence of SideVariant
        In the job's order.
    range_m : tuple of two floats
        The side's common range [m].
    method : {"pchip", "trapezoid"}

    Returns
    -------
    tuple of (float or None)
        One a step, their sum 1; None where the variants share no port or nothing was gained in all.

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

    Parameters
    ----------
    pair : MatchedPair
    reference : Reference

    Returns
    -------
    float or None
        Largest ``|Δln(f_square-root/f_compressible)|`` between a test of the one and a test of the
        other; None where both were tested at the same pressure.

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
