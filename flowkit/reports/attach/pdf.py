"""Flow pages added to a PDF build file."""

from __future__ import annotations

import hashlib
import io
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flowkit.errors import AttachError
from flowkit.reports.attach.pdf_update import (
    PDF_ERRORS,
    TIME_S,
    Label,
    Leaf,
    Pdf,
    PdfUpdate,
    add_outline_item,
    damage_named,
    insert_pages,
    labels,
    leaves,
    open_pdf,
    outline_items,
    quiet,
    remove_page,
    resolved,
    set_labels,
    tree_entries,
    within,
)
from flowkit.reports.attach.swap import Rewritten

if TYPE_CHECKING:
    from pypdf import PdfReader
    from pypdf.generic import DictionaryObject, IndirectObject

DATA_NAME = "flowkit-data.json"
_TITLE = "Flow chart"
_MARK = "/flowkit"
_LABEL = (("/S", "/D"), ("/P", "Flow "))
_NOT_COPIED = ("/Parent", "/StructParents", "/B", "/PieceInfo", "/LastModified")


@dataclass(frozen=True, slots=True)
class _Former:
    """Flow pages already in the build file, and the pages around them."""

    pages: tuple[Leaf, ...]
    others: tuple[Leaf, ...]
    position: int


def add_pages(old: bytes, flow: bytes, name: str, *, after: int | None = None) -> Rewritten:
    """Add the flow pages to a PDF, in place of former ones."""
    with within(TIME_S, name), quiet(), damage_named(name):
        opened = open_pdf(old, name)
        _refuse_protected(opened.reader, name)
        return _added(opened, old, flow, name, after=after)


def _added(opened: Pdf, old: bytes, flow: bytes, name: str, *, after: int | None) -> Rewritten:
    """Add the flow pages to a PDF that may be extended."""
    former = _former(opened.reader, name)
    position = former.position if after is None else after
    if not 0 <= position <= len(former.others):
        raise AttachError(
            f"there is no page {position} to put them after",
            f"the build file has {len(former.others)} pages",
            file=name,
        )
    base = _without_last_attachment(opened.reader, old)
    update = PdfUpdate(opened if base == old else open_pdf(base, name))
    inside = _former(update.reader, name)
    known = _labels_of_others(update.reader, name)
    pages = _put_pages(update, flow, inside, position)
    if known is not None:
        new = [(_LABEL, number) for number in range(1, len(pages) + 1)]
        set_labels(update, [*known[:position], *new, *known[position:]])
    _entitle(update, pages[0], again=bool(inside.pages))
    _embed(update, flow)
    _remember(update, base)
    added = tuple(f"page {position + number}" for number in range(1, len(pages) + 1))
    return Rewritten(update.rendered(), added, len(former.pages))


def _refuse_protected(reader: PdfReader, name: str) -> None:
    """Refuse signed files and forms that show something other than their pages."""
    root = reader.root_object
    rights = resolved(root.get("/Perms"))
    if rights or _signed(resolved(root.get("/AcroForm"))):
        raise AttachError(
            "the PDF is digitally signed, and any change would break the signature",
            "attach to a copy saved without it, or before signing",
            file=name,
        )
    if resolved(root.get("/NeedsRendering")):
        raise AttachError(
            "the PDF is a dynamic form that hides its pages", "print it to a new PDF, then attach to that", file=name
        )


def _signed(form: Any) -> bool:
    """Tell whether a form holds a filled signature field."""
    pending = [(field, None) for field in (resolved(form.get("/Fields")) or ())] if form else []
    seen: set[int] = set()
    while pending:
        raw, above = pending.pop()
        field = resolved(raw)
        if not hasattr(field, "get") or id(field) in seen:
            continue
        seen.add(id(field))
        kind = field.get("/FT", above)
        if kind == "/Sig" and resolved(field.get("/V")) is not None:
            return True
        pending += [(kid, kind) for kid in (resolved(field.get("/Kids")) or ())]
    return False


