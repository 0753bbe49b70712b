"""Check plate: what drift does to it, its own air and pressure, and when it is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowkit.air import density
from flowkit.corrections.air import actual_factor
from flowkit.corrections.check_plate import FORMULA, check_factor, correct_check_plate
from flowkit.errors import CorrectionError
from flowkit.model import INH2O_PA, AirState, Bench
from tests.corrections.samples import FLOWS, flow_test, setting

NOMINAL = 0.06


def plate(reading: float, **rest: float | None) -> dict[str, float | None]:
    """Conditions with a check plate."""
    return {"check_reading_m3_s": reading, "check_nominal_m3_s": NOMINAL, **rest}


def test_drift_is_taken_out() -> None:
    """A bench that shows 2 % too much shows it on the head as well (common practice)."""
    step = correct_check_plate(FLOWS, flow_test(**plate(NOMINAL * 1.02)), setting())
    assert step.line.factor == pytest.approx([1 / 1.02] * 4, rel=1e-14)
    assert step.flow_m3_s == pytest.approx([q / 1.02 for q in FLOWS], rel=1e-14)
    assert step.findings == ()
    assert step.line.formula == FORMULA
    assert step.line.inputs["check_off"] == pytest.approx(0.02, rel=1e-12)


def test_nominal_declared_for_another_pressure() -> None:
    """Nominal for 10 inH2O, read at 28: an orifice shows sqrt(2.8) times as much; that is no drift."""
    conditions = plate(NOMINAL * math.sqrt(2.8), check_pressure_pa=10 * INH2O_PA)
    step = correct_check_plate(FLOWS, flow_test(**conditions), setting())
    assert step.line.factor == pytest.approx([1.0] * 4, rel=1e-14)
    assert step.findings == ()
    assert step.line.inputs["reading_pressure_pa"] == 28 * INH2O_PA
    assert step.line.inputs["nominal_pressure_pa"] == 10 * INH2O_PA


def test_nominal_declared_for_the_test_pressure_is_as_without() -> None:
    one = correct_check_plate(FLOWS, flow_test(**plate(0.061)), setting())
    other = correct_check_plate(FLOWS, flow_test(**plate(0.061, check_pressure_pa=28 * INH2O_PA)), setting())
    assert one.flow_m3_s == other.flow_m3_s


def test_reading_goes_through_the_air_correction() -> None:
    """The nominal is a flow of reference air: a reading in thin air is more volume for the same plate."""
    room = {"air_temperature_k": 308.15, "barometer_pa": 95_000.0, "relative_humidity": 0.5}
    air = actual_factor(density(AirState(308.15, 95_000.0, 0.5)), density(AirState()))
    assert air < 0.95
    test = flow_test(**plate(NOMINAL / air * 1.01), **room)
    step = correct_check_plate(FLOWS, test, setting(bench=Bench(air="actual")))
    assert step.line.factor == pytest.approx([1 / 1.01] * 4, rel=1e-12)
    assert step.line.inputs["air_factor"] == pytest.approx(air, rel=1e-14)
    off = correct_check_plate(FLOWS, test, setting(bench=Bench(air="actual"), off=frozenset({"air"})))
    assert off.line.factor != step.line.factor
    assert off.line.inputs["air_factor"] == 1.0


@pytest.mark.parametrize(
    ("off", "severity"),
    [
        (0.0, None),
        (0.03, None),
        (-0.03, None),
        (0.0301, "warning"),
        (-0.0301, "warning"),
        (0.10, "warning"),
        (-0.10, "warning"),
        (0.1001, "error"),
        (-0.1001, "error"),
        (1.0, "error"),
    ],
)
def test_limits(off: float, severity: str | None) -> None:
    step = correct_check_plate(FLOWS, flow_test(**plate(NOMINAL * (1 + off))), setting())
    assert [finding.severity for finding in step.findings] == ([severity] if severity else [])
    assert all(finding.rule == "check-off" for finding in step.findings)
    assert (step.flow_m3_s == FLOWS) is (severity == "error" or off == 0)
    assert (step.line.skipped is not None) is (severity == "error")
    assert not step.fatal


@pytest.mark.parametrize(("factor", "direction"), [(1.05, "5.0 % above"), (0.95, "5.0 % below")])
def test_words_of_the_warning(factor: float, direction: str) -> None:
    (finding,) = correct_check_plate(FLOWS, flow_test(**plate(NOMINAL * factor)), setting()).findings
    assert finding.message == (
        f"The check plate reads {direction} its nominal flow, more than 3 %: the flows were corrected for it, but the "
        "bench has drifted; look for the cause before the next test."
    )


def test_words_of_the_error() -> None:
    step = correct_check_plate(FLOWS, flow_test(**plate(NOMINAL * 1.2)), setting())
    assert step.line.skipped == "the plate is off by 20.0 %, more than 10 %"
    assert "that is a fault, not drift, and nothing was corrected" in step.findings[0].message


@pytest.mark.parametrize(
    ("conditions", "reason", "notes"),
    [
        ({}, "no check plate was read", 0),
        ({"check_reading_m3_s": 0.06}, "the check plate's nominal flow is not known", 1),
        ({"check_nominal_m3_s": 0.06}, "the check plate's reading is not known", 1),
        (
            plate(0.06, check_pressure_pa=2500.0, test_pressure_pa=None),
            "the test pressure at which the check plate was read is not known",
            1,
        ),
    ],
)
def test_without_inputs_it_is_skipped(conditions: dict[str, float | None], reason: str, notes: int) -> None:
    own = (28 * INH2O_PA,) * 4
    step = correct_check_plate(FLOWS, flow_test(pressures=own, **conditions), setting())
    assert step.line.skipped == reason
    assert step.flow_m3_s == FLOWS
    assert [(finding.rule, finding.severity) for finding in step.findings] == [("correction-skipped", "note")] * notes


def test_without_a_pressure_of_the_test_reading_and_nominal_are_at_the_same() -> None:
    own = (28 * INH2O_PA,) * 4
    step = correct_check_plate(FLOWS, flow_test(pressures=own, **plate(0.0612, test_pressure_pa=None)), setting())
    assert step.line.factor == pytest.approx([1 / 1.02] * 4, rel=1e-12)


@pytest.mark.parametrize(
    ("conditions", "words"),
    [
        (plate(0.0), "a check plate reading of 0 CFM is not possible"),
        (plate(math.nan), "a check plate reading of nan CFM is not possible"),
        (
            {"check_reading_m3_s": 0.06, "check_nominal_m3_s": 0.0},
            "a check plate nominal flow of 0 CFM is not possible",
        ),
        (plate(0.06, check_pressure_pa=0.0), "a check plate nominal pressure of 0 inH2O is not possible"),
    ],
)
def test_a_plate_that_cannot_be_is_an_error(conditions: dict[str, float | None], words: str) -> None:
    step = correct_check_plate(FLOWS, flow_test(**conditions), setting())
    assert step.line.skipped == words
    (finding,) = step.findings
    assert (finding.rule, finding.severity) == ("check-off", "error")
    assert finding.message == f"The check plate was not used: {words}; check it, and state the right one in the job."


POSITIVE = st.floats(0.01, 0.2)


@given(POSITIVE, POSITIVE, st.floats(500, 2e4), st.floats(500, 2e4))
def test_a_plate_read_at_its_nominal_pressure_needs_none(reading, nominal, pressure, other) -> None:
    same = check_factor(reading, nominal, pressure_pa=pressure, nominal_pressure_pa=pressure)
    assert same == check_factor(reading, nominal)
    there = check_factor(reading, nominal, pressure_pa=pressure, nominal_pressure_pa=other)
    assert there * math.sqrt(other / pressure) == pytest.approx(same, rel=1e-14)


def test_pressures_that_cannot_be() -> None:
    with pytest.raises(CorrectionError, match="a check plate pressure of -1 Pa is not possible"):
        check_factor(0.06, 0.06, pressure_pa=-1.0)
