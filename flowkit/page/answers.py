"""Answers as edits of the job file: each changes a tomlkit document and says in a few words what it did."""

from __future__ import annotations

import fnmatch
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath
from typing import Any

import tomlkit

from flowkit.errors import JobError
from flowkit.model import SIDES, Side, one_spelling

FACTORS = ("seats", "ports", "valves")
"""What a head's work is usually called; own words come besides."""
_BY_HAND = ("overrides", "reason")


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


def _entries(document: Any, file: str) -> list[tuple[Any, int]]:
    """Return every variant with an entry that names this file, and the entry's index."""
    return [
        (variant, index)
        for variant in variants(document)
        for index, entry in enumerate(variant.get("sheets", []))
        if (name := file_of(entry)) == file or (any(mark in name for mark in "*?[") and fnmatch.fnmatch(file, name))
    ]


def _owners(document: Any, file: str) -> list[Any]:
    """Return the tables in which something may be stated of a file: its variants and its entries' own."""
    return [
        owner
        for variant, index in _entries(document, file)
        for owner in (variant, variant["sheets"][index])
        if isinstance(owner, Mapping)
    ]


def _own_table(variant: Any, index: int, file: str) -> Any:
    """Return an entry's own table, made of the bare name where it has none yet."""
    entry = variant["sheets"][index]
    if not isinstance(entry, Mapping):
        name = str(entry) if file_of(entry) == file else file
        variant["sheets"][index] = inline_table({"file": name})
    return variant["sheets"][index]


def _stating(document: Any, file: str) -> list[Any]:
    """Return where something is to be stated of a file: its state if it has one sheet, else the entry's own table."""
    return [
        variant if len(variant["sheets"]) == 1 else _own_table(variant, index, file)
        for variant, index in _entries(document, file)
    ]


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
    for owner in _stating(document, file):
        owner["columns"] = columns
    return f"columns of {file}"


def set_condition(document: Any, files: Sequence[str], values: Mapping[str, str], *, overrides: str = "") -> str:
    """State conditions of sheets: for the whole state where it has one sheet, else for the sheet alone."""
    written = {**values, **({"overrides": True, "reason": overrides} if overrides else {})}
    for file in files:
        for owner in _stating(document, file):
            if "conditions" not in owner:
                owner["conditions"] = tomlkit.inline_table()
            for key, value in written.items():
                owner["conditions"][key] = value
    return f"{_words(values)} ({files[0] if len(files) == 1 else f'{len(files)} sheets'})"


def set_for_job(document: Any, values: Mapping[str, str]) -> str:
    """State what holds of every sheet of the job that does not say it itself: one line for all of them."""
    for key, value in values.items():
        set_table_value(document, ("conditions", key), value)
    return f"{_words(values)} (every sheet)"


def _words(values: Mapping[str, str]) -> str:
    """Conditions in words."""
    return ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in values.items())


def remove_condition(document: Any, file: str, key: str) -> str:
    """Take back what was stated of a sheet."""
    for owner in _owners(document, file):
        if key in owner.get("conditions", {}):
            del owner["conditions"][key]
            if not set(owner["conditions"]) - {*_BY_HAND}:
                del owner["conditions"]
    return f"{key.replace('_', ' ')} no longer stated ({file})"


def head_of(document: Any, file: str) -> str:
    """Return the head that the job states for a sheet, empty where it states none; an entry's own counts first."""
    for variant, index in _entries(document, file):
        for owner in (variant["sheets"][index], variant):
            if isinstance(owner, Mapping) and owner.get("conditions", {}).get("head"):
                return str(owner["conditions"]["head"])
    return ""


def said_of(document: Any, file: str) -> list[tuple[str, str, str]]:
    """Return what the job says of one sheet: words, what it is, and its key or cell."""
    said: dict[tuple[str, str, str], None] = {}
    for owner in _owners(document, file):
        for key, value in owner.get("conditions", {}).items():
            if key not in _BY_HAND:
                said[f"{key.replace('_', ' ')} {value}", "condition", str(key)] = None
        if "columns" in owner:
            said["what each column is", "columns", ""] = None
        for item in owner.get("values", []):
            said[f"{item.get('cell')} counts as {item.get('value')}", "cell", str(item.get("cell"))] = None
        for cell in owner.get("leave_out", []):
            said[f"{cell} is left out", "cell", str(cell)] = None
    return list(said)


