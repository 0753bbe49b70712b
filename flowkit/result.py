"""What all results can: be one JSON document, be shown in a notebook, be drawn."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from flowkit.output import document, jsonable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from flowkit.model import Finding


class Result:
    """What every result can: be one JSON document, and be shown in a notebook as its table."""

    __slots__ = ()
    kind: ClassVar[str] = ""
    findings: tuple[Finding, ...]

    def to_json(self, *, indent: int | None = None) -> str:
        """Return one JSON document; its keys are the fields, in SI units.

        Parameters
        ----------
        indent : int, optional
            As for `json.dumps`.
        """
        return document(self.kind, jsonable(self), indent=indent)

    def _repr_html_(self) -> str:
        """Show the table in a notebook."""
        from flowkit.drawing.notebook import table_html

        return table_html(repr(self), self.table())  # type: ignore[attr-defined]


class TestsResult(Result):
    """What results of tests can besides: go through their tests, and draw them."""

    __slots__ = ()

    def __iter__(self) -> Iterator[Any]:
        """Go through the tests."""
        return iter(self.tests)  # type: ignore[attr-defined]

    def plot(
        self,
        ax: Axes | None = None,
        *,
        label: str | Mapping[str, str] | None = None,
        color: str | Mapping[str, str] | None = None,
        display: Literal["US", "metric"] = "US",
    ) -> Axes:
        """Draw every test, flow against lift.

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
        from flowkit.drawing.curves import plot_tests

        return plot_tests(self.tests, ax=ax, display=display, label=label, color=color)  # type: ignore[attr-defined]
