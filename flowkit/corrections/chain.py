"""The corrections in their order, in one place: which points can be corrected, and what is left undone."""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

from flowkit import model
from flowkit.air import density
from flowkit.corrections.air import correct_air
from flowkit.corrections.bore import correct_bore, flow_per_area
from flowkit.corrections.check_plate import correct_check_plate
from flowkit.corrections.leakage import correct_leakage
from flowkit.corrections.meter import Meter
from flowkit.corrections.pressure import STANDARD_BAROMETER_PA, correct_test_pressure
from flowkit.corrections.readings import measure, unused
from flowkit.corrections.step import MATTERS, Setting, Step, skipped
from flowkit.errors import CorrectionError
from flowkit.importers.checks import check_measured
from flowkit.model import CorrectedPoint, CorrectedTest, Finding, FlowTest, LedgerLine, Reference, ReferenceState
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
            for point in test.points:
                per_area = [flow_per_area(point.flow_m3_s, size) if size else None for size in (bore, valve)]
                rows.append(
                    (test.id, test.variant, test.side, test.port, test.run, point.lift_m, point.reading_m3_s,
                     point.pressure_pa, point.flow_m3_s, *per_area, point.source)
                )  # fmt: skip
        columns = (
            "test variant side port run lift_m reading_m3_s pressure_pa flow_m3_s flow_per_bore_area_m_s "
            "flow_per_valve_area_m_s source"
        )
        return pd.DataFrame(rows, columns=columns.split())


_STEPS: dict[str, Callable[..., Step]] = {
    "leakage": correct_leakage,
    "air": correct_air,
    "check-plate": correct_check_plate,
    "test-pressure": correct_test_pressure,
    "bore": correct_bore,
}
CORRECTIONS: tuple[str, ...] = tuple(_STEPS)
"""Names of the corrections in the order they are made."""


