"""Step 1, sheets: dropped, typed or pasted in; what was understood of them, and the answers to what is open."""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import tomlkit
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from flowkit.errors import FlowkitError, JobError
from flowkit.fields import CONDITIONS
from flowkit.importers import ReadResult, read
from flowkit.importers.explain import answers as settled_by
from flowkit.importers.files import SHEET_ENDINGS
from flowkit.model import SIDES
from flowkit.page import answers
from flowkit.page.plumbing import Action, Field, Notice, Page, View, asked, keep, plural, text
from flowkit.page.questions import LETTERED, NAMED, Question, letter, questions_of
from flowkit.page.sheetview import ROLES, SheetPicture, pictures, read_chart, stated_words
from flowkit.page.workspace import PICTURES, FileView, Snapshot, cell_of, load_text, stated_of
from flowkit.units import format_quantity
from flowkit.wording import display_of

MOST_COLUMNS, MOST_ROWS = 24, 60
MOST_PASTED = 400_000
LIFT_UNITS, FLOW_UNITS = ("mm", "in"), ("CFM", "L/s", "m³/h", "L/min")
_HEAD = (
    Field("variant", "State of the head", "as received"),
    Field("head", "Head, if there are two", "left"),
    Field("test_pressure", "Test pressure, with its unit", "28 inH2O"),
    Field("fixture_bore", "Fixture bore, with its unit", "83 mm"),
    Field("leak", "Leak, valve closed, with its unit", "0.4 CFM"),
    Field("date", "Day it was flowed"),
    Field("bench", "Bench", "bench A"),
    Field("operator", "Operator"),
)
_SHOWN = {".png": "image/png", ".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".webp": "image/webp",
          ".gif": "image/gif", ".pdf": "application/pdf"}  # fmt: skip


