"""A label in pieces: phrases of the vocabulary, numbers, letters before numbers, unknown words."""

from __future__ import annotations

import re
from typing import NamedTuple

from flowkit.importers.words.vocabulary import LONGEST, PHRASES, SIDE_CODES, fold

__all__ = ["PORT_CODES", "Segment", "cut"]


class _Token(NamedTuple):
    text: str
    folded: str
    start: int
    end: int


class Segment(NamedTuple):
    """A piece of a label.

    Attributes
    ----------
    kind : str
        A kind of the vocabulary, or ``"number"``, ``"code"``, ``"unknown"``.
    text : str
    start, end : int
        In the label.
    languages : tuple of str
    """

    kind: str
    text: str
    start: int
    end: int
    languages: tuple[str, ...] = ()


_TOKEN = re.compile(r"[^\W\d_]+|\d+(?:[.,]\d+)*|[#%+@⌀°&]")


PORT_CODES = frozenset({"p", "c", "z", "k"})


_CODES = frozenset(SIDE_CODES) | PORT_CODES | {"r"}


def cut(text: str) -> list[Segment]:
    """Cut a label into the vocabulary's phrases, numbers and unknown words.

    Parameters
    ----------
    text : str

    Examples
    --------
    >>> [(segment.kind, segment.text) for segment in cut("Intake flow 2, ported")]
    [('intake', 'Intake'), ('flow', 'flow'), ('number', '2'), ('unknown', 'ported')]
    """
    tokens = [_Token(m[0], fold(m[0]) or m[0], m.start(), m.end()) for m in _TOKEN.finditer(text)]
    segments: list[Segment] = []
    place = 0
    while place < len(tokens):
        token = tokens[place]
        if token.text[0].isdigit():
            segments.append(Segment("number", token.text, token.start, token.end))
            place += 1
            continue
        follows = tokens[place + 1] if place + 1 < len(tokens) else None
        if follows is not None and _is_code(token, follows):
            segments.append(Segment("code", token.folded, token.start, token.end))
            place += 1
            continue
        count = _longest(tokens, place)
        last = tokens[place + count - 1] if count else token
        kind, languages = PHRASES[_joined(tokens, place, count)] if count else ("unknown", ())
        segments.append(Segment(kind, text[token.start : last.end], token.start, last.end, languages))
        place += max(count, 1)
    return segments


def _is_code(token: _Token, follows: _Token) -> bool:
    """Whether a letter belongs to the number behind it: ``E3``, ``IN 2``, ``P1``."""
    if not follows.text.isdecimal() or len(follows.text) > 2:
        return False
    glued = follows.start == token.end
    return (glued and token.folded in _CODES) or (token.folded == "in" and follows.start - token.end <= 1)


def _joined(tokens: list[_Token], place: int, count: int) -> str:
    """Return so many tokens as one text."""
    return " ".join(token.folded for token in tokens[place : place + count])


def _longest(tokens: list[_Token], place: int) -> int:
    """How many tokens from here on are one phrase of the vocabulary; 0 if none."""
    most = min(LONGEST, len(tokens) - place)
    for count in range(most, 0, -1):
        if _joined(tokens, place, count) in PHRASES:
            return count
    return 0
