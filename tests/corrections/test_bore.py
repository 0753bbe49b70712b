"""The bore model against its closed forms, scipy's quadrature and a Monte Carlo of the azimuths."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from flowkit.corrections.bore import (
    bore_factor,
    correct_bore,
    flow_per_area,
    gap_area,
    shrouded_area,
    unshrouded_area,
)
from flowkit.errors import CorrectionError
from flowkit.model import Reference, ValveGeometry
from tests.corrections.samples import FLOWS, flow_test, setting

BORE, VALVE, HEAD = 0.0805, 0.038, 900e-6
ENGINE = Reference(bore_m=0.083)


def wall_by_bisection(azimuth: np.ndarray, bore: float, offset: float) -> np.ndarray:
    """Walk from the valve's centre along a ray until the bore's circle is met; no formula for the way."""
    near, far = np.zeros_like(azimuth), np.full_like(azimuth, 2 * bore)
    for _ in range(45):
        middle = (near + far) / 2
        inside = np.hypot(offset + middle * np.cos(azimuth), middle * np.sin(azimuth)) < bore / 2
        near, far = np.where(inside, middle, near), np.where(inside, far, middle)
    return (near + far) / 2


@pytest.mark.parametrize("offset", [0.0, 0.008, 0.015, 0.0208])
@pytest.mark.parametrize("head", [100e-6, 900e-6, 4000e-6])
def test_monte_carlo_of_the_azimuths(offset: float, head: float) -> None:
    azimuth = np.random.default_rng(20).uniform(0, 2 * math.pi, 40_000)
    wall = wall_by_bisection(azimuth, BORE, offset)
    per_radian = 1 / np.hypot(2 * math.pi / head, 2 / (wall**2 - (VALVE / 2) ** 2))
    expected = 2 * math.pi * per_radian.mean()
    four_errors = 4 * 2 * math.pi * per_radian.std() / math.sqrt(azimuth.size)
    assert shrouded_area(head, BORE, VALVE, offset) == pytest.approx(expected, abs=four_errors + 1e-12 * expected)


@pytest.mark.parametrize("offset", [0.0, 0.01, 0.02, 0.0212])
@pytest.mark.parametrize("head", [1e-6, 900e-6, 0.1])
def test_quadrature_agrees_with_scipy(offset: float, head: float) -> None:
    """QUADPACK to 1e-11, also for a valve 0.05 mm from the wall."""

    def integrand(theta: float) -> float:
        wall = -offset * math.cos(theta) + math.sqrt((BORE / 2) ** 2 - (offset * math.sin(theta)) ** 2)
        return 1 / math.hypot(2 * math.pi / head, 2 / (wall**2 - (VALVE / 2) ** 2))

    expected = 2 * quad(integrand, 0, math.pi, epsrel=1e-11, epsabs=0, limit=500)[0]
    assert shrouded_area(head, BORE, VALVE, offset) == pytest.approx(expected, rel=1e-8)


@given(st.floats(1e-6, 1e-2), st.floats(0.05, 0.2), st.floats(0.3, 0.95))
def test_on_the_axis_it_is_two_areas_in_series(head: float, bore: float, share: float) -> None:
    valve = share * bore
    gap = math.pi / 4 * (bore**2 - valve**2)
    assert shrouded_area(head, bore, valve) == pytest.approx(1 / math.hypot(1 / head, 1 / gap), rel=1e-12)
    measured = shrouded_area(head, bore, valve)
    closed = 1 / math.sqrt(1 / measured**2 - 1 / gap**2)
    assert unshrouded_area(measured, bore, valve) == pytest.approx(closed, rel=1e-9)


@pytest.mark.parametrize("offset", [0.0, 0.01, 0.02])
def test_limits(offset: float) -> None:
    """A bore without limit shrouds nothing; a head without limit passes the area of the gap (geometry)."""
    for bore, left in ((10.0, 1e-9), (1000.0, 1e-13)):
        assert shrouded_area(HEAD, bore, VALVE, offset) == pytest.approx(HEAD, rel=max(left, 1e-13))
    assert shrouded_area(1e9, BORE, VALVE, offset) == pytest.approx(gap_area(BORE, VALVE), rel=1e-12)
    assert gap_area(BORE, VALVE) == pytest.approx(math.pi * (0.04025**2 - 0.019**2), rel=1e-14)


OFFSET = st.floats(0.0, 0.02)
AREA = st.floats(1e-6, 3000e-6)


@given(AREA, OFFSET)
def test_there_and_back(head: float, offset: float) -> None:
    measured = shrouded_area(head, BORE, VALVE, offset)
    assert unshrouded_area(measured, BORE, VALVE, offset) == pytest.approx(head, rel=1e-8)


@given(AREA, OFFSET)
def test_a_wall_takes_and_a_nearer_wall_takes_more(head: float, offset: float) -> None:
    here = shrouded_area(head, BORE, VALVE, offset)
    assert 0 < here < min(head, gap_area(BORE, VALVE))
    assert shrouded_area(head, BORE * 1.02, VALVE, offset) > here
    assert shrouded_area(head * 1.02, BORE, VALVE, offset) > here
    assert shrouded_area(head, BORE, VALVE, offset + 0.001) < here
    assert shrouded_area(head, BORE, VALVE, -offset) == pytest.approx(here, rel=1e-14)


@given(st.floats(0.001, 0.2), st.floats(0.075, 0.1), st.floats(0.075, 0.1), st.floats(0.0, 0.015))
def test_from_fixture_to_engine_and_back(flow: float, fixture: float, engine: float, offset: float) -> None:
    valve = {"valve_diameter_m": VALVE, "offset_m": offset}
    there = bore_factor(flow, 107.6, fixture_bore_m=fixture, engine_bore_m=engine, **valve)
    back = bore_factor(flow * there, 107.6, fixture_bore_m=engine, engine_bore_m=fixture, **valve)
    assert there * back == pytest.approx(1.0, rel=1e-8)
    if abs(engine / fixture - 1) > 1e-9:  # nearer than that, rounding decides
        assert (there > 1) is (engine > fixture)
    assert bore_factor(flow, 107.6, fixture_bore_m=fixture, engine_bore_m=fixture, **valve) == 1.0


def test_small_flows_feel_the_wall_least() -> None:
    valve = {"fixture_bore_m": BORE, "engine_bore_m": 0.075, "valve_diameter_m": VALVE, "offset_m": 0.01}
    factors = [bore_factor(flow, 107.6, **valve) for flow in (0.0, 1e-6, 0.02, 0.05, 0.1)]
    assert factors[0] == 1.0
    assert factors[1] == pytest.approx(1.0, abs=1e-6)
    assert factors == sorted(factors, reverse=True)
    assert shrouded_area(0.0, BORE, VALVE) == unshrouded_area(0.0, BORE, VALVE) == 0.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            (HEAD, 0.04, 0.038, 0.001),
            "a valve of 38.00 mm (1.496 in), 1.00 mm (0.039 in) off the axis, would touch the wall of a bore of "
            "40.00 mm (1.575 in); "
            "check bore, valve head and offset and their units.",
        ),
        ((HEAD, 0.0, 0.038), "a bore diameter of 0 mm is not possible; check it and its unit."),
        ((HEAD, 0.08, math.nan), "a valve diameter of nan mm is not possible; check it and its unit."),
    ],
)
def test_geometry_that_cannot_be(arguments: tuple[float, ...], words: str) -> None:
    for function in (shrouded_area, unshrouded_area):
        with pytest.raises(CorrectionError) as caught:
            function(*arguments)
        assert str(caught.value) == words


@given(st.floats(1e-9, 1 - 1e-9), st.floats(0.0, 1 - 1e-6), st.floats(0.3, 0.99))
def test_root_agrees_with_scipy(share: float, towards_wall: float, valve_share: float) -> None:
    """brentq over the same azimuths, between no head at all and the gap alone, a valve all but touching included."""
    valve = valve_share * BORE
    offset = towards_wall * (BORE - valve) / 2
    area = share * shrouded_area(1e12, BORE, valve, offset)
    head = unshrouded_area(area, BORE, valve, offset)

    def excess(inverse: float) -> float:
        return shrouded_area(area / inverse, BORE, valve, offset) / area - 1

    inverse = float(brentq(excess, 1e-12, 1.0, xtol=1e-300, rtol=1e-14)) if excess(1.0) < 0 else 1.0
    # Near the gap's own area the head hardly matters any more, and is known the less.
    assert area / head == pytest.approx(inverse, rel=1e-8, abs=1e-7)
    assert shrouded_area(head, BORE, valve, offset) == pytest.approx(area, rel=1e-13)


def test_more_flow_than_the_gap_could_pass() -> None:
    gap = gap_area(BORE, VALVE)
    for area, printed in ((4000e-6, 4000), (gap * (1 + 1e-12), 3955), (math.inf, "inf"), (math.nan, "nan")):
        words = f"an effective area of {printed} mm² is not less than the 3955 mm² between valve and wall"
        with pytest.raises(CorrectionError, match=words):
            unshrouded_area(area, BORE, VALVE)
    with pytest.raises(CorrectionError, match="an effective area of -1 mm² is not possible; check the flow"):
        unshrouded_area(-1e-6, BORE, VALVE)
    assert unshrouded_area(gap * 0.999999, BORE, VALVE) > 100 * gap


def test_the_engine_s_wall_counts_as_well() -> None:
    for flow in (0.0, 0.01):
        with pytest.raises(CorrectionError, match="touch the wall of a bore of 37"):
            bore_factor(flow, 107.6, fixture_bore_m=BORE, engine_bore_m=0.037, valve_diameter_m=VALVE)


def test_flow_per_area() -> None:
    """One m³/s through a circle of one m² is one m/s."""
    assert flow_per_area(1.0, math.sqrt(4 / math.pi)) == pytest.approx(1.0, rel=1e-14)


# --- the step ---------------------------------------------------------------------------------

SHEET = {"fixture_bore_m": BORE, "valve_diameter_m": VALVE}


def test_step_with_offset() -> None:
    valves = {"intake": ValveGeometry(offset_m=0.012)}
    step = correct_bore(FLOWS, flow_test(**SHEET), setting(ENGINE, valves=valves))
    velocity = math.sqrt(2 * ENGINE.pressure_pa / setting().reference_density_kg_m3)
    expected = [
        bore_factor(q, velocity, fixture_bore_m=BORE, engine_bore_m=0.083, valve_diameter_m=VALVE, offset_m=0.012)
        for q in FLOWS
    ]
    assert step.line.factor == tuple(expected)
    assert step.flow_m3_s == tuple(q * f for q, f in zip(FLOWS, expected, strict=True))
    assert step.findings == ()
    assert step.line.inputs == {
        "fixture_bore_m": BORE,
        "engine_bore_m": 0.083,
        "valve_diameter_m": VALVE,
        "offset_m": 0.012,
        "offset": "stated",
        "velocity_m_s": velocity,
    }
    assert min(expected) > 1


def test_step_on_the_axis_says_so_and_follows_the_closed_form() -> None:
    step = correct_bore(FLOWS, flow_test(**SHEET), setting(ENGINE))
    (finding,) = step.findings
    assert (finding.rule, finding.severity) == ("valve-on-axis", "note")
    assert step.line.inputs["offset"] == "not stated, taken to be on the axis"
    area = FLOWS[-1] / float(step.line.inputs["velocity_m_s"])  # type: ignore[arg-type]
    fixture, engine = (math.pi / 4 * (bore**2 - VALVE**2) for bore in (BORE, 0.083))
    head = 1 / math.sqrt(1 / area**2 - 1 / fixture**2)
    assert step.line.factor is not None
    assert step.line.factor[-1] == pytest.approx(1 / math.hypot(1 / head, 1 / engine) / area, rel=1e-9)


def test_valve_in_the_centre_by_statement_is_no_note() -> None:
    valves = {"intake": ValveGeometry(offset_m=0.0)}
    assert correct_bore(FLOWS, flow_test(**SHEET), setting(ENGINE, valves=valves)).findings == ()


def test_where_the_bores_are_the_same_the_offset_does_not_matter() -> None:
    step = correct_bore(FLOWS, flow_test(**SHEET), setting(Reference(bore_m=BORE)))
    assert (step.flow_m3_s, step.findings) == (FLOWS, ())


def test_the_sheet_s_valve_counts_before_the_side_s() -> None:
    valves = {"intake": ValveGeometry(head_m=0.042, offset_m=0.0)}
    sheet = correct_bore(FLOWS, flow_test(**SHEET), setting(ENGINE, valves=valves))
    side = correct_bore(FLOWS, flow_test(fixture_bore_m=BORE), setting(ENGINE, valves=valves))
    assert sheet.line.inputs["valve_diameter_m"] == VALVE
    assert side.line.inputs["valve_diameter_m"] == 0.042
    assert side.flow_m3_s[-1] > sheet.flow_m3_s[-1]


@pytest.mark.parametrize(
    ("conditions", "reason"),
    [
        ({"fixture_bore_m": BORE}, "the valve head diameter is not known"),
        ({"valve_diameter_m": VALVE}, "the fixture bore is not known"),
    ],
)
def test_step_without_inputs_is_skipped_with_a_note(conditions: dict[str, float], reason: str) -> None:
    step = correct_bore(FLOWS, flow_test(**conditions), setting(ENGINE))
    assert step.line.skipped == reason
    assert step.flow_m3_s == FLOWS
    (finding,) = step.findings
    assert (finding.rule, finding.severity) == ("correction-skipped", "note")
    assert finding.message == f"The bore correction was not made: {reason}; state it in the job."


@pytest.mark.parametrize(("fixture", "differs"), [(0.0805 * 1.0101, True), (0.0805 * 0.989, True), (0.0812, False)])
def test_fixture_of_another_bore_is_a_warning_where_nothing_is_corrected(fixture: float, differs: bool) -> None:
    step = correct_bore(FLOWS, flow_test(fixture_bore_m=fixture), setting(engine_bore_m=0.0805))
    assert step.line.skipped == "the reference has no engine bore"
    assert [finding.rule for finding in step.findings] == (["fixture-differs"] if differs else [])
    assert all(finding.severity == "warning" for finding in step.findings)
    words = f"The fixture's bore of {fixture * 1000:.2f} mm ({fixture / 0.0254:.3f} in) and the engine's of 80.50 mm ("
    assert all(finding.message.startswith(words) for finding in step.findings)


def test_fixture_that_differs_is_silent_where_it_is_corrected_or_unknown() -> None:
    step = correct_bore(FLOWS, flow_test(**SHEET), setting(ENGINE, engine_bore_m=0.083))
    assert "fixture-differs" not in {finding.rule for finding in step.findings}
    assert correct_bore(FLOWS, flow_test(), setting(engine_bore_m=0.0805)).findings == ()
    assert correct_bore(FLOWS, flow_test(fixture_bore_m=BORE), setting()).findings == ()


@pytest.mark.parametrize(
    ("flows", "sheet", "words"),
    [
        (
            FLOWS,
            {"fixture_bore_m": 0.037, "valve_diameter_m": VALVE},
            "a valve of 38.00 mm (1.496 in), 0.00 mm (0.000 in) off the axis",
        ),
        ((0.02, 0.5), SHEET, "an effective area of 4646 mm² is not less than the 3955 mm²"),
    ],
)
def test_step_that_cannot_be_is_an_error_and_not_made(flows, sheet, words) -> None:
    step = correct_bore(flows, flow_test(flows, **sheet), setting(ENGINE))
    (finding,) = step.findings
    assert (finding.rule, finding.severity) == ("bore-impossible", "error")
    assert finding.message.startswith(f"The bore correction was not made: {words}")
    assert str(step.line.skipped).startswith(words)
    assert step.flow_m3_s == flows
    assert not step.fatal


def test_compressible_law_uses_its_own_velocity() -> None:
    reference = Reference(bore_m=0.083, pressure_law="compressible")
    velocities = [
        float(correct_bore(FLOWS, flow_test(side=side, **SHEET), setting(reference)).line.inputs["velocity_m_s"])  # type: ignore[arg-type]
        for side in ("intake", "exhaust")
    ]
    assert velocities == pytest.approx([103.6, 107.3], abs=0.05)
