"""What variants are called where there is little room: their names, or letters that stand for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flowkit.drawing import text_width
from flowkit.reports.fitting import STAND_IN, clean, shorten, wrap
from flowkit.reports.layout import SIZES

__all__ = ["Names", "name_variants"]

LONG = 84.0
"""A name wider than this [pt, body size] is given a letter."""


@dataclass(frozen=True, slots=True)
class Names:
    """The variants' names on paper.

    Attributes
    ----------
    full : tuple of str
        Cleaned, in the job's order.
    place : dict
        Original name to its place.
    letters : bool
        Whether letters stand for the names in heads.
    """

    full: tuple[str, ...]
    place: dict[str, int]
    letters: bool

    def key(self, place: int) -> str:
        """Return the letter of a variant: A to Z, then AA and on."""
        first, second = divmod(place, 26)
        return (chr(64 + first) if first else "") + chr(65 + second)

    def head(self, name: str) -> str:
        """Return what stands in a column head."""
        place = self.place[name]
        return self.key(place) if self.letters else self.full[place]

    def prefixed(self, name: str) -> str:
        """Return the name, after its letter where letters are used."""
        place = self.place[name]
        return f"{self.key(place)}  {self.full[place]}" if self.letters else self.full[place]

    def fitted(
        self, name: str, width: float, *, size: float = SIZES.body, bold: bool = False, most: int = 1
    ) -> list[str]:
        """Return the name, with its letter where letters are used, in at most so many lines of a width."""
        text = self.prefixed(name)
        if most == 1:
            return [shorten(text, width, size, bold=bold)]
        return wrap(text, width, size, bold=bold, most=most)


def name_variants(names: Sequence[str], *, head_width: float) -> Names:
    """Decide how variants are called.

    Parameters
    ----------
    names : sequence of str
        As the job has them.
    head_width : float
        Of a column head [pt]: where a name does not fit there in three lines of whole words, or is
        long anyway, letters stand for all of them.
    """
    full = tuple(clean(name) for name in names)
    letters = False
    for name in full:
        lines = wrap(name, head_width, SIZES.small)
        whole = all(text_width(word, SIZES.small) <= head_width for word in name.split())
        too_long = not whole or len(lines) > 3 or text_width(name, SIZES.body) > LONG
        letters = letters or too_long or STAND_IN in name
    return Names(full, {name: place for place, name in enumerate(names)}, letters)
