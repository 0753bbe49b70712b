"""Sheets of what was read and stated, and the corrections as formulas of it."""

from __future__ import annotations

import math
from typing import Any

from flowkit.analysis.curves import relative_steps
from flowkit.corrections import CORRECTIONS
from flowkit.corrections import pressure as law
from flowkit.corrections.air import actual_factor, metered_factor
from flowkit.corrections.check_plate import check_factor
from flowkit.corrections.leakage import leak_flow
from flowkit.corrections.metering import KAPPA, viscosity
from flowkit.fields import CONDITIONS
from flowkit.model import LedgerLine, Side
from flowkit.reports.workbook import look
from flowkit.reports.workbook.book import FIRST_READING, Book, Reading, TestPlan, rounded
from flowkit.reports.workbook.look import Style
from flowkit.reports.workbook.pen import Column, Table, Value
from flowkit.units import UNITS, from_si
from flowkit.wording import Display

_SI = {"length": "m", "flow": "m³/s", "mass flow": "kg/s", "pressure": "Pa", "area": "m²"}


def write_reference(book: Book) -> None:
    """Write the unit factors and the reference state."""
    pen, show = book.pens["Reference"], book.display
    pen.title("Units and reference state", "A value times its factor is the value in SI. Every sheet uses these.")
    pen.widths[4] = 30.0
    table = Table(pen, [
        Column("unit", "unit", width=30.0), Column("factor", "factor", look.RAW, 20.0),
        Column("si", "SI unit", look.APART, 12.0),
    ])  # fmt: skip
    names = [show.lift, show.flow, show.pressure, show.diameter, show.area, _room_unit(show)]
    for test in book.tests:
        names += [test.flow_unit.name, test.pressure_unit.name]
        names += [test.lift_unit.name] if test.lift_unit.quantity == "length" else []
    for unit in (UNITS[name] for name in dict.fromkeys(names)):
        table.put("unit", unit.name)
        table.put("factor", unit.factor, name=("unit", unit.name))
        table.put("si", _SI.get(unit.quantity, "m³/s at the standard state"))
        pen.row += 1
    pen.row += 1
    _write_state(book)
    pen.finish(freeze="A4")


def _room_unit(show: Display) -> str:
    """Return the unit that barometers are shown in."""
    return "inHg" if show.lift == "in" else "hPa"


def _write_state(book: Book) -> None:
    """Write the reference state and what follows from it."""
    pen, show, cells = book.pens["Reference"], book.display, book.cells
    reference, state = book.contents.reference, book.contents.comparison.reference
    table = Table(pen, [
        Column("quantity", "quantity"), Column("value", "value", look.NUMBER), Column("unit", "unit", look.APART),
        Column("remark", "remark", look.NOTE),
    ], "Reference state")  # fmt: skip

    def line(
        key: str, words: str, value: Value, text: str = "", *, unit: str = "", remark: str = "",
        style: Style | None = None,
    ) -> None:  # fmt: skip
        """Write one line of the state."""
        table.put("quantity", words)
        table.put("value", value, text, style=style, name=("reference", key))
        table.put("unit", unit)
        table.put("remark", remark)
        pen.row += 1

    shown = rounded(from_si(reference.pressure_pa, show.pressure))
    line("shown pressure", "test pressure", shown, unit=show.pressure, style=look.RAW)
    text = f"{cells['reference', 'shown pressure']}*{cells['unit', show.pressure]}"
    line("pressure", "test pressure", reference.pressure_pa, text, unit="Pa")
    line("law", "pressure law", reference.pressure_law, style=look.APART)
    line("density", "air density", state.air_density_kg_m3, unit="kg/m³", remark="CIPM-2007; computed by flowkit")
    if reference.bore_m is not None:
        bore = rounded(from_si(reference.bore_m, show.diameter))
        remark = "for the bore correction, a model"
        line("bore", "bore of the engine", bore, unit=show.diameter, remark=remark, style=look.RAW)
    if reference.pressure_law == "compressible":
        line("gamma", "ratio of specific heats of air", law.GAMMA, style=look.RAW)
        gamma = cells["reference", "gamma"]
        text = f"(2/({gamma}+1))^({gamma}/({gamma}-1))"
        line("critical", "critical pressure ratio", law.critical_pressure_ratio(), text, remark="choked below")
        line("room", "barometer where none is stated", law.STANDARD_BAROMETER_PA, unit="Pa", style=look.RAW)
        line("air pressure", "pressure of the reference air", reference.air.pressure_pa, unit="Pa", style=look.RAW)
    pressure, rho = cells["reference", "pressure"], cells["reference", "density"]
    for side in book.contents.comparison.sides:
        text = f"SQRT(2*{pressure}/{rho})"
        if reference.pressure_law == "compressible":
            room = cells["reference", "air pressure"]
            text = f"SQRT({room}/{rho})*{_nozzle_flow(book, side, pressure, room)}"
        remark = "turns a flow into an effective area"
        velocity = law.reference_velocity(reference, side)
        line(f"velocity {side}", f"reference velocity, {side}", velocity, text, unit="m/s", remark=remark)