def _view(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the list of files and one of them opened: asked for, or the first that waits for an answer."""
    counted = {item.name: asked(snapshot, item) for item in snapshot.files if item.states}
    used = [item for item in snapshot.files if item.states]
    first = next(iter([*(item for item in used if counted[item.name] or not item.tests), *used]), None)
    view = snapshot.file(request.query_params.get("file", "")) or first
    values: dict[str, Any] = dict.fromkeys(("questions", "known", "pictures", "facts", "said"), ())
    values |= {"chart": "", "letter": ""}
    if view is not None and view.states and snapshot.document is not None:
        drawn = pictures(
            page.workspace.path(view.name),
            view.name,
            _stated(snapshot, view),
            view.findings,
            answers.by_hand(snapshot.document, view.name),
        )
        found = [_completed(item, drawn) for item in questions_of(snapshot, view)]
        open_ones = [item for item in found if item.asks]
        sources = {finding.where for finding in view.open}
        values = {
            "questions": open_ones,
            "known": [item for item in found if not item.asks],
            "pictures": drawn,
            "said": answers.said_of(snapshot.document, view.name),
            "chart": read_chart(view.tests, snapshot.display, asked=sources) if view.tests else "",
            "letter": letter(snapshot, open_ones),
            "facts": _facts(snapshot, view),
        }
    return page.render(
        "sheets.html", snapshot, step="sheets", view=view, counted=counted,
        waits=next((name for name, number in counted.items() if number), ""), roles=ROLES, conditions=CONDITIONS,
        summaries={item.name: _summary(item) for item in snapshot.files}, **values,
    )  # fmt: skip


def _completed(question: Question, drawn: Sequence[SheetPicture]) -> Question:
    """Add what only the sheet's cells show: the columns to choose from."""
    sheet = next((item for item in drawn if item.name == question.sheet or len(drawn) == 1), None)
    if question.mapping is None or sheet is None:
        return question
    said, lift = question.mapping, question.mapping.get("lift")
    taken = {str(item.get("cells")): {**item, "role": item.get("side", "")} for item in said["flow"]}
    taken |= {str(lift): {"role": "lifts"}} if lift else {}
    columns = [
        {"role": "", **taken.get(item.cells, {}), "cells": item.cells, "heading": item.heading, "sample": item.sample}
        for item in sheet.columns_of_numbers
    ]
    known = {column["cells"] for column in columns}
    columns += [dict(item) for item in said["flow"] if item.get("cells") and item["cells"] not in known]
    if lift and lift not in known:
        columns.insert(0, {"cells": lift, "heading": "lifts", "role": "lifts"})
    return replace(question, mapping={**said, "flow": columns, "sheet": sheet.name})


def _summary(view: FileView) -> str:
    """Say in a line what was understood of a file."""
    if not view.tests:
        return view.reason or "nothing in it can be used yet"
    sides = [side for side in SIDES if any(test.side == side for test in view.tests)]
    ports = len({(test.side, test.port, test.head) for test in view.tests})
    lifts = max(len(test.points) for test in view.tests)
    parts = [" and ".join(sides) or "side not known", plural(ports, "port"), plural(lifts, "lift")]
    states = {test.variant for test in view.tests}
    if len(states) > 1:
        parts.insert(0, plural(len(states), "state"))
    pressures = {test.conditions.test_pressure_pa for test in view.tests} - {None}
    if len(pressures) == 1:
        parts.append(format_quantity(float(pressures.pop() or 0.0), "inH2O", 1))
    return ", ".join(parts)


def _facts(snapshot: Snapshot, view: FileView) -> list[tuple[str, str]]:
    """What the sheet and the job say of how it was flowed."""
    if not view.tests:
        return []
    facts = []
    for kind in ("lift", "flow"):
        used = sorted({(unit.unit, unit.source) for unit in (getattr(test.units, kind) for test in view.tests)})
        words = [unit if source == "stated" else f"{unit} (assumed from the numbers)" for unit, source in used]
        facts.append((f"{kind}s in", ", ".join(words)))
    units = display_of(snapshot.display)
    for label, *how in (
        ("test pressure", "test_pressure_pa", "inH2O", 1),
        ("fixture bore", "fixture_bore_m", units.diameter, units.diameter_digits),
        ("leak", "leak_m3_s", units.flow, 2),
        ("check plate", "check_reading_m3_s", units.flow, 1),
        ("date", "date"),
        ("bench", "bench"),
        ("operator", "operator"),
    ):
        facts.append((label, stated_words(view.tests, *how)))
    return facts


def _stated(snapshot: Snapshot, view: FileView) -> Any:
    """What the job states of a sheet, as the readers want it."""
    for variant in snapshot.job.variants if snapshot.job is not None else ():
        if variant.name in view.states:
            for choice in variant.sheets:
                if choice.path.name == view.name.rpartition("/")[2]:
                    return getattr(choice, "stated", None) or variant.stated
    return None


def _add(page: Page, form: FormData) -> str:
    """Keep dropped files in the folder, and take the sheets among them into the job."""
    files = [item for item in form.getlist("files") if isinstance(item, UploadFile) and item.filename]
    kept = [keep(page.workspace.folder, item.filename or "sheet", item.file)[0] for item in files]
    page.workspace.document.redraft()
    _take(page, kept, asked=False)
    if not files:
        page.notice = Notice("No file was chosen.", bad=True)
    return f"/sheets?file={quote(kept[0])}" if len(kept) == 1 else "/sheets"


def _use(page: Page, form: FormData) -> str:
    """Take a file of the folder into the job."""
    name = text(form, "file")
    _take(page, [name], asked=True)
    return f"/sheets?file={quote(name)}"


def _take(page: Page, names: list[str], *, asked: bool) -> None:
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
    other = len(names) - len(readable) - len(pictured)
    parts = []
    if len(readable) > len(left):
        parts.append(f"{plural(len(readable) - len(left), 'sheet')} taken into the job.")
    if left:
        parts.append(f"No table of lifts and flows was found in {', '.join(left[:5])}; kept in the folder.")
    if pictured:
        parts.append(f"{', '.join(pictured[:3])}: type it in beside the picture.")
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
    file, path, write = text(form, "file"), page.workspace.document.path, _EDITS.get(text(form, "kind"))
    if write is None:
        raise JobError("the page does not know this answer", "use the buttons of the question")
    files = [item for item in form.getlist("files") if isinstance(item, str)] if "all" in form else []
    files = files or [file]

    def edit(document: Any) -> str:
        """Write it, and give states their places that can be read now; an answer that cannot be used is not kept."""
        before = tomlkit.dumps(document)
        said = write(page, document, form, files)
        for name in files:
            page.workspace.split(document, name)
        try:
            load_text(tomlkit.dumps(document), path)
        except FlowkitError as error:
            try:
                load_text(before, path)
            except FlowkitError:
                return said  # it could not be loaded before either
            problem = f"this answer cannot be used: {error.sentence}"
            raise JobError(problem, "nothing was written; answer again") from error
        return said

    return page.save(form, edit, text(form, "back") or f"/sheets?file={quote(file)}")


def _given(form: FormData) -> str:
    """Return the answer that was typed or chosen; refuse a form without one."""
    value = text(form, "own") or text(form, "value")
    if not value:
        raise JobError("no answer was given", "choose one, or write your own")
    return value


def _state_condition(page: Page, document: Any, form: FormData, files: list[str]) -> str:
    """State one condition of one sheet or of all it holds for."""
    key, value, reason = text(form, "key"), _given(form), text(form, "reason")
    if key not in {*(item.key for item in CONDITIONS), *NAMED} - {"variant"}:
        raise JobError(f"{key!r} cannot be stated of a sheet", "use the fields of the question")
    stated_of({key: value})
    if "all" in form and key.endswith("_unit") and not reason:
        return answers.set_for_job(document, {key: value})
    return answers.set_condition(document, files, {key: value}, overrides=reason)


def _state_table(page: Page, document: Any, form: FormData, files: list[str]) -> str:
    """Write a key of the bench that a question asks for."""
    key, value = text(form, "key"), _given(form)
    places = {"bench.drift": ("bench", "drift"), "bench.standard_air": ("bench", "standard_air", "temperature")}
    if key not in places:
        raise JobError(f"{key!r} is not asked for", "use the fields of the question")
    answers.set_table_value(document, places[key], value)
    return f"{key.replace('.', ': ').replace('_', ' ')} {value}"


def _order_of_dates(page: Page, document: Any, form: FormData, files: list[str]) -> str:
    """Write the day of every date that could be read two ways, at its cell."""
    first, snapshot = text(form, "value"), page.workspace.snapshot()
    if first not in ("day", "month"):
        raise JobError("no answer was given", "say whether the day or the month comes first")
    for name in files:
        view = snapshot.file(name)
        for item in view.findings if view is not None else ():
            if item.rule == "date-ambiguous" and (days := settled_by(item)):
                sheet, cell = cell_of(item.where, name)
                place = f"{sheet}!{cell}" if sheet else cell or ""
                answers.set_value(document, name, place, days[first == "month"][1], f"the {first} comes first")
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


def _columns(form: FormData) -> Any:
    """Describe a table by hand: which cells are lifts, which are flows, and of what."""
    columns = [
        {key: text(form, f"{key}{number}") for key in ("cells", "side", "port", "run")}
        for number in range(200)
        if text(form, f"cells{number}")
    ]
    lifts = [column["cells"] for column in columns if column["side"] == "lifts"]
    if len(lifts) != 1:
        raise JobError("one column must be the lifts", "say of one column that it is the lifts")
    flows = [
        answers.inline_table({k: int(v) if k == "run" and v.isdecimal() else v for k, v in column.items() if v})
        for column in columns
        if column["side"] in SIDES
    ]
    if not flows:
        raise JobError("no column is a flow", "say of at least one column that it is intake or exhaust")
    said = {"sheet": text(form, "sheet"), "lift": lifts[0]}
    said |= {key: text(form, key) for key in ("lift_unit", "flow_unit")}
    return answers.inline_table({**{key: value for key, value in said.items() if value}, "flow": flows})


_Edit = Callable[[Page, Any, FormData, list[str]], str]
_EDITS: dict[str, _Edit] = {
    "condition": _state_condition,
    "table": _state_table,
    "unstate": lambda page, document, form, files: answers.remove_condition(document, files[0], text(form, "key")),
    "value": lambda page, document, form, files: answers.set_value(
        document, files[0], text(form, "cell"), _given(form), text(form, "reason")
    ),
    "leave_out": lambda page, document, form, files: answers.leave_out(document, files[0], [text(form, "cell")]),
    "count": lambda page, document, form, files: answers.leave_out(document, files[0], [text(form, "cell")], undo=True),
    "columns": lambda page, document, form, files: answers.set_columns(document, files[0], _columns(form)),
    "date_order": _order_of_dates,
    "letters": _letters,
    "take_back": lambda page, document, form, files: answers.take_back(
        document, files[0], text(form, "what"), text(form, "cell")
    ),
}
"""What each kind of answer writes."""


def _file(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show a picture or a PDF of the folder as it is."""
    path = page.workspace.path(request.path_params["name"])
    kind = _SHOWN.get(path.suffix.lower())
    if kind is None or not path.is_file():
        raise JobError(f"{path.name} is not a picture of this folder", "choose one from the list")
    policy = {} if kind == "application/pdf" else {"content-security-policy": "default-src 'none'; sandbox"}
    return FileResponse(path, media_type=kind, headers=policy)


def _blank(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show an empty table to type into, beside a picture where one is named."""
    values = {"beside": request.query_params.get("beside", "")}
    if values["beside"]:
        page.workspace.path(values["beside"])
    return _table(page, snapshot, values, *_values(request.query_params)[1:])


def _table(page: Page, snapshot: Snapshot, values: Mapping[str, str], columns: int, rows: int) -> Response:
    """Show the table to type into, with what was typed."""
    beside = values.get("beside", "")
    kind = "picture" if Path(beside).suffix.lower() in PICTURES else "pdf" if beside.lower().endswith(".pdf") else ""
    return page.render(
        "type.html", snapshot, step="sheets", values=values, columns=columns, rows=rows, beside=beside, kind=kind,
        head=_HEAD, lift_units=LIFT_UNITS, flow_units=FLOW_UNITS, preview=_preview(values, snapshot.display),
    )  # fmt: skip


def _values(form: Mapping[str, Any]) -> tuple[dict[str, str], int, int]:
    """The form's fields, and how large its table is."""
    values = {key: value for key, value in form.items() if isinstance(value, str)}

    def count(key: str, default: int) -> int:
        """A small whole number of the form."""
        value = values.get(key, "")
        return int(value) if value.isdecimal() and len(value) < 4 else default

    return values, min(MOST_COLUMNS, max(1, count("columns", 5))), min(MOST_ROWS, max(3, count("rows", 10)))


def _typed(page: Page, form: FormData) -> str | Response:
    """Make the table larger, or save it as a sheet and take it into the job."""
    values, columns, rows = _values(form)
    snapshot = page.workspace.snapshot()
    if values.get("do") in ("column", "row"):
        return _table(page, snapshot, values, columns + (values["do"] == "column"), rows + 5 * (values["do"] == "row"))
    try:
        content, _ = sheet_text(values)
        for finding in _read(content)[0].findings:
            if finding.severity == "error" and finding.rule != "pressure-missing":
                raise JobError(finding.message)
    except FlowkitError as error:
        page.notice = Notice(str(error), bad=True)
        return _table(page, snapshot, values, columns, rows)
    name = values.get("name", "").strip() or Path(values.get("beside", "")).stem or "typed in"
    then, kept = _save(page, f"{name}.csv", content)
    page.notice = Notice(f"Saved as {kept} and taken into the job.")
    return then


def _save(page: Page, name: str, content: str) -> tuple[str, str]:
    """Keep a text as a sheet and take it into the job; returns where to go, and its name."""
    kept, _ = keep(page.workspace.folder, name, content.encode())
    page.workspace.document.redraft()
    _take(page, [kept], asked=True)
    return f"/sheets?file={quote(kept)}", kept


def sheet_text(values: Mapping[str, str]) -> tuple[str, dict[tuple[int, int], str]]:
    """Write what was typed as a sheet; also returns which field each of its cells came from (line, field).

    Raises JobError where a unit was not chosen or nothing was typed: neither is guessed.
    """
    lift_unit, flow_unit = values.get("lift_unit", ""), values.get("flow_unit", "")
    if lift_unit not in LIFT_UNITS or flow_unit not in FLOW_UNITS:
        raise JobError("the units are not chosen yet", "say what the lifts and the flows are in")
    columns = [c for c in range(MOST_COLUMNS) if any(values.get(f"f{r}_{c}", "").strip() for r in range(MOST_ROWS))]
    rows = [r for r in range(MOST_ROWS) if values.get(f"lift{r}", "").strip()]
    if not columns or not rows:
        raise JobError("there is no lift with a flow yet", "type the lifts down the side and the flows beside them")
    lines = [
        [field.name.replace("_", " ").capitalize(), values[field.name].strip()]
        for field in _HEAD
        if values.get(field.name, "").strip()
    ]
    lines.append([])
    head = [f"Lift ({lift_unit})"]
    for column in columns:
        side = values.get(f"side{column}", "")
        if side not in SIDES:
            raise JobError(f"column {column + 1} has no side yet", "choose intake or exhaust over it")
        port, run = values.get(f"port{column}", "").strip() or "1", values.get(f"run{column}", "").strip()
        head.append(f"{side.capitalize()} {port}{f' run {run}' if run else ''} ({flow_unit})")
    lines.append(head)
    places = {}

    def number(field: str) -> str:
        """A number as it was typed, its decimal comma as a point; the sheet's own commas part its cells."""
        value = values.get(field, "").strip()
        return value.replace(",", ".") if value.count(",") == 1 and "." not in value else value

    for row in rows:
        lines.append([number(f"lift{row}"), *(number(f"f{row}_{c}") for c in columns)])
        places[len(lines), 1] = f"lift{row}"
        places.update({(len(lines), index): f"f{row}_{c}" for index, c in enumerate(columns, 2)})
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(lines)
    return out.getvalue(), places


def _read(content: str, suffix: str = ".csv") -> tuple[ReadResult, tuple[SheetPicture, ...]]:
    """Read a text as the sheet it would be; returns what was read, and the sheet as a picture."""
    with tempfile.TemporaryDirectory(prefix="flowkit-typed-") as folder:
        path = Path(folder, f"{'typed' if suffix == '.csv' else 'pasted'}{suffix}")
        path.write_text(content, encoding="utf-8")
        got = read(path)
        return got, pictures(path, path.name, None, got.findings) if suffix != ".csv" else ()


def _preview(values: Mapping[str, str], display: str) -> dict[str, Any]:
    """The curve so far, what is odd about it, and which fields are meant."""
    made: dict[str, Any] = {"chart": "", "said": [], "flags": [], "waits": ""}
    try:
        content, places = sheet_text(values)
        result, _ = _read(content)
    except FlowkitError as error:
        return {**made, "waits": error.sentence}
    sources = set()
    for finding in result.findings:
        if finding.severity == "note":
            continue
        line, _, field = finding.where.partition(":")[2].partition(":")
        place = places.get((int(line), int(field))) if line.isdecimal() and field.isdecimal() else None
        if place:
            made["flags"].append(place)
            sources.add(finding.where)
        if finding.rule != "pressure-missing":
            made["said"].append(finding.message)
    if result.tests:
        made["chart"] = read_chart(result.tests, display, asked=sources)
    return made


def _check(page: Page, form: FormData) -> Response:
    """Answer the script with the curve so far."""
    snapshot = page.workspace.snapshot()
    return page.render("typed.html", snapshot, preview=_preview(_values(form)[0], snapshot.display))


def _paste(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show an empty field to paste into."""
    return page.render("paste.html", snapshot, step="sheets", pasted="", result=None)


def _pasted(page: Page, form: FormData) -> str | Response:
    """Show how a pasted table would be read, or save it as a sheet."""
    raw = form.get("pasted")
    content = raw.replace("\r\n", "\n") if isinstance(raw, str) else ""
    snapshot = page.workspace.snapshot()
    if not content.strip() or len(content) > MOST_PASTED:
        page.notice = Notice("Paste a table first, at most 400 000 characters.", bad=True)
        return page.render("paste.html", snapshot, step="sheets", pasted="", result=None)
    suffix = ".tsv" if "\t" in content else ".txt"
    if text(form, "do") == "save":
        return _save(page, f"{text(form, 'name') or 'pasted'}{suffix}", content)[0]
    result: dict[str, Any] = {"chart": "", "pictures": (), "said": [], "tests": 0}
    try:
        got, result["pictures"] = _read(content, suffix)
        result["tests"] = len(got.tests)
        result["said"] = [finding.message for finding in got.findings if finding.severity != "note"]
        result["chart"] = read_chart(got.tests, snapshot.display) if got.tests else ""
    except FlowkitError as error:
        result["said"] = [str(error)]
    return page.render("paste.html", snapshot, step="sheets", pasted=content, result=result)


PAGES: dict[str, View] = {"/sheets": _view, "/type": _blank, "/paste": _paste, "/file/{name:path}": _file}
FORMS: dict[str, Action] = {
    "/sheets/add": _add,
    "/sheets/use": _use,
    "/sheets/drop": _drop,
    "/answer": _answer,
    "/type": _typed,
    "/type/check": _check,
    "/paste": _pasted,
}
