"""Job files: what they say, what is refused, and which tests belong to which variant."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from flowkit.errors import EngineError, FlowkitError, JobError
from flowkit.importers import ColumnMapping
from flowkit.job import Job, report
from flowkit.job.engine import engine_of, whatif
from flowkit.job.load import SheetChoice, choose_sheets
from flowkit.model import Bench
from flowkit.samples import copy_samples, sample_folder, sample_job
from flowkit.units import from_si, to_si

SHEET = """Test pressure,28 inH2O
Lift (mm),Intake 1 (CFM),Intake 2 (CFM)
2,30.0,31.0
4,60.0,61.0
6,80.0,81.0
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the sample job."""
    copy_samples(tmp_path)
    return tmp_path


def write_job(folder: Path, text: str) -> Path:
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def refusal(folder: Path, text: str) -> str:
    with pytest.raises(JobError) as caught:
        Job.load(write_job(folder, text))
    return str(caught.value)


VARIANT = '[[variant]]\nname = "a"\nsheets = ["as_received.csv"]\n'


def test_the_sample_job_says_what_it_says() -> None:
    job = Job.load(sample_job())
    assert [variant.name for variant in job.variants] == [
        "as received",
        "seats recut",
        "ports blended",
        "slim-stem valves",
    ]
    assert job.reference.bore_m == 0.0805
    assert job.bench.drift == pytest.approx(0.002)
    assert job.variants[0].valves["intake"].stem_m == 0.008
    assert job.variants[3].valves["intake"].stem_m == 0.007
    assert job.variants[3].valves["intake"].head_m == 0.038
    assert job.variants[3].state["exhaust"] == {"seats": "recut", "ports": "blended", "valves": "slim stem"}
    assert job.info.display == "metric"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[refrence]\n" + VARIANT, "the job file has an unknown key 'refrence'; did you mean 'reference'?"),
        (
            '[reference]\npresure = "28 inH2O"\n' + VARIANT,
            "[reference] has an unknown key 'presure'; did you mean 'pressure'?",
        ),
        (
            "[reference.air]\ntemp = 3\n" + VARIANT,
            "[reference.air] has an unknown key 'temp'; did you mean 'temperature'?",
        ),
        (VARIANT + "stat = {}\n", "[variant 1] has an unknown key 'stat'; did you mean 'state'?"),
        (VARIANT + "valves.intake = { stm = '7 mm' }\n", "unknown key 'stm'; did you mean 'stem'?"),
        (
            VARIANT + "conditions = { test_presure = '28 inH2O' }\n",
            "unknown key 'test_presure'; did you mean 'test_pressure'?",
        ),
        ('[reference]\npressure = "28"\n' + VARIANT, "'28' has no unit"),
        ('[reference]\npressure = "28 mm"\n' + VARIANT, "'mm' is a unit of length, not of pressure"),
        ('[reference]\npressure = "-28 inH2O"\n' + VARIANT, "[reference] pressure: '-28 inH2O' must be above zero"),
        (
            '[reference]\npressure_law = "cubic"\n' + VARIANT,
            "'cubic' is not known; use one of square-root, compressible",
        ),
        ('[bench]\nrepeatability = "half"\n' + VARIANT, "'half' is not a percentage"),
        ("[job]\ntitle = 'x'\n", "the job has no [[variant]]"),
        ('[[variant]]\nname = "a"\nsheets = []\n', "[variant 1] sheets"),
        ('[[variant]]\nsheets = ["a.csv"]\n', "[variant 1] name is missing"),
        (VARIANT + VARIANT.replace('"a"', '"A"'), "two variants are named 'a'"),
        (VARIANT + "state.intake = 'blended'\n", "state.intake is 'blended', which is not a table"),
        (VARIANT + "state.inlet = { ports = 'x' }\n", "only intake and exhaust may be tables"),
        (VARIANT + "conditions = { side = 'left' }\n", "'left' is not known; use one of intake, exhaust"),
        (VARIANT + "conditions = { run = 0 }\n", "run: 0 is not a whole number of one or more"),
        (VARIANT + "conditions = { lift_unit = 'CFM' }\n", "'CFM' is a unit of flow, not of length"),
        ('[[variant]]\nname = "a"\nsheets = ["*.ods"]\n', "no file matches '*.ods'"),
        ("[cam.intake]\nx = 1\n" + VARIANT, "[cam] intake has an unknown key 'x'"),
        ("[cam.intake]\nlash = '0.2 mm'\n" + VARIANT, "the job has a cam but no engine"),
        ("[engine]\nbor = '80 mm'\n" + VARIANT, "[engine] has an unknown key 'bor'; did you mean 'bore'?"),
        (VARIANT + "[variant.engine]\nbore = '80'\n", "[variant 1] engine bore: '80' has no unit"),
        (
            VARIANT + "[variant.cam.exhaust]\nopens = 'early'\n",
            "[variant 1] cam exhaust opens: 'early' is not a valve event",
        ),
        (VARIANT + "conditions = { overrides = 'yes', head = 'x' }\n", "overrides: 'yes' is neither true nor false"),
        (VARIANT + "conditions = { reason = 'x', head = 'x' }\n", "a reason without overrides; add overrides = true"),
        (VARIANT + "conditions = { overrides = true, head = 'x' }\n", "overrides needs a reason"),
        (
            VARIANT + "columns = { lift = 'A2:A5', lift_unit = '?', flow = [{ cells = 'B2:B5', side = 'intake' }] }\n",
            "lift_unit is still '?'; write the unit of the lifts, such as mm",
        ),
        (
            VARIANT + "columns = { lift = 'A2:A5', flow = [{ cells = 'down there', side = 'intake' }] }\n",
            "'down there' is not a range of cells",
        ),
        ("a = " + 2000 * "[" + "\n" + VARIANT, "too deep"),
        ("a = " + 5000 * "9" + "\n" + VARIANT, "too long"),
        ('[[variant]]\nname = "a"\nsheets = ["C:\\Users\\me\\a.csv"]\n', 'forward slashes, "C:/Users/me/a.csv"'),
        ('[[variant]]\nname = "a"\nsheets = ["D:\\new\\tests.csv"]\n', "backslash"),
        ("[[variant]]\nname = \u201ca\u201d\n", "line 2 has curly quotes"),
        ("[job\n", "not valid TOML"),
    ],
)
def test_what_cannot_be_understood_is_refused_with_the_reason(folder: Path, text: str, said: str) -> None:
    message = refusal(folder, text)
    assert said in message
    assert message.startswith("own.toml: ")
    assert "\n" not in message


def test_a_missing_job_file_and_one_that_is_no_text(tmp_path: Path) -> None:
    with pytest.raises(JobError, match="no such job file"):
        Job.load(tmp_path / "none.toml")
    (tmp_path / "own.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(JobError, match="not UTF-8"):
        Job.load(tmp_path / "own.toml")
    with pytest.raises(JobError, match="cannot be read"):
        Job.load(tmp_path)


def test_globs_worksheets_and_plain_names(folder: Path) -> None:
    assert [choice.path.name for choice in choose_sheets("*.csv", folder)] == ["as_received.csv"]
    (choice,) = choose_sheets("after_work.xlsx!seats recut", folder)
    assert (choice.path.name, choice.sheet) == ("after_work.xlsx", "seats recut")
    (choice,) = choose_sheets("none.csv", folder)
    assert choice.path == folder / "none.csv"
    odd = folder / "odd!name.csv"
    odd.write_text(SHEET)
    (choice,) = choose_sheets("odd!name.csv", folder)
    assert (choice.path, choice.sheet) == (odd, None)
    (choice,) = choose_sheets(str(folder / "as_rec*.csv"), folder)
    assert choice.path.name == "as_received.csv"


def test_each_variant_takes_the_tests_that_are_labelled_so(folder: Path) -> None:
    variants, findings = Job.load(folder / "job.toml").read()
    assert [len(variant.tests) for variant in variants] == [12, 12, 12, 12]
    assert {test.sheet for test in variants[2].tests} == {"ports blended"}
    assert findings == ()
    runs = sorted(test.run for test in variants[1].tests if (test.side, test.port) == ("intake", "1"))
    assert runs == [1, 2, 3]


def test_a_worksheet_can_be_taken_by_its_name_and_the_rest_is_not_lost(folder: Path) -> None:
    text = VARIANT + '[[variant]]\nname = "work"\nsheets = ["after_work.xlsx!ports blended"]\n'
    variants, findings = Job.load(write_job(folder, text)).read()
    assert {test.sheet for test in variants[1].tests} == {"ports blended"}
    assert {test.variant for test in variants[1].tests} == {"work"}
    unused = [finding for finding in findings if finding.rule == "tests-unused"]
    assert len(unused) == 2
    assert all(finding.severity == "note" for finding in unused)


@pytest.mark.parametrize(
    ("sheets", "said"),
    [
        ('["after_work.xlsx"]', "holds no tests of variant 'other'; it has 'seats recut'"),
        ('["after_work.xlsx!none"]', "has no worksheet 'none' with tests; it has 'seats recut'"),
        ('["none.csv"]', "none.csv"),
    ],
)
def test_a_variant_without_tests_is_an_error_finding_and_nothing_is_written(
    folder: Path, sheets: str, said: str
) -> None:
    job = Job.load(write_job(folder, VARIANT + f'[[variant]]\nname = "other"\nsheets = {sheets}\n'))
    variants, findings = job.read()
    assert [variant.name for variant in variants] == ["a"]
    errors = [finding for finding in findings if finding.severity == "error"]
    assert any(said in finding.where + finding.message for finding in errors)
    with pytest.raises(FlowkitError, match="nothing was written"):
        job.report(folder / "out")
    assert not (folder / "out").exists()


def test_geometry_of_the_job_is_joined_and_contradictions_are_errors(folder: Path) -> None:
    sheet = folder / "with_stem.csv"
    sheet.write_text("Stem,8 mm\n" + SHEET)
    text = '[valves.intake]\nhead = "38 mm"\nstem = "{stem}"\n[[variant]]\nname = "a"\nsheets = ["with_stem.csv"]\n'
    variants, findings = Job.load(write_job(folder, text.format(stem="8.004 mm"))).read()
    assert not findings
    assert variants[0].tests[0].conditions.valve_diameter_m == 0.038
    assert variants[0].tests[0].conditions.stem_diameter_m == 0.008
    _, findings = Job.load(write_job(folder, text.format(stem="7 mm"))).read()
    assert {finding.rule for finding in findings} == {"stated-contradicts"}
    assert "8 mm" in findings[0].message
    assert "7 mm" in findings[0].message


def test_bare_files_are_variants_named_after_them(tmp_path: Path) -> None:
    for name in ("before.csv", "after.csv"):
        (tmp_path / name).write_text(SHEET)
    job = Job.from_files([tmp_path / "before.csv", tmp_path / "after.csv"])
    assert [variant.name for variant in job.variants] == ["before", "after"]
    assert job.compare().sides["intake"].gains[0].mean_flow_gain == pytest.approx(0, abs=1e-12)
    (tmp_path / "other").mkdir()
    shutil.copy(tmp_path / "after.csv", tmp_path / "other" / "after.csv")
    with pytest.raises(JobError, match="two variants are named 'after'"):
        Job.from_files([tmp_path / "after.csv", tmp_path / "other" / "after.csv"])
    with pytest.raises(JobError, match="no sheets were given"):
        Job.from_files([])


def test_a_bare_workbook_gives_the_variants_it_labels(folder: Path) -> None:
    job = Job.from_files([folder / "as_received.csv", folder / "after_work.xlsx"])
    assert [variant.name for variant in job.variants] == [
        "as_received",
        "seats recut",
        "ports blended",
        "slim-stem valves",
    ]


def test_two_files_of_one_variant_give_runs_of_their_own(tmp_path: Path) -> None:
    for name in ("one.csv", "two.csv"):
        (tmp_path / name).write_text(SHEET)
    job = Job.load(write_job(tmp_path, '[[variant]]\nname = "a"\nsheets = ["one.csv", "two.csv"]\n'))
    (variant,), _ = job.read()
    assert sorted((test.port, test.run) for test in variant.tests) == [("1", 1), ("1", 2), ("2", 1), ("2", 2)]


def test_two_tests_without_a_port_are_not_taken_for_runs(tmp_path: Path) -> None:
    plain = SHEET.replace("Intake 1 (CFM),Intake 2 (CFM)", "Flow (CFM)").replace(",31.0", "").replace(",61.0", "")
    plain = plain.replace(",81.0", "")
    for name in ("one.csv", "two.csv"):
        (tmp_path / name).write_text("Side,intake\n" + plain)
    job = Job.load(write_job(tmp_path, '[[variant]]\nname = "a"\nsheets = ["one.csv", "two.csv"]\n'))
    _, findings = job.read()
    assert [finding.rule for finding in findings if finding.severity == "error"] == ["port-missing"]


def test_conditions_are_stated_per_variant(tmp_path: Path) -> None:
    (tmp_path / "bare.csv").write_text(SHEET.partition("\n")[2])
    stated = '[[variant]]\nname = "a"\nsheets = ["bare.csv"]\nconditions = { test_pressure = "10 inH2O" }\n'
    (variant,), findings = Job.load(write_job(tmp_path, stated)).read()
    assert variant.tests[0].conditions.test_pressure_pa == pytest.approx(2490.8891)
    assert not findings


def test_results_are_frozen_and_the_job_can_be_run_again(folder: Path) -> None:
    job = Job.load(folder / "job.toml")
    first, second = job.compare(), job.compare()
    assert first == second
    with pytest.raises(dataclasses.FrozenInstanceError):
        first.sides = {}  # type: ignore[misc]


def test_the_report_function_takes_a_path(folder: Path) -> None:
    written = report(folder / "job.toml", folder / "out", formats=["xlsx"])
    assert [path.suffix for path in written] == [".xlsx"]
    assert written[0].is_file()


def test_a_changed_cam_is_called_after_its_side_or_as_changed(folder: Path) -> None:
    job = Job.load(folder / "job.toml")
    job = dataclasses.replace(job, engine=dataclasses.replace(job.engine, speeds_rpm=(6000.0,)))  # type: ignore[type-var]
    assert [cam.name for cam in job.cams.values()] == ["intake cam", "exhaust cam"]
    said = whatif(job, cams=["intake.peak_lift=9mm"]).prediction or ""
    assert "with another intake cam (open " in said and "cam cam" not in said and "cam 'intake" not in said
    tables = {side: {**table, "name": f"{side} sport"} for side, table in job.cam_table.items()}
    # A variant with a cam of its own has another name; the job's cams are meant here.
    variants = tuple(dataclasses.replace(variant, cam={}) for variant in job.variants)
    named = dataclasses.replace(job, cam_table=tables, variants=variants)
    said = whatif(named, cams=["intake.peak_lift=9mm", "intake.lash=0 mm"]).prediction or ""
    assert "with another intake cam 'intake sport, changed' (open " in said
    said = whatif(named, cams=["exhaust.name=rally"]).prediction or ""
    assert "with another exhaust cam 'rally' (open " in said


def test_a_measured_cam_stands_instead_of_the_timing(folder: Path) -> None:
    job = Job.load(folder / "job.toml")
    job = dataclasses.replace(job, engine=dataclasses.replace(job.engine, speeds_rpm=(6000.0,)))  # type: ignore[type-var]
    rows = [(-150, 0), (-100, 1), (-60, 5), (0, 9), (60, 5), (100, 1), (150, 0)]
    text = "deg,lift (mm)\n" + "\n".join(f"{angle},{lift}" for angle, lift in rows)
    (folder / "cam.csv").write_text(text, encoding="utf-8")
    said = whatif(job, cams=["intake.table=cam.csv", "intake.centreline=108 ATDC"]).prediction or ""
    assert "with another intake cam 'cam.csv' (open 300° of crank, largest valve lift 9.00 mm)" in said
    for change in ("inlet.lash=0 mm", "intake.lash", "intake=3", "intake.lash="):
        with pytest.raises(EngineError, match="does not describe a change of a cam"):
            whatif(job, cams=[change])


def test_an_engine_is_asked_of_a_job_that_has_none(folder: Path) -> None:
    job = Job.load(folder / "job.toml")
    variants = tuple(dataclasses.replace(variant, engine={}, cam={}) for variant in job.variants)
    job = dataclasses.replace(job, engine=None, engine_table={}, cam_table={}, cams={}, variants=variants)
    results = job.run()
    assert results.engine is None
    for ask in (
        job.run_engine,
        lambda: whatif(job, bore="82 mm"),
        lambda: engine_of(job, results.comparison, results.variants),
    ):
        with pytest.raises(JobError, match=r"job\.toml: the job describes no engine; add an"):
            ask()


def test_samples_are_copied_whole_and_never_over_a_file(tmp_path: Path) -> None:
    path = copy_samples(tmp_path / "demo")
    assert sorted(item.name for item in path.parent.iterdir()) == sorted(
        item.name for item in sample_folder().iterdir() if item.is_file()
    )
    with pytest.raises(JobError, match="there is already"):
        copy_samples(tmp_path / "demo")


WRITTEN = """\
[job]
title = "a head"  # a remark that stays
display = "metric"

