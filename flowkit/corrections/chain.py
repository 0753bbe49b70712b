"""The corrections in their order, in one place: which points can be corrected, and what is left undone."""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

from flowkit.air import density
from flowkit.corrections.air import FORMULAS as AIR_FORMULAS
from flowkit.corrections.air import correct_air
from flowkit.corrections.bore import FORMULA as BORE_FORMULA
from flowkit.corrections.bore import correct_bore, flow_per_area
from flowkit.corrections.check_plate import FORMULA as CHECK_PLATE_FORMULA
from flowkit.corrections.check_plate import correct_check_plate
from flowkit.corrections.leakage import FORMULA as LEAKAGE_FORMULA
from flowkit.corrections.leakage import correct_leakage
from flowkit.corrections.meter import Meter
from flowkit.corrections.pressure import FORMULAS as PRESSURE_FORMULAS
from flowkit.corrections.pressure import STANDARD_BAROMETER_PA, correct_test_pressure
from flowkit.corrections.readings import Measured, measure, unused
from flowkit.corrections.step import MATTERS, Setting, Step, skipped
from flowkit.errors import CorrectionError
from flowkit.importers.checks import check_measured
from flowkit.model import (
    Bench,
    CorrectedPoint,
    CorrectedTest,
    Finding,
    FlowTest,
    LedgerLine,
    MeterMark,
    Point,
    Reference,
    ReferenceState,
    Side,
    ValveGeometry,
)
from flowkit.result import TestsResult
from flowkit.units import format_quantity, from_si
from flowkit.wording import percent, pressure_as_read

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, repr=False)
class CorrectionResult(TestsResult):
    """Flow tests at one reference state, with their ledgers.

    Attributes
    ----------
    reference : ReferenceState
    tests : tuple of CorrectedTest
        Those that could be brought to the reference.
    findings : tuple of Finding
        What was doubtful; an error for each test or point left out.

    Examples
    --------
    >>> from flowkit import correct, read
    >>> result = correct(read("sample_sheets/as_received.csv").tests)
    >>> len(result.tests), round(result.reference.pressure_pa, 2)
    (12, 6974.49)
    """

    kind: ClassVar[str] = "correct"
    reference: ReferenceState
    tests: tuple[CorrectedTest, ...]
    findings: tuple[Finding, ...]

    def __repr__(self) -> str:
        return f"<CorrectionResult: {len(self.tests)} tests, {len(self.findings)} findings>"

    def table(self) -> pd.DataFrame:
        """Return one row per point.

        Returns
        -------
        pandas.DataFrame
            Columns ``test, variant, side, port, run, lift_m, reading_m3_s, pressure_pa,
            flow_m3_s, flow_per_bore_area_m_s, flow_per_valve_area_m_s, source``. The bore is
            the engine's, the fixture's where the engine's is not known; a flow per area is
            missing where the diameter is.
        """
        import pandas as pd

        rows = []
        for test in self.tests:
            bore = self.reference.bore_m or test.conditions.fixture_bore_m
            valve = test.conditions.valve_diameter_m
            rows += [
                (
                    test.id,
                    test.variant,
                    test.side,
                    test.port,
                    test.run,
                    point.lift_m,
                    point.reading_m3_s,
                    point.pressure_pa,
                    point.flow_m3_s,
                    flow_per_area(point.flow_m3_s, bore) if bore else None,
                    flow_per_area(point.flow_m3_s, valve) if valve else None,
                    point.source,
                )
                for point in test.points
            ]
        columns = (
            "test variant side port run lift_m reading_m3_s pressure_pa flow_m3_s "
            "flow_per_bore_area_m_s flow_per_valve_area_m_s source"
        )
        return pd.DataFrame(rows, columns=columns.split())


_Correction = Callable[[tuple[float, ...], FlowTest, Setting], Step]

_STEPS: tuple[tuple[str, _Correction], ...] = (
    ("leakage", correct_leakage),
    ("air", correct_air),
    ("check-plate", correct_check_plate),
    ("test-pressure", correct_test_pressure),
    ("bore", correct_bore),
)
CORRECTIONS: tuple[str, ...] = tuple(name for name, _ in _STEPS)
"""Names of the corrections in the order they are made."""


