"""A page that runs, and a browser that drives it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
FLAGS = (
    "--headless=new --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
).split()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An empty folder for a job."""
    made = tmp_path / "job"
    made.mkdir()
    return made


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
        process.communicate(timeout=20)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A real browser, one for all tests of a worker; each test gets cookies and a window of its own by its port."""
    if CHROMIUM is None or DRIVER is None:
        if os.environ.get("CI"):
            pytest.fail("CI installs chromium and chromium-driver")
        pytest.skip("no chromium here")
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    profile = tempfile.mkdtemp(prefix="flowkit-chromium-")
    options = Options()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    downloads = Path(profile, "downloads")
    downloads.mkdir()
    options.add_experimental_option(
        "prefs", {"download.default_directory": str(downloads), "plugins.always_open_pdf_externally": True}
    )
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.downloads = downloads  # type: ignore[attr-defined]
    yield driver
    driver.quit()
    shutil.rmtree(profile, ignore_errors=True)
