"""Serving the page of one folder to this computer only, from a console or from an icon on the desktop."""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import json
import math
import os
import secrets
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import webbrowser
from pathlib import Path
from urllib.parse import urlsplit

from flowkit.errors import FlowkitError, JobError
from flowkit.output import written_whole
from flowkit.page.workspace import Workspace

IDLE_S = 8 * 3600.0
"""A page without a console ends after so long without an open window; an open one asks once a minute."""


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
    from flowkit.page.routes import Guard, Server, make_app

    app = make_app(workspace)
    guard = Guard(app, secret=secret)
    _remember(mark, address)
    try:
        # From the first line on, a request to end is a normal end.
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        print(address, flush=True)
        if browser:
            threading.Thread(target=_show, args=(address,), daemon=True).start()
        Server(guard, app.state.page, idle_s).run(sockets=[listening])
    except KeyboardInterrupt:
        pass
    finally:
        app.state.page.tasks.close()
        with contextlib.suppress(OSError):
            mark.unlink()
    return 0


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


def make_shortcut(folder: Path | None = None, *, system: str = sys.platform) -> Path:
    """Write a shortcut; returns where. A file of that name that is not ours is left alone."""
    target = folder or _desktop()
    if not target.is_dir():
        raise FlowkitError(
            "there is no desktop folder here", "name a folder: flowkit shortcut FOLDER", file=str(target)
        )
    beside = Path(sys.executable).with_name("flowkit-open" + (".exe" if os.name == "nt" else ""))
    found = str(beside) if beside.exists() else shutil.which("flowkit-open")
    starter = [found] if found else [sys.executable, "-m", "flowkit.page.server"]
    line = " ".join(shlex.quote(part) for part in starter)
    if system == "win32":
        # A .lnk is a binary of Windows' own; a .vbs starts without a console window and is plain text.
        command = " ".join(f'""{part}""' for part in starter)
        name, text = "flowkit.vbs", f'CreateObject("WScript.Shell").Run "{command}", 0, False\r\n'
    elif system == "darwin":
        name, text = "flowkit.command", f"#!/bin/sh\nexec {line}\n"
    else:
        name, text = (
            "flowkit.desktop",
            (
                "[Desktop Entry]\nType=Application\nVersion=1.0\nName=flowkit\n"
                f"Comment=Flow-bench sheets to a flow chart\nExec={line}\nTerminal=false\n"
                "Categories=Science;Engineering;\n"
            ),
        )
    path = target / name
    if path.exists():
        old = path.read_text(encoding="utf-8", errors="replace")
        if "flowkit" not in old or old.partition("\n")[0][:9] != text[:9]:
            raise FlowkitError("this file already exists and is not overwritten", "name another folder", file=str(path))
    with written_whole(path) as draft:
        draft.write_text(text, encoding="utf-8", newline="")
    if system != "win32":
        path.chmod(0o755)
    return path


def _desktop() -> Path:
    """The desktop's folder, whatever the system's language calls it."""
    if sys.platform.startswith("linux"):
        try:
            said = subprocess.run(["xdg-user-dir", "DESKTOP"], capture_output=True, text=True, timeout=5, check=False)
            if said.stdout.strip() and Path(said.stdout.strip()) != Path.home():
                return Path(said.stdout.strip())
        except (OSError, subprocess.TimeoutExpired):
            pass
    return Path.home() / "Desktop"


def main() -> int:
    """Open the page of the folder named, or of one named flowkit in the user's documents; no console is needed."""
    # Without a console there are no streams to write to.
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: PTH123, SIM115
    if len(sys.argv) > 1:
        folder = Path(sys.argv[1])
    else:
        documents = Path.home() / "Documents"
        folder = (documents if documents.is_dir() else Path.home()) / "flowkit"
        folder.mkdir(exist_ok=True)
    try:
        return serve(folder, idle_s=IDLE_S)
    except FlowkitError as error:
        print(error, file=sys.stderr)
        return 1


if __name__ == "__main__":
    raise SystemExit(main())
