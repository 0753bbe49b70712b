"""Each layout is read as a careful person would, and what nobody could tell is refused."""

from __future__ import annotations

import pytest

from flowkit.importers.mapping import Stated
from flowkit.model import AirState, Conditions
from tests.importers.sheets import CFM, INH2O, MMH2O, errors, flows, grid, read, rules


class TestLong:
    def test_a_row_for_each_point(self) -> None:
        result = read(
            """
            Test pressure | 28 inH2O
            Side | Port | Lift (mm) | Flow (CFM)
            Intake | 1 | 1 | 15
            Intake | 1 | 2 | 31
            Exhaust | 1 | 1 | 12
            Exhaust | 1 | 2 | 25
            """
        )
        assert flows(result) == {
            "intake 1 1 bench": [(1, 15), (2, 31)],
            "exhaust 1 1 bench": [(1, 12), (2, 25)],
        }
        assert result.tests[0].points[1].source == "bench.xlsx!Sheet1!D4"
        assert result.findings == ()

    def test_empty_cells_mean_as_above(self) -> None:
        result = read(
            """
            Side | Port | Lift | Flow
             | | in | cfm
            Intake | 1 | .1 | 20
             | | .2 | 40
             | 2 | .1 | 21
             | | .2 | 41
            Exhaust | 1 | .1 | 19
             | | .2 | 39
            """
        )
        assert list(flows(result)) == ["intake 1 1 bench", "intake 2 1 bench", "exhaust 1 1 bench"]

    def test_variant_run_and_pressure_in_columns_with_underscores(self) -> None:
        result = read(
            """
            variant | side | port | run | lift_mm | flow_cfm | pressure_inH2O
            stock | intake | 01 | 1 | 1 | 15 | 28
            stock | intake | 01 | 1 | 2 | 30 | 28
            stock | intake | 01 | 2 | 1 | 15.1 | 28
            stock | intake | 01 | 2 | 2 | 30.1 | 28
            ported | exhaust | rear | 1 | 1 | 12 | 28
            ported | exhaust | rear | 1 | 2 | 25 | 27.5
            """.replace("01", "x01").replace("x01", "01 ")
        )
        first, second, third = result.tests
        assert (first.port, second.run, third.port, third.variant) == ("1", 2, "rear", "ported")
        assert first.points[0].pressure_pa == pytest.approx(28 * INH2O, rel=1e-12)
        assert first.conditions.test_pressure_pa == pytest.approx(28 * INH2O, rel=1e-12)
        assert third.conditions.test_pressure_pa is None

    def test_a_port_with_a_leading_zero_is_a_name(self) -> None:
        result = read("Port | Lift mm | cfm\nx | 1 | 15\nx | 2 | 30", file="a.csv")
        assert result.tests[0].port == "x"
        written = grid("Port | Lift mm | cfm\n# | 1 | 15")
        rows = (written.rows[0], ("01", "1", "15"), ("01", "2", "30"))
        from flowkit.importers.files.grid import Grid
        from tests.importers.sheets import read_grid

        assert read_grid(Grid("a.csv", None, rows, lines=(1, 2, 3))).tests[0].port == "01"

    def test_lines_inside_the_table_name_the_rows_below(self) -> None:
        result = read(
            """
            Lift (mm) | Flow (CFM)
            Intake 1
            1 | 10
            2 | 20
            Exhaust 1
            1 | 8
            2 | 16
            """
        )
        assert flows(result) == {"intake 1 1 bench": [(1, 10), (2, 20)], "exhaust 1 1 bench": [(1, 8), (2, 16)]}

    def test_repeated_runs_as_rows(self) -> None:
        result = read("Lift mm | Int 1 cfm\n1 | 10\n1 | 10.1\n2 | 20\n2 | 20.2\n3 | 30\n3 | 30.3")
        assert flows(result) == {
            "intake 1 1 bench": [(1, 10), (2, 20), (3, 30)],
            "intake 1 2 bench": [(1, 10.1), (2, 20.2), (3, 30.3)],
        }
        assert rules(result, "note") == ["lift-repeated"]

    def test_one_repeated_lift_is_not_a_run(self) -> None:
        result = read("Lift mm | Int 1 cfm\n1 | 10\n2 | 20\n2 | 20.2\n3 | 30")
        assert [(t.run, len(t.points)) for t in result.tests] == [(1, 4)]

    def test_a_condition_that_changes_within_a_test_is_left_out(self) -> None:
        result = read("Lift mm | Int 1 cfm | Temp (°C)\n1 | 10 | 20\n2 | 20 | 21")
        assert result.tests[0].conditions.air_temperature_k is None
        assert rules(result) == ["column-ignored"]
        constant = read("Lift mm | Int 1 cfm | Temp (°C)\n1 | 10 | 20\n2 | 20 | 20")
        assert constant.tests[0].conditions.air_temperature_k == pytest.approx(293.15)

    def test_heading_and_row_that_contradict_each_other(self) -> None:
        result = read("Side | Lift mm | Intake cfm\nExhaust | 1 | 10\nExhaust | 2 | 20")
        assert errors(result) == ["sheet-ambiguous"] and not result.tests

    def test_a_side_that_is_none(self) -> None:
        result = read("Side | Lift mm | cfm\nupper | 1 | 10\nupper | 2 | 20")
        assert set(errors(result)) == {"sheet-ambiguous"} and not result.tests

    @pytest.mark.parametrize("run", ["first", "0"])
    def test_a_run_that_is_no_number(self, run: str) -> None:
        assert set(errors(read(f"Run | Lift mm | cfm\n{run} | 1 | 10\n{run} | 2 | 20"))) == {"sheet-ambiguous"}


