"""A bar on a terminal while the engine runs, and nothing where none listens."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfWriter

from flowkit.cli.common import engine_progress, hush, working
from flowkit.job import Job
from flowkit.job.engine import whatif
from flowkit.samples import copy_samples

Command = Callable[..., Any]
VERBS = (
    ("engine", "job.toml"),
    ("whatif", "job.toml", "--valve", "intake.stem=6mm"),
    ("report", "job.toml", "--format", "xlsx", "-o", "out"),
    ("attach", "job.toml", "build.pdf", "--pages", "1"),
)


@pytest.fixture(autouse=True)
def job(tmp_path: Path) -> Path:
    """The sample job at two speeds only, in the clean folder."""
    path = copy_samples(tmp_path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("compression_ratio = 10.2\n", "compression_ratio = 10.2\nspeeds = [3000, 5000]\n"))
    return path


@pytest.mark.parametrize("words", VERBS, ids=[words[0] for words in VERBS])
def test_a_terminal_sees_a_bar(command: Command, words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    pages = PdfWriter()
    pages.add_blank_page(595, 842)
    pages.write("build.pdf")
    with monkeypatch.context() as terminal:
        terminal.setattr(sys.stderr, "isatty", lambda: True)
        done = command(*words)
    assert done.code == 0
    assert "engine, cycles (at most)" in done.err
    assert "engine, cycles" not in done.out
    # Transient: the last thing written takes the bar's line away.
    assert done.err.rstrip("\n").endswith("\x1b[2K")


def test_nothing_where_no_terminal_listens(command: Command) -> None:
    assert command("engine", "job.toml").err == ""
    with engine_progress() as progress:
        assert progress is None


def test_a_run_without_an_engine_shows_no_bar(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as terminal:
        terminal.setattr(sys.stderr, "isatty", lambda: True)
        with engine_progress() as progress:
            assert progress is not None
    assert "engine" not in capfd.readouterr().err


def test_every_cycle_is_reported(job: Path) -> None:
    loaded = Job.load(job)
    seen: list[tuple[int, int]] = []
    result = loaded.run_engine(progress=lambda done, most: seen.append((done, most)))
    filling = result.variants[0].filling
    assert filling is not None
    assert [done for done, _ in seen] == list(range(1, len(seen) + 1))
    assert len({most for _, most in seen}) == 1
    assert max(filling.cycles) <= len(seen) <= seen[0][1]
    seen.clear()
    whatif(loaded, valves=["intake.stem=6mm"], progress=lambda done, most: seen.append((done, most)))
    assert seen
    seen.clear()
    loaded.run(engine=False, progress=lambda done, most: seen.append((done, most)))
    assert not seen


def test_whatever_takes_long_says_so_until_something_is_printed(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "xterm")
    with monkeypatch.context() as terminal:
        terminal.setattr(sys.stderr, "isatty", lambda: True)
        with working("flowkit compare", after_s=0.0):
            time.sleep(0.4)
            hush()
            shown = capfd.readouterr().err
            time.sleep(0.2)
        after = capfd.readouterr().err
        with working("flowkit read", after_s=5.0):
            pass
    assert "flowkit compare …" in shown and shown.rstrip("\n").endswith("\x1b[2K")
    assert after == "" == capfd.readouterr().err
