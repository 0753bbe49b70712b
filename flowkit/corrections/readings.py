"""Step 0 of the corrections: what a meter showed becomes a flow, for a test's points, its leak and its check plate.

It cannot be switched off. Everything that is doubtful is a finding; a point that cannot be is left out.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from flowkit.corrections.meter import Certificate, Meter, plain_name, split_leak, split_reading
from flowkit.corrections.metering import (
    CHOKED,
    MeterAir,
    Metered,
    column_pressure,
    flow_through,
    meter_air,
    percent_factor,
    room_density,
    table_flow,
    upstream_pressure,
)
from flowkit.corrections.step import Setting
from flowkit.errors import CorrectionError, JobError, UnitError
from flowkit.model import (
    AirMode,
    AirState,
    Bench,
    Finding,
    FlowTest,
    LedgerLine,
    MeterMark,
    Point,
    Reading,
    Reference,
    Severity,
    Units,
    UnitSource,
)
from flowkit.units import find_unit, from_si, parse_quantity, to_si
from flowkit.wording import percent

FORMULAS = {
    "percent": "Q = full scale·s, s = r/100 or sqrt(r/100), times sqrt(p1/p1_at) or p1/p1_at where stated",
    "table": "Q = PCHIP through the calibration's points at the reading",
    "orifice": "m = C/sqrt(1−β⁴)·ε·A·sqrt(2Δp·ρ1), C by Reader-Harris/Gallagher (ISO 5167-2:2003); Q = m/ρ0",
    "nozzle": "m = C/sqrt(1−β⁴)·ε·A·sqrt(2Δp·ρ1) (ISO 5167-3:2003); Q = m/ρ0",
    "plate": "m = C·ε·A·count·sqrt(2Δp·ρ1), ε of an orifice at β = 0; Q = m/ρ0",
    "laminar": "m = ρ1·flow·(Δp/differential)·μ(calibrated_at)/μ(T1) (Hagen-Poiseuille); Q = m/ρ0",
    "critical nozzle": "m = C_d·A·count·C*·p1·sqrt(M/(R·T1)) (ISO 9300); Q = m/ρ0",
    "pitot": "m = ρ1·A·mean(factor·(1−ε)·sqrt(2Δp/ρ1)) (ISO 3966); Q = m/ρ0",
}
_NO_READING = (
    "The point has a flow and no reading beside it, and the job's meter is what counts; the point was left out. "
    "Write what the meter showed."
)
DISAGREES = 0.02
"""Difference between a sheet's flow and its reading from which both cannot be right; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A test whose readings have become flows."""

    test: FlowTest
    flow_m3_s: tuple[float, ...]  # before the leakage is taken off
    marks: tuple[MeterMark | None, ...]
    line: LedgerLine
    findings: tuple[Finding, ...]
    leaks_m3_s: tuple[float | None, ...] | None = None  # of each point's own meter or range, where several are named
    air: AirMode | None = None  # after the meter; None leaves the bench's


class _Refused(Exception):
    """A reading that cannot be turned into a flow: its rule and why; `test` where the whole test cannot."""

    def __init__(self, rule: str, message: str, *, test: bool = False) -> None:
        super().__init__(message)
        self.rule, self.message, self.test = rule, message, test


@dataclass(frozen=True, slots=True)
class _Flow:
    """One reading's flow with what is behind it."""

    flow_m3_s: float
    net: float
    mark: MeterMark
    pressure_pa: float | None = None
    air: MeterAir | None = None
    differential_pa: float | None = None
    metered: Metered | None = None
    meters: tuple[Meter, ...] = ()