def _nozzle_flow(book: Book, side: Side, pressure: str, room: str) -> str:
    """Return the volume of room air through a nozzle as a formula, over ``A·sqrt(p/ρ)``."""
    g = book.cells["reference", "gamma"]
    ratio = f"1-{pressure}/{room}" if side == "intake" else f"{room}/({room}+{pressure})"
    pr = f"MAX({ratio},{book.cells['reference', 'critical']})"
    psi = f"SQRT(2*{g}/({g}-1)*({pr}^(2/{g})-{pr}^(({g}+1)/{g})))"
    return psi if side == "intake" else f"(1+{pressure}/{room})*{psi}"


def _agrees(one: float, other: float) -> bool:
    """Tell whether a formula gives what the ledger says."""
    return abs(one - other) <= 1e-9 * max(abs(one), abs(other))


_OWN = "own"
"""Stated in the unit of the test's flows or pressures."""


def _columns(show: Display) -> tuple[list[Column], dict[str, str]]:
    """Return the columns of conditions in their order, and the units of those that are attributes of the test's."""
    shown = {
        "length": show.diameter,
        "temperature": "°F" if show.lift == "in" else "°C",
        "pressure": _room_unit(show),
    }
    units: dict[str, str] = {}
    stated = []
    for row in CONDITIONS:
        if not row.metered:
            own = row.kind in ("flow", "pressure") and row.unit != "hPa"  # others are absolute
            unit = units[row.attribute] = _OWN if own else shown.get(row.kind, row.unit)
            head = f"{row.words}, {unit}" if unit not in ("", _OWN) else row.words
            # "temperature," in bold is wider than other words.
            width = 13.5 if row.kind == "temperature" else 0.0
            stated.append(Column(row.attribute, head, look.RAW if unit else look.TEXT, width))
    value = Style("value", 5)
    columns = [
        Column("number", "test", width=6.0), Column("variant", "variant", width=20.0),
        Column("side", "side", width=9.0), Column("port", "port", width=7.0), Column("run", "run", width=5.0),
        Column("id", "read from", look.QUIET, 40.0), *stated, Column("room density", "air density, kg/m³", value),
        Column("meter density", "density in the meter, kg/m³", value),
        Column("scale density", "density of the scale, kg/m³", value), Column("lift unit", "lift unit", width=6.0),
        Column("lift factor", "lift factor to m", look.NUMBER, 13.0), Column("flow unit", "flow unit", width=6.0),
        Column("flow factor", "flow factor to m³/s", look.NUMBER, 13.0),
        Column("pressure unit", "pressure unit", width=8.0),
        Column("pressure factor", "pressure factor to Pa", look.NUMBER, 13.0),
        Column("air", "air factor", look.number(6)),
        Column("check-plate", "check plate factor", look.number(6)),
        Column("step", "flows written in steps of", look.RAW),
        Column("not made", "corrections not made", Style("quiet", wrap=True, left=True), 70.0),
    ]  # fmt: skip
    return columns, units


