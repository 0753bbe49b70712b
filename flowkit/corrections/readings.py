"""Step 0 of the corrections: what a meter showed becomes a flow, for a test's points, its leak and its check plate.

It cannot be switched off. Everything that is doubtful is a finding; a point that cannot be is left out.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from flowkit import model
from flowkit.air import density
from flowkit.corrections import metering
from flowkit.corrections.meter import KINDS, Certificate, Meter, plain_name, split_leak, split_reading
from flowkit.corrections.step import Setting
from flowkit.errors import CorrectionError, JobError, UnitError, with_article
from flowkit.model import AirMode, AirState, Bench, Conditions, Finding, FlowTest, LedgerLine, MeterMark, Point, Reading
from flowkit.units import find_unit, from_si, parse_quantity, to_si
from flowkit.wording import percent

_OF_THE_AIR, _OF_THE_METER = (
    ("pressure_pa", "temperature_k", "density_kg_m3"),
    ("coefficient", "expansibility", "reynolds"),
)
DISAGREES = 0.02
"""Difference between a sheet's flow and its reading from which both cannot be right; common practice, no source."""


class _Refused(Exception):
    """A reading that cannot be turned into a flow: its rule and why."""

    def __init__(self, rule: str, message: str) -> None:
        super().__init__(message)
        self.rule, self.message = rule, message


class _TestRefused(_Refused):
    """The same of the whole test."""


@dataclass(frozen=True, slots=True)
class _Flow:
    """One reading's flow with what is behind it."""

    flow_m3_s: float
    sensitivity: float  # d ln Q/d ln r
    air: metering.MeterAir | None = None
    differential_pa: float | None = None
    metered: metering.Metered | None = None
    net: float = 0.0
    mark: MeterMark | None = None
    meters: tuple[Meter, ...] = ()


@dataclass(frozen=True, slots=True)
class Measured:
    """A test whose readings have become flows, before the leakage is taken off; each point is known by its cell."""

    test: FlowTest
    findings: tuple[Finding, ...]
    flows: Mapping[str, _Flow] = field(default_factory=dict)
    leaks_m3_s: Mapping[str, float | None] | None = None  # of its own meter or range, where several are named
    air: AirMode | None = None  # after the meter; None leaves the bench's

    def ledger_line(self, points: Sequence[Point]) -> LedgerLine:
        """Return the first line of the ledger, for the points that are left."""
        flows = [self.flows[point.source] for point in points]
        meters = list({meter.name: meter for found in flows for meter in found.meters}.values())
        names = [" + ".join(meter.name for meter in found.meters) for found in flows]
        kinds = list(dict.fromkeys(meter.kind for meter in meters))
        inputs: dict[str, Any] = {"meter": names[0] if len(set(names)) == 1 else tuple(names), "kind": ", ".join(kinds)}
        if len(meters) == 1:
            inputs |= meters[0].values
            full, place = tuple(meters[0].full_scale.values()), meters[0].place
            if full:
                inputs["full_scale"] = full if len(full) > 1 else full[0]
            if place:
                inputs["place"] = ", ".join(dict.fromkeys(place.values()))
        if any(meter.gives_mass for meter in meters):
            inputs["air_density_kg_m3"] = density(_room(self.test.conditions))
        columns: dict[str, list[float | None]] = {
            "reading": [found.net for found in flows],
            "differential_pa": [found.differential_pa for found in flows],
            **{f"meter_{name}": [getattr(found.air, name, None) for found in flows] for name in _OF_THE_AIR},
            **{name: [getattr(found.metered, name, None) for found in flows] for name in _OF_THE_METER},
        }
        for name, values in columns.items():
            if any(value is not None for value in values):
                inputs[name] = tuple(values)
        return LedgerLine("meter", "; ".join(KINDS[kind].formula for kind in kinds), inputs)


