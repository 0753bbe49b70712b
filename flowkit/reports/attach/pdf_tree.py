"""The trees in a PDF that adding pages touches: pages, outline, labels, embedded files.

Section numbers are those of ISO 32000-1:2008.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flowkit.errors import AttachError
from flowkit.reports.attach.pdf_update import PdfUpdate, resolved

if TYPE_CHECKING:
    from pypdf import PdfReader
    from pypdf.generic import DictionaryObject, IndirectObject

__all__ = [
    "Leaf",
    "add_outline_item",
    "insert_pages",
    "labels",
    "leaves",
    "outline_items",
    "remove_page",
    "set_labels",
    "tree_entries",
]

Label = tuple[tuple[tuple[str, Any], ...], int]
"""A page's label: its style and prefix, and its number."""


@dataclass(frozen=True, slots=True)
class Leaf:
    """A page of the page tree and the node that holds it."""

    reference: IndirectObject
    parent: IndirectObject

    @property
    def page(self) -> DictionaryObject:
        """The page's own dictionary, nothing inherited."""
        found: DictionaryObject = resolved(self.reference)
        return found


def leaves(reader: PdfReader, name: str) -> list[Leaf]:
    """Return the pages in order (7.7.3).

    Parameters
    ----------
    reader : PdfReader
    name : str
        For messages.

    Raises
    ------
    AttachError
        If the page tree is damaged.
    """
    from pypdf.generic import DictionaryObject, IndirectObject

    found: list[Leaf] = []
    seen: set[int] = set()
    pending: list[tuple[Any, Any]] = [(reader.root_object.raw_get("/Pages"), None)]
    while pending:
        reference, parent = pending.pop()
        node = resolved(reference)
        sound = isinstance(reference, IndirectObject) and isinstance(node, DictionaryObject)
        inner = sound and "/Kids" in node
        if not sound or (inner and reference.idnum in seen) or not (inner or parent):
            raise AttachError("the PDF is damaged (its page tree)", "save it anew in its program", file=name)
        seen.add(reference.idnum)
        if inner:
            pending += [(kid, reference) for kid in reversed(resolved(node["/Kids"]))]
        else:
            found.append(Leaf(reference, parent))
    return found


def remove_page(update: PdfUpdate, leaf: Leaf) -> None:
    """Take a page out of the page tree.

    Parameters
    ----------
    update : PdfUpdate
    leaf : Leaf
    """
    from pypdf.generic import ArrayObject, NameObject

    node = update.touch(leaf.parent)
    kids = [kid for kid in resolved(node["/Kids"]) if kid.idnum != leaf.reference.idnum]
    node[NameObject("/Kids")] = ArrayObject(kids)
    _count(update, leaf.parent, -1)


def insert_pages(update: PdfUpdate, pages: Sequence[IndirectObject], others: Sequence[Leaf], position: int) -> None:
    """Put pages into the page tree.

    Parameters
    ----------
    update : PdfUpdate
    pages : sequence of IndirectObject
        The new pages; their parent is set.
    others : sequence of Leaf
        The pages in the tree, in order.
    position : int
        How many of those stand before the new ones.
    """
    from pypdf.generic import ArrayObject, NameObject

    beside = others[max(position, 1) - 1] if others else None
    parent = beside.parent if beside else update.root.raw_get("/Pages")
    node = update.touch(parent)
    kids = list(resolved(node["/Kids"]))
    place = 0
    if beside and position:
        place = 1 + max(i for i, kid in enumerate(kids) if kid.idnum == beside.reference.idnum)
    node[NameObject("/Kids")] = ArrayObject([*kids[:place], *pages, *kids[place:]])
    for page in pages:
        update.touch(page)[NameObject("/Parent")] = parent
    _count(update, parent, len(pages))


def _count(update: PdfUpdate, reference: IndirectObject | None, change: int) -> None:
    """Change the number of pages of a node and of all above it."""
    from pypdf.generic import NameObject, NumberObject

    seen: set[int] = set()
    while reference is not None and reference.idnum not in seen:
        seen.add(reference.idnum)
        node = update.touch(reference)
        node[NameObject("/Count")] = NumberObject(int(resolved(node.get("/Count", 0))) + change)
        reference = node.raw_get("/Parent") if "/Parent" in node else None


def outline_items(reader: PdfReader) -> Iterator[tuple[str, int | None, Any]]:
    """Go through the outline: title, number of the page object it leads to, reference (12.3.3).

    Parameters
    ----------
    reader : PdfReader

    Yields
    ------
    tuple of str, int or None, IndirectObject
    """
    from pypdf.generic import DictionaryObject, IndirectObject

    outline = resolved(reader.root_object.get("/Outlines"))
    pending = [outline.raw_get("/First")] if isinstance(outline, DictionaryObject) and "/First" in outline else []
    seen: set[int] = set()
    while pending:
        reference = pending.pop()
        item = resolved(reference)
        if (
            not isinstance(reference, IndirectObject)
            or reference.idnum in seen
            or not isinstance(item, DictionaryObject)
        ):
            continue
        seen.add(reference.idnum)
        yield str(resolved(item.get("/Title", ""))), _leads_to(item), reference
        pending += [item.raw_get(key) for key in ("/Next", "/First") if key in item]