class TestWide:
    def test_groups_over_numbered_columns(self) -> None:
        result = read(
            """
             | Intake | | | Exhaust | |
            Lift mm | 1 | 2 | 3 | 1 | 2
             | cfm | cfm | cfm | cfm | cfm
            1 | 10 | 11 | 12 | 8 | 9
            2 | 20 | 21 | 22 | 16 | 18
            """
        )
        assert list(flows(result)) == [
            f"{s} {p} 1 bench" for s, p in [("intake", 1), ("intake", 2), ("intake", 3), ("exhaust", 1), ("exhaust", 2)]
        ]
        assert flows(result)["exhaust 2 1 bench"] == [(1, 9), (2, 18)]

    def test_merged_headings(self) -> None:
        text = """
             | Intake | | | Exhaust |
            Lift (mm) | 1 | 2 | Avg | 1 | 2
            1 | 10 cfm | 11 cfm | 10.5 | 8 cfm | 9 cfm
            2 | 20 cfm | 21 cfm | 20.5 | 16 cfm | 18 cfm
            """
        result = read(text, merged=((0, 1, 0, 3), (0, 4, 0, 5)))
        assert list(flows(result)) == [f"{name} 1 bench" for name in ("intake 1", "intake 2", "exhaust 1", "exhaust 2")]
        assert rules(result) == ["column-ignored"]

    def test_units_in_the_second_row_and_blank_rows_and_columns(self) -> None:
        result = read(
            """
            Lift | | Int 1 | | Int 2
            mm | | l/s | | l/s
             | | | |
            1 | | 15 | | 12
             | | | |
            2 | | 31 | | 25
             | | | |
            3 | | 41 | | 35
            """
        )
        assert flows(result, 1e-3) == {
            "intake 1 1 bench": [(1, 15), (2, 31), (3, 41)],
            "intake 2 1 bench": [(1, 12), (2, 25), (3, 35)],
        }

    def test_rows_that_name_the_columns(self) -> None:
        result = read(
            """
            Port | 1 | 1 | 2 | 2
            Side | Int | Ex | Int | Ex
            Run | 1 | 1 | 2 | 2
            Lift mm | cfm | cfm | cfm | cfm
            1 | 15 | 12 | 16 | 13
            2 | 30 | 25 | 33 | 27
            """
        )
        assert list(flows(result)) == ["intake 1 1 bench", "exhaust 1 1 bench", "intake 2 2 bench", "exhaust 2 2 bench"]

    def test_runs_as_columns_with_an_average(self) -> None:
        result = read(
            """
            Intake port 1
            Lift (mm) | Run 1 (CFM) | Run 2 (CFM) | Run 3 (CFM) | Average | Std dev
            1 | 15 | 15.1 | 15.2 | 15.1 | 0.1
            2 | 30 | 30.1 | 30.2 | 30.1 | .1
            """
        )
        assert list(flows(result)) == ["intake 1 1 bench", "intake 1 2 bench", "intake 1 3 bench"]
        assert rules(result) == ["column-ignored", "column-ignored"]

    def test_leak_check_and_pressure_rows(self) -> None:
        result = read(
            """
            Test pressure (inH2O) | 28 | 28 | 10
            Lift [mm] | Int 1 [cfm] | Int 2 [cfm] | Ex 1 [cfm]
            Check plate reading | 101.2 | 101.0 | 100.8
            Leak | 0.3 | 0.2 | 0.1
            1 | 15 | 28 | 12
            2 | 31 | 27.9 | 25
            Average | 23 | 28 | 18
            """
        )
        last = result.tests[2].conditions
        assert last.test_pressure_pa == pytest.approx(10 * INH2O, rel=1e-12)
        assert last.leak_m3_s == pytest.approx(0.1 * CFM, rel=1e-12)
        assert last.check_reading_m3_s == pytest.approx(100.8 * CFM, rel=1e-12)
        assert all(p.pressure_pa is None for t in result.tests for p in t.points)
        assert rules(result) == ["column-ignored"]

    def test_one_pressure_merged_over_two_columns(self) -> None:
        text = "Test pressure (inH2O) | 28 | | 10\nLift mm | Int 1 cfm | Int 2 cfm | Ex 1 cfm\n1 | 15 | 16 | 12\n2 | 31 | 32 | 25"  # noqa: E501
        result = read(text, merged=((0, 1, 0, 2),))
        assert [round(t.conditions.test_pressure_pa / INH2O, 9) for t in result.tests] == [28, 28, 10]  # type: ignore[operator]

    def test_a_pressure_beside_each_flow(self) -> None:
        result = read(
            """
            Lift [mm] | Int 1 [cfm] | dP | Ex 1 [cfm] | dP
             | | inH2O | | inH2O
            1 | 15 | 28 | 12 | 20
            2 | 31 | 27.9 | 25 | 20
            """
        )
        assert [round(p.pressure_pa / INH2O, 9) for t in result.tests for p in t.points] == [28, 27.9, 20, 20]  # type: ignore[operator]
        assert result.tests[0].conditions.test_pressure_pa is None
        assert result.tests[1].conditions.test_pressure_pa == pytest.approx(20 * INH2O)

    def test_a_pressure_before_each_flow(self) -> None:
        result = read(
            "Lift mm | dP inH2O | Int 1 cfm | dP inH2O | Ex 1 cfm\n1 | 28 | 15 | 20 | 12\n2 | 28 | 31 | 20 | 25"
        )
        assert [round(t.conditions.test_pressure_pa / INH2O, 9) for t in result.tests] == [28, 20]  # type: ignore[operator]

    def test_pressures_named_after_their_flows(self) -> None:
        result = read(
            "Lift mm | Intake cfm | Exhaust cfm | Exhaust pressure inH2O | Intake pressure inH2O\n1 | 15 | 12 | 20 | 28\n2 | 31 | 25 | 20 | 28"  # noqa: E501
        )
        assert [round(t.conditions.test_pressure_pa / INH2O, 9) for t in result.tests] == [28, 20]  # type: ignore[operator]

    def test_pressure_and_side_in_a_heading(self) -> None:
        result = read('Lift mm | Int 1 (CFM @ 28" H2O) | Ex 1 (CFM @ 20" H2O)\n1 | 15 | 12\n2 | 31 | 25')
        assert [round(t.conditions.test_pressure_pa / INH2O, 9) for t in result.tests] == [28, 20]  # type: ignore[operator]

    def test_numbers_as_ports_where_the_lines_give_the_side(self) -> None:
        rows = "\n".join(f"{n} | {15 * n} | {15 * n + 0.1} | {15 * n + 0.2}" for n in range(1, 7))
        result = read(f"Side | Intake\nFlow unit | CFM\nLift (mm) | 1 | 2 | 3\n{rows}")
        assert [t.port for t in result.tests] == ["1", "2", "3"] and len(result.tests[0].points) == 6

    def test_numbers_as_ports_beside_lifts_that_are_no_count(self) -> None:
        result = read("Side | Intake\nFlow unit | CFM\nLift (mm) | 1 | 2 | 3\n2 | 10 | 11 | 12\n4 | 11 | 12 | 13")
        assert flows(result)["intake 3 1 bench"] == [(2, 12), (4, 13)]

    def test_numbers_alone_are_refused(self) -> None:
        rows = "\n".join(f"{n} | {15 * n} | {15 * n + 0.1} | {15 * n + 0.2}" for n in range(1, 7))
        result = read(f"Lift (mm), flow in CFM\nLift (mm) | 1 | 2 | 3\n{rows}")
        assert set(errors(result)) == {"sheet-ambiguous"} and not result.tests
        assert "columns = {" in result.findings[0].message

    def test_two_columns_that_could_each_be_the_flow(self) -> None:
        for heading in ("Flow (CFM) | Flow (CFM)", "Int 1 cfm | Int 1 cfm"):
            result = read(f"Lift (mm) | {heading}\n1 | 10 | 10\n2 | 20 | 19")
            assert errors(result) == ["sheet-ambiguous"] and not result.tests
            assert 'columns = { sheet = "Sheet1", lift = "' in result.findings[0].message

    def test_the_same_flow_in_two_units_and_lifts_in_two(self) -> None:
        result = read("Lift | | Flow |\nin | mm | cfm | L/s\n0.1 | 2.54 | 10 | 4.72\n0.2 | 5.08 | 20 | 9.44")
        assert flows(result) == {"None None 1 bench": [(2.54, 10), (5.08, 20)]}
        assert rules(result) == ["column-ignored", "column-ignored"]

    def test_two_units_that_do_not_agree(self) -> None:
        result = read("Lift mm | Flow cfm | Flow L/s\n1 | 10 | 4.72\n2 | 20 | 10.9")
        assert errors(result) == ["sheet-ambiguous"]

    def test_two_columns_of_lifts_that_do_not_agree(self) -> None:
        result = read("Lift (in) | Lift (mm) | Int 1 cfm\n0.1 | 2.54 | 10\n0.2 | 6.1 | 20")
        assert "sheet-ambiguous" in errors(result)

    def test_a_unit_beside_counts_for_a_heading_without(self) -> None:
        result = read("Lift mm | Int 1 (CFM) | Int 2\n1 | 10 | 11\n2 | 20 | 21")
        assert len(result.tests) == 2 and rules(result) == ["unit-assumed"]
        assert result.tests[1].units.flow.source == "assumed"

    def test_an_average_alone_is_the_flow(self) -> None:
        assert flows(read("Lift mm | Average flow, intake (cfm)\n1 | 10\n2 | 20")) == {
            "intake None 1 bench": [(1, 10), (2, 20)]
        }


