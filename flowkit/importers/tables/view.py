"""A grid as tables are looked for in it: what is hidden or withdrawn left out, upright or turned over its diagonal."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from flowkit.importers.files.grid import CellValue, Grid
from flowkit.importers.words.items import CONDITION_FIELDS
from flowkit.importers.words.labels import WHO_KINDS, Label, mentions, parse_label
from flowkit.importers.words.phrases import named_units, quantities
from flowkit.importers.words.values import EMPTY, Cell, decimal_comma_of, read_cell
from flowkit.importers.words.vocabulary import fold

_DIGITS = frozenset("0123456789.,-+−–½¼¾⅛⅜⅝⅞")
_INSUG = re.compile(r"(?<![^\W\d_])ins(?![^\W\d_])", re.IGNORECASE)
_AVGAS = re.compile(r"(?<![^\W\d_])avg\.?(?![^\W\d_])", re.IGNORECASE)  # beside Ins (insug) the avgas, else an average
_PADDING = 2000  # texts longer than this are prose and never looked at
_WORDS = 16  # a longer text that begins with no digit is not a number and no mark of a gap
_SHORT, _MUCH_TEXT = 60, 1000  # nor are texts longer than this, where a sheet has so many of them
_LEAST, _ROWS, _COLUMNS = 3, 200, 50  # numbers that make a column; where they are looked for
Span = tuple[int, int, int, int]
_DOUBTFUL = re.compile(r"\s*(\d{1,3})([.,])(\d{3})(?!\d)")
_THREE_DIGITS = re.compile(r"(?<![\d.,])[1-9]\d{0,2}[.,]\d{3}(?!\d)")
_LABEL = 200  # letters of a text that may be a label or a sentence about units
_CHECK = frozenset({"check_reading", "check_nominal"})  # flows of a plate, as large as a port's
_FLOWS = (0.002, 1.0)  # m³/s: the largest flow of a test of a head lies between these (common practice, no source)
_ENTRY = re.compile(r"(?<![^\s/;,|(:])\(?([A-Za-z]|\d)(?:\s*[=:)]|\s+[-–])(?:\s*=)?(?=\s|[^\W\d_])")
_LEADS = re.compile(r"\W*(?:(?:legend|key|notes?|variants?|states?|versions?|columns?|tests?|where)\b\W*)?", re.I)
_LETTER = re.compile(r"(?<![^\W\d_])[A-Za-z](?![^\W\d_])")
_LONG, _LEGEND = 40, 300  # letters of a heading or a state; of a legend


@lru_cache(maxsize=16384, typed=True)
def _typed(value: CellValue, decimal_comma: bool | None) -> tuple[str, Cell]:  # noqa: PLR0911
    """A cell as read, before it one letter: n number, g gap, d date, t text, b yes or no, blank."""
    if isinstance(value, str):
        if not value.strip():
            return " ", EMPTY
        if len(value) >= _WORDS and value[0] not in _DIGITS and not value[0].isspace():
            return "t", EMPTY
        cell = read_cell(value, decimal_comma)
        return "n" if cell.value is not None else "g" if cell.gap else "t", cell
    if value is None:
        return " ", EMPTY
    if isinstance(value, bool):
        return "b", EMPTY
    if isinstance(value, (datetime.date, datetime.datetime, datetime.time)):
        return "d", EMPTY
    cell = read_cell(value)
    return "t" if cell.value is None else "n", cell


@dataclass(slots=True)
class View:
    """Cells in rows of equal length, with the way back to the grid."""

    grid: Grid
    rows: Sequence[Sequence[CellValue]]
    decimal_comma: bool | None
    turned: bool = False  # its rows are columns of the grid
    merged: tuple[Span, ...] = ()  # in its own rows and columns
    places: Sequence[Sequence[tuple[int, int]]] | None = None  # on the grid, of cells that were picked one by one
    swedish: bool | None = None  # where a text asks for it: see `_is_swedish`
    longest: int = _PADDING
    cells: Sequence[Sequence[Cell]] = ()  # as numbers
    kinds: list[str] = field(default_factory=list)  # a letter for each cell: see `_typed`
    down: list[str] = field(default_factory=list)  # these letters by columns
    _labels: dict[int, list[Label | None]] = field(default_factory=dict)
    legend: dict[str, Label] = field(default_factory=dict)  # headings whose letter a legend explains, by their text
    unexplained: tuple[int, int] | None = None  # a legend of letters that no heading has

    def __post_init__(self) -> None:
        """Read every cell, once."""
        if not self.cells:
            comma = self.decimal_comma
            typed = [[_typed(value, comma) for value in row] for row in self.rows]
            self.kinds = ["".join([letter for letter, _ in row]) for row in typed]
            self.cells = [[cell for _, cell in row] for row in typed]
            self.down = ["".join(column) for column in zip(*self.kinds, strict=True)]

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.rows[0]) if self.rows else 0

    def place(self, row: int, column: int) -> tuple[int, int]:
        """Return the grid's row and column of a cell of the view."""
        if self.places is not None:
            return self.places[max(row, 0)][column]
        return (column, row) if self.turned else (row, column)

    def source(self, row: int, column: int) -> str:
        """Return the address of a cell with file and sheet."""
        return self.grid.source(*self.place(row, column))

    def value(self, row: int, column: int) -> CellValue:
        """Return a cell, None outside."""
        if 0 <= row < len(self.rows) and 0 <= column < len(self.rows[row]):
            return self.rows[row][column]
        return None

    def kind(self, row: int, column: int) -> str:
        """Return a cell's letter, blank outside."""
        if 0 <= row < len(self.rows) and 0 <= column < len(self.rows[row]):
            return self.kinds[row][column]
        return " "

    def percent(self, row: int, column: int) -> bool:
        """Whether a cell has a percent format."""
        return bool(self.grid.percent_cells) and self.place(row, column) in self.grid.percent_cells

    def label(self, row: int, column: int) -> Label | None:
        """Return what a text cell says as a label; None for numbers, gaps, empty cells and outside."""
        return self._said(self.rows[row][column]) if self.kind(row, column) in "tg" else None

    def labels(self, row: int) -> list[Label | None]:
        """Return what each cell of a row says as a label."""
        if row not in self._labels:
            cells = zip(self.kinds[row], self.rows[row], strict=True)
            self._labels[row] = [self._said(value) if kind in "tg" else None for kind, value in cells]
        return self._labels[row]

    def _said(self, value: CellValue) -> Label | None:
        """What a text says as a label, unless it is too long."""
        if not isinstance(value, str) or len(value) > self.longest:
            return None
        meant = str(self.meant(value)) if "avg" in value.lower() else value
        return self.legend.get(value) or parse_label(meant)

    def meant(self, value: CellValue) -> CellValue:
        """Return a cell with Avg written out where the sheet's language makes it the exhaust."""
        if not isinstance(value, str) or not _AVGAS.search(value):
            return value
        if self.swedish is None:
            self.swedish = _is_swedish(self.grid)
        return _AVGAS.sub("avgas", value) if self.swedish else value

    def number_columns(self) -> list[tuple[int, int, int]]:
        """The longest run of numbers in each column that has one worth naming: column, first and last row."""
        found = []
        for column in range(min(self.width, _COLUMNS)):
            runs = [match.span() for match in re.finditer("n+", self.down[column][:_ROWS])]
            first, end = max(runs, key=lambda run: run[1] - run[0], default=(0, 0))
            if end - first >= _LEAST:
                found.append((column, first, end - 1))
        return found

    @property
    def has_numbers(self) -> bool:
        """Whether a sheet has two columns of numbers, as lifts and flows would be."""
        return len(self.number_columns()) > 1

    def turn(self) -> View:
        """Return the view turned over its diagonal."""
        rows, cells = ([list(column) for column in zip(*of, strict=True)] for of in (self.rows, self.cells))
        merged = tuple((c0, r0, c1, r1) for r0, c0, r1, c1 in self.merged)
        return View(
            self.grid, rows, self.decimal_comma, True, merged, None, self.swedish, self.longest,
            cells, self.down, self.kinds, legend=self.legend,
        )  # fmt: skip


