"""How worksheets are written: cells, tables whose formulas are templates of their columns' names, paper, saving."""

from __future__ import annotations

import copy
import datetime
import io
import math
import re
import zipfile
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

from flowkit.reports.attach.tables import plain
from flowkit.reports.workbook import look
from flowkit.reports.workbook.look import Style

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook

SHEETS = (
    "Summary", "Raw readings", "Conditions", "Corrections", "Corrected flows", "Curve slopes", "Run figures",
    "Intervals", "Gains", "Flow by band", "Bands and ratios", "Areas", "Findings", "Reference",
)  # fmt: skip

PROSE, BOLD = 0.88, 1.1
"""Width of a letter against that of a digit."""
_LONGEST_TEXT = 32_767
_FORMULA_STARTS = ("=", "+", "-", "@")
_POINTS_A_LINE = 13.5
_NARROW = 11.0
_UPRIGHT, _ACROSS = 92.0, 130.0
"""Characters of the usual size that fit on a page."""
_WIDEST = 240.0
"""Characters that can still be read when shrunk onto one page; a wider sheet takes several side by side."""
_PORTRAIT_WIDTH = 130.0
"""Characters up to which a sheet is shrunk onto an upright page rather than turned."""

Key = tuple[object, ...]
Value = str | float | None


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


def spans(rows: Iterable[int]) -> list[tuple[int, int]]:
    """Group rows into runs of neighbours, first and last."""
    found: list[tuple[int, int]] = []
    for row in rows:
        if found and row == found[-1][1] + 1:
            found[-1] = (found[-1][0], row)
        else:
            found.append((row, row))
    return found


