"""Geometric areas against the book, a numerical minimisation and their own continuity."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize

from flowkit.analysis.areas import (
    circle_area,
    curtain_area,
    impossible_dimensions,
    known_throat_area,
    minimum_area,
    seat_area,
    takeover_lift,
    throat_area,
)
from flowkit.model import ValveGeometry
from tests.analysis.heads import VALVE
from tests.published import heywood_areas as published


def valve_of(worked: published.Worked) -> ValveGeometry:
    """The worked valve; the seat's width goes from radial to along the face."""
    face = worked.radial_width / math.cos(math.radians(worked.angle))
    return ValveGeometry(worked.head / 1e3, worked.stem / 1e3, worked.throat / 1e3, worked.angle, face / 1e3)


@pytest.mark.parametrize("worked", published.WORKED)
def test_areas_are_those_worked_by_hand(worked: published.Worked) -> None:
    # Source: Heywood 1988, eqs 6.7-6.9 (from memory), see tests/published/heywood_areas.py.
    valve = valve_of(worked)
    for lift, area in worked.seat:
        found = seat_area(lift / 1e3, valve.head_m, valve.seat_angle_deg, valve.seat_width_m) * 1e6
        assert float(found) == pytest.approx(area, abs=published.AREA_ROUNDING)
    assert throat_area(valve.throat_m, valve.stem_m) * 1e6 == pytest.approx(
        worked.throat_area, abs=published.AREA_ROUNDING
    )
    assert takeover_lift(valve) * 1e3 == pytest.approx(worked.takeover, abs=published.LIFT_ROUNDING)


valves = st.builds(
    lambda head, angle, width, throat, stem: ValveGeometry(
        head, stem * head, throat * head, angle, width * head / math.cos(math.radians(angle))
    ),
    st.floats(0.02, 0.06),
    st.floats(20.0, 60.0),
    st.floats(0.01, 0.15),
    st.floats(0.5, 0.95),
    st.floats(0.1, 0.3),
)


def seat(valve: ValveGeometry, lift: float) -> float:
    """The seat's passage."""
    return float(seat_area(lift, valve.head_m, valve.seat_angle_deg, valve.seat_width_m))


@settings(max_examples=60, deadline=None)
@given(valves)
def test_seat_is_continuous_where_the_regions_meet(valve: ValveGeometry) -> None:
    beta = math.radians(valve.seat_angle_deg)
    border = valve.seat_width_m * math.cos(beta) / (math.sin(beta) * math.cos(beta))
    below, above = seat(valve, border * (1 - 1e-9)), seat(valve, border * (1 + 1e-9))
    assert below == pytest.approx(above, rel=1e-7)


@settings(max_examples=60, deadline=None)
@given(valves)
def test_throat_takes_over_where_the_areas_meet(valve: ValveGeometry) -> None:
    # Source: root found by Brent's method (scipy) on the difference of the areas.
    throat = throat_area(valve.throat_m, valve.stem_m)
    root = brentq(lambda lift: seat(valve, lift) - throat, 1e-9, valve.head_m * 2, xtol=1e-14)
    lift = takeover_lift(valve)
    assert lift == pytest.approx(root, rel=1e-8)
    below, above = minimum_area([lift * (1 - 1e-6), lift * (1 + 1e-6)], valve)
    assert above == throat
    assert below < throat
    assert below == pytest.approx(throat, rel=1e-5)


@settings(max_examples=60, deadline=None)
@given(valves, st.floats(0.0005, 0.015), st.floats(1.001, 1.5))
def test_seat_grows_with_lift(valve: ValveGeometry, lift: float, factor: float) -> None:
    assert seat(valve, lift * factor) > seat(valve, lift)


def smallest_frustum(valve: ValveGeometry, lift: float) -> float:
    """Least lateral area of a conical frustum from a point of the valve's face to one of the seat's.

    In the plane through the axis the closed faces are one line from the inner edge (radius
    D_v/2 − w, height w·tanβ) to the outer (D_v/2, 0); the valve's is shifted down by the lift.
    """
    beta = math.radians(valve.seat_angle_deg)
    width = valve.seat_width_m * math.cos(beta)
    inner = valve.head_m / 2 - width

    def area(places: np.ndarray) -> float:
        (r1, r2) = inner + np.clip(places, 0, 1) * width
        z1, z2 = ((inner + width - r) * math.tan(beta) for r in (r1, r2))
        return math.pi * (r1 + r2) * math.hypot(r2 - r1, z2 - z1 + lift) * 1e6  # mm², for the optimiser's tolerances

    starts = [(0.0, 0.5), (0.0, 1.0), (0.5, 0.5)]
    found = [
        minimize(area, start, bounds=[(0, 1), (0, 1)], method="L-BFGS-B", options={"ftol": 1e-15}) for start in starts
    ]
    return min(float(result.fun) for result in found) * 1e-6


