"""Sheets that hold what was read and stated, and the corrections as formulas."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from flowkit.analysis.curves import relative_steps
from flowkit.corrections.air import actual_factor, metered_factor
from flowkit.corrections.check_plate import check_factor
from flowkit.corrections.leakage import leak_flow
from flowkit.corrections.metering import KAPPA, viscosity
from flowkit.corrections.pressure import (
    GAMMA,
    STANDARD_BAROMETER_PA,
    critical_pressure_ratio,
    pressure_factor,
    reference_velocity,
)
from flowkit.fields import CONDITIONS, Field
from flowkit.model import LedgerLine, Side
from flowkit.reports.labels import gathered
from flowkit.reports.workbook.pen import Formula, Pen, Style
from flowkit.reports.workbook.plan import FIRST_READING, Draft, Reading, TestPlan, rounded
from flowkit.units import UNITS, Unit, from_si

FIRST = 13
_METER_HEADS = (
    "reading less zero", "Pa to one of it", "differential, Pa", "pressure before the meter, Pa",
    "density there, kg/m³", "coefficient", "expansibility", "flow at value 1", "air of the room, kg/m³",
)  # fmt: skip
_METER_WIDTHS = {FIRST + index: 12.0 for index in range(len(_METER_HEADS))}
_LISTS = ("reading", "differential_pa", "meter_pressure_pa", "meter_density_kg_m3", "coefficient", "expansibility")


def meter_flow(pen: Pen, reading: Reading, flow_factor: float) -> Formula | None:
    """Write what a meter showed beside a point; return its flow in the unit shown, None where it stays a value."""
    line, done = reading.test.line("meter"), reading.corrected
    if line is None or done is None or done.mark is None or reading.place is None or reading.test.corrected is None:
        return None
    at: dict[str, Any] = {key: line.inputs.get(key) for key in _LISTS}
    if any(isinstance(v, tuple) and len(v) != len(reading.test.corrected.points) for v in at.values()):
        return None
    known = {key: value[reading.place] if isinstance(value, tuple) else None for key, value in at.items()}
    row, value = reading.row, Style("value", 6)
    cell = [pen.here(row, FIRST + index, lock_row=False) for index in range(len(_METER_HEADS))]
    pen.put(row, FIRST, known["reading"], Style("raw"))
    net, dp = known["reading"], known["differential_pa"]
    if dp is not None and net:
        pen.put(row, FIRST + 1, dp / net, value)
        pen.put(row, FIRST + 2, Formula(f"{cell[0]}*{cell[1]}", dp), Style("formula", 6))
    for place, key in ((3, "meter_pressure_pa"), (4, "meter_density_kg_m3"), (5, "coefficient")):
        pen.put(row, FIRST + place, known[key], value)
    made = _unit_flow(line.inputs, known)
    if made is None:
        return None
    unit, by, text = made
    rho: Any = line.inputs.get("air_density_kg_m3")
    if by["expansibility"] is not None:
        epsilon = known["expansibility"]
        if line.inputs["kind"] == "plate":
            formula = f"1-0.351*(1-(1-{cell[2]}/{cell[3]})^(1/{KAPPA}))"
            pen.put(row, FIRST + 6, Formula(formula, epsilon), Style("formula", 6))
        else:
            pen.put(row, FIRST + 6, epsilon, value)
    pen.put(row, FIRST + 7, unit, value)
    pen.put(row, FIRST + 8, rho if by["room"] else None, value)
    expected = by["flow"] / flow_factor
    shown = done.reading_m3_s / flow_factor
    if abs(expected - shown) > 1e-9 * abs(shown):
        return None
    names = dict(zip(("net", "slope", "dp", "p", "rho1", "c", "eps", "one", "rho0"), cell, strict=True))
    return Formula(f"({text.format(**names)})/{flow_factor!r}", shown)


def _unit_flow(inputs: Any, known: dict[str, Any]) -> tuple[float, dict[str, Any], str] | None:
    """The constant of a meter, what its flow comes to, and its formula; None where it is not closed form."""
    kind, rho0, dp = inputs["kind"], inputs.get("air_density_kg_m3"), known["differential_pa"]
    rho1, c, eps = known["meter_density_kg_m3"], known["coefficient"], known["expansibility"]
    if kind in ("plate", "orifice", "nozzle") and None not in (dp, rho0, rho1, c, eps):
        if kind == "plate":
            one = (inputs.get("area") or math.pi / 4 * inputs["hole"] ** 2) * inputs.get("count", 1)
        else:
            one = math.pi / 4 * inputs["bore"] ** 2 / math.sqrt(1 - (inputs["bore"] / inputs["pipe"]) ** 4)
        flow = one * c * eps * math.sqrt(2 * dp * rho1) / rho0
        return one, {"flow": flow, "expansibility": eps, "room": True}, "{c}*{eps}*{one}*SQRT(2*{dp}*{rho1})/{rho0}"
    if kind == "laminar" and None not in (dp, rho0, rho1):
        warm = viscosity(inputs["calibrated_at"]) / viscosity(inputs["meter_temperature_k"][0])
        if len(set(inputs["meter_temperature_k"])) > 1:
            return None
        one = inputs["flow"] / inputs["differential"] * warm
        return one, {"flow": one * dp * rho1 / rho0, "expansibility": None, "room": True}, "{one}*{dp}*{rho1}/{rho0}"
    if kind == "percent" and "at" not in inputs and isinstance(inputs.get("full_scale"), float) and known["reading"]:
        root = inputs["scale"] == "square-root"
        one, share = inputs["full_scale"], known["reading"] / 100
        text = "{one}*SQRT({net}/100)" if root else "{one}*{net}/100"
        flow = one * (math.sqrt(share) if root else share)
        return one, {"flow": flow, "expansibility": None, "room": False}, text
    return None


_READINGS_WIDTHS = {
    1: 5.0,
    2: 18.0,
    3: 8.0,
    4: 7.0,
    5: 5.0,
    6: 9.0,
    7: 6.0,
    8: 9.0,
    9: 6.0,
    10: 10.0,
    11: 8.0,
    12: 34.0,
}
_WORDS = (1, 2, 3, 4, 5, 7, 9, 11, 12)
_HEADS = ("test", "variant", "side", "port", "run", "lift", "unit", "flow", "unit", "test pressure", "unit", "cell")


def write_readings(draft: Draft) -> None:
    """Write every point as it was read, in the units of its sheet."""
    pen = draft.pens["Raw readings"]
    pen.title("Raw readings", "Every point as it was read, in the units of its sheet.")
    metered = any(reading.corrected and reading.corrected.mark for reading in draft.readings)
    heads, widths = (_HEADS + _METER_HEADS, _READINGS_WIDTHS | _METER_WIDTHS) if metered else (_HEADS, _READINGS_WIDTHS)
    pen.header(FIRST_READING - 1, heads, widths=widths, words=_WORDS)
    raw, quiet = Style("raw"), Style("quiet")
    for reading in draft.readings:
        plan, point, row = reading.test, reading.point, reading.row
        test = plan.test
        pen.row(row, [plan.number, plan.variant, test.side, test.port, test.run], Style("text"))
        pen.put(row, 6, rounded(point.lift_m / lift_factor(plan)), raw)
        pen.put(row, 7, plan.lift_unit.name, quiet)
        live = meter_flow(pen, reading, flow_factor(draft, plan))
        pen.put(
            row, 8, live or rounded(point.flow_m3_s / flow_factor(draft, plan)), Style("formula", 4) if live else raw
        )
        pen.put(row, 9, plan.flow_unit.name, quiet)
        if point.pressure_pa is not None:
            pen.put(row, 10, rounded(point.pressure_pa / plan.pressure_unit.factor), raw)
        elif test.conditions.test_pressure_pa is not None:
            value = test.conditions.test_pressure_pa / plan.pressure_unit.factor
            pen.put(row, 10, Formula(draft.conditions[plan.number, "test_pressure_pa"], value))
        pen.put(row, 11, plan.pressure_unit.name, quiet)
        pen.put(row, 12, point.source, quiet)
    pen.widths(widths)
    pen.paper(title_rows=f"{FIRST_READING - 1}:{FIRST_READING - 1}", freeze=f"F{FIRST_READING}")


def lift_factor(plan: TestPlan) -> float:
    """Return what turns a test's lifts as written into metres."""
    if plan.lift_unit.quantity == "lift ratio":
        return plan.test.conditions.valve_diameter_m or 1.0
    return plan.lift_unit.factor


