"""Where the tables of a sheet are: the axis of lifts first, then what goes with it."""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import log

from flowkit.importers.tables.view import View
from flowkit.importers.words.items import CONDITION_FIELDS
from flowkit.importers.words.labels import LEFT_OUT, WHO_KINDS, Label
from flowkit.importers.words.phrases import is_sentence, pairs
from flowkit.importers.words.values import Cell, as_text, known_unit
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
ROW_KINDS = frozenset(CONDITION_FIELDS) | WHO_KINDS | {"zero_reading", "leak_reading", "range"}
UNIT_KINDS = frozenset({"lift_unit", "flow_unit", "pressure_unit", "units"})


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
    def first(self) -> int:
        """First row of numbers."""
        return self.axis.first

    @property
    def last(self) -> int:
        """Last row of numbers."""
        return self.axis.last

    @property
    def top(self) -> int:
        """Its first row."""
        return min([self.first, *self.headers, *self.named])

    @property
    def bottom(self) -> int:
        """Its last row."""
        return max([self.last, *self.named])

    def corners(self) -> tuple[int, int, int, int]:
        """Return its first and last row and column on the grid: top, left, bottom, right."""
        top, left = self.view.place(self.top, self.left)
        bottom, right = self.view.place(self.bottom, self.right)
        return top, left, bottom, right


def lift_cells(view: View) -> list[tuple[int, int]]:
    """Cells whose text heads lifts."""
    return [
        (row, column)
        for row, kinds in enumerate(view.kinds)
        if "t" in kinds
        for column, label in enumerate(view.labels(row))
        if label is not None and label.kind == "lift" and not label.rest and kinds[column] == "t"
    ]


def find_tables(view: View) -> list[Table]:
    """Find the tables of a sheet, upright or with lifts across; in the order of the sheet."""
    heads = lift_cells(view)
    upright_tables = _tables_of(view, heads)
    across = _may_lie_across(view, heads, upright_tables)
    if not across:
        return upright_tables
    turned = view.turn()
    others = _tables_of(turned, [(column, row) for row, column in heads])
    chosen: list[Table] = []
    for table in sorted([*upright_tables, *others], key=lambda t: -t.score):
        rival = next((other for other in chosen if _overlap(table, other)), None)
        if rival is None:
            chosen.append(table)
        elif (
            rival.view.turned != table.view.turned
            and rival.score < table.score + 1.0
            and rival.corners()[:2] == table.corners()[:2]
            and table.score > HEADED
        ):
            rival.axis.reason = "?"
    return sorted(chosen, key=lambda t: t.corners()[:2])


def _overlap(one: Table, other: Table) -> bool:
    """Whether two tables share cells of the grid."""
    a, b = one.corners(), other.corners()
    return a[0] <= b[2] and b[0] <= a[2] and a[1] <= b[3] and b[1] <= a[3]


def _may_lie_across(view: View, heads: list[tuple[int, int]], found: list[Table]) -> bool:
    """Whether lifts may run along a row: numbers right of a lift's heading, or nothing found upright."""
    if not found:
        return any(kinds.count("n") > 1 for kinds in view.kinds)
    for row, column in heads:
        tail = view.kinds[row][column + 1 :]
        if "nn" in tail.replace(" ", "") or (
            "n" in view.kind(row + 1, column) + view.kind(row + 1, column + 1) and tail.count("n") > 1
        ):
            return True
    for row, column in heads:
        if view.kinds[row + 1][column:].count("n") > 2 if row + 1 < len(view.rows) else False:
            below = view.kind(row + 1, column)
            if below == "n" and row + 2 < len(view.rows) and view.kind(row + 2, column) != "n":
                return True
    return any(table.axis.score < UNIT_HEADED for table in found)


def _tables_of(view: View, heads: list[tuple[int, int]]) -> list[Table]:
    """The tables of a view whose lifts run down a column."""
    head_rows: dict[int, list[int]] = {}
    for row, column in heads:
        head_rows.setdefault(row, []).append(column)
    titles = frozenset(row for row, kinds in enumerate(view.kinds) if kinds.strip() == "t")
    axes: list[Axis] = []
    for column in range(view.width):
        for axis in _runs(view, column, head_rows, titles):
            _find_heading(view, axis)
            _weigh_heading(view, axis)
            if axis.score > FOREIGN:
                _weigh_numbers(view, axis)
            if axis.score > -5.0:
                axes.append(axis)
    strong = [axis for axis in axes if axis.score >= UNIT_HEADED]
    chosen = _separate(view, strong)
    if len(axes) > len(strong):
        for axis in sorted((a for a in axes if a.score < UNIT_HEADED), key=lambda a: (-a.score, a.column)):
            if axis.score >= RISING and len(axis.rows) > 1 and not any(_rows_meet(axis, other[0]) for other in chosen):
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


