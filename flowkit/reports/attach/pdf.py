"""Flow pages added to a PDF build file."""

from __future__ import annotations

import hashlib
import io
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

from pypdf import PdfReader
from pypdf.generic import DictionaryObject, IndirectObject

from flowkit.errors import AttachError
from flowkit.reports.attach import pdf_update as update
from flowkit.reports.attach.pdf_update import Label, Leaf, Pdf, resolved
from flowkit.reports.attach.swap import Rewritten

DATA_NAME = "flowkit-data.json"
_TITLE = "Flow chart"
_MARK = "/flowkit"
_LABEL = (("/S", "/D"), ("/P", "Flow "))
_LONG_AGO = "D:20000101000000Z"
_NOT_COPIED = ("/Parent", "/StructParents", "/B", "/PieceInfo", "/LastModified")


class _Pages(NamedTuple):
    """A build file's pages: flow pages, all others and their labels, and how many of these are before the first."""

    own: list[Leaf]
    others: list[Leaf]
    labels: list[Label] | None
    position: int


def add_pages(old: bytes, flow: bytes, name: str, *, after: int | None = None) -> Rewritten:
    """Add the flow pages to a PDF, in place of earlier ones."""
    with update.guarded(name):
        opened = update.open_pdf(old, name)
        _refuse_protected(opened.reader, name)
        earlier = _pages(opened)
        position = earlier.position if after is None else after
        if not 0 <= position <= len(earlier.others):
            raise AttachError(
                f"there is no page {position} to put them after",
                f"the build file has {len(earlier.others)} pages",
                file=name,
            )
        base = _without_last_attachment(opened.reader, old)
        pdf = opened if base == old else update.open_pdf(base, name)
        inside = earlier if base == old else _pages(pdf)
        given = update.open_pdf(flow, "the flow pages").reader
        pages = _put_pages(pdf, given, inside, position)
        if inside.labels is not None:
            new: list[Label] = [(_LABEL, number) for number in range(1, len(pages) + 1)]
            pdf.set_labels([*inside.labels[:position], *new, *inside.labels[position:]])
        # An earlier entry leads to a page whose number the first flow page has taken over.
        items = update.outline_items(pdf.reader) if inside.own else ()
        if not any(number == pages[0].idnum or title == _TITLE for title, number in items):
            pdf.add_outline_item(_TITLE, pages[0])
        _embed(pdf, given)
        # Where the build file ended, so that the pages can be taken off again.
        private = {"/Length": len(base), "/Digest": hashlib.sha256(base).hexdigest()}
        update.assign(pdf.entry("/PieceInfo"), _MARK, {"/Private": private, "/LastModified": _LONG_AGO})
        added = tuple(f"page {position + number}" for number in range(1, len(pages) + 1))
        return Rewritten(pdf.rendered(), added, len(earlier.own))


def _refuse_protected(reader: PdfReader, name: str) -> None:
    """Refuse signed files and forms that show something other than their pages."""
    root = reader.root_object
    signed = any(kind == "/Sig" and resolved(field.get("/V")) is not None for field, _, kind in _form_fields(reader))
    if resolved(root.get("/Perms")) or signed:
        raise AttachError(
            "the PDF is digitally signed, and any change would break the signature",
            "attach to a copy saved without it, or before signing",
            file=name,
        )
    if resolved(root.get("/NeedsRendering")):
        raise AttachError(
            "the PDF is a dynamic form that hides its pages", "print it to a new PDF, then attach to that", file=name
        )


def _form_fields(reader: PdfReader) -> Iterator[tuple[Any, int, Any]]:
    """Go through the form: each field, how deep it is, and its kind, which it may have from the one above."""
    form = resolved(reader.root_object.get("/AcroForm"))
    pending = [(field, 0, None) for field in (resolved(form.get("/Fields")) or ())] if form else []
    seen: set[int] = set()
    while pending:
        raw, depth, above = pending.pop()
        field = resolved(raw)
        if hasattr(field, "get") and id(field) not in seen:
            seen.add(id(field))
            kind = field.get("/FT", above)
            yield field, depth, kind
            pending += [(kid, depth + 1, kind) for kid in resolved(field.get("/Kids")) or ()]