def _former(reader: PdfReader, name: str) -> _Former:
    """Tell former flow pages from all others by their mark."""
    every = leaves(reader, name)
    marked = [_MARK in (resolved(leaf.page.get("/PieceInfo")) or {}) for leaf in every]
    first = marked.index(True) if any(marked) else len(every)
    return _Former(
        tuple(leaf for leaf, own in zip(every, marked, strict=True) if own),
        tuple(leaf for leaf, own in zip(every, marked, strict=True) if not own),
        marked[:first].count(False),
    )


def _without_last_attachment(reader: PdfReader, data: bytes) -> bytes:
    """Return the file as it was before flow pages were last added, if nothing came after them."""
    mark = resolved((resolved(reader.root_object.get("/PieceInfo")) or {}).get(_MARK))
    private = resolved(mark.get("/Private")) if mark else None
    if not private:
        return data
    length = int(resolved(private.get("/Length", 0)))
    digest = str(resolved(private.get("/Digest", "")))
    untouched = data.count(b"startxref", length) == 1 and hashlib.sha256(data[:length]).hexdigest() == digest
    return data[:length] if 0 < length < len(data) and untouched else data


def _put_pages(update: PdfUpdate, flow: bytes, former: _Former, position: int) -> list[IndirectObject]:
    """Put the flow pages in; they take over the object numbers of former ones, so that links to those still hold."""
    pages = open_pdf(flow, "the flow pages").reader.pages
    for leaf in former.pages:
        remove_page(update, leaf)
    references = [leaf.reference for leaf in former.pages][: len(pages)]
    references += [update.reserve() for _ in range(len(pages) - len(references))]
    known = {_number(page): reference for page, reference in zip(pages, references, strict=True)}
    for place, (page, reference) in enumerate(zip(pages, references, strict=True)):
        copy = _marked_copy(update, page, known)
        if place < len(former.pages):
            _keep_notes(former.pages[place].page, copy)
        update.put(reference, copy)
    insert_pages(update, references, former.others, position)
    return references


def _number(page: Any) -> int:
    """Return a page's object number."""
    return int(page.indirect_reference.idnum)


def _marked_copy(update: PdfUpdate, page: Any, known: dict[int, IndirectObject]) -> DictionaryObject:
    """Copy a page, with all it inherited, and mark it as a flow page (14.5)."""
    from pypdf.generic import DictionaryObject, NameObject, NumberObject, TextStringObject

    copy: DictionaryObject = update.adopt(page, known, without=_NOT_COPIED)
    # Stated even where they are the defaults: the node it comes under may say otherwise.
    copy.setdefault(NameObject("/CropBox"), copy["/MediaBox"])
    copy.setdefault(NameObject("/Rotate"), NumberObject(0))
    moment = TextStringObject(_moment(page))
    mark = DictionaryObject(
        {NameObject("/LastModified"): moment, NameObject("/Private"): TextStringObject("flow page")}
    )
    copy[NameObject("/PieceInfo")] = DictionaryObject({NameObject(_MARK): mark})
    copy[NameObject("/LastModified")] = moment
    return copy


def _moment(page: Any) -> str:
    """Return when the flow pages were made, as they say themselves."""
    information = resolved(page.pdf.trailer.get("/Info")) or {}
    return str(resolved(information.get("/CreationDate", "D:20000101000000Z")))


def _keep_notes(former: DictionaryObject, copy: DictionaryObject) -> None:
    """Carry over what somebody noted on a former flow page."""
    from pypdf.generic import ArrayObject, NameObject

    notes = list(resolved(former.get("/Annots")) or ())
    if notes:
        own = list(resolved(copy.get("/Annots")) or ())
        copy[NameObject("/Annots")] = ArrayObject([*own, *notes])


def _labels_of_others(reader: PdfReader, name: str) -> list[Label] | None:
    """Return the labels of all pages but former flow pages, or None where the file has none of its own."""
    every = leaves(reader, name)
    known = labels(reader, len(every))
    own = {leaf.reference.idnum for leaf in _former(reader, name).pages}
    return known and [label for leaf, label in zip(every, known, strict=True) if leaf.reference.idnum not in own]


