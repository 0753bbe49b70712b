"""Typing a table in beside a photo, and pasting one: saved as a sheet that reads back without an assumption."""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from flowkit.errors import FlowkitError, JobError
from flowkit.importers import ReadResult, read
from flowkit.page import charts
from flowkit.page.plumbing import Notice, Page, keep, text
from flowkit.page.sheetview import pictures
from flowkit.page.step_sheets import _take
from flowkit.page.workspace import PICTURES, Snapshot

MOST_COLUMNS, MOST_ROWS = 24, 60
MOST_PASTED = 400_000
_HEAD = (
    ("variant", "State of the head", "as received"),
    ("head", "Head, if there are two", "left"),
    ("test_pressure", "Test pressure, with its unit", "28 inH2O"),
    ("fixture_bore", "Fixture bore, with its unit", "83 mm"),
    ("leak", "Leak, valve closed, with its unit", "0.4 CFM"),
    ("date", "Day it was flowed", ""),
    ("bench", "Bench", "bench A"),
    ("operator", "Operator", ""),
)
_LABELS = {"variant": "Variant", "head": "Head", "test_pressure": "Test pressure", "fixture_bore": "Fixture bore",
           "leak": "Leak", "date": "Date", "bench": "Bench", "operator": "Operator"}  # fmt: skip
LIFT_UNITS, FLOW_UNITS = ("mm", "in"), ("CFM", "L/s", "m³/h", "L/min")


def routes(page: Page) -> list[Route]:
    """Return the step's addresses."""
    return [
        Route("/type", page.show(lambda request, snapshot: _blank(page, request, snapshot))),
        Route("/type", page.act(lambda form: _typed(page, form)), methods=["POST"]),
        Route("/type/check", page.act(lambda form: _check(page, form)), methods=["POST"]),
        Route("/paste", page.show(lambda request, snapshot: page.render("paste.html", snapshot, step="sheets",
                                                                        pasted="", result=None))),
        Route("/paste", page.act(lambda form: _pasted(page, form)), methods=["POST"]),
    ]  # fmt: skip


