"""Two headings over a small table, and the pressure written under it: what is read and what is asked.

The headings are a person's own trials of what operators write (common practice, no source).
"""

from __future__ import annotations

import openpyxl
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


def flows(result):
    """What was read: side, port, run, and lifts (mm) with flows (CFM)."""
    return {
        (t.side, t.port, t.run): [(round(p.lift_m * 1e3, 3), round(p.flow_m3_s * 2118.880003, 3)) for p in t.points]
        for t in result.tests
    }


@pytest.mark.parametrize(
    "text",
    [
        "Cyl,Valve,2 mm,4 mm,6 mm\n1,IN,45.2,84.0,112.9\n1,EX,35.0,62.2,80.1\n2,IN,44.9,83.3,111.8\n",
        "Test,Lift mm,CFM\nIN1,2,45.2\nIN1,4,84\nIN1,6,112.9\nEX1,2,35\nEX1,4,62.2\nEX1,6,80.1\nIN2,2,44.9\n"
        "IN2,4,83.3\nIN2,6,111.8\n",
    ],
)
def test_ports_beside_the_flows_are_read(tmp_path, text):
    (tmp_path / "a.csv").write_text(f'"28 inH2O, CFM"\n{text}')
    assert flows(flowkit.read(tmp_path / "a.csv")) == {
        ("intake", "1", 1): [(2.0, 45.2), (4.0, 84.0), (6.0, 112.9)],
        ("exhaust", "1", 1): [(2.0, 35.0), (4.0, 62.2), (6.0, 80.1)],
        ("intake", "2", 1): [(2.0, 44.9), (4.0, 83.3), (6.0, 111.8)],
    }


def test_a_side_is_no_port(tmp_path):
    (tmp_path / "a.csv").write_text(
        '28 inH2O\n"CFM",".100""",".200"""\nInt,45.2,84\nExh,35,62.2\n'.replace('"CFM"', "Port")
    )
    assert {key[:2] for key in flows(flowkit.read(tmp_path / "a.csv", flow_unit="CFM"))} == {
        ("intake", None),
        ("exhaust", None),
    }


def test_zeros_at_an_open_valve_are_no_readings(tmp_path):
    (tmp_path / "a.csv").write_text("28 inH2O\nLift mm,Intake CFM\n2,45.2\n4,84\n6,112.9\n8,0\n10,0\n")
    result = flowkit.read(tmp_path / "a.csv")
    assert flows(result) == {("intake", None, 1): [(2.0, 45.2), (4.0, 84.0), (6.0, 112.9)]}
    assert [(f.rule, f.severity) for f in result.findings] == [("not-a-number", "note")]


@pytest.mark.parametrize(("factor", "asked"), [(1.01, False), (1.07, True)])
def test_the_same_lifts_again_are_runs_where_the_flows_are_alike(tmp_path, factor, asked):
    again = "".join(f"{lift},{flow * factor:.1f}\n" for lift, flow in zip(LIFTS, ONE, strict=True))
    first = "".join(f"{lift},{flow}\n" for lift, flow in zip(LIFTS, ONE, strict=True))
    (tmp_path / "a.csv").write_text(f"28 inH2O\nLift mm,Intake CFM\n{first}{again}")
    result = flowkit.read(tmp_path / "a.csv")
    assert any(f.severity == "error" for f in result.findings) == asked
    assert [t.run for t in result.tests] == [1, 2]


@pytest.mark.parametrize(("names", "asked", "left_out"), [
    (("Sheet1", "Sheet2"), True, False),
    (("Raw", "Corrected"), True, False),
    (("Before", "After"), False, False),
    (("Head", "Target"), False, True),
    (("Head", "Example"), False, True),
    (("Head", "Summary"), False, True),
    (("Target", "Summary"), False, False),
])  # fmt: skip
def test_worksheets_of_the_same_ports_are_asked_about(tmp_path, names, asked, left_out):
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for name, factor in zip(names, (1.0, 1.06), strict=True):
        sheet = book.create_sheet(name)
        sheet.append(["28 inH2O"])
        sheet.append(["Lift mm", "Intake CFM"])
        for lift, flow in zip(LIFTS, ONE, strict=True):
            sheet.append([lift, round(flow * factor, 1)])
    book.save(tmp_path / "a.xlsx")
    result = flowkit.read(tmp_path / "a.xlsx")
    assert any(f.severity == "error" for f in result.findings) == asked
    assert (len(result.tests) == 1) == left_out
    assert any("left out" in f.message for f in result.findings) == left_out


