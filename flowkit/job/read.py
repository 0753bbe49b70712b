"""From a job's variants to their tests: which tests of which files belong to which variant."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowkit.errors import JobError, SheetError
from flowkit.fields import field_of, section
from flowkit.model import Bench, Finding, FlowTest, HandChange, Side, UnitSource, ValveGeometry, Variant, one_spelling
from flowkit.units import UNITS, from_si

if TYPE_CHECKING:
    from flowkit.importers import ReadResult, Stated
    from flowkit.job.load import JobVariant, SheetChoice
    from flowkit.records.query import RecordedState

SAME = 1e-3
"""Relative difference up to which two statements of a dimension say the same: rounding to a printed digit."""


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
                recorded, notes = _recorded(choice.recorded, records)
                state = state or recorded.state
                tests += recorded.tests
                settings |= _own_settings(choice.recorded, recorded)
                findings += notes
                continue
            try:
                stated = choice.stated or variant.stated
                result = files.read(choice.path, stated)
            except SheetError as error:
                findings.append(Finding(error.rule, "error", error.where or str(choice.path), error.sentence))
                continue
            sources[choice.path] = result.sha256
            chosen = _select(variant, choice, result)
            if not chosen and result.tests:
                findings.append(_nothing_chosen(variant, choice, result))
            for test in chosen:
                changed, made = _overridden(test, stated)
                tests.append(changed)
                changes += made
            sheets = {test.sheet for test in chosen}
            changes += [change for change in result.changes if change.sheet in sheets or not chosen]
            used |= {(choice.path, test.id) for test in chosen}
            findings += _relevant(result, chosen)
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


def _own_settings(reference: str, found: RecordedState) -> dict[str, Mapping[str, Any]]:
    """The bench's air and the meters of the recorded job, for each of its tests."""
    from flowkit.corrections.meter import meters_from
    from flowkit.fields import read_table

    if found.settings is None:
        return {}
    where, raw = f"records:{reference}", found.settings["bench"]
    own = {
        "bench": Bench(**read_table("bench", raw, where), air_stated="air" in raw),
        "meters": meters_from(found.settings["meter"], file=where),
        "meter": found.settings["named"].get(found.name),
        "from": where,
    }
    return {test.id: own for test in found.tests}


def _recorded(reference: str, records: Path | None) -> tuple[RecordedState, list[Finding]]:
    """Fetch a recorded state, its tests named after where they come from, and say so."""
    from flowkit.records.query import recorded_state
    from flowkit.records.store import Store

    with Store(records) as store:
        found = recorded_state(store, reference)
    where = f"records:{reference}"
    tests = tuple(dataclasses.replace(test, id=f"{where}: {test.id}") for test in found.tests)
    dates = sorted({test.conditions.date for test in tests if test.conditions.date})
    flowed = f"flowed {' to '.join(dict.fromkeys((dates[0], dates[-1])))}" if dates else "its date is not stated"
    message = (
        f"the tests of {found.name!r} come from the shop's records, {flowed}: a session of its own, so what the bench "
        "moved since then is in the gain"
    )
    findings = [Finding("recorded-state", "note", where, message)]
    if found.settings is None:
        again = "add its job to the records again" if found.of_job else "its sheet was added without a job"
        if any(not test.gives_flows for test in tests):
            message = f"the records do not hold the meter that these readings were taken with; {again}"
            findings.append(Finding("records-unusable", "error", where, message))
        else:
            message = f"the records do not say how its bench gave the air; this job's [bench] is used; {again}"
            findings.append(Finding("recorded-state", "warning", where, message))
    return dataclasses.replace(found, tests=tests), findings


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
        says, test = _put(test, name, stated)
        if says is not None:
            what, value = says[0], says[2]
            changes.append(HandChange(test.file, test.sheet, None, what, says[1], value, reason))
    return test, changes


