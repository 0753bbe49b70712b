"""A job to its file: comments and order of an existing file stay, only what differs is written."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomlkit

from flowkit.errors import JobError
from flowkit.fields import Field, section
from flowkit.model import AirState, Bench, JobInfo, Reference
from flowkit.output import written_whole
from flowkit.units import from_si

if TYPE_CHECKING:
    from flowkit.importers import Stated
    from flowkit.job.job import Job
    from flowkit.job.load import JobVariant, SheetChoice


def write_job(job: Job, path: Path) -> Path:
    """Write a job file; what the job's own file holds besides stays as it is there."""
    source = job.path if job.path is not None and job.path.is_file() else None
    document = tomlkit.parse(source.read_text(encoding="utf-8-sig")) if source else tomlkit.document()
    whole: list[tuple[str, Any, Any]] = [
        ("job", job.info, JobInfo()),
        ("reference", job.reference, Reference()),
        ("bench", job.bench, Bench()),
    ]
    for name, value, nothing in whole:
        own = {"area_method": job.area_method, "switched_off": job.switched_off} if name == "reference" else {}
        _section(document, name, value, nothing, own)
    for key, table in (("engine", job.engine_table), ("cam", job.cam_table), ("meter", job.meters)):
        if dict(document.get(key, {})) != dict(table):
            _put(document, key, dict(table))
    if job.records is not None and not source:
        document["records"] = {"file": _relative(job.records, path.parent)}
    same_folder = source is not None and source.parent.resolve() == path.parent.resolve()
    if not (same_folder and source and _variants_of(source) == job.variants):
        for variant in job.variants:
            for key in variant.stated.defaults:
                document.setdefault("conditions", tomlkit.table())[key] = getattr(variant.stated, key)
        document["variant"] = _variants(job, path.parent)
    text = tomlkit.dumps(document)
    _hold(text, path)
    with written_whole(path) as draft:
        draft.write_text(text, encoding="utf-8")
    return path


def _hold(text: str, path: Path) -> None:
    """See that what is to be written reads back."""
    from flowkit.job.file import parse_text

    parse_text(text, path.name)


def _variants_of(source: Path) -> tuple[JobVariant, ...]:
    """The variants of a job file as it is now."""
    from flowkit.job.file import parse
    from flowkit.job.load import parts_of_file

    variants: tuple[JobVariant, ...] = parts_of_file(*parse(source), source.parent)["variants"]
    return variants


def _section(document: Any, name: str, value: Any, nothing: Any, own: Mapping[str, Any]) -> None:
    """Put into a table what differs from what it says."""
    table = document.get(name, {})
    for key, row in section(name).items():
        current = own[row.attribute] if row.attribute in own else getattr(value, row.attribute)
        default = {"area_method": "pchip", "switched_off": ()}.get(row.attribute, getattr(nothing, row.attribute, None))
        said = row.read(table[key]) if key in table else default
        if name == "job" and key == "logo" and key in table:
            continue  # a path; as it is written
        if current == said:
            continue
        if current in (None, (), default):
            del document[name][key]
            continue
        if name not in document:
            document[name] = tomlkit.table()
        document[name][key] = _written(row, current)


def _put(document: Any, key: str, table: dict[str, Any]) -> None:
    """Replace a whole table, or take it out."""
    if table:
        document[key] = table
    elif key in document:
        del document[key]


def _written(row: Field, value: Any) -> Any:  # noqa: PLR0911 - one return for each kind
    """A value as its row reads it back."""
    if isinstance(value, AirState):
        return {key: _written(air, getattr(value, air.attribute)) for key, air in section("air").items()}
    if row.kind == "percent":
        return f"{value * 100:.10g} %"
    if row.kind == "lifts":
        return f"{_number(value[0], 'mm')}-{_number(value[1], 'mm')} mm"
    if row.kind == "records":
        return "records"
    if row.kind == "choices":
        return list(value)
    if isinstance(value, float):
        shown = row.unit or {"length": "mm", "pressure": "Pa", "temperature": "°C", "humidity": "%"}.get(row.kind, "")
        return f"{_number(value, shown)} {shown}" if shown else value
    return value


def _number(value: float, unit: str) -> str:
    """The shortest number that reads back as the very value."""
    from flowkit.units import to_si

    shown = from_si(value, unit)
    found = (f"{shown:.{digits}g}" for digits in range(6, 17) if to_si(float(f"{shown:.{digits}g}"), unit) == value)
    return next(found, repr(shown))


def _relative(path: Path, folder: Path) -> str:
    """A path as the job file has it, with forward slashes."""
    return os.path.relpath(path.resolve(), folder.resolve()).replace(os.sep, "/")


def _variants(job: Job, folder: Path) -> Any:
    """The states as an array of tables."""
    every = tomlkit.aot()
    for variant in job.variants:
        table = tomlkit.table()
        table["name"] = variant.name
        table["sheets"] = [_sheet(choice, folder) for choice in variant.sheets]
        sides = {side: dict(levels) for side, levels in variant.state.items() if levels}
        if sides:
            table["state"] = sides["intake"] if sides.get("intake") == sides.get("exhaust") else sides
        valves = {
            side: {key: _written(row, value) for key, row in section("valves").items()
                   if (value := getattr(valve, row.attribute)) is not None}
            for side, valve in variant.valves.items()
        }  # fmt: skip
        if any(valves.values()):
            table["valves"] = {side: dimensions for side, dimensions in valves.items() if dimensions}
        if variant.untouched:
            table["untouched"] = {side: list(ports) for side, ports in variant.untouched.items()}
        if variant.bore_m is not None:
            table["reference"] = {"bore": f"{_number(variant.bore_m, 'mm')} mm"}
        for key, value in (("engine", variant.engine), ("cam", variant.cam)):
            if value:
                table[key] = dict(value)
        if conditions := _conditions(variant.stated):
            table["conditions"] = conditions
        every.append(table)
    return every


def _sheet(choice: SheetChoice, folder: Path) -> Any:
    """An entry of ``sheets``."""
    file = _relative(choice.path, folder) + (f"!{choice.sheet}" if choice.sheet else "")
    if choice.stated is None:
        return file
    entry: dict[str, Any] = {"file": file}
    if conditions := _conditions(choice.stated):
        entry["conditions"] = conditions
    left = [{"cell": cell.cell, "reason": cell.reason} for cell in choice.stated.cells if cell.value is None]
    values = [{"cell": cell.cell, "value": cell.value, "reason": cell.reason} for cell in choice.stated.cells
              if cell.value is not None]  # fmt: skip
    return {**entry, **({"leave_out": left} if left else {}), **({"values": values} if values else {})}


def _conditions(stated: Stated) -> dict[str, Any]:
    """What is stated of sheets, as written in a job file."""
    if stated.columns is not None:
        raise JobError(
            "a mapping of columns cannot be written", "put it into the job file by hand, as [variant.columns]"
        )
    names = [key for key in section("names") if key not in stated.defaults]
    found = {key: value for key in names if (value := getattr(stated, key)) is not None}
    for key, row in section("conditions").items():
        value = getattr(stated.conditions, row.attribute)
        if value is not None:
            found[key] = _written(row, value)
    reasons = set(stated.overrides.values())
    if reasons:
        found |= {"overrides": True, "reason": "; ".join(sorted(reasons))}
    return found
