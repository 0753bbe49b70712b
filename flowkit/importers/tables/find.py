"""Where the tables of a sheet are: the axis of lifts first, then what goes with it."""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import log
from statistics import fmean

from flowkit.importers.tables.view import View
from flowkit.importers.words.items import CONDITION_FIELDS
from flowkit.importers.words.labels import LEFT_OUT, WHO_KINDS, Label
from flowkit.importers.words.phrases import UNIT_KINDS, is_sentence, pairs, quantities
from flowkit.importers.words.values import as_text, known_unit
from flowkit.units import FLOW_QUANTITIES, Unit, measures

GAP_WIDTH = 2  # blank columns inside a table
BLANK_DEPTH = 3  # blank rows between heading and numbers, or inside the numbers
HEADER_DEPTH = 12  # rows between the lift heading and its first number
GROUP_DEPTH = 4  # rows of headings above the lift heading
LONG_HEADING = 60
LARGEST = 1500.0  # the largest figure of a lift, in thou
# How much each piece of evidence says that a column holds the lifts.
HEADED, UNIT_HEADED, UNIT_CELLS, BESIDE, RISING, CORNER, UNHEADED = 8.0, 5.0, 5.0, 7.0, 2.0, 1.0, 0.0
FAR = -6.0  # another text is between the heading and the numbers
FOREIGN = -20.0
CONDITION_KINDS = frozenset(CONDITION_FIELDS)
ROW_KINDS = CONDITION_KINDS | WHO_KINDS | {"zero_reading", "leak_reading", "range"}
LINE_KINDS = ROW_KINDS | UNIT_KINDS


@dataclass(slots=True)
class Axis:
    """A run of numbers that may be lifts: its column, the rows with a number, and the heading wherever it is."""

    column: int
    rows: list[int]
    first: int
    last: int
    heading: int | None = None
    label: Label | None = None
    score: float = 0.0
    reason: str = ""

    def letters(self, down: str) -> str:
        """The kinds of a column's cells in the rows with a number."""
        if len(self.rows) == self.last - self.first + 1:
            return down[self.first : self.last + 1]
        return "".join([down[row] for row in self.rows])

    def meets(self, other: Axis) -> bool:
        """Whether two runs of numbers have rows in common."""
        return self.first <= other.last and other.first <= self.last


@dataclass(slots=True)
class Table:
    """One table in a view: its axis, its columns, and the rows of headings and of values for each column."""

    view: View
    axis: Axis
    left: int
    right: int
    others: list[int] = field(default_factory=list)
    headers: list[int] = field(default_factory=list)
    named: dict[int, Label] = field(default_factory=dict)
    sections: dict[int, int] = field(default_factory=dict)  # row of a line inside the numbers -> its column
    score: float = 0.0

    @property
    def row(self) -> int:
        """The row that heads its lifts, or its first."""
        return self.axis.first if self.axis.heading is None else self.axis.heading

    @property
    def lifts(self) -> list[int]:
        """Columns of lifts; the first counts."""
        return [self.axis.column, *self.others]

    @property
    def span(self) -> range:
        """The rows from its first number to its last."""
        return range(self.axis.first, self.axis.last + 1)

    @property
    def top(self) -> int:
        """Its first row."""
        return min([self.axis.first, *self.headers, *self.named])

    @property
    def bottom(self) -> int:
        """Its last row."""
        return max([self.axis.last, *self.named])

    def corners(self) -> tuple[int, int, int, int]:
        """Return its first and last row and column on the grid: top, left, bottom, right."""
        return *self.view.place(self.top, self.left), *self.view.place(self.bottom, self.right)

    def filled(self, row: int, first: int | None = None) -> list[int]:
        """Its columns with something in a row, from the first or a given one."""
        kinds = self.view.kinds[row]
        return [c for c in range(self.left if first is None else first, self.right + 1) if kinds[c] != " "]


def lift_cells(view: View) -> list[tuple[int, int]]:
    """Cells whose text heads lifts."""
    found = []
    for row, kinds in enumerate(view.kinds):
        column = kinds.find("t")
        while column >= 0:
            label = view.label(row, column)
            if label is not None and label.kind == "lift" and not label.rest:
                found.append((row, column))
            column = kinds.find("t", column + 1)
    return found


