"""Sheets as honest operators send them: everything on them is read, and nothing is made up.

All invented; no such bench, head or customer exists.
"""

from __future__ import annotations

import datetime
import io
from pathlib import Path

import pytest

import flowkit
from flowkit.importers import read as read_file
from flowkit.importers.files.grid import Grid
from tests.importers.sheets import CFM, INH2O, MMH2O, errors, flows, read, read_grid, rules, write_xlsx

INHG = 25.4 * 133.322387415  # Pa, NIST SP 811, appendix B


def test_inches_merged_groups_averages_and_leaks_below() -> None:
    result = read(
        """
        FLOW TEST – HILL CLIMB HEAD
        Customer: | invented | | Date: | 3/14/26
        Test pressure: | 28" H2O | | Temp: | 72°F
        Bore fixture | 3.150" | | Baro | 29.92 in
         | INTAKE | | | | EXHAUST | | |
        LIFT | #1 | #2 | AVG | | #1 | #2 | AVG
        (in.) | CFM | CFM | CFM | | CFM | CFM | CFM
        .050" | 15.1 | 15.3 | 15.2 | | 12.0 | 12.2 | 12.1
        .100" | 30.4 | 30.2 | 30.3 | | 24.8 | 24.5 | 24.7
        .150" | 45.0 | NT | 45.0 | | 36.1 | 36.3 | 36.2

        Leak | 0.4 | 0.3 | | | 0.2 | 0.1 |
        Total | 90.5 | 45.5 | | | 72.9 | 73.0
        """
    )
    assert flows(result) == {
        "intake 1 1 bench": [(1.27, 15.1), (2.54, 30.4), (3.81, 45.0)],
        "intake 2 1 bench": [(1.27, 15.3), (2.54, 30.2)],
        "exhaust 1 1 bench": [(1.27, 12.0), (2.54, 24.8), (3.81, 36.1)],
        "exhaust 2 1 bench": [(1.27, 12.2), (2.54, 24.5), (3.81, 36.3)],
    }
    said = result.tests[3].conditions
    assert said.test_pressure_pa == pytest.approx(28 * INH2O, rel=1e-9)
    assert said.fixture_bore_m == pytest.approx(3.15 * 0.0254, rel=1e-9)
    assert said.air_temperature_k == pytest.approx((72 + 459.67) / 1.8, rel=1e-9)
    assert said.barometer_pa == pytest.approx(29.92 * INHG, rel=1e-9)
    assert said.date == "2026-03-14"  # no fourteenth month: it can be read in one way only
    assert said.leak_m3_s == pytest.approx(0.1 * CFM, rel=1e-9)
    assert errors(result) == []
    assert sorted(rules(result)) == ["column-ignored"] * 3 + ["not-a-number", "unit-assumed"]


def test_german_protocol_with_decimal_commas() -> None:
    result = read(
        """
        Prüfprotokoll Strömungsprüfstand | Bank 2
        Datum | 14.03.2026
        Prüfer | M. Muster
        Prüfdruck | 700 mmWS
        Prüfbohrung | 83 mm
        Lufttemperatur (°C) | 21,5
        Luftdruck (hPa) | 1002
        Luftfeuchte | 45 %

        Ventilhub | Einlass 1 | Einlaß 2 | Auslass 1 | Auslaß 2 | Bemerkung
        [mm] | [l/s] | [l/s] | [l/s] | [l/s] |
        1,0 | 7,1 | 7,2 | 6,0 | 6,1 | ok
        2,0 | 14,3 | 14,2 | 12,1 | 12,0 |
        3,0 | 21,0 | 20,9 | 18,2 | - | rauscht
        Mittelwert | 14,1 | 14,1 | 12,1 | 9 |
        """,
        decimal_comma=True,
    )
    assert flows(result, 1e-3) == {
        "intake 1 1 bench": [(1, 7.1), (2, 14.3), (3, 21.0)],
        "intake 2 1 bench": [(1, 7.2), (2, 14.2), (3, 20.9)],
        "exhaust 1 1 bench": [(1, 6.0), (2, 12.1), (3, 18.2)],
        "exhaust 2 1 bench": [(1, 6.1), (2, 12.0)],
    }
    said = result.tests[0].conditions
    assert (said.date, said.operator, said.bench) == ("2026-03-14", "M. Muster", "Bank 2")
    assert said.test_pressure_pa == pytest.approx(700 * MMH2O) and said.relative_humidity == pytest.approx(0.45)
    assert said.air_temperature_k == pytest.approx(294.65) and said.barometer_pa == pytest.approx(100_200)
    assert errors(result) == [] and "unit-assumed" not in rules(result)


