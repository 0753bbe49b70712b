"""How the workbook is written: styles, cells, charts, saving."""

from __future__ import annotations

import copy
import datetime
import io
import math
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from flowkit.analysis.results import Gain
from flowkit.analysis.sentences import changed_words as listed_changes
from flowkit.analysis.sentences import factors
from flowkit.reports.attach.tables import plain

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook


def changed_words(gain: Gain) -> str:
    """Say what changed between two variants, and whether the gain belongs to it alone."""
    if gain.changed:
        words = listed_changes(gain)
        return words if gain.attributable or len(factors(gain)) < 2 else f"{words} (together)"
    return "not declared" if gain.unknown else "nothing: repeatability"


_FONT = "Calibri"
_RAW_INK = "0B4F8A"
_QUIET_INK = "5A5A5A"
_LINE = "8C8C8C"
_VALUE_FILL = "ECECEC"
PROSE, BOLD = 0.88, 1.1
"""Width of a letter against that of a digit."""


@dataclass(frozen=True, slots=True)
class Style:
    """How a cell looks."""

    kind: str = "text"
    digits: int | None = None
    gain: bool = False
    percent: bool = False
    wrap: bool = False
    bold: bool = False
    left: bool = False


def decimals(style: Style) -> str:
    """Return the number format of a style."""
    if style.digits is None:
        return "General"
    if style.digits < 0:  # so many figures, of what is far below one
        return "0." + "0" * (-style.digits - 1) + "E+00"
    places = "0." + "0" * style.digits if style.digits else "0"
    if style.gain:
        return f"+{places}%;-{places}%;{places}%"
    return places + "%" if style.percent else places


def lines_of(text: str, width: float, scale: float = PROSE) -> int:
    """Return how many lines a text takes in a column, whole words a line."""
    lines, used = 1, 0.0
    for word in text.split():
        size = len(word) * scale
        if used and used + 1 + size > width:
            lines, used = lines + 1, size
        else:
            used += size + (1 if used else 0)
    return lines


def dress(cell: Any, style: Style) -> None:
    """Give a cell the font, fill, border, alignment and number format of a style."""
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

    kind = style.kind
    size = {"title": 16, "heading": 12, "quiet": 9}.get(kind, 10)
    ink = {"raw": _RAW_INK, "quiet": _QUIET_INK, "between": _QUIET_INK}.get(kind, "000000")
    cell.font = Font(
        name=_FONT,
        size=size,
        bold=style.bold or kind in ("title", "heading", "header"),
        italic=kind in ("value", "between"),
        color=ink,
    )
    if kind == "value":
        cell.fill = PatternFill("solid", fgColor=_VALUE_FILL)
    if kind == "header":
        cell.border = Border(bottom=Side("thin", color=_LINE))
    elif style.bold:
        cell.border = Border(top=Side("thin", color=_LINE))
    numeric = kind in ("formula", "raw", "value", "between")
    # Words beside numbers keep a little distance, or they would touch.
    right = (numeric or kind == "header") and not style.left
    cell.alignment = Alignment(
        horizontal="right" if right else "left",
        vertical="bottom" if kind == "header" else "top",
        wrap_text=style.wrap or None,
        indent=1 if style.left and (style.bold or kind != "header") else 0,
    )
    cell.number_format = decimals(style)


