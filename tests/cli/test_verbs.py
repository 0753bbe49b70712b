"""Each verb does its job, prints what it did and mirrors the library."""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import flowkit
from flowkit.samples import copy_samples

from .conftest import SHEET, Outcome

Command = Callable[..., Outcome]


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """The sample job in the clean folder."""
    return copy_samples(tmp_path)


def test_version_both_ways(command: Command) -> None:
    assert command("--version").out == f"flowkit {flowkit.__version__}\n"
    run = subprocess.run([sys.executable, "-m", "flowkit", "--version"], capture_output=True, text=True, check=True)
    assert run.stdout == f"flowkit {flowkit.__version__}\n"


def test_every_verb_has_help_with_an_example(command: Command) -> None:
    verbs = [line.split()[0] for line in command("--help").out.partition("Commands:")[2].strip().splitlines()]
    assert len(verbs) >= 12
    for verb in verbs:
        assert f"Example: flowkit {verb}" in command(verb, "--help").out


def test_read_says_what_was_understood(command: Command, job: Path) -> None:
    done = command("read", "as_received.csv", "after_work.xlsx")
    assert done.code == 0
    assert done.err == ""
    assert "12 tests" in done.out
    assert "36 tests" in done.out


def test_read_json_is_what_the_library_gives(command: Command, job: Path) -> None:
    done = command("read", "as_received.csv", "--json")
    assert json.loads(done.out) == json.loads(flowkit.read("as_received.csv").to_json())


def test_read_draws_and_explains(command: Command, job: Path, tmp_path: Path) -> None:
    assert command("read", "as_received.csv", "--plot", "curves.png").code == 0
    assert (tmp_path / "curves.png").read_bytes().startswith(b"\x89PNG")
    assert "lift (in, stated)" in command("read", "as_received.csv", "--explain").out


def test_read_globs_and_workers(command: Command, job: Path, tmp_path: Path) -> None:
    for index in range(3):
        shutil.copy(tmp_path / "as_received.csv", tmp_path / f"copy{index}.csv")
    done = command("read", "copy*.csv", "--json", "--workers", "2")
    assert len(json.loads(done.out)["tests"]) == 36


def test_compare_prints_flows_gains_findings_and_sentences(command: Command, job: Path) -> None:
    done = command("compare", "job.toml")
    assert done.code == 0
    for said in ("Intake", "Exhaust", "mean flow", "bench and operator", "--tables"):
        assert said in done.out
    assert "spread" not in done.out
    whole = command("compare", "job.toml", "--tables")
    for said in ("spread", "port 4", "gain of each step in bands of lift", "coefficient on the curtain area"):
        assert said in whole.out
    assert max(map(len, whole.out.splitlines())) <= 80
    assert "\x1b" not in done.out


def test_compare_csv_has_a_row_per_lift(command: Command, job: Path) -> None:
    rows = list(csv.reader(io.StringIO(command("compare", "job.toml", "--csv").out)))
    assert len({len(row) for row in rows}) == 1
    assert len(rows) > 20


def test_compare_json_is_what_the_library_gives(command: Command, job: Path) -> None:
    done = command("compare", "job.toml", "--json")
    assert json.loads(done.out) == json.loads(flowkit.Job.load("job.toml").compare().to_json())


def test_compare_bare_files_with_options(command: Command, job: Path) -> None:
    done = command("compare", "as_received.csv", "after_work.xlsx", "--json", "--reference-pressure", "10 inH2O")
    document = json.loads(done.out)
    assert document["reference"]["pressure_pa"] == pytest.approx(2490.8891)
    assert next(variant["name"] for variant in document["sides"]["intake"]["variants"]) == "as_received"


def test_correct_prints_the_ledger(command: Command, job: Path) -> None:
    done = command("correct", "job.toml")
    assert done.code == 0
    for said in ("leakage", "check-plate", "test-pressure", "bore"):
        assert said in done.out


def test_check_is_silent_on_a_clean_sheet_and_fails_on_an_error(command: Command, sheet: Path, tmp_path: Path) -> None:
    assert command("check", sheet).code == 0
    (tmp_path / "bad.csv").write_text(sheet.read_text().replace("60.0", "-60.0"))
    done = command("check", "bad.csv")
    assert done.code == 1
    assert "below zero" in done.err and done.out.startswith("No job file yet? flowkit start FOLDER makes one")
    assert command("check", "none.csv").code == 1
    assert json.loads(command("check", "bad.csv", "--json").out)["findings"][0]["severity"] == "error"


def test_check_of_a_job_goes_the_whole_way(command: Command, job: Path) -> None:
    done = command("check", "job.toml")
    assert done.code == 0
    assert "law-difference" in done.out


def test_report_writes_pages_and_workbook(command: Command, job: Path, tmp_path: Path) -> None:
    done = command("report", "job.toml", "-o", "out")
    assert done.code == 0
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "flow_chart.html",
        "flow_chart.pdf",
        "flow_chart.png",
        "flow_chart.xlsx",
    ]
    assert done.out.count("wrote ") == 4


