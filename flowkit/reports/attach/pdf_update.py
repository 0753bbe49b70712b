"""An incremental update of a PDF: the old bytes stay as they are, changed objects follow them.

ISO 32000-1:2008, 7.5.6: the body of changed and new objects, a cross-reference section
for them alone, and a trailer that points back to the former one. Nothing of the old file
can be lost that way, and cutting the update off gives the old file back, byte for byte.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from flowkit.errors import AttachError

if TYPE_CHECKING:
    from pypdf import PdfReader
    from pypdf.generic import DictionaryObject, IndirectObject, PdfObject, StreamObject

PDF_ERRORS = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    LookupError,
    OSError,
    RecursionError,
    TypeError,
    ValueError,
)
"""What a damaged PDF may raise in the library that reads it, beside its own errors."""

_NOT_FOR_TRAILER = {"/Prev", "/XRefStm", "/Type", "/W", "/Index", "/Filter", "/DecodeParms", "/Length", "/Size"}


def open_pdf(data: bytes, name: str) -> PdfReader:
    """Open a PDF that can be extended."""
    from pypdf import PdfReader

    with damage_named(name):
        reader = PdfReader(io.BytesIO(data))
        encrypted = reader.is_encrypted
        if not encrypted:
            _ = reader.root_object, len(reader.pages)
    if encrypted:
        raise AttachError("the PDF is encrypted", "save it without a password or restrictions, then attach", file=name)
    return reader


@contextmanager
def damage_named(name: str) -> Iterator[None]:
    """Say in plain words that a PDF is damaged, whatever the reading library stumbles over."""
    from pypdf.errors import PyPdfError

    try:
        yield
    except (PyPdfError, *PDF_ERRORS) as error:
        raise AttachError(
            f"the PDF is damaged ({error})", "open it in its program, save it anew, then again", file=name
        ) from error


def resolved(value: Any) -> Any:
    """Follow a reference, if it is one, to what it stands for."""
    return value.get_object() if hasattr(value, "get_object") else value


class PdfUpdate:
    """Changes to a PDF, gathered and then written behind it."""

    def __init__(self, data: bytes, name: str) -> None:
        self.data = data
        self.reader = open_pdf(data, name)
        self._start, self._streamed = _last_section(data, name)
        numbers = [number for table in self.reader.xref.values() for number in table]
        size = int(resolved(self.reader.trailer.get("/Size", 0)))
        self._next = max([size, *(number + 1 for number in (*numbers, *self.reader.xref_objStm))])
        self._changed: dict[int, tuple[int, PdfObject]] = {}
        root = self.reader.trailer.raw_get("/Root")
        self.root: DictionaryObject = self.touch(root)

    def touch(self, reference: IndirectObject) -> Any:
        """Return the object behind a reference and have it written anew."""
        if reference.idnum in self._changed:
            return self._changed[reference.idnum][1]
        found = cast("PdfObject", resolved(reference))
        self._changed[reference.idnum] = (reference.generation, found)
        return found

    def put(self, reference: IndirectObject, value: PdfObject) -> None:
        """Have another object stand behind a reference."""
        self._changed[reference.idnum] = (reference.generation, value)

    def reserve(self) -> IndirectObject:
        """Return a reference to an object still to be put."""
        from pypdf.generic import IndirectObject

        self._next += 1
        return IndirectObject(self._next - 1, 0, self.reader)

    def add(self, value: PdfObject) -> IndirectObject:
        """Add an object and return the reference to it."""
        reference = self.reserve()
        self.put(reference, value)
        return reference

    def entry(self, holder: DictionaryObject, key: str) -> DictionaryObject:
        """Return the dictionary at a key of one that is written anew, made where there is none."""
        from pypdf.generic import DictionaryObject, IndirectObject, NameObject

        raw = holder.raw_get(key) if key in holder else None
        found = self.touch(raw) if isinstance(raw, IndirectObject) else raw
        if not isinstance(found, DictionaryObject):
            found = DictionaryObject()
            holder[NameObject(key)] = found
        return found

    def adopt(self, value: Any, known: dict[int, IndirectObject], *, without: Iterable[str] = ()) -> Any:
        """Copy an object of another PDF, and all it refers to, into this one."""
        from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject, NullObject, StreamObject

        if isinstance(value, IndirectObject):
            if value.idnum not in known:
                known[value.idnum] = self.reserve()
                found = resolved(value)
                self.put(known[value.idnum], NullObject() if found is None else self.adopt(found, known))
            return known[value.idnum]
        if isinstance(value, ArrayObject):
            return ArrayObject(self.adopt(item, known) for item in value)
        if not isinstance(value, DictionaryObject):
            return value
        left_out = set(without)
        entries = {key: self.adopt(value.raw_get(key), known) for key in value if key not in left_out}
        if isinstance(value, StreamObject):
            return StreamObject.initialize_from_dictionary({**entries, "__streamdata__": value._data})
        copy = DictionaryObject()
        copy.update(entries)
        return copy

    def rendered(self) -> bytes:
        """Return the old file followed by the update."""
        out = io.BytesIO()
        out.write(self.data if self.data.endswith(b"\n") else self.data + b"\n")
        places: dict[int, tuple[int, int]] = {}
        for number in sorted(self._changed):
            generation, value = self._changed[number]
            places[number] = (out.tell(), generation)
            out.write(b"%d %d obj\n" % (number, generation))
            value.write_to_stream(out)
            out.write(b"\nendobj\n")
        digest = hashlib.md5(out.getvalue(), usedforsecurity=False).digest()
        section = self._streamed_section if self._streamed else self._plain_section
        start = out.tell()
        section(out, places, digest)
        out.write(b"startxref\n%d\n%%%%EOF\n" % start)
        return out.getvalue()

    def _trailer(self, size: int, digest: bytes) -> DictionaryObject:
        """Make the trailer: the former one's entries, pointing back to it, with a new second identifier."""
        from pypdf.generic import ArrayObject, ByteStringObject, DictionaryObject, NameObject, NumberObject

        trailer = DictionaryObject()
        for key in self.reader.trailer:
            if key not in _NOT_FOR_TRAILER:
                trailer[NameObject(key)] = self.reader.trailer.raw_get(key)
        identifiers = resolved(trailer.get("/ID"))
        if isinstance(identifiers, ArrayObject) and identifiers:
            trailer[NameObject("/ID")] = ArrayObject([identifiers[0], ByteStringObject(digest)])
        trailer[NameObject("/Size")] = NumberObject(size)
        trailer[NameObject("/Prev")] = NumberObject(self._start)
        return trailer

    def _plain_section(self, out: io.BytesIO, places: dict[int, tuple[int, int]], digest: bytes) -> None:
        """Write a cross-reference table and its trailer (ISO 32000-1, 7.5.4 and 7.5.5)."""
        out.write(b"xref\n0 1\n0000000000 65535 f \n")
        for first, count in _runs(places):
            out.write(b"%d %d\n" % (first, count))
            for number in range(first, first + count):
                out.write(b"%010d %05d n \n" % places[number])
        out.write(b"trailer\n")
        self._trailer(self._next, digest).write_to_stream(out)
        out.write(b"\n")

    def _streamed_section(self, out: io.BytesIO, places: dict[int, tuple[int, int]], digest: bytes) -> None:
        """Write a cross-reference stream (ISO 32000-1, 7.5.8)."""
        from pypdf.generic import ArrayObject, NameObject, NumberObject, StreamObject

        own = self._next
        places = {**places, own: (out.tell(), 0)}
        width = (max(place for place, _ in places.values()).bit_length() + 7) // 8
        rows = b"".join(
            b"\x01" + places[number][0].to_bytes(width, "big") + places[number][1].to_bytes(2, "big")
            for number in sorted(places)
        )
        entries: dict[str, Any] = dict(self._trailer(own + 1, digest))
        entries[NameObject("/Type")] = NameObject("/XRef")
        entries[NameObject("/W")] = ArrayObject(NumberObject(item) for item in (1, width, 2))
        runs = [NumberObject(item) for run in _runs(places) for item in run]
        entries[NameObject("/Index")] = ArrayObject(runs)
        stream: StreamObject = StreamObject.initialize_from_dictionary({**entries, "__streamdata__": rows})
        out.write(b"%d 0 obj\n" % own)
        stream.flate_encode().write_to_stream(out)
        out.write(b"\nendobj\n")


