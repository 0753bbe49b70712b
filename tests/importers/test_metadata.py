"""What stands above, beside and below a table."""

from __future__ import annotations

import pytest

from flowkit.importers.files.grid import Grid
from flowkit.importers.mapping import Stated
from flowkit.model import Conditions
from tests.importers.sheets import CFM, INH2O, errors, flows, read, read_grid, rules

TABLE = "\nLift mm | Int 1 cfm\n1 | 15\n2 | 31"
INHG = 25.4 * 133.322387415  # Pa, NIST SP 811, appendix B


def said(lines: str, **more: object) -> Conditions:
    """The conditions that lines above a table give, with nothing doubtful."""
    result = read(lines + TABLE, **more)  # type: ignore[arg-type]
    assert result.findings == (), result.findings
    return result.tests[0].conditions


@pytest.mark.parametrize(
    ("line", "field", "value"),
    [
        ("Test pressure | 28 inH2O", "test_pressure_pa", 28 * INH2O),
        ("TEST PRESSURE: 28 inH2O", "test_pressure_pa", 28 * INH2O),
        ("Test pressure = 28 in. w.c.", "test_pressure_pa", 28 * INH2O),
        ("Test pressure (inH2O) | 28", "test_pressure_pa", 28 * INH2O),
        ("Test pressure | 28 | inH2O", "test_pressure_pa", 28 * INH2O),
        ("Test pressure 28 inH2O", "test_pressure_pa", 28 * INH2O),
        ("Tested @ 28 inH2O", "test_pressure_pa", 28 * INH2O),
        ("Depression | -7 kPa", "test_pressure_pa", 7000),
        ("fixture bore | 3.268 in", "fixture_bore_m", 3.268 * 0.0254),
        ("Bore (mm) | 83", "fixture_bore_m", 0.083),
        ("Valve head | 38 mm", "valve_diameter_m", 0.038),
        ("Intake valve head | 38 mm", "valve_diameter_m", 0.038),
        ("Valve size: 1.5 in", "valve_diameter_m", 1.5 * 0.0254),
        ("Stem Ø | 8 mm", "stem_diameter_m", 0.008),
        ("Throat diameter | 33 mm", "throat_diameter_m", 0.033),
        ("Seat angle | 45", "seat_angle_deg", 45),
        ("Seat angle | 45 deg", "seat_angle_deg", 45),
        ("Seat width | 1.4 mm", "seat_width_m", 0.0014),
        ("Air temperature | 72 °F", "air_temperature_k", (72 + 459.67) / 1.8),
        ("Air temperature | 21°C", "air_temperature_k", 294.15),
        ("Barometer | 29.92 inHg", "barometer_pa", 29.92 * INHG),
        ("Barometer | 1002 mbar", "barometer_pa", 100_200),
        ("Humidity | 45 %", "relative_humidity", 0.45),
        ("Humidity (%) | 45", "relative_humidity", 0.45),
        ("Humidity | 0.45", "relative_humidity", 0.45),
        ("Leak | 0.4 CFM", "leak_m3_s", 0.4 * CFM),
        ("Check plate reading | 101.2 cfm", "check_reading_m3_s", 101.2 * CFM),
        ("Check plate nominal (cfm) | 100", "check_nominal_m3_s", 100 * CFM),
        ("Meter temperature | 25 °C", "meter_temperature_k", 298.15),
        ("Meter pressure | 95 kPa", "meter_pressure_pa", 95_000),
        ("Date | 14 March 2026", "date", "2026-03-14"),
        ("Date | 23/4/26", "date", "2026-04-23"),
        ("Bench | B2", "bench", "B2"),
        ("Operator: M. Muster", "operator", "M. Muster"),
        ("Notes | seats cleaned", "notes", "seats cleaned"),
        ("Radius plate | 10 mm clay", "entry_fitting", "10 mm clay"),
        ("Pipe stub | 200 mm", "exit_fitting", "200 mm"),
    ],
)  # fmt: skip
def test_every_condition(line: str, field: str, value: float | str) -> None:
    found = getattr(said(line), field)
    assert found == value if isinstance(value, str) else found == pytest.approx(value, rel=1e-12)


