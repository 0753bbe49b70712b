"""Whole files: what is read, what is refused, and in which words."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from flowkit.errors import SheetError
from flowkit.importers import FileReading, ReadResult, Stated, read, read_many
from flowkit.model import Conditions
from tests.importers.sheets import CFM, INH2O, errors, flows, grid, rules, write_csv, write_xlsx
from tests.importers.sheets import read as read_text

SAMPLES = Path(__file__).parents[2] / "sample_sheets"


def test_the_sample_sheets() -> None:
    """Counts and first cells as they stand in the files themselves."""
    received = read(SAMPLES / "as_received.csv")
    assert len(received.tests) == 12 and received.findings == ()
    assert {t.variant for t in received.tests} == {"as received"}
    assert all(len(t.points) == 8 for t in received.tests)
    assert [(t.side, t.port, t.run) for t in received.tests[:4]] == [
        ("intake", "1", 1),
        ("intake", "1", 2),
        ("intake", "1", 3),
        ("intake", "2", 1),
    ]
    first = received.tests[0]
    assert first.points[0].lift_m == pytest.approx(0.05 * 0.0254, rel=1e-12)
    assert first.conditions.test_pressure_pa == pytest.approx(10 * INH2O, rel=1e-12)
    lines = (SAMPLES / "as_received.csv").read_text(encoding="utf-8").splitlines()
    _, line, field = first.points[0].source.rsplit(":", 2)
    assert float(lines[int(line) - 1].split(",")[int(field) - 1]) * CFM == pytest.approx(
        first.points[0].flow_m3_s, rel=1e-12
    )
    after = read(SAMPLES / "after_work.xlsx")
    assert [t.variant for t in after.tests[::12]] == ["seats recut", "ports blended", "slim-stem valves"]
    assert after.findings == () and len(after.tests) == 36


def test_result_as_table_and_json(tmp_path: Path) -> None:
    result = read(
        write_csv(
            tmp_path / "a.csv", [["Test pressure", "28 inH2O"], ["Lift mm", "Int 1 cfm"], [1.0, 15.0], [2.0, 31.0]]
        )
    )
    table = result.table()
    assert list(table.columns[:8]) == ["test", "file", "sheet", "head", "variant", "side", "port", "run"]
    assert list(table["lift_m"]) == [0.001, 0.002]
    assert list(table["pressure_pa"]) == pytest.approx([28 * INH2O] * 2)
    document = json.loads(result.to_json())
    assert document["kind"] == "read" and set(document) == {"kind", "version", "tests", "findings"}
    keys = ["id", "file", "sheet", "head", "variant", "side", "port", "run", "conditions", "units", "points"]
    assert list(document["tests"][0]) == keys
    assert document["tests"][0]["points"][0] == {
        "lift_m": 0.001,
        "flow_m3_s": pytest.approx(15 * CFM),
        "pressure_pa": None,
        "source": "a.csv:3:2",
    }
    assert document["tests"][0]["units"]["flow"] == {"unit": "CFM", "source": "stated"}
    assert read(tmp_path / "a.csv").tests == result.tests
    assert ReadResult(()).table().empty


def test_ids_are_unique_and_readable(tmp_path: Path) -> None:
    table = [
        ["Test pressure", "28 inH2O"],
        ["Lift mm", "Int 1 run 1 cfm", "Int 1 run 2 cfm", "cfm"],
        [1.0, 15.0, 15.0, 3.0],
        [2.0, 31.0, 31.0, 4.0],
    ]
    result = read(write_xlsx(tmp_path / "b.xlsx", {"ports blended": table, "Sheet2": table}))
    assert [t.id for t in result.tests] == [
        "b.xlsx!ports blended!intake 1 run 1",
        "b.xlsx!ports blended!intake 1 run 2",
        "b.xlsx!ports blended!test",
        "b.xlsx!Sheet2!b, intake 1 run 1",
        "b.xlsx!Sheet2!b, intake 1 run 2",
        "b.xlsx!Sheet2!b, test",
    ]


def test_the_label_stands_in_all_places(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "a.csv", [["Lift mm", "Int 1 cfm", "Wobble"], [1.0, 15.0, 1.0], [2.0, 31.0, 1.0]])
    result = read(path, label="box/1.csv")
    assert result.tests[0].id == "box/1.csv!1, intake 1" and result.tests[0].file == "box/1.csv"
    assert all(f.where.startswith("box/1.csv") for f in result.findings)


def test_data_checks_are_made_while_reading(tmp_path: Path) -> None:
    result = read(write_csv(tmp_path / "a.csv", [["Lift mm", "Int 1 cfm"], [1.0, 15.0], [2.0, 31.0]]))
    assert errors(result) == ["pressure-missing"]
    stated = Stated(conditions=Conditions(test_pressure_pa=28 * INH2O))
    assert read(tmp_path / "a.csv", stated).findings == ()


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([["hello"]], ["there is no table of lifts and flows in this file", "say in the job file which cells"]),
        ([["x", "y"], [1.0, 15.0], [2.0, 31.0], [3.0, 40.0]], ["there is no table", 'columns = { lift = "2:1-4:1"']),
        ([["Lift mm", "Int 1 cfm"]], ["there is no table"]),
    ],
)
def test_no_table(tmp_path: Path, rows: list[list[object]], words: list[str]) -> None:
    path = write_csv(tmp_path / "a.csv", rows)
    with pytest.raises(SheetError) as caught:
        read(path)
    assert caught.value.file == "a.csv"
    assert all(word in str(caught.value) for word in words)


def test_a_sheet_that_speaks_of_flow_is_refused_and_not_ignored(tmp_path: Path) -> None:
    good = [["Test pressure", "28 inH2O"], ["Lift mm", "Int 1 cfm"], [1.0, 15.0], [2.0, 31.0]]
    bad = [["Opening", "Intake cfm"], [1.0, 15.0], [2.0, 31.0], [3.0, 40.0]]
    numbers = [["rpm", "torque"], [1.0, 15.0], [2.0, 31.0], [3.0, 40.0]]
    result = read(write_xlsx(tmp_path / "b.xlsx", {"good": good, "bad": bad, "numbers": numbers}))
    assert len(result.tests) == 1
    assert [(f.rule, f.where) for f in result.findings] == [("sheet-ambiguous", "b.xlsx!bad!B1")]
    assert "columns = {" in result.findings[0].message


def test_a_table_without_flows() -> None:
    assert errors(read_text("Lift mm | Comment\n1 | a\n2 | b")) == ["sheet-ambiguous"]
    assert errors(read_text("Lift mm | Gain %\n1 | 3\n2 | 4")) == []


def test_one_bad_sheet_does_not_stop_the_rest(tmp_path: Path) -> None:
    good = [["Test pressure", "28 inH2O"], ["Lift mm", "Int 1 cfm"], [1.0, 15.0], [2.0, 31.0]]
    bad = [["Test pressure", "28"], ["Lift mm", "Int 1"], [1.0, 15.0], ["x1", 31.0], [3.0, 33.0]]
    result = read(write_xlsx(tmp_path / "b.xlsx", {"bad": bad, "good": good}))
    assert [t.sheet for t in result.tests] == ["good"]
    assert sorted(errors(result)) == ["not-a-number", "sheet-ambiguous", "sheet-ambiguous"]


def test_reading_loads_nothing_heavy(tmp_path: Path) -> None:
    path = write_csv(
        tmp_path / "a.csv", [["Test pressure", "28 inH2O"], ["Lift mm", "Int 1 cfm"], [1.0, 15.0], [2.0, 31.0]]
    )
    code = (
        "import sys; from flowkit.importers import read, Stated, ColumnMapping; "
        f"read({str(path)!r}); "
        "print([m for m in ('numpy', 'scipy', 'pandas', 'matplotlib', 'openpyxl', 'pydantic', 'python_calamine') if m in sys.modules])"  # noqa: E501
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2]
    )
    assert run.stdout.strip() == "[]"


def test_long_and_wide_sheets_read_whole() -> None:
    rows = [("Side", "Port", "Lift mm", "Flow cfm")]
    rows += [("Intake", str(port), float(n), 10.0 * n) for port in range(1, 501) for n in range(1, 21)]  # type: ignore[misc]
    from flowkit.importers.files.grid import Grid
    from tests.importers.sheets import read_grid

    tall = read_grid(Grid("a.xlsx", "Sheet1", tuple(rows)))
    assert len(tall.tests) == 500 and all(len(t.points) == 20 for t in tall.tests)
    head = ("Lift mm", *(f"Int {n} cfm" for n in range(1, 1001)))
    wide = read_grid(Grid("a.xlsx", "Sheet1", (head, *((float(n), *([10.0 * n] * 1000)) for n in range(1, 6)))))
    assert len(wide.tests) == 1000 and wide.tests[-1].points[0].source == "a.xlsx!Sheet1!ALM2"


def test_public_names() -> None:
    import flowkit.importers as room

    assert sorted(room.__all__) == ["ColumnMapping", "FileReading", "ReadResult", "Stated", "read", "read_many"]
    assert room.read_many is read_many and FileReading.__name__ == "FileReading"
    with pytest.raises(AttributeError):
        _ = room.nothing


def test_helpers_of_these_tests() -> None:
    assert grid("a | 1\n | .5").rows == (("a", 1.0), (None, 0.5))
    assert flows(read_text("Lift mm | Int 1 cfm\n1 | 15")) == {"intake 1 1 bench": [(1, 15)]}
    assert rules(read_text("Lift mm | Int 1 cfm\n1 | 15")) == []
