"""What lines beside a table say of its conditions: read, or named where it is not; all sheets are invented."""

from __future__ import annotations

import io

import pytest

import flowkit
from flowkit.importers.result import ReadResult
from flowkit.units import to_si

TABLE = "Lift (mm),Intake (CFM),Exhaust (CFM)\n2,60,45\n4,110,80\n6,150,110\n8,178,130\n"
PRESSURE = "Test pressure: 28 inH2O\n"


def _read(text: str) -> ReadResult:
    return flowkit.read(io.BytesIO(text.encode()), name="sheet.csv")


def _quoted(line: str) -> str:
    return f'"{line.replace(chr(34), chr(34) * 2)}"\n'


@pytest.mark.parametrize(
    ("line", "intake", "exhaust"),
    [
        ("intake at 28, exhaust at 10 inH2O", 28, 10),
        ("Intake flowed at 28 inH2O, exhaust at 10 inH2O, tested 2026-03-14", 28, 10),
        ("Test pressure: intake 28 inH2O, exhaust 10 inH2O", 28, 10),
        ("Test pressure 28 inH2O intake / 25 inH2O exhaust", 28, 25),
        ('IN at 28" EX at 10" of water', 28, 10),
        ('IN 28" EX 10"', 28, 10),
        ("Einlass bei 28 inH2O, Auslass bei 10 inH2O", 28, 10),
        ("28 inH2O nominal, 27.6 actual", 27.6, 27.6),
        ("Test pressure 27.6 inH2O actual (28 nominal)", 27.6, 27.6),
    ],
)
def test_a_pressure_is_the_one_of_its_side_and_the_actual_one(line: str, intake: float, exhaust: float) -> None:
    result = _read(_quoted(line) + TABLE)
    assert [f for f in result.findings if f.severity != "note"] == []
    found = {test.side: (test.port, test.conditions.test_pressure_pa) for test in result.tests}
    assert found["intake"] == (None, pytest.approx(to_si(intake, "inH2O")))
    assert found["exhaust"] == (None, pytest.approx(to_si(exhaust, "inH2O")))


@pytest.mark.parametrize(
    ("line", "attribute", "value"),
    [
        ("Barometer 29.92", "barometer_pa", to_si(29.92, "inHg")),
        ("**Barometer:** 29.92", "barometer_pa", to_si(29.92, "inHg")),
        ("Air temp 70", "air_temperature_k", to_si(70, "°F")),
        ("T = 70F / P = 29.9", "air_temperature_k", to_si(70, "°F")),
        ('Sleeve 3.17"', "fixture_bore_m", to_si(3.17, "in")),
        ("Cal plate 150 CFM read 148 CFM", "check_reading_m3_s", to_si(148, "CFM")),
        ("Cal plate 150 CFM read 148 CFM", "check_nominal_m3_s", to_si(150, "CFM")),
        ("Check plate: 150 CFM, read 148.2", "check_reading_m3_s", to_si(148.2, "CFM")),
        ("Check plate read 148 CFM (150 nominal)", "check_nominal_m3_s", to_si(150, "CFM")),
        ("Cal plate read 148 CFM", "check_reading_m3_s", to_si(148, "CFM")),
        ("Tested by Ann on bench B", "operator", "Ann"),
        ("Tested by Ann on bench B", "bench", "bench B"),
    ],
)
def test_a_condition_in_a_line_is_read(line: str, attribute: str, value: float | str) -> None:
    result = _read(PRESSURE + _quoted(line) + TABLE)
    assert [f for f in result.findings if f.severity != "note"] == []
    for test in result.tests:
        found = getattr(test.conditions, attribute)
        assert found == (value if isinstance(value, str) else pytest.approx(value))


@pytest.mark.parametrize(
    "line", ["Leak 2 %", "Leak: 2 %", "Ambient 20-22 °C", "T = 70F / P = 29.9", "Barometer 31-32", "Bore 3 or 4"]
)
def test_a_condition_that_cannot_be_read_is_named(line: str) -> None:
    (remark,) = (f for f in _read(PRESSURE + _quoted(line) + TABLE).findings if f.rule == "remark")
    assert line.split()[-2] in remark.message


@pytest.mark.parametrize(
    "line",
    [
        "Test pressure ~28 inH2O",
        "approx. 28 in H2O",
        "approx. 28 in",
        "flowed at about 28 inH2O",
        "Test pressure: 28? inH2O",
        "Test pressure: 28 inH2O?",
        "Test pressure: circa 28 inH2O",
        "Test pressure 28 inH2O (I think)",
        "ca. 28 inH2O",
        "environ 28 inH2O",
    ],
)
def test_a_doubtful_pressure_is_named(line: str) -> None:
    result = _read(_quoted(line) + TABLE)
    assert {f.severity for f in result.findings} == {"note"}
    assert "said-doubtfully" in {f.rule for f in result.findings}
    assert all(t.conditions.test_pressure_pa == pytest.approx(to_si(28, "inH2O")) for t in result.tests)


