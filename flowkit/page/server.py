"""Serving the page: one folder, this computer only, until Ctrl-C or SIGTERM."""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import json
import math
import os
import secrets
import signal
import socket
import sys
import tempfile
import threading
import webbrowser
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from flowkit.errors import FlowkitError, JobError
from flowkit.page.workspace import Workspace

if TYPE_CHECKING:
    import uvicorn

    from flowkit.page.plumbing import Page
    from flowkit.page.routes import Guard


def serve(folder: Path, *, port: int = 0, browser: bool = True, idle_s: float = math.inf) -> int:
    """Serve a folder's job until it is closed on the page, stopped, or nobody asked for `idle_s`; the exit status."""
    folder, job = _folder_and_job(folder)
    mark = _mark(folder, job)
    running = _running(mark)
    if running is not None:
        print(running, flush=True)
        print("this folder is already open; here is its page again", file=sys.stderr)
        if browser:
            _show(running)
        return 0
    secret = secrets.token_urlsafe(24)
    listening = _listen(port)
    address = f"http://127.0.0.1:{listening.getsockname()[1]}/?key={secret}"
    workspace = Workspace(folder, job)

    def warm() -> None:
        """Read the job while the rest is loaded and the browser starts; whatever is wrong with it, the page says."""
        with contextlib.suppress(FlowkitError, OSError):
            workspace.snapshot()

    threading.Thread(target=warm, daemon=True).start()
    import uvicorn

    from flowkit.page.routes import Guard, make_app

    app = make_app(workspace)
    guard = Guard(app, secret=secret)
    settings = uvicorn.Config(
        guard, log_level="critical", access_log=False, ws="none", timeout_graceful_shutdown=2, server_header=False
    )
    _remember(mark, address)
    try:
        # From the first line on, a request to end is a normal end.
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        print(address, flush=True)
        if browser:
            threading.Thread(target=_show, args=(address,), daemon=True).start()
        _server(settings, guard, app.state.page, idle_s).run(sockets=[listening])
    except KeyboardInterrupt:
        pass
    finally:
        app.state.page.tasks.close()
        with contextlib.suppress(OSError):
            mark.unlink()
    return 0


def _server(settings: uvicorn.Config, guard: Guard, page: Page, idle_s: float) -> uvicorn.Server:
    """A server that ends well when asked to: uvicorn's own raises the signal again once it has ended."""
    import uvicorn

    class Server(uvicorn.Server):
        """uvicorn's, but for the signals, and it ends where the page was closed or nobody looks at it any more."""

        seen, idle, closing = 0, 0, 0

        async def on_tick(self, counter: int) -> bool:
            """Count tenths of a second; a computer that sleeps counts none, so no page is gone when it wakes."""
            self.idle = 0 if guard.requests != self.seen or page.tasks.running else self.idle + 1
            self.seen, self.closing = guard.requests, self.closing + page.closed
            # The last page still fetches its style.
            self.should_exit |= self.closing > 10 or self.idle > 10 * idle_s
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

    return Server(settings)


def _folder_and_job(path: Path) -> tuple[Path, str]:
    """The folder and its job file's name, from either."""
    if path.is_dir():
        return path.resolve(), "job.toml"
    if path.suffix.lower() == ".toml" and path.parent.is_dir():
        return path.resolve().parent, path.name
    if not path.exists():
        raise JobError("there is no such folder", "name the folder that holds the sheets", file=str(path))
    raise JobError("this is a file, not a folder", f"open its folder: flowkit open {path.parent}", file=str(path))


def _listen(port: int) -> socket.socket:
    """Bind the loopback address, on a port the system picks unless one is wanted."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name != "nt":
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(("127.0.0.1", port))
        made.listen(128)  # whoever reads the address may come before the server runs
    except OSError as error:
        made.close()
        raise FlowkitError(
            f"port {port} cannot be used ({error.strerror or error})", "leave --port out: a free one is found"
        ) from error
    return made


def _show(address: str) -> None:
    """Open the browser; where there is none, say so beside the address."""
    try:
        shown = webbrowser.open(address)
    except webbrowser.Error:
        shown = False
    if not shown:
        print("no browser was found; open the address above in one on this computer", file=sys.stderr, flush=True)


def _mark(folder: Path, job: str) -> Path:
    """Where the address of a running page is kept, for this user alone."""
    user = str(os.getuid()) if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")
    own = Path(tempfile.gettempdir()) / f"flowkit-{user}"
    name = hashlib.sha256(str(folder / job).encode()).hexdigest()[:24]
    return own / f"{name}.json"


def _remember(mark: Path, address: str) -> None:
    """Keep the address where only this user can read it; without such a place, a second start is a second page."""
    with contextlib.suppress(OSError):
        mark.parent.mkdir(mode=0o700, exist_ok=True)
        known = mark.parent.lstat()
        if hasattr(os, "getuid") and (known.st_uid != os.getuid() or known.st_mode & 0o077):
            return
        with contextlib.suppress(FileNotFoundError):
            mark.unlink()
        handle = os.open(mark, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            json.dump({"address": address}, stream)


def _running(mark: Path) -> str | None:
    """The address of a page of this folder that answers, None where there is none."""
    try:
        if hasattr(os, "getuid") and mark.lstat().st_uid != os.getuid():
            return None
        address = str(json.loads(mark.read_text(encoding="utf-8"))["address"])
        place = urlsplit(address)
        if place.hostname != "127.0.0.1":
            return None
        with contextlib.closing(http.client.HTTPConnection(place.hostname, place.port, timeout=2)) as connection:
            connection.request("GET", f"/?{place.query}")
            # The key is taken with a redirect; another program on the port would not know it.
            return address if connection.getresponse().status == 303 else None
    except (OSError, ValueError, KeyError, http.client.HTTPException):
        return None