@dataclass(slots=True)
class _Work:
    """What is gathered while a test's readings are turned into flows."""

    test: FlowTest
    setting: Setting
    findings: list[Finding] = field(default_factory=list)
    limits: dict[str, list[tuple[float, float | None]]] = field(default_factory=dict)
    said: set[str] = field(default_factory=set)

    def doubt(self, rule: str, severity: Severity, message: str, where: str | None = None) -> None:
        """Add a finding, once."""
        place = self.test.id if where is None else where
        if f"{rule}{place}{message}" not in self.said:
            self.said.add(f"{rule}{place}{message}")
            self.findings.append(Finding(rule, severity, place, message))

    # -- which meter, which air -------------------------------------------------------------------------

    def meters(self, named: str | None) -> tuple[Meter, ...]:
        """The meter that a row or its test names, or both where they were open side by side."""
        meters = self.setting.meters
        if not meters:
            raise _Refused(
                "meter-missing",
                "The sheet gives what a meter showed, and the job describes no meter; add a [meter] with its kind "
                'and the keys that kind needs (docs/howto/readings.md), such as kind = "percent", scale, full_scale.',
                test=True,
            )
        name = named or self.test.conditions.meter or self.setting.meter
        if name is None:
            if len(meters) == 1:
                return tuple(meters.values())
            raise _Refused(
                "meter-unknown",
                f"The job describes several meters ({', '.join(m.name for m in meters.values())}), and nothing says "
                "which of them was read; name it with meter in the variant.",
                test=True,
            )
        found = []
        for part in name.split("+"):
            meter = meters.get(plain_name(part))
            if meter is None:
                known = ", ".join(m.name for m in meters.values())
                raise _Refused("meter-unknown", f"There is no meter {part.strip()!r} in the job; it describes {known}.")
            found.append(meter)
        return tuple(found)

    def room(self) -> AirState:
        """The room's air, or a refusal."""
        conditions = self.test.conditions
        known = (conditions.air_temperature_k, conditions.barometer_pa, conditions.relative_humidity)
        temperature, barometer, humidity = known
        if temperature is None or barometer is None or humidity is None:
            names = ("air temperature", "barometer", "humidity")
            missing = " and ".join(name for name, value in zip(names, known, strict=True) if value is None)
            raise _Refused(
                "meter-air-missing",
                f"The meter's reading gives a mass flow, and the day's {missing} "
                f"{'is' if ' and ' not in missing else 'are'} not known; state it in the job.",
                test=True,
            )
        return AirState(temperature, barometer, humidity)

    def draws(self) -> bool:
        """Whether the bench draws: port, then meter."""
        stated = self.test.conditions.direction
        if stated in ("draws", "blows"):
            return stated == "draws"
        if self.test.side is None:
            raise _Refused(
                "side-missing",
                "Which way the air went through the meter depends on the side, which is not known; state it.",
                test=True,
            )
        return self.test.side == "intake"

    def place(self, meter: Meter) -> str:
        """Where the meter is, for this test's direction."""
        found = meter.place.get("intake" if self.draws() else "exhaust")
        if found is None:
            raise _Refused(
                "meter-missing",
                f"The meter {meter.name!r} lacks place (chamber, room or outlet), and the sheet does not give the "
                "pressure before it; state one of them.",
                test=True,
            )
        return found

    def state(self, meter: Meter, reading: Reading, room: AirState, test_pa: float | None, dp: float) -> MeterAir:
        """The air before a meter whose reading gives a mass flow."""
        conditions = self.test.conditions
        temperature = reading.temperature_k or conditions.meter_temperature_k
        if temperature is None:
            temperature = room.temperature_k
            self.doubt(
                "meter-air-assumed",
                "note",
                "The temperature at the meter is not stated, so it was taken to be the room's.",
            )
        pressure = reading.pressure_pa or conditions.meter_pressure_pa
        if pressure is None:
            place = self.place(meter)
            if test_pa is None and place == "chamber":
                raise _Refused(
                    "pressure-missing", "No test pressure is known, and the meter's own pressure follows from it."
                )
            pressure = upstream_pressure(
                place, self.draws(), room.pressure_pa, test_pa or 0.0, 0.0 if meter.kind == "pitot" else dp
            )
        if not pressure > dp:
            raise _Refused(
                "meter-beyond",
                "The differential is not below the pressure before the meter; check the reading and its unit.",
            )
        return meter_air(room, pressure, temperature)

    # -- one reading ------------------------------------------------------------------------------------

    def zero(self, meter: Meter, unit: str) -> float:
        """The zero in a reading's unit: the sheet's, before and after averaged, else the meter's."""
        written = self.test.conditions.zero_reading
        if written:
            parts = [_in_unit(*split_reading(item), unit, meter.name) for item in written.split(";")]
            return math.fsum(parts) / len(parts)
        return 0.0 if meter.zero is None else _in_unit(*meter.zero, unit, meter.name)

    def differential(self, meter: Meter, net: float, unit: str) -> float:
        """A reading less its zero as a pressure [Pa]."""
        found = find_unit(unit, ["pressure", "length"])
        if found is None:
            raise _Refused(
                "meter-unit",
                f"A reading in {unit!r} cannot be the pressure difference across a {meter.kind} meter; check the "
                "reading's unit.",
                test=True,
            )
        if found.quantity == "pressure":
            return to_si(net, found)
        if meter.manometer is None:
            raise _Refused(
                "meter-unit",
                f"The readings are lengths of a liquid column ({unit}), and the meter {meter.name!r} lacks manometer; "
                'state it, such as manometer = { liquid = "water", liquid_temperature = "20 °C" }.',
                test=True,
            )
        try:
            return column_pressure(to_si(net, found), meter.manometer, self.test.conditions.liquid_temperature_k)
        except CorrectionError as error:
            raise _Refused("meter-unit", str(error), test=True) from error

    def one(self, meter: Meter, reading: Reading, test_pa: float | None) -> _Flow:
        """The flow that one meter passes at one reading."""
        if not reading.unit:
            if meter.reading_unit is None:
                raise _Refused(
                    "meter-unit",
                    "The readings have no unit; state reading_unit in [meter].",
                    test=True,
                )
            reading = dataclasses.replace(reading, unit=meter.reading_unit)
        zero = self.zero(meter, reading.unit)
        nets = tuple(value - zero for value in reading.value)
        if min(nets) < 0:
            raise _Refused(
                "meter-negative", f"The reading of {_written(reading)} is below the zero, so the point was left out."
            )
        positions = meter.values.get("count", 1) if meter.kind == "pitot" else 1
        if len(nets) != positions:
            raise _Refused(
                "meter-unit",
                f"The row has {len(nets)} readings, and the meter {meter.name!r} has {positions}; check the columns.",
            )
        net = math.fsum(nets) / len(nets)
        kinds: dict[str, Callable[..., _Flow]] = {"percent": self.percent, "table": self.table}
        found = kinds.get(meter.kind, self.mass)(meter, reading, nets, test_pa)
        band = plain_name(reading.range or self.test.conditions.range or "")
        key = f"{meter.name}, {band}" if band else meter.name
        u_zero = 0.0 if meter.u_zero is None else _in_unit(*meter.u_zero, reading.unit, meter.name)
        u_m = math.hypot(
            _calibration(meter, found.metered), found.mark.sensitivity * meter.values.get("u_differential", 0.0)
        )
        weight = 1.0 if meter.kind in ("laminar", "critical nozzle") else 0.5
        raw = math.fsum(reading.value) / len(reading.value)
        mark = MeterMark(
            ((key, u_m, 1.0),), raw, net, found.mark.sensitivity, u_zero, weight * meter.values.get("u_air", 0.0)
        )
        return dataclasses.replace(found, net=net, mark=mark, meters=(meter,))

    def percent(self, meter: Meter, reading: Reading, nets: Sequence[float], test_pa: float | None) -> _Flow:
        """A scale in percent of flow, or of the differential at full scale."""
        unit = find_unit(reading.unit, ["humidity"])
        if unit is None:
            raise _Refused(
                "meter-unit",
                f"A percent meter is read in %, not in {reading.unit!r}; check the reading's unit.",
                test=True,
            )
        (net,) = nets
        end = meter.values.get("scale_end", 100.0)
        if net > end:
            raise _Refused(
                "meter-beyond",
                f"The reading of {_written(reading)} is above the scale's end of {end:g} %, so the point was left out.",
            )
        square_root = meter.values["scale"] == "square-root"
        share = math.sqrt(net / 100) if square_root else net / 100
        flow = self.full_scale(meter, reading) * share * self.pressure_factor(meter, test_pa)
        return _Flow(flow, net, _mark(0.5 if square_root else 1.0))

    def full_scale(self, meter: Meter, reading: Reading) -> float:
        """The full scale of the range that the row names [m³/s]."""
        named = reading.range or self.test.conditions.range
        if named is not None and plain_name(named) in meter.full_scale:
            return meter.full_scale[plain_name(named)]
        if named is not None:
            try:
                return parse_quantity(named, "flow")
            except UnitError:
                pass
        if "" in meter.full_scale and named is None:
            return meter.full_scale[""]
        known = ", ".join(name for name in meter.full_scale if name) or "no range"
        raise _Refused(
            "meter-unknown",
            f"The range {named!r} of the meter {meter.name!r} is not known (it has "
            f"{known}); name it in the row or state its full scale.",
        )

    def pressure_factor(self, meter: Meter, test_pa: float | None) -> float:
        """What a scale made at one test pressure is multiplied by at the row's."""
        at = meter.values.get("at")
        if at is None or test_pa == at:
            return 1.0
        if test_pa is None:
            raise _Refused("pressure-missing", "No test pressure is known, and the meter's scale holds at one alone.")
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
            raise _Refused(
                "meter-air-missing",
                "The meter's scale holds at another test pressure, and the barometer is not known; state it.",
                test=True,
            )
        return percent_factor(meter, test_pa, self.draws(), barometer, self.place(meter))

    def table(self, meter: Meter, reading: Reading, nets: Sequence[float], test_pa: float | None) -> _Flow:
        """A calibration table; a mass flow becomes room air."""
        (net,) = nets
        value = _in_unit(net, reading.unit, meter.points_unit or "", meter.name)
        low, high = meter.points[0][0], meter.points[-1][0]
        if not low <= value <= high:
            raise _Refused(
                "meter-beyond",
                f"The reading of {_written(reading)} is outside the calibration ({low:g} "
                f"to {high:g} {meter.points_unit}), so the point was left out.",
            )
        flow, sensitivity = table_flow(meter, value)
        if meter.mass:
            flow /= room_density(self.room())
        return _Flow(flow, net, _mark(sensitivity))

    def mass(self, meter: Meter, reading: Reading, nets: Sequence[float], test_pa: float | None) -> _Flow:
        """A differential, or the pressure before a critical nozzle."""
        room = self.room()
        if meter.kind == "critical nozzle":
            return self.critical(meter, reading, nets[0], room)
        pressures = tuple(self.differential(meter, net, reading.unit) for net in nets)
        dp = max(pressures)
        air = self.state(meter, reading, room, test_pa, dp)
        found = flow_through(meter, pressures, air)
        sensitivity = 1.0 if meter.kind == "laminar" else 0.5
        mean = math.fsum(pressures) / len(pressures)
        return _Flow(found.flow / room_density(room), nets[0], _mark(sensitivity), air.pressure_pa, air, mean, found)

    def critical(self, meter: Meter, reading: Reading, net: float, room: AirState) -> _Flow:
        """A critical nozzle: its reading is the pressure before it."""
        shown = self.differential(meter, net, reading.unit)
        upstream = room.pressure_pa + shown if meter.values["gauge"] else shown
        if not upstream > 0:
            raise _Refused(
                "meter-beyond", "The pressure before the nozzle is not above zero; check the reading and gauge."
            )
        given = dataclasses.replace(reading, pressure_pa=upstream)
        air = self.state(meter, given, room, None, 0.0)
        outlet = reading.outlet_pa or self.test.conditions.outlet_pressure_pa
        if outlet is None:
            self.doubt(
                "meter-not-choked",
                "note",
                "The pressure behind the critical nozzle is not stated, so nothing shows that it was choked.",
            )
        elif outlet / upstream > CHOKED:
            raise _Refused(
                "meter-not-choked",
                f"The pressure behind the nozzle is {outlet / upstream:.3f} of "
                f"that before it, above {CHOKED}: it was not choked, "
                "so its reading gives no flow.",
            )
        found = flow_through(meter, (shown,), air)
        return _Flow(found.flow / room_density(room), net, _mark(shown / upstream), upstream, air, None, found)

    def flow(self, reading: Reading, test_pa: float | None) -> _Flow:
        """The flow of a reading, by all meters that were open."""
        meters = self.meters(reading.meter)
        flows = [self.one(meter, reading, test_pa) for meter in meters]
        if len(flows) == 1:
            return flows[0]
        total = math.fsum(item.flow_m3_s for item in flows)
        parts = tuple(
            (key, u, item.flow_m3_s / total if total else 1 / len(flows))
            for item in flows
            for key, u, _ in item.mark.parts
        )
        share = [part[2] for part in parts]
        sensitivity = math.fsum(s * item.mark.sensitivity for s, item in zip(share, flows, strict=True))
        u_air = math.fsum(s * item.mark.u_air for s, item in zip(share, flows, strict=True))
        mark = dataclasses.replace(flows[0].mark, parts=parts, sensitivity=sensitivity, u_air=u_air)
        return dataclasses.replace(flows[0], flow_m3_s=total, mark=mark, meters=meters)


