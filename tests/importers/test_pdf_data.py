"""Flow tests read back from a report's attachment."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfWriter

from flowkit.errors import SheetError
from flowkit.importers import read
from flowkit.importers.files.own import ATTACHMENT, carried, finding_from_json, test_from_json
from flowkit.importers.result import ReadResult
from flowkit.model import Conditions, Finding, FlowTest, Point, Units, UnitSource
from flowkit.output import jsonable


def write_pdf(path: Path, *contents: bytes, name: str = ATTACHMENT, password: str = "") -> Path:
    writer = PdfWriter()
    writer.add_blank_page(100, 100)
    for content in contents:
        writer.add_attachment(name, content)
    if password:
        writer.encrypt(password)
    writer.write(path)
    return path


def example() -> ReadResult:
    return read("sample_sheets/as_received.csv")


def document() -> dict[str, Any]:
    loaded = json.loads(example().to_json())
    assert isinstance(loaded, dict)
    return loaded


def test_round_trip(tmp_path: Path) -> None:
    result = example()
    noted = ReadResult(result.tests, (Finding("falling-flow", "warning", "a.csv:3:2", "…"),))
    path = write_pdf(tmp_path / "report.pdf", noted.to_json().encode())
    assert read(path) == noted


def test_keys_added_later_do_not_disturb(tmp_path: Path) -> None:
    data = document()
    data["tests"][0]["ledger"] = []
    data["more"] = {"a": 1}
    del data["findings"]
    del data["tests"][0]["conditions"]["exit_fitting"]
    assert read(write_pdf(tmp_path / "a.pdf", json.dumps(data).encode())).tests == example().tests


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"{", "cannot be used"),
        (b"[1]", 'not a document of kind "read"'),
        (b'{"kind": "compare", "tests": []}', 'not a document of kind "read"'),
        (b'{"kind": "read", "tests": 3}', 'not a document of kind "read"'),
        (b'{"kind": "read", "tests": [], "findings": 3}', 'not a document of kind "read"'),
        (b'{"kind": "read", "tests": [{"run": NaN}]}', "NaN is not a number"),
        (b"[" * 200_000, "cannot be used"),
        (b"\xff\xfe", "cannot be used"),
        (b" " * 10_000_001, "10 MB"),
    ],
)
def test_attachment_that_cannot_be_used(tmp_path: Path, content: bytes, message: str) -> None:
    with pytest.raises(SheetError, match=message) as caught:
        read(write_pdf(tmp_path / "a.pdf", content), label="old/a.pdf")
    assert str(caught.value).startswith("old/a.pdf: ")


def test_pdf_without_readings(tmp_path: Path) -> None:
    assert carried(write_pdf(tmp_path / "a.pdf").read_bytes()) is None
    assert carried(write_pdf(tmp_path / "b.pdf", b"{}", name="invoice.xml").read_bytes()) is None
    assert carried(Path("sample_sheets/as_received.csv").read_bytes()) is None


def test_pdf_with_two_sets_of_readings(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="two different sets"):
        read(write_pdf(tmp_path / "a.pdf", b"{}", b"[]"))


def test_pdf_with_a_password(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="password"):
        read(write_pdf(tmp_path / "a.pdf", b"{}", password="x"))


@pytest.mark.parametrize("content", [b"%PDF-1.7\n", b"%PDF-1.7\ntrailer<<>>\n%%EOF"])
def test_broken_pdf(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.pdf").write_bytes(content)
    with pytest.raises(SheetError, match="cut off or broken"):
        read(tmp_path / "a.pdf")


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_change_to_a_pdf_is_read_or_refused(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    path = write_pdf(tmp_path_factory.mktemp("pdf") / "a.pdf", example().to_json().encode())
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(bytes(content[: data.draw(st.integers(len(content) // 2, len(content)))]))
    try:
        read(path)
    except SheetError as error:
        assert str(error)


TEST = jsonable(
    FlowTest(
        "a",
        "a.csv",
        None,
        None,
        "stock",
        "intake",
        "1",
        1,
        Conditions(test_pressure_pa=7000.0, date="2026-03-18"),
        Units(UnitSource("mm", "stated"), UnitSource("CFM", "assumed"), UnitSource("inH2O", "stated")),
        (Point(0.002, 0.014, None, "a.csv:2:2"), Point(0.004, 0.028, 7000.0, "a.csv:3:2")),
    )
)


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (["id"], None, "id is not text"),
        (["file"], 3, "file is not text"),
        (["variant"], None, "variant is not text"),
        (["port"], 1, "port is not text"),
        (["side"], "left", "side is 'left', not one of intake, exhaust"),
        (["side"], 3, "side is not text"),
        (["run"], 0, "run is not a whole number of 1 or more"),
        (["run"], True, "run is not a whole number"),
        (["run"], 1.5, "run is not a whole number"),
        (["points"], None, "points is not a list"),
        (["points", 0], 3, r"points\[0\] is not an object"),
        (["points", 0, "lift_m"], "2", "lift_m is not a number"),
        (["points", 0, "lift_m"], -0.001, "lift_m is below zero"),
        (["points", 0, "lift_m"], 10**400, "lift_m is not a number"),
        (["points", 0, "flow_m3_s"], None, "flow_m3_s is not a number"),
        (["points", 0, "flow_m3_s"], True, "flow_m3_s is not a number"),
        (["points", 1, "pressure_pa"], 0, "pressure_pa is not above zero"),
        (["points", 1, "source"], None, "source is not text"),
        (["conditions"], None, "conditions is not an object"),
        (["conditions", "test_pressure_pa"], "28", "test_pressure_pa is not a number"),
        (["conditions", "date"], 2026, "date is not text"),
        (["units", "lift"], None, "units.lift is not an object"),
        (["units", "flow", "unit"], "bananas", "unit is 'bananas', which is not a unit"),
        (["units", "flow", "source"], "guessed", "source is 'guessed'"),
    ],
)
def test_every_value_is_looked_at(path: list[str | int], value: object, message: str) -> None:
    data = copy.deepcopy(TEST)
    inner = data
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    with pytest.raises(SheetError, match=message):
        test_from_json(data, place="tests[0]", file="a.pdf")


def test_what_is_no_object_is_refused() -> None:
    with pytest.raises(SheetError, match="test is not an object"):
        test_from_json([])
    with pytest.raises(SheetError, match="severity"):
        finding_from_json({"rule": "a", "severity": "fatal", "where": "", "message": ""})
    with pytest.raises(SheetError, match="message is not text"):
        finding_from_json({"rule": "a", "severity": "note", "where": ""})


def test_whole_tests_come_back() -> None:
    assert jsonable(test_from_json(TEST)) == TEST
    bare = copy.deepcopy(TEST)
    bare["units"]["pressure"] = None
    assert test_from_json(bare).units.pressure is None


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from([*TEST, "lift_m", "unit"]), inner, max_size=4)
    ),
    max_leaves=8,
)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(sorted(TEST)), json_values)
def test_any_value_in_any_place_is_taken_or_refused(key: str, value: object) -> None:
    data = copy.deepcopy(TEST)
    data[key] = value
    try:
        assert isinstance(test_from_json(data), FlowTest)
    except SheetError as error:
        assert "cannot be used" in str(error)
