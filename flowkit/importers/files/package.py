"""The zip package of a workbook: its parts, inflated within the limits, and their XML."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Callable, Mapping
from xml.parsers import expat

from flowkit.errors import SheetError
from flowkit.importers.files.grid import (
    MAX_ARCHIVE_MEMBERS,
    MAX_INFLATED_BYTES,
    MAX_PART_BYTES,
    broken,
    encrypted,
    megabytes,
)

Attributes = dict[str, str]


def parse_xml(
    xml: bytes,
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
            "do not open it if it came from a stranger; otherwise save it again in the spreadsheet program",
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
        raise broken(f"the file is broken: its part {part!r} cannot be read") from error


_PICTURES = (".png", ".jpg", ".jpeg", ".gif", ".bmp", ".tif", ".tiff", ".emf", ".wmf", ".svg", ".webp", ".mp4", ".wdp")

# No reader of cells looks at these.
_ASIDE = ("xl/theme/", "xl/media/", "xl/drawings/", "xl/printersettings/", "docprops/", "thumbnails/", "pictures/")
_LOCAL_HEADER = struct.Struct("<4s22xHH")


def package_parts(data: bytes) -> Mapping[str, bytes]:
    """Inflate the parts of a package."""
    try:
        members = zipfile.ZipFile(io.BytesIO(data)).infolist()
    except (zipfile.BadZipFile, ValueError, OSError, OverflowError, NotImplementedError, struct.error) as error:
        raise broken("the file is cut off or broken: its package cannot be opened") from error
    if len(members) > MAX_ARCHIVE_MEMBERS:
        raise SheetError(
            f"the file is a package of {len(members)} parts; flowkit reads up to {MAX_ARCHIVE_MEMBERS}",
            "save the bench's sheet on its own",
        )
    parts: dict[str, bytes] = {}
    room = MAX_INFLATED_BYTES
    for member in members:
        if member.flag_bits & 1:
            raise encrypted()
        # Readers do not tell capitals apart here, so two such names would be one part with two contents.
        name = member.filename.lower().replace("\\", "/")
        if name.endswith("/") or name.startswith(_ASIDE) or (name.endswith(_PICTURES) and "/worksheets/" not in name):
            continue
        if name in parts:
            raise broken(f"the file is broken: it holds the part {name!r} twice")
        parts[name] = part = _inflated(data, member, min(room, MAX_PART_BYTES))
        room -= len(part)
    return parts


def _inflated(data: bytes, member: zipfile.ZipInfo, limit: int) -> bytes:
    """Inflate one part, up to a limit."""
    at = member.header_offset
    header = data[at : at + _LOCAL_HEADER.size]
    cut_off = broken(f"the file is broken at its part {member.filename!r}")
    if at < 0 or len(header) < _LOCAL_HEADER.size or not header.startswith(b"PK\x03\x04"):
        raise cut_off
    _, name_length, extra_length = _LOCAL_HEADER.unpack(header)
    start = at + _LOCAL_HEADER.size + name_length + extra_length
    packed = memoryview(data)[start : start + member.compress_size]
    if len(packed) < member.compress_size or member.compress_size < 0:
        raise cut_off
    if member.compress_type == zipfile.ZIP_STORED:
        part = bytes(packed[: limit + 1])
    elif member.compress_type == zipfile.ZIP_DEFLATED:
        inflater = zlib.decompressobj(-zlib.MAX_WBITS)
        try:
            part = inflater.decompress(packed, limit + 1)
        except zlib.error as error:
            raise cut_off from error
    else:
        raise broken(f"the file's part {member.filename!r} is packed in a way flowkit does not read")
    if len(part) > limit:
        raise SheetError(
            f"the file unpacks to more than flowkit reads ({megabytes(MAX_PART_BYTES)} a part, "
            f"{megabytes(MAX_INFLATED_BYTES)} in all)",
            "save the bench's sheet on its own; if it came by mail from a stranger, do not open it",
        )
    if len(part) != member.file_size:
        raise cut_off
    return part
