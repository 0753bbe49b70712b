"""What the texts of a sheet say of its flows is used or asked about; all sheets are invented."""

from __future__ import annotations

import io

import pytest

import flowkit

TABLE = "Lift mm,Intake CFM,Exhaust CFM\n1,25.1,19.6\n3,70.2,53.8\n5,103.9,78.0\n"


def _asked(text: str, **stated: str) -> list[str]:
    found = flowkit.read(io.BytesIO(text.encode()), name="sheet.csv", **stated)
    return [finding.message for finding in found.findings if finding.severity == "error"]


@pytest.mark.parametrize(
    "line",
    [
        "28 inH2O max / 25 inH2O at the top",
        "Pressure 28 inH2O\nbut exhaust ran at 20 inH2O only",
        "Depression 28 mbar\nCorrected to 28 inH2O",
        "Tested 10 inH2O; first column converted to 28",
        "Prüfdruck 10 inH2O; auf 28 umgerechnet",
        "28 inH2O; flows in CFM x 10",
        "28 inH2O\nBench cal: 1.02 x",
        "28 inH2O\nCal factor 0.985",
        "10 inH2O (multiply by 1.67 for 28)",
        '"28 inH2O; 0,3 zum Hub addieren"',
        "28 inH2O; lifts from the old head; add 3",
        "28 inH2O; leakage 0.8 CFM deducted",
        '"Inlet in CFM, exhaust in L/s. 28 inH2O"',
    ],
)
def test_what_a_line_says_of_the_flows_is_asked_about_where_it_is_not_used(line: str) -> None:
    (message,) = _asked(f"{TABLE}{line}\n")
    assert "state what holds" in message


@pytest.mark.parametrize(
    "line",
    [
        "Test pressure: 28 inH2O",
        "All flows corrected to 28 inH2O",
        "Pressure: 28 inH2O\nBarometer: 1.013 bar\nOil 15W40 x 4",
        "Pressure: 28 inH2O\nLeak: 0.6 CFM at 28 inH2O",
        "Pressure: 28 inH2O\nnoisy at 3 mm",
        "bench calibrated to 61.4 CFM; 28 inH2O",
        '"28 inH2O, springs 60 lb seat, tyres 2 bar, air corrected to 20 C by the bench"',
        '"Pressure drop: 7,000 Pa"',
    ],
)
def test_a_line_that_is_used_is_not_asked_about(line: str) -> None:
    assert _asked(f"{TABLE}{line}\n") == []


def test_a_remark_beside_a_row_is_looked_at() -> None:
    rows = TABLE.replace("CFM\n", "CFM,Remarks\n", 1).replace("78.0", "78.0,bench ran at 25 here")
    assert len(_asked(f"{rows}Pressure: 28 inH2O\n")) == 1


def test_stating_the_pressure_answers_it() -> None:
    text = f"{TABLE}28 inH2O max / 25 inH2O at the top\n"
    assert len(_asked(text)) == 1
    assert _asked(text, test_pressure="28 inH2O") == []


@pytest.mark.parametrize(
    "line",
    [
        "28 inH2O. Bench reads 3% low",
        "28 inH2O. Ignore the exhaust at 3 mm",
        "28 inH2O\nIntake at 3 mm should read 71.2",
        '"cfm at 28 inH2O, corrected for leak 2 cfm"',
    ],
)
def test_a_line_that_says_figures_are_not_right_is_asked_about(line: str) -> None:
    assert _asked(f"{TABLE}{line}\n")


def test_a_sentence_and_words_beside_readings_are_remarks() -> None:
    table = TABLE.replace("\n", ",\n").replace("53.8,", "53.8,exhaust tested on the other bench") + "28 inH2O\n"
    found = flowkit.read(io.BytesIO(table.encode()), name="sheet.csv")
    assert len(found.tests) == 2
    remark = next(finding for finding in found.findings if finding.rule == "remark")
    assert remark.severity == "note" and "exhaust tested on the other bench" in remark.message


def test_rows_below_a_table_that_give_no_point_are_named() -> None:
    assert any("6 (recheck)" in message for message in _asked(f"{TABLE}6 (recheck),104.2,\n28 inH2O\n"))


def test_lifts_of_each_side_are_asked_about() -> None:
    table = "In lift mm,Ex lift mm,In CFM,Ex CFM\n2,1.8,45.2,32\n4,3.6,84,57.7\n6,5.4,112.9,75.1\n28 inH2O\n"
    found = flowkit.read(io.BytesIO(table.encode()), name="sheet.csv")
    assert any("lifts under" in f.message for f in found.findings if f.severity == "error")
