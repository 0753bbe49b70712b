"""What each column of a table is: from the headings stacked over it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from flowkit.importers.cells import as_text, read_cell
from flowkit.importers.items import unreadable
from flowkit.importers.labels import FLOW_QUANTITIES, Label, parse_label, resolve_codes
from flowkit.importers.tables import CONDITION_KINDS, LEFT_OUT, WHO_KINDS, Table
from flowkit.importers.view import View
from flowkit.model import Finding, Side
from flowkit.units import Unit

__all__ = ["Column", "describe", "heading_labels"]


@dataclass(slots=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    index : int
    role : str
        ``"flow"``, ``"pressure"``, ``"who"``, ``"condition"``, ``"ignored"``, ``"empty"`` or, before all
        headings are weighed, ``"named"`` and ``"unknown"``.
    kind : str or None
    side, port, run, variant, head : optional
    code : str or None
        A letter whose side the table's other letters and its language decide.
    unit : Unit or None
    pressure : (str, str) or None
        Stated in the heading.
    text : str
        The headings as written.
    source : str
        The cell of the lowest heading.
    why : str
        Why it is left out.
    trouble : list of str
        What in its headings contradicts itself.
    flows : list of int or None
        Of pressures: the columns of flows they were taken with, where that is known.
    """

    index: int
    role: str = "empty"
    kind: str | None = None
    side: Side | None = None
    port: str | None = None
    run: int | None = None
    variant: str = ""
    head: str | None = None
    code: str | None = None
    bare: str | None = None
    unit: Unit | None = None
    unit_text: str = ""
    pressure: tuple[str, str] | None = None
    treatment: str = ""
    text: str = ""
    source: str = ""
    why: str = ""
    trouble: list[str] = field(default_factory=list)
    flows: list[int] | None = None


def heading_labels(table: Table) -> list[Label]:
    """Return what every heading of a table says, for the language of the sheet."""
    view = table.view
    found = [view.label(row, c) for row in table.headers for c in range(table.left, table.right + 1)]
    return [label for label in found if label is not None] + list(table.named.values())


def describe(table: Table, side: Side | None, words: Sequence[str]) -> tuple[list[Column], list[Finding]]:
    """Say what each column is.

    Parameters
    ----------
    table : Table
    side : {"intake", "exhaust"} or None
        What a title or a label says of the whole table.
    words : sequence of str
        Languages of the sheet's words.

    Returns
    -------
    columns : list of Column
        Those that hold something, lifts left out.
    findings : list of Finding
        Columns that cannot be told apart or were left out.
    """
    carried = _carried(table)
    columns = []
    for index in range(table.left, table.right + 1):
        if index not in table.lifts:
            column = _stack(table, index, carried)
            _name_by_rows(table, column)
            _first_role(table, column)
            if column.role != "empty":
                columns.append(column)
    findings = _decide_sides(columns, words)
    _decide_averages(columns)
    findings += _decide_bare(columns, side)
    _decide_unknown(columns)
    findings += _decide_twins(table, columns)
    return columns, findings + [_ignored(column) for column in columns if column.role == "ignored" and column.why]


def _carried(table: Table) -> dict[int, list[int | None]]:
    """For each row of headings and each column: which column's heading holds for it from the left."""
    view = table.view
    merged = {row: _merges(view, row) for row in table.headers}
    result: dict[int, list[int | None]] = {}
    for row in table.headers:
        holder: list[int | None] = []
        last: int | None = None
        spans = merged[row]
        for index in range(table.left, table.right + 1):
            if view.value(row, index) is not None:
                last = index if index > table.lifts[0] else None
            elif last is not None and last in spans and index > spans[last]:
                last = None
            holder.append(last)
        result[row] = holder
    return result


def _merges(view: View, row: int) -> dict[int, int]:
    """The merged headings of a row: first column -> last column."""
    return {c0: c1 for r0, c0, r1, c1 in view.merged if r0 <= row <= r1 and c1 > c0}


def _stack(table: Table, index: int, carried: Mapping[int, list[int | None]]) -> Column:
    """Join the headings over a column, those of its group first."""
    view = table.view
    own = [row for row in table.headers if view.value(row, index) is not None]
    lowest = own[-1] if own else -1
    column = Column(index)
    labels: list[Label] = []
    for row in table.headers:
        at: int | None = index if row in own else carried[row][index - table.left]
        if at is None or (at != index and row >= lowest and not _covers(view, row, at, index)):
            continue
        label = _heading(view, row, at)
        if at != index and label.only_unit:
            continue
        labels.append(label)
        column.text = f"{column.text} {as_text(view.value(row, at))}".strip()
        column.source = view.source(row, at)
    for label in labels:
        _join(column, label)
    return column


