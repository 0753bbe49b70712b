"""What every room of flowkit speaks: tests, points, findings, ledger lines, references.

All values are SI: lift and diameters in m, flow in m³/s, pressure in Pa (test
pressures gauge, as positive magnitudes; barometer and meter pressures absolute),
temperature in K, density in kg/m³, angles in degrees. Field names carry the unit
and are the keys of the machine-readable results.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeVar

from flowkit.air import AirState
from flowkit.fields import (
    SIDES,
    AirMode,
    Bench,
    Conditions,
    JobInfo,
    PressureLaw,
    Reference,
    Side,
    ValveGeometry,
)
from flowkit.units import INH2O as INH2O_PA

# Made before this module, most of them with their rows in the table, and passed on by it.
__all__ = [
    "INH2O_PA", "SIDES", "AirMode", "AirState", "Bench", "Conditions", "JobInfo", "PressureLaw", "Reference", "Side",
    "ValveGeometry",
]  # fmt: skip

Severity = Literal["error", "warning", "note"]
K = TypeVar("K")
V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class Reading:
    """What a meter showed at a point, before it is turned into a flow."""

    value: tuple[float, ...]  # as written, in `unit`: one figure, or one a position for a pitot tube
    unit: str  # such as "%", "mm", "inH2O" or "V"
    meter: str | None = None  # that the row names, and its range
    range: str | None = None
    temperature_k: float | None = None  # of the air at the meter, where the row gives it
    pressure_pa: float | None = None  # absolute, at the meter's upstream side
    outlet_pa: float | None = None  # absolute, behind a critical nozzle

    def keys(self) -> dict[str, object]:
        """Return the keys that a point has in the machine-readable results."""
        value = self.value[0] if len(self.value) == 1 else self.value
        known: dict[str, object] = {"reading": value, "reading_unit": self.unit}
        known |= {"meter": self.meter, "range": self.range}
        row = {"meter_temperature_k": self.temperature_k, "meter_pressure_pa": self.pressure_pa}
        row["outlet_pressure_pa"] = self.outlet_pa
        return known | {key: item for key, item in row.items() if item is not None}


@dataclass(frozen=True, slots=True)
class Point:
    """One reading of a flow test.

    Attributes
    ----------
    lift_m : float
        Valve lift [m].
    flow_m3_s : float
        Flow as read [m³/s]; not a number where the sheet gives only what a meter showed.
    pressure_pa : float or None
        The point's own test pressure [Pa], where the sheet gives one a point.
    source : str
        The cell of its flow: ``file!sheet!B7``, or ``file:12:3`` in text.
    reading : Reading or None
        What a meter showed, where that was written down.

    Examples
    --------
    >>> Point(lift_m=0.004, flow_m3_s=0.038, pressure_pa=None, source="a.csv:2:2").flow_m3_s
    0.038
    """

    lift_m: float
    flow_m3_s: float
    pressure_pa: float | None
    source: str
    reading: Reading | None = None

    def json_fields(self) -> dict[str, object]:
        """Return what the machine-readable results hold; a reading's keys only where there is one."""
        known = {key: getattr(self, key) for key in ("lift_m", "flow_m3_s", "pressure_pa", "source")}
        return known | (self.reading.keys() if self.reading else {})


@dataclass(frozen=True, slots=True)
class UnitSource:
    """A unit and whether the sheet (or the user) stated it or it was assumed."""

    unit: str
    source: Literal["stated", "assumed"]


@dataclass(frozen=True, slots=True)
class Units:
    """The units a test was written in."""

    lift: UnitSource
    flow: UnitSource
    pressure: UnitSource | None = None
    reading: UnitSource | None = None

    def json_fields(self) -> dict[str, object]:
        """Return what the machine-readable results hold; the reading's unit only where there is one."""
        known: dict[str, object] = {"lift": self.lift, "flow": self.flow, "pressure": self.pressure}
        return known | ({"reading": self.reading} if self.reading else {})


@dataclass(frozen=True, slots=True)
class _OneTest:
    """What a test is called, was taken of and was taken in, as read and corrected alike."""

    id: str
    file: str
    sheet: str | None
    head: str | None
    variant: str
    side: Side | None
    port: str | None
    run: int
    conditions: Conditions
    units: Units


