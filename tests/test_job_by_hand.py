"""What a job file states of one sheet alone, and what it changes by hand: listed, never hidden, sheets unchanged."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

from flowkit.errors import FlowkitError, JobError
from flowkit.job import Job
from flowkit.model import Variant
from flowkit.units import to_si

SHEET = """Side;intake
Port;1
Test pressure;28 inH2O
Date;2026-03-01

Lift (mm);Flow (CFM)
2;40.0
4;80.0
6;112.5
8;130.0
"""
SLIP = SHEET.replace("112.5", "12.5")


def job(folder: Path, sheets: str, *, more: str = "", text: str = SHEET) -> Job:
    """A job of one variant over one invented sheet."""
    (folder / "a.csv").write_text(text, encoding="utf-8")
    (folder / "job.toml").write_text(f'[[variant]]\nname = "a"\nsheets = [{sheets}]\n{more}', encoding="utf-8")
    return Job.load(folder / "job.toml")


def only(made: Job) -> tuple[Variant, list[str]]:
    """The one variant of a job, and the rules of its findings."""
    variants, findings = made.read()
    return variants[0], [finding.rule for finding in findings]


def test_a_value_set_by_hand_counts_and_is_listed_beside_what_the_sheet_says(tmp_path: Path) -> None:
    entry = '{ file = "a.csv", values = [{ cell = "9:2", value = "112.5", reason = "a digit was lost; asked" }] }'
    variant, rules = only(job(tmp_path, entry, text=SLIP))
    point = variant.tests[0].points[2]
    assert point.flow_m3_s == pytest.approx(to_si(112.5, "CFM")) and point.source == "a.csv:9:2"
    (change,) = variant.changes
    assert (change.file, change.cell, change.sheet_says, change.value) == ("a.csv", "9:2", "12.5", "112.5")
    assert change.reason == "a digit was lost; asked"
    assert rules == ["changed-by-hand"]
    assert "12.5" in (tmp_path / "a.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize("cell", ["9:2", "row 9"])
def test_a_point_left_out_is_gone_and_listed(tmp_path: Path, cell: str) -> None:
    entry = f'{{ file = "a.csv", leave_out = [{{ cell = "{cell}", reason = "valve stuck" }}] }}'
    variant, _ = only(job(tmp_path, entry, text=SLIP))
    assert [point.source for point in variant.tests[0].points] == ["a.csv:7:2", "a.csv:8:2", "a.csv:10:2"]
    (change,) = variant.changes
    assert change.value is None and change.reason == "valve stuck" and "12.5" in change.sheet_says


def test_a_cell_of_a_workbook_is_changed_on_its_worksheet(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for name in ("ported", "stock"):
        sheet = book.create_sheet(name)
        for row in (["Side", "intake"], ["Port", "1"], ["Test pressure", "28 inH2O"], ["Lift (mm)", "Flow (CFM)"]):
            sheet.append(row)
        for row in ((2, 40), (4, 80), (6, "1O5"), (8, 130)):
            sheet.append(row)
    del book["Sheet"]
    book.save(tmp_path / "b.xlsx")
    entry = '{{ file = "{}", values = [{{ cell = "{}", value = 105, reason = "a letter O" }}] }}'
    variant, rules = only(job(tmp_path, entry.format("b.xlsx!ported", "B7")))
    assert variant.tests[0].points[2].flow_m3_s == pytest.approx(to_si(105, "CFM"))
    assert "not-a-number" not in rules
    _, findings = job(tmp_path, entry.format("b.xlsx", "B7")).read()
    assert any("several worksheets" in finding.message and finding.severity == "error" for finding in findings)


def test_a_cell_that_is_not_on_the_sheet_is_refused(tmp_path: Path) -> None:
    _, findings = job(tmp_path, '{ file = "a.csv", leave_out = ["99:2"] }').read()
    assert any(finding.severity == "error" and "holds nothing there" in finding.message for finding in findings)


def test_conditions_of_one_sheet_count_for_it_alone(tmp_path: Path) -> None:
    bare = SHEET.replace("Test pressure;28 inH2O\n", "").replace("Port;1", "Port;2")
    (tmp_path / "b.csv").write_text(bare, encoding="utf-8")
    made = job(tmp_path, '"a.csv", { file = "b.csv", conditions = { test_pressure = "25 inH2O" } }')
    variants, findings = made.read()
    pressures = {test.port: test.conditions.test_pressure_pa for test in variants[0].tests}
    assert pressures == {"1": pytest.approx(to_si(28, "inH2O")), "2": pytest.approx(to_si(25, "inH2O"))}
    assert not findings


def test_conditions_of_the_whole_job_hold_for_every_sheet(tmp_path: Path) -> None:
    text = SHEET.replace("Flow (CFM)", "Flow")
    made = job(tmp_path, '"a.csv"', more='[conditions]\nflow_unit = "L/s"\n', text=text)
    assert only(made)[0].tests[0].units.flow.unit == "L/s"
    with pytest.raises(JobError, match=r"sheets 0 has an unknown key 'overrides'; known are file, conditions"):
        job(tmp_path, '{ file = "a.csv", overrides = true }', text=text)
    with pytest.raises(JobError, match=r"\[conditions\] has an unknown key 'flow_units'; did you mean 'flow_unit'"):
        job(tmp_path, '"a.csv"', more='[conditions]\nflow_units = "L/s"\n', text=text)


def test_a_contradiction_is_an_error_unless_the_job_overrides_the_sheet_with_a_reason(tmp_path: Path) -> None:
    _, findings = job(tmp_path, '"a.csv"', more='conditions = { test_pressure = "25 inH2O" }').read()
    assert [(finding.rule, finding.severity) for finding in findings] == [("stated-contradicts", "error")]
    reason = 'overrides = true, reason = "the gauge showed 25; asked the bench"'
    made = job(tmp_path, '"a.csv"', more=f'conditions = {{ test_pressure = "25 inH2O", {reason} }}')
    variant, rules = only(made)
    assert variant.tests[0].conditions.test_pressure_pa == pytest.approx(to_si(25, "inH2O"))
    assert rules == ["changed-by-hand"]
    (change,) = variant.changes
    assert (change.what, change.sheet_says, change.value) == ("test pressure", "28 inH2O", "25 inH2O")
    with pytest.raises(JobError, match="overrides needs a reason"):
        job(tmp_path, '"a.csv"', more='conditions = { test_pressure = "25 inH2O", overrides = true }')


@pytest.mark.parametrize(
    ("condition", "what", "says"),
    [
        ('flow_unit = "L/s"', "flow unit", "CFM"),
        ('lift_unit = "in"', "lift unit", "mm"),
        ('side = "exhaust"', "side", "intake"),
        ('port = "3"', "port", "1"),
        ('date = "2026-03-02"', "date", "2026-03-01"),
    ],
)
def test_anything_stated_can_override_the_sheet(tmp_path: Path, condition: str, what: str, says: str) -> None:
    before, _ = only(job(tmp_path, '"a.csv"'))
    made = job(tmp_path, '"a.csv"', more=f'conditions = {{ {condition}, overrides = true, reason = "asked" }}')
    variant, rules = only(made)
    (change,) = variant.changes
    assert (change.what, change.sheet_says, change.reason) == (what, says, "asked") and rules == ["changed-by-hand"]
    old, new = before.tests[0].points[1], variant.tests[0].points[1]
    factors = {"flow unit": (1.0, 0.001 / to_si(1, "CFM")), "lift unit": (25.4, 1.0)}
    lift, flow = factors.get(what, (1.0, 1.0))
    assert new.lift_m / old.lift_m == pytest.approx(lift) and new.flow_m3_s / old.flow_m3_s == pytest.approx(flow)


def test_a_glob_and_a_name_of_one_sheet_count_it_once(tmp_path: Path) -> None:
    made = job(tmp_path, '"a.csv", "*.csv", "./a.csv", "a.*"')
    assert len(made.variants[0].sheets) == 1 and len(only(made)[0].tests) == 1


def test_what_the_newer_tables_say_is_kept_on_the_job(tmp_path: Path) -> None:
    more = """untouched = { exhaust = ["2"] }