class TestVariantsAsColumns:
    def test_with_a_title_and_a_gain(self) -> None:
        result = read(
            'Intake flow in CFM @ 28" H2O\nLift (in) | Stock | Ported | Gain %\n0.1 | 50 | 55 | 10\n0.2 | 100 | 111 | 11'  # noqa: E501
        )
        assert flows(result) == {
            "intake None 1 Stock": [(2.54, 50), (5.08, 100)],
            "intake None 1 Ported": [(2.54, 55), (5.08, 111)],
        }
        assert result.tests[0].conditions.test_pressure_pa == pytest.approx(28 * INH2O)
        assert rules(result) == ["column-ignored"]

    def test_under_groups(self) -> None:
        result = read(
            """
             | Stock | | Slim-stem valves |
            Lift (mm) | Int 1 | Ex 1 | Int 1 | Ex 1
             | cfm | cfm | cfm | cfm
            1 | 15 | 12 | 16 | 13
            2 | 30 | 25 | 33 | 27
            """
        )
        assert list(flows(result)) == [
            "intake 1 1 Stock",
            "exhaust 1 1 Stock",
            "intake 1 1 Slim-stem valves",
            "exhaust 1 1 Slim-stem valves",
        ]

    def test_words_of_parts_in_a_variant_s_name(self) -> None:
        result = read(
            "Lift mm | Big valve heads, cfm | Throat opened, cfm | After seat cut, cfm\n1 | 15 | 12 | 16\n2 | 30 | 25 | 33"  # noqa: E501
        )
        assert [t.variant for t in result.tests] == ["Big valve heads", "Throat opened", "After seat cut"]

    def test_a_column_nobody_understands_beside_ports(self) -> None:
        result = read("Lift mm | Int 1 cfm | Wobble\n1 | 15 | 3\n2 | 30 | 4")
        assert len(result.tests) == 1 and rules(result) == ["column-ignored"]

    def test_a_percent_column_by_its_format(self) -> None:
        result = read(
            "Lift mm | Int 1 cfm | Better\n1 | 15 | 0.03\n2 | 30 | 0.04", percent_cells=frozenset({(1, 2), (2, 2)})
        )
        assert len(result.tests) == 1 and rules(result) == ["column-ignored"]