def _pages(pdf: Pdf) -> _Pages:
    """Distinguish earlier flow pages from all others by their mark (14.5)."""
    every = pdf.leaves()
    marked = [_MARK in (resolved(resolved(leaf.reference).get("/PieceInfo")) or {}) for leaf in every]
    known = update.labels(pdf.reader, len(every))
    return _Pages(
        [leaf for leaf, own in zip(every, marked, strict=True) if own],
        [leaf for leaf, own in zip(every, marked, strict=True) if not own],
        known and [label for label, own in zip(known, marked, strict=True) if not own],
        marked.index(True) if any(marked) else len(every),
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


def _put_pages(pdf: Pdf, given: PdfReader, inside: _Pages, position: int) -> list[IndirectObject]:
    """Put the flow pages in; they take over the object numbers of earlier ones, so that links to those still hold."""
    pages = given.pages
    for leaf in inside.own:
        kids = resolved(pdf.touch(leaf.parent)["/Kids"])
        pdf.put_kids(leaf.parent, [kid for kid in kids if kid.idnum != leaf.reference.idnum])
    references = [leaf.reference for leaf in inside.own][: len(pages)]
    references += [pdf.reserve() for _ in range(len(pages) - len(references))]
    known = {_number(page): reference for page, reference in zip(pages, references, strict=True)}
    information = resolved(given.trailer.get("/Info")) or {}
    moment = str(resolved(information.get("/CreationDate", _LONG_AGO)))
    for place, (page, reference) in enumerate(zip(pages, references, strict=True)):
        copy: DictionaryObject = pdf.adopt(page, known, without=_NOT_COPIED)
        # Stated even where they are the defaults: the node it comes under may say otherwise.
        for key, usual in (("/CropBox", copy["/MediaBox"]), ("/Rotate", 0)):
            if key not in copy:
                update.assign(copy, key, usual)
        update.assign(copy, "/PieceInfo", {_MARK: {"/LastModified": moment, "/Private": "flow page"}})
        update.assign(copy, "/LastModified", moment)
        earlier = resolved(inside.own[place].reference) if place < len(inside.own) else {}
        notes = resolved(earlier.get("/Annots"))
        if notes:  # what somebody noted on an earlier flow page
            update.assign(copy, "/Annots", [*(resolved(copy.get("/Annots")) or ()), *notes])
        pdf.put(reference, copy)
    beside = inside.others[max(position, 1) - 1] if inside.others else None
    parent = beside.parent if beside else pdf.root.raw_get("/Pages")
    kids = list(resolved(pdf.touch(parent)["/Kids"]))
    start = 0
    if beside and position:
        start = 1 + max(place for place, kid in enumerate(kids) if kid.idnum == beside.reference.idnum)
    pdf.put_kids(parent, [*kids[:start], *references, *kids[start:]])
    for reference in references:
        update.assign(pdf.touch(reference), "/Parent", parent)
    return references


def _number(page: Any) -> int:
    """Return a page's object number."""
    return int(page.indirect_reference.idnum)


def _names(reader: PdfReader, kind: str) -> list[tuple[Any, Any]]:
    """Return the catalogue's names of a kind, each with what it leads to."""
    return update.tree_entries((resolved(reader.root_object.get("/Names")) or {}).get(kind), "/Names")


def _embed(pdf: Pdf, given: PdfReader) -> None:
    """Carry the flow pages' embedded data along, in place of what an earlier attachment embedded."""
    data = dict(_names(given, "/EmbeddedFiles")).get(DATA_NAME)
    if data is None:
        return
    holder = pdf.entry("/Names")
    files = update.tree_entries(holder.get("/EmbeddedFiles"), "/Names")
    kept = [(key, value) for key, value in files if _MARK not in (resolved(value) or {})]
    taken = {str(key) for key, _ in kept}
    name, number = DATA_NAME, 1
    while name in taken:
        number += 1
        name = DATA_NAME.replace(".json", f"-{number}.json")
    specification = pdf.adopt(resolved(data), {})
    for key, value in ((_MARK, True), ("/F", name), ("/UF", name)):
        update.assign(specification, key, value)
    kept.append((update.pdf_object(name), pdf.add(specification)))
    # Names are in the order of their bytes (7.9.6).
    kept.sort(key=lambda pair: getattr(pair[0], "original_bytes", str(pair[0]).encode()))
    update.assign(holder, "/EmbeddedFiles", {"/Names": [item for pair in kept for item in pair]})


def verify_pages(old: bytes, new: bytes, flow: bytes, name: str) -> None:
    """Make sure that the new PDF holds all of the old one, and the flow pages."""
    with update.guarded(name):
        before, after = update.open_pdf(old, name), update.open_pdf(new, name)
        lost = [] if new.startswith(_without_last_attachment(before.reader, old)) else ["bytes"]
        if after.table is not None:
            lost.append("table of objects")
        if _page_facts(before) - _page_facts(after):
            lost.append("pages")
        for what, facts in _FACTS.items():
            try:
                known = Counter(facts(before.reader))
            except update.PDF_ERRORS:
                continue  # too damaged to tell
            try:
                kept = Counter(facts(after.reader))
            except update.PDF_ERRORS:
                kept = Counter()
            if known - kept:
                lost.append(what)
        added = [_print_of(resolved(leaf.reference)) for leaf in _pages(after).own]
        wanted = [_print_of(page) for page in update.open_pdf(flow, "the flow pages").reader.pages]
    if lost or added != wanted:
        problem = (
            f"the new file would lose {', '.join(lost)} from the old one" if lost else "the flow pages do not fit in"
        )
        raise AttachError(problem, "print the PDF to a new one, then attach to that", file=name)


def _print_of(page: Any) -> str:
    """Return a digest of a page's content streams, as stored."""
    contents = resolved(page.get("/Contents"))
    streams = contents if isinstance(contents, list) else [contents]
    parts = [resolved(stream)._data for stream in streams if resolved(stream) is not None]
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def _page_facts(pdf: Pdf) -> Counter[Any]:
    """Old pages: place among them, content, size, number of annotations, label."""
    inside = _pages(pdf)
    own = {leaf.reference.idnum for leaf in inside.own}
    kept = [page for page in pdf.reader.pages if _number(page) not in own]
    tags: Sequence[Label | None] = inside.labels or [None] * len(kept)
    return Counter(
        (place, _print_of(page), str(page.mediabox), page.rotation, len(resolved(page.get("/Annots")) or ()), str(tag))
        for place, (page, tag) in enumerate(zip(kept, tags, strict=True))
    )


def _attachments(reader: PdfReader) -> Iterator[Any]:
    """Embedded files of others: name and content, as stored."""
    for key, value in _names(reader, "/EmbeddedFiles"):
        specification = resolved(value)
        if _MARK not in specification:
            stream = resolved(resolved(specification["/EF"])["/F"])
            yield str(key), hashlib.sha256(stream._data).hexdigest()


def _destinations(reader: PdfReader) -> Iterator[Any]:
    """Names that lead to places (12.3.2.3)."""
    yield from (_written(key) for key, _ in _names(reader, "/Dests"))
    yield from (str(key) for key in resolved(reader.root_object.get("/Dests")) or ())


def _properties(reader: PdfReader) -> Iterator[Any]:
    """Document properties, whatever is in their place."""
    found: Any = resolved(reader.trailer.raw_get("/Info")) if "/Info" in reader.trailer else None
    if not hasattr(found, "raw_get"):
        yield _written(found)
    else:
        yield from ((key, _written(found.raw_get(key))) for key in found)


def _written(value: Any) -> bytes:
    """Return an object as it is written in a file."""
    out = io.BytesIO()
    if hasattr(value, "write_to_stream"):
        value.write_to_stream(out)
    return out.getvalue()


_FACTS: dict[str, Callable[[PdfReader], Iterator[Any]]] = {
    "outline entries": lambda reader: (item for item in update.outline_items(reader) if item[0] != _TITLE),
    "attachments": _attachments,
    "form fields": lambda reader: (
        (_written(field.get("/T")), _written(field.get("/V")), depth) for field, depth, _ in _form_fields(reader)
    ),
    "named destinations": _destinations,
    "document properties": _properties,
}


def page_size(data: bytes, name: str) -> tuple[float, float] | None:
    """Return width and height of a PDF's last page [points]."""
    with update.guarded(name):
        box = update.open_pdf(data, name).reader.pages[-1].mediabox
        return float(box.width), float(box.height)