def _entitle(update: PdfUpdate, page: IndirectObject, *, again: bool) -> None:
    """Add the outline entry, unless a former one leads there already."""
    items = list(outline_items(update.reader)) if again else []
    if not any(number == page.idnum or title == _TITLE for title, number, _ in items):
        add_outline_item(update, _TITLE, page)


def _embed(update: PdfUpdate, flow: bytes) -> None:
    """Carry the flow pages' embedded data along, in place of what a former attachment embedded."""
    from pypdf.generic import ArrayObject, BooleanObject, DictionaryObject, NameObject, TextStringObject

    names = resolved(open_pdf(flow, "the flow pages").reader.root_object.get("/Names")) or {}
    given = dict(tree_entries(names.get("/EmbeddedFiles"), "/Names"))
    if DATA_NAME not in given:
        return
    holder = update.entry(update.root, "/Names")
    kept = [
        (key, value)
        for key, value in tree_entries(holder.get("/EmbeddedFiles"), "/Names")
        if _MARK not in (resolved(value) or {})
    ]
    taken = {str(key) for key, _ in kept}
    name, number = DATA_NAME, 1
    while name in taken:
        number += 1
        name = DATA_NAME.replace(".json", f"-{number}.json")
    specification = update.adopt(resolved(given[DATA_NAME]), {})
    specification[NameObject(_MARK)] = BooleanObject(True)
    for key in ("/F", "/UF"):
        specification[NameObject(key)] = TextStringObject(name)
    kept.append((TextStringObject(name), update.add(specification)))
    # Names are in the order of their bytes (7.9.6).
    kept.sort(key=lambda pair: getattr(pair[0], "original_bytes", str(pair[0]).encode()))
    flat = ArrayObject(item for pair in kept for item in pair)
    holder[NameObject("/EmbeddedFiles")] = DictionaryObject({NameObject("/Names"): flat})


def _remember(update: PdfUpdate, base: bytes) -> None:
    """Note in the catalogue where the build file ended, so that the pages can be taken off again."""
    from pypdf.generic import DictionaryObject, NameObject, NumberObject, TextStringObject

    private = DictionaryObject()
    private[NameObject("/Length")] = NumberObject(len(base))
    private[NameObject("/Digest")] = TextStringObject(hashlib.sha256(base).hexdigest())
    mark = DictionaryObject({NameObject("/Private"): private})
    mark[NameObject("/LastModified")] = TextStringObject("D:20000101000000Z")
    update.entry(update.root, "/PieceInfo")[NameObject(_MARK)] = mark


def verify_pages(old: bytes, new: bytes, flow: bytes, name: str) -> None:
    """Make sure that the new PDF holds all of the old one, and the flow pages."""
    with within(TIME_S, name), quiet(), damage_named(name):
        before, after = open_pdf(old, name), open_pdf(new, name)
        lost = [] if new.startswith(_without_last_attachment(before.reader, old)) else ["bytes"]
        if after.table is not None:
            lost.append("table of objects")
        kept = _pages(before.reader, name)
        if kept - _pages(after.reader, name):
            lost.append("pages")
        for what, facet in _FACETS.items():
            known = _looked_up(facet, before.reader)
            if known is not None and known - (_looked_up(facet, after.reader) or Counter()):
                lost.append(what)
        added = [_print_of(resolved(leaf.reference)) for leaf in _former(after.reader, name).pages]
        wanted = [_print_of(page) for page in open_pdf(flow, "the flow pages").reader.pages]
    if lost or added != wanted:
        problem = (
            f"the new file would lose {', '.join(lost)} from the old one" if lost else "the flow pages do not fit in"
        )
        raise AttachError(problem, "print the PDF to a new one, then attach to that", file=name)


