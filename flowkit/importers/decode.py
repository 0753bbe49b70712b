"""The bytes of a text file to text: encodings, line ends, what is no text at all."""

from __future__ import annotations

import codecs
import re

from flowkit.errors import SheetError
from flowkit.importers.limits import (
    MAX_COLUMNS,
    MAX_LINE_CHARACTERS,
    MAX_ROWS,
    MAX_TEXT_BYTES,
    megabytes,
)

__all__ = ["check_width", "decode_text", "text_lines"]

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_NOT_TEXT = re.compile("[\x00-\x08\x0e-\x1f\x7f\ufffe\uffff]")
_CONTROLS = bytes([*range(0x09), *range(0x0E, 0x20), 0x7F])
_REMEDY = "export the sheet as csv or xlsx and send that"


def decode_text(data: bytes, label: str) -> str:
    r"""Decode a text file.

    A byte-order mark counts first; without one UTF-16 is told by its zero bytes, UTF-8 by
    being valid, and what is neither is taken as Windows-1252, which holds Latin-1's letters.

    Parameters
    ----------
    data : bytes
        The whole file.
    label : str
        Its name in messages.

    Returns
    -------
    str
        With line ends as ``"\n"``.

    Raises
    ------
    SheetError
        If it is too large, or holds what no text holds.

    Examples
    --------
    >>> decode_text("Lift;Débit".encode("cp1252"), "a.csv")
    'Lift;Débit'
    >>> decode_text("Hub;Fluß".encode("utf-16"), "a.csv")
    'Hub;Fluß'
    """
    if len(data) > MAX_TEXT_BYTES:
        raise SheetError(
            f"the file is {megabytes(len(data))} of text, more than the {megabytes(MAX_TEXT_BYTES)} flowkit reads",
            "send the bench's sheet alone",
            file=label,
        )
    text = _decoded(data, label)
    # Old programs end a text with a control-Z.
    text = text.rstrip("\x1a") if text.endswith("\x1a") else text
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    # Deleting bytes is quick, and they are the same in every encoding of one byte and in UTF-8.
    clean = len(data) == len(data.translate(None, _CONTROLS))
    odd = None if clean else _NOT_TEXT.search(text)
    if odd:
        line = text.count("\n", 0, odd.start()) + 1
        raise SheetError(
            f"line {line} holds the control character 0x{ord(odd[0]):02X}, so this is no text file", _REMEDY, file=label
        )
    return text


def _decoded(data: bytes, label: str) -> str:
    """Decode by byte-order mark, zero bytes, UTF-8, Windows-1252: the first that fits."""
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return _strictly(data[len(mark) :], encoding, label)
    if b"\x00" in data:
        guess = _utf16_without_mark(data)
        if guess is None:
            raise SheetError("the file holds zero bytes, so it is no text file", _REMEDY, file=label)
        return _strictly(data, guess, label)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return _strictly(data, "cp1252", label)


def _strictly(data: bytes, encoding: str, label: str) -> str:
    """Decode or say that it cannot be."""
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        raise SheetError(
            f"byte {error.start + 1} does not belong in a text file (read as {encoding})", _REMEDY, file=label
        ) from error


def _utf16_without_mark(data: bytes) -> str | None:
    """Tell UTF-16 by its zero bytes: nearly all on one side of each pair, hardly any on the other."""
    sample = data[:20_000]
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    half = max(1, len(sample) // 2)
    if len(data) % 2 or max(even, odd) < 0.4 * half or min(even, odd) > 0.02 * half:
        return None
    return "utf-16-le" if odd > even else "utf-16-be"


def text_lines(text: str, label: str) -> list[str]:
    r"""Split text into its physical lines, within the limits.

    Parameters
    ----------
    text : str
        With line ends as ``"\n"``.
    label : str
        The file's name in messages.

    Returns
    -------
    list of str
        Without the empty lines at the end.

    Raises
    ------
    SheetError
        If there are too many lines, a line is too long, or all are empty.

    Examples
    --------
    >>> text_lines("a,b\n1,2\n\n", "a.csv")
    ['a,b', '1,2']
    """
    lines = text.rstrip().split("\n")
    if lines == [""]:
        raise SheetError("the file holds blanks only", "ask for it again or export it once more", file=label)
    if len(lines) > MAX_ROWS:
        raise SheetError(
            f"the file has {len(lines)} lines, more than the {MAX_ROWS} flowkit reads",
            "send the bench's sheet alone",
            file=label,
        )
    if len(text) > MAX_LINE_CHARACTERS:
        for count, line in enumerate(lines, 1):
            if len(line) > MAX_LINE_CHARACTERS:
                raise SheetError(
                    f"line {count} is {len(line)} characters long, more than the {MAX_LINE_CHARACTERS} flowkit reads",
                    "export the sheet as csv once more, a line for each row",
                    file=label,
                )
    return lines


def check_width(cells: int, line: int, label: str) -> None:
    """Hold the limit on the cells of a line.

    Parameters
    ----------
    cells, line : int
        How many the line has, and its number.
    label : str
        The file's name in messages.

    Raises
    ------
    SheetError
        If there are more than the limit.

    Examples
    --------
    >>> check_width(9, 1, "a.csv")
    """
    if cells > MAX_COLUMNS:
        raise SheetError(
            f"line {line} has {cells} cells, more than the {MAX_COLUMNS} columns flowkit reads",
            "send the bench's table alone",
            file=label,
        )