def _put(test: FlowTest, name: str, stated: Stated) -> tuple[tuple[str, str, str] | None, FlowTest]:
    """Put one statement into a test; what it is, what the sheet says and what counts, None where they agree."""
    if name in ("lift_unit", "flow_unit", "pressure_unit"):
        return _put_unit(test, name.removesuffix("_unit"), str(getattr(stated, name)))
    if name in ("side", "port", "run", "head"):
        old, new = getattr(test, name), getattr(stated, name)
        what = (name, str(old), str(new))
        return (None if old in (None, new) else what), dataclasses.replace(test, **{name: new})
    item = field_of("conditions", name)
    new = getattr(stated.conditions, name)
    olds = {getattr(test.conditions, name)}
    changes: dict[str, Any] = {"conditions": dataclasses.replace(test.conditions, **{name: new})}
    if name == "test_pressure_pa":
        olds |= {point.pressure_pa for point in test.points}
        changes["points"] = tuple(dataclasses.replace(point, pressure_pa=None) for point in test.points)
    said = sorted((old for old in olds - {None} if not _same(old, new)), key=str)
    of_sheet = test.units.pressure if item.kind == "pressure" and not item.usual else None
    spelled = of_sheet.unit if of_sheet else item.unit
    written = " to ".join(dict.fromkeys(_written(old, spelled) for old in (said[:1] + said[-1:])))
    what = (item.words, written, _written(new, spelled))
    return (what if said else None), dataclasses.replace(test, **changes)


def _same(one: Any, other: Any) -> bool:
    """Tell whether two statements say the same, within rounding."""
    return bool(one == other or (isinstance(one, float) and abs(one - other) <= SAME * abs(one)))


def _written(value: Any, spelled: str | None) -> str:
    """A condition as people write it."""
    return f"{from_si(value, spelled):.6g} {spelled}" if spelled and isinstance(value, float) else str(value)


def _put_unit(test: FlowTest, of: str, name: str) -> tuple[tuple[str, str, str] | None, FlowTest]:
    """Read a test's numbers in another unit than the sheet gives them."""
    old = getattr(test.units, of)
    new = dataclasses.replace(test.units, **{of: UnitSource(name, "stated")})
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
        point
        if (value := getattr(point, attribute)) is None
        else dataclasses.replace(point, **{attribute: value * factor})
        for point in test.points
    )
    conditions = test.conditions
    if of == "pressure" and conditions.test_pressure_pa is not None:
        conditions = dataclasses.replace(conditions, test_pressure_pa=conditions.test_pressure_pa * factor)
    return (f"{of} unit", old.unit, name), dataclasses.replace(test, units=new, points=points, conditions=conditions)


class _Files:
    """Files already read, by path and by what was stated of them."""

    def __init__(self, variants: Sequence[JobVariant]) -> None:
        choices = [choice for variant in variants for choice in variant.sheets if choice.recorded is None]
        paths = list(dict.fromkeys(choice.path for choice in choices))
        names = [path.name for path in paths]
        # The base name is what people know a sheet by; the path only where two share it.
        self._labels = {path: path.name if names.count(path.name) == 1 else str(path) for path in paths}
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
        left: dict[tuple[Path, str], FlowTest] = {}
        for path, _, result in self._read:
            left.update({(path, test.id): test for test in result.tests if (path, test.id) not in used})
        labels = dict.fromkeys((test.file, test.sheet or "", test.variant) for test in left.values())
        return [
            Finding(
                "tests-unused",
                "note",
                f"{file}!{sheet}" if sheet else file,
                f"its tests of variant {variant!r} belong to no variant of the job and were left out; "
                "name them in a [[variant]] if they matter",
            )
            for file, sheet, variant in labels
        ]


def _select(variant: JobVariant, choice: SheetChoice, result: ReadResult) -> list[FlowTest]:
    """Take from a file the tests that belong to a variant."""
    tests = list(result.tests)
    if choice.sheet is not None:
        return [test for test in tests if one_spelling(test.sheet or "") == one_spelling(choice.sheet)]
    labels = {one_spelling(test.variant) for test in tests}
    if variant.named_by_label or len(labels) > 1:
        return [test for test in tests if one_spelling(test.variant) == one_spelling(variant.name)]
    return tests


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
    others = {_place(test) for test in result.tests} - {_place(test) for test in chosen}
    return [
        finding
        for finding in result.findings
        if not any(finding.where == place or finding.where.startswith(place + "!") for place in others)
    ]


def _place(test: FlowTest) -> str:
    """The start of every source of a test."""
    return f"{test.file}!{test.sheet}" if test.sheet else test.file


def join_tests(variant: JobVariant, tests: Sequence[FlowTest]) -> tuple[tuple[FlowTest, ...], list[Finding]]:
    """Give the tests their variant's name, the number of their run and the stated geometry."""
    findings: list[Finding] = []
    joined: list[FlowTest] = []
    ports: dict[tuple[str | None, str | None], list[FlowTest]] = {}
    for test in tests:
        known = ports.setdefault((test.side, test.port), [])
        numbered = _numbered(dataclasses.replace(test, variant=variant.name), known)
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
        test = dataclasses.replace(test, run=test.run + 1)
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
    return dataclasses.replace(test, conditions=dataclasses.replace(test.conditions, **values)), findings
