"""All addresses of the page."""

from __future__ import annotations

from pathlib import Path

from starlette.applications import Starlette
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from flowkit.page import (
    answers,
    step_build,
    step_engine,
    step_heads,
    step_records,
    step_result,
    step_sheets,
)
from flowkit.page.plumbing import Action, Notice, Page, text
from flowkit.page.workspace import Workspace
from flowkit.reports.html import ASSETS, chart_css

_OWN = Path(__file__).parent / "static"
_STATIC = {"page.css": "text/css", "page.js": "text/javascript", "charts.js": "text/javascript",
           "typing.js": "text/javascript", "icon.svg": "image/svg+xml"}  # fmt: skip


def make_app(workspace: Workspace) -> Starlette:
    """Return the application of one folder."""
    page = Page(workspace)

    async def refused(request: Request, error: Exception) -> Response:
        """Say why a request was refused: no such page, too many files or fields, too large a body."""
        assert isinstance(error, HTTPException)
        missing = error.status_code in (404, 405)
        said = "There is no such page here." if missing else f"{error.detail.rstrip('.')}."
        return page.plain(said, 404 if missing else error.status_code)

    made = [Route("/", _home), Route("/alive", _alive), Route("/static/{name}", _static)]
    for step in (step_sheets, step_heads, step_result, step_engine, step_build, step_records):
        made += [Route(path, page.show(view)) for path, view in step.PAGES.items()]
        made += [Route(path, page.act(action), methods=["POST"]) for path, action in step.FORMS.items()]
    made += [Route(path, page.act(action), methods=["POST"]) for path, action in _FORMS.items()]
    app = Starlette(routes=made, exception_handlers={HTTPException: refused})
    app.state.page = page
    return app


async def _home(request: Request) -> Response:
    """Go to the first step."""
    return RedirectResponse("/sheets", 303)


async def _alive(request: Request) -> Response:
    """Answer an open page, which asks once a minute: whoever looks at it does not lose it."""
    return Response(status_code=204)


async def _static(request: Request) -> Response:
    """Give one of the page's own files."""
    name = request.path_params["name"]
    if name not in _STATIC:
        return PlainTextResponse("there is no such file", 404)
    content = ((ASSETS if name == "charts.js" else _OWN) / name).read_text(encoding="utf-8")
    if name == "page.css":
        content = content.replace("/*charts*/", chart_css())
    return Response(content, media_type=f"{_STATIC[name]}; charset=utf-8")


def _close(page: Page, form: FormData) -> Response:
    """End the server, and say how to come back."""
    page.closed = True
    document = page.workspace.document
    kept = f"Every answer is saved in {document.path}." if document.read().on_disk else "Nothing was written."
    return page.plain(f"flowkit is closed. {kept} You can close this window; open the folder again to go on.", 200)


def _undo(page: Page, form: FormData) -> str:
    """Take the last answer back."""
    page.notice = Notice(f"Undone: {page.workspace.document.undo(text(form, 'version') or None)}.")
    return text(form, "back")


def _redo(page: Page, form: FormData) -> str:
    """Bring an answer that was taken back again."""
    page.notice = Notice(f"Redone: {page.workspace.document.redo(text(form, 'version') or None)}.")
    return text(form, "back")


def _display(page: Page, form: FormData) -> str:
    """Switch the units people see."""
    value = "metric" if text(form, "display") == "metric" else "US"

    def edit(document: object) -> str:
        """Write the switch."""
        answers.set_table_value(document, ("job", "display"), value)
        return f"units shown: {value}"

    page.edit(form, edit)
    return text(form, "back")


_FORMS: dict[str, Action] = {"/undo": _undo, "/redo": _redo, "/close": _close, "/display": _display}