def _blank(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show an empty table, beside a picture where one is named."""
    beside = request.query_params.get("beside", "")
    if beside:
        page.workspace.path(beside)
    _, columns, rows = _values(request.query_params)
    return _form(page, snapshot, {"beside": beside}, columns, rows)


def _form(page: Page, snapshot: Snapshot, values: Mapping[str, str], columns: int, rows: int) -> Response:
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
    columns = min(MOST_COLUMNS, max(1, _count(values.get("columns"), 5)))
    return values, columns, min(MOST_ROWS, max(3, _count(values.get("rows"), 10)))


def _count(value: str | None, default: int) -> int:
    """A small whole number of a form."""
    return int(value) if value and value.isdecimal() and len(value) < 4 else default


def _typed(page: Page, form: FormData) -> str | Response:
    """Make the table larger, or save it as a sheet and take it into the job."""
    values, columns, rows = _values(form)
    snapshot = page.workspace.snapshot()
    if values.get("do") in ("column", "row"):
        return _form(page, snapshot, values, columns + (values["do"] == "column"), rows + 5 * (values["do"] == "row"))
    try:
        content, _ = sheet_text(values)
        result = _read(content)
        for finding in result.findings:
            if finding.severity == "error" and finding.rule != "pressure-missing":
                raise JobError(finding.message)
    except FlowkitError as error:
        page.notice = Notice(str(error), bad=True)
        return _form(page, snapshot, values, columns, rows)
    name = values.get("name", "").strip() or (Path(values.get("beside", "")).stem or "typed in")
    kept, _ = keep(page.workspace.folder, f"{name}.csv", content.encode())
    page.workspace.document.redraft()
    _take(page, form, [kept], asked=True)
    page.notice = Notice(f"Saved as {kept} and taken into the job.")
    return f"/sheets?file={quote(kept)}"


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
    lines = [[_LABELS[key], values[key].strip()] for key, *_ in _HEAD if values.get(key, "").strip()]
    lines.append([])
    head = [f"Lift ({lift_unit})"]
    for column in columns:
        side = values.get(f"side{column}", "")
        if side not in ("intake", "exhaust"):
            raise JobError(f"column {column + 1} has no side yet", "choose intake or exhaust over it")
        port, run = values.get(f"port{column}", "").strip() or "1", values.get(f"run{column}", "").strip()
        head.append(f"{side.capitalize()} {port}{f' run {run}' if run else ''} ({flow_unit})")
    lines.append(head)
    places = {}
    for row in rows:
        lines.append([_number(values[f"lift{row}"]), *(_number(values.get(f"f{row}_{c}", "")) for c in columns)])
        places[len(lines), 1] = f"lift{row}"
        places.update({(len(lines), index): f"f{row}_{c}" for index, c in enumerate(columns, 2)})
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(lines)
    return out.getvalue(), places


def _number(value: str) -> str:
    """A number as it was typed, its decimal comma as a point; the sheet's own commas part its cells."""
    value = value.strip()
    return value.replace(",", ".") if value.count(",") == 1 and "." not in value else value


def _read(content: str, suffix: str = ".csv") -> ReadResult:
    """Read a text as the sheet it would be."""
    with tempfile.TemporaryDirectory(prefix="flowkit-typed-") as folder:
        path = Path(folder, f"typed{suffix}")
        path.write_text(content, encoding="utf-8")
        return read(path)


def _preview(values: Mapping[str, str], display: str) -> dict[str, Any]:
    """The curve so far, what is odd about it, and which fields are meant."""
    made: dict[str, Any] = {"chart": "", "said": [], "flags": [], "waits": ""}
    try:
        content, places = sheet_text(values)
        result = _read(content)
    except FlowkitError as error:
        made["waits"] = error.sentence
        return made
    asked = set()
    for finding in result.findings:
        line, _, field = finding.where.partition(":")[2].partition(":")
        place = places.get((int(line), int(field))) if line.isdecimal() and field.isdecimal() else None
        if place and finding.severity != "note":
            made["flags"].append(place)
            asked.add(finding.where)
        if finding.severity != "note" and finding.rule != "pressure-missing":
            made["said"].append(finding.message)
    if result.tests:
        made["chart"] = charts.read_chart(result.tests, display, asked=asked)
    return made


def _check(page: Page, form: FormData) -> Response:
    """Answer the script with the curve so far."""
    values, _, _ = _values(form)
    snapshot = page.workspace.snapshot()
    return page.render("typed.html", snapshot, preview=_preview(values, snapshot.display))


def _pasted(page: Page, form: FormData) -> str | Response:
    """Show how a pasted table would be read, or save it as a sheet."""
    raw = form.get("pasted")
    pasted = raw if isinstance(raw, str) else ""
    snapshot = page.workspace.snapshot()
    if not pasted.strip() or len(pasted) > MOST_PASTED:
        page.notice = Notice("Paste a table first, at most 400 000 characters.", bad=True)
        return page.render("paste.html", snapshot, step="sheets", pasted="", result=None)
    content = pasted.replace("\r\n", "\n")
    suffix = ".tsv" if "\t" in content else ".txt"
    if text(form, "do") == "save":
        name = text(form, "name") or "pasted"
        kept, _ = keep(page.workspace.folder, f"{name}{suffix}", content.encode())
        page.workspace.document.redraft()
        _take(page, form, [kept], asked=True)
        return f"/sheets?file={quote(kept)}"
    result: dict[str, Any] = {"chart": "", "pictures": (), "said": [], "tests": 0}
    with tempfile.TemporaryDirectory(prefix="flowkit-pasted-") as folder:
        path = Path(folder, f"pasted{suffix}")
        path.write_text(content, encoding="utf-8")
        try:
            got = read(path)
            result["tests"] = len(got.tests)
            result["said"] = [finding.message for finding in got.findings if finding.severity != "note"]
            result["chart"] = charts.read_chart(got.tests, snapshot.display) if got.tests else ""
            result["pictures"] = pictures(path, path.name, None, got.findings)
        except FlowkitError as error:
            result["said"] = [str(error)]
    return page.render("paste.html", snapshot, step="sheets", pasted=content, result=result)