class TestAcross:
    def test_lifts_beside_their_heading(self) -> None:
        result = read(
            "Lift (mm) | 1 | 2 | 3\nIntake 1 (CFM) | 15 | 31 | 45\nExhaust 1 (CFM) | 12 | 25 | 38\nAverage | 13 | 28 | 40"  # noqa: E501
        )
        assert flows(result) == {
            "intake 1 1 bench": [(1, 15), (2, 31), (3, 45)],
            "exhaust 1 1 bench": [(1, 12), (2, 25), (3, 38)],
        }
        assert result.tests[1].points[2].source == "bench.xlsx!Sheet1!D3"
        assert rules(result) == ["column-ignored"]

    def test_a_column_of_units_and_a_line_below(self) -> None:
        result = read(
            "Lift | mm | 1 | 2 | 3\nIntake 1 | cfm | 15 | 31 | 45\nExhaust 1 | cfm | 12 | 25 | 38\nTest pressure | 28 inH2O"  # noqa: E501
        )
        assert len(result.tests) == 2
        assert all(t.conditions.test_pressure_pa == pytest.approx(28 * INH2O) for t in result.tests)

    def test_a_heading_over_the_lifts(self) -> None:
        result = read(
            """
            Flow in L/s, test pressure 250 mmH2O
             | | Lift (mm)
            Side | Port | 1 | 2 | 3
            Int | 1 | 15 | 31 | 45
            Exh | 1 | 12 | 25 | 38
            """
        )
        assert flows(result, 1e-3) == {
            "intake 1 1 bench": [(1, 15), (2, 31), (3, 45)],
            "exhaust 1 1 bench": [(1, 12), (2, 25), (3, 38)],
        }
        assert result.tests[0].conditions.test_pressure_pa == pytest.approx(250 * MMH2O)

    def test_lifts_with_their_unit_as_headings(self) -> None:
        result = read(
            "Side | Port | Run | 1 mm | 2 mm | 3 mm\nInt | 1 | 1 | 15 cfm | 31 cfm | 45 cfm\nExh | 1 | 2 | 12 cfm | 25 cfm | 38 cfm"  # noqa: E501
        )
        assert flows(result) == {
            "intake 1 1 bench": [(1, 15), (2, 31), (3, 45)],
            "exhaust 1 2 bench": [(1, 12), (2, 25), (3, 38)],
        }

    def test_ports_counted_down_and_lifts_across(self) -> None:
        result = read(
            "Side | Intake\nFlow unit | cfm\nLift (in) | 0.1 | 0.2 | 0.3\n1 | 50 | 100 | 140\n2 | 51 | 101 | 142"
        )
        assert flows(result) == {
            "intake 1 1 bench": [(2.54, 50), (5.08, 100), (7.62, 140)],
            "intake 2 1 bench": [(2.54, 51), (5.08, 101), (7.62, 142)],
        }

    def test_two_tables_below_each_other(self) -> None:
        result = read(
            """
            As received
            Lift mm | 1 | 2 | 3
            Int 1 cfm | 15 | 31 | 45

            Seats recut
            Lift mm | 1 | 2 | 3
            Int 1 cfm | 16 | 33 | 47
            """
        )
        assert list(flows(result)) == ["intake 1 1 As received", "intake 1 1 Seats recut"]

    def test_a_table_nobody_can_tell_the_direction_of(self) -> None:
        result = read(
            "Side | Intake\nFlow unit | cfm\nLift (mm) | 1 | 2 | 3\n1 | 10 | 11 | 12\n2 | 11 | 12 | 13\n3 | 12 | 13 | 14"  # noqa: E501
        )
        assert set(errors(result)) == {"sheet-ambiguous"} and not result.tests


