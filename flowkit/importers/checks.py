"""What the readings alone show to be doubtful, with no correction made."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Final

from flowkit.importers.curve_checks import MICRON, check_curve, check_lifts, clean_at_a_glance
from flowkit.importers.words.items import BY_HAND, STATE_RIGHT
from flowkit.model import Conditions, Finding, FlowTest, Point, Severity, UnitSource
from flowkit.units import format_quantity, from_si, to_si
from flowkit.wording import flow_as_read, lift_as_read

LOWEST_PA, HIGHEST_PA = 50_000.0, 110_000.0

_DECIMALS = 3  # of a figure as people write it
USUAL_PA = (85_000.0, 108_500.0)
USUAL_RATIO = (1.3, 5.0)  # Bore over valve head where both are written in the right unit
_PRESSURES: Final = ("hPa", "inHg", "mmHg", "kPa", "Pa")
_WRITTEN: Final = ("mm", "in")
_LENGTHS: Final = (*_WRITTEN, "cm")


def unlikely_barometer(at: Conditions) -> tuple[str, str] | None:
    """Say that a barometer is outside what occurs on earth; None where it is not."""
    value = at.barometer_pa
    if value is None or LOWEST_PA <= value <= HIGHEST_PA:
        return None
    what = f"the barometer is stated as {_figure(value, 'hPa')} hPa, but a barometer reads between 500 and 1100 hPa"
    return what, _meant(value, _PRESSURES, _PRESSURES, lambda pressure: USUAL_PA[0] <= pressure <= USUAL_PA[1])


def unlikely_bore(at: Conditions) -> tuple[str, str] | None:
    """Say that a fixture bore is no larger than the valve in it; None where it is, or one is not known."""
    bore, valve = at.fixture_bore_m, at.valve_diameter_m
    if bore is None or valve is None or bore > valve:
        return None
    what = (
        f"the fixture bore of {_figure(bore, 'mm')} mm is not larger than the valve head of {_figure(valve, 'mm')} mm"
    )
    low, high = USUAL_RATIO
    remedy = _meant(bore, _WRITTEN, _LENGTHS, lambda meant: low * valve <= meant <= min(high * valve, 0.2))
    if remedy == _CORRECT:
        remedy = _meant(valve, _WRITTEN, _LENGTHS, lambda meant: low * meant <= bore <= high * meant)
    return what, remedy


_CORRECT = f"if it is wrong, {STATE_RIGHT}"


def _meant(value: float, writable: Sequence[str], units: Sequence[str], usual: Callable[[float], bool]) -> str:
    """Say which unit may have been meant: the figure as it would be written in one, read in another."""
    found = []
    for written in writable:
        number = from_si(value, written)
        if abs(number - round(number, _DECIMALS)) > 1e-6 * number:
            continue  # nobody wrote it like that
        found += [f"{number:.6g} {unit}" for unit in units if unit != written and usual(to_si(number, unit))]
    meant = " or ".join(dict.fromkeys(found))
    return f"if {meant} was meant, {STATE_RIGHT}" if found else _CORRECT


def _figure(value: float, unit: str) -> str:
    """A value in a unit, without needless digits."""
    return f"{from_si(value, unit):.6g}"


LEAK_LARGE = 0.02
WATER_28_IN_PA = 6974.489  # where no pressure is stated: what benches of cylinder heads use most
SEA_LEVEL = 1.2  # kg/m³
LARGEST_HEAD = 0.2  # m; of the largest engines with two valves a cylinder (common practice, no source)
LEAST_SHARE = 0.1  # of what a 4 mm valve 1 mm open would pass without a loss
CHECK_WARNING = 0.03
CHECK_ERROR = 0.10
PRESSURE_MIXED = 0.05
_COLUMNS = attrgetter("lift_m", "flow_m3_s", "pressure_pa")
_ROUNDING = 1e-9  # 61.8 over 60 is 3 %, not more, whatever the last bit says


def check_tests(tests: Sequence[FlowTest]) -> tuple[Finding, ...]:
    """Look over tests as they were read."""
    findings: list[Finding] = []
    together = _Together()
    usual: set[int] = set()  # conditions, shared by the tests of a sheet, in which every size occurs
    for test in tests:
        if not test.points:
            continue
        lifts, flows, pressures = zip(*map(_COLUMNS, test.points), strict=True)
        _check_pressure(test, pressures, findings, together)
        if not test.gives_flows:
            findings += check_lifts(test)[0]  # what the meter showed is judged once it is a flow
            continue
        if not clean_at_a_glance(lifts, _at_one_pressure(test, flows, pressures)):
            for point in test.points:
                if point.flow_m3_s < 0:
                    what = f"{flow_as_read(test, point.flow_m3_s)}, below zero; {BY_HAND}"
                    text = f"the flow at lift {lift_as_read(test, point.lift_m)} is {what}"
                    findings.append(Finding("flow-negative", "error", point.source, text))
            lift_findings, misplaced = check_lifts(test)
            findings += lift_findings
            findings += check_curve(test, without=misplaced)
        _check_amount(test, lifts, flows, findings)
        _check_leak(test, together)
        _check_plate(test, together)
        if id(test.conditions) not in usual and not _check_sizes(test, together):
            usual.add(id(test.conditions))
    findings += _copies(tests)
    return tuple(findings + together.findings())


def check_measured(test: FlowTest) -> tuple[Finding, ...]:
    """Look over flows that a meter's readings gave, as those of a sheet are looked over."""
    units = dataclasses.replace(test.units, flow=UnitSource("CFM", "stated"))
    test = dataclasses.replace(test, units=units)
    together = _Together()
    _check_leak(test, together)
    _, misplaced = check_lifts(test)
    return (*check_curve(test, without=misplaced), *together.findings())


