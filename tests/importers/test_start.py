"""A job file made from a folder of sheets."""

from __future__ import annotations

import os
import shutil
import sys
import tomllib
from pathlib import Path

import pytest

from flowkit.errors import JobError
from flowkit.importers import Stated
from flowkit.importers.sheets.start import job_text, read_folder, start_job
from flowkit.job import Job
from tests.importers.sheets import write_csv, write_xlsx

SAMPLES = Path(__file__).parents[2] / "sample_sheets"


def sheet(variant: str | None = None, date: str | None = None, pressure: str | None = "28 inH2O") -> list[list[object]]:
    rows: list[list[object]] = []
    rows += [["Variant", variant]] if variant else []
    rows += [["Date", date]] if date else []
    rows += [["Test pressure", pressure]] if pressure else []
    return [*rows, ["Lift mm", "Int 1 cfm", "Ex 1 cfm"], [1.0, 15.0, 12.0], [2.0, 31.0, 25.0], [3.0, 44.0, 36.0]]


def test_the_sample_sheets_become_a_job(tmp_path: Path) -> None:
    for name in ("as_received.csv", "after_work.xlsx"):
        shutil.copy(SAMPLES / name, tmp_path / name)
    target = start_job(tmp_path)
    assert target == tmp_path / "job.toml"
    content = tomllib.loads(target.read_text(encoding="utf-8"))
    assert [(v["name"], v["sheets"]) for v in content["variant"]] == [
        ("as received", ["as_received.csv"]),
        ("seats recut", ["after_work.xlsx!seats recut"]),
        ("ports blended", ["after_work.xlsx!ports blended"]),
        ("slim-stem valves", ["after_work.xlsx!slim-stem valves"]),
    ]
    assert all(v["state"] == {} for v in content["variant"])
    text = target.read_text(encoding="utf-8")
    assert 'such as { ports = "as cast"' in text and "# found: test_pressure = 10.00 inH2O" in text
    variants, findings = Job.load(target).read()
    assert [(v.name, len(v.tests)) for v in variants] == [(name["name"], 12) for name in content["variant"]]
    assert findings == ()


@pytest.mark.parametrize(
    ("units", "display"),
    [(("cfm",), "US"), (("l/s",), "metric"), (("kg/h", "m3/h", "cfm"), "metric"), (("l/s", "lb/min"), "US")],
)
def test_people_see_the_units_of_most_flows(tmp_path: Path, units: tuple[str, ...], display: str) -> None:
    for number, unit in enumerate(units):
        rows = [["Test pressure", "28 inH2O"], ["Air temperature", "20 °C"], ["Barometer", "1013 hPa"]]
        rows += [["Humidity", "40 %"], ["Lift mm", f"Int 1 {unit}"], [1.0, 15.0], [2.0, 31.0], [3.0, 44.0]]
        write_csv(tmp_path / f"{number}.csv", rows)
    content = tomllib.loads(start_job(tmp_path).read_text(encoding="utf-8"))
    assert content["job"]["display"] == display


def test_order_of_dates_and_what_is_missing(tmp_path: Path) -> None:
    write_csv(tmp_path / "a.csv", sheet("ported", "2026-04-02"))
    write_csv(tmp_path / "b.csv", sheet("stock", "14.03.2026", None))
    write_csv(tmp_path / "c.csv", sheet())
    content = tomllib.loads(start_job(tmp_path).read_text(encoding="utf-8"))
    assert [v["name"] for v in content["variant"]] == ["stock", "ported", "c"]
    text = (tmp_path / "job.toml").read_text(encoding="utf-8")
    stock = text.split("[[variant]]")[1]
    assert "# 2026-03-14" in stock and '# conditions = { test_pressure = "28 inH2O"' in stock
    assert "no date on its sheets" in text.split("[[variant]]")[3]
    lines = [line.removeprefix("# ") for line in text.splitlines() if line.startswith("# conditions = ")]
    assert len(lines) == 3
    for line in lines:
        assert tomllib.loads(line)["conditions"]  # what stands behind the mark is ready to use


def test_one_variant_on_two_files_and_two_on_one_sheet(tmp_path: Path) -> None:
    write_csv(tmp_path / "10.csv", sheet("Stock"))
    write_csv(tmp_path / "9.csv", sheet("stock"))
    both = [
        ["Test pressure", "28 inH2O"],
        ["Lift mm", "Before, intake cfm", "After, intake cfm"],
        [1.0, 15.0, 16.0],
        [2.0, 31.0, 33.0],
    ]
    write_xlsx(tmp_path / "x.xlsx", {"S!1": both})
    content = tomllib.loads(start_job(tmp_path).read_text(encoding="utf-8"))
    assert [(v["name"], v["sheets"]) for v in content["variant"]] == [
        ("stock", ["9.csv", "10.csv"]),
        ("Before", ["x.xlsx"]),
        ("After", ["x.xlsx"]),
    ]
    variants, _ = Job.load(tmp_path / "job.toml").read()
    assert [len(v.tests) for v in variants] == [4, 1, 1]