def flow_factor(draft: Draft, plan: TestPlan) -> float:
    """Return what turns a test's flows as written into m³/s."""
    inlet = inlet_density(plan)
    if plan.flow_unit.quantity == "flow" or inlet is None:
        return plan.flow_unit.factor
    return plan.flow_unit.factor * (standard_density(draft, plan) or 1.0) / inlet


def inlet_density(plan: TestPlan) -> float | None:
    """Return the density of the air at the inlet [kg/m³] where the unit of flow needs it."""
    conditions = plan.test.conditions
    temperature, barometer = conditions.air_temperature_k, conditions.barometer_pa
    if plan.flow_unit.quantity == "flow" or temperature is None or barometer is None:
        return None
    from flowkit.air import density
    from flowkit.model import AirState

    return density(AirState(temperature, barometer, conditions.relative_humidity or 0.0))


def standard_density(draft: Draft, plan: TestPlan) -> float | None:
    """Return the density of the declared standard air [kg/m³] where the unit of flow needs it."""
    if plan.flow_unit.quantity != "standard flow" or draft.contents.bench.standard_air is None:
        return None
    from flowkit.air import density

    return density(draft.contents.bench.standard_air)


_HEAD_ROW = 4
_CLOSE = 1e-9

Value = Formula | str | float | None


