"""The compound file an xls is kept in: its streams, read within bounds.

Structure: [MS-CFB] Compound File Binary File Format, sections 2.2 (header), 2.3 (FAT),
2.4 (mini FAT), 2.5 (DIFAT) and 2.6 (directory).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from flowkit.errors import SheetError

__all__ = ["CompoundFile"]

MAGIC = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_LAST_REGULAR = 0xFFFFFFFA
_ENTRY = 128
_MINI_CUTOFF = 4096


@dataclass(frozen=True, slots=True)
class _Stream:
    """Where a stream begins and how long it is."""

    start: int
    size: int


class CompoundFile:
    """A compound file's streams.

    Parameters
    ----------
    data : bytes
        The whole file.
    label : str
        Its name in messages.

    Raises
    ------
    SheetError
        If its structure is broken.
    """

    def __init__(self, data: bytes, label: str) -> None:
        self._data = data
        self._label = label
        if len(data) < 512 or not data.startswith(MAGIC):
            raise self._broken()
        shift, mini_shift = struct.unpack_from("<HH", data, 30)
        if shift not in (9, 12) or mini_shift != 6:
            raise self._broken()
        self._sector = 1 << shift
        # Readers make room for what these numbers promise.
        directory_count, fat_count = struct.unpack_from("<II", data, 40)
        mini_fat_count, difat_total = struct.unpack_from("<I4xI", data, 64)
        if max(directory_count, fat_count, mini_fat_count, difat_total) > len(data) // self._sector + 1:
            raise self._broken()
        directory_start, mini_start, mini_count, difat_start, difat_count = (
            *struct.unpack_from("<I", data, 48),
            *struct.unpack_from("<IIII", data, 60),
        )
        self._fat = self._read_fat(difat_start, difat_count)
        self._minifat = self._numbers(self._chain(mini_start)) if mini_count else ()
        self._streams, root = self._read_directory(self._chain(directory_start))
        self._mini = self._chain(root.start)[: root.size] if root and root.size else b""

    def _broken(self) -> SheetError:
        """Return the error for a file whose structure does not hold."""
        return SheetError(
            "the file is cut off or broken: its structure does not hold together",
            "open it in the spreadsheet program and save it again as xlsx",
            file=self._label,
        )

    def _at(self, sector: int) -> bytes:
        """Return one sector."""
        start = (sector + 1) * self._sector
        found = self._data[start : start + self._sector]
        if not found:
            raise self._broken()
        return found

    @staticmethod
    def _numbers(data: bytes) -> tuple[int, ...]:
        """Read sector numbers."""
        return struct.unpack(f"<{len(data) // 4}I", data[: len(data) // 4 * 4])

    def _read_fat(self, difat_start: int, difat_count: int) -> tuple[int, ...]:
        """Read which sector follows which."""
        sectors = list(struct.unpack_from("<109I", self._data, 76))
        limit = len(self._data) // self._sector + 1
        at = difat_start
        for _ in range(min(difat_count, limit)):
            if at >= _LAST_REGULAR:
                break
            numbers = self._numbers(self._at(at))
            sectors += numbers[:-1]
            at = numbers[-1]
        used = [sector for sector in sectors if sector < _LAST_REGULAR]
        if len(used) > limit:
            raise self._broken()
        return self._numbers(b"".join(self._at(sector) for sector in used))

    def _chain(self, sector: int) -> bytes:
        """Return the sectors of a chain, one after the other; a chain that bites its tail is broken."""
        parts = []
        seen = set()
        while sector < _LAST_REGULAR:
            if sector in seen or sector >= len(self._fat):
                raise self._broken()
            seen.add(sector)
            parts.append(self._at(sector))
            sector = self._fat[sector]
        return b"".join(parts)

    def _read_directory(self, data: bytes) -> tuple[dict[str, _Stream], _Stream | None]:
        """Read the directory: each stream by its name, and the root, which keeps the small ones."""
        if len(data) % _ENTRY:
            raise self._broken()  # the file ends within the directory
        streams: dict[str, _Stream] = {}
        root = None
        for at in range(0, len(data), _ENTRY):
            length, kind = struct.unpack_from("<HB", data, at + 64)
            start, size = struct.unpack_from("<II" if self._sector == 512 else "<IQ", data, at + 116)
            if kind in (2, 5) and size > len(self._data):
                raise self._broken()
            name = data[at : at + min(max(length - 2, 0), 62)].decode("utf-16-le", errors="replace")
            if kind == 5:
                root = _Stream(start, size)
            elif kind == 2:
                streams.setdefault(name.lower(), _Stream(start, size))
        return streams, root

    def __contains__(self, name: str) -> bool:
        """Tell whether there is a stream of that name, in any case."""
        return name.lower() in self._streams

    def stream(self, name: str) -> bytes:
        """Return a stream's bytes.

        Parameters
        ----------
        name : str
            In any case.

        Raises
        ------
        SheetError
            If its chain is broken or shorter than it should be.
        """
        found = self._streams[name.lower()]
        data = self._chain(found.start) if found.size >= _MINI_CUTOFF else self._mini_chain(found.start)
        if len(data) < found.size:
            raise self._broken()
        return data[: found.size]

    def _mini_chain(self, sector: int) -> bytes:
        """Return a small stream's bytes."""
        parts = []
        seen = set()
        while sector < _LAST_REGULAR:
            part = self._mini[sector * 64 : sector * 64 + 64]
            if sector in seen or sector >= len(self._minifat) or not part:
                raise self._broken()
            seen.add(sector)
            parts.append(part)
            sector = self._minifat[sector]
        return b"".join(parts)