def reference_state(reference: Reference) -> ReferenceState:
    """Return the state corrected flows are at.

    Parameters
    ----------
    reference : Reference

    Returns
    -------
    ReferenceState

    Raises
    ------
    CorrectionError
        If there is no such state.

    Notes
    -----
    Density of the reference air by CIPM-2007, see `flowkit.air`.

    Examples
    --------
    >>> round(reference_state(Reference()).air_density_kg_m3, 4)
    1.2046
    """
    for name, value, unit in (("test pressure", reference.pressure_pa, "inH2O"), ("bore", reference.bore_m, "mm")):
        if value is not None and not (value > 0 and math.isfinite(value)):
            written = f"{from_si(value, unit):.5g} {unit}"
            raise CorrectionError(f"a reference {name} of {written} is not possible", "give one above zero")
    return ReferenceState(reference.pressure_pa, reference.bore_m, density(reference.air), reference.pressure_law)


def correct(
    tests: Iterable[FlowTest],
    reference: Reference | None = None,
    bench: Bench | None = None,
    *,
    valves: Mapping[Side, ValveGeometry] | None = None,
    engine_bore_m: float | None = None,
    off: Collection[str] = (),
    meters: Mapping[str, Meter] | None = None,
    meter: str | None = None,
) -> CorrectionResult:
    """Bring flow tests to one reference state.

    Parameters
    ----------
    tests : iterable of FlowTest
        As read.
    reference : Reference, optional
        The state to bring them to; 28 inH2O by the square-root law unless given.
    bench : Bench, optional
        What the readings are; flows as stated unless given.
    valves : mapping, optional
        Side to ValveGeometry, for the bore correction.
    engine_bore_m : float, optional
        The engine's bore [m], compared with the fixture where the reference has no bore.
    off : collection of str, optional
        Corrections to leave out, by name (`CORRECTIONS`). With ``"test-pressure"`` left
        out the flows are taken to be at the reference pressure as they are.
    meters : mapping, optional
        Plain name to Meter, for tests that give readings of a meter instead of flows; see
        `flowkit.corrections.meter.meters_from`. Turning readings into flows cannot be left out.
    meter : str, optional
        The meter that counts where neither row nor sheet names one.

    Returns
    -------
    CorrectionResult
        The corrected tests, each with one ledger line per correction in their order, and
        what was doubtful. Tests and points that cannot be brought to the reference are
        left out, with a finding of severity ``error`` each.

    Raises
    ------
    CorrectionError
        If a name in `off` is not a correction, the reference is not possible, or a test was
        corrected before.

    Notes
    -----
    The ledger and the module of each correction name the sources of of each correction.

    Examples
    --------
    >>> from flowkit.model import Conditions, Point, Units, UnitSource
    >>> units = Units(UnitSource("m", "stated"), UnitSource("m³/s", "stated"))
    >>> test = FlowTest("a", "a.csv", None, None, "as received", "intake", "1", 1,
    ...     Conditions(test_pressure_pa=7 * 249.08891), units, (Point(0.01, 0.05, None, "a.csv:2:2"),))
    >>> result = correct([test])
    >>> round(result.tests[0].points[0].flow_m3_s, 9)
    0.1
    """
    reference = Reference() if reference is None else reference
    if not isinstance(reference, Reference) or not isinstance(tests, Iterable):
        raise CorrectionError(
            "correct takes flow tests, a Reference and a Bench", "give read(…).tests, Reference(…) and Bench(…)"
        )
    state = reference_state(reference)
    setting = Setting(
        reference=reference,
        reference_density_kg_m3=state.air_density_kg_m3,
        bench=Bench() if bench is None else bench,
        valves={} if valves is None else valves,
        engine_bore_m=engine_bore_m,
        off=_known(off),
        meters={} if meters is None else meters,
        meter=meter,
    )
    corrected: list[CorrectedTest] = []
    findings: list[tuple[FlowTest, Finding]] = []
    undone: list[Undone] = []
    for test in tests:
        if not isinstance(test, FlowTest):
            raise CorrectionError(
                f"{getattr(test, 'id', test)} is not a flow test as read", "correct each test once, from its readings"
            )
        done, found, left = _correct_test(test, setting)
        findings += [(test, item) for item in found]
        undone += left
        if done is not None:
            corrected.append(done)
    return CorrectionResult(state, tuple(corrected), (*_merged(findings), *findings_of_undone(undone)))