LEAST_COPY = 3  # points of a test that are not the same by chance


def _as_read(point: Point) -> object:
    """The flow of a point, or what a meter showed where no flow is given."""
    return point.reading.value if point.reading and math.isnan(point.flow_m3_s) else point.flow_m3_s


def _copies(tests: Sequence[FlowTest]) -> list[Finding]:
    """Report tests with the same readings: one sheet copied, which is no repeated run."""
    if len({(test.file, test.sheet) for test in tests}) < 2:
        return []
    seen: dict[tuple[object, ...], FlowTest] = {}
    pairs: dict[tuple[str | None, str | None], tuple[FlowTest, FlowTest, int]] = {}
    for test in tests:
        if len(test.points) < LEAST_COPY:
            continue
        key = (test.side, tuple((point.lift_m, _as_read(point)) for point in test.points))
        first = seen.setdefault(key, test)
        if first is not test and first.file == test.file and first.sheet != test.sheet:
            where = (first.sheet or first.file, test.sheet or test.file)
            known = pairs.get(where)
            pairs[where] = (known[0], known[1], known[2] + 1) if known else (first, test, 1)
    found = []
    for first, test, count in pairs.values():
        others = f" (and {count - 1} more)" if count > 1 else ""
        text = (
            f"this test has the same readings as {first.id}{others}: a copied sheet is not a repeated run; "
            "leave the copy out, or say in the job that it was flowed again"
        )
        found.append(Finding("identical-readings", "warning", test.id, text))
    return found


def _at_one_pressure(test: FlowTest, flows: tuple[float, ...], own: tuple[float | None, ...]) -> tuple[float, ...]:
    """Bring flows to the pressure of the first by the square-root law, where points have their own."""
    if len(set(own)) == 1:
        return flows
    pressures = [test.conditions.test_pressure_pa if pressure is None else pressure for pressure in own]
    first = pressures[0]
    return tuple(
        flow * math.sqrt(first / pressure) if first and pressure and pressure > 0 < first else flow
        for flow, pressure in zip(flows, pressures, strict=True)
    )


@dataclass(slots=True)
class _Case:
    """One doubt that several tests of a sheet may share."""

    rule: str
    severity: Severity
    size: float
    tests: list[FlowTest]
    message: Callable[[str], str]


@dataclass(slots=True)
class _Together:
    """Doubts gathered over the tests of a sheet, so that each is said once."""

    cases: dict[tuple[object, ...], _Case] = field(default_factory=dict)

    def add(self, key: tuple[object, ...], case: _Case) -> None:
        """Add a test's doubt; of one key the largest is kept."""
        known = self.cases.setdefault(key, case)
        if known is not case:
            if case.size > known.size:
                known.size, known.message = case.size, case.message
                known.tests.insert(0, case.tests[0])
            else:
                known.tests.append(case.tests[0])

    def findings(self) -> list[Finding]:
        """Return one finding for each doubt."""
        return [
            Finding(case.rule, case.severity, case.tests[0].id, case.message(_others(len(case.tests) - 1)))
            for case in self.cases.values()
        ]