def find_tables(view: View) -> list[Table]:
    """Find the tables of a sheet, upright or with lifts across; in the order of the sheet."""
    heads = lift_cells(view)
    upright = _tables_of(view, heads)
    if not _may_lie_across(view, heads, upright):
        return upright
    across = _tables_of(view.turn(), [(column, row) for row, column in heads])
    chosen: list[Table] = []
    for table in sorted([*upright, *across], key=lambda t: -t.score):
        top, left, bottom, right = table.corners()
        rival = next(
            (o for o in chosen if top <= (c := o.corners())[2] and c[0] <= bottom and left <= c[3] and c[1] <= right),
            None,
        )
        if rival is None:
            chosen.append(table)
        elif (
            rival.view.turned != table.view.turned
            and rival.score < table.score + 1.0
            and rival.corners()[:2] == (top, left)
            and table.score > HEADED
        ):
            rival.axis.reason = "?"
    return sorted(chosen, key=lambda t: t.corners()[:2])


def _may_lie_across(view: View, heads: list[tuple[int, int]], found: list[Table]) -> bool:
    """Whether lifts may run along a row: numbers right of a lift's heading, or nothing found upright."""
    if not found:
        return any(kinds.count("n") > 1 for kinds in view.kinds)
    for row, column in heads:
        tail, below = view.kinds[row][column + 1 :], view.kind(row + 1, column)
        if "nn" in tail.replace(" ", "") or ("n" in below + view.kind(row + 1, column + 1) and tail.count("n") > 1):
            return True
        behind = view.kinds[row + 1][column:] if row + 1 < len(view.rows) else ""
        if behind.count("n") > 2 and below == "n" and view.kind(row + 2, column) != "n" and row + 2 < len(view.rows):
            return True
    return any(table.axis.score < UNIT_HEADED for table in found)


def _tables_of(view: View, heads: list[tuple[int, int]]) -> list[Table]:
    """The tables of a view whose lifts run down a column."""
    head_rows: dict[int, list[int]] = {}
    for row, column in heads:
        head_rows.setdefault(row, []).append(column)
    axes: list[Axis] = []
    for column in range(view.width):
        for axis in _runs(view, column, head_rows):
            _find_heading(view, axis)
            if _weigh_heading(view, axis):
                _weigh_numbers(view, axis)
            if axis.score > -5.0:
                axes.append(axis)
    chosen = _separate(view, [axis for axis in axes if axis.score >= UNIT_HEADED])
    for axis in sorted((a for a in axes if a.score < UNIT_HEADED), key=lambda a: (-a.score, a.column)):
        if axis.score >= RISING and len(axis.rows) > 1 and not any(axis.meets(other) for other, _ in chosen):
            chosen.append((axis, []))
    tables = []
    for axis, others in chosen:
        table = _extent(view, axis, others, [a for a, _ in chosen])
        if table is not None:
            _headers(table)
            _trailing(table)
            table.score = axis.score + _evidence(table)
            tables.append(table)
    return sorted(tables, key=lambda t: (t.top, t.left))


def _runs(view: View, column: int, head_rows: dict[int, list[int]]) -> list[Axis]:
    """The runs of numbers in a column, each below one heading."""
    runs: list[list[int]] = [[]]
    blank, dated = 0, False
    for row, kind in enumerate(view.down[column]):
        headed = column in head_rows.get(row, ())
        if headed or (row in head_rows and kind != "n"):
            runs.append([])
            blank, dated = 0, headed
        said = runs[-1] and kind in " t" and _is_title(view, row) and pairs(_only_text(view, row))[0]
        # Behind a blank row the lines of the sheet may begin: the label of a condition at or before a number.
        near = view.labels(row)[max(column - 1, 0) : column + 1] if blank and runs[-1] and kind in "nt" else ()
        if said or any(label and label.kind in ROW_KINDS and not (label.rest or label.names) for label in near):
            runs.append([])
            blank = 0
        elif kind == "n" or (kind == "d" and dated):
            runs[-1].append(row)
            blank = 0
        elif runs[-1]:
            blank = blank + 1 if view.kinds[row].isspace() else 0
            if blank > BLANK_DEPTH:
                runs.append([])
    return [Axis(column, rows, rows[0], rows[-1]) for rows in runs if rows]


# Which run of numbers is the lifts.