def by_hand(document: Any, file: str) -> dict[str, str]:
    """Return what the job says in place of a sheet's cells: address to words."""
    said: dict[str, str] = {}
    for owner in _owners(document, file):
        for item in owner.get("values", []):
            said[str(item.get("cell"))] = f"counts as {item.get('value')}: {item.get('reason', '')}"
        said |= {str(cell): "left out" for cell in owner.get("leave_out", [])}
    return said


def take_back(document: Any, file: str, what: str, cell: str) -> str:
    """Take back one thing that the job says of a sheet."""
    if what == "condition":
        return remove_condition(document, file, cell)
    for owner in _owners(document, file):
        if what == "columns":
            owner.pop("columns", None)
        if what == "cell":
            _put(owner, "values", [item for item in owner.get("values", []) if str(item.get("cell")) != cell])
            _put(owner, "leave_out", [item for item in owner.get("leave_out", []) if str(item) != cell])
    return f"{cell or 'the columns'} of {file} as the sheet has it"


def _put(owner: Any, key: str, kept: list[Any]) -> None:
    """Write a list, or take it out where nothing is in it."""
    if kept:
        owner[key] = kept
    elif key in owner:
        del owner[key]


def leave_out(document: Any, file: str, cells: Sequence[str], *, undo: bool = False) -> str:
    """Leave cells of a sheet out, or take them in again."""
    for variant, index in _entries(document, file):
        table = _own_table(variant, index, file)
        kept = [str(cell) for cell in table.get("leave_out", []) if str(cell) not in cells]
        _put(table, "leave_out", kept if undo else [*kept, *cells])
    said = ", ".join(cells[:3]) + (" …" if len(cells) > 3 else "")
    return f"{said} of {file} {'counted again' if undo else 'left out'}"


def set_value(document: Any, file: str, cell: str, value: str, reason: str) -> str:
    """Set a value by hand, with its reason; the sheet itself is never changed."""
    if not reason.strip():
        raise JobError("a value set by hand needs its reason", "say who was asked, or what the notes show")
    for variant, index in _entries(document, file):
        table = _own_table(variant, index, file)
        rest = [item for item in table.get("values", []) if str(item.get("cell")) != cell]
        table["values"] = [*rest, inline_table({"cell": cell, "value": value, "reason": reason.strip()})]
    return f"{cell} of {file} set to {value}"


def state_called(document: Any, name: str) -> Any:
    """Return the state of that name, however it is spelled; made at the end, without sheets, where there is none."""
    folded = one_spelling(name)
    for variant in variants(document):
        if one_spelling(str(variant.get("name", ""))) == folded:
            return variant
    made = tomlkit.table()
    made.update({"name": name, "sheets": []})
    if not isinstance(document.get("variant"), list):
        document["variant"] = tomlkit.aot()
    document["variant"].append(made)
    return variants(document)[-1]


def add_sheet(document: Any, entry: str, name: str) -> None:
    """Add a sheet to the state of that name, or as a new state at the end."""
    variant = state_called(document, name)
    if entry not in [str(item) for item in variant["sheets"]]:
        _settle(variant)
        variant["sheets"].append(entry)


def _by_name(document: Any, file: str) -> None:
    """Refuse to take a sheet from its state where the job names it by a pattern only: it would be in it still."""
    named = [file_of(variant["sheets"][index]) for variant, index in _entries(document, file)]
    if named and file not in named:
        raise JobError(
            f"the job takes {file} by the pattern {named[0]!r}", "name its sheets one by one in the job file"
        )


def keep_sheets(document: Any, variant: Any, kept: list[Any]) -> None:
    """Leave a state these sheets; one without any is taken out, and a job without any state keeps none."""
    if kept:
        variant["sheets"] = kept
        return
    index = next(i for i, item in enumerate(variants(document)) if item is variant)
    del document["variant"][index]
    if not document["variant"]:
        del document["variant"]


def drop_sheet(document: Any, file: str) -> str:
    """Take a sheet out of the job; the file stays in the folder."""
    _by_name(document, file)
    for variant in variants(document):
        kept = [entry for entry in variant.get("sheets", []) if file_of(entry) != file]
        if len(kept) < len(variant.get("sheets", [])):
            keep_sheets(document, variant, kept)
    return f"{file} taken out of the job"


