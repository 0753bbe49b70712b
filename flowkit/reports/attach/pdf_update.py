"""An incremental update of a PDF: the old bytes stay as they are, changed objects follow them.

ISO 32000-1:2008, 7.5.6: the body of changed and new objects, a cross-reference section
for them alone, and a trailer that points back to the one before. Nothing of the old file
can be lost that way, and cutting the update off gives the old file back, byte for byte.
"""

from __future__ import annotations

import ctypes
import hashlib
import io
import logging
import re
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
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
    NotImplementedError,
    OSError,
    RecursionError,
    TypeError,
    ValueError,
)
"""What a damaged PDF may raise in the library that reads it, beside its own errors."""

_NOT_FOR_TRAILER = {"/Prev", "/XRefStm", "/Type", "/W", "/Index", "/Filter", "/DecodeParms", "/Length", "/Size"}


TIME_S = 30.0
"""How long one PDF may take to be taken apart."""
_OBJECT = re.compile(rb"(?<![0-9])(\d{1,10})[\0\t\n\f\r ]+(\d{1,5})[\0\t\n\f\r ]+obj(?![a-zA-Z0-9])")
_TRAILER = re.compile(rb"\btrailer\s*(?=<<)")
_HARMLESS = ("Ignoring wrong pointing object", "invalid pdf header")
_SAVE_AGAIN = "open it in the program it was made with, save it again, then try again"

Place = tuple[int, int, int]
"""Where an object is: (1, offset, generation), or (2, number of its object stream, its index there)."""


@dataclass(frozen=True, slots=True)
class Pdf:
    """A PDF opened for adding to it.

    `front` are bytes before its header, from which its offsets do not count. `table` is the place of every object
    where the file's own table was not usable and had to be made anew, else None.
    """

    front: bytes
    data: bytes
    reader: PdfReader
    table: dict[int, Place] | None


def open_pdf(data: bytes, name: str) -> Pdf:
    """Open a PDF that can be extended; a table of objects that is out of order is made anew."""
    header = max(data.find(b"%PDF-", 0, 1024 + 5), 0)
    front, body = data[:header], data[header:]
    with damage_named(name):
        reader, complaints = _read(body, name)
        if front and (complaints or _last_section(body) is None):
            whole, more = _read(data, name)
            if whole is not None and not more:
                return Pdf(b"", data, whole, None)
        table = None
        if _OBJECT.search(body, max(body.rfind(b"%%EOF"), 0)):
            raise _Damaged("it is cut short")
        if _last_section(body) is None:
            raise _Damaged("its table of objects cannot be found")
        if complaints and b"%%EOF" in body[-1024:]:
            # What every reader does with such a file: find the objects themselves; the last of a number counts.
            with quiet():
                table, trailer = _found_objects(body)
                reader, complaints = _read(_with_table(body, table, trailer), name)
                _all_there(reader, table)
        if reader is None or complaints:
            raise _Damaged("its table of objects is out of order")
    return Pdf(front, body, reader, table)


def _all_there(reader: PdfReader | None, table: dict[int, Place]) -> None:
    """Make sure that nothing a page needs is missing from a table made anew."""
    from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject

    pending: list[Any] = list(reader.pages) if reader else []
    seen: set[int] = set()
    while pending:
        item = pending.pop()
        if isinstance(item, IndirectObject):
            if item.idnum in seen:
                continue
            seen.add(item.idnum)
            if item.idnum not in table:
                raise _Damaged("a part that its pages need is missing")
            item = resolved(item)
        if isinstance(item, DictionaryObject):
            pending += [item.raw_get(key) for key in item if key != "/Parent"]
        elif isinstance(item, ArrayObject):
            pending += item


class _Complaints(logging.Handler):
    """Keeps what the reading library logs about a file, instead of letting it reach the user."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.thread = threading.get_ident()
        self.messages: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep what is said of the table of objects; one entry that leads nowhere is a null object (7.3.10)."""
        message = record.getMessage()
        if record.thread == self.thread and record.name == "pypdf._reader" and not message.startswith(_HARMLESS):
            self.messages.append(message)