def agrees(one: float, other: float) -> bool:
    """Tell whether a formula gives what the ledger says."""
    return abs(one - other) <= _CLOSE * max(abs(one), abs(other))


@dataclass(frozen=True, slots=True)
class _Column:
    """A column: its key, its head, what it holds, how it looks."""

    key: str
    head: str
    value: Callable[[Draft, TestPlan], Value]
    style: Style
    width: float = 11.0


def write_conditions(draft: Draft) -> None:
    """Write the conditions of every test and the factors that hold for all its points."""
    pen = draft.pens["Conditions"]
    pen.title(
        "Conditions of every test", "Flows and pressures are in the units of the test; factors turn them into SI."
    )
    column = 1
    widths: dict[int, float] = {}
    heads: list[str] = []
    words: list[int] = []
    for item in _columns(draft):
        # A formula calls cells further left, so each column is known before the next is made.
        made = [(row, plan, item.value(draft, plan)) for row, plan in enumerate(draft.tests, _HEAD_ROW + 1)]
        if all(value is None for _, _, value in made):
            continue
        for row, plan, value in made:
            computed = item.style.kind == "formula" and isinstance(value, float)
            pen.put(row, column, value, Style("value", item.style.digits) if computed else item.style)
            if value is not None:
                draft.conditions[plan.number, item.key] = pen.at(row, column)
        heads.append(item.head)
        if item.style.kind in ("text", "quiet"):
            words.append(column)
        widths[column] = item.width
        column += 1
    pen.header(_HEAD_ROW, heads, widths=widths, words=words)
    pen.widths(widths)
    rows = f"{_HEAD_ROW}:{_HEAD_ROW}"
    pen.paper(title_rows=rows, title_columns="A:E", freeze=f"F{_HEAD_ROW + 1}")


def _columns(draft: Draft) -> list[_Column]:
    """Return all columns in their order."""
    text, formula = Style("text"), Style("formula", 6)
    value = Style("value", 5)
    show = draft.display
    warmth, room = ("°F", "inHg") if show.lift == "in" else ("°C", "hPa")
    units = {"length": show.diameter, "temperature": warmth}
    named = [
        _Column("number", "test", lambda _, plan: plan.number, text, 6.0),
        _Column("variant", "variant", lambda _, plan: plan.variant, text, 20.0),
        _Column("side", "side", lambda _, plan: plan.test.side, text, 9.0),
        _Column("port", "port", lambda _, plan: plan.test.port, text, 7.0),
        _Column("run", "run", lambda _, plan: plan.test.run, text, 5.0),
        _Column("id", "read from", lambda _, plan: plan.test.id, Style("quiet"), 40.0),
        _Column("date", "date", lambda _, plan: plan.test.conditions.date, text),
        _Column("bench", "bench", lambda _, plan: plan.test.conditions.bench, text),
        _Column("operator", "operator", lambda _, plan: plan.test.conditions.operator, text),
        _noted("valve_diameter_m", f"valve head, {show.diameter}", show.diameter),
        _noted("fixture_bore_m", f"fixture bore, {show.diameter}", show.diameter),
        _noted("air_temperature_k", f"air, {warmth}", warmth),
        _noted("barometer_pa", f"barometer, {room}", room),
        _noted("relative_humidity", "humidity, %", "%"),
        _noted("meter_temperature_k", f"air in the meter, {warmth}", warmth),
        _noted("meter_pressure_pa", f"pressure in the meter, {room}", room),
        _Column("room density", "air density, kg/m³", _room_density, value),
        _Column("meter density", "density in the meter, kg/m³", _from_ledger("meter_density_kg_m3"), value),
        _Column("scale density", "density of the scale, kg/m³", _scale_density, value),
        _Column("lift unit", "lift unit", lambda _, plan: plan.lift_unit.name, text, 6.0),
        _Column("lift factor", "lift factor to m", _lift_factor, Style("formula"), 13.0),
        _Column("flow unit", "flow unit", lambda _, plan: plan.flow_unit.name, text, 6.0),
        _Column("flow factor", "flow factor to m³/s", _flow_factor, Style("formula"), 13.0),
        _Column("pressure unit", "pressure unit", lambda _, plan: plan.pressure_unit.name, text, 8.0),
        _Column("pressure factor", "pressure factor to Pa", _pressure_factor, Style("formula"), 13.0),
        _in_own_unit("test_pressure_pa", "test pressure"),
        _in_own_unit("leak_m3_s", "leakage"),
        _in_own_unit("leak_pressure_pa", "leakage read at"),
        _in_own_unit("check_reading_m3_s", "check plate reading"),
        _in_own_unit("check_nominal_m3_s", "check plate nominal"),
        _in_own_unit("check_pressure_pa", "nominal is for"),
        _in_own_unit("check_reading_pressure_pa", "check plate read at"),
        _Column("air", "air factor", _air, formula),
        _Column("check-plate", "check plate factor", _check_plate, formula),
        _Column("step", "flows written in steps of", _step, Style("raw")),
        _Column("not made", "corrections not made", _not_made, Style("quiet", wrap=True, left=True), 70.0),
    ]
    taken = {column.key for column in named}
    others = [row for row in CONDITIONS if not row.metered and row.attribute not in taken]
    return [*named[:-1], *(_stated(row, units.get(row.kind, row.unit)) for row in others), named[-1]]


