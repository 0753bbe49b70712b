"""Bore: what the fixture's bore shrouds against what the engine's bore shrouds (a model).

The head as it would flow without a wall around it has an effective area A_h, spread evenly
round the valve. At every azimuth it is in series with the gap between the valve's edge
and the wall of the bore. An engineering estimate of our own, no source.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from flowkit.corrections.pressure import reference_velocity
from flowkit.corrections.step import Inputs, Setting, Step, incomplete, made, skipped
from flowkit.errors import CorrectionError
from flowkit.model import Finding, FlowTest
from flowkit.units import format_quantity
from flowkit.wording import percent

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["FORMULA", "bore_factor", "flow_per_area", "gap_area", "shrouded_area", "unshrouded_area"]

FORMULA = (
    "Q5 = Q4·A(B_engine)/A(B_fixture), A(B) = ∫(1/a_h² + 1/a_g²)^(−1/2) dθ, "
    "A_h from A(B_fixture) = Q4/V (series gap model, an engineering estimate)"
)
AZIMUTHS = 720
"""Quadrature points round the valve; the trapezoid converges spectrally on a period."""
MOST_STEPS = 50
"""Newton's steps at most; on the axis it takes one, a valve that all but touches the wall ten."""
_THETA = np.linspace(0.0, math.pi, AZIMUTHS // 2 + 1)
_COSINE, _SINE = np.cos(_THETA), np.sin(_THETA)


def _half_gaps(bore_m: float, valve_diameter_m: float, offset_m: float) -> NDArray[np.float64]:
    """Return the gap per radian [m²] at azimuths from 0 to π; the other half mirrors it."""
    radius = bore_m / 2
    wall = -offset_m * _COSINE + np.sqrt(radius**2 - (offset_m * _SINE) ** 2)
    return np.asarray((wall**2 - (valve_diameter_m / 2) ** 2) / 2)


def _round(values: NDArray[np.float64]) -> float:
    """Integrate over the full turn what is given from 0 to π (trapezoid on a period)."""
    return float((values.sum() - (values[0] + values[-1]) / 2) * (4 * math.pi / AZIMUTHS))


def _both(length_m: float) -> str:
    """Write a length in both units of the trade."""
    return f"{format_quantity(length_m, 'mm', 2)} ({format_quantity(length_m, 'in', 3)})"


def _refuse_touching(bore_m: float, valve_diameter_m: float, offset_m: float) -> None:
    """Raise where the valve would touch the wall, or a dimension cannot be."""
    for name, value in (("bore", bore_m), ("valve", valve_diameter_m)):
        if not (value > 0 and math.isfinite(value)):
            raise CorrectionError(f"a {name} diameter of {value * 1000:g} mm is not possible", "check it and its unit")
    reach = abs(offset_m) + valve_diameter_m / 2
    if not reach < bore_m / 2:
        raise CorrectionError(
            f"a valve of {_both(valve_diameter_m)}, {_both(abs(offset_m))} off the axis, would touch the wall of "
            f"a bore of {_both(bore_m)}",
            "check bore, valve head and offset and their units",
        )


def gap_area(bore_m: float, valve_diameter_m: float) -> float:
    """Return the area between the valve's edge and the bore's wall [m²], wherever in the bore the valve is.

    Parameters
    ----------
    bore_m, valve_diameter_m : float
        Diameters [m].

    Notes
    -----
    ``π/4·(B² − D_v²)``

    Examples
    --------
    >>> round(gap_area(0.0805, 0.038) * 1e6)
    3955
    """
    return math.pi / 4 * (bore_m**2 - valve_diameter_m**2)


def shrouded_area(head_area_m2: float, bore_m: float, valve_diameter_m: float, offset_m: float = 0.0) -> float:
    """Return the effective area of a head inside a bore, A(B) [m²]: below that of the head and of the gap.

    Parameters
    ----------
    head_area_m2 : float
        Effective area of the unshrouded head, A_h [m²].
    bore_m : float
        Diameter of the bore [m].
    valve_diameter_m : float
        Diameter of the valve head [m].
    offset_m : float, optional
        Distance of the valve's axis from the bore's [m].

    Raises
    ------
    CorrectionError
        If the valve would touch the wall.

    Notes
    -----
    Model: ``A(B) = ∫ (1/a_h² + 1/a_g²)^(−1/2) dθ`` over the full turn with
    ``a_h = A_h/2π``, ``a_g = ½(r_w² − r_v²)`` and
    ``r_w = −e·cosθ + sqrt(R² − e²·sin²θ)``. On the axis ``1/A² = 1/A_h² + 1/A_gap²``.

    Examples
    --------
    >>> round(shrouded_area(500e-6, 0.0805, 0.038) * 1e6, 2)
    496.05
    """
    _refuse_touching(bore_m, valve_diameter_m, offset_m)
    if head_area_m2 == 0:
        return 0.0
    resistance = (2 * math.pi / head_area_m2) ** 2
    gaps = _half_gaps(bore_m, valve_diameter_m, offset_m)
    return _round(1 / np.sqrt(resistance + 1 / gaps**2))


def unshrouded_area(area_m2: float, bore_m: float, valve_diameter_m: float, offset_m: float = 0.0) -> float:
    """Return the effective area the head would have without a bore, A_h [m²]: the inverse of `shrouded_area`.

    Parameters
    ----------
    area_m2 : float
        Effective area measured inside the bore [m²].
    bore_m, valve_diameter_m : float
        Diameters of bore and valve head [m].
    offset_m : float, optional
        Distance of the valve's axis from the bore's [m].

    Raises
    ------
    CorrectionError
        If the area is below zero, the valve would touch the wall, or more flows than the
        gap could pass.

    Notes
    -----
    Model. Head and gap together have a power mean of ``1/a_h² + 1/a_g²`` over the azimuths, of order −1/2. It is
    concave in ``1/a_h²`` (and on the axis a straight line), so that Newton's steps from zero rise to the root and
    never pass it.

    Examples
    --------
    >>> round(unshrouded_area(496.05e-6, 0.0805, 0.038) * 1e6, 1)
    500.0
    """
    _refuse_touching(bore_m, valve_diameter_m, offset_m)
    if area_m2 < 0:
        raise CorrectionError(f"an effective area of {area_m2 * 1e6:.0f} mm² is not possible", "check the flow")
    if area_m2 == 0:
        return 0.0
    gap_resistance = 1 / _half_gaps(bore_m, valve_diameter_m, offset_m) ** 2
    if not _round(1 / np.sqrt(gap_resistance)) > area_m2:
        raise CorrectionError(
            f"an effective area of {area_m2 * 1e6:.0f} mm² is not less than the "
            f"{gap_area(bore_m, valve_diameter_m) * 1e6:.0f} mm² between valve and wall",
            "check flow, bore and valve head and their units",
        )
    wanted, head = (2 * math.pi / area_m2) ** 2, 0.0  # 1/a² of both together, and 1/a_h² that makes it
    for _ in range(MOST_STEPS):
        area = 1 / np.sqrt(head + gap_resistance)
        mean = _round(area) / (2 * math.pi)
        step = (wanted - mean**-2) * mean**3 / (_round(area**3) / (2 * math.pi))
        head += max(step, 0.0)
        if step <= 1e-15 * head:
            break
    return 2 * math.pi / math.sqrt(head)


def bore_factor(
    flow_m3_s: float,
    velocity_m_s: float,
    *,
    fixture_bore_m: float,
    engine_bore_m: float,
    valve_diameter_m: float,
    offset_m: float = 0.0,
) -> float:
    """Return what a flow in the fixture's bore is multiplied by for the engine's bore.

    Parameters
    ----------
    flow_m3_s : float
        Flow at the reference pressure [m³/s].
    velocity_m_s : float
        Velocity that turns it into an effective area [m/s], see
        `flowkit.corrections.pressure.reference_velocity`.
    fixture_bore_m, engine_bore_m : float
        Bores of fixture and engine [m].
    valve_diameter_m : float
        Diameter of the valve head [m].
    offset_m : float, optional
        Distance of the valve's axis from the bore's [m].

    Raises
    ------
    CorrectionError
        If the valve would touch either wall, or more flows than the gap could pass.

    Notes
    -----
    ``A(B_engine)/A(B_fixture)``, exactly 1 where both bores are the same; model, see `shrouded_area`.

    Examples
    --------
    >>> round(bore_factor(
    ...     0.1, 107.6, fixture_bore_m=0.0805, engine_bore_m=0.083, valve_diameter_m=0.038), 4)
    1.004
    """
    _refuse_touching(engine_bore_m, valve_diameter_m, offset_m)
    area = flow_m3_s / velocity_m_s
    head = unshrouded_area(area, fixture_bore_m, valve_diameter_m, offset_m)
    if fixture_bore_m == engine_bore_m or head == 0:
        return 1.0  # a valve that is all but closed does not feel the wall
    return shrouded_area(head, engine_bore_m, valve_diameter_m, offset_m) / area


def flow_per_area(flow_m3_s: float, diameter_m: float) -> float:
    """Return flow over ``π/4·D²`` [m/s], to compare heads of different size.

    Parameters
    ----------
    flow_m3_s : float
        Flow [m³/s].
    diameter_m : float
        Diameter of the bore, or of the valve head [m].

    Examples
    --------
    >>> round(flow_per_area(0.1, 0.0805), 2)
    19.65
    """
    return flow_m3_s / (math.pi / 4 * diameter_m**2)


def correct_bore(flow: tuple[float, ...], test: FlowTest, setting: Setting) -> Step:
    """Bring a test's flows from the fixture's to the engine's bore, where the geometry can be.

    The valve's diameter on the sheet counts before the one given for its side; without an offset the valve is taken to
    be on the axis (which does not matter where both bores are the same).
    """
    engine, fixture = setting.reference.bore_m, test.conditions.fixture_bore_m
    geometry = setting.valves.get(test.side) if test.side else None
    valve = test.conditions.valve_diameter_m
    if valve is None and geometry is not None:
        valve = geometry.head_m
    if engine is None:
        said, other = [], setting.engine_bore_m
        if fixture is not None and other is not None and abs(fixture / other - 1) > 0.01:
            message = (
                f"The fixture's bore of {_both(fixture)} and the engine's of {_both(other)} differ by "
                f"{percent(abs(fixture / other - 1))}, and the flows were not corrected for it. "
                "Give the engine's bore as the reference's bore to have them corrected."
            )
            said.append(Finding("fixture-differs", "warning", test.id, message))
        return skipped("bore", FORMULA, flow, "the reference has no engine bore", None, *said)
    offset = geometry.offset_m if geometry is not None else None
    inputs: Inputs = {
        "fixture_bore_m": fixture,
        "engine_bore_m": engine,
        "valve_diameter_m": valve,
        "offset_m": offset if offset is not None else 0.0,
        "offset": "stated" if offset is not None else "not stated, taken to be on the axis",
    }
    if fixture is None or valve is None:
        missing = f"the {'fixture bore' if fixture is None else 'valve head diameter'} is not known"
        note = incomplete(test, "bore", missing, "state it in the job")
        return skipped("bore", FORMULA, flow, missing, inputs, note)
    try:
        velocity = reference_velocity(setting.reference, test.side)
        dimensions = {
            "fixture_bore_m": fixture, "engine_bore_m": engine, "valve_diameter_m": valve, "offset_m": offset or 0.0
        }  # fmt: skip
        factors = [bore_factor(q, velocity, **dimensions) for q in flow]
    except CorrectionError as problem:
        finding = Finding("bore-impossible", "error", test.id, f"The bore correction was not made: {problem}")
        return skipped("bore", FORMULA, flow, problem.problem, inputs, finding)
    inputs["velocity_m_s"] = velocity
    findings: tuple[Finding, ...] = ()
    if offset is None and fixture != engine:
        message = (
            "The valve's offset from the bore's axis is not stated, so the bore correction took it to be on the "
            "axis. A valve near the wall is shrouded more than that."
        )
        findings = (Finding("valve-on-axis", "note", test.id, message),)
    return made("bore", FORMULA, flow, inputs, factor=factors, findings=findings)