def test_french_sheet_across() -> None:
    result = read(
        """
        Essai de débit – culasse d'essai
        Dépression d'essai : 635 mmCE
        Opérateur : J. D.
        Levée (mm) | 2 | 4 | 6 | 8
        Admission cyl. 1 (m³/h) | 51,2 | 98,4 | 131,0 | 150,5
        Admission cyl. 2 (m³/h) | 50,8 | 97,9 | 130,2 | n/a
        Échappement cyl. 1 (m³/h) | 42,0 | 80,1 | 105,3 | 118,8
        Moyenne admission | 51 | 98,1 | 130,6 | 150,5
        """
    )
    found = flows(result, 1 / 3600)
    assert list(found) == ["intake 1 1 bench", "intake 2 1 bench", "exhaust 1 1 bench"]
    assert found["intake 2 1 bench"] == [(2, 50.8), (4, 97.9), (6, 130.2)]
    assert result.tests[0].conditions.test_pressure_pa == pytest.approx(635 * MMH2O)
    assert result.tests[0].conditions.operator == "J. D."
    assert errors(result) == []


def test_spanish_list_filled_in_once_for_each_port() -> None:
    result = read(
        """
        Presión de prueba: 25 inH2O
        Fecha | 14 de marzo de 2026
        Operario | A. B.
        Lado | Cilindro | Alzada de válvula (mm) | Caudal (l/s) | Observaciones
        Admisión | 1 | 2 | 24,1 |
         | | 4 | 46,0 | ruido
        Escape | 1 | 2 | 20,2 |
         | | 4 | 38,4 |
        """
    )
    assert flows(result, 1e-3) == {
        "intake 1 1 bench": [(2, 24.1), (4, 46.0)],
        "exhaust 1 1 bench": [(2, 20.2), (4, 38.4)],
    }
    assert result.tests[1].conditions.date == "2026-03-14" and result.tests[1].conditions.operator == "A. B."


def test_italian_tables_side_by_side() -> None:
    result = read(
        """
        Banco prova: B1
        Pressione di prova: 28 inH2O
         | Aspirazione | | | Scarico |
        Cilindro 1 | | | Cilindro 1 | |
        Alzata (mm) | Portata (CFM) | | Alzata (mm) | Portata (CFM) |
        1 | 15,1 | | 1 | 12,0 |
        2 | 30,4 | | 2 | 24,8 |
        3 | 45,0 | | 3 | 36,1 |
        """
    )
    assert list(flows(result)) == ["intake 1 1 bench", "exhaust 1 1 bench"]
    assert [t.conditions.bench for t in result.tests] == ["B1", "B1"]


def test_before_and_after_with_differences() -> None:
    result = read(
        """
        Exhaust port #3 flow at 25 in. H2O
        Lift (in) | Before (cfm) | After (cfm) | Diff | %
        0.1 | 44.1 | 46.0 | 1.9 | 4.3
        0.2 | 80.5 | 86.2 | 5.7 | 7.1
        0.3 | 104.4 | 113.9 | 9.5 | 9.1
        """
    )
    assert list(flows(result)) == ["exhaust 3 1 Before", "exhaust 3 1 After"]
    assert result.tests[0].conditions.test_pressure_pa == pytest.approx(25 * INH2O)


def test_check_plate_and_leak_rows_inside() -> None:
    result = read(
        """
        Test pressure | 28 inH2O
        Check plate nominal | 100 cfm @ 28 inH2O
        Lift mm | Int 1 | Int 2 | Exh 1
         | cfm | cfm | cfm
        Check plate reading | 101.2 | 101.0 | 100.8
        Leak | .4 | .3 | .2
        1 | 15 | 15.1 | 12
        2 | 30 | 30.1 | 25
        3 | 44 | 44.1 | 36
        """
    )
    assert [round((t.conditions.leak_m3_s or 0) / CFM, 9) for t in result.tests] == [0.4, 0.3, 0.2]
    assert [round((t.conditions.check_reading_m3_s or 0) / CFM, 9) for t in result.tests] == [101.2, 101.0, 100.8]
    assert all(t.conditions.check_nominal_m3_s == pytest.approx(100 * CFM) for t in result.tests)
    assert all(t.conditions.check_pressure_pa == pytest.approx(28 * INH2O) for t in result.tests)
    assert result.findings == ()


