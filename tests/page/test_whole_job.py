"""The whole job with a mouse, in a real browser: three messy sheets in, the chart out."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pypdf

import flowkit
from flowkit.samples import sample_folder

from .browsing import MESSY, User


def test_sheets_dropped_one_question_answered_result_seen_and_report_kept(
    chromium: Any, folder: Path, serve: Any, tmp_path: Path
) -> None:
    _, address = serve(folder)
    user = User(chromium, address)
    messy = tmp_path / "from the bench RH.csv"
    messy.write_text(MESSY)
    user.drop(sample_folder() / "as_received.csv", sample_folder() / "after_work.xlsx", messy)
    user.sees("3 sheets taken into the job")
    # One question settles the unit; the slip is asked of at its cell.
    user.click("from the bench RH.csv\n1 question\nnothing of it can be used yet")
    user.sees("What are these flows in?")
    user.click("CFM", ".question")
    user.sees("the curve through its neighbours gives 10")
    assert 'flow_unit = "CFM"' in (folder / "job.toml").read_text()
    assert messy.read_text() == MESSY == (folder / messy.name).read_text()
    assert "180.9" in user.find("td.asked").text
    user.click("3 Result")
    user.sees("What each step was worth")
    # The page shows the library's own figures.
    job = flowkit.Job.load(folder / "job.toml")
    comparison = job.compare()
    shown = user.find(".steps-table").text
    for side in comparison.sides.values():
        for gain in side.steps:
            assert f"{100 * gain.mean_flow_gain:+.1f} %".replace("-", "−") in shown
    user.click("5 Build file")
    user.click("Make the report")
    user.sees("Made of the job as it is now", 120)
    user.click("PDF")
    kept = user.until(lambda: next(iter(chromium.downloads.glob("flow_chart*.pdf")), None))
    pages = pypdf.PdfReader(io.BytesIO(kept.read_bytes())).pages
    assert "slim-stem valves" in pages[0].extract_text()
    assert user.complaints() == []