def _find_heading(view: View, axis: Axis) -> None:
    """Find the text that heads a run: the nearest above it in its column, and the lift's among those above that."""
    blank = 0
    label: Label | None = None
    for row in range(axis.first - 1, max(axis.first - 1 - HEADER_DEPTH, -1), -1):
        kinds = view.kinds[row]
        kind, behind = kinds[axis.column], kinds[axis.column + 1 :]
        blank += kinds.isspace()
        if kind == "n" or blank > BLANK_DEPTH:
            break
        said = view.label(row, axis.column) if kind in "tg" else None
        if said is None or (said.only_unit and axis.column and view.kinds[row][axis.column - 1] == "n"):
            continue  # "83 | mm": the unit of the value left of it
        if said.kind == "lift" or ("lift" in said.kinds and said.both_sides):
            if label is not None and not (measures(label.unit, "length", "lift ratio") or label.kind == "lift"):
                axis.score = FAR
            axis.heading, axis.label = row, said
            return
        if label is None:
            row_of_values = said.kind in ROW_KINDS | LEFT_OUT and not said.only_unit and behind.strip()
            if not (row_of_values and not _heads_columns(view, row, axis.column)):  # else "Leak | 0.3 | 0.2"
                axis.heading, axis.label = row, said
                label = said
            continue
        if label.only_unit and said.kind not in (None, "lift") and not _is_title(view, row):
            beside = behind.replace(" ", "")
            if said.kind not in ROW_KINDS or not (beside[:1] in ("n", "d", "") or len(beside) == 1):
                axis.label = said
        return


def _heads_columns(view: View, row: int, column: int) -> bool:
    """Whether texts right of a cell head columns: they have a unit or name a quantity; across, most of them do."""
    columns = slice(column + 1, column + 12)
    if sum(_is_length(cell.unit or "") for cell in view.cells[row][columns]) > 1:
        return True  # "Cyl | Valve | 2 mm | 4 mm"
    heads = sum(
        label is not None
        and ((label.unit is not None and label.code is None) or label.kind in ("flow", "lift", "meter"))
        for label in view.labels(row)[columns]
    )
    return 2 * heads > len(view.kinds[row][columns].replace(" ", "")) if view.turned else heads > 0


def _weigh_heading(view: View, axis: Axis) -> bool:
    """Weigh what the heading of a run says, or a text beside its first number; tell whether it may be of lifts."""
    label, at = axis.label, axis.heading or 0
    if label is None:
        axis.score, axis.reason = UNHEADED, "no heading"
    elif label.kind == "lift" or (label.kind is None and label.both_sides and "lift" in label.kinds):
        axis.score, axis.reason = HEADED + axis.score, "the lifts are under their heading"
    elif at and (above := view.label(at - 1, axis.column)) is not None and above.kind == "meter":
        axis.score, axis.reason = FOREIGN, "what a meter showed"
        return False
    elif (
        measures(label.unit, "length", "lift ratio")
        and label.kind is None
        and not (label.rest or label.port or label.side)
        # Beside a heading of the exhaust, In is the intake and no inch.
        and not (label.code == "in" and any(said and said.side == "exhaust" for said in view.labels(at)))
    ):
        axis.score, axis.reason = UNIT_HEADED, "a unit of length alone heads them"
    elif (
        _is_title(view, axis.heading)
        and (
            (label.kind in (None, "side") and label.names and not label.rest)
            # The columns beside have headings of their own, below the line that is above all.
            or any(k[axis.column + 1 :].count("t") > 1 for k in view.kinds[at + 1 : axis.first])
            or _is_said(_only_text(view, at))
        )
    ):
        axis.score, axis.reason = UNHEADED, "a line of text is above them and no heading"
        axis.heading = axis.label = None
    elif not (label.kind or label.names or label.rest or label.unit or label.letter or label.bare):
        axis.score, axis.reason = UNHEADED, "a mark without meaning heads them"
    elif (
        label.kind in (None, "flow", "side", "variant", "head", "title")
        and (measures(label.unit, *FLOW_QUANTITIES) or label.kind == "flow" or label.pressure)
        and not (label.port or label.run)
    ):
        axis.score, axis.reason = CORNER, "the corner of the table names the flows"
    elif label.kind in WHO_KINDS | {"valve_head"} and all(
        _is_length(view.cells[row][axis.column].unit or "") for row in axis.rows
    ):
        axis.score, axis.reason = UNHEADED, "what names the tests is beside them"
        axis.heading = axis.label = None
    else:
        axis.score, axis.reason = FOREIGN, "headed as something else"
        return False
    left = view.label(axis.first, axis.column - 1) if axis.column else None
    below = view.kind(axis.first + 1, axis.column - 1)
    if axis.score < HEADED and left is not None and left.kind == "lift" and below == " ":
        axis.score, axis.label, axis.reason = axis.score + BESIDE, left, "the lifts are beside their heading"
    return True


