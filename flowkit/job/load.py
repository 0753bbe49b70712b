"""From a job file's tables, or from bare sheets, to what a `Job` is made of; and from there to the tests.

Files are read once for each way of stating what they do not say; geometry that the job states is joined
to the tests; what the job changes by hand is listed; nothing is dropped without a finding.
"""

from __future__ import annotations

import glob
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowkit.errors import JobError, SheetError, UnitError
from flowkit.fields import CONDITIONS, conditions_from, refuse_unknown, run_of, side_of, text_of
from flowkit.importers import ColumnMapping, Stated
from flowkit.importers.mapping import CellChange
from flowkit.model import AirState, Bench, JobInfo, Reference, Side, ValveGeometry
from flowkit.units import Quantity, unit

if TYPE_CHECKING:
    from flowkit.engine.cam import Cam
    from flowkit.engine.data import EngineData
    from flowkit.job.file import AirTable, JobFile, SheetTable, ValvesTable, VariantTable

__all__ = ["NAMES", "JobVariant", "SheetChoice", "choose_sheets", "parts_of_file", "stated_from", "variants_of_files"]

SIDES: tuple[Side, Side] = ("intake", "exhaust")

NAMES: dict[str, str] = {
    "side": "Side of every test: intake or exhaust.",
    "port": "Port of every test.",
    "run": "Run of every test, from 1.",
    "head": "The head's name.",
    "lift_unit": "Unit of the lifts.",
    "flow_unit": "Unit of the flows.",
    "pressure_unit": "Unit of the pressures.",
}
"""What can be stated besides the conditions."""

_UNITS: dict[str, tuple[Quantity, ...]] = {
    "lift_unit": ("length", "lift ratio"),
    "flow_unit": ("flow", "mass flow", "standard flow"),
    "pressure_unit": ("pressure",),
}
RECORDED = "records:"
"""How an entry of ``sheets`` begins that means a recorded state."""
_FIELDS = {item.name: item.field for item in CONDITIONS}
_BY_HAND = ("overrides", "reason")


@dataclass(frozen=True, slots=True)
class SheetChoice:
    """A file, or one worksheet of it; `stated` is what holds of it, None where the variant's own counts.

    `recorded` is a state in the shop's records in place of a file, such as ``"2417/as received"``.
    """

    path: Path
    sheet: str | None = None
    stated: Stated | None = None
    recorded: str | None = None


@dataclass(frozen=True, slots=True)
class JobVariant:
    """One state of the head as the job describes it.

    Attributes
    ----------
    name : str
    sheets : tuple of SheetChoice
    stated : Stated
        What the sheets do not say.
    state : mapping
        Side to (factor to level).
    valves : mapping
        Side to ValveGeometry.
    untouched : mapping
        Side to the ports that were not worked on since the variant before.
    bore_m : float or None
        Its own reference bore [m].
    engine, cam : mapping
        What it changes of the job's ``[engine]`` and ``[cam]``, as written.
    meter : str or None
        The meter its readings were taken with.
    named_by_label : bool
        Take only the tests that the file itself labels with this name.
    """

    name: str
    sheets: tuple[SheetChoice, ...]
    stated: Stated
    state: Mapping[Side, Mapping[str, str]] = field(default_factory=dict)
    valves: Mapping[Side, ValveGeometry] = field(default_factory=dict)
    untouched: Mapping[Side, tuple[str, ...]] = field(default_factory=dict)
    bore_m: float | None = None
    engine: Mapping[str, Any] = field(default_factory=dict)
    cam: Mapping[str, Any] = field(default_factory=dict)
    meter: str | None = None
    named_by_label: bool = False


