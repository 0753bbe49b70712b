"""Who may ask and how much: one middleware between the browser and the page."""

from __future__ import annotations

import contextlib
import hmac
import secrets
from collections.abc import Mapping
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlencode

from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BYTES = 200_000_000
"""Size of one upload, all its files together."""

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
        """Handle one request."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        refused = self._refused(scope, headers)
        if refused is not None:
            await refused(scope, receive, _with_headers(send))
            return
        self.requests += 1
        seen = 0

        async def counted() -> Message:
            """Count what comes in, so that a body without a length cannot fill the disk either."""
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > self.most_bytes:
                raise HTTPException(413, _TOO_LARGE.format(self.most_bytes // 1_000_000))
            return message

        await self.app(scope, counted, _with_headers(send))

    def _refused(self, scope: Scope, headers: Mapping[str, str]) -> HTMLResponse | RedirectResponse | None:
        """Return the answer to a request that may not go on; None where it may."""
        port = scope["server"][1]
        hosts = (f"127.0.0.1:{port}", f"localhost:{port}")
        host = headers.get("host", "")
        if host not in hosts:
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
        origin = headers.get("origin")
        own = (
            headers.get("sec-fetch-site") == "same-origin" if origin is None else origin == f"http://{headers['host']}"
        )
        if not own:
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


def _with_headers(send: Send) -> Send:
    """Send with the headers every answer carries."""

    async def sending(message: Message) -> None:
        """Add the headers an answer does not set itself."""
        if message["type"] == "http.response.start":
            known = {name.lower() for name, _ in message.get("headers", [])}
            message["headers"] = [
                *message.get("headers", []),
                *((k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in known),
            ]
        await send(message)

    return sending