class TestSeveralTables:
    def test_stacked_with_titles_and_leaks(self) -> None:
        result = read(
            """
            Fixture bore | 83 mm
            Variant: seats recut

            Intake port 1   test pressure 28 inH2O
            Lift mm | Run 1 cfm | Run 2 cfm
            1 | 15.5 | 15.4
            2 | 31.0 | 31.2
            Leak: 0.3 cfm

            Intake port 2   test pressure 25 inH2O
            Lift mm | Run 1 cfm | Run 2 cfm
            1 | 15.1 | 15.2
            2 | 30.0 | 30.2
            """
        )
        assert list(flows(result)) == [f"intake {p} {r} seats recut" for p in (1, 2) for r in (1, 2)]
        first, _, third, _ = result.tests
        assert first.conditions.leak_m3_s == pytest.approx(0.3 * CFM) and third.conditions.leak_m3_s is None
        assert third.conditions.test_pressure_pa == pytest.approx(25 * INH2O)
        assert all(t.conditions.fixture_bore_m == pytest.approx(0.083) for t in result.tests)

    def test_stacked_variants(self) -> None:
        result = read(
            """
            Intake, 28 inH2O
            As received
            Lift (mm) | Flow (CFM)
            1 | 15
            2 | 31

            Seats recut
            Lift (mm) | Flow (CFM)
            1 | 16
            2 | 33
            """
        )
        assert list(flows(result)) == ["intake None 1 As received", "intake None 1 Seats recut"]

    def test_side_by_side(self) -> None:
        result = read(
            """
            Intake port 1 | | | Exhaust port 1
            Lift mm | Flow cfm | | Lift mm | Flow cfm
            1 | 15 | | 1 | 12
            2 | 31 | | 2 | 25
            3 | 44 | | |
            """
        )
        assert flows(result) == {
            "intake 1 1 bench": [(1, 15), (2, 31), (3, 44)],
            "exhaust 1 1 bench": [(1, 12), (2, 25)],
        }

    def test_side_by_side_of_different_height_and_place(self) -> None:
        result = read(
            """
            Int 1 | | | Int 2
            Lift mm | cfm | | Lift mm | cfm
            1 | 15 | | 1 | 14
            2 | 31 | | 2 | 30
             | | | 3 | 44
            Ex 1 | | | 4 | 55
            Lift mm | cfm | | 5 | 60
            1 | 12 | | 6 | 63
            2 | 25 | | |
            """
        )
        found = flows(result)
        assert found["intake 1 1 bench"] == [(1, 15), (2, 31)]
        assert found["intake 2 1 bench"] == [(1, 14), (2, 30), (3, 44), (4, 55), (5, 60), (6, 63)]
        assert found["exhaust 1 1 bench"] == [(1, 12), (2, 25)]

    def test_two_tables_nothing_tells_apart(self) -> None:
        result = read("Lift mm | Int 1 cfm\n1 | 15\n2 | 31\n\nLift mm | Int 1 cfm\n1 | 16\n2 | 33")
        assert errors(result) == ["sheet-ambiguous"]
        assert len(result.tests) == 2

    def test_lifts_repeated_at_the_far_end(self) -> None:
        result = read("Lift mm | Int 1 cfm | Ex 1 cfm | Lift mm\n1 | 15 | 12 | 1\n2 | 31 | 25 | 2")
        assert len(result.tests) == 2 and rules(result) == ["column-ignored"]


