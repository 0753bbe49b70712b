"""Curves, areas and gains."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

from flowkit.analysis.areas import minimum_area, seat_area, takeover_lift, throat_area
from flowkit.analysis.curves import PortCurve, SideVariant
from flowkit.analysis.gains import find_corners, log_effects, shares_of_total
from flowkit.analysis.lifts import integrate
from flowkit.model import ValveGeometry
from tests.published.checks import Check

__all__ = ["CHECKS"]

_HEYWOOD = (
    "geometry of a cone's frustum and a ring, worked by hand, half the last digit; numbered (6.7)-(6.9) in Heywood, "
    "Internal Combustion Engine Fundamentals (1988), from memory"
)
_PCHIP = (
    "Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, end slopes after Moler, Numerical Computing with "
    "MATLAB (2004), 3.6; formula read in scipy 1.17.1, interpolate/_cubic.py; worked by hand as fractions (rounding of "
    "floating-point numbers allowed)"
)
_SLATEC = (
    "SLATEC's own check of its monotone cubic, chk/dpchq3.f90 (data and slopes, nine figures); area over the range by "
    "scipy 1.17.1"
)
_RPN = (
    "Fritsch & Carlson's RPN data, SIAM J. Numer. Anal. 17 (1980) 238, as carried by GSL's manual; area by scipy 1.17.1"
)
_TRADE = "figures of the trade as people round them; common practice, no source; half the last digit"
_FACTORIAL = "two-level factorial with known effects, by definition (rounding of floating-point numbers allowed)"


def _valve(head: float, throat: float, stem: float, angle: float, radial_width: float) -> ValveGeometry:
    """Return a valve given in mm, its seat's width measured radially as Heywood has it."""
    face = radial_width / math.cos(math.radians(angle))
    return ValveGeometry(head / 1e3, stem / 1e3, throat / 1e3, angle, face / 1e3)


_FLAT_45 = _valve(40.0, 36.0, 8.0, 45.0, 2.0)
_FLAT_30 = _valve(34.0, 30.0, 7.0, 30.0, 1.5)
_WIDE_45 = _valve(40.0, 20.0, 8.0, 45.0, 6.0)


def _seat_mm2(valve: ValveGeometry, lift_mm: float) -> float:
    """Return the seat's passage [mm²]."""
    area = seat_area(lift_mm / 1e3, valve.head_m or 0.0, valve.seat_angle_deg or 0.0, valve.seat_width_m or 0.0)
    return float(area) * 1e6


def _minimum_mm2(valve: ValveGeometry, lift_mm: float) -> float:
    """Return the least passage [mm²]."""
    area = minimum_area(lift_mm / 1e3, valve)
    return math.nan if area is None else float(area) * 1e6


def _takeover_mm(valve: ValveGeometry) -> float:
    """Return the takeover lift [mm]."""
    lift = takeover_lift(valve)
    return math.nan if lift is None else lift * 1e3


def _areas() -> tuple[Check, ...]:
    """Return the checks of seat, throat and takeover."""
    checks = [
        Check(f"passage at the seat, {words}", _HEYWOOD, area, 0.005, "mm²", partial(_seat_mm2, valve, lift))
        for words, valve, lift, area in (
            ("45°, 2 mm lift (lower region)", _FLAT_45, 2.0, 164.39),
            ("45°, 4 mm lift (border of the regions)", _FLAT_45, 4.0, 337.66),
            ("45°, 8 mm lift (upper region)", _FLAT_45, 8.0, 755.03),
            ("30°, 2 mm lift (lower region)", _FLAT_30, 2.0, 173.40),
            ("30°, 6 mm lift (upper region)", _FLAT_30, 6.0, 546.10),
        )
    ]
    checks.append(
        Check("throat 36 mm, stem 8 mm", _HEYWOOD, 967.61, 0.005, "mm²", lambda: throat_area(0.036, 0.008) * 1e6)
    )
    checks.append(
        Check(
            "least passage above takeover is the throat",
            _HEYWOOD,
            967.61,
            0.005,
            "mm²",
            partial(_minimum_mm2, _FLAT_45, 11.0),
        )
    )
    for words, valve, lift in (
        ("45°", _FLAT_45, 9.8546),
        ("30°", _FLAT_30, 7.2380),
        ("45°, in the lower region", _WIDE_45, 3.9623),
    ):
        checks.append(Check(f"takeover lift, {words}", _HEYWOOD, lift, 0.00005, "mm", partial(_takeover_mm, valve)))
    return tuple(checks)


