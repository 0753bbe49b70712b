"""Two headings over a small table, and the pressure written under it: what is read and what is asked.

The headings are a person's own trials of what operators write (common practice, no source).
"""

from __future__ import annotations

import pytest

import flowkit

LIFTS, ONE, OTHER = (2, 4, 6, 8), (45.2, 84.0, 112.9, 127.4), (35.0, 62.2, 80.1, 90.6)


def read(folder, first, second, text="28 inH2O, CFM"):
    """Read a table of two columns with these headings and a text under it."""
    quoted = ['"' + word.replace('"', '""') + '"' for word in (first, second, text)]
    rows = "".join(f"{lift},{a},{b}\n" for lift, a, b in zip(LIFTS, ONE, OTHER, strict=True))
    sheet = folder / "sheet.csv"
    sheet.write_text(f"Lift mm,{quoted[0]},{quoted[1]}\n{rows}{quoted[2]},,\n", "utf-8")
    return flowkit.read(sheet)


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        ("In S1", "In S2", [("intake", "S1", ""), ("intake", "S2", "")]),
        ("Intake 36mm", "Intake 38mm", [("intake", None, "36mm"), ("intake", None, "38mm")]),
        ("Intake 2019", "Intake 2026", [("intake", None, "2019"), ("intake", None, "2026")]),
        ("Intake 2 Nov", "Intake 9 Nov", [("intake", None, "2 Nov"), ("intake", None, "9 Nov")]),
        ("Intake v1", "Intake v2", [("intake", None, "v1"), ("intake", None, "v2")]),
        ("Intake port one", "Exhaust port one", [("intake", "1", ""), ("exhaust", "1", "")]),
        ("Intake port iv", "Intake port iii", [("intake", "4", ""), ("intake", "3", "")]),
        ("Cyl 1 inlet valve", "Cyl 1 exhaust valve", [("intake", "1", ""), ("exhaust", "1", "")]),
        ("Stock In", "Ported In", [("intake", None, "Stock"), ("intake", None, "Ported")]),
        ("Induction", "Exhaust", [("intake", None, ""), ("exhaust", None, "")]),
    ],
)
def test_a_heading_is_read(tmp_path, first, second, said):
    tests = read(tmp_path, first, second).tests
    assert [(t.side, t.port, "" if t.variant == "sheet" else t.variant) for t in tests] == said
    assert [round(t.points[0].flow_m3_s * 2118.880003, 3) for t in tests] == [45.2, 35.0]  # 1 ft = 0.3048 m exactly


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("Intake 36", "Intake 38"),
        ("Intake 1st", "Intake 2nd"),
        ("Intake first", "Intake second"),
        ("In 1a", "In 1b"),
        ("In 1.1", "In 1.2"),
        ("Intake as read", "Intake x 1.012"),
        ('10"', '28"'),
    ],
)
def test_a_number_that_may_be_anything_is_asked_about(tmp_path, first, second):
    assert any(finding.severity == "error" for finding in read(tmp_path, first, second).findings)


@pytest.mark.parametrize("word", ["SD", "standard deviation", "spread"])
def test_a_statistic_is_no_flow(tmp_path, word):
    (test,) = read(tmp_path, "Intake CFM", f"Intake {word}").tests
    assert test.points[0].flow_m3_s * 2118.880003 == pytest.approx(45.2, abs=0.001)


@pytest.mark.parametrize(
    "text",
    [
        "manometer limit 40 inH2O",
        "Bench can do 28 inH2O",
        "Leak checked at 28 inH2O",
        "The pump made 40 inH2O",
        "Orifice pressure 28 inH2O",
        "calibrated at 28 inH2O",
        "rated 600 cfm at 28 inH2O",
        "28-28.2 inH2O",
        "28 ± 0.2 inH2O",
        "between 25 and 28 inH2O",
    ],
)
def test_a_pressure_that_is_not_the_tests_is_not_taken(tmp_path, text):
    assert all(test.conditions.test_pressure_pa is None for test in read(tmp_path, "Intake", "Exhaust", text).tests)


@pytest.mark.parametrize(
    "text", ["28''", "28 pouces", "28 Zoll", "28 inH2O", "all at 28 inH2O, bench calibrated in May"]
)
def test_a_plain_pressure_is_taken(tmp_path, text):
    for test in read(tmp_path, "Intake CFM", "Exhaust CFM", text).tests:
        assert test.conditions.test_pressure_pa == pytest.approx(28 * 249.08891, rel=1e-6)  # conventional, NIST SP 811


def test_water_in_a_pressure_is_no_port(tmp_path):
    for text in ("28 H2O", "H2O 28"):
        assert {test.port for test in read(tmp_path, "Intake CFM", "Exhaust CFM", text).tests} <= {None}
