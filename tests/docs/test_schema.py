"""What the command prints with --json is what the published schema says, failures included."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from flowkit.samples import copy_samples
from tests.docs.blocks import results_of

pytestmark = pytest.mark.slow

SCHEMA = json.loads(
    (Path(__file__).resolve().parent.parent.parent / "docs/reference/results.schema.json").read_text(encoding="utf-8")
)
WHOLE = Draft202012Validator(SCHEMA)

BAD_SHEETS = {
    "no_pressure.csv": "lift mm,intake 1 CFM\n2,30\n4,60\n",
    "text.csv": "Test pressure,28 inH2O\nlift mm,intake 1 CFM\n2,30\n4,lots\n6,80\n",
    "empty.csv": "",
    "no_unit.csv": "Test pressure,28 inH2O\nlift,intake 1 CFM\n0.4,30\n0.8,45\n1.2,60\n",
}


READINGS = (
    "State,a\nTest pressure,10 inH2O\nAir temperature,21 °C\nBarometer,1002 hPa\nHumidity,45 %\n"
    "Liquid temperature,20 °C\nLeak reading,1 mm\n\nLift (mm),Intake 1 manometer (mm),Intake 1 meter temperature (°C)\n"
    "2,300.5,22\n4,600.5,22\n6,800.1,22\n"
)
METER = """
[meter]
kind = "plate"
hole = "40 mm"
coefficient = 0.61
u_calibration = "0.8 %"
place = "chamber"
manometer = { liquid = "water", liquid_temperature = "20 °C" }
[[meter.certificate]]
flow = "150 CFM"
at = "28 inH2O"
u = "0.4 %"
reading = "430 mm"
test_pressure = "10 inH2O"
direction = "draws"
air_temperature = "21 °C"
barometer = "1002 hPa"
humidity = "45 %"
[[variant]]
name = "a"
sheets = [{ file = "readings.csv", conditions = { liquid_temperature = "20 °C" } }]
[[variant]]
name = "b"
sheets = [{ file = "readings.csv", conditions = { liquid_temperature = "20 °C" } }]
"""


def kind(name):
    """The schema of one kind alone, so that a message says what is wrong and not that none of six fits."""
    return Draft202012Validator({"$schema": SCHEMA["$schema"], "$ref": f"#/$defs/{name}", "$defs": SCHEMA["$defs"]})


def document_of(*words):
    """The exit status and the document that a command prints on standard output."""
    status, printed = results_of([*words, "--json"])
    return status, json.loads(printed)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The sample job, a job without engine, and sheets with something wrong."""
    path = tmp_path_factory.mktemp("schema")
    job = copy_samples(path / "job")
    short = job.read_text(encoding="utf-8").replace('peak_lift = "9.8 mm"', 'peak_lift = "12 mm"')
    speeds = short.replace("compression_ratio = 10.2", 'compression_ratio = 10.2\nspeeds = ["5000 rpm"]')
    (path / "job" / "short.toml").write_text(speeds, encoding="utf-8")
    quick = job.read_text(encoding="utf-8").replace(
        "compression_ratio = 10.2", 'compression_ratio = 10.2\nspeeds = ["5000 rpm"]'
    )
    job.write_text(quick, encoding="utf-8")
    for name, text in BAD_SHEETS.items():
        (path / name).write_text(text, encoding="utf-8")
    (path / "bad.toml").write_text("[jbo]\n", encoding="utf-8")
    (path / "readings.csv").write_text(READINGS, encoding="utf-8")
    (path / "readings.toml").write_text(METER, encoding="utf-8")
    shutil.copy(job.parent / "as_received.csv", path / "one.csv")
    return path


@pytest.mark.parametrize(
    ("name", "words", "status"),
    [
        ("read", ["read", "job/as_received.csv", "job/after_work.xlsx"], 0),
        ("read", ["read", "no_pressure.csv"], 1),
        ("read", ["read", "text.csv", "empty.csv", "missing.csv"], 1),
        ("read", ["read", "no_unit.csv"], 1),
        ("check", ["check", "text.csv"], 1),
        ("check", ["check", "job/job.toml"], 0),
        ("correct", ["correct", "job/job.toml"], 0),
        ("correct", ["correct", "no_pressure.csv"], 1),
        ("correct", ["correct", "bad.toml"], 1),
        ("compare", ["compare", "job/job.toml"], 0),
        ("compare", ["compare", "one.csv"], 0),
        ("compare", ["compare", "no_pressure.csv", "text.csv"], 1),
        ("compare", ["compare", "missing.toml"], 1),
        ("plan", ["plan", "job/job.toml"], 0),
        ("plan", ["plan", "bad.toml"], 1),
        ("plan", ["plan", "missing.toml"], 1),
        ("engine", ["engine", "job/job.toml"], 0),
        ("engine", ["engine", "job/short.toml"], 1),
        ("engine", ["engine", "bad.toml"], 1),
        ("engine", ["whatif", "job/job.toml", "--valve", "intake.stem=6mm"], 0),
        ("read", ["read", "readings.csv"], 0),
        ("correct", ["correct", "readings.toml"], 0),
        ("compare", ["compare", "readings.toml"], 0),
        ("meter", ["meter", "readings.toml"], 0),
        ("meter", ["meter", "job/job.toml"], 1),
        ("records", ["records", "add", "job", "readings.toml", "--records", "shop.sqlite"], 0),
        ("records", ["records", "find", "--records", "shop.sqlite"], 0),
        ("records", ["records", "rank", "job/job.toml", "--records", "shop.sqlite"], 0),
        ("records", ["records", "bench", "--records", "shop.sqlite"], 0),
        ("records", ["records", "rebuild", "--records", "shop.sqlite"], 0),
        ("records", ["records", "find", "--records", "none.sqlite"], 1),
        ("records", ["records", "rank", "bad.toml", "--records", "shop.sqlite"], 1),
    ],
    ids=lambda value: "-".join(value) if isinstance(value, list) else None,
)
def test_documents_follow_the_schema(name, words, status, folder, monkeypatch):
    """Each verb that has --json, on good and on bad input."""
    monkeypatch.chdir(folder)
    got, document = document_of(*words)
    assert got == status
    assert document["kind"] == name
    errors = [f"{error.json_path}: {error.message}" for error in kind(name).iter_errors(document)]
    assert not errors
    assert WHOLE.is_valid(document)
    if status:
        assert any(finding["severity"] == "error" for finding in document["findings"])


def test_the_schema_is_one_and_names_every_kind():
    """It is a valid schema, and what is left out or of another type is told."""
    Draft202012Validator.check_schema(SCHEMA)
    kinds = {SCHEMA["$defs"][ref["$ref"].rsplit("/", 1)[1]]["properties"]["kind"]["const"] for ref in SCHEMA["oneOf"]}
    assert kinds == {"read", "check", "correct", "compare", "plan", "engine", "attach", "meter", "records"}


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("reference", "pressure_pa"), "28 inH2O"),
        (("sides", "intake", "gains", 0, "mean_flow_gain"), None),
        (("sides", "intake", "gains", 0, "resolved"), "yes"),
        (("sides", "intake", "variants", 0, "ports", 0, "port"), 1),
        (("findings",), [{"rule": "x"}]),
        (("kind",), "comparison"),
    ],
)
def test_a_wrong_document_is_told(path, value, folder, monkeypatch):
    """The schema bites."""
    monkeypatch.chdir(folder)
    _, document = document_of("compare", "one.csv", "job/after_work.xlsx")
    assert WHOLE.is_valid(document)
    place = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    assert not WHOLE.is_valid(document)