def _weigh_numbers(view: View, axis: Axis) -> None:
    """Weigh the numbers of a run, and leave a line of the sheet below them out of it."""
    least = len(axis.rows) / 2 if view.turned else 1  # the lines above lifts across may hold a few numbers
    before = view.down[: axis.column] if axis.score < UNIT_HEADED else []
    if any(axis.letters(letters).count("n") >= least for letters in before):
        axis.score = FOREIGN  # lifts without a heading lead their rows
        return
    values, units, inches, rows = [], 0, 0, []
    first = view.cells[axis.first][axis.column]
    for row in axis.rows:
        cell, kinds = view.cells[row][axis.column], view.kinds[row]
        length = _is_length(cell.unit)
        lone = kinds.strip() == "n" or (kinds.count("n") == 1 and not length)
        if cell.unit and lone and row > axis.first and not (first.unit and length) and axis.score >= HEADED:
            continue  # a line of the sheet, "28 inH2O": it alone has a unit, and no number beside it
        if cell.unit and not length and axis.score < HEADED:
            axis.score = FOREIGN
            return
        rows.append(row)
        value = cell.value if cell.value is not None else date_fraction(view.rows[row][axis.column])
        values += [value] if value is not None else []
        units += length
        inches += cell.unit in ("IN", "In")
    if rows and len(rows) < len(axis.rows):
        axis.rows, axis.last = rows, rows[-1]
    if axis.score < HEADED and inches and max(values, default=0) > 1:
        between = [row for row in range(axis.first, axis.last + 1) if not _is_title(view, row)]
        if any((said := view.label(row, axis.column)) is not None and said.side for row in between):
            axis.score = FOREIGN  # "1 IN, 2 Intake, 3 Intake" are ports
            return
    if axis.score < HEADED and units == len(axis.rows):
        axis.score += UNIT_CELLS
        axis.reason = "each number has a unit of length"
    if not values or max(values) > LARGEST:
        axis.score += FOREIGN
    steps = list(itertools.pairwise(values))
    if view.turned and any(b < a for a, b in steps):
        axis.score -= 3.0  # nobody writes two sweeps of lifts into one row
    # The share of steps that go one way; a return to the start begins another sweep.
    low, high = min(values, default=0.0), max(values, default=0.0)
    up = sum(b >= a or b <= low + 0.25 * (high - low) for a, b in steps)
    rising = max(up, sum(b <= a for a, b in steps)) / len(steps) if steps else 1.0
    axis.score += RISING if rising > 0.99 and low != high else 4 * RISING * (rising - 1)
    if axis.score < UNIT_HEADED and low < 0:
        axis.score += FOREIGN


def _only_text(view: View, row: int) -> str:
    """The text that a row holds."""
    return next((as_text(value) for value in view.rows[row] if value is not None), "")


def _is_said(text: str) -> bool:
    """Whether a text is a line about the sheet, a label with its value or a sentence, and heads nothing."""
    return bool(pairs(text)[0]) or is_sentence(text)


def _is_title(view: View, row: int | None) -> bool:
    """Whether a text is alone in its row."""
    return row is not None and view.kinds[row].strip() == "t"


def _is_length(spelled: str) -> bool:
    """Whether a unit in a cell is one of length."""
    return bool(spelled) and measures(known_unit(spelled), "length", "lift ratio")


def date_fraction(value: object) -> float | None:
    """The fraction of an inch that a spreadsheet took for a date: 1/8 as 1 August or 8 January."""
    if not isinstance(value, datetime.date):
        return None
    low, high = sorted((value.month, value.day))
    return low / high if high in (2, 4, 8, 16) and low < high else None


def _separate(view: View, axes: list[Axis]) -> list[tuple[Axis, list[int]]]:
    """Tell axes of tables of their own from second columns of lifts."""
    chosen: list[tuple[Axis, list[int]]] = []
    for axis in sorted(axes, key=lambda a: (a.column, a.first)):
        rivals = [pair for pair in chosen if axis.meets(pair[0])]
        if not rivals:
            chosen.append((axis, []))
            continue
        other, more = max(rivals, key=lambda pair: pair[0].column)
        between = any(c not in more and _has_numbers(view, c, other) for c in range(other.column + 1, axis.column))
        behind = any(
            _has_numbers(view, c, axis) and not any(a.column == c and a.meets(axis) for a in axes)
            for c in range(axis.column + 1, min(axis.column + 2 + GAP_WIDTH, view.width))
        )
        ratios = [measures(a.label.unit if a.label else None, "lift ratio") for a in (axis, other)]
        heads = axis.heading is not None and view.kind(axis.heading, axis.column + 1) == "t"
        empty = heads and axis.label is not None and axis.label.kind == "lift"
        if axis.score < HEADED <= other.score and ratios == [True, False]:
            more.append(axis.column)  # lift over diameter, beside lifts
        elif between and (behind or empty):
            chosen.append((axis, []))
        elif axis.score > other.score + 1 and not between:
            chosen[chosen.index((other, more))] = (axis, [*more, other.column])
        else:
            more.append(axis.column)
    return chosen