def _rows_meet(one: Axis, other: Axis) -> bool:
    """Whether two runs of numbers have rows in common."""
    return one.first <= other.last and other.first <= one.last


def _runs(view: View, column: int, head_rows: dict[int, list[int]], titles: frozenset[int]) -> list[Axis]:
    """The runs of numbers in a column, each below one heading."""
    runs: list[list[int]] = [[]]
    blank, dated = 0, False
    for row, kind in enumerate(view.down[column]):
        if row in head_rows and (column in head_rows[row] or kind != "n"):
            runs.append([])
            blank, dated = 0, column in head_rows[row]
        if runs[-1] and row in titles and pairs(_only_text(view, row))[0]:
            runs.append([])
            blank = 0
            continue
        if blank and runs[-1] and kind in "nt" and _begins_lines(view, row, column):
            runs.append([])
            blank = 0
            continue
        if kind == "n" or (kind == "d" and dated):
            runs[-1].append(row)
            blank = 0
        elif runs[-1]:
            blank = blank + 1 if view.kinds[row].isspace() else 0
            if blank > BLANK_DEPTH:
                runs.append([])
    return [Axis(column, rows, rows[0], rows[-1]) for rows in runs if rows]


def _begins_lines(view: View, row: int, column: int) -> bool:
    """Whether, behind a blank row, the lines of the sheet begin: the label of a condition at or before a number."""
    labels = (view.label(row, at) for at in range(max(column - 1, 0), column + 1))
    return any(label is not None and label.kind in ROW_KINDS and not (label.rest or label.names) for label in labels)


def _weigh_heading(view: View, axis: Axis) -> None:
    """Weigh what the heading of a run says, or a text beside its first number."""
    label = axis.label
    if label is None:
        axis.score, axis.reason = UNHEADED, "no heading"
    elif label.kind == "lift" or (label.kind is None and label.both_sides and "lift" in label.kinds):
        axis.score, axis.reason = HEADED + axis.score, "the lifts are under their heading"
    elif axis.heading and (above := view.label(axis.heading - 1, axis.column)) is not None and above.kind == "meter":
        axis.score, axis.reason = FOREIGN, "what a meter showed"
        return
    elif (
        measures(label.unit, "length", "lift ratio")
        and label.kind is None
        and not (label.rest or label.port or label.side)
        # Beside a heading of the exhaust, In is the intake and no inch.
        and not (label.code == "in" and any(said and said.side == "exhaust" for said in view.labels(axis.heading or 0)))
    ):
        axis.score, axis.reason = UNIT_HEADED, "a unit of length alone heads them"
    elif (
        _is_title(view, axis.heading)
        and (
            (label.kind in (None, "side") and label.names and not label.rest)
            # The columns beside have headings of their own, below the line that is above all.
            or any(k[axis.column + 1 :].count("t") > 1 for k in view.kinds[(axis.heading or 0) + 1 : axis.first])
            or _is_said(_only_text(view, axis.heading or 0))
        )
    ):
        axis.score, axis.reason = UNHEADED, "a line of text is above them and no heading"
        axis.heading = axis.label = None
    elif not (label.kind or label.names or label.rest or label.unit or label.letter or label.bare):
        axis.score, axis.reason = UNHEADED, "a mark without meaning heads them"
    elif label.kind in (None, "flow", "side", "variant", "head", "title") and _is_corner(label):
        axis.score, axis.reason = CORNER, "the corner of the table names the flows"
    elif label.kind in WHO_KINDS | {"valve_head"} and all(
        _is_length(view.cells[row][axis.column].unit or "") for row in axis.rows
    ):
        axis.score, axis.reason = UNHEADED, "what names the tests is beside them"
        axis.heading = axis.label = None
    else:
        axis.score, axis.reason = FOREIGN, "headed as something else"
        return
    left = view.label(axis.first, axis.column - 1) if axis.column else None
    below = view.kind(axis.first + 1, axis.column - 1)
    if axis.score < HEADED and left is not None and left.kind == "lift" and below == " ":
        axis.score, axis.label, axis.reason = axis.score + BESIDE, left, "the lifts are beside their heading"


