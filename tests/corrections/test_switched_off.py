"""A correction that is switched off and would have mattered is never left out in silence."""

from __future__ import annotations

import dataclasses

import pytest

from flowkit.corrections import CORRECTIONS, correct
from flowkit.model import INH2O_PA, Bench, Reference
from tests.corrections.samples import flow_test, only


def test_the_test_pressure_is_named_with_what_it_would_have_done() -> None:
    # By hand: sqrt(28/10) = 1.6733.
    result = correct([flow_test(test_pressure_pa=10 * INH2O_PA)], off=["test-pressure"])
    rule, severity, where, message = only(result.findings)
    assert (rule, severity, where) == ("correction-off", "warning", "a.csv!intake 1")
    assert message == (
        "The test-pressure correction is switched off, though the test was flowed at 10 inH2O and the reference is "
        "28 inH2O: it would have changed the flows of this test by up to +67.3 %, and a gain against a test that "
        "differs in this includes that difference; leave the correction on, unless the bench has made it."
    )


@pytest.mark.parametrize(
    ("conditions", "correction", "change"),
    [
        # By hand: 0.001 of the lowest flow, 0.02; 1/1.02; a fixture wider than the engine shrouds less.
        ({"leak_m3_s": 0.001}, "leakage", "−5.0 %"),
        ({"check_reading_m3_s": 0.102, "check_nominal_m3_s": 0.1}, "check-plate", "−2.0 %"),
        ({"fixture_bore_m": 0.085, "valve_diameter_m": 0.038}, "bore", "−"),
        # By hand: dry air of 310 K at the reference's pressure against 293.15 K: sqrt(293.15/310) = 0.9724.
        (
            {"air_temperature_k": 310.0, "barometer_pa": 101_325.0, "relative_humidity": 0.0},
            "air",
            "−2.8 %",
        ),
    ],
)
def test_every_correction_is_tried(conditions: dict[str, float], correction: str, change: str) -> None:
    bench = Bench(air="actual" if correction == "air" else "as stated")
    result = correct([flow_test(**conditions)], Reference(bore_m=0.075), bench, off=[correction])
    (message,) = [finding.message for finding in result.findings if finding.rule == "correction-off"]
    assert message.startswith(f"The {correction} correction is switched off: it would have changed the flows of this ")
    assert f"by up to {change}" in message


@pytest.mark.parametrize(
    "conditions",
    [
        {},
        {"test_pressure_pa": 27.8 * INH2O_PA},  # by hand: sqrt(28/27.8) = 1.0036
        {"leak_m3_s": 0.00009},  # by hand: 0.45 % of the lowest flow
        {"check_reading_m3_s": 0.1004, "check_nominal_m3_s": 0.1},
    ],
)
def test_what_would_have_changed_nothing_to_speak_of_is_not_mentioned(conditions: dict[str, float]) -> None:
    assert correct([flow_test(**conditions)], off=CORRECTIONS).findings == ()


def test_points_without_a_pressure_do_not_hide_those_with_one() -> None:
    own = (None, 10 * INH2O_PA, None, 7 * INH2O_PA)
    result = correct([flow_test(pressures=own, test_pressure_pa=None)], off=["test-pressure"])
    message = only(result.findings)[3]
    assert "flowed at pressures of its own and the reference is 28 inH2O" in message
    assert "by up to +100.0 %" in message  # by hand: sqrt(28/7) = 2


def test_it_is_said_once_a_sheet_at_the_test_that_would_have_changed_most() -> None:
    tests = [flow_test(name=f"intake {n}", leak_m3_s=leak) for n, leak in enumerate((0.001, 0.002, 0.0015))]
    tests.append(dataclasses.replace(tests[0], id="other", file="b.csv"))
    found = correct(tests, off=["leakage"]).findings
    assert [(finding.rule, finding.where) for finding in found] == [
        ("correction-off", "intake 1"),
        ("correction-off", "other"),
    ]
    assert "of this test (and those of 2 more tests) by up to −10.0 %" in found[0].message


def test_nothing_is_said_of_what_is_on() -> None:
    assert correct([flow_test(leak_m3_s=0.001)], off=["bore"]).findings == ()