def test_report_refuses_an_unknown_format(command: Command, job: Path, tmp_path: Path) -> None:
    done = command("report", "job.toml", "-o", "out", "--format", "bmp")
    assert done.code != 0
    assert "bmp" in done.err
    assert not (tmp_path / "out").exists()


def test_demo_does_the_whole_job_and_never_twice_in_one_folder(command: Command, tmp_path: Path) -> None:
    done = command("demo", "demo")
    assert done.code == 0
    assert (tmp_path / "demo" / "report" / "flow_chart.pdf").is_file()
    assert "invented" in done.out
    again = command("demo", "demo")
    assert again.code == 1
    assert "there is already" in again.err


def test_plan_says_what_to_do_next(command: Command, job: Path) -> None:
    done = command("plan", "job.toml", "--gain", "1.5")
    assert done.code == 0
    assert "1.5 %" in done.out
    assert json.loads(command("plan", "job.toml", "--json").out)["kind"] == "plan"


def test_engine_says_what_it_means(command: Command, job: Path, tmp_path: Path) -> None:
    done = command("engine", "job.toml", "--plot", "engine.png")
    assert done.code == 0
    assert "not a safe rpm" in " ".join(done.out.split())
    assert (tmp_path / "engine.png").is_file()
    document = json.loads(command("engine", "job.toml", "--json").out)
    assert next(variant["name"] for variant in document["variants"]) == "as received"


def test_start_writes_a_job_that_works(command: Command, job: Path, tmp_path: Path) -> None:
    job.unlink()
    done = command("start", ".")
    assert done.code == 0
    assert (tmp_path / "job.toml").is_file()
    assert command("compare", "job.toml").code == 0
    again = command("start", ".")
    assert again.code == 1


def test_blank_reads_back_once_filled_in(command: Command, tmp_path: Path) -> None:
    assert command("blank", "to_bench.xlsx", "--top", "10 mm").code == 0
    assert (tmp_path / "to_bench.xlsx").is_file()
    assert command("blank", "to_bench.xlsx").code == 1


def test_attach_to_a_pdf(command: Command, job: Path, tmp_path: Path) -> None:
    from pypdf import PdfReader, PdfWriter

    writer = PdfWriter()
    writer.add_blank_page(612, 792)
    writer.write(tmp_path / "build.pdf")
    done = command("attach", "job.toml", "build.pdf")
    assert done.code == 0
    pages = len(PdfReader(tmp_path / "build.pdf").pages)
    assert pages > 1
    assert command("attach", "job.toml", "build.pdf").code == 0
    assert len(PdfReader(tmp_path / "build.pdf").pages) == pages
    assert len(list(tmp_path.glob("build*before-flowkit*"))) >= 1


def test_a_report_is_read_back(command: Command, job: Path) -> None:
    assert command("report", "job.toml", "-o", "out", "--format", "pdf").code == 0
    document = json.loads(command("read", "out/flow_chart.pdf", "--json").out)
    assert len(document["tests"]) == 48


def test_check_refuses_what_a_job_file_says_itself(command: Command, tmp_path: Path) -> None:
    job = copy_samples(tmp_path)
    done = command("check", job, "--test-pressure", "15 inH2O")
    assert done.code == 2
    assert "--test-pressure goes with sheets; in a job it is stated in the job file" in " ".join(done.err.split())
    assert command("check", job).code == 0


METRIC = "Test pressure,5 kPa\nLift (mm),Int 1 L/s,Int 2 L/s\n1,5.1,5.2\n2,10.2,10.3\n3,15.9,16.0\n4,20.8,21.0\n"


@pytest.mark.parametrize("unit", ["L/s", "CFM"])
def test_bare_metric_sheets_are_shown_metric(command: Command, tmp_path: Path, unit: str) -> None:
    for name in ("before", "after"):
        (tmp_path / f"{name}.csv").write_text(METRIC.replace("L/s", unit), encoding="utf-8")
    metric = unit == "L/s"
    said = command("compare", "before.csv", "after.csv").out
    assert ("1.00–4.00 mm lift" in said) is metric and ("0.039–0.157 in lift" in said) is not metric
    shown = command("correct", "before.csv").out
    assert ("lift, mm" in shown and "read, L/s" in shown) is metric
    assert "5 kPa" in shown  # as the sheet has it
    assert "0.039–0.157 in lift" in command("compare", "before.csv", "after.csv", "--display", "US").out


