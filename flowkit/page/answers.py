"""Answers as edits of the job file: each changes a tomlkit document and says in a few words what it did."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import PurePosixPath
from typing import Any

import tomlkit

from flowkit.errors import JobError
from flowkit.model import SIDES, Side, one_spelling

FACTORS = ("seats", "ports", "valves")
"""What a head's work is usually called; own words come besides."""


def variants(document: Any) -> list[Any]:
    """Return the job's variants, in order."""
    found = document.get("variant", [])
    return list(found) if isinstance(found, list) else []


def variant_named(document: Any, name: str) -> Any:
    """Return the variant of that name; raises JobError."""
    for variant in variants(document):
        if str(variant.get("name")) == name:
            return variant
    raise JobError(f"the job has no state {name!r} any more", "look at the page as it is now")


def file_of(entry: Any) -> str:
    """Return the file an entry of ``sheets`` names, without its worksheet."""
    text = str(entry.get("file", "")) if isinstance(entry, Mapping) else str(entry)
    name, mark, _ = text.rpartition("!")
    return name if mark and PurePosixPath(name).suffix else text


def _entries(document: Any, file: str) -> Iterator[tuple[Any, int]]:
    """Every variant with an entry that names this file, and the entry's index."""
    for variant in variants(document):
        for index, entry in enumerate(variant.get("sheets", [])):
            name = file_of(entry)
            if name == file or (any(mark in name for mark in "*?[") and fnmatch.fnmatch(file, name)):
                yield variant, index


def _own_table(variant: Any, index: int, file: str) -> Any:
    """Return an entry's own table, made of the bare name where it has none yet."""
    entry = variant["sheets"][index]
    if isinstance(entry, Mapping):
        return entry
    table = tomlkit.inline_table()
    table["file"] = str(entry) if file_of(entry) == file else file
    variant["sheets"][index] = table
    return variant["sheets"][index]


def _settle(variant: Any) -> None:
    """Give what is stated of a state with one sheet to that sheet, before another sheet joins it or it leaves."""
    if len(variant.get("sheets", [])) != 1:
        return
    for key in ("conditions", "columns"):
        if key in variant:
            stated = variant[key].unwrap()
            del variant[key]
            table = _own_table(variant, 0, file_of(variant["sheets"][0]))
            table[key] = {**stated, **dict(table.get(key, {}))} if key == "conditions" else table.get(key, stated)


def set_columns(document: Any, file: str, columns: Any) -> str:
    """Say of a sheet what each of its columns is."""
    for variant, index in list(_entries(document, file)):
        owner = variant if len(variant["sheets"]) == 1 else _own_table(variant, index, file)
        owner["columns"] = columns
    return f"columns of {file}"


def set_condition(document: Any, files: Iterable[str], values: Mapping[str, str], *, overrides: str = "") -> str:
    """State conditions of sheets: for the whole state where it has one sheet, else for the sheet alone."""
    files = list(files)
    for file in files:
        for variant, index in list(_entries(document, file)):
            owner = variant if len(variant["sheets"]) == 1 else _own_table(variant, index, file)
            if "conditions" not in owner:
                owner["conditions"] = tomlkit.inline_table()
            for key, value in values.items():
                owner["conditions"][key] = value
            if overrides:
                owner["conditions"]["overrides"] = True
                owner["conditions"]["reason"] = overrides
    said = ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in values.items())
    return f"{said} ({files[0] if len(files) == 1 else f'{len(files)} sheets'})"


def set_for_job(document: Any, values: Mapping[str, str]) -> str:
    """State what holds of every sheet of the job that does not say it itself: one line for all of them."""
    for key, value in values.items():
        set_table_value(document, ("conditions", key), value)
    return ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in values.items()) + " (every sheet)"


def remove_condition(document: Any, file: str, key: str) -> str:
    """Take back what was stated of a sheet."""
    for variant, index in list(_entries(document, file)):
        entry = variant["sheets"][index]
        for owner in (variant, entry):
            if not isinstance(owner, str) and key in owner.get("conditions", {}):
                del owner["conditions"][key]
                if not set(owner["conditions"]) - {"overrides", "reason"}:
                    del owner["conditions"]
    return f"{key.replace('_', ' ')} no longer stated ({file})"


