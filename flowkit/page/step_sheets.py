"""Step 1, sheets: dropping them in, seeing what was understood, answering what is open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import tomlkit
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from flowkit.errors import FlowkitError, JobError
from flowkit.fields import CONDITIONS
from flowkit.importers.explain import answers as settled_by
from flowkit.importers.files import SHEET_ENDINGS
from flowkit.model import SIDES
from flowkit.page import answers, charts
from flowkit.page.plumbing import Notice, Page, asked, keep, plural, text
from flowkit.page.questions import LETTERED, Question, by_hand, letter, questions_of
from flowkit.page.sheetview import ROLES, SheetPicture, over, pictures
from flowkit.page.workspace import PICTURES, FileView, Snapshot, cell_of, stated_of


def routes(page: Page) -> list[Route]:
    """Return the step's addresses."""
    return [
        Route("/sheets", page.show(lambda request, snapshot: _view(page, request, snapshot))),
        Route("/sheets/add", page.act(lambda form: _add(page, form)), methods=["POST"]),
        Route("/sheets/use", page.act(lambda form: _use(page, form)), methods=["POST"]),
        Route("/sheets/drop", page.act(lambda form: _drop(page, form)), methods=["POST"]),
        Route("/answer", page.act(lambda form: _answer(page, form)), methods=["POST"]),
        Route("/file/{name:path}", page.show(lambda request, snapshot: _file(page, request))),
    ]


