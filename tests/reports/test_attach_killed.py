"""Killed at any instant, the build file is the old one or the new one, whole.

A child process attaches and is killed with SIGKILL: at every call it makes to the file
system, before and after it and half through every write, and again at random moments.
"""

from __future__ import annotations

import io
import os
import random
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from flowkit.reports.attach import attach
from tests.reports.build_files import build_docx, build_pdf, build_xlsx, flow_pages, png
from tests.reports.invented import make_contents

pytestmark = pytest.mark.slow

KINDS = {"b.pdf": (build_pdf, 1), "b.xlsx": (build_xlsx, 4), "b.docx": (build_docx, 9)}
"""Build file, and how many steps to go on between kills: the way is the same for all kinds."""
CALLS = ("open", "close", "fsync", "replace", "link", "unlink", "chmod", "chown", "utime", "fdopen", "fstat", "stat")
CONTENTS = make_contents(variants=1, lifts=1)


class Countdown:
    """Kills its own process at the n-th step."""

    def __init__(self, step: int) -> None:
        self.left = step

    def tick(self) -> None:
        self.left -= 1
        if self.left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


class TornFile(io.FileIO):
    """A file that is killed half through every write."""

    countdown: Countdown

    def write(self, data) -> int:  # type: ignore[no-untyped-def]
        data = bytes(data)
        half = len(data) // 2
        super().write(data[:half])
        self.flush()
        self.countdown.tick()
        super().write(data[half:])
        self.countdown.tick()
        return len(data)


def rig(countdown: Countdown) -> None:
    """Count every call to the file system; only ever done in a child process."""
    TornFile.countdown = countdown

    def counted(function: Callable) -> Callable:
        def call(*args, **more):
            countdown.tick()
            result = function(*args, **more)
            countdown.tick()
            return result

        return call

    for name in CALLS:
        setattr(os, name, counted(getattr(os, name)))
    os.fdopen = lambda handle, *_: TornFile(handle, "w")
    opening = io.open
    io.open = lambda file, mode="r", *more: TornFile(file, "w") if "w" in mode else opening(file, mode, *more)


def run_child(path: Path, before: Callable[[], None]) -> int:
    """Attach in a child process; return how it ended."""
    child = os.fork()
    if child == 0:
        try:
            before()
            attach(path, CONTENTS, flow_pages(), png())
        finally:
            os._exit(0)
    return child


def whole(path: Path, old: bytes, new: bytes) -> str:
    """Tell whether the build file is the old or the new one, and check that every backup is the old one."""
    data = path.read_bytes()
    assert data in (old, new), f"{len(data)} bytes, neither the old {len(old)} nor the new {len(new)}"
    for item in path.parent.glob("*.before-flowkit*"):
        assert item.read_bytes() == old
    if data == new:
        assert list(path.parent.glob("*.before-flowkit*"))
    return "new" if data == new else "old"


@pytest.fixture(params=KINDS)
def files(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, bytes, bytes]:
    """A build file, its content, and what attaching makes of it."""
    old = KINDS[request.param][0]()
    model = tmp_path / "model" / request.param
    model.parent.mkdir()
    model.write_bytes(old)
    attach(model, CONTENTS, flow_pages(), png())
    path = tmp_path / "work" / request.param
    path.parent.mkdir()
    return path, old, model.read_bytes()


def test_killed_at_every_step(files: tuple[Path, bytes, bytes]) -> None:
    path, old, new = files
    seen = {"old": 0, "new": 0}
    stride = KINDS[path.name][1]
    step = 1 - stride
    while True:
        step += stride
        for item in path.parent.iterdir():
            item.unlink()
        path.write_bytes(old)
        child = run_child(path, lambda: rig(Countdown(step)))
        _, status = os.waitpid(child, 0)
        seen[whole(path, old, new)] += 1
        if not os.WIFSIGNALED(status):
            break
        assert os.WTERMSIG(status) == signal.SIGKILL
    assert step > 70
    assert seen["old"] * stride > 60
    assert seen["new"] * stride > 4


def test_killed_at_random_moments(files: tuple[Path, bytes, bytes]) -> None:
    path, old, new = files
    chance = random.Random(20)
    started = time.monotonic()
    path.write_bytes(old)
    os.waitpid(run_child(path, lambda: None), 0)
    whole_run = time.monotonic() - started
    for _ in range(24 // KINDS[path.name][1] + 4):
        path.write_bytes(old)
        for item in path.parent.glob("*.before-flowkit*"):
            item.unlink()
        child = run_child(path, lambda: None)
        time.sleep(chance.uniform(0, 1.1 * whole_run))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        whole(path, old, new)
    path.write_bytes(old)
    attach(path, CONTENTS, flow_pages(), png())
    assert path.read_bytes() == new
    assert not list(path.parent.glob(".flowkit*"))
