"""What an old workbook (xls) says of its cells besides their values."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from flowkit.errors import SheetError
from flowkit.importers.files.grid import SheetFacts, broken, check_extent, check_sheets, encrypted

MAGIC = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_LAST_REGULAR = 0xFFFFFFFA
_ENTRY = 128
_MINI_CUTOFF, _MINI_SECTOR = 4096, 64
_INCONSISTENT = "the file is cut off or broken: its structure is inconsistent"
_FORMULA, _EOF, _FILEPASS, _FONT, _COLINFO, _BOUNDSHEET, _MULRK, _XF = 0x06, 0x0A, 0x2F, 0x31, 0x7D, 0x85, 0xBD, 0xE0
_SST, _DIMENSIONS, _NUMBER, _BOOLERR, _ROW, _RK, _FORMAT = 0xFC, 0x200, 0x203, 0x205, 0x208, 0x27E, 0x41E
_CELLS = {_FORMULA, _NUMBER, _BOOLERR, _RK, 0x204, 0xFD, 0xD6}  # and LABEL, LABELSST, RSTRING
_NUMBERS = (_FORMULA, _NUMBER, _RK)
_ERRORS = {0: "#NULL!", 7: "#DIV/0!", 15: "#VALUE!", 23: "#REF!", 29: "#NAME?", 36: "#NUM!", 42: "#N/A"}
_WORKSHEET = 0
_PERCENT_BUILTIN = (9, 10)


def _numbers(data: bytes) -> tuple[int, ...]:
    """Read sector numbers."""
    return struct.unpack(f"<{len(data) // 4}I", data[: len(data) // 4 * 4])


class CompoundFile:
    """A compound file's streams."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        if len(data) < 512 or not data.startswith(MAGIC):
            raise broken(_INCONSISTENT)
        shift, mini_shift = struct.unpack_from("<HH", data, 30)
        if shift not in (9, 12) or mini_shift != 6:
            raise broken(_INCONSISTENT)
        self._sector = 1 << shift
        most = len(data) // self._sector + 1
        directories, fats, directory = struct.unpack_from("<III", data, 40)
        mini_start, mini_count, difat, difat_count = struct.unpack_from("<IIII", data, 60)
        if max(directories, fats, mini_count, difat_count) > most:
            raise broken(_INCONSISTENT)  # readers make room for what these numbers promise
        sectors = list(struct.unpack_from("<109I", data, 76))
        for _ in range(difat_count):
            if difat >= _LAST_REGULAR:
                break
            *numbers, difat = _numbers(self._at(difat)) or (_LAST_REGULAR,)
            sectors += numbers
        used = [sector for sector in sectors if sector < _LAST_REGULAR]
        if len(used) > most:
            raise broken(_INCONSISTENT)
        self._fat = _numbers(b"".join(self._at(sector) for sector in used))
        self._minifat = _numbers(self._chain(mini_start)) if mini_count else ()
        self._streams: dict[str, tuple[int, int]] = {}  # name -> where it begins, how long it is
        self._mini = b""  # the stream of the root, which keeps the small ones
        entries = self._chain(directory)
        if len(entries) % _ENTRY:
            raise broken(_INCONSISTENT)  # the file ends within the directory
        root = (0, 0)
        for at in range(0, len(entries), _ENTRY):
            length, kind = struct.unpack_from("<HB", entries, at + 64)
            start, size = struct.unpack_from("<II" if self._sector == 512 else "<IQ", entries, at + 116)
            if kind in (2, 5) and size > len(data):
                raise broken(_INCONSISTENT)
            name = entries[at : at + min(max(length - 2, 0), 62)].decode("utf-16-le", errors="replace")
            if kind == 5:
                root = (start, size)
            elif kind == 2:
                self._streams.setdefault(name.lower(), (start, size))
        if root[1]:
            self._mini = self._chain(root[0])[: root[1]]

    def _at(self, sector: int) -> bytes:
        """Return one sector."""
        start = (sector + 1) * self._sector
        found = self._data[start : start + self._sector]
        if not found:
            raise broken(_INCONSISTENT)
        return found

    def _chain(self, sector: int, *, mini: bool = False) -> bytes:
        """Return the sectors of a chain, one after the other; a chain that loops is broken."""
        following = self._minifat if mini else self._fat
        parts = []
        seen = set()
        while sector < _LAST_REGULAR:
            if sector in seen or sector >= len(following):
                raise broken(_INCONSISTENT)
            seen.add(sector)
            start = sector * _MINI_SECTOR
            parts.append(self._mini[start : start + _MINI_SECTOR] if mini else self._at(sector))
            if not parts[-1]:
                raise broken(_INCONSISTENT)
            sector = following[sector]
        return b"".join(parts)

    def __contains__(self, name: str) -> bool:
        """Tell whether there is a stream of that name, in any case."""
        return name.lower() in self._streams

    def stream(self, name: str) -> bytes:
        """Return a stream's bytes."""
        start, size = self._streams[name.lower()]
        data = self._chain(start, mini=size < _MINI_CUTOFF)
        if len(data) < size:
            raise broken(_INCONSISTENT)
        return data[:size]


def xls_facts(data: bytes) -> tuple[SheetFacts | None, ...]:
    """Collect the facts of every worksheet, and hold the limits."""
    compound = CompoundFile(data)
    if "EncryptedPackage" in compound:
        raise encrypted()
    name = next((name for name in ("Workbook", "Book") if name in compound), None)
    if name is None:
        raise SheetError("this is an old binary document, not a spreadsheet", "save the sheet as xlsx or csv")
    stream = compound.stream(name)
    sheets, percent, struck = _read_globals(stream)
    check_sheets(len(sheets), 0)
    facts: list[SheetFacts | None] = []
    cells = 0
    for sheet_name, kind, start in sheets:
        sheet = _read_sheet(stream, start, percent, struck, sheet_name=sheet_name)
        check_extent(sheet.rows, sheet.columns, sheet_name)
        cells += sheet.rows * sheet.columns
        check_sheets(len(sheets), cells)
        if sheet.formula_gaps != sheet.formulas:
            sheet.formula_gaps = set()  # formulas that are blank one and all were never computed
        facts.append(sheet if kind == _WORKSHEET else None)
    return tuple(facts)


