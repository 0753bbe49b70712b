"""What reading a file gives."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from flowkit.model import Finding, FlowTest, HandChange

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = ["ReadResult"]


@dataclass(frozen=True, slots=True, repr=False)
class ReadResult:
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

    tests: tuple[FlowTest, ...]
    findings: tuple[Finding, ...] = ()
    changes: tuple[HandChange, ...] = field(default=(), metadata={"json": False})
    sha256: str = field(default="", compare=False, metadata={"json": False})

    def __iter__(self) -> Iterator[FlowTest]:
        """Go through the tests."""
        return iter(self.tests)

    def __repr__(self) -> str:
        names = ", ".join(dict.fromkeys(test.file for test in self.tests))
        return f"<ReadResult of {names or 'nothing'}: {len(self.tests)} tests, {len(self.findings)} findings>"

    def _repr_html_(self) -> str:
        """Show the table in a notebook."""
        from flowkit.drawing.notebook import table_html

        return table_html(repr(self), self.table())

    def table(self) -> pd.DataFrame:
        """Return one row per point.

        Returns
        -------
        pandas.DataFrame
            Columns ``test, file, sheet, head, variant, side, port, run, lift_m, flow_m3_s,
            pressure_pa, source``; the pressure is the one that counts at the point [Pa].
        """
        import pandas as pd

        columns = ["test", "file", "sheet", "head", "variant", "side", "port", "run"]
        columns += ["lift_m", "flow_m3_s", "pressure_pa", "source"]
        rows = [
            (
                *(test.id, test.file, test.sheet, test.head, test.variant, test.side, test.port, test.run),
                *(point.lift_m, point.flow_m3_s, test.pressure_at(point), point.source),
            )
            for test in self.tests
            for point in test.points
        ]
        return pd.DataFrame(rows, columns=columns)

    def plot(
        self,
        ax: Axes | None = None,
        *,
        label: str | Mapping[str, str] | None = None,
        color: str | Mapping[str, str] | None = None,
        display: Literal["US", "metric"] = "US",
    ) -> Axes:
        """Draw the readings, flow against lift.

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

    def to_json(self, *, indent: int | None = None) -> str:
        """Return one JSON document of kind ``"read"``.

        Parameters
        ----------
        indent : int, optional
            As for `json.dumps`.
        """
        from flowkit.output import document, jsonable

        return document("read", jsonable(self), indent=indent)