def parts_of_file(content: JobFile, folder: Path) -> dict[str, Any]:
    """Turn what a job file says into the fields of a `Job`; its paths are relative to `folder`."""
    bench_air = content.bench.standard_air
    bench = Bench(
        air=content.bench.air,
        air_stated="air" in content.bench.model_fields_set,
        standard_air=_air(bench_air) if bench_air else None,
        repeatability=content.bench.repeatability,
        drift=content.bench.drift,
        lift_setting_m=content.bench.lift_setting,
        pressure_reading_pa=content.bench.pressure_reading,
        from_records=content.bench.from_ == "records",
    )
    reference = Reference(
        pressure_pa=content.reference.pressure,
        pressure_law=content.reference.pressure_law,
        bore_m=content.reference.bore,
        air=_air(content.reference.air),
        lifts_m=content.reference.lifts,
    )
    _refuse_duplicates([variant.name for variant in content.variant])
    engine, cams = _engine(content, folder)
    info = content.job.model_dump()
    return {
        "info": JobInfo(**{**info, "logo": str(folder / info["logo"]) if info["logo"] else None}),
        "reference": reference,
        "bench": bench,
        "variants": tuple(_variant(item, content, bench, folder) for item in content.variant),
        "switched_off": tuple(content.reference.switched_off),
        "area_method": content.reference.curve_area,
        "engine": engine,
        "cams": cams,
        "engine_table": content.engine or {},
        "cam_table": content.cam.model_dump(exclude_none=True),
        "meters": content.meter or {},
        "records": folder / content.records.file if content.records else None,
    }


def variants_of_files(paths: Sequence[Path], stated: Stated) -> tuple[JobVariant, ...]:
    """Make variants of bare sheets: each file one, named after it, or those it labels itself."""
    variants = [variant for path in paths for variant in _variants_of(path, stated)]
    if not variants:
        raise JobError("no sheets were given", "name at least one file")
    _refuse_duplicates([variant.name for variant in variants])
    return tuple(variants)


def choose_sheets(pattern: str, folder: Path) -> tuple[SheetChoice, ...]:
    """Find the files that an entry means, ``"a.csv"``, ``"ports/*.xlsx"`` or ``"book.xlsx!sheet name"``.

    A plain name is returned whether it exists or not; a glob that matches nothing is refused.
    """
    name, mark, sheet = pattern.rpartition("!")
    if not mark or not Path(name).suffix or (folder / pattern).exists():
        name, sheet = pattern, ""
    exact = folder / name
    if exact.exists() or not glob.has_magic(name):
        return (SheetChoice(exact, sheet or None),)
    # Path.glob takes no absolute patterns; a job may name them.
    found = sorted(glob.glob(name, root_dir=folder, recursive=True))  # noqa: PTH207
    if not found:
        raise JobError(f"no file matches {pattern!r}", f"check the entry; it is looked up in {folder}")
    return tuple(SheetChoice(folder / item, sheet or None) for item in found)


def stated_from(
    values: Mapping[str, Any],
    *,
    columns: Mapping[str, Any] | list[Any] | None = None,
    standard_air: AirState | None = None,
    cells: tuple[CellChange, ...] = (),
    overrides: Mapping[str, str] | None = None,
    place: str = "conditions",
) -> Stated:
    """Turn statements, as written, into what the readers want.

    `values` holds keys of `NAMES` and of the conditions, None is passed over; `overrides` names those that
    count over what the sheet says, with the reason.

    Examples
    --------
    >>> stated_from({"side": "intake", "test_pressure": "28 inH2O"}).side
    'intake'
    """
    conditions = [item.name for item in CONDITIONS]
    refuse_unknown(values, [*NAMES, *conditions], place)
    given = {name: value for name, value in values.items() if value is not None}
    return Stated(
        side=side_of(given.get("side"), place),
        port=text_of(given.get("port")),
        run=run_of(given.get("run"), place),
        head=text_of(given.get("head")),
        lift_unit=_unit(given, "lift_unit", place),
        flow_unit=_unit(given, "flow_unit", place),
        pressure_unit=_unit(given, "pressure_unit", place),
        conditions=conditions_from({name: given[name] for name in conditions if name in given}, place),
        columns=ColumnMapping.from_mapping(columns) if columns else None,
        standard_air=standard_air,
        cells=cells,
        overrides={_FIELDS.get(name, name): reason for name, reason in (overrides or {}).items()},
    )


