"""A workbook (xlsx, xlsm, xls, ods) to grids: its values by the reader, its facts by its own files."""

from __future__ import annotations

import datetime
import io
import math
import os
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from xml.parsers import expat

from python_calamine import (
    CalamineError,
    CalamineSheet,
    CalamineWorkbook,
    SheetMetadata,
    SheetTypeEnum,
    SheetVisibleEnum,
)

from flowkit.errors import SheetError
from flowkit.importers.files.grid import (
    MAX_ARCHIVE_MEMBERS,
    MAX_CELLS,
    MAX_INFLATED_BYTES,
    MAX_PART_BYTES,
    Cell,
    CellValue,
    Grid,
    SheetFacts,
    megabytes,
)
from flowkit.importers.files.text import decimal_comma

__all__ = ["Attributes", "package_parts", "parse_xml", "workbook_grids"]

Attributes = dict[str, str]


def parse_xml(
    xml: bytes,
    label: str,
    part: str,
    *,
    start: Callable[[str, Attributes], None],
    end: Callable[[str], None] | None = None,
    text: Callable[[str], None] | None = None,
) -> None:
    """Parse an XML part, calling back for each element."""

    def refuse(*_: object) -> None:
        """Refuse a document type before anything in it is expanded."""
        raise SheetError(
            f"the file's part {part!r} declares a document type, which no spreadsheet program does",
            "do not open it if it came from a stranger; else save it again in the spreadsheet program",
            file=label,
        )

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = start
    if end is not None:
        parser.EndElementHandler = end
    if text is not None:
        parser.CharacterDataHandler = text
    try:
        parser.Parse(xml, True)
    except (expat.ExpatError, ValueError, LookupError) as error:
        raise SheetError(
            f"the file is broken: its part {part!r} is not proper XML ({error})",
            "open it in the spreadsheet program and save it again",
            file=label,
        ) from error


_PICTURES = (".png", ".jpg", ".jpeg", ".gif", ".bmp", ".tif", ".tiff", ".emf", ".wmf", ".svg", ".webp", ".mp4", ".wdp")

# No reader of cells looks at these.
_ASIDE = ("xl/theme/", "xl/media/", "xl/drawings/", "xl/printersettings/", "docprops/", "thumbnails/", "pictures/")

_LOCAL_HEADER = struct.Struct("<4s22xHH")

_BROKEN = "open it in the spreadsheet program and save it again, or ask for the file once more"


def package_parts(data: bytes, label: str) -> Mapping[str, bytes]:
    """Inflate the parts of a package.

    Pictures, themes and the like are left out: no reader of cells looks at them.
    """
    try:
        members = zipfile.ZipFile(io.BytesIO(data)).infolist()
    except (zipfile.BadZipFile, ValueError, OSError, OverflowError, NotImplementedError, struct.error) as error:
        raise SheetError("the file is cut off or broken: its package cannot be opened", _BROKEN, file=label) from error
    if len(members) > MAX_ARCHIVE_MEMBERS:
        raise SheetError(
            f"the file is a package of {len(members)} parts; flowkit reads up to {MAX_ARCHIVE_MEMBERS}",
            "save the bench's sheet on its own",
            file=label,
        )
    parts: dict[str, bytes] = {}
    room = MAX_INFLATED_BYTES
    for member in members:
        if member.flag_bits & 1:
            raise SheetError(
                "the file is encrypted", "save it without a password in the spreadsheet program", file=label
            )
        # Readers do not tell capitals apart here, so two such names would be one part with two contents.
        name = member.filename.lower().replace("\\", "/")
        if name.endswith("/") or name.startswith(_ASIDE) or (name.endswith(_PICTURES) and "/worksheets/" not in name):
            continue
        if name in parts:
            raise SheetError(f"the file is broken: it holds the part {name!r} twice", _BROKEN, file=label)
        parts[name] = part = _inflated(data, member, min(room, MAX_PART_BYTES), label)
        room -= len(part)
    return parts