def _known(off: Collection[str]) -> frozenset[str]:
    """Return the names of corrections to leave out, refusing unknown ones."""
    names = (off,) if isinstance(off, str) else tuple(off)
    for name in names:
        if name not in CORRECTIONS:
            near = difflib.get_close_matches(name.lower().replace("_", "-"), CORRECTIONS, 1, 0.4)
            hint = f'did you mean "{near[0]}"? ' if near else ""
            raise CorrectionError(f"there is no correction {name!r}", f"{hint}There are {', '.join(CORRECTIONS)}")
    return frozenset(names)


def _correct_test(
    test: FlowTest, setting: Setting
) -> tuple[CorrectedTest | None, tuple[Finding, ...], tuple[Undone, ...]]:
    """Correct one test; None where it cannot be brought to the reference; with what was left undone."""
    measured = measure(test, setting)
    findings = unused(test) if measured is None else ()
    if measured is not None:
        findings = measured.findings
        if not measured.test.points:
            return None, findings, ()
        test = measured.test
        findings += check_measured(test)
        if measured.air is not None:
            setting = dataclasses.replace(setting, bench=dataclasses.replace(setting.bench, air=measured.air))
    usable, found = with_pressure(test, setting)
    findings += found
    undone: tuple[Undone, ...] = ()
    if not usable.points:
        return None, findings, undone
    flow = tuple(point.flow_m3_s for point in usable.points)
    ledger: list[LedgerLine] = []
    for name, correction in _STEPS:
        if name in setting.off:
            step = skipped(name, _formula(name, usable, setting), flow, "switched off")
            undone += undone_by(name, correction, flow, usable, setting)
        elif name == "leakage" and measured is not None and measured.leaks_m3_s is not None:
            step = correct_leakage(flow, usable, setting, _of_points(measured, usable, measured.leaks_m3_s))
        else:
            step = correction(flow, usable, setting)
        findings += step.findings
        if step.fatal:
            return None, findings, ()
        flow = step.flow_m3_s
        ledger.append(step.line)
        if name == "leakage":
            usable, flow, line, negative = _without_negative(usable, flow, step.line)
            ledger[-1] = line
            findings += negative
            if not usable.points:
                return None, findings, ()
    marks: tuple[MeterMark | None, ...] = (None,) * len(flow)
    if measured is not None:
        marks = _of_points(measured, usable, measured.marks)
        ledger.insert(0, _of_kept_points(measured, usable))
    return _corrected(usable, flow, marks, tuple(ledger)), findings, undone


_Item = TypeVar("_Item")


def _of_points(measured: Measured, kept: FlowTest, items: tuple[_Item, ...]) -> tuple[_Item, ...]:
    """What belongs to the points that are left."""
    by_source = dict(zip((point.source for point in measured.test.points), items, strict=True))
    return tuple(by_source[point.source] for point in kept.points)


def _of_kept_points(measured: Measured, kept: FlowTest) -> LedgerLine:
    """The meter's ledger line for the points that are left."""
    count = len(measured.test.points)
    line = measured.line
    inputs: dict[str, Any] = {
        name: _of_points(measured, kept, value) if isinstance(value, tuple) and len(value) == count else value
        for name, value in line.inputs.items()
    }
    return dataclasses.replace(line, inputs=inputs)


def _corrected(
    test: FlowTest, flow: tuple[float, ...], marks: tuple[MeterMark | None, ...], ledger: tuple[LedgerLine, ...]
) -> CorrectedTest:
    """Make the corrected test of the points that are left."""
    points = tuple(
        CorrectedPoint(
            point.lift_m,
            q,
            test.pressure_at(point),
            point.source,
            point.flow_m3_s,
            point.reading if mark else None,
            mark,
        )
        for point, q, mark in zip(test.points, flow, marks, strict=True)
    )
    names = (field.name for field in dataclasses.fields(FlowTest) if field.name != "points")
    return CorrectedTest(**{name: getattr(test, name) for name in names}, points=points, ledger=ledger)


