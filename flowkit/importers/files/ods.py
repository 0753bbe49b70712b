"""Facts of an ods package: sizes, hidden sheets, rows and columns, merged cells, formulas.

An ods writes a run of equal cells or rows once, with a count; a reader that writes them all out can be made to fill
the memory, so the counts are added up here before. Elements: OpenDocument 1.3, part 3, section 9 and chapter 19.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from flowkit.errors import SheetError
from flowkit.importers.files.grid import (
    MAX_COLUMNS,
    MAX_ROWS,
    MAX_TEXT_IN_CELLS,
    SheetFacts,
    broken,
    check_extent,
    check_sheets,
    encrypted,
)
from flowkit.importers.files.package import Attributes, parse_xml

_HIDDEN = ("collapse", "filter")
_ERROR = re.compile(r"#[\w/]+[!?]?|Err:\d+")
_CELLS = ("table:table-cell", "table:covered-table-cell")


@dataclass(slots=True)
class _Table(SheetFacts):
    """One table as it is passed over."""

    name: str = ""
    row: int = 0
    column: int = 0
    table_column: int = 0
    row_repeat: int = 1


@dataclass(slots=True)
class _Cell:
    """The cell the pass is in."""

    attributes: Attributes
    filled: bool
    struck: bool
    text: str = ""


def _count(attributes: Attributes, name: str) -> int:
    """Read how often a cell or row is repeated, or how far it reaches."""
    stated = attributes.get(f"table:number-{name}", "1")
    if not stated.isdecimal() or len(stated) > 9:
        raise broken(f"the file is broken: it repeats a cell {stated!r} times")
    return max(1, int(stated))


@dataclass(slots=True)
class _Pass:
    """One pass over an ods's content."""

    tables: list[_Table] = field(default_factory=list)
    open_tables: list[_Table] = field(default_factory=list)
    hidden_styles: set[str] = field(default_factory=set)
    struck_styles: set[str] = field(default_factory=set)
    style: str = ""
    cell: _Cell | None = None
    characters: int = 0

    def start(self, name: str, attributes: Attributes) -> None:
        """Take an element's start."""
        table = self.open_tables[-1] if self.open_tables else None
        if name == "style:style":
            self.style = attributes.get("style:name", "")
        elif name == "style:table-properties" and attributes.get("table:display") == "false":
            self.hidden_styles.add(self.style)
        elif name == "style:text-properties" and attributes.get("style:text-line-through-style", "none") != "none":
            self.struck_styles.add(self.style)
        elif name == "table:table":
            hidden = attributes.get("table:style-name") in self.hidden_styles
            self.tables.append(_Table(hidden, name=attributes.get("table:name", "")))
            self.open_tables.append(self.tables[-1])
        elif table is None:
            return
        elif name == "table:table-column":
            first, table.table_column = table.table_column, table.table_column + _count(attributes, "columns-repeated")
            if attributes.get("table:visibility") in _HIDDEN:
                table.hidden_columns.update(range(first, min(table.table_column, MAX_COLUMNS)))
        elif name == "table:table-row":
            table.row_repeat, table.column = _count(attributes, "rows-repeated"), 0
            if attributes.get("table:visibility") in _HIDDEN:
                table.hidden_rows.update(range(table.row, min(table.row + table.row_repeat, MAX_ROWS)))
        elif name in _CELLS:
            filled = "office:value-type" in attributes or "table:formula" in attributes
            self.cell = _Cell(attributes, filled, attributes.get("table:style-name") in self.struck_styles)
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
        elif name == "table:table-row":
            table.row += table.row_repeat
        elif name in _CELLS and self.cell is not None:
            self._end_cell(table, self.cell)
            self.cell = None

    def text(self, text: str) -> None:
        """Take text."""
        if self.cell is not None:
            self.cell.text += text

    def _end_cell(self, table: _Table, cell: _Cell) -> None:
        """Keep what a run of cells turned out to be."""
        repeat = _count(cell.attributes, "columns-repeated")
        left, table.column = table.column, table.column + repeat
        if not cell.filled:
            return
        rows, columns = table.row + table.row_repeat, left + repeat
        check_extent(rows, columns, table.name)
        table.reach(rows - 1, columns - 1)
        self.characters += len(cell.text) * repeat * table.row_repeat
        if self.characters > MAX_TEXT_IN_CELLS:
            raise SheetError(
                f"the sheet's texts, written out, hold more than the {MAX_TEXT_IN_CELLS} characters flowkit reads",
                "delete the long texts and save it again",
                sheet=table.name,
            )

        def places() -> Iterator[tuple[int, int]]:
            """All cells of the run."""
            return itertools.product(range(table.row, rows), range(left, columns))

        kind, formula, text = cell.attributes.get("office:value-type"), "table:formula" in cell.attributes, cell.text
        shown = _ERROR.fullmatch(text.strip())
        if (formula and kind in (None, "string") and shown) or cell.attributes.get("calcext:value-type") == "error":
            table.errors.update(dict.fromkeys(places(), text.strip() if shown else "#VALUE!"))
        elif formula and kind is None:
            table.formula_gaps.update(places())
        elif kind == "percentage":
            table.percent_cells.update(places())
        if cell.struck:
            table.struck.update(places())
        down, across = _count(cell.attributes, "rows-spanned"), _count(cell.attributes, "columns-spanned")
        if down > 1 or across > 1:
            table.merged.append((table.row, left, table.row + down - 1, left + across - 1))


def ods_facts(parts: Mapping[str, bytes]) -> tuple[SheetFacts, ...]:
    """Collect the facts of every sheet, and hold the limits."""
    if b"encryption-data" in parts.get("meta-inf/manifest.xml", b""):
        raise encrypted()
    content = _Pass()
    parse_xml(parts["content.xml"], "content.xml", start=content.start, end=content.end, text=content.text)
    check_sheets(len(content.tables), sum(table.rows * table.columns for table in content.tables))
    return tuple(content.tables)
