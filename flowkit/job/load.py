"""From a job file's tables, or from bare sheets, to what a `Job` is made of; and from there to the tests.

Files are read once for each way of stating what they do not say; geometry that the job states is joined
to the tests; what the job changes by hand is listed; nothing is dropped without a finding.
"""

from __future__ import annotations

import glob
import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flowkit.errors import JobError, SheetError
from flowkit.fields import conditions_from, field_of, filled, in_si, read_table, refuse_unknown, section
from flowkit.importers import ColumnMapping, Stated
from flowkit.importers.mapping import CellChange
from flowkit.model import (
    SIDES,
    AirState,
    Bench,
    Finding,
    FlowTest,
    HandChange,
    JobInfo,
    Reference,
    Side,
    UnitSource,
    ValveGeometry,
    Variant,
    named_twice,
    one_spelling,
)
from flowkit.units import UNITS, from_si, parse_quantity

if TYPE_CHECKING:
    from flowkit.engine.cam import Cam
    from flowkit.engine.data import EngineData
    from flowkit.importers import ReadResult
    from flowkit.job.file import JobFile, SheetTable, VariantTable
    from flowkit.records.query import RecordedState

RECORDED = "records:"
"""How an entry of ``sheets`` begins that means a recorded state."""
SAME = 1e-3
"""Relative difference up to which two statements of a dimension say the same: rounding to a printed digit."""
_US_UNITS = frozenset({"in", "thou", "CFM", "CFS", "lb/min"})
"""Sheets that use none of them are shown metric."""


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


# --- from a job file -----------------------------------------------------------------------------------