def write_conditions(book: Book) -> None:
    """Write the conditions of every test and the factors that hold for all its points."""
    pen = book.pens["Conditions"]
    pen.title(
        "Conditions of every test", "Flows and pressures are in the units of the test; factors turn them into SI."
    )
    columns, units = _columns(book.display)
    known = [_conditions(book, plan, units) for plan in book.tests]
    columns = [column for column in columns if any(one.get(column.key) is not None for one, _ in known)]
    table = Table(pen, columns)
    for plan, (values, texts) in zip(book.tests, known, strict=True):
        for column in columns:
            key = column.key
            table.put(key, values.get(key), texts.get(key, ""), name=("condition", plan.number, key))
        pen.row += 1
    pen.finish(title_rows="4:4", title_columns="A:E", freeze="F5")


def _conditions(book: Book, plan: TestPlan, units: dict[str, str]) -> tuple[dict[str, Value], dict[str, str]]:
    """Return what is known of a test by column, and the formulas of what follows from other columns."""
    test, given, show, cells = plan.test, plan.test.conditions, book.display, book.cells
    values: dict[str, Value] = {"number": plan.number, "variant": plan.variant, "side": test.side, "port": test.port,
                                "run": test.run, "id": test.id}  # fmt: skip
    for key, unit in units.items():
        noted = getattr(given, key)
        if noted is not None and unit == _OWN:
            noted = rounded(noted / (plan.pressure_unit.factor if key.endswith("_pa") else plan.flow_factor))
        elif noted is not None and unit:
            noted = rounded(from_si(noted, unit))
        values[key] = noted
    air = plan.line("air")
    values["room density"] = _input(air, "air_density_kg_m3") or plan.inlet_density
    values["meter density"] = _input(air, "meter_density_kg_m3")
    values["scale density"] = _input(air, "calibration_density_kg_m3") or plan.standard_density
    texts: dict[str, str] = {}
    for key in ("lift", "flow", "pressure"):
        own = getattr(plan, f"{key}_unit")
        values[f"{key} unit"], values[f"{key} factor"] = own.name, own.factor
        texts[f"{key} factor"] = cells.get(("unit", own.name), "")
    values["lift factor"], values["flow factor"] = plan.lift_factor, plan.flow_factor
    if plan.lift_unit.quantity == "lift ratio":
        texts["lift factor"] = f"{{valve_diameter_m}}*{cells['unit', show.diameter]}"
    if plan.inlet_density is not None:
        texts["flow factor"] += "" if plan.standard_density is None else "*{scale density}"
        texts["flow factor"] += "/{room density}"
    values["air"], texts["air"] = _air_factor(air, cells["reference", "density"])
    values["check-plate"], texts["check-plate"] = _plate_factor(plan, values["air"])
    if plan.corrected is None:
        values["not made"] = "the test was left out, see the findings"
    else:
        reasons = [f"{line.correction}: {line.skipped}" for line in plan.corrected.ledger if line.skipped]
        values["not made"] = "; ".join(reasons) or None
        points = plan.corrected.points
        if points and not any(point.mark for point in points):
            largest = max(range(len(points)), key=lambda place: points[place].reading_m3_s)
            step = relative_steps(plan.corrected)[largest] * points[largest].reading_m3_s
            values["step"] = rounded(step / plan.flow_factor)
    return values, texts


def _input(line: LedgerLine | None, key: str) -> float | None:
    """Return a number a ledger line names among its inputs."""
    found = line.inputs.get(key) if line else None
    return float(found) if isinstance(found, (int, float)) else None


def _made(line: LedgerLine | None) -> float | None:
    """Return the factor of a correction that was made for all points alike."""
    return line.factor[0] if line and line.factor else None


def _air_factor(line: LedgerLine | None, reference: str) -> tuple[float | None, str]:
    """Return the air factor and its formula, none where the ledger has another; given the cell of the density."""
    factor = _made(line)
    rho, own = _input(line, "air_density_kg_m3"), _input(line, "reference_density_kg_m3")
    scale, meter = _input(line, "calibration_density_kg_m3"), _input(line, "meter_density_kg_m3")
    if factor is None or rho is None or own is None:
        return factor, ""
    if scale is None or meter is None:
        expected, text = actual_factor(rho, own), f"SQRT({{room density}}/{reference})"
    else:
        expected = metered_factor(scale, meter, rho, own)
        text = f"SQRT({{scale density}}*{{meter density}}/({{room density}}*{reference}))"
    return factor, text if _agrees(expected, factor) else ""