def _area_under(x: Sequence[float], y: Sequence[float]) -> float:
    """Return the area under the monotone cubic through all the points."""
    return integrate(x, y, x[0], x[-1])


_BELL_X = (-2.2, -1.2, -1.0, -0.5, -0.01, 0.5, 1.0, 2.0, 2.2)
_BELL_Y = tuple(math.exp(-x * x) for x in _BELL_X)
_RPN_X = (7.99, 8.09, 8.19, 8.7, 9.2, 10.0, 12.0, 15.0, 20.0)
_RPN_Y = (0.0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994)


def _curves() -> tuple[Check, ...]:
    """Return the checks of areas under curves."""
    worked: tuple[tuple[str, tuple[float, ...], tuple[float, ...], float], ...] = (
        ("a straight line", (1.0, 2.0, 4.0, 7.0), (3.0, 5.0, 9.0, 15.0), 54.0),
        ("three points, equal steps", (0.0, 1.0, 2.0), (0.0, 1.0, 3.0), 7 / 3),
        ("three points, unequal steps", (0.0, 1.0, 3.0), (0.0, 2.0, 3.0), 6 + 71 / 168),
        ("four points with a plateau", (0.0, 1.0, 2.0, 3.0), (0.0, 2.0, 3.0, 3.0), 161 / 24),
        ("a peak", (0.0, 1.0, 2.0), (5.0, 6.0, 2.0), 9.5 + 19 / 24),
    )
    further = (
        ("exp(−x²) at nine places", _SLATEC, _BELL_X, _BELL_Y, 1.79759388512, 1e-11),
        ("the RPN data", _RPN, _RPN_X, _RPN_Y, 10.7648135, 5e-8),
    )
    published = tuple(
        Check(f"area under {name}", source, area, tolerance, "", partial(_area_under, x, y))
        for name, source, x, y, area, tolerance in further
    )
    return published + tuple(
        Check(f"area under {name}", _PCHIP, area, 1e-12 * area, "", partial(_area_under, x, y))
        for name, x, y, area in worked
    )


def _heads(flows: Sequence[float], states: Sequence[dict[str, str]]) -> tuple[SideVariant, ...]:
    """Return variants of one port with constant flows."""
    import numpy as np

    lifts = np.array([0.002, 0.008])
    return tuple(
        SideVariant(
            name=f"state {place}",
            side="intake",
            ports=(PortCurve(f"state {place}", "intake", "1", (), lifts.copy(), np.full(2, flow), ()),),
            state=state,
            valve=ValveGeometry(),
        )
        for place, (flow, state) in enumerate(zip(flows, states, strict=True))
    )


def _valves_alone() -> float:
    """Return what the valves alone are worth [%]: port work +10 %, with slimmer valves +14 %."""
    before, between, after = _heads((1.0, 1.10, 1.14), ({},) * 3)
    share = shares_of_total((before, between, after), (0.002, 0.008), "pchip")[1]
    return math.nan if share is None else (1.14**share - 1) * 100


def _crossed(which: int) -> float:
    """Return an effect of the factorial 1, 1.10, 1.05, 1.10·1.05·1.02: first, second or interaction."""
    levels = ("0", "1")
    states = [{"ports": ports, "seats": seats} for seats in levels for ports in levels]
    heads = _heads((1.0, 1.10, 1.05, 1.10 * 1.05 * 1.02), states)
    (corners,) = find_corners(states)
    return float(log_effects([heads[index].mean_flow(0.002, 0.008) for index in corners.places])[which])


def _gains() -> tuple[Check, ...]:
    """Return the checks of steps and factors."""
    checks = [
        Check(
            "port work +10 %, with slimmer valves +14 %: the valves alone",
            _TRADE,
            3.6,
            0.05,
            "%",
            _valves_alone,
        )
    ]
    expected = (math.log(1.10) + math.log(1.02) / 2, math.log(1.05) + math.log(1.02) / 2, math.log(1.02))
    for which, name in enumerate(("main effect of the ports", "main effect of the seats", "interaction")):
        checks.append(Check(f"factorial, {name}", _FACTORIAL, expected[which], 1e-12, "", partial(_crossed, which)))
    return tuple(checks)


CHECKS: tuple[Check, ...] = (*_areas(), *_curves(), *_gains())
"""Every check of curves, areas and gains."""
