"""A PDF opened to be added to: its old bytes stay as they are, changed objects follow them.

ISO 32000-1:2008, 7.5.6: the changed and new objects, a table of them alone, and a trailer that points back to the one
before. Cutting the update off gives the old file back, byte for byte.
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
from itertools import pairwise
from typing import Any, NamedTuple, cast

from pypdf import PdfReader, PdfWriter
from pypdf.errors import DependencyError, PyPdfError
from pypdf.generic import (
    ArrayObject,
    BooleanObject,
    ByteStringObject,
    DictionaryObject,
    IndirectObject,
    NameObject,
    NullObject,
    NumberObject,
    PdfObject,
    StreamObject,
    TextStringObject,
    read_object,
)

from flowkit.errors import AttachError

PDF_ERRORS = (
    PyPdfError,
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
"""What a damaged PDF may raise in the library that reads it."""

TIME_S = 30.0
"""How long one PDF may take to be taken apart."""
_NOT_FOR_TRAILER = {"/Prev", "/XRefStm", "/Type", "/W", "/Index", "/Filter", "/DecodeParms", "/Length", "/Size"}
_OBJECT = re.compile(rb"(?<![0-9])(\d{1,10})[\0\t\n\f\r ]+(\d{1,5})[\0\t\n\f\r ]+obj(?![a-zA-Z0-9])\s*")
_TRAILER = re.compile(rb"\btrailer\s*(?=<<)")
_HARMLESS = ("Ignoring wrong pointing object", "invalid pdf header")
_SAVE_AGAIN = "open it in the program it was made with, save it again, then try again"

Place = tuple[int, int, int]
"""Where an object is: (1, offset, generation), or (2, number of its object stream, its index there)."""
Label = tuple[tuple[tuple[str, Any], ...], int]
"""A page's label: its style and prefix, and its number."""


class Leaf(NamedTuple):
    """A page of the page tree and the node that holds it."""

    reference: IndirectObject
    parent: IndirectObject


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


def resolved(value: Any) -> Any:
    """Follow a reference, if it is one, to the object."""
    return value.get_object() if hasattr(value, "get_object") else value


def pdf_object(value: Any) -> Any:
    """Return a value as an object of a PDF; a text that begins with a slash is a name."""
    if isinstance(value, PdfObject):
        return value
    if isinstance(value, dict):
        return DictionaryObject({NameObject(key): pdf_object(item) for key, item in value.items()})
    if isinstance(value, (list, tuple)):
        return ArrayObject(pdf_object(item) for item in value)
    if isinstance(value, int):
        return BooleanObject(value) if isinstance(value, bool) else NumberObject(value)
    return NameObject(value) if value.startswith("/") else TextStringObject(value)


def assign(holder: DictionaryObject, key: str, value: Any) -> None:
    """Set an entry of a dictionary."""
    holder[NameObject(key)] = pdf_object(value)