def _weigh_numbers(view: View, axis: Axis) -> None:
    """Weigh the numbers of a run, and leave a line of the sheet below them out of it."""
    least = len(axis.rows) / 2 if view.turned else 1  # the lines above lifts across may hold a few numbers
    if axis.score < UNIT_HEADED and any(
        axis.letters(letters).count("n") >= least for letters in view.down[: axis.column]
    ):
        axis.score = FOREIGN  # lifts without a heading lead their rows
        return
    numbers, units, inches, rows = [], 0, 0, []
    for row in axis.rows:
        value, cell = view.rows[row][axis.column], view.cells[row][axis.column]
        first = view.cells[axis.first][axis.column]
        lone = view.kinds[row].strip() == "n" or (view.kinds[row].count("n") == 1 and not _is_length(cell.unit))
        other = not first.unit or not _is_length(cell.unit)
        if cell.unit and lone and row > axis.first and other and axis.score >= HEADED:
            continue  # a line of the sheet, "28 inH2O": it alone has a unit, and no number beside it
        rows.append(row)
        numbers.append(cell.value if cell.value is not None else date_fraction(value))
        units += bool(cell.unit) and _is_length(cell.unit)
        inches += cell.unit in ("IN", "In")
        if cell.unit and not _is_length(cell.unit) and axis.score < HEADED:
            axis.score = FOREIGN
            return
    if rows and len(rows) < len(axis.rows):
        axis.rows, axis.last = rows, rows[-1]
    values = [number for number in numbers if number is not None]
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
    rising = _rise(values)
    if view.turned and any(b < a for a, b in itertools.pairwise(values)):
        axis.score -= 3.0  # nobody writes two sweeps of lifts into one row
    axis.score += RISING if rising > 0.99 and len(set(values)) > 1 else 4 * RISING * (rising - 1)
    if axis.score < UNIT_HEADED and min(values, default=0.0) < 0:
        axis.score += FOREIGN


def _only_text(view: View, row: int) -> str:
    """The text that a row holds."""
    return next((as_text(value) for value in view.rows[row] if value is not None), "")


def _is_said(text: str) -> bool:
    """Whether a text is a line about the sheet, a label with its value or a sentence, and heads nothing."""
    return bool(pairs(text)[0]) or is_sentence(text)


def _is_corner(label: Label) -> bool:
    """Whether a heading names the flows of the whole table and not its own column."""
    flow = measures(label.unit, *FLOW_QUANTITIES)
    return bool(flow or label.kind == "flow" or label.pressure) and not (label.port or label.run)


def date_fraction(value: object) -> float | None:
    """The fraction of an inch that a spreadsheet took for a date: 1/8 as 1 August or 8 January."""
    if not isinstance(value, datetime.date):
        return None
    low, high = sorted((value.month, value.day))
    return low / high if high in (2, 4, 8, 16) and low < high else None


def _is_length(spelled: str) -> bool:
    """Whether a unit in a cell is one of length."""
    return measures(known_unit(spelled), "length", "lift ratio")


def _rise(values: list[float]) -> float:
    """The share of steps that go one way; a return to the start begins another sweep."""
    steps = [b - a for a, b in itertools.pairwise(values)]
    if not steps:
        return 1.0
    low, high = min(values), max(values)
    restarts = sum(1 for a, b in itertools.pairwise(values) if b < a and b <= low + 0.25 * (high - low))
    up = sum(1 for step in steps if step >= 0)
    return max(up + restarts, len(steps) - sum(1 for step in steps if step > 0)) / len(steps)