def _has_numbers(view: View, column: int, axis: Axis) -> bool:
    """Whether a column has a number in a row of an axis."""
    return "n" in axis.letters(view.down[column])


# How far a table reaches.


def _extent(view: View, axis: Axis, others: list[int], axes: list[Axis]) -> Table | None:
    """How far a table reaches to the left and right of its lifts."""
    same = [a for a in axes if a is not axis and a.meets(axis)]
    before = [a for a in same if a.column < axis.column]
    stop = min((a.column for a in same if a.column > axis.column), default=view.width)
    start = max((a.column for a in before), default=-1)
    top = axis.heading if axis.heading is not None else max(axis.first - 1, 0)
    rows = range(axis.first, axis.last + 1)
    right, gap = axis.column, 0
    for column in range(axis.column + 1, stop):
        if is_empty(view, column, rows):
            gap += 1
            if gap > GAP_WIDTH:
                break
            continue
        across = view.turned and gap
        aside = column > axis.column + 1 and not across and _is_aside(view, column, axis, top)
        if aside or (across and is_line_across(view, axis, column)):
            break
        right, gap = column, 0
    if right == axis.column and axis.score >= HEADED and axis.heading is not None:
        while right + 1 < stop and view.kinds[axis.heading][right + 1] != " ":
            right += 1  # nothing is filled in yet
    reached = [(a, c) for a in before for c in range(a.column, axis.column) if _has_numbers(view, c, a)]
    left, gap = axis.column, 0
    for column in range(axis.column - 1, start, -1):
        empty = is_empty(view, column, rows)
        gap = gap + 1 if empty else 0
        if gap > GAP_WIDTH or any(a.column <= column <= last for a, last in reached):
            break
        if not empty:
            if view.turned and is_line_across(view, axis, column):
                break
            left = column
    body = [c for c in range(left, right + 1) if c != axis.column and c not in others]
    missing = view.grid.formula_gaps
    empty = not any(set("ng") & set(axis.letters(view.down[c])) for c in body)
    gaps = bool(missing) and any(view.place(row, c) in missing for c in body for row in axis.rows)
    if empty and not gaps and (axis.score < HEADED or not body):
        return None
    return Table(view, axis, left, right, [c for c in others if left <= c <= right])


def is_line_across(view: View, axis: Axis, column: int) -> bool:
    """Whether a row beside lifts across is a line of the sheet: one value, with its unit in the next cell perhaps."""
    filled = [row for row in range(axis.first, len(view.kinds)) if view.kinds[row][column] != " "]
    if any((said := view.label(row, column)) is not None and said.kind in CONDITION_KINDS for row in filled):
        return True  # "Temp | 21 °C | | Baro | 998 hPa"
    if len(filled) == 2 and filled[1] == filled[0] + 1:
        unit = view.label(filled[1], column)
        return len(axis.rows) > 1 and unit is not None and (unit.only_unit or unit.code == "in")
    return len(filled) < min(2, len(axis.rows))


def is_empty(view: View, column: int, rows: range) -> bool:
    """Whether a column has nothing in some rows, no formula either."""
    if view.down[column][rows.start : rows.stop].strip():
        return False
    gaps = view.grid.formula_gaps
    return not (gaps and any(view.place(row, column) in gaps for row in rows))


