"""Answers as edits of the job file: what is stated of one sheet never counts for another."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import tomlkit

import flowkit
from flowkit.model import SIDES, Side
from flowkit.page import answers

ROWS = "".join(f"{lift},{20 * lift},{18 * lift}\n" for lift in range(1, 9))
BARE = f"Lift,A,B\n{ROWS}"
SAID = f"Test pressure,28 inH2O\nLift (mm),Intake 1 (CFM),Intake 2 (CFM)\n{ROWS}"
COLUMNS = (
    'columns = {lift = "2:1-9:1", lift_unit = "mm", flow_unit = "CFM", flow = ['
    '{cells = "2:2-9:2", side = "intake", port = "1"}, {cells = "2:3-9:3", side = "intake", port = "2"}]}'
)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """Two states of a sheet each; the first is described by hand."""
    (tmp_path / "bare.csv").write_text(BARE)
    (tmp_path / "said.csv").write_text(SAID)
    path = tmp_path / "job.toml"
    path.write_text(
        f'[[variant]]\nname = "one"\nsheets = ["bare.csv"]\n{COLUMNS}\nconditions = {{test_pressure = "10 inH2O"}}\n\n'
        '[[variant]]\nname = "two"\nsheets = ["said.csv"]\n'
    )
    return path


def pressures(job: Path) -> dict[str, set[float]]:
    """The test pressure of each file, in inH2O."""
    read, findings = flowkit.Job.load(job).read()
    assert not [item for item in findings if item.severity == "error"], findings
    found: dict[str, set[float]] = {}
    for variant in read:
        for test in variant.tests:
            assert test.conditions.test_pressure_pa is not None
            found.setdefault(test.file, set()).add(round(test.conditions.test_pressure_pa / 249.0889, 3))
    return found


@pytest.mark.parametrize(("file", "source", "target"), [("said.csv", "two", "one"), ("bare.csv", "one", "two")])
def test_a_sheet_that_is_moved_keeps_what_was_stated_of_it_alone(
    job: Path, file: str, source: str, target: str
) -> None:
    document = tomlkit.parse(job.read_text())
    answers.move_sheet(document, file, source, target)
    job.write_text(tomlkit.dumps(document))
    assert [variant.name for variant in flowkit.Job.load(job).variants] == [target]
    assert pressures(job) == {"bare.csv": {10.0}, "said.csv": {28.0}}


def test_a_sheet_that_joins_a_state_is_not_described_by_what_was_stated_of_the_first(job: Path) -> None:
    document = tomlkit.parse(job.read_text())
    answers.drop_sheet(document, "said.csv")
    answers.add_sheet(document, "said.csv", "one")
    answers.set_columns(
        document, "said.csv", tomlkit.parse(COLUMNS.replace("2:", "3:").replace("9:", "10:"))["columns"]
    )
    job.write_text(tomlkit.dumps(document))
    assert pressures(job) == {"bare.csv": {10.0}, "said.csv": {28.0}}
    assert [words for words, *_ in answers.said_of(document, "said.csv")] == ["what each column is"]
    answers.take_back(document, "said.csv", "columns", "")
    job.write_text(tomlkit.dumps(document))
    assert answers.said_of(document, "said.csv") == [] and pressures(job)["said.csv"] == {28.0}


def test_what_nobody_stated_is_not_ticked_behind_a_state_from_the_records() -> None:
    document = tomlkit.parse(
        '[[variant]]\nname = "recorded"\nsheets = ["records:1/a"]\n'
        '[[variant]]\nname = "as received"\nsheets = ["a.csv"]\nstate = {seats = "stock", ports = "stock"}\n'
        '[[variant]]\nname = "ported"\nsheets = ["b.csv"]\nstate = {seats = "stock", ports = "ported"}\n'
        '[[variant]]\nname = "recut"\nsheets = ["c.csv"]\nstate = {seats = "recut", ports = "ported"}\n'
    )
    ports = {side: frozenset({"ports"}) for side in SIDES}
    seats = {side: frozenset({"seats"}) for side in SIDES}
    nothing: dict[Side, frozenset[str]] = {side: frozenset() for side in SIDES}
    assert answers.changes(document) == [nothing, None, ports, seats]
    # An answer further on leaves the unanswered one open.
    answers.set_changes(document, "recut", {"intake": ["seats", "valves"], "exhaust": ["seats"]})
    assert "state" not in document["variant"][0]
    assert answers.changes(document)[1:3] == [None, ports]
    assert answers.changes(document)[3] == {"intake": frozenset({"seats", "valves"}), "exhaust": frozenset({"seats"})}
    # Answered, it counts, and the others stay as they were.
    answers.set_changes(document, "as received", nothing)
    assert answers.changes(document)[:3] == [nothing, nothing, ports]
    assert answers.changes(document)[3] == {"intake": frozenset({"seats", "valves"}), "exhaust": frozenset({"seats"})}


def test_a_new_state_named_like_one_that_is_there_is_that_one(job: Path) -> None:
    document = tomlkit.parse(job.read_text())
    for name in ("two", " TWO "):
        state = answers.state_called(document, name)
        assert state["sheets"] == ["said.csv"], name
    assert len(answers.variants(document)) == 2 and answers.state_called(document, "three")["sheets"] == []


@pytest.mark.parametrize(
    "change", [lambda d: answers.drop_sheet(d, "said.csv"), lambda d: answers.move_sheet(d, "said.csv", "two", "one")]
)
def test_a_sheet_that_a_pattern_takes_is_not_said_to_be_gone(job: Path, change: Any) -> None:
    document = tomlkit.parse(job.read_text().replace('"said.csv"', '"sa*.csv"'))
    with pytest.raises(flowkit.FlowkitError, match=r"takes said.csv by the pattern 'sa\*.csv'"):
        change(document)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: answers.rename_variant(d, "one", " "), "a state needs a name"),
        (lambda d: answers.rename_variant(d, "one", "Two"), "a state named 'Two' already"),
        (lambda d: answers.rename_variant(d, "gone", "three"), "no state 'gone' any more"),
        (lambda d: answers.move_variant(d, "gone", 1), "no state 'gone' any more"),
        (lambda d: answers.set_changes(d, "one", {"intake": ["ports"]}), "not a state after another"),
        (lambda d: answers.set_changes(d, "gone", {"intake": ["ports"]}), "not a state after another"),
    ],
)
def test_an_answer_to_a_page_that_is_out_of_date_is_refused(job: Path, change: Any, said: str) -> None:
    document = tomlkit.parse(job.read_text())
    with pytest.raises(flowkit.FlowkitError, match=said):
        change(document)
    assert tomlkit.dumps(document) == job.read_text()


def test_one_of_two_sheets_of_a_state_can_go_and_so_can_the_last_state(job: Path) -> None:
    document = tomlkit.parse(job.read_text())
    answers.move_sheet(document, "said.csv", "two", "one")
    answers.drop_sheet(document, "bare.csv")
    job.write_text(tomlkit.dumps(document))
    assert pressures(job) == {"said.csv": {28.0}}
    answers.drop_sheet(document, "said.csv")
    assert "variant" not in document


def test_an_emptied_field_leaves_no_empty_table_behind() -> None:
    document = tomlkit.parse('[bench]\ndrift = "0.2 %"\nstandard_air = {temperature = "20 °C"}\n')
    answers.set_table_value(document, ("bench", "standard_air", "temperature"), None)
    assert document.unwrap() == {"bench": {"drift": "0.2 %"}}
    answers.set_table_value(document, ("bench", "drift"), "")
    answers.set_table_value(document, ("engine", "bore"), "")
    assert document.unwrap() == {}
    document = tomlkit.parse('[[variant]]\nname = "a"\nsheets = ["a.csv"]\n')
    answers.set_table_value(document, ("variant", 0, "valves", "intake", "stem"), "7 mm")
    assert document.unwrap()["variant"][0]["valves"] == {"intake": {"stem": "7 mm"}}
    answers.set_table_value(document, ("variant", 0, "valves", "intake", "stem"), None)
    assert document.unwrap()["variant"] == [{"name": "a", "sheets": ["a.csv"]}]
