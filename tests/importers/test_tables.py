"""Where tables begin and end, and what stands between and beside their numbers."""

from __future__ import annotations

import pytest

from flowkit.importers.mapping import Stated
from tests.importers.sheets import CFM, INH2O, errors, flows, read, rules


def test_numbers_too_far_below_their_heading_are_no_table() -> None:
    assert len(read("Lift mm | Int 1 cfm\n | \n | \n | \n1 | 15\n2 | 31").tests) == 1
    assert read("Lift mm | Int 1 cfm\n | \n | \n | \n | \n1 | 15\n2 | 31").tests == ()


def test_a_heading_with_words_below_is_no_table() -> None:
    assert read("Lift mm | Int 1 cfm\nnone | so far").tests == ()


def test_columns_left_of_the_lifts() -> None:
    result = read("No | Remarks | Lift mm | Int 1 cfm\n1 | a | 1 | 15\n2 | b | 2 | 31")
    assert flows(result) == {"intake 1 1 bench": [(1, 15), (2, 31)]}
    assert rules(result) == ["column-ignored", "column-ignored"]


def test_a_unit_alone_as_heading_of_the_lifts() -> None:
    assert flows(read("mm | Int 1 cfm\n1 | 15\n2 | 31")) == {"intake 1 1 bench": [(1, 15), (2, 31)]}
    assert flows(read("Port | in | cfm\n1 | .1 | 50\n1 | .2 | 99")) == {"None 1 1 bench": [(2.54, 50), (5.08, 99)]}
    assert flows(read("mm | IN | EX\n | cfm | cfm\n1 | 15 | 12\n2 | 30 | 24")) == {
        "intake None 1 bench": [(1, 15), (2, 30)],
        "exhaust None 1 bench": [(1, 12), (2, 24)],
    }
    assert [t.side for t in read("mm | IN 1 | IN 2\n | cfm | cfm\n1 | 15 | 12").tests] == ["intake", "intake"]


def test_a_corner_text_is_a_title_and_no_group() -> None:
    result = read("Sheet 4 | Intake |\nLift mm | 1 cfm | 2 cfm\n1 | 15 | 16\n2 | 31 | 32")
    assert [(t.side, t.port, t.variant) for t in result.tests] == [("intake", "1", "bench"), ("intake", "2", "bench")]


def test_rows_above_that_are_no_groups() -> None:
    long = "A very long sentence that nobody would take for the heading of a group of columns"
    result = read(f"x | {long}\nLift mm | Int 1 cfm | Int 2 cfm\n1 | 15 | 16\n2 | 31 | 32")
    assert [t.variant for t in result.tests] == ["bench", "bench"]
    result = read(f" | {long} |\nLift mm | Int 1 cfm | Int 2 cfm\n1 | 15 | 16\n2 | 31 | 32")
    assert [t.variant for t in result.tests] == ["bench", "bench"]
    result = read(" | Operator | M. |\nLift mm | Int 1 cfm | Int 2 cfm\n1 | 15 | 16\n2 | 31 | 32")
    assert result.tests[0].conditions.operator == "M."
    result = read(" | 12.5 | 99.1\nLift mm | Int 1 cfm | Int 2 cfm\n1 | 15 | 16\n2 | 31 | 32")
    assert [t.port for t in result.tests] == ["1", "2"]


def test_ports_as_numbers_over_the_sides() -> None:
    result = read(
        " | 1 | | 2 |\nLift mm | Int cfm | Ex cfm | Int cfm | Ex cfm\n1 | 15 | 12 | 16 | 13\n2 | 31 | 25 | 32 | 26"
    )
    assert [(t.side, t.port) for t in result.tests] == [
        ("intake", "1"),
        ("exhaust", "1"),
        ("intake", "2"),
        ("exhaust", "2"),
    ]


def test_label_rows_between_heading_and_numbers() -> None:
    result = read(
        "Lift mm | Intake cfm | Intake cfm\nPort | 1 | 2\nRun | 1 | 2\nHead | A | B\nVariant | x | y\n1 | 15 | 12\n2 | 31 | 25"  # noqa: E501
    )
    assert [(t.port, t.run, t.head, t.variant) for t in result.tests] == [("1", 1, "A", "x"), ("2", 2, "B", "y")]


def test_headings_that_contradict_themselves() -> None:
    for head in (
        " | Intake\nLift mm | Exhaust 1 cfm",
        " | Port 1\nLift mm | Intake port 2 cfm",
        " | Flow L/s\nLift mm | Int 1 cfm",
    ):
        result = read(f"{head}\n1 | 15\n2 | 31")
        assert result.tests == ()
        assert errors(result) == ["sheet-ambiguous"]