def _runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Group numbers into runs of (first, count)."""
    runs: list[tuple[int, int]] = []
    for number in sorted(numbers):
        if runs and number == sum(runs[-1]):
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((number, 1))
    return runs


def _last_section(data: bytes, name: str) -> tuple[int, bool]:
    """Find where the last cross-reference section begins, and whether it is a stream."""
    marks = re.findall(rb"startxref\s+(\d+)", data)
    start = int(marks[-1]) if marks else -1
    head = data[start : start + 40] if 0 < start < len(data) else b""
    if re.match(rb"\s*xref\b", head):
        return start, False
    if re.match(rb"\s*\d+\s+\d+\s+obj\b", head):
        return start, True
    raise AttachError(
        "the PDF is damaged (its table of objects is not where it says)",
        "open it in its program, save it anew, then again",
        file=name,
    )


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
    """Return the pages in order (7.7.3)."""
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
    """Take a page out of the page tree."""
    from pypdf.generic import ArrayObject, NameObject

    node = update.touch(leaf.parent)
    kids = [kid for kid in resolved(node["/Kids"]) if kid.idnum != leaf.reference.idnum]
    node[NameObject("/Kids")] = ArrayObject(kids)
    _count(update, leaf.parent, -1)


def insert_pages(update: PdfUpdate, pages: Sequence[IndirectObject], others: Sequence[Leaf], position: int) -> None:
    """Put pages into the page tree."""
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
    """Go through the outline: title, number of the page object it leads to, reference (12.3.3)."""
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
    """Add an entry at the end of the outline."""
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
    """Return the pairs of a name or number tree, in its order (7.9.6, 7.9.7)."""
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
    """Return each page's label (12.4.2), or None where the file has none of its own."""
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
    """Write the labels of all pages."""
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
