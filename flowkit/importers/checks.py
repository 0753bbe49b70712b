"""What the readings alone show to be doubtful, with no correction made."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence

from flowkit.importers.curve_checks import MICRON, at_one_pressure, check_curve, check_lifts, clean_at_a_glance
from flowkit.importers.words.items import BY_HAND, STATE_RIGHT
from flowkit.model import Conditions, Finding, FlowTest, Point, Severity, UnitSource
from flowkit.units import format_quantity, from_si, to_si
from flowkit.wording import flow_as_read, lift_as_read

WATER_28_IN_PA = 6974.489  # where no pressure is stated: what benches of cylinder heads use most
SEA_LEVEL = 1.2  # kg/m³
LARGEST_HEAD = 0.2  # m; of the largest engines with two valves a cylinder (common practice, no source)
LEAST_SHARE = 0.1  # of what a 4 mm valve 1 mm open would pass without a loss
LEAK_LARGE = 0.02
CHECK_WARNING = 0.03
CHECK_ERROR = 0.10
PRESSURE_MIXED = 0.05
LEAST_COPY = 3  # points of a test that are not the same by chance
_ROUNDING = 1e-9  # 61.8 over 60 is 3 %, not more, whatever the last bit says

TEST_PRESSURES = (50.0, 60_000.0)
"""Pa. No port is flowed at less or more (common practice, no source): below, nothing can be read; above, air chokes."""


class _Shared:
    """Doubts that several tests of a sheet may share, so that each is said once."""

    def __init__(self) -> None:
        self.cases: dict[tuple[object, ...], list[tuple[float, Finding, str]]] = {}

    def doubt(
        self, rule: str, severity: Severity, test: FlowTest, words: tuple[str, str], *about: object, size: float = 0.0
    ) -> None:
        """Add a test's doubt; tests share it that are of one sheet and `about` the same. `words` are put together."""
        key = (rule, test.file, test.sheet, *about)
        self.cases.setdefault(key, []).append((size, Finding(rule, severity, test.id, words[0]), words[1]))

    def findings(self) -> list[Finding]:
        """One finding for each doubt, with the largest of them."""
        found = []
        for cases in self.cases.values():
            _, largest, end = max(cases, key=lambda case: case[0])
            more = f"{len(cases) - 1} more tests" if len(cases) > 2 else "one more test"
            others = f" (and in {more} of this sheet)" if len(cases) > 1 else ""
            found.append(dataclasses.replace(largest, message=largest.message + others + end))
        return found


def check_tests(tests: Sequence[FlowTest]) -> tuple[Finding, ...]:
    """Look over tests as they were read."""
    findings: list[Finding] = []
    shared = _Shared()
    usual: set[int] = set()  # conditions, shared by the tests of a sheet, in which every size occurs
    for test in tests:
        if not test.points:
            continue
        findings += _check_pressure(test, shared)
        if not test.gives_flows:
            findings += check_lifts(test)[0]  # what the meter showed is judged once it is a flow
            continue
        if not clean_at_a_glance(tuple(point.lift_m for point in test.points), at_one_pressure(test, test.points)):
            for point in test.points:
                if point.flow_m3_s < 0:
                    what = f"{flow_as_read(test, point.flow_m3_s)}, below zero; {BY_HAND}"
                    text = f"the flow at lift {lift_as_read(test, point.lift_m)} is {what}"
                    findings.append(Finding("flow-negative", "error", point.source, text))
            lift_findings, misplaced = check_lifts(test)
            findings += lift_findings
            findings += check_curve(test, without=misplaced)
        findings += _check_amount(test)
        _check_leak(test, shared)
        _check_plate(test, shared)
        if id(test.conditions) not in usual:
            unlikely = _unlikely_sizes(test.conditions)
            for said in unlikely:
                shared.doubt("condition-unlikely", "warning", test, said, said)
            if not unlikely:
                usual.add(id(test.conditions))
    return (*findings, *_copies(tests), *shared.findings())


def check_measured(test: FlowTest) -> tuple[Finding, ...]:
    """Look over flows that a meter's readings gave, as those of a sheet are looked over."""
    test = dataclasses.replace(test, units=dataclasses.replace(test.units, flow=UnitSource("CFM", "stated")))
    shared = _Shared()
    _check_leak(test, shared)
    return (*check_curve(test, without=check_lifts(test)[1]), *shared.findings())


