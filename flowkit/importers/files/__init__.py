"""Any file of a bench to grids of cells with addresses."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from flowkit.errors import SheetError
from flowkit.importers.files.grid import Grid, read_bytes

# Endings of files taken for sheets unasked; what a file is, its content shows.
SHEET_ENDINGS = frozenset({".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".xls", ".ods", ".eml", ".html", ".htm"})
_PICTURES = (
    ("PNG", b"\x89PNG"), ("JPEG", b"\xff\xd8\xff"), ("GIF", b"GIF8"), ("TIFF", b"II*\x00"), ("TIFF", b"MM\x00*"),
    ("BMP", b"BM\x00"),
)  # fmt: skip
_ARCHIVES = (b"\x1f\x8b\x08", b"BZh", b"7z\xbc\xaf\x27\x1c", b"Rar!\x1a\x07", b"\xfd7zXZ")


def read_grids(path: str | Path, *, label: str | None = None) -> tuple[Grid, ...]:
    """Read a file into grids, one for each worksheet."""
    path = Path(path)
    label = path.name if label is None else label
    with named(label):
        return grids_of(read_bytes(path), label, path.suffix.lower())


@contextmanager
def named(file: str) -> Iterator[None]:
    """Name the file in the errors of all that reads its bytes."""
    try:
        yield
    except SheetError as error:
        error.file = error.file or file
        raise


def not_text(name: str) -> bool:
    """Whether a file's name, as another system wrote it, is no text on this one."""
    return any("\ud800" <= mark <= "\udfff" for mark in name)


def grids_of(data: bytes, label: str, suffix: str) -> tuple[Grid, ...]:
    """Make grids of a file's bytes: the content decides what it is; its ending counts among kinds of text alone."""
    if data.startswith((b"PK\x03\x04", b"PK\x05\x06", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")):
        from flowkit.importers.files.workbook import workbook_grids

        return workbook_grids(data, label)
    if b"%PDF-" in data[:1024]:
        from flowkit.importers.files.pdf import pdf_grids

        return pdf_grids(data, label)
    picture = next((name for name, mark in _PICTURES if data.startswith(mark)), None)
    picture = "WebP" if data.startswith(b"RIFF") and data[8:12] == b"WEBP" else picture
    if data[4:8] == b"ftyp" and data[8:12] in (b"heic", b"heix", b"mif1", b"avif"):
        picture = "HEIC"
    if data.startswith(_ARCHIVES):
        raise SheetError("this is a packed archive, not a sheet", "unpack it and give the sheets in it")
    if picture is not None:
        raise SheetError(
            f"this is a picture ({picture}), such as a photo or a scan, not a sheet",
            "type the readings into a sheet: flowkit blank writes one, and the page lets you type beside the picture",
        )
    if suffix == ".toml":
        what = "this is a job file, not a sheet"
        raise SheetError(what, "give it to flowkit compare, check or report, which read its sheets")
    from flowkit.importers.files.mail import is_mail
    from flowkit.importers.files.text import text_grid

    return _mail_grids(data, label) if is_mail(data) else (text_grid(data, label, suffix=suffix),)


def _mail_grids(data: bytes, label: str) -> tuple[Grid, ...]:
    """Read the sheets that a mail carries and the table in its text."""
    from flowkit.importers.files.mail import read_mail
    from flowkit.importers.files.text import grid_of_text

    text, markup, attached = read_mail(data)
    grids: list[Grid] = []
    for name, content in attached:
        with named(f"{label}/{name}"):
            grids += grids_of(content, f"{label}/{name}", f".{name.rpartition('.')[2].lower()}")
    if text.strip():
        grids.append(grid_of_text(text, label, markup=markup))
    return tuple(grids)