def _others(count: int) -> str:
    """Say how many more tests of the sheet are meant."""
    if count == 0:
        return ""
    return " (and in one more test of this sheet)" if count == 1 else f" (and in {count} more tests of this sheet)"


def _check_pressure(test: FlowTest, own: Sequence[float | None], findings: list[Finding], together: _Together) -> None:
    """Report points with no test pressure, and tests at several."""
    stated = test.conditions.test_pressure_pa
    given = [pressure for pressure in own if pressure is not None]
    low, high = TEST_PRESSURES
    doubt = None
    if not given and stated is None:
        doubt = "missing"
    elif not given:
        doubt = None if low <= (stated or 0.0) <= high else "zero" if (stated or 0.0) <= 0 else "odd"
    elif max(given) > high or 0 < min(given) < low:
        doubt = "odd"
    if doubt:
        rule = "pressure-missing" if doubt == "missing" else "pressure-impossible"
        case = _Case(rule, "error", 0.0, [test], _PRESSURE_DOUBTS[doubt].format)
        together.add((rule, test.file, test.sheet), case)
    if doubt or not given or (len(given) == len(own) and 0 < max(given) <= (1 + PRESSURE_MIXED) * min(given)):
        return
    for point in test.points:
        if point.pressure_pa == 0:
            text = f"the test pressure at lift {lift_as_read(test, point.lift_m)} is zero; {BY_HAND}"
            findings.append(Finding("pressure-impossible", "error", point.source, text))
        if stated is None and point.pressure_pa is None:
            text = (
                f"the point at lift {lift_as_read(test, point.lift_m)} has no test pressure while others have; set "
                "the cell in the job file (values), or state the test pressure of all, such as --test-pressure "
                '"28 inH2O"'
            )
            findings.append(Finding("pressure-missing", "error", point.source, text))
    pressures = [(pressure, point) for point in test.points if (pressure := test.pressure_at(point))]
    if not pressures:
        return
    lowest, highest = min(pressures, key=lambda item: item[0]), max(pressures, key=lambda item: item[0])
    if highest[0] > (1 + PRESSURE_MIXED) * lowest[0]:
        unit = test.units.pressure.unit if test.units.pressure else "Pa"
        odd = lowest if _alone(lowest[0], pressures) <= _alone(highest[0], pressures) else highest
        text = (
            f"this test was taken at different test pressures, {format_quantity(lowest[0], unit)} to "
            f"{format_quantity(highest[0], unit)}; each point is brought to the reference from its own, so make sure "
            "that none is mistyped"
        )
        findings.append(Finding("pressure-mixed", "warning", odd[1].source, text))


def _alone(pressure: float, pressures: Sequence[tuple[float, object]]) -> int:
    """Count the points at about this pressure."""
    return sum(1 for other, _ in pressures if abs(other / pressure - 1) <= PRESSURE_MIXED)


TEST_PRESSURES = (50.0, 60_000.0)
"""Pa. No port is flowed at less or more (common practice, no source): below, nothing can be read; above, air chokes."""

_PRESSURE_DOUBTS = {
    "missing": 'no test pressure is stated for this test{}; state it, such as --test-pressure "28 inH2O", or under '
    "conditions in the job file",
    "odd": "the test pressure stated for this test{} is outside what flow benches use (50 Pa to 60 kPa); if its unit "
    f"is wrong, {STATE_RIGHT}",
    "zero": f"the test pressure stated for this test{{}} is zero, at which nothing flows; {STATE_RIGHT}",
}