def upright(grid: Grid) -> View:
    """Return a grid as it is, hidden and withdrawn cells and ragged ends filled with nothing."""
    rows: Sequence[Sequence[CellValue]] = grid.rows
    widths = set(map(len, rows))
    width = max(widths, default=0)
    if len(widths) > 1 or grid.hidden_rows or grid.hidden_columns or grid.struck:
        whole = [
            [None] * width if index in grid.hidden_rows else [*row, *[None] * (width - len(row))]
            for index, row in enumerate(rows)
        ]
        for cells in whole if grid.hidden_columns else ():
            for column in grid.hidden_columns:
                if column < width and not _heads_a_line(cells, column):
                    cells[column] = None
        for at, column in grid.struck:
            if at < len(whole) and column < width:
                whole[at][column] = None
        rows = whole
    longest = _PADDING  # how long a text may be to be looked at: in a book of prose only short ones can be headings
    if sum(map(len, grid.rows)) > _MUCH_TEXT:
        texts = sum(isinstance(value, str) and len(value) > _SHORT for row in grid.rows for value in row)
        longest = _PADDING if texts <= _MUCH_TEXT else _SHORT
    comma = _decimal_comma(grid, min(_LABEL, longest))
    return View(grid, rows, comma, merged=grid.merged, longest=longest)


