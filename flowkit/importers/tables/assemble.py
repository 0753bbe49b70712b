"""Drafts of tests, with what the sheet and the user state, to flow tests in SI."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import chain
from operator import sub
from statistics import median
from typing import NamedTuple

from flowkit.importers.mapping import Stated, given
from flowkit.importers.tables.lifts import Lifts, scaled
from flowkit.importers.tables.lines import Key
from flowkit.importers.tables.readings import Draft
from flowkit.importers.words.items import (
    CONDITION_FIELDS,
    CONTRADICTED,
    FLOW_KINDS,
    KEEP_ONE,
    Item,
    assumed,
    refused,
    unreadable,
)
from flowkit.model import AirState, Conditions, Finding, FlowTest, Point, Reading, Side, Units, UnitSource
from flowkit.units import Unit, from_si


def make_points(
    lifts: Sequence[float], flows: Sequence[float], pressures: Sequence[float | None], sources: Sequence[str]
) -> tuple[Point, ...]:
    """Make points of their four columns."""
    return tuple(map(Point, lifts, flows, pressures, sources))


REPEATED = 1.03  # how far apart the flows of two runs may lie (common practice, no source)
MICRON = 1e-6  # lifts closer than this are one


def split_runs(drafts: Sequence[Draft]) -> tuple[list[Draft], list[Finding]]:
    """Part tests whose every lift occurs equally often into runs."""
    found: list[Draft] = []
    findings: list[Finding] = []
    single: set[int] = set()  # lists of lifts, shared by the columns of a table, in which none is repeated
    for draft in drafts:
        if id(draft.lifts) in single:
            found.append(draft)
            continue
        if not _repeats(draft.lifts):
            single.add(id(draft.lifts))
            found.append(draft)
            continue
        runs = _run_of_each(draft) if draft.run is None else None
        if runs is None:
            found.append(draft)
            continue
        count = max(runs)
        parts = [_part(draft, runs, run) for run in range(1, count + 1)]
        what = f"every lift appears {count} times"
        apart = max(_apart(parts[0], other) for other in parts[1:])
        if apart > REPEATED:
            what += f", and the flows differ by about {100 * (apart - 1):.0f} %, too much for runs of one port"
            findings.append(unreadable(parts[1].sources[0], f"{what}; say which state or port each of them is"))
        else:
            what += f": the rows were read as {count} runs of one port"
            findings.append(Finding("lift-repeated", "note", draft.sources[0], what))
        found += parts
    return found, findings


def _apart(one: Draft, other: Draft) -> float:
    """How far apart the flows of two sweeps lie, as the middle one of their ratios where the valve is well open."""
    least = 0.25 * max(one.flows, default=0.0)
    flows = dict(zip((round(lift / MICRON) for lift in one.lifts), one.flows, strict=True))
    pairs = [(flows[key], flow) for lift, flow in zip(other.lifts, other.flows, strict=True)
             if flows.get(key := round(lift / MICRON), 0.0) > least and flow > 0.0]  # fmt: skip
    return median([max(pair) / min(pair) for pair in pairs]) if pairs else 1.0


def without_zeros(drafts: Sequence[Draft]) -> list[Finding]:
    """Leave out zeros at open valves among flows: lifts that were not tested."""
    findings = []
    for draft in drafts:
        keep = [i for i, flow in enumerate(draft.flows) if flow != 0.0 or draft.lifts[i] < MICRON]
        if len(keep) == len(draft.flows) or not any(draft.flows) or draft.shown is not None:
            continue
        first = next(i for i in range(len(draft.flows)) if i not in set(keep))
        count = len(draft.flows) - len(keep)
        what = f"a flow of 0 with the valve open was taken as not measured{f' ({count} of them)' if count > 1 else ''}"
        findings.append(Finding("not-a-number", "note", draft.sources[first], what))
        for name in ("lifts", "flows", "pressures", "sources"):
            setattr(draft, name, [getattr(draft, name)[i] for i in keep])
    return findings


def _run_of_each(draft: Draft) -> list[int] | None:
    """The run of each point, None where the lifts are not repeated or not equally often."""
    seen: dict[int, int] = {}
    runs = []
    for lift in draft.lifts:
        key = round(lift / MICRON)
        seen[key] = seen.get(key, 0) + 1
        runs.append(seen[key])
    counts = set(seen.values())
    return runs if len(counts) == 1 and counts != {1} and len(seen) > 1 else None


def _repeats(lifts: Sequence[float]) -> bool:
    """Whether two lifts are one, to within a micron."""
    ordered = sorted(lifts)
    return min(map(sub, ordered[1:], ordered), default=1.0) < MICRON


def _part(draft: Draft, runs: Sequence[int], run: int) -> Draft:
    """The points of one run."""
    keep = [index for index, of in enumerate(runs) if of == run]
    return replace(
        draft,
        run=run,
        lifts=[draft.lifts[i] for i in keep],
        flows=[draft.flows[i] for i in keep],
        pressures=[draft.pressures[i] for i in keep],
        sources=[draft.sources[i] for i in keep],
        shown=None if draft.shown is None else [draft.shown[i] for i in keep],
    )


_SAME = 1e-3
"""Relative difference up to which two leaks say the same (rounding)."""


def with_closed_valve(
    items: Mapping[str, Item], closed: Mapping[str, Item], *, leak_stated: bool
) -> tuple[dict[str, Item], Finding | None]:
    """Join what a test's reading at lift zero says to what else is said of it."""
    read, said = closed["leak"], items.get("leak")
    if not read.value and (said is not None or leak_stated):
        return dict(items), None
    if said is None:
        return {**items, **closed}, None
    if _agree(read, said):
        return dict(items), None
    what = f"the flow at lift zero and the leak in {said.source} differ; {KEEP_ONE}"
    return dict(items), refused(read.source, what)


