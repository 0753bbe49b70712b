"""Two places beside the steps: the shop's records, and the meter behind sheets of readings."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path, PurePath
from typing import Any

import tomlkit
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from flowkit.corrections.meter import KINDS, PLACES, SHAPES
from flowkit.errors import FlowkitError, JobError
from flowkit.fields import section
from flowkit.page import answers
from flowkit.page.plumbing import Action, Field, Notice, Page, View, number, text
from flowkit.page.workspace import Snapshot
from flowkit.units import from_si
from flowkit.wording import display_of

MOST_FOUND = 200
_SHOWN = ("job", "title", "customer", "state", "head", "side", "port", "date", "bench", "operator")
_LABELS = {
    "scale": "how its scale runs", "full_scale": "flow at 100 %", "at": "at a test pressure of",
    "element": "what it measures with", "place": "where the meter is", "scale_end": "end of its scale",
    "file": "its table, a file in the folder", "bore": "bore of the meter", "pipe": "bore of the pipe",
    "taps": "pressure taps", "u_bore": "bore known to", "u_pipe": "pipe known to", "hole": "hole, diameter",
    "area": "area of the hole", "coefficient": "discharge coefficient", "count": "how many",
    "flow": "calibrated flow", "differential": "at a reading of", "calibrated_at": "air at calibration",
    "gauge": "pressures read as gauge", "rule": "how the points are spread", "factor": "tube factor",
    "profile": "mean over centre velocity", "reading_unit": "readings are in", "zero": "reading at rest",
    "u_calibration": "calibration known to", "area_ratio": "tube to well, areas",
}  # fmt: skip
"""What a shop calls each field."""
_KEYS, _TUBE = section("meter"), section("manometer")
_NUMBERS = {row.key for row in (*_KEYS.values(), *_TUBE.values()) if row.kind in ("number", "count")}
_MANOMETER = ("liquid", "density", "angle", "area_ratio")
_OTHER_CHOICES = {"place": PLACES, "gauge": ("true", "false")}


def _file(snapshot: Snapshot) -> Path | None:
    """The records file the job names; the user's own otherwise."""
    return snapshot.job.records if snapshot.job is not None else None