def test_pairs_in_one_row_and_in_one_cell() -> None:
    found = said(
        "Bench: B2 ; Operator: M. M. | | |\nTest pressure | 28 inH2O | Date | 2026-03-14\nBore | 83 mm | | Throat | 33 mm"  # noqa: E501
    )
    assert (found.bench, found.operator, found.date) == ("B2", "M. M.", "2026-03-14")
    assert (found.fixture_bore_m, found.throat_diameter_m) == pytest.approx((0.083, 0.033))


def test_values_under_their_labels() -> None:
    found = said("Date | Operator | Bench | Test pressure\n2026-03-14 | M. | B | 28 inH2O")
    assert (found.date, found.operator, found.bench) == ("2026-03-14", "M.", "B")
    assert found.test_pressure_pa == pytest.approx(28 * INH2O)


def test_comments_of_a_text_file() -> None:
    rows = (("Lift mm", "Int 1 cfm"), ("1", "15"), ("2", "31"))
    result = read_grid(
        Grid("a.csv", None, rows, lines=(3, 4, 5), comments=((1, "Test pressure: 28 inH2O"), (2, "hello")))
    )
    assert result.tests[0].conditions.test_pressure_pa == pytest.approx(28 * INH2O)
    wrong = read_grid(Grid("a.csv", None, rows, lines=(3, 4, 5), comments=((1, "Test pressure: 28"),)))
    assert [f.where for f in wrong.findings if f.severity == "error"] == ["a.csv:1:1"]


def test_names_from_lines() -> None:
    result = read("Side | Exhaust\nPort | 1\nRun | 2\nVariant | stock\nHead | no. 7\nLift mm | cfm\n1 | 15\n2 | 31")
    test = result.tests[0]
    assert (test.side, test.port, test.run, test.variant, test.head) == ("exhaust", "1", 2, "stock", "no. 7")


def test_port_that_brings_its_side() -> None:
    result = read("Port | Int 2\nLift mm | cfm\n1 | 15\n2 | 31")
    assert (result.tests[0].side, result.tests[0].port) == ("intake", "2")
    valve = read("Valve: Exhaust\nLift mm | cfm\n1 | 15\n2 | 31")
    assert valve.tests[0].side == "exhaust"


def test_a_letter_for_the_side() -> None:
    assert read("mm | E1 cfm\n1 | 15\n2 | 30").findings[0].rule == "sheet-ambiguous"
    assert read("Side | E\nLift mm | cfm\n1 | 15").tests[0].side == "exhaust"
    assert read("Port | E2\nLift mm | cfm\n1 | 15\n2 | 20").tests[0].side == "exhaust"


@pytest.mark.parametrize(
    "line", ["Test pressure | 28", "Pressure: 10", "Leak | 0.4", "Check plate nominal | 100", "Meter pressure | 95"]
)
def test_pressure_and_flow_without_a_unit_are_refused(line: str) -> None:
    result = read(line + TABLE)
    assert errors(result) == ["sheet-ambiguous"]
    assert "has no unit" in result.findings[0].message


def test_stated_unit_for_bare_pressures_and_leaks() -> None:
    result = read("Test pressure | 28\nLeak | 0.4" + TABLE, Stated(pressure_unit="inH2O", flow_unit="CFM"))
    assert result.findings == ()
    assert result.tests[0].conditions.test_pressure_pa == pytest.approx(28 * INH2O)
    assert result.tests[0].conditions.leak_m3_s == pytest.approx(0.4 * CFM)


@pytest.mark.parametrize(
    ("line", "field", "value"),
    [
        ('Test pressure | 28"', "test_pressure_pa", 28 * INH2O),
        ("Test pressure (in) | 28", "test_pressure_pa", 28 * INH2O),
        ('Barometer | 29.92"', "barometer_pa", 29.92 * INHG),
        ("Barometer | 1002", "barometer_pa", 100_200),
        ("Fixture bore | 83", "fixture_bore_m", 0.083),
        ("Fixture bore | 3.25", "fixture_bore_m", 3.25 * 0.0254),
        ("Temp | 21", "air_temperature_k", 294.15),
        ("Temp | 72", "air_temperature_k", (72 + 459.67) / 1.8),
        ("Seat width | 1.4", "seat_width_m", 0.0014),
        ("Stem | 8", "stem_diameter_m", 0.008),
    ],
)  # fmt: skip
def test_units_that_can_only_be_one(line: str, field: str, value: float) -> None:
    result = read(line + TABLE)
    assert rules(result) == ["unit-assumed"]
    assert getattr(result.tests[0].conditions, field) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("line", ["Fixture bore | 12", "Temp | 48", "Barometer | 500", "Valve head | 9"])
