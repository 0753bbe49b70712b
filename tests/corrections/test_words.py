"""How corrections write flows and pressures for people, and what they say of figures that cannot be."""

from __future__ import annotations

import dataclasses
import math

import pytest

from flowkit.corrections import correct
from flowkit.corrections.check_plate import check_factor, correct_check_plate
from flowkit.corrections.leakage import correct_leakage
from flowkit.errors import CorrectionError
from flowkit.model import INH2O_PA, Units, UnitSource
from flowkit.wording import flow_as_read, pressure_as_read
from tests.corrections.samples import FLOWS, flow_test, only, setting

CFM = 0.3048**3 / 60


def in_units(flow: str, pressure: str | None) -> Units:
    stated = UnitSource(pressure, "stated") if pressure else None
    return Units(UnitSource("mm", "stated"), UnitSource(flow, "stated"), stated)


@pytest.mark.parametrize(
    ("unit", "words"),
    [("CFM", "100 CFM"), ("m³/h", "169.9 m³/h"), ("kg/h", "47.195 L/s"), ("SCFM", "47.195 L/s")],
)
def test_a_flow_is_written_as_on_its_sheet(unit: str, words: str) -> None:
    """100 CFM = 169.901 m³/h = 47.1947 L/s (exact foot); a mass has no volume without its air."""
    test = dataclasses.replace(flow_test(), units=in_units(unit, None))
    assert flow_as_read(test, 100 * CFM, volume=True) == words


@pytest.mark.parametrize(("unit", "words"), [("kPa", "6.9745 kPa"), ("inH2O", "28 inH2O"), (None, "28 inH2O")])
def test_a_pressure_is_written_as_on_its_sheet(unit: str | None, words: str) -> None:
    """28 × 249.08891 Pa (NIST SP 811)."""
    test = dataclasses.replace(flow_test(), units=in_units("CFM", unit))
    assert pressure_as_read(test, 28 * INH2O_PA) == words


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ({"reading_m3_s": -0.1}, "reading of -0.1 m³/s"),
        ({"nominal_m3_s": 0.0}, "nominal flow of 0 m³/s"),
        ({"pressure_pa": math.nan}, "pressure of nan Pa"),
        ({"nominal_pressure_pa": -5.0}, "nominal pressure of -5 Pa"),
    ],
)
def test_a_check_plate_that_cannot_be(figures: dict[str, float], words: str) -> None:
    with pytest.raises(CorrectionError) as caught:
        check_factor(**{"reading_m3_s": 0.1, "nominal_m3_s": 0.1, **figures})
    assert str(caught.value) == f"a check plate {words} is not possible; check it, and state the right one in the job."


def test_a_leak_that_cannot_be_stays_in_the_ledger() -> None:
    step = correct_leakage(FLOWS, flow_test(leak_m3_s=-0.001), setting())
    assert step.line.skipped
    assert step.line.inputs == {"leak_m3_s": -0.001}


@pytest.mark.parametrize(
    ("tests", "words"), [(1, ""), (2, " (and those of one more test)"), (3, " (and those of 2 more tests)")]
)
def test_more_tests_of_a_sheet_are_counted(tests: int, words: str) -> None:
    found = correct([flow_test(name=str(n), leak_m3_s=0.001) for n in range(tests)], off=["leakage"]).findings
    (message,) = [finding.message for finding in found if finding.rule == "correction-off"]
    assert f"the flows of this test{words} by up to −5.0 %" in message


def test_points_without_a_pressure_are_not_tried() -> None:
    """10 inH2O at two points only: sqrt(28/10) there, nothing to say of the rest."""
    own = (10 * INH2O_PA, 10 * INH2O_PA, None, None)
    found = correct([flow_test(pressures=own, test_pressure_pa=None)], off=["test-pressure"]).findings
    (message,) = [finding.message for finding in found if finding.rule == "correction-off"]
    assert "was flowed at 10 inH2O" in message
    assert "by up to +67.3 %" in message


def test_a_plate_read_at_a_pressure_that_cannot_be() -> None:
    """In the sheet's unit: −249.08891 Pa is −1 inH2O."""
    plate = {"check_reading_m3_s": 0.1, "check_nominal_m3_s": 0.1, "check_pressure_pa": 28 * INH2O_PA}
    step = correct_check_plate(FLOWS, flow_test(**plate, check_reading_pressure_pa=-INH2O_PA), setting())
    assert "a check plate pressure of −1 inH2O is not possible" in only(step.findings)[3]