def _plate_factor(plan: TestPlan, air: Value) -> tuple[float | None, str]:
    """Return the check plate's factor and its formula, none where the ledger has another."""
    factor, given = _made(plan.line("check-plate")), plan.test.conditions
    reading, nominal = given.check_reading_m3_s, given.check_nominal_m3_s
    if factor is None or not reading or not nominal:
        return factor, ""
    text, pressures = "{check_nominal_m3_s}/({check_reading_m3_s}", (1.0, 1.0)
    if air is not None:
        text += "*{air}"
    read_at = "check_reading_pressure_pa" if given.check_reading_pressure_pa else "test_pressure_pa"
    pressure: float | None = getattr(given, read_at)
    if given.check_pressure_pa and pressure:
        pressures = (pressure, given.check_pressure_pa)
        text += f"*SQRT({{check_pressure_pa}}/{{{read_at}}})"
    factor_of_air = float(air) if air else 1.0
    expected = check_factor(
        reading, nominal, air_factor=factor_of_air, pressure_pa=pressures[0], nominal_pressure_pa=pressures[1]
    )
    return factor, f"{text})" if _agrees(expected, factor) else ""


_READINGS = (
    Column("test", "test", width=5.0), Column("variant", "variant", width=18.0), Column("side", "side", width=8.0),
    Column("port", "port", width=7.0), Column("run", "run", width=5.0), Column("lift", "lift", look.RAW, 9.0),
    Column("lift unit", "unit", look.QUIET, 6.0), Column("flow", "flow", look.RAW, 9.0),
    Column("flow unit", "unit", look.QUIET, 6.0), Column("pressure", "test pressure", look.RAW, 10.0),
    Column("pressure unit", "unit", look.QUIET, 8.0), Column("cell", "cell", look.QUIET, 34.0),
)  # fmt: skip
_METER = (
    Column("net", "reading less zero", look.RAW, 12.0), Column("slope", "Pa per unit", look.number(6), 12.0),
    Column("dp", "differential, Pa", look.number(6), 12.0),
    Column("p", "pressure before the meter, Pa", look.number(6), 12.0),
    Column("rho1", "density there, kg/m³", look.number(6), 12.0), Column("c", "coefficient", look.number(6), 12.0),
    Column("eps", "expansibility", look.number(6), 12.0), Column("one", "flow at value 1", look.number(6), 12.0),
    Column("rho0", "air of the room, kg/m³", look.number(6), 12.0),
)  # fmt: skip
_METER_INPUTS = {
    "net": "reading",
    "dp": "differential_pa",
    "p": "meter_pressure_pa",
    "rho1": "meter_density_kg_m3",
    "c": "coefficient",
    "eps": "expansibility",
}


def _put_test(table: Table, plan: TestPlan) -> None:
    """Write which test a reading is of."""
    test = plan.test
    for column, value in zip(_READINGS, (plan.number, plan.variant, test.side, test.port, test.run), strict=False):
        table.put(column.key, value)


def write_readings(book: Book) -> None:
    """Write every point as it was read, in the units of its sheet."""
    pen = book.pens["Raw readings"]
    pen.title("Raw readings", "Every point as it was read, in the units of its sheet.")
    metered = any(reading.corrected and reading.corrected.mark for reading in book.readings)
    pen.row = FIRST_READING - 1
    table = book.tables["readings"] = Table(pen, _READINGS + _METER if metered else _READINGS)
    for reading in book.readings:
        plan, point = reading.test, reading.point
        _put_test(table, plan)
        table.put("lift", rounded(point.lift_m / plan.lift_factor))
        table.put("lift unit", plan.lift_unit.name)
        live = _meter_flow(table, reading)
        if live is None:
            table.put("flow", rounded(point.flow_m3_s / plan.flow_factor))
        else:
            table.put("flow", *live, style=look.number(4))
        table.put("flow unit", plan.flow_unit.name)
        stated = plan.test.conditions.test_pressure_pa
        if point.pressure_pa is not None:
            table.put("pressure", rounded(point.pressure_pa / plan.pressure_unit.factor))
        elif stated is not None:
            cell = book.cells["condition", plan.number, "test_pressure_pa"]
            table.put("pressure", stated / plan.pressure_unit.factor, cell, style=look.NUMBER)
        table.put("pressure unit", plan.pressure_unit.name)
        table.put("cell", point.source)
        pen.row += 1
    pen.finish(title_rows="3:3", freeze="F4")