def flow_of(meter: Meter, plate: Certificate, bench: Bench) -> float:
    """The flow that a meter shows behind a plate of known flow [m³/s]; JobError where it cannot be worked out."""
    unit = UnitSource(plate.unit, "stated")
    test = FlowTest("", "", None, None, "", None, None, 1, plate.day, Units(unit, unit), ())
    setting = Setting(Reference(), 1.0, bench, meters={plain_name(meter.name): meter})
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
    if not any(point.reading for point in test.points):
        return None
    if not setting.meters and test.gives_flows:
        return None  # the sheet's own flows count
    work = _Work(test, setting)
    kept: list[tuple[Point, _Flow]] = []
    for point in test.points:
        if point.reading is None:
            work.doubt("reading-missing", "warning", _NO_READING, point.source)
            continue
        try:
            found = work.flow(point.reading, test.pressure_at(point))
        except _Refused as problem:
            if problem.test:
                why = problem.message[0].lower() + problem.message[1:]
                work.doubt(problem.rule, "error", f"The test was left out: {why}")
                return _nothing(test, work)
            work.doubt(problem.rule, "error", problem.message, point.source)
            continue
        except CorrectionError as error:
            work.doubt("meter-beyond", "error", f"{error}", point.source)
            continue
        kept.append((point, found))
        for words, value, fine in found.metered.limits if found.metered else ():
            if not fine:
                work.limits.setdefault(words, []).append((value, point.lift_m))
    if not kept:
        return _nothing(test, work)
    return _finished(work, kept)


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