[conditions]
lift_unit = "mm"

[reference]
air = { temperature = "15 °C", humidity = "30 %" }
bore = "80.5 mm"
lifts = "2-6 mm"
switched_off = ["leakage"]

[bench]
drift = "0.25 %"

[engine]
cylinders = 4
bore = "80.5 mm"
stroke = "78.5 mm"
rod = "138 mm"
compression_ratio = 10.5

[records]
file = "shop.sqlite"

[[variant]]
name = "one"
sheets = [
    { file = "a.csv", conditions = { test_pressure = "25 inH2O", overrides = true, reason = "misread" }, leave_out = [
      "3:2", { cell = "line 4", reason = "blew out" }], values = [{ cell = "2:2", value = "31", reason = "note" }] },
]
state = { ports = "as cast", intake = { valves = "slim" } }
valves.intake = { head = "38 mm", seat_angle = 45 }
untouched = { intake = ["1"] }
reference = { bore = "82 mm" }
engine = { compression_ratio = 11 }
cam = { intake = { opens = "12 BTDC", closes = "52 ABDC", peak_lift = "9 mm", checking_lift = "1 mm" } }
conditions = { air_temperature = "21 °C", humidity = "45 %", leak = "0.4 CFM" }

[[variant]]
name = "two"
sheets = ["b.csv", "c.xlsx!ported"]
"""


def test_a_job_is_written_as_it_is_read(tmp_path: Path) -> None:
    """Made anew without its file, beside it with a change, and in another folder: what is read again is the same."""
    path = tmp_path / "job.toml"
    path.write_text(WRITTEN, encoding="utf-8")
    job = Job.load(path)
    fields = ("info", "reference", "bench", "switched_off", "engine", "engine_table", "cam_table", "meters")
    anew = replace(job, path=None, records=tmp_path / "shop.sqlite").write(tmp_path / "anew.toml")
    for name in (*fields, "variants", "records"):
        assert getattr(Job.load(anew), name) == getattr(job, name), name
    changed = job.with_(
        title="another", bore="81 mm", meters={"kind": "plate", "hole": "40 mm", "coefficient": 0.6, "place": "room"}
    )
    again = Job.load(changed.write(path))
    assert "# a remark that stays" in path.read_text(encoding="utf-8")
    assert (again.info.title, again.reference.bore_m, again.variants) == ("another", 0.081, job.variants)
    assert Job.load(replace(again, meters={}).write(path)).meters == {}
    (tmp_path / "other").mkdir()
    other = Job.load(again.write(tmp_path / "other" / "job.toml"))
    assert [c.path.resolve() for v in other.variants for c in v.sheets] == [
        c.path.resolve() for v in job.variants for c in v.sheets
    ]
    assert "../b.csv" in (tmp_path / "other" / "job.toml").read_text(encoding="utf-8")
    plain = Job.load(replace(job, bench=Bench(), path=path).write(path)).bench
    assert plain.drift is None
    mapped = replace(job.variants[0].stated, columns=ColumnMapping.from_mapping({"lift": "A2:A4", "flow": "B2:B4"}))
    with pytest.raises(JobError, match="a mapping of columns cannot be written"):
        replace(job, variants=(replace(job.variants[0], stated=mapped),), path=None).write(tmp_path / "x.toml")
    choice = job.variants[0].sheets[0]
    assert choice.stated is not None
    odd = replace(choice.stated, conditions=replace(choice.stated.conditions, date="2026-03-14"))
    sheets = (replace(choice, stated=odd), SheetChoice(Path("records:7/ported"), recorded="7/ported"))
    recorded = replace(job, variants=(replace(job.variants[0], sheets=sheets[1:]),), path=None)
    written = recorded.write(tmp_path / "other" / "recorded.toml").read_text(encoding="utf-8")
    assert 'sheets = ["records:7/ported"]' in written
    with pytest.raises(JobError, match="some conditions of a sheet count over what it says and some do not"):
        replace(job, variants=(replace(job.variants[0], sheets=sheets),), path=None).write(tmp_path / "x.toml")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (whatif, "nothing is changed"),
        (lambda job: whatif(job, variant="nope", cams=["intake.peak_lift=9.9mm"]), "no variant 'nope'"),
        (lambda job: whatif(job, variant="as received", cams=["intake.opens=16 BTDC"]), "change nothing"),
        (lambda job: job.engine_sweep("bore", ["80 mm"], variant="nope"), "no variant 'nope'"),
        (lambda job: job.engine_sweep("bore", "80 mm"), "is not a list of values"),
        (
            lambda job: replace(
                job, engine=None, engine_table={}, variants=tuple(replace(v, engine={}) for v in job.variants)
            ).engine_sweep("bore", ["80 mm"]),
            "the job describes no engine",
        ),
    ],
)
def test_a_change_that_changes_nothing_is_refused(change: Callable[[Job], object], said: str) -> None:
    with pytest.raises(FlowkitError, match=said):
        change(Job.load(sample_job()))


OVER = "conditions = { %s, overrides = true, reason = 'asked the operator' }"


@pytest.mark.parametrize(
    ("said", "lift_mm", "cfm", "inh2o"),
    [
        ("lift_unit = 'in'", 0.2 * 25.4, 30.0, 28.0),
        ("flow_unit = 'L/s'", 0.2, 30.0 / 0.4719474432, 28.0),  # a litre a second is 1/0.4719474432 CFM (NIST SP 811)
        ("pressure_unit = 'mmH2O'", 0.2, 30.0, 28.0 / 25.4),
        ("pressure_unit = 'inH2O'", 0.2, 30.0, 28.0),
    ],
)
def test_a_unit_that_counts_over_the_sheets_makes_its_numbers_others(
    tmp_path: Path, said: str, lift_mm: float, cfm: float, inh2o: float
) -> None:
    (tmp_path / "a.csv").write_text(
        "Test pressure,28 inH2O\nLift (mm),Intake 1 (CFM)\n0.1,15\n0.2,30\n0.3,44\n0.4,57\n"
    )
    path = tmp_path / "job.toml"
    path.write_text(f'[[variant]]\nname = "a"\nsheets = ["a.csv"]\n{OVER % said}\n')
    ((variant,), findings) = Job.load(path).read()
    (test,) = variant.tests
    point = test.points[1]
    assert point.lift_m * 1e3 == pytest.approx(lift_mm)
    assert from_si(point.flow_m3_s, "CFM") == pytest.approx(cfm)
    assert test.conditions.test_pressure_pa == pytest.approx(to_si(inh2o, "inH2O"))
    assert any("asked the operator" in finding.message for finding in findings) == ("'inH2O'" not in said)


def test_a_unit_of_another_quantity_cannot_count_over_the_sheet(tmp_path: Path) -> None:
    said = "flow_unit = 'kg/h'"
    (tmp_path / "a.csv").write_text("Test pressure,28 inH2O\nLift (mm),Intake 1 (CFM)\n2,30\n4,60\n6,80\n")
    path = tmp_path / "job.toml"
    path.write_text(f'[[variant]]\nname = "a"\nsheets = ["a.csv"]\n{OVER % said}\n')
    with pytest.raises(JobError, match="CFM cannot be read as kg/h; they measure different things"):
        Job.load(path).read()