class TestUnits:
    def test_lift_ranges(self) -> None:
        inches = read("Lift | Int cfm\n.1 | 50\n.35 | 120")
        assert inches.tests[0].points[1].lift_m == pytest.approx(0.35 * 0.0254, rel=1e-12)
        assert rules(inches) == ["unit-assumed"] and inches.tests[0].units.lift.source == "assumed"
        assert read("Lift | Int cfm\n1 | 50\n9 | 120").tests[0].points[1].lift_m == pytest.approx(9e-3, rel=1e-12)
        for top in (1.2, 26, 350):
            result = read(f"Lift | Int cfm\n0.5 | 50\n{top} | 120")
            assert errors(result) == ["sheet-ambiguous"] and not result.tests

    def test_stated_units(self) -> None:
        result = read("Lift | Int\n50 | 50\n350 | 120", Stated(lift_unit="thou", flow_unit="CFM"))
        assert flows(result) == {"intake None 1 bench": [(1.27, 50), (8.89, 120)]}
        assert result.tests[0].units.lift.source == "stated"

    def test_flow_without_a_unit(self) -> None:
        result = read("Lift (mm) | Flow\n1 | 10\n2 | 20")
        assert errors(result) == ["sheet-ambiguous"] and "--flow-unit" in result.findings[0].message

    def test_lift_over_diameter(self) -> None:
        text = "L/D | Int 1 cfm | Ex 1 cfm\n0.1 | 15 | 12\n0.2 | 31 | 25"
        both = "Intake valve head | 38 mm\nExhaust valve head | 33 mm\n" + text
        assert flows(read(both)) == {
            "intake 1 1 bench": [(3.8, 15), (7.6, 31)],
            "exhaust 1 1 bench": [(3.3, 12), (6.6, 25)],
        }
        refused = read(text)
        assert set(errors(refused)) == {"sheet-ambiguous"} and not refused.tests
        stated = read("L/D | Int 1 cfm\n0.1 | 15", Stated(conditions=Conditions(valve_diameter_m=0.04)))
        assert stated.tests[0].points[0].lift_m == pytest.approx(0.004, rel=1e-12)

    def test_mass_flow_needs_the_air(self) -> None:
        text = "Lift (mm) | Intake 1 (kg/h)\n1 | 15\n2 | 30"
        assert set(errors(read(text))) == {"sheet-ambiguous"}
        result = read("Temperature | 20 °C\nBarometer | 1013.25 hPa\nHumidity | 0 %\n" + text)
        # Density of dry air at 20 °C and 101 325 Pa: 1.2041 kg/m³ (CIPM-2007 gives 1.2045 with its CO2; handbooks 1.204).  # noqa: E501
        assert result.tests[0].points[0].flow_m3_s == pytest.approx(15 / 3600 / 1.2045, rel=5e-4)
        assert result.findings == ()

    def test_standard_flow_needs_its_standard(self) -> None:
        text = "Lift (mm) | Intake 1 (SCFM)\n1 | 15\n2 | 30"
        refused = read(text)
        assert set(errors(refused)) == {"sheet-ambiguous"} and "standard_air" in refused.findings[0].message
        taken = read(text, Stated(standard_air=AirState()))
        assert taken.tests[0].points[0].flow_m3_s == pytest.approx(15 * CFM, rel=1e-12)
        assert rules(taken) == ["unit-assumed"]
        hot = read(
            "Temperature | 40 °C\nBarometer | 101.325 kPa\nHumidity | 0 %\n" + text, Stated(standard_air=AirState())
        )
        # An ideal gas at the same pressure: volumes as absolute temperatures; air departs from it by less than 1e-3.
        assert hot.tests[0].points[0].flow_m3_s == pytest.approx(15 * CFM * 313.15 / 293.15, rel=1e-3)


