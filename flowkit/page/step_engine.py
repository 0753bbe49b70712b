"""Step 4, the engine: before against after in this engine, and what if."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response

from flowkit.drawing.svg import SvgLine, lines_svg
from flowkit.errors import FlowkitError, JobError
from flowkit.model import SIDES, Finding
from flowkit.page import answers
from flowkit.page.plumbing import Action, FieldRow, Page, View, fields_of, keep, number, text
from flowkit.page.step_build import wanted_of
from flowkit.page.workspace import Snapshot
from flowkit.reports.html import percent_text
from flowkit.reports.labels import gathered

_ENGINE: tuple[FieldRow, ...] = (
    ("engine.cylinders", "Cylinders", ""),
    ("engine.bore", "Bore", ""),
    ("engine.stroke", "Stroke", ""),
    ("engine.rod", "Rod, centre to centre", ""),
    ("engine.compression_ratio", "Compression ratio", ""),
)
_VOLUMES: tuple[FieldRow, ...] = (
    ("engine.chamber_volume", "Chamber, valves and plug in", ""),
    ("engine.chamber_area", "Chamber's area at the face", ""),
    ("engine.milled", "Taken off the face since", ""),
    ("engine.gasket_bore", "Gasket bore", ""),
    ("engine.gasket_thickness", "Gasket, compressed", ""),
    ("engine.deck_clearance", "Piston below the deck", ""),
    ("engine.crown_volume", "Crown: dome +, pockets −", ""),
)
_CAM: tuple[FieldRow, ...] = (
    ("cam.{side}.opens", "Opens", ""),
    ("cam.{side}.closes", "Closes", ""),
    ("cam.{side}.checking_lift", "at a lift of", ""),
    ("cam.{side}.peak_lift", "Peak lift at the valve", ""),
    ("cam.{side}.lash", "Lash", ""),
    ("cam.{side}.duration", "or the card: duration", ""),
    ("cam.{side}.lobe_lift", "Lobe lift", ""),
    ("cam.{side}.rocker_ratio", "Rocker ratio", ""),
    ("cam.{side}.centreline", "Centreline", ""),
)
_CARD: tuple[FieldRow, ...] = (
    ("cam.lobe_separation", "Lobe separation, from the card", ""),
    ("cam.advance", "Advance", ""),
)
_OF_TABLES = ("lash", "rocker_ratio", "centreline")
"""What counts beside a measured table too."""
_COLUMNS = (
    ("volumetric_efficiency", "filling", 1.0, 3),
    ("brake_torque_nm", "brake torque, Nm", 1.0, 1),
    ("brake_power_w", "brake power, kW", 1e-3, 1),
    ("indicated_torque_nm", "indicated torque, Nm", 1.0, 1),
)


def _view(page: Page, request: Request, snapshot: Snapshot) -> Response:
    """Show the engine's fields, its result and what if."""
    from flowkit.job.engine import has_engine

    state = request.query_params.get("state", "")
    state = state if state in snapshot.states[1:] else ""
    prefix: tuple[str | int, ...] = ("variant", snapshot.states.index(state)) if state else ()
    document = snapshot.document
    task, guess = page.tasks.last("engine"), page.tasks.last("whatif")
    return page.render(
        "engine.html", snapshot, step="engine", state=state,
        engine=fields_of(document, _ENGINE, prefix),
        volumes=fields_of(document, _VOLUMES, prefix),
        # The examples are of an intake cam.
        cams=[(intake, exhaust._replace(example="")) for intake, exhaust in
              zip(*(fields_of(document, _CAM, prefix, side) for side in SIDES), strict=True)],
        card=[item._replace(example=usual)
              for item, usual in zip(fields_of(document, _CARD, prefix), ("108", "4"), strict=True)],
        tables=[(side, answers.table_value(document, (*prefix, "cam", side, "table")) or "") for side in SIDES],
        task=task, result=_shown(task), stale=task is not None and task.key != snapshot.state.version,
        ready=snapshot.job is not None and has_engine(snapshot.job), guess=guess, guessed=_shown(guess),
        sliders=sliders(snapshot, guess.wanted["slid"] if guess else {}),
    )  # fmt: skip


