"""Every kind of doubt in a sheet: asked at its place, and settled by the controls of its own question."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import openpyxl
import pytest
from lxml import html

import flowkit

from .browsing import MESSY
from .test_server import client_of

HEAD = "Test pressure,28 inH2O\n\n"
ROWS = "".join(f"{lift},{20 * lift},{18 * lift}\n" for lift in range(1, 9))
PLAIN = HEAD + "Lift (mm),Intake 1 (CFM),Intake 2 (CFM)\n" + ROWS


def pick(tree: Any, tags: str, kind: str = "") -> list[Any]:
    """The elements with one of these tags, and of a class where one is given."""
    return [item for item in tree.iter(*tags.split()) if not kind or kind in (item.get("class") or "").split()]


class Reader:
    """A person without script: reads the page, fills a form of a question in and sends it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.client = client_of(folder)

    def page(self, path: str) -> Any:
        """A page as a tree."""
        answer = self.client.get(path)
        assert answer.status_code == 200
        return html.fromstring(answer.text)

    def asks(self, file: str) -> list[Any]:
        """The questions of a sheet."""
        found: list[Any] = pick(self.page(f"/sheets?file={file}"), "section", "question")
        return found

    def answer(self, file: str, words: str, button: str, **fields: str) -> str:
        """Answer the question that has these words, with this button; returns the page that came back."""
        question = next(item for item in self.asks(file) if words in " ".join(item.text_content().split()))
        for form in pick(question, "form"):
            pressed = next((b for b in pick(form, "button") if b.text_content().strip().startswith(button)), None)
            if pressed is None or not set(fields) <= {name for name, _ in _names(form)}:
                continue
            data: list[tuple[str, str]] = [(name, value) for name, value in form.form_values() if name not in fields]
            data += list(fields.items()) + (
                [(pressed.get("name"), pressed.get("value"))] if pressed.get("name") else []
            )
            merged: dict[str, list[str]] = {}
            for name, value in data:
                merged.setdefault(name, []).append(value)
            text = self.client.post(form.get("action"), data=merged).text
            notice = pick(html.fromstring(text), "p", "notice")
            return " ".join(" ".join(item.text_content() for item in notice).split())
        raise AssertionError(f"no form with {button!r} and {sorted(fields)}: {html.tostring(question)[:3000]!r}")


def _names(form: Any) -> list[tuple[str, str]]:
    """The fields of a form."""
    return [(field.get("name"), field.get("value") or "") for field in pick(form, "input select textarea")]


