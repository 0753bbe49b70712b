"""The figures of one variant on one side, as `flowkit.analysis.results` gives them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Band", "Coefficients", "PortFlow", "PortLag", "VariantFlow"]


@dataclass(frozen=True, slots=True)
class PortFlow:
    """One port of one variant: the mean of its corrected runs.

    Attributes
    ----------
    port : str
        Its name; "" where the sheets give none.
    curve_area_m4_s, mean_flow_m3_s : float
        Over the side's common range.
    runs : int
        Tests of this port.
    lifts_m, flow_m3_s : tuple of float
        Its measured lifts [m] and the mean of its runs there [m³/s].
    sources : tuple of tuple of str
        For each lift, the cells of the readings behind it.
    """

    port: str
    curve_area_m4_s: float
    mean_flow_m3_s: float
    runs: int
    lifts_m: tuple[float, ...]
    flow_m3_s: tuple[float, ...]
    sources: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class PortLag:
    """A port that flows less than the mean of its variant, and where.

    Attributes
    ----------
    port : str
    below_mean : float
        In mean flow, relative.
    worst_lift_m : float
        Where it lags most [m].
    worst_below_mean : float
        There, relative.
    below_mean_u95 : float or None
        By how much the bench's scatter alone could set any of the ports off their mean, 95 times in a
        hundred; None where not assessed.
    """

    port: str
    below_mean: float
    worst_lift_m: float
    worst_below_mean: float
    below_mean_u95: float | None = None

    @property
    def beyond_scatter(self) -> bool | None:
        """Whether it lags by more than that; None where not assessed."""
        return None if self.below_mean_u95 is None else self.below_mean > self.below_mean_u95


@dataclass(frozen=True, slots=True)
class Band:
    """A band of lift and the mean flow in it."""

    name: Literal["low", "middle", "high"]
    from_m: float
    to_m: float
    mean_flow_m3_s: float


@dataclass(frozen=True, slots=True)
class Coefficients:
    """Flow coefficients of a variant at its lifts; None where the geometry is not known."""

    lifts_m: tuple[float, ...]
    curtain: tuple[float, ...] | None
    throat: tuple[float, ...] | None
    valve: tuple[float, ...] | None
    minimum: tuple[float, ...] | None


@dataclass(frozen=True, slots=True)
class VariantFlow:
    """One variant on one side, at the reference state, over the side's common range.

    Attributes
    ----------
    lifts_m, flow_m3_s : tuple of float
        Mean over the ports at every lift measured in any of them within all their ranges.
    flow_u95 : tuple of (float or None)
        Relative, per lift.
    curve_area_m4_s, mean_flow_m3_s, peak_flow_m3_s : float
        Area [m⁴/s] and mean [m³/s] over the common range; peak of `flow_m3_s`.
    mean_flow_u95, port_spread, port_spread_u95 : float or None
    ports : tuple of PortFlow
    coefficients : Coefficients or None
    effective_area_m2, minimum_area_m2 : tuple of float or None
        At `lifts_m`.
    takeover_lift_m : float or None
        Where the throat takes over from the seat.
    bands : tuple of Band
    lagging : PortLag or None
        The port that flows least, where the spread is worth naming (finding port-uneven).
    flow_per_bore_area_m_s, flow_per_valve_area_m_s : tuple of float or None
        At `lifts_m`, to compare heads of different size.
    port_velocity_m_s : tuple of float or None
        Mean port velocity at `lifts_m`, where the cross-section is known.
    """

    name: str
    lifts_m: tuple[float, ...]
    flow_m3_s: tuple[float, ...]
    flow_u95: tuple[float | None, ...]
    curve_area_m4_s: float
    mean_flow_m3_s: float
    mean_flow_u95: float | None
    peak_flow_m3_s: float
    port_spread: float | None
    port_spread_u95: float | None
    ports: tuple[PortFlow, ...]
    coefficients: Coefficients | None
    effective_area_m2: tuple[float, ...]
    minimum_area_m2: tuple[float, ...] | None
    takeover_lift_m: float | None
    bands: tuple[Band, ...]
    lagging: PortLag | None
    flow_per_bore_area_m_s: tuple[float, ...] | None
    flow_per_valve_area_m_s: tuple[float, ...] | None
    port_velocity_m_s: tuple[float, ...] | None
