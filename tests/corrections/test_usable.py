"""Test pressures that can be, and intakes that cannot be sucked harder than the room presses."""

from __future__ import annotations

import pytest

from flowkit.corrections import correct
from flowkit.model import INH2O_PA, Reference
from tests.corrections.samples import flow_test, only

KPA = 1000.0


@pytest.mark.parametrize("law", ["square-root", "compressible"])
@pytest.mark.parametrize("off", [(), ("test-pressure",)])
def test_a_suction_beyond_the_barometer_is_an_error_by_either_law(law, off) -> None:
    result = correct([flow_test(test_pressure_pa=120 * KPA)], Reference(pressure_law=law), off=off)
    assert result.tests == ()
    # By hand: 120 000/249.08891 = 481.76 inH2O.
    assert only(result.findings) == (
        "pressure-impossible",
        "error",
        "a.csv!intake 1",
        "The intake cannot be tested at a pressure of 481.76 inH2O, which is not below the barometer (101.3 kPa, "
        "29.92 inHg; not stated, so the standard one), so the test was left out; check the test pressure, the "
        "barometer and their units, and state the right one in the job.",
    )


def test_the_days_barometer_counts_where_it_is_stated() -> None:
    def tests(pressure: float):
        return [flow_test(test_pressure_pa=pressure, barometer_pa=95 * KPA)]

    message = only(correct(tests(95 * KPA)).findings)[3]
    assert "which is not below the barometer (95.0 kPa, 28.05 inHg), so the test was left out" in message
    assert len(correct(tests(94.9 * KPA)).tests) == 1


def test_a_single_point_is_left_out_alone() -> None:
    own = (None, 28 * KPA * INH2O_PA, None, None)
    result = correct([flow_test(pressures=own)])
    assert len(result.tests[0].points) == 3
    assert only(result.findings)[:3] == ("pressure-impossible", "error", "a.csv:3:2")
    assert "so the point was left out" in result.findings[0].message


@pytest.mark.parametrize("side", ["exhaust", None])
def test_blown_air_may_be_at_any_pressure(side) -> None:
    result = correct([flow_test(test_pressure_pa=120 * KPA, side=side)])
    assert len(result.tests) == 1
    assert [finding.severity for finding in result.findings] == ["note"]