def _is_aside(view: View, column: int, axis: Axis, top: int) -> bool:
    """Whether lines of the sheet begin in a column: labels with their values beside them, no column of the table."""
    kinds = view.down[column][top : axis.last + 1]
    spelled = [view.cells[row][column].unit for row, kind in enumerate(kinds, top) if kind == "n"]
    if not all(unit and measures(known_unit(unit), "pressure") for unit in spelled):
        return False  # numbers but no pressures: ``28 inH2O``
    if _goes_on(view, column, axis, top) or unit_beside(view, range(top + 1, axis.last + 1), column) is not None:
        return False
    labels = values = len(spelled)
    texts = 0
    heads = False
    headed = view.kind(top, column) == "t" == view.kind(top, column + 1)  # TRUE beside a number of the next column
    for row, kind in enumerate(kinds, top):
        label = view.label(row, column) if kind == "t" else None
        if label is None:
            continue
        text, follows = str(view.value(row, column)), view.kind(row, column + 1)
        lone = (":" in text or "=" in text or label.pressure is not None) and len(text) > 5
        known = label.kind in LINE_KINDS and not (label.kind in WHO_KINDS and label.names)
        answered = follows in "nd" or (follows == "t" and label.kind in CONDITION_FIELDS)
        if row == top and known and not lone and not answered:
            heads = True  # the heading of a column, or the first of several lines
            continue
        texts += 1
        if known or lone:
            labels += 1
            values += follows in "ntdg" or lone
        elif follows in "nd" and row > top and not headed:
            labels += 1
            values += 1
    few = not heads and len(kinds.replace(" ", "")) <= 2
    return labels > 0 and values > 0 and (labels > 1 or (heads and texts == labels == values) or few)


def _goes_on(view: View, column: int, axis: Axis, top: int) -> bool:
    """Whether a column is of the table: headed readings, or words with a headed column of figures right of them."""
    own = view.label(top, column)
    if own is not None and own.names and own.kind == "meter":
        return True  # "0.55 Pa" is no test pressure there
    at = column
    while at + 1 < view.width and view.kinds[top][at] == "t" and not _has_numbers(view, at, axis):
        at += 1
    label = view.label(top, at) if at > column else None
    heads = label is not None and (label.names or label.kind in ("flow", "meter"))
    return heads and axis.letters(view.down[at]).count("n") > 1


def unit_beside(view: View, rows: Sequence[int], column: int) -> Unit | None:
    """The unit in every cell of a column that holds nothing else: ``25.1 | cfm``."""
    if len(rows) < 3 or column >= view.width or not view.down[column][rows[0]] == view.down[column][rows[-1]] == "t":
        return None
    texts = {view.rows[row][column] for row in rows}
    units = {known_unit(text.strip()) for text in texts if isinstance(text, str)}
    return units.pop() if len(texts) == len(units) == 1 else None


# Its rows of headings and of values for each column.


def _headers(table: Table) -> None:
    """Find the rows of headings and the rows that hold a value for each column."""
    view, axis = table.view, table.axis
    anchor = axis.heading if axis.heading is not None and axis.heading < axis.first else axis.first - 1
    blank = 0
    for row in reversed(range(max(anchor, 0), axis.first)):
        filled = table.filled(row)
        if not filled:
            blank += 1
            if axis.heading is None and blank > BLANK_DEPTH:
                break
            continue
        if axis.heading is None and _is_title(view, row) and _is_said(_only_text(view, row)):
            break
        if row != axis.heading and row + 1 == axis.first and _is_mistyped(table, row):
            axis.first = row
            continue
        label = _row_label(table, row) if row != axis.heading else None
        right = view.kinds[row][axis.column + 1 :]
        if label is not None and ("n" in right or "g" in right or label.kind in WHO_KINDS):
            table.named[row] = label
        elif row != axis.heading and _is_section(table, row):
            table.sections[row] = filled[0]
        else:
            table.headers.insert(0, row)
    top = anchor if axis.heading is not None else min(table.headers, default=axis.first)
    skipped = False
    for row in range(top - 1, max(top - 1 - GROUP_DEPTH, -1), -1):
        if view.kinds[row].isspace() and not skipped and row > 0:
            # Behind a blank row only names of groups: ``Intake`` and ``Exhaust`` over their columns.
            filled = table.filled(row - 1)
            labels = [view.label(row - 1, column) for column in filled]
            skipped = len(filled) > 1 and all(label is not None and label.side and not label.rest for label in labels)
            if skipped:
                continue
        if not _take_group(table, row):
            _take_names(table, range(row - 1, max(top - 1 - GROUP_DEPTH, -1), -1))
            break


def _take_names(table: Table, rows: range) -> None:
    """Take a row that names each column above a line of the sheet: ``Cylinder | 1 | 2``, ``Pressure | 5 kPa``."""
    view, lift = table.view, table.axis.column
    columns = [c for c in range(lift + 1, table.right + 1) if _has_numbers(view, c, table.axis)]
    for row in rows if not view.turned and len(columns) > 1 else ():
        label = view.label(row, lift)
        named = label is not None and label.kind in WHO_KINDS and not (label.names or label.rest)
        if label is not None and named and table.filled(row) == [lift, *columns]:
            table.named[row] = label