def head_of(document: Any, file: str) -> str:
    """Return the head that the job states for a sheet, empty where it states none."""
    for variant, index in _entries(document, file):
        entry = variant["sheets"][index]
        for owner in (entry, variant):
            if not isinstance(owner, str) and owner.get("conditions", {}).get("head"):
                return str(owner["conditions"]["head"])
    return ""


def said_of(document: Any, file: str) -> list[tuple[str, str, str]]:
    """Return what the job says of one sheet: words, what it is, and its key or cell."""
    said: dict[tuple[str, str, str], None] = {}
    for variant, index in _entries(document, file):
        entry = variant["sheets"][index]
        for owner in (variant, *([entry] if isinstance(entry, Mapping) else [])):
            for key, value in owner.get("conditions", {}).items():
                if key not in ("overrides", "reason"):
                    said[f"{key.replace('_', ' ')} {value}", "condition", str(key)] = None
        if any("columns" in owner for owner in (variant, entry) if isinstance(owner, Mapping)):
            said["what each column is", "columns", ""] = None
        if isinstance(entry, Mapping):
            for item in entry.get("values", []):
                said[f"{item.get('cell')} counts as {item.get('value')}", "cell", str(item.get("cell"))] = None
            for cell in entry.get("leave_out", []):
                said[f"{cell} is left out", "cell", str(cell)] = None
    return list(said)


def take_back(document: Any, file: str, what: str, cell: str) -> str:
    """Take back one thing that the job says of a sheet."""
    if what == "condition":
        return remove_condition(document, file, cell)
    for variant, index in list(_entries(document, file)):
        entry: Any = variant["sheets"][index]
        if what == "columns":
            owners: list[Any] = [variant] if isinstance(entry, str) else [variant, entry]
            for owner in owners:
                owner.pop("columns", None)
        if what == "cell" and not isinstance(entry, str):
            for key, kept in (
                ("values", [item for item in entry.get("values", []) if str(item.get("cell")) != cell]),
                ("leave_out", [item for item in entry.get("leave_out", []) if str(item) != cell]),
            ):
                if kept:
                    entry[key] = kept
                elif key in entry:
                    del entry[key]
    return f"{cell or 'the columns'} of {file} as the sheet has it"


def leave_out(document: Any, file: str, cells: Sequence[str], *, undo: bool = False) -> str:
    """Leave cells of a sheet out, or take them in again."""
    for variant, index in list(_entries(document, file)):
        table = _own_table(variant, index, file)
        kept = [str(cell) for cell in table.get("leave_out", []) if str(cell) not in cells]
        table["leave_out"] = kept if undo else [*kept, *cells]
        if not table["leave_out"]:
            del table["leave_out"]
    said = ", ".join(cells[:3]) + (" …" if len(cells) > 3 else "")
    return f"{said} of {file} {'counted again' if undo else 'left out'}"


def set_value(document: Any, file: str, cell: str, value: str, reason: str) -> str:
    """Set a value by hand, with its reason; the sheet itself is never changed."""
    if not reason.strip():
        raise JobError("a value set by hand needs its reason", "say who was asked, or what the notes show")
    for variant, index in list(_entries(document, file)):
        table = _own_table(variant, index, file)
        rest = [item for item in table.get("values", []) if str(item.get("cell")) != cell]
        made = tomlkit.inline_table()
        made.update({"cell": cell, "value": value, "reason": reason.strip()})
        table["values"] = [*rest, made]
    return f"{cell} of {file} set to {value}"


def add_sheet(document: Any, entry: str, name: str) -> None:
    """Add a sheet to the state of that name, or as a new state at the end."""
    folded = one_spelling(name)
    for variant in variants(document):
        if one_spelling(str(variant.get("name", ""))) == folded:
            if entry not in [str(item) for item in variant["sheets"]]:
                _settle(variant)
                variant["sheets"].append(entry)
            return
    made = tomlkit.table()
    made["name"] = name
    made["sheets"] = [entry]
    if not isinstance(document.get("variant"), list):
        document["variant"] = tomlkit.aot()
    document["variant"].append(made)


