"""Effective areas, flow coefficients, flow per area and port velocity.

The effective area is the flow over the reference velocity of the pressure law in use; a
coefficient is the effective area over a geometric one (Heywood 1988, section 6.3.2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.areas import circle_area, curtain_area, known_throat_area, minimum_area
from flowkit.analysis.results import Coefficients
from flowkit.model import ValveGeometry

__all__ = ["AreaFigures", "area_figures", "largest_possible_area"]

Floats = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class AreaFigures:
    """What follows from the flows of a variant and its areas; None where an area is not known.

    Attributes
    ----------
    effective_area_m2 : tuple of float
    minimum_area_m2 : tuple of float or None
    coefficients : Coefficients or None
    flow_per_bore_area_m_s, flow_per_valve_area_m_s, port_velocity_m_s : tuple of float or None
    """

    effective_area_m2: Floats
    minimum_area_m2: Floats | None
    coefficients: Coefficients | None
    flow_per_bore_area_m_s: Floats | None
    flow_per_valve_area_m_s: Floats | None
    port_velocity_m_s: Floats | None


def area_figures(
    lifts_m: Floats, flow_m3_s: Floats, valve: ValveGeometry, velocity_m_s: float, bore_m: float | None
) -> AreaFigures:
    """Return everything that relates the flows of a variant to its areas.

    Parameters
    ----------
    lifts_m, flow_m3_s : tuple of float
        Lifts [m] and flows there [m³/s].
    valve : ValveGeometry
    velocity_m_s : float
        Reference velocity [m/s], see `flowkit.corrections.pressure.reference_velocity`.
    bore_m : float or None
        The engine's bore [m].

    Returns
    -------
    AreaFigures

    Notes
    -----
    ``A_eff = Q/V``; mean port velocity ``Q/A_port``.

    Examples
    --------
    >>> figures = area_figures((0.01,), (0.05,), ValveGeometry(head_m=0.038), 107.6, None)
    >>> round(figures.coefficients.curtain[0], 3), figures.coefficients.minimum is None
    (0.389, True)
    """
    flow = np.asarray(flow_m3_s)
    least = minimum_area(lifts_m, valve)
    return AreaFigures(
        effective_area_m2=_floats(flow / velocity_m_s),
        minimum_area_m2=None if least is None else _floats(least),
        coefficients=_coefficients(np.asarray(lifts_m), flow / velocity_m_s, valve),
        flow_per_bore_area_m_s=None if bore_m is None else _floats(flow / circle_area(bore_m)),
        flow_per_valve_area_m_s=None if valve.head_m is None else _floats(flow / circle_area(valve.head_m)),
        port_velocity_m_s=None if valve.port_area_m2 is None else _floats(flow / valve.port_area_m2),
    )


def _coefficients(
    lifts: NDArray[np.float64], effective: NDArray[np.float64], valve: ValveGeometry
) -> Coefficients | None:
    """Return the coefficients at every open lift, or None where no area is known."""
    # A shut valve has no curtain and no seat passage to compare with.
    open_ = lifts > 0
    lifts, effective = lifts[open_], effective[open_]
    throat, least = known_throat_area(valve), minimum_area(lifts, valve)
    if valve.head_m is None and throat is None:
        return None
    return Coefficients(
        lifts_m=_floats(lifts),
        curtain=None if valve.head_m is None else _floats(effective / curtain_area(lifts, valve.head_m)),
        throat=None if throat is None else _floats(effective / throat),
        valve=None if valve.head_m is None else _floats(effective / circle_area(valve.head_m)),
        minimum=None if least is None else _floats(effective / least),
    )


def largest_possible_area(lifts_m: NDArray[np.float64], valve: ValveGeometry) -> NDArray[np.float64] | None:
    """Return the area that no effective area can exceed [m²], as far as the valve is known.

    Parameters
    ----------
    lifts_m : array
        Lifts [m].
    valve : ValveGeometry

    Returns
    -------
    array or None
        The minimum area; the throat's where only that is known; None without either.

    Examples
    --------
    >>> largest_possible_area(np.array([0.01]), ValveGeometry()) is None
    True
    """
    least, throat = minimum_area(lifts_m, valve), known_throat_area(valve)
    if least is None and throat is not None:
        return np.full(lifts_m.shape, throat)
    return least


def _floats(values: NDArray[np.float64]) -> Floats:
    """Turn an array into plain numbers."""
    return tuple(values.tolist())
