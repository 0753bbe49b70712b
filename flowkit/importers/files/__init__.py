"""Any file of a bench to grids of cells with addresses."""

from __future__ import annotations

from pathlib import Path

from flowkit.errors import SheetError
from flowkit.importers.files.grid import Grid, read_bytes

__all__ = ["SHEET_ENDINGS", "read_grids"]

SHEET_ENDINGS = frozenset({".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".xls", ".ods", ".eml", ".html", ".htm"})
"""Endings of files taken for sheets unasked; what a file is, its content shows."""

_PICTURES = (
    ("PNG", b"\x89PNG"), ("JPEG", b"\xff\xd8\xff"), ("GIF", b"GIF8"), ("TIFF", b"II*\x00"), ("TIFF", b"MM\x00*"),
    ("BMP", b"BM\x00"), ("WebP", b"RIFF"),
)  # fmt: skip


def read_grids(path: str | Path, *, label: str | None = None) -> tuple[Grid, ...]:
    """Read a file into grids, one for each worksheet.

    The content decides what a file is; its name does not count where the two differ.
    """
    path = Path(path)
    label = path.name if label is None else label
    data = read_bytes(path, label)
    if data.startswith((b"PK\x03\x04", b"PK\x05\x06", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")):
        from flowkit.importers.files.workbook import workbook_grids

        return workbook_grids(data, label)
    if b"%PDF-" in data[:1024]:
        from flowkit.importers.files.pdf import pdf_grids

        return pdf_grids(data, label)
    picture = next((name for name, mark in _PICTURES if data.startswith(mark)), None)
    if picture is not None or data[4:12] in (b"ftypheic", b"ftypmif1"):
        raise SheetError(
            f"this is a picture ({picture or 'HEIC'}), such as a photo or a scan, not a sheet",
            "type the readings into a sheet: flowkit blank writes one, and the page lets you type beside the picture",
            file=label,
        )
    suffix = path.suffix.lower()
    if suffix == ".toml":
        raise SheetError(
            "this is a job file, not a sheet",
            "give it to flowkit compare, check or report, which read its sheets",
            file=label,
        )
    from flowkit.importers.files.text import text_grid

    return (text_grid(data, label, suffix=suffix),)