def test_sizes_that_could_be_anything_are_refused(line: str) -> None:
    assert errors(read(line + TABLE)) == ["sheet-ambiguous"]


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        ("Test pressure | see note", "not-a-number"),
        ("Fixture bore | -83 mm", "not-a-number"),
        ("Fixture bore | 83 inHg", "sheet-ambiguous"),
        ("Fixture bore | 83 kg", "not-a-number"),
        ("Humidity | 145 %", "not-a-number"),
        ("Humidity | -5", "not-a-number"),
        ("Seat angle | 145", "not-a-number"),
        ("Side | upper", "sheet-ambiguous"),
        ("Run | x", "sheet-ambiguous"),
        ("Test pressure | 28 inH2O\nTest pressure | 25 inH2O", "sheet-ambiguous"),
    ],
)
def test_what_cannot_be_understood_is_an_error(line: str, rule: str) -> None:
    result = read(line + TABLE)
    assert errors(result) == [rule]
    assert len(result.tests) == 1


@pytest.mark.parametrize(
    "line",
    ["Test pressure | -", "Fixture bore | n/a", "Port | -", "Date |", "Leak", "Customer | x", "Data | all of it"],
)
def test_gaps_and_other_lines_are_silent(line: str) -> None:
    assert said(line) == Conditions()


def test_a_leak_with_its_pressure() -> None:
    found = said("Leak | 0.4 CFM @ 10 inH2O\nCheck plate nominal: 100 cfm at 28 inH2O")
    assert found.leak_pressure_pa == pytest.approx(10 * INH2O)
    assert found.check_pressure_pa == pytest.approx(28 * INH2O)
    assert found.check_nominal_m3_s == pytest.approx(100 * CFM)


def test_notes_in_two_lines_are_joined() -> None:
    assert said("Notes | first\nNotes | second").notes == "first; second"


def test_lines_of_one_side_hold_for_that_side() -> None:
    result = read(
        "Valve head, intake | 38 mm\nExhaust valve head | 33 mm\nLift mm | Int 1 cfm | Ex 1 cfm\n1 | 15 | 12\n2 | 31 | 25"  # noqa: E501
    )
    assert [t.conditions.valve_diameter_m for t in result.tests] == pytest.approx([0.038, 0.033])


def test_lines_below_the_last_table_hold_for_the_sheet() -> None:
    result = read("Lift mm | Int 1 cfm | Ex 1 cfm\n1 | 15 | 12\n2 | 31 | 25\n\nTest pressure | 28 inH2O\nNotes | end")
    assert all(t.conditions.test_pressure_pa == pytest.approx(28 * INH2O) for t in result.tests)
    assert result.tests[0].conditions.notes == "end"


def test_tables_side_by_side_have_their_own_lines() -> None:
    result = read(
        """
        Operator | M.
        Variant | stock | | Variant | ported
        Test pressure | 28 inH2O | | Test pressure | 25 inH2O
        Lift mm | Int 1 cfm | | Lift mm | Int 1 cfm
        1 | 15 | | 1 | 16
        2 | 31 | | 2 | 33
        """
    )
    assert list(flows(result)) == ["intake 1 1 stock", "intake 1 1 ported"]
    assert [round((t.conditions.test_pressure_pa or 0) / INH2O) for t in result.tests] == [28, 25]
    assert [t.conditions.operator for t in result.tests] == ["M.", "M."]


def test_a_later_block_does_not_inherit_what_belongs_to_the_first() -> None:
    block = "Port | {}\nLeak | {}\nLift mm | Intake cfm\n1 | 15\n2 | 31\n\n"
    result = read("Operator | M.\n" + block.format(1, "0.3 cfm") + "Port | 2\nLift mm | Intake cfm\n1 | 15\n2 | 31")
    assert [t.port for t in result.tests] == ["1", "2"]
    assert result.tests[1].conditions.leak_m3_s is None and result.tests[1].conditions.operator == "M."