def _leads_to(item: DictionaryObject) -> int | None:
    """Return the object number of the page an outline item leads to directly."""
    from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject

    target = resolved(item.get("/Dest"))
    action = resolved(item.get("/A"))
    if target is None and isinstance(action, DictionaryObject):
        target = resolved(action.get("/D"))
    if isinstance(target, ArrayObject) and target and isinstance(target[0], IndirectObject):
        return int(target[0].idnum)
    return None


def add_outline_item(update: PdfUpdate, title: str, page: IndirectObject) -> None:
    """Add an entry at the end of the outline.

    Parameters
    ----------
    update : PdfUpdate
    title : str
    page : IndirectObject
        Where it leads.
    """
    from pypdf.generic import ArrayObject, DictionaryObject, NameObject, NumberObject, TextStringObject

    raw: Any = update.root.raw_get("/Outlines") if "/Outlines" in update.root else None
    if not isinstance(resolved(raw), DictionaryObject):
        raw = update.add(DictionaryObject({NameObject("/Type"): NameObject("/Outlines")}))
    elif not hasattr(raw, "idnum"):
        raw = update.add(raw)
    update.root[NameObject("/Outlines")] = raw
    outline = update.touch(raw)
    item = DictionaryObject()
    item[NameObject("/Title")] = TextStringObject(title)
    item[NameObject("/Parent")] = raw
    item[NameObject("/Dest")] = ArrayObject([page, NameObject("/Fit")])
    reference = update.add(item)
    last = _last_item(outline)
    if last is None:
        outline[NameObject("/First")] = reference
    else:
        update.touch(last)[NameObject("/Next")] = reference
        item[NameObject("/Prev")] = last
    outline[NameObject("/Last")] = reference
    outline[NameObject("/Count")] = NumberObject(max(int(resolved(outline.get("/Count", 0))), 0) + 1)


def _last_item(outline: DictionaryObject) -> IndirectObject | None:
    """Return the last entry on the outline's first level, by its chain."""
    reference = outline.raw_get("/First") if "/First" in outline else None
    seen: set[int] = set()
    last: IndirectObject | None = None
    while reference is not None and reference.idnum not in seen:
        seen.add(reference.idnum)
        last = reference
        item = resolved(reference)
        reference = item.raw_get("/Next") if "/Next" in item else None
    return last


def tree_entries(root: Any, leaf_key: str) -> list[tuple[Any, Any]]:
    """Return the pairs of a name or number tree, in its order (7.9.6, 7.9.7).

    Parameters
    ----------
    root : DictionaryObject or None
    leaf_key : str
        ``"/Names"`` or ``"/Nums"``.
    """
    pairs: list[tuple[Any, Any]] = []
    pending = [root]
    seen: set[int] = set()
    while pending:
        node = resolved(pending.pop())
        if node is None or id(node) in seen:
            continue
        seen.add(id(node))
        flat = list(resolved(node.get(leaf_key)) or ())
        pairs += zip(flat[::2], flat[1::2], strict=False)
        pending += reversed(list(resolved(node.get("/Kids")) or ()))
    return pairs


def labels(reader: PdfReader, count: int) -> list[Label] | None:
    """Return each page's label (12.4.2), or None where the file has none of its own.

    Parameters
    ----------
    reader : PdfReader
    count : int
        Number of pages.
    """
    root = resolved(reader.root_object.get("/PageLabels"))
    if root is None:
        return None
    ranges = {int(resolved(first)): resolved(entry) for first, entry in tree_entries(root, "/Nums")}
    found: list[Label] = []
    kind: tuple[tuple[str, Any], ...] = (("/S", "/D"),)
    number = 1
    for place in range(count):
        if place in ranges:
            entry = ranges[place]
            kind = tuple((key, resolved(entry[key])) for key in ("/S", "/P") if key in entry)
            number = int(resolved(entry.get("/St", 1)))
        found.append((kind, number))
        number += 1
    return found


def set_labels(update: PdfUpdate, wanted: Sequence[Label]) -> None:
    """Write the labels of all pages.

    Parameters
    ----------
    update : PdfUpdate
    wanted : sequence of Label
        One a page.
    """
    from pypdf.generic import ArrayObject, DictionaryObject, NameObject, NumberObject, TextStringObject

    flat: list[Any] = []
    former: Label | None = None
    for place, (kind, number) in enumerate(wanted):
        if former is None or kind != former[0] or number != former[1] + 1:
            entry = DictionaryObject()
            for key, value in kind:
                entry[NameObject(key)] = NameObject(value) if key == "/S" else TextStringObject(value)
            if number != 1:
                entry[NameObject("/St")] = NumberObject(number)
            flat += [NumberObject(place), entry]
        former = (kind, number)
    update.root[NameObject("/PageLabels")] = DictionaryObject({NameObject("/Nums"): ArrayObject(flat)})
