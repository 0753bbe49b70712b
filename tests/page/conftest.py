"""A page that runs, and a browser that drives it."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from flowkit.samples import sample_folder

from .browsing import User

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An empty folder for a job."""
    made = tmp_path / "job"
    made.mkdir()
    return made


@pytest.fixture
def sample(folder: Path) -> Path:
    """The sample job in a folder of its own."""
    for path in sample_folder().iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    return folder


@pytest.fixture
def serve() -> Iterator[Callable[..., tuple[subprocess.Popen[str], str]]]:
    """Start ``flowkit open`` on a folder, as a user's computer would; gives the process and its address."""
    running: list[subprocess.Popen[str]] = []

    def start(folder: Path, *options: str) -> tuple[subprocess.Popen[str], str]:
        environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
        process = subprocess.Popen(
            [sys.executable, "-m", "flowkit", "open", str(folder), "--no-browser", *options],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
        )  # fmt: skip
        running.append(process)
        assert process.stdout is not None
        return process, process.stdout.readline().strip()

    yield start
    for process in running:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        process.communicate(timeout=60)  # a busy computer


@contextlib.contextmanager
def serving() -> Iterator[Callable[[Path], str]]:
    """Serve folders from threads of the tests: the very app behind the very guard, without a start of Python."""
    import uvicorn

    from flowkit.page.routes import Guard, make_app
    from flowkit.page.server import _listen
    from flowkit.page.workspace import Workspace

    running: list[tuple[uvicorn.Server, threading.Thread]] = []

    def start(folder: Path) -> str:
        listening = _listen(0)
        guard = Guard(make_app(Workspace(folder)), secret="the-secret")
        server = uvicorn.Server(uvicorn.Config(guard, log_level="critical", ws="none", timeout_graceful_shutdown=1))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        running.append((server, thread))
        return f"http://127.0.0.1:{listening.getsockname()[1]}/?key=the-secret"

    yield start
    for server, thread in running:
        server.should_exit = True
    for _, thread in running:
        thread.join(10)


@pytest.fixture
def served() -> Iterator[Callable[[Path], str]]:
    """Serve folders for one test."""
    with serving() as start:
        yield start


@pytest.fixture(scope="session")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of the sample job's page, for all tests that only look at it."""
    folder = tmp_path_factory.mktemp("shown")
    for path in sample_folder().iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    before = (folder / "job.toml").read_bytes()
    with serving() as start:
        yield start(folder)
    assert (folder / "job.toml").read_bytes() == before, "a test that only looks wrote into the job"


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A real browser, started once for all tests of a worker."""
    if CHROMIUM is None:
        if os.environ.get("CI"):
            pytest.fail("CI installs chromium")
        pytest.skip("no chromium here")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        )
        yield browser
        browser.close()


@pytest.fixture
def visit(chromium: Any) -> Iterator[Callable[..., User]]:
    """Open an address as a person of its own: cookies, size and colours belong to one test."""
    contexts: list[Any] = []

    def start(address: str, **options: Any) -> User:
        contexts.append(chromium.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True, **options))
        return User(contexts[-1].new_page(), address)

    yield start
    for context in contexts:
        context.close()


def until(true: Callable[[], Any], seconds: float = 30.0) -> Any:
    """Wait until something holds."""
    end = time.monotonic() + seconds
    while not (got := true()):
        assert time.monotonic() < end, "still not so"
        time.sleep(0.02)
    return got
