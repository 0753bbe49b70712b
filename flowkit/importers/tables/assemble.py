"""Drafts of tests, with what the sheet and the user state, to flow tests in SI."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from operator import sub
from statistics import median
from typing import Any

from flowkit.importers.mapping import Stated, given
from flowkit.importers.tables.lines import Key
from flowkit.importers.tables.readings import Draft, Lifts, scaled
from flowkit.importers.words import items as terms
from flowkit.model import AirState, Conditions, Finding, FlowTest, Point, Reading, Side, Units, UnitSource
from flowkit.units import Unit, from_si

REPEATED = 1.03  # how far apart the flows of two runs may lie (common practice, no source)
MICRON = 1e-6  # lifts closer than this are one
SAME = 1e-6  # relative difference up to which a statement and the sheet say the same
LEAKS_AGREE = 1e-3  # relative difference up to which two leaks say the same (rounding)
CONDITION_NAMES = tuple(item.name for item in fields(Conditions))
_SHOWN = {"_m3_s": "CFM", "_pa": "inH2O", "_m": "mm", "_k": "°C", "_deg": "°"}


def _keep(draft: Draft, keep: Sequence[int], run: int | None) -> Draft:
    """Some of the points of a draft."""
    columns = ("lifts", "flows", "pressures", "sources")
    kept: dict[str, Any] = {name: [getattr(draft, name)[i] for i in keep] for name in columns}
    return replace(draft, run=run, shown=draft.shown and [draft.shown[i] for i in keep], **kept)


def without_zeros(drafts: Sequence[Draft]) -> tuple[list[Draft], list[Finding]]:
    """Leave out zeros at open valves among flows: lifts that were not tested."""
    found: list[Draft] = []
    findings = []
    for draft in drafts:
        zeros = [i for i, flow in enumerate(draft.flows) if flow == 0.0 and draft.lifts[i] >= MICRON]
        if not zeros or not any(draft.flows) or draft.shown is not None:
            found.append(draft)
            continue
        count = f" ({len(zeros)} of them)" if len(zeros) > 1 else ""
        what = f"a flow of 0 with the valve open was taken as not measured{count}"
        findings.append(Finding("not-a-number", "note", draft.sources[zeros[0]], what))
        found.append(_keep(draft, [i for i in range(len(draft.flows)) if i not in zeros], draft.run))
    return found, findings


def split_runs(drafts: Sequence[Draft]) -> tuple[list[Draft], list[Finding]]:
    """Part tests whose every lift occurs equally often into runs."""
    found: list[Draft] = []
    findings: list[Finding] = []
    single: set[int] = set()  # lists of lifts, shared by the columns of a table, in which none is repeated
    for draft in drafts:
        ordered = [] if id(draft.lifts) in single else sorted(draft.lifts)
        if min(map(sub, ordered[1:], ordered), default=1.0) >= MICRON:
            single.add(id(draft.lifts))
            found.append(draft)
            continue
        seen: dict[int, list[int]] = {}  # the points of each lift
        for index, lift in enumerate(draft.lifts):
            seen.setdefault(round(lift / MICRON), []).append(index)
        count = len(next(iter(seen.values())))
        if draft.run is not None or count == 1 or len(seen) == 1 or any(len(at) != count for at in seen.values()):
            found.append(draft)
            continue
        parts = [_keep(draft, sorted(at[run] for at in seen.values()), run + 1) for run in range(count)]
        what = f"every lift appears {count} times"
        apart = max(_apart(parts[0], other) for other in parts[1:])
        if apart > REPEATED:
            what += f", and the flows differ by about {100 * (apart - 1):.0f} %, too much for runs of one port"
            findings.append(terms.unreadable(parts[1].sources[0], f"{what}; say which state or port each of them is"))
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
    drafts: Sequence[Draft], lifts: Lifts, items: Mapping[Key, terms.Item], place: Place, stated: Stated
) -> tuple[list[FlowTest], list[Finding]]:
    """Make the tests of one table."""
    maker = _Maker(lifts, items, place, stated)
    return [test for draft in drafts if (test := maker.make(draft)) is not None], maker.findings


class _Maker:
    """Makes the tests of one table; conditions and units that they share are made once."""

    def __init__(self, lifts: Lifts, items: Mapping[Key, terms.Item], place: Place, stated: Stated) -> None:
        self.lifts, self.items, self.place, self.stated = lifts, items, place, stated
        self.findings: list[Finding] = []
        self._shared: dict[object, dict[str, terms.Item]] = {}
        self._conditions: dict[tuple[object, ...], Conditions] = {}
        self._units: dict[tuple[object, ...], Units] = {}
        self._stated_conditions = given(stated.conditions)
        said = {kind: str(item.value) for (kind, of), item in items.items() if of is None and kind != "run"}
        said = {kind: text for kind, text in said.items() if not text.startswith("?")}
        run = items.get(("run", None))
        side = said.get("side") or place.side
        self.line = said.get("variant")  # the state that a line of the sheet gives
        self.said: dict[str, Any] = {  # names that hold for the whole table
            "side": side if side in ("intake", "exhaust") else None,
            "port": said.get("port") or place.port,
            "run": int(run.value) if run is not None else place.run,
            "head": said.get("head") or place.head,
            "variant": self.line or place.labelled,
        }

    def make(self, draft: Draft) -> FlowTest | None:
        """Make one test, None where its numbers cannot become SI."""
        stated, place, lifts = self.stated, self.place, self.lifts
        names: dict[str, Any] = {name: getattr(draft, name) or said for name, said in self.said.items()}
        if draft.variant and self.line and draft.variant.casefold() != self.line.casefold():
            names["variant"] = f"{self.line} {draft.variant}"
        for name, value in names.items():
            wanted = getattr(stated, name)
            if wanted is not None and value is not None and str(wanted).casefold() != str(value).casefold():
                self._contradiction(name, repr(value), repr(wanted), draft.where)
            names[name] = value or wanted
        items = self._items_of(draft, names["side"])
        conditions = self._conditions_of(items, draft)
        flow = draft.flow_unit.name if draft.flow_stated and draft.flow_unit else None
        lift = lifts.unit.name if lifts.source == "stated" and lifts.unit else None
        for name, said, wanted in (("flow", flow, stated.flow_unit), ("lift", lift, stated.lift_unit)):
            if said and wanted and said != wanted and f"{name}_unit" not in stated.defaults:
                self._contradiction(f"{name} unit", said, wanted, draft.where)
        shown = self._shown(draft, conditions)
        only_shown = draft.shown is not None and draft.flow_unit is None
        factor = 1.0 if only_shown else self._volume_factor(draft.flow_unit, conditions, draft.where)
        scale: float | None = 1.0
        if lifts.ratio:
            scale = conditions.valve_diameter_m
            if scale is None:
                what = "lifts are fractions of the valve's diameter, which is not known"
                remedy = "state it with --valve-head or as valve_head in the job's conditions"
                self.findings.append(terms.refused(draft.where, f"{what}; {remedy}"))
        if factor is None or scale is None or (only_shown and shown is None):
            return None
        heights = draft.lifts if scale == 1.0 else [lift * scale for lift in draft.lifts]
        points = tuple(map(Point, heights, scaled(draft.flows, factor), draft.pressures, draft.sources))
        if shown is not None:
            points = tuple(replace(point, reading=item) for point, item in zip(points, shown, strict=True))
        return FlowTest(
            "", place.file, place.sheet, names["head"], names["variant"] or place.variant, names["side"],
            names["port"], names["run"] or 1, conditions, self._units_of(draft, items.get("pressure")), points,
        )  # fmt: skip

    def _shown(self, draft: Draft, conditions: Conditions) -> list[Reading | None] | None:
        """A meter's readings with their unit, which the sheet or the user states; without it they are asked about."""
        if draft.shown is None:
            return None
        unit = draft.meter_unit or conditions.reading_unit  # empty where each meter has its own
        if unit is None and draft.flow_unit is not None:
            unit = ""  # nothing is asked: only a job with a meter needs readings beside flows
        if unit is None:
            what = "the readings of the meter have no unit"
            remedy = "state it with --reading-unit or reading_unit in the job's [meter] or conditions"
            self.findings.append(terms.refused(draft.where, f"{what}; {remedy}"))
            return None
        draft.meter_unit = unit
        return [None if item is None else replace(item, unit=unit) for item in draft.shown]

    def _contradiction(self, name: str, found: str, wanted: str, where: str) -> None:
        """Say that the user and the sheet differ, unless the user's statement counts anyhow (the job puts it in)."""
        if not any(_plain_name(field) == name for field in self.stated.overrides):
            what = f"the sheet gives {name} {found}, but {wanted} was stated; {terms.CONTRADICTED}"
            self.findings.append(Finding("stated-contradicts", "error", where, what))

    def _items_of(self, draft: Draft, side: object) -> dict[str, terms.Item]:
        """What the sheet's lines, the table and the closed valve say of a test's conditions."""
        if side not in self._shared:
            known = [(kind, of, item) for (kind, of), item in self.items.items() if kind in terms.CONDITION_FIELDS]
            shared = {kind: item for kind, of, item in known if of is None}
            self._shared[side] = shared | {kind: item for kind, of, item in known if of is not None and of == side}
        items = self._shared[side] | draft.items
        read, said = draft.closed.get("leak"), items.get("leak")
        if read is None or (not read.value and (said is not None or "leak_m3_s" in self._stated_conditions)):
            return items
        if said is None:
            return items | draft.closed
        alike = False
        if read.unit is not None and said.unit is not None and read.unit.quantity == said.unit.quantity:
            sizes = float(read.value) * read.unit.factor, float(said.value) * said.unit.factor
            alike = abs(sizes[0] - sizes[1]) <= LEAKS_AGREE * max(map(abs, sizes))
        if not alike:
            what = f"the flow at lift zero and the leak in {said.source} differ; {terms.KEEP_ONE}"
            self.findings.append(terms.refused(read.source, what))
        return items

    def _conditions_of(self, items: Mapping[str, terms.Item], draft: Draft) -> Conditions:
        """Conditions in SI, with the user's where the sheet has none; where both speak they must agree."""
        common = draft.pressures[0] if draft.pressures and "pressure" not in items else None
        if common is not None and draft.pressures.count(common) != len(draft.pressures):
            common = None
        key = (common, *[(kind, item.value, item.unit and item.unit.name) for kind, item in items.items()])
        if key in self._conditions:
            return self._conditions[key]
        values: dict[str, float | str | None] = {} if common is None else {"test_pressure_pa": common}
        where = {terms.CONDITION_FIELDS[kind]: item.source for kind, item in items.items()}
        later = []
        for kind, item in items.items():
            name = terms.CONDITION_FIELDS[kind]
            if kind in terms.FLOW_KINDS:
                later.append((name, item))
            else:  # a zero or leak before and after, and leaks of several ranges, are one condition
                joins = name in ("zero_reading", "leak_reading") and name in values
                values[name] = f"{values[name]}; {item.value}" if joins else item.value
        flows: dict[str, list[float]] = {}
        for name, wanted in self._stated_conditions.items():
            if not any(name == other for other, _ in later):
                self._hold(name, values.setdefault(name, wanted), wanted, where.get(name, draft.where))
        conditions = Conditions(**values)  # type: ignore[arg-type]
        for name, item in later:
            factor = self._volume_factor(item.unit, conditions, item.source)
            if factor is not None and item.unit is not None:
                flows.setdefault(name, []).append(float(item.value) * factor)
                values[name] = sum(flows[name]) / len(flows[name])  # a leak before and one after are averaged
                if name in self._stated_conditions:
                    self._hold(name, values[name], self._stated_conditions[name], item.source)
        conditions = self._conditions[key] = Conditions(**values)  # type: ignore[arg-type]
        return conditions

    def _hold(self, name: str, found: float | str | None, wanted: float | str, where: str) -> None:
        """Hold what the sheet says of a condition against what the user states."""
        if isinstance(found, str) or isinstance(wanted, str):
            same = str(found).casefold() == str(wanted).casefold()
        else:
            found = found or 0.0
            same = abs(found - wanted) <= SAME * max(abs(found), abs(wanted))
        if not same and found is not None:
            self._contradiction(_plain_name(name), _shown(name, found), _shown(name, wanted), where)

    def _volume_factor(self, unit: Unit | None, conditions: Conditions, where: str) -> float | None:
        """What turns a flow in some unit into m³/s at the inlet; SCFM by the standard air's density."""
        if unit is None or unit.quantity == "flow":
            return unit.factor if unit is not None else None
        scfm, standard = unit.quantity == "standard flow", self.stated.standard_air
        what, remedy = "", ""
        if scfm and standard is None:
            what = "SCFM is a volume at a standard state that the sheet does not give"
            remedy = "declare it in the job file as [bench] standard_air, or ask the bench for actual CFM"
        temperature, barometer = conditions.air_temperature_k, conditions.barometer_pa
        if not what and (temperature is None or barometer is None):
            if scfm:
                what = "SCFM was read as flow in the standard air, since the sheet gives no air of its own"
                self.findings.append(terms.assumed(where, what, "state temperature and barometer"))
                return unit.factor
            what = f"flow in {unit.name} is a mass; its volume needs the air's temperature and barometer"
            remedy = "state --air-temperature and --barometer, or both in the job's conditions"
        if what or temperature is None or barometer is None:
            separator = ";" if scfm else ":"
            self.findings.append(terms.refused(where, f"{what}{separator} {remedy}"))
            return None
        if conditions.relative_humidity is None:
            what = "the air's humidity is not known and it was taken as dry"
            self.findings.append(terms.assumed(where, what, "state the humidity"))
        from flowkit.air import density

        air = AirState(temperature, barometer, conditions.relative_humidity or 0.0)
        return unit.factor * (density(standard) if scfm and standard is not None else 1.0) / density(air)

    def _units_of(self, draft: Draft, item: terms.Item | None) -> Units:
        """The units of a test."""
        assert self.lifts.unit is not None
        stated = item is not None and item.stated
        named = item.unit.name if item is not None and item.unit is not None else None
        if draft.pressure_unit is not None:
            named, stated = draft.pressure_unit.unit, draft.pressure_unit.source == "stated"
        flow = draft.meter_unit if draft.flow_unit is None else draft.flow_unit.name
        shown = draft.meter_unit if draft.shown is not None else None
        key = (flow, draft.flow_stated, named, stated, shown)
        if key not in self._units:
            self._units[key] = Units(
                UnitSource(self.lifts.unit.name, self.lifts.source),
                UnitSource(str(flow), "stated" if draft.flow_stated or draft.flow_unit is None else "assumed"),
                UnitSource(named, "stated" if stated else "assumed") if named is not None else None,
                None if shown is None else UnitSource(shown, "stated"),
            )
        return self._units[key]


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
