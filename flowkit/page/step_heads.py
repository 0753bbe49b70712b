"""Step 2, heads and work: the states in order, what changed between them, valves and bore."""

from __future__ import annotations

from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from flowkit.errors import JobError
from flowkit.model import SIDES, FlowTest, Side
from flowkit.page import answers
from flowkit.page.plumbing import Notice, Page, drifts, text
from flowkit.page.questions import drift_question
from flowkit.page.workspace import Snapshot

_VALVE = (
    ("head", "Valve head", "38 mm", "coefficients, where the seat or the throat limits the flow"),
    ("stem", "Stem", "8 mm", "what slimmer stems are expected to bring"),
    ("throat", "Throat", "33 mm", "the lift above which the throat limits"),
    ("seat_angle", "Seat angle", "45", "seat area at low lift"),
    ("seat_width", "Seat width", "1.4 mm", "seat area at low lift"),
    ("offset", "Valve off bore axis", "18 mm", "bore correction"),
)
_JOB = (
    ("title", "Title"),
    ("number", "Job number"),
    ("customer", "Customer"),
    ("vehicle", "Car or engine"),
    ("shop", "Shop"),
    ("date", "Date"),
    ("notes", "Notes on the report"),
)
_SETUP = (
    ("bench", "bench", ""),
    ("operator", "operator", ""),
    ("fixture_bore_m", "fixture bore", "mm"),
    ("entry_fitting", "entry fitting", ""),
    ("exit_fitting", "exit fitting", ""),
    ("date", "day", ""),
    ("test_pressure_pa", "test pressure", "inH2O"),
)


def routes(page: Page) -> list[Route]:
    """Return the step's addresses."""
    return [
        Route("/heads", page.show(lambda request, snapshot: _view(page, request, snapshot))),
        Route("/heads/state", page.act(lambda form: _state(page, form)), methods=["POST"]),
        Route("/heads/sheet", page.act(lambda form: _sheet(page, form)), methods=["POST"]),
        Route("/heads/fields", page.act(lambda form: _fields(page, form)), methods=["POST"]),
    ]


