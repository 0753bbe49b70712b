"""Data checks while reading: every rule, and silence on clean data."""

from __future__ import annotations

from dataclasses import fields

import pytest

from flowkit.importers.checks import check_tests
from flowkit.model import Conditions
from flowkit.units import to_si
from tests.importers.flows import (
    EVERY_2,
    GOOD,
    LIFTS,
    PRESSURE,
    found,
    make_test,
    rules,
)

# Falling flow


def test_falling_flow() -> None:
    (finding,) = found(EVERY_2, [30.1, 60.2, 88.3, 112.4, 111.9, 110.0])
    assert (finding.rule, finding.severity, finding.where) == ("falling-flow", "warning", "a.csv:7:2")
    assert "falls by 2.1 % from 112.4 CFM at lift 8 mm to 110 CFM at 12 mm" in finding.message


def test_fall_of_less_than_one_per_cent_is_none() -> None:
    assert found(EVERY_2, [30.1, 60.2, 88.3, 112.4, 112.0, 111.4]) == []


def test_fall_in_the_order_of_lift_whatever_the_order_on_the_sheet() -> None:
    flows = [30.1, 60.2, 88.3, 112.4, 129.9, 138.0]
    assert found(EVERY_2[::-1], flows[::-1]) == []
    (finding,) = found(EVERY_2[::-1], [110.0, 111.9, 112.4, 88.3, 60.2, 30.1])
    assert finding.where == "a.csv:2:2"


def test_two_falls() -> None:
    lifts = LIFTS["every mm"]
    flows = [20.0, 40, 58, 74, 88, 86.5, 101, 111, 119, 125, 129, 126.5]
    assert [f.where for f in found(lifts, flows)] == ["a.csv:7:2", "a.csv:13:2"]


def test_pressure_that_sags_is_no_fall() -> None:
    pressures = [PRESSURE] * 4 + [PRESSURE * 25 / 28] * 2
    flows = [30.1, 60.2, 88.3, 112.4, 129.9 * (25 / 28) ** 0.5 - 6, 113.0]
    assert "falling-flow" in rules([make_test(EVERY_2, flows)])
    sagging = [30.1, 60.2, 88.3, 112.4, 119.0 * (25 / 28) ** 0.5, 121.0 * (25 / 28) ** 0.5]
    assert rules([make_test(EVERY_2, sagging, pressures=pressures)]) == ["pressure-mixed"]


# Lifts


def test_repeated_lift() -> None:
    (finding,) = found([2.0, 4, 4, 8, 10, 12], GOOD)
    assert (finding.rule, finding.severity, finding.where) == ("lift-repeated", "warning", "a.csv:4:2")
    assert "the lift 4 mm appears more than once" in finding.message


def test_repeated_runs_as_rows_are_a_note() -> None:
    lifts = [2.0, 2, 4, 4, 6, 6, 8, 8]
    flows = [30.1, 30.2, 60.2, 60.0, 88.3, 88.2, 112.4, 112.9]
    assert [(f.rule, f.severity) for f in found(lifts, flows)] == [("lift-repeated", "note")]
    one_after_the_other = found(lifts[::2] * 2, flows[::2] + flows[1::2])
    assert [(f.rule, f.severity) for f in one_after_the_other] == [("lift-repeated", "note")]


def test_lift_out_of_order() -> None:
    (finding,) = found([2.0, 4, 60, 8, 10, 12], GOOD)
    assert (finding.rule, finding.severity, finding.where) == ("lift-order", "warning", "a.csv:4:2")
    assert finding.message == (
        "the lift 60 mm is out of order between 4 mm and 8 mm; if the decimal point has moved, 6 mm was meant: check "
        "the operator's notes (nothing was changed)"
    )
    lifts = [0.05, 0.1, 0.51, 0.2, 0.25, 0.3]
    (inches,) = found(lifts, GOOD, lift_unit="in")
    assert "if two digits are swapped, 0.15 in was meant" in inches.message


def test_lift_out_of_order_at_the_end() -> None:
    (finding,) = found([2.0, 4, 6, 8, 10, 1.2], GOOD)
    assert finding.where == "a.csv:7:2"
    assert (
        finding.message
        == "the lift 1.2 mm is out of order; check it against the operator's notes (nothing was changed)"
    )


def test_lifts_in_no_order_at_all() -> None:
    order = [3, 0, 5, 1, 4, 2]
    findings = found([EVERY_2[n] for n in order], [GOOD[n] for n in order])
    assert [f.rule for f in findings] == ["lift-order"]
    assert "neither rise nor fall" in findings[0].message


def test_repeated_lift_that_also_breaks_the_order_is_said_once() -> None:
    assert [f.rule for f in found([2.0, 4, 2, 8, 10, 12], GOOD)] == ["lift-repeated"]


# Pressures


def test_missing_pressure_is_said_once_a_sheet() -> None:
    tests = [make_test(EVERY_2, GOOD, conditions=Conditions(), port=str(n)) for n in range(3)]
    (finding,) = check_tests(tests)
    assert (finding.rule, finding.severity, finding.where) == ("pressure-missing", "error", "a.csv!intake 0")
    assert "(and in 2 more tests of this sheet)" in finding.message
    assert "--test-pressure" in finding.message
    other = make_test(EVERY_2, [flow * 1.01 for flow in GOOD], conditions=Conditions(), sheet="B")
    assert len(check_tests([tests[0], other])) == 2
    assert "(and in one more test of this sheet)" in check_tests(tests[:2])[0].message