def _stated(row: Field, unit: str) -> _Column:
    """Return the column of a condition that no formula needs."""
    if row.kind in ("flow", "pressure") and row.unit != "hPa":
        return _in_own_unit(row.attribute, row.words)
    if row.unit:
        return _noted(row.attribute, f"{row.words}, {unit}", unit)
    return _Column(
        row.attribute, row.words, lambda _, plan: getattr(plan.test.conditions, row.attribute), Style("text")
    )


def _step(draft: Draft, plan: TestPlan) -> Value:
    """Return the step in which a test's flows were written, in its own unit; None where a meter was read."""
    if plan.corrected is None or not plan.corrected.points or any(point.mark for point in plan.corrected.points):
        return None
    point = max(plan.corrected.points, key=lambda item: item.reading_m3_s)
    step = relative_steps(plan.corrected)[plan.corrected.points.index(point)]
    return rounded(step * point.reading_m3_s / flow_factor(draft, plan))


def _noted(name: str, head: str, unit: str) -> _Column:
    """Return a column of a condition in a unit of the display."""

    def value(_: Draft, plan: TestPlan) -> Value:
        """Return the condition in the unit shown."""
        noted = getattr(plan.test.conditions, name)
        return None if noted is None else rounded(from_si(noted, unit))

    return _Column(name, head, value, Style("raw"))


def _in_own_unit(name: str, head: str) -> _Column:
    """Return a column of a flow or a pressure in the unit of the test."""

    def value(draft: Draft, plan: TestPlan) -> Value:
        """Return the condition in the test's own unit."""
        noted = getattr(plan.test.conditions, name)
        if noted is None:
            return None
        return rounded(noted / (plan.pressure_unit.factor if name.endswith("_pa") else flow_factor(draft, plan)))

    return _Column(name, head, value, Style("raw"))


def _ledger_input(line: LedgerLine | None, key: str) -> float | None:
    """Return a number a ledger line names among its inputs."""
    found = line.inputs.get(key) if line else None
    return float(found) if isinstance(found, (int, float)) else None


def _from_ledger(key: str) -> Callable[[Draft, TestPlan], Value]:
    """Return what gives a number of the air correction's ledger line."""
    return lambda _, plan: _ledger_input(plan.line("air"), key)


def _room_density(_: Draft, plan: TestPlan) -> Value:
    """Return the density of the room's air, where a correction or a unit needs it."""
    return _ledger_input(plan.line("air"), "air_density_kg_m3") or inlet_density(plan)


def _scale_density(draft: Draft, plan: TestPlan) -> Value:
    """Return the density the meter's scale was made for, or that a standard flow refers to."""
    return _ledger_input(plan.line("air"), "calibration_density_kg_m3") or standard_density(draft, plan)


def _lift_factor(draft: Draft, plan: TestPlan) -> Value:
    """Return what turns lifts into metres."""
    if plan.lift_unit.quantity == "lift ratio":
        head = draft.conditions[plan.number, "valve_diameter_m"]
        return Formula(f"{head}*{draft.units[draft.display.diameter]}", lift_factor(plan))
    return Formula(draft.units[plan.lift_unit.name], plan.lift_unit.factor)