def _room(conditions: Conditions) -> AirState:
    """The room's air, or a refusal."""
    temperature, barometer = conditions.air_temperature_k, conditions.barometer_pa
    humidity = conditions.relative_humidity
    if temperature is None or barometer is None or humidity is None:
        known = {"air temperature": temperature, "barometer": barometer, "humidity": humidity}
        missing = " and ".join(name for name, value in known.items() if value is None)
        raise _TestRefused(
            "meter-air-missing",
            f"The meter's reading gives a mass flow, and the day's {missing} "
            f"{'is' if ' and ' not in missing else 'are'} not known; state it in the job.",
        )
    return AirState(temperature, barometer, humidity)


@dataclass(slots=True)
class _Work:
    """What is gathered while a test's readings are turned into flows."""

    test: FlowTest
    setting: Setting
    findings: dict[Finding, None] = field(default_factory=dict)  # each once, in order

    def doubt(self, rule: str, severity: model.Severity, message: str, where: str | None = None) -> None:
        """Add a finding, once."""
        self.findings.setdefault(Finding(rule, severity, self.test.id if where is None else where, message))

    # -- which meter, which air -------------------------------------------------------------------------

    def meters(self, named: str | None) -> tuple[Meter, ...]:
        """The meter that a row or its test names, or both where they were open side by side."""
        meters = self.setting.meters
        if not meters:
            raise _TestRefused(
                "meter-missing",
                "The sheet gives what a meter showed, and the job describes no meter; add a [meter] with its kind "
                'and the keys that kind needs (docs/howto/readings.md), such as kind = "percent", scale, full_scale.',
            )
        name = named or self.test.conditions.meter or self.setting.meter
        if name is None and len(meters) == 1:
            return tuple(meters.values())
        found = [meters.get(plain_name(part)) for part in (name or "").split("+")]
        if all(found):
            return tuple(meter for meter in found if meter)
        known = ", ".join(meter.name for meter in meters.values())
        if name is None:
            raise _TestRefused(
                "meter-unknown",
                f"The job describes several meters ({known}), and nothing says "
                "which of them was read; name it with meter in the variant.",
            )
        missing = next(part.strip() for part, meter in zip(name.split("+"), found, strict=True) if meter is None)
        raise _Refused("meter-unknown", f"There is no meter {missing!r} in the job; it describes {known}.")

    def draws(self) -> bool:
        """Whether the bench draws: port, then meter."""
        stated = self.test.conditions.direction
        if stated in ("draws", "blows"):
            return stated == "draws"
        if self.test.side is None:
            why = "Which way the air went through the meter depends on the side, which is not known; state it."
            raise _TestRefused("side-missing", why)
        return self.test.side == "intake"

    def place(self, meter: Meter) -> str:
        """Where the meter is, for this test's direction."""
        found = meter.place.get("intake" if self.draws() else "exhaust")
        if found is None:
            raise _TestRefused(
                "meter-missing",
                f"The meter {meter.name!r} lacks place (chamber, room or outlet), and the sheet does not give the "
                "pressure before it; state one of them.",
            )
        return found

    def state(
        self, meter: Meter, reading: Reading, room: AirState, test_pa: float | None, dp: float
    ) -> metering.MeterAir:
        """The air before a meter whose reading gives a mass flow."""
        temperature = reading.temperature_k or self.test.conditions.meter_temperature_k
        if temperature is None:
            temperature = room.temperature_k
            why = "The temperature at the meter is not stated, so it was taken to be the room's."
            self.doubt("meter-air-assumed", "note", why)
        pressure = reading.pressure_pa or self.test.conditions.meter_pressure_pa
        if pressure is None:
            place = self.place(meter)
            if test_pa is None and place == "chamber":
                why = "No test pressure is known, and the meter's own pressure follows from it."
                raise _Refused("pressure-missing", why)
            own = 0.0 if meter.kind == "pitot" else dp
            pressure = metering.upstream_pressure(place, self.draws(), room.pressure_pa, test_pa or 0.0, own)
        if not pressure > dp:
            why = "The differential is not below the pressure before the meter; check the reading and its unit."
            raise _Refused("meter-beyond", why)
        return metering.meter_air(room, pressure, temperature)

    # -- one reading ------------------------------------------------------------------------------------

    def one(self, meter: Meter, reading: Reading, test_pa: float | None) -> _Flow:
        """The flow that one meter passes at one reading."""
        unit = reading.unit or meter.reading_unit
        if not unit:
            raise _TestRefused("meter-unit", "The readings have no unit; state reading_unit in [meter].")
        if not reading.unit:
            reading = replace(reading, unit=unit)
        written = self.test.conditions.zero_reading  # the sheet's, before and after averaged, counts before the meter's
        zeros = [split_reading(item) for item in written.split(";")] if written else [meter.zero or (0.0, "")]
        zero = math.fsum(_in_unit(*item, unit, meter.name) for item in zeros) / len(zeros)
        nets = tuple(value - zero for value in reading.value)
        if min(nets) < 0:
            why = f"The reading of {_written(reading)} is below the zero, so the point was left out."
            raise _Refused("meter-negative", why)
        positions = meter.values.get("count", 1) if meter.kind == "pitot" else 1
        if len(nets) != positions:
            why = f"The row has {len(nets)} readings, and the meter {meter.name!r} has {positions}; check the columns."
            raise _Refused("meter-unit", why)
        kinds = {"percent": self.percent, "table": self.table, "critical nozzle": self.critical}
        found = kinds.get(meter.kind, self.mass)(meter, reading, nets, test_pa)
        net, raw = (math.fsum(values) / len(values) for values in (nets, reading.value))
        by_standard = found.metered.u if found.metered else 0.0
        calibration = float(meter.values.get("u_calibration", by_standard))
        band = plain_name(reading.range or self.test.conditions.range or "")
        key = f"{meter.name}, {band}" if band else meter.name
        u_meter = math.hypot(calibration, found.sensitivity * meter.values.get("u_differential", 0.0))
        u_zero = _in_unit(*(meter.u_zero or (0.0, "")), unit, meter.name)
        u_air = KINDS[meter.kind].by_density * meter.values.get("u_air", 0.0)
        mark = MeterMark(((key, u_meter, 1.0),), raw, net, found.sensitivity, u_zero, u_air)
        return replace(found, net=net, mark=mark, meters=(meter,))

    def percent(self, meter: Meter, reading: Reading, nets: Sequence[float], test_pa: float | None) -> _Flow:
        """A scale in percent of flow, or of the differential at full scale."""
        if find_unit(reading.unit, ["humidity"]) is None:
            why = f"A percent meter is read in %, not in {reading.unit!r}; check the reading's unit."
            raise _TestRefused("meter-unit", why)
        end = meter.values.get("scale_end", 100.0)
        if nets[0] > end:
            why = (
                f"The reading of {_written(reading)} is above the scale's end of {end:g} %, so the point was left out."
            )
            raise _Refused("meter-beyond", why)
        root = meter.values["scale"] == "square-root"
        share = math.sqrt(nets[0] / 100) if root else nets[0] / 100
        named = reading.range or self.test.conditions.range
        full = meter.full_scale.get(plain_name(named or ""))
        if full is None and named is not None:
            try:
                full = parse_quantity(named, "flow")
            except UnitError:
                full = None
        if full is None:
            known = ", ".join(name for name in meter.full_scale if name) or "no range"
            raise _Refused(
                "meter-unknown",
                f"The range {named!r} of the meter {meter.name!r} is not known (it has "
                f"{known}); name it in the row or state its full scale.",
            )
        return _Flow(full * share * self.pressure_factor(meter, test_pa), 0.5 if root else 1.0)

    def pressure_factor(self, meter: Meter, test_pa: float | None) -> float:
        """What a scale made at one test pressure is multiplied by at the row's: p₁/p₁ₐₜ, or its root for an orifice."""
        at = meter.values.get("at")
        if at is None or test_pa == at:
            return 1.0
        if test_pa is None:
            why = "No test pressure is known, and the meter's scale holds at one alone."
            raise _Refused("pressure-missing", why)
        if "element" not in meter.values or not meter.place:
            if abs(test_pa / at - 1) <= 0.01:
                return 1.0
            raise _Refused(
                "meter-pressure",
                f"The scale of the meter {meter.name!r} was made at "
                f"{from_si(at, 'inH2O'):.4g} inH2O, and the row was read at "
                f"{from_si(test_pa, 'inH2O'):.4g}; state element (orifice or laminar) and place to convert it.",
            )
        barometer = self.test.conditions.barometer_pa
        if barometer is None:
            why = "The meter's scale holds at another test pressure, and the barometer is not known; state it."
            raise _TestRefused("meter-air-missing", why)
        before, then = (
            metering.upstream_pressure(self.place(meter), self.draws(), barometer, pressure, 0.0)
            for pressure in (test_pa, at)
        )
        return math.sqrt(before / then) if meter.values["element"] == "orifice" else float(before / then)

    def table(self, meter: Meter, reading: Reading, nets: Sequence[float], test_pa: float | None) -> _Flow:
        """A calibration table; a mass flow becomes room air."""
        value = _in_unit(nets[0], reading.unit, meter.points_unit or "", meter.name)
        low, high = meter.points[0][0], meter.points[-1][0]
        if not low <= value <= high:
            raise _Refused(
                "meter-beyond",
                f"The reading of {_written(reading)} is outside the calibration ({low:g} "
                f"to {high:g} {meter.points_unit}), so the point was left out.",
            )
        flow, sensitivity = metering.table_flow(meter, value)
        return _Flow(flow / density(_room(self.test.conditions)) if meter.mass else flow, sensitivity)

    def mass(self, meter: Meter, reading: Reading, nets: Sequence[float], test_pa: float | None) -> _Flow:
        """A differential, at one position or several."""
        room = _room(self.test.conditions)
        pressures = tuple(self.differential(meter, net, reading.unit) for net in nets)
        air = self.state(meter, reading, room, test_pa, max(pressures))
        found = metering.flow_through(meter, pressures, air)
        mean = math.fsum(pressures) / len(pressures)
        return _Flow(found.flow / density(room), 1.0 if meter.kind == "laminar" else 0.5, air, mean, found)

    def critical(self, meter: Meter, reading: Reading, nets: Sequence[float], test_pa: float | None) -> _Flow:
        """A critical nozzle: its reading is the pressure before it."""
        room = _room(self.test.conditions)
        shown = self.differential(meter, nets[0], reading.unit)
        upstream = room.pressure_pa + shown if meter.values["gauge"] else shown
        if not upstream > 0:
            why = "The pressure before the nozzle is not above zero; check the reading and gauge."
            raise _Refused("meter-beyond", why)
        air = self.state(meter, replace(reading, pressure_pa=upstream), room, None, 0.0)
        outlet = reading.outlet_pa or self.test.conditions.outlet_pressure_pa
        if outlet is None:
            why = "The pressure behind the critical nozzle is not stated, so nothing shows that it was choked."
            self.doubt("meter-not-choked", "note", why)
        elif outlet / upstream > metering.CHOKED:
            raise _Refused(
                "meter-not-choked",
                f"The pressure behind the nozzle is {outlet / upstream:.3f} of that before it, above "
                f"{metering.CHOKED}: it was not choked, so its reading gives no flow.",
            )
        found = metering.flow_through(meter, (shown,), air)
        return _Flow(found.flow / density(room), shown / upstream, air, None, found)

    def differential(self, meter: Meter, net: float, unit: str) -> float:
        """A reading less its zero as a pressure [Pa]."""
        found = find_unit(unit, ["pressure", "length"])
        if found is None:
            raise _TestRefused(
                "meter-unit",
                f"A reading in {unit!r} cannot be the pressure difference across {with_article(meter.kind)} meter; "
                "check the reading's unit.",
            )
        if found.quantity == "pressure":
            return to_si(net, found)
        if meter.manometer is None:
            raise _TestRefused(
                "meter-unit",
                f"The readings are lengths of a liquid column ({unit}), and the meter {meter.name!r} lacks manometer; "
                'state it, such as manometer = { liquid = "water", liquid_temperature = "20 °C" }.',
            )
        try:
            temperature = self.test.conditions.liquid_temperature_k
            return metering.column_pressure(to_si(net, found), meter.manometer, temperature)
        except CorrectionError as error:
            raise _TestRefused("meter-unit", str(error)) from error

    def flow(self, reading: Reading, test_pa: float | None) -> _Flow:
        """The flow of a reading, by all meters that were open."""
        try:
            flows = [self.one(meter, reading, test_pa) for meter in self.meters(reading.meter)]
        except CorrectionError as error:
            raise _Refused("meter-beyond", str(error)) from error
        first, marks = flows[0], [found.mark for found in flows if found.mark]
        if len(flows) == 1:
            return first
        total = math.fsum(found.flow_m3_s for found in flows)
        shares = [found.flow_m3_s / total if total else 1 / len(flows) for found in flows]
        mark = replace(
            marks[0],
            parts=tuple((key, u, share) for mark, share in zip(marks, shares, strict=True) for key, u, _ in mark.parts),
            sensitivity=math.fsum(share * mark.sensitivity for mark, share in zip(marks, shares, strict=True)),
            u_air=math.fsum(share * mark.u_air for mark, share in zip(marks, shares, strict=True)),
        )
        return replace(
            first, flow_m3_s=total, mark=mark, meters=tuple(meter for item in flows for meter in item.meters)
        )

    # -- what is not of the table -----------------------------------------------------------------------

    def closed(self, rows: Sequence[Reading], item: str, at: float | None, what: str) -> float | None:
        """The flow of a leak's reading for some rows, or of a check plate's; None where it has none."""
        found = split_leak(item)
        if found is None:
            self.doubt("meter-unit", "error", f'The {what} {item.strip()!r} is not a reading; write it like "3.1 %".')
            return None
        shown, on = found
        base = rows[0] if rows else next(point.reading for point in self.test.points if point.reading)
        meters = [name for name in on if all(plain_name(part) in self.setting.meters for part in name.split("+"))]
        bands = [name for name in on if name not in meters]
        if not on and len({(plain_name(row.meter or ""), plain_name(row.range or "")) for row in rows}) > 1:
            why = (
                f"The {what} {item.strip()!r} names no range or meter, and the rows name several, so it was not used; "
                "write its range or meter in the next cell."
            )
            self.doubt("meter-unknown", "error", why)
            return None
        reading = replace(
            base,
            value=shown.value,
            meter=meters[0] if meters else base.meter,
            range=bands[0] if bands else base.range,
            **{
                name: getattr(shown, name) or getattr(base, name)
                for name in ("unit", "temperature_k", "pressure_pa", "outlet_pa")
            },
        )
        try:
            return self.flow(reading, at).flow_m3_s
        except _Refused as problem:
            self.doubt(problem.rule, "error", f"The {what} was not used: {problem.message}")
            return None

    def leaks(self, points: Sequence[Point]) -> tuple[float | None, dict[str, float | None] | None]:
        """The leak that holds for all points, or each point's own, as flows."""
        conditions = self.test.conditions
        if not conditions.leak_reading:
            return conditions.leak_m3_s, None
        at = conditions.test_pressure_pa if conditions.leak_pressure_pa is None else conditions.leak_pressure_pa
        readings = [point.reading for point in points if point.reading]
        names = [{plain_name(name) for name in (row.range, row.meter) if name} for row in readings]
        items = [(item, plain_name(item.partition("@")[2])) for item in conditions.leak_reading.split(";")]
        others = {name for _, name in items if name}
        by_name: dict[str, list[float]] = {}
        for item, name in items:
            fits = [name in mine if name else not others & mine for mine in names]
            flow = self.closed(list(itertools.compress(readings, fits)), item, at, "leak reading")
            if flow is not None:
                by_name.setdefault(name, []).append(flow)
        means = {name: math.fsum(values) / len(values) for name, values in by_name.items()}
        if set(means) <= {""}:
            return means.get("", conditions.leak_m3_s), None
        own = {
            point.source: next((value for name, value in means.items() if name and name in mine), means.get(""))
            for point, mine in zip(points, names, strict=True)
        }
        if None in own.values():
            why = "Leaks are given for some meters or ranges and not for others; for those, none was taken off."
            self.doubt("leak-missing", "note", why)
        return conditions.leak_m3_s, own