def _inflated(data: bytes, member: zipfile.ZipInfo, limit: int, label: str) -> bytes:
    """Inflate one part, up to a limit."""
    at = member.header_offset
    header = data[at : at + _LOCAL_HEADER.size]
    broken = SheetError(f"the file is broken at its part {member.filename!r}", _BROKEN, file=label)
    if at < 0 or len(header) < _LOCAL_HEADER.size or not header.startswith(b"PK\x03\x04"):
        raise broken
    _, name_length, extra_length = _LOCAL_HEADER.unpack(header)
    start = at + _LOCAL_HEADER.size + name_length + extra_length
    packed = memoryview(data)[start : start + member.compress_size]
    if len(packed) < member.compress_size or member.compress_size < 0:
        raise broken
    if member.compress_type == zipfile.ZIP_STORED:
        part = bytes(packed[: limit + 1])
    elif member.compress_type == zipfile.ZIP_DEFLATED:
        inflater = zlib.decompressobj(-zlib.MAX_WBITS)
        try:
            part = inflater.decompress(packed, limit + 1)
        except zlib.error as error:
            raise broken from error
    else:
        raise SheetError(
            f"the file's part {member.filename!r} is packed in a way flowkit does not read", _BROKEN, file=label
        )
    if len(part) > limit:
        raise SheetError(
            f"the file inflates beyond what flowkit reads ({megabytes(MAX_PART_BYTES)} a part, "
            f"{megabytes(MAX_INFLATED_BYTES)} in all)",
            "save the bench's sheet on its own; if it came by mail from a stranger, do not open it",
            file=label,
        )
    if len(part) != member.file_size:
        raise broken
    return part


Rows = tuple[tuple[CellValue, ...], ...]

Range = tuple[int, int, int, int]

_MEND = "open it in the spreadsheet program and save it again as xlsx"

_OTHER_PACKAGES = (
    ("xl/workbook.bin", "this is a binary workbook (xlsb), which flowkit does not read", "save it as xlsx"),
    ("word/document.xml", "this is a text document, not a sheet", "save its table as xlsx or csv"),
    ("ppt/presentation.xml", "this is a presentation, not a sheet", "save its table as xlsx or csv"),
)


def workbook_grids(data: bytes, label: str) -> tuple[Grid, ...]:
    """Read the bytes of a workbook into grids."""
    facts = _facts(data, label)
    if data.startswith(b"PK"):
        sheets = _sheets(data, label)
    else:
        from flowkit.importers.files.xls import without_macros

        with _quiet():
            sheets = _sheets(without_macros(data), label)
    if len(sheets) != len(facts):
        raise _unreadable(label, ValueError("its list of sheets can be read in two ways"))
    grids = [
        _grid(sheet, label, meta.name, hidden=meta.visible != SheetVisibleEnum.Visible, facts=fact or SheetFacts())
        for (meta, sheet), fact in zip(sheets, facts, strict=True)
        if sheet is not None
    ]
    if not grids:
        raise SheetError("the file holds no worksheet, only charts or macros", "send the sheet itself", file=label)
    return tuple(grids)


def _sheets(data: bytes, label: str) -> list[tuple[SheetMetadata, CalamineSheet | None]]:
    """Let the reader read every worksheet."""
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        return [
            (meta, book.get_sheet_by_index(index) if meta.typ == SheetTypeEnum.WorkSheet else None)
            for index, meta in enumerate(book.sheets_metadata)
        ]
    except (CalamineError, OSError, ValueError) as error:
        raise _unreadable(label, error) from error
    except BaseException as error:
        # The reader's own crashes arrive as a panic that is no Exception.
        if type(error).__module__ != "pyo3_runtime":
            raise
        raise _unreadable(label, error) from error


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep off the terminal what the reader writes there by itself when it trips over a broken xls."""
    try:
        kept = os.dup(2)
    except OSError:  # there is no terminal and no file behind it
        yield
        return
    try:
        with open(os.devnull, "wb") as nowhere:  # noqa: PTH123
            os.dup2(nowhere.fileno(), 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def _unreadable(label: str, error: BaseException) -> SheetError:
    """Return the error for a workbook the reader gave up on."""
    reason = str(error).splitlines()[0][:200] if str(error) else type(error).__name__
    return SheetError(f"the file is cut off or broken ({reason})", _MEND, file=label)


def _facts(data: bytes, label: str) -> Sequence[SheetFacts | None]:
    """Look at the file's own parts: what it is, how large, and what its cells are besides their values."""
    if not data.startswith(b"PK"):
        from flowkit.importers.files.xls import xls_facts

        return xls_facts(data, label)
    from flowkit.importers.files.workbook import package_parts

    parts = package_parts(data, label)
    if "xl/workbook.xml" in parts:
        from flowkit.importers.files.xlsx import xlsx_facts

        return xlsx_facts(parts, label)
    if "content.xml" in parts and b"spreadsheet" in parts.get("mimetype", b"spreadsheet"):
        from flowkit.importers.files.ods import ods_facts

        return ods_facts(parts, label)
    for part, problem, remedy in _OTHER_PACKAGES:
        if part in parts:
            raise SheetError(problem, remedy, file=label)
    raise SheetError("this is a zip archive, not a sheet", "unpack it and name the sheets in it", file=label)


