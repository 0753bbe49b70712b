"""What an old workbook (xls) says of its cells besides their values."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from flowkit.errors import SheetError
from flowkit.importers.files.grid import MAX_CELLS_IN_FILE, MAX_SHEETS, SheetFacts, check_extent

MAGIC = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_LAST_REGULAR = 0xFFFFFFFA
_ENTRY = 128
_MINI_CUTOFF = 4096


@dataclass(frozen=True, slots=True)
class _Stream:
    """Where a stream begins and how long it is."""

    start: int
    size: int


class CompoundFile:
    """A compound file's streams."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        if len(data) < 512 or not data.startswith(MAGIC):
            raise self._broken()
        shift, mini_shift = struct.unpack_from("<HH", data, 30)
        if shift not in (9, 12) or mini_shift != 6:
            raise self._broken()
        self._sector = 1 << shift
        # Readers make room for what these numbers promise.
        directory_count, fat_count = struct.unpack_from("<II", data, 40)
        mini_fat_count, difat_total = struct.unpack_from("<I4xI", data, 64)
        if max(directory_count, fat_count, mini_fat_count, difat_total) > len(data) // self._sector + 1:
            raise self._broken()
        directory_start, mini_start, mini_count, difat_start, difat_count = (
            *struct.unpack_from("<I", data, 48),
            *struct.unpack_from("<IIII", data, 60),
        )
        self._fat = self._read_fat(difat_start, difat_count)
        self._minifat = self._numbers(self._chain(mini_start)) if mini_count else ()
        self._streams, root = self._read_directory(self._chain(directory_start))
        self._mini = self._chain(root.start)[: root.size] if root and root.size else b""

    def _broken(self) -> SheetError:
        """Return the error for a file whose structure does not hold."""
        return SheetError(
            "the file is cut off or broken: its structure is inconsistent",
            "open it in the spreadsheet program and save it again as xlsx",
        )

    def _at(self, sector: int) -> bytes:
        """Return one sector."""
        start = (sector + 1) * self._sector
        found = self._data[start : start + self._sector]
        if not found:
            raise self._broken()
        return found

    @staticmethod
    def _numbers(data: bytes) -> tuple[int, ...]:
        """Read sector numbers."""
        return struct.unpack(f"<{len(data) // 4}I", data[: len(data) // 4 * 4])

    def _read_fat(self, difat_start: int, difat_count: int) -> tuple[int, ...]:
        """Read which sector follows which."""
        sectors = list(struct.unpack_from("<109I", self._data, 76))
        limit = len(self._data) // self._sector + 1
        at = difat_start
        for _ in range(min(difat_count, limit)):
            if at >= _LAST_REGULAR:
                break
            numbers = self._numbers(self._at(at))
            sectors += numbers[:-1]
            at = numbers[-1]
        used = [sector for sector in sectors if sector < _LAST_REGULAR]
        if len(used) > limit:
            raise self._broken()
        return self._numbers(b"".join(self._at(sector) for sector in used))

    def _chain(self, sector: int) -> bytes:
        """Return the sectors of a chain, one after the other; a chain that loops is broken."""
        parts = []
        seen = set()
        while sector < _LAST_REGULAR:
            if sector in seen or sector >= len(self._fat):
                raise self._broken()
            seen.add(sector)
            parts.append(self._at(sector))
            sector = self._fat[sector]
        return b"".join(parts)

    def _read_directory(self, data: bytes) -> tuple[dict[str, _Stream], _Stream | None]:
        """Read the directory: each stream by its name, and the root, which keeps the small ones."""
        if len(data) % _ENTRY:
            raise self._broken()  # the file ends within the directory
        streams: dict[str, _Stream] = {}
        root = None
        for at in range(0, len(data), _ENTRY):
            length, kind = struct.unpack_from("<HB", data, at + 64)
            start, size = struct.unpack_from("<II" if self._sector == 512 else "<IQ", data, at + 116)
            if kind in (2, 5) and size > len(self._data):
                raise self._broken()
            name = data[at : at + min(max(length - 2, 0), 62)].decode("utf-16-le", errors="replace")
            if kind == 5:
                root = _Stream(start, size)
            elif kind == 2:
                streams.setdefault(name.lower(), _Stream(start, size))
        return streams, root

    def __contains__(self, name: str) -> bool:
        """Tell whether there is a stream of that name, in any case."""
        return name.lower() in self._streams

    def stream(self, name: str) -> bytes:
        """Return a stream's bytes."""
        found = self._streams[name.lower()]
        data = self._chain(found.start) if found.size >= _MINI_CUTOFF else self._mini_chain(found.start)
        if len(data) < found.size:
            raise self._broken()
        return data[: found.size]

    def _mini_chain(self, sector: int) -> bytes:
        """Return a small stream's bytes."""
        parts = []
        seen = set()
        while sector < _LAST_REGULAR:
            part = self._mini[sector * 64 : sector * 64 + 64]
            if sector in seen or sector >= len(self._minifat) or not part:
                raise self._broken()
            seen.add(sector)
            parts.append(part)
            sector = self._minifat[sector]
        return b"".join(parts)


_FONT = 0x31
_FORMULA, _EOF, _FILEPASS, _COLINFO, _BOUNDSHEET, _MULRK, _XF = 0x06, 0x0A, 0x2F, 0x7D, 0x85, 0xBD, 0xE0

_SST, _DIMENSIONS, _NUMBER, _BOOLERR, _ROW, _RK, _FORMAT = 0xFC, 0x200, 0x203, 0x205, 0x208, 0x27E, 0x41E

_CELLS = {_FORMULA, _NUMBER, _BOOLERR, _RK, 0x204, 0xFD, 0xD6}  # and LABEL, LABELSST, RSTRING
_NUMBERS = (_FORMULA, _NUMBER, _RK)
_ERRORS = {0: "#NULL!", 7: "#DIV/0!", 15: "#VALUE!", 23: "#REF!", 29: "#NAME?", 36: "#NUM!", 42: "#N/A"}
_WORKSHEET = 0
_PERCENT_BUILTIN = (9, 10)
Record = tuple[int, bytes]


@dataclass(slots=True)
class _Globals:
    """What the workbook's own records say."""

    sheets: list[tuple[str, int, int]] = field(default_factory=list)  # name, kind, where its records begin
    struck_fonts: set[int] = field(default_factory=set)
    fonts: int = 0
    style_fonts: list[int] = field(default_factory=list)
    percent_formats: set[int] = field(default_factory=lambda: set(_PERCENT_BUILTIN))
    styles: list[int] = field(default_factory=list)


def xls_facts(data: bytes) -> tuple[SheetFacts | None, ...]:
    """Collect the facts of every worksheet, and hold the limits."""
    compound = CompoundFile(data)
    if "EncryptedPackage" in compound:
        raise _encrypted()
    name = next((name for name in ("Workbook", "Book") if name in compound), None)
    if name is None:
        raise SheetError("this is an old binary document, not a spreadsheet", "save the sheet as xlsx or csv")
    stream = compound.stream(name)
    book = _read_globals(stream)
    if len(book.sheets) > MAX_SHEETS:
        raise SheetError(
            f"the file has {len(book.sheets)} sheets; flowkit reads up to {MAX_SHEETS}", "split it into several files"
        )
    percent = {nth for nth, number_format in enumerate(book.styles) if number_format in book.percent_formats}
    struck = {nth for nth, font in enumerate(book.style_fonts) if font in book.struck_fonts}
    facts: list[SheetFacts | None] = []
    cells = 0
    for sheet_name, kind, start in book.sheets:
        sheet = _read_sheet(stream, start, percent, struck, sheet_name=sheet_name)
        check_extent(sheet.rows, sheet.columns, sheet_name)
        cells += sheet.rows * sheet.columns
        if cells > MAX_CELLS_IN_FILE:
            raise SheetError(
                f"the file's sheets span more than the {MAX_CELLS_IN_FILE} cells flowkit reads",
                "split it into several files",
            )
        if sheet.formula_gaps != sheet.formulas:
            sheet.formula_gaps = set()  # formulas that are blank one and all were never computed
        facts.append(sheet if kind == _WORKSHEET else None)
    return tuple(facts)


def without_macros(data: bytes) -> bytes:
    """Hide a workbook's macros from the reader, which would unpack them all whatever their size."""
    name = "_VBA_PROJECT_CUR".encode("utf-16-le")
    return data.replace(name, b"x" + name[1:])


def _encrypted() -> SheetError:
    """Return the error for a file with a password."""
    return SheetError("the file is encrypted", "save it without a password in the spreadsheet program")


def _broken(how: str) -> SheetError:
    """Return the error for a file that contradicts itself."""
    return SheetError(f"the file is broken: {how}", "open it in the spreadsheet program and save it again as xlsx")


def _records(stream: bytes, start: int) -> Iterator[Record]:
    """Yield a substream's records, from its beginning to its end mark."""
    depth = 0
    at = start
    while at + 4 <= len(stream):
        kind, length = struct.unpack_from("<HH", stream, at)
        yield kind, stream[at + 4 : at + 4 + length]
        # Charts within a sheet are substreams of their own, inside it.
        depth += (kind & 0xFF == 0x09) - (kind == _EOF)
        if kind == _EOF and depth <= 0:
            return
        at += 4 + length


def _read_globals(stream: bytes) -> _Globals:
    """Read the workbook's own records."""
    book = _Globals()
    for kind, body in _records(stream, 0):
        if kind == _FILEPASS:
            raise _encrypted()
        if kind == _BOUNDSHEET and len(body) >= 8:
            start, _, sheet_kind, length, wide = struct.unpack_from("<IBBBB", body)
            raw = body[8 : 8 + length * (2 if wide & 1 else 1)]
            name = raw.decode("utf-16-le" if wide & 1 else "latin-1", errors="replace")
            book.sheets.append((name, sheet_kind, start))
        elif kind == _FORMAT and len(body) >= 5:
            text = body[5:].decode("utf-16-le" if body[4] & 1 else "latin-1", errors="replace")
            if "%" in text:
                book.percent_formats.add(int.from_bytes(body[:2], "little"))
        elif kind == _SST and (len(body) < 8 or int.from_bytes(body[4:8], "little") > len(stream)):
            # The reader makes room for as many texts as are promised here.
            raise _broken("it announces more text than it holds")
        elif kind == _XF and len(body) >= 4:
            book.styles.append(int.from_bytes(body[2:4], "little"))
            book.style_fonts.append(int.from_bytes(body[:2], "little"))
        elif kind == _FONT and len(body) >= 4:
            # There is no font of index 4: the fifth in the file is called 5.
            if int.from_bytes(body[2:4], "little") & 0x08:
                book.struck_fonts.add(book.fonts if book.fonts < 4 else book.fonts + 1)
            book.fonts += 1
    return book


def _read_sheet(  # noqa: PLR0912
    stream: bytes, start: int, percent: set[int], struck: set[int], *, sheet_name: str
) -> SheetFacts:
    """Read one sheet's records."""
    sheet = SheetFacts()
    for kind, body in _records(stream, start):
        if kind == _FILEPASS:
            raise _encrypted()
        if kind in _CELLS and len(body) >= 6:
            _take_cell(sheet, kind, body, percent)
            if struck and int.from_bytes(body[4:6], "little") in struck:
                sheet.struck.add(struct.unpack_from("<HH", body))
        elif kind == _DIMENSIONS and len(body) >= 10:
            # Not to be believed, but the reader makes room for it.
            first_row, rows, first, columns = struct.unpack_from("<IIHH" if len(body) >= 14 else "<HHHH", body)
            if first_row > rows or first > columns:
                raise _broken("its sheet ends before it begins")
            check_extent(rows, columns, sheet_name)
        elif kind == _MULRK and len(body) >= 6:
            row, first = struct.unpack_from("<HH", body)
            sheet.rows = max(sheet.rows, row + 1)
            sheet.columns = max(sheet.columns, first + (len(body) - 6) // 6)
            for nth in range((len(body) - 6) // 6):
                if int.from_bytes(body[4 + 6 * nth : 6 + 6 * nth], "little") in percent:
                    sheet.percent_cells.add((row, first + nth))
                if int.from_bytes(body[4 + 6 * nth : 6 + 6 * nth], "little") in struck:
                    sheet.struck.add((row, first + nth))
        elif kind == _ROW and len(body) >= 16:
            row, flags = struct.unpack_from("<H10xH", body)
            if flags & 0x20:
                sheet.hidden_rows.add(row)
        elif kind == _COLINFO and len(body) >= 10:
            first, last, _, _, flags = struct.unpack_from("<HHHHH", body)
            if flags & 1:
                sheet.hidden_columns.update(range(first, min(last, 255) + 1))
    return sheet


def _take_cell(sheet: SheetFacts, kind: int, body: bytes, percent: set[int]) -> None:
    """Take one cell's record."""
    row, column, style = struct.unpack_from("<HHH", body)
    sheet.rows, sheet.columns = max(sheet.rows, row + 1), max(sheet.columns, column + 1)
    if kind in _NUMBERS and style in percent:
        sheet.percent_cells.add((row, column))
    if kind == _BOOLERR and len(body) >= 8 and body[7]:
        sheet.errors[row, column] = _ERRORS.get(body[6], "#VALUE!")
    elif kind == _FORMULA and len(body) >= 14:
        sheet.formulas.add((row, column))
        if body[12:14] == b"\xff\xff":
            if body[6] == 2:
                sheet.errors[row, column] = _ERRORS.get(body[8], "#VALUE!")
            elif body[6] == 3:
                sheet.formula_gaps.add((row, column))
