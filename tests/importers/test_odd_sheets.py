"""Sheets as shops make them and the generator does not: read right, or asked about; never silently otherwise.

The figures are invented; what each sheet says is its own truth.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import flowkit
from flowkit.errors import FlowkitError

BASE = (60.0, 110.0, 150.0, 180.0)


def table(heads: str, above: str = "Test pressure,28 inH2O\n") -> str:
    """A table in CFM over inches, a column for each heading, each column a cubic foot above the one before."""
    count = heads.count(",") + 1
    rows = [",".join([f"0.{n + 1}", *(f"{flow + c:g}" for c in range(count))]) for n, flow in enumerate(BASE)]
    return f"{above}Lift in,{heads}\n" + "\n".join(rows) + "\n"


def read_as(tmp_path: Path, text: str, name: str = "sheet.csv") -> list[str]:
    """What was read: side, port, head, state, run and the first flow of each test; or "asked"."""
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    try:
        result = flowkit.read(path)
    except FlowkitError:
        return ["asked"]
    if any(finding.severity == "error" for finding in result.findings):
        return ["asked"]
    found = []
    for t in result.tests:
        state = "" if t.variant == "sheet" else t.variant
        who = [t.side, t.port, t.head, state, f"r{t.run}" if t.run > 1 else ""]
        found.append(" ".join([str(part) for part in who if part] + [f"{t.points[0].flow_m3_s * 2118.88:.0f}"]))
    return found


@pytest.mark.parametrize(
    ("heads", "wanted"),
    [
        ("I-1 cfm,E-1 cfm", ["intake 1 60", "exhaust 1 61"]),
        ("I 1 cfm,E 1 cfm", ["intake 1 60", "exhaust 1 61"]),
        ("1I cfm,1E cfm,2I cfm,2E cfm", ["intake 1 60", "exhaust 1 61", "intake 2 62", "exhaust 2 63"]),
        ("IN-1 cfm,EX-1 cfm", ["intake 1 60", "exhaust 1 61"]),
        ("Cyl 1 IN, cfm".replace(",", "") + ",Cyl 1 EX cfm", ["intake 1 60", "exhaust 1 61"]),
        ("Port 1 In cfm,Port 1 Ex cfm", ["intake 1 60", "exhaust 1 61"]),
        ("Intake A CFM,Intake B CFM", ["intake A 60", "intake B 61"]),
        ("1 Intake flow cfm,2 Intake flow cfm", ["intake 1 60", "intake 2 61"]),
        ("Int 2 cfm,Int 2 again cfm", ["intake 2 60", "intake 2 r2 61"]),
        ("In run 1 cfm,In run 2 cfm", ["intake 60", "intake r2 61"]),
        ("ASP 1 cfm,SCA 1 cfm", ["intake 1 60", "exhaust 1 61"]),
        ("Ein 1 cfm,Aus 1 cfm", ["intake 1 60", "exhaust 1 61"]),
        ("Inlaat 1 cfm,Uitlaat 1 cfm", ["intake 1 60", "exhaust 1 61"]),
        ("Passe 1 cfm,Passe 2 cfm", ["60", "r2 61"]),
        ("Ported + 3 angle cfm,Stock cfm", ["Ported + 3 angle 60", "Stock 61"]),
        ("Ported + big valve cfm,Stock cfm", ["Ported + big valve 60", "Stock 61"]),
        ("44 mm cfm,46 mm cfm", ["44 mm 60", "46 mm 61"]),
        ("LH Int 1 cfm,RH Int 1 cfm", ["intake 1 LH 60", "intake 1 RH 61"]),
        ("Int 1 with clay cfm,Int 1 no clay cfm", ["intake 1 with clay 60", "intake 1 no clay 61"]),
        ("Int 1 cfm,Target cfm", ["intake 1 60"]),
        ("Int 1 cfm,V", ["intake 1 60"]),
        ("Int 1 cfm,bar", ["intake 1 60"]),
        ("Int 1 cfm,Gained", ["intake 1 60"]),
        ("Int 1 cfm,Int 1 fps", ["intake 1 60"]),
        ("Int 1 cfm,Int 1 smoothed cfm", ["asked"]),
        ("Int 1 cfm,Int 1 SCFM", ["asked"]),
        ("Int 1 cfm,2019", ["asked"]),
        ("Int 1 @ 10 inH2O cfm,Int 1 @ 28 inH2O cfm", ["asked"]),
        ("Int 1 cfm,CFM (28)", ["asked"]),
        ("Int 1 cfm,2 cfm", ["asked"]),
    ],
)
def test_headings(tmp_path: Path, heads: str, wanted: list[str]) -> None:
    assert read_as(tmp_path, table(heads)) == wanted


def test_one_port_of_several_states_and_numbers_before_names(tmp_path: Path) -> None:
    above = "Test pressure,28 inH2O\nIntake\n"
    assert read_as(tmp_path, table("1 - Stock cfm,1 - Ported cfm", above)) == [
        "intake 1 Stock 60",
        "intake 1 Ported 61",
    ]
    wanted = ["intake 1 Stage 1 60", "intake 2 Stage 1 61", "intake 1 Stage 2 62", "intake 2 Stage 2 63"]
    heads = "1 - Stage 1 cfm,2 - Stage 1 cfm,1 - Stage 2 cfm,2 - Stage 2 cfm"
    assert read_as(tmp_path, table(heads, above)) == wanted


def test_in_under_each_cylinder_is_the_intake_and_no_inch(tmp_path: Path) -> None:
    above = "Test pressure,28 inH2O\nFlow in CFM\n,Cyl 1,,Cyl 2,\n"
    wanted = ["intake 1 60", "exhaust 1 61", "intake 2 62", "exhaust 2 63"]
    assert read_as(tmp_path, table("In,Ex,In,Ex", above)) == wanted


def test_two_heads_on_one_sheet_are_two_heads(tmp_path: Path) -> None:
    rows = "".join(f"0.{n + 1},{flow:g},,0.{n + 1},{flow - 2:g}\n" for n, flow in enumerate(BASE))
    text = f'All CFM at 28" H2O\nLeft head,,,Right head,\nLift (in),Int 1,,Lift (in),Int 1\n{rows}'
    assert read_as(tmp_path, text) == ["intake 1 Left 60", "intake 1 Right 58"]


def test_an_empty_block_of_a_template_is_left_out(tmp_path: Path) -> None:
    rows = "".join(f"0.{n + 1},{flow:g},,0.{n + 1},\n" for n, flow in enumerate(BASE))
    text = f"Test pressure,28 inH2O\nIntake 1,,,Exhaust 1,\nLift in,CFM,,Lift in,CFM\n{rows}"
    assert read_as(tmp_path, text) == ["intake 1 60"]


def test_a_state_named_in_a_line_beside_the_table(tmp_path: Path) -> None:
    above = "Flow test,,,Ported stage 2\nTest pressure,28 inH2O\n"
    assert read_as(tmp_path, table("Int 1 cfm,Int 2 cfm", above)) == [
        "intake 1 Ported stage 2 60",
        "intake 2 Ported stage 2 61",
    ]


def test_a_worksheet_or_caption_against_a_sentence(tmp_path: Path) -> None:
    above = "Test pressure,28 inH2O\nEXHAUST\nRadius plate on the intake\n"
    assert read_as(tmp_path, table("1 cfm,2 cfm", above)) == ["exhaust 1 60", "exhaust 2 61"]


def test_a_column_brought_to_a_pressure_is_at_that_pressure(tmp_path: Path) -> None:
    text = "Lift in,Depression inH2O,Int 1 corrected to 28 inH2O cfm\n0.1,25,60\n0.2,24,110\n0.3,20,150\n"
    path = tmp_path / "sheet.csv"
    path.write_text(text, encoding="utf-8")
    (test,) = flowkit.read(path).tests
    assert {round(test.pressure_at(p) / 249.08891, 3) for p in test.points} == {28.0}
    beside = "Intake 1\nLift in,Test press. inH2O,Raw flow cfm,CFM @ 28\n0.1,25,57,60\n0.2,24,102,110\n0.3,20,127,150\n"
    assert read_as(tmp_path, beside) == ["intake 1 57"]


def test_hydraulics_are_no_head(tmp_path: Path) -> None:
    text = "Valve lift mm,Flow L/min,Pressure bar\n1,12,250\n2,25,250\n3,37,249\n4,50,249\n"
    assert read_as(tmp_path, text) == ["asked"]


def test_numbers_side_by_side_are_no_thousands(tmp_path: Path) -> None:
    text = "Depression: 28 inH2O\nLift(in)  I1   I2   E1  E2\n.100      62   63   48  47\n.200      118  119  90  91\n"
    text += ".300      165  166  121 120\n.400      198  199  142 141\nFlow in cfm\n"
    assert read_as(tmp_path, text, "sheet.txt") == ["intake 1 62", "intake 2 63", "exhaust 1 48", "exhaust 2 47"]


@pytest.mark.parametrize(
    ("unit", "marked", "wanted"),
    [("L/min", "2.306", 2306), ("L/min", "2,306", 2306), ("m3/min", "2.306", 2.306), ("m3/min", "2,306", 2.306)],
)
def test_three_digits_behind_a_mark_are_what_a_flow_can_be(
    tmp_path: Path, unit: str, marked: str, wanted: float
) -> None:
    path = tmp_path / "sheet.csv"
    more = marked.replace("306", "906")
    path.write_text(f"Test pressure;28 inH2O\nLift mm;Int 1 {unit}\n2;{marked}\n4;{more}\n", encoding="utf-8")
    (test,) = flowkit.read(path).tests
    factor = 1 / 60_000 if unit == "L/min" else 1 / 60
    assert test.points[0].flow_m3_s == pytest.approx(wanted * factor)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        pytest.param(
            table("Stk I cfm,Stk E cfm,Ported I cfm,Ported E cfm"),
            ["intake Stk 60", "exhaust Stk 61", "intake Ported 62", "exhaust Ported 63"],
            id="a state with the letter of a side behind it",
        ),
        pytest.param(table("In (S) cfm,Ex (S) cfm,In (P) cfm,Ex (P) cfm"), ["asked"], id="S is no second"),
        pytest.param(table("44 mm valve In (cfm),46 mm valve In (cfm)"),
                     ["intake 44 mm valve 60", "intake 46 mm valve 61"], id="In behind a valve"),
        pytest.param(table("Average of 4 exhausts cfm"), ["exhaust 60"], id="how many were averaged is no port"),
        pytest.param(table("Original 1 cfm,Preparada 1 cfm", "28 inH2O\nLado: Escape\n"),
                     ["exhaust 1 Original 60", "exhaust 1 Preparada 61"], id="states of one port"),
        pytest.param("28 inH2O;;\nHub mm;Intake L/min;Exhaust L/min\n2,000;1.280;990\n4,000;2.380;1.760\n",
                     ["intake 45", "exhaust 35"], id="decimal commas beside thousands"),
    ],
)  # fmt: skip
def test_headings_with_more_than_one_reading(tmp_path: Path, text: str, wanted: list[str]) -> None:
    assert read_as(tmp_path, text) == wanted


def test_a_line_between_the_rows_gives_its_pressure_to_those_below_it(tmp_path: Path) -> None:
    text = "Lift in,Intake cfm\nStock @ 28 inH2O,\n0.1,60\n0.2,110\nPorted @ 10 inH2O,\n0.1,40\n0.2,70\n"
    (tmp_path / "s.csv").write_text(text, encoding="utf-8")
    tests = flowkit.read(tmp_path / "s.csv").tests
    assert [t.conditions.test_pressure_pa for t in tests] == pytest.approx([28 * 249.08891, 10 * 249.08891])


def test_lifts_without_a_unit_are_in_that_of_the_other_tables(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    for sheet, rows in (("Intake", [0.2, 0.6, 1.0]), ("Exhaust", ["0.2 cm", "0.6 cm", "1.0 cm"])):
        cells = book.create_sheet(sheet)
        for row in (["28 inH2O"], ["Lift", "CFM"], *zip(rows, (60, 120, 150), strict=True)):
            cells.append(row)
    del book["Sheet"]
    book.save(tmp_path / "s.xlsx")
    result = flowkit.read(tmp_path / "s.xlsx")
    assert [t.points[-1].lift_m for t in result.tests] == pytest.approx([0.01, 0.01])
    assert any("as those of the other tables" in finding.message for finding in result.findings)


@pytest.mark.parametrize(
    ("line", "rows", "errors"),
    [
        ("Flow test, corrected to 28 inH2O", "15", 1),
        ("Test pressure,28 inH2O", "15", 1),
        ("Test pressure,28 inH2O", "27.6", 0),
        ("Corrected to 28 inH2O", "28", 0),
    ],
)
def test_flows_at_one_pressure_beside_rows_at_another(tmp_path: Path, line: str, rows: str, errors: int) -> None:
    path = tmp_path / "s.csv"
    text = f"{line}\nLift (mm),Pressure (inH2O),Intake 1 (CFM)\n"
    path.write_text(text + "".join(f"{n},{rows},{20 * n}\n" for n in (1, 2, 3)), encoding="utf-8")
    assert sum(finding.severity == "error" for finding in flowkit.read(path).findings) == errors
    # What the user states counts against the rows too.
    stated = flowkit.read(path, test_pressure="28 inH2O").findings
    assert any(finding.severity == "error" for finding in stated) == (errors > 0)


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (0, 2, 1, 3)])
def test_each_side_has_lifts_of_its_own(tmp_path: Path, order: tuple[int, ...]) -> None:
    columns = [
        ["Intake lift (mm)", "2", "4", "6"],
        ["Exhaust lift (mm)", "1", "3", "5"],
        ["Intake CFM", "60", "110", "150"],
        ["Exhaust CFM", "50", "90", "120"],
    ]
    rows = ["28 inH2O", *(",".join(columns[at][row] for at in order) for row in range(4))]
    (tmp_path / "s.csv").write_text("\n".join(rows), encoding="utf-8")
    result = flowkit.read(tmp_path / "s.csv")
    assert not any(finding.severity == "error" for finding in result.findings)
    lifts = {t.side: [p.lift_m for p in t.points] for t in result.tests}
    assert lifts == {
        "intake": pytest.approx([0.002, 0.004, 0.006]),
        "exhaust": pytest.approx([0.001, 0.003, 0.005]),
    }


def test_a_letter_with_a_unit_of_flow_is_no_meter(tmp_path: Path) -> None:
    assert read_as(tmp_path, table("E (cfm),Port A (cfm)")) == ["asked"]


def test_a_titles_port_beside_others_in_the_headings_is_asked_about(tmp_path: Path) -> None:
    above = "28 inH2O\nIntake port 3\n"
    assert read_as(tmp_path, table("Port 1 cfm,Port 2 cfm", above)) == ["asked"]
    assert read_as(tmp_path, table("Flow 1 cfm,Flow 2 cfm", above)) == ["intake 3 60", "intake 3 r2 61"]
    assert read_as(tmp_path, table("Flow 3 cfm", above)) == ["intake 3 60"]


def test_worksheets_of_two_heads_in_states(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    names = ["LH stock", "RH stock", "LH bowl blend", "RH bowl blend"]
    for name in names:
        for row in (["28 inH2O"], ["Lift mm", "Intake CFM"], [2, 60], [4, 110], [6, 150]):
            (book[name] if name in book else book.create_sheet(name)).append(row)
    del book["Sheet"]
    book.save(tmp_path / "s.xlsx")
    assert [f"{t.port} {t.variant}" for t in flowkit.read(tmp_path / "s.xlsx").tests] == names


def test_names_of_columns_above_a_line_of_the_sheet(tmp_path: Path) -> None:
    text = "Cylinder,1,2\nTest pressure,28 inH2O\nLift in,cfm,cfm\n0.1,60,61\n0.2,110,111\n0.3,150,151\nIntake\n"
    assert read_as(tmp_path, text) == ["intake 1 60", "intake 2 61"]
    # Numbers that are over no columns are no one value of the sheet.
    assert read_as(tmp_path, text.replace("Cylinder,1,2", "Cylinder,,,1,2")) == ["asked"]


def test_a_heading_over_the_last_of_several_columns_is_over_no_other(tmp_path: Path) -> None:
    above = "28 inH2O\nIntake; flow in CFM, lift inches\n"
    text = f"{above}Lift,,,Opening\n0.1,60,61,10 %\n0.2,110,111,20 %\n0.3,150,151,30 %\n"
    assert read_as(tmp_path, text) == ["asked"]


def test_numbered_readings_under_a_title_of_one_port_are_its_runs(tmp_path: Path) -> None:
    title = "28 inH2O\nIntake 1 (valve 42/8 mm stem)\n"
    runs = f"{title}Lift in,Q1 (cfm),Q2 (cfm),mean\n0.1,60,60.5,60.3\n0.2,110,110.4,110.2\n0.3,150,150.2,150.1\n"
    path = tmp_path / "s.csv"
    path.write_text(runs, encoding="utf-8")
    assert [(t.port, t.run) for t in flowkit.read(path).tests] == [("1", 1), ("1", 2)]
    assert read_as(tmp_path, runs.replace("60.5", "75").replace("110.4", "130").replace("150.2", "180")) == ["asked"]


def test_headings_that_ran_together_with_notes_are_no_notes(tmp_path: Path) -> None:
    assert read_as(tmp_path, table("Intake 1 cfm,Exhaust 1 cfm comments")) == ["asked"]


def test_captions_under_their_tables(tmp_path: Path) -> None:
    rows = "Lift in,#1,#2\n0.1,{0},61\n0.2,{1},111\n0.3,{2},151\n"
    text = "flow in cfm 28 inH2O\n" + rows.format(60, 110, 150) + "Intake ports before\n,,\n"
    text += rows.format(66, 121, 165) + "Intake ports after\n"
    wanted = [
        "intake 1 ports before 60",
        "intake 2 ports before 61",
        "intake 1 ports after 66",
        "intake 2 ports after 61",
    ]
    assert read_as(tmp_path, text) == wanted
    sides = text.replace("Intake ports before", "Intake").replace("Intake ports after", "Exhaust")
    assert read_as(tmp_path, sides) == ["intake 1 60", "intake 2 61", "exhaust 1 66", "exhaust 2 61"]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        pytest.param(
            table('"Intake 1 CFM @ 28"" H2O",Intake 2,Exhaust 1', ""),
            ["intake 1 60", "intake 2 61", "exhaust 1 62"],
            id="a pressure and a unit in the first heading hold for all",
        ),
        pytest.param(
            "28 inH2O\nLift in,Int 1 cfm,Int 2 cfm,\n.1,60,61,121\n.2,110,111,221\n.3,150,151,301\n",
            ["intake 1 60", "intake 2 61"],
            id="a total without a heading",
        ),
        pytest.param(
            'At 28 inH2O\nLift in,Int cfm,Int cfm,"Int cfm @ 10"" H2O"\n.1,60,61,36\n.2,110,111,66\n.3,150,151,90\n',
            ["intake 60", "intake r2 61"],
            id="one brought to another pressure beside two runs",
        ),
        pytest.param(
            "28 inH2O\nValve,Lift in,cfm\nI,.1,60\nI,.2,110\nI,.3,150\nE,.1,50\nE,.2,90\nE,.3,120\n",
            ["intake 60", "exhaust 50"],
            id="letters under Valve",
        ),
        pytest.param(
            "28 inH2O\nValve,Lift in,cfm\nbig,.1,60\nbig,.2,110\nsmall,.1,50\nsmall,.2,90\n",
            ["asked"],
            id="words under Valve",
        ),
        pytest.param(
            "28 inH2O\n,Lift in,Intake cfm\nstock,.1,60\nstock,.2,110\nported,.1,65\nported,.2,120\n",
            ["intake stock 60", "intake ported 65"],
            id="states before the lifts without a heading",
        ),
    ],
)
def test_what_numbers_and_words_of_a_column_say(tmp_path: Path, text: str, wanted: list[str]) -> None:
    assert read_as(tmp_path, text) == wanted


@pytest.mark.parametrize(
    ("above", "heads", "below", "wanted"),
    [
        ("", "A cfm,B cfm", "A: as received\nB: ported 3-angle\n", ["2 as received 60", "2 ported 3-angle 61"]),
        ("A,as received\nB,ported\n", "B cfm,A cfm", "", ["2 ported 60", "2 as received 61"]),
        (
            "Variant A = as received / B = ported / C = slim stem valves\n",
            "A Ex1,B Ex1,C Ex1",
            "flows in cfm\n",
            ["1 as received 60", "1 ported 61", "1 slim stem valves 62"],
        ),
        ("A = as received; B = ported\n", "Ex 1 cfm,Ex 3 cfm", "", ["asked"]),
        ("A = as received; B = blended\n", "Ex A cfm,Ex B cfm", "", ["as received 60", "blended 61"]),
        ("a: as received\nb: ported\n", "a cfm,b cfm", "", ["2 as received 60", "2 ported 61"]),
        ("1 = as received / 2 = ported\n", "Ex 1 cfm,Ex 2 cfm", "", ["asked"]),
        ("", "Ex 1 A: stock,Ex 1 B: ported", "flows in cfm\n", ["1 A: stock 60", "1 B: ported 61"]),
    ],
)  # fmt: skip
def test_a_legend_says_which_state_a_letter_is(
    tmp_path: Path, above: str, heads: str, below: str, wanted: list[str]
) -> None:
    title = "Exhaust 2 @ 28 in H2O\n" if heads[1:5] == " cfm" else "28 in H2O\n"
    found = read_as(tmp_path, title + above + table(heads, "") + below)
    assert found == [who if who == "asked" else f"exhaust {who}" for who in wanted]


def test_a_legend_explains_a_column_and_what_is_behind_it_is_kept(tmp_path: Path) -> None:
    rows = "".join(f"{state},.{n},{60 + n}\n" for state in "AB" for n in (1, 2, 3))
    text = f"State,Lift in,Int 1 cfm\n{rows}A = as received; B = ported. Flowed at 28 inH2O\n"
    assert read_as(tmp_path, text) == ["intake 1 as received 61", "intake 1 ported 61"]
    (tmp_path / "sheet.csv").write_text(text, encoding="utf-8")
    tests = flowkit.read(tmp_path / "sheet.csv").tests
    assert all(test.conditions.test_pressure_pa == pytest.approx(28 * 249.089, rel=1e-4) for test in tests)


@pytest.mark.parametrize(
    ("first", "second", "one", "other"),
    [
        ("Stock", "Ported", "Stock", "Ported"),
        ("Head 1012", "Head 1013", "1012", "1013"),
        ("Head 1012 (as received)", "Head 1013 (as received)", "1012 as received", "1013 as received"),
    ],
)
def test_groups_whose_first_heading_is_over_the_lifts(
    tmp_path: Path, first: str, second: str, one: str, other: str
) -> None:
    above = f"Test pressure,28 inH2O\n{first},,,{second},\n"
    assert read_as(tmp_path, table("Int 1 cfm,Exh 1 cfm,Int 1 cfm,Exh 1 cfm", above)) == [
        f"intake 1 {one} 60", f"exhaust 1 {one} 61", f"intake 1 {other} 62", f"exhaust 1 {other} 63",
    ]  # fmt: skip


def test_a_check_orifice_has_its_nominal_flow_and_what_was_measured(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    lines = "Check orifice nominal,47.2 L/s\nCheck orifice measured,46.9 L/s\n"
    path.write_text(table("Int 1 cfm", f"28 inH2O\n{lines}"), encoding="utf-8")
    conditions = flowkit.read(path).tests[0].conditions
    assert conditions.check_nominal_m3_s == pytest.approx(0.0472)
    assert conditions.check_reading_m3_s == pytest.approx(0.0469)


@pytest.mark.parametrize(
    ("heads", "above", "below", "wanted"),
    [
        pytest.param("Int 1 cfm,Int 2 cfm", "", "Int 1 untouched; Int 2 ported", ["asked"], id="a state for each port"),
        pytest.param(
            "Int 1 cfm,Exh 1 cfm", "", "headings swapped; Int is Exh and vice versa", ["asked"], id="swapped headings"
        ),
        pytest.param("Int 1 cfm,Int 2 cfm", "", "cyl 1 and 2 mixed up; swap them", ["asked"], id="swapped ports"),
        pytest.param(
            "Int 1 cfm",
            "Head 4 cyl 8 valve - after porting\n",
            "",
            ["intake 1 Head after porting 60"],
            id="cylinders and valves of the engine are no head",
        ),
        pytest.param("Int 1 cfm obs,Int 1 cfm less leak", "", "", ["asked"], id="a named port with a word for notes"),
        pytest.param("CFM obs,CFM less leak", "Intake 1\n", "", ["intake 1 60"], id="observed, and less the leak"),
        pytest.param(
            "1 cfm,2 cfm",
            "Intake\nPorts numbered from the flywheel end; 1 = rear\n",
            "",
            ["intake 1 60", "intake 2 61"],
            id="how the ports are numbered is no head",
        ),
        pytest.param(
            "1 (front) cfm,4 (rear) cfm", "Intake\n", "", ["intake 1 60", "intake 4 61"], id="where each port is"
        ),
        pytest.param(
            "1 (stock),2 (ported),3 (stock)", "Intake CFM\n", "", ["asked"], id="numbers before states that recur"
        ),
        pytest.param(
            "Int 1,Int 1,Int 1,Int 1",
            ",Head 1,,Head 2,\nCFM,As received,Ported,As received,Ported\n",
            "",
            [
                "intake 1 1 As received 60", "intake 1 1 Ported 61",
                "intake 1 2 As received 62", "intake 1 2 Ported 63",
            ],
            id="heads over states",
        ),
    ],
)  # fmt: skip
def test_what_shops_write_of_their_heads(tmp_path: Path, heads: str, above: str, below: str, wanted: list[str]) -> None:
    assert read_as(tmp_path, f"28 inH2O\n{table(heads, above)}{below}\n") == wanted


def test_a_check_before_and_after_is_named_and_no_heading(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    lines = "Check plate 100.0 CFM nominal,start 99.1 CFM\n,end 98.7 CFM\n"
    path.write_text(table("CFM", f"Intake 2,28 inH2O\n{lines}"), encoding="utf-8")
    result = flowkit.read(path)
    (test,) = result.tests
    assert (test.side, test.port, test.variant) == ("intake", "2", "sheet")
    assert test.conditions.check_nominal_m3_s == pytest.approx(100 / 2118.88, rel=1e-5)
    assert test.conditions.check_reading_m3_s is None
    (remark,) = (finding for finding in result.findings if finding.rule == "remark")
    assert "99.1" in remark.message
    assert "98.7" in remark.message


def test_a_date_and_a_bore_in_one_text(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    lines = "Date 3/4/26\nTested on 86 mm sleeve (engine bore 84 mm)\n"
    path.write_text(table("Intake 1 CFM", f"28 inH2O\n{lines}"), encoding="utf-8")
    result = flowkit.read(path)
    assert "date-ambiguous" in {finding.rule for finding in result.findings}
    assert result.tests[0].conditions.fixture_bore_m in (None, pytest.approx(0.086))


def test_ports_with_their_unit_above_the_lifts_are_no_figures(tmp_path: Path) -> None:
    above = "Test pressure,28 inH2O\n,Int 1 CFM,Int 2 CFM,Exh 1 CFM\n"
    assert read_as(tmp_path, table(",,", above)) == ["intake 1 60", "intake 2 61", "exhaust 1 62"]


def test_letters_that_are_ports_name_no_head(tmp_path: Path) -> None:
    above = "Intake @ 28 in H2O\nA = front port; B = rear port\n"
    assert read_as(tmp_path, table("Flow A (cfm),Flow B (cfm)", above)) == ["intake A 60", "intake B 61"]


def test_headings_in_a_row_are_no_legend(tmp_path: Path) -> None:
    above = "28 in H2O,flows in cfm\n,A: stock,,B: ported,\n"
    assert [who.split(" ", 2)[2] for who in read_as(tmp_path, table("Int 1,Exh 1,Int 1,Exh 1", above))] == [
        "A: stock 60", "A: stock 61", "B: ported 62", "B: ported 63",
    ]  # fmt: skip


def test_a_stated_pressure_does_not_settle_swapped_headings(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(table("Int 1 cfm,Exh 1 cfm", "headings swapped\n"), encoding="utf-8")
    result = flowkit.read(path, test_pressure="28 inH2O")
    assert [finding.rule for finding in result.findings if finding.severity == "error"] == ["sheet-ambiguous"]


def test_ports_with_their_unit_twice_over_figures_in_line_are_headings(tmp_path: Path) -> None:
    """Not `lift = flow` pairs in one unit: seed 1001542 lost the whole table to its headings."""
    (tmp_path / "sheet.txt").write_text(
        "Provtryck: 50 mbar\n\nINSUG\n"
        "Lyfthöjd (mm)  1 (l/s)  1 (l/s)  2 (l/s)  2 (l/s)  3 (l/s)  3 (l/s)\n"
        "2.5               19.0     19.1     18.3     18.2     18.8     18.7\n"
        "5.0               30.9     31.1     29.8     29.7     30.7     30.5\n"
        "7.5               38.8     38.8     37.0     37.0     38.0     38.0\n"
    )
    tests = flowkit.read(tmp_path / "sheet.txt").tests
    assert [(t.side, t.port, t.run, len(t.points)) for t in tests] == [
        ("intake", port, run, 3) for port in "123" for run in (1, 2)
    ]
