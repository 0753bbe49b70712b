"""What a meter showed, as cells, and the flow that follows from it as a formula where it is closed form.

Live are percent, plate, laminar, orifice and nozzle meters; an orifice's or nozzle's coefficient is found by iteration
and is a value, as are flows from tables, critical nozzles, pitot traverses and meters read side by side.
"""

from __future__ import annotations

import math
from typing import Any

from flowkit.corrections.metering import KAPPA, viscosity
from flowkit.reports.workbook.pen import Formula, Pen, Style
from flowkit.reports.workbook.plan import Reading

FIRST = 13
HEADS = (
    "reading less zero", "Pa to one of it", "differential, Pa", "pressure before the meter, Pa",
    "density there, kg/m³", "coefficient", "expansibility", "flow at value 1", "air of the room, kg/m³",
)  # fmt: skip
WIDTHS = {FIRST + index: 12.0 for index in range(len(HEADS))}
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
    cell = [pen.here(row, FIRST + index, lock_row=False) for index in range(len(HEADS))]
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