@contextmanager
def quiet() -> Iterator[list[str]]:
    """Keep the reading library's log lines from the user; gives those about the table of objects."""
    logger, handler = logging.getLogger("pypdf"), _Complaints()
    level, disabled, passed_on = logger.level, logger.disabled, logger.propagate
    logger.addHandler(handler)
    logger.propagate = False
    # Whoever silenced the library before (the reader of PDF sheets does) must not silence this.
    logger.setLevel(logging.WARNING)
    logger.disabled = False
    try:
        yield handler.messages
    finally:
        logger.removeHandler(handler)
        logger.setLevel(level)
        logger.disabled, logger.propagate = disabled, passed_on


@cache
def _reader_class() -> type[PdfReader]:
    """Make the reader when it is needed."""
    from pypdf import PdfReader

    class Reader(PdfReader):
        """For which an object that the table does not know is null, as ISO 32000-1, 7.3.10 has it.

        The library's own searches the whole file for each of them, which took minutes where many are missing.
        """

        def get_object(self, indirect_reference: int | IndirectObject) -> PdfObject | None:
            """Return the object behind a reference, or None."""
            number, generation = (
                (indirect_reference, 0)
                if isinstance(indirect_reference, int)
                else (indirect_reference.idnum, indirect_reference.generation)
            )
            if number not in self.xref.get(generation, ()) and (generation or number not in self.xref_objStm):
                return None
            return super().get_object(indirect_reference)

    return Reader


def _read(data: bytes, name: str) -> tuple[PdfReader | None, list[str]]:
    """Read a PDF's table and pages, with what is wrong with the table; None where that fails."""
    from pypdf.errors import DependencyError, PyPdfError

    encrypted = AttachError(
        "the PDF is encrypted", "save it without a password or restrictions, then attach", file=name
    )
    with quiet() as complaints:
        try:
            reader = _reader_class()(io.BytesIO(data))
            if reader.is_encrypted:
                raise encrypted
            _ = reader.root_object, [page.get("/Type") for page in reader.pages]
        except DependencyError:
            raise encrypted from None
        except (PyPdfError, *PDF_ERRORS) as error:
            return None, [str(error) or type(error).__name__]
    return reader, list(complaints)


def _found_objects(data: bytes) -> tuple[dict[int, Place], dict[str, Any]]:
    """Find every object by its own words in the file, and what the trailers say; later ones count."""
    from pypdf.generic import DictionaryObject

    table: dict[int, Place] = {}
    trailer: dict[str, Any] = {}
    position = 0
    owner = _nobody()
    marks = sorted((*_OBJECT.finditer(data), *_TRAILER.finditer(data)), key=lambda mark: mark.start())
    for mark in marks:
        start = mark.start()
        found, after = _object_at(data, mark.end(), owner) if start >= position else (None, position)
        if found is None:
            continue  # inside the object before it, or nothing readable
        position = after
        kind = found.get("/Type") if isinstance(found, DictionaryObject) else None
        if mark.re is _TRAILER or kind == "/XRef":
            trailer.update({key: found.raw_get(key) for key in found if key not in _NOT_FOR_TRAILER})
            continue
        number = int(mark[1])
        table[number] = (1, start, int(mark[2]))
        if kind == "/ObjStm":
            heads = found.get_data()[: int(found["/First"])].split()[: 2 * int(found["/N"]) : 2]
            table.update({int(inner): (2, number, index) for index, inner in enumerate(heads)})
    if "/Root" not in trailer:
        raise _Damaged("its list of pages is missing")
    return table, trailer


def _object_at(data: bytes, offset: int, owner: PdfReader) -> tuple[Any, int]:
    """Read the object that begins there, and where it ends; None where there is none."""
    from pypdf.errors import PyPdfError
    from pypdf.generic import read_object

    stream = io.BytesIO(data)
    stream.seek(offset + len(data[offset : offset + 1024]) - len(data[offset : offset + 1024].lstrip()))
    try:
        return read_object(stream, owner), stream.tell()
    except (PyPdfError, *PDF_ERRORS):
        return None, offset