def _meter_flow(table: Table, reading: Reading) -> tuple[float, str] | None:
    """Write what a meter showed beside a point; return its flow and formula, None where it is not in closed form."""
    line, done, corrected = reading.test.line("meter"), reading.corrected, reading.test.corrected
    if line is None or done is None or done.mark is None or reading.place is None or corrected is None:
        return None
    inputs: Any = line.inputs
    lists = {key: inputs.get(name) for key, name in _METER_INPUTS.items()}
    if any(isinstance(value, tuple) and len(value) != len(corrected.points) for value in lists.values()):
        return None
    known: dict[str, Any] = {
        key: value[reading.place] if isinstance(value, tuple) else None for key, value in lists.items()
    }
    net, dp, _, rho1, c, eps = known.values()
    table.put("net", net)
    if dp is not None and net:
        table.put("slope", dp / net)
        table.put("dp", dp, "{net}*{slope}")
    for key in ("p", "rho1", "c"):
        table.put(key, known[key])
    kind, rho0 = inputs["kind"], inputs.get("air_density_kg_m3")
    if kind in ("plate", "orifice", "nozzle") and None not in (dp, rho0, rho1, c, eps):
        if kind == "plate":
            one = (inputs.get("area") or math.pi / 4 * inputs["hole"] ** 2) * inputs.get("count", 1)
            table.put("eps", eps, f"1-0.351*(1-(1-{{dp}}/{{p}})^(1/{KAPPA}))")
        else:
            one = math.pi / 4 * inputs["bore"] ** 2 / math.sqrt(1 - (inputs["bore"] / inputs["pipe"]) ** 4)
            table.put("eps", eps)
        flow, text = one * c * eps * math.sqrt(2 * dp * rho1) / rho0, "{c}*{eps}*{one}*SQRT(2*{dp}*{rho1})/{rho0}"
        table.put("rho0", rho0)
    elif kind == "laminar" and None not in (dp, rho0, rho1) and len(set(inputs["meter_temperature_k"])) == 1:
        warm = viscosity(inputs["calibrated_at"]) / viscosity(inputs["meter_temperature_k"][0])
        one = inputs["flow"] / inputs["differential"] * warm
        flow, text = one * dp * rho1 / rho0, "{one}*{dp}*{rho1}/{rho0}"
        table.put("rho0", rho0)
    elif kind == "percent" and "at" not in inputs and isinstance(inputs.get("full_scale"), float) and net:
        root = inputs["scale"] == "square-root"
        one, text = inputs["full_scale"], "{one}*SQRT({net}/100)" if root else "{one}*{net}/100"
        flow = one * (math.sqrt(net / 100) if root else net / 100)
    else:
        return None
    table.put("one", one)
    if abs(flow - done.reading_m3_s) > 1e-9 * abs(done.reading_m3_s):
        return None
    return done.reading_m3_s / reading.test.flow_factor, f"({text})/{reading.test.flow_factor!r}"


_FACTORS = tuple(name for name in CORRECTIONS if name != "leakage")


def write_corrections(book: Book) -> None:
    """Write the corrections of every reading, on the row it has on the raw readings."""
    pen, show = book.pens["Corrections"], book.display
    pen.title(
        "Corrections, in the order they are made",
        "Corrected flow = (flow as read + leakage) × the factors. An empty cell is a correction that was not made.",
    )
    flow, lift = look.number(show.flow_digits + 1), look.number(show.lift_digits + 1)
    columns = (
        *_READINGS[:5], Column("lift", f"lift, {show.lift}", lift, 9.5),
        Column("read", f"flow as read, {show.flow}", flow, 9.5), Column("leakage", f"leakage, {show.flow}", flow, 9.5),
        *(Column(name, f"{name.replace('-', ' ')} factor", look.number(6), 9.5) for name in _FACTORS),
        Column("done", f"corrected flow, {show.flow}", flow, 9.5),
        Column("remark", "remark", Style("quiet", left=True), 24.0),
    )  # fmt: skip
    pen.row = FIRST_READING - 1
    table = book.tables["corrections"] = Table(pen, columns)
    for reading in book.readings:
        _put_test(table, reading.test)
        _correct(book, table, reading)
        pen.row += 1
    pen.finish(title_rows="3:3", freeze="F4")