def _nothing(test: FlowTest, work: _Work) -> Measured:
    """A test of which no reading became a flow."""
    line = LedgerLine("meter", "", {}, skipped="no reading could be turned into a flow")
    return Measured(dataclasses.replace(test, points=()), (), (), line, tuple(work.findings))


def _finished(work: _Work, kept: list[tuple[Point, _Flow]]) -> Measured:
    """The test with its flows, leak and check plate, and one warning for each limit that was passed."""
    test = work.test
    _limits_said(work)
    _compared(work, kept)
    meters = {meter.name: meter for _, found in kept for meter in found.meters}
    mode = _air_mode(work, list(meters.values()))
    if any(finding.rule == "air-twice" for finding in work.findings):
        return _nothing(test, work)
    flows = tuple(found.flow_m3_s for _, found in kept)
    points = tuple(dataclasses.replace(point, flow_m3_s=found.flow_m3_s) for point, found in kept)
    leaks, conditions = _leaks(work, points)
    conditions = _check_plate(work, conditions)
    measured = dataclasses.replace(test, points=points, conditions=conditions)
    line = _ledger(work, kept, meters)
    marks = tuple(found.mark for _, found in kept)
    return Measured(measured, flows, marks, line, tuple(work.findings), leaks, mode)


def _limits_said(work: _Work) -> None:
    """One warning for each limit of a standard, with its worst value and its lifts."""
    for words, broken in work.limits.items():
        name, _, bounds = words.partition(" ")
        values = sorted({value for value, _ in broken})
        shown = f"{values[0]:.4g}" if len(values) == 1 else f"{values[0]:.4g} to {values[-1]:.4g}"
        lifts = ", ".join(f"{(lift or 0) * 1e3:.3g}" for _, lift in broken)
        work.doubt(
            "meter-limits",
            "warning",
            f"The standard's limit for {name} is {bounds}, and here it is {shown} at the lifts {lifts} mm: its "
            "coefficient is not warranted there; check it against a plate of known flow.",
        )