def _looked_up(facet: Callable[[PdfReader], Counter[Any]], reader: PdfReader) -> Counter[Any] | None:
    """Look at one side of a PDF; None where it is too damaged for that."""
    from pypdf.errors import PyPdfError

    try:
        return facet(reader)
    except (PyPdfError, *PDF_ERRORS):
        return None


def _print_of(page: Any) -> str:
    """Return a digest of a page's content streams, as stored."""
    contents = resolved(page.get("/Contents"))
    streams = contents if isinstance(contents, list) else [contents]
    parts = [resolved(stream)._data for stream in streams if resolved(stream) is not None]
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def _pages(reader: PdfReader, name: str) -> Counter[Any]:
    """Old pages: place among them, content, size, number of annotations, label."""
    own = {leaf.reference.idnum for leaf in _former(reader, name).pages}
    kept = [page for page in reader.pages if _number(page) not in own]
    tags: Sequence[Label | None] = _labels_of_others(reader, name) or [None] * len(kept)
    return Counter(
        (place, _print_of(page), str(page.mediabox), page.rotation, len(resolved(page.get("/Annots")) or ()), str(tag))
        for place, (page, tag) in enumerate(zip(kept, tags, strict=True))
    )


def _attachments(reader: PdfReader) -> Counter[Any]:
    """Embedded files of others: name and content, as stored."""
    names = resolved(reader.root_object.get("/Names")) or {}
    found: Counter[Any] = Counter()
    for key, value in tree_entries(names.get("/EmbeddedFiles"), "/Names"):
        specification = resolved(value)
        if _MARK not in specification:
            stream = resolved(resolved(specification["/EF"])["/F"])
            found[str(key), hashlib.sha256(stream._data).hexdigest()] += 1
    return found


def _entries(reader: PdfReader) -> Counter[Any]:
    """Outline entries but for that of the flow pages."""
    return Counter((title, number) for title, number, _ in outline_items(reader) if title != _TITLE)


def _fields(reader: PdfReader) -> Counter[Any]:
    """Form fields: their own names and values, and how deep they are."""
    form = resolved(reader.root_object.get("/AcroForm")) or {}
    pending = [(field, 0) for field in resolved(form.get("/Fields")) or ()]
    found: Counter[Any] = Counter()
    seen: set[int] = set()
    while pending:
        raw, depth = pending.pop()
        field = resolved(raw)
        if hasattr(field, "get") and id(field) not in seen:
            seen.add(id(field))
            found[_written(field.get("/T")), _written(field.get("/V")), depth] += 1
            pending += [(kid, depth + 1) for kid in resolved(field.get("/Kids")) or ()]
    return found


def _destinations(reader: PdfReader) -> Counter[Any]:
    """Names that lead to places (12.3.2.3)."""
    names = resolved(reader.root_object.get("/Names")) or {}
    found = Counter(_written(key) for key, _ in tree_entries(names.get("/Dests"), "/Names"))
    return found + Counter(str(key) for key in resolved(reader.root_object.get("/Dests")) or ())


def _properties(reader: PdfReader) -> Counter[Any]:
    """Document properties, whatever is in their place."""
    raw = reader.trailer.raw_get("/Info") if "/Info" in reader.trailer else None
    found = resolved(raw)
    if not hasattr(found, "raw_get"):
        return Counter([_written(found)])
    return Counter((key, _written(found.raw_get(key))) for key in found)


def _written(value: Any) -> bytes:
    """Return an object as it is written in a file."""
    out = io.BytesIO()
    if hasattr(value, "write_to_stream"):
        value.write_to_stream(out)
    return out.getvalue()


_FACETS: dict[str, Callable[[PdfReader], Counter[Any]]] = {
    "outline entries": _entries,
    "attachments": _attachments,
    "form fields": _fields,
    "named destinations": _destinations,
    "document properties": _properties,
}


def page_size(data: bytes, name: str) -> tuple[float, float] | None:
    """Return width and height of a PDF's last page [points]."""
    with quiet(), damage_named(name):
        box = open_pdf(data, name).reader.pages[-1].mediabox
        return float(box.width), float(box.height)