def _find_heading(view: View, axis: Axis) -> None:  # noqa: PLR0912
    """Find the text that heads a run: the nearest above it in its column, and the lift's among those above that."""
    blank = 0
    label: Label | None = None
    for row in range(axis.first - 1, max(axis.first - 1 - HEADER_DEPTH, -1), -1):
        kind = view.kinds[row][axis.column]
        if kind == "n":
            break
        if view.kinds[row].isspace():
            blank += 1
            if blank > BLANK_DEPTH:
                break
            continue
        if kind not in "tg":
            continue
        said = view.label(row, axis.column)
        if said is None or (said.only_unit and axis.column and view.kinds[row][axis.column - 1] == "n"):
            continue  # "83 | mm": the unit of the value left of it
        if said.kind == "lift" or ("lift" in said.kinds and said.both_sides):
            if label is not None and not (measures(label.unit, "length", "lift ratio") or label.kind == "lift"):
                axis.score = FAR
            axis.heading, axis.label = row, said
            return
        if (
            label is None
            and said.kind in ROW_KINDS | LEFT_OUT
            and not said.only_unit
            and view.kinds[row][axis.column + 1 :].strip()
            and not _heads_columns(view, row, axis.column)
        ):
            continue  # a row of values inside the table: "Leak | 0.3 | 0.2"
        if label is None:
            axis.heading, axis.label = row, said
            label = said
        elif label.only_unit and (said.kind is not None or said.names):
            beside = view.kinds[row][axis.column + 1 :].replace(" ", "")
            line = said.kind in ROW_KINDS and (beside[:1] in ("n", "d", "") or len(beside) == 1)
            if said.kind not in (None, "lift") and not line and not _is_title(view, row):
                axis.label = said
            return
        else:
            return


def _heads_columns(view: View, row: int, column: int) -> bool:
    """Whether texts right of a cell head columns: they have a unit or name a quantity; across, most of them do."""
    places = range(column + 1, min(column + 12, view.width))
    if sum(_is_length(view.cells[row][at].unit or "") for at in places) > 1:
        return True  # "Cyl | Valve | 2 mm | 4 mm"
    heads = [
        label is not None
        and ((label.unit is not None and label.code is None) or label.kind in ("flow", "lift", "meter"))
        for label in (view.label(row, at) for at in places)
    ]
    if not view.turned:
        return any(heads)
    return 2 * sum(heads) > len(view.kinds[row][column + 1 : column + 12].replace(" ", ""))


def _is_title(view: View, row: int | None) -> bool:
    """Whether a text is alone in its row."""
    return row is not None and view.kinds[row].strip() == "t"


def _separate(view: View, axes: list[Axis]) -> list[tuple[Axis, list[int]]]:
    """Tell axes of tables of their own from second columns of lifts."""
    chosen: list[tuple[Axis, list[int]]] = []
    for axis in sorted(axes, key=lambda a: (a.column, a.first)):
        rivals = [(other, more) for other, more in chosen if _rows_meet(axis, other)]
        if rivals:
            other, more = max(rivals, key=lambda pair: pair[0].column)
            between = [
                c for c in range(other.column + 1, axis.column) if c not in more and _has_numbers(view, c, other)
            ]
            behind = any(
                _has_numbers(view, c, axis) and not any(a.column == c and _rows_meet(a, axis) for a in axes)
                for c in range(axis.column + 1, min(axis.column + 2 + GAP_WIDTH, view.width))
            )
            ratios = [measures(a.label.unit if a.label else None, "lift ratio") for a in (axis, other)]
            if axis.score < HEADED <= other.score and ratios == [True, False]:
                more.append(axis.column)  # lift over diameter, beside lifts
                continue
            heads = axis.heading is not None and view.kind(axis.heading, axis.column + 1) == "t"
            empty = between and heads and axis.label is not None and axis.label.kind == "lift"
            if not between or not (behind or empty):
                if axis.score > other.score + 1 and not between:
                    chosen[chosen.index((other, more))] = (axis, [*more, other.column])
                else:
                    more.append(axis.column)
                continue
        chosen.append((axis, []))
    return chosen


def _has_numbers(view: View, column: int, axis: Axis) -> bool:
    """Whether a column has a number in a row of an axis."""
    return "n" in axis.letters(view.down[column])


