"""The mapping to start from when a sheet cannot be read unaided."""

from __future__ import annotations

from flowkit.importers.files.grid import Grid, column_letters
from flowkit.importers.view import View, upright

__all__ = ["has_numbers", "stanza"]

LEAST = 3  # numbers under each other that make a column worth naming
SEARCH = 200  # rows looked at
MOST = 3  # columns of flows shown


def stanza(grid: Grid) -> str:
    """Return a ``columns`` entry for a job file, with the likeliest cells of a grid filled in.

    Parameters
    ----------
    grid : Grid

    Examples
    --------
    >>> grid = Grid("a.xlsx", "S", (("x", "y"), (1.0, 15.0), (2.0, 31.0), (3.0, 45.0)))
    >>> stanza(grid).partition(", flow = ")[0]
    'columns = { sheet = "S", lift = "A2:A4", lift_unit = "mm", flow_unit = "CFM"'
    """
    columns = _number_columns(upright(grid)) or [(0, 4, 15), (1, 4, 15)]
    lift, *flows = columns
    first, last = lift[1], lift[2]
    flows = flows[:MOST] or [(lift[0] + 1, first, last)]
    sheet = f"sheet = {_quoted(grid.sheet)}, " if grid.sheet is not None else ""
    entries = ", ".join(
        f'{{ cells = "{_range(grid, column, first, last)}", side = "intake", port = "{port}" }}'
        for port, (column, _, _) in enumerate(flows, start=1)
    )
    return (
        f'columns = {{ {sheet}lift = "{_range(grid, lift[0], first, last)}", lift_unit = "mm", flow_unit = "CFM", '
        f"flow = [{entries}] }}"
    )


def has_numbers(grid: Grid) -> bool:
    """Whether a grid has two columns of numbers, as lifts and flows would be.

    Parameters
    ----------
    grid : Grid

    Examples
    --------
    >>> has_numbers(Grid("a.xlsx", "S", (("notes",),)))
    False
    """
    return len(_number_columns(upright(grid))) > 1


def _number_columns(view: View) -> list[tuple[int, int, int]]:
    """Columns with numbers under each other: (column, first row, last row)."""
    found = []
    for column in range(min(view.width, 50)):
        best: tuple[int, int] | None = None
        start: int | None = None
        for row in range(min(len(view.rows), SEARCH) + 1):
            if view.is_number(row, column):
                start = row if start is None else start
            elif start is not None:
                if best is None or row - start > best[1] - best[0] + 1:
                    best = (start, row - 1)
                start = None
        if best is not None and best[1] - best[0] + 1 >= LEAST:
            found.append((column, *best))
    return found


def _range(grid: Grid, column: int, first: int, last: int) -> str:
    """A range as the mapping writes it."""
    if grid.lines is not None and last < len(grid.lines):
        return f"{grid.lines[first]}:{column + 1}-{grid.lines[last]}:{column + 1}"
    letters = column_letters(column)
    return f"{letters}{first + 1}:{letters}{last + 1}"


def _quoted(text: str | None) -> str:
    """A string as TOML writes it."""
    escaped = "".join(
        f"\\u{ord(mark):04X}" if ord(mark) < 32 or ord(mark) == 127 else "\\" + mark if mark in '"\\' else mark
        for mark in text or ""
    )
    return f'"{escaped}"'