def without_macros(data: bytes) -> bytes:
    """Hide a workbook's macros from the reader, which would unpack them all whatever their size."""
    name = "_VBA_PROJECT_CUR".encode("utf-16-le")
    return data.replace(name, b"x" + name[1:])


def _records(stream: bytes, start: int) -> Iterator[tuple[int, bytes]]:
    """Yield the kinds and bodies of a substream's records, from its beginning to its end mark."""
    depth = 0
    at = start
    while at + 4 <= len(stream):
        kind, length = struct.unpack_from("<HH", stream, at)
        if kind == _FILEPASS:
            raise encrypted()
        yield kind, stream[at + 4 : at + 4 + length]
        # Charts within a sheet are substreams of their own, inside it.
        depth += (kind & 0xFF == 0x09) - (kind == _EOF)
        if kind == _EOF and depth <= 0:
            return
        at += 4 + length


def _read_globals(stream: bytes) -> tuple[list[tuple[str, int, int]], set[int], set[int]]:
    """Read the workbook's records: sheets (name, kind, start), and the styles of percent and of struck-out cells."""
    sheets: list[tuple[str, int, int]] = []
    styles: list[tuple[int, int]] = []  # number format and font
    percent_formats, struck_fonts, fonts = set(_PERCENT_BUILTIN), set(), 0
    for kind, body in _records(stream, 0):
        if kind == _BOUNDSHEET and len(body) >= 8:
            start, _, sheet_kind, length, wide = struct.unpack_from("<IBBBB", body)
            raw = body[8 : 8 + length * (2 if wide & 1 else 1)]
            sheets.append((raw.decode("utf-16-le" if wide & 1 else "latin-1", errors="replace"), sheet_kind, start))
        elif kind == _FORMAT and len(body) >= 5:
            if "%" in body[5:].decode("utf-16-le" if body[4] & 1 else "latin-1", errors="replace"):
                percent_formats.add(int.from_bytes(body[:2], "little"))
        elif kind == _SST and (len(body) < 8 or int.from_bytes(body[4:8], "little") > len(stream)):
            # The reader makes room for as many texts as are promised here.
            raise broken("the file is broken: it announces more text than it holds")
        elif kind == _XF and len(body) >= 4:
            styles.append((int.from_bytes(body[2:4], "little"), int.from_bytes(body[:2], "little")))
        elif kind == _FONT and len(body) >= 4:
            # There is no font of index 4: the fifth in the file is called 5.
            if int.from_bytes(body[2:4], "little") & 0x08:
                struck_fonts.add(fonts if fonts < 4 else fonts + 1)
            fonts += 1
    percent = {nth for nth, (number_format, _) in enumerate(styles) if number_format in percent_formats}
    return sheets, percent, {nth for nth, (_, font) in enumerate(styles) if font in struck_fonts}


def _read_sheet(  # noqa: PLR0912
    stream: bytes, start: int, percent: set[int], struck: set[int], *, sheet_name: str
) -> SheetFacts:
    """Read one sheet's records."""
    sheet = SheetFacts()
    for kind, body in _records(stream, start):
        if kind in _CELLS and len(body) >= 6:
            row, column, style = struct.unpack_from("<HHH", body)
            sheet.reach(row, column)
            if kind in _NUMBERS and style in percent:
                sheet.percent_cells.add((row, column))
            if style in struck:
                sheet.struck.add((row, column))
            if kind == _BOOLERR and len(body) >= 8 and body[7]:
                sheet.errors[row, column] = _ERRORS.get(body[6], "#VALUE!")
            elif kind == _FORMULA and len(body) >= 14:
                sheet.formulas.add((row, column))
                if body[12:14] == b"\xff\xff" and body[6] == 2:
                    sheet.errors[row, column] = _ERRORS.get(body[8], "#VALUE!")
                elif body[12:14] == b"\xff\xff" and body[6] == 3:
                    sheet.formula_gaps.add((row, column))
        elif kind == _DIMENSIONS and len(body) >= 10:
            # Not to be believed, but the reader makes room for it.
            first_row, rows, first, columns = struct.unpack_from("<IIHH" if len(body) >= 14 else "<HHHH", body)
            if first_row > rows or first > columns:
                raise broken("the file is broken: its sheet ends before it begins")
            check_extent(rows, columns, sheet_name)
        elif kind == _MULRK and len(body) >= 6:
            row, first = struct.unpack_from("<HH", body)
            count = (len(body) - 6) // 6
            sheet.reach(row, first + count - 1)
            for nth in range(count):
                style = int.from_bytes(body[4 + 6 * nth : 6 + 6 * nth], "little")
                sheet.percent_cells |= {(row, first + nth)} if style in percent else set()
                sheet.struck |= {(row, first + nth)} if style in struck else set()
        elif kind == _ROW and len(body) >= 16:
            row, flags = struct.unpack_from("<H10xH", body)
            if flags & 0x20:
                sheet.hidden_rows.add(row)
        elif kind == _COLINFO and len(body) >= 10:
            first, last, _, _, flags = struct.unpack_from("<HHHHH", body)
            if flags & 1:
                sheet.hidden_columns.update(range(first, min(last, 255) + 1))
    return sheet