def flow_of(meter: Meter, plate: Certificate, bench: Bench) -> float:
    """The flow that a meter shows behind a plate of known flow [m³/s]; JobError where it cannot be worked out."""
    unit = model.UnitSource(plate.unit, "stated")
    test = FlowTest("", "", None, None, "", None, None, 1, plate.day, model.Units(unit, unit), ())
    setting = Setting(model.Reference(), 1.0, bench, meters={plain_name(meter.name): meter})
    try:
        found = _Work(test, setting).one(meter, Reading((plate.reading,), plate.unit), plate.day.test_pressure_pa)
    except _Refused as problem:
        message = problem.message
        if problem.rule == "side-missing":
            message = 'Which way the air went is not known; state direction = "draws" or "blows" in the certificate.'
        raise JobError(f"certificate of the meter {meter.name!r}: {message}") from problem
    if not found.flow_m3_s > 0:
        raise JobError(f"certificate of the meter {meter.name!r}: the reading gives no flow")
    return found.flow_m3_s


def measure(test: FlowTest, setting: Setting) -> Measured | None:
    """Turn the readings of a test into flows; None where it has none, or where the sheet's flows count."""
    if not any(point.reading for point in test.points) or (not setting.meters and test.gives_flows):
        return None
    work = _Work(test, setting)
    nothing = replace(test, points=())
    kept: list[tuple[Point, _Flow]] = []
    for point in test.points:
        if point.reading is None:
            why = (
                "The point has a flow and no reading beside it, and the job's meter is what counts; the point was left "
                "out. Write what the meter showed."
            )
            work.doubt("reading-missing", "warning", why, point.source)
            continue
        try:
            kept.append((point, work.flow(point.reading, test.pressure_at(point))))
        except _TestRefused as problem:
            why = problem.message[0].lower() + problem.message[1:]
            work.doubt(problem.rule, "error", f"The test was left out: {why}")
            return Measured(nothing, tuple(work.findings))
        except _Refused as problem:
            work.doubt(problem.rule, "error", problem.message, point.source)
    if not kept:
        return Measured(nothing, tuple(work.findings))
    _say_limits(work, kept)
    _compare(work, kept)
    mode = _air_mode(work, [meter for _, found in kept for meter in found.meters])
    if any(finding.rule == "air-twice" for finding in work.findings):
        return Measured(nothing, tuple(work.findings))
    points = tuple(replace(point, flow_m3_s=found.flow_m3_s) for point, found in kept)
    leak, leaks = work.leaks(points)
    conditions = replace(test.conditions, leak_m3_s=leak)
    if conditions.check_plate_reading:
        at = conditions.check_reading_pressure_pa or conditions.test_pressure_pa
        rows = [point.reading for point in test.points if point.reading]
        flow = work.closed(rows, conditions.check_plate_reading, at, "check plate reading")
        if flow is not None:
            conditions = replace(conditions, check_reading_m3_s=flow)
    measured = replace(test, points=points, conditions=conditions)
    by_source = {point.source: found for point, found in kept}
    return Measured(measured, tuple(work.findings), by_source, leaks, mode)


