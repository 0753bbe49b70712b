"""The sheet of corrections: every reading's way to the reference state, one column a correction."""

from __future__ import annotations

from flowkit.corrections.leakage import leak_flow
from flowkit.corrections.pressure import STANDARD_BAROMETER_PA, pressure_factor
from flowkit.reports.workbook.conditions import agrees
from flowkit.reports.workbook.draft import FIRST_READING, Draft
from flowkit.reports.workbook.pen import Formula, Pen
from flowkit.reports.workbook.plan import Reading
from flowkit.reports.workbook.reference import nozzle_flow
from flowkit.reports.workbook.styles import Style
from flowkit.units import from_si

__all__ = ["write_corrections"]

_WIDTHS = {1: 5.0, 2: 18.0, 3: 8.0, 4: 7.0, 5: 5.0, **dict.fromkeys(range(6, 14), 9.5), 14: 24.0}
_LIFT, _READ, _LEAK, _AIR, _PLATE, _PRESSURE, _BORE, _DONE, _REMARK = range(6, 15)


def write_corrections(draft: Draft) -> None:
    """Write the corrections of every reading, on the row it has on the raw readings.

    Parameters
    ----------
    draft : Draft
        Its `corrected` and `lifts` are filled.
    """
    pen = draft.pens["Corrections"]
    show = draft.display
    pen.title(
        "Corrections, in the order they are made",
        "Corrected flow = (flow as read + leakage) × the factors. An empty cell is a correction that was not made.",
    )
    heads = ["test", "variant", "side", "port", "run", f"lift, {show.lift}", f"flow as read, {show.flow}"]
    heads += [f"leakage, {show.flow}", "air factor", "check plate factor", "test pressure factor", "bore factor"]
    heads += [f"corrected flow, {show.flow}", "remark"]
    pen.header(FIRST_READING - 1, heads, widths=_WIDTHS, words=(1, 2, 3, 4, 5), apart=(_REMARK,))
    for reading in draft.readings:
        _write_row(draft, pen, reading)
    pen.widths(_WIDTHS)
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
