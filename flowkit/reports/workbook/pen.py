"""Writing cells: text as text, formulas with the value flowkit has for them, few styles."""

from __future__ import annotations

import copy
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from flowkit.reports.attach.tables import plain
from flowkit.reports.workbook.styles import BOLD, Style, dress, lines_of

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook

__all__ = ["SHEETS", "Formula", "Pen", "pens", "spans"]

SHEETS = (
    "Summary",
    "Raw readings",
    "Conditions",
    "Corrections",
    "Corrected flows",
    "Curve slopes",
    "Gains",
    "Flow by band",
    "Bands and ratios",
    "Areas",
    "Findings",
    "Reference",
)

_LONGEST_TEXT = 32_767
_FORMULA_STARTS = ("=", "+", "-", "@")
_POINTS_A_LINE = 13.5
_UPRIGHT, _ACROSS = 92.0, 130.0
"""Characters of the usual size that fit on a page."""
_WIDEST = 240.0
"""Characters that can still be read when shrunk onto one page; a wider sheet takes several side by side."""
_PORTRAIT_WIDTH = 130.0
"""Characters up to which a sheet is shrunk onto an upright page rather than turned."""


@dataclass(frozen=True, slots=True)
class Formula:
    """A cell formula.

    Attributes
    ----------
    text : str
        Without the leading ``=``.
    value : float or None
        What flowkit has for it; shown by programs that do not calculate.
    """

    text: str
    value: float | None = None


def spans(rows: Iterable[int]) -> list[tuple[int, int]]:
    """Group rows into runs of neighbours, first and last.

    Parameters
    ----------
    rows : iterable of int
        In rising order.

    Examples
    --------
    >>> spans([4, 5, 6, 9])
    [(4, 6), (9, 9)]
    """
    found: list[tuple[int, int]] = []
    for row in rows:
        if found and row == found[-1][1] + 1:
            found[-1] = (found[-1][0], row)
        else:
            found.append((row, row))
    return found