def _correct(book: Book, table: Table, reading: Reading) -> None:
    """Write what became of one reading."""
    plan, row, raw, done = reading.test, reading.row, book.tables["readings"], reading.corrected
    for key, name, value in (
        ("lift", "lift", book.in_lift(reading.point.lift_m)),
        ("read", "flow", book.in_flow(reading.point.flow_m3_s)),
    ):
        own = book.cells["condition", plan.number, f"{name} factor"]
        table.put(key, value, f"{raw.at(name, row, 'c')}*{own}/{book.cells['unit', getattr(book.display, name)]}")
    if done is None or reading.place is None or plan.corrected is None:
        table.put("remark", "left out, see the findings")
        return
    flow, chain = reading.point.flow_m3_s, "{read}"
    leakage = plan.line("leakage")
    if leakage is not None and leakage.offset_m3_s is not None:
        offset = leakage.offset_m3_s[reading.place]
        flow += offset
        table.put("leakage", book.in_flow(offset), _leakage(book, reading, offset))
        chain = "({read}+{leakage})"
    for key in _FACTORS:
        made = plan.line(key)
        if made is None or made.factor is None:
            continue
        factor = float(made.factor[reading.place])
        text = ""
        if key == "test-pressure":
            text = _test_pressure(book, reading, factor)
        elif len(set(made.factor)) == 1:
            text = book.cells.get(("condition", plan.number, key), "")
        flow *= factor
        table.put(key, factor, text)
        chain += f"*{{{key}}}"
    table.put("done", book.in_flow(done.flow_m3_s), chain if _agrees(flow, done.flow_m3_s) else "")


def _leakage(book: Book, reading: Reading, offset_m3_s: float) -> str:
    """Return the leakage at a point's pressure as a formula, "" where the ledger has another."""
    test, given = reading.test.test, reading.test.test.conditions
    stated = "test_pressure_pa" if given.leak_pressure_pa is None else "leak_pressure_pa"
    leak, at, pressure = given.leak_m3_s, getattr(given, stated), test.pressure_at(reading.point)
    if leak is None or not at or not pressure or not _agrees(-leak_flow(leak, pressure, at), offset_m3_s):
        return ""
    cells = [book.cells["condition", reading.test.number, key] for key in ("leak_m3_s", stated, "flow factor")]
    read_at = book.tables["readings"].at("pressure", reading.row, "c")
    return f"-{cells[0]}*SQRT({read_at}/{cells[1]})*{cells[2]}/{book.cells['unit', book.display.flow]}"


def _test_pressure(book: Book, reading: Reading, factor: float) -> str:
    """Return the factor to the reference pressure by the law's formula, "" where the ledger has another."""
    test, reference, barometer = reading.test.test, book.contents.reference, reading.test.test.conditions.barometer_pa
    pressure, target = test.pressure_at(reading.point), book.cells["reference", "pressure"]
    room = law.STANDARD_BAROMETER_PA if barometer is None else barometer
    if not pressure:
        return ""
    expected = law.pressure_factor(reference.pressure_law, test.side, pressure, reference.pressure_pa, room)
    if not _agrees(expected, factor):
        return ""
    read_at = book.tables["readings"].at("pressure", reading.row, "c")
    own = f"({read_at}*{book.cells['condition', reading.test.number, 'pressure factor']})"
    if reference.pressure_law == "square-root" or test.side is None:
        return f"SQRT({target}/{own})"
    if barometer is None:
        cell = book.cells["reference", "room"]
    else:
        stated = book.cells["condition", reading.test.number, "barometer_pa"]
        cell = f"({stated}*{book.cells['unit', _room_unit(book.display)]})"
    return f"{_nozzle_flow(book, test.side, target, cell)}/({_nozzle_flow(book, test.side, own, cell)})"
