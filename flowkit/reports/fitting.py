"""Text into the room there is: cleaning, wrapping, shortening. Widths are measured, never guessed."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from flowkit.drawing import text_width

__all__ = ["clean", "missing_letters", "shorten", "wrap"]

STAND_IN = "▯"
"""Drawn for a letter the typeface has not."""


def _typeface_has(letter: str) -> bool:
    """Whether DejaVu Sans can draw a letter."""
    from flowkit.drawing.ends import typeface

    return bool(typeface(False).get_char_index(ord(letter)))


def missing_letters(texts: Iterable[str]) -> str:
    """Return the letters among some texts that the typeface cannot draw, each once.

    Parameters
    ----------
    texts : iterable of str

    Examples
    --------
    >>> missing_letters(["Ansaug 吸気", "впуск"])
    '吸気'
    """
    letters = dict.fromkeys(letter for text in texts for letter in text if ord(letter) > 0x24F)
    return "".join(letter for letter in letters if letter.isprintable() and not _typeface_has(letter))


def clean(text: object) -> str:
    r"""Return a text fit to be printed on one line.

    Parameters
    ----------
    text : object
        Control and formatting characters become spaces, runs of spaces one space, letters the
        typeface has not a hollow box; everything else stays as it is, markup signs included.

    Examples
    --------
    >>> clean("ports\tblended\n$x_1^2$ ")
    'ports blended $x_1^2$'
    """
    letters = []
    for letter in unicodedata.normalize("NFC", str(text)):
        if letter < "ɐ":  # Latin up to here, all in the typeface
            letters.append(letter if letter.isprintable() else " ")
        elif unicodedata.category(letter)[0] in "CZ":
            letters.append(" ")
        else:
            letters.append(letter if _typeface_has(letter) else STAND_IN)
    return " ".join("".join(letters).split())


def shorten(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """Cut a line to a width, an ellipsis at its end where something is missing.

    Parameters
    ----------
    text : str
    width : float
        Room there is [pt].
    size : float
        Type size [pt].
    bold : bool, optional

    Examples
    --------
    >>> shorten("ports blended by hand", 60, 8)
    'ports blende…'
    """
    if text_width(text, size, bold=bold) <= width:
        return text
    while text and text_width(text + "…", size, bold=bold) > width:
        text = text[:-1]
    return text.rstrip(" ,;.") + "…"


_KEPT = re.compile(r"(?<=\d) (?=%)|(?<=±) ")
"""Spaces a line is not broken at: before a per cent sign, after plus-minus."""


def _split_word(word: str, width: float, size: float, bold: bool) -> list[str]:
    """Break a word that is wider than a line."""
    pieces, start = [], 0
    for end in range(1, len(word) + 1):
        if end - start > 1 and text_width(word[start:end], size, bold=bold) > width:
            pieces.append(word[start : end - 1])
            start = end - 1
    return [*pieces, word[start:]]


def wrap(text: str, width: float, size: float, *, bold: bool = False, most: int | None = None) -> list[str]:
    """Break a text into lines of a width.

    Parameters
    ----------
    text : str
        Cleaned.
    width : float
        Room there is [pt].
    size : float
        Type size [pt].
    bold : bool, optional
    most : int, optional
        Lines at most; the last ends with an ellipsis where there was more.

    Returns
    -------
    list of str
        Broken at spaces; a word wider than the line is broken where it must be.

    Examples
    --------
    >>> wrap("one two three", 40, 8)
    ['one two', 'three']
    """
    lines: list[str] = []
    line = ""
    for word in _KEPT.sub("\u00a0", text).split(" "):
        if not word:
            continue
        for piece in [word] if text_width(word, size, bold=bold) <= width else _split_word(word, width, size, bold):
            longer = f"{line} {piece}" if line else piece
            if text_width(longer, size, bold=bold) <= width:
                line = longer
            else:
                if line:
                    lines.append(line)
                line = piece
    if line:
        lines.append(line)
    if most is not None and len(lines) > most:
        rest = " ".join(lines[most - 1 :])
        lines = [*lines[: most - 1], shorten(rest, width, size, bold=bold)]
    return [line.replace("\u00a0", " ") for line in lines]
