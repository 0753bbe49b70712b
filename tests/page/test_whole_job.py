"""The whole job in a real browser: three messy sheets in, a build file with the chart out."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

import pypdf
import pytest

import flowkit
from flowkit.samples import sample_folder

from .browsing import MESSY, User

pytestmark = pytest.mark.slow

GALLERY = os.environ.get("FLOWKIT_GALLERY")
"""A folder for pictures of each step, such as docs/gallery."""

BEFORE = MESSY.replace("180.9", "108.9")
AFTER = """state: ported and recut
date 2026-03-20, flowed @ 28 inH2O

lift in,I1 cfm,I2 cfm,E1 cfm,E2 cfm
.050,25.4,25.1,19.3,19.1
.100,51.0,50.5,38.6,38.2
.150,76.1,75.8,57.4,57.1
.200,99.5,98.9,74.9,74.6
.250,120.7,120.1,90.8,90.4
.300,139.0,138.3,104.0,103.7
"""
"""Invented: the same head after work, in another layout."""


def kept_picture(user: User, name: str, most: int = 3_400) -> None:
    """Keep a picture for the gallery, where one is wanted."""
    if GALLERY:
        user.picture(Path(GALLERY) / f"page_{name}.png", most)


def test_three_messy_sheets_to_the_attached_chart(visit: Any, folder: Path, serve: Any, tmp_path: Path) -> None:
    _, address = serve(folder)
    user = visit(address)
    messy = tmp_path / "from the bench RH.csv"
    messy.write_text(MESSY)
    user.drop(sample_folder() / "as_received.csv", sample_folder() / "after_work.xlsx", messy)
    user.sees("3 sheets taken into the job")
    user.sees("What are these flows in?")
    kept_picture(user, "question")
    # One question settles the unit; then the slip is asked of at its cell.
    user.click("CFM", ".question")
    user.sees("the curve through its neighbours gives 10")
    assert "180.9" in user.text("td.asked")
    kept_picture(user, "sheets")
    user.fill(".question input[name=reason]", "digits swapped; asked the operator")
    user.fill(".question input[name=own]", "108.9")
    user.click("Use this value", ".question")
    user.sees("set to 108.9")
    assert messy.read_text() == MESSY == (folder / messy.name).read_text()
    # What was done at each step: the page asks, a tick and a button each.
    user.tick('.steps a[href="/heads"]')
    for state, factor in (("seats recut", "seats"), ("ports blended", "ports"), ("slim-stem valves", "valves")):
        card = f'.state[data-state="{state}"]'
        user.tick(f'{card} input[name=both_factor][value="{factor}"]')
        user.click("That is what was done", card)
        user.sees(f"Saved: {state}")
    kept_picture(user, "heads")
    user.tick('.steps a[href="/result"]')
    user.sees("What each step was worth")
    kept_picture(user, "result")
    # The page shows the library's own figures, and the file it wrote is a job like any other.
    comparison = flowkit.Job.load(folder / "job.toml").compare()
    shown = user.text(".steps-table")
    for side in comparison.sides.values():
        for gain in side.steps:
            assert f"{100 * gain.mean_flow_gain:+.1f} %".replace("-", "−") in shown
    changed = {gain.to: gain.changed for gain in comparison.sides["intake"].steps}
    assert "ports" in changed["ports blended"] and "valves" in changed["slim-stem valves"]
    user.tick('.steps a[href="/build"]')
    build = pypdf.PdfWriter()
    build.add_blank_page(400, 500)
    build.write(tmp_path / "build.pdf")
    before = (tmp_path / "build.pdf").read_bytes()
    user.drop(tmp_path / "build.pdf", into="#build_file")
    user.page.locator("[data-work=attach], a[download]").first.wait_for()
    user.click("Make the report")
    user.sees("Keep build.pdf", 60)
    with user.page.expect_download() as download:
        user.click("Keep build.pdf")
    kept = Path(download.value.path()).read_bytes()
    pages = pypdf.PdfReader(io.BytesIO(kept)).pages
    assert len(pages) > 1 and any("slim-stem" in page.extract_text() for page in pages)
    assert (tmp_path / "build.pdf").read_bytes() == before
    user.until("() => document.querySelectorAll('.preview img').length > 2", 60)
    user.until("() => document.querySelector('.preview img').complete")
    kept_picture(user, "build", 1_500)
    assert user.complaints() == []
    print(f"clicks {user.clicks}, answers typed {user.typed}")
    assert user.clicks + user.typed <= 25


def test_a_slip_can_be_kept_left_out_undone_and_redone(visit: Any, folder: Path, served: Any) -> None:
    (folder / "sheet.csv").write_text(MESSY.replace(",note", " ").replace("Int #1", "Int #1 CFM"))
    (folder / "job.toml").write_text(
        '[conditions]\nflow_unit = "CFM"\n[[variant]]\nname = "one"\nsheets = ["sheet.csv"]\n'
    )
    user = visit(served(folder))
    user.sees("the curve through its neighbours")
    start = (folder / "job.toml").read_text()
    user.click("Leave it out", ".question")
    user.sees("left out")
    assert user.all("td.hand") and "leave_out" in (folder / "job.toml").read_text()
    user.click("Undo")
    user.sees("Undone")
    assert (folder / "job.toml").read_text() == start
    user.click("Redo")
    user.sees("Redone")
    user.click("Undo")
    user.sees("the curve through its neighbours")
    user.click("Keep 180.9", ".question")
    user.sees("set to 180.9")
    assert not [ask for ask in user.all(".question") if "neighbours" in ask.inner_text()]
    # What to ask the bench is ready to be copied.
    user.click("Undo")
    user.sees("Undone")
    user.click("Ask the bench (e-mail text)")
    assert "180.9" in user.find("#letter").input_value()


def test_typed_in_beside_a_photo_with_a_slip_flagged_at_once(visit: Any, folder: Path, served: Any) -> None:
    from PIL import Image

    Image.new("RGB", (600, 400), "white").save(folder / "IMG_2231.jpg")
    user = visit(served(folder))
    user.click("Type it in")
    user.until("() => document.querySelector('.photo img').getBoundingClientRect().height > 100")
    rows = [(1, 20.1), (2, 41.0), (3, 61.8), (4, 79.9), (5, 59.1), (6, 106.2), (7, 113.9)]
    for name, value in (("lift_unit", "mm"), ("flow_unit", "CFM"), ("side0", "intake")):
        user.fill(f"[name={name}]", value)
    for row, (lift, flow) in enumerate(rows):
        user.fill(f"[name=lift{row}]", str(lift))
        user.fill(f"[name=f{row}_0]", str(flow))
    user.until("() => document.querySelector('[name=f4_0]').getAttribute('aria-invalid') === 'true'")
    assert user.all("#preview svg") and "59.1" in user.text("#preview")
    kept_picture(user, "typing")
    user.fill("[name=f4_0]", "95.1")
    user.until("() => !document.querySelector('[name=f4_0]').hasAttribute('aria-invalid')")
    user.fill("[name=variant]", "as received")
    user.fill("[name=test_pressure]", "28 inH2O")
    user.click("Save it as a sheet")
    user.sees("Saved as IMG_2231.csv")
    read = flowkit.read(folder / "IMG_2231.csv")
    assert read.findings == () and [p.lift_m for p in read.tests[0].points] == pytest.approx(
        [r[0] / 1000 for r in rows]
    )
    assert read.tests[0].units.lift.source == read.tests[0].units.flow.source == "stated"


def test_an_editor_and_another_window_never_lose_an_answer(visit: Any, folder: Path, served: Any) -> None:
    (folder / "sheet.csv").write_text(MESSY)
    user = visit(served(folder))
    user.sees("What are these flows in?")
    other = User(user.page.context.new_page(), user.base + "/sheets")
    other.sees("What are these flows in?")
    other.click("CFM", ".question")
    other.sees("Saved: flow unit CFM")
    written = (folder / "job.toml").read_text()
    # The first window still shows the question; its answer would undo the other's.
    user.click("L/s", ".question")
    user.sees("changed in the meantime")
    assert (folder / "job.toml").read_text() == written
    user.sees("the curve through its neighbours")
    edited = written + "\n# typed in an editor\n"
    (folder / "job.toml").write_text(edited)
    user.click("Leave it out", ".question")
    user.sees("changed in the meantime")
    assert (folder / "job.toml").read_text() == edited


FOCUS = "() => [document.activeElement.innerText, getComputedStyle(document.activeElement).outlineStyle]"


def test_answered_by_keyboard_alone_on_a_narrow_dark_screen(visit: Any, folder: Path, served: Any) -> None:
    (folder / "sheet.csv").write_text(MESSY)
    user = visit(served(folder))
    user.window(360, 740, dark=True)
    for path in ("/sheets", "/heads", "/result", "/engine", "/build", "/type", "/paste"):
        user.go(path)
        wide = user.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= 360, f"{path} is {wide} px wide"
    user.go("/sheets")
    user.sees("What are these flows in?")
    for _ in range(60):
        user.page.keyboard.press("Tab")
        words, outline = user.page.evaluate(FOCUS)
        assert outline != "none", words
        if words == "CFM":
            break
    assert words == "CFM"
    user.page.keyboard.press("Enter")
    user.sees("Saved: flow unit CFM")
    # The reader is led on to the next question.
    assert user.page.evaluate("document.activeElement.name") in ("own", "reason")
    user.go("/result")
    chart = user.find("svg.flow-chart")
    chart.focus()
    user.find(".tip").wait_for(state="visible")
    before = user.text(".tip")
    chart.press("ArrowRight")
    assert user.text(".tip") != before and "CFM" in before


def test_the_value_under_the_pointer_is_the_analysis_own(visit: Any, shown: str) -> None:
    from scipy.interpolate import PchipInterpolator

    user = visit(shown)
    user.go("/result")
    got = user.page.evaluate(
        """() => [...document.querySelector('g.state').querySelectorAll('[data-x]')]
             .map(p => [+p.dataset.x, +p.dataset.y])"""
    )
    inside = user.page.evaluate(
        "got => import('/static/charts.js').then(m => [1.7, 3.3, 6.1, 9.9].map(x => m.at(got, x)))", got
    )
    assert inside == pytest.approx(PchipInterpolator(*zip(*got, strict=True))([1.7, 3.3, 6.1, 9.9]).tolist(), rel=1e-9)
    user.go("/engine")
    kept_picture(user, "engine")
    user.go("/result")
    # A state can be switched off.
    user.find('input[data-show="ports blended"]').click()
    assert not user.find('g.state[data-state="ports blended"]').is_visible()
    assert user.complaints() == []


def test_what_is_typed_and_not_sent_survives_a_reload(visit: Any, folder: Path, served: Any) -> None:
    (folder / "sheet.csv").write_text(MESSY)
    user = visit(served(folder))
    user.go("/type")
    for name, value in (
        ("lift_unit", "mm"),
        ("flow_unit", "CFM"),
        ("side0", "intake"),
        ("lift0", "1"),
        ("f0_0", "20.1"),
    ):
        user.fill(f"[name={name}]", value)
    user.click("One more port")
    user.until("() => document.querySelector('[name=f0_5]')")
    user.fill("[name=f0_5]", "33.3")
    user.page.reload()
    user.until("() => document.querySelector('[name=f0_5]')?.value === '33.3'")
    assert user.find("[name=f0_0]").input_value() == "20.1" and user.find("[name=lift_unit]").input_value() == "mm"
    # An answer to one question leaves what is half typed in another.
    user.go("/sheets")
    user.click("CFM", ".question")
    user.sees("the curve through its neighbours")
    user.fill(".question input[name=reason]", "asked the oper")
    user.click("metric")
    user.until("() => document.querySelector('[name=display][value=metric]').ariaPressed === 'true'")
    assert user.find(".question input[name=reason]").input_value() == "asked the oper"
    user.fill(".question input[name=reason]", "asked the operator")
    user.fill(".question input[name=own]", "108.9")
    user.click("Use this value", ".question")
    user.sees("set to 108.9")
    assert user.page.evaluate("Object.keys(sessionStorage).filter(k => k.includes('8:3')).length") == 0


def test_a_figure_of_the_result_leads_back_to_its_cells(visit: Any, shown: str) -> None:
    user = visit(shown)
    user.go("/result")
    user.find(".steps-table td.strong a").click()
    user.sees("Where it comes from: intake, as received and seats recut")
    user.go("/result/lifts")
    # Every single number is a link to its own cells, such as those of one lift in one state.
    numbers = user.all("tbody td.num")
    assert len(numbers) > 50 and all(
        user.page.eval_on_selector_all("tbody td.num", "n => n.map(e => !e.innerText || !!e.querySelector('a'))")
    )
    number = user.find("tbody td.num a")
    lift = number.evaluate("a => a.closest('tr').cells[0].innerText")
    state = number.evaluate("a => a.closest('table').tHead.rows[0].cells[a.parentNode.cellIndex].innerText").partition(
        ","
    )[0]
    number.click()
    user.sees(f"intake, lift {lift} mm, {state}")
    assert {row.locator("th").inner_text() for row in user.all("tbody tr")} == {state}
    user.page.go_back()
    user.find("tbody th a").click()
    user.sees("Click a cell to see it on the sheet")
    link = user.all("td a")[-1]
    source, address = link.inner_text(), link.get_attribute("href").partition("#")[2]
    assert source.startswith("after_work.xlsx!") and source.rpartition("!")[2] in address
    reading = user.all("tbody tr")[-1].locator("td").nth(3).inner_text()
    link.click()
    target = user.find("td:target")
    target.wait_for()
    # The sheet has CFM, the sample job shows litres a second.
    assert 0.3048**3 / 60 * 1000 * float(target.inner_text()) == pytest.approx(float(reading), abs=0.006)


def test_no_step_scrolls_sideways(visit: Any, shown: str) -> None:
    user = visit(shown)
    for path in ("/sheets", "/heads", "/result", "/engine", "/build", "/records"):
        user.go(path)
        for width in (360, 768, 980, 1920):
            user.window(width)
            wide = user.page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width, f"{path} is {wide} px wide at {width}"
            if path == "/result" and width >= 980:
                table = user.page.evaluate(
                    "(b => [b.scrollWidth, b.clientWidth])(document.querySelector('.steps-table').parentNode)"
                )
                assert table[0] <= table[1], f"the table of steps is {table[0]} px wide in {table[1]} at {width}"


def test_with_the_network_off_the_page_is_whole(visit: Any, shown: str) -> None:
    user = visit(shown)
    asked: list[str] = []

    def only_here(route: Any) -> None:
        """Let through what goes to the page itself, and remember the rest."""
        if route.request.url.startswith(user.base + "/"):
            route.continue_()
        else:
            asked.append(route.request.url)
            route.abort()

    user.page.context.route("**/*", only_here)
    for path in ("/sheets", "/heads", "/result", "/result/lifts", "/engine", "/build", "/type", "/paste", "/records"):
        user.go(path)
    user.go("/result")
    assert user.all("svg.flow-chart") and user.complaints() == [] and asked == []
    host = user.page.evaluate("performance.getEntriesByType('resource').map(e => new URL(e.name).host)")
    assert set(host) <= {user.base.removeprefix("http://")}