def unused(test: FlowTest) -> tuple[Finding, ...]:
    """What a sheet gives in readings and its flows make no use of: said, so that nothing is lost unseen."""
    found = []
    if any(point.reading for point in test.points):
        what = "The sheet gives a meter's readings beside the flows; the flows count, for the job describes no meter."
        found.append(Finding("column-ignored", "note", test.id, what))
    conditions = test.conditions
    for written, flow, name in (
        (conditions.leak_reading, conditions.leak_m3_s, "leak"),
        (conditions.check_plate_reading, conditions.check_reading_m3_s, "check plate"),
    ):
        if written and flow is None:
            what = (
                f"The {name} is given as a meter's reading ({written}), and the points are flows, so no use was made "
                "of it; write it as a flow, or leave it out."
            )
            found.append(Finding("meter-missing", "error", test.id, what))
    return tuple(found)


def _say_limits(work: _Work, kept: list[tuple[Point, _Flow]]) -> None:
    """One warning for each limit of a standard that was passed, with its worst value and its lifts."""
    limits: dict[str, list[tuple[float, float]]] = {}
    for point, found in kept:
        for words, value, fine in found.metered.limits if found.metered else ():
            if not fine:
                limits.setdefault(words, []).append((value, point.lift_m))
    for words, broken in limits.items():
        name, _, bounds = words.partition(" ")
        values = sorted({value for value, _ in broken})
        shown = f"{values[0]:.4g}" if len(values) == 1 else f"{values[0]:.4g} to {values[-1]:.4g}"
        lifts = ", ".join(f"{(lift or 0) * 1e3:.3g}" for _, lift in broken)
        why = (
            f"The standard's limit for {name} is {bounds}, and here it is {shown} at the lifts {lifts} mm: its "
            "coefficient is not warranted there; check it against a plate of known flow."
        )
        work.doubt("meter-limits", "warning", why)