def _flow_factor(draft: Draft, plan: TestPlan) -> Value:
    """Return what turns flows into m³/s."""
    text = draft.units[plan.flow_unit.name]
    if inlet_density(plan) is not None:
        if standard_density(draft, plan) is not None:
            text += f"*{draft.conditions[plan.number, 'scale density']}"
        text += f"/{draft.conditions[plan.number, 'room density']}"
    return Formula(text, flow_factor(draft, plan))


def _pressure_factor(draft: Draft, plan: TestPlan) -> Value:
    """Return what turns pressures into Pa."""
    return Formula(draft.units[plan.pressure_unit.name], plan.pressure_unit.factor)


def _made(line: LedgerLine | None) -> float | None:
    """Return the factor of a correction that was made for all points alike."""
    return line.factor[0] if line and line.factor else None


def _air(draft: Draft, plan: TestPlan) -> Value:
    """Return the air factor: by its formula, or as the ledger has it."""
    line = plan.line("air")
    factor = _made(line)
    rho = _ledger_input(line, "air_density_kg_m3")
    reference = _ledger_input(line, "reference_density_kg_m3")
    if factor is None or rho is None or reference is None:
        return factor
    room = draft.conditions[plan.number, "room density"]
    scale, meter = (_ledger_input(line, f"{name}_density_kg_m3") for name in ("calibration", "meter"))
    if scale is None or meter is None:
        expected, text = actual_factor(rho, reference), f"SQRT({room}/{draft.reference['density']})"
    else:
        expected = metered_factor(scale, meter, rho, reference)
        cells = [draft.conditions[plan.number, key] for key in ("scale density", "meter density")]
        text = f"SQRT({cells[0]}*{cells[1]}/({room}*{draft.reference['density']}))"
    return Formula(text, factor) if agrees(expected, factor) else factor


def _check_plate(draft: Draft, plan: TestPlan) -> Value:
    """Return the check plate's factor: by its formula, or as the ledger has it."""
    factor = _made(plan.line("check-plate"))
    conditions = plan.test.conditions
    reading, nominal = conditions.check_reading_m3_s, conditions.check_nominal_m3_s
    if factor is None or not reading or not nominal:
        return factor
    cells = {key: draft.conditions.get((plan.number, key), "") for key in _CHECK_KEYS}
    text = f"{cells['check_nominal_m3_s']}/({cells['check_reading_m3_s']}"
    air = 1.0
    if cells["air"]:
        air = _made(plan.line("air")) or 1.0
        text += f"*{cells['air']}"
    pressures = (1.0, 1.0)
    read_at = "check_reading_pressure_pa" if conditions.check_reading_pressure_pa else "test_pressure_pa"
    reading_pressure: float | None = getattr(conditions, read_at)
    if conditions.check_pressure_pa and reading_pressure:
        pressures = (reading_pressure, conditions.check_pressure_pa)
        text += f"*SQRT({cells['check_pressure_pa']}/{cells[read_at]})"
    expected = check_factor(
        reading, nominal, air_factor=air, pressure_pa=pressures[0], nominal_pressure_pa=pressures[1]
    )
    return Formula(text + ")", factor) if agrees(expected, factor) else factor


_CHECK_KEYS = (
    "check_nominal_m3_s",
    "check_reading_m3_s",
    "check_pressure_pa",
    "check_reading_pressure_pa",
    "test_pressure_pa",
    "air",
)


def _not_made(_: Draft, plan: TestPlan) -> Value:
    """Return which corrections were not made, and why."""
    if plan.corrected is None:
        return "the test was left out, see the findings"
    reasons = [f"{line.correction}: {line.skipped}" for line in plan.corrected.ledger if line.skipped]
    return "; ".join(reasons) or None


_REFERENCE_WIDTHS = {1: 30.0, 2: 20.0, 3: 12.0, 4: 30.0}
_SI = {
    "length": "m",
    "flow": "m³/s",
    "mass flow": "kg/s",
    "standard flow": "m³/s at the standard state",
    "pressure": "Pa",
    "area": "m²",
}


def write_reference(draft: Draft) -> None:
    """Write the unit factors and the reference state."""
    pen = draft.pens["Reference"]
    pen.title("Units and reference state", "A value times its factor is the value in SI. Every sheet uses these.")
    pen.header(4, ["unit", "factor", "SI unit"], widths=_REFERENCE_WIDTHS, words=(1,), apart=(3,))
    row = 5
    for unit in _units_in_use(draft):
        pen.put(row, 1, unit.name)
        pen.put(row, 2, unit.factor, Style("raw"))
        pen.put(row, 3, _SI[unit.quantity], Style(left=True))
        draft.units[unit.name] = pen.at(row, 2)
        row += 1
    _write_state(draft, row + 1)
    pen.widths(_REFERENCE_WIDTHS)
    pen.paper(freeze="A4")