class Pen:
    """Writes one sheet from the top down; `row` is where it is."""

    def __init__(self, sheet: Any, model: Any, known: dict[Style, Any], cells: dict[Key, str]) -> None:
        self.sheet, self.row = sheet, 1
        self.widths: dict[int, float] = {}
        self.known: dict[str, float] = {}  # values of formulas, for programs that do not calculate
        self.cells = cells  # of all sheets: what other sheets call, by name
        self._model, self._styles = model, known

    def put(
        self, column: int, value: Value, style: Style | None = None, text: str = "", *, row: int = 0,
        name: Key | None = None,
    ) -> None:  # fmt: skip
        """Write a value, or a formula with its value, nothing for None; other sheets call the cell by name."""
        if value is None:
            return
        cell = self.sheet.cell(row or self.row, column)
        style = style or (look.TEXT if isinstance(value, str) else look.NUMBER)
        if text:
            cell.value = "=" + text
            self.known[cell.coordinate] = float(value)
        elif isinstance(value, str):
            cell.value = plain(value)[:_LONGEST_TEXT]
            cell.data_type = "s"
        else:
            cell.value = value if isinstance(value, int) else float(value)
            if style.kind == "formula" and isinstance(value, float):
                style = replace(style, kind="value")
        cell._style = self._style(style)
        if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
            # Still text once somebody opens the cell and leaves it again.
            cell._style = copy.copy(cell._style)
            cell.quotePrefix = True
        if name is not None:
            self.cells[name] = self.at(column, row)

    def title(self, text: str, *notes: str, width: float = 110.0) -> None:
        """Write the sheet's title and notes under it; tables begin in row 4."""
        self.put(1, text, Style("title"))
        self.sheet.row_dimensions[1].height = 24
        self.row = 2
        for note in notes:
            self.long_text(note, look.NOTE, width=width)
        self.row = 4

    def heading(self, text: str) -> None:
        """Write the heading of a block in a row of its own."""
        self.put(1, text, look.HEADING)
        self.row += 1

    def long_text(self, text: str, style: Style, *, width: float, columns: int = 0) -> None:
        """Write a text that runs over several columns, in a row of its own as tall as its lines."""
        self.put(1, text, style)
        last = columns or max(1, int(width / 11))
        self.sheet.merge_cells(start_row=self.row, end_row=self.row, start_column=1, end_column=last)
        self.tall(text, width)
        self.row += 1

    def tall(self, text: str, width: float, scale: float = PROSE) -> None:
        """Make the row tall enough for a text: not every program works that out for itself."""
        dimensions = self.sheet.row_dimensions[self.row]
        dimensions.height = max(_POINTS_A_LINE * lines_of(text, width, scale), dimensions.height or 0)

    def header(self, texts: Sequence[str], *, words: Collection[int] = (), apart: Collection[int] = ()) -> None:
        """Write a header row, tall enough for its longest text; words are to the left, some a little apart."""
        for column, text in enumerate(texts, 1):
            away = column in apart
            self.put(column, text, Style("header", wrap=True, left=away or column in words, bold=away))
            self.tall(text, self.widths.get(column, _NARROW), BOLD)
        self.row += 1

    def here(self, column: int, row: int = 0, lock: str = "") -> str:
        """Return a cell's address as its own sheet calls it; its column ("c"), its row ("r") or both may be locked."""
        from openpyxl.utils import get_column_letter

        return f"{'$' * ('c' in lock)}{get_column_letter(column)}{'$' * ('r' in lock)}{row or self.row}"

    def at(self, column: int, row: int = 0, lock: str = "cr") -> str:
        """Return a cell's address as other sheets call it."""
        return f"'{self.sheet.title}'!{self.here(column, row, lock)}"

    def ranges(
        self, columns: int | Iterable[int], rows: int | Iterable[int], lock: str = "", *, away: bool = False
    ) -> list[str]:
        """Return the cells of some columns and rows, neighbours as one range; away: as other sheets call them."""
        across, down = (spans([one] if isinstance(one, int) else sorted(one)) for one in (columns, rows))
        found = []
        for top, bottom in down:
            for left, right in across:
                first = (self.at if away else self.here)(left, top, lock)
                one = (left, top) == (right, bottom)
                found.append(first if one else f"{first}:{self.here(right, bottom, lock)}")
        return found

    def finish(
        self, rest: float = _NARROW, *, freeze: str | None = None, title_rows: str | None = None,
        title_columns: str | None = None, last_row: int = 0,
    ) -> None:  # fmt: skip
        """Set column widths, and paper: the sheet's area, as wide as the page, headers repeated, name and page."""
        from openpyxl.utils import get_column_letter

        sheet = self.sheet
        width = 0.0
        for column in range(1, sheet.max_column + 1):
            own = sheet.column_dimensions[get_column_letter(column)].width = self.widths.get(column, rest)
            width += own
        sheet.print_area = f"A1:{self.here(sheet.max_column, max(sheet.max_row, last_row))}"
        pages_wide = max(1, math.ceil(width / _WIDEST))
        across = width / pages_wide > _PORTRAIT_WIDTH
        sheet.page_setup.orientation = "landscape" if across else "portrait"
        # Set to fit, some programs also enlarge what is narrower than the page.
        if width / pages_wide > (_ACROSS if across else _UPRIGHT):
            sheet.page_setup.fitToWidth = pages_wide
            sheet.page_setup.fitToHeight = 0
            sheet.sheet_properties.pageSetUpPr.fitToPage = True
        sheet.print_title_rows, sheet.print_title_cols, sheet.freeze_panes = title_rows, title_columns, freeze
        sheet.sheet_view.showGridLines = False
        sheet.sheet_format.defaultRowHeight = _POINTS_A_LINE
        sheet.sheet_format.customHeight = True
        sheet.oddFooter.left.text = "&A"
        sheet.oddFooter.right.text = "&P / &N"
        margins = sheet.page_margins
        margins.left = margins.right = 0.5
        margins.top, margins.bottom, margins.footer = 0.6, 0.75, 0.4

    def break_page(self, row: int) -> None:
        """Begin a page with a row."""
        from openpyxl.worksheet.pagebreak import Break

        self.sheet.row_breaks.append(Break(row - 1))

    def _style(self, style: Style) -> Any:
        """Return openpyxl's form of a style, made once."""
        if style not in self._styles:
            self._model.style = "Normal"
            look.dress(self._model, style)
            self._styles[style] = copy.copy(self._model._style)
        return self._styles[style]


class Column(NamedTuple):
    """A column of a table: the name its cells have in formulas, its head, how they look, its width."""

    key: str
    head: str
    style: Style = look.TEXT
    width: float = 0.0


