"""The vocabulary turned round: a phrase as it is compared -> what it stands for."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from flowkit.importers.vocabulary import SHARED, WORDS

__all__ = ["LONGEST", "PHRASES", "fold", "spellings"]

_SPLIT = re.compile(r"[\s._\-/:,;=()\[\]|'’]+")


def fold(text: str) -> str:
    """Fold a text for comparison: case, accents, dots, dashes, slashes and spaces.

    Parameters
    ----------
    text : str

    Examples
    --------
    >>> fold("Levée de  soupape"), fold("PRÜF-DRUCK"), fold("Einlaß")
    ('levee de soupape', 'pruf druck', 'einlass')
    """
    text = unicodedata.normalize("NFKD", text.casefold())
    text = "".join(mark for mark in text if not unicodedata.combining(mark))
    return " ".join(part for part in _SPLIT.split(text) if part)


def spellings(word: str) -> set[str]:
    """Return a word as it is compared, with umlauts also written as digraphs.

    Parameters
    ----------
    word : str

    Examples
    --------
    >>> sorted(spellings("Prüfdruck"))
    ['pruefdruck', 'prufdruck']
    """
    digraph = word.casefold().replace("ä", "ae").replace("ö", "oe").replace("ü", "ue")
    return {fold(word), fold(digraph)}


def _phrases() -> dict[str, tuple[str, tuple[str, ...]]]:
    """Turn the table round: folded phrase -> (kind, languages)."""
    found: dict[str, tuple[str, tuple[str, ...]]] = {}
    for kind, by_language in WORDS.items():
        for language, words in by_language.items():
            for word in words:
                for spelling in spellings(word):
                    found.setdefault(spelling, (kind, SHARED.get(spelling, (language,))))
    return found


PHRASES: Final = _phrases()
"""Folded phrase -> (kind, languages it belongs to)."""

LONGEST: Final = max(len(phrase.split()) for phrase in PHRASES)
"""Words in the longest phrase."""