def parts_of_file(content: JobFile, written: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Turn a job file, checked and as written, into the fields of a `Job`; its paths are relative to `folder`."""
    written = {"variant": [], **written}
    reference, given = filled("reference", content.reference), filled("bench", content.bench)
    job: dict[str, Any] = {name: reference.pop(name) for name in ("area_method", "switched_off") if name in reference}
    bench = Bench(**given, air_stated="air" in given)
    _refuse_duplicates(variant.name for variant in content.variant)
    engine, cams = _engine(written, folder)
    info = JobInfo(**filled("job", content.job))
    pairs = zip(content.variant, written["variant"], strict=True)
    return {
        "info": replace(info, logo=str(folder / info.logo)) if info.logo else info,
        "reference": Reference(**reference),
        "bench": bench,
        "variants": tuple(_variant(item, table, content, bench, folder) for item, table in pairs),
        **job,
        "engine": engine,
        "cams": cams,
        "engine_table": written.get("engine", {}),
        "cam_table": written.get("cam", {}),
        "meters": content.meter or {},
        "records": folder / content.records.file if content.records else None,
    }


def _engine(written: Mapping[str, Any], folder: Path) -> tuple[EngineData | None, Mapping[Side, Cam]]:
    """Read the engine and the cams of a job file, where it has them; a slip in a variant's own is named at once."""
    common, engine = written.get("cam", {}), written.get("engine")
    engines = [item.get("engine", {}) for item in written["variant"]]
    own_cams = [item.get("cam", {}) for item in written["variant"]]
    if engine is None and not (common or any(engines) or any(own_cams)):
        return None, {}
    from flowkit.engine.cam import cams_of_tables
    from flowkit.engine.data import engine_of_tables

    if engine is None and not all(engines):
        raise JobError("the job has a cam but no engine", "add an [engine] table")
    for item, table, cam in zip(written["variant"], engines, own_cams, strict=True):
        if table or engine is None:
            engine_of_tables(engine or {}, table, own_place=f"variant {str(item['name'])!r}, [variant.engine]")
        if cam:
            cams_of_tables(common, cam, folder, f"[variant {str(item['name'])!r} cam]")
    cams = {} if common and own_cams and all(own_cams) else cams_of_tables(common, {}, folder)
    return None if engine is None or all(engines) else engine_of_tables(engine, {})[0], cams


def _variant(
    item: VariantTable, written: Mapping[str, Any], content: JobFile, bench: Bench, folder: Path
) -> JobVariant:
    """Make a variant of what the job file says of it; its files count once each, with what holds of one alone."""
    place = f"variant {item.name!r}"
    stated_from(_merged([("[conditions]", content.conditions)])[0], place="[conditions]")  # a slip is named at home
    meter = {"meter": item.meter} if item.meter else {}
    common = [("[conditions]", content.conditions), (place, {**meter, **item.conditions})]

    def stated(tables: list[tuple[str, dict[str, Any]]], columns: Any, entry: SheetTable | None = None) -> Stated:
        """What tables say, from the widest to the narrowest."""
        values, overrides = _merged(tables)
        (_, whole), *own = tables
        return stated_from(
            values,
            columns=columns,
            standard_air=bench.standard_air,
            cells=_cells(entry) if entry else (),
            # The units that the job alone states count for the sheets that name none.
            defaults=tuple(key for key in whole if key.endswith("_unit") and not any(key in table for _, table in own)),
            overrides=overrides,
            place=tables[-1][0],
        )

    sheets: dict[tuple[Path, str | None], SheetChoice] = {}
    for entry in item.sheets:
        if isinstance(entry, str):
            file, own = entry, None
        else:
            file, columns = entry.file, item.columns if entry.columns is None else entry.columns
            own = stated([*common, (f"{place}, sheet {file!r}", entry.conditions)], columns, entry)
        if own is None and file.startswith(RECORDED):
            sheets[Path(file), None] = SheetChoice(Path(file), recorded=file.removeprefix(RECORDED))
            continue
        for choice in choose_sheets(file, folder):
            key = (choice.path.resolve(), choice.sheet)
            if own is not None or key not in sheets:
                sheets[key] = replace(choice, stated=own)
    valves = {}
    for side in SIDES:
        whole, over = (filled("valves", getattr(of, side)) for of in (content.valves, item.valves))
        valves[side] = ValveGeometry(**whole | over)
    return JobVariant(
        name=item.name,
        sheets=tuple(sheets.values()),
        stated=stated(common, item.columns),
        state=_state(item),
        valves=valves,
        untouched={side: tuple(ports) for side, ports in item.untouched.items()},
        bore_m=item.reference.bore if item.reference else None,
        engine=written.get("engine", {}),
        cam=written.get("cam", {}),
        meter=item.meter,
    )


def _merged(tables: Sequence[tuple[str, Mapping[str, Any]]]) -> tuple[dict[str, Any], dict[str, str]]:
    """Conditions from the widest table to the narrowest, and which of them count over the sheet, with the reason."""
    values: dict[str, Any] = {}
    overrides: dict[str, str] = {}
    for place, table in tables:
        own = {name: value for name, value in table.items() if name not in ("overrides", "reason")}
        reason = str(table.get("reason", "")).strip()
        counts = table.get("overrides", False)
        if not isinstance(counts, bool):
            raise JobError(f"{place}, overrides: {counts!r} is neither true nor false", "write true")
        if counts and not reason:
            raise JobError(f"{place}: overrides needs a reason", 'add reason = "…"; it is printed in every report')
        if reason and not counts:
            raise JobError(f"{place}: a reason without overrides", "add overrides = true, or leave the reason out")
        values |= own
        overrides = {name: why for name, why in overrides.items() if name not in own}
        overrides |= dict.fromkeys(own, reason) if counts else {}
    return values, overrides


def _cells(entry: SheetTable) -> tuple[CellChange, ...]:
    """The cells of a sheet that a job changes by hand, with their worksheet where the entry names one."""
    _, mark, sheet = entry.file.rpartition("!")
    left_out = [(what, None, "") if isinstance(what, str) else (what.cell, None, what.reason or "")
                for what in entry.leave_out]  # fmt: skip
    every = [*left_out, *((item.cell, item.value, item.reason) for item in entry.values)]
    prefix = f"{sheet}!" if mark else ""
    return tuple(CellChange(cell if "!" in cell else prefix + cell, value, reason) for cell, value, reason in every)


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


def choose_sheets(pattern: str, folder: Path) -> tuple[SheetChoice, ...]:
    """Find the files that an entry means, ``"a.csv"``, ``"ports/*.xlsx"`` or ``"book.xlsx!sheet name"``.

    A plain name is returned whether it exists or not; a glob that matches nothing is refused.
    """
    if any(ord(mark) < 32 for mark in pattern) and not (folder / pattern).exists():
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
    names, rows = section("names"), section("conditions")
    refuse_unknown(given, [*names, *rows], place)
    return Stated(
        **read_table("names", {key: value for key, value in given.items() if key in names}, place),
        conditions=conditions_from({key: value for key, value in given.items() if key in rows}, place),
        columns=ColumnMapping.from_mapping(columns) if columns else None,
        standard_air=standard_air,
        cells=cells,
        defaults=defaults,
        overrides={rows[key].attribute if key in rows else key: why for key, why in (overrides or {}).items()},
    )


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
            try:
                low, high = (float(end) if isinstance(end, Real) else parse_quantity(end, "length") for end in value)
            except ValueError:
                low = high = math.nan
            if not 0 <= low < high <= 0.1:
                raise JobError(
                    f"options, lifts: {tuple(value)!r} is not a range of lifts in m",
                    'give the lower one first, or write it like "2-9 mm"',
                )
            tables[table][row.attribute] = (low, high)
        elif value is not None:
            tables[table] |= read_table(table, {key: value}, "options")
    return replace(reference, **tables["reference"]), replace(bench, **tables["bench"]), conditions


def _refuse_duplicates(names: Iterable[str]) -> None:
    """Refuse two variants of one name."""
    if (name := named_twice(names)) is not None:
        raise JobError(f"two variants are named {name!r}", "give each variant a name of its own")


# --- from bare sheets ----------------------------------------------------------------------------------


def variants_of_files(paths: Sequence[Path], stated: Stated) -> tuple[tuple[JobVariant, ...], Literal["US", "metric"]]:
    """Make variants of bare sheets, each file one or those it labels itself; and the units that they are written in."""
    from flowkit import importers

    variants: list[JobVariant] = []
    units: set[str] = set()
    for path in paths:
        choice, labels = SheetChoice(path), []
        try:
            result = importers.read(path, stated)
            choice = replace(choice, known=(stated, result))
            labels = list(dict.fromkeys(test.variant for test in result.tests))
            units |= {unit.unit for test in result.tests for unit in (test.units.lift, test.units.flow)}
        except SheetError:
            pass  # said again, and as a finding, when the job is read: the other files still count
        several = len(labels) > 1
        names = labels if several else [path.stem]
        variants += [JobVariant(name, (choice,), stated, named_by_label=several) for name in names]
    if not variants:
        raise JobError("no sheets were given", "name at least one file")
    _refuse_duplicates(variant.name for variant in variants)
    return tuple(variants), "metric" if units and not units & _US_UNITS else "US"


# --- the tests of the variants -------------------------------------------------------------------------


def read_variants(
    variants: Sequence[JobVariant], records: Path | None = None
) -> tuple[tuple[Variant, ...], tuple[Finding, ...]]:
    """Read the tests of every variant."""
    files = _Files(variants)
    findings: list[Finding] = []
    found: list[Variant] = []
    used: set[tuple[Path, str]] = set()
    for variant in variants:
        tests: list[FlowTest] = []
        changes: list[HandChange] = []
        before = len(findings)
        state: Mapping[Any, Mapping[str, str]] = variant.state
        settings: dict[str, Mapping[str, Any]] = {}
        sources: dict[Path, str] = {}
        for choice in variant.sheets:
            if choice.recorded is not None:
                recorded, own, notes = _recorded(choice.recorded, records)
                state = state or recorded.state
                tests += recorded.tests
                settings |= own
                findings += notes
                continue
            try:
                stated = choice.stated or variant.stated
                result = files.read(choice.path, stated)
            except SheetError as error:
                findings.append(Finding(error.rule, "error", error.where or str(choice.path), error.sentence))
                continue
            sources[choice.path] = result.sha256
            chosen = _select(variant, choice, result.tests)
            if not chosen and result.tests:
                findings.append(_nothing_chosen(variant, choice, result))
            for test in chosen:
                changed, made = _overridden(test, stated)
                tests.append(changed)
                changes += made
            sheets = {test.sheet for test in chosen}
            changes += [change for change in result.changes if change.sheet in sheets or not chosen]
            used |= {(choice.path, test.id) for test in chosen}
            # Pressures of single rows do not count where one is stated over them.
            gone = ("pressure-mixed",) if "test_pressure_pa" in stated.overrides else ()
            findings += [item for item in _relevant(result, chosen) if item.rule not in gone]
        joined, more = join_tests(variant, tests)
        by_hand = tuple(dict.fromkeys(changes))
        findings += [*more, *map(_changed, by_hand)]
        if joined:
            found.append(
                Variant(
                    variant.name,
                    joined,
                    state=state,
                    valves=variant.valves,
                    untouched=variant.untouched,
                    bore_m=variant.bore_m,
                    changes=by_hand,
                    settings=settings,
                    sources=sources,
                )
            )
        elif not any(finding.severity == "error" for finding in findings[before:]):
            message = f"variant {variant.name!r} has no test that can be used; look at its sheets in the job"
            findings.append(Finding("variant-empty", "error", variant.name, message))
    findings += files.unused(used)
    return tuple(found), tuple(dict.fromkeys(findings))


def _recorded(
    reference: str, records: Path | None
) -> tuple[RecordedState, dict[str, Mapping[str, Any]], list[Finding]]:
    """Fetch a recorded state, its tests named after where they come from, their own bench and meters, and say so."""
    from flowkit.corrections.meter import meters_from
    from flowkit.records.query import recorded_state
    from flowkit.records.store import Store

    with Store(records) as store:
        found = recorded_state(store, reference)
    where = f"{RECORDED}{reference}"
    tests = tuple(replace(test, id=f"{where}: {test.id}") for test in found.tests)
    dates = sorted({test.conditions.date for test in tests if test.conditions.date})
    flowed = f"flowed {' to '.join(dict.fromkeys((dates[0], dates[-1])))}" if dates else "its date is not stated"
    message = (
        f"the tests of {found.name!r} come from the shop's records, {flowed}: a session of its own, so what the bench "
        "moved since then is in the gain"
    )
    findings = [Finding("recorded-state", "note", where, message)]
    settings: dict[str, Mapping[str, Any]] = {}
    again = "add its job to the records again" if found.of_job else "its sheet was added without a job"
    if found.settings is not None:
        raw = found.settings["bench"]
        own = {
            "bench": Bench(**read_table("bench", raw, where), air_stated="air" in raw),
            "meters": meters_from(found.settings["meter"], file=where),
            "meter": found.settings["named"].get(found.name),
            "from": where,
        }
        settings = {test.id: own for test in tests}
    elif any(not test.gives_flows for test in tests):
        message = f"the records do not hold the meter that these readings were taken with; {again}"
        findings.append(Finding("records-unusable", "error", where, message))
    else:
        message = f"the records do not say how its bench gave the air; this job's [bench] is used; {again}"
        findings.append(Finding("recorded-state", "warning", where, message))
    return replace(found, tests=tests), settings, findings


def _changed(change: HandChange) -> Finding:
    """Say what was changed by hand, so that no result is without it."""
    place = f"{change.file}!{change.sheet}" if change.sheet else change.file
    where = f"{place}:{change.cell}" if change.cell and not change.sheet else f"{place}!{change.cell}"
    says = f"the sheet says {change.sheet_says}" if change.sheet_says else "the sheet says nothing"
    counts = f"{change.value} counts instead" if change.value is not None else f"this {change.what} is left out"
    of = "" if change.cell else f"{change.what}: "
    message = f"{of}{says}; {counts}, set by hand: {change.reason or 'no reason given'}"
    return Finding("changed-by-hand", "note", where if change.cell else place, message)


def _overridden(test: FlowTest, stated: Stated) -> tuple[FlowTest, list[HandChange]]:
    """Put the statements that count over the sheet's own into a test, and list what they change."""
    changes: list[HandChange] = []
    for name, reason in stated.overrides.items():
        if name in ("lift_unit", "flow_unit", "pressure_unit"):
            said, test = _put_unit(test, name.removesuffix("_unit"), str(getattr(stated, name)))
        elif name in ("side", "port", "run", "head"):
            old, new = getattr(test, name), getattr(stated, name)
            said = None if old in (None, new) else (name, str(old), str(new))
            test = replace(test, **{name: new})
        else:
            said, test = _put_condition(test, name, getattr(stated.conditions, name))
        if said is not None:
            what, says, value = said
            changes.append(HandChange(test.file, test.sheet, None, what, says, value, reason))
    return test, changes


def _put_condition(test: FlowTest, name: str, new: Any) -> tuple[tuple[str, str, str] | None, FlowTest]:
    """Put a condition into a test; what it is, what the sheet says and what counts, None where they agree."""
    item = field_of("conditions", name)
    olds = {getattr(test.conditions, name)}
    points = test.points
    if name == "test_pressure_pa":
        olds |= {point.pressure_pa for point in points}
        points = tuple(replace(point, pressure_pa=None) for point in points)
    within = {old for old in olds if isinstance(old, float) and abs(old - new) <= SAME * abs(old)}
    said = sorted(olds - within - {None, new}, key=str)
    of_sheet = test.units.pressure if item.kind == "pressure" and not item.usual else None
    spelled = of_sheet.unit if of_sheet else item.unit
    written = " to ".join(dict.fromkeys(_written(old, spelled) for old in (said[:1] + said[-1:])))
    changed = replace(test, conditions=replace(test.conditions, **{name: new}), points=points)
    return ((item.words, written, _written(new, spelled)) if said else None), changed


def _written(value: Any, spelled: str | None) -> str:
    """A condition as people write it."""
    return f"{from_si(value, spelled):.6g} {spelled}" if spelled and isinstance(value, float) else str(value)


def _put_unit(test: FlowTest, of: str, name: str) -> tuple[tuple[str, str, str] | None, FlowTest]:
    """Read a test's numbers in another unit than the sheet gives them."""
    old = getattr(test.units, of)
    new = replace(test.units, **{of: UnitSource(name, "stated")})
    if old is None or old.unit == name:
        return None, test
    one, other = UNITS[old.unit], UNITS[name]
    if one.quantity != other.quantity:
        raise JobError(
            f"{of}_unit: the sheet's {old.unit} cannot be read as {name}",
            "they measure different things",
            file=test.file,
        )
    factor = other.factor / one.factor
    attribute = {"lift": "lift_m", "flow": "flow_m3_s", "pressure": "pressure_pa"}[of]
    points = tuple(
        point if (value := getattr(point, attribute)) is None else replace(point, **{attribute: value * factor})
        for point in test.points
    )
    conditions = test.conditions
    if of == "pressure" and conditions.test_pressure_pa is not None:
        conditions = replace(conditions, test_pressure_pa=conditions.test_pressure_pa * factor)
    return (f"{of} unit", old.unit, name), replace(test, units=new, points=points, conditions=conditions)


class _Files:
    """Files already read, by path and by what was stated of them."""

    def __init__(self, variants: Sequence[JobVariant]) -> None:
        choices = [choice for variant in variants for choice in variant.sheets if choice.recorded is None]
        names = Counter(path.name for path in {choice.path for choice in choices})
        # The base name is what people know a sheet by; the path only where two share it.
        self._labels = {c.path: c.path.name if names[c.path.name] == 1 else str(c.path) for c in choices}
        self._read: list[tuple[Path, Stated, ReadResult]] = [
            (choice.path, *choice.known)
            for choice in choices
            if choice.known is not None and self._labels[choice.path] == choice.path.name
        ]

    def read(self, path: Path, stated: Stated) -> ReadResult:
        """Read a file, or return what was read of it under the same statements."""
        from flowkit import importers

        for known, how, result in self._read:
            if known == path and how == stated:
                return result
        result = importers.read(path, stated, label=self._labels[path])
        self._read.append((path, stated, result))
        return result

    def unused(self, used: set[tuple[Path, str]]) -> list[Finding]:
        """Name the tests of the job's files that no variant took."""
        tests = {(path, test.id): test for path, _, result in self._read for test in result.tests}
        left = [test for key, test in tests.items() if key not in used]
        return [
            Finding(
                "tests-unused",
                "note",
                f"{file}!{sheet}" if sheet else file,
                f"its tests of variant {variant!r} belong to no variant of the job and were left out; "
                "name them in a [[variant]] if they matter",
            )
            for file, sheet, variant in dict.fromkeys((test.file, test.sheet or "", test.variant) for test in left)
        ]


def _select(variant: JobVariant, choice: SheetChoice, tests: Sequence[FlowTest]) -> list[FlowTest]:
    """Take from a file the tests that belong to a variant."""
    if choice.sheet is not None:
        return [test for test in tests if one_spelling(test.sheet or "") == one_spelling(choice.sheet)]
    own = [test for test in tests if one_spelling(test.variant) == one_spelling(variant.name)]
    several = len({one_spelling(test.variant) for test in tests}) > 1
    return own if variant.named_by_label or several else list(tests)


def _nothing_chosen(variant: JobVariant, choice: SheetChoice, result: ReadResult) -> Finding:
    """Say that a file holds nothing of a variant, and what it does hold."""
    if choice.sheet is not None:
        held = ", ".join(dict.fromkeys(repr(test.sheet) for test in result.tests))
        message = f"has no worksheet {choice.sheet!r} with tests; it has {held}"
    else:
        held = ", ".join(dict.fromkeys(repr(test.variant) for test in result.tests))
        message = (
            f"holds no tests of variant {variant.name!r}; it has {held}; "
            f'name the variant so, or take one worksheet with "{choice.path.name}!sheet name"'
        )
    return Finding("variant-empty", "error", result.tests[0].file, message)


def _relevant(result: ReadResult, chosen: Sequence[FlowTest]) -> list[Finding]:
    """Keep the findings of the chosen tests' sheets, and of sheets that gave no test at all."""

    def places(tests: Sequence[FlowTest]) -> set[str]:
        """The starts of all sources of tests."""
        return {f"{test.file}!{test.sheet}" if test.sheet else test.file for test in tests}

    others = places(result.tests) - places(chosen)
    return [found for found in result.findings if not any(f"{found.where}!".startswith(f"{at}!") for at in others)]


def join_tests(variant: JobVariant, tests: Sequence[FlowTest]) -> tuple[tuple[FlowTest, ...], list[Finding]]:
    """Give the tests their variant's name, the number of their run and the stated geometry."""
    findings: list[Finding] = []
    joined: list[FlowTest] = []
    ports: dict[tuple[str | None, str | None], list[FlowTest]] = {}
    for test in tests:
        known = ports.setdefault((test.side, test.port), [])
        numbered = _numbered(replace(test, variant=variant.name), known)
        same = [other for other in known if other.run == numbered.run]
        if test.port is None and (numbered.run != test.run or any(_interleaved(test, other) for other in same)):
            message = (
                "this test and another of the same variant and side name no port, so they could be two ports "
                "or two runs of one; state the port in the job's conditions or with --port"
            )
            findings.append(Finding("port-missing", "error", test.id, message))
            continue
        known.append(numbered)
        with_geometry, more = _with_geometry(numbered, variant.valves)
        findings += more
        joined.append(with_geometry)
    return tuple(joined), findings


def _numbered(test: FlowTest, known: Sequence[FlowTest]) -> FlowTest:
    """Give a test the first run number from its own on that is free, or that of a run it continues.

    A run written in several sheets, each with lifts of its own, is one run: split files change no result.
    """
    from flowkit.analysis.curves import continues

    while not all(continues(other, test) for other in known if other.run == test.run):
        test = replace(test, run=test.run + 1)
    return test


def _interleaved(one: FlowTest, other: FlowTest) -> bool:
    """Tell whether the lifts of two tests overlap, so that neither goes on where the other ends."""
    lifts, others = ([point.lift_m for point in test.points] for test in (one, other))
    return bool(lifts and others) and max(lifts) > min(others) and max(others) > min(lifts)


def _with_geometry(test: FlowTest, valves: Mapping[Side, ValveGeometry]) -> tuple[FlowTest, list[Finding]]:
    """Join the job's valve to a test's conditions; a contradiction is an error that shows both."""
    valve = valves.get(test.side) if test.side else None
    if valve is None:
        return test, []
    findings: list[Finding] = []
    values: dict[str, Any] = {}
    for row in section("valves").values():
        stated: float | None = getattr(valve, row.attribute)
        if stated is None or not row.condition:
            continue
        written: float | None = getattr(test.conditions, row.condition)
        if written is None:
            values[row.condition] = stated
        elif abs(stated - written) > SAME * written:
            name = field_of("conditions", row.condition).words
            message = (
                f"the sheet gives {name} {_written(written, row.unit)}, the job {_written(stated, row.unit)}; "
                "correct the one that is wrong"
            )
            findings.append(Finding("stated-contradicts", "error", test.id, message))
    return replace(test, conditions=replace(test.conditions, **values)), findings