def _check_amount(test: FlowTest, lifts: Sequence[float], flows: Sequence[float], findings: list[Finding]) -> None:
    """Ask about flows that no valve passes, whatever its size: their unit or decimal mark is wrong."""
    lift, flow = max(lifts), sorted(flows)[(len(flows) - 1) // 2]  # one figure alone is a slip of the pen
    at = test.points[flows.index(flow)]
    pressure = test.pressure_at(at) or WATER_28_IN_PA
    if flow <= 0 or lift <= MICRON or pressure <= 0:
        return
    speed = math.sqrt(2.0 * pressure / SEA_LEVEL)
    low, high = (math.pi * head * min(lift, most) * speed for head, most in ((0.004, 0.001), (LARGEST_HEAD, lift)))
    if LEAST_SHARE * low <= flow <= high:
        return
    most = "more than any valve passes" if flow > high else "less than any valve passes"
    what = (
        f"a flow of {flow_as_read(test, flow)} at {lift_as_read(test, at.lift_m)} of lift is {most}, so its unit or "
        f"its decimal mark is not what it seems; {BY_HAND}"
    )
    findings.append(Finding("sheet-ambiguous", "error", at.source, what))


def _check_leak(test: FlowTest, together: _Together) -> None:
    """Report a leak that is large beside the flow at the lowest lift."""
    leak = test.conditions.leak_m3_s
    points = [point for point in test.points if point.lift_m > MICRON and point.flow_m3_s > 0]
    if not leak or leak <= 0 or not points:
        return
    lowest = min(points, key=lambda point: point.lift_m)
    pressure, leak_pressure = test.pressure_at(lowest), test.conditions.leak_pressure_pa
    if leak_pressure and pressure and leak_pressure > 0 and pressure > 0:
        leak *= math.sqrt(pressure / leak_pressure)
    share = leak / lowest.flow_m3_s
    if share <= LEAK_LARGE * (1 + _ROUNDING):
        return
    start = (
        f"the leak of {flow_as_read(test, leak)} is {100 * share:.1f} % of the flow at the lowest lift, "
        f"{lift_as_read(test, lowest.lift_m)}"
    )
    end = "; above 2 % the flows at low lift depend on how well it is known: seal the fixture, or measure it again"
    case = _Case("leak-large", "warning", share, [test], lambda others: start + others + end)
    together.add(("leak-large", test.file, test.sheet, test.conditions.leak_m3_s), case)


def _check_plate(test: FlowTest, together: _Together) -> None:
    """Report a check plate that reads off its nominal flow."""
    at = test.conditions
    if not at.check_reading_m3_s or not at.check_nominal_m3_s:
        return
    ratio = at.check_reading_m3_s / at.check_nominal_m3_s
    brought = ""
    read_at = at.check_reading_pressure_pa or at.test_pressure_pa
    if at.check_pressure_pa and at.check_pressure_pa != read_at:
        if not read_at:
            return  # read at an unknown pressure, it cannot be compared
        ratio *= math.sqrt(at.check_pressure_pa / read_at)
        unit = test.units.pressure.unit if test.units.pressure else "Pa"
        brought = (
            f", once brought from {format_quantity(read_at, unit)} to {format_quantity(at.check_pressure_pa, unit)}"
        )
    off = abs(ratio - 1)
    if off <= CHECK_WARNING + _ROUNDING:
        return
    severe = off > CHECK_ERROR + _ROUNDING
    way = "high" if ratio > 1 else "low"
    start = (
        f"the check plate reads {flow_as_read(test, at.check_reading_m3_s)} where "
        f"{flow_as_read(test, at.check_nominal_m3_s)} is nominal, {100 * off:.1f} % {way}{brought}"
    )
    end = "; above 10 % nothing is corrected by it: find out what is wrong with the bench" if severe else ""
    end = end or "; flows are corrected by it, but a bench that drifts by more than 3 % needs attention"
    case = _Case("check-off", "error" if severe else "warning", off, [test], lambda others: start + others + end)
    key = ("check-off", test.file, test.sheet, at.check_reading_m3_s, at.check_nominal_m3_s, at.check_pressure_pa)
    together.add(key, case)


def _check_sizes(test: FlowTest, together: _Together) -> bool:
    """Report stated conditions of a size that does not occur; return whether there are any."""
    found = [said for said in (unlikely_barometer(test.conditions), unlikely_bore(test.conditions)) if said is not None]
    for said in found:
        what, remedy = (part.replace("{", "{{").replace("}", "}}") for part in said)
        case = _Case("condition-unlikely", "warning", 0.0, [test], f"{what}{{}}; {remedy}".format)
        together.add(("condition-unlikely", test.file, test.sheet, said), case)
    return bool(found)