def test_units_in_one_line_and_port_with_a_zero() -> None:
    rows = [
        ("Units: mm, L/s, mmH2O",),
        ("Test pressure: 700",),
        ("Side: Exhaust",),
        ("Port: 02",),
        ("Lift", "Flow"),
        ("2", "12"),
        ("4", "25"),
    ]
    result = read_grid(Grid("old.txt", None, tuple(rows), lines=tuple(range(1, 8))))
    assert flows(result, 1e-3) == {"exhaust 02 1 old": [(2, 12), (4, 25)]}
    assert result.tests[0].conditions.test_pressure_pa == pytest.approx(700 * MMH2O)
    assert result.tests[0].points[0].source == "old.txt:6:2"
    assert result.findings == ()


def test_fractions_of_the_valve_on_both_sides() -> None:
    result = read(
        """
        Valve head, intake | 38 mm
        Valve head, exhaust | 33 mm
        Int. stem (mm) | 8
        Exhaust seat angle | 45°
        Exhaust seat width: 1.8 mm
        Lift/D | Intake 1 (m3/h) | Exhaust 1 (m3/h)
        0,05 | 30 | 25
        0,10 | 60 | 50
        """
    )
    assert flows(result, 1 / 3600) == {
        "intake 1 1 bench": [(1.9, 30), (3.8, 60)],
        "exhaust 1 1 bench": [(1.65, 25), (3.3, 50)],
    }
    intake, exhaust = (t.conditions for t in result.tests)
    assert (intake.valve_diameter_m, intake.stem_diameter_m) == pytest.approx((0.038, 0.008))
    assert (exhaust.valve_diameter_m, exhaust.seat_width_m, exhaust.seat_angle_deg) == pytest.approx(
        (0.033, 0.0018, 45)
    )
    assert intake.seat_angle_deg is None and exhaust.stem_diameter_m is None


def test_mistyped_lifts_are_reported_and_the_rest_is_read() -> None:
    result = read("Lift mm | Int 1 cfm\nO.5 | 7\n1 | 15\n2 | 30\n3.O | 41\n | 50")
    assert flows(result) == {"intake 1 1 bench": [(1, 15), (2, 30)]}
    assert [f.where.rpartition("!")[2] for f in result.findings if f.severity == "error"] == ["A2", "A5", "A6"]


def test_odd_cells() -> None:
    result = read(
        """
        Lift (thou) | E3 (cfm)
        0 | 0.5
        50 | 12
        100 | NT
        150 | 33 cfm
        200 | 4o
        250 | −45
        300 | 50,5
        350 | 12 V
        -10 | 5
        """
    )
    assert flows(result) == {"exhaust 3 1 bench": [(1.27, 12), (3.81, 33), (6.35, -45), (7.62, 50.5)]}
    assert result.tests[0].conditions.leak_m3_s == pytest.approx(0.5 * CFM)
    where = [(f.rule, f.severity, f.where.rpartition("!")[2]) for f in result.findings]
    assert ("not-a-number", "note", "B4") in where
    assert ("not-a-number", "error", "B6") in where and ("not-a-number", "error", "B9") in where
    assert ("lift-negative", "error", "A10") in where


def test_a_flow_in_another_unit_than_its_column() -> None:
    result = read("Lift mm | Int 1 cfm\n1 | 15\n2 | 14.16 l/s\n3 | 28 inH2O")
    assert [round(p.flow_m3_s / CFM, 2) for p in result.tests[0].points] == [15, 30]
    assert errors(result) == ["sheet-ambiguous"]


def test_lines_beside_the_table() -> None:
    result = read(
        """
        Lift (mm) | Int 1 cfm | Ex 1 cfm | | Test pressure | 28 inH2O
        1 | 15 | 12 | | Date | 2026-03-14
        2 | 31 | 25 | | Temp | 72 F
        3 | 44 | 33 | | Baro | 29.92
        4 | 54 | 43 | | Humidity | 45
        """
    )
    assert len(result.tests) == 2 and all(len(t.points) == 4 for t in result.tests)
    said = result.tests[0].conditions
    assert said.date == "2026-03-14" and said.relative_humidity == pytest.approx(0.45)
    assert said.barometer_pa == pytest.approx(29.92 * INHG)
    assert rules(result) == ["unit-assumed"]


