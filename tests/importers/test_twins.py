"""Two columns of one identity are refused, whatever of it is written out."""

from __future__ import annotations

import pytest

from flowkit.importers import ColumnMapping, Stated
from tests.importers.sheets import errors, read


@pytest.mark.parametrize(
    "sheet",
    [
        "Lift mm | Intake 1 run 1 cfm | Intake 1 cfm\n1 | 15 | 14\n2 | 30 | 29",
        "Lift mm | Intake 1 cfm | Intake 1 run 1 cfm\n1 | 15 | 14\n2 | 30 | 29",
        "Port | 1\nLift mm | Intake cfm | Intake 1 cfm\n1 | 15 | 14\n2 | 30 | 29",
        "Variant | stock\nLift mm | Intake 1 stock cfm | Intake 1 cfm\n1 | 15 | 14\n2 | 30 | 29",
    ],
)
def test_columns_of_one_identity_are_refused(sheet: str) -> None:
    result = read(sheet)
    assert errors(result) == ["sheet-ambiguous"]
    (finding,) = result.findings
    assert "both intake 1 run 1" in finding.message and finding.where.startswith("bench.xlsx!Sheet1!C")


def test_a_second_run_beside_an_unnumbered_one_is_none() -> None:
    result = read("Lift mm | Intake 1 cfm | Intake 1 run 2 cfm\n1 | 15 | 14\n2 | 30 | 29")
    assert result.findings == () and [test.run for test in result.tests] == [1, 2]


def test_flows_of_a_mapping_that_are_one_port_and_run_are_refused() -> None:
    flow = [{"cells": "B1:B2", "port": "1", "run": 1}, {"cells": "C1:C2", "port": "1"}]
    mapping = ColumnMapping.from_mapping(
        {"lift": "A1:A2", "lift_unit": "mm", "flow_unit": "CFM", "side": "intake", "flow": flow}
    )
    assert errors(read("1 | 15 | 14\n2 | 30 | 29", Stated(columns=mapping))) == ["sheet-ambiguous"]
