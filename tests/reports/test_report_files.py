"""Files of a report: chosen pages, the shop's logo, and nothing drawn again that is there already."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import pytest
from PIL import Image
from pypdf import PdfReader

from flowkit import Job
from flowkit.errors import FlowkitError
from flowkit.model import HandChange, JobInfo, ValveGeometry
from flowkit.reports import flow_chart, report_mark, write_report
from flowkit.reports.contents import ReportContents, state_facts
from flowkit.reports.pages import make_pages, page_files
from flowkit.samples import copy_samples
from tests.reports.invented import make_contents


@pytest.fixture(scope="module")
def small() -> ReportContents:
    return make_contents(variants=2, ports=2, lifts=4)


def test_nothing_new_is_drawn_where_the_very_same_report_is_there(small: ReportContents, tmp_path: Path) -> None:
    formats = ("pdf", "png", "svg", "xlsx")
    written = write_report(small, tmp_path, formats=formats)
    before = [path.stat().st_mtime_ns for path in written]
    assert write_report(small, tmp_path, formats=formats) == written
    assert [path.stat().st_mtime_ns for path in written] == before
    changed = replace(small, info=replace(small.info, title="Another title"))
    write_report(changed, tmp_path, formats=formats)
    assert all(path.stat().st_mtime_ns > old for path, old in zip(written, before, strict=True))


def test_whatever_a_report_shows_changes_its_mark(small: ReportContents) -> None:
    """A figure, a sentence, a valve or an operator that is another makes the report a new one."""
    mark = report_mark(small, "letter")
    first, *others = small.variants
    test, *rest = first.tests
    compared = small.comparison
    side = compared.sides["intake"]
    gain, *gains = side.gains
    other_gain = replace(side, gains=(replace(gain, mean_flow_gain=gain.mean_flow_gain + 1e-9), *gains))
    changed = (
        replace(small, variants=(replace(first, valves={"intake": ValveGeometry(head_m=0.04)}), *others)),
        replace(small, variants=(replace(first, state={"intake": {"ports": "new"}}), *others)),
        replace(
            small,
            variants=(
                replace(first, tests=(replace(test, conditions=replace(test.conditions, operator="new")), *rest)),
                *others,
            ),
        ),
        replace(small, comparison=replace(compared, sentences=("Another sentence.",))),
        replace(small, comparison=replace(compared, sides={**compared.sides, "intake": other_gain})),
    )
    marks = [report_mark(contents, "letter") for contents in changed]
    assert len({mark, *marks}) == len(changed) + 1


def test_a_valve_changed_in_the_job_file_makes_a_new_report(tmp_path: Path) -> None:
    job = copy_samples(tmp_path)
    (path,) = Job.load(job).report(tmp_path / "out", formats=["html"])
    before = path.read_bytes()
    text = job.read_text(encoding="utf-8")
    assert 'stem = "' in text
    job.write_text(re.sub(r'stem = "[^"]*"', 'stem = "5 mm"', text), encoding="utf-8")
    Job.load(job).report(tmp_path / "out", formats=["html"])
    assert path.read_bytes() != before


def test_a_damaged_file_is_written_anew(small: ReportContents, tmp_path: Path) -> None:
    (path,) = write_report(small, tmp_path, formats=("pdf",))
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    write_report(small, tmp_path, formats=("pdf",))
    assert path.read_bytes() == whole


def test_pages_are_chosen_by_their_numbers(small: ReportContents) -> None:
    whole = PdfReader(io.BytesIO(page_files(small, formats=("pdf",))["pdf"]))
    some = PdfReader(io.BytesIO(page_files(small, formats=("pdf",), chosen=(1, 3))["pdf"]))
    assert [page.extract_text() for page in some.pages] == [whole.pages[i].extract_text() for i in (0, 2)]
    with pytest.raises(FlowkitError, match="no page 99"):
        page_files(small, formats=("pdf",), chosen=(99,))


def test_the_logo_is_at_the_top_right_and_the_headline_leaves_it_room(small: ReportContents, tmp_path: Path) -> None:
    picture = tmp_path / "logo.png"
    Image.new("RGB", (300, 100), "navy").save(picture)
    with_logo = replace(small, info=replace(small.info, logo=str(picture)))
    page = make_pages(with_logo)[0]
    box = page.figure.axes[0].get_position()
    assert box.x1 == pytest.approx(1 - page.paper.right / page.paper.width)
    assert box.width * page.paper.width <= 110.1 and box.y1 > 0.9
    picture.write_bytes(b"no picture")
    with pytest.raises(FlowkitError, match="cannot be read as a picture"):
        make_pages(with_logo)


def test_what_was_changed_by_hand_is_listed_with_its_reason(small: ReportContents) -> None:
    changes = (
        HandChange("b.xlsx", "one", "C9", "flow", "221.5", "212.5", "digits swapped; asked the operator"),
        HandChange("b.xlsx", "one", "B7", "flow", "88.1", None, "noisy"),
    )
    first = replace(small.variants[0], changes=changes)
    pages = make_pages(replace(small, variants=(first, *small.variants[1:])))
    shown = [" ".join(item.text for item in page.cells.items) for page in pages]
    assert "2 values were changed or left out by hand: see the last page" in shown[0]
    words = " ".join(shown[1:])
    assert "b.xlsx!one!C9: flow 212.5 used, the sheet says 221.5. Reason: digits swapped; asked the operator" in words
    assert "b.xlsx!one!B7: flow 88.1 left out. Reason: noisy" in words


def test_what_holds_of_all_states_is_said_once_and_the_rest_by_state(small: ReportContents) -> None:
    first, second = small.variants
    tests = tuple(replace(test, conditions=replace(test.conditions, bench="bench B")) for test in second.tests)
    facts = state_facts(replace(small, variants=(first, replace(second, tests=tests))))
    assert "bench" in facts.labels and "bench" not in dict(facts.common)
    place = facts.labels.index("bench")
    assert [values[place] for _, values in facts.rows] == ["bench A", "bench B"]


def test_a_single_state_has_no_word_of_gain() -> None:
    pages = make_pages(replace(make_contents(variants=1), info=JobInfo(title="One state")))
    words = " ".join(item.text for page in pages[:1] for item in page.cells.items)
    assert "gain" not in words.casefold() and "proven" not in words and "step" not in words


def test_attach_takes_the_flow_chart_from_the_report_that_is_there(small: ReportContents, tmp_path: Path) -> None:
    write_report(small, tmp_path / "report", formats=["pdf"])
    there = (tmp_path / "report" / "flow_chart.pdf").read_bytes()
    with patch("flowkit.reports.pages.page_files", side_effect=AssertionError("drawn again")):
        assert flow_chart(small, "pdf", "letter", tmp_path) == there
        with pytest.raises(AssertionError, match="drawn again"):
            flow_chart(small, "pdf", "a4", tmp_path)  # on other paper it is another chart
        with pytest.raises(AssertionError, match="drawn again"):
            flow_chart(replace(small, info=replace(small.info, title="another job")), "pdf", "letter", tmp_path)