def _view(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the states in order, and what the job knows of valves, bore and papers."""
    order = answers.variants(snapshot.document) if snapshot.document is not None else []
    states = [_state_view(snapshot, order, index) for index in range(len(order))]
    document = snapshot.document
    valves = [
        (key, label, example, why, [answers.table_value(document, ("valves", side, key)) for side in SIDES])
        for key, label, example, why in _VALVE
    ]
    papers = [(key, label, answers.table_value(document, ("job", key)) or "") for key, label in _JOB]
    return page.render(
        "heads.html",
        snapshot,
        step="heads",
        states=states,
        **_heads(states),
        valves=valves,
        papers=papers,
        bore=answers.table_value(document, ("reference", "bore")) or "",
        pressure=answers.table_value(document, ("reference", "pressure")) or "",
        lifts=answers.table_value(document, ("reference", "lifts")) or "",
        repeatability=answers.table_value(document, ("bench", "repeatability")) or "",
        drift=answers.table_value(document, ("bench", "drift")) or "",
        findings=[item for item in snapshot.open_findings if item.rule != "drift-unknown"],
        asks=[drift_question(item) for item in drifts(snapshot)],
    )


def _state_view(snapshot: Snapshot, order: list[Any], index: int) -> dict[str, Any]:
    """Everything one state's card shows."""
    item = order[index]
    name = str(item.get("name", ""))
    tests = [test for test in snapshot.tests if test.variant == name]
    factors = list(answers.FACTORS)
    for other in order:
        for side in SIDES:
            factors += [factor for factor in answers.levels(other, side) if factor not in factors]
    before = order[index - 1] if index else None
    done = answers.changes(snapshot.document)[index]
    both = frozenset.intersection(*done.values()) if done else frozenset()
    ticks = {str(side): done[side] - both if done else both for side in SIDES} | {"both": both}
    return {
        "name": name,
        "index": index,
        "files": [
            (file, answers.head_of(snapshot.document, file) or _head(tests, file))
            for file in dict.fromkeys(answers.file_of(entry) for entry in item.get("sheets", []))
        ],
        "tests": tests,
        "factors": factors,
        "ticks": ticks,
        "declared": done is not None,
        "setup": _setup(
            tests,
            [t for t in snapshot.tests if before is not None and t.variant == before.get("name")],
            snapshot.display,
        ),
        "valves": {
            side: {key: answers.table_value(item, ("valves", side, key)) for key, *_ in _VALVE} for side in SIDES
        },
        "bore": answers.table_value(item, ("reference", "bore")) or "",
    }


def _head(tests: list[FlowTest], file: str) -> str:
    """The head that a sheet names; several are named together."""
    named = dict.fromkeys(test.head for test in tests if test.head and test.file in (file, file.rpartition("/")[2]))
    return " and ".join(named)


def _heads(states: list[dict[str, Any]]) -> dict[str, Any]:
    """The lanes that sheets are dragged to: the job's heads, or a left and a right one to begin with."""
    known = dict.fromkeys(head for state in states for _, head in state["files"] if head)
    return {"known_heads": list(known), "heads": ["", *dict.fromkeys([*known, "left", "right"][: max(2, len(known))])]}


def _setup(tests: list[FlowTest], before: list[FlowTest], display: str) -> list[tuple[str, str, str, bool]]:
    """How a state was flowed against the one before it: label, before, now, whether they differ."""
    rows = []
    for field, label, metric in _SETUP:
        unit = "in" if metric == "mm" and display == "US" else metric
        now, then = _said(tests, field, unit), _said(before, field, unit)
        rows.append((label, then, now, bool(before) and now != then and "not stated" not in (now, then)))
    return rows


def _said(tests: list[FlowTest], field: str, unit: str) -> str:
    """The different values of a condition in words."""
    from flowkit.units import format_quantity

    values = dict.fromkeys(getattr(test.conditions, field) for test in tests)
    words = [
        "not stated" if v is None else format_quantity(v, unit, 3 if unit == "in" else 1) if unit else str(v)
        for v in values
    ]
    return ", ".join(words) or "not stated"


def _state(page: Page, form: FormData) -> str:
    """Rename, move or describe a state."""
    name, do = text(form, "name"), text(form, "do")

    def edit(document: Any) -> str:
        """Write it."""
        if do in ("up", "down"):
            return answers.move_variant(document, name, -1 if do == "up" else 1)
        if do == "rename":
            return answers.rename_variant(document, name, text(form, "new"))
        if do == "changes":
            changed: dict[Side, list[str]] = {}
            for side in SIDES:
                ticked = [str(item) for name in ("both", side) for item in form.getlist(f"{name}_factor")]
                own = [" ".join(text(form, f"{name}_own").split()) for name in ("both", side)]
                changed[side] = list(dict.fromkeys(filter(None, [*ticked, *own])))
            return answers.set_changes(document, name, changed)
        raise JobError("the page does not know this answer", "use the buttons of the state")

    said = page.edit(form, edit)
    page.notice = Notice(f"Saved: {said}.")
    return "/heads"


def _sheet(page: Page, form: FormData) -> str:
    """Move a sheet to another state, or say of which head it is."""
    file, source = text(form, "file"), text(form, "from")

    def edit(document: Any) -> str:
        """Write it."""
        target = text(form, "to") or source
        if text(form, "new"):
            target = " ".join(text(form, "new").split())
            answers.add_sheet(document, file, target)
            answers.variant_named(document, target)["sheets"].clear()
        said = answers.move_sheet(document, file, source, target)
        head = text(form, "head")
        if "head" not in form or head == answers.head_of(document, file):
            return said
        if not head:
            return answers.remove_condition(document, file, "head")
        return answers.set_condition(document, [file], {"head": head})

    said = page.edit(form, edit)
    page.notice = Notice(f"Saved: {said}.")
    return "/heads"


def _fields(page: Page, form: FormData) -> str:
    """Write the fields that changed: papers, valves, bore, bench."""
    known = {
        *(("job", key) for key, _ in _JOB),
        *(("valves", side, key) for side in SIDES for key, *_ in _VALVE),
        *(("reference", key) for key in ("bore", "pressure", "lifts")),
        *(("bench", key) for key in ("repeatability", "drift")),
    }
    return page.write_fields(form, known, {"seat_angle"})
