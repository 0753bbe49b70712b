"""Files of the bench -> flow tests."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flowkit.importers.mapping import ColumnMapping, Stated
from flowkit.importers.reading import read
from flowkit.importers.result import ReadResult

if TYPE_CHECKING:
    from flowkit.importers.many import FileReading, read_many

__all__ = ["ColumnMapping", "FileReading", "ReadResult", "Stated", "read", "read_many"]


def __getattr__(name: str) -> Any:
    """Load what reads many files when it is asked for."""
    if name in ("FileReading", "read_many"):
        from flowkit.importers import many

        return getattr(many, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