def _take_group(table: Table, row: int) -> bool:
    """Take a row above the lift's heading for headings of groups or values of columns; tell whether to look further."""
    view, lift = table.view, table.axis.column
    across = view.turned
    label = view.label(row, lift)
    filled = [c for c in table.filled(row, lift + 1) if c not in table.others]
    headed = label is not None and label.kind in ROW_KINDS and not (label.names or label.rest)
    if label is not None and headed and len(filled) > (0 if across else 1):
        if not across and _is_pairs(view, row, lift, filled):
            return False
        table.named[row] = label
        return True
    if not filled or not (across or leads_groups(table, row) or _is_group_row(table, row, filled)):
        return False
    table.headers.insert(0, row)
    return True


def leads_groups(table: Table, row: int) -> bool:
    """Whether the first heading of groups is over the lifts: ``Stock,,,Ported,`` over ``Lift,In,Ex,In,Ex``."""
    view, lift, filled = table.view, table.axis.column, table.filled(row)
    if filled[:1] != [lift] or len(filled) < 2 or table.axis.heading is None or row >= table.axis.heading:
        return False
    said = [set(label.kinds) if (label := view.label(row, column)) is not None else set() for column in filled]
    bounds = [lift + 1, *filled[1:], table.right + 1]
    groups = [view.rows[table.axis.heading][first:end] for first, end in itertools.pairwise(bounds)]
    alike = all("state" in kinds for kinds in said) or all("head" in kinds for kinds in said)
    return alike and bool(groups[0]) and all(group == groups[0] for group in groups)


def _is_pairs(view: View, row: int, lift: int, filled: list[int]) -> bool:
    """Whether a row is label, value, label, value and not a value for each column."""
    labels = [view.label(row, column) for column in filled]
    if any(
        label is not None
        and (label.pressure is not None or label.kind in LINE_KINDS | {"flow", "lift"})
        and not (label.kind in WHO_KINDS and label.names)
        for label in labels
    ):
        return True
    unit = labels[1] if len(filled) == 2 and filled[0] == filled[1] - 1 else None
    return unit is not None and (unit.only_unit or unit.code == "in")


def _is_group_row(table: Table, row: int, filled: list[int]) -> bool:
    """Whether a row above the lift heading holds headings of groups of columns."""
    view, lift = table.view, table.axis.column
    labels = [view.label(row, column) for column in filled]
    lead, corner = labels[0], view.label(row, lift)
    asks = lead is not None and lead.kind in CONDITION_KINDS | WHO_KINDS | UNIT_KINDS and lead.kind != "valve_head"
    heads = len(filled) > 1 and all(label is not None and label.kind == "head" and label.bare for label in labels)
    if asks and not heads and lead is not None and not (lead.kind in WHO_KINDS and lead.names):
        return False
    before = [column for column in table.filled(row) if column <= lift]
    plain = corner is not None and (corner.only_unit or corner.kind == "lift") and before == [lift]
    names_only = all(label is not None and (label.names or label.letter) and not label.rest for label in labels)
    if before and not plain and not names_only and (len(filled) < 2 or None in labels):
        return False  # a title with more beside it, unless what is beside it can only head columns
    if corner is not None and corner.kind in LINE_KINDS and not (corner.names and names_only):
        return False
    for label, column in zip(labels, filled, strict=True):
        cell, size = view.cells[row][column], view.cells[row][column].value
        small = size is not None and size.is_integer() and 0 < size < 100  # a port's number or a valve's size
        if label is None and not small and not (size is not None and _is_length(cell.unit)):
            return False
    texts = [str(view.value(row, column)) for column in filled]
    nameless = [text for text, label in zip(texts, labels, strict=True) if label is not None and not label.names]
    figures = [n for text in nameless for n in quantities(text) if len(n.number) > 2]  # "end 98.7 CFM", not "1 CFM"
    return not any(len(text) > LONG_HEADING for text in texts) and not any(
        measures(number.unit, *FLOW_QUANTITIES) for number in figures
    )


def _is_section(table: Table, row: int) -> bool:
    """Whether a row holds nothing but a line that names the test of the rows below it."""
    view, lift, filled = table.view, table.axis.column, table.filled(row)
    label = view.label(row, filled[0]) if len(filled) == 1 and filled[0] <= lift < table.right else None
    if label is None:
        return False
    if not label.names and "state" not in label.kinds and is_sentence(_only_text(view, row)):
        lifts = [view.cells[at][lift].value for at in table.axis.rows if abs(at - row) == 1]
        if len(lifts) == 2 and (lifts[1] or 0.0) > (lifts[0] or 0.0):
            return False  # "from here on with clay": the lifts go on upward
    return not label.only_unit and (label.names or label.letter is not None or bool(label.rest))