def _nobody() -> PdfReader:
    """Return a reader of a PDF of no pages, to own objects read on their own."""
    from pypdf import PdfWriter

    out = io.BytesIO()
    PdfWriter().write(out)
    return _reader_class()(out)


@contextmanager
def damage_named(name: str) -> Iterator[None]:
    """Say in plain words that a PDF is damaged, whatever the reading library stumbles over."""
    from pypdf.errors import PyPdfError

    try:
        yield
    except _Damaged as error:
        raise AttachError(f"the PDF is damaged: {error}", _SAVE_AGAIN, file=name) from error
    except (PyPdfError, *PDF_ERRORS) as error:
        raise AttachError("the PDF is damaged", _SAVE_AGAIN, file=name) from error


class _Damaged(ValueError):
    """What is wrong with a PDF, in our own words; the library's are not for the user."""


class _TimeUp(BaseException):
    """Raised in a thread whose time is up; no handler of the reading library takes it for one of its own."""


def _receive() -> None:
    """Let an interruption that is on its way arrive, and drop it.

    Taking it back instead leaves Python 3.11 believing for good that one is waiting, which slows it down and makes
    whatever traces its calls (a debugger, a coverage tool) hang.
    """
    try:
        for _ in range(100):
            time.sleep(0)
    except _TimeUp:
        return


@contextmanager
def within(seconds: float, name: str) -> Iterator[None]:
    """Refuse a file that takes longer than this to be taken apart, whatever the reading library is doing."""
    thread, lock, over = ctypes.c_ulong(threading.get_ident()), threading.Lock(), threading.Event()
    sent: list[bool] = []

    def watch() -> None:
        """Interrupt the thread, again and again until it has noticed."""
        wait = seconds
        while not over.wait(wait):
            with lock:
                if not over.is_set():
                    ctypes.pythonapi.PyThreadState_SetAsyncExc(thread, ctypes.py_object(_TimeUp))
                    sent.append(True)
            wait = 0.5

    try:
        try:
            threading.Thread(target=watch, daemon=True).start()
            yield
        finally:
            with lock:
                over.set()
            if sent:
                _receive()
    except _TimeUp:
        over.set()
        raise AttachError(
            f"the PDF takes more than {seconds:.0f} s to go through",
            "print it to a new PDF, then attach to that",
            file=name,
        ) from None


def resolved(value: Any) -> Any:
    """Follow a reference, if it is one, to the object."""
    return value.get_object() if hasattr(value, "get_object") else value


class PdfUpdate:
    """Changes to a PDF, gathered and then written behind it."""

    def __init__(self, pdf: Pdf) -> None:
        self._pdf = pdf
        self.reader = pdf.reader
        numbers = [number for table in self.reader.xref.values() for number in table]
        size = int(resolved(self.reader.trailer.get("/Size", 0)))
        self._before = _last_section(pdf.data) if pdf.table is None else None
        # The number of a stream of cross-references is in use too, though it need not list itself.
        own = self._before[1] if self._before else 0
        self._next = 1 + max([size - 1, own, *numbers, *self.reader.xref_objStm])
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
        """Put another object behind a reference."""
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
        data, table = self._pdf.data, self._pdf.table
        out = io.BytesIO()
        out.write(data if data.endswith(b"\n") else data + b"\n")
        places: dict[int, Place] = dict(table or {})
        for number in sorted(self._changed):
            generation, value = self._changed[number]
            places[number] = (1, out.tell(), generation)
            out.write(b"%d %d obj\n" % (number, generation))
            value.write_to_stream(out)
            out.write(b"\nendobj\n")
        trailer = _trailer(self.reader.trailer, hashlib.md5(out.getvalue(), usedforsecurity=False).digest())
        start, own = self._before or (None, -1)
        if start is None or own:
            _write_stream(out, places, self._next, trailer, start)
        else:
            _write_table(out, places, self._next, trailer, start)
        return self._pdf.front + out.getvalue()


