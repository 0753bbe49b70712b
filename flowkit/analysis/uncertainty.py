"""The uncertainty of flows and gains: per lift by propagation, of curve figures by Monte Carlo.

Per lift the law of propagation (JCGM 100:2008, the GUM) gives the interval in closed form; the
curve figures, which are not linear in the points, get theirs by Monte Carlo (JCGM 101:2008).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.budget import budget_of
from flowkit.analysis.curves import SideVariant, common_ports
from flowkit.analysis.draws import Ports, SideDraws
from flowkit.analysis.factors import Corners, log_effects
from flowkit.analysis.lifts import AreaMethod
from flowkit.analysis.montecarlo import (
    DRAWS,
    SEED,
    deviation_bound,
    gain_interval,
    interval_of,
    spread_interval,
)
from flowkit.analysis.noise import PortNoise
from flowkit.analysis.propagation import Combined, Component, combine
from flowkit.analysis.results import Repeatability
from flowkit.model import Bench, Reference

if TYPE_CHECKING:
    from flowkit.analysis.gains import MatchedPair

__all__ = ["SideUncertainty", "assess_side", "flow_uncertainty", "gain_uncertainty"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SideUncertainty:
    """The intervals of one side: half the 95 % interval each, None where not assessed.

    Attributes
    ----------
    mean_flow_u95, curve_area_u95 : tuple of (float or None)
        For each variant, relative [-].
    spread_u95 : tuple of (float or None)
        For each variant, absolute [-]; None for one with a single port.
    flow_u95 : tuple of tuple of (float or None)
        For each variant at each of its lifts, relative [-].
    gain_u95 : tuple of (float or None)
        For each pair, of the gain in mean flow, absolute [-].
    gain_interval : tuple of (tuple of two floats, or None)
        The interval itself.
    resolved : tuple of (bool or None)
        Whether it excludes zero.
    per_lift_u95 : tuple of tuple of (float or None)
        For each pair at each of its lifts, of the gain, absolute [-].
    deviation_u95 : tuple of (float or None)
        For each variant: within it all its ports' deviations from their mean lie together, 95 times
        in a hundred, relative to the mean [-]; None with one port.
    interval_shares : tuple of mapping
        For each pair the shares of the variance of its gain in mean flow, by name.
    effects_u95 : tuple of (tuple of three floats, or None)
        For each set of four corners, of both main effects and the interaction, natural logarithms.
    """

    mean_flow_u95: tuple[float | None, ...]
    curve_area_u95: tuple[float | None, ...]
    spread_u95: tuple[float | None, ...]
    flow_u95: tuple[tuple[float | None, ...], ...]
    gain_u95: tuple[float | None, ...]
    gain_interval: tuple[tuple[float, float] | None, ...]
    resolved: tuple[bool | None, ...]
    per_lift_u95: tuple[tuple[float | None, ...], ...]
    deviation_u95: tuple[float | None, ...]
    interval_shares: tuple[Mapping[str, float], ...]
    effects_u95: tuple[tuple[float, ...] | None, ...]


def assess_side(  # noqa: PLR0917
    variants: Sequence[SideVariant],
    pairs: Sequence[MatchedPair],
    range_m: tuple[float, float],
    variant_lifts: Sequence[Sequence[float]],
    reference: Reference,
    bench: Bench,
    repeatability: Repeatability,
    *,
    corners: Sequence[Corners] = (),
    draws: int = DRAWS,
    seed: int = SEED,
    area_method: AreaMethod = "pchip",
) -> SideUncertainty:
    """Assess all figures of one side.

    Parameters
    ----------
    variants : sequence of SideVariant
    pairs : sequence of MatchedPair
        Of these variants.
    range_m : tuple of two floats
        The side's common range [m].
    variant_lifts : sequence of sequences of float
        For each variant the lifts its flows are given at [m].
    reference : Reference
    bench : Bench
    repeatability : Repeatability
    corners : sequence of Corners, optional
        Of these variants.
    draws, seed : int, optional
        Of the Monte Carlo; the same answer every time.
    area_method : {"pchip", "trapezoid"}, optional

    Returns
    -------
    SideUncertainty
        All None where the repeatability is not known.

    Notes
    -----
    See `gain_uncertainty` and `flowkit.analysis.montecarlo.draw_mean_flows`.

    Examples
    --------
    >>> unknown = Repeatability(None, None, "none")
    >>> assess_side((), (), (0.001, 0.010), (), Reference(), Bench(), unknown).resolved
    ()
    """
    if repeatability.s_r is None:
        return _not_assessed(variants, pairs, variant_lifts, corners)
    drawn = SideDraws.of(variants, range_m, reference, bench, repeatability, draws=draws, seed=seed, method=area_method)
    own = [drawn.ports(variant.name) for variant in variants]
    sides = [tuple(drawn.ports(one.name, pair.ports) for one in (pair.before, pair.after)) for pair in pairs]
    flows = tuple(drawn.mean_u95(ports) for ports in own)
    gains = [gain_interval(drawn.sample(before), drawn.sample(after)) for before, after in sides]
    several = [drawn.sample(ports) if len(ports) > 1 else None for ports in own]
    return SideUncertainty(
        mean_flow_u95=flows,
        curve_area_u95=flows,
        spread_u95=tuple(None if sample is None else spread_interval(sample).half for sample in several),
        flow_u95=tuple(
            tuple(flow_uncertainty(tuple(ports.values()), lift, repeatability, bench) for lift in lifts)
            for ports, lifts in zip(own, variant_lifts, strict=True)
        ),
        gain_u95=tuple(interval.half for interval in gains),
        gain_interval=tuple((interval.low, interval.high) for interval in gains),
        resolved=tuple(interval.excludes_zero for interval in gains),
        per_lift_u95=tuple(
            tuple(
                gain_uncertainty(tuple(before.values()), tuple(after.values()), lift, repeatability, bench)
                for lift in pair.lifts_m
            )
            for pair, (before, after) in zip(pairs, sides, strict=True)
        ),
        deviation_u95=tuple(None if sample is None else deviation_bound(sample) for sample in several),
        interval_shares=_shares(sides, range_m, repeatability, bench, area_method),
        effects_u95=tuple(_effects_u95(item, variants, drawn) for item in corners),
    )


def _shares(
    sides: Sequence[Sequence[Ports]],
    range_m: tuple[float, float],
    repeatability: Repeatability,
    bench: Bench,
    method: AreaMethod,
) -> tuple[Mapping[str, float], ...]:
    """Return what each pair's interval is made of."""
    gradients: dict[int, Array] = {}
    budgets = (
        budget_of([tuple(ports.values()) for ports in side], range_m, repeatability, bench, method, gradients=gradients)
        for side in sides
    )
    return tuple(budget.shares for budget in budgets)


