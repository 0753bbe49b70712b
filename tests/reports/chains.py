"""Invented jobs run through the real chain: read by hand, corrected, compared."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache

from flowkit.air import density
from flowkit.analysis import compare
from flowkit.analysis.uncertainty import History
from flowkit.corrections import correct
from flowkit.job import Job
from flowkit.job.job import contents_of
from flowkit.model import (
    AirState,
    Bench,
    Conditions,
    FlowTest,
    JobInfo,
    Point,
    Reference,
    Side,
    Units,
    UnitSource,
    ValveGeometry,
    Variant,
)
from flowkit.reports.contents import ReportContents, SourceFile
from flowkit.samples import sample_job
from flowkit.units import to_si

INTAKE = ValveGeometry(head_m=0.038, stem_m=0.008, throat_m=0.033, seat_angle_deg=45, seat_width_m=0.0016)
EXHAUST = ValveGeometry(head_m=0.033, stem_m=0.008, throat_m=0.0285, seat_angle_deg=30, seat_width_m=0.002)


@cache
def sample() -> ReportContents:
    """The sample job, without its engine."""
    job = replace(Job.load(sample_job()), engine=None)
    return contents_of(job, job.run())


def run(
    variants: Sequence[Variant],
    reference: Reference,
    bench: Bench,
    *,
    display: str = "US",
    area_method: str = "pchip",
    off: Sequence[str] = (),
    records: Bench | None = None,
    history: History | None = None,
) -> ReportContents:
    """Correct and compare, by the bench as its records have it where given, and gather what the reports show."""
    corrected, findings = [], []
    for variant in variants:
        result = correct(variant.tests, reference, bench, valves=variant.valves, off=off)
        findings += result.findings
        corrected.append(Variant(variant.name, corrected=result.tests, state=variant.state, valves=variant.valves))
    comparison = compare(
        corrected, reference, records or bench, area_method=area_method, findings=findings, history=history
    )
    return ReportContents(
        info=JobInfo(title="Invented", display=display, date="2026-05-01"),
        reference=reference,
        bench=bench,
        variants=tuple(variants),
        comparison=comparison,
        engine=None,
        sources=(SourceFile("a.csv", "0" * 64),),
        findings=comparison.findings,
    )


def flow_test(
    variant: str,
    side: Side,
    port: str,
    readings: Mapping[float, float] | Sequence[tuple[float, float]],
    *,
    run: int = 1,
    units: tuple[str, str, str] = ("mm", "CFM", "inH2O"),
    factor: Callable[[float], float] | float | None = None,
    pressures: Sequence[float] | None = None,
    **conditions: float | str | None,
) -> FlowTest:
    """A test as read: lifts and flows in the units given."""
    items = list(readings.items()) if isinstance(readings, Mapping) else list(readings)
    known = Conditions(**conditions)
    test_id = f"{variant}!{side} {port} run {run}"
    lift_factor = known.valve_diameter_m if units[0] == "L/D" else None
    points = tuple(
        Point(
            lift * lift_factor if lift_factor else to_si(lift, units[0]),
            flow * factor if isinstance(factor, float) else to_si(flow, units[1]),
            to_si(pressures[place], units[2]) if pressures else None,
            f"{test_id}!B{place + 2}",
        )
        for place, (lift, flow) in enumerate(items)
    )
    stated = [UnitSource(name, "stated") for name in units]
    return FlowTest(test_id, "a.csv", None, "head", variant, side, port, run, known, Units(*stated), points)


def curve(scale: float, lifts: Sequence[float], *, stall: float = 0.0) -> dict[float, float]:
    """An invented curve: rising, levelling off, and falling at the end where it stalls."""
    top = max(lifts)
    return {lift: round(scale * math.tanh(1.9 * lift / top) - (stall if lift == top else 0.0), 1) for lift in lifts}


@cache
def awkward(*, display: str = "US", area_method: str = "trapezoid") -> ReportContents:
    """Compressible law, air as metered, own units and pressures, gaps, unlike lifts and ports, points left out."""
    pressure = to_si(10, "inH2O")
    air = {"air_temperature_k": 296.0, "barometer_pa": 98_700.0, "relative_humidity": 0.4}
    meter = {"meter_temperature_k": 301.0, "meter_pressure_pa": 96_000.0}
    room = density(AirState(296.0, 98_700.0, 0.4))
    plate = {"check_reading_m3_s": to_si(60.5, "CFM"), "check_nominal_m3_s": to_si(100.0, "CFM")}
    plate["check_pressure_pa"] = to_si(28, "inH2O")
    leak = {"leak_m3_s": to_si(0.4, "CFM"), "leak_pressure_pa": to_si(25, "inH2O")}
    everything = {**air, **meter, **plate, **leak, "test_pressure_pa": pressure, "valve_diameter_m": 0.038}
    first = (
        flow_test("first", "intake", "1", curve(66, (1.5, 3, 5, 7, 9), stall=2.0), run=1, **everything),
        flow_test("first", "intake", "1", curve(66.6, (1.5, 3, 5, 7, 9)), run=2, **everything),
        flow_test("first", "intake", "2", [(2, 21.0), (2, 21.2), (4, 41.0), (8, 62.0)], **everything),
        flow_test("first", "exhaust", "1", curve(110, (0.05, 0.15, 0.25, 0.35)), units=("L/D", "kg/h", "mmH2O"),
                  factor=1 / 3600 / room, **{**air, **meter, "valve_diameter_m": 0.033, "test_pressure_pa": 3000.0}),
    )  # fmt: skip
    second = (
        flow_test("second", "intake", "1", curve(2.4, (0.08, 0.16, 0.24, 0.32, 0.36)), units=("in", "m³/min", "kPa"),
                  pressures=(2.4, 2.45, 2.5, 2.5, 2.6), **{**air, **meter, **leak}),
        flow_test("second", "intake", "3", {2: 0.2, 4: 47.0, 6: 57.0, 8.5: 66.0}, **everything),
        flow_test("second", "exhaust", "1", {2: 31.0, 9: 60.0}, **{**air, **meter, "test_pressure_pa": pressure}),
    )  # fmt: skip
    valves = {"intake": INTAKE, "exhaust": EXHAUST}
    slim = {"intake": replace(INTAKE, stem_m=0.007), "exhaust": EXHAUST}
    state = {"intake": {"valves": "standard", "ports": "cast"}}
    changed = {"intake": {"valves": "slim", "ports": "cast"}}
    return run(
        (Variant("first", first, state=state, valves=valves), Variant("=second", second, state=changed, valves=slim)),
        Reference(pressure_law="compressible", air=AirState(288.15, 101_325.0, 0.2)),
        Bench(air="metered", standard_air=AirState(288.15, 101_325.0, 0.0), repeatability=0.004),
        display=display,
        area_method=area_method,
    )


def plain_job(
    *,
    flows: Mapping[float, float] | None = None,
    actual: bool = False,
    off: Sequence[str] = (),
    area_method: str = "pchip",
    law: str = "square-root",
) -> ReportContents:
    """Two ports, two variants, three lifts; the first port of the second variant may be given."""
    air = {"air_temperature_k": 294.0, "barometer_pa": 100_000.0, "relative_humidity": 0.5} if actual else {}
    one = {2.0: 30.0, 5.0: 60.0, 8.0: 70.0}
    where = {"test_pressure_pa": to_si(10, "inH2O"), "leak_m3_s": to_si(0.5, "CFM"), **air}
    tests = [
        flow_test("a", "intake", "1", one, **where),
        flow_test("a", "intake", "2", {2.0: 31.0, 5.0: 61.0, 8.0: 71.0}, **where),
        flow_test("b", "intake", "1", flows or {2.0: 33.0, 5.0: 65.0, 8.0: 74.0}, **where),
        flow_test("b", "intake", "2", {2.0: 33.5, 5.0: 64.0, 8.0: 75.0}, **where),
    ]
    variants = tuple(Variant(name, tuple(test for test in tests if test.variant == name)) for name in ("a", "b"))
    bench = Bench(air="actual" if actual else "as stated")
    return run(variants, Reference(pressure_law=law), bench, off=off, area_method=area_method)


@cache
def factorial(*, display: str = "metric", area_method: str = "pchip") -> ReportContents:
    """Two factors at two levels with known effects, then larger valves; both sides, a port's cross-section known.

    The corners flow 1, 1.10, 1.05 and 1.10·1.05·1.02 times the first, the larger valves 1.20 times, at every lift.
    """
    corners = (("as cast", "worn", 1.0), ("blended", "worn", 1.10), ("as cast", "recut", 1.05))
    corners = (*corners, ("blended", "recut", 1.10 * 1.05 * 1.02))
    names = ("none", "ports", "seats", "both", "larger")
    lifts = (1.0, 2.0, 4.0, 6.0, 8.0, 10.0)
    known = replace(INTAKE, port_area_m2=760e-6)
    larger = replace(known, head_m=0.040, throat_m=0.035)
    variants = []
    for name, (ports, seats, scale) in zip(names, (*corners, ("blended", "recut", 1.2)), strict=True):
        tests = tuple(
            flow_test(
                name,
                side,
                port,
                {lift: scale * size * math.tanh(lift / 6.0) for lift in lifts},
                test_pressure_pa=6974.0,
            )
            for side, size in (("intake", 90.0), ("exhaust", 63.0))
            for port in ("1", "2")
        )
        state = {"ports": ports, "seats": seats, "valves": "larger" if name == "larger" else "standard"}
        valves = {"intake": larger if name == "larger" else known, "exhaust": EXHAUST}
        variants.append(Variant(name, tests, state={"intake": state, "exhaust": state}, valves=valves))
    bench = Bench(repeatability=0.003)
    return run(tuple(variants), Reference(), bench, display=display, area_method=area_method)


@cache
def sessions(kind: str) -> ReportContents:
    """Invented states: ports as blocks, plates read twice a session, everything stated, a side untouched, records."""
    days = {"a": "2026-03-01", "b": "2026-03-22"}
    runs = {"blocks": 1, "stated": 1, "one repeat": 1}.get(kind, 2)
    lifts = (1.0, 2.0, 3.5, 5.0, 7.0, 9.0)
    tests, number = [], 0
    for name, gain in (("a", 1.0), ("b", 1.05)):
        for side, size in (("intake", 90.0), ("exhaust", 66.0)):
            for port in "1234":
                more = kind == "one repeat" and (name, side, port) == ("a", "intake", "2")
                for nth in range(1, runs + 1 + more):
                    number += 1
                    scale = size * (gain if side == "intake" else 1.002) * (1 + 0.004 * math.sin(7.3 * number))
                    flows = {
                        lift: round(scale * math.tanh(lift / 5) * (1 + 0.003 * math.sin(2.1 * number * lift)), 2)
                        for lift in lifts
                    }
                    where = {"test_pressure_pa": to_si(26 if name == "a" else 28, "inH2O"), "bench": "A"}
                    where["date"] = days[name] if kind not in ("blocks", "one repeat") else days["a"]
                    if kind == "plates":
                        where["check_nominal_m3_s"] = to_si(100, "CFM")
                        where["check_reading_m3_s"] = to_si(99.5 + 0.2 * nth + (0.4 if name == "b" else 0.0), "CFM")
                    tests.append(flow_test(name, side, port, flows, run=nth, **where))
    bench = Bench(repeatability=0.004, drift=0.003, lift_setting_m=2e-5, pressure_reading_pa=30.0)
    state = {name: {"intake": {"ports": name}, "exhaust": {"ports": "cast"}} for name in "ab"}
    made = [Variant(name, tuple(t for t in tests if t.variant == name), state=state[name]) for name in "ab"]
    if kind == "records, one state":
        return run(made[:1], Reference(), Bench(), history=History(0.002, 24.0))
    if kind == "records":
        return run(made, Reference(), Bench(), records=Bench(drift=0.003))
    return run(made, Reference(), bench if kind == "stated" else Bench())