def test_a_doubt_in_a_cell_or_a_heading_is_named() -> None:
    for text in (
        f"Test pressure,~28 inH2O\n{TABLE}",
        f"Test pressure,28 inH2O ?\n{TABLE}",
        TABLE.replace("(CFM)", "CFM @ ~28 inH2O"),
    ):
        assert "said-doubtfully" in {f.rule for f in _read(text).findings}


def test_a_stated_pressure_is_not_called_doubtful() -> None:
    assert _read(PRESSURE + TABLE).findings == ()


@pytest.mark.parametrize("heading", ["Hub (1/10 mm)", "Lift 0.1 mm", "Lift (tenths of mm)", "Lift [mm/10]"])
def test_lifts_in_tenths_of_a_millimetre(heading: str) -> None:
    rows = f"{PRESSURE}{heading},Intake CFM\n20,60\n40,110\n60,150\n80,178\n"
    (test,) = _read(rows).tests
    assert [point.lift_m for point in test.points] == pytest.approx([0.002, 0.004, 0.006, 0.008])


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("Fixture bore,0 mm", "fixture bore '0 mm' is zero, which no head has"),
        ("Seat angle,95", "seat angle '95' is not between 0 and 90 degrees"),
    ],
)
def test_a_condition_that_cannot_be_is_an_error_at_its_cell(line: str, said: str) -> None:
    (found,) = (f for f in _read(f"{PRESSURE}{line}\n{TABLE}").findings if f.severity == "error")
    assert said in found.message and found.where.startswith("sheet.csv:2:")


@pytest.mark.parametrize("written", ["1,013 hPa", "1,013 mbar", "1013 hPa"])
def test_a_mark_in_a_barometer_is_the_one_that_the_size_allows(written: str) -> None:
    """A barometer of 1.013 hPa would be a vacuum: the comma parts thousands."""
    result = _read(f'{PRESSURE}Barometer,"{written}"\n{TABLE}')
    assert [test.conditions.barometer_pa for test in result.tests] == pytest.approx([101_300.0] * 2)


def test_lifts_in_one_letter_fractions_of_an_inch() -> None:
    (test,) = _read(f"{PRESSURE}Lift (in),Intake 1 (CFM)\n⅛,30\n¼,60\n⅜,80\n½,90\n").tests
    assert [point.lift_m for point in test.points] == pytest.approx([n * 0.0254 / 8 for n in range(1, 5)])


@pytest.mark.parametrize("line", ["Tested: 28 inH2O", "Tested: @ 28 inH2O", "Date: 28 in H2O"])
def test_a_pressure_where_a_day_is_expected_is_the_pressure(line: str) -> None:
    result = _read(f"{line}\n{TABLE}")
    assert result.findings == () and {test.conditions.date for test in result.tests} == {None}
    assert [test.conditions.test_pressure_pa for test in result.tests] == pytest.approx([to_si(28, "inH2O")] * 2)


@pytest.mark.parametrize(
    ("cell", "said"),
    [("off scale", "'off scale' is not a number"), ("2 inH2O", "a reading in inH2O is in a column of mmH2O")],
)
def test_a_reading_that_cannot_be_used_is_named_and_the_others_count(cell: str, said: str) -> None:
    rows = f"2,12,14\n4,{cell},47\n6,88,90\n8,120,122\n"
    result = _read(f"{PRESSURE}Lift (mm),Intake 1 manometer (mmH2O),Intake 2 manometer (mmH2O)\n{rows}")
    (found,) = (f for f in result.findings if f.severity == "error")
    assert said in found.message and found.where == "sheet.csv:4:2"
    assert [len(test.points) for test in result.tests] == [3, 4]


def test_a_letter_of_two_languages_alone_is_asked_about() -> None:
    """A is the outlet in German and the inlet in French."""
    findings = _read(f"{PRESSURE}Side: A\nLift (mm),1 (CFM)\n2,60\n4,110\n6,150\n").findings
    assert any(f.severity == "error" and "depending on the language" in f.message for f in findings)


@pytest.mark.parametrize(("row", "leak"), [("Leak,0.5,0.6", [0.5, 0.6]), ("Average,124.5,91.3", [None, None])])
def test_a_row_under_the_lifts_is_a_leak_or_no_reading(row: str, leak: list[float | None]) -> None:
    tests = _read(PRESSURE + TABLE + row + "\n").tests
    assert [len(test.points) for test in tests] == [4, 4]
    found = [test.conditions.leak_m3_s for test in tests]
    assert found == [None if flow is None else pytest.approx(to_si(flow, "CFM")) for flow in leak]