@dataclass(slots=True)
class Pen:
    """Writes one sheet.

    Attributes
    ----------
    sheet : Worksheet
    cached : dict
        Address to the value of its formula, to be stored beside it.
    """

    sheet: Any
    cached: dict[str, float] = field(default_factory=dict)
    _styles: dict[Style, Any] = field(default_factory=dict)
    _model: Any = None

    def put(self, row: int, column: int, value: Formula | str | float | None, style: Style | None = None) -> None:
        """Write a cell; None writes nothing.

        Parameters
        ----------
        row, column : int
            From 1.
        value : Formula, str, float or None
            Text is always written as text.
        style : Style, optional
        """
        if value is None:
            return
        cell = self.sheet.cell(row, column)
        text = isinstance(value, str)
        if isinstance(value, Formula):
            cell.value = "=" + value.text
            if value.value is not None:
                self.cached[cell.coordinate] = value.value
        elif isinstance(value, str):
            shown = plain(value)[:_LONGEST_TEXT]
            cell.value = shown
            cell.data_type = "s"
        else:
            cell.value = float(value) if not isinstance(value, int) else value
        cell._style = self._style(style or Style("text" if text else "formula"))
        if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
            # Still text once somebody opens the cell and leaves it again.
            cell._style = copy.copy(cell._style)
            cell.quotePrefix = True

    def row(
        self, row: int, values: Sequence[Formula | str | float | None], style: Style | None = None, *, start: int = 1
    ) -> None:
        """Write neighbouring cells of one row.

        Parameters
        ----------
        row : int
        values : sequence
        style : Style, optional
        start : int, optional
            First column.
        """
        for column, value in enumerate(values, start):
            self.put(row, column, value, style)

    def title(self, text: str, *notes: str, width: float = 110.0) -> None:
        """Write the sheet's title in row 1, and notes in the rows under it.

        Parameters
        ----------
        text : str
        *notes : str
        width : float, optional
            How far the notes may run [characters].
        """
        self.put(1, 1, text, Style("title"))
        self.sheet.row_dimensions[1].height = 24
        for row, note in enumerate(notes, 2):
            self.long_text(row, note, Style("quiet", wrap=True), width=width)

    def long_text(self, row: int, text: str, style: Style, *, width: float, columns: int = 0) -> None:
        """Write a text that runs over several columns, and on several lines where it must.

        Parameters
        ----------
        row : int
        text : str
        style : Style
        width : float
            How far it may run [characters].
        columns : int, optional
            How many columns that is; left out, as many usual ones as fit.
        """
        self.put(row, 1, text, style)
        last = columns or max(1, int(width / 11))
        self.sheet.merge_cells(start_row=row, end_row=row, start_column=1, end_column=last)
        self.tall(row, lines_of(text, width))

    def tall(self, row: int, lines: int) -> None:
        """Make a row tall enough for so many lines: not every program works that out for itself.

        Parameters
        ----------
        row : int
        lines : int
        """
        dimensions = self.sheet.row_dimensions[row]
        dimensions.height = max(_POINTS_A_LINE * lines, dimensions.height or 0)

    def header(
        self,
        row: int,
        texts: Sequence[str],
        *,
        start: int = 1,
        widths: dict[int, float] | None = None,
        words: Iterable[int] = (),
        apart: Iterable[int] = (),
    ) -> None:
        """Write a header row, tall enough for its longest text.

        Parameters
        ----------
        row : int
        texts : sequence of str
        start : int, optional
        widths : dict, optional
            Column to its width [characters], where not the usual eleven.
        words : iterable of int, optional
            Columns that hold words: their heads stand on the left.
        apart : iterable of int, optional
            Such columns that follow numbers, and stand off a little.
        """
        known, stand_off = widths or {}, set(apart)
        worded = {*words, *stand_off}
        for column, text in enumerate(texts, start):
            style = Style("header", wrap=True, left=column in worded, bold=column in stand_off)
            self.put(row, column, text, style)
        lines = (lines_of(text, known.get(column, 11.0), BOLD) for column, text in enumerate(texts, start))
        self.tall(row, max(lines, default=1))

    def at(self, row: int, column: int, *, lock_row: bool = True, lock_column: bool = True) -> str:
        """Return a cell's address as other sheets call it.

        Parameters
        ----------
        row, column : int
        lock_row, lock_column : bool, optional
            Whether the address stays as it is when copied.
        """
        return f"'{self.sheet.title}'!{self.here(row, column, lock_row=lock_row, lock_column=lock_column)}"

    def here(self, row: int, column: int, *, lock_row: bool = False, lock_column: bool = False) -> str:
        """Return a cell's address as its own sheet calls it.

        Parameters
        ----------
        row, column : int
        lock_row, lock_column : bool, optional
        """
        from openpyxl.utils import get_column_letter

        return f"{'$' if lock_column else ''}{get_column_letter(column)}{'$' if lock_row else ''}{row}"

    def widths(self, widths: dict[int, float], rest: float = 11.0) -> None:
        """Set column widths.

        Parameters
        ----------
        widths : dict
            Column to its width [characters].
        rest : float, optional
            Of all other columns in use.
        """
        from openpyxl.utils import get_column_letter

        for column in range(1, self.sheet.max_column + 1):
            self.sheet.column_dimensions[get_column_letter(column)].width = widths.get(column, rest)

    def paper(
        self,
        *,
        title_rows: str | None = None,
        title_columns: str | None = None,
        freeze: str | None = None,
        last_row: int = 0,
    ) -> None:
        """Set up the sheet for paper: its area, as wide as the page, headers repeated, name and page below.

        Parameters
        ----------
        title_rows, title_columns : str, optional
            Such as ``"1:3"`` and ``"A:E"``.
        freeze : str, optional
            The first cell that scrolls.
        last_row : int, optional
            Where a chart reaches below the last cell.
        """
        from openpyxl.utils import get_column_letter

        sheet = self.sheet
        last = (max(sheet.max_row, last_row), sheet.max_column)
        width = sum(sheet.column_dimensions[get_column_letter(column)].width for column in range(1, last[1] + 1))
        sheet.print_area = f"A1:{self.here(*last)}"
        pages_wide = max(1, math.ceil(width / _WIDEST))
        across = width / pages_wide > _PORTRAIT_WIDTH
        sheet.page_setup.orientation = "landscape" if across else "portrait"
        # Told to fit, some programs also blow up what is narrower than the page.
        if width / pages_wide > (_ACROSS if across else _UPRIGHT):
            sheet.page_setup.fitToWidth = pages_wide
            sheet.page_setup.fitToHeight = 0
            sheet.sheet_properties.pageSetUpPr.fitToPage = True
        sheet.print_title_rows = title_rows
        sheet.print_title_cols = title_columns
        sheet.freeze_panes = freeze
        sheet.sheet_view.showGridLines = False
        sheet.sheet_format.defaultRowHeight = _POINTS_A_LINE
        sheet.sheet_format.customHeight = True
        sheet.oddFooter.left.text = "&A"
        sheet.oddFooter.right.text = "&P / &N"
        margins = sheet.page_margins
        margins.left = margins.right = 0.5
        margins.top, margins.bottom, margins.footer = 0.6, 0.75, 0.4

    def _style(self, style: Style) -> Any:
        """Return openpyxl's form of a style, made once."""
        if style not in self._styles:
            self._model.style = "Normal"
            dress(self._model, style)
            self._styles[style] = copy.copy(self._model._style)
        return self._styles[style]


def pens(book: Workbook) -> dict[str, Pen]:
    """Make the sheets in their order and a pen for each.

    Parameters
    ----------
    book : Workbook
        New; its first sheet becomes the first of these.
    """
    styles: dict[Style, Any] = {}
    draft = book.create_sheet("draft")
    model: Any = draft.cell(1, 1)
    book.remove(draft)
    made: dict[str, Pen] = {}
    for place, title in enumerate(SHEETS):
        sheet: Any = book.active if place == 0 else book.create_sheet()
        sheet.title = title
        made[title] = Pen(sheet, _styles=styles, _model=model)
    return made
