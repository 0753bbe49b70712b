"""A bar on a terminal while the engine's cycles run; nothing where no terminal listens."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flowkit.engine.figures import Progress

__all__ = ["engine_progress", "working"]


@contextmanager
def engine_progress() -> Iterator[Progress | None]:
    """Give what the engine's run reports its cycles to: a bar on standard error, gone when it is done."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    # How many cycles it takes shows only at the end; the bar shows the most there may be.
    columns = (TextColumn("engine, cycles (at most)"), BarColumn(), MofNCompleteColumn())
    bar = Progress(*columns, console=Console(stderr=True), transient=True)
    task = bar.add_task("engine", total=None)

    def report(done: int, most: int) -> None:
        """Show how far it is; the bar begins with the first cycle, not with the reading of sheets."""
        bar.start()
        bar.update(task, completed=done, total=most)

    try:
        yield report
    finally:
        bar.stop()


@contextmanager
def working(what: str) -> Iterator[None]:
    """Say on a terminal what takes longer than a second, and take it away when it is done."""
    if not sys.stderr.isatty():
        yield
        return
    import threading

    from rich.console import Console

    status = Console(stderr=True).status(f"{what} …")
    timer = threading.Timer(1.0, status.start)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        timer.join()
        status.stop()