def _row_label(table: Table, row: int) -> Label | None:
    """What a row without a lift is of, if the cell of its lift, or one before it, says so."""
    for column in range(table.axis.column, table.left - 1, -1):
        label = table.view.label(row, column)
        if label is None or str(table.view.value(row, column))[:1].isdigit():
            continue
        if label.kind in ROW_KINDS | LEFT_OUT and not (label.names and label.kind in WHO_KINDS):
            return label
        if label.kind == "flow" and ("leak" in label.kinds or "average" in label.kinds):
            return label
    return None


def _is_mistyped(table: Table, row: int, *, empty: bool = False) -> bool:
    """Whether a row has readings and a lift that is not a number, or none at all."""
    view, lift = table.view, table.axis.column
    kind = view.kinds[row][lift]
    if "n" not in view.kinds[row][lift + 1 : table.right + 1]:
        return False
    if kind == " ":
        return empty and not view.kinds[row][table.left : lift].strip()
    text = str(view.value(row, lift))
    marks = any(mark.isdigit() for mark in text) and not any(mark.isalpha() and mark not in "OoIl" for mark in text)
    return kind in "tg" and len(text) < 8 and marks


def _trailing(table: Table) -> None:
    """Find rows of leaks, averages and the like inside the numbers and directly under them."""
    view, axis = table.view, table.axis
    for row in sorted(set(range(axis.first, axis.last + 1)) - set(axis.rows)):
        label = _row_label(table, row)
        if label is not None and view.kinds[row][axis.column] in "tg ":
            table.named[row] = label
        elif _is_section(table, row):
            table.sections[row] = table.filled(row)[0]
    while axis.last + 1 < len(view.rows) and _is_mistyped(table, axis.last + 1, empty=True):
        axis.last += 1
    blank = False
    for row in range(axis.last + 1, min(axis.last + 1 + HEADER_DEPTH, len(view.rows))):
        if not table.filled(row):
            if blank:
                return
            blank = True
            continue
        label = _row_label(table, row)
        if label is None or not _goes_with(table, row, label, blank=blank):
            return
        table.named[row] = label


def _goes_with(table: Table, row: int, label: Label, *, blank: bool) -> bool:
    """Whether a row under the numbers holds values of the columns, and is no line of the sheet."""
    view, lift = table.view, table.axis.column
    filled = table.filled(row, lift + 1)
    if label.pressure is not None or (label.bare and label.unit):
        return False  # "dP 7.00 kPa" has its value
    if len(filled) > 1:
        return not _is_pairs(view, row, lift, filled)
    if label.kind in LEFT_OUT:
        gaps = any((row, c) in view.grid.formula_gaps for c in range(table.left, table.right + 1))
        return bool(filled) or not blank or gaps
    single = table.right == lift + 1 or label.kind in ("leak", "check_reading", "check_nominal")
    return single and bool(filled) and not blank


def _evidence(table: Table) -> float:
    """How much the numbers say that flows run along this axis: they rise along it, and further than across."""
    view, axis = table.view, table.axis
    inside = [c for c in range(axis.column + 1, table.right + 1) if c not in table.others]
    columns = [c for c in inside if _has_numbers(view, c, axis)]
    if len(axis.rows) < 2 or not columns:
        return -1.0
    rises, spans = [], []
    for column in columns[:12]:
        known = [v for row in axis.rows[:40] if (v := view.cells[row][column].value) is not None and v > 0]
        if len(known) > 1:
            rises.append(sum(b > a for a, b in itertools.pairwise(known)) / (len(known) - 1))
            spans.append(log(max(known) / min(known)))
    if not rises:
        return 0.0
    values = [view.cells[row][axis.column].value for row in axis.rows]
    is_count = values == [float(n) for n in range(1, len(values) + 1)]
    headed = [[view.label(row, c) for row in table.headers] for c in columns]
    named = sum(any(said and (said.unit or said.names or said.kind) for said in labels) for labels in headed)
    sections = (view.label(row, column) for row, column in table.sections.items())
    sided = any(said is not None and said.side is not None for said in sections)
    units = 2.0 * named / len(columns) + 3.0 * sided
    return 2 * fmean(rises) + min(3 * fmean(spans), 3.0) - 1.5 * is_count + units