def reference_state(reference: Reference) -> ReferenceState:
    """Return the state corrected flows are at.

    Parameters
    ----------
    reference : Reference

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
    bench: model.Bench | None = None,
    *,
    valves: Mapping[model.Side, model.ValveGeometry] | None = None,
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
    The ledger and the module of each correction name its sources.

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
    names = (off,) if isinstance(off, str) else tuple(off)
    for name in names:
        if name not in CORRECTIONS:
            near = difflib.get_close_matches(name.lower().replace("_", "-"), CORRECTIONS, 1, 0.4)
            hint = f'did you mean "{near[0]}"? ' if near else ""
            raise CorrectionError(f"there is no correction {name!r}", f"{hint}There are {', '.join(CORRECTIONS)}")
    setting = Setting(
        reference, state.air_density_kg_m3, bench or model.Bench(), valves or {}, engine_bore_m, frozenset(names),
        meters or {}, meter,
    )  # fmt: skip
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
    switched_off = _findings_of_undone(undone, reference.pressure_pa)
    return CorrectionResult(state, tuple(corrected), (*_merged(findings), *switched_off))


Undone = tuple[str, FlowTest, float]
"""A correction that is switched off, a test, and the share by which it would have changed a flow of it at most."""


def _correct_test(test: FlowTest, setting: Setting) -> tuple[CorrectedTest | None, list[Finding], list[Undone]]:
    """Correct one test; None where it cannot be brought to the reference; with what was left undone."""
    measured = measure(test, setting)
    findings = list(unused(test) if measured is None else measured.findings)
    if measured is not None:
        test = measured.test
        if not test.points:
            return None, findings, []
        findings += check_measured(test)
        setting = replace(setting, bench=replace(setting.bench, air=measured.air or setting.bench.air))
    test, found = _with_pressure(test, setting)
    findings += found
    flow = tuple(point.flow_m3_s for point in test.points)
    leaks = measured.leaks_m3_s if measured else None
    undone: list[Undone] = []
    ledger: list[LedgerLine] = []
    for name, correction in _STEPS.items():
        if not test.points:
            return None, findings, []
        own = (tuple(leaks[point.source] for point in test.points),) if leaks and name == "leakage" else ()
        if name in setting.off:
            step, left = _tried(name, correction, flow, test, setting, *own)
            undone += left
        else:
            step = correction(flow, test, setting, *own)
        findings += step.findings
        if step.fatal:
            return None, findings, []
        flow, line = step.flow_m3_s, step.line
        if name == "leakage":
            test, flow, line, found = _without_negative(test, flow, line)
            findings += found
        ledger.append(line)
    if measured is not None:
        ledger.insert(0, measured.ledger_line(test.points))
    points = []
    for point, q in zip(test.points, flow, strict=True):
        shown = (point.reading, measured.flows[point.source].mark) if measured else (None, None)
        points.append(CorrectedPoint(point.lift_m, q, test.pressure_at(point), point.source, point.flow_m3_s, *shown))
    same = {item.name: getattr(test, item.name) for item in dataclasses.fields(test) if item.name != "points"}
    return CorrectedTest(**same, points=tuple(points), ledger=tuple(ledger)), findings, undone


def _without_negative(
    test: FlowTest, flow: tuple[float, ...], line: LedgerLine
) -> tuple[FlowTest, tuple[float, ...], LedgerLine, list[Finding]]:
    """Drop the points whose flow is below zero once the leakage is off, with an error each."""
    kept = [index for index, value in enumerate(flow) if value >= 0]
    if len(kept) == len(flow):
        return test, flow, line, []
    after = "" if line.skipped else " once the leakage is taken off"
    message = (
        f"The flow is below zero{after}, so the point was left out; check the reading, the leakage and the pressure it "
        "was read at."
    )
    dropped = [point for point, value in zip(test.points, flow, strict=True) if not value >= 0]
    if line.offset_m3_s is not None:
        line = replace(line, offset_m3_s=tuple(line.offset_m3_s[index] for index in kept))
    test = replace(test, points=tuple(test.points[index] for index in kept))
    findings = [Finding("flow-negative", "error", point.source, message) for point in dropped]
    return test, tuple(flow[index] for index in kept), line, findings


def _tried(
    name: str, correction: Callable[..., Step], flow: tuple[float, ...], test: FlowTest, setting: Setting, *own: object
) -> tuple[Step, list[Undone]]:
    """Return the step of a correction that is switched off, and what it would have done."""
    tried = list(zip(flow, test.points, strict=True))
    if name == "test-pressure":
        # Switched off, it needs no pressure; it is tried at the points that have one.
        tried = [(q, point) for q, point in tried if test.pressure_at(point) is not None]
    before = tuple(q for q, _ in tried)
    some = replace(test, points=tuple(point for _, point in tried))
    step = correction(before, some, replace(setting, off=setting.off - {name}), *own)
    changes = [after / q - 1 for q, after in zip(before, step.flow_m3_s, strict=True) if q > 0]
    most = max(changes, key=abs, default=0.0)
    return skipped(name, step.line.formula, flow, "switched off"), [(name, some, most)] if abs(most) > MATTERS else []


def _merged(findings: list[tuple[FlowTest, Finding]]) -> list[Finding]:
    """Say once, at the first test, what is said of several tests of a sheet in the same words."""
    same: dict[tuple[str | None, ...], list[Finding]] = {}
    for test, finding in findings:
        # A finding at a point is known by its cell; it is reported for every point.
        place = (test.file, test.sheet) if finding.where == test.id else (finding.where,)
        same.setdefault((finding.rule, finding.severity, finding.message, *place), []).append(finding)
    merged = []
    for first, *others in same.values():
        tests = "one more test" if len(others) == 1 else f"{len(others)} more tests"
        message = f"{first.message} The same holds for {tests} of this sheet." if others else first.message
        merged.append(replace(first, message=message))
    return merged


def _with_pressure(test: FlowTest, setting: Setting) -> tuple[FlowTest, list[Finding]]:
    """Return the test with those points whose test pressure can be, with an error for each of the others."""
    if not test.points:
        return test, [Finding("no-points", "error", test.id, "The test has no points, so it was left out.")]
    barometer = test.conditions.barometer_pa
    room = STANDARD_BAROMETER_PA if barometer is None else barometer
    bad: list[tuple[str, str, str]] = []  # the rule that a point's pressure breaks, its cell, and why
    kept = []
    for point in test.points:
        pressure = test.pressure_at(point)
        if pressure is None and "test-pressure" not in setting.off:
            rule = "pressure-missing"
            why = "No test pressure is known, {}; state it with --test-pressure or in the job's conditions."
        elif pressure is not None and test.side == "intake" and 0 < room <= pressure:
            # The pressure correction reports an impossible barometer.
            rule = "pressure-impossible"
            assumed = "; not stated, so the standard one" if barometer is None else ""
            why = (
                f"The intake cannot be tested at a pressure of {pressure_as_read(test, pressure)}, which is not below "
                f"the barometer ({format_quantity(room, 'kPa', 1)}, {format_quantity(room, 'inHg', 2)}{assumed}), {{}}"
                "; check the test pressure, the barometer and their units, and state the right one in the job."
            )
        elif pressure is not None and not (pressure > 0 and math.isfinite(pressure)):
            rule = "pressure-impossible"
            why = (
                f"A test pressure of {pressure_as_read(test, pressure)} is not possible, {{}}; check it and its unit, "
                "and state the right one in the job."
            )
        else:
            kept.append(point)
            continue
        bad.append((rule, point.source, why))
    outcome = "so the point was left out"
    if not kept and len({test.pressure_at(point) for point in test.points}) == 1:
        outcome, bad = "so the test was left out", [(bad[0][0], test.id, bad[0][2])]
    findings = [Finding(rule, "error", where, why.format(outcome)) for rule, where, why in bad]
    return replace(test, points=tuple(kept)), findings


def _findings_of_undone(undone: Iterable[Undone], reference_pa: float) -> list[Finding]:
    """Return one warning for each correction of each sheet that is switched off and would have mattered."""
    groups: dict[tuple[str, str, str | None], list[Undone]] = {}
    for item in undone:
        groups.setdefault((item[0], item[1].file, item[1].sheet), []).append(item)
    findings = []
    for group in groups.values():
        name, test, change = max(group, key=lambda item: abs(item[2]))
        others, at = len(group) - 1, ""
        more = f" (and those of {'one more test' if others == 1 else f'{others} more tests'})" if others else ""
        if name == "test-pressure":
            pressures = {test.pressure_at(point) for point in test.points}
            (read_at,) = pressures if len(pressures) == 1 else (None,)
            words = "pressures of its own" if read_at is None else pressure_as_read(test, read_at)
            at = f", though the test was flowed at {words} and the reference is {pressure_as_read(test, reference_pa)}"
        message = (
            f"The {name} correction is switched off{at}: it would have changed the flows of this test{more} by up to "
            f"{'+' if change > 0 else '−'}{percent(abs(change))}, and a gain against a test that differs in this "
            "includes that difference; leave the correction on, unless the bench has made it."
        )
        findings.append(Finding("correction-off", "warning", test.id, message))
    return findings
