"""From a job file's tables, or from bare sheets, to what a `Job` is made of; and from there to the tests.

Files are read once for each way of stating what they do not say; geometry that the job states is joined
to the tests; what the job changes by hand is listed; nothing is dropped without a finding.
"""

from __future__ import annotations

import glob
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flowkit.errors import JobError, SheetError
from flowkit.fields import conditions_from, filled, in_si, read_table, refuse_unknown, section
from flowkit.importers import ColumnMapping, Stated
from flowkit.importers.mapping import CellChange
from flowkit.model import SIDES, AirState, Bench, JobInfo, Reference, Side, ValveGeometry, named_twice
from flowkit.units import parse_quantity

if TYPE_CHECKING:
    from flowkit.engine.cam import Cam
    from flowkit.engine.data import EngineData
    from flowkit.importers import ReadResult
    from flowkit.job.file import JobFile, SheetTable, ValvesTable, VariantTable


_NAMES = section("names")
_CONDITIONS = section("conditions")
_FIELDS = {key: row.attribute for key, row in _CONDITIONS.items()}
RECORDED = "records:"
"""How an entry of ``sheets`` begins that means a recorded state."""
_BY_HAND = ("overrides", "reason")


@dataclass(frozen=True, slots=True)
class SheetChoice:
    """A file, or one worksheet of it; `stated` is what holds of it, None where the variant's own counts.

    `recorded` is a state in the shop's records in place of a file, such as ``"2417/as received"``; `known` is what
    was read of a bare sheet already, and as what, so that no file is read twice.

    Examples
    --------
    >>> from flowkit import Job, sample_job
    >>> Job.load(sample_job()).variants[0].sheets[0].path.name
    'as_received.csv'
    """

    path: Path
    sheet: str | None = None
    stated: Stated | None = None
    recorded: str | None = None
    known: tuple[Stated, ReadResult] | None = field(default=None, compare=False, repr=False)


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

    Examples
    --------
    >>> from flowkit import Job, sample_job
    >>> first = Job.load(sample_job()).variants[0]
    >>> first.name, [choice.path.name for choice in first.sheets]
    ('as received', ['as_received.csv'])
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