SHEETS = (
    "Summary",
    "Raw readings",
    "Conditions",
    "Corrections",
    "Corrected flows",
    "Curve slopes",
    "Run figures",
    "Intervals",
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
    """A cell formula."""

    text: str
    value: float | None = None


def spans(rows: Iterable[int]) -> list[tuple[int, int]]:
    """Group rows into runs of neighbours, first and last."""
    found: list[tuple[int, int]] = []
    for row in rows:
        if found and row == found[-1][1] + 1:
            found[-1] = (found[-1][0], row)
        else:
            found.append((row, row))
    return found


@dataclass(slots=True)
class Pen:
    """Writes one sheet."""

    sheet: Any
    cached: dict[str, float] = field(default_factory=dict)
    _styles: dict[Style, Any] = field(default_factory=dict)
    _model: Any = None

    def put(self, row: int, column: int, value: Formula | str | float | None, style: Style | None = None) -> None:
        """Write a cell; None writes nothing."""
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
        """Write neighbouring cells of one row."""
        for column, value in enumerate(values, start):
            self.put(row, column, value, style)

    def title(self, text: str, *notes: str, width: float = 110.0) -> None:
        """Write the sheet's title in row 1, and notes in the rows under it."""
        self.put(1, 1, text, Style("title"))
        self.sheet.row_dimensions[1].height = 24
        for row, note in enumerate(notes, 2):
            self.long_text(row, note, Style("quiet", wrap=True), width=width)

    def long_text(self, row: int, text: str, style: Style, *, width: float, columns: int = 0) -> None:
        """Write a text that runs over several columns, and on several lines where it must."""
        self.put(row, 1, text, style)
        last = columns or max(1, int(width / 11))
        self.sheet.merge_cells(start_row=row, end_row=row, start_column=1, end_column=last)
        self.tall(row, lines_of(text, width))

    def tall(self, row: int, lines: int) -> None:
        """Make a row tall enough for so many lines: not every program works that out for itself."""
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
        """Write a header row, tall enough for its longest text."""
        known, stand_off = widths or {}, set(apart)
        worded = {*words, *stand_off}
        for column, text in enumerate(texts, start):
            style = Style("header", wrap=True, left=column in worded, bold=column in stand_off)
            self.put(row, column, text, style)
        lines = (lines_of(text, known.get(column, 11.0), BOLD) for column, text in enumerate(texts, start))
        self.tall(row, max(lines, default=1))

    def at(self, row: int, column: int, *, lock_row: bool = True, lock_column: bool = True) -> str:
        """Return a cell's address as other sheets call it."""
        return f"'{self.sheet.title}'!{self.here(row, column, lock_row=lock_row, lock_column=lock_column)}"

    def here(self, row: int, column: int, *, lock_row: bool = False, lock_column: bool = False) -> str:
        """Return a cell's address as its own sheet calls it."""
        from openpyxl.utils import get_column_letter

        return f"{'$' if lock_column else ''}{get_column_letter(column)}{'$' if lock_row else ''}{row}"

    def widths(self, widths: dict[int, float], rest: float = 11.0) -> None:
        """Set column widths."""
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
        """Set up the sheet for paper: its area, as wide as the page, headers repeated, name and page below."""
        from openpyxl.utils import get_column_letter

        sheet = self.sheet
        last = (max(sheet.max_row, last_row), sheet.max_column)
        width = sum(sheet.column_dimensions[get_column_letter(column)].width for column in range(1, last[1] + 1))
        sheet.print_area = f"A1:{self.here(*last)}"
        pages_wide = max(1, math.ceil(width / _WIDEST))
        across = width / pages_wide > _PORTRAIT_WIDTH
        sheet.page_setup.orientation = "landscape" if across else "portrait"
        # Set to fit, some programs also enlarge what is narrower than the page.
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
    """Make the sheets in their order and a pen for each."""
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


_DATE = (1980, 1, 1, 0, 0, 0)
_FORMULA = re.compile(rb'(<c r="([A-Z]+[0-9]+)"[^>]*>)(<f>[^<]*</f>)<v ?/?>(?:</v>)?')


def workbook_bytes_of(
    book: Workbook, cached: Sequence[Mapping[str, float]], *, title: str, made: datetime.datetime, mark: str = ""
) -> bytes:
    """Return the workbook as a file's content."""
    from flowkit.version import __version__

    book.properties.creator = f"flowkit {__version__}"
    book.properties.title = title
    book.properties.keywords = mark or None
    book.properties.created = made
    book.calculation.fullCalcOnLoad = True
    first = io.BytesIO()
    book.save(first)
    out = io.BytesIO()
    with zipfile.ZipFile(first) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            sheet = re.fullmatch(r"xl/worksheets/sheet(\d+)\.xml", name)
            if sheet:
                content = _with_values(content, cached[int(sheet[1]) - 1])
            if name == "docProps/core.xml":
                # openpyxl writes the moment of saving; a file that is made anew shall not differ for that.
                moment = made.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + moment, content)
            entry = zipfile.ZipInfo(name, _DATE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            new.writestr(entry, content)
    return out.getvalue()


def _with_values(content: bytes, cached: Mapping[str, float]) -> bytes:
    """Put the values beside their formulas."""

    def filled(match: re.Match[bytes]) -> bytes:
        """Put the value known of a formula behind it."""
        value = cached.get(match[2].decode())
        return match[1] + match[3] + (b"" if value is None else f"<v>{float(value)!r}</v>".encode())

    return _FORMULA.sub(filled, content)