class Pdf:
    """A PDF with changes to it, gathered and then written behind it.

    `front` are bytes before its header, from which its offsets do not count. `table` is the place of every object
    where the file's own table was not usable and had to be made anew, else None.
    """

    def __init__(self, name: str, front: bytes, data: bytes, reader: PdfReader, table: dict[int, Place] | None) -> None:
        self.name, self.front, self.data, self.reader, self.table = name, front, data, reader, table
        self._before = _last_section(data) if table is None else None
        numbers = [number for known in reader.xref.values() for number in known]
        size = int(resolved(reader.trailer.get("/Size", 0)))
        # The number of a stream of cross-references is in use too, though it need not list itself.
        self._next = 1 + max([size - 1, (self._before or (0, 0))[1], *numbers, *reader.xref_objStm])
        self._changed: dict[int, tuple[int, PdfObject]] = {}
        self.root: DictionaryObject = self.touch(cast("IndirectObject", reader.trailer.raw_get("/Root")))

    def touch(self, reference: IndirectObject) -> Any:
        """Return the object behind a reference and have it written anew."""
        if reference.idnum not in self._changed:
            self.put(reference, resolved(reference))
        return self._changed[reference.idnum][1]

    def put(self, reference: IndirectObject, value: PdfObject) -> None:
        """Put another object behind a reference."""
        self._changed[reference.idnum] = (reference.generation, value)

    def reserve(self) -> IndirectObject:
        """Return a reference to an object still to be put."""
        self._next += 1
        return IndirectObject(self._next - 1, 0, self.reader)

    def add(self, value: Any) -> IndirectObject:
        """Add an object and return the reference to it."""
        reference = self.reserve()
        self.put(reference, pdf_object(value))
        return reference

    def entry(self, key: str) -> DictionaryObject:
        """Return the catalogue's dictionary at a key to be written anew, made where there is none."""
        raw = self.root.raw_get(key) if key in self.root else None
        found = self.touch(raw) if isinstance(raw, IndirectObject) else raw
        if not isinstance(found, DictionaryObject):
            found = DictionaryObject()
            assign(self.root, key, found)
        return found

    def adopt(self, value: Any, known: dict[int, IndirectObject], *, without: Sequence[str] = ()) -> Any:
        """Copy an object of another PDF, and all it refers to, into this one."""
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
        entries = {key: self.adopt(value.raw_get(key), known) for key in value if key not in without}
        if isinstance(value, StreamObject):
            return StreamObject.initialize_from_dictionary({**entries, "__streamdata__": value._data})
        copy = DictionaryObject()
        copy.update(entries)
        return copy

    def rendered(self) -> bytes:
        """Return the old file followed by the update, which ends in the kind of table that the file has."""
        out = io.BytesIO()
        out.write(self.data if self.data.endswith(b"\n") else self.data + b"\n")
        places: dict[int, Place] = dict(self.table or {})
        for number, (generation, value) in sorted(self._changed.items(), key=lambda item: item[0]):
            places[number] = (1, out.tell(), generation)
            out.write(b"%d %d obj\n" % (number, generation))
            value.write_to_stream(out)
            out.write(b"\nendobj\n")
        earlier = self.reader.trailer
        trailer: dict[str, Any] = {
            NameObject(key): earlier.raw_get(key) for key in earlier if key not in _NOT_FOR_TRAILER
        }
        identifiers = resolved(trailer.get("/ID"))
        if isinstance(identifiers, ArrayObject) and identifiers:
            digest = hashlib.md5(out.getvalue(), usedforsecurity=False).digest()
            trailer[NameObject("/ID")] = ArrayObject([identifiers[0], ByteStringObject(digest)])
        start, own = self._before or (None, -1)
        if start is None or own:
            _write_stream(out, places, self._next, trailer, start)
        else:
            _write_table(out, places, self._next, trailer, start)
        return self.front + out.getvalue()

    def leaves(self) -> list[Leaf]:
        """Return the pages in order (7.7.3)."""
        found: list[Leaf] = []
        seen: set[int] = set()
        pending: list[tuple[Any, Any]] = [(self.reader.root_object.raw_get("/Pages"), None)]
        while pending:
            reference, parent = pending.pop()
            node = resolved(reference)
            sound = isinstance(reference, IndirectObject) and isinstance(node, DictionaryObject)
            inner = sound and "/Kids" in node
            if not sound or (inner and reference.idnum in seen) or not (inner or parent):
                raise AttachError(
                    "the PDF is damaged (its page tree)",
                    "save it again in the program it was made with, then try again",
                    file=self.name,
                )
            seen.add(reference.idnum)
            if inner:
                pending += [(kid, reference) for kid in reversed(resolved(node["/Kids"]))]
            else:
                found.append(Leaf(reference, parent))
        return found

    def put_kids(self, parent: IndirectObject, kids: Sequence[IndirectObject]) -> None:
        """Give a node of the page tree these kids, and it and all above it their count of pages."""
        node = self.touch(parent)
        change = len(kids) - len(resolved(node["/Kids"]))
        assign(node, "/Kids", kids)
        seen: set[int] = set()
        above: IndirectObject | None = parent
        while above is not None and above.idnum not in seen:
            seen.add(above.idnum)
            node = self.touch(above)
            assign(node, "/Count", int(resolved(node.get("/Count", 0))) + change)
            above = node.raw_get("/Parent") if "/Parent" in node else None

    def add_outline_item(self, title: str, page: IndirectObject) -> None:
        """Add an entry at the end of the outline's first level (12.3.3)."""
        raw: Any = self.root.raw_get("/Outlines") if "/Outlines" in self.root else None
        if not isinstance(resolved(raw), DictionaryObject):
            raw = self.add({"/Type": "/Outlines"})
        elif not isinstance(raw, IndirectObject):
            raw = self.add(raw)
        assign(self.root, "/Outlines", raw)
        outline = self.touch(raw)
        # By its chain: what the outline calls its last entry need not be it.
        following = outline.raw_get("/First") if "/First" in outline else None
        chain: list[IndirectObject] = []
        while following is not None and following.idnum not in [item.idnum for item in chain]:
            chain.append(following)
            item = resolved(following)
            following = item.raw_get("/Next") if "/Next" in item else None
        made = self.add({"/Title": title, "/Parent": raw, "/Dest": [page, "/Fit"]})
        if chain:
            assign(self.touch(chain[-1]), "/Next", made)
            assign(self.touch(made), "/Prev", chain[-1])
        else:
            assign(outline, "/First", made)
        assign(outline, "/Last", made)
        assign(outline, "/Count", max(int(resolved(outline.get("/Count", 0))), 0) + 1)

    def set_labels(self, wanted: Sequence[Label]) -> None:
        """Write the labels of all pages."""
        flat: list[Any] = []
        earlier: Label | None = None
        for place, (kind, number) in enumerate(wanted):
            if earlier is None or kind != earlier[0] or number != earlier[1] + 1:
                flat += [place, {**dict(kind), **({} if number == 1 else {"/St": number})}]
            earlier = (kind, number)
        assign(self.root, "/PageLabels", {"/Nums": flat})


