"""What was taken for what, printed."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowkit.errors import SheetError
from flowkit.importers import ColumnMapping, Stated
from flowkit.importers.explain import explain
from tests.importers.sheets import write_csv, write_xlsx

ROWS = [
    ["Flow test"],
    ["Test pressure", "28 inH2O"],
    [],
    ["Lift (mm)", "Int 1 cfm", "Average"],
    [1.0, 15.0, 15.0],
    [2.0, "NT", 30.0],
    ["Leak", 0.2, ""],
]


def test_every_region_has_its_mark(tmp_path: Path) -> None:
    text = explain(write_csv(tmp_path / "a.csv", ROWS))
    lines = text.splitlines()
    assert lines[0] == "a.csv"
    assert "Table 1, 4:1 to 7:3: one test; the lifts are under their heading (2 lifts)" in lines[1]
    assert any("lift (mm, stated)" in line for line in lines)
    assert any("flow (CFM): intake, port 1 from 'Int 1 cfm'" in line for line in lines)
    assert any("left out: an average from 'Average'" in line for line in lines)
    assert any("2:2      pressure = 28 inH2O" in line for line in lines)
    assert any("note not-a-number at a.csv:6:2" in line for line in lines)
    cells = {line.split()[0]: line for line in lines[-7:]}
    assert "T Flow test" in cells["1"]
    assert "H Test pressure" in cells["2"] and "S 28 inH2O" in cells["2"]
    assert "H Lift (mm)" in cells["4"] and "H Int 1 cfm" in cells["4"]
    assert "L 1" in cells["5"] and "F 15" in cells["5"] and cells["5"].endswith("  15")
    assert "H Leak" in cells["7"] and "C 0.2" in cells["7"]


def test_across_long_and_variants(tmp_path: Path) -> None:
    across = explain(
        write_csv(tmp_path / "a.csv", [["Lift (mm)", 1.0, 2.0], ["Int 1 cfm", 15.0, 31.0], ["Ex 1 cfm", 12.0, 25.0]])
    )
    assert "lifts across; the lifts are under their heading" in across
    pages = {
        "long": [
            ["Side", "Lift mm", "cfm", "dP inH2O"],
            ["Int", 1.0, 15.0, 28.0],
            ["Ex", 1.0, 12.0, 28.0],
            ["Ex", 2.0, 22.0, 28.0],
        ],
        "wide": [["Lift mm", "Int 1 cfm", "Int 2 cfm"], [1.0, 15.0, 16.0]],
        "both": [["Lift mm", "Stock cfm", "Ported cfm"], [1.0, 15.0, 16.0]],
        "cover": [["hello"]],
    }
    text = explain(write_xlsx(tmp_path / "b.xlsx", pages))
    assert (
        "long, a row for each point" in text
        and "side of each row from 'Side'" in text
        and "test pressure (inH2O)" in text
    )
    assert "wide, a column for each test" in text and "variants as columns" in text
    assert "b.xlsx, sheet cover\n  no table of lifts and flows was found: left out" in text
    assert "column B" in text


def test_hidden_and_mapped(tmp_path: Path) -> None:
    import openpyxl

    path = write_xlsx(
        tmp_path / "b.xlsx",
        {"one": [["Lift mm", "Int 1 cfm", "x"], [1.0, 15.0, 3.0], [2.0, 31.0, 3.0], [3.0, 40.0, 3.0]], "two": [["x"]]},
    )
    book = openpyxl.load_workbook(path)
    book["two"].sheet_state = "hidden"
    book["one"].column_dimensions["C"].hidden = True
    book["one"].row_dimensions[4].hidden = True
    book.save(path)
    text = explain(path)
    assert "sheet two\n  hidden: left out" in text and "x 3" in text and "x 40" in text
    stated = Stated(
        columns=ColumnMapping.from_mapping(
            {"sheet": "one", "lift": "A2:A3", "lift_unit": "mm", "flow": "B2:B3", "flow_unit": "CFM"}
        )
    )
    mapped = explain(path, stated)
    assert "cells of the mapping: as mapped; as the mapping in the job file says" in mapped and "B2" in mapped


def test_what_a_terminal_might_obey_is_shown_as_a_dot(tmp_path: Path) -> None:
    text = explain(
        write_csv(tmp_path / "a.csv", [["red", "x" * 40], ["Lift mm", "Int 1 cfm"], [1.0, 15.0]]),
        label="b\x07\x1b[31m.csv",
    )
    assert "\x1b" not in text and "\x07" not in text
    assert "…" in text


def test_a_long_sheet_is_cut(tmp_path: Path) -> None:
    rows = [["Lift mm", "Int 1 cfm"], *([n / 10, n * 1.0] for n in range(1, 200))]
    text = explain(write_csv(tmp_path / "a.csv", rows))
    assert text.splitlines()[-1] == "  … and 80 more rows"


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(SheetError):
        explain(tmp_path / "none.csv")


def test_an_empty_grid(tmp_path: Path) -> None:
    assert "no table" in explain(write_xlsx(tmp_path / "b.xlsx", {"empty": [], "full": ROWS}))
