"""The flows of one variant on one side, and what follows from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from flowkit.analysis.areas import takeover_lift
from flowkit.analysis.bands import bands
from flowkit.analysis.checks import lagging_port
from flowkit.analysis.coefficients import area_figures
from flowkit.analysis.curves import AreaMethod, PortCurve, SideVariant
from flowkit.analysis.repeatability import runs_of
from flowkit.analysis.results import PortFlow, PortLag, VariantFlow

__all__ = ["variant_flow"]


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
