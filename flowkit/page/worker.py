"""Long work beside the page, in a process of its own: the report, the engine, a build file.

The page sends one JSON document on standard input; progress comes back a JSON document a line. A
process can be stopped at any moment, and its drawing does not slow the page down.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flowkit.errors import FlowkitError
from flowkit.page.workspace import load_text

Say = Callable[[float, str], None]


def main() -> int:
    """Do what standard input asks for; returns the exit status."""
    wanted: dict[str, Any] = json.load(sys.stdin)

    def say(share: float, words: str) -> None:
        """Report how far it is."""
        print(json.dumps({"share": round(share, 3), "say": words}), flush=True)

    try:
        job = load_text(wanted["text"], Path(wanted["path"]))
        done = {"report": _report, "engine": _engine, "attach": _attach, "whatif": _whatif}[wanted["work"]](
            job, wanted, say
        )
    except FlowkitError as error:
        print(json.dumps({"error": str(error)}), flush=True)
        return 1
    print(json.dumps({"share": 1.0, "say": "done", "done": done}), flush=True)
    return 0


def _progress(say: Say, low: float, high: float) -> Callable[[int, int], None]:
    """Turn cycles of the engine into a share of the whole."""

    def progress(done: int, most: int) -> None:
        """Report the cycles done."""
        say(low + (high - low) * done / max(most, 1), f"engine: {done} of at most {most} cycles")

    return progress


def _report(job: Any, wanted: dict[str, Any], say: Say) -> dict[str, Any]:
    """Make the report in every form asked for."""
    out = Path(wanted["out"])
    say(0.02, "reading the sheets")
    results = job.run(progress=_progress(say, 0.05, 0.4))
    parts = ((0.4, "drawing the pages", ("pdf", "png")), (0.8, "writing the workbook", ("xlsx",)),
             (0.95, "writing the page to keep", ("html",)))  # fmt: skip
    files = []
    for share, words, forms in parts:
        say(share, words)
        drawn = {"pages": wanted["pages"], "previews": True} if "pdf" in forms else {}
        files += [path.name for path in job.report(out, formats=forms, results=results, **drawn)]
    return {"files": files}


def _engine(job: Any, wanted: dict[str, Any], say: Say) -> dict[str, Any]:
    """Run the engine; its result is a JSON document of spec §10."""
    result = job.run_engine(progress=_progress(say, 0.05, 0.98))
    Path(wanted["out"], "engine.json").write_text(result.to_json(), encoding="utf-8")
    return {"files": ["engine.json"]}


def _whatif(job: Any, wanted: dict[str, Any], say: Say) -> dict[str, Any]:
    """Predict what changed valves, cams, bore or compression would mean."""
    from flowkit.job.engine import whatif

    result = whatif(job, progress=_progress(say, 0.05, 0.98), **wanted["changes"])
    Path(wanted["out"], "engine.json").write_text(result.to_json(), encoding="utf-8")
    return {"files": ["engine.json"]}


def _attach(job: Any, wanted: dict[str, Any], say: Say) -> dict[str, Any]:
    """Put the flow chart into a copy of a build file."""
    say(0.1, "drawing the flow chart")
    done = job.attach(Path(wanted["out"], wanted["file"]), pages=wanted["pages"])
    return {"files": [done.file.name], "added": list(done.added), "replaced": bool(done.replaced)}


if __name__ == "__main__":
    raise SystemExit(main())