def _records(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Find a job, choose a baseline, see the bench's history."""
    from flowkit.records.bench import benches
    from flowkit.records.query import COLUMNS, find
    from flowkit.records.store import Store, default_file

    asked = request.query_params.get("q", "")
    values: dict[str, Any] = {"asked": asked, "rows": [], "total": 0, "benches": [], "missing": "", "heads": _SHOWN}
    units = display_of(snapshot.display)
    if not (_file(snapshot) or default_file()).exists():
        values["missing"] = "No job is recorded yet. “Add this job to the records” starts them."
        return page.render("records.html", snapshot, step="records", **values)
    try:
        with Store(_file(snapshot)) as store:
            found = find(store, asked, limit=MOST_FOUND)
            values["benches"] = [name or "" for name in benches(store)]
    except FlowkitError as error:
        values["missing"] = error.sentence
    else:
        places = {name: index for index, name in enumerate(COLUMNS)}
        seen: dict[tuple[Any, ...], dict[str, Any]] = {}
        for row in found.rows:
            item = {name: row[places[name]] for name in (*_SHOWN, "valve_m")}
            item["name"] = _goes_by(item, row[places["kind"]], row[places["file"]])
            known = seen.setdefault((item["name"], item["state"], item["head"]), {**item, "tests": 0, "sides": {}})
            known["tests"] += 1
            valve = item["valve_m"]
            size = (
                "" if valve is None else f" {from_si(valve, units.diameter):.{units.diameter_digits}f} {units.diameter}"
            )
            known["sides"][f"{item['side'] or ''}{size}"] = None
        values |= {"rows": list(seen.values()), "total": found.total}
    return page.render("records.html", snapshot, step="records", **values)


def _goes_by(item: Mapping[str, Any], kind: str, file: str | None) -> str:
    """What a recorded job goes by: its number, its title or its folder; a sheet added without a job, its own name."""
    path = PurePath(file or "")
    names = (item["job"], item["title"], path.stem if kind == "sheet" else path.parent.name)
    return next((name for name in names if name and "/" not in name), "")


def _add(page: Page, form: FormData) -> str:
    """Add this job to the records."""
    from flowkit.job.record import add_to_records
    from flowkit.records.store import Store

    snapshot = page.workspace.snapshot()
    if not snapshot.state.on_disk:
        raise JobError("this job is not written yet", "answer a question or write a field first")
    with Store(_file(snapshot), write=True) as store:
        list(add_to_records(store, [page.workspace.document.path], workers=1))
    page.notice = Notice("This job is in the records; adding it again changes nothing.")
    return "/records"


def _baseline(page: Page, form: FormData) -> str:
    """Take a recorded state as the first of this job."""
    from flowkit.records.query import recorded_state
    from flowkit.records.store import Store

    job, state = text(form, "job"), text(form, "state")
    with Store(_file(page.workspace.snapshot())) as store:
        found = recorded_state(store, f"{job}/{state}")  # refuses what several records go by
    of = f"job {job}" if found.of_job else "recorded" if job == state else job

    def edit(document: Any) -> str:
        """Put it first, under a name of its own."""
        name = f"{state} ({of})"
        if name in [str(item.get("name", "")) for item in answers.variants(document)]:
            raise JobError(f"{name} is in this job already", "look at heads and work")
        answers.add_sheet(document, f"records:{job}/{state}", name)
        for _ in range(len(answers.variants(document))):
            answers.move_variant(document, name, -1)
        page.check(document)
        return f"{name} from the records is the first state"

    return page.save(form, edit, "/heads")


def _picture(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Draw a bench's history."""
    from flowkit.records.bench import bench_history, draw_bench
    from flowkit.records.store import Store

    with Store(_file(snapshot)) as store:
        history = bench_history(store, request.query_params.get("name") or None)
    with tempfile.TemporaryDirectory(prefix="flowkit-bench-") as folder:
        path = Path(folder, "bench.png")
        draw_bench(history, path)
        return Response(path.read_bytes(), media_type="image/png")


def _meter(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the fields that a kind of meter needs."""
    written = answers.table_value(snapshot.document, ("meter",))
    known = written if isinstance(written, Mapping) and "kind" in written else {}
    kind = _kind(request.query_params.get("kind") or str(known.get("kind", "plate")))
    named = isinstance(written, Mapping) and bool(written) and "kind" not in written
    tube = known.get("manometer") or {}
    return page.render(
        "meter.html", snapshot, step="sheets", kind=kind, kinds=list(KINDS), fields_of=_fields(kind, known),
        manometer=[
            Field(f"manometer.{key}", _LABELS.get(key, key), _TUBE[key].example, tube.get(key, ""))
            for key in _MANOMETER
        ],
        named=list(written) if named and written else [],
    )  # fmt: skip


def _kind(kind: str) -> str:
    """Refuse a kind of meter that there is not."""
    if kind not in KINDS:
        raise JobError(f"there is no meter of kind {kind!r}", "choose one from the list")
    return kind


def _fields(kind: str, known: Mapping[str, Any]) -> list[Field]:
    """Each field of a kind, with what is written and what may take its place."""
    must, may = KINDS[kind].required, KINDS[kind].optional
    found = []
    for name in (*must, *may, "reading_unit", "zero", "u_calibration"):
        for key in name.split("|"):
            # A calibration comes as a file of two columns; a full scale for each range is kept in job.toml.
            if key == "points" or isinstance(known.get(key), Mapping):
                continue
            others = [_LABELS.get(other, other) for other in name.split("|") if other not in (key, "points")]
            need = "or " + ", ".join(others) if others else "" if name in must and "points" not in known else "optional"
            written = known.get(key, "")
            shown = str(written).lower() if isinstance(written, bool) else str(written)
            choices = SHAPES.get(kind, ()) if key == "shape" else _OTHER_CHOICES.get(key, _KEYS[key].choices)
            label = _LABELS.get(key, key) + (f" ({need})" if need else "")
            found.append(Field(key, label, _KEYS[key].example, shown, need, choices))
    return found


def _write_meter(page: Page, form: FormData) -> str:
    """Write the meter into the job."""
    kind = _kind(text(form, "kind"))

    def edit(document: Any) -> str:
        """Write each field that belongs to the kind."""
        earlier = answers.table_value(document, ("meter",))
        earlier = earlier if isinstance(earlier, Mapping) else {}
        kept = dict(earlier) if earlier.get("kind") == kind else {}
        shown = [field.name for field in _fields(kind, kept)]
        table, tube = tomlkit.table(), tomlkit.inline_table()
        table["kind"] = kind
        # What the form has no field for, such as a table's points, stays as it was written.
        for key, value in kept.items():
            if key not in {*shown, "kind", "manometer", "certificate"}:
                table[key] = value
        for owner, names in ((table, shown), (tube, [f"manometer.{key}" for key in _MANOMETER])):
            for name in names:
                key, written = name.rpartition(".")[2], text(form, name)
                if written:
                    figure: Any = number(written) if key in _NUMBERS else written
                    owner[key] = written == "true" if key == "gauge" else figure
        if tube:
            table["manometer"] = tube
        if earlier.get("certificate") is not None:
            table["certificate"] = earlier["certificate"]
        document["meter"] = table
        page.check(document)
        return f"meter: {kind}"

    return page.save(form, edit, "/sheets")


PAGES: dict[str, View] = {"/records": _records, "/records/bench.png": _picture, "/meter": _meter}
FORMS: dict[str, Action] = {"/records/add": _add, "/records/baseline": _baseline, "/meter": _write_meter}