def test_a_workbook_with_a_cover_notes_hidden_sheets_and_a_sheet_for_each_variant_and_side(tmp_path: Path) -> None:
    table = [["Lift (mm)", 1, "CFM"], [1.0, 15.0], [2.0, 31.0]]
    pages: dict[str, list[list[object]]] = {
        "Cover": [["Job 2417, invented"], ["Prepared", datetime.date(2026, 3, 20)], ["Pages", 6]],
        "Stock Int": [["Test pressure", "28 inH2O"], ["Lift mm", "Port 1 cfm"], [1.0, 15.0], [2.0, 31.0]],
        "Stock Exh": [["Test pressure", "28 inH2O"], ["Lift mm", "Port 1 cfm"], [1.0, 12.0], [2.0, 25.0]],
        "Ported Int": [["Test pressure", "28 inH2O"], ["Lift mm", "Port 1 cfm"], [1.0, 16.0], [2.0, 33.0]],
        "Ported Exh": [["Test pressure", "28 inH2O"], ["Lift mm", "Port 1 cfm"], [1.0, 13.0], [2.0, 27.0]],
        "Remarks": [["The head was cleaned before the first test."], ["Valves lapped in."]],
        "calc": [["Lift mm", "Int 1 cfm"], [1.0, 99.0], [2.0, 99.0]],
    }
    del table
    path = write_xlsx(tmp_path / "job.xlsx", pages)
    import openpyxl

    book = openpyxl.load_workbook(path)
    book["calc"].sheet_state = "hidden"
    page = book["Stock Int"]
    page.column_dimensions["D"].hidden = True
    page["D2"], page["D3"] = "Old cfm", 14.0
    page.append([3.0, 44.0])
    page.row_dimensions[5].hidden = True
    book.save(path)
    result = read_file(path)
    assert flows(result) == {
        "intake 1 1 Stock": [(1, 15), (2, 31)],
        "exhaust 1 1 Stock": [(1, 12), (2, 25)],
        "intake 1 1 Ported": [(1, 16), (2, 33)],
        "exhaust 1 1 Ported": [(1, 13), (2, 27)],
    }
    assert sorted(rules(result)) == ["hidden-content"] * 3
    assert {f.where for f in result.findings} == {"job.xlsx!calc", "job.xlsx!Stock Int!A5", "job.xlsx!Stock Int!D1"}


def test_worksheets_named_after_ports_and_runs(tmp_path: Path) -> None:
    table = [["Test pressure", "28 inH2O"], ["Variant", "stock"], ["Lift mm", "cfm"], [1.0, 15.0], [2.0, 31.0]]
    path = write_xlsx(
        tmp_path / "head.xlsx", {"Int 1": table, "Int 2 run 1": table, "Int 2 run 2": table, "Cyl 1 Ex": table}
    )
    assert list(flows(read_file(path))) == [
        "intake 1 1 stock",
        "intake 2 1 stock",
        "intake 2 2 stock",
        "exhaust 1 1 stock",
    ]


def test_worksheet_names_that_are_variants_keep_their_words(tmp_path: Path) -> None:
    table = [["Test pressure", "28 inH2O"], ["Lift mm", "Int 1 cfm", "Ex 1 cfm"], [1.0, 15.0, 12.0], [2.0, 31.0, 25.0]]
    names = ["intake ports blended", "slim-stem valves", "Stage 2", "Sheet4"]
    path = write_xlsx(tmp_path / "head.xlsx", dict.fromkeys(names, table))
    assert list(dict.fromkeys(t.variant for t in read_file(path).tests)) == [
        "intake ports blended",
        "slim-stem valves",
        "Stage 2",
        "head",
    ]