def _decimal_comma(grid: Grid, most: int) -> bool | None:
    """Whether numbers have a decimal comma; 1,430 alone is decided by the size that a flow has in the sheet's unit."""
    comma = decimal_comma_of(grid)
    if comma is not None:
        return comma
    if not any(isinstance(value, str) and _THREE_DIGITS.search(value[:_LABEL]) for row in grid.rows for value in row):
        return None
    votes: set[bool] = set()  # whether the comma is the decimal mark
    flows: list[tuple[str, float]] = []
    lifts: set[int] = set()
    factors: set[float] = set()
    for row in grid.rows:
        for column, value in enumerate(row):
            if not isinstance(value, str) or len(value) > most:
                continue
            label = parse_label(value)
            lifts |= {column} if label.kind == "lift" else set()
            named = [unit for _, unit in named_units(value)] + ([label.unit] if label.unit is not None else [])
            factors |= {unit.factor for unit in named if unit.quantity == "flow"}
            for found in quantities(value):
                part = _DOUBTFUL.match(found.number)
                if part is None or (found.unit is not None and found.unit.quantity != "flow"):
                    continue
                left = row[column - 1] if column and found.unit is None else None
                if isinstance(left, str) and parse_label(left).kind in CONDITION_FIELDS.keys() - _CHECK:
                    continue  # of a bore or a barometer the size decides
                if found.unit is None and column in lifts:
                    votes.add(part[2] == ",")
                    continue
                flows.append((part[2], float(part[1] + part[3])))
                factors |= {found.unit.factor} if found.unit is not None else set()
    for mark in {mark for mark, _ in flows}:
        largest = max(number for of, number in flows if of == mark)
        sizes = [largest * factor for factor in factors]
        large = all(_FLOWS[0] <= size <= _FLOWS[1] for size in sizes)
        decimal = all(_FLOWS[0] <= size / 1000 <= _FLOWS[1] for size in sizes)
        if sizes and large != decimal:
            votes.add((mark == ",") == decimal)
        elif not votes:
            return None
    return votes.pop() if len(votes) == 1 else None


def _heads_a_line(cells: Sequence[CellValue], column: int) -> bool:
    """Whether a hidden cell is a title, or the label of a value beside it that is shown."""
    value, others = cells[column], [cell for cell in cells[column + 1 : column + 5] if cell is not None]
    if not isinstance(value, str) or len(others) > 2 or read_cell(value).value is not None:
        return False
    kind = parse_label(value).kind
    if kind in CONDITION_FIELDS or kind in WHO_KINDS:
        return True
    return not any(cells[:column]) and all(read_cell(cell).value is None for cell in others)


def _is_swedish(grid: Grid) -> bool:
    """Whether a sheet abbreviates its sides as Ins and Avg: it has both, or its other words are Swedish."""
    texts = {value for row in grid.rows for value in row if isinstance(value, str) and len(value) < 80}
    whole = "\n".join([*texts, *grid.sheets])
    folded = whole.lower()  # quicker to look through
    if "ins" in folded and _INSUG.search(whole):
        return True
    if "avg" not in folded or not _AVGAS.search(whole):
        return False
    said = {fold(m.text): m.languages for text in texts.union(grid.sheets) for m in mentions(text)}
    swedish = [languages for languages in said.values() if "sv" in languages and "en" not in languages]
    return len(swedish) > 1 and ("sv",) in swedish