def _compared(work: _Work, kept: list[tuple[Point, _Flow]]) -> None:
    """Compare with the sheet's own flows, where it gives both."""
    both = [(point, found) for point, found in kept if math.isfinite(point.flow_m3_s) and point.flow_m3_s > 0]
    if not both:
        return
    work.doubt(
        "column-ignored",
        "note",
        "The sheet gives flows beside the meter's readings; the readings count, by the job's meter.",
    )
    worst, found = max(both, key=lambda item: abs(math.log(max(item[1].flow_m3_s, 1e-12) / item[0].flow_m3_s)))
    difference = found.flow_m3_s / worst.flow_m3_s - 1
    if abs(difference) > DISAGREES:
        work.doubt(
            "meter-disagrees",
            "warning",
            f"The reading gives {percent(abs(difference))} "
            f"{'more' if difference > 0 else 'less'} than the flow beside it; "
            "check the meter's keys, or what the sheet's flows were worked out with.",
            worst.source,
        )


def _air_mode(work: _Work, meters: Sequence[Meter]) -> AirMode | None:
    """The air mode after the meter."""
    bench = work.setting.bench
    if not any(meter.gives_mass for meter in meters):
        if bench.air == "metered" and any("at" in meter.values for meter in meters):
            work.doubt(
                "air-twice",
                "error",
                'The air at the meter would be corrected twice: by at and by air = "metered"; leave one out.',
            )
        return None
    if bench.air == "metered":
        work.doubt(
            "air-twice",
            "error",
            'The meter\'s reading gives a mass flow, so air = "metered" would '
            'correct it twice; leave it out or state "actual".',
        )
        return None
    if bench.air_stated and bench.air == "as stated":
        work.doubt(
            "air-as-stated", "note", 'The meter gives volumes of the day\'s room air; air = "as stated" leaves them so.'
        )
        return "as stated"
    return "actual"