def _covers(view: View, row: int, at: int, index: int) -> bool:
    """Whether a merged heading reaches over a column."""
    return any(r0 <= row <= r1 and c0 == at and index <= c1 for r0, c0, r1, c1 in view.merged)


def _heading(view: View, row: int, index: int) -> Label:
    """What a heading says; a number is a name."""
    value = view.value(row, index)
    label = view.label(row, index)
    if label is not None:
        return label
    text = as_text(value)
    said = parse_label(text)
    return said if isinstance(value, str) and (said.names or said.rest) else Label(bare=text)


def _join(column: Column, label: Label) -> None:
    """Add one heading to what the headings above it said."""
    if label.kind is not None:
        column.kind = label.kind
    if label.code == "in" and label.port is None:
        if column.kind == "pressure":
            column.unit, column.unit_text = label.unit, label.unit_text
        elif column.side != "intake":
            column.code = "in"
        return
    if label.side is not None:
        if column.side not in (None, label.side):
            column.trouble.append("its headings name both sides")
        column.side = label.side
    if label.port is not None:
        if column.port not in (None, label.port):
            column.trouble.append(f"its headings name two ports, {column.port} and {label.port}")
        column.port = label.port
    if label.run is not None:
        column.run = label.run
    column.code = label.code or column.code
    column.bare = label.bare or column.bare
    column.pressure = label.pressure or column.pressure
    column.treatment = label.treatment or column.treatment
    if label.unit is not None:
        if (
            column.unit is not None
            and column.unit.quantity == label.unit.quantity
            and column.unit.name != label.unit.name
        ):
            column.trouble.append(f"its headings name two units, {column.unit.name} and {label.unit.name}")
        column.unit, column.unit_text = label.unit, label.unit_text
    if label.rest and label.rest not in column.variant:
        column.variant = f"{column.variant} {label.rest}".strip()


def _name_by_rows(table: Table, column: Column) -> None:
    """Take side, port, run, variant or head from a row that gives one for each column."""
    if column.index <= table.lifts[0]:
        return
    view = table.view
    for row, label in table.named.items():
        if label.kind not in WHO_KINDS:
            continue
        at = column.index
        while at > table.lifts[0] and view.value(row, at) is None:
            at -= 1
        if at == table.lifts[0]:
            continue
        text = as_text(view.value(row, at))
        said = parse_label(text)
        column.source = column.source or view.source(row, at)
        if label.kind == "side":
            column.side, column.code = said.side or column.side, said.code or column.code
        elif label.kind == "port":
            column.side, column.code = said.side or column.side, said.code or column.code
            column.port = said.port or text
        elif label.kind == "run":
            column.run = said.run or (int(said.bare) if said.bare and said.bare.isdecimal() else None) or column.run
        elif label.kind == "variant":
            column.variant = text
        else:
            column.head = text


def _filled(table: Table, index: int) -> bool:
    """Whether a column holds anything in the table's rows."""
    rows = table.view.rows
    return any(rows[row][index] is not None for row in range(table.first, table.last + 1))


def _all_percent(table: Table, index: int) -> bool:
    """Whether the numbers of a column are all shown as percentages."""
    if not table.view.grid.percent_cells:
        return False
    rows = [row for row in range(table.first, table.last + 1) if isinstance(table.view.value(row, index), float)]
    return bool(rows) and all(table.view.percent(row, index) for row in rows)


def _first_role(table: Table, column: Column) -> None:
    """Say what a column is as far as its own headings tell."""
    kind, unit = column.kind, column.unit
    quantity = unit.quantity if unit is not None else None
    if not _filled(table, column.index):
        column.role = "empty"
    elif column.trouble:
        column.role = "trouble"
    elif kind in LEFT_OUT or (quantity == "humidity" and kind in (None, "flow")) or _all_percent(table, column.index):
        column.role = "ignored"
        column.why = {"average": "an average", "total": "a total", "derived": "a figure worked out from readings"}.get(
            kind or "", "a gain or percentage"
        )
    elif kind in ("counter", "notes"):
        column.role, column.why = "ignored", "no reading"
    elif kind in WHO_KINDS and not (column.side or column.port or column.run):
        column.role = "who"
    elif kind == "flow" or (kind is None and quantity in FLOW_QUANTITIES):
        column.role = "flow"
    elif kind == "pressure" or (kind is None and quantity == "pressure"):
        column.role = "pressure"
        column.kind = "pressure"
    elif kind in CONDITION_KINDS:
        column.role = "condition"
    elif kind == "lift" or (kind is None and quantity in ("length", "lift ratio")):
        column.role, column.why = "ignored", "a second column of lifts"
    elif column.side or column.port or column.run or column.code or kind in WHO_KINDS:
        column.role = "named"
    elif quantity is not None:
        column.role, column.why = "ignored", f"a {quantity}"
    else:
        column.role = "bare" if column.bare and not column.variant else "unknown"