def _units_in_use(draft: Draft) -> list[Unit]:
    """Return every unit that a factor is needed for, once each."""
    display = draft.display
    names = [display.lift, display.flow, display.pressure, display.diameter, display.area]
    names.append("inHg" if display.lift == "in" else "hPa")
    for test in draft.tests:
        names += [test.flow_unit.name, test.pressure_unit.name]
        names += [test.lift_unit.name] if test.lift_unit.quantity == "length" else []
    return [UNITS[name] for name in dict.fromkeys(names)]


def _write_state(draft: Draft, row: int) -> None:
    """Write the reference state and what follows from it."""
    contents, display, pen = draft.contents, draft.display, draft.pens["Reference"]
    reference, state = contents.reference, contents.comparison.reference
    pen.put(row, 1, "Reference state", Style("heading"))
    pen.header(row + 1, ["quantity", "value", "unit", "remark"], widths=_REFERENCE_WIDTHS, words=(1, 4), apart=(3,))
    row += 2

    def line(
        key: str, name: str, value: Formula | float | str, style: Style, *, unit: str = "", remark: str = ""
    ) -> None:
        """Write one line of the state and keep its cell."""
        nonlocal row
        pen.put(row, 1, name)
        pen.put(row, 2, value, style)
        pen.put(row, 3, unit, Style(left=True))
        pen.put(row, 4, remark, Style("quiet", wrap=True))
        draft.reference[key] = pen.at(row, 2)
        row += 1

    raw, formula, value = Style("raw"), Style("formula"), Style("value")
    shown = from_si(reference.pressure_pa, display.pressure)
    line("shown pressure", "test pressure", rounded(shown), raw, unit=display.pressure)
    text = f"{draft.reference['shown pressure']}*{draft.units[display.pressure]}"
    line("pressure", "test pressure", Formula(text, reference.pressure_pa), formula, unit="Pa")
    line("law", "pressure law", reference.pressure_law, Style(left=True))
    line(
        "density", "air density", state.air_density_kg_m3, value, unit="kg/m³", remark="CIPM-2007; computed by flowkit"
    )
    if reference.bore_m is not None:
        bore = rounded(from_si(reference.bore_m, display.diameter))
        line("bore", "bore of the engine", bore, raw, unit=display.diameter, remark="for the bore correction, a model")
    if reference.pressure_law == "compressible":
        line("gamma", "ratio of specific heats of air", GAMMA, raw)
        text = f"(2/({draft.reference['gamma']}+1))^({draft.reference['gamma']}/({draft.reference['gamma']}-1))"
        critical = Formula(text, critical_pressure_ratio())
        line("critical", "critical pressure ratio", critical, formula, remark="choked below")
        line("room", "barometer where none is stated", STANDARD_BAROMETER_PA, raw, unit="Pa")
        line("air pressure", "pressure of the reference air", reference.air.pressure_pa, raw, unit="Pa")
    for side in contents.comparison.sides:
        velocity = Formula(_velocity(draft, side), reference_velocity(reference, side))
        remark = "turns a flow into an effective area"
        line(f"velocity {side}", f"reference velocity, {side}", velocity, formula, unit="m/s", remark=remark)


def _velocity(draft: Draft, side: Side) -> str:
    """Return the reference velocity as a formula."""
    cells = draft.reference
    if draft.contents.reference.pressure_law == "square-root":
        return f"SQRT(2*{cells['pressure']}/{cells['density']})"
    room = cells["air pressure"]
    return f"SQRT({room}/{cells['density']})*{nozzle_flow(draft, side, cells['pressure'], room)}"


def nozzle_flow(draft: Draft, side: Side, pressure: str, room: str) -> str:
    """Return the volume of room air through a nozzle as a formula, over ``A·sqrt(p/ρ)``."""
    g = draft.reference["gamma"]
    ratio = f"1-{pressure}/{room}" if side == "intake" else f"{room}/({room}+{pressure})"
    pr = f"MAX({ratio},{draft.reference['critical']})"
    psi = f"SQRT(2*{g}/({g}-1)*({pr}^(2/{g})-{pr}^(({g}+1)/{g})))"
    return psi if side == "intake" else f"(1+{pressure}/{room})*{psi}"


_CORRECTIONS_WIDTHS = {1: 5.0, 2: 18.0, 3: 8.0, 4: 7.0, 5: 5.0, **dict.fromkeys(range(6, 14), 9.5), 14: 24.0}
_LIFT, _READ, _LEAK, _AIR, _PLATE, _PRESSURE, _BORE, _DONE, _REMARK = range(6, 15)