def _leaks(work: _Work, points: tuple[Point, ...]) -> tuple[tuple[float | None, ...] | None, Any]:
    """The leak of each point as a flow, and the conditions with the one that holds for all."""
    conditions = work.test.conditions
    written = conditions.leak_reading
    if not written:
        return None, conditions
    at = conditions.test_pressure_pa if conditions.leak_pressure_pa is None else conditions.leak_pressure_pa
    by_name: dict[str, list[float]] = {}
    items = [(item, plain_name(item.partition("@")[2])) for item in written.split(";")]
    others = {name for _, name in items if name}
    readings = [point.reading for point in points if point.reading]
    for item, name in items:
        rows = [row for row in readings if (name in _names(row) if name else not others & _names(row))]
        flow = _closed(work, rows, item, at, "leak reading")
        if flow is not None:
            by_name.setdefault(name, []).append(flow)
    means = {name: math.fsum(values) / len(values) for name, values in by_name.items()}
    if set(means) <= {""}:
        return None, dataclasses.replace(conditions, leak_m3_s=means.get("", conditions.leak_m3_s))
    leaks = []
    for point in points:
        own = [value for name, value in means.items() if name and point.reading and name in _names(point.reading)]
        leaks.append(own[0] if own else means.get(""))
    if None in leaks:
        work.doubt(
            "leak-missing",
            "note",
            "Leaks are given for some meters or ranges and not for others; for those, none was taken off.",
        )
    return tuple(leaks), conditions


def _closed(work: _Work, rows: Sequence[Reading], item: str, at: float | None, what: str) -> float | None:
    """The flow of a reading that is not of the table: a leak's for some rows, or a check plate's; None without one."""
    shown = split_leak(item)
    if shown is None:
        work.doubt("meter-unit", "error", f'The {what} {item.strip()!r} is not a reading; write it like "3.1 %".')
        return None
    base = rows[0] if rows else next(point.reading for point in work.test.points if point.reading)
    on = shown.on or ((shown.of,) if shown.of else ())
    meters = [name for name in on if all(plain_name(part) in work.setting.meters for part in name.split("+"))]
    bands = [name for name in on if name not in meters]
    if not on and len({(plain_name(row.meter or ""), plain_name(row.range or "")) for row in rows}) > 1:
        message = (
            f"The {what} {item.strip()!r} names no range or meter, and the rows name several, so it was not used; "
            "write its range or meter in the next cell."
        )
        work.doubt("meter-unknown", "error", message)
        return None
    reading = Reading(
        shown.value,
        shown.unit or base.unit,
        meters[0] if meters else base.meter,
        bands[0] if bands else base.range,
        shown.temperature_k or base.temperature_k,
        shown.pressure_pa or base.pressure_pa,
        shown.outlet_pa or base.outlet_pa,
    )
    try:
        return work.flow(reading, at).flow_m3_s
    except _Refused as problem:
        work.doubt(problem.rule, "error", f"The {what} was not used: {problem.message}")
        return None