def _formula(name: str, test: FlowTest, setting: Setting) -> str:
    """Return the formula of a correction as the ledger names it."""
    law = setting.reference.pressure_law
    return {
        "leakage": LEAKAGE_FORMULA,
        "air": AIR_FORMULAS[setting.bench.air],
        "check-plate": CHECK_PLATE_FORMULA,
        "test-pressure": PRESSURE_FORMULAS[law if law == "square-root" else test.side or "intake"],
        "bore": BORE_FORMULA,
    }[name]


def _without_negative(
    test: FlowTest, flow: tuple[float, ...], line: LedgerLine
) -> tuple[FlowTest, tuple[float, ...], LedgerLine, tuple[Finding, ...]]:
    """Drop the points whose flow is below zero once the leakage is off, with an error each."""
    keep = [index for index, value in enumerate(flow) if value >= 0]
    if len(keep) == len(flow):
        return test, flow, line, ()
    findings = tuple(_negative(point, line) for point, value in zip(test.points, flow, strict=True) if not value >= 0)
    offset = line.offset_m3_s
    if offset is not None:
        line = dataclasses.replace(line, offset_m3_s=tuple(offset[index] for index in keep))
    kept = dataclasses.replace(test, points=tuple(test.points[index] for index in keep))
    return kept, tuple(flow[index] for index in keep), line, findings


def _negative(point: Point, line: LedgerLine) -> Finding:
    """Return the error for a flow below zero."""
    after = "The flow is below zero" if line.skipped else "The flow is below zero once the leakage is taken off"
    return Finding(
        "flow-negative",
        "error",
        point.source,
        f"{after}, so the point was left out; check the reading, the leakage and the pressure it was read at.",
    )


def _merged(findings: list[tuple[FlowTest, Finding]]) -> tuple[Finding, ...]:
    """Say once, at the first test, what is said of several tests of a sheet in the same words."""
    counts: dict[tuple[str | None, ...], int] = {}
    firsts: list[tuple[tuple[str | None, ...], Finding]] = []
    for test, finding in findings:
        # A finding at a point is known by its cell; it is reported for every point.
        place = (test.file, test.sheet) if finding.where == test.id else (finding.where,)
        key = (finding.rule, finding.severity, finding.message, *place)
        if key not in counts:
            firsts.append((key, finding))
        counts[key] = counts.get(key, 0) + 1
    return tuple(_and_more(finding, counts[key] - 1) for key, finding in firsts)


def _and_more(finding: Finding, others: int) -> Finding:
    """Add of how many more tests of the sheet a finding holds."""
    if not others:
        return finding
    tests = "one more test" if others == 1 else f"{others} more tests"
    return dataclasses.replace(finding, message=f"{finding.message} The same holds for {tests} of this sheet.")


def with_pressure(test: FlowTest, setting: Setting) -> tuple[FlowTest, tuple[Finding, ...]]:
    """Return the test with those points whose test pressure can be."""
    if not test.points:
        return test, (Finding("no-points", "error", test.id, "The test has no points, so it was left out."),)
    needed = "test-pressure" not in setting.off
    pressures = [test.pressure_at(point) for point in test.points]
    bad = [_unusable(test, pressure, needed) for pressure in pressures]
    kept = tuple(point for point, rule in zip(test.points, bad, strict=True) if not rule)
    if not kept and len(set(bad)) == 1 and len(set(pressures)) == 1:
        finding = _left_out(bad[0], test.id, test, pressures[0], "so the test was left out")
        return dataclasses.replace(test, points=()), (finding,)
    findings = tuple(
        _left_out(rule, point.source, test, pressure, "so the point was left out")
        for point, pressure, rule in zip(test.points, pressures, bad, strict=True)
        if rule
    )
    return (dataclasses.replace(test, points=kept) if findings else test), findings


def _unusable(test: FlowTest, pressure: float | None, needed: bool) -> str:
    """Return the rule a test pressure breaks, or nothing."""
    if pressure is None:
        return "pressure-missing" if needed else ""
    possible = pressure > 0 and math.isfinite(pressure) and not _beyond_vacuum(test, pressure)
    return "" if possible else "pressure-impossible"