def test_names_that_toml_or_a_glob_would_misread(tmp_path: Path) -> None:
    write_csv(tmp_path / "a [1]*.csv", sheet('say "x" \\ #1'))
    write_csv(tmp_path / 'b"q".csv', sheet("two\nlines"))
    target = start_job(tmp_path)
    content = tomllib.loads(target.read_text(encoding="utf-8"))
    assert [v["name"] for v in content["variant"]] == ['say "x" \\ #1', "two lines"]
    variants, _ = Job.load(target).read()
    assert [len(v.tests) for v in variants] == [2, 2]


@pytest.mark.skipif(sys.platform == "win32", reason="no such names there")
@pytest.mark.parametrize(
    "name", ["a\u200bb.csv", "a\u202f1.csv", "a\nb.csv", "a\tb.csv", "a\x7f.csv", "\U000e0001.csv"]
)
def test_a_name_with_a_mark_that_nobody_sees_can_be_started_from(tmp_path: Path, name: str) -> None:
    write_csv(tmp_path / name, sheet())
    variants, findings = Job.load(start_job(tmp_path)).read()
    assert [len(v.tests) for v in variants] == [2] and findings == ()


@pytest.mark.skipif(sys.platform != "linux", reason="names are bytes there alone")
def test_a_name_that_is_no_text_is_named_and_the_rest_is_started_from(tmp_path: Path) -> None:
    write_csv(tmp_path / "a.csv", sheet("stock"))
    write_csv(Path(os.fsdecode(os.fsencode(tmp_path) + b"/K\xf6pfe.csv")), sheet("ported"))
    text = start_job(tmp_path).read_text(encoding="utf-8")
    assert "# Cannot be read: K pfe.csv: its name" in text
    assert [v["sheets"] for v in tomllib.loads(text)["variant"]] == [["a.csv"]]


def test_what_cannot_be_read_is_named(tmp_path: Path) -> None:
    write_csv(tmp_path / "good.csv", sheet())
    (tmp_path / "bad.csv").write_text("hello\n", encoding="utf-8")
    (tmp_path / "~$good.xlsx").write_text("lock", encoding="utf-8")
    (tmp_path / ".hidden.csv").write_text("x", encoding="utf-8")
    (tmp_path / "photo.jpg").write_bytes(b"x")
    text = start_job(tmp_path).read_text(encoding="utf-8")
    assert "# Left out: bad.csv: there is no table" in text
    assert "good.xlsx" not in text
    assert "# Left out: .hidden.csv: a hidden file\n" in text
    assert "# Read: good.csv: " in text and "# Needs you: photo.jpg: a picture" in text
    assert len(tomllib.loads(text)["variant"]) == 1


def test_sides_and_ports_that_are_missing(tmp_path: Path) -> None:
    write_csv(tmp_path / "a.csv", [["Lift mm", "cfm"], [1.0, 15.0], [2.0, 30.0]])
    text = start_job(tmp_path).read_text(encoding="utf-8")
    assert 'side = "intake", port = "1"' in text and "[valves." not in text


def test_another_place_for_the_job(tmp_path: Path) -> None:
    (tmp_path / "sheets").mkdir()
    write_csv(tmp_path / "sheets" / "a.csv", sheet())
    target = start_job(tmp_path / "sheets", tmp_path / "my.toml")
    assert tomllib.loads(target.read_text(encoding="utf-8"))["variant"][0]["sheets"] == ["sheets/a.csv"]
    assert len(Job.load(target).read()[0]) == 1