class Table:
    """Rows of named columns; in the template of a formula ``{name}`` is a cell of the same row."""

    def __init__(self, pen: Pen, columns: Sequence[Column], heading: str = "") -> None:
        self.pen = pen
        self.columns = {column.key: (number, column.style) for number, column in enumerate(columns, 1)}
        self._row, self._names = 0, dict[str, str]()
        pen.widths |= {place: column.width for place, column in enumerate(columns, 1) if column.width}
        if heading:
            pen.heading(heading)
        looks = self.columns.values()
        words = [place for place, style in looks if style.kind in ("text", "quiet")]
        apart = [place for place, style in looks if style.left]
        pen.header([column.head for column in columns], words=words, apart=apart)

    def put(
        self, key: str, value: Value, text: str = "", *, style: Style | None = None, name: Key | None = None,
        cells: Mapping[str, str] | None = None,
    ) -> None:  # fmt: skip
        """Write one cell of the row: a value, or a formula with its value."""
        pen, (column, own_style) = self.pen, self.columns[key]
        if text and pen.row != self._row:
            self._row, self._names = pen.row, {own: pen.here(place) for own, (place, _) in self.columns.items()}
        formula = text.format(**self._names, **(cells or {})) if text else ""
        pen.put(column, value, style or own_style, formula, name=name)

    def here(self, key: str, row: int = 0, lock: str = "") -> str:
        """Return the address of a named column's cell as its own sheet calls it."""
        return self.pen.here(self.columns[key][0], row, lock)

    def at(self, key: str, row: int = 0, lock: str = "cr") -> str:
        """Return it as other sheets call it."""
        return self.pen.at(self.columns[key][0], row, lock)

    def ranges(self, key: str, rows: int | Iterable[int], lock: str = "") -> list[str]:
        """Return a named column's cells in some rows, neighbours as one range."""
        return self.pen.ranges(self.columns[key][0], rows, lock)


def pens(book: Workbook, cells: dict[Key, str]) -> dict[str, Pen]:
    """Make the sheets in their order and a pen for each."""
    known: dict[Style, Any] = {}
    draft = book.create_sheet("draft")
    model: Any = draft.cell(1, 1)
    book.remove(draft)
    made: dict[str, Pen] = {}
    for place, title in enumerate(SHEETS):
        sheet: Any = book.active if place == 0 else book.create_sheet()
        sheet.title = title
        made[title] = Pen(sheet, model, known, cells)
    return made


_DATE = (1980, 1, 1, 0, 0, 0)
_FORMULA = re.compile(rb'(<c r="([A-Z]+[0-9]+)"[^>]*>)(<f>[^<]*</f>)<v ?/?>(?:</v>)?')


def _with_value(known: Mapping[str, float], cell: re.Match[bytes]) -> bytes:
    """Put the value known of a formula behind it."""
    value = known.get(cell[2].decode())
    return cell[1] + cell[3] + (b"" if value is None else f"<v>{value!r}</v>".encode())


def workbook_bytes_of(
    book: Workbook, known: Sequence[Mapping[str, float]], *, title: str, made: datetime.datetime, mark: str = ""
) -> bytes:
    """Return the workbook as a file's content, the values known of each sheet's formulas beside them."""
    from flowkit.version import __version__

    book.properties.creator = f"flowkit {__version__}"
    book.properties.title = title
    book.properties.keywords = mark or None
    book.properties.created = made
    book.calculation.fullCalcOnLoad = True
    first, out = io.BytesIO(), io.BytesIO()
    book.save(first)
    with zipfile.ZipFile(first) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            sheet = re.fullmatch(r"xl/worksheets/sheet(\d+)\.xml", name)
            if sheet:
                values = known[int(sheet[1]) - 1]
                content = _FORMULA.sub(partial(_with_value, values), content)
            if name == "docProps/core.xml":
                # openpyxl writes the moment of saving; a file that is made anew shall not differ for that.
                moment = made.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + moment, content)
            entry = zipfile.ZipInfo(name, _DATE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            new.writestr(entry, content)
    return out.getvalue()