class TestStatements:
    TEXT = "Test pressure | 28 inH2O\nVariant | stock\nHead | A\nLift mm | Int 1 run 1 cfm\n1 | 15\n2 | 31"

    def test_what_agrees_is_silent(self) -> None:
        stated = Stated(
            side="intake",
            port="1",
            run=1,
            variant="Stock",
            head="a",
            conditions=Conditions(test_pressure_pa=28 * INH2O),
        )
        assert read(self.TEXT, stated).findings == ()

    @pytest.mark.parametrize(
        ("stated", "both"),
        [
            (Stated(side="exhaust"), ("intake", "exhaust")),
            (Stated(port="2"), ("'1'", "'2'")),
            (Stated(run=2), ("1", "2")),
            (Stated(variant="ported"), ("stock", "ported")),
            (Stated(head="B"), ("'A'", "'B'")),
            (Stated(lift_unit="in"), ("mm", "in")),
            (Stated(flow_unit="L/s"), ("CFM", "L/s")),
            (Stated(conditions=Conditions(test_pressure_pa=10 * INH2O)), ("28 inH2O", "10 inH2O")),
        ],
    )
    def test_what_contradicts_shows_both(self, stated: Stated, both: tuple[str, str]) -> None:
        result = read(self.TEXT, stated)
        assert errors(result) == ["stated-contradicts"]
        assert all(text in result.findings[0].message for text in both)
        assert flows(result) == flows(read(self.TEXT))

    def test_what_the_sheet_lacks_is_taken(self) -> None:
        stated = Stated(
            side="exhaust", port="3", run=2, variant="v", head="h", conditions=Conditions(fixture_bore_m=0.08)
        )
        result = read("Lift mm | cfm\n1 | 15\n2 | 31", stated)
        test = result.tests[0]
        assert (test.side, test.port, test.run, test.variant, test.head) == ("exhaust", "3", 2, "v", "h")
        assert test.conditions.fixture_bore_m == 0.08

    def test_a_leak_that_contradicts(self) -> None:
        result = read(
            "Lift mm | Int 1 cfm\n0 | 0.5\n1 | 15\n2 | 31", Stated(conditions=Conditions(leak_m3_s=0.4 * CFM))
        )
        assert errors(result) == ["stated-contradicts"]
