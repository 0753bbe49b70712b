"""The flow chart and its numbers added to a workbook, part by part.

Every part the workbook had stays byte for byte, but for the list of sheets, its
relationships, the content types and the styles, to which entries are added. The sheets
are known again by two hidden names, which outlive the workbook's being saved by others.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Mapping
from typing import Any

from flowkit.errors import AttachError
from flowkit.reports.attach.opc import (
    CONTENT_TYPES,
    PNG,
    Package,
    add_relationships,
    parse,
    qualified,
    read_package,
    relationships,
    rels_name,
    serialised,
    typed,
    written,
)
from flowkit.reports.attach.swap import Rewritten
from flowkit.reports.attach.tables import notes, tables
from flowkit.reports.attach.xlsx_parts import (
    EMPTY_STYLES,
    MAIN,
    OFFICE,
    Formats,
    chart_sheet,
    drawing,
    numbers_sheet,
    picture_inches,
)
from flowkit.reports.contents import ReportContents

__all__ = ["add_sheets", "verify_sheets"]

_MARKS = {"_flowkit_chart": "Flow chart", "_flowkit_numbers": "Flow numbers"}
_SPREADSHEET = "application/vnd.openxmlformats-officedocument.spreadsheetml."
_DRAWING_TYPE = "application/vnd.openxmlformats-officedocument.drawing+xml"
_LONGEST_NAME = 31


def add_sheets(old: bytes, contents: ReportContents, png: bytes, name: str) -> Rewritten:
    """Add the flow chart's sheets to a workbook, in place of former ones.

    Parameters
    ----------
    old : bytes
        The build file.
    contents : ReportContents
    png : bytes
        The chart's picture.
    name : str
        The build file's name, for messages.

    Returns
    -------
    Rewritten

    Raises
    ------
    AttachError
        If the workbook is damaged, encrypted, signed or protected.
    """
    package = read_package(old, name)
    book = _Book(package)
    book.refuse_protected()
    former = book.former()
    gone = book.take_out(former)
    added = _new_parts(book, contents, png, gone)
    titles = book.list_sheets(former, added)
    changes: dict[str, bytes | None] = dict.fromkeys(gone)
    changes.update(added)
    changes.update(book.changed())
    overrides = _content_types(package, added, book)
    changes[CONTENT_TYPES] = typed(package.parts[CONTENT_TYPES], overrides, gone, name)
    return Rewritten(written(package, changes), tuple(f"sheet {title}" for title in titles), len(former))


class _Book:
    """A workbook's main part, its relationships and its styles while they are changed."""

    def __init__(self, package: Package) -> None:
        self.package = package
        self.part = package.document
        self.folder = posixpath.dirname(self.part)
        self.root = parse(package.parts[self.part], package.name)
        if self.root.tag != f"{{{MAIN}}}workbook":
            raise AttachError(
                "this workbook is in the strict variant of its format",
                "save it as .xlsx, then again",
                file=package.name,
            )
        self.rels = package.parts.get(rels_name(self.part), b"")
        self.styles = next(
            (item.target for item in relationships(package.parts, self.part) if item.type.endswith("/styles")), None
        )
        new_styles = self.styles not in package.parts
        self.formats = Formats(EMPTY_STYLES if new_styles else package.parts[self.styles or ""], package.name)
        if new_styles:
            self.styles = free_name(posixpath.join(self.folder, "styles.xml"), package.parts)
            self.rels, _ = add_relationships(
                self.rels, [(f"{OFFICE}/styles", _from(self.folder, self.styles))], package.name
            )

    def refuse_protected(self) -> None:
        """Refuse a workbook whose owner has locked its structure."""
        protection = self.root.find(qualified(self.root, "workbookProtection"))
        if protection is not None and protection.get("lockStructure", "0") not in ("0", "false"):
            raise AttachError(
                "the workbook's structure is protected, so no sheet may be added",
                "unprotect it in its program, then attach",
                file=self.package.name,
            )

    def sheets(self) -> list[Any]:
        """Return the entries of the list of sheets."""
        return list(self.root.find(qualified(self.root, "sheets")))

    def former(self) -> dict[str, Any]:
        """Return mark and list entry of each flow sheet already there."""
        by_title = {str(item.get("name")): item for item in self.sheets()}
        names = self.root.find(qualified(self.root, "definedNames"))
        found = {}
        for item in names if names is not None else ():
            title = _sheet_of(item.text or "")
            if item.get("name") in _MARKS and title in by_title:
                found[str(item.get("name"))] = by_title[title]
        return found

    def take_out(self, former: Mapping[str, Any]) -> list[str]:
        """Drop the relationships of former flow sheets; return the parts that only they used."""
        before = _reached(self.package, self.part, self.rels)
        ids = {item.get(f"{{{OFFICE}}}id") for item in former.values()}
        sheet_parts = [item.target for item in relationships(self.package.parts, self.part) if item.id in ids]
        calculated = any(
            b"<f>" in self.package.parts.get(p, b"") or b"<f " in self.package.parts.get(p, b"") for p in sheet_parts
        )
        root = parse(self.rels, self.package.name)
        for item in list(root):
            # The order of calculation lists formulas somebody wrote into a former flow sheet; it is made anew.
            if item.get("Id") in ids or (calculated and str(item.get("Type")).endswith("/calcChain")):
                root.remove(item)
        self.rels = serialised(root)
        return sorted(before - _reached(self.package, self.part, self.rels))

    def list_sheets(self, former: Mapping[str, Any], added: Mapping[str, bytes]) -> list[str]:
        """Enter the new sheets in the list, former ones at their place and under their name."""
        parts = [part for part in added if "/_rels/" not in part and "worksheets/" in part]
        new = [(f"{OFFICE}/worksheet", _from(self.folder, part)) for part in parts]
        self.rels, ids = add_relationships(self.rels, new, self.package.name)
        taken = {str(item.get("name")).lower() for item in self.sheets()}
        titles = []
        for (mark, wanted), id_ in zip(_MARKS.items(), ids, strict=True):
            entry = former.get(mark)
            if entry is None:
                numbers = [int(item.get("sheetId")) for item in self.sheets()]
                entry = self.root.makeelement(
                    qualified(self.root, "sheet"),
                    {"name": _free_title(wanted, taken), "sheetId": str(max(numbers) + 1)},
                )
                self.root.find(qualified(self.root, "sheets")).append(entry)
            entry.set(f"{{{OFFICE}}}id", id_)
            titles.append(str(entry.get("name")))
            taken.add(titles[-1].lower())
            self._mark(mark, titles[-1])
        return titles

    def _mark(self, mark: str, title: str) -> None:
        """Leave a hidden name that leads to a flow sheet."""
        names = self.root.find(qualified(self.root, "definedNames"))
        if names is None:
            names = self.root.makeelement(qualified(self.root, "definedNames"))
            before = {qualified(self.root, tag) for tag in ("sheets", "functionGroups", "externalReferences")}
            place = max(i for i, child in enumerate(self.root) if child.tag in before)
            self.root.insert(place + 1, names)
        for item in list(names):
            if item.get("name") == mark:
                names.remove(item)
        entry = self.root.makeelement(qualified(self.root, "definedName"), {"name": mark, "hidden": "1"})
        entry.text = "'{}'!$A$1".format(title.replace("'", "''"))
        names.append(entry)

    def changed(self) -> dict[str, bytes | None]:
        """Return the parts that were changed."""
        return {
            self.part: serialised(self.root),
            rels_name(self.part): self.rels,
            str(self.styles): self.formats.rendered(),
        }