def write_corrections(draft: Draft) -> None:
    """Write the corrections of every reading, on the row it has on the raw readings."""
    pen = draft.pens["Corrections"]
    show = draft.display
    pen.title(
        "Corrections, in the order they are made",
        "Corrected flow = (flow as read + leakage) × the factors. An empty cell is a correction that was not made.",
    )
    heads = ["test", "variant", "side", "port", "run", f"lift, {show.lift}", f"flow as read, {show.flow}"]
    heads += [f"leakage, {show.flow}", "air factor", "check plate factor", "test pressure factor", "bore factor"]
    heads += [f"corrected flow, {show.flow}", "remark"]
    pen.header(FIRST_READING - 1, heads, widths=_CORRECTIONS_WIDTHS, words=(1, 2, 3, 4, 5), apart=(_REMARK,))
    for reading in draft.readings:
        _write_row(draft, pen, reading)
    pen.widths(_CORRECTIONS_WIDTHS)
    pen.paper(title_rows=f"{FIRST_READING - 1}:{FIRST_READING - 1}", freeze=f"F{FIRST_READING}")


def _write_row(draft: Draft, pen: Pen, reading: Reading) -> None:
    """Write one reading's row."""
    plan, row, show = reading.test, reading.row, draft.display
    test = plan.test
    pen.row(row, [plan.number, plan.variant, test.side, test.port, test.run], Style("text"))
    raw = draft.pens["Raw readings"]
    factors = {name: draft.conditions[plan.number, f"{name} factor"] for name in ("lift", "flow")}
    lift = from_si(reading.point.lift_m, show.lift)
    text = f"{raw.at(row, 6, lock_row=False)}*{factors['lift']}/{draft.units[show.lift]}"
    pen.put(row, _LIFT, Formula(text, lift), Style("formula", show.lift_digits + 1))
    draft.lifts[row] = pen.at(row, _LIFT)
    digits = show.flow_digits + 1
    text = f"{raw.at(row, 8, lock_row=False)}*{factors['flow']}/{draft.units[show.flow]}"
    pen.put(row, _READ, Formula(text, from_si(reading.point.flow_m3_s, show.flow)), Style("formula", digits))
    if reading.corrected is None or reading.place is None:
        pen.put(row, _REMARK, "left out, see the findings", Style("quiet", left=True))
        return
    chain = pen.here(row, _READ)
    leak = _leakage(draft, reading)
    if leak is not None:
        _put(pen, row, _LEAK, leak, digits)
        chain = f"({chain}+{pen.here(row, _LEAK)})"
    for column, value in (
        (_AIR, _of_test(draft, reading, "air")),
        (_PLATE, _of_test(draft, reading, "check-plate")),
        (_PRESSURE, _test_pressure(draft, reading)),
        (_BORE, _ledger_factor(reading, "bore")),
    ):
        if value is not None:
            _put(pen, row, column, value, 6)
            chain += f"*{pen.here(row, column)}"
    done = from_si(reading.corrected.flow_m3_s, show.flow)
    _put(pen, row, _DONE, Formula(chain, done) if _whole(reading) else done, digits)
    draft.corrected[row] = pen.at(row, _DONE)


def _put(pen: Pen, row: int, column: int, value: Formula | float, digits: int) -> None:
    """Write a formula as such, and a number as computed by flowkit."""
    pen.put(row, column, value, Style("formula" if isinstance(value, Formula) else "value", digits))


def _ledger_factor(reading: Reading, correction: str) -> float | None:
    """Return what the ledger has for a point; None where the correction was not made."""
    line = reading.test.line(correction)
    if line is None or line.factor is None or reading.place is None:
        return None
    return float(line.factor[reading.place])


def _whole(reading: Reading) -> bool:
    """Tell whether the ledger's corrections make the corrected flow from the reading."""
    assert reading.corrected is not None  # for the type checker: callers ask first
    flow = reading.point.flow_m3_s
    for line in reading.test.corrected.ledger if reading.test.corrected else ():
        if line.offset_m3_s is not None and reading.place is not None:
            flow += line.offset_m3_s[reading.place]
        flow *= _ledger_factor(reading, line.correction) or 1.0
    return agrees(flow, reading.corrected.flow_m3_s)


