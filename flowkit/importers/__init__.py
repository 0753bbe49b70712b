"""Files of the bench -> flow tests."""

from __future__ import annotations

from flowkit.importers.mapping import ColumnMapping, Stated
from flowkit.importers.reading import FileReading, read, read_many
from flowkit.importers.result import ReadResult

__all__ = ["ColumnMapping", "FileReading", "ReadResult", "Stated", "read", "read_many"]