def _drop_variant(document: Any, variant: Any) -> None:
    """Take a state out; a job without any keeps none."""
    index = next(i for i, item in enumerate(variants(document)) if item is variant)
    del document["variant"][index]
    if not document["variant"]:
        del document["variant"]


def drop_sheet(document: Any, file: str) -> str:
    """Take a sheet out of the job; the file stays in the folder."""
    for variant in variants(document):
        kept = [entry for entry in variant.get("sheets", []) if file_of(entry) != file]
        if len(kept) == len(variant.get("sheets", [])):
            continue
        if kept:
            variant["sheets"] = kept
        else:
            _drop_variant(document, variant)
    return f"{file} taken out of the job"


def move_sheet(document: Any, file: str, source: str, target: str) -> str:
    """Move a sheet from one state to another."""
    here, there = variant_named(document, source), variant_named(document, target)
    if here is not there:
        # What was stated of one sheet alone goes with it, and does not count for the sheet that joins it.
        _settle(here)
        _settle(there)
    moved = [entry for entry in here["sheets"] if file_of(entry) == file]
    kept = [entry for entry in here["sheets"] if file_of(entry) != file]
    if here is there or not moved:
        return f"{file} stays where it is"
    for entry in moved:
        there["sheets"].append(entry)
    if kept:
        here["sheets"] = kept
    else:
        _drop_variant(document, here)
    return f"{file} moved to {target}"


def move_variant(document: Any, name: str, step: int) -> str:
    """Move a state up or down; what changed goes with it."""
    order = variants(document)
    index = next((i for i, item in enumerate(order) if str(item.get("name")) == name), None)
    if index is None:
        raise JobError(f"the job has no state {name!r} any more", "look at the page as it is now")
    target = max(0, min(len(order) - 1, index + step))
    order.insert(target, order.pop(index))
    made = tomlkit.aot()
    for item in order:
        made.append(item)
    document["variant"] = made
    return f"{name} moved {'up' if step < 0 else 'down'}"


def rename_variant(document: Any, name: str, new: str) -> str:
    """Rename a state."""
    new = " ".join(new.split())
    if not new:
        raise JobError("a state needs a name", 'such as "as received" or "ports blended"')
    folded = new.casefold()
    if folded != name.casefold() and any(str(item.get("name", "")).casefold() == folded for item in variants(document)):
        raise JobError(f"there is a state named {new!r} already", "give each state a name of its own")
    variant_named(document, name)["name"] = new
    return f"{name} is now {new}"


def levels(variant: Any, side: Side) -> dict[str, str]:
    """Return a state's factors and levels on one side."""
    state = variant.get("state", {})
    common = {str(key): str(value) for key, value in state.items() if not isinstance(value, Mapping)}
    own = state.get(side, {})
    return {**common, **({str(k): str(v) for k, v in own.items()} if isinstance(own, Mapping) else {})}


def set_changes(document: Any, name: str, changed: Mapping[Side, Sequence[str]]) -> str:
    """Say what was done since the state before: the factors that changed, for each side.

    Levels follow from what changed; a level written by hand stays where it can. A state of which
    nothing was said stays unsaid: what is not declared is unknown, never unchanged.
    """
    order = variants(document)
    target = next((index for index, item in enumerate(order) if str(item.get("name")) == name), None)
    if not target:
        raise JobError(f"{name!r} is not a state after another", "look at the page as it is now")
    ticks = changes(document)
    ticks[target] = {side: frozenset(changed.get(side, ())) for side in SIDES}
    factors = list(dict.fromkeys([*FACTORS, *(key for item in order for side in SIDES for key in levels(item, side))]))
    factors += [key for side in SIDES for key in changed.get(side, ()) if key not in factors]
    said = next((place for place, item in enumerate(order) if any(levels(item, side) for side in SIDES)), 0)
    first = said if target > said else 0
    start = str(order[first].get("name"))
    for side in SIDES:
        before = {key: levels(order[first], side).get(key, start) for key in factors}
        _put(order[first], side, before)
        for place, item in enumerate(order[first + 1 :], first + 1):
            done = ticks[place]
            if done is None:
                continue
            now = levels(item, side)
            own = str(item.get("name"))
            before = {
                key: _level(before[key], now.get(key, ""), own) if key in done[side] else before[key] for key in factors
            }
            _put(item, side, before)
    for place, item in enumerate(order):
        if place == first or (place > first and ticks[place] is not None):
            _join_sides(item)
    words = [f"{side} {', '.join(factors)}" for side, factors in changed.items() if factors]
    return f"{name}: {'; '.join(words) if words else 'nothing changed'}"


