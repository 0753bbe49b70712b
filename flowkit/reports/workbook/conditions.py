"""The sheet of conditions: what was noted with every test, and the factors that follow from it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from flowkit.corrections.air import actual_factor, metered_factor
from flowkit.corrections.check_plate import check_factor
from flowkit.model import LedgerLine
from flowkit.reports.workbook.draft import Draft
from flowkit.reports.workbook.pen import Formula
from flowkit.reports.workbook.plan import TestPlan, rounded
from flowkit.reports.workbook.readings import flow_factor, inlet_density, lift_factor, standard_density
from flowkit.reports.workbook.styles import Style
from flowkit.units import from_si

__all__ = ["agrees", "write_conditions"]

_HEAD_ROW = 4
_CLOSE = 1e-9

Value = Formula | str | float | None


def agrees(one: float, other: float) -> bool:
    """Tell whether a formula gives what the ledger says.

    Parameters
    ----------
    one, other : float
    """
    return abs(one - other) <= _CLOSE * max(abs(one), abs(other))


@dataclass(frozen=True, slots=True)
class _Column:
    """A column: its key, its head, what stands in it, how it looks."""

    key: str
    head: str
    value: Callable[[Draft, TestPlan], Value]
    style: Style
    width: float = 11.0


def write_conditions(draft: Draft) -> None:
    """Write the conditions of every test and the factors that hold for all its points.

    Columns in which nothing is known of any test are left out.

    Parameters
    ----------
    draft : Draft
        Its `conditions` are filled.
    """
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
    return [
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
        _Column("not made", "corrections not made", _not_made, Style("quiet", wrap=True, left=True), 70.0),
    ]


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
    """Return the density the meter's scale was made for, or that a standard flow stands for."""
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
