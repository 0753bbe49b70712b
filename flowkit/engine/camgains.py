"""Gains in cam-weighted mean flow, with their intervals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.results import Gain, SideComparison, VariantFlow
from flowkit.engine.cam import Cam
from flowkit.engine.lifting import LiftedCurve, cam_weighted_mean
from flowkit.engine.results import CamGain
from flowkit.model import Side

__all__ = ["cam_gain", "cam_gains", "relative_u95"]

Array = NDArray[np.float64]
_SAMPLES = 2001


def cam_gains(side: Side, compared: SideComparison, cam: Cam, names: Sequence[str]) -> tuple[CamGain, ...]:
    """Return the gain in cam-weighted mean flow wherever the comparison has a gain.

    Parameters
    ----------
    side : {"intake", "exhaust"}
    compared : SideComparison
    cam : Cam
    names : sequence of str
        Variants that were measured up to the cam's lift; gains of others cannot be made.

    Returns
    -------
    tuple of CamGain
    """
    return tuple(
        cam_gain(side, gain, compared, cam) for gain in compared.gains if gain.from_ in names and gain.to in names
    )


def cam_gain(side: Side, gain: Gain, compared: SideComparison, cam: Cam) -> CamGain:
    """Return one gain in cam-weighted mean flow, like with like.

    The ratio of the means over the ports tested in both variants, as the comparison matched them,
    where they were measured up to the cam's lift; else of all ports.

    Parameters
    ----------
    side : {"intake", "exhaust"}
    gain : Gain
        The comparison's own of the two variants, with its intervals per lift.
    compared : SideComparison
    cam : Cam

    Returns
    -------
    CamGain
    """
    before, after = compared.variant(gain.from_), compared.variant(gain.to)
    ratio = _matched_ratio(before, after, gain.matched_ports, cam)
    value = ratio - 1
    relative = relative_u95(gain, compared.range_m, after, cam)
    u95 = None if relative is None else ratio * relative
    return CamGain(
        side=side,
        from_=gain.from_,
        to=gain.to,
        kind=gain.kind,
        gain=value,
        u95=u95,
        resolved=None if u95 is None else abs(value) > u95,
        not_assessed_because=gain.not_assessed_because,
    )


def _curve(variant: VariantFlow) -> LiftedCurve:
    """Return a variant's flow over lift, the mean of its ports."""
    return LiftedCurve(variant.lifts_m, variant.flow_m3_s)


def _matched_ratio(before: VariantFlow, after: VariantFlow, ports: Sequence[str], cam: Cam) -> float:
    """Return the ratio of cam-weighted mean flows over the ports both have."""
    same = {port.port for port in before.ports} == {port.port for port in after.ports} == set(ports)
    if ports and not same:
        curves = [
            [LiftedCurve(port.lifts_m, port.flow_m3_s) for port in variant.ports if port.port in ports]
            for variant in (before, after)
        ]
        if all(curve.covers(cam.peak_lift_m) for group in curves for curve in group):
            low, high = (float(np.mean([cam_weighted_mean(cam, curve) for curve in group])) for group in curves)
            return high / low
    return cam_weighted_mean(cam, _curve(after)) / cam_weighted_mean(cam, _curve(before))


def relative_u95(gain: Gain, range_m: tuple[float, float], after: VariantFlow, cam: Cam) -> float | None:
    """Return the half-width of the 95 % interval of a ratio of cam-weighted mean flows, over the ratio.

    The comparison gives intervals per lift, and one of the gain in mean flow by Monte Carlo. How far
    the errors along the curve are common is found from these: with r_j the relative interval at
    lift j and m_j its share of the mean flow, U² = ρ·(Σ m_j·r_j)² + (1 − ρ)·Σ(m_j·r_j)² is solved for ρ,
    0 to 1. The same ρ with the cam's shares gives the interval here (model; the two sums are the
    limits of JCGM 100:2008, 5.2, for fully correlated and uncorrelated inputs).

    Parameters
    ----------
    gain : Gain
    range_m : tuple of two floats
        The range of lifts of the gain in mean flow [m].
    after : VariantFlow
        For the shares of the lifts in the flow.
    cam : Cam

    Returns
    -------
    float or None
        None where the comparison has no intervals.
    """
    if gain.mean_flow_gain_u95 is None or not gain.per_lift or any(item.u95 is None for item in gain.per_lift):
        return None
    lifts = np.array([item.lift_m for item in gain.per_lift])
    relative = np.array([(item.u95 or 0.0) / (1 + item.gain) for item in gain.per_lift])
    flow = _curve(after)
    even = np.clip(np.linspace(*range_m, _SAMPLES), 0.0, flow.highest_m)
    common, apart = _limits(even, flow(even), lifts, relative)
    target = (gain.mean_flow_gain_u95 / (1 + gain.mean_flow_gain)) ** 2
    spread = common**2 - apart**2
    rho = 1.0 if spread <= 0 else float(np.clip((target - apart**2) / spread, 0.0, 1.0))
    on_cam = cam.lift(cam.open_angles(_SAMPLES))
    common, apart = _limits(on_cam, flow(on_cam), lifts, relative)
    return float(np.sqrt(rho * common**2 + (1 - rho) * apart**2))


def _limits(at: Array, flow: Array, lifts: Array, relative: Array) -> tuple[float, float]:
    """Return the interval of a mean for errors fully common along the curve, and for independent ones."""
    shares = np.zeros(len(lifts))
    # Each sample's flow belongs to the measured lifts beside it, in proportion to nearness.
    place = np.clip(np.searchsorted(lifts, at) - 1, 0, max(len(lifts) - 2, 0))
    if len(lifts) == 1:
        shares[0] = np.sum(flow)
    else:
        upper = np.clip((at - lifts[place]) / (lifts[place + 1] - lifts[place]), 0.0, 1.0)
        np.add.at(shares, place, flow * (1 - upper))
        np.add.at(shares, place + 1, flow * upper)
    parts = shares / np.sum(shares) * relative
    return float(np.sum(parts)), float(np.sqrt(np.sum(parts**2)))