def _beyond_vacuum(test: FlowTest, pressure_pa: float) -> bool:
    """Whether an intake would be drawn at the whole of the room's pressure or more."""
    barometer = test.conditions.barometer_pa
    room = STANDARD_BAROMETER_PA if barometer is None else barometer
    # The pressure correction reports an impossible barometer.
    return test.side == "intake" and 0 < room <= pressure_pa


def _left_out(rule: str, where: str, test: FlowTest, pressure: float | None, outcome: str) -> Finding:
    """Return the error for a test or point without a usable pressure."""
    if pressure is None:
        message = f"No test pressure is known, {outcome}; state it with --test-pressure or in the job's conditions."
    elif _beyond_vacuum(test, pressure):
        message = (
            f"The intake cannot be tested at a pressure of {pressure_as_read(test, pressure)}, which is not below "
            f"{_room_words(test)}, {outcome}; check the test pressure, the barometer and "
            "their units, and state the right one in the job."
        )
    else:
        message = (
            f"A test pressure of {pressure_as_read(test, pressure)} is not possible, {outcome}; "
            "check it and its unit, and state the right one in the job."
        )
    return Finding(rule, "error", where, message)


def _room_words(test: FlowTest) -> str:
    """Write the barometer, and whether it is the day's."""
    barometer = test.conditions.barometer_pa
    value = STANDARD_BAROMETER_PA if barometer is None else barometer
    words = f"{format_quantity(value, 'kPa', 1)}, {format_quantity(value, 'inHg', 2)}"
    return f"the barometer ({words}{'; not stated, so the standard one' if barometer is None else ''})"


@dataclasses.dataclass(frozen=True, slots=True)
class Undone:
    """What a correction that is switched off would have done to a test."""

    test: FlowTest
    correction: str
    change: float
    reference_pressure_pa: float


def undone_by(
    name: str,
    correction: Callable[[tuple[float, ...], FlowTest, Setting], Step],
    flow: tuple[float, ...],
    test: FlowTest,
    setting: Setting,
) -> tuple[Undone, ...]:
    """Return what a correction would have done to a test, were it not switched off."""
    if name == "test-pressure":
        # Switched off, it needs no pressure; it is tried at the points that have one.
        known = [test.pressure_at(point) is not None for point in test.points]
        flow = tuple(value for value, has in zip(flow, known, strict=True) if has)
        test = dataclasses.replace(test, points=tuple(p for p, has in zip(test.points, known, strict=True) if has))
    step = correction(flow, test, dataclasses.replace(setting, off=setting.off - {name}))
    changes = [after / before - 1 for before, after in zip(flow, step.flow_m3_s, strict=True) if before > 0]
    change = max(changes, key=abs, default=0.0)
    return (Undone(test, name, change, setting.reference.pressure_pa),) if abs(change) > MATTERS else ()


def findings_of_undone(undone: Sequence[Undone]) -> tuple[Finding, ...]:
    """Return one warning for each correction of each sheet that is switched off and would have mattered."""
    groups: dict[tuple[str, str, str | None], list[Undone]] = {}
    for item in undone:
        groups.setdefault((item.correction, item.test.file, item.test.sheet), []).append(item)
    return tuple(_off(group) for group in groups.values())


def _off(group: Sequence[Undone]) -> Finding:
    """Return the warning for one correction of one sheet."""
    most = max(group, key=lambda item: abs(item.change))
    others = len(group) - 1
    more = "" if not others else f" (and those of {'one more test' if others == 1 else f'{others} more tests'})"
    return Finding(
        "correction-off",
        "warning",
        most.test.id,
        f"The {most.correction} correction is switched off{_circumstance(most)}: it would have changed the flows of "
        f"this test{more} by up to {'+' if most.change > 0 else '−'}{percent(abs(most.change))}, and a gain against a "
        "test that differs in this includes that difference; leave the correction on, unless the bench has made it.",
    )


def _circumstance(undone: Undone) -> str:
    """Say the pressures, where it is the test pressure that counts."""
    if undone.correction != "test-pressure":
        return ""
    pressures = {undone.test.pressure_at(point) for point in undone.test.points}
    (read_at,) = pressures if len(pressures) == 1 else (None,)
    words = "pressures of its own" if read_at is None else pressure_as_read(undone.test, read_at)
    return f", though the test was flowed at {words} and the reference is " + pressure_as_read(
        undone.test, undone.reference_pressure_pa
    )
