"""Leakage: the square root of the pressure ratio, and what is done without inputs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowkit.corrections.leakage import FORMULA, correct_leakage, leak_flow
from flowkit.model import INH2O_PA
from tests.corrections.samples import FLOWS, flow_test, setting

LEAK = 0.001


def test_leak_at_the_test_pressure_is_taken_off_as_it_is() -> None:
    step = correct_leakage(FLOWS, flow_test(leak_m3_s=LEAK), setting())
    assert step.line.offset_m3_s == (-LEAK,) * 4
    assert step.line.factor is None
    assert step.flow_m3_s == tuple(q - LEAK for q in FLOWS)
    assert step.line.formula == FORMULA
    assert step.line.inputs == {"leak_m3_s": LEAK, "leak_pressure_pa": 28 * INH2O_PA}
    assert step.findings == ()


def test_leak_at_another_pressure_goes_by_the_square_root() -> None:
    """Read at 7 inH2O, four times that is twice the leak (common practice)."""
    step = correct_leakage(FLOWS, flow_test(leak_m3_s=LEAK, leak_pressure_pa=7 * INH2O_PA), setting())
    assert step.line.offset_m3_s == pytest.approx([-2 * LEAK] * 4, rel=1e-14)


def test_leak_follows_each_point_s_own_pressure() -> None:
    own = (7 * INH2O_PA, None, 112 * INH2O_PA, 28 * INH2O_PA)
    step = correct_leakage(FLOWS, flow_test(leak_m3_s=LEAK, pressures=own), setting())
    assert step.line.offset_m3_s == pytest.approx([-LEAK / 2, -LEAK, -2 * LEAK, -LEAK], rel=1e-14)


def test_no_leak_stated_is_a_ledger_line_and_no_note() -> None:
    step = correct_leakage(FLOWS, flow_test(), setting())
    assert (step.line.skipped, step.findings, step.flow_m3_s) == ("no leakage is stated", (), FLOWS)


def test_leak_of_zero_is_made_and_changes_nothing() -> None:
    step = correct_leakage(FLOWS, flow_test(leak_m3_s=0.0), setting())
    assert step.line.skipped is None
    assert step.flow_m3_s == FLOWS


@pytest.mark.parametrize("leak", [-0.001, float("nan")])
def test_leak_below_zero_is_an_error(leak: float) -> None:
    step = correct_leakage(FLOWS, flow_test(leak_m3_s=leak), setting())
    (finding,) = step.findings
    assert (finding.rule, finding.severity) == ("flow-negative", "error")
    assert finding.message.endswith("check the leakage and its sign, and state the right one in the job.")
    assert step.flow_m3_s == FLOWS


def test_leak_whose_pressure_is_not_known_is_skipped_with_a_note() -> None:
    """Every point has a pressure of its own, so that there is no test pressure the leak could have been read at."""
    own = tuple(n * INH2O_PA for n in (10, 15, 20, 25))
    step = correct_leakage(FLOWS, flow_test(leak_m3_s=LEAK, pressures=own, test_pressure_pa=None), setting())
    assert step.line.skipped == "the test pressure at which the leakage was read is not known"
    (finding,) = step.findings
    assert (finding.rule, finding.severity) == ("correction-skipped", "note")
    assert "leakage correction was not made" in finding.message


def test_without_any_pressure_leak_and_flow_are_at_the_same() -> None:
    step = correct_leakage(FLOWS, flow_test(leak_m3_s=LEAK, test_pressure_pa=None), setting())
    assert step.line.offset_m3_s == (-LEAK,) * 4
    stated = flow_test(leak_m3_s=LEAK, leak_pressure_pa=1000.0, test_pressure_pa=None)
    assert correct_leakage(FLOWS, stated, setting()).line.skipped is not None


@given(st.floats(1e-5, 0.01), st.floats(100, 1e4), st.floats(100, 1e4))
def test_leak_there_and_back(leak: float, one: float, other: float) -> None:
    assert leak_flow(leak_flow(leak, one, other), other, one) == pytest.approx(leak, rel=1e-14)
    assert leak_flow(leak, one, one) == leak
    assert leak_flow(leak, one * 1.1, other) > leak_flow(leak, one, other)