def _extent(view: View, axis: Axis, others: list[int], axes: list[Axis]) -> Table | None:  # noqa: PLR0912
    """How far a table reaches to the left and right of its lifts."""
    same = [a for a in axes if a is not axis and _rows_meet(a, axis)]
    stop = min((a.column for a in same if a.column > axis.column), default=view.width)
    start = max((a.column for a in same if a.column < axis.column), default=-1)
    top = axis.heading if axis.heading is not None else max(axis.first - 1, 0)
    rows = range(axis.first, axis.last + 1)
    right, gap = axis.column, 0
    for column in range(axis.column + 1, stop):
        if is_empty(view, column, rows):
            gap += 1
            if gap > GAP_WIDTH:
                break
            continue
        if gap and (is_line_across(view, axis, column) if view.turned else _is_aside(view, column, axis, top)):
            break
        if not gap and column > axis.column + 1 and _is_aside(view, column, axis, top):
            break
        right, gap = column, 0
    if right == axis.column and axis.score >= HEADED and axis.heading is not None:
        while right + 1 < stop and view.kinds[axis.heading][right + 1] != " ":
            right += 1  # nothing is filled in yet
    left, gap = axis.column, 0
    for column in range(axis.column - 1, start, -1):
        if any(a.column <= column <= _reach(view, a, axis.column) for a in same if a.column < axis.column):
            break
        if is_empty(view, column, range(axis.first, axis.last + 1)):
            gap += 1
            if gap > GAP_WIDTH:
                break
            continue
        if view.turned and is_line_across(view, axis, column):
            break
        left, gap = column, 0
    body = [c for c in range(left, right + 1) if c != axis.column and c not in others]
    empty = not any(set("ng") & set(axis.letters(view.down[c])) for c in body)
    missing = view.grid.formula_gaps
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


def _reach(view: View, axis: Axis, before: int) -> int:
    """The last column with numbers of an axis, before another one."""
    found = [c for c in range(axis.column, before) if _has_numbers(view, c, axis)]
    return max(found, default=axis.column)


def is_empty(view: View, column: int, rows: range) -> bool:
    """Whether a column has nothing in some rows, no formula either."""
    if view.down[column][rows.start : rows.stop].strip():
        return False
    gaps = view.grid.formula_gaps
    return not (gaps and any(view.place(row, column) in gaps for row in rows))


def _is_aside(view: View, column: int, axis: Axis, top: int) -> bool:
    """Whether lines of the sheet begin in a column: labels with their values beside them, no column of the table."""
    kinds = view.down[column][top : axis.last + 1]
    if not all(_is_pressure(view, row, column) for row, kind in enumerate(kinds, top) if kind == "n"):
        return False
    if _goes_on(view, column, axis, top) or unit_beside(view, range(top + 1, axis.last + 1), column) is not None:
        return False
    labels = values = kinds.count("n")
    texts = 0
    heads = False
    headed = view.kind(top, column) == "t" == view.kind(top, column + 1)  # TRUE beside a number of the next column
    for row, kind in enumerate(kinds, top):
        if kind != "t":
            continue
        label = view.label(row, column)
        text = str(view.value(row, column))
        if label is None:
            continue
        follows = view.kind(row, column + 1)
        lone = (":" in text or "=" in text or label.pressure is not None) and len(text) > 5
        known = label.kind in ROW_KINDS | UNIT_KINDS and not (label.kind in WHO_KINDS and label.names)
        if (
            row == top
            and known
            and not lone
            and not (follows in "nd" or (follows == "t" and label.kind in CONDITION_FIELDS))
        ):
            heads = True  # the heading of a column, or the first of several lines
            continue
        texts += 1
        if known or lone:
            labels += 1
            values += follows in "ntdg" or lone
        elif follows in "nd" and row > top and not headed:
            labels += 1
            values += 1
    return (
        labels > 0
        and values > 0
        and (labels > 1 or (heads and texts == labels == values) or (not heads and len(kinds.replace(" ", "")) <= 2))
    )


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


def _is_pressure(view: View, row: int, column: int) -> bool:
    """Whether a cell is a pressure with its unit: ``28 inH2O``."""
    spelled = view.cells[row][column].unit
    return bool(spelled) and measures(known_unit(spelled), "pressure")