@dataclass(frozen=True, slots=True)
class FlowTest(_OneTest):
    """One run of one port on one side of one head in one variant, as read.

    Attributes
    ----------
    id : str
        Unique within what was read together.
    file, sheet : str, str or None
        The file's name and its worksheet (None for text files).
    head, variant : str or None, str
        The head and its state.
    side : {"intake", "exhaust"} or None
    port : str or None
        A name, never a number: ``"1"``, ``"01"``, ``"rear"``.
    run : int
        Counted from 1.
    conditions : Conditions
    units : Units
    points : tuple of Point
        In the sheet's order.

    Examples
    --------
    >>> from flowkit import read
    >>> test = read("sample_sheets/as_received.csv").tests[0]
    >>> test.side, test.port, test.run, len(test.points)
    ('intake', '1', 1, 8)
    """

    points: tuple[Point, ...]

    def __repr__(self) -> str:
        return f"<FlowTest {self.id}: {len(self.points)} points>"

    @property
    def gives_flows(self) -> bool:
        """Whether the sheet gives flows; False where it gives only what a meter showed."""
        return self.units.reading is None or not any(math.isnan(point.flow_m3_s) for point in self.points)

    def pressure_at(self, point: Point) -> float | None:
        """Return the test pressure that counts at a point [Pa]: its own before the test's."""
        if point.pressure_pa is not None:
            return point.pressure_pa
        return self.conditions.test_pressure_pa


@dataclass(frozen=True, slots=True)
class Finding:
    r"""Something doubtful: what, where, why it matters and what to do.

    Attributes
    ----------
    rule : str
    severity : {"error", "warning", "note"}
    where : str
        The source cell, or the test's id.
    message : str
        One or two plain sentences.

    Examples
    --------
    >>> from flowkit import read
    >>> text = "lift mm,intake 1 cfm\n2,40\n4,80\n6,110\n"
    >>> [(finding.rule, finding.severity) for finding in read(text).findings]
    [('pressure-missing', 'error')]
    """

    rule: str
    severity: Severity
    where: str
    message: str


@dataclass(frozen=True, slots=True)
class LedgerLine:
    """What one correction did to one test."""

    correction: str  # "meter", "leakage", "air", "check-plate", "test-pressure" or "bore"
    formula: str  # as text, with its source
    inputs: Mapping[
        str, float | str | tuple[float | None, ...] | tuple[str, ...] | bool | None
    ]  # named with their units
    factor: tuple[float, ...] | None = None  # what each point's flow was multiplied by
    offset_m3_s: tuple[float, ...] | None = None  # what was added to it
    skipped: str | None = None  # why the correction was not made, where it was not


@dataclass(frozen=True, slots=True)
class MeterMark:
    """What the uncertainty of a gain needs to know of a point that was read on a meter."""

    # A meter's name with its range, its standard uncertainty as a share of the flow (0 where nothing is stated)
    # and its share of this flow; several where meters were open side by side.
    parts: tuple[tuple[str, float, float], ...]
    reading: float  # as written; the mean of several positions
    net: float  # less the zero, in the same unit
    sensitivity: float  # d ln Q/d ln r
    u_zero: float = 0.0  # standard uncertainty of the zero, in the same unit
    u_air: float = 0.0  # of the density at the meter, as a share of the flow


@dataclass(frozen=True, slots=True)
class CorrectedPoint:
    """One point after all corrections: its flow at the reference state."""

    lift_m: float
    flow_m3_s: float
    pressure_pa: float | None  # the test pressure it was read at
    source: str  # the cell of the reading
    reading_m3_s: float  # as read, or as the meter's reading gives it
    reading: Reading | None = None
    mark: MeterMark | None = None

    def json_fields(self) -> dict[str, object]:
        """Return what the machine-readable results hold; a reading's keys only where there is one."""
        known = {key: getattr(self, key) for key in ("lift_m", "flow_m3_s", "pressure_pa", "source", "reading_m3_s")}
        return known | (self.reading.keys() if self.reading else {})


@dataclass(frozen=True, slots=True)
class CorrectedTest(_OneTest):
    """A flow test at the reference state, with its ledger.

    A type of its own, so that correcting twice is impossible.

    Examples
    --------
    >>> from flowkit import correct, read
    >>> test = correct(read("sample_sheets/as_received.csv").tests).tests[0]
    >>> test
    <CorrectedTest as_received.csv!as received, intake 1 run 1: 8 points>
    >>> [line.correction for line in test.ledger]
    ['leakage', 'air', 'check-plate', 'test-pressure', 'bore']
    """

    points: tuple[CorrectedPoint, ...]
    ledger: tuple[LedgerLine, ...]

    def __repr__(self) -> str:
        return f"<CorrectedTest {self.id}: {len(self.points)} points>"