@pytest.mark.parametrize("angle", [30.0, 45.0, 60.0])
@pytest.mark.parametrize("lift", [0.0005, 0.001, 0.002, 0.003, 0.005, 0.008, 0.010])
def test_seat_is_the_least_cone_between_the_faces(angle: float, lift: float) -> None:
    """Against an independent minimisation over all cones between valve face and seat.

    The book's cone stands square to the seat, which is the shortest and within 0.5 % the least:
    the least leans inward a little, where the circumference is smaller.
    """
    valve = ValveGeometry(0.040, 0.008, 0.034, angle, 0.002)
    least = smallest_frustum(valve, lift)
    assert least <= seat(valve, lift) * (1 + 1e-9)
    assert seat(valve, lift) == pytest.approx(least, rel=5e-3)


def test_in_the_upper_region_the_least_cone_is_the_books_exactly() -> None:
    # There it runs from edge to edge and cannot lean.
    valve = ValveGeometry(0.040, 0.008, 0.034, 45.0, 0.0014)
    assert seat(valve, 0.008) == pytest.approx(smallest_frustum(valve, 0.008), rel=1e-9)


def test_a_flat_seat_has_the_cylinder_of_its_inner_edge() -> None:
    # By hand: β = 0: π·L·(D_v − 2w).
    assert float(seat_area(0.003, 0.04, 0.0, 0.002)) == pytest.approx(math.pi * 0.003 * 0.036, rel=1e-12)
    flat = ValveGeometry(0.04, 0.008, 0.03, 0.0, 0.002)
    assert takeover_lift(flat) == pytest.approx((0.03**2 - 0.008**2) / 4 / 0.036, rel=1e-12)


def test_a_seat_of_no_width_is_the_curtain() -> None:
    assert float(seat_area(0.003, 0.04, 45.0, 0.0)) == pytest.approx(float(curtain_area(0.003, 0.04)), rel=1e-12)


def test_circles() -> None:
    assert circle_area(0.02) == pytest.approx(math.pi * 1e-4, rel=1e-15)
    assert curtain_area([0.0, 0.01], 0.04).tolist() == pytest.approx([0.0, math.pi * 4e-4])


@pytest.mark.parametrize("missing", ["head_m", "stem_m", "throat_m", "seat_angle_deg", "seat_width_m"])
def test_a_missing_dimension_gives_no_area(missing: str) -> None:
    known = {name: getattr(VALVE, name) for name in ("head_m", "stem_m", "throat_m", "seat_angle_deg", "seat_width_m")}
    valve = ValveGeometry(**{**known, missing: None})
    assert minimum_area([0.002], valve) is None
    assert takeover_lift(valve) is None
    assert impossible_dimensions(valve) is None


@pytest.mark.parametrize(
    ("valve", "why"),
    [
        (ValveGeometry(throat_m=0.008, stem_m=0.008), r"the stem \(8 mm\) fills the throat \(8 mm\)"),
        (ValveGeometry(head_m=0.03, throat_m=0.033), r"the throat \(33 mm\) is wider than the valve head \(30 mm\)"),
        (
            ValveGeometry(head_m=0.03, seat_angle_deg=45.0, seat_width_m=0.03),
            "a seat of 45° and 30 mm does not fit on a valve head of 30 mm",
        ),
        (ValveGeometry(head_m=0.03, seat_angle_deg=90.0, seat_width_m=0.001), "a seat of 90° and 1 mm does not fit"),
    ],
)
def test_impossible_dimensions_are_said_and_not_used(valve: ValveGeometry, why: str) -> None:
    import re

    assert re.search(why, impossible_dimensions(valve) or "")
    assert minimum_area([0.002], valve) is None


def test_a_wide_seat_fits_by_its_radial_width() -> None:
    # By hand: 20 mm along a face of 45° are 14.1 mm radially, twice that fits on 30 mm; 22 mm do not.
    assert impossible_dimensions(ValveGeometry(head_m=0.03, seat_angle_deg=45.0, seat_width_m=0.020)) is None
    assert impossible_dimensions(ValveGeometry(head_m=0.03, seat_angle_deg=45.0, seat_width_m=0.022)) is not None
    assert impossible_dimensions(ValveGeometry(head_m=0.03, seat_angle_deg=-1.0, seat_width_m=0.002)) is not None
    assert impossible_dimensions(ValveGeometry(head_m=0.03, seat_angle_deg=0.0, seat_width_m=0.0)) is None


def test_possible_dimensions_are_silent() -> None:
    assert impossible_dimensions(VALVE) is None
    assert impossible_dimensions(ValveGeometry()) is None
    assert known_throat_area(ValveGeometry(throat_m=0.01, stem_m=0.02)) is None