def _of_test(draft: Draft, reading: Reading, correction: str) -> Formula | float | None:
    """Return the factor that holds for all points of a test, from the conditions."""
    factor = _ledger_factor(reading, correction)
    cell = draft.conditions.get((reading.test.number, correction))
    line = reading.test.line(correction)
    alike = line is not None and line.factor is not None and len(set(line.factor)) == 1
    return Formula(cell, factor) if factor is not None and cell and alike else factor


def _leakage(draft: Draft, reading: Reading) -> Formula | float | None:
    """Return the leakage at a point's pressure, below zero: by its formula, or as the ledger has it."""
    line, place = reading.test.line("leakage"), reading.place
    if line is None or line.offset_m3_s is None or place is None:
        return None
    conditions, number, show = reading.test.test.conditions, reading.test.number, draft.display
    offset = from_si(line.offset_m3_s[place], show.flow)
    leak = conditions.leak_m3_s
    at = conditions.test_pressure_pa if conditions.leak_pressure_pa is None else conditions.leak_pressure_pa
    pressure = reading.test.test.pressure_at(reading.point)
    if leak is None or not at or not pressure or not agrees(-leak_flow(leak, pressure, at), line.offset_m3_s[place]):
        return offset
    stated = "test_pressure_pa" if conditions.leak_pressure_pa is None else "leak_pressure_pa"
    cells = [draft.conditions[number, key] for key in ("leak_m3_s", stated, "flow factor")]
    read_at = draft.pens["Raw readings"].at(reading.row, 10, lock_row=False)
    return Formula(f"-{cells[0]}*SQRT({read_at}/{cells[1]})*{cells[2]}/{draft.units[show.flow]}", offset)


def _test_pressure(draft: Draft, reading: Reading) -> Formula | float | None:
    """Return the factor to the reference pressure: by the law's formula, or as the ledger has it."""
    factor = _ledger_factor(reading, "test-pressure")
    pressure = reading.test.test.pressure_at(reading.point)
    if factor is None or not pressure:
        return factor
    test, number, reference = reading.test.test, reading.test.number, draft.contents.reference
    barometer = test.conditions.barometer_pa
    room = STANDARD_BAROMETER_PA if barometer is None else barometer
    if not agrees(pressure_factor(reference.pressure_law, test.side, pressure, reference.pressure_pa, room), factor):
        return factor
    read_at = draft.pens["Raw readings"].at(reading.row, 10, lock_row=False)
    own = f"({read_at}*{draft.conditions[number, 'pressure factor']})"
    target = draft.reference["pressure"]
    if reference.pressure_law == "square-root" or test.side is None:
        return Formula(f"SQRT({target}/{own})", factor)
    if barometer is None:
        cell = draft.reference["room"]
    else:
        unit = "inHg" if draft.display.lift == "in" else "hPa"
        cell = f"({draft.conditions[number, 'barometer_pa']}*{draft.units[unit]})"
    return Formula(
        f"{nozzle_flow(draft, test.side, target, cell)}/({nozzle_flow(draft, test.side, own, cell)})", factor
    )


_ORDER = ("error", "warning", "note")
_FINDINGS_WIDTHS = {1: 10.0, 2: 20.0, 3: 34.0, 4: 86.0}
_POINTS_A_LINE = 13.5


def write_findings(draft: Draft) -> None:
    """Write what was doubtful, the gravest first, and the files the readings came from."""
    pen = draft.pens["Findings"]
    pen.title("Findings")
    heads = ["severity", "rule", "where", "what it means and what to do"]
    pen.header(3, heads, widths=_FINDINGS_WIDTHS, words=_FINDINGS_WIDTHS)
    row = 4
    left = Style(wrap=True)
    for finding in sorted(gathered(draft.contents.findings), key=lambda item: _ORDER.index(item.severity)):
        texts = (finding.severity, finding.rule, finding.where, finding.message)
        for column, text in enumerate(texts, 1):
            pen.put(row, column, text, left)
        lines = max(1 + int(len(text) * 1.05 / _FINDINGS_WIDTHS[column]) for column, text in enumerate(texts, 1))
        pen.sheet.row_dimensions[row].height = lines * _POINTS_A_LINE
        row += 1
    if row == 4:
        pen.put(row, 1, "Nothing doubtful was found.")
        row += 1
    pen.put(row + 1, 1, "Sources", Style("heading"))
    pen.header(row + 2, ["file", "", "", "SHA-256"], widths=_FINDINGS_WIDTHS, words=_FINDINGS_WIDTHS)
    for number, source in enumerate(draft.contents.sources, row + 3):
        pen.put(number, 1, source.name)
        pen.put(number, 4, source.sha256, Style("quiet"))
    pen.widths(_FINDINGS_WIDTHS)
    pen.paper(title_rows="3:3", freeze="A4")