def test_corrected_points_come_under_their_tests_name_in_eighty_columns(
    command: Command, job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    lines = command("correct", "job.toml").out.splitlines()
    assert "as_received.csv!as received, intake 1 run 3" in lines
    assert max(map(len, lines)) <= 80


PLATES = """\
[meter]
kind = "percent"
scale = "square-root"

[[meter.certificate]]
flow = "100 CFM"
at = "28 inH2O"
u = "0.5 %"
reading = "64 %"
test_pressure = "28 inH2O"

[[meter.certificate]]
flow = "79.5 CFM"
at = "28 inH2O"
u = "0.5 %"
reading = "36 %"
test_pressure = "28 inH2O"
"""


def test_meter_says_what_to_paste_and_draws_it(command: Command, tmp_path: Path) -> None:
    """64 and 36 % of the differential are 80 and 60 % of the flow: 125 and 132.5 CFM, which differ too much."""
    (tmp_path / "bench.toml").write_text(PLATES, encoding="utf-8")
    done = command("meter", "bench.toml", "--out", "meter.png")
    assert done.code == 0
    assert "full scale 128" in done.out and "from 2 plates" in done.out
    assert "times what their certificates allow" in done.out
    assert 'full_scale = "128' in done.out
    assert (tmp_path / "meter.png").read_bytes().startswith(b"\x89PNG")
    assert json.loads(command("meter", "bench.toml", "--json").out)["kind"] == "meter"


def test_a_blank_sheet_for_a_job_without_a_meter_is_refused(command: Command, sheet: Path, tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('[[variant]]\nname = "a"\nsheets = ["clean.csv"]\n')
    done = command("blank", "b.xlsx", "--readings", "job.toml")
    assert done.code == 1 and "the job describes no meter" in done.err
    assert not (tmp_path / "b.xlsx").exists()


def test_records_with_little_in_them_say_so(command: Command, sheet: Path, tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('[[variant]]\nname = "a"\nsheets = ["clean.csv"]\n')
    (tmp_path / "bad.toml").write_text('[[variant]]\nname = "a"\nsheets = ["bad.csv"]\n')
    (tmp_path / "bad.csv").write_text("nothing\n")
    own = ("--records", "shop.sqlite")
    done = command("records", "add", "nowhere", *own)
    assert done.code == 1 and "there is no such file or folder" in done.err
    done = command("records", "add", "job.toml", "bad.toml", *own)
    assert done.code == 1 and "none of its tests can be used" in done.err and "1 added, 1 not read" in done.out
    assert "2 tests" in command("records", "find", *own).out
    assert "No recorded test matches." in command("records", "find", "no such words", *own).out
    assert "too few for a control chart" in command("records", "bench", *own).out
    assert "the valve's diameter is not stated" in command("records", "rank", "job.toml", *own).out
    done = command("records", "rebuild", "--records", "new.sqlite")
    assert done.code == 1 and "nothing of the records says where the sheets are" in done.err


@pytest.mark.parametrize("size", ["36-40 mm", "40-36 mm", "1.4 to 1.6 in"])
def test_a_range_of_sizes_is_the_same_from_either_end(command: Command, tmp_path: Path, size: str) -> None:
    (tmp_path / "a.csv").write_text(SHEET)
    head = 'conditions = { valve_head = "38 mm" }'
    (tmp_path / "job.toml").write_text(f'[[variant]]\nname = "a"\nsheets = ["a.csv"]\n{head}\n')
    assert command("records", "add", "job.toml", "--records", "shop.sqlite").code == 0
    assert "2 tests" in command("records", "find", "--valve", size, "--records", "shop.sqlite").out
    assert "No recorded" in command("records", "find", "--valve", "30-20 mm", "--records", "shop.sqlite").out


def test_readings_of_a_meter_are_shown_as_it_showed_them(command: Command, tmp_path: Path) -> None:
    rows = "2,12,14\n4,45,47\n6,88,90\n8,120,122\n"
    head = "Test pressure,28 inH2O\nLift (mm),Intake 1 manometer (mmH2O),Intake 2 manometer (mmH2O)\n"
    (tmp_path / "m.csv").write_text(head + rows)
    out = command("read", "m.csv").out
    assert "read 12–120 mmH2O" in out and "read 14–122 mmH2O" in out and "CFM" not in out


def test_the_order_of_day_and_month_is_asked_once_for_all_sheets(command: Command, tmp_path: Path) -> None:
    for name, date in (("a", "03/04/2026"), ("b", "05/06/2026"), ("c", "03/04/2026")):
        (tmp_path / f"{name}.csv").write_text(f"Date,{date}\n{SHEET}")
    done = command("check", "a.csv", "b.csv", "c.csv")
    assert (done.out + done.err).count("--date-order day or month") == 1
    settled = command("check", "a.csv", "b.csv", "c.csv", "--date-order", "day")
    assert "--date-order" not in settled.out + settled.err


def test_a_lift_flowed_on_one_side_only_has_no_ratio(command: Command, tmp_path: Path) -> None:
    head = "Test pressure,28 inH2O\nLift (mm),Intake 1 (CFM),Exhaust 1 (CFM)\n"
    (tmp_path / "x.csv").write_text(head + "2,30,24\n4,60,48\n6,80,\n8,90,\n")
    out = command("compare", "x.csv", "--tables", "--display", "metric").out
    assert "2.00   0.80" in out and "4.00   0.80" in out and "6.00   0" not in out.partition("equal lift")[2]
