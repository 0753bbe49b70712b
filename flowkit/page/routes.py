"""All addresses of the page, and who may ask for them and how much."""

from __future__ import annotations

import contextlib
import hmac
import secrets
import signal
from collections.abc import Iterator, Mapping
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from urllib.parse import parse_qs, urlencode

import uvicorn
from starlette.applications import Starlette
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from flowkit.page import (
    answers,
    step_build,
    step_engine,
    step_heads,
    step_records,
    step_result,
    step_sheets,
)
from flowkit.page.plumbing import MOST_BYTES, Action, Notice, Page, text
from flowkit.page.workspace import Workspace
from flowkit.reports.html import ASSETS, chart_css

_OWN = Path(__file__).parent / "static"
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "frame-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'self'"
)
HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    # Browsers send "Origin: null" with forms under no-referrer, and the origin is checked here.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
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
    page.notice = Notice(f"Undone: {page.workspace.document.step(text(form, 'version') or None, -1)}.")
    return text(form, "back")


def _redo(page: Page, form: FormData) -> str:
    """Bring an answer that was taken back again."""
    page.notice = Notice(f"Redone: {page.workspace.document.step(text(form, 'version') or None, 1)}.")
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


class Guard:
    """Let only this computer's browser in, with the secret, from the page itself, within the limits.

    Loopback alone is no protection: any site can send the browser here. The secret in the address is
    exchanged for a SameSite cookie; `Host` is checked against DNS rebinding, `Origin` against other
    sites' forms.
    """

    def __init__(self, app: ASGIApp, *, secret: str, most_bytes: int = MOST_BYTES) -> None:
        self.app = app
        self.secret = secret
        self.session = secrets.token_urlsafe(32)
        self.most_bytes = most_bytes
        self.requests = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request; every answer carries the headers that it does not set itself."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        seen = 0

        async def counted() -> Message:
            """Count what comes in, so that a body without a length cannot fill the disk either."""
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > self.most_bytes:
                raise HTTPException(413, _TOO_LARGE.format(self.most_bytes // 1_000_000))
            return message

        async def sending(message: Message) -> None:
            """Add the headers."""
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", []))
                known = {name.lower() for name, _ in headers}
                headers += [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in known]
                message["headers"] = headers
            await send(message)

        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        refused = self._refused(scope, headers)
        if refused is not None:
            await refused(scope, receive, sending)
            return
        self.requests += 1
        await self.app(scope, counted, sending)

    def _refused(self, scope: Scope, headers: Mapping[str, str]) -> HTMLResponse | RedirectResponse | None:
        """Return the answer to a request that may not go on; None where it may."""
        port = scope["server"][1]
        if headers.get("host", "") not in (f"127.0.0.1:{port}", f"localhost:{port}"):
            return _page(403, "This address is not the page's own. Open the address that flowkit printed.")
        query = parse_qs(scope["query_string"].decode("latin-1"))
        name = f"flowkit_{port}"
        if "key" in query and scope["method"] == "GET":
            if not hmac.compare_digest(query["key"][0].encode(), self.secret.encode()):
                return _page(403, "This key is not the one that flowkit printed. Open its address again.")
            rest = {key: values[0] for key, values in query.items() if key != "key"}
            answer = RedirectResponse(scope["path"] + (f"?{urlencode(rest)}" if rest else ""), 303)
            answer.set_cookie(name, self.session, httponly=True, samesite="strict", path="/")
            return answer
        cookie: SimpleCookie = SimpleCookie()
        with contextlib.suppress(CookieError):
            cookie.load(headers.get("cookie", ""))
        held = cookie[name].value if name in cookie else ""
        if not hmac.compare_digest(held.encode(), self.session.encode()):
            return _page(403, "This page needs the key in its address. Open the folder with flowkit again.")
        return None if scope["method"] in ("GET", "HEAD") else self._refused_form(headers)

    def _refused_form(self, headers: Mapping[str, str]) -> HTMLResponse | None:
        """Return the answer to a form that may not go on: from elsewhere, or too large."""
        own = headers.get("origin", "") == f"http://{headers['host']}"
        if not own and not ("origin" not in headers and headers.get("sec-fetch-site") == "same-origin"):
            return _page(403, "This form was sent from another page and was not taken.")
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > self.most_bytes:
            return _page(413, _TOO_LARGE.format(self.most_bytes // 1_000_000))
        return None


_TOO_LARGE = "That is more than {} MB at once; nothing was taken. Drop fewer or smaller files."


def _page(status: int, text: str) -> HTMLResponse:
    """A plain page with one sentence; the text is ours, never a visitor's."""
    body = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>flowkit</title></head>'
        f'<body><main><h1>flowkit</h1><p>{text}</p><p><a href="/">Back to the job</a></p></main></body></html>'
    )
    return HTMLResponse(body, status)


class Server(uvicorn.Server):
    """Ends well when asked to (uvicorn's own raises the signal again), when closed, and when nobody looks any more."""

    def __init__(self, guard: Guard, page: Page, idle_s: float) -> None:
        super().__init__(
            uvicorn.Config(
                guard, log_level="critical", access_log=False, ws="none", timeout_graceful_shutdown=2,
                server_header=False,
            )
        )  # fmt: skip
        self._guard, self._page, self._most = guard, page, 10 * idle_s
        self._seen = self._idle = self._closing = 0

    async def on_tick(self, counter: int) -> bool:
        """Count tenths of a second; a computer that sleeps counts none, so no page is gone when it wakes."""
        waited_for = self._guard.requests != self._seen or self._page.tasks.running
        self._idle = 0 if waited_for else self._idle + 1
        self._seen, self._closing = self._guard.requests, self._closing + self._page.closed
        # The last page still fetches its style.
        self.should_exit |= self._closing > 10 or self._idle > self._most
        return await super().on_tick(counter)

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """End on Ctrl-C and SIGTERM."""
        kept = {kind: signal.signal(kind, self.handle_exit) for kind in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for kind, handler in kept.items():
                signal.signal(kind, handler)