def _merged(tables: Sequence[tuple[str, Mapping[str, Any]]]) -> tuple[dict[str, Any], dict[str, str]]:
    """Conditions from the widest table to the narrowest, and which of them count over the sheet, with the reason."""
    values: dict[str, Any] = {}
    overrides: dict[str, str] = {}
    for place, table in tables:
        own = {name: value for name, value in table.items() if name not in _BY_HAND}
        reason = str(table.get("reason", "")).strip()
        counts = table.get("overrides", False)
        if not isinstance(counts, bool):
            raise JobError(f"{place}, overrides: {counts!r} is neither true nor false", "write true")
        if counts and not reason:
            raise JobError(f"{place}: overrides needs a reason", 'add reason = "…"; it is printed in every report')
        if reason and not counts:
            raise JobError(f"{place}: a reason without overrides", "add overrides = true, or leave the reason out")
        for name in own:
            overrides.pop(name, None)
            if counts:
                overrides[name] = reason
        values |= own
    return values, overrides


def _unit(given: Mapping[str, Any], name: str, place: str) -> str | None:
    """A unit by any of its spellings, as its own name."""
    if name not in given:
        return None
    try:
        return unit(str(given[name]), *_UNITS[name]).name
    except UnitError as error:
        raise JobError(f"{place}, {name}: {error.problem}", error.remedy) from error


def _engine(content: JobFile, folder: Path) -> tuple[EngineData | None, Mapping[Side, Cam]]:
    """Read the engine and the cams of a job file, where it has them; a slip in a variant's own is named at once."""
    common = content.cam.model_dump(exclude_none=True)
    own = [(item.name, item.engine, item.cam.model_dump(exclude_none=True)) for item in content.variant]
    has_cam = bool(common) or any(cam for _, _, cam in own)
    every = content.engine is not None or all(engine for _, engine, _ in own)
    if content.engine is None and not has_cam and not any(engine for _, engine, _ in own):
        return None, {}
    from flowkit.engine.cammapping import cams_of_tables
    from flowkit.engine.datamapping import engine_of_tables

    if not every:
        raise JobError("the job has a cam but no engine", "add an [engine] table")
    for name, engine, cam in own:
        if engine or content.engine is None:
            engine_of_tables(content.engine or {}, engine, own_place=f"variant {name!r}, [variant.engine]")
        if cam:
            cams_of_tables(common, cam, folder, f"[variant {name!r} cam]")
    whole = content.engine is not None and not all(engine for _, engine, _ in own)
    cams = {} if common and own and all(cam for _, _, cam in own) else cams_of_tables(common, {}, folder)
    return engine_of_tables(content.engine or {}, {})[0] if whole else None, cams


def _variant(item: VariantTable, content: JobFile, bench: Bench, folder: Path) -> JobVariant:
    """Make a variant of what the job file says of it."""
    place = f"variant {item.name!r}"
    stated_from(_merged([("[conditions]", content.conditions)])[0], place="[conditions]")  # a slip is named at home
    tables = [("[conditions]", content.conditions), (place, item.conditions)]
    values, overrides = _merged(tables)
    return JobVariant(
        name=item.name,
        sheets=_sheets(item, tables, bench, folder),
        stated=stated_from(
            values, columns=item.columns, standard_air=bench.standard_air, overrides=overrides, place=place
        ),
        state=_state(item),
        valves={side: _valve(content.valves, item.valves, side) for side in SIDES},
        untouched={side: tuple(ports) for side, ports in item.untouched.items()},
        bore_m=item.reference.bore if item.reference else None,
        engine=item.engine,
        cam=item.cam.model_dump(exclude_none=True),
        meter=item.meter,
    )