def test_pressure_missing_at_one_point() -> None:
    pressures = [PRESSURE, PRESSURE, None, PRESSURE, PRESSURE, PRESSURE]
    (finding,) = found(EVERY_2, GOOD, pressures=pressures, conditions=Conditions())
    assert (finding.rule, finding.severity, finding.where) == ("pressure-missing", "error", "a.csv:4:2")
    assert found(EVERY_2, GOOD, pressures=pressures) == []


def test_pressure_of_zero() -> None:
    (finding,) = found(EVERY_2, GOOD, conditions=Conditions(test_pressure_pa=0.0))
    assert (finding.rule, finding.severity, finding.where) == ("pressure-impossible", "error", "a.csv!intake 1")
    pressures = [PRESSURE, 0.0, *[PRESSURE] * 4]
    (at_one,) = found(EVERY_2, GOOD, pressures=pressures)
    assert (at_one.rule, at_one.severity, at_one.where) == ("pressure-impossible", "error", "a.csv:3:2")
    everywhere = found(EVERY_2, GOOD, pressures=[0.0] * 6)
    assert {finding.rule for finding in everywhere} == {"pressure-impossible"}


def test_mixed_pressures() -> None:
    pressures = [PRESSURE] * 5 + [PRESSURE * 10 / 28]
    flows = [*GOOD[:5], GOOD[5] * (10 / 28) ** 0.5]
    (finding,) = found(EVERY_2, flows, pressures=pressures)
    assert (finding.rule, finding.severity, finding.where) == ("pressure-mixed", "warning", "a.csv:7:2")
    assert "10.0 inH2O to 28.0 inH2O" in finding.message
    nearly = [PRESSURE * (1 + 0.008 * (n % 2)) for n in range(6)]
    assert found(EVERY_2, GOOD, pressures=nearly) == []


# Flows below zero, leak, check plate


def test_negative_flow() -> None:
    findings = found(EVERY_2, [30.1, -60.2, 88.3, 112.4, 129.9, 138.0])
    assert [(f.rule, f.severity, f.where) for f in findings] == [("flow-negative", "error", "a.csv:3:2")]
    assert "−60.2 CFM, below zero" in findings[0].message


@pytest.mark.parametrize(
    ("leak", "at", "large"),
    [(0.6, None, False), (0.602, None, False), (0.61, None, True), (0.4, 10.0, True), (0.0, None, False)],
)
def test_large_leak(leak: float, at: float | None, large: bool) -> None:
    conditions = Conditions(
        test_pressure_pa=PRESSURE,
        leak_m3_s=to_si(leak, "CFM"),
        leak_pressure_pa=None if at is None else at * 249.08891,
    )
    findings = found(EVERY_2, GOOD, conditions=conditions)
    assert [(f.rule, f.severity) for f in findings] == ([("leak-large", "warning")] if large else [])


def test_large_leak_names_the_worst_test_of_the_sheet() -> None:
    conditions = Conditions(test_pressure_pa=PRESSURE, leak_m3_s=to_si(1.0, "CFM"))
    tests = [make_test(EVERY_2, GOOD, conditions=conditions, port="1")]
    tests.append(make_test(EVERY_2, [flow * 0.8 for flow in GOOD], conditions=conditions, port="2"))
    tests.append(make_test(EVERY_2, GOOD, conditions=conditions, port="3"))
    (finding,) = check_tests(tests)
    assert finding.where == "a.csv!intake 2"
    assert "1 CFM is 4.2 % of the flow at the lowest lift, 2 mm (and in 2 more tests of this sheet)" in finding.message


@pytest.mark.parametrize(
    ("reading", "severity"),
    [
        (60.0, None),
        (61.8, None),
        (58.2, None),
        (61.9, "warning"),
        (58.1, "warning"),
        (66.0, "warning"),
        (66.1, "error"),
    ],
)
def test_check_plate(reading: float, severity: str | None) -> None:
    conditions = Conditions(
        test_pressure_pa=PRESSURE, check_reading_m3_s=to_si(reading, "CFM"), check_nominal_m3_s=to_si(60.0, "CFM")
    )
    findings = found(EVERY_2, GOOD, conditions=conditions)
    assert [f.severity for f in findings if f.rule == "check-off"] == ([severity] if severity else [])


def test_check_plate_declared_at_another_pressure() -> None:
    """Square-root law: 60 at 28 inH2O is 35.86 at 10 (common practice, no source)."""
    conditions = Conditions(
        test_pressure_pa=PRESSURE * 10 / 28,
        check_reading_m3_s=to_si(35.86, "CFM"),
        check_nominal_m3_s=to_si(60.0, "CFM"),
        check_pressure_pa=PRESSURE,
    )
    assert found(EVERY_2, GOOD, conditions=conditions) == []
    off = Conditions(**{**vars_of(conditions), "check_reading_m3_s": to_si(38.0, "CFM")})
    (finding,) = found(EVERY_2, GOOD, conditions=off)
    assert "6.0 % high, once brought from 10.0 inH2O to 28.0 inH2O" in finding.message
    unknown = Conditions(**{**vars_of(off), "test_pressure_pa": None})
    assert "check-off" not in rules([make_test(EVERY_2, GOOD, conditions=unknown)])


def vars_of(conditions: Conditions) -> dict[str, object]:
    return {item.name: getattr(conditions, item.name) for item in fields(conditions)}
