"""Step 5, the build file: the report made, looked at and kept, or put into the customer's build file."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from flowkit.errors import JobError
from flowkit.page import answers
from flowkit.page.plumbing import Action, Notice, Page, View, keep, text
from flowkit.page.workspace import Snapshot

FORMATS = {
    "pdf": ("PDF", "to print and to send", "application/pdf"),
    "html": ("One-file page", "opens in any browser, values under the pointer", "text/html"),
    "png": ("Picture", "the first page", "image/png"),
    "xlsx": ("Workbook", "every figure with its formula",
             "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
}  # fmt: skip
MOST_LOGO, MOST_PIXELS = 4_000_000, 16_000_000


def _view(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the report's state, its pages as they print, and what can be kept."""
    report, attached = page.tasks.last("report"), page.tasks.last("attach")
    files = report.done["files"] if report is not None and report.done else []
    return page.render(
        "build.html",
        snapshot,
        step="build",
        forms=FORMATS,
        report=report,
        attached=attached,
        stale=report is not None and report.key != snapshot.state.version,
        errors=[finding for finding in snapshot.findings if finding.severity == "error"],
        previews=[name for name in files if "_page_" in name],
        shop=answers.table_value(snapshot.document, ("job", "shop")) or "",
        logo=answers.table_value(snapshot.document, ("job", "logo")) or "",
    )


def wanted_of(snapshot: Snapshot, work: str, **more: Any) -> dict[str, Any]:
    """What the worker is to do."""
    if snapshot.problem:
        raise JobError(snapshot.problem)
    if snapshot.results is None:
        raise JobError(snapshot.waiting or "there is nothing to report yet", "answer the open questions first")
    return {"work": work, "text": snapshot.state.text, "path": str(snapshot.folder / "job.toml"), **more}


def _make(page: Page, form: FormData) -> str:
    """Start making the report."""
    now = page.workspace.snapshot()
    wanted_of(now, "report")
    said = {"shop": " ".join(text(form, "shop").split()) or None, "logo": _logo(page, form)}
    changed = {
        key: value for key, value in said.items() if value != (answers.table_value(now.document, ("job", key)) or None)
    }

    def edit(document: Any) -> str:
        """Write the shop's name and logo where they are not what they were."""
        for key, value in changed.items():
            answers.set_table_value(document, ("job", key), value)
        return f"{' and '.join(changed)} on the report"

    if changed:
        page.edit(form, edit)
        now = page.workspace.snapshot()
    page.tasks.start(wanted_of(now, "report", pages=_pages(form)), now.state.version)
    return "/build"


def _pages(form: FormData) -> list[int] | None:
    """The pages that were asked for: the one page, or all of them."""
    return [1] if text(form, "pages") == "one" else None


def _logo(page: Page, form: FormData) -> str | None:
    """The shop's logo from now on: a new picture kept in the folder, the one before, or none."""
    item = form.get("logo")
    if not isinstance(item, UploadFile) or not item.filename:
        return None if text(form, "no_logo") else text(form, "logo_now") or None
    from PIL import Image

    data = item.file.read(MOST_LOGO + 1)
    try:
        with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as picture:
            fits = len(data) <= MOST_LOGO and picture.width * picture.height <= MOST_PIXELS
            picture.verify()
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        raise JobError(f"{item.filename} is not a PNG or JPEG picture", "choose another file for the logo") from None
    if not fits:
        raise JobError(f"{item.filename} is too large for a logo", "4 MB and 16 million pixels at most")
    return keep(page.workspace.folder, item.filename, data)[0]


def _attach(page: Page, form: FormData) -> str:
    """Take a build file and put the flow chart into a copy of it."""
    item = form.get("build_file")
    if not isinstance(item, UploadFile) or not item.filename:
        raise JobError("no build file was chosen", "choose a PDF, XLSX, XLSM or DOCX")
    snapshot = page.workspace.snapshot()
    wanted = wanted_of(snapshot, "attach", pages=_pages(form))
    out = page.tasks.folder()
    name, _ = keep(out, item.filename, item.file)
    page.tasks.start({**wanted, "file": name}, snapshot.state.version, out)
    return "/build#attach"


def _stop(page: Page, form: FormData) -> str:
    """Stop work of a kind."""
    task = page.tasks.last(text(form, "kind"))
    if task is not None and task.running:
        task.stop()
        page.notice = Notice("Stopped; nothing was written.")
    return text(form, "back") or "/build"


def _progress(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Say how far work of a kind is."""
    task = page.tasks.last(request.path_params["kind"])
    if task is None:
        return JSONResponse({"running": False, "share": 0.0, "say": ""})
    return JSONResponse({"running": task.running, "share": task.share, "say": task.say})


def _out(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Give a finished file to keep, or a picture or PDF to look at; a page of HTML is only ever given to keep."""
    task = page.tasks.last(request.path_params["kind"])
    name = request.path_params["name"]
    if task is None or task.done is None or name not in task.done["files"]:
        raise JobError("this file is not ready", "make it first")
    kinds = (kind for ending, (_, _, kind) in FORMATS.items() if name.endswith(f".{ending}"))
    kind = next(kinds, "application/octet-stream")
    look = "show" in request.query_params and kind in ("image/png", "application/pdf")
    return FileResponse(
        Path(task.out, name),
        media_type=kind,
        filename=name,
        content_disposition_type="inline" if look else "attachment",
    )


PAGES: dict[str, View] = {"/build": _view, "/build/out/{kind}/{name}": _out, "/work/{kind}": _progress}
FORMS: dict[str, Action] = {"/build/make": _make, "/build/attach": _attach, "/work/stop": _stop}