def open_pdf(data: bytes, name: str) -> Pdf:
    """Open a PDF that can be extended; a table of objects that is out of order is made anew."""
    header = max(data.find(b"%PDF-", 0, 1024 + 5), 0)
    front, body = data[:header], data[header:]
    with damage_named(name):
        reader, complaints = _read(body, name)
        if front and (complaints or _last_section(body) is None):
            whole, more = _read(data, name)
            if whole is not None and not more:
                return Pdf(name, b"", data, whole, None)
        table = None
        if _OBJECT.search(body, max(body.rfind(b"%%EOF"), 0)):
            raise _Damaged("it is cut short")
        if _last_section(body) is None:
            raise _Damaged("its table of objects cannot be found")
        if complaints and b"%%EOF" in body[-1024:]:
            # What every reader does with such a file: find the objects themselves; the last of a number counts.
            with quiet():
                table, trailer = _found_objects(body)
                out = io.BytesIO()
                out.write(body if body.endswith(b"\n") else body + b"\n")
                _write_stream(out, table, 1 + max(table), trailer, None)
                reader, complaints = _read(out.getvalue(), name)
                _all_there(reader, table)
        if reader is None or complaints:
            raise _Damaged("its table of objects is out of order")
        return Pdf(name, front, body, reader, table)


def _read(data: bytes, name: str) -> tuple[PdfReader | None, list[str]]:
    """Read a PDF's table and pages, with what is wrong with the table; None where that fails."""
    encrypted = AttachError(
        "the PDF is encrypted", "save it without a password or restrictions, then attach", file=name
    )
    with quiet() as complaints:
        try:
            reader = Reader(io.BytesIO(data))
            if reader.is_encrypted:
                raise encrypted
            _ = reader.root_object, [page.get("/Type") for page in reader.pages]
        except DependencyError:
            raise encrypted from None
        except PDF_ERRORS as error:
            return None, [str(error) or type(error).__name__]
    return reader, list(complaints)


def _found_objects(data: bytes) -> tuple[dict[int, Place], dict[str, Any]]:
    """Find every object by its own words in the file, and what the trailers say; later ones count."""
    table: dict[int, Place] = {}
    trailer: dict[str, Any] = {}
    empty, stream = io.BytesIO(), io.BytesIO(data)
    PdfWriter().write(empty)
    owner = Reader(empty)
    position = 0
    for mark in sorted((*_OBJECT.finditer(data), *_TRAILER.finditer(data)), key=lambda mark: mark.start()):
        if mark.start() < position:
            continue  # inside the object before it
        stream.seek(mark.end())
        try:
            found: Any = read_object(stream, owner)
        except PDF_ERRORS:
            continue
        position = stream.tell()
        kind = found.get("/Type") if isinstance(found, DictionaryObject) else None
        if mark.re is _TRAILER or kind == "/XRef":
            trailer.update({key: found.raw_get(key) for key in found if key not in _NOT_FOR_TRAILER})
            continue
        number = int(mark[1])
        table[number] = (1, mark.start(), int(mark[2]))
        if kind == "/ObjStm":
            heads = found.get_data()[: int(found["/First"])].split()[: 2 * int(found["/N"]) : 2]
            table.update({int(inner): (2, number, index) for index, inner in enumerate(heads)})
    if "/Root" not in trailer:
        raise _Damaged("its list of pages is missing")
    return table, trailer


def _all_there(reader: PdfReader | None, table: dict[int, Place]) -> None:
    """Make sure that nothing a page needs is missing from a table made anew."""
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


