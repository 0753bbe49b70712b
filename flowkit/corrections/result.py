"""What every correction is given, what it gives back, and what all of them together give."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from flowkit.model import (
    Bench,
    CorrectedTest,
    Finding,
    FlowTest,
    LedgerLine,
    Reference,
    ReferenceState,
    Side,
    ValveGeometry,
)
from flowkit.units import find_unit, from_si

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from flowkit.corrections.meter import Meter

__all__ = ["CorrectionResult"]

MATTERS = 0.005
"""Relative change of a flow from which a correction is told that was left out, or made for some tests only.

Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What holds for all tests that are corrected together."""

    reference: Reference
    reference_density_kg_m3: float
    bench: Bench = field(default_factory=Bench)
    valves: Mapping[Side, ValveGeometry] = field(default_factory=dict)
    engine_bore_m: float | None = None
    off: frozenset[str] = frozenset()
    meters: Mapping[str, Meter] = field(default_factory=dict)
    meter: str | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """What one correction made of one test's flows."""

    line: LedgerLine
    flow_m3_s: tuple[float, ...]
    findings: tuple[Finding, ...] = ()
    fatal: bool = False


def skipped(
    correction: str,
    formula: str,
    flow: tuple[float, ...],
    reason: str,
    *,
    inputs: Mapping[str, float | str | None] | None = None,
    findings: tuple[Finding, ...] = (),
) -> Step:
    """Return the step of a correction that was not made, flows unchanged."""
    return Step(LedgerLine(correction, formula, inputs or {}, skipped=reason), flow, findings)


def incomplete(test: FlowTest, correction: str, missing: str, remedy: str) -> Finding:
    """Return the note for a correction whose inputs are there in part only."""
    return Finding(
        "correction-skipped",
        "note",
        test.id,
        f"The {correction} correction was not made: {missing}; {remedy}.",
    )


def percent(fraction: float, digits: int = 1) -> str:
    """Write a fraction in per cent, for people."""
    return f"{100 * fraction:.{digits}f} %"


def flow_words(test: FlowTest, flow_m3_s: float) -> str:
    """Write a flow as its sheet does, for people."""
    unit = find_unit(test.units.flow.unit, ["flow"])
    return _written(flow_m3_s, unit.name if unit else "L/s")


def pressure_words(test: FlowTest, pressure_pa: float) -> str:
    """Write a test pressure as its sheet does, for people."""
    return _written(pressure_pa, test.units.pressure.unit if test.units.pressure else "inH2O")


def _written(value: float, unit: str) -> str:
    """Write an SI value in a unit, with as many figures as it has up to five."""
    return f"{from_si(value, unit):.5g} {unit}".replace("-", "−")


@dataclass(frozen=True, slots=True, repr=False)
class CorrectionResult:
    """Flow tests at one reference state, with their ledgers.

    Attributes
    ----------
    reference : ReferenceState
    tests : tuple of CorrectedTest
        Those that could be brought to the reference.
    findings : tuple of Finding
        What was doubtful; an error for each test or point left out.
    """

    reference: ReferenceState
    tests: tuple[CorrectedTest, ...]
    findings: tuple[Finding, ...]

    def __iter__(self) -> Iterator[CorrectedTest]:
        """Go through the tests."""
        return iter(self.tests)

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

        from flowkit.corrections.bore import flow_per_area

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

    def to_json(self, *, indent: int | None = None) -> str:
        """Return the corrected tests as one JSON document of kind ``"correct"``.

        Parameters
        ----------
        indent : int, optional
            As for `json.dumps`.

        Returns
        -------
        str
        """
        from flowkit.output import document, jsonable

        return document("correct", jsonable(self), indent=indent)

    def plot(
        self,
        ax: Axes | None = None,
        *,
        label: str | Mapping[str, str] | None = None,
        color: str | Mapping[str, str] | None = None,
        display: Literal["US", "metric"] = "US",
    ) -> Axes:
        """Draw flow over lift for every test.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; otherwise a new figure that is not pyplot's: show it as ``ax.figure``.
        label : str or mapping, optional
            What to call the lines, or state to label; then ``ax.legend()`` shows them instead of names at their ends.
        color : str or mapping, optional
            One colour, or state to colour, as matplotlib knows them.
        display : {"US", "metric"}, optional

        Returns
        -------
        matplotlib.axes.Axes
        """
        from flowkit.drawing import plot_tests

        return plot_tests(self.tests, ax=ax, display=display, label=label, color=color)