def test_pressures_cell_by_cell() -> None:
    result = read(
        "Lift mm | Int 1 cfm | Test pressure\n1 | 15 | 28 in\n2 | 31 | 27.5 in\n3 | 40 |\n4 | 50 | -\n5 | 55 | much"
    )
    points = result.tests[0].points
    assert [p.pressure_pa and round(p.pressure_pa / INH2O, 9) for p in points] == [28, 27.5, None, None, None]
    assert sorted(rules(result)) == ["not-a-number", "unit-assumed"]
    bare = read("Lift mm | Int 1 cfm | Test pressure\n1 | 15 | 28\n2 | 31 | 28")
    assert errors(bare) == ["sheet-ambiguous"] and bare.tests[0].conditions.test_pressure_pa is None
    stated = read("Lift mm | Int 1 cfm | Test pressure\n1 | 15 | 28\n2 | 31 | 28", Stated(pressure_unit="inH2O"))
    assert stated.tests[0].conditions.test_pressure_pa == pytest.approx(28 * INH2O)


def test_the_leak_at_lift_zero_with_its_own_pressure() -> None:
    result = read("Lift mm | Int 1 cfm | dP inH2O\n0 | 0.5 | 10\n1 | 15 | 28\n2 | 31 | 28")
    said = result.tests[0].conditions
    assert said.leak_m3_s == pytest.approx(0.5 * CFM) and said.leak_pressure_pa == pytest.approx(10 * INH2O)
    assert said.test_pressure_pa == pytest.approx(28 * INH2O)
    none = read("Lift mm | Int 1 cfm\n0 | 0\n1 | 15\n2 | 31")
    assert none.tests[0].conditions.leak_m3_s == 0.0 and len(none.tests[0].points) == 2
    only = read("Lift mm | Int 1 cfm | Int 2 cfm\n0 | 0.1 | 0.2\n1 | 15 | \n2 | 31 | ")
    assert [len(t.points) for t in only.tests] == [2, 0]


def test_conditions_in_columns() -> None:
    result = read(
        "Port | Lift mm | Intake cfm | Leak | Temp | Date\n1 | 1 | 15 | .2 cfm | 21 °C | 2026-03-14\n1 | 2 | 31 | .2 cfm | 21 °C | 2026-03-14"  # noqa: E501
    )
    said = result.tests[0].conditions
    assert said.leak_m3_s == pytest.approx(0.2 * CFM) and said.date == "2026-03-14"
    assert said.air_temperature_k == pytest.approx(294.15)


def test_rows_of_leaks_that_hold_for_all_or_for_merged_columns() -> None:
    text = "Lift mm | Int 1 cfm | Int 2 cfm | Ex 1 cfm\n1 | 15 | 16 | 12\n2 | 31 | 32 | 25\nLeak | {}"
    one = read(text.format("0.4"))
    assert [round((t.conditions.leak_m3_s or 0) / CFM, 9) for t in one.tests] == [0.4, 0.4, 0.4]
    merged = read(text.format("0.4 | | 0.2"), merged=((3, 1, 3, 2),))
    assert [round((t.conditions.leak_m3_s or 0) / CFM, 9) for t in merged.tests] == [0.4, 0.4, 0.2]
    some = read(text.format("0.4 | | 0.2"))
    assert [t.conditions.leak_m3_s is None for t in some.tests] == [False, True, False]
    wrong = read(text.format("0.4 | low | 0.2"))
    assert errors(wrong) == ["not-a-number"]


def test_average_rows_wherever_they_stand() -> None:
    result = read(
        "Lift mm | Int 1 cfm | Int 2 cfm\n1 | 15 | 16\nMean | 15 | 16\n2 | 31 | 32\n\nTotal | 46 | 48\n% gain | 1 | 2"
    )
    assert [len(t.points) for t in result.tests] == [2, 2]
    assert rules(result) == ["column-ignored"] * 3


def test_names_in_rows_that_cannot_be_read() -> None:
    letters = read("Side | mm | cfm\nE1 | 1 | 15\nE1 | 2 | 31\nA1 | 1 | 12\nA1 | 2 | 25")
    assert set(errors(letters)) == {"sheet-ambiguous"} and not letters.tests
    german = read("Kanal | Hub mm | l/s\nE1 | 1 | 15\nE1 | 2 | 31\nA1 | 1 | 12\nA1 | 2 | 25")
    assert [(t.side, t.port) for t in german.tests] == [("intake", "1"), ("exhaust", "1")]


def test_lines_of_letters_inside_a_table() -> None:
    result = read("Lift mm | cfm\nE1\n1 | 15\n2 | 31\nE2\n1 | 14\n2 | 30")
    assert [(t.side, t.port) for t in result.tests] == [("exhaust", "1"), ("exhaust", "2")]


def test_lifts_in_other_units_and_gaps_of_lifts() -> None:
    result = read("Lift (mm) | Int 1 cfm\n1 | 15\n0.1 in | 31\n3 kg | 33\n- | \n4 | 50\n2 inH2O | 9\n5 | 60")
    assert flows(result) == {"intake 1 1 bench": [(1, 15), (2.54, 31), (4, 50), (5, 60)]}
    assert sorted((f.severity, f.where.rpartition("!")[2]) for f in result.findings) == [
        ("error", "A4"),
        ("error", "A7"),
        ("note", "A5"),
    ]


