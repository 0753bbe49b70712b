"""Headings, paragraphs, pictures and tables one under the other, over as many pages as they need."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.drawing import INK, SOFT, text_width, variant_style
from flowkit.reports.fitting import clean, wrap
from flowkit.reports.layout import SIZES, Page, Paper
from flowkit.reports.names import Names
from flowkit.reports.page_table import Flowing
from flowkit.reports.table import Table

__all__ = ["Stream"]

_WHOLE = 0.45
"""Tables lower than this share of a page stay on one."""


class Stream:
    """A chapter of the report, written from top to bottom.

    Parameters
    ----------
    paper : Paper
    title : str
        Over its first page, and with "continued" over the next.
    lead : str, optional
        A sentence under the title.
    """

    def __init__(self, paper: Paper, title: str, lead: str = "") -> None:
        self.paper = paper
        self.title = title
        self.pages: list[Page] = []
        self._open(title)
        if lead:
            self.text(lead, color=SOFT)
            self.y += 4.0

    @property
    def page(self) -> Page:
        """The page being written."""
        return self.pages[-1]

    @property
    def room(self) -> float:
        """What is left above the bottom margin [pt]."""
        return self.paper.inner_bottom - self.y

    def _open(self, title: str) -> None:
        """Begin a page."""
        self.pages.append(Page(self.paper, title))
        self.y = self.page.paragraph(
            self.page.left, self.paper.top + 9.0, self.paper.inner_width, [title], size=SIZES.headline, bold=True,
            leading=16.0,
        ) + 6.0  # fmt: skip

    def need(self, height: float) -> None:
        """Begin a new page where less room than this is left [pt]."""
        if self.room < height:
            self._open(f"{self.title}, continued")

    def heading(self, text: str, *, keep: float = 24.0) -> None:
        """Write a heading with at least so much room under it [pt]."""
        self.need(SIZES.heading * 2 + keep)
        self.y += SIZES.heading * 1.9
        self.page.write(self.page.left, self.y, text, size=SIZES.heading, bold=True)
        self.y += 2.5

    def text(
        self,
        text: str,
        *,
        size: float = SIZES.body,
        color: str = INK,
        bold: bool = False,
        indent: float = 0.0,
        label: str = "",
        label_color: str = INK,
    ) -> None:
        """Write a paragraph; a label stands in the indent of its first line."""
        leading = size * 1.36
        width = self.paper.inner_width - indent
        for number, line in enumerate(wrap(text, width, size, bold=bold)):
            self.need(leading)
            self.y += leading
            if label and number == 0:
                self.page.write(self.page.left, self.y, label, size=size, bold=True, color=label_color)
            self.page.write(self.page.left + indent, self.y, line, size=size, bold=bold, color=color)
        self.y += 1.2

    def sentences(self, texts: Sequence[str]) -> None:
        """Write what the comparison says in words, where it says anything."""
        if texts:
            self.heading("In words")
        for text in texts:
            self.text(clean(text))
            self.y += 1.5

    def tables(self, tables: Sequence[Table]) -> None:
        """Draw tables, side by side where they fit, flowing onto further pages."""
        self.flow(Flowing(tables, self.paper.inner_width))

    def headed(self, heading: str, tables: Sequence[Table], notes: Sequence[str] = ()) -> None:
        """Write a heading, tables with titles of their own, and notes under them; small ones are not torn."""
        flowing = Flowing(tables, self.paper.inner_width)
        height = flowing.height() + 6.0
        self.heading(heading, keep=height if height < _WHOLE * self.paper.inner_bottom else 80.0)
        self.y += 3.0
        self.flow(flowing)
        for note in notes:
            self.text(note, size=SIZES.small)

    def flow(self, flowing: Flowing) -> None:
        """Draw what is left of tables on their way, onto as many pages as they need."""
        while not flowing.done:
            self.y = flowing.draw(self.page, self.y, self.paper.inner_bottom)
            if not flowing.done:
                self._open(f"{self.title}, continued")

    def key(self, names: Names, *, filled: bool = True) -> None:
        """Show each variant's line and marker with its name, in rows as wide as the page."""
        width = self.paper.inner_width
        needs = [38.0 + text_width(names.prefixed(name), SIZES.body) for name in names.place]
        column = width / 2 if max(needs) > width / 3 else 0.0
        x, right = self.page.left, self.page.right
        self.y += 10.0
        for (name, place), need in zip(names.place.items(), needs, strict=True):
            step = column or need
            if x + step > right + 0.1 and x > self.page.left:
                x = self.page.left
                self.y += 10.5
            look = variant_style(place)
            self.page.sample(x + 10.0, self.y - 2.4, look, filled=filled)
            self.page.write(x + 24.0, self.y, names.fitted(name, step - 28.0)[0], color=look.text_color)
            x += step
        self.y += 5.0
