"""Which test a row belongs to, as far as its own cells say."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from flowkit.importers.cells import as_text
from flowkit.importers.grid import CellValue
from flowkit.importers.items import Written, read_item, refused
from flowkit.importers.labels import Label, resolve_codes
from flowkit.importers.layouts.columns import Column
from flowkit.importers.layouts.drafts import TableContext
from flowkit.importers.layouts.lifts import LiftRow
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
    known: dict[tuple[object, ...], Who | None] = {}
    groups: dict[Who, list[LiftRow]] = {}
    for entry, values in zip(rows, keys, strict=True):
        key = values if entry.section is None else (*values, id(entry.section))
        if key not in known:
            known[key] = _who(context, columns, values, entry)
        who = known[key]
        if who is not None:
            groups.setdefault(who, []).append(entry)
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


def _who(context: TableContext, columns: Sequence[Column], values: Sequence[CellValue], entry: LiftRow) -> Who | None:
    """Read the cells that say which test a row belongs to, after the line above them that does."""
    who = _of_section(context, entry.section) if entry.section is not None else NOBODY
    for column, value in zip(columns, values, strict=True):
        if value is None:
            continue
        source = context.table.view.source(entry.row, column.index)
        items, trouble = read_item(str(column.kind), Written(value, source))
        if trouble:
            context.findings += trouble
            return None
        for item in items:
            if item.kind == "run":
                who = who._replace(run=int(item.value))
            elif item.kind == "side":
                side = _side(context, str(item.value))
                if side is None:
                    what = (
                        f"{as_text(value)!r} may be intake or exhaust, depending on the language; write one of the two"
                    )
                    context.findings.append(refused(source, what))
                    return None
                who = who._replace(side=side)
            elif item.kind == "port":
                who = who._replace(port=str(item.value))
            elif item.kind == "variant":
                who = who._replace(variant=str(item.value))
            else:
                who = who._replace(head=str(item.value))
    return who


def _of_section(context: TableContext, section: Label) -> Who:
    """What a line inside the table says of the rows below it."""
    side = section.side or (_side(context, f"?{section.code}") if section.code else None)
    return Who(side, section.port, section.run)


def _side(context: TableContext, written: str) -> Side | None:
    """A side as read, or as the language resolves its letter."""
    if written in ("intake", "exhaust"):
        return written  # type: ignore[return-value]
    sides = resolve_codes([written[1:]], context.words)
    return sides[written[1:]] if sides else None
