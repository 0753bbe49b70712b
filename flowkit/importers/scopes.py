"""Which lines of a sheet hold for which of its tables."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field

from flowkit.importers.items import Item, refused
from flowkit.importers.metadata import Line, Metadata, Placed
from flowkit.importers.table import Table
from flowkit.model import Finding

__all__ = ["Scope", "scopes"]

OWN = frozenset({"leak", "leak_pressure", "port", "run", "valve_head", "stem", "throat", "seat_angle", "seat_width"})
"""Kinds that a table with a heading block of its own does not inherit from another table's block."""

UNDER = frozenset(
    {"leak", "leak_pressure", "check_reading", "check_nominal", "check_pressure", "check_reading_pressure", "notes"}
)
"""Kinds that belong to the table they stand directly under."""

Key = tuple[str, str | None]


@dataclass(slots=True)
class Scope:
    """What holds for one table.

    Attributes
    ----------
    table : Table
    items : dict
        (kind, side) -> Item.
    title : Line or None
        Its own title.
    """

    table: Table
    items: dict[Key, Item] = field(default_factory=dict)
    title: Line | None = None


@dataclass(slots=True)
class _Band:
    """Tables that stand side by side."""

    tables: list[Table]
    top: int
    bottom: int
    entries: list[Placed] = field(default_factory=list)
    under: list[Placed] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)


def scopes(tables: Sequence[Table], said: Metadata) -> tuple[list[Scope], list[Finding]]:
    """Say what holds for each table of a sheet.

    Lines above the first table hold for the sheet, lines between tables for the next one; of tables
    side by side each has the lines above it where they differ. A title holds for its table.

    Parameters
    ----------
    tables : sequence of Table
    said : Metadata

    Returns
    -------
    scopes : list of Scope
        In the tables' order.
    findings : list of Finding
        Lines that contradict each other.
    """
    bands = _bands(tables)
    tail = _deal(bands, said)
    general = _general(bands, tail)
    findings: list[Finding] = []
    found: dict[int, Scope] = {}
    for place, band in enumerate(bands):
        shared, per_table = _split(band)
        for index, table in enumerate(band.tables):
            scope = Scope(table)
            own = shared + per_table[index]
            kinds = {entry.item.kind for entry in own}
            repeated = place > 0 and bool(kinds & {kind for kind, _ in general})
            scope.items = {key: item for key, item in general.items() if not (repeated and key[0] in OWN)}
            if "side" in kinds and place > 0:
                scope.items.pop(("side", None), None)
            scope.items |= _gather(own, findings) | _gather(band.under, findings)
            scope.title = _title(band, index)
            found[id(table)] = scope
    return [found[id(table)] for table in tables], findings


def _bands(tables: Sequence[Table]) -> list[_Band]:
    """Group tables whose rows overlap."""
    bands: list[_Band] = []
    for table in sorted(tables, key=lambda t: (t.corners()[0], t.corners()[1])):
        top, _, bottom, _ = table.corners()
        if bands and top <= bands[-1].bottom:
            bands[-1].tables.append(table)
            bands[-1].bottom = max(bands[-1].bottom, bottom)
        else:
            bands.append(_Band([table], top, bottom))
    for band in bands:
        band.tables.sort(key=lambda t: t.corners()[1])
    return bands


def _deal(bands: Sequence[_Band], said: Metadata) -> list[Placed]:
    """Give each line to the band it stands above, beside or directly under; return what stands at the end."""
    ends = [band.bottom for band in bands]
    tail: list[Placed] = []
    under = {band.bottom: band.bottom for band in bands}
    for entry in sorted(said.placed, key=lambda e: (e.row, e.column)):
        place = bisect_left(ends, entry.row)
        before = bands[place - 1] if place else None
        if before is not None and entry.item.kind in UNDER and entry.row - under[before.bottom] <= 1:
            under[before.bottom] = entry.row
            before.under.append(entry)
        elif place < len(bands):
            bands[place].entries.append(entry)
        else:
            tail.append(entry)
    for line in said.lines:
        at = bisect_left(ends, line.row)
        if at < len(bands):
            bands[at].lines.append(line)
    return tail


def _general(bands: Sequence[_Band], tail: Sequence[Placed]) -> dict[Key, Item]:
    """What holds for the whole sheet: the lines above its first table, then those at its end."""
    first = bands[0]
    shared, _ = _split(first)
    titles = sorted({(entry.row, entry.column) for entry in shared if entry.title})
    other_titles = any(entry.title for band in bands[1:] for entry in band.entries)
    # The last title above the first table is the table's own where others have theirs.
    own = titles[-1] if titles and other_titles else None
    general = [entry for entry in shared if not (entry.title and (entry.row, entry.column) == own)]
    found = _gather(tail, [])
    return found | _gather(general, [])


def _split(band: _Band) -> tuple[list[Placed], list[list[Placed]]]:
    """Part a band's lines into those of all its tables and those of each."""
    per_table: list[list[Placed]] = [[] for _ in band.tables]
    if len(band.tables) == 1:
        return list(band.entries), per_table
    shared: list[Placed] = []
    by_kind: dict[str, list[Placed]] = {}
    for entry in band.entries:
        by_kind.setdefault(entry.item.kind, []).append(entry)
    for entries in by_kind.values():
        owners = [_owner(band, entry) for entry in entries]
        if len(set(owners)) == 1:
            shared += entries
        else:
            for owner, entry in zip(owners, entries, strict=True):
                per_table[owner].append(entry)
    return shared, per_table


def _owner(band: _Band, entry: Placed) -> int:
    """The table a line belongs to: over its columns, the next one below it."""
    corners = [table.corners() for table in band.tables]
    lead = max((left for _, left, _, _ in corners if left <= entry.column), default=corners[0][1])
    over = [index for index, (_, left, _, _) in enumerate(corners) if left == lead]
    below = [index for index in over if corners[index][2] >= entry.row]
    return below[0] if below else over[-1]


def _gather(entries: Sequence[Placed], findings: list[Finding]) -> dict[Key, Item]:
    """Gather values by kind and side; labels count before titles, and contradictions are reported."""
    found: dict[Key, Placed] = {}
    split: set[Key] = set()  # titles of one row that differ: each stands over something else
    for entry in entries:
        key = (entry.item.kind, entry.item.side)
        known = found.get(key)
        if known is not None and not known.title:
            if not entry.title and known.item.value != entry.item.value:
                found[key] = _joined(known, entry, findings)
            continue
        if known is not None and entry.title and entry.row == known.row and entry.item.value != known.item.value:
            split.add(key)
        else:
            split.discard(key)
        found[key] = entry
    return {key: entry.item for key, entry in found.items() if key not in split}


def _joined(known: Placed, entry: Placed, findings: list[Finding]) -> Placed:
    """Join two notes; report two values of anything else."""
    if entry.item.kind != "notes":
        findings.append(_twice(known.item, entry.item))
        return known
    return known._replace(item=known.item._replace(value=f"{known.item.value}; {entry.item.value}"))


def _twice(one: Item, other: Item) -> Finding:
    """Say that a sheet states two values of one thing."""
    what = f"{one.kind.replace('_', ' ')} is stated twice and differently, here and in {one.source}; keep the right one"
    return refused(other.source, what)


def _title(band: _Band, index: int) -> Line | None:
    """The text directly above a table, over its own columns."""
    table = band.tables[index]
    top, left, _, right = table.corners()
    if index == 0:
        left = 0
    near = [line for line in band.lines if line.row < top and left <= line.column <= right]
    return near[-1] if near and top - near[-1].row <= 3 else None
