"""What flowkit made is no bench sheet, and it is known again whatever program saved it since."""

from __future__ import annotations

import csv
import shutil
import subprocess
import tomllib
from pathlib import Path

import openpyxl
import pytest

from flowkit.errors import SheetError
from flowkit.importers import read
from flowkit.importers.explain import explain
from flowkit.importers.files import read_grids
from flowkit.importers.files.own import is_own_output
from flowkit.importers.sheets.start import start_job
from flowkit.job import Job
from flowkit.samples import copy_samples
from tests.importers.sheets import write_csv, write_xlsx

pytestmark = pytest.mark.slow

ROWS = [["Test pressure", "28 inH2O"], ["Lift mm", "Int 1 cfm"], [1.0, 15.0], [2.0, 31.0]]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a workbook of flowkit's and a build file it added to."""
    folder = tmp_path_factory.mktemp("made")
    job = Job.load(copy_samples(folder / "job"))
    job.report(folder / "job", formats=["xlsx"])
    write_xlsx(folder / "job" / "build.xlsx", {"Customer": [["build file"]], "bench": ROWS})
    job.attach(folder / "job" / "build.xlsx")
    return folder / "job"


def test_every_sheet_of_the_workbook_is_known(made: Path) -> None:
    grids = read_grids(made / "flow_chart.xlsx")
    assert [grid.sheet for grid in grids if not is_own_output(grid)] == []
    assert len(grids) >= 10


def test_no_sheet_of_a_bench_is_taken_for_one(made: Path) -> None:
    for name in ("as_received.csv", "after_work.xlsx"):
        assert not any(is_own_output(grid) for grid in read_grids(made / name))


@pytest.mark.parametrize("rows", [["Gains"], ["Findings"], ["Raw readings"], ["Corrected flows at 28"], ["flowkit"]])
def test_a_title_alone_is_no_proof(tmp_path: Path, rows: list[str]) -> None:
    assert len(read(write_csv(tmp_path / "a.csv", [rows, *ROWS])).tests) == 1


def test_the_rest_of_a_build_file_is_read(made: Path) -> None:
    result = read(made / "build.xlsx")
    assert [(test.sheet, len(test.points)) for test in result.tests] == [("bench", 2)]
    (finding,) = result.findings
    assert (finding.rule, finding.severity, finding.where) == ("own-output", "note", "build.xlsx!Flow numbers")
    assert "note own-output at build.xlsx!Flow numbers" in explain(made / "build.xlsx")


def test_a_file_with_nothing_else_is_refused(made: Path, tmp_path: Path) -> None:
    with pytest.raises(SheetError) as caught:
        read(made / "flow_chart.xlsx")
    assert str(caught.value) == (
        "flow_chart.xlsx: flowkit made this file, and its flows are corrected already; "
        "read the sheets of the bench that it was made from."
    )
    book = openpyxl.load_workbook(made / "build.xlsx")
    del book["bench"]
    book.save(tmp_path / "build.xlsx")
    with pytest.raises(SheetError, match="besides the sheets that flowkit made"):
        read(tmp_path / "build.xlsx")


def test_a_sheet_saved_as_text_is_known(made: Path, tmp_path: Path) -> None:
    book = openpyxl.load_workbook(made / "build.xlsx")
    with (tmp_path / "numbers.csv").open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows(book["Flow numbers"].values)
    with pytest.raises(SheetError, match="flowkit made this file"):
        read(tmp_path / "numbers.csv")


@pytest.mark.skipif(shutil.which("soffice") is None, reason="needs LibreOffice")
@pytest.mark.parametrize("ending", ["xlsx", "ods", "xls"])
def test_saving_in_another_program_hides_nothing(made: Path, tmp_path: Path, ending: str) -> None:
    command = ["soffice", "--headless", f"-env:UserInstallation=file://{tmp_path}/profile", "--convert-to", ending]
    command += ["--outdir", str(tmp_path), str(made / "flow_chart.xlsx"), str(made / "build.xlsx")]
    subprocess.run(command, check=True, capture_output=True, timeout=180)
    assert all(is_own_output(grid) for grid in read_grids(tmp_path / f"flow_chart.{ending}"))
    assert [test.sheet for test in read(tmp_path / f"build.{ending}").tests] == ["bench"]


def test_start_leaves_it_out_and_says_so(made: Path, tmp_path: Path) -> None:
    for path in made.iterdir():
        if path.name != "job.toml":
            shutil.copy(path, tmp_path / path.name)
    text = start_job(tmp_path).read_text(encoding="utf-8")
    sheets = [sheet for variant in tomllib.loads(text)["variant"] for sheet in variant["sheets"]]
    assert {sheet.partition("!")[0] for sheet in sheets} == {"as_received.csv", "after_work.xlsx", "build.xlsx"}
    assert "# Left out: flow_chart.xlsx: everything in it was made by flowkit" in text
    assert "what flowkit made in it left out" in text
    assert "# Left out: build.before-flowkit.xlsx: the backup of a build file that flowkit added to" in text
    assert Job.load(tmp_path / "job.toml").compare().sides


def test_start_of_a_folder_with_nothing_else(made: Path, tmp_path: Path) -> None:
    shutil.copy(made / "flow_chart.xlsx", tmp_path)
    text = start_job(tmp_path).read_text(encoding="utf-8")
    assert "# Left out: flow_chart.xlsx: everything in it was made by flowkit" in text
    assert "variant" not in tomllib.loads(text)
