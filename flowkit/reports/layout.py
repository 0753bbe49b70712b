"""A page of paper: places are points from the top left corner, as one thinks of a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flowkit.drawing import INK, RULE, SOFT, VariantStyle, text_width
from flowkit.errors import FlowkitError
from flowkit.model import JobInfo
from flowkit.reports.fitting import clean, shorten, wrap
from flowkit.reports.labels import job_words
from flowkit.reports.text import Align, Cells, Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["PAPERS", "SIZES", "Page", "Paper", "Sizes", "paper_named"]


@dataclass(frozen=True, slots=True)
class Sizes:
    """The few type sizes there are [pt]."""

    headline: float = 13.0
    title: float = 9.0
    heading: float = 8.0
    body: float = 7.0
    small: float = 6.2


SIZES = Sizes()


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper and its margins [pt]."""

    name: str
    width: float
    height: float
    left: float = 43.0
    right: float = 43.0
    top: float = 36.0
    bottom: float = 31.0

    @property
    def inner_width(self) -> float:
        """Between the margins [pt]."""
        return self.width - self.left - self.right

    @property
    def inner_bottom(self) -> float:
        """Where the bottom margin begins, from the top [pt]."""
        return self.height - self.bottom


PAPERS = {
    "letter": Paper("letter", 612.0, 792.0),
    "a4": Paper("a4", 210 / 25.4 * 72, 297 / 25.4 * 72),
}


def paper_named(name: str) -> Paper:
    """Return the paper of a name.

    Raises
    ------
    FlowkitError
        If there is none.
    """
    if name not in PAPERS:
        raise FlowkitError(f"there is no paper {name!r}", "use " + " or ".join(PAPERS))
    return PAPERS[name]


class Page:
    """One page and its figure.

    Parameters
    ----------
    paper : Paper
    title : str
        What the page is called at its top and in the outline.
    """

    def __init__(self, paper: Paper, title: str) -> None:
        from matplotlib.figure import Figure

        self.paper = paper
        self.title = title
        self.figure = Figure(figsize=(paper.width / 72, paper.height / 72), dpi=72, facecolor="white")
        self.cells = Cells(paper.height)
        self.figure.add_artist(self.cells)
        self._rules: list[tuple[float, float, float, float, str]] = []

    @property
    def left(self) -> float:
        """The left margin [pt]."""
        return self.paper.left

    @property
    def right(self) -> float:
        """Where the right margin begins [pt]."""
        return self.paper.width - self.paper.right

    def write(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = SIZES.body,
        align: Align = "left",
        bold: bool = False,
        italic: bool = False,
        color: str = INK,
    ) -> None:
        """Write one line, its baseline at y."""
        self.cells.add(Words(x, y, text, size, align, bold, italic, color))

    def paragraph(
        self,
        x: float,
        y: float,
        width: float,
        lines: str | Sequence[str],
        *,
        size: float = SIZES.body,
        leading: float | None = None,
        bold: bool = False,
        color: str = INK,
    ) -> float:
        """Write lines, the first baseline one line under y; return where the last line ends."""
        leading = leading or size * 1.36
        for line in wrap(lines, width, size, bold=bold) if isinstance(lines, str) else lines:
            y += leading
            self.write(x, y, line, size=size, bold=bold, color=color)
        return y

    def rule(self, x0: float, x1: float, y: float, *, weight: float = 0.5, color: str = RULE) -> None:
        """Draw a horizontal line."""
        self._rules.append((x0, x1, y, weight, color))

    def sample(self, x: float, y: float, look: VariantStyle, *, width: float = 18.0, filled: bool = True) -> None:
        """Draw a sample of a variant's line with its marker, its middle at (x, y)."""
        from matplotlib.lines import Line2D

        points = [x - width / 2, x, x + width / 2]
        self.figure.add_artist(
            Line2D(
                [value / self.paper.width for value in points],
                [1 - y / self.paper.height] * 3,
                color=look.color, linestyle=look.linestyle, linewidth=1.0, marker=look.marker, markevery=[1],
                markersize=3.6, markeredgewidth=0.7, markerfacecolor=look.color if filled else "white",
            )
        )  # fmt: skip

    def axes(self, left: float, top: float, width: float, height: float) -> Axes:
        """Add axes whose frame lies at these points."""
        w, h = self.paper.width, self.paper.height
        return self.figure.add_axes((left / w, 1 - (top + height) / h, width / w, height / h))

    def finish(self, info: JobInfo, count: int, number: int) -> None:
        """Write the running head, and draw the rules collected so far.

        Parameters
        ----------
        info : JobInfo
            The job: its shop, number and date are named.
        count, number : int
            Pages in all, and this one's number.
        """
        from matplotlib.collections import LineCollection

        right = " · ".join(part for part in (clean(job_words(info)), f"page {number} of {count}") if part)
        right = shorten(right, self.paper.inner_width * 0.6, SIZES.body)
        self.write(self.right, self.paper.top, right, align="right", color=SOFT)
        left = " · ".join(("Flow chart", clean(info.shop))) if info.shop else "Flow chart"
        room = self.paper.inner_width - text_width(right, SIZES.body) - 16.0
        self.write(self.left, self.paper.top, shorten(left, room, SIZES.body), color=SOFT)
        if self._rules:
            w, h = self.paper.width, self.paper.height
            lines: list[Any] = [[(x0 / w, 1 - y / h), (x1 / w, 1 - y / h)] for x0, x1, y, _, _ in self._rules]
            self.figure.add_artist(
                LineCollection(
                    lines,
                    colors=[rule[4] for rule in self._rules],
                    linewidths=[rule[3] for rule in self._rules],
                    transform=self.figure.transFigure,
                )
            )