@pytest.mark.parametrize(
    ("unit", "factor", "asked"),
    [("L/min", 0.028, True), ("CFM", 28, True), ("CFM", 1, False), ("L/min", 28.3168, False)],
)
def test_a_flow_that_no_valve_passes_is_asked_about(tmp_path, unit, factor, asked):
    rows = "".join(f"{lift};{flow * factor:.2f}\n" for lift, flow in zip(LIFTS, ONE, strict=True))
    (tmp_path / "a.csv").write_text(f"28 inH2O;\nLift mm;Intake {unit}\n{rows}")
    assert any("any valve" in finding.message for finding in flowkit.read(tmp_path / "a.csv").findings) == asked


def test_a_ports_number_before_a_pressure_is_no_range(tmp_path):
    (tmp_path / "a.csv").write_text(
        'PORT WORK, CYL 1 - 28" H2O - CFM\nLift mm,Intake\n2,45.2\n4,84\n'.replace("WORK,", "WORK")
    )
    (test,) = flowkit.read(tmp_path / "a.csv").tests
    assert test.conditions.test_pressure_pa == pytest.approx(28 * 249.08891, rel=1e-6)


@pytest.mark.parametrize(
    ("names", "heads"),
    [
        (("LH", "RH"), ["LH", "RH"]),
        (("Left head", "Right head"), ["Left", "Right"]),
        (("Front", "Rear"), ["Front", "Rear"]),
        (("Bank 1", "Bank 2"), ["Bank 1", "Bank 2"]),
        (("Head 1", "Head 2"), ["1", "2"]),
    ],
)
def test_worksheets_named_after_heads_hold_heads_and_no_states(tmp_path, names, heads):
    book = openpyxl.Workbook()
    for more, name in enumerate(names):
        sheet = book.create_sheet(name)
        for row in [["28 inH2O CFM"], ["Lift mm", "In 1", "In 2"], [2, 45 + more, 44], [4, 84 + more, 83]]:
            sheet.append(row)
    del book["Sheet"]
    book.save(tmp_path / "both.xlsx")
    tests = flowkit.read(tmp_path / "both.xlsx").tests
    assert [(test.port, test.head, test.variant) for test in tests] == [
        (port, head, "both") for head in heads for port in ("1", "2")
    ]


@pytest.mark.parametrize("text", ["Gasket bore 38 mm", "Carb bore 40 mm", "Oil temp 80 °C", "Spring 75 lb at 1.5 in"])
def test_what_is_of_another_thing_is_not_the_benchs(tmp_path, text):
    for test in read(tmp_path, "Intake CFM", "Exhaust CFM", text).tests:
        said = test.conditions
        assert (said.fixture_bore_m, said.air_temperature_k, said.test_pressure_pa) == (None, None, None)


@pytest.mark.parametrize(
    "text",
    ["Corrected to 20 °C, 1013 mbar", "Flows corrected to standard air (15 °C, 1013 hPa)", "standard 29.92 inHg 60 F"],
)
def test_a_standard_air_is_asked_about_and_not_taken(tmp_path, text):
    day = tmp_path / "day.csv"
    for said, asked in (("", False), ("Temp 22 °C", True)):
        day.write_text(f'Lift mm,Intake CFM\n2,45.2\n4,84\n28 inH2O,\n"{text}",\n{said},\n')
        result = flowkit.read(day)
        assert any("an air" in finding.message for finding in result.findings if finding.severity == "error") == asked
        assert [test.conditions.air_temperature_k for test in result.tests] == [295.15 if asked else None]


