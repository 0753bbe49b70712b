"""The sheet of units and of the reference state: what every formula leans on."""

from __future__ import annotations

from flowkit.corrections.pressure import GAMMA, STANDARD_BAROMETER_PA, critical_pressure_ratio, reference_velocity
from flowkit.model import Side
from flowkit.reports.workbook.draft import Draft
from flowkit.reports.workbook.pen import Formula
from flowkit.reports.workbook.plan import rounded
from flowkit.reports.workbook.styles import Style
from flowkit.units import UNITS, Unit, from_si

__all__ = ["nozzle_flow", "write_reference"]

_WIDTHS = {1: 30.0, 2: 20.0, 3: 12.0, 4: 30.0}
_SI = {
    "length": "m",
    "flow": "m³/s",
    "mass flow": "kg/s",
    "standard flow": "m³/s at the standard state",
    "pressure": "Pa",
    "area": "m²",
}


def write_reference(draft: Draft) -> None:
    """Write the unit factors and the reference state.

    Parameters
    ----------
    draft : Draft
        Its `units` and `reference` are filled.
    """
    pen = draft.pens["Reference"]
    pen.title("Units and reference state", "A value times its factor is the value in SI. Every sheet follows these.")
    pen.header(4, ["unit", "factor", "SI unit"], widths=_WIDTHS, words=(1,), apart=(3,))
    row = 5
    for unit in _units_in_use(draft):
        pen.put(row, 1, unit.name)
        pen.put(row, 2, unit.factor, Style("raw"))
        pen.put(row, 3, _SI[unit.quantity], Style(left=True))
        draft.units[unit.name] = pen.at(row, 2)
        row += 1
    _write_state(draft, row + 1)
    pen.widths(_WIDTHS)
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
    pen.header(row + 1, ["quantity", "value", "unit", "remark"], widths=_WIDTHS, words=(1, 4), apart=(3,))
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
    """Return the volume of room air through a nozzle as a formula, over ``A·sqrt(p/ρ)``.

    Parameters
    ----------
    draft : Draft
    side : {"intake", "exhaust"}
    pressure, room : str
        Cells or expressions of the test pressure and of the room's pressure [Pa].

    References
    ----------
    Heywood 1988, appendix C.
    """
    g = draft.reference["gamma"]
    ratio = f"1-{pressure}/{room}" if side == "intake" else f"{room}/({room}+{pressure})"
    pr = f"MAX({ratio},{draft.reference['critical']})"
    psi = f"SQRT(2*{g}/({g}-1)*({pr}^(2/{g})-{pr}^(({g}+1)/{g})))"
    return psi if side == "intake" else f"(1+{pressure}/{room})*{psi}"