def _last_section(data: bytes) -> tuple[int, int] | None:
    """Find the last cross-reference section and the number of its object (0: a table); None where it is not there."""
    marks = re.findall(rb"startxref\s+(\d+)", data)
    start = int(marks[-1]) if marks else -1
    head = data[start : start + 40].lstrip() if 0 < start < len(data) else b""
    if re.match(rb"xref\b", head):
        return start, 0
    stream = _OBJECT.match(head)
    return (start, int(stream[1])) if stream else None


def _write_table(out: io.BytesIO, places: dict[int, Place], size: int, entries: dict[str, Any], before: int) -> None:
    """Write a cross-reference table and its trailer (7.5.4 and 7.5.5)."""
    start = out.tell()
    out.write(b"xref\n0 1\n0000000000 65535 f \n")
    for first, count in _runs(places):
        out.write(b"%d %d\n" % (first, count))
        for number in range(first, first + count):
            out.write(b"%010d %05d n \n" % places[number][1:])
    out.write(b"trailer\n")
    pdf_object({**entries, "/Size": size, "/Prev": before}).write_to_stream(out)
    out.write(b"\nstartxref\n%d\n%%%%EOF\n" % start)


def _write_stream(
    out: io.BytesIO, places: dict[int, Place], own: int, entries: dict[str, Any], before: int | None
) -> None:
    """Write a cross-reference stream (7.5.8) of this object number; it is whole where none is before."""
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
    index = [item for run in _runs(places) for item in run]
    made = {**entries, "/Type": "/XRef", "/W": widths, "/Index": index, "/Size": own + 1}
    made |= {} if before is None else {"/Prev": before}
    whole: dict[str, Any] = {NameObject(key): pdf_object(item) for key, item in made.items()}
    stream: StreamObject = StreamObject.initialize_from_dictionary({**whole, "__streamdata__": rows})
    out.write(b"%d 0 obj\n" % own)
    stream.flate_encode().write_to_stream(out)
    out.write(b"\nendobj\nstartxref\n%d\n%%%%EOF\n" % start)


def _runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Group numbers into runs of (first, count)."""
    ordered = sorted(numbers)
    firsts = [ordered[0], *(b for a, b in pairwise(ordered) if b != a + 1)]
    ends = [*(a for a, b in pairwise(ordered) if b != a + 1), ordered[-1]]
    return [(first, end - first + 1) for first, end in zip(firsts, ends, strict=True)]


def outline_items(reader: PdfReader) -> Iterator[tuple[str, int | None]]:
    """Go through the outline: title, and number of the page object it leads to directly (12.3.3)."""
    outline = resolved(reader.root_object.get("/Outlines"))
    pending = [outline.raw_get("/First")] if isinstance(outline, DictionaryObject) and "/First" in outline else []
    seen: set[int] = set()
    while pending:
        reference = pending.pop()
        item = resolved(reference)
        known = isinstance(reference, IndirectObject) and reference.idnum in seen
        if known or not isinstance(reference, IndirectObject) or not isinstance(item, DictionaryObject):
            continue
        seen.add(reference.idnum)
        target, action = resolved(item.get("/Dest")), resolved(item.get("/A"))
        if target is None and isinstance(action, DictionaryObject):
            target = resolved(action.get("/D"))
        leads = isinstance(target, ArrayObject) and target and isinstance(target[0], IndirectObject)
        yield str(resolved(item.get("/Title", ""))), int(target[0].idnum) if leads else None
        pending += [item.raw_get(key) for key in ("/Next", "/First") if key in item]


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
    # Whoever silenced the library before (the reader of PDF sheets does) must not silence this.
    logger.setLevel(logging.WARNING)
    logger.disabled, logger.propagate = False, False
    try:
        yield handler.messages
    finally:
        logger.removeHandler(handler)
        logger.setLevel(level)
        logger.disabled, logger.propagate = disabled, passed_on


class _Damaged(ValueError):
    """What is wrong with a PDF, in our own words; the library's are not for the user."""


@contextmanager
def damage_named(name: str) -> Iterator[None]:
    """Say in plain words that a PDF is damaged, whatever the reading library stumbles over."""
    try:
        yield
    except PDF_ERRORS as error:
        how = f": {error}" if isinstance(error, _Damaged) else ""
        raise AttachError(f"the PDF is damaged{how}", _SAVE_AGAIN, file=name) from error


@contextmanager
def guarded(name: str) -> Iterator[None]:
    """Take a PDF apart in bounded time, in silence, and with any damage named."""
    with within(TIME_S, name), quiet(), damage_named(name):
        yield


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