def test_a_leaks_pressure_is_not_the_tests(tmp_path):
    for test in read(tmp_path, "Intake CFM", "Exhaust CFM", "Leak test 0.5 CFM at 10 inH2O").tests:
        assert test.conditions.test_pressure_pa is None
        assert test.conditions.leak_pressure_pa == pytest.approx(10 * 249.08891, rel=1e-6)


@pytest.mark.parametrize(
    ("cell", "points"),
    [
        ("<td>84<sup>1</sup></td>", 3),
        ('<td style="text-decoration: line-through">99</td>', 2),
        ("<td><del>99</del></td>", 2),
        ("<td><span style='text-decoration:line-through'>99</span> 84.0</td>", 3),
        ("<td>84.0</td></tr><tr style='display:none'><td>5</td><td>99</td>", 3),
    ],
)
def test_what_a_page_shows_struck_small_or_not_at_all(tmp_path, cell, points):
    rows = f"<tr><td>2</td><td>45.2</td></tr><tr><td>4</td>{cell}</tr><tr><td>6</td><td>112.9</td></tr>"
    head = "<html><body><p>28 inH<sub>2</sub>O, CFM</p><table><tr><th>Lift mm</th><th>Intake</th></tr>"
    (tmp_path / "a.html").write_text(f"{head}{rows}</table></body></html>")
    (test,) = flowkit.read(tmp_path / "a.html").tests
    assert test.conditions.test_pressure_pa == pytest.approx(28 * 249.08891, rel=1e-6)
    read_flows = [round(point.flow_m3_s * 2118.880003, 3) for point in test.points]
    assert read_flows == ([45.2, 84.0, 112.9] if points == 3 else [45.2, 112.9])


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("Correction: intake at 6 mm should read 113.9, not 112.9", True),
        ("ignore 8 mm, hose came off", True),
        ("8 mm ist falsch abgelesen", True),
        ("head cleaned in 2 hours", False),
    ],
)
def test_a_figure_that_the_sheet_calls_wrong_is_asked_about(tmp_path, text, asked):
    (tmp_path / "a.csv").write_text(f'Lift mm,Intake CFM\n2,45.2\n4,84\n6,112.9\n28 inH2O,\n"{text}",\n')
    found = [f for f in flowkit.read(tmp_path / "a.csv").findings if f.severity == "error"]
    assert bool(found) == asked


@pytest.mark.parametrize("text", ["28 inches of water, baro 998 mbar", "28 in water, baro 998 mbar"])
def test_the_water_of_a_pressure_is_not_the_next_labels(tmp_path, text):
    for test in read(tmp_path, "Intake CFM", "Exhaust CFM", text).tests:
        assert test.conditions.barometer_pa == pytest.approx(99800.0)


def test_headings_over_rows_of_figures_are_no_lines_of_figures(tmp_path):
    rows = "2                 18.7           19.5\n4                 {}           31.5\n"
    tables = [f"{lift} mm   Intake 1 l/s   Intake 2 l/s\n{rows.format(flow)}" for lift, flow in
              (("LIFT", 30.4), ("Lift", 34.2))]  # fmt: skip
    text = f"Tested at: 15 inches H2O\n\nStock\n{tables[0]}\nPorted\n{tables[1]}"
    (tmp_path / "a.txt").write_text(text)
    said = [(t.variant, t.port, round(t.points[-1].flow_m3_s * 1e3, 3)) for t in flowkit.read(tmp_path / "a.txt").tests]
    assert said == [("Stock", "1", 30.4), ("Stock", "2", 31.5), ("Ported", "1", 34.2), ("Ported", "2", 31.5)]


def test_a_repeat_given_twice_is_one_run(tmp_path):
    head = "Lift mm,Intake 1 CFM,Intake 1 CFM corrected,Intake 1 repeat CFM,Intake 1 repeat CFM corrected"
    rows = "".join(f"{lift},{a},{a},{a + 0.3:.1f},{a + 0.3:.1f}\n" for lift, a in zip(LIFTS, ONE, strict=True))
    (tmp_path / "a.csv").write_text(f"28 inH2O\n{head}\n{rows}")
    assert [t.run for t in flowkit.read(tmp_path / "a.csv").tests] == [1, 2]