CASES = {
    "flow unit": (PLAIN.replace(" (CFM)", ""), "What are these flows in?", "CFM", {}),
    "lift unit": (
        HEAD + "Lift,Int 1 (CFM),Int 2 (CFM)\n" + "".join(f"{n / 5},{20 * n},{18 * n}\n" for n in range(1, 7)),
        "What are these lifts in?", "mm", {},
    ),
    "test pressure": (PLAIN.replace(HEAD, ""), "What test pressure are these flows for?", "28 inH2O", {}),
    "pressure without unit": (PLAIN.replace("28 inH2O", "28"), "What are these pressures in?", "inH2O", {}),
    "side": (PLAIN.replace("Intake ", "Port "), "Intake or exhaust?", "intake", {}),
    "slip": (PLAIN.replace("5,100,90", "5,190,90"), "the curve through its neighbours", "Use this value",
             {"own": "100", "reason": "asked the operator"}),
    "slip left out": (PLAIN.replace("5,100,90", "5,190,90"), "the curve through its neighbours", "Leave it out", {}),
    "row left out": (PLAIN.replace("5,100,90", "5,190,90"), "the curve through", "Leave this row out", {}),
    "kept": (PLAIN.replace("5,100,90", "5,190,90"), "the curve through its neighbours", "Keep 190", {}),
    "no number": (PLAIN.replace("5,100,90", "5,1o0,90"), "not a number", "Use this value",
                  {"own": "100", "reason": "a letter o typed for a nought"}),
    "lift of no number": (PLAIN.replace("5,100,90", "5x,100,90"), "not a number", "Leave this row out", {}),
    "negative flow": (PLAIN.replace("5,100,90", "5,-100,90"), "below zero", "Use this value",
                      {"own": "100", "reason": "sign of the suction"}),
    "negative lift": (PLAIN.replace("5,100,90", "-5,100,90"), "negative", "Use this value",
                      {"own": "5", "reason": "sign of the dial"}),
    "letters of two languages": (PLAIN.replace("Intake 1", "E1").replace("Intake 2", "A1"),
                                 "depending on the language", "E is intake", {}),
    "heading": (PLAIN.replace("Intake 2 (CFM)", "Int 1 CFM").replace("Intake 1 (CFM)", "Int 1 CFM"), "Int 1 CFM",
                "Use this value", {"own": "Intake 2 (CFM)", "reason": "asked the bench"}),
    "fixture bore of no sense": ("Fixture bore,12\n" + PLAIN, "Fixture bore 12 has no unit", "12 in", {}),
    "pressure twice": ("Test pressure,25 inH2O\n" + PLAIN, "twice", "Leave the cell out", {}),
    "pressure twice, the other": ("Test pressure,25 inH2O\n" + PLAIN, "twice", "This one is right", {}),
    "two dates": ("Date,03/04/2026\n" + PLAIN, "day or the month first", "3 April 2026, the day first", {}),
    "standard air": (PLAIN.replace("CFM", "SCFM"), "SCFM", "15 °C", {}),
    "mass flow": (PLAIN.replace("CFM", "kg/h"), "mass", "OK", {"own": "21 °C"}),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_question_is_settled_by_its_own_controls(folder: Path, case: str) -> None:
    sheet, words, button, fields = CASES[case]
    (folder / "a.csv").write_text(sheet)
    reader = Reader(folder)
    texts = [" ".join(ask.text_content().split()) for ask in reader.asks("a.csv")]
    assert any(words in text for text in texts), texts
    assert not any(mark in text for text in texts for mark in (" --", "[[", "columns =", "job file")), texts
    notice = reader.answer("a.csv", words, button, **fields)
    assert notice.startswith("Saved"), notice
    left = [" ".join(ask.text_content().split()) for ask in reader.asks("a.csv")]
    if case != "mass flow":
        assert not any(words in text for text in left), left
    assert (folder / "a.csv").read_text() == sheet
    # And what was said can be taken back, one by one.
    page = reader.page("/sheets?file=a.csv")
    said = pick(page, "details", "said-of")
    if said:
        form = pick(said[0], "form")[0]
        reader.client.post(form.get("action"), data=dict(form.form_values()))
        again = [" ".join(ask.text_content().split()) for ask in reader.asks("a.csv")]
        assert case == "letters of two languages" or any(words in text for text in again), again


def test_a_contradiction_is_settled_either_way(folder: Path) -> None:
    for button, fields, unit in (
        ("The sheet is right", {}, 28.0),
        ("OK", {"own": "10 inH2O", "reason": "the operator said so"}, 10.0),
    ):
        (folder / "a.csv").write_text(PLAIN)
        (folder / "job.toml").write_text(
            '[[variant]]\nname = "a"\nsheets = ["a.csv"]\nconditions = { test_pressure = "10 inH2O" }\n'
        )
        reader = Reader(folder)
        assert reader.answer("a.csv", "28 inH2O", button, **fields).startswith("Saved")
        (variant,), findings = flowkit.Job.load(folder / "job.toml").read()
        assert not [item for item in findings if item.severity == "error"]
        pressures = [test.conditions.test_pressure_pa for test in variant.tests]
        assert pressures == pytest.approx([unit * 249.0889] * 2, rel=1e-6)


def test_one_answer_gives_the_order_of_day_and_month_in_all_sheets(folder: Path) -> None:
    for name, day in (("a", "03/04/2026"), ("b", "5/6/26")):
        (folder / f"{name}.csv").write_text(f"Date,{day}\n" + PLAIN)
    reader = Reader(folder)
    assert "for all 2 sheets" in reader.page("/sheets?file=a.csv").text_content()
    reader.answer("a.csv", "day or the month first", "4 March 2026, the month first", all="on")
    read, _ = flowkit.Job.load(folder / "job.toml").read()
    assert {test.file: test.conditions.date for v in read for test in v.tests} == {
        "a.csv": "2026-03-04", "b.csv": "2026-05-06",
    }  # fmt: skip


def test_one_answer_dates_all_undated_sheets(folder: Path) -> None:
    (folder / "before.csv").write_text(PLAIN)
    (folder / "after.csv").write_text(PLAIN.replace("5,100,90", "5,108,97").replace("6,120,108", "6,130,117"))
    reader = Reader(folder)
    words = "When were these flowed? All on the same day?"
    for name in ("before.csv", "after.csv"):
        assert any(words in ask.text_content() for ask in reader.asks(name))
    assert reader.answer("before.csv", words, "OK", own="2026-03-20", all="on").startswith("Saved: date 2026-03-20")
    read, _ = flowkit.Job.load(folder / "job.toml").read()
    assert {test.conditions.date for variant in read for test in variant.tests} == {"2026-03-20"}
    for name in ("before.csv", "after.csv"):
        assert not any(words in ask.text_content() for ask in reader.asks(name))


def test_a_cell_of_a_workbook_with_several_sheets_is_set_on_its_own_sheet(folder: Path) -> None:
    book = openpyxl.Workbook()
    for name, slip in (("stock", 190.0), ("ported", 100.0)):
        sheet = book.create_sheet(name)
        sheet.append(["Test pressure", "28 inH2O"])
        sheet.append(["Lift (mm)", "Intake 1 (CFM)", "Intake 2 (CFM)"])
        for lift in range(1, 9):
            sheet.append([lift, slip if lift == 5 else 20 * lift, 18 * lift])
    del book["Sheet"]
    book.save(folder / "a.xlsx")
    reader = Reader(folder)
    notice = reader.answer("a.xlsx", "the curve through its neighbours", "Use this value", own="100", reason="asked")
    assert notice.startswith("Saved"), notice
    read, findings = flowkit.Job.load(folder / "job.toml").read()
    assert not [item for item in findings if item.severity != "note" and item.rule == "typing-slip"]
    assert [len(variant.tests) for variant in read] == [2, 2]


def test_a_table_without_headings_is_described_column_by_column(folder: Path) -> None:
    (folder / "a.csv").write_text("flow test, cylinder head\n" + ROWS)
    reader = Reader(folder)
    fields = {"lift_unit": "mm", "flow_unit": "CFM", "side0": "lifts", "side1": "intake", "side2": "exhaust"}
    if not reader.asks("a.csv"):
        reader.client.post("/sheets/use", data={"file": "a.csv"})
    assert reader.answer("a.csv", "Say what each column is", "Read it this way", **fields).startswith("Saved")
    assert reader.answer("a.csv", "What test pressure", "28 inH2O").startswith("Saved")
    (variant,), findings = flowkit.Job.load(folder / "job.toml").read()
    assert [(test.side, len(test.points)) for test in variant.tests] == [("intake", 8), ("exhaust", 8)]
    assert not [item for item in findings if item.severity == "error"]


def test_no_error_of_a_sheet_is_without_a_way_on(folder: Path) -> None:
    """Whatever is wrong, there is a form or a link in the question itself, and the e-mail text beside it."""
    sheets = {
        "broken.xlsx": b"PK\x03\x04 nothing",
        "empty.csv": b"",
        "prose.txt": b"Dear shop, the head is done, flows are great.\n",
        "lifts.csv": b"Test pressure,28 inH2O\nLift (mm),Intake 1 (CFM)\n1,\n2,\n3,\n4,\n",
        "meter.csv": b"Test pressure,28 inH2O\nLift (mm),Intake 1 (inH2O meter)\n1,2\n2,4\n3,6\n4,8\n",
        "messy.csv": MESSY.encode(),
    }
    for name, content in sheets.items():
        (folder / name).write_bytes(content)
    reader = Reader(folder)
    for name in sheets:
        reader.client.post("/sheets/use", data={"file": name})
    for name in sheets:
        asks = reader.asks(name)
        assert asks, name
        for ask in asks:
            assert pick(ask, "form") or pick(ask, "a", "button"), html.tostring(ask)
        assert name in reader.page(f"/sheets?file={name}").get_element_by_id("letter").text


@pytest.mark.parametrize(
    ("answer", "pressures"), [("28 inH2O", {6974.48948}), ("15.0 inH2O, as it was flowed", {3736.33365})]
)
@pytest.mark.parametrize("where", ["before the table", "behind it"])
def test_what_a_corrected_sheet_is_for_is_one_question(
    folder: Path, answer: str, pressures: set[float], where: str
) -> None:
    """A measured pressure beside "corrected to": either answer settles it, and the sheet's own figure stays exact."""
    said = "Flows corrected to 28 inH2O\n"
    sheet = "Test pressure,15 inH2O\n" + PLAIN.removeprefix(HEAD)
    (folder / "a.csv").write_text(said + sheet if where == "before the table" else f"{sheet}\n{said}")
    reader = Reader(folder)
    (ask,) = reader.asks("a.csv")
    assert "What test pressure are these flows for?" in ask.text_content()
    assert reader.answer("a.csv", "What test pressure", answer).startswith("Saved")
    assert not reader.asks("a.csv")
    read, findings = flowkit.Job.load(folder / "job.toml").read()
    assert {test.conditions.test_pressure_pa for variant in read for test in variant.tests} == pressures
    assert {item.severity for item in findings} <= {"note"}


@pytest.mark.parametrize("answer", ["28 inH2O", "14 to 15 inH2O, as it was flowed"])
def test_rows_at_another_pressure_than_the_sheet_was_corrected_to(folder: Path, answer: str) -> None:
    """A column of pressures under a title that says "corrected to": none is corrected twice without a word."""
    rows = "".join(f"{lift},{15 - (lift > 4)},{20 * lift},{18 * lift}\n" for lift in range(1, 9))
    head = "Flow test, corrected to 28 inH2O\nLift (mm),Pressure (inH2O),Intake 1 (CFM),Intake 2 (CFM)\n"
    (folder / "a.csv").write_text(head + rows)
    reader = Reader(folder)
    words = "What test pressure are these flows for?"
    assert [words in ask.text_content() for ask in reader.asks("a.csv")].count(True) == 1
    assert reader.answer("a.csv", words, answer).startswith("Saved")
    left = [" ".join(ask.text_content().split()) for ask in reader.asks("a.csv")]
    read, _ = flowkit.Job.load(folder / "job.toml").read()
    used = {test.pressure_at(point) for variant in read for test in variant.tests for point in test.points}
    if answer == "28 inH2O":
        assert used == {6974.48948} and left == []
    else:
        # They differ from row to row: each is worth a look, but the first question is settled.
        assert len(used) == 2 and max(used) == 3736.33365
        assert all("changes from row to row" in ask for ask in left)