def _new_parts(book: _Book, contents: ReportContents, png: bytes, gone: list[str]) -> dict[str, bytes]:
    """Make the new parts under names that are free."""
    taken = set(book.package.parts) - set(gone)
    inches = picture_inches(png)

    def part(name: str) -> str:
        """Return a name in the workbook that is still free."""
        return free_name(posixpath.join(book.folder, name), taken)

    chart, numbers = part("worksheets/flowkit-chart.xml"), part("worksheets/flowkit-numbers.xml")
    picture, shape = part("media/flowkit-chart.png"), part("drawings/flowkit-chart.xml")
    title = " · ".join(text for text in (contents.info.title, contents.info.number, contents.info.date) if text)
    sentences = " ".join(contents.comparison.sentences) or "Flow chart."
    return {
        chart: chart_sheet(inches, "rId1"),
        numbers: numbers_sheet(title or "Flow numbers", tables(contents), notes(contents), book.formats),
        shape: drawing(inches, "rId1", sentences),
        picture: png,
        rels_name(chart): _one_relationship("drawing", _from(posixpath.dirname(chart), shape)),
        rels_name(shape): _one_relationship("image", _from(posixpath.dirname(shape), picture)),
    }


def _content_types(package: Package, added: Mapping[str, bytes], book: _Book) -> dict[str, str]:
    """Return the content types of the new parts."""
    found = {}
    for part in added:
        if "/_rels/" not in part:
            kind = _DRAWING_TYPE if "drawings/" in part else _SPREADSHEET + "worksheet+xml"
            found[part] = PNG if part.endswith(".png") else kind
    if book.styles and book.styles not in package.parts:
        found[book.styles] = _SPREADSHEET + "styles+xml"
    return found