def _sheets(
    item: VariantTable, tables: Sequence[tuple[str, Mapping[str, Any]]], bench: Bench, folder: Path
) -> tuple[SheetChoice, ...]:
    """The files of a variant, each once, with what holds of one alone."""
    found: dict[tuple[Path, str | None], SheetChoice] = {}
    for entry in item.sheets:
        stated = None
        if isinstance(entry, str) and entry.startswith(RECORDED):
            found[Path(entry), None] = SheetChoice(Path(entry), recorded=entry.removeprefix(RECORDED))
            continue
        if not isinstance(entry, str):
            place = f"variant {item.name!r}, sheet {entry.file!r}"
            columns = entry.columns if entry.columns is not None else item.columns
            values, overrides = _merged([*tables, (place, entry.conditions)])
            stated = stated_from(
                values,
                columns=columns,
                standard_air=bench.standard_air,
                cells=_cells(entry),
                overrides=overrides,
                place=place,
            )
        for choice in choose_sheets(entry if isinstance(entry, str) else entry.file, folder):
            key = (choice.path.resolve(), choice.sheet)
            if stated is not None or key not in found:
                found[key] = SheetChoice(choice.path, choice.sheet, stated)
    return tuple(found.values())


def _cells(entry: SheetTable) -> tuple[CellChange, ...]:
    """The cells of a sheet that a job changes by hand."""
    _, mark, sheet = entry.file.rpartition("!")
    prefix = f"{sheet}!" if mark else ""

    def on_sheet(cell: str) -> str:
        """The cell with its worksheet, where the entry names one."""
        return cell if "!" in cell else prefix + cell

    left_out = [(what, "") if isinstance(what, str) else (what.cell, what.reason or "") for what in entry.leave_out]
    return (
        *(CellChange(on_sheet(cell), None, reason) for cell, reason in left_out),
        *(CellChange(on_sheet(item.cell), item.value, item.reason) for item in entry.values),
    )


def _state(item: VariantTable) -> Mapping[Side, Mapping[str, str]]:
    """A variant's state per side: what holds for both, then what one side says of its own."""
    common = {factor: level for factor, level in item.state.items() if isinstance(level, str)}
    own: dict[Side, dict[str, str]] = {}
    for side in SIDES:
        level = item.state.get(side, {})
        if isinstance(level, str):
            raise JobError(
                f"variant {item.name!r}: state.{side} is {level!r}, which is not a table of factors",
                f'write it like state.{side} = {{ valves = "slim stem" }}',
            )
        own[side] = {**common, **level}
    strange = [name for name, level in item.state.items() if isinstance(level, dict) and name not in SIDES]
    if strange:
        raise JobError(
            f"variant {item.name!r}: the state of {strange[0]!r} is a table", "only intake and exhaust may be tables"
        )
    return own


def _valve(valves: ValvesTable, override: ValvesTable, side: Side) -> ValveGeometry:
    """The job's valve on one side, with the variant's own dimensions put over it."""
    merged = {**getattr(valves, side).model_dump(), **getattr(override, side).model_dump(exclude_none=True)}
    return ValveGeometry(
        head_m=merged["head"],
        stem_m=merged["stem"],
        throat_m=merged["throat"],
        seat_angle_deg=merged["seat_angle"],
        seat_width_m=merged["seat_width"],
        offset_m=merged["offset"],
        port_area_m2=merged["port_area"],
    )


def _air(table: AirTable) -> AirState:
    """An air state of a job file."""
    return AirState(table.temperature, table.pressure, table.humidity)


def _variants_of(path: Path, stated: Stated) -> list[JobVariant]:
    """The variants of one bare file: one named after it, or those it labels itself."""
    from flowkit import importers

    choice = (SheetChoice(path),)
    try:
        labels = list(dict.fromkeys(test.variant for test in importers.read(path, stated).tests))
    except SheetError:
        # Said again, and as a finding, when the job is read: the other files still count.
        labels = []
    if len(labels) <= 1:
        return [JobVariant(path.stem, choice, stated)]
    return [JobVariant(label, choice, stated, named_by_label=True) for label in labels]


def _refuse_duplicates(names: Sequence[str]) -> None:
    """Refuse two variants of one name."""
    folded = [" ".join(name.casefold().split()) for name in names]
    for name, key in zip(names, folded, strict=True):
        if folded.count(key) > 1:
            raise JobError(f"two variants are named {name!r}", "give each variant a name of its own")
