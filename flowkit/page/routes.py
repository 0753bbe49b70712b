"""All addresses of the page."""

from __future__ import annotations

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
    step_typing,
)
from flowkit.page.plumbing import Notice, Page, home, text
from flowkit.page.workspace import Workspace
from flowkit.reports.html import ASSETS, chart_css

_STATIC = {"page.css": "text/css", "page.js": "text/javascript", "charts.js": "text/javascript",
           "typing.js": "text/javascript", "icon.svg": "image/svg+xml"}  # fmt: skip


def make_app(workspace: Workspace) -> Starlette:
    """Return the application of one folder."""
    page = Page(workspace)
    made: list[Route] = [
        Route("/", _home),
        Route("/static/{name}", _static),
        Route("/undo", page.act(lambda form: _step(page, form, back=True)), methods=["POST"]),
        Route("/redo", page.act(lambda form: _step(page, form, back=False)), methods=["POST"]),
        Route("/close", page.act(lambda form: _close(page)), methods=["POST"]),
        Route("/alive", _alive),
        Route("/display", page.act(lambda form: _display(page, form)), methods=["POST"]),
    ]
    for step in (step_sheets, step_typing, step_heads, step_result, step_engine, step_build, step_records):
        made += step.routes(page)
    app = Starlette(
        routes=made, exception_handlers={404: _missing(page), 405: _missing(page), HTTPException: _refused(page)}
    )
    app.state.page = page
    return app


async def _home(request: Request) -> Response:
    """Go to the first step."""
    return RedirectResponse("/sheets", 303)


async def _static(request: Request) -> Response:
    """Give one of the page's own files."""
    name = request.path_params["name"]
    if name not in _STATIC:
        return PlainTextResponse("there is no such file", 404)
    folder = ASSETS if name == "charts.js" else home() / "static"
    content = (folder / name).read_text(encoding="utf-8")
    if name == "page.css":
        content = content.replace("/*charts*/", chart_css())
    return Response(content, media_type=f"{_STATIC[name]}; charset=utf-8")


async def _alive(request: Request) -> Response:
    """Answer an open page, which asks once a minute: whoever looks at it does not lose it."""
    return Response(status_code=204)


def _close(page: Page) -> Response:
    """End the server, and say how to come back."""
    page.closed = True
    document = page.workspace.document
    kept = f"Every answer is saved in {document.path}." if document.read().on_disk else "Nothing was written."
    return page.plain(f"flowkit is closed. {kept} You can close this window; open the folder again to go on.", 200)


def _missing(page: Page):  # type: ignore[no-untyped-def]
    """Say that there is no such page."""

    async def handler(request: Request, error: Exception) -> Response:
        """Answer plainly."""
        return page.plain("There is no such page here.", 404)

    return handler


def _refused(page: Page):  # type: ignore[no-untyped-def]
    """Say why a request was refused: too many files or fields, too large a body."""

    async def handler(request: Request, error: HTTPException) -> Response:
        """Answer plainly."""
        return page.plain(f"{error.detail.rstrip('.')}.", error.status_code)

    return handler


def _step(page: Page, form: FormData, *, back: bool) -> str:
    """Undo or redo."""
    document = page.workspace.document
    what = (document.undo if back else document.redo)(text(form, "version") or None)
    page.notice = Notice(f"{'Undone' if back else 'Redone'}: {what}.")
    return text(form, "back") or "/sheets"


def _display(page: Page, form: FormData) -> str:
    """Switch the units people see."""
    value = "metric" if text(form, "display") == "metric" else "US"

    def edit(document: object) -> str:
        """Write the switch."""
        answers.set_table_value(document, ("job", "display"), value)
        return f"units shown: {value}"

    page.edit(form, edit)
    return text(form, "back") or "/sheets"