def _decide_sides(columns: list[Column], words: Sequence[str]) -> list[Finding]:
    """Resolve letters such as E and A by each other and by the language of the sheet."""
    coded = [column for column in columns if column.code is not None and column.side is None]
    if not coded:
        return []
    sides = resolve_codes({column.code for column in coded if column.code}, words)
    findings = []
    for column in coded:
        if sides is None:
            what = (
                f"the letter {str(column.code).upper()!r} in {column.text!r} may be intake or exhaust, depending on "
                "the language; write intake or exhaust in the heading"
            )
            findings.append(unreadable(column.source, what))
            column.role = "trouble"
        else:
            column.side = sides[str(column.code)]
    return findings


def _decide_averages(columns: list[Column]) -> None:
    """Take an average for the flow where a table has no other flow."""
    if any(column.role in ("flow", "named", "unknown", "bare") for column in columns):
        return
    averages = [c for c in columns if c.role == "ignored" and c.kind == "average"]
    if len(averages) == 1:
        averages[0].role, averages[0].why = "flow", ""


def _decide_bare(columns: list[Column], side: Side | None) -> list[Finding]:
    """Take a number over a column for its port where the side is known; alone it may be anything."""
    findings = []
    for column in columns:
        if column.bare is None or column.role in ("ignored", "empty", "trouble", "who"):
            continue
        if (column.side or side) and column.port is None:
            column.port = column.bare
            column.role = "named" if column.role == "bare" else column.role
        elif column.role == "bare":
            what = (
                f"the heading {column.text!r} may be a port, a run or something else; "
                "write it like 'Intake 1' or 'Run 1'"
            )
            findings.append(unreadable(column.source, what))
            column.role = "trouble"
    return findings


def _decide_unknown(columns: list[Column]) -> None:
    """Take columns with unknown headings for variants where the known ones leave that open."""
    known = [column for column in columns if column.role in ("flow", "named")]
    pattern = {bool(column.side or column.port) for column in known if column.variant}
    open_to_names = not known or (all(column.variant for column in known) and False in pattern)
    for column in columns:
        if column.role == "named":
            column.role = "flow"
        elif column.role == "unknown":
            if open_to_names and column.variant:
                column.role = "flow"
            else:
                column.role, column.why = "ignored", "not understood"


def _identity(column: Column) -> tuple[object, ...]:
    return column.side, column.port, column.run, column.variant.casefold(), column.head


def _decide_twins(table: Table, columns: Iterable[Column]) -> list[Finding]:
    """Keep one of two columns that give the same flow in two units; refuse those that cannot be told apart."""
    groups: dict[tuple[object, ...], list[Column]] = {}
    for column in columns:
        if column.role == "flow":
            groups.setdefault(_identity(column), []).append(column)
    findings = []
    for group in groups.values():
        first, *others = group
        if not others:
            continue
        if all(_same_flow(table, first, other) for other in others):
            for other in others:
                other.role, other.why = "ignored", f"the same flow as {first.text!r} in another unit"
            continue
        names = " and ".join(repr(column.text or "no heading") for column in group)
        what = f"the columns headed {names} could each be the flow; head each with its side, port, run or variant"
        findings.append(unreadable(first.source or table.view.source(table.row, first.index), what))
        for column in group:
            column.role = "trouble"
    return findings


def _same_flow(table: Table, one: Column, other: Column) -> bool:
    """Whether two columns are the same readings in two units."""
    if one.unit is None or other.unit is None or one.unit.name == other.unit.name:
        return False
    if one.unit.quantity != other.unit.quantity:
        return False
    pairs = []
    for row in range(table.first, table.last + 1):
        a, b = (_plain(table.view, row, column.index) for column in (one, other))
        if a and b:
            pairs.append((a * one.unit.factor, b * other.unit.factor))
    # Both were rounded for printing: half a per cent, or a last digit of small readings.
    return bool(pairs) and all(abs(a - b) <= 0.02 * max(abs(a), abs(b)) for a, b in pairs)


def _plain(view: View, row: int, index: int) -> float | None:
    return read_cell(view.value(row, index), view.decimal_comma).value


def _ignored(column: Column) -> Finding:
    """Say that a column was left out, and why."""
    heading = repr(column.text) if column.text else "without a heading"
    remedy = "; head it with its side, port, run or variant if it holds flows" if column.why == "not understood" else ""
    return Finding("column-ignored", "note", column.source, f"the column {heading} was left out: {column.why}{remedy}")
