"""Step 4, the engine: before against after in this engine, and what if."""

from __future__ import annotations

import json
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from flowkit.page import answers
from flowkit.page.plumbing import Notice, Page, text
from flowkit.page.step_build import _wanted
from flowkit.page.workspace import Snapshot, load_text

__all__ = ["routes"]

_ENGINE = (
    ("cylinders", "Cylinders", "4"),
    ("bore", "Bore", "80.5 mm"),
    ("stroke", "Stroke", "78.4 mm"),
    ("rod", "Rod, centre to centre", "132 mm"),
    ("compression_ratio", "Compression ratio", "10.2"),
)
_CAM = (
    ("opens", "Opens", "16 BTDC"),
    ("closes", "Closes", "52 ABDC"),
    ("checking_lift", "at a lift of", "1 mm"),
    ("peak_lift", "Peak lift at the valve", "9.8 mm"),
)


def routes(page: Page) -> list[Route]:
    """Return the step's addresses."""
    return [
        Route("/engine", page.show(lambda request, snapshot: _view(page, request, snapshot))),
        Route("/engine/fields", page.act(lambda form: _fields(page, form)), methods=["POST"]),
        Route("/engine/run", page.act(lambda form: _run(page, form)), methods=["POST"]),
    ]


def _view(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the engine's fields and its result."""
    document = snapshot.document
    task = page.tasks.last("engine")
    result = None
    if task is not None and task.done is not None:
        result = json.loads((task.out / "engine.json").read_text(encoding="utf-8"))
    return page.render(
        "engine.html", snapshot, step="engine",
        engine=[(key, label, example, answers.table_value(document, ("engine", key)))
                for key, label, example in _ENGINE],
        cams=[(key, label, example, [answers.table_value(document, ("cam", side, key)) for side in answers.SIDES])
              for key, label, example in _CAM],
        task=task, result=result, stale=task is not None and task.key != snapshot.state.version,
    )  # fmt: skip


def _fields(page: Page, form: FormData) -> str:
    """Write the engine and its cam."""
    known = {
        *(("engine", key) for key, *_ in _ENGINE),
        *(("cam", side, key) for side in answers.SIDES for key, *_ in _CAM),
    }

    def edit(document: Any) -> str:
        """Write each field that is not what it was."""
        import tomlkit

        said = []
        for name, raw in form.items():
            path = tuple(name.split("."))
            if path not in known or not isinstance(raw, str):
                continue
            value: Any = " ".join(raw.split()) or None
            if path[-1] in ("cylinders", "compression_ratio") and value is not None:
                value = float(value) if value.replace(".", "", 1).isdecimal() else value
                value = int(value) if isinstance(value, float) and value.is_integer() else value
            now = answers.table_value(document, path)
            if (value or "") != (now if now is not None else ""):
                answers.set_table_value(document, path, value)
                said.append(path[-1].replace("_", " "))
        if answers.variants(document):
            load_text(tomlkit.dumps(document), page.workspace.document.path)
        return ", ".join(said)

    said = page.edit(form, edit)
    page.notice = Notice(f"Written: {said}." if said else "Nothing was changed.")
    return "/engine"


def _run(page: Page, form: FormData) -> str:
    """Start the engine."""
    snapshot = page.workspace.snapshot()
    page.tasks.start(_wanted(snapshot, "engine"), snapshot.state.version)
    return text(form, "back") or "/engine"
