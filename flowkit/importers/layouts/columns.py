"""One column of a table, with what the headings stacked over it say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from flowkit.importers.kinds import WHO_KINDS
from flowkit.importers.labels import Label, parse_label
from flowkit.importers.table import Table
from flowkit.importers.view import View
from flowkit.importers.words.values import as_text
from flowkit.model import Side
from flowkit.units import Unit

__all__ = ["Column", "heading_labels", "stacked"]


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
    heading : int or None
        Which of the table's rows of headings holds its lowest one.
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
    heading: int | None = None
    why: str = ""
    trouble: list[str] = field(default_factory=list)
    flows: list[int] | None = None

    def source(self, table: Table) -> str:
        """Return the cell of its lowest heading, or its first cell where it has none.

        Parameters
        ----------
        table : Table
        """
        row = table.first if self.heading is None else table.headers[self.heading]
        return table.view.source(row, self.index)


def heading_labels(table: Table) -> list[Label]:
    """Return what every heading of a table says, for the language of the sheet."""
    view = table.view
    found = [view.label(row, c) for row in table.headers for c in range(table.left, table.right + 1)]
    return [label for label in found if label is not None] + list(table.named.values())


def stacked(table: Table) -> list[Column]:
    """Join the headings over every column but the lifts.

    Parameters
    ----------
    table : Table

    Returns
    -------
    list of Column
        Without roles yet.
    """
    carried = _carried(table)
    columns = []
    for index in range(table.left, table.right + 1):
        if index not in table.lifts:
            column = _stack(table, index, carried)
            _name_by_rows(table, column)
            columns.append(column)
    return columns


def _carried(table: Table) -> dict[int, list[int | None]]:
    """For each row of headings and each column: which column's heading holds for it from the left."""
    view = table.view
    merged = {row: _merges(view, row) for row in table.headers}
    result: dict[int, list[int | None]] = {}
    for row in table.headers:
        holder: list[int | None] = []
        last: int | None = None
        spans = merged[row]
        values = view.rows[row]
        for index in range(table.left, table.right + 1):
            if values[index] is not None:
                leads = index == table.lifts[0] and row < table.row and _names(view, row, index)
                last = index if index > table.lifts[0] or leads else None
            elif last is not None and last in spans and index > spans[last]:
                last = None
            holder.append(last)
        result[row] = holder
    return result


def _names(view: View, row: int, index: int) -> bool:
    """Whether a heading only says which side, port or run is meant."""
    label = view.label(row, index)
    return label is not None and label.names and not label.rest and label.kind is None


def _merges(view: View, row: int) -> dict[int, int]:
    """The merged headings of a row: first column -> last column."""
    return {c0: c1 for r0, c0, r1, c1 in view.merged if r0 <= row <= r1 and c1 > c0}


def _stack(table: Table, index: int, carried: Mapping[int, list[int | None]]) -> Column:
    """Join the headings over a column, those of its group first."""
    view = table.view
    own = [row for row in table.headers if view.rows[row][index] is not None]
    lowest = own[-1] if own else -1
    column = Column(index)
    labels: list[Label] = []
    for place, row in enumerate(table.headers):
        at: int | None = index if row in own else carried[row][index - table.left]
        if at is None or (at != index and row >= lowest and not _covers(view, row, at, index)):
            continue
        label = _heading(view, row, at)
        if at != index and label.only_unit:
            continue
        labels.append(label)
        text = as_text(view.rows[row][at])
        column.text = f"{column.text} {text}" if column.text else text
        column.heading = place
    for label in labels:
        _join(column, label)
    return column


def _covers(view: View, row: int, at: int, index: int) -> bool:
    """Whether a merged heading reaches over a column."""
    return any(r0 <= row <= r1 and c0 == at and index <= c1 for r0, c0, r1, c1 in view.merged)


def _heading(view: View, row: int, index: int) -> Label:
    """What a heading says; a number is a name."""
    value = view.rows[row][index]
    label = view.label(row, index)
    if label is not None:
        return label
    text = as_text(value)
    return parse_label(text) if isinstance(value, str) else Label(bare=text)


def _join(column: Column, label: Label) -> None:
    """Add one heading to what the headings above it said."""
    if label.kind is not None:
        column.kind = label.kind
    if label.code == "in" and label.port is None and label.unit is not None and label.unit.quantity == "length":
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
    column.pressure = label.pressure or label.aside or column.pressure
    column.treatment = label.treatment or column.treatment
    if label.unit is not None:
        if (
            column.unit is not None
            and column.unit.quantity == label.unit.quantity
            and column.unit.name != label.unit.name
        ):
            column.trouble.append(f"its headings name two units, {column.unit.name} and {label.unit.name}")
        column.unit, column.unit_text = label.unit, label.unit_text
    rest = label.rest if label.aside is None else label.aside_rest
    if rest and rest not in column.variant:
        column.variant = f"{column.variant} {rest}".strip()


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
