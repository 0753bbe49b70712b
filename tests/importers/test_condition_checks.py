"""Conditions of a size that does not occur."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowkit.importers import Stated, read
from flowkit.model import Conditions
from tests.importers.sheets import write_csv


def sheet(tmp_path: Path, *lines: tuple[str, str]) -> Path:
    rows = [["Test pressure", "28 inH2O"], *lines, ["Lift mm", "Int 1 cfm", "Int 2 cfm"]]
    return write_csv(tmp_path / "a.csv", [*rows, [1.0, 15.0, 15.5], [2.0, 31.0, 31.5], [3.0, 44.0, 44.5]])


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("29.92 hPa", "29.92 inHg"),
        ("101.3 hPa", "101.3 kPa"),
        ("101325 hPa", "101325 Pa"),
        ("1013 mmHg", "1013 hPa"),
        ("1013 kPa", "1013 hPa"),
        ("29.92 kPa", "29.92 inHg"),
    ],
)
def test_a_barometer_that_does_not_occur(tmp_path: Path, written: str, meant: str) -> None:
    (finding,) = read(sheet(tmp_path, ("Barometer", written))).findings
    assert (finding.rule, finding.severity) == ("condition-unlikely", "warning")
    assert finding.message.startswith("the barometer is stated as ") and "(and in one more test" in finding.message
    assert f"; if {meant} was meant, state the right one in the job" in finding.message


@pytest.mark.parametrize("written", ["501 hPa", "1099 hPa", "29.92 inHg", "600 mmHg"])
def test_a_barometer_that_occurs(tmp_path: Path, written: str) -> None:
    assert read(sheet(tmp_path, ("Barometer", written))).findings == ()


@pytest.mark.parametrize(
    ("bore", "valve", "remedy"),
    [
        ("3.2 mm", "38 mm", "if 3.2 in was meant, state the right one"),
        ("8.3 mm", "38 mm", "if 8.3 cm was meant, state the right one"),
        ("83 mm", "38 in", "if 38 mm was meant, state the right one"),
        ("38 mm", "38 mm", "if it is wrong, state the right one"),
    ],
)
def test_a_bore_no_larger_than_the_valve(tmp_path: Path, bore: str, valve: str, remedy: str) -> None:
    (finding,) = read(sheet(tmp_path, ("Fixture bore", bore), ("Valve head", valve))).findings
    assert (finding.rule, finding.severity) == ("condition-unlikely", "warning")
    assert "is not larger than the valve head of" in finding.message and remedy in finding.message


def test_a_bore_larger_than_the_valve(tmp_path: Path) -> None:
    assert read(sheet(tmp_path, ("Fixture bore", "39 mm"), ("Valve head", "38 mm"))).findings == ()


def test_what_the_user_states_is_looked_at_too(tmp_path: Path) -> None:
    stated = Stated(conditions=Conditions(barometer_pa=2992.0))
    assert [f.rule for f in read(sheet(tmp_path), stated).findings] == ["condition-unlikely"]
