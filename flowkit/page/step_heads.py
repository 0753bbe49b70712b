"""Step 2, heads and work: the states in order, what changed between them, valves and bore."""

from __future__ import annotations

from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from flowkit.errors import JobError
from flowkit.model import SIDES, FlowTest, Side
from flowkit.page import answers
from flowkit.page.plumbing import Action, FieldRow, Page, View, drifts, fields_of, text
from flowkit.page.questions import drift_question
from flowkit.page.sheetview import stated_words
from flowkit.page.workspace import Snapshot
from flowkit.wording import display_of

_VALVE: tuple[FieldRow, ...] = (
    ("valves.{side}.head", "Valve head", "coefficients, where the seat or the throat limits the flow"),
    ("valves.{side}.stem", "Stem", "what slimmer stems are expected to bring"),
    ("valves.{side}.throat", "Throat", "the lift above which the throat limits"),
    ("valves.{side}.seat_angle", "Seat angle", "seat area at low lift"),
    ("valves.{side}.seat_width", "Seat width", "seat area at low lift"),
    ("valves.{side}.offset", "Valve off bore axis", "bore correction"),
)
_BENCH: tuple[FieldRow, ...] = (
    ("reference.bore", "The engine's bore", ""),
    ("reference.pressure", "Reference pressure", ""),
    ("reference.lifts", "Lifts compared, if not all in common", ""),
    ("bench.repeatability", "Bench repeatability, if known", ""),
    ("bench.drift", "Drift from day to day, if known", ""),
)
_PAPERS: tuple[FieldRow, ...] = (
    ("job.title", "Title", ""),
    ("job.number", "Job number", ""),
    ("job.customer", "Customer", ""),
    ("job.vehicle", "Car or engine", ""),
    ("job.shop", "Shop", ""),
    ("job.date", "Date", ""),
    ("job.notes", "Notes on the report", ""),
)


def _view(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the states in order, and what the job knows of valves, bore and papers."""
    document = snapshot.document
    order = answers.variants(document) if document is not None else []
    states = [_state_view(snapshot, order, index) for index in range(len(order))]
    known = list(dict.fromkeys(head for state in states for _, head in state["files"] if head))
    return page.render(
        "heads.html",
        snapshot,
        step="heads",
        states=states,
        known_heads=known,
        # The lanes that sheets are dragged to: the job's heads, or a left and a right one to begin with.
        heads=["", *dict.fromkeys([*known, "left", "right"][: max(2, len(known))])],
        valves=list(zip(*(fields_of(document, _VALVE, side=side) for side in SIDES), strict=True)),
        bench=fields_of(document, _BENCH),
        papers=fields_of(document, _PAPERS),
        findings=[item for item in snapshot.open_findings if item.rule != "drift-unknown"],
        asks=[drift_question(item) for item in drifts(snapshot)],
    )


def _state_view(snapshot: Snapshot, order: list[Any], index: int) -> dict[str, Any]:
    """Everything one state's card shows."""
    document, item = snapshot.document, order[index]
    name, before = str(item.get("name", "")), str(order[index - 1].get("name", "")) if index else None
    tests = [test for test in snapshot.tests if test.variant == name]
    done = answers.changes(document)[index]
    both = frozenset.intersection(*done.values()) if done else frozenset()
    own: dict[Side, Any] = {}
    for side in SIDES:
        whole = fields_of(document, _VALVE, side=side)
        fields = fields_of(document, _VALVE, ("variant", index), side)
        # What holds for the whole job is the example.
        own[side] = [
            field._replace(example=str(common.value) if common.value != "" else common.example)
            for field, common in zip(fields, whole, strict=True)
        ]
    files = []
    for file in dict.fromkeys(answers.file_of(entry) for entry in item.get("sheets", [])):
        named = dict.fromkeys(t.head for t in tests if t.head and t.file in (file, file.rpartition("/")[2]))
        files.append((file, answers.head_of(document, file) or " and ".join(named)))
    (bore,) = fields_of(document, (("reference.bore", "Bore, where it differs", ""),), ("variant", index))
    return {
        "name": name,
        "index": index,
        "files": files,
        "tests": tests,
        "factors": answers.factors_of(document),
        "ticks": {str(side): done[side] - both if done else both for side in SIDES} | {"both": both},
        "declared": done is not None,
        "setup": _setup(tests, [test for test in snapshot.tests if test.variant == before], snapshot.display),
        "valves": own,
        "bore": bore._replace(example=""),
    }


def _setup(tests: list[FlowTest], before: list[FlowTest], display: str) -> list[tuple[str, str, str, bool]]:
    """How a state was flowed against the one before it: label, before, now, whether they differ."""
    units = display_of(display)
    rows = []
    for label, *how in (
        ("bench", "bench"),
        ("operator", "operator"),
        ("fixture bore", "fixture_bore_m", units.diameter, units.diameter_digits),
        ("entry fitting", "entry_fitting"),
        ("exit fitting", "exit_fitting"),
        ("day", "date"),
        ("test pressure", "test_pressure_pa", "inH2O"),
    ):
        now, then = stated_words(tests, *how), stated_words(before, *how)
        rows.append((label, then, now, bool(before) and now != then and "not stated" not in (now, then)))
    return rows


def _state(page: Page, form: FormData) -> str:
    """Rename, move or describe a state."""
    name, do = text(form, "name"), text(form, "do")

    def edit(document: Any) -> str:
        """Write it."""
        if do in ("up", "down"):
            return answers.move_variant(document, name, -1 if do == "up" else 1)
        if do == "rename":
            return answers.rename_variant(document, name, text(form, "new"))
        if do != "changes":
            raise JobError("the page does not know this answer", "use the buttons of the state")
        changed: dict[Side, list[str]] = {}
        for side in SIDES:
            ticked = [str(item) for which in ("both", side) for item in form.getlist(f"{which}_factor")]
            own = [" ".join(text(form, f"{which}_own").split()) for which in ("both", side)]
            changed[side] = list(dict.fromkeys(filter(None, [*ticked, *own])))
        return answers.set_changes(document, name, changed)

    return page.save(form, edit, "/heads")


def _sheet(page: Page, form: FormData) -> str:
    """Move a sheet to another state, or say of which head it is."""
    file, source = text(form, "file"), text(form, "from")

    def edit(document: Any) -> str:
        """Write it."""
        new = " ".join(text(form, "new").split())
        target = str(answers.state_called(document, new)["name"]) if new else text(form, "to") or source
        said = answers.move_sheet(document, file, source, target)
        head = text(form, "head")
        if "head" not in form or head == answers.head_of(document, file):
            return said
        if not head:
            return answers.remove_condition(document, file, "head")
        return answers.set_condition(document, [file], {"head": head})

    return page.save(form, edit, "/heads")


def _fields(page: Page, form: FormData) -> str:
    """Write the fields that changed: papers, valves, bore, bench."""
    return page.write_fields(form, (*_VALVE, *_BENCH, *_PAPERS))


PAGES: dict[str, View] = {"/heads": _view}
FORMS: dict[str, Action] = {"/heads/state": _state, "/heads/sheet": _sheet, "/heads/fields": _fields}