def explained(view: View) -> View:
    """The view with the letters of its headings replaced by the states a legend gives them: ``A = as received``."""
    said, cells = _legend(view)
    if not any("state" in parse_label(state).kinds for state in said.values()):
        return view
    headed: dict[tuple[int, int], str] = {}
    lines: dict[tuple[str, int], set[str]] = {}
    for row, column in _texts(view, _LONG):
        letters = [letter for letter in _LETTER.findall(str(view.rows[row][column])) if letter in said]
        if len(letters) == 1 and (row, column) not in cells:
            headed[row, column] = letters[0]
            lines.setdefault(("row", row), set()).add(letters[0])
            lines.setdefault(("column", column), set()).add(letters[0])
    headed = {at: one for at, one in headed.items() if max(len(lines["row", at[0]]), len(lines["column", at[1]])) > 1}
    if not headed:
        view.unexplained = next(iter(cells))
        return view
    rows = [list(values) for values in view.rows]
    for (row, column), rest in cells.items():
        rows[row][column] = rest
    legend = {}
    for (row, column), letter in headed.items():
        bare = re.sub(rf"(?<![^\W\d_]){letter}(?![^\W\d_])", " ", str(rows[row][column])).strip(" -–:_/")
        label = parse_label(bare) if bare.strip("()[] ") else Label()
        text = rows[row][column] = f"{said[letter]} {bare}".strip()
        rest = f"{said[letter]} {label.rest}".strip()
        legend[text] = replace(label, rest=rest, kinds=(*label.kinds, "state"))
    return View(view.grid, rows, view.decimal_comma, merged=view.merged, longest=view.longest, legend=legend)


def _texts(view: View, longest: int) -> Iterator[tuple[int, int]]:
    """The places of the texts that are not too long."""
    for row, kinds in enumerate(view.kinds):
        for match in re.finditer("[tg]", kinds):
            if len(str(view.rows[row][match.start()])) <= longest:
                yield row, match.start()


def _legend(view: View) -> tuple[dict[str, str], dict[tuple[int, int], str | None]]:
    """The first legend of two letters or more: what each means, and its cells with what else they say."""
    said: dict[str, str] = {}
    cells: dict[tuple[int, int], str | None] = {}
    for row, column in _texts(view, _LEGEND):
        text, at = str(view.rows[row][column]), [(row, column)]
        if len(text.strip(" =:()")) == 1 and view.kinds[row].strip() == view.kinds[row][column : column + 2] != "t":
            text, at = f"{text.strip(' =:()')} = {view.value(row, column + 1)}", [(row, column), (row, column + 1)]
        entries, rest = _entries(text)
        if not entries:
            continue
        lift = any(label is not None and label.kind == "lift" for label in view.labels(row))
        several = sum(bool(_entries(str(value))[0]) for value in view.rows[row]) > 1
        if lift or several or "n" in view.kinds[row]:
            continue  # headings: "A: stock | B: ported"
        if cells and max(cells)[0] < row - 1:  # lines of one letter each are a legend where they follow each other
            if len(said) > 1:
                break
            said, cells = {}, {}
        said |= entries
        cells |= dict.fromkeys(at, rest)
    return (said, cells) if len(said) > 1 else ({}, {})


def _entries(text: str) -> tuple[dict[str, str], str | None]:
    """The letters that a text explains with what they mean, and what else it says; none where it is no legend."""
    found = list(_ENTRY.finditer(text))
    said, rest = {}, None
    if found and _LEADS.fullmatch(text[: found[0].start()]):
        for match, end in zip(found, [*(m.start() for m in found[1:]), len(text)], strict=True):
            meaning, _, more = text[match.end() : end].partition(". ")
            said[match[1]], rest = meaning.strip(" /;,|.()"), more.strip() or rest
    for meaning in said.values():
        label = parse_label(meaning)
        if not meaning or len(meaning) > _LONG or label.names or label.pressure or label.unit or label.kind:
            return {}, None
    return (said, rest) if len(said) == len(found) else ({}, None)
