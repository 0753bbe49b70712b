"""What reading a file gives."""

from __future__ import annotations

from dataclasses import dataclass, field
from operator import attrgetter
from typing import TYPE_CHECKING, ClassVar

from flowkit.model import Finding, FlowTest, HandChange
from flowkit.result import TestsResult

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, repr=False)
class ReadResult(TestsResult):
    """The tests of one file, and what was doubtful.

    Attributes
    ----------
    tests : tuple of FlowTest
        In the file's order.
    findings : tuple of Finding
    changes : tuple of HandChange
        What the user set or left out by hand.
    sha256 : str
        Fingerprint of the very bytes that were read; empty where no file was.

    Examples
    --------
    >>> from flowkit.importers import read
    >>> result = read("sample_sheets/as_received.csv")
    >>> len(result.tests), result.tests[0].port
    (12, '1')
    """

    kind: ClassVar[str] = "read"
    tests: tuple[FlowTest, ...]
    findings: tuple[Finding, ...] = ()
    changes: tuple[HandChange, ...] = field(default=(), metadata={"json": False})
    sha256: str = field(default="", compare=False, metadata={"json": False})

    def __repr__(self) -> str:
        names = ", ".join(dict.fromkeys(test.file for test in self.tests))
        return f"<ReadResult of {names or 'nothing'}: {len(self.tests)} tests, {len(self.findings)} findings>"

    def table(self) -> pd.DataFrame:
        """Return one row per point.

        Returns
        -------
        pandas.DataFrame
            Columns ``test, file, sheet, head, variant, side, port, run, lift_m, flow_m3_s,
            pressure_pa, source``; the pressure is the one that counts at the point [Pa].
        """
        import pandas as pd

        of_test = attrgetter("id", "file", "sheet", "head", "variant", "side", "port", "run")
        columns = ["test", "file", "sheet", "head", "variant", "side", "port", "run"]
        rows = [
            (*of_test(test), point.lift_m, point.flow_m3_s, test.pressure_at(point), point.source)
            for test in self.tests
            for point in test.points
        ]
        return pd.DataFrame(rows, columns=[*columns, "lift_m", "flow_m3_s", "pressure_pa", "source"])
