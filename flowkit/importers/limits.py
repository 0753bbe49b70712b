"""How much flowkit reads from one file: every limit in one place.

A bench sheet is small: a few hundred cells, a few kilobytes. The limits are set far above
any sheet an operator sends and far below what would fill a computer's memory, and each
message that refuses a file names the limit it ran into.
"""

from __future__ import annotations

__all__ = [
    "MAX_ARCHIVE_MEMBERS",
    "MAX_CELLS",
    "MAX_CELLS_IN_FILE",
    "MAX_COLUMNS",
    "MAX_FILE_BYTES",
    "MAX_INFLATED_BYTES",
    "MAX_LINE_CHARACTERS",
    "MAX_PART_BYTES",
    "MAX_QUOTED_LINES",
    "MAX_ROWS",
    "MAX_SHEETS",
    "MAX_TEXT_BYTES",
    "MAX_TEXT_IN_CELLS",
    "megabytes",
]

MAX_FILE_BYTES = 50_000_000
"""Size of a workbook or PDF file on disk; pictures in a workbook count here."""

MAX_TEXT_BYTES = 10_000_000
"""Size of a text file."""

MAX_LINE_CHARACTERS = 200_000
"""Length of one line of text."""

MAX_QUOTED_LINES = 50
"""Lines one quoted cell of a text file may run over."""

MAX_ARCHIVE_MEMBERS = 5_000
"""Parts in a workbook's package."""

MAX_PART_BYTES = 20_000_000
"""Inflated size of one part of a workbook's package that has to be read."""

MAX_INFLATED_BYTES = 40_000_000
"""Inflated size of all parts of a workbook's package that have to be read."""

MAX_SHEETS = 1_000
"""Worksheets in a workbook."""

MAX_ROWS = 50_000
"""Rows of a sheet, down to its last filled cell."""

MAX_COLUMNS = 1_000
"""Columns of a sheet, up to its last filled cell."""

MAX_CELLS = 200_000
"""Cells of a sheet: rows times columns up to its last filled cell, empty ones included."""

MAX_CELLS_IN_FILE = 500_000
"""Cells of all sheets of a workbook together, counted in the same way."""

MAX_TEXT_IN_CELLS = 20_000_000
"""Characters in all cells of a sheet together, repeated texts counted each time."""


def megabytes(size: int) -> str:
    """Write a size in bytes as people say it.

    Parameters
    ----------
    size : int
        Bytes.

    Examples
    --------
    >>> megabytes(10_000_000)
    '10 MB'
    """
    return f"{size / 1e6:.0f} MB"
