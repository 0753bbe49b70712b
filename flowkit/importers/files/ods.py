"""Facts of an ods package: sizes, hidden sheets, rows and columns, merged cells, formulas.

An ods writes a run of equal cells or rows once, with a count; a reader that writes them all
out can be made to fill the memory. So the counts are added up here before any reader sees
the file.

Names and meaning of the elements: OpenDocument 1.3, part 3, section 9 and chapter 19.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from flowkit.errors import SheetError
from flowkit.importers.files.grid import (
    MAX_CELLS_IN_FILE,
    MAX_COLUMNS,
    MAX_ROWS,
    MAX_SHEETS,
    MAX_TEXT_IN_CELLS,
    Cell,
    SheetFacts,
    check_extent,
)
from flowkit.importers.files.package import Attributes, parse_xml

_HIDDEN = ("collapse", "filter")
_ERROR = re.compile(r"#[\w/]+[!?]?|Err:\d+")


@dataclass(slots=True)
class _Table(SheetFacts):
    """One table as it is passed over."""

    name: str = ""
    row: int = 0
    column: int = 0
    table_column: int = 0
    row_repeat: int = 1


@dataclass(slots=True)
class _CellState:
    """The cell the pass is in."""

    attributes: Attributes
    repeat: int
    text: str = ""
    filled: bool = False
    struck: bool = False


@dataclass(slots=True)
class _Pass:
    """One pass over an ods's content."""

    tables: list[_Table] = field(default_factory=list)
    open_tables: list[_Table] = field(default_factory=list)
    hidden_styles: set[str] = field(default_factory=set)
    struck_styles: set[str] = field(default_factory=set)
    style: str = ""
    cell: _CellState | None = None
    cells: int = 0
    characters: int = 0

    def start(self, name: str, attributes: Attributes) -> None:
        """Take an element's start."""
        if name == "style:style":
            self.style = attributes.get("style:name", "")
        elif name == "style:table-properties" and attributes.get("table:display") == "false":
            self.hidden_styles.add(self.style)
        elif name == "style:text-properties":
            if attributes.get("style:text-line-through-style", "none") != "none":
                self.struck_styles.add(self.style)
        elif name == "table:table":
            hidden = attributes.get("table:style-name") in self.hidden_styles
            table = _Table(hidden, name=attributes.get("table:name", ""))
            self.tables.append(table)
            self.open_tables.append(table)
        elif not self.open_tables:
            return
        elif name == "table:table-column":
            self._column(self.open_tables[-1], attributes)
        elif name == "table:table-row":
            self._row(self.open_tables[-1], attributes)
        elif name in ("table:table-cell", "table:covered-table-cell"):
            repeat = self._count(attributes.get("table:number-columns-repeated", "1"))
            self.cell = _CellState(attributes, repeat)
            self.cell.filled = "office:value-type" in attributes or "table:formula" in attributes
            self.cell.struck = attributes.get("table:style-name") in self.struck_styles
        elif self.cell is not None and name == "text:p":
            self.cell.filled = True
        elif self.cell is not None and name == "text:span" and attributes.get("text:style-name") in self.struck_styles:
            self.cell.struck = True

    def end(self, name: str) -> None:
        """Take an element's end."""
        if not self.open_tables:
            return
        table = self.open_tables[-1]
        if name == "table:table":
            self.open_tables.pop()
            check_extent(table.rows, table.columns, table.name)
            self.cells += table.rows * table.columns
        elif name == "table:table-row":
            table.row += table.row_repeat
        elif name in ("table:table-cell", "table:covered-table-cell") and self.cell is not None:
            self._end_cell(table, self.cell)
            self.cell = None

    def text(self, text: str) -> None:
        """Take text."""
        if self.cell is not None:
            self.cell.text += text

    def _count(self, stated: str) -> int:
        """Read how often a cell or row is repeated."""
        if not stated.isdecimal() or len(stated) > 9:
            raise SheetError(
                f"the file is broken: it repeats a cell {stated!r} times",
                "open it in the spreadsheet program and save it again",
            )
        return max(1, int(stated))

    def _column(self, table: _Table, attributes: Attributes) -> None:
        """Take a run of columns."""
        repeat = self._count(attributes.get("table:number-columns-repeated", "1"))
        if attributes.get("table:visibility") in _HIDDEN:
            first = min(table.table_column, MAX_COLUMNS)
            table.hidden_columns.update(range(first, min(first + repeat, MAX_COLUMNS)))
        table.table_column += repeat

    def _row(self, table: _Table, attributes: Attributes) -> None:
        """Take a run of rows."""
        table.row_repeat = self._count(attributes.get("table:number-rows-repeated", "1"))
        table.column = 0
        if attributes.get("table:visibility") in _HIDDEN:
            first = min(table.row, MAX_ROWS)
            table.hidden_rows.update(range(first, min(first + table.row_repeat, MAX_ROWS)))

    def _end_cell(self, table: _Table, cell: _CellState) -> None:
        """Keep what a run of cells turned out to be."""
        left, repeat = table.column, cell.repeat
        table.column += repeat
        if not cell.filled:
            return
        rows, columns = table.row + table.row_repeat, left + repeat
        check_extent(rows, columns, table.name)
        table.rows, table.columns = max(table.rows, rows), max(table.columns, columns)
        self.characters += len(cell.text) * repeat * table.row_repeat
        if self.characters > MAX_TEXT_IN_CELLS:
            raise SheetError(
                f"the sheet's texts, written out, hold more than the {MAX_TEXT_IN_CELLS} characters flowkit reads",
                "delete the long texts and save it again",
                sheet=table.name,
            )
        if cell.struck:
            table.struck.update((row, column) for row in range(table.row, rows) for column in range(left, columns))
        kept = self._kept_in(table, cell)
        if kept is not None:
            places = ((row, column) for row in range(table.row, rows) for column in range(left, columns))
            if isinstance(kept, dict):
                kept.update((place, _error_text(cell)) for place in places)
            else:
                kept.update(places)
        self._merge(table, cell, left)

    def _kept_in(self, table: _Table, cell: _CellState) -> set[Cell] | dict[Cell, str] | None:
        """Return where a cell of this kind is noted, if anywhere."""
        kind = cell.attributes.get("office:value-type")
        if "table:formula" in cell.attributes and kind in (None, "string") and _ERROR.fullmatch(cell.text.strip()):
            return table.errors
        if cell.attributes.get("calcext:value-type") == "error":
            return table.errors
        if "table:formula" in cell.attributes and kind is None:
            return table.formula_gaps
        return table.percent_cells if kind == "percentage" else None

    def _merge(self, table: _Table, cell: _CellState, left: int) -> None:
        """Note a cell that spans others."""
        down = self._count(cell.attributes.get("table:number-rows-spanned", "1"))
        across = self._count(cell.attributes.get("table:number-columns-spanned", "1"))
        if down > 1 or across > 1:
            table.merged.append((table.row, left, table.row + down - 1, left + across - 1))


def _error_text(cell: _CellState) -> str:
    """Return an error cell's text, as the program shows it."""
    text = cell.text.strip()
    return text if _ERROR.fullmatch(text) else "#VALUE!"


def ods_facts(parts: Mapping[str, bytes]) -> tuple[SheetFacts, ...]:
    """Collect the facts of every sheet, and hold the limits."""
    if b"encryption-data" in parts.get("meta-inf/manifest.xml", b""):
        raise SheetError("the file is encrypted", "save it without a password in the spreadsheet program")
    content = _Pass()
    parse_xml(parts["content.xml"], "content.xml", start=content.start, end=content.end, text=content.text)
    if len(content.tables) > MAX_SHEETS or content.cells > MAX_CELLS_IN_FILE:
        raise SheetError(
            f"the file's {len(content.tables)} sheets span {content.cells} cells; "
            f"flowkit reads {MAX_SHEETS} sheets and {MAX_CELLS_IN_FILE} cells",
            "split it into several files",
        )
    return tuple(content.tables)
