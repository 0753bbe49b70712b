"""The page: from its address to the first page, and from an answer to the chart, on the sample job."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import urllib.parse
import urllib.request
from collections.abc import Iterator
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any

import pytest

from flowkit.samples import sample_folder

ROUNDS = 20


class Running:
    """A page that runs as installed, its modules compiled, and someone who asks it."""

    def __init__(self, folder: Path, cache: Path) -> None:
        kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "flowkit", "open", str(folder), "--no-browser"],
            stdout=subprocess.PIPE, text=True, env={**kept, "PYTHONPYCACHEPREFIX": str(cache)},
        )  # fmt: skip
        assert self.process.stdout is not None
        self.address = self.process.stdout.readline().strip()
        self.base = self.address.partition("/?")[0]
        cookies = urllib.request.HTTPCookieProcessor(CookieJar())
        self.opener = urllib.request.build_opener(cookies, urllib.request.ProxyHandler({}))

    def get(self, address: str, **form: str) -> str:
        """Ask for a page, or send a form."""
        data = urllib.parse.urlencode(form).encode() if form else None
        asked = urllib.request.Request(address, data, headers={"origin": self.base} if form else {})
        text: str = self.opener.open(asked, timeout=60).read().decode()
        return text

    def end(self) -> None:
        """End it."""
        self.process.terminate()
        self.process.wait(timeout=20)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The sample job in a folder of its own."""
    made = tmp_path / "job"
    made.mkdir()
    for path in sample_folder().iterdir():
        (made / path.name).write_bytes(path.read_bytes())
    return made


def test_first_page_after_the_address(benchmark: Any, folder: Path, tmp_path: Path) -> None:
    running: list[Running] = []

    def started() -> tuple[tuple[Running], dict[str, Any]]:
        """A page whose address has just been printed."""
        if running:
            running.pop().end()
        running.append(Running(folder, tmp_path / "cache"))
        return (running[-1],), {}

    benchmark.pedantic(lambda page: page.get(page.address), setup=started, rounds=ROUNDS, warmup_rounds=1)
    running.pop().end()
    assert benchmark.stats["median"] <= 1.0


@pytest.fixture
def page(folder: Path, tmp_path: Path) -> Iterator[Running]:
    """A page that has been looked at."""
    made = Running(folder, tmp_path / "cache")
    made.get(made.address)
    yield made
    made.end()


def test_an_answer_until_its_chart(benchmark: Any, page: Running) -> None:
    """A point left out and counted again, in turn, each time shown on the result with its curves."""
    shown = {"html": page.get(page.base + "/result"), "number": 0}

    def asked() -> tuple[tuple[()], dict[str, str]]:
        """The form of the page as it is shown now."""
        version = re.search(r'name="version" value="([0-9a-f]+)"', str(shown["html"]))
        assert version is not None
        shown["number"] = int(shown["number"]) + 1
        kind = "leave_out" if int(shown["number"]) % 2 else "take_back"
        form = {"kind": kind, "what": "cell", "file": "as_received.csv", "cell": "12:3", "back": "/result"}
        return (), {**form, "version": version[1]}

    def answered(**form: str) -> None:
        """Send it, and get the result with its curves."""
        shown["html"] = page.get(page.base + "/answer", **form)

    benchmark.pedantic(answered, setup=asked, rounds=ROUNDS, warmup_rounds=2)
    assert "Saved" in str(shown["html"]) and "flow-chart" in str(shown["html"])
    assert benchmark.stats["median"] <= 0.3