def _compare(work: _Work, kept: list[tuple[Point, _Flow]]) -> None:
    """Compare with the sheet's own flows, where it gives both."""
    both = [
        (math.log(max(found.flow_m3_s, 1e-12) / point.flow_m3_s), found.flow_m3_s / point.flow_m3_s - 1, point.source)
        for point, found in kept
        if math.isfinite(point.flow_m3_s) and point.flow_m3_s > 0
    ]
    if not both:
        return
    why = "The sheet gives flows beside the meter's readings; the readings count, by the job's meter."
    work.doubt("column-ignored", "note", why)
    _, difference, source = max(both, key=lambda item: abs(item[0]))
    if abs(difference) > DISAGREES:
        why = (
            f"The reading gives {percent(abs(difference))} {'more' if difference > 0 else 'less'} than the flow beside "
            "it; check the meter's keys, or what the sheet's flows were worked out with."
        )
        work.doubt("meter-disagrees", "warning", why, source)


def _air_mode(work: _Work, meters: Sequence[Meter]) -> AirMode | None:
    """The air mode after the meter."""
    bench = work.setting.bench
    gives_mass = any(meter.gives_mass for meter in meters)
    if bench.air == "metered" and (gives_mass or any("at" in meter.values for meter in meters)):
        why = 'The air at the meter would be corrected twice: by at and by air = "metered"; leave one out.'
        if gives_mass:
            why = (
                'The meter\'s reading gives a mass flow, so air = "metered" would correct it twice; leave it out or '
                'state "actual".'
            )
        work.doubt("air-twice", "error", why)
    if not gives_mass or bench.air == "metered":
        return None
    if bench.air_stated and bench.air == "as stated":
        why = 'The meter gives volumes of the day\'s room air; air = "as stated" leaves them so.'
        work.doubt("air-as-stated", "note", why)
        return "as stated"
    return "actual"


def _in_unit(value: float | None, unit: str, wanted: str, meter: str) -> float:
    """A figure with a unit in another unit of the same quantity."""
    if value is None:
        raise _TestRefused("meter-unit", f"The zero of the meter {meter!r} is not a reading.")
    if not unit or unit == wanted:
        return value
    first, second = find_unit(unit), find_unit(wanted)
    if first is None or second is None or first.quantity != second.quantity:
        why = f"A reading in {unit!r} does not fit the meter {meter!r}, which is read in {wanted!r}."
        raise _TestRefused("meter-unit", why)
    return value if first is second else from_si(to_si(value, first), second)


def _written(reading: Reading) -> str:
    """A reading as written."""
    return f"{', '.join(f'{value:g}' for value in reading.value)} {reading.unit}"