def _agree(one: Item, other: Item) -> bool:
    """Whether two leaks say the same; of different kinds of flow they cannot be compared."""
    if one.unit is None or other.unit is None or one.unit.quantity != other.unit.quantity:
        return False
    first, second = float(one.value) * one.unit.factor, float(other.value) * other.unit.factor
    return abs(first - second) <= _SAME * max(abs(first), abs(second))


SAME = 1e-6  # relative difference up to which a statement and the sheet say the same
CONDITION_NAMES = tuple(item.name for item in fields(Conditions))


@dataclass(frozen=True, slots=True)
class Place:
    """Where a table's tests come from, and what names them if nothing on the sheet does."""

    file: str
    sheet: str | None
    variant: str
    labelled: str | None = None
    side: Side | None = None
    port: str | None = None
    run: int | None = None
    head: str | None = None


def assemble(
    drafts: Sequence[Draft], lifts: Lifts, items: Mapping[Key, Item], place: Place, stated: Stated
) -> tuple[list[FlowTest], list[Finding]]:
    """Make the tests of one table."""
    maker = _Maker(lifts, items, place, stated)
    parts = [part for draft in drafts if (part := maker.make(draft)) is not None]
    # All points of a table at once: over an archive of sheets that counts.
    columns = [list(chain.from_iterable(part.columns[n] for part in parts)) for n in range(4)]
    points = make_points(*columns)  # type: ignore[arg-type]
    tests = []
    end = 0
    for part in parts:
        start, end = end, end + len(part.columns[0])
        mine = points[start:end]
        if part.shown is not None:
            mine = tuple(replace(point, reading=item) for point, item in zip(mine, part.shown, strict=True))
        tests.append(FlowTest("", place.file, place.sheet, *part.names, part.conditions, part.units, mine))
    return tests, maker.findings


class _Part(NamedTuple):
    """A test but for its points, and these as columns."""

    names: tuple[str | None, str, Side | None, str | None, int]
    conditions: Conditions
    units: Units
    columns: tuple[list[float], list[float], list[float | None], list[str]]
    shown: list[Reading | None] | None = None


class _Said(NamedTuple):
    """Names that hold for a whole table; `line` is the variant that a line of the sheet gives."""

    side: Side | None
    port: str | None
    run: int | None
    head: str | None
    variant: str | None
    line: str | None