def move_sheet(document: Any, file: str, source: str, target: str) -> str:
    """Move a sheet from one state to another."""
    here, there = variant_named(document, source), variant_named(document, target)
    if here is there:
        return f"{file} stays where it is"
    _by_name(document, file)
    # What was stated of one sheet alone goes with it, and does not count for the sheet that joins it.
    _settle(here)
    _settle(there)
    for entry in here["sheets"]:
        if file_of(entry) == file:
            there["sheets"].append(entry)
    keep_sheets(document, here, [entry for entry in here["sheets"] if file_of(entry) != file])
    return f"{file} moved to {target}"


def move_variant(document: Any, name: str, step: int) -> str:
    """Move a state up or down; what changed goes with it."""
    order = variants(document)
    index = order.index(variant_named(document, name))
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
    if one_spelling(new) != one_spelling(name) and one_spelling(new) in [
        one_spelling(str(item.get("name", ""))) for item in variants(document)
    ]:
        raise JobError(f"there is a state named {new!r} already", "give each state a name of its own")
    variant_named(document, name)["name"] = new
    return f"{name} is now {new}"


def levels(variant: Any, side: Side) -> dict[str, str]:
    """Return a state's factors and levels on one side."""
    state = variant.get("state", {})
    common = {str(key): str(value) for key, value in state.items() if not isinstance(value, Mapping)}
    own = state.get(side, {})
    return {**common, **({str(k): str(v) for k, v in own.items()} if isinstance(own, Mapping) else {})}


def factors_of(document: Any) -> list[str]:
    """Return the usual factors and all others that the job names."""
    named = (key for item in variants(document) for side in SIDES for key in levels(item, side))
    return list(dict.fromkeys([*FACTORS, *named]))


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


def set_changes(document: Any, name: str, changed: Mapping[Side, Sequence[str]]) -> str:
    """Say what was done since the state before: the factors that changed, for each side.

    Levels follow from what changed; a level written by hand stays where it can. A state of which
    nothing was said stays unsaid: what is not declared is unknown, never unchanged.
    """
    order = variants(document)
    names = [str(item.get("name")) for item in order]
    target = names.index(name) if name in names else 0
    if not target:
        raise JobError(f"{name!r} is not a state after another", "look at the page as it is now")
    ticks = changes(document)
    ticks[target] = {side: frozenset(changed.get(side, ())) for side in SIDES}
    factors = list(dict.fromkeys([*factors_of(document), *(key for side in SIDES for key in changed.get(side, ()))]))
    said = next((place for place, item in enumerate(order) if any(levels(item, side) for side in SIDES)), 0)
    first = said if target > said else 0
    last = {side: {key: levels(order[first], side).get(key, names[first]) for key in factors} for side in SIDES}
    for place, item in enumerate(order[first:], first):
        done = ticks[place] if place > first else {}
        if done is None:
            continue
        for side, factors_done in done.items():
            now, before, own = levels(item, side), last[side], names[place]
            last[side] = dict(before)
            for key in factors_done:
                # A level unlike the one before: the one written, else the state's name.
                other = now.get(key) or before[key]
                fresh = own if own != before[key] else f"{own}, again"
                last[side][key] = other if other != before[key] else fresh
        intake, exhaust = (last[side] for side in SIDES)
        shared = {key: value for key, value in intake.items() if exhaust[key] == value}
        rest = {side: {key: last[side][key] for key in factors if key not in shared} for side in SIDES}
        item["state"] = inline_table({**shared, **{side: values for side, values in rest.items() if values}})
    words = [f"{side} {', '.join(factors)}" for side, factors in changed.items() if factors]
    return f"{name}: {'; '.join(words) if words else 'nothing changed'}"


def inline_table(values: Mapping[Any, Any]) -> Any:
    """Return a mapping as an inline table."""
    table = tomlkit.inline_table()
    for key, value in values.items():
        table[key] = inline_table(value) if isinstance(value, Mapping) else value
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
    inside_variant = any(isinstance(part, int) for part in path)
    here, above = document, []
    for key in tables:
        if isinstance(key, int):
            here = here[key]
            continue
        if key not in here:
            if value in (None, ""):
                return
            inline = inside_variant or isinstance(here, tomlkit.items.InlineTable)
            here[key] = tomlkit.inline_table() if inline else tomlkit.table()
        above.append((here, key))
        here = here[key]
    if value not in (None, ""):
        if here.get(last) != value:
            here[last] = value
        return
    here.pop(last, None)
    for owner, key in reversed(above):
        if not owner[key]:
            del owner[key]