def _one_relationship(kind: str, target: str) -> bytes:
    """Return a relationships part of one line, ``rId1``."""
    return (
        '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="rId1" Type="{OFFICE}/{kind}" Target="{target}"/></Relationships>'
    ).encode()


def _from(folder: str, part: str) -> str:
    """Return a part's name as a target seen from a folder."""
    return posixpath.relpath("/" + part, "/" + folder)


def free_name(wanted: str, taken: Any) -> str:
    """Return a part name nobody has yet; part names do not tell case.

    Parameters
    ----------
    wanted : str
    taken : iterable of str

    Examples
    --------
    >>> free_name("xl/styles.xml", ["XL/Styles.xml"])
    'xl/styles-2.xml'
    """
    lower = {str(item).lower() for item in taken}
    stem, _, ending = wanted.rpartition(".")
    number, name = 1, wanted
    while name.lower() in lower:
        number += 1
        name = f"{stem}-{number}.{ending}"
    return name


def _free_title(wanted: str, taken: set[str]) -> str:
    """Return a sheet title nobody has yet; titles do not tell case."""
    number, title = 1, wanted
    while title.lower() in taken:
        number += 1
        tail = f" ({number})"
        title = wanted[: _LONGEST_NAME - len(tail)] + tail
    return title


def _sheet_of(reference: str) -> str | None:
    """Return the sheet title in a reference such as ``'Flow chart'!$A$1``."""
    match = re.fullmatch(r"(?:'((?:[^']|'')+)'|([^'!]+))!\$?A\$?1", reference.strip())
    return (match[1] or match[2]).replace("''", "'") if match else None


def _reached(package: Package, book: str, book_rels: bytes) -> set[str]:
    """Return every part one comes to by relationships, with the workbook's own as given."""
    parts = {**package.parts, rels_name(book): book_rels}
    found: set[str] = set()
    pending = [""]
    while pending:
        part = pending.pop()
        if rels_name(part) in parts:
            found.add(rels_name(part))
        for item in relationships(parts, part, package.name):
            if not item.external and item.target in parts and item.target not in found:
                found.add(item.target)
                pending.append(item.target)
    return found


def verify_sheets(old: bytes, new: bytes, name: str) -> None:
    """Make sure that the new workbook holds all of the old one, and the flow sheets.

    Parameters
    ----------
    old, new : bytes
        The build file before and after.
    name : str
        For messages.

    Raises
    ------
    AttachError
        If anything was lost.
    """
    before, after = read_package(old, name), read_package(new, name)
    book, changed = _Book(before), _Book(after)
    own = set(book.take_out(book.former()))
    may_change = {CONTENT_TYPES, before.document, rels_name(before.document), str(book.styles)}
    lost = [
        part
        for part, content in before.parts.items()
        if part not in own | may_change and after.parts.get(part) != content
    ]
    if len(changed.former()) != len(_MARKS):
        lost.append("flow sheets")
    for what, facet in (("sheets", _sheet_list), ("names", _names), ("cell formats", _formats)):
        if not facet(book) <= facet(changed):
            lost.append(what)
    if lost:
        raise AttachError(
            f"the new file would lack {', '.join(lost)} of the old one", "save the workbook anew, then again", file=name
        )


def _sheet_list(book: _Book) -> set[Any]:
    """Place, title, number and state of every sheet, and the part of all but flow sheets."""
    own = {item.get("name") for item in book.former().values()}
    targets = {item.id: item.target for item in relationships(book.package.parts, book.part)}
    return {
        (
            place,
            item.get("name"),
            item.get("sheetId"),
            item.get("state"),
            None if item.get("name") in own else targets[str(item.get(f"{{{OFFICE}}}id"))],
        )
        for place, item in enumerate(book.sheets())
    }


def _names(book: _Book) -> set[Any]:
    """Every defined name, where it holds and what it stands for, but for the flow sheets' own."""
    names = book.root.find(qualified(book.root, "definedNames"))
    return {
        (item.get("name"), item.get("localSheetId"), item.text)
        for item in (names if names is not None else ())
        if item.get("name") not in _MARKS
    }


def _formats(book: _Book) -> set[Any]:
    """Every cell format with its number, by which the sheets' cells call it."""
    return book.formats.listed()