class _Maker:
    """Makes the tests of one table; what they share is made once."""

    def __init__(self, lifts: Lifts, items: Mapping[Key, Item], place: Place, stated: Stated) -> None:
        self.lifts = lifts
        self.items = items
        self.place = place
        self.stated = stated
        self.findings: list[Finding] = []
        self._told: set[tuple[str, str]] = set()
        self._shared: dict[Side | None, dict[str, Item]] = {}
        self._conditions: dict[tuple[object, ...], Conditions] = {}
        self._plain_conditions: dict[tuple[Side | None, float | None], Conditions] = {}
        self._units: dict[tuple[object, ...], Units] = {}
        self._stated_conditions = given(stated.conditions)
        self._said = self._names_said()
        self._names_stated = any(
            getattr(stated, name) is not None for name in ("side", "port", "run", "head", "variant")
        )

    def tell(self, finding: Finding) -> None:
        """Keep a finding, once."""
        key = (finding.where, finding.message)
        if key not in self._told:
            self._told.add(key)
            self.findings.append(finding)

    def make(self, draft: Draft) -> _Part | None:
        """Make one test, None where its numbers cannot become SI."""
        side, port, run, head, variant = self._names(draft)
        items = self._items_for(side)
        if draft.items or draft.closed:
            items = {**items, **draft.items}
            if draft.closed:
                items, doubt = with_closed_valve(
                    items, draft.closed, leak_stated="leak_m3_s" in self._stated_conditions
                )
                if doubt is not None:
                    self.tell(doubt)
            conditions = self._conditions_of(items, draft)
        else:
            key = (side, self._common_pressure(draft))
            known = self._plain_conditions.get(key)
            conditions = known if known is not None else self._conditions_of(items, draft)
            self._plain_conditions[key] = conditions
        if self.stated.lift_unit or self.stated.flow_unit:
            self._hold_units(draft)
        shown = self._shown(draft, conditions)
        only_shown = draft.shown is not None and draft.flow_unit is None
        factor = 1.0 if only_shown else self._volume_factor(draft.flow_unit, conditions, draft.where)
        scale = self._lift_factor(conditions, draft.where) if self.lifts.ratio else 1.0
        if factor is None or scale is None or (only_shown and shown is None):
            return None
        names = (head, variant, side, port, run)
        return _Part(names, conditions, self._units_of(draft, items), self._columns(draft, factor, scale), shown)

    def _shown(self, draft: Draft, conditions: Conditions) -> list[Reading | None] | None:
        """A meter's readings with their unit, which the sheet or the user states; without it they are asked about.

        Beside flows nothing is asked here: only a job with a meter needs the readings.
        """
        if draft.shown is None:
            return None
        unit = draft.meter_unit or conditions.reading_unit
        if unit is None and draft.flow_unit is not None:
            unit = ""
        if unit is None:
            what = (
                "the readings of the meter have no unit; state it with --reading-unit "
                "or reading_unit in the job's [meter] or conditions"
            )
            self.tell(refused(draft.where, what))
            return None
        draft.meter_unit = unit
        return [None if item is None else replace(item, unit=unit) for item in draft.shown]

    def _columns(
        self, draft: Draft, factor: float, scale: float
    ) -> tuple[list[float], list[float], list[float | None], list[str]]:
        """The points' four columns in SI."""
        lifts = draft.lifts if scale == 1.0 else [lift * scale for lift in draft.lifts]
        return lifts, scaled(draft.flows, factor), draft.pressures, draft.sources

    def _names(self, draft: Draft) -> tuple[Side | None, str | None, int, str | None, str]:
        """Side, port, run, head and variant: from the column or row, the sheet's lines, its name, the user."""
        stated, said = self.stated, self._said
        side = draft.side or said.side
        port = draft.port or said.port
        run = draft.run or said.run
        head = draft.head or said.head
        labelled = draft.variant or said.variant
        if draft.variant and said.line and draft.variant.casefold() != said.line.casefold():
            labelled = f"{said.line} {draft.variant}"
        if self._names_stated:
            found = {"side": side, "port": port, "run": run, "head": head, "variant": labelled}
            for name, value in found.items():
                wanted = getattr(stated, name)
                if wanted is not None and value is not None and str(wanted).casefold() != str(value).casefold():
                    self._contradiction(name, repr(value), repr(wanted), draft.where)
        return (
            side or stated.side,
            port or stated.port,
            run or stated.run or 1,
            head or stated.head,
            labelled or stated.variant or self.place.variant,
        )

    def _names_said(self) -> _Said:
        """The names that hold for the whole table: from the sheet's lines, then from its own name."""
        side = self._text("side") or self.place.side
        run = self.items.get(("run", None))
        line = self._text("variant")
        return _Said(
            side if side in ("intake", "exhaust") else None,  # type: ignore[arg-type]
            self._text("port") or self.place.port,
            int(run.value) if run is not None else self.place.run,
            self._text("head") or self.place.head,
            line or self.place.labelled,
            line,
        )

    def _text(self, kind: str) -> str | None:
        """What the sheet's lines give as a name."""
        item = self.items.get((kind, None))
        return str(item.value) if item is not None and not str(item.value).startswith("?") else None

    def _contradiction(self, name: str, found: str, wanted: str, where: str) -> None:
        """Say that the user and the sheet differ, unless the user's statement counts anyhow (the job puts it in)."""
        if any(_plain_name(field) == name for field in self.stated.overrides):
            return
        what = f"the sheet gives {name} {found}, but {wanted} was stated; {CONTRADICTED}"
        self.tell(Finding("stated-contradicts", "error", where, what))

    def _items_for(self, side: Side | None) -> dict[str, Item]:
        """The sheet's conditions for tests of one side."""
        if side not in self._shared:
            found = {kind: item for (kind, of), item in self.items.items() if of is None and kind in CONDITION_FIELDS}
            found |= {
                kind: item
                for (kind, of), item in self.items.items()
                if of == side and of is not None and kind in CONDITION_FIELDS
            }
            self._shared[side] = found
        return self._shared[side]

    def _conditions_of(self, items: Mapping[str, Item], draft: Draft) -> Conditions:
        """Conditions in SI, with the user's where the sheet has none."""
        common = self._common_pressure(draft) if "pressure" not in items else None
        key = (common, *[(kind, item.value, item.unit and item.unit.name) for kind, item in items.items()])
        if key in self._conditions:
            return self._conditions[key]
        values: dict[str, float | str | None] = {}
        later = []
        flows: dict[str, list[float]] = {}
        for kind, item in items.items():
            if kind in FLOW_KINDS:
                later.append((kind, item))
            else:
                name = CONDITION_FIELDS[kind]
                # A zero or leak before and after, and leaks of several ranges, are one condition.
                joins = name in ("zero_reading", "leak_reading") and name in values
                values[name] = f"{values[name]}; {item.value}" if joins else item.value
        if common is not None:
            values["test_pressure_pa"] = common
        self._join_stated(values, items, draft.where)
        without_flows = Conditions(**values)  # type: ignore[arg-type]
        for kind, item in later:
            factor = self._volume_factor(item.unit, without_flows, item.source)
            if factor is not None and item.unit is not None:
                name = CONDITION_FIELDS[kind]
                flows.setdefault(name, []).append(float(item.value) * factor)
                values[name] = sum(flows[name]) / len(flows[name])  # a leak before and one after are averaged
                wanted = getattr(self.stated.conditions, name)
                found = float(values[name] or 0.0)
                if wanted is not None and not _same(found, wanted):
                    self._contradiction(_plain_name(name), _shown(name, found), _shown(name, wanted), item.source)
        conditions = Conditions(**values) if later else without_flows  # type: ignore[arg-type]
        self._conditions[key] = conditions
        return conditions

    def _common_pressure(self, draft: Draft) -> float | None:
        """The one pressure of all points, None where they have none or differ."""
        first = draft.pressures[0] if draft.pressures else None
        return first if first is not None and draft.pressures.count(first) == len(draft.pressures) else None

    def _join_stated(self, values: dict[str, float | str | None], items: Mapping[str, Item], where: str) -> None:
        """Add what the user states; where both speak they must agree."""
        if not self._stated_conditions:
            return
        places = {CONDITION_FIELDS[kind]: item.source for kind, item in items.items()}
        flow_fields = {CONDITION_FIELDS[kind] for kind in FLOW_KINDS if kind in items}
        for name, wanted in self._stated_conditions.items():
            found = values.get(name)
            if name in flow_fields:
                continue
            if found is None:
                values[name] = wanted
            elif not _same(found, wanted):
                self._contradiction(
                    _plain_name(name), _shown(name, found), _shown(name, wanted), places.get(name, where)
                )

    def _hold_units(self, draft: Draft) -> None:
        """Hold the units the user states against those the sheet states."""
        stated, lifts = self.stated, self.lifts
        flow = draft.flow_unit.name if draft.flow_stated and draft.flow_unit else None
        lift = lifts.unit.name if lifts.source == "stated" and lifts.unit else None
        for name, said, wanted in (("flow", flow, stated.flow_unit), ("lift", lift, stated.lift_unit)):
            if said and wanted and said != wanted and f"{name}_unit" not in stated.defaults:
                self._contradiction(f"{name} unit", said, wanted, draft.where)

    def _volume_factor(self, unit: Unit | None, conditions: Conditions, where: str) -> float | None:
        """What turns a flow in some unit into m³/s at the inlet."""
        if unit is None or unit.quantity == "flow":
            return unit.factor if unit is not None else None
        if unit.quantity == "standard flow":
            return self._standard_factor(unit, conditions, where)
        air = self._air(conditions, where)
        if air is None:
            what = (
                f"flow in {unit.name} is a mass; its volume needs the air's temperature and barometer: "
                "state --air-temperature and --barometer, or both in the job's conditions"
            )
            self.tell(refused(where, what))
            return None
        from flowkit.air import density

        return unit.factor / density(air)

    def _standard_factor(self, unit: Unit, conditions: Conditions, where: str) -> float | None:
        """What turns standard cubic feet into m³/s: the declared standard air over the air at the inlet."""
        standard = self.stated.standard_air
        if standard is None:
            what = (
                "SCFM is a volume at a standard state that the sheet does not give; declare it in the job file as "
                "[bench] standard_air, or ask the bench for actual CFM"
            )
            self.tell(refused(where, what))
            return None
        air = self._air(conditions, where)
        if air is None:
            self.tell(
                assumed(
                    where,
                    "SCFM was read as flow in the standard air, since the sheet gives no air of its own",
                    "state temperature and barometer",
                )
            )
            return unit.factor
        from flowkit.air import density

        return unit.factor * density(standard) / density(air)

    def _air(self, conditions: Conditions, where: str) -> AirState | None:
        """The air at the inlet, None where temperature or barometer are missing."""
        if conditions.air_temperature_k is None or conditions.barometer_pa is None:
            return None
        if conditions.relative_humidity is None:
            self.tell(assumed(where, "the air's humidity is not known and it was taken as dry", "state the humidity"))
        return AirState(conditions.air_temperature_k, conditions.barometer_pa, conditions.relative_humidity or 0.0)

    def _lift_factor(self, conditions: Conditions, where: str) -> float | None:
        """What turns lifts over the valve's diameter into metres."""
        if conditions.valve_diameter_m is None:
            what = (
                "lifts are fractions of the valve's diameter, which is not known; state it with "
                "--valve-head or as valve_head in the job's conditions"
            )
            self.tell(refused(where, what))
        return conditions.valve_diameter_m

    def _units_of(self, draft: Draft, items: Mapping[str, Item]) -> Units:
        """The units of a test."""
        assert self.lifts.unit is not None
        item = items.get("pressure")
        stated = item is not None and item.stated
        named = item.unit.name if item is not None and item.unit is not None else None
        if draft.pressure_unit is not None:
            named, stated = draft.pressure_unit.unit, draft.pressure_unit.source == "stated"
        flow = draft.meter_unit if draft.flow_unit is None else draft.flow_unit.name
        shown = draft.meter_unit if draft.shown is not None else None
        key = (flow, draft.flow_stated, named, stated, shown)
        if key not in self._units:
            own = UnitSource(str(flow), "stated" if draft.flow_stated or draft.flow_unit is None else "assumed")
            self._units[key] = Units(
                UnitSource(self.lifts.unit.name, self.lifts.source),
                own,
                UnitSource(named, "stated" if stated else "assumed") if named is not None else None,
                None if shown is None else UnitSource(shown, "stated"),
            )
        return self._units[key]


def _same(found: float | str, wanted: float | str) -> bool:
    """Whether a sheet and a statement agree."""
    if isinstance(found, str) or isinstance(wanted, str):
        return str(found).casefold() == str(wanted).casefold()
    return abs(found - wanted) <= SAME * max(abs(found), abs(wanted))


_SHOWN = {"_m3_s": "CFM", "_pa": "inH2O", "_m": "mm", "_k": "°C", "_deg": "°"}


def _plain_name(name: str) -> str:
    """A field's name in words."""
    for ending in _SHOWN:
        name = name.removesuffix(ending)
    return name.replace("_", " ")


def _shown(name: str, value: float | str) -> str:
    """A condition as people write it."""
    unit = next((unit for ending, unit in _SHOWN.items() if name.endswith(ending)), None)
    if isinstance(value, str) or unit is None:
        return repr(value) if isinstance(value, str) else f"{value:.6g}"
    spelled = "hPa" if name in ("barometer_pa", "meter_pressure_pa") else unit
    return f"{from_si(value, spelled):.6g} {spelled}"