def changes(document: Any) -> list[dict[Side, frozenset[str]] | None]:
    """Return what changed at each state since the last one of which anything was said; None where nothing was."""
    found: list[dict[Side, frozenset[str]] | None] = []
    last: dict[Side, dict[str, str]] | None = None
    for item in variants(document):
        now = {side: levels(item, side) for side in SIDES}
        if not any(now.values()) or last is None:
            # Of a state behind a first one of which nothing is said, such as a recorded one, nobody said what changed.
            found.append(None if found else {side: frozenset() for side in SIDES})
            last = now if any(now.values()) else last
        else:
            before = last
            found.append(
                {side: frozenset(k for k, v in now[side].items() if before[side].get(k) != v) for side in SIDES}
            )
            last = now
    return found


def _level(before: str, now: str, name: str) -> str:
    """Return a level unlike the one before: the one written, else the state's name."""
    if now and now != before:
        return now
    return name if name != before else f"{name}, again"


def _put(variant: Any, side: Side, wanted: Mapping[str, str]) -> None:
    """Write one side's levels as a table of that side."""
    state = {
        key: (dict(value) if isinstance(value, Mapping) else str(value))
        for key, value in variant.get("state", {}).items()
    }
    common = {key: value for key, value in state.items() if isinstance(value, str)}
    for other in SIDES:
        own = state.get(other)
        state[other] = {**common, **(own if isinstance(own, dict) else {})}
    for key in common:
        del state[key]
    state[side] = dict(wanted)
    variant["state"] = _inline(state)


def _join_sides(variant: Any) -> None:
    """Write what both sides share once."""
    state = variant.get("state", {})
    intake, exhaust = (dict(state.get(side, {})) for side in SIDES)
    shared = {key: value for key, value in intake.items() if exhaust.get(key) == value}
    made: dict[str, Any] = dict(shared)
    for side, own in zip(SIDES, (intake, exhaust), strict=True):
        rest = {key: value for key, value in own.items() if key not in shared}
        if rest:
            made[side] = rest
    if made:
        variant["state"] = _inline(made)


def _inline(values: Mapping[str, Any]) -> Any:
    """Return a mapping as an inline table."""
    table = tomlkit.inline_table()
    for key, value in values.items():
        table[key] = _inline(value) if isinstance(value, Mapping) else value
    return table


def table_value(document: Any, path: Sequence[str | int]) -> Any:
    """Return a value of the document by its keys, None where there is none."""
    here = document
    for key in path:
        try:
            here = here[key]
        except (KeyError, IndexError, TypeError):
            return None
    return here


def set_table_value(document: Any, path: Sequence[str | int], value: str | int | float | None) -> None:
    """Set a value by its keys, tables made as needed; None or empty text takes it out with empty tables above."""
    *tables, last = path
    here, above = document, []
    for key in tables:
        if isinstance(key, int):
            here = here[key]
            continue
        if key not in here:
            if value in (None, ""):
                return
            inside_variant = any(isinstance(part, int) for part in path)
            here[key] = tomlkit.inline_table() if inside_variant or isinstance(here, _INLINE) else tomlkit.table()
        above.append((here, key))
        here = here[key]
    if value in (None, ""):
        if last in here:
            del here[last]
        for owner, key in reversed(above):
            if not owner[key]:
                del owner[key]
        return
    if here.get(last) != value:
        here[last] = value


_INLINE = tomlkit.items.InlineTable