def _shown(task: Any) -> dict[str, Any] | None:
    """What a finished run says: differences, charts, a table for each state, and what is doubtful."""
    if task is None or task.done is None:
        return None
    result = json.loads((task.out / "engine.json").read_text(encoding="utf-8"))
    for item in (*result["variants"], *result.get("differences", ())):
        # Beside the state's own name, this word is enough.
        item |= {key: "predicted" for key in ("name", "from", "to") if str(item.get(key)).endswith(", predicted")}
    variants = [item for item in result["variants"] if item.get("filling")]
    found = gathered(
        Finding(item["rule"], item["severity"], item["where"], item["message"]) for item in result["findings"]
    )
    return {
        "differences": _differences(result),
        "charts": [(column[1], chart) for column in _COLUMNS[:3] if (chart := _chart(variants, column))],
        "tables": [(item["name"], *_figures(item)) for item in variants],
        "findings": [item for item in found if item.severity != "note"],
        "notes": [item for item in found if item.severity == "note"],
    }


def _chart(variants: Sequence[Mapping[str, Any]], column: tuple[str, str, float, int]) -> str:
    """Draw one figure against speed for every state."""
    key, title, scale, digits = column
    lines = []
    for place, item in enumerate(variants):
        pairs = [(speed, scale * value) for value, speed in _pairs(item["filling"], key)]
        if pairs:
            lines.append(SvgLine(item["name"], place, [x for x, _ in pairs], [y for _, y in pairs], smooth=True))
    if not lines:
        return ""
    name, _, unit = title.partition(", ")
    return lines_svg(
        lines, title=f"{name.capitalize()} against speed", x_unit="rpm", y_unit=unit or name, digits=(0, digits),
        size=(560, 300), from_zero=False,
    )  # fmt: skip


def _pairs(figures: Mapping[str, Any], key: str) -> list[tuple[float, float]]:
    """A figure and its speed, where there is one."""
    known = zip(figures.get(key) or [], figures["speeds_rpm"], strict=False)
    return [(value, speed) for value, speed in known if value is not None]


def _figures(item: Mapping[str, Any]) -> tuple[list[str], list[list[str]]]:
    """One state's figures against speed."""
    filling = item["filling"]
    known = [
        column
        for column in _COLUMNS
        if any(value is not None and math.isfinite(value) for value in filling.get(column[0]) or ())
    ]
    rows = []
    for index, speed in enumerate(filling["speeds_rpm"]):
        values = [(filling[key][index], scale, digits) for key, _, scale, digits in known]
        rows.append([f"{speed:.0f}", *("–" if v is None else f"{scale * v:.{digits}f}" for v, scale, digits in values)])
    return ["rpm", *(title for _, title, _, _ in known)], rows


def _differences(result: Mapping[str, Any]) -> list[tuple[str, list[tuple[str, str]]]]:
    """Each state against the first: how filling, air, torque and the peak move."""
    made = []
    by_name = {item["name"]: item for item in result["variants"]}
    first = result["variants"][0]["name"] if result["variants"] else ""
    # The whole of it first: the last state against the first.
    found = sorted(result.get("differences", []), key=lambda item: item["from"] != first)
    whole = [item for item in found if item["from"] == first][-1:]
    for item in [*whole, *(item for item in found if item not in whole)]:
        said: list[tuple[str, str]] = []
        for key, label in (("air_flow", "air"), ("volumetric_efficiency", "filling"), ("brake_torque", "brake torque")):
            if pairs := _pairs(item, key):
                (low, at), (high, to) = (
                    (percent_text(value), f"{speed:.0f}") for value, speed in (min(pairs), max(pairs))
                )
                same = f"{low} at every speed"
                said.append((label, same if low == high else f"{low} at {at} rpm to {high} at {to} rpm"))
        peak = (by_name.get(item["to"], {}).get("filling") or {}).get("peak")
        if peak and item.get("peak_speed") is not None:
            moved, near = percent_text(item["peak_speed"]), f"near {10 * round(peak['speed_rpm'] / 10)} rpm"
            stays = moved == percent_text(0.0)
            said.append(("peak of brake power", f"stays {near}" if stays else f"{moved} in speed, now {near}"))
        if item.get("peak_brake_power") is not None:
            said.append(("brake power at its peak", percent_text(item["peak_brake_power"])))
        made.append((f"{item['to']} against {item['from']}", said))
    return made


def _fields(page: Page, form: FormData) -> str:
    """Write the engine and its cam, of the job or of one state."""
    return page.write_fields(form, (*_ENGINE, *_VOLUMES, *_CAM, *_CARD))