def _copies(tests: Sequence[FlowTest]) -> list[Finding]:
    """Report tests with the same readings: one sheet copied, which is no repeated run."""
    if len({(test.file, test.sheet) for test in tests}) < 2:
        return []

    def as_read(point: Point) -> object:
        """The flow of a point, or what a meter showed where no flow is given."""
        return point.reading.value if point.reading and math.isnan(point.flow_m3_s) else point.flow_m3_s

    seen: dict[tuple[object, ...], FlowTest] = {}
    pairs: dict[tuple[str | None, str | None], list[tuple[FlowTest, FlowTest]]] = {}
    for test in tests:
        if len(test.points) >= LEAST_COPY:
            key = (test.side, tuple((point.lift_m, as_read(point)) for point in test.points))
            first = seen.setdefault(key, test)
            if first is not test and first.file == test.file and first.sheet != test.sheet:
                pairs.setdefault((first.sheet, test.sheet), []).append((first, test))
    found = []
    for (first, test), *more in pairs.values():
        others = f" (and {len(more)} more)" if more else ""
        text = (
            f"this test has the same readings as {first.id}{others}: a copied sheet is not a repeated run; "
            "leave the copy out, or say in the job that it was flowed again"
        )
        found.append(Finding("identical-readings", "warning", test.id, text))
    return found


_PRESSURE_DOUBTS = {
    "missing": (
        "no test pressure is stated for this test",
        '; state it, such as --test-pressure "28 inH2O", or under conditions in the job file',
    ),
    "odd": (
        "the test pressure stated for this test",
        f" is outside what flow benches use (50 Pa to 60 kPa); if its unit is wrong, {STATE_RIGHT}",
    ),
    "zero": ("the test pressure stated for this test", f" is zero, at which nothing flows; {STATE_RIGHT}"),
}


def _check_pressure(test: FlowTest, shared: _Shared) -> list[Finding]:
    """Report points with no test pressure, and tests at several."""
    stated = test.conditions.test_pressure_pa
    own = [point.pressure_pa for point in test.points]
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
        words = _PRESSURE_DOUBTS[doubt]
        shared.doubt("pressure-missing" if doubt == "missing" else "pressure-impossible", "error", test, words)
    if doubt or not given or (len(given) == len(own) and 0 < max(given) <= (1 + PRESSURE_MIXED) * min(given)):
        return []
    findings = []
    for point in test.points:
        at_lift = f"lift {lift_as_read(test, point.lift_m)}"
        if point.pressure_pa == 0:
            text = f"the test pressure at {at_lift} is zero; {BY_HAND}"
            findings.append(Finding("pressure-impossible", "error", point.source, text))
        if stated is None and point.pressure_pa is None:
            text = (
                f"the point at {at_lift} has no test pressure while others have; set the cell in the job file "
                '(values), or state the test pressure of all, such as --test-pressure "28 inH2O"'
            )
            findings.append(Finding("pressure-missing", "error", point.source, text))
    pressures = [(pressure, point.source) for point in test.points if (pressure := test.pressure_at(point))]
    ordered = sorted(pressures, key=lambda item: item[0]) or [(0.0, "")]
    lowest, highest = ordered[0], next(item for item in ordered if item[0] == ordered[-1][0])
    if highest[0] > (1 + PRESSURE_MIXED) * lowest[0]:
        unit = test.units.pressure.unit if test.units.pressure else "Pa"
        alike = [
            sum(abs(other / pressure - 1) <= PRESSURE_MIXED for other, _ in pressures)
            for pressure, _ in (lowest, highest)
        ]
        text = (
            f"this test was taken at different test pressures, {format_quantity(lowest[0], unit)} to "
            f"{format_quantity(highest[0], unit)}; each point is brought to the reference from its own, so make sure "
            "that none is mistyped"
        )
        findings.append(Finding("pressure-mixed", "warning", (lowest if alike[0] <= alike[1] else highest)[1], text))
    return findings


