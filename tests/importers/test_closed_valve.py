"""A reading at lift zero beside a leak that is stated elsewhere."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowkit.importers import ReadResult, Stated, read
from flowkit.model import Conditions

CFM = 0.3048**3 / 60


def sheet(tmp_path: Path, zero: str, *lines: str, named: str = "", stated: Stated | None = None) -> ReadResult:
    rows = ["Side,Intake", "Port,1", "Test pressure,28 inH2O", *lines, "", "Lift (in),Flow (CFM)"]
    rows += [*([named] if named else []), f"0,{zero}", "0.1,50", "0.2,100", "0.3,140"]
    path = tmp_path / "sheet.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return read(path, stated)


def leak(result: ReadResult) -> float | None:
    (test,) = result.tests
    assert [point.lift_m for point in test.points] == pytest.approx([0.00254, 0.00508, 0.00762])
    return test.conditions.leak_m3_s


@pytest.mark.parametrize("zero", ["0.9", "0", "0.0"])
def test_alone_it_is_the_leak(tmp_path: Path, zero: str) -> None:
    result = sheet(tmp_path, zero)
    assert leak(result) == pytest.approx(float(zero) * CFM)
    assert result.findings == ()


@pytest.mark.parametrize("zero", ["0", "0.0", "0.4"])
def test_a_zero_or_the_same_again_leaves_the_stated_leak(tmp_path: Path, zero: str) -> None:
    result = sheet(tmp_path, zero, "Leak,0.4 CFM")
    assert leak(result) == pytest.approx(0.4 * CFM)
    assert result.findings == ()


def test_the_same_in_another_unit(tmp_path: Path) -> None:
    result = sheet(tmp_path, "0.9", "Leak,0.4248 L/s")
    assert leak(result) == pytest.approx(0.4248e-3)
    assert result.findings == ()


def test_another_leak_is_refused_and_the_stated_one_kept(tmp_path: Path) -> None:
    result = sheet(tmp_path, "0.9", "Leak,0.4 CFM")
    assert leak(result) == pytest.approx(0.4 * CFM)
    (finding,) = result.findings
    assert (finding.rule, finding.severity, finding.where) == ("sheet-ambiguous", "error", "sheet.csv:7:2")
    assert "the flow at lift zero and the leak in sheet.csv:4:2 differ" in finding.message


def test_a_leak_of_another_kind_of_flow_is_refused(tmp_path: Path) -> None:
    room = ("Air temperature,20 °C", "Barometer,1013 hPa", "Humidity,40 %")
    result = sheet(tmp_path, "0.9", *room, "Leak,1.8 kg/h")
    assert "sheet-ambiguous" in [finding.rule for finding in result.findings]


def test_a_named_row_counts_before_the_row_at_zero(tmp_path: Path) -> None:
    result = sheet(tmp_path, "0", named="Leak,0.7")
    assert leak(result) == pytest.approx(0.7 * CFM)
    assert result.findings == ()


def test_a_zero_leaves_what_the_user_states(tmp_path: Path) -> None:
    result = sheet(tmp_path, "0", stated=Stated(conditions=Conditions(leak_m3_s=0.5 * CFM)))
    assert leak(result) == pytest.approx(0.5 * CFM)
    assert result.findings == ()


def test_what_the_user_states_must_not_contradict_the_reading(tmp_path: Path) -> None:
    result = sheet(tmp_path, "0.9", stated=Stated(conditions=Conditions(leak_m3_s=0.5 * CFM)))
    assert [finding.severity for finding in result.findings] == ["error"]