def parts_of_file(content: JobFile, written: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Turn a job file, checked and as written, into the fields of a `Job`; its paths are relative to `folder`."""
    written = {"variant": [], **written}
    reference = filled("reference", content.reference)
    job: dict[str, Any] = {name: reference.pop(name) for name in ("area_method", "switched_off") if name in reference}
    given = filled("bench", content.bench)
    bench = Bench(**given, air_stated="air" in given)
    _refuse_duplicates([variant.name for variant in content.variant])
    engine, cams = _engine(written, folder)
    info = JobInfo(**filled("job", content.job))
    written_variants = written["variant"]
    return {
        "info": replace(info, logo=str(folder / info.logo)) if info.logo else info,
        "reference": Reference(**reference),
        "bench": bench,
        "variants": tuple(
            _variant(item, table, content, bench, folder)
            for item, table in zip(content.variant, written_variants, strict=True)
        ),
        **job,
        "engine": engine,
        "cams": cams,
        "engine_table": written.get("engine", {}),
        "cam_table": written.get("cam", {}),
        "meters": content.meter or {},
        "records": folder / content.records.file if content.records else None,
    }


def settings(reference: Reference, bench: Bench, options: Mapping[str, Any]) -> tuple[Reference, Bench, dict[str, Any]]:
    """Options over the reference and the bench; what is neither is a condition of sheets."""
    tables: dict[str, dict[str, Any]] = {"reference": {}, "bench": {}}
    conditions = {}
    for key, value in options.items():
        table = next((name for name in tables if key in section(name) and key not in section("names")), None)
        if table is None:
            conditions[key] = value
            continue
        row = section(table)[key]
        if isinstance(value, Real) and row.kind not in ("choice", "text"):
            tables[table][row.attribute] = in_si(row, value, "options")
        elif isinstance(value, (tuple, list)) and row.kind == "lifts":
            tables[table][row.attribute] = _lifts_of(value)
        elif value is not None:
            tables[table] |= read_table(table, {key: value}, "options")
    return replace(reference, **tables["reference"]), replace(bench, **tables["bench"]), conditions


def _lifts_of(pair: Sequence[Any]) -> tuple[float, float]:
    """A range of lifts, in m or as text with units."""
    try:
        low, high = (float(item) if isinstance(item, Real) else parse_quantity(item, "length") for item in pair)
    except ValueError:
        low = high = math.nan
    if not 0 <= low < high <= 0.1:
        raise JobError(
            f"options, lifts: {tuple(pair)!r} is not a range of lifts in m",
            'give the lower one first, or write it like "2-9 mm"',
        )
    return low, high


def variants_of_files(paths: Sequence[Path], stated: Stated) -> tuple[tuple[JobVariant, ...], Literal["US", "metric"]]:
    """Make variants of bare sheets, each file one or those it labels itself; and the units that they are written in."""
    found = [_variants_of(path, stated) for path in paths]
    variants = [variant for some, _ in found for variant in some]
    units = {unit for _, some in found for unit in some}
    if not variants:
        raise JobError("no sheets were given", "name at least one file")
    _refuse_duplicates([variant.name for variant in variants])
    return tuple(variants), "metric" if units and not units & _US_UNITS else "US"


_US_UNITS = frozenset({"in", "thou", "CFM", "CFS", "lb/min"})
"""Sheets that use none of them are shown metric."""


def choose_sheets(pattern: str, folder: Path) -> tuple[SheetChoice, ...]:
    """Find the files that an entry means, ``"a.csv"``, ``"ports/*.xlsx"`` or ``"book.xlsx!sheet name"``.

    A plain name is returned whether it exists or not; a glob that matches nothing is refused.
    """
    if not pattern.isprintable():
        raise JobError(
            f"{pattern!r} holds a character that no file name has: a backslash in double quotes starts a code",
            "write the path with forward slashes, or in single quotes",
        )
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
    given: Mapping[str, Any],
    *,
    columns: Mapping[str, Any] | list[Any] | None = None,
    standard_air: AirState | None = None,
    cells: tuple[CellChange, ...] = (),
    defaults: Collection[str] = (),
    overrides: Mapping[str, str] | None = None,
    place: str = "conditions",
) -> Stated:
    """Turn statements, as written, into what the readers want.

    `given` holds keys of the names and conditions of `flowkit.fields`, None is passed over; `overrides` names
    those that count over what the sheet says, with the reason.
    """
    refuse_unknown(given, [*_NAMES, *_CONDITIONS], place)
    return Stated(
        **read_table("names", {key: value for key, value in given.items() if key in _NAMES}, place),
        conditions=conditions_from({key: value for key, value in given.items() if key in _CONDITIONS}, place),
        columns=ColumnMapping.from_mapping(columns) if columns else None,
        standard_air=standard_air,
        cells=cells,
        defaults=defaults,
        overrides={_FIELDS.get(name, name): reason for name, reason in (overrides or {}).items()},
    )


def _defaults(tables: Sequence[tuple[str, Mapping[str, Any]]]) -> tuple[str, ...]:
    """The units that the job alone states: they count for the sheets that name none."""
    (_, whole), *own = tables
    return tuple(key for key in whole if key.endswith("_unit") and not any(key in table for _, table in own))


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


def _engine(written: Mapping[str, Any], folder: Path) -> tuple[EngineData | None, Mapping[Side, Cam]]:
    """Read the engine and the cams of a job file, where it has them; a slip in a variant's own is named at once."""
    common: Mapping[str, Any] = written.get("cam", {})
    engine: Mapping[str, Any] | None = written.get("engine")
    own = [(str(item["name"]), item.get("engine", {}), item.get("cam", {})) for item in written["variant"]]
    has_cam = bool(common) or any(cam for _, _, cam in own)
    every = engine is not None or all(table for _, table, _ in own)
    if engine is None and not has_cam and not any(table for _, table, _ in own):
        return None, {}
    from flowkit.engine.cam import cams_of_tables
    from flowkit.engine.data import engine_of_tables

    if not every:
        raise JobError("the job has a cam but no engine", "add an [engine] table")
    for name, table, cam in own:
        if table or engine is None:
            engine_of_tables(engine or {}, table, own_place=f"variant {name!r}, [variant.engine]")
        if cam:
            cams_of_tables(common, cam, folder, f"[variant {name!r} cam]")
    whole = engine is not None and not all(table for _, table, _ in own)
    cams = {} if common and own and all(cam for _, _, cam in own) else cams_of_tables(common, {}, folder)
    return engine_of_tables(engine or {}, {})[0] if whole else None, cams


def _variant(
    item: VariantTable, written: Mapping[str, Any], content: JobFile, bench: Bench, folder: Path
) -> JobVariant:
    """Make a variant of what the job file says of it."""
    place = f"variant {item.name!r}"
    stated_from(_merged([("[conditions]", content.conditions)])[0], place="[conditions]")  # a slip is named at home
    meter = {"meter": item.meter} if item.meter else {}
    tables = [("[conditions]", content.conditions), (place, {**meter, **item.conditions})]
    values, overrides = _merged(tables)
    return JobVariant(
        name=item.name,
        sheets=_sheets(item, tables, bench, folder),
        stated=stated_from(
            values,
            columns=item.columns,
            standard_air=bench.standard_air,
            defaults=_defaults(tables),
            overrides=overrides,
            place=place,
        ),
        state=_state(item),
        valves={side: _valve(content.valves, item.valves, side) for side in SIDES},
        untouched={side: tuple(ports) for side, ports in item.untouched.items()},
        bore_m=item.reference.bore if item.reference else None,
        engine=written.get("engine", {}),
        cam=written.get("cam", {}),
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
            every = [*tables, (place, entry.conditions)]
            values, overrides = _merged(every)
            stated = stated_from(
                values,
                columns=columns,
                standard_air=bench.standard_air,
                cells=_cells(entry),
                defaults=_defaults(every),
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
    merged = {**filled("valves", getattr(valves, side)), **filled("valves", getattr(override, side))}
    return ValveGeometry(**merged)


def _variants_of(path: Path, stated: Stated) -> tuple[list[JobVariant], set[str]]:
    """The variants of one bare file, one named after it or those it labels itself, and its units of lift and flow."""
    from flowkit import importers

    choice = (SheetChoice(path),)
    try:
        result = importers.read(path, stated)
        choice, tests = (SheetChoice(path, known=(stated, result)),), result.tests
        labels = list(dict.fromkeys(test.variant for test in tests))
        units = {unit.unit for test in tests for unit in (test.units.lift, test.units.flow)}
    except SheetError:
        # Said again, and as a finding, when the job is read: the other files still count.
        labels, units = [], set()
    if len(labels) <= 1:
        return [JobVariant(path.stem, choice, stated)], units
    return [JobVariant(label, choice, stated, named_by_label=True) for label in labels], units


def _refuse_duplicates(names: Sequence[str]) -> None:
    """Refuse two variants of one name."""
    if (name := named_twice(names)) is not None:
        raise JobError(f"two variants are named {name!r}", "give each variant a name of its own")