def _check_amount(test: FlowTest) -> list[Finding]:
    """Ask about flows that no valve passes, whatever its size: their unit or decimal mark is wrong."""
    lift = max(point.lift_m for point in test.points)
    flows = [point.flow_m3_s for point in test.points]
    flow = sorted(flows)[(len(flows) - 1) // 2]  # one figure alone is a slip of the pen
    at = test.points[flows.index(flow)]
    pressure = test.pressure_at(at) or WATER_28_IN_PA
    if flow <= 0 or lift <= MICRON or pressure <= 0:
        return []
    speed = math.sqrt(2.0 * pressure / SEA_LEVEL)
    low, high = (math.pi * head * min(lift, most) * speed for head, most in ((0.004, 0.001), (LARGEST_HEAD, lift)))
    if LEAST_SHARE * low <= flow <= high:
        return []
    text = (
        f"a flow of {flow_as_read(test, flow)} at {lift_as_read(test, at.lift_m)} of lift is "
        f"{'more' if flow > high else 'less'} than any valve passes, so its unit or its decimal mark is not what it "
        f"seems; {BY_HAND}"
    )
    return [Finding("sheet-ambiguous", "error", at.source, text)]


def _check_leak(test: FlowTest, shared: _Shared) -> None:
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
    if share > LEAK_LARGE * (1 + _ROUNDING):
        start = (
            f"the leak of {flow_as_read(test, leak)} is {100 * share:.1f} % of the flow at the lowest lift, "
            f"{lift_as_read(test, lowest.lift_m)}"
        )
        end = "; above 2 % the flows at low lift depend on how well it is known: seal the fixture, or measure it again"
        shared.doubt("leak-large", "warning", test, (start, end), test.conditions.leak_m3_s, size=share)


def _check_plate(test: FlowTest, shared: _Shared) -> None:
    """Report a check plate that reads off its nominal flow."""
    at = test.conditions
    if not at.check_reading_m3_s or not at.check_nominal_m3_s:
        return
    ratio, brought = at.check_reading_m3_s / at.check_nominal_m3_s, ""
    read_at = at.check_reading_pressure_pa or at.test_pressure_pa
    if at.check_pressure_pa and at.check_pressure_pa != read_at:
        if not read_at:
            return  # read at an unknown pressure, it cannot be compared
        ratio *= math.sqrt(at.check_pressure_pa / read_at)
        unit = test.units.pressure.unit if test.units.pressure else "Pa"
        pressures = f"{format_quantity(read_at, unit)} to {format_quantity(at.check_pressure_pa, unit)}"
        brought = f", once brought from {pressures}"
    off = abs(ratio - 1)
    if off <= CHECK_WARNING + _ROUNDING:
        return
    start = (
        f"the check plate reads {flow_as_read(test, at.check_reading_m3_s)} where "
        f"{flow_as_read(test, at.check_nominal_m3_s)} is nominal, {100 * off:.1f} % {'high' if ratio > 1 else 'low'}"
        f"{brought}"
    )
    severe = off > CHECK_ERROR + _ROUNDING
    end = "; above 10 % nothing is corrected by it: find out what is wrong with the bench" if severe else ""
    end = end or "; flows are corrected by it, but a bench that drifts by more than 3 % needs attention"
    of = (at.check_reading_m3_s, at.check_nominal_m3_s, at.check_pressure_pa)
    shared.doubt("check-off", "error" if severe else "warning", test, (start, end), of, size=off)


# --- stated conditions of a size that does not occur -------------------------------------------------

LOWEST_PA, HIGHEST_PA = 50_000.0, 110_000.0
USUAL_PA = (85_000.0, 108_500.0)
USUAL_RATIO = (1.3, 5.0)  # Bore over valve head where both are written in the right unit
_DECIMALS = 3  # of a figure as people write it
_PRESSURES = ("hPa", "inHg", "mmHg", "kPa", "Pa")
_LENGTHS = ("mm", "in", "cm")


def _unlikely_sizes(at: Conditions) -> list[tuple[str, str]]:
    """Say which stated conditions are of a size that does not occur, and what may have been meant."""
    found = []
    barometer, bore, valve = at.barometer_pa, at.fixture_bore_m, at.valve_diameter_m
    if barometer is not None and not LOWEST_PA <= barometer <= HIGHEST_PA:
        figure = f"{from_si(barometer, 'hPa'):.6g} hPa"
        what = f"the barometer is stated as {figure}, but a barometer reads between 500 and 1100 hPa"
        meant = _meant(barometer, _PRESSURES, _PRESSURES, lambda value: USUAL_PA[0] <= value <= USUAL_PA[1])
        found.append((what, meant))
    if bore is not None and valve is not None and bore <= valve:
        sizes = [f"{from_si(size, 'mm'):.6g} mm" for size in (bore, valve)]
        what = f"the fixture bore of {sizes[0]} is not larger than the valve head of {sizes[1]}"
        low, high = USUAL_RATIO
        meant = _meant(bore, _LENGTHS[:2], _LENGTHS, lambda size: low * valve <= size <= min(high * valve, 0.2))
        meant = meant or _meant(valve, _LENGTHS[:2], _LENGTHS, lambda size: low * size <= bore <= high * size)
        found.append((what, meant))
    return [(what, f"; if {f'{meant} was meant' if meant else 'it is wrong'}, {STATE_RIGHT}") for what, meant in found]


def _meant(value: float, writable: Sequence[str], units: Sequence[str], usual: Callable[[float], bool]) -> str:
    """Say which unit may have been meant: the figure as it would be written in one, read in another."""
    found = []
    for written in writable:
        number = from_si(value, written)
        if abs(number - round(number, _DECIMALS)) <= 1e-6 * number:  # else nobody wrote it like that
            found += [f"{number:.6g} {unit}" for unit in units if unit != written and usual(to_si(number, unit))]
    return " or ".join(dict.fromkeys(found))
