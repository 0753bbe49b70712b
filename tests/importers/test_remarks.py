"""Remarks that hold a length are no test pressures, and labels that wait for a value name no side."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowkit.importers import read as read_file
from flowkit.importers.words.labels import parse_label
from tests.importers.sheets import INH2O, read, rules, write_csv

TABLE = "\nLift in | Int 1 cfm | Int 2 cfm\n0.1 | 50 | 51\n0.2 | 99 | 101"
REMARKS = [
    "Port 2 noisy at 0.5 in",
    "Stall seen @ 0.35 in",
    'Stall seen @ 0.35"',
    "Ports blended, tested at 12 in to the wall",
    "Guide shortened at 12 in",
    "Gauge stuck at 12",
    "Bore at 4 in",
    "Less flow at 0.4 in",
    "Air line at 80 psi",
    "Room 21 °C, 1002 mbar",
]


@pytest.mark.parametrize("remark", REMARKS)
def test_a_remark_is_no_test_pressure(remark: str) -> None:
    result = read(remark + TABLE)
    assert [test.conditions.test_pressure_pa for test in result.tests] == [None, None]
    assert result.findings == ()


def test_a_sheet_with_a_remark_lacks_its_pressure(tmp_path: Path) -> None:
    rows = [[REMARKS[0]], ["Lift in", "Int 1 cfm"], [0.1, 50.0], [0.2, 99.0]]
    result = read_file(write_csv(tmp_path / "a.csv", rows))
    assert rules(result) == ["pressure-missing"]


@pytest.mark.parametrize("remark", REMARKS)
def test_a_remark_is_silent_beside_a_stated_pressure(remark: str) -> None:
    result = read(f"Test pressure | 28 inH2O\n{remark}{TABLE}")
    assert result.findings == ()
    assert result.tests[0].conditions.test_pressure_pa == pytest.approx(28 * INH2O)


@pytest.mark.parametrize(
    "line",
    [
        'CFM @ 28"',
        "flow at 28 in",
        'Intake @ 28"',
        'Tested at 28"',
        'Ported head, CFM @ 28"',
        'Flow at 28" depression',
        'Stall at 0.5 in, flow in CFM @ 28"',
        "Ported head at 28 in. H2O",
    ],
)
def test_a_pressure_in_the_forms_of_the_trade(line: str) -> None:
    result = read(line + "\nLift mm | Int 1 cfm\n1 | 15\n2 | 31")
    assert result.tests[0].conditions.test_pressure_pa == pytest.approx(28 * INH2O)


def test_a_bare_inch_counts_over_a_column_of_flows() -> None:
    result = read('Lift mm | Int 1 ported @ 28" | Int 1 stock @ 10"\n1 | 15 cfm | 14 cfm\n2 | 31 cfm | 30 cfm')
    assert [(t.variant, round((t.conditions.test_pressure_pa or 0) / INH2O)) for t in result.tests] == [
        ("ported", 28),
        ("stock", 10),
    ]
    assert parse_label("Int 1 ported at 28 in").pressure is None


def test_a_title_that_ends_with_a_pressure_behind_an_at_sign() -> None:
    """No lift, bore or valve has six inches and more."""
    assert parse_label('Stock heads @ 28"').pressure == ("28", '"')
    assert parse_label("Stall seen @ 0.35 in").pressure is None
    assert parse_label("Wall touched @ 3.5 in").pressure is None
    assert parse_label('Stock heads @ 28" with the old filter').pressure is None


@pytest.mark.parametrize("label", ["Exhaust valve head", "Exhaust valve head [mm]", "Exhaust seat width (mm) |"])
def test_an_empty_label_names_no_side(label: str) -> None:
    result = read(f"{label}\nLift mm | cfm\n1 | 15\n2 | 31")
    assert result.tests[0].side is None


@pytest.mark.parametrize("title", ["Exhaust valve", "Exhaust", "Auslassventil", "Soupape échappement"])
def test_a_title_names_the_side(title: str) -> None:
    assert read(f"{title}\nLift mm | cfm\n1 | 15\n2 | 31").tests[0].side == "exhaust"