def _names(reading: Reading) -> set[str]:
    """The range and meter that a row names."""
    return {plain_name(name) for name in (reading.range, reading.meter) if name}


def _check_plate(work: _Work, conditions: Any) -> Any:
    """The check plate's reading as a flow."""
    written = work.test.conditions.check_plate_reading
    if not written:
        return conditions
    at = conditions.check_reading_pressure_pa or conditions.test_pressure_pa
    rows = [point.reading for point in work.test.points if point.reading]
    flow = _closed(work, rows, written, at, "check plate reading")
    return conditions if flow is None else dataclasses.replace(conditions, check_reading_m3_s=flow)


def _ledger(work: _Work, kept: list[tuple[Point, _Flow]], meters: Mapping[str, Meter]) -> LedgerLine:
    """The first line of the test's ledger."""
    flows = [found for _, found in kept]
    names = [" + ".join(meter.name for meter in found.meters) for found in flows]
    same = len(set(names)) == 1
    kinds = list(dict.fromkeys(meter.kind for meter in meters.values()))
    inputs: dict[str, Any] = {"meter": names[0] if same else tuple(names), "kind": ", ".join(kinds)}
    if len(meters) == 1:
        (meter,) = meters.values()
        inputs |= dict(meter.values)
        if meter.full_scale:
            inputs["full_scale"] = (
                tuple(meter.full_scale.values()) if len(meter.full_scale) > 1 else next(iter(meter.full_scale.values()))
            )
        if meter.place:
            inputs["place"] = ", ".join(dict.fromkeys(meter.place.values()))
    if any(meter.gives_mass for meter in meters.values()):
        inputs["air_density_kg_m3"] = room_density(work.room())
    columns: dict[str, list[float | None]] = {
        "reading": [found.net for found in flows],
        "differential_pa": [found.differential_pa for found in flows],
        "meter_pressure_pa": [found.air.pressure_pa if found.air else None for found in flows],
        "meter_temperature_k": [found.air.temperature_k if found.air else None for found in flows],
        "meter_density_kg_m3": [found.air.density_kg_m3 if found.air else None for found in flows],
        "coefficient": [found.metered.coefficient if found.metered else None for found in flows],
        "expansibility": [found.metered.expansibility if found.metered else None for found in flows],
        "reynolds": [found.metered.reynolds if found.metered else None for found in flows],
    }
    inputs |= {name: tuple(values) for name, values in columns.items() if any(value is not None for value in values)}
    return LedgerLine("meter", "; ".join(FORMULAS[kind] for kind in kinds), inputs)


def _mark(sensitivity: float) -> MeterMark:
    """A mark of which only the sensitivity is known yet."""
    return MeterMark((), 0.0, 0.0, sensitivity)


def _calibration(meter: Meter, metered: Metered | None) -> float:
    """Standard uncertainty of the calibration, stated or by the standard."""
    stated = meter.values.get("u_calibration")
    if stated is not None:
        return float(stated)
    return metered.u if metered and meter.kind in ("orifice", "nozzle") else 0.0


def _in_unit(value: float | None, unit: str, wanted: str, meter: str) -> float:
    """A figure with a unit in another unit of the same quantity."""
    if value is None:
        raise _Refused("meter-unit", f"The zero of the meter {meter!r} is not a reading.", test=True)
    if not unit or unit == wanted:
        return value
    first, second = find_unit(unit), find_unit(wanted)
    if first is None or second is None or first.quantity != second.quantity:
        raise _Refused(
            "meter-unit",
            f"A reading in {unit!r} does not fit the meter {meter!r}, which is read in {wanted!r}.",
            test=True,
        )
    return value if first is second else from_si(to_si(value, first), second)


def _written(reading: Reading) -> str:
    """A reading as written."""
    return f"{', '.join(f'{value:g}' for value in reading.value)} {reading.unit}"