[variant.reference]
bore = "82 mm"
[variant.engine]
stroke = "80 mm"
[variant.cam]
lobe_separation = 108
advance = 0
[variant.cam.intake]
lash = "0.25 mm"
[reference]
lifts = "0.100-0.600 in"
[records]
file = "shop.sqlite"
[engine]
cylinders = 4
bore = "80 mm"
stroke = "78 mm"
rod = "138 mm"
compression_ratio = 10
[cam.intake]
duration = 244
checking_lift = "1 mm"
lift_at = "valve"
peak_lift = "9 mm"
centreline = "108 ATDC"
[meter]
kind = "plate"
hole = "32 mm"
coefficient = 0.602
place = "chamber"
"""
    made = job(tmp_path, '"a.csv"', more=more)
    assert made.reference.lifts_m == pytest.approx((0.00254, 0.01524))
    assert made.records == tmp_path / "shop.sqlite" and made.meters["hole"] == "32 mm"
    variant = made.variants[0]
    assert variant.engine == {"stroke": "80 mm"}
    assert variant.cam == {"lobe_separation": 108, "advance": 0, "intake": {"lash": "0.25 mm"}}
    read, _ = only(made)
    assert (read.untouched, read.bore_m) == ({"exhaust": ("2",)}, 0.082)


@pytest.mark.parametrize("lifts", ["0.6-0.1 in", "2 mm", "low-high mm", "2-9"])
def test_a_range_of_lifts_that_says_nothing_is_refused(tmp_path: Path, lifts: str) -> None:
    with pytest.raises(FlowkitError, match="lifts"):
        job(tmp_path, '"a.csv"', more=f'[reference]\nlifts = "{lifts}"\n')