def _headers(table: Table) -> None:
    """Find the rows of headings and the rows that hold a value for each column."""
    view, axis = table.view, table.axis
    anchor = axis.heading if axis.heading is not None and axis.heading < axis.first else axis.first - 1
    between = range(max(anchor, 0), axis.first)
    blank = 0
    for row in reversed(between):
        kinds = view.kinds[row][table.left : table.right + 1]
        if kinds.isspace():
            blank += 1
            if axis.heading is None and blank > BLANK_DEPTH:
                break
            continue
        if row == axis.heading:
            table.headers.insert(0, row)
            continue
        if axis.heading is None and _is_title(view, row) and _is_said(_only_text(view, row)):
            break
        if _is_mistyped(table, row) and row + 1 == axis.first:
            axis.first = row
            continue
        label = _row_label(table, row)
        right = view.kinds[row][axis.column + 1 :]
        if label is not None and ("n" in right or "g" in right or label.kind in WHO_KINDS):
            table.named[row] = label
        elif _is_section(table, row):
            table.sections[row] = table.left + len(kinds) - len(kinds.lstrip())
        else:
            table.headers.insert(0, row)
    top = anchor if axis.heading is not None else (min(table.headers) if table.headers else axis.first)
    skipped = False
    for row in range(top - 1, max(top - 1 - GROUP_DEPTH, -1), -1):
        if view.kinds[row].isspace() and not skipped and _names_groups(table, row - 1):
            skipped = True
        elif not _take_group(table, row):
            break


def _names_groups(table: Table, row: int) -> bool:
    """Whether a row names groups of columns and nothing else: ``Intake`` and ``Exhaust`` over their columns."""
    if row < 0:
        return False
    filled = [c for c in range(table.left, table.right + 1) if table.view.kinds[row][c] != " "]
    labels = [table.view.label(row, column) for column in filled]
    return len(filled) > 1 and all(label is not None and label.side and not label.rest for label in labels)


def _take_group(table: Table, row: int) -> bool:
    """Take a row above the lift's heading for headings of groups or values of columns; tell whether to look further."""
    view, lift = table.view, table.axis.column
    across = view.turned
    label = view.label(row, lift)
    filled = [c for c in range(lift + 1, table.right + 1) if view.kinds[row][c] != " " and c not in table.others]
    headed = label is not None and label.kind in ROW_KINDS and not (label.names or label.rest)
    if headed and label is not None and len(filled) > (0 if across else 1):
        if across or not _is_pairs(view, row, lift, filled):
            table.named[row] = label
            return True
        return False
    if not filled or not (across or _is_group_row(table, row, filled)):
        return False
    table.headers.insert(0, row)
    return True


