"""A text file to a grid (first cut: see the module's functions)."""

from __future__ import annotations

import csv
import io

from flowkit.importers.grid import Grid

__all__ = ["text_grid"]


def text_grid(data: bytes, label: str, *, suffix: str = "") -> Grid:
    """Read the bytes of a text file into a grid."""
    text = data.decode("utf-8-sig", errors="replace")
    delimiter = max("\t;|,", key=text.count)
    rows: list[tuple[str | None, ...]] = []
    lines: list[int] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    line = 1
    for row in reader:
        rows.append(tuple(cell if cell.strip() else None for cell in row))
        lines.append(line)
        line = reader.line_num + 1
    return Grid(label, None, tuple(rows), lines=tuple(lines), delimiter=delimiter)