def _grid(sheet: CalamineSheet, label: str, name: str, *, hidden: bool, facts: SheetFacts) -> Grid:
    """Put a worksheet's values and facts together."""
    end = sheet.end
    if end is not None and (end[0] + 1) * (end[1] + 1) > MAX_CELLS:
        raise SheetError(
            f"the sheet spans more than the {MAX_CELLS} cells flowkit reads", _MEND, file=label, sheet=name
        )
    rows = tuple([_row(row) for row in sheet.to_python(skip_empty_area=False)])
    if facts.errors:
        rows = _with_errors(rows, facts.errors)
    merged = facts.merged or tuple((*first, *last) for first, last in sheet.merged_cell_ranges or ())
    texts = [cell for row in rows for cell in row if type(cell) is str]
    return Grid(
        label,
        name,
        rows,
        hidden=hidden or facts.hidden,
        hidden_rows=facts.hidden_rows,
        hidden_columns=facts.hidden_columns,
        merged=_within(merged, rows) if merged else (),
        percent_cells=facts.percent_cells,
        struck=facts.struck,
        formula_gaps=facts.formula_gaps,
        decimal_comma=decimal_comma(texts),
    )


def _row(row: Sequence[object]) -> tuple[CellValue, ...]:
    """Return a row's values; most rows are finite numbers throughout, which needs no look at each."""
    if {*map(type, row)} == {float} and math.isfinite(sum(row)):  # type: ignore[arg-type]
        return tuple(row)  # type: ignore[arg-type]
    return tuple([_cell(value) for value in row])


def _cell(value: object) -> CellValue:
    """Return a cell's value: no text is None, numbers are float, and what is no number is text."""
    if type(value) is float:
        return value if math.isfinite(value) else str(value)
    if type(value) is str:
        return value if value and not value.isspace() else None
    if type(value) is int:
        return float(value)
    if isinstance(value, datetime.timedelta):
        return str(value)
    return value  # type: ignore[return-value]  # the reader gives nothing else


def _with_errors(
    rows: tuple[tuple[CellValue, ...], ...], errors: Mapping[Cell, str]
) -> tuple[tuple[CellValue, ...], ...]:
    """Put error values back into their cells, where the reader has nothing or a text of its own."""
    changed = [list(row) for row in rows]
    for (row, column), text in errors.items():
        while len(changed) <= row:
            changed.append([])
        line = changed[row]
        line.extend([None] * (column + 1 - len(line)))
        line[column] = text
    return tuple(map(tuple, changed))


def _within(merged: Sequence[Range], rows: Rows) -> tuple[Range, ...]:
    """Cut merged ranges to the sheet's cells; what stands off them, or is one cell, is none."""
    height, width = len(rows), max(map(len, rows), default=0)
    cut = [
        (top, left, min(bottom, height - 1), min(right, width - 1))
        for top, left, bottom, right in merged
        if 0 <= top < height and 0 <= left < width
    ]
    return tuple(item for item in cut if item[2] >= item[0] and item[3] >= item[1] and item[:2] != item[2:])