def _trailer(former: Any, digest: bytes) -> dict[str, Any]:
    """Make a trailer's entries from the one before, with a new second identifier."""
    from pypdf.generic import ArrayObject, ByteStringObject, NameObject

    entries: dict[str, Any] = {NameObject(key): former.raw_get(key) for key in former if key not in _NOT_FOR_TRAILER}
    identifiers = resolved(entries.get("/ID"))
    if isinstance(identifiers, ArrayObject) and identifiers:
        entries[NameObject("/ID")] = ArrayObject([identifiers[0], ByteStringObject(digest)])
    return entries


def _write_table(out: io.BytesIO, places: dict[int, Place], size: int, entries: dict[str, Any], before: int) -> None:
    """Write a cross-reference table and its trailer (ISO 32000-1, 7.5.4 and 7.5.5)."""
    from pypdf.generic import DictionaryObject, NameObject, NumberObject

    start = out.tell()
    out.write(b"xref\n0 1\n0000000000 65535 f \n")
    for first, count in _runs(places):
        out.write(b"%d %d\n" % (first, count))
        for number in range(first, first + count):
            out.write(b"%010d %05d n \n" % places[number][1:])
    trailer = DictionaryObject(entries)
    trailer.update({NameObject("/Size"): NumberObject(size), NameObject("/Prev"): NumberObject(before)})
    out.write(b"trailer\n")
    trailer.write_to_stream(out)
    out.write(b"\nstartxref\n%d\n%%%%EOF\n" % start)


def _write_stream(
    out: io.BytesIO, places: dict[int, Place], own: int, entries: dict[str, Any], before: int | None
) -> None:
    """Write a cross-reference stream (ISO 32000-1, 7.5.8) of this object number; it is whole where none is before."""
    from pypdf.generic import ArrayObject, NameObject, NumberObject, StreamObject

    start = out.tell()
    places = {**places, own: (1, start, 0)}
    if before is None:
        places[0] = (0, 0, 65535)
    wide = [(max(place[n] for place in places.values()).bit_length() + 7) // 8 for n in (1, 2)]
    widths = (1, wide[0], max(wide[1], 2))
    rows = b"".join(
        field.to_bytes(width, "big")
        for number in sorted(places)
        for field, width in zip(places[number], widths, strict=True)
    )
    runs = [NumberObject(item) for run in _runs(places) for item in run]
    own_entries: dict[str, Any] = {
        NameObject("/Type"): NameObject("/XRef"),
        NameObject("/W"): ArrayObject(NumberObject(item) for item in widths),
        NameObject("/Index"): ArrayObject(runs),
        NameObject("/Size"): NumberObject(own + 1),
        **({} if before is None else {NameObject("/Prev"): NumberObject(before)}),
        "__streamdata__": rows,
    }
    stream: StreamObject = StreamObject.initialize_from_dictionary({**entries, **own_entries})
    out.write(b"%d 0 obj\n" % own)
    stream.flate_encode().write_to_stream(out)
    out.write(b"\nendobj\nstartxref\n%d\n%%%%EOF\n" % start)


def _with_table(data: bytes, table: dict[int, Place], trailer: dict[str, Any]) -> bytes:
    """Return a file with a whole table of its objects behind it."""
    out = io.BytesIO()
    out.write(data if data.endswith(b"\n") else data + b"\n")
    _write_stream(out, table, 1 + max(table), trailer, None)
    return out.getvalue()


def _runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Group numbers into runs of (first, count)."""
    runs: list[tuple[int, int]] = []
    for number in sorted(numbers):
        if runs and number == sum(runs[-1]):
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((number, 1))
    return runs


def _last_section(data: bytes) -> tuple[int, int] | None:
    """Find the last cross-reference section and the number of its object (0: a table); None where it is not there."""
    marks = re.findall(rb"startxref\s+(\d+)", data)
    start = int(marks[-1]) if marks else -1
    head = data[start : start + 40].lstrip() if 0 < start < len(data) else b""
    if re.match(rb"xref\b", head):
        return start, 0
    stream = _OBJECT.match(head)
    return (start, int(stream[1])) if stream else None


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
            raise AttachError(
                "the PDF is damaged (its page tree)",
                "save it again in the program it was made with, then try again",
                file=name,
            )
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