def _view(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the list of files and one of them opened."""
    name = request.query_params.get("file", "")
    view = snapshot.file(name) or _first(snapshot)
    values: dict[str, Any] = {
        "view": view,
        "questions": (),
        "known": (),
        "pictures": (),
        "chart": "",
        "letter": "",
        "facts": (),
        "said": (),
    }
    if view is not None and view.states and snapshot.document is not None:
        sources = {finding.where for finding in view.open}
        drawn = pictures(
            page.workspace.path(view.name),
            view.name,
            _stated(snapshot, view),
            view.findings,
            by_hand(snapshot.document, view.name),
        )
        found = [_completed(item, drawn) for item in questions_of(snapshot, view)]
        values |= {
            "questions": [item for item in found if item.asks],
            "known": [item for item in found if not item.asks],
            "pictures": drawn,
            "said": answers.said_of(snapshot.document, view.name),
            "chart": charts.read_chart(view.tests, snapshot.display, asked=sources)
            if view.tests
            else "",
            "letter": letter(snapshot, [item for item in found if item.asks]),
            "facts": _facts(snapshot, view),
        }  # fmt: skip
    counted = {item.name: asked(snapshot, item) for item in snapshot.files if item.states}
    waits = next((name for name, number in counted.items() if number), "")
    return page.render("sheets.html", snapshot, step="sheets", counted=counted, waits=waits, roles=ROLES,
                       conditions=CONDITIONS,
                       summaries={item.name: summary(item) for item in snapshot.files}, **values)  # fmt: skip


def _completed(question: Question, drawn: Sequence[SheetPicture]) -> Question:
    """Add what only the sheet's cells show: the columns to choose from, and the heading over a point."""
    sheet = next((item for item in drawn if item.name == question.sheet or len(drawn) == 1), None)
    if question.mapping is not None and sheet is not None:
        said = question.mapping
        taken = {str(item.get("cells")): {**item, "role": item.get("side", "")} for item in said["flow"]}
        taken |= {str(said["lift"]): {"role": "lifts"}} if said.get("lift") else {}
        columns = [
            {"role": "", **taken.get(item.cells, {}), "cells": item.cells, "heading": item.heading,
             "sample": item.sample} for item in sheet.columns_of_numbers
        ]  # fmt: skip
        known = {column["cells"] for column in columns}
        columns += [dict(item) for item in said["flow"] if item.get("cells") and item["cells"] not in known]
        lift = said.get("lift")
        if lift and lift not in known:
            columns.insert(0, {"cells": lift, "heading": "lifts", "role": "lifts"})
        question = replace(question, mapping={**said, "flow": columns, "sheet": sheet.name})
    if "say over each" in question.message and question.cell:
        heading = over(drawn, question.sheet, question.cell)
        if heading is not None:
            question = replace(question, cell=heading)
    return question


def _first(snapshot: Snapshot) -> FileView | None:
    """The file to open unasked: the first with a question, else the first of the job."""
    waiting = [item for item in snapshot.files if item.states and (asked(snapshot, item) or not item.tests)]
    return next(iter([*waiting, *(item for item in snapshot.files if item.states)]), None)


def summary(view: FileView) -> str:
    """Say in a line what was understood of a file."""
    if not view.tests:
        return view.reason or "nothing in it can be used yet"
    sides = [side for side in ("intake", "exhaust") if any(test.side == side for test in view.tests)]
    ports = len({(test.side, test.port, test.head) for test in view.tests})
    lifts = max(len(test.points) for test in view.tests)
    states = list(dict.fromkeys(test.variant for test in view.tests))
    parts = [" and ".join(sides) or "side not known", plural(ports, "port"), plural(lifts, "lift")]
    if len(states) > 1:
        parts.insert(0, plural(len(states), "state"))
    pressures = {test.conditions.test_pressure_pa for test in view.tests} - {None}
    if len(pressures) == 1:
        from flowkit.units import format_quantity

        parts.append(format_quantity(float(pressures.pop() or 0.0), "inH2O", 1))
    return ", ".join(parts)


def _facts(snapshot: Snapshot, view: FileView) -> tuple[tuple[str, str], ...]:
    """What the sheet and the job say of how it was flowed."""
    from flowkit.units import format_quantity
    from flowkit.wording import display_of

    units = display_of(snapshot.display)
    shown: list[tuple[str, str, str, int]] = [
        ("test pressure", "test_pressure_pa", "inH2O", 1),
        ("fixture bore", "fixture_bore_m", units.diameter, units.diameter_digits),
        ("leak", "leak_m3_s", units.flow, 2),
        ("check plate", "check_reading_m3_s", units.flow, 1),
        ("date", "date", "", 0),
        ("bench", "bench", "", 0),
        ("operator", "operator", "", 0),
    ]
    facts = []
    units_read = {(test.units.lift.unit, test.units.lift.source) for test in view.tests}
    flows = {(test.units.flow.unit, test.units.flow.source) for test in view.tests}
    facts.append(("lifts in", ", ".join(_unit(*item) for item in sorted(units_read))))
    facts.append(("flows in", ", ".join(_unit(*item) for item in sorted(flows))))
    for label, field, unit, digits in shown:
        values = dict.fromkeys(getattr(test.conditions, field) for test in view.tests)
        words = [
            "not stated" if value is None else format_quantity(value, unit, digits) if unit else str(value)
            for value in values
        ]
        facts.append((label, ", ".join(words[:4])))
    return tuple(facts) if view.tests else ()


def _unit(unit: str, source: str) -> str:
    """A unit and whether it was assumed."""
    return unit if source == "stated" else f"{unit} (assumed from the numbers)"


def _stated(snapshot: Snapshot, view: FileView) -> Any:
    """What the job states of a sheet, as the readers want it."""
    if snapshot.job is None:
        return None
    for variant in snapshot.job.variants:
        if variant.name in view.states:
            for choice in variant.sheets:
                if choice.path.name == view.name.rpartition("/")[2]:
                    return getattr(choice, "stated", None) or variant.stated
    return None


def _add(page: Page, form: FormData) -> str:
    """Keep dropped files in the folder, and take the sheets among them into the job."""
    files = [item for item in form.getlist("files") if isinstance(item, UploadFile) and item.filename]
    kept, known = [], 0
    for item in files:
        name, same = keep(page.workspace.folder, item.filename or "sheet", item.file)
        kept.append(name)
        known += same
    page.workspace.document.redraft()
    _take(page, form, kept, asked=False)
    if not files:
        page.notice = Notice("No file was chosen.", bad=True)
    if len(kept) == 1:
        return f"/sheets?file={quote(kept[0])}"
    return "/sheets"


def _use(page: Page, form: FormData) -> str:
    """Take a file of the folder into the job."""
    name = text(form, "file")
    _take(page, form, [name], asked=True)
    return f"/sheets?file={quote(name)}"


def _take(page: Page, form: FormData, names: list[str], *, asked: bool) -> None:
    """Write files into the job as the states they name, and say what could not be taken."""
    workspace = page.workspace
    readable = [name for name in names if asked or Path(name).suffix.lower() in (*SHEET_ENDINGS, ".pdf")]
    left: list[str] = []

    def edit(document: Any) -> str:
        """Add them to the document."""
        used = {answers.file_of(entry) for item in answers.variants(document) for entry in item.get("sheets", [])}
        left.extend(workspace.add(document, [name for name in readable if name not in used], asked=asked))
        return f"{plural(len(readable), 'sheet')} added"

    if readable:
        # What was dropped comes on top of whatever the file says now; nothing of it is overwritten.
        workspace.document.change(None, edit)
    pictured = [name for name in names if Path(name).suffix.lower() in PICTURES]
    parts = []
    if len(readable) > len(left):
        parts.append(f"{plural(len(readable) - len(left), 'sheet')} taken into the job.")
    if left:
        parts.append(f"No table of lifts and flows was found in {', '.join(left[:5])}; kept in the folder.")
    if pictured:
        parts.append(f"{', '.join(pictured[:3])}: type it in beside the picture.")
    other = len(names) - len(readable) - len(pictured)
    if other:
        parts.append(f"{plural(other, 'other file')} kept in the folder.")
    page.notice = Notice(" ".join(parts) or "Nothing new.", bad=bool(left))


def _drop(page: Page, form: FormData) -> str:
    """Take a sheet out of the job; the file stays."""
    name = text(form, "file")
    page.edit(form, lambda document: answers.drop_sheet(document, name))
    page.notice = Notice(f"{name} is no longer in the job; the file is still in the folder.")
    return "/sheets"


def _answer(page: Page, form: FormData) -> str:
    """Write the answer to one question."""
    kind, file = text(form, "kind"), text(form, "file")
    files = [item for item in form.getlist("files") if isinstance(item, str)] if "all" in form else [file]
    edits = {
        "condition": _state_condition,
        "unstate": _unstate,
        "value": _state_value,
        "leave_out": lambda document, form, _: answers.leave_out(document, text(form, "file"), [text(form, "cell")]),
        "count": lambda document, form, _: answers.leave_out(
            document, text(form, "file"), [text(form, "cell")], undo=True
        ),
        "columns": _state_columns,
        "date_order": lambda document, form, files: _order_of_dates(page, document, form, files),
        "letters": lambda document, form, files: _letters(page, document, form, files),
        "table": _state_table,
        "take_back": _take_back,
    }
    if kind not in edits:
        raise JobError("the page does not know this answer", "use the buttons of the question")

    def edit(document: Any) -> str:
        """Write it, and give states their places that can be read now; an answer that cannot be used is not kept."""
        before = tomlkit.dumps(document)
        said = edits[kind](document, form, files or [file])
        for name in files:
            page.workspace.split(document, name)
        _try(page, before, tomlkit.dumps(document))
        return said

    said = page.edit(form, edit)
    page.notice = Notice(f"Saved: {said}.")
    return text(form, "back") or f"/sheets?file={quote(file)}"


def _try(page: Page, before: str, after: str) -> None:
    """Refuse an answer after which the job could not be loaded any more, in the words of the loader."""
    from flowkit.page.workspace import load_text

    path = page.workspace.document.path
    try:
        load_text(after, path)
    except FlowkitError as error:
        try:
            load_text(before, path)
        except FlowkitError:
            return
        raise JobError(f"this answer cannot be used: {error.sentence}", "nothing was written; answer again") from error


def _state_condition(document: Any, form: FormData, files: list[str]) -> str:
    """State one condition of one sheet or of all it holds for."""
    key, value = text(form, "key"), text(form, "own") or text(form, "value")
    if key not in {*(item.key for item in CONDITIONS), "side", "port", "run", "head", "lift_unit", "flow_unit",
                   "pressure_unit", "reading_unit"}:  # fmt: skip
        raise JobError(f"{key!r} cannot be stated of a sheet", "use the fields of the question")
    if not value:
        raise JobError("no answer was given", "choose one, or write your own")
    stated_of({key: value})
    if "all" in form and key.endswith("_unit") and not text(form, "reason"):
        return answers.set_for_job(document, {key: value})
    return answers.set_condition(document, files, {key: value}, overrides=text(form, "reason"))


def _unstate(document: Any, form: FormData, files: list[str]) -> str:
    """Take back what was stated."""
    return answers.remove_condition(document, files[0], text(form, "key"))


def _state_value(document: Any, form: FormData, files: list[str]) -> str:
    """Set a value by hand, with its reason."""
    value = text(form, "own") or text(form, "value")
    if not value:
        raise JobError("no value was given", "write the number that counts")
    return answers.set_value(document, files[0], text(form, "cell"), value, text(form, "reason"))


def _state_table(document: Any, form: FormData, files: list[str]) -> str:
    """Write a key of the bench that a question asks for."""
    key, value = text(form, "key"), text(form, "own") or text(form, "value")
    if key not in ("bench.drift", "bench.standard_air") or not value:
        raise JobError("no answer was given", "choose one, or write your own")
    if key == "bench.standard_air":
        answers.set_table_value(document, ("bench", "standard_air", "temperature"), value)
    else:
        answers.set_table_value(document, ("bench", "drift"), value)
    return f"{key.replace('.', ': ').replace('_', ' ')} {value}"


def _take_back(document: Any, form: FormData, files: list[str]) -> str:
    """Take back one thing that the job says of a sheet."""
    return answers.take_back(document, files[0], text(form, "what"), text(form, "cell"))


def _order_of_dates(page: Page, document: Any, form: FormData, files: list[str]) -> str:
    """Write the day of every date that could be read two ways, at its cell."""
    first = text(form, "value")
    if first not in ("day", "month"):
        raise JobError("no answer was given", "say whether the day or the month comes first")
    snapshot = page.workspace.snapshot()
    for name in files:
        view = snapshot.file(name)
        found = [item for item in view.findings if item.rule == "date-ambiguous"] if view is not None else []
        days = {item.where: settled_by(item)[first == "month"][1] for item in found if settled_by(item)}
        for where, day in days.items():
            sheet, cell = cell_of(where, name)
            place = f"{sheet}!{cell}" if sheet else cell or ""
            answers.set_value(document, name, place, day, f"the {first} comes first")
    return f"dates have the {first} first ({plural(len(files), 'sheet')})"


def _letters(page: Page, document: Any, form: FormData, files: list[str]) -> str:
    """Write the side over every heading that names it by a letter of two languages."""
    side = text(form, "value")
    if side not in SIDES:
        raise JobError("no answer was given", "say which letter is the intake")
    sides = {"E": side, "A": SIDES[side == "intake"]}
    snapshot = page.workspace.snapshot()
    number = 0
    for name in files:
        view = snapshot.file(name)
        stated = _stated(snapshot, view) if view is not None else None
        for grid in pictures(page.workspace.path(name), name, stated, ()):
            for cell in (cell for _, cells in grid.rows for cell in cells):
                meant = LETTERED.match(cell.text)
                if meant:
                    place = f"{grid.name}!{cell.address}" if grid.name else cell.address
                    words = f"{sides[meant[1]]} {cell.text[meant.end() :].strip()}"
                    answers.set_value(document, name, place, words, f"{meant[1]} is {sides[meant[1]]} on this sheet")
                    number += 1
    return f"E is {sides['E']}, A is {sides['A']} ({plural(number, 'heading')})"


def _state_columns(document: Any, form: FormData, files: list[str]) -> str:
    """Describe a table by hand: which cells are lifts, which are flows, and of what."""
    table = tomlkit.inline_table()
    rows = range(200)
    lifts = [text(form, f"cells{n}") for n in rows if text(form, f"side{n}") == "lifts" and text(form, f"cells{n}")]
    if len(lifts) != 1:
        raise JobError("one column must be the lifts", "say of one column that it is the lifts")
    for key, value in (("sheet", text(form, "sheet")), ("lift", lifts[0])):
        if value:
            table[key] = value
    for key in ("lift_unit", "flow_unit"):
        if text(form, key):
            table[key] = text(form, key)
    flows = []
    for number in rows:
        cells, side = text(form, f"cells{number}"), text(form, f"side{number}")
        if not cells or side not in SIDES:
            continue
        one = tomlkit.inline_table()
        one["cells"] = cells
        for key, value in (("side", side), ("port", text(form, f"port{number}")), ("run", text(form, f"run{number}"))):
            if value:
                one[key] = int(value) if key == "run" and value.isdecimal() else value
        flows.append(one)
    if not flows:
        raise JobError("no column is a flow", "say of at least one column that it is intake or exhaust")
    table["flow"] = flows
    return answers.set_columns(document, files[0], table)


def _file(page: Page, request: Request) -> Response:
    """Show a picture or a PDF of the folder as it is."""
    path = page.workspace.path(request.path_params["name"])
    kinds = {".png": "image/png", ".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".webp": "image/webp",
             ".gif": "image/gif", ".pdf": "application/pdf"}  # fmt: skip
    kind = kinds.get(path.suffix.lower())
    if kind is None or not path.is_file():
        raise JobError(f"{path.name} is not a picture of this folder", "choose one from the list")
    policy = {} if kind == "application/pdf" else {"content-security-policy": "default-src 'none'; sandbox"}
    return FileResponse(path, media_type=kind, headers=policy)