def test_lifts_with_units_in_some_cells_only() -> None:
    result = read('Lift | Int 1 cfm\n.1" | 50\n.2 | 99\n.3" | 130')
    assert [round(p.lift_m / 0.0254, 9) for p in result.tests[0].points] == [0.1, 0.2, 0.3]
    assert rules(result) == ["unit-assumed"]
    mixed = read('Lift | Int 1 cfm\n.1" | 50\n5 mm | 99\n.3 | 130')
    assert errors(mixed) == ["sheet-ambiguous"]


def test_a_lift_merged_over_repeated_runs() -> None:
    text = "Lift mm | Run | Int 1 cfm\n1 | 1 | 15\n | 2 | 15.1\n2 | 1 | 31\n | 2 | 31.1"
    result = read(text, merged=((1, 0, 2, 0), (3, 0, 4, 0)))
    assert flows(result) == {"intake 1 1 bench": [(1, 15), (2, 31)], "intake 1 2 bench": [(1, 15.1), (2, 31.1)]}
    assert set(errors(read(text))) == {"not-a-number"}


def test_lifts_in_two_units_where_the_ratio_comes_first() -> None:
    result = read("L/D | Lift mm | Int 1 cfm\n.1 | 3.8 | 50\n.2 | 7.6 | 99")
    assert flows(result) == {"intake 1 1 bench": [(3.8, 50), (7.6, 99)]}


def test_flows_in_masses_and_volumes_do_not_mix() -> None:
    result = read("Temp | 20 °C\nBarometer | 1013 hPa\nHumidity | 40 %\nLift mm | Int 1 (kg/h)\n1 | 15\n2 | 31 cfm")
    assert errors(result) == ["sheet-ambiguous"] and len(result.tests[0].points) == 1


def test_units_in_the_cells_of_flow_only() -> None:
    result = read("Lift mm | Int 1\n1 | 15 cfm\n2 | 31 cfm")
    assert flows(result) == {"intake 1 1 bench": [(1, 15), (2, 31)]}
    assert result.tests[0].units.flow.source == "stated" and result.findings == ()
    some = read("Lift mm | Int 1\n1 | 15 cfm\n2 | 31\n3 | 40 cfm")
    assert flows(some) == {"intake 1 1 bench": [(1, 15), (2, 31), (3, 40)]}
    assert some.tests[0].units.flow.source == "assumed" and rules(some) == ["unit-assumed"]


def test_variant_in_the_row_and_in_the_heading() -> None:
    result = read("Variant | Lift mm | Before, intake cfm | After, intake cfm\nA | 1 | 15 | 16\nA | 2 | 31 | 33")
    assert [t.variant for t in result.tests] == ["A Before", "A After"]
    line = read("Variant | A\nLift mm | Before, intake cfm | After, intake cfm\n1 | 15 | 16\n2 | 31 | 33")
    assert [t.variant for t in line.tests] == ["A Before", "A After"]


def test_a_worksheet_named_by_a_letter() -> None:
    result = read("Lift mm | cfm\n1 | 15\n2 | 31", sheet="E3")
    assert [(t.side, t.port, t.variant) for t in result.tests] == [("exhaust", "3", "bench")]


def test_many_formulas_without_values() -> None:
    rows = "\n".join(f"{n} | " for n in range(1, 10))
    result = read(f"Lift mm | Int 1 cfm\n{rows}", formula_gaps=frozenset((n, 1) for n in range(1, 10)))
    assert len(errors(result)) == 6 and "4 more formulas" in result.findings[-1].message
    nothing = read("Lift mm | Int 1 cfm\n | \n | ", formula_gaps=frozenset({(1, 0), (2, 0)}))
    assert errors(nothing) == ["not-a-number", "not-a-number"]


def test_two_pressure_columns_of_one_name_stand_beside_their_flows() -> None:
    result = read(
        "Lift mm | Int 1 cfm | Intake dP inH2O | Int 2 cfm | Intake dP inH2O\n1 | 15 | 28 | 16 | 20\n2 | 31 | 28 | 33 | 20"  # noqa: E501
    )
    assert [round((t.conditions.test_pressure_pa or 0) / INH2O) for t in result.tests] == [28, 20]


def test_a_second_table_that_begins_in_another_column() -> None:
    result = read("Lift mm | Int 1 cfm |\n1 | 15 |\n2 | 31 |\nSide | Lift mm | cfm\nExhaust | 1 | 12\nExhaust | 2 | 25")
    assert flows(result) == {"intake 1 1 bench": [(1, 15), (2, 31)], "exhaust None 1 bench": [(1, 12), (2, 25)]}


def test_across_with_a_line_inside_and_blank_rows() -> None:
    result = read(
        "Lift mm | 1 | 2 | 3\nInt 1 cfm | 15 | 31 | 45\nTest pressure | 28 inH2O\n\nInt 2 cfm | 16 | 32 | 46\nnothing more"  # noqa: E501
    )
    assert [t.port for t in result.tests] == ["1", "2"]
    assert all(t.conditions.test_pressure_pa == pytest.approx(28 * INH2O) for t in result.tests)


def test_a_plot_of_what_was_read() -> None:
    import matplotlib

    matplotlib.use("Agg")
    axes = read("Lift mm | Int 1 cfm\n1 | 15\n2 | 31").plot()
    assert len(axes.lines) >= 1
