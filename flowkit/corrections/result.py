"""What all corrections together give."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from flowkit.corrections.bore import flow_per_area
from flowkit.model import CorrectedTest, Finding, ReferenceState
from flowkit.result import TestsResult

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