def _effects_u95(corners: Corners, variants: Sequence[SideVariant], drawn: SideDraws) -> tuple[float, ...]:
    """Return half the intervals of both main effects and the interaction, natural logarithms."""
    four = [variants[place] for place in corners.places]
    ports = common_ports(four)
    means = [drawn.sample(drawn.ports(variant.name, ports)).mean(axis=0) for variant in four]
    return tuple(interval_of(effect).half for effect in log_effects(means))


def _not_assessed(
    variants: Sequence[SideVariant],
    pairs: Sequence[MatchedPair],
    variant_lifts: Sequence[Sequence[float]],
    corners: Sequence[Corners],
) -> SideUncertainty:
    """Return the intervals where the repeatability is not known."""
    none_each = (None,) * len(variants)
    none_pair = (None,) * len(pairs)
    return SideUncertainty(
        mean_flow_u95=none_each,
        curve_area_u95=none_each,
        spread_u95=none_each,
        flow_u95=tuple((None,) * len(lifts) for lifts in variant_lifts),
        gain_u95=none_pair,
        gain_interval=none_pair,
        resolved=none_pair,
        per_lift_u95=tuple((None,) * len(pair.lifts_m) for pair in pairs),
        deviation_u95=none_each,
        interval_shares=({},) * len(pairs),
        effects_u95=(None,) * len(corners),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Mean:
    """The mean over ports at one lift: flow, and relative variances and shares."""

    flow: float
    repeats: float
    lift: float
    session: Array
    pressure: Array
    law: float
    pressures_pa: frozenset[float]


def _mean(ports: Sequence[PortNoise], lift_m: float) -> _Mean | None:
    """Return the mean over ports at a lift; None where no air flows."""
    at = [port.at(lift_m) for port in ports]
    total = sum(port.flow for port in at)
    if not total > 0.0:
        return None
    shares = [port.flow / total for port in at]
    return _Mean(
        flow=total / len(at),
        repeats=sum(share**2 / port.runs for share, port in zip(shares, at, strict=True)),
        lift=sum((port.slope / total) ** 2 for port in at),
        session=np.sum([share * port.session_share for share, port in zip(shares, at, strict=True)], axis=0),
        pressure=np.sum([share * port.pressure_effect for share, port in zip(shares, at, strict=True)], axis=0),
        law=sum(share * port.law for share, port in zip(shares, at, strict=True)),
        pressures_pa=frozenset().union(*(port.pressures_pa for port in at)),
    )


def _combine(sides: Sequence[_Mean], law: float, repeatability: Repeatability, bench: Bench) -> Combined:
    """Combine what is uncertain about the logarithm of a flow, or of a ratio of two."""
    session, pressure = sides[-1].session, sides[-1].pressure
    if len(sides) > 1:
        session, pressure = session - sides[0].session, pressure - sides[0].pressure
    freedom = repeatability.degrees_of_freedom or math.inf
    return combine(
        (
            Component(
                "repeatability", repeatability.s_r or 0.0, math.sqrt(sum(side.repeats for side in sides)), freedom
            ),
            Component("lift setting", bench.lift_setting_m or 0.0, math.sqrt(sum(side.lift for side in sides))),
            Component("pressure reading", float(np.linalg.norm(pressure))),
            Component("drift", bench.drift or 0.0, float(np.linalg.norm(session))),
            Component("pressure law", abs(law) / math.sqrt(3.0)),
        )
    )


def flow_uncertainty(
    ports: Sequence[PortNoise], lift_m: float, repeatability: Repeatability, bench: Bench
) -> float | None:
    """Return half the 95 % interval of the mean flow over ports at one lift, relative.

    Parameters
    ----------
    ports : sequence of PortNoise
    lift_m : float
        Within the measured lifts of every port [m].
    repeatability : Repeatability
        Known.
    bench : Bench

    Returns
    -------
    float or None
        [-]; None where no air flows.

    Notes
    -----
    As `gain_uncertainty`, with the terms of one side.

    Examples
    --------
    >>> x, one = np.array([0.001, 0.003]), np.ones((2, 1))
    >>> port = PortNoise(x, 10 * x, np.full(2, 10.0), one, one[:, 0], one, 0 * one, 0 * x, (frozenset(),) * 2)
    >>> round(flow_uncertainty([port], 0.002, Repeatability(0.005, np.inf, "stated"), Bench()), 4)
    0.0098
    """
    mean = _mean(ports, lift_m)
    return None if mean is None else _combine((mean,), mean.law, repeatability, bench).expanded()


def gain_uncertainty(
    before: Sequence[PortNoise],
    after: Sequence[PortNoise],
    lift_m: float,
    repeatability: Repeatability,
    bench: Bench,
) -> float | None:
    """Return half the 95 % interval of the gain at one lift, absolute.

    Parameters
    ----------
    before, after : sequence of PortNoise
        The ports that are compared.
    lift_m : float
        Within the measured lifts of every port [m].
    repeatability : Repeatability
        Known.
    bench : Bench

    Returns
    -------
    float or None
        [-]; None where no air flows.

    Notes
    -----
    JCGM 100:2008 applied to the logarithm of the ratio of the mean flows, over both sides:
    ``u² = Σ w²·(s_r²/n + (|dQ/dL|·u_L/Q)²)``, w a port's share of the sum of flows and n its
    runs at the lift (between two measured lifts the fewer of theirs), plus for the sessions
    ``(½·u_P/ΔP)² + u_d²`` of each side and, between two test pressures, the difference of the
    pressure laws as a uniform distribution, ``(|Δln(f_sqrt/f_comp)|/√3)²``. What both sides
    share of a session cancels, in proportion where a side was flowed in several sessions: one
    session at one test pressure leaves nothing of it. The interval is ``(1 + g)·t95(ν_eff)·u``
    with the degrees of freedom of Welch and Satterthwaite, all other terms being known.

    Examples
    --------
    >>> x, one = np.array([0.001, 0.003]), np.ones((2, 1))
    >>> port = PortNoise(x, 10 * x, np.full(2, 10.0), one, one[:, 0], one, 0 * one, 0 * x, (frozenset(),) * 2)
    >>> round(gain_uncertainty([port], [port], 0.002, Repeatability(0.005, 4.0, "repeated runs"), Bench()), 4)
    0.0196
    """
    first, second = _mean(before, lift_m), _mean(after, lift_m)
    if first is None or second is None:
        return None
    law = second.law - first.law if first.pressures_pa != second.pressures_pa else 0.0
    return second.flow / first.flow * _combine((first, second), law, repeatability, bench).expanded()