@dataclass(frozen=True, slots=True)
class ReferenceState:
    """The reference all flows are at."""

    pressure_pa: float
    bore_m: float | None
    air_density_kg_m3: float
    pressure_law: str


@dataclass(frozen=True, slots=True)
class HandChange:
    """Something of a sheet that the job file changes by hand, with its reason; the sheet itself is never edited.

    Attributes
    ----------
    file, sheet : str, str or None
        As in `FlowTest`.
    cell : str or None
        Such as ``"B7"``, or ``"12:3"`` in text; None for a statement about the whole sheet.
    what : str
        What it is, in words, such as ``"flow"`` or ``"test pressure"``.
    sheet_says : str
        As the sheet has it, such as ``"21.25"`` or ``"25 inH2O"``.
    value : str or None
        What counts instead; None where it is left out.
    reason : str

    Examples
    --------
    >>> from dataclasses import fields
    >>> [item.name for item in fields(HandChange)][-2:]
    ['value', 'reason']
    """

    file: str
    sheet: str | None
    cell: str | None
    what: str
    sheet_says: str
    value: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class Variant:
    """A state of the head with its tests, as read and, once corrected, at the reference.

    Attributes
    ----------
    name : str
    tests : tuple of FlowTest
        As read.
    corrected : tuple of CorrectedTest
        Empty before the corrections.
    state : mapping
        Side to (factor to level), such as ``{"intake": {"ports": "as cast"}}``.
    valves : mapping
        Side to ValveGeometry.
    untouched : mapping
        Side to the ports that were not worked on since the variant before.
    bore_m : float or None
        The bore its flows are brought to [m], where it is not that of the job's reference.
    changes : tuple of HandChange
        What the job file changed of its sheets by hand.
    settings : mapping
        Of tests from the records, by id: the bench, meters and meter of their own job, as arguments of `correct`.
    sources : mapping
        Path of each file that was read for it to the SHA-256 of the very bytes read.

    Examples
    --------
    >>> from flowkit import read
    >>> Variant("as received", read("sample_sheets/as_received.csv").tests)
    <Variant 'as received': 12 tests as read, 0 corrected>
    """

    name: str
    tests: tuple[FlowTest, ...] = ()
    corrected: tuple[CorrectedTest, ...] = ()
    state: Mapping[Side, Mapping[str, str]] = field(default_factory=dict)
    valves: Mapping[Side, ValveGeometry] = field(default_factory=dict)
    untouched: Mapping[Side, tuple[str, ...]] = field(default_factory=dict)
    bore_m: float | None = None
    changes: tuple[HandChange, ...] = ()
    settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    sources: Mapping[Path, str] = field(default_factory=dict, compare=False)

    def __repr__(self) -> str:
        return f"<Variant {self.name!r}: {len(self.tests)} tests as read, {len(self.corrected)} corrected>"


def joined(earlier: Iterable[Finding], later: Iterable[Finding]) -> tuple[Finding, ...]:
    """Join findings, saying once what a later stage says again in other words."""
    known = list(earlier)
    said = {(finding.rule, finding.severity, finding.where) for finding in known}
    new = [finding for finding in later if (finding.rule, finding.severity, finding.where) not in said]
    return tuple(dict.fromkeys([*known, *new]))


def grouped(pairs: Iterable[tuple[K, V]]) -> dict[K, list[V]]:
    """Gather values by their key, both in the order they come."""
    found: dict[K, list[V]] = {}
    for key, value in pairs:
        found.setdefault(key, []).append(value)
    return found


def one_spelling(name: str) -> str:
    """Return a name without the case and spaces that do not tell two names apart."""
    return " ".join(name.casefold().split())


def named_twice(names: Iterable[str]) -> str | None:
    """Return a name that is there twice in one spelling or another, or None."""
    every = [(name, one_spelling(name)) for name in names]
    spellings = [spelling for _, spelling in every]
    return next((name for name, spelling in every if spellings.count(spelling) > 1), None)
