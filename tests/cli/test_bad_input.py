"""Bad input: one plain sentence with file, sheet and cell on standard error, status 1, nothing written."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from .conftest import SHEET, Outcome

Command = Callable[..., Outcome]


def test_a_missing_file(command: Command) -> None:
    done = command("read", "none.csv")
    assert done.code == 1
    assert done.err.startswith("none.csv")
    assert done.err.count("\n") == 1


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02" * 50, b"just words\nand more words\n", b"PK\x03\x04broken"])
@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
def test_files_that_hold_no_table(command: Command, tmp_path: Path, content: bytes, ending: str) -> None:
    (tmp_path / f"odd{ending}").write_bytes(content)
    for verb in ("read", "compare", "report"):
        done = command(verb, f"odd{ending}")
        assert done.code == 1
        assert f"odd{ending}" in done.err
    assert [path.name for path in tmp_path.iterdir()] == [f"odd{ending}"]


def test_text_where_a_number_should_be(command: Command, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(SHEET.replace("61.0", "sixty"))
    done = command("read", "a.csv")
    assert done.code == 1
    assert "a.csv:4:3" in done.err
    assert "sixty" in done.err


def test_a_negative_lift_in_a_worksheet(command: Command, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.title = "run one"
    for row in (["Test pressure", "28 inH2O"], ["Lift (mm)", "Intake 1 (CFM)"], [-2, 30], [4, 60], [6, 80]):
        book.active.append(row)
    book.save(tmp_path / "a.xlsx")
    done = command("read", "a.xlsx")
    assert done.code == 1
    assert "a.xlsx" in done.err
    assert "run one" in done.err
    assert "3" in done.err


def test_a_missing_test_pressure_says_where_to_state_it(command: Command, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(SHEET.partition("\n")[2])
    done = command("read", "a.csv")
    assert done.code == 1
    assert "--test-pressure" in done.err
    assert command("read", "a.csv", "--test-pressure", "28 inH2O").code == 0


def test_reports_refuse_while_anything_is_an_error(command: Command, tmp_path: Path, sheet: Path) -> None:
    (tmp_path / "bad.csv").write_text(SHEET.replace("61.0", "sixty"))
    done = command("report", sheet, "bad.csv", "-o", "out")
    assert done.code == 1
    assert "nothing was written" in done.err
    assert not (tmp_path / "out").exists()


def test_json_is_given_with_what_could_be_done(command: Command, tmp_path: Path, sheet: Path) -> None:
    for verb in ("read", "compare", "correct"):
        done = command(verb, sheet, "none.csv", "--json")
        document = json.loads(done.out)
        assert done.code == 1
        assert document["kind"] == verb
        assert any(finding["severity"] == "error" for finding in document["findings"])
        assert "none.csv" in done.err
    assert len(json.loads(command("read", sheet, "none.csv", "--json").out)["tests"]) == 2
    done = command("compare", "none.csv", "--json")
    assert done.code == 1
    assert json.loads(done.out)["sides"] == {}


def test_variants_without_a_common_range_and_of_one_name(command: Command, tmp_path: Path, sheet: Path) -> None:
    high = SHEET.replace("\n2,", "\n12,").replace("\n4,", "\n14,").replace("\n6,", "\n16,").replace("\n8,", "\n18,")
    (tmp_path / "high.csv").write_text(high)
    done = command("compare", sheet, "high.csv")
    assert done.code == 1
    assert "range" in done.err
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "clean.csv").write_text(SHEET)
    done = command("compare", sheet, "other/clean.csv")
    assert done.code == 1
    assert "'clean'" in done.err


@pytest.mark.parametrize(
    "arguments",
    [
        ["nothing"],
        ["read"],
        ["read", "clean.csv", "--sied", "intake"],
        ["read", "clean.csv", "--side", "left"],
        ["compare", "job.toml", "clean.csv"],
        ["compare", "job.toml", "--side", "intake"],
        ["compare", "clean.csv", "--reference-pressure", "28"],
        ["compare", "clean.csv", "--bore", "80 inH2O"],
        ["plan", "job.toml", "--gain", "two"],
        ["plan", "job.toml", "--gain", "200 %"],
        ["whatif", "job.toml"],
        ["blank", "a.xlsx", "--ports", "0"],
        ["blank", "a.xlsx", "--ports", "65"],
        ["blank", "a.xlsx", "--ports", "1000000000"],
        ["blank", "a.xlsx", "--ports", 5000 * "9"],
        ["blank", "a.xlsx", "--ports", " , "],
        ["blank", "a.xlsx", "--ports", "left, Left"],
        ["blank", "a.xlsx", "--step", "0 mm"],
        ["blank", "a.xlsx", "--top", "12"],
        ["records", "find", "--valve", "38", "--records", "none.sqlite"],
    ],
)
def test_wrong_usage_is_status_2(command: Command, sheet: Path, arguments: list[str]) -> None:
    done = command(*arguments)
    assert done.code == 2
    assert done.err
    assert not Path("a.xlsx").exists()


def test_stated_values_that_cannot_be_read(command: Command, sheet: Path) -> None:
    done = command("read", sheet, "--fixture-bore", "83")
    assert done.code == 2
    assert "has no unit" in done.err
    done = command("compare", sheet, "--off", "leek")
    assert done.code == 2
    assert "leakage" in done.err
