"""A sheet read by the user's own description."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from flowkit.errors import JobError
from flowkit.importers import ColumnMapping, Stated
from flowkit.importers import read as read_file
from flowkit.importers.mapping import CellRange
from flowkit.importers.tables.mapped import stanza
from flowkit.importers.tables.view import upright
from tests.importers.sheets import CFM, INH2O, errors, flows, grid, read, rules, write_csv, write_xlsx

SHEET = """
Bench notes | | |
Bore | 83 mm | |
a | b | c | d
1 | 15 | 12 | 28
2 | 31 | 25 | 28
3 | 45 | 36 | 27.5
"""
TWO = {"cells": "B4:B6", "side": "intake", "port": 1}, {"cells": "C4:C6", "side": "exhaust", "port": "01", "run": 2}


def mapped(given: Any, text: str = SHEET, **more: Any) -> Any:
    return read(text, Stated(columns=ColumnMapping.from_mapping(given)), **more)


def test_cells_and_names() -> None:
    result = mapped({"lift": "A4:A6", "lift_unit": "mm", "flow_unit": "cfm", "flow": list(TWO)})
    assert flows(result) == {
        "intake 1 1 bench": [(1, 15), (2, 31), (3, 45)],
        "exhaust 01 2 bench": [(1, 12), (2, 25), (3, 36)],
    }
    assert result.tests[0].points[1].source == "bench.xlsx!Sheet1!B5"
    assert result.tests[0].conditions.fixture_bore_m == pytest.approx(0.083)  # labels elsewhere still count
    assert result.findings == ()


def test_one_range_and_names_for_all() -> None:
    given = {
        "lift": "A4:A6",
        "lift_unit": "mm",
        "flow": "B4:B6",
        "flow_unit": "CFM",
        "side": "intake",
        "port": "2",
        "variant": "stock",
    }
    assert flows(mapped(given)) == {"intake 2 1 stock": [(1, 15), (2, 31), (3, 45)]}


def test_pressure_for_each_flow_and_in_one_cell() -> None:
    base = {"lift": "A4:A6", "lift_unit": "mm", "flow_unit": "CFM", "pressure_unit": "inH2O"}
    each = mapped({**base, "flow": {"cells": "B4:B6", "pressure": "D4:D6"}})
    assert [round((p.pressure_pa or 0) / INH2O, 9) for p in each.tests[0].points] == [28, 28, 27.5]
    one = mapped(
        {**base, "flow": ["B4:B6", "C4:C6"], "pressure": "D4"}
        | {"flow": [{"cells": "B4:B6", "port": 1}, {"cells": "C4:C6", "port": 2}]}
    )
    assert [round((t.conditions.test_pressure_pa or 0) / INH2O, 9) for t in one.tests] == [28, 28]
    assert all(p.pressure_pa is None for t in one.tests for p in t.points)


def test_lifts_in_a_row() -> None:
    text = "x | 1 | 2 | 3\ny | 15 | 31 | 45"
    given = {"lift": "B1:D1", "lift_unit": "mm", "flow": "B2:D2", "flow_unit": "CFM"}
    result = mapped(given, text)
    assert flows(result) == {"None None 1 bench": [(1, 15), (2, 31), (3, 45)]}
    assert result.tests[0].points[2].source == "bench.xlsx!Sheet1!D2"


def test_lines_and_fields_of_a_text_file(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "a.csv", [["what ever"], ["q", "r"], [1.0, 15.0], [], [2.0, 31.0]])
    given = {"lift": "3:1-5:1", "lift_unit": "mm", "flow": "3:2-5:2", "flow_unit": "CFM", "side": "intake"}
    result = read_file(path, Stated(columns=ColumnMapping.from_mapping(given)))
    assert flows(result) == {"intake None 1 a": [(1, 15), (2, 31)]}
    assert result.tests[0].points[1].source == "a.csv:5:2"
    letters = read_file(path, Stated(columns=ColumnMapping.from_mapping({**given, "lift": "A3:A5", "flow": "B3:B5"})))
    assert flows(letters) == flows(result)


def test_one_worksheet_of_several(tmp_path: Path) -> None:
    rows = [[1.0, 15.0], [2.0, 31.0]]
    path = write_xlsx(tmp_path / "b.xlsx", {"one": rows, "two": rows, "three": rows})
    given = [
        {"sheet": name, "lift": "A1:A2", "lift_unit": "mm", "flow": "B1:B2", "flow_unit": "CFM", "side": "intake"}
        for name in ("One", "three")
    ]
    result = read_file(path, Stated(columns=ColumnMapping.from_mapping(given)))
    assert [(t.sheet, t.variant) for t in result.tests] == [("one", "one"), ("three", "three")]
    missing = read_file(path, Stated(columns=ColumnMapping.from_mapping({**given[0], "sheet": "four"})))
    assert errors(missing) == ["sheet-ambiguous"] and "'one', 'two', 'three'" in missing.findings[0].message


def test_units_follow_the_usual_rules() -> None:
    assumed = mapped({"lift": "A4:A6", "flow": "B4:B6", "flow_unit": "CFM"})
    assert rules(assumed) == ["unit-assumed"] and assumed.tests[0].points[0].lift_m == pytest.approx(0.001)
    refused = mapped({"lift": "A4:A6", "flow": "B4:B6", "lift_unit": "mm"})
    assert errors(refused) == ["sheet-ambiguous"] and not refused.tests
    wrong = mapped({"lift": "A3:A6", "flow": "B3:B6", "lift_unit": "mm", "flow_unit": "CFM"})
    assert errors(wrong) == ["not-a-number"] and len(wrong.tests[0].points) == 3
    outside = mapped({"lift": "A40:A41", "flow": "B40:B41", "lift_unit": "mm", "flow_unit": "CFM"})
    assert outside.tests == ()


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"lift": "A4:A6", "flow": "B4:B6", "flow_units": "CFM"}, "did you mean 'flow_unit'?"),
        ({"lift": "A4:A6", "flow": {"cels": "B4:B6"}}, "did you mean 'cells'?"),
        ({"lift": "A4:A6", "qqq": 1, "flow": "B4:B6"}, "known are sheet, lift"),
        ({"flow": "B4:B6"}, "no 'lift'"),
        ({"lift": "A4:A6"}, "no 'flow'"),
        ({"lift": "A4:A6", "flow": {"side": "intake"}}, "no 'cells'"),
        ({"lift": "A4:A6", "flow": 7}, "is not a range of cells"),
        ({"lift": "A4:A6", "flow": [7]}, "is not a range of cells"),
        ({"lift": "A4:A6", "flow": []}, "is not a range of cells"),
        ({"lift": "A4:B6", "flow": "B4:B6"}, "is a block of cells"),
        ({"lift": "4A", "flow": "B4:B6"}, "is not a range of cells"),
        ({"lift": "A0", "flow": "B4:B6"}, "is not a range of cells"),
        ({"lift": "A4:A6", "flow": "B4:B9"}, "has 6 cells and the lifts 'A4:A6' have 3"),
        ({"lift": "A4:A6", "flow": {"cells": "B4:B6", "pressure": "C4:C5"}}, "make them equally long"),
        ({"lift": "A4:A6", "flow": {"cells": "B4:B6", "side": "left"}}, "write intake or exhaust"),
        ({"lift": "A4:A6", "flow": {"cells": "B4:B6", "run": 0}}, "runs count from 1"),
        ({"lift": "A4:A6", "flow": "B4:B6", "flow_unit": "cubits"}, "use one of"),
        ([], "is empty"),
        (["A4"], "is not a table"),
    ],
)
def test_what_is_wrong_is_said(given: Any, message: str) -> None:
    with pytest.raises(JobError) as caught:
        ColumnMapping.from_mapping(given)
    assert message in str(caught.value)


def test_ranges() -> None:
    assert CellRange.parse("$b$5:B16").cells() == [(row, 2) for row in range(5, 17)]
    assert CellRange.parse("AA7").cells() == [(7, 27)]
    assert CellRange.parse("C3:A3").cells() == [(3, 1), (3, 2), (3, 3)]
    assert CellRange.parse("12:3").cells() == [(12, 3)]


def test_the_proposal_of_a_refused_sheet_is_not_used_before_it_is_filled_in(tmp_path: Path) -> None:
    sheet = grid(SHEET, sheet='say "x"\\', file="b.xlsx")
    written = stanza(sheet)
    given = tomllib.loads(f"[[variant]]\n{written}\n")["variant"][0]["columns"]
    assert given["lift"] == "A4:A6" and given["flow"][0]["cells"] == "B4:B6"
    assert given["lift_unit"] == given["flow_unit"] == given["flow"][0]["side"] == "?"
    with pytest.raises(JobError):
        mapped(given, sheet='say "x"\\')
    filled = tomllib.loads("[[variant]]\n" + written.replace('side = "?"', 'side = "intake"'))["variant"][0]["columns"]
    filled |= {"lift_unit": "mm", "flow_unit": "CFM"}
    with pytest.raises(JobError, match="port is still"):
        mapped(filled, sheet='say "x"\\')
    for number, flow in enumerate(filled["flow"], 1):
        flow["port"] = number
    assert [t.port for t in mapped(filled, sheet='say "x"\\').tests] == ["1", "2", "3"]
    text = write_csv(tmp_path / "a.csv", [["x", "y"], [1.0, 15.0], [2.0, 31.0], [3.0, 45.0]])
    from flowkit.importers.files import read_grids

    assert 'lift = "2:1-4:1"' in stanza(read_grids(text)[0])
    assert not upright(grid("a | b\n1 | 2")).has_numbers
    assert stanza(grid("a")).startswith("columns = {")


def test_a_refusal_shows_once_what_was_recognised() -> None:
    result = read("Lift (mm) | Flow (CFM) | Flow (CFM)\n1 | 10 | 10\n2 | 20 | 12\n3 | 30 | 14")
    (finding,) = (f for f in result.findings if f.severity == "error")
    assert 'columns = { sheet = "Sheet1", lift = "A2:A4", lift_unit = "mm", flow_unit = "CFM"' in finding.message
    assert 'side = "?"' in finding.message


def test_check_of_the_factors() -> None:
    result = mapped({"lift": "A4:A6", "lift_unit": "cm", "flow": "B4:B6", "flow_unit": "L/s"})
    assert result.tests[0].points[0].lift_m == pytest.approx(0.01) and result.tests[0].points[
        0
    ].flow_m3_s == pytest.approx(0.015)
    assert pytest.approx(0.3048**3 / 60) == CFM


def test_a_mapped_table_takes_what_the_sheet_states_above_it(tmp_path: Path) -> None:
    path = tmp_path / "s.csv"
    path.write_text("28 inH2O,\n0.1,60\n0.2,110\n10 inH2O,\n0.1,40\n0.2,70\n", encoding="utf-8")
    common = {"lift_unit": "in", "flow_unit": "CFM"}
    given = [
        {**common, "lift": "2:1-3:1", "flow": [{"cells": "2:2-3:2", "side": "intake", "variant": "a"}]},
        {**common, "lift": "5:1-6:1", "flow": [{"cells": "5:2-6:2", "side": "intake", "variant": "b"}]},
    ]
    result = read_file(path, Stated(columns=ColumnMapping.from_mapping(given)))
    assert [t.conditions.test_pressure_pa for t in result.tests] == pytest.approx([28 * INH2O, 10 * INH2O])
