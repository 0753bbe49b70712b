"""What all tests share: results that cost seconds are made once a session, for all its workers."""

from __future__ import annotations

import gc
import hashlib
import os
import pickle
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from flowkit.reports.contents import ReportContents

ALWAYS_ANEW = {
    "simulate_filling": ("tests/engine/test_filling", "tests/engine/test_independent", "tests/engine/test_physics"),
    "page_files": "tests/reports/",
}
"""The tests of the model run it, those of the pages draw them; all others only look at what comes of it."""

# Two workers and some hundred commands run as processes compile each module once, whatever the environment says.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def pytest_collection_finish() -> None:
    """Let the collector pass over the thousands of tests and modules that stay to the end, and look less often."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(100_000, 20, 100)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Give each worker files one after the other, so that what a file prepares is prepared once."""
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log)


def remembered(function: Callable[..., Any], folder: Path, words_of: Callable[..., bytes]) -> Callable[..., Any]:
    """A function of its arguments alone that is run once for the same ones, whichever worker asks."""

    def call(*arguments: Any, **more: Any) -> Any:
        running = os.environ.get("PYTEST_CURRENT_TEST", "")
        if running.startswith(ALWAYS_ANEW[function.__name__]) or more.get("progress") is not None:
            return function(*arguments, **more)
        more.pop("progress", None)
        key = hashlib.sha256(words_of((arguments, sorted(more.items())))).hexdigest()
        kept = folder / f"{function.__name__}-{key}"
        if kept.exists():
            return pickle.loads(kept.read_bytes())
        made = function(*arguments, **more)
        draft = kept.with_name(f"{kept.name}.{os.getpid()}")
        draft.write_bytes(pickle.dumps(made))
        draft.replace(kept)
        return made

    return call


@pytest.fixture(autouse=True, scope="session")
def dear_results_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The filling model and the drawn pages; commands run as processes of their own make theirs."""
    from flowkit.engine import figures
    from flowkit.output import spelled
    from flowkit.reports import pages

    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base) / "remembered"
    folder.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(figures, "simulate_filling", remembered(figures.simulate_filling, folder, pickle.dumps))
        # Contents hold plain values only, so that these are their fingerprint, as for a report's own mark.
        draw = remembered(pages.page_files, folder, lambda given: spelled(given).encode("utf-8", "backslashreplace"))

        def page_files(contents: ReportContents, *, formats: Sequence[str], **more: Any) -> dict[str, bytes]:
            """Each format on its own, since not all ask for the same ones."""
            return {name: made for one in formats for name, made in draw(contents, formats=(one,), **more).items()}

        patch.setattr(pages, "page_files", page_files)
        yield
