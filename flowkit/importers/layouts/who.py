"""Which test a row belongs to, as far as its own cells say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

from flowkit.importers.files.grid import CellValue
from flowkit.importers.items import Written, read_item, refused
from flowkit.importers.labels import resolve_codes
from flowkit.importers.layouts.columns import Column
from flowkit.importers.layouts.drafts import TableContext
from flowkit.importers.layouts.lifts import LiftRow
from flowkit.importers.words.values import as_text
from flowkit.model import Side

__all__ = ["NOBODY", "Who", "group_rows"]


class Who(NamedTuple):
    """The names that the cells of a row give."""

    side: Side | None = None
    port: str | None = None
    run: int | None = None
    variant: str | None = None
    head: str | None = None


NOBODY = Who()


def group_rows(context: TableContext) -> list[tuple[Who, list[LiftRow]]]:
    """Group the rows of a table by the test their own cells name; an empty cell means as above.

    Parameters
    ----------
    context : TableContext

    Returns
    -------
    list of (Who, list of LiftRow)
        In the order of their first rows; rows whose names cannot be read are left out.
    """
    columns = context.of_role("who")
    rows = context.lifts.rows
    if not columns and not any(row.section is not None for row in rows):
        return [(NOBODY, rows)]
    cells = context.table.view.rows
    names = [_filled_down([cells[entry.row][column.index] for entry in rows]) for column in columns]
    keys = zip(*names, strict=True) if names else ((),) * len(rows)
    sides = _letters(context, columns, names)
    known: dict[tuple[object, ...], list[LiftRow]] = {}
    groups: dict[Who, list[LiftRow]] = {}
    for entry, values in zip(rows, keys, strict=True):
        key = values if entry.section is None else (*values, id(entry.section))
        group = known.get(key)
        if group is None:
            who = _who(context, columns, values, entry, sides)
            group = known[key] = groups.setdefault(who, []) if who is not None else []
        group.append(entry)
    return list(groups.items())


def _filled_down(values: list[CellValue]) -> list[CellValue]:
    """The cells of a column, each empty one with what stands above it."""
    if None not in values:
        return values
    held: CellValue = None
    filled = []
    for value in values:
        held = value if value is not None else held
        filled.append(held)
    return filled


def _letters(
    context: TableContext, columns: Sequence[Column], names: Sequence[Sequence[CellValue]]
) -> Mapping[str, Side]:
    """The sides that the letters before ports stand for, told by all of them together."""
    codes = {row.section.code for row in context.lifts.rows if row.section is not None and row.section.code}
    for column, values in zip(columns, names, strict=True):
        if column.kind in ("side", "port"):
            found = [_names(column.kind, value) for value in set(values) if value is not None]
            codes |= {name.code for name in found if name is not None and name.code and name.side is None}
    return (resolve_codes(codes, context.words) or {}) if codes else {}


def _who(
    context: TableContext,
    columns: Sequence[Column],
    values: Sequence[CellValue],
    entry: LiftRow,
    sides: Mapping[str, Side],
) -> Who | None:
    """Read the cells that say which test a row belongs to, after the line above them that does."""
    section = entry.section
    who = NOBODY
    if section is not None:
        who = Who(section.side or sides.get(section.code or ""), section.port, section.run)
    for column, value in zip(columns, values, strict=True):
        if value is None:
            continue
        names = _names(str(column.kind), value)
        if names is None:
            source = context.table.view.source(entry.row, column.index)
            context.findings += read_item(str(column.kind), Written(value, source))[1]
            return None
        if names.side is None and names.code is not None:
            side = sides.get(names.code)
            if side is None:
                source = context.table.view.source(entry.row, column.index)
                what = f"{as_text(value)!r} may be intake or exhaust, depending on the language; write one of the two"
                context.findings.append(refused(source, what))
                return None
            names = names._replace(side=side)
        who = Who(
            names.side or who.side,
            names.port or who.port,
            names.run or who.run,
            names.variant or who.variant,
            names.head or who.head,
        )
    return who


class _Names(NamedTuple):
    """The names one cell gives; first those of `Who`, then a letter that stands for a side."""

    side: Side | None = None
    port: str | None = None
    run: int | None = None
    variant: str | None = None
    head: str | None = None
    code: str | None = None


@lru_cache(maxsize=2048, typed=True)
def _names(kind: str, value: CellValue) -> _Names | None:
    """Read a cell of names, None where it cannot be understood."""
    items, trouble = read_item(kind, Written(value, ""))
    if trouble:
        return None
    names = _Names()
    for item in items:
        if item.kind == "run":
            names = names._replace(run=int(item.value))
        elif item.kind == "port":
            names = names._replace(port=str(item.value))
        elif item.kind == "variant":
            names = names._replace(variant=str(item.value))
        elif item.kind == "head":
            names = names._replace(head=str(item.value))
        elif item.value in ("intake", "exhaust"):
            names = names._replace(side=item.value)  # type: ignore[arg-type]
        else:
            names = names._replace(code=str(item.value)[1:])
    return names
