"""Long work beside the page, in a process of its own: the report, the engine, a build file.

The page sends one JSON document on standard input; progress comes back a JSON document a line. A
process can be stopped at any moment, and its drawing does not slow the page down.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

from flowkit.errors import FlowkitError
from flowkit.page.workspace import load_text


class Task:
    """One piece of work in a process of its own."""

    def __init__(self, wanted: dict[str, Any], out: Path, key: str) -> None:
        self.out, self.key, self.kind, self.wanted = out, key, str(wanted["work"]), wanted
        self.share, self.say = 0.0, "starting"
        self.error: str | None = None
        self.done: dict[str, Any] | None = None
        self.stopped = False
        self._process = subprocess.Popen(
            [sys.executable, "-m", "flowkit.page.worker"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8",
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )  # fmt: skip
        self._thread = threading.Thread(target=self._watch, args=({**wanted, "out": str(out)},), daemon=True)
        self._thread.start()

    @property
    def running(self) -> bool:
        """Whether it is still at work."""
        return self.done is None and self.error is None and not self.stopped

    def _watch(self, wanted: dict[str, Any]) -> None:
        """Follow the process to its end."""
        process = self._process
        assert process.stdin and process.stdout and process.stderr
        with suppress(OSError):  # it ended before it had read everything; its own words follow
            process.stdin.write(json.dumps(wanted))
            process.stdin.close()
        for line in process.stdout:
            try:
                said = json.loads(line)
            except ValueError:
                continue
            self.share, self.say = said.get("share", self.share), said.get("say", self.say)
            self.error = said.get("error", self.error)
            self.done = said.get("done", self.done)
        process.stderr.read()  # the words of a library, not for the user
        process.wait()
        if self.done is None and self.error is None and not self.stopped:
            self.error = "the work stopped unexpectedly; nothing was changed, start it again"

    def stop(self) -> None:
        """End it now; nothing half done is left where anyone would find it."""
        if self.running:
            self.stopped = True
            self._process.kill()

    def wait(self, seconds: float) -> None:
        """Wait for its end at most so long."""
        self._thread.join(seconds)


class Tasks:
    """The last piece of work of each kind, and the folder their files are in until they are taken."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="flowkit-page-", ignore_cleanup_errors=True)
        self._last: dict[str, Task] = {}

    def folder(self) -> Path:
        """A new folder for one piece of work."""
        return Path(tempfile.mkdtemp(dir=self._folder.name))

    def start(self, wanted: dict[str, Any], key: str, out: Path | None = None) -> Task:
        """Start work; whatever of its kind is still running is stopped first."""
        kind = str(wanted["work"])
        if kind in self._last:
            self._last[kind].stop()
        task = Task(wanted, out or self.folder(), key)
        self._last[kind] = task
        return task

    def last(self, kind: str) -> Task | None:
        """The last work of a kind."""
        return self._last.get(kind)

    @property
    def running(self) -> bool:
        """Whether any work is still going on."""
        return any(task.running for task in self._last.values())

    def close(self) -> None:
        """Stop everything."""
        for task in self._last.values():
            task.stop()
        self._folder.cleanup()


Say = Callable[[float, str], None]


def main() -> int:
    """Do what standard input asks for; returns the exit status."""
    wanted: dict[str, Any] = json.load(sys.stdin)

    def say(share: float, words: str) -> None:
        """Report how far it is."""
        print(json.dumps({"share": round(share, 3), "say": words}), flush=True)

    try:
        job = load_text(wanted["text"], Path(wanted["path"]))
        done = {"report": _report, "engine": _engine, "whatif": _engine, "attach": _attach}[wanted["work"]](
            job, wanted, say
        )
    except FlowkitError as error:
        print(json.dumps({"error": str(error)}), flush=True)
        return 1
    print(json.dumps({"share": 1.0, "say": "done", "done": done}), flush=True)
    return 0


def _cycles(say: Say, low: float, high: float, done: int, most: int) -> None:
    """Report the engine's cycles as a share of the whole."""
    say(low + (high - low) * done / max(most, 1), f"engine: {done} of at most {most} cycles")


def _report(job: Any, wanted: dict[str, Any], say: Say) -> dict[str, Any]:
    """Make the report in every form asked for."""
    out = Path(wanted["out"])
    say(0.02, "reading the sheets")
    results = job.run(progress=partial(_cycles, say, 0.05, 0.4))
    parts = ((0.4, "drawing the pages", ("pdf", "png")), (0.8, "writing the workbook", ("xlsx",)),
             (0.95, "writing the page to keep", ("html",)))  # fmt: skip
    files = []
    for share, words, forms in parts:
        say(share, words)
        drawn = {"pages": wanted["pages"], "previews": True} if "pdf" in forms else {}
        files += [path.name for path in job.report(out, formats=forms, results=results, **drawn)]
    return {"files": files}


def _engine(job: Any, wanted: dict[str, Any], say: Say) -> dict[str, Any]:
    """Run the engine as it is, or with other valves, cams, bore or compression; its result is JSON of spec §10."""
    from flowkit.job.engine import whatif

    run = partial(whatif, job, **wanted["changes"]) if wanted["work"] == "whatif" else job.run_engine
    result = run(progress=partial(_cycles, say, 0.05, 0.98))
    Path(wanted["out"], "engine.json").write_text(result.to_json(), encoding="utf-8")
    return {"files": ["engine.json"]}


def _attach(job: Any, wanted: dict[str, Any], say: Say) -> dict[str, Any]:
    """Put the flow chart into a copy of a build file."""
    say(0.1, "drawing the flow chart")
    done = job.attach(Path(wanted["out"], wanted["file"]), pages=wanted["pages"])
    return {"files": [done.file.name], "added": list(done.added), "replaced": bool(done.replaced)}


if __name__ == "__main__":
    raise SystemExit(main())
