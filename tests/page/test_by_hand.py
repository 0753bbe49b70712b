"""What is done by hand, in a real browser: dragging, sliding, choosing a baseline, a meter, keys alone."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import docx
import pytest
import tomlkit

import flowkit
from flowkit.samples import sample_folder, sample_job

from .browsing import MESSY, User

pytestmark = pytest.mark.slow


def written(folder: Path) -> dict[str, Any]:
    """The job file as it is now."""
    return tomllib.loads((folder / "job.toml").read_text())


def test_sheets_are_dragged_to_states_and_heads(visit: Any, folder: Path, served: Any) -> None:
    for name, more in (("stock", 0), ("again", 0.3), ("ported", 3)):
        rows = "".join(f"{lift},{20 * lift - lift * lift + more:.1f}\n" for lift in range(1, 9))
        (folder / f"{name}.csv").write_text(f"Test pressure,28 inH2O\nLift (mm),Intake 1 (CFM)\n{rows}")
    user = visit(served(folder))
    user.window(1280, 1400)
    user.go("/heads")
    user.page.locator("html.js").wait_for(state="attached")
    chip = '.chip[data-file="again.csv"]'
    user.page.locator(chip).drag_to(user.page.locator('.state[data-state="stock"] .statehead'))
    user.sees("again.csv moved to stock")
    assert [len(item["sheets"]) for item in written(folder)["variant"]] == [2, 1]
    # Lanes of heads appear while a sheet is in the hand.
    lane = '.state[data-state="stock"] .offers [data-head="left"]'
    assert not user.find(lane).is_visible()
    for _ in range(3):  # a busy computer may let go of the sheet before the drag has begun
        box = user.find(chip).bounding_box()
        user.page.mouse.move(box["x"] + 8, box["y"] + 8)
        user.page.mouse.down()
        user.page.mouse.move(box["x"] + 24, box["y"] + 16, steps=5)
        user.page.wait_for_timeout(500)
        if user.find(lane).is_visible():
            break
        user.page.mouse.up()
    user.find(lane).wait_for(state="visible")
    place = user.find(lane).bounding_box()
    user.page.mouse.move(place["x"] + 12, place["y"] + 12, steps=3)
    user.page.mouse.up()
    user.sees("head left (again.csv)")
    assert written(folder)["variant"][0]["sheets"][1] == {"file": "again.csv", "conditions": {"head": "left"}}
    user.find('.lane[data-head="left"] ' + chip).wait_for()
    user.click("Undo")
    user.sees("Undone: head left")
    assert user.complaints() == []


def test_what_if_shows_its_effect_while_a_field_moves(visit: Any, sample: Path, served: Any) -> None:
    user = visit(served(sample))
    before = (sample / "job.toml").read_bytes()
    user.go("/engine")
    user.page.locator("html.js").wait_for(state="attached")
    # No slider moves by itself onto a step of its own: an untouched one changes nothing.
    left = "e => e.map(i => [i.value, i.getAttribute('value')].map(Number))"
    assert all(now == said for now, said in user.page.eval_on_selector_all("#whatif input[type=range]", left))
    slider = user.find('input[name="bore"]')
    slider.evaluate("e => { window.held = e; }")
    slider.focus()
    for _ in range(6):
        slider.press("ArrowRight")
    # From the last state's own engine: its block is bored to 81 mm, the job's is 80.5 mm.
    assert float(user.text('output[for="w-1"]')) == pytest.approx(81.6)
    assert "(now 81.0)" in user.text("#whatif") and "(now 11.2)" in user.text("#whatif")
    user.until("() => document.querySelector('#outcome dl.said')", 90)
    first = user.text("#outcome dl.said")
    # The very slider is still there and in the hand; only what it does was replaced.
    assert slider.evaluate("e => e === window.held && document.activeElement === e")
    for _ in range(12):
        slider.press("ArrowRight")
    user.page.wait_for_function(
        "t => { const d = document.querySelector('#outcome dl.said'); return d && d.innerText !== t; }", arg=first,
        timeout=90_000,
    )  # fmt: skip
    assert user.all("#outcome svg.flow-chart") and user.complaints() == []
    assert (sample / "job.toml").read_bytes() == before


def test_a_recorded_job_is_found_compared_with_and_its_benchs_history_seen(
    visit: Any, folder: Path, served: Any
) -> None:
    from flowkit.job.record import add_to_records
    from flowkit.records.store import Store

    with Store(folder / "shop.db", write=True) as store:
        list(add_to_records(store, [Path(sample_job())], workers=1))
    (folder / "after_work.xlsx").write_bytes((sample_folder() / "after_work.xlsx").read_bytes())
    (folder / "job.toml").write_text(
        '[records]\nfile = "shop.db"\n[[variant]]\nname = "ports blended"\nsheets = ["after_work.xlsx"]\n'
    )
    user = visit(served(folder))
    user.click("Records")
    user.fill("[name=q]", "received")
    user.click("Find")
    user.sees("tests found")
    assert user.all("tbody tr") and all("as received" in row.inner_text() for row in user.all("tbody tr"))
    user.find("details summary").click()
    user.until(
        "() => { const i = document.querySelector('img.wide'); return i && i.complete && i.naturalWidth > 600; }"
    )
    user.click("Compare with it")
    user.sees("as received (job 2417) from the records is the first state")
    assert written(folder)["variant"][0]["sheets"] == ["records:2417/as received"]
    user.go("/result")
    gain = flowkit.Job.load(folder / "job.toml").compare().sides["intake"].steps[0]
    assert f"{100 * gain.mean_flow_gain:+.1f} %" in user.text(".tiles") and user.complaints() == []


def test_a_meter_is_written_by_its_form(visit: Any, sample: Path, served: Any) -> None:
    user = visit(served(sample))
    user.go("/meter")
    user.fill("[name=kind]", "plate")
    user.click("Show its fields")
    user.fill("[name=hole]", "32 mm")
    user.fill("[name=coefficient]", "a lot")
    user.click("Save the meter")
    user.find(".notice.bad").wait_for()
    assert "meter" not in written(sample)
    # What was typed is still there to be corrected.
    assert user.find("[name=hole]").input_value() == "32 mm"
    user.fill("[name=coefficient]", "0.602")
    user.click("Save the meter")
    user.sees("Saved: meter: plate")
    assert written(sample)["meter"] == {"kind": "plate", "hole": "32 mm", "coefficient": 0.602}
    assert flowkit.Job.load(sample / "job.toml").meters


def test_the_one_file_report_is_whole_without_script(chromium: Any, tmp_path: Path) -> None:
    job = flowkit.Job.load(sample_job())
    made = next(path for path in job.report(tmp_path, formats=("html",)) if path.suffix == ".html")
    comparison = job.compare()
    for script in (True, False):
        context = chromium.new_context(java_script_enabled=script, viewport={"width": 360, "height": 800})
        page = context.new_page()
        page.goto(made.as_uri())
        text = page.locator("body").inner_text()
        for side in comparison.sides.values():
            for gain in side.steps:
                assert f"{100 * gain.mean_flow_gain:+.1f} %".replace("-", "−") in text
        assert page.locator("svg.flow-chart").count() == 4 and page.locator("table").count() > 2
        if script:
            page.evaluate("document.querySelectorAll('details').forEach(folded => { folded.open = true; })")
        # Switches that do nothing without script are not shown without it.
        assert page.locator("input[data-show]:visible").count() == (4 if script else 0)
        assert page.locator("button:visible").count() == (page.locator("table[data-copy]").count() if script else 0)
        context.close()


def test_a_printout_dropped_as_a_pdf_is_read_like_a_sheet(
    visit: Any, folder: Path, served: Any, tmp_path: Path
) -> None:
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure

    lines = ["Test pressure 28 inH2O", "Lift mm     Intake 1 CFM     Intake 2 CFM"]
    lines += [
        f"{lift}           {21 * lift - lift * lift:.1f}             {20 * lift - lift * lift:.1f}"
        for lift in range(1, 9)
    ]
    figure = Figure(figsize=(6, 4))
    for number, line in enumerate(lines):
        figure.text(0.1, 0.9 - 0.07 * number, line, family="DejaVu Sans Mono", fontsize=9)
    with PdfPages(tmp_path / "printout.pdf") as book:
        book.savefig(figure)
    user = visit(served(folder))
    user.drop(tmp_path / "printout.pdf")
    user.sees("1 sheet taken into the job")
    assert "2 ports, 8 lifts" in user.text(".files") and user.all("#main svg.flow-chart")


def by_keys(user: User) -> Callable[[str], None]:
    """Go on with Tab until the named thing has the focus, which must be seen to have it."""

    def until_on(words: str) -> None:
        for _ in range(120):
            user.page.keyboard.press("Tab")
            named, outline = user.page.evaluate(
                """() => { const e = document.activeElement;
                  if (e === document.body) return ['', ''];
                  return [[e.ariaLabel, e.innerText, e.labels?.[0]?.innerText, e.name].filter(Boolean).join(' | '),
                          getComputedStyle(e).outlineStyle]; }"""
            )
            if words in named:
                assert outline != "none", named
                return
        raise AssertionError(f"{words} is not reached by keyboard")

    return until_on


def test_the_whole_way_by_keyboard_alone(visit: Any, folder: Path, served: Any, tmp_path: Path) -> None:
    (folder / "before.csv").write_text(MESSY.replace("180.9", "108.9"))
    after = [line.split(",") for line in MESSY.replace("180.9", "108.9").splitlines()[3:9]]
    rows = "".join(",".join([item[0], *(f"{1.1 * float(value):.1f}" for value in item[1:5])]) + "\n" for item in after)
    (tmp_path / "ported.csv").write_text(f"Test pressure,28 inH2O\n\nLift,Int #1,Int #2,Ex #1,Ex #2\n{rows}")
    user = visit(served(folder))
    to, press = by_keys(user), user.page.keyboard.press

    def chosen(words: str, path: Path) -> None:
        """Choose a file at the field of these words."""
        with user.page.expect_file_chooser() as chooser:
            to(words)
            press("Enter")
        chooser.value.set_files(path)

    chosen("choose files", tmp_path / "ported.csv")
    user.sees("1 sheet taken into the job")
    user.sees("What are these flows in?")
    to("CFM")
    press("Enter")  # the tick "for all 2 sheets" is set
    user.sees("Saved: flow unit CFM")
    user.page.evaluate("document.body.focus(), document.activeElement.blur()")
    to("Heads")
    press("Enter")
    user.sees("What was done since")
    to("ports")
    press("Space")
    to("That is what was done")
    press("Enter")
    user.sees("Saved: ported: intake ports")
    assert "state" in written(folder)["variant"][1]
    to("Result")
    press("Enter")
    user.sees("What each step was worth")
    user.until("() => document.querySelector('svg.flow-chart[tabindex]')")
    to("before")
    press("Space")
    assert not user.find('g.state[data-state="before"]').is_visible()
    assert tomlkit.parse((folder / "job.toml").read_text())["conditions"]["flow_unit"] == "CFM"
    # The build file: chosen, the report made, both taken away.
    to("Build")
    press("Enter")
    user.sees("The customer's build file")
    build = tmp_path / "build file.docx"
    docx.Document().save(str(build))
    before = build.read_bytes()
    chosen("Drop the build file here", build)
    user.sees("Keep build file.docx", 60)
    to("Make the report")
    press("Enter")
    user.sees("Page 1 of", 60)
    for name, start in (("Keep build file.docx", b"PK"), ("PDF", b"%PDF")):
        with user.page.expect_download() as download:
            to(name)
            press("Enter")
        assert Path(download.value.path()).read_bytes().startswith(start)
    assert build.read_bytes() == before and user.complaints() == []
    to("Close flowkit")