def test_percent_formats_dates_and_times_in_a_workbook(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    page = book.active
    for row in (
        ["Date", datetime.datetime(2026, 3, 14)],
        ["Humidity", 0.45],
        ["Test pressure (inH2O)", 28],
        ["Lift mm", "Stock cfm", "Ported cfm", "Change", "Time"],
        [1, 50, 55, 0.1, datetime.time(10, 5)],
        [2, 100, 111, 0.11, datetime.time(10, 9)],
    ):
        page.append(row)
    page["B2"].number_format = "0%"
    page["D5"].number_format = page["D6"].number_format = "0.0%"
    book.save(tmp_path / "b.xlsx")
    result = read_file(tmp_path / "b.xlsx")
    assert [t.variant for t in result.tests] == ["Stock", "Ported"]
    assert result.tests[0].conditions.date == "2026-03-14"
    assert result.tests[0].conditions.relative_humidity == pytest.approx(0.45)
    assert errors(result) == []


def test_formulas_without_a_value_name_their_cells(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    page = book.active
    for row in (
        ["Test pressure", "28 inH2O"],
        ["Lift mm", "Int 1 cfm", "Gain %"],
        [1, 50, "=B3/2"],
        [2, "=B3*2", "=B4/2"],
        [3, 140, 1],
    ):
        page.append(row)
    book.save(tmp_path / "b.xlsx")
    result = read_file(tmp_path / "b.xlsx")
    assert [(f.where, f.severity) for f in result.findings if f.rule == "not-a-number"] == [
        ("b.xlsx!Sheet!B4", "error")
    ]
    assert "open and save it in the spreadsheet program" in result.findings[-1].message
    assert len(result.tests[0].points) == 2


def test_letters_by_the_language_of_the_sheet() -> None:
    german = read("Prüfdruck | 700 mmWS\nVentilhub mm | E1 l/s | A1 l/s\n1 | 10 | 8\n2 | 20 | 16")
    assert [t.side for t in german.tests] == ["intake", "exhaust"]
    french = read("Dépression | 700 mmCE\nLevée mm | E1 l/s | A1 l/s\n1 | 10 | 8\n2 | 20 | 16")
    assert [t.side for t in french.tests] == ["exhaust", "intake"]
    italian = read("Alzata mm | A1 l/s | S1 l/s\n1 | 10 | 8\n2 | 20 | 16")
    assert [t.side for t in italian.tests] == ["intake", "exhaust"]
    english = read("Lift mm | I1 l/s | E1 l/s\n1 | 10 | 8\n2 | 20 | 16")
    assert [t.side for t in english.tests] == ["intake", "exhaust"]
    nobody = read("mm | E1 l/s | A1 l/s\n1 | 10 | 8\n2 | 20 | 16")
    assert errors(nobody) == ["sheet-ambiguous", "sheet-ambiguous"] and not nobody.tests


def test_derived_figures_are_left_out() -> None:
    result = read(
        """
        Lift mm | No | Int 1 cfm | Velocity (ft/s) | Cd | Swirl | Temp °C | E/I ratio | Remarks
        1 | 1 | 15 | 200 | 0.6 | 1.1 | 21 | .8 | a
        2 | 2 | 30 | 220 | 0.61 | 1.2 | 21 | .8 | b
        """
    )
    assert flows(result) == {"intake 1 1 bench": [(1, 15), (2, 30)]}
    assert result.tests[0].conditions.air_temperature_k == pytest.approx(294.15)
    assert set(rules(result)) == {"column-ignored"} and errors(result) == []


def test_sides_and_ports_in_unusual_places() -> None:
    """In the heading of the lifts, behind the unit, over the first column of a group, glued to the pressure."""
    lifts = read(
        "Intake valve lift (mm) | Flow (CFM)\n1 | 15\n2 | 30\n\nExhaust valve lift (mm) | Flow (CFM)\n1 | 12\n2 | 24"
    )
    assert list(flows(lifts)) == ["intake None 1 bench", "exhaust None 1 bench"] and lifts.findings == ()
    behind = read("Lift [in.] | CFM In | CFM Ex\n.1 | 50 | 40\n.2 | 99 | 80")
    assert list(flows(behind)) == ["intake None 1 bench", "exhaust None 1 bench"] and behind.findings == ()
    text = "Cylinder 1 | | | Cylinder 2 |\nLift mm | Int cfm | Exh cfm | Int cfm | Exh cfm\n1 | 15 | 12 | 16 | 13\n2 | 30 | 24 | 31 | 25"  # noqa: E501
    for merged in ((), ((0, 0, 0, 2), (0, 3, 0, 4))):
        groups = read(text, merged=merged)
        assert list(flows(groups)) == [f"{s} {p} 1 bench" for p in (1, 2) for s in ("intake", "exhaust")]
    glued = read('Lift (in) | Intake CFM@28" | Exhaust CFM@25"\n.1 | 50 | 40\n.2 | 99 | 80')
    assert [round((t.conditions.test_pressure_pa or 0) / INH2O) for t in glued.tests] == [28, 25]


def test_columns_that_differ_in_pressure_only_are_refused() -> None:
    for heads in ("cfm at 28 inH2O | cfm at 25 inH2O", "Flow cfm | Repeat cfm", "28 inH2O | 25 inH2O"):
        result = read(f"Lift mm | {heads}\n1 | 15 | 14\n2 | 30 | 28")
        assert errors(result) == ["sheet-ambiguous"] and not result.tests


def test_text_of_a_sheet_is_only_text() -> None:
    result = read(
        '=HYPERLINK("x") | $x^2$\nVariant | =1+1\nHead | <b>../../etc</b>\nLift mm | Int 1 cfm\n1 | 15\n2 | 30'
    )
    assert result.tests[0].variant == "=1+1" and result.tests[0].head == "<b>../../etc</b>"


def _flows(text: str, name: str = "sheet.txt") -> dict[tuple[str | None, str | None, str], list[float]]:
    found = flowkit.read(io.BytesIO(text.encode()), name=name)
    assert [f.message for f in found.findings if f.severity == "error"] == []
    return {
        (t.side, t.port, t.variant): [round(p.flow_m3_s * 60 / 0.3048**3, 6) for p in t.points] for t in found.tests
    }


def test_a_list_without_headings_is_read_where_its_lifts_have_units() -> None:
    text = "tested at 25 inH2O, flow in cfm\n\nInlet\n2mm  45.2\n4mm  84.0\n8mm  127.4\n\n"
    text += "Exhaust\n2mm  35.0\n4mm  62.2\n8mm  90.6\n"
    assert _flows(text) == {
        ("intake", None, "sheet"): [45.2, 84.0, 127.4],
        ("exhaust", None, "sheet"): [35.0, 62.2, 90.6],
    }


def test_a_list_of_ports_is_no_list_of_lifts() -> None:
    text = "Peak flow in CFM, 28 inH2O\nIntake\n1 240\n2 242\n3 239\nExhaust\n1 180\n2 181\n3 179\n"
    found = flowkit.read(io.BytesIO(text.encode()), name="peak.txt")
    assert not found.tests
    assert any(finding.severity == "error" for finding in found.findings)


def test_lifts_without_a_heading_under_a_line_of_text() -> None:
    text = 'Inch lift, cfm flow, 28" H2O\n         In       Ex       In       Ex\n'
    text += "      (before) (before) (after)  (after)\n"
    text += ".100     58.2     44.1     61       46\n.200     104.6    77.0     108      80\n"
    found = _flows(text)
    assert found["intake", None, "before"] == [58.2, 104.6]
    assert found["exhaust", None, "after"] == [46.0, 80.0]


def test_lists_one_below_the_other_are_all_read() -> None:
    text = "ex 1\n.1 44.1\n.2 77.0\n.3 95.8\nex 2\n.1 44.4\n.2 77.5\n.3 96.4\nin 1\n.1 58.2\n.2 104.6\n.3 131.2\n"
    found = _flows(text + "cfm, 28 inH2O\n")
    assert {(side, port) for side, port, _ in found} == {("exhaust", "1"), ("exhaust", "2"), ("intake", "1")}
    assert found["exhaust", "1", "sheet"] == [44.1, 77.0, 95.8]
    assert found["intake", "1", "sheet"] == [58.2, 104.6, 131.2]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_a_pressure_alone_below_the_lifts_is_no_lift(mark: str) -> None:
    rows = [["Lift mm", "Intake CFM", "Exhaust CFM"], ["1", "25.1", "19.6"], ["5", "103.9", "78"], ["28 inH2O", "", ""]]
    found = flowkit.read(io.BytesIO("\n".join(mark.join(row) for row in rows).encode()), name="a.csv")
    assert [len(test.points) for test in found.tests] == [2, 2]
    assert found.tests[0].conditions.test_pressure_pa == pytest.approx(28 * INH2O)
    assert not [finding for finding in found.findings if finding.severity == "error"]