def _table(page: Page, form: FormData) -> str:
    """Take a measured cam table: kept in the folder, and named in the job."""
    side, item = text(form, "side"), form.get("table")
    if side not in SIDES or not isinstance(item, UploadFile) or not item.filename:
        raise JobError("no cam table was chosen", "choose a CSV or workbook of degrees and lifts")
    kept, _ = keep(page.workspace.folder, item.filename, item.file)

    def edit(document: Any) -> str:
        """Name it in the job; a table counts alone."""
        written: dict[str, str | None] = {name.rpartition(".")[2]: None for name, *_ in _CAM}
        for key in _OF_TABLES:
            del written[key]
        written |= {"table": kept, **{key: text(form, key) or None for key in ("degrees", "zero", "lift_unit")}}
        for key, value in written.items():
            answers.set_table_value(document, ("cam", side, key), value)
        page.check(document)
        return f"{side} cam from {Path(kept).name}"

    return page.save(form, edit, "/engine")


def _run(page: Page, form: FormData) -> str:
    """Start the engine."""
    snapshot = page.workspace.snapshot()
    page.tasks.start(wanted_of(snapshot, "engine"), snapshot.state.version)
    return text(form, "back") or "/engine"


def sliders(snapshot: Snapshot, slid: Mapping[str, float]) -> list[tuple[str, str, str, float, float, float, float]]:
    """What can be slid of the last state: name, label, unit, least, most, now, and where the slider was left."""
    from flowkit.job.engine import variant_engines

    job, results = snapshot.job, snapshot.results
    last = results.variants[-1] if results is not None else None
    try:
        own = variant_engines(job, [last]).get(last.name) if job is not None and last is not None else None
    except FlowkitError:
        own = None  # running the engine says what is wrong
    if job is None or last is None or own is None:
        return []
    found: list[tuple[str, str, str, float | None, float, float]] = [
        ("bore", "bore", "mm", 1e3 * own.engine.bore_m, 0.97, 1.06),
        ("compression", "compression", ": 1", own.engine.compression_ratio, 0.8, 1.3),
    ]
    stated = {**job.cam_table, **next((item.cam for item in job.variants if item.name == last.name), {})}
    for side in SIDES:
        valve, cam = last.valves.get(side), own.cams.get(side)
        if valve is not None:
            found.append((f"{side}.head", f"{side} valve head", "mm", 1e3 * (valve.head_m or 0.0), 0.9, 1.1))
            found.append((f"{side}.stem", f"{side} stem", "mm", 1e3 * (valve.stem_m or 0.0), 0.75, 1.1))
        if cam is not None and "peak_lift" in stated.get(side, {}):
            found.append((f"{side}.peak_lift", f"{side} peak lift", "mm", 1e3 * (cam.peak_lift_m or 0.0), 0.85, 1.1))
    # The ends lie whole steps of 0.1 from what is now, or the browser would move an untouched slider onto a step.
    return [
        (name, label, unit, round(now - 0.1 * (now * (1 - low) // 0.1), 2),
         round(now + 0.1 * (now * (high - 1) // 0.1), 2), now, slid.get(name, now))
        for name, label, unit, exact, low, high in found
        if exact and (now := round(exact, 2))
    ]  # fmt: skip


def _whatif(page: Page, form: FormData) -> str:
    """Start the prediction for what was slid."""
    snapshot = page.workspace.snapshot()
    slid: dict[str, float] = {}
    changes: dict[str, Any] = {"valves": [], "cams": []}
    for name, _, unit, _, _, now, _ in sliders(snapshot, {}):
        value = number(text(form, name))
        if isinstance(value, str) or abs(value - now) < 0.049:
            continue
        slid[name] = value
        if name == "bore":
            changes["bore"] = f"{value:g} {unit}"
        elif name == "compression":
            changes["compression"] = f"{value:g}"
        elif name.endswith("peak_lift"):
            changes["cams"].append(f"{name}={value:g}mm")
        else:
            changes["valves"].append(f"{name}={value:g}mm")
    if not slid:
        raise JobError("nothing was changed yet", "move a slider first")
    page.tasks.start(wanted_of(snapshot, "whatif", changes=changes, slid=slid), snapshot.state.version)
    return "/engine#whatif"


PAGES: dict[str, View] = {"/engine": _view}
FORMS: dict[str, Action] = {
    "/engine/fields": _fields,
    "/engine/table": _table,
    "/engine/run": _run,
    "/engine/whatif": _whatif,
}