def _is_pairs(view: View, row: int, lift: int, filled: list[int]) -> bool:
    """Whether a row is label, value, label, value and not a value for each column."""
    labels = [view.label(row, column) for column in filled]
    if any(
        label is not None
        and (label.pressure is not None or label.kind in ROW_KINDS | UNIT_KINDS | {"flow", "lift"})
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
    lead = labels[0]
    asks = lead is not None and lead.kind in CONDITION_KINDS | WHO_KINDS | UNIT_KINDS and lead.kind != "valve_head"
    if asks and lead is not None and not (lead.kind in WHO_KINDS and lead.names):
        return False
    corner = view.label(row, lift)
    before = [column for column in range(table.left, lift + 1) if view.kinds[row][column] != " "]
    plain = corner is not None and (corner.only_unit or corner.kind == "lift") and before == [lift]
    names_only = all(label is not None and (label.names or label.letter) and not label.rest for label in labels)
    if before and not plain and not names_only and (len(filled) < 2 or None in labels):
        return False  # a title with more beside it, unless what is beside it can only head columns
    if corner is not None and corner.kind in ROW_KINDS | UNIT_KINDS and not (corner.names and names_only):
        return False
    if any(label is None and not _is_small(view.cells[row][c]) for label, c in zip(labels, filled, strict=True)):
        return False
    return not any(len(str(view.value(row, column))) > LONG_HEADING for column in filled)


def _is_small(cell: Cell) -> bool:
    """Whether a cell holds a number that may name a port or a valve."""
    number = cell.value is not None and cell.value.is_integer() and 0 < cell.value < 100
    return number or bool(cell.value is not None and cell.unit and _is_length(cell.unit))


def _is_section(table: Table, row: int) -> bool:
    """Whether a row holds nothing but a line that names the test of the rows below it."""
    view = table.view
    filled = [c for c in range(table.left, table.right + 1) if view.kinds[row][c] != " "]
    if len(filled) != 1 or filled[0] > table.axis.column or table.right == table.axis.column:
        return False
    label = view.label(row, filled[0])
    if label is not None and not label.names and "state" not in label.kinds and is_sentence(_only_text(view, row)):
        lifts = [view.cells[at][table.axis.column].value for at in table.axis.rows if abs(at - row) == 1]
        if len(lifts) == 2 and (lifts[1] or 0.0) > (lifts[0] or 0.0):
            return False  # "from here on with clay": the lifts go on upward
    return label is not None and not label.only_unit and (label.names or label.letter is not None or bool(label.rest))


def _row_label(table: Table, row: int) -> Label | None:
    """What a row without a lift is of, if the cell of its lift, or one before it, says so."""
    for column in range(table.axis.column, table.left - 1, -1):
        label = table.view.label(row, column)
        if label is None:
            continue
        if str(table.view.value(row, column))[:1].isdigit():
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
    return (
        kind in "tg"
        and len(text) < 8
        and any(mark.isdigit() for mark in text)
        and not any(mark.isalpha() and mark not in "OoIl" for mark in text)
    )


def _trailing(table: Table) -> None:
    """Find rows of leaks, averages and the like inside the numbers and directly under them."""
    view, axis = table.view, table.axis
    numbered = set(axis.rows)
    for row in range(axis.first, axis.last + 1):
        if row not in numbered:
            label = _row_label(table, row)
            if label is not None and view.kinds[row][axis.column] in "tg ":
                table.named[row] = label
            elif _is_section(table, row):
                table.sections[row] = next(c for c in range(table.left, table.right + 1) if view.kinds[row][c] != " ")
    while axis.last + 1 < len(view.rows) and _is_mistyped(table, axis.last + 1, empty=True):
        axis.last += 1
    columns = range(axis.column + 1, table.right + 1)
    blank = False
    for row in range(axis.last + 1, min(axis.last + 1 + HEADER_DEPTH, len(view.rows))):
        if view.kinds[row][table.left : table.right + 1].isspace():
            if blank:
                return
            blank = True
            continue
        label = _row_label(table, row)
        filled = [column for column in columns if view.kinds[row][column] != " "]
        if label is None or not _goes_with(table, row, label, filled, blank=blank):
            return
        table.named[row] = label


def _goes_with(table: Table, row: int, label: Label, filled: list[int], *, blank: bool) -> bool:
    """Whether a row under the numbers holds values of the columns, and is no line of the sheet."""
    view = table.view
    if label.pressure is not None or (label.bare and label.unit):
        return False  # "dP 7.00 kPa" has its value
    if len(filled) > 1:
        return not _is_pairs(view, row, table.axis.column, filled)
    if label.kind in LEFT_OUT:
        return (
            bool(filled)
            or (not blank and label.pressure is None)
            or any((row, c) in view.grid.formula_gaps for c in range(table.left, table.right + 1))
        )
    single = table.right == table.axis.column + 1 or label.kind in ("leak", "check_reading", "check_nominal")
    return single and bool(filled) and not blank


def _evidence(table: Table) -> float:
    """How much the numbers say that flows run along this axis: they rise along it, and further than across."""
    view, axis = table.view, table.axis
    columns = [
        c for c in range(axis.column + 1, table.right + 1) if _has_numbers(view, c, axis) and c not in table.others
    ]
    if len(axis.rows) < 2 or not columns:
        return -1.0
    rises = spans = 0.0
    counted = 0
    for column in columns[:12]:
        values = [view.cells[row][column].value for row in axis.rows[:40]]
        known = [value for value in values if value is not None and value > 0]
        if len(known) > 1:
            counted += 1
            rises += sum(b > a for a, b in itertools.pairwise(known)) / (len(known) - 1)
            spans += log(max(known) / min(known))
    if not counted:
        return 0.0
    axis_values = [view.cells[row][axis.column].value for row in axis.rows]
    is_count = axis_values == [float(n) for n in range(1, len(axis_values) + 1)]
    named = sum(
        any(
            (said := view.label(row, c)) is not None and (said.unit or said.names or said.kind) for row in table.headers
        )
        for c in columns
    )
    units = 2.0 * named / len(columns) + 3.0 * any(
        (said := view.label(row, column)) is not None and said.side is not None
        for row, column in table.sections.items()
    )
    return 2 * rises / counted + min(3 * spans / counted, 3.0) - 1.5 * is_count + units