def test_refusals(tmp_path: Path) -> None:
    with pytest.raises(JobError, match="no such folder"):
        start_job(tmp_path / "none")
    (tmp_path / "bad.csv").write_text("hello\n", encoding="utf-8")
    write_csv(tmp_path / "a.csv", sheet())
    (tmp_path / "job.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(JobError, match="not overwritten"):
        start_job(tmp_path)
    assert (tmp_path / "job.toml").read_text(encoding="utf-8") == "mine"
    with pytest.raises(JobError, match="cannot be written"):
        start_job(tmp_path, tmp_path / "no" / "job.toml")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv", "bad.csv", "job.toml"]


def test_dimensions_on_the_sheets_stand_with_their_side(tmp_path: Path) -> None:
    rows = [["Intake valve head", "38 mm"], ["Exhaust valve head", "33 mm"], ["Intake seat angle", "45"], *sheet()]
    write_csv(tmp_path / "a.csv", rows)
    write_csv(tmp_path / "b.csv", [["Intake valve head", "39.5 mm"], *sheet()])
    text = start_job(tmp_path).read_text(encoding="utf-8")
    assert tomllib.loads(text)["valves"] == {"intake": {}, "exhaust": {}}
    intake, exhaust = (text.partition(f"[valves.{side}]")[2].partition("\n\n")[0] for side in ("intake", "exhaust"))
    assert "# found: head = 38.000 mm, 39.500 mm\n" in intake and "# head = " not in intake
    assert "# found: seat_angle = 45.0 °   (on some sheets; the others do not say)\n# seat_angle = 45" in intake
    assert "# found: head = 33.000 mm   (on some sheets" in exhaust
    assert "38" not in exhaust and '# stem = "8 mm"' in exhaust


def test_a_job_is_written_whatever_the_folder_holds(tmp_path: Path) -> None:
    text = start_job(tmp_path).read_text(encoding="utf-8")
    assert "There are no sheets in this folder" in text and "variant" not in tomllib.loads(text)
    (tmp_path / "old" / "2025").mkdir(parents=True)
    write_csv(tmp_path / "old" / "2025" / "a.csv", sheet())
    write_csv(tmp_path / "copy of a.csv", sheet())
    write_csv(tmp_path / "unit.csv", [["Test pressure", "28 inH2O"], ["Lift mm", "Intake 1"], [1.0, 9.0], [2.0, 19.0]])
    listed = {entry.path.name: (entry.status, entry.reason) for entry in read_folder(tmp_path).listed}
    assert listed["a.csv"][0] == "read" and listed["copy of a.csv"] == (
        "left out",
        "a copy of a.csv: the same bytes",
    )
    assert listed["unit.csv"][0] == "needs you" and "--flow-unit" in listed["unit.csv"][1]
    target = start_job(tmp_path, tmp_path / "asked.toml")
    text = target.read_text(encoding="utf-8")
    assert {"unit.csv", "old/2025/a.csv"} == {v["sheets"][0] for v in tomllib.loads(text)["variant"]}
    # Until the unit is known the sheet is asked about, and one line settles it: the other names its own unit.
    assert [finding.rule for finding in Job.load(target).read()[1]] == ["sheet-ambiguous"]
    target.write_text(text.replace('# flow_unit = "CFM"', 'flow_unit = "L/s"'), encoding="utf-8")
    variants, findings = Job.load(target).read()
    assert {(v.name, v.tests[0].units.flow.unit) for v in variants} == {("unit", "L/s"), ("a", "CFM")}
    assert findings == ()
    answered = stated_text(tmp_path, Stated(flow_unit="L/s"))
    assert "# Read: unit.csv: 1 test" in answered and "# Read: old/2025/a.csv:" in answered
    assert tomllib.loads(answered)["conditions"] == {"flow_unit": "L/s"}


def test_a_sheet_without_headings_waits_for_its_mapping(tmp_path: Path) -> None:
    write_csv(tmp_path / "log.csv", [["c1", "c2"], [1.0, 15.0], [2.0, 31.0], [3.0, 44.0]])
    target = start_job(tmp_path)
    text = target.read_text(encoding="utf-8")
    assert tomllib.loads(text)["variant"][0]["sheets"] == ["log.csv"] and "# Needs you: log.csv" in text
    assert Job.load(target).read()[1][0].severity == "error"
    lines = [line.removeprefix("# ") for line in text.partition("# or fill in")[2].splitlines()[1:]]
    filled = (
        "\n".join(lines).replace('lift_unit = "?"', 'lift_unit = "mm"').replace('flow_unit = "?"', 'flow_unit = "L/s"')
    )
    filled = filled.replace('side = "?", port = "?"', 'side = "intake", port = "1"')
    target.write_text(text + filled, encoding="utf-8")
    ((variant,), _) = Job.load(target).read()
    assert [round(point.flow_m3_s * 1000) for point in variant.tests[0].points] == [15, 31, 44]


def test_the_order_of_dates_is_asked_once(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_csv(tmp_path / f"{name}.csv", sheet(name, "3/4/26"))
    target = start_job(tmp_path)
    text = target.read_text(encoding="utf-8")
    assert text.count("date_order") == 1 and "# a.csv, b.csv: what comes first" in text
    target.write_text(text.replace("# date_order", "date_order"), encoding="utf-8")
    assert {t.conditions.date for v in Job.load(target).read()[0] for t in v.tests} == {"2026-04-03"}


def stated_text(folder: Path, stated: Stated | None = None) -> str:
    return job_text(read_folder(folder, stated), folder / "job.toml", stated)


def test_the_states_come_in_the_order_their_names_suggest(tmp_path: Path) -> None:
    for number, name in enumerate(("after", "ported", "stock")):
        write_csv(
            tmp_path / f"{name}.csv",
            [["Test pressure", "28 inH2O"], ["Lift mm", "Int 1 cfm"], [1.0, 9.0], [2.0, 20.0 + number]],
        )
    text = stated_text(tmp_path)
    assert tomllib.loads(text)["variant"][0]["name"] == "stock"
    assert "is a guess from their names and dates" in text
